"""The idle current of the rails, and what to do about the bias."""

from __future__ import annotations

import numpy as np

from junction.base.records import Interval
from junction.stage.drops_alarm import alarm_text
from junction.stage.drops_odds import EXCHANGED, SOUND, Odds
from junction.stage.drops_rail import BIAS_BAND, Rail
from junction.stage.drops_words import DECIDES, differ

#: Less than this share of the wanted current is none to speak of.
_NOTHING = 0.1
_SIDES = ("upper", "lower")


def judge_bias(rails: list[Rail], odds: Odds, ratio: Interval, verdicts, dead: bool):
    """Verdict on the idle current and its sentences.

    A current that is surely too high is said to be, whatever else is wrong: turning it down hurts nothing.
    Anything else waits for the repair.

    Parameters
    ----------
    rails : list of Rail
    odds : Odds
    ratio : Interval
        Rail current over the wanted one.
    verdicts : sequence of DropVerdict
    dead : bool
        No drop to speak of anywhere.

    Returns
    -------
    tuple of str
        'as predicted', 'too high', 'too low' or 'undecided'; the text; the alarm, or ''.
    """
    low, below_high = (float(x) for x in odds.below(np.array([1 - BIAS_BAND, 1 + BIAS_BAND])))
    high = 1 - below_high
    head = (
        f"The rail carries {100 * ratio.value:.0f} % of the wanted idle current "
        f"({100 * ratio.low:.0f} to {100 * ratio.high:.0f} %): "
    )
    if ratio.high > 2 * max(ratio.low, 0.01):
        head = (
            f"The rail's current is known only to lie between {100 * ratio.low:.0f} and "
            f"{100 * ratio.high:.0f} % of the wanted idle current: "
        )
    words = {v.verdict for v in verdicts} - {"as predicted"}
    suspect = "fault" if words - {"undecided"} else "undecided" if words or odds.apart >= 0.05 else ""
    if dead and ratio.high < _NOTHING:
        return "too low", (
            f"The rail carries next to nothing (at most {100 * ratio.high:.1f} % of the wanted idle "
            "current). Find out why before anything is turned up."
        ), ""
    word = _word(low, high if ratio.low >= 1 else min(high, 0.9), suspect)
    alarm = alarm_text(rails[0].stage, word, ratio)
    advice = "bias far too high: switch off." if alarm else _advice(word, suspect, high)
    return word, head + advice + _between(rails, odds, suspect), alarm


def _word(low: float, high: float, suspect: str) -> str:
    if high >= DECIDES:
        return "too high"
    if suspect:
        return "undecided"
    if low >= DECIDES:
        return "too low"
    return "as predicted" if 1 - low - high >= DECIDES else "undecided"


def _advice(word: str, suspect: str, high: float) -> str:
    if word == "too high":
        return "bias too high: turn it down before anything else." + (
            " Then find the fault, with the power off." if suspect else "")  # fmt: skip
    if suspect:
        may = " It may be too high: turning it down meanwhile does no harm." if high >= 0.2 else ""
        first = "repair first" if suspect == "fault" else "find out first what is undecided"
        return f"{first} and leave the bias as it is; never turn it up before that.{may}"
    if word == "too low":
        return "bias too low."
    if word == "as predicted":
        return f"as predicted, within {100 * BIAS_BAND:.0f} %."
    return (
        f"not clearly inside or outside {100 * BIAS_BAND:.0f} % of it; measure the drops with a finer range, "
        "or the resistors."
    )


def _between(rails: list[Rail], odds: Odds, suspect: str) -> str:
    """What the two rails say of each other."""
    if len(rails) < 2:
        return ""
    good = [bool((q[:, SOUND] + q[:, EXCHANGED] >= DECIDES).all()) for q in odds.kinds]
    if odds.apart < 0.05:
        if good[0] != good[1]:
            k = good.index(True)
            return (
                f" This is by the {_SIDES[k]} rail, whose drops agree; without a load the {_SIDES[1 - k]} "
                "rail carries the same."
            )
        if not suspect:
            return ""
    sums = [float((r.d / r.re).sum()) / r.stage.idle.total_A for r in rails]
    own = [np.hypot(r.u_r * r.d, r.u_d) / r.re / r.stage.idle.total_A for r in rails]
    if not differ(sums[0], sums[1], float(np.sqrt((np.concatenate(own) ** 2).sum()))):
        return ""
    return (
        f" The two rails differ ({100 * sums[0]:.0f} % and {100 * sums[1]:.0f} % by the resistors' values): "
        "without a load they carry the same current, so a resistor is off or current flows into the load, "
        "and it is undecided which rail to believe; measure the output's dc voltage."
    )
