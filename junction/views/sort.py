"""The view of a sorted bag: table, page, CSV and JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from math import isnan
from typing import TYPE_CHECKING

from junction.base.records import spelled
from junction.base.units import nominal, reading
from junction.judge.results import QUALITIES, PartVerdict, SortReport, say
from junction.paper import bag
from junction.paper.part import (
    blind_words,
    curve_sources,
    device_words,
    evidence_of,
    fault_words,
    leads_words,
    sure,
    sureness,
    sweep_sources,
    temperature_note,
)
from junction.show import blocks as b
from junction.show.write import record, set_aside_table
from junction.views import order
from junction.views.short import act, alternatives, danger, figure

if TYPE_CHECKING:  # a report without pictures does not wait for what draws them
    from junction.show.canvas import Picture

#: Up to so many parts, a terminal shows every one; beyond, good ones are only counted.
SHOW_ALL_UP_TO = 40
#: So many lines at most, unless all are asked for.
MOST_LINES = 200
#: Sentences on types and the like under the lines of a short answer.
MOST_NOTES = 3
#: Characters of the sentence on what goods do not show: two lines of 80 columns.
MOST_BLIND_TEXT = 156

def summary(report: SortReport) -> str:
    """The bag in one line."""
    counts = ", ".join(f"{n} {word}" for word, n in report.counts().items()) or "no parts"
    return f"{b.count(len(report.verdicts), 'part')}: {counts}"


def terminal(report: SortReport, everything: bool = False) -> Iterable[b.Block]:
    """Table, worst first, then the counts, what is not listed and what the verdicts rest on."""
    listed, unlisted = _listed(report, everything)
    if listed:
        rows = []
        for v in listed:
            others = [f"Or {text}." for _, text in (() if v.doubt else alternatives(v))]
            following = [f"Next: {v.next}"] if v.next and v.verdict != "good" else []
            why = " ".join([*evidence_of(v), *v.warnings, *others, *following])
            rows.append([v.part, b.Badge(v.verdict), sure(v), fault_words(v), why])
        yield b.table(b.columns("part", "verdict", "sure", "fault", "why", wrap=("fault", "why")), rows)
        yield ""
    yield b.text(summary(report))
    if unlisted:
        yield b.text(f"{' and '.join(unlisted)} not listed; --all lists every part.")
    for note in notes(report):
        yield b.text(note)
    yield from order.short_list(report.order, everything)
    around: dict[tuple[str, ...], list[str]] = {}
    for v in listed:
        around.setdefault(v.neighbours, []).append(v.part)
    for texts, parts in around.items():
        yield b.bullets(texts, f"before power comes back, around {', '.join(parts)}")
    yield b.bullets([c.text for c in report.cautions], "cautions")


def short(report: SortReport, everything: bool = False) -> Iterable[b.Block]:
    """Counts, then one line a part, worst first, what to order, and what the verdicts rest on."""
    listed, unlisted = _listed(report, everything)
    rows = [[v.part, b.Badge(v.verdict), _fault(v), *_told(v)] for v in listed]
    yield b.text(summary(report), "strong")
    if report.verdicts:
        handled = any(v.verdict != "good" or v.in_circuit for v in report.verdicts)
        yield danger("check" if handled else "good", *(row[-1] for row in rows))
    yield from ("", b.lines(rows, 3), "") if rows else ()
    rest = " and ".join(b.words(n).replace("good parts", "good") for n in unlisted)
    yield b.labelled("", [f"{rest} (--all)"] if unlisted else [])
    notes = [*([report.label] if report.label else []), *report.type_notes]
    more = [f"{b.count(len(notes) - MOST_NOTES, 'more note')} (--more)"] if len(notes) > MOST_NOTES else []
    yield b.labelled("note", [*notes[:MOST_NOTES], *more, *_aside(report)])
    goods, found = _blind(report)
    phrases = [f"{phrase} ({n})" if n < goods else phrase for phrase, n in found]
    unseen = b.that_fit(phrases, b.WIDTH - 18 - len(str(goods)), "…")
    yield b.labelled("unseen", [f"{b.count(goods, '')} good: {unseen}"] if found else [])
    n = report.parts_without_temp
    taken = nominal(report.default_temp_C, "degC")
    yield b.labelled("taken", [f"{taken} for {b.count(n, 'part')}"] if n else [])
    yield from order.in_brief(report.order, everything)


def _fault(v: PartVerdict) -> str:
    """Where the fault is; that it was read in circuit."""
    pieces = [fault.rpartition(" ") for fault in v.faults]
    same = all(quality == v.verdict for _, _, quality in pieces)  # the verdict stands beside it
    text = ", ".join(spelled(where) for where, _, _ in pieces) if same else spelled(*v.faults)
    text = f"likely {text}" if fault_words(v).startswith("likely") else text
    return ", ".join(x for x in (text, "in circuit" if v.in_circuit else "") if x)


def _told(v: PartVerdict) -> tuple[str, str]:
    """The figure that decides, or how a doubtful part leans, and what to do; of a good part what it is."""
    if v.verdict == "good":
        return device_words(v.device, v.type), ""
    leaning = b.words(sure(v)) if v.verdict == "undecided" else "-"
    return figure(v) + ("" if leaning == "-" else f"; {leaning}"), act(v)


def _aside(report: SortReport) -> Iterable[str]:
    """What was taken out of all sweeps, and what was read and not judged."""
    if not isnan(report.input_ohm):
        yield say("sort_input", ohm=report.input_ohm)
    if n := report.spots_only:
        parts = b.count(n, "part")
        yield f"{parts} with V_BE or h_FE at a current only: not judged here; junction match reads those."


def _listed(report: SortReport, everything: bool) -> tuple[list[PartVerdict], list[b.Inline]]:
    """Parts that a terminal lists, and what it counts instead."""
    listed, unlisted = list(report.verdicts), []
    if not everything and len(listed) > SHOW_ALL_UP_TO:
        bad = [v for v in listed if v.verdict != "good"]
        good = len(listed) - len(bad)
        listed = bad[:MOST_LINES]
        if len(bad) > MOST_LINES:
            unlisted.append(b.count(len(bad) - MOST_LINES, "further part"))
        unlisted += [b.count(good, "good part")] if good else []
    return listed, unlisted


def notes(report: SortReport) -> list[str]:
    """What a reader of the table must know: temperatures that were taken, and what goods do not show."""
    out = [*([report.label] if report.label else []), *report.type_notes]
    if report.parts_without_temp and report.verdicts:
        out.append(temperature_note(report.parts_without_temp, report.default_temp_C))
    out += _aside(report)
    # what goods do not show, in one sentence: the blind spot of all of them, or the commonest ones; every
    # part's own stand in its section of the page and in verdicts.csv
    goods, found = _blind(report)
    whole = {blind_words(v) for v in report.verdicts if v.verdict == "good" and v.cannot_see}
    if len(whole) < 2:
        return out + list(whole)
    start = f"Not seen in the {b.count(goods, 'good part')}: "
    end = "; each part's own list: page, verdicts.csv."
    text = ""
    for phrase, n in found:
        longer = f"{text}, {phrase} ({n})" if text else f"{phrase} (in {n})"
        if len(start + longer + end) <= MOST_BLIND_TEXT:
            text = longer
    return [*out, start + (text or "differs by part") + end]


def _blind(report: SortReport) -> tuple[int, list[tuple[str, int]]]:
    """How many good parts there are, and what so many of them do not show, the commonest first."""
    found: Counter = Counter()
    goods = [v for v in report.verdicts if v.verdict == "good" and v.cannot_see]
    for v in goods:
        sentence = v.cannot_see.endswith(".")  # one of its own
        phrases = [v.cannot_see.removesuffix(".")] if sentence else v.cannot_see.split(", ")
        found.update(phrase if sentence else phrase.removeprefix("current ") for phrase in phrases)
    return len(goods), found.most_common()


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
    read = report.bag
    readings = {p.part: p.readings for p in read.readings}
    sources = sweep_sources(read.sweeps)
    curves = curve_sources(read.curves)
    parts = [
        {**record(v), "decides": v.decides, "do": v.do, **_quantities(v),
         "readings": readings.get(v.part, ()), "sweeps": list(sources.get(v.part, {}).values()),
         **({"curves": curves[v.part], "measured": {
             name: {**it.ends(), "unit": it.unit} for name, it in v.measured.items()
         }} if v.part in curves else {})}
        for v in report.verdicts
    ]  # fmt: skip
    return {
        "parts": parts, "counts": report.counts(), "entries_set_aside": len(read.set_aside),
        "rows_set_aside": sum(s.rows for s in read.set_aside), "meter": report.meter,
        "default_temp_C": report.default_temp_C, "parts_without_temp": report.parts_without_temp,
        "parts_plotted": min(report.plots, len(sources)), "parts_with_sweeps": len(sources),
        "notes": notes(report), "parts_in_detail": min(bag.MOST_SECTIONS, len(report.verdicts)),
        "order": order.document(report.order), "need_action": bag.need_action(report),
        "types_by_verdict": bag.types_by_verdict(report),
    }  # fmt: skip


def sheet(report: SortReport, every: bool = False) -> dict:
    """What the job's sheet keeps (`junction.paper.job_folder.ENTRY`); `every`: readings of good parts too."""
    readings = {p.part: p.readings for p in report.bag.readings}
    parts = []
    for v in report.verdicts:
        own = {"tag": v.part, "type": v.type, "verdict": v.verdict}
        if v.verdict != "good":
            decides = v.decides.brief() if v.decides else next(iter(evidence_of(v)), "")
            own |= {"fault": fault_words(v), "figure": decides, "next": _sheet_next(v)}
        if v.verdict != "good" or every:
            own["readings"] = [f"{r.placement} {reading(r)}" for r in readings.get(v.part, ())]
        parts.append(own)
    found = order.document(report.order) or {"types": []}
    for one, row in zip(found["types"], report.order.rows if report.order else (), strict=True):
        one["or"] = [order.named(other) for other in row.substitutes[:2]]
    return {"label": report.label, "counts": report.counts(), "parts": parts, "order": found.pop("types"),
            "waiting": found}  # fmt: skip


def _sheet_next(v: PartVerdict) -> str:
    """What comes next, for one who has not the file: of a reading that was mistyped only that it was."""
    names = getattr(v.next, "numbers", {}).get("names")
    refused = getattr(v.next, "reason", "") == "leads_next_refused"
    return say("sheet_retype", names=names) if refused else v.next


def _quantities(v) -> dict:
    """What was held to a limit beside the figure that decided; nothing of a part with that one figure."""
    found = [{**f.as_json(), "kept": f.kept if f.kept == f.kept else None} for f in v.quantities()]
    return {"quantities": found} if found else {}


def page(report: SortReport, made: str = "") -> tuple[str, list[b.Block]]:
    """Title and blocks of the one page, or of the first of a large bag."""
    return pages(report, made)["sort"]


def pages(report: SortReport, made: str = "") -> dict[str, tuple[str, list[b.Block]]]:
    """Title and blocks of every page by its name: more than one of a large bag."""
    files = report.bag.files
    named = f" of {', '.join(files[:6])}" if files else ""
    named += " and others" if len(files) > 6 else ""
    n = len(report.bag.set_aside)
    left = ("; ", b.count(n), " not used") if n else ()
    lead = (b.count(len(report.verdicts), "part"), " from ", b.count(report.bag.rows_read, "row"), named,
            *left, f". {made}" if made else ".")  # fmt: skip
    return bag.pages(report, made, lead, notes(report), order.section(report.order))


def pictures(report: SortReport, made: str = "") -> dict[str, Picture]:
    """Every picture of the page by the name of its file."""
    whole = bag.glance(report)
    return ({"bag": whole} if whole else {}) | {one.name: one for one in bag.drawn(report, made).values()}


def display(report: SortReport) -> list[b.Block]:
    """What a notebook shows."""
    rows = [[v.part, b.Badge(v.verdict), sure(v), device_words(v.device, v.type), fault_words(v),
             bag.figure(v)] for v in report.verdicts]  # fmt: skip
    table = b.table(b.columns("part", "verdict", "sure", "device", "fault", "figure that decides"), rows)
    return [b.text(summary(report), "strong"), table, b.bullets(notes(report), role="soft"),
            *order.section(report.order)]  # fmt: skip
