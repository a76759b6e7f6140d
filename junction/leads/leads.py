"""Which lead is which, and what is wrong: readings weighed against the library.

Every way to turn the canonical NPN part onto the leads in the hand (an arrangement: lead order and
polarity) permutes the readings; the library stays as it is.  The likelihood of the readings under a tile
is the normal density of those that are numbers times the probability that the others are over-range;
tiles of a hypothesis add up, and Bayes' rule does the rest.  Parts with the same pattern of numbers,
over-range marks and gaps are weighed together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from junction.base.records import Reading
from junction.leads.hypotheses_library import Library
from junction.leads.hypotheses_priors import priors
from junction.leads.hypotheses_tiles import PLACEMENTS

MISSING, VALUE, OVER = 0, 1, 2
_ROLES = "BCE"
_BLOCK = 3_000_000  # numbers in one block of the weighing
_FAR = 30.0  # tiles this far below the best [nat] are left at the cheap form of the over-range marks


@dataclass(frozen=True)
class Arrangement:
    """A lead order with a polarity: which lead plays which role."""

    roles: tuple[str, ...]  # role of each lead, in the order of the leads
    polarity: str
    log_prior: float
    order: tuple[int, ...]  # actual placement behind each canonical one


def placement_index(leads: Sequence[str]) -> dict[str, int]:
    """Position of every placement ``X-Y`` of three (or two) leads in a row of readings."""
    pairs = [(a, b) for a in leads for b in leads if a != b]
    return {f"{a}-{b}": k for k, (a, b) in enumerate(pairs)}


def arrangements(leads: Sequence[str], *, named: bool) -> tuple[Arrangement, ...]:
    """The twelve arrangements of three leads.

    Parameters
    ----------
    leads : sequence of str
        Names in the hand: ``1, 2, 3`` or ``B, C, E``.
    named : bool
        Whether the names claim the roles; then every other order has the small prior `mislabelled`.
    """
    at = placement_index(leads)
    wrong = priors()["mislabelled"].value
    found = []
    for roles in permutations(_ROLES):
        lead_of = dict(zip(roles, leads, strict=True))
        share = 1 / 6 if not named else (1 - wrong if roles == tuple(leads) else wrong / 5)
        for polarity in ("NPN", "PNP"):
            order = []
            for placement in PLACEMENTS:
                red, black = placement.split("-")
                if polarity == "PNP":  # the mirror image: the same network with the meter turned round
                    red, black = black, red
                order.append(at[f"{lead_of[red]}-{lead_of[black]}"])
            found.append(Arrangement(roles, polarity, float(np.log(share / 2)), tuple(order)))
    return tuple(found)


def reading_table(
    parts: Sequence[Sequence[Reading]], at: dict[str, int], over_V: float
) -> tuple[np.ndarray, np.ndarray]:
    """Readings as numbers and states.

    Returns
    -------
    value : ndarray (n, 12)
        Diode-mode volts, then ln ohm; by actual placement.
    state : ndarray of int (n, 12)
        MISSING, VALUE or OVER.  The last reading of a placement counts.
    """
    value, state = np.zeros((len(parts), 12)), np.zeros((len(parts), 12), int)
    for n, readings in enumerate(parts):
        for reading in readings:
            k = at.get(reading.placement)
            if k is None:
                continue
            if reading.kind == "ohm":
                k += 6
                state[n, k] = OVER if np.isinf(reading.value) else VALUE
                value[n, k] = np.log(max(reading.value, 0.1)) if state[n, k] == VALUE else 0.0
            elif reading.kind == "over" or reading.value >= over_V:
                state[n, k], value[n, k] = OVER, 0.0
            else:
                state[n, k], value[n, k] = VALUE, abs(reading.value)
    return value, state


def log_phi(z: np.ndarray) -> np.ndarray:
    """Logarithm of the normal distribution function, to 7.5e-8 of the function and 0.005 of the logarithm.

    Abramowitz and Stegun (1964) 26.2.17 for the body, 26.2.12 (first terms) for the far tail.
    """
    a = np.minimum(np.abs(z), 1e6)
    t = 1 / (1 + 0.2316419 * a)
    series = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))))
    far = np.maximum(a, 6.0)
    series = np.where(a > 6, (1 - far**-2 + 3 * far**-4) / far, series)
    log_tail = -0.5 * a**2 - 0.5 * np.log(2 * np.pi) + np.log(series)
    return np.where(z < 0, log_tail, np.log1p(-np.minimum(np.exp(log_tail), 0.5)))


def odd_log_likelihood(state: np.ndarray, over_V: float) -> np.ndarray:
    """Likelihood of the readings where nothing explains them: any value, any mark."""
    volts, ohms = state[:, :6], state[:, 6:]
    return (
        -np.log(over_V) * (volts == VALUE).sum(1)
        - np.log(20.0) * (ohms == VALUE).sum(1)
        - np.log(2.0) * (state == OVER).sum(1)
    )


def over_probability(library: Library) -> tuple[np.ndarray, np.ndarray]:
    """Standard deviation of every predicted reading, and the log probability that it shows over-range."""
    sd = np.sqrt(np.sum(library.factor**2, axis=2) + library.noise**2)
    return sd, log_phi((library.mean - library.over) / sd)


def tile_densities(library: Library, rows: np.ndarray, seen: np.ndarray):
    """Whitening matrices, whitened means and log normalisers of some tiles over the readings seen."""
    factor = library.factor[rows][:, seen]
    covariance = factor @ factor.transpose(0, 2, 1)
    k = seen.size
    covariance[:, np.arange(k), np.arange(k)] += library.noise[rows][:, seen] ** 2
    chol = np.linalg.cholesky(covariance)
    white = np.linalg.solve(chol, np.broadcast_to(np.eye(k), chol.shape))
    centre = np.einsum("rij,rj->ri", white, library.mean[rows][:, seen])
    log_norm = -np.log(chol[:, np.arange(k), np.arange(k)]).sum(1) - 0.5 * k * np.log(2 * np.pi)
    return white, centre, log_norm


def tile_log_likelihood(
    library: Library,
    value: np.ndarray,
    state: np.ndarray,
    ranges: tuple[np.ndarray, np.ndarray] | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Weight times likelihood of every tile for readings of one pattern.

    Parameters
    ----------
    value : ndarray (m, 12)
        Canonical readings.
    state : ndarray of int (12,)
        Their common pattern.
    ranges : tuple of ndarray, optional
        Result of `over_probability`, where it is at hand.

    Returns
    -------
    rows : ndarray of int (r,)
        Tiles that are not excluded by the pattern.
    log_like : ndarray (r, m)
    """
    sd, log_over = over_probability(library) if ranges is None else ranges
    seen, over = np.flatnonzero(state == VALUE), np.flatnonzero(state == OVER)
    pattern = log_over[:, over].sum(1)
    low = library.mean[:, seen] - 7 * sd[:, seen] > library.over[seen]
    rows = np.flatnonzero((pattern > -20.0) & ~low.any(axis=1))
    base = library.log_weight[rows] + pattern[rows]
    if seen.size == 0:
        return rows, np.repeat(base[:, None], len(value), axis=1)
    white, centre, log_norm = tile_densities(library, rows, seen)
    offset = np.matmul(white, value[:, seen].T) - centre[:, :, None]
    log_like = (base + log_norm)[:, None] - 0.5 * np.sum(offset**2, axis=1)
    if over.size:
        near = np.flatnonzero((log_like > log_like.max(axis=0, initial=-np.inf) - _FAR).any(axis=1))
        given = _over_given_seen(library, rows[near], seen, over, white[near], offset[near])
        log_like[near] += given - pattern[rows[near], None]
    return rows, log_like


def _over_given_seen(library: Library, rows, seen, over, white, offset) -> np.ndarray:
    """Log probability of the over-range marks when the readings that are numbers are known, (r, m).

    The shared causes (the ohms of a leak, a gain) move numbers and marks together: a path of 1.2 kohm
    that one placement shows cannot be over-range the other way round.
    """
    cause = white @ library.factor[rows][:, seen]  # whitened readings per standard deviation of each cause
    factor = library.factor[rows][:, over]
    known = factor @ cause.transpose(0, 2, 1)
    mean = library.mean[rows][:, over, None] + known @ offset
    left = np.maximum(np.sum(factor**2, axis=2) - np.sum(known**2, axis=2), 0.0)
    sd = np.sqrt(left + library.noise[rows][:, over] ** 2)
    return log_phi((mean - library.over[over][:, None]) / sd[:, :, None]).sum(axis=1)


def log_evidence(library: Library, value: np.ndarray, state: np.ndarray) -> np.ndarray:
    """Log of prior times likelihood of every hypothesis, and of none of them.

    Parameters
    ----------
    value, state : ndarray (m, 12)
        Canonical readings of m (part, arrangement) pairs.

    Returns
    -------
    ndarray (m, H + 1)
        The last column is the odd case.
    """
    count = len(library.hypotheses)
    out = np.full((len(value), count + 1), -np.inf)
    out[:, count] = np.log(priors()["fault_odd"].value) + odd_log_likelihood(state, library.over[0])
    codes = state @ 3 ** np.arange(12)
    ranges = over_probability(library)
    for code in sorted(set(codes.tolist())):  # np.unique would import numpy.ma, for 30 ms
        same = np.flatnonzero(codes == code)
        step = max(1, _BLOCK // (len(library.mean) * 6))
        for first in range(0, same.size, step):
            pick = same[first : first + step]
            rows, like = tile_log_likelihood(library, value[pick], state[pick[0]], ranges)
            if rows.size == 0:
                continue
            starts = np.flatnonzero(np.diff(library.hypothesis[rows], prepend=-1))
            top = like.max(axis=0)
            summed = np.add.reduceat(np.exp(like - top), starts, axis=0)
            with np.errstate(divide="ignore"):
                out[np.ix_(pick, library.hypothesis[rows[starts]])] = (np.log(summed) + top).T
    return out


def weigh(library: Library, turns: Sequence[Arrangement], value: np.ndarray, state: np.ndarray) -> np.ndarray:
    """Log of prior times likelihood, (parts, arrangements, H + 1), not normalised."""
    n, a = len(value), len(turns)
    order = np.array([(*t.order, *(6 + k for k in t.order)) for t in turns])
    v = value[:, order].reshape(n * a, 12)
    s = state[:, order].reshape(n * a, 12)
    found = log_evidence(library, v, s).reshape(n, a, -1)
    return found + np.array([t.log_prior for t in turns])[None, :, None]


def normalise(log_weight: np.ndarray) -> np.ndarray:
    """Posterior over (arrangement, hypothesis) of each part; sums to 1 over the last two axes."""
    top = log_weight.max(axis=(1, 2), keepdims=True)
    p = np.exp(log_weight - top)
    return p / p.sum(axis=(1, 2), keepdims=True)
