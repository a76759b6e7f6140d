"""A block of sweeps of one (padded) length: their points, weights and fits.

Everything here works on arrays (n, m) that fit the cache; `junction.fit.sweeps` cuts a table into such
blocks, `junction.fit.choose` takes the sweeps for which the plain junction is not the whole story.
"""

from __future__ import annotations

from copy import copy

import numpy as np

from junction.fit import start
from junction.fit.lsq import Solution, solve
from junction.fit.results import FLAGS
from junction.fit.sense import Noise, components, first_guess, highest, resolution
from junction.fit.terms import CODE, LOWER, NAMES, NUMBER, SETS, UPPER, WIDTH, JunctionProblem
from junction.shelf.rules import rule

ROUGH = dict(max_iterations=3, decrease_tol=0.3)
FINAL = dict(max_iterations=25, decrease_tol=1e-6)
#: A plain junction takes two to four steps.  In the first pass over a bag nobody waits for the rest: those
#: come again, pooled, where a step serves many.
QUICK = dict(max_iterations=5, decrease_tol=1e-6)
#: Up to this scatter [%] the weights may be those of the readings: what they bias, the square of it (1e-4
#: of IS), is a fiftieth of a standard uncertainty in 80 points.
READING_WEIGHTS = 1.0
ALL = slice(None)


def places(marked: np.ndarray):
    """Index of the sweeps marked: `ALL` where that is all of them, which spares copies."""
    return ALL if marked.all() else np.flatnonzero(marked)


class Block:
    """Sweeps of one length, their weights and what has been fitted to them; arrays over its n sweeps.

    ``v``, ``i``, ``keep`` (n, m) are the points in order of voltage; ``code`` indexes `terms.NAMES`;
    ``theta`` and ``covariance`` are in `terms.COORDINATES`, nan and zero where a term is absent;
    ``covariance`` is for the noise as given, before any scaling by chi2.  ``criterion`` holds the AICc of
    every set that was tried, ``promised`` the fall of chi2 that a constant term and a second exponential
    promise.  ``parts`` (n, 3) are the noise components found where none was stated, ``least`` what rounding
    hides.  A name of `results.FLAGS` is that flag.
    """

    def __init__(self, v, i, keep, vt, noise: Noise | None):
        self.v, self.i, self.keep, self.vt, self.noise = v, i, keep, vt, noise
        for name in FLAGS:
            setattr(self, name, np.zeros(len(v), bool))
        self.heating_K = np.full(len(v), np.nan)
        # which of the noise components are to be found; 0.1 mV to start from beside a stated accuracy
        self.found, self.scale = (True, True, True), (1.0, 1.0, 1.0)
        self.stated_v = np.zeros((len(v), 1))
        if noise is not None:
            self.found, self.scale = (noise.i_floor_A == 0, noise.v_floor_V == 0, False), (1.0, 0.16, 0.0)
            self.stated_v = noise.variances(v, 0.0)[0]
        self.begin()

    def begin(self) -> None:
        """Nothing is fitted; the weights are those of the readings."""
        n = len(self.v)
        self.theta, self.covariance = np.full((n, WIDTH), np.nan), np.zeros((n, WIDTH, WIDTH))
        self.chi2, self.code = np.full(n, np.inf), np.zeros(n, np.int64)
        self.criterion, self.promised = np.full((n, len(NAMES)), np.inf), np.zeros((n, 2))
        self.runner_up, self.gap = np.full(n, -1), np.full(n, np.nan)
        self.outliers = np.zeros(n, bool)
        self.parts, self.least = np.zeros((n, 3)), np.zeros((n, 3))
        self.uv2, self.ui2 = np.array(self.stated_v), np.empty(self.v.shape)
        self.guess_weights()

    @property
    def live(self) -> np.ndarray:
        """Points that count, bool (n, m)."""
        return self.keep > 0

    @property
    def n_used(self) -> np.ndarray:
        """How many of them, per sweep."""
        return self.keep.sum(1)

    @property
    def dof(self) -> np.ndarray:
        """Degrees of freedom of the fits as they stand."""
        return self.n_used - NUMBER[self.code]

    @property
    def top(self) -> np.ndarray:
        """Largest current among them [A]."""
        return np.max(np.abs(self.i) * self.keep, axis=1)

    def take(self, rows) -> Block:
        """Some of the sweeps as a block of their own (copies; itself for `ALL`)."""
        if rows is ALL:
            return self
        part = copy(self)
        for name, array in vars(self).items():
            if isinstance(array, np.ndarray):
                setattr(part, name, array[rows])
        return part

    def put(self, rows, part: Block) -> None:
        """Write back what `take` gave."""
        for name, array in vars(part).items():
            if isinstance(array, np.ndarray) and part is not self:
                getattr(self, name)[rows] = array

    def by_set(self, rows=ALL):
        """Pairs of a set's name and those of the sweeps `rows` that are fitted with it."""
        code = self.code[rows]
        for one in np.unique(code):
            which = code == one
            yield NAMES[one], rows if which.all() else np.arange(len(self.v))[rows][which]

    def weigh(self, rows, current) -> None:
        """Renew the weights of some sweeps for the current at their points [A]."""
        self.ui2[rows] = current * current * self.parts[rows, 2, None] + self.parts[rows, 0, None]
        if self.noise is not None:
            self.ui2[rows] += self.noise.variances(0.0, current)[1]
        if any(self.found):
            self.uv2[rows] = self.stated_v[rows] + self.parts[rows, 1, None]

    def guess_weights(self, rows=ALL) -> None:
        """Noise and weights from the readings themselves."""
        if any(self.found):
            points = self.v[rows], self.i[rows], self.live[rows]
            self.least[rows] = resolution(*points)
            guess = first_guess(*points) * self.scale
            self.parts[rows] = np.where(self.found, np.maximum(guess, self.least[rows]), 0.0)
        self.weigh(rows, self.i[rows])

    def weigh_by_fit(self, name: str, theta, rows=ALL) -> None:
        """Noise and weights from a fitted curve.

        Weights taken from a reading carry that reading's error: a low reading would count more.
        """
        error, slope, current = self.problem(name, rows).at_points(theta[:, SETS[name]])
        if any(self.found):
            known = None
            if self.noise is not None:
                known = self.stated_v[rows] * slope * slope + self.noise.variances(0.0, self.i[rows])[1]
                self.least[rows] = resolution(self.v[rows], self.i[rows], self.live[rows])
            slope *= slope
            parts = components(
                error, slope, current * current, self.live[rows], self.parts[rows], known=known
            )
            self.parts[rows] = np.where(self.found, np.maximum(parts, self.least[rows]), 0.0)
        if self.noise is not None:
            most = 10 * np.abs(self.i[rows]) + 1
            current = np.clip(current, -most, most)
        self.weigh(rows, current)

    def problem(self, name: str, rows=ALL) -> JunctionProblem:
        """The least-squares problem of some sweeps for one set of terms."""
        arrays = (self.v, self.i, self.uv2, self.ui2, self.keep, self.vt)
        return JunctionProblem(*(a[rows] for a in arrays), SETS[name])

    def residuals(self, name: str, rows=ALL, theta=None) -> np.ndarray:
        """Residuals of the fits as they stand (or of `theta`) in standard uncertainties, (n, m)."""
        theta = self.theta[rows] if theta is None else theta
        return self.problem(name, rows).evaluate(theta[:, SETS[name]])[:, -1]

    def fit(self, name: str, theta, rows=ALL, free=None, **how) -> Solution:
        """Fit one set of terms to some sweeps.

        Parameters
        ----------
        name : str
            Key of `terms.SETS`.
        theta : ndarray (n, 9)
            Start values.
        rows : ndarray of int
        free : ndarray of bool (n, 9), optional
            Coordinates to fit; the others stay at their start.
        **how
            Of `lsq.solve`, in place of `FINAL`.

        Returns
        -------
        Solution
            In all `terms.COORDINATES`: nan and zero where a term is absent.
        """
        columns, n = SETS[name], len(theta)
        found = solve(
            self.problem(name, rows), theta[:, columns], lower=LOWER[columns], upper=UPPER[columns],
            free=True if free is None else free[:, columns], **(FINAL | how),
        )  # fmt: skip
        wide = np.full((n, WIDTH), np.nan), np.zeros((n, WIDTH, WIDTH)), np.zeros((n, WIDTH), bool)
        wide[0][:, columns], wide[2][:, columns] = found.theta, found.at_bound
        wide[1][:, np.array(columns)[:, None], columns] = found.covariance
        return found._replace(theta=wide[0], covariance=wide[1], at_bound=wide[2])

    def store(self, name: str, fit: Solution, rows=ALL) -> None:
        """Make solutions the fits of those sweeps."""
        self.theta[rows], self.covariance[rows], self.chi2[rows] = fit.theta, fit.covariance, fit.chi2
        self.code[rows], self.converged[rows] = CODE[name], fit.converged
        self.at_bound[rows], self.rank_deficient[rows] = fit.at_bound.any(1), fit.rank < len(SETS[name])

    def fit_plain(self, **how) -> None:
        """Fit the plain junction (with the breakdown branch where it shows) to every sweep."""
        begin, seen = start.plain(self)
        few = self.n_used < 8
        forward = highest(self.v, self.live) > rule("fit_forward_V")
        for name, marked in (
            ("base", ~seen & ~few), ("breakdown", seen & forward & ~few),
            ("bare", few & ~(seen & ~forward)), ("reverse only", seen & ~forward),
        ):  # fmt: skip
            if marked.any():
                rows = places(marked)
                theta = begin[rows]
                if any(self.found) or self.noise.i_percent > READING_WEIGHTS:
                    theta = self.fit(name, theta, rows, **ROUGH).theta
                    self.weigh_by_fit(name, theta, rows)
                self.store(name, self.fit(name, theta, rows, **how), rows)
