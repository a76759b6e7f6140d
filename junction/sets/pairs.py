"""Pairs out of one bag: the start that makes the proof quick.

Costs of pairs are nearly distances on a line (the V_BE at the idle current), and on a line the odd-set
inequalities of the sorted prefixes are all that is needed.  Started with them, and with neighbours
improved by exchanges, the relaxation is usually integral within a few rounds.
"""

from __future__ import annotations

import numpy as np

from junction.sets.assign import Assignment, all_sets, greedy, pack


def _line_order(square) -> np.ndarray:
    """Order of the parts along the line their costs come closest to: distance from the outermost one."""
    finite = np.where(np.isfinite(square), square, 0.0)
    return np.argsort(finite[int(finite.sum(axis=1).argmax())], kind="stable")


def improve_pairs(pairs, square, *, rounds: int = 200) -> np.ndarray:
    """Exchange partners between two pairs while that lowers the total; `square` is the cost matrix."""
    pairs = np.array(pairs)
    for _ in range(rounds):
        a, b = pairs.T
        now = square[a, b]
        have = now[:, None] + now
        cross = square[np.ix_(a, a)] + square[np.ix_(b, b)]
        other = square[np.ix_(a, b)] + square[np.ix_(b, a)]
        saving = have - np.minimum(cross, other)
        np.fill_diagonal(saving, 0.0)
        best = saving.max(axis=1)
        done = np.zeros(len(pairs), bool)
        changed = False
        for p in np.argsort(-best):  # many exchanges a round, each pair in one of them
            q = int(saving[p].argmax())
            if best[p] <= 1e-12 or done[p] or done[q]:
                continue
            done[[p, q]] = changed = True
            if cross[p, q] <= other[p, q]:
                pairs[p], pairs[q] = (a[p], a[q]), (b[p], b[q])
            else:
                pairs[p], pairs[q] = (a[p], b[q]), (a[q], b[p])
        if not changed:
            break
    return pairs


def pair_up(square, n_sets: int | None = None, *, seconds: float = 20.0) -> Assignment:
    """Disjoint pairs out of one bag at least total cost, proven (Edmonds' odd-set inequalities).

    Parameters
    ----------
    square : ndarray (n, n)
        Symmetric cost of each pair, at least 0 [1].
    n_sets : int, optional
        How many pairs; as many as the bag allows by default.
    seconds : float
        Time after which the best answer so far is returned with its gap [s].
    """
    square = np.asarray(square, float)
    n = len(square)
    m = n // 2 if n_sets is None else n_sets
    if m == 0:
        return Assignment(np.zeros((0, 2), int), 0.0, 0.0)
    members = all_sets(n, 2)
    cost = square[members[:, 0], members[:, 1]]
    order = _line_order(square)
    column = np.zeros((n, n), np.int64)
    column[members[:, 0], members[:, 1]] = column[members[:, 1], members[:, 0]] = np.arange(cost.size)
    if 2 * m == n:
        first = order.reshape(-1, 2)
    else:
        first = members[greedy(members, cost, n, m)]
    first = improve_pairs(first, square)
    cuts = []
    for length in range(3, n - 2, 2) if n > 6 else ():  # on a line, odd prefixes are all the cuts there are
        cut = np.zeros(n, bool)
        cut[order[:length]] = True
        cuts.append(cut)
    return pack(members, cost, n, m, first=column[first[:, 0], first[:, 1]], cuts=cuts, seconds=seconds)
