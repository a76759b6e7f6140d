"""Points of sweep and curve files: numbers fast where a file is regular, with care where it is not.

A regular file goes through pandas' number parser in chunks, straight into preallocated arrays.  Lines
that are not regular (comments, wrong cell counts, cells that parser cannot read) are picked out by
their line number and go through the written grammar of `junction.base.units`; both roads give the same
points, which a test holds them to.
"""

from __future__ import annotations

import csv
import io
import warnings
from dataclasses import dataclass, field, replace
from math import nan

import numpy as np

from junction.base.errors import UnitError
from junction.base.records import SetAside
from junction.base.units import in_si
from junction.intake.cells import MissingUnit, quantity_cell, temperature_cell
from junction.intake.headings import Column
from junction.intake.quotes import without_quotes
from junction.intake.rows import Rows, numbered_lines, set_aside, split_rows
from junction.intake.sheet import Sheet

#: text and number columns of each form, and the numbers a row cannot do without
TEXTS = {"sweeps": ("part", "junction", "type", "polarity"), "curves": ("part", "type", "polarity")}
NUMBERS = {"sweeps": ("v", "i", "temp"), "curves": ("vce", "vbe", "ib", "ic", "temp")}
REQUIRED = {"sweeps": ("v", "i"), "curves": ("vce", "ic")}

_CHUNK_ROWS = 50_000
_COLDEST_C, _HOTTEST_C = -80.0, 250.0


@dataclass
class Points:
    """Points of one sheet as logged, with the text cells of each row by code.

    ``keys[code[k]]`` are the text cells of row k, in the order of `TEXTS`; ``values`` holds one array of
    SI values per column of `NUMBERS` (nan where the file has none).
    """

    keys: list[tuple[str, ...]]
    code: np.ndarray
    values: dict[str, np.ndarray]
    line: np.ndarray
    set_aside: list[SetAside] = field(default_factory=list)
    rows_read: int = 0

    def take(self, index: np.ndarray) -> Points:
        """The same points in another order, or fewer of them."""
        values = {name: array[index] for name, array in self.values.items()}
        return Points(self.keys, self.code[index], values, self.line[index], self.set_aside, self.rows_read)


def read_points(sheet: Sheet) -> Points:
    """Read all points of a sweep or curve sheet.

    Returns
    -------
    Points
        In the order of the file; rows that cannot be used are in its set-aside list.
    """
    columns = [c for name in NUMBERS[sheet.form] if (c := sheet.column(name))]
    text = None
    if sheet.mark != "?" and all(np.isfinite(c.factor) for c in columns):
        text = sheet.text
        if text.find(b'"', sheet.offset) >= 0:
            text = without_quotes(text, sheet.offset, sheet.sep)
    if text is None:
        return careful_points(sheet, split_rows(sheet, numbered_lines(sheet)))
    return _fast_points(replace(sheet, text=text))


# --- with care -------------------------------------------------------------------------------------------


def careful_points(sheet: Sheet, rows: Rows) -> Points:
    """Points of rows already split into cells, each number by the written grammar."""
    n = len(rows)
    out = rows.set_aside
    lost = np.zeros(n, bool)
    values: dict[str, np.ndarray] = {}
    for name in NUMBERS[sheet.form]:
        column = sheet.column(name)
        if column is None:
            values[name] = np.full(n, nan)
            continue
        values[name], faults = _numbers(rows.cells[column.index], column, sheet.mark)
        if name in REQUIRED[sheet.form]:
            empty = np.flatnonzero(np.isnan(values[name])).tolist()
            faults |= {k: UnitError("empty cell; a number was expected") for k in empty if k not in faults}
        _set_aside_cells(sheet, column, rows, faults, lost, out, optional=name == "temp")
    if sheet.form == "curves":
        neither = np.isnan(values["vbe"]) & np.isnan(values["ib"]) & ~lost
        reason = "neither vbe nor ib is given; a curve point needs one of them"
        for k in np.flatnonzero(neither).tolist():
            out.append(set_aside(sheet.file, int(rows.line[k]), "", "", reason))
        lost |= neither
    keys, code = _codes([_text(rows, sheet, name) for name in TEXTS[sheet.form]], {})
    points = Points(list(keys), code, values, rows.line, out, rows.rows_read)
    return points.take(~lost) if lost.any() else points


def _text(rows: Rows, sheet: Sheet, name: str) -> np.ndarray | None:
    column = sheet.column(name)
    return None if column is None else rows.cells[column.index]


def _numbers(cells: np.ndarray, column: Column, mark: str) -> tuple[np.ndarray, dict[int, UnitError]]:
    """Values of a column of texts [SI], and what was wrong by row."""
    parse = temperature_cell if column.name == "temp" else quantity_cell
    known: dict[str, float | UnitError] = {}
    values = np.full(len(cells), nan)
    faults: dict[int, UnitError] = {}
    for k, text in enumerate(cells.tolist()):
        if text not in known:
            try:
                known[text] = parse(text, column, mark)
            except UnitError as error:
                known[text] = error
        value = known[text]
        if isinstance(value, UnitError):
            faults[k] = value
        else:
            values[k] = value
    return values, faults


def _set_aside_cells(
    sheet: Sheet, column: Column, rows: Rows, faults: dict[int, UnitError], lost: np.ndarray,
    out: list[SetAside], *, optional: bool,
) -> None:  # fmt: skip
    """Enter a column's faults into the list; a unit missing throughout is one entry, not thousands."""
    unitless = [k for k, fault in faults.items() if isinstance(fault, MissingUnit)]
    entries = [([k], str(fault)) for k, fault in faults.items() if not isinstance(fault, MissingUnit)]
    if unitless:
        reason = str(faults[unitless[0]])
        if len(unitless) > 1:
            reason += f"; {len(unitless)} cells, down to line {rows.line[unitless[-1]]}"
        entries.append((unitless, reason))
    for where, reason in entries:
        value = rows.cells[column.index][where[0]]
        takes = 0 if optional else int(np.count_nonzero(~lost[where]))
        out.append(set_aside(sheet.file, int(rows.line[where[0]]), column.heading, value, reason, takes))
        if not optional:
            lost[where] = True


def _codes(
    texts: list[np.ndarray | None], keys: dict[tuple[str, ...], int]
) -> tuple[dict[tuple[str, ...], int], np.ndarray]:
    """Number the combinations of text cells; only where a run of equal rows ends is anything looked up."""
    present = [t for t in texts if t is not None]
    n = len(present[0])
    if n == 0:
        return keys, np.empty(0, np.int32)
    change = np.zeros(n, bool)
    change[0] = True
    for column in present:
        change[1:] |= (column[1:] != column[:-1]).astype(bool)
    first = np.flatnonzero(change)
    picked = [[""] * first.size if t is None else [c.strip(" \t") for c in t[first]] for t in texts]
    ids = [keys.setdefault(key, len(keys)) for key in zip(*picked, strict=True)]
    return keys, np.repeat(np.asarray(ids, np.int32), np.diff(np.append(first, n)))


# --- fast ------------------------------------------------------------------------------------------------


@dataclass
class _Lines:
    """Lines below the headings: where each ends, and which want care."""

    offset: int
    end: np.ndarray
    odd: np.ndarray

    def start(self, k: int) -> int:
        """First byte of line k."""
        return int(self.end[k - 1]) + 1 if k else self.offset

    def text(self, sheet: Sheet, k: int) -> tuple[int, str]:
        """Line number in the file and text of line k."""
        return k + sheet.first_line, sheet.text[self.start(k) : int(self.end[k])].decode()


def _survey(sheet: Sheet) -> _Lines:
    """Find the lines, and those that are no plain row of the right number of cells."""
    raw = np.frombuffer(sheet.text, np.uint8)
    width, sep = len(sheet.columns), ord(sheet.sep)
    kind = np.int32 if raw.size < 2**31 else np.int64
    ends, separators = [], []
    for a in range(sheet.offset, raw.size, 1 << 22):  # in blocks: a mask of the whole file would double it
        block = raw[a : a + (1 << 22)]
        ends.append((np.flatnonzero(block == 10) + a).astype(kind))
        separators.append((np.flatnonzero(block == sep) + a).astype(kind))
    if raw[-1] != 10:
        ends.append(np.array([raw.size], kind))
    end, at = np.concatenate(ends), np.concatenate(separators)
    first = np.empty(end.size, np.uint8)
    first[0], first[1:] = raw[sheet.offset], raw[end[:-1] + 1]
    odd = (first == ord("#")) | (first <= 32) | (first == sep)
    if at.size == end.size * (width - 1):  # as a rule; then every line's separators lie between its ends
        at = at.reshape(end.size, width - 1)
        regular = (at[:, -1] < end) & (at[:, 0] > np.append(kind(sheet.offset - 1), end[:-1]))
    if at.ndim == 1 or not regular.all():
        odd |= np.diff(np.append(0, np.searchsorted(at.ravel(), end))) != width - 1
    return _Lines(sheet.offset, end, odd)


def _hoped_rows(sheet: Sheet) -> int:
    """Rows below the headings if every line is a plain one, as far as two counts can tell; else 0."""
    last, first = sheet.columns[-1], sheet.columns[0]
    used = TEXTS[sheet.form] + NUMBERS[sheet.form]
    if last.name not in REQUIRED[sheet.form] or first.name not in used or first.problem:
        return 0
    raw = np.frombuffer(sheet.text, np.uint8, offset=sheet.offset)
    rows, separators = int(raw[-1] != 10), 0
    for a in range(0, raw.size, 1 << 22):  # in blocks: a mask of the whole file would double it
        block = raw[a : a + (1 << 22)]
        rows += np.count_nonzero(block == 10)
        separators += np.count_nonzero(block == ord(sheet.sep))
    return rows if separators == rows * (len(sheet.columns) - 1) else 0


def _fast_points(sheet: Sheet) -> Points:
    # Most files are regular, and to find every line of one takes as long as a quarter of reading it.  So
    # it is read in hope first.  With the counts right there is no row too long without one too short, and
    # the short one shows: its last number is missing.  So does a comment: its first cell starts with #.
    n = _hoped_rows(sheet)
    points, unread = _parse_in_hope(sheet, n) if n else (None, None)
    if points is not None and not unread.any() and not _has_comment(sheet, points):
        return points
    lines = _survey(sheet)
    n = lines.odd.size - np.count_nonzero(lines.odd)
    if n < lines.odd.size / 2:
        return careful_points(sheet, split_rows(sheet, numbered_lines(sheet)))
    if points is None or lines.odd.any():
        points, unread = _parse(sheet, lines, n)
    return _with_care(sheet, points, unread, lines) if unread.any() or lines.odd.any() else points


def _parse_in_hope(sheet: Sheet, n: int) -> tuple[Points | None, np.ndarray | None]:
    import pandas as pd

    try:
        return _parse(sheet, None, n)
    except pd.errors.ParserError:  # rows of several widths: pandas refuses some of them, cuts others short
        return None, None


def _has_comment(sheet: Sheet, points: Points) -> bool:
    name = sheet.columns[0].name
    if name not in TEXTS[sheet.form]:
        return False  # a number: a comment would not have been read as one
    at = TEXTS[sheet.form].index(name)
    return any(key[at].lstrip(" \t").startswith("#") for key in points.keys)


def _parse(sheet: Sheet, lines: _Lines | None, n: int) -> tuple[Points, np.ndarray]:
    """Read n plain rows with pandas; also which of them the grammar has to see.  No lines: all are plain."""
    names = [name for name in NUMBERS[sheet.form] if sheet.column(name)]
    values = {name: np.empty(n) for name in names}
    code, unread = np.empty(n, np.int32), np.zeros(n, bool)
    keys: dict[tuple[str, ...], int] = {}
    done = 0
    for chunk in _chunks(sheet, _body(sheet, lines)):
        part = slice(done, done + len(chunk))
        for name in names:
            values[name][part], bad = _column_values(chunk, sheet, name)
            unread[part] |= bad
        texts = [None if (c := sheet.column(t)) is None else chunk[c.index].to_numpy(dtype=object)
                 for t in TEXTS[sheet.form]]  # fmt: skip
        keys, code[part] = _codes(texts, keys)
        done += len(chunk)
    if done != n:  # a guard: a row must never slip in silence
        raise RuntimeError(f"{sheet.file}: {n} rows went into the CSV reader, {done} came out")
    if sheet.form == "curves":
        absent = [~np.isfinite(values[name]) for name in ("vbe", "ib") if name in values]
        unread |= np.logical_and.reduce(absent)
    values |= {name: np.full(n, nan) for name in NUMBERS[sheet.form] if name not in values}
    line = (np.arange(n) if lines is None else np.flatnonzero(~lines.odd)) + sheet.first_line
    return Points(list(keys), code, values, line, [], n), unread


def _body(sheet: Sheet, lines: _Lines | None) -> io.BytesIO:
    """The plain rows as a file: the text itself, or a copy of it without the lines that want care."""
    if lines is None or not lines.odd.any():
        body = io.BytesIO(sheet.text)
        body.seek(sheet.offset)
        return body
    edges = np.flatnonzero(np.diff(np.concatenate(([True], lines.odd, [True]))))
    bounds = edges.reshape(-1, 2).tolist()  # lines [a, b) are plain
    return io.BytesIO(b"\n".join(sheet.text[lines.start(a) : int(lines.end[b - 1])] for a, b in bounds))


def _chunks(sheet: Sheet, body: io.BytesIO):
    import pandas as pd

    texts = [c.index for name in TEXTS[sheet.form] if (c := sheet.column(name))]
    numbers = [c.index for name in NUMBERS[sheet.form] if (c := sheet.column(name))]
    with warnings.catch_warnings():  # a first row too long, read in hope, is found out by the caller
        warnings.simplefilter("ignore", pd.errors.ParserWarning)
        yield from pd.read_csv(
            body, sep=sheet.sep, header=None, names=list(range(len(sheet.columns))), index_col=False,
            usecols=sorted(texts + numbers), dtype=dict.fromkeys(texts, object), chunksize=_CHUNK_ROWS,
            keep_default_na=False, na_values={k: [""] for k in numbers}, quoting=csv.QUOTE_NONE,
            skip_blank_lines=False, low_memory=False, decimal="," if sheet.mark == "," else ".",
        )  # fmt: skip


def _column_values(chunk, sheet: Sheet, name: str) -> tuple[np.ndarray, np.ndarray]:
    """SI values of a chunk's number column, and which of its rows the grammar has to see."""
    import pandas as pd

    column = sheet.column(name)
    series = chunk[column.index]
    if series.dtype.kind in "iuf":
        values = series.to_numpy(dtype=float)
        bad = np.isinf(values)
    elif series.dtype.kind == "b":  # a chunk of nothing but True and False
        values, bad = np.full(len(series), nan), np.ones(len(series), bool)
    else:  # some cell is no plain number; the plain ones among them need no second look
        texts = series.astype(object)
        values = pd.to_numeric(texts, errors="coerce").to_numpy(dtype=float)
        if sheet.mark == ",":  # the second look would read a decimal point without asking
            values = np.full(values.size, nan)
        bad = ~np.isfinite(values) & (texts != "").to_numpy(dtype=bool)
    if column.factor != 1.0:
        values = in_si(values, column.factor)
    if name == "temp":
        bad |= (values < _COLDEST_C) | (values > _HOTTEST_C)
    if name in REQUIRED[sheet.form]:
        bad = ~np.isfinite(values) | bad
    return values, bad


def _with_care(sheet: Sheet, points: Points, unread: np.ndarray, lines: _Lines) -> Points:
    """Read the lines that want care, and put them back at their place in the log."""
    care = np.append(np.flatnonzero(lines.odd), points.line[unread] - sheet.first_line)
    texts = [lines.text(sheet, k) for k in np.sort(care).tolist()]
    extra = careful_points(sheet, split_rows(sheet, texts))
    kept = points.take(~unread)
    rows_read = len(kept.line) + extra.rows_read
    values = {name: np.append(kept.values[name], extra.values[name]) for name in kept.values}
    keys = {key: k for k, key in enumerate(kept.keys)}
    renumbered = np.array([keys.setdefault(key, len(keys)) for key in extra.keys], np.int32)
    code = np.append(kept.code, renumbered[extra.code])
    line = np.append(kept.line, extra.line)
    both = Points(list(keys), code, values, line, extra.set_aside, rows_read)
    return both.take(np.argsort(line, kind="stable"))
