"""Blocks as plain text that stays aligned and readable on 80 columns, with colour only as a help.

Colour is used on a terminal only, never when ``NO_COLOR`` is set or the terminal calls itself dumb,
and never says anything that the words do not say.
"""

from __future__ import annotations

import os
import shutil
import textwrap
from collections.abc import Callable, Iterable, Sequence

from junction.show import blocks as b
from junction.show.blocks import display_width, visible, words

WIDTH = 80
GAP = "  "
_LABEL = 10  # columns that a label at the left takes

#: SGR codes of our own quiet palette: weight first, hue second; a good part needs no paint.
_VERDICT_SGR = {"shorted": "1;35", "open": "1;34", "leaky": "1;36", "undecided": "3", "good": ""}
_SGR = {"strong": "1", "alarm": "1", "quiet": "2"}


def coloured(text: str, role: str = "", verdict: str = "") -> str:
    """Text in the emphasis of a role, or in the colour of a verdict."""
    code = _VERDICT_SGR.get(verdict, "") if verdict else _SGR.get(role, "")
    return f"\x1b[{code}m{text}\x1b[0m" if code and text.strip() else text


def bare(text: str, role: str = "", verdict: str = "") -> str:
    """Text as it is, where colour is off."""
    return text


def paint_for(stream) -> Callable:
    """`coloured` for a terminal without ``NO_COLOR`` and not ``TERM=dumb``, else `bare`."""
    off = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb" or not _is_terminal(stream)
    return bare if off else coloured


def _is_terminal(stream) -> bool:
    return bool(getattr(stream, "isatty", lambda: False)())


def width_for(stream) -> int:
    """Columns to write for: the terminal's (40 to 120), or 80 when the stream is no terminal."""
    if not _is_terminal(stream):
        return WIDTH
    return min(120, max(40, shutil.get_terminal_size((WIDTH, 24)).columns))


def paragraph(text: str, width: int = WIDTH, indent: str = "", hang: str | None = None) -> str:
    """A sentence wrapped to the width; continuation lines start with `hang` (default: as `indent`)."""
    return textwrap.fill(
        visible(text), width, initial_indent=indent, subsequent_indent=indent if hang is None else hang,
        break_on_hyphens=False,
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


def table_text(table: b.Block, width: int = WIDTH, paint: Callable = bare) -> str:
    """Text of a table, without a final line end; a badge takes its verdict's colour after padding."""
    shown = [[visible(words(cell)) for cell in row] for row in table.body]
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


def _lines(block: b.Block | str, width: int, paint: Callable) -> Iterable[str]:
    if isinstance(block, str):  # a line that is set already
        yield block
        return
    body, heading = block.body, words(block.heading)
    if heading and body and block.kind in ("bullets", "table", "section"):
        if block.kind == "bullets":
            yield ""
        yield paint(heading, "strong")
    match block.kind:
        case "text" if block.role == "alarm":
            yield paint(paragraph("! " + words(body), width, "", "  "), "alarm")
        case "text":
            line = paragraph(words(body), width, "", block.hang)
            first = body[0] if isinstance(body, tuple) else None
            if isinstance(first, b.Badge):
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
                yield f"{words(name):<{wide}}  {words(value)}"
        case "section":
            for inner in body:
                yield from _lines(inner, width, paint)


def terminal_text(
    blocks: Iterable[b.Block | str], width: int = WIDTH, paint: Callable | None = None
) -> str:
    """All blocks as text, without a final line end; an empty text is an empty line."""
    return "\n".join(line for block in blocks for line in _lines(block, width, paint or bare))
