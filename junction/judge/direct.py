"""What the points of a sweep say by themselves, for sweeps whose fit cannot be believed.

A short that sits in the current limit leaves a fit one or two points, an open junction leaves it only
noise, and a burnt junction may follow no law at all.  The technician still sees what it is: the current
at the top, the chord in reverse, both ends alike.  So do these arrays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from junction.base.records import SweepTable
from junction.estimate.results import MODELS, SweepFits

#: Points nearer to zero volt than this tell the meter's offset, not the chord [V].
NEAR_ZERO_V = 0.01
#: Forward points up to here lie before any knee [V]; germanium power junctions start just above.
BEFORE_KNEE_V = 0.05
#: A chi2 this many times its degrees of freedom is that of another law [1].
POOR_CHI2 = 25.0
_OPEN, _RESISTOR = MODELS.index("open"), MODELS.index("resistor")
#: A junction conducts at least this many times better one way than the other [1].
ONE_WAY = 1e3
#: A sweep that conducts in reverse from less than this, and not forward, has its leads swapped [V].
SWAPPED_KNEE_V = 1.2
#: An ideality less certain than this does not hold its junction [1].
MOST_N_U = 0.3
#: Standard uncertainty of a knee read off the points, beside the step [V] (our convention).
KNEE_U_V = 0.02
#: A fitted ideality outside this range is not that of a junction [1].
N_BELIEVED = (0.7, 8.0)


@dataclass(frozen=True, eq=False)
class Direct:
    """Arrays over the sweeps asked for (k,); nan where the sweep has no such points.

    Parameters
    ----------
    top_ohm : ndarray
        Chord of the highest tenth of the forward voltages [ohm].
    span_ohm : ndarray
        Whole swept voltage over the whole change of current, whatever the ammeter's offset [ohm].
    steep_ohm : ndarray
        Median chord of the three points nearest to zero, in reverse or before the knee: the path's resistance
        at low voltage [ohm].
    stopped : ndarray of bool
        These points stand in the current limit: the resistance is smaller still.
    reverse_ohm : ndarray
        Median chord in the middle of the reverse part [ohm]; before the knee where nothing else was logged.
    even : ndarray of bool
        Both ends carry about the same current, as a resistance does and a junction does not.
    knee_V, knee_u_V : ndarray
        Forward voltage where the current, less that of the reverse chord, reaches the test current, and its
        standard uncertainty, a third of the step it lies in included [V].
    swapped : ndarray of bool
        It conducts in reverse as a junction should forward, and not forward.
    """

    top_ohm: np.ndarray
    span_ohm: np.ndarray
    steep_ohm: np.ndarray
    stopped: np.ndarray
    reverse_ohm: np.ndarray
    even: np.ndarray
    knee_V: np.ndarray
    knee_u_V: np.ndarray
    swapped: np.ndarray


def believed(fits: SweepFits, v_low, v_high, i_high, ends, short_ohm) -> np.ndarray:
    """Which fits can be taken at their word.

    Parameters
    ----------
    fits : SweepFits
    v_low, v_high, i_high : ndarray (n,)
        Ends of each sweep [V] and its largest current [A].
    ends : tuple of ndarray (n,)
        As `end_currents` gives them.
    short_ohm : float
        Short limit [ohm]: a resistance fitted to the little that a current limit left must be well under it.
    """
    flags = fits.flags
    ok = (fits.model > 0) & flags["converged"] & ~flags["unphysical"] & ~flags["rank_deficient"]
    n, rs = fits.value["N"], fits.value["RS_ohm"]
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        ok &= ~((n < N_BELIEVED[0]) | (n > N_BELIEVED[1]))  # an absent N is no objection
        ok &= ~(rs > 1e5) & ~(flags["at_bound"] & np.isfinite(n)) & (fits.n_used >= 5)
        ok &= ~(fits.u["N"] > MOST_N_U)
        ok &= ~(fits.chi2 > POOR_CHI2 * np.maximum(fits.dof, 1))
        # An open that carries current, and a junction that carries as much in reverse, are something else.
        offset_only = (fits.low["R_ohm"] > 1e6) & (i_high < 1e-5 * v_high)
        ok &= ~((fits.model == _OPEN) & (i_high > 1e-6 * v_high) & ~offset_only)
        even = (ends[0] > 0.3 * ends[1]) & (ends[1] > 0)
        path = np.where(fits.model == _RESISTOR, fits.value["R_ohm"], fits.value["RSH_ohm"])
        bv = fits.value["BV_V"]
        carries = path < 3.0 * -v_low / ends[0]  # the fitted path is what carries the reverse end
        ok &= ~(even & (fits.model != _OPEN) & ~carries & ~np.isfinite(bv)) & ~(bv < SWAPPED_KNEE_V)
        ok &= ~(fits.value["IS_A"] > 0.3 * i_high)  # that does not rectify
        more = i_high * path > 5.0 * np.maximum(v_high, -v_low)  # its outliers are the better part of it
        # A "junction" whose whole current is of the size of its IS, and next to nothing, is noise.
        faint = (i_high < 1e-6 * v_high) & ((i_high < 30 * fits.value["IS_A"]) | (n > 2.3))
        vague = (fits.model == _RESISTOR) & flags["current_limited"] & (path > 0.5 * short_ohm)
        ok &= ~faint & ~vague
        pulled = np.abs(fits.value["I0_A"]) > 0.1 * i_high
        ok &= ~((fits.model == _RESISTOR) & (flags["poor_fit"] | ~np.isfinite(path) | more | pulled))
    return ok


def end_currents(table: SweepTable) -> tuple[np.ndarray, np.ndarray]:
    """Largest current [A] in the outer tenth of the reverse and of the forward part of every sweep.

    Returns
    -------
    reverse_A, forward_A : ndarray (n,)
        0 where a sweep has no such side.
    """
    out = np.zeros((2, len(table)))
    count = np.diff(table.starts)
    full = np.flatnonzero(count > 0)
    if full.size:
        at, size = table.starts[:-1][full], np.abs(table.i_A)
        for side, pick, sign in ((0, np.fmin, -1.0), (1, np.fmax, 1.0)):
            end = pick.reduceat(table.v_V, at)
            # the outer tenth, not the end point alone: a dropped reading there must not stand for the part
            here = (sign * table.v_V >= 0.9 * sign * np.repeat(end, count[full])) & (sign * table.v_V > 0)
            out[side, full] = np.fmax.reduceat(np.where(here, size, 0.0), at)
    return out[0], out[1]


def _dense(table: SweepTable, rows: np.ndarray):
    """Points of some sweeps as (k, longest) arrays, sorted by voltage, nan beyond the end."""
    count = np.diff(table.starts)[rows]
    length = int(count.max(initial=1))
    place = np.arange(length)
    at = np.minimum(table.starts[:-1][rows][:, None] + place, max(table.v_V.size - 1, 0))
    real = place < count[:, None]
    v, i = np.where(real, table.v_V[at], np.nan), np.where(real, table.i_A[at], np.nan)
    v = np.where(np.isfinite(i), v, np.nan)
    order = np.argsort(v, axis=1)
    return np.take_along_axis(v, order, axis=1), np.take_along_axis(i, order, axis=1)


def _without_spikes(i):
    """Median of each current and its two neighbours in voltage: a rising curve stays what it is."""
    if i.shape[1] < 3:
        return i
    left, here, right = i[:, :-2], i[:, 1:-1], i[:, 2:]
    middle = np.maximum(np.minimum(left, right), np.minimum(np.maximum(left, right), here))
    out = i.copy()
    out[:, 1:-1] = np.where(np.isnan(middle), here, middle)
    return out


def _median(x, keep):
    """Median of each row over kept entries; nan where there are none."""
    ordered = np.sort(np.where(keep, x, np.inf), axis=1)
    n = keep.sum(axis=1)
    middle = np.take_along_axis(ordered, np.maximum((n - 1) // 2, 0)[:, None], axis=1)[:, 0]
    return np.where(n > 0, middle, np.nan)


def ask_points(
    table: SweepTable, rows: np.ndarray, test_A: float = 1e-3, knee_free: np.ndarray | None = None
) -> Direct:
    """Look at the points of some sweeps.

    Parameters
    ----------
    table : SweepTable
    rows : ndarray of int (k,)
    test_A : float
        Test current for the knee [A].
    knee_free : ndarray of bool (k,), optional
        Paths without a knee (collector-emitter), whose forward chords are as good as any.

    Returns
    -------
    Direct
    """
    v, i = _dense(table, rows)
    i = _without_spikes(i)
    if not v.size:
        none = np.full(rows.size, np.nan)
        no = np.zeros(rows.size, bool)
        return Direct(none, none, none, no, none, no, none, none, no)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):  # empty rows and dead currents
        high, low = np.nanmax(np.where(np.isnan(v), -np.inf, v), axis=1), np.nanmin(np.nan_to_num(v), axis=1)
        size = np.abs(i)
        # A current of zero is one under the last digit, and the smallest other one tells what that is.
        digit = np.where(size > 0, size, np.inf).min(axis=1, keepdims=True)
        chord = np.abs(v) / np.maximum(size, digit)
        top = _median(chord, (v >= 0.9 * high[:, None]) & (v > NEAR_ZERO_V))
        reached = np.where(np.isnan(v), np.nan, i)
        span = (high - low) / (np.fmax.reduce(reached, axis=1) - np.fmin.reduce(reached, axis=1))
        before = (v < BEFORE_KNEE_V) & (np.abs(v) >= NEAR_ZERO_V)
        if knee_free is not None:
            before |= knee_free[:, None] & (v >= NEAR_ZERO_V)
        # A short so hard that nothing reaches 10 mV: its largest voltage over its largest current.
        tiny = np.nanmax(np.abs(np.nan_to_num(v)), axis=1) < NEAR_ZERO_V
        largest = np.nanmax(np.nan_to_num(size), axis=1)
        near = _nearest(np.where(before, np.abs(v), np.inf))
        free = size < 0.9 * largest[:, None]
        steep, stopped = _at_low_voltage(*(_pick(x, near) for x in (chord, before, free)))
        steep, stopped = np.where(tiny, NEAR_ZERO_V / largest, steep), stopped & ~tiny
        middle = (v <= 0.3 * low[:, None]) & (v >= 0.65 * low[:, None]) & (v < -NEAR_ZERO_V)
        # two points alone may both be dropouts
        reverse = np.where(middle.sum(axis=1) > 2, _median(chord, middle), np.nan)
        for instead in (v < -NEAR_ZERO_V, before):  # only its end was logged; no reverse part at all
            reverse = np.where(np.isnan(reverse), _median(chord, instead), reverse)
        ends = [np.abs(np.nan_to_num(e)) for e in (_end(i, v, low), _end(i, v, high))]
        both = (low < -NEAR_ZERO_V / 2) & (high > NEAR_ZERO_V / 2)
        even = np.where(both, np.minimum(*ends) > 0.5 * np.maximum(*ends) * _share(low, high), True)
        knee, knee_u = _knee(v, i, reverse, test_A)
        mirror = _knee(-v[:, ::-1], -i[:, ::-1], np.full(rows.size, np.inf), test_A)[0]
        swapped = np.isnan(knee) & (mirror < SWAPPED_KNEE_V) & (high > 0.3) & (top > ONE_WAY * -low / ends[0])
        return Direct(top, span, steep, stopped, reverse, even, knee, knee_u, swapped)


def _nearest(distance):
    """Places of the three smallest distances of each row."""
    return np.argsort(distance, axis=1)[:, :3]


def _pick(x, places):
    return np.take_along_axis(x, places, axis=1)


def _at_low_voltage(chord, real, free):
    """Resistance from the points nearest to zero, and whether it is only an upper limit.

    Free points measure it; points in the current limit say no more than "at most", so the smallest counts.
    """
    measured = (real & free).sum(axis=1) >= 2
    limit = np.where(real, chord, np.inf).min(axis=1)
    limit = np.where(np.isinf(limit), np.nan, limit)
    return np.where(measured, _median(chord, real & free), limit), ~measured


def _share(low, high):
    """Part of the larger end's current that a resistance would carry at the nearer end."""
    return np.minimum(np.minimum(-low, high) / np.maximum(-low, high), 1.0)


def _end(i, v, at):
    """Current at the end of the sweep."""
    return _median(i, np.abs(v - at[:, None]) <= 1e-9 + 0.02 * np.abs(at[:, None]))


def _knee(v, i, reverse_ohm, test_A):
    own = i - np.nan_to_num(v / reverse_ohm[:, None])
    beyond = (own >= test_A) & (v > 0)
    first = np.argmax(beyond, axis=1)
    k = np.arange(v.shape[0])
    before = np.maximum(first - 1, 0)
    i1, i2 = np.maximum(own[k, before], 1e-15), own[k, first]
    v1, v2 = v[k, before], v[k, first]
    share = np.log(test_A / i1) / np.log(i2 / i1)
    knee = np.where((first > 0) & (i2 > i1), v1 + np.clip(share, 0, 1) * (v2 - v1), v2)
    some = beyond.any(axis=1)
    u = np.hypot(KNEE_U_V, np.where(first > 0, v2 - v1, v2) / 3.0)
    return np.where(some, knee, np.nan), np.where(some, u, np.nan)
