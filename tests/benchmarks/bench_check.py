"""Times of lead finding and of the whole `junction check` process, as ratios in one run.

    python -m tests.benchmarks.bench_check [--runs 7]

Budgets: 1,000 parts of six readings in under 5 s; a `junction check` with readings on the line in at most
3 times the time of ``python -c "import numpy"``.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time

import numpy as np

from junction.base.records import PartReadings, Reading
from junction.leads.verdict import judge_readings
from junction.shelf.tables import default_meter

CASES = {
    "good": "B-E=0.642 E-B=OL B-C=0.636 C-B=OL C-E=OL E-C=OL",
    "leaky": "B-E=0.34 E-B=0.34 B-C=0.636 C-B=OL C-E=OL E-C=0.72",
    "all shorted": "1-2=0.002 2-1=0.002 1-3=0.002 3-1=0.002 2-3=0.002 3-2=0.002",
    "one reading": "B-E=0.6",
    "with a type": "--type 2N3055 B-E=0.542 E-B=OL B-C=0.536 C-B=OL C-E=OL E-C=OL",
}


def bag(count: int) -> list[PartReadings]:
    """Parts with six readings of unknown leads: half of them good, half with a short or leak."""
    rng = np.random.default_rng(1)
    parts = []
    for k in range(count):
        drop = rng.uniform(0.5, 0.7)
        base, *rest = rng.permutation(3) + 1
        value = {(base, rest[0]): drop + 0.007, (base, rest[1]): drop}
        if k % 2:
            path = rng.uniform(0.001, 0.9)
            value[rest[0], rest[1]] = value[rest[1], rest[0]] = path
        parts.append(PartReadings(f"P{k}", tuple(
            Reading(f"{a}-{b}", "volt", round(float(value[a, b]), 3)) if (a, b) in value
            else Reading(f"{a}-{b}", "over")
            for a in (1, 2, 3) for b in (1, 2, 3) if a != b
        )))  # fmt: skip
    return parts


def run_once(command: list[str], env: dict[str, str]) -> tuple[float, float]:
    """Wall time and processor time of a command [s]."""
    before, start = os.times(), time.perf_counter()
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True, env=env)
    wall, after = time.perf_counter() - start, os.times()
    return wall, after.children_user + after.children_system - before.children_user - before.children_system


def process_times(commands: dict[str, list[str]], runs: int, env: dict[str, str]) -> dict[str, list[float]]:
    """Least wall and processor time of each command [s], the commands taking turns on a busy machine."""
    best = {name: [np.inf, np.inf] for name in commands}
    for k in range(runs + 1):
        for name, command in commands.items():
            times = run_once(command, env)
            if k:  # the first round warms the caches
                best[name] = [min(pair) for pair in zip(best[name], times, strict=True)]
    return best


def main(argv=None) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--parts", type=int, default=1000)
    args = parser.parse_args(argv)
    parts = bag(args.parts)
    start = time.perf_counter()
    judge_readings(parts, default_meter())
    took = time.perf_counter() - start
    sys.stdout.write(
        f"lead finding, {len(parts)} parts of six readings: {took:.2f} s (budget 5 s for 1,000)\n"
    )
    with tempfile.TemporaryDirectory() as cache:  # byte code as an installed package has it
        env = {**os.environ, "PYTHONPYCACHEPREFIX": cache}
        env.pop("PYTHONDONTWRITEBYTECODE", None)
        check = [sys.executable, "-m", "junction", "check"]
        commands = {"import numpy": [sys.executable, "-c", "import numpy"]}
        commands |= {f"check, {name}": [*check, *words.split()] for name, words in CASES.items()}
        best = process_times(commands, args.runs, env)
    base = best["import numpy"]
    for name, t in best.items():
        sys.stdout.write(
            f"{name}: {t[0]:.3f} s, {t[0] / base[0]:.2f} times import numpy (budget 3); "
            f"processor {t[1]:.2f} s, {t[1] / base[1]:.2f} times\n"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
