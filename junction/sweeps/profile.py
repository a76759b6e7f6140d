"""Ends of intervals where the curvature at the minimum says too little.

The end for a coordinate c is where chi2, minimised over all others, has risen by q^2 (Venzon and Moolgavkar,
Applied Statistics 37:87, 1988).  In a junction's law one coordinate bends all others: the slope of the
exponential that the points hold least.  With it held, the rest is all but linear.  So chi2 is followed along
that one alone, by a few fits on each side; at each of them the others have their best values and, by the
curvature there, parabolas about those.  The profile of every other coordinate is the envelope of these.
"""

from __future__ import annotations

import numpy as np

from junction.shelf.tables import rule
from junction.sweeps.block import BRANCH, Block
from junction.sweeps.sense import highest, lowest
from junction.sweeps.terms import AB, AR, BB, BR, RS, SETS, WIDTH, A, B
from junction.sweeps.thin import thin

#: Fits on each side, and how near to q the root of the rise must come to be it.
_STEPS, _CLOSE = 6, 0.03
_HELD = dict(max_iterations=20, decrease_tol=1e-2)
#: Places in which the envelope is looked at.
_GRID = np.sin(np.linspace(-0.5 * np.pi, 0.5 * np.pi, 41))


def profile(block: Block, ready: np.ndarray, rise_to: np.ndarray) -> None:
    """Replace interval half-widths by those of the profile where a fit bends within its own uncertainty.

    The coordinates are linear where relative errors rule.  Where absolute ones do, second order comes in
    with the uncertainty of the logarithm of an exponential at the point where it matters most: at the top
    of the sweep for the first, in the middle for the second, at the bottom for breakdown.  A side on which
    chi2 never rises so far becomes infinite.

    Parameters
    ----------
    block : Block
    ready : ndarray of bool (n,)
        Sweeps to look at.
    rise_to : ndarray (n, 10)
        Rise of sqrt(chi2) that bounds the interval, by coordinate (its factor and the noise scale).
    """
    live, c, bar = block.live, block.covariance, rule("fit_curved")
    x = block.v - block.i * np.nan_to_num(block.theta[:, RS, None])
    top, low = highest(x, live) / block.vt[:, 0], lowest(x, live) / block.vt[:, 0]
    bent = np.zeros((2, ready.size), bool)  # forward, and the breakdown branch
    for a, b, at in ((A, B, top), (AR, BR, 0.6 * top), (AB, BB, -low)):
        # with the series resistance free, the logarithm at the top is a + b v - b RS i
        var = c[:, a, a] + 2 * at * c[:, a, b] + at * at * c[:, b, b]
        far = (var > bar**2) | (np.sqrt(c[:, b, b]) > bar * np.abs(block.theta[:, b]))
        bent[int(b == BB)] |= far
    bent &= ready & block.converged & ~block.rank_deficient
    for name, rows in block.by_set(np.flatnonzero(bent.any(0))):
        columns = [k for k in SETS[name] if k != AB]  # which is shown of no fit
        branch = [k for k in columns if k in BRANCH]
        forward = [k for k in columns if k not in BRANCH]
        for some, own, slope in (
            (rows[bent[0, rows]], forward, BR if BR in forward else B), (rows[bent[1, rows]], branch, BB)
        ):  # fmt: skip
            if some.size and slope in own:
                q = rise_to[some][:, own]
                ends = _envelope(*_follow(thin(block, some), name, slope, q.max(1)), own, slope, q)
                at = some[:, None, None], np.arange(2)[:, None], np.array(own)
                block.half[at] = np.where(np.isnan(ends), block.half[at], ends)


def _follow(part: Block, name: str, held: int, q):
    """Fits along one coordinate, outwards until chi2 has risen enough.

    Returns
    -------
    z : ndarray (n, nodes)
        Root of the rise of chi2, negative below the best value, rising; the best value in the middle.
    theta, u : ndarray (n, nodes, 10)
        Where the coordinates are best, and their standard uncertainties with the one held.
    reached : ndarray of int (n, 2)
        1 where chi2 rose as far as asked, 0 where it never does, -1 where the fits were lost.
    """
    n = len(part.v)
    sweep, sign = np.arange(n).repeat(2), np.tile([-1.0, 1.0], n)
    q, covariance = q[sweep], part.covariance[sweep]
    free = np.tile(np.arange(WIDTH) != held, (2 * n, 1))
    floor = (part.residuals(name) ** 2).sum(1)[sweep]
    best = part.theta[sweep]
    variance = covariance[:, held, held]
    sound = (variance > 0) & np.isfinite(variance)
    # how the others move with the one that is held, on the parabola
    follow = covariance[:, held] / np.where(sound, variance, 1.0)[:, None]
    own = np.einsum("nii->ni", covariance) - follow**2 * variance[:, None]
    step = 0.5 * q * np.sqrt(np.where(sound, variance, 0.0))
    z = np.zeros((_STEPS + 2, 2 * n))
    theta = np.repeat(best[None], _STEPS + 2, axis=0)
    u2 = np.repeat(np.maximum(own, 0.0)[None], _STEPS + 2, axis=0)
    reached, todo = np.full(2 * n, -1), np.flatnonzero(sound)
    for k in range(1, _STEPS + 1):
        begin = theta[k - 1, todo] + follow[todo] * (
            sign[todo] * step[todo] - (theta[k - 1, todo, held] - best[todo, held]))[:, None]  # fmt: skip
        begin[:, held] = best[todo, held] + sign[todo] * step[todo]
        fit = part.fit(name, begin, sweep[todo], free=free[todo], **_HELD)
        rise = np.sqrt(np.maximum(fit.chi2 - floor[todo], 0.0))
        lost = ~fit.converged | ~np.isfinite(rise)
        far = np.abs(fit.theta[:, held] - best[todo, held])
        short = far < 0.99 * step[todo]  # a box limit came first: no end on this side
        kept = todo[~lost]
        z[k:, kept], theta[k:, kept] = rise[~lost], fit.theta[~lost]
        u2[k:, kept] = np.einsum("nii->ni", fit.covariance)[~lost]
        aim, before, old = q[todo], z[k - 1, todo], np.abs(theta[k - 1, todo, held] - best[todo, held])
        with np.errstate(all="ignore"):
            secant = (fit.theta - theta[k - 1, todo]) / (sign[todo] * (far - old))[:, None]
            follow[todo] = np.where(np.isfinite(secant), secant, follow[todo])
            power = np.log(rise / before) / np.log(far / old)
        power = np.where((power > 0.3) & (power < 3.0), power, 1.0)
        close = np.abs(rise - aim) < _CLOSE * aim
        reached[todo] = np.select([lost, short & (rise < aim), close], [-1, 0, 1], 0)
        step[todo] *= np.clip(aim / np.maximum(rise, 1e-3 * aim), 0.2, 5.0) ** (1 / power)
        # what is left to q is carried on
        end, more = todo[close & ~lost], (sign[todo] * step[todo] - (fit.theta[:, held] - best[todo, held]))
        z[k + 1 :, end] = q[end]
        theta[k + 1 :, end] += (follow[todo] * more[:, None])[close & ~lost]
        todo = todo[~(close | short | lost)]
        if not todo.size:
            break
    # both sides in one row, by the root of the rise
    z, theta, u2 = (a.reshape(_STEPS + 2, n, 2, *a.shape[2:]) for a in (z * sign, theta, u2))
    z, theta, u2 = (np.concatenate([a[::-1, :, 0], a[1:, :, 1]]).swapaxes(0, 1) for a in (z, theta, u2))
    order = np.argsort(z, axis=1, kind="stable")
    z = np.take_along_axis(z, order, 1)
    theta, u2 = (np.take_along_axis(a, order[:, :, None], 1) for a in (theta, u2))
    return z, theta, np.sqrt(np.maximum(u2, 0.0)), reached.reshape(n, 2)


def _envelope(z, theta, u, reached, columns, held: int, q):
    """Widths of the intervals (n, 2, columns) by what `_follow` found; nan where it tells nothing."""
    n, nodes = z.shape
    row, middle = np.arange(n)[:, None], nodes // 2
    ends = np.empty((n, 2, len(columns)))
    known = np.where(reached == 1, np.inf, 0.0)
    for k, c in enumerate(columns):
        at = q[:, k, None] * _GRID
        left = np.clip((z[:, :, None] <= at[:, None]).sum(1) - 1, 0, nodes - 2)
        right = left + 1
        while (same := (z[row, left] == z[row, right]) & (left > 0)).any():
            left = left - same
        wide = z[row, right] - z[row, left]
        part = np.clip((at - z[row, left]) / np.where(wide > 0, wide, 1.0), -0.2, 1.2)
        centre = theta[row, left, c] * (1 - part) + theta[row, right, c] * part
        half = u[row, left, c] * (1 - part) + u[row, right, c] * part
        half = np.maximum(half, 0.0) * np.sqrt(1.0 - _GRID**2) * q[:, k, None]
        # no further than the fits went on a side that chi2 does not close
        inside = (at >= z[:, :1] - known[:, :1]) & (at <= z[:, -1:] + known[:, 1:])
        best = theta[row[:, 0], middle, c]
        ends[:, 0, k] = best - np.min(np.where(inside, centre - half, np.inf), axis=1)
        ends[:, 1, k] = np.max(np.where(inside, centre + half, -np.inf), axis=1) - best
        if c == held:
            ends[:, :, k] = np.where(reached == 0, np.inf, ends[:, :, k])
    ends[(reached == -1).any(1)] = np.nan
    return ends
