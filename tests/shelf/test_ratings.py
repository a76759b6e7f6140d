"""Preferred numbers, derating and safe area."""

from math import isnan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from junction.base.errors import UsageError
from junction.replace.networks import stock_values
from junction.shelf.tables import Limit, PartType, resistor_series
from junction.shelf.types import (
    find_type,
    power_at_W,
    power_reference,
    safe_current_A,
    second_breakdown_A,
    second_breakdown_line,
    type_shelf,
)


def test_stock_values_are_the_floats_one_would_write():
    assert stock_values("E6", 0.1, 1) == (0.1, 0.15, 0.22, 0.33, 0.47, 0.68, 1.0)
    assert stock_values("e12", 8.2e5, 1.2e6) == (820e3, 1e6, 1.2e6)


@settings(deadline=None)
@given(
    st.sampled_from(["E3", "E6", "E12", "E24", "E48", "E96", "E192"]),
    st.floats(0.01, 1e6),
    st.floats(1.0, 1000.0),
)
def test_stock_values_rise_within_bounds(name, low, span):
    values = stock_values(name, low, low * span)
    assert list(values) == sorted(set(values))
    assert all(low * (1 - 1e-9) <= v <= low * span * (1 + 1e-9) for v in values)
    if span >= 10:
        count = len(stock_values(name, low, low * 9.999))
        assert abs(count - len(resistor_series(name).values)) <= 1


def test_series_errors():
    with pytest.raises(UsageError, match="E24"):
        resistor_series("E7")


def part(**ratings):
    at = {"P_tot": {"case_C": 25.0}}
    limits = tuple(Limit(k, high=v, at=at.get(k, {})) for k, v in ratings.items())
    return PartType("X", "bjt", "plain", limits=limits)


def test_power_is_a_straight_line_to_the_junction_limit():
    x = part(P_tot=100.0, T_j=150.0, R_thJA=50.0)
    assert [power_at_W(x, "case", t) for t in (-20, 25, 87.5, 150, 200)] == [100, 100, 50, 0, 0]
    assert power_at_W(x, "ambient", 25) == pytest.approx(2.5)  # through R_th
    assert isnan(power_at_W(x, "lead", 25))
    assert isnan(power_at_W(part(P_tot=100.0), "case", 50))
    assert power_at_W(part(P_tot=100.0), "case", 20) == 100
    assert power_reference(x) == ("case", 25.0)


def test_safe_area_corners():
    x = part(P_tot=100.0, T_j=150.0, V_CEO=80.0, I_C=10.0)
    assert safe_current_A(x, 5) == 10  # I_C
    assert safe_current_A(x, 10) == 10  # corner with the power hyperbola
    assert safe_current_A(x, 40) == pytest.approx(2.5)
    assert safe_current_A(x, 80.01) == 0
    assert safe_current_A(x, 40, 87.5) == pytest.approx(1.25)
    assert isnan(safe_current_A(part(V_CEO=80.0, I_C=10.0), 40))


def test_second_breakdown_bounds_the_safe_area():
    mj = find_type("MJ15003")
    assert second_breakdown_A(mj, 80) == 1.0 and second_breakdown_A(mj, 40) == 5.0
    assert isnan(second_breakdown_A(mj, 120))
    # on logarithmic axes the middle of 50 V and 100 V is 70.7 V, and of 5 A and 1 A is 2.236 A
    assert second_breakdown_line(mj, (50 * 100) ** 0.5) == pytest.approx(5**0.5, rel=1e-12)
    assert second_breakdown_line(mj, 125) == pytest.approx(0.8)  # not above the 100 W tested at 100 V
    assert isnan(second_breakdown_line(mj, 20))
    assert isnan(second_breakdown_line(find_type("BC547B"), 20))


def test_safe_current_never_rises_with_voltage_or_temperature():
    for x in type_shelf().all("bjt"):
        where = power_reference(x)[0] or "case"
        volts = [x.rating("V_CEO") * k / 40 for k in range(1, 41)]
        for temp in (25.0, 60.0):
            amps = [safe_current_A(x, v, temp, where) for v in volts]
            if not isnan(amps[0]):
                assert all(b <= a * (1 + 1e-12) for a, b in zip(amps, amps[1:], strict=False)), x.name
                hotter = [safe_current_A(x, v, temp + 20, where) for v in volts]
                if not isnan(hotter[0]):  # without T_j nothing is known above the temperature of the rating
                    assert all(b <= a * (1 + 1e-12) for a, b in zip(amps, hotter, strict=True)), x.name
