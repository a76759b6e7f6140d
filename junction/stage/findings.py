"""Measured drops across the emitter resistors, at idle, against what the stage should show: the verdicts.

What is wrong is decided by probability in the manner of JCGM 106:2012: what is probable enough decides, less
is undecided, with what it may be and the measurement that would decide.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from itertools import combinations
from math import isfinite, log, sqrt

import numpy as np

from junction.base.errors import UsageError
from junction.base.records import Interval
from junction.shelf.rules import rule
from junction.stage.drops import K95, Kind, Rail, prior, weigh_faults
from junction.stage.results import DropReport, DropVerdict, Stage
from junction.stage.sharing import Devices, drive_point, share

#: What decides a verdict, first come first served.
_VERDICTS = {
    "not conducting": [Kind.OFF], "resistor shorted": [Kind.SHORTED], "no drop": [Kind.OFF, Kind.SHORTED],
    "resistor open": [Kind.OPEN], "resistor out of value": [Kind.VALUE, Kind.OPEN], "unlike part": [Kind.ODD],
}  # fmt: skip
_QUIET, _UNDECIDED = "as predicted", "undecided"
_SIDES = ("upper rail", "lower rail")


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
    floor, tolerance = max(floor, 1e-6), tolerance or rule("drops_tolerance")
    rails, names = [], []
    for at in range(0, count, n):
        which = slice(at, at + n)
        own = None if devices is None else devices.take(np.arange(count)[which])
        u_vbe = _u_vbe(stage, drawn, which)
        rails.append(Rail(stage.idle, drops_V[which], re[which], own, u_vbe, (fraction, floor), tolerance))
        tags = [f" ({part})" for part in parts[which]] or [""] * n
        side = "" if count == n else _SIDES[at // n] + ", "
        names.append([f"{side}position {k + 1}{tag}" for k, tag in enumerate(tags)])
    shares = {Kind.VALUE: "resistors out of value", Kind.OPEN: "open", Kind.SHORTED: "shorted",
              Kind.OFF: "devices off", Kind.ODD: "part unlike the others"}  # fmt: skip
    assumed = [
        f"drops measured to {100 * fraction:.2g} % and {1000 * floor:.2g} mV; "
        f"emitter resistors within {100 * tolerance:.0f} %",
        "measured at idle, warmed up, without signal and without load",
        "what is likelier is weighed by guesses of how often it is met after a failure (common practice, no "
        "source), of a hundred positions: "
        + ", ".join(f"{100 * prior(kind):.0f} {word}" for kind, word in shares.items()),
    ]
    if devices is None:
        spread = 1000 * rule("drops_vbe_spread")
        assumed.append(f"the parts' curves were not given: V_BE taken to differ by {spread:.0f} mV "
                       "(standard deviation; common practice, no source)")  # fmt: skip
    return _Judgement(stage, rails, names).report(tuple(assumed))


def _u_vbe(stage: Stage, drawn: Devices | None, which: slice) -> np.ndarray:
    """Standard uncertainty of each part's V_BE beside the others of its rail [V]."""
    n, p = stage.parallel, stage.idle
    if drawn is None:
        return np.full(n, rule("drops_vbe_spread"))
    few = drawn.take(np.arange(which.start, which.stop))
    v = drive_point(few, np.log(p.total_A / n), p.vce_V, p.temp_C).vbe_V
    if n == 1:
        return v.std(axis=0)
    return (v - v.mean(axis=-1, keepdims=True)).std(axis=0) * sqrt(n / (n - 1))


class _Judgement:
    """Weighed drops on their way to words."""

    def __init__(self, stage: Stage, rails: list[Rail], names: list[list[str]]) -> None:
        self.stage, self.rails, self.names, self.odds = stage, rails, names, weigh_faults(rails)
        self.decides = rule("conformity_good")
        self.fine = [q[:, Kind.SOUND] + q[:, Kind.EXCHANGED] for q in self.odds.kinds]
        self.trusted = [bool((fine >= self.decides).all()) for fine in self.fine]
        self.apart = self.odds.apart >= rule("conformity_bad")
        dead, count = rule("drops_dead"), sum(r.n for r in rails)
        self.dead = all((r.lost | (r.d < dead * r.wanted * r.re)).all() for r in rails)
        # with one rail measured, a lone drop or a drop lost may hide a current that only a guess of what is
        # usual holds down
        vague = len(rails) == 1 and (count == 1 or rails[0].lost.any())
        tail = (1 - rule("drops_coverage_lost")) / 2 if vague else 0.025
        low, value, high = (self.odds.quantile(p) for p in (tail, 0.5, 1 - tail))
        self.ratio = Interval(value, low if low > rule("drops_blind") else 0.0, high)
        self.words = [[self.word(q) for q in own] for own in self.odds.kinds]
        if self.dead and count > 1:
            self.words = [["not conducting"] * r.n for r in rails]

    def word(self, q) -> str:
        """Verdict of a position from the probabilities of its kinds."""
        fine = q[Kind.SOUND] + q[Kind.EXCHANGED]
        suspicion = max(q[kind] for kind in Kind if kind not in (Kind.SOUND, Kind.EXCHANGED))
        quiet = fine >= rule("drops_fine") and suspicion < rule("drops_named")
        if q[Kind.EXCHANGED] < 0.5 and (fine >= self.decides or quiet):
            return _QUIET
        sure = (word for word, kinds in _VERDICTS.items() if q[kinds].sum() >= self.decides)
        found = next(sure, _UNDECIDED)
        if len(self.rails) == 1 and found in ("not conducting", "resistor shorted"):
            return "no drop"  # which of the two, only the other rail's current can tell
        return found

    def report(self, assumptions: tuple[str, ...]) -> DropReport:
        """Everything in words."""
        bias, text, alarm = self.bias()
        places = [(side, k) for side, r in enumerate(self.rails) for k in range(r.n)]
        drops = [self.drop(*place, bias, bool(alarm) and len(places) > 1) for place in places]
        words = {word for own in self.words for word in own}
        if alarm:
            overall = "bias far too high"
        elif words - {_QUIET, _UNDECIDED} or self.odds.clean < 1 - self.decides:
            overall = "fault"
        elif _UNDECIDED in words or self.apart:
            overall = _UNDECIDED
        else:
            overall = "bias" if bias in ("too high", "too low") else bias
        swaps = () if alarm or self.rails[0].devices is None else tuple(self.swaps(words == {_QUIET}))
        return DropReport(tuple(drops), bias, self.ratio, text, overall, swaps, assumptions, alarm)

    def bias(self) -> tuple[str, str, str]:
        """Verdict on the idle current, what to do about it, and the alarm or ''.

        A current that is surely too high is said to be, whatever else is wrong: turning it down hurts
        nothing.  Anything else waits for the repair.
        """
        ratio, band = self.ratio, rule("drops_bias_band")
        low, below_high = (float(x) for x in self.odds.below(np.array([1 - band, 1 + band])))
        high = 1 - below_high
        at = [100 * x for x in (ratio.value, ratio.low, ratio.high)]
        if self.dead and ratio.high < rule("drops_nothing"):
            return "too low", (
                f"The rail carries next to nothing (at most {at[2]:.1f} % of the wanted idle current). Find "
                "out why before anything is turned up."
            ), ""  # fmt: skip
        head = f"The rail carries {at[0]:.0f} % of the wanted idle current ({at[1]:.0f} to {at[2]:.0f} %): "
        if ratio.high > rule("drops_vague") * max(ratio.low, 0.01):
            head = (f"The rail's current is known only to lie between {at[1]:.0f} and {at[2]:.0f} % of the "
                    "wanted idle current: ")  # fmt: skip
        words = {word for own in self.words for word in own} - {_QUIET}
        unsure = words or self.apart
        suspect = "fault" if words - {_UNDECIDED} else _UNDECIDED if unsure else ""
        word, alarm = _UNDECIDED, ""
        if high >= self.decides and ratio.low >= 1:
            word = "too high"
            says = "bias too high: turn it down before anything else."
            says += " Then find the fault, with the power off." if suspect else ""
            if ratio.low >= rule("drops_alarm"):
                current = ratio.value * self.rails[0].wanted
                says = "bias far too high: switch off."
                alarm = (
                    f"Switch off now: the bias is far too high. Each device carries about {current:.2g} A at "
                    f"idle, {ratio.value:.0f} times what is wanted, and turns about "
                    f"{current * self.stage.idle.vce_V:.0f} W into heat without any signal. Find the cause "
                    "with the power off, the bias transistor and its setting first; power up again through a "
                    "series lamp."
                )
        elif suspect:
            first = "repair first" if suspect == "fault" else "find out first what is undecided"
            says = f"{first} and leave the bias as it is; never turn it up before that."
            if high >= rule("drops_may_be_high"):
                says += " It may be too high: turning it down meanwhile does no harm."
        elif low >= self.decides:
            word, says = "too low", "bias too low."
        elif 1 - low - high >= self.decides:
            word, says = _QUIET, f"as predicted, within {100 * band:.0f} %."
        else:
            says = (f"not clearly inside or outside {100 * band:.0f} % of it; measure the drops with a finer "
                    "range, or the resistors.")  # fmt: skip
        return word, head + says + (self.between(suspect) if len(self.rails) == 2 else ""), alarm

    def between(self, suspect: str) -> str:
        """What the two rails say of each other."""
        if not self.apart:
            if self.trusted[0] != self.trusted[1]:
                one, other = _SIDES if self.trusted[0] else _SIDES[::-1]
                return (f" This is by the {one}, whose drops agree; without a load the {other} carries the "
                        "same.")  # fmt: skip
            if not suspect:
                return ""
        a, b = (float((r.d / r.re).sum()) / r.idle.total_A for r in self.rails)
        own = np.concatenate([np.hypot(r.u_r * r.d, r.u_d) / r.re / r.idle.total_A for r in self.rails])
        far = abs(log(max(a, 1e-9) / max(b, 1e-9))) > rule("drops_rails_differ")
        if not far or abs(a - b) <= K95 * float(np.sqrt((own**2).sum())):
            return ""
        return (
            f" The two rails differ ({100 * a:.0f} % and {100 * b:.0f} % by the resistors' values): "
            "without a load they carry the same current, so a resistor is off or current flows into the "
            "load, and it is undecided which rail to believe; measure the output's dc voltage."
        )

    def drop(self, side: int, k: int, bias: str, alarm: bool) -> DropVerdict:
        """Verdict on one drop."""
        r, name, word = self.rails[side], self.names[side][k], self.words[side][k]
        q = self.odds.kinds[side][k]
        d, re, wanted = float(r.d[k]), float(r.re[k]), float(r.wanted * r.re[k])
        made = partial(DropVerdict, name, d, wanted_V=wanted)
        nothing = Interval(0.0, 0.0, float(rule("drops_lost") * r.u_floor / re), "A")
        if self.dead and word == "not conducting":
            band = rule("drops_bias_band")
            expected = Interval(wanted, (1 - band) * wanted, (1 + band) * wanted, "V")
            return made(expected, word, nothing, None, self.decides, f"{name}: {1000 * d:.1f} mV; {_DEAD[0]}",
                        _DEAD[1])  # fmt: skip
        expected, amps, by = self.expected(side, k)
        # no more than the rail carries: that bounds what a drive voltage alone would give
        most, seen = self.ratio.high * r.idle.total_A, float(r.seen[k])
        low, value, high = (max(min(x, most), 1e-12) for x in (amps.low, amps.value, amps.high))
        amps, would = Interval(value, low, high, "A"), Interval(seen / value, seen / high, seen / low, "ohm")
        margin = r.tolerance + rule("drops_shown_margin")
        shown = Interval(d / re, d / re * (1 - margin), d / re * (1 + margin), "A")
        head = (f"{name}: {1000 * d:.1f} mV, expected {1000 * expected.value:.1f} mV "
                f"({1000 * expected.low:.1f} to {1000 * expected.high:.1f} mV){by}")  # fmt: skip
        beside = f"{name}: {1000 * d:.1f} mV where {1000 * wanted:.1f} mV is wanted"
        wild = d > rule("drops_most")
        # with the bias far too high, what the drops say of each other can wait
        waits = alarm and d >= rule("drops_alarm") * wanted
        if word == _QUIET:
            text = head + "."
            if waits:
                text = beside + "."
            elif bias in ("too high", "too low"):
                text = (f"{beside}; it agrees with the others ({1000 * expected.low:.1f} to "
                        f"{1000 * expected.high:.1f} mV), so it is the bias.")  # fmt: skip
            elif r.n > 1 and max(would.high / re, re / would.low) > rule("drops_wide") * (1 + r.tolerance):
                text = f"{head}; any resistor of {would.low:.2g} to {would.high:.2g} ohm would look the same."
            return made(expected, word, shown, would, float(self.fine[side][k]), text)
        if word != _UNDECIDED:
            says, look = _SAYS[word if word != "resistor open" or not wild else "far too much"]
            current = {"not conducting": nothing, "resistor out of value": amps, "unlike part": shown}
            resistor = would if word.startswith("resistor") else None
            text = f"{head}: {says.format(would=would, re=re)}"
            return made(expected, word, current.get(word, replace(amps, low=0.0)), resistor,
                        float(q[_VERDICTS[word]].sum()), text, look.format(re=re))  # fmt: skip
        text, between, look = self.undecided(side, k, head, amps, shown, would)
        if wild:
            text, between = f"{head}: {_SAYS['far too much'][0]} Repeat the reading.", None
        twins = [x.split("rail, ")[-1] for j, x in enumerate(self.names[side])
                 if j != k and self.words[side][j] == _UNDECIDED]  # fmt: skip
        if twins:
            text += " It may as well be the other one: " + " or ".join(twins) + "."
        if len(self.rails) == 1 == r.n:
            text += " Alone, it cannot tell a wrong bias from a wrong resistor: measure the other rail too."
        if waits:
            text, look = beside + ".", ""
        resistor = would if q[Kind.VALUE] + q[Kind.OPEN] >= rule("drops_named") else None
        return made(expected, word, between, resistor, float(q.max()), text, look)

    def undecided(self, side: int, k: int, head: str, amps: Interval, shown: Interval, would: Interval):
        """What a drop may come from, likeliest first, the current then [A], and where to look."""
        r, q = self.rails[side], self.odds.kinds[side][k]
        least = np.full(len(Kind), rule("drops_named"))
        if r.lost[k]:  # off and shorted look alike, and no value can be told
            least[[Kind.OFF, Kind.SHORTED]], least[Kind.VALUE] = rule("drops_named_lost"), 2.0
        order = [Kind(kind) for kind in np.argsort(-q) if q[kind] >= least[kind]]
        may = "; or that ".join(_MAY[kind] for kind in order).format(would=would)
        zero = Interval(0.0, 0.0, 0.0, "A")
        currents = dict.fromkeys((Kind.SHORTED, Kind.UNKNOWN, Kind.MISREAD), replace(zero, high=amps.high))
        currents |= {Kind.VALUE: amps, Kind.OPEN: replace(amps, low=0.0), Kind.OFF: zero}
        likely = [currents.get(kind, shown) for kind in order]
        between = Interval(likely[0].value, min(i.low for i in likely), max(i.high for i in likely), "A")
        dead = q[Kind.OFF] + q[Kind.SHORTED] > q[Kind.VALUE] + q[Kind.OPEN]
        look = _LOOK if dead else _LIFT.format(re=float(r.re[k]))
        return f"{head}. It may be that {may}.", between, look

    def expected(self, side: int, k: int) -> tuple[Interval, Interval, str]:
        """Drop a sound position would show, current its junction takes whatever its resistor, and by what."""
        r, q, re = self.rails[side], self.odds.kinds[side], float(self.rails[side].re[k])
        found = r.by_others(self.fine[side] >= 0.5, k)
        if found is not None:
            return *found, ""
        # with all others off it carries the whole rail
        alone = bool(np.delete(q[:, Kind.OFF] + q[:, Kind.OPEN] >= 0.5, k).all())
        current, u = r.wanted * (r.n if alone else 1), rule("drops_bias_band")
        by = " by the wanted idle current"
        if alone and len(self.rails) == 2 and self.trusted[1 - side] and not self.apart:
            o = self.rails[1 - side]
            current = float((o.d / o.re).sum())
            u_A = float(np.sqrt((np.hypot(o.u_r * o.d, o.u_d) ** 2 / o.re**2).sum()))
            u = K95 * float(np.hypot(u_A / max(current, 1e-12), r.u_r))
            by = " by the other rail's current"
        centre, own = current * re, K95 * float(r.u_d[k])
        expected = Interval(centre, max(centre * (1 - u) - own, 0.0), centre * (1 + u) + own, "V")
        return expected, Interval(centre / re, expected.low / re, expected.high / re, "A"), by

    def swaps(self, all_quiet: bool):
        """Two parts that seem to stand in each other's place, or that had better change places."""
        for r, own, exchanged in zip(self.rails, self.names, self.odds.exchanged, strict=True):
            if exchanged is not None and exchanged[2] >= 0.5:
                i, j, p = exchanged
                word = "seem to stand" if p >= self.decides else "may stand"
                yield (f"{own[i]} and {own[j]} {word} in each other's place: with the two exchanged the "
                       "drops are as predicted.")  # fmt: skip
            elif r.n > 1 and all_quiet:
                at, order = replace(r.idle, re_ohm=tuple(r.re)), np.arange(r.n)
                pairs = list(combinations(range(r.n), 2))
                orders = [order, *(np.where(order == i, j, np.where(order == j, i, order)) for i, j in pairs)]
                base, *sizes = (float(share(r.devices.take(x[None]), at).imbalance[0]) for x in orders)
                least, (i, j) = min(zip(sizes, pairs, strict=True))
                if least < base - rule("drops_better_place"):
                    yield (f"Exchanging {own[i]} and {own[j]} would bring the idle imbalance from "
                           f"{100 * base:.0f} % to {100 * least:.0f} %.")  # fmt: skip


_OFF_WORDS = "the device does not conduct (open junction, open base resistor, a joint not made)"
_SHORT_WORDS = "its emitter resistor is shorted and the device carries a current nobody can read here"
_LOOK = (
    "Power off, discharged: repeat the reading on the resistor's own leads, measure the resistor, then "
    "base to emitter in diode mode."
)
_LIFT = "Power off, discharged: lift one end of the {re:g} ohm resistor and measure it."
#: What each verdict says of a drop, and what to do next.
_SAYS = {
    "not conducting": (_OFF_WORDS + "; less likely, its emitter resistor is shorted.", _LOOK),
    "resistor shorted": (_SHORT_WORDS + "; less likely, the device does not conduct.", _LOOK),
    "no drop": (f"{_OFF_WORDS}, or {_SHORT_WORDS}; this drop alone cannot tell the two apart.", _LOOK),
    "resistor open": ("the resistor is open, or its joint is; the device's emitter hangs free.", _LIFT),
    "far too much": (
        "more than a driven emitter resistor can show: it is open, or the device is shorted from collector "
        "to emitter, or the meter was not across the resistor.", _LIFT,
    ),
    "resistor out of value": (
        "the resistor behaves like {would.value:.2g} ohm ({would.low:.2g} to {would.high:.2g}) instead of "
        "{re:g}.", _LIFT,
    ),
    "unlike part": (
        "the part's V_BE is unlike the others': another type, damaged, or its base resistor.",
        "Power off, discharged: measure base to emitter of each device in diode mode.",
    ),
}  # fmt: skip
_DEAD = (
    "no device conducts, so the bias or the drive is off, or something in series is open, rather than every "
    "device.",
    "Measure the supply and its fuses first, then the voltage between the two drive nodes; with the power "
    "off, each junction in diode mode.",
)
#: What an undecided drop may come from.
_MAY = {
    Kind.VALUE: "its resistor is out of value ({would.low:.2g} to {would.high:.2g} ohm would fit)",
    Kind.OPEN: "its resistor is open", Kind.OFF: _OFF_WORDS, Kind.SHORTED: _SHORT_WORDS,
    Kind.ODD: "the part does not belong to the set", Kind.MISREAD: "the reading is wrong",
    Kind.EXCHANGED: "two parts have changed places", Kind.UNKNOWN: "more than two things are wrong",
    Kind.SOUND: "nothing is wrong here",
}  # fmt: skip
