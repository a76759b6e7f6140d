"""Sweeps of junctions by the instruments of a repair bench: outside truth for the judge of sweeps.

Source of truth: ngspice (a general circuit simulator) with junctions drawn in `sweep_devices`, each a circuit
of its own at its own temperature.  What the instrument makes of the true voltages and currents is drawn here;
all parts of a bag share one instrument.  All parts are invented, and clear: a factor of 3 from every limit of
the type and of the family, inner resistance twice what a registered drop allows.

    python -m tests.external.bench_sweeps renew     draws and solves all, writes data/bench_sweeps.csv.gz
    python -m tests.external.bench_sweeps report    sorts the frozen bags, prints tables and what is wrong
    python -m tests.external.bench_sweeps report 7  the same of other parts, drawn with seed 7: unseen ones
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
from dataclasses import dataclass
from math import inf, isnan, log, nan
from pathlib import Path

import numpy as np

from tests.external.sweep_devices import KINDS, MARGIN, VT, limits_of, make, span, types_of
from tests.sheets import sheet

DATA = Path(__file__).parent / "data" / "bench_sweeps.csv.gz"
SEED = 20261128
#: Parts a bag, and bags of each instrument.
PARTS, BAGS = 25, 5
#: Instruments: `poor` ones are not fit for the job and yet stand on many benches.
INSTRUMENTS = {
    "8 bits": "poor", "10 bits": "poor", "12 bits": "poor", "16 bits": "fair", "source limit": "fair",
    "limit read back": "fair", "ammeter offset": "poor", "ammeter floor": "poor", "1 Mohm input": "poor",
    "10 Mohm input": "poor", "slow": "poor", "few points": "poor", "log grid": "fair", "linear grid": "fair",
    "forward only": "fair", "reverse only": "fair", "up and down": "fair", "gain errors": "fair",
}  # fmt: skip
FAULTS = ("none", "leak", "low breakdown", "soft knee", "high resistance", "short", "open")
SHARES = (0.5, 0.12, 0.09, 0.08, 0.09, 0.06, 0.06)
#: By our convention high resistance inside is open in part, early or soft breakdown is leaky.
QUALITY = dict(zip(FAULTS, ("good", "leaky", "leaky", "leaky", "open", "shorted", "open"), strict=True))
COLUMNS = ("part", "bag", "draw", "instrument", "grade", "kind", "family", "type", "junction", "fault",
           "fault_value", "right", "inside", "decidable", "n", "rs_ohm", "v_1mA_V", "leak_ohm", "bv_V",
           "true_temp_C", "temp_C", "v_V", "i_A")  # fmt: skip

# ------------------------------------------------------------------------------------------- instruments


@dataclass
class Instrument:
    """What all parts of a bag were swept with."""

    kind: str
    bits: int = 0
    lsb_noise: float = 0.0
    lsb_offset: float = 0.0
    reverse_full_A: float = inf  # range of a converter in reverse
    limit_A: float = inf  # of the source, forward
    reverse_limit_A: float = 2e-2
    read_back: bool = True
    reach_V: float = 30.0
    floor_A: float = 1e-10  # noise of the ammeter, one standard deviation
    offset_A: float = 0.0
    input_ohm: float = inf
    gain_v: float = 0.0
    gain_i: float = 0.0
    noise_v: float = 1e-4
    noise_i: float = 1e-3
    step_v: float = 1e-4
    digits: int = 4
    heat_K_W: float = 0.0
    lag: float = 1.0  # part of the way to its final temperature that a part goes in one step
    passes: int = 1
    log_grid: bool = False
    points: int = 50


def instrument(rng, kind):
    """An instrument of a kind, drawn."""
    reach = float(rng.choice([6, 12, 30, 60, 220, 1100], p=[0.1, 0.1, 0.25, 0.2, 0.2, 0.15]))
    x = Instrument(kind, reach_V=reach,
                   floor_A=span(rng, 1e-11, 5e-10), gain_v=rng.normal(0, 2e-4), gain_i=rng.normal(0, 5e-4),
                   noise_v=span(rng, 3e-5, 2e-4), noise_i=span(rng, 2e-4, 2e-3),
                   step_v=float(rng.choice([1e-4, 1e-3])), digits=int(rng.integers(4, 6)),
                   reverse_limit_A=span(rng, 2e-3, 3e-2), log_grid=rng.random() < 0.25,
                   read_back=rng.random() < 0.7, points=int(rng.integers(20, 80)))  # fmt: skip
    if kind.endswith("bits"):
        x.bits, x.lsb_noise = int(kind.split()[0]), float(rng.choice([0.0, 0.3, 1.0]))
        x.lsb_offset, x.step_v = rng.uniform(-2, 2), 1e-3
        x.reverse_full_A = span(rng, 1e-6, 1e-2)
        x.reverse_limit_A, x.read_back = x.reverse_full_A, rng.random() < 0.5
        if x.bits == 16:  # ranges of a decade, offset trimmed
            x.lsb_offset, x.reverse_full_A = rng.uniform(-0.5, 0.5), span(rng, 1e-6, 1e-5)
            x.reverse_limit_A = 2e-2
    elif kind in ("source limit", "limit read back"):
        x.limit_A, x.read_back = span(rng, 1e-3, 10), kind == "limit read back"
        x.reverse_limit_A = min(x.limit_A, 3e-2)
    elif kind == "ammeter offset":
        x.offset_A = span(rng, 1e-8, 1e-5) * rng.choice([-1, 1])
        x.floor_A, x.noise_i = 0.02 * abs(x.offset_A), 5e-3
    elif kind == "ammeter floor":
        x.floor_A = span(rng, 1e-9, 1e-6)
    elif kind.endswith("input"):
        x.input_ohm = float(kind.split()[0]) * 1e6 * rng.uniform(0.99, 1.01)
    elif kind == "slow":
        x.heat_K_W, x.lag = rng.uniform(100, 500), span(rng, 0.05, 1.0)
        x.passes, x.log_grid, x.read_back = int(rng.integers(1, 3)), False, True
    elif kind == "log grid":
        x.log_grid = True
    elif kind == "linear grid":
        x.log_grid = False
    elif kind == "up and down":
        x.passes = 2
    elif kind == "gain errors":
        x.gain_v, x.gain_i = rng.choice([-1e-3, 1e-3], 2)
    return x


def programme(rng, x, part):
    """Voltages that the source is set to, and the current that the part is meant to reach [A]."""
    k = KINDS[part.kind]
    top = span(rng, *k.i_top)
    volts = part.vf + part.n * VT * (2 if part.kind == "darlington" else 1) * log(top / 1e-3)
    total = part.rs + part.rs_fault
    if x.heat_K_W:  # as hot as 60 K over the room, and visibly so
        top = min(top, 60 / x.heat_K_W / max(volts, 0.2))
        volts = part.vf + part.n * VT * log(top / 1e-3)
    share = 0.0
    if x.limit_A < inf:
        if top > x.limit_A:
            top, share = x.limit_A, rng.uniform(0, 0.5)
            volts = part.vf + part.n * VT * log(top / 1e-3)
    high = max(volts + min(total * top, 2.0 if part.rs_fault < 50 else 4.0), 0.15)
    if part.gone and part.fault == "open":
        high = max(high, 1.2 if part.junction != "AK" else 3.6)
    fault_short = part.fault == "short"
    high *= 1.03 / (1 - share)
    points = x.points
    deciding, _ = limits_of(part.kind, part.junction, part.type, part.vf)
    paper = sheet(part.type, part.junction) if part.type else None
    far = max(v for _, v in deciding)
    if paper and paper.rating_V < inf:
        far = max(far, paper.rating_V) * rng.uniform(0.6, 1.0)
    else:
        far *= rng.uniform(0.8, 1.2)
    if part.kind == "Zener":
        rated = paper.zener[0] if paper else part.bv
        far = rated * rng.uniform(1.03, 1.1) + 5e-3 * part.rs
    reach = min(far, x.reach_V)
    reverse = max(points // 3, 5)
    if x.kind == "few points":
        points = int(rng.integers(5, 9))
        reverse = int(rng.integers(2, 4))
    if x.log_grid and not fault_short:
        low = min(max(30 * x.floor_A, 1e-8), top / 100)
        currents = np.geomspace(low, top, points - reverse)
        slope = part.n * VT * (2 if part.kind == "darlington" else 1)
        forward = part.vf + slope * np.log(currents / 1e-3) + min(total, 2.0 / top) * currents
        forward = np.clip(forward, 0.01, high)
        back = -np.geomspace(min(0.1, reach / 10), reach, reverse)[::-1]
    else:
        first = 0.6 * high if x.kind == "few points" else high / (points - reverse)
        forward = np.linspace(first, high, points - reverse)
        back = np.linspace(-reach, 0, reverse)
    if x.kind == "forward only":
        grid = np.concatenate([[0.0], forward])
    elif x.kind == "reverse only":
        grid = np.linspace(-reach, 0.0, max(points // 2, 10))
    else:
        grid = np.concatenate([back, forward])
    if x.passes == 2:
        grid = np.concatenate([grid, grid[::-1]])
    return np.round(grid, 4), top


def floor_of(x, top, reverse=True, reach=1.0):
    """Least current that the instrument can tell from none [A]."""
    if x.bits:
        full = x.reverse_full_A if reverse else top
        return full / 2 ** (x.bits - 1) * (1 + x.lsb_noise + abs(x.lsb_offset))
    own = 3 * x.floor_A
    return own + (0.03 * reach / x.input_ohm if reverse else 0.0)


def read(rng, x, v, i, top):
    """What the instrument writes down of true voltages and currents."""
    n = v.size
    i = i + v / x.input_ohm
    if x.bits:
        full = np.where(v < 0, x.reverse_full_A, 2.0 ** np.ceil(np.log2(1.05 * top)))
        if x.bits == 16:
            full = np.maximum(np.where(v < 0, x.reverse_full_A, 1e-6),
                              10.0 ** np.ceil(np.log10(np.maximum(np.abs(i) / 1.05, 1e-9))))  # fmt: skip
        step = full / 2 ** (x.bits - 1)
        i = np.round(i * (1 + x.gain_i) / step + x.lsb_offset + rng.normal(0, x.lsb_noise, n))
        i = np.clip(i, -(2 ** (x.bits - 1)), 2 ** (x.bits - 1) - 1) * step
    else:
        noise = rng.normal(0, x.noise_i, n) * i + rng.normal(0, x.floor_A, n)
        i = i * (1 + x.gain_i) + noise + x.offset_A
        step = np.maximum(10.0 ** (np.floor(np.log10(np.maximum(np.abs(i), 1e-13))) + 1 - x.digits),
                          10.0 ** np.floor(np.log10(x.floor_A / 2)))  # fmt: skip
        i = np.round(i / step) * step
    v = v * (1 + x.gain_v) + rng.normal(0, x.noise_v, n)
    return np.round(v / x.step_v) * x.step_v + 0.0, i + 0.0  # no minus before a zero


# ------------------------------------------------------------------------------------------------ ngspice

#: Settings of the solver, tried in turn.
SETTINGS = ("abstol=1e-13 gmin=1e-13 rshunt=1e13", "abstol=1e-12 gmin=1e-12 rshunt=1e12",
            "abstol=1e-12 gmin=1e-12", "abstol=1e-12 gmin=1e-12 noopiter",
            "abstol=1e-11 gmin=1e-11 rshunt=1e12 reltol=1e-4",
            "abstol=1e-11 gmin=1e-12 rshunt=1e11 reltol=1e-4",
            "abstol=1e-11 gmin=1e-12 rshunt=1e10 reltol=1e-3", "abstol=1e-10 gmin=1e-10 reltol=1e-3")


def deck_values(lines, setting):
    """Saved values of one deck by name, arrays over its steps; empty where it did not converge."""
    options = f".options tnom=25 noacct itl1=500 itl2=400 reltol=1e-5 vntol=1e-8 {setting}"
    text = ["junctions of a repair bench (invented)", *lines, options, ".end"]
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "deck.cir").write_text("\n".join(text) + "\n")
        subprocess.run(["ngspice", "-b", "-r", "out.raw", "deck.cir"], cwd=folder, capture_output=True,
                       text=True, check=False)  # fmt: skip
        raw = Path(folder, "out.raw")
        head, _, body = raw.read_bytes().partition(b"Binary:\n") if raw.exists() else (b"", b"", b"")
    names = [x.decode() for x in re.findall(rb"^\t\d+\t(\S+)\t", head, re.M)]
    count = re.search(rb"No. Points: (\d+)", head)
    if not names or not count:
        return {}
    values = np.frombuffer(body)
    rows = values.size // len(names)
    if rows == 0 or rows < int(count[1]):
        return {}
    return dict(zip(names, values[: rows * len(names)].reshape(rows, -1).T, strict=True))


def copy(part, tag, temp_C, volts=None, amps=None):
    """Lines of one copy of a part, driven by voltages in turn or by one current, and what to save of it."""
    if amps is not None:
        return [f"i{tag} 0 p{tag} {amps:.8g}", *part.netlist(tag, f"p{tag}", temp_C)], f"v(p{tag})"
    volts = np.append(volts, volts[-1]) if len(volts) == 1 else volts
    text = [f"{k},{v:.7g}" for k, v in enumerate(volts)]
    rows = [",".join(text[k : k + 8]) for k in range(0, len(text), 8)]
    lines = [f"b{tag} d{tag} 0 v=pwl(v(x),", *(f"+ {x}," for x in rows[:-1]), f"+ {rows[-1]})"]
    return [*lines, f"v{tag} d{tag} p{tag} 0", *part.netlist(tag, f"p{tag}", temp_C)], f"i(v{tag})"


def run(jobs, size=4):
    """Answers of (part, temp_C, volts or amps) jobs, arrays, several circuits of their own a process."""

    def solve(batch):
        for setting in SETTINGS if len(batch) == 1 else SETTINGS[:1]:
            lines, saved, steps = ["vx x 0 0"], [], 2
            for k, (part, temp, drive) in enumerate(batch):
                alone = np.ndim(drive) == 0
                more, name = copy(part, f"t{k}", temp, None if alone else drive, drive if alone else None)
                lines, saved = lines + more, [*saved, name]
                steps = max(steps, 1 if alone else len(drive))
            found = deck_values([*lines, f".dc vx 0 {steps - 1} 1", ".save " + " ".join(saved)], setting)
            if len(found) >= len(saved) and all(np.isfinite(found[s]).all() and len(found[s]) == steps
                                                for s in saved):  # fmt: skip
                return [found[s][: np.size(d)] for s, (_, _, d) in zip(saved, batch, strict=True)]
        if len(batch) == 1:
            raise RuntimeError(f"ngspice cannot solve {batch[0]}")
        half = len(batch) // 2
        return solve(batch[:half]) + solve(batch[half:])

    batches = [jobs[k : k + size] for k in range(0, len(jobs), size)]
    with ThreadPoolExecutor(2) as pool:
        return [x for found in pool.map(solve, batches) for x in found]


#: How much warmer than the room the copies of a slowly swept part are [K].
LADDER = (0.0, 8.0, 20.0, 40.0, 70.0, 110.0, 160.0)


def heated(x, programmed, ladder, limit_A, reverse_limit_A):
    """Voltage and current of a slow sweep: its power warms the part; ladder: current at each heat."""
    from scipy.interpolate import PchipInterpolator

    scale = 1e-12
    order = np.argsort(programmed, kind="stable")
    curve = PchipInterpolator(LADDER, np.arcsinh(np.array(ladder) / scale), axis=0)
    warm, v, i = 0.0, np.array(programmed), np.zeros(len(programmed))
    for k in range(len(programmed)):
        at = curve(min(max(warm, 0), LADDER[-1]))
        i[k] = np.sinh(at[k]) * scale
        most = limit_A if i[k] > 0 else reverse_limit_A
        if abs(i[k]) > most:
            i[k] = np.sign(i[k]) * most
            v[k] = np.interp(np.arcsinh(i[k] / scale), np.maximum.accumulate(at[order]), v[order])
        warm += (x.heat_K_W * abs(v[k] * i[k]) - warm) * x.lag
    return v, i, warm


# ---------------------------------------------------------------------------------------------- the parts


@dataclass
class Drawn:
    """One sweep before it is solved."""

    seed: int
    index: int
    attempt: int
    bag: int
    x: Instrument
    part: object
    true_C: float
    said_C: float
    programmed: np.ndarray
    top: float


def plan():
    """Instrument kind of every bag, in a fixed order."""
    return [kind for kind in INSTRUMENTS for _ in range(BAGS)]


def draw(index, attempt, seed=SEED):
    """Sweep number `index` at its try `attempt`; None where it is not clear."""
    bag = index // PARTS
    of_bag = np.random.default_rng([seed, 2, bag])
    x = instrument(of_bag, plan()[bag])
    names = list(KINDS)
    few = of_bag.choice(len(names), 3, replace=False) if of_bag.random() < 0.5 else range(len(names))
    theme = [names[k] for k in few]
    said, marked_share = of_bag.random() < 0.6, of_bag.choice([0.2, 0.7])
    rng = np.random.default_rng([seed, 1, index])
    kind, fault = str(rng.choice(theme)), str(rng.choice(FAULTS, p=SHARES))
    marked = rng.random() < marked_share
    rng = np.random.default_rng([seed, 3, index, attempt])
    if attempt > 20:  # such a fault of such a part is never clear
        kind, fault = str(rng.choice(theme)), str(rng.choice(FAULTS, p=SHARES))
    part = make(rng, kind, fault, marked and bool(types_of(kind)))
    if part is None:
        return None
    true = rng.uniform(15, 35) if said else rng.uniform(21, 29)
    programmed, top = programme(rng, x, part)
    told = round(true + rng.normal(0, 0.5), 1) if said else nan
    return Drawn(seed, index, attempt, bag, x, part, true, told, programmed, top)


def truth_jobs(d):
    """What ngspice is asked of a part at 25 degC: the current at each limit's voltage, the drop at 1 mA."""
    deciding, every = limits_of(d.part.kind, d.part.junction, d.part.type, d.part.vf)
    volts = np.array([-v for _, v in [*deciding, *every]])
    return [(d.part, 25.0, volts)] + ([] if d.part.gone else [(d.part, 25.0, 1e-3)])


def clear(d, answers):
    """Whether the part is a factor of 3 from every limit, on the side that its fault says."""
    deciding, every = limits_of(d.part.kind, d.part.junction, d.part.type, d.part.vf)
    ratio = np.array([-a / amps for a, (amps, _) in zip(answers, [*deciding, *every], strict=True)])
    if d.part.fault in ("none", "high resistance"):
        return bool((ratio < 1 / MARGIN).all())
    if d.part.fault in ("short", "open"):
        return True
    past = bool((ratio[: len(deciding)] > MARGIN).all())
    near = (ratio < MARGIN) & (ratio > 1 / MARGIN)
    rating = sheet(d.part.type, d.part.junction).rating_V if d.part.type else inf
    if d.part.fault == "low breakdown" and d.part.bv < rating / 1.4:
        return True
    return past and not near.any()


def solved(drawn):
    """True programme of drawn sweeps: (v, i) of each, the current held at the source's limit."""
    jobs, where = [], []
    for d in drawn:
        rungs = LADDER if d.x.heat_K_W else (0.0,)
        where.append(len(jobs))
        jobs += [(d.part, d.true_C + t, d.programmed) for t in rungs]
    currents = run(jobs)
    found, held = [], []
    for d, at in zip(drawn, where, strict=True):
        limit = d.x.limit_A if d.x.limit_A < inf else (20 * d.top if d.x.heat_K_W else inf)
        limit = min(limit, 1.05 * d.top if d.x.bits else max(3 * d.top, 0.1))
        if d.x.heat_K_W:
            found.append(heated(d.x, d.programmed, currents[at : at + len(LADDER)], 3 * d.top,
                                d.x.reverse_limit_A)[:2])  # fmt: skip
            continue
        v, i = d.programmed.copy(), currents[at].copy()
        for sign, most in ((1, limit), (-1, d.x.reverse_limit_A)):
            over = sign * i > most
            if over.any():
                i[over] = sign * most
                if d.x.read_back:
                    held.append((len(found), over, (d.part, d.true_C, sign * most)))
        found.append((v, i))
    for (k, over, _), answer in zip(held, run([job for *_, job in held]), strict=True):
        found[k][0][over] = answer[0]
    return found


def row_of(d, answers, v, i):
    """Row of the frozen table."""
    part, x = d.part, d.x
    deciding, every = limits_of(part.kind, part.junction, part.type, part.vf)
    rng = np.random.default_rng([d.seed, 4, d.index])
    logged_v, logged_i = read(rng, x, v, i, d.top)
    reach = -min(v.min(), 0.0)
    floor = floor_of(x, d.top, True, reach)
    back, most = -i[np.argmin(v)] if reach else 0.0, i.max()
    bar = max(min(amps for amps, _ in deciding), 5 * floor)
    inside = {"leak": back > bar, "soft knee": back > bar,
              "low breakdown": back > max(bar, 3 * reach / part.shunt if reach else 0) and reach > part.bv,
              "high resistance": part.rs_fault * most > 0.1 and most > 50 * floor_of(x, d.top, False),
              "short": True, "open": v.max() > part.vf + 0.15}.get(part.fault, False)  # fmt: skip
    forward = v.max() > 0.1 and most > max(3e-4, 100 * floor_of(x, d.top, False))
    # a marked part by any limit of its sheet; what carries no mark by those of every family it may be
    seen = [reach >= 0.6 * volts and floor < amps / 5 for amps, volts in deciding]
    decidable = part.fault == "none" and forward and (any(seen) if part.type else all(seen))
    right = {QUALITY[part.fault]}
    if part.fault == "leak" and part.shunt < 150:
        right.add("shorted")
    if part.fault in ("low breakdown", "soft knee", "high resistance") and not inside:
        right.add("good")
    number = lambda y: "" if isnan(y) or y == inf else f"{y:.5g}"  # noqa: E731
    drop = nan if part.gone else float(answers[1][0])
    return {"part": f"S{d.index:04}", "bag": d.bag, "draw": d.attempt, "instrument": x.kind,
            "grade": INSTRUMENTS[x.kind], "kind": part.kind, "family": KINDS[part.kind].family,
            "type": part.type, "junction": part.junction, "fault": part.fault,
            "fault_value": number(part.fault_value), "right": "|".join(sorted(right)),
            "inside": "yes" if inside else "", "decidable": "yes" if decidable else "",
            "n": f"{part.n:.4f}", "rs_ohm": number(part.rs + part.rs_fault), "v_1mA_V": number(drop),
            "leak_ohm": number(part.shunt), "bv_V": number(part.bv), "true_temp_C": f"{d.true_C:.3f}",
            "temp_C": "" if isnan(d.said_C) else f"{d.said_C:.1f}",
            "v_V": " ".join(f"{y:.4f}".rstrip("0").rstrip(".") for y in logged_v),
            "i_A": " ".join(f"{y:.5g}" for y in logged_i)}  # fmt: skip


def simulate(indices, seed=SEED, attempts=None):
    """Rows of sweeps by number, a try of each that is clear, or the very tries given."""
    waiting, done = {k: (attempts or {}).get(k, 0) for k in indices}, {}
    while waiting:
        drawn = []
        for index, attempt in waiting.items():
            while (d := draw(index, attempt, seed)) is None:
                attempt += 1
            drawn.append(d)
        jobs = [truth_jobs(d) for d in drawn]
        answers = iter(run([job for group in jobs for job in group]))
        waiting = {}
        for d, group in zip(drawn, jobs, strict=True):
            found = [next(answers) for _ in group]
            if attempts or clear(d, found[0]):
                done[d.index] = (d, found)
            else:
                waiting[d.index] = d.attempt + 1
    keep = [done[k] for k in indices]
    return [row_of(d, a, *vi) for (d, a), vi in zip(keep, solved([d for d, _ in keep]), strict=True)]


def everything(seed=SEED):
    """Rows of all sweeps of the plan."""
    return simulate(range(len(plan()) * PARTS), seed)


def renew():
    """Write the frozen table anew."""
    text = io.StringIO()
    text.write("# Sweeps of a repair bench, invented, solved in ngspice: tests/external/bench_sweeps.py\n")
    out = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    out.writeheader()
    out.writerows(everything())
    DATA.write_bytes(gzip.compress(text.getvalue().encode(), 9, mtime=0))


def frozen():
    """Rows of the frozen table."""
    before = csv.field_size_limit(10**7)
    try:
        return list(csv.DictReader(gzip.decompress(DATA.read_bytes()).decode().splitlines()[1:]))
    finally:
        csv.field_size_limit(before)


# ------------------------------------------------------------------------------------------------ judging


def frame(rows):
    """The sweeps of rows as a DataFrame that `junction.sort` takes."""
    import pandas as pd

    v = [np.array(r["v_V"].split(), dtype=float) for r in rows]
    i = [np.array(r["i_A"].split(), dtype=float) for r in rows]
    counts = [x.size for x in v]
    columns = {c: np.repeat([r[c] for r in rows], counts) for c in ("part", "junction", "type")}
    temp = np.repeat([float(r["temp_C"] or "nan") for r in rows], counts)
    return pd.DataFrame(columns | {"v_V": np.concatenate(v), "i_A": np.concatenate(i), "temp_C": temp})


def judged(rows):
    """What `junction.sort` says of each row, a bag at a time: (verdict, evidence)."""
    import junction

    bags, said = defaultdict(list), {}
    for r in rows:
        bags[r["bag"]].append(r)
    for bag in bags.values():
        for found in junction.sort(frame(bag), plots=0).to_dict()["parts"]:
            own = found["junctions"][0] if found["junctions"] else found
            said[found["part"]] = (own["verdict"], " ".join(own["evidence"] or found["evidence"]))
    return [said.get(r["part"], ("none", "not in the answer")) for r in rows]


def outcome(row, verdict):
    """``right``, ``undecided`` or ``wrong``."""
    if verdict in ("undecided", "none"):
        return "undecided"
    return "right" if verdict in row["right"].split("|") else "wrong"


def figures(rows, said):
    """Wrong verdicts; share of clear faults found; share of sound parts undecided, poor and fair."""
    outcomes = [outcome(r, verdict) for r, (verdict, _) in zip(rows, said, strict=True)]
    shown = [o == "right" for r, o in zip(rows, outcomes, strict=True) if r["inside"]]
    blind = {grade: [o == "undecided" for r, o in zip(rows, outcomes, strict=True)
                     if r["decidable"] and r["grade"] == grade] for grade in ("poor", "fair")}  # fmt: skip
    return {"sweeps": len(rows), "wrong": outcomes.count("wrong"), "found": float(np.mean(shown)),
            "faults inside": len(shown), "undecided poor": float(np.mean(blind["poor"])),
            "undecided fair": float(np.mean(blind["fair"])), "sound poor": len(blind["poor"]),
            "sound fair": len(blind["fair"])}  # fmt: skip


def report(rows):
    """Print what the judge makes of the rows, by instrument, by kind and by fault, and each wrong verdict."""
    said = judged(rows)
    table = {c: defaultdict(Counter) for c in ("instrument", "kind", "fault")}
    wrong = []
    for row, (verdict, evidence) in zip(rows, said, strict=True):
        o = outcome(row, verdict)
        for c, t in table.items():
            t[row[c]][o] += 1
            t[row[c]]["parts"] += 1
            if row["inside"]:
                t[row[c]]["inside"] += 1
                t[row[c]]["found"] += o == "right"
            if row["decidable"]:
                t[row[c]]["sound"] += 1
                t[row[c]]["sound undecided"] += o == "undecided"
        if o == "wrong":
            wrong.append(f"{row['part']} {row['instrument']} | {row['kind']} {row['junction']} {row['type']} "
                         f"| {row['fault']} {row['fault_value']}{'' if row['inside'] else ' (not inside)'}: "
                         f"{verdict} for {row['right']} | {evidence[:140]}")  # fmt: skip
    names = ("parts", "wrong", "undecided", "right", "inside", "found", "sound", "sound undecided")
    for c, t in table.items():
        print(f"{c:24s}" + "".join(f"{x:>16s}" if x == names[-1] else f"{x:>10s}" for x in names))
        for name, count in t.items():
            print(f"{name:24s}" + "".join(f"{count[x]:16d}" if x == names[-1] else f"{count[x]:10d}"
                                          for x in names))  # fmt: skip
    for line in wrong:
        print(line)
    print(", ".join(f"{k} {v:.3f}" if isinstance(v, float) else f"{k} {v}"
                    for k, v in figures(rows, said).items()))  # fmt: skip


if __name__ == "__main__":
    if sys.argv[1:] == ["renew"]:
        renew()
    elif sys.argv[1:2] == ["report"]:
        report(everything(int(sys.argv[2])) if len(sys.argv) > 2 else frozen())
    else:
        sys.exit(__doc__)
