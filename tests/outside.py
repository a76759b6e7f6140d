"""Checks against a truth from outside: how many there are, through which door, by which source.

``python -m tests.outside`` counts the test functions marked ``external`` and ``front_door`` (a test's
parameters count once) and fails, saying why, where there are fewer than the minima below, where a source
lacks its title, its place or its year, or where a test of the front door does not take the fixture `door`.
"""

from __future__ import annotations

import contextlib
import io
import json
import re
import sys
from collections import defaultdict
from pathlib import Path
from types import SimpleNamespace

import pytest

import junction
from junction.cli.main import main

#: Fewest test functions through each door, and through all of them; 'api' is the functions of the package
#: called on Python objects, whichever of them it is.
LEAST = {"check": 20, "sort": 30, "match": 25, "substitute": 30, "stage": 11, "fit": 10,
         "resistor": 9, "api": 10}  # fmt: skip
LEAST_IN_ALL = 150
LEAST_EXTERNAL = 260

DOORS = ("check", "sort", "match", "substitute", "stage", "fit", "resistor", "api")

_PLACE = re.compile(r"\b(sections?|clauses?|chapters?|pages?|pp?\.|tables?|figures?|fig\.|rows?|examples?|"
                    r"ex\.|exercises?|equations?|annex|headings?|[A-Z]\.[0-9]|[0-9]+\.[0-9]+)", re.I)
_YEAR = re.compile(r"\b((18|19|20)[0-9][0-9]|undated)\b")
_PROGRAM = re.compile(r"\bcomputed by (ngspice|mpmath|pvlib|scipy|numpy|networkx|lmfit|sympy|fractions)\b")
_WEAK = re.compile(r"title not shown|[a-z]-type\b|quoted|companion|forum|https?:|(?<![A-Z0-9])/")


def source_faults(source: str) -> list[str]:
    """What a source lacks: each of those with a semicolon between has a title, a place in it and a year.

    A general-purpose program is its own truth (``computed by ngspice``); a sheet that bears no year is
    ``undated``; what could not be read here again says ``from memory``, and needs a title all the same.
    """
    faults = []
    for one in filter(None, map(str.strip, source.split(";"))):
        if len(re.findall(r"[A-Za-z]{3,}", one)) < 2:
            faults.append(f"{one!r}: no title")
        if weak := _WEAK.search(one):
            faults.append(f"{one!r}: {weak[0]!r} names no source")
        if _PROGRAM.search(one) or "from memory" in one:
            continue
        if not _PLACE.search(one):
            faults.append(f"{one!r}: no section, page, table, figure or example")
        if not _YEAR.search(one):
            faults.append(f"{one!r}: no year")
    return faults or ([] if source.strip() else ["no source"])


class Door:
    """The public ways into junction, and which of them were used.

    ``door.check(...)``, ``door.sort(...)``, ... are the functions of the package; `cli` is the command line.
    """

    def __init__(self) -> None:
        self.used: set[str] = set()

    def __getattr__(self, name: str):
        if name.startswith("_") or name not in junction.__all__:
            raise AttributeError(name)
        function = getattr(junction, name)

        def call(*inputs, **options):
            self.used |= {name, "api"}
            return function(*inputs, **options)

        return call

    def cli(self, command: str, *words) -> SimpleNamespace:
        """Run ``junction COMMAND WORDS`` in this process: its `status`, what it wrote to `out` and `err`."""
        self.used.add(command)
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                status = main([command, *map(str, words)])
            except SystemExit as stop:
                status = stop.code
        return SimpleNamespace(status=status, out=out.getvalue(), err=err.getvalue())

    def json(self, command: str, *words, status: int = 0) -> dict:
        """The document that ``--json -`` prints."""
        ran = self.cli(command, *words, "--json", "-")
        assert ran.status == status, ran.err
        return json.loads(ran.out)


class Count:
    """Plugin of a collection: marks and fixtures of every test function."""

    def __init__(self) -> None:
        self.external: set[str] = set()
        self.through: dict[str, set[str]] = defaultdict(set)
        self.faults: list[str] = []

    def pytest_collection_finish(self, session) -> None:
        for item in session.items:
            name = item.nodeid.partition("[")[0]
            if item.get_closest_marker("external"):
                self.external.add(name)
            self.faults += [f"{name}: {fault}" for fault in mark_faults(item)]
            for mark in item.iter_markers("front_door"):
                self.through[mark.args[0] if mark.args else "?"].add(name)
        self.faults = list(dict.fromkeys(self.faults))

    @property
    def in_all(self) -> int:
        return len(set().union(*self.through.values()))


def mark_faults(item) -> list[str]:
    """What is wrong with the marks of a test."""
    marks = list(item.iter_markers("front_door"))
    takes = "door" in getattr(item, "fixturenames", ())
    faults = [] if bool(marks) == takes else [
        "marked front_door and does not take the fixture door" if marks else "takes door without front_door"]
    for mark in marks:
        if len(mark.args) != 1 or mark.args[0] not in DOORS or set(mark.kwargs) != {"source"}:
            faults.append(f'write front_door("{DOORS[0]}", source="Title, section or page, year")')
        else:
            faults += source_faults(mark.kwargs["source"])
    return faults


def told(count: Count) -> tuple[list[str], list[str]]:
    """Lines of the table, and what is too few or wrong."""
    lines = [f"{len(count.external):5}  test functions against a truth from outside",
             f"{count.in_all:5}  of them through the front door"]  # fmt: skip
    lines += [f"{len(count.through[door]):5}  {door}" for door in DOORS]
    least = {"external tests": (len(count.external), LEAST_EXTERNAL),
             "tests through the front door": (count.in_all, LEAST_IN_ALL)}
    least |= {f"tests through {name}": (len(count.through[name]), n) for name, n in LEAST.items()}
    few = [f"only {n} {what}, at least {want} are wanted" for what, (n, want) in least.items() if n < want]
    return lines, count.faults + few


def run() -> int:
    """Collect, print, and give the exit status."""
    count, said = Count(), io.StringIO()
    marked = [str(path) for path in sorted(Path(__file__).parent.rglob("test_*.py"))
              if re.search(r"mark\.(external|front_door)", path.read_text(encoding="utf-8"))]  # fmt: skip
    with contextlib.redirect_stdout(said):
        status = pytest.main(["--collect-only", "-q", "-m", "external", *marked], [count])
    if status:
        print(said.getvalue())
        return 1
    lines, faults = told(count)
    print("\n".join([*lines, *faults]))
    return bool(faults)


if __name__ == "__main__":
    sys.exit(run())
