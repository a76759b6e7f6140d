"""The view of one judged part: the answer for the bench, the page and the JSON."""

from __future__ import annotations

from collections.abc import Iterable

from junction.base.records import PartReadings, spelled
from junction.base.units import listed
from junction.judge.results import Finding, PartVerdict, SortReport, Verdict, say
from junction.shelf.tables import records, rule
from junction.show import blocks as b
from junction.views.order import one_line
from junction.views.short import (
    MORE,
    act,
    alternatives,
    danger,
    noun,
    probability_words,
)

_SHORT_LIST = 4  # neighbours of a small-signal part or a diode; an output stage has more
_ROLES = {"B": "base", "C": "collector", "E": "emitter"}

#: Prose of one answer reads badly on a wider terminal.
MOST_COLUMNS = 80
#: Lines of the short answer at 80 columns: half of a small screen.
MOST_ROWS = 12
#: And of the next step in it.
MOST_STEP = 3


def device_line(v: PartVerdict, readings: PartReadings) -> str:
    """What the part is, and which lead is which, as far as that is known."""
    d = v.device
    if d.called:
        leads = ", ".join(f"{lead} is {role}" for lead, role in sorted(d.leads.items()))
        return f"{d.called}; lead {leads}" if leads else d.called
    word = noun(d.kind, "")
    text = " ".join(w for w in (d.polarity, d.material, word) if w).replace("LED diode", "LED")
    if not text:
        text = "the kind of part cannot be told"
    elif not word:
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


def shared(v: PartVerdict) -> tuple[str, ...]:
    """Faults that every weighty explanation has: sure by themselves, whatever else may be wrong."""
    p = {f"{j.junction} {word}": p for j in v.junctions for word, p in j.probability.items()}
    return tuple(f for f in v.faults if p.get(f, 0.0) >= rule("conformity_good"))


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
        firm = shared(v)
        if firm:
            rest = [f for f in v.faults if f not in firm]
            some = f"; perhaps {spelled(*rest)} as well, {probability_words(exact)}" if rest else ""
            return v.verdict, f"{spelled(*firm)}  ({sure}){some}"
        likely = f"likeliest {spelled(*v.faults)}, {probability_words(exact)}"
        return v.verdict, f"{sure}; which path of the part is not settled ({likely})"
    return v.verdict, f"{spelled(*v.faults)}  ({sure})"


def summary(report: SortReport) -> str:
    """The verdict in a few words."""
    v = report.verdicts[0]
    said = spelled(*v.faults) or (v.doubt if v.verdict == "undecided" else "")
    return f"{v.verdict}: {said}" if said else str(v.verdict)


def _why(v: PartVerdict) -> list[str]:
    """What decided, with what was read: of a fault the figures against their limits, else the sentences."""
    unsaid = (Verdict.GOOD, Verdict.UNDECIDED)
    if v.decides is None or v.verdict in unsaid:
        return [s for s in v.evidence if s.lower() != f"{v.doubt.lower()}."]
    faulty = [j.finding for j in v.junctions if j.finding and j.verdict not in unsaid]
    sound = [j.junction for j in v.junctions if j.finding and j.verdict == Verdict.GOOD]
    told = [_figure(f) for f in (v.decides, *(f for f in faulty if f is not v.decides))]
    return [*told, *([f"{listed([*map(spelled, sound)])} sound"] if sound else [])]


def _figure(f: Finding) -> str:
    """A figure against its limit with where it is and what was read, neither twice."""
    where, brief, seen = spelled(f.where), f.brief(), str(f.numbers.get("seen", ""))
    text = brief if where in brief else f"{where}: {brief}"
    return text if not seen or seen in brief or brief in seen else f"{text} ({seen})"


def _before_power(v: PartVerdict) -> str:
    """What else to test, in one line: the things' own names of reference/neighbours.csv."""
    short = {row.says: row.short for row in records("neighbours").values()}
    names = [name for says in v.neighbours if (name := short.get(says))]
    some = b.that_fit(names, b.WIDTH - 41)
    left = len(names) - len(some.split(", "))
    return say("check_before_power", names=some, left=left or "") if names else ""


def _taken(report: SortReport) -> tuple[str, str]:
    """What was taken for granted of the meter, and of the temperature."""
    meter, v = report.meter, report.verdicts[0]
    source = f"{1e3 * meter.test_current_A:g} mA"
    if meter.source_kind == "resistance":
        source = f"{meter.open_voltage_V:g} V behind {meter.resistance_ohm:g} Ω"
    return f"{source}, OL above {meter.over_range_V:g} V", f"{v.temp_C:g} °C"


def short(report: SortReport, everything: bool = False) -> Iterable[b.Block]:
    """The answer in twelve lines: the verdict first, the next step last, every doubt that changes what to do.

    What there is no room for gives way in a fixed order, further evidence first.
    """
    v, readings = report.verdicts[0], report.bag.readings[0]
    word, rest = verdict_pieces(v)
    others = [text for p, text in alternatives(v) if p >= 1 - rule("conformity_good")]
    meter, warmth = _taken(report)
    taken = [] if report.meter.basis == "given by the user" else [f"meter {meter}"]
    taken += [] if v.temp_known else [warmth]
    rows = {
        "part": [device_line(v, readings) + (f", {v.type}" if v.type else "")], "why": _why(v), "or": others,
        "note": list(v.warnings), "unseen": [v.cannot_see] if v.cannot_see else [],
        "taken": [", ".join(taken)] if taken else [],
        "order": [line] if (line := one_line(report.order)) else [],
        "test": [line] if (line := _before_power(v)) else [],
    }  # fmt: skip
    step = v.next or act(v)
    step = step.removesuffix(say("next_neighbours")).rstrip() if rows["test"] else step
    if b.height([b.labelled("next", [step])]) > MOST_STEP:
        step = f"{b.cut(step, MOST_STEP * (b.WIDTH - 14))} ({MORE})"
    head = [b.text((b.Badge(word, word.upper()), f"  {rest}")),
            danger("good" if v.verdict == "good" and not v.in_circuit else "check", step)]  # fmt: skip
    last = b.labelled("next", [step])
    return [*head, *_fitted(rows, MOST_ROWS - b.height([*head, last])), last]


#: What gives way, the first first, where there is no room: a row, the items it keeps, the lines of each.
_GIVE_WAY = (
    ("why", 2, 0), ("or", 2, 0), ("note", 2, 0), ("why", 1, 2), ("unseen", 1, 1), ("test", 1, 1),
    ("or", 1, 1), ("order", 1, 1), ("note", 2, 1), ("part", 1, 1), ("order", 0, 0), ("note", 1, 1),
    ("why", 1, 1),
)  # fmt: skip


def _fitted(rows: dict[str, list[str]], room: int) -> list[b.Block]:
    """As many of the rows as there is room for; where a doubt was shortened, that there is more is said."""
    rows, left = {name: items for name, items in rows.items() if items}, False

    def blocks() -> list[b.Block]:
        return [b.labelled(name, items) for name, items in rows.items()]

    for name, items, lines in _GIVE_WAY:
        if name not in rows or b.height(blocks()) <= room:
            continue
        kept = rows[name][:items]
        kept = [b.cut(item, lines * (b.WIDTH - 12)) for item in kept] if lines else kept
        left = left or (kept != rows[name] and name in ("or", "note", "order"))
        rows[name] = kept
        if not kept:
            del rows[name]
    if left and "test" not in rows:  # which says so anyway
        name = next((name for name in ("taken", "unseen", "part") if name in rows), "")
        if name:
            rows[name] = [*rows[name][:-1], f"{rows[name][-1]} ({MORE})"]
    return blocks()


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
    yield b.labelled("or else", [text for _, text in alternatives(v)])
    yield b.labelled("next", [v.next] if v.next else [])
    if not (v.in_circuit or v.next.startswith("Read ") or v.verdict == "good"):
        # a deciding test beside the next step, where it would change what is done
        told = dict.fromkeys(a.decided_by for a in v.alternatives if a.decided_by and a.faults != v.faults)
        more = [f"To tell the rest apart: {t}." for t in told if t.lower() not in v.next.lower()]
        yield b.labelled("", more[:1])
    yield b.labelled("to order", [line] if (line := one_line(report.order)) else [])
    yield b.labelled("not seen", [f"{v.cannot_see}."] if v.cannot_see else [])
    source, warmth = _taken(report)
    other = "" if report.meter.basis == "given by the user" else (
        " (yours differs: --meter-current or --meter-open-voltage)")  # fmt: skip
    taken = f"a meter of {source}{other}; {warmth}{'' if v.temp_known else ', as none was given'}."
    yield b.labelled("taken", [taken])
    if v.neighbours:
        output_stage = len(v.neighbours) > _SHORT_LIST
        start = "If it drives a load, test" if output_stage else "Test"
        yield b.text(f"{start} before power comes back:", "strong")
        for k, text in enumerate(v.neighbours[:-1], 1):
            yield b.text(f"  {k}. {text}", hang="     ")
        yield b.text(v.neighbours[-1])
    yield b.text("cautions", "quiet")
    for c in report.cautions:
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
