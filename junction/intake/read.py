"""Files, folders, patterns, standard input, DataFrames and typed readings to one bag of records."""

from __future__ import annotations

import glob
import os
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

import numpy as np

from junction.base.errors import InputError
from junction.base.records import Bag, CurveTable, PartReadings, SetAside, SweepTable, plain_name
from junction.intake.cells import NO_UNIT, visible
from junction.intake.points import curves_of, read_points, sweeps_of
from junction.intake.readings import ReadingCells
from junction.intake.table import (
    Table,
    UnusableTable,
    open_columns,
    open_text,
    set_aside,
    split,
    unused_columns,
)

#: Names in messages and records of what has no file name.
STDIN_NAME, FRAME_NAME, TYPED_NAME = "standard input", "DataFrame", "typed readings"
#: Reasons that the one line tells when nothing at all could be used.
MOST_TOLD = 3
TABLE_ENDINGS = (".csv", ".tsv", ".txt")
#: Found in a folder, these are said to be unusable rather than passed over.
SPREADSHEET_ENDINGS = (".xlsx", ".xls", ".xlsm", ".ods", ".numbers")


class NothingUsable(InputError):
    """Nothing could be used; ``set_aside`` holds every reason."""

    set_aside: tuple[SetAside, ...] = ()


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
    return read_tables(_contents(paths, stdin))


def _contents(paths: Sequence[str | Path], stdin: BinaryIO | None) -> Iterator[tuple]:
    """What `read_tables` takes of every file, once."""
    done: set[str] = set()
    for path in map(str, paths):
        for found, named in [("-", True)] if path == "-" else _expand(path):
            real = "-" if path == "-" else os.path.realpath(found)
            if real in done:
                continue
            done.add(real)
            if path == "-":
                yield STDIN_NAME, open_text, (stdin or sys.stdin.buffer).read()
                continue
            name = visible(found)  # a file name may hold anything, and goes into messages and pages
            if found.lower().endswith(SPREADSHEET_ENDINGS) and not named:
                yield name, _refuse, "a spreadsheet file, not CSV text; open it and save it as CSV"
                continue
            try:
                yield name, open_text, Path(found).read_bytes()
            except OSError as error:
                reason = f"cannot be read: {error.strerror or error}"
                if named:
                    raise InputError(reason, name) from error
                yield name, _refuse, reason


def read_frame(frame, name: str = FRAME_NAME) -> Bag:
    """Read a DataFrame into one bag; the road is that of files, without one.

    Parameters
    ----------
    frame : pandas.DataFrame
        Columns headed as in a CSV file (``part``, ``B-E``, ``v_mV``, ``ic (mA)``), named levels of the index
        among them.  Numbers are taken in the unit of their heading; missing values are not measured.
    name : str, optional
        Name for messages and records, which count the rows from 1.

    Returns
    -------
    Bag

    Raises
    ------
    NothingUsable
        If nothing at all could be used.
    """
    if any(level is not None for level in frame.index.names):
        frame = frame.reset_index()
    columns = []
    for k in range(frame.shape[1]):
        column = frame.iloc[:, k]
        if column.dtype.kind in "iuf":
            columns.append(column.to_numpy(dtype=float, na_value=np.nan))
        else:
            columns.append(np.where(column.isna(), "", column.astype(object).map(str)).astype(object))
    return read_tables([(name, open_columns, [str(heading) for heading in frame.columns], columns)])


def read_readings(parts, name: str = TYPED_NAME) -> Bag:
    """Read typed readings into one bag.

    Parameters
    ----------
    parts : PartReadings, sequence of PartReadings, sequence of str, or mapping
        ``["B-E=0.642", "E-B=OL"]`` or ``{"B-E": 0.642, "E-B": "OL"}`` is one part, named ``part``; a mapping
        of part to one of these is many, and ``"type": "2N3055"`` and the other headings of a file may stand
        among the placements; records are passed through.
    name : str, optional
        Name for messages and records, which count the parts from 1.

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
    many = Mapping | list | tuple
    if not isinstance(parts, Mapping) or not all(isinstance(v, many) for v in parts.values()):
        parts = {"part": parts}
    cells: dict[tuple[str, int], dict[int, str]] = {("part", 0): {k: str(p) for k, p in enumerate(parts)}}
    for k, given in enumerate(parts.values()):
        texts = given.items() if isinstance(given, Mapping) else (str(t).partition("=")[::2] for t in given)
        for heading, text in texts:
            n = 0  # a placement may be given twice
            while k in cells.setdefault((str(heading).strip(), n), {}):
                n += 1
            cells[str(heading).strip(), n][k] = "" if text is None or text != text else str(text)
    columns = [np.array([column.get(k, "") for k in range(len(parts))], object) for column in cells.values()]
    return read_tables([(name, open_columns, [heading for heading, _ in cells], columns)])


def _refuse(name: str, reason: str) -> Table:
    raise UnusableTable(reason, name)


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


def read_tables(contents: Iterable[tuple]) -> Bag:
    """Read the tables that are opened one after the other into one bag.

    Parameters
    ----------
    contents : iterable of tuple
        Name for messages, function that gives the table of a name and a content, and the content.

    Returns
    -------
    Bag
        Everything by part; type numbers spelled as first written (``tip 41c`` and ``TIP41C``).

    Raises
    ------
    NothingUsable
        If nothing at all could be used.
    """
    place: dict[str, int] = {}  # of each file, in the order read
    aside: list[SetAside] = []
    cells = ReadingCells()
    points: dict[str, list] = {"sweeps": [], "curves": []}
    rows_read = 0
    for name, open_table, *content in contents:
        place.setdefault(name, len(place))
        try:
            table = open_table(name, *content)
        except UnusableTable as fault:
            rows_read += fault.rows
            aside.append(set_aside(name, fault.row, fault.column, "", fault.reason, fault.rows))
            continue
        del content
        for column, reason in unused_columns(table):
            aside.append(set_aside(name, table.first_line - 1 or None, column.heading, "", reason, 0))
        if table.form in points:
            *found, read = read_points(table, aside)
            table = replace(table, text=b"", cells=())  # their work is done, and large files are large
            gathered = sweeps_of if table.form == "sweeps" else curves_of
            points[table.form].append(gathered(table, *found, aside))
            del found
        else:
            table = split(table, aside)
            cells.add(table)
            read = table.read
        rows_read += read
    readings = cells.parts(aside)
    sweeps, curves = SweepTable.joined(points["sweeps"]), CurveTable.joined(points["curves"])
    aside = sorted(_once_a_column(aside), key=lambda s: (place[s.file], s.row or 0))
    if not (readings or len(sweeps) or len(curves)):
        raise _nothing(aside)
    first: dict[str, str] = {}  # type number as first written, by its plain name
    types = dict.fromkeys((*(p.type for p in readings), *sweeps.type, *curves.type))
    one = {t: first.setdefault(plain_name(t) or t, t) for t in types}
    return Bag(
        tuple(p if one[p.type] == p.type else replace(p, type=one[p.type]) for p in readings),
        replace(sweeps, type=tuple(one[t] for t in sweeps.type)),
        replace(curves, type=tuple(one[t] for t in curves.type)),
        tuple(aside), tuple(place), rows_read, rows_read - sum(s.rows for s in aside),
    )  # fmt: skip


def _once_a_column(entries: Iterable[SetAside]) -> list[SetAside]:
    """The same list, with a unit that is missing throughout a column told once and not thousands of times."""
    out: list[SetAside] = []
    unitless: dict[tuple[str, str, str], list[SetAside]] = {}
    for entry in entries:
        if entry.reason.startswith(NO_UNIT):
            unitless.setdefault((entry.file, entry.column, entry.reason), []).append(entry)
        else:
            out.append(entry)
    for found in unitless.values():
        more = f"; {len(found)} cells, down to line {found[-1].row}" if len(found) > 1 else ""
        out.append(replace(found[0], reason=found[0].reason + more, rows=sum(s.rows for s in found)))
    return out


def _nothing(aside: list[SetAside]) -> NothingUsable:
    """The one line when nothing could be used: the first row lost, a few more reasons, and their number."""
    if not aside:
        return NothingUsable("no file given")
    first = next((s for s in aside if s.rows), aside[0])
    others = [s for s in aside if s is not first]

    def said(entry: SetAside) -> str:
        return (f"{entry.value!r}: " if entry.value else "") + entry.reason

    told = [said(first)]
    told += [str(InputError(said(s), s.file, s.row, s.column)) for s in others[: MOST_TOLD - 1]]
    if len(aside) > len(told):
        told.append(f"and {len(aside) - len(told)} more")
    reason = "; ".join(told) + (" (nothing could be used)" if others else "")
    error = NothingUsable(reason, first.file, first.row, first.column)
    error.set_aside = tuple(aside)
    return error
