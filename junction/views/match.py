"""The view of matched sets: terminal, page, CSV and JSON, and labels to tape on the parts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from math import ceil, floor, isfinite, log10, nan
from typing import TYPE_CHECKING

import numpy as np

from junction.amplifier.results import Stage
from junction.base.records import Interval
from junction.base.units import interval, listed, nominal, percent, quantity, share
from junction.judge.results import say
from junction.sets.results import (
    GRADES,
    LAYOUTS,
    NO_CANDIDATE,
    MatchedSet,
    MatchReport,
    TwoLeadReport,
    TwoLeadSet,
)
from junction.shelf.tables import rule
from junction.show import blocks as b
from junction.show.write import ends, set_aside_table
from junction.views.short import danger

if TYPE_CHECKING:  # a report without pictures does not wait for what draws them
    from junction.show.canvas import Picture

#: Sets, and reasons of left-over parts, listed on a terminal unless all are asked for.
MOST_SETS = 40
#: Sets with pictures on the page; the table and the CSV hold all.
MOST_PICTURED = 60


def graded(report: MatchReport | TwoLeadReport) -> dict[str, int]:
    """Number of sets by what is said of their grade, best first."""
    found = {g: sum(s.grade == g for s in report.sets) for g in GRADES}
    return {g: n for g, n in found.items() if n}


def grade_words(word: str) -> str:
    """A grade in words."""
    return "no grade" if word == "none" else f"grade {word}"


def _meaning(grade: str) -> str:
    """What a grade means: gain groups go by the same letters."""
    end = percent(rule("grade_c" if grade == "none" else f"grade_{grade.lower()}"))
    return f"{'past' if grade == 'none' else 'within'} {end}"


def _with_meaning(s: MatchedSet, whole: bool = True) -> str:
    letters = s.grades if whole and s.grade != "none" else s.grade  # where one has none, the set has none
    return "runs away" if s.runs_away else f"{letters}: {_meaning(s.grade)}"


def _rails(s: MatchedSet) -> Interval | None:
    """Rail against rail at the worse point, where it stands beside what is shown of each rail."""
    both = [it for it in (s.rails_idle, s.rails_peak) if it is not None and len(s.parts) > 2]
    return max(both, key=lambda it: it.high, default=None)


def summary(report: MatchReport | TwoLeadReport) -> str:
    """Sets and grades in one line."""
    grades = ", ".join(f"{n} {grade_words(g)}" for g, n in graded(report).items())
    return f"{b.count(len(report.sets), 'set')}{': ' if grades else ''}{grades}"


def gap_words(report: MatchReport | TwoLeadReport) -> str:
    """How good the choice is proven to be."""
    if not report.sets:
        return "No set could be made."
    if all(s.kept for s in report.sets):
        return "Every set was fixed by hand; nothing was left to choose."
    if report.optimality_gap <= 0:
        where = "this stage and " if isinstance(report, MatchReport) else ""
        return f"The choice of sets is proven best for {where}these measurements."
    return (f"The choice of sets is within {100 * report.optimality_gap:.2g} % of the best possible "
            f"({report.optimality_basis}).")  # fmt: skip


def _alarms(report: MatchReport) -> tuple[str, ...]:
    return (*report.warnings, *report.refused, *report.stage.findings)


def resistors(values: tuple[float, ...]) -> b.Inline:
    """Resistors as given: one, none, or one a position."""
    if not any(values):
        return "none"
    first, *rest = (nominal(v, "ohm") for v in values)
    return (first, *(x for one in rest for x in (" / ", one)))


def celsius(x: float) -> b.Inline:
    """A temperature to the degree; ``?`` where it is not known."""
    return b.Num((f"{x:.0f}", x), (" °C", None)) if isfinite(x) else "?"


def _bare(report: MatchReport) -> bool:
    """Whether the sets are differential pairs or mirrors: one current, and no stage around them."""
    return LAYOUTS[report.layout].held == "current at one V_BE"


def _surroundings(report: MatchReport) -> b.Inline:
    """The operating points the sets were compared at, in one sentence."""
    idle = report.stage.idle
    if not _bare(report):
        return stage_words(report.stage)
    return ("Compared at ", quantity(idle.total_A / report.stage.parallel, "A"), " in each part; V_CE ",
            quantity(idle.vce_V, "V"), "; emitter resistor ", resistors(report.stage.re_ohm), "; at ",
            celsius(idle.temp_C), ", all equally warm.")  # fmt: skip


def stage_words(stage: Stage) -> b.Inline:
    """The operating points of an output stage, in one sentence."""
    idle, peak = stage.idle, stage.peak
    return (
        "Compared at idle with ", quantity(idle.total_A, "A"), " and at the peak with ",
        quantity(peak.total_A, "A"), f", shared by {b.count(stage.parallel, 'device')}; V_CE ",
        quantity(idle.vce_V, "V"), " and ", quantity(peak.vce_V, "V"), "; emitter resistor ",
        resistors(stage.re_ohm), ", base resistor ", resistors(stage.rb_ohm), "; junctions at ",
        celsius(idle.temp_C), " and ", celsius(peak.temp_C), ".",
    )  # fmt: skip


def _overview(sets: Iterable[MatchedSet]) -> b.Block:
    sets = list(sets)
    if any(s.base_current is not None for s in sets):
        long = ("parts", "grade", "imbalance", "V_BE offset", "by base current")
        rows = [
            [f"{number}{' (kept)' if s.kept else ''}", " ".join(s.parts), b.Badge(s.grade, _with_meaning(s)),
             share(s.imbalance_idle), interval(s.dvbe_V, "V", even=True), share(s.base_current)]
            for number, s in enumerate(sets, 1)
        ]  # fmt: skip
        return b.table(b.columns("set", *long, wrap=(long[0], *long[2:])), rows)
    facing = any(_rails(s) is not None for s in sets)
    sizes = ("idle", "peak", "rails apart") if facing else ("idle imbalance", "peak imbalance")
    long = ("parts", "grade", *sizes, "V_BE apart")
    columns = b.columns("set", *long, "h_FE 1 to", right=("h_FE 1 to",), wrap=(long[0], *long[2:]))
    rows = [
        [f"{number}{' (kept)' if s.kept else ''}", " ".join(s.parts),
         b.Badge(s.grade, _with_meaning(s, whole=False)), share(s.imbalance_idle), share(s.imbalance_peak),
         *([share(_rails(s))] if facing else []),
         interval(s.dvbe_V, "V", even=True), quantity(s.hfe_ratio.value, "", 2)]
        for number, s in enumerate(sets, 1)
    ]  # fmt: skip
    return b.table(columns, rows)


def short(report: MatchReport, everything: bool = False) -> Iterable[b.Block]:
    """Counts, one line a set, what is left over and what to do last."""
    shown = report.sets if everything else report.sets[:MOST_SETS]
    sizes = ["imbalance %", "V_BE offset"] if _bare(report) else ["idle %", "peak %"]
    facing = any(_rails(s) is not None for s in shown)
    heads = ["set", "parts", "grade", *sizes, *(["rails %"] if facing else []), "at most %"]
    rows = []
    for number, s in enumerate(shown, 1):
        sides = [s.imbalance_idle] if _bare(report) else [s.imbalance_idle, s.imbalance_peak]
        sides += [it for it in [_rails(s)] if it is not None]
        second = [quantity(s.dvbe_V.value, "V", 2)] if _bare(report) else []
        most = max(it.high for it in sides)
        rows.append([f"{number}{' (kept)' if s.kept else ''}", " ".join(s.parts),
                     b.Badge(s.grade, "runs away" if s.runs_away else s.grade),
                     *(brief_share(it.value) for it in sides), *second,
                     brief_share(most, up=True)])  # fmt: skip
    yield from in_short(report, b.columns(*heads, right=heads[3:]), rows, _meaning)
    about: dict[str, list[int]] = {}
    apart = say("match_not_apart", where="")
    for number, s in enumerate(shown, 1):
        for note in s.notes:
            if not note.startswith(apart):  # that two parts are alike changes nothing
                about.setdefault(note, []).append(number)
    yield b.labelled("rails", [say("match_rails_apart")] if facing else [])
    yield b.labelled("note", [f"set {listed(map(str, sets))}: {note}" for note, sets in about.items()])
    yield from ending(report, _left_over(report, named=2), _alarms(report), not _bare(report))


def brief_share(x: float, up: bool = False) -> str:
    """A share in percent, without its sign: ``0.2``, ``12``; the end of an interval rounded up."""
    digits = max(1 - floor(log10(100 * x)), 0) if x > 1e-5 else 3
    return f"{(ceil if up else round)(100 * x * 10**digits - 1e-9) / 10**digits:.{digits}f}"


def in_short(
    report: MatchReport | TwoLeadReport, columns: Sequence, rows: Sequence, meaning: Callable[[str], str]
) -> Iterable[b.Block]:
    """The beginning of a short answer: counts with what the grades mean, the line for the hand, the sets."""
    grades = ", ".join(f"{n} {grade_words(g)} ({meaning(g)})" for g, n in graded(report).items())
    yield b.text(f"{b.count(len(report.sets), 'set')}{': ' if grades else ''}{grades}", "strong")
    if rows:
        yield danger("match")
        yield from ("", b.table(columns, rows, style="lines"), "")
    if len(rows) < len(report.sets):
        yield b.text(f"{b.count(len(report.sets) - len(rows), 'further set')} (--all)")


def ending(
    report: MatchReport | TwoLeadReport, left_over: Mapping[str, Sequence[str]], alarms: Sequence[str],
    staged: bool = False,
) -> Iterable[b.Block]:  # fmt: skip
    """Its end: alarms, what is left over, how good the choice is, what would better it, what to do last."""
    for sentence in alarms:
        yield b.text(sentence, "alarm")
    swaps = {n: s.swaps[0] for n, s in enumerate(report.sets, 1) if s.swaps}
    yield b.labelled("swap", [f"set {n}: {w['out']} out, {w['in']} in ({origin(w, 'in ')})"
                              for n, w in swaps.items()])  # fmt: skip
    known = {NO_CANDIDATE: say("match_no_data")}
    left = [f"{', '.join(parts)}: {known.get(why, why)}" for why, parts in left_over.items()]
    yield b.labelled("left", [b.cut(text, 2 * (b.WIDTH - 12)) for text in left])
    if report.sets and report.optimality_gap > 0 or not report.sets:
        yield b.labelled("choice", [gap_words(report)])
    poor = any(s.grade in GRADES[2:] for s in report.sets)
    better = report.advice[:1] if poor else ()
    yield b.labelled("better", [text.partition(": ")[2] or text for text in better])
    rest = b.count(len(report.assumptions), "assumption")
    yield b.labelled("taken", [f"{rest} (--more)"] if report.assumptions else [])
    yield b.labelled("next", [say("match_next", staged=staged)] if report.sets else [])


def terminal(report: MatchReport, everything: bool = False) -> Iterable[b.Block]:
    """Table of sets, then what the choice rests on, the left-over list and the advice."""
    shown = report.sets if everything else report.sets[:MOST_SETS]
    if shown:
        yield _overview(shown)
    if shown:
        yield b.text(say("guide_imbalance"), hang="  ")
    if len(shown) < len(report.sets):
        more = b.count(len(report.sets) - len(shown), "further set")
        yield b.text(f"{more} not listed; --all lists every set.")
    # each note once, with the numbers of the sets it is about; parts are named where one set has it
    about: dict[str, list[int]] = {}
    full: dict[str, str] = {}
    for number, s in enumerate(shown, 1):
        for note in s.notes:
            names, _, rest = note.partition(": ")
            key = rest if set(names.split(", ")) <= set(s.parts) else note
            about.setdefault(key, []).append(number)
            full[key] = note
    for key, numbers in about.items():
        start, said = ("sets", key) if numbers[1:] else ("set", full[key])
        yield b.text(f"{start} {listed(map(str, numbers))}: {said}", hang="  ")
    for number, s in enumerate(shown, 1):
        if s.kept and not s.swaps:
            yield b.text(f"set {number}: no single exchange betters it.")
        elif s.kept:
            yield b.text(f"set {number}: exchanges that would better it")
            yield b.bullets([
                (f"{w['out']} out, {w['in']} in ({origin(w, 'in ')}): idle ",
                 percent(w["imbalance_idle"], 1), ", peak ", percent(w["imbalance_peak"], 1))
                for w in s.swaps
            ])  # fmt: skip
    yield ""
    yield b.text(gap_words(report))
    yield b.text(_surroundings(report))
    for sentence in _alarms(report):
        yield b.text(sentence, "alarm")
    yield from closing(report, _left_over(report, named=4), everything)


def closing(
    report: MatchReport | TwoLeadReport, left_over: Mapping[str, Sequence[str]], everything: bool
) -> Iterable[b.Block]:
    """What the sets leave over, what would better them, and what was assumed."""
    left = [f"{', '.join(parts)}: {why}" for why, parts in left_over.items()]
    if len(left) > MOST_SETS and not everything:
        left = [*left[:MOST_SETS], f"and {len(left) - MOST_SETS} more; --all lists every one."]
    yield b.bullets(left, "left over")
    yield b.bullets(report.advice, "to do better")
    yield b.bullets(report.assumptions, "assumed")
    yield b.bullets([c.text for c in report.cautions], "cautions")


def _left_over(report: MatchReport, named: int | None = None) -> dict[str, list[str]]:
    """Each reason once, with its parts; those never meant for a match last, only counted beyond `named`."""
    about: dict[str, list[str]] = {}
    for item in report.left_over:
        about.setdefault(item.why if item.candidate else NO_CANDIDATE, []).append(item.part)
    never = about.pop(NO_CANDIDATE, [])
    if never and named is not None:
        few = f" ({', '.join(never)})" if len(never) <= named else ""
        never = [f"{b.count(len(never), 'further part')}{few}"]
    return {**about, NO_CANDIDATE: never} if never else about


def origin(swap: Mapping, word: str = "") -> str:
    """Where the part that an exchange would bring in is now."""
    where = swap["from_set"]
    return "left over" if where is None else f"{word}set {where}, which takes {swap['out']}"


SETS_HEADINGS = (
    "set", "part", "place", "polarity", "grade", "grade_means", "kept", "share_idle", "share_peak",
    "emitter_drop_idle_V", "imbalance_idle", "imbalance_idle_low", "imbalance_idle_high", "imbalance_peak",
    "imbalance_peak_low", "imbalance_peak_high", "rails_idle", "rails_idle_low", "rails_idle_high",
    "rails_peak", "rails_peak_low", "rails_peak_high", "dvbe_V", "dvbe_low_V", "dvbe_high_V",
    "hfe_ratio", "hfe_ratio_low", "hfe_ratio_high", "notes",
)  # fmt: skip


def tables(report: MatchReport) -> dict:
    """``sets``, one row a part with its set's figures repeated; ``left_over``; and the set-aside list."""
    rows = []
    for number, s in enumerate(report.sets, 1):
        rails = (it or Interval(nan, nan, nan) for it in (s.rails_idle, s.rails_peak))
        figures = ends(s.imbalance_idle, s.imbalance_peak, *rails, s.dvbe_V, s.hfe_ratio)
        for part, place, *own in zip(
            s.parts, s.places, s.share_idle, s.share_peak, s.emitter_drop_idle_V, strict=True
        ):
            about = (s.polarity, s.grade, str(_meaning(s.grade)), s.kept, *own, *figures, "; ".join(s.notes))
            rows.append([number, part, place, *about])
    return {
        "sets": (SETS_HEADINGS, rows),
        "left_over": (("part", "why"), [(item.part, item.why) for item in report.left_over]),
        "set_aside": set_aside_table(report.bag.set_aside),
    }


def files(report: MatchReport, made: str = "", job: str = "") -> dict[str, str]:
    """Labels to cut out, set by set, so that each part ends up where it belongs."""
    from junction.paper.labels import Label, label_pages

    def label(number: int, s: MatchedSet, k: int) -> Label:
        mark, polarities = s.marks[k], s.polarity.split(" + ")
        polarity = polarities[s.rails[k]] if len(polarities) > 1 else s.polarity.replace("not said", "")
        # V_BE and h_FE at a current the part was measured near, as a drawer is searched by them
        figures = [f"V_BE {1000 * mark['vbe_V']:.0f} mV"] if isfinite(mark["vbe_V"]) else []
        figures += [f"h_FE {mark['hfe']:.0f}"] if isfinite(mark["hfe"]) else []
        known = f"{', '.join(figures)} at {quantity(mark['ic_A'], 'A')}" if figures else ""
        what = " ".join(filter(None, (polarity, mark["type"])))
        return Label(s.parts[k], in_set(number, s.places[k]), _grade(s), partners(s, k), what, known, made)

    labels = [label(n, s, k) for n, s in enumerate(report.sets, 1) for k in range(len(s.parts))]
    return label_pages(labels, job)


def in_set(number: int, place: str) -> str:
    """Set and place in it; some layouts' places name the set already."""
    return place if place.startswith(f"set {number}") else f"set {number}, {place}"


def partners(s: MatchedSet | TwoLeadSet, k: int) -> str:
    """The other parts of the set of its part `k`."""
    return ", ".join(s.parts[:k] + s.parts[k + 1 :])


def _grade(s: MatchedSet) -> str:
    return f"grade {_with_meaning(s)}".replace("grade none", "no grade")


def sheet(report: MatchReport) -> dict:
    """What the job's sheet keeps of it (`junction.paper.job_folder.ENTRY`)."""
    words = ("at one V_BE",) if _bare(report) else ("idle", "peak")
    sets = [{"parts": s.parts, "places": s.places, "grade": s.grade, "means": _with_meaning(s),
             "figures": ", ".join(f"{word} {share(it)}" for word, it in
                                  zip(words, (s.imbalance_idle, s.imbalance_peak), strict=False))}
            for s in report.sets]  # fmt: skip
    about = dict(report.entered).get("amplifier", "")
    return {"about": f"{report.layout}{', ' if about else ''}{about}", "sets": sets, "counts": graded(report)}


def display(report: MatchReport) -> list[b.Block]:
    """What a notebook shows."""
    return [b.text(summary(report), "strong"), _overview(report.sets), b.text(gap_words(report), "soft")]


def lead_line(report, made: str) -> b.Inline:
    """How many sets of what, from how many parts, and when."""
    meaning = LAYOUTS[report.layout].meaning.removesuffix(" (the default)")
    return (b.count(len(report.sets), "set"), " from ", b.count(report.parts_read, "part"), f": {meaning}.",
            f" {made}" if made else "")  # fmt: skip


def as_entered(report) -> list[tuple[str, str]]:
    """What was asked for, and the files that were read."""
    files = report.bag.files
    read = ", ".join(files[:6]) + (" and others" if len(files) > 6 else "")
    return [*report.entered, *([("read", read)] if read else [])]


def page(report: MatchReport, made: str = "") -> tuple[str, list[b.Block]]:
    """Title and blocks: where each part goes first, then the evidence set by set."""
    counts = [(b.count(n, ""), b.Badge(g, f"{'set' if n == 1 else 'sets'}, {grade_words(g)}"))
              for g, n in graded(report).items()]  # fmt: skip
    places = []
    for k, s in enumerate(report.sets, 1):
        first = b.Link(str(k), f"s{k}"), b.Badge(s.grade, _with_meaning(s))
        for j, part in enumerate(s.parts):
            number, grade = first if j == 0 else ("", "")
            drop = s.emitter_drop_idle_V[j]
            at_peak = [] if _bare(report) else [percent(s.share_peak[j], 1)]
            own = [] if _bare(report) else [quantity(drop, "V") if drop else ""]
            places.append([number, part, s.places[j], grade, percent(s.share_idle[j], 1), *at_peak, *own])
    shares = ["share"] if _bare(report) else ["share at idle", "at peak", "drop at idle"]
    heads = ("set", "part", "place", "grade", *shares)
    curves, apart = report.draw(), _imbalances(report)
    left = [[", ".join(parts), why] for why, parts in _left_over(report).items()]
    assumed = [b.text(_surroundings(report)), b.text("Assumed:"), b.bullets(report.assumptions)]
    # what the grades mean, from the rules they are given by
    worst = percent(rule("grade_c"))
    means = {g: f"the 95 % interval ends {_meaning(g)}" for g in GRADES[1:-1]}
    means["A"] = f"the 95 % interval of the imbalance ends {_meaning('A')} of the sum of the currents"
    means["none"] = f"cannot be trusted to stay under {worst}"
    guide = [
        b.facts([(b.Badge(g, grade_words(g)), means[g]) for g in GRADES]),
        b.text(say("guide_grade", worst=worst)),
    ]
    if report.yardsticks:
        duals = [[y["type"], (nominal(y["hfe_ratio_min"]), " to 1"), quantity(y["dvbe_max_V"], "V"),
                  quantity(y["at_A"], "A"), y["source"]] for y in report.yardsticks]  # fmt: skip
        titles = ("registered dual", "h_FE ratio", "V_BE apart, at most", "at I_C", "source")
        guide += [
            b.text("Beside it, what registered matched duals are held to, without emitter resistors:"),
            b.table(b.columns(*titles), duals),
        ]
    return f"Matched sets: {len(report.sets)}", [
        b.text("Matched sets", "title"), b.text(lead_line(report, made), "lead"), b.cautions(report.cautions),
        b.bullets(counts, role="counts"), b.text(gap_words(report)),
        *(b.text(sentence, "next") for sentence in _alarms(report)),
        b.section("Where each part goes", [b.table(b.columns(*heads, right=heads[4:]), places),
                                           *([b.pictures([apart])] if apart else [])]),
        b.section("Set by set", [_card(report, curves, k) for k in range(len(report.sets))]),
        b.section("Left over", [b.table(b.columns("parts", "why"), left)]),
        b.section("To do better", [b.bullets(report.advice)]),
        b.section("As entered", [b.facts(as_entered(report))]),
        b.section("The stage they were compared in", assumed), b.set_aside(report.bag.set_aside),
        b.section("What the grades mean", guide, role="guide"),
    ]  # fmt: skip


def _pictured(report: MatchReport, curves: Mapping | None) -> list[int]:
    """Sets whose curves are drawn: those with any, the first of many."""
    if curves is None:
        return []
    known = np.isfinite(curves["vbe_V"]).any(axis=1)
    return [k for k, s in enumerate(report.sets[:MOST_PICTURED])
            if any(known[curves["rows"][p]] for p in s.parts)]  # fmt: skip


def _picture(report: MatchReport, curves: Mapping, k: int) -> Picture:
    from junction.show.plots_sets import set_picture

    stage, n = report.stage, report.stage.parallel
    shares = stage.idle.total_A / n, stage.peak.total_A / n
    return set_picture(f"set_{k + 1:03d}", report.sets[k].parts, curves, shares)


def _imbalances(report: MatchReport) -> Picture | None:
    """Imbalance of the first sets against the lines of the grades."""
    from junction.show.plots_sets import imbalance_picture

    if not report.sets:
        return None
    words = ["at one V_BE"] if _bare(report) else ["idle", "peak"]
    sets = [(f"set {k}", [s.imbalance_idle, s.imbalance_peak][: len(words)])
            for k, s in enumerate(report.sets[:MOST_PICTURED], 1)]  # fmt: skip
    bars = [(g, rule(f"grade_{g.lower()}")) for g in GRADES[:-1]]
    return imbalance_picture("imbalance", sets, words, bars)


def pictures(report: MatchReport, made: str = "") -> dict[str, Picture]:
    """Every picture of the page by the name of its file."""
    curves = report.draw()
    found = [_imbalances(report), *(_picture(report, curves, k) for k in _pictured(report, curves))]
    return {one.name: one for one in found if one}


def _card(report: MatchReport, curves: Mapping | None, k: int) -> b.Block:
    """One set with its evidence."""
    s = report.sets[k]
    facts: list[tuple[str, Interval | None]] = [
        ("imbalance at idle", s.imbalance_idle), ("imbalance at the peak", s.imbalance_peak),
        ("at idle, each part at its own heat", s.imbalance_idle_heated),
        ("at the peak, the same", s.imbalance_peak_heated),
    ]  # fmt: skip
    at, its = "at idle", "at the peak's share"
    if s.base_current is not None:
        at, its = "at its current", "there"
        word = ("the bases take of one side's current" if report.layout == "mirror"
                else "base currents apart, of their mean")  # fmt: skip
        facts = [("imbalance of the currents at one V_BE", s.imbalance_idle), (word, s.base_current)]
    if len(s.parts) > 2:
        facts += [("upper against lower rail, equal drive, idle", s.rails_idle),
                  ("the same at the peak", s.rails_peak)]  # fmt: skip
    shown = [(name, share(it)) for name, it in facts if it is not None]
    shown.append((f"V_BE apart {at}", interval(s.dvbe_V, "V", even=True)))
    shown.append((f"h_FE, lower over higher, {its}", interval(s.hfe_ratio)))
    if s.thermal_loop_gain > 0:
        shown.append(("thermal loop gain at idle (must stay below 1)",
                      quantity(s.thermal_loop_gain, "", 2)))  # fmt: skip
    blocks: list[b.Block] = [b.facts(shown), b.bullets(s.notes)]
    if s.swaps:
        heads = ("out", "in", "from", "idle", "peak")
        rows = [
            [w["out"], w["in"], origin(w), percent(w["imbalance_idle"], 1),
             percent(w["imbalance_peak"], 1)]
            for w in s.swaps
        ]  # fmt: skip
        blocks.append(b.table(b.columns(*heads, right=heads[3:]), rows, "Exchanges that would better it"))
    elif s.kept:
        blocks.append(b.text("No single exchange betters this set."))
    if k in _pictured(report, curves):
        blocks.append(b.pictures([_picture(report, curves, k)]))
    types = " and ".join(dict.fromkeys(m["type"] for m in s.marks if m["type"]))
    what = f"{', '.join(s.parts)} ({s.polarity}{', ' + types if types else ''})"
    what += ", fixed by hand" if s.kept else ""
    heading = (f"Set {k + 1} ", b.Badge(s.grade, _with_meaning(s)), f" {what}")
    return b.section(heading, blocks, f"s{k + 1}", 3, "part set")
