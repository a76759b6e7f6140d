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


class Badge(str):
    """A verdict's or grade's `word` in its frame; the text is the word, or another."""

    __slots__ = ("word",)

    def __new__(cls, word: str, text: str = "") -> Badge:
        """With the word itself as text where none is given."""
        self = super().__new__(cls, text or word)
        self.word = word
        return self


class Link(str):
    """Text that leads to a section of the page, by its id `to`."""

    __slots__ = ("to",)

    def __new__(cls, text: str, to: str) -> Link:
        """From its text and where it leads."""
        self = super().__new__(cls, text)
        self.to = to
        return self


#: Set-aside rows listed on a page; the CSV and the JSON hold all.
MOST_SET_ASIDE = 1000

Inline = str | tuple | None  # text, `Num`, `Badge` and `Link` among it


@dataclass(eq=False, repr=False)
class Block:
    """One thing to show, made by the functions below; `kind` is the name of the function.

    ``body`` is its content, items, rows, pairs, pictures or inner blocks; ``role`` and ``style`` are words
    that the two ways of showing know.
    """

    kind: str
    body: object
    heading: Inline = ""
    role: str = ""
    columns: Sequence[tuple[str, bool, bool]] = ()
    hang: str = ""
    id: str = ""
    level: int = 2


def count(n: int, one: str = "", many: str = "") -> Num:
    """``1 sweep``, ``2 sweeps``; `many` for plurals that do not end in s; the bare number without `one`."""
    word = (one if n == 1 else many or one + "s") if one else ""
    return Num((str(n), float(n)), (f" {word}" if word else "", None))


def words(content: Inline) -> str:
    """Inline content as plain text."""
    if isinstance(content, tuple):
        return "".join(words(item) for item in content)
    return str(content or "")


def text(content: Inline, role: str = "", hang: str = "") -> Block:
    """A paragraph; `role` is '' (plain), 'lead', 'soft', 'strong', 'quiet', 'alarm', 'next' or 'title'.

    ``hang`` is how further lines are indented on a terminal.
    """
    return Block("text", content, role=role, hang=hang)


def bullets(items: Sequence[Inline], heading: str = "", role: str = "") -> Block:
    """A list, with a heading of its own if need be; `role` as for a text, or 'two' (two columns)."""
    return Block("bullets", items, heading, role)


def labelled(label: str, items: Sequence[Inline]) -> Block:
    """Sentences beside a label at the left (terminal), or under it (page)."""
    return Block("labelled", items, label)


def columns(*headings: str, right: Sequence[str] = (), wrap: Sequence[str] = ()) -> list[tuple]:
    """Columns of a table: heading, whether it is set to the right, and whether long cells may wrap."""
    return [(h, h in right, h in wrap) for h in headings]


def table(columns: Sequence, rows: Sequence[Sequence[Inline]], heading: str = "", style: str = "") -> Block:
    """A table; `style` is '' (stacks on a narrow screen), 'values', 'grid' or 'overview'."""
    return Block("table", rows, heading, style, columns)


def facts(pairs: Sequence[tuple[Inline, Inline]]) -> Block:
    """Names with their values, one a line."""
    return Block("facts", pairs)


def cautions(items: Sequence) -> Block:
    """Cautions (`junction.shelf.results.Caution`) that stand before the work."""
    return Block("cautions", items)


def pictures(pictures: Sequence[tuple[str, str]], caption: Inline = "") -> Block:
    """Pictures side by side, each (alternative text, its SVG text); on pages only."""
    return Block("pictures", pictures, caption)


def code(text: str, heading: str = "") -> Block:
    """Lines to copy as they stand."""
    return Block("code", text, heading)


def beside(blocks: Sequence[Block]) -> Block:
    """Blocks side by side where there is room."""
    return Block("beside", blocks)


def section(heading: Inline, blocks: Sequence, id: str = "", level: int = 2, role: str = "") -> Block:
    """Blocks under a heading, nothing where none of them shows anything on a page.

    ``level`` is 2 to 4, ``role`` 'part' for the card of one part.
    """
    return Block("section", blocks, heading, role, id=id, level=level)


def set_aside(items: Sequence) -> Block:
    """Rows that were not used (`junction.base.records.SetAside`), with place and reason."""
    rows = [[s.file, count(s.row, "") if s.row is not None else "", s.column, s.value, s.reason]
            for s in items[:MOST_SET_ASIDE]]  # fmt: skip
    cut = [text("The rest of them are in set_aside.csv.", "soft")] if len(items) > len(rows) else []
    found = table(columns("file", "line", "column", "value", "reason"), rows)
    return section("Set aside, not used", [found, *cut])


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
