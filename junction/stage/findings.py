"""Measured drops across the emitter resistors, at idle, against what the stage should show: the verdicts.

What is wrong is decided by probability in the manner of JCGM 106:2012: what is probable enough decides, less
is undecided, with what it may be and the measurement that would decide.
"""

from __future__ import annotations

from dataclasses import replace
from math import isfinite, log, sqrt

import numpy as np

from junction.base.errors import UsageError
from junction.base.records import Interval
from junction.shelf.rules import rule
from junction.stage.drops import (
    EXCHANGED,
    K95,
    MISREAD,
    ODD,
    OFF,
    OPEN,
    PRIORS,
    SHORTED,
    SOUND,
    UNKNOWN,
    VALUE,
    Odds,
    Rail,
    weigh_faults,
)
from junction.stage.results import DropReport, DropVerdict, Stage
from junction.stage.sharing import Devices, drive_point, share

#: What decides a verdict, first come first served.
_VERDICTS = {
    "not conducting": (OFF,), "resistor shorted": (SHORTED,), "no drop": (OFF, SHORTED),
    "resistor open": (OPEN,), "resistor out of value": (VALUE, OPEN), "unlike part": (ODD,),
}  # fmt: skip
_SIDES = ("upper rail", "lower rail")
_OFF_WORDS = "the device does not conduct (open junction, open base resistor, a joint not made)"
_SHORT_WORDS = "its emitter resistor is shorted and the device carries a current nobody can read here"
_TOO_MUCH = (
    "more than a driven emitter resistor can show: it is open, or the device is shorted from collector to "
    "emitter, or the meter was not across the resistor"
)
#: What each verdict says of a drop.
_SAYS = {
    "not conducting": _OFF_WORDS + "; less likely, its emitter resistor is shorted.",
    "resistor shorted": _SHORT_WORDS + "; less likely, the device does not conduct.",
    "no drop": f"{_OFF_WORDS}, or {_SHORT_WORDS}; this drop alone cannot tell the two apart.",
    "resistor open": "the resistor is open, or its joint is; the device's emitter hangs free.",
    "resistor out of value": "the resistor behaves like {would.value:.2g} ohm ({would.low:.2g} to "
                             "{would.high:.2g}) instead of {re:g}.",
    "unlike part": "the part's V_BE is unlike the others': another type, damaged, or its base resistor.",
}  # fmt: skip
_LOOK = (
    "Power off, discharged: repeat the reading on the resistor's own leads, measure the resistor, then "
    "base to emitter in diode mode."
)
_LIFT = "Power off, discharged: lift one end of the {re:g} ohm resistor and measure it."
_NEXT = {
    "not conducting": _LOOK, "resistor shorted": _LOOK, "no drop": _LOOK, "resistor open": _LIFT,
    "resistor out of value": _LIFT,
    "unlike part": "Power off, discharged: measure base to emitter of each device in diode mode.",
}  # fmt: skip
#: What an undecided drop may come from.
_MAY = {
    VALUE: "its resistor is out of value ({would.low:.2g} to {would.high:.2g} ohm would fit)",
    OPEN: "its resistor is open", OFF: _OFF_WORDS, SHORTED: _SHORT_WORDS,
    ODD: "the part does not belong to the set", MISREAD: "the reading is wrong",
    EXCHANGED: "two parts have changed places", UNKNOWN: "more than two things are wrong",
    SOUND: "nothing is wrong here",
}  # fmt: skip


def diagnose_drops(
    stage: Stage, drops_V, devices: Devices | None = None, drawn: Devices | None = None, *,
    accuracy: tuple[float, float] | None = None, tolerance: float | None = None, parts: tuple[str, ...] = (),
) -> DropReport:  # fmt: skip
    """Compare measured drops with the prediction and name what is wrong.

    Parameters
    ----------
    stage : Stage
        With the emitter resistor of each position.
    drops_V : sequence of float
        Magnitudes of the upper rail's drops or of both rails', upper rail first [V].
    devices, drawn : Devices, optional
        The parts in the order of the drops, fitted and drawn at idle; without them, unmatched parts.
    accuracy : tuple of float, optional
        Limits of error of the drops: fraction of reading [1] and floor [V].
    tolerance : float, optional
        Of the emitter resistors [1].
    parts : tuple of str, optional
        Names of the parts in the order of the drops.

    Returns
    -------
    DropReport

    Raises
    ------
    UsageError
        Drops that do not fit the stage.
    """
    n, count = stage.parallel, len(drops_V)
    if count not in (n, 2 * n):
        raise UsageError(
            f"{count} drops for {n} devices a rail: give {n} (one rail) or {2 * n} (upper rail first)"
        )
    if any(not isfinite(d) or d < 0 for d in drops_V):
        raise UsageError("a drop must be zero or more: write magnitudes for both rails")
    re = (stage.re_ohm * count)[:count]
    if min(re) <= 0:
        raise UsageError("drops need emitter resistors: --emitter-resistor 0.22ohm")
    fraction, floor = accuracy or (rule("drops_accuracy"), rule("drops_floor"))
    accuracy = fraction, max(floor, 1e-6)
    tolerance = tolerance or rule("drops_tolerance")
    rails, names = [], []
    for at in range(0, count, n):
        which = slice(at, at + n)
        own = None if devices is None else devices.take(np.arange(count)[which])
        rails.append(
            Rail(stage.idle, drops_V[which], re[which], own, _u_vbe(stage, drawn, which), accuracy, tolerance)
        )
        side = "" if count == n else _SIDES[at // n] + ", "
        tags = [f" ({part})" for part in parts[which]] or [""] * n
        names.append([f"{side}position {k + 1}{tag}" for k, tag in enumerate(tags)])
    odds = weigh_faults(rails)
    ratio = _ratio(rails, odds)
    dead = all((r.lost | (r.d < rule("drops_dead") * r.wanted * r.re)).all() for r in rails)
    if dead and count > 1:
        verdicts = [_no_current(r, name, k) for r, own in zip(rails, names, strict=True)
                    for k, name in enumerate(own)]  # fmt: skip
    else:
        verdicts = [v for side, own in enumerate(names) for v in _judge(rails, side, own, odds, ratio)]
    bias, text, alarm = _judge_bias(stage, rails, odds, ratio, {v.verdict for v in verdicts}, dead)
    swaps = _swaps(rails, names, odds, verdicts) if devices is not None and not alarm else []
    overall = "bias far too high" if alarm else _overall(verdicts, bias, odds)
    wanted = [float(r.wanted * ohm) for r in rails for ohm in r.re]
    shown = [_against_wanted(v, w, bias, bool(alarm) and count > 1)
             for v, w in zip(verdicts, wanted, strict=True)]  # fmt: skip
    assumed = [
        f"drops measured to {100 * accuracy[0]:.2g} % and {1000 * accuracy[1]:.2g} mV; "
        f"emitter resistors within {100 * tolerance:.0f} %",
        "measured at idle, warmed up, without signal and without load",
        "what is likelier is weighed by guesses of how often it is met after a failure (common practice, no "
        "source), of a hundred positions: "
        + ", ".join(f"{100 * rule(PRIORS[kind]):.0f} {word}" for kind, word in _SHARES.items()),
    ]
    if devices is None:
        spread = 1000 * rule("drops_vbe_spread")
        assumed.append(f"the parts' curves were not given: V_BE taken to differ by {spread:.0f} mV "
                       "(standard deviation; common practice, no source)")  # fmt: skip
    return DropReport(tuple(shown), bias, ratio, text, overall, tuple(swaps), tuple(assumed), alarm)


_SHARES = {VALUE: "resistors out of value", OPEN: "open", SHORTED: "shorted", OFF: "devices off",
           ODD: "part unlike the others"}  # fmt: skip


def _u_vbe(stage: Stage, drawn: Devices | None, which: slice) -> np.ndarray:
    """Standard uncertainty of each part's V_BE beside the others of its rail [V]."""
    n, p = stage.parallel, stage.idle
    if drawn is None:
        return np.full(n, rule("drops_vbe_spread"))
    few = drawn.take(np.arange(which.start, which.stop))
    v = drive_point(few, np.log(p.total_A / n), p.vce_V, p.temp_C).vbe_V
    own = v - v.mean(axis=-1, keepdims=True) if n > 1 else v
    return np.broadcast_to(own.std(axis=0) * (sqrt(n / (n - 1)) if n > 1 else 1.0), (n,))


def _ratio(rails: list[Rail], odds: Odds) -> Interval:
    """Rail current over the wanted one, 95 %.

    With one rail measured, a lone drop or a drop lost may hide a current that only a guess of what is usual
    holds down: then wider.
    """
    vague = len(rails) == 1 and (rails[0].n == 1 or rails[0].lost.any())
    tail = (1 - rule("drops_coverage_lost")) / 2 if vague else 0.025
    low, value, high = (odds.quantile(p) for p in (tail, 0.5, 1 - tail))
    return Interval(value, low if low > rule("drops_blind") else 0.0, high)


def _no_current(r: Rail, name: str, k: int) -> DropVerdict:
    nominal, band = r.wanted * float(r.re[k]), rule("drops_bias_band")
    expected = Interval(nominal, (1 - band) * nominal, (1 + band) * nominal, "V")
    text = (
        f"{name}: {1000 * r.d[k]:.1f} mV; no device conducts, so the bias or the drive is off, or something "
        "in series is open, rather than every device."
    )
    look = (
        "Measure the supply and its fuses first, then the voltage between the two drive nodes; with the "
        "power off, each junction in diode mode."
    )
    return DropVerdict(name, float(r.d[k]), expected, "not conducting", r.nothing(k), None,
                       rule("conformity_good"), text, look)  # fmt: skip


def _word(q) -> str:
    """Verdict of a position from the probabilities of its kinds."""
    suspicion = max(q[kind] for kind in range(len(q)) if kind not in (SOUND, EXCHANGED))
    decides, fine = rule("conformity_good"), q[SOUND] + q[EXCHANGED]
    quiet = fine >= rule("drops_fine") and suspicion < rule("drops_named")
    if q[EXCHANGED] < 0.5 and (fine >= decides or quiet):
        return "as predicted"
    return next((word for word, kinds in _VERDICTS.items() if q[list(kinds)].sum() >= decides), "undecided")


def _judge(rails: list[Rail], side: int, names, odds: Odds, ratio: Interval) -> list[DropVerdict]:
    """Verdict of every drop of one rail."""
    r, q = rails[side], odds.kinds[side]
    fine = q[:, SOUND] + q[:, EXCHANGED]
    sound, off = fine >= 0.5, q[:, OFF] + q[:, OPEN] >= 0.5
    suspects = [k for k in range(r.n) if _word(q[k]) == "undecided"]
    other = None  # the other rail's current and its relative standard uncertainty, where it is trusted
    if len(rails) == 2 and _trusted(odds.kinds[1 - side]) and odds.apart < rule("conformity_bad"):
        o = rails[1 - side]
        amps = o.d / o.re
        u = np.hypot(o.u_r * amps, o.u_d / o.re)
        other = float(amps.sum()), float(sqrt((u**2).sum()) / max(amps.sum(), 1e-12))
    out = []
    for k, name in enumerate(names):
        expected, amps, by = _expected(r, k, sound, off, other)
        # no more than the rail carries: that bounds what a drive voltage alone would give
        most = ratio.high * r.idle.total_A
        low, value, high = (max(min(x, most), 1e-12) for x in (amps.low, amps.value, amps.high))
        seen, d, re = float(r.seen[k]), float(r.d[k]), float(r.re[k])
        amps, would = Interval(value, low, high, "A"), Interval(seen / value, seen / high, seen / low, "ohm")
        word = _word(q[k])
        if len(rails) == 1 and word in ("not conducting", "resistor shorted"):
            word = "no drop"  # which of the two, only the other rail's current can tell
        head = (f"{name}: {1000 * d:.1f} mV, expected {1000 * expected.value:.1f} mV "
                f"({1000 * expected.low:.1f} to {1000 * expected.high:.1f} mV){by}")  # fmt: skip
        margin = r.tolerance + rule("drops_shown_margin")
        shown = Interval(d / re, d / re * (1 - margin), d / re * (1 + margin), "A")
        up_to = replace(amps, low=0.0)
        wild = d > rule("drops_most")
        if word == "as predicted":
            text = "."
            if r.n > 1 and max(would.high / re, re / would.low) > rule("drops_wide") * (1 + r.tolerance):
                text = f"; any resistor of {would.low:.2g} to {would.high:.2g} ohm would look the same."
            out.append(DropVerdict(name, d, expected, word, shown, would, float(fine[k]), head + text))
        elif word == "undecided":
            twins = [names[j].removeprefix("upper rail, ").removeprefix("lower rail, ")
                     for j in suspects if j != k]  # fmt: skip
            out.append(_undecided(r, k, q[k], head, expected, amps, shown, would, twins, len(rails) == 2))
        else:
            says = f"{_TOO_MUCH}." if word == "resistor open" and wild else _SAYS[word]
            current = {"not conducting": r.nothing(k), "resistor out of value": amps, "unlike part": shown}
            out.append(DropVerdict(
                name, d, expected, word, current.get(word, up_to),
                would if word.startswith("resistor") else None, float(q[k][list(_VERDICTS[word])].sum()),
                f"{head}: {says.format(would=would, re=re)}", _NEXT[word].format(re=re)))  # fmt: skip
    return out


def _trusted(q) -> bool:
    return bool((q[:, SOUND] + q[:, EXCHANGED] >= rule("conformity_good")).all())


def _expected(r: Rail, k: int, sound, off, other) -> tuple[Interval, Interval, str]:
    """Drop a sound position would show, current its junction takes whatever its resistor, and by what."""
    found = r.by_others(sound, k)
    if found is not None:
        return *found, ""
    re = float(r.re[k])
    alone = bool(np.delete(off, k).all())  # then it carries the whole rail
    if alone and other is not None:
        current, u = other
        u, by = K95 * sqrt(u * u + r.u_r**2), " by the other rail's current"
    else:
        current, u = r.wanted * (r.n if alone else 1), rule("drops_bias_band")
        by = " by the wanted idle current"
    centre, own = current * re, K95 * float(r.u_d[k])
    expected = Interval(centre, max(centre * (1 - u) - own, 0.0), centre * (1 + u) + own, "V")
    return expected, Interval(centre / re, expected.low / re, expected.high / re, "A"), by


def _undecided(r: Rail, k: int, q, head: str, expected, amps, shown, would, twins, both: bool) -> DropVerdict:
    """What it may be, likeliest first."""
    named, d, re = rule("drops_named"), float(r.d[k]), float(r.re[k])
    least = np.full(len(q), named)
    if r.lost[k]:  # off and shorted look alike, and no value can be told
        least[[OFF, SHORTED, VALUE]] = rule("drops_named_lost"), rule("drops_named_lost"), 2.0
    order = [int(kind) for kind in np.argsort(-q) if q[kind] >= least[kind]]
    may = "; or that ".join(_MAY[kind] for kind in order).format(would=would)
    text = f"{head}. It may be that {may}."
    wild = d > rule("drops_most")
    if wild:
        text = f"{head}: {_TOO_MUCH}. Repeat the reading."
    if twins:
        text += " It may as well be the other one: " + " or ".join(twins) + "."
    if not both and r.n == 1:
        text += " Alone, it cannot tell a wrong bias from a wrong resistor: measure the other rail too."
    up_to = Interval(0.0, 0.0, amps.high, "A")
    currents = {VALUE: amps, OPEN: replace(amps, low=0.0), OFF: Interval(0.0, 0.0, 0.0, "A"),
                SHORTED: up_to, UNKNOWN: up_to, MISREAD: up_to}  # fmt: skip
    likely = [currents.get(kind, shown) for kind in order]
    range_A = Interval(likely[0].value, min(i.low for i in likely), max(i.high for i in likely), "A")
    resistor = q[VALUE] + q[OPEN]
    look = _LOOK if q[OFF] + q[SHORTED] > resistor else _LIFT.format(re=re)
    return DropVerdict(head.split(": ")[0], d, expected, "undecided", None if wild else range_A,
                       would if resistor >= named else None, float(q.max()), text, look)  # fmt: skip


def _judge_bias(stage: Stage, rails: list[Rail], odds: Odds, ratio: Interval, words: set[str], dead: bool):
    """Verdict on the idle current, what to do about it, and the alarm or ''.

    A current that is surely too high is said to be, whatever else is wrong: turning it down hurts nothing.
    Anything else waits for the repair.
    """
    decides, band = rule("conformity_good"), rule("drops_bias_band")
    low, below_high = (float(x) for x in odds.below(np.array([1 - band, 1 + band])))
    high = 1 - below_high
    at = [100 * x for x in (ratio.value, ratio.low, ratio.high)]
    if dead and ratio.high < rule("drops_nothing"):
        return "too low", (
            f"The rail carries next to nothing (at most {at[2]:.1f} % of the wanted idle current). Find out "
            "why before anything is turned up."
        ), ""  # fmt: skip
    head = f"The rail carries {at[0]:.0f} % of the wanted idle current ({at[1]:.0f} to {at[2]:.0f} %): "
    if ratio.high > rule("drops_vague") * max(ratio.low, 0.01):
        head = (f"The rail's current is known only to lie between {at[1]:.0f} and {at[2]:.0f} % of the "
                "wanted idle current: ")  # fmt: skip
    words = words - {"as predicted"}
    unsure = words or odds.apart >= rule("conformity_bad")
    suspect = "fault" if words - {"undecided"} else "undecided" if unsure else ""
    word, alarm = "undecided", ""
    if high >= decides and ratio.low >= 1:
        word = "too high"
        says = "bias too high: turn it down before anything else."
        says += " Then find the fault, with the power off." if suspect else ""
        if ratio.low >= rule("drops_alarm"):
            current = ratio.value * stage.idle.total_A / stage.parallel
            says = "bias far too high: switch off."
            alarm = (
                f"Switch off now: the bias is far too high. Each device carries about {current:.2g} A at "
                f"idle, {ratio.value:.0f} times what is wanted, and turns about "
                f"{current * stage.idle.vce_V:.0f} W into heat without any signal. Find the cause with the "
                "power off, the bias transistor and its setting first; power up again through a series lamp."
            )
    elif suspect:
        first = "repair first" if suspect == "fault" else "find out first what is undecided"
        says = f"{first} and leave the bias as it is; never turn it up before that."
        if high >= rule("drops_may_be_high"):
            says += " It may be too high: turning it down meanwhile does no harm."
    elif low >= decides:
        word, says = "too low", "bias too low."
    elif 1 - low - high >= decides:
        word, says = "as predicted", f"as predicted, within {100 * band:.0f} %."
    else:
        says = (f"not clearly inside or outside {100 * band:.0f} % of it; measure the drops with a finer "
                "range, or the resistors.")  # fmt: skip
    return word, head + says + _between(rails, odds, suspect), alarm


def _between(rails: list[Rail], odds: Odds, suspect: str) -> str:
    """What the two rails say of each other."""
    if len(rails) < 2:
        return ""
    good = [_trusted(q) for q in odds.kinds]
    if odds.apart < rule("conformity_bad"):
        if good[0] != good[1]:
            one, other = _SIDES if good[0] else _SIDES[::-1]
            return f" This is by the {one}, whose drops agree; without a load the {other} carries the same."
        if not suspect:
            return ""
    a, b = (float((r.d / r.re).sum()) / r.idle.total_A for r in rails)
    own = np.concatenate([np.hypot(r.u_r * r.d, r.u_d) / r.re / r.idle.total_A for r in rails])
    tenth = rule("drops_rails_differ")
    if abs(a - b) <= K95 * float(np.sqrt((own**2).sum())) or abs(log(max(a, 1e-9) / max(b, 1e-9))) <= tenth:
        return ""
    return (
        f" The two rails differ ({100 * a:.0f} % and {100 * b:.0f} % by the resistors' values): "
        "without a load they carry the same current, so a resistor is off or current flows into the load, "
        "and it is undecided which rail to believe; measure the output's dc voltage."
    )


def _overall(verdicts, bias: str, odds: Odds) -> str:
    words = {v.verdict for v in verdicts}
    if words - {"as predicted", "undecided"} or odds.clean < 1 - rule("conformity_good"):
        return "fault"
    if "undecided" in words or odds.apart >= rule("conformity_bad"):
        return "undecided"
    return "bias" if bias in ("too high", "too low") else bias


def _against_wanted(v: DropVerdict, wanted_V: float, bias: str, alarm: bool) -> DropVerdict:
    """The verdict with the wanted drop beside it, and its own words where the bias is off.

    With the bias far too high, what the drops say of each other can wait.
    """
    head = f"{v.position}: {1000 * v.measured_V:.1f} mV where {1000 * wanted_V:.1f} mV is wanted"
    no_fault = v.verdict in ("as predicted", "undecided")
    if alarm and no_fault and v.measured_V >= rule("drops_alarm") * wanted_V:
        return replace(v, wanted_V=wanted_V, text=head + ".", next="")
    if bias in ("too high", "too low") and v.verdict == "as predicted":
        low, high = 1000 * v.expected_V.low, 1000 * v.expected_V.high
        says = f"{head}; it agrees with the others ({low:.1f} to {high:.1f} mV), so it is the bias."
        return replace(v, wanted_V=wanted_V, text=says)
    return replace(v, wanted_V=wanted_V)


def _swaps(rails: list[Rail], names, odds: Odds, verdicts) -> list[str]:
    """Two parts that seem to stand in each other's place, or that had better change places."""
    out = []
    for r, own, exchanged in zip(rails, names, odds.exchanged, strict=True):
        if exchanged is not None and exchanged[2] >= 0.5:
            i, j, p = exchanged
            word = "seem to stand" if p >= rule("conformity_good") else "may stand"
            out.append(f"{own[i]} and {own[j]} {word} in each other's place: with the two exchanged the "
                       "drops are as predicted.")  # fmt: skip
        elif r.n > 1 and all(v.verdict == "as predicted" for v in verdicts):
            at, order = replace(r.idle, re_ohm=tuple(r.re)), np.arange(r.n)
            pairs = [(i, j) for i in range(r.n) for j in range(i + 1, r.n)]
            orders = [order, *(np.where(order == i, j, np.where(order == j, i, order)) for i, j in pairs)]
            base, *sizes = (float(share(r.devices.take(x[None]), at).imbalance[0]) for x in orders)
            least, (i, j) = min(zip(sizes, pairs, strict=True))
            if least < base - rule("drops_better_place"):
                out.append(f"Exchanging {own[i]} and {own[j]} would bring the idle imbalance from "
                           f"{100 * base:.0f} % to {100 * least:.0f} %.")  # fmt: skip
    return out
