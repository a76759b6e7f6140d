"""Intervals by profile likelihood, where the curvature at the minimum says too little.

The end of an interval for a coordinate c is where chi2, minimised over all other coordinates, has risen by
q^2 (Venzon and Moolgavkar, Applied Statistics 37:87, 1988): for a parabola the same as q standard
uncertainties to either side.  All ends of all sweeps that need it form one batch: each is the same fit
with c held, and the root of sqrt(rise) = q is found by secant steps from the parabola's answer.
"""

from __future__ import annotations

import numpy as np

from junction.fit.engine import Block, fit_set
from junction.fit.models import CODE, columns_of
from junction.fit.terms import AB, AR, BB, BR, RS, A, B

_STEPS = 5
#: sqrt(rise) within this of q is the end [standard uncertainties].
_CLOSE = 5e-3
_HELD = dict(max_iterations=20, decrease_tol=1e-4)
#: Uncertainty of an exponential's logarithm at the point that carries it, beyond which it is not linear.
CURVED = 0.05


def curved(block: Block) -> np.ndarray:
    """Sweeps whose fit bends within its own uncertainty, bool (n,).

    The coordinates are linear where relative errors rule.  Where absolute ones do, second order comes in
    with the uncertainty of the logarithm of an exponential at the point where it matters most: at the top
    of the sweep for the first, in the middle for the second, at the bottom for breakdown.
    """
    live = block.keep > 0
    x = block.v - block.i * np.nan_to_num(block.theta[:, RS, None])
    top = np.max(np.where(live, x, -np.inf), axis=1) / block.vt[:, 0]
    low = np.min(np.where(live, x, np.inf), axis=1) / block.vt[:, 0]
    c = block.covariance
    out = np.zeros(block.chi2.size, bool)
    for a, b, at in ((A, B, top), (AR, BR, 0.6 * top), (AB, BB, -low)):
        # with the series resistance free, the logarithm at the top is a + b v - b RS i
        var = c[:, a, a] + 2 * at * c[:, a, b] + at * at * c[:, b, b]
        with np.errstate(invalid="ignore"):
            relative = np.sqrt(c[:, b, b]) / np.abs(block.theta[:, b])
        out |= (var > CURVED**2) | (relative > CURVED)
    return out & block.converged & ~block.rank_short


def widen(block: Block, rows: np.ndarray, q: np.ndarray, below: np.ndarray, above: np.ndarray) -> None:
    """Replace interval half-widths by those of the profile.

    Parameters
    ----------
    block : Block
    rows : ndarray of int
        Sweeps to treat.
    q : ndarray (n, 9)
        Rise of sqrt(chi2) that bounds the interval, by coordinate (its factor and the noise scale).
    below, above : ndarray (n, 9)
        Half-widths to either side; the entries treated are overwritten.  A side on which chi2 never rises
        so far becomes infinite.
    """
    for name in np.unique(block.code[rows]):
        key = next(k for k, v in CODE.items() if v == name)
        at = rows[block.code[rows] == name]
        columns = np.array(columns_of(key))
        # one problem for each sweep, coordinate and side
        sweep = np.repeat(at, 2 * columns.size)
        place = np.tile(np.repeat(np.arange(columns.size), 2), at.size)
        side = np.tile([-1.0, 1.0], at.size * columns.size)
        width = _ends(block, key, sweep, place, side, q[sweep, columns[place]])
        for half, sign in ((below, -1.0), (above, 1.0)):
            pick = (side == sign) & ~np.isnan(width)
            half[sweep[pick], columns[place[pick]]] = width[pick]


def _ends(block: Block, key: str, sweep, place, side, q):
    """Distance from the estimate to the end of each profile, nan where it could not be found."""
    columns = np.array(columns_of(key))
    n = sweep.size
    best = block.theta[sweep][:, columns]
    row = np.arange(n)
    covariance = block.covariance[sweep][:, columns[:, None], columns]
    variance = covariance[row, place, place]
    u = np.sqrt(np.maximum(variance, 0.0))
    # how the others move with the one that is held, on the parabola
    follow = covariance[row, place] / np.where(variance > 0, variance, 1.0)[:, None]
    step = q * u
    result, current = np.full(n, np.nan), best.copy()
    slack = np.zeros(n)
    todo = np.flatnonzero((u > 0) & np.isfinite(u))
    for _ in range(_STEPS):
        if not todo.size:
            break
        start = np.full((todo.size, block.theta.shape[1]), np.nan)
        moved = current[todo] + follow[todo] * (side[todo] * (step[todo] - slack[todo]))[:, None]
        moved[np.arange(todo.size), place[todo]] = best[todo, place[todo]] + side[todo] * step[todo]
        start[:, columns] = moved
        free = np.ones((todo.size, columns.size), bool)
        free[np.arange(todo.size), place[todo]] = False
        fit = fit_set(block, key, start, sweep[todo], _HELD, free=free)
        rise = np.sqrt(np.maximum(fit.chi2 - block.chi2[sweep[todo]], 0.0))
        held = fit.theta[np.arange(todo.size), place[todo]]
        reached = np.abs(held - best[todo, place[todo]])
        short = reached < 0.99 * step[todo]  # a box limit came first: no end on this side
        close = np.abs(rise - q[todo]) < _CLOSE * q[todo]
        result[todo] = np.where(short, np.inf, step[todo])
        current[todo], slack[todo] = fit.theta, step[todo]
        factor = np.clip(q[todo] / np.maximum(rise, 1e-3 * q[todo]), 0.4, 3.0)
        lost = ~fit.converged | ~np.isfinite(rise)
        result[todo[lost]] = np.nan
        step[todo] *= factor
        todo = todo[~(close | short | lost)]
    return result
