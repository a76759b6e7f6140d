"""The one engine that weighs: what may be the case, how likely each is, and what each predicts.

A hypothesis is a label with a log weight and, where it predicts readings, normal laws that share few
causes.  Bayes' rule multiplies prior and likelihood; pieces of one label add up; what is left is
normalised, and a quantity that each piece gives a normal law has the mixture of them as its distribution.
The leads of a part, the family of a sweep and the faults of a stage are all weighed by these functions.

Everything is in logarithms until it is normalised, because likelihoods of many readings leave the range
of floating-point numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np

#: What a reading is: not taken, a number, or a mark that it lies beyond the ceiling of its range.
MISSING, VALUE, OVER = range(3)

_BLOCK = 3_000_000  # numbers in one block of the weighing
_FAR = 30.0  # pieces this far below the best [nat] are left at the cheap form of the over-range marks
_EXCLUDED = -20.0  # log probability of a pattern of marks from which a piece is left out
_FAR_OVER_SD = 7.0  # a number this many standard deviations under a predicted mark excludes the piece
_HALF_LN_2PI = 0.5 * np.log(2 * np.pi)


def log_phi(z: np.ndarray) -> np.ndarray:
    """Logarithm of the normal distribution function, to 7.5e-8 of the function and 0.005 of the logarithm.

    Abramowitz and Stegun (1964) 26.2.17 for the body, 26.2.12 (first terms) for the far tail.  It spares
    `junction check` the import of scipy, which would take longer than the check.

    Parameters
    ----------
    z : ndarray
        Standardised value [1].

    Returns
    -------
    ndarray
        ln Phi(z) [1].
    """
    a = np.minimum(np.abs(z), 1e6)
    t = 1 / (1 + 0.2316419 * a)
    series = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    far = np.maximum(a, 6.0)
    series = np.where(a > 6, (1 - far**-2 + 3 * far**-4) / far, series)
    log_tail = -0.5 * a**2 - _HALF_LN_2PI + np.log(series)
    return np.where(z < 0, log_tail, np.log1p(-np.minimum(np.exp(log_tail), 0.5)))


def log_normal(x, mean, sd):
    """Logarithm of the normal density of `x` [ln of 1/unit]; `mean` and `sd` in the unit of `x`."""
    return -0.5 * ((x - mean) / sd) ** 2 - np.log(sd) - _HALF_LN_2PI


def log_total(log_weight: np.ndarray, axis=-1) -> np.ndarray:
    """Logarithm of the sum of weights along an axis or axes; -inf where all are."""
    top = np.max(log_weight, axis=axis, keepdims=True, initial=-np.inf)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return np.log(np.exp(log_weight - top).sum(axis=axis)) + np.squeeze(top, axis=axis)


def posterior(log_weight: np.ndarray, axis=-1, otherwise=0.0) -> np.ndarray:
    """Probabilities from log weights.

    Parameters
    ----------
    log_weight : ndarray
        Log of prior times likelihood, up to a constant; -inf for what is excluded.
    axis : int or tuple of int
        Axes over which the probabilities sum to 1.
    otherwise : array_like
        What stands where everything is excluded.

    Returns
    -------
    ndarray
        Of the shape of `log_weight` [1].
    """
    top = np.max(log_weight, axis=axis, keepdims=True, initial=-np.inf)
    some = np.isfinite(top)
    p = np.exp(log_weight - np.where(some, top, 0.0))
    total = p.sum(axis=axis, keepdims=True)
    return np.where(some, p / np.where(some, total, 1.0), otherwise)


@dataclass(frozen=True, eq=False)
class Mixture:
    """A quantity that each of some pieces gives a normal law.

    Parameters
    ----------
    log_weight : ndarray (m,)
        Up to a constant.
    mean, sd : ndarray (m,)
        Of each piece, in the unit of the quantity.
    """

    log_weight: np.ndarray
    mean: np.ndarray
    sd: np.ndarray

    @cached_property
    def weight(self) -> np.ndarray:
        """Probability of each piece [1]."""
        return posterior(self.log_weight)

    def below(self, x) -> np.ndarray:
        """Probability that the quantity is below `x` [1], of the shape of `x`."""
        from scipy.special import ndtr

        return ndtr((np.asarray(x, float)[..., None] - self.mean) / self.sd) @ self.weight

    def quantile(self, p: float) -> float:
        """Value that is not exceeded with probability `p`, in the unit of the quantity."""
        from scipy.optimize import brentq
        from scipy.special import ndtri

        # the quantile of the whole lies between the least and the largest of those of the pieces
        ends = (self.mean + self.sd * ndtri(p))[self.weight > 0]
        low, high = float(ends.min()), float(ends.max())
        if not self.below(low) < p < self.below(high):  # one piece, to rounding
            return 0.5 * (low + high)
        return brentq(lambda x: float(self.below(x)) - p, low, high, xtol=1e-13, rtol=1e-14)

    def moments(self) -> tuple[float, float]:
        """Mean and standard deviation of the whole, in the unit of the quantity."""
        mean = float(self.weight @ self.mean)
        return mean, float(np.sqrt(self.weight @ ((self.mean - mean) ** 2 + self.sd**2)))


@dataclass(frozen=True, eq=False)
class Predictions:
    """Readings that r pieces of hypotheses predict, as normal laws that share few causes.

    Parameters
    ----------
    label : ndarray of int (r,)
        Hypothesis of each piece, in rising order.
    log_weight : ndarray (r,)
        Log of its prior [1].
    mean : ndarray (r, k)
        Predicted readings.
    factor : ndarray (r, k, q)
        Readings per standard deviation of each of q shared causes.
    noise : ndarray (r, k)
        Standard deviation of what is each reading's own.
    ceiling : ndarray (k,)
        From here on a reading shows a mark instead of a number.
    """

    label: np.ndarray
    log_weight: np.ndarray
    mean: np.ndarray
    factor: np.ndarray
    noise: np.ndarray
    ceiling: np.ndarray

    @cached_property
    def sd(self) -> np.ndarray:
        """Standard deviation of every predicted reading (r, k)."""
        return np.sqrt(np.sum(self.factor**2, axis=2) + self.noise**2)

    @cached_property
    def log_over(self) -> np.ndarray:
        """Log probability that a reading shows the mark, whatever the others are (r, k)."""
        return log_phi((self.mean - self.ceiling) / self.sd)

    def take(self, rows: np.ndarray) -> Predictions:
        """Some of the pieces."""
        own = {f.name: getattr(self, f.name)[rows] for f in fields(self) if f.name != "ceiling"}
        return replace(self, **own)

    def whitened(self, rows: np.ndarray, seen: np.ndarray):
        """Matrix that makes the readings seen independent, their whitened means, and the log normaliser.

        Parameters
        ----------
        rows, seen : ndarray of int
            Pieces (r,) and readings (s,).

        Returns
        -------
        white : ndarray (r, s, s)
        centre : ndarray (r, s)
        log_norm : ndarray (r,)
        """
        factor, k = self.factor[rows][:, seen], seen.size
        covariance = factor @ factor.transpose(0, 2, 1)
        covariance[:, np.arange(k), np.arange(k)] += self.noise[rows][:, seen] ** 2
        chol = np.linalg.cholesky(covariance)
        white = np.linalg.solve(chol, np.broadcast_to(np.eye(k), chol.shape))
        centre = np.einsum("rij,rj->ri", white, self.mean[rows][:, seen])
        return white, centre, -np.log(chol[:, np.arange(k), np.arange(k)]).sum(1) - k * _HALF_LN_2PI

    def log_likelihood(self, value: np.ndarray, state: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Weight times likelihood of every piece for readings of one pattern.

        The normal density of the readings that are numbers, times the probability that the others are
        over-range given those numbers: the shared causes (the ohms of a leak, a gain) move numbers and
        marks together, so a path of 1.2 kohm that one placement shows cannot be over-range the other way.

        Parameters
        ----------
        value : ndarray (m, k)
        state : ndarray of int (k,)
            Their common pattern of MISSING, VALUE and OVER.

        Returns
        -------
        rows : ndarray of int (r,)
            Pieces that the pattern does not exclude.
        log_like : ndarray (r, m)
        """
        seen, over = np.flatnonzero(state == VALUE), np.flatnonzero(state == OVER)
        pattern = self.log_over[:, over].sum(1)
        low = self.mean[:, seen] - _FAR_OVER_SD * self.sd[:, seen] > self.ceiling[seen]
        rows = np.flatnonzero((pattern > _EXCLUDED) & ~low.any(axis=1))
        base = self.log_weight[rows] + pattern[rows]
        if seen.size == 0:
            return rows, np.repeat(base[:, None], len(value), axis=1)
        white, centre, log_norm = self.whitened(rows, seen)
        offset = np.matmul(white, value[:, seen].T) - centre[:, :, None]
        log_like = (base + log_norm)[:, None] - 0.5 * np.sum(offset**2, axis=1)
        if over.size:
            near = np.flatnonzero((log_like > log_like.max(axis=0, initial=-np.inf) - _FAR).any(axis=1))
            at = rows[near]
            # whitened readings per standard deviation of each cause
            cause = white[near] @ self.factor[at][:, seen]
            factor = self.factor[at][:, over]
            known = factor @ cause.transpose(0, 2, 1)
            mean = self.mean[at][:, over, None] + known @ offset[near]
            left = np.maximum(np.sum(factor**2, axis=2) - np.sum(known**2, axis=2), 0.0)
            sd = np.sqrt(left + self.noise[at][:, over] ** 2)
            given = log_phi((mean - self.ceiling[over][:, None]) / sd[:, :, None]).sum(axis=1)
            log_like[near] += given - pattern[at, None]
        return rows, log_like

    def log_evidence(self, value: np.ndarray, state: np.ndarray, count: int) -> np.ndarray:
        """Log of prior times likelihood of every label, for readings of any patterns.

        Parameters
        ----------
        value, state : ndarray (m, k)
        count : int
            Labels are counted from 0 to here.

        Returns
        -------
        ndarray (m, count)
            -inf for labels without a piece that the pattern allows.
        """
        out = np.full((len(value), count), -np.inf)
        codes = state @ 3 ** np.arange(state.shape[1])
        step = max(1, _BLOCK // (len(self.mean) * 6))
        for code in sorted(set(codes.tolist())):  # np.unique would import numpy.ma, for 30 ms
            same = np.flatnonzero(codes == code)
            for first in range(0, same.size, step):
                pick = same[first : first + step]
                rows, like = self.log_likelihood(value[pick], state[pick[0]])
                if not rows.size:
                    continue
                label = self.label[rows]  # weights of one label add up
                starts = np.flatnonzero(np.diff(label, prepend=label[0] - 1))
                top = like.max(axis=0)
                top = np.where(np.isfinite(top), top, 0.0)
                with np.errstate(divide="ignore"):
                    summed = np.log(np.add.reduceat(np.exp(like - top), starts, axis=0)) + top
                out[np.ix_(pick, label[starts])] = summed.T
        return out

    def cause_given(self, rows, value: np.ndarray, state: np.ndarray, cause: int):
        """What one reading of all tells of a shared cause, in each piece.

        Parameters
        ----------
        rows : ndarray of int (r,)
        value, state : ndarray (k,)
        cause : int
            Position on the last axis of `factor`.

        Returns
        -------
        mean, variance : ndarray (r,)
            In standard deviations of the cause; 0 and 1 where nothing was read.
        """
        seen = np.flatnonzero(state == VALUE)
        if not seen.size:
            return np.zeros(len(rows)), np.ones(len(rows))
        white, centre, _ = self.whitened(rows, seen)
        pull = np.einsum("rij,rj->ri", white, self.factor[rows][:, seen, cause])
        mean = np.sum(pull * (np.einsum("rij,j->ri", white, value[seen]) - centre), axis=1)
        return mean, np.maximum(1 - np.sum(pull**2, axis=1), 0.0)


def conformity(value, u, low=-np.inf, high=np.inf):
    """Probability that a quantity lies inside a tolerance interval.

    JCGM 106:2012, 7.3: ``p = Phi((high - y)/u) - Phi((low - y)/u)`` for a normal distribution.

    Parameters
    ----------
    value, u : array_like
        Best estimate and its standard uncertainty, same unit; u of 0, or an infinite value, is a step.
    low, high : array_like
        Tolerance limits; infinite where there is none.

    Returns
    -------
    ndarray
        Probability of conformity [1], broadcast; nan where the value or u is nan.
    """
    from scipy.special import ndtr

    y, u, low, high = np.broadcast_arrays(*(np.asarray(x, float) for x in (value, u, low, high)))
    sharp = (u == 0) | np.isinf(y)
    scale = np.where(sharp, 1.0, u)
    # The difference of the two tails is taken on the side where both are small, or digits are lost.
    with np.errstate(invalid="ignore"):
        above = y > 0.5 * (np.where(np.isfinite(low), low, high) + np.where(np.isfinite(high), high, low))
        a, b = (low - y) / scale, (high - y) / scale
        p = np.where(above, ndtr(b) - ndtr(a), ndtr(-a) - ndtr(-b))
    p = np.where(sharp, ((y >= low) & (y <= high)).astype(float), p)
    return np.where(np.isnan(y) | np.isnan(u), np.nan, np.clip(p, 0.0, 1.0))


def conformity_log(value, u_ln, low=0.0, high=np.inf):
    """Probability of conformity of a positive quantity known to a factor (log-normal).

    Parameters
    ----------
    value : array_like
        Best estimate (median), positive; 0 conforms to any upper limit.
    u_ln : array_like
        Standard uncertainty of its natural logarithm [1].
    low, high : array_like
        Tolerance limits in the unit of `value`.

    Returns
    -------
    ndarray
        Probability of conformity [1].
    """
    with np.errstate(divide="ignore"):
        y, a, b = (np.log(np.asarray(x, float)) for x in (value, low, high))
    return conformity(y, u_ln, a, b)
