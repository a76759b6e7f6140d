"""Curves of transistors by the instruments of a repair bench: outside truth for `fit` and for `sort`.

Source of truth: ngspice's Gummel-Poon transistor, a circuit of its own for each part at its own temperature,
with what a fault adds.  Sources that limit their current, offsets and noise of ammeters are drawn here.  All
parts are invented; spreads of parameters are common practice, no source.

    python -m tests.external.bench_curves renew     draws and solves all, writes data/bench_curves.csv.gz
    python -m tests.external.bench_curves report    fits and sorts the frozen curves, prints what is wrong
    python -m tests.external.bench_curves report 7  the same of other parts, drawn with seed 7: unseen ones
"""

import csv
import gzip
import io
import re
import sys
from collections import Counter, defaultdict
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from math import exp, inf, isfinite, log, nan
from pathlib import Path

import numpy as np

from tests.external.bench_sweeps import SETTINGS, deck_values
from tests.external.sweep_devices import FAMILIES, MARGIN, span
from tests.sheets import base_limits, gain_range, sheet
from tests.sheets import rows as types

DATA = Path(__file__).parent / "data" / "bench_curves.csv.gz"
SEED = 20261128
_K = 8.617333e-5  # Boltzmann's constant over the elementary charge [V/K]
#: Share of the points held at the source's limit and lost at the ammeter's floor: every mixture.
SHARES = (0.0, 1 / 6, 1 / 3)
SHAPES = ("Gummel", "Gummel, three V_CE", "output family")
#: Sound parts of each shape and mixture; faulty and sound parts for the verdicts.
SOUND = 5
FAULTS = {"none": 60, "B-E leak": 20, "C-B leak": 20, "C-E path": 20, "low gain": 20, "high RE": 20,
          "early breakdown": 20, "short B-E": 8, "short C-B": 8, "short C-E": 8, "open base": 8,
          "open emitter": 8, "open collector": 8}  # fmt: skip
#: What may be said; a lost gain has no quality of its own and may be any but good.
RIGHT = {"none": "good", "B-E leak": "leaky", "C-B leak": "leaky", "C-E path": "leaky",
         "low gain": "leaky|open|shorted", "high RE": "open", "early breakdown": "leaky"}  # fmt: skip
#: Types that the verdicts are marked with: family of each is small or power.
TYPES = {"small": ("BC547B", "BC557B", "2N3904", "2N2222A", "BC337-25", "2N5551"),
         "power": ("BD139", "BD140", "TIP41C", "2N3055", "TIP31C", "MJ2955")}  # fmt: skip
#: Collector voltages at which the truth at 1 mA stands [V].
AT_VCE = (1.0, 2.0, 3.5, 5.0, 7.0, 10.0)
COLUMNS = ("part", "purpose", "size", "polarity", "type", "shape", "fault", "fault_value", "right", "inside",
           "at_limit", "at_floor", "limit_A", "offset_ic_A", "offset_ib_A", "noise_A", "true_temp_C",
           "temp_C", "vbe_1mA_V", "vbe_1mA_25C_V", "hfe_1mA", "hfe_1mA_25C", "card", "vce_V", "vbe_V", "ib_A",
           "ic_A")  # fmt: skip


@dataclass
class Curves:
    """A transistor with its fault and how it is measured."""

    card: dict
    size: str
    polarity: str
    type: str = ""
    fault: str = "none"
    value: float = nan
    more: list = field(default_factory=list)  # (letter, nodes, rest) beside it; nodes b, c, e
    leads: dict = field(default_factory=lambda: {"b": 0.0, "c": 0.0, "e": 0.0})  # ohm in each, inf: open
    temp_C: float = 25.0

    def netlist(self, tag, b, c):
        """Lines of one copy between its base and collector nodes and ground."""
        sign = "npn" if self.polarity == "NPN" else "pnp"
        node, lines = {"b": f"{tag}b", "c": f"{tag}c", "e": f"{tag}e"}, []
        for lead, out in (("b", b), ("c", c), ("e", "0")):
            lines.append(f"r{tag}_{lead} {node[lead]} {out} {min(max(self.leads[lead], 1e-6), 1e13):.6g}")
        text = " ".join(f"{k}={v:.8g}" for k, v in self.card.items())
        lines += [f".model m{tag} {sign} ({text})",
                  f"q{tag} {node['c']} {node['b']} {node['e']} m{tag} temp={self.temp_C:.4f}"]  # fmt: skip
        for n, (letter, nodes, rest) in enumerate(self.more):
            where = [node[x] for x in nodes]
            if letter == "d":  # rest: a card; drawn for NPN
                lines.append(f".model m{tag}_{n} d ({rest})")
                where, rest = where if sign == "npn" else where[::-1], f"m{tag}_{n}"
            lines.append(f"{letter}{tag}_{n} {' '.join(where)} {rest}")
        return lines


def _pwl(values):
    values = np.append(values, values[-1])
    text = [f"{k},{v:.9g}" for k, v in enumerate(values)]
    return "pwl(v(x),\n" + ",\n".join("+ " + ",".join(text[k : k + 8]) for k in range(0, len(text), 8)) + ")"


def run(jobs, size=4):
    """(vbe, ib, vce, ic) of (part, ("v" or "i", base), ("v" or "i", collector)) jobs, magnitudes."""

    def solve(batch):
        for setting in SETTINGS if len(batch) == 1 else SETTINGS[:1]:
            lines, steps = ["vx x 0 0"], 2
            for k, (part, *drives) in enumerate(batch):
                s = 1 if part.polarity == "NPN" else -1
                for lead, (how, values) in zip("bc", drives, strict=True):
                    steps = max(steps, len(values))
                    d = f"t{k}{lead}"
                    drive = f"{d}s 0 v=" if how == "v" else f"0 {d}s i="
                    lines += [f"bs{d} {drive}{_pwl(s * np.asarray(values, float))}", f"v{d} {d}s {d}p 0"]
                lines += part.netlist(f"t{k}", f"t{k}bp", f"t{k}cp")
            saved = [f"{x}t{k}{lead}{p})" for k in range(len(batch)) for lead in "bc"
                     for x, p in (("v(", "p"), ("i(v", ""))]  # fmt: skip
            found = deck_values([*lines, f".dc vx 0 {steps - 1} 1", ".save " + " ".join(saved)], setting)
            if found and all(s in found and np.isfinite(found[s]).all() and len(found[s]) == steps
                             for s in saved):  # fmt: skip
                out = []
                for k, (part, (_, values), _) in enumerate(batch):
                    s = 1 if part.polarity == "NPN" else -1
                    out.append([s * found[x][: len(values)] for x in saved[4 * k : 4 * k + 4]])
                return out
        if len(batch) == 1:
            raise RuntimeError(f"ngspice cannot solve {batch[0]}")
        half = len(batch) // 2
        return solve(batch[:half]) + solve(batch[half:])

    batches = [jobs[k : k + size] for k in range(0, len(jobs), size)]
    with ThreadPoolExecutor(2) as pool:
        return [x for found in pool.map(solve, batches) for x in found]


# --------------------------------------------------------------------------------------------- the parts


def draw_card(rng, size):
    """A sound transistor's card at 25 degC."""
    small = size == "small"
    return {
        "IS": span(rng, 3e-15, 6e-14) if small else span(rng, 2e-13, 8e-12), "NF": rng.uniform(0.995, 1.01),
        "BF": span(rng, 120, 450) if small else span(rng, 50, 160), "BR": span(rng, 1, 10),
        "ISE": span(rng, 3e-15, 1e-13) if small else span(rng, 1e-12, 3e-11), "NE": rng.uniform(1.5, 2.0),
        "IKF": span(rng, 0.08, 0.6) if small else span(rng, 2, 10), "VAF": span(rng, 40, 180),
        "RE": span(rng, 0.1, 1.0) if small else span(rng, 0.01, 0.1), "RB": span(rng, 5, 80) if small
        else span(rng, 0.5, 6), "RC": span(rng, 0.2, 3) if small else span(rng, 0.02, 0.3), "EG": 1.11,
        "XTI": 3, "XTB": 1.5, "TNOM": 25,
    }  # fmt: skip


def drop(part, ic):
    """Base-emitter voltage at a collector current, nearly [V]."""
    t, t0 = part.temp_C + 273.15, 298.15
    i_s = part.card["IS"] * (t / t0) ** 3 * exp(1.11 / (_K * t) * (t / t0 - 1))
    ib = ic / part.card["BF"]
    leads = {x: ohm if ohm < inf else 0.0 for x, ohm in part.leads.items()}
    return (part.card["NF"] * _K * t * log(ic / i_s + 1) + ic * (part.card["RE"] + leads["e"])
            + ib * (part.card["RB"] + leads["b"]))  # fmt: skip


@dataclass
class Instrument:
    """Limits and errors of what the curves were taken with."""

    limit_A: float
    read_back: bool
    offset_ic_A: float
    offset_ib_A: float
    noise_A: float
    noise_v: float
    noise_i: float
    gain_i: float


def instrument(rng, at_limit, at_floor):
    """An instrument of a teaching laboratory or a good bench."""
    poor = at_floor > 0 or rng.random() < 0.5
    sign = rng.choice([-1, 1], 2)
    return Instrument(
        span(rng, 0.015, 0.09) if at_limit else 0.15, rng.random() < 0.5,
        float(sign[0] * span(rng, 1e-8, 9e-8)) if poor else 0.0,
        float(sign[1] * span(rng, 1e-8, 9e-8)) if poor else 0.0,
        span(rng, 1e-9, 2e-8) if poor else span(rng, 1e-11, 1e-9), rng.uniform(3e-5, 1.5e-4),
        span(rng, 3e-4, 2e-3), rng.normal(0, 5e-4),
    )  # fmt: skip


def programme(rng, part, x, shape, at_limit, at_floor, far=10.0):
    """What base and collector are driven with: (how, base values), collector voltages."""
    top = x.limit_A if at_limit else span(rng, 0.01, 0.08)
    low = max(30 * x.noise_A + abs(x.offset_ic_A), 1e-9)
    if shape == "output family":
        steps = int(rng.integers(4, 7))
        most = top / 0.6 if at_limit else top
        ib = np.geomspace(2e-4, most, steps) / (0.8 * part.card["BF"])
        vce = np.concatenate([[0.05, 0.1, 0.2, 0.4], np.linspace(0.8, far, int(rng.integers(8, 14)))])
        return ("i", np.repeat(ib, vce.size)), np.tile(vce, steps)
    voltages = [5.0] if shape == "Gummel" else [1.0, 4.0, 10.0]
    if shape == "Gummel":
        voltages = [float(rng.choice([1.0, 2.0, 5.0, 10.0]))]
    n = int(rng.integers(36, 60)) if len(voltages) == 1 else int(rng.integers(20, 30))
    kept = n - round(n * at_limit) - round(n * at_floor)
    first, last = drop(part, low), drop(part, top)
    step = (last - first) / (kept - 1)
    below = max(first - step * round(n * at_floor), 0.02)
    grid = np.concatenate([np.linspace(below, first, round(n * at_floor) + 1)[:-1],
                           np.linspace(first, last, kept),
                           last + step * np.arange(1, round(n * at_limit) + 1)])  # fmt: skip
    return ("v", np.tile(np.round(grid, 4), len(voltages))), np.repeat(voltages, grid.size)


def fault_of(rng, fault, size, name):
    """(value, elements beside the transistor, ohms in leads, changes of the card), clear of every limit."""
    own = FAMILIES["small-signal silicon BJT" if size == "small" else "silicon power BJT"]

    def limits(junction):
        return [*sheet(name, junction).leaks, (own.leak_max_A, own.leak_at_V)]

    most = {x: min(v / i / MARGIN for i, v in limits(x)) for x in ("BE", "BC")}
    more, leads, card, value = [], {}, {}, nan
    if fault == "B-E leak":
        value = span(rng, 300, max(min(most["BE"], 3e5), 400))
        more = [("r", "be", f"{value:.6g}")]
    elif fault == "C-B leak":
        value = span(rng, 2e3, max(min(most["BC"], 5e6), 3e3))
        more = [("r", "cb", f"{value:.6g}")]
    elif fault == "C-E path":
        value = span(rng, 500, max(min(most["BC"], 2e6) if size == "small" else 2e3, 1e3))
        more = [("r", "ce", f"{value:.6g}")]
    elif fault == "low gain":
        value = span(rng, 2, 12)
        card = {"BF": value, "ISE": 1e-18}
    elif fault == "high RE":
        part = Curves(draw_card(rng, size) | {"IS": 1e-14 if size == "small" else 1e-12}, size, "NPN")
        allowed = [(volts - drop(part, amps)) / amps for volts, amps in base_limits(name)]
        least = max([15.0 if size == "small" else 8.0] + [2.2 * min(allowed)] * bool(allowed))
        value = span(rng, least, max(2 * least, 100.0 if size == "small" else 40.0))
        leads = {"e": value}
    elif fault == "early breakdown":
        rated = float(types()[name]["vceo_v"])
        value = rated * rng.uniform(0.2, 0.5)
        more = [("d", "ec", f"IS=1e-30 BV={value:.6g} IBV=1e-4 NBV=2 RS=2")]
    elif fault.startswith("short"):
        value = span(rng, 0.05, 15)
        more = [("r", fault[-3:].lower().replace("-", ""), f"{value:.6g}")]
    elif fault.startswith("open"):
        leads = {fault[5]: inf}
    return value, more, leads, card


def plan():
    """(purpose, size, shape, share at the limit, share at the floor, fault) of every part."""
    found = []
    for k in range(SOUND):
        for shape in SHAPES:
            for at_limit in SHARES:
                for at_floor in SHARES:
                    size = ("small", "power")[(k + len(found)) % 2]
                    found.append(("fit", size, shape, at_limit, at_floor, "none"))
    for fault, count in FAULTS.items():
        for k in range(count):
            shape = "output family" if fault == "early breakdown" else SHAPES[k % 3]
            if fault[:4] in ("open", "shor"):  # a current forced into the base would find no way, or no drop
                shape = SHAPES[k % 2]
            found.append(("sort", ("small", "power")[k // 2 % 2], shape, (0.0, 1 / 6)[k % 2],
                          (0.0, 1 / 6)[k // 3 % 2], fault))  # fmt: skip
    return found


def draw(index, seed=SEED):
    """Part number `index`: the transistor, its instrument, what it is driven with, its place in the plan."""
    purpose, size, shape, at_limit, at_floor, fault = what = plan()[index]
    rng = np.random.default_rng([seed, 5, index])
    part = Curves(draw_card(rng, size), size, "NPN" if rng.random() < 0.6 else "PNP")
    part.fault = fault
    part.temp_C = float(rng.uniform(16, 34))
    far = 10.0
    if purpose == "sort":
        part.type = str(rng.choice(TYPES[size]))
        part.polarity = types()[part.type]["polarity"]
        lines = gain_range(part.type)
        least = max([low for low, _, amps in lines if amps < 1] or [low for low, *_ in lines])
        largest = min([high for _, high, amps in lines if amps < 1 and high < inf] or [4 * least])
        largest = max(largest, 1.5 * least)
        part.card |= {"BF": 1.06 * np.sqrt(least * largest), "ISE": part.card["IS"] * 3, "NE": 1.6}
        part.value, part.more, leads, card = fault_of(rng, fault, size, part.type)
        part.leads |= leads
        part.card |= card
        if fault == "early breakdown":
            far = part.value * rng.uniform(1.02, 1.15)
    x = instrument(rng, at_limit, at_floor)
    if fault == "high RE":
        at_limit, x.limit_A = 0.0, 0.15
    return part, x, programme(rng, part, x, shape, at_limit, at_floor, far), what, rng


def truth_at(part, temp_C):
    """V_BE [V] and h_FE at 1 mA for each of `AT_VCE` at a temperature, of the sound part."""
    own = Curves(part.card, part.size, part.polarity, temp_C=temp_C)
    grid = drop(own, 1e-3) + np.linspace(-0.06, 0.06, 49)
    return [(own, ("v", grid), ("v", np.full(grid.size, vce))) for vce in AT_VCE]


def at_1mA(answer):
    """V_BE and h_FE at 1 mA of one sweep of the base, by a cubic through smooth values 2.5 mV apart."""
    from scipy.interpolate import CubicSpline

    vbe, ib, _, ic = answer
    at = CubicSpline(np.log(ic), np.stack([vbe, np.log(ic / ib)], axis=1))(log(1e-3))
    return float(at[0]), float(exp(at[1]))


def simulate(indices, seed=SEED):
    """Rows of parts by number, solved by ngspice."""
    drawn = [draw(k, seed) for k in indices]
    answers = run([(part, base, ("v", vce)) for part, _, (base, vce), *_ in drawn])
    limited = [np.zeros(len(vce), bool) for _, _, (_, vce), *_ in drawn]
    for lead in "bc":  # the base's source holds its current first: what is shorted there drives no collector
        jobs, where = [], []
        for (part, x, (base, vce), *_), found, in_base in zip(drawn, answers, limited, strict=True):
            over = found[1 if lead == "b" else 3] > x.limit_A
            in_base |= over & (lead == "b")
            for b in (False, True):
                if (at := over & (in_base == b)).any():
                    limit = ("i", np.full(at.sum(), x.limit_A))
                    jobs.append((part, limit if b else (base[0], np.asarray(base[1])[at]),
                                 limit if lead == "c" else ("v", np.asarray(vce)[at])))  # fmt: skip
                    where.append((found, at))
        for (found, at), again in zip(where, run(jobs), strict=True):
            for old, new in zip(found, again, strict=True):
                old[at] = new
    truths, known = [], [k for k, (*_, what, _) in enumerate(drawn) if what[0] == "fit"]
    for k in known:
        truths += truth_at(drawn[k][0], drawn[k][0].temp_C) + truth_at(drawn[k][0], 25.0)
    truths = iter(run(truths))
    told = {k: [at_1mA(next(truths)) for _ in range(2 * len(AT_VCE))] for k in known}
    return [row_of(index, k, *d, found, told.get(k))
            for k, (index, d, found) in enumerate(zip(indices, drawn, answers, strict=True))]  # fmt: skip


def row_of(index, k, part, x, drives, what, rng, found, told):
    """Row of the frozen table."""
    purpose, size, shape, at_limit, at_floor, fault = what
    vbe, ib, vce, ic = found
    n = vbe.size
    if not x.read_back:
        vce = np.where(ic >= 0.999 * x.limit_A, drives[1], vce)
    said = round(part.temp_C + rng.normal(0, 0.3), 1)
    sound = np.abs(ic).max()
    floor = 5 * x.noise_A + abs(x.offset_ib_A)
    inside = {"B-E leak": part.value < 0.4 / floor, "C-B leak": part.value < 3 / floor,
              "C-E path": part.value < 3 / floor, "low gain": True, "high RE": part.value * sound > 0.15,
              "early breakdown": vce.max() > part.value}.get(fault, fault != "none")  # fmt: skip
    gain = 1 + x.gain_i

    def amps(i, offset):
        noisy = i * gain * (1 + rng.normal(0, x.noise_i, n)) + offset + rng.normal(0, x.noise_A, n)
        step = np.maximum(10.0 ** (np.floor(np.log10(np.maximum(np.abs(noisy), 1e-13))) - 4),
                          10.0 ** np.floor(np.log10(x.noise_A / 5)))  # fmt: skip
        return np.round(noisy / step) * step

    limited = ic >= 0.999 * x.limit_A
    ic, ib = amps(ic, x.offset_ic_A), amps(ib, x.offset_ib_A)
    ic[limited] = np.round(x.limit_A * gain * (1 + rng.normal(0, 1e-4, limited.sum())), 6)
    s = 1 if part.polarity == "NPN" else -1
    vbe = s * np.round(vbe + rng.normal(0, x.noise_v, n), 5)
    text = lambda y, f: " ".join(format(v + 0.0, f) for v in y)  # noqa: E731
    spread = lambda j: " ".join(f"{t[j]:.7g}" for t in told[: len(AT_VCE)]) if told else ""  # noqa: E731
    cold = lambda j: " ".join(f"{t[j]:.7g}" for t in told[len(AT_VCE) :]) if told else ""  # noqa: E731
    right = RIGHT.get(fault, "shorted" if fault.startswith("short") else "open")
    return {"part": f"C{index:03}", "purpose": purpose, "size": size, "polarity": part.polarity,
            "type": part.type, "shape": shape, "fault": fault,
            "fault_value": f"{part.value:.5g}" if isfinite(part.value) else "", "right": right,
            "inside": "yes" if inside else "", "at_limit": f"{limited.mean():.2f}",
            "at_floor": f"{at_floor:.2f}", "limit_A": f"{x.limit_A:.4g}",
            "offset_ic_A": f"{x.offset_ic_A:.3g}", "offset_ib_A": f"{x.offset_ib_A:.3g}",
            "noise_A": f"{x.noise_A:.3g}", "true_temp_C": f"{part.temp_C:.3f}", "temp_C": f"{said:.1f}",
            "vbe_1mA_V": spread(0), "vbe_1mA_25C_V": cold(0), "hfe_1mA": spread(1), "hfe_1mA_25C": cold(1),
            "card": " ".join(f"{key}={v:.6g}" for key, v in part.card.items()),
            "vce_V": text(s * np.round(vce, 3), ".5g"), "vbe_V": text(vbe, ".6g"),
            "ib_A": text(s * ib, ".5g"), "ic_A": text(s * ic, ".5g")}  # fmt: skip


def everything(seed=SEED):
    """Rows of all parts of the plan."""
    return simulate(range(len(plan())), seed)


def renew():
    """Write the frozen table anew."""
    out = io.StringIO()
    out.write("# Curves of transistors, invented, solved in ngspice: tests/external/bench_curves.py\n")
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(everything())
    DATA.write_bytes(gzip.compress(out.getvalue().encode(), 9, mtime=0))


def frozen(purpose=""):
    """Rows of the frozen table, those for one purpose where it is given."""
    before = csv.field_size_limit(10**7)
    try:
        rows = csv.DictReader(gzip.decompress(DATA.read_bytes()).decode().splitlines()[1:])
        return [r for r in rows if purpose in ("", r["purpose"])]
    finally:
        csv.field_size_limit(before)


# ------------------------------------------------------------------------------------------------ judging


def frame(rows):
    """The curves of rows as a DataFrame that `junction` takes."""
    import pandas as pd

    names = ("vce_V", "vbe_V", "ib_A", "ic_A")
    points = {c: [np.array(r[c].split(), dtype=float) for r in rows] for c in names}
    counts = [x.size for x in points["ic_A"]]
    columns = {c: np.repeat([r[c] for r in rows], counts) for c in ("part", "type", "polarity")}
    temp = np.repeat([float(r["temp_C"]) for r in rows], counts)
    return pd.DataFrame(columns | {c: np.concatenate(x) for c, x in points.items()} | {"temp_C": temp})


def true_1mA(row, vce, cold=False):
    """V_BE [V] and h_FE of a row's part at 1 mA and a collector voltage, between those that were solved."""
    end = "_25C" if cold else ""
    of = lambda name: np.interp(vce, AT_VCE, [float(y) for y in row[name].split()])  # noqa: E731
    return float(of(f"vbe_1mA{end}_V")), float(of(f"hfe_1mA{end}"))


def fitted(rows):
    """What `junction.fit` says of each row: (why not, error of V_BE [V], ratio of h_FE, its row).

    The printed SPICE card is run in ngspice at the temperature that was stated and at the V_CE of the points,
    and held against the part at its true temperature: the same measured points on both sides.
    """
    import junction

    report = junction.fit(frame(rows), plots=0)
    found = {t.part: t for t in report.transistors}
    cards = {p["part"]: p["transistor"]["spice"] for p in report.to_dict()["parts"] if p.get("transistor")}
    jobs, which = [], []
    for k, r in enumerate(rows):
        t = found.get(r["part"])
        text = re.search(r"\.model \S+ (NPN|PNP)\((.*)\)", cards.get(r["part"]) or "")
        if t is None or t.why_not or text is None:
            continue
        card = {a: float(b) for a, b in re.findall(r"(\w+)=([-+.\deE]+)", text[2])}
        own = Curves(card, r["size"], text[1], temp_C=float(r["temp_C"]))
        vce = float(np.clip(np.median(np.abs(np.array(r["vce_V"].split(), dtype=float))), 1, 10))
        middle = true_1mA(r, vce)[0]
        grid = middle + np.linspace(-0.06, 0.06, 49)
        jobs.append((own, ("v", grid), ("v", np.full(grid.size, vce))))
        which.append((k, vce))
    out = [(t.why_not if (t := found.get(r["part"])) else "not in the answer", nan, nan, t) for r in rows]
    for (k, vce), answer in zip(which, run(jobs), strict=True):
        try:
            vbe, hfe = at_1mA(answer)
        except ValueError:
            vbe, hfe = nan, nan
        true = true_1mA(rows[k], vce)
        out[k] = ("", vbe - true[0], hfe / true[1], out[k][3])
    return out


def held(rows, found):
    """Of the printed intervals at 1 mA, referred to 25 degC, how many hold ngspice's V_BE and h_FE."""
    count = Counter()
    for r, (*_, t) in zip(rows, found, strict=True):
        for at in getattr(t, "at", ()):
            if abs(at.ic_A / 1e-3 - 1) < 1e-6:
                vbe, hfe = true_1mA(r, float(np.clip(at.vce_V, 1, 10)), cold=True)
                count["parts"] += 1
                count["V_BE held"] += at.vbe_V.low <= vbe <= at.vbe_V.high
                count["h_FE held"] += at.hfe.low <= hfe <= at.hfe.high
    return count


def judged(rows):
    """What `junction.sort` says of each row: (verdict, evidence)."""
    import junction

    said = {}
    for found in junction.sort(frame(rows), plots=0).to_dict()["parts"]:
        said[found["part"]] = (found["verdict"], " ".join(found["evidence"]))
    return [said.get(r["part"], ("none", "not in the answer")) for r in rows]


def outcome(row, verdict):
    """``right``, ``undecided`` or ``wrong``; what a fault inside the curves does not show may be good."""
    if verdict in ("undecided", "none"):
        return "undecided"
    right = row["right"].split("|") + (["good"] if not row["inside"] else [])
    return "right" if verdict in right else "wrong"


def report(rows):
    """Print how the fits hold and what the verdicts are."""
    fit = [r for r in rows if r["purpose"] == "fit"]
    table_, misses = defaultdict(Counter), []
    found = fitted(fit)
    print("intervals at 1 mA:", dict(held(fit, found)))
    for r, (why, dv, ratio, _) in zip(fit, found, strict=True):
        shares = f"limit {round(6 * float(r['at_limit']))}/6, floor {round(6 * float(r['at_floor']))}/6"
        for name in (r["shape"], shares):
            t = table_[name]
            t["parts"] += 1
            t["not fitted"] += bool(why)
            t["V_BE off"] += not why and not abs(dv) < 3e-4
            t["h_FE off"] += not why and not abs(ratio - 1) < 0.02
        if why or not abs(dv) < 3e-4:
            misses.append(f"{r['part']} {r['size']} {r['shape']} limit {r['at_limit']} floor {r['at_floor']} "
                          f"offset {r['offset_ic_A']} {r['offset_ib_A']} noise {r['noise_A']}: "
                          f"{why or f'V_BE {1e3 * dv:+.2f} mV, h_FE {ratio:.3f}'}")  # fmt: skip
    for name, t in table_.items():
        print(f"{name:28s}", ", ".join(f"{k} {v}" for k, v in t.items()))
    print(*misses, sep="\n")
    other = [r for r in rows if r["purpose"] == "sort"]
    faults, wrong = defaultdict(Counter), []
    try:
        said = judged(other)
    except Exception as error:  # no verdicts of curves yet
        print(f"sort: {error}")
        return
    for r, (verdict, evidence) in zip(other, said, strict=True):
        o = outcome(r, verdict)
        faults[r["fault"]][o] += 1
        faults[r["fault"]]["inside"] += bool(r["inside"])
        faults[r["fault"]]["found"] += bool(r["inside"]) and o == "right"
        if o == "wrong":
            wrong.append(f"{r['part']} {r['size']} {r['type']} {r['shape']} | {r['fault']} {r['fault_value']}"
                         f"{'' if r['inside'] else ' (not inside)'}: {verdict} for {r['right']} | "
                         f"{evidence[:160]}")  # fmt: skip
    for name, t in faults.items():
        print(f"{name:20s}", ", ".join(f"{k} {v}" for k, v in t.items()))
    print(*wrong, sep="\n")


if __name__ == "__main__":
    if sys.argv[1:] == ["renew"]:
        renew()
    elif sys.argv[1:2] == ["report"]:
        report(everything(int(sys.argv[2])) if len(sys.argv) > 2 else frozen())
    else:
        sys.exit(__doc__)
