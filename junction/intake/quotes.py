"""Quotes that change nothing: a quoted file as the same file without them, where that is certain.

Spreadsheets and statistics programs quote every cell, or every text.  As long as no quoted cell holds a
separator, a line end or a quote, the quotes may go, and the file can be read the fast way.
"""

from __future__ import annotations

import numpy as np

_QUOTE, _NEWLINE, _HASH = ord('"'), ord("\n"), ord("#")


def without_quotes(text: bytes, offset: int, sep: str) -> bytes | None:
    """Text with the quotes below the headings taken out, or None where they mean something.

    Parameters
    ----------
    text : bytes
        Whole file, UTF-8.
    offset : int
        First byte below the headings.
    sep : str
        Separator.

    Returns
    -------
    bytes or None
        Line for line and cell for cell the same table.
    """
    raw = np.frombuffer(text, np.uint8, offset=offset)
    at = np.flatnonzero(raw == _QUOTE)
    if at.size % 2:
        return None
    opening, closing = at[0::2], at[1::2]
    ends = np.array([ord(sep), _NEWLINE], np.uint8)
    before, after = raw[np.maximum(opening - 1, 0)], raw[np.minimum(closing + 1, raw.size - 1)]
    starts_cell = np.isin(before, ends) | (opening == 0)
    ends_cell = np.isin(after, ends) | (closing == raw.size - 1)
    if not (starts_cell.all() and ends_cell.all()):
        return None
    marks = np.flatnonzero(np.isin(raw, ends))
    if (np.searchsorted(marks, opening) != np.searchsorted(marks, closing)).any():
        return None  # a separator or a line end within quotes
    first = (before == _NEWLINE) | (opening == 0)
    if (raw[opening[first] + 1] == _HASH).any():
        return None  # without its quote it would be a comment
    return text[:offset] + text[offset:].replace(b'"', b"")
