"""Logs of PNP parts with their signs reversed: found, and turned to the sense of the tables.

A curve tracer logs V_BE and I_B of a PNP part negative.  The tables hold the p side against the n side,
so such a sweep is turned over.  What tells a reversed log from an honest reverse sweep is the shape: a
junction's forward current rises far faster than in proportion to the voltage and within three volts,
a leak's does not.
"""

from __future__ import annotations

import numpy as np

#: Forward conduction is looked for down to this voltage [V]; a reverse breakdown lies below it.
DEEPEST_V = -3.0
#: A current below this [A] shows no direction.
FLOOR_A = 1e-7
#: d(ln i)/d(ln v) at the steepest place: 1 for a resistor, v/(N*VT), about 20, for a junction.
STEEP = 3.0
#: Current ratio of neighbouring parts of the sweep that noise on a leak does not reach.
RATIO = 1.5
#: The sweep is looked at in so many parts; in fewer where it has few points.
PARTS = (6, 3)


def reversed_sweeps(
    junction: np.ndarray, polarity: np.ndarray, owner: np.ndarray, starts: np.ndarray, v_V: np.ndarray,
    i_A: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Which sweeps were logged with the signs of a PNP part.

    Parameters
    ----------
    junction, polarity : ndarray of str (n,)
        Junction name; 'NPN', 'PNP' or ''.
    owner : ndarray of int (n,)
        Same number for sweeps of one part in one file.
    starts : ndarray of int (n + 1,)
        Point offsets; every sweep has points.
    v_V, i_A : ndarray (m,)
        Points as logged [V, A].

    Returns
    -------
    ndarray of bool (n,)
        True where v and i are to be turned over.  A diode (AK) is never turned.
    """
    if starts.size < 2:
        return np.zeros(0, bool)
    first = starts[:-1]
    v_low, v_high = np.minimum.reduceat(v_V, first), np.maximum.reduceat(v_V, first)
    i_low, i_high = np.minimum.reduceat(i_A, first), np.maximum.reduceat(i_A, first)
    base = np.isin(junction, ("BE", "BC"))
    shallow = (v_low < 0) & (v_low >= DEEPEST_V)
    open_ = base & (polarity != "NPN") & shallow & (-i_low > np.maximum(i_high, FLOOR_A))
    turned = np.zeros(first.size, bool)
    which = np.flatnonzero(open_)
    if which.size:
        turned[which] = _steep_below_zero(which, starts, v_V, i_A, v_low, np.minimum(v_high, 0.0))
    forward = base & (i_high > np.maximum(-i_low, FLOOR_A)) & (v_high > 0)
    size = int(owner.max()) + 1
    owner_turned = np.bincount(owner[turned], minlength=size) > 0
    owner_forward = np.bincount(owner[forward], minlength=size) > 0
    owner_base = np.bincount(owner[base], minlength=size) > 0
    # the other junctions of the same log share its signs, whatever their shape
    turned |= (base | (junction == "CE")) & (owner_turned & ~owner_forward)[owner] & (polarity != "NPN")
    negative = (junction == "CE") & (v_low < 0) & (v_high <= 0)
    alone = (polarity == "") & ~owner_base[owner]
    return turned | (negative & ((polarity == "PNP") | alone))


def _steep_below_zero(
    which: np.ndarray, starts: np.ndarray, v_V: np.ndarray, i_A: np.ndarray, v_low: np.ndarray,
    v_high: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Whether the current of these sweeps rises somewhere like a forward junction towards -v.

    The steepest rise decides, not the one at the end, where a current limit may hold the current.
    """
    counts = np.diff(starts)[which]
    sweep = np.repeat(np.arange(which.size), counts)
    point = np.arange(sweep.size) + np.repeat(starts[which] - np.append(0, np.cumsum(counts)[:-1]), counts)
    v, i = -v_V[point], -i_A[point]
    near, far = -v_high[which], -v_low[which]
    height = (v - near[sweep]) / np.maximum(far - near, 1e-12)[sweep]
    peak = np.maximum.reduceat(i, np.append(0, np.cumsum(counts)[:-1]))[:, np.newaxis]
    steep = np.zeros(which.size, bool)
    for parts in PARTS:
        inside = height >= 0
        cell = sweep[inside] * parts + np.minimum((height[inside] * parts).astype(int), parts - 1)
        n = np.bincount(cell, minlength=which.size * parts).reshape(-1, parts)
        total = (np.bincount(cell, x[inside], which.size * parts).reshape(-1, parts) for x in (v, i))
        v_mean, i_mean = (t / np.maximum(n, 1) for t in total)
        below = np.maximum(i_mean[:, :-1], 1e-6 * peak)  # noise may leave nothing, or less
        above, there = i_mean[:, 1:], (n[:, :-1] > 0) & (n[:, 1:] > 0)
        there &= (above > 0.1 * peak) & (above > RATIO * below) & (v_mean[:, :-1] > 0)
        ratio = np.divide(above, below, out=np.ones_like(above), where=there)
        run = np.divide(v_mean[:, 1:], v_mean[:, :-1], out=np.full_like(above, 2.0), where=there)
        steep |= (there & (np.log(ratio) > STEEP * np.log(run))).any(axis=1)
    return steep
