"""Matching against ngspice: what the chosen sets are worth, and whether intervals mean what they say.

Source of truth: ngspice with the batches of `match_bags`, which share nothing with `junction`; what it
measures of the parts and what every pair does in its stage is frozen in data/bench_match.npz.  The
instruments' errors are drawn here, so that one frozen bag gives as many benches as are asked for.  All parts
are invented.

    python -m tests.external.bench_match renew       draws and solves all bags, writes data/bench_match.npz
    python -m tests.external.bench_match report      matches the frozen bags, prints a table by way
    python -m tests.external.bench_match report 7    the same of other bags, drawn with seed 7: unseen ones
"""

import sys
from collections import defaultdict
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd

from tests.external import match_bags as bags
from tests.external.match_bags import Point

DATA = Path(__file__).parent / "data" / "bench_match.npz"
SEED = 20261129
#: V_CE of curves and spot readings away from the stage, and of the socket [V].
LOW_VCE, BENCH_VCE, SOCKET_VCE = 2.0, 5.0, 2.8
#: V_BE of the curves: from, to, step [V]; for a Darlington from and to are twice that.
SWEEP = (0.42, 0.96, 0.02)
WAYS = (
    "curves at the stage's V_CE",
    "curves at 5 V",
    "curves at 2 and 5 V",
    "two spots",
    "one spot",
    "diode mode and socket",
)


@dataclass(eq=False)
class Case:
    """A bag, its stage and its bench; arrays as ngspice gave them (`solve`)."""

    name: str
    kind: str
    n: int
    polarity: str
    differential: bool
    options: dict  # of junction.match
    points: tuple  # idle and peak
    rth: float  # [K/W]
    test_A: float  # of the meter's diode mode
    socket: str  # 'ib': 10 uA of base current; 'ic': 1.5 mA of collector current
    spread_K: float  # of the parts' temperatures
    found: dict

    @property
    def side_by_side(self):
        return self.spread_K < 0.1

    @property
    def imbalance(self):
        """By ngspice, at idle and peak (2, pairs)."""
        return np.abs(self.found["signed"])

    @property
    def parts(self):
        return [f"Q{k + 1:02d}" for k in range(self.n)]

    @property
    def pairs(self):
        return list(combinations(range(self.n), 2))


def _round(x, digits=2):
    return float(f"{x:.{digits}g}")


def plan(seed=SEED):
    """All cases of a seed, without what ngspice finds."""
    rng = np.random.default_rng(seed)
    out = []
    for kind in bags.KINDS:
        for n in (12, 24):
            for polarity in ("NPN", "PNP"):
                temp = _round(rng.uniform(25, 65))
                options = {"junction_temperature": f"{temp}C"}
                if kind in ("small", "medium"):
                    small = kind == "small"
                    idle = _round(rng.uniform(8e-3, 20e-3) if small else rng.uniform(0.03, 0.08))
                    peak = _round(rng.uniform(0.08, 0.16) if small else rng.uniform(0.8, 1.6))
                    re = float(rng.choice([4.7, 6.8, 10] if small else [0.47, 1.0, 1.5]))
                    rb = float(rng.choice([0, 47, 100] if small else [0, 4.7, 10]))
                    vce = _round(rng.uniform(20, 40))
                    options |= {"idle_current": f"{idle}A", "peak_current": f"{peak}A", "vce": f"{vce}V"}
                    idle_V = peak_V = vce
                    jc = 80.0 if small else 8.0
                else:
                    power, load = _round(rng.uniform(40, 80)), 8.0
                    swing = (2 * power * load) ** 0.5
                    idle_V = _round(swing + rng.uniform(4, 8))
                    peak_V, peak = idle_V - swing, swing / load
                    re = float(rng.choice([0.1, 0.22, 0.33]))
                    rb = float(rng.choice([0, 1.0, 2.2] if kind == "power" else [0, 10, 22]))
                    idle = _round(2 * rng.uniform(0.015, 0.026) / re)
                    options |= {
                        "idle_current": f"{idle}A",
                        "power": f"{power}W",
                        "load": "8ohm",
                        "supply": f"{idle_V}V",
                    }
                    jc = 1.0
                options |= {
                    "emitter_resistor": f"{re}ohm",
                    "rth_junction_case": f"{jc}K/W",
                    "rth_case_sink": "0.5K/W",
                }
                if rb:
                    options["base_resistor"] = f"{rb}ohm"
                points = Point(idle, idle_V, temp, re, rb), Point(peak, peak_V, temp, re, rb)
                out.append(
                    Case(
                        f"{kind} {n} {polarity}",
                        kind,
                        n,
                        polarity,
                        False,
                        options,
                        points,
                        jc + 0.5,
                        1e-3 * rng.uniform(0.8, 1.2),
                        "ib" if rng.random() < 0.6 else "ic",
                        rng.uniform(1.2, 2.0),
                        {},
                    )
                )
    for k in range(6):
        own, vce, temp = (
            float(rng.choice([1e-3, 1.5e-3, 2e-3])),
            _round(rng.uniform(5, 30)),
            _round(rng.uniform(25, 40)),
        )
        options = {
            "idle_current": f"{2 * own}A",
            "peak_current": f"{2 * own}A",
            "vce": f"{vce}V",
            "junction_temperature": f"{temp}C",
            "emitter_resistor": "0ohm",
        }
        p = Point(2 * own, vce, temp, 0.0, 0.0)
        out.append(
            Case(
                f"differential {k + 1}",
                "small",
                12,
                ("NPN", "PNP")[k % 2],
                True,
                options,
                (p, p),
                0.0,
                1e-3 * rng.uniform(0.8, 1.2),
                "ib" if rng.random() < 0.6 else "ic",
                0.05 if k >= 3 else rng.uniform(1.2, 2.0),
                {},
            )
        )
    return out


def spot_nominal_A(case):
    """Collector currents that spots are taken at: two of them, and the only one."""
    idle, peak = (p.total_A / 2 for p in case.points)
    two = (0.5 * idle, 2 * idle) if case.differential else (idle, 0.6 * peak)
    return np.array([*two, idle if case.differential else 2.5 * idle])


def solve(case, seed):
    """What ngspice finds of a case."""
    rng = np.random.default_rng(seed)
    batch = bags.draw_batch(rng, case.kind, case.n, case.spread_K)
    idle, peak = case.points
    scale = len(bags.KINDS[case.kind])
    start, stop, step = scale * SWEEP[0], scale * SWEEP[1], SWEEP[2]
    found = {"temp_C": batch.temp_C}
    volts = (LOW_VCE, BENCH_VCE, idle.vce_V)
    found["vbe"], found["ic"], found["ib"] = bags.curves(batch, volts, (start, stop, step))
    set_A = spot_nominal_A(case)[:, None] * (1 + 0.02 * rng.standard_normal((3, case.n)))
    found["spot_vbe"], found["spot_ic"], found["spot_ib"] = bags.at_emitter_current(
        batch, set_A, [BENCH_VCE] * 3, batch.temp_C
    )
    base = 10e-6 * rng.uniform(0.93, 1.07)
    found["diode_be"], found["diode_bc"], socket = bags.meter(batch, case.test_A, base, SOCKET_VCE)
    found["socket_ib"] = socket / base
    _, ic, ib = bags.at_emitter_current(batch, np.full((1, case.n), 1.5e-3), [BENCH_VCE], batch.temp_C)
    found["socket_ic"] = (ic / ib)[0]
    shares = [p.total_A / 2 for p in case.points]
    found["true_vbe"], found["true_ib"] = bags.at_collector_current(
        batch, shares, [p.vce_V for p in case.points], idle.temp_C
    )
    pairs = case.pairs
    if case.differential:
        i = np.array([bags.share_bare(batch, pairs, idle.total_A, idle.vce_V, idle.temp_C)] * 2)
    else:
        i = bags.share(batch, pairs, case.points)
    found["signed"] = -np.diff(i)[..., 0] / i.sum(axis=-1)
    if case.rth:
        i = bags.share(batch, pairs, case.points[:1], case.rth)
        found["hot"] = np.abs(np.diff(i)[0, :, 0]) / i[0].sum(axis=-1)
    return found


def simulate(seed=SEED, tell=False):
    """All cases of a seed with what ngspice finds."""
    out = plan(seed)
    for number, case in enumerate(out):
        case.found = solve(case, (seed, number))
        if tell:
            print(case.name, case.options, flush=True)
    return out


def renew():
    arrays = {}
    for number, case in enumerate(simulate(tell=True)):
        arrays |= {
            f"{number}/{name}": np.asarray(x, np.float32 if np.ndim(x) > 1 and name != "true_vbe" else float)
            for name, x in case.found.items()
        }
    np.savez_compressed(DATA, **arrays)


@cache
def frozen():
    """The frozen cases."""
    out = plan()
    with np.load(DATA) as arrays:
        for key in arrays.files:
            number, name = key.split("/")
            out[int(number)].found[name] = np.asarray(arrays[key], float)
    return out


# --------------------------------------------------------------------------------------------- the bench


def _noted_temp(case, rng, recorded):
    """Column of temperatures: a thermometer good to half a kelvin, or none."""
    if not recorded:
        return {}
    return {"temp_C": np.round(case.found["temp_C"] + rng.uniform(-0.5, 0.5, case.n), 1)}


def log(case, way, recorded, rng):
    """What a bench writes down: a table for `junction.match`."""
    f, n, parts = case.found, case.n, np.array(case.parts)
    temp = _noted_temp(case, rng, recorded)
    if way.startswith("curves"):
        volts = {WAYS[0]: (2,), WAYS[1]: (1,), WAYS[2]: (0, 1)}[way]
        least, most = (p.total_A / 2 for p in case.points)
        least, most = max(least / 20, 2e-6), 1.2 * most
        gain = 1 + np.array([1e-3, 5e-3, 5e-3]) * rng.uniform(-1, 1, 3)  # of v, i_c and i_b: one instrument's
        rows = []
        noise_V = rng.uniform(1e-4, 3e-4)
        for j in volts:
            vce = (LOW_VCE, BENCH_VCE, case.points[0].vce_V)[j]
            for k in range(n):
                ic, ib = f["ic"][j, k], f["ib"][j, k]
                keep = np.flatnonzero((ic > least) & (ic < most))
                v = f["vbe"][keep] * gain[0] + noise_V * rng.standard_normal(keep.size)
                ic, ib = (
                    x[keep] * g * (1 + 3e-3 * rng.standard_normal(keep.size))
                    for x, g in ((ic, gain[1]), (ib, gain[2]))
                )
                rows.append(
                    pd.DataFrame(
                        {
                            "part": parts[k],
                            "polarity": case.polarity,
                            "vce_V": vce,
                            "vbe_V": np.round(v, 5),
                            "ib_A": _sig(ib),
                            "ic_A": _sig(ic),
                        }
                        | {key: x[k] for key, x in temp.items()}
                    )
                )
        return pd.concat(rows, ignore_index=True)
    if "spot" in way:
        rows = []
        noise_V, noise_h, noise_i = (
            rng.uniform(5e-4, 1.2e-3),
            rng.uniform(0.01, 0.025),
            rng.uniform(0.005, 0.012),
        )
        gain = 1 + np.array([2e-3, 1e-2, 1e-2]) * rng.uniform(-1, 1, 3)
        for j in (0, 1) if way == "two spots" else (2,):
            v = f["spot_vbe"][j] * gain[0] + noise_V * rng.standard_normal(n)
            ic = f["spot_ic"][j] * gain[1] * (1 + noise_i * rng.standard_normal(n))
            h = f["spot_ic"][j] / f["spot_ib"][j] * gain[2] * (1 + noise_h * rng.standard_normal(n))
            rows.append(
                pd.DataFrame(
                    {
                        "part": parts,
                        "polarity": case.polarity,
                        "ic_A": _sig(ic),
                        "vbe_mV": np.round(1000 * v),
                        "hFE": _sig(h, 3),
                    }
                    | temp
                )
            )
        return pd.concat(rows, ignore_index=True)
    gain, offset = 1 + 0.01 * rng.uniform(-1, 1, 2), rng.uniform(-2e-3, 2e-3)
    be, bc = (
        np.round(x * gain[0] + offset + 4e-4 * rng.standard_normal(n), 3)
        for x in (f["diode_be"], f["diode_bc"])
    )
    h = f["socket_" + case.socket] * gain[1] * (1 + 0.015 * rng.standard_normal(n))
    forward = ("B-E", "B-C") if case.polarity == "NPN" else ("E-B", "C-B")
    table = {"part": parts, "polarity": case.polarity, forward[0]: be, forward[1]: bc, "hFE": _sig(h, 3)}
    if case.socket == "ic":
        table["ic_mA"] = 1.5
    return pd.DataFrame(table | temp)


def _sig(x, digits=5):
    return [float(f"{v:.{digits}g}") for v in x]


# ------------------------------------------------------------------------------------------------- figures


def least_pairs(cost, n):
    """The pairs of least total cost (networkx, blossom algorithm)."""
    import networkx as nx

    graph = nx.Graph()
    for (a, b), c in zip(combinations(range(n), 2), cost.tolist(), strict=True):
        graph.add_edge(a, b, weight=c)
    return [tuple(sorted(e)) for e in nx.min_weight_matching(graph)]


def possible(case, off_K):
    """Total cost of the pairs chosen by who knows the parts, and their temperatures to `off_K` (n,)."""
    a, b = np.array(case.pairs).T
    away = np.zeros((len(a), case.n))
    away[range(len(a)), a], away[range(len(a)), b] = 1.0, -1.0
    seen = []
    for q, p in enumerate(case.points):
        place = np.linalg.lstsq(away, np.arctanh(case.found["signed"][q]), rcond=None)[0]
        slope = 2 * (8.617e-5 * (p.temp_C + 273.15) * len(bags.KINDS[case.kind]) + p.total_A / 2 * p.re_ohm)
        place = place + 2e-3 * len(bags.KINDS[case.kind]) * off_K / slope
        seen.append(np.abs(np.tanh(place[a] - place[b])))
    place_of = {pair: k for k, pair in enumerate(case.pairs)}
    cost = case.imbalance.mean(axis=0)
    return sum(cost[place_of[pair]] for pair in least_pairs(np.mean(seen, axis=0), case.n))


def by_hand(case, table):
    """Total cost of neighbours in the order of V_BE, those that read alike in the order of h_FE."""
    v = table[[c for c in ("B-E", "E-B") if c in table][0]].to_numpy()
    order = np.lexsort((table["hFE"].to_numpy(), v))
    return [tuple(sorted(map(int, order[k : k + 2]))) for k in range(0, case.n, 2)]


def outcome(case, way, recorded, seed):
    """One bench of one case: what the chosen sets are worth and what held.

    Returns
    -------
    dict of str to float or list
        Cost over the least possible: ``ratio`` of the chosen sets, ``possible``, ``random`` by chance,
        ``hand`` (`by_hand`); lists of bool ``idle``, ``peak``, ``hot``, ``dvbe``, ``hfe`` (held), ``limit``
        and ``A`` (kept).
    """
    import junction

    rng = np.random.default_rng((seed, WAYS.index(way), recorded, *case.name.encode()))
    table = log(case, way, recorded, rng)
    more = {"side_by_side": True} if case.side_by_side else {}
    report = junction.match(table, **case.options, **more).report
    for mine, theirs in zip(case.points, (report.stage.idle, report.stage.peak), strict=True):
        assert abs(mine.vce_V - theirs.vce_V) < 1e-6, (case.name, mine, theirs)
        assert abs(mine.total_A / theirs.total_A - 1) < 1e-6
        assert abs(mine.temp_C - theirs.temp_C) < 1e-6
    place = {pair: k for k, pair in enumerate(case.pairs)}
    f = case.found
    cost = 0.5 * case.imbalance.sum(axis=0)
    least = sum(cost[place[pair]] for pair in least_pairs(cost, case.n))
    out = defaultdict(list)
    total = 0.0
    for s in report.sets:
        pair = tuple(sorted(int(p[1:]) - 1 for p in s.parts))
        k = place[pair]
        total += cost[k]
        real = {"idle": case.imbalance[0, k], "peak": case.imbalance[1, k]}
        told = {"idle": s.imbalance_idle, "peak": s.imbalance_peak, "dvbe": s.dvbe_V, "hfe": s.hfe_ratio}
        real["dvbe"] = abs(f["true_vbe"][0, pair[0]] - f["true_vbe"][0, pair[1]])
        h = f["true_ib"][1, list(pair)]
        real["hfe"] = h.min() / h.max()
        if "hot" in f and s.imbalance_idle_heated is not None:
            real["hot"], told["hot"] = f["hot"][k], s.imbalance_idle_heated
        for name, x in told.items():
            out[name].append(bool(x.low <= real[name] <= x.high))
        limits = s.imbalance_idle_limit_95, s.imbalance_peak_limit_95
        out["limit"] += [bool(a <= b) for a, b in zip(case.imbalance[:, k], limits, strict=True)]
        out["grade"].append(s.grade)
        if s.grade == "A":
            out["A"].append(bool(max(case.imbalance[:, k]) <= 0.05))
    made = len(report.sets) * 2 == case.n
    out["ratio"] = total / least if made else np.nan
    if way == WAYS[-1]:
        out["hand"] = sum(cost[place[p]] for p in by_hand(case, table)) / least
    off = f["temp_C"] - f["temp_C"].mean()
    if recorded:
        off = table.groupby("part")["temp_C"].first().to_numpy() - f["temp_C"]
    out["possible"] = possible(case, off) / least
    out["random"] = cost.mean() * case.n / 2 / least
    return out


def figures(cases, ways=WAYS, benches=1, kinds=None):
    """Outcomes by (way, recorded, differential)."""
    from junction.base.errors import InputError

    out = defaultdict(list)
    for case in cases:
        if kinds and case.kind not in kinds:
            continue
        for way in ways:
            if case.differential and way in WAYS[2:3]:
                continue
            for recorded in (True, False):
                if case.side_by_side and recorded:
                    continue
                for bench in range(benches):
                    try:
                        found = outcome(case, way, recorded, bench)
                    except InputError as error:
                        found = {"error": str(error)}
                    found["case"] = case
                    out[
                        way,
                        "side by side" if case.side_by_side else "recorded" if recorded else "not recorded",
                        case.differential,
                    ].append(found)
    return out


def report(cases, benches=1, by_kind=False):
    """Print all figures."""
    found = figures(cases, benches=benches)
    head = f"{'way':28}{'temperature':14}{'ratio':>7}{'worst':>7}{'can be':>7}{'rand':>6}"
    head += (
        "".join(f"{x:>7}" for x in ("idle", "peak", "hot", "dvbe", "hfe", "limit"))
        + f"{'A kept':>12}{'ABC-':>16}"
    )
    for differential in (False, True):
        print("\n" + ("differential pairs" if differential else "pairs with emitter resistors"))
        print(head)
        for (way, temp, diff), every in sorted(found.items(), key=lambda x: (x[0][1], WAYS.index(x[0][0]))):
            if diff != differential:
                continue
            groups = {"": every}
            if by_kind:
                groups |= {f"  {k}": [e for e in every if e["case"].kind == k] for k in bags.KINDS}
            for label, rows in groups.items():
                rows = [e for e in rows if "ratio" in e]
                if not rows:
                    if not label:
                        print(f"{way:28}{temp:14} {every[0].get('error', '')[:60]}")
                    continue
                ratio = [e["ratio"] for e in rows]
                line = f"{(label or way)[:27]:28}{temp:14}{np.nanmean(ratio):7.3f}{np.nanmax(ratio):7.3f}"
                could, chance = (np.mean([e[x] for e in rows]) for x in ("possible", "random"))
                line += f"{could:7.3f}{chance:6.1f}"
                for name in ("idle", "peak", "hot", "dvbe", "hfe", "limit"):
                    all_ = [x for e in rows for x in e[name]]
                    line += f"{100 * np.mean(all_):7.1f}" if all_ else f"{'':7}"
                kept = [x for e in rows for x in e["A"]]
                line += f"{sum(kept):>7}/{len(kept):<4}"
                grades = [g for e in rows for g in e["grade"]]
                line += "  " + " ".join(str(grades.count(g)) for g in ("A", "B", "C", "none"))
                if any("hand" in e for e in rows):
                    hand = [e["hand"] for e in rows if "hand" in e]
                    line += f"  by hand {np.mean(hand):.2f}, factor {np.nanmean(np.array(hand) / ratio):.2f}"
                print(line)
    return found


if __name__ == "__main__":
    if sys.argv[1:] == ["renew"]:
        renew()
    elif sys.argv[1:2] == ["report"]:
        seeds = [x for x in sys.argv[2:] if x.isdigit()]
        cases = simulate(int(seeds[0])) if seeds else frozen()
        report(cases, benches=int(seeds[1]) if len(seeds) > 1 else 1, by_kind="kinds" in sys.argv)
    else:
        print(__doc__)
