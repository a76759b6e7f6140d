"""The view of a substitution: ranked candidates, then the lines of each, and safe areas over each other."""

from __future__ import annotations

from collections.abc import Iterable
from math import isnan
from textwrap import wrap
from typing import TYPE_CHECKING

import numpy as np

from junction.base.units import listed, nominal
from junction.judge.results import say
from junction.replace.results import Needs, SubstituteReport, Substitution
from junction.show import blocks as b
from junction.show.write import record
from junction.views.short import danger

if TYPE_CHECKING:  # a report without pictures does not wait for what draws them
    from junction.show.canvas import Picture

#: Up to so many candidates named by the user, each is shown line by line.
_DETAIL_UP_TO = 3
_STARRED = "* shown and warned about; does not settle the result"


def _margin(margin: float) -> str:
    """How far over: ``x 1.33``; nothing where it has no meaning."""
    return "" if isnan(margin) else f"x {margin:.2f}" if margin < 100 else f"x {margin:.0f}"


def _name(result: Substitution) -> str:
    """Candidate with its written tag."""
    return f"{result.tag} ({result.candidate})" if result.tag else result.candidate


def _verdict(result: Substitution) -> str:
    """Result in a few words, with the weakest margin."""
    said, least = result.headline, result.weakest
    return f"{said}; least margin {least['figure']} {_margin(least['margin'])}" if least["figure"] else said


def _asked(needs: Needs) -> str:
    """What a place needs, in words."""

    def said(value: float, unit: str) -> str:
        return nominal(float(f"{value:.4g}"), unit)

    parts = [needs.polarity] if needs.polarity else []
    parts += [said(x, unit) for x, unit in ((needs.voltage_V, "V"), (needs.current_A, "A")) if not isnan(x)]
    if not isnan(needs.power_W):
        parts.append(f"{said(needs.power_W, 'W')} at case {needs.case_temp_C:.3g} °C")
    if not isnan(needs.hfe_low):
        at = "" if isnan(needs.hfe_at_A) else f" at {said(needs.hfe_at_A, 'A')}"
        parts.append(f"h_FE {needs.hfe_low:g}{at}")
    if not isnan(needs.f_t_Hz):
        parts.append(f"f_T {said(needs.f_t_Hz, 'Hz')}")
    return listed([*parts, *(f"{said(i, 'A')} at {said(v, 'V')}" for v, i in needs.load_line)])


def _heading(report: SubstituteReport) -> str:
    """What was compared, in a sentence."""
    what = f"the place: {_asked(report.needs)}" if report.needs else ""
    if report.original is not None:
        part = report.original
        said = [part.polarity, part.material, part.kind if part.kind != "plain" else "", part.package]
        what = f"{part.name} ({', '.join(x for x in said if x)})"
    if report.from_shelf:
        return f"Substitutes on the shelf for {what}; {b.count(report.searched, 'type')} searched."
    return f"{b.count(len(report.candidates), 'candidate')} for {what}."


def _overview(report: SubstituteReport) -> b.Block:
    """Candidates, best first; with their polarity where the place does not say which it takes."""
    open_side = report.needs is not None and not report.needs.polarity
    sides = open_side and {r.polarity for r in report.candidates} != {""}
    heads = ["candidate", *(["polarity"] if sides else []), "result", "least margin"]
    rows = []
    for r in report.candidates:
        must = r.figures("falls short", True)
        short = [x if x in must else f"{x} *" for x in r.figures("falls short")]
        row = [_name(r), *([r.polarity] if sides else []), r.short_result,
               f"{r.weakest['figure']} {_margin(r.weakest['margin'])}".strip()]  # fmt: skip
        rows.append([*row, ", ".join(short), ", ".join(r.figures("not known"))])
    long = ("falls short", "not known")
    return b.table(b.columns(*heads, *long, wrap=long), rows)


def _side(value: float, text: str, unit: str) -> b.Inline:
    """One side of a line: its word or range, else its number with the unrounded value, else nothing."""
    if text or isnan(value):
        return text or "-"
    pieces = nominal(float(f"{value:.4g}"), {"C": "degC"}.get(unit, unit)).pieces
    return b.Num(*((shown, None if at is None else value) for shown, at in pieces))


def _lines(result: Substitution, report: SubstituteReport) -> b.Block:
    """One candidate line by line."""
    heads = ("figure", "original" if report.original else "needed", "candidate", "result")
    rows = []
    for x in result.lines:
        remark = "; ".join(filter(None, (_margin(x.margin) if x.result != "meets" else "", x.note)))
        sides = [_side(x.wanted, x.wanted_text, x.unit), _side(x.has, x.has_text, x.unit)]
        rows.append([x.figure + ("" if x.must else " *"), *sides, "less" if x.rests else x.result, remark])
    return b.table(b.columns(*heads, "remark", wrap=("remark",)), rows)


def summary(report: SubstituteReport) -> str:
    """The best candidate and its result."""
    what = report.original.name if report.original else "the place"
    best = report.candidates[0] if report.candidates else None
    return f"{_name(best)} for {what}: {best.result}" if best else f"nothing for {what}"


#: Of the shelf's own list so many are shown, and so much of what has to be done to fit the best of them.
_SHOWN, _SHOWN_WORK = 3, 5
#: And of the work in a short answer.
_SHOWN_FIT = 3
#: Lines of the answer, with its cautions.
_MOST_LINES = 25


def answer(report: SubstituteReport) -> str:
    """What to take, in a sentence: the first thing that is said where the shelf was searched."""
    part = report.original
    if part is not None:
        kind = part.kind if part.device == "diode" or part.kind == "darlington" else ""
        what = [part.polarity, part.material, kind, part.package]
    else:
        what = [str(_asked(report.needs))]
    named = part.name if part else ""
    what = ", ".join(x for x in what if x)
    if not report.candidates:
        return say("substitute_none", original=named, what=what)
    best = report.candidates[0]
    does = any(one.result in ("exceeds", "meets") for one in report.candidates)
    pair = best.pair if part and best.pair != part.complement else ""
    return say(
        "substitute_answer" if does or best.result == "not known" else "substitute_miss", original=named,
        what=what, best=_name(best), pair=pair, facing=part.complement if part else "", verdict=best.headline,
    )  # fmt: skip


def _short_list(report: SubstituteReport, most: int | None) -> b.Block:
    """The best candidates, each with why in a line; with their polarity where the place takes both."""
    shown = report.candidates
    open_side = report.needs is not None and not report.needs.polarity and any(r.polarity for r in shown)
    if most and open_side:  # the list holds one polarity after the other: the best of both
        sides = dict.fromkeys(r.polarity for r in shown)
        shown = [r for side in sides for r in [x for x in shown if x.polarity == side][: most - 1]]
    rows = []
    for r in shown[:most] if most and not open_side else shown:
        pair = f" + {r.pair}" if r.pair else ""
        mark = "" if r.result in ("exceeds", "meets") else f"{r.short_result}: "
        rows.append([_name(r) + pair, *([r.polarity] if open_side else []), mark + r.why])
    return b.table(b.columns("candidate", *(["polarity"] if open_side else []), "why", wrap=("why",)), rows)


def _own(report: SubstituteReport) -> str:
    """Which gain groups of the original itself would do, '' where none is known."""
    part, groups = report.original, report.own_groups
    if part is None or not groups:
        return ""
    if not part.group_of:
        return say("substitute_own_any", type=part.name)
    own = [name.removeprefix(part.group_of).lstrip("-") for name in groups]
    return say("substitute_own", type=part.group_of, groups=listed(own))


def _that_fit(report: SubstituteReport) -> int:
    """How many candidates are shown: fewer where the answer would be too long, the best always."""
    if report.original is None:
        return _SHOWN
    best, shown = report.candidates[0], report.candidates[:_SHOWN]
    names = max(len(f"{_name(r)} + {r.pair}") for r in shown)
    heights = [len(wrap(f"{r.short_result}: {r.why}", 78 - names)) for r in shown]
    work = sum(len(wrap(text, 78)) for text in best.warnings[:_SHOWN_WORK])
    # the answer, the heads and rules, what was searched, the cautions, and the blanks between
    left = _MOST_LINES - len(wrap(answer(report), 80)) - 12 - bool(report.own_groups) - work
    return max(1, sum(sum(heights[: k + 1]) <= left for k in range(len(heights))))


def _of_the_shelf(report: SubstituteReport, everything: bool) -> Iterable[b.Block]:
    """The answer, two or three of the best, and what has to be changed to fit the first."""
    yield from (b.text(answer(report), "strong"), "")
    if report.candidates:
        best, part = report.candidates[0], report.original
        shown = _that_fit(report)
        yield _short_list(report, None if everything else shown)
        more = 0 if everything else max(len(report.candidates) - shown, 0)
        searched = b.count(report.searched, "type")
        if part:
            other = report.candidates[min(1, len(report.candidates) - 1)].candidate
            example = f"junction substitute {part.name} {other}"
            said = say("substitute_searched", searched=searched, more=more or "", example=example)
            yield from ("", b.text(" ".join(filter(None, (_own(report), said))), "quiet"))
        if everything:
            yield from ("", b.text(f"{_name(best)}: {_verdict(best)}", "strong"), _lines(best, report))
            yield b.text(_STARRED, "quiet")
        work = list(best.warnings[: None if everything else _SHOWN_WORK])
        if work or part:
            sure = best.result in ("exceeds", "meets") and best.place == "same"
            none = say("substitute_nothing_to_do" if sure else "substitute_nothing_known")
            yield b.bullets(work or [none], f"to fit {_name(best)}")
        yield ""


def short(report: SubstituteReport, everything: bool = False) -> Iterable[b.Block]:
    """What to take, the next best in a line each, and what has to be changed to fit it."""
    if not report.candidates or everything:
        yield from terminal(report, everything)
        return
    named, best = not report.from_shelf, report.candidates[0]
    if named:
        yield b.text(_heading(report))
    else:
        yield b.text(answer(report), "strong")
    yield danger("fitting")
    shown = report.candidates if named else report.candidates[:_SHOWN]
    sides = report.needs is not None and not report.needs.polarity
    names = ["  ".join([_name(r) + (f" + {r.pair}" if r.pair else ""), *([r.polarity] if sides else [])])
             for r in shown]  # fmt: skip
    wide = max(map(len, names)) + 2
    for name, r in zip(names, shown, strict=True):
        mark = "" if r.result in ("exceeds", "meets") else f"{r.short_result}: "
        yield b.text(f"{name:<{wide}}{_verdict(r) if named else mark + r.why}", hang=wide * " ")
    for r in shown if named else ():
        sides = [(x.figure, _side(x.has, x.has_text, x.unit), _side(x.wanted, x.wanted_text, x.unit))
                 for x in r.lines if x.result == "falls short"]  # fmt: skip
        less = [f"{figure} {b.words(has)} for {b.words(wanted)}" for figure, has, wanted in sides]
        open_ = r.figures("not known")
        name = _name(r) if len(shown) > 1 else ""
        yield b.labelled("less", [" ".join(filter(None, (name, "; ".join(less))))] if less else [])
        yield b.labelled("not known", [" ".join(filter(None, (name, ", ".join(open_))))] if open_ else [])
    own = _own(report)
    yield b.labelled("itself", [own] if own else [])
    work = list(best.warnings[:_SHOWN_FIT])
    left = len(best.warnings) - len(work)
    more = report.searched and max(len(report.candidates) - len(shown), 0)
    rest = [f"{b.count(left, 'more remark')} (--more)"] if left > 0 else []
    sure = best.result in ("exceeds", "meets") and best.place == "same"
    none = [] if work or named else [say("substitute_nothing_to_do" if sure else "substitute_nothing_known")]
    if not named:
        told = f"{b.count(report.searched, 'type')} searched" + (f"; {more} more: --all" if more else "")
        yield b.text(told, "quiet")
    yield b.labelled("to fit", [*work, *rest, *none])


def terminal(report: SubstituteReport, everything: bool = False) -> Iterable[b.Block]:
    """The answer of the shelf; or the candidates that the user named, ranked, then line by line; cautions."""
    if report.from_shelf:
        yield from _of_the_shelf(report, everything)
    else:
        yield from _named(report, everything)
    for caution in report.brief:
        yield b.text(f"Caution: {caution.text} All cautions: the page (-o FOLDER).", hang="  ")


def _named(report: SubstituteReport, everything: bool) -> Iterable[b.Block]:
    """Ranked table of the candidates that the user named, then their lines."""
    yield from (b.text(_heading(report)), "")
    if len(report.candidates) > 1:
        table = _overview(report)
        yield from (table, "")
        if any(b.words(row[-2]).endswith(" *") or " *," in b.words(row[-2]) for row in table.body):
            yield from (b.text(_STARRED, "quiet"), "")
    for r in report.candidates[: None if everything else _DETAIL_UP_TO]:
        yield from (b.text(f"{_name(r)}: {_verdict(r)}", "strong"), _lines(r, report))
        if any(not x.must for x in r.lines):
            yield b.text(_STARRED, "quiet")
        for text in r.warnings:
            yield b.text(f"! {text}", hang="  ")
        yield ""


def pictures(report: SubstituteReport, made: str = "") -> dict[str, Picture]:
    """Every picture of the page by the name of its file."""
    if not report.safe_areas:
        return {}
    from junction.show.plots_sets import safe_area_picture

    areas = {}
    for name, points in report.safe_areas.items():
        volts, amps = np.array(points).T
        # the right edge falls straight down at V_CEO
        areas[name] = np.append(volts, volts[-1]), np.append(amps, 0.0)
    return {"safe_areas": safe_area_picture("safe_areas", f"Dc safe areas: {', '.join(areas)}", areas)}


def sheet(report: SubstituteReport) -> dict:
    """What the job's sheet keeps of it (`junction.paper.job_folder.ENTRY`): the best, as shown first."""
    what = report.original.name if report.original else str(_asked(report.needs))
    chosen = [{"for": what, "take": _name(r) + (f" with {r.pair}" if r.pair else ""),
               "why": f"{r.headline or r.short_result}. {r.why}".removesuffix(". ")}
              for r in report.candidates[:_SHOWN]]  # fmt: skip
    return {"about": what, "chosen": chosen}


def page(report: SubstituteReport, made: str = "") -> tuple[str, list[b.Block]]:
    """Title and blocks: cautions, ranked table, safe areas drawn over each other, then the lines."""
    drawn: list[b.Block] = []
    if found := pictures(report):
        drawn = [b.pictures(list(found.values()), (
            f"Dc safe area at {report.case_temp_C:g} °C (ambient for board parts) from I_C, P_tot, V_CEO"
            " and second breakdown where its test lines are on the shelf. Look at the plot of the sheet"
            " before you rely on its right-hand part."
        ))]  # fmt: skip
    said = [b.text(answer(report), "decides")] if report.from_shelf else []
    short = [_short_list(report, None)] if report.from_shelf else []
    blocks: list[b.Block] = [
        b.text("Substitutes", "title"), b.text(f"{_heading(report)} {made}".strip(), "lead"),
        *said, b.cautions(report.cautions), b.section("Best first", [*short, _overview(report), *drawn]),
    ]  # fmt: skip
    for r in report.candidates:
        inside = [_lines(r, report), b.bullets(r.warnings), b.text(f"Source: {r.source}", "soft")]
        blocks.append(b.section(f"{_name(r)}: {_verdict(r)}", inside, role="whole"))
    footer = (
        "Lines marked * are shown and warned about; they do not settle the result. Registered limits with"
        " their sources: the reference tables of junction."
    )
    return "Substitutes", [*blocks, b.set_aside(report.set_aside), b.text(footer, "soft")]


_CSV = (
    "candidate", "tag", "result", "figure", "must", "line", "wanted", "has", "unit", "wanted_text",
    "has_text", "margin", "note",
)  # fmt: skip


def tables(report: SubstituteReport) -> dict:
    """``substitute``: all lines of all candidates, one row each, numbers in SI units."""
    rows = [
        (r.candidate, r.tag, r.result, x.figure, x.must, x.result, x.wanted, x.has, x.unit, x.wanted_text,
         x.has_text, x.margin, x.note)
        for r in report.candidates for x in r.lines
    ]  # fmt: skip
    return {"substitute": (_CSV, rows)}


def document(report: SubstituteReport) -> dict:
    """Body of the JSON; the needs are in the form that ``--needs`` reads."""
    return {
        "original": report.original.name if report.original else None, "needs": report.needs,
        "case_temp_C": report.case_temp_C, "from_shelf": report.from_shelf, "own_groups": report.own_groups,
        "candidates": [record(r) for r in report.candidates],
    }
