"""The page of a sorted bag: cautions, counts, table, then each part with its evidence."""

from __future__ import annotations

from collections.abc import Mapping

from junction.base.number import nominal_pieces
from junction.base.records import SetAside
from junction.fit.results import SweepPlot
from junction.judge.results import SortReport
from junction.shelf.results import Meter
from junction.show import html as h
from junction.show.part_page import part_section, sure_datum
from junction.show.sort import MOST_SECTIONS, notes
from junction.show.text import count
from junction.show.words import MEANING, device_words, evidence_of, fault_words

#: Set-aside rows listed on the page; the CSV and the JSON hold all.
MOST_SET_ASIDE = 1000


def draw_plots(plots: Mapping[int, SweepPlot]) -> dict[int, dict[str, str]]:
    """SVG text of each view of each sweep."""
    if not plots:
        return {}
    from junction.show.plots import SweepSheets

    sheets = SweepSheets()
    return {k: sheets.svgs(plot) for k, plot in plots.items()}


def sort_page(report: SortReport, made: str = "", svgs: Mapping[int, Mapping[str, str]] | None = None) -> str:
    """Whole page as text.

    Parameters
    ----------
    report : SortReport
    made : str
        Date and time as text.
    svgs : mapping, optional
        What `draw_plots` gave for ``report.plots``.

    Returns
    -------
    str
    """
    svgs = svgs if svgs is not None else draw_plots(report.plots)
    counts = [h.tag("li", h.count(n), h.badge(word)) for word, n in report.counts().items()]
    body: list = [
        h.tag("h1", "Sorted bag"),
        h.tag("p", _lead(report, made), class_="lead"),
        h.cautions_box(report.cautions),
        h.tag("ul", counts, class_="counts"),
        h.bullets(notes(report), "soft"),
    ]
    if report.verdicts:
        sections = [
            part_section(v, report.readings.get(v.part), report.sources.get(v.part, ()), svgs, f"p{k}")
            for k, v in enumerate(report.verdicts[:MOST_SECTIONS])
        ]
        body.append(h.section("Worst first", _overview(report)))
        body.append(h.section("Part by part", _caps(report), sections))
    else:
        body.append(h.tag("p", "No part could be judged."))
    if report.set_aside:
        body.append(h.section("Set aside, not used", set_aside_table(report.set_aside)))
    body.append(h.section("How to read this sheet", _guide(report.meter), class_="guide"))
    return h.page(f"Sorted bag: {count(len(report.verdicts), 'part')}", body, footer=h.tag("p", FOOTER))


FOOTER = (
    "Measurements decide, not this sheet: where they disagree, measure again. "
    "Local codes and licensed practice come first."
)


def _lead(report: SortReport, made: str) -> h.Html:
    bits: list = [h.counted(len(report.verdicts), "part"), " from ", h.counted(report.rows_read, "row")]
    if report.files:
        bits += [" of ", ", ".join(report.files[:6])]
        if len(report.files) > 6:
            bits.append(" and others")
    if report.set_aside:
        bits += ["; ", h.count(len(report.set_aside)), " set aside"]
    return h.join(*bits, f". {made}" if made else ".")


def _overview(report: SortReport) -> h.Html:
    rows = []
    for k, v in enumerate(report.verdicts):
        sentences = evidence_of(v)
        rows.append([
            h.tag("a", v.part, href=f"#p{k}") if k < MOST_SECTIONS else v.part,
            h.badge(v.verdict), sure_datum(v), device_words(v.device, v.type),
            fault_words(v), sentences[0] if sentences else "",
        ])  # fmt: skip
    return h.table(["part", "verdict", "sure", "device", "fault", "why"], rows, "stack overview")


def _caps(report: SortReport) -> h.Html:
    said = []
    if len(report.verdicts) > MOST_SECTIONS:
        said.append(h.tag("p", "The ", h.count(MOST_SECTIONS), " worst parts; the table above, verdicts.csv "
                          "and the JSON hold every part.", class_="soft"))  # fmt: skip
    if report.parts_plotted < report.parts_with_sweeps:
        said.append(h.tag("p", "Sweeps are drawn for the worst ", h.count(report.parts_plotted), " of ",
                          h.counted(report.parts_with_sweeps, "part"), " with sweeps; --plots draws more.",
                          class_="soft"))  # fmt: skip
    return h.join(*said)


def set_aside_table(items: tuple[SetAside, ...]) -> h.Html:
    """Rows that were not used, with place and reason."""
    rows = [
        [s.file, h.count(s.row) if s.row is not None else "", s.column, s.value, s.reason]
        for s in items[:MOST_SET_ASIDE]
    ]
    cut = h.tag("p", "The rest of them are in set_aside.csv.", class_="soft")
    return h.join(
        h.table(["file", "line", "column", "value", "reason"], rows), cut if len(items) > len(rows) else None
    )


def meter_words(m: Meter) -> h.Html:
    """The meter that readings were taken to come from."""
    drive = (h.number(nominal_pieces(m.test_current_A, "A")) if m.source_kind == "constant current"
             else h.join(h.number(nominal_pieces(m.resistance_ohm, "ohm")), " in series"))  # fmt: skip
    return h.join(m.name, " (", drive, ", ", h.number(nominal_pieces(m.open_voltage_V, "V")),
                  " at open probes, OL above ", h.number(nominal_pieces(m.over_range_V, "V")),
                  ")")  # fmt: skip


def _guide(meter: Meter) -> h.Html:
    words = [(h.tag("dt", h.badge(word)), h.tag("dd", meaning)) for word, meaning in MEANING.items()]
    return h.join(
        h.tag("dl", words),
        h.tag("p", "The figure beside a verdict is the probability that it is right, given the readings, "
              "their uncertainty and the limits of the family or type. At 95 % or more a part is good, at "
              "5 % or less it is not, and between them it stays undecided (JCGM 106, probability of "
              "conformity). Values are followed by their 95 % interval; a < or > is a limit that the data "
              "set, not a value."),
        h.tag("p", "In the pictures, circles are points used, crosses points left out, and the line is the "
              "fit. A sound fit scatters evenly about zero, nearly all of it within two standard "
              "uncertainties."),
        h.tag("p", "Meter readings were taken as those of a meter of this kind: ", meter_words(meter),
              ". Say --meter-current or --meter-open-voltage if yours differs."),
    )  # fmt: skip
