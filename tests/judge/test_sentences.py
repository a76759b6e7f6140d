"""The table of sentences: every template can be filled, numbers are written as careful people write them."""

import re
from math import inf, nan
from types import SimpleNamespace

import pytest

from junction.base.units import si
from junction.judge import results as sentences
from junction.judge.results import QUALITIES, WORST_FIRST, Finding, Verdict, fill
from junction.shelf.tables import records


@pytest.fixture
def template(monkeypatch):
    """Fill a template as if it stood in the table."""

    def filled(text, **numbers):
        rows = dict(records("sentences")) | {text: SimpleNamespace(says=text, next="")}
        rows[text].__dict__["else"] = ""
        monkeypatch.setattr(sentences, "records", lambda name: rows)
        return fill(text, "says", numbers)

    yield filled
    sentences._template.cache_clear()
    sentences._writer.cache_clear()


def test_fields_units_and_what_is_left_out(template):
    text = "{where}: {leak:A2} at {volts:g} V[, N {n:.2f}][ ({odd})]; under {limit:ohm} is a short."
    numbers = {"where": "BE", "leak": 1.27e-6, "volts": 5.0, "limit": 50.0}
    assert template(text, **numbers, n=1.0, odd="odd") == (
        "B-E: 1.3 µA at 5 V, N 1.00 (odd); under 50 Ω is a short.")  # fmt: skip
    assert template(text, **numbers, n=nan, odd="") == "B-E: 1.3 µA at 5 V; under 50 Ω is a short."
    with pytest.raises(KeyError):
        template(text, where="BE")


def test_conditions_rules_and_other_rows(template):
    text = "[?typed a {type}][!typed no type[!dark , {colour} light]]; {=short_below:ohm2}, {>blind_gain}"
    no_type = {"typed": False, "type": "", "colour": "red"}
    assert template(text, typed=True, type="diode", colour="", dark=False) == "a diode; 50 Ω, current gain"
    assert template(text, **no_type, dark=False) == "no type, red light; 50 Ω, current gain"
    assert template(text, **no_type, dark=True) == "no type; 50 Ω, current gain"


def test_numbers_in_a_sentence():
    written = {
        (1.27e-6, "A", 2): "1.3 µA", (0.652, "V", 3): "0.652 V", (10400.0, "ohm", 3): "10.4 kΩ",
        (340.0, "ohm", 2): "340 Ω", (0.0, "A", 3): "0 A", (inf, "ohm", 3): "inf Ω",
        (nan, "A", 3): "an unknown number of A", (9.999e-4, "A", 3): "1 mA", (5e13, "ohm", 2): "50000 GΩ",
        (2e-18, "A", 2): "0.002 fA",
    }  # fmt: skip
    for (x, unit, digits), text in written.items():
        assert si(x, unit, digits) == text


def test_verdicts_are_their_words():
    assert [f"{v}" for v in Verdict] == ["good", "leaky", "shorted", "open", "undecided"]
    assert {"good": 1}[Verdict.GOOD] == 1 and QUALITIES == ("good", "leaky", "shorted", "open")
    assert set(WORST_FIRST) == set(Verdict)


class AnyNumber(float):
    """Stands for any field, also one that has parts."""

    low = high = value = 1.0


def test_every_template_of_the_table_can_be_filled():
    rows = records("sentences")
    texts = [getattr(row, column) for row in rows.values() for column in ("says", "next", "else")]
    names = re.findall(r"(?:\{|\[[?!])(\w+)", " ".join(texts))
    anything = dict.fromkeys(names, AnyNumber(1.0))
    for reason in rows:
        for column in ("says", "next", "else"):
            text = fill(reason, column, anything)
            assert not set(text) & set("[]{}"), f"{reason}: {text}"


def test_a_finding_says_what_its_row_says():
    found = Finding("BE", "sweep_swapped", numbers={"where": "BE"})
    assert found.says().startswith("B-E: nothing flows forward")
    assert (found.next(), found.otherwise()) == ("Swap the leads of B-E and sweep it again.", "")
