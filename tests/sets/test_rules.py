"""Every convention of matching is a row of reference/rules.csv: change it, and an answer moves."""

from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import junction
from junction.amplifier.stage import StageAsk, plan_stage
from junction.base.errors import UsageError
from junction.base.records import CurveTable
from junction.leads import verdict as leads
from junction.sets.junctions import Point, TwoLead, at_current
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


LEADS = pd.DataFrame({"part": list("ABCDEF"), "A-K": [0.600, 0.604, 0.690, 0.702, 0.595, 0.622], "K-A": "OL",
                      "temp_C": 24})  # fmt: skip
REVERSE = pd.DataFrame({"part": list("ABCD"), "A-K": 0.7, "K-A": [1.80, 1.85, 1.88, 1.89],
                        "temp_C": [15, 25, 20, 25]})  # fmt: skip


def two_lead(frame=LEADS, layout="string", **options):
    return repr(junction.match(frame, layout=layout, **options).sets)


def equal_leads():
    return two_lead(LEADS.head(2))


def zener(**options):
    return two_lead(REVERSE, "zener", current="5mA", **options)


def two_points():
    points = tuple(Point(i, v, 1e-4) for i, v in ((1e-3, 0.6), (2e-3, 0.65)))
    part = TwoLead("D", points=points)
    return repr(at_current([part], None, 1e-2, reverse=False, u_temp_K=(0.3, 1.2), draws=50).v_V)


def swept_leads():
    i = np.geomspace(1e-6, 1e-2, 15)
    rows = [(part, "AK", k / 1000 + 0.05 * np.log1p(a / 1e-9), a) for k, part in enumerate("AB") for a in i]
    return two_lead(pd.DataFrame(rows, columns=["part", "junction", "v_V", "i_A"]))


METERED = pd.DataFrame({"part": list("ABCD"), "polarity": "NPN", "B-E": [0.661, 0.664, 0.668, 0.670],
                        "hFE": [162, 170, 166, 150], "temp_C": 24})  # fmt: skip


def metered(layout="pairs", **more):
    """Read in diode mode and in the socket, for a pair without emitter resistors, or facing each other."""
    parts = METERED if layout == "pairs" else METERED.assign(polarity=["NPN", "PNP"] * 2).rename(columns=str)
    if layout != "pairs":
        parts["E-B"] = parts["B-E"].where(parts.polarity == "PNP")
        parts["B-E"] = parts["B-E"].where(parts.polarity == "NPN")
    said = {"idle_current": "2mA", "peak_current": "2mA", "vce": "5V"} | more
    return repr(junction.match(parts, layout=layout, **said).sets)


def one_far_off():
    """A part that suits none beside five that suit each other."""
    parts = pd.DataFrame({
        "part": list("ABCDEF"), "polarity": "NPN", "ic_mA": 1, "temp_C": 24,
        "hFE": [244, 249, 330, 120, 288, 291],
        "vbe_V": [0.671, 0.671, 0.662, 0.702, 0.665, 0.664]})  # fmt: skip
    return repr(junction.match(parts, layout="differential", side_by_side=True).sets)


def default_sets():
    return repr(by_options().sets)


def side_by_side():
    return repr(by_options(side_by_side=True).sets)


def facing():
    return metered("complementary")


def at_10_mA():
    return two_lead(current="10mA")


def too_many():
    try:
        return repr(by_options().sets)
    except UsageError as error:
        return str(error)


#: Row -> factor on its value, and what shows it.
CASES = {
    "grade_a": (0.2, matched), "grade_b": (0.55, matched), "grade_c": (0.51, matched),
    "match_weight_idle": (0.1, lambda: matched("complementary")),
    "match_weight_rails": (0.01, lambda: matched("complementary")),
    "match_weight_base": (50, lambda: matched("complementary", 1)), "match_apart": (0.01, matched),
    "gain_below_type": (0.3, lambda: weak(8.0, "2N3055", 4.0)), "gain_below_kin": (0.5, lambda: weak(5.0)),
    "gain_doubtful": (0.5, lambda: weak(9.0)), "gain_reach": (2, lambda: weak(12.0, "2N3055", 1.2)),
    "gain_known": (0.01, lambda: weak(5.0)),
    "match_parts_most": (1e-4, too_many), "match_weight_beyond": (10, one_far_off),
    "advice_shown": (2, lambda: repr(by_options().advice)),
    "advice_worth": (20, lambda: repr(by_options().advice)),
    **{f"diode_mode_{name}": (2, metered) for name in ("gain", "gain_between", "vce")},
    **{f"socket_{name}": (2, metered) for name in ("ib", "vce", "vce_u")},
    "diode_mode_base_most": (0.5, metered), "diode_mode_base_between": (3, metered),
    "diode_mode_base_drop": (0.1, lambda: metered(peak_current="2A")),
    **dict.fromkeys(("diode_mode_gain_u", "diode_mode_base_u", "socket_hfe_shared"),
                    (3, facing)),
    "temp_apart": (3, default_sets),
    "temp_apart_missing": (3, lambda: repr(by_options(PARTS.drop(columns="temp_C")).sets)),
    "side_by_side_temp": (3, side_by_side),
    "side_by_side_vce": (10, side_by_side),
    "grade_volts_a": (0.3, equal_leads),
    "grade_volts_b": (5, two_lead), "grade_volts_c": (0.5, two_lead),
    "two_lead_n_apart": (3, at_10_mA),
    "two_lead_rs_share": (3, at_10_mA),
    "two_lead_apart": (3, at_10_mA), "two_lead_two_currents": (2, two_points),
    "two_lead_usual_current": (2, swept_leads),
    "kind_gap": (0.1, two_lead), "kind_gap_share": (0.1, two_lead),
    "zener_least": (1.14, zener), "zener_slope_low": (5, zener),
    "zener_slope_high": (2, zener), "zener_tc": (3, zener),
    "zener_tc_zero": (2, zener),
    "reading_vce_stated": (10, lambda: repr(by_options(reading_vce="42V").sets)),
}  # fmt: skip


@pytest.fixture(autouse=True)
def judged_once(monkeypatch):
    """The same readings are judged once: a row that moved only their verdict would here move nothing."""
    judge, kept = leads.judge_readings, {}

    def once(readings, meter, *more, **others):
        key = repr((readings, meter))
        if key not in kept:
            kept[key] = judge(readings, meter, *more, **others)
        return kept[key]

    monkeypatch.setattr(leads, "judge_readings", once)


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

    for name, factor, old, new in (("grade_a", 4, "ends within 5 %", "ends within 20 %"),
                                   ("grade_c", 4, "stay under 20 %", "stay under 80 %")):  # fmt: skip
        assert old in guide() and new in changed(name, factor, guide)
    notes = [note for s in changed("grade_c", 0.6, by_options).sets for note in s.notes]
    assert any("passes 12 %, where grade C ends" in note for note in notes)
