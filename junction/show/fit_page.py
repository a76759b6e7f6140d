"""The page of fitted sweeps: each with its parameters, its pictures and its SPICE card."""

from __future__ import annotations

from collections.abc import Mapping

from junction.base.number import interval_pieces, quantity_pieces
from junction.fit.results import FitReport, FitRow, TransistorPlot, TransistorRow
from junction.show import html as h
from junction.show.fit import notes
from junction.show.part_page import fit_list, source_caption, sweep_figures
from junction.show.sort_page import FOOTER, draw_plots, set_aside_table
from junction.show.spice import cards

#: Sweeps that get a section of their own; the files hold every one.
MOST_SECTIONS = 400


def fit_page(report: FitReport, made: str = "", svgs: Mapping[int, Mapping[str, str]] | None = None) -> str:
    """Whole page as text.

    Parameters
    ----------
    report : FitReport
    made : str
        Date and time as text.
    svgs : mapping, optional
        What `draw_plots` gave for ``report.plots``.

    Returns
    -------
    str
    """
    svgs = svgs if svgs is not None else draw_plots(report.plots)
    texts = cards(report)
    lead = h.join(h.counted(len(report.rows), "sweep"), " and ",
                  h.counted(len(report.transistors), "transistor"), " from ",
                  h.counted(report.rows_read, "row"),
                  f" of {', '.join(report.files[:6])}" if report.files else "", f". {made}")  # fmt: skip
    body: list = [
        h.tag("h1", "Fitted parameters"), h.tag("p", lead, class_="lead"), h.cautions_box(report.cautions),
        h.bullets(notes(report), "soft"),
    ]  # fmt: skip
    shown = report.rows[:MOST_SECTIONS]
    if shown:
        sections = [
            _sweep(r, svgs.get(r.source.sweep, {}), texts.get((r.part, r.junction), "")) for r in shown
        ]
        body.append(h.section("Sweeps", _caps(report), sections))
    if report.transistors:
        shown_t = report.transistors[:MOST_SECTIONS]
        drawn = draw_transistors(report.transistor_plots)
        articles = [_transistor(t, drawn.get(t.part, {}), texts.get((t.part, ""), "")) for t in shown_t]
        body.append(h.section("Transistors from curves", articles))
    if report.set_aside:
        body.append(h.section("Set aside, not used", set_aside_table(report.set_aside)))
    return h.page("Fitted parameters", body, footer=h.tag("p", FOOTER))


def draw_transistors(plots: Mapping[str, TransistorPlot]) -> dict[str, dict[str, str]]:
    """SVG text of each view of each transistor, by part."""
    if not plots:
        return {}
    from junction.show.transistor_plots import TransistorSheets

    sheets = TransistorSheets()
    return {part: sheets.svgs(plot) for part, plot in plots.items()}


def _caps(report: FitReport) -> h.Html:
    said = []
    if len(report.rows) > MOST_SECTIONS:
        said.append(h.tag("p", "Sections for the first sweeps only; fit.csv and the JSON hold every sweep.",
                          class_="soft"))  # fmt: skip
    if len(report.plots) < len(report.rows):
        said.append(h.tag("p", h.count(len(report.plots)), " of ", h.counted(len(report.rows), "sweep"),
                          " drawn; --plots draws more.", class_="soft"))  # fmt: skip
    return h.join(*said)


def _card(text: str) -> h.Html | None:
    if not text:
        return None
    lines = h.Html("\n".join(h.escape(line) for line in text.split("\n")))
    return h.tag("div", h.tag("h4", "SPICE card"), h.tag("pre", lines))


def _sweep(row: FitRow, svgs: Mapping[str, str], card: str) -> h.Html:
    name = h.tag("h3", row.part, " ", row.junction, " ", h.tag("span", row.type, class_="what"))
    caption = source_caption(row.source)
    picture = (sweep_figures(svgs, row.part, row.junction, caption) if svgs
               else h.tag("p", caption, class_="soft"))  # fmt: skip
    heating = None
    if row.heating_K == row.heating_K:
        heating = h.tag("p", "Warmed by about ", h.number(quantity_pieces(row.heating_K, "K", 2)),
                        " during the sweep.", class_="soft")  # fmt: skip
    why = h.tag("p", f"No fit: {row.why_not}") if row.why_not else fit_list(row.fit)
    return h.tag("article", name, picture, why, heating, _card(card), class_="part")


def _transistor(row: TransistorRow, svgs: Mapping[str, str], card: str) -> h.Html:
    name = h.tag("h3", row.part, " ", h.tag("span", f"{row.type} {row.polarity}".strip(), class_="what"))
    if row.why_not:
        return h.tag("article", name, h.tag("p", f"No fit: {row.why_not}"), class_="part short")
    span = h.tag("p", "Curves from ", h.number(quantity_pieces(row.ic_low_A, "A")), " to ",
                 h.number(quantity_pieces(row.ic_high_A, "A")), "; values referred to 25 °C.",
                 class_="soft")  # fmt: skip
    rows = [[key, h.number(interval_pieces(it))] for key, it in row.parameters.items()]
    table = h.table(["quantity", "value and its interval"], rows, "values")
    held = None
    if row.held:
        held = h.tag("p", f"Held at defaults, as the data cannot say: {', '.join(row.held)}.", class_="soft")
    pictures = [h.image(svg, f"{row.part}: {view}", 336, 250) for view, svg in svgs.items()]
    figure = h.tag("figure", h.tag("div", pictures, class_="views")) if pictures else None
    return h.tag("article", name, figure, span, table, held, _card(card), class_="part short")
