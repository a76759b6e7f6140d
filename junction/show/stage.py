"""An output stage as text, CSV, JSON and a page, with the measured drops where there are some."""

from __future__ import annotations

from math import isfinite, isnan

from junction.base.number import quantity, quantity_pieces
from junction.base.records import Interval
from junction.shelf.rules import rule
from junction.show import html as h
from junction.show import json_out
from junction.show.csv_out import csv_text
from junction.show.match import block, ohms, set_json, stage_json
from junction.show.match_page import resistors
from junction.show.sort_page import FOOTER, set_aside_table
from junction.show.table import Column, Paint, paragraph, render
from junction.stage.results import DropReport, DropVerdict, Stage, StageReport

_HEAT = (Column("drive", wrap=True), Column("average", "right"), Column("peak", "right"),
         Column("at V_CE", "right"), Column("I_C", "right"), Column("sink", "right"),
         Column("junction", "right"))  # fmt: skip


def _c(x: float) -> str:
    return f"{x:.0f} C" if isfinite(x) else "?"


def facts(stage: Stage) -> list[tuple[str, float, str]]:
    """What the stage asks of its devices: words, value, unit; unknown ones left out."""
    n = stage.parallel
    rows = [
        ("peak output voltage", stage.peak_output_V, "V"),
        ("peak to peak", stage.peak_to_peak_V, "V"),
        ("rms", stage.rms_V, "V"),
        ("peak output current", stage.peak_output_A, "A"),
        ("peak current of each device", stage.peak.total_A / n, "A"),
        ("supply of each rail", stage.supply_V, "V"),
        ("left for the driver at the peak", stage.headroom_V, "V"),
        ("idle current of a rail", stage.idle.total_A, "A"),
        ("idle current of each device", stage.idle.total_A / n, "A"),
        ("V_CE at idle", stage.idle.vce_V, "V"),
        ("thermal loop gain theta dP/dT of a device", stage.loop_gain_device, ""),
        ("the same if the bias did not follow the sink", stage.loop_gain_bias, ""),
        ("V_CE at which a device would run away", stage.vce_critical_V, "V"),
        ("heat sink of one channel, at most", stage.sink_needed_K_per_W, "K/W"),
    ]
    return [row for row in rows if isfinite(row[1])]


def drop_words(stage: Stage) -> str:
    """The drop to set across each emitter resistor."""
    if not any(stage.idle_drop_V):
        return "No emitter resistors: set the idle current by a meter in the supply lead."
    shown = sorted(set(round(1000 * d, 2) for d in stage.idle_drop_V))
    text = " / ".join(f"{d:.1f}" for d in shown)
    low, high = (1000 * rule(f"stage_idle_drop_{end}") for end in ("low", "high"))
    return (
        f"Drop to expect across each emitter resistor at idle: {text} mV. The trade starts between "
        f"{low:.0f} and {high:.0f} mV (common practice, no source), warm, without signal and "
        "without load; the service manual's figure "
        "outranks it."
    )


def terminal_text(report: StageReport, *, width: int = 80, paint: Paint | None = None) -> str:
    """The stage for a terminal: cautions first where something live is to be measured."""
    paint = paint or Paint()
    stage = report.stage
    live = [c.text for c in report.cautions if c.where == "power-up"]
    lines = []
    if report.drops is not None and report.drops.alarm:
        lines += [paint.strong(paragraph("! " + report.drops.alarm, width, "", "  ")), ""]
    lines.append(paint.strong("before you measure in a live amplifier"))
    lines += [paragraph("- " + text, width, "", "  ") for text in live[:1]]
    lines.append("")
    if stage.findings:
        lines += [*(paragraph("! " + sentence, width, "", "  ") for sentence in stage.findings), ""]
    if report.drops is not None:
        lines += [*_drop_lines(report.drops, width, paint), ""]
    wide = max(len(words) for words, _, _ in facts(stage))
    lines += [f"{words:<{wide}}  {quantity(value, unit)}" for words, value, unit in facts(stage)]
    lines += [f"{'emitter resistor':<{wide}}  {ohms(stage.re_ohm)}", "", paragraph(drop_words(stage), width)]
    if stage.dissipation:
        lines += ["", paint.strong("heat in each device"), _heat_lines(stage, width, paint)]
    close = [c.text for c in stage.limits if c.verdict in ("close", "unknown")]
    lines += [paragraph(text, width, "- ", "  ") for text in close]
    lines += block("needed to know more", stage.questions, width, paint)
    lines += block("assumed", stage.assumptions + _assumed(report), width, paint)
    lines += block("and before you power up", live[1:], width, paint)
    return "\n".join(lines)


def _heat_lines(stage: Stage, width: int, paint: Paint) -> str:
    rows = [
        [d.case, quantity(d.average_W, "W"), quantity(d.peak_W, "W"), quantity(d.vce_at_peak_V, "V"),
         quantity(d.ic_at_peak_A, "A"), _c(d.sink_C), _c(d.junction_C)]
        for d in stage.dissipation
    ]  # fmt: skip
    return render(_HEAT, rows, width, paint=paint)


def _assumed(report: StageReport) -> tuple[str, ...]:
    return report.drops.assumptions if report.drops is not None else ()


def shown_verdict(v: DropVerdict, drops: DropReport) -> str:
    """Verdict as a word for people: nothing is as predicted while the bias is off."""
    if v.verdict == "as predicted" and drops.bias in ("too high", "too low"):
        return f"bias {drops.bias}"
    if drops.alarm and v.verdict == "undecided" and v.text.endswith("is wanted."):
        return "bias too high"
    return v.verdict


def _drop_lines(drops: DropReport, width: int, paint: Paint) -> list[str]:
    lines = [paint.strong(f"measured drops: {OVERALL[drops.overall]}")]
    urgent = drops.bias == "too high"
    if urgent:
        lines.append(paragraph(drops.bias_text, width, "  ", "    "))
    for v in drops.drops:
        lines.append(paragraph(f"{shown_verdict(v, drops)}: {v.text}", width, "  ", "    "))
        if v.next and v.verdict != "as predicted":
            lines.append(paragraph(f"next: {v.next}", width, "    ", "    "))
    if not urgent:
        lines.append(paragraph(drops.bias_text, width, "  ", "    "))
    for sentence in drops.swaps:
        lines.append(paragraph(sentence, width, "  ", "    "))
    return lines


OVERALL = {
    "as predicted": "as predicted",
    "fault": "something is wrong",
    "bias": "the bias wants setting",
    "bias far too high": "the bias is far too high, switch off",
    "undecided": "not decided by these readings",
}


def _interval_cells(it: Interval | None) -> list[object]:
    return [it.value, it.low, it.high] if it is not None else [None, None, None]


def stage_csv(report: StageReport) -> str:
    """What the stage asks, one row a quantity."""
    return csv_text(("quantity", "value", "unit"), facts(report.stage))


def heat_csv(report: StageReport) -> str:
    """Heat of one device in each way of driving the stage."""
    return csv_text(
        ("drive", "average_W", "peak_W", "vce_at_peak_V", "ic_at_peak_A", "sink_C", "case_C", "junction_C"),
        ((d.case, d.average_W, d.peak_W, d.vce_at_peak_V, d.ic_at_peak_A, d.sink_C, d.case_C, d.junction_C)
         for d in report.stage.dissipation),
    )  # fmt: skip


def drops_csv(report: StageReport) -> str:
    """One row a measured drop."""
    rows = []
    for v in report.drops.drops if report.drops is not None else ():
        rows.append([v.position, v.measured_V, v.wanted_V, *_interval_cells(v.expected_V), v.verdict,
                     v.probability, *_interval_cells(v.resistor_ohm), v.text, v.next])  # fmt: skip
    return csv_text(
        ("position", "measured_V", "wanted_V", "expected_V", "expected_low_V", "expected_high_V", "verdict",
        "probability",
         "resistor_ohm", "resistor_low_ohm", "resistor_high_ohm", "text", "next"), rows)  # fmt: skip


def drops_json(drops: DropReport | None) -> dict | None:
    """Verdicts on measured drops."""
    if drops is None:
        return None
    return {
        "overall": drops.overall, "bias": drops.bias, "bias_ratio": drops.bias_ratio,
        "bias_text": drops.bias_text, "alarm": drops.alarm,
        "drops": [
            {"position": v.position, "measured_V": v.measured_V, "expected_V": v.expected_V,
             "wanted_V": v.wanted_V, "verdict": v.verdict,
             "probability": v.probability, "current_A": v.current_A, "resistor_ohm": v.resistor_ohm,
             "text": v.text, "next": v.next}
            for v in drops.drops
        ],
        "swaps": drops.swaps, "assumptions": drops.assumptions,
    }  # fmt: skip


def json_text(report: StageReport, made: str = "") -> str:
    """Whole JSON of a stage report."""
    return json_out.document("stage", {
        "made": made, "files": report.files, "rows_read": report.rows_read, "stage": stage_json(report.stage),
        "measured_drops": drops_json(report.drops),
        "predicted_set": None if report.predicted is None else set_json(report.predicted),
        "cautions": [c.text for c in report.cautions], "set_aside": json_out.set_aside(report.set_aside),
    })  # fmt: skip


def stage_page(report: StageReport, made: str = "") -> str:
    """Whole page as text."""
    stage = report.stage
    rows = [[words, h.number(quantity_pieces(value, unit))] for words, value, unit in facts(stage)]
    rows.append(["emitter resistor", resistors(stage.re_ohm)])
    body: list = [
        h.tag("h1", "Output stage"),
        h.tag("p", made or "", class_="lead"),
        [h.tag("p", h.tag("strong", report.drops.alarm), class_="next")]
        if report.drops is not None and report.drops.alarm else None,
        h.cautions_box(report.cautions),
        [h.tag("p", text, class_="next") for text in stage.findings],
    ]
    if report.drops is not None:
        body.append(h.section(f"Measured drops: {OVERALL[report.drops.overall]}", _drops_block(report.drops)))
    body.append(h.section("What it asks of its devices", h.table(["", ""], rows, "values"),
                          h.tag("p", drop_words(stage)), _picture(report)))  # fmt: skip
    if stage.dissipation:
        body.append(h.section("Heat in each device", _heat_table(stage)))
    if stage.limits:
        body.append(h.section("Against the limits of the type", _limits_table(stage)))
    for heading, sentences in (("Needed to know more", stage.questions),
                               ("Assumed", stage.assumptions + _assumed(report))):  # fmt: skip
        if sentences:
            body.append(h.section(heading, h.bullets(sentences)))
    if report.set_aside:
        body.append(h.section("Set aside, not used", set_aside_table(report.set_aside)))
    return h.page("Output stage", body, footer=h.tag("p", FOOTER))


def _temp(x: float) -> h.Html | str:
    return h.number(((f"{x:.0f}", x), (" C", None))) if isfinite(x) else "not known"


def _heat_table(stage: Stage) -> h.Html:
    def q(x: float, unit: str) -> h.Html:
        return h.number(quantity_pieces(x, unit))

    rows = [[d.case, q(d.average_W, "W"), q(d.peak_W, "W"), q(d.vce_at_peak_V, "V"), q(d.ic_at_peak_A, "A"),
             _temp(d.sink_C), _temp(d.junction_C)] for d in stage.dissipation]  # fmt: skip
    return h.table(["drive", "average", "peak", "at V_CE", "and I_C", "sink", "junction"], rows, "stack",
                   numeric=(1, 2, 3, 4, 5, 6))  # fmt: skip


def _limits_table(stage: Stage) -> h.Html:
    rows = []
    for c in stage.limits:
        limit = h.number(quantity_pieces(c.limit, c.unit)) if not isnan(c.limit) else "not known"
        asked = h.number(quantity_pieces(c.asked, c.unit)) if not isnan(c.asked) else "not known"
        rows.append([c.type, c.quantity, asked, limit, h.badge(c.verdict), c.source])
    notes = [
        c.text
        for c in stage.limits
        if c.verdict in ("close", "beyond", "unknown") or "safe area" in c.quantity
    ]
    return h.join(h.table(["type", "limit", "asked", "allowed", "", "source"], rows, "stack", numeric=(2, 3)),
                  h.bullets(dict.fromkeys(notes)))  # fmt: skip


def _drops_block(drops: DropReport) -> h.Html:
    rows = []
    for v in drops.drops:
        e = v.expected_V
        wanted = ((f"{1000 * v.wanted_V:.1f}", v.wanted_V), (" mV", None))
        expected = ((f"{1000 * e.value:.1f}", e.value), (" mV (", None), (f"{1000 * e.low:.1f}", e.low),
                    (" to ", None), (f"{1000 * e.high:.1f}", e.high), (")", None))  # fmt: skip
        rows.append([v.position, h.number(((f"{1000 * v.measured_V:.1f}", v.measured_V), (" mV", None))),
                     h.number(wanted), h.number(expected), h.badge(shown_verdict(v, drops)),
                     v.text.removeprefix(f"{v.position}: ")])  # fmt: skip
    todo = dict.fromkeys(
        f"{v.position}: {v.next}" for v in drops.drops if v.next and v.verdict != "as predicted"
    )
    return h.join(
        h.tag("p", drops.bias_text),
        h.table(["position", "measured", "wanted", "by the others", "", "why"], rows, "stack",
                numeric=(1, 2, 3)),
        h.bullets(drops.swaps),
        [h.tag("p", text, class_="next") for text in todo],
    )  # fmt: skip


def _picture(report: StageReport) -> h.Html:
    if not report.loci:
        return h.Html("")
    from junction.show.match_plots import draw_safe_area
    from junction.show.plots import new_axes, svg_text

    svg = svg_text(draw_safe_area(report.loci, report.areas, new_axes()).figure)
    caption = (
        "A loop that leaves the dc safe area is allowed only by the pulse lines of the type's own chart; its "
        "second-breakdown line is drawn only where the shelf holds it."
    )
    return h.tag("figure", h.image(svg, "load lines of one device", 420, 312), h.tag("figcaption", caption))
