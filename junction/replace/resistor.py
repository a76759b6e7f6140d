"""What a reading says of a resistor in place, and what its tolerance does where it shares or senses."""

from __future__ import annotations

from math import ceil, hypot, isinf, isnan, log10, nan, sqrt

import numpy as np

from junction.base.units import NORMAL_95_ONE_SIDED, REFERENCE_TEMP_C, thermal_voltage
from junction.judge.mixture import conformity
from junction.judge.results import next_step, say
from junction.replace.results import ResistorVerdict, SharingEffect
from junction.shelf.tables import rule, rules


def sharing_effect(
    ohm: float, tolerance: float, current_A: float, temp_C: float = REFERENCE_TEMP_C
) -> SharingEffect:
    """What a tolerance does to two equal devices in parallel, and to a trip point.

    Two emitter resistors at opposite ends of their tolerance, equal junctions, one drive:
    ``I1 R1 + VT ln I1 = I2 R2 + VT ln I2`` with ``I1 + I2 = 2 current_A``.

    Parameters
    ----------
    ohm : float
        Nominal emitter (or sense) resistor [ohm].
    tolerance : float
        [1]
    current_A : float
        Mean current of one device; also the current a protection trips at [A].
    temp_C : float
        Junction temperature [degC].
    """
    vt = thermal_voltage(temp_C)
    low_R, high_R = ohm * (1 - tolerance), ohm * (1 + tolerance)
    low, high = 0.0, 1.0  # of (I1 - I2)/(I1 + I2), I1 through the smaller resistor
    for _ in range(80):  # halved here: a root finder of scipy would take longer to import than the whole
        x = (low + high) / 2
        i1, i2 = current_A * (1 + x), current_A * (1 - x)
        over = i1 * low_R - i2 * high_R + vt * (np.log1p(x) - np.log1p(-x))
        low, high = (low, x) if over > 0 else (x, high)
    drop = ohm * current_A
    return SharingEffect(current_A, drop, (low + high) / 2, drop / high_R, drop / low_R)


def resolution_of(reading_ohm: float) -> float:
    """Last digit of the meter that shows a reading [ohm], as far as the rules and its digits say."""
    least = rule("ohms_resolution")
    by_rule = max(least, 0 if isinf(reading_ohm) else reading_ohm * rule("ohms_digit"))
    # 0.42 ohm is no reading of a meter in steps of 0.1 ohm
    finer = [10.0**-d for d in range(2, 6) if round(reading_ohm, d) == reading_ohm != round(reading_ohm, 1)]
    return min(by_rule, *finer[:1]) if finer else by_rule


def judge_reading(
    nominal_ohm: float, reading_ohm: float, *, tolerance: float = 0.05, in_circuit: bool = False,
    accuracy: float | None = None, resolution_ohm: float | None = None, lead_zero_ohm: float = nan,
) -> ResistorVerdict:  # fmt: skip
    """Verdict of a resistor from one reading.

    Parameters
    ----------
    nominal_ohm, reading_ohm : float
        Marked value, above zero, and reading, zero or more [ohm]; an over-range mark is inf.
    tolerance : float
        Of the marked value [1].
    in_circuit : bool
        Read with both leads soldered in: other paths lie beside it.
    accuracy : float, optional
        Meter: limits of error, share of the reading [1]; else the rule ``ohms_accuracy``.
    resolution_ohm : float, optional
        Its last digit [ohm]; else by the rules ``ohms_resolution`` and ``ohms_digit``, or finer where the
        reading shows finer digits.
    lead_zero_ohm : float
        What the meter shows with its leads shorted: taken off the reading, with its own last digits.

    Returns
    -------
    ResistorVerdict
        In tolerance at 95 % or more is fine, at 5 % or less is not, between is undecided (JCGM 106).  A
        meter much coarser than the tolerance gives a small probability whatever it shows, so a resistor is
        called bad only where a good one would also have read otherwise, at 95 %; and no probability is told
        (nan) where such a meter, or a path beside the resistor, leaves it undecided.
    """
    resolution_ohm = resolution_of(reading_ohm) if resolution_ohm is None else resolution_ohm
    zeroed = not isnan(lead_zero_ohm)
    nominal, reading = nominal_ohm, max(0.0, reading_ohm - lead_zero_ohm) if zeroed else reading_ohm
    times = reading / nominal
    accuracy = rule("ohms_accuracy") if accuracy is None else accuracy
    # half-width even over its limits: standard uncertainty is 1/sqrt(3) of it (JCGM 100, 4.3.7)
    digits = rule("ohms_counts") * resolution_ohm
    u = hypot(accuracy * reading + digits, digits if zeroed else 0.0) / sqrt(3)
    low, high = nominal * (1 - tolerance), nominal * (1 + tolerance)
    outside = max(low - reading, reading - high)  # of the nearest value a good one can have
    leads = rules()["lead_resistance"]
    # its own leads add to a high reading; a meter of four wires, which steps far finer, has none
    wired = zeroed or reading < nominal or resolution_ohm <= leads.value * rule("resistor_four_wires")
    lead_share = 0.0 if wired else leads.value
    most = rule("resistor_open")
    # a current that lets it drop some tenths of a volt without heating it
    amps = 10.0 ** -max(0, ceil(log10(nominal) - 1e-9))
    numbers = {"amps": amps, "drop": amps * nominal, "resolution": resolution_ohm, "leads": leads.value,
               "basis": leads.basis, "best": "", "excess": "", "least": "",
               "most": "a hundred" if most == 100 else f"{most:g}"}  # fmt: skip
    if isinf(reading) and nominal > rule("ohms_top") * (1 - tolerance):
        state, reason, p = "undecided", "resistor_over_meter", nan
    elif times > most:
        state, reason, p = "open", "resistor_open", 0.0
    else:
        p = float(conformity(reading, u, low, high))
        if p >= rule("conformity_good"):
            state, reason = "fine", "resistor_fine_in_circuit" if in_circuit else "resistor_fine"
        elif p <= 1 - rule("conformity_good") and outside > NORMAL_95_ONE_SIDED * u + lead_share:
            state = "burnt" if times >= rule("resistor_drifted") else "drifted"
            reason = f"resistor_{state}"
            if times < 1 and in_circuit:
                state, reason = "undecided", "resistor_beside"
            elif times <= rule("resistor_shorted"):
                state, reason = "shorted", "resistor_shorted"
            elif times < 1:
                reason = "resistor_low"
            numbers["least"] = say("resistor_least") if in_circuit else ""
        else:
            best = float(conformity(nominal, u, low, high))
            numbers["best"] = best if best < rule("conformity_good") else ""
            # paths beside it only make it read low: lifting a lead explains no excess
            numbers["excess"] = say("resistor_excess") if in_circuit else ""
            share = rule("resistor_coarse_share") * nominal
            state, reason = "undecided", "resistor_unsure"
            if in_circuit and times <= 1:
                reason = "resistor_unsure_lift"
            elif leads.value > share and not zeroed:
                reason = "resistor_unsure_leads"
            elif zeroed or u > min(share, rule("resistor_coarse") * abs(nominal - reading)):
                reason = "resistor_unsure_coarse"
    said = "times" if times >= 2 else "off" if abs(times - 1) >= 5e-4 else "nominal"
    numbers["said"] = say(f"resistor_{said}", times=times, off=times - 1)
    lowered = in_circuit and times < 1 and state != "fine"
    if state == "undecided" and (lowered or numbers["best"]):
        p = nan  # the meter, or what lies beside it, speaks there, not the resistor
    return ResistorVerdict(
        state, nominal, reading_ohm, isinf(reading), in_circuit, p, say(reason, **numbers),
        next_step(reason, **numbers), reading * nominal / (nominal - reading) if lowered else nan,
        lead_zero_ohm, reading if zeroed else nan,
    )  # fmt: skip
