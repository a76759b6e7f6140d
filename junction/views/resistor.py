"""The view of a resistor: its reading, networks from stock, and what a tolerance does."""

from __future__ import annotations

from collections.abc import Iterable
from math import isinf, isnan

from junction.base.units import nominal, percent, quantity
from junction.replace.results import ResistorNetwork, ResistorReport
from junction.show import blocks as b

_MOST_LINES = 12


def parts_text(net: ResistorNetwork) -> str:
    """A network with its values: ``0.1 + 0.22 ohm``, ``(1 | 2.2) + (4.7 | 10) kohm``."""
    words = [nominal(r, "ohm") for r in net.parts_ohm]
    units = {word.rsplit(" ", 1)[1] for word in words}
    unit = ""
    if len(units) == 1:
        unit = f" {units.pop()}"
        words = [word.rsplit(" ", 1)[0] for word in words]
    by_letter = dict(zip("ABCD", words, strict=False))
    return "".join(by_letter.get(c, c) for c in net.arrangement) + unit


def _networks(networks: Iterable[ResistorNetwork]) -> b.Block:
    right = ("value", "off by", "likely", "most heat")
    columns = b.columns("parts", *right, right=right, wrap=("parts",))
    rows = [
        [parts_text(n), nominal(float(f"{n.ohm:.5g}"), "ohm"),
         "0 %" if abs(n.error) < 5e-6 else f"{100 * n.error:+.2f} %", f"± {100 * n.tolerance_likely:.2g} %",
         percent(max(n.power_shares)) if isnan(n.hottest_W) else quantity(n.hottest_W, "W")]
        for n in networks
    ]  # fmt: skip
    return b.table(columns, rows)


def _reading(report: ResistorReport) -> list[b.Block]:
    v = report.reading
    if v is None:
        return []
    read = "OL" if v.over_range else nominal(v.reading_ohm, "ohm")
    where = " in circuit" if v.in_circuit else ""
    marked = f"{nominal(v.nominal_ohm, 'ohm')} ± {100 * report.tolerance:g} %"
    lines = [f"{marked}, reading {read}{where}: {v.state}. It {v.evidence}."]
    if not isnan(v.probability_in_tolerance) and not isinf(v.reading_ohm):
        lines.append(f"Probability that it is within its tolerance: {percent(v.probability_in_tolerance)}")
    if not isnan(v.parallel_ohm):
        lines.append(f"A path of {quantity(v.parallel_ohm, 'ohm')} beside a good one would read the same.")
    if v.next:
        lines.append(f"Next: {v.next}.")
    return [b.text(x) for x in lines]


def _stock(report: ResistorReport) -> list[b.Block]:
    wanted = nominal(report.wanted_ohm, "ohm")
    lines = [f"{wanted} from {report.stock}, ± {100 * report.tolerance:g} % parts."]
    if len(report.nearest_ohm) == 1 and abs(report.nearest_ohm[0] / report.wanted_ohm - 1) < 1e-9:
        lines.append("It is a stock value.")
    elif report.nearest_ohm:
        lines.append(f"Nearest stock: {' and '.join(nominal(x, 'ohm') for x in report.nearest_ohm)}.")
    if not isnan(report.power_W):
        lines.append(f"{nominal(report.power_W, 'W')} in all; a part is to run at"
                     f" {percent(report.power_W / report.alone_rating_W)} of its rating at most (common"
                     " practice, no source).")  # fmt: skip
        part = nominal(report.part_power_W, "W") if not isnan(report.part_power_W) else ""
        if report.alone_rating_W > report.part_power_W and len(report.nearest_ohm) == 1:
            rating = nominal(report.alone_rating_W, "W")
            lines.append(f"One {wanted} alone would carry all of it and need a rating of {rating}: as a"
                         f" {part} part it is left out.")  # fmt: skip
        if part and not report.networks:
            lines.append(f"No network of {part} parts does: take larger ones.")
    return [b.text(x) for x in lines]


def _effect(report: ResistorReport) -> list[b.Block]:
    e = report.effect
    if e is None:
        return []
    return [
        b.text(f"At {nominal(e.current_A, 'A')} it drops {quantity(e.drop_V, 'V')}. Two equal devices whose"
             f" resistors stand at opposite ends of ± {100 * report.tolerance:g} % differ by"
             f" {percent(e.imbalance, 1)} of their sum; what the devices themselves differ by comes on top."),
        b.text(f"A protection that trips at that drop trips between {quantity(e.trip_low_A, 'A')} and"
             f" {quantity(e.trip_high_A, 'A')}."),
    ]  # fmt: skip


def summary(report: ResistorReport) -> str:
    """Verdict of the reading, or the best network."""
    wanted = nominal(report.wanted_ohm, "ohm")
    if report.reading is not None:
        return f"{wanted}: {report.reading.state}"
    return f"{wanted}: {parts_text(report.networks[0]) if report.networks else 'no network'}"


def terminal(report: ResistorReport, everything: bool = False) -> Iterable[b.Block]:
    """Verdict, networks, effect and cautions."""
    if report.reading:
        yield from (*_reading(report), "")
    yield from _stock(report)
    alone = all(len(n.parts_ohm) == 1 for n in report.networks)
    if report.networks and not (report.reading and alone):
        shown = report.networks if everything else report.networks[:_MOST_LINES]
        yield from ("", _networks(shown), "", b.text(_legend(report)))
    if report.effect:
        yield from ("", *_effect(report))
    yield ""
    for caution in report.cautions:
        yield b.text(f"Caution: {caution.text}", hang="  ")


def _legend(report: ResistorReport) -> str:
    return ("A + B in series, A | B in parallel. likely: 95 % if the parts are independent and even within"
            f" ± {100 * report.tolerance:g} %; at worst it is the tolerance of the parts. most heat: what the"
            " hottest part gets.")  # fmt: skip


def page(report: ResistorReport, made: str = "") -> tuple[str, list[b.Block]]:
    """Title and blocks."""
    title = f"Resistor of {nominal(report.wanted_ohm, 'ohm')}"
    networks = [_networks(report.networks), b.text(_legend(report), "soft")] if report.networks else []
    return title, [
        b.text(title, "title"), b.cautions(report.cautions), b.section("The reading", _reading(report)),
        b.section("From stock", _stock(report) + networks),
        b.section("What the tolerance does", _effect(report)),
        *([b.text(f"Made {made}.", "soft")] if made else []),
    ]  # fmt: skip


def display(report: ResistorReport) -> list[b.Block]:
    """What a notebook shows."""
    return [*_reading(report), *_stock(report), _networks(report.networks[:_MOST_LINES]), *_effect(report)]


def tables(report: ResistorReport) -> dict:
    """``resistor``: all networks, numbers in SI units."""
    headings = ("arrangement", "parts_ohm", "value_ohm", "error", "tolerance_worst", "tolerance_likely",
                "power_shares", "hottest_W")  # fmt: skip
    rows = [
        (n.arrangement, " ".join(f"{x:g}" for x in n.parts_ohm), n.ohm, n.error, n.tolerance_worst,
         n.tolerance_likely, " ".join(f"{x:.6g}" for x in n.power_shares), n.hottest_W)
        for n in report.networks
    ]  # fmt: skip
    return {"resistor": (headings, rows)}
