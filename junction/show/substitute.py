"""Substitutes as text, CSV and JSON."""

from __future__ import annotations

from math import isnan

from junction.base import number
from junction.replace.results import Needs, SubstituteLine, SubstituteReport, Substitution
from junction.show import json_out
from junction.show.csv_out import csv_text
from junction.show.table import Column, Paint, paragraph, render
from junction.show.text import count, join_words

#: Up to so many candidates named by the user, each is shown line by line.
DETAIL_UP_TO = 3

_SUMMARY = (
    Column("candidate"), Column("result"), Column("least margin"), Column("falls short", wrap=True),
    Column("not known", wrap=True),
)  # fmt: skip
_LINES = (
    Column("figure"), Column("original"), Column("candidate"), Column("result"), Column("remark", wrap=True),
)  # fmt: skip


def value_text(value: float, text: str, unit: str) -> str:
    """One side of a line: its word or range, else its number, else nothing."""
    if text:
        return text
    if isnan(value):
        return "-"
    return number.nominal(float(f"{value:.4g}"), {"C": "degC"}.get(unit, unit))


def margin_text(margin: float) -> str:
    """How far over: ``x 1.33``; nothing where it has no meaning."""
    return "" if isnan(margin) else f"x {margin:.2f}" if margin < 100 else f"x {margin:.0f}"


def name_of(result: Substitution) -> str:
    """Candidate with its written tag."""
    return f"{result.tag} ({result.candidate})" if result.tag else result.candidate


def remark(line: SubstituteLine) -> str:
    """Margin and note of a line."""
    return "; ".join(x for x in (margin_text(line.margin) if line.result != "meets" else "", line.note) if x)


def heading(report: SubstituteReport) -> str:
    """What was compared, in a sentence."""
    if report.original is not None:
        part = report.original
        words = [part.polarity, part.material, part.kind if part.kind != "plain" else "", part.package]
        what = f"{part.name} ({', '.join(w for w in words if w)})"
    else:
        what = f"the place: {needs_words(report.needs)}"
    if report.from_shelf:
        return f"Substitutes on the shelf for {what}; {count(report.searched, 'type')} searched."
    return f"{count(len(report.results), 'candidate')} for {what}."


def needs_words(needs: Needs) -> str:
    """What a place needs, in words."""

    def nominal(value: float, unit: str) -> str:
        return number.nominal(float(f"{value:.4g}"), unit)

    parts = [needs.polarity] if needs.polarity else []
    for value, unit in ((needs.voltage_V, "V"), (needs.current_A, "A")):
        if not isnan(value):
            parts.append(nominal(value, unit))
    if not isnan(needs.power_W):
        parts.append(f"{nominal(needs.power_W, 'W')} at case {needs.case_temp_C:.3g} °C")
    if not isnan(needs.hfe_low):
        at = "" if isnan(needs.hfe_at_A) else f" at {nominal(needs.hfe_at_A, 'A')}"
        parts.append(f"h_FE {needs.hfe_low:g}{at}")
    if not isnan(needs.f_t_Hz):
        parts.append(f"f_T {nominal(needs.f_t_Hz, 'Hz')}")
    parts += [f"{nominal(i, 'A')} at {nominal(v, 'V')}" for v, i in needs.load_line]
    return join_words(parts)


def _sides(report: SubstituteReport) -> tuple[Column, ...]:
    second = "original" if report.original is not None else "needed"
    return (_LINES[0], Column(second), *_LINES[2:])


def detail_text(result: Substitution, report: SubstituteReport, width: int, paint: Paint) -> str:
    """One candidate line by line."""
    lines = [paint.strong(paragraph(f"{name_of(result)}: {result_words(result)}", width))]
    rows = [
        [
            line.figure + ("" if line.must else " *"),
            value_text(line.wanted, line.wanted_text, line.unit),
            value_text(line.has, line.has_text, line.unit),
            line.result,
            remark(line),
        ]
        for line in result.lines
    ]  # fmt: skip
    lines += [render(_sides(report), rows, width, None, paint)]
    if any(not line.must for line in result.lines):
        lines.append(paint.quiet("* shown and warned about; does not settle the result"))
    lines += [paragraph(f"! {text}", width, hang="  ") for text in result.warnings]
    if result.notes:
        lines.append(paragraph(f"Sheet of {result.candidate}: {result.notes}", width, hang="  "))
    return "\n".join(lines)


def result_words(result: Substitution) -> str:
    """Result in a few words, with the weakest margin."""
    words = {
        "exceeds": "meets or exceeds everything that counts",
        "meets": "meets everything that counts",
        "falls short": f"falls short in {join_words(result.figures('falls short', True))}",
        "not known": "not known: a figure is missing",
    }[result.result]
    if result.weakest:
        words += f"; least margin {result.weakest} {margin_text(result.weakest_margin)}"
    return words


def terminal_text(report: SubstituteReport, *, width: int = 80, paint: Paint | None = None) -> str:
    """Ranked table, then the lines of the candidates the user named, then the cautions.

    Returns
    -------
    str
        Without a final line end.
    """
    paint = paint or Paint()
    out = [paragraph(heading(report), width), ""]
    if len(report.results) > 1 or report.from_shelf:
        sides = both_polarities(report)
        rows = [
            [
                name_of(r), *([report.types[r.candidate].polarity] if sides else []), r.result,
                f"{r.weakest} {margin_text(r.weakest_margin)}".strip(),
                ", ".join(_short(r)), ", ".join(r.figures("not known")),
            ]
            for r in report.results
        ]  # fmt: skip
        columns = (_SUMMARY[0], Column("polarity"), *_SUMMARY[1:]) if sides else _SUMMARY
        out += [render(columns, rows, width, None, paint), ""]
        if any(x.endswith(" *") for row in rows for x in row[-2].split(", ")):
            out += [paint.quiet("* shown and warned about; does not settle the result"), ""]
    if report.from_shelf and not report.results:
        out += ["Nothing on the shelf comes near. Add types with --types FILE.", ""]
    elif report.from_shelf and all(r.result == "falls short" for r in report.results):
        out += [paragraph("Nothing on the shelf does: these miss by the least.", width), ""]
    detailed = report.results[:1] if report.from_shelf else report.results[:DETAIL_UP_TO]
    for result in detailed:
        out += [detail_text(result, report, width, paint), ""]
    if report.from_shelf and report.original and len(report.results) > 1:
        example = f"junction substitute {report.original.name} {report.results[1].candidate}"
        out += [paragraph(f"The lines of another one: {example}", width), ""]
    more = " All cautions: the page (-o FOLDER)."
    out += [paragraph(f"Caution: {c.text}{more}", width, hang="  ") for c in report.brief]
    return "\n".join(out).rstrip()


def both_polarities(report: SubstituteReport) -> bool:
    """Whether the candidates are to be told apart by polarity: the place does not say which it takes."""
    found = {report.types[r.candidate].polarity for r in report.results}
    return report.needs is not None and not report.needs.polarity and found != {""}


def _short(result: Substitution) -> list[str]:
    must = result.figures("falls short", True)
    return [x if x in must else f"{x} *" for x in result.figures("falls short")]


_CSV = (
    "candidate", "tag", "result", "figure", "must", "line", "wanted", "has", "unit", "wanted_text",
    "has_text", "margin", "note",
)  # fmt: skip


def lines_csv(report: SubstituteReport) -> str:
    """All lines of all candidates, one row each, numbers in SI units."""
    return csv_text(
        _CSV,
        (
            (r.candidate, r.tag, r.result, x.figure, x.must, x.result, x.wanted, x.has, x.unit, x.wanted_text,
             x.has_text, x.margin, x.note)
            for r in report.results for x in r.lines
        ),
    )  # fmt: skip


def needs_json(needs: Needs | None) -> dict | None:
    """Needs of a place, in the form that ``--needs`` reads."""
    if needs is None:
        return None
    return {
        "polarity": needs.polarity, "voltage_V": json_out.number(needs.voltage_V),
        "current_A": json_out.number(needs.current_A), "power_W": json_out.number(needs.power_W),
        "case_temp_C": json_out.number(needs.case_temp_C), "hfe_low": json_out.number(needs.hfe_low),
        "hfe_at_A": json_out.number(needs.hfe_at_A), "f_t_Hz": json_out.number(needs.f_t_Hz),
        "load_line": [[json_out.number(v), json_out.number(i)] for v, i in needs.load_line],
        "source": needs.source,
    }  # fmt: skip


def _line_json(line: SubstituteLine) -> dict:
    return {
        "figure": line.figure, "result": line.result, "must": line.must,
        "wanted": json_out.number(line.wanted), "has": json_out.number(line.has), "unit": line.unit,
        "wanted_text": line.wanted_text, "has_text": line.has_text, "margin": json_out.number(line.margin),
        "note": line.note,
    }  # fmt: skip


def json_text(report: SubstituteReport) -> str:
    """The whole answer as JSON, numbers in SI units (T_j and temperatures in degC)."""
    body = {
        "original": report.original.name if report.original else None,
        "needs": needs_json(report.needs),
        "case_temp_C": json_out.number(report.case_temp_C),
        "from_shelf": report.from_shelf,
        "candidates": [
            {
                "candidate": r.candidate, "tag": r.tag, "result": r.result,
                "polarity": report.types[r.candidate].polarity,
                "weakest": {"figure": r.weakest, "margin": json_out.number(r.weakest_margin)},
                "lines": [_line_json(line) for line in r.lines], "warnings": list(r.warnings),
                "notes": r.notes, "source": report.types[r.candidate].source,
                "secondary": report.types[r.candidate].secondary,
            }
            for r in report.results
        ],
        "set_aside": json_out.set_aside(report.set_aside),
        "cautions": [c.text for c in report.cautions],
    }  # fmt: skip
    return json_out.document("substitute", body)
