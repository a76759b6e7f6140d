"""Labels to cut out, in three sizes: a flag that folds round a lead, one for the case, one for an envelope.

One page holds the three, each size on sheets of its own, for A4 and for Letter.  Every sheet says what it is
and carries a ruler, since a printer that scales makes labels of another size.  Letters get as large as the
label lets them: a long tag is set smaller or broken, never cut.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass

from junction.show.blocks import visible
from junction.show.page import Html, document_html, stylesheet, tag

#: Paper -> its name in CSS, width and height of the sheet [mm].
PAPERS = {"A4": ("A4", 210.0, 297.0), "Letter": ("letter", 215.9, 279.4)}
#: Size -> across and down [mm], how many stand side by side, what it is for.
SIZES = {
    "flag": (60.0, 13.0, 3, "Flags: fold on the dots, round a lead"),
    "body": (36.0, 22.0, 5, "Labels for the case"),
    "envelope": (90.0, 50.0, 2, "Labels for a bag or an envelope"),
}
_MARGIN_MM, _HEAD_MM = 11.0, 13.0  # of the sheet; what stands over its labels
#: Between the edge of a label and its letters, to either side and above and below [mm]; fold of a flag.
_ASIDE_MM, _ABOVE_MM, _FOLD_MM = 1.5, 0.8, 8.0
#: Largest letters of a tag and of what stands under it [pt], by size.
_LARGEST = {"flag": (10.0, 6.5), "body": (11.0, 6.5), "envelope": (22.0, 10.0)}
#: Height of a line over its letters; width of bold letters over plain ones; letters nobody can read [pt].
_POINT_MM, _LEADING, _BOLD, _SMALLEST = 25.4 / 72, 1.18, 1.12, 2.0

_CHECK = "The ruler is 50 mm: where yours is not, print at 100 %."
#: 50 mm between the middles of its first and last line, a line each 10 mm.
RULER = Html(
    '<svg class="ruler" width="50.2mm" height="4mm" viewBox="0 0 50.2 4" role="img"'
    ' aria-label="ruler of 50 mm"><path d="M.1 0V4M10.1 2V4M20.1 2V4M30.1 2V4M40.1 2V4M50.1 0V4M0 3.9H50.2"'
    ' fill="none" stroke="#000" stroke-width=".2"/></svg>'
)


@dataclass(frozen=True)
class Label:
    """What stands on the label of one part; '' where there is nothing to say."""

    tag: str
    place: str = ""  # set and place in it
    grade: str = ""  # grade with its meaning, or the verdict
    partners: str = ""
    what: str = ""  # type and polarity
    figures: str = ""  # what it is known by in a drawer
    made: str = ""  # when that was found


def _em(character: str) -> float:
    """Width of a character [em], rather too wide: in the widest sans serif that a machine may have."""
    if not character.isascii() or character in "MWmw@%":
        return 1.05
    return 0.4 if character in "iljI.,:;'|!() " else 0.7 if character.isupper() else 0.64


def _lines(text: str, room_em: float) -> int:
    """Lines that a text takes in so much room; a word that is longer than a line is broken."""
    lines, left = 1, room_em
    for word in text.split(" "):
        wide = sum(map(_em, word))
        if wide > left and left < room_em:
            lines, left = lines + 1, room_em
        while wide > left:  # at least a character a line
            lines, wide, left = lines + 1, wide - max(left - 1.05, 1.05), room_em
        left -= wide + 0.4
    return lines


def _set(texts: Sequence[str], name: str, across_mm: float, down_mm: float, tagged: bool = True) -> str:
    """Lines under each other, the first as the tag, in letters as large as the box lets them."""
    texts = [visible(text) for text in texts]
    largest, plain = _LARGEST[name]
    points = [largest if tagged and k == 0 else plain for k in range(len(texts))]

    def height_mm() -> float:
        wide = [_BOLD if tagged and k == 0 else 1.0 for k in range(len(texts))]
        return _LEADING * _POINT_MM * sum(
            _lines(text, across_mm / (pt * _POINT_MM * w)) * pt
            for text, pt, w in zip(texts, points, wide, strict=True)
        )

    while height_mm() > down_mm and max(points) > _SMALLEST:
        # a tag too long for its line gives way first; one that fits stays the largest
        top, long = max(points), _lines(texts[0], across_mm / (points[0] * _POINT_MM * _BOLD)) > 1
        points = [pt if long and pt < top else max(0.94 * pt, _SMALLEST) for pt in points]
    bold = [' class="name"' if tagged and k == 0 else "" for k in range(len(texts))]
    return "".join(f'<div{mark} style="font-size:{pt:.1f}pt">{html.escape(text)}</div>'
                   for mark, pt, text in zip(bold, points, texts, strict=True))  # fmt: skip


def _label(one: Label, name: str, job: str) -> Html:
    """One label; on a flag what is asked for first stands on the front, the rest on the back."""
    across, down, *_ = SIZES[name]
    down, partners = down - 2 * _ABOVE_MM, f"with {one.partners}" if one.partners else ""
    job = ", ".join(filter(None, (one.made[:10], job)))
    if name == "flag":
        half = (across - _FOLD_MM) / 2 - _ASIDE_MM
        front, back = [one.tag, one.place or one.what], [partners, one.grade, job]
        sides = [_set(list(filter(None, side)), name, half, down, tagged)
                 for side, tagged in ((front, True), (back, False))]  # fmt: skip
        inside = f'<div>{sides[0]}</div><div class="fold"></div><div>{sides[1]}</div>'
    else:
        figures = one.figures if name == "envelope" else ""
        texts = [one.tag, one.place, one.what, partners, one.grade, figures, job]
        inside = _set(list(filter(None, texts)), name, across - 2 * _ASIDE_MM, down)
    return Html(f'<div class="label">{inside}</div>')


def label_pages(labels: Sequence[Label], job: str = "", stem: str = "labels") -> dict[str, str]:
    """Pages of labels for either paper: file name to page.

    Parameters
    ----------
    labels : sequence of Label
    job : str
        Name of the job.
    stem : str
        Of the names of the files.
    """
    sheets = {name: [_label(one, name, job) for one in labels] for name in SIZES}
    style, found = stylesheet("labels"), {}
    choice = [tag("label", tag("input", type="radio", name="size", id=f"only-{name}", checked=name == "all"),
                  f" {name}") for name in ("all", *SIZES)]  # fmt: skip

    def form(title: str) -> Html:
        return tag("form", tag("h1", title), "Show and print: ", choice)

    for paper, (word, width, height) in PAPERS.items():
        lengths = f"@page{{size:{word} portrait;margin:{_MARGIN_MM:g}mm}}\n"
        lengths += f".sheet{{width:{width - 2 * _MARGIN_MM:g}mm}}\n"
        body: list[Html] = []
        for name, (across, down, beside, said) in SIZES.items():
            lengths += f".{name} .label{{height:{down:g}mm}}\n"
            lengths += f".{name} .grid{{grid-template-columns:repeat({beside},{across:g}mm)}}\n"
            many = beside * int((height - 2 * _MARGIN_MM - _HEAD_MM) / down)
            parts = [sheets[name][at : at + many] for at in range(0, len(labels), many)]
            for k, part in enumerate(parts, 1):
                which = f". {paper}, sheet {k} of {len(parts)}. {job}{'. ' if job else ''}"
                head = tag("header", RULER, tag("p", tag("b", said), which, _CHECK))
                body.append(tag("section", head, tag("div", part, class_="grid"), class_=f"sheet {name}"))
        body = body or [tag("p", "No set, no label.")]
        title = f"Labels, {paper}{': ' if job else ''}{job}"
        main = tag("main", form(title), body)
        found[f"{stem}-{paper.lower()}.html"] = document_html(title, style + lengths, main)
    return found
