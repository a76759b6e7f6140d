"""Lines of a sheet to rows of cells, with the true line number of each; no row is lost.

The careful way of reading.  Lines are told apart (comment, blank, row), rows with too many or too few
cells are set aside, and pandas splits the rest.  A quoted cell may run over several lines; a quote that
is never closed costs its own line and no more.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from junction.base.records import SetAside
from junction.base.units import shown
from junction.intake.cells import visible
from junction.intake.sheet import Sheet, is_blank, is_comment

#: A quoted cell may run over this many lines.
MOST_CELL_LINES = 20
_CLIP = 80


@dataclass
class Rows:
    """Rows of one sheet: cell texts by column, line numbers, and what was set aside so far."""

    cells: list[np.ndarray]  # one object array of str per column
    line: np.ndarray  # (n,) int
    set_aside: list[SetAside] = field(default_factory=list)
    rows_read: int = 0

    def __len__(self) -> int:
        return self.line.size


def clip(text: str) -> str:
    """Cell or line as the set-aside list shows it."""
    text = text.strip()
    return text if len(text) <= _CLIP else text[: _CLIP - 1] + "…"


def set_aside(file: str, row: int, column: str, value: str, reason: str, rows: int = 1) -> SetAside:
    """Entry of the list; a reason that starts by quoting the value is cut down to what it adds."""
    quoted = shown(value)
    if value and reason.startswith(quoted):
        reason = reason[len(quoted) :].lstrip(": ").removeprefix("is ")
    return SetAside(file, row, column, clip(visible(value)), reason, rows)


def numbered_lines(sheet: Sheet) -> list[tuple[int, str]]:
    """Every line below the headings with its line number in the file."""
    lines = sheet.text[sheet.offset :].decode().split("\n")
    return list(enumerate(lines, sheet.first_line))


class _Quotes:
    """Counts cells of a line; pandas opens a quoted cell only at a cell's start, blanks before it aside."""

    def __init__(self, sep: str) -> None:
        self.sep = sep
        self._quoted = re.compile(rf'(^|{sep})[ ]*"(?:[^"]|"")*"')
        self._opened = re.compile(rf'(?:^|{sep})[ ]*"')

    def cells(self, text: str) -> int:
        """Cells of a line; 0 where a quote is opened and not closed."""
        if '"' not in text:
            return text.count(self.sep) + 1
        bare = self._quoted.sub(r"\1", text)
        return 0 if self._opened.search(bare) else bare.count(self.sep) + 1


def _logical(lines: list[tuple[int, str]], sep: str, width: int) -> Iterator[tuple[int, str, int]]:
    """Rows as (line, text, cells); cells is 0 where a quote is not closed.  Comments and blanks fall out."""
    quotes = _Quotes(sep)
    k = 0
    while k < len(lines):
        number, text = lines[k]
        k += 1
        if is_blank(text, sep) or is_comment(text, sep):
            continue
        count = quotes.cells(text)
        if count == 0:
            joined, stop = text, k
            while count == 0 and stop < min(len(lines), k + MOST_CELL_LINES):
                following = lines[stop][1]
                if quotes.cells(following) == width and following.count('"') % 2 == 0:
                    break  # a row of its own: the quote above was a slip, and may not swallow it
                joined, stop = f"{joined} {following}", stop + 1
                count = quotes.cells(joined) if '"' in following else 0
            if count:
                text, k = joined, stop
        yield number, text, count


def split_rows(sheet: Sheet, lines: Iterable[tuple[int, str]]) -> Rows:
    """Split lines into cells with pandas, setting aside the rows whose cells cannot be told apart.

    Parameters
    ----------
    sheet : Sheet
        Headings and separator.
    lines : iterable of (int, str)
        Line number in the file and text, comments and blank lines included.

    Returns
    -------
    Rows
    """
    import pandas as pd

    width = len(sheet.columns)
    kept: list[tuple[int, str]] = []
    out: list[SetAside] = []
    total = 0
    for number, text, count in _logical(list(lines), sheet.sep, width):
        total += 1
        text, count = _without_empty_end(text, count, width, sheet.sep)
        if count == width:
            kept.append((number, text))
        else:
            out.append(set_aside(sheet.file, number, "", text, _wrong_count(count, width, sheet.sep)))
    if not kept:
        return Rows([np.empty(0, object)] * width, np.empty(0, np.int64), out, total)
    frame = pd.read_csv(
        io.StringIO("\n".join(text.lstrip(" ") for _, text in kept)), sep=sheet.sep, header=None,
        names=list(range(width)), index_col=False, dtype=object, na_filter=False, skip_blank_lines=False,
        skipinitialspace=True, low_memory=False,
    )  # fmt: skip
    if len(frame) != len(kept):  # a guard: a row must never slip in silence
        raise RuntimeError(f"{sheet.file}: {len(kept)} rows went into the CSV reader, {len(frame)} came out")
    cells = [frame[k].to_numpy(dtype=object) for k in range(width)]
    return Rows(cells, np.fromiter((n for n, _ in kept), np.int64, len(kept)), out, total)


def _without_empty_end(text: str, count: int, width: int, sep: str) -> tuple[str, int]:
    """Drop empty cells past the last heading, quoted or not, as spreadsheets write them."""
    while count > width:
        bare = text.rstrip(" ").removesuffix('""').rstrip(" ")
        if not bare.endswith(sep):
            break
        text, count = bare.removesuffix(sep), count - 1
    return text, count


def _wrong_count(count: int, width: int, sep: str) -> str:
    if count == 0:
        return 'a quote (") is opened and not closed in this row'
    if count < width:
        return f"{count} cell{'s' * (count > 1)}, but {width} headings; leave cells empty rather than out"
    hint = "; decimal comma in a comma-separated file? use ; between cells, or a point" if sep == "," else ""
    return f"{count} cells, but {width} headings{hint}"
