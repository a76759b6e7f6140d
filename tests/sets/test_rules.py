"""Every convention of matching is a row of reference/rules.csv: change it, and an answer moves."""

from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import pandas as pd
import pytest

import junction
from junction.amplifier.stage import StageAsk, plan_stage
from junction.base.records import CurveTable
from junction.sets.match import low_gain, match_parts
from junction.shelf import tables as rules
from junction.shelf.types import find_type
from junction.show.page import page
from junction.transistor.transistor import fit_transistors
from junction.views import match as view
from tests.sets.bags import mixed_bag
from tests.tables import spot_part

ASK = {"power_W": 80.0, "load_ohm": 8.0, "supply_V": 42.0, "re_ohm": (0.22,)}
MIXED = mixed_bag(6, 3)


def matched(layout="pairs", parallel=2):
    result = match_parts(MIXED, plan_stage(StageAsk(parallel=parallel, **ASK)), layout, draws=100)
    return repr(result.sets)


@cache
def one_weak(hfe, type_, ic_A):
    readings = [spot_part(part, ic_A, 0.6, h, 24.0, type=type_, polarity="NPN")
                for part, h in (("A", 78.0), ("B", 75.0), ("C", hfe))]  # fmt: skip
    return fit_transistors(CurveTable.empty(), readings=readings)


def weak(hfe, type_="X1", ic_A=0.1):
    return repr(low_gain(one_weak(hfe, type_, ic_A), find_type))


PARTS = pd.DataFrame({"part": list("ABCD"), "polarity": "NPN", "ic_mA": 100, "vbe_mV": [601, 603, 607, 609],
                      "hFE": [62, 70, 66, 60], "temp_C": 24})  # fmt: skip


def by_options(parts=PARTS, **options):
    return junction.match(parts, power="80W", load="8ohm", supply="42V", **options)


#: Row -> factor on its value, and what shows it.
CASES = {
    "grade_a": (0.2, matched), "grade_b": (0.55, matched), "grade_c": (0.51, matched),
    "conformity_good": (0.5, matched), "match_weight_idle": (0.1, lambda: matched("complementary")),
    "match_weight_rails": (5, lambda: matched("complementary")),
    "match_weight_base": (50, lambda: matched("complementary", 1)), "match_apart": (0.01, matched),
    "gain_below_type": (0.3, lambda: weak(8.0, "2N3055", 4.0)), "gain_below_kin": (0.5, lambda: weak(5.0)),
    "gain_doubtful": (0.5, lambda: weak(9.0)), "gain_reach": (2, lambda: weak(12.0, "2N3055", 1.2)),
    "gain_known": (0.01, lambda: weak(5.0)),
    "temp_apart": (3, lambda: repr(by_options().sets)),
    "temp_apart_missing": (3, lambda: repr(by_options(PARTS.drop(columns="temp_C")).sets)),
    "side_by_side_temp": (3, lambda: repr(by_options(side_by_side=True).sets)),
    "side_by_side_vce": (10, lambda: repr(by_options(side_by_side=True).sets)),
    "reading_vce_stated": (10, lambda: repr(by_options(reading_vce="42V").sets)),
}  # fmt: skip


@pytest.fixture
def changed(monkeypatch):
    """Calls a function while one row of the rules holds another value."""
    table = dict(rules.rules())

    def call(name, factor, function):
        with monkeypatch.context() as patch:
            value = factor * table[name].value
            patch.setattr(rules, "rules", lambda: table | {name: SimpleNamespace(value=value)})
            rules.rule.cache_clear()
            result = function()
        rules.rule.cache_clear()
        return result

    return call


def test_every_row_moves_an_answer(changed):
    assert {name for name in rules.rules() if name.startswith(("grade_", "match_", "side_"))} <= CASES.keys()
    before: dict = {}
    for name, (factor, answer) in CASES.items():
        if answer not in before:
            before[answer] = answer()
        assert changed(name, factor, answer) != before[answer], f"nothing depends on {name}"


def test_the_sentences_of_a_grade_follow_its_row(changed):
    report = replace(by_options().report, draw=lambda: None)

    def guide():
        return page(*view.page(report))

    for name, factor, old, new in (("grade_a", 4, "no more than 5 %", "no more than 20 %"),
                                   ("grade_c", 4, "stay under 20 %", "stay under 80 %"),
                                   ("conformity_good", 0.9, "95 % sure", "86 % sure")):  # fmt: skip
        assert old in guide() and new in changed(name, factor, guide)
    notes = [note for s in changed("grade_c", 0.6, by_options).sets for note in s.notes]
    assert any("and grade C ends at 12 %" in note for note in notes)
