"""The closed-form inverse against the house's general transistor, and its derivatives."""

from types import SimpleNamespace

import numpy as np
import pytest

from junction.physics.transistor import operating_point
from junction.sets.weigh import drawn_devices, with_common_defaults
from junction.stage.results import OperatingPoint
from junction.stage.sharing import ABSENT, Devices, devices_from_fits, drive_point, share
from junction.transistor.values import evaluate, parameters_at
from tests.sets.bags import fits_of, true_values


@pytest.fixture(scope="module")
def fits():
    return fits_of(true_values(6, 3))


@pytest.mark.parametrize("temp_C", [25.0, 60.0, 110.0])
@pytest.mark.parametrize(("ic", "vce"), [(1e-3, 42.0), (0.09, 42.0), (2.2, 6.0), (6.0, 10.0)])
def test_equals_the_general_transistor_in_forward_operation(fits, temp_C, ic, vce):
    """Same V_BE and I_B as physics.transistor, which solves the full equations by iteration."""
    point = drive_point(devices_from_fits(fits), np.log(ic), vce, temp_C)
    at = parameters_at(fits.names, fits.value, temp_C)
    exact = operating_point(np.array([ic]), vce, at, temp_C)
    # the closed form leaves out the reverse junction's saturation current, IS (1 + 1/BR) times the Early
    # factor, beside I_C; and two repeats for that factor leave 0.1 uV, 4e-6 of a current
    left_out = float((at["IS"] * (1 + 1 / at["BR"])).max()) / ic
    np.testing.assert_allclose(point.vbe_V, exact.vbe[:, 0], rtol=0, atol=0.06 * left_out + 1e-7)
    np.testing.assert_allclose(point.ib_A, exact.ib[:, 0], rtol=30 * left_out + 4e-6, atol=0)


def test_resistors_outside_add_their_drops(fits):
    d = devices_from_fits(fits)
    full = drive_point(d, np.log(2.0), 10.0, 25.0, 0.22, 2.2)
    bare = drive_point(d, np.log(2.0), 10.0 - 0.22 * full.ie_A, 25.0)
    expected = bare.vbe_V + 0.22 * bare.ie_A + 2.2 * bare.ib_A
    np.testing.assert_allclose(full.drive_V, expected, rtol=0, atol=1e-7)


@pytest.mark.parametrize("ic", [1e-3, 0.1, 3.0])
def test_slopes_against_differences(fits, ic):
    d, h = devices_from_fits(fits), 1e-5

    def at(log_ic, temp):
        return drive_point(d, log_ic, 12.0, temp, 0.1, 1.0)

    now = at(np.log(ic), 50.0)
    by_current = (at(np.log(ic) + h, 50.0).drive_V - at(np.log(ic) - h, 50.0).drive_V) / (2 * h)
    by_ie = (at(np.log(ic) + h, 50.0).ie_A - at(np.log(ic) - h, 50.0).ie_A) / (2 * h)
    # the slope leaves out what V_BE itself does to the Early factor, kT/q over VAF
    np.testing.assert_allclose(now.slope_V, by_current, rtol=1e-3, atol=0)
    np.testing.assert_allclose(now.ie_slope_A, by_ie, rtol=2e-3, atol=0)
    k = 1e-3
    by_temp = (at(np.log(ic), 50 + k).drive_V - at(np.log(ic), 50 - k).drive_V) / (2 * k)
    # ISE's own temperature and the Early factor's are left out of the slope
    np.testing.assert_allclose(now.temp_slope_V_per_K, by_temp, rtol=5e-3, atol=0)


def test_silicon_slope_is_about_minus_2_mV_per_K(fits):
    """About -2 mV/K at 0.6 V (common practice, no source); SPICE's law gives -1.7 to -2.1."""
    slope = drive_point(devices_from_fits(fits), np.log(0.1), 5.0, 25.0).temp_slope_V_per_K
    assert np.all((slope > -2.2e-3) & (slope < -1.6e-3))


def test_an_absent_parameter_switches_its_effect_off():
    d = Devices({**{k: np.asarray(v, float) for k, v in ABSENT.items()}, "IS": np.array([1e-12])})
    vbe = drive_point(d, np.log(1e-3), 5.0, 25.0).vbe_V
    # Shockley law, kT/q = 25.69258 mV at 25 degC
    assert vbe[0] == pytest.approx(0.02569258 * np.log(1e-3 / 1e-12 + 1), rel=1e-6)


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
