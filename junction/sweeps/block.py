"""A block of sweeps of one (padded) length: their points and weights, where fits begin, and fits.

Everything here works on arrays (n, m) that fit the cache; `junction.sweeps.sweeps` cuts a table into such
blocks, `junction.sweeps.choose` takes the sweeps for which the plain junction is not the whole story.

Start values are read off the points by straight-line regressions.  The logarithm of a forward current that
no other path carries is linear in voltage and, with a series resistance, in current; so is that of a
breakdown current.  What is left is a conductance (the lowest chord i/v), a second exponential under the
first, or a photocurrent that lifts the whole curve.
"""

from __future__ import annotations

from copy import copy

import numpy as np

from junction.shelf.tables import rule
from junction.sweeps import sense, terms
from junction.sweeps.lsq import MOST_STEPS, Solution, solve
from junction.sweeps.results import FLAGS
from junction.sweeps.sense import Noise, highest, lowest
from junction.sweeps.terms import AB, AR, BB, BR, CODE, I0, LINES, LOWER, RS, RZ, SETS, UPPER, WIDTH, A, B, G

ROUGH = dict(max_iterations=3, decrease_tol=0.3)
FINAL = dict(max_iterations=25, decrease_tol=1e-6)
#: What was chosen at last and has not come to rest is followed to its end.
PATIENT = dict(max_iterations=MOST_STEPS)
#: A plain junction takes two to four steps.  In the first pass over a bag nobody waits for the rest: those
#: come again, pooled, where a step serves many.
QUICK = dict(max_iterations=5, decrease_tol=1e-6)
_PLAIN = [CODE["base"], CODE["breakdown"]]
_N_LOW, _N_HIGH = 0.4, 20.0
#: Relative variance added to every point of a regression for what its model does not hold yet: 2 %.
_MODEL = 4e-4
ALL = slice(None)
#: The same sets with a breakdown branch.
_WITH_BRANCH = {
    "ideal": "bare + breakdown", "bare": "bare + breakdown", "base": "breakdown",
    "offset": "breakdown + offset", "recombination": "breakdown + recombination", "open": "reverse only",
    "resistor": "reverse only", "resistor + offset": "reverse only",
}  # fmt: skip
#: Coordinates of the breakdown branch, and the sets that have it.
BRANCH = [AB, BB, RZ]
BROKEN = np.array([AB in columns for columns in SETS.values()])
#: A branch needs three points to be fitted, and its sweep so many that AICc can carry it; else it is laid
#: through its points and held there (`lay_branch`).
_BRANCH_POINTS, _SHORT = 3, 14


def places(marked: np.ndarray):
    """Index of the sweeps marked: `ALL` where that is all of them, which spares copies."""
    return ALL if marked.all() else np.flatnonzero(marked)


class Block:
    """Sweeps of one length, their weights and what has been fitted to them; arrays over its n sweeps.

    ``v``, ``i``, ``keep`` (n, m) are the points in order of voltage, ``points`` how many measured ones each
    stands for; ``code`` indexes `terms.NAMES`;
    ``theta`` and ``covariance`` are in `terms.COORDINATES`, nan and zero where a term is absent;
    ``covariance`` is for the noise as given, before any scaling by chi2.  ``criterion`` holds the AICc of
    every set that was tried, ``promised`` the fall of chi2 that a constant term and a second exponential
    promise.  ``laid`` says that the breakdown branch is held at ``branch`` (n, 3) with the covariance
    ``branch_covariance``, ``spare`` how many of its coordinates no point pays for; ``bracket`` (n, 2) is the
    first reverse point at the source's limit.  ``beyond`` (n, m) are outermost points that carry more
    current than the curve.  ``parts`` (n, 3) are the noise components found where none
    was stated, ``least`` what rounding hides.  A name of `results.FLAGS` is that flag.
    """

    def __init__(self, v, i, keep, vt, noise: Noise | None, points=None):
        self.v, self.i, self.keep, self.vt, self.noise = v, i, keep, vt, noise
        self.points = np.ones((len(v), 1)) if points is None else points
        for name in FLAGS:
            setattr(self, name, np.zeros(len(v), bool))
        self.heating_K, self.bracket = np.full(len(v), np.nan), np.full((len(v), 2), np.nan)
        # which of the noise components are to be found; 0.1 mV to start from beside a stated accuracy
        self.found, self.scale = (True, True, True), (1.0, 1.0, 1.0)
        self.stated_v = np.zeros((len(v), 1))
        if noise is not None:
            self.found, self.scale = (noise.i_floor_A == 0, noise.v_floor_V == 0, False), (1.0, 0.16, 0.0)
            self.stated_v = noise.variances(v, 0.0)[0] / self.points
        self.few = self.scatter = None  # of a thinned one, see `junction.sweeps.thin`
        self.begin()

    def begin(self) -> None:
        """Nothing is fitted; the weights are those of the readings."""
        n = len(self.v)
        self.theta, self.covariance = np.full((n, WIDTH), np.nan), np.zeros((n, WIDTH, WIDTH))
        self.chi2, self.code = np.full(n, np.inf), np.zeros(n, np.int64)
        self.criterion, self.promised = np.full((n, len(terms.NAMES)), np.inf), np.zeros((n, 2))
        self.runner_up, self.gap = np.full(n, -1), np.full(n, np.nan)
        self.outliers, self.laid, self.spare = np.zeros(n, bool), np.zeros(n, bool), np.zeros(n, np.int64)
        self.beyond = np.zeros(self.v.shape, bool)
        self.branch, self.branch_covariance = np.zeros((n, 3)), np.zeros((n, 3, 3))
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
        return self.keep.sum(1) if self.few is None else self.few

    def scatter_of(self, rows):
        """Chi-square within the stretches of a thinned block, which every curve leaves; else 0."""
        return 0.0 if self.scatter is None else self.scatter[rows]

    @property
    def dof(self) -> np.ndarray:
        """Degrees of freedom of the fits as they stand."""
        return self.n_used - self.number(self.code) - np.where(self.laid, 3 - self.spare, 0)

    def number(self, code, rows=ALL):
        """How many coordinates a fit of those sweeps with a set of terms moves."""
        return terms.NUMBER[code] - 3 * (self.laid[rows] & BROKEN[code])

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
            yield terms.NAMES[one], rows if which.all() else np.arange(len(self.v))[rows][which]

    def weigh(self, rows, current) -> None:
        """Renew the weights of some sweeps for the current at their points [A]."""
        self.ui2[rows] = current * current * self.parts[rows, 2, None] + self.parts[rows, 0, None]
        if self.noise is not None:
            self.ui2[rows] += self.noise.variances(0.0, current)[1] / self.points[rows]
        if any(self.found):
            self.uv2[rows] = self.stated_v[rows] + self.parts[rows, 1, None]

    def guess_weights(self, rows=ALL) -> None:
        """Noise and weights from the readings themselves."""
        if any(self.found):
            points = self.v[rows], self.i[rows], self.live[rows]
            self.least[rows] = sense.resolution(*points)
            guess = sense.first_guess(*points) * self.scale
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
                known = self.noise.variances(0.0, self.i[rows])[1] / self.points[rows]
                known += self.stated_v[rows] * slope * slope
                self.least[rows] = sense.resolution(self.v[rows], self.i[rows], self.live[rows])
            slope *= slope
            parts = sense.components(
                error, slope, current * current, self.live[rows], self.parts[rows], known=known
            )
            self.parts[rows] = np.where(self.found, np.maximum(parts, self.least[rows]), 0.0)
        if self.noise is not None:
            most = 10 * np.abs(self.i[rows]) + 1
            current = np.clip(current, -most, most)
        self.weigh(rows, current)

    def problem(self, name: str, rows=ALL) -> terms.JunctionProblem:
        """The least-squares problem of some sweeps for one set of terms."""
        arrays = (self.v, self.i, self.uv2, self.ui2, self.keep, self.vt)
        return terms.JunctionProblem(*(a[rows] for a in arrays), SETS[name])

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
        theta : ndarray (n, 10)
            Start values.
        rows : ndarray of int
        free : ndarray of bool (n, 10), optional
            Coordinates to fit; the others stay at their start.
        **how
            Of `lsq.solve`, in place of `FINAL`.

        Returns
        -------
        Solution
            In all `terms.COORDINATES`: nan and zero where a term is absent.
        """
        columns, n, problem = SETS[name], len(theta), self.problem(name, rows)
        lag = None
        if AB in columns:
            # the breakdown current's logarithm within the points, which its slope leaves alone
            size = -lowest(problem.i, problem.keep > 0, -1e-9)
            lag = (np.log(size) - 1.0 - theta[:, AB]) / theta[:, BB]
            problem.shift = lag[:, None] * problem.vt
            theta = theta.copy()
            theta[:, AB] += lag * theta[:, BB]
            if self.laid[rows].any():
                free = np.ones(theta.shape, bool) if free is None else free.copy()
                free[:, BRANCH] &= ~self.laid[rows, None]
        found = solve(
            problem, theta[:, columns], lower=LOWER[columns], upper=UPPER[columns],
            free=True if free is None else free[:, columns], **(FINAL | how),
        )  # fmt: skip
        wide = np.full((n, WIDTH), np.nan), np.zeros((n, WIDTH, WIDTH)), np.zeros((n, WIDTH), bool)
        wide[0][:, columns], wide[2][:, columns] = found.theta, found.at_bound
        wide[1][:, np.array(columns)[:, None], columns] = found.covariance
        rank = found.rank
        if lag is not None:
            wide[0][:, AB] -= lag * wide[0][:, BB]
            for axes in (wide[1], wide[1].transpose(0, 2, 1)):
                axes[:, AB] -= lag[:, None] * axes[:, BB]
            wide[2][:, BB] = False  # as sharp as can be is an answer, not an obstacle
            rank = rank + np.where(self.laid[rows], 3, 0)
        return found._replace(theta=wide[0], covariance=wide[1], at_bound=wide[2], rank=rank)

    def store(self, name: str, fit: Solution, rows=ALL) -> None:
        """Make solutions the fits of those sweeps."""
        self.theta[rows], self.covariance[rows], self.chi2[rows] = fit.theta, fit.covariance, fit.chi2
        self.code[rows], self.converged[rows] = CODE[name], fit.converged
        self.at_bound[rows], self.rank_deficient[rows] = fit.at_bound.any(1), fit.rank < len(SETS[name])

    def fit_plain(self, **how) -> None:
        """Fit the plain junction (with the breakdown branch where it shows) to every sweep."""
        begin, seen = plain_start(self)
        few = self.n_used < 8
        forward = highest(self.v, self.live) > rule("fit_forward_V")
        for name, marked in (
            ("base", ~seen & ~few), ("breakdown", seen & forward & ~few), ("bare", few & ~seen),
            ("bare + breakdown", seen & forward & few), ("reverse only", seen & ~forward & ~few),
            ("bare reverse", seen & ~forward & few),
        ):  # fmt: skip
            if marked.any():
                rows = places(marked)
                theta = begin[rows]
                if any(self.found) or self.noise.i_percent > rule("fit_reading_weights"):
                    theta = self.fit(name, theta, rows, **ROUGH).theta
                    self.weigh_by_fit(name, theta, rows)
                self.store(name, self.fit(name, theta, rows, **how), rows)


def total(*arrays):
    """Sum over the points of a product, (n,)."""
    return np.einsum(",".join(["nm"] * len(arrays)) + "->n", *arrays)


def lines(v, i, keep):
    """Slopes of the lines through zero with all error in the current, and with all of it in the voltage."""
    svi = total(keep, v, i)
    return (
        svi / np.maximum(total(keep, v, v), 1e-300),
        total(keep, i, i) / np.where(np.abs(svi) > 1e-300, svi, 1e300),
    )


def _lowest_chord(block: Block):
    """Lowest conductance i/v of points above the noise [S], 0 where none is; shape (n,)."""
    clear = block.live & (block.i**2 > 9 * block.ui2) & (np.abs(block.v) > block.vt)
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


def _exponential(block: Block, conductance, current=None, above=0.0):
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
    v, vt, live = block.v, block.vt, block.live
    i = block.i if current is None else current
    rest = i - conductance[:, None] * v
    good = live & (v > 0) & (rest > 0.2 * i) & (rest * rest > 9 * block.ui2) & (i > above)
    rest = np.where(good, rest, 1.0)
    w = good / (block.ui2 / (rest * rest) + block.uv2 / (2 * vt * vt) + _MODEL)
    c0, c1, c2 = _regress(np.log(rest), v, i, w)
    vt = vt[:, 0]
    count = good.sum(1)
    b = c1 * vt
    # many junctions in a row have more, over as many more volts: a curve shows through two factors of e
    span = highest(v, good, 0.0) - lowest(v, good, 0.0)
    least = np.minimum(1 / _N_HIGH, 2 * vt / np.maximum(span, 1e-9))
    usable = (count >= 3) & np.isfinite(b) & (b > least) & (b < 1 / _N_LOW)
    rs = np.where(usable, -c2 / np.where(c1 == 0, 1.0, c1), 0.0)
    # a slope held at what a fit may take still passes through the highest point
    held = np.clip(b, LOWER[B], UPPER[B])
    a = np.where(usable, c0 + (b - held) * highest(v, good) / vt, 0.0)
    b = held
    if not usable.all():  # then through the highest point
        top = np.argmax(np.where(live, i, -np.inf), axis=1)
        row = np.arange(v.shape[0])
        v_top, i_top = v[row, top], np.maximum(i[row, top], 1e-13)
        guess = np.clip(np.where(np.isfinite(b) & (count >= 2), b, 1 / 1.2), 1 / _N_HIGH, UPPER[B])
        b = np.where(usable, b, guess)
        a = np.where(usable, a, np.log(i_top) - guess * np.minimum(v_top / vt, 60.0))
    return np.clip(a, -150.0, 5.0), b, rs


def breakdown(block: Block, bar: float = 3.0):
    """Start of the breakdown branch, and whether the reverse current rises faster than a resistance.

    Parameters
    ----------
    block : Block
    bar : float
        How much more conductance the deepest point must have than the middle of the branch [1].

    Returns
    -------
    branch : ndarray (n, 3)
        aB, 1/NBV, RZ.
    seen : ndarray of bool (n,)
    good : ndarray of bool (n, m)
        Points that the branch carries.
    """
    v, i, ui2, vt, live = block.v, block.i, block.ui2, block.vt, block.live
    deepest = lowest(v, live, 0.0)
    i_low = -lowest(i, live, 0.0)
    middle = live & (v < 0.4 * deepest[:, None]) & (v > 0.6 * deepest[:, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        chord = np.where(middle, i / v, 0.0).sum(1) / np.maximum(middle.sum(1), 1)
        end = i_low / -deepest
        # a sparse log may hold nothing at half the breakdown voltage: then its least conductance will do
        least = lowest(i / v, live & (v < -1.0))
    sparse = ~middle.any(1) & np.isfinite(least)
    chord = np.where(sparse, bar * np.maximum(least, 0.0), chord)
    floor = np.sqrt(lowest(ui2, live & (v < 0)))
    seen = (deepest < -1.0) & (middle.any(1) | sparse) & (i_low > 20 * floor)
    seen &= end > bar * np.maximum(chord, 0.0)
    shunt = np.minimum(np.maximum(chord, 0.0), _lowest_chord(block) + 1e-30)
    rest = -(i - shunt[:, None] * v)
    good = live & (v < 0.5 * deepest[:, None]) & (i < 0) & (rest > -0.3 * i)
    good &= rest * rest > 9 * ui2
    # the foot of the branch: from the deepest point on, each stands far out of the next
    size = np.maximum(np.abs(i - shunt[:, None] * v), 3.0 * np.sqrt(ui2))
    steep = np.pad(size[:, :-1] > 3.0 * size[:, 1:], ((0, 0), (0, 1)))
    good &= np.logical_and.accumulate(steep | ~live, axis=1) | (rest > 0.003 * i_low[:, None])
    rest = np.where(good, rest, 1.0)
    w = good / (ui2 / (rest * rest) + block.uv2 / (vt * vt) * 0.05 + _MODEL)
    c0, c1, c2 = _regress(np.log(rest), -v, np.where(good, -i, 0.0), w)
    count, b = good.sum(1), c1 * vt[:, 0]
    # a branch of one point or two, or one without a slope, is laid through its ends
    branch, covariance = lay_branch(block, good, rest, shunt)
    able = (count >= _BRANCH_POINTS) & (b > LOWER[BB]) & np.isfinite(c0)
    sharp = np.minimum(b, 0.5 * UPPER[BB])
    # a slope held at what a fit may take still passes through the points
    level = np.where(sharp < b, c0 + (c1 - sharp / vt[:, 0]) * -deepest, c0)
    own = np.stack([level, sharp, np.clip(np.where(c1 > 0, -c2 / c1, 0.0), 0.0, 1e9)], axis=1)
    held_v, held_i = block.bracket.T
    bracketed = (count == 0) & (held_v < deepest) & (deepest < -0.5) & (held_i / held_v > bar * chord)
    seen = np.where(count > 0, seen, bracketed)
    return np.where(able[:, None], own, branch), covariance, seen, good


def lay_branch(block: Block, good, rest, shunt):
    """A breakdown branch through the ends of what is known of it, with the covariance of what is not.

    Its voltage rises by w ln(I) + RZ I, w = NBV VT.  Between two points of the branch either may make the
    whole rise: each share is as likely (a rectangular distribution, JCGM 100:2008, 4.3.7).  Of one point
    alone only the last point before it is known to have no breakdown, so that the rise may be less; it may
    not be more than `fit_knee_share` of the voltage.  Where the source was in its limit from the first point
    of the branch on, the branch reaches that current somewhere between it and the point before.

    Parameters
    ----------
    block : Block
    good : ndarray of bool (n, m)
        Points on the branch.
    rest : ndarray (n, m)
        Its current there [A], without sign.
    shunt : ndarray (n,)
        [S].

    Returns
    -------
    branch : ndarray (n, 3)
        aB, 1/NBV, RZ.
    covariance : ndarray (n, 3, 3)
    """
    v, live, vt, row = block.v, block.live, block.vt[:, 0], np.arange(len(block.v))
    last = np.argmin(np.where(good, v, np.inf), axis=1)
    count, given = good.sum(1), np.isfinite(block.bracket[:, 0]) & ~good.any(1)
    v2, i2 = np.where(given, -block.bracket.T, [-v[row, last], rest[row, last]])
    far = np.where(good & (rest < i2[:, None] / 1.3), v, -np.inf)
    two, without = np.isfinite(far.max(1)), live & ~good
    foot = np.argmin(np.where(without, v, np.inf), axis=1)
    without[row, foot] = False
    calm = np.argmin(np.where(without, v, np.inf), axis=1)
    # the first point without breakdown, if it is not the foot of the branch, which stands out of the next
    seen_i = np.maximum(np.abs(block.i - shunt[:, None] * v), 3.0 * np.sqrt(block.ui2))
    most_i = seen_i[row, foot], seen_i[row, calm]
    out = np.pad(seen_i[:, :-1] > 2.0 * seen_i[:, 1:], ((0, 0), (0, 1)))
    stands_out = ~two & (count > 0) & out[row, foot] & without.any(1)
    before = np.where(two, np.argmax(far, axis=1), foot)
    i1 = np.where(two, rest[row, before], np.minimum(most_i[0], i2 / 1.3))
    next_to, i0 = np.where(two, foot, calm), np.where(two, *most_i)
    two |= stands_out
    uv2 = np.broadcast_to(block.uv2, v.shape)
    u_v = np.sqrt(uv2[row, last] + uv2[row, before])
    rise, log = np.maximum(v2 + v[row, before], u_v), np.log(i2 / i1)
    # most of w and of RZ; of one point they are half of the most on the average
    least_w, most = vt / UPPER[BB], np.where(two, rise, np.minimum(rise, rule("fit_knee_share") * v2))
    most_w, most_r = np.maximum(most / log, 2 * least_w), most / (i2 - np.where(two, i1, 0.0))
    # the branch must not be seen at the next point: that bounds its w
    most_w0 = (-v[row, before] + v[row, next_to]) - most_r * i1
    most_w0 /= np.log(np.maximum(i1 / i0, 1.0)) - most_r * i1 / np.maximum(most_w, 1e-300)
    bent = two & (i1 > i0) & (most_w0 > 0)
    top = np.clip(np.where(bent, most_w0 / most_w, 1.0), 2 * least_w / most_w, 1.0)
    # where it is seen there after all, w is known
    foot_seen = bent & out[row, next_to]
    part = np.where(two, np.where(foot_seen, 1.0, 0.5) * top, 0.25)
    w, r = part * most_w, np.where(two, 1.0 - part, part) * most_r
    v2 = np.where(given, v2 - 0.5 * rise, v2)
    x2, b = r * i2 - v2, vt / w
    root = 12**-0.5
    share = np.where(two, np.where(foot_seen, 0.1, 1.0) * top, 0.5) * root
    scale = np.where(two, u_v / np.maximum(rise, 1e-300), 2 * root)
    shift = np.hypot(np.sqrt(uv2[row, last]), np.where(given, rise * root, 0.0))
    none = np.zeros(len(v))
    covariance = np.zeros((len(v), 3, 3))
    for dw, dr, dx in (
        (share * most_w, -share * most_r, none), (scale * w, scale * r, none), (none, none, shift),
    ):  # fmt: skip
        db = -b * dw / w
        move = np.stack([(db * x2 + b * (i2 * dr - dx)) / vt, db, dr], axis=1)
        covariance += move[:, :, None] * move[:, None, :]
    return np.stack([np.log(i2) + b * x2 / vt, b, r], axis=1), covariance


def add_beyond(block: Block) -> None:
    """Lay a breakdown branch through outermost reverse points that the chosen curve leaves out."""
    deep = block.beyond & (block.v < -1.0) & ~BROKEN[block.code, None]
    to = np.array([CODE.get(_WITH_BRANCH.get(name), -1) for name in terms.NAMES])[block.code]
    rows = np.flatnonzero(deep.any(1) & (to >= 0))
    if not rows.size:
        return
    part = block.take(rows)
    good, to, by = deep[rows], to[rows], np.empty(part.v.shape)
    for name, at in part.by_set():
        by[at] = -part.problem(name, at).at_points(part.theta[at][:, SETS[name]])[0]
    part.keep = np.maximum(part.keep, good)
    good &= by > 0
    conductance = np.nan_to_num(part.theta[:, G])
    part.branch, part.branch_covariance = lay_branch(part, good, np.where(good, by, 1.0), conductance)
    part.theta[:, BRANCH], part.laid[:] = part.branch, True
    held = np.isfinite(part.theta)
    part.theta[~held & np.array([np.isin(range(WIDTH), SETS[terms.NAMES[k]]) for k in to])] = 0.0
    part.spare, part.beyond = np.maximum(_BRANCH_POINTS - good.sum(1), 0), part.beyond & ~good
    part.criterion[range(rows.size), to] = part.criterion[range(rows.size), part.code]
    part.code = to
    block.put(rows, part)


def plain_start(block: Block) -> tuple[np.ndarray, np.ndarray]:
    """Start values (n, 10) of the plain junction, and which sweeps show a breakdown branch."""
    theta, seen = np.full((len(block.v), WIDTH), np.nan), np.zeros(len(block.v), bool)
    theta[:, G] = _lowest_chord(block)
    theta[:, A], theta[:, B], theta[:, RS] = _exponential(block, theta[:, G])
    deep = np.flatnonzero((lowest(block.v, block.live, 0.0) < -1.0) | np.isfinite(block.bracket[:, 0]))
    if deep.size:
        part = block.take(deep)
        branch, covariance, seen[deep], good = breakdown(part)
        count = good.sum(1)
        laid = (count < _BRANCH_POINTS) | (part.n_used < _SHORT)
        own = np.flatnonzero(laid & (count >= _BRANCH_POINTS))
        if own.size:  # the branch by itself, of its own points
            alone, start = part.take(own), np.full((own.size, WIDTH), np.nan)
            alone.keep, start[:, BRANCH] = alone.keep * (alone.v < 0), branch[own]
            start[:, G] = theta[deep[own], G]
            fit = alone.fit("reverse only", start)
            branch[own], covariance[own] = fit.theta[:, BRANCH], fit.covariance[:, BRANCH][:, :, BRANCH]
        theta[deep[:, None], BRANCH] = block.branch[deep] = branch
        block.branch_covariance[deep], block.laid[deep] = covariance, laid
        block.spare[deep] = np.maximum(_BRANCH_POINTS - count, 0)
    return theta, seen


def rival_starts(block: Block, name: str) -> list[np.ndarray]:
    """Start values (n, 10) of a set of terms that is tried beside what is fitted; the best end counts."""
    columns = SETS[name]
    held = np.where(np.isfinite(block.theta), block.theta, 0.0)
    if name in LINES:
        tries = [held, held.copy()]
        for one, slope in zip(tries, lines(block.v, block.i, block.keep), strict=True):
            one[:, G], one[:, I0] = slope, 0.0
        return tries
    conductance = _lowest_chord(block)
    fresh = held.copy()
    fresh[:, A], fresh[:, B], fresh[:, RS] = _exponential(block, conductance)
    fresh[:, G], fresh[:, I0] = conductance, 0.0
    # a start from a fit that went astray would only lead there again
    astray = ~np.isin(block.code, _PLAIN) | ~block.converged
    astray |= np.abs(held[:, RS]) * block.top > 2 * np.ptp(block.v, axis=1)
    held[astray] = fresh[astray]
    if AR in columns:
        tries = _two_exponentials(block, conductance, fresh)
    else:
        tries = [held, _lifted(block, fresh) if I0 in columns else fresh]
    if AB in columns:
        branch = np.where(block.laid[:, None], block.branch, breakdown(block)[0])
        for one in tries:
            one[:, BRANCH] = branch
    return tries


def _two_exponentials(block: Block, conductance, fresh):
    """Starts for a second exponential: the first from the upper decades only, at two places to cut.

    The second (NR = 2) has the median-like mean of what the first leaves.
    """
    v, i, live, vt = block.v, block.i, block.live, block.vt
    top = np.maximum(highest(i, live, 0.0), 1e-12)
    low = np.sqrt(np.maximum(lowest(block.ui2, live & (i > 0)), 1e-30))
    tries = []
    for share in (0.35, 0.65):
        one = fresh.copy()
        cut = top ** (1 - share) * np.minimum(low * 5, top) ** share
        one[:, A], one[:, B], one[:, RS] = _exponential(block, conductance, above=cut[:, None])
        one[:, RS] = np.maximum(one[:, RS], 0.0)
        x = v - i * one[:, RS, None]
        main = np.exp(np.minimum(one[:, A, None] + one[:, B, None] * x / vt, 50.0))
        rest = i - main - conductance[:, None] * x
        good = live & (v > vt) & (rest > 0.25 * i) & (rest * rest > 4 * block.ui2)
        level = np.where(good, np.log(np.where(good, rest, 1.0)) - 0.5 * x / vt, 0.0).sum(1)
        count = good.sum(1)
        # without: ISR about sqrt(IS) times 1 mA^0.5, between the exponents
        level = np.where(count >= 2, level / np.maximum(count, 1), one[:, A] * 0.5 - 7.0)
        one[:, AR], one[:, BR] = np.clip(level, -100.0, 0.0), 0.5
        tries.append(one)
    return tries


def _lifted(block: Block, fresh):
    """Start with a photocurrent: a line through the lower part of the sweep is taken off first."""
    v, i, live = block.v, block.i, block.live
    low, high = lowest(v, live), highest(v, live)
    w = (live & (v <= (low + 0.4 * (high - low))[:, None])).astype(float)
    count = np.maximum(w.sum(1), 1.0)
    mean_v, mean_i = total(w, v) / count, total(w, i) / count
    dv = (v - mean_v[:, None]) * w
    slope = np.maximum(total(dv, i) / np.maximum(total(dv, dv), 1e-300), 0.0)
    lift = mean_i - slope * mean_v
    one = fresh.copy()
    one[:, A], one[:, B], one[:, RS] = _exponential(block, slope, current=i - lift[:, None])
    one[:, RS] = np.maximum(one[:, RS], 0.0)
    one[:, G], one[:, I0] = slope, lift
    return one
