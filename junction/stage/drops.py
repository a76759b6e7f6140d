"""Measured drops across the emitter resistors, at idle, against what the stage should show.

All devices of a rail hang on one drive node, so each drop d with its own V_BE gives the same drive
voltage: z = d + V_BE(d/R).  A device whose z stands off the others' says that its resistor, its junction
or its path is not what it should be.  The other rail, in series with it, says what the sum must be.  What
is wrong is decided by probability in the manner of JCGM 106:2012: at least 95 % decides, less is
undecided, with what it may be and the measurement that would decide.
"""

from __future__ import annotations

from dataclasses import replace
from math import isfinite, sqrt

import numpy as np

from junction.base.errors import UsageError
from junction.base.records import Interval
from junction.stage.drops_alarm import against_wanted
from junction.stage.drops_bias import judge_bias
from junction.stage.drops_odds import EXCHANGED, OFF, OPEN, SOUND, Odds, fault_shares, weigh_faults
from junction.stage.drops_rail import BIAS_BAND, U_VBE_UNMATCHED_V, DropAsk, Rail
from junction.stage.drops_words import DECIDES, Position, judge_drop, word_for
from junction.stage.results import DropReport, DropVerdict, Stage
from junction.stage.sharing import Devices, drive_point, share

#: A drop under this share of the wanted one is no current to speak of; a rail current under the next one
#: is below what the meter sees.
_DEAD, _BLIND = 0.02, 0.02


def diagnose_drops(
    stage: Stage, ask: DropAsk, devices: Devices | None = None, drawn: Devices | None = None
) -> DropReport:
    """Compare measured drops with the prediction and name what is wrong.

    Parameters
    ----------
    stage : Stage
        With the emitter resistor of each position.
    ask : DropAsk
    devices, drawn : Devices, optional
        The parts in the order of the drops, fitted and drawn at idle; without them, unmatched parts.

    Returns
    -------
    DropReport

    Raises
    ------
    UsageError
        Drops that do not fit the stage.
    """
    n = stage.parallel
    count = len(ask.drops_V)
    if count not in (n, 2 * n):
        raise UsageError(
            f"{count} drops for {n} devices a rail: give {n} (one rail) or {2 * n} (upper rail first)"
        )
    if any(not isfinite(d) or d < 0 for d in ask.drops_V):
        raise UsageError("a drop must be zero or more: write magnitudes for both rails")
    re = _resistors(stage, count)
    if min(re) <= 0:
        raise UsageError("drops need emitter resistors: --emitter-resistor 0.22ohm")
    rails, names = [], []
    for rail in range(count // n):
        which = slice(rail * n, rail * n + n)
        own = None if devices is None else devices.take(np.arange(count)[which])
        rails.append(Rail(stage, ask, which, re[which], own, _u_vbe(stage, drawn, which, n)))
        names.append(_names(ask, rail, n, count))
    odds = weigh_faults(rails)
    ratio = _ratio(rails, odds)
    dead = [bool((r.d < np.maximum(3 * ask.u_floor_V, _DEAD * r.wanted * r.re)).all()) for r in rails]
    verdicts = []
    for rail, r in enumerate(rails):
        if all(dead) and (n > 1 or len(rails) > 1):
            verdicts += [_no_current(r, name, k) for k, name in enumerate(names[rail])]
        else:
            verdicts += _judge(rails, rail, names[rail], odds, ratio)
    bias, text, alarm = judge_bias(rails, odds, ratio, verdicts, all(dead))
    swaps = _swaps(rails, names, odds, verdicts) if devices is not None and not alarm else ()
    overall = "bias far too high" if alarm else _overall(verdicts, bias, odds)
    wanted = [float(r.wanted * ohm) for r in rails for ohm in r.re]
    return DropReport(
        tuple(against_wanted(verdicts, wanted, bias, bool(alarm))), bias, ratio, text, overall, swaps,
        _assumptions(ask, devices), alarm,
    )  # fmt: skip


def _resistors(stage: Stage, count: int) -> list[float]:
    re = stage.re_ohm
    if len(re) == 1:
        return list(re) * count
    return list(re) * (count // len(re)) if len(re) < count else list(re[:count])


def _u_vbe(stage: Stage, drawn: Devices | None, which: slice, n: int) -> np.ndarray:
    if drawn is None:
        return np.full(n, U_VBE_UNMATCHED_V)
    few = drawn.take(np.arange(which.start, which.stop))
    p = stage.idle
    v = drive_point(few, np.log(p.total_A / stage.parallel), p.vce_V, p.temp_C).vbe_V
    own = v - v.mean(axis=-1, keepdims=True) if n > 1 else v
    return np.broadcast_to(own.std(axis=0) * (sqrt(n / (n - 1)) if n > 1 else 1.0), (n,))


def _names(ask: DropAsk, rail: int, n: int, count: int) -> list[str]:
    side = "" if count == n else ("upper rail, ", "lower rail, ")[rail]
    out = []
    for k in range(n):
        part = ask.parts[rail * n + k] if ask.parts else ""
        out.append(f"{side}position {k + 1}" + (f" ({part})" if part else ""))
    return out


def _ratio(rails: list[Rail], odds: Odds) -> Interval:
    """Rail current over the wanted one, 95 %.

    With one rail measured, a lone drop or a drop lost may hide a current that only a guess of what is usual
    holds down: then 99 %.
    """
    lost = len(rails) == 1 and bool((rails[0].d <= 3 * rails[0].ask.u_floor_V).any())
    tail = 0.005 if lost or sum(len(r.d) for r in rails) == 1 else 0.025
    low, value, high = (odds.quantile(p) for p in (tail, 0.5, 1 - tail))
    return Interval(value, low if low > _BLIND else 0.0, high)


def _no_current(r: Rail, name: str, k: int) -> DropVerdict:
    nominal = r.wanted * float(r.re[k])
    expected = Interval(nominal, (1 - BIAS_BAND) * nominal, (1 + BIAS_BAND) * nominal, "V")
    text = (
        f"{name}: {1000 * r.d[k]:.1f} mV; no device conducts, so the bias or the drive is off, or something "
        "in series is open, rather than every device."
    )
    look = (
        "Measure the supply and its fuses first, then the voltage between the two drive nodes; with the "
        "power off, each junction in diode mode."
    )
    none = Interval(0.0, 0.0, float(3 * r.ask.u_floor_V / r.re[k]), "A")
    return DropVerdict(
        name, float(r.d[k]), expected, "not conducting", none, None, DECIDES, text, look
    )


def _judge(rails: list[Rail], rail: int, names, odds: Odds, ratio: Interval) -> list[DropVerdict]:
    """Verdict of every drop of one rail."""
    r, q = rails[rail], odds.kinds[rail]
    fine = q[:, SOUND] + q[:, EXCHANGED]
    suspects = [k for k in range(len(names)) if word_for(q[k]) == "undecided"]
    other = None
    if len(rails) == 2 and _trusted(odds.kinds[1 - rail]) and odds.apart < 0.05:
        o = rails[1 - rail]
        amps = o.d / o.re
        u = np.hypot(o.u_r * amps, o.u_d / o.re)
        other = (float(amps.sum()), float(sqrt((u**2).sum()) / max(amps.sum(), 1e-12)))
    out = []
    for k, name in enumerate(names):
        twins = [names[j].removeprefix("upper rail, ").removeprefix("lower rail, ")
                 for j in suspects if j != k and k in suspects]  # fmt: skip
        words = ""
        if twins:
            words = " It may as well be the other one: " + " or ".join(twins) + "."
        out.append(judge_drop(Position(r, name, k, q[k], fine >= 0.5, other, ratio,
                                       q[:, OFF] + q[:, OPEN] >= 0.5, words, len(rails) == 2)))  # fmt: skip
    return out


def _trusted(q) -> bool:
    return bool((q[:, SOUND] + q[:, EXCHANGED] >= DECIDES).all())


def _overall(verdicts, bias: str, odds: Odds) -> str:
    words = {v.verdict for v in verdicts}
    if words - {"as predicted", "undecided"} or odds.clean < 1 - DECIDES:
        return "fault"
    if "undecided" in words or odds.apart >= 0.05:
        return "undecided"
    if bias in ("too high", "too low"):
        return "bias"
    return bias


def _swaps(rails: list[Rail], names, odds: Odds, verdicts) -> tuple[str, ...]:
    """Two parts that seem to stand in each other's place, or that had better change places."""
    out = []
    for r, own, pair in zip(rails, names, odds.exchanged, strict=True):
        if pair.size > 1 and pair.max() >= 0.5:
            i, j = np.unravel_index(int(pair.argmax()), pair.shape)
            word = "seem to stand" if pair.max() >= DECIDES else "may stand"
            out.append(
                f"{own[i]} and {own[j]} {word} in each other's place: with the two exchanged the drops "
                "are as predicted."
            )
        elif len(r.d) > 1 and all(v.verdict == "as predicted" for v in verdicts):
            out += _better_places(r, own)
    return tuple(out)


def _better_places(r: Rail, names) -> list[str]:
    n, point = len(r.d), r.stage.idle
    at = replace(point, re_ohm=tuple(r.re))
    base = float(share(r.devices.take(np.arange(n)[None]), at).imbalance[0])
    gains = []
    for i in range(n):
        for j in range(i + 1, n):
            order = np.arange(n)
            order[[i, j]] = order[[j, i]]
            gains.append((float(share(r.devices.take(order[None]), at).imbalance[0]), i, j))
    least, i, j = min(gains)
    if least >= base - 0.02:
        return []
    return [
        f"Exchanging {names[i]} and {names[j]} would bring the idle imbalance from {100 * base:.0f} % to "
        f"{100 * least:.0f} %."
    ]


def _assumptions(ask: DropAsk, devices) -> tuple[str, ...]:
    out = [
        f"drops measured to {100 * ask.u_fraction * sqrt(3):.2g} % and "
        f"{1000 * ask.u_floor_V * sqrt(3):.2g} mV; "
        f"emitter resistors within {100 * ask.re_tolerance:.0f} %",
        "measured at idle, warmed up, without signal and without load",
    ]
    out.append(
        "what is likelier is weighed by guesses of how often it is met after a failure (common practice, no "
        f"source), of a hundred positions: {fault_shares()}"
    )
    if devices is None:
        out.append(
            f"the parts' curves were not given: V_BE taken to differ by {1000 * U_VBE_UNMATCHED_V:.0f} mV "
            "(standard deviation; common practice, no source)"
        )
    return tuple(out)
