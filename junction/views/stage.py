"""The view of an output stage, with the drops measured in it: terminal, page, CSV and JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import isfinite, nan
from typing import TYPE_CHECKING

from junction.amplifier.results import DropReport, DropVerdict, Stage, StageReport
from junction.base.units import nominal, percent, quantity
from junction.judge.results import say
from junction.shelf.tables import rule
from junction.show import blocks as b
from junction.show.write import ends, set_aside_table
from junction.views.match import celsius, resistors
from junction.views.short import danger

if TYPE_CHECKING:  # a report without pictures does not wait for what draws them
    from junction.show.canvas import Picture

OVERALL = {
    "as predicted": "as predicted",
    "fault": "something is wrong",
    "bias": "the bias wants setting",
    "bias far too high": "the bias is far too high, switch off",
    "undecided": "not decided by these readings",
}


#: Causes of measured drops that a short answer tells.
_CAUSES = 4


def facts(stage: Stage) -> list[tuple[str, float, str]]:
    """What the stage asks of its devices: words, value, unit; unknown ones left out."""
    n = stage.parallel
    rows = [
        ("peak output voltage", stage.peak_output_V, "V"),
        ("peak to peak", stage.peak_to_peak_V, "V"),
        ("rms", stage.rms_V, "V"),
        ("peak output current", stage.peak_output_A, "A"),
        ("peak current of each device", stage.peak.total_A / n, "A"),
        ("supply as printed", stage.printed_supply_V, "V"),
        ("supply of each rail", stage.supply_V, "V"),
        ("left for the driver at the peak", stage.headroom_V, "V"),
        ("idle current of a rail", stage.idle.total_A, "A"),
        ("idle current of each device", stage.idle.total_A / n, "A"),
        ("V_CE at idle", stage.idle.vce_V, "V"),
        ("thermal loop gain theta dP/dT of a device", stage.loop_gain_device, ""),
        ("the same if the bias did not follow the sink", stage.loop_gain_bias, ""),
        ("V_CE at which a device would run away", stage.vce_critical_V, "V"),
        ("heat sink of one channel, at most", stage.sink_needed_K_per_W, "K/W"),
        ("emitter resistor's dissipation at idle", stage.resistor_idle_W, "W"),
        ("emitter resistor's dissipation with a sine up to clipping", stage.resistor_full_W, "W"),
        ("emitter resistor's rating, at least", stage.resistor_rating_W, "W"),
        ("power from the supply at idle", stage.idle_power_W, "W"),
        ("power from the supply at the rated output", stage.full_power_W, "W"),
        ("current of a rail then, mean", stage.supply_average_A, "A"),
        ("current of a rail then, peak", stage.supply_peak_A, "A"),
    ]
    return [row for row in rows if isfinite(row[1]) and (row[1] or not row[0].startswith("emitter"))]


#: Verdict of half the rated load, in words.
_ALLOWED = {"yes": "allowed", "close": "only just", "no": "not allowed", "unknown": "not known"}


def _to_do(report: StageReport) -> b.Block:
    """What to set, to buy and to leave alone."""
    stage, half, todo = report.stage, report.half_load, []
    if any(stage.idle_drop_V):
        low, high = (1000 * rule(f"stage_idle_drop_{end}") for end in ("low", "high"))
        todo.append(("set across emitter resistors",
                     (_drops_mV(stage), " ", say("guide_drop_short", low=low, high=high))))  # fmt: skip
    if isfinite(stage.sink_needed_K_per_W) and stage.sink_needed_K_per_W > 0:
        sink = quantity(stage.sink_needed_K_per_W, "K/W")
        todo.append(("sink of a channel, at most", (sink, f" for {stage.sink_why}")))
    if stage.resistor_rating_W:
        todo.append(("emitter resistors, at least", quantity(stage.resistor_rating_W, "W", 2)))
    if half:
        allowed = "" if "pulse lines" in half["text"] else f"{_ALLOWED[half['verdict']]}: "
        words: tuple = (f"{allowed}{half['text'] or 'which type? (--type)'}",)
        if half["verdict"] == "yes":
            words = "allowed, sink at most ", quantity(half["sink_needed_K_per_W"], "K/W")
        todo.append(((nominal(half["load_ohm"], "ohm"), " load"), words))
    return b.facts(todo)


def _short(stage: Stage) -> b.Block:
    """The figures that a bench asks for first; the page holds them all."""
    n, rows = stage.parallel, []

    def row(words: str, *pieces: tuple[float, str, str], between: str = ", ") -> None:
        known = [(between, quantity(x, unit), text) for x, unit, text in pieces if isfinite(x)]
        if known:
            rows.append((words, tuple(piece for three in known for piece in three)[1:]))

    if stage.circuit != "two rails":
        rows.append(("circuit", stage.circuit))
    row("peak output voltage", (stage.peak_output_V, "V", ""), (stage.peak_to_peak_V, "V", " peak to peak"),
        (stage.rms_V, "V", " rms"))  # fmt: skip
    row("peak current", (stage.peak.total_A, "A", ""), (stage.peak.total_A / n, "A", " each device"))
    side = stage.supply_V if stage.supply_V != stage.printed_supply_V else nan
    row("supply" if isfinite(side) else "supply of each rail", (stage.printed_supply_V, "V", ""),
        (side, "V", " each side"), (stage.headroom_V, "V", " left for the driver"))  # fmt: skip
    row("idle current of a rail", (stage.idle.total_A, "A", ""),
        (stage.idle.total_A / n, "A", " each device"))  # fmt: skip
    row("V_CE at idle", (stage.idle.vce_V if stage.idle.vce_V != stage.printed_supply_V else nan, "V", ""))
    row("from the supply", (stage.idle_power_W, "W", " at idle"), (stage.full_power_W, "W", " driven fully"))
    row("current of a rail", (stage.supply_average_A, "A", " mean"), (stage.supply_peak_A, "A", " peak"))
    row("thermal loop gain", (stage.loop_gain_device, "", ""), (stage.vce_critical_V, "V", " V_CE"),
        between=", 1 (runs away) at ")  # fmt: skip
    return b.facts([*rows, ("emitter resistor", resistors(stage.re_ohm))])


def _drops_mV(stage: Stage) -> b.Num:
    drops = {f"{1000 * d:.1f}": d for d in sorted(stage.idle_drop_V)}
    return b.Num(*[piece for text, d in drops.items() for piece in ((" / ", None), (text, d))][1:])


def drop_words(stage: Stage) -> b.Inline:
    """The drop to set across each emitter resistor."""
    if not any(stage.idle_drop_V):
        return say("guide_no_drop")
    low, high = (1000 * rule(f"stage_idle_drop_{end}") for end in ("low", "high"))
    return _drops_mV(stage), " ", say("guide_idle_drop", low=low, high=high)


def shown_verdict(v: DropVerdict, drops: DropReport) -> str:
    """Verdict as a word for people: nothing is as predicted while the bias is off."""
    if v.verdict == "as predicted" and drops.bias in ("too high", "too low"):
        return f"bias {drops.bias}"
    if v.verdict == "as predicted" and abs(v.value.value / v.wanted_V - 1) > 2 * rule("drops_bias_band"):
        return "like its neighbours"
    if drops.alarm and v.verdict == "undecided" and v.says().endswith("is wanted."):
        return "bias too high"
    return v.verdict


def summary(report: StageReport) -> str:
    """Currents, and what the drops say, in one line."""
    stage, drops = report.stage, report.measured_drops
    text = f"{quantity(stage.peak.total_A, 'A')} at the peak and {quantity(stage.idle.total_A, 'A')} at idle"
    text += f", shared by {b.count(stage.parallel, 'device')} a rail"
    return text + (f"; measured drops: {OVERALL[drops.overall]}" if drops is not None else "")


def _asked(stage: Stage) -> b.Block:
    pairs = [(words, quantity(value, unit)) for words, value, unit in facts(stage)]
    return b.facts([("circuit", stage.circuit), *pairs, ("emitter resistor", resistors(stage.re_ohm))])


def _heat(stage: Stage, everything: bool = True) -> b.Block:
    heads = ("average", "peak", "at V_CE", "I_C", "sink", *(("case", "junction") if everything else ()),
             "T_j peak", *(("sink at most",) if everything else ()))  # fmt: skip
    rows = [
        [d["case"], quantity(d["average_W"], "W"), quantity(d["peak_W"], "W"),
         quantity(d["vce_at_peak_V"], "V"), quantity(d["ic_at_peak_A"], "A"), celsius(d["sink_C"]),
         *((celsius(d["case_C"]), celsius(d["junction_C"])) if everything else ()),
         celsius(d["junction_peak_C"]),
         *((quantity(d["sink_needed_K_per_W"], "K/W"),) if everything else ())]
        for d in stage.dissipation
    ]  # fmt: skip
    return b.table(b.columns("drive", *heads, right=heads, wrap=("drive",)), rows)


def short(report: StageReport, everything: bool = False) -> Iterable[b.Block]:
    """What to do first: after the drops what to look at in which order, of a plan what to set and to buy."""
    stage, drops = report.stage, report.measured_drops
    if drops is not None and drops.alarm:
        yield from terminal(report, everything)
    elif drops is not None:
        yield from _short_drops(report)
    else:
        yield _to_do(report)
        yield danger("power-up")
        yield from (b.text(sentence, "alarm") for sentence in stage.findings)
        yield b.bullets([c["text"] for c in stage.limits if c["verdict"] == "close"])
        yield from ("", _short(stage))
        hot = [d["junction_peak_C"] for d in stage.dissipation if isfinite(d["junction_peak_C"])]
        watts = [d["average_W"] for d in stage.dissipation if isfinite(d["average_W"])]
        if watts:
            peak = (", T_j peak ", celsius(max(hot))) if hot else ()
            worst = (quantity(max(watts), "W"), " at the worst drive kept up", *peak)
            yield b.facts([("heat of a device      ", worst)])
        unknown = [c["text"] for c in stage.limits if c["verdict"] == "unknown"]
        yield b.labelled("unknown", [b.cut(" ".join(unknown), 2 * (b.WIDTH - 12))] if unknown else [])
        yield b.labelled("ask", [" ".join(stage.questions)] if stage.questions else [])
        n = len(stage.assumptions)
        yield b.labelled("taken", [f"{b.count(n, 'assumption')} (--more)"] if n else [])


def _in_order(drops: DropReport) -> b.Block:
    """The steps after measured drops, numbered; a place is named once."""
    told, places = [], set()
    for step in drops.next:
        how, _, what = step.partition(": ")  # how to go about it, the step itself
        place = what[what.rfind(" (") :].rstrip(".") if what.endswith(").") else ""
        what = what.removesuffix(f"{place}.") + (place if place not in places else "")
        places.add(place)
        told.append(f"{len(told) + 1}. {how.partition(',')[0].lower()}: {what.rstrip('.')}")
    return b.labelled("do", told)


def _short_drops(report: StageReport) -> Iterable[b.Block]:
    """Measured drops: what is wrong, what to do in order, then a line a drop."""
    drops = report.measured_drops
    yield b.text(f"measured drops: {OVERALL[drops.overall]}", "strong")
    yield danger("drops")
    yield from (b.text(sentence, "alarm") for sentence in report.stage.findings)
    bias = b.labelled("bias", [drops.bias_text.removesuffix(drops.between_rails).rstrip(" .")])
    yield from [bias] if drops.bias == "too high" else []
    yield _in_order(drops)
    yield from [bias] if drops.bias != "too high" else []
    yield b.labelled("rail", drops.whole)
    yield b.labelled("swap", drops.swaps)
    least = 1 - rule("conformity_good")
    # what is sure stands beside its drop
    doubtful = [c for c in drops.causes if least <= c.kept <= 1 - least]
    yield b.labelled("may be", [f"{percent(1 - c.kept)} {f'{c.where}: ' if c.where else ''}{c.says()}"
                                for c in doubtful[:_CAUSES]] + [f"{len(doubtful) - _CAUSES} more (--more)"]
                     * (len(doubtful) > _CAUSES))  # fmt: skip
    rows = []
    for v in drops.drops:
        low, high = (f"{1000 * x:.1f}" for x in (v.low, v.high))
        said = shown_verdict(v, drops)
        rows.append([v.where, f"{1000 * v.value.value:.1f} mV", f"expected {low} to {high}", said])
    yield b.lines(rows, 3)
    blind = [v.numbers["would"] for v in drops.drops if v.reason == "drop_sound_blind"]
    if blind:
        low, high = min(w.low for w in blind), max(w.high for w in blind)
        yield b.labelled("unseen", [say("drops_blind", low=low, high=high)])
    yield b.labelled("taken", [f"{b.count(len(drops.assumptions), 'assumption')} (--more)"])


def terminal(report: StageReport, everything: bool = False) -> Iterable[b.Block]:
    """Cautions first where something live is to be measured, then the drops, or the stage and its heat.

    An alarm stands alone, with the danger and what is to be done now and after it.
    """
    stage, drops = report.stage, report.measured_drops
    mains, *after = [c.text for c in report.cautions if c.where != "drops"]
    clip_on = [c.text for c in report.cautions if c.where == "drops"]
    if drops is not None and drops.alarm:
        yield from (b.text(drops.alarm, "alarm"), danger("drops"), _in_order(drops))
        return
    yield b.text("before you measure in a live amplifier", "strong")
    yield from (b.bullets([mains, *clip_on]), "")
    for sentence in stage.findings:
        yield b.text(sentence, "alarm")
    if stage.findings:
        yield ""
    if drops is not None:
        yield b.text(f"measured drops: {OVERALL[drops.overall]}", "strong")
        bias, urgent = b.text(f"  {drops.bias_text}", hang="    "), drops.bias == "too high"
        yield from [bias] if urgent else ()
        yield from (b.text(f"  {sentence}", hang="    ") for sentence in drops.whole)
        for v in drops.drops:
            yield b.text(f"  {shown_verdict(v, drops)}: {v.says()}", hang="    ")
        yield from () if urgent else [bias]
        yield from (b.text(f"  {sentence}", hang="    ") for sentence in drops.swaps)
        yield b.bullets(drops.next, "next, in this order")
        yield b.bullets(drops.assumptions, "assumed")
        yield b.bullets(after, "and before you power up")
        return  # what was planned stands on the page
    yield from (_to_do(report), "", _short(stage))
    if stage.dissipation:
        yield from ("", b.text("heat in each device", "strong"), _heat(stage, False))
    yield b.bullets([c["text"] for c in stage.limits if c["verdict"] in ("close", "unknown")])
    yield b.bullets(stage.questions, "needed to know more")
    yield b.bullets(stage.assumptions, "assumed")
    yield b.bullets(after, "and before you power up")


def _assumed(report: StageReport) -> tuple[str, ...]:
    drops = report.measured_drops
    return report.stage.assumptions + (drops.assumptions if drops is not None else ())


def tables(report: StageReport) -> dict:
    """``stage``, one row a quantity; ``heat``, one a way of driving; ``drops``, one a measured drop."""
    stage = report.stage
    found: dict = {
        "stage": (("quantity", "value", "unit"), facts(stage)),
        "heat": (("drive", "average_W", "peak_W", "vce_at_peak_V", "ic_at_peak_A", "sink_C", "case_C",
                  "junction_C", "junction_peak_C", "sink_needed_K_per_W"),
                 [tuple(d.values()) for d in stage.dissipation]),
    }  # fmt: skip
    if report.measured_drops is not None:
        heads = ("position", "measured_V", "wanted_V", "expected_V", "expected_low_V", "expected_high_V",
                 "verdict", "probability", "resistor_ohm", "resistor_low_ohm", "resistor_high_ohm", "text",
                 "next")  # fmt: skip
        found["drops"] = heads, [
            (v.where, v.value.value, v.wanted_V, *ends(v.expected_V), v.verdict, v.probability,
             *ends(v.resistor_ohm), v.says(), v.next())
            for v in report.measured_drops.drops
        ]  # fmt: skip
    if report.bag.set_aside:
        found["set_aside"] = set_aside_table(report.bag.set_aside)
    return found


def document(report: StageReport) -> dict:
    """Body of the JSON."""
    names = ("stage", "measured_drops", "predicted_set", "half_load", "entered")
    return {name: getattr(report, name) for name in names}


def sheet(report: StageReport) -> dict:
    """What the job's sheet keeps of it (`junction.paper.job_folder.ENTRY`)."""
    drops, found = report.measured_drops, {"about": dict(report.entered).get("amplifier", "")}
    if any(report.stage.idle_drop_V):
        found["to_set_V"] = sorted(set(report.stage.idle_drop_V))
    if drops is not None:
        found["fitted"] = report.fitted
        found["drops"] = [{"where": v.where, "measured_V": v.value.value, "wanted_V": v.wanted_V,
                           "expected_V": v.expected_V.value if v.expected_V else None,
                           "verdict": shown_verdict(v, drops), "says": v.says().removeprefix(f"{v.where}: ")}
                          for v in drops.drops]  # fmt: skip
        found["drops_state"] = OVERALL[drops.overall]
        said = (drops.alarm, drops.bias_text, *drops.whole, *drops.swaps, *drops.next)
        found["drops_say"] = list(dict.fromkeys(filter(None, said)))
    return found


def page(report: StageReport, made: str = "") -> tuple[str, list[b.Block]]:
    """Title and blocks."""
    stage, drops = report.stage, report.measured_drops
    blocks: list[b.Block] = [b.text("Output stage", "title"), b.text(made, "lead")]
    if drops is not None and drops.alarm:
        blocks.append(b.text(drops.alarm, "next"))
    elif drops is not None:
        blocks.append(b.text(_headline(drops), "headline"))
    blocks.append(b.cautions(report.cautions))
    blocks += [b.text(sentence, "next") for sentence in stage.findings]
    if drops is not None:
        drawn = [one for one in (_drops_drawn(report), _shares(report)) if one]
        blocks += [_drops(drops), b.pictures(drawn)]
    asked = [_asked(stage), b.text(drop_words(stage))]
    amplifier = dict(report.entered).get("amplifier", "")
    loci, areas = report.draw()
    if loci:
        asked.append(b.pictures([_load_lines(areas, loci)], (
            "A loop that leaves the dc safe area is allowed only by the pulse lines of the type's own chart; "
            "its second-breakdown line is drawn only where the shelf holds it."
        )))  # fmt: skip
    heads = b.columns("type", "limit", "asked", "allowed", "", "source", right=("asked", "allowed"))
    limits = [[c["type"], c["quantity"], quantity(c["asked"], c["unit"]), quantity(c["limit"], c["unit"]),
               b.Badge(c["verdict"]), c["source"]] for c in stage.limits]  # fmt: skip
    notes = [c["text"] for c in stage.limits if c["verdict"] != "within" or "safe area" in c["quantity"]]
    title = f"Output stage: {amplifier}" if amplifier else "Output stage"
    blocks[0] = b.text(title, "title")
    return title, [
        *blocks, b.section("What to set and to buy", [_to_do(report)]),
        b.section("As entered", [b.facts(report.entered)]),
        b.section("What it asks of its devices", asked),
        b.section("Heat in each device", [_heat(stage)]),
        b.section("Against the limits of the type",
                  [b.table(heads, limits), b.bullets(list(dict.fromkeys(notes)))]),
        b.section("Needed to know more", [b.bullets(stage.questions)]),
        b.section("Assumed", [b.bullets((*_assumed(report), *stage.model))]),
        b.set_aside(report.bag.set_aside),
    ]  # fmt: skip


def _load_lines(areas: Mapping, loci: Mapping) -> Picture:
    from junction.show.plots_sets import safe_area_picture

    alt = "load lines of one device, driven to clipping"
    alt += f", against the dc safe area of {', '.join(areas)}" if areas else ""
    return safe_area_picture("load_lines", alt, areas, loci)


def pictures(report: StageReport, made: str = "") -> dict[str, Picture]:
    """Every picture of the page by the name of its file."""
    loci, areas = report.draw()
    found = [_drops_drawn(report), _shares(report), _load_lines(areas, loci) if loci else None]
    return {one.name: one for one in found if one}


def _drops_drawn(report: StageReport) -> Picture | None:
    from junction.show.plots_sets import drops_picture

    found = report.measured_drops
    if found is None or not found.drops:
        return None
    return drops_picture("drops", found.drops, [shown_verdict(v, found) for v in found.drops])


def _shares(report: StageReport) -> Picture | None:
    from junction.show.plots_sets import shares_picture

    rails, stage = report.shares(), report.stage
    marks = {"idle": stage.idle.total_A, "peak": stage.peak.total_A}
    return shares_picture("shares", rails, marks) if rails else None


def _drops(drops: DropReport) -> b.Block:
    def mV(*pieces: float | str) -> b.Num:
        return b.Num(*((x, None) if isinstance(x, str) else (f"{1000 * x:.1f}", x) for x in pieces))

    right = ("measured", "wanted", "by the others")
    columns = b.columns("position", *right, "", "why", right=right)
    rows = [
        [v.where, mV(v.value.value, " mV"), mV(v.wanted_V, " mV"),
         mV(v.expected_V.value, " mV (", v.expected_V.low, " to ", v.expected_V.high, ")"),
         b.Badge(shown_verdict(v, drops)), v.says().removeprefix(f"{v.where}: ")]
        for v in drops.drops
    ]  # fmt: skip
    return b.section("Measured drops", [
        b.text("Next, in this order:", "strong") if drops.next else "",
        *(b.text(text, "next") for text in drops.next),
        b.text(drops.bias_text), b.bullets(drops.whole), b.table(columns, rows), b.bullets(drops.swaps),
    ])  # fmt: skip


def _headline(drops: DropReport) -> str:
    """What the drops show, and at the first few places where something is wrong."""
    told = [f"{v.where} {word}" for v in drops.drops
            if (word := shown_verdict(v, drops)) not in ("as predicted", "like its neighbours")]
    said = OVERALL[drops.overall]
    shown = f": {'; '.join(told[:2])}{' and others' if len(told) > 2 else ''}" if told else ""
    return f"{said[:1].upper()}{said[1:]}{shown}"
