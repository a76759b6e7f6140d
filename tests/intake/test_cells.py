"""Cells: meter readings with units, over-range and settling marks; names; what is refused and why."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from junction.base.errors import UnitError
from junction.intake.cells import cell_value, last_digit, parse_heading, parse_reading, reading_cell, visible
from tests.rows import every_row


@every_row(
    ("text", "kind", "value"),
    [
        ("0.612", "volt", 0.612), ("0,612", "volt", 0.612), ("612 mV", "volt", 0.612),
        ("612mV", "volt", 0.612),
        ("1.95", "volt", 1.95), ("1.000", "volt", 1.0), ("1 V", "volt", 1.0), ("6.2 V", "volt", 6.2),
        ("-0.001", "volt", -0.001), ("0.000", "volt", 0.0), ("34 ohm", "ohm", 34.0), ("34R", "ohm", 34.0),
        ("34k", "ohm", 34e3), ("4k7", "ohm", 4700.0), ("2.2 MΩ", "ohm", 2.2e6), ("2,2 MΩ", "ohm", 2.2e6),
        ("0.3 Ω", "ohm", 0.3), ("OL MΩ", "ohm", math.inf), ("OL k", "ohm", math.inf),
        ("1. MΩ", "ohm", math.inf), ("> 20 M", "ohm", math.inf), ("short", "volt", 0.0),
        ("Shorted", "volt", 0.0),
    ],
)  # fmt: skip
def test_readings(text, kind, value):
    reading = reading_cell("B-E", text)
    assert (reading.placement, reading.kind, reading.value) == ("B-E", kind, value)
    assert not reading.settling


@every_row(
    "text",
    ["OL", "ol", "O.L", "O.L.", "0L", "0.L", ".OL", "+OL", "-OL", "OFL", "OVL", "over", "OVERLOAD",
    "over-range",
     "inf", "Infinity", "OVLD", "O/L", "open", "open circuit", "O/C", ">1.999", "> 2 V", ">1,999", "OF",
     "--", "---", "- - -", "----", "——", "1.", "1,", "1 .", "∞", "OL V", "OL mV"],
)  # fmt: skip
def test_over_range_marks(text):
    reading = reading_cell("E-B", text)
    assert reading.kind == "over" and math.isnan(reading.value)


@pytest.mark.parametrize("text", ["0.45~", "0.45 ~", "0.45 settling", "450 mV Settling", "0.45 falling"])
def test_settling_marks(text):
    reading = reading_cell("B-C", text)
    assert reading.settling and reading.kind == "volt" and reading.value == 0.45


def test_a_settling_mark_goes_with_any_reading():
    assert reading_cell("B-C", "OL~").kind == "over" and reading_cell("B-C", "OL~").settling
    assert reading_cell("B-C", "34k ~").kind == "ohm" and reading_cell("B-C", "34k ~").settling
    with pytest.raises(UnitError, match="settling mark without a reading"):
        reading_cell("B-C", "~")


@every_row(
    ("text", "says"),
    [
        ("612", "write 612mV or 612ohm"), ("6.1", "6.1mV or 6.1ohm"),
        (">34", "write 34mV or 34ohm"), ("1", "1.000 or OL"),
        ("1. V", "1.000 or OL"),
        (">0.3", "no meter's over-range mark"), (">", "not a reading"), ("opened", "Write V, mV"),
        ("1_000", "not a reading"), ("0.6.1", "not a reading"), ("0,61.2", "not a reading"),
        ("5 A", "is a current"),
        ("612m", "612mV or 612mohm"),         ("-0.5", "discharge"), ("-34 ohm", "cannot be negative"),
        ("0.6 0.7", "not a reading"),
        ("1e999", "too large|not a reading"), ("0.6 mW", "is a power"), ("0.6 foo", "Write V, mV"),
    ],
)  # fmt: skip
def test_refused_readings_say_what_to_write(text, says):
    with pytest.raises(UnitError, match=says):
        reading_cell("B-E", text)


def test_an_empty_cell_is_no_reading():
    for text in ("", "  ", "-", "—", "n/a", "NA", "nan"):
        assert reading_cell("B-E", text) is None


def test_the_heading_gives_the_unit_and_the_cell_overrules_it():
    millivolt, ohm = parse_heading(0, "B-E (mV)"), parse_heading(0, "B-E [kohm]")
    assert reading_cell("B-E", "612", millivolt).value == 0.612
    assert reading_cell("B-E", "0.612 V", millivolt).value == 0.612
    assert reading_cell("B-E", "1", millivolt).value == 0.001
    assert reading_cell("B-E", "34", ohm).kind == "ohm" and reading_cell("B-E", "34", ohm).value == 34e3
    assert reading_cell("B-E", "OL", ohm).kind == "ohm" and reading_cell("B-E", "OL", ohm).value == math.inf
    assert reading_cell("B-E", "OL", millivolt).kind == "over"


@pytest.mark.parametrize("mark", [".", ",", "?", ""])
def test_a_number_that_could_be_thousands_is_refused_where_the_file_uses_the_other_mark(mark):
    volt = parse_heading(0, "v_V")
    for text in ("1.234", "1,234"):
        if mark == "?" or (mark and text[1] != mark):
            with pytest.raises(UnitError, match="thousands"):
                cell_value(text, volt, mark)
        else:
            assert cell_value(text, volt, mark) == 1.234
    for text in ("0.612", "0,612", "1.23", "12,3456", "1.234e-3"):
        assert cell_value(text, volt, mark) > 0


def test_quantities_need_a_unit_somewhere():
    volt, bare = parse_heading(0, "v_mV"), parse_heading(0, "v")
    assert cell_value("650", volt) == 0.65
    assert cell_value("0.65 V", volt) == cell_value("0.65V", bare) == 0.65
    assert math.isnan(cell_value(" ", bare))
    with pytest.raises(UnitError, match="no unit: write it in the heading"):
        cell_value("0.65", bare)
    with pytest.raises(UnitError, match="unit of current"):
        cell_value("0.65 A", volt)


def test_temperatures_outside_reason_are_refused():
    column = parse_heading(0, "temp_C")
    assert cell_value("25", column) == 25.0
    assert cell_value("-40 °C", column) == -40.0
    with pytest.raises(UnitError, match="298 K is 24.9 °C"):
        cell_value("298", column)
    with pytest.raises(UnitError, match="outside"):
        cell_value("-273", column)


@every_row(
    ("text", "step"),
    [("0.612", 1e-3), ("612 mV", 1e-3), ("0.6", 0.1), ("34k", 1e3), ("2.2 MΩ", 1e5), ("0,61~", 0.01),
    ("5e-3", 1e-3)],
)
def test_weight_of_the_last_digit(text, step):
    assert last_digit(text) == pytest.approx(step, rel=1e-12)


def test_typed_readings():
    reading = parse_reading("B-E=0.612")
    assert (reading.placement, reading.kind, reading.value) == ("B-E", "volt", 0.612)
    assert parse_reading("1-2 = OL").kind == "over"
    faults = {
        "B-E": "red probe first", "B-X=1": "red probe first", "B-E=": "no value", "B-E=612": "612mV",
        "B-E=-0.6": "write E-B=0.6",
    }  # fmt: skip
    for text, says in faults.items():
        with pytest.raises(UnitError, match=says):
            parse_reading(text)


@every_row(
    ("text", "seen"),
    [
        ("Q1", "Q1"), (" Q 1 ", "Q 1"), ("=1+2", "=1+2"), ("@x", "@x"), ("+Q", "+Q"), ("-Q", "-Q"),
        ("Ωß漢", "Ωß漢"),
        ("a\x00b", "a␀b"), ("a\x1b[31mb", "a␛[31mb"), ("a\x7fb", "a␡b"), ("a\u202eb", "a<U+202E>b"),
        ("a\u00a0b", "a b"), ("a\tb", "a␉b"), ("007", "007"), ("\ufeffQ", "<U+FEFF>Q"),
        ("a\u0085b", "a<U+0085>b"),
    ],
)  # fmt: skip
def test_part_names_stay_text_with_control_characters_made_visible(text, seen):
    assert cell_value(text, parse_heading(0, "part")) == seen == visible(text)


@given(st.text(min_size=1, max_size=30))
def test_a_visible_name_can_always_be_printed_and_keeps_its_length_or_grows(text):
    seen = visible(text)
    assert seen.isprintable()
    assert visible(seen) == seen


def test_names_that_are_none():
    for text in ("", "  ", "x" * 200):
        with pytest.raises(UnitError, match="part name"):
            cell_value(text, parse_heading(0, "part"))


def test_polarity_and_yes():
    polarity, yes = parse_heading(0, "polarity"), parse_heading(0, "in circuit")
    assert [cell_value(t, polarity) for t in ("NPN", "pnp", "N-P-N", "")] == ["NPN", "PNP", "NPN", ""]
    said = [cell_value(t, yes) for t in ("yes", "Y", "no", "0", "", "x")]
    assert said == [True, True, False, False, False, True]
    with pytest.raises(UnitError, match="NPN or PNP"):
        cell_value("NNP", polarity)
    with pytest.raises(UnitError, match="neither yes nor no"):
        cell_value("maybe", yes)


@given(st.text(max_size=20))
def test_any_cell_gives_a_value_or_one_line_of_reason(text):
    for read in (lambda t: reading_cell("B-E", t), lambda t: cell_value(t, parse_heading(0, "v_V"))):
        try:
            read(text)
        except UnitError as error:
            assert str(error) and "\n" not in str(error)
