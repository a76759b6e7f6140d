"""Devices of a repair bench, sound and with faults, and the board around them, as ngspice takes them.

Nothing here is shared with `junction`: every device is drawn in this file, from ngspice's own models
(Gummel-Poon transistors, junction diodes, MOS level 1, JFETs).  All parts are invented; spreads of
parameters are common practice, no source.
"""

from dataclasses import dataclass, field, replace
from itertools import combinations, permutations
from math import exp, inf, log

_VT = 0.025852  # kT/q at ngspice's own 27 degC [V]


@dataclass
class Net:
    """A part as ngspice sees it: elements between named nodes, model cards, and which nodes are its leads."""

    leads: tuple[str, ...]
    temp_C: float
    named: tuple[str, ...] = ()  # how the leads may be called, in the order of `leads`
    elements: list = field(default_factory=list)  # (letter, nodes, rest)
    models: list = field(default_factory=list)
    gate_V: tuple = ()  # of a MOSFET in each placement, in the order of `permutations(leads, 2)`

    def r(self, a, b, ohm):
        self.elements.append(("r", (a, b), f"{ohm:.6g}"))

    def device(self, letter, nodes, kind, rest="", **p):
        self.models.append((kind, " ".join(f"{key}={value:.6g}" for key, value in p.items())))
        rest = rest or f"temp={self.temp_C:g}"
        self.elements.append((letter, nodes, f"@{len(self.models) - 1}@ {rest}"))

    def d(self, a, k, **p):
        self.device("d", (a, k), "d", **{"RS": 0.05} | p)

    def junction(self, a, k, volts, n, gap=1.11, **p):
        """A junction by its forward voltage at 1 mA, not counting its resistance."""
        self.d(a, k, IS=1e-3 * exp(-volts / (n * _VT)), N=n, EG=gap, **p)


def span(rng, low, high):
    """A draw that is uniform in the logarithm."""
    return float(exp(rng.uniform(log(low), log(high))))


# ------------------------------------------------------------------------------------------------ devices

BIPOLAR = ("silicon small", "silicon power", "germanium small", "germanium power", "Darlington",
           "Darlington resistors", "damper", "base resistor")  # fmt: skip
#: Forward voltage at 1 mA, from and to, and energy gap.
LEDS = {"LED infrared": (0.98, 1.15, 1.4), "LED red": (1.5, 1.78, 1.9), "LED yellow": (1.65, 1.88, 2.0),
        "LED green": (1.7, 1.95, 2.2), "LED blue or white": (2.35, 2.72, 2.7)}  # fmt: skip
DIODES = ("rectifier", "switching", "Schottky", "germanium diode", *LEDS, "Zener under 3 V", "Zener")


def transistor(net, rng, kind, polarity, b="B", c="C", e="E"):
    """A Gummel-Poon transistor; its collector junction beyond the emitter's area is a diode of its own."""
    ends = lambda p, n: (p, n) if polarity == "npn" else (n, p)  # noqa: E731
    small = kind.endswith("small")
    if kind.startswith("germanium"):
        i_cbo = span(rng, 1e-6, 2e-5) if small else span(rng, 5e-5, 5e-4)
        i_cbo *= 2 ** ((net.temp_C - 25) / rng.uniform(9, 11))
        share = rng.uniform(0.3, 0.7)  # of it saturates; the rest goes over the surface, with the voltage
        for p, n, part in ((b, c, 1.0), (b, e, rng.uniform(0.2, 0.8))):
            net.d(*ends(p, n), IS=i_cbo * share * part, N=rng.uniform(1.1, 1.5), RS=rng.uniform(2, 20),
                  TNOM=net.temp_C)  # fmt: skip
        net.r(b, c, 10 / (i_cbo * (1 - share)))
        p = {"IS": (span(rng, 1.5e-7, 1.5e-6) if small else span(rng, 2e-6, 1.5e-5))
             * 2 ** ((net.temp_C - 25) / 8), "BF": span(rng, 25, 180), "BR": span(rng, 2, 25),
             "RB": span(rng, 10, 120) if small else span(rng, 2, 20), "RE": rng.uniform(0.05, 0.6),
             "RC": rng.uniform(0.05, 1.0), "NF": rng.uniform(1, 1.06), "NR": rng.uniform(1, 1.06),
             "TNOM": net.temp_C}  # fmt: skip
    else:
        p = {"IS": span(rng, 2e-15, 8e-14) if small else span(rng, 1e-13, 1.5e-11),
             "BF": span(rng, 60, 500) if small else span(rng, 15, 200), "BR": span(rng, 0.5, 15),
             "RB": span(rng, 5, 150) if small else span(rng, 0.3, 8), "RE": span(rng, 0.01, 0.8),
             "RC": span(rng, 0.02, 4), "NF": rng.uniform(0.99, 1.03), "NR": rng.uniform(0.99, 1.04),
             "ISE": span(rng, 1e-15, 3e-13) if small else span(rng, 1e-13, 5e-11),
             "NE": rng.uniform(1.5, 2.0), "VAF": span(rng, 30, 250), "EG": 1.11}  # fmt: skip
        net.d(*ends(b, c), IS=p["IS"] * span(rng, 0.1, 3), N=rng.uniform(1, 1.05), RS=p["RB"], EG=1.11)
    net.device("q", (c, b, e), polarity, **p)


def diode(net, rng, kind, a="A", k="K"):
    """One junction of a kind between two nodes."""
    if kind == "rectifier":
        n = rng.uniform(1, 1.1) if rng.random() < 0.5 else rng.uniform(1.5, 1.9)
        net.junction(a, k, rng.uniform(0.48, 0.62), n, RS=span(rng, 0.02, 0.3))
    elif kind == "switching":
        net.junction(a, k, rng.uniform(0.57, 0.66), rng.uniform(1.6, 1.95), RS=span(rng, 0.3, 3))
    elif kind == "Schottky":
        n = rng.uniform(1.02, 1.1)
        net.junction(a, k, rng.uniform(0.13, 0.33), n, 0.69, RS=span(rng, 0.02, 8), XTI=2)
        net.r(a, k, span(rng, 1e5, 1e7))
    elif kind == "germanium diode":
        net.junction(a, k, rng.uniform(0.16, 0.28), rng.uniform(1.1, 1.6), 0.67, RS=span(rng, 3, 70))
        net.r(a, k, span(rng, 6e4, 2e6) * 2 ** ((25 - net.temp_C) / 12))
    elif kind in LEDS:
        low, high, gap = LEDS[kind]
        net.junction(a, k, rng.uniform(low, high), rng.uniform(1.5, 2.2), gap, RS=span(rng, 1, 20))
    else:
        few = (2.4, 2.7) if kind == "Zener under 3 V" else (3.0, 3.3, 3.9, 4.7, 5.1, 5.6, 6.8, 9.1, 12, 15)
        volts = few[int(rng.integers(len(few)))] * rng.uniform(0.95, 1.05)  # at 5 mA
        net.junction(a, k, rng.uniform(0.62, 0.72), rng.uniform(1, 1.3), RS=span(rng, 0.2, 3))
        # field emission: an exponential of 60 to 80 ohm at 5 mA with what is in series, that keeps the usual
        # 50 uA at 1 V of a 2.4 V part, from memory; no meter here reaches 5.5 V
        soft = rng.uniform(9, 11.8) if volts < 4.2 else 6.0
        if volts < 5.5:
            net.d(k, a, IS=5e-3 * exp(-volts / (soft * _VT)), N=soft, TNOM=net.temp_C, RS=span(rng, 3, 25))


def make(rng, kind, temp_C, meter_V):
    """A sound part of a kind; `meter_V` is what a meter's open leads put on a gate."""
    net = Net(("B", "C", "E"), temp_C, ("B", "C", "E"))
    polarity = "npn" if rng.random() < {"germanium": 0.2, "damper": 0.9}.get(kind.split()[0], 0.5) else "pnp"
    ends = lambda p, n: (p, n) if polarity == "npn" else (n, p)  # noqa: E731
    if kind.split()[0] in ("silicon", "germanium") and kind in BIPOLAR:
        transistor(net, rng, kind, polarity)
    elif kind.startswith("Darlington"):
        transistor(net, rng, "small" if rng.random() < 0.4 else "power", polarity, e="x")
        transistor(net, rng, "power", polarity, b="x")
        if "resistors" in kind:
            net.r("B", "x", span(rng, 3e3, 2e4))
            net.r("x", "E", span(rng, 40, 800))
            net.junction(*ends("E", "C"), rng.uniform(0.45, 0.6), rng.uniform(1, 1.1))
    elif kind == "damper":
        transistor(net, rng, "power", polarity)
        net.r("B", "E", rng.uniform(25, 60))
        net.junction(*ends("E", "C"), rng.uniform(0.42, 0.58), rng.uniform(1, 1.1))
    elif kind == "base resistor":
        transistor(net, rng, "small", polarity, b="x")
        net.r("B", "x", rng.choice([1e3, 2.2e3, 4.7e3, 1e4, 2.2e4, 4.7e4]) * rng.uniform(0.75, 1.25))
        if rng.random() < 0.75:
            net.r("x", "E", rng.choice([2.2e3, 4.7e3, 1e4, 2.2e4, 4.7e4]) * rng.uniform(0.75, 1.25))
    elif kind in DIODES:
        net.leads = net.named = ("A", "K")
        diode(net, rng, kind)
    elif kind == "resistor":
        net.leads = net.named = ("A", "K")
        net.r("A", "K", span(rng, 0.1, 1e6))
    elif kind == "short of three leads":
        for a, b in combinations(net.leads, 2):
            net.r(a, b, span(rng, 0.02, 0.5))
    else:
        _OTHERS[kind.split()[0]](net, rng, kind, meter_V)
    return net


def _mosfet(net, rng, kind, meter_V):
    """The gate is a charge that stays until a probe moves it."""
    net.leads = net.named = ("G", "D", "S")
    n_type = rng.random() < 0.6
    sign = 1 if n_type else -1
    r_on, vto = span(rng, 5e-3, 5), rng.uniform(0.8, 4.0)
    net.device("m", ("D", "g", "S", "S"), "nmos" if n_type else "pmos", "w=1u l=1u", VTO=sign * vto,
               KP=0.7 / (r_on * (max(8.0, vto + 3) - vto)), RD=0.3 * r_on)  # fmt: skip
    net.elements.append(("v", ("g", "S"), "$gate$"))
    net.r("G", "S", span(rng, 1e10, 1e12))
    net.junction(*(("S", "D") if n_type else ("D", "S")), rng.uniform(0.42, 0.6), rng.uniform(1, 1.1),
                 RS=0.1 * r_on)  # fmt: skip
    if kind.endswith("by meter"):  # in the order in which the placements happen to be read
        places, gate, volts = list(permutations(net.leads, 2)), {}, 0.0
        for k in rng.permutation(6):
            if "G" in places[k]:  # against the drain a part of it falls on the other capacitance
                volts = meter_V * (1 if places[k][0] == "G" else -1)
                volts *= 1 if "S" in places[k] else rng.uniform(0.4, 0.9)
            gate[int(k)] = volts
        net.gate_V = tuple(gate[k] for k in range(6))
    else:
        net.gate_V = (sign * rng.uniform(vto + 1.5, vto + 8) if kind.endswith(" charged") else 0.0,) * 6


def _jfet(net, rng, kind, meter_V):
    net.leads = net.named = ("G", "D", "S")
    vto, i_dss = -rng.uniform(0.5, 6), span(rng, 1e-3, 3e-2)
    p = {"VTO": vto, "BETA": i_dss / vto**2, "LAMBDA": 0.01, "IS": span(rng, 1e-15, 3e-14)}
    p |= {"RD": rng.uniform(2, 30), "RS": rng.uniform(2, 30)}
    net.device("j", ("D", "G", "S"), "njf" if rng.random() < 0.75 else "pjf", **p)


def _thyristor(net, rng, kind, meter_V):
    net.leads = net.named = ("A", "K", "G")
    i_s = span(rng, 1e-14, 3e-12)
    for a, k, area in (("A", "n", 1), ("G", "n", 1), ("G", "K", span(rng, 0.3, 10))):
        net.d(a, k, IS=i_s * area, N=rng.uniform(1, 1.1), EG=1.11, RS=span(rng, 1, 60))
    net.r("G", "K", span(rng, 1.1e4, 3e5) if kind.endswith("sensitive") else span(rng, 20, 2e3))


def _triac(net, rng, kind, meter_V):
    net.leads, net.named = ("T1", "T2", "G"), ("MT1", "MT2", "G")
    net.r("G", "T1", span(rng, 10, 300))
    for ends in (("G", "T1"), ("T1", "G")):
        net.d(*ends, IS=span(rng, 1e-14, 1e-12), N=rng.uniform(1, 1.1), RS=span(rng, 2, 60), EG=1.11)
    net.r("T2", "T1", span(rng, 5e6, 1e9))


#: Invented integrated circuits, junctions and resistors: I input, O output, G ground, small letters inside.
_CIRCUITS = (
    ("OI GI GO st tG", "OG Is"),  # positive series regulator: pass transistor, divider, start-up string
    ("OI Ga aI", "OG aO"),  # adjustable one or reference, without a ground
    ("IO IG Ob Gc", "GO bG cI"),  # negative regulator: all the other way round
    ("GI GO uv vw wG", "Iu"),  # sensor or switch with an open collector and a supply string
    ("GO GI OI", "OI IG"),  # supervisor: substrate diodes and resistors
)


def _regulator(net, rng, kind, meter_V):
    net.leads = net.named = ("IN", "OUT", "GND")
    which, nodes = int(rng.integers(len(_CIRCUITS) + 1)), list("IOGxy")
    if which < len(_CIRCUITS):
        junctions, resistors = (text.split() for text in _CIRCUITS[which])
    else:  # any junctions and resistors at all
        pick = lambda: "".join(rng.choice(nodes, 2, replace=False))  # noqa: E731
        junctions = [pick() for _ in range(int(rng.integers(3, 9)))]
        resistors = [pick() for _ in range(int(rng.integers(1, 4)))] + ["xG", "yI"]
    lead = {"I": "IN", "O": "OUT", "G": "GND"}
    for a, k in junctions:
        net.d(lead.get(a, a), lead.get(k, k), IS=span(rng, 1e-15, 1e-11), N=rng.uniform(1, 1.1),
              RS=span(rng, 2, 200), EG=1.11)  # fmt: skip
    for a, b in resistors:
        net.r(lead.get(a, a), lead.get(b, b), span(rng, 1e3, 1e5))


def _dual(net, rng, kind, meter_V):
    """Two dice alike: common cathode, common anode, or in series with a lead at the middle."""
    how, what = kind.split()[1:]
    name = "Schottky" if what == "Schottky" else ("rectifier", "switching")[int(rng.integers(2))]
    net.leads, ends = {"cathode": (("A1", "K", "A2"), (("A1", "K"), ("A2", "K"))),
                       "anode": (("K1", "A", "K2"), (("A", "K1"), ("A", "K2"))),
                       "series": (("A1", "m", "K2"), (("A1", "m"), ("m", "K2")))}[how]  # fmt: skip
    net.named = net.leads if how != "series" else ()
    first = rng.bit_generator.state
    diode(net, rng, name, *ends[0])
    rng.bit_generator.state = first
    diode(net, rng, name, *ends[1])


def _bridge(net, rng, kind, meter_V):
    net.leads = net.named = ("~1", "~2", "+", "-")
    n = rng.uniform(1, 1.1) if rng.random() < 0.5 else rng.uniform(1.5, 1.9)
    silicon = rng.random() < 0.85
    volts = rng.uniform(0.48, 0.6) if silicon else rng.uniform(0.15, 0.3)
    for ends in (("~1", "+"), ("~2", "+"), ("-", "~1"), ("-", "~2")):  # four dice of one lot
        net.junction(*ends, volts + rng.normal(0, 0.004), n, 1.11 if silicon else 0.69)


def _optocoupler(net, rng, kind, meter_V):
    net.leads = net.named = ("A", "K", "C", "E")
    diode(net, rng, "LED infrared")
    transistor(net, rng, "small", "npn", b="b")
    net.r("A", "E", 1e12)


_OTHERS = {"MOSFET": _mosfet, "JFET": _jfet, "thyristor": _thyristor, "triac": _triac,
           "regulator": _regulator, "dual": _dual, "bridge": _bridge,
           "optocoupler": _optocoupler}  # fmt: skip


# ---------------------------------------------------------------------------------------- faults and board


def draw_faults(rng, net, kind, how):
    """Faults of a net: (pair of leads or lead, 'short' | 'open' | 'leak', ohm) each; one, or two at once.

    Shorts are of 0.2 to 30 ohm, leaks of 60 ohm to 1 Mohm; an open bond disconnects a lead.
    """
    pairs = list(combinations(net.leads, 2))
    if kind.startswith("dual"):
        pairs = [p for p in pairs if {"K", "A", "m"} & {*p}]
    elif kind == "bridge":
        pairs = [p for p in pairs if ("+" in p) != ("-" in p)]
    elif kind == "optocoupler":
        pairs = [("A", "K"), ("C", "E")]
    elif kind == "base resistor":
        pairs = [("C", "E")]

    def one(word, pairs, leads):
        if word == "open":
            return leads[int(rng.integers(len(leads)))], word, inf
        pair = pairs[int(rng.integers(len(pairs)))]
        return pair, word, span(rng, 0.2, 30) if word == "short" else span(rng, 60, 1e6)

    words = ("short", "leak", "open")
    if how in words:
        return [one(how, pairs, net.leads)]
    if how != "two":
        return []
    first = one(words[int(rng.integers(3))], pairs, net.leads)
    left = [p for p in pairs if p != first[0] and first[0] not in p]  # a fault behind an open bond is none
    if not left:
        return [first]
    others = [x for x in net.leads if x not in first[0]]
    words = words[:2] if first[1] == "open" or kind == "bridge" else words
    return [first, one(words[int(rng.integers(len(words)))], left, others)]


def with_faults(net, faults):
    """The net with its faults: an open bond leaves the inside on a node of its own."""
    inside = {where: "inside " + where for where, what, _ in faults if what == "open"}
    net = replace(net, elements=[(letter, tuple(inside.get(x, x) for x in nodes), rest)
                                 for letter, nodes, rest in net.elements])  # fmt: skip
    for where, what, ohm in faults:
        if what != "open":
            net.r(*where, ohm)
    return net


def draw_board(rng, net):
    """One to three paths of a board: (lead, lead, ohm or 0 of a junction, its IS, ohm behind it)."""
    paths = []
    for _ in range(int(rng.integers(1, 4))):
        a, b = (str(x) for x in rng.choice(net.leads, 2, replace=False))
        ohm = span(rng, 10, 1e5) if rng.random() < 0.75 else 0.0
        paths.append((a, b, ohm, span(rng, 1e-14, 1e-11), span(rng, 1, 3e3)))
    return paths


def with_board(net, paths, lifted=()):
    """The net with the paths of the board that do not end at a lifted lead."""
    net = replace(net, elements=list(net.elements), models=list(net.models))
    for k, (a, b, ohm, i_s, behind) in enumerate(paths):
        if a in lifted or b in lifted:
            continue
        if ohm:
            net.r(a, b, ohm)
        else:
            net.d(a, f"path {k}", IS=i_s, N=1.02, EG=1.11)
            net.r(f"path {k}", b, behind)
    return net
