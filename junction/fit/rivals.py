"""Fits of the rivals of the plain junction, from starts of their own, for the sweeps that need them."""

from __future__ import annotations

import numpy as np

from junction.fit import starts
from junction.fit.engine import (
    Block,
    fit_set,
    new_block,
    problem_of,
    set_weights,
    stated_current_variance,
)
from junction.fit.lsq import Solution
from junction.fit.models import CODE, columns_of
from junction.fit.noise import first_guess
from junction.fit.terms import AB, AR, BB, BR, I0, RS, A, B, G

#: Sets that the data hold come to rest within some ten steps; those still wandering hold nothing.
ROBUST = dict(max_iterations=24, decrease_tol=1e-3, huber=3.0)
#: AICc added where the data do not hold a parameter of the set.
UNHELD = 200.0
LINES = ("open", "resistor", "resistor + offset")


def handicap(block: Block, name: str, solution, at) -> np.ndarray:
    """What a set's criterion is raised by: nothing where it is a minimum the data hold.

    Full rank and every exponent resolved are asked for; without, a set wins only where all others are far
    off, and with its flag up.  No minimum at all, or one found off the curve, is out (inf).
    """
    columns = columns_of(name)
    problem = problem_of(block, name, at)
    reached = problem.reaches(solution.theta, problem.evaluate(solution.theta))
    out = solution.rank == len(columns)
    for c in (A, B, BR, AR, BB):
        if c in (A, AR) and c in columns:
            out &= ~solution.at_bound[:, columns.index(c)]
        elif c in columns:
            k = columns.index(c)
            u = np.sqrt(np.maximum(solution.covariance[:, k, k], 0.0))
            out &= (solution.theta[:, k] > 3 * u) & ~solution.at_bound[:, k]
    if name == "resistor + offset":  # an ammeter's offset is a small thing; a line far off zero is no path
        top = np.max(np.abs(block.i[at]) * block.keep[at], axis=1)
        spread = np.ptp(block.v[at] * block.keep[at], axis=1)
        reached &= (np.abs(solution.theta[:, columns.index(I0)]) < 0.2 * top) | (spread < 0.05)
    return np.where(reached & solution.converged, np.where(out, 0.0, UNHELD), np.inf)


def neutral_weights(block: Block, rows) -> None:
    """Weights of contested sweeps from their readings: the plain junction's must not judge its rivals."""
    if block.noise is None:
        block.ui2[rows] = block.parts[rows, 0, None] + block.parts[rows, 2, None] * block.i[rows] ** 2
    else:
        block.ui2[rows] = stated_current_variance(block, rows, block.i[rows])


def line_weights(block: Block, rows) -> None:
    """Noise of sweeps without a clear curve from their scatter about a line.

    The plain junction fitted to them may be anything, and so may the noise found with it.
    """
    if not rows.size or (block.noise is not None and not block.noise.floorless):
        return
    if block.noise is not None:
        fresh = new_block(block.v[rows], block.i[rows], block.keep[rows], block.vt[rows], block.noise)
        block.least[rows], block.uv2[rows], block.ui2[rows] = fresh.least, fresh.uv2, fresh.ui2
        line = fit_set(block, "resistor + offset", np.zeros((rows.size, block.theta.shape[1])), rows)
        set_weights(block, "resistor + offset", line.theta, rows)
        return
    block.parts[rows] = first_guess(block.v[rows], block.i[rows], block.keep[rows])
    block.parts[rows] = np.maximum(block.parts[rows], block.least[rows])
    block.uv2[rows] = block.parts[rows, 1, None]
    block.ui2[rows] = block.parts[rows, 0, None] + block.parts[rows, 2, None] * block.i[rows] ** 2
    line = fit_set(block, "resistor + offset", np.zeros((rows.size, block.theta.shape[1])), rows)
    set_weights(block, "resistor + offset", line.theta, rows)


def candidate(block: Block, starting, name: str, rows):
    """Robust fit of one set from the plain fit and the regressions; the better of the starts."""
    start = np.where(np.isfinite(starting[rows]), starting[rows], 0.0)
    v, i, keep, ui2, vt = block.v[rows], block.i[rows], block.keep[rows], block.ui2[rows], block.vt[rows]
    uv2 = np.broadcast_to(block.uv2, block.v.shape)[rows]
    conductance = starts.lowest_chord(v, i, keep, ui2, vt)
    columns = columns_of(name)
    tries = [start]
    # a start from a fit that went astray would only lead there again
    astray = (
        ~np.isin(block.code[rows], [CODE["base"], CODE["breakdown"]])
        | ~block.converged[rows]
        | (np.abs(start[:, RS]) * np.max(np.abs(i) * keep, axis=1) > 2 * np.ptp(v, axis=1))
    )
    if name in LINES:
        cross, square = np.einsum("nm,nm,nm->n", keep, v, i), np.einsum("nm,nm,nm->n", keep, v, v)
        start[:, G] = cross / np.maximum(square, 1e-300)
        start[:, I0] = 0.0
        other = start.copy()  # where the voltage is the noisier, regress it on the current
        square = np.einsum("nm,nm,nm->n", keep, i, i)
        other[:, G] = square / np.where(np.abs(cross) > 1e-300, cross, 1e300)
        if G in columns:
            tries.append(other)
    else:
        fresh = start.copy()
        fresh[:, A], fresh[:, B], fresh[:, RS], _ = starts.exponential(v, i, keep, uv2, ui2, vt, conductance)
        fresh[:, G], fresh[:, I0] = conductance, 0.0
        start[astray] = fresh[astray]
        if AR in columns:
            tries = _two_exponentials(v, i, keep, uv2, ui2, vt, conductance, start, fresh)
        elif I0 in columns:
            tries.append(_lifted(v, i, keep, uv2, ui2, vt, start, fresh))
        else:
            tries.append(fresh)
        if "breakdown" in name or name == "reverse only":
            ab, bb, series, _ = starts.breakdown(v, i, keep, uv2, ui2, vt, conductance)
            for one in tries:
                one[:, AB], one[:, BB] = ab, bb
                if name == "reverse only":
                    one[:, RS] = series
    # all starts in one batch: what a step costs hardly depends on how many problems take it
    fits = fit_set(block, name, np.concatenate(tries), np.tile(rows, len(tries)), ROBUST)
    return _best(fits, len(tries))


def _two_exponentials(v, i, keep, uv2, ui2, vt, conductance, start, fresh):
    """Starts for a second exponential: the first from the upper decades only, at two places to cut."""
    top = np.max(np.where(keep > 0, i, 0.0), axis=1)
    low = np.sqrt(np.maximum(np.min(np.where((keep > 0) & (i > 0), ui2, np.inf), axis=1), 1e-30))
    tries = []
    for share in (0.35, 0.65):
        one = fresh.copy()
        cut = np.maximum(top, 1e-12) ** (1 - share) * np.minimum(low * 5, np.maximum(top, 1e-12)) ** share
        one[:, A], one[:, B], one[:, RS], _ = starts.exponential(
            v, i, keep, uv2, ui2, vt, conductance, above=cut
        )
        one[:, RS] = np.maximum(one[:, RS], 0.0)
        one[:, BR] = 0.5
        one[:, AR] = starts.recombination(v, i, keep, ui2, vt, one[:, A], one[:, B], one[:, RS], conductance)
        tries.append(one)
    return tries


def _lifted(v, i, keep, uv2, ui2, vt, start, fresh):
    """Start with a photocurrent: a line through the lower part of the sweep is taken off first."""
    one = fresh.copy()
    live = keep > 0
    low, high = np.min(np.where(live, v, np.inf), axis=1), np.max(np.where(live, v, -np.inf), axis=1)
    w = (live & (v <= (low + 0.4 * (high - low))[:, None])).astype(float)
    count = np.maximum(w.sum(1), 1.0)
    mean_v, mean_i = np.einsum("nm,nm->n", w, v) / count, np.einsum("nm,nm->n", w, i) / count
    dv = (v - mean_v[:, None]) * w
    slope = np.einsum("nm,nm->n", dv, i) / np.maximum(np.einsum("nm,nm->n", dv, dv), 1e-300)
    slope = np.maximum(slope, 0.0)
    lift = mean_i - slope * mean_v
    raised = i - lift[:, None]
    one[:, A], one[:, B], one[:, RS], _ = starts.exponential(v, raised, keep, uv2, ui2, vt, slope)
    one[:, RS] = np.maximum(one[:, RS], 0.0)
    one[:, G], one[:, I0] = slope, lift
    return one


def _best(solution: Solution, tries: int) -> Solution:
    """Sweep by sweep the start that led to the least loss."""
    n = solution.chi2.size // tries
    which = np.argmin(solution.chi2.reshape(tries, n), axis=0) * n + np.arange(n)
    return Solution(*(a[which] for a in solution))
