"""What a report is made of: blocks that terminal and page both show; and how a terminal sets them.

A command's view (`junction.views.sort`, ...) fills these and nothing else; the second half
of this module sets them as plain text, `junction.show.page` as a page.  Inline content is text, a number
with its unrounded value (`Num`), a verdict (`Badge`), a link, or a tuple of them.

Colour is used on a terminal only, never when ``NO_COLOR`` is set or the terminal calls itself dumb,
and never says anything that the words do not say.
"""

from __future__ import annotations

import os
import re
import shutil
import textwrap
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from junction.base.units import Num


class Badge(str):
    """A verdict's or grade's `word` in its frame; the text is the word, or another."""

    __slots__ = ("word",)

    def __new__(cls, word: str, text: str = "") -> Badge:
        """With the word itself as text where none is given."""
        self = super().__new__(cls, text or word)
        self.word = word
        return self


class Link(str):
    """Text that leads to a section of the page by its id `to`, or to another page (``name.html#id``)."""

    __slots__ = ("to",)

    def __new__(cls, text: str, to: str) -> Link:
        """From its text and where it leads."""
        self = super().__new__(cls, text)
        self.to = to
        return self


class Row(list):
    """Cells of a table's row, with the attributes that a page gives it."""

    __slots__ = ("told",)

    def __init__(self, cells: Iterable[Inline], **told: str) -> None:
        super().__init__(cells)
        self.told = told


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


#: Sign behind a figure that nobody but the trade stands for, and what it means, told once at the end.
PRACTICE, PRACTICE_MEANS = "†", "† common practice, no source"
_PRACTICE = re.compile(r"( \()?(?:; )?\bcommon practice, no source(?:(\))|; )?")


def signed(text: str) -> str:
    """Text with a sign for ``(common practice, no source)``; a source that stands alone keeps its words."""

    def sign(match: re.Match) -> str:
        opened, closed = match.groups()
        if opened:
            return PRACTICE if closed else f"{PRACTICE} ("
        return PRACTICE + (closed or "")

    alone = text == PRACTICE_MEANS.removeprefix(f"{PRACTICE} ")
    return text if alone or "practice, no source" not in text else _PRACTICE.sub(sign, text)


def words(content: Inline) -> str:
    """Inline content as plain text."""
    if isinstance(content, tuple):
        return "".join(words(item) for item in content)
    return signed(str(content or ""))


def text(content: Inline, role: str = "", hang: str = "") -> Block:
    """A paragraph; `role` is '' (plain) or one of lead, soft, strong, quiet, alarm, danger, next, title.

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
    """A table; `style` is '' (stacks on a narrow screen), 'parts' (closer), 'values', 'grid' or 'counts'.

    On a terminal also 'lines': one line a row, the last columns cut to what there is room for.
    """
    return Block("table", rows, heading, style, columns)


def lines(rows: Sequence[Sequence[Inline]], short: int) -> Block:
    """A table without headings on a terminal: one line a row, the columns after the first `short` cut."""
    return table([("", False, k >= short) for k in range(len(rows[0]) if rows else 0)], rows, style="lines")


def facts(pairs: Sequence[tuple[Inline, Inline]]) -> Block:
    """Names with their values, one a line."""
    return Block("facts", pairs)


def cautions(items: Sequence) -> Block:
    """Cautions (rows of reference/cautions.csv) that stand before the work."""
    return Block("cautions", items)


def danger(items: Sequence) -> str:
    """Cautions in one line: the short forms of those that have one, each once."""
    said = dict.fromkeys(filter(None, (getattr(c, "short", "") for c in items)))
    return f"DANGER: {'; '.join(said)}." if said else "Cautions before you start"


def pictures(pictures: Sequence, caption: Inline = "", role: str = "") -> Block:
    """Pictures (`junction.show.canvas.Picture`) side by side where there is room; on pages only."""
    return Block("pictures", pictures, caption, role)


def code(text: str, heading: str = "") -> Block:
    """Lines to copy as they stand."""
    return Block("code", text, heading)


def beside(blocks: Sequence[Block], role: str = "") -> Block:
    """Blocks side by side where there is room; with the role 'pile' one below the other but in print."""
    return Block("beside", blocks, role=role)


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
    return section("Not used", [found, *cut])


def that_fit(names: Iterable[str], most: int, rest: str = "") -> str:
    """So many names, with commas, that the text has at most so many characters; the first in any case.

    ``rest`` is what stands for those left out, with ``{}`` for how many.
    """
    names = [*names]
    text = next(iter(names), "")
    for k, name in enumerate(names[1:], 1):
        more = rest.format(len(names) - k - 1) if rest and k < len(names) - 1 else ""
        if len(f"{text}, {name}{more}") > most:
            return text + rest.format(len(names) - k)
        text = f"{text}, {name}"
    return text


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


#: Stand-ins where a character cannot be shown; mohm and Mohm would be told apart by a capital letter alone.
_PLAIN = (("mΩ", "milliohm"), ("MΩ", "megohm"), ("Ω", "ohm"), ("µ", "u"), ("±", "+/-"), ("°", ""), ("–", "-"),
          ("×", "x"), ("²", "2"), (PRACTICE, "(*)"))  # fmt: skip


def plain(text: str) -> str:
    """Text with ASCII stand-ins for signs and units: ``4.7 kohm`` for ``4.7 kΩ``, ``2 uA`` for ``2 µA``."""
    for sign, words in _PLAIN:
        text = text.replace(sign, words)
    return text


def display_width(text: str) -> int:
    """Columns a text takes on a terminal: wide East Asian characters two, combining marks none."""
    if text.isascii():
        return len(text)
    shown = (c for c in text if not unicodedata.combining(c))
    return sum(2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in shown)


def file_stem(text: str) -> str:
    """A part name as the stem of a file name: letters, digits, ``.``, ``_`` and ``-``, at most 60."""
    stem = "".join(c if c.isalnum() and c.isascii() or c in "._-" else "_" for c in text)
    return stem.lstrip(".")[:60] or "part"


def set_aside_words(items) -> str:
    """How much of the input was not used: ``3 rows and 1 cell``."""
    rows, cells = sum(s.rows for s in items), sum(s.rows == 0 for s in items)
    words = [count(rows, "row")] if rows else []
    return " and ".join(words + ([count(cells, "cell")] if cells else [])) or "nothing"


WIDTH = 80
GAP = "  "
_LABEL = 10  # columns that a label at the left takes

#: SGR codes of our own quiet palette: weight first, hue second; a good part needs no paint.  The hues are
#: among the few of 256 that have a contrast of 4.5 and more on black and on white alike (WCAG 2.2, 1.4.3; a
#: test computes it).
_VERDICT_SGR = {"shorted": "1;38;5;163", "open": "1;38;5;63", "leaky": "1;38;5;131", "undecided": "1;4",
                "good": ""}  # fmt: skip
_SGR = {"strong": "1", "alarm": "1", "danger": "1", "quiet": "38;5;243", "mark": "1;7"}
#: Columns under which a row that does not fit its line is folded and not cut.
_FOLDS = 72


def coloured(text: str, role: str = "", verdict: str = "") -> str:
    """Text in the emphasis of a role, or in the colour of a verdict."""
    code = _VERDICT_SGR.get(verdict, "") if verdict else _SGR.get(role, "")
    return f"\x1b[{code}m{text}\x1b[0m" if code and text.strip() else text


def bare(text: str, role: str = "", verdict: str = "") -> str:
    """Text as it is, where colour is off."""
    return text


def paint_for(stream) -> Callable:
    """`coloured` for a terminal without ``NO_COLOR`` and not ``TERM=dumb``, else `bare`."""
    off = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb" or not is_terminal(stream)
    return bare if off else coloured


def is_terminal(stream) -> bool:
    """Whether somebody looks at what the stream shows while it comes."""
    return bool(getattr(stream, "isatty", lambda: False)())


def width_for(stream) -> int:
    """Columns to write for: the terminal's (40 to 120), or 80 when the stream is no terminal."""
    if not is_terminal(stream):
        return WIDTH
    return min(120, max(40, shutil.get_terminal_size((WIDTH, 24)).columns))


def paragraph(text: str, width: int = WIDTH, indent: str = "", hang: str | None = None) -> str:
    """A sentence wrapped to the width; continuation lines start with `hang` (default: as `indent`)."""
    own = text[: len(text) - len(text.lstrip(" "))]  # an indentation of its own is no gap to break at
    return textwrap.fill(
        visible(text[len(own) :]), width, initial_indent=indent + own,
        subsequent_indent=indent if hang is None else hang, break_on_hyphens=False,
    )  # fmt: skip


def _wrapped(text: str, width: int) -> list[str]:
    shown = display_width(text)
    if shown <= width:
        return [text]
    if shown != len(text):  # wide characters: never more columns than promised
        width = max(1, width // 2)
    return textwrap.wrap(text, width, break_on_hyphens=False) or [""]


def column_widths(columns: Sequence, rows: Sequence[Sequence[str]], width: int) -> list[int]:
    """Width of each column so that a line is at most `width` columns.

    Columns that may wrap give way first, the widest before the others and none below 12; where that is
    not enough, the other columns are cut down as well.
    """
    natural = [
        max([display_width(heading), *(display_width(row[k]) for row in rows)])
        for k, (heading, _, _) in enumerate(columns)
    ]
    room = width - len(GAP) * (len(columns) - 1)
    for wrapping, least in ((True, 12), (False, 4)):
        while sum(natural) > room:
            able = [k for k, (_, _, wrap) in enumerate(columns) if wrap >= wrapping and natural[k] > least]
            if not able:
                break
            natural[max(able, key=lambda k: natural[k])] -= 1
    return natural


def cut(text: str, width: int) -> str:
    """Text of at most so many columns; an ellipsis, after a whole clause or word if it can."""
    if display_width(text) <= width:
        return text
    while display_width(text) > max(width - 1, 0):
        text = text[:-1]
    for between in (". ", "; ", ": ", ", ", " "):
        whole = text.rpartition(between)[0]
        if 3 * len(whole) > (2 if between != " " else 1) * len(text):
            return f"{whole.rstrip(' ,;:')}…"
    return f"{text}…"


def _folded(heads: Sequence[str], cells: Sequence[str], badges: Sequence[str], few: int, width: int,
            paint: Callable) -> Iterable[str]:  # fmt: skip
    """A row that has no line of its own: its first columns, and the others below, with their headings."""
    short = [(cell, badge) for cell, badge in zip(cells[:few], badges, strict=False) if cell]
    plain = GAP.join(cell for cell, _ in short)
    painted = GAP.join(paint(cell, verdict=badge) if badge else cell for cell, badge in short)
    yield painted if display_width(plain) <= width else paragraph(plain, width, "", "  ")
    if any(heads):
        told = (f"{head} {cell}" for head, cell in zip(heads[few:], cells[few:], strict=True) if cell)
        yield paragraph("; ".join(told), width, "  ")
    else:
        yield from (paragraph(cell, width, "  ") for cell in cells[few:] if cell)


def _row_lines(table: Block, shown: list[list[str]], width: int, paint: Callable) -> Iterable[str]:
    """One line a row: the columns that may wrap stand last, two at most, and are cut to their room.

    What is to be done, the last of them, is kept before the figure; where there is no room for either, the
    row is folded.
    """
    few, count = sum(not wrap for _, _, wrap in table.columns), len(table.columns)
    heads = [heading for heading, _, _ in table.columns]
    lines = [heads, *shown] if any(heads) else shown
    wide = [max(display_width(line[k]) for line in lines) for k in range(count)]
    room = width - sum(w + len(GAP) for w in wide[:few])
    badges = [[getattr(cell, "word", "") for cell in row] for row in table.body]
    short = room + (len(GAP) if few == count else 0) < sum(wide[few:])
    if short and (few == count or width < _FOLDS or room < _FOLDS // 3):
        few = min(few, next((k for k, (_, right, _) in enumerate(table.columns) if right), few))
        for line, own in zip(shown, badges, strict=True):
            yield from _folded(heads, line, own, few, width, paint)
        return
    last = max(wide[few + 1 :], default=-len(GAP)) + len(GAP)
    least = min(wide[few], 2 * room // 5) if few < count else 0
    for line, own in zip(lines, [[""] * count] * (len(lines) - len(shown)) + badges, strict=True):
        text = ""
        for cell, w, (_, right, _), badge in zip(line[:few], wide, table.columns, own, strict=False):
            fill = " " * (w - display_width(cell))
            cell = fill + cell if right else cell + fill
            text += (paint(cell, verdict=badge) if badge else cell) + GAP
        if few < count:
            figure, act = [*line[few:], ""][:2]
            act = cut(act, max(room - len(GAP) - min(display_width(figure), least), 0))
            figure = cut(figure, room - (display_width(act) + len(GAP) if act else 0))
            fill = " " * (min(wide[few], room - last) - display_width(figure))
            text += f"{figure}{fill}{GAP}{act}"
        yield text.rstrip()


def table_text(table: Block, width: int = WIDTH, paint: Callable = bare) -> str:
    """Text of a table, without a final line end; a badge takes its verdict's colour after padding."""
    shown = [[visible(words(cell)) for cell in row] for row in table.body]
    if table.role == "lines":
        return "\n".join(_row_lines(table, shown, width, paint))
    widths = column_widths(table.columns, shown, width)

    def lines_of(cells: Sequence[str], badges: Sequence[str]) -> Iterable[str]:
        folded = [_wrapped(cell, w) for cell, w in zip(cells, widths, strict=True)]
        for n in range(max(len(f) for f in folded)):
            line = []
            for f, w, (_, right, _), badge in zip(folded, widths, table.columns, badges, strict=True):
                text = f[n] if n < len(f) else ""
                fill = " " * max(0, w - display_width(text))
                text = fill + text if right else text + fill
                line.append(paint(text, verdict=badge) if badge else text)
            yield GAP.join(line).rstrip()

    heads = lines_of([heading for heading, _, _ in table.columns], [""] * len(widths))
    lines = [paint(line, "strong") for line in heads]
    lines.append(paint(GAP.join("-" * w for w in widths), "quiet"))
    for row, cells in zip(table.body, shown, strict=True):
        lines += lines_of(cells, [getattr(cell, "word", "") for cell in row])
    return "\n".join(lines)


def _lines(block: Block | str, width: int, paint: Callable) -> Iterable[str]:
    if isinstance(block, str):  # a line that is set already
        yield block
        return
    body, heading = block.body, words(block.heading)
    if heading and body and block.kind in ("bullets", "table", "section"):
        if block.kind == "bullets":
            yield ""
        yield paint(paragraph(heading, width), "strong")
    match block.kind:
        case "text" if block.role == "alarm":
            yield paint(paragraph("! " + words(body), width, "", "  "), "alarm")
        case "text" if block.role == "danger":
            first, _, rest = paragraph(words(body), width).partition(" ")
            yield f"{paint(first, 'mark')} {paint(rest, 'danger')}"
        case "text":
            line = paragraph(words(body), width, "", block.hang)
            first = body[0] if isinstance(body, tuple) else None
            if isinstance(first, Badge):
                line = paint(line[: len(first)], verdict=first.word) + line[len(first) :]
            yield paint(line, block.role)
        case "bullets":
            for item in body:
                yield paint(paragraph("- " + words(item), width, "", "  "), block.role)
        case "labelled":
            for k, item in enumerate(body):
                text = paragraph(words(item), width, " " * _LABEL)
                yield paint(heading.ljust(_LABEL), "quiet") + text[_LABEL:] if k == 0 else text
        case "table":
            yield table_text(block, width, paint)
        case "facts":
            wide = max((len(words(name)) for name, _ in body), default=0)
            for name, value in body:
                hang = " " * (wide + len(GAP) if 2 * wide < width else 2)
                yield paragraph(f"{words(name):<{wide}}  {words(value)}", width, "", hang)
        case "section":
            for inner in body:
                yield from _lines(inner, width, paint)


def terminal_text(
    blocks: Iterable[Block | str], width: int = WIDTH, paint: Callable | None = None
) -> str:
    """All blocks as text, without a final line end; an empty text is an empty line."""
    text = "\n".join(line for block in blocks for line in _lines(block, width, paint or bare))
    return f"{text}\n{PRACTICE_MEANS}" if PRACTICE in text else text


def height(blocks: Iterable[Block | str], width: int = WIDTH) -> int:
    """Lines that blocks take."""
    text = terminal_text(blocks, width)
    return text.count("\n") + 1 if text else 0
