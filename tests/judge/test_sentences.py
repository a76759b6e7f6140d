"""The table of sentences: every template can be filled, numbers are written as careful people write them."""

from math import inf, nan

import pytest

from junction.base.number import si
from junction.judge import sentences
from junction.judge.results import QUALITIES, WORST_FIRST, Finding, Verdict
from junction.judge.sentences import fill


@pytest.fixture
def template(monkeypatch):
    """Make a row of the table from a template."""

    class Row:
        def __init__(self, text):
            self._text = text

        def text(self, column):
            return self._text if column == "says" else ""

    def made(text):
        monkeypatch.setattr(sentences, "_rows", lambda: {text: Row(text)})
        return lambda **numbers: fill(text, "says", numbers)

    yield made
    sentences._pieces.cache_clear()


def test_fields_units_and_what_is_left_out(template):
    say = template("{where}: {leak:A2} at {volts:g} V[, N {n:.2f}][ ({odd})]; under {limit:ohm} is a short.")
    numbers = {"where": "BE", "leak": 1.27e-6, "volts": 5.0, "limit": 50.0}
    assert say(**numbers, n=1.0, odd="odd") == "BE: 1.3 µA at 5 V, N 1.00 (odd); under 50 ohm is a short."
    assert say(**numbers, n=nan, odd="") == "BE: 1.3 µA at 5 V; under 50 ohm is a short."
    with pytest.raises(KeyError):
        say(where="BE")


def test_numbers_in_a_sentence():
    written = {
        (1.27e-6, "A", 2): "1.3 µA", (0.652, "V", 3): "0.652 V", (10400.0, "ohm", 3): "10.4 kohm",
        (340.0, "ohm", 2): "340 ohm", (0.0, "A", 3): "0 A", (inf, "ohm", 3): "inf ohm",
        (nan, "A", 3): "an unknown number of A", (9.999e-4, "A", 3): "1 mA", (5e13, "ohm", 2): "50000 Gohm",
        (2e-18, "A", 2): "0.002 fA",
    }  # fmt: skip
    for (x, unit, digits), text in written.items():
        assert si(x, unit, digits) == text


def test_verdicts_are_their_words():
    assert [f"{v}" for v in Verdict] == ["good", "leaky", "shorted", "open", "undecided"]
    assert {"good": 1}[Verdict.GOOD] == 1 and QUALITIES == ("good", "leaky", "shorted", "open")
    assert set(WORST_FIRST) == set(Verdict)


def test_every_template_of_the_table_is_well_made():
    for reason in sentences._rows():
        for column in ("says", "next", "else"):
            for piece in sentences._pieces(reason, column):
                assert "[" not in piece.text and "]" not in piece.text, reason


def test_a_finding_says_what_its_row_says(template):
    template("{where}: {value:.2f} over {high:g}")
    text = "{where}: {value:.2f} over {high:g}"
    found = Finding("BE", text, high=2.0, numbers={"value": 2.5})
    assert (found.says(), found.next(), found.otherwise()) == ("BE: 2.50 over 2", "", "")
