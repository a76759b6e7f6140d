"""Files, folders, patterns and standard input to one bag of records."""

from __future__ import annotations

import csv
import glob
import io
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

from junction.base.errors import InputError
from junction.base.records import Bag, PartReadings, SetAside, plain_name
from junction.intake.cells import visible
from junction.intake.headings import unused
from junction.intake.points import read_points
from junction.intake.readings import ReadingRows, join_rows, rows_of_sheet
from junction.intake.sheet import Sheet, UnusableSheet, open_sheet
from junction.intake.tables import (
    Grouped,
    curve_table,
    group_points,
    settle_polarity,
    sweep_table,
    usable_sweeps,
)

#: Name of standard input in messages and records.
STDIN_NAME = "standard input"
#: Names of a DataFrame and of typed readings in messages and records.
FRAME_NAME, TYPED_NAME = "DataFrame", "typed readings"
#: Reasons that the one line tells when nothing at all could be used.
MOST_TOLD = 3
TABLE_ENDINGS = (".csv", ".tsv", ".txt")
#: Found in a folder, these are said to be unusable rather than passed over.
SPREADSHEET_ENDINGS = (".xlsx", ".xls", ".xlsm", ".ods", ".numbers")


class NothingUsable(InputError):
    """Nothing could be used; ``set_aside`` holds every reason."""

    def __init__(
        self, reason: str, file: str, row: int | None, column: str, set_aside: tuple[SetAside, ...]
    ) -> None:
        super().__init__(reason, file, row, column)
        self.set_aside = set_aside

    def __reduce__(self):
        return type(self), (self.reason, self.file, self.row, self.column, self.set_aside)


def read_paths(paths: Sequence[str | Path], stdin: BinaryIO | None = None) -> Bag:
    """Read files, folders, patterns and ``-`` into one bag.

    Parameters
    ----------
    paths : sequence of str or Path
        A file of any name; a folder (its ``.csv``, ``.tsv`` and ``.txt`` files, by name, not those of
        folders inside it); a pattern with ``*``, ``?`` or ``[``; or ``-`` for standard input.
    stdin : binary file, optional
        What ``-`` reads; default ``sys.stdin.buffer``.

    Returns
    -------
    Bag

    Raises
    ------
    InputError
        If a path does not exist or cannot be read, a folder or pattern holds no table, or nothing at all
        could be used (then a `NothingUsable`).
    """
    out = _Collector()
    done: set[str] = set()
    for path in paths:
        if str(path) == "-":
            if STDIN_NAME not in done:
                out.add(STDIN_NAME, (stdin or sys.stdin.buffer).read())
            done.add(STDIN_NAME)
            continue
        for found, named in _expand(str(path)):
            real = os.path.realpath(found)
            if real in done:
                continue
            done.add(real)
            name = visible(found)  # a file name may hold anything, and goes into messages and pages
            if found.lower().endswith(SPREADSHEET_ENDINGS) and not named:
                reason = "a spreadsheet file, not CSV text; open it and save it as CSV"
                out.refuse(UnusableSheet(reason, name))
                continue
            try:
                out.add(name, Path(found).read_bytes())
            except OSError as error:
                fault = UnusableSheet(f"cannot be read: {error.strerror or error}", name)
                if named:
                    raise InputError(fault.reason, name) from error
                out.refuse(fault)
    return out.bag()


def read_texts(items: Iterable[tuple[str, bytes]]) -> Bag:
    """Read named contents into one bag; opens no file.

    Parameters
    ----------
    items : iterable of (str, bytes)
        Name for messages, and content.

    Returns
    -------
    Bag

    Raises
    ------
    NothingUsable
        If nothing at all could be used.
    """
    out = _Collector()
    for name, data in items:
        out.add(name, data)
    return out.bag()


def read_frame(frame, name: str = FRAME_NAME) -> Bag:
    """Read a DataFrame into one bag.

    Parameters
    ----------
    frame : pandas.DataFrame
        Columns headed as in a CSV file (``part``, ``B-E``, ``v_mV``, ``ic (mA)``); numbers are taken in the
        unit of their heading, and missing values are not measured.
    name : str, optional
        Name for messages and records.

    Returns
    -------
    Bag

    Raises
    ------
    NothingUsable
        If nothing at all could be used.
    """
    return read_texts([(name, frame.to_csv(index=False).encode())])


def read_readings(parts, name: str = TYPED_NAME) -> Bag:
    """Read typed readings into one bag.

    Parameters
    ----------
    parts : PartReadings, sequence of PartReadings, sequence of str, or mapping
        ``["B-E=0.642", "E-B=OL"]`` is one part, named ``part``; a mapping of part to such a list, or to a
        mapping of heading to value (``{"Q1": {"B-E": 0.642, "type": "2N3055"}}``), is many; records are
        passed through.
    name : str, optional
        Name for messages and records.

    Returns
    -------
    Bag

    Raises
    ------
    NothingUsable
        If nothing at all could be used.
    """
    if isinstance(parts, PartReadings):
        parts = [parts]
    if not isinstance(parts, Mapping):
        parts = list(parts)
        if parts and all(isinstance(p, PartReadings) for p in parts):
            return Bag(tuple(parts), rows_read=len(parts), rows_used=len(parts))
        parts = {"part": parts}
    rows: list[list[tuple[str, str]]] = []
    for part, given in parts.items():
        pairs = given.items() if isinstance(given, Mapping) else (str(t).partition("=")[::2] for t in given)
        rows.append([("part", str(part)), *((str(h).strip(), str(v)) for h, v in pairs)])
    headings = list(dict.fromkeys(h for row in rows for h, _ in row))
    out = io.StringIO()
    table = csv.DictWriter(out, headings)
    table.writeheader()
    table.writerows(dict(row) for row in rows)
    return read_texts([(name, out.getvalue().encode())])


def _expand(path: str) -> list[tuple[str, bool]]:
    """Files a path stands for, each with whether it was named itself."""
    if os.path.isdir(path):
        try:
            names = sorted(os.listdir(path))
        except OSError as error:
            raise InputError(f"cannot be read: {error.strerror or error}", visible(path)) from error
        ends = TABLE_ENDINGS + SPREADSHEET_ENDINGS
        names = [n for n in names if n.lower().endswith(ends) and not n.startswith((".", "~$"))]
        files = [f for n in names if os.path.isfile(f := os.path.join(path, n))]
        if not files:
            raise InputError(f"a folder without {', '.join(TABLE_ENDINGS)} files", visible(path))
        return [(f, False) for f in files]
    if os.path.exists(path) or not glob.has_magic(path):
        if not os.path.exists(path):
            raise InputError("no such file or folder", visible(path))
        return [(path, True)]
    files = sorted(f for f in glob.glob(path, recursive=True) if os.path.isfile(f))
    if not files:
        raise InputError("no file fits this pattern", visible(path))
    return [(f, False) for f in files]


class _Collector:
    """Gathers what each file gives, and closes the bag."""

    def __init__(self) -> None:
        self.files: list[str] = []
        self.readings: list[ReadingRows] = []
        self.sweeps: list[Grouped] = []
        self.curves: list[Grouped] = []
        self.set_aside: list[SetAside] = []
        self.rows_read = 0

    def add(self, name: str, data: bytes) -> None:
        try:
            sheet = open_sheet(name, data)
        except UnusableSheet as fault:
            self.refuse(fault)
            return
        del data
        self.files.append(name)
        for column, reason in unused(sheet.columns, sheet.form):
            if column.heading or _holds_text(sheet, column.index):
                self.set_aside.append(SetAside(name, sheet.first_line - 1, column.heading, "", reason, 0))
        if sheet.form == "sweeps":
            self.sweeps.append(usable_sweeps(sheet, group_points(sheet, read_points(sheet))))
        elif sheet.form == "curves":
            self.curves.append(settle_polarity(sheet, group_points(sheet, read_points(sheet))))
        else:
            self.readings.append(rows_of_sheet(sheet))

    def refuse(self, fault: UnusableSheet) -> None:
        self.files.append(fault.file)
        self.rows_read += fault.rows
        entry = SetAside(fault.file, fault.row, fault.column, "", fault.reason, fault.rows)
        self.set_aside.append(entry)

    def bag(self) -> Bag:
        parts, refused = join_rows([row for r in self.readings for row in r.rows])
        sources = [*self.readings, *self.sweeps, *self.curves]
        entries = self.set_aside + refused + [s for source in sources for s in source.set_aside]
        place = {name: k for k, name in enumerate(self.files)}
        entries.sort(key=lambda s: (place[s.file], s.row or 0))
        rows_read = self.rows_read + sum(source.rows_read for source in sources)
        rows_used = rows_read - sum(s.rows for s in entries)
        bag = Bag(
            tuple(parts), sweep_table(self.sweeps), curve_table(self.curves), tuple(entries),
            tuple(dict.fromkeys(self.files)), rows_read, rows_used,
        )  # fmt: skip
        if not (bag.readings or len(bag.sweeps) or len(bag.curves)):
            raise _nothing(bag)
        return _one_spelling(bag)


def _one_spelling(bag: Bag) -> Bag:
    """The same bag with each type number spelled as it was first written (``tip 41c`` and ``TIP41C``)."""
    spelled: dict[str, str] = {}

    def one(text: str) -> str:
        return spelled.setdefault(plain_name(text) or text, text)

    readings = tuple(p if (kind := one(p.type)) == p.type else replace(p, type=kind) for p in bag.readings)
    changed: dict[str, object] = {"readings": readings}
    for name in ("sweeps", "curves"):
        table = getattr(bag, name)
        kinds = tuple(map(one, table.type))
        if kinds != table.type:
            changed[name] = replace(table, type=kinds)
    return replace(bag, **changed)


def _holds_text(sheet: Sheet, index: int) -> bool:
    """Whether a column without a heading has anything in it, by a look at the first lines."""
    head = sheet.text[sheet.offset : sheet.offset + 20_000].decode(errors="ignore").split("\n")[:200]
    return any(len(c := line.split(sheet.sep)) > index and c[index].strip(' "') for line in head)


def _nothing(bag: Bag) -> NothingUsable:
    if not bag.set_aside:
        return NothingUsable("no file given", "", None, "", ())
    first = next((s for s in bag.set_aside if s.rows), bag.set_aside[0])
    others = [s for s in bag.set_aside if s is not first]
    told = [_said(first)]
    told += [str(InputError(_said(s), s.file, s.row, s.column)) for s in others[: MOST_TOLD - 1]]
    more = len(bag.set_aside) - len(told)
    if more:
        told.append(f"and {more} more")
    reason = "; ".join(told) + (" (nothing could be used)" if others else "")
    return NothingUsable(reason, first.file, first.row, first.column, bag.set_aside)


def _said(entry: SetAside) -> str:
    """Value and reason of an entry."""
    return (f"{entry.value!r}: " if entry.value else "") + entry.reason
