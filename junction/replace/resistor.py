"""Resistors around the device: what to fit from stock, and what a reading says of the one in place.

A network of resistors is judged by three facts.  Its value is homogeneous of degree one in its parts, so
that all parts off by the same fraction put the whole off by that fraction (worst case).  The share of the
whole's relative error that a part contributes equals its share of the dissipation (Cohn's theorem: dR/dR_k =
(i_k/i)^2), so that unequal parts average less.  And the part with the largest share gets hot first.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor, isinf, isnan, log10, nan, sqrt

import numpy as np

from junction.base.units import NORMAL_95, NORMAL_95_ONE_SIDED, REFERENCE_TEMP_C, thermal_voltage
from junction.judge.mixture import conformity
from junction.judge.results import next_step, say
from junction.replace.results import ResistorNetwork, ResistorVerdict, SharingEffect
from junction.shelf.tables import resistor_series, rule, rules

#: 95 % of the sum of independent errors that are even within their limits: 1.96/sqrt(3) of the limit
#: (JCGM 100:2008, 4.3.7 and G.1); for a single part the limit itself bounds it.
_LIKELY = NORMAL_95 / sqrt(3)

#: arrangement -> (how its groups are joined, how many parts each has); inside a group it is the other way
ARRANGEMENTS: dict[str, tuple[str, tuple[int, ...]]] = {
    "A": ("+", (1,)), "A + B": ("+", (1, 1)), "A | B": ("|", (1, 1)), "A + B + C": ("+", (1, 1, 1)),
    "A | B | C": ("|", (1, 1, 1)), "A + (B | C)": ("+", (1, 2)), "A | (B + C)": ("|", (1, 2)),
    "A + B + C + D": ("+", (1, 1, 1, 1)), "A | B | C | D": ("|", (1, 1, 1, 1)),
    "(A + B) | (C + D)": ("|", (2, 2)), "(A | B) + (C | D)": ("+", (2, 2)),
}  # fmt: skip
_OTHER = {"+": "|", "|": "+"}


def _joined(how: str, ohms: Sequence):
    """Value in series (+) or in parallel (|)."""
    if len(ohms) == 1:
        return ohms[0]
    return sum(ohms) if how == "+" else 1 / sum(1 / r for r in ohms)


def _groups(arrangement: str, parts: Sequence) -> list[Sequence]:
    ends = np.cumsum(ARRANGEMENTS[arrangement][1])
    return [parts[end - n : end] for end, n in zip(ends, ARRANGEMENTS[arrangement][1], strict=True)]


def value_and_shares(arrangement: str, parts_ohm: Sequence) -> tuple:
    """Value of a network and the share of each part in its dissipation; the shares add up to 1.

    Parameters
    ----------
    arrangement : str
        Key of `ARRANGEMENTS`.
    parts_ohm : sequence of float or of ndarray
        Parts in the order of the letters [ohm]; arrays work element by element.
    """
    how = ARRANGEMENTS[arrangement][0]

    def share(how: str, part, whole):
        return part / whole if how == "+" else whole / part

    groups = _groups(arrangement, parts_ohm)
    values = [_joined(_OTHER[how], group) for group in groups]
    whole = _joined(how, values)
    return whole, tuple(
        share(how, value, whole) * share(_OTHER[how], part, value)
        for group, value in zip(groups, values, strict=True)
        for part in group
    )


def network(
    arrangement: str, parts_ohm: Sequence[float], wanted_ohm: float, tolerance: float, power_W: float = nan
) -> ResistorNetwork:
    """One network with its error, tolerance and hottest part."""
    parts = tuple(float(x) for x in parts_ohm)
    ohm, shares = value_and_shares(arrangement, parts)
    likely = min(1.0, _LIKELY * sqrt(sum(s * s for s in shares))) * tolerance
    return ResistorNetwork(
        arrangement, parts, ohm, ohm / wanted_ohm - 1, shares, tolerance, likely, power_W * max(shares)
    )


def _candidates(
    arrangement: str, stock: np.ndarray, pairs: dict, wanted: float, keep: int, share: float, step: float
) -> list[np.ndarray]:
    """Parts of the networks of an arrangement that come nearest to `wanted`, at most `keep` of them.

    No part takes more than `share` of the dissipation; where that bounds anything, of networks that are off
    by the same `step` the one whose parts share it most evenly comes first.

    For every left half (one part of three, two of four) the right half that is missing is looked up in the
    sorted values of all pairs: all networks are covered, in the time of the pairs alone.
    """
    how, sizes = ARRANGEMENTS[arrangement]
    count = sum(sizes)
    if count == 1:
        parts = stock[:, None]
    elif count == 2:
        parts = stock[np.stack(pairs[how][1], axis=1)]
    else:
        right, right_parts = pairs[how if max(sizes) == 1 else _OTHER[how]]
        left, left_parts = (stock, (np.arange(stock.size),)) if count == 3 else (right, right_parts)
        with np.errstate(divide="ignore"):
            missing = wanted - left if how == "+" else 1 / (1 / wanted - 1 / left)
        able = np.flatnonzero(np.isfinite(missing) & (missing > 0))
        up = np.clip(np.searchsorted(right, missing[able]), 0, right.size - 1)
        found = np.concatenate((np.maximum(up - 1, 0), up))  # the two values that embrace each missing one
        able = np.concatenate((able, able))
        parts = stock[np.stack([x[able] for x in left_parts] + [x[found] for x in right_parts], axis=1)]
    if share < 1:
        # of the networks that divide the power well, equal parts are the best, and may not be the nearest
        parts = np.concatenate((parts, np.repeat(stock[:, None], count, axis=1)))
        hottest = np.max(value_and_shares(arrangement, parts.T)[1], axis=0)
        parts = parts[hottest <= share * (1 + 1e-9)]
    value, shares = value_and_shares(arrangement, parts.T)
    off = np.abs(np.log(np.asarray(value) / wanted))
    order = np.argsort(off, kind="stable")
    if share < 1:
        order = np.lexsort((off, np.max(shares, axis=0).round(2), (off / step).round()))
    rows: dict[tuple, np.ndarray] = {}  # by what does not change when its parts are renamed
    for row in parts[order]:
        key = tuple(sorted(tuple(sorted(group)) for group in _groups(arrangement, tuple(row))))
        rows.setdefault(key, row)
        if len(rows) == keep:
            break
    return list(rows.values())


def stock_values(name: str, low_ohm: float, high_ohm: float) -> tuple[float, ...]:
    """All values of a preferred number series from `low_ohm`, above zero, to `high_ohm` [ohm], both included.

    Raises
    ------
    UsageError
        No such series.
    """
    series = resistor_series(name)
    found = []
    for decade in range(floor(log10(low_ohm)) - 1, ceil(log10(high_ohm)) + 1):
        power = decade - (series.digits - 1)
        for value in series.values:
            # dividing by a whole power of ten keeps 0.22 the float that is written 0.22
            ohm = float(value * 10**power if power >= 0 else value / 10**-power)
            if low_ohm * (1 - 1e-12) <= ohm <= high_ohm * (1 + 1e-12):
                found.append(ohm)
    return tuple(found)


def combinations(
    wanted_ohm: float, stock_ohm: Sequence[float], *, tolerance: float = 0.05, power_W: float = nan,
    part_power_W: float = nan, most_parts: int = 4, each: int = 3,
) -> tuple[ResistorNetwork, ...]:  # fmt: skip
    """Networks of stock resistors nearest to a value, fewest parts first within each arrangement.

    Parameters
    ----------
    wanted_ohm : float
        Wanted resistance, above zero [ohm].
    stock_ohm : sequence of float
        Values at hand, at least one and all above zero, each as often as needed [ohm].
    tolerance : float
        Of the stock parts [1].
    power_W : float
        Dissipation of the whole [W]; nan leaves power out.
    part_power_W : float
        Rating of one stock part [W]; networks that use more than this over the rule ``resistor_power`` in
        any part are left out.
    most_parts : int
        1 to 4.
    each : int
        How many of each arrangement.

    Returns
    -------
    tuple of ResistorNetwork
        Smallest error first, in steps of a share of the tolerance (the rule ``resistor_step``); in a step
        fewer parts come first, and where the power is known, of as many parts those that share it most
        evenly.
    """
    stock = np.unique(np.asarray(stock_ohm, float))
    both = np.triu_indices(stock.size)
    pairs = {}  # values and index pairs of all two-part networks, sorted by value
    for how in ("+", "|"):
        value = _joined(how, [stock[index] for index in both])
        order = np.argsort(value, kind="stable")
        pairs[how] = value[order], [index[order] for index in both]
    share = part_power_W / rule("resistor_power") / power_W
    share = 1.0 if isnan(share) else share
    # a difference that the tolerance drowns does not decide
    step = max(tolerance * rule("resistor_step"), 1e-4)
    found = []
    for arrangement, (_, sizes) in ARRANGEMENTS.items():
        if sum(sizes) <= most_parts:
            rows = _candidates(arrangement, stock, pairs, wanted_ohm, each, share, step)
            found += [network(arrangement, row, wanted_ohm, tolerance, power_W) for row in rows]

    def rank(n: ResistorNetwork) -> tuple:
        hottest = 0.0 if isnan(power_W) else round(max(n.power_shares), 2)
        return round(abs(n.error) / step), len(n.parts_ohm), hottest, abs(n.error), n.arrangement

    return tuple(sorted(found, key=rank))


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


def judge_reading(
    nominal_ohm: float, reading_ohm: float, *, tolerance: float = 0.05, in_circuit: bool = False,
    accuracy: float | None = None, resolution_ohm: float | None = None,
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
        Its last digit [ohm]; else by the rules ``ohms_resolution`` and ``ohms_digit``.

    Returns
    -------
    ResistorVerdict
        In tolerance at 95 % or more is fine, at 5 % or less is not, between is undecided (JCGM 106).  A
        meter much coarser than the tolerance gives a small probability whatever it shows, so a resistor is
        called bad only where a good one would also have read otherwise, at 95 %.
    """
    nominal, reading, times = nominal_ohm, reading_ohm, reading_ohm / nominal_ohm
    accuracy = rule("ohms_accuracy") if accuracy is None else accuracy
    if resolution_ohm is None:
        resolution_ohm = max(rule("ohms_resolution"), 0 if isinf(reading) else reading * rule("ohms_digit"))
    # half-width even over its limits: standard uncertainty is 1/sqrt(3) of it (JCGM 100, 4.3.7)
    u = (accuracy * reading + rule("ohms_counts") * resolution_ohm) / sqrt(3)
    low, high = nominal * (1 - tolerance), nominal * (1 + tolerance)
    outside = max(low - reading, reading - high)  # of the nearest value a good one can have
    leads = rules()["lead_resistance"]
    most = rule("resistor_open")
    numbers = {"resolution": resolution_ohm, "leads": leads.value, "basis": leads.basis, "best": "",
               "excess": "", "least": "", "most": "a hundred" if most == 100 else f"{most:g}"}  # fmt: skip
    if isinf(reading) and nominal > rule("ohms_top") * (1 - tolerance):
        state, reason, p = "undecided", "resistor_over_meter", nan
    elif times > most:
        state, reason, p = "open", "resistor_open", 0.0
    else:
        p = float(conformity(reading, u, low, high))
        if p >= rule("conformity_good"):
            state, reason = "fine", "resistor_fine_in_circuit" if in_circuit else "resistor_fine"
        elif p <= 1 - rule("conformity_good") and outside > NORMAL_95_ONE_SIDED * u:
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
            elif leads.value > share:
                reason = "resistor_unsure_leads"
            elif u > min(share, rule("resistor_coarse") * abs(nominal - reading)):
                reason = "resistor_unsure_coarse"
    said = "times" if times >= 2 else "off" if abs(times - 1) >= 5e-4 else "nominal"
    numbers["said"] = say(f"resistor_{said}", times=times, off=times - 1)
    lowered = in_circuit and times < 1 and state != "fine"
    return ResistorVerdict(
        state, nominal, reading, isinf(reading), in_circuit, p, say(reason, **numbers),
        next_step(reason, **numbers), reading * nominal / (nominal - reading) if lowered else nan,
    )  # fmt: skip
