"""Matched sets as text, CSV and JSON."""

from __future__ import annotations

from math import isfinite

from junction.base.number import nominal, quantity
from junction.base.records import Interval
from junction.sets.results import NO_CANDIDATE, MatchedSet, MatchReport
from junction.show import json_out
from junction.show.csv_out import csv_text
from junction.show.table import Column, Paint, paragraph, render
from junction.show.text import count, join_words
from junction.stage.results import OperatingPoint, Stage

#: Sets listed on a terminal unless all are asked for.
MOST_SETS = 40


def imbalance_words(it: Interval | None) -> str:
    """An imbalance in percent with its 95 % interval: ``3.1 % (1.7 to 4.5)``."""
    if it is None:
        return "-"
    if not (isfinite(it.low) and isfinite(it.high)):
        return f"{100 * it.value:.1f} %"
    digits = 2 if it.high < 0.01 else 1
    return f"{100 * it.value:.{digits}f} % ({100 * it.low:.{digits}f} to {100 * it.high:.{digits}f})"


def grade_words(s: MatchedSet) -> str:
    """One letter where idle and peak earn the same, else both."""
    if not s.grade_idle or s.grade_idle == s.grade_peak:
        return s.grade
    return f"{s.grade_idle} idle, {s.grade_peak} peak"


def millivolts(it: Interval | None) -> str:
    """A small voltage in mV with its interval."""
    if it is None:
        return "-"
    return f"{1000 * it.value:.1f} mV ({1000 * it.low:.1f} to {1000 * it.high:.1f})"


def gap_words(report: MatchReport) -> str:
    """How good the choice is proven to be."""
    result = report.result
    if not result.sets:
        return "No set could be made."
    if all(s.kept for s in result.sets):
        return "Every set was fixed by hand; nothing was left to choose."
    if result.optimality_gap <= 0:
        return "The choice of sets is proven best for this stage and these measurements."
    return (
        f"The choice of sets is within {100 * result.optimality_gap:.2g} % of the best possible "
        f"({result.gap_basis})."
    )


def stage_words(stage: Stage) -> str:
    """The operating points the sets were compared at, in one sentence."""
    per = stage.parallel
    idle, peak = stage.idle, stage.peak
    return (
        f"Compared at idle with {quantity(idle.total_A, 'A')} and at the peak with "
        f"{quantity(peak.total_A, 'A')}, "
        f"shared by {per} device{'s' if per > 1 else ''}; V_CE {quantity(idle.vce_V, 'V')} and "
        f"{quantity(peak.vce_V, 'V')}; emitter resistor {ohms(stage.re_ohm)}, base resistor "
        f"{ohms(stage.rb_ohm)}; "
        f"junctions at {idle.temp_C:.0f} C and {peak.temp_C:.0f} C."
    )


def ohms(values: tuple[float, ...]) -> str:
    """Resistors as given: one, none, or one a position."""
    if all(v == 0 for v in values):
        return "none"
    return " / ".join(nominal(v, "ohm") for v in values)


_COLUMNS = (
    Column("set"), Column("parts", wrap=True), Column("grade", wrap=True),
    Column("idle imbalance", wrap=True), Column("peak imbalance", wrap=True),
    Column("V_BE apart", wrap=True), Column("h_FE ratio", "right"),
)  # fmt: skip


def terminal_text(
    report: MatchReport, *, width: int = 80, everything: bool = False, paint: Paint | None = None
) -> str:
    """Table of sets, then what the choice rests on, the left-over list and the advice."""
    paint = paint or Paint()
    result = report.result
    listed = result.sets if everything else result.sets[:MOST_SETS]
    rows = [
        [
            f"{number}{' (kept)' if s.kept else ''}", " ".join(s.parts), grade_words(s),
            imbalance_words(s.imbalance_idle),
            imbalance_words(s.imbalance_peak), millivolts(s.dvbe_V),
            f"{s.hfe_ratio.value:.2f}" if s.hfe_ratio is not None else "-",
        ]
        for number, s in enumerate(listed, 1)
    ]  # fmt: skip
    lines = [render(_COLUMNS, rows, width, paint=paint)] if rows else []
    if len(listed) < len(result.sets):
        more = count(len(result.sets) - len(listed), "further set")
        lines.append(f"{more} not listed; --all lists every set.")

    lines += [paragraph(text, width, "", "  ") for text in _grouped_notes(listed)]
    for number, s in enumerate(listed, 1):
        if s.kept:
            lines += swap_lines(number, s, width)
    lines += ["", paragraph(gap_words(report), width)]
    if result.stage is not None:
        lines.append(paragraph(stage_words(result.stage), width))
    warnings = (*result.warnings, *result.refused, *(result.stage.findings if result.stage else ()))
    lines += [paragraph("! " + sentence, width, "", "  ") for sentence in warnings]
    left = _grouped_left_over(result.left_over)
    if len(left) > MOST_SETS and not everything:
        left = [*left[:MOST_SETS], f"and {len(left) - MOST_SETS} more; --all lists every one."]
    for heading, sentences in (
        ("left over", left),
        ("to do better", result.advice),
        ("assumed", result.assumptions),
    ):
        lines += block(heading, sentences, width, paint)
    return "\n".join(lines)


def _grouped_notes(sets) -> list[str]:
    """Each note once, with the numbers of the sets it is about; parts are named where one set has it."""
    about: dict[str, list[int]] = {}
    full: dict[str, str] = {}
    for number, s in enumerate(sets, 1):
        for note in s.notes:
            names, _, rest = note.partition(": ")
            key = rest if set(names.split(", ")) <= set(s.parts) else note
            about.setdefault(key, []).append(number)
            full[key] = note
    return [
        f"{'set' if len(numbers) == 1 else 'sets'} {join_words(map(str, numbers))}: "
        f"{full[key] if len(numbers) == 1 else key}"
        for key, numbers in about.items()
    ]


def _grouped_left_over(items) -> list[str]:
    """Each reason once, with the parts it holds for."""
    about: dict[str, list[str]] = {}
    for item in items:
        about.setdefault(item.why if item.candidate else NO_CANDIDATE, []).append(item.part)
    never = about.pop(NO_CANDIDATE, [])
    if never:
        named = f" ({', '.join(never)})" if len(never) <= 4 else ""
        about[NO_CANDIDATE] = [f"{count(len(never), 'further part')}{named}"]
    return [f"{', '.join(parts)}: {why}" for why, parts in about.items()]


def block(heading: str, sentences, width: int, paint: Paint) -> list[str]:
    """A heading and its sentences, or nothing."""
    if not sentences:
        return []
    return ["", paint.strong(heading), *(paragraph(x, width, "  ", "    ") for x in sentences)]


def swap_lines(number: int, s: MatchedSet, width: int) -> list[str]:
    """The exchanges that would better a set fixed by hand."""
    if not s.swaps:
        return [paragraph(f"set {number}: no single exchange betters it.", width, "", "  ")]
    lines = [f"set {number}: exchanges that would better it"]
    for w in s.swaps:
        origin = "left over" if w.other_set is None else f"in set {w.other_set + 1}, which takes {w.out}"
        lines.append(paragraph(
            f"{w.out} out, {w.into} in ({origin}): idle {100 * w.imbalance_idle:.1f} %, peak "
            f"{100 * w.imbalance_peak:.1f} %", width, "  ", "    "))  # fmt: skip
    return lines


SETS_HEADINGS = (
    "set", "part", "place", "polarity", "grade", "kept", "share_idle", "share_peak", "emitter_drop_idle_V",
    "imbalance_idle", "imbalance_idle_low", "imbalance_idle_high", "imbalance_peak", "imbalance_peak_low",
    "imbalance_peak_high", "dvbe_V", "dvbe_low_V", "dvbe_high_V", "hfe_ratio", "hfe_ratio_low",
    "hfe_ratio_high",
    "notes",
)  # fmt: skip


def sets_csv(report: MatchReport) -> str:
    """One row a part: its set, its place, its shares; the set's figures repeated."""
    rows = []
    for number, s in enumerate(report.result.sets, 1):
        figures: list[object] = []
        for it in (s.imbalance_idle, s.imbalance_peak, s.dvbe_V, s.hfe_ratio):
            figures += [it.value, it.low, it.high] if it is not None else [None, None, None]
        for k, part in enumerate(s.parts):
            rows.append([number, part, s.places[k] if s.places else "", s.polarity, s.grade, s.kept,
            s.share_idle[k],
                         s.share_peak[k], s.emitter_drop_idle_V[k], *figures,
                         "; ".join(s.notes)])  # fmt: skip
    return csv_text(SETS_HEADINGS, rows)


def left_over_csv(report: MatchReport) -> str:
    """Parts in no set, and why."""
    return csv_text(("part", "why"), ((item.part, item.why) for item in report.result.left_over))


def point_json(p: OperatingPoint) -> dict:
    """An operating point of a rail."""
    return {"total_A": p.total_A, "vce_V": p.vce_V, "temp_C": p.temp_C, "rth_K_per_W": p.rth_K_per_W}


def stage_json(stage: Stage | None) -> dict | None:
    """The stage, SI units."""
    if stage is None:
        return None
    return {
        "parallel": stage.parallel, "emitter_resistor_ohm": stage.re_ohm, "base_resistor_ohm": stage.rb_ohm,
        "idle": point_json(stage.idle), "peak": point_json(stage.peak),
        "emitter_drop_idle_V": stage.idle_drop_V,
        "power_W": stage.power_W, "load_ohm": stage.load_ohm, "supply_V": stage.supply_V,
        "peak_to_peak_V": stage.peak_to_peak_V, "rms_V": stage.rms_V,
        "peak_output_V": stage.peak_output_V, "peak_output_A": stage.peak_output_A,
        "headroom_V": stage.headroom_V,
        "dissipation": [
            {"case": d.case, "average_W": d.average_W, "peak_W": d.peak_W, "vce_at_peak_V": d.vce_at_peak_V,
             "ic_at_peak_A": d.ic_at_peak_A, "sink_C": d.sink_C, "case_C": d.case_C,
             "junction_C": d.junction_C}
            for d in stage.dissipation
        ],
        "limits": [
            {"type": c.type, "quantity": c.quantity, "asked": c.asked, "limit": c.limit, "unit": c.unit,
             "verdict": c.verdict, "text": c.text, "source": c.source}
            for c in stage.limits
        ],
        "loop_gain_device": stage.loop_gain_device, "loop_gain_bias": stage.loop_gain_bias,
        "vce_critical_V": stage.vce_critical_V, "sink_needed_K_per_W": stage.sink_needed_K_per_W,
        "assumptions": stage.assumptions, "questions": stage.questions, "findings": stage.findings,
    }  # fmt: skip


def set_json(s: MatchedSet) -> dict:
    """One set."""
    return {
        "parts": s.parts, "polarity": s.polarity, "grade": s.grade, "grade_idle": s.grade_idle,
        "grade_peak": s.grade_peak,
        "marks": [{"type": m.type, "ic_A": m.ic_A, "vbe_V": m.vbe_V, "hfe": m.hfe, "temp_C": m.temp_C}
                  for m in s.marks],
        "places": s.places, "kept": s.kept,
        "imbalance_idle": s.imbalance_idle, "imbalance_peak": s.imbalance_peak,
        "imbalance_idle_limit_95": s.limit_idle, "imbalance_peak_limit_95": s.limit_peak,
        "imbalance_idle_heated": s.imbalance_hot, "imbalance_peak_heated": s.imbalance_peak_hot,
        "rails_idle": s.halves_idle, "rails_peak": s.halves_peak,
        "share_idle": s.share_idle, "share_peak": s.share_peak, "emitter_drop_idle_V": s.emitter_drop_idle_V,
        "dvbe_V": s.dvbe_V, "hfe_ratio": s.hfe_ratio, "thermal_loop_gain": s.loop_gain,
        "runs_away": s.runs_away,
        "notes": s.notes,
        "swaps": [
            {"out": w.out, "in": w.into, "imbalance_idle": w.imbalance_idle,
            "imbalance_peak": w.imbalance_peak,
             "saving": w.saving, "from_set": None if w.other_set is None else w.other_set + 1}
            for w in s.swaps
        ],
    }  # fmt: skip


def json_text(report: MatchReport, made: str = "") -> str:
    """Whole JSON of a matching report."""
    result = report.result
    return json_out.document("match", {
        "made": made, "layout": result.layout, "parts_read": len(report.parts), "files": report.files,
        "rows_read": report.rows_read,
        "sets": [set_json(s) for s in result.sets],
        "left_over": [{"part": x.part, "why": x.why} for x in result.left_over],
        "optimality_gap": result.optimality_gap, "optimality_basis": result.gap_basis,
        "weights": dict(result.weights), "stage": stage_json(result.stage), "refused": result.refused,
        "warnings": result.warnings,
        "yardsticks": [
            {"type": y.type, "hfe_ratio_min": y.hfe_ratio_min, "dvbe_max_V": y.dvbe_max_V, "at_A": y.at_A,
             "source": y.source}
            for y in report.yardsticks
        ],
        "advice": result.advice, "assumptions": result.assumptions,
        "set_aside": json_out.set_aside(report.set_aside),
    })  # fmt: skip
