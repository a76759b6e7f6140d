"""Rounding rules, prefixes and one-sided limits."""

import ast
import re
from math import inf, nan
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import junction
from junction.base import units as number
from junction.base.records import Interval, Reading
from tests.rows import every_row

PDG = "Particle Data Group, Review of Particle Physics, Introduction, section 'Rounding'"


def value_of(x, u):
    """The value rounded at the place that its standard uncertainty asks for."""
    return number.fixed(x, number.uncertainty_place(u))


@pytest.mark.external
def test_pdg_examples():
    """The three examples that PDG gives with the rule: 0.83 ± 0.12, 0.8 ± 0.4, 14.7 ± 1.0."""
    for x, u, shown in ((0.827, 0.119, "0.83"), (0.827, 0.367, "0.8"), (14.674, 0.964, "14.7")):
        assert value_of(x, u) == shown, PDG


@pytest.mark.external
def test_gum_example():
    """JCGM 100:2008, 7.2.2: m = 100.02147 g with u_c = 0.35 mg; 0.35 keeps two digits by either rule."""
    assert value_of(100.02147, 0.35e-3) == "100.02147"


@every_row(("it", "shown"), [
    (Interval(0.6123, 0.6111, 0.6135, "V"), "0.6123 V (0.6111 to 0.6135 V)"),
    (Interval(1.234e-14, 1.1e-14, 1.4e-14, "A"), "12.3 fA (11.0 to 14.0 fA)"),
    (Interval(1e-18, 0.9e-18, 1.1e-18, "A"), "1.00e-18 A (0.90e-18 to 1.10e-18 A)"),
    (Interval(9.9996e-4, 9.99e-4, 1.001e-3, "A"), "1.0000 mA (0.9990 to 1.0010 mA)"),
    # 115 mV of uncertainty in mV would need a padding zero (820): the next prefix up says it honestly
    (Interval(0.823, 0.6, 1.06, "V"), "0.82 V (0.60 to 1.06 V)"),
    # over decades each end has its own prefix and two digits
    (Interval(1e-14, 1e-16, 1e-12, "A"), "10 fA (1.0e-16 A to 1.0 pA)"),
    (Interval(12345, 11000, 13500), "12300 (11000 to 13500)"),
    (Interval(-2.1e-3, -2.2e-3, -2e-3, "V/K"), "-2.10 mV/K (-2.20 to -2.00 mV/K)"),
    (Interval(0.0, -1e-9, 1e-9, "A"), "0.0 nA (-1.0 to 1.0 nA)"),
    (Interval(0.22, nan, nan, "ohm"), "0.22 Ω"),
    (Interval(1.2, -inf, inf), "1.2"),
    (Interval(80.0, 73.0, 88.0, "1"), "80 (73 to 88)"),
    (Interval(4.1e47, 3.1e47, 5.1e47, "ohm"), "4.1e47 Ω (3.1e47 to 5.1e47 Ω)"),
    (Interval(2e-35, -1e-35, 1e290, "A"), "2.0e-35 A (-1.0e-35 A to 1.0e290 A)"),
    (Interval(1e-9, -5e3, 5e3, "A"), "0.0 kA (-5.0 to 5.0 kA)"),
    (Interval(nan, nan, nan, "ohm"), "not known"),
    (Interval(nan, 0.0, 0.3, "ohm"), "< 0.3 Ω"),
    (Interval(nan, nan, 0.3, "ohm"), "< 0.3 Ω"),
    (Interval(nan, 2.2e6, inf, "ohm"), "> 2.2 MΩ"),
    (Interval(nan, 2.0, 3.0, "V"), "2.0 V to 3.0 V"),
    (Interval(47.0, 40.0, inf, "ohm"), "47 Ω (> 40 Ω)"),
])  # fmt: skip
def test_intervals(it, shown):
    assert number.interval(it) == shown


def test_a_limit_is_rounded_so_that_it_stays_true():
    assert number.interval(Interval(nan, 0, 0.3001, "ohm")) == "< 0.31 Ω"
    assert number.interval(Interval(nan, 2.29e6, inf, "ohm")) == "> 2.2 MΩ"
    assert number.interval(Interval(nan, -inf, -2.21, "V")) == "< -2.2 V"


@every_row(("x", "unit", "shown"), [
    (2.2e6, "ohm", "2.20 MΩ"), (0.612, "V", "0.612 V"), (0.0612, "V", "61.2 mV"),
    (999.96, "ohm", "1.00 kΩ"),
    (0.22, "ohm", "0.220 Ω"), (25.0, "degC", "25.0 °C"), (1.5, "K/W", "1.50 K/W"), (0, "V", "0 V"),
    (nan, "V", "not known"), (inf, "ohm", "unlimited"), (1e-21, "A", "1.00e-21 A"),
    (4e12, "ohm", "4.00e12 Ω"),
    (85.0, "", "85.0"), (1e-3, "A", "1.00 mA"), (1e-6, "A", "1.00 µA"),
])  # fmt: skip
def test_quantity(x, unit, shown):
    assert number.quantity(x, unit) == shown


@given(st.floats(1e-17, 1e11), st.floats(1e-6, 0.7), st.sampled_from(["V", "A", "ohm", "", "degC"]))
def test_what_is_shown_is_the_value_to_its_uncertainty(value, relative, unit):
    """The text, read back, lies within half a standard uncertainty of the value, and its ends likewise."""
    half = value * relative
    it = Interval(value, value - half, value + half, unit)
    u = half / 1.959964
    shown = [(text, x) for text, x in number.interval(it).pieces if x is not None]
    words = "".join(text for text, x in number.interval(it).pieces if x is None)
    prefixes = {"f": -15, "p": -12, "n": -9, "µ": -6, "m": -3, "k": 3, "M": 6, "G": 9}
    sign = unit.replace("ohm", "Ω")
    scale = next((10.0**p for s, p in prefixes.items() if sign and f" {s}{sign}" in words), 1.0)
    if value / (value - half) > 8:
        return  # each end carries its own prefix; the other tests hold those
    for text, x in shown:
        # PDG keeps u at 3.55 or more units of the last place: rounding moves a value by 0.5/3.55 of u at most
        assert abs(float(text) * scale - x) <= 0.15 * u + 1e-9 * abs(x)


def test_no_false_digits():
    """Ten times the uncertainty takes at least one digit away."""
    fine = number.interval(Interval(1.23456, 1.23446, 1.23466), ends=False)
    coarse = number.interval(Interval(1.23456, 1.2335, 1.2355), ends=False)
    assert (fine, coarse) == ("1.23456", "1.2346") and len(coarse) < len(fine)


def test_two_columns():
    assert number.value_and_ends(Interval(0.6123, 0.6111, 0.6135, "V")) == ("0.6123 V", "0.6111 to 0.6135 V")
    assert number.value_and_ends(Interval(nan, 0, 0.3, "ohm")) == ("< 0.3 Ω", "")


@every_row(("r", "shown"), [
    (Reading("B-E", "volt", 0.612), "0.612 V"), (Reading("B-E", "volt", 0.6), "0.600 V"),
    (Reading("B-E", "volt", 0.61234), "0.61234 V"), (Reading("B-E", "over"), "OL"),
    (Reading("B-E", "ohm", 34.0), "34 Ω"), (Reading("B-E", "ohm", 2.2e6), "2.2 MΩ"),
    (Reading("B-E", "ohm", inf), "over-range Ω"),
    (Reading("B-E", "volt", 0.4, True), "0.400 V (still falling)"),
])  # fmt: skip
def test_readings(r, shown):
    assert number.reading(r) == shown


@every_row(("p", "shown"), [
    (0.5, "50 %"), (0.9996, "> 99 %"), (1.0, "100 %"), (0.0, "0 %"), (0.004, "< 1 %"), (0.994, "99 %"),
])  # fmt: skip
def test_percent_never_claims_certainty(p, shown):
    assert number.percent(p) == shown


def test_temperatures_are_written_one_way_wherever_people_read_them():
    """°C after a blank, in the sentences of intake, sort, fit and substitute; SPICE files stay ASCII."""
    package = Path(junction.__file__).parent
    theirs = ("stage", "check")
    rooms = ("intake", "replace", "verdict", "show", "views")
    files = [p for room in rooms for p in package.glob(f"{room}/*.py") if p.stem not in theirs]
    wrong = re.compile(r"(\d|\{[^}]*\})( C\b| degC|°C)")
    for path in files:
        tree = ast.parse(path.read_text())
        cards = [node for node in tree.body if getattr(node, "name", "") in ("_measured_at", "cards")]
        spice = {id(node) for card in cards for node in ast.walk(card)}
        for node in ast.walk(tree):
            if isinstance(node, ast.JoinedStr) and id(node) not in spice:
                text = "".join(v.value if isinstance(v, ast.Constant) else "{}" for v in node.values)
                assert not wrong.search(text), f"{path.name}:{node.lineno}: {text}"
