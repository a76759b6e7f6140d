"""Time and memory of `junction sort --json` on sweeps, on the law and off it, beside two peers in one run.

    python -m tests.benchmarks.sort_speed [--sweeps 10000] [--runs 3]
    python -m tests.benchmarks.sort_speed --long         one sweep of 1,000,000 points
    python -m tests.benchmarks.sort_speed --rows 8e6     peak memory with a file of so many rows

The peers are a bare `pandas.read_csv` of the file, and that with a loop of `scipy.optimize.curve_fit` over
the sweeps (on a part of them, scaled).  All run as whole processes on the same files, taking turns, the least
of the runs counts; processor time stands beside wall time, because other work on the machine disturbs it
less.  Off the law, currents lie 2 % off in a slow wave and a second exponential lifts the foot (`bag`).
Memory is the high-water mark of the resident set.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

WRITE = (
    "import sys; from pathlib import Path; from tests.benchmarks.sort_speed import write_bag; "
    "write_bag(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4]))"
)
IMPORT = "import pandas"
READ = "import sys, pandas; pandas.read_csv(sys.argv[1])"
LOOP = "import sys; from tests.benchmarks.sort_speed import curve_fit_loop; curve_fit_loop(sys.argv[1])"
SORT = (
    "import os, sys; from junction.cli.main import main; "
    "sys.exit(main(['sort', sys.argv[1], '--json', sys.argv[1] + '.json']))"
)


def write_bag(path: Path, sweeps: int, points: int, off: float) -> None:
    """The benchmark bag as a long CSV, one row a point; a tenth of its parts are leaky, shorted or open.

    Written in portions, as a table of 8 million rows need not stand in memory.
    """
    from tests.benchmarks.bag import bag

    with open(path, "w", encoding="utf-8") as file:
        file.write("part,junction,v_V,i_A\n")
        for first in range(0, sweeps, 10_000):
            n = min(10_000, sweeps - first)
            table = bag(n, points, seed=20261125 + first, spoiled=0.1 if n > 1 else 0.0, off=off)
            for k in range(n):
                at = table.points(k)
                file.writelines(
                    f"P{first + k:06d},AK,{v:.5f},{i:.5e}\n"
                    for v, i in zip(table.v_V[at], table.i_A[at], strict=True)
                )


def curve_fit_loop(path: str) -> None:
    """What one would write by hand: read, group, and fit the law to the logarithm of the forward current."""
    import warnings

    import numpy as np
    import pandas
    from scipy.optimize import curve_fit
    from scipy.special import wrightomega

    def law(v, ln_is, n, ln_rs, ln_g):
        vt, rs, i0 = 0.025693 * n, np.exp(ln_rs), np.exp(ln_is)
        drop = wrightomega(ln_is + np.log(rs / vt) + (v + i0 * rs) / vt) * vt
        return np.arcsinh((drop / rs - i0 + v * np.exp(ln_g)) / 2e-9)

    warnings.simplefilter("ignore")
    for _, one in pandas.read_csv(path).groupby("part", sort=False):
        v, i = one["v_V"].to_numpy(), one["i_A"].to_numpy()
        try:
            curve_fit(law, v, np.arcsinh(i / 2e-9), (-30.0, 1.05, 0.0, -18.0))
        except RuntimeError:
            continue


def run(code: str, *arguments: str) -> tuple[float, float, float]:
    """Processor time [s], wall time [s] and peak resident memory [bytes] of a process."""
    first = time.perf_counter()
    with open(os.devnull, "w") as sink:
        child = subprocess.Popen(
            [sys.executable, "-c", code, *arguments], stdout=sink, stderr=subprocess.PIPE
        )
        error = child.stderr.read()
        _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in (0, 1):
        raise RuntimeError(error.decode(errors="replace")[-2000:])
    return usage.ru_utime + usage.ru_stime, time.perf_counter() - first, usage.ru_maxrss * 1024.0


def written(path: Path, sweeps: int, points: int = 80, off: float = 0.0) -> str:
    """Write a bag by a process of its own: a child's high-water mark starts at its parent's."""
    subprocess.run([sys.executable, "-c", WRITE, str(path), *map(str, (sweeps, points, off))], check=True)
    return str(path)


def measure(folder: Path, sweeps: int, runs: int, peers: int) -> dict[str, tuple[float, float, float]]:
    """Least processor and wall time and largest memory of each process, by its name and the kind of bag.

    The loop is timed on `peers` sweeps, less the reading of so many, and scaled.
    """
    best: dict[str, tuple[float, float, float]] = {}
    bags = {}
    for kind, off in (("on", 0.0), ("off", 0.02)):
        whole = written(folder / f"{kind}.csv", sweeps, off=off)
        bags[kind] = whole, written(folder / f"few {kind}.csv", peers, off=off)
    for _ in range(runs):
        for kind, (path, few) in bags.items():
            for name, code, file in (
                ("read_csv", READ, path), ("sort", SORT, path), ("few", READ, few), ("loop", LOOP, few),
            ):  # fmt: skip
                got, key = run(code, file), f"{name} {kind}"
                old = best.get(key, got)
                best[key] = min(got[0], old[0]), min(got[1], old[1]), max(got[2], old[2])
    for kind in bags:
        few, loop, read = (best[f"{name} {kind}"] for name in ("few", "loop", "read_csv"))
        scaled = [r + (a - b) * sweeps / peers for r, a, b in zip(read[:2], loop[:2], few[:2], strict=True)]
        best[f"loop {kind}"] = *scaled, loop[2]
    return best


def main(argv=None) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sweeps", type=int, default=10_000)
    parser.add_argument("--peers", type=int, default=500)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--long", action="store_true")
    parser.add_argument("--rows", type=float, default=0)
    chosen = parser.parse_args(argv)
    say = sys.stdout.write
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if chosen.long or chosen.rows:
            points = 1_000_000 if chosen.long else 80
            path = written(folder / "bag.csv", 1 if chosen.long else int(chosen.rows) // 80, points)
            for what, code in (("import pandas", IMPORT), ("read_csv", READ), ("sort", SORT)):
                cpu, wall, peak = run(code, path)
                say(f"{what:14s} processor {cpu:7.2f} s  wall {wall:7.2f} s  {peak / 1e6:7.0f} MB peak\n")
            return 0
        best = measure(folder, chosen.sweeps, chosen.runs, min(chosen.peers, chosen.sweeps))
    for what, (cpu, wall, peak) in best.items():
        if not what.startswith("few"):
            say(f"{what:14s} processor {cpu:7.2f} s  wall {wall:7.2f} s  {peak / 1e6:7.0f} MB peak\n")
    for k, clock in enumerate(("processor", "wall")):
        for kind in ("on", "off"):
            read, sort, loop = (best[f"{what} {kind}"][k] for what in ("read_csv", "sort", "loop"))
            say(f"{clock:9s} {kind:3s} the law: sort {sort / read:.1f} times read_csv (budget 6), "
                f"the curve_fit loop {loop / sort:.1f} times sort (budget 4)\n")  # fmt: skip
        say(f"{clock:9s} off against on: {best['sort off'][k] / best['sort on'][k]:.2f} (budget 1.5)\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
