"""A sorted bag as text, CSV and JSON."""

from __future__ import annotations

from collections import Counter

from junction.base.number import nominal
from junction.fit.results import SweepSource
from junction.judge.results import PartVerdict, SortReport
from junction.show import json_out
from junction.show.csv_out import csv_text
from junction.show.table import Column, Paint, paragraph, render
from junction.show.text import count
from junction.show.words import (
    blind_words,
    counts_words,
    evidence_of,
    fault_words,
    leads_words,
    sure_words,
    sureness,
)

#: Up to so many parts, a terminal shows every one; beyond, good ones are only counted.
SHOW_ALL_UP_TO = 40
#: So many lines at most, unless all are asked for.
MOST_LINES = 200
#: Parts that get a section of their own on the page, worst first; the table and the files hold every part.
MOST_SECTIONS = 400
#: Characters of the sentence on what goods do not show: two lines of 80 columns.
MOST_BLIND_TEXT = 156

_COLUMNS = (
    Column("part"), Column("verdict"), Column("sure"), Column("fault", wrap=True),
    Column("why", wrap=True),
)  # fmt: skip


def shown_verdicts(report: SortReport, everything: bool) -> tuple[list[PartVerdict], str]:
    """Verdicts to list on a terminal and a sentence that says what is not listed."""
    listed = list(report.verdicts)
    if everything or len(listed) <= SHOW_ALL_UP_TO:
        return listed, ""
    kept = [v for v in listed if v.verdict != "good"]
    good = len(listed) - len(kept)
    left = f"{count(good, 'good part')} not listed" if good else ""
    if len(kept) > MOST_LINES:
        more = count(len(kept) - MOST_LINES, "further part")
        kept = kept[:MOST_LINES]
        left = f"{more} and {left}" if left else f"{more} not listed"
    return kept, f"{left}; --all lists every part." if left else ""


def _why(v: PartVerdict) -> str:
    sentences = evidence_of(v)
    text = sentences[0] if sentences else ""
    if v.verdict == "undecided" and v.next:
        text = f"{text} Next: {v.next}".strip()
    return text


def terminal_text(
    report: SortReport, *, width: int = 80, everything: bool = False, paint: Paint | None = None
) -> str:
    """Table, worst first, then the counts and what the verdicts rest on.

    Parameters
    ----------
    report : SortReport
    width : int
        Columns to stay within.
    everything : bool
        List every part of a large bag.
    paint : Paint, optional

    Returns
    -------
    str
        Without a final line end.
    """
    paint = paint or Paint()
    listed, left = shown_verdicts(report, everything)
    lines = []
    if listed:
        rows = [
            [v.part, v.verdict, sure_words(v), fault_words(v), _why(v)] for v in listed
        ]

        def paint_cell(r: int, k: int, text: str) -> str:
            return paint.verdict(listed[r].verdict, text) if k == 1 else text

        lines += [render(_COLUMNS, rows, width, paint_cell, paint), ""]
    counts = report.counts()
    lines.append(paragraph(f"{count(len(report.verdicts), 'part')}: {counts_words(counts)}", width))
    if left:
        lines.append(paragraph(left, width))
    lines += [paragraph(note, width) for note in notes(report)]
    return "\n".join(lines)


def notes(report: SortReport) -> list[str]:
    """What a reader of the table must know: temperatures that were taken, and what goods do not show."""
    out = [report.label] if report.label else []
    if report.parts_without_temp and report.verdicts:
        out.append(
            f"No temperature given for {count(report.parts_without_temp, 'part')}: "
            f"{nominal(report.default_temp_C, 'degC')} taken."
        )
    if report.curves_only:
        out.append(
            f"{count(report.curves_only, 'part')} with curves only: not judged here; junction fit and "
            "junction match read those."
        )
    if report.spots_only:
        out.append(
            f"{count(report.spots_only, 'part')} with V_BE or h_FE at a current only: not judged here; "
            "junction match reads those."
        )
    return out + blind_notes([v for v in report.verdicts if v.verdict == "good" and v.cannot_see])


def blind_notes(goods: list[PartVerdict]) -> list[str]:
    """What goods do not show, in one sentence: the blind spot of all of them, or the commonest ones.

    Every part's own blind spots stand in its section of the page and in verdicts.csv.
    """
    whole = Counter(blind_words(v) for v in goods)
    if len(whole) < 2:
        return list(whole)
    found = Counter(phrase for v in goods for phrase in _blind_phrases(v))
    start = f"Not seen in the {count(len(goods), 'good part')}: "
    end = "; each part's own list: page, verdicts.csv."
    text = ""
    for phrase, n in found.most_common():
        longer = f"{text}, {phrase} ({n})" if text else f"{phrase} (in {n})"
        if len(start + longer + end) <= MOST_BLIND_TEXT:
            text = longer
    return [start + (text or "differs by part") + end]


def _blind_phrases(v: PartVerdict) -> list[str]:
    if v.cannot_see.endswith("."):  # a sentence of its own
        return [v.cannot_see.removesuffix(".")]
    return [phrase.removeprefix("current ") for phrase in v.cannot_see.split(", ")]


VERDICT_HEADINGS = (
    "part", "verdict", "probability_of_verdict", "p_good", "p_leaky", "p_shorted", "p_open", "faults",
    "kind", "polarity", "material", "leads", "type", "basis", "temp_C", "temp_known", "in_circuit",
    "evidence", "next", "cannot_see", "warnings", "neighbours",
)  # fmt: skip


def verdicts_csv(report: SortReport) -> str:
    """One row a part, worst first."""
    def rows():
        for v in report.verdicts:
            p = [v.probability.get(q) for q in ("good", "leaky", "shorted", "open")]
            yield (
                v.part, v.verdict, sureness(v), *p, "; ".join(v.faults), v.device.kind, v.device.polarity,
                v.device.material, leads_words(v.device), v.type, v.basis, v.temp_C, v.temp_known,
                v.in_circuit, " ".join(evidence_of(v)), v.next, v.cannot_see, "; ".join(v.warnings),
                "; ".join(v.neighbours),
            )  # fmt: skip

    return csv_text(VERDICT_HEADINGS, rows())


def source_json(s: SweepSource) -> dict:
    """Where a sweep came from."""
    return {"junction": s.junction, "file": s.file, "first_line": s.first_row, "last_line": s.last_row,
            "points": s.points}  # fmt: skip


def meter_json(m) -> dict:
    """The meter that was assumed."""
    return {
        "name": m.name, "source_kind": m.source_kind, "test_current_A": m.test_current_A,
        "open_voltage_V": m.open_voltage_V, "resistance_ohm": m.resistance_ohm,
        "over_range_V": m.over_range_V, "resolution_V": m.resolution_V,
        "accuracy_percent": m.accuracy_percent, "accuracy_counts": m.accuracy_counts,
    }  # fmt: skip


def json_text(report: SortReport, made: str = "") -> str:
    """The JSON of `sort`; `made` is the date and time as text."""
    parts = []
    for v in report.verdicts:
        entry = json_out.part(v)
        given = report.readings.get(v.part)
        entry["readings"] = json_out.readings(given) if given else []
        entry["sweeps"] = [source_json(s) for s in report.sources.get(v.part, ())]
        parts.append(entry)
    return json_out.document("sort", {
        "parts": parts, "set_aside": json_out.set_aside(report.set_aside), "counts": report.counts(),
        "files": list(report.files), "rows_read": report.rows_read,
        "entries_set_aside": len(report.set_aside), "rows_set_aside": sum(s.rows for s in report.set_aside),
        "meter": meter_json(report.meter), "default_temp_C": report.default_temp_C,
        "parts_without_temp": report.parts_without_temp, "parts_plotted": report.parts_plotted,
        "parts_with_sweeps": report.parts_with_sweeps,
        "notes": notes(report), "parts_in_detail": min(MOST_SECTIONS, len(report.verdicts)), "made": made,
    })  # fmt: skip
