"""Phrases that must not claim more than is known."""

from junction.judge.results import PartVerdict
from junction.paper.part import fault_words, sure
from junction.show.blocks import words

EVEN = dict.fromkeys(("good", "leaky", "shorted", "open"), 0.25)


def test_even_odds_are_no_leaning():
    nothing = PartVerdict("X1", "undecided", EVEN)
    assert sure(nothing) == "-" and "25" not in words(sure(nothing))
    some = PartVerdict("X1", "undecided", EVEN | {"good": 0.8, "leaky": 0.15, "shorted": 0.04, "open": 0.01})
    assert words(sure(some)) == "80 % good"


def test_a_fault_whose_place_is_not_sure_is_the_likeliest_one():
    surely = EVEN | {"leaky": 0.999, "good": 0.001, "shorted": 0.0, "open": 0.0}
    verdict = PartVerdict("X2", "leaky", surely, faults=("BE leaky",), faults_probability=0.72)
    assert fault_words(verdict) == "likely B-E leaky" and sure(verdict) == "> 99 %"
    certain = PartVerdict("X2", "leaky", surely, faults=("BE leaky",), faults_probability=0.99)
    from_sweep = PartVerdict("X2", "leaky", surely, faults=("BE leaky",))
    assert fault_words(certain) == fault_words(from_sweep) == "B-E leaky"
