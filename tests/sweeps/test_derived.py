"""Derived values with their uncertainties: against the truth, by coverage, and at other temperatures."""

import numpy as np
import pytest

from junction.physics.junction import current, voltage
from junction.physics.temperature import forward_voltage, saturation_current
from junction.sweeps.derived import (
    current_at_voltage,
    dynamic_resistance,
    ideality_against_current,
    sweep_plot,
    voltage_at_current,
    voltage_at_current_25C,
)
from junction.sweeps.sweeps import fit_sweeps
from tests.sweeps.sweep_simulation import NOISE, SILICON, noisy, sweep, table

N_SWEEPS = 400
LEAKY = SILICON | {"RSH_ohm": 1e6}


@pytest.fixture(scope="module")
def bag():
    rng = np.random.default_rng(21)
    return table(*(sweep(rng, np.linspace(-2, 0.75, 80), RSH_ohm=1e6) for _ in range(N_SWEEPS)))


@pytest.fixture(scope="module")
def fits(bag):
    return fit_sweeps(bag, NOISE)


def covered(value, u, truth):
    """Share of 1.96 u intervals that hold the truth: 400 sweeps, binomial standard deviation 1.1 %."""
    return np.mean(np.abs(value - truth) <= 1.96 * u)


@pytest.mark.parametrize("i_A", [1e-6, 1e-4, 1e-3, 1e-2])
def test_voltage_at_current(fits, i_A):
    v, u = voltage_at_current(fits, i_A)
    assert v.shape == (N_SWEEPS, 1)
    assert 0.91 < covered(v, u, voltage(i_A, **LEAKY)) < 0.985


@pytest.mark.parametrize("v_V", [-5.0, -1.0, 0.5, 0.65])
def test_current_at_voltage(fits, v_V):
    """Minus 5 V lies outside the sweep: the extrapolation carries its own uncertainty."""
    i, u = current_at_voltage(fits, v_V)
    assert 0.91 < covered(i, u, current(v_V, **LEAKY)) < 0.985


@pytest.mark.parametrize("i_A", [1e-4, 1e-2])
def test_dynamic_resistance(fits, i_A):
    r, u = dynamic_resistance(fits, i_A)
    h = 1e-6 * i_A
    truth = (voltage(i_A + h, **LEAKY) - voltage(i_A - h, **LEAKY)) / (2 * h)
    assert 0.91 < covered(r, u, truth) < 0.985


def test_shapes(fits):
    i = np.array([1e-5, 1e-3, 1e-2])
    v, u = voltage_at_current(fits, i)
    assert v.shape == u.shape == (N_SWEEPS, 3)
    one = voltage_at_current(fits, 1e-3)[0]
    np.testing.assert_array_equal(one[:, 0], v[:, 1])
    np.testing.assert_array_equal(voltage_at_current(fits, np.tile(i, (N_SWEEPS, 1)))[0], v)


def test_voltage_and_current_are_inverse(fits):
    v, _ = voltage_at_current(fits, 1e-3)
    i, _ = current_at_voltage(fits, v)
    np.testing.assert_allclose(i, 1e-3, rtol=1e-9, atol=0)


def test_ideality_runs_from_the_second_exponential_to_the_first():
    rng = np.random.default_rng(22)
    fits = fit_sweeps(table(*(sweep(rng, IS_A=1e-14, N=1.0, ISR_A=5e-11, NR=2.0) for _ in range(100))), NOISE)
    n, u = ideality_against_current(fits, np.array([1e-9, 1e-2]))
    assert np.median(n[:, 0]) == pytest.approx(2.0, abs=0.05)
    assert np.median(n[:, 1]) == pytest.approx(1.0, abs=0.03)
    assert (u[np.isfinite(n)] > 0).all()


def test_ideality_of_one_exponential_is_n(fits):
    n, u = ideality_against_current(fits, 1e-3)
    np.testing.assert_allclose(n[:, 0], fits.value["N"], rtol=1e-9, atol=0)
    np.testing.assert_allclose(u[:, 0], fits.u["N"], rtol=1e-3, atol=0)


def test_paths_that_are_no_junction():
    rng = np.random.default_rng(23)
    v = np.linspace(-1, 1, 80)
    fits = fit_sweeps(table(noisy(v, v / 100, rng), noisy(v, 0 * v, rng), ([], [])), NOISE)
    assert [fits.model_name(k) for k in range(3)] == ["resistor", "open", "none"]
    value, u = voltage_at_current(fits, 1e-3)
    assert value[0] == pytest.approx(0.1, rel=0.01) and u[0] < 1e-3
    assert np.isnan(value[1:]).all() and np.isnan(u[1:]).all()
    amps, _ = current_at_voltage(fits, -5.0)
    assert amps[0] == pytest.approx(-0.05, rel=0.01) and abs(amps[1]) < 1e-9 and np.isnan(amps[2])
    assert np.isnan(ideality_against_current(fits, 1e-3)[0]).all()


def test_reverse_current_beyond_saturation_has_no_voltage():
    rng = np.random.default_rng(24)
    fits = fit_sweeps(table(sweep(rng, np.linspace(0.3, 0.75, 60), RSH_ohm=np.inf)), NOISE)
    v, _ = voltage_at_current(fits, np.array([1e-3, -1.0]))
    assert np.isfinite(v[0, 0]) and (np.isnan(v[0, 1]) or v[0, 1] < -100)


@pytest.mark.parametrize("temp_C", [5.0, 45.0])
def test_values_referred_to_25_degC(temp_C):
    """Hot and cold copies of one part give the same voltage at 25 degC, by the SPICE temperature law."""
    rng = np.random.default_rng(25)
    is_A = saturation_current(2e-14, temp_C, N=1.03)
    bag = table(*(sweep(rng, IS_A=is_A, temp_C=temp_C) for _ in range(60)), temp_C=[temp_C] * 60)
    fits = fit_sweeps(bag, NOISE)
    v, u = voltage_at_current_25C(fits, 1e-3)
    assert np.median(v) == pytest.approx(voltage(1e-3, **SILICON), abs=3e-4)
    assert np.median(u) == pytest.approx(0.5 * 2e-3, rel=0.4)  # half a kelvin of about 2 mV/K rules
    warm, _ = voltage_at_current(fits, 1e-3)
    inside = np.median(warm) - 1e-3 * SILICON["RS_ohm"]
    assert forward_voltage(inside, temp_C, 25.0) + 1e-3 * SILICON["RS_ohm"] == pytest.approx(
        np.median(v), abs=3e-4
    )


def test_unrecorded_temperature_widens_the_referred_value(bag):
    known = fit_sweeps(table((bag.v_V[:80], bag.i_A[:80]), temp_C=[25.0]), NOISE)
    unknown = fit_sweeps(table((bag.v_V[:80], bag.i_A[:80])), NOISE)
    u = [voltage_at_current_25C(f, 1e-3)[1][0, 0] for f in (known, unknown)]
    assert u[1] / u[0] == pytest.approx(10.0, rel=0.1)  # 5 K against 0.5 K
    assert u[1] == pytest.approx(5 * 2e-3, rel=0.25)


def test_predictions_and_residuals(bag, fits):
    v, i = bag.v_V[bag.points(3)], bag.i_A[bag.points(3)]
    model = current_at_voltage(fits, v)[0][3]
    back, _ = voltage_at_current(fits, model[-20:])
    np.testing.assert_allclose(back[3], v[-20:], rtol=1e-9, atol=0)
    r = sweep_plot(bag, fits, 3, NOISE).residual
    assert r.shape == v.shape and 0.6 < np.std(r) < 1.4
    assert np.sum(r**2) == pytest.approx(fits.chi2[3], rel=0.05)
    found = fit_sweeps(bag)
    assert 0.6 < np.std(sweep_plot(bag, found, 3).residual) < 1.4
    assert i.shape == model.shape


def test_residuals_are_nan_where_points_were_left_out():
    v, i = sweep(np.random.default_rng(26))
    i[10] = 1e-3
    one = table((v, i))
    fits = fit_sweeps(one, NOISE)
    r = sweep_plot(one, fits, 0, NOISE).residual
    assert np.isnan(r[10]) and np.isfinite(np.delete(r, 10)).all()


def test_no_fit_no_prediction():
    one = table(([0.5], [1e-3]))
    fits = fit_sweeps(one)
    plot = sweep_plot(one, fits, 0)
    assert not plot.i_fit_A.size and np.isnan(plot.residual).all()
