"""The page of a matching report: where each part goes first, then the evidence set by set."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite

from junction.base.number import Pieces, nominal_pieces, quantity_pieces
from junction.base.records import Interval
from junction.sets.results import LAYOUTS, NO_CANDIDATE, MatchedSet, MatchReport
from junction.show import html as h
from junction.show.match import gap_words, grade_words
from junction.show.sort_page import FOOTER, set_aside_table
from junction.stage.results import Stage

#: Sets with pictures on the page; the table and the CSV hold all.
MOST_PICTURED = 60
GRADE_WORDS = {
    "A": "95 % sure that the currents differ by no more than 5 % of their sum",
    "B": "95 % sure of no more than 10 %",
    "C": "95 % sure of no more than 20 %",
    "none": "cannot be trusted to stay under 20 %",
}


def percent_pieces(it: Interval | None) -> Pieces:
    """An imbalance in percent with its interval, each number with its value."""
    if it is None:
        return (("-", None),)
    digits = 2 if isfinite(it.high) and it.high < 0.01 else 1

    def show(x: float) -> str:
        return f"{100 * x:.{digits}f} %"

    if not (isfinite(it.low) and isfinite(it.high)):
        return ((show(it.value), it.value),)
    return ((show(it.value), it.value), (" (", None), (show(it.low), it.low), (" to ", None),
            (show(it.high), it.high), (")", None))  # fmt: skip


def millivolt_pieces(it: Interval | None) -> Pieces:
    """A small voltage in mV with its interval."""
    if it is None:
        return (("-", None),)
    return ((f"{1000 * it.value:.1f}", it.value), (" mV (", None), (f"{1000 * it.low:.1f}", it.low),
            (" to ", None), (f"{1000 * it.high:.1f}", it.high), (")", None))  # fmt: skip


def ratio_pieces(it: Interval | None) -> Pieces:
    """A ratio with its interval."""
    if it is None:
        return (("-", None),)
    return ((f"{it.value:.2f}", it.value), (" (", None), (f"{it.low:.2f}", it.low), (" to ", None),
            (f"{it.high:.2f}", it.high), (")", None))  # fmt: skip


def draw_sets(report: MatchReport) -> dict[int, object]:
    """Pictures of the first sets, by number of the set."""
    result = report.result
    if result.curves is None or result.stage is None:
        return {}
    from junction.show.match_plots import set_pictures

    n = result.stage.parallel
    idle, peak = result.stage.idle.total_A / n, result.stage.peak.total_A / n
    return {k: set_pictures(s, result.curves, idle, peak) for k, s in enumerate(result.sets[:MOST_PICTURED])}


def match_page(report: MatchReport, made: str = "", pictures: Mapping[int, object] | None = None) -> str:
    """Whole page as text.

    Parameters
    ----------
    report : MatchReport
    made : str
        Date and time as text.
    pictures : mapping, optional
        What `draw_sets` gave.

    Returns
    -------
    str
    """
    pictures = draw_sets(report) if pictures is None else pictures
    result = report.result
    body: list = [
        h.tag("h1", "Matched sets"),
        h.tag("p", _lead(report, made), class_="lead"),
        h.cautions_box(report.cautions),
        h.tag(
            "ul",
            [h.tag("li", h.count(n), _grade_badge(g, n)) for g, n in _grades(report).items()],
            class_="counts",
        ),
        h.tag("p", gap_words(report)),
        [h.tag("p", text, class_="next")
         for text in (*result.warnings, *result.refused, *(result.stage.findings if result.stage else ()))],
    ]
    if result.sets:
        body.append(h.section("Where each part goes", _places(report)))
        body.append(h.section("Set by set", [_set(k, s, pictures.get(k)) for k, s in enumerate(result.sets)]))
    if result.left_over:
        rows = [[", ".join(parts), why] for why, parts in _left_over(result).items()]
        body.append(h.section("Left over", h.table(["parts", "why"], rows, "stack")))
    if result.advice:
        body.append(h.section("To do better", h.bullets(result.advice)))
    if result.stage is not None:
        body.append(h.section("The stage they were compared in", stage_block(result.stage),
                              h.tag("p", "Assumed:"), h.bullets(result.assumptions)))  # fmt: skip
    if report.set_aside:
        body.append(h.section("Set aside, not used", set_aside_table(report.set_aside)))
    body.append(h.section("What the grades mean", _guide(report), class_="guide"))
    return h.page(f"Matched sets: {len(result.sets)}", body, footer=h.tag("p", FOOTER))


def _grades(report: MatchReport) -> dict[str, int]:
    found = dict.fromkeys(GRADE_WORDS, 0)
    for s in report.result.sets:
        found[s.grade] += 1
    return {g: n for g, n in found.items() if n}


def _grade_badge(grade: str, sets: int = 0) -> h.Html:
    """A grade as framed words that can be read alone, behind a number of sets or by itself."""
    words = "no grade" if grade == "none" else f"grade {grade}"
    if sets:
        words = f"{'set' if sets == 1 else 'sets'}, {words}"
    return h.tag("span", words, class_=f"v v-{grade}")


def _own_grade(s: MatchedSet) -> h.Html:
    words = grade_words(s)
    return h.tag("span", "no grade" if words == "none" else f"grade {words}", class_=f"v v-{s.grade}")


def _lead(report: MatchReport, made: str) -> h.Html:
    result = report.result
    word = " set (" if len(result.sets) == 1 else " sets ("
    bits: list = [h.count(len(result.sets)), word, LAYOUTS[result.layout], ") from ",
                  h.count(len(report.parts)), " parts"]  # fmt: skip
    if report.files:
        bits += [" of ", ", ".join(report.files[:6])]
    return h.join(*bits, f". {made}" if made else ".")


def _places(report: MatchReport) -> h.Html:
    rows = []
    for k, s in enumerate(report.result.sets):
        for j, part in enumerate(s.parts):
            rows.append([
                h.tag("a", h.count(k + 1), href=f"#s{k + 1}") if j == 0 else "", part,
                s.places[j] if s.places else "", _own_grade(s) if j == 0 else "",
                _percent(s.share_idle[j]), _percent(s.share_peak[j]),
                h.number(quantity_pieces(s.emitter_drop_idle_V[j], "V")) if s.emitter_drop_idle_V[j] else "",
            ])  # fmt: skip
    return h.table(
        ["set", "part", "place", "grade", "share at idle", "at peak", "drop at idle"], rows,
        "stack",
        numeric=(4, 5, 6),
    )  # fmt: skip


def _left_over(result) -> dict[str, list[str]]:
    """Each reason once, with its parts."""
    about: dict[str, list[str]] = {}
    for item in result.left_over:
        about.setdefault(item.why if item.candidate else NO_CANDIDATE, []).append(item.part)
    return about


def _percent(x: float) -> h.Html:
    return h.number(((f"{100 * x:.1f} %", x),))


def _set(k: int, s: MatchedSet, pictures) -> h.Html:
    rows = [["imbalance at idle", h.number(percent_pieces(s.imbalance_idle))],
            ["imbalance at the peak", h.number(percent_pieces(s.imbalance_peak))]]  # fmt: skip
    if s.imbalance_hot is not None:
        rows.append(["at idle, each part at its own heat", h.number(percent_pieces(s.imbalance_hot))])
        rows.append(["at the peak, the same", h.number(percent_pieces(s.imbalance_peak_hot))])
    if s.halves_idle is not None and len(s.parts) > 2:
        rows.append(["upper against lower rail, equal drive, idle", h.number(percent_pieces(s.halves_idle))])
        rows.append(["the same at the peak", h.number(percent_pieces(s.halves_peak))])
    rows.append(["V_BE apart at idle", h.number(millivolt_pieces(s.dvbe_V))])
    rows.append(["h_FE, lower over higher, at the peak's share", h.number(ratio_pieces(s.hfe_ratio))])
    if s.loop_gain > 0:
        rows.append(
            ["thermal loop gain at idle (must stay below 1)", h.number(quantity_pieces(s.loop_gain, "", 2))]
        )
    figures = None
    if pictures is not None:
        alts = ("V_BE of the parts against current", "difference of V_BE", "ratio of h_FE")
        images = [h.image(svg, f"set {k + 1}: {alt}", 336, 250)
                  for svg, alt in zip((pictures.curves, pictures.vbe, pictures.hfe), alts,
                  strict=True)]  # fmt: skip
        figures = h.tag("figure", h.tag("div", images, class_="views"))
    heading = h.tag("h3", f"Set {k + 1}", _own_grade(s), h.tag("span", _what(s), class_="what"))
    return h.tag("div", heading, h.table(["", ""], rows, "values"), h.bullets(s.notes), _swaps(s), figures,
                 class_="part", id=f"s{k + 1}")  # fmt: skip


def _what(s: MatchedSet) -> str:
    kept = ", fixed by hand" if s.kept else ""
    types = " and ".join(dict.fromkeys(m.type for m in s.marks if m.type))
    return f"{', '.join(s.parts)} ({s.polarity}{', ' + types if types else ''}){kept}"


def _swaps(s: MatchedSet) -> h.Html:
    if not s.kept:
        return h.Html("")
    if not s.swaps:
        return h.tag("p", "No single exchange betters this set.")
    rows = [[w.out, w.into, "left over" if w.other_set is None else f"set {w.other_set + 1}, which "
                                                                    f"takes {w.out}",
             _percent(w.imbalance_idle), _percent(w.imbalance_peak)] for w in s.swaps]  # fmt: skip
    return h.join(h.tag("h4", "Exchanges that would better it"),
                  h.table(["out", "in", "from", "idle", "peak"], rows, "stack", numeric=(3, 4)))  # fmt: skip


def stage_block(stage: Stage) -> h.Html:
    """The operating points as a small table."""

    def q(x: float, unit: str) -> h.Html:
        return h.number(quantity_pieces(x, unit))

    rows = []
    for p in (stage.idle, stage.peak):
        rows.append([p.name, q(p.total_A, "A"), q(p.total_A / stage.parallel, "A"), q(p.vce_V, "V"),
                     h.number(((f"{p.temp_C:.0f}", p.temp_C), (" C", None)))])  # fmt: skip
    return h.join(
        h.table(["", "rail current", "per device", "V_CE", "junctions"], rows, "stack", numeric=(1, 2, 3, 4)),
        h.tag("p", "Emitter resistor ", resistors(stage.re_ohm), "; base resistor ",
        resistors(stage.rb_ohm), "."),
    )  # fmt: skip


def resistors(values: tuple[float, ...]) -> h.Html:
    """Resistors as given: one, none, or one a position."""
    if all(v == 0 for v in values):
        return h.join("none")
    shown = [h.number(nominal_pieces(v, "ohm")) for v in values]
    return h.join(shown[0], [[" / ", x] for x in shown[1:]])


def _guide(report: MatchReport) -> h.Html:
    words = [(h.tag("dt", _grade_badge(g)), h.tag("dd", words)) for g, words in GRADE_WORDS.items()]
    rows = [[y.type, h.number(((f"{y.hfe_ratio_min:g}", y.hfe_ratio_min), (" to 1", None))),
             h.number(quantity_pieces(y.dvbe_max_V, "V")), h.number(quantity_pieces(y.at_A, "A")), y.source]
            for y in report.yardsticks]  # fmt: skip
    table = h.table(
        ["registered dual", "h_FE ratio", "V_BE apart, at most", "at I_C", "source"], rows, "stack"
    )
    return h.join(
        h.tag("dl", words),
        h.tag("p", "The grade is a convention of this tool: the 95 % limit of the predicted imbalance, "
                   "largest less "
              "smallest current over their sum, the worse of idle and peak, in the stage above with "
              "its resistors; where the two earn different grades both are given. No grade says that the "
              "measurement cannot vouch for 20 %, not that the parts are bad; the note at the set says which "
              "current it is about and what reading would help. "
              "Intervals are 95 %. A set whose interval reaches down to nothing is as good as the "
              "measurement can "
              "show, not as good as the parts may be."),
        h.tag("p", "Beside it, what registered matched duals are held to, without emitter "
                   "resistors:") if rows else None,
        table if rows else None,
    )  # fmt: skip
