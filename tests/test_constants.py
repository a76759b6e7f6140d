"""The constants written out in base agree with the library's, digit for digit."""

import pytest
import scipy.constants
import scipy.stats

from junction.base import units as constants


@pytest.mark.external
def test_constants_are_codata():
    """Exact by definition: SI Brochure, 9th edition (2019); compared with scipy.constants."""
    assert constants.BOLTZMANN_J_PER_K == scipy.constants.k
    assert constants.ELEMENTARY_CHARGE_C == scipy.constants.e
    assert constants.ZERO_CELSIUS_K == scipy.constants.zero_Celsius


@pytest.mark.external
def test_ends_of_the_normal_law():
    assert scipy.stats.norm.ppf(0.975) == constants.NORMAL_95
    assert scipy.stats.norm.ppf(0.95) == pytest.approx(constants.NORMAL_95_ONE_SIDED, rel=1e-15)


@pytest.mark.external
def test_thermal_voltage_at_room_temperature():
    """CODATA 2018: 25.69258 mV; a decade is the Nernst slope of 59.16 mV (Bard and Faulkner, Electrochemical
    Methods, section 2.1, 2001, from memory)."""
    assert constants.thermal_voltage(25.0) == pytest.approx(25.69258e-3, rel=2e-7)  # printed digits
    import math

    assert constants.thermal_voltage(25.0) * math.log(10) == pytest.approx(59.16e-3, rel=1e-4)
