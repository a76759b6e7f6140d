"""Junctions of a repair bench, sound and with faults, as ngspice takes them, and what their sheets allow.

Nothing here is shared with `junction`: limits, ratings and families are those of `tests.sheets`.  Every
device is drawn in this file from ngspice's own models.  All parts are invented; spreads of parameters are
common practice, no source.
"""

import re
from dataclasses import dataclass, field
from functools import cache
from math import exp, inf, log

from tests import sheets
from tests.sheets import Sheet, sheet

FAMILIES = {f.name: f for f in sheets.FAMILIES}
VT = 0.0256926  # kT/q at 25 degC [V]
#: Factor that every truth keeps from every limit.
MARGIN = 3.0


def span(rng, low, high):
    """A draw that is uniform in the logarithm."""
    return float(exp(rng.uniform(log(low), log(max(high, low)))))


# ------------------------------------------------------------------------------------------------ kinds


@dataclass(frozen=True)
class Kind:
    """How parts of a family are drawn; `types` as a pattern of registered numbers."""

    family: str
    junctions: tuple
    types: str
    vf: tuple  # [V] at 1 mA and 25 degC
    n: tuple
    rs: tuple  # [ohm]
    bv: tuple  # of parts that no sheet rates [V]
    i_top: tuple  # how far they are swept [A]
    gap: float = 1.11
    xti: float = 3.0
    sheet: bool = True


_ELSE = "$^"
KINDS = {
    "small": Kind("small-signal silicon BJT", ("BE", "BC"),
                  r"BC[35]\d\d[ABC]?|2N(390[346]|2222A|2907A|555[01]|440[13]|5401)", (0.60, 0.69),
                  (1.0, 1.03), (0.5, 40), (6, 60), (3e-4, 5e-2)),
    "power": Kind("silicon power BJT", ("BE", "BC"),
                  r"2N(3055|3773|3771|588[3-6])|MJ(2955|15003|15004|802|15024)|TIP(31|41|42|35)C|BD(139|140|237|249C)",
                  (0.48, 0.60), (1.0, 1.04), (0.03, 3), (8, 150), (3e-3, 2.0)),
    "darlington": Kind("silicon Darlington B-E path", ("BE",), "BC517", (1.12, 1.3), (1.0, 1.03), (1, 30),
                       (14, 24), (1e-3, 3e-2)),
    "darlington resistors": Kind("silicon Darlington with resistors", ("BE", "BC"), r"TIP1[24]\d",
                                 (0.5, 0.6), (1.0, 1.04), (0.1, 2), (12, 20), (3e-3, 0.3)),
    "germanium small": Kind("germanium small-signal", ("BE", "BC"), "2N404", (0.16, 0.26), (1.0, 1.2),
                            (1, 20), (15, 40), (1e-3, 3e-2), 0.67),
    "germanium power": Kind("germanium power", ("BE", "BC"), _ELSE, (0.09, 0.16), (1.0, 1.2), (0.05, 2),
                            (20, 60), (1e-2, 1.0), 0.67),
    "switching": Kind("switching diode", ("AK",), r"1N(4148|914|4448|4150)", (0.55, 0.63), (1.6, 1.95),
                      (0.3, 3), (80, 120), (1e-3, 1e-1)),
    "rectifier": Kind("silicon rectifier", ("AK",), r"1N(400\d|540\d|493\d|505\d|506\d)", (0.48, 0.61),
                      (1.2, 1.9), (0.01, 0.1), (100, 1200), (1e-2, 1.0)),
    "Schottky": Kind("Schottky", ("AK",), r"1N58\d\d", (0.13, 0.25), (1.02, 1.08), (0.02, 0.15), (25, 60),
                     (1e-2, 1.0), 0.69, 2.0),
    "Zener": Kind("Zener", ("AK",), r"1N(47\d\dA|52\d\dB|53\d\dB)", (0.62, 0.72), (1.0, 1.3), (0.2, 2),
                  (3.3, 150), (1e-3, 5e-2)),
    "LED infra-red": Kind("LED infra-red", ("AK",), _ELSE, (0.98, 1.15), (1.4, 2.0), (1, 6), (8, 40),
                          (3e-3, 5e-2), 1.42),
    "LED red": Kind("LED red", ("AK",), _ELSE, (1.5, 1.75), (1.5, 2.2), (1, 12), (8, 40), (2e-3, 3e-2), 1.9),
    "LED green": Kind("LED yellow or green", ("AK",), _ELSE, (1.75, 2.0), (1.5, 2.2), (1, 15), (8, 40),
                      (2e-3, 3e-2), 2.15),
    "LED blue": Kind("LED blue or white", ("AK",), _ELSE, (2.4, 2.75), (1.5, 2.5), (2, 20), (8, 40),
                     (2e-3, 3e-2), 2.7),
}  # fmt: skip


@cache
def types_of(kind):
    """Registered types of a kind that may fail a part."""
    return tuple(name for name in sheets.rows() if re.fullmatch(KINDS[kind].types, name))


@dataclass
class Part:
    """A junction under test: its elements, with what is true of it."""

    kind: str
    junction: str
    type: str
    fault: str
    fault_value: float  # [ohm] or [V], nan for none
    vf: float
    n: float
    rs: float  # of the sound part [ohm]
    rs_fault: float  # more of it [ohm]
    shunt: float
    bv: float
    elements: list = field(default_factory=list)  # (letter, nodes, model kind, parameters or ohms)
    gone: bool = False  # nothing but `shunt`

    def add(self, letter, nodes, kind, **p):
        self.elements.append((letter, nodes, kind, p))

    def netlist(self, tag, p, temp_C):
        """Lines of one copy between node `p` and ground at its own temperature."""
        lines = []

        def name(node):
            return {"p": p, "k": "0"}.get(node, f"{tag}{node}")

        elements = [] if self.gone else self.elements
        for k, (letter, nodes, kind, card) in enumerate(elements):
            ends = " ".join(name(x) for x in nodes)
            if letter == "r":
                lines.append(f"r{tag}_{k} {ends} {card['ohm']:.6g}")
                continue
            card = {key: temp_C if value == "temp" else value for key, value in card.items()}
            text = " ".join(f"{key}={value:.6g}" for key, value in card.items())
            lines.append(f".model m{tag}_{k} {kind} ({text})")
            lines.append(f"{letter}{tag}_{k} {ends} m{tag}_{k} temp={temp_C:.4f}")
        if self.shunt < inf:
            lines.append(f"r{tag}_s {p} 0 {self.shunt:.6g}")
        return lines


def limits_of(kind, junction, type_name, vf, zener_known=True):
    """Leak limits: (first the one that decides, all of them) as (current [A], voltage [V])."""
    k = KINDS[kind]
    own = FAMILIES[k.family]
    mine = (own.leak_max_A, own.leak_at_V)
    if junction == "BC" and kind == "darlington resistors":
        mine = (FAMILIES["silicon power BJT"].leak_max_A, 5.0)
    if type_name:
        registered = sheet(type_name, junction).leaks
        return list(registered) or [mine], [*registered, mine]
    device = "diode" if junction == "AK" else "bjt"
    like = [(f.leak_max_A, f.leak_at_V) for name, f in FAMILIES.items()
            if f.device == device and f.vf_low_V - 0.04 <= vf <= f.vf_high_V + 0.04
            and "Darlington" not in name and (name != "Zener" or kind == "Zener")]  # fmt: skip
    return [*like, mine], [*like, mine]


def drop_allowed(kind, part_sheet, vf, n):
    """Registered currents with the drop that the sheet leaves for resistance there: [(current, volts)]."""
    slope = n * VT * (2 if kind == "darlington" else 1)
    return [(amps, volts - vf - slope * log(amps / 1e-3)) for amps, volts in part_sheet.drops]


def make(rng, kind, fault, marked):
    """One part, or None where this draw is not clear of a limit."""
    k = KINDS[kind]
    junction = str(rng.choice(k.junctions))
    type_name = str(rng.choice(types_of(kind))) if marked and types_of(kind) else ""
    if type_name and kind == "Zener" and rng.random() < 0.5:  # from 3.3 to 200 V, both ends as often
        type_name = str(rng.choice([x for x in types_of(kind) if x.startswith("1N53")]))
    paper = sheet(type_name, junction) if type_name else Sheet()
    own = FAMILIES[k.family]
    vf, n = rng.uniform(*k.vf), rng.uniform(*k.n)
    rs = span(rng, *k.rs)
    rs = min(rs, own.rs_high_ohm / 2)
    allowed = drop_allowed(kind, paper, vf, n)
    if junction == "BE" and kind == "darlington resistors":
        allowed = []  # its registered drop is two junctions' and the sweep of a base alone says little of it
    if any(volts < 0.03 for _, volts in allowed):
        return None
    rs = min([rs, *(volts / MARGIN / amps for amps, volts in allowed)])
    deciding, every = limits_of(kind, junction, type_name, vf)
    rating = paper.rating_V
    zener = paper.zener[0] * rng.uniform(0.955, 1.045) if paper.zener else 0.0
    if kind == "Zener":
        bv = zener or span(rng, *k.bv)
    elif rating < inf:
        farthest = max([rating, *(v for _, v in every)])
        bv = 1.15 * farthest * (span(rng, 1.0, 1.6) if junction != "BE" else rng.uniform(1.0, 1.4))
    elif junction == "BE" and kind in ("small", "power"):
        bv = rng.uniform(6.2, 10)
    else:
        bv = 1.15 * max(span(rng, *k.bv), *(v for _, v in every))
    part = Part(kind, junction, type_name, fault, float("nan"), vf, n, rs, 0.0, inf, bv)
    healthy = max(MARGIN * volts / amps for amps, volts in every)
    if rng.random() < 0.7:
        part.shunt = span(rng, 3 * healthy, max(1e13, 30 * healthy))
    soft = None
    if fault == "leak":
        most = min([1e8, *(volts / amps / MARGIN for amps, volts in deciding)])
        if most < 120:
            return None
        part.shunt = part.fault_value = span(rng, 100, most)
    elif fault == "short":
        part.shunt = part.fault_value = span(rng, 0.05, 16)
        part.gone = rng.random() < 0.5
    elif fault == "open":
        part.shunt = part.fault_value = span(rng, 1.2e7, 1e13) if rng.random() < 0.7 else inf
        part.gone = True
    elif fault == "low breakdown":
        reach = max(v for _, v in deciding)
        reach = min(reach, rating) if rating < inf else reach
        if kind == "Zener":
            if not type_name or zener < 6:
                return None
            part.bv = part.fault_value = zener * rng.uniform(0.3, 0.8)
        elif not type_name and junction == "AK" and kind != "Schottky":
            return None  # a sharp breakdown without a sheet is a Zener's
        else:
            part.bv = part.fault_value = reach * rng.uniform(0.15, 0.7)
        if part.bv < 1.2:
            return None
    elif fault == "soft knee":
        if kind == "Zener" or (not type_name and junction == "AK" and kind not in ("Schottky", *_LEDS)):
            return None
        reach = max(v for _, v in deciding)
        worst = max(amps for amps, _ in deciding)
        scale = reach * rng.uniform(0.08, 0.25)
        part.fault_value = span(rng, 4 * worst, min(300 * worst, max(5 * worst, 20e-3)))
        soft = (part.fault_value / (exp(reach / scale) - 1), scale)
    elif fault == "high resistance":
        if type_name and allowed:
            amps, volts = min(allowed, key=lambda x: x[1] / x[0])
            least = max(2.1 * volts / amps, 1.6, 3 * rs)
            if junction != "AK":  # V_BE(on) is registered at a collector current: the base's own drop is less
                least = max(least, own.rs_high_ohm / 3)
        else:
            least = 3.1 * max([own.rs_high_ohm, *(f.rs_high_ohm for f in FAMILIES.values()
                               if not type_name and f.device == own.device
                               and f.vf_low_V <= vf <= f.vf_high_V)])  # fmt: skip
        if least > 200:
            return None  # so much is allowed that more of it is no common fault
        part.rs_fault = part.fault_value = span(rng, least, max(100, 2 * least))
    _elements(rng, part, k, junction, soft)
    return part


_LEDS = tuple(x for x in KINDS if x.startswith("LED"))


def _elements(rng, part, k, junction, soft):
    """The part's own model cards."""
    kind, vf, n, bv = part.kind, part.vf, part.n, part.bv
    a = "p"
    if part.rs_fault:
        part.add("r", ("p", "a"), "", ohm=part.rs_fault)
        a = "a"
    sharp = {"BV": bv, "IBV": span(rng, 1e-6, 1e-4), "NBV": rng.uniform(1, 3)}
    i_s = 1e-3 * exp(-vf / (n * VT))
    if kind == "Zener":
        if bv < 5.5:  # field emission: soft, from memory
            sharp["NBV"] = bv / rng.uniform(13, 20) / VT
        sharp["IBV"] = 5e-3
    if junction == "AK" or kind.startswith("germanium"):
        own = {"IS": i_s, "N": n, "RS": part.rs, "EG": k.gap, "XTI": k.xti} | sharp
        if k.gap > 1 and rng.random() < 0.6 and not kind.startswith("LED"):
            own |= {"ISR": span(rng, 1e-11, 1e-9), "NR": rng.uniform(1.9, 2.0)}
        part.add("d", (a, "k"), "d", **own)
    elif kind.startswith("darlington"):
        resistors = kind.endswith("resistors")
        out = "k" if junction == "BE" else "e"
        own = {"BF": span(rng, 60, 300), "BR": span(rng, 1, 8), "NF": n, "NR": n, "EG": 1.11, "RE": 0.02}
        first = i_s if resistors else 1e-3 * exp(-vf / 2 / VT)
        coll = "c" if junction == "BE" else "k"
        part.add("r", (a, "b"), "", ohm=max(part.rs, 0.05))
        part.add("q", (coll, "b", "x"), "npn", IS=first, **own)
        part.add("q", (coll, "x", out), "npn", IS=first * rng.uniform(1, 4), **own)
        if resistors:
            low = (5e3, 1.5e4) if part.type.startswith("TIP14") or not part.type else (7.8e3, 1.2e4)
            part.add("r", ("b", "x"), "", ohm=span(rng, *low))
            part.add("r", ("x", out), "", ohm=span(rng, 60, 250))
            part.add("d", (out, coll), "d", IS=1e-3 * exp(-0.55 / VT), N=1.02, RS=0.05, EG=1.11)
        part.add("d", ("b", out if junction == "BE" else "k"), "d", IS=1e-32, RS=0.2, **sharp)
    else:
        b_r = span(rng, 1, 12)
        # with its third lead floating a transistor's junction carries what recombines: IS (1/BF + 1/BR)
        b_f = span(rng, 60, 500) if kind == "small" else span(rng, 20, 150)
        card = {"IS": i_s * b_r, "BF": b_f, "BR": b_r, "NF": n, "NR": n,
                "RB": 0.7 * part.rs, "RE" if junction == "BE" else "RC": 0.3 * part.rs,
                "EG": k.gap, "XTI": k.xti}  # fmt: skip
        if rng.random() < 0.6:
            card |= {"ISE": i_s * span(rng, 10, 300), "NE": rng.uniform(1.6, 2.0)}
        part.add("q", ("c", a, "k") if junction == "BE" else ("k", a, "e"), "npn", **card)
        part.add("d", (a, "k"), "d", IS=1e-32, RS=max(part.rs, 0.1), **sharp)
    if soft:
        part.add("d", ("k", a), "d", IS=soft[0], N=soft[1] / VT, RS=1.0, TNOM="temp")
