"""Parts with known faults, read by a simulated meter in ngspice: a truth that shares no code with junction.

Every part is a Gummel-Poon model with series resistances and non-ideal base currents, drawn here and
nowhere else; every placement is a copy of the part with the meter between two leads.  What ngspice gives
is rounded and falsified within the meter's accuracy, as a display would be.
"""

import re
import subprocess
import tempfile
from dataclasses import dataclass
from math import nan
from pathlib import Path

import numpy as np

from junction.base.records import PartReadings, Reading
from junction.shelf.tables import Meter

KINDS = ("silicon small-signal", "silicon power", "germanium", "Darlington", "damper with resistor")
FAULTS = ((), ("BE shorted",), ("BC shorted",), ("CE shorted",), ("BE open",), ("BC open",), ("BE leaky",),
          ("BC leaky",), ("CE leaky",), ("BE shorted", "BC shorted", "CE shorted"))  # fmt: skip
CONSTANT = Meter("constant current", "constant current", 1e-3, 3.0, 0.0, 2.0, 0.001, 1.0, 3, 0.2)
RESISTIVE = Meter("resistance", "resistance", nan, 2.8, 2300.0, 1.999, 0.001, 1.0, 2, 0.2)
PAIRS = ((0, 1), (1, 0), (0, 2), (2, 0), (1, 2), (2, 1))


@dataclass(frozen=True)
class Truth:
    """What a simulated part is: kind, faults, polarity, and the role of leads 1, 2, 3."""

    kind: str
    faults: tuple[str, ...]
    polarity: str
    roles: str
    temp_C: float


def _between(rng, low, high):
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _bjt(rng, name, polarity, small, germanium=False):
    """Text of a model card."""
    if germanium:
        p = {"IS": _between(rng, 1.5e-7, 3e-6), "BF": _between(rng, 30, 150), "BR": _between(rng, 2, 20),
             "RB": _between(rng, 10, 80), "ISE": 0.0, "EG": 0.67}  # fmt: skip
    elif small:
        p = {"IS": _between(rng, 3e-15, 6e-14), "BF": _between(rng, 80, 450), "BR": _between(rng, 0.6, 12),
             "RB": _between(rng, 3, 60), "ISE": _between(rng, 1e-15, 1e-13), "EG": 1.11}  # fmt: skip
    else:
        p = {"IS": _between(rng, 1e-13, 8e-12), "BF": _between(rng, 25, 160), "BR": _between(rng, 1, 20),
             "RB": _between(rng, 0.3, 6), "ISE": _between(rng, 1e-13, 3e-11), "EG": 1.11}  # fmt: skip
    p |= {"NF": rng.uniform(0.985, 1.02), "NR": rng.uniform(0.985, 1.02), "NE": rng.uniform(1.5, 2.0),
          "RE": _between(rng, 0.02, 0.8), "RC": _between(rng, 0.05, 3), "VAF": _between(rng, 40, 200),
          "ISC": p["ISE"] * rng.uniform(0, 0.3), "NC": rng.uniform(1.5, 2.0)}  # fmt: skip
    cards = " ".join(f"{key}={value:.6g}" for key, value in p.items())
    return f".model {name} {polarity} ({cards})\n"


def _part(rng, kind, faults, polarity, k):
    """Model cards, and a function that gives the part's netlist between nodes b, c, e of one copy."""
    germanium = kind == "germanium"
    cards = _bjt(rng, f"q{k}", polarity, kind == "silicon small-signal", germanium)
    ohm = {f: _between(rng, 0.1, 20) if f.endswith("shorted") else _between(rng, 60, 1000) for f in faults}
    r1, r2 = rng.uniform(4e3, 1.2e4), _between(rng, 45, 180)
    r_be = rng.uniform(25, 70)
    if kind in ("Darlington", "damper with resistor"):
        cards += f".model d{k} D (IS={_between(rng, 1e-13, 1e-11):.6g} N={rng.uniform(1, 1.1):.4g} RS=0.05)\n"
    if kind == "Darlington":
        cards += _bjt(rng, f"p{k}", polarity, False)

    def netlist(n, b, c, e):
        # an open bond leaves the inside of the part on a node of its own
        ib, ic, ie = b, (f"ic{n}" if "BC open" in faults else c), (f"ie{n}" if "BE open" in faults else e)
        anode, cathode = (ie, ic) if polarity == "NPN" else (ic, ie)
        lines = []
        if kind == "Darlington":
            lines += [f"q{n}a {ic} {ib} {n}x q{k}", f"q{n}b {ic} {n}x {ie} p{k}",
                      f"r{n}1 {ib} {n}x {r1:.5g}", f"r{n}2 {n}x {ie} {r2:.5g}",
                      f"d{n} {anode} {cathode} d{k}"]  # fmt: skip
        else:
            lines.append(f"q{n} {ic} {ib} {ie} q{k}")
        if kind == "damper with resistor":
            lines += [f"r{n}b {ib} {ie} {r_be:.5g}", f"d{n} {anode} {cathode} d{k}"]
        for f, r in ohm.items():
            if not f.endswith("open"):
                node = {"B": ib, "C": ic, "E": ie}
                lines.append(f"r{n}{f[:2]} {node[f[0]]} {node[f[1]]} {r:.5g}")
        # a netlist needs a path to ground from the inside of an open bond: a teraohm
        lines += [f"r{n}{x}o {x} 0 1e12" for x in (ic, ie) if x not in (c, e)]
        return "\n".join(lines)

    return cards, netlist


def _meter(n, red, meter, rng_current):
    if meter.source_kind == "resistance":
        return (
            f"v{n} {n}m 0 {meter.open_voltage_V}\nr{n}m {n}m {red} {meter.resistance_ohm * rng_current:.6g}\n"
        )
    return (f"i{n} 0 {red} {meter.test_current_A * rng_current:.6g}\nd{n}m {red} {n}m clamp\n"
            f"v{n} {n}m 0 {meter.open_voltage_V - 0.55}\n")  # fmt: skip


#: Copies of parts in one deck: ngspice's time grows much faster than their number.
_DECK = 24
#: Ways to get a stubborn deck to its operating point, tried in turn.
_ROUTES = (
    "",
    ".options gminsteps=0 srcsteps=30",
    ".options rshunt=1e11 srcsteps=50 gminsteps=20",
    ".options gmin=1e-11",
)


def _once(head, blocks):
    names = [name for _, wanted in blocks for name in wanted]
    asked = (f"print v({x})" for x in names)
    deck = [head, *(text for text, _ in blocks), ".control\nop", *asked, ".endc\n.end\n"]
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "deck.cir").write_text("\n".join(deck))
        done = subprocess.run(
            ["ngspice", "-b", "deck.cir"], cwd=folder, capture_output=True, text=True, check=False
        )
    found = {m[1]: float(m[2]) for m in re.finditer(r"v\((\w+)\) = (\S+)", done.stdout)}
    complete = len(found) == len(set(names)) and all(np.isfinite(list(found.values())))
    return found if complete else None


def _run(head, blocks):
    """Node voltages of independent blocks of netlist; a deck that does not converge is halved."""
    found = _once(head, blocks)
    if found is None and len(blocks) > 1:
        half = len(blocks) // 2
        return _run(head, blocks[:half]) | _run(head, blocks[half:])
    for route in _ROUTES[1:]:
        if found is None:
            found = _once(f"{head}\n{route}", blocks)
    if found is None:
        raise RuntimeError(f"ngspice cannot solve {blocks[0][0]}")
    return found


def simulate(seed, count, meter, kinds=KINDS, faults=FAULTS, at_once=40, beside=False):
    """Parts with their truth, read by the meter with shuffled leads 1, 2, 3.

    With `beside`, each pair of leads has a resistance of the circuit across it in 40 % of parts.
    """
    rng = np.random.default_rng(seed)
    truths, parts = [], []
    # one meter a batch: its current is its own, within half of the spread that junction allows for
    for first in range(0, count, at_once):
        off = 1 + rng.uniform(-0.12, 0.12)
        gain = 1 + meter.accuracy_percent / 100 * rng.uniform(-1, 1)
        temp_C = rng.uniform(17, 32)
        head = (f"readings\n.temp {temp_C:.2f}\n.options gmin=1e-13 reltol=1e-5 itl1=500\n"
                ".model clamp D (IS=1e-12 N=1)")  # fmt: skip
        batch, names, blocks, models = [], [], [], []
        for k in range(min(at_once, count - first)):
            index = first + k
            kind, fault = kinds[index % len(kinds)], faults[(index // len(kinds)) % len(faults)]
            polarity = ("NPN", "PNP")[int(rng.integers(2))]
            roles = "".join(rng.permutation(list("BCE")))
            cards, netlist = _part(rng, kind, fault, polarity, k)
            paths = [_between(rng, 30, 2e4) if beside and rng.random() < 0.4 else 0.0 for _ in "012"]
            for j, (red, black) in enumerate(PAIRS):
                n = f"{k}z{j}"
                node = {role: f"n{n}{lead}" for lead, role in enumerate(roles)}
                node[roles[black]] = "0"
                block = [netlist(n, node["B"], node["C"], node["E"])]
                block.append(_meter(n, node[roles[red]], meter, off))
                for (x, y), r in zip(("BE", "BC", "CE"), paths, strict=True):
                    if r:
                        block.append(f"r{n}p{x}{y} {node[x]} {node[y]} {r:.5g}")
                third = node[roles[3 - red - black]]
                block.append(f"r{n}t {third} 0 1e11")
                names.append(node[roles[red]])
                blocks.append(("\n".join(block), names[-1:]))
            models.append(cards)
            batch.append(Truth(kind, fault, polarity, roles, temp_C))
        head, volts = head + "\n" + "".join(models), {}
        for at in range(0, len(blocks), _DECK):
            volts |= _run(head, blocks[at : at + _DECK])
        for k, truth in enumerate(batch):
            readings = []
            for j, (red, black) in enumerate(PAIRS):
                v = volts[names[6 * k + j]] * gain
                v += meter.resolution_V * meter.accuracy_counts * rng.uniform(-1, 1) * 0.7
                v = max(round(v / meter.resolution_V) * meter.resolution_V, 0.0)
                placement = f"{red + 1}-{black + 1}"
                over = v >= meter.over_range_V
                readings.append(Reading(placement, "over") if over else Reading(placement, "volt", v))
            truths.append(truth)
            parts.append(PartReadings(f"S{first + k}", tuple(readings)))
    return truths, parts


def with_names(truth, part):
    """The same part with its leads given as B, C, E."""
    role = dict(zip("123", truth.roles, strict=True))
    readings = tuple(
        Reading(f"{role[r.placement[0]]}-{role[r.placement[2]]}", r.kind, r.value) for r in part.readings
    )
    return PartReadings(part.part, readings)
