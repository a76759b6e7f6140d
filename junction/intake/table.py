"""Files, DataFrames and typed readings to one kind of table: columns by meaning, cells as they were written.

Everything a person may have done to a CSV before it got here is met in this module: byte-order marks,
UTF-16, Latin-1, old line ends, comment lines, a ``sep=`` line, a spreadsheet file with the wrong name, rows
with too many or too few cells, quotes that are never closed.  No row is lost: what cannot be told apart
goes to the set-aside list with its line.
"""

from __future__ import annotations

import csv
import glob
import io
import os
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO

import numpy as np

from junction.base.errors import InputError
from junction.base.files import bounded, bytes_of
from junction.base.records import SetAside
from junction.base.units import shown
from junction.intake.cells import FORMS, Column, parse_heading, part_rank, recognise, visible, why_no_table

SEPARATORS = (",", ";", "\t")
STDIN_NAME = "standard input"
TABLE_ENDINGS = (".csv", ".tsv", ".txt")
#: Found in a folder, these are said to be unusable rather than passed over.
SPREADSHEET_ENDINGS = (".xlsx", ".xls", ".xlsm", ".ods", ".numbers")
MOST_COLUMNS = 200
#: A quoted cell may run over this many lines.
MOST_CELL_LINES = 20
_CLIP = 80

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
_NUMBER_SIGN = re.compile(rb"^[ \t]*#[ \t]*[,;\t]", re.M)
_NUMBERED = re.compile(rb"^(#[ ]*\w+)(?=[ ]*[,;\t])", re.M)
_SEPARATOR_LINE = re.compile(rb'"?sep=([,;\t])"?[ ]*\n')
_TEXT_CONTROLS = b"\t\n\r\x0c\x1a"


@dataclass(frozen=True, eq=False)
class Table:
    r"""One recognised table: columns by meaning, and under them text still to be split, or cells.

    Of a file, ``text`` is the whole of it in UTF-8 with ``\n`` line ends; what is below the headings starts
    at byte ``offset``, which is line ``first_line`` of the file.  Once split, ``cells`` hold one array a
    column, of texts or of numbers (nan: not measured), and ``line`` says where each row stands.  ``mark`` is
    the decimal mark in use: ``.``, ``,``, ``?`` (both) or ''.
    """

    file: str
    columns: tuple[Column, ...]
    form: str
    sep: str = ""
    mark: str = "."
    text: bytes = b""
    offset: int = 0
    first_line: int = 1
    cells: tuple[np.ndarray, ...] = ()
    line: np.ndarray = field(default_factory=lambda: np.empty(0, np.int64))
    read: int = 0  # rows, those among them that could not be split

    def column(self, name: str) -> Column | None:
        """First usable column of that name, or None."""
        return next((c for c in self.columns if c.name == name and not c.problem), None)


class UnusableTable(InputError):
    """A file of which nothing can be used; ``rows`` says how many data rows that takes out."""

    def __init__(self, reason: str, file: str, row: int | None = None, column: str = "", rows: int = 0):
        super().__init__(reason, file, row, column)
        self.rows = rows


def set_aside(file: str, row: int | None, column: str, value: str, reason: str, rows: int = 1) -> SetAside:
    """Entry of the list; a reason that starts by quoting the value is cut down to what it adds."""
    quoted = shown(value)
    if value and reason.startswith(quoted):
        reason = reason[len(quoted) :].lstrip(": ").rstrip(".")
    return SetAside(file, row, column, clip(visible(value)), reason, rows)


def clip(text: str) -> str:
    """Cell or line as the set-aside list shows it."""
    text = text.strip()
    return text if len(text) <= _CLIP else text[: _CLIP - 1] + "…"


# --- files ----------------------------------------------------------------------------------------------


def files(paths: Sequence[str | Path], stdin: BinaryIO | None) -> Iterator[tuple]:
    """Name, function that opens a table, and content of every file, folder, pattern and ``-``, each once."""
    done: set[str] = set()
    for path in map(str, paths):
        for found, named in [("-", True)] if path == "-" else _expand(path):
            real = "-" if path == "-" else os.path.realpath(found)
            if real in done:
                continue
            done.add(real)
            if path == "-":
                try:
                    yield STDIN_NAME, open_text, bounded(stdin or sys.stdin.buffer)
                except (OSError, AttributeError) as error:  # closed, it is None
                    reason = f"cannot be read: {getattr(error, 'strerror', '') or 'it is closed'}"
                    raise InputError(reason, STDIN_NAME) from error
                continue
            name = visible(found)  # a file name may hold anything, and goes into messages and pages
            if found.lower().endswith(SPREADSHEET_ENDINGS) and not named:
                yield name, _refuse, "a spreadsheet file, not CSV text; open it and save it as CSV"
                continue
            try:
                yield name, open_text, bytes_of(found)
            except OSError as error:
                reason = f"cannot be read: {error.strerror or error}"
                if named:
                    raise InputError(reason, name) from error
                yield name, _refuse, reason


def _refuse(name: str, reason: str) -> Table:
    raise UnusableTable(reason, name)


def _near(path: str) -> str:
    """A question after the name in the same folder that is nearest to a name that is not there."""
    import difflib

    folder, name = os.path.split(path)
    try:
        there = sorted(os.listdir(folder or "."))
    except (OSError, ValueError):
        there = []
    near = difflib.get_close_matches(name, there, n=1, cutoff=0.75)
    return f"; did you mean {visible(os.path.join(folder, near[0]))}?" if near else ""


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
            raise InputError(f"no such file or folder{_near(path)}", visible(path))
        return [(path, True)]
    files = sorted(f for f in glob.glob(path, recursive=True) if os.path.isfile(f))
    if not files:
        raise InputError("no file fits this pattern", visible(path))
    return [(f, False) for f in files]


# --- headings --------------------------------------------------------------------------------------------


def _table_of(name: str, headings: Sequence[str], at: int | None, rows: Callable[[], int], **body) -> Table:
    """Table with these headings, at a line; `rows` counts what a table that is none takes out."""
    columns = _one_tag([parse_heading(k, cell) for k, cell in enumerate(headings[:MOST_COLUMNS])])
    form, names = recognise(columns), [c.name for c in columns]
    faults = [] if form else [(why_no_table(columns), "")]
    if len(headings) > MOST_COLUMNS:
        faults = [(f"{len(headings)} headings; at most {MOST_COLUMNS} are taken", "")]
    elif form:
        needed = {*FORMS[form][0].split()} - {"placement"} | ({"vbe", "ib"} if form == "curves" else set())
        own = [c for c in columns if c.name in needed]
        twice = [c for c in own if c.name in names[: c.index]]
        faults = [(f"two columns for {c.name}; keep one", c.heading) for c in twice]
        faults += [(c.problem, c.heading) for c in own if c.problem]
    for reason, column in faults:
        raise UnusableTable(reason, name, at, column, rows())
    # which of two optional columns for one thing holds is not guessed; placements are judged cell by cell
    twice = {n for n in names if n and n != "placement" and names.count(n) > 1}
    problem = "two columns for the same thing; neither is used, keep one"
    columns = tuple(replace(c, problem=problem) if c.name in twice and not c.problem else c for c in columns)
    return Table(name, columns, form, **body)


def _one_tag(columns: list[Column]) -> tuple[Column, ...]:
    """Columns of which the surest alone names the parts: ``Ref`` or ``No`` beside ``part`` is not used."""
    tags = [c for c in columns if c.name == "part"]
    best = min(tags, key=part_rank, default=None)
    other = best and [c.index for c in tags if part_rank(c) != part_rank(best)]
    reason = best and f"the parts are named by the column {best.heading!r}"
    return tuple(replace(c, name="", problem=reason) if other and c.index in other else c for c in columns)


def unused(table: Table) -> Iterator[tuple[Column, str]]:
    """Columns that cannot be used, each with its reason; one without heading only if it holds something."""
    used = {"part", *" ".join(FORMS[table.form][:2]).split()}
    head = table.text[table.offset : table.offset + 20_000].decode(errors="ignore").split("\n")[:200]
    for c in table.columns:
        no_place = f"a {c.name} column has no place in {table.form}" if c.name not in used else ""
        holds = (x[c.index].strip(' "') for line in head if len(x := line.split(table.sep or None)) > c.index)
        if (reason := c.problem or no_place) and (c.heading or any(holds)):
            yield c, reason


def open_text(name: str, data: bytes) -> Table:
    """Find the headings of a file and what they mean.

    Parameters
    ----------
    name : str
        File name for messages.
    data : bytes
        Content.

    Raises
    ------
    UnusableTable
        If the file is empty, no text, or its headings make no table that is understood.
    """
    text = _to_utf8(name, data)
    del data
    forced, start = "", -1
    for row in _ROW.finditer(text):
        if separator := _SEPARATOR_LINE.match(text, row.start()):
            forced = separator[1].decode()
            continue
        start = row.start()
        break
    if start < 0:
        raise UnusableTable("no headings, only comments" if text.strip() else "the file is empty", name)
    # a first heading # is no comment where it makes a table and the first row does not; nor is a part #1 then
    numbered = _NUMBER_SIGN.search(text, 0, start)
    if numbered and _makes_table(text, numbered.start()) and not _makes_table(text, start):
        start = numbered.start()
        text = text[:start] + _NUMBERED.sub(rb'"\1"', text[start:])
    end, line = text.find(b"\n", start), text.count(b"\n", 0, start) + 1
    end = len(text) if end < 0 else end
    headings, sep = _split_headings(text[start:end].decode(), forced)
    while len(headings) > 1 and not headings[-1].strip():  # trailing separators of a spreadsheet
        headings.pop()

    def rows() -> int:
        lines = text[end + 1 :].decode().split("\n")
        return sum(_is_row(x, sep) for x in lines)

    body = {"sep": sep, "mark": _decimal_mark(text, end + 1, sep), "offset": end + 1, "first_line": line + 1}
    table = _table_of(name, headings, line, rows, text=text, **body)
    if not _ROW.search(text, end + 1):
        raise UnusableTable("only headings, no rows", name, line)
    return table


def _makes_table(text: bytes, start: int) -> bool:
    headings, _ = _split_headings(text[start:].split(b"\n", 1)[0].decode(), "")
    return bool(recognise([parse_heading(k, cell) for k, cell in enumerate(headings[:MOST_COLUMNS])]))


def open_columns(name: str, headings: Sequence[str], cells: Sequence[np.ndarray]) -> Table:
    """Table in memory: under each heading numbers (floats, nan: not measured) or texts, rows from 1."""
    filled = [a == a if a.dtype.kind == "f" else a != "" for a in cells]
    held = np.any(filled, axis=0) if cells else np.zeros(0, bool)
    line = np.flatnonzero(held) + 1
    table = _table_of(name, headings, None, lambda: line.size, line=line, read=line.size)
    if not line.size:
        raise UnusableTable("only headings, no rows", name)
    measured = [bool(c.quantity) or c.name in ("placement", "value") for c in table.columns]
    kept = zip([a[held] for a in cells], measured, strict=True)
    return replace(table, cells=tuple(a if m else _texts(a, "{:.15g}") for a, m in kept))  # 7, not 7.0


def _to_utf8(name: str, data: bytes) -> bytes:
    r"""Text of a file as UTF-8 with ``\n`` line ends and no byte-order mark."""
    for magic, reason in _MAGIC:
        if data.startswith(magic):
            raise UnusableTable(reason, name)
    data = _decoded(name, data)
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    head = data[:65536]
    controls = len(head) - len(head.translate(None, bytes(c for c in range(32) if c not in _TEXT_CONTROLS)))
    if controls > 8 and controls > 0.01 * len(head):
        raise UnusableTable("not text: a binary file, not CSV", name)
    return data.replace(b"\0", "\u2400".encode()) if b"\0" in data else data


def _decoded(name: str, data: bytes) -> bytes:
    even, odd = data[:4096:2], data[1:4096:2]
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif len(data) > 3 and odd.count(0) > 0.4 * len(odd) and 0 not in even:
        encodings = ["utf-16-le"]
    elif len(data) > 3 and even.count(0) > 0.4 * len(even) and 0 not in odd:
        encodings = ["utf-16-be"]
    else:  # Windows' superset of Latin-1 has the dashes and quotes of spreadsheets
        encodings, data = ["utf-8", "cp1252", "latin-1"], data.removeprefix(b"\xef\xbb\xbf")
        if data.isascii():
            return data
    for encoding in encodings:
        try:
            return data.decode(encoding).encode()
        except UnicodeError:
            continue
    raise UnusableTable("looks like UTF-16 text but is damaged; save it as CSV in UTF-8", name)


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


def _decimal_mark(text: bytes, offset: int, sep: str) -> str:
    """Decimal mark the cells use, judged on the first 64 kB by cells that start with one in two parts."""
    head = text[offset : offset + 65_536].decode(errors="ignore")
    start = rf"(?:^|{sep})[ ]*"
    number = r"[+-]?[0-9]*{}[0-9]+(?![0-9.,])"
    point = re.search(start + '"?' + number.format(r"\."), head, re.M)
    comma = re.search(start + ('"' if sep == "," else '"?') + number.format(","), head, re.M)
    return "?" if point and comma else "." if point else "," if comma else ""


# --- rows ------------------------------------------------------------------------------------------------


def split(table: Table, aside: list[SetAside], lines=None) -> Table:
    """Table of cells, all texts; rows whose cells cannot be told apart are set aside.

    Parameters
    ----------
    table : Table
    aside : list of SetAside
        Takes what cannot be used.
    lines : list of (int, str) or ndarray of int, optional
        Some lines of a file with their number, or the index of some rows of what is in memory; default all.

    Returns
    -------
    Table
    """
    if table.cells:
        line = table.line[which := slice(None) if lines is None else lines]
        return replace(table, cells=tuple(_texts(a[which]) for a in table.cells), line=line, read=line.size)
    import pandas as pd

    if lines is None:
        lines = enumerate(table.text[table.offset :].decode().split("\n"), table.first_line)
    width = len(table.columns)
    kept: list[tuple[int, str]] = []
    total, short = 0, []
    for number, text, count in _logical(list(lines), table.sep, width):
        total += 1
        # empty cells past the last heading, quoted or not, as spreadsheets write them
        while count > width and (bare := text.rstrip(" ").removesuffix('""').rstrip(" ")).endswith(table.sep):
            text, count = bare.removesuffix(table.sep), count - 1
        if count == width:
            kept.append((number, text))
        elif 1 < count < width and table.form.endswith("readings"):  # the last cells were not written
            kept.append((number, text + table.sep * (width - count)))
            short.append((number, count))
        else:
            aside.append(set_aside(table.file, number, "", text, _wrong_count(count, width, table.sep)))
    if missing := [n for n, count in short if any(c.name == "placement" for c in table.columns[count:])]:
        line = missing[0]
        reason = _wrong_count(dict(short)[line], width, table.sep).partition(";")[0]
        more = f" (and {len(missing) - 1} more rows, down to line {missing[-1]})" if len(missing) > 1 else ""
        reason += f": the last are taken as not measured{more}"
        aside.append(set_aside(table.file, line, "", "", reason, 0))
    if not kept:
        return replace(table, text=b"", cells=(np.empty(0, object),) * width, read=total)
    frame = pd.read_csv(
        io.StringIO("\n".join(text.lstrip(" ") for _, text in kept)), sep=table.sep, header=None,
        names=list(range(width)), index_col=False, dtype=object, na_filter=False, skip_blank_lines=False,
        skipinitialspace=True, low_memory=False,
    )  # fmt: skip
    if len(frame) != len(kept):  # a guard: a row must never slip in silence
        raise RuntimeError(f"{table.file}: {len(kept)} rows went into the CSV reader, {len(frame)} came out")
    cells = tuple(frame[k].to_numpy(dtype=object) for k in range(width))
    return replace(table, text=b"", cells=cells, line=np.array([n for n, _ in kept]), read=total)


def _texts(cells: np.ndarray, form: str = "{}") -> np.ndarray:
    if cells.dtype.kind != "f":
        return cells
    return np.array(["" if x != x else form.format(x) for x in cells.tolist()], object)


def _is_row(line: str, sep: str) -> bool:
    """Whether a line holds any cell (not blanks, separators and quotes only) and is no comment.

    The first character of a comment that is no blank is ``#``; a tab may part cells.
    """
    blank = " " if sep == "\t" else " \t"
    return bool(line.strip(' \t\x0b\x0c\x1a"' + sep)) and not line.lstrip(blank).startswith("#")


def _logical(lines: list[tuple[int, str]], sep: str, width: int) -> Iterator[tuple[int, str, int]]:
    """Rows as (line, text, cells); cells is 0 where a quote is not closed.  Comments and blanks fall out.

    A quoted cell may run over several lines; a quote that is never closed costs its own line and no more.
    """
    # pandas opens a quoted cell only at a cell's start, blanks before it aside
    quoted = re.compile(rf'(^|{sep})[ ]*"(?:[^"]|"")*"')
    opened = re.compile(rf'(?:^|{sep})[ ]*"')

    def cells(text: str) -> int:
        bare = quoted.sub(r"\1", text) if '"' in text else text
        return 0 if '"' in bare and opened.search(bare) else bare.count(sep) + 1

    k = 0
    while k < len(lines):
        number, text = lines[k]
        k += 1
        if not _is_row(text, sep):
            continue
        count = cells(text)
        if count == 0:
            joined, stop = text, k
            while count == 0 and stop < min(len(lines), k + MOST_CELL_LINES):
                place, following = lines[stop]
                if place != lines[stop - 1][0] + 1:
                    break
                if cells(following) == width and following.count('"') % 2 == 0:
                    break  # a row of its own: the quote above was a slip, and may not swallow it
                joined, stop = f"{joined} {following}", stop + 1
                count = cells(joined) if '"' in following else 0
            if count:
                text, k = joined, stop
        yield number, text, count


def _wrong_count(count: int, width: int, sep: str) -> str:
    if count == 0:
        return 'a quote (") is opened and not closed in this row'
    if count < width:
        return f"{count} cell{'s' * (count > 1)}, but {width} headings; leave cells empty rather than out"
    hint = "; decimal comma in a comma-separated file? use ; between cells, or a point" if sep == "," else ""
    return f"{count} cells, but {width} headings{hint}"
