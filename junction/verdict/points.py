"""What the points of a sweep say by themselves, for sweeps whose fit cannot be believed.

A short that sits in the current limit leaves a fit one or two points, an open junction leaves it only
noise, and a burnt junction may follow no law at all.  The technician still sees what it is: the current
at the top, the chord in reverse, both ends alike.  So do these arrays.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from junction.base.records import SweepTable
from junction.shelf.tables import rule

NONE, OPEN, RESISTOR, JUNCTION, REVERSE_ONLY = range(5)
MOST_OHM = 1e15  # stands for no end, so that ratios stay numbers
_quiet = np.errstate(invalid="ignore", divide="ignore", over="ignore")  # empty rows and dead currents


def sorted_points(table: SweepTable, rows: np.ndarray):
    """Points of some sweeps [V], [A] as (k, longest) arrays, sorted by voltage, nan beyond the end."""
    count = np.diff(table.starts)[rows]
    place = np.arange(int(count.max(initial=1)))
    at = np.minimum(table.starts[:-1][rows][:, None] + place, max(table.v_V.size - 1, 0))
    real = place < count[:, None]
    v, i = np.where(real, table.v_V[at], np.nan), np.where(real, table.i_A[at], np.nan)
    v = np.where(np.isfinite(i), v, np.nan)
    order = np.argsort(v, axis=1)
    return np.take_along_axis(v, order, axis=1), np.take_along_axis(i, order, axis=1)


def of_each(table: SweepTable, pick: np.ufunc, x: np.ndarray, none: float = np.nan) -> np.ndarray:
    """Points of every sweep reduced to one number (n,); `none` where a sweep has no points."""
    out = np.full(len(table), none)
    some = np.flatnonzero(np.diff(table.starts))
    if some.size:
        out[some] = pick.reduceat(x, table.starts[:-1][some])
    return out


def _median(x, keep, upper: bool = False):
    """Middle of the kept entries of each row, the lower or upper one of two; nan where there are none."""
    ordered = np.sort(np.where(keep, x, np.inf), axis=1)
    n = keep.sum(axis=1)
    middle = np.maximum(n - 1 + upper, 0) // 2
    return np.where(n > 0, np.take_along_axis(ordered, middle[:, None], axis=1)[:, 0], np.nan)


def _ends(x, keep):
    """Least and largest of the kept entries of each row; inf and -inf where there are none."""
    return np.where(keep, x, np.inf).min(axis=1), np.where(keep, x, -np.inf).max(axis=1)


def scatter(v, i):
    """Scatter of the currents before the knee about the line between neighbours [A], and whether any tell."""
    if v.shape[1] < 3:
        return np.zeros(v.shape[0]), np.zeros(v.shape[0], bool)
    gap = v[:, 2:] - v[:, :-2]
    share = np.where(gap > 0, (v[:, 1:-1] - v[:, :-2]) / np.where(gap > 0, gap, 1.0), 0.5)
    off = np.abs(i[:, 1:-1] - (1 - share) * i[:, :-2] - share * i[:, 2:])
    off /= np.sqrt(1.0 + share**2 + (1 - share) ** 2)
    real = np.isfinite(off)
    near = (v[:, 2:] < rule("points_before_knee")) & real
    low = np.fmin.reduce(v, axis=1)[:, None]
    # as near to zero as the sweep allows: further out a breakdown or second knee may bend the curve itself
    # a handful of points differ by the curve
    many = real & (real.sum(axis=1) >= 10)[:, None]
    for least, keep in ((3, many), (3, near), (8, near & (v[:, :-2] > 0.3 * low))):
        near = np.where((keep.sum(axis=1) >= least)[:, None], keep, near)
    # half of all normal deviations are within 0.674 standard deviations
    return np.nan_to_num(_median(off, near, upper=True)) / 0.674, near.sum(axis=1) >= 3


class Points:
    """Points of k sweeps sorted by voltage, (k, longest), with their scatter (k,)."""

    def __init__(self, table: SweepTable, rows: np.ndarray) -> None:
        v, i = sorted_points(table, rows)
        self.logged = i.copy()
        if i.shape[1] > 2:
            # no spikes: the median of each current and its two neighbours; a rising curve stays what it is
            left, here, right = i[:, :-2], i[:, 1:-1], i[:, 2:]
            middle = np.maximum(np.minimum(left, right), np.minimum(np.maximum(left, right), here))
            i[:, 1:-1] = np.where(np.isnan(middle), here, middle)
        self.v, self.i, self.real = v, i, np.isfinite(i)
        self.low, self.high = np.fmin.reduce(v, axis=1), np.fmax.reduce(v, axis=1)
        change = np.abs(np.diff(i, axis=1))
        digit = np.where(change > 0, change, np.inf).min(axis=1, initial=np.inf)
        # least change that was logged; of a handful of points, the least current
        few = self.real.sum(axis=1) < 10
        least = np.where(np.abs(i) > 0, np.abs(i), np.inf).min(axis=1, initial=np.inf)
        digit = np.where(few, np.minimum(digit, least), digit)
        self.digit_A = np.where(np.isfinite(digit), digit, 0.0)
        near, some = scatter(v, i)  # of one current near zero
        self.u_A = np.where(some, near, np.maximum(near, self.digit_A))
        self.largest = np.fmax.reduce(np.abs(i), axis=1)
        coarse = np.minimum(3.0 * self.u_A + 2.5 * self.digit_A, 0.15 * self.largest)
        at_top = np.abs(i) > (self.largest - np.maximum(0.02 * self.largest, coarse))[:, None]
        at_top &= (v != 0) & (self.largest > rule("points_most_offset"))[:, None]
        sides = [at_top & (np.sign(v) == s) for s in (-1, 1)]
        # points in the current limit, which tell no slope
        self.stands = np.logical_or(*(x & (x.sum(axis=1) >= 3)[:, None] for x in sides))

    def centre(self, keep):
        """Median voltage and current of the points kept, and the current's standard uncertainty."""
        count = np.maximum(keep.sum(axis=1), 1)
        # Rounding does not average out: the same digit stands in every reading.
        u = np.hypot(1.25 * self.u_A / np.sqrt(count), self.digit_A / np.sqrt(12.0))
        return _median(self.v, keep), _median(self.i, keep), u

    def line(self, keep):
        """Straight line through the points kept: slope, its uncertainty [S], current at zero, scatter [A]."""
        n = keep.sum(axis=1)
        v, i = np.where(keep, self.v, 0.0), np.where(keep, self.i, 0.0)
        mean_v, mean_i = v.sum(axis=1) / n, i.sum(axis=1) / n
        dv = np.where(keep, self.v - mean_v[:, None], 0.0)
        sxx = (dv**2).sum(axis=1)
        slope = (dv * i).sum(axis=1) / sxx
        left = np.where(keep, self.i - mean_i[:, None] - slope[:, None] * dv, 0.0)
        spread = np.sqrt((left**2).sum(axis=1) / np.maximum(n - 2, 1))
        low, high = _ends(self.v, keep)
        u = np.hypot(np.maximum(spread, self.u_A) / np.sqrt(sxx), self.digit_A / np.sqrt(6.0) / (high - low))
        some = (n >= 2) & (sxx > 0)
        slope, u = np.where(some, slope, np.nan), np.where(some, u, np.nan)
        return slope, u, mean_i - slope * mean_v, spread


def _chord(a, b):
    """Slope between two groups of points [S] with its standard uncertainty."""
    rise = np.abs(b[0] - a[0])
    return (b[1] - a[1]) / (b[0] - a[0]), np.hypot(a[2], b[2]) / rise


@_quiet
def ask_points(table: SweepTable, rows: np.ndarray, test_A: float, ce: np.ndarray) -> SimpleNamespace:
    """What the points of some sweeps say, their fits not believed.

    Parameters
    ----------
    table : SweepTable
    rows : ndarray of int (k,)
    test_A : float
        Test current for the knee [A].
    ce : ndarray of bool (k,)
        Collector-emitter paths: without a knee, their forward points are as good as any.

    Returns
    -------
    namespace of ndarray (k,)
        What `measured` holds of these sweeps, under the same names.  ``path_S``, ``path_u_S``: slope from the
        points nearest to zero to the middle of the reverse part, or through the points before the knee where
        no reverse part was swept, and its standard uncertainty [S]; the ammeter's offset is not in it, and
        noise may make it negative; nan where the sweep has no such points.  ``hides_ohm``: a path of at
        least this resistance could hide in offset and scatter [ohm].
    """
    near_zero, before_knee, seen_u, most_offset, swapped_knee, chord_u = (
        rule(f"points_{x}")
        for x in ("near_zero", "before_knee", "seen", "most_offset", "swapped_knee", "chord_u")
    )
    p = Points(table, rows)
    v, i, low, high = p.v, p.i, p.low, p.high
    whole = np.fmax.reduce(i, axis=1) - np.fmin.reduce(i, axis=1)
    # The up to three points nearest to zero volt, before the knee: what flows there is the offset.
    reach = np.maximum(0.25 * -low, before_knee)[:, None]
    distance = np.where((v < before_knee) & (-v < reach) & ~p.stands, np.abs(v), np.inf)
    ranked = np.sort(distance, axis=1)[:, :3]
    last = np.where(np.isfinite(ranked), ranked, -1.0).max(axis=1)
    zero_V, zero_A, zero_u_A = p.centre(distance <= last[:, None])
    none = np.isnan(zero_V)  # no point there: nothing flows but an unknown offset of the scatter's size
    zero_u_A = np.where(none, np.hypot(zero_u_A, p.u_A), zero_u_A)
    zero = np.where(none, 0.0, zero_V), np.where(none, 0.0, zero_A), zero_u_A
    # Readings in reverse that are all far below what was read about zero were taken on another range.
    reverse = p.real & (v < -near_zero)
    largest = np.where(reverse, np.abs(i), 0.0).max(axis=1, initial=0.0)
    other = (reverse.sum(axis=1) > 2) & (largest < 0.1 * np.abs(zero[1]))
    forward_zero_A = zero[1]
    zero = [np.where(other, x, y) for x, y in zip((0.0, 0.0, largest / 3.0), zero, strict=True)]
    # from the points nearest to zero to the highest tenth of the forward voltages
    top_S, top_u_S = _chord(zero, p.centre(v >= np.maximum(0.9 * high, zero[0] + 1e-9)[:, None]))
    (path_S, path_u_S), bends, stopped = _path(p, zero, ce)
    # a path that shows forward and not in reverse: the reverse readings stood at the end of their range
    forward_S = _forward_path(p, np.where(np.abs(zero_V) < 0.5 * near_zero, forward_zero_A, 0.0))
    # nor is it a knee where the voltage rises nearly as the current does
    rises = [_knee(v, i, np.full(rows.size, np.inf), amps)[0] for amps in (test_A, test_A / 3.0)]
    digit = np.where((v > 0) & (p.logged != 0) & p.real, np.abs(p.logged), np.inf).min(axis=1)
    ohmic = (forward_S == 0) & (rises[0] > rule("points_ohmic") * rises[1]) & (digit < test_A / 8.0)
    forward_S = np.where(ohmic, test_A / rises[0], forward_S)
    clipped = forward_S > 3.0 * np.fmax(np.nan_to_num(path_S) + seen_u * np.nan_to_num(path_u_S), 0.0)
    path_S, path_u_S = np.where(clipped, [forward_S, chord_u / seen_u * forward_S], [path_S, path_u_S])
    # All points before the current limit lie on one line.  A resistance passes through 0, 0 but for the
    # offset, and leaves nothing but scatter; a junction behind its series resistance leaves a step, and two
    # of them a bow.  A forward part alone, behind series resistance, is a line that starts at the knee.
    measures, share = p.real & ~p.stands, rule("points_straight")
    slope, u, at_zero, spread = p.line(measures)
    off = share * np.where(measures, np.abs(i), 0.0).max(axis=1)
    line = (measures.sum(axis=1) >= 4) & (spread < off) & (slope > seen_u * u)
    line &= off > p.digit_A * share * 10
    line &= np.abs(at_zero) < np.minimum(off + 3.0 * p.digit_A, 3.0 * off)
    line &= (low < -0.3 * high) | (np.abs(at_zero) < before_knee * slope)
    most, free = _most_ohm(p)
    # a handful of points tell no scatter: then only next to nothing counts as such
    tell = (p.real.sum(axis=1) >= 10) | (p.largest < 0.1 * most_offset)
    still = tell & (whole <= 6.0 * p.u_A) | (whole <= 3.0 * p.digit_A) | (whole == 0)
    every = p.line(p.real)
    hides = np.where(still, every[:2], (path_S, path_u_S))
    hides_ohm = 1.0 / (np.fmax(hides[0], 0.0) + seen_u * hides[1])
    # Both ends carry about the same current, as a resistance does and a junction does not.
    near_end = [np.abs(v - x[:, None]) <= 1e-9 + 0.02 * np.abs(x[:, None]) for x in (low, high)]
    ends = [np.abs(np.nan_to_num(_median(i, keep))) for keep in near_end]
    both = (low < -near_zero / 2) & (high > near_zero / 2)
    # what a resistance would carry at the nearer end, of what it carries at the further one
    share = np.minimum(np.minimum(-low, high) / np.maximum(-low, high), 1.0)
    even = np.where(both, np.minimum(*ends) > 0.5 * np.maximum(*ends) * share, True)
    # Where the current, less that of the path, reaches the test current; and the same with leads swapped.
    offset = np.nan_to_num(zero[1] * (np.abs(zero[1]) < most_offset))[:, None]
    path = path_S > seen_u * path_u_S
    ohm = np.where(path, 1.0 / path_S, np.inf)
    knee, knee_u = _knee(v, i - offset, ohm, test_A)
    # Before a low knee the junction itself conducts: with N up to 2, at most this much of the slope.
    own = np.nan_to_num(test_A * np.exp((before_knee - knee) / 0.05)) / before_knee
    path_u_S = np.hypot(path_u_S, np.where(low > -near_zero, own, 0.0))
    path = path_S > seen_u * path_u_S
    no_knee = np.isnan(knee)
    mirror = _knee(-v[:, ::-1], (offset - i)[:, ::-1], np.full(rows.size, np.inf), test_A)[0]
    forward_low, forward_high = _ends(i, v > 0)
    swapped = no_knee & (mirror < swapped_knee) & (high > 0.3)
    swapped &= ends[0] * high > rule("points_one_way") * -low * np.nan_to_num(forward_high - forward_low)
    bent = bends & (low > -swapped_knee * 2) & (np.minimum(*ends) > 0.1 * np.maximum(*ends)) & both
    falls = (every[0] < -seen_u * every[1]) & (-every[0] * (high - low) > 10.0 * p.digit_A)
    # Nearly every forward point carries the same large current, and no point about zero says why.
    short = rule("short_below")
    forward = (v > before_knee) & p.real
    stands = (forward & p.stands).sum(axis=1)
    stands = (stands >= 3) & (stands >= rule("points_most_limited") * forward.sum(axis=1))
    limited = np.isnan(most) & (stands | (still & (np.abs(_median(i, p.real)) > most_offset)))
    limited |= stopped & ~(most < short) & ~line
    # No current at all, whatever the offset; a short; or chords alike, or both ends in the current limit,
    # where they differ, but nothing bends like a junction.
    span_ohm = (high - np.minimum(low, 0.0)) / whole
    dead = ((span_ohm > rule("open_above")) | still) & ~(most < short)
    hard = even & (most < short) & ~dead
    line &= even
    alike = (top_S > seen_u * top_u_S) & (np.abs(np.log(top_S * (1 / path_S))) < 0.5) | no_knee
    alike = (even & path & alike | line) & ~dead & ~hard
    # The points nearest to zero measure a short, or show that it is at most so large: it then lies evenly
    # over the decades between the least short and that.
    at_most = hard & ~(free & path)
    widest = np.log(np.maximum(most / rule("points_least_short"), 1.0))
    ohm = np.where(line, 1.0 / slope, np.where(path, 1.0 / path_S, np.inf))
    ohm = np.where(hard, np.minimum(ohm, most), ohm)
    ohm = np.where(at_most, most * np.exp(-0.5 * widest), ohm)
    ohm = np.where(dead, np.inf, ohm)
    u = np.hypot(chord_u, np.where(path & ~line, path_u_S / path_S, 0.0))
    floor = np.where(dead & ~still, np.maximum(span_ohm, hides_ohm), hides_ohm)
    doubts = {"sweep_limited": limited, "sweep_both_ways": bent & ~ce, "sweep_falls": falls & ~dead,
              "sweep_contradicts": clipped & ~ce & ~hard}
    return SimpleNamespace(
        path_S=path_S, path_u_S=path_u_S, hides_ohm=hides_ohm,
        kind=np.select([dead, hard | alike | ce, no_knee], [OPEN, RESISTOR, NONE], JUNCTION),
        n=np.nan, n_u=np.nan, rs_ohm=_series_ohm(p, path_S), rs_u_ln=chord_u, sat_A=0.0, sat_u_ln=chord_u,
        path_ohm=np.maximum(ohm, 1e-6),
        path_u_ln=np.where(at_most, np.hypot(widest / np.sqrt(12.0), rule("sweep_gain_u")), u),
        floor_ohm=np.where(np.isinf(ohm) & (hides_ohm > 0), np.minimum(floor, MOST_OHM), np.nan),
        reverse_blind=clipped, bv_V=np.nan, bv_u_V=np.nan, knee_V=knee, knee_u_V=knee_u, from_points=True,
        swapped=swapped & ~ce, doubt=np.select(list(doubts.values()), list(doubts), ""),
        most_ohm=np.where(at_most, most, np.nan),
    )  # fmt: skip


def _path(p: Points, zero, free_of_knee):
    """Slope of the reverse part or before the knee, with uncertainty, and whether it bends up like a knee.

    Also whether the reverse part stands in the current limit, so that no slope of it is known.
    """
    near_zero, before_knee, seen_u = (rule(f"points_{x}") for x in ("near_zero", "before_knee", "seen"))
    low = p.low[:, None]
    middle = (p.v <= 0.3 * low) & (p.v >= 0.65 * low) & (p.v < -near_zero)
    stopped = (middle & p.stands).sum(axis=1) > 0.5 * middle.sum(axis=1)
    # two points alone may both be dropouts
    deep = (middle.sum(axis=1) > 2) & (p.low < -2 * near_zero) & ~stopped
    far = _chord(zero, p.centre(middle))
    shallow = _chord(zero, p.centre((p.v > 0.3 * low) & (p.v < 0.1 * low)))
    bends = deep & (far[0] > 4.0 * (np.abs(shallow[0]) + 2 * shallow[1])) & (far[0] > seen_u * far[1])
    reach = np.where(stopped[:, None], p.v >= low, p.v >= -before_knee)
    before = p.line((p.v < before_knee) & reach & ~p.stands)[:2]
    every = p.line(p.real)[:2]
    # What bends like a knee is no path; one as large as the slope before the bend could hide.
    slope, u = np.where(deep, np.where(bends, shallow, far), np.where(free_of_knee, every, before))
    # Deep points alone show what flows there, to a digit: no path carries more, a knee may carry all of it.
    back = (p.v < -near_zero) & ~p.stands
    only = np.isnan(slope) & back.any(axis=1)
    least = np.where(back, (np.abs(p.i) + np.maximum(p.u_A, p.digit_A)[:, None]) / -p.v, np.inf).min(axis=1)
    slope, u = np.where(only, 0.0, slope), np.where(only, least / seen_u, u)
    return (slope, u), bends, stopped & ~(slope > seen_u * u)


def _forward_path(p: Points, offset_A):
    """Slope through zero on which the forward points lie from the lowest on [S], 0 where none do.

    The current of a junction rises e-fold in some tens of millivolt and leaves no line through zero; a path
    does, within the digits of its range, until the junction opens.
    """
    keep = p.real & (p.v > 0) & ~p.stands
    v, i = np.where(keep, p.v, 0.0), np.where(keep, p.i - np.nan_to_num(offset_A)[:, None], 0.0)
    size = np.where(keep, np.abs(p.i), 0.0)
    least = np.where(size > 0, size, np.inf).min(axis=1, initial=np.inf)
    change = np.abs(np.diff(i, axis=1)) * (keep[:, 1:] & keep[:, :-1])
    digit = np.minimum(np.where(change > 0, change, np.inf).min(axis=1, initial=np.inf), least)
    noise = np.where(keep.sum(axis=1) >= 20, 3.0 * p.u_A, 0.0)  # of a few points it is that of their curve
    unsure = np.maximum(np.where(np.isfinite(digit), digit, 0.0), noise)[:, None]
    count, vv, vi = (np.cumsum(x, axis=1) for x in (keep, v * v, v * i))
    slope = vi / np.where(vv > 0, vv, 1.0)
    # one line through zero passes within reach of every point up to here
    ends = [np.where(keep, (i + side * unsure) / np.where(keep, v, 1.0), side * np.inf) for side in (-1, 1)]
    low, high = np.maximum.accumulate(ends[0], axis=1), np.minimum.accumulate(ends[1], axis=1)
    line = keep & (count >= 8) & (low <= (1.0 + 2.0 * rule("points_straight")) * high)
    line &= slope * v > 8.0 * unsure
    last = line.shape[1] - 1 - np.argmax(line[:, ::-1], axis=1)
    found = np.where(line.any(axis=1), slope[np.arange(len(v)), last], 0.0)
    # a junction opens behind it; what goes on so to the end is a junction behind its series resistance
    top = np.where(keep, i / np.where(keep, v, 1.0), 0.0).max(axis=1, initial=0.0)
    return np.where(top > 1.5 * found, found, 0.0)


def flat_reverse(p: Points, least_A, most_A) -> np.ndarray:
    """Sweeps whose reverse current stands still from low to high voltage, far from any saturation current.

    An offset of that range does so, and so does an instrument at the end of it: either hides what flows.

    Parameters
    ----------
    p : Points
        k sweeps.
    least_A, most_A : ndarray (k,)
        Saturation currents that the forward part allows [A].

    Returns
    -------
    ndarray of bool (k,)
    """
    back = p.real & (p.v < -rule("points_near_zero"))
    low, high = _ends(p.i, back)
    near, far = _ends(-p.v, back)
    still = (high < 0) & (high - low <= rule("points_straight") * -low) & (far > 3.0 * near)
    # an offset that stands at zero volt as well is known for what it is
    size = np.where(p.real, np.abs(p.v), np.inf)
    zero = _median(p.logged, (size <= size.min(axis=1)[:, None]) & (size < rule("points_before_knee")))
    still &= ~(np.abs(zero - low) < -0.3 * low)
    off = (-low > 10.0 * np.nan_to_num(most_A)) | (-low < 0.3 * np.nan_to_num(least_A))
    return still & (back.sum(axis=1) > 3) & off


def _series_ohm(p: Points, path_S):
    """Resistance that stands in series at the top of the forward part at the least [ohm]."""
    own = p.i - np.fmax(np.nan_to_num(path_S), 0.0)[:, None] * p.v
    i = np.where(p.real & (p.v > 0) & ~p.stands, own, -np.inf)
    row, top = np.arange(len(i)), np.argmax(i, axis=1)
    top_A = i[row, top]
    third = np.where(i <= top_A[:, None] / 3.0, i, -np.inf)
    at = np.argmax(third, axis=1)
    low_A = third[row, at]
    some = (low_A > np.where(p.real.sum(axis=1) < 10, 0.1 * rule("points_most_offset"), 10.0 * p.u_A))
    ratio = np.log(np.where(some, top_A, 1.0) / np.where(some, low_A, 1.0))
    drop = p.v[row, top] - p.v[row, at] - rule("points_steepness") * ratio
    return np.where(some, np.maximum(drop, 0.0) / np.where(some, top_A - low_A, 1.0), 0.0)


def _most_ohm(p: Points):
    """Most a resistance can be by the steps of current about zero, and whether free points measure it."""
    near_zero, size_V = rule("points_near_zero"), np.abs(p.v)
    nearest = np.where(size_V <= near_zero, size_V, np.inf)
    first = nearest.min(axis=1)
    has_zero = np.isfinite(first)
    i0 = np.where(has_zero, _median(p.i, nearest <= first[:, None]), 0.0)
    size = np.sign(p.v) * (p.i - i0[:, None])
    away = p.real & (size_V >= near_zero)
    half = size > 0.5 * np.where(away, size, -np.inf).max(axis=1, keepdims=True)
    # One digit that comes and goes is noise; the limit of either sign at every voltage is not.
    steady = (half & away).sum(axis=1, keepdims=True) >= 0.8 * away.sum(axis=1, keepdims=True)
    enough = (size > 10.0 * p.u_A[:, None]) & (steady | (size > 8.0 * p.digit_A[:, None]))
    unsure = 3.0 * p.u_A[:, None] + np.where(steady, 0.0, 2.5 * p.digit_A[:, None])
    ohm = np.where(enough & (size > unsure) & (size_V >= near_zero), size_V / (size - unsure), np.inf)

    def least(side, within):
        return np.where((np.sign(p.v) == side) & (size_V <= rule(within)), ohm, np.inf).min(axis=1)

    one = np.minimum(*(least(side, "points_one_side") for side in (-1, 1)))
    one = np.where(has_zero, one, np.inf)  # without a zero all may be offset
    both = np.maximum(*(least(side, "points_both_sides") for side in (-1, 1)))
    tiny = np.fmax.reduce(size_V, axis=1) < near_zero
    most = np.where(tiny, near_zero / p.largest, np.minimum(one, both))
    inside = away & (np.abs(p.i) < 0.9 * p.largest[:, None]) & (size_V <= rule("points_one_side"))
    return np.where(np.isfinite(most), most, np.nan), inside.sum(axis=1) >= 2


@_quiet
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
    change = np.abs(np.diff(i, axis=1))
    digit = np.where(change > 0, change, np.inf).min(axis=1, initial=np.inf)
    floor = np.maximum(20.0 * scatter(v, i)[0], 1e-6 * np.fmax.reduce(np.abs(i), axis=1))
    floor = np.maximum(floor, np.where(np.isfinite(digit), 5.0 * digit, 0.0))[:, None]
    lower = np.minimum(i[:, 1:], i[:, :-1])
    clear = (lower > floor) & (v[:, :-1] > rule("points_before_knee"))
    less = lower < 0.6 * np.maximum(i[:, 1:], i[:, :-1])
    fall = (clear & less & (i[:, 1:] < i[:, :-1])).sum(axis=1)
    same = clear & (v[:, 1:] - v[:, :-1] < rule("points_same_voltage"))
    apart = (same & less).sum(axis=1)
    twice = (apart >= 3) & (apart > 0.5 * same.sum(axis=1))
    return twice | (fall >= 4) & (fall > 0.2 * clear.sum(axis=1))


def _knee(v, i, reverse_ohm, test_A):
    """Voltage where the current beside a path reaches the test current, and its uncertainty [V]."""
    own = i - np.nan_to_num(v / reverse_ohm[:, None])
    beyond = (own >= test_A) & (v > 0)
    first = np.argmax(beyond, axis=1)
    k = np.arange(v.shape[0])
    before = np.maximum(first - 1, 0)
    i1, i2 = np.maximum(own[k, before], 1e-15), own[k, first]
    v1, v2 = v[k, before], v[k, first]
    share = np.log(test_A / i1) / np.log(i2 / i1)
    knee = np.where((first > 0) & (i2 > i1), v1 + np.clip(share, 0, 1) * (v2 - v1), v2)
    u = np.hypot(rule("points_knee_u"), np.where(first > 0, v2 - v1, v2) / 3.0)
    return np.where(beyond.any(axis=1), [knee, u], np.nan)
