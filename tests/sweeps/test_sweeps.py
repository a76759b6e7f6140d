"""Fits of whole tables: every kind of path comes out as itself, alone or in company."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from junction.base.records import SweepTable
from junction.sweeps.results import FLAGS, MODELS, PARAMETERS
from junction.sweeps.sweeps import fit_sweeps, ladder
from tests.sweeps.sweep_simulation import NOISE, driven, noisy, sweep, table

FORWARD = np.linspace(0, 0.75, 60)
BOTH = np.concatenate([np.linspace(-8.6, -0.1, 50), FORWARD])
V, ZERO = np.linspace(-1, 0.75, 80), np.zeros(80)

#: name -> (how to simulate it, models that are right, parameters that must be held within their intervals)
KINDS = {
    "good silicon": (
        lambda g: sweep(g),
        {"junction", "junction + shunt"},
        {"IS_A": 2e-14, "N": 1.03, "RS_ohm": 1.5},
    ),
    "leaky silicon": (
        lambda g: sweep(g, RSH_ohm=3e4),
        {"junction + shunt"},
        {"N": 1.03, "RSH_ohm": 3e4},
    ),
    "Schottky": (
        lambda g: sweep(g, np.linspace(-5, 0.4, 80), IS_A=1e-7, N=1.05, RS_ohm=0.2, RSH_ohm=1e6),
        {"junction + shunt"},
        {"IS_A": 1e-7, "N": 1.05, "RSH_ohm": 1e6},
    ),
    "germanium": (
        lambda g: sweep(g, np.linspace(-2, 0.35, 80), IS_A=2e-6, N=1.1, RS_ohm=2, RSH_ohm=1e5),
        {"junction + shunt"},
        {"IS_A": 2e-6, "N": 1.1, "RS_ohm": 2.0, "RSH_ohm": 1e5},
    ),
    "rectifier": (
        lambda g: driven(g, np.geomspace(1e-6, 1, 60), IS_A=3e-9, N=1.8, RS_ohm=0.04),
        {"junction", "junction + shunt"},
        {"IS_A": 3e-9, "N": 1.8, "RS_ohm": 0.04},
    ),
    "LED": (
        lambda g: sweep(g, np.linspace(-5, 3.1, 80), IS_A=1e-21, N=2.5, RS_ohm=8),
        {"junction", "junction + shunt"},
        {"N": 2.5, "RS_ohm": 8.0},
    ),
    "recombination": (
        lambda g: sweep(g, IS_A=1e-14, N=1.0, ISR_A=5e-11, NR=2.0),
        {"junction + recombination", "junction + recombination + shunt"},
        {"N": 1.0, "ISR_A": 5e-11, "NR": 2.0},
    ),
    "lit": (
        lambda g: sweep(g, IPH_A=1e-3, RSH_ohm=2e3),
        {"junction + photocurrent"},
        {"IPH_A": 1e-3, "RSH_ohm": 2e3},
    ),
    "base-emitter with breakdown": (
        lambda g: sweep(g, BOTH, BV_V=7.5, NBV=1.5),
        {"junction + breakdown", "junction + shunt + breakdown"},
        {"N": 1.03, "BV_V": 7.5, "NBV": 1.5},
    ),
    "reverse branch alone": (
        lambda g: sweep(g, np.linspace(-8.6, -1, 80), BV_V=7.5, NBV=1.5),
        {"breakdown"},
        {"BV_V": 7.5, "NBV": 1.5},
    ),
    "resistor": (lambda g: noisy(V, V / 470, g), {"resistor"}, {"R_ohm": 470.0}),
    "short of 5 milliohm": (
        lambda g: noisy(np.linspace(0, 2, 60) * 5e-3, np.linspace(0, 2, 60), g),
        {"resistor"},
        {"R_ohm": 5e-3},
    ),
    "open": (lambda g: noisy(V, ZERO, g), {"open"}, {}),
}


@pytest.fixture(scope="module")
def kinds():
    """40 sweeps of each kind in one table, fitted with stated noise and with noise found."""
    rng = np.random.default_rng(11)
    bag = table(*(make(rng) for make, _, _ in KINDS.values() for _ in range(40)))
    return bag, fit_sweeps(bag, NOISE), fit_sweeps(bag)


@pytest.mark.parametrize("stated", [True, False])
def test_every_kind_comes_out_as_itself(kinds, stated):
    _, with_noise, without = kinds
    for k, name in enumerate(KINDS):
        check_kind(with_noise if stated else without, np.arange(40) + 40 * k, name)


def check_kind(fits, rows, name):
    _, models, parameters = KINDS[name]
    right = [fits.model_name(k) in models for k in rows]
    # one in forty may fall to chance (score tests at 0.3 % each)
    assert sum(right) >= 39, (name, [fits.model_name(k) for k in rows])
    for parameter, truth in parameters.items():
        held = (fits.low[parameter][rows] <= truth) & (truth <= fits.high[parameter][rows])
        # 38 expected of 40 at 95 %; under 33 has a chance of 1 in 1,500 (binomial)
        assert held.sum() >= 33, (name, parameter, held.sum())
        numbers = np.isfinite(fits.value[parameter][rows])
        assert np.median(fits.value[parameter][rows][numbers]) == pytest.approx(truth, rel=0.1)


def test_nothing_is_nan_without_a_reason(kinds):
    _, fits, _ = kinds
    assert (fits.model > 0).all() and not any(fits.why_not)
    assert np.isfinite(fits.chi2).all() and (fits.dof > 0).all()
    assert np.mean(fits.flags["converged"]) > 0.99
    chi2 = fits.chi2 / fits.dof
    assert np.mean(chi2) == pytest.approx(1.0, abs=0.05)


def test_an_open_has_a_lower_limit_of_resistance(kinds):
    _, fits, _ = kinds
    rows = np.arange(40) + 40 * list(KINDS).index("open")
    rows = rows[[fits.model_name(k) == "open" for k in rows]]
    assert np.isnan(fits.value["R_ohm"][rows]).all() and np.isinf(fits.high["R_ohm"][rows]).all()
    # 1 nA of noise at 80 points over +-1 V: leaks over about 1/(2 x 1 nA/(0.5 V sqrt 80)) are excluded
    assert (fits.low["R_ohm"][rows] > 5e8).all()


def test_a_batch_equals_each_alone(kinds):
    bag, fits, found = kinds
    for k in range(0, len(bag), 13):
        points = bag.points(k)
        alone = table((bag.v_V[points], bag.i_A[points]))
        for whole, one in ((fits, fit_sweeps(alone, NOISE)), (found, fit_sweeps(alone))):
            assert one.model[0] == whole.model[k]
            np.testing.assert_allclose(one.chi2[0], whole.chi2[k], rtol=1e-12, atol=0)
            for name in PARAMETERS:
                np.testing.assert_allclose(one.value[name][0], whole.value[name][k], rtol=1e-12, atol=0)
                np.testing.assert_allclose(one.high[name][0], whole.high[name][k], rtol=1e-12, atol=0)


@pytest.mark.parametrize("length", [5, 6, 8, 12, 33, 1000, 100_000])
def test_any_length(length):
    rng = np.random.default_rng(length)
    v = np.linspace(0.45, 0.72, length)
    fits = fit_sweeps(table(sweep(rng, v)), NOISE)
    assert fits.model_name(0).startswith("junction")
    assert fits.low["N"][0] < 1.03 < fits.high["N"][0]
    assert fits.n_points[0] == length


def test_precision_grows_with_length():
    rng = np.random.default_rng(1)
    u = [fit_sweeps(table(sweep(rng, np.linspace(0.4, 0.75, m))), NOISE).u["N"][0] for m in (100, 10_000)]
    assert u[0] / u[1] == pytest.approx(10.0, rel=0.05)  # the square root of a hundred times the points


def test_lengths_of_the_ladder():
    length = np.arange(1, 5000)
    padded = ladder(length)
    assert (padded >= length).all() and (padded[length > 32] <= 1.13 * length[length > 32] + 1).all()
    assert np.unique(padded).size < 80


REASONS = [
    (([], []), "no usable point"),
    (([0.6], [1e-3]), "one usable point"),
    (([np.nan, 0.6, 0.5], [1e-3, np.nan, np.inf]), "no usable point"),
    (([0.6] * 7, [1e-3] * 7), "all points at one voltage"),
    (([0.3, 0.5, 0.7], [1e-9, 1e-5, 1e-2]), "too few usable points"),
]


@pytest.mark.parametrize(("points", "reason"), REASONS)
def test_what_cannot_be_fitted_says_why(points, reason):
    fits = fit_sweeps(table(points))
    assert fits.model_name(0) == "none" and reason in fits.why_not[0]
    assert all(np.isnan(fits.value[name][0]) for name in PARAMETERS)


def test_three_points_of_a_resistor_are_a_resistor():
    fits = fit_sweeps(table(([0.1, 0.2, 0.3], [1e-3, 2e-3, 3e-3])))
    assert fits.model_name(0) == "resistor" and fits.value["R_ohm"][0] == pytest.approx(100.0)


def test_order_and_repeats_do_not_matter():
    rng = np.random.default_rng(8)
    v, i = sweep(rng)
    shuffled = rng.permutation(80)
    fits = fit_sweeps(table((v, i), (v[shuffled], i[shuffled]), (np.repeat(v, 2), np.repeat(i, 2))), NOISE)
    order = np.argsort(v, kind="stable")
    sorted_fit = fit_sweeps(table((v[order], i[order])), NOISE)
    np.testing.assert_allclose(fits.theta[1], sorted_fit.theta[0], rtol=1e-9, atol=1e-18)
    np.testing.assert_allclose(fits.theta[2], sorted_fit.theta[0], rtol=1e-6, atol=1e-14)
    assert fits.used[:160].all()


def test_temperature_is_taken_into_account():
    rng = np.random.default_rng(9)
    hot = sweep(rng, temp_C=60.0, IS_A=1e-12)
    fits = fit_sweeps(table(hot, hot, temp_C=[60.0, np.nan]), NOISE)
    assert fits.value["N"][0] == pytest.approx(1.03, abs=0.01)
    assert fits.value["N"][1] == pytest.approx(1.03 * (60 + 273.15) / (25 + 273.15), abs=0.01)
    assert fits.temp_known.tolist() == [True, False] and fits.temp_C.tolist() == [60.0, 25.0]


def test_declared_fields_are_all_there(kinds):
    _, fits, _ = kinds
    n = len(fits)
    assert set(fits.flags) == set(FLAGS)
    for part in (fits.value, fits.low, fits.high, fits.u):
        assert set(part) == set(PARAMETERS) and all(a.shape == (n,) for a in part.values())
    assert fits.model.max() < len(MODELS) and fits.runner_up.max() < len(MODELS)


numbers = st.floats(allow_nan=True, allow_infinity=True, width=64)
sane = st.floats(-10, 10)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.one_of(numbers, sane), st.one_of(numbers, sane)), max_size=40), st.booleans())
def test_nothing_raises_whatever_the_points(points, stated):
    v, i = [p[0] for p in points], [p[1] for p in points]
    fits = fit_sweeps(table((v, i)), NOISE if stated else None)
    assert (fits.model[0] > 0) == (fits.why_not[0] == "")
    assert not np.isnan(fits.chi2[0]) or fits.why_not[0]


def test_an_empty_table():
    assert len(fit_sweeps(SweepTable.empty())) == 0
