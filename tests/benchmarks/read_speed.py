"""Processor time of reading 800,000 rows of sweeps beside a bare ``pandas.read_csv`` of the same file.

    python -m tests.benchmarks.read_speed [--runs 7]

Also with two bad rows in the file, which send it down the careful road once.
"""

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from junction.intake.read import read_paths


def write(path: Path, spoiled: bool) -> None:
    """10,000 sweeps of 80 points, about 25 MB."""
    v = np.linspace(-1, 0.75, 80)
    rng = np.random.default_rng(1)
    with path.open("w") as file:
        file.write("part,junction,v_V,i_A\n")
        for k in range(10_000):
            i = 1e-12 * np.expm1(v / 0.0257) + rng.normal(0, 1e-9, 80)
            file.writelines(f"P{k:05d},BE,{a:.4f},{b:.6e}\n" for a, b in zip(v, i, strict=True))
            if spoiled and k in (5000, 6250):
                file.write(f"P{k:05d},BE,0.1,oops\n")


def cpu_seconds(call) -> float:
    """Processor time of one call."""
    start = time.process_time()
    call()
    return time.process_time() - start


def main() -> None:
    """Print the ratios."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=7)
    runs = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as folder:
        clean, bad = Path(folder, "clean.csv"), Path(folder, "bad.csv")
        write(clean, False)
        write(bad, True)
        for _ in range(2):
            read_paths([clean])
        bare = min(cpu_seconds(lambda: pd.read_csv(clean)) for _ in range(runs))
        for name, path in (("clean file", clean), ("two bad rows", bad)):
            ours = min(cpu_seconds(lambda path=path: read_paths([path])) for _ in range(runs))
            print(f"{name:14s} {ours:.3f} s, read_csv {bare:.3f} s, ratio {ours / bare:.2f}")


if __name__ == "__main__":
    main()
