"""What a reading says of a resistor, against JCGM 106; what its tolerance does where it shares a current."""

from math import inf, isnan, nan, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import junction
from junction.base.errors import UsageError
from junction.base.units import thermal_voltage
from junction.replace.resistor import judge_reading, resolution_of, sharing_effect
from tests.rows import every_row

untimed = settings(deadline=None)  # shared machines stall; nothing here measures time


@every_row(
    ("value", "more"),
    [(0, {}), (-1, {}), (inf, {}), (nan, {}), (1, {"have": (1, -2)}), (1, {"most_parts": 101}),
     (1, {"most_parts": 0}), (1, {"reading": -1}), (1, {"reading": nan}), (1, {"lead_zero": 0.1}),
     (1, {"reading": 1, "lead_zero": 1.3}), (1, {"tolerance": 5}), (1, {"have": {1: 0}})],
)  # fmt: skip
def test_what_cannot_be_meant(value, more):
    with pytest.raises(UsageError):
        junction.resistor(value, **more)


# --- sharing and sensing ------------------------------------------------------------------------------


@untimed
@given(st.floats(0.01, 10), st.floats(0.001, 0.2), st.floats(1e-3, 10))
def test_sharing_solves_its_equation(ohm, tolerance, amps):
    e = sharing_effect(ohm, tolerance, amps)
    i1, i2 = amps * (1 + e.imbalance), amps * (1 - e.imbalance)
    left = i1 * ohm * (1 - tolerance) + thermal_voltage(25.0) * np.log(i1)
    right = i2 * ohm * (1 + tolerance) + thermal_voltage(25.0) * np.log(i2)
    assert left == pytest.approx(right, abs=1e-12 + 1e-12 * amps * ohm)
    # never more than the resistors alone would make it, and less the smaller the drop is
    assert 0 < e.imbalance < tolerance * (1 + 1e-12)
    assert (e.trip_low_A, e.trip_high_A) == pytest.approx((amps / (1 + tolerance), amps / (1 - tolerance)))


def test_sharing_limits():
    # a drop far over kT/q: the resistors decide; far under it: the junctions do, t·V_R/(V_R + kT/q)
    assert sharing_effect(10.0, 0.05, 10.0).imbalance == pytest.approx(0.05, rel=1e-3)
    small = sharing_effect(0.1, 0.05, 0.01).imbalance
    assert small == pytest.approx(0.05 * 1e-3 / (1e-3 + thermal_voltage(25.0)), rel=1e-3)


@every_row(
    ("current", "more", "watts"),
    [(5.0, {}, 5.5), (5.0, {"power": "6W"}, 6.0), (5.0, {"power": "5W"}, 5.5)],  # 25 A2 x 0.22 Ω
)
def test_the_current_heats(current, more, watts):
    """Joule: I squared R; a power typed rounded beside it is the larger of the two."""
    report = junction.resistor("0R22", current=current, **more)
    assert report.power_W == pytest.approx(watts) and report.alone_rating_W == pytest.approx(2 * watts)
    assert report.networks[0].hottest_W == pytest.approx(watts)


@every_row("power", ("1W", "4W", "7W"))
def test_current_and_power_that_contradict_each_other_are_asked_about(power):
    with pytest.raises(UsageError, match="5 A makes 5.5 W in 0.22 Ω"):
        junction.resistor("0R22", current="5A", power=power)


@every_row(
    ("value", "reading", "asked"),
    [("10k", "9.4", "9.4 Ω or 9.4 kΩ"), ("4k7", "4.7", "4.7 Ω or 4.7 kΩ"), ("10k", 9.4, "9.4 kΩ"),
     ("1M", "0.98", "0.98 Ω or 980 kΩ"), ("1M", "980", "980 Ω or 980 kΩ"),
     ("10", "0.0098", "9.8 Ω"), ("4.7", "4k6", "is the marked value 4.7 Ω or 4.7 kΩ"),
     ("472", "4700ohm", "As a marking code it fits"), ("10k", "6.1", "6.1 Ω or 6.1 kΩ"),
     ("220", "22", "220 Ω or 22 Ω")],
)  # fmt: skip
def test_digits_of_another_range_are_asked_about(value, reading, asked):
    with pytest.raises(UsageError, match=asked):
        junction.resistor(value, reading=reading)


@every_row(
    ("value", "reading", "state"),
    [("220ohm", "22", "shorted"),
     ("10k", "9.4ohm", "shorted"), ("10k", "9R4", "shorted"), ("10k", "9.9k", "fine"),
     ("10k", "21", "shorted"), ("10k", "0", "shorted"), ("4.7ohm", "4.6k", "open"),
     ("1000", "990", "fine"), ("100", "OL", "open")],
)  # fmt: skip
def test_a_reading_with_its_unit_is_judged(value, reading, state):
    assert junction.resistor(value, reading=reading).reading.state == state


@every_row(
    ("value", "ohm", "tolerance"),
    [("2R2J", 2.2, 0.05), ("4k7K", 4700, 0.1), ("0R22F", 0.22, 0.01), ("R10G", 0.1, 0.02),
     ("10kJ", 1e4, 0.05), ("47RM", 47, 0.2), ("4K7", 4700, 0.05), ("10K", 1e4, 0.05), ("1M5", 1.5e6, 0.05)],
)  # fmt: skip
def test_letters_of_tolerance(value, ohm, tolerance):
    """IEC 60062: B 0.1, C 0.25, D 0.5, F 1, G 2, J 5, K 10, M 20 percent; without one that of E24, 5."""
    report = junction.resistor(value)
    assert (report.wanted_ohm, report.tolerance) == (pytest.approx(ohm), pytest.approx(tolerance))


# --- readings -----------------------------------------------------------------------------------------


@every_row(
    ("reading", "circuit", "state"),
    [
        (1000, False, "fine"), (1030, False, "fine"), (1040, False, "undecided"), (1050, False, "undecided"),
        (1080, False, "drifted"),
        (1990, False, "drifted"), (2001, False, "burnt"), (9e4, False, "burnt"), (1.1e5, False, "open"),
        (inf, False, "open"), (inf, True, "open"), (900, False, "drifted"), (90, False, "shorted"),
        (0, False, "shorted"), (900, True, "undecided"), (90, True, "undecided"), (0, True, "undecided"),
        (1000, True, "fine"), (1200, True, "drifted"), (3000, True, "burnt"),
    ],
)  # fmt: skip
def test_states_of_a_1k_resistor(reading, circuit, state):
    verdict = judge_reading(1000.0, reading, in_circuit=circuit, resolution_ohm=1.0)
    assert verdict.state == state, verdict
    assert verdict.next or state == "fine"


def test_in_circuit_only_a_high_reading_condemns():
    low = judge_reading(1000.0, 600.0, in_circuit=True)
    assert low.state == "undecided" and "lift" in low.next
    # 1000 | 1500 = 600
    assert low.parallel_ohm == pytest.approx(1500.0)
    assert isnan(judge_reading(1000.0, 1500.0, in_circuit=True).parallel_ohm)
    assert "lift" in judge_reading(1000.0, 1000.0, in_circuit=True).next


def test_a_meter_too_coarse_for_an_emitter_resistor_says_so():
    # half-width 0.2 Ω on 0.22 Ω decides nothing, neither for a good nor for a doubled one
    for reading in (0.2, 0.3, 0.4):
        verdict = judge_reading(0.22, reading)
        assert verdict.state == "undecided" and "known current" in verdict.next


def test_above_the_meters_range_nothing_is_decided():
    assert judge_reading(47e6, inf).state == "undecided"
    assert judge_reading(10e6, inf).state == "open"


def test_probability_is_that_of_jcgm_106():
    # a = 1 % of 1045 + 2 digits of 1 Ω, u = a/sqrt(3); inside 950..1050
    from scipy.stats import norm

    u = (10.45 + 2) / sqrt(3)
    verdict = judge_reading(1000.0, 1045.0, resolution_ohm=1.0)
    want = norm.cdf((1050 - 1045) / u) - norm.cdf((950 - 1045) / u)
    assert verdict.probability_in_tolerance == pytest.approx(want, rel=1e-9)


def test_in_circuit_an_excess_that_the_meter_may_have_made_is_called_that():
    """Other paths can only lower it (parallel resistances), so lifting a lead explains no excess."""
    high = judge_reading(0.22, 0.4, in_circuit=True)
    assert high.state == "undecided"
    for words in ("only make it read low", "steps of 0.1 Ω", "0.2 Ω a pair", "known current"):
        assert words in high.next, words
    assert "lift" not in high.next
    assert "not even of one exactly at its nominal" in high.evidence
    assert "lift" in judge_reading(1000.0, 900.0, in_circuit=True, resolution_ohm=1.0).next
    fine_meter = judge_reading(1000.0, 1040.0, in_circuit=True, resolution_ohm=1.0)
    assert "only make it read low" in fine_meter.next and "leads" not in fine_meter.next
    assert "at its nominal" not in fine_meter.evidence


@every_row(
    ("nominal", "reading", "more", "told"),
    [
        # u = hypot(0.201, 0.2)/sqrt(3) = 0.16 Ω on a band of 0.01 Ω: the meter speaks, not the resistor
        (0.1, 0.3, {"lead_zero_ohm": 0.2}, False), (0.22, 0.4, {}, False),
        (1000.0, 600.0, {"in_circuit": True}, False), (1000.0, 0.0, {"in_circuit": True}, False),
        (1000.0, 1045.0, {}, True), (1000.0, 1500.0, {"in_circuit": True}, True), (1000.0, 990.0, {}, True),
    ],
)  # fmt: skip
def test_a_probability_is_told_only_where_the_resistor_makes_it(nominal, reading, more, told):
    assert isnan(judge_reading(nominal, reading, **more).probability_in_tolerance) != told


# --- leads taken off ----------------------------------------------------------------------------------


@every_row(
    ("reading", "zero", "state", "corrected"),
    [(0.42, 0.2, "undecided", 0.22),  # u = hypot(1 % of 0.22 + 2 x 0.01, 2 x 0.01)/sqrt(3) = 17 mΩ on 11
     (0.42, 0.05, "drifted", 0.37), (1.2, 0.2, "burnt", 1.0), (inf, 0.2, "open", inf),
     (0.2, 0.21, "shorted", 0.0)],
)  # fmt: skip
def test_leads_are_taken_off(reading, zero, state, corrected):
    v = judge_reading(0.22, reading, lead_zero_ohm=zero, resolution_ohm=0.01)
    assert v.state == state and v.corrected_ohm == pytest.approx(corrected)
    assert v.reading_ohm == reading and v.lead_zero_ohm == zero


def test_both_readings_are_uncertain():
    """JCGM 100: the gain error is that of the difference, the last digits of either are independent."""
    from scipy.stats import norm

    v = judge_reading(10.0, 10.9, lead_zero_ohm=0.5, resolution_ohm=0.1, tolerance=0.05)
    u = np.hypot(0.104 + 0.2, 0.2) / sqrt(3)
    want = norm.cdf((10.5 - 10.4) / u) - norm.cdf((9.5 - 10.4) / u)
    assert v.probability_in_tolerance == pytest.approx(want, rel=1e-9)
    assert v.probability_in_tolerance < judge_reading(10.0, 10.4, resolution_ohm=0.1).probability_in_tolerance


@every_row(
    ("value", "says"),
    [(0.22, ("1 A", "0.22 V")), (4.7, ("100 mA", "0.47 V")), (1.0, ("1 A", "1 V"))],
)  # fmt: skip
def test_a_low_value_ends_in_the_drop_at_a_known_current(value, says):
    """Ohm's law; the leads first, where they were not taken off."""
    plain = judge_reading(value, value + 0.1)
    assert "--lead-zero" in plain.next and "four wires" in plain.next
    taken = judge_reading(value, value + 0.1, lead_zero_ohm=0.1)
    assert "--lead-zero" not in taken.next
    for v in (plain, taken):
        assert v.state == "undecided" and all(word in v.next for word in says), v.next


def test_leads_that_were_not_taken_off_condemn_nothing():
    """0.1 Ω more than nominal is what leads add (0.2 Ω a pair: common practice, no source)."""
    v = judge_reading(0.22, 0.32)
    assert v.state == "undecided" and "--lead-zero" in v.next
    assert judge_reading(0.22, 0.32, lead_zero_ohm=0.01).state == "drifted"
    assert judge_reading(0.22, 0.62).state == "burnt"  # more than leads and steps of 0.01 Ω make
    # a last digit of 1 mΩ is that of a meter with four wires
    assert judge_reading(0.22, 0.32, resolution_ohm=1e-3).state == "drifted"


@every_row(
    ("reading", "digit"),
    [(0.4, 0.1), (0.42, 0.01), (0.2205, 0.0001), (131.0, 0.131), (inf, 0.1), (1234.56, 0.01), (12.3, 0.1)],
)
def test_a_reading_shows_its_last_digit(reading, digit):
    assert resolution_of(reading) == pytest.approx(digit)
