"""Breakdown from 3 V to 2 kV, of many points and of one; currents by bisection, not by the fit."""

import numpy as np
import pytest

from junction.sweeps.derived import breakdown_at
from junction.sweeps.sense import Noise
from junction.sweeps.sweeps import fit_sweeps
from tests.tables import sweep_table

VT = 8.617333262e-5 * 298.15


def carried(x, p):
    """Current at a junction voltage; the leak is added at the terminals."""
    reverse = 1e-3 * np.exp(np.clip(-(x + p["bv"]) / p["w"], -700, 300))
    return p["is"] * np.expm1(np.minimum(x / (p["n"] * VT), 300)) - reverse


def bisect(above, low, high):
    """Where `above` turns true."""
    for _ in range(65):
        middle = 0.5 * (low + high)
        low, high = np.where(above(middle), low, middle), np.where(above(middle), middle, high)
    return 0.5 * (low + high)


def resistance(v, p):
    return np.where(v < 0, p["rz"], p["rs"])


def current_at(v, p):
    """Terminal current at terminal voltages."""
    r = resistance(v, p)
    x = bisect(lambda x: x + r * carried(x, p) > v, np.minimum(v, 0.0), np.maximum(v, 0.0))
    flat = np.abs(v - x) <= 1e-6 * np.abs(v)  # there the drop loses its digits
    return np.where(flat, carried(x, p), (v - x) / r) + v / p["leak"]


def voltage_at(i, p):
    """Reverse voltage without its sign at a reverse current."""
    def terminal(x):
        return x + p["rz"] * carried(x, p)

    def above(x):
        return carried(x, p) + terminal(x) / p["leak"] > -np.asarray(i, float)

    return -terminal(bisect(above, np.full(np.shape(i), -2.0 * p["bv"] - 5), np.zeros(np.shape(i))))


def draw(rng, bv=None):
    """A part of 3 V to 2 kV: knees from sharp to soft, leaks, resistances that differ on the two sides."""
    bv = np.exp(rng.uniform(np.log(3), np.log(2000))) if bv is None else bv
    top = 10 ** (rng.uniform(-3, -1.5) if bv < 100 else rng.uniform(-3.6, -2.3))
    widest = 0.3 if bv < 8 else 0.05 + 0.004 * bv
    return {
        "bv": bv, "w": np.exp(rng.uniform(np.log(0.025), np.log(widest))), "top": top,
        "rz": bv / top * 10 ** rng.uniform(-3.5, -1.5), "rs": 10 ** rng.uniform(-0.5, 0.7),
        "is": 10 ** rng.uniform(-15, -11), "n": rng.uniform(1, 1.3), "leak": bv / 10 ** rng.uniform(-9, -6.5),
    }  # fmt: skip


def logged(rng, p, v):
    """What an instrument of 0.2 mV and 1e-5 of its range, some 0.1 % and 1 nA writes down."""
    i = current_at(v, p)
    u_v, u_i = 2e-4 + 1e-5 * p["bv"], np.hypot(1e-9, 10 ** rng.uniform(-3.3, -2) * i)
    return v + u_v * rng.normal(size=v.size), i + u_i * rng.normal(size=v.size)


def grid(rng, p, points, forward=True):
    """A forward third, and a reverse part of stepped currents or of two ramps."""
    third = points // 3 if forward else 0
    up = np.linspace(0.3, 0.75, third)
    deepest = voltage_at([p["top"]], p)[0]
    if rng.random() < 0.5:
        steps = np.geomspace(max(1e-7, 3 * p["bv"] / p["leak"]), p["top"], points - third - 5)
        return np.concatenate([-voltage_at(steps, p), -np.linspace(0.1, 0.9, 5) * p["bv"], up])
    coarse = np.linspace(0, 0.9 * deepest, (points - third) // 3)
    fine = np.linspace(0.9 * deepest, deepest, points - third - coarse.size + 1)[1:]
    return np.concatenate([-coarse, -fine, up])


def drawn(seed, n, points, forward=True):
    rng = np.random.default_rng(seed)
    parts = [draw(rng) for _ in range(n)]
    sweeps = [logged(rng, p, np.sort(grid(rng, p, points, forward))) for p in parts]
    return parts, fitted(sweeps)


def fitted(sweeps, noise=None):
    n = len(sweeps)
    v, i = zip(*sweeps, strict=True)
    return fit_sweeps(sweep_table([f"Z{k}" for k in range(n)], ["AK"] * n, v, i, np.full(n, 25.0)), noise)


def held(fits, parts):
    """Shares of the parts with a breakdown voltage, and of those whose interval holds it."""
    truth = np.array([p["bv"] for p in parts])
    seen = np.isfinite(fits.value["BV_V"])
    inside = (fits.low["BV_V"] <= truth) & (truth <= fits.high["BV_V"])
    return seen.mean(), inside[seen].mean()


def test_breakdown_from_3_V_to_2_kV():
    """120 parts of 80 points: a true 95 % has a binomial standard deviation of 2 %."""
    parts, fits = drawn(5, 120, 80)
    seen, inside = held(fits, parts)
    assert seen >= 0.98 and 0.91 <= inside <= 0.99
    amps = np.array([p["top"] / 3 for p in parts])
    v, low, high, r = breakdown_at(fits, amps)
    truth = np.array([voltage_at([a], p)[0] for a, p in zip(amps, parts, strict=True)])
    slope = np.array([np.diff(voltage_at([0.99 * a, 1.01 * a], p))[0] / (0.02 * a)
                      for a, p in zip(amps, parts, strict=True)])  # fmt: skip
    there = np.isfinite(v)
    assert np.mean((low <= truth) & (truth <= high), where=there) >= 0.91
    # the dynamic resistance of nine in ten to 3 %: both sides have some fifty points
    assert np.nanquantile(np.abs(r / slope - 1), 0.9) < 0.03


def test_a_few_points_say_less_and_say_so():
    """Twelve points, of which one to three lie on the branch in most: wide intervals, but intervals."""
    parts, fits = drawn(6, 80, 12)
    seen, inside = held(fits, parts)
    assert seen >= 0.95 and inside >= 0.93


@pytest.mark.parametrize("bv", [4.0, 10.0, 130.0, 1200.0])
def test_one_point_on_the_branch_is_a_breakdown_and_not_wild(bv):
    rng = np.random.default_rng(7)
    p = {"bv": bv, "w": 0.03 + 1e-3 * bv, "rz": 0.005 * bv / 5e-3, "rs": 1.0, "is": 1e-14, "n": 1.05,
         "leak": 1e10}  # fmt: skip
    step = 0.06 * bv
    v = np.concatenate([-np.arange(voltage_at([5e-3], p)[0], 0, -step), np.linspace(0.1, 0.75, 40)])
    fits = fitted([logged(rng, p, np.sort(v))])
    assert "breakdown" in fits.model_name(0) and fits.n_used[0] >= v.size - 1
    assert not fits.flags["outliers"][0] and not fits.flags["poor_fit"][0]
    value, low, high, _ = (x[0] for x in breakdown_at(fits, 5e-3))
    assert low <= voltage_at([5e-3], p)[0] <= high
    # never wider than the step that was logged
    assert fits.low["BV_V"][0] <= bv <= fits.high["BV_V"][0] and fits.u["BV_V"][0] < step
    assert fits.low["N"][0] <= 1.05 <= fits.high["N"][0]


def test_a_rectifier_that_carries_1_mA_at_its_last_reverse_point():
    """Case s3: 5 nA up to -180 V, 1.0 mA at -200 V."""
    rng = np.random.default_rng(8)
    forward = np.linspace(0.3, 0.8, 40)
    p = {"bv": 1e5, "w": 1.0, "rz": 1.0, "rs": 0.05, "is": 1e-9, "n": 1.8, "leak": 1e12}
    v = np.concatenate([np.arange(-200.0, 0, 20), forward])
    i = current_at(v, p) - np.where(v < 0, 5e-9, 0.0) * (1 + 0.05 * rng.normal(size=v.size))
    i[0] = -1.0e-3
    for noise in (None, Noise(0.0, 1e-3, 0.5, 1e-9)):
        fits = fitted([(v, i)], noise)
        assert not fits.flags["outliers"][0] and fits.used.all()
        v_z, low, high, _ = (x[0] for x in breakdown_at(fits, 1e-3))
        assert low <= 200 <= high and v_z == pytest.approx(200, abs=0.1) and high - low < 1
        assert 180 <= fits.low["BV_V"][0] <= 200 <= fits.high["BV_V"][0] <= 205


def test_leak_and_breakdown_in_one_sweep():
    """A path of 2 kohm that carries more than the branch at most points: both are found."""
    rng = np.random.default_rng(9)
    p = {"bv": 9.1, "w": 0.06, "rz": 12.0, "rs": 2.0, "is": 1e-14, "n": 1.05, "leak": 2e3}
    v = np.concatenate([np.linspace(-9.6, -8, 30), np.linspace(-7.5, 0.8, 50)])
    fits = fitted([logged(rng, p, v)])
    for name, truth in (("BV_V", 9.1), ("RSH_ohm", 2e3), ("RZ_ohm", 12.0), ("RS_ohm", 2.0)):
        assert fits.low[name][0] <= truth <= fits.high[name][0], name


@pytest.mark.parametrize("bv", [5.1, 10.0, 130.0])
def test_a_limit_from_the_first_point_on_brackets_the_breakdown(bv):
    """The source limits at 5 mA before one point of a sharp branch was logged: it lies between two steps."""
    rng = np.random.default_rng(10)
    p = {"bv": bv, "w": 0.026, "rz": 2.0, "rs": 1.0, "is": 1e-14, "n": 1.05, "leak": 1e10}
    v = np.concatenate([-np.arange(0.05, 1.3, 0.06)[::-1] * bv, np.linspace(0.1, 0.7, 40)])
    v, i = logged(rng, p, v)
    i = np.clip(i, -5e-3, 5e-3)
    fits = fitted([(v, i)])
    value, low, high, _ = (x[0] for x in breakdown_at(fits, 5e-3))
    assert low <= voltage_at([5e-3], p)[0] <= high and high - low < 0.2 * bv
    assert fits.low["BV_V"][0] <= bv <= fits.high["BV_V"][0]
    # a path that runs into the limit on both sides is a path
    both = fitted([(np.linspace(-5, 5, 50), np.clip(np.linspace(-5, 5, 50) / 200, -5e-3, 5e-3))])
    assert both.model_name(0) == "resistor" and both.value["R_ohm"][0] == pytest.approx(200, rel=0.01)
