"""A CSV of meter readings that a sitting adds to: part by part, reading by reading, others writing to it too.

One row a part, for parts of all kinds: a column that is wanting grows at the end, and nothing else of the
file changes.  It is read, changed and replaced whole while nobody else may; ``junction sort`` reads it.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import count
from math import isinf, isnan, nan
from pathlib import Path

from junction.base.errors import InputError, OutputError, UnitError
from junction.base.records import (
    BJT_PLACEMENTS,
    DIODE_PLACEMENTS,
    NUMBER_PLACEMENTS,
    PartReadings,
    Reading,
    Spot,
)
from junction.intake.cells import NAMES, Column, cell_value, parse_heading
from junction.intake.table import MOST_CELL_LINES, UnusableTable, open_text
from junction.show.files import alone_with, write_files
from junction.show.write import safe_cell

_THREE_DECIMALS = re.compile(r"\d+\.\d{3}(?!\d)")
#: Placements whose columns come together.
_SETS = (NUMBER_PLACEMENTS, BJT_PLACEMENTS, DIODE_PLACEMENTS)

Rows = Sequence[Sequence[str]]


def cell_of(reading: Reading) -> str:
    """A reading as the cell of a CSV, with its unit, so that no heading is needed."""
    if reading.kind == "over":
        text = "OL"
    elif reading.kind == "ohm":
        text = "OL ohm" if isinf(reading.value) else f"{reading.value:.6g} ohm"
    else:
        text = f"{reading.value:.6g} V"
    return text + (" ~" if reading.settling else "")


def next_tag(tag: str, taken: Iterable[str]) -> str:
    """The next free tag after one, by the number at its end: R07, R08; ``part 1`` where there is none yet."""
    head, digits = re.fullmatch(r"(.*?)([0-9]*)", tag or "part 0", re.S).groups()
    used = {name.casefold() for name in taken}
    names = (f"{head}{n:0{len(digits)}d}" for n in count(int(digits or 1) + 1))
    return next(name for name in names if name.casefold() not in used)


def checked_tag(text: str) -> str:
    """A tag that stays the same in a CSV, or an `OutputError` that says what to write."""
    if text.startswith("#") or safe_cell(text) != text:
        raise OutputError(f"{text!r} cannot be a tag in a CSV: begin it with a letter or a digit")
    return text


@dataclass
class _Sheet:
    """The lines of the file as they stand, its columns by meaning, and where its rows are."""

    lines: list[str]
    columns: list[Column]
    sep: str = ","
    mark: str = "."
    end: str = "\n"
    head: int = 0  # line of the headings
    width: int = 0  # cells of the headings

    def rows(self) -> Iterator[tuple[int, int, list[str]]]:
        """First line, line behind the last, and cells of every row."""
        k = self.head + 1
        while k < len(self.lines):
            if not self.lines[k].strip() or self.lines[k].lstrip(" \t").startswith("#"):
                k += 1
                continue
            reader = csv.reader(self.lines[k : k + MOST_CELL_LINES], delimiter=self.sep)
            cells = next(reader)
            yield k, k + reader.line_num, cells
            k += reader.line_num

    def at(self, name: str) -> Column | None:
        """Column of a fact or a placement, None where there is none that can be used."""
        return next((c for c in self.columns if (c.placement or c.name) == name and not c.problem), None)

    def value(self, cells: Sequence[str], column: Column | None, default: object = None):
        """What a cell says; `default` where it is empty, missing or not understood."""
        text = cells[column.index] if column is not None and column.index < len(cells) else ""
        with suppress(UnitError):
            return cell_value(text, column, self.mark) if text.strip() else default
        return default

    def by_tag(self) -> dict[str, list[list[str]]]:
        """Rows of every part, in the order of the file."""
        found: dict[str, list[list[str]]] = {}
        for *_, cells in self.rows():
            if tag := self.value(cells, self.at("part"), ""):
                found.setdefault(tag, []).append(cells)
        return found

    def text_of(self, cells: Sequence[str]) -> str:
        """Cells as a line."""
        out = io.StringIO()
        csv.writer(out, delimiter=self.sep, lineterminator=self.end).writerow(cells)
        return out.getvalue()

    def grow(self, headings: Sequence[str]) -> None:
        """Columns at the end; a row with more cells than headings keeps them past the new ones."""
        n, rows = len(headings), list(self.rows())
        if not n:
            return
        for first, stop, cells in [(self.head, self.head + 1, [""] * self.width), *rows]:
            body = self.lines[stop - 1].rstrip("\r\n")
            ending = self.lines[stop - 1][len(body) :]
            if first == self.head:
                body += self.sep + self.text_of(headings).rstrip("\r\n")
            elif len(cells) <= self.width:
                body += self.sep * (self.width + n - len(cells))
            else:
                body = self.text_of([*cells[: self.width], *[""] * n, *cells[self.width :]]).rstrip("\r\n")
                self.lines[first:stop] = [""] * (stop - first)
            self.lines[stop - 1] = body + ending
        self.columns += [parse_heading(self.width + k, name) for k, name in enumerate(headings)]
        self.width += n

    def put(self, old: Rows, new: Rows) -> None:
        """Write rows in the place of others, and what is more of them at the end."""
        where = []
        for cells in old:
            same = [(a, b) for a, b, x in self.rows() if _bare(x) == _bare(cells) and (a, b) not in where]
            where += same[-1:]
        lines = [self.text_of(cells) for cells in new]
        for k, (first, stop) in enumerate(where):
            self.lines[first:stop] = [lines[k] if k < len(lines) else "", *[""] * (stop - first - 1)]
        if more := lines[len(where) :]:
            if self.lines and self.lines[-1] and not self.lines[-1].endswith(("\n", "\r")):
                self.lines[-1] += self.end
            self.lines += more


def _bare(cells: Sequence[str]) -> list[str]:
    """Cells without the empty ones at the end, which a column that grew adds."""
    cells = list(cells)
    while cells and not cells[-1].strip():
        cells.pop()
    return cells


class Record:
    """The CSV that readings are kept in.

    Parameters
    ----------
    file : str
        It need not exist; a new one gets headings that suit its first part.
    """

    def __init__(self, file: str) -> None:
        try:
            self.file, self.path = file, Path(os.path.realpath(file))
        except OSError as error:  # the folder one stands in is gone
            raise OutputError(f"{file}: cannot write: {error.strerror or error}") from error

    def tags(self) -> list[str]:
        """Tags of the parts it holds, in its order.

        Raises
        ------
        OutputError
            It cannot be read, or is no table of readings with one row a part.
        """
        return list(self._sheet().by_tag())

    def find(self, tag: str, like: PartReadings) -> tuple[PartReadings, Rows]:
        """A part as its rows say it, and those rows; what they leave open is taken from `like`."""
        sheet = self._sheet()
        rows = sheet.by_tag().get(tag, [])
        said: dict[str, object] = {}
        readings: dict[tuple[str, bool], Reading] = {}
        for cells in rows:
            for column in sheet.columns:
                value = sheet.value(cells, column) if not column.problem else None
                if isinstance(value, Reading):
                    readings.setdefault((value.placement, value.kind == "ohm"), value)
                elif value is not None:
                    said.setdefault(column.name, value)
        facts = {name: said[name] for name in ("type", "polarity", "in_circuit", "lifted", "discharged")
                 if said.get(name)}  # fmt: skip
        return replace(
            like, part=tag, readings=tuple(readings.values()), temp_C=said.get("temp", like.temp_C),
            spots=(Spot(hfe=said["hfe"]),) if "hfe" in said else like.spots, **facts,
        ), rows  # fmt: skip

    def save(self, part: PartReadings, held: Rows = (), fresh: bool = False) -> tuple[str, Rows]:
        """Write a part as it is now.

        Parameters
        ----------
        part : PartReadings
            One without a tag gets the next free one.  A placement read twice (diode mode and ohms) makes a
            second row.
        held : sequence of rows
            Those that hold the part so far, which are replaced; what else stands in them stays.
        fresh : bool
            The part is a new one: if its tag was taken meanwhile, it gets the next free one.

        Returns
        -------
        tag : str
        rows : sequence of sequence of str
            `held` of the next call.

        Raises
        ------
        OutputError
            Nothing was changed.
        """
        with alone_with(self.path.parent):
            sheet = self._sheet()
            tag, there = checked_tag(part.part), list(sheet.by_tag())
            if not tag or (fresh and not held and tag in there):
                tag = next_tag(tag, there)
            rows = self._rows(sheet, replace(part, part=tag), held)
            sheet.put(held, rows)
            write_files({Path(self.file): "".join(sheet.lines)}, sure=True)
        return tag, rows

    def _sheet(self) -> _Sheet:
        try:
            if self.path.exists() and not self.path.is_file():
                raise OutputError(f"{self.file}: is no file that readings can be added to")
            data = self.path.read_bytes() if self.path.exists() else b""
            lines = list(io.StringIO(data.decode(), newline=""))
            if all(not line.strip("\ufeff \t\r\n") or line.lstrip("\ufeff \t")[0] == "#" for line in lines):
                return _Sheet(lines, [])
            # with a row behind them, headings without rows are a table as well
            table = open_text(self.file, data + b"\n-\n")
            if table.form != "wide readings":
                raise OutputError(f"{self.file}: holds {table.form or 'no readings'}, not readings with one"
                                  " row a part; give another file")  # fmt: skip
            head = table.first_line - 2
            ending = lines[head][len(lines[head].rstrip("\r\n")) :] or "\n"
            width = len(next(csv.reader([lines[head]], delimiter=table.sep or ",")))
            return _Sheet(lines, list(table.columns), table.sep or ",", table.mark, ending, head, width)
        except UnusableTable as error:
            raise OutputError(f"{InputError(error.reason, self.file, error.row, error.column)}"
                              "; nothing is added") from error  # fmt: skip
        except (OSError, UnicodeDecodeError, csv.Error) as error:
            raise OutputError(f"{self.file}: cannot be read, so nothing is added: {error}") from error

    def _rows(self, sheet: _Sheet, part: PartReadings, held: Rows) -> Rows:
        """The rows of a part, as many as its placements need, on the ground of those that hold it so far."""
        facts = {  # value, text
            "type": (part.type, safe_cell(part.type)), "polarity": (part.polarity, part.polarity),
            "hfe": (part.hfe, "" if isnan(part.hfe) else f"{part.hfe:g}"),
            "temp": (part.temp_C, "" if isnan(part.temp_C) else f"{part.temp_C:g} C"),
            "in_circuit": (part.in_circuit, "yes" if part.in_circuit else "no"),
            "lifted": (part.lifted, " ".join(part.lifted)),
            "discharged": (part.discharged, "yes" if part.discharged else ""),
        }  # fmt: skip
        wanted = list(dict.fromkeys(
            name for r in part.readings
            for name in next((s for s in _SETS if r.placement in s), (r.placement,))
        ))  # fmt: skip
        if not sheet.columns:
            first = map(_heading, wanted)
            headings = ["part", "type", "polarity", *first, "hFE", "temp_C", "in_circuit", "note"]
            if sheet.lines and not sheet.lines[-1].endswith(("\n", "\r")):
                sheet.lines[-1] += sheet.end
            sheet.head, sheet.width = len(sheet.lines), len(headings)
            sheet.lines.append(sheet.text_of(headings))
            sheet.columns += [parse_heading(k, name) for k, name in enumerate(headings)]
        wanted += [name for name, (_, text) in facts.items() if text not in ("", "no")]
        sheet.grow([_heading(name) for name in wanted if sheet.at(name) is None])
        blank = [""] * sheet.width
        blank[sheet.at("part").index] = part.part
        for name, (_, text) in facts.items():
            if column := sheet.at(name):
                blank[column.index] = _marked(text, sheet.mark)
        rows = [[*cells, *[""] * (sheet.width - len(cells))] for cells in held]
        _say(sheet, rows, facts)
        left = list(part.readings)
        for cells in rows:
            for column in sheet.columns:
                if column.name != "placement" or column.problem or not cells[column.index].strip():
                    continue
                old = sheet.value(cells, column)
                new = next((r for r in left if r.placement == column.placement
                            and (old is None or (r.kind == "ohm") == (old.kind == "ohm"))), None)  # fmt: skip
                if new is not None:
                    left.remove(new)
                if new != old:  # corrected, or taken back
                    cells[column.index] = _marked(cell_of(new), sheet.mark) if new is not None else ""
        for reading in left:
            k = sheet.at(reading.placement).index
            cells = next((cells for cells in rows if not cells[k].strip()), None)
            if cells is None:
                rows.append(cells := list(blank))
            cells[k] = _marked(cell_of(reading), sheet.mark)
        return [cells for cells in rows if _bare(cells) != _bare(blank)]


def _heading(name: str) -> str:
    # a blank keeps a spreadsheet from taking + and - for the start of a formula
    return f" {name}" if name[0] in "+-" else NAMES[name][2] if name in NAMES else name


def _say(sheet: _Sheet, rows: list[list[str]], facts: dict[str, tuple[object, str]]) -> None:
    """Facts that rows say otherwise, or not at all: in the first row, and in others where one stands."""
    for name, (value, text) in facts.items():
        column = sheet.at(name)
        for k, cells in enumerate(rows) if column is not None else ():
            said = sheet.value(cells, column, type(value)() if not isinstance(value, float) else nan)
            same = said == value or (said != said and value != value)
            if not same and (k == 0 or (cells[column.index].strip() and name in ("type", "polarity"))):
                cells[column.index] = _marked(text, sheet.mark)


def _marked(text: str, mark: str) -> str:
    """A number as the file writes its own: three decimals could be thousands where a comma is in use."""
    if mark == ",":
        return re.sub(r"(\d)\.(\d)", r"\1,\2", text)
    return _THREE_DECIMALS.sub(lambda m: m[0] + "0", text) if mark == "?" else text
