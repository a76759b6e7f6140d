"""Text that came from outside, made safe to show: no control character reaches a terminal or a page."""

from __future__ import annotations

import unicodedata


def visible(text: str) -> str:
    r"""Text with every character that would not print written out.

    A part name read from a file may hold an escape sequence, a line end or a direction mark; each is
    shown as ``\x1b``, ``\u202e`` and so on, and blanks of other widths as a plain blank.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    if text.isprintable():
        return text
    out = []
    for character in text:
        if character.isprintable():
            out.append(character)
        elif unicodedata.category(character) == "Zs":
            out.append(" ")
        else:
            code = ord(character)
            form = "\\x{:02x}" if code < 256 else "\\u{:04x}" if code < 65536 else "\\U{:08x}"
            out.append(form.format(code))
    return "".join(out)


def display_width(text: str) -> int:
    """Columns a text takes on a terminal: wide East Asian characters two, combining marks none."""
    if text.isascii():
        return len(text)
    width = 0
    for character in text:
        if unicodedata.combining(character):
            continue
        width += 2 if unicodedata.east_asian_width(character) in "WF" else 1
    return width


def file_stem(text: str) -> str:
    """A part name as the stem of a file name: letters, digits, ``.``, ``_`` and ``-``, at most 60."""
    stem = "".join(c if c.isalnum() and c.isascii() or c in "._-" else "_" for c in text)
    return stem.lstrip(".")[:60] or "part"


def count(n: int, one: str, many: str = "") -> str:
    """``1 row``, ``2 rows``; `many` for plurals that do not end in s."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def set_aside_words(items) -> str:
    """How much of the input was not used: ``3 rows and 1 cell``."""
    rows, cells = sum(s.rows for s in items), sum(s.rows == 0 for s in items)
    words = [count(rows, "row")] if rows else []
    return " and ".join(words + ([count(cells, "cell")] if cells else [])) or "nothing"


def join_words(words, last: str = "and") -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    words = list(words)
    if len(words) < 2:
        return "".join(words)
    return ", ".join(words[:-1]) + f" {last} {words[-1]}"
