"""How many modules and record types a value passes on its way: ``python -m tests.benchmarks.journeys``.

Three journeys: a typed reading to the printed line, a sweep to the page, a part to its matched set.  Counted
are the modules of junction in which a function runs once the command has started (imports do not count), and
the record types (dataclasses, named tuples) of which one is made on the way, tables of the shelf included.
"""

from __future__ import annotations

import contextlib
import inspect
import io
import json
import subprocess
import sys
import tempfile
from dataclasses import is_dataclass
from pathlib import Path


def walked(argv: list[str]) -> tuple[set[str], set[str]]:
    """Names of the modules and of the record types that one command line passes."""
    from junction.cli.main import main

    modules, records = set(), set()

    def seen(frame, event, _):
        name = frame.f_globals.get("__name__", "")
        body = not frame.f_code.co_flags & inspect.CO_OPTIMIZED  # of a module or a class, run at its import
        if event != "call" or not name.startswith("junction.") or body:
            return
        made = frame.f_locals.get("self", frame.f_locals.get("_cls"))
        kind = made if isinstance(made, type) else type(made)
        if frame.f_code.co_name in ("__init__", "__new__"):
            if is_dataclass(kind) or issubclass(kind, tuple):
                records.add(f"{kind.__module__}.{kind.__qualname__}")
        elif frame.f_code.co_filename != "<string>":
            modules.add(name)

    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        sys.setprofile(seen)
        try:
            main(argv)
        finally:
            sys.setprofile(None)
    return modules, records


def journeys(folder: Path) -> dict[str, list[str]]:
    """Command line of each journey, on the invented bag of ``junction demo``."""
    stage = "--power 30W --load 8ohm --supply 30V --parallel 2 --emitter-resistor 0.47ohm --idle-drop 47mV"
    bag = folder / "demo"
    return {
        "a typed reading to the printed line": [
            "check", *"B-E=0.642 E-B=OL B-C=0.636 C-B=OL C-E=OL E-C=OL".split()
        ],
        "a sweep on the page": ["sort", str(bag / "sweeps.csv"), "-o", str(folder / "page")],
        "a part to its set": ["match", str(bag / "output-devices.csv"), *stage.split()],
    }


def counted(journey: str, folder: Path) -> tuple[list[str], list[str]]:
    """`walked` in a process of its own, so that no table is read already."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.journeys", "--one", journey, str(folder)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return tuple(json.loads(done.stdout))


def main(show: bool = False) -> dict[str, tuple[int, int]]:
    """Print and return (modules, record types) of each journey; with `show`, their names too."""
    found = {}
    with tempfile.TemporaryDirectory() as name:
        subprocess.run([sys.executable, "-m", "junction", "demo", f"{name}/demo"], capture_output=True)
        for journey in journeys(Path(name)):
            modules, records = counted(journey, Path(name))
            found[journey] = len(modules), len(records)
            print(f"{journey:40} {len(modules):3} modules {len(records):3} record types")
            if show:
                print(*modules, *records, sep="\n      ")
    return found


if __name__ == "__main__":
    if "--one" in sys.argv:
        print(json.dumps([sorted(x) for x in walked(journeys(Path(sys.argv[3]))[sys.argv[2]])]))
    else:
        main("--names" in sys.argv)
