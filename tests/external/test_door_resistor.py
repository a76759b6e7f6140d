"""Resistors through the front door: series and codes of the IEC, networks by exact arithmetic, JCGM 106."""

from fractions import Fraction
from functools import cache
from itertools import combinations_with_replacement

import pytest
from scipy.stats import norm

from tests.external.door_parts import thermal
from tests.rows import every_row

IEC = "IEC 60063, Preferred number series for resistors and capacitors, 2015, table 1"
E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)


def resistors(source):
    return pytest.mark.front_door("resistor", source=source)


@resistors(IEC)
@every_row("series, wanted, below, above", [
    ("E12", 5.0, 4.7, 5.6), ("E24", 5.0, 4.7, 5.1), ("E24", 95, 91, 100), ("E96", 1010, 1000, 1020),
    ("E96", 1160, 1150, 1180), ("E6", 5.0, 4.7, 6.8), ("E3", 5.0, 4.7, 10), ("E24", 25.5e3, 24e3, 27e3),
])  # fmt: skip
def test_the_stock_values_on_either_side_are_those_of_the_standard(door, series, wanted, below, above):
    assert door.resistor(wanted, series=series).nearest_ohm == pytest.approx((below, above))


@resistors(IEC)
def test_every_value_of_the_series_is_one_part_and_what_lies_between_is_not(door):
    for a, b in zip(E24, E24[1:], strict=False):
        assert door.resistor(a * 100, series="E24", most_parts=1).networks[0].error == pytest.approx(
            0, abs=1e-12
        )
        between = door.resistor((a + b) / 2 * 100, series="E24", most_parts=1)
        assert between.networks[0].error != 0 and between.nearest_ohm == pytest.approx((a * 100, b * 100))


@resistors(
    "IEC 60062, Marking codes for resistors and capacitors, 2016, clauses 4 and 5"
)
@every_row("code, ohm, percent", [("4k7J", 4700, 5), ("R22F", 0.22, 1), ("1M5K", 1.5e6, 10), ("47RG", 47, 2),
                                  ("2R2M", 2.2, 20), ("10KB", 1e4, 0.1), ("6R8D", 6.8, 0.5)])  # fmt: skip
def test_a_coded_resistor_ends_where_its_letters_say(door, code, ohm, percent):
    """Within either end of its tolerance it is fine, outside it has drifted; read with 0.001 %."""
    sharp = {"meter_accuracy": "0.001%", "meter_resolution": max(1e-6 * ohm, 1e-6)}
    for share, state in ((0.9, "fine"), (1.15, "drifted")):
        for side in (-1, 1):
            reading = ohm * (1 + side * share * percent / 100)
            found = door.resistor(code, reading=f"{reading:.9g}ohm", **sharp)
            assert (found.wanted_ohm, found.tolerance) == pytest.approx((ohm, percent / 100))
            assert found.reading.state == state, reading


@resistors("JCGM 106, The role of measurement uncertainty in conformity assessment, 2012, clauses 8 and 9")
@every_row("reading, state", [(1500.10, "fine"), (1500.125, "fine"), (1500.145, "undecided"),
                              (1500.18, "undecided"), (1500.30, "drifted")])  # fmt: skip
def test_a_resistor_near_its_limit_keeps_it_with_the_probability_of_its_uncertainty(door, reading, state):
    """1499.8 to 1500.2 ohm, u 0.04 ohm: 95 % are kept up to 1500.2 - 1.645 x 0.04 = 1500.134 ohm."""
    # limits of error whose square root of three is u, nearly all of it the share of the reading
    found = door.resistor("1500ohm", reading=f"{reading}ohm", tolerance=0.2 / 1500, meter_resolution=1e-6,
                          meter_accuracy=0.04 * 3**0.5 / 1500).reading  # fmt: skip
    assert found.state == state
    if state != "drifted":
        keeps = norm.cdf((1500.2 - reading) / 0.04) - norm.cdf((1499.8 - reading) / 0.04)
        assert found.probability_in_tolerance == pytest.approx(keeps, abs=0.002)


@cache
def of_two():
    """Every value of one or two E24 parts from 1 ohm to 9.1 kohm in series or parallel, exactly."""
    stock = [Fraction(x) * Fraction(10) ** k for k in range(-1, 3) for x in E24]
    found = [*stock]
    for a, b in combinations_with_replacement(stock, 2):
        found += [a + b, a * b / (a + b)]
    return found


@resistors("Laws of Ohm and Kirchhoff over every pair of E24 values, computed by fractions")
@every_row("wanted", [7, 25.5])
def test_no_pair_of_stock_values_is_nearer_than_the_one_offered(door, wanted):
    found = door.resistor(wanted, series="E24", most_parts=2)
    least = float(min(abs(x / Fraction(str(wanted)) - 1) for x in of_two()))
    assert min(abs(n.error) for n in found.networks) == pytest.approx(least, abs=1e-12)


@resistors("Laws of Ohm and Kirchhoff, computed by fractions")
def test_ten_and_fifteen_side_by_side_share_the_heat_as_their_conductances(door):
    """10 | 15 is exactly 6 ohm; of 6 W they take 3.6 and 2.4 W, and from 6 V each has all of it."""
    (n,) = [n for n in door.resistor("6ohm", have="10ohm,15ohm", power="6W").networks
            if sorted(n.parts_ohm) == [10, 15] and "|" in n.arrangement]  # fmt: skip
    heat = dict(zip(n.parts_ohm, n.parts_W, strict=True))
    assert n.ohm == pytest.approx(float(1 / (Fraction(1, 10) + Fraction(1, 15))))
    assert (heat[10], heat[15]) == pytest.approx((3.6, 2.4)) and n.parts_V == pytest.approx((6, 6))


@resistors("Ebers and Moll, Large-signal behavior of junction transistors, 1954, p. 1761 (from memory)")
def test_five_percent_of_two_emitter_resistors_part_two_equal_transistors(door):
    """I R (1 - t) + V_T ln I = the same with 1 + t: at a drop of kT/q half of the 5 % is left."""
    amps = thermal() / 0.22
    effect = door.resistor("0.22ohm", tolerance="5%", current=amps).effect
    assert effect.drop_V == pytest.approx(thermal()) and effect.imbalance == pytest.approx(0.025, rel=0.01)


@resistors("Law of Joule, computed by fractions: 5 A through 0.22 ohm")
def test_a_rating_is_asked_of_the_heat_of_the_current(door):
    """5.5 W: eleven parts of 0.5 W, and no fewer, share it at their rating; one of 5 W does not."""
    single = door.resistor("0.22ohm", current="5A", part_power="5W", most_parts=1)
    assert single.power_W == pytest.approx(5.5) and not single.answered
    many = door.resistor("0.22ohm", current="5A", part_power="3W", most_parts=4)
    assert (
        many.answered
        and all(n.hottest_W <= 3 for n in many.networks)
        and len(many.networks[0].parts_ohm) >= 2
    )


@resistors(IEC + "; IEC 60062, Marking codes for resistors and capacitors, 2016, clause 5")
def test_the_command_says_the_same_as_the_standard(door):
    document = door.json("resistor", "4k7J", "--reading", "5.2k", "--series", "E12")
    assert document["wanted_ohm"] == 4700 and document["tolerance"] == pytest.approx(0.05)
    assert document["nearest_ohm"] == [4700.0] and document["reading"]["state"] == "drifted"
