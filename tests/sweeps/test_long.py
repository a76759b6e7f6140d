"""Sweeps of very many points: their means give what all points give, and every point is accounted for."""

import numpy as np
import pytest

from junction.physics.junction import current
from junction.sweeps.long import MOST
from junction.sweeps.sense import Noise
from junction.sweeps.sweeps import fit_sweeps
from tests.sweeps.sweep_simulation import NOISE, SILICON, noisy, sweep, table

TRUTH = {"N": 1.03, "RS_ohm": 1.5, "RSH_ohm": 1e9}


def fitted(*sweeps, noise=None):
    # no error of temperature, which would hide what the points say
    return fit_sweeps(table(*sweeps, temp_C=[25.0] * len(sweeps)), noise, temp_u_K=(1e-6, 1e-6))


def inside(fits, name, truth):
    return (fits.low[name] <= truth) & (truth <= fits.high[name])


def test_intervals_hold_and_are_as_narrow_as_so_many_points_allow():
    rng = np.random.default_rng(3)
    v = np.linspace(-1.0, 0.75, 20_000)
    fits = fitted(*(sweep(rng, v) for _ in range(24)))
    assert np.all(fits.n_points == 20_000) and np.all(fits.n_used > 19_990)
    for name, truth in TRUTH.items():  # 24 of a true 95 %: under 20 is 1 in 200
        assert inside(fits, name, truth).sum() >= 20, name
    # fifty times 400 points: the width falls by the root, within a third
    few = fitted(*(sweep(rng, np.linspace(-1.0, 0.75, 400)) for _ in range(24)))
    for name in TRUTH:
        width, wide = (np.median(f.high[name] - f.low[name]) for f in (fits, few))
        assert width == pytest.approx(wide / 50**0.5, rel=0.33), name


def test_stated_noise_shrinks_with_the_means_where_it_rules():
    rng = np.random.default_rng(4)
    stated = fitted(sweep(rng, np.linspace(-1.0, 0.75, 200_000)), noise=NOISE)
    shunt = 1 / stated.low["RSH_ohm"][0] - 1 / stated.high["RSH_ohm"][0]
    # 114,000 reverse points of 1 nA with their voltages' root mean square of 0.58 V
    assert shunt < 6 * NOISE.i_floor_A / 0.58 / 114_000**0.5
    assert inside(stated, "N", 1.03)[0]


def test_the_order_of_the_log_does_not_matter():
    rng = np.random.default_rng(5)
    v, i = sweep(rng, np.linspace(-1.0, 0.75, 10_000))
    mixed, half = rng.permutation(v.size), v.size // 2
    ways = np.r_[np.arange(0, v.size, 2), np.arange(v.size - 1, 0, -2)]
    orders = (np.arange(v.size), mixed, np.argsort(-v), ways, np.r_[np.arange(half, v.size), np.arange(half)])
    fits = fitted(*((v[o], i[o]) for o in orders))
    assert not fits.flags["self_heated"].any()
    for name in TRUTH:
        assert np.all(inside(fits, name, np.median(fits.value[name]))), name
    assert np.all(fits.n_used > 9_990)


def test_a_steep_branch_in_a_long_reverse_sweep_is_not_averaged_away():
    """10,000 points from -200 V to 1 V leave 80 to the forward branch, 5 to a cell: four decades."""
    rng = np.random.default_rng(6)
    v = np.linspace(-200.0, 0.75, 10_000)
    fits = fitted(*(noisy(v, current(v, **SILICON | {"RSH_ohm": 1e10}), rng) for _ in range(6)))
    assert inside(fits, "N", 1.03).sum() >= 5 and inside(fits, "RS_ohm", 1.5).sum() >= 5


def test_wild_and_over_range_points_are_left_out_and_counted():
    rng = np.random.default_rng(7)
    v, i = sweep(rng, np.linspace(-1.0, 0.75, 8_000))
    wild, over = [500, 2500, 7000], [100, 101]
    spoilt = i.copy()
    spoilt[wild] += [1e-3, -2e-4, 5e-3]
    spoilt[over] = 9.9e37
    fits, clean = fitted((v, spoilt)), fitted((v, i))
    assert fits.flags["outliers"][0] and fits.flags["over_range"][0]
    assert not fits.used[wild].any() and not fits.used[over].any()
    assert fits.n_used[0] == fits.used.sum() >= 7_900
    left = {why: int(n[0]) for why, n in fits.left_out.items() if n[0]}
    assert sum(left.values()) + fits.n_used[0] == 8_000 and sorted(left.values())[0] == 2, left
    assert all(inside(fits, name, clean.value[name])[0] for name in TRUTH)


def test_paths_opens_and_source_limits_stay_what_they_are():
    rng = np.random.default_rng(8)
    v = np.linspace(-1.0, 1.0, MOST + 1000)
    noise = Noise(0.0, 3e-4, 0.0, 1e-9)
    short, none = noisy(v, v / 12.0, rng, noise), noisy(v, 0 * v, rng, noise)
    limited = sweep(rng, v)
    limited[1][:] = np.minimum(limited[1], 2e-3)
    fits = fitted(short, none, limited)
    assert [fits.model_name(k) for k in range(2)] == ["resistor", "open"]
    assert fits.low["R_ohm"][0] < 12.0 < fits.high["R_ohm"][0]
    assert fits.flags["current_limited"][2] and inside(fits, "N", 1.03)[2]
