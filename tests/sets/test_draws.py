"""Draws of the parts: as wide as the fit states; what parts have in common moves no current."""


from types import SimpleNamespace

import numpy as np
import pytest

from junction.amplifier.results import OperatingPoint
from junction.amplifier.sharing import drawn_devices, drive_point, share, with_common_defaults
from junction.transistor.values import evaluate
from tests.sets.bags import fits_of, true_values


@pytest.fixture(scope="module")
def fits():
    return fits_of(true_values(6, 3))


def pair_at(idle):
    """A stage of two devices, as far as draws of them ask."""
    peak = OperatingPoint("peak", 4.0, 6.0, 80.0, 0.22)
    return SimpleNamespace(parallel=2, idle=idle, peak=peak)


def test_draws_have_the_uncertainty_the_fit_states(fits):
    drawn = drawn_devices(fits, pair_at(OperatingPoint("idle", 0.2, 42.0, 50.0, 0.22)), 4000)
    stated = evaluate(fits, np.array([0.1]), 42.0 - 0.022, 50.0)
    now = drive_point(drawn["idle"], np.log(0.1), 42.0, 50.0, 0.22)
    # 4000 draws know a standard deviation to 1.1 %: three of that
    np.testing.assert_allclose(now.vbe_V.std(axis=0), stated.u_vbe_V[:, 0], rtol=0.035, atol=0)
    assert drawn["peak"].shape == (4000, 6)


def test_an_error_all_parts_share_moves_no_current(fits):
    """EG is one for all silicon: however wide, a pair of equal parts stays even under its draws."""
    covariance = np.zeros_like(fits.covariance)
    eg = fits.names.index("EG")
    covariance[:, eg, eg] = 0.03**2
    equal = fits_of(fits.value[[0, 0]], covariance=covariance[:2])
    point = OperatingPoint("idle", 0.2, 42.0, 80.0, 0.22)
    drawn = drawn_devices(equal, pair_at(point), 50)["idle"]
    now = drive_point(drawn, np.log(0.1), 42.0, 80.0)
    assert now.vbe_V[:, 0].std() > 1e-3
    assert share(drawn.take(np.array([[0, 1]])), point).imbalance.max() < 1e-9


def test_what_a_type_shares_moves_no_current_either(fits):
    shared = np.zeros((2, fits.value.shape[1], 1))
    shared[:, fits.names.index("VAF"), 0] = 1.0
    covariance = np.einsum("npq,nrq->npr", shared, shared)
    equal = fits_of(fits.value[[0, 0]], covariance=covariance, shared=shared)
    point = OperatingPoint("idle", 0.2, 42.0, 25.0, 0.22)
    drawn = drawn_devices(equal, pair_at(point), 50)["idle"]
    assert drive_point(drawn, np.log(0.1), 42.0, 25.0).vbe_V[:, 0].std() > 1e-3
    assert share(drawn.take(np.array([[0, 1]])), point).imbalance.max() < 1e-9


def test_a_default_is_off_alike_for_all_parts_of_a_type(fits):
    """Early voltage never measured: known to a factor e, but between parts only to the spread of a type."""
    from junction.transistor.values import between_parts, draw_steps

    vaf, is_ = fits.names.index("VAF"), fits.names.index("IS")
    covariance = np.zeros_like(fits.covariance)
    covariance[:, vaf, vaf], covariance[:, is_, is_] = 1.0, 0.05**2 + 0.2**2
    covariance[:, vaf, is_] = covariance[:, is_, vaf] = -0.2  # IS makes up for it where the part was measured
    fixed = np.zeros(fits.value.shape, bool)
    fixed[:, vaf] = True
    own = fits_of(fits.value, covariance=covariance, fixed=fixed)
    step = draw_steps(with_common_defaults(own), 6000, 1)
    # 6000 draws know a standard deviation to 1 %: three of that, and sharing leaves each part's own as it was
    np.testing.assert_allclose(step[:, :, vaf].std(axis=0), 1.0, rtol=0.03, atol=0)
    np.testing.assert_allclose(step[:, :, is_].std(axis=0), np.hypot(0.05, 0.2), rtol=0.03, atol=0)
    apart = (step[:, 0] - step[:, 1])[:, [vaf, is_]].std(axis=0) / np.sqrt(2)
    assert apart[0] == pytest.approx(between_parts("VAF"), rel=0.05)
    assert apart[1] == pytest.approx(np.hypot(0.05, 0.2 * between_parts("VAF")), rel=0.05)
    other = fits_of(fits.value, covariance=covariance, fixed=fixed, type=("X", "Y") * 3)
    step = draw_steps(with_common_defaults(other), 6000, 1)[:, :, vaf]
    assert (step[:, 0] - step[:, 1]).std() > 1.3  # of two types, nothing is shared
