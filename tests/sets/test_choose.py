"""Assignment: shapes, bounds, corner cases; optimality against outside truth is in tests/external."""

from itertools import combinations
from math import comb

import numpy as np
import pytest

from junction.sets import choose
from junction.sets.choose import MOST_CANDIDATES, group_up, improve_sets, swap_left_over
from junction.sets.pack import (
    all_sets,
    assign_two_kinds,
    gap_of,
    improve_pairs,
    pack,
    range_bound,
    set_number,
)


def spread(n, seed):
    rng = np.random.default_rng(seed)
    a = rng.standard_normal(n)
    return np.stack([a, a + 0.5 * rng.standard_normal(n)], axis=1)


def ranges(x):
    return lambda sets: np.ptp(x[sets], axis=1).sum(axis=-1)


def test_all_sets_in_lexicographic_order():
    for n, k in ((5, 1), (7, 2), (8, 3), (9, 4)):
        sets = all_sets(n, k)
        assert sets.tolist() == [list(c) for c in combinations(range(n), k)]
        assert set_number(sets, n).tolist() == list(range(comb(n, k)))


@pytest.mark.parametrize(("n", "k", "m"), [(12, 2, 6), (13, 2, 6), (12, 2, 3), (13, 3, 4), (14, 4, 2),
                                           (24, 4, 6), (2, 2, 1)])  # fmt: skip
def test_sets_are_disjoint_and_as_many_as_wanted(n, k, m):
    x = spread(n, n)
    (sets,), total, bound, _ = group_up(ranges(x), x, k, m)
    assert sets.shape == (m, k)
    assert len(np.unique(sets)) == m * k
    assert gap_of(total, bound) == 0.0
    assert total == pytest.approx(ranges(x)(sets).sum(), abs=1e-9)


@pytest.mark.parametrize("m", [100, 90])
def test_pairs_of_a_large_bag_are_as_good_as_of_a_small_one(monkeypatch, m):
    """200 parts by their forty nearest partners, with a cost that levels off as the known part of it does."""
    x = spread(200, 8)

    def cost(sets):
        return np.hypot(ranges(x)(sets), 0.02)

    _, best, bound, _ = group_up(cost, x, 2, m)
    assert gap_of(best, bound) < 1e-6
    monkeypatch.setattr(choose, "MOST_SQUARE", 50)
    (sets,), total, near, basis = group_up(cost, x, 2, m)
    assert basis == "match_bound_near" and near <= best * (1 + 1e-9)
    # closed by branch and bound where it is as small as this
    assert total == pytest.approx(best, rel=1e-3) and len(np.unique(sets)) == 2 * m
    assert total == pytest.approx(cost(sets).sum(), rel=1e-9)


def test_nothing_to_choose_from():
    assert assign_two_kinds(np.zeros((0, 4)), 0)[0].shape == (0, 2)


def test_beyond_enumeration_the_bound_is_valid_and_reported():
    n, k = 120, 4
    assert comb(n, k) > MOST_CANDIDATES
    x = spread(n, 2)
    (sets,), total, bound, _ = group_up(ranges(x), x, k, n // k)
    assert 0 < gap_of(total, bound) < 1
    assert bound == pytest.approx(range_bound(x, k, n // k))
    assert len(np.unique(sets)) == n


def test_range_bound_against_brute_force_on_a_line():
    x = np.random.default_rng(5).standard_normal((7, 1))
    best = min(
        np.ptp(x[list(a)]) + np.ptp(x[list(b)])
        for a in combinations(range(7), 3)
        for b in combinations([i for i in range(7) if i not in a], 3)
    )
    assert range_bound(x, 3, 2) == pytest.approx(best, rel=1e-12)


def test_time_runs_out_with_an_honest_gap():
    x = spread(40, 3)
    members = all_sets(40, 3)
    chosen, total, bound = pack(members, ranges(x)(members), 40, 13, seconds=0.0)
    assert bound <= total and len(np.unique(members[chosen])) == 39


def test_exchanges_never_make_it_worse():
    x = spread(20, 4)
    cost = ranges(x)
    start = np.arange(20).reshape(-1, 2)
    square = np.abs(x[:, None] - x).sum(axis=-1)
    better = improve_pairs(start, square)
    assert square[better[:, 0], better[:, 1]].sum() < square[start[:, 0], start[:, 1]].sum()
    quads = np.arange(20).reshape(-1, 4)
    assert cost(improve_sets(quads, cost)).sum() < cost(quads).sum()
    sets, spare = swap_left_over(quads[:3], np.arange(12, 20), cost)
    assert cost(sets).sum() < cost(quads[:3]).sum()
    assert sorted([*sets.ravel(), *spare]) == list(range(20))


def test_candidates_that_hold_no_full_answer_are_an_error():
    with pytest.raises(ValueError, match="no full answer"):
        pack(np.array([[0, 1], [0, 2], [0, 3]]), np.ones(3), 4, 2, seconds=0.5)
