"""The view of matched sets: terminal, page, CSV and JSON; labels are in `junction.views.labels`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from junction.base.number import interval, nominal, percent, quantity, share
from junction.base.records import Interval
from junction.judge.sentences import say
from junction.sets.results import GRADES, LAYOUTS, NO_CANDIDATE, MatchedSet, MatchReport
from junction.shelf.rules import rule
from junction.show import blocks as b
from junction.show.write import record, set_aside_table
from junction.stage.results import Stage
from junction.views.sort import set_aside_section

#: Sets, and reasons of left-over parts, listed on a terminal unless all are asked for.
MOST_SETS = 40
#: Sets with pictures on the page; the table and the CSV hold all.
MOST_PICTURED = 60


def _share(x: float) -> b.Num:
    return percent(x, 1)


def _graded(report: MatchReport) -> dict[str, int]:
    """Number of sets by what is said of their grade, best first."""
    found = {g: sum(s.grade == g for s in report.sets) for g in GRADES}
    return {g: n for g, n in found.items() if n}


def _grade_words(word: str) -> str:
    return "no grade" if word == "none" else f"grade {word}"


def _badge(s: MatchedSet) -> b.Badge:
    return b.Badge(s.grade, _grade_words(s.grades))


def _meaning(word: str) -> str:
    """What a grade means, from the rules it is given by."""
    if word == "none":
        return f"cannot be trusted to stay under {percent(rule('grade_c'))}"
    sure, limit = percent(rule("conformity_good")), percent(rule(f"grade_{word.lower()}"))
    differ = " that the currents differ by no more than" if word == "A" else " of no more than"
    return f"{sure} sure{differ} {limit}" + (" of their sum" if word == "A" else "")


def summary(report: MatchReport) -> str:
    """Sets and grades in one line."""
    grades = ", ".join(f"{n} {_grade_words(g)}" for g, n in _graded(report).items())
    return f"{b.count(len(report.sets), 'set')}{': ' if grades else ''}{grades}"


def gap_words(report: MatchReport) -> str:
    """How good the choice is proven to be."""
    if not report.sets:
        return "No set could be made."
    if all(s.kept for s in report.sets):
        return "Every set was fixed by hand; nothing was left to choose."
    if report.optimality_gap <= 0:
        return "The choice of sets is proven best for this stage and these measurements."
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


def stage_words(stage: Stage) -> b.Inline:
    """The operating points the sets were compared at, in one sentence."""
    idle, peak = stage.idle, stage.peak

    def q(x: float, unit: str) -> b.Num:
        return quantity(x, unit)

    def celsius(x: float) -> b.Num:
        return b.Num((f"{x:.0f}", x), (" °C", None))

    return (
        "Compared at idle with ", q(idle.total_A, "A"), " and at the peak with ", q(peak.total_A, "A"),
        f", shared by {b.count(stage.parallel, 'device')}; V_CE ", q(idle.vce_V, "V"), " and ",
        q(peak.vce_V, "V"), "; emitter resistor ", resistors(stage.re_ohm), ", base resistor ",
        resistors(stage.rb_ohm), "; junctions at ", celsius(idle.temp_C), " and ", celsius(peak.temp_C), ".",
    )  # fmt: skip


def _overview(sets: Iterable[MatchedSet]) -> b.Block:
    long = ("parts", "grade", "idle imbalance", "peak imbalance", "V_BE apart")
    columns = b.columns("set", *long, "h_FE ratio", right=("h_FE ratio",), wrap=long)
    rows = [
        [f"{number}{' (kept)' if s.kept else ''}", " ".join(s.parts), b.Badge(s.grade, s.grades),
         share(s.imbalance_idle), share(s.imbalance_peak),
         interval(s.dvbe_V, "V", even=True), quantity(s.hfe_ratio.value, "", 2)]
        for number, s in enumerate(sets, 1)
    ]  # fmt: skip
    return b.table(columns, rows)


def terminal(report: MatchReport, everything: bool = False) -> Iterable[b.Block]:
    """Table of sets, then what the choice rests on, the left-over list and the advice."""
    listed = report.sets if everything else report.sets[:MOST_SETS]
    if listed:
        yield _overview(listed)
    if len(listed) < len(report.sets):
        more = b.count(len(report.sets) - len(listed), "further set")
        yield b.text(f"{more} not listed; --all lists every set.")
    for note in _grouped_notes(listed):
        yield b.text(note, hang="  ")
    for number, s in enumerate(listed, 1):
        if s.kept and not s.swaps:
            yield b.text(f"set {number}: no single exchange betters it.")
        elif s.kept:
            yield b.text(f"set {number}: exchanges that would better it")
            yield b.bullets([_swap_words(w) for w in s.swaps])
    yield ""
    yield b.text(gap_words(report))
    yield b.text(stage_words(report.stage))
    for sentence in _alarms(report):
        yield b.text(sentence, "alarm")
    left = [f"{', '.join(parts)}: {why}" for why, parts in _left_over(report, named=4).items()]
    if len(left) > MOST_SETS and not everything:
        left = [*left[:MOST_SETS], f"and {len(left) - MOST_SETS} more; --all lists every one."]
    yield b.bullets(left, "left over")
    yield b.bullets(report.advice, "to do better")
    yield b.bullets(report.assumptions, "assumed")


def _grouped_notes(sets: Iterable[MatchedSet]) -> list[str]:
    """Each note once, with the numbers of the sets it is about; parts are named where one set has it."""
    about: dict[str, list[int]] = {}
    full: dict[str, str] = {}
    for number, s in enumerate(sets, 1):
        for note in s.notes:
            names, _, rest = note.partition(": ")
            key = rest if set(names.split(", ")) <= set(s.parts) else note
            about.setdefault(key, []).append(number)
            full[key] = note
    return [
        f"{'set' if len(numbers) == 1 else 'sets'} {b.join_words(map(str, numbers))}: "
        f"{full[key] if len(numbers) == 1 else key}"
        for key, numbers in about.items()
    ]


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


def _swap_words(w) -> b.Inline:
    origin = "left over" if w["from_set"] is None else f"in set {w['from_set']}, which takes {w['out']}"
    return (f"{w['out']} out, {w['in']} in ({origin}): idle ", _share(w["imbalance_idle"]), ", peak ",
            _share(w["imbalance_peak"]))  # fmt: skip


SETS_HEADINGS = (
    "set", "part", "place", "polarity", "grade", "kept", "share_idle", "share_peak", "emitter_drop_idle_V",
    "imbalance_idle", "imbalance_idle_low", "imbalance_idle_high", "imbalance_peak", "imbalance_peak_low",
    "imbalance_peak_high", "dvbe_V", "dvbe_low_V", "dvbe_high_V", "hfe_ratio", "hfe_ratio_low",
    "hfe_ratio_high", "notes",
)  # fmt: skip


def tables(report: MatchReport) -> dict:
    """``sets``, one row a part with its set's figures repeated; ``left_over``; and the set-aside list."""
    rows = []
    for number, s in enumerate(report.sets, 1):
        sizes = (s.imbalance_idle, s.imbalance_peak, s.dvbe_V, s.hfe_ratio)
        figures = [x for it in sizes for x in (it.value, it.low, it.high)]
        for part, place, *own in zip(
            s.parts, s.places, s.share_idle, s.share_peak, s.emitter_drop_idle_V, strict=True
        ):
            about = (s.polarity, s.grade, s.kept, *own, *figures, "; ".join(s.notes))
            rows.append([number, part, place, *about])
    return {
        "sets": (SETS_HEADINGS, rows),
        "left_over": (("part", "why"), [(item.part, item.why) for item in report.left_over]),
        "set_aside": set_aside_table(report.set_aside),
    }


def document(report: MatchReport) -> dict:
    """Body of the JSON."""
    bag = report.bag
    return {**record(report), "files": bag.files, "rows_read": bag.rows_read, "set_aside": bag.set_aside}


def files(report: MatchReport) -> dict[str, str]:
    """Labels to tape on the parts, for either paper."""
    from junction.views.labels import PAPERS, labels_page

    return {f"labels-{paper.lower()}.html": labels_page(report, paper) for paper in PAPERS}


def display(report: MatchReport) -> list[b.Block]:
    """What a notebook shows."""
    return [b.text(summary(report), "strong"), _overview(report.sets), b.text(gap_words(report), "soft")]


def page(report: MatchReport, made: str = "") -> tuple[str, list[b.Block]]:
    """Title and blocks: where each part goes first, then the evidence set by set."""
    named = f" of {', '.join(report.bag.files[:6])}" if report.bag.files else ""
    counts = [(b.counted(n, ""), b.Badge(g, f"{'set' if n == 1 else 'sets'}, {_grade_words(g)}"))
              for g, n in _graded(report).items()]  # fmt: skip
    blocks: list[b.Block] = [
        b.text("Matched sets", "title"),
        b.text((b.counted(len(report.sets), "set"), f" ({LAYOUTS[report.layout]}) from ",
              b.counted(report.parts_read, "part"), named, f". {made}" if made else "."), "lead"),
        b.cautions(report.cautions), b.bullets(counts, role="counts"), b.text(gap_words(report)),
        *(b.text(sentence, "next") for sentence in _alarms(report)),
    ]  # fmt: skip
    curves = report.draw()
    if report.sets:
        cards = [_card(report, curves, k) for k in range(len(report.sets))]
        blocks += [b.section("Where each part goes", [_places(report)]), b.section("Set by set", cards)]
    left = [[", ".join(parts), why] for why, parts in _left_over(report).items()]
    assumed = [b.text(stage_words(report.stage)), b.text("Assumed:"), b.bullets(report.assumptions)]
    for heading, inner in (
        ("Left over", [b.table(b.columns("parts", "why"), left)] if left else []),
        ("To do better", [b.bullets(report.advice)] if report.advice else []),
        ("The stage they were compared in", assumed),
    ):
        if inner:
            blocks.append(b.section(heading, inner))
    blocks += set_aside_section(report.set_aside)
    blocks.append(b.section("What the grades mean", _guide(report), role="guide"))
    return f"Matched sets: {len(report.sets)}", blocks


def _places(report: MatchReport) -> b.Block:
    rows = []
    for k, s in enumerate(report.sets, 1):
        for j, part in enumerate(s.parts):
            drop = s.emitter_drop_idle_V[j]
            rows.append([
                b.Link(str(k), f"s{k}") if j == 0 else "", part, s.places[j], _badge(s) if j == 0 else "",
                _share(s.share_idle[j]), _share(s.share_peak[j]),
                quantity(drop, "V") if drop else "",
            ])  # fmt: skip
    heads = ("set", "part", "place", "grade", "share at idle", "at peak", "drop at idle")
    return b.table(b.columns(*heads, right=heads[4:]), rows)


def _card(report: MatchReport, curves: Mapping | None, k: int) -> b.Block:
    """One set with its evidence."""
    s = report.sets[k]
    facts: list[tuple[str, Interval | None]] = [
        ("imbalance at idle", s.imbalance_idle), ("imbalance at the peak", s.imbalance_peak),
        ("at idle, each part at its own heat", s.imbalance_idle_heated),
        ("at the peak, the same", s.imbalance_peak_heated),
    ]  # fmt: skip
    if len(s.parts) > 2:
        facts += [("upper against lower rail, equal drive, idle", s.rails_idle),
                  ("the same at the peak", s.rails_peak)]  # fmt: skip
    shown = [(name, share(it)) for name, it in facts if it is not None]
    shown.append(("V_BE apart at idle", interval(s.dvbe_V, "V", even=True)))
    shown.append(("h_FE, lower over higher, at the peak's share", interval(s.hfe_ratio)))
    if s.thermal_loop_gain > 0:
        shown.append(("thermal loop gain at idle (must stay below 1)",
                      quantity(s.thermal_loop_gain, "", 2)))  # fmt: skip
    blocks: list[b.Block] = [b.facts(shown), b.bullets(s.notes)]
    if s.swaps:
        heads = ("out", "in", "from", "idle", "peak")
        rows = [
            [w["out"], w["in"],
             "left over" if w["from_set"] is None else f"set {w['from_set']}, which takes {w['out']}",
             _share(w["imbalance_idle"]), _share(w["imbalance_peak"])]
            for w in s.swaps
        ]  # fmt: skip
        blocks.append(b.table(b.columns(*heads, right=heads[3:]), rows, "Exchanges that would better it"))
    elif s.kept:
        blocks.append(b.text("No single exchange betters this set."))
    if curves is not None and k < MOST_PICTURED:
        from junction.show.plots import set_pictures

        stage, n = report.stage, report.stage.parallel
        svgs = set_pictures(s.parts, curves, (stage.idle.total_A / n, stage.peak.total_A / n))
        blocks.append(b.pictures([(f"set {k + 1}: {alt}", svg) for alt, svg in svgs.items()]))
    types = " and ".join(dict.fromkeys(m["type"] for m in s.marks if m["type"]))
    what = f"{', '.join(s.parts)} ({s.polarity}{', ' + types if types else ''})"
    what += ", fixed by hand" if s.kept else ""
    return b.section((f"Set {k + 1} ", _badge(s), f" {what}"), blocks, f"s{k + 1}", 3, "part")


def _guide(report: MatchReport) -> list[b.Block]:
    blocks: list[b.Block] = [
        b.facts([(b.Badge(g, _grade_words(g)), _meaning(g)) for g in GRADES]),
        b.text(say("guide_grade", sure=percent(rule("conformity_good")), worst=percent(rule("grade_c")))),
    ]  # fmt: skip
    if report.yardsticks:
        heads = ("registered dual", "h_FE ratio", "V_BE apart, at most", "at I_C", "source")
        rows = [[y["type"], (nominal(y["hfe_ratio_min"]), " to 1"),
                 quantity(y["dvbe_max_V"], "V"), quantity(y["at_A"], "A"),
                 y["source"]] for y in report.yardsticks]  # fmt: skip
        blocks += [b.text("Beside it, what registered matched duals are held to, without emitter resistors:"),
                   b.table(b.columns(*heads), rows)]  # fmt: skip
    return blocks
