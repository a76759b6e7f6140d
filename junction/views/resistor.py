"""The view of a resistor: its reading, networks from stock, and what a tolerance does."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from math import isfinite, isinf, isnan

from junction.base.units import listed, nominal, percent, quantity
from junction.judge.results import say
from junction.replace.results import ResistorNetwork, ResistorReport
from junction.shelf.tables import rule
from junction.show import blocks as b
from junction.views.short import danger

#: Lines of the table on a terminal.
_MOST_LINES = 5
#: Equal parts from which they are counted and not written out.
_COUNTED = 5


def parts_text(net: ResistorNetwork) -> str:
    """A network with its values: ``(1 | 2.2) + (4.7 | 10) kΩ``, ``8 x 1 Ω in series``."""
    count, one = len(net.parts_ohm), nominal(net.parts_ohm[0], "ohm")
    if count >= _COUNTED and len(set(net.parts_ohm)) == 1:
        strings = 1 + net.arrangement.count("|")
        if strings in (1, count):
            return f"{count} x {one} in {'series' if strings == 1 else 'parallel'}"
        return f"{count} x {one}, {strings} strings of {count // strings}"
    words = [nominal(r, "ohm") for r in net.parts_ohm]
    units = {word.rsplit(" ", 1)[1] for word in words}
    unit = ""
    if len(units) == 1:
        unit = f" {units.pop()}"
        words = [word.rsplit(" ", 1)[0] for word in words]
    letters = iter(words)
    return re.sub("[A-Z]+", lambda _: str(next(letters)), net.arrangement) + unit


def _off(net: ResistorNetwork) -> str:
    return _percent_off(net.error)


def _percent_off(error: float) -> str:
    """``+2.4 %``, ``+100 %``, ``12 times``: an error to two digits, never in powers of ten."""
    if abs(error) < 5e-6:
        return "0 %"
    if error >= 10:
        return f"{float(f'{1 + error:.2g}'):.0f} times"
    if error < -0.995:
        return f"1/{float(f'{1 / (1 + error):.2g}'):.0f}"
    return f"{float(f'{100 * error:.{3 if error >= 1 else 2}g}'):+g} %"


def _value(net: ResistorNetwork):
    return nominal(float(f"{net.ohm:.5g}"), "ohm")


def _short(x: float, unit: str):
    return nominal(float(f"{x:.3g}"), unit)


def _over(net: ResistorNetwork) -> bool:
    """Whether a part is run above what is common practice."""
    return net.used * rule("resistor_power") > 1 + 1e-9


def _nearest(report: ResistorReport) -> ResistorNetwork:
    return min(report.networks, key=lambda n: round(abs(n.error), 9))


def _note(report: ResistorReport, net: ResistorNetwork) -> str:
    """What is to be said of a network beside its row."""
    nearest = net is _nearest(report) and (abs(net.error) > 5e-6 or net is not report.networks[0])
    words = ["nearest"] if nearest else []
    return ", ".join([*words, f"{percent(net.used)} of rating"] if _over(net) else words)


def _few(report: ResistorReport) -> list[ResistorNetwork]:
    """Networks worth a line, in their order: those that no other betters in every way, then some more.

    Better are fewer parts, nearer by more than the tolerance drowns, less of a rating that is short.
    """
    step = max(report.tolerance * rule("resistor_step"), 1e-4)

    def merits(n: ResistorNetwork) -> tuple:
        return round(abs(n.error) / step), len(n.parts_ohm), round(n.used, 3) if _over(n) else 0

    nets = [n for k, n in enumerate(report.networks)
            if k == 0 or len(n.parts_ohm) > 1 or abs(n.error) < step]  # fmt: skip
    seen: list[tuple] = []
    first, more = [], []
    many = max(_COUNTED, 2 * len(nets[0].parts_ohm)) if nets else 0
    for n in nets:
        own = merits(n)
        bettered = any(all(a <= b for a, b in zip(other, own, strict=True)) for other in map(merits, nets)
                       if other != own) or own in seen  # fmt: skip
        if not bettered:
            first.append(n)
        elif sum(m[1] == own[1] for m in seen) < 2 and len(n.parts_ohm) <= many:
            more.append(n)
        seen.append(own)
    marked = [n for n in nets if n is _nearest(report)]
    if nets:
        marked = [nets[0], *marked]
    chosen = [*marked, *[n for n in (*first, *more) if not any(n is m for m in marked)]]
    chosen = [n for k, n in enumerate(chosen) if not any(n is m for m in chosen[:k])][:_MOST_LINES]
    return [n for n in nets if any(n is m for m in chosen)]


def _networks(report: ResistorReport, nets: Sequence[ResistorNetwork]) -> b.Block:
    right = ("value", "off by", "likely", "most heat")
    notes = [_note(report, n) for n in nets]
    columns = b.columns("parts", *right, *[""] * any(notes), right=right, wrap=("parts",))
    return b.table(columns, [
        [parts_text(n), _value(n), _off(n), f"± {100 * n.tolerance_likely:.2g} %",
         percent(max(n.power_shares)) if isnan(n.hottest_W) else _short(n.hottest_W, "W"),
         *[note] * any(notes)]
        for n, note in zip(nets, notes, strict=True)
    ])  # fmt: skip


def _reading(report: ResistorReport) -> list[b.Block]:
    v = report.reading
    if v is None:
        return []
    read = "OL" if v.over_range else nominal(v.reading_ohm, "ohm")
    where = " in circuit" if v.in_circuit else ""
    if not isnan(v.lead_zero_ohm):
        less = nominal(float(f"{v.corrected_ohm:.6g}"), "ohm")
        where += f", {less} without the probes' {nominal(v.lead_zero_ohm, 'ohm')}"
    marked = f"{nominal(v.nominal_ohm, 'ohm')} ± {100 * report.tolerance:g} %"
    lines = [f"{marked}, reading {read}{where}: {v.state}. It {v.evidence}."]
    if not isnan(v.probability_in_tolerance) and not isinf(v.reading_ohm):
        lines.append(f"Probability that it is within its tolerance: {percent(v.probability_in_tolerance)}")
    if not isnan(v.parallel_ohm):
        lines.append(f"A path of {quantity(v.parallel_ohm, 'ohm')} beside a good one would read the same.")
    if v.next:
        lines.append(f"Next: {v.next}.")
    return [b.text(x) for x in lines]


def _one(report: ResistorReport) -> ResistorNetwork | None:
    """The single part that does, where one does."""
    best = report.networks[0] if report.networks else None
    step = max(report.tolerance * rule("resistor_step"), 1e-4)
    return best if best and len(best.parts_ohm) == 1 and abs(best.error) <= step else None


def _answer(report: ResistorReport) -> list[b.Block]:
    """What to take, in the first line; where it comes from; what it does under power."""
    wanted, rated = nominal(report.wanted_ohm, "ohm"), ""
    if not isnan(report.part_power_W):
        rated = nominal(report.part_power_W, "W")
    tolerance = f"± {100 * report.tolerance:g} %"
    one, lines = _one(report), []
    if one:
        exact = abs(one.error) < 5e-6
        told = {"asked": "" if exact else wanted, "off": "" if exact else _off(one), "rated": rated}
        lines.append(say("resistor_one", wanted=nominal(one.parts_ohm[0], "ohm"), given=report.given, **told))
        if _over(one):
            half = percent(1 / rule("resistor_power"))
            lines.append(say("resistor_one_hot", used=percent(one.used), half=half,
                             better=_short(one.rating_W, "W"), below=len(report.networks) > 1))  # fmt: skip
    elif report.networks and not report.answered:
        best = report.networks[0]
        within = percent(report.tolerance * rule("resistor_answer"), 1).replace(".0 ", " ")
        lines.append(say("resistor_far_off", wanted=wanted, given=report.given, within=within,
                         parts=parts_text(best), many=len(best.parts_ohm) > 1, value=_value(best),
                         off=_off(best)))  # fmt: skip
    elif report.networks:
        best = report.networks[0]
        off = "exactly" if abs(best.error) < 5e-6 else f"which is {_value(best)} ({_off(best)})"
        off = f", {off}" if len(best.parts_ohm) > 1 else f" ({_off(best)})"
        lines.append(f"{wanted}: {parts_text(best)}{off}.")
    else:
        lines.append(say("resistor_none", rated=rated) if rated else say("resistor_nothing"))
    alone = not one and report.wanted_ohm in report.nearest_ohm and not isnan(report.power_W)
    for kind, net in ((x.kind, x.network) for x in report.hindrances):
        if kind == "rating" and len(net.parts_ohm) == 1 and alone:
            continue  # said below
        many = len(net.parts_ohm) > 1
        each = many and len(set(net.parts_ohm)) == 1
        lines.append(say(
            f"resistor_hindered_{kind}", parts=parts_text(net), each=each, uneven=many and not each,
            count=len(net.parts_ohm), off=_off(net) if abs(net.error) >= 5e-6 else "",
            watts="" if isnan(net.hottest_W) else _short(net.hottest_W, "W"),
        ))  # fmt: skip
    lines += [report.hint] if report.hint else []
    source = f"{report.stock[0].upper()}{report.stock[1:]}, {tolerance} parts"
    if not one and report.nearest_ohm:
        off = {x: x / report.wanted_ohm - 1 for x in report.nearest_ohm}
        near = {x: e for x, e in off.items() if 1e-9 < abs(e) <= rule("resistor_far")}
        # where no single part stands the power, the nearest ones are beside the point
        if near and not report.alone_rating_W > report.part_power_W:
            single = (f"{nominal(x, 'ohm')} ({_percent_off(e)})" for x, e in near.items())
            source += f"; nearest {', '.join(single)}"
    lines.append(f"{source}.")
    if alone:
        rating = nominal(report.alone_rating_W, "W")
        lines.append(say("resistor_alone", wanted=wanted, rating=rating))
    for bound in report.searched:
        gap = abs(_nearest(report).error) if report.networks else 0.0
        if not bound.complete and gap > 5e-6:
            lines.append(say("resistor_gap", parts=bound.parts, low=bound.low_ohm, high=bound.high_ohm,
                             gap=f"{float(f'{100 * gap:.1g}'):g} %"))  # fmt: skip
    return [b.text(x) for x in lines]


def _heat(report: ResistorReport) -> list[b.Block]:
    """Of the answer: what each part gets, and what is left when one fails."""
    if not report.networks or not report.answered:
        return []
    best, lines = report.networks[0], []
    many = len(best.parts_ohm) > 1
    if many and not isnan(report.power_W):
        groups = Counter(zip(best.parts_ohm, map(_short, best.parts_W, "W" * len(best.parts_W)), strict=True))
        parts = sorted(groups.items(), key=lambda item: -item[0][1].pieces[0][1])
        heat = listed([f"{nominal(x, 'ohm')} {w}{' each' if k > 1 else ''}" for (x, w), k in parts])
        rating = _short(best.rating_W, "W")
        lines.append(say("resistor_heat", heat=heat, alike=len(parts) == 1, rating=rating))
    elif isnan(report.part_power_W) and isnan(best.used) and not isnan(report.power_W):
        power = _short(report.power_W, "W")
        if report.effect:
            power = f"{nominal(report.effect.current_A, 'A')} ({power})"
        lines.append(say("resistor_heat_one", power=power, rating=_short(best.rating_W, "W")))
    if not isnan(report.power_W):
        volts, part = max(zip(best.parts_V, best.parts_ohm, strict=True))
        if volts > rule("resistor_voltage"):
            lines.append(say("resistor_voltage", part=nominal(part, "ohm"), volts=volts))
    if many:
        left = {kind: _left(sorted(float(f"{f.ohm:.3g}") for f in best.faults if f.kind == kind))
                for kind in ("open", "shorted")}  # fmt: skip
        lines.append(say("resistor_faults", opened=left["open"], shorted=left["shorted"]))
        worst = [(used, watts, f.kind, at) for f in best.faults
                 for used, watts, at in ((f.used_at_voltage, f.hottest_at_voltage_W, "voltage"),
                                         (f.used_at_current, f.hottest_at_current_W, "current"))
                 if used > 1 + 1e-9]  # fmt: skip
        if worst:
            _, watts, kind, at = max(worst)
            lines.append(say("resistor_fault_hot", kind=kind, watts=_short(watts, "W"), at=at))
    return [b.text(x) for x in lines]


def _left(ohms: Sequence[float]) -> str:
    """What a fault leaves of the whole, in words."""
    words = [str(_short(x, "ohm")) for x in dict.fromkeys(ohms) if isfinite(x) and x > 0]
    if len(words) > 3:
        words = [f"{words[0]} to {words[-1]}"]
    if words:
        words = [f"{' or '.join(words)} is left"]
    edge = "open" if isinf(ohms[-1]) else "shorted" if ohms[0] == 0 else ""
    return " or ".join([*words, f"the whole is {edge}"] if edge else words)


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
    if not report.networks:
        return f"{wanted}: no network"
    near = "" if report.answered else "nothing near enough; nearest "
    return f"{wanted}: {near}{parts_text(report.networks[0])}"


def terminal(report: ResistorReport, everything: bool = False) -> Iterable[b.Block]:
    """Verdict, answer, networks, heat and faults, effect and cautions."""
    yield from _told(report, everything)
    yield ""
    hot = not isnan(report.power_W) or report.effect is not None
    for caution in report.cautions if hot else (*report.cautions[:-2], *report.cautions[-1:]):
        yield b.text(f"Caution: {caution.text}", hang="  ")


def short(report: ResistorReport, everything: bool = False) -> Iterable[b.Block]:
    """The same with one line for the hand, the verdict or what to take before it."""
    first, *rest = _told(report, everything)
    yield first
    if report.reading and report.reading.in_circuit:
        yield danger("check")
    if not isnan(report.power_W) or report.effect is not None:
        yield danger("resistor")
    yield from rest


def _told(report: ResistorReport, everything: bool) -> Iterable[b.Block]:
    if report.reading:
        yield from (*_reading(report), "")
    yield from _answer(report)
    one = _one(report)
    fine = one and not _over(one)
    if report.networks and not everything and (fine or all(len(n.parts_ohm) == 1 for n in report.networks)):
        pairs = [parts_text(n) for n in report.networks if len(n.parts_ohm) == 2 and abs(n.error) < 5e-6][:2]
        if pairs and not report.reading:
            yield b.text(f"Without it: {' or '.join(pairs)}.")
        yield from _heat(report)
    elif report.networks:
        nets = report.networks if everything else _few(report)
        yield from ("", _networks(report, nets), b.text(_legend(report)))
        heat = _heat(report)
        yield from (("", *heat) if heat else ())
    if report.effect:
        yield from ("", *_effect(report))


def _legend(report: ResistorReport) -> str:
    return f"+ in series, | in parallel. likely: 95 % of such; at worst ± {100 * report.tolerance:g} %."


def sheet(report: ResistorReport) -> dict:
    """What the job's sheet keeps of it (`junction.paper.job_folder.ENTRY`)."""
    what = str(nominal(report.wanted_ohm, "ohm"))
    take = parts_text(report.networks[0]) if report.networks and report.answered else ""
    why = " ".join(b.words(one.body) for one in (*_reading(report), *_answer(report)) if one.kind == "text")
    return {"about": what, "chosen": [{"for": what, "take": take, "why": why}]}


def page(report: ResistorReport, made: str = "") -> tuple[str, list[b.Block]]:
    """Title and blocks."""
    title = f"Resistor of {nominal(report.wanted_ohm, 'ohm')}"
    nets = report.networks
    networks = [_networks(report, nets), b.text(_legend(report), "soft")] if nets else []
    return title, [
        b.text(title, "title"), b.cautions(report.cautions), b.section("The reading", _reading(report)),
        b.section("From stock", [*_answer(report), *_heat(report), *networks]),
        b.section("When a part fails", _failures(report)),
        b.section("What the tolerance does", _effect(report)),
        *([b.text(f"Made {made}.", "soft")] if made else []),
    ]  # fmt: skip


def _failures(report: ResistorReport) -> list[b.Block]:
    """Every fault of the answer, one a row."""
    best = report.networks[0] if report.networks else None
    if not best or len(best.parts_ohm) == 1:
        return []
    right = ("left", "hottest at the same voltage", "hottest at the same current")
    rows = []
    for fault in best.faults:
        heat = [_short(w, "W") if isfinite(w) else "" for w in (fault.hottest_at_voltage_W,
                                                                  fault.hottest_at_current_W)]  # fmt: skip
        left = "open" if fault.open else "shorted" if fault.ohm == 0 else _short(fault.ohm, "ohm")
        rows.append([(nominal(fault.part_ohm, "ohm"), f" {fault.kind}"), left, *heat])
    if isnan(report.power_W):
        return [b.table(b.columns("fault", "left", right=right), [row[:2] for row in rows])]
    return [b.table(b.columns("fault", *right, right=right), rows),
            b.text("The heat of the hottest part then, at the voltage and at the current that drive the sound"
                   f" network to {nominal(report.power_W, 'W')}.", "soft")]  # fmt: skip


def display(report: ResistorReport) -> list[b.Block]:
    """What a notebook shows."""
    return [*_reading(report), *_answer(report), *_heat(report), _networks(report, _few(report)),
            *_effect(report)]  # fmt: skip


def tables(report: ResistorReport) -> dict:
    """``resistor``: all networks, numbers in SI units."""
    headings = ("arrangement", "parts_ohm", "value_ohm", "error", "tolerance_worst", "tolerance_likely",
                "power_shares", "hottest_W", "parts_W", "rating_W")  # fmt: skip
    rows = [
        (n.arrangement, " ".join(f"{x:g}" for x in n.parts_ohm), n.ohm, n.error, n.tolerance_worst,
         n.tolerance_likely, " ".join(f"{x:.6g}" for x in n.power_shares), n.hottest_W,
         "" if isnan(n.hottest_W) else " ".join(f"{x:.6g}" for x in n.parts_W), n.rating_W)
        for n in report.networks
    ]  # fmt: skip
    return {"resistor": (headings, rows)}
