"""From costs to disjoint sets, layout by layout.

Every function returns the chosen sets as local part indices, rail by rail, with the total cost and a
proven lower bound of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np

from junction.sets.assign import Assignment, all_sets, assign_two_kinds, pack
from junction.sets.groups import MOST_CANDIDATES, group_up
from junction.sets.pairs import pair_up
from junction.sets.search import _splits, lexicographic_rank
from junction.sets.weigh import Weigher, cross_cost

EXACT = "proven: no other choice of sets does better by more than this"
LINEAR = "a bound for the imbalances taken to first order; too many candidates to weigh each"
STAGED = (
    "each rail's sets by themselves cannot be better; the bound leaves out the match of the rails, so it is "
    "loose"
)

#: Most candidate exchanges weighed at a time while channels are polished.
_MOST_POLISHED = 60_000


@dataclass(frozen=True, eq=False)
class Chosen:
    """Sets of a layout: ``upper`` (m, k) and ``lower`` (m, k) or None, local indices of each pool."""

    upper: np.ndarray
    lower: np.ndarray | None
    total: float
    bound: float
    basis: str

    @property
    def gap(self) -> float:
        """Relative gap; 0 is proven optimal."""
        return 0.0 if self.total <= self.bound else (self.total - self.bound) / abs(self.total)


def one_rail(weigher: Weigher, k: int, n_sets: int | None, seconds: float) -> Chosen:
    """Sets of k out of one pool."""
    n = weigher.devices.shape[-1]
    found = group_up(weigher.cost, weigher.coordinates(), k, n_sets, seconds=seconds)
    basis = EXACT if k <= 2 or comb(n, k) <= MOST_CANDIDATES else LINEAR
    return Chosen(found.sets, None, found.total, found.bound, basis)


def two_rails(upper: Weigher, lower: Weigher, k: int, n_sets: int | None, seconds: float) -> Chosen:
    """Complementary: k of the first pool with k of the second, in every set."""
    a, b = upper.devices.shape[-1], lower.devices.shape[-1]
    m = min(a // k, b // k) if n_sets is None else min(n_sets, a // k, b // k)
    points, weights = upper.points, upper.weights
    if m == 0:
        return Chosen(np.zeros((0, k), int), np.zeros((0, k), int), 0.0, 0.0, EXACT)
    if k == 1:
        one, two = upper.groups(np.arange(a)[:, None]), lower.groups(np.arange(b)[:, None])
        cost = cross_cost([x[:, :, None] for x in one], [x[:, None, :] for x in two], points, weights)
        found = assign_two_kinds(cost, m)
        return Chosen(found.sets[:, :1], found.sets[:, 1:], found.total, found.bound, EXACT)
    staged = _staged(upper, lower, k, m, seconds / 2)
    if comb(a, k) * comb(b, k) > MOST_CANDIDATES:
        return staged
    one, two = all_sets(a, k), all_sets(b, k)
    cost = upper.cost(one)[:, None] + lower.cost(two)[None, :]
    cost = cost + cross_cost(
        [x[:, :, None] for x in upper.groups(one)],
        [x[:, None, :] for x in lower.groups(two)],
        points,
        weights,
    )
    columns = np.concatenate([np.repeat(one, len(two), axis=0), np.tile(two, (len(one), 1)) + a], axis=1)
    first = lexicographic_rank(staged.upper, a) * len(two) + lexicographic_rank(staged.lower, b)
    found = pack(columns, cost.ravel(), a + b, m, first=first, seconds=seconds)
    return Chosen(found.sets[:, :k], found.sets[:, k:] - a, found.total, found.bound, EXACT)


def _staged(upper: Weigher, lower: Weigher, k: int, m: int, seconds: float) -> Chosen:
    one = one_rail(upper, k, m, seconds / 2)
    two = one_rail(lower, k, m, seconds / 2)
    cross = cross_cost(
        [x[:, :, None] for x in upper.groups(one.upper)], [x[:, None, :] for x in lower.groups(two.upper)],
        upper.points, upper.weights,
    )  # fmt: skip
    rails: Assignment = assign_two_kinds(cross, m)
    sets = one.upper[rails.sets[:, 0]], two.upper[rails.sets[:, 1]]
    sets, total = _polish((upper, lower), sets)
    return Chosen(*sets, total, one.bound + two.bound, STAGED)


def _polish(weighers, sets, rounds: int = 20):
    """Exchange parts between the channels, rail by rail, while the whole cost falls.

    Parameters
    ----------
    weighers : (Weigher, Weigher)
        Of the upper and the lower rail.
    sets : (ndarray (m, k), ndarray (m, k))
    rounds : int

    Returns
    -------
    sets : (ndarray, ndarray)
    total : float
    """

    def total_of(upper, lower):
        points, weights = weighers[0].points, weighers[0].weights
        cross = cross_cost(weighers[0].groups(upper), weighers[1].groups(lower), points, weights)
        return weighers[0].cost(upper) + weighers[1].cost(lower) + cross

    sets = [np.sort(s, axis=1) for s in sets]
    m, k = sets[0].shape
    now = total_of(*sets)
    pairs = np.stack(np.triu_indices(m, 1), axis=1)
    ways = _splits(2, k) if k > 1 else np.array([[[0], [1]]])
    ways = np.concatenate([ways, ways[:, ::-1]])
    if m < 2 or 2 * len(pairs) * len(ways) > _MOST_POLISHED:
        return tuple(sets), float(now.sum())
    for _ in range(rounds):
        changed = False
        for rail in (0, 1):
            options = np.sort(sets[rail][pairs].reshape(len(pairs), -1)[:, ways], axis=-1)
            other = np.broadcast_to(sets[1 - rail][pairs][:, None], options.shape)
            both = [x.reshape(-1, k) for x in ((options, other) if rail == 0 else (other, options))]
            cost = total_of(*both).reshape(len(pairs), len(ways), 2).sum(axis=-1)
            pick = cost.argmin(axis=1)
            gain = now[pairs].sum(axis=1) - cost[np.arange(len(pairs)), pick]
            free = np.ones(m, bool)
            for g in np.argsort(-gain):
                if gain[g] <= 1e-9:
                    break
                if free[pairs[g]].all():
                    sets[rail][pairs[g]] = options[g, pick[g]]
                    free[pairs[g]] = False
                    changed = True
            now = total_of(*sets)
        if not changed:
            break
    return tuple(sets), float(now.sum())


def same_both_rails(weigher: Weigher, k: int, n_sets: int | None, seconds: float) -> Chosen:
    """Quasi-complementary: k on the upper and k on the lower rail, all out of one pool."""
    n = weigher.devices.shape[-1]
    m = n // (2 * k) if n_sets is None else min(n_sets, n // (2 * k))
    points, weights = weigher.points, weigher.weights
    if m == 0:
        return Chosen(np.zeros((0, k), int), np.zeros((0, k), int), 0.0, 0.0, EXACT)
    halves = one_rail(weigher, k, 2 * m, seconds / 2) if k > 1 else None
    if k > 1 and comb(n, 2 * k) > MOST_CANDIDATES:
        groups = weigher.groups(halves.upper)
        square = cross_cost([x[:, :, None] for x in groups], [x[:, None, :] for x in groups], points, weights)
        rails = pair_up(square, m, seconds=seconds / 2)
        sets = halves.upper[rails.sets[:, 0]], halves.upper[rails.sets[:, 1]]
        sets, total = _polish((weigher, weigher), sets)
        return Chosen(*sets, total, halves.bound, STAGED)
    subsets = all_sets(n, k)
    own = weigher.cost(subsets)
    groups = weigher.groups(subsets)
    members = all_sets(n, 2 * k)
    ways = _splits(2, k)
    best = np.full(len(members), np.inf)
    way = np.zeros(len(members), int)
    for w, (one, two) in enumerate(ways):
        i, j = (lexicographic_rank(members[:, list(part)], n) for part in (one, two))
        cost = (
            own[i]
            + own[j]
            + cross_cost([x[:, i] for x in groups], [x[:, j] for x in groups], points, weights)
        )
        better = cost < best
        best[better], way[better] = cost[better], w
    if k == 1:
        square = np.zeros((n, n))
        square[members[:, 0], members[:, 1]] = square[members[:, 1], members[:, 0]] = best
        found = pair_up(square, m, seconds=seconds)
    else:
        found = pack(members, best, n, m, seconds=seconds)
    split = ways[way[lexicographic_rank(found.sets, n)]]
    rails = np.take_along_axis(found.sets[:, None, :], split, axis=2)
    return Chosen(rails[:, 0], rails[:, 1], found.total, found.bound, EXACT)
