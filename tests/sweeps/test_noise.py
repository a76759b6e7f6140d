"""Stated noise, noise found from a sweep, Student's quantiles."""

import numpy as np
import pytest
from scipy import stats

from junction.sweeps.lsq import student_t
from junction.sweeps.sense import Noise, components, first_guess, floors


def test_stated_figures_add_as_squares():
    noise = Noise(v_percent=1.0, v_floor_V=3e-3, i_percent=2.0, i_floor_A=1e-6)
    uv2, ui2 = noise.variances(0.4, 1e-3)
    assert uv2 == pytest.approx(4e-3**2 + 3e-3**2)
    assert ui2 == pytest.approx(2e-5**2 + 1e-6**2)


def test_no_point_is_exact():
    noise = Noise(0, 0, 0, 0)
    least_A, least_V, _ = floors()
    assert noise.variances(0.0, 0.0) == (least_V**2, least_A**2) and least_V > 0 and least_A > 0


@pytest.mark.external
def test_limits_of_error_become_standard_uncertainties():
    """JCGM 100:2008, 4.3.7: limits +-a without more knowledge have the standard uncertainty a/sqrt(3)."""
    noise = Noise.from_accuracy(v_floor_V=5e-3, i_percent=1.5)
    assert noise.v_floor_V == pytest.approx(5e-3 / np.sqrt(3))
    assert noise.i_percent == pytest.approx(1.5 / np.sqrt(3))


@pytest.mark.parametrize("bad", [-1.0, np.nan, np.inf])
def test_impossible_figures_are_refused(bad):
    with pytest.raises(ValueError, match="v_floor_V must be a number of at least 0"):
        Noise(v_floor_V=bad)


@pytest.mark.external
def test_student_quantiles_against_scipy():
    dof = np.array([1, 2, 3, 4, 5, 6, 8, 10, 20, 50, 200, 1e6])
    truth = stats.t.ppf(0.975, dof)
    # series of fourth order in 1/dof: worst at the first value it serves, 5
    np.testing.assert_allclose(student_t(dof), truth, rtol=1e-3, atol=0)
    np.testing.assert_allclose(student_t(dof[8:]), truth[8:], rtol=1e-6, atol=0)


def test_components_are_found():
    """Floor of 2 nA below, 1 % above: each within its own scatter, over 400 sweeps."""
    rng = np.random.default_rng(4)
    i = np.broadcast_to(np.concatenate([np.zeros(60), np.geomspace(1e-6, 1e-2, 60)]), (400, 120)).copy()
    error = rng.normal(size=i.shape) * np.hypot(2e-9, 0.01 * i)
    keep = np.ones_like(i, bool)
    found = components(error, np.zeros_like(i), i * i, keep, first_guess(None, i + error, keep))
    # the floor rests on 60 points, 9 % each with second differences; the mean over 400 on far more
    assert np.median(np.sqrt(found[:, 0])) == pytest.approx(2e-9, rel=0.05)
    assert np.median(np.sqrt(found[:, 2])) == pytest.approx(0.01, rel=0.05)


def test_a_misfit_is_not_noise():
    """A smooth residual ten times the noise leaves the components alone."""
    rng = np.random.default_rng(5)
    i = np.full((200, 100), 1e-3)
    scatter = 1e-6 * rng.normal(size=i.shape)
    smooth = 1e-5 * np.sin(np.linspace(0, 6, 100))
    keep, none = np.ones_like(i, bool), np.zeros_like(i)
    start = np.tile([1e-12, 1e-12, 1e-12], (200, 1))
    with_misfit = components(scatter + smooth, none, none, keep, start)
    without = components(scatter, none, none, keep, start)
    np.testing.assert_allclose(with_misfit[:, 0].mean(), without[:, 0].mean(), rtol=0.02, atol=0)


def test_rounded_readings_hide_no_less_than_their_step():
    i = np.round(np.random.default_rng(6).uniform(0, 1.4, (50, 40))) * 1e-6
    i[:, 10:] = 0.0
    floor = np.sqrt(first_guess(None, i, np.ones_like(i, bool))[:, 0])
    assert (floor > 0.9e-6 / np.sqrt(12)).all() and (floor < 1e-6).all()
