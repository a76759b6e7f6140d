"""What can be wrong with the points themselves: limits, over-range, up and down branches.

All on dense arrays (n, m); nothing is thrown away here without a flag that says so.
"""

from __future__ import annotations

import numpy as np

from junction.fit.noise import digit

#: Values from here on are an instrument's mark for over-range (IEEE 488.2 uses 9.91e37), not a reading.
OVER_RANGE = 1e6


def branches(v, keep):
    """Points that belong to the way back of an up-and-down sweep, in the order logged.

    Parameters
    ----------
    v : ndarray (n, m)
        Voltage in the order logged [V].
    keep : ndarray (n, m)

    Returns
    -------
    ndarray of bool (n, m)
        True on the second branch; all False where the sweep goes one way only.
    """
    n, m = v.shape
    place = np.arange(m)
    back = np.zeros((n, m), bool)
    live = keep > 0
    last = np.max(np.where(live, place, 0), axis=1)
    with np.errstate(invalid="ignore"):
        rising = np.diff(v, axis=1) > 0
    pair = live[:, 1:] & live[:, :-1]
    for sign in (1.0, -1.0):
        turn = np.argmax(np.where(live, sign * v, -np.inf), axis=1)
        before, after = turn, last - turn
        ahead = place[1:] <= turn[:, None]
        up = rising if sign > 0 else ~rising
        good_before = (up & pair & ahead).sum(1) >= 0.8 * np.maximum((pair & ahead).sum(1), 1)
        good_after = (~up & pair & ~ahead).sum(1) >= 0.8 * np.maximum((pair & ~ahead).sum(1), 1)
        is_two = (before >= 4) & (after >= 4) & good_before & good_after
        back |= is_two[:, None] & (place > turn[:, None]) & live
    return back


def second_passes(v, keep):
    """Points of every second pass of a sweep that starts over, in the order logged.

    Parameters
    ----------
    v : ndarray (n, m)
        Voltage in the order logged [V].
    keep : ndarray (n, m)

    Returns
    -------
    ndarray of bool (n, m)
        All False where the voltage never jumps back by half of its span.
    """
    live = keep > 0
    step = np.diff(v, axis=1) * (live[:, 1:] & live[:, :-1])
    span = np.ptp(np.where(live, v, v[:, :1]), axis=1)[:, None]
    jump = np.abs(step) > 0.5 * span
    out = np.zeros(v.shape, bool)
    rows = np.flatnonzero(jump.any(1))
    for sign in (1.0, -1.0):
        against = sign * step[rows] < -0.5 * span[rows]
        along = (sign * step[rows] > 0).sum(1) >= 0.8 * (step[rows] != 0).sum(1)
        second = np.cumsum(against, axis=1) % 2 == 1
        out[rows, 1:] |= second & along[:, None]
    return out & live


def limited(v, i, keep):
    """Points at the source's current limit, sorted by voltage.

    The current stands within 0.5 % (or three times its scatter) of its extreme for at least three points,
    while the voltage goes on by so much that the slope before would have raised it by five times that.
    Points where the voltage falls back at the same current belong to it.

    Returns
    -------
    ndarray of bool (n, m)
    """
    out = np.zeros(v.shape, bool)
    live = keep > 0
    if v.shape[1] < 6:
        return out
    tops = []
    for sign in (1.0, -1.0):
        top = np.max(np.where(live, sign * i, 0.0), axis=1)
        tops.append(top)
        # cheap look first: a limit leaves many points close to the extreme
        close = live & (sign * i >= 0.99 * top[:, None])
        rows = np.flatnonzero((close.sum(1) >= 3) & (top > 0))
        if rows.size:
            # the same limit on both sides is the source's; only alone must a reverse one prove itself
            alone = (sign < 0) & ~(out[rows].any(1) & (np.abs(top - tops[0]) < 0.02 * top)[rows])
            out[rows] |= _limited_side(sign * v[rows], sign * i[rows], live[rows], top[rows], alone)
    return out


def hidden_by_rounding(v, i, keep):
    """Conductance that readings of exactly zero may hide: half a digit over the voltage of the farthest.

    Rounding does not average: a hundred readings of zero hold no more than the one at the highest voltage.
    Only where the readings of zero lie together, from zero volt on; where noise carries others among them
    over a digit, their mean tells more.  Without a common last decimal place the least reading stands for
    the digit.

    Parameters
    ----------
    v, i, keep : ndarray (n, m)

    Returns
    -------
    ndarray (n,)
        [S]; 0 where no reading at a voltage is zero.
    """
    out = np.zeros(v.shape[0])
    nothing = (i == 0) & (keep > 0) & (v != 0)
    rows = np.flatnonzero(nothing.any(1))
    if not rows.size:
        return out
    v, i, keep, nothing = v[rows], i[rows], keep[rows], nothing[rows]
    size = np.where(keep > 0, np.abs(i), 0.0)
    step = digit(i, keep)
    least = np.min(np.where(size > 0, size, np.inf), axis=1)
    step = np.where(step > 0, step, np.where(np.isfinite(least), least, 0.0))
    hidden = np.zeros(rows.size)
    for side in (1.0, -1.0):
        here = (keep > 0) & (side * v > 0)
        first = np.min(np.where(here & (size > 0), side * v, np.inf), axis=1)
        far = np.max(np.where(here & nothing & (side * v < first[:, None]), side * v, 0.0), axis=1)
        run = (here & nothing & (side * v <= far[:, None])).sum(1) >= 0.8 * (here & nothing).sum(1)
        limit = np.where((far > 0) & run, 0.5 * step / np.where(far > 0, far, 1.0), np.inf)
        hidden = np.where(hidden > 0, np.minimum(hidden, limit), np.where(np.isfinite(limit), limit, 0.0))
    out[rows] = hidden
    return out


def short_at_limit(v, i, keep, limit):
    """Most resistance a path can have that sends the source into its limit wherever it is asked.

    Where every reverse point is at the limit there is no junction, and where next to no point is left
    between the limits there is no line to fit: the lowest forward voltage at the limit over the current
    bounds the resistance.  The same where all voltages read as zero while a current flows.

    Parameters
    ----------
    v, i, keep : ndarray (n, m)
        Sorted points; ``keep`` without those at the limit.
    limit : ndarray of bool (n, m)

    Returns
    -------
    ndarray (n,)
        Upper limit of the resistance [ohm], nan where this is not such a sweep.
    """
    live = keep > 0
    top = np.max(np.where(limit | live, np.abs(i), 0.0), axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        forward = np.min(np.where(limit & (v > 0), v, np.inf), axis=1)
        between = live & (np.abs(i) > 0.02 * top[:, None])
        reverse = v < -1e-3
        caught = np.any(limit & reverse, axis=1) & ~np.any(live & reverse & (v < -0.05), axis=1)
        at_limit = caught & np.isfinite(forward) & (between.sum(1) < 3)
        highest = np.max(np.where(live | limit, np.abs(v), 0.0), axis=1)
        still = (
            (highest < 5e-3) & (np.ptp(np.where(live, v, 0.0), axis=1) == 0) & (top > 0) & (live.sum(1) > 1)
        )
        # a voltmeter that shows zero may hide a millivolt
        return np.select([at_limit, still], [(forward + 1e-3) / top, (highest + 1e-3) / top], np.nan)


def _limited_side(v, i, live, top, alone):
    near_top = live & (i >= 0.9 * top[:, None])
    with np.errstate(invalid="ignore"):
        jump = np.abs(np.diff(np.where(near_top, i, np.nan), 2, axis=1)) / np.sqrt(6)
    whole = np.isfinite(jump)
    scatter = np.zeros(v.shape[0])
    some = whole.any(1)
    scatter[some] = np.nanmedian(jump[some], axis=1) if some.any() else 0.0
    tolerance = np.maximum(5e-3 * top, np.minimum(3 * scatter, 0.03 * top))
    flat = live & (i >= (top - tolerance)[:, None])
    low, high = np.min(np.where(flat, v, np.inf), axis=1), np.max(np.where(flat, v, -np.inf), axis=1)
    half = np.min(np.where(live & (i >= 0.5 * top[:, None]), v, np.inf), axis=1)
    span = np.ptp(np.where(live & (v > 0), v, 0.0), axis=1)
    run = high - low
    expected = 0.5 * top * run / np.maximum(low - half, 1e-4 * np.maximum(span, 1e-9))
    is_limited = (
        (scatter < 0.01 * top)
        & (flat.sum(1) >= 3)
        & (expected > 5 * tolerance)
        & (run > np.maximum(0.02 * span, 5e-3))
    )
    # light and saturation make a flat reverse current too, but one that is flat from zero volt on
    is_limited &= ~alone | ((low > 0.3) & (half > 0.3 * low))
    # the extreme is the highest of many noisy readings: once it is a limit, the lower ones belong to it
    flat |= live & (i >= (0.995 * top - 8 * scatter)[:, None])
    return flat & is_limited[:, None]


def step_in(residual, keep):
    """Whether residuals, in order of current, jump from one level to another and stay there.

    That is what a change of range leaves: the mean of the four points above a place differs from that of
    the four below by more than 6 times its own scatter, and the jump happens between two neighbours.

    Parameters
    ----------
    residual, keep : ndarray (n, m)

    Returns
    -------
    ndarray of bool (n,)
    """
    n, m = residual.shape
    if m < 12:
        return np.zeros(n, bool)
    r = np.where(keep > 0, residual, np.nan)
    local = np.abs(np.diff(r, axis=1))
    with np.errstate(invalid="ignore"):
        whole = np.isfinite(local).sum(1) > 8
    out = np.zeros(n, bool)
    rows = np.flatnonzero(whole)
    if not rows.size:
        return out
    r, local = r[rows], local[rows]
    sd = np.nanmedian(local, axis=1) / 0.954  # median |difference| of unit noise
    total = np.cumsum(np.nan_to_num(r), axis=1)
    total = np.concatenate([np.zeros((rows.size, 1)), total], axis=1)
    at = np.arange(4, m - 3)
    below, above = (total[:, at] - total[:, at - 4]) / 4, (total[:, at + 4] - total[:, at]) / 4
    level = above - below
    jump = r[:, at] - r[:, at - 1]
    live = np.isfinite(r[:, at]) & np.isfinite(r[:, at - 1])
    sharp = live & (np.abs(level) > 6 * sd[:, None]) & (np.abs(jump) > 0.6 * np.abs(level))
    sharp &= np.sign(jump) == np.sign(level)
    out[rows] = sharp.any(1)
    return out
