"""The decision rule: limits, steps, tails, broadcast, parts from junctions."""

import numpy as np
import pytest
from scipy import stats

from junction.judge.mixture import conformity, conformity_log
from junction.judge.results import QUALITIES, JunctionVerdict, decide, worst_of
from junction.shelf.tables import rule


def test_matches_scipy_normal_over_a_grid():
    rng = np.random.default_rng(1)
    y, u = rng.normal(0, 3, 500), rng.uniform(0.01, 2, 500)
    low, high = np.sort(rng.normal(0, 3, (2, 500)), axis=0)
    expected = stats.norm.cdf(high, y, u) - stats.norm.cdf(low, y, u)
    # both are differences of two cdfs of order 1: a few units in the last place
    np.testing.assert_allclose(conformity(y, u, low, high), expected, rtol=0, atol=1e-14)


@pytest.mark.parametrize("low, high", [(-np.inf, 10.0), (0.0, np.inf), (0.0, 10.0)])
def test_far_tail_keeps_its_digits(low, high):
    y = 10.0 + 20.0 if np.isfinite(high) else -20.0
    expected = stats.norm.sf(20.0) if np.isfinite(high) else stats.norm.sf(20.0)
    np.testing.assert_allclose(conformity(y, 1.0, low, high), expected, rtol=1e-9, atol=0)


def test_zero_uncertainty_is_a_step_and_nan_stays_nan():
    p = conformity([1.0, 2.0, 2.0001, np.nan, 1.0], [0, 0, 0, 1.0, np.nan], high=2.0)
    np.testing.assert_array_equal(p, [1.0, 1.0, 0.0, np.nan, np.nan])


def test_half_at_the_limit_and_monotonic():
    assert conformity(3.0, 0.7, high=3.0) == pytest.approx(0.5, abs=1e-15)
    p = conformity(np.linspace(0, 6, 100), 0.7, high=3.0)
    assert np.all(np.diff(p) < 0)


def test_log_form_is_symmetric_in_ratio_and_takes_zero():
    mirrored = 1 - conformity_log(0.5, 0.5, high=1.0)
    assert conformity_log(2.0, 0.5, high=1.0) == pytest.approx(mirrored, abs=1e-15)
    assert conformity_log(0.0, 0.5, high=1.0) == 1.0
    assert conformity_log(0.0, 0.5, low=1.0) == 0.0


def test_worst_of_by_enumeration():
    """Against a brute-force sum over every combination of two junction states."""
    rng = np.random.default_rng(2)
    p = rng.dirichlet([1, 1, 1, 1], size=2)
    severity = {0: 0, 1: 1, 3: 2, 2: 3}  # good, leaky, open, shorted
    expected = np.zeros(4)
    for a in range(4):
        for b in range(4):
            worst = max(a, b, key=severity.__getitem__)
            expected[worst] += p[0, a] * p[1, b]
    junctions = [JunctionVerdict("BE", "", dict(zip(QUALITIES, each, strict=True))) for each in p.tolist()]
    np.testing.assert_allclose(worst_of(junctions), expected, rtol=0, atol=1e-14)


def test_decision_rule_is_the_one_in_the_rules_table():
    assert rule("conformity_good") == 0.95
    p = [[0.95, 0.05, 0, 0], [0.949, 0.051, 0, 0], [0.05, 0.0, 0.5, 0.45], [0.06, 0.94, 0, 0]]
    assert [decide(each) for each in p] == ["good", "undecided", "shorted", "undecided"]
