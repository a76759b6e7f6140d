"""Levenberg-Marquardt for any number of small least-squares problems at once.

A problem of the batch has p parameters and m residuals; n problems of one shape stand side by side in
dense arrays and are stepped together, each with its own damping, its own acceptance and its own end.
Ragged data are padded: a padded residual and its derivatives are zero.  The caller supplies an object
with two methods (`Problem`), which evaluates residuals and analytic derivatives of all problems in one
go into one buffer, so that a single matrix product gives J'J, J'r and r'r.

The step solves (J'J + lambda diag(J'J)) d = -J'r (Marquardt 1963) by a Cholesky factorisation that is
vectorised over the batch and works on the matrix scaled to unit diagonal, whose pivots also tell the
rank.  Damping follows Nielsen (IMM-REP-1999-05, Technical University of Denmark): gain ratio, not just
success.  Box limits are handled by projection: a parameter that stands at its limit and would leave it
is left out of the step.  Finished problems leave the batch as soon as a good part of it is done.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

_TINY = np.finfo(float).tiny
#: A pivot of the unit-diagonal matrix under this is rounding, not information.
RANK_TOL = 1e-13
#: Damping at which a problem is given up: steps have become rounding errors.
_MAX_DAMPING = 1e14


class Problem(Protocol):
    """What `solve` needs to know of the batch."""

    def evaluate(self, theta: np.ndarray) -> np.ndarray:
        """Derivatives and residuals, shape (n, p + 1, m): dr/dtheta in planes 0..p-1, r in plane p.

        The returned buffer may be overwritten by the next call.
        """

    def take(self, index: np.ndarray) -> Problem:
        """The same for a part of the problems."""


@dataclass(frozen=True, eq=False)
class Solution:
    """Where each problem of the batch ended.

    Parameters
    ----------
    theta : ndarray (n, p)
        Parameters at the minimum.
    chi2 : ndarray (n,)
        Sum of squared residuals (of the robust loss, if one was asked for).
    hessian : ndarray (n, p, p)
        J'J at the minimum (rows and columns of fixed parameters included).
    covariance : ndarray (n, p, p)
        Inverse of J'J over the free parameters, zero elsewhere; for unit-variance residuals it is the
        parameters' covariance.
    rank : ndarray of int (n,)
        Numerical rank of J'J over the free parameters.
    converged : ndarray of bool (n,)
    at_bound : ndarray of bool (n, p)
        Parameter stands at its box limit and the fit wants to leave.
    iterations : ndarray of int (n,)
        Evaluations used.
    """

    theta: np.ndarray
    chi2: np.ndarray
    hessian: np.ndarray
    covariance: np.ndarray
    rank: np.ndarray
    converged: np.ndarray
    at_bound: np.ndarray
    iterations: np.ndarray


@dataclass(frozen=True)
class Options:
    """How hard to try.

    ``decrease_tol``: stop when a full step would lower chi2 by less than this [1] (for unit-variance
    residuals 1e-6 is a step of a thousandth of a standard uncertainty), or by less than ``relative_tol``
    times chi2, or when the step moves no parameter by more than ``step_tol`` of itself.
    ``huber``: residual [1] beyond which the loss grows linearly instead of quadratically; inf is plain
    least squares.
    """

    max_iterations: int = 60
    decrease_tol: float = 0.0
    relative_tol: float = 1e-14
    step_tol: float = 1e-12
    damping: float = 1e-8
    huber: float = np.inf


def _lower_factor(matrix: np.ndarray, damping: np.ndarray):
    """Cholesky factor of `matrix` (p, p, n) with `damping` (p, n) on its diagonal, and its pivots.

    The problem runs along the last axis of everything here, so that each operation is one pass over
    contiguous numbers; the loops are over p, unrolled.  The diagonal is kept as its reciprocal.
    """
    factor: list[list[np.ndarray]] = []
    pivots = []
    for i in range(matrix.shape[0]):
        row: list[np.ndarray] = []
        for j in range(i):
            s = matrix[i, j].copy()
            for k in range(j):
                s -= row[k] * factor[j][k]
            s *= factor[j][j]
            row.append(s)
        s = matrix[i, i] + damping[i]
        for k in range(i):
            s -= row[k] * row[k]
        pivots.append(s)
        row.append(1.0 / np.sqrt(np.maximum(s, RANK_TOL)))
        factor.append(row)
    return factor, pivots


def _substitute(factor, right: np.ndarray) -> np.ndarray:
    """Solve L L' x = right for right sides (p, n)."""
    p = right.shape[0]
    x = right.copy()
    for i in range(p):
        for k in range(i):
            x[i] -= factor[i][k] * x[k]
        x[i] *= factor[i][i]
    for i in reversed(range(p)):
        for k in range(i + 1, p):
            x[i] -= factor[k][i] * x[k]
        x[i] *= factor[i][i]
    return x


def _diagonal(matrix: np.ndarray) -> np.ndarray:
    return np.einsum("iin->in", matrix)


def _scaled(hessian: np.ndarray, free: np.ndarray | None):
    """Matrix (p, p, n) with unit diagonal, identity rows where a parameter is not free, and the scale."""
    diagonal = _diagonal(hessian)
    scale = np.sqrt(np.where(diagonal > _TINY, diagonal, 1.0))
    inverse = 1.0 / scale
    matrix = hessian * inverse[:, None]
    matrix *= inverse[None]
    if free is not None:
        matrix *= free[:, None] & free[None]
        _diagonal(matrix)[~free] = 1.0
    return matrix, scale


def invert(hessian: np.ndarray, free: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Invert a batch of normal matrices and say what rank they have.

    Parameters
    ----------
    hessian : ndarray (n, p, p)
        J'J, symmetric, positive semidefinite.
    free : ndarray of bool (n, p), optional
        Parameters to invert over; the others get zero rows and columns.

    Returns
    -------
    covariance : ndarray (n, p, p)
    rank : ndarray of int (n,)
        Over the free parameters.  Where it is short, the covariance is that of a matrix whose missing
        pivots were set to `RANK_TOL`: very large, never negative.
    """
    n, p, _ = hessian.shape
    turned = np.ascontiguousarray(hessian.transpose(1, 2, 0))
    full = np.ones((p, n), bool) if free is None else np.ascontiguousarray(free.T)
    matrix, scale = _scaled(turned, None if free is None else full)
    factor, pivots = _lower_factor(matrix, np.zeros((p, n)))
    rank = ((np.stack(pivots) > RANK_TOL) & full & (_diagonal(turned) > _TINY)).sum(0)
    out = np.empty((p, p, n))
    for k in range(p):
        unit = np.zeros((p, n))
        unit[k] = full[k]
        out[k] = _substitute(factor, unit)
    out *= full
    out /= scale[:, None]
    out /= scale[None]
    out = 0.5 * (out + out.transpose(1, 0, 2))
    return np.ascontiguousarray(out.transpose(2, 0, 1)), rank


def _products(buffer: np.ndarray, huber: float):
    """J'J (p, p, n), J'r (p, n) and the loss (n,) from one buffer of derivatives and residuals."""
    p = buffer.shape[1] - 1
    loss = None
    if np.isfinite(huber):
        size = np.abs(buffer[:, p])
        far = size > huber
        loss = np.where(far, 2 * huber * size - huber * huber, size * size).sum(1)
        buffer *= np.sqrt(huber / np.where(far, size, huber))[:, None, :]
    square = np.ascontiguousarray(np.matmul(buffer, buffer.transpose(0, 2, 1)).transpose(1, 2, 0))
    return square[:p, :p], square[:p, p], square[p, p] if loss is None else loss


class _State:
    """Problems still in the batch, in compact arrays, and where they came from.

    ``theta`` and the box are (n, p), as the problem wants them; ``hessian`` (p, p, n), ``gradient`` and
    ``top`` (p, n) as the factorisation does.
    """

    def __init__(self, problem, theta, lower, upper, free, options):
        n, p = theta.shape
        self.problem, self.options = problem, options
        self.where = np.arange(n)
        self.theta = theta
        self.lower, self.upper, self.free = lower, upper, free
        with np.errstate(over="ignore", invalid="ignore"):
            self.hessian, self.gradient, chi2 = _products(problem.evaluate(theta), options.huber)
        bad = ~np.isfinite(chi2)
        self.chi2 = np.where(bad, np.inf, chi2)
        if bad.any():
            self.hessian[:, :, bad], self.gradient[:, bad] = 0.0, 0.0
        self.damping = np.full(n, options.damping)
        self.top = np.full((p, n), _TINY)
        self.growth = np.full(n, 2.0)
        self.done = bad
        self.converged = np.zeros(n, bool)
        self.iterations = np.ones(n, np.int64)

    def held(self) -> np.ndarray:
        """Parameters that stand at a limit and would be pushed out of the box, (n, p)."""
        out = np.zeros(self.theta.shape, bool)
        if self.lower is not None:
            out |= (self.theta <= self.lower) & (self.gradient.T > 0)
        if self.upper is not None:
            out |= (self.theta >= self.upper) & (self.gradient.T < 0)
        return out

    def step(self):
        """Damped step, its predicted decrease, and whether the problem has come to rest."""
        opt = self.options
        free = self.free
        if self.lower is not None or self.upper is not None:
            held = self.held()
            if held.any():
                free = ~held if free is None else free & ~held
        turned = None if free is None else free.T
        matrix, scale = _scaled(self.hessian, turned)
        right = self.gradient / -scale
        if free is not None:
            right *= turned
        # MINPACK's scaling: the largest diagonal met so far, so that a flat far region cannot fling a
        # parameter away once its derivative has vanished
        np.maximum(self.top, _diagonal(self.hessian), out=self.top)
        damping = self.top / (scale * scale)
        damping *= self.damping
        factor, _ = _lower_factor(matrix, damping)
        step = _substitute(factor, right)
        # decrease of the quadratic model: d'(lambda D d - J'r), in scaled units
        damping *= step
        damping += right
        damping *= step
        decrease = damping.sum(0)
        step /= scale
        trial = self.theta + step.T
        if self.lower is not None:
            np.maximum(trial, self.lower, out=trial)
        if self.upper is not None:
            np.minimum(trial, self.upper, out=trial)
        small = np.all(np.abs(trial - self.theta) <= opt.step_tol * (np.abs(self.theta) + opt.step_tol), 1)
        rest = decrease <= np.maximum(opt.decrease_tol, opt.relative_tol * self.chi2)
        rest &= self.damping <= 1.0
        return trial, decrease, rest | small

    def advance(self, trial, decrease, rest):
        """Evaluate the trial points; keep what improves, damp what does not."""
        opt = self.options
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            hessian, gradient, chi2 = _products(self.problem.evaluate(trial), opt.huber)
            live = ~(self.done | rest)
            gain = (self.chi2 - chi2) / np.maximum(decrease, _TINY)
            better = live & (chi2 < self.chi2)
        if better.all():
            self.theta, self.hessian, self.gradient, self.chi2 = trial, hessian, gradient, chi2
        else:
            self.theta = np.where(better[:, None], trial, self.theta)
            self.gradient = np.where(better, gradient, self.gradient)
            self.hessian = np.where(better, hessian, self.hessian)
            self.chi2 = np.where(better, chi2, self.chi2)
        gain = np.where(gain > -1.0, np.minimum(gain, 2.0), -1.0)  # nan becomes -1 too
        easier = 1.0 - (2.0 * gain - 1.0) ** 3
        np.maximum(easier, 0.1, out=easier)
        np.minimum(easier, 2.0, out=easier)
        easier *= self.damping
        harder = np.maximum(self.damping * self.growth, 1e-4)
        self.damping = np.where(better, np.maximum(easier, 1e-14), np.where(live, harder, self.damping))
        self.growth = np.where(better, 2.0, np.where(live, 2 * self.growth, self.growth))
        self.iterations += live
        self.done |= rest | (self.damping > _MAX_DAMPING)

    def settle(self, trial, decrease, rest) -> None:
        """Note who has come to rest; a last step too small to be worth an evaluation is still taken."""
        new = rest & ~self.done
        self.converged |= new
        last = new & (decrease <= self.options.decrease_tol)
        if last.any():
            self.theta = np.where(last[:, None], trial, self.theta)
            self.chi2 = np.where(last, self.chi2 - decrease, self.chi2)

    def stalled(self) -> np.ndarray:
        """Whether residuals are orthogonal to every free derivative (MINPACK's gradient test)."""
        free = np.ones(self.theta.shape, bool) if self.free is None else self.free
        slope = np.abs(self.gradient) * (free & ~self.held()).T
        with np.errstate(invalid="ignore", over="ignore"):
            return np.all(slope <= 1e-6 * np.sqrt(_diagonal(self.hessian) * self.chi2), axis=0)

    def keep(self, index: np.ndarray) -> None:
        """Drop all but `index` from the batch."""
        for name in ("where", "theta", "chi2", "damping", "growth", "done", "converged", "iterations",
                     "lower", "upper", "free"):  # fmt: skip
            value = getattr(self, name)
            if value is not None:
                setattr(self, name, value[index])
        for name in ("hessian", "gradient", "top"):
            setattr(self, name, np.ascontiguousarray(getattr(self, name)[..., index]))
        self.problem = self.problem.take(index)


def _broadcast(value, shape):
    return None if value is None else np.ascontiguousarray(np.broadcast_to(np.asarray(value), shape))


def solve(
    problem: Problem,
    theta: np.ndarray,
    *,
    lower: np.ndarray | None = None,
    upper: np.ndarray | None = None,
    free: np.ndarray | None = None,
    options: Options = Options(),  # noqa: B008  (frozen)
) -> Solution:
    """Minimise the sum of squares of every problem of a batch.

    Parameters
    ----------
    problem : Problem
        Residuals and derivatives.
    theta : ndarray (n, p)
        Starting values, inside the box.
    lower, upper : ndarray broadcastable to (n, p), optional
        Box limits; -inf and inf are allowed.
    free : ndarray of bool broadcastable to (n, p), optional
        Parameters to fit; the others stay at their start.
    options : Options

    Returns
    -------
    Solution
        A problem whose residuals are not finite at the start comes back unchanged, not converged.
    """
    theta = np.array(theta, float)
    n, p = theta.shape
    lower, upper = _broadcast(lower, (n, p)), _broadcast(upper, (n, p))
    if lower is not None:
        theta = np.maximum(theta, lower)
    if upper is not None:
        theta = np.minimum(theta, upper)
    free = _broadcast(free, (n, p))
    out = Solution(
        theta.copy(), np.full(n, np.inf), np.zeros((n, p, p)), np.zeros((n, p, p)), np.zeros(n, np.int64),
        np.zeros(n, bool), np.zeros((n, p), bool), np.zeros(n, np.int64),
    )  # fmt: skip
    if n == 0:
        return out
    state = _State(problem, theta, lower, upper, free, options)
    for _ in range(options.max_iterations):
        trial, decrease, rest = state.step()
        state.settle(trial, decrease, rest)
        over = state.done | rest
        if over.all():
            break
        if over.mean() > 0.4:
            _store(out, state, over)
            left = np.flatnonzero(~over)
            state.keep(left)
            trial, decrease, rest = trial[left], decrease[left], rest[left]
        state.advance(trial, decrease, rest)
    _store(out, state, np.ones(state.where.size, bool))
    covariance, rank = invert(out.hessian, free)
    out.covariance[:], out.rank[:] = covariance, rank
    return out


def _store(out: Solution, state: _State, which: np.ndarray) -> None:
    """Copy finished problems from the working arrays to the result."""
    index = state.where[which]
    out.theta[index] = state.theta[which]
    out.chi2[index] = state.chi2[which]
    out.hessian[index] = state.hessian[..., which].transpose(2, 0, 1)
    out.converged[index] = (state.converged | (state.stalled() & np.isfinite(state.chi2)))[which]
    out.at_bound[index] = state.held()[which]
    out.iterations[index] = state.iterations[which]
