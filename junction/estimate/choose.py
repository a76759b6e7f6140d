"""Which model the data ask for: cheap tests for all sweeps, fits of the candidates for the few that fail.

A bag is mostly plain junctions.  For those, one evaluation at the minimum gives the score test (Rao 1948)
of a constant current and of a second exponential: the drop of chi2 a further term would bring, to first
order, without fitting it.  Only sweeps where a test is decisive, where the fit is poor, where wild points
stand out or where a straight line would do as well are fitted with the other sets of terms, under a loss
that wild points cannot rule (Huber, 3 standard uncertainties), and the least AICc wins.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from junction.estimate import starts
from junction.estimate.engine import FINAL, Block, fit_set, problem_of, set_weights, store
from junction.estimate.lsq import Options
from junction.estimate.noise import first_guess
from junction.estimate.models import CODE, NAMES, NUMBER, aicc, columns_of
from junction.estimate.terms import AB, AR, BB, BR, I0, A, B, G, RS

#: Drop of chi2 that makes a further term worth fitting: 0.3 % chance each for a sweep that lacks it.
DECISIVE = 9.0
#: |residual| that makes a point wild [standard uncertainties]; 1 in 5e8 of a normal distribution.
WILD = 6.0
ROBUST = Options(max_iterations=40, decrease_tol=1e-3, huber=3.0)


@dataclass(eq=False)
class Choice:
    """Evidence per sweep of the block: criterion of every set tried (inf where not) and the score tests."""

    criterion: np.ndarray  # (n, len(NAMES))
    drop_offset: np.ndarray  # (n,) fall of chi2 promised by a constant term
    drop_recombination: np.ndarray  # (n,) the same for a second exponential (0 where it would be negative)
    wild: np.ndarray  # (n,) bool: points were left out


def _score(block: Block):
    """Residuals at the minimum of the plain sets and the promise of two further terms."""
    n, m = block.v.shape
    size, offset, second = np.zeros(n), np.zeros(n), np.zeros(n)
    for name in ("base", "breakdown", "bare", "reverse only"):
        index = np.flatnonzero(block.code == CODE[name])
        if not index.size:
            continue
        whole = index.size == n
        problem = problem_of(block, name, None if whole else index)
        out = problem.evaluate(block.theta[index][:, list(columns_of(name))])
        residual = out[:, -1]
        size[index] = np.abs(residual).max(1)
        covariance = block.covariance[index][:, columns_of(name)][:, :, columns_of(name)]
        x, weight, work = problem.work[0], problem.work[4], problem.work[3]
        offset[index] = np.abs(_promise(weight, out, covariance))
        np.divide(x, 2 * problem.vt, out=work)
        np.minimum(work, 60.0, out=work)
        np.exp(work, out=work)
        work -= 1.0
        # scaled so that its square stays within doubles
        work /= np.max(np.abs(work) * problem.keep, axis=1, keepdims=True) + 1e-300
        work *= weight
        second[index] = np.maximum(_promise(work, out, covariance), 0.0)
    return size, offset, second


def _promise(column, out, covariance):
    """Signed drop of chi2 if a term with this (weighted) column were added; sign is the term's own."""
    qr = np.einsum("nm,nm->n", column, out[:, -1])
    cross = np.matmul(out[:, :-1], column[:, :, None])[:, :, 0]
    qq = np.einsum("nm,nm->n", column, column)
    left = qq - np.einsum("np,npq,nq->n", cross, covariance, cross)
    return np.where(left > 1e-9 * qq, np.sign(qr) * qr * qr / np.maximum(left, 1e-300), 0.0)


def _line_like(block: Block) -> np.ndarray:
    """Sweeps that a straight line, or no current at all, fits about as well as the junction."""
    v, i, keep = block.v, block.i, block.keep
    w = keep / block.ui2
    svv = np.einsum("nm,nm,nm->n", w, v, v)
    g = np.einsum("nm,nm,nm->n", w, v, i) / np.maximum(svv, 1e-300)
    none = np.einsum("nm,nm,nm->n", w, i, i)
    mean = np.einsum("nm,nm->n", w, i) / np.maximum(w.sum(1), 1e-300)
    none = none - mean * mean * w.sum(1)
    w = keep / (block.ui2 + (g * g)[:, None] * block.uv2)
    line = i - g[:, None] * v
    line *= line
    line = np.einsum("nm,nm->n", w, line)
    limit = 2.0 * block.chi2 + 40.0
    return (line < limit) | (none < limit) | ~np.isfinite(block.chi2)


def choose(block: Block) -> Choice:
    """Settle the model of every sweep of the block and leave its fit in the block."""
    n = block.chi2.size
    used = block.n_used
    choice = Choice(np.full((n, len(NAMES)), np.inf), np.zeros(n), np.zeros(n), np.zeros(n, bool))
    size, choice.drop_offset, choice.drop_recombination = _score(block)
    choice.criterion[np.arange(n), block.code] = aicc(block.chi2, NUMBER[block.code], used)
    choice.criterion[block.rank_short] = np.inf
    dof = np.maximum(used - NUMBER[block.code], 1)
    poor = block.chi2 > dof + 4 * np.sqrt(2 * dof)
    trouble = poor | ~block.converged | (size > WILD - 1) | block.at_bound
    line = _line_like(block)
    ask = trouble | (choice.drop_offset > DECISIVE) | (choice.drop_recombination > DECISIVE) | line
    index = np.flatnonzero(ask)
    if index.size:
        _contest(block, choice, index, trouble, line)
    return choice


def _contest(block: Block, choice: Choice, index, trouble, line) -> None:
    """Fit the candidates of the sweeps in `index`, keep the best, leave out wild points."""
    starting = block.theta.copy()
    _neutral_weights(block, index)
    _line_weights(block, index[line[index] & (block.code[index] != CODE["reverse only"])])
    best = {}
    for name in NAMES:
        rows = index[_eligible(block, choice, index, trouble, line, name)]
        if rows.size:
            solution, at = _candidate(block, starting, name, rows), rows
            score = aicc(solution.chi2, NUMBER[CODE[name]], block.n_used[at])
            choice.criterion[at, CODE[name]] = np.where(_held(name, solution), score, np.inf)
            best[name] = (at, solution)
    scores = choice.criterion[index]
    # a poor best fit means the uncertainties are too small: differences count in its units
    lowest = scores.min(1)
    finite = np.isfinite(lowest)
    handicap = np.zeros(len(NAMES))
    handicap[[CODE["resistor"], CODE["resistor + offset"]]] = 4.0  # noise alone must not make a path
    winner = np.argmin(scores + handicap, axis=1)
    for name, (at, solution) in best.items():
        pick = (winner[np.searchsorted(index, at)] == CODE[name]) & finite[np.searchsorted(index, at)]
        if pick.any():
            store(block, name, solution, at, pick)
    _finish(block, choice, index[finite])


def _held(name: str, solution) -> np.ndarray:
    """Whether the data hold the set at all: a minimum of full rank with every exponent resolved."""
    columns = columns_of(name)
    out = solution.converged & (solution.rank == len(columns))
    for c in (B, BR, BB):
        if c in columns:
            k = columns.index(c)
            u = np.sqrt(np.maximum(solution.covariance[:, k, k], 0.0))
            out &= (solution.theta[:, k] > 3 * u) & ~solution.at_bound[:, k]
    return out


def _neutral_weights(block: Block, rows) -> None:
    """Weights of contested sweeps from their readings: the plain junction's must not judge its rivals."""
    if block.noise is None:
        block.ui2[rows] = block.parts[rows, 0, None] + block.parts[rows, 2, None] * block.i[rows] ** 2
    else:
        block.ui2[rows] = block.noise.variances(0.0, block.i[rows])[1]


def _line_weights(block: Block, rows) -> None:
    """Noise of sweeps without a clear curve from their scatter about a line.

    The plain junction fitted to them may be anything, and so may the noise found with it.
    """
    if block.noise is not None or not rows.size:
        return
    block.parts[rows] = first_guess(block.v[rows], block.i[rows], block.keep[rows])
    block.uv2[rows] = block.parts[rows, 1, None]
    block.ui2[rows] = block.parts[rows, 0, None] + block.parts[rows, 2, None] * block.i[rows] ** 2
    line = fit_set(block, "resistor + offset", np.zeros((rows.size, block.theta.shape[1])), rows)
    set_weights(block, "resistor + offset", line.theta, rows)


def _eligible(block: Block, choice: Choice, index, trouble, line, name):
    """Which of the sweeps a set of terms is worth fitting to."""
    used, reverse = block.n_used[index], np.min(np.where(block.keep > 0, block.v, 0.0), axis=1)[index]
    forward = np.max(np.where(block.keep > 0, block.v, 0.0), axis=1)[index]
    enough = used >= NUMBER[CODE[name]] + 2
    hard = trouble[index]
    if name in ("open", "resistor", "resistor + offset"):
        return (line[index] | hard) & (used >= NUMBER[CODE[name]])
    if name in ("bare", "base"):
        return enough & (used >= 5)
    offset, second = choice.drop_offset[index] > DECISIVE, choice.drop_recombination[index] > DECISIVE
    if name == "offset":
        return enough & (hard | offset | second)
    if name == "recombination":
        return enough & (hard | second | offset) & (used >= 10)
    if name == "recombination + offset":
        return enough & (hard | (second & offset)) & (used >= 12)
    if name == "reverse only":
        return enough & (reverse < -1.0) & (forward < 0.25) & hard
    return enough & (reverse < -1.0) & hard & (used >= 10)


def _candidate(block: Block, starting, name: str, rows):
    """Robust fit of one set from the plain fit and the regressions; the better of the starts."""
    start = np.where(np.isfinite(starting[rows]), starting[rows], 0.0)
    v, i, keep, ui2, vt = block.v[rows], block.i[rows], block.keep[rows], block.ui2[rows], block.vt[rows]
    uv2 = np.broadcast_to(block.uv2, block.v.shape)[rows]
    conductance = starts.lowest_chord(v, i, keep, ui2, vt)
    columns = columns_of(name)
    tries = [start]
    if name in ("open", "resistor", "resistor + offset"):
        w = keep / ui2
        start[:, G] = np.einsum("nm,nm->n", w * v, i) / np.maximum(np.einsum("nm,nm->n", w * v, v), 1e-300)
        start[:, I0] = 0.0
        other = start.copy()  # where the voltage is the noisier, regress it on the current
        cross = np.einsum("nm,nm->n", w * v, i)
        other[:, G] = np.einsum("nm,nm->n", w * i, i) / np.where(np.abs(cross) > 1e-300, cross, 1e300)
        tries.append(other)
    else:
        fresh = start.copy()
        fresh[:, A], fresh[:, B], fresh[:, RS], _ = starts.exponential(v, i, keep, uv2, ui2, vt, conductance)
        fresh[:, G], fresh[:, I0] = conductance, 0.0
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
    return _best([fit_set(block, name, one, rows, ROBUST) for one in tries])


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
    """Start with a photocurrent: the most negative current is taken off before the regression."""
    one = fresh.copy()
    lift = np.minimum(np.min(np.where(keep > 0, i, np.inf), axis=1), 0.0)
    raised = i - lift[:, None]
    slope = starts.lowest_chord(v - np.min(np.where(keep > 0, v, np.inf), axis=1)[:, None] + 1e-9, raised, keep,
                                ui2, vt) * 0.5  # fmt: skip
    one[:, A], one[:, B], one[:, RS], _ = starts.exponential(v, raised, keep, uv2, ui2, vt, slope)
    one[:, RS] = np.maximum(one[:, RS], 0.0)
    one[:, G], one[:, I0] = slope, lift
    return one


def _best(solutions):
    """Sweep by sweep the solution with the least loss."""
    out = solutions[0]
    for other in solutions[1:]:
        better = (other.chi2 < out.chi2) & (other.converged | ~out.converged)
        for name in ("theta", "chi2", "hessian", "covariance", "rank", "converged", "at_bound"):
            array = getattr(out, name)
            array[better] = getattr(other, name)[better]
    return out


def _finish(block: Block, choice: Choice, index) -> None:
    """Least squares for the chosen sets: weights renewed, wild points left out, once more after that."""
    for round_ in range(3):
        dropped = np.zeros(block.chi2.size, bool)
        for name in NAMES:
            at = index[block.code[index] == CODE[name]]
            if not at.size:
                continue
            columns = list(columns_of(name))
            if round_ == 0 or block.noise is None:
                set_weights(block, name, block.theta[at][:, columns], at)
            solution = fit_set(block, name, block.theta[at], at, FINAL)
            store(block, name, solution, at)
            if round_ < 2:
                dropped[at] = _drop_wild(block, choice, name, at)
        index = np.flatnonzero(dropped)
        if not index.size:
            return


def _drop_wild(block: Block, choice: Choice, name: str, at):
    """Take wild points out of the sweeps `at`, unless there are too many to call them so."""
    residual = np.abs(problem_of(block, name, at).evaluate(block.theta[at][:, list(columns_of(name))])[:, -1])
    live = block.keep[at] > 0
    spread = 1.4826 * np.nanmedian(np.where(live, residual, np.nan), axis=1)
    wild = live & (residual > WILD * np.maximum(spread, 1.0)[:, None])
    count = wild.sum(1)
    allowed = np.maximum(1, 0.1 * live.sum(1))
    room = live.sum(1) - count >= NUMBER[CODE[name]] + 2
    act = (count > 0) & (count <= allowed) & room
    block.keep[at[act]] *= ~wild[act]
    choice.wild[at[act]] = True
    return act


