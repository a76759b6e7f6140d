"""What the estimator sees in the points themselves, one test per flag that makes it true."""

import numpy as np
import pytest

from junction.physics.junction import current, voltage
from junction.physics.temperature import forward_voltage
from junction.sweeps import sweeps
from junction.sweeps.derived import voltage_at_current
from junction.sweeps.sense import Noise
from junction.sweeps.sweeps import fit_sweeps
from tests.sweeps.sweep_simulation import NOISE, SILICON, driven, noisy, sweep, table

V = np.linspace(-1, 0.75, 80)


def both(*sweeps, **kw):
    """The same table fitted with stated noise and with noise found."""
    bag = table(*sweeps, **kw)
    return fit_sweeps(bag, NOISE), fit_sweeps(bag)


def holds(fits, k=0, **truth):
    return all(fits.low[n][k] <= t <= fits.high[n][k] for n, t in truth.items())


def test_a_good_sweep_raises_no_flag():
    for fits in both(sweep(np.random.default_rng(1))):
        raised = [name for name, flag in fits.flags.items() if flag[0]]
        assert raised == ["converged", "uncertainty_known"]


@pytest.mark.parametrize("seed", range(5))
def test_current_limit_of_the_source(seed):
    """The source stops at 5 mA; v goes on rising as programmed."""
    rng = np.random.default_rng(seed)
    i = np.minimum(current(V, **SILICON), 5e-3)
    v = V + 3e-4 * rng.normal(size=80)
    limited = (v, i * (1 + 5e-4 * rng.normal(size=80)) + 1e-9 * rng.normal(size=80))
    for fits in both(limited):
        assert fits.flags["current_limited"][0]
        assert not fits.used[i == 5e-3].any() and fits.used[i < 2e-3].all()
        assert holds(fits, N=1.03) and not fits.flags["poor_fit"][0]


def test_current_limit_where_the_voltage_falls_back():
    rng = np.random.default_rng(3)
    i = np.minimum(current(V, **SILICON), 5e-3)
    v = V.copy()
    v[i == 5e-3] = np.linspace(0.69, 0.6, (i == 5e-3).sum())
    for fits in both((v + 3e-4 * rng.normal(size=80), i + 1e-9 * rng.normal(size=80))):
        assert fits.flags["current_limited"][0] and holds(fits, N=1.03)


def test_a_short_at_the_limit_is_still_a_short():
    rng = np.random.default_rng(4)
    v = np.linspace(0, 1, 60)
    i = np.minimum(v / 2.0, 0.1)
    for fits in both((v + 3e-4 * rng.normal(size=60), i * (1 + 1e-4 * rng.normal(size=60)))):
        assert (
            fits.flags["current_limited"][0] and fits.model_name(0) == "resistor" and holds(fits, R_ohm=2.0)
        )


def test_saturation_light_and_rounding_are_no_limit():
    rng = np.random.default_rng(5)
    germanium = sweep(rng, np.linspace(-5, 0.3, 80), IS_A=5e-6, N=1.1, RSH_ohm=1e8)
    lit = sweep(rng, IPH_A=1e-3)
    resistor = noisy(V, V / 100, rng)
    stepped = driven(rng, np.repeat(np.geomspace(1e-6, 1e-2, 20), 4))
    for fits in both(germanium, lit, resistor, stepped):
        assert not fits.flags["current_limited"].any()


def test_over_range_marks_are_left_out():
    v, i = sweep(np.random.default_rng(6))
    i[-3:] = 9.91e37
    i[5] = np.inf
    for fits in both((v, i)):
        assert fits.flags["over_range"][0]
        assert fits.n_used[0] == 76 and not fits.used[[5, 77, 78, 79]].any()
        assert holds(fits, N=1.03)


def test_missing_values_are_left_out_without_an_alarm():
    v, i = sweep(np.random.default_rng(7))
    v[10], i[20] = np.nan, np.nan
    for fits in both((v, i)):
        assert fits.n_used[0] == 78 and not fits.flags["over_range"][0]


@pytest.mark.parametrize("seed", range(4))
def test_offset_of_the_ammeter(seed):
    v, i = sweep(np.random.default_rng(seed))
    for fits in both((v, i + 2e-7)):
        assert fits.flags["zero_offset"][0]
        assert holds(fits, I0_A=2e-7, N=1.03)
        assert fits.model_name(0) in ("junction", "junction + shunt")


@pytest.mark.parametrize("seed", range(4))
def test_wild_points_are_left_out(seed):
    rng = np.random.default_rng(seed)
    v, i = sweep(rng)
    i[[12, 70]] = [3e-4, i[70] * 1.5]
    for fits in both((v, i)):
        assert fits.flags["outliers"][0]
        assert np.flatnonzero(~fits.used).tolist() == [12, 70]
        assert holds(fits, N=1.03, IS_A=2e-14)


def test_range_change_step_is_seen():
    """One range reads 4 % high: every current over 100 uA."""
    rng = np.random.default_rng(8)
    v, i = driven(rng, np.geomspace(1e-6, 1e-2, 80), Noise(0, 5e-5, 0.05, 1e-10))
    i = np.where(i > 1e-4, 1.04 * i, i)
    fits = fit_sweeps(table((v, i)), Noise(0, 5e-5, 0.05, 1e-10))
    assert fits.flags["range_step"][0] and fits.flags["poor_fit"][0]


def heated(rng, rise_K, n=40):
    """Up quickly at 25 degC, and back down with the junction `rise_K` warmer."""
    i = np.geomspace(1e-5, 2e-2, n)
    up = voltage(i, **SILICON)
    junction_up = up - i * SILICON["RS_ohm"]
    down = forward_voltage(junction_up, 25.0, 25.0 + rise_K) + i * SILICON["RS_ohm"]
    v, i = np.concatenate([up, down[::-1]]), np.concatenate([i, i[::-1]])
    return noisy(v, i, rng)


@pytest.mark.parametrize("rise", [3.0, 12.0, 30.0])
def test_self_heating_is_seen_and_measured(rise):
    for fits in both(heated(np.random.default_rng(9), rise), temp_C=[25.0]):
        assert fits.flags["self_heated"][0]
        # 40 points of 1 mV effective scatter against 2 mV/K: about 0.1 K
        assert fits.heating_K[0] == pytest.approx(rise, rel=0.05, abs=0.3)
        assert fits.n_used[0] == 40 and fits.used[:40].all()
        assert holds(fits, N=1.03, IS_A=2e-14)


def test_up_and_down_that_agree_are_one_sweep():
    for fits in both(heated(np.random.default_rng(10), 0.0)):
        assert not fits.flags["self_heated"][0] and np.isnan(fits.heating_K[0])
        assert fits.n_used[0] == 80 and holds(fits, N=1.03)


def test_noise_floor_with_negative_currents():
    rng = np.random.default_rng(11)
    noise = Noise(0, 3e-4, 0.3, 1e-6)
    v = np.linspace(0, 0.75, 80)
    bag = table(*(sweep(rng, v, noise) for _ in range(50)))
    for fits in (fit_sweeps(bag, noise), fit_sweeps(bag)):
        assert all(fits.model_name(k) in ("junction", "junction + shunt") for k in range(50))
        assert np.median(fits.value["N"]) == pytest.approx(1.03, rel=0.01)


def test_log_grid_and_linear_grid_agree():
    rng = np.random.default_rng(12)
    log, linear = driven(rng, np.geomspace(1e-7, 2e-2, 80)), sweep(rng)
    fits = fit_sweeps(table(log, linear), NOISE)
    assert holds(fits, 0, IS_A=2e-14, N=1.03) and holds(fits, 1, IS_A=2e-14, N=1.03)


def test_turned_signs_are_passed_on():
    from dataclasses import replace

    bag = table(sweep(np.random.default_rng(13)))
    assert fit_sweeps(replace(bag, reversed_sign=np.array([True])), NOISE).flags["reversed"][0]


def test_not_converged_and_poor_fit():
    """Points that follow no junction at all."""
    v = np.linspace(-1, 1, 60)
    fits = fit_sweeps(table((v, 1e-3 * np.sin(9 * v))), NOISE)
    assert fits.flags["poor_fit"][0] or fits.why_not[0]


def test_negative_series_resistance_is_unphysical_and_never_a_number():
    """A junction that heats during a slow one-way sweep: its curve bends the wrong way."""
    rng = np.random.default_rng(14)
    i = np.geomspace(1e-5, 0.1, 60)
    v = voltage(i, **SILICON | {"RS_ohm": 0.05})
    v = forward_voltage(v - 0.05 * i, 25.0, 25.0 + 300 * i * v) + 0.05 * i
    for fits in both(noisy(v, i, rng)):
        assert fits.flags["unphysical"][0]
        assert np.isnan(fits.value["RS_ohm"][0])


def test_ideality_under_one_is_unphysical():
    fits = fit_sweeps(table(sweep(np.random.default_rng(15), N=0.7, IS_A=1e-20)), NOISE)
    assert fits.flags["unphysical"][0]


def test_at_bound():
    """An ideality of 0.4, against all physics: every such sweep stands at the fit's limit of 0.5."""
    v = np.linspace(0.2, 0.6, 60)
    i, rngs = current(v, 1e-26, 0.4), [np.random.default_rng([17, k]) for k in range(12)]
    fits = fit_sweeps(table(*(noisy(v, i, rng) for rng in rngs)), NOISE)
    assert fits.flags["at_bound"].all() and fits.flags["unphysical"].all()
    assert np.isnan(fits.value["N"]).all() and (fits.theta[:, 1] == 2.0).all()  # a limit is no value
    assert (fits.low["N"] == -np.inf).all() and (fits.high["N"] > 0.5).all()


def test_rank_deficient():
    """The same two points ten times cannot tell IS, N and RS apart.

    The choice of model then takes IS and N alone; asked for all three, the flag goes up and the sweep has
    no known uncertainty.
    """
    v = np.repeat([0.55, 0.65], 10)
    i = current(v, **SILICON)
    assert not fit_sweeps(table((v, i)), NOISE).flags["rank_deficient"][0]
    real = sweeps.choose

    def insist(part, **kw):
        out = real(part, **kw)
        start = np.tile([-31.0, 1, 1, 0, 0, 0, 0, 0, 0], (len(part.v), 1))
        part.store("bare", part.fit("bare", start))
        return out

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sweeps, "choose", insist)
        fits = fit_sweeps(table((v, i)), NOISE)
    assert fits.flags["rank_deficient"][0]
    assert not fits.flags["uncertainty_known"][0]


def test_uncertainty_is_unknown_without_degrees_of_freedom():
    fits = fit_sweeps(table(([0.1, 0.2], [1e-3, 2e-3])))
    assert fits.flags["uncertainty_known"].tolist() == [True]
    exact = fit_sweeps(table(([0.0, 0.2], [0.0, 2e-3])))
    assert exact.dof[0] == 1


def test_a_short_that_holds_the_source_at_its_limit_is_bounded():
    """Both ways the source stops at 40 mA; what it was asked for says nothing of the voltage."""
    rng = np.random.default_rng(51)
    v = np.concatenate([np.linspace(-14, -0.7, 20), np.linspace(0, 0.5, 21)])
    i = np.clip(v / 0.1, -0.04, 0.04) * (1 + 2e-3 * rng.normal(size=41))
    for fits in both((np.round(v, 3), i)):
        assert fits.flags["current_limited"][0] and fits.model_name(0) == "resistor"
        assert np.isnan(fits.value["R_ohm"][0]) and np.isneginf(fits.low["R_ohm"][0])
        # the limit is reached at the first forward point, 25 mV: at most 26 mV/40 mA
        assert 0.1 < fits.high["R_ohm"][0] < 0.7


def test_current_at_no_voltage_is_a_short():
    for fits in both(([0.0] * 6, [1e-3, 5e-3, 1e-2, 2e-2, 5e-2, 0.1])):
        assert fits.model_name(0) == "resistor" and fits.high["R_ohm"][0] == pytest.approx(0.01)


def test_an_early_limit_of_a_junction_is_no_short():
    """A coarse sweep of a diode whose second forward point is at the limit already; reverse is free."""
    v = np.concatenate([np.linspace(-5, -0.5, 10), np.linspace(0, 3, 7)])
    i = np.clip(current(v, **SILICON), -0.01, 0.01)
    for fits in both((v, i)):
        assert fits.flags["current_limited"][0]
        assert not (fits.model_name(0) == "resistor" and fits.high["R_ohm"][0] < 1000)


def test_rounded_readings_of_an_open_are_an_open():
    rng = np.random.default_rng(52)
    v = np.round(np.linspace(-20, 2, 90), 3)
    i = 2e-7 * np.round(rng.normal(-0.2, 0.9, 90))
    fits = fit_sweeps(table((v, i)))
    assert fits.model_name(0) == "open"
    assert fits.low["R_ohm"][0] > 1e7


def test_a_voltage_written_to_the_millivolt_is_no_better_than_that():
    """JCGM 100:2008, F.2.2.1: a step d hides a standard uncertainty of d/sqrt(12)."""
    v, i = driven(np.random.default_rng(53), np.geomspace(1e-5, 1e-2, 60), Noise(0, 1e-6, 0.01, 1e-12))
    fits = fit_sweeps(table((v, i), (np.round(v, 3), i)))
    assert fits.noise[0, 1] ** 0.5 < 1e-4
    assert fits.noise[1, 1] ** 0.5 >= 0.99e-3 / np.sqrt(12)
    assert fits.u["N"][1] > 2 * fits.u["N"][0]


def test_points_left_out_are_counted_with_why():
    """20 at the limit, one over-range, one spike: all that was read is used or counted."""
    rng = np.random.default_rng(12)
    v, i = sweep(rng, np.linspace(-1, 0.78, 80))
    i = np.minimum(i, 8e-3) * (1 + 2e-4 * rng.normal(size=80))
    i[20], i[72] = 9.91e37, 1.5 * i[72]
    for fits in both((v, i)):
        count = {why: n[0] for why, n in fits.left_out.items() if n[0]}
        assert count == {"over_range": 1, "wild": 1, "current_limit": (i[:80] > 7.9e-3).sum() - 1}
        assert sum(count.values()) + fits.n_used[0] == fits.n_points[0] == 80


@pytest.mark.parametrize("points", [1000, 10_000])
def test_points_left_out_of_a_long_sweep_are_counted_too(points):
    v, i = sweep(np.random.default_rng(1), np.linspace(-1, 0.78, points))
    held = i > 8e-3
    i = np.minimum(i, 8e-3)
    i[5], i[7] = 9.91e37, np.nan
    fits = fit_sweeps(table((v, i)))
    count = {why: n[0] for why, n in fits.left_out.items()}
    assert count["missing"] == count["over_range"] == 1
    # a mean of five points may hold some of both
    assert count["current_limit"] == pytest.approx(held.sum(), abs=5)
    assert sum(count.values()) + fits.n_used[0] == points


@pytest.mark.parametrize("points", [8, 12, 20, 80])
@pytest.mark.parametrize("share", [0.25, 0.5])
@pytest.mark.parametrize("read_back", [False, True])
def test_the_limit_is_seen_in_few_points_and_in_half_of_them(points, share, read_back):
    """Programmed voltages go on; read back, they fall as the part warms: then the warming is told as well."""
    rng = np.random.default_rng(13)
    held = max(3 if read_back else 2, round(share * points))
    i = np.append(np.geomspace(1e-5, 7e-3, points - held), np.full(held, 1e-2))
    v = voltage(i, **SILICON)
    if read_back:
        inside = v[-held:] - i[-held:] * SILICON["RS_ohm"]
        v[-held:] += forward_voltage(inside, 25.0, 25.0 + np.linspace(0, 30, held)) - inside
    else:
        v[-held:] += np.linspace(0, 0.4, held)
    v, i = v + 3e-4 * rng.normal(size=points), i * (1 + 3e-4 * rng.normal(size=points))
    fits = fit_sweeps(table((v, i)))
    assert fits.left_out["current_limit"][0] >= held - 1 and fits.flags["current_limited"][0]
    if points - held >= 5:
        assert not fits.flags["poor_fit"][0] and holds(fits, N=1.03)
    if points >= 12:
        assert fits.flags["self_heated"][0] == read_back
        # the drop in RS is taken for the junction's, which makes 1 % of a kelvin; 0.3 mV of scatter 0.2 K
        assert not read_back or fits.heating_K[0] == pytest.approx(30, abs=2)


@pytest.mark.parametrize("scale, told", [(1.0, False), (0.985, False), (0.94, True)])
def test_an_ideality_that_no_junction_has(scale, told):
    """A voltmeter 6 % low makes N 0.94 of a junction of N 1; the true voltage stays inside the interval."""
    rng = np.random.default_rng(14)
    i = np.geomspace(1e-7, 2e-2, 80)
    v, i = driven(rng, i, N=1.0)
    fits = fit_sweeps(table((scale * v, i), temp_C=[25.0]))
    assert fits.flags["n_impossible"][0] == told and not fits.flags["unphysical"][0]
    if told:
        value, u = (x[0, 0] for x in voltage_at_current(fits, 1e-3))
        true = voltage(np.array([1e-3]), **SILICON | {"N": 1.0})[0]
        assert abs(true - value) < 2 * u and u < 0.05


@pytest.mark.parametrize("top_A, told", [(3e-3, False), (0.3, True)])
def test_what_a_slow_sweep_may_have_warmed(top_A, told):
    """0.3 A at 1 V warm a small part by far more than a fit can take; 2 mW do not."""
    rng = np.random.default_rng(15)
    once = driven(rng, np.geomspace(1e-6, top_A, 60), RS_ohm=0.3)
    assert fit_sweeps(table(once)).flags["may_warm"][0] == told
    way = np.geomspace(1e-6, top_A, 40)  # two ways that agree show that it did not warm
    assert not fit_sweeps(table(driven(rng, np.append(way, way[::-1]), RS_ohm=0.3))).flags["may_warm"][0]
