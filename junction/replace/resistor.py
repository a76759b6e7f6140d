"""Resistors around the device: what to fit from stock, and what a reading says of the one in place.

A network of resistors is judged by three facts.  Its value is homogeneous of degree one in its parts, so
that all parts off by the same fraction put the whole off by that fraction (worst case).  The share of the
whole's relative error that a part contributes equals its share of the dissipation (Cohn's theorem: dR/dR_k =
(i_k/i)^2), so that unequal parts average less.  And the part with the largest share gets hot first.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor, inf, isinf, isnan, log10, nan, sqrt

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C, thermal_voltage
from junction.base.errors import UsageError
from junction.judge.conformity import conformity
from junction.replace.results import ResistorNetwork, ResistorVerdict, SharingEffect
from junction.shelf.rules import resistor_series, rules

#: 95 % of the sum of independent errors that are even within their limits: 1.96/sqrt(3) of the limit
#: (JCGM 100:2008, 4.3.7 and G.1); for a single part the limit itself bounds it.
_LIKELY = 1.96 / sqrt(3)
#: 95 % of a normal distribution lie below this many standard deviations above its mean.
ONE_SIDED = 1.645


def _series(*ohms: float) -> float:
    return sum(ohms)


def _parallel(*ohms: float) -> float:
    return 1 / sum(1 / r for r in ohms)


#: arrangement -> (value from its parts, share of the dissipation of each part from the parts)
ARRANGEMENTS = {
    "A": lambda a: a,
    "A + B": _series,
    "A | B": _parallel,
    "A + B + C": _series,
    "A | B | C": _parallel,
    "A + (B | C)": lambda a, b, c: a + _parallel(b, c),
    "A | (B + C)": lambda a, b, c: _parallel(a, b + c),
    "A + B + C + D": _series,
    "A | B | C | D": _parallel,
    "(A + B) | (C + D)": lambda a, b, c, d: _parallel(a + b, c + d),
    "(A | B) + (C | D)": lambda a, b, c, d: _parallel(a, b) + _parallel(c, d),
}


def power_shares(arrangement: str, parts_ohm: Sequence) -> tuple:
    """Share of each part in the dissipation of the whole; the shares add up to 1.

    Parameters
    ----------
    arrangement : str
        Key of `ARRANGEMENTS`.
    parts_ohm : sequence of float or of ndarray
        Parts in the order of the letters [ohm]; arrays work element by element.
    """
    r = list(parts_ohm)
    whole = ARRANGEMENTS[arrangement](*r)
    if arrangement.startswith("(A + B)"):
        strings = (r[0] + r[1], r[2] + r[3])
        return tuple(x * whole / strings[k // 2] ** 2 for k, x in enumerate(r))
    if arrangement.startswith("(A | B)"):
        pairs = (_parallel(*r[:2]), _parallel(*r[2:]))
        return tuple(pairs[k // 2] ** 2 / (x * whole) for k, x in enumerate(r))
    if arrangement == "A + (B | C)":
        pair = _parallel(*r[1:])
        return (r[0] / whole, *(pair**2 / (x * whole) for x in r[1:]))
    if arrangement == "A | (B + C)":
        string = r[1] + r[2]
        return (whole / r[0], *(x * whole / string**2 for x in r[1:]))
    if "|" in arrangement:
        return tuple(whole / x for x in r)
    return tuple(x / whole for x in r)


def network(
    arrangement: str, parts_ohm: Sequence[float], wanted_ohm: float, tolerance: float, power_W: float = nan
) -> ResistorNetwork:
    """One network with its error, tolerance and hottest part."""
    parts = tuple(float(x) for x in parts_ohm)
    ohm = ARRANGEMENTS[arrangement](*parts)
    shares = power_shares(arrangement, parts)
    likely = min(1.0, _LIKELY * sqrt(sum(s * s for s in shares))) * tolerance
    return ResistorNetwork(
        arrangement, parts, ohm, ohm / wanted_ohm - 1, shares, tolerance, likely, power_W * max(shares)
    )


def _pairs(stock: np.ndarray) -> dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Values and index pairs of all two-part networks, sorted by value, for 'series' and 'parallel'."""
    a, b = np.triu_indices(stock.size)
    out = {}
    for kind, value in (("series", stock[a] + stock[b]), ("parallel", 1 / (1 / stock[a] + 1 / stock[b]))):
        order = np.argsort(value, kind="stable")
        out[kind] = (value[order], a[order], b[order])
    return out


def _nearest(values: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Index of the two sorted values that embrace each wanted one, shape (2, n)."""
    up = np.clip(np.searchsorted(values, wanted), 0, values.size - 1)
    return np.stack((np.maximum(up - 1, 0), up))


# arrangement of two halves -> (kind of the left half, kind of the right half, how the halves are joined)
_HALVES = {
    "A + B + C": ("one", "series", "series"),
    "A | B | C": ("one", "parallel", "parallel"),
    "A + (B | C)": ("one", "parallel", "series"),
    "A | (B + C)": ("one", "series", "parallel"),
    "A + B + C + D": ("series", "series", "series"),
    "A | B | C | D": ("parallel", "parallel", "parallel"),
    "(A + B) | (C + D)": ("series", "series", "parallel"),
    "(A | B) + (C | D)": ("parallel", "parallel", "series"),
}


def _candidates(
    arrangement: str, stock: np.ndarray, pairs, wanted: float, keep: int, share: float, step: float
) -> np.ndarray:
    """Parts of the networks of an arrangement that come nearest to `wanted`, shape (keep, parts).

    No part takes more than `share` of the dissipation; where that bounds anything, of networks that are off
    by the same `step` the one whose parts share it most evenly comes first.

    For every left half the right half that is missing is looked up in the sorted list: all networks are
    covered, in the time of the pairs alone.
    """
    one = {"one": (stock, np.arange(stock.size), None)} | pairs
    if arrangement == "A":
        parts = stock[:, None]
    elif arrangement in ("A + B", "A | B"):
        _, a, b = pairs["series" if "+" in arrangement else "parallel"]
        parts = np.stack((stock[a], stock[b]), axis=1)
    else:
        left_kind, right_kind, join = _HALVES[arrangement]
        left, right = one[left_kind], one[right_kind]
        with np.errstate(divide="ignore"):
            missing = wanted - left[0] if join == "series" else 1 / (1 / wanted - 1 / left[0])
        able = np.flatnonzero(np.isfinite(missing) & (missing > 0))
        found = _nearest(right[0], missing[able])
        rows = [np.concatenate((able, able))]
        cols = [x for x in left[1:] if x is not None]
        parts = np.stack(
            [stock[c[rows[0]]] for c in cols] + [stock[c[found.ravel()]] for c in right[1:]], axis=1
        )
    if share < 1:
        # of the networks that divide the power well, equal parts are the best, and may not be the nearest
        parts = np.concatenate((parts, np.repeat(stock[:, None], parts.shape[1], axis=1)))
        parts = parts[np.max(power_shares(arrangement, parts.T), axis=0) <= share * (1 + 1e-9)]
    off = np.abs(np.log(np.asarray(ARRANGEMENTS[arrangement](*parts.T)) / wanted))
    order = np.argsort(off, kind="stable")
    if share < 1:
        hottest = np.max(power_shares(arrangement, parts.T), axis=0).round(2)
        order = np.lexsort((off, hottest, (off / step).round()))
    return _distinct(parts[order], arrangement, keep)


def _distinct(parts: np.ndarray, arrangement: str, keep: int) -> np.ndarray:
    """First `keep` rows that are not the same network with its parts renamed."""
    seen, rows = set(), []
    for row in parts:
        a = tuple(row)
        if arrangement in ("A + (B | C)", "A | (B + C)"):
            key: object = (a[0], tuple(sorted(a[1:])))
        elif arrangement.startswith("("):
            key = tuple(sorted((tuple(sorted(a[:2])), tuple(sorted(a[2:])))))
        else:
            key = tuple(sorted(a))
        if key not in seen:
            seen.add(key)
            rows.append(row)
        if len(rows) == keep:
            break
    return np.array(rows).reshape(len(rows), parts.shape[1])


def stock_values(name: str, low_ohm: float, high_ohm: float) -> tuple[float, ...]:
    """All values of a preferred number series from `low_ohm` to `high_ohm` [ohm], both included.

    Raises
    ------
    UsageError
        No such series, or bounds that are not positive and rising.
    """
    series = resistor_series(name)
    if not 0 < low_ohm <= high_ohm < inf:
        raise UsageError("the bounds of a list of stock values must be positive and rising")
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
        Wanted resistance [ohm].
    stock_ohm : sequence of float
        Values at hand, each as often as needed [ohm].
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
        Smallest error first, in steps of a tenth of the tolerance; in a step fewer parts come first, and
        where the power is known, of as many parts those that share it most evenly.

    Raises
    ------
    UsageError
        Values that are not positive, no stock, or more than four parts.
    """
    stock = np.unique(np.asarray(stock_ohm, float))
    if not (wanted_ohm > 0 and np.isfinite(wanted_ohm)):
        raise UsageError("the wanted resistance must be positive")
    if stock.size == 0 or not (np.isfinite(stock).all() and (stock > 0).all()):
        raise UsageError("the stock needs at least one value, all of them positive")
    if most_parts not in (1, 2, 3, 4):
        raise UsageError("networks have one to four parts")
    pairs = _pairs(stock)
    share = part_power_W / rules()["resistor_power"].value / power_W
    share = 1.0 if isnan(share) else share
    step = max(tolerance / 10, 1e-4)  # a difference that the tolerance drowns does not decide
    found = []
    for arrangement in ARRANGEMENTS:
        if sum(c.isalpha() for c in arrangement) <= most_parts:
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
    ``I1 R1 + VT ln I1 = I2 R2 + VT ln I2`` with ``I1 + I2 = 2 current_A``, solved by bisection.

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
    low, high = 0.0, 1.0  # (I1 - I2)/(I1 + I2), I1 through the smaller resistor
    for _ in range(80):
        x = (low + high) / 2
        i1, i2 = current_A * (1 + x), current_A * (1 - x)
        over = i1 * low_R - i2 * high_R + vt * (np.log1p(x) - np.log1p(-x))
        low, high = (low, x) if over > 0 else (x, high)
    drop = ohm * current_A
    return SharingEffect(current_A, drop, (low + high) / 2, drop / high_R, drop / low_R)


def judge_reading(
    nominal_ohm: float, reading_ohm: float, *, tolerance: float = 0.05, in_circuit: bool = False,
    accuracy_percent: float = 1.0, resolution_ohm: float = 0.1, counts: float = 2.0,
    meter_top_ohm: float = 2e7,
) -> ResistorVerdict:  # fmt: skip
    """Verdict of a resistor from one reading.

    Parameters
    ----------
    nominal_ohm, reading_ohm : float
        Marked value and reading [ohm]; an over-range mark is inf.
    tolerance : float
        Of the marked value [1].
    in_circuit : bool
        Read with both leads soldered in: other paths lie beside it.
    accuracy_percent, resolution_ohm, counts : float
        Meter: percent of reading, last digit [ohm], and digits of error.
    meter_top_ohm : float
        Highest resistance the meter can show [ohm].

    Returns
    -------
    ResistorVerdict
        In tolerance at 95 % or more is fine, at 5 % or less is not, between is undecided (JCGM 106).  A
        meter much coarser than the tolerance gives a small probability whatever it shows, so a resistor is
        called bad only where a good one would also have read otherwise, at 95 %.

    Raises
    ------
    UsageError
        A nominal that is not positive, or a reading below zero.
    """
    if not (nominal_ohm > 0 and not isinf(nominal_ohm)) or isnan(reading_ohm) or reading_ohm < 0:
        raise UsageError("a resistor is judged by a positive nominal value and a reading of zero or more")
    top = rules()["resistor_open"].value
    if isinf(reading_ohm) or reading_ohm > top * nominal_ohm:
        return _open(nominal_ohm, reading_ohm, tolerance, meter_top_ohm)
    # half-width even over its limits: standard uncertainty is 1/sqrt(3) of it (JCGM 100, 4.3.7)
    half = accuracy_percent / 100 * reading_ohm + counts * resolution_ohm
    u = half / sqrt(3)
    low, high = nominal_ohm * (1 - tolerance), nominal_ohm * (1 + tolerance)
    p = float(conformity(reading_ohm, u, low, high))
    outside = max(low - reading_ohm, reading_ohm - high)  # of the nearest value a good one can have
    bad = p <= rules()["conformity_bad"].value and outside > ONE_SIDED * u
    state, evidence, hint = _state(nominal_ohm, reading_ohm, p, bad, in_circuit, u, resolution_ohm)
    best = float(conformity(nominal_ohm, u, low, high))
    if state == "undecided" and not bad and best < rules()["conformity_good"].value:
        evidence += f": even at its nominal exactly it would say only {best:.0%}"
    beside = nan
    if in_circuit and reading_ohm < nominal_ohm and state != "fine":
        beside = reading_ohm * nominal_ohm / (nominal_ohm - reading_ohm) if reading_ohm else 0.0
    return ResistorVerdict(state, nominal_ohm, reading_ohm, tolerance, p, evidence, hint, beside)


def _open(nominal: float, reading: float, tolerance: float, top_ohm: float) -> ResistorVerdict:
    if isinf(reading) and nominal > top_ohm * (1 - tolerance):
        return ResistorVerdict(
            "undecided", nominal, reading, tolerance, nan, "is above what the meter can show even when good",
            "measure the voltage across it with a known current, or use a meter with a higher range",
        )  # fmt: skip
    return ResistorVerdict(
        "open", nominal, reading, tolerance, 0.0, "reads no path, or over a hundred times its nominal",
        "find what burnt it before a new one goes in: the device it belongs to first",
    )  # fmt: skip


def _finer(nominal: float, reading: float, u: float, resolution: float) -> str:
    """How to measure better than the meter did, with what stands in its way at low values."""
    leads = rules()["lead_resistance"]
    if leads.value > 0.02 * nominal:
        return (
            f"the meter's steps of {resolution:g} ohm and its leads (some {leads.value:g} ohm a pair,"
            f" {leads.basis}) can add as much: hold the probe tips together and take off what is shown, or"
            " better measure the drop at a known current (four wires)"
        )
    if u > 0.5 * abs(nominal - reading) or u > 0.02 * nominal:
        return "the meter is too coarse for it: measure the drop at a known current (four wires)"
    return "read again with a better meter"


def _state(
    nominal: float, reading: float, p: float, bad: bool, in_circuit: bool, u: float, resolution: float
) -> tuple[str, str, str]:
    off = reading / nominal - 1
    said = "reads its nominal" if abs(off) < 5e-4 else f"reads {off:+.1%} off its nominal"
    if off >= 1:
        said = f"reads {1 + off:.2g} times its nominal"
    lift = "lift one lead and read again"
    burnt = rules()["resistor_drifted"].value
    if p >= rules()["conformity_good"].value:
        if in_circuit:
            return "fine", f"{said}, together with the paths beside it", lift
        return "fine", said, ""
    if not bad:
        edge = f"{said}, and this meter cannot tell whether that is within its tolerance"
        hint = _finer(nominal, reading, u, resolution)
        if in_circuit:
            # paths beside it only make it read low: lifting a lead explains no excess
            hint = f"other paths can only make it read low; {hint}" if off > 0 else lift
        return "undecided", edge, hint
    if off < 0 and in_circuit:
        return "undecided", f"{said}: a path beside it would do the same", lift
    if off < 0 and reading <= 0.1 * nominal:
        return "shorted", f"{said}: bridged or carbonised", "clean the board round it, then replace it"
    if off < 0:
        return "drifted", f"{said}; resistors seldom fall alone", "look for a bridge, replace it"
    extra = "; paths beside it only make it read low, so it is at least this high" if in_circuit else ""
    if reading >= burnt * nominal:
        return "burnt", said + extra, "replace it, and find what drew the current through it"
    return "drifted", said + extra, "replace it; where it shares or senses a current, that is wrong too"
