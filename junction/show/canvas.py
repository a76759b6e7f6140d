"""Pictures as shapes in points, and one drawing as SVG, PNG or PDF.

What is drawn stands in `junction.show.plots` and `plots_sets`, its axes in `junction.show.panel`.  A
`Canvas` holds lines, areas, dots and words that are placed already, so that the SVG of a page needs no
plotting library: matplotlib is imported for PNG and PDF only, and draws the same shapes at the same places.
Lengths are in points of the picture (1/72 inch in a file); a page scales them.
"""

from __future__ import annotations

import html
import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from math import atan2, hypot, pi

import numpy as np

from junction.base.errors import UsageError
from junction.base.units import shown

#: Name of a colour -> on light and on dark paper. Each differs from its paper by 4.5 to 1 or more but for the
#: hair lines behind the data; lines are told apart by their dashes and labels first, so that grey will do.
COLOURS = {
    "ink": ("#1d2430", "#e4e8ee"), "soft": ("#5a6472", "#a3adba"), "hair": ("#e1e4e9", "#39414d"),
    "fit": ("#2c4a6e", "#8db8ea"), "out": ("#8a4b1f", "#e3a06e"), "third": ("#5b2a57", "#d3a2cf"),
    "fourth": ("#0c5b6b", "#74c5d6"), "paper": ("#ffffff", "#171b21"),
}  # fmt: skip
#: Size of letters, and the least of them: in print a column of two is shown at 0.85 of its size.
SIZE, WIDTH = 9.0, 300.0
#: What a letter is wide, of its size: for room only, a word is never placed letter by letter.
LETTER = 0.53
_DOTS_PER_INCH, _DOTS_ON_SCREEN = 200, 110
#: A line of so few points may be a mark, whose shape counts.
_MARK_POINTS = 13
#: What may be left out of a drawn line [points]: a fifth of a pixel where a page shows it.
_STRAIGHT = 0.12


@dataclass(frozen=True)
class Shape:
    """A line, area, row of dots or word, placed; ``clip`` is the box that it does not leave."""

    kind: str
    x: np.ndarray
    y: np.ndarray
    id: str = ""
    colour: str = "ink"
    width: float = 0.0
    dash: tuple[float, ...] = ()
    clip: tuple[float, ...] = ()
    shade: float = 1.0
    text: str = ""
    size: float = SIZE
    anchor: str = "start"
    turned: bool = False
    bold: bool = False
    told: dict = field(default_factory=dict)


#: Outlines of marks about their middle, in units of their half width; None is a filled disc.
_MARKS = {
    "cross": ((-1, -1, np.nan, -1, 1), (-1, 1, np.nan, 1, -1)),
    "square": ((-1, 1, 1, -1, -1), (-1, -1, 1, 1, -1)),
    "diamond": ((0, 1.3, 0, -1.3, 0), (-1.3, 0, 1.3, 0, -1.3)),
    "triangle": ((-1.1, 1.1, 0, -1.1), (0.9, 0.9, -1.2, 0.9)),
    "ring": tuple(tuple(1.1 * f(np.linspace(0, 2 * np.pi, 13))) for f in (np.cos, np.sin)),
    "below": ((-1.2, 0, 1.2), (-0.6, 0.9, -0.6)),
}  # fmt: skip


class Canvas:
    """Shapes of one picture or of one column of it; ``alt`` says in words what it shows."""

    def __init__(self, height: float, width: float = WIDTH, alt: str = "") -> None:
        self.width, self.height, self.alt = width, height, alt
        self.shapes: list[Shape] = []

    def line(self, x, y, **style) -> None:
        """A line through points, broken where one is nan."""
        style = {"width": 1.0, **style}
        self.shapes.append(Shape("line", np.asarray(x, float), np.asarray(y, float), **style))

    def area(self, x, y, **style) -> None:
        """A closed area without an outline."""
        self.shapes.append(Shape("area", np.asarray(x, float), np.asarray(y, float), **style))

    def marks(self, x, y, shape: str = "dot", size: float = 1.5, **style) -> None:
        """One mark a point; those that would lie on another to a third of a point are drawn once."""
        x, y = np.asarray(x, float), np.asarray(y, float)
        keep = np.isfinite(x) & np.isfinite(y)
        at = np.unique(np.stack([x[keep], y[keep]], 1).round(1), axis=0) if keep.any() else np.empty((0, 2))
        if shape == "dot":
            self.shapes.append(Shape("dots", at[:, 0], at[:, 1], width=2 * size, **style))
            return
        px, py = (np.append(size * np.array(p, float), np.nan) for p in _MARKS[shape])
        self.line(*((at[:, k, None] + p).ravel() for k, p in ((0, px), (1, py))), **{"width": 0.9, **style})

    def words(self, x: float, y: float, text: str, **style) -> None:
        """Words from a place on; ``anchor`` is 'start', 'middle' or 'end'."""
        if text:
            at = (np.array([float(z)]) for z in (x, y))
            self.shapes.append(Shape("text", *at, text=text, **style))

    def moved(self, dx: float, dy: float = 0.0) -> list[Shape]:
        """The shapes, elsewhere."""
        return [
            replace(s, x=s.x + dx, y=s.y + dy, told=_told_moved(s.told, dx, dy),
                    clip=tuple(c + d for c, d in zip(s.clip, (dx, dy, dx, dy), strict=False)))
            for s in self.shapes
        ]  # fmt: skip


def _told_moved(told: dict, dx: float, dy: float) -> dict:
    return {axis: (*told[axis][:3], told[axis][3] + d, told[axis][4] + d)
            for axis, d in (("x", dx), ("y", dy)) if axis in told}  # fmt: skip


def beside(columns: Sequence[Canvas]) -> Canvas:
    """Columns as one picture."""
    whole = Canvas(max(c.height for c in columns), sum(c.width for c in columns))
    at = 0.0
    for column in columns:
        whole.shapes += column.moved(at)
        at += column.width
    return whole


def thinned(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A line without the points that it passes by less than an eighth of a point anyway.

    From a kept point the widest wedge is followed that all left out points allow, so that none of them is
    further from the line than that.
    """
    px, py = x.tolist(), y.tolist()
    keep, n, ax, ay = [0], len(px), px[0], py[0]
    along, low, high = None, 0.0, 0.0
    for k in range(1, n):
        for again in (False, True):
            dx, dy = px[k] - ax, py[k] - ay
            far = hypot(dx, dy)
            if far <= _STRAIGHT:
                break
            if along is None:
                along, low, high = atan2(dy, dx), -pi, pi
            turn = (atan2(dy, dx) - along + pi) % (2 * pi) - pi
            if again or low <= turn <= high and abs(turn) < 1.2:
                room = _STRAIGHT / far
                low, high = max(low, turn - room), min(high, turn + room)
                break
            keep.append(k - 1)
            ax, ay, along = px[k - 1], py[k - 1], None
    if keep[-1] != n - 1:
        keep.append(n - 1)
    return x[keep], y[keep]


def _pieces(s: Shape) -> Iterable[tuple[np.ndarray, np.ndarray]]:
    """Unbroken stretches of a line."""
    known = np.isfinite(s.x) & np.isfinite(s.y)
    if known.all():
        yield s.x, s.y
        return
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(int))).tolist()
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if b - a > 1:
            yield s.x[a:b], s.y[a:b]


def _numbers(x: Iterable[float], y: Iterable[float]) -> str:
    return " ".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True)).replace(".0 ", " ")


def _shape_svg(s: Shape, clips: list) -> str:
    id_ = f' id="{html.escape(s.id)}"' if s.id else ""
    for axis, told in s.told.items():
        id_ += f' data-{axis}="{" ".join(f"{t:.6g}" if isinstance(t, float) else str(t) for t in told)}"'
    clip = ""
    if s.clip:
        if s.clip not in clips:
            clips.append(s.clip)
        clip = f' clip-path="url(#c{clips.index(s.clip)})"'
    if s.kind == "text":
        anchor = {"middle": ' text-anchor="middle"', "end": ' text-anchor="end"'}.get(s.anchor, "")
        size = "" if s.size == SIZE else f' font-size="{s.size:g}"'
        bold = ' font-weight="600"' if s.bold else ""
        return (f'<text class="{s.colour}" x="{s.x[0]:.1f}" y="{s.y[0]:.1f}"{anchor}{size}{bold}{id_}>'
                f"{html.escape(s.text, quote=False)}</text>")  # fmt: skip
    if s.kind == "dots":
        # a stroke of no length is round on a screen and nothing in print
        d = "".join(f"M{a:.1f} {b:.1f}h.01" for a, b in zip(s.x, s.y, strict=True)).replace(".0 ", " ")
        style = f' class="l {s.colour}" stroke-linecap="round" stroke-width="{s.width:g}"'
    elif s.kind == "area":
        d = f"M{_numbers(*thinned(s.x, s.y))}z"
        style = f' class="a {s.colour}" fill-opacity="{s.shade:g}"'
    else:
        lines = [thinned(x, y) if x.size > _MARK_POINTS else (x, y) for x, y in _pieces(s)]
        d = "".join(f"M{_numbers(x, y)}" for x, y in lines)
        dash = f' stroke-dasharray="{" ".join(f"{z:g}" for z in s.dash)}"' if s.dash else ""
        style = f' class="l {s.colour}" stroke-width="{s.width:g}"{dash}'
    return f'<path{id_}{style}{clip} d="{d}"/>' if d else ""


def svg_text(canvas: Canvas, title: str = "", *, page: bool = True) -> str:
    """A picture as SVG, the same text for the same picture, letters kept as letters.

    Parameters
    ----------
    canvas : Canvas
    title : str
        What it shows, for those who do not see it.
    page : bool
        On a page it has no paper of its own and follows the page's light or dark; as a file it is opaque.
    """
    clips: list = []
    body = "\n".join(filter(None, (_shape_svg(s, clips) for s in canvas.shapes)))
    size = f"{canvas.width:g} {canvas.height:g}"
    used = [name for name in COLOURS if re.search(rf'class="(?:\w )?{name}"', body) or name == "paper"]

    def style(dark: int) -> str:
        return "".join(f".{n}{{--c:{COLOURS[n][dark]}}}" if page else
                       f"text.{n}{{fill:{c}}}.l.{n}{{stroke:{c}}}.a.{n}{{fill:{c}}}"
                       for n in used for c in [COLOURS[n][dark]])  # fmt: skip

    rules = ".l{fill:none}" + style(0)
    if page:
        rules = (".l{fill:none;stroke:var(--c)}.a,text{fill:var(--c)}" + style(0)
                 + "@media screen and (prefers-color-scheme:dark){" + style(1) + "}")  # fmt: skip
    boxes = "".join(
        f'<clipPath id="c{k}"><rect x="{a:.1f}" y="{b:.1f}" width="{c - a:.1f}" height="{d - b:.1f}"/>'
        "</clipPath>"
        for k, (a, b, c, d) in enumerate(clips)
    )  # fmt: skip
    paper = "" if page else f'<rect class="a paper" width="{canvas.width:g}" height="{canvas.height:g}"/>\n'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" width="{canvas.width:g}"'
        f' height="{canvas.height:g}" font-family="Liberation Sans,Arial,Helvetica,sans-serif"'
        f' font-size="{SIZE:g}" role="img"><title>{html.escape(title, quote=False)}</title>'
        f"<style>{rules}</style>{boxes}\n{paper}{body}\n</svg>\n"
    )


def printed(canvas: Canvas, form: str, title: str = "", dots: int = _DOTS_PER_INCH) -> bytes:
    """A picture as PNG or PDF, on white paper.

    Parameters
    ----------
    canvas : Canvas
    form : str
        'png' or 'pdf'.
    title : str
        Goes into the file's own description.
    dots : int
        An inch of a PNG.
    """
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.patches import Polygon, Rectangle

    w, h = canvas.width, canvas.height
    figure = Figure(figsize=(w / 72, h / 72), facecolor="white")
    axes = figure.add_axes((0, 0, 1, 1), xlim=(0, w), ylim=(h, 0))
    axes.set_axis_off()
    for s in canvas.shapes:
        colour = COLOURS[s.colour][0]
        if s.kind == "text":
            # these letters, which matplotlib brings along, are wider than those of a page
            axes.text(s.x[0], s.y[0], s.text.replace("$", r"\$"), color=colour, size=0.87 * s.size,
                      ha={"start": "left", "middle": "center", "end": "right"}[s.anchor],
                      weight="bold" if s.bold else "normal", family="DejaVu Sans")  # fmt: skip
            continue
        if s.kind == "area":
            artist = Polygon(np.c_[s.x, s.y], facecolor=colour, alpha=s.shade, linewidth=0)
        elif s.kind == "dots":
            artist = Line2D(s.x, s.y, linestyle="none", marker="o", markersize=s.width, color=colour,
                            markeredgewidth=0)  # fmt: skip
        else:
            dash = (0, tuple(z / s.width for z in s.dash)) if s.dash else "-"
            artist = Line2D(s.x, s.y, color=colour, linewidth=s.width, linestyle=dash)
        axes.add_artist(artist)
        if s.clip:
            a, b, c, d = s.clip
            artist.set_clip_path(Rectangle((a, b), c - a, d - b, transform=axes.transData))
    buffer = io.BytesIO()
    about = {"Title": title} | ({"CreationDate": None} if form == "pdf" else {"Software": None})
    figure.savefig(buffer, format=form, dpi=dots, metadata=about)
    return buffer.getvalue()


class Picture:
    """One picture of a result: a notebook shows it, `save` writes it.

    Parameters
    ----------
    name : str
        Stem of its file.
    alt : str
        What it shows, in words.
    columns : sequence of Canvas
        Side by side where there is room.
    narrow : Canvas, optional
        The same as the only column, for a screen that is too narrow for it.
    """

    def __init__(self, name: str, alt: str, columns: Sequence[Canvas], narrow: Canvas | None = None) -> None:
        self.name, self.alt, self.columns, self.narrow = name, alt, tuple(columns), narrow

    def svgs(self) -> list[tuple[str, str]]:
        """Alternative text and SVG text of each column, for a page."""
        alts = [self.alt, *(c.alt or self.alt for c in self.columns[1:])]
        return [(alt, svg_text(column, alt)) for alt, column in zip(alts, self.columns, strict=True)]

    def content(self, form: str) -> str | bytes:
        """The whole as the content of a file: 'svg', 'png' or 'pdf'."""
        whole = beside(self.columns)
        return svg_text(whole, self.alt, page=False) if form == "svg" else printed(whole, form, self.alt)

    def save(self, path) -> None:
        """Write it; the ending says the form: .svg, .png or .pdf."""
        from pathlib import Path

        from junction.show.files import write_files

        form = Path(path).suffix[1:].lower()
        if form not in FORMS:
            raise UsageError(f"{path}: a picture's file ends in .{', .'.join(FORMS)}")
        write_files({Path(path): self.content(form)})

    def _repr_png_(self) -> bytes:
        return printed(beside(self.columns), "png", self.alt, _DOTS_ON_SCREEN)

    def __repr__(self) -> str:
        return f"<picture {self.name}: {self.alt}>"


#: Kinds of files a picture can be.
FORMS = ("svg", "png", "pdf")


def asked_for(given, default) -> tuple[int, str]:
    """How many are drawn, and the kind of files they are written as beside the page, '' for none.

    Where no number belongs, as of a stage, there is no default.

    Raises
    ------
    UsageError
        Something else was said.
    """
    if isinstance(given, tuple):
        return given
    most, form = 0, ""
    said = [str(one) for one in (default, given) if one is not None]
    for word in [w.strip().lower() for one in said for w in one.split(",")]:
        if word in FORMS:
            form = word
        elif default is not None and word.isascii() and word.isdigit():
            most = int(word[:9])  # more than any page could hold in any case
        else:
            number = "" if default is None else "a whole number of at least 0, or "
            wanted = f"{number}{', '.join(FORMS[:-1])} or {FORMS[-1]}"
            raise UsageError(f"{wanted} was expected, not {shown(word)}")
    return most, form
