"""The written grammar of numbers and units."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from junction.base.errors import UnitError
from junction.base.units import (
    QUANTITIES,
    SPELLINGS,
    in_si,
    letter_marked,
    parse_number,
    parse_quantity,
    parse_swing,
    quantity_of_unit,
    shown,
    split_quantity,
    unit_factor,
)
from tests.rows import every_row


@every_row(
    ("text", "value"),
    [
        ("0.612", 0.612), ("0,612", 0.612), (" 12 ", 12.0), (".5", 0.5), (",5", 0.5), ("5.", 5.0),
        ("5,", 5.0),
        ("+1e-3", 1e-3), ("-2,5E+3", -2500.0), ("−0.5", -0.5), ("007", 7.0), ("1e-400", 0.0),
    ],
)  # fmt: skip
def test_numbers(text, value):
    assert parse_number(text) == value


@every_row(
    "text",
    [
        "", " ", "1_000", "nan", "NaN", "inf", "-inf", "infinity", "1e999", "1.2.3", "1,234,567", "1.234,5",
        "1'000",
        "1 000", "0x10", "1e", "1e5.5", "--1", "+-1", "1d3", ".", ",", "-", "e5", "١٢", "１２", "1.5f",
        "five", "True",
    ],
)  # fmt: skip
def test_what_is_no_number(text):
    with pytest.raises(UnitError, match="number"):
        parse_number(text)


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(".,"))
def test_every_float_survives_writing_and_reading(value, mark):
    assert parse_number(repr(value).replace(".", mark)) == value


@given(st.text(max_size=12))
def test_anything_else_is_refused_and_never_guessed(text):
    try:
        value = parse_number(text)
    except UnitError as error:
        assert "\n" not in str(error) and "\x00" not in str(error)
    else:
        assert math.isfinite(value)
        assert value == float(text.strip().replace(",", ".").replace("−", "-"))


@every_row(
    ("text", "quantity", "value"),
    [
        ("612 mV", "voltage", 0.612), ("2,8 V", "voltage", 2.8), ("700mV", "voltage", 0.7),
        ("5A", "current", 5.0),
        ("12 µA", "current", 12e-6), ("12 μA", "current", 12e-6), ("12uA", "current", 12e-6),
        ("0.22ohm", "resistance", 0.22), ("34k", "resistance", 34e3), ("2.2 MΩ", "resistance", 2.2e6),
        ("2.2 M\u2126", "resistance", 2.2e6), ("4.7 k ohm", "resistance", 4700.0),
        ("4k7", "resistance", 4700.0),
        ("0R22", "resistance", 0.22), ("R22", "resistance", 0.22), ("1M0", "resistance", 1e6),
        ("1 megohm", "resistance", 1e6), ("25 °C", "temperature", 25.0), ("25\u00a0℃", "temperature", 25.0),
        ("-40C", "temperature", -40.0), ("1.5 K/W", "thermal resistance", 1.5), ("5 %", "ratio", 0.05),
        ("120", "ratio", 120.0), ("20 kHz", "frequency", 20e3), ("10 nF", "capacitance", 1e-8),
        ("100 W", "power", 100.0), ("10 ms", "time", 0.01),
    ],
)  # fmt: skip
def test_quantities(text, quantity, value):
    assert parse_quantity(text, quantity) == value


@every_row(
    ("text", "quantity", "says"),
    [
        ("5", "voltage", "no unit"), ("5 A", "voltage", "unit of current"),
        ("5 V", "current", "unit of voltage"),
        ("5MA", "current", "did you mean mA"), ("300 K", "temperature", "not a unit of temperature"),
        ("5 m", "voltage", "not a unit of voltage"), ("x V", "voltage", "not a number"),
        ("nan V", "voltage", "not a number"), ("1_000 V", "voltage", "not a number"),
        ("1e308 kV", "voltage", "too large"), ("5 Vrms", "voltage", "not a unit"),
        ("V", "voltage", "not a number"),
    ],
)  # fmt: skip
def test_wrong_units_say_what_was_expected(text, quantity, says):
    with pytest.raises(UnitError, match=says):
        parse_quantity(text, quantity)


def test_every_spelling_is_read_and_belongs_to_its_quantity():
    for quantity, table in SPELLINGS.items():
        for spelling, factor in table.items():
            assert unit_factor(spelling, quantity) == factor
            if spelling not in ("", "m", "k", "K", "M", "G"):
                assert quantity_of_unit(spelling) == quantity, spelling
            value = parse_quantity(f"3{spelling}", quantity)
            assert value == in_si(3.0, factor)


def test_no_spelling_means_two_quantities():
    owner = {}
    for quantity, table in SPELLINGS.items():
        for spelling in table:
            assert owner.setdefault(spelling, quantity) == quantity, spelling


@pytest.mark.external
def test_prefixes_are_those_of_the_si():
    # SI Brochure, 9th edition (2019), table 7.
    si = {"f": -15, "p": -12, "n": -9, "u": -6, "m": -3, "k": 3, "M": 6, "G": 9}
    for prefix, power in si.items():
        for quantity, (symbols, _, prefixes) in QUANTITIES.items():
            if prefix in prefixes:
                assert unit_factor(prefix + symbols[0], quantity) == float(f"1e{power}")


@pytest.mark.external
def test_letter_marks_are_those_of_iec_60062():
    # IEC 60062:2016, clause 5.1, the code with the letter as decimal mark (from memory).
    assert letter_marked("0R1") == 0.1
    assert letter_marked("R33") == 0.33
    assert letter_marked("59R04") == 59.04
    assert letter_marked("3K32") == 3320.0
    assert letter_marked("1M0") == 1e6
    for text in ("4k", "k7", "4k7k", "4.k7", "", "R", "4R7V"):
        assert math.isnan(letter_marked(text)), text


@given(st.integers(1, 10**6), st.sampled_from(["m", "u", "n"]))
def test_prefixed_values_are_rounded_once(count, prefix):
    # the nearest float to the decimal value, as Python reads it from text
    power = {"m": -3, "u": -6, "n": -9}[prefix]
    assert parse_quantity(f"{count} {prefix}V", "voltage") == float(f"{count}e{power}")


def test_shown_keeps_messages_on_one_line():
    text = shown("a\nb\x00" + "c" * 500)
    assert "\n" not in text and "\x00" not in text and len(text) < 90


def test_split_keeps_the_unit_text():
    assert split_quantity("612mV") == (0.612e3, "mV")
    assert split_quantity("0.5") == (0.5, "")


@every_row("text, volts", [("36Vpk", 36.0), ("72 Vpp", 36.0), ("72V p-p", 36.0), ("25,5Vrms", 25.5 * 2**0.5),
                           ("900 mV peak", 0.9)])  # fmt: skip
def test_a_swing_says_which_of_the_three_it_is(text, volts):
    assert parse_swing(text) == pytest.approx(volts, rel=1e-12)


@every_row("text, says", [("36V", "peak, peak to peak or rms"), (36.0, "peak, peak to peak or rms"),
                          ("0Vpp", "above 0 V"), ("36Apk", "36Vpk, 72Vpp or 25Vrms"), ("lots Vpk", "number")])
def test_a_swing_that_could_be_three(text, says):
    with pytest.raises(UnitError, match=says):
        parse_swing(text)
