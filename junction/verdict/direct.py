"""What the points of a sweep say by themselves, for sweeps whose fit cannot be believed.

A short that sits in the current limit leaves a fit one or two points, an open junction leaves it only
noise, and a burnt junction may follow no law at all.  The technician still sees what it is: the current
at the top, the chord in reverse, both ends alike.  So do these arrays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from junction.base.records import SweepTable
from junction.verdict.sweep_reasons import BOTH_WAYS, FALLS, LIMITED, NO_DOUBT, PASSES_DIFFER

#: Points nearer to zero volt than this tell the meter's offset, not the chord [V].
NEAR_ZERO_V = 0.01
#: Forward points up to here lie before any knee [V]; germanium power junctions start just above.
BEFORE_KNEE_V = 0.05
#: A junction conducts at least this many times better one way than the other [1].
ONE_WAY = 1e3
#: A sweep that conducts in reverse from less than this, and not forward, has its leads swapped [V].
SWAPPED_KNEE_V = 1.2
#: Standard uncertainty of a knee read off the points, beside the step [V] (our convention).
KNEE_U_V = 0.02
#: An ammeter's offset is smaller than this [A]; more of a current that never changes is the source's limit,
#: or no offset to be passed over in silence (our convention).
MOST_OFFSET_A = 1e-4
#: A slope is a path from this many standard uncertainties on [1]: converters are not normally distributed.
SEEN_U = 4.0
#: A step of current shows a short where it lies this near to zero on one side, or on both sides [V].
ONE_SIDE_V, BOTH_SIDES_V = 0.05, 0.35
#: Points lie on a straight line through zero where none but this share of the largest current is left [1].
STRAIGHT = 0.03
#: Steps about zero that show less than this show a short; the short limit itself is in the rules [ohm].
SURELY_OHM = 50.0
#: Points nearer to each other than this were taken at one voltage [V].
SAME_V = 2e-4
#: Share of the forward points in the current limit from which the rest tells nothing [1].
MOST_LIMITED = 0.8


@dataclass(frozen=True, eq=False)
class Direct:
    """Arrays over the sweeps asked for (k,); nan where the sweep has no such points.

    Parameters
    ----------
    top_S, top_u_S : ndarray
        Slope from the points nearest to zero to the highest tenth of the forward voltages, and its standard
        uncertainty [S].
    path_S, path_u_S : ndarray
        The same to the middle of the reverse part, or through the points before the knee where no reverse
        part was swept [S].  The ammeter's offset is in neither; negative where the noise makes it so.
    straight_S, straight_u_S : ndarray
        Slope of all points before the current limit where they lie on one line, else nan [S].
    span_ohm : ndarray
        Whole swept voltage over the whole change of current, whatever the ammeter's offset [ohm].
    most_ohm : ndarray
        Between neighbouring points about zero that much current starts to flow that the resistance is at
        most this [ohm]; nan where no such step was logged.
    free : ndarray of bool
        Points before the current limit measure the resistance.
    flat : ndarray of bool
        The current does not change beyond its scatter over the whole sweep.
    floor_ohm : ndarray
        A path of at least this resistance could hide in offset and scatter [ohm].
    even : ndarray of bool
        Both ends carry about the same current, as a resistance does and a junction does not.
    knee_V, knee_u_V : ndarray
        Forward voltage where the current, less that of the path, reaches the test current, and its standard
        uncertainty, a third of the step it lies in included [V].
    swapped : ndarray of bool
        It conducts in reverse as a junction should forward, and not forward.
    doubt : ndarray of int
        One of `junction.verdict.sweep_reasons`: what no junction, resistance or gap does, 0 for nothing.
    """

    top_S: np.ndarray
    top_u_S: np.ndarray
    path_S: np.ndarray
    path_u_S: np.ndarray
    straight_S: np.ndarray
    straight_u_S: np.ndarray
    span_ohm: np.ndarray
    most_ohm: np.ndarray
    free: np.ndarray
    flat: np.ndarray
    floor_ohm: np.ndarray
    even: np.ndarray
    knee_V: np.ndarray
    knee_u_V: np.ndarray
    swapped: np.ndarray
    doubt: np.ndarray


def sorted_points(table: SweepTable, rows: np.ndarray):
    """Points of some sweeps [V], [A] as (k, longest) arrays, sorted by voltage, nan beyond the end."""
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


@dataclass(frozen=True, eq=False)
class _Points:
    """Points of k sweeps sorted by voltage, (k, longest), with their scatter (k,)."""

    v: np.ndarray
    i: np.ndarray
    low: np.ndarray
    high: np.ndarray
    u_A: np.ndarray  # scatter of one current near zero
    digit_A: np.ndarray  # least change of the current that was logged
    stands: np.ndarray  # (k, longest) points in the current limit, which tell no slope

    def centre(self, keep):
        """Median voltage and current of the points kept, and the current's standard uncertainty."""
        count = np.maximum(keep.sum(axis=1), 1)
        # Rounding does not average out: the same digit stands in every reading.
        u = np.hypot(1.25 * self.u_A / np.sqrt(count), self.digit_A / np.sqrt(12.0))
        return _median(self.v, keep), _median(self.i, keep), u


def _points(v, i) -> _Points:
    real = np.isfinite(v)
    high = np.where(real, v, -np.inf).max(axis=1)
    low = np.where(real, v, np.inf).min(axis=1)
    low, high = np.where(np.isfinite(low), low, np.nan), np.where(np.isfinite(high), high, np.nan)
    change = np.abs(np.diff(i, axis=1))
    digit = np.where(change > 0, change, np.inf).min(axis=1, initial=np.inf)
    digit = np.where(np.isfinite(digit), digit, 0.0)
    scatter, some = _scatter(v, i)
    scatter = np.where(some, scatter, np.maximum(scatter, digit))
    largest = np.fmax.reduce(np.abs(i), axis=1)
    coarse = np.minimum(3.0 * scatter + 2.5 * digit, 0.15 * largest)
    at_top = (np.abs(i) > (largest - np.maximum(0.02 * largest, coarse))[:, None]) & (v != 0)
    at_top &= (largest > MOST_OFFSET_A)[:, None]
    sides = [at_top & (np.sign(v) == s) for s in (-1, 1)]
    stands = np.logical_or(*(x & (x.sum(axis=1) >= 3)[:, None] for x in sides))
    return _Points(v, i, low, high, scatter, digit, stands)


def _scatter(v, i):
    """Scatter of the currents before the knee about the line between neighbours [A], and whether any tell."""
    if v.shape[1] < 3:
        return np.zeros(v.shape[0]), np.zeros(v.shape[0], bool)
    gap = v[:, 2:] - v[:, :-2]
    share = np.where(gap > 0, (v[:, 1:-1] - v[:, :-2]) / np.where(gap > 0, gap, 1.0), 0.5)
    off = np.abs(i[:, 1:-1] - (1 - share) * i[:, :-2] - share * i[:, 2:])
    off /= np.sqrt(1.0 + share**2 + (1 - share) ** 2)
    real = np.isfinite(off)
    near = (v[:, 2:] < BEFORE_KNEE_V) & real
    low = np.fmin.reduce(v, axis=1)[:, None]
    # as near to zero as the sweep allows: further out a breakdown or second knee may bend the curve itself
    for least, keep in ((3, real), (3, near), (8, near & (v[:, :-2] > 0.3 * low))):
        near = np.where((keep.sum(axis=1) >= least)[:, None], keep, near)
    # half of all normal deviations are within 0.674 standard deviations
    return np.nan_to_num(_quantile(off, near, 0.5)) / 0.674, near.sum(axis=1) >= 3


def _quantile(x, keep, share):
    """Quantile of each row over kept entries; nan where there are none."""
    ordered = np.sort(np.where(keep, x, np.inf), axis=1)
    n = keep.sum(axis=1)
    if not x.shape[1]:
        return np.full(x.shape[0], np.nan)
    place = np.clip((share * (n - 1) + 0.5).astype(int), 0, x.shape[1] - 1)
    return np.where(n > 0, np.take_along_axis(ordered, place[:, None], axis=1)[:, 0], np.nan)


def _chord(a, b):
    """Slope between two groups of points [S] with its standard uncertainty."""
    rise = np.abs(b[0] - a[0])
    return (b[1] - a[1]) / (b[0] - a[0]), np.hypot(a[2], b[2]) / rise


def _line(p: _Points, keep):
    """Slope of the straight line through the points kept, offset and all, with its uncertainty [S]."""
    n = keep.sum(axis=1)
    v, i = np.where(keep, p.v, 0.0), np.where(keep, p.i, 0.0)
    mean_v, mean_i = v.sum(axis=1) / n, i.sum(axis=1) / n
    dv = np.where(keep, p.v - mean_v[:, None], 0.0)
    sxx = (dv**2).sum(axis=1)
    slope = (dv * i).sum(axis=1) / sxx
    left = np.where(keep, p.i - mean_i[:, None] - slope[:, None] * dv, 0.0)
    u_i = np.maximum(np.sqrt((left**2).sum(axis=1) / np.maximum(n - 2, 1)), p.u_A)
    width = np.where(keep, p.v, -np.inf).max(axis=1) - np.where(keep, p.v, np.inf).min(axis=1)
    u = np.hypot(u_i / np.sqrt(sxx), p.digit_A / np.sqrt(6.0) / width)
    some = (n >= 2) & (sxx > 0)
    return np.where(some, slope, np.nan), np.where(some, u, np.nan)


def least_step(table: SweepTable) -> np.ndarray:
    """Least change of current between points logged one after the other, of every sweep (n,) [A]; 0: none."""
    out = np.zeros(len(table))
    full = np.flatnonzero(np.diff(table.starts) > 1)
    if full.size:
        step = np.abs(np.diff(table.i_A, append=np.nan))
        step[table.starts[1:][np.diff(table.starts) > 0] - 1] = np.nan  # from one sweep to the next
        least = np.fmin.reduceat(np.where(step > 0, step, np.inf), table.starts[:-1][full])
        out[full] = np.where(np.isfinite(least), least, 0.0)
    return out


def line_slope(
    table: SweepTable, rows: np.ndarray, above_V: np.ndarray, below_V: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Slope of a straight line with an offset through the points between two voltages.

    Parameters
    ----------
    table : SweepTable
    rows : ndarray of int (k,)
    above_V, below_V : ndarray (k,)
        Lowest and highest voltage of the points taken [V].

    Returns
    -------
    slope_S, u_S : ndarray (k,)
        Conductance and its standard uncertainty from scatter and digit [S]; nan with fewer than two points.
    """
    v, i = sorted_points(table, rows)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        p = _points(v, _without_spikes(i))
        return _line(p, (v >= above_V[:, None]) & (v <= below_V[:, None]) & np.isfinite(i) & ~p.stands)


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
        Paths without a knee (collector-emitter), whose forward points are as good as any.

    Returns
    -------
    Direct
    """
    v, i = sorted_points(table, rows)
    if not v.size:
        none, no = np.full(rows.size, np.nan), np.zeros(rows.size, bool)
        return Direct(*[none] * 8, no, no, none, no, none, none, no, np.zeros(rows.size, int))
    differ = passes_differ(v, i)
    i = _without_spikes(i)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):  # empty rows and dead currents
        p = _points(v, i)
        low, high = p.low, p.high
        whole = np.fmax.reduce(i, axis=1) - np.fmin.reduce(i, axis=1)
        span = (high - np.minimum(low, 0.0)) / whole
        free_of_knee = np.zeros(rows.size, bool) if knee_free is None else knee_free
        zero = _near_zero(p)
        top = _chord(zero, p.centre(v >= np.maximum(0.9 * high, zero[0] + 1e-9)[:, None]))
        path, bends, stopped = _path(p, zero, free_of_knee)
        straight = _straight(p)
        most, free = _most_ohm(p)
        flat = (whole <= 6.0 * p.u_A) | (whole <= 3.0 * p.digit_A) | (whole == 0)
        every = _line(p, np.isfinite(i))
        hides = np.where(flat, every, path)
        floor = 1.0 / (np.fmax(hides[0], 0.0) + SEEN_U * hides[1])
        ends = [np.abs(np.nan_to_num(e)) for e in (_end(i, v, low), _end(i, v, high))]
        both = (low < -NEAR_ZERO_V / 2) & (high > NEAR_ZERO_V / 2)
        even = np.where(both, np.minimum(*ends) > 0.5 * np.maximum(*ends) * _share(low, high), True)
        offset = np.nan_to_num(zero[1] * (np.abs(zero[1]) < MOST_OFFSET_A))[:, None]
        knee, knee_u = _knee(v, i - offset, _seen_ohm(path), test_A)
        # Before a low knee the junction itself conducts: with N up to 2, at most this much of the slope.
        own = np.nan_to_num(test_A * np.exp((BEFORE_KNEE_V - knee) / 0.05)) / BEFORE_KNEE_V
        path = path[0], np.hypot(path[1], np.where(low > -NEAR_ZERO_V, own, 0.0))
        back = (offset - i)[:, ::-1]
        mirror = _knee(-v[:, ::-1], back, np.full(rows.size, np.inf), test_A)[0]
        swapped = np.isnan(knee) & (mirror < SWAPPED_KNEE_V) & (high > 0.3)
        swapped &= ends[0] * high > ONE_WAY * -low * np.nan_to_num(whole_of(i, v > 0))
        bent = bends & (low > -SWAPPED_KNEE_V * 2) & (np.minimum(*ends) > 0.1 * np.maximum(*ends)) & both
        falls = (every[0] < -SEEN_U * every[1]) & (-every[0] * (high - low) > 10.0 * p.digit_A)
        doubt = np.select(
            [differ, _limited(p, most, flat) | (stopped & ~(most < SURELY_OHM) & np.isnan(straight[0])),
             bent, falls],
            [PASSES_DIFFER, LIMITED, BOTH_WAYS, FALLS], NO_DOUBT,
        )  # fmt: skip
    return Direct(*top, *path, *straight, span, most, free, flat, floor, even, knee, knee_u, swapped, doubt)


def whole_of(i, keep):
    """Change of current over the points kept [A]."""
    return np.where(keep, i, -np.inf).max(axis=1) - np.where(keep, i, np.inf).min(axis=1)


def _seen_ohm(slope):
    """Resistance of a slope that is one beyond doubt, else inf [ohm]."""
    return np.where(slope[0] > SEEN_U * slope[1], 1.0 / np.where(slope[0] > 0, slope[0], np.nan), np.inf)


def _near_zero(p: _Points):
    """The up to three points nearest to zero volt, before the knee: what flows there is the offset."""
    reach = np.maximum(0.25 * -p.low, BEFORE_KNEE_V)[:, None]
    distance = np.where((p.v < BEFORE_KNEE_V) & (-p.v < reach) & ~p.stands, np.abs(p.v), np.inf)
    ranked = np.sort(distance, axis=1)[:, : min(3, distance.shape[1])]
    last = np.where(np.isfinite(ranked), ranked, -1.0).max(axis=1)
    v, i, u = p.centre(distance <= last[:, None])
    none = np.isnan(v)  # no point near zero: nothing flows there but an unknown offset of the scatter's size
    return np.where(none, 0.0, v), np.where(none, 0.0, i), np.where(none, np.hypot(u, p.u_A), u)


def _path(p: _Points, zero, free_of_knee):
    """Slope of the reverse part or before the knee, with uncertainty, and whether it bends up like a knee.

    Also whether the reverse part stands in the current limit, so that no slope of it is known.
    """
    low = p.low[:, None]
    middle = (p.v <= 0.3 * low) & (p.v >= 0.65 * low) & (p.v < -NEAR_ZERO_V)
    stopped = (middle & p.stands).sum(axis=1) > 0.5 * middle.sum(axis=1)
    deep = (middle.sum(axis=1) > 2) & (p.low < -2 * NEAR_ZERO_V)  # two points alone may both be dropouts
    deep &= ~stopped
    far = _chord(zero, p.centre(middle))
    shallow = _chord(zero, p.centre((p.v > 0.3 * low) & (p.v < 0.1 * low)))
    bends = deep & (far[0] > 4.0 * (np.abs(shallow[0]) + 2 * shallow[1])) & (far[0] > SEEN_U * far[1])
    reach = np.where(stopped[:, None], p.v >= low, p.v >= -BEFORE_KNEE_V)
    before = _line(p, (p.v < BEFORE_KNEE_V) & reach & ~p.stands)
    # What bends like a knee is no path; one as large as the slope before the bend could hide.
    slope = [np.where(deep, np.where(bends, s, f), b)
             for f, s, b in zip(far, shallow, before, strict=True)]  # fmt: skip
    every = _line(p, np.isfinite(p.i))
    slope = [np.where(free_of_knee & ~deep, e, s) for e, s in zip(every, slope, strict=True)]
    # Deep points alone show what flows there: no path carries more, and a knee may carry all of it.
    back = (p.v < -NEAR_ZERO_V) & ~p.stands
    only = np.isnan(slope[0]) & back.any(axis=1)
    least = np.where(back, (np.abs(p.i) + p.u_A[:, None]) / -p.v, np.inf).min(axis=1)
    slope = np.where(only, 0.0, slope[0]), np.where(only, least / SEEN_U, slope[1])
    return slope, bends, stopped & ~(slope[0] > SEEN_U * slope[1])


def _straight(p: _Points):
    """Slope of all points before the current limit, with its uncertainty; nan where they are no line [S].

    A resistance passes through 0, 0 but for the offset, and leaves nothing but scatter; a junction behind
    its series resistance leaves a step, and two of them a bow.
    """
    free = np.isfinite(p.i) & ~p.stands
    slope, u = _line(p, free)
    n = free.sum(axis=1)
    mean_v, mean_i = (np.where(free, x, 0.0).sum(axis=1) / n for x in (p.v, p.i))
    at_zero = mean_i - slope * mean_v
    left = np.where(free, p.i - at_zero[:, None] - slope[:, None] * p.v, 0.0)
    scatter = np.sqrt((left**2).sum(axis=1) / np.maximum(n - 2, 1))
    most = STRAIGHT * np.where(free, np.abs(p.i), 0.0).max(axis=1)
    offset = np.minimum(most + 3.0 * p.digit_A, 3.0 * most)
    line = (n >= 4) & (scatter < most) & (np.abs(at_zero) < offset) & (slope > SEEN_U * u)
    # A forward part alone, behind series resistance, is a line that starts at the knee.
    line &= (p.low < -0.3 * p.high) | (np.abs(at_zero) < BEFORE_KNEE_V * slope)
    return np.where(line & (most > p.digit_A * STRAIGHT * 10), slope, np.nan), u


def _most_ohm(p: _Points):
    """Most a resistance can be by the steps of current about zero, and whether free points measure it."""
    start = np.where(np.abs(p.v) <= NEAR_ZERO_V, np.abs(p.v), np.inf)
    i0 = np.where(np.isfinite(start.min(axis=1)), _median(p.i, start <= start.min(axis=1)[:, None]), 0.0)
    size = np.sign(p.v) * (p.i - i0[:, None])
    away = np.isfinite(p.i) & (np.abs(p.v) >= NEAR_ZERO_V)
    half = size > 0.5 * np.where(away, size, -np.inf).max(axis=1, keepdims=True)
    # One digit that comes and goes is noise; the limit of either sign at every voltage is not.
    steady = (half & away).sum(axis=1, keepdims=True) >= 0.8 * away.sum(axis=1, keepdims=True)
    enough = (size > 10.0 * p.u_A[:, None]) & (steady | (size > 8.0 * p.digit_A[:, None]))
    unsure = 3.0 * p.u_A[:, None] + np.where(steady, 0.0, 2.5 * p.digit_A[:, None])
    ohm = np.where(enough & (size > unsure), np.abs(p.v) / (size - unsure), np.inf)

    def least(keep):
        return np.where(keep, ohm, np.inf).min(axis=1)

    left, right = ((np.sign(p.v) == s) & (np.abs(p.v) >= NEAR_ZERO_V) for s in (-1, 1))
    near = np.abs(p.v) <= ONE_SIDE_V
    one = np.minimum(least(left & near), least(right & near))
    one = np.where(np.isfinite(start.min(axis=1)), one, np.inf)  # without a zero all may be offset
    wide = np.abs(p.v) <= BOTH_SIDES_V
    both = np.maximum(least(left & wide), least(right & wide))
    tiny = np.fmax.reduce(np.abs(p.v), axis=1) < NEAR_ZERO_V  # nothing reaches 10 mV
    largest = np.fmax.reduce(np.abs(p.i), axis=1)
    most = np.where(tiny, NEAR_ZERO_V / largest, np.minimum(one, both))
    inside = np.isfinite(p.i) & (np.abs(p.i) < 0.9 * largest[:, None]) & near & (np.abs(p.v) >= NEAR_ZERO_V)
    return np.where(np.isfinite(most), most, np.nan), inside.sum(axis=1) >= 2


def _limited(p: _Points, most, flat):
    """Nearly every forward point carries the same large current, and no point about zero says why."""
    forward = (p.v > BEFORE_KNEE_V) & np.isfinite(p.i)
    level = np.abs(_median(p.i, np.isfinite(p.i)))
    stands = (forward & p.stands).sum(axis=1)
    stands = (stands >= 3) & (stands >= MOST_LIMITED * forward.sum(axis=1))
    return np.isnan(most) & (stands | (flat & (level > MOST_OFFSET_A)))


def passes_differ(v, i) -> np.ndarray:
    """Sweeps whose points tell of two curves: sorted by voltage, the current jumps down again and again.

    Parameters
    ----------
    v, i : ndarray (k, m)
        Points sorted by voltage [V], [A]; nan where there are none.

    Returns
    -------
    ndarray of bool (k,)
    """
    if v.shape[1] < 5:
        return np.zeros(v.shape[0], bool)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        noise = _scatter(v, i)[0]
        most = np.fmax.reduce(np.abs(i), axis=1)
        floor = np.maximum(20.0 * noise, 1e-6 * most)[:, None]
        clear = (np.minimum(i[:, 1:], i[:, :-1]) > floor) & (v[:, :-1] > BEFORE_KNEE_V)
        less = np.minimum(i[:, 1:], i[:, :-1]) < 0.6 * np.maximum(i[:, 1:], i[:, :-1])
        fall = clear & less & (i[:, 1:] < i[:, :-1])
        same = clear & (v[:, 1:] - v[:, :-1] < SAME_V)
        apart = same & less
        twice = (apart.sum(axis=1) >= 3) & (apart.sum(axis=1) > 0.5 * same.sum(axis=1))
        return twice | (fall.sum(axis=1) >= 4) & (fall.sum(axis=1) > 0.2 * clear.sum(axis=1))


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
