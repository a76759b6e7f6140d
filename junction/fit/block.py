"""A block of sweeps of one (padded) length: their points, weights and fits, from start values on.

Everything here works on arrays (n, m) that fit the cache; `junction.fit.sweeps` cuts a table into such
blocks, `junction.fit.choose` takes the sweeps for which the plain junction is not the whole story.

Start values come from the data alone, by linear regressions.  Where the exponential rules,
ln(i - G v) = ln IS + v/(N VT) - RS i/(N VT): linear in three unknowns with the measured v and i as
regressors.  G comes from the lowest chord conductance, which no junction can undercut.  The breakdown
branch is the same with the sign turned, the second exponential is what is left under the first.
"""

from __future__ import annotations

from copy import copy

import numpy as np

from junction.fit.lsq import Solution, solve
from junction.fit.results import FLAGS
from junction.fit.sense import Noise, components, first_guess, highest, lowest, resolution
from junction.fit.terms import (
    AB,
    BB,
    CODE,
    LOWER,
    NAMES,
    NUMBER,
    RS,
    SETS,
    UPPER,
    WIDTH,
    A,
    B,
    G,
    JunctionProblem,
)
from junction.shelf.rules import rule

_N_LOW, _N_HIGH = 0.4, 20.0
ROUGH = dict(max_iterations=3, decrease_tol=0.3)
FINAL = dict(max_iterations=25, decrease_tol=1e-6)
#: Up to this scatter [%] the weights may be those of the readings: what they bias, the square of it (1e-4
#: of IS), is a fiftieth of a standard uncertainty in 80 points.
READING_WEIGHTS = 1.0
#: A plain junction takes two to four steps.  In the first pass over a bag nobody waits for the rest: those
#: come again, pooled, where a step serves many.
QUICK = dict(max_iterations=5, decrease_tol=1e-6)
ALL = slice(None)


def total(*arrays):
    """Sum over the points of a product, (n,)."""
    return np.einsum(",".join(["nm"] * len(arrays)) + "->n", *arrays)


def lowest_chord(block):
    """Lowest conductance i/v of points above the noise [S], 0 where none is; shape (n,)."""
    clear = (block.keep > 0) & (block.i**2 > 9 * block.ui2) & (np.abs(block.v) > block.vt)
    with np.errstate(divide="ignore", invalid="ignore"):
        low = lowest(block.i / block.v, clear)
    return np.where(np.isfinite(low), np.maximum(low, 0.0), 0.0)


def _regress(y, x1, x2, w):
    """Weighted least squares y = c0 + c1 x1 + c2 x2 by centred normal equations; (n,) each."""
    whole = np.maximum(w.sum(1), 1e-300)
    mean = [total(a, w) / whole for a in (y, x1, x2)]
    yc, ac, bc = (a - m[:, None] for a, m in zip((y, x1, x2), mean, strict=True))
    wa, wb = ac * w, bc * w
    saa, sbb, sab, say, sby = total(wa, ac), total(wb, bc), total(wa, bc), total(wa, yc), total(wb, yc)
    with np.errstate(divide="ignore", invalid="ignore"):
        det = saa * sbb - sab * sab
        c1, c2 = (say * sbb - sby * sab) / det, (sby * saa - say * sab) / det
        # one regressor where two cannot be told apart, or would give a negative series resistance
        alone = ~(det > 1e-10 * saa * sbb) | (c2 > 0)
        c1, c2 = np.where(alone, say / saa, c1), np.where(alone, 0.0, c2)
    return mean[0] - c1 * mean[1] - c2 * mean[2], c1, c2


def exponential(block, conductance, current=None, above=0.0):
    """Start of ln IS, 1/N, RS from the points where the exponential rules.

    Parameters
    ----------
    block : Block
    conductance : ndarray (n,)
        Start of the shunt [S].
    current : ndarray (n, m), optional
        In place of the block's [A].
    above : ndarray (n, 1), optional
        Use only points above this current [A].

    Returns
    -------
    a, b, rs : ndarray (n,)
    """
    v, vt, live = block.v, block.vt, block.keep > 0
    i = block.i if current is None else current
    rest = i - conductance[:, None] * v
    good = live & (v > 0) & (rest > 0.2 * i) & (rest * rest > 9 * block.ui2) & (i > above)
    rest = np.where(good, rest, 1.0)
    # relative variance of the point, with 2 % added for what the model does not hold yet
    w = good / (block.ui2 / (rest * rest) + block.uv2 / (2 * vt * vt) + 4e-4)
    c0, c1, c2 = _regress(np.log(rest), v, i, w)
    vt = vt[:, 0]
    count = good.sum(1)
    b = c1 * vt
    usable = (count >= 3) & np.isfinite(b) & (b > 1 / _N_HIGH) & (b < 1 / _N_LOW)
    rs = np.where(usable, -c2 / np.where(c1 == 0, 1.0, c1), 0.0)
    a = np.where(usable, c0, 0.0)
    if not usable.all():
        top = np.argmax(np.where(live, i, -np.inf), axis=1)
        row = np.arange(v.shape[0])
        v_top, i_top = v[row, top], np.maximum(i[row, top], 1e-13)
        guess = np.clip(np.where(np.isfinite(b) & (count >= 2), b, 1 / 1.2), 1 / _N_HIGH, 1 / _N_LOW)
        b = np.where(usable, b, guess)
        a = np.where(usable, a, np.log(i_top) - guess * np.minimum(v_top / vt, 60.0))
    return np.clip(a, -150.0, 5.0), b, rs


def breakdown(block, conductance):
    """Start of aB, 1/NBV and RS from the reverse branch, and whether it rises faster than a resistance.

    Returns
    -------
    ab, bb, rs : ndarray (n,)
    seen : ndarray of bool (n,)
    """
    v, i, ui2, vt, live = block.v, block.i, block.ui2, block.vt, block.keep > 0
    deepest = lowest(v, live, 0.0)
    i_low = -lowest(i, live, 0.0)
    middle = live & (v < 0.4 * deepest[:, None]) & (v > 0.6 * deepest[:, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        chord = np.where(middle, i / v, 0.0).sum(1) / np.maximum(middle.sum(1), 1)
        end = i_low / -deepest
        # a sparse log may hold nothing at half the breakdown voltage: then its least conductance will do
        least = lowest(i / v, live & (v < -1.0))
    sparse = ~middle.any(1) & np.isfinite(least)
    chord = np.where(sparse, 3.0 * np.maximum(least, 0.0), chord)
    floor = np.sqrt(np.max(np.where(live, ui2, 0.0) * (v < 0), axis=1))
    seen = (deepest < -1.0) & (middle.any(1) | sparse) & (i_low > 20 * floor)
    seen &= end > 3 * np.maximum(chord, 0.0)
    shunt = np.minimum(np.maximum(chord, 0.0), conductance + 1e-30)
    rest = -(i - shunt[:, None] * v)
    good = live & (v < 0.5 * deepest[:, None]) & (i < 0) & (rest > -0.3 * i)
    good &= (rest * rest > 9 * ui2) & (rest > 0.003 * i_low[:, None])
    rest = np.where(good, rest, 1.0)
    w = good / (ui2 / (rest * rest) + block.uv2 / (vt * vt) * 0.05 + 4e-4)
    c0, c1, c2 = _regress(np.log(rest), -v, np.where(good, -i, 0.0), w)
    bb = np.clip(np.nan_to_num(c1) * vt[:, 0], 0.011, 1.0)
    ab = np.where(np.isfinite(c0), c0, np.log(np.maximum(i_low, 1e-12)) + bb * deepest / vt[:, 0])
    rs = np.clip(np.nan_to_num(-c2 / np.where(c1 > 0, c1, np.inf)), 0.0, 1e6)
    return np.clip(ab, -1900.0, 15.0), bb, rs, seen & (good.sum(1) >= 2)


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
    def n_used(self) -> np.ndarray:
        """Points that count, per sweep."""
        return self.keep.sum(1)

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
            if not which.all():
                yield NAMES[one], np.flatnonzero(which) if rows is ALL else rows[which]
            else:
                yield NAMES[one], rows

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
            points = self.v[rows], self.i[rows], self.keep[rows]
            self.least[rows] = resolution(*points)
            guess = first_guess(*points) * self.scale
            self.parts[rows] = np.where(self.found, np.maximum(guess, self.least[rows]), 0.0)
        self.weigh(rows, self.i[rows])

    def weigh_by_fit(self, name: str, theta, rows=ALL, problem: JunctionProblem | None = None) -> None:
        """Noise and weights from a fitted curve.

        Weights taken from a reading carry that reading's error: a low reading would count more.
        """
        error, slope, current = (problem or self.problem(name, rows)).at_points(theta)
        if any(self.found):
            known = None
            if self.noise is not None:
                known = self.stated_v[rows] * slope * slope + self.noise.variances(0.0, self.i[rows])[1]
                self.least[rows] = resolution(self.v[rows], self.i[rows], self.keep[rows])
            slope *= slope
            parts = components(
                error, slope, current * current, self.keep[rows], self.parts[rows], known=known
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
        theta = self.theta[rows][:, SETS[name]] if theta is None else theta
        return self.problem(name, rows).evaluate(theta)[:, -1]

    def fit(self, name: str, start, rows=ALL, problem: JunctionProblem | None = None, **how) -> Solution:
        """Fit one set of terms to some sweeps.

        Parameters
        ----------
        name : str
            Key of `terms.SETS`.
        start : ndarray (n, 9)
            Start values in `COORDINATES`.
        rows : ndarray of int
        problem : JunctionProblem, optional
            To reuse its buffers.
        **how
            Of `lsq.solve`, in place of `FINAL`.
        """
        columns = SETS[name]
        problem = problem or self.problem(name, rows)
        return solve(problem, start[:, columns], lower=LOWER[columns], upper=UPPER[columns], **(FINAL | how))

    def store(self, name: str, fit: Solution, rows=ALL) -> None:
        """Make solutions the fits of those sweeps."""
        columns = SETS[name]
        n = fit.chi2.size
        theta, covariance = np.full((n, WIDTH), np.nan), np.zeros((n, WIDTH, WIDTH))
        theta[:, columns] = fit.theta
        covariance[np.ix_(range(n), columns, columns)] = fit.covariance
        self.theta[rows], self.covariance[rows], self.chi2[rows] = theta, covariance, fit.chi2
        self.code[rows], self.converged[rows] = CODE[name], fit.converged
        self.at_bound[rows], self.rank_deficient[rows] = fit.at_bound.any(1), fit.rank < NUMBER[CODE[name]]

    def start_values(self) -> tuple[np.ndarray, np.ndarray]:
        """Start values (n, 9) of the plain junction, and which sweeps show a breakdown branch."""
        theta = np.full((len(self.v), WIDTH), np.nan)
        theta[:, G] = lowest_chord(self)
        theta[:, A], theta[:, B], theta[:, RS] = exponential(self, theta[:, G])
        seen = np.zeros(len(theta), bool)
        deep = np.flatnonzero(lowest(self.v, self.keep > 0, 0.0) < -1.0)
        if deep.size:
            part = self.take(deep)
            theta[deep, AB], theta[deep, BB], series, seen[deep] = breakdown(part, theta[deep, G])
            blind = highest(part.v, part.keep > 0) <= rule("fit_forward_V")
            theta[deep[blind], RS] = series[blind]
        return theta, seen

    def fit_plain(self, **how) -> None:
        """Fit the plain junction (with the breakdown branch where it shows) to every sweep."""
        start, seen = self.start_values()
        few, noise = self.n_used < 8, self.noise
        forward = highest(self.v, self.keep > 0) > rule("fit_forward_V")
        for name, marked in (
            ("base", ~seen & ~few), ("breakdown", seen & forward & ~few),
            ("bare", few & ~(seen & ~forward)), ("reverse only", seen & ~forward),
        ):  # fmt: skip
            if not marked.any():
                continue
            rows = ALL if marked.all() else np.flatnonzero(marked)
            begin, problem = start[rows], self.problem(name, rows)
            if any(self.found) or noise.i_percent > READING_WEIGHTS:
                rough = self.fit(name, begin, rows, problem, **ROUGH)
                self.weigh_by_fit(name, rough.theta, rows, problem)
                if rows is not ALL:  # there it sees the block's own arrays
                    problem = self.problem(name, rows)
                begin[:, SETS[name]] = rough.theta
            self.store(name, self.fit(name, begin, rows, problem, **how), rows)
