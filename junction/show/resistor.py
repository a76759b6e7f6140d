"""A resistor as text, CSV, JSON and page."""

from __future__ import annotations

from math import isinf, isnan

from junction.base.number import nominal, nominal_pieces, percent, quantity
from junction.replace.results import ResistorNetwork, ResistorReport
from junction.show import html as h
from junction.show import json_out
from junction.show.csv_out import csv_text
from junction.show.table import Column, Paint, paragraph, render

_COLUMNS = (
    Column("parts", wrap=True), Column("value", "right"), Column("off by", "right"),
    Column("likely", "right"), Column("most heat", "right"),
)  # fmt: skip
MOST_LINES = 12


def parts_text(net: ResistorNetwork) -> str:
    """A network with its values: ``0.1 + 0.22 ohm``, ``(1 | 2.2) + (4.7 | 10) kohm``."""
    words = [nominal(r, "ohm") for r in net.parts_ohm]
    units = {w.rsplit(" ", 1)[1] for w in words}
    if len(units) == 1:
        unit = f" {units.pop()}"
        words = [w.rsplit(" ", 1)[0] for w in words]
    else:
        unit = ""
    by_letter = dict(zip("ABCD", words, strict=False))
    return "".join(by_letter.get(c, c) for c in net.arrangement) + unit


def error_text(net: ResistorNetwork) -> str:
    """Signed error in percent."""
    return "0 %" if abs(net.error) < 5e-6 else f"{100 * net.error:+.2f} %"


def heat_text(net: ResistorNetwork) -> str:
    """Heat of the part that gets the most: watts where the power is known, else its share."""
    if isnan(net.hottest_W):
        return percent(max(net.power_shares))
    return quantity(net.hottest_W, "W")


def verdict_lines(report: ResistorReport) -> list[str]:
    """Sentences about the reading."""
    v = report.verdict
    if v is None:
        return []
    read = "OL" if isinf(v.reading_ohm) else nominal(v.reading_ohm, "ohm")
    where = " in circuit" if report.in_circuit else ""
    marked = f"{nominal(v.nominal_ohm, 'ohm')} ± {100 * v.tolerance:g} %"
    lines = [f"{marked}, reading {read}{where}: {v.state}. It {v.evidence}."]
    if not isnan(v.probability_in_tolerance) and not isinf(v.reading_ohm):
        lines.append(f"Probability that it is within its tolerance: {percent(v.probability_in_tolerance)}")
    if not isnan(v.parallel_ohm):
        lines.append(f"A path of {quantity(v.parallel_ohm, 'ohm')} beside a good one would read the same.")
    if v.next:
        lines.append(f"Next: {v.next}.")
    return lines


def effect_lines(report: ResistorReport) -> list[str]:
    """Sentences about what the tolerance does."""
    e = report.effect
    if e is None:
        return []
    return [
        f"At {nominal(e.current_A, 'A')} it drops {quantity(e.drop_V, 'V')}. Two equal devices whose"
        f" resistors stand at opposite ends of ± {100 * report.tolerance:g} % differ by"
        f" {percent(e.imbalance, 1)} of their sum; what the devices themselves differ by comes on top.",
        f"A protection that trips at that drop trips between {quantity(e.trip_low_A, 'A')} and"
        f" {quantity(e.trip_high_A, 'A')}.",
    ]


def stock_lines(report: ResistorReport) -> list[str]:
    """Sentences about stock and nearest values."""
    near = " and ".join(nominal(x, "ohm") for x in report.nearest_ohm)
    of = f"{report.stock}, ± {100 * report.tolerance:g} % parts"
    lines = [f"{nominal(report.wanted_ohm, 'ohm')} from {of}."]
    if len(report.nearest_ohm) == 1 and abs(report.nearest_ohm[0] / report.wanted_ohm - 1) < 1e-9:
        lines.append("It is a stock value.")
    elif near:
        lines.append(f"Nearest stock: {near}.")
    if not isnan(report.power_W):
        lines.append(f"{nominal(report.power_W, 'W')} in all; a part is to run at half its rating at most"
                     " (common practice, no source).")  # fmt: skip
        if report.alone_rating_W > report.part_power_W and len(report.nearest_ohm) == 1:
            lines.append(
                f"One {nominal(report.wanted_ohm, 'ohm')} alone would carry all of it and need a rating of"
                f" {nominal(report.alone_rating_W, 'W')}: as a {nominal(report.part_power_W, 'W')} part it is"
                " left out."
            )
        if not isnan(report.part_power_W) and not report.networks:
            lines.append(f"No network of {nominal(report.part_power_W, 'W')} parts does: take larger ones.")
    return lines


def terminal_text(report: ResistorReport, *, width: int = 80, paint: Paint | None = None) -> str:
    """Verdict, networks, effect and cautions; without a final line end."""
    paint = paint or Paint()
    out = [paragraph(x, width) for x in verdict_lines(report)]
    out += [""] if out else []
    out += [paragraph(x, width) for x in stock_lines(report)]
    if report.networks and not (report.verdict and all(len(n.parts_ohm) == 1 for n in report.networks)):
        rows = [
            [parts_text(n), nominal(float(f"{n.ohm:.5g}"), "ohm"), error_text(n),
             f"± {100 * n.tolerance_likely:.2g} %", heat_text(n)]
            for n in report.networks[:MOST_LINES]
        ]  # fmt: skip
        legend = (
            "A + B in series, A | B in parallel. likely: 95 % if the parts are independent and even within"
            f" ± {100 * report.tolerance:g} %; at worst it is the tolerance of the parts. most heat: what the"
            " hottest part gets."
        )
        out += ["", render(_COLUMNS, rows, width, None, paint), "", paragraph(legend, width)]
    effect = effect_lines(report)
    out += ["", *(paragraph(x, width) for x in effect)] if effect else []
    out += ["", *(paragraph(f"Caution: {c.text}", width, hang="  ") for c in report.cautions)]
    return "\n".join(out).rstrip()


def networks_csv(report: ResistorReport) -> str:
    """All networks, numbers in SI units."""
    headings = ("arrangement", "parts_ohm", "value_ohm", "error", "tolerance_worst", "tolerance_likely",
                "power_shares", "hottest_W")  # fmt: skip
    return csv_text(
        headings,
        (
            (n.arrangement, " ".join(f"{x:g}" for x in n.parts_ohm), n.ohm, n.error, n.tolerance_worst,
             n.tolerance_likely, " ".join(f"{x:.6g}" for x in n.power_shares), n.hottest_W)
            for n in report.networks
        ),
    )  # fmt: skip


def json_text(report: ResistorReport) -> str:
    """The whole answer as JSON, SI units."""
    v, e = report.verdict, report.effect
    body = {
        "wanted_ohm": report.wanted_ohm, "tolerance": report.tolerance, "stock": report.stock,
        "nearest_ohm": list(report.nearest_ohm), "power_W": json_out.number(report.power_W),
        "part_power_W": json_out.number(report.part_power_W),
        "alone_rating_W": json_out.number(report.alone_rating_W),
        "networks": [
            {"arrangement": n.arrangement, "parts_ohm": list(n.parts_ohm), "ohm": n.ohm, "error": n.error,
             "power_shares": list(n.power_shares), "tolerance_worst": n.tolerance_worst,
             "tolerance_likely": n.tolerance_likely, "hottest_W": json_out.number(n.hottest_W)}
            for n in report.networks
        ],
        "effect": None if e is None else {
            "current_A": e.current_A, "drop_V": e.drop_V, "imbalance": e.imbalance,
            "trip_low_A": e.trip_low_A, "trip_high_A": e.trip_high_A,
        },
        "reading": None if v is None else {
            "state": v.state, "nominal_ohm": v.nominal_ohm, "reading_ohm": json_out.number(v.reading_ohm),
            "over_range": isinf(v.reading_ohm), "in_circuit": report.in_circuit,
            "probability_in_tolerance": json_out.number(v.probability_in_tolerance),
            "parallel_ohm": json_out.number(v.parallel_ohm), "evidence": v.evidence, "next": v.next,
        },
        "cautions": [c.text for c in report.cautions],
    }  # fmt: skip
    return json_out.document("resistor", body)


def page(report: ResistorReport) -> str:
    """Whole page as text."""
    rows = [
        (parts_text(n), h.number(nominal_pieces(float(f"{n.ohm:.5g}"), "ohm")), error_text(n),
         f"± {100 * n.tolerance_likely:.2g} %", heat_text(n))
        for n in report.networks
    ]  # fmt: skip
    headings = ("parts (+ in series, | in parallel)", "value", "off by", "likely tolerance", "most heat")
    body = [h.tag("p", x) for x in stock_lines(report)]
    reading, effect = verdict_lines(report), effect_lines(report)
    return h.page(
        "Resistor",
        h.tag("h1", f"Resistor of {nominal(report.wanted_ohm, 'ohm')}"),
        h.cautions_box(report.cautions),
        h.section("The reading", [h.tag("p", x) for x in reading]) if reading else None,
        h.section("From stock", body, h.table(headings, rows, numeric=(1, 2, 3, 4)) if rows else None),
        h.section("What the tolerance does", [h.tag("p", x) for x in effect]) if effect else None,
    )
