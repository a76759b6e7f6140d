"""Parts with too little gain are named, and what is not known of a part never outweighs what is known."""

import numpy as np
import pytest

from junction.base.records import CurveTable
from junction.sets.choose import UNKNOWN, cross_cost, expected_imbalance, folded_mean, weights_for
from junction.sets.match import low_gain
from junction.shelf.types import find_type
from junction.transistor.transistor import fit_transistors
from tests.sets.bags import fits_of, true_values
from tests.tables import spot_part


def spot_fits(*rows):
    """Fits of parts A, B, .. from (type, ic_A, vbe_V, hfe)."""
    return fit_transistors(CurveTable.empty(), readings=[
        spot_part(chr(65 + k), ic, vbe, hfe, 25.0, type=kind, polarity="NPN")
        for k, (kind, ic, vbe, hfe) in enumerate(rows)])  # fmt: skip


@pytest.mark.external
@pytest.mark.parametrize(("hfe", "says", "out"), [
    (30, None, None), (17, "less gain than its type", False), (8, "far less gain than its type", True),
])  # fmt: skip
def test_against_the_registered_minimum(hfe, says, out):
    """2N3055: h_FE 20 to 70 at 4 A and 4 V (JEDEC registration; in every handbook table of the type)."""
    found = low_gain(spot_fits(("2N3055", 4.0, 0.8, hfe)), find_type)
    assert {part: far for part, (_, far) in found.items()} == ({} if says is None else {"A": out})
    assert all(why.startswith(says) and "20 or more at 4 A" in why for why, _ in found.values())


def test_a_minimum_says_nothing_far_from_its_current():
    """The 2N3055's 20 at 4 A is no promise at 50 mA, where a sound part may have less."""
    assert low_gain(spot_fits(("2N3055", 0.05, 0.6, 12)), find_type) == {}


@pytest.mark.parametrize(("hfe", "out"), [(40, None), (15, False), (5, True)])
def test_against_the_other_parts_of_the_type(hfe, out):
    """A type no table holds, the others at 78 and 90: half is its spread, a sixteenth is a damaged part."""
    fits = spot_fits(("X1", 0.1, 0.585, 78), ("X1", 0.1, 0.586, 90), ("X1", 0.1, 0.602, hfe))
    found = low_gain(fits, lambda name: None)
    assert {part: far for part, (_, far) in found.items()} == ({} if out is None else {"C": out})


def test_parts_of_another_type_are_no_yardstick():
    fits = spot_fits(("X1", 0.1, 0.585, 78), ("X2", 0.1, 0.602, 5))
    assert low_gain(fits, lambda name: None) == {}


def test_curves_are_held_to_the_same():
    value = true_values(5, 3)
    value[4, 2] /= 40.0  # BF
    assert [p for p, (_, far) in low_gain(fits_of(value), lambda name: None).items() if far] == ["A05"]


def test_expected_imbalance_is_bounded_and_to_first_order_a_folded_normal():
    size, u = np.array([0.0, 0.01, 0.05]), np.array([0.01, 0.01, 0.02])
    # tanh x = x - x**3/3: at 0.05 the two differ by less than a thousandth of it
    assert expected_imbalance(size, u) == pytest.approx(folded_mean(size, u), rel=1.5e-3)
    assert expected_imbalance(0.3, 0.0) == pytest.approx(0.3)
    assert np.all(expected_imbalance(np.array([0.0, 0.5, 1.0]), 50.0) <= 1.0)


def test_two_unknown_parts_cost_less_than_two_surely_unequal_ones():
    """Drive voltages a volt apart by what is known cost the most there can be; great doubt no more."""

    def cost(apart_V, u_V):
        one = [np.full((2, 1), x) for x in (0.0, 0.05, u_V, 1.0, UNKNOWN)]
        two = [np.full((2, 1), x) for x in (apart_V, 0.05, u_V, 1.0, UNKNOWN)]
        return float(cross_cost(one, two, weights_for())[0])

    assert cost(0.0, 5.0) <= cost(1.0, 0.0) + 1e-6  # both are saturated
    assert cost(0.0, 1e-3) < 0.02 < cost(0.02, 1e-3)
