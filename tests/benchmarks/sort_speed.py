"""Time and peak memory of `junction sort` on 10,000 sweeps of 80 points against `pandas.read_csv`.

    python -m tests.benchmarks.sort_speed [--sweeps 10000] [--runs 3]

Both run as whole processes on the same file, one after the other, the best of the runs counts.  Memory is
the high-water mark of the resident set; what an interpreter with pandas loaded takes before it opens the
file is shown beside it, because it does not grow with the file.
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
    "write_bag(Path(sys.argv[1]), int(sys.argv[2]))"
)
READ = "import sys, pandas; pandas.read_csv(sys.argv[1])"
IMPORT = "import pandas"
SORT = "import sys; from junction.cli.main import main; sys.exit(main(['sort', sys.argv[1]]))"


def write_bag(path: Path, sweeps: int) -> None:
    """The benchmark bag as a long CSV, one row a point; a tenth of its parts are leaky, shorted or open."""
    from tests.benchmarks.bag import bag

    table = bag(sweeps, spoiled=0.1)
    with open(path, "w", encoding="utf-8") as file:
        file.write("part,junction,v_V,i_A\n")
        for k, part in enumerate(table.part):
            at = table.points(k)
            file.writelines(
                f"{part},AK,{v:.5f},{i:.5e}\n" for v, i in zip(table.v_V[at], table.i_A[at], strict=True)
            )


def run(code: str, *arguments: str) -> tuple[float, float]:
    """Wall time [s] and peak resident memory [bytes] of a process."""
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
    return time.perf_counter() - first, usage.ru_maxrss * 1024.0


def main(argv=None) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sweeps", type=int, default=10_000)
    parser.add_argument("--runs", type=int, default=3)
    chosen = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bag.csv"
        # written by a process of its own: a child's high-water mark starts at its parent's
        subprocess.run([sys.executable, "-c", WRITE, str(path), str(chosen.sweeps)], check=True)
        size = path.stat().st_size
        best = {}
        for name, code in (("import pandas", IMPORT), ("read_csv", READ), ("junction sort", SORT)):
            runs = [run(code, str(path)) for _ in range(chosen.runs)]
            best[name] = min(t for t, _ in runs), max(m for _, m in runs)
            sys.stdout.write(f"{name:16s} {best[name][0]:7.3f} s  {best[name][1] / 1e6:7.1f} MB peak\n")
    time_ratio = best["junction sort"][0] / best["read_csv"][0]
    net = (best["junction sort"][0] - best["import pandas"][0]) / (
        best["read_csv"][0] - best["import pandas"][0]
    )
    memory = best["junction sort"][1] - best["import pandas"][1]
    sys.stdout.write(
        f"file {size / 1e6:.1f} MB; sort takes {time_ratio:.2f} times the bare read as processes, "
        f"{net:.2f} times without imports; peak memory {best['junction sort'][1] / size:.2f} times the file, "
        f"{memory / size:.2f} times without the interpreter and pandas\n"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
