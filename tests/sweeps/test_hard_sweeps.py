"""Sweeps as benches give them: rounded, sparse, half an accuracy stated, the temperature not quite known.

Every truth here is the one the sweep was simulated with.
"""

import numpy as np
import pytest

from junction.base.units import thermal_voltage
from junction.physics.junction import current, voltage
from junction.sweeps.derived import (
    current_at_voltage,
    dynamic_resistance,
    ideality_against_current,
    voltage_at_current,
    voltage_at_current_25C,
)
from junction.sweeps.sense import Noise, digit, first_guess
from junction.sweeps.sweeps import fit_sweeps
from tests.sweeps.sweep_simulation import noisy, table

#: A Zener diode logged by hand: four points forward, four around breakdown [V], [mA].
ZENER_V = np.array([0.60, 0.65, 0.70, 0.75, -11.0, -11.8, -12.05, -12.2])
ZENER_MA = np.array([0.02, 0.14, 1.0, 6.9, -0.0001, -1.0, -10.0, -20.0])
#: Six points, one of them on the curve: nothing can be said of a junction's parameters.
ONE_POINT_V = np.array([-5, -3.85, -2.7, -1.55, -0.4, 0.75])
ONE_POINT_A = np.array([-7.1e-11, 1.2e-9, -1.7e-9, 5.7e-10, 7.4e-10, 0.0141])


def covered(fits, name, truth):
    return (fits.low[name] <= truth) & (truth <= fits.high[name])


def rounded_sweeps(step_V, digit_A, seed, n=100):
    """Base-emitter sweeps with a shunt in programmed steps, currents rounded; and their shunts [ohm]."""
    rng = np.random.default_rng(seed)
    pairs, shunts = [], 10 ** rng.uniform(4.7, 6.3, n)
    for shunt in shunts:
        is_A, rs = 10 ** rng.uniform(-14.5, -11), 10 ** rng.uniform(-1, 0.5)
        v = np.arange(0, voltage(0.015, is_A, 1.0, rs, shunt), step_V)
        i = current(v, is_A, 1.0, rs, shunt)
        pairs.append((v, np.round(i / digit_A) * digit_A))
    return table(*pairs, temp_C=[25.0] * n), shunts


@pytest.mark.parametrize("step_V", [0.05, 0.02])
def test_a_shunt_hidden_by_rounding_is_within_its_limit(step_V):
    """Rounding hides half a digit at every reading of zero and does not average (JCGM 100:2008, F.2.2.1)."""
    bag, shunts = rounded_sweeps(step_V, 1e-5, seed=5)
    fits = fit_sweeps(bag)
    held = covered(fits, "RSH_ohm", shunts)
    assert held.mean() >= 0.95
    # and the limit is worth something: half a digit at the last reading of zero, or better
    limit = fits.low["RSH_ohm"][np.isnan(fits.value["RSH_ohm"])]
    assert limit.size > 20 and np.median(limit) > 4e4


def test_digit_of_a_sweep():
    i = np.array([[0.0, 1e-5, 3e-5, 2.07e-3], [1.234567e-9, 3.33e-5, 1e-3, 2.07e-3], [0, 0.1, 2.0, 3.7]])
    np.testing.assert_allclose(digit(i, np.ones_like(i, bool)), [1e-5, 0.0, 0.1], rtol=1e-12, atol=0)
    assert digit(np.zeros((1, 4)), np.ones((1, 4), bool)) == [0.0]


def test_a_few_points_invent_no_shunt():
    """Seven points with 3 nA of noise and no shunt at all: 95 % intervals, so some 5 in 100 may show one."""
    rng = np.random.default_rng(2)
    noise = Noise(0.0, 1e-4, 0.2, 3e-9)
    pairs = []
    for _ in range(200):
        is_A, n = 10 ** rng.uniform(-14, -11), rng.uniform(1, 1.8)
        v = np.linspace(0.2, 1.0, 7) * voltage(0.02, is_A, n, 0.5)
        pairs.append(noisy(v, current(v, is_A, n, 0.5), rng, noise))
    fits = fit_sweeps(table(*pairs, temp_C=[25.0] * 200))
    two_sided = np.isfinite(fits.value["RSH_ohm"])
    assert two_sided.mean() < 0.10
    assert fits.flags["zero_offset"].mean() < 0.10
    leaky = [noisy(v, current(v, 1e-13, 1.2, 0.5, 1e4), rng, noise) for _ in range(20)]
    fits = fit_sweeps(table(*leaky, temp_C=[25.0] * 20))
    assert np.isfinite(fits.value["RSH_ohm"]).all()  # 10 kohm, seen at most of them, is believed
    assert covered(fits, "RSH_ohm", 1e4).mean() >= 0.9


def stated_cases(scale, seed, n=60):
    """Ordinary diodes with a shunt under noise that has a floor, meters off by `scale` (voltage, current)."""
    rng = np.random.default_rng(seed)
    noise = Noise(0.0, 3e-4, 0.3, 5e-9)
    pairs, truth = [], {"IS_A": [], "N": [], "RS_ohm": [], "RSH_ohm": []}
    for _ in range(n):
        part = (10 ** rng.uniform(-14, -10), rng.uniform(1, 1.7), 10 ** rng.uniform(-1, 0.5),
                10 ** rng.uniform(3.5, 9))  # fmt: skip
        for values, x in zip(truth.values(), part, strict=True):
            values.append(x)
        v = np.r_[np.linspace(-3, 0, 15), np.linspace(0.02, voltage(0.05, *part), 45)]
        v_read, i_read = noisy(v, current(v, *part), rng, noise)
        gain = 1 + np.array(scale) / 100 / np.sqrt(3) * rng.normal(size=2)
        pairs.append((v_read * gain[0], i_read * gain[1]))
    return table(*pairs, temp_C=[25.0] * n), truth


@pytest.mark.parametrize("scale", [(0.0, 0.0), (0.4, 1.0)])
def test_an_accuracy_without_a_floor_leaves_a_diode_a_diode(scale):
    """Percentages alone give readings near zero no uncertainty; a floor is found, and a common error held."""
    bag, truth = stated_cases(scale, seed=8)
    fits = fit_sweeps(bag, Noise.from_accuracy(v_percent=0.4, i_percent=1.0), temp_u_K=(0.0, 0.0))
    names = [fits.model_name(k) for k in range(len(fits))]
    assert np.mean([name.startswith("junction") for name in names]) == 1.0
    assert fits.flags["poor_fit"].mean() < 0.1
    for name, values in truth.items():
        assert covered(fits, name, values).mean() >= 0.93, name


def test_a_floor_that_is_stated_stays_as_it_is():
    bag, _ = stated_cases((0.0, 0.0), seed=9, n=4)
    fits = fit_sweeps(bag, Noise.from_accuracy(0.1, 5e-4, 0.5, 1e-8))
    assert np.isnan(fits.noise[:, :2]).all()
    v = np.r_[np.linspace(-3, 0, 40), np.linspace(0.02, 0.7, 40)]
    clean = noisy(v, current(v, 1e-14, 1.0, 0.5), np.random.default_rng(10), Noise(0.0, 3e-4, 0.3, 5e-9))
    found = fit_sweeps(table(clean, temp_C=[25.0]), Noise.from_accuracy(0.1, 5e-4, 0.5))
    assert np.sqrt(found.noise[:, 0]) == pytest.approx(5e-9, rel=0.3) and np.isnan(found.noise[:, 1]).all()


def test_a_common_error_of_scale_does_not_average_out():
    """1 % of reading, one for all points: 0.58 % of the shunt, however many points there are."""
    v = np.linspace(-3, 0.7, 20_000)
    fits = fit_sweeps(table((v, current(v, 1e-12, 1.2, 0.5, 1e4)), temp_C=[25.0]),
                      Noise.from_accuracy(0.0, 1e-4, 1.0, 1e-9))  # fmt: skip
    assert fits.u["RSH_ohm"][0] / fits.value["RSH_ohm"][0] == pytest.approx(0.01 / 3**0.5, rel=0.03)


@pytest.mark.parametrize("recorded", [True, False])
def test_intervals_hold_the_temperature(recorded):
    """Junctions at 25 degC, the temperature noted wrong by its stated uncertainty or not noted at all."""
    rng = np.random.default_rng(11)
    n, u = 400, 0.5 if recorded else 5.0
    true_C = 25.0 + u * rng.normal(size=n)
    is_25, ideality, fine = 1e-13, 1.2, Noise(0.0, 1e-4, 0.1, 1e-10)
    pairs = []
    for temp in true_C:
        ratio, vt = (temp + 273.15) / 298.15, thermal_voltage(temp)
        # SPICE: IS(T) = IS (T/T0)^(XTI/N) exp(EG/(N VT) (T/T0 - 1))
        is_A = is_25 * ratio ** (3 / ideality) * np.exp(1.11 / (ideality * vt) * (ratio - 1))
        v = np.linspace(0.3, 0.75, 40)
        pairs.append(noisy(v, current(v, is_A, ideality, 0.2, temp_C=temp), rng, fine))
    bag = table(*pairs, temp_C=[25.0 if recorded else np.nan] * n)
    fits = fit_sweeps(bag, fine)
    for name, truth in (("N", ideality), ("IS_A", is_25)):
        # 400 sweeps: standard deviation 1.1 %
        assert 0.92 <= covered(fits, name, truth).mean() <= 0.985, name
    exact = fit_sweeps(bag, fine, temp_u_K=(0.0, 0.0))
    assert covered(exact, "N", ideality).mean() < 0.7  # the temperature is what makes the difference
    # the curve as it was measured does not depend on it
    np.testing.assert_array_equal(exact.theta_covariance, fits.theta_covariance)


def test_what_the_points_cannot_hold_is_no_value():
    fits = fit_sweeps(table((ONE_POINT_V, ONE_POINT_A), temp_C=[25.0]))
    for name in ("IS_A", "N"):
        assert np.isnan(fits.value[name][0]) and not np.isfinite(fits.u[name][0])
        assert not (np.isfinite(fits.low[name][0]) and np.isfinite(fits.high[name][0]))
    top = fits.high["IS_A"]
    assert not np.any(np.isfinite(top) & (top > 1e6))


def test_two_diodes_back_to_back_are_no_junction_of_1e_minus_100_A():
    v = np.linspace(-0.75, 0.75, 60)
    i = current(v, 1e-14, 1.0, 0.5) - current(-v, 1e-14, 1.0, 0.5)
    fits = fit_sweeps(table((v, i), temp_C=[25.0]))
    assert np.isnan(fits.value["IS_A"][0]) and fits.flags["unphysical"][0] and fits.flags["poor_fit"][0]


def test_a_sparse_zener_log_is_a_junction_with_breakdown():
    fits = fit_sweeps(table((ZENER_V, ZENER_MA * 1e-3), temp_C=[25.0]))
    assert "breakdown" in fits.model_name(0) and not fits.flags["at_bound"][0]
    assert not fits.flags["poor_fit"][0]
    # 1 mA was read at -11.8 V, 10 mA at -12.05 V
    assert fits.low["BV_V"][0] <= 11.8 <= fits.high["BV_V"][0] and fits.u["BV_V"][0] < 0.3
    # the least readings are not noise: 0.1 uA at -11 V leaves no path under 1 Mohm by much
    assert not fits.value["RSH_ohm"][0] < 1e6


def test_sparse_points_do_not_make_noise():
    """Second differences of eight points over five decades are the curve's, 2.6 mA of them."""
    order = np.argsort(ZENER_V)
    v, i = ZENER_V[order][None], ZENER_MA[order][None] * 1e-3
    assert first_guess(v, i, np.ones_like(v, bool))[0, 0] < (1e-4) ** 2


def test_a_fit_out_of_all_bounds_warns_nobody():
    """Derived values of fits that hold nothing: pytest turns any floating-point warning into an error."""
    fits = fit_sweeps(table((ONE_POINT_V, ONE_POINT_A), temp_C=[25.0]))
    for function in (voltage_at_current_25C, dynamic_resistance, ideality_against_current):
        function(fits, 1e-3)
    current_at_voltage(fits, np.array([-5.0, 5.0]))


def two_passes(shift_V, seed=21):
    """A sweep logged twice under one tag, the second `shift_V` beside the first."""
    rng = np.random.default_rng(seed)
    v = np.linspace(-2, 0.7, 50)
    noise = Noise(0.0, 1e-4, 0.3, 1e-9)
    passes = [noisy(v + dv, current(v, 1e-13, 1.0, 0.5), rng, noise) for dv in (0.0, shift_V)]
    return np.concatenate([p[0] for p in passes]), np.concatenate([p[1] for p in passes])


@pytest.mark.parametrize("turned", [False, True])
def test_passes_that_contradict_each_other_are_not_averaged(turned):
    """20 mV apart, as another part or 10 K would be: the interval of the voltage must hold both passes."""
    pair = two_passes(0.02)
    if turned:  # logged from the top down
        pair = tuple(np.concatenate([a[49::-1], a[:49:-1]]) for a in pair)
    fits = fit_sweeps(table(pair, two_passes(0.0), temp_C=[25.0] * 2))
    assert fits.flags["poor_fit"].tolist() == [True, False]
    v, u = voltage_at_current(fits, 1e-3)
    truth = voltage(1e-3, 1e-13, 1.0, 0.5)
    assert abs(truth - v[0]) < 1.96 * u[0] and abs(truth + 0.02 - v[0]) < 1.96 * u[0]
    assert u[1] < 2e-4 and abs(truth - v[1]) < 1e-3
