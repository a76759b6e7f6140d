"""Disjoint sets of least total cost, with the proof of how good the answer is.

Two shapes of the problem:

* a part of one kind with a part of another (NPN with PNP): the assignment problem, solved exactly by
  ``scipy.optimize.linear_sum_assignment``;
* sets of k out of one bag: set packing.  Every candidate set is a column; the linear relaxation is
  solved on few columns, all others are priced with its duals and added where they could help.  For
  pairs the fractional solutions are odd cycles, cut off by Edmonds' odd-set inequalities
  x(E(S)) <= (|S| - 1)/2, which with the degree rows describe the matching polytope completely
  (Edmonds, J. Res. NBS 69B (1965) 125).  What is still fractional goes to ``scipy.optimize.milp`` on
  the columns whose reduced cost is below the gap; no other column can be in a better answer, so the
  proof covers all of them.

The bound reported is always a valid one: duals of a finished pricing round, lowered by the most
negative reduced cost where pricing had to stop.  An answer travels as (sets, total, bound): it is proven
best where total and bound are equal.
"""

from __future__ import annotations

import time
from itertools import combinations
from math import comb

import numpy as np

#: Reduced costs and violations below this count as zero, relative to the typical cost.
_EPS = 1e-9
_START_COLUMNS_PER_PART = 8
#: Up to so many parts the odd prefixes of their line are cuts from the start; of more they take minutes.
_MOST_PREFIXES = 1000
#: So many columns within the gap: branch and bound would only burn the time.
_HOPELESS = 100_000
#: Parts a relaxation may leave undecided and still be rounded by solving again for them.
_MOST_TO_ROUND = 900
#: Sets opened beside each undecided part: the cheapest by reduced cost that it could be in.
_OPENED = 3
#: Ranges of x whose graphs are searched for violated odd sets.
_SUPPORTS = tuple((low, high) for low in (1e-6, 0.15, 0.3, 0.45) for high in (1 + 1e-6, 1 - 1e-6))


def gap_of(total: float, bound: float) -> float:
    """Relative distance of a total from its bound; 0 is proven optimal."""
    return 0.0 if total <= bound else (total - bound) / abs(total)


def assign_two_kinds(cost, m: int) -> tuple[np.ndarray, float, float]:
    """One row with one column each, at least total cost.

    Parameters
    ----------
    cost : ndarray (a, b)
        Cost of each combination [1]; inf forbids it.
    m : int
        How many sets.

    Returns
    -------
    sets : ndarray of int (m, 2)
        Row index, column index.
    total, bound : float
    """
    from scipy.optimize import linear_sum_assignment

    cost = np.asarray(cost, float)
    a, b = cost.shape
    # fewer sets than parts: idle partners that cost nothing take exactly the parts not wanted
    table = np.zeros((a + b - m, a + b - m))
    table[:a, :b] = cost
    table[a:, b:] = np.inf
    rows, columns = linear_sum_assignment(table)
    real = (rows < a) & (columns < b)
    sets = np.stack([rows[real], columns[real]], axis=1)
    total = float(cost[sets[:, 0], sets[:, 1]].sum())
    return sets, total, total


def all_sets(n: int, k: int) -> np.ndarray:
    """Every k-subset of n parts, shape (C(n, k), k), in lexicographic order."""
    if k == 2:
        return np.stack(np.triu_indices(n, 1), axis=1)
    flat = np.fromiter((i for c in combinations(range(n), k) for i in c), dtype=np.int64)
    return flat.reshape(-1, k)


def set_number(members, n: int) -> np.ndarray:
    """Row of each sorted k-subset `members` (c, k) in `all_sets` of n parts."""
    members = np.asarray(members)
    k = members.shape[1]
    table = np.array([[comb(a, b) for b in range(k + 1)] for a in range(n + 1)], dtype=np.int64)
    number = np.full(len(members), comb(n, k) - 1, dtype=np.int64)
    for place in range(k):
        number -= table[n - 1 - members[:, place], k - place]
    return number


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


class _Relaxation:
    """The linear relaxation over a growing list of columns, with odd-set cuts for pairs.

    A part in no set is an idle column of its own that costs nothing, so that every part is used exactly once
    and an odd set S can be written sparsely: x(pairs that S cuts) + idle(S) >= 1.
    """

    def __init__(self, members, cost, n: int, m: int, start) -> None:
        self.members, self.cost, self.n, self.m = members, cost, n, m
        self.active = np.unique(start)
        self.scale = max(float(np.median(cost)), 1e-300)
        self.cuts: list[np.ndarray] = []  # boolean masks over parts
        self.idle = 0 if m * members.shape[1] == n else n  # columns of idle parts

    def matrix(self, columns):
        """Rows: each part, the number of sets, the cuts; the idle parts' columns last."""
        from scipy.sparse import csr_matrix, eye_array, hstack, vstack

        k, c = self.members.shape[1], columns.size
        rows = [self.members[columns].ravel(), np.full(c, self.n)]
        where = [np.repeat(np.arange(c), k), np.arange(c)]
        masks = np.array(self.cuts).reshape(-1, self.n)
        if self.cuts:
            one, two = self.members[columns].T
            row, column = np.nonzero(masks[:, one] != masks[:, two])
            rows.append(row + self.n + 1)
            where.append(column)
        rows, where = np.concatenate(rows), np.concatenate(where)
        sets = csr_matrix((np.ones(rows.size), (rows, where)), shape=(self.n + 1 + len(masks), c))
        if not self.idle:
            return sets
        idle = vstack([eye_array(self.n), csr_matrix((1, self.n)), csr_matrix(masks.astype(float))])
        return hstack([sets, idle], format="csr")

    def solve(self):
        """Solve on the active columns: x, reduced cost of ALL columns, valid bound; None if infeasible."""
        from scipy.optimize import linprog

        a, parts = self.matrix(self.active), self.n + 1
        cuts = len(self.cuts)
        out = linprog(
            np.concatenate([self.cost[self.active], np.zeros(self.idle)]),
            A_eq=a[:parts], b_eq=np.append(np.ones(self.n), self.m),
            A_ub=-a[parts:] if cuts else None, b_ub=-np.ones(cuts) if cuts else None,
            bounds=(0, None), method="highs",
        )  # fmt: skip
        if out.status != 0:
            return None
        price = np.maximum(-out.ineqlin.marginals, 0.0) if cuts else np.zeros(0)
        dual = out.eqlin.marginals
        reduced = self.cost - dual[self.n] - sum(dual[own] for own in self.members.T)
        own = np.zeros(self.n)
        if price.any():
            # a pair's cut prices depend on its two parts only: sum over cuts as a product of masks
            masks = np.array(self.cuts, float)[price != 0]
            both = (masks * price[price != 0][:, None]).T @ masks
            own = np.diag(both)
            i, j = self.members.T
            reduced = reduced - (own[i] + own[j] - 2 * both[i, j])
        bound = float(dual[: self.n].sum() + self.m * dual[self.n] + price.sum())
        if self.idle:
            bound += float(np.minimum(-dual[: self.n] - own, 0.0).sum())
        negative = np.flatnonzero(reduced < 0)
        if negative.size:
            # what a bound loses where reduced costs are still negative: the smaller of two valid lowerings
            lowered = np.zeros(self.n)  # the price of each such column's first part, until it is zero
            np.maximum.at(lowered, self.members[negative, 0], -reduced[negative])
            bound -= min(float(lowered.sum()), -self.m * float(reduced.min()))
        return out.x[: self.active.size], reduced, bound

    def branch(self, columns, seconds: float):
        """Branch and bound on some of the columns: chosen ones, if any, and the bound for these columns."""
        from scipy.optimize import Bounds, LinearConstraint, milp

        rows = np.append(np.ones(self.n), self.m)
        cuts = np.ones(len(self.cuts))
        out = milp(
            np.concatenate([self.cost[columns], np.zeros(self.idle)]),
            constraints=LinearConstraint(
                self.matrix(columns), np.append(rows, cuts), np.append(rows, cuts * np.inf)
            ),
            integrality=np.append(np.ones(columns.size), np.zeros(self.idle)), bounds=Bounds(0, 1),
            options={"time_limit": max(seconds, 0.1), "mip_rel_gap": 0.0},
        )  # fmt: skip
        chosen = columns[:0] if out.x is None else columns[out.x[: columns.size] > 0.5]
        return chosen, -np.inf if out.mip_dual_bound is None else float(out.mip_dual_bound)


def _odd_sets(members, x, n: int, known: list[np.ndarray]) -> list[np.ndarray]:
    """Violated odd-set inequalities: odd parts of the graph of all, then of the doubtful, edges."""
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import connected_components

    found = []
    seen = {cut.tobytes() for cut in known}
    for low, high in _SUPPORTS:
        keep = (x > low) & (x < high)
        a, b = members[keep].T
        graph = csr_matrix((np.ones(a.size), (a, b)), shape=(n, n))
        count, label = connected_components(graph, directed=False)
        size = np.bincount(label, minlength=count)
        one, two = label[members[:, 0]], label[members[:, 1]]
        inside = np.bincount(one, np.where(one == two, x, 0.0), minlength=count)
        for c in np.flatnonzero((size >= 3) & (size % 2 == 1) & (inside > (size - 1) / 2 + 1e-6)):
            cut = label == c
            if cut.tobytes() not in seen:
                seen.add(cut.tobytes())
                found.append(cut)
    return found


def greedy(members, cost, n: int, m: int) -> np.ndarray:
    """A first answer: cheapest sets first; may end with fewer than m."""
    free = np.ones(n, bool)
    chosen = []
    for column in np.argsort(cost, kind="stable"):
        if free[members[column]].all():
            free[members[column]] = False
            chosen.append(column)
            if len(chosen) == m:
                break
    return np.array(chosen, dtype=np.int64)


def _cheapest(members, cost, most: int, of=None) -> np.ndarray:
    """Columns that are among the `most` cheapest of one of their parts, or of one of the parts `of`."""
    order = np.argsort(cost, kind="stable")
    owner, column = members[order].ravel(), np.repeat(order, members.shape[1])
    by_owner = np.argsort(owner, kind="stable")  # cheapest first within each part
    owner, column = owner[by_owner], column[by_owner]
    rank = np.arange(owner.size) - np.searchsorted(owner, owner)
    return np.unique(column[(rank < most) & (True if of is None else of[owner])])


def pack(members, cost, n: int, m: int, *, first=None, cuts=(), seconds: float = 20.0):
    """Choose `m` disjoint sets out of the candidates at least total cost.

    Parameters
    ----------
    members : ndarray of int (c, k)
        Parts of each candidate set.
    cost : ndarray (c,)
        Its cost, finite and at least 0 [1].
    n : int
        Number of parts.
    m : int
        How many sets, at least one; ``m * k <= n``.
    first : ndarray of int (m,), optional
        Candidates of a known answer to start from.
    cuts : sequence of ndarray of bool (n,)
        Odd sets of parts whose inequalities to start with; pairs only.
    seconds : float
        Time after which the best answer so far is returned [s].

    Returns
    -------
    chosen : ndarray of int (m,)
        Candidates taken.
    total, bound : float
        Their cost, and a proven lower bound of any total.

    Raises
    ------
    ValueError
        The candidates hold no full answer.
    """
    end = time.monotonic() + seconds
    best = greedy(members, cost, n, m) if first is None else first
    best_total = float(cost[best].sum()) if best.size == m else np.inf
    start = np.concatenate([_cheapest(members, cost, _START_COLUMNS_PER_PART), best])
    lp = _Relaxation(members, cost, n, m, start)
    lp.cuts = list(cuts)
    bound, reduced, x = 0.0, None, None
    while time.monotonic() < end - 0.5 * seconds:
        solved = lp.solve()
        if solved is None:  # the active columns hold no full answer: let the cheapest others in
            rest = np.setdiff1d(np.arange(cost.size), lp.active)
            rest = rest[np.argsort(cost[rest], kind="stable")[: max(4 * lp.active.size, 1000)]]
            lp.active = np.union1d(lp.active, rest)
            continue
        x, reduced, now = solved
        bound = max(bound, now)
        solved_on = lp.active
        negative = np.flatnonzero(reduced < -_EPS * lp.scale)
        if negative.size:
            negative = negative[np.argsort(reduced[negative])][: max(2000, 2 * n)]
        more = _odd_sets(members[lp.active], x, n, lp.cuts) if members.shape[1] == 2 else []
        if not (more or negative.size) or best_total - bound <= _EPS * max(best_total, lp.scale):
            break
        lp.cuts += more
        lp.active = np.union1d(lp.active, negative)
    if x is not None and best_total - bound > _EPS * max(best_total, lp.scale):
        candidate = _rounded(lp, solved_on, x, reduced, 0.5 * (end - time.monotonic()))
        if candidate is not None and cost[candidate].sum() < best_total:
            best, best_total = candidate, float(cost[candidate].sum())
    return _finished(lp, best, best_total, bound, reduced, end)


def _rounded(lp: _Relaxation, active, x, reduced, seconds: float):
    """An answer from a relaxation: keep most sets taken whole, solve again for the other parts.

    Parts left undecided are few and far between, so the sets nearest to them are opened as well; else
    their neighbours would be taken and only distant partners left.
    """
    whole = active[x > 1 - 1e-6]
    left = np.ones(lp.n, bool)
    left[lp.members[whole]] = False
    if left.any():
        undecided = left[lp.members[active]]
        some = active[undecided.any(axis=1) & ~undecided.all(axis=1)]
        near = some[_cheapest(lp.members[some], reduced[some], _OPENED, left)]
        left[lp.members[near]] = True
        whole = whole[~left[lp.members[whole]].any(axis=1)]
        left[:] = True
        left[lp.members[whole]] = False
    m = lp.m - whole.size
    if m == 0:
        return whole
    if not whole.size or left.sum() > _MOST_TO_ROUND or left.sum() < m * lp.members.shape[1]:
        return None
    columns = np.flatnonzero(left[lp.members].all(axis=1))
    label = np.cumsum(left) - 1
    cuts = [cut[left] for cut in lp.cuts if cut[left].sum() % 2 and 3 <= cut[left].sum() <= left.sum() - 3]
    try:
        rest, _, _ = pack(label[lp.members[columns]], lp.cost[columns], int(left.sum()), m, cuts=cuts,
                          seconds=max(seconds, 0.2))  # fmt: skip
    except ValueError:  # what is left holds no full answer
        return None
    return np.concatenate([whole, columns[rest]])


def _finished(lp: _Relaxation, best, best_total: float, bound: float, reduced, end: float):
    """Close what is left between answer and bound by branch and bound on the columns that can matter."""
    for few in (True, False):
        slack, left = best_total - bound, end - time.monotonic()
        if reduced is None or slack <= _EPS * max(best_total, lp.scale) or left < 0.05:
            break
        columns = np.flatnonzero(reduced <= slack + _EPS * lp.scale)
        complete = reduced.min() > -1e-6 * lp.scale
        if columns.size > _HOPELESS and np.isfinite(best_total):
            break
        limit = 6 * lp.n if few else 40_000
        if columns.size > limit:  # the most promising ones: a better answer, but no new bound
            columns = columns[np.argpartition(reduced[columns], limit)[:limit]]
            complete = False
        chosen, found = lp.branch(columns, left * (0.5 if few else 1.0))
        if chosen.size == lp.m and lp.cost[chosen].sum() < best_total:
            best, best_total = chosen, float(lp.cost[chosen].sum())
        if complete:  # columns left out cannot be part of anything better than the answer so far
            bound = max(bound, min(found, best_total))
    if best.size < lp.m:
        raise ValueError("the candidate sets hold no full answer")
    if best_total - bound <= 1e-7 * max(best_total, lp.scale):  # the solvers' own tolerance
        bound = best_total
    return best, best_total, bound


def improve_pairs(pairs, square, *, rounds: int = 200) -> np.ndarray:
    """Exchange partners between two pairs while that lowers the total; `square` is the cost matrix."""
    pairs = np.array(pairs)
    for _ in range(rounds):
        a, b = pairs.T
        now = square[a, b]
        cross = square[np.ix_(a, a)] + square[np.ix_(b, b)]
        other = square[np.ix_(a, b)] + square[np.ix_(b, a)]
        saving = now[:, None] + now - np.minimum(cross, other)
        np.fill_diagonal(saving, 0.0)
        best = saving.max(axis=1)
        done = np.zeros(len(pairs), bool)
        for p in np.argsort(-best):  # many exchanges a round, each pair in one of them
            q = int(saving[p].argmax())
            if best[p] <= 1e-12 or done[p] or done[q]:
                continue
            done[[p, q]] = True
            if cross[p, q] <= other[p, q]:
                pairs[p], pairs[q] = (a[p], a[q]), (b[p], b[q])
            else:
                pairs[p], pairs[q] = (a[p], b[q]), (a[q], b[p])
        if not done.any():
            break
    return pairs


def pair_up(square, m: int, *, seconds: float = 20.0) -> tuple[np.ndarray, float, float]:
    """Disjoint pairs out of one bag at least total cost, proven (Edmonds' odd-set inequalities).

    Costs of pairs are nearly distances on a line (the V_BE at the idle current), and on a line the odd-set
    inequalities of the sorted prefixes are all that is needed.  Started with them, and with neighbours
    improved by exchanges, the relaxation is usually integral within a few rounds.

    Parameters
    ----------
    square : ndarray (n, n)
        Symmetric cost of each pair, at least 0 [1].
    m : int
        How many pairs, at least one.
    seconds : float
        Time after which the best answer so far is returned [s].

    Returns
    -------
    sets : ndarray of int (m, 2)
    total, bound : float
    """
    n = len(square)
    members = all_sets(n, 2)
    cost = square[members[:, 0], members[:, 1]]
    # along the line that the costs come closest to: by the distance from the outermost part
    finite = np.where(np.isfinite(square), square, 0.0)
    order = np.argsort(finite[int(finite.sum(axis=1).argmax())], kind="stable")
    pairs = order.reshape(-1, 2) if 2 * m == n else members[greedy(members, cost, n, m)]
    first = set_number(np.sort(improve_pairs(pairs, square), axis=1), n)
    return pack_pairs(members, cost, order, m, first=first, seconds=seconds)


def pack_pairs(members, cost, order, m: int, *, first, seconds: float) -> tuple[np.ndarray, float, float]:
    """`pack` for pairs whose costs are nearly distances along the line of the parts in `order`."""
    n = len(order)
    lengths = range(3, n - 2, 2) if n <= _MOST_PREFIXES else ()
    cuts = [np.isin(np.arange(n), order[:length]) for length in lengths]
    chosen, total, bound = pack(members, cost, n, m, first=first, cuts=cuts, seconds=seconds)
    return members[chosen], total, bound
