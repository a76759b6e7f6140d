"""Bytes of a file to a sheet: encoding, headings, separator, decimal mark, and the body below them.

Everything a person may have done to a CSV before it got here is met in this module: byte-order marks,
UTF-16, Latin-1, old line ends, comment lines, a ``sep=`` line, a spreadsheet file with the wrong name.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, replace
from functools import cached_property

from junction.base.errors import InputError
from junction.intake.headings import Column, doubled, parse_heading, recognise, why_not_recognised

SEPARATORS = (",", ";", "\t")
MOST_COLUMNS = 200

# leading bytes of files that are no text, with what to do instead
_MAGIC = (
    (b"PK\x03\x04", "a spreadsheet or zip file, not CSV text; open it and save it as CSV"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet or document file, not CSV text; open it and save it as CSV"),
    (b"\x1f\x8b", "a compressed file (gzip); unpack it first"),
    (b"BZh", "a compressed file (bzip2); unpack it first"),
    (b"\xfd7zXZ", "a compressed file (xz); unpack it first"),
    (b"7z\xbc\xaf", "a compressed file (7z); unpack it first"),
    (b"%PDF", "a PDF, not CSV text"),
    (b"\x89PNG", "a picture (PNG), not CSV text"),
    (b"\xff\xd8\xff", "a picture (JPEG), not CSV text"),
    (b"GIF8", "a picture (GIF), not CSV text"),
    (b"SQLite format 3", "a database file, not CSV text"),
)
# a line with something in it that is no comment; a spreadsheet's own note of the separator
_ROW = re.compile(rb"^(?![ \t]*#)[^\n]*?[^\s,;\"\x1a]", re.M)
_SEPARATOR_LINE = re.compile(rb'"?sep=([,;\t])"?[ ]*\n')
_TEXT_CONTROLS = b"\t\n\r\x0c\x1a"


@dataclass(frozen=True)
class Sheet:
    r"""One recognised table.

    ``text`` is the whole file in UTF-8 with ``\n`` line ends; what is below the headings starts at byte
    ``offset``, which is line ``first_line`` of the file.  ``mark`` is the decimal mark in use: ``.``,
    ``,``, ``?`` (both) or ''.
    """

    file: str
    columns: tuple[Column, ...]
    form: str
    sep: str
    mark: str
    text: bytes
    offset: int
    first_line: int

    def column(self, name: str) -> Column | None:
        """First usable column of that name, or None."""
        return self._first.get(name)

    @cached_property
    def _first(self) -> dict[str, Column]:
        return {c.name: c for c in reversed(self.columns) if not c.problem}


class UnusableSheet(InputError):
    """A file of which nothing can be used; ``rows`` says how many data rows that takes out."""

    def __init__(self, reason: str, file: str, row: int | None = None, column: str = "", rows: int = 0):
        super().__init__(reason, file, row, column)
        self.rows = rows

    def __reduce__(self):
        return type(self), (self.reason, self.file, self.row, self.column, self.rows)


def to_utf8(name: str, data: bytes) -> bytes:
    r"""Text of a file as UTF-8 with ``\n`` line ends and no byte-order mark.

    Raises
    ------
    UnusableSheet
        If the bytes are no text.
    """
    for magic, reason in _MAGIC:
        if data.startswith(magic):
            raise UnusableSheet(reason, name)
    data = _decoded(name, data)
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    head = data[:65536]
    controls = len(head) - len(head.translate(None, bytes(c for c in range(32) if c not in _TEXT_CONTROLS)))
    if controls > 8 and controls > 0.01 * len(head):
        raise UnusableSheet("not text: a binary file, not CSV", name)
    return data.replace(b"\0", "\u2400".encode()) if b"\0" in data else data


def _decoded(name: str, data: bytes) -> bytes:
    head = data[:4096]
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16"
    elif len(head) > 3 and head[1::2].count(0) > 0.4 * len(head[1::2]) and b"\0" not in head[::2]:
        encoding = "utf-16-le"
    elif len(head) > 3 and head[::2].count(0) > 0.4 * len(head[::2]) and b"\0" not in head[1::2]:
        encoding = "utf-16-be"
    else:
        data = data[3:] if data.startswith(b"\xef\xbb\xbf") else data
        if data.isascii():
            return data
        try:
            data.decode("utf-8")
            return data
        except UnicodeDecodeError:
            pass
        try:  # Windows' superset of Latin-1 first: it has the dashes and quotes of spreadsheets
            return data.decode("cp1252").encode()
        except UnicodeDecodeError:
            return data.decode("latin-1").encode()
    try:
        return data.decode(encoding).encode()
    except (UnicodeDecodeError, UnicodeEncodeError):
        raise UnusableSheet("looks like UTF-16 text but is damaged; save it as CSV in UTF-8", name) from None


def open_sheet(name: str, data: bytes) -> Sheet:
    """Find the headings of a file and what they mean.

    Parameters
    ----------
    name : str
        File name for messages.
    data : bytes
        Content.

    Raises
    ------
    UnusableSheet
        If the file is empty, no text, or its headings make no table that is understood.
    """
    text = to_utf8(name, data)
    del data
    start, line, forced = _heading_offset(text)
    if start < 0:
        raise UnusableSheet("no headings, only comments" if text.strip() else "the file is empty", name)
    end = text.find(b"\n", start)
    end = len(text) if end < 0 else end
    cells, sep = _split_headings(text[start:end].decode(), forced)
    while len(cells) > 1 and not cells[-1].strip():  # trailing separators of a spreadsheet
        cells.pop()
    columns = tuple(parse_heading(k, cell) for k, cell in enumerate(cells[:MOST_COLUMNS]))
    fault = _heading_fault(columns)
    if len(cells) > MOST_COLUMNS:
        fault = (f"{len(cells)} headings; at most {MOST_COLUMNS} are taken", "")
    if fault:
        raise UnusableSheet(fault[0], name, line, fault[1], count_rows(text[end + 1 :], sep))
    if not _ROW.search(text, end + 1):
        raise UnusableSheet("only headings, no rows", name, line)
    form = recognise(columns)
    columns = _without_doubles(columns)
    return Sheet(name, columns, form, sep, decimal_mark(text, end + 1, sep), text, end + 1, line + 1)


def _heading_fault(columns: tuple[Column, ...]) -> tuple[str, str] | None:
    """What makes the whole table unusable, and under which heading; None when nothing does."""
    form = recognise(columns)
    if not form:
        return why_not_recognised(columns), ""
    for column in doubled(columns):
        if column.name in _needed(form):
            return f"two columns for {column.name}; keep one", column.heading
    for column in columns:
        if column.problem and column.name in _needed(form):
            return column.problem, column.heading
    return None


def _without_doubles(columns: tuple[Column, ...]) -> tuple[Column, ...]:
    """Mark optional columns that occur twice: which of them holds is not guessed."""
    twice = {c.name for c in doubled(columns)}
    problem = "two columns for the same thing; neither is used, keep one"
    return tuple(replace(c, problem=problem) if c.name in twice and not c.problem else c for c in columns)


def _needed(form: str) -> set[str]:
    return {
        "sweeps": {"part", "junction", "v", "i"}, "curves": {"part", "vce", "vbe", "ib", "ic"},
        "long readings": {"part", "red", "black", "value"}, "wide readings": {"part"},
    }[form]  # fmt: skip


def _heading_offset(text: bytes) -> tuple[int, int, str]:
    """Byte offset and line number of the heading line (-1 if none), and a separator a ``sep=`` line sets."""
    offset, line, forced = 0, 1, ""
    while offset < len(text):
        end = text.find(b"\n", offset)
        end = len(text) if end < 0 else end
        directive = _SEPARATOR_LINE.match(text, offset)
        if directive:
            forced = directive[1].decode()
        elif _ROW.match(text, offset):
            return offset, line, forced
        offset, line = end + 1, line + 1
    return -1, line, forced


def _split_headings(heading: str, forced: str) -> tuple[list[str], str]:
    """Cells of the heading line by the separator under which most of them are understood."""
    best: tuple[list[str], str] = ([heading], ",")
    most = (-1, -1)
    for sep in (forced,) if forced else SEPARATORS:
        try:
            cells = next(csv.reader([heading], delimiter=sep, skipinitialspace=True), [heading])
        except csv.Error:
            cells = heading.split(sep)
        known = sum(bool(parse_heading(0, cell).name) for cell in cells[:MOST_COLUMNS])
        if (known, len(cells)) > most:
            best, most = (cells, sep), (known, len(cells))
    return best


def is_blank(line: str, sep: str) -> bool:
    """Whether a line holds no cell at all: blanks, separators and quotes only."""
    return not line.strip(' \t\x0b\x0c\x1a"' + sep)


def is_comment(line: str, sep: str) -> bool:
    """Whether a line is a comment: its first character that is no blank is ``#`` (a tab may part cells)."""
    return line.lstrip(" " if sep == "\t" else " \t").startswith("#")


def count_rows(body: bytes, sep: str) -> int:
    """Data rows of a body that nothing else will count."""
    lines = body.decode().split("\n")
    return sum(1 for line in lines if not is_blank(line, sep) and not is_comment(line, sep))


def decimal_mark(text: bytes, offset: int, sep: str) -> str:
    """Decimal mark the cells use: ``.``, ``,``, ``?`` when both occur, '' when neither does.

    Judged on the first 64 kB below the headings, by cells that start with a number of two parts.
    """
    head = text[offset : offset + 65_536].decode(errors="ignore")
    start = rf"(?:^|{sep})[ ]*"
    number = r"[+-]?[0-9]*{}[0-9]+(?![0-9.,])"
    point = re.search(start + '"?' + number.format(r"\."), head, re.M)
    comma = re.search(start + ('"' if sep == "," else '"?') + number.format(","), head, re.M)
    return "?" if point and comma else "." if point else "," if comma else ""
