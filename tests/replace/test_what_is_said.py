"""What a substitution says of itself: its headline, a candidate's row, what to do to fit it."""

from dataclasses import replace
from math import nan

import pytest

from junction.base.errors import UsageError
from junction.cli.main import main
from junction.jobs.substitute import substitute
from junction.replace.fitting import verdict
from junction.replace.rank import rank
from junction.replace.substitute import compare
from junction.replace.suggest import suggest
from junction.shelf.types import find_type, type_shelf
from tests.replace.test_substitute import line, made
from tests.rows import every_row


def said(a, b):
    return " ".join(compare(a, b).warnings)


# --- the headline ---------------------------------------------------------------------------------------

HEADLINES = [
    ({}, "meets everything that counts"),
    ({"hfe": ((1.0, 15.0, 70.0),)}, "meets every rating; gain less (15 for 20 at 1 A)"),
    ({"hfe": ((0.02, 15.0, 70.0),)}, "meets every rating; gain less (15 at 20 mA for 20 at 1 A)"),
    # three decades off it tells nothing
    ({"hfe": ((0.001, 15.0, 70.0),)}, "meets every rating; h_FE not known"),
    ({"ft": nan}, "meets every rating; f_T not known"),
    ({"ft": 0.8e6}, "meets every rating; f_T less (800 kHz for 1 MHz)"),
    ({"package": ""}, "meets every rating; package not known"),
    ({"I_C": nan}, "not known: I_C"),
    ({"V_CEO": 40.0}, "falls short in V_CEO"),
    ({"V_CEO": 40.0, "standing": "from memory", "secondary": True}, "less, from memory: V_CEO 40 V for 80 V"),
    ({"V_CEO": 40.0, "standing": "secondary", "secondary": True},
     "less, by a reference page: V_CEO 40 V for 80 V"),
]  # fmt: skip


@every_row(("changes", "headline"), HEADLINES)
def test_the_headline_says_what_it_rests_on(changes, headline):
    assert verdict(compare(made(), made("Z", **changes))) == headline


@every_row(("original", "candidate", "headline"), [
    ("BAT85", "1N5818", "meets every rating; I_R more (1 mA for 2 µA), C not known, t_rr not known"),
    ("UF4003", "UF4007", "meets every rating; t_rr longer (75 ns for 50 ns)"),
])  # fmt: skip
def test_the_headline_of_a_diode(original, candidate, headline):
    assert verdict(compare(find_type(original), find_type(candidate))) == headline


def test_the_leads_of_another_outline_go_by_their_letters():
    assert "each lead to its own hole by its letter" in said(find_type("2N3055"), find_type("TIP3055"))


def test_what_the_original_does_not_state_is_no_rating_that_is_met():
    found = compare(made("Q", I_C=nan), made("Z"))
    assert verdict(found) == "meets every rating that is known; I_C of Q not known"


def test_everything_that_counts_is_said_of_nothing_that_lacks_a_figure_or_has_less():
    shelf = type_shelf().all("bjt")
    for a in shelf[::40]:
        for b in shelf[::60]:
            found = compare(a, b, words=False)
            if "everything" not in verdict(found):
                continue
            asked = [x for x in found.lines if x.must or x.figure.startswith(("h_FE", "f_T"))]
            assert not [x for x in asked if x.margin < 1], (a.name, b.name)
            # a gain that is no less at another current, and an f_T that neither states, are no gaps
            assert not [x for x in asked if x.result == "not known" and not x.margin >= 1
                        and (x.must or x.wanted == x.wanted)], (a.name, b.name)  # fmt: skip


# --- gain at another current ----------------------------------------------------------------------------


def test_a_gain_at_another_current_informs_and_counts_less_than_one_at_the_same():
    same, other = (compare(made(), made(hfe=((at, 12.0, 70.0),))) for at in (1.0, 0.05))
    unknown = compare(made(), made(hfe=()))
    assert (line(other, "h_FE").result, line(other, "h_FE").has) == ("not known", 12.0)
    assert other.result == "meets" and line(other, "h_FE").margin == pytest.approx(0.6)
    less, no_less = (compare(made(), made(hfe=((0.05, low, 70.0),))).cost for low in (5.0, 20.0))
    assert no_less == pytest.approx(unknown.cost) and less > other.cost > unknown.cost
    # beyond what any gain counts for not being known, a gain at the same current counts more
    assert other.cost - unknown.cost < same.cost - compare(made(), made()).cost
    # 250 at 100 mA against 500 at 1 mA: two decades, and half
    assert "gain less (250 at 100 mA for 500" in verdict(compare(find_type("MPSA18"), find_type("BC337-40")))
    # the original's own current is not stated: the candidate's greatest is the one to hold against it
    assert "gain less (80 at 1 mA for 200)" in verdict(compare(find_type("2SC2240"), find_type("2N5551")))


# --- what rests on reference pages or memory ------------------------------------------------------------


def test_less_by_memory_ranks_behind_what_does_the_job():
    memory = {"standing": "from memory", "secondary": True}
    less, does = made("LESS", V_CEO=60.0, **memory), made("DOES", **memory)
    ranked = rank(compare(made(), x) for x in (less, does))
    assert [x.candidate for x in ranked] == ["DOES", "LESS"]
    assert ranked[1].short_result == "less, from memory" and ranked[1].result == "not known"
    found = compare(find_type("2SC5200"), find_type("2SD424"))
    assert verdict(found).startswith("less, from memory: V_CEO 180 V for 230 V")


# --- what to do to fit it -------------------------------------------------------------------------------


def test_what_falls_short_never_goes_in_as_it_is(capsys):
    for name in ("1N5822", "1N4148", "1N4007", "1N5406", "BAT85"):
        best, status = suggest(find_type(name), type_shelf(), 1)[0], main(["substitute", name])
        text = capsys.readouterr().out
        goes_in = "goes in as it is" in text
        assert status == 0 and ("less: V_RRM" in text) == (name == "1N5822")
        assert not goes_in or best.result in ("meets", "exceeds") and best.place == "same", name
    assert "less: V_RRM 30 V for 40 V" in said(find_type("1N5822"), find_type("1N5821"))


def test_lead_orders_that_are_not_known_or_differ_are_said():
    bare = made("Q", leads="")
    assert "lead order of Q not known: check before fitting" in said(bare, made("Z"))
    assert "lead order of Z is not on the shelf" in said(made(), made("Z", leads=""))
    board = {"mounting": "board", "package": "TO-92", "package_class": "TO-92"}
    whys = [compare(made(**board), made("Z", leads=leads, **board)).why for leads in ("BEC", "BCE", "")]
    for why, words in zip(whys, ("same leads", "other leads", "leads not known"), strict=True):
        assert why.startswith(f"TO-92, {words}"), why


def test_noise_is_said_once_where_a_small_transistor_may_stand_where_it_counts():
    for name in ("2SC2240", "BC560C", "BC549C"):
        best = suggest(find_type(name), type_shelf(), 1)[0]
        assert [x for x in best.warnings if "noise" in x] == [best.warnings[-1]], name
    for a, b in (("2N3055", "MJ15003"), ("BD139", "MJE243"), ("AC128", "2SB405")):
        assert "noise" not in said(find_type(a), find_type(b))


def test_a_much_larger_die_leaks_more():
    found = compare(find_type("BAT85"), find_type("1N5818"))
    # 1 mA at 30 V against 2 uA at 25 V; 1 A against 200 mA
    assert "I_R more (1 mA for 2 µA)" in verdict(found) and "C not known" in verdict(found)
    assert "1 A diode for 200 mA" in said(find_type("BAT85"), find_type("1N5818"))
    assert "larger die" not in said(find_type("1N4001"), find_type("1N5401"))
    assert found.cost > 4 + compare(find_type("1N5817"), find_type("1N5820")).cost


def test_a_power_part_without_an_outline_is_not_the_first_for_a_small_place():
    names = [x.candidate for x in suggest(find_type("AC128"), type_shelf(), 3)]
    assert "AD162" not in names and "package not known" in compare(find_type("AC128"), find_type("AD162")).why
    small, power = (made(x, family=f"{x} silicon", package="", mounting="board") for x in ("small", "power"))
    original = replace(small, name="Q", package="TO-92")
    assert [x.candidate for x in rank(compare(original, x) for x in (power, small))] == ["small", "power"]


def test_a_power_place_takes_nothing_whose_power_is_not_known():
    assert "2N5416" not in [x.candidate for x in suggest(find_type("MJE350"), type_shelf(), 10)]


@every_row(
    ("name", "words", "never"),
    [("2SK170", "bipolar transistors and diodes only", "--voltage"),
     ("IRF540", "bipolar transistors and diodes only", "--voltage"), ("OA91", "--diodes", "--polarity"),
     ("BY127", "--diodes", "only"), ("2SC9999", "--polarity NPN", "--diodes"),
     ("DTC114", "--voltage", "only")],
)  # fmt: skip
def test_how_to_go_on_is_what_the_number_says(name, words, never):
    with pytest.raises(UsageError) as told:
        substitute(name)
    assert words in str(told.value) and never not in str(told.value)
