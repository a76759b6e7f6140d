"""The view of one judged part: the answer for the bench, the page and the JSON."""

from __future__ import annotations

from collections.abc import Iterable

from junction.base.records import PartReadings, spelled
from junction.base.units import listed
from junction.judge.results import PartVerdict, SortReport, say
from junction.shelf.tables import rule
from junction.show import blocks as b
from junction.views.order import one_line

_SHORT_LIST = 4  # neighbours of a small-signal part or a diode; an output stage has more
_ROLES = {"B": "base", "C": "collector", "E": "emitter"}

#: Prose of one answer reads badly on a wider terminal.
MOST_COLUMNS = 80


def probability_words(p: float) -> str:
    """``99 % sure``; never 100, never a digit that means nothing."""
    if p >= 0.995:
        return "over 99 %"
    if p < 0.005:
        return "under 1 %"
    return f"{100 * p:.0f} %"


def _noun(kind: str, other: str) -> str:
    return {"bjt": "transistor", "darlington": "Darlington", "diode": "diode",
            "bjt with damper diode": "transistor with damper diode"}.get(kind, other)  # fmt: skip


def device_line(v: PartVerdict, readings: PartReadings) -> str:
    """What the part is, and which lead is which, as far as that is known."""
    d = v.device
    if d.called:
        leads = ", ".join(f"{lead} is {role}" for lead, role in sorted(d.leads.items()))
        return f"{d.called}; lead {leads}" if leads else d.called
    noun = _noun(d.kind, "")
    text = " ".join(w for w in (d.polarity, d.material, noun) if w).replace("LED diode", "LED")
    if not text:
        text = "the kind of part cannot be told"
    elif not noun:
        text += ", kind of part not settled"
    if d.kind != "diode" and not d.polarity:
        text += ", polarity not settled"
    if d.kind == "diode" or all(not r.placement[0].isdigit() for r in readings.readings):
        return text
    leads = [f"{lead} is the {_ROLES[role]}" for lead, role in sorted(d.leads.items())]
    if len(leads) < 3:
        rest = [_ROLES[r] for r in "BCE" if r not in d.leads.values()]
        leads.append(f"{listed(rest)} not told apart")
    return f"{text}; {', '.join(leads)}"


def verdict_pieces(v: PartVerdict) -> tuple[str, str]:
    """The verdict's word, and what is said beside it."""
    if v.verdict == "undecided":
        if v.doubt:
            return v.verdict, v.doubt
        best, p = max(v.probability.items(), key=lambda item: item[1])
        leans = p > rule("show_even_odds")
        return v.verdict, f"leans to {best}, {probability_words(p)}" if leans else "nothing fits well"
    sure = f"{probability_words(v.probability[v.verdict])} sure"
    if not v.faults:
        return v.verdict, sure
    exact = v.faults_probability
    if exact < rule("show_path_settled"):
        likely = f"likeliest {spelled(*v.faults)}, {probability_words(exact)}"
        return v.verdict, f"{sure}; which path of the part is not settled ({likely})"
    return v.verdict, f"{spelled(*v.faults)}  ({sure})"


def summary(report: SortReport) -> str:
    """The verdict in a few words."""
    v = report.verdicts[0]
    said = spelled(*v.faults) or (v.doubt if v.verdict == "undecided" else "")
    return f"{v.verdict}: {said}" if said else str(v.verdict)


def terminal(report: SortReport, everything: bool = False) -> Iterable[b.Block]:
    """The whole answer; the first line is the verdict."""
    v, readings = report.verdicts[0], report.bag.readings[0]
    word, rest = verdict_pieces(v)
    yield b.text((b.Badge(word, word.upper()), f"  {rest}"))
    yield b.text(say("check_caution"), "quiet")
    said = v.doubt.lower() + "."  # the first line says it already
    yield b.labelled("part", [device_line(v, readings)])
    yield b.labelled("why", [s for s in v.evidence if s.lower() != said] if v.doubt else v.evidence)
    yield b.labelled("note", v.warnings)
    told = rule("show_least_alternative")
    others = []
    for a in v.alternatives:
        kind = _noun(a.device.kind, a.device.kind)
        kind = "not a bipolar transistor" if kind == "unknown" else kind
        text = a.device.called or " ".join(w for w in (a.device.polarity, a.device.material, kind) if w)
        leads = "".join(f", lead {k} {role}" for k, role in sorted(a.device.leads.items()))
        if a.probability >= told:
            faults = spelled(*a.faults) or "no fault"
            others.append(f"{probability_words(a.probability)}: {faults} ({text}{leads})")
    yield b.labelled("or else", others)
    yield b.labelled("next", [v.next] if v.next else [])
    if not (v.in_circuit or v.next.startswith("Read ") or v.verdict == "good"):
        # a deciding test beside the next step, where it would change what is done
        told = dict.fromkeys(a.decided_by for a in v.alternatives if a.decided_by and a.faults != v.faults)
        more = [f"To tell the rest apart: {t}." for t in told if t.lower() not in v.next.lower()]
        yield b.labelled("", more[:1])
    yield b.labelled("to order", [line] if (line := one_line(report.order)) else [])
    yield b.labelled("not seen", [f"{v.cannot_see}."] if v.cannot_see else [])
    # what was taken for granted: the meter and the temperature
    meter = report.meter
    source = f"{1e3 * meter.test_current_A:g} mA"
    if meter.source_kind == "resistance":
        source = f"{meter.open_voltage_V:g} V behind {meter.resistance_ohm:g} Ω"
    given = meter.basis == "given by the user"
    other = "" if given else " (yours differs: --meter-current or --meter-open-voltage)"
    warmth = f"{v.temp_C:g} °C" + ("" if v.temp_known else ", as none was given")
    taken = f"a meter of {source}, OL above {meter.over_range_V:g} V{other}; {warmth}."
    yield b.labelled("taken", [taken])
    if v.neighbours:
        output_stage = len(v.neighbours) > _SHORT_LIST
        start = "If it drives a load, test" if output_stage else "Test"
        yield b.text(f"{start} before power comes back:", "strong")
        for k, text in enumerate(v.neighbours[:-1], 1):
            yield b.text(f"  {k}. {text}", hang="     ")
        yield b.text(v.neighbours[-1])
    if v.neighbours or v.in_circuit:
        # where the hand goes next; the top says to unplug and to measure the capacitors down, the list of
        # neighbours how to power up
        said = ("unplug", "first power-up")
        shown = [c for c in report.cautions if c.where != "meter" and not c.text.lower().startswith(said)]
        if shown:
            yield b.text("cautions", "quiet")
        for c in shown[:2]:
            yield b.text(f"  - {c.text}", "quiet", hang="    ")


def running_line(v: PartVerdict) -> str:
    """One line while readings are taken: how they add up so far."""
    if v.verdict == "undecided":
        told = rule("show_least_alternative")
        ranked = sorted(v.probability.items(), key=lambda item: -item[1])
        return "so far: " + ", ".join(f"{q} {probability_words(p)}" for q, p in ranked if p >= told)
    return f"so far: {'  '.join(verdict_pieces(v))}"


def tables(report: SortReport) -> dict:
    """``verdicts``: one row, as of a sorted bag."""
    from junction.views.sort import tables as sort_tables

    return {"verdicts": sort_tables(report)["verdicts"]}


def document(report: SortReport) -> dict:
    """As of a sorted bag; the meter's kind also under its short name."""
    from junction.show.write import record
    from junction.views.sort import document as sort_document

    return {**sort_document(report), "meter": {**record(report.meter), "kind": report.meter.source_kind}}


def sheet(report: SortReport) -> dict:
    """What the job's sheet keeps of it (`junction.paper.job_folder.ENTRY`)."""
    from junction.views.sort import sheet as sort_sheet

    return {**sort_sheet(report, every=True), "about": report.verdicts[0].part}


def page(report: SortReport, made: str = "") -> tuple[str, list[b.Block]]:
    """Title and blocks: tag and verdict, cautions, the card, what to test and to order, the meter."""
    from junction.paper.card import card_blocks
    from junction.paper.part import sure
    from junction.show.page import markup, tag

    v = report.verdicts[0]
    name, meter = v.part or "one part", report.meter
    title = (*([v.part, " "] if v.part else []), b.Badge(v.verdict), " ",
             tag("span", markup(shown), class_="sure") if (shown := sure(v)) != "-" else "")  # fmt: skip
    return f"check of {name}", [
        b.text(title, "title"), b.cautions(report.cautions),
        b.section("", card_blocks(v, report.bag.readings[0]), role="part alone"), *_after(report),
        b.text(f"Meter: {meter.name}." + (f" Made {made}." if made else ""), "soft"),
    ]  # fmt: skip


def display(report: SortReport) -> list[b.Block]:
    """What a notebook shows."""
    from junction.paper.card import part_card

    return [part_card(report.verdicts[0], report.bag.readings[0]), *_after(report)]


def _after(report: SortReport) -> list[b.Block]:
    """What to test before power comes back, and what to order."""
    listed, line = report.verdicts[0].neighbours, one_line(report.order)
    inside = [b.bullets(listed, role="two")] if listed else []
    return [b.section("Test before power-up", inside, "neighbours"),
            *([b.text(f"To order: {line}")] if line else [])]  # fmt: skip
