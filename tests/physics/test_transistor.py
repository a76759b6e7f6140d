"""The Gummel-Poon model: consistency between its functions, derivatives, limits."""

import numpy as np
import pytest

from junction.physics.transistor import (
    DEFAULTS,
    complete,
    currents,
    internal_vbe_from_ib,
    intrinsic,
    operating_point,
)
from tests.rows import every_row
from tests.transistor import transistor_simulation as sim

POWER = {
    "IS": 5e-13, "NF": 1.01, "BF": 120.0, "ISE": 3e-12, "NE": 1.6, "IKF": 4.0, "VAF": 120.0, "BR": 5.0,
    "NR": 1.02, "ISC": 1e-11, "NC": 1.9, "VAR": 20.0, "IKR": 1.0, "RE": 0.03, "RB": 2.0, "RC": 0.05,
}  # fmt: skip


def test_unknown_name_is_refused_by_name():
    with pytest.raises(ValueError, match="'BETA'.*IS, NF"):
        complete({"BETA": 100.0})
    assert list(complete({})) == list(DEFAULTS)


def test_operating_point_inverts_currents():
    vbe, vce = np.meshgrid(np.linspace(0.4, 1.2, 17), [1.5, 5.0, 40.0])
    ic, ib = currents(vbe, vce, POWER, 40.0)
    point = operating_point(ic, vce, POWER, 40.0)
    np.testing.assert_allclose(point.vbe, vbe, rtol=0, atol=1e-12)
    np.testing.assert_allclose(point.ib, ib, rtol=1e-10)


def test_saturated_transistor_obeys_the_terminal_equations():
    vbe, vce = np.meshgrid([0.6, 0.8, 1.0, 1.3], [0.0, 0.05, 0.2, 0.5])
    ic, ib = currents(vbe, vce, POWER)
    m = intrinsic(
        vbe - ib * POWER["RB"] - (ic + ib) * POWER["RE"],
        vbe - ib * POWER["RB"] - vce + ic * POWER["RC"], POWER,
    )  # fmt: skip
    np.testing.assert_allclose(m.ic, ic, rtol=1e-8, atol=1e-18)  # v rounding of 1e-14 over VT and back
    np.testing.assert_allclose(m.ib, ib, rtol=1e-8)


def test_a_current_the_part_cannot_carry_is_nan_not_a_number():
    point = operating_point([0.1, 50.0], 1.0, POWER)  # 50 A needs 4 V across RC + RE alone
    assert np.isfinite(point.vbe[0]) and np.isnan(point.vbe[1]) and np.isnan(point.ib[1])


def test_batch_equals_each_alone():
    IS = np.array([1e-13, 5e-13, 2e-12])[:, None]
    ic = np.geomspace(1e-3, 5, 9)
    together = operating_point(ic, 10.0, POWER | {"IS": IS})
    for k in range(3):
        alone = operating_point(ic, 10.0, POWER | {"IS": IS[k, 0]})
        np.testing.assert_allclose(together.vbe[k], alone.vbe, rtol=1e-14)
        np.testing.assert_allclose(together.ib[k], alone.ib, rtol=1e-13)


def test_early_effect_and_high_injection_limits():
    """Gain falls as 1/ic above IKF and rises as 1 + v_cb/VAF: textbook limits (Getreu 1976)."""
    p = {"IS": 1e-13, "BF": 100.0, "IKF": 1.0}
    gain = lambda ic, vce, p: ic / operating_point(ic, vce, p).ib  # noqa: E731
    assert gain(1e-4, 5.0, p) == pytest.approx(100.0, rel=2e-4)  # 1 + ic/IKF below the knee
    # Exactly BF/(1 + ic/IKF): with IF = ic (1 + ic/IKF)
    assert gain(1.0, 5.0, p) == pytest.approx(50.0, rel=1e-9)
    assert gain(9.0, 5.0, p) == pytest.approx(10.0, rel=1e-9)
    early = p | {"VAF": 50.0, "IKF": np.inf}
    vbe = operating_point(1e-3, 5.0, early).vbe
    assert gain(1e-3, 5.0, early) == pytest.approx(
        100.0 * (1 + (5.0 - vbe) / 50.0), rel=3e-8
    )  # the saturation current of the collector junction, 1e-13 of 1e-5 A, is turned over


@every_row("name", ("IS", "NF", "BF", "ISE", "NE", "IKF", "VAF", "BR", "NR", "ISC", "NC", "VAR",
                                  "IKR", "RE", "RB", "RC"))  # fmt: skip
def test_log_derivatives(name):
    """Central differences with a step of 1e-5 in ln(parameter): truncation 1e-10, rounding 1e-10."""
    ic, vce = np.meshgrid(np.geomspace(1e-4, 8.0, 12), [2.0, 10.0])
    point = operating_point(ic, vce, POWER, log_derivatives=True)
    up = operating_point(ic, vce, POWER | {name: POWER[name] * np.exp(1e-5)})
    down = operating_point(ic, vce, POWER | {name: POWER[name] * np.exp(-1e-5)})
    np.testing.assert_allclose(point.vbe_log[name], (up.vbe - down.vbe) / 2e-5, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(point.ib_log[name] / point.ib, (up.ib - down.ib) / 2e-5 / point.ib, rtol=1e-6,
                               atol=1e-8)  # fmt: skip
    x, y = np.array([0.5, 0.7, 0.75]), np.array([-5.0, 0.1, 0.7])
    m = intrinsic(x, y, POWER, log_derivatives=True)
    if name in m.ic_log:
        hi, lo = (intrinsic(x, y, POWER | {name: POWER[name] * np.exp(s)}) for s in (1e-6, -1e-6))
        for slope, up, down in ((m.ic_log[name], hi.ic, lo.ic), (m.ib_log[name], hi.ib, lo.ib)):
            np.testing.assert_allclose(slope, (up - down) / 2e-6, rtol=1e-7, atol=2e-9 * abs(up).max())


def test_internal_voltage_from_base_current():
    x = np.linspace(0.35, 0.9, 12)
    for vce in (0.02, 0.1, 0.3, 5.0, 60.0):
        ib = intrinsic(x, x - vce, POWER).ib
        np.testing.assert_allclose(internal_vbe_from_ib(ib, vce, POWER), x, rtol=0, atol=1e-12)
    bare = {"IS": 1e-14, "BF": 200.0}
    assert internal_vbe_from_ib(0.0, 5.0, bare) == pytest.approx(0.0, abs=0.2)  # leakage alone turns it over


@pytest.mark.parametrize("vce", (3.0, 60.0))
def test_operating_point_and_currents_agree_for_any_kind_of_part(vce):
    """Small-signal, power, germanium and Darlington, from leakage to the highest current."""
    rng = np.random.default_rng(3)
    ranges = ((sim.power_parts, 1e-9, 8.0), (sim.small_parts, 1e-11, 0.2), (sim.germanium_parts, 1e-4, 3.0),
              (sim.darlington_parts, 1e-9, 5.0))  # fmt: skip
    for parts, low, high in ranges:
        p = parts(60, rng)
        ic = np.geomspace(low, high, 25)
        point = operating_point(ic, vce, p)
        again, ib = currents(point.vbe, vce, p)
        np.testing.assert_allclose(again, np.broadcast_to(ic, again.shape), rtol=1e-11)
        np.testing.assert_allclose(ib, point.ib, rtol=1e-9, atol=1e-20)


@pytest.mark.parametrize("re_ohm", (0.01, 0.5, 10.0))
def test_currents_are_found_whatever_resistance_lies_before_the_junctions(re_ohm):
    """Newton's iteration needs every resistance in its slopes where they take most of the voltage."""
    vbe = np.linspace(0.4, 3.0, 50)
    for rb in (0.1, 5.0, 50.0):
        for vce in (0.05, 0.3, 5.0):
            p = {"IS": 1e-13, "BF": 100.0, "BR": 5.0, "RB": rb, "RE": re_ohm, "RC": 0.5, "VAF": 100.0}
            ic, ib = currents(vbe, vce, p)
            assert np.isfinite(ic).all() and np.isfinite(ib).all(), (rb, vce)
            assert (np.diff(ib) > 0).all()


def test_any_terminal_voltage_has_a_finite_current_and_no_warning():
    rng = np.random.default_rng(4)
    p = sim.power_parts(100, rng)
    vbe, vce = rng.uniform(-5, 3, (100, 20)), rng.choice([-3, -0.2, 0, 0.05, 0.5, 5, 80], (100, 20))
    ic, ib = currents(vbe, vce, p, rng.uniform(-40, 150, (100, 1)))
    assert np.isfinite(ic).all() and np.isfinite(ib).all()
    point = operating_point(10 ** rng.uniform(-9, 2, (100, 20)), vce, p, log_derivatives=True)
    assert np.all(np.isnan(point.vbe) == np.isnan(point.vbe_log["RE"]))
