"""CSV text that a spreadsheet can open without running anything a part name says."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from math import isfinite

from junction.show.text import visible

#: A cell that starts with one of these may be taken for a formula by a spreadsheet.
_FORMULA_START = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")


def safe_cell(text: str) -> str:
    """Text of a cell: control characters made visible, and a leading ``'`` where it looks like a formula."""
    shown = visible(text)
    return "'" + shown if text.lstrip(" ").startswith(_FORMULA_START) else shown


def number_cell(x: float, digits: int = 9) -> str:
    """A number with a decimal point to `digits` significant digits; nothing where it is not known."""
    return f"{x:.{digits}g}" if isfinite(x) else ""


def cell(value: object) -> str:
    """Any value as the text of a cell; numbers stay numbers, text is made safe."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return number_cell(value)
    return safe_cell(str(value))


def csv_text(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Whole CSV file as text: comma, decimal point, one heading row, lines ended by a line feed."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([safe_cell(h) for h in headings])
    for row in rows:
        writer.writerow([cell(value) for value in row])
    return out.getvalue()


SET_ASIDE_HEADINGS = ("file", "row", "column", "value", "reason")


def set_aside_csv(items) -> str:
    """The set-aside list as CSV."""
    return csv_text(SET_ASIDE_HEADINGS, ((s.file, s.row, s.column, s.value, s.reason) for s in items))
