"""From costs to disjoint sets, layout by layout: every candidate weighed where that is feasible, else search.

A choice travels as (rails, total, bound, basis): one array (m, k) of part indices local to its pool for each
rail, the total cost, a proven lower bound of it, and the reason code of what that bound rests on.
"""

from __future__ import annotations

from itertools import combinations
from math import comb

import numpy as np

from junction.sets.pack import all_sets, assign_two_kinds, pack, pair_up, set_number
from junction.sets.weigh import Weigher, cross_cost

#: Up to this many candidate sets all are weighed; beyond, local search with a bound.
MOST_CANDIDATES = 400_000
#: Most candidate exchanges weighed at a time: while any sets are improved, and while channels are.
_MOST_EXCHANGES, _MOST_POLISHED = 400_000, 60_000
#: An exchange that saves no more than this is rounding.
_SAVES = 1e-12


def splits(count: int, k: int) -> np.ndarray:
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


def improve_sets(sets, cost_of, *, together: int = 2, rounds: int = 50, places: bool = False):
    """Repartition every `together` sets as well as possible, until nothing is gained.

    Parameters
    ----------
    sets : ndarray of int (m, k)
    cost_of : callable
        (c, k) part indices, sorted in each row, to their costs (c,) [1]; with `places`, also given the
        number of the set (c,) that each stands for.
    together : int
        How many sets are taken apart at a time (2 or 3).
    rounds : int
        Most sweeps over all combinations.
    places : bool
        Whether it matters which set stands where.

    Returns
    -------
    ndarray of int (m, k)
    """
    sets = np.sort(np.array(sets), axis=1)
    m, k = sets.shape
    if m < together:
        return sets
    ways = splits(together, k)
    if places:
        ways = np.concatenate([ways, ways[:, ::-1]])
    groups = np.array(list(combinations(range(m), together)))
    per_chunk = max(1, _MOST_EXCHANGES // (len(ways) * together))

    def costs(options, place):
        flat = options.reshape(-1, k)
        found = cost_of(flat, np.broadcast_to(place, options.shape[:-1]).ravel()) if places else cost_of(flat)
        return found.reshape(options.shape[:-1])

    for _ in range(rounds):
        now = costs(sets, np.arange(m))
        gain = np.zeros(len(groups))
        best = np.zeros((len(groups), together, k), np.int64)
        for at in range(0, len(groups), per_chunk):
            chunk = groups[at : at + per_chunk]
            options = np.sort(sets[chunk].reshape(len(chunk), -1)[:, ways], axis=-1)
            total = costs(options, chunk[:, None]).sum(axis=-1)
            pick, own = total.argmin(axis=1), np.arange(len(chunk))
            gain[at : at + per_chunk] = now[chunk].sum(axis=1) - total[own, pick]
            best[at : at + per_chunk] = options[own, pick]
        used = np.zeros(m, bool)
        for g in np.argsort(-gain):
            if gain[g] <= _SAVES:
                break
            if not used[groups[g]].any():
                sets[groups[g]] = best[g]
                used[groups[g]] = True
        if not used.any():
            break
    return sets


def swap_left_over(sets, spare, cost_of, *, rounds: int = 200):
    """Exchange a member with one of the parts in no set, `spare`, while that lowers the total; both."""
    sets, spare = np.sort(np.array(sets), axis=1), np.array(spare)
    m, k = sets.shape
    for _ in range(rounds if spare.size else 0):
        options = np.repeat(np.repeat(sets[:, None, None], k, axis=1), spare.size, axis=2)
        for place in range(k):
            options[:, place, :, place] = spare
        total = cost_of(np.sort(options, axis=-1).reshape(-1, k)).reshape(m, -1)
        gain = cost_of(sets)[:, None] - total
        s, which = np.unravel_index(gain.argmax(), gain.shape)
        if gain[s, which] <= _SAVES:
            break
        place, r = divmod(int(which), spare.size)
        sets[s, place], spare[r] = spare[r], sets[s, place]
        sets[s].sort()
    return sets, spare


def range_bound(coordinates, k: int, m: int) -> float:
    """Least sum of ranges that any `m` disjoint sets of k can have, coordinate by coordinate.

    Parameters
    ----------
    coordinates : ndarray (n, q)
    k, m : int

    Returns
    -------
    float
        Sum over the coordinates of the optimum of each alone.  In one coordinate the best sets are
        neighbours in sorted order (an exchange argument), so a dynamic program over windows finds it.
    """
    total = 0.0
    for line in np.sort(coordinates, axis=0).T:
        window = line[k - 1 :] - line[: len(line) - k + 1]
        best = np.zeros(len(line) + 1)  # least cost with no window among the first i parts
        for _ in range(m):
            now = np.full(len(line) + 1, np.inf)
            now[k:] = best[: len(line) - k + 1] + window
            best = np.minimum.accumulate(now)
        total += float(best[-1])
    return total


def group_up(cost_of, coordinates, k: int, m: int, *, seconds: float = 20.0):
    """Disjoint sets of k out of one bag at least total cost.

    Parameters
    ----------
    cost_of : callable
        (c, k) part indices, sorted in each row, to their costs (c,) [1].
    coordinates : ndarray (n, q)
        Places of the parts whose ranges, summed over q, are the cost to first order; used to start
        from, and beyond `MOST_CANDIDATES` as the cost itself.
    k, m : int
        Parts in a set and number of sets, ``m * k <= n``.
    seconds : float
        Time after which the best answer so far is returned [s].

    Returns
    -------
    sets : ndarray of int (m, k)
    total, bound : float
    """
    n = len(coordinates)
    if m == 0:
        return np.zeros((0, k), int), 0.0, 0.0
    if k > 2 and comb(n, k) > MOST_CANDIDATES:

        def range_cost(sets):
            return np.ptp(coordinates[sets], axis=1).sum(axis=-1)

        sets = _searched(range_cost, coordinates, k, m, thorough=False)
        total = float(range_cost(sets).sum())
        return sets, total, min(total, range_bound(coordinates, k, m))
    members = all_sets(n, k)
    cost = cost_of(members)
    if k == 2:
        square = np.zeros((n, n))
        square[members[:, 0], members[:, 1]] = square[members[:, 1], members[:, 0]] = cost
        return pair_up(square, m, seconds=seconds)
    sets = _searched(lambda s: cost[set_number(s, n)], coordinates, k, m, thorough=k <= 4)
    chosen, total, bound = pack(members, cost, n, m, first=set_number(sets, n), seconds=seconds)
    return members[chosen], total, bound


def _searched(cost_of, coordinates, k: int, m: int, *, thorough: bool) -> np.ndarray:
    """Start from neighbours along the longest direction, then exchange; `m` sets of k."""
    spread = coordinates - coordinates.mean(axis=0)
    _, _, axes = np.linalg.svd(spread, full_matrices=False)
    order = np.argsort(spread @ axes[0], kind="stable")
    line = (spread @ axes[0])[order]
    free = np.ones(len(order), bool)
    chosen = []
    # the tightest windows first, or all of them in a row where no part is to spare
    window = line[k - 1 :] - line[: len(line) - k + 1]
    spare = m * k < len(order)
    for at in np.argsort(window, kind="stable") if spare else range(0, m * k, k):
        if free[at : at + k].all() and len(chosen) < m:
            free[at : at + k] = False
            chosen.append(order[at : at + k])
    rest = order[free]  # windows cut each other off: fill up with what is left
    short = (m - len(chosen)) * k
    sets, spare = np.array([*chosen, *rest[:short].reshape(-1, k)]), rest[short:]
    for _ in range(3):
        sets, spare = swap_left_over(sets, spare, cost_of)
        before = float(cost_of(sets).sum())
        for together in (2, 3) if thorough else (2,) if k <= 6 else ():
            sets = improve_sets(sets, cost_of, together=together)
        if not spare.size or float(cost_of(sets).sum()) >= before - _SAVES:
            break
    return sets


def one_rail(weigher: Weigher, m: int, seconds: float):
    """`m` sets out of one pool; a choice."""
    n, k = weigher.n, weigher.k
    sets, total, bound = group_up(weigher.cost, weigher.coordinates(), k, m, seconds=seconds)
    every = k <= 2 or comb(n, k) <= MOST_CANDIDATES
    return (sets,), total, bound, "match_bound_exact" if every else "match_bound_linear"


def two_rails(upper: Weigher, lower: Weigher, m: int, seconds: float):
    """`m` sets of k parts of the upper pool against k of the lower one, or of the same one; a choice.

    Sets of each rail are made first and then put against each other; where it is feasible, that is only the
    start for weighing every candidate of both rails.
    """
    same, k, a, b = upper is lower, upper.k, upper.n, lower.n
    if m == 0:
        return (np.zeros((0, k), int),) * 2, 0.0, 0.0, "match_bound_exact"
    if k == 1:
        sides = [np.arange(n)[:, None] for n in (a, b)]
    elif same:
        (half,), _, least, _ = one_rail(upper, 2 * m, seconds / 2)
        sides = [half, half]
    else:
        by_rail = [one_rail(w, m, seconds / 4) for w in (upper, lower)]
        sides, least = [rails[0] for rails, *_ in by_rail], sum(bound for _, _, bound, _ in by_rail)
    groups = [w.groups(s) for w, s in zip((upper, lower), sides, strict=True)]
    table = cross_cost(groups[0][..., :, None], groups[1][..., None, :], upper.weights)
    if same:
        facing, total, bound = pair_up(table, m, seconds=seconds / 2)
    else:
        facing, total, bound = assign_two_kinds(table, m)
    rails = [s[f] for s, f in zip(sides, facing.T, strict=True)]
    if k == 1:
        return rails, total, bound, "match_bound_exact"
    rails, total = _polished(upper, lower, rails)
    candidates = comb(a, 2 * k) if same else comb(a, k) * comb(b, k)
    if candidates > MOST_CANDIDATES:
        return rails, total, least, "match_bound_rails"
    return _weighed(upper, lower, rails, m, seconds)


def _weighed(upper: Weigher, lower: Weigher, rails, m: int, seconds: float):
    """Every candidate of both rails weighed, from a known answer; a choice."""
    same, k, a, b = upper is lower, upper.k, upper.n, lower.n
    one, two = all_sets(a, k), all_sets(b, k)
    if same:  # the best way to share 2k parts out
        members = all_sets(a, 2 * k)
        ways = [[set_number(members[:, half], a) for half in way] for way in splits(2, k)]
        first = set_number(np.sort(np.concatenate(rails, axis=1), axis=1), a)
    else:
        ways = [np.divmod(np.arange(len(one) * len(two)), len(two))]
        members = np.concatenate([one[ways[0][0]], two[ways[0][1]] + a], axis=1)
        first = set_number(rails[0], a) * len(two) + set_number(rails[1], b)
    own = [upper.cost(one), lower.cost(two)]
    groups = [upper.groups(one), lower.groups(two)]
    cost = np.full(len(members), np.inf)
    best = np.zeros((2, len(members)), int)
    for i, j in ways:
        now = own[0][i] + own[1][j] + cross_cost(groups[0][..., i], groups[1][..., j], upper.weights)
        better = now < cost
        cost[better], best[0, better], best[1, better] = now[better], i[better], j[better]
    chosen, total, bound = pack(members, cost, a if same else a + b, m, first=first, seconds=seconds)
    return (one[best[0, chosen]], two[best[1, chosen]]), total, bound, "match_bound_exact"


def _polished(upper: Weigher, lower: Weigher, rails, rounds: int = 20):
    """Exchange parts between the channels, rail by rail, while the whole cost falls: rails and total."""
    rails = [np.sort(r, axis=1) for r in rails]
    m, k = rails[0].shape

    def total_of(one, two):
        between = cross_cost(upper.groups(one), lower.groups(two), upper.weights)
        return upper.cost(one) + lower.cost(two) + between

    few = 4 * comb(m, 2) * len(splits(2, k)) <= _MOST_POLISHED
    for _ in range(rounds if few else 0):
        before = [r.copy() for r in rails]
        rails[0] = improve_sets(rails[0], lambda s, at: total_of(s, rails[1][at]), rounds=1, places=True)
        rails[1] = improve_sets(rails[1], lambda s, at: total_of(rails[0][at], s), rounds=1, places=True)
        if all((r == b).all() for r, b in zip(rails, before, strict=True)):
            break
    return rails, float(total_of(*rails).sum())
