"""Grades and intervals of a size."""

import numpy as np
import pytest

from junction.sets.choose import folded_mean
from junction.sets.finish import grade_of, interval_of


def test_grades():
    found = [grade_of(x) for x in (0.0, 0.05, 0.0501, 0.1, 0.15, 0.2, 0.21, float("nan"))]
    assert found == ["A", "A", "B", "B", "C", "C", "none", "none"]


def test_a_set_that_runs_away_has_no_grade():
    assert grade_of(0.01, runs_away=True) == "none"


def test_interval_holds_the_value():
    draws = np.abs(0.001 + 0.02 * np.random.default_rng(1).standard_normal(20_000))
    it = interval_of(0.0002, draws)
    assert it.low == 0.0002 and it.high == pytest.approx(0.02 * 2.24, rel=0.03)  # folded normal, 97.5 %
    assert it.low <= it.value < it.high


def test_folded_mean_levels_off():
    # mean of |x|: sqrt(2/pi) u at zero (Leone, Nelson, Nottingham, Technometrics 3 (1961) 543)
    assert folded_mean(0.0, 1.0) == pytest.approx(np.sqrt(2 / np.pi))
    assert folded_mean(5.0, 1.0) == pytest.approx(5.0, rel=1e-6)
    assert folded_mean(0.3, 0.0) == 0.3
