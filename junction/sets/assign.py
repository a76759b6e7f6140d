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
negative reduced cost where pricing had to stop.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from itertools import combinations

import numpy as np

#: Reduced costs and violations below this count as zero, relative to the typical cost.
_EPS = 1e-9
_START_COLUMNS_PER_PART = 8
#: So many columns within the gap: branch and bound would only burn the time.
_HOPELESS = 100_000
#: Parts a relaxation may leave undecided and still be rounded by solving again for them.
_MOST_TO_ROUND = 900
#: Ranges of x whose graphs are searched for violated odd sets.
_SUPPORTS = tuple((low, high) for low in (1e-6, 0.15, 0.3, 0.45) for high in (1 + 1e-6, 1 - 1e-6))


@dataclass(frozen=True, eq=False)
class Assignment:
    """Chosen sets: rows of part indices, their total cost, and a proven lower bound of any total."""

    sets: np.ndarray  # (m, k) of int
    total: float
    bound: float

    @property
    def gap(self) -> float:
        """Relative distance from the bound; 0 is proven optimal."""
        if self.total <= self.bound or not len(self.sets):
            return 0.0
        return (self.total - self.bound) / abs(self.total)


def assign_two_kinds(cost, n_sets: int | None = None) -> Assignment:
    """One row with one column each, at least total cost.

    Parameters
    ----------
    cost : ndarray (a, b)
        Cost of each combination [1]; inf forbids it.
    n_sets : int, optional
        How many sets; the default is as many as the smaller kind allows.

    Returns
    -------
    Assignment
        ``sets`` (m, 2): row index, column index.
    """
    from scipy.optimize import linear_sum_assignment

    cost = np.asarray(cost, float)
    most = min(cost.shape)
    m = most if n_sets is None else min(n_sets, most)
    if m == 0:
        return Assignment(np.zeros((0, 2), int), 0.0, 0.0)
    a, b = cost.shape
    # fewer sets than parts: idle partners that cost nothing take exactly the parts not wanted
    table = np.full((a + b - m, a + b - m), np.inf)
    table[:a, :b] = cost
    table[:a, b:] = 0.0
    table[a:, :b] = 0.0
    rows, columns = linear_sum_assignment(table)
    real = (rows < a) & (columns < b)
    sets = np.stack([rows[real], columns[real]], axis=1)
    total = float(cost[sets[:, 0], sets[:, 1]].sum())
    return Assignment(sets, total, total)


def all_sets(n: int, k: int) -> np.ndarray:
    """Every k-subset of n parts, shape (C(n, k), k), in lexicographic order."""
    if k == 2:
        return np.stack(np.triu_indices(n, 1), axis=1)
    flat = np.fromiter((i for c in combinations(range(n), k) for i in c), dtype=np.int64)
    return flat.reshape(-1, k)


class _Relaxation:
    """The linear relaxation over a growing list of columns, with odd-set cuts for pairs.

    When every part is used, an odd set S is written as x(cut edges of S) >= 1, else as
    x(edges inside S) <= (|S| - 1)/2; the two are the same inequality, the first is the sparse one.
    """

    def __init__(self, members, cost, n: int, m: int, start) -> None:
        self.members, self.cost, self.n, self.m = members, cost, n, m
        self.active = np.unique(start)
        self.cuts: list[np.ndarray] = []  # boolean masks over parts
        self.full = m * members.shape[1] == n  # every part is used

    def _touch(self, columns):
        """Which cuts (rows) each of `columns` of pairs is in."""
        masks = np.array(self.cuts)
        one, two = masks[:, self.members[columns, 0]], masks[:, self.members[columns, 1]]
        return one != two if self.full else one & two

    def matrix(self, columns):
        """Rows: each part at most once, m sets, odd-set cuts."""
        from scipy.sparse import csr_matrix

        k, c = self.members.shape[1], columns.size
        rows = [self.members[columns].ravel(), np.full(c, self.n)]
        where = [np.repeat(np.arange(c), k), np.arange(c)]
        if self.cuts:
            row, column = np.nonzero(self._touch(columns))
            rows.append(row + self.n + 1)
            where.append(column)
        rows, where = np.concatenate(rows), np.concatenate(where)
        return csr_matrix((np.ones(rows.size), (rows, where)), shape=(self.n + 1 + len(self.cuts), c))

    def limits(self):
        """Lower and upper ends of the rows of `matrix`."""
        c = len(self.cuts)
        if self.full:
            ones = np.ones(self.n)
            return (np.concatenate([ones, [self.m], np.ones(c)]),
                    np.concatenate([ones, [self.m], np.full(c, np.inf)]))  # fmt: skip
        half = np.array([(cut.sum() - 1) // 2 for cut in self.cuts], float)
        return (np.concatenate([np.zeros(self.n), [self.m], np.zeros(c)]),
                np.concatenate([np.ones(self.n), [self.m], half]))  # fmt: skip

    def solve(self):
        """Solve on the active columns: x, reduced cost of ALL columns, valid bound; None if infeasible."""
        from scipy.optimize import linprog
        from scipy.sparse import diags

        a = self.matrix(self.active)
        lower, upper = self.limits()
        equal = lower == upper
        sign = np.where(np.isinf(upper), -1.0, 1.0)  # a row with only a lower end is turned round
        end = np.where(np.isinf(upper), -lower, upper)
        some = (~equal).any()
        out = linprog(
            self.cost[self.active], A_eq=a[equal], b_eq=upper[equal],
            A_ub=(diags(sign[~equal]) @ a[~equal]) if some else None, b_ub=end[~equal] if some else None,
            bounds=(0, None), method="highs",
        )  # fmt: skip
        if out.status != 0:
            return None
        dual = np.empty(upper.size)
        dual[equal] = out.eqlin.marginals
        if some:
            dual[~equal] = np.minimum(out.ineqlin.marginals, 0.0)
        bound = float(dual @ np.where(equal, upper, end))
        reduced = self.reduced(dual * sign)
        return out.x, reduced, bound - self.shortfall(reduced)

    def shortfall(self, reduced) -> float:
        """What a bound loses where reduced costs are still negative: the smaller of two valid lowerings."""
        negative = np.flatnonzero(reduced < 0)
        if not negative.size:
            return 0.0
        lowered = np.zeros(self.n)  # lower the price of each such column's first part until it is zero
        np.maximum.at(lowered, self.members[negative, 0], -reduced[negative])
        return min(float(lowered.sum()), -self.m * float(reduced.min()))

    def reduced(self, dual):
        """Reduced cost of all columns for the duals of the rows of `matrix`."""
        reduced = self.cost - dual[self.n]
        for column in range(self.members.shape[1]):
            reduced = reduced - dual[self.members[:, column]]
        price = dual[self.n + 1 :]
        if self.members.shape[1] == 2 and np.any(price):
            # a pair's cut prices depend on its two parts only: sum over cuts as a product of masks
            masks = np.array(self.cuts, float)[price != 0]
            both = (masks * price[price != 0][:, None]).T @ masks
            own = np.diag(both)
            i, j = self.members.T
            reduced = reduced - (own[i] + own[j] - 2 * both[i, j] if self.full else both[i, j])
        return reduced


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
        inside = np.bincount(one, np.where(one == two, x, 0.0),
                             minlength=count)  # fmt: skip
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


def _start_columns(members, cost, n: int) -> np.ndarray:
    """The cheapest columns of each part."""
    order = np.argsort(cost, kind="stable")
    k = members.shape[1]
    owner = members[order].ravel()
    column = np.repeat(order, k)
    by_owner = np.argsort(owner, kind="stable")  # cheapest first within each part
    first = np.searchsorted(owner[by_owner], np.arange(n))
    rank = np.arange(owner.size) - first[owner[by_owner]]
    return np.unique(column[by_owner][rank < _START_COLUMNS_PER_PART])


def pack(members, cost, n: int, n_sets: int, *, first=None, cuts=(), seconds: float = 20.0) -> Assignment:
    """Choose `n_sets` disjoint sets out of the candidates at least total cost.

    Parameters
    ----------
    members : ndarray of int (c, k)
        Parts of each candidate set.
    cost : ndarray (c,)
        Its cost, finite and at least 0 [1].
    n : int
        Number of parts.
    n_sets : int
        How many sets; ``n_sets * k <= n``.
    first : ndarray of int (n_sets,), optional
        Candidates of a known answer to start from.
    cuts : sequence of ndarray of bool (n,)
        Odd sets of parts whose inequalities to start with; pairs only.
    seconds : float
        Time after which the best answer so far is returned with its gap [s].

    Returns
    -------
    Assignment
    """
    members, cost = np.asarray(members), np.asarray(cost, float)
    if n_sets == 0 or not len(members):
        return Assignment(np.zeros((0, members.shape[1]), int), 0.0, 0.0)
    end = time.monotonic() + seconds
    best = greedy(members, cost, n, n_sets) if first is None else np.asarray(first)
    best_total = float(cost[best].sum()) if best.size == n_sets else np.inf
    start = np.concatenate([_start_columns(members, cost, n), best])
    lp = _Relaxation(members, cost, n, n_sets, start)
    lp.cuts = list(cuts)
    scale = max(float(np.median(cost)), 1e-300)
    bound, reduced, x = 0.0, None, None
    while time.monotonic() < end - 0.5 * seconds:
        solved = lp.solve()
        if solved is None:  # the active columns hold no full answer: let more of each part in
            lp.active = np.unique(np.concatenate([lp.active, _more_columns(members, cost, lp.active)]))
            continue
        x, reduced, now = solved
        bound = max(bound, now)
        solved_on = lp.active
        negative = np.flatnonzero(reduced < -_EPS * scale)
        if negative.size:
            negative = negative[np.argsort(reduced[negative])][: max(2000, 2 * n)]
        cuts = _odd_sets(members[lp.active], x, n, lp.cuts) if members.shape[1] == 2 else []
        if not (cuts or negative.size) or best_total - bound <= _EPS * max(best_total, scale):
            break
        lp.cuts += cuts
        lp.active = np.unique(np.concatenate([lp.active, negative]))
    if x is not None and best_total - bound > _EPS * max(best_total, scale):
        candidate = _rounded(lp, solved_on, x, reduced, 0.5 * (end - time.monotonic()))
        if candidate is not None and cost[candidate].sum() < best_total:
            best, best_total = candidate, float(cost[candidate].sum())
    return _finish(lp, best, best_total, bound, reduced, end - time.monotonic())


def _rounded(lp: _Relaxation, active, x, reduced, seconds: float):
    """An answer from a relaxation: keep most sets taken whole, solve again for the other parts.

    Parts left undecided are few and far between, so the sets nearest to them are opened as well; else
    their neighbours would be taken and only distant partners left.
    """
    whole = active[x > 1 - 1e-6]
    left = np.ones(lp.n, bool)
    left[lp.members[whole]] = False
    if left.any():
        whole = whole[~_near(lp, active, reduced, left)[lp.members[whole]].any(axis=1)]
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
        rest = pack(label[lp.members[columns]], lp.cost[columns], int(left.sum()), m, cuts=cuts,
                    seconds=max(seconds, 0.2))  # fmt: skip
    except ValueError:  # what is left holds no full answer
        return None
    parts = np.sort(np.flatnonzero(left)[rest.sets], axis=1)
    where = {
        tuple(row): c for row, c in zip(np.sort(lp.members[columns], axis=1).tolist(), columns, strict=True)
    }
    return np.concatenate([whole, [where[tuple(row)] for row in parts.tolist()]])


def _near(lp: _Relaxation, active, reduced, left, neighbours: int = 3) -> np.ndarray:
    """Parts that undecided ones would most cheaply go with, by reduced cost on the active columns."""
    touch = left[lp.members[active]].sum(axis=1)
    some = active[(touch > 0) & (touch < lp.members.shape[1])]
    some = some[np.argsort(reduced[some], kind="stable")]
    taken = np.zeros(lp.n, int)
    near = np.zeros(lp.n, bool)
    for column in some:
        own = lp.members[column]
        inner = own[left[own]]
        if (taken[inner] < neighbours).any():
            taken[inner] += 1
            near[own] = True
    return near


def _more_columns(members, cost, active) -> np.ndarray:
    rest = np.setdiff1d(np.arange(cost.size), active)
    return rest[np.argsort(cost[rest], kind="stable")[: max(4 * active.size, 1000)]]


def _branch(lp: _Relaxation, columns, seconds: float):
    """Branch and bound on some of the columns: chosen ones (or None) and the bound for these columns."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    lower, upper = lp.limits()
    out = milp(
        lp.cost[columns], constraints=LinearConstraint(lp.matrix(columns), lower, upper),
        integrality=np.ones(columns.size), bounds=Bounds(0, 1),
        options={"time_limit": max(seconds, 0.1), "mip_rel_gap": 0.0},
    )  # fmt: skip
    chosen = None if out.x is None else columns[out.x > 0.5]
    if chosen is not None and chosen.size != lp.m:
        chosen = None
    bound = out.mip_dual_bound if out.mip_dual_bound is not None else -np.inf
    return chosen, float(bound)


def _finish(lp: _Relaxation, best, best_total: float, bound: float, reduced, seconds: float) -> Assignment:
    """Close what is left between answer and bound by branch and bound on the columns that can matter."""
    scale = max(float(np.median(lp.cost)), 1e-300)
    end = time.monotonic() + seconds
    for few in (True, False):
        slack = best_total - bound
        if reduced is None or slack <= _EPS * max(best_total, scale) or end - time.monotonic() < 0.05:
            break
        columns = np.flatnonzero(reduced <= slack + _EPS * scale)
        complete = reduced.min() > -1e-6 * scale
        if columns.size > _HOPELESS and np.isfinite(best_total):
            break
        limit = 6 * lp.n if few else 40_000
        if columns.size > limit:  # the most promising ones: a better answer, but no new bound
            columns = columns[np.argpartition(reduced[columns], limit)[:limit]]
            complete = False
        chosen, found = _branch(lp, columns, (end - time.monotonic()) * (0.5 if few else 1.0))
        if chosen is not None and lp.cost[chosen].sum() < best_total:
            best, best_total = chosen, float(lp.cost[chosen].sum())
        if complete:  # columns left out cannot be part of anything better than the answer so far
            bound = max(bound, min(found, best_total))
    if best.size < lp.m:
        raise ValueError("the candidate sets hold no full answer")
    if best_total - bound <= 1e-7 * max(best_total, scale):  # the solvers' own tolerance
        bound = best_total
    return Assignment(np.sort(lp.members[best], axis=1), best_total, bound)
