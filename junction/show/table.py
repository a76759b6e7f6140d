"""Text tables that stay aligned and readable on 80 columns, with colour only as a help.

Colour is used on a terminal only, never when ``NO_COLOR`` is set or the terminal calls itself dumb,
and never says anything that the words do not say.
"""

from __future__ import annotations

import os
import shutil
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from junction.show.text import display_width, visible

WIDTH = 80
GAP = "  "

#: SGR codes of our own quiet palette: weight first, hue second; a good part needs no paint.
_VERDICT_SGR = {"shorted": "1;35", "open": "1;34", "leaky": "1;36", "undecided": "3", "good": ""}


@dataclass(frozen=True)
class Paint:
    """Puts emphasis on words, or leaves them alone when colour is off."""

    on: bool = False

    @classmethod
    def for_stream(cls, stream) -> Paint:
        """Paint for a stream: on only for a terminal without ``NO_COLOR`` and not ``TERM=dumb``."""
        if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
            return cls(False)
        return cls(bool(getattr(stream, "isatty", lambda: False)()))

    def _sgr(self, code: str, text: str) -> str:
        return f"\x1b[{code}m{text}\x1b[0m" if self.on and code and text.strip() else text

    def verdict(self, word: str, text: str | None = None) -> str:
        """A verdict's word (or `text` for it, such as the padded word) in its colour."""
        return self._sgr(_VERDICT_SGR.get(word, ""), word if text is None else text)

    def strong(self, text: str) -> str:
        """Bold."""
        return self._sgr("1", text)

    def quiet(self, text: str) -> str:
        """Dim."""
        return self._sgr("2", text)


def width_for(stream) -> int:
    """Columns to write for: the terminal's (40 to 120), or 80 when the stream is no terminal."""
    if not getattr(stream, "isatty", lambda: False)():
        return WIDTH
    return min(120, max(40, shutil.get_terminal_size((WIDTH, 24)).columns))


@dataclass(frozen=True)
class Column:
    """A column: heading, ``left`` or ``right``, and whether long cells may wrap onto further lines."""

    heading: str
    align: str = "left"
    wrap: bool = False

    def __post_init__(self) -> None:
        if self.align not in ("left", "right"):
            raise ValueError(f"align {self.align!r}: expected left or right")


def _pad(text: str, width: int, align: str) -> str:
    fill = " " * max(0, width - display_width(text))
    return fill + text if align == "right" else text + fill


def _wrapped(text: str, width: int) -> list[str]:
    if display_width(text) <= width:
        return [text]
    if text.isascii() or display_width(text) == len(text):
        return textwrap.wrap(text, width, break_on_hyphens=False) or [""]
    half = max(1, width // 2)  # wide characters: never more columns than promised
    return textwrap.wrap(text, half, break_on_hyphens=False) or [""]


def column_widths(columns: Sequence[Column], rows: Sequence[Sequence[str]], width: int) -> list[int]:
    """Width of each column so that a line is at most `width` columns.

    Columns that may wrap give way first, the widest before the others and none below 12; where that is
    not enough, the other columns are cut down as well.
    """
    natural = [
        max([display_width(c.heading), *(display_width(row[k]) for row in rows)])
        for k, c in enumerate(columns)
    ]
    room = width - len(GAP) * (len(columns) - 1)
    for may, least in ((lambda c: c.wrap, 12), (lambda c: True, 4)):
        while sum(natural) > room:
            able = [k for k, c in enumerate(columns) if may(c) and natural[k] > least]
            if not able:
                break
            widest = max(able, key=lambda k: natural[k])
            others = sorted(natural[k] for k in able if k != widest)
            floor_ = max([least, *others[-1:]])
            step = min(sum(natural) - room, max(1, natural[widest] - floor_))
            natural[widest] -= step
    return natural


def render(
    columns: Sequence[Column],
    rows: Sequence[Sequence[str]],
    width: int = WIDTH,
    paint_cell: Callable[[int, int, str], str] | None = None,
    paint: Paint | None = None,
) -> str:
    """Text of a table, without a final line end.

    Parameters
    ----------
    columns : sequence of Column
    rows : sequence of sequence of str
        One cell per column; control characters are made visible here.
    width : int
        Columns to stay within.
    paint_cell : callable, optional
        ``(row, column, padded text) -> text``, called after padding so that colour shifts nothing.
    paint : Paint, optional
        For the heading.

    Returns
    -------
    str
    """
    paint = paint or Paint()
    shown = [[visible(cell) for cell in row] for row in rows]
    widths = column_widths(columns, shown, width)
    heads = [_wrapped(c.heading, w) for c, w in zip(columns, widths, strict=True)]
    lines = []
    for n in range(max(len(h) for h in heads)):
        line = [_pad(h[n] if n < len(h) else "", w, c.align)
                for h, w, c in zip(heads, widths, columns, strict=True)]  # fmt: skip
        lines.append(paint.strong(GAP.join(line).rstrip()))
    lines.append(paint.quiet(GAP.join("-" * w for w in widths)))
    for r, row in enumerate(shown):
        cells = [_wrapped(cell, w) for cell, w in zip(row, widths, strict=True)]
        for n in range(max(len(c) for c in cells)):
            line = []
            for k, (cell, w, column) in enumerate(zip(cells, widths, columns, strict=True)):
                text = _pad(cell[n] if n < len(cell) else "", w, column.align)
                line.append(paint_cell(r, k, text) if paint_cell else text)
            lines.append(GAP.join(line).rstrip())
    return "\n".join(lines)


def paragraph(text: str, width: int = WIDTH, indent: str = "", hang: str | None = None) -> str:
    """A sentence wrapped to the width; continuation lines start with `hang` (default: as `indent`)."""
    return textwrap.fill(
        visible(text), width, initial_indent=indent, subsequent_indent=indent if hang is None else hang,
        break_on_hyphens=False,
    )  # fmt: skip
