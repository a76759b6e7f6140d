"""Drops seen against the wanted idle current, and the alarm where it is passed by far."""

from __future__ import annotations

from dataclasses import replace

from junction.base.records import Interval
from junction.stage.results import DropVerdict, Stage

#: Idle current over the wanted one, surely, at which the amplifier is switched off before anything else is
#: looked at; common practice, no source.
FAR_TOO_HIGH = 2.0
#: Verdicts that are no fault of the device or its resistor.
_NO_FAULT = ("as predicted", "undecided")


def alarm_text(stage: Stage, bias: str, ratio: Interval) -> str:
    """What to do at once, or '' where nothing presses."""
    if bias != "too high" or not ratio.low >= FAR_TOO_HIGH:
        return ""
    current = ratio.value * stage.idle.total_A / stage.parallel
    watts = current * stage.idle.vce_V
    return (
        f"Switch off now: the bias is far too high. Each device carries about {current:.2g} A at idle, "
        f"{ratio.value:.0f} times what is wanted, and turns about {watts:.0f} W into heat without any "
        "signal. Find the cause with the power off, the bias transistor and its setting first; power up "
        "again through a series lamp."
    )


def against_wanted(
    verdicts: list[DropVerdict], wanted_V: list[float], bias: str, alarm: bool
) -> list[DropVerdict]:
    """The verdicts with the wanted drop beside each; its own words where the bias is off.

    Parameters
    ----------
    verdicts : list of DropVerdict
    wanted_V : list of float
        Drop at the wanted idle current, one a position [V].
    bias : str
        Verdict on the bias.
    alarm : bool
        The bias is far too high: what the drops say of each other can wait.
    """
    out = []
    for v, wanted in zip(verdicts, wanted_V, strict=True):
        head = f"{v.position}: {1000 * v.measured_V:.1f} mV where {1000 * wanted:.1f} mV is wanted"
        changes: dict = {"wanted_V": wanted}
        all_high = alarm and len(verdicts) > 1 and v.measured_V >= FAR_TOO_HIGH * wanted
        if all_high and v.verdict in _NO_FAULT:
            changes |= {"text": head + ".", "next": ""}
        elif bias in ("too high", "too low") and v.verdict == "as predicted":
            low, high = (1000 * x for x in (v.expected_V.low, v.expected_V.high))
            changes["text"] = (
                f"{head}; it agrees with the others ({low:.1f} to {high:.1f} mV), so it is the bias."
            )
        out.append(replace(v, **changes))
    return out
