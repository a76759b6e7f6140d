"""What a table of sweeps and its fits say about each junction, as plain arrays, before any limit.

A fit that can be taken at its word speaks; for the others the points do.  Everything is referred to 25 degC
where a family's temperature law allows it; where the temperature was not recorded, the spread of bench
temperatures goes into the uncertainties instead.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from junction.base.records import SweepTable
from junction.base.units import REFERENCE_TEMP_C, ZERO_CELSIUS_K, thermal_voltage
from junction.shelf.tables import rule
from junction.sweeps.derived import voltage_of
from junction.sweeps.results import MODELS, SweepFits
from junction.sweeps.terms import AR, BR, RS, A, B
from junction.verdict import facts, points
from junction.verdict.points import JUNCTION, MOST_OHM, NONE, OPEN, RESISTOR, REVERSE_ONLY, of_each

_BARE = {"none": NONE, "open": OPEN, "resistor": RESISTOR, "breakdown": REVERSE_ONLY}
_KIND = np.array([_BARE.get(model, JUNCTION) for model in MODELS])
_OPEN, _RESISTOR = MODELS.index("open"), MODELS.index("resistor")

#: Coordinates of the junction alone.
_KNEE = [A, B, RS, AR, BR]
#: No junction on a bench has values outside these; what a fit holds beyond them is no value (nan).
_RANGES = {
    "IS_A": (0.0, 1e3), "ISR_A": (0.0, 1e3), "N": (0.05, 200.0), "NR": (0.05, 200.0), "RS_ohm": (0.0, 1e12),
    "RSH_ohm": (1e-6, MOST_OHM), "R_ohm": (1e-6, MOST_OHM), "BV_V": (1e-3, 1e5),
}  # fmt: skip
_quiet = np.errstate(invalid="ignore", divide="ignore", over="ignore")


@_quiet
def measured(table: SweepTable, fits: SweepFits, test_A: float) -> SimpleNamespace:
    """Collect what the fits, or the points, say.

    Parameters
    ----------
    table : SweepTable
    fits : SweepFits
        Of the same sweeps.
    test_A : float
        Current at which a forward voltage is read off the points [A].

    Returns
    -------
    namespace of ndarray (n,)
        ``reverse_blind``: the reverse readings stood at the end of their range.
        ``own_ohm``: a base-emitter resistor of the part's own, taken out, nan here [ohm]. ``ce``: a path
        from collector to emitter. ``kind``: one of NONE, OPEN, RESISTOR, JUNCTION, REVERSE_ONLY.
        ``v_low_V``, ``v_high_V``, ``i_high_A``: ends of the sweep [V] and the largest current logged [A].
        ``n``, ``n_u``, ``rs_ohm``, ``rs_u_ln``: ideality [1] with its standard uncertainty, series
        resistance [ohm] (0 where it is only limited) with that of its logarithm [1]. ``zero_ohm``: lowest
        chord next to zero volt [ohm]. ``reverse_A``: largest reverse current logged, of a collector-emitter
        path the forward one [A]. ``sat_A``, ``sat_u_ln``: saturation current at the sweep's temperature
        [A], standard uncertainty of its logarithm [1]. ``path_ohm``, ``path_u_ln``: resistance beside the
        junction (shunt, or the whole path) [ohm], inf where there is none to be seen; standard uncertainty
        of its logarithm [1]. ``floor_ohm``: where no path is seen, one of at least this resistance could
        hide [ohm]. ``bv_V``, ``bv_u_V``: breakdown voltage [V], nan where none was reached. ``temp_C``,
        ``temp_u_K``: recorded temperature (25 where unknown) [degC] and its standard uncertainty [K].
        ``knee_V``, ``knee_u_V``: forward voltage at the test current read off the points where the fit
        cannot be believed, and its standard uncertainty [V]; else nan. ``from_points``, ``swapped``: the
        points were asked, not the fit; they say that the leads were swapped. ``doubt``: what the points
        show that no junction, resistance or gap does, as a row of reference/sentences.csv, else ''; such a
        sweep gets no verdict, whatever fits it. ``most_ohm``: steps of current show a resistance to be at
        most this [ohm].
    """
    if len(table) != len(fits):
        raise ValueError(f"{len(table)} sweeps but {len(fits)} fits")
    kind, gain_u = _KIND[fits.model], rule("sweep_gain_u")
    value = {name: _value(fits, name) for name in _RANGES}
    whole = kind == RESISTOR
    path = np.where(whole, value["R_ohm"], value["RSH_ohm"])
    path_u = np.where(whole, _relative(fits, "R_ohm", 0.3), _relative(fits, "RSH_ohm", 0.3))
    floor = np.where(np.isfinite(fits.low["RSH_ohm"]), fits.low["RSH_ohm"], fits.low["R_ohm"])
    floor = np.where(np.isfinite(floor), np.clip(floor, 0.0, MOST_OHM), np.nan)
    u_extra = np.where(fits.flags["uncertainty_known"], 0.0, 0.5)
    drift = np.nan_to_num(table.temp_span_K)  # a sweep has one temperature, somewhere in that span
    temp_u = np.where(fits.temp_known, rule("temp_u"), rule("temp_u_missing"))
    temp_u = np.hypot(temp_u, drift / np.sqrt(12.0))
    n = np.maximum(value["N"], 1.0)  # a lower one says no more than 1 does; nan stays nan
    n_u, bv_u = (np.nan_to_num(fits.u[x], nan=unknown, posinf=1e6).clip(0.0, 1e6)
                 for x, unknown in (("N", 0.2), ("BV_V", 0.0)))  # fmt: skip
    parts = [np.nan_to_num(value[x]) for x in ("IS_A", "ISR_A")]
    sat = parts[0] + parts[1]
    shares = [x * _relative(fits, y, 0.5) for x, y in zip(parts, ("IS_A", "ISR_A"), strict=True)]
    sat_u = np.hypot(*shares) / np.where(sat > 0, sat, 1.0)
    unknown = {name: np.full(len(fits), np.nan) for name in ("knee_V", "knee_u_V", "most_ohm")}
    asked, swapped = np.zeros((2, len(fits)), bool)
    ce = np.array([j == "CE" for j in table.junction], bool)
    m = SimpleNamespace(
        own_ohm=np.full(len(fits), np.nan), reverse_blind=np.zeros(len(fits), bool), ce=ce, kind=kind,
        v_low_V=of_each(table, np.fmin, table.v_V),
        v_high_V=of_each(table, np.fmax, table.v_V), i_high_A=of_each(table, np.fmax, np.abs(table.i_A)), n=n,
        n_u=np.hypot(n_u, n * temp_u / (ZERO_CELSIUS_K + REFERENCE_TEMP_C)),
        rs_ohm=np.nan_to_num(value["RS_ohm"]),  # a limit alone is no objection
        rs_u_ln=np.hypot(_relative(fits, "RS_ohm", 0.3), rule("sweep_inside_u")),
        reverse_A=_off_current(table, ce), zero_ohm=_chord_at_zero(table),
        sat_A=sat, sat_u_ln=np.hypot(sat_u, u_extra).clip(gain_u),
        path_ohm=np.where(np.isfinite(path), path, np.inf), path_u_ln=np.hypot(path_u, u_extra).clip(gain_u),
        floor_ohm=np.where(np.isfinite(path), np.inf, floor), bv_V=value["BV_V"],
        bv_u_V=np.hypot(bv_u, 0.01 * np.nan_to_num(value["BV_V"])),
        temp_C=np.where(fits.temp_known, fits.temp_C, REFERENCE_TEMP_C), temp_u_K=temp_u, swapped=swapped,
        from_points=asked, doubt=np.full(len(fits), "", object), **unknown,
    )  # fmt: skip
    count = np.diff(table.starts)
    full = count > 1
    m.kind[~full] = NONE
    # Largest current in the outer tenth of the reverse and of the forward part [A]; 0: no such part.
    # Not at the end point alone: a dropped reading there must not stand for the part.
    ends, deep = [], None
    for sign, end in ((-1.0, m.v_low_V), (1.0, m.v_high_V)):
        here = (sign * table.v_V >= 0.9 * sign * np.repeat(end, count)) & (sign * table.v_V > 0)
        ends.append(of_each(table, np.fmax, np.where(here, np.abs(table.i_A), 0.0), 0.0))
        free = here & fits.used if fits.used.size else here  # not in the source's limit, which says nothing
        deep = of_each(table, np.fmax, np.where(free, np.abs(table.i_A), 0.0), 0.0) if sign < 0 else deep
    # no law of one junction holds for a collector-emitter path
    ok = full & believed(fits, m, ends) & ~m.ce
    # A fitted shunt cannot carry more than what flows at the deepest reverse voltage.
    held = (m.v_low_V < -0.3) & (m.kind == JUNCTION) & (deep > 0)
    m.path_ohm = np.maximum(m.path_ohm, np.where(held, 0.8 * -m.v_low_V / deep, 0.0))
    blind = np.flatnonzero(ok & (m.kind == JUNCTION) & np.isinf(m.path_ohm) & np.isnan(m.floor_ohm))
    # no word on a shunt: it cannot carry more than all that flows in reverse
    m.floor_ohm[blind] = points.ask_points(table, blind, test_A, m.ce[blind]).hides_ohm
    _hold_shunt_to_points(m, table, ok)
    doubtful = np.flatnonzero(~ok & full)
    seen = vars(points.ask_points(table, doubtful, test_A, m.ce[doubtful]))
    for name in vars(m).keys() & seen.keys():
        vars(m)[name][doubtful] = seen[name]
    _breakdown_of_points(m, table, fits)
    _hold_to_forward(m, table)
    m.floor_ohm[np.isinf(m.floor_ohm) & np.isinf(m.path_ohm)] = np.nan
    # Two passes that contradict each other: noise found from both hides it from the fit.
    turns = np.diff(np.sign(np.diff(table.v_V)), prepend=0.0) != 0
    back = of_each(table, np.add, np.append(turns, False)[: table.v_V.size], 0) >= 2
    rows = np.flatnonzero(full & (~ok | back & (count > 5)))
    differ = points.passes_differ(*points.sorted_points(table, rows))
    m.doubt[rows[differ]] = "sweep_passes_differ"
    return m


def _off_current(table: SweepTable, ce: np.ndarray) -> np.ndarray:
    """Largest current that flows the way a junction blocks, and with the base open [A]."""
    sign = np.repeat(np.where(ce, 1.0, -1.0), np.diff(table.starts))
    away = sign * table.v_V > rule("points_near_zero")
    return of_each(table, np.fmax, np.where(away, sign * table.i_A, 0.0), 0.0)


def _hold_to_forward(m: SimpleNamespace, table: SweepTable) -> None:
    """Where the instrument holds the reverse current still, only the forward part tells of a leak."""
    junction = (m.kind == JUNCTION) & ~m.ce
    # what the forward part shows and the reverse does not; what is read off the reverse part alone
    m.reverse_blind |= junction & (-m.v_low_V / m.path_ohm > 10.0 * m.reverse_A) & (m.v_low_V < -0.3)
    rows = np.flatnonzero(junction & (m.reverse_A > 0) & ~m.reverse_blind)
    knee = np.where(np.isfinite(m.knee_V), m.knee_V, 0.0)[rows]
    # by the fit; by the points, with N between 1 and 2
    sat = [np.where(m.sat_A[rows] > 0, m.sat_A[rows],
                    np.where(knee > 0, 1e-3 * np.exp(-knee / (n * thermal_voltage(REFERENCE_TEMP_C))), 0.0))
           for n in (1.0, 2.0)]  # fmt: skip
    p = points.Points(table, rows)
    still = points.flat_reverse(p, *sat)
    if still.any():
        still &= np.isinf(m.path_ohm[rows]) | m.from_points[rows]
        rows, p = rows[still], points.Points(table, rows[still])
        m.path_ohm[rows] = np.inf
        m.reverse_blind[rows] = True
        before = (p.v > -rule("points_near_zero")) & (p.v < 0.4 * p.high[:, None])
        slope, u, *_ = p.line(p.real & ~p.stands & before)
        # a digit of the forward range
        size = np.where(p.real & (p.v > 0) & (p.i > 0), p.i, np.inf).min(axis=1)
        hides = 2.0 * np.where(np.isfinite(size), size, 0.0) / (0.4 * p.high)
        most = np.fmax(np.nan_to_num(slope), 0.0) + np.fmax(rule("points_seen") * u, hides)
        m.floor_ohm[rows] = np.where(np.isfinite(most) & (most > 0), 1.0 / most, m.floor_ohm[rows])


def _chord_at_zero(table: SweepTable) -> np.ndarray:
    """Resistance that the currents next to zero volt tell of at the most, on one side or on both [ohm]."""
    v, most, count = table.v_V, rule("facts_zero"), np.diff(table.starts)
    at_zero = np.abs(v) < rule("points_near_zero")  # what flows there is the ammeter's
    offset = of_each(table, np.add, np.where(at_zero, table.i_A, 0.0), 0.0)
    offset /= np.maximum(of_each(table, np.add, at_zero.astype(float), 0.0), 1.0)
    i = table.i_A - np.repeat(offset, count)
    some = np.abs(v) >= rule("points_near_zero")

    def chord(low, high):  # of all points there, none of them against its voltage
        here = some & (v >= low) & (v <= high)
        sums = (of_each(table, np.add, np.where(here, x, 0.0), 0.0) for x in (v * v, v * i, v * i <= 0))
        vv, vi, against = sums
        return np.where((vi > 0) & (against == 0), vv / np.where(vi > 0, vi, 1.0), np.inf)

    ratio = np.where(some & (v * i > 0), v / np.where(i == 0, 1.0, i), np.inf)
    both = np.maximum(*(of_each(table, np.fmin, np.where((v >= low) & (v <= high), ratio, np.inf), np.inf)
                        for low, high in ((-rule("points_swapped_knee"), 0.0), (0.0, 3.0 * most))))
    return np.minimum(chord(-most, most), both)


def _breakdown_of_points(m: SimpleNamespace, table: SweepTable, fits: SweepFits) -> None:
    """Breakdown voltages by the points: where no fit gave one, and none where they show none."""
    bar = rule("facts_breakdown")
    # one that was passed and carried nothing is none
    m.bv_V[(m.bv_V < -m.v_low_V) & (m.reverse_A < bar)] = np.nan
    for ce in (False, True):
        rows = np.flatnonzero(np.isnan(m.bv_V) & (m.reverse_A > bar) & (m.ce == ce))
        if not rows.size:
            continue
        found = facts.reverse_points(facts.blocking(table, ce), rows, facts.offset_of(fits, ce)[rows])
        m.bv_V[rows], m.bv_u_V[rows] = facts.breaks_at(found, np.full(rows.size, bar))
        m.bv_u_V[rows] = np.nan_to_num(m.bv_u_V[rows])


def _value(fits: SweepFits, name: str) -> np.ndarray:
    """Fitted value, nan where it is none or outside what can be."""
    low, high = _RANGES[name]
    value = fits.value[name]
    return np.where((value >= low) & (value <= high), value, np.nan)


def _relative(fits: SweepFits, name: str, unknown: float) -> np.ndarray:
    """Relative standard uncertainty of a fitted value, `unknown` where the fit gives none, at most 1000."""
    ratio = fits.u[name] / np.nan_to_num(_value(fits, name), nan=1.0)
    return np.minimum(np.nan_to_num(ratio, nan=unknown, posinf=1e3), 1e3)


@_quiet
def believed(fits: SweepFits, m: SimpleNamespace, ends: np.ndarray) -> np.ndarray:
    """Which fits can be taken at their word; the points of the others are asked instead.

    Parameters
    ----------
    fits : SweepFits
    m : namespace
        Of the same sweeps; its ends of voltage and current are used.
    ends : ndarray (2, n)
        Largest current at the reverse and at the forward end [A].
    """
    flags, value, v_low, v_high, i_high = fits.flags, fits.value, m.v_low_V, m.v_high_V, m.i_high_A
    is_open, is_resistor = fits.model == _OPEN, fits.model == _RESISTOR
    n, bv = value["N"], value["BV_V"]
    ok = (fits.model > 0) & flags["converged"] & ~flags["unphysical"] & ~flags["rank_deficient"]
    ok &= ~((n < rule("believed_n_low")) | (n > rule("believed_n_high")))  # an absent N is no objection
    ok &= ~(value["NR"] > rule("believed_n_high"))  # a path, and no second exponential
    ok &= ~(fits.u["N"] > rule("believed_n_u")) & ~(value["RS_ohm"] > 1e5) & (fits.n_used >= 5)
    ok &= ~(fits.chi2 > rule("believed_chi2") * np.maximum(fits.dof, 1))
    ok &= ~(flags["at_bound"] & (np.isfinite(n) | flags["poor_fit"]))
    # An open fit knows what may hide in offset and noise; a current beyond any offset is no open.
    offset_only = (fits.low["R_ohm"] > rule("believed_open")) & (i_high < rule("points_most_offset"))
    ok &= ~is_open | offset_only
    # A junction that carries as much in reverse is something else, unless the fitted path carries it.
    even = (ends[0] > 0.3 * ends[1]) & (ends[1] > 0)
    path = np.where(is_resistor, value["R_ohm"], value["RSH_ohm"])
    carries = path < 3.0 * -v_low / ends[0]
    ok &= ~(even & ~is_open & ~carries & ~np.isfinite(bv)) & ~(bv < rule("points_swapped_knee"))
    ok &= ~(value["IS_A"] > 0.3 * i_high)  # that does not rectify
    # A "junction" whose whole current is of the size of its IS, and next to nothing, is noise.
    ok &= ~((i_high < 1e-6 * v_high) & ((i_high < 30 * value["IS_A"]) | (n > 2.3)))
    # A resistance fitted to the little that a current limit left must be well under the short limit.
    vague = flags["current_limited"] & (path > 0.5 * rule("short_below"))
    more = i_high * path > 5.0 * np.maximum(v_high, -v_low)  # its outliers are the better part of it
    pulled = np.abs(value["I0_A"]) > 0.1 * i_high
    return ok & ~(is_resistor & (vague | flags["poor_fit"] | ~np.isfinite(path) | more | pulled))


def _hold_shunt_to_points(m: SimpleNamespace, table: SweepTable, ok: np.ndarray) -> None:
    """Hold a fitted shunt, and the one that could hide, to the slope and to the digits of the points.

    A path passes through 0, 0 and makes whole digits.  The constant current of an ammeter's offset, and the
    rounding of a converter, fit a shunt as well; only a current that grows with the voltage below the knee
    is one.  Rounded readings that all say the same do not average: a path under four standard uncertainties
    of rounding, 4 step/sqrt(12) (JCGM 100:2008, F.2.2.1), over the voltage below the knee would not show.
    """
    seen_u, near_zero = rule("points_seen"), rule("points_near_zero")
    junction = ok & (m.kind == JUNCTION) & (m.n > 0)
    per_e = m.n * thermal_voltage(REFERENCE_TEMP_C)
    sat = np.where(m.sat_A > 0, m.sat_A, np.inf)
    rows = np.flatnonzero(junction & np.isfinite(m.path_ohm))
    # Up to where the junction's own current is a tenth of what the shunt carries at 0.1 V; no breakdown.
    top = per_e[rows] * np.log1p(0.01 / (sat[rows] * m.path_ohm[rows]))
    low = (np.where(np.isfinite(m.bv_V), 0.65, 1.0) * m.v_low_V)[rows]
    reverse = low < -near_zero
    p, top = points.Points(table, rows), np.maximum(top, np.where(reverse, 0.0, top))
    # with an offset, that of the ammeter
    slope, u, *_ = p.line((p.v >= low[:, None]) & (p.v <= top[:, None]) & p.real & ~p.stands)
    # A line through points that stand in the limit, or too few, says nothing against what was fitted.
    unseen = ~(slope > seen_u * u) & (np.isfinite(slope) | ~reverse)
    floor = np.minimum(1.0 / (np.fmax(np.nan_to_num(slope), 0.0) + seen_u * u), MOST_OHM)
    floor = np.where(np.isfinite(floor), floor, m.path_ohm[rows])
    m.floor_ohm[rows[unseen]] = floor[unseen]
    m.path_ohm[rows[unseen]] = np.inf
    rows = np.flatnonzero(junction & np.isinf(m.path_ohm))
    # least change of current between points logged one after the other
    step = np.abs(np.diff(table.i_A, append=np.nan))
    step[table.starts[1:][np.diff(table.starts) > 0] - 1] = np.nan  # from one sweep to the next
    step = of_each(table, np.fmin, np.where(step > 0, step, np.inf))[rows]
    step = np.where(np.isfinite(step), step, 0.0)
    top = per_e[rows] * np.log1p(step / sat[rows])
    width = np.minimum(top, m.v_high_V[rows]) - np.minimum(m.v_low_V[rows], 0.0)
    resolved = np.where(step > 0, width / (seen_u * step / np.sqrt(12.0)), np.inf)
    m.floor_ohm[rows] = np.fmin(m.floor_ohm[rows], resolved)
    m.floor_ohm[np.isinf(m.floor_ohm) & np.isinf(m.path_ohm)] = MOST_OHM


@_quiet
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
    held = np.isfinite([_value(fits, name) for name in ("IS_A", "N", "RS_ohm", "ISR_A", "NR")]).T
    has = held[:, 0] & held[:, 1] & (fits.value["IS_A"] > 0)
    theta = np.full(fits.theta.shape, np.nan)
    theta[:, _KNEE] = np.where(held & has[:, None], fits.theta[:, _KNEE], np.nan)
    theta[:, BR] = np.where(held[:, 3] & ~held[:, 4], 0.5, theta[:, BR])
    v, by, _ = voltage_of(theta, fits.temp_C, np.full((len(fits), 1), i_A))
    # IS and N are strongly anti-correlated, so their covariance cannot be left out
    gradient = np.nan_to_num(np.where(held, by[:, _KNEE, 0], 0.0)).clip(-1e6, 1e6)
    covariance = np.nan_to_num(fits.theta_covariance[:, _KNEE][:, :, _KNEE])
    variance = np.einsum("ni,nij,nj->n", gradient, covariance, gradient).clip(0.0)
    # A series resistance known only as a limit may drop up to that much more.
    top = fits.high["RS_ohm"]
    limit_only = np.isnan(fits.value["RS_ohm"]) & np.isfinite(top) & (np.abs(top) < 1e9)
    hidden = 0.5 * i_A * np.where(limit_only, top, 0.0)
    unsure = np.where(fits.flags["uncertainty_known"], 0.0, 0.02)
    return np.where(has, [v[:, 0], np.sqrt(variance + hidden**2 + unsure**2)], np.nan)
