"""What a table of sweeps and its fits say about each junction, as plain arrays, before any limit.

Everything is referred to 25 degC where a family's temperature law allows it; where the temperature was not
recorded, the spread of bench temperatures goes into the uncertainties instead.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C, ZERO_CELSIUS_K, thermal_voltage
from junction.base.records import SweepTable
from junction.fit.results import MODELS, SweepFits
from junction.physics.junction import voltage_with_derivatives
from junction.shelf.rules import rules
from junction.verdict.believe import believed, end_currents
from junction.verdict.direct import (
    NEAR_ZERO_V,
    SEEN_U,
    ask_points,
    least_step,
    line_slope,
    passes_differ,
    sorted_points,
)
from junction.verdict.sweep_reasons import BOTH_WAYS, NO_DOUBT, PASSES_DIFFER

#: Standard uncertainty of the junction temperature [K]: recorded, and not recorded (a bench between about
#: 16 and 34 degC; our convention).
TEMP_U_K, TEMP_UNKNOWN_U_K = 1.0, 5.0

#: Test current of a knee read off the points [A].
TEST_A = 1e-3
#: No ammeter here resolves a path beyond this [ohm].
MOST_OHM = 1e15
#: Standard uncertainty of the logarithm of a chord read off the points [1] (our convention).
CHORD_U = 0.25
#: Least resistance of a short [ohm]: one known only to be at most X lies evenly over the decades between this
#: and X (our convention).
LEAST_SHORT_OHM = 0.05

#: Least relative uncertainty of any current or resistance: the instrument's own calibration (our convention).
GAIN_U = 0.03

NONE, OPEN, RESISTOR, JUNCTION, REVERSE_ONLY = range(5)
_BARE = {"none": NONE, "open": OPEN, "resistor": RESISTOR, "breakdown": REVERSE_ONLY}
_KIND = np.array([_BARE.get(model, JUNCTION) for model in MODELS])


@dataclass(frozen=True, eq=False)
class Measured:
    """Arrays over sweeps (n,).

    Parameters
    ----------
    kind : ndarray of int
        One of NONE, OPEN, RESISTOR, JUNCTION, REVERSE_ONLY.
    v_low_V, v_high_V, i_high_A : ndarray
        Ends of the sweep [V] and the largest current logged [A].
    n, n_u, rs_ohm : ndarray
        Ideality [1] with its standard uncertainty, series resistance [ohm] (upper limit where that is all
        the data give).
    sat_A, sat_u_ln : ndarray
        Saturation current of the junction at the sweep's temperature [A], standard uncertainty of its
        logarithm [1].
    path_ohm, path_u_ln : ndarray
        Resistance beside the junction (shunt, or the whole path) [ohm], inf where there is none to be
        seen; standard uncertainty of its logarithm [1].
    floor_ohm : ndarray
        Where no path is seen: one of at least this resistance could hide [ohm].
    bv_V, bv_u_V : ndarray
        Breakdown voltage [V], nan where none was reached.
    temp_C, temp_u_K : ndarray
        Recorded temperature (25 where unknown) [degC] and its standard uncertainty [K].
    knee_V, knee_u_V : ndarray
        Forward voltage at `TEST_A` read off the points where the fit cannot be believed, and its standard
        uncertainty [V]; else nan.
    from_points, swapped : ndarray of bool
        The points were asked, not the fit; they say that the leads were swapped.
    doubt : ndarray of int
        Counted as in `junction.verdict.sweep_reasons`: what no part does; such a sweep gets no verdict.
    most_ohm : ndarray
        Where steps of current show a resistance to be at most this [ohm], else nan.
    """

    kind: np.ndarray
    v_low_V: np.ndarray
    v_high_V: np.ndarray
    i_high_A: np.ndarray
    n: np.ndarray
    n_u: np.ndarray
    rs_ohm: np.ndarray
    sat_A: np.ndarray
    sat_u_ln: np.ndarray
    path_ohm: np.ndarray
    path_u_ln: np.ndarray
    floor_ohm: np.ndarray
    bv_V: np.ndarray
    bv_u_V: np.ndarray
    temp_C: np.ndarray
    temp_u_K: np.ndarray
    knee_V: np.ndarray
    knee_u_V: np.ndarray
    from_points: np.ndarray
    swapped: np.ndarray
    doubt: np.ndarray
    most_ohm: np.ndarray


def _ends(table: SweepTable):
    """Lowest and highest voltage and largest current of every sweep; nan for an empty one."""
    n = len(table)
    out = np.full((3, n), np.nan)
    full = np.flatnonzero(np.diff(table.starts) > 0)
    if full.size:
        at = table.starts[:-1][full]
        with np.errstate(invalid="ignore"):
            out[0, full] = np.fmin.reduceat(table.v_V, at)
            out[1, full] = np.fmax.reduceat(table.v_V, at)
            out[2, full] = np.fmax.reduceat(np.abs(table.i_A), at)
    return out


#: No junction on a bench has values outside these; what a fit holds beyond them is no value (nan).
_RANGES = {
    "IS_A": (0.0, 1e3), "ISR_A": (0.0, 1e3), "N": (0.05, 200.0), "RS_ohm": (0.0, 1e12),
    "RSH_ohm": (1e-6, MOST_OHM), "R_ohm": (1e-6, MOST_OHM), "BV_V": (1e-3, 1e5),
}  # fmt: skip


def _value(fits: SweepFits, name: str) -> np.ndarray:
    """Fitted value, nan where it is none or outside what can be."""
    low, high = _RANGES[name]
    value = fits.value[name]
    with np.errstate(invalid="ignore"):
        return np.where((value >= low) & (value <= high), value, np.nan)


def _spread(fits: SweepFits, name: str, unknown: float) -> np.ndarray:
    """Standard uncertainty of a fitted value, `unknown` where the fit gives none; never without end."""
    return np.nan_to_num(fits.u[name], nan=unknown, posinf=1e6).clip(0.0, 1e6)


def _relative(fits: SweepFits, name: str, unknown: float) -> np.ndarray:
    """Relative standard uncertainty of a fitted value, at most 1000."""
    value = np.nan_to_num(_value(fits, name), nan=1.0)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        ratio = fits.u[name] / value
    return np.minimum(np.nan_to_num(ratio, nan=unknown, posinf=1e3), 1e3)


def measured(table: SweepTable, fits: SweepFits) -> Measured:
    """Collect what the fits say.

    Parameters
    ----------
    table : SweepTable
    fits : SweepFits
        Of the same sweeps.
    """
    if len(table) != len(fits):
        raise ValueError(f"{len(table)} sweeps but {len(fits)} fits")
    found = _from_fits(table, fits)
    has_points = np.diff(table.starts) > 1
    found = replace(found, kind=np.where(has_points, found.kind, NONE))
    ends = end_currents(table)
    short = rules()["short_below"].value
    ok = believed(fits, found.v_low_V, found.v_high_V, found.i_high_A, ends, short)
    ok &= ~np.array([j == "CE" for j in table.junction], bool)  # no law of one junction holds for a C-E path
    found = _no_more_than_flows(found, ends[0])
    blind = ok & has_points & (found.kind == JUNCTION) & np.isinf(found.path_ohm) & np.isnan(found.floor_ohm)
    if blind.any():  # no word on a shunt: it cannot carry more than all that flows in reverse
        rows = np.flatnonzero(blind)
        floor = found.floor_ohm.copy()
        floor[rows] = ask_points(table, rows, TEST_A).floor_ohm
        found = replace(found, floor_ohm=floor)
    found = _no_offset_for_a_path(found, table, ok & has_points)
    found = _no_finer_than_a_digit(found, table, ok & has_points)
    doubtful = np.flatnonzero(~ok & has_points)
    found = _from_points(found, table, doubtful) if doubtful.size else found
    return _two_passes(found, table)


def _two_passes(m: Measured, table: SweepTable) -> Measured:
    """Mark sweeps that hold two passes which contradict each other: noise found from both hides it."""
    turns = np.diff(np.sign(np.diff(table.v_V)), prepend=0.0) != 0
    count = np.diff(table.starts)
    full = np.flatnonzero(count > 5)
    if not full.size or not turns.size:
        return m
    many = np.add.reduceat(np.append(turns, [False, False]), table.starts[:-1][full])
    rows = full[many >= 2]  # a sweep in one direction holds one pass
    if not rows.size:
        return m
    doubt = m.doubt.copy()
    differ = passes_differ(*sorted_points(table, rows))
    doubt[rows[differ]] = PASSES_DIFFER
    return replace(m, doubt=doubt)


def _no_offset_for_a_path(m: Measured, table: SweepTable, ok: np.ndarray) -> Measured:
    """Hold a fitted shunt to the slope of the points: a path passes through 0, 0 and makes whole digits.

    The constant current of an ammeter's offset, and the rounding of a converter, fit a shunt as well; only
    a current that grows with the voltage below the knee is one.
    """
    rows = np.flatnonzero(ok & (m.kind == JUNCTION) & np.isfinite(m.path_ohm) & (m.n > 0))
    if not rows.size:
        return m
    # Up to where the junction's own current is a tenth of what the shunt carries at 0.1 V; no breakdown.
    with np.errstate(over="ignore", divide="ignore"):
        own = np.where(m.sat_A > 0, m.sat_A, np.inf)[rows] * m.path_ohm[rows]
        top = m.n[rows] * thermal_voltage(REFERENCE_TEMP_C) * np.log1p(0.01 / own)
    low = np.where(np.isfinite(m.bv_V), 0.65, 1.0)[rows] * m.v_low_V[rows]
    slope, u = line_slope(table, rows, low, np.maximum(top, np.where(low < -NEAR_ZERO_V, 0.0, top)))
    path, floor = m.path_ohm.copy(), m.floor_ohm.copy()
    unseen = ~(slope > SEEN_U * u)
    # A line through points that stand in the limit, or too few, says nothing against what was fitted.
    unseen &= np.isfinite(slope) | ~(low < -NEAR_ZERO_V)
    with np.errstate(over="ignore", divide="ignore"):
        resolved = 1.0 / (np.fmax(np.nan_to_num(slope), 0.0) + SEEN_U * u)
    floor[rows] = np.where(unseen, np.minimum(resolved, MOST_OHM), floor[rows])
    floor[rows] = np.where(unseen & ~np.isfinite(floor[rows]), path[rows], floor[rows])
    path[rows] = np.where(unseen, np.inf, path[rows])
    return replace(m, path_ohm=path, floor_ohm=floor)


def _no_finer_than_a_digit(m: Measured, table: SweepTable, ok: np.ndarray) -> Measured:
    """Hold the path that could hide to what the log's least step resolves, however many points there are.

    Rounded readings that all say the same do not average: a path under four standard uncertainties of
    rounding, 4 step/sqrt(12) (JCGM 100:2008, F.2.2.1), over the voltage below the knee would not show.
    """
    rows = np.flatnonzero(ok & (m.kind == JUNCTION) & np.isinf(m.path_ohm) & (m.n > 0))
    if not rows.size:
        return m
    step = least_step(table)[rows]
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        own = np.where(m.sat_A > 0, m.sat_A, np.inf)[rows]
        top = m.n[rows] * thermal_voltage(REFERENCE_TEMP_C) * np.log1p(step / own)
        width = np.minimum(top, m.v_high_V[rows]) - np.minimum(m.v_low_V[rows], 0.0)
        resolved = width / (SEEN_U * step / np.sqrt(12.0))
    floor = m.floor_ohm.copy()
    floor[rows] = np.fmin(floor[rows], np.where(step > 0, resolved, np.inf))
    return replace(m, floor_ohm=np.where(np.isinf(floor) & np.isinf(m.path_ohm), MOST_OHM, floor))


def _no_more_than_flows(m: Measured, reverse_A: np.ndarray) -> Measured:
    """Hold a fitted shunt to the current seen at the deepest reverse voltage: it cannot carry more."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        held = (m.v_low_V < -0.3) & (m.kind == JUNCTION) & (reverse_A > 0)
        chord = np.where(held, -m.v_low_V / reverse_A, 0.0)
    return replace(m, path_ohm=np.maximum(m.path_ohm, 0.8 * chord))


def _from_fits(table: SweepTable, fits: SweepFits) -> Measured:
    v_low, v_high, i_high = _ends(table)
    kind = _KIND[fits.model]
    value = {name: _value(fits, name) for name in _RANGES}
    whole = kind == RESISTOR
    path = np.where(whole, value["R_ohm"], value["RSH_ohm"])
    path_u = np.where(whole, _relative(fits, "R_ohm", 0.3), _relative(fits, "RSH_ohm", 0.3))
    seen = np.isfinite(path)
    floor = np.where(np.isfinite(fits.low["RSH_ohm"]), fits.low["RSH_ohm"], fits.low["R_ohm"])
    floor = np.where(np.isfinite(floor), np.clip(floor, 0.0, MOST_OHM), np.nan)
    u_extra = np.where(fits.flags["uncertainty_known"], 0.0, 0.5)
    drift = np.nan_to_num(table.temp_span_K)  # a sweep has one temperature, somewhere in that span
    temp_u = np.hypot(np.where(fits.temp_known, TEMP_U_K, TEMP_UNKNOWN_U_K), drift / np.sqrt(12.0))
    n = np.maximum(value["N"], 1.0)  # a lower one says no more than 1 does; nan stays nan
    both = [np.nan_to_num(value[x]) for x in ("IS_A", "ISR_A")]
    sat = both[0] + both[1]
    shares = [x * _relative(fits, y, 0.5) for x, y in zip(both, ("IS_A", "ISR_A"), strict=True)]
    sat_u = np.hypot(*shares) / np.where(sat > 0, sat, 1.0)
    return Measured(
        kind, v_low, v_high, i_high, n,
        np.hypot(_spread(fits, "N", 0.2), n * temp_u / (ZERO_CELSIUS_K + REFERENCE_TEMP_C)),
        np.nan_to_num(value["RS_ohm"]),  # a limit alone is no objection
        sat, np.hypot(sat_u, u_extra).clip(GAIN_U), np.where(seen, path, np.inf),
        np.hypot(path_u, u_extra).clip(GAIN_U), np.where(seen, np.inf, floor), value["BV_V"],
        np.hypot(_spread(fits, "BV_V", 0.0), 0.01 * np.nan_to_num(value["BV_V"])),
        np.where(fits.temp_known, fits.temp_C, REFERENCE_TEMP_C), temp_u, *np.full((2, len(fits)), np.nan),
        *np.zeros((2, len(fits)), bool), np.zeros(len(fits), int), np.full(len(fits), np.nan),
    )  # fmt: skip


def _from_points(m: Measured, table: SweepTable, rows: np.ndarray) -> Measured:
    """Put what the points say in the place of fits that cannot be believed."""
    ce = np.array([table.junction[k] == "CE" for k in rows.tolist()], bool)
    seen = ask_points(table, rows, TEST_A, knee_free=ce)
    rule = rules()
    changed = {name: np.array(getattr(m, name), copy=True) for name in m.__dataclass_fields__}
    open_above, short = rule["open_above"].value, rule["short_below"].value
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        path = seen.path_S > SEEN_U * seen.path_u_S
        runs = seen.top_S > SEEN_U * seen.top_u_S
        dead = ((seen.span_ohm > open_above) | seen.flat) & ~(seen.most_ohm < short)
        hard = seen.even & (seen.most_ohm < short) & ~dead
        alike = seen.even & path & runs & (np.abs(np.log(seen.top_S * (1 / seen.path_S))) < 0.5)
        # Both ends in the current limit: the chords differ, but nothing bends like a junction.
        alike |= seen.even & np.isnan(seen.knee_V) & path
        line = seen.even & np.isfinite(seen.straight_S)
        alike = (alike | line) & ~dead & ~hard
        # The points nearest to zero measure a short, or show that it is at most so large.
        at_most = hard & ~(seen.free & path)
        widest = np.log(np.maximum(seen.most_ohm / LEAST_SHORT_OHM, 1.0))
        ohm = np.where(path, 1.0 / seen.path_S, np.inf)
        ohm = np.where(line, 1.0 / seen.straight_S, ohm)
        ohm = np.where(hard, np.minimum(ohm, seen.most_ohm), ohm)
        ohm = np.where(at_most, seen.most_ohm * np.exp(-0.5 * widest), ohm)
        ohm = np.where(dead, np.inf, ohm)
        u = np.hypot(CHORD_U, np.where(path & ~line, seen.path_u_S / seen.path_S, 0.0))
        unseen = np.isinf(ohm) & (seen.floor_ohm > 0)
        floor = np.where(dead & ~seen.flat, np.maximum(seen.span_ohm, seen.floor_ohm), seen.floor_ohm)
    nothing = ~dead & ~hard & ~alike & ~ce & np.isnan(seen.knee_V)
    kind = np.select([dead, hard | alike | ce, nothing], [OPEN, RESISTOR, NONE], JUNCTION)
    put = {
        "kind": kind, "n": np.nan, "n_u": np.nan, "rs_ohm": 0.0, "sat_A": 0.0, "sat_u_ln": CHORD_U,
        "path_ohm": np.maximum(ohm, 1e-6),
        "path_u_ln": np.where(at_most, np.hypot(widest / np.sqrt(12.0), GAIN_U), u),
        "floor_ohm": np.where(unseen, np.minimum(floor, MOST_OHM), np.nan),
        "bv_V": np.nan, "bv_u_V": np.nan, "knee_V": seen.knee_V, "knee_u_V": seen.knee_u_V,
        "from_points": True, "swapped": seen.swapped & ~ce,
        "doubt": np.where(ce & (seen.doubt == BOTH_WAYS), NO_DOUBT, seen.doubt),
        "most_ohm": np.where(at_most, seen.most_ohm, np.nan),
    }  # fmt: skip
    for name, value in put.items():
        changed[name][rows] = value
    return Measured(**changed)


def knee_voltage(fits: SweepFits, i_A: float) -> tuple[np.ndarray, np.ndarray]:
    """Forward voltage of the junction alone, its shunt taken away, at a current.

    Parameters
    ----------
    fits : SweepFits
    i_A : float
        Test current [A].

    Returns
    -------
    v_V, u_V : ndarray (n,)
        Voltage at the sweep's own temperature and its standard uncertainty from the fit [V]; nan where the
        fit has no junction.
    """
    value = {name: _value(fits, name) for name in ("IS_A", "N", "RS_ohm", "ISR_A")}
    value["NR"] = np.where((fits.value["NR"] > 0.05) & (fits.value["NR"] < 200), fits.value["NR"], np.nan)
    has = (value["IS_A"] > 0) & np.isfinite(value["N"])
    names = {"IS_A": 1e-14, "N": 1.0, "RS_ohm": 0.0, "ISR_A": 0.0, "NR": 2.0}
    filled = {k: np.where(has & np.isfinite(value[k]), value[k], v) for k, v in names.items()}
    v, slope = voltage_with_derivatives(i_A, **filled, temp_C=fits.temp_C)
    # Covariance of the logarithms: IS and N are strongly anti-correlated, so it cannot be left out.
    gradient = np.zeros((len(fits), len(fits.coordinates)))
    for k, name in enumerate(fits.coordinates):
        if name in names:
            gradient[:, k] = np.where(np.isfinite(value[name]), slope[name] * filled[name], 0.0)
    covariance = np.nan_to_num(fits.covariance, nan=0.0).clip(-1e12, 1e12)
    gradient = np.nan_to_num(gradient).clip(-1e6, 1e6)
    variance = np.einsum("ni,nij,nj->n", gradient, covariance, gradient).clip(0.0)
    # A series resistance known only as a limit may drop up to that much more.
    top = fits.high["RS_ohm"]
    limit_only = has & np.isnan(fits.value["RS_ohm"]) & np.isfinite(top) & (np.abs(top) < 1e9)
    hidden = np.where(limit_only, 0.5 * i_A * np.where(limit_only, top, 0.0), 0.0)
    unsure = np.where(fits.flags["uncertainty_known"], 0.0, 0.02)
    u = np.sqrt(variance + hidden**2 + unsure**2)
    return np.where(has, v, np.nan), np.where(has, u, np.nan)
