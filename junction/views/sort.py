"""The view of a sorted bag: table, page, CSV and JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import replace
from math import inf, isfinite, isnan, nan
from typing import TYPE_CHECKING

from junction.base.records import Reading
from junction.base.units import nominal
from junction.judge.results import QUALITIES, PartVerdict, SortReport, Verdict, say
from junction.paper.part import (
    blind_words,
    curve_sources,
    device_words,
    evidence_of,
    fault_words,
    leads_words,
    part_card,
    sure,
    sureness,
    sweep_pictures,
    sweep_sources,
    temperature_note,
)
from junction.shelf.tables import rule
from junction.show import blocks as b
from junction.show.write import record, set_aside_table
from junction.views import order

if TYPE_CHECKING:  # a report without pictures does not wait for what draws them
    from junction.show.canvas import Picture

#: Up to so many parts, a terminal shows every one; beyond, good ones are only counted.
SHOW_ALL_UP_TO = 40
#: So many lines at most, unless all are asked for.
MOST_LINES = 200
#: Parts that get a section of their own on the page, worst first; the table and the files hold every part.
MOST_SECTIONS = 400
#: Parts from which on a bag is drawn as a whole.
GLANCE_FROM = 6
#: Characters of the sentence on what goods do not show: two lines of 80 columns.
MOST_BLIND_TEXT = 156

def summary(report: SortReport) -> str:
    """The bag in one line."""
    counts = ", ".join(f"{n} {word}" for word, n in report.counts().items()) or "no parts"
    return f"{b.count(len(report.verdicts), 'part')}: {counts}"


def terminal(report: SortReport, everything: bool = False) -> Iterable[b.Block]:
    """Table, worst first, then the counts, what is not listed and what the verdicts rest on."""
    listed, unlisted = list(report.verdicts), []
    if not everything and len(listed) > SHOW_ALL_UP_TO:
        bad = [v for v in listed if v.verdict != "good"]
        good = len(listed) - len(bad)
        listed = bad[:MOST_LINES]
        if len(bad) > MOST_LINES:
            unlisted.append(b.count(len(bad) - MOST_LINES, "further part"))
        unlisted += [b.count(good, "good part")] if good else []
    if listed:
        rows = []
        for v in listed:
            why = next(iter(evidence_of(v)), "")
            if v.verdict == "undecided" and v.next:
                why = f"{why} Next: {v.next}".strip()
            rows.append([v.part, b.Badge(v.verdict), sure(v), fault_words(v), why])
        yield b.table(b.columns("part", "verdict", "sure", "fault", "why", wrap=("fault", "why")), rows)
        yield ""
    yield b.text(summary(report))
    if unlisted:
        yield b.text(f"{' and '.join(unlisted)} not listed; --all lists every part.")
    for note in notes(report):
        yield b.text(note)
    yield from order.short_list(report.order, everything)


def notes(report: SortReport) -> list[str]:
    """What a reader of the table must know: temperatures that were taken, and what goods do not show."""
    out = [*([report.label] if report.label else []), *report.type_notes]
    if report.parts_without_temp and report.verdicts:
        out.append(temperature_note(report.parts_without_temp, report.default_temp_C))
    if not isnan(report.input_ohm):
        out.append(say("sort_input", ohm=report.input_ohm))
    for n, what, readers in (
        (report.spots_only, "V_BE or h_FE at a current only", "junction match reads"),
    ):
        if n:
            out.append(f"{b.count(n, 'part')} with {what}: not judged here; {readers} those.")
    # what goods do not show, in one sentence: the blind spot of all of them, or the commonest ones; every
    # part's own stand in its section of the page and in verdicts.csv
    goods = [v for v in report.verdicts if v.verdict == "good" and v.cannot_see]
    whole = Counter(map(blind_words, goods))
    if len(whole) < 2:
        return out + list(whole)
    found: Counter = Counter()
    for v in goods:
        sentence = v.cannot_see.endswith(".")  # one of its own
        phrases = [v.cannot_see.removesuffix(".")] if sentence else v.cannot_see.split(", ")
        found.update(phrase if sentence else phrase.removeprefix("current ") for phrase in phrases)
    start = f"Not seen in the {b.count(len(goods), 'good part')}: "
    end = "; each part's own list: page, verdicts.csv."
    text = ""
    for phrase, n in found.most_common():
        longer = f"{text}, {phrase} ({n})" if text else f"{phrase} (in {n})"
        if len(start + longer + end) <= MOST_BLIND_TEXT:
            text = longer
    return [*out, start + (text or "differs by part") + end]


VERDICT_HEADINGS = (
    "part", "verdict", "probability_of_verdict", "p_good", "p_leaky", "p_shorted", "p_open", "faults",
    "kind", "polarity", "material", "leads", "type", "basis", "temp_C", "temp_known", "in_circuit",
    "evidence", "next", "cannot_see", "warnings", "neighbours",
)  # fmt: skip


def tables(report: SortReport) -> dict:
    """``verdicts``, one row a part, worst first, ``order``, one row a type, and the set-aside list."""
    rows = (
        (v.part, v.verdict, sureness(v), *(v.probability.get(q) for q in QUALITIES),
         "; ".join(v.faults), v.device.kind, v.device.polarity, v.device.material, leads_words(v.device),
         v.type, v.basis, v.temp_C, v.temp_known, v.in_circuit, " ".join(evidence_of(v)), v.next,
         v.cannot_see, "; ".join(v.warnings), "; ".join(v.neighbours))
        for v in report.verdicts
    )  # fmt: skip
    return {"verdicts": (VERDICT_HEADINGS, rows), "order": order.table(report.order),
            "set_aside": set_aside_table(report.bag.set_aside)}  # fmt: skip


def document(report: SortReport) -> dict:
    """Body of the JSON."""
    bag = report.bag
    readings = {p.part: p.readings for p in bag.readings}
    sources = sweep_sources(bag.sweeps)
    curves = curve_sources(bag.curves)
    parts = [
        {**record(v), "readings": readings.get(v.part, ()), "sweeps": list(sources.get(v.part, {}).values()),
         **({"curves": curves[v.part], "measured": {
             name: {**it.ends(), "unit": it.unit} for name, it in v.measured.items()
         }} if v.part in curves else {})}
        for v in report.verdicts
    ]  # fmt: skip
    return {
        "parts": parts, "counts": report.counts(), "entries_set_aside": len(bag.set_aside),
        "rows_set_aside": sum(s.rows for s in bag.set_aside), "meter": report.meter,
        "default_temp_C": report.default_temp_C, "parts_without_temp": report.parts_without_temp,
        "parts_plotted": min(report.plots, len(sources)), "parts_with_sweeps": len(sources),
        "notes": notes(report), "parts_in_detail": min(MOST_SECTIONS, len(report.verdicts)),
        "order": order.document(report.order),
    }  # fmt: skip


def page(report: SortReport, made: str = "") -> tuple[str, list[b.Block]]:
    """Title and blocks: cautions, counts, table, then each part with its evidence."""
    bag, meter = report.bag, report.meter
    sources = sweep_sources(bag.sweeps)
    drawn = _drawn(report, made)
    named = f" of {', '.join(bag.files[:6])}" if bag.files else ""
    named += " and others" if len(bag.files) > 6 else ""
    left = ("; ", b.count(len(bag.set_aside), ""), " set aside") if bag.set_aside else ()
    lead = (b.count(len(report.verdicts), "part"), " from ", b.count(bag.rows_read, "row"), named, *left,
            f". {made}" if made else ".")  # fmt: skip
    blocks: list[b.Block] = [
        b.text("Sorted bag", "title"), b.text(lead, "lead"), b.cautions(report.cautions),
        b.bullets([(b.count(n, ""), b.Badge(word)) for word, n in report.counts().items()], role="counts"),
        b.bullets(notes(report), role="soft"),
    ]  # fmt: skip
    cards = []
    if len(report.verdicts) > MOST_SECTIONS:
        cards.append(b.text(("The ", b.count(MOST_SECTIONS, ""), " worst parts; the table above, "
                             "verdicts.csv and the JSON hold every part."), "soft"))  # fmt: skip
    if report.plots < len(sources):
        cards.append(b.text(("Sweeps are drawn for the worst ", b.count(report.plots, ""), " of ",
                             b.count(len(sources), "part"), " with sweeps; --plots draws more."),
                            "soft"))  # fmt: skip
    readings = {p.part: p for p in bag.readings}
    cards += [part_card(v, readings.get(v.part), sources.get(v.part), drawn, f"p{k}")
              for k, v in enumerate(report.verdicts[:MOST_SECTIONS])]  # fmt: skip
    if report.verdicts:
        whole = _glance(report)
        first = [b.pictures([whole])] if whole else []
        blocks += [b.section("Worst first", [*first, _overview(report)]), *order.section(report.order),
                   b.section("Part by part", cards)]  # fmt: skip
    else:
        blocks.append(b.text("No part could be judged."))
    drive = (nominal(meter.test_current_A, "A") if meter.source_kind == "constant current"
             else (nominal(meter.resistance_ohm, "ohm"), " in series"))  # fmt: skip
    taken = (meter.name, " (", drive, ", ", nominal(meter.open_voltage_V, "V"),
             " at open probes, OL above ", nominal(meter.over_range_V, "V"), ")")  # fmt: skip
    good = 100 * rule("conformity_good")
    guide = [
        b.facts([(b.Badge(word), say(f"means_{word}")) for word in Verdict]),
        b.text(say("guide_sure", good=good, bad=100 - good)),
        b.text(say("guide_pictures")),
        b.text(("Meter readings were taken as those of a meter of this kind: ", taken,
                ". Say --meter-current or --meter-open-voltage if yours differs.")),
    ]  # fmt: skip
    blocks += [b.set_aside(bag.set_aside), b.section("How to read this sheet", guide, role="guide")]
    return f"Sorted bag: {b.count(len(report.verdicts), 'part')}", blocks


def _drawn(report: SortReport, made: str) -> dict[int, Picture]:
    """Pictures of the sweeps of the worst parts, by index of the sweep, each with its limit."""
    sources = sweep_sources(report.bag.sweeps)
    worst = [v for v in report.verdicts if v.part in sources][: report.plots]
    wanted = [k for v in worst for k in sources[v.part]]
    if not wanted:
        return {}
    judged = {j.sweep: j for v in worst for j in v.junctions if j.sweep is not None}
    plots = {}
    for k, plot in report.draw(wanted).items():
        found = judged[k].finding if k in judged else None
        if found is not None and "held_A" in found.numbers:
            plot = replace(plot, limit_A=found.numbers["held_A"], limit_V=found.numbers["held_V"])
        plots[k] = plot, judged[k].fit if k in judged else None
    return sweep_pictures(plots, made)


def _glance(report: SortReport) -> Picture | None:
    """The whole bag in one picture; of a few parts the table is one."""
    if len(report.verdicts) < GLANCE_FROM:
        return None
    from junction.show.plots_sets import bag_picture

    readings = {p.part: {r.placement: r for r in p.readings} for p in report.bag.readings}
    places = [_place(v, readings.get(v.part, {})) for v in report.verdicts]
    known = [k for k, place in enumerate(places) if place]
    if not known:
        return None
    drops, ohms = zip(*(places[k] for k in known), strict=True)
    some = [report.verdicts[k] for k in known]
    return bag_picture("bag", [v.part for v in some], [v.verdict for v in some], drops, ohms,
                       absent=len(places) - len(known))  # fmt: skip


def _place(v: PartVerdict, readings: Mapping[str, Reading]) -> tuple[float, float] | None:
    """Forward drop [V] and resistance across the junction that decides [ohm]; None where nothing was read."""
    number = {letter: lead for lead, letter in v.device.leads.items()}
    found = []
    for j in v.junctions:
        drop, ohm = nan, j.leak_ohm.value if j.leak_ohm else nan
        if j.fit is not None:
            at = j.fit.derived.get("V at 1 mA")
            numbers = j.finding.numbers if j.finding else {}
            drop = at.value if at else numbers.get("vf", nan)
            if isnan(ohm) and numbers.get("leak", nan) > 0:
                ohm = numbers["held_V"] / numbers["leak"]
        elif len(j.junction) == 2:
            a, c = (number.get(lead, lead) for lead in j.junction)
            both = [readings[p] for p in (f"{a}-{c}", f"{c}-{a}") if p in readings]
            drop = min((r.value for r in both if r.kind == "volt"), default=nan)
            if not both:
                continue
            if isnan(ohm) and j.leak_ohm is not None and isfinite(j.leak_ohm.high):
                ohm = j.leak_ohm.high  # a short is below it
        if isnan(drop) and ohm > 0:  # no knee: a plain resistance
            drop = 1e-3 * ohm if ohm < rule("open_above") else nan
        found.append((j.verdict != v.verdict, ohm if ohm > 0 else inf, drop))
    if not found:
        return None
    _, ohm, drop = min(found, key=lambda row: row[:2])
    return drop, ohm


def pictures(report: SortReport, made: str = "") -> dict[str, Picture]:
    """Every picture of the page by the name of its file."""
    whole = _glance(report)
    return ({"bag": whole} if whole else {}) | {one.name: one for one in _drawn(report, made).values()}


def display(report: SortReport) -> list[b.Block]:
    """What a notebook shows."""
    table = _overview(report, link=False)
    return [b.text(summary(report), "strong"), table, b.bullets(notes(report), role="soft"),
            *order.section(report.order)]  # fmt: skip


def _overview(report: SortReport, link: bool = True) -> b.Block:
    rows = [
        [b.Link(v.part, f"p{k}") if link and k < MOST_SECTIONS else v.part, b.Badge(v.verdict), sure(v),
         device_words(v.device, v.type), fault_words(v), next(iter(evidence_of(v)), "")]
        for k, v in enumerate(report.verdicts)
    ]  # fmt: skip
    columns = b.columns("part", "verdict", "sure", "device", "fault", "why")
    return b.table(columns, rows, style="overview")
