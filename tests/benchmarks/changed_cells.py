"""What of the reference tables could be changed without a test that notices.

One cell after the other is changed (a limit doubled, a window moved by a fifth, a prior by five, a polarity,
a lead order, a caution's words or its act, a unit, a cell emptied, a row or a source removed), and the tests
that hold tables look at it, in this process: first the held file (`tests.shelf.held`), then, without it,
second copies and what rests on the tables.  Printed is who noticed, by table and by kind of change:

    python -m tests.benchmarks.changed_cells --cells 200 --seed 1

``--wider`` runs the tests of the rooms, in a copy of the project, over what is missed without the held file:
hours.
"""

import argparse
import contextlib
import csv
import importlib
import inspect
import io
import os
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from junction.shelf import tables
from tests.shelf import held
from tests.shelf.reference import read, replaced

TOP = Path(__file__).resolve().parents[2]
#: Modules of tests that hold tables to something else; of them the functions that take no argument.
HOLDING = (
    "external.test_shelf_sheets", "external.test_shelf_iec60063", "external.test_shelf_families",
    "external.test_shelf_registered", "cli.test_cautions",
    "judge.test_sentences", "judge.test_limits", "shelf.test_tables", "shelf.test_types", "shelf.test_names",
    "shelf.test_numbers",
)  # fmt: skip
#: Rooms whose tests `--wider` runs.
WIDER = ("jobs", "shelf", "golden/test_frozen.py", "cli", "leads", "replace", "sets", "verdict", "show",
         "amplifier", "transistor", "external")  # fmt: skip
TWO = {"NPN": "PNP", "PNP": "NPN", "BCE": "ECB", "ECB": "BCE", "EBC": "CBE", "CBE": "EBC", "BEC": "CEB",
       "CEB": "BEC", "yes": "", "bolted": "board", "board": "bolted"}  # fmt: skip
UNITS = {"V": "mV", "mV": "V", "A": "mA", "mA": "A", "uA": "mA", "nA": "uA", "pF": "nF", "MHz": "kHz",
         "ohm": "kohm", "%": "", "K": "mK", "s": "ms", "ns": "us"}  # fmt: skip


def numeric(text):
    try:
        return float(text)
    except ValueError:
        return None


def changes(name, random):
    """One change of each kind that the table allows: kind, row, column, the cell before, the one after."""
    _, heading, rows = read(name)
    able = [(r, c, row[c]) for r, row in enumerate(rows) for c in range(1, len(heading)) if row[c]]
    found = {}

    def one(kind, cells, cell):
        if cells:
            r, c, old = cells[random.integers(len(cells))]
            found[kind] = (kind, r, c, old, cell(old) if callable(cell) else cell)

    def among(*columns):
        return [x for x in able if heading[x[1]] in columns]

    numbers = [x for x in able if numeric(x[2]) not in (None, 0)]
    bounds = ("min", "max", "most", "least", "above", "below", "low", "high")
    limits = [x for x in numbers if heading[x[1]] in bounds
              or heading[x[1]].split("_")[-1] in ("V", "A", "W", "C")]  # fmt: skip
    windows = [x for x in numbers if "low" in heading[x[1]] or "high" in heading[x[1]] or name == "rules"]
    one("doubled", limits or numbers, lambda x: repr(2 * float(x)))
    one("ten times", [x for x in limits if name.startswith("limits")], lambda x: repr(10 * float(x)))
    one("a fifth", windows or numbers, lambda x: repr(round(float(x) * float(random.choice([0.8, 1.2])), 12)))
    one("five times", [x for x in numbers if heading[x[1]] in ("value", "weight", "share")],
        lambda x: repr(5 * float(x)))  # fmt: skip
    one("turned over", [x for x in able if x[2] in TWO], TWO.get)
    one("unit", [x for x in among("unit") if x[2] in UNITS], UNITS.get)
    one("words", among("text", "short", "called", "device"), lambda x: f"{x.rsplit(' ', 1)[0]} perhaps")
    if name == "cautions":
        others = sorted({row[0] for row in rows})
        whole = [(r, 0, row[0]) for r, row in enumerate(rows)]
        one("act", whole, lambda x: str(random.choice([other for other in others if other != x])))
    one("emptied", [x for x in able if heading[x[1]] != "source"], "")
    one("source removed", among("source"), "")
    found["row removed"] = ("row removed", int(random.integers(len(rows))), None, "", "")
    return [*found.values()]


def planned(cells, seed):
    """Changes of all tables, each at least once, those with more figures more often."""
    random = np.random.default_rng(seed)
    names = sorted(path.stem for path in tables.reference_folder().glob("*.csv"))
    bodies = {name: read(name)[2] for name in names}
    size = np.array(
        [sum(numeric(cell) is not None for row in bodies[n] for cell in row) ** 0.4 + 4 for n in names]
    )
    plan, seen = [], set()
    while len(plan) < cells:
        name = names[len(plan)] if len(plan) < len(names) else random.choice(names, p=size / size.sum())
        able = changes(name, random)
        rare = np.array(
            [0.4 if one[0] in ("row removed", "source removed", "emptied") else 1.0 for one in able]
        )
        change = able[random.choice(len(able), p=rare / rare.sum())]
        if (name, change[1], change[2]) not in seen:
            seen.add((name, change[1], change[2]))
            plan.append((str(name), *change))
    return plan


def with_change(name, row, column, cell):
    """Rows of the table with that change."""
    _, _, rows = read(name)
    if column is None:
        return rows[:row] + rows[row + 1 :]
    rows[row][column] = cell
    return rows


def holding():
    """Tests that hold tables, by name; those that draw examples take too long."""
    for module in HOLDING:
        found = importlib.import_module(f"tests.{module}")
        for name, test in vars(found).items():
            plain = name.startswith("test_") and not hasattr(test, "hypothesis")
            if plain and not inspect.signature(test).parameters:
                yield f"{module}.{name}", test


def first_to_notice(tests):
    """Name of the first test that fails, '' where none does."""
    for name, test in tests:
        try:
            with contextlib.redirect_stdout(io.StringIO()):
                test()
        except Exception:  # whatever a changed table brings about, it is noticed
            return name
    return ""


def wider(name, rows):
    """The first test of the rooms that fails on such a table, in a copy of the project."""
    with tempfile.TemporaryDirectory() as place:
        top = Path(place) / "copy"
        shutil.copytree(TOP, top, ignore=shutil.ignore_patterns(".git", ".venv", "*.egg-info", "__pycache__"))
        notes, heading, _ = read(name)
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerows([heading, *rows])
        (top / "reference" / f"{name}.csv").write_text("".join(notes) + text.getvalue(), encoding="utf-8")
        call = [sys.executable, "-m", "pytest", "-x", "-q", "--tb=no", "-p", "no:cacheprovider",
                *(f"tests/{one}" for one in WIDER), "--deselect", "tests/shelf/test_held.py"]  # fmt: skip
        found = subprocess.run(call, cwd=top, env=os.environ | {"PYTHONPATH": str(top)}, text=True,
                               check=False, capture_output=True).stdout  # fmt: skip
    return next((line.split()[1] for line in found.splitlines() if line.startswith(("FAILED", "ERROR"))), "")


def main(argv=None):
    """Run, and print; the exit status is 1 where less than nine of ten were noticed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cells", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--held", action="store_true", help="the held file alone: seconds")
    parser.add_argument("--wider", action="store_true", help="the rooms' tests for what is missed without it")
    given = parser.parse_args(argv)
    tests = [] if given.held else [*holding()]
    assert not held.differences(), "something is not as it is held without a change"
    assert not first_to_notice(tests), "a test fails without a change"
    told, by_kind, missed = Counter(), Counter(), []
    for name, kind, row, column, old, new in planned(given.cells, given.seed):
        _, heading, rows = read(name)
        other = with_change(name, row, column, new)
        with replaced(name, other):
            try:
                of = next((joined for joined, several in held.TOGETHER.items() if name in several), name)
                by = "held" if held.differences_of(of) else ""
            except Exception:  # the loader itself
                by = "loader"
            without = first_to_notice(tests)
        if given.wider and not without:
            without = wider(name, other)
        cell = f" {heading[column]}: {old!r} -> {new!r}" if column is not None else ""
        where = f"{name} {rows[row][0]!r}{cell}"
        for count, key in ((told, name), (by_kind, kind), (told, "all"), (by_kind, "all")):
            count[key] += 1
            count[key, "any"] += bool(by or without)
            count[key, "without"] += bool(without)
        if not (by or without):
            missed.append(f"{kind}: {where}")
        print(f"{kind:15} {where[:100]:100} {by or '-':7} {without or '-'}", flush=True)
    for count in (told, by_kind):
        print(f"\n{'':20} noticed   without the held file")
        for key in sorted(key for key in count if isinstance(key, str)):
            print(f"{key:20} {count[key, 'any']:4d} of {count[key]:4d} {count[key, 'without']:6d}")
    print(*(f"UNNOTICED {line}" for line in missed), sep="\n")
    return 0 if told["all", "any"] >= 0.9 * told["all"] else 1


if __name__ == "__main__":
    sys.exit(main())
