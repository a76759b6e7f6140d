"""What a report is made of: blocks that the terminal and the page both know how to show.

A command's view (`junction.views.sort`, ...) fills these and nothing else; `junction.show.terminal` sets them
as plain text, `junction.show.page` as a page.  Inline content is text, a number with its unrounded value
(`Num`), a verdict (`Badge`), a link, or a tuple of them.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from junction.base.number import Num

#: A block is made once and read once: what a frozen, comparable record costs at start-up buys nothing here.
_block = dataclass(eq=False, repr=False)


def counted(n: int, one: str, many: str = "") -> Num:
    """``1 sweep``, ``2 sweeps``; `many` for plurals that do not end in s; '' for the bare number."""
    word = (one if n == 1 else many or one + "s") if one else ""
    return Num((str(n), float(n)), (f" {word}" if word else "", None))


@_block
class Badge:
    """A verdict's or grade's word in its frame; `text` in place of the word."""

    word: str
    text: str = ""

    def __str__(self) -> str:
        return self.text or self.word


@_block
class Link:
    """Text that leads to a section of the page, by its id."""

    text: str
    to: str

    def __str__(self) -> str:
        return self.text


Inline = str | Num | Badge | Link | tuple | None


def words(content: Inline) -> str:
    """Inline content as plain text."""
    if content is None:
        return ""
    if isinstance(content, tuple):
        return "".join(words(item) for item in content)
    return str(content)


@_block
class Text:
    """A paragraph; `role` is '' (plain), 'lead', 'soft', 'strong', 'alarm', 'next' or 'title'."""

    content: Inline
    role: str = ""
    hang: str = ""  # how further lines are indented on a terminal


@_block
class Bullets:
    """A list, with a heading of its own if need be; `role` as for a text, or 'two' (two columns)."""

    items: Sequence[Inline]
    heading: str = ""
    role: str = ""


@_block
class Labelled:
    """Sentences beside a label at the left (terminal), or under it (page)."""

    label: str
    items: Sequence[Inline]


@_block
class Column:
    """A column: heading, ``left`` or ``right``, and whether long cells may wrap onto further lines."""

    heading: str
    align: str = "left"
    wrap: bool = False

    def __post_init__(self) -> None:
        if self.align not in ("left", "right"):
            raise ValueError(f"align {self.align!r}: expected left or right")


def columns(*headings: str, right: Sequence[str] = (), wrap: Sequence[str] = ()) -> list[Column]:
    """Columns by their headings, some set to the right, some with cells that may wrap."""
    return [Column(h, "right" if h in right else "left", h in wrap) for h in headings]


@_block
class Table:
    """A table; `style` is '' (stacks on a narrow screen), 'values', 'grid' or 'overview'."""

    columns: Sequence[Column]
    rows: Sequence[Sequence[Inline]]
    heading: str = ""
    style: str = ""


@_block
class Facts:
    """Names with their values, one a line."""

    pairs: Sequence[tuple[Inline, Inline]]


@_block
class Cautions:
    """Cautions (`junction.shelf.results.Caution`) that stand before the work."""

    items: Sequence


@_block
class Pictures:
    """Pictures side by side, each (alternative text, maker of its SVG text); on pages only."""

    pictures: Sequence[tuple[str, str]]
    caption: Inline = ""


@_block
class Code:
    """Lines to copy as they stand."""

    text: str
    heading: str = ""


@_block
class Beside:
    """Blocks side by side where there is room."""

    blocks: Sequence


@_block
class Section:
    """Blocks under a heading; `level` 2 to 4, `role` 'part' for the card of one part."""

    heading: Inline
    blocks: Sequence
    id: str = ""
    level: int = 2
    role: str = ""


Block = Text | Bullets | Labelled | Table | Facts | Cautions | Pictures | Code | Beside | Section


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
