"""Labels to cut out and tape on the parts, so that each ends up where it belongs.

Sized in millimetres for one paper, three across, with nothing but black lines and letters.
"""

from __future__ import annotations

from math import isfinite

from junction.base.number import quantity
from junction.sets.results import MatchedSet, MatchReport
from junction.show.page import Html, tag

#: paper -> (CSS name, width, height of the sheet in mm)
PAPERS = {"A4": ("A4", 210.0, 297.0), "Letter": ("letter", 215.9, 279.4)}
_MARGIN_MM = 11.0
_ACROSS = 3
_HEIGHT_MM = 30.0


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


def labels_page(report: MatchReport, paper: str = "A4") -> str:
    """Whole page of labels for one paper size, one a part, set by set.

    Parameters
    ----------
    report : MatchReport
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
    rows = int((PAPERS[paper][2] - 2 * _MARGIN_MM) / _HEIGHT_MM)
    labels = [_label(number, s, k) for number, s in enumerate(report.sets, 1) for k in range(len(s.parts))]
    per_sheet = rows * _ACROSS
    sheets = [
        tag("div", labels[at : at + per_sheet], class_="sheet") for at in range(0, len(labels), per_sheet)
    ]
    head = tag(
        "head", tag("meta", charset="utf-8"), tag("title", f"Labels, {paper}"),
        tag("style", Html(_stylesheet(paper))),
    )  # fmt: skip
    return "<!DOCTYPE html>\n" + tag("html", head, tag("body", sheets), lang="en") + "\n"


def _label(number: int, s: MatchedSet, k: int) -> Html:
    part, mark = s.parts[k], s.marks[k]
    polarities = s.polarity.split(" + ")
    polarity = polarities[s.rails[k]] if len(polarities) > 1 else s.polarity.replace("not said", "")
    # V_BE and h_FE at a current the part was measured near, as a drawer is searched by them
    figures = [f"V_BE {1000 * mark['vbe_V']:.0f} mV"] if isfinite(mark["vbe_V"]) else []
    figures += [f"h_FE {mark['hfe']:.0f}"] if isfinite(mark["hfe"]) else []
    known = f"{', '.join(figures)} at {quantity(mark['ic_A'], 'A')}"
    partners = ", ".join(p for p in s.parts if p != part)
    return tag(
        "div",
        tag("div", part, class_="name"),
        tag("div", s.places[k], class_="place"),
        tag("div", tag("span", f"set {number}"),
            tag("span", " ".join(filter(None, (polarity, mark["type"])))),
            tag("span", "no grade" if s.grades == "none" else f"grade {s.grades}"), class_="row"),
        tag("div", known, class_="with") if figures else None,
        tag("div", f"with {partners}" if partners else "", class_="with"),
        class_="label long" if len(part) > 12 else "label",
    )  # fmt: skip
