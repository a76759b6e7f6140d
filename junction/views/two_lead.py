"""The view of matched diodes, LEDs and Zeners: terminal, page, CSV and labels."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from junction.base.units import interval, listed, percent, quantity, share
from junction.judge.results import say
from junction.sets.results import GRADES, LAYOUTS, TwoLeadReport, TwoLeadSet
from junction.shelf.tables import rule
from junction.show import blocks as b
from junction.show.write import ends, set_aside_table
from junction.views.match import (
    MOST_PICTURED,
    MOST_SETS,
    as_entered,
    brief_share,
    closing,
    ending,
    gap_words,
    grade_words,
    graded,
    in_set,
    in_short,
    lead_line,
    origin,
    partners,
    summary,
)

if TYPE_CHECKING:  # a report without pictures does not wait for what draws them
    from junction.show.canvas import Picture


def _volts(s: TwoLeadSet) -> str:
    """Voltage of each part, to the place its uncertainty allows."""
    digits = 1 if max(s.u_voltage_V) < 5e-4 else 0
    if max(s.voltage_V) < 1:
        return " ".join(f"{1000 * v:.{digits}f}" for v in s.voltage_V) + " mV"
    return " ".join(f"{v:.{3 + digits if max(s.voltage_V) < 10 else 2}f}" for v in s.voltage_V) + " V"


def by_current(report: TwoLeadReport) -> bool:
    """Whether the sets are held to their currents at one voltage."""
    return LAYOUTS[report.layout].held == "current at one voltage"


def grade_means(report: TwoLeadReport, grade: str) -> str:
    """A grade with its limit: gain groups use the same letters."""
    if grade == "none":
        return "none"
    table = "grade_" if by_current(report) else "grade_volts_"
    return f"{grade}: within {percent(rule(table + grade.lower()))}"


def _overview(report: TwoLeadReport, sets: Iterable[TwoLeadSet]) -> b.Block:
    uneven, row = by_current(report), LAYOUTS[report.layout]
    name = "V_Z" if row.held.startswith("V_Z") else "V"
    decides = "imbalance" if uneven else f"{name} apart, of its mean"
    long = ("parts", "grade", decides, f"{name} apart", f"{name} of each", "at")
    columns = b.columns("set", *long, *(("in series",) if row.in_series else ()), wrap=(*long, "in series"))
    rows = [
        [f"{number}{' (kept)' if s.kept else ''}", " ".join(s.parts),
         b.Badge(s.grade, grade_means(report, s.grade)), share(s.decides),
         interval(s.spread_V, "V", even=True), _volts(s), quantity(s.current_A, "A"),
         *((interval(s.total_V, "V"),) if row.in_series else ())]
        for number, s in enumerate(sets, 1)
    ]  # fmt: skip
    return b.table(columns, rows)


def grades_mean(report: TwoLeadReport) -> dict[str, str]:
    """Each grade with what it means."""
    uneven = by_current(report)
    table = "grade_" if uneven else "grade_volts_"
    what = "currents at one voltage within {} of their sum" if uneven else "voltages within {} of their mean"
    means = {g: what.format(percent(rule(f"{table}{g.lower()}"))) for g in GRADES[:-1]}
    return means | {"none": f"more than {percent(rule(f'{table}c'))} cannot be ruled out"}


def short(report: TwoLeadReport, everything: bool = False) -> Iterable[b.Block]:
    """Counts, one line a set, what is left over and what to do last."""
    shown = report.sets if everything else report.sets[:MOST_SETS]
    heads = ("imbalance %" if by_current(report) else "apart %", "at most %", "each", "at")
    rows = [[f"{n}{' (kept)' if s.kept else ''}", " ".join(s.parts), b.Badge(s.grade),
             brief_share(s.decides.value), brief_share(s.decides.high, up=True), _volts(s),
             quantity(s.current_A, "A")] for n, s in enumerate(shown, 1)]  # fmt: skip
    columns = b.columns("set", "parts", "grade", *heads, right=heads[:2])
    means = {g: grade_means(report, g).partition(": ")[2] or "kept to no limit" for g in GRADES}
    yield from in_short(report, columns, rows, means.get)
    notes = dict.fromkeys(note for s in shown for note in s.notes)
    yield b.labelled("note", list(notes))
    yield from ending(report, _left_over(report, named=2), (*report.warnings, *report.refused))


def terminal(report: TwoLeadReport, everything: bool = False) -> Iterable[b.Block]:
    """Table of sets with what the grades mean, notes, the left-over list and the advice."""
    shown = report.sets if everything else report.sets[:MOST_SETS]
    if shown:
        yield _overview(report, shown)
        means = grades_mean(report)
        yield b.text("; ".join(f"{g}: {means[g]}" for g in GRADES if any(s.grade == g for s in report.sets)))
    if len(shown) < len(report.sets):
        more = b.count(len(report.sets) - len(shown), "further set")
        yield b.text(f"{more} not listed; --all lists every set.")
    about: dict[str, list[int]] = {}
    for number, s in enumerate(shown, 1):
        for note in s.notes:
            about.setdefault(note, []).append(number)
    for note, numbers in about.items():
        yield b.text(f"set{'s' if numbers[1:] else ''} {listed(map(str, numbers))}: {note}", hang="  ")
    for number, s in enumerate(shown, 1):
        if s.kept and not s.swaps:
            yield b.text(f"set {number}: no single exchange betters it.")
        elif s.kept:
            yield b.text(f"set {number}: exchanges that would better it")
            yield b.bullets([(f"{w['out']} out, {w['in']} in ({origin(w, 'in ')}): ", percent(w["size"], 1))
                             for w in s.swaps])  # fmt: skip
    yield ""
    yield b.text(gap_words(report))
    for sentence in (*report.warnings, *report.refused):
        yield b.text(sentence, "alarm")
    yield from closing(report, _left_over(report, named=4), everything)


def _left_over(report: TwoLeadReport, named: int | None = None) -> dict[str, list[str]]:
    """Each reason once, with its parts; those never meant for a match only counted beyond `named`."""
    about: dict[str, list[str]] = {}
    never = {item.why for item in report.left_over if not item.candidate}
    for item in sorted(report.left_over, key=lambda item: not item.candidate):
        about.setdefault(item.why, []).append(item.part)
    if named is None:
        return about
    return {why: [b.count(len(parts), "part")] if why in never and len(parts) > named else parts
            for why, parts in about.items()}  # fmt: skip


SETS_HEADINGS = (
    "set", "part", "place", "kind", "grade", "kept", "current_A", "voltage_V", "u_voltage_V", "share",
    "spread", "spread_low", "spread_high", "imbalance", "imbalance_low", "imbalance_high", "spread_V",
    "spread_low_V", "spread_high_V", "total_V", "total_low_V", "total_high_V", "notes",
)  # fmt: skip


def tables(report: TwoLeadReport) -> dict:
    """``sets``, one row a part with its set's figures repeated; ``left_over``; and the set-aside list."""
    rows = []
    for number, s in enumerate(report.sets, 1):
        figures = ends(s.spread, s.imbalance, s.spread_V, s.total_V)
        for part, place, *own in zip(s.parts, s.places, s.voltage_V, s.u_voltage_V, s.share, strict=True):
            about = (s.kind, s.grade, s.kept, s.current_A, *own, *figures, "; ".join(s.notes))
            rows.append([number, part, place, *about])
    return {
        "sets": (SETS_HEADINGS, rows),
        "left_over": (("part", "why"), [(item.part, item.why) for item in report.left_over]),
        "set_aside": set_aside_table(report.bag.set_aside),
    }


def files(report: TwoLeadReport, made: str = "", job: str = "") -> dict[str, str]:
    """Labels to cut out, set by set."""
    from junction.paper.labels import Label, label_pages

    labels = [
        Label(part, in_set(number, s.places[k]), _grade(report, s), partners(s, k), s.marks[k]["type"],
              f"{s.voltage_V[k]:.4g} V at {quantity(s.current_A, 'A')}", made)
        for number, s in enumerate(report.sets, 1) for k, part in enumerate(s.parts)
    ]  # fmt: skip
    return label_pages(labels, job)


def _grade(report: TwoLeadReport, s: TwoLeadSet) -> str:
    return "no grade" if s.grade == "none" else f"grade {grade_means(report, s.grade)}"


def sheet(report: TwoLeadReport) -> dict:
    """What the job's sheet keeps of it (`junction.paper.job_folder.ENTRY`)."""
    sets = [{"parts": s.parts, "places": s.places, "grade": s.grade, "means": grade_means(report, s.grade),
             "figures": str(share(s.decides))} for s in report.sets]  # fmt: skip
    return {"about": report.layout, "sets": sets, "counts": graded(report)}


def pictures(report: TwoLeadReport, made: str = "") -> dict[str, Picture]:
    """What the first sets are graded by, against the lines of the grades."""
    from junction.show.plots_sets import imbalance_picture

    if not report.sets:
        return {}
    uneven = by_current(report)
    table, symbol = ("grade_", "") if uneven else ("grade_volts_", "V_Z" if report.layout == "zener" else "V")
    words = {} if uneven else {"of": f"{symbol} apart", "axis": f"{symbol} apart, of the mean"}
    bars = [(g, rule(f"{table}{g.lower()}")) for g in GRADES[:-1]]
    sets = [(f"set {k}", [s.decides]) for k, s in enumerate(report.sets[:MOST_PICTURED], 1)]
    return {"imbalance": imbalance_picture("imbalance", sets, [""], bars, **words)}


def display(report: TwoLeadReport) -> list[b.Block]:
    """What a notebook shows."""
    shown = [_overview(report, report.sets), b.text(gap_words(report), "soft")]
    return [b.text(summary(report), "strong"), *shown]


def page(report: TwoLeadReport, made: str = "") -> tuple[str, list[b.Block]]:
    """Title and blocks: the sets, what is left over, what would help, and what the grades mean."""
    places = []
    for number, s in enumerate(report.sets, 1):
        for k, part in enumerate(s.parts):
            taken = percent(s.share[k], 1) if s.imbalance is not None else ""
            first = (str(number), b.Badge(s.grade, grade_words(s.grade)), s.kind) if k == 0 else ("", "", "")
            places.append([first[0], part, s.places[k], first[1], first[2], quantity(s.voltage_V[k], "V", 4),
                           taken])  # fmt: skip
    heads = ("set", "part", "place", "grade", "kind", "voltage", "share of the current")
    notes = [f"set {n}: {note}" for n, s in enumerate(report.sets, 1) for note in s.notes]
    means = grades_mean(report)
    left = [[", ".join(parts), why] for why, parts in _left_over(report).items()]
    guide = [b.facts([(b.Badge(g, grade_words(g)), means[g]) for g in GRADES]), b.text(say("guide_two_lead"))]
    return f"Matched sets: {len(report.sets)}", [
        b.text("Matched sets", "title"), b.text(lead_line(report, made), "lead"), b.cautions(report.cautions),
        b.text(summary(report)), b.text(gap_words(report)),
        *(b.text(sentence, "next") for sentence in (*report.warnings, *report.refused)),
        b.section("Where each part goes", [b.table(b.columns(*heads, right=heads[5:]), places)]),
        b.section("Set by set", [_overview(report, report.sets), b.bullets(notes),
                                 b.pictures(list(pictures(report).values()))]),
        b.section("Left over", [b.table(b.columns("parts", "why"), left)]),
        b.section("To do better", [b.bullets(report.advice)]),
        b.section("As entered", [b.facts(as_entered(report))]),
        b.section("What they were compared at", [b.bullets(report.assumptions)]),
        b.set_aside(report.bag.set_aside),
        b.section("What the grades mean", guide, role="guide"),
    ]  # fmt: skip
