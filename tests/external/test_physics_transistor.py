"""The Gummel-Poon model against ngspice (a general circuit simulator) and published examples."""

import mpmath as mp
import numpy as np
import pytest

from junction.base.units import K_OVER_Q_V_PER_K, ZERO_CELSIUS_K
from junction.physics.temperature import SPICE_LAW, TemperatureLaw, transistor_parameters
from junction.physics.transistor import currents, internal_vbe_from_ib, intrinsic, operating_point
from tests.external.transistor_decks import NGSPICE_K_OVER_Q, card, gummel, output_family
from tests.rows import every_row

pytestmark = pytest.mark.external

POWER = {
    "IS": 5e-13, "NF": 1.01, "BF": 120.0, "ISE": 3e-12, "NE": 1.6, "IKF": 4.0, "VAF": 120.0, "BR": 5.0,
    "NR": 1.02, "ISC": 1e-11, "NC": 1.9, "VAR": 20.0, "IKR": 1.0, "RE": 0.03, "RB": 2.0, "RC": 0.05,
}  # fmt: skip
SMALL = {"IS": 1.4e-14, "BF": 300.0, "ISE": 5e-14, "NE": 1.45, "IKF": 0.08, "VAF": 90.0, "BR": 7.0, "RE": 0.4,
         "RB": 20.0, "RC": 0.8}  # fmt: skip


def same_vt(temp_C):
    """Temperature at which our kT/q is the one ngspice has at temp_C (its constants are CODATA 2014)."""
    return (temp_C + ZERO_CELSIUS_K) * NGSPICE_K_OVER_Q / K_OVER_Q_V_PER_K - ZERO_CELSIUS_K


@pytest.mark.parametrize("params", (POWER, SMALL), ids=("power", "small"))
@pytest.mark.parametrize("kind", ("NPN", "PNP"))
def test_currents_against_ngspice(params, kind):
    vces = [0.15, 0.4, 2.0, 20.0]
    vbe, ic, ib = gummel(card(params, kind), (0.4, 1.0, 0.025), vces, 25.0, kind)
    vce = np.array(vces)[:, None]
    ours_c, ours_b = currents(vbe, vce, params, same_vt(25.0))
    # 1e-6 of what ngspice converges to at its reltol of 1e-9 in voltage over VT
    np.testing.assert_allclose(ours_c, ic, rtol=1e-6, atol=1e-13)
    np.testing.assert_allclose(ours_b, ib, rtol=1e-6, atol=1e-13)
    point = operating_point(ic[2:], vce[2:], params, same_vt(25.0))
    np.testing.assert_allclose(point.vbe, vbe[2:], rtol=0, atol=1e-7)
    np.testing.assert_allclose(point.ib, ib[2:], rtol=1e-6)


def test_output_family_against_ngspice():
    """Base driven by current: the internal v_be that carries i_b gives ngspice's i_c."""
    vce, ic, vbe = output_family(card(POWER), [1e-3, 5e-3, 2e-2], (0.1, 10.1, 0.5))
    again_c, again_b = currents(vbe, vce, POWER, same_vt(25.0))
    np.testing.assert_allclose(again_c, ic, rtol=1e-6)
    np.testing.assert_allclose(again_b, np.array([1e-3, 5e-3, 2e-2])[:, None] * np.ones_like(ic), rtol=1e-6)


@pytest.mark.parametrize("temp_C", (-10.0, 60.0, 100.0))
def test_temperature_law_against_ngspice(temp_C):
    vbe, ic, ib = gummel(card(POWER | {"XTB": 1.2}), (0.45, 0.9, 0.05), [5.0], temp_C)
    law = TemperatureLaw(XTB=1.2)
    moved = transistor_parameters(POWER, temp_C, 25.0, law)
    ours_c, ours_b = currents(vbe, 5.0, moved, same_vt(temp_C))
    # ngspice's EG/VT holds its own k/q: 43 * 3.4e-7 * |T/Tn - 1| is up to 4e-6 of IS
    np.testing.assert_allclose(ours_c, ic, rtol=1e-5)
    np.testing.assert_allclose(ours_b, ib, rtol=1e-5)


def test_spice_law_is_the_default_of_a_card():
    vbe, ic, _ = gummel(card(POWER), (0.6, 0.7, 0.05), [5.0], 70.0)
    ours, _ = currents(vbe, 5.0, transistor_parameters(POWER, 70.0, 25.0, SPICE_LAW), same_vt(70.0))
    np.testing.assert_allclose(ours, ic, rtol=1e-5)


def test_transport_model_worked_example():
    """Ebers and Moll, Proceedings of the IRE 42, page 1761, 1954: the transport form, computed by mpmath.

    IS 1e-14 A, gains 200 and 20, kT/q 25.8649606 mV: I_C = IS (exp v_be - exp v_bc) - IS/20 (exp v_bc - 1).
    """
    vt, amps = mp.mpf("25.8649606e-3"), mp.mpf("1e-14")

    def collector(vbe, vbc):
        a, b = mp.exp(mp.mpf(vbe) / vt), mp.exp(mp.mpf(vbc) / vt)
        return float(amps * (a - b) - amps / 20 * (b - 1))

    p = {"IS": 1e-14, "BF": 200.0, "BR": 20.0}
    temp = 25.8649606e-3 / K_OVER_Q_V_PER_K - ZERO_CELSIUS_K
    for vbe, vbc in ((0.65, 0.55), (0.65, 0.65), (0.65, -5.0), (-1.0, 0.6)):
        assert intrinsic(vbe, vbc, p, temp).ic == pytest.approx(collector(vbe, vbc), rel=1e-9)
    # no collector current: exp(V_CE) = 1 + 1/20, but for the ones
    assert abs(intrinsic(0.65, 0.65 - float(vt * mp.log(mp.mpf("1.05"))), p, temp).ic) < 1e-12
    point = operating_point(160e-3, 0.1, p, temp)
    vbe = float(point.vbe)
    assert collector(vbe, vbe - 0.1) == pytest.approx(160e-3, rel=1e-9)
    back = amps / 20 * mp.expm1((vbe - mp.mpf("0.1")) / vt)
    assert point.ib == pytest.approx(float(amps / 200 * mp.expm1(vbe / vt) + back), rel=1e-9)


def test_gain_and_saturation_current_from_a_reading():
    """De, Basic Electronics, ex. 4-5: 5 mA and 50 uA, 100 and 0.990; the exponential law at kT/q = 25 mV."""
    temp = 0.025 / K_OVER_Q_V_PER_K - ZERO_CELSIUS_K
    saturation = float(mp.mpf("5e-3") * mp.exp(-28))  # 0.7 V
    m = intrinsic(0.7, -5.0, {"IS": saturation, "BF": 100.0}, temp)
    assert (m.ic, m.ib) == (pytest.approx(5e-3, rel=1e-9), pytest.approx(50e-6, rel=1e-9))
    assert m.ic / (m.ic + m.ib) == pytest.approx(0.990, abs=5e-4)
    # 0.2 V less is exp(-8)
    less = intrinsic(0.5, -5.0, {"IS": saturation}, temp).ic
    assert less == pytest.approx(5e-3 * float(mp.exp(-8)), rel=1e-6)  # the one is 2e-9 of it


def test_output_resistance_from_early_voltage():
    """J. B. Gupta ex. 6.12: 5.0 to 5.8 mA from 5 to 10 V is 6.25 kohm (extrapolated: VAF 26.25 V)."""
    p = {"IS": 1e-14, "BF": 100.0, "VAF": 26.25}
    x = 0.7
    low, high = intrinsic(x, x - 5.0, p).ic, intrinsic(x, x - 10.0, p).ic
    assert 5.0 / (high - low) * low / 5.0e-3 == pytest.approx(6250.0, rel=0.03)  # v_cb against v_ce: 0.7 V


# (source, gain, I_CO [A], I_B [A], published I_C [A], relative tolerance: half the last printed digit)
LEAKING = [
    ("De, Basic Electronics ex. 4-3: alpha 0.90", 9.0, 15e-6, 0.5e-3, 4.65e-3, 1e-6),
    ("De ex. 4-1: alpha 0.90, I_B 385 uA", 9.0, 15e-6, 385e-6, 3.615e-3, 1e-6),
    ("J. B. Gupta ex. 6.3: alpha 0.98", 49.0, 4e-6, 50e-6, 2.65e-3, 1e-6),
    ("J. B. Gupta ex. 6.4", 99.0, 1e-6, 10e-6, 1.09e-3, 1e-6),
    ("J. B. Gupta ex. 6.5: corrected gain 98, 5 mA at 50 uA", 98.0196, 1e-6, 50e-6, 5e-3, 1e-5),
    ("J. B. Gupta ex. 6.10: alpha 0.98", 49.0, 10e-6, 0.22e-3, 11.28e-3, 1e-6),
    ("Sharma ex. 6.19: alpha 0.99, I_CBO 10 uA", 99.0, 10e-6, 90e-6, 9.91e-3, 1e-6),
    ("Sharma ex. 6.20: alpha 0.99, I_B printed 45 uA", 99.0, 15e-6, 45e-6, 6e-3, 1e-2),
]


@every_row("source, gain, ico, ib, published, rtol", LEAKING)
def test_collector_current_with_leakage(source, gain, ico, ib, published, rtol):
    """I_C = beta I_B + (beta + 1) I_CO comes out of the model when the collector junction leaks I_CO."""
    p = {"IS": 1e-15, "BF": gain, "ISC": ico, "NC": 1.0}
    x = internal_vbe_from_ib(ib, 10.0, p)
    assert intrinsic(x, x - 10.0, p).ic == pytest.approx(published, rel=rtol)


def test_leakage_with_the_base_open_is_gain_plus_one_times_that_of_the_junction():
    """De ex. 4-3 again: beta 9 and I_CO 15 uA make I_CEO 0.150 mA."""
    p = {"IS": 1e-15, "BF": 9.0, "ISC": 15e-6, "NC": 1.0}
    x = internal_vbe_from_ib(0.0, 10.0, p)
    assert intrinsic(x, x - 10.0, p).ic == pytest.approx(0.150e-3, rel=1e-6)
