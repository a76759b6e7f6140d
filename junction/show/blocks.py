"""What a report is made of: blocks that the terminal and the page both know how to show.

A command's view (`junction.show.sort`, ...) fills these and nothing else; `junction.show.terminal` sets them
as plain text, `junction.show.page` as a page.  Inline content is text, a number with its unrounded value
(`Num`), a verdict (`Badge`), a link, or a tuple of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from junction.base.number import Pieces

#: A block is made once and read once: what a frozen, comparable record costs at start-up buys nothing here.
_block = dataclass(eq=False, repr=False)


class Num(tuple):
    """A number as `junction.base.number` writes it, in pieces, each with its unrounded value in SI units."""

    __slots__ = ()

    def __new__(cls, pieces: Pieces) -> Num:
        """From the pieces of a formatter."""
        return super().__new__(cls, pieces)

    def __str__(self) -> str:
        return "".join(text for text, _ in self)


def counted(n: int, one: str, many: str = "") -> Num:
    """``1 sweep``, ``2 sweeps``; `many` for plurals that do not end in s; '' for the bare number."""
    word = (one if n == 1 else many or one + "s") if one else ""
    return Num(((str(n), float(n)), (f" {word}" if word else "", None)))


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
    if isinstance(content, tuple) and not isinstance(content, Num):
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
Maker = Callable[[], Iterable[Block]]
