"""Parts of every kind on a repair bench, read by simulated meters in ngspice: outside truth.

It is for the judge of readings.

Nothing here is shared with `junction.leads` or its tables: the devices are drawn in this file and solved by
ngspice (Gummel-Poon transistors, junction diodes with breakdown, MOS level 1, JFETs, resistors), a copy of the part for
every two-lead placement with the other leads floating.  All parts are invented.  Spreads of parameters are
common practice, no source.

    python -m tests.external.bench_parts renew      draws and solves all parts, writes data/bench_parts.csv.gz
    python -m tests.external.bench_parts report     judges the frozen parts and prints a table by class
"""

import csv
import gzip
import io
import re
import subprocess
import sys
import tempfile
from collections import Counter, defaultdict
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import combinations, permutations
from math import exp, inf, isfinite, log, nan
from pathlib import Path

import numpy as np

DATA = Path(__file__).parent / "data" / "bench_parts.csv.gz"
SEED = 20261128
COLUMNS = ("part", "kind", "faults", "meter", "temp_C", "in_circuit", "lifted", "discharged", "leads", "readings",
           "truth")  # fmt: skip
#: The meters by our short name, and the row of reference/meters.csv that a technician would say.
METERS = {"1mA": "handheld, 1 mA", "0.5mA": "handheld, 0.5 mA", "2.3k": "handheld, source behind resistance",
          "needle ohm": "analog, ohms x100", "needle volt": "analog, ohms x100"}  # fmt: skip


@dataclass
class Net:
    """A part as ngspice sees it: elements between named nodes (capitals are leads), model cards, its leads."""

    leads: tuple[str, ...]
    elements: list = field(default_factory=list)  # (letter, nodes, rest)
    models: list = field(default_factory=list)
    gates: tuple = ()  # gate voltage in each placement, in the order of `permutations(leads, 2)`
    temp: float = 25.0
    named: tuple[str, ...] = ()  # how the leads may be named, in the order of `leads`

    def r(self, a, b, ohm):
        self.elements.append(("r", (a, b), f"{ohm:.6g}"))

    def d(self, a, k, **p):
        name = self.model("d", {"RS": 0.05} | p)
        self.elements.append(("d", (a, k), f"{name} temp={self.temp:.4g}"))

    def model(self, kind, p):
        self.models.append((kind, " ".join(f"{key}={value:.6g}" for key, value in p.items())))
        return f"@{len(self.models) - 1}@"


def span(rng, low, high):
    """A draw that is uniform in the logarithm."""
    return float(exp(rng.uniform(log(low), log(high))))


# ------------------------------------------------------------------------------------------------ devices


def bjt(net, rng, kind, polarity, b="B", c="C", e="E", bf=None):
    """A transistor: Gummel-Poon, and the collector junction beyond the emitter's area as a diode of its own."""
    up = lambda p, n: (p, n) if polarity == "npn" else (n, p)  # noqa: E731
    if kind == "germanium small" or kind == "germanium power":
        small = kind == "germanium small"
        i_cbo = (span(rng, 1e-6, 2e-5) if small else span(rng, 5e-5, 5e-4))
        i_cbo *= 2 ** ((net.temp - 25) / rng.uniform(9, 11))  # doubles about every 10 K, common practice
        share = rng.uniform(0.3, 0.7)  # saturated; the rest goes over the surface, in proportion to the voltage
        scale = 2 ** ((net.temp - 25) / 8)
        p = {"IS": scale * (span(rng, 1.5e-7, 1.5e-6) if small else span(rng, 2e-6, 1.5e-5)),
             "BF": bf or span(rng, 25, 180), "BR": span(rng, 2, 25), "RB": span(rng, 10, 120) if small else span(rng, 2, 20),
             "RE": rng.uniform(0.05, 0.6), "RC": rng.uniform(0.05, 1.0), "NF": rng.uniform(1, 1.06),
             "NR": rng.uniform(1, 1.06), "TNOM": net.temp}  # fmt: skip
        net.d(*up(b, c), IS=i_cbo * share, N=rng.uniform(1.1, 1.5), TNOM=net.temp, RS=rng.uniform(2, 20))
        net.r(b, c, 10 / (i_cbo * (1 - share)))
        net.d(*up(b, e), IS=i_cbo * share * rng.uniform(0.2, 0.8), N=rng.uniform(1.1, 1.5), TNOM=net.temp,
              RS=rng.uniform(2, 20))  # fmt: skip
    else:
        small = kind == "small"
        p = {"IS": span(rng, 2e-15, 8e-14) if small else span(rng, 1e-13, 1.5e-11),
             "BF": bf or (span(rng, 60, 500) if small else span(rng, 15, 200)), "BR": span(rng, 0.5, 15),
             "RB": span(rng, 5, 150) if small else span(rng, 0.3, 8), "RE": span(rng, 0.01, 0.8),
             "RC": span(rng, 0.02, 4), "NF": rng.uniform(0.99, 1.03), "NR": rng.uniform(0.99, 1.04),
             "ISE": span(rng, 1e-15, 3e-13) if small else span(rng, 1e-13, 5e-11), "NE": rng.uniform(1.5, 2.0),
             "VAF": span(rng, 30, 250), "EG": 1.11}  # fmt: skip
        net.d(*up(b, c), IS=p["IS"] * span(rng, 0.1, 3), N=rng.uniform(1.0, 1.05), RS=p["RB"], EG=1.11)
    net.elements.append(("q", (c, b, e), f"{net.model(polarity, p)} temp={net.temp:.4g}"))


DIODES = ("rectifier", "switching", "Schottky", "germanium diode", "LED infrared", "LED red", "LED yellow",
          "LED green", "LED blue or white", "Zener under 3 V", "Zener")  # fmt: skip
GAP = {"LED infrared": (0.98, 1.15, 1.4), "LED red": (1.5, 1.78, 1.9), "LED yellow": (1.65, 1.88, 2.0),
       "LED green": (1.7, 1.95, 2.2), "LED blue or white": (2.35, 2.72, 2.7)}  # fmt: skip


def diode(net, rng, kind, a="A", k="K"):
    """One junction of a kind between two nodes."""
    if kind == "rectifier":
        n = rng.uniform(1.0, 1.1) if rng.random() < 0.5 else rng.uniform(1.5, 1.9)
        i_s = 1e-3 * exp(-rng.uniform(0.48, 0.62) / (n * 0.02585))
        net.d(a, k, IS=i_s, N=n, RS=span(rng, 0.02, 0.3), EG=1.11)
    elif kind == "switching":
        n = rng.uniform(1.6, 1.95)
        net.d(a, k, IS=1e-3 * exp(-rng.uniform(0.57, 0.66) / (n * 0.02585)), N=n, RS=span(rng, 0.3, 3), EG=1.11)
    elif kind == "Schottky":
        n = rng.uniform(1.02, 1.1)
        net.d(a, k, IS=1e-3 * exp(-rng.uniform(0.13, 0.33) / (n * 0.02585)), N=n, RS=span(rng, 0.02, 8), EG=0.69, XTI=2)
        net.r(a, k, span(rng, 1e5, 1e7))
    elif kind == "germanium diode":
        n = rng.uniform(1.1, 1.6)
        net.d(a, k, IS=1e-3 * exp(-rng.uniform(0.16, 0.28) / (n * 0.02585)), N=n, RS=span(rng, 3, 70), EG=0.67)
        net.r(a, k, span(rng, 6e4, 2e6) * 2 ** ((25 - net.temp) / 12))
    elif kind.startswith("LED"):
        low, high, gap = GAP[kind]
        n = rng.uniform(1.5, 2.2)
        net.d(a, k, IS=1e-3 * exp(-rng.uniform(low, high) / (n * 0.02585)), N=n, RS=span(rng, 1, 20), EG=gap)
    else:
        volts = rng.choice([2.4, 2.7] if kind == "Zener under 3 V" else [3.0, 3.3, 3.9, 4.7, 5.1, 5.6, 6.8, 9.1, 12, 15])
        volts *= rng.uniform(0.95, 1.05)  # at 5 mA
        n = rng.uniform(1.0, 1.3)
        net.d(a, k, IS=1e-3 * exp(-rng.uniform(0.62, 0.72) / (n * 0.02585)), N=n, RS=span(rng, 0.2, 3), EG=1.11)
        # below 5 V field emission: an exponential of some 80 ohm at 5 mA, from memory; no meter here reaches the others
        soft = rng.uniform(12, 18) if volts < 4.2 else 6.0
        if volts < 5.5:
            net.d(k, a, IS=5e-3 * exp(-volts / (soft * 0.02585)), N=soft, TNOM=net.temp)


def _polarity(rng):
    return "npn" if rng.random() < 0.5 else "pnp"


def make(rng, kind, temp, meter_volts):
    """A sound part of a kind."""
    net = Net(("B", "C", "E"), temp=temp, named=("B", "C", "E"))
    polarity = _polarity(rng)
    up = lambda p, n: (p, n) if polarity == "npn" else (n, p)  # noqa: E731
    if kind in ("silicon small", "silicon power"):
        bjt(net, rng, kind.split()[1], polarity)
    elif kind.startswith("germanium ") and kind != "germanium diode":
        polarity = "pnp" if rng.random() < 0.8 else "npn"
        bjt(net, rng, kind, polarity)
    elif kind.startswith("Darlington"):
        bjt(net, rng, "small" if rng.random() < 0.4 else "power", polarity, e="x")
        bjt(net, rng, "power", polarity, b="x")
        if "resistors" in kind:
            net.r("B", "x", span(rng, 3e3, 2e4))
            net.r("x", "E", span(rng, 40, 800))
            n = rng.uniform(1.0, 1.1)
            net.d(*up("E", "C"), IS=1e-3 * exp(-rng.uniform(0.45, 0.6) / (n * 0.02585)), N=n, EG=1.11)
    elif kind == "damper":
        polarity = "npn" if rng.random() < 0.9 else "pnp"
        up = lambda p, n: (p, n) if polarity == "npn" else (n, p)  # noqa: E731
        bjt(net, rng, "power", polarity)
        net.r("B", "E", rng.uniform(25, 60))
        n = rng.uniform(1.0, 1.1)
        net.d(*up("E", "C"), IS=1e-3 * exp(-rng.uniform(0.42, 0.58) / (n * 0.02585)), N=n, EG=1.11)
    elif kind.startswith("base resistor"):
        bjt(net, rng, "small", polarity, b="x")
        net.r("B", "x", rng.choice([1e3, 2.2e3, 4.7e3, 1e4, 2.2e4, 4.7e4]) * rng.uniform(0.75, 1.25))
        if rng.random() < 0.75:
            net.r("x", "E", rng.choice([2.2e3, 4.7e3, 1e4, 2.2e4, 4.7e4]) * rng.uniform(0.75, 1.25))
    elif kind.startswith("MOSFET"):
        net.leads = net.named = ("G", "D", "S")
        n_type = rng.random() < 0.6
        sign = 1 if n_type else -1
        ron, vto = span(rng, 5e-3, 5), rng.uniform(0.8, 4.0)
        p = {"VTO": sign * vto, "KP": 0.7 / (ron * (max(8.0, vto + 3) - vto)), "RD": 0.3 * ron}
        net.elements.append(("m", ("D", "g", "S", "S"), f"{net.model('nmos' if n_type else 'pmos', p)} w=1u l=1u"))
        net.elements.append(("v", ("g", "S"), "$VGS$"))
        net.r("G", "S", span(rng, 1e10, 1e12))
        n = rng.uniform(1.0, 1.1)
        ends = ("S", "D") if n_type else ("D", "S")
        net.d(*ends, IS=1e-3 * exp(-rng.uniform(0.42, 0.6) / (n * 0.02585)), N=n, RS=0.1 * ron, EG=1.11)
        places = list(permutations(net.leads, 2))
        held = sign * rng.uniform(vto + 1.5, vto + 8)
        if kind == "MOSFET discharged":
            net.gates = (0.0,) * 6
        elif kind == "MOSFET charged":
            net.gates = (held,) * 6
        else:  # the meter itself charges and discharges it, in the order in which the placements are read
            volts, gate = 0.0, {}
            for k in rng.permutation(6):
                red, black = places[k]
                if "G" in (red, black):  # against the drain part of it falls on the other capacitance
                    volts = meter_volts * (1 if red == "G" else -1) * (1 if "S" in (red, black) else rng.uniform(0.4, 0.9))
                gate[int(k)] = volts
            net.gates = tuple(gate[k] for k in range(6))
    elif kind == "JFET":
        net.leads = net.named = ("G", "D", "S")
        n_type = rng.random() < 0.75
        vto, idss = -rng.uniform(0.5, 6), span(rng, 1e-3, 3e-2)
        p = {"VTO": vto, "BETA": idss / vto**2, "IS": span(rng, 1e-15, 3e-14), "RD": rng.uniform(2, 30),
             "RS": rng.uniform(2, 30), "LAMBDA": 0.01}  # fmt: skip
        net.elements.append(("j", ("D", "G", "S"), f"{net.model('njf' if n_type else 'pjf', p)} temp={temp:.4g}"))
    elif kind.startswith("thyristor"):
        net.leads = net.named = ("A", "K", "G")
        i_s = span(rng, 1e-14, 3e-12)
        net.d("A", "n", IS=i_s, N=rng.uniform(1, 1.1), EG=1.11)
        net.d("G", "n", IS=i_s, N=rng.uniform(1, 1.1), EG=1.11)
        net.d("G", "K", IS=i_s * span(rng, 0.3, 10), N=rng.uniform(1, 1.1), RS=span(rng, 1, 60), EG=1.11)
        shunt = span(rng, 20, 2e3) if kind == "thyristor" else span(rng, 1.1e4, 3e5)
        net.r("G", "K", shunt)
    elif kind == "triac":
        net.leads, net.named = ("T1", "T2", "G"), ("MT1", "MT2", "G")
        net.r("G", "T1", span(rng, 10, 300))
        for ends in (("G", "T1"), ("T1", "G")):
            net.d(*ends, IS=span(rng, 1e-14, 1e-12), N=rng.uniform(1, 1.1), RS=span(rng, 2, 60), EG=1.11)
        net.r("T2", "T1", span(rng, 5e6, 1e9))
    elif kind == "regulator":
        net.leads = net.named = ("IN", "OUT", "GND")
        _regulator(net, rng)
    elif kind.startswith("dual"):
        _dual(net, rng, kind)
    elif kind == "bridge":
        net.leads = net.named = ("~1", "~2", "+", "-")
        n = rng.uniform(1.0, 1.1) if rng.random() < 0.5 else rng.uniform(1.5, 1.9)
        volts = rng.uniform(0.48, 0.6) if rng.random() < 0.85 else rng.uniform(0.15, 0.3)
        for ends in (("~1", "+"), ("~2", "+"), ("-", "~1"), ("-", "~2")):  # four dice of one lot
            net.d(*ends, IS=1e-3 * exp(-(volts + rng.normal(0, 0.004)) / (n * 0.02585)), N=n, EG=1.11 if volts > 0.4 else 0.69)
    elif kind == "optocoupler":
        net.leads = net.named = ("A", "K", "C", "E")
        diode(net, rng, "LED infrared")
        bjt(net, rng, "small", "npn", b="b")
        net.r("A", "E", 1e12)
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
        raise ValueError(kind)
    return net


def _dual(net, rng, kind):
    how, what = kind.split()[1:]
    name = {"silicon": ("rectifier", "switching")[int(rng.integers(2))], "Schottky": "Schottky"}[what]
    first = rng.bit_generator.state
    for k, ends in enumerate({"cathode": (("A1", "K"), ("A2", "K")), "anode": (("A", "K1"), ("A", "K2")),
                              "series": (("A1", "m"), ("m", "K2"))}[how]):  # fmt: skip
        if k:
            rng.bit_generator.state = first  # the same die twice
        diode(net, rng, name, *ends)
    net.leads = {"cathode": ("A1", "K", "A2"), "anode": ("K1", "A", "K2"), "series": ("A1", "m", "K2")}[how]
    net.named = net.leads if how != "series" else ()


def _regulator(net, rng):
    """An invented integrated circuit: junctions to the substrate, between its leads, and resistors."""
    j = lambda a, k: net.d(a, k, IS=span(rng, 1e-15, 1e-11), N=rng.uniform(1, 1.1), RS=span(rng, 2, 200), EG=1.11)  # noqa: E731
    r = lambda a, b, low=1e3, high=1e5: net.r(a, b, span(rng, low, high))  # noqa: E731
    shape = int(rng.integers(6))
    if shape == 0:  # positive series regulator: pass transistor's substrate, divider, start-up string
        j("OUT", "IN"), j("GND", "IN"), j("GND", "OUT"), r("OUT", "GND"), r("IN", "s"), j("s", "t"), j("t", "GND")
    elif shape == 1:  # three-lead reference or adjustable: no ground
        j("OUT", "IN"), r("OUT", "GND", 5e3), j("GND", "a"), j("a", "IN"), r("a", "OUT")
    elif shape == 2:  # negative kind: everything the other way round
        j("IN", "OUT"), j("IN", "GND"), r("GND", "OUT"), j("OUT", "b"), r("b", "GND"), j("GND", "c"), r("c", "IN")
    elif shape == 3:  # temperature sensor, Hall switch: open collector and a supply string
        j("GND", "IN"), j("GND", "OUT"), r("IN", "u"), j("u", "v"), j("v", "w"), j("w", "GND")
    elif shape == 4:  # supervisor: substrate diodes and resistors
        j("GND", "OUT"), j("GND", "IN"), j("OUT", "IN"), r("OUT", "IN"), r("IN", "GND")
    else:  # any junctions at all
        nodes = ["IN", "OUT", "GND", "x", "y"]
        for _ in range(int(rng.integers(3, 9))):
            a, k = rng.choice(nodes, 2, replace=False)
            j(str(a), str(k))
        for _ in range(int(rng.integers(1, 4))):
            a, k = rng.choice(nodes, 2, replace=False)
            r(str(a), str(k))
        r("x", "GND", 3e3), r("y", "IN", 3e3)


# ------------------------------------------------------------------------------------------------- faults


BIPOLAR = ("silicon small", "silicon power", "germanium small", "germanium power", "Darlington", "Darlington resistors",
           "damper", "base resistor")  # fmt: skip
TWO_LEADS = (*DIODES, "resistor")


def fault(rng, net, kind, how):
    """Faults of a net: list of (pair or lead, what, ohm)."""
    pairs = list(combinations(net.leads, 2))
    if kind.startswith("dual"):
        pairs = [p for p in pairs if ("K" in p or "A" in p or "m" in p)]
    if kind == "bridge":
        pairs = [p for p in pairs if ("+" in p) != ("-" in p)]
    if kind == "optocoupler":
        pairs = [("A", "K"), ("C", "E")]
    if kind == "base resistor":
        pairs = [("C", "E")]

    def one(word, pairs, leads):
        if word == "open":
            return (str(leads[int(rng.integers(len(leads)))]), word, inf)
        pair = pairs[int(rng.integers(len(pairs)))]
        return (pair, word, span(rng, 0.2, 30) if word == "short" else span(rng, 60, 1e6))

    if how in ("short", "open", "leak"):
        return [one(how, pairs, net.leads)]
    if how == "two":
        first = one(("short", "open", "leak")[int(rng.integers(3))], pairs, net.leads)
        touched = set(first[0]) if first[1] == "open" else set()
        left = [p for p in pairs if p != first[0] and first[0] not in p]
        if not left:
            return [first]
        words = ("short", "leak") if touched or kind == "bridge" else ("short", "leak", "open")
        leads = [x for x in net.leads if x not in first[0]] or list(net.leads)
        return [first, one(words[int(rng.integers(len(words)))], left, leads)]
    return []


def with_faults(net, faults):
    """The net with its faults: a bond that is open leaves the inside on a node of its own."""
    net = replace(net, elements=list(net.elements))
    for where, what, ohm in faults:
        if what == "open":
            net.elements = [(letter, tuple("i_" + where if x == where else x for x in nodes), rest)
                            for letter, nodes, rest in net.elements]  # fmt: skip
    for where, what, ohm in faults:
        if what != "open":
            net.r(*where, ohm)
    return net


def board(rng, net):
    """Paths of a board between the leads: (lead, lead, elements)."""
    paths = []
    for _ in range(int(rng.integers(1, 4))):
        a, b = (str(x) for x in rng.choice(net.leads, 2, replace=False))
        ohm = span(rng, 10, 1e5)
        paths.append((a, b, ohm if rng.random() < 0.75 else 0.0, span(rng, 1e-14, 1e-11), span(rng, 1, 3e3)))
    return paths


def with_board(net, paths, lifted=()):
    net = replace(net, elements=list(net.elements), models=list(net.models))
    for k, (a, b, ohm, i_s, r_s) in enumerate(paths):
        if a in lifted or b in lifted:
            continue
        if ohm:
            net.r(a, b, ohm)
        else:  # another junction beside it
            net.d(a, f"p{k}", IS=i_s, N=1.02, EG=1.11)
            net.r(f"p{k}", b, r_s)
    return net


# -------------------------------------------------------------------------------------------- meter, ngspice


@dataclass
class Instrument:
    """One meter with its own errors."""

    name: str
    amps: float
    volts: float
    ohm: float
    over: float
    gain: float
    offset: float

    def netlist(self, n):
        if self.ohm:
            return [f"vs{n} s{n} 0 {self.volts:.6g}", f"rs{n} s{n} m{n} {self.ohm:.6g}"]
        return [f"bs{n} 0 m{n} i={self.amps:.6g}*tanh(({self.volts:.6g}-v(m{n}))/0.05)"]


def instrument(rng, name):
    gain, offset = rng.uniform(-0.01, 0.01), rng.uniform(-2, 2)
    if name == "1mA":
        return Instrument(name, 1e-3 * rng.uniform(0.8, 1.2), rng.uniform(2.85, 3.2), 0, 2.0, gain, offset)
    if name == "0.5mA":
        return Instrument(name, 5e-4 * rng.uniform(0.76, 1.24), rng.uniform(2.85, 3.2), 0, 2.0, gain, offset)
    if name == "2.3k":
        return Instrument(name, nan, 2.8 * rng.uniform(0.97, 1.03), 2300 * rng.uniform(0.92, 1.08), 1.999, gain, offset)
    # set to zero with the leads joined; the scale itself is some 2 % of its length wrong
    return Instrument(name, nan, 1.5 * rng.uniform(0.94, 1.04), 2000 * rng.uniform(0.97, 1.03), 1.5,
                      rng.uniform(-0.015, 0.015), 0)  # fmt: skip


def shown(rng, meter, volts):
    """What a technician writes down."""
    if meter.name.startswith("needle"):
        deflection = 1 - volts / meter.volts
        deflection += meter.gain * (1 - abs(2 * deflection - 1)) + rng.uniform(-0.008, 0.008)
        if deflection < 0.012:
            return "OL"
        if meter.name == "needle volt":
            return f"{max(round(1.5 * (1 - deflection) / 0.01) * 0.01, 0):.2f}"
        ohm = 2000 * (1 - deflection) / deflection
        return "0ohm" if ohm < 8 else f"{float(f'{ohm:.2g}'):g}ohm"
    value = volts * (1 + meter.gain) + 1e-3 * (meter.offset * (volts > 0.003) + rng.uniform(-1, 1))
    value = max(round(value, 3), 0.0)
    return "OL" if value >= meter.over else f"{value:.3f}"


def deck(nets, options):
    """Text of one deck: (net, meter) pairs, every placement a copy; and how many copies there are."""
    lines, n = ["parts of a repair bench (invented)"], 0
    for k, (net, meter) in enumerate(nets):
        for m, (kind, text) in enumerate(net.models):
            lines.append(f".model x{k}_{m} {kind} ({text})")
        for place, (red, black) in enumerate(permutations(net.leads, 2)):
            node = {red: f"m{n}", black: "0"}
            for e, (letter, nodes, rest) in enumerate(net.elements):
                ends = " ".join(node.setdefault(x, f"n{n}_{len(node)}") for x in nodes)
                rest = re.sub(r"@(\d+)@", rf"x{k}_\1", rest)
                if "$VGS$" in rest:
                    rest = f"{net.gates[place]:.5g}"
                lines.append(f"{letter}{n}_{e} {ends} {rest}")
            lines += meter.netlist(n)
            n += 1
    lines += [f".options rshunt=1e12 itl1=200 noacct {options}", ".op",
              *(".save " + " ".join(f"v(m{i})" for i in range(s, min(s + 20, n))) for s in range(0, n, 20)), ".end"]  # fmt: skip
    return "\n".join(lines) + "\n", n


#: Settings of the solver, tried in turn on a part that does not converge.
SETTINGS = ("reltol=1e-4 abstol=1e-11", "gmin=1e-11", "gmin=1e-11 noopiter", "gmin=1e-10 abstol=1e-9 gminsteps=30")


def solve(nets, setting=0):
    """True voltages of every placement of every (net, meter), by ngspice; a deck that fails is halved."""
    if not nets:
        return []
    text, n = deck(nets, SETTINGS[setting])
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "deck.cir").write_text(text)
        run = subprocess.run(["ngspice", "-b", "-r", "out.raw", "deck.cir"], cwd=folder, capture_output=True, text=True,
                             check=False)  # fmt: skip
        raw = Path(folder, "out.raw")
        found = _raw(raw.read_bytes()) if raw.exists() else {}
    if len(found) < n or not all(isfinite(v) for v in found.values()):
        if len(nets) == 1 and setting + 1 < len(SETTINGS):
            return solve(nets, setting + 1)
        if len(nets) == 1:
            raise RuntimeError(f"ngspice cannot solve {nets[0][0]}: {run.stdout[-800:]} {run.stderr[-800:]}")
        half = len(nets) // 2
        return solve(nets[:half]) + solve(nets[half:])
    out, n = [], 0
    for net, _ in nets:
        count = len(net.leads) * (len(net.leads) - 1)
        out.append([found[f"m{i}"] for i in range(n, n + count)])
        n += count
    return out


def _raw(data):
    head, _, body = data.partition(b"Binary:\n")
    names = re.findall(r"^\t\d+\tv?\(?(m\d+)\)?\tvoltage", head.decode("latin-1"), re.M)
    every = re.findall(r"^\t\d+\t(\S+)\t", head.decode("latin-1"), re.M)
    values = np.frombuffer(body, float)[: len(every)]
    if len(values) < len(every) or not names:
        return {}
    return {re.sub(r"v\((.*)\)", r"\1", name): float(v) for name, v in zip(every, values, strict=True)}


# ---------------------------------------------------------------------------------------------- the parts

ORDINARY = ("silicon small", "silicon power", "rectifier", "switching", "Schottky", "LED red", "LED green")
COUNTS = {  # kind: sound, short, open, leak, two at once, in circuit
    "silicon small": (160, 60, 60, 80, 60, 90), "silicon power": (160, 60, 60, 80, 60, 90),
    "germanium small": (100, 25, 25, 25, 10, 10), "germanium power": (60, 15, 15, 15, 10, 0),
    "Darlington": (70, 15, 15, 20, 10, 10), "Darlington resistors": (90, 25, 20, 25, 15, 20),
    "damper": (90, 20, 15, 25, 10, 20), "base resistor": (130, 12, 0, 12, 0, 20),
    "MOSFET discharged": (100, 0, 0, 0, 0, 20), "MOSFET charged": (100, 0, 0, 0, 0, 0),
    "MOSFET by meter": (60, 0, 0, 0, 0, 0), "JFET": (80, 0, 0, 0, 0, 10),
    "thyristor sensitive": (70, 0, 0, 0, 0, 10), "thyristor": (70, 0, 0, 0, 0, 10), "triac": (80, 0, 0, 0, 0, 10),
    "regulator": (160, 0, 0, 0, 0, 10), "dual cathode silicon": (40, 8, 8, 8, 6, 0),
    "dual cathode Schottky": (40, 8, 8, 8, 6, 0), "dual anode silicon": (40, 8, 8, 8, 6, 0),
    "dual anode Schottky": (25, 4, 4, 4, 2, 0), "dual series silicon": (40, 8, 8, 8, 6, 0),
    "dual series Schottky": (25, 4, 4, 4, 2, 0), "bridge": (60, 15, 15, 15, 8, 0),
    "optocoupler": (60, 12, 12, 12, 0, 0), "rectifier": (70, 25, 25, 35, 0, 40), "switching": (70, 25, 25, 35, 0, 40),
    "Schottky": (80, 20, 20, 25, 0, 15), "germanium diode": (70, 12, 12, 12, 0, 5), "LED infrared": (40, 6, 6, 6, 0, 0),
    "LED red": (40, 6, 6, 6, 0, 5), "LED yellow": (30, 4, 4, 4, 0, 0), "LED green": (40, 6, 6, 6, 0, 5),
    "LED blue or white": (80, 6, 6, 6, 0, 5), "Zener under 3 V": (40, 5, 5, 5, 0, 0), "Zener": (60, 10, 10, 15, 0, 10),
    "resistor": (120, 0, 0, 0, 0, 0), "short of three leads": (40, 0, 0, 0, 0, 0),
}  # fmt: skip
STYLES = ("sound", "short", "open", "leak", "two", "in circuit")


def plan():
    """(kind, style) of every part, in a fixed order."""
    return [(kind, style) for kind, counts in COUNTS.items() for style, n in zip(STYLES, counts, strict=True)
            for _ in range(n)]  # fmt: skip


@dataclass
class Drawn:
    """A drawn part before it is read."""

    index: int
    kind: str
    style: str
    meter: Instrument
    temp_C: float
    temp_said: bool
    faults: list
    paths: list
    nets: dict  # lifted leads: net
    twin: Net  # the same part without its faults, free
    names: dict  # lead: name


def draw(index, kind, style):
    rng = np.random.default_rng([SEED, index])
    meter = instrument(rng, rng.choice(list(METERS), p=[0.3, 0.2, 0.25, 0.15, 0.1]))
    said = rng.random() < 0.5
    temp = float(np.round(rng.uniform(0, 60) if said else rng.uniform(16, 30)))
    sound = make(rng, kind, temp, meter.volts)
    inner = style
    if style == "in circuit":
        inner = ("sound", "short", "open", "leak")[int(rng.choice(4, p=[0.55, 0.2, 0.1, 0.15]))]
        if kind not in BIPOLAR and kind not in DIODES:
            inner = "sound"
    faults = fault(rng, sound, kind, inner)
    net = with_faults(sound, faults)
    paths = board(rng, net) if style == "in circuit" else []
    leads = list(net.leads)
    if len(leads) != 3 or (net.named and rng.random() < (0.5 if kind in BIPOLAR else 0.25)):
        names = dict(zip(leads, net.named, strict=True))
    else:
        names = {lead: str(k + 1) for lead, k in zip(leads, rng.permutation(3), strict=True)}
    nets = {(): with_board(net, paths)}
    if paths:
        for lifted in (*((x,) for x in leads), tuple(leads)):
            nets[lifted] = with_board(net, paths, lifted)
    return Drawn(index, kind, style, meter, temp, said, faults, paths, nets, sound, names)


def accepted(d, twin, free):
    """Verdicts that are right, from what is wrong and whether this meter can show it at all.

    ``twin`` and ``free`` are the true voltages without and with the faults: a fault that moves no reading beyond
    50 mV, nor by half, is one that diode mode cannot show, and good is right by contract.
    """
    if d.kind == "short of three leads":
        return {"shorted"}
    if d.kind == "resistor":
        ohm = float(d.twin.elements[0][2])
        return {"good"} | ({"shorted"} if ohm < 70 else set())
    right = set()
    for _, what, ohm in d.faults:
        right |= {"short": {"shorted"} | ({"leaky"} if ohm > 25 else set()), "open": {"open"},
                  "leak": {"leaky"} | ({"shorted"} if ohm < 70 else set())}[what]  # fmt: skip
    limit = d.meter.over * 0.97

    def moved(a, b):
        a, b = min(a, limit), min(b, limit)
        return abs(a - b) > 0.05 or abs(a - b) > 0.005 and max(a, b) > 1.5 * min(a, b)

    if not right or not any(map(moved, twin, free)):
        right.add("good")
    return right


def rows_of(d, truth, volts):
    """Rows of the frozen table for one part: as read, and with leads lifted."""
    rng = np.random.default_rng([SEED, 1, d.index])
    places = list(permutations(d.twin.leads, 2))
    words = "; ".join(f"{'-'.join(d.names[x] for x in where) if isinstance(where, tuple) else d.names[where]} {what}"
                      + (f" {ohm:.3g} ohm" if isfinite(ohm) else "") for where, what, ohm in d.faults)  # fmt: skip
    if d.paths:
        words = "; ".join([words or "none", *(f"board {d.names[a]}-{d.names[b]} " + (f"{ohm:.3g} ohm" if ohm else "junction")
                                              for a, b, ohm, *_ in d.paths)])  # fmt: skip
    for lifted, v in zip(d.nets, volts, strict=True):
        order = sorted(range(len(places)), key=lambda k: [d.names[x] for x in places[k]])
        read = {f"{d.names[places[k][0]]}-{d.names[places[k][1]]}": shown(rng, d.meter, v[k]) for k in order}
        yield {"part": f"P{d.index:04}", "kind": d.kind + (", in circuit" if d.paths else ""), "faults": words,
               "meter": d.meter.name, "temp_C": f"{d.temp_C:g}" if d.temp_said else "",
               "in_circuit": "yes" if d.paths else "", "lifted": " ".join(d.names[x] for x in lifted),
               "discharged": "", "leads": " ".join(f"{n}={x}" for x, n in sorted(d.names.items(), key=lambda p: p[1])),
               "readings": " ".join(f"{k}={v}" for k, v in read.items()), "truth": "|".join(sorted(truth))}  # fmt: skip


def simulate(drawn, deck_size=1):
    """Rows of drawn parts, solved by ngspice a deck a part."""
    jobs = []
    for d in drawn:
        jobs += [(net, d.meter) for net in d.nets.values()]
        if d.faults:
            jobs += [(d.twin, d.meter), (with_faults(d.twin, d.faults), d.meter)]
    decks = [jobs[i : i + deck_size] for i in range(0, len(jobs), deck_size)]
    with ThreadPoolExecutor(2) as pool:
        volts = iter([v for solved in pool.map(solve, decks) for v in solved])
    rows = []
    for d in drawn:
        read = [next(volts) for _ in d.nets]
        truth = accepted(d, *([next(volts), next(volts)] if d.faults else [(), ()]))
        rows += rows_of(d, truth, read)
    return rows


def renew():
    rows = simulate([draw(k, *what) for k, what in enumerate(plan())])
    text = io.StringIO()
    text.write("# Parts of a repair bench, invented, read in ngspice: tests/external/bench_parts.py\n")
    out = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    out.writeheader()
    out.writerows(rows)
    DATA.write_bytes(gzip.compress(text.getvalue().encode(), 9, mtime=0))
    return rows


def frozen():
    """Rows of the frozen table."""
    lines = gzip.decompress(DATA.read_bytes()).decode().splitlines()
    return list(csv.DictReader(lines[1:]))


# ------------------------------------------------------------------------------------------------ judging


def readings_of(row):
    from junction.base.records import PartReadings, Reading

    found = []
    for item in row["readings"].split():
        place, _, text = item.partition("=")
        if text == "OL":
            found.append(Reading(place, "over"))
        elif text.endswith("ohm"):
            found.append(Reading(place, "ohm", float(text[:-3])))
        else:
            found.append(Reading(place, "volt", float(text)))
    return PartReadings(row["part"], tuple(found), temp_C=float(row["temp_C"] or "nan"), in_circuit=bool(row["in_circuit"]),
                        lifted=tuple(row["lifted"].split()))  # fmt: skip


def judged(rows):
    """Verdict of every row, in groups by meter; an exception stands in place of a verdict."""
    from junction.leads.verdict import judge_readings
    from junction.shelf.tables import meters

    out = [None] * len(rows)
    for name, meter in METERS.items():
        which = [k for k, row in enumerate(rows) if row["meter"] == name]
        parts = [readings_of(rows[k]) for k in which]
        try:
            found = list(judge_readings(parts, meters()[meter]))
        except Exception:  # one bad part must not hide the rest: one at a time
            found = []
            for part in parts:
                try:
                    found += judge_readings([part], meters()[meter])
                except Exception as error:
                    found.append(error)
        for k, v in zip(which, found, strict=True):
            out[k] = v
    return out


def quality(faults):
    for word, verdict in (("shorted", "shorted"), ("open", "open"), ("leaky", "leaky")):
        if any(f.endswith(word) for f in faults):
            return verdict
    return "good" if not faults else ""


def outcome(row, v):
    """'right', 'undecided', 'wrong' (confident), 'doubtful' (wrong, not confident or truth among the others), 'crash'."""
    if isinstance(v, Exception):
        return "crash"
    if v.verdict == "undecided":
        return "undecided"
    right = row["truth"].split("|")
    if v.verdict in right:
        return "right"
    listed = any(quality(a.faults) in right for a in v.alternatives)
    return "doubtful" if v.probability[v.verdict] <= 0.95 or listed else "wrong"


def klass(row):
    if row["in_circuit"]:
        return row["kind"] if row["kind"].split(",")[0] in ("silicon small", "silicon power") else "other kinds, in circuit"
    words = row["faults"]
    style = "sound" if not words else "two" if ";" in words else next(w for w in ("short", "open", "leak") if w in words)
    if row["kind"].startswith("dual"):
        return "dual diode: " + ("sound" if style == "sound" else "faulty")
    small = sum(COUNTS[row["kind"]][1:5]) < 60
    return f"{row['kind']}: {'faulty' if small and style != 'sound' else style}"


def lead_to_lift(v, names):
    """Leads that the next step says to lift."""
    match = re.search(r"[Ll]ift (?:the )?(?:leads? )?([A-Z0-9~+-]+)", v.next)
    return match[1] if match and match[1] in names else ""


def report(worst=10):
    """Table by class as text, and the figures behind it."""
    every = frozen()
    rows = [row for row in every if not row["lifted"]]
    verdicts = judged(rows)
    table, examples = defaultdict(Counter), defaultdict(list)
    for row, v in zip(rows, verdicts, strict=True):
        result = outcome(row, v)
        table[klass(row)][result] += 1
        if result in ("wrong", "crash"):
            examples[klass(row)].append((row, v, result))
        elif result == "undecided" and row["kind"] in ORDINARY and not row["faults"]:
            examples[klass(row)].append((row, v, result))
    lines = [f"{'class':38}{'parts':>6}{'wrong':>7}{'doubtful':>9}{'undecided':>10}{'right':>7}{'crash':>6}"]
    failing, total = [], Counter()
    for name, c in table.items():
        n = c.total()
        total += c
        bad = c["wrong"] + c["crash"] > 0.01 * n
        late = name.split(":")[0] in ORDINARY and name.endswith("sound") and c["undecided"] > 0.02 * n
        mark = (" WRONG" if bad else "") + (" UNDECIDED" if late else "")
        if mark:
            failing.append(name)
        lines.append(f"{name:38}{n:6}{c['wrong']:7}{c['doubtful']:9}{c['undecided']:10}{c['right']:7}{c['crash']:6}{mark}")
    n = total.total()
    lines.append(f"{'all':38}{n:6}{total['wrong']:7}{total['doubtful']:9}{total['undecided']:10}{total['right']:7}"
                 f"{total['crash']:6}  ({1000 * (total['wrong'] + total['crash']) / n:.1f} in 1,000 confident wrong)")  # fmt: skip
    by_meter = defaultdict(Counter)
    for row, v in zip(rows, verdicts, strict=True):
        if row["kind"] in ORDINARY and not row["faults"]:
            by_meter[row["meter"]][outcome(row, v)] += 1
    lines.append("ordinary sound, by meter: " + "; ".join(f"{m} {dict(c)}" for m, c in by_meter.items()))
    lift = lifting(every, rows, verdicts)
    lines.append("in circuit, lift as told: " + ", ".join(f"{k} {c}" for k, c in lift.items()))
    told = []
    for name in failing:
        told.append(f"\n== {name}")
        seen = Counter()  # the worst first, and of every meter some
        rank = []
        for e in examples[name]:
            seen[e[2], e[0]["meter"]] += 1
            rank.append((e[2] == "undecided", seen[e[2], e[0]["meter"]]))
        some = [e for _, e in sorted(zip(rank, examples[name], strict=True), key=lambda p: p[0])]
        for row, v, result in some[:worst]:
            said = repr(v) if isinstance(v, Exception) else (
                f"{v.verdict} {max(v.probability.values()):.3f} {','.join(v.faults)} [{v.device.kind} {v.device.material}"
                f" {v.device.polarity}] doubt: {v.doubt[:150]} | {' '.join(v.evidence)[:200]} | next: {v.next[:150]}")  # fmt: skip
            told.append(f"{result:9} {row['part']} {row['meter']} {row['temp_C'] or '?'} C  {row['readings']}"
                        f"\n    truth: {row['kind']}, {row['leads']}, {row['faults'] or 'sound'} -> {row['truth']}"
                        f"\n    said:  {said}")  # fmt: skip
    return lines, told, table, lift


def lifting(every, rows, verdicts):
    """In circuit: what lifting the lead that is named decides, in one step and in as many as are named."""
    read = defaultdict(dict)
    for row in every:
        read[row["part"]][tuple(row["lifted"].split())] = row
    found, again = Counter(), []
    for row, v in zip(rows, verdicts, strict=True):
        if not row["in_circuit"] or isinstance(v, Exception):
            continue
        if v.verdict != "undecided":
            found["decided before, " + outcome(row, v)] += 1
            continue
        lead = lead_to_lift(v, [x.split("=")[0] for x in row["leads"].split()])
        if lead:
            again.append(read[row["part"]][(lead,)])
        else:
            found["no lead named"] += 1
    for row, v in zip(again, judged(again), strict=True):
        found["after lifting " + outcome(row, v)] += 1
    return dict(found)


if __name__ == "__main__":
    if sys.argv[1:] == ["renew"]:
        made = renew()
        print(f"{len(made)} rows, {len({row['part'] for row in made})} parts, {DATA.stat().st_size} bytes")
    else:
        lines, told, *_ = report()
        print("\n".join(lines + told))
