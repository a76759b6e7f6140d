"""Where the reference tables are, and how a row is read.

The tables ship as the resource package ``junction.reference`` in a wheel and stand in ``reference/``
beside the package in a checkout.  They are small and read with the standard library, because a
`junction check` must start in the time that importing pandas alone would take.

A user's own table has the same headings and may come from any spreadsheet: comma, semicolon or tab,
decimal point or comma, UTF-8 with or without a mark.
"""

from __future__ import annotations

import csv
import os
import sys
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from math import nan
from pathlib import Path

from junction.base.errors import ShelfError, UnitError
from junction.base.units import parse_number


def reference_folder() -> Path:
    """Folder that holds the reference tables, in a checkout as in an installed package.

    Raises
    ------
    ShelfError
        If neither place has them (a broken installation).
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "reference", package.parent / "reference"):
        if (folder / "README.md").is_file():
            return folder
    raise ShelfError("the reference tables are missing: install the package again")


def user_folder() -> Path:
    r"""Folder for a user's own tables (it need not exist).

    ``$XDG_DATA_HOME/junction`` where that is set; else ``%APPDATA%\junction`` on Windows,
    ``~/Library/Application Support/junction`` on macOS, ``~/.local/share/junction`` elsewhere.
    """
    if os.environ.get("XDG_DATA_HOME"):
        return Path(os.environ["XDG_DATA_HOME"]) / "junction"
    if sys.platform == "win32" and os.environ.get("APPDATA"):
        return Path(os.environ["APPDATA"]) / "junction"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "junction"
    return Path.home() / ".local" / "share" / "junction"


@dataclass(frozen=True)
class Row:
    """One row of a table, with typed access that names file, line and column of a fault."""

    file: str
    line: int
    cells: dict[str, str]

    def fault(self, column: str, reason: str) -> ShelfError:
        """Error that names this row and a column, to be raised by the caller."""
        return ShelfError(reason, self.file, self.line, column)

    def text(self, column: str, *, needed: bool = False, among: Collection[str] = ()) -> str:
        """Cell text ('' when empty or when the table has no such column).

        Raises
        ------
        ShelfError
            Empty though `needed`, or a text that is not one of `among`.
        """
        text = self.cells.get(column, "")
        if needed and not text:
            raise self.fault(column, "is empty; a value is needed here")
        if among and text and text not in among:
            raise self.fault(column, f"{text!r} is not one of: {', '.join(among)}")
        return text

    def number(self, column: str, *, low: float, high: float, needed: bool = False) -> float:
        """Cell as a number in the unit of its heading (nan when empty).

        Raises
        ------
        ShelfError
            No number, or one outside ``low``..``high`` (both allowed): most often a wrong unit.
        """
        text = self.text(column, needed=needed)
        if not text:
            return nan
        try:
            value = parse_number(text)
        except UnitError as error:
            reason = f"{error}; a plain number in the unit of the heading was expected"
            raise self.fault(column, reason) from error
        if not low <= value <= high:
            raise self.fault(column, f"{text} is outside {low:g} to {high:g}; is the unit right?")
        return value

    def flag(self, column: str) -> bool:
        """Cell as yes or no; empty is no."""
        return self.text(column, among=("yes", "no")) == "yes"


def _lines(path: Path) -> str:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise ShelfError(f"cannot be read: {error.strerror or error}", str(path)) from error
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ShelfError("is not UTF-8 text; save it as CSV, UTF-8", str(path)) from error


def _delimiter(text: str) -> str:
    rows = (line.lstrip('" ') for line in text.splitlines() if line.strip(" ,;\t"))
    return max(",;\t", key=next((row for row in rows if not row.startswith("#")), "").count)


def _cells(reader, path: Path) -> Iterator[list[str]]:
    try:
        yield from reader
    except csv.Error as error:
        raise ShelfError(f"cannot be read as CSV: {error}", path.name, reader.line_num) from error


def read_rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    """Rows of a table as (line, cells by heading); lines that start with # are notes.

    Raises
    ------
    ShelfError
        Unreadable file, a heading twice or empty, or a row with more or fewer cells than there are
        headings.
    """
    text = _lines(path)
    reader = csv.reader(text.splitlines(), delimiter=_delimiter(text))
    heading: list[str] = []
    rows = []
    for cells in _cells(reader, path):
        if not any(c.strip() for c in cells) or cells[0].lstrip().startswith("#"):
            continue
        if not heading:
            heading = [c.strip() for c in cells]
            for k, name in enumerate(heading):
                if not name or name in heading[:k]:
                    raise ShelfError(
                        f"heading {k + 1} is empty or stands twice", path.name, reader.line_num, name
                    )
            continue
        if len(cells) != len(heading):
            raise ShelfError(
                f"{len(cells)} cells where the heading has {len(heading)}", path.name, reader.line_num
            )
        rows.append((reader.line_num, dict(zip(heading, (c.strip() for c in cells), strict=True))))
    return rows


def table(path: Path, needed: Collection[str], known: Collection[str] = ()) -> Iterator[Row]:
    """Rows of a table whose headings are checked.

    Parameters
    ----------
    path : Path
    needed : collection of str
        Headings that must be there.
    known : collection of str, optional
        Further headings that may be there.

    Raises
    ------
    ShelfError
        A needed heading is missing or a heading is not known (a misspelt one would lose its column).
    """
    rows = read_rows(path)
    if rows:
        heading = rows[0][1]
        missing = [name for name in needed if name not in heading]
        if missing:
            raise ShelfError(f"the heading lacks {', '.join(missing)}", path.name)
        for name in heading:
            if name not in needed and name not in known:
                raise ShelfError("no such heading in this kind of table", path.name, column=name)
    for line, cells in rows:
        yield Row(path.name, line, cells)


def reference_table(name: str, needed: Collection[str], known: Collection[str] = ()) -> Iterator[Row]:
    """`table` of a file in the reference folder."""
    return table(reference_folder() / name, needed, known)
