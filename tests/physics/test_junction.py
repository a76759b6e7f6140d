"""The junction law: limits, inverse, derivatives, broadcasting; no overflow, no nan, no warning."""

import numpy as np

from junction.base.units import thermal_voltage
from junction.physics.junction import current, voltage


def random_law(n, seed):
    """Anything a bench may meet, from a signal Schottky to a leaky Zener in the light."""
    rng = np.random.default_rng(seed)
    log = lambda low, high: 10 ** rng.uniform(low, high, n)  # noqa: E731
    some = lambda share, other, value: np.where(rng.random(n) < share, other, value)  # noqa: E731
    law = {
        "IS_A": log(-18, -5), "N": rng.uniform(0.9, 2.5, n), "RS_ohm": some(0.3, 0.0, log(-4, 2)),
        "RSH_ohm": some(0.3, np.inf, log(0, 12)), "IPH_A": some(0.7, 0.0, log(-12, 0)),
        "ISR_A": some(0.5, 0.0, log(-14, -5)), "NR": rng.uniform(1.5, 2.5, n),
        "BV_V": some(0.5, np.inf, log(0.3, 2.5)), "IBV_A": log(-6, -2), "NBV": log(0, 1.5),
        "temp_C": rng.uniform(-50, 150, n),
    }  # fmt: skip
    v = np.where(rng.random(n) < 0.5, rng.uniform(-200, 5, n), rng.uniform(-2, 2, n))
    return v, law


def test_current_satisfies_the_law_everywhere():
    v, law = random_law(50_000, 1)
    i = current(v, **law)
    assert np.isfinite(i).all()
    f, g = written_out(v, i, **law)
    # Residual as a change of current against the parts that make it up; 1e-11 is the rounding of an
    # exponent in the hundreds (x/a eps ~ 1e-13) with room for sums of five terms.
    size = np.abs(i) + law["IPH_A"] + np.abs(v) / law["RSH_ohm"]
    assert np.max(np.abs(f) / (1 + law["RS_ohm"] * g) / size) < 1e-11


def written_out(v, i, IS_A, N, RS_ohm, RSH_ohm, IPH_A, ISR_A, NR, BV_V, IBV_A, NBV, temp_C):
    """The law as it stands in the textbooks, less the current; and its slope against the voltage."""
    x = v - i * RS_ohm
    a, b, c = (n * thermal_voltage(temp_C) for n in (N, NR, NBV))
    # x is rounded where the resistor takes nearly all of the voltage: an exponent beyond 340 is that rounding
    first, second, back = (np.minimum(e, 340.0) for e in (x / a, x / b, -(x + BV_V) / c))
    total = IS_A * np.expm1(first) + ISR_A * np.expm1(second) + x / RSH_ohm - IPH_A - IBV_A * np.exp(back)
    slope = IS_A / a * np.exp(first) + ISR_A / b * np.exp(second) + 1 / RSH_ohm + IBV_A / c * np.exp(back)
    return total - i, slope


def test_voltage_inverts_current():
    v, law = random_law(50_000, 2)
    i = current(v, **law)
    i = np.where(np.abs(i) < 1e3, i, 0.1)  # currents that exist
    back = voltage(i, **law)
    blocked = ~np.isfinite(law["RSH_ohm"]) & ~np.isfinite(law["BV_V"])
    saturated = i <= -(law["IS_A"] + law["ISR_A"] + law["IPH_A"]) * (1 - 1e-12)
    assert np.isfinite(back[~(blocked & saturated)]).all()
    assert np.all(np.isneginf(back[~np.isfinite(back)]))
    ok = np.isfinite(back)
    again = current(back[ok], **{name: x[ok] for name, x in law.items()})
    size = np.abs(i[ok]) + law["IPH_A"][ok] + law["IS_A"][ok] + np.abs(back[ok]) / law["RSH_ohm"][ok]
    # The voltage carries eps·|v|, which the conductance turns into current: eps·v/a up to 1e-12.
    assert np.max(np.abs(again - i[ok]) / size) < 1e-11


def test_extreme_arguments_stay_finite():
    for v in (-1e6, -200.0, 0.0, 1e3, 1e6):
        for RS in (0.0, 1e-9, 1e9):
            for RSH in (1e-6, 1e3, np.inf):
                for BV in (0.5, 1e3, np.inf):
                    i = current(v, 1e-300, 1.0, RS, RSH, BV_V=BV)
                    assert np.isfinite(i)
    assert current(0.0, 1e-14, 1.0, 10.0, 1e6) == 0.0
    assert voltage(0.0, 1e-14, 1.0, 10.0, 1e6) == 0.0


def test_broadcasts_and_keeps_shape():
    i = current(np.linspace(0, 0.7, 5)[:, None], np.array([1e-14, 1e-12, 1e-9]), 1.0, RS_ohm=0.1)
    assert i.shape == (5, 3)
    assert current(0.6, 1e-14, 1.0).shape == ()
    assert current(np.zeros((0, 2)), 1e-14, 1.0).shape == (0, 2)
    alone = current(0.35, 1e-12, 1.0, RS_ohm=0.1)
    assert current([0.35, 0.1], 1e-12, 1.0, RS_ohm=0.1)[0] == alone  # a batch equals its parts


def test_blocked_reverse_current_is_minus_infinity_not_nan():
    v = voltage([-1e-3, 1e-3], 1e-14, 1.0)
    assert np.isneginf(v[0]) and np.isfinite(v[1])
