"""Sweeps of very many points: means of neighbours, as many as a fit can use.

A cell of so many neighbours in the order logged (or in order of voltage, where the log jumps about) gives one
point, its mean.  Where the current rises by more than a share within a cell, the cell is cut into as many as
it takes, down to single points, because a mean over a bend lies beside the curve.  The noise of the means is
found from them like that of any points: on the curve it is that of smaller cells, in the floor of whole ones.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from junction.base.records import SweepTable
from junction.shelf.tables import rule

#: Points that a sweep may have as they are; a longer one is cut into about half as many cells.
MOST = 4000
#: Change of the logarithm of the current within a cell; a mean lies beside the curve by a 24th of its square.
_CHANGE = 0.1


def shorten(table: SweepTable):
    """Points of all sweeps, means where a sweep has too many.

    Parameters
    ----------
    table : SweepTable

    Returns
    -------
    v, i : ndarray
        Points [V], [A]; the means stand behind those of the table.
    starts, count : ndarray of int (n,)
        Where a sweep's points begin, and how many there are.
    cells : dict of int to ndarray of int
        By long sweep, which mean holds a point; -1 is none, -2 a wild point.
    """
    v, i, points = table.v_V, table.i_A, np.diff(table.starts)
    starts, count, cells = table.starts[:-1].copy(), points.copy(), {}
    means = []
    for k in np.flatnonzero(points > MOST).tolist():
        *mean, cells[k] = _means_of(v[table.points(k)], i[table.points(k)])
        starts[k], count[k] = v.size + sum(a.size for a, _ in means), mean[0].size
        means.append(mean)
    if means:
        v, i = (np.concatenate([x, *more]) for x, more in zip((v, i), zip(*means, strict=True), strict=True))
    return v, i, starts, count, cells


def spread(table: SweepTable, used, starts, cells, found: dict[str, np.ndarray]):
    """Which measured points the fits rest on, from the means that they used; corrects what counts points."""
    if not cells:
        return used
    out, most = used[: table.v_V.size].copy(), rule("fit_over_range")
    for k, cell in cells.items():
        at = table.points(k)
        out[at] = (cell >= 0) & used[starts[k] + np.maximum(cell, 0)]
        size = np.maximum(np.abs(table.v_V[at]), np.abs(table.i_A[at]))
        found["n_used"][k], found["over_range"][k] = out[at].sum(), (size >= most).any()
        found["outliers"][k] |= (cell == -2).any()
        missing = np.isnan(table.v_V[at]) | np.isnan(table.i_A[at])
        found["left_out"][k, [0, 1, 5]] += [missing.sum(), (size >= most).sum(), (cell == -2).sum()]
        found["parts"][k, 0] *= cell.size / max(int(cell.max()) + 1, 1)  # of a measured point
    return out


def points_of(at, rows, starts, cells):
    """How many measured points each of the points `at` (n, m) stands for; None for one each."""
    if not any(k in cells for k in rows.tolist()):
        return None
    out = np.ones(at.shape)
    for j, k in enumerate(rows.tolist()):
        if k in cells:
            out[j] = np.bincount(cells[k][cells[k] >= 0])[at[j] - starts[k]]
    return out


def _means_of(v, i):
    """Means of one sweep in the order logged [V], [A], and the mean of each point."""
    m, most = v.size, rule("fit_over_range")
    good = np.flatnonzero((np.abs(v) < most) & (np.abs(i) < most))
    times = -(-m // (MOST // 2))
    cell = np.full(m, -1)
    if good.size <= times:
        cell[good] = np.arange(good.size)
        return v[good], i[good], cell
    jumps = np.abs(np.diff(v[good])).sum() > 20 * np.ptp(v[good])
    if jumps and np.abs(np.diff(_means(v[good], times)[0])).sum() > 20 * np.ptp(v[good]):
        good = good[np.argsort(v[good], kind="stable")]
    # wild: far off the median of seven neighbours, by what is usual about there
    beside = np.median(sliding_window_view(np.pad(i[good], 3, "edge"), 7), axis=1)
    away, run = np.abs(i[good] - beside), np.arange(good.size) // max(times, 64)
    usual = 1.4826 * _median_by(run, away)[run] + 0.02 * np.abs(beside)
    wild = away > 2 * rule("fit_wild") * np.maximum(usual, rule("fit_least_u_A"))
    cell[good[wild]], good = -2, good[~wild]
    # a look at whole cells: level, scatter, and how much the next one differs
    level, scatter = _means(i[good], times)
    floor = max(np.quantile(scatter, 0.2), rule("fit_least_u_A"), 1e-12 * np.abs(level).max())
    change = np.abs(np.gradient(np.arcsinh(level / (2 * floor)))) if level.size > 1 else np.zeros(1)
    pieces = np.minimum(np.ceil(change / _CHANGE), times)
    pieces = np.maximum(np.ceil(pieces * min(1.0, MOST / pieces.sum())), 1).astype(int)
    whole = np.arange(good.size) // times
    own = (np.cumsum(pieces) - pieces)[whole] + (np.arange(good.size) % times) * pieces[whole] // times
    own = np.unique(own, return_inverse=True)[1]
    cell[good], size = own, np.bincount(own)
    return *(np.bincount(own, x[good]) / size for x in (v, i)), cell


def _means(x, times):
    """Mean and standard deviation of runs of so many."""
    starts = np.arange(0, x.size, times)
    size = np.diff(np.append(starts, x.size))
    mean = np.add.reduceat(x, starts) / size
    off = x - np.repeat(mean, size)
    return mean, np.sqrt(np.add.reduceat(off * off, starts) / size)


def _median_by(cell, x):
    """Median of each cell."""
    size = np.bincount(cell)
    return x[np.lexsort((x, cell))][np.cumsum(size) - size + size // 2]
