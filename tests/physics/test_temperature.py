"""Temperature laws: consistency with the junction law, textbook numbers, the SPICE law."""

import numpy as np
import pytest

from junction.base.units import thermal_voltage
from junction.physics import temperature as law
from junction.physics.junction import voltage
from tests.rows import every_row


@every_row("N", (1.0, 1.7))
@every_row("to", (-20.0, 25.0, 80.0))
def test_voltage_law_is_the_saturation_law_at_constant_current(N, to):
    """forward_voltage must agree with IS moved and the junction solved, where exp >> 1."""
    v = voltage(1e-2, 1e-13, N, temp_C=35.0)
    moved = law.saturation_current(1e-13, to, 35.0, N=N)
    # 1e-6 V: the dropped -1 is IS/i = 1e-11 to 1e-7 of VT
    assert law.forward_voltage(v, 35.0, to) == pytest.approx(voltage(1e-2, moved, N, temp_C=to), abs=1e-6)


def test_slope_is_the_derivative_of_the_law():
    v, h = 0.65, 1e-2
    numeric = (law.forward_voltage(v, 25.0, 25.0 + h) - law.forward_voltage(v, 25.0, 25.0 - h)) / (2 * h)
    assert law.forward_voltage_slope(v, 25.0) == pytest.approx(numeric, rel=1e-7)
    assert law.temperature_rise(-0.0018, 0.65) == pytest.approx(1.0, rel=0.02)


def test_transistor_law_has_no_emission_coefficient_but_ise_has():
    p = {"IS": 1e-13, "BF": 100.0, "ISE": 1e-12, "NE": 1.8, "RE": 0.1}
    q = law.transistor_parameters(p, 60.0, 25.0, law.TemperatureLaw(XTB=1.5))
    factor = np.exp(law.log_saturation_factor(60.0, 25.0))
    gain = (333.15 / 298.15) ** 1.5
    assert q["IS"] == pytest.approx(1e-13 * factor)
    assert q["BF"] == pytest.approx(100 * gain)
    assert q["ISE"] == pytest.approx(1e-12 * factor ** (1 / 1.8) / gain)
    assert q["RE"] == 0.1
    back = law.transistor_parameters(q, 25.0, 60.0, law.TemperatureLaw(XTB=1.5))
    assert back["ISE"] == pytest.approx(1e-12, rel=1e-12)


@pytest.mark.external
def test_spice_diode_law_ratios():
    """SPICE law and defaults EG 1.11, XTI 3, TNOM 27 C (simulator manuals); ratios computed from it at

    50 digits elsewhere: x4.40181 at 37 C, x8507.33 at 100 C, x90285.5 at 125 C (N = 1), x2.09805 at N = 2.
    """
    np.testing.assert_allclose(
        law.saturation_current(1.0, [37.0, 100.0, 125.0], 27.0), [4.40181, 8507.33, 90285.5], rtol=2e-6
    )
    assert law.saturation_current(1.0, 37.0, 27.0, N=2.0) == pytest.approx(2.09805, rel=2e-6)
    v = voltage(1e-3, 1e-14, 1.0, temp_C=27.0)
    assert v == pytest.approx(0.655118, abs=5e-7)
    assert law.forward_voltage_slope(v, 27.0) == pytest.approx(-1.7740e-3, abs=5e-8)


@pytest.mark.external
def test_slope_of_a_silicon_base_emitter_voltage():
    """Malvino, Electronic Principles ex. 2-5: -2 mV/C takes 0.7 V at 25 C to 0.55 V at 100 C, 0.75 at 0 C.

    The book's rule is a round number; the SPICE law at 0.7 V gives -1.6 mV/K, so the book is matched to
    its one digit: 0.55 within 0.04 V.
    """
    assert law.forward_voltage(0.7, 25.0, 100.0) == pytest.approx(0.55, abs=0.04)
    assert law.forward_voltage(0.7, 25.0, 0.0) == pytest.approx(0.75, abs=0.02)


@pytest.mark.external
def test_proportional_slope():
    """k/q of CODATA 2018: two V_BE at 10:1 differ by 59.16 mV at 25 degC, which moves by 198.4 uV/K."""
    ratio = thermal_voltage(25.0) * np.log(10)
    assert ratio == pytest.approx(59.16e-3, abs=5e-6)
    assert (thermal_voltage(26.0) - thermal_voltage(25.0)) * np.log(10) == pytest.approx(198e-6, abs=5e-7)


# (source, from C, to C, published factor, relative tolerance: half its last digit)
DOUBLING = [
    ("De ex. 2-19", 25.0, 70.0, 23.0, 0.022), ("De ex. 2-19", 25.0, 150.0, 5793.0, 1e-4),
    ("Sharma ex. 4.6", 25.0, 80.0, 45.0, 0.011), ("Sharma ex. 4.6", 25.0, 150.0, 5793.0, 1e-4),
    ("Sedha ex. 12.4: 10 uA to 10.24 mA", 27.0, 127.0, 1024.0, 1e-9),
    ("Malvino ex. 2-6: 5 nA to 897.63 nA at 100 C by 7 doublings and 7 %/C, 0.8 % below the pure law",
     25.0, 100.0, 179.53, 0.009),
]  # fmt: skip


@pytest.mark.external
@every_row("source, cold, hot, factor, rtol", DOUBLING)
def test_doubling_rule(source, cold, hot, factor, rtol):
    assert law.leakage_factor(hot, cold) == pytest.approx(factor, rel=rtol)


@pytest.mark.external
def test_doubling_rule_backwards():
    """Same worked example, p. 205: 2 uA grows to 9 uA at 46.70 C."""
    assert 2.0 * law.leakage_factor(46.70) == pytest.approx(9.0, abs=5e-3)
