"""Optimality of the sets against a blossom algorithm, brute force, and a time budget."""

from itertools import combinations

import networkx as nx
import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from junction.sets.choose import group_up
from junction.sets.pack import all_sets, assign_two_kinds, gap_of, pack, pair_up
from tests.rows import every_row


def square(n, kind, seed):
    """Cost matrices: distances on a line, on a plane, on two lines that nearly agree, and none at all."""
    rng = np.random.default_rng(seed)
    a = rng.standard_normal((n, 2))
    if kind == "line":
        a = a[:, :1]
    elif kind == "two points":
        a = np.stack([a[:, 0], a[:, 0] + 0.3 * a[:, 1]], axis=1)
    elif kind == "random":
        c = np.triu(rng.random((n, n)), 1)
        return c + c.T
    return np.abs(a[:, None] - a).sum(axis=-1)


def blossom(cost, pairs=None) -> float:
    """Weight of the best matching by networkx (Edmonds' algorithm after Galil); idle parts get dummies."""
    n = len(cost)
    spare = 0 if pairs is None else n - 2 * pairs
    graph = nx.Graph()
    top = cost.max()
    for a, b in combinations(range(n), 2):
        graph.add_edge(a, b, weight=top - cost[a, b])
    for a in range(n):
        for d in range(spare):
            graph.add_edge(a, n + d, weight=top)
    found = nx.max_weight_matching(graph, maxcardinality=True)
    return sum(cost[a, b] for a, b in found if max(a, b) < n)


@pytest.mark.external
@every_row("kind", ["line", "plane", "two points", "random"])
@every_row(("n", "pairs"), [(8, None), (11, None), (30, None), (60, None), (13, 3), (40, 12)])
def test_pairs_equal_the_blossom_algorithm(n, pairs, kind):
    cost = square(n, kind, n)
    _, total, bound = pair_up(cost, n // 2 if pairs is None else pairs)
    assert gap_of(total, bound) == 0.0
    assert total == pytest.approx(blossom(cost, pairs), rel=1e-7)


@pytest.mark.external
def test_pairs_of_200_are_proven_optimal():
    """How long that takes is `tests/benchmarks/bench_match.py`; networkx is asked at 100 below."""
    _, total, bound = pair_up(square(200, "two points", 7), 100)
    assert gap_of(total, bound) == 0.0


@pytest.mark.external
def test_pairs_of_100_equal_the_blossom_algorithm():
    cost = square(100, "two points", 8)
    _, total, bound = pair_up(cost, 50)
    assert gap_of(total, bound) == 0.0
    assert total == pytest.approx(blossom(cost), rel=1e-7)


def brute_sets(cost_of, n, k, m) -> float:
    """Least total over every way to take m disjoint k-sets, by trying them all."""

    def best(free, left):
        if left == 0:
            return 0.0
        least = np.inf
        spare = len(free) - left * k
        for skip in range(spare + 1):  # the first part that is used leads its set
            head, rest = free[skip], free[skip + 1 :]
            for other in combinations(rest, k - 1):
                now = cost_of(np.array([[head, *other]]))[0]
                if now < least:
                    least = min(least, now + best([p for p in rest if p not in other], left - 1))
        return least

    return best(list(range(n)), m)


@pytest.mark.external
@every_row(("n", "k", "m"), [(8, 4, 2), (9, 3, 3), (10, 3, 2), (9, 4, 2), (8, 2, 4), (9, 2, 3)])
def test_sets_equal_brute_force(n, k, m):
    rng = np.random.default_rng(n * k)
    x = rng.standard_normal((n, 2))

    def cost_of(sets):
        return np.ptp(x[sets], axis=1).sum(axis=-1) ** 1.3

    _, total, bound, _ = group_up(cost_of, x, k, m)
    assert gap_of(total, bound) == 0.0
    assert total == pytest.approx(brute_sets(cost_of, n, k, m), rel=1e-7)


@pytest.mark.external
def test_sets_of_four_from_48_with_the_gap_stated():
    x = np.random.default_rng(3).standard_normal((48, 1))
    x = np.concatenate([x, x + 0.5 * np.random.default_rng(4).standard_normal((48, 1))], axis=1)

    def cost_of(sets):
        return np.ptp(x[sets], axis=1).sum(axis=-1)

    (sets,), total, bound, _ = group_up(cost_of, x, 4, 12)
    gap = gap_of(total, bound)
    assert len(np.unique(sets)) == 48
    assert 0.0 <= gap < 0.02
    assert bound <= total
    # no exchange between two sets betters a proven answer by more than the gap
    for a, b in combinations(range(12), 2):
        pool = np.concatenate([sets[a], sets[b]])
        now = cost_of(sets[[a, b]]).sum()
        for half in combinations(range(8), 4):
            rest = [i for i in range(8) if i not in half]
            other = cost_of(np.array([pool[list(half)], pool[rest]])).sum()
            assert now - other <= gap * total + 1e-9


@pytest.mark.external
@pytest.mark.parametrize(("a", "b"), [(7, 7), (5, 9), (12, 8)])
def test_two_kinds_equal_the_assignment_problem(a, b):
    cost = np.random.default_rng(a).random((a, b))
    rows, columns = linear_sum_assignment(cost)
    assert assign_two_kinds(cost, min(a, b))[1] == pytest.approx(cost[rows, columns].sum(), rel=1e-12)


@pytest.mark.external
def test_fewer_of_two_kinds_by_brute_force():
    cost = np.random.default_rng(2).random((5, 6))
    best = min(
        sum(cost[r, c] for r, c in zip(rows, perm, strict=True))
        for rows in combinations(range(5), 3)
        for columns in combinations(range(6), 3)
        for perm in _orders(columns)
    )
    assert assign_two_kinds(cost, 3)[1] == pytest.approx(best, rel=1e-12)


def _orders(columns):
    from itertools import permutations

    return permutations(columns)


def test_the_bound_is_never_above_the_optimum():
    """Stopped at once, the bound still lies below what a full run proves."""
    cost = square(60, "plane", 9)
    members = all_sets(60, 2)
    _, hasty, bound = pack(members, cost[members[:, 0], members[:, 1]], 60, 30, seconds=0.02)
    _, total, _ = pair_up(cost, 30)
    assert bound <= total + 1e-9 <= hasty + 1e-6
