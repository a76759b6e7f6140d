"""What of the reference tables could be changed without a test that notices: ``python -m tests.benchmarks.changed_cells``.

In a copy of the project one cell after the other is changed (a limit doubled, a window moved by a fifth, a prior by
five, a polarity, a lead order, a caution's words or its act, a unit, a cell emptied, a row or a source removed),
and the tests that hold tables are run over it.  Printed is what was noticed, by table and by kind of change, with
the held file (`tests.shelf.held`) and without it: then only second copies and behaviour are left.

    python -m tests.benchmarks.changed_cells --cells 200 --seed 1
    python -m tests.benchmarks.changed_cells --without-held     # minutes: wider tests for what narrow ones miss
"""

import argparse
import csv
import io
import os
import shutil
import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

TOP = Path(__file__).resolve().parents[2]
#: Run in this order until one notices.
HELD = (("tests/shelf/test_held.py",),)
NARROW = (
    ("tests/external/test_shelf_sheets.py", "tests/external/test_shelf_iec60063.py",
     "tests/external/test_shelf_families.py", "tests/external/test_shelf_registered.py", "tests/shelf/test_types.py",
     "tests/shelf/test_tables.py", "tests/shelf/test_names.py", "tests/shelf/test_numbers.py",
     "tests/shelf/test_ratings.py", "tests/judge/test_sentences.py", "tests/judge/test_limits.py"),
    ("tests/cli/test_cautions.py", "tests/golden/test_frozen.py", "tests/external/test_matched_duals.py",
     "tests/replace/test_known_substitutes.py", "tests/replace/test_substitute.py", "tests/replace/test_order.py"),
)  # fmt: skip
WIDER = (("tests/leads/test_leads.py", "tests/leads/test_readings.py", "tests/external/test_leads_rules.py"),
         ("tests/replace", "tests/sets"), ("tests/cli",), ("tests/verdict",))  # fmt: skip
TWO = {"NPN": "PNP", "PNP": "NPN", "BCE": "ECB", "ECB": "BCE", "EBC": "CBE", "CBE": "EBC", "BEC": "CEB",
       "CEB": "BEC", "yes": "", "bolted": "board", "board": "bolted"}  # fmt: skip
UNITS = {"V": "mV", "mV": "V", "A": "mA", "mA": "A", "uA": "mA", "nA": "uA", "pF": "nF", "MHz": "kHz",
         "ohm": "kohm", "%": "", "K": "mK", "s": "ms", "ns": "us"}  # fmt: skip


def table(folder, name):
    """Notes, heading and rows of a table."""
    lines = (folder / f"{name}.csv").read_text(encoding="utf-8").splitlines(True)
    heading, *rows = csv.reader(line for line in lines if line[:1] != "#")
    return [line for line in lines if line[:1] == "#"], heading, rows


def numeric(text):
    try:
        return float(text)
    except ValueError:
        return None


def changes(folder, name, random):
    """One change of each kind that the table allows: kind, row, column, the cell before, the one after."""
    _, heading, rows = table(folder, name)
    able = [(r, c, row[c]) for r, row in enumerate(rows) for c in range(1, len(heading)) if row[c]]
    found = {}

    def one(kind, cells, cell):
        if cells:
            r, c, old = cells[random.integers(len(cells))]
            found[kind] = (kind, r, c, old, cell(old) if callable(cell) else cell)

    def among(*columns):
        return [x for x in able if heading[x[1]] in columns]

    numbers = [x for x in able if numeric(x[2]) not in (None, 0)]
    limits = [x for x in numbers if heading[x[1]] in ("min", "max", "most", "least", "above", "below", "low", "high")
              or heading[x[1]].split("_")[-1] in ("V", "A", "W", "C")]  # fmt: skip
    windows = [x for x in numbers if "low" in heading[x[1]] or "high" in heading[x[1]] or name == "rules"]
    one("doubled", limits or numbers, lambda x: repr(2 * float(x)))
    one("ten times", [x for x in limits if name.startswith("limits")], lambda x: repr(10 * float(x)))
    one("a fifth", windows or numbers, lambda x: repr(float(x) * random.choice([0.8, 1.2])))
    one("five times", [x for x in numbers if heading[x[1]] in ("value", "weight", "share")],
        lambda x: repr(5 * float(x)))  # fmt: skip
    one("turned over", [x for x in able if x[2] in TWO], TWO.get)
    one("unit", [x for x in among("unit") if x[2] in UNITS], UNITS.get)
    one("words", among("text", "short", "called", "device", "says") if name == "cautions" or not numbers else [],
        lambda x: x.replace("never", "").replace("kill", "tickle").rsplit(" ", 1)[0] + " perhaps")  # fmt: skip
    if name == "cautions":
        others = sorted({row[0] for row in rows})
        whole = [(r, 0, row[0]) for r, row in enumerate(rows)]
        one("act", whole, lambda x: random.choice([other for other in others if other != x]))
    one("emptied", [x for x in able if heading[x[1]] != "source"], "")
    one("source removed", among("source"), "")
    found["row removed"] = ("row removed", int(random.integers(len(rows))), None, "", "")
    return [*found.values()]


def planned(folder, cells, seed):
    """Changes of all tables, as many from each as there are, those with more figures more often."""
    random = np.random.default_rng(seed)
    names = sorted(path.stem for path in folder.glob("*.csv"))
    bodies = {name: table(folder, name)[2] for name in names}
    size = np.array([sum(numeric(cell) is not None for row in bodies[n] for cell in row) ** 0.5 + 5 for n in names])
    plan, seen = [], set()
    while len(plan) < cells:
        name = names[len(plan)] if len(plan) < len(names) else random.choice(names, p=size / size.sum())
        able = changes(folder, name, random)
        change = able[random.integers(len(able))]
        if (name, change[1], change[2]) not in seen:
            seen.add((name, change[1], change[2]))
            plan.append((str(name), *change))
    return plan


def write(folder, name, row, column, cell):
    """The table with that change."""
    notes, heading, rows = table(folder, name)
    if column is None:
        del rows[row]
    else:
        rows[row][column] = cell
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([heading, *rows])
    (folder / f"{name}.csv").write_text("".join(notes) + text.getvalue(), encoding="utf-8")


def fails(top, tests):
    """The test that fails first, '' where all pass; in a child, which has the libraries but none of the project."""
    tests = [test for test in tests if (top / test).exists()]
    read, write_ = os.pipe()
    child = os.fork()
    if not child:
        os.chdir(top)
        sys.path[:] = [str(top), *(one for one in sys.path if one not in ("", str(TOP)))]
        for module in [one for one in sys.modules if one.split(".")[0] in ("tests", "junction")]:
            del sys.modules[module]  # those of the true place
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        import pytest

        class First:
            def pytest_runtest_logreport(self, report):
                if report.failed:
                    os.write(write_, f"{report.nodeid}\n".encode())

            def pytest_collectreport(self, report):
                if report.failed:
                    os.write(write_, f"{report.nodeid} is not collected\n".encode())

        status = pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--tb=no", *tests], [First()])
        os._exit(0 if status == 0 else 1)
    os.close(write_)
    with os.fdopen(read, encoding="utf-8") as pipe:
        first = pipe.readline().strip()
    _, status = os.waitpid(child, 0)
    return first or ("ended badly" if status else "")


def main(argv=None):
    """Run, and print; the exit status is 1 where less than nine of ten were noticed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cells", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--without-held", action="store_true", help="second copies and behaviour alone")
    parser.add_argument("--narrow", action="store_true", help="do not run wider tests for what is missed")
    given = parser.parse_args(argv)
    stages = (*(() if given.without_held else HELD), *NARROW, *(() if given.narrow else WIDER))
    import matplotlib.figure  # noqa: F401 - imported once, for all children
    import pandas  # noqa: F401
    import scipy.optimize  # noqa: F401

    told, by_kind, missed = Counter(), Counter(), []
    with tempfile.TemporaryDirectory() as place:
        top = Path(place) / "copy"
        skip = shutil.ignore_patterns(".git", ".venv", "*.egg-info", "__pycache__", "notebooks")
        shutil.copytree(TOP, top, ignore=skip)
        folder = top / "reference"
        first = fails(top, [test for stage in stages for test in stage])
        assert not first, f"fails without a change: {first}"
        for name, kind, row, column, old, new in planned(folder, given.cells, given.seed):
            path = folder / f"{name}.csv"
            true, first = path.read_bytes(), path.read_text(encoding="utf-8")
            _, heading, rows = table(folder, name)
            write(folder, name, row, column, new)
            assert path.read_text(encoding="utf-8") != first
            by = next(filter(None, (fails(top, stage) for stage in stages)), "")
            path.write_bytes(true)
            where = f"{name} {rows[row][0]!r}" + (f" {heading[column]}: {old!r} -> {new!r}" if column is not None else "")
            for count, key in ((told, name), (by_kind, kind)):
                count[key, bool(by)] += 1
            if not by:
                missed.append(f"{kind}: {where}")
            print(f"{kind:15} {where[:110]:110} {by or 'UNNOTICED'}", flush=True)
    print()
    for count in (told, by_kind):
        for key in sorted({key for key, _ in count}):
            print(f"{key:20} {count[key, True]:4d} of {count[key, True] + count[key, False]:4d} noticed")
        print()
    share = 1 - len(missed) / given.cells
    how = "without the held file" if given.without_held else "with the held file"
    print(*missed, f"{given.cells - len(missed)} of {given.cells} noticed ({100 * share:.1f} %) {how}", sep="\n")
    return 0 if share >= 0.9 else 1


if __name__ == "__main__":
    sys.exit(main())
