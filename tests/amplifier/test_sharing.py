"""Sharing: a device's closed-form inverse; the equations hold; heat tips at the textbook point."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from junction.amplifier.results import OperatingPoint
from junction.amplifier.sharing import (
    ABSENT,
    HEAT_STEPS,
    Devices,
    devices_from_fits,
    drive_point,
    imbalance,
    share,
)
from junction.physics.transistor import operating_point
from junction.sets.pack import all_sets
from junction.transistor.values import parameters_at
from tests.sets.bags import fits_of, true_values

IDLE = OperatingPoint("idle", 0.2, 42.0, 50.0, 0.22, 2.2, 2.0, 42.0)
PEAK = OperatingPoint("peak", 5.0, 6.0, 80.0, 0.22, 2.2)


@pytest.fixture(scope="module")
def devices():
    return devices_from_fits(fits_of(true_values(9, 4)))


@pytest.mark.parametrize("point", [IDLE, PEAK])
@pytest.mark.parametrize("k", [2, 3, 4])
def test_currents_add_up_on_one_drive_voltage(devices, point, k):
    members = all_sets(9, k)
    s = share(devices.take(members), point)
    # a nanovolt of drive is 4e-8 of a current
    np.testing.assert_allclose(s.ie_A.sum(axis=-1), point.total_A, rtol=1e-6, atol=0)
    ic = s.ie_A - s.ib_A
    now = drive_point(
        devices.take(members), np.log(ic), point.vce_V, point.temp_C, point.re_ohm, point.rb_ohm
    )
    assert np.ptp(now.drive_V, axis=-1).max() < 1e-8


def test_a_batch_equals_each_alone(devices):
    members = all_sets(9, 3)
    batch = share(devices.take(members), IDLE).ie_A
    for k in (0, 17, 83):
        alone = share(devices.take(members[k : k + 1]), IDLE).ie_A[0]
        # both stop within the same tolerance of the drive voltage, perhaps one step apart
        np.testing.assert_allclose(batch[k], alone, rtol=1e-6, atol=0)


def test_equal_parts_share_equally(devices):
    s = share(devices.take(np.array([[2, 2, 2]])), PEAK)
    np.testing.assert_allclose(s.ie_A[0] / s.ie_A[0].sum(), 1 / 3, rtol=1e-12, atol=0)
    assert s.imbalance[0] < 1e-12


def test_imbalance_of_a_pair_and_in_general():
    assert imbalance(np.array([3.0, 2.0])) == pytest.approx(0.2)
    # (max - min)/mean/n
    assert imbalance(np.array([4.0, 3.0, 2.0, 3.0])) == pytest.approx(2.0 / 3.0 / 4)


def test_a_larger_emitter_resistor_evens_out(devices):
    sizes = [share(devices.take(all_sets(9, 2)), replace(IDLE, re_ohm=r)).imbalance.mean()
             for r in (0.0, 0.1, 0.22, 0.47)]  # fmt: skip
    assert all(a > b for a, b in zip(sizes, sizes[1:], strict=False))


def test_resistors_by_position(devices):
    s = share(devices.take(np.array([[2, 2]])), replace(PEAK, re_ohm=(0.22, 0.33)))
    assert s.ie_A[0, 0] > s.ie_A[0, 1]
    with pytest.raises(ValueError, match="broadcast"):
        share(devices.take(np.array([[2, 2]])), replace(PEAK, re_ohm=(0.22, 0.33, 0.5)))


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.floats(1e-3, 20.0), st.floats(0.0, 2.0), st.floats(0.0, 100.0), st.floats(-20.0, 120.0))
def test_solves_wherever_a_stage_may_stand(total, re, rb, temp):
    devices = devices_from_fits(fits_of(true_values(5, 8)))
    s = share(devices.take(all_sets(5, 3)), OperatingPoint("any", total, 60.0, temp, re, rb))
    assert np.all(s.ie_A > 0)
    np.testing.assert_allclose(s.ie_A.sum(axis=-1), total, rtol=1e-6, atol=0)


def test_heat_makes_it_worse_by_the_textbook_factor(devices):
    """A small imbalance grows by 1/(1 - S) with S = theta dP/dT of the loop."""
    point = replace(IDLE, temp_C=25.0)
    pair = devices.take(np.array([[0, 1]]))
    hot = share(pair, point, heat_steps=HEAT_STEPS)
    gain = float(hot.loop_gain[0])
    cold = share(pair, point)
    assert 0.1 < gain < 0.5
    # first order in the imbalance, which is a few per cent
    assert hot.imbalance[0] == pytest.approx(cold.imbalance[0] / (1 - gain), rel=0.05)


def test_no_thermal_resistance_is_the_isothermal_solution(devices):
    pair = devices.take(np.array([[0, 1], [2, 3]]))
    cold = share(pair, IDLE)
    hot = share(pair, replace(IDLE, rth_K_per_W=0.0), heat_steps=HEAT_STEPS)
    np.testing.assert_allclose(hot.ie_A, cold.ie_A, rtol=1e-6, atol=0)
    assert np.all(hot.loop_gain == 0) and not hot.runs_away.any()


@pytest.mark.parametrize("k", [2, 3, 5])
def test_loop_gain_of_equal_parts_does_not_depend_on_their_number(devices, k):
    point = OperatingPoint("idle", 0.1 * k, 42.0, 25.0, 0.1, 0.0, 2.0, 42.0)
    one = share(devices.take(np.full((1, 2), 3)), replace(point, total_A=0.2), heat_steps=HEAT_STEPS)
    many = share(devices.take(np.full((1, k), 3)), point, heat_steps=HEAT_STEPS)
    assert many.loop_gain[0] == pytest.approx(one.loop_gain[0], rel=1e-6)


def test_loop_gain_is_the_eigenvalue_that_decides_a_transient(devices):
    """Thermal ODE tau dT/dt = -(T - T0) + R P(T), integrated: a nudge dies out below 1 and grows above."""
    pair = devices.take(np.full((1, 2), 3))
    base = OperatingPoint("idle", 0.2, 10.0, 25.0, 0.0, 0.0, 5.0, 10.0)
    unit = float(share(pair, base, heat_steps=HEAT_STEPS).loop_gain[0])
    for wanted, grows in ((0.9, False), (1.1, True)):
        rth = base.rth_K_per_W * wanted / unit
        got = share(pair, replace(base, rth_K_per_W=rth), heat_steps=HEAT_STEPS)
        assert got.loop_gain[0] == pytest.approx(wanted, rel=1e-9)
        assert bool(got.runs_away[0]) is grows
        assert _nudge_grows(devices, replace(base, rth_K_per_W=rth)) is grows


def _nudge_grows(devices, point) -> bool:
    level = point.rth_K_per_W * point.watts_per_A * point.total_A / 2
    temp = point.temp_C + np.array([0.01, -0.01])
    start = np.ptp(temp)
    pair = devices.take(np.full((1, 2), 3))
    for _ in range(100):  # steps of a twentieth of the time constant, each part held at its temperature
        s = share(pair, replace(point, temp_C=temp))
        current = (s.ie_A - s.ib_A)[0]
        temp = temp + 0.05 * (point.temp_C - level + point.rth_K_per_W * point.watts_per_A * current - temp)
    return bool(np.ptp(temp) > start)


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
