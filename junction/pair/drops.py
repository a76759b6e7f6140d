"""Measured drops across the emitter resistors, at idle, against what the stage should show.

All devices of a rail hang on one drive node, so each drop d with its own V_BE gives the same drive
voltage: z = d + V_BE(d/R).  A device whose z stands off the others' says that its resistor, its junction
or its path is not what it should be.  Taking the junction as known, the current that makes z agree gives
the value the resistor would have: R' = d/I'.  Whether the resistor is out of value is decided by the
probability of that against the parts' own differences, in the manner of JCGM 106:2012: at least 95 %
decides, less is undecided, with the measurement that would decide.
"""

from __future__ import annotations

from math import isfinite, log, sqrt

import numpy as np

from junction.base.errors import UsageError
from junction.base.records import Interval
from junction.pair.curves import Devices, drive_point
from junction.pair.drops_alarm import against_wanted, alarm_text
from junction.pair.drops_lone import judge_lone
from junction.pair.drops_rail import (
    BIAS_BAND,
    K95,
    U_VBE_UNMATCHED_V,
    DropAsk,
    Rail,
    agreeing,
    fault_probability,
    misfit,
    phi,
    reference_drive,
)
from junction.pair.results import DropReport, DropVerdict, Stage
from junction.pair.sharing import share

#: A resistor that would have to be so many times its value is open.
_OPEN = 15.0
#: A drop under this share of the expected one is no current at all.
_DEAD = 0.1
_TURN_DOWN = "bias too high: turn it down before anything else."


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
    verdicts: list[DropVerdict] = []
    ratios, swaps = [], []
    rails, names_of = [], []
    for rail in range(count // n):
        which = slice(rail * n, rail * n + n)
        own = None if devices is None else devices.take(np.arange(count)[which])
        rails.append(Rail(stage, ask, which, re[which], own, _u_vbe(stage, drawn, which, n)))
        names_of.append(_names(ask, rail, n, count))
    lone = judge_lone(rails, [names[0] for names in names_of]) if n == 1 else []
    for rail, (r, names) in enumerate(zip(rails, names_of, strict=True)):
        own = r.devices
        found = [lone[rail]] if lone else _judge(r, names)
        verdicts += found
        ratios.append(_bias_ratio(r, found))
        swaps += _swaps(r, names, found) if own is not None else []
    faulty = any(v.verdict not in ("as predicted", "undecided") for v in verdicts)
    bias, ratio, text = _bias(ratios, faulty)
    alarm = alarm_text(stage, bias, ratio)
    if alarm:
        text = text.replace(_TURN_DOWN, "bias far too high: switch off.")
    wanted = [float(r.wanted * ohm) for r in rails for ohm in r.re]
    return DropReport(
        tuple(against_wanted(verdicts, wanted, bias, bool(alarm))), bias, ratio, text,
        "bias far too high" if alarm else _overall(verdicts, bias), () if alarm else tuple(swaps),
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


def _judge(r: Rail, names) -> list[DropVerdict]:
    """Verdict of every drop of one rail."""
    n = len(r.d)
    z, u = r.drive()
    nominal = r.wanted * r.re
    # drops that say nothing of the drive voltage must not be the yardstick for the others
    dead = r.d < np.maximum(_DEAD * np.median(r.d), 3 * r.ask.u_floor_V) if np.any(r.d > 0) else r.d >= 0
    dead |= r.d < _DEAD * np.minimum(nominal, r.d.max()) if n > 1 else r.d < _DEAD * nominal
    high = (r.d > 5 * np.maximum(np.median(r.d), nominal)) & (r.d > 0.1)
    sound = agreeing(r, z, u, np.flatnonzero(~(dead | high)))
    out = []
    for k in range(n):
        others = sound[sound != k]
        reference, u_ref, _ = reference_drive(r, z, u, others, k)
        expected = r.expected(reference, u_ref, k)
        if dead[k]:
            out.append(_dead(r, names[k], k, expected, alone=bool(dead.all())))
        else:
            out.append(_resistor(r, names[k], k, reference, u_ref, expected, others.size))
    return out


def _dead(r: Rail, name: str, k: int, expected: Interval, *, alone: bool) -> DropVerdict:
    text = (
        f"{name}: {1000 * r.d[k]:.1f} mV where about {1000 * expected.value:.0f} mV was to be expected: "
        "this device does not conduct (open junction, open base resistor, a joint not made), or its emitter "
        "resistor is shorted."
    )
    if alone and len(r.d) > 1:
        text = (
            f"{name}: no device of this rail conducts, so the bias or the drive is off rather than "
            "every device."
        )
    return DropVerdict(
        name, float(r.d[k]), expected, "not conducting",
        Interval(0.0, 0.0, 3 * r.ask.u_floor_V / r.re[k], "A"),
        None, 0.95, text, "Power off, discharged: measure the emitter resistor, then base to emitter "
                          "in diode mode.",
    )  # fmt: skip


def _resistor(
    r: Rail, name: str, k: int, reference: float, u_ref: float, expected: Interval, n_others: int
) -> DropVerdict:
    """What the resistor would have to be, and whether that is out of its tolerance."""
    n = len(r.d)
    left = np.full(n, reference - r.d[k])
    u = sqrt(u_ref**2 + float(r.u_vbe[k]) ** 2 + float(r.u_d[k]) ** 2)
    current = float(r.current_at(left)[k])
    ends = [float(r.current_at(left + s * K95 * u)[k]) for s in (-1, 1)]
    implied = float(r.d[k]) / current
    spread = log(ends[1] / ends[0]) / (2 * K95)
    re, tol = float(r.re[k]), r.ask.re_tolerance
    out_of = fault_probability(log(implied / re), sqrt(spread**2 + r.u_r**2))
    resistor = Interval(implied, float(r.d[k]) / ends[1], float(r.d[k]) / ends[0], "ohm")
    amps = Interval(current, *ends, "A")
    measured = float(r.d[k])
    inside = expected.low <= measured <= expected.high
    said = f"{name}: {1000 * measured:.1f} mV, expected {1000 * expected.value:.1f} mV"
    span = f" ({1000 * expected.low:.1f} to {1000 * expected.high:.1f} mV)"
    if inside:
        shown = Interval(measured / re, *(measured / re * (1 + s * (tol + 0.01)) for s in (-1, 1)), "A")
        return DropVerdict(
            name, measured, expected, "as predicted", shown, None, 1 - out_of, said + span + "."
        )
    lift = f"Power off, discharged: lift one end of the {re:g} ohm resistor and measure it."
    if implied > _OPEN * re and out_of > 0.95:
        text = said + ": the resistor is open, or its joint is; the device's emitter hangs free."
        return DropVerdict(name, measured, expected, "resistor open", amps, resistor, out_of, text, lift)
    word = "higher" if implied > re else "lower"
    value = (
        f"the resistor behaves like {implied:.2g} ohm ({resistor.low:.2g} to {resistor.high:.2g}) "
        f"instead of {re:g}"
    )
    if out_of >= 0.95 and n_others >= 2:
        text = (
            f"{said}{span}: {value}, {word} than its tolerance allows; or this part does not belong "
            "to the set."
        )
        return DropVerdict(
            name, measured, expected, "resistor out of value", amps, resistor, out_of, text, lift
        )
    text = f"{said}{span}: {value}, or this part does not belong to the set"
    text += "." if n_others >= 2 else "; with two devices, it may as well be the other one."
    return DropVerdict(name, measured, expected, "undecided", amps, resistor, out_of, text, lift)


def _bias_ratio(r: Rail, verdicts) -> tuple[float, float]:
    """Rail current over the wanted one, with its standard uncertainty; nan where no drop can be trusted."""
    current = u2 = 0.0
    for k, v in enumerate(verdicts):
        own = float(r.d[k] / r.re[k])
        u = own * sqrt(r.u_r**2 + (float(r.u_d[k]) / max(float(r.d[k]), 1e-9)) ** 2)
        if v.verdict == "not conducting":
            own = u = 0.0
        elif v.verdict != "as predicted" and v.current_A is not None:
            # the drop says nothing of this current, only the junction does
            own, u = v.current_A.value, (v.current_A.high - v.current_A.low) / (2 * K95)
        current, u2 = current + own, u2 + u * u
    total = r.stage.idle.total_A
    return current / total, sqrt(u2) / total


def _bias(ratios, faulty: bool) -> tuple[str, Interval, str]:
    """Verdict on the idle current, the better known rail first in weight."""
    # a rail without any current says nothing while the other one has some
    used = [(q, s) for q, s in ratios if q > 0] or ratios
    weight = [1 / max(s, 1e-4) ** 2 for _, s in used]
    value = sum(w * q for w, (q, _) in zip(weight, used, strict=True)) / sum(weight)
    u = sqrt(1 / sum(weight))
    interval = Interval(value, max(value - K95 * u, 0.0), value + K95 * u)
    low = phi((1 - BIAS_BAND - value) / u)
    high = 1 - phi((1 + BIAS_BAND - value) / u)
    word = "undecided"
    if low >= 0.95:
        word = "too low"
    elif high >= 0.95:
        word = "too high"
    elif 1 - low - high >= 0.95:
        word = "as predicted"
    text = (
        f"The rail carries {100 * value:.0f} % of the wanted idle current "
        f"({100 * interval.low:.0f} to {100 * interval.high:.0f} %): "
    )
    text += {
        "too low": "bias too low.", "too high": _TURN_DOWN,
        "as predicted": f"as predicted, within {100 * BIAS_BAND:.0f} %.",
        "undecided": f"not clearly inside or outside {100 * BIAS_BAND:.0f} % of it; measure the drops with "
                     "a finer range, or the resistors.",
    }[word]  # fmt: skip
    if faulty and word != "too high":
        text += " Clear the fault first, then set the bias."
    if len(ratios) == 2:
        (a, ua), (b, ub) = ratios
        if abs(a - b) > K95 * sqrt(ua * ua + ub * ub) and abs(a - b) > 0.1 * (a + b):
            text += (
                f" The two rails differ ({100 * a:.0f} % and {100 * b:.0f} %): without a load they carry the "
                "same current, so a resistor is off or current flows into the load; measure the "
                "output's dc voltage."
            )
    return word, interval, text


def _overall(verdicts, bias: str) -> str:
    words = {v.verdict for v in verdicts}
    if words - {"as predicted", "undecided"}:
        return "fault"
    if "undecided" in words:
        return "undecided"
    if bias in ("too high", "too low"):
        return "bias"
    return bias


def _swaps(r: Rail, names, found) -> list[str]:
    """Two parts that seem to stand in each other's place, or that had better change places."""
    n = len(r.d)
    if n < 2 or any(v.verdict == "not conducting" or v.verdict == "resistor open" for v in found):
        return []
    out = []
    own = misfit(r, np.arange(n))
    best, pair = own, None
    for i in range(n):
        for j in range(i + 1, n):
            order = np.arange(n)
            order[[i, j]] = order[[j, i]]
            now = misfit(r, order)
            if now < best:
                best, pair = now, (i, j)
    from scipy.special import chdtrc

    if pair is not None and own - best > 6.0 and chdtrc(n - 1, own) < 0.05:
        out.append(
            f"{names[pair[0]]} and {names[pair[1]]} seem to stand in each other's place: with the two "
            "exchanged "
            "the drops are as predicted."
        )
    point = r.stage.idle
    at = type(point)(point.name, point.total_A, point.vce_V, point.temp_C, tuple(r.re), point.rb_ohm)
    base = float(share(r.devices.take(np.arange(n)[None]), at).imbalance[0])
    gains = []
    for i in range(n):
        for j in range(i + 1, n):
            order = np.arange(n)
            order[[i, j]] = order[[j, i]]
            gains.append((float(share(r.devices.take(order[None]), at).imbalance[0]), i, j))
    least, i, j = min(gains)
    if least < base - 0.02:
        out.append(
            f"Exchanging {names[i]} and {names[j]} would bring the idle imbalance from {100 * base:.0f} % "
            f"to {100 * least:.0f} %."
        )
    return out


def _assumptions(ask: DropAsk, devices) -> tuple[str, ...]:
    out = [
        f"drops measured to {100 * ask.u_fraction * sqrt(3):.2g} % and "
        f"{1000 * ask.u_floor_V * sqrt(3):.2g} mV; "
        f"emitter resistors within {100 * ask.re_tolerance:.0f} %",
        "measured at idle, warmed up, without signal and without load",
    ]
    if devices is None:
        out.append(
            f"the parts' curves were not given: V_BE taken to differ by {1000 * U_VBE_UNMATCHED_V:.0f} mV "
            "(standard deviation; common practice, no source)"
        )
    return tuple(out)
