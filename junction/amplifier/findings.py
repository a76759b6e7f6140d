"""Measured drops across the emitter resistors, at idle, against what the stage should show: the verdicts.

What is wrong is decided by probability in the manner of JCGM 106:2012: what is probable enough decides, less
is undecided, with what it may be and the measurement that would decide.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from math import exp, log

import numpy as np

from junction.amplifier.drops import FAULTS, Kind, Rail, prior, weigh_faults
from junction.amplifier.results import DropCause, DropReport, DropVerdict, Stage
from junction.amplifier.sharing import Devices, drive_point, share, spread_apart
from junction.base.errors import UsageError
from junction.base.records import Interval
from junction.base.units import NORMAL_95
from junction.judge.results import say
from junction.shelf.tables import records, rule

#: What decides a verdict, first come first served.
_VERDICTS = {
    "not conducting": [Kind.OFF], "resistor shorted": [Kind.SHORTED], "no drop": [Kind.OFF, Kind.SHORTED],
    "resistor open": [Kind.OPEN], "resistor out of value": [Kind.VALUE, Kind.OPEN],
    "unlike part": [Kind.ODD, Kind.STARVED, Kind.LEAKY],
}  # fmt: skip
#: Causes that the drops tell apart, and the kinds that are one cause for them.
_CAUSES = {
    "value": [Kind.VALUE], "open": [Kind.OPEN], "off": [Kind.OFF], "shorted": [Kind.SHORTED],
    "unlike": [Kind.ODD, Kind.STARVED, Kind.LEAKY], "misread": [Kind.MISREAD],
}  # fmt: skip
#: What to do about each cause: rows of the table of sentences, which stand there cheapest and safest first.
_STEPS = {
    "value": ("step_repeat", "step_resistor"), "open": ("step_resistor",), "misread": ("step_repeat",),
    "off": ("step_repeat", "step_base", "step_resistor"), "shorted": ("step_repeat", "step_resistor"),
    "unlike": ("step_base", "step_swap"), "unlike two": ("step_base", "step_swap"),
    "exchanged": ("step_marks",), "unknown": ("step_repeat",),
    "bypassed": ("step_output", "step_bridge"), "dead": ("step_rails", "step_output", "step_drive"),
    "dead alone": ("step_rails", "step_other", "step_drive", "step_bridge"),
    "apart": ("step_rails", "step_output"), "bias low": ("step_rails", "step_set"),
    "bias high": ("step_down", "step_swings"), "alone": ("step_other",),
}  # fmt: skip
#: The steps that turn the bias, and the verdict on it which alone allows that; after switching off, in order.
_TURNS = {"step_down": "too high", "step_set": "too low"}
_SWITCHED_OFF = (
    "step_off_minimum", "step_off_bias", "step_off_devices", "step_off_lamp", "step_off_read", "step_swings",
)  # fmt: skip
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
    re = (stage.re_ohm * count)[:count]
    if min(re) <= 0:
        raise UsageError("drops need emitter resistors: --emitter-resistor 0.22ohm")
    fraction, floor = accuracy or (rule("drops_accuracy"), rule("drops_floor"))
    floor, tolerance = max(floor, 1e-6), tolerance or rule("drops_tolerance")
    rails, names = [], []
    for at in range(0, count, n):
        which = slice(at, at + n)
        own = None if devices is None else devices.take(np.arange(count)[which])
        u_vbe = np.full(n, rule("drops_vbe_spread"))  # of each part beside the others of its rail
        if drawn is not None:
            few, p = drawn.take(np.arange(count)[which]), stage.idle
            v = drive_point(few, np.log(p.total_A / n), p.vce_V, p.temp_C).vbe_V
            u_vbe = np.hypot(v.std(axis=0) if n == 1 else spread_apart(v), rule("drops_vbe_mounted"))
        rails.append(Rail(stage.idle, drops_V[which], re[which], own, u_vbe, (fraction, floor), tolerance))
        tags = [f" ({part})" for part in parts[which]] or [""] * n
        side = "" if count == n else _SIDES[at // n] + ", "
        names.append([f"{side}position {k + 1}{tag}" for k, tag in enumerate(tags)])
    for one, other in zip(rails, rails[::-1], strict=True):
        one.across = other.d if len(rails) == 2 else one.across
    fault_shares = {kind.name.lower(): 100 * prior(kind) for kind in FAULTS}
    assumed = [
        say("drops_accuracy", percent=100 * fraction, floor=1000 * floor, tolerance=100 * tolerance),
        say("drops_idle"), say("drops_shares", **fault_shares),
    ]  # fmt: skip
    if devices is None:
        assumed.append(say("drops_unmatched", spread=1000 * rule("drops_vbe_spread")))
    return _Judgement(stage, rails, names).report(tuple(assumed))


class _Judgement:
    """Weighed drops on their way to words."""

    def __init__(self, stage: Stage, rails: list[Rail], names: list[list[str]]) -> None:
        self.stage, self.rails, self.names, self.odds = stage, rails, names, weigh_faults(rails)
        self.decides = rule("conformity_good")
        self.fine = [q[:, Kind.SOUND] + q[:, Kind.EXCHANGED] for q in self.odds.kinds]
        self.trusted = [bool((fine >= self.decides).all()) for fine in self.fine]
        self.apart = self.odds.apart >= 1 - self.decides
        dead, count = rule("drops_dead"), sum(r.n for r in rails)
        self.between_rails = ""
        self.dead = all((r.lost | (r.d < dead * r.wanted * r.re)).all() for r in rails)
        # with one rail measured, a lone drop or a drop lost may hide a current that only a guess of what is
        # usual holds down
        vague = len(rails) == 1 and (count == 1 or rails[0].lost.any())
        tail = (1 - rule("drops_coverage_lost")) / 2 if vague else 0.025
        low, value, high = (exp(self.odds.log_ratio.quantile(p)) for p in (tail, 0.5, 1 - tail))
        self.ratio = Interval(value, low if low > rule("drops_blind") else 0.0, high)
        #: how likely a whole rail is bypassed or dead
        self.whole = [a + b for a, b in zip(self.odds.bypassed, self.odds.dead, strict=True)]
        self.words = [[self.word(side, k) for k in range(r.n)] for side, r in enumerate(rails)]
        # what is off by little is measured before it is called anything
        firm = rule("drops_firm")
        for side, k in [(s, k) for s, r in enumerate(rails) for k in range(r.n)]:
            if self.words[side][k] == "resistor out of value":
                off = self.would(side, k)[1].value / rails[side].re[k]
                self.words[side][k] = _UNDECIDED if 1 / firm < off < firm else "resistor out of value"
        # alone on its rail a drop has the other rail's current to be held against, and nothing else
        for side, r in enumerate(self.rails):
            if r.n == 1 and len(self.rails) == 2 and self.words[side][0] == _QUIET:
                due, _, _ = self.expected(side, 0)
                if not due.low <= r.d[0] <= due.high:
                    self.words[side][0] = _UNDECIDED
        if self.dead and count > 1:
            self.words = [["not conducting"] * r.n for r in rails]

    def word(self, side: int, k: int) -> str:
        """Verdict of a position from the probabilities of its kinds."""
        q, whole = self.odds.kinds[side][k], self.whole[side]
        nothing = q[[Kind.OFF, Kind.SHORTED, Kind.MISREAD]].sum()
        if whole >= 1 - self.decides and not (whole < 0.5 and nothing >= self.decides):
            return "no drop" if max(whole, nothing) >= self.decides else _UNDECIDED
        if q[Kind.EXCHANGED] < 0.5 and q[Kind.SOUND] + q[Kind.EXCHANGED] >= self.decides:
            return _QUIET
        lost = [Kind.MISREAD] if self.rails[side].lost[k] else []
        may = {**_VERDICTS, "no drop": _VERDICTS["no drop"] + lost}
        found = next((word for word, kinds in may.items() if q[kinds].sum() >= self.decides), _UNDECIDED)
        if found == "unlike part" and (np.delete(self.fine[side], k) >= self.decides).sum() < 2:
            return _UNDECIDED  # of two that differ, either may be the odd one
        if len(self.rails) == 1 and found in ("not conducting", "resistor shorted"):
            return "no drop"  # which of the two, only the other rail's current can tell
        return found

    def report(self, assumptions: tuple[str, ...]) -> DropReport:
        """Everything in words."""
        bias, text, alarm = self.bias()
        if alarm:  # so hot, or oscillating, a stage says little of one position beside the others
            small = ("resistor out of value", "unlike part")
            self.words = [[_UNDECIDED if word in small else word for word in own] for own in self.words]
        places = [(side, k) for side, r in enumerate(self.rails) for k in range(r.n)]
        drops = [self.drop(*place, bias, bool(alarm) and len(places) > 1) for place in places]
        words = set().union(*self.words)
        if alarm:
            overall = "bias far too high"
        elif words - {_QUIET, _UNDECIDED} or self.odds.clean < 1 - self.decides:
            overall = "fault"
        elif _UNDECIDED in words or self.apart:
            overall = _UNDECIDED
        else:
            overall = "bias" if bias in ("too high", "too low") else bias
        swaps = () if alarm or self.rails[0].devices is None else tuple(self.swaps(words == {_QUIET}))
        causes = self.causes(bool(alarm))
        whole = [] if alarm or self.dead else list(self.of_rails())
        return DropReport(tuple(drops), bias, self.ratio, text, overall, swaps, assumptions, alarm,
                          causes, tuple(whole), self.steps(causes, overall, bias),
                          self.between_rails)  # fmt: skip

    def of_rails(self):
        """What is said of a whole rail that is bypassed or does not conduct."""
        for side, r in enumerate(self.rails):
            least = rule("drops_named")
            bypassed, dead = self.odds.bypassed[side] >= least, self.odds.dead[side] >= least
            if self.whole[side] > 1 - self.decides:
                yield say("drop_whole_rail", where=_SIDES[side] if len(self.rails) == 2 else "this rail",
                          drop=1000 * float(r.d.max()), wanted=1000 * float(r.wanted * r.re.max()),
                          bypassed=bypassed, both=bypassed and dead, dead=dead)  # fmt: skip

    def causes(self, alarm: bool) -> tuple[DropCause, ...]:
        """What may be wrong, likeliest first."""
        found = []

        def add(cause: str, where: str, p: float, **numbers) -> None:
            least = rule("drops_named")
            if p >= least:
                found.append(DropCause(where, f"cause_{cause.replace(' ', '_')}", cause, kept=1 - p,
                                       numbers={"where": where, **numbers}))  # fmt: skip

        if self.dead:
            add("dead alone" if len(self.rails) == 1 else "dead", "", self.decides)
            return tuple(found)
        band = rule("drops_bias_band")
        clean = float(self.odds.clean)
        low, below_high = self.odds.log_ratio.below(np.log([1 - band, 1 + band]))
        # of a bias beside a fault nobody knows whether it is more than what the fault does
        single = self.rails[0].n == 1
        add("bias low", "", clean * float(low), single=single)
        add("bias high", "", (1.0 if alarm else clean) * float(1 - below_high), single=single)
        if self.differ():
            add("apart", "", self.odds.apart - sum(self.odds.dead))  # a dead rail says so itself
        for side, (r, own) in enumerate(zip(self.rails, self.names, strict=True)):
            name = _SIDES[side] if len(self.rails) == 2 else "this rail"
            add("bypassed", name, self.odds.bypassed[side])
            add("dead", name, self.odds.dead[side])
            for k, where in enumerate(own):
                q, (amps, would) = self.odds.kinds[side][k].copy(), self.would(side, k)
                q[Kind.SHORTED] -= self.odds.bypassed[side]
                q[Kind.OFF] -= min(self.odds.dead[side], q[Kind.OFF])
                more = float(r.d[k] / r.re[k]) > amps.value
                for cause, kinds in _CAUSES.items():
                    add(cause, where, float(q[kinds].sum()), would=would, more=more, less=not more)
            if r.n == 2:  # that the two differ says of neither that it is the odd one
                unlike = [c for c in found if c.quantity == "unlike" and c.where in own]
                found[:] = [c for c in found if c not in unlike]
                if unlike:
                    add("unlike two", f"{name}, positions 1 and 2", min(sum(1 - c.kept for c in unlike), 1.0))
            pair = self.odds.exchanged[side]
            if pair is not None:
                i, j, p = pair
                add("exchanged", own[i], p, other=own[j])
        return tuple(sorted(found, key=lambda c: (c.quantity != "bias high" if alarm else False, c.kept)))

    def steps(self, causes, overall: str, bias: str) -> tuple[str, ...]:
        """What to do next for the causes, cheapest and safest first; nothing for a stage as predicted.

        A step turns the bias only where the verdict on it says so: the two are one order.
        """
        if overall == _QUIET:
            return ()
        places: dict[str, list[str]] = {}
        if overall == "bias far too high":
            places, causes = {step: [] for step in _SWITCHED_OFF}, ()
        elif bias == "too high":
            places["step_down"] = []
        for c in [c for k, c in enumerate(causes) if k == 0 or c.kept <= 1 - rule("drops_step")]:
            for step in _STEPS[c.quantity]:
                if _TURNS.get(step, bias) != bias:
                    continue
                places.setdefault(step, []).append(c.where)
        if len(self.rails) == 1 and self.rails[0].n == 1:
            places.setdefault("step_other", [])
        places = places or {"step_repeat": []}
        return tuple(
            say(step, places="; ".join(dict.fromkeys(filter(None, places[step])))
                if step in ("step_repeat", "step_resistor", "step_base", "step_swap", "step_marks") else "",
                wanted=1000 * self.rails[0].wanted * float(self.rails[0].re[0]))
            for step in records("sentences") if step in places
        )  # fmt: skip

    def bias(self) -> tuple[str, str, str]:
        """Verdict on the idle current, what to do about it, and the alarm or ''.

        A current that is surely too high is said to be, whatever else is wrong: turning it down hurts
        nothing.  Anything else waits for the repair.
        """
        ratio, band = self.ratio, rule("drops_bias_band")
        low, below_high = (float(x) for x in self.odds.log_ratio.below(np.log([1 - band, 1 + band])))
        high = 1 - below_high
        at = {"value": 100 * ratio.value, "low": 100 * ratio.low, "high": 100 * ratio.high}
        if self.dead and len(self.rails) == 1 and self.rails[0].n > 1:  # bypassed, it may carry anything
            return _UNDECIDED, say("bias_nothing_seen"), ""
        if self.dead and ratio.high < rule("drops_nothing"):
            return "too low", say("bias_nothing", high=at["high"]), ""
        vague = ratio.high > rule("drops_vague") * max(ratio.low, 0.01)
        words = set().union(*self.words) - {_QUIET}
        suspect = "fault" if words - {_UNDECIDED} else _UNDECIDED if words or self.apart else ""
        word, alarm, may = _UNDECIDED, "", ""
        if high >= self.decides and ratio.low >= 1:
            word, reason = "too high", "bias_too_high_fault" if suspect else "bias_too_high"
            if ratio.low >= rule("drops_alarm"):
                amps, reason = ratio.value * self.rails[0].wanted, "bias_far_too_high"
                alarm = say("bias_alarm", amps=amps, times=float(f"{ratio.value:.2g}"),
                            watts=amps * self.stage.idle.vce_V)  # fmt: skip
        elif suspect:
            reason = "bias_repair" if suspect == "fault" else "bias_find_out"
            may = say("bias_may_be_high") if high >= rule("drops_may_be_high") else ""
            may = say("bias_rails_first") if low >= self.decides else may
        elif low >= self.decides:
            word, reason = "too low", "bias_too_low"
        elif 1 - low - high >= self.decides:
            word, reason = _QUIET, "bias_as_predicted"
        else:
            reason = "bias_unclear"
        self.between_rails = self.between(suspect) if len(self.rails) == 2 else ""
        said = [say("bias_vague" if vague else "bias_carries", **at), say(reason, band=100 * band), may,
                self.between_rails]  # fmt: skip
        return word, " ".join(filter(None, said)), alarm

    def between(self, suspect: str) -> str:
        """What the two rails say of each other."""
        if not self.apart:
            if self.trusted[0] != self.trusted[1]:
                one, other = _SIDES if self.trusted[0] else _SIDES[::-1]
                return say("rails_one_trusted", one=one, other=other)
            if not suspect:
                return ""
        differ = None if max(self.whole) >= 0.5 else self.differ()  # then that is what is said
        return say("rails_differ", upper=100 * differ[0], lower=100 * differ[1]) if differ else ""

    def differ(self) -> tuple[float, float] | None:
        """Current of each rail by its resistors over the wanted one, where the two surely differ."""
        if len(self.rails) == 1:
            return None
        a, b = (float((r.d / r.re).sum()) / r.idle.total_A for r in self.rails)
        own = np.concatenate([np.hypot(r.u_r * r.d, r.u_d) / r.re / r.idle.total_A for r in self.rails])
        far = abs(log(max(a, 1e-9) / max(b, 1e-9))) > rule("drops_rails_differ")
        return (a, b) if far and abs(a - b) > NORMAL_95 * float(np.sqrt((own**2).sum())) else None

    def drop(self, side: int, k: int, bias: str, alarm: bool) -> DropVerdict:
        """Verdict on one drop."""
        r, word, q = self.rails[side], self.words[side][k], self.odds.kinds[side][k]
        d, re, wanted = float(r.d[k]), float(r.re[k]), float(r.wanted * r.re[k])
        expected, _, by = self.expected(side, k)
        amps, would = self.would(side, k)
        nothing = Interval(0.0, 0.0, float(rule("drops_lost") * r.u_floor / re), "A")
        margin = r.tolerance + rule("drops_shown_margin")
        shown = Interval(d / re, d / re * (1 - margin), d / re * (1 + margin), "A")
        name = self.names[side][k]
        mV = {
            "where": name, "drop": 1000 * d, "wanted": 1000 * wanted, "usual": 1000 * expected.value,
            "least": 1000 * expected.low, "most": 1000 * expected.high}  # fmt: skip
        more = d / re > amps.value
        numbers: dict = {
            "two": r.n == 2, "re": re, "more": more, "less": not more, "places": "", "would": would,
            "wanted_too": say("drop_wanted", **mV), "seen": say("drop_seen", by=by, **mV), **mV}  # fmt: skip
        wild = d > rule("drops_most")
        current: Interval | None = amps
        resistor: Interval | None = would
        if word == _QUIET:
            reason, sure, current = "drop_sound", self.fine[side][k], shown
            if bias in ("too high", "too low"):
                reason = "drop_sound_bias"
            elif r.n > 1 and max(would.high / re, re / would.low) > rule("drops_wide") * (1 + r.tolerance):
                reason = "drop_sound_blind"
        elif word != _UNDECIDED:
            kinds = _VERDICTS[word] + ([Kind.MISREAD] if word == "no drop" else [])
            reason, sure = f"drop_{word.replace(' ', '_')}", q[kinds].sum()
            if word == "resistor open" and wild:
                reason = "drop_wild"
            elif word == "not conducting" and self.dead:
                reason, sure = "drop_dead", self.decides
            elif self.whole[side] >= 0.5:
                reason = "drop_rail"
            elif word == "no drop" and r.n == 1 and len(self.rails) == 2:
                reason = "drop_no_drop_alone"
            resistor = would if word.startswith("resistor") else None
            current = {"not conducting": nothing, "resistor out of value": amps, "unlike part": shown}.get(
                word, replace(amps, low=0.0))  # fmt: skip
        else:
            reason, sure = "drop_undecided_wild" if wild else "drop_undecided", q.max()
            numbers["causes"], current, numbers["look"] = self.undecided(side, k, amps, shown, would)
            numbers["twins"] = " or ".join(
                x.split("rail, ")[-1] for j, x in enumerate(self.names[side])
                if j != k and self.words[side][j] == _UNDECIDED)  # fmt: skip
            numbers["alone"] = say("drop_alone") if len(self.rails) == 1 == r.n else ""
            current = None if wild else current
            resistor = would if q[Kind.VALUE] + q[Kind.OPEN] >= rule("drops_named") else None
        # with the bias far too high, what the drops say of each other can wait
        if alarm and word in (_QUIET, _UNDECIDED) and d >= rule("drops_alarm") * wanted:
            reason = "drop_waits"
        own = NORMAL_95 * float(r.u_d[k])
        return DropVerdict(
            name, reason, "drop_V", Interval(d, d - own, d + own, "V"), expected.low, expected.high, by,
            float(self.fine[side][k]), numbers, word, wanted, expected, current, resistor, float(sure),
        )  # fmt: skip

    def would(self, side: int, k: int) -> tuple[Interval, Interval]:
        """Current that a junction takes whatever its resistor [A], and what the resistor would have to be."""
        r, (_, amps, _) = self.rails[side], self.expected(side, k)
        # no more than the rail carries: that bounds what a drive voltage alone would give
        most, seen = self.ratio.high * r.idle.total_A, float(r.seen[k])
        low, value, high = (max(min(x, most), 1e-12) for x in (amps.low, amps.value, amps.high))
        return Interval(value, low, high, "A"), Interval(seen / value, seen / high, seen / low, "ohm")

    def undecided(self, side: int, k: int, amps: Interval, shown: Interval, would: Interval):
        """What a drop may come from, likeliest first, the current then [A], and the steps that decide."""
        r, q = self.rails[side], self.odds.kinds[side][k]
        more = float(r.d[k] / r.re[k]) > amps.value
        # the device, its base resistor and its joints look alike, and are looked at alike
        groups = {"unlike": _CAUSES["unlike"], **{kind.name.lower(): [kind] for kind in Kind
                                                  if kind not in _CAUSES["unlike"]}}  # fmt: skip
        share = {name: float(q[kinds].sum()) for name, kinds in groups.items()}
        least = dict.fromkeys(groups, rule("drops_named"))
        if r.lost[k]:  # off and shorted look alike, and no value can be told
            least |= {"off": rule("drops_named_lost"), "shorted": rule("drops_named_lost"), "value": 2.0}
        order = [name for name in sorted(groups, key=lambda x: -share[x]) if share[name] >= least[name]]
        causes = "; or that ".join(
            say(f"drop_may_{name}", would=would, more=more, less=not more) for name in order)  # fmt: skip
        zero = Interval(0.0, 0.0, 0.0, "A")
        currents = dict.fromkeys(("shorted", "unknown", "misread"), replace(zero, high=amps.high))
        currents |= {"value": amps, "open": replace(amps, low=0.0), "off": zero}
        likely = [currents.get(name, shown) for name in order]
        between = Interval(likely[0].value, min(i.low for i in likely), max(i.high for i in likely), "A")
        named = [name for name in order if name not in ("sound", "unknown")] or ["misread"]
        steps = {step for name in named[:2] for step in _STEPS[name]}
        look = " ".join(say(step, places="", wanted=0.0) for step in records("sentences") if step in steps)
        return causes, between, look

    def expected(self, side: int, k: int) -> tuple[Interval, Interval, str]:
        """Drop a sound position would show, current its junction takes whatever its resistor, and by what."""
        r, q, re = self.rails[side], self.odds.kinds[side], float(self.rails[side].re[k])
        dead = self.dead and self.words[side][k] == "not conducting"
        found = None if dead else r.by_others(self.fine[side] >= 0.5, k)
        if found is not None:
            return *found, ""
        # with all others off it carries the whole rail
        alone = not dead and bool(np.delete(q[:, Kind.OFF] + q[:, Kind.OPEN] >= 0.5, k).all())
        current, u = r.wanted * (r.n if alone else 1), rule("drops_bias_band")
        by = "drop_by_wanted"
        if alone and len(self.rails) == 2 and self.trusted[1 - side] and not self.apart:
            o = self.rails[1 - side]
            current = float((o.d / o.re).sum())
            u_A = float(np.sqrt((np.hypot(o.u_r * o.d, o.u_d) ** 2 / o.re**2).sum()))
            u = NORMAL_95 * float(np.hypot(u_A / max(current, 1e-12), r.u_r))
            by = "drop_by_other_rail"
        centre, own = current * re, 0.0 if dead else NORMAL_95 * float(r.u_d[k])
        expected = Interval(centre, max(centre * (1 - u) - own, 0.0), centre * (1 + u) + own, "V")
        return expected, Interval(centre / re, expected.low / re, expected.high / re, "A"), say(by)

    def swaps(self, all_quiet: bool):
        """Two parts that seem to stand in each other's place, or that had better change places."""
        for r, own, exchanged in zip(self.rails, self.names, self.odds.exchanged, strict=True):
            if exchanged is not None and exchanged[2] >= 0.5:
                i, j, p = exchanged
                yield say("swap_surely" if p >= self.decides else "swap_maybe", one=own[i], other=own[j])
            elif r.n > 1 and all_quiet:
                at, order = replace(r.idle, re_ohm=tuple(r.re)), np.arange(r.n)
                pairs = list(combinations(range(r.n), 2))
                orders = [order, *(np.where(order == i, j, np.where(order == j, i, order)) for i, j in pairs)]
                base, *sizes = (float(share(r.devices.take(x[None]), at).imbalance[0]) for x in orders)
                least, (i, j) = min(zip(sizes, pairs, strict=True))
                if least < base - rule("drops_better_place"):
                    yield say("swap_better", one=own[i], other=own[j], now=100 * base, then=100 * least)

