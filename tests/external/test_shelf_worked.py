"""Derating, power hyperbola and thermal chains against published worked examples."""

import pytest

from junction.shelf.tables import Limit, PartType
from junction.shelf.types import power_at_W, safe_current_A

pytestmark = pytest.mark.external


def part(where="ambient", **ratings):
    at = {"P_tot": {f"{where}_C": 25.0}}
    limits = tuple(Limit(k, high=v, at=at.get(k, {})) for k, v in ratings.items())
    return PartType("X", "bjt", "plain", limits=limits)


def test_power_derating():
    """Malvino, Electronic Principles, example 12-14; Floyd, Electronic Devices, example 4.7."""
    # 625 mW at 25 C less 5 mW/C reaches nothing at 150 C; 1 W at 5 mW/C at 225 C
    assert power_at_W(part(P_tot=0.625, T_j=25 + 0.625 / 0.005), "ambient", 50) == pytest.approx(0.500)
    assert power_at_W(part(P_tot=1.0, T_j=25 + 1.0 / 0.005), "ambient", 70) == pytest.approx(0.775)


def test_power_hyperbola():
    """Floyd, Electronic Devices, example 4.5, p. 127: 250 mW at 6 V is 41.7 mA."""
    x = part(P_tot=0.250, T_j=150.0, V_CEO=20.0, I_C=0.1)
    assert safe_current_A(x, 6.0, 25.0, "ambient") == pytest.approx(41.7e-3, abs=0.05e-3)


def test_thermal_chain():
    """Rashid, Power Electronics, 4th ed., example 4.4: 150 C to 25 C through 0.4 + 0.1 + 0.5 K/W is 125 W."""
    x = part(T_j=150.0, R_thJA=0.4 + 0.1 + 0.5, R_thJC=0.4)
    assert power_at_W(x, "ambient", 25.0) == pytest.approx(125.0)
    # the case is then at 25 + 125·0.6 = 100 C, and the junction-to-case part alone carries the same power
    assert power_at_W(x, "case", 100.0) == pytest.approx(125.0)


def test_thermal_resistance_of_a_small_part():
    """Kakani and Bhandari, Electronic Devices and Circuits, example 6.1: 2 W over 10 K/W are 45 C at 25 C."""
    assert power_at_W(part(T_j=45.0, R_thJA=10.0), "ambient", 25.0) == pytest.approx(2.0)
