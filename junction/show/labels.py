"""Labels to cut out and tape on the parts, so that each ends up where it belongs.

Sized in millimetres for one paper, three across, with nothing but black lines and letters.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from junction.base.number import quantity
from junction.sets.results import MatchedSet, MatchResult, PartMark
from junction.show.html import Html, tag
from junction.show.match import grade_words

#: paper -> (CSS name, width, height of the sheet in mm)
PAPERS = {"A4": ("A4", 210.0, 297.0), "Letter": ("letter", 215.9, 279.4)}
_MARGIN_MM = 11.0
_ACROSS = 3
_HEIGHT_MM = 30.0


@dataclass(frozen=True)
class Label:
    """What one label says."""

    part: str
    set_number: int
    place: str
    grade: str
    polarity: str
    partners: tuple[str, ...]
    kind: str = ""  # type
    figures: str = ""  # V_BE and h_FE it is known by


def labels_of(result: MatchResult) -> tuple[Label, ...]:
    """One label a part, set by set."""
    return tuple(
        Label(part, number, s.places[k] if s.places else "", grade_words(s), _own_polarity(s, k),
              tuple(p for p in s.parts if p != part), s.marks[k].type if s.marks else "",
              _figures(s.marks[k]) if s.marks else "")
        for number, s in enumerate(result.sets, 1)
        for k, part in enumerate(s.parts)
    )  # fmt: skip


def _figures(m: PartMark) -> str:
    """V_BE and h_FE at a current the part was measured near, as a drawer is searched by them."""
    bits = []
    if isfinite(m.vbe_V):
        bits.append(f"V_BE {1000 * m.vbe_V:.0f} mV")
    if isfinite(m.hfe):
        bits.append(f"h_FE {m.hfe:.0f}")
    return f"{', '.join(bits)} at {quantity(m.ic_A, 'A')}" if bits else ""


def _own_polarity(s: MatchedSet, k: int) -> str:
    if " + " not in s.polarity:
        return s.polarity if s.polarity != "not said" else ""
    return s.polarity.split(" + ")[s.rails[k]] if s.rails else ""


def _stylesheet(paper: str) -> str:
    name, width, height = PAPERS[paper]
    cell = (width - 2 * _MARGIN_MM - 1.0) / _ACROSS  # a millimetre for the last border
    return f"""
@page{{size:{name} portrait;margin:{_MARGIN_MM}mm}}
*{{box-sizing:border-box}}
body{{margin:0;color:#000;background:#fff;font:9pt/1.25 "Liberation Sans",Arial,sans-serif}}
.sheet{{width:{width - 2 * _MARGIN_MM:.1f}mm;display:grid;
 grid-template-columns:repeat({_ACROSS},{cell:.2f}mm)}}
.sheet+.sheet{{break-before:page}}
.label{{height:{_HEIGHT_MM}mm;border:.3mm dashed #000;margin:0 -.3mm -.3mm 0;padding:1.6mm 2.4mm;
 overflow:hidden; break-inside:avoid;display:flex;flex-direction:column;justify-content:space-between}}
.name{{font-size:17pt;font-weight:700;line-height:1.2;margin-bottom:-.1em;white-space:nowrap;overflow:hidden}}
.long .name{{font-size:10pt}}
.place{{font-size:9.5pt;font-weight:600}}
.row{{display:flex;justify-content:space-between;gap:2mm;font-size:7.5pt}}
.with{{font-size:7.5pt;overflow:hidden;max-height:2.5em}}
.note{{font-size:8pt;margin:0 0 3mm}}
@media screen{{body{{padding:8mm;background:#eee}}.sheet{{background:#fff;margin-bottom:8mm}}}}
"""


def labels_page(result: MatchResult, paper: str = "A4") -> str:
    """Whole page of labels for one paper size.

    Parameters
    ----------
    result : MatchResult
    paper : str
        Key of `PAPERS`.

    Returns
    -------
    str

    Raises
    ------
    KeyError
        A paper that is not in `PAPERS`.
    """
    _, _, height = PAPERS[paper]
    rows = int((height - 2 * _MARGIN_MM) / _HEIGHT_MM)
    labels = labels_of(result)
    per_sheet = rows * _ACROSS
    sheets = [
        tag("div", [_cell(x) for x in labels[at : at + per_sheet]], class_="sheet")
        for at in range(0, len(labels), per_sheet)
    ]
    head = tag(
        "head", tag("meta", charset="utf-8"), tag("title", f"Labels, {paper}"),
        tag("style", Html(_stylesheet(paper))),
    )  # fmt: skip
    return "<!DOCTYPE html>\n" + tag("html", head, tag("body", sheets), lang="en") + "\n"


def _cell(label: Label) -> Html:
    partners = ", ".join(label.partners)
    return tag(
        "div",
        tag("div", label.part, class_="name"),
        tag("div", label.place, class_="place"),
        tag("div", tag("span", f"set {label.set_number}"),
            tag("span", " ".join(x for x in (label.polarity, label.kind) if x)),
            tag("span", f"grade {label.grade}" if label.grade != "none" else "no grade"), class_="row"),
        tag("div", label.figures, class_="with") if label.figures else None,
        tag("div", f"with {partners}" if partners else "", class_="with"),
        class_="label long" if len(label.part) > 12 else "label",
    )  # fmt: skip
