"""Local search for sets of k: take two or three sets apart and put their parts together best."""

from __future__ import annotations

from itertools import combinations
from math import comb

import numpy as np


def lexicographic_rank(members, n: int) -> np.ndarray:
    """Row of each sorted k-subset in the list of all k-subsets of n parts.

    Parameters
    ----------
    members : ndarray of int (c, k)
        Sorted part indices.
    n : int
        Number of parts.
    """
    members = np.asarray(members)
    k = members.shape[1]
    table = np.array([[comb(a, b) for b in range(k + 1)] for a in range(n + 1)], dtype=np.int64)
    rank = np.full(len(members), comb(n, k) - 1, dtype=np.int64)
    for place in range(k):
        rank -= table[n - 1 - members[:, place], k - place]
    return rank


def _splits(count: int, k: int) -> np.ndarray:
    """Every way to cut ``count * k`` places into `count` sets of k, shape (ways, count, k)."""

    def cut(places):
        if not places:
            yield ()
            return
        first, rest = places[0], places[1:]
        for other in combinations(rest, k - 1):
            left = [p for p in rest if p not in other]
            for tail in cut(left):
                yield ((first, *other), *tail)

    return np.array(list(cut(list(range(count * k)))))


def improve_sets(sets, cost_of, *, together: int = 2, rounds: int = 50):
    """Repartition every `together` sets as well as possible, until nothing is gained.

    Parameters
    ----------
    sets : ndarray of int (m, k)
    cost_of : callable
        (c, k) part indices, sorted in each row, to their costs (c,) [1].
    together : int
        How many sets are taken apart at a time (2 or 3).
    rounds : int
        Most sweeps over all combinations.

    Returns
    -------
    ndarray of int (m, k)
    """
    sets = np.sort(np.array(sets), axis=1)
    m, k = sets.shape
    if m < together:
        return sets
    ways = _splits(together, k)
    groups = np.array(list(combinations(range(m), together)))
    per_chunk = max(1, 400_000 // (len(ways) * together))
    for _ in range(rounds):
        costs = cost_of(sets)
        gain = np.zeros(len(groups))
        best = np.zeros((len(groups), together, k), np.int64)
        for at in range(0, len(groups), per_chunk):
            chunk = groups[at : at + per_chunk]
            pool = sets[chunk].reshape(len(chunk), -1)
            options = np.sort(pool[:, ways], axis=-1)
            total = cost_of(options.reshape(-1, k)).reshape(len(chunk), len(ways), together).sum(axis=-1)
            pick = total.argmin(axis=1)
            gain[at : at + per_chunk] = costs[chunk].sum(axis=1) - total[np.arange(len(chunk)), pick]
            best[at : at + per_chunk] = options[np.arange(len(chunk)), pick]
        used = np.zeros(m, bool)
        changed = False
        for g in np.argsort(-gain):
            if gain[g] <= 1e-12:
                break
            if not used[groups[g]].any():
                sets[groups[g]] = best[g]
                used[groups[g]] = changed = True
        if not changed:
            break
    return sets


def swap_left_over(sets, spare, cost_of, *, rounds: int = 200):
    """Exchange a member with a part in no set while that lowers the total.

    Parameters
    ----------
    sets : ndarray of int (m, k)
    spare : ndarray of int (r,)
    cost_of : callable
        As in `improve_sets`.

    Returns
    -------
    sets, spare : ndarray
    """
    sets, spare = np.sort(np.array(sets), axis=1), np.array(spare)
    m, k = sets.shape
    for _ in range(rounds if spare.size else 0):
        options = np.repeat(sets[:, None, None, :], k, axis=1)
        options = np.repeat(options, spare.size, axis=2)
        for place in range(k):
            options[:, place, :, place] = spare
        total = cost_of(np.sort(options, axis=-1).reshape(-1, k)).reshape(m, -1)
        gain = cost_of(sets)[:, None] - total
        s, which = np.unravel_index(gain.argmax(), gain.shape)
        if gain[s, which] <= 1e-12:
            break
        place, r = divmod(int(which), spare.size)
        sets[s, place], spare[r] = spare[r], sets[s, place]
        sets[s].sort()
    return sets, spare
