"""Fits a dense block of sweeps of one (padded) length: rough fit, noise, weights, final fit, tests.

Everything here works on arrays (n, m) that fit the cache; `junction.fit.sweeps` cuts a table into such
blocks, `junction.fit.choose` takes the sweeps for which the plain junction is not the whole story.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from junction.fit import starts
from junction.fit.lsq import solve
from junction.fit.models import CODE, columns_of
from junction.fit.noise import Noise, components, first_guess, resolution
from junction.fit.terms import AB, BB, COORDINATES, LOWER, RS, UPPER, A, B, G, JunctionProblem

WIDTH = len(COORDINATES)
#: A sweep that never goes above this says nothing of the forward branch [V].
FORWARD_V = 0.25
ROUGH = dict(max_iterations=3, decrease_tol=0.3)
FINAL = dict(max_iterations=25, decrease_tol=1e-6)
#: Up to this scatter [%] the weights may be those of the readings: what they bias, the square of it (1e-4
#: of IS), is a fiftieth of a standard uncertainty in 80 points.
READING_WEIGHTS = 1.0
#: A plain junction takes two to four steps.  In the first pass over a bag nobody waits for the rest: those
#: come again, pooled, where a step serves many.
QUICK = dict(max_iterations=5, decrease_tol=1e-6)


@dataclass(eq=False)
class Block:
    """Working record of one block; arrays over its n sweeps (and m points), in order of voltage.

    ``code`` indexes `models.NAMES`; ``theta`` and ``covariance`` are in `terms.COORDINATES`, nan and zero
    where a term is absent; ``covariance`` is for the noise as given, before any scaling by chi2.
    """

    v: np.ndarray
    i: np.ndarray
    keep: np.ndarray
    vt: np.ndarray
    uv2: np.ndarray
    ui2: np.ndarray
    noise: Noise | None
    parts: np.ndarray  # (n, 3) noise components, nan where stated
    least: np.ndarray  # (n, 3) variances hidden by rounding; with stated noise: floors found beside it
    theta: np.ndarray
    covariance: np.ndarray
    chi2: np.ndarray
    code: np.ndarray
    converged: np.ndarray
    at_bound: np.ndarray
    rank_short: np.ndarray

    @property
    def n_used(self) -> np.ndarray:
        """Points that count, per sweep."""
        return self.keep.sum(1)


def new_block(v, i, keep, vt, noise: Noise | None) -> Block:
    """A block with nothing fitted yet, its weights from the readings themselves."""
    n = v.shape[0]
    parts, least = np.full((n, 3), np.nan), np.zeros((n, 3))
    if noise is None:
        parts = first_guess(v, i, keep)
        least = resolution(v, i, keep)
        np.maximum(parts, least, out=parts)
        uv2, ui2 = _variances(parts, i)
    else:
        uv2, ui2 = noise.variances(v, i)
        uv2 = np.array(np.broadcast_to(uv2, v.shape))
        if noise.floorless:
            least = _unstated(noise, np.maximum(first_guess(v, i, keep) * _START, resolution(v, i, keep)))
            uv2, ui2 = uv2 + least[:, 1, None], ui2 + least[:, 0, None]
    empty = np.full((n, WIDTH), np.nan), np.zeros((n, WIDTH, WIDTH)), np.full(n, np.inf)
    marks = (np.zeros(n, bool) for _ in range(3))
    return Block(v, i, keep, vt, uv2, ui2, noise, parts, least, *empty, np.zeros(n, np.int64), *marks)


#: Which components start from the first guess where a floor is not stated: 0.1 mV, no further percentage.
_START = np.array([1.0, 0.16, 0.0])


def _unstated(noise: Noise, parts):
    """Found floors of current and voltage where none is stated, else zero; (n, 3)."""
    return parts * [noise.i_floor_A == 0, noise.v_floor_V == 0, 0]


def stated_current_variance(block: Block, rows, i):
    """Variance of current readings `i` of some sweeps by the stated noise and the floors found beside it."""
    return block.noise.variances(0.0, i)[1] + block.least[rows, 0, None]


def _find_floors(block: Block, rows, error, slope, current) -> None:
    """Floors that were not stated, from the scatter beyond what was."""
    noise, v, i, keep = block.noise, block.v[rows], block.i[rows], block.keep[rows]
    stated_v = noise.variances(v, 0.0)[0]
    known = stated_v * slope * slope
    known += noise.variances(0.0, i)[1]
    parts = components(error, slope * slope, current * current, keep, block.least[rows], known=known)
    block.least[rows] = _unstated(noise, np.maximum(parts, resolution(v, i, keep)))
    block.uv2[rows] = stated_v + block.least[rows, 1, None]


def _variances(parts, i):
    ui2 = i * i
    ui2 *= parts[:, 2, None]
    ui2 += parts[:, 0, None]
    return parts[:, 1, None], ui2


def take(block: Block, rows) -> Block:
    """Part of a block as a block of its own (copies)."""
    uv2 = np.ascontiguousarray(np.broadcast_to(block.uv2, (block.v.shape[0], block.uv2.shape[1])))
    fields = {name: getattr(block, name)[rows] for name in Block.__dataclass_fields__ if name != "noise"}
    return Block(**fields | {"uv2": uv2[rows]}, noise=block.noise)


def give(block: Block, rows, part: Block) -> None:
    """Write a part's results back."""
    if part is block:
        return
    for name in Block.__dataclass_fields__:
        if name == "uv2" and block.uv2.shape[1] == 1:
            block.uv2 = np.array(block.uv2)
        if name not in ("noise", "v", "i", "vt"):
            getattr(block, name)[rows] = getattr(part, name)


def problem_of(block: Block, name: str, index=None) -> JunctionProblem:
    """The least-squares problem of some sweeps of the block for one set of terms."""
    arrays = (block.v, block.i, block.uv2, block.ui2, block.keep, block.vt)
    if index is not None:
        arrays = tuple(a[index] for a in arrays)
    return JunctionProblem(*arrays, columns_of(name))


def fit_set(block: Block, name: str, start: np.ndarray, index=None, options: dict = FINAL, free=None,
            problem: JunctionProblem | None = None):  # fmt: skip
    """Fit one set of terms to some sweeps of the block.

    Parameters
    ----------
    block : Block
    name : str
        Key of `models.SETS`.
    start : ndarray (n, 9)
        Start values in `COORDINATES`.
    index : ndarray of int, optional
        Sweeps of the block; all by default.
    options : dict
    free : ndarray of bool (n, p), optional
    problem : JunctionProblem, optional
        To reuse its buffers.

    Returns
    -------
    lsq.Solution
    """
    columns = list(columns_of(name))
    problem = problem or problem_of(block, name, index)
    lower, upper = LOWER[columns], UPPER[columns]
    return solve(
        problem, start[:, columns], lower=lower, upper=upper,
        free=True if free is None else free, **options,
    )  # fmt: skip


def store(block: Block, name: str, solution, index=None, which=None) -> None:
    """Make a solution (or the part `which` of it) the block's fit of those sweeps."""
    columns = np.array(columns_of(name))
    index = np.arange(block.chi2.size) if index is None else index
    rows = np.arange(index.size) if which is None else np.flatnonzero(which)
    at = index[rows]
    block.theta[at] = np.nan
    block.theta[np.ix_(at, columns)] = solution.theta[rows]
    block.covariance[at] = 0.0
    block.covariance[np.ix_(at, columns, columns)] = solution.covariance[rows]
    block.chi2[at] = solution.chi2[rows]
    block.code[at] = CODE[name]
    block.converged[at] = solution.converged[rows]
    block.at_bound[at] = solution.at_bound[rows].any(1)
    block.rank_short[at] = solution.rank[rows] < columns.size


def start_values(block: Block) -> tuple[np.ndarray, np.ndarray]:
    """Start values (n, 9) of the plain junction, and which sweeps show a breakdown branch."""
    n = block.chi2.size
    theta = np.full((n, WIDTH), np.nan)
    args = (block.v, block.i, block.keep)
    conductance = starts.lowest_chord(*args, block.ui2, block.vt)
    theta[:, A], theta[:, B], theta[:, RS], _ = starts.exponential(
        *args, block.uv2, block.ui2, block.vt, conductance
    )
    theta[:, G] = conductance
    seen = np.zeros(n, bool)
    deep = np.flatnonzero(np.min(np.where(block.keep > 0, block.v, 0.0), axis=1) < -1.0)
    if deep.size:
        theta[deep, AB], theta[deep, BB], series, seen[deep] = starts.breakdown(
            block.v[deep], block.i[deep], block.keep[deep], np.broadcast_to(block.uv2, block.v.shape)[deep],
            block.ui2[deep], block.vt[deep], conductance[deep],
        )  # fmt: skip
        blind = np.max(np.where(block.keep[deep] > 0, block.v[deep], -np.inf), axis=1) <= FORWARD_V
        theta[deep[blind], RS] = series[blind]
    return theta, seen


def set_weights(block: Block, name: str, theta: np.ndarray, index=None, problem=None) -> None:
    """Renew the weights from a fitted curve: found noise components, or stated ones at the model's current.

    Weights taken from a reading carry that reading's error: a low reading would count more.
    """
    problem = problem or problem_of(block, name, index)
    error, slope, current = problem.at_points(theta)
    rows = slice(None) if index is None else index
    if block.noise is None:
        slope *= slope
        square = current * current
        parts = components(error, slope, square, block.keep[rows], block.parts[rows])
        np.maximum(parts, block.least[rows], out=parts)
        block.parts[rows] = parts
        square *= block.parts[rows, 2, None]
        square += block.parts[rows, 0, None]
        block.uv2[rows], block.ui2[rows] = block.parts[rows, 1, None], square
    else:
        if block.noise.floorless:
            _find_floors(block, rows, error, slope, current)
        most = 10 * np.abs(block.i[rows]) + 1
        block.ui2[rows] = stated_current_variance(block, rows, np.clip(current, -most, most))


def fit_plain(block: Block, options: dict = FINAL) -> None:
    """Fit the plain junction (with the breakdown branch where it shows) to every sweep of the block."""
    theta, seen = start_values(block)
    few = block.n_used < 8
    forward = np.max(np.where(block.keep > 0, block.v, -np.inf), axis=1) > FORWARD_V
    reverse_only = seen & ~forward
    for name, rows in (("base", ~seen & ~few), ("breakdown", seen & forward & ~few),
                       ("bare", few & ~reverse_only), ("reverse only", reverse_only)):  # fmt: skip
        index = np.flatnonzero(rows)
        if not index.size:
            continue
        whole = index.size == block.chi2.size
        where = None if whole else index
        start = theta if whole else theta[index]
        columns = list(columns_of(name))
        problem = problem_of(block, name, where)
        noise = block.noise
        if noise is None or noise.i_percent > READING_WEIGHTS or noise.floorless:
            rough = fit_set(block, name, start, where, ROUGH, problem=problem)
            set_weights(block, name, rough.theta, where, problem)
            if whole:
                problem.uv2, problem.ui2 = block.uv2, block.ui2
            else:
                problem = problem_of(block, name, where)
            start = start.copy()
            start[:, columns] = rough.theta
        store(block, name, fit_set(block, name, start, where, options, problem=problem), index)
