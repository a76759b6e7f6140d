"""Sets of three or more out of one bag: every candidate weighed where that is feasible, else search."""

from __future__ import annotations

from math import comb

import numpy as np

from junction.sets.assign import Assignment, all_sets, pack
from junction.sets.pairs import pair_up
from junction.sets.search import improve_sets, lexicographic_rank, swap_left_over

#: Up to this many candidate sets all are weighed; beyond, local search with a bound.
MOST_CANDIDATES = 400_000


def range_bound(coordinates, k: int, n_sets: int) -> float:
    """Least sum of ranges that any disjoint sets of k can have, coordinate by coordinate.

    Parameters
    ----------
    coordinates : ndarray (n, q)
    k, n_sets : int

    Returns
    -------
    float
        Sum over the coordinates of the optimum of each alone.  In one coordinate the best sets are
        neighbours in sorted order (an exchange argument), so a dynamic program over windows finds it.
    """
    total = 0.0
    for column in np.asarray(coordinates, float).T:
        line = np.sort(column)
        window = line[k - 1 :] - line[: len(line) - k + 1]
        best = np.zeros(len(line) + 1)  # least cost with no window among the first i parts
        for _ in range(n_sets):
            now = np.full(len(line) + 1, np.inf)
            now[k:] = best[: len(line) - k + 1] + window
            best = np.minimum.accumulate(now)
        total += float(best[-1])
    return total


def group_up(cost_of, coordinates, k: int, n_sets: int | None = None, *, seconds: float = 20.0) -> Assignment:
    """Disjoint sets of k out of one bag at least total cost.

    Parameters
    ----------
    cost_of : callable
        (c, k) part indices, sorted in each row, to their costs (c,) [1].
    coordinates : ndarray (n, q)
        Places of the parts whose ranges, summed over q, are the cost to first order; used to start
        from, and beyond `MOST_CANDIDATES` as the cost itself.
    k : int
    n_sets : int, optional
        As many as the bag allows by default.
    seconds : float
        Time after which the best answer so far is returned with its gap [s].
    """
    coordinates = np.asarray(coordinates, float)
    n = len(coordinates)
    m = n // k if n_sets is None else min(n_sets, n // k)
    if m == 0:
        return Assignment(np.zeros((0, k), int), 0.0, 0.0)
    if k == 1:
        return _singles(cost_of, n, m)
    if k == 2:
        members = all_sets(n, 2)
        square = np.zeros((n, n))
        square[members[:, 0], members[:, 1]] = square[members[:, 1], members[:, 0]] = cost_of(members)
        return pair_up(square, m, seconds=seconds)
    if comb(n, k) <= MOST_CANDIDATES:
        members = all_sets(n, k)
        cost = cost_of(members)
        sets = _search(lambda s: cost[lexicographic_rank(s, n)], coordinates, k, m, thorough=k <= 4)
        return pack(members, cost, n, m, first=lexicographic_rank(sets, n), seconds=seconds)

    def range_cost(sets):
        return np.ptp(coordinates[sets], axis=1).sum(axis=-1)

    sets = _search(range_cost, coordinates, k, m, thorough=False)
    total = float(range_cost(sets).sum())
    return Assignment(sets, total, min(total, range_bound(coordinates, k, m)))


def _singles(cost_of, n: int, m: int) -> Assignment:
    cost = cost_of(np.arange(n)[:, None])
    best = np.argsort(cost, kind="stable")[:m, None]
    total = float(cost[best].sum())
    return Assignment(best, total, total)


def _search(cost_of, coordinates, k: int, m: int, *, thorough: bool) -> np.ndarray:
    """Start from neighbours along the longest direction, then exchange; `m` sets of k."""
    spread = coordinates - coordinates.mean(axis=0)
    _, _, axes = np.linalg.svd(spread, full_matrices=False)
    order = np.argsort(spread @ axes[0], kind="stable")
    line = (spread @ axes[0])[order]
    # with parts to spare, take the tightest windows first
    window = line[k - 1 :] - line[: len(line) - k + 1]
    if m * k == len(order):
        sets, spare = order.reshape(m, k), np.zeros(0, int)
    else:
        free = np.ones(len(order), bool)
        chosen = []
        for at in np.argsort(window, kind="stable"):
            if free[at : at + k].all() and len(chosen) < m:
                free[at : at + k] = False
                chosen.append(order[at : at + k])
        rest = list(order[free])
        while len(chosen) < m:  # windows cut each other off: fill up with what is left
            chosen.append(np.array(rest[:k]))
            rest = rest[k:]
        sets, spare = np.array(chosen), np.array(rest, int)
    together = [2] if k <= 6 else []
    if thorough:
        together.append(3)
    for _ in range(3):
        sets, spare = swap_left_over(sets, spare, cost_of)
        before = float(cost_of(np.sort(sets, axis=1)).sum())
        for count in together:
            sets = improve_sets(sets, cost_of, together=count)
        if not spare.size or float(cost_of(sets).sum()) >= before - 1e-12:
            break
    return np.sort(sets, axis=1)
