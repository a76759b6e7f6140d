"""Substitutes: each line by itself, the preorder they make, warnings, needs, ranking."""

from dataclasses import replace
from math import isnan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from junction.base.errors import UsageError
from junction.replace.rank import rank
from junction.replace.results import Needs
from junction.replace.substitute import compare, overall
from junction.replace.suggest import suggest
from junction.shelf.tables import Limit, PartType
from junction.shelf.types import find_type, type_shelf
from tests.rows import every_row

SHELF = type_shelf()
BJTS, DIODES = SHELF.all("bjt"), SHELF.all("diode")

AT = {"P_tot": {"case_C": 25.0}}


def made(name="X", hfe=((1.0, 20.0, 70.0),), ft=1e6, cob=1e-10, sb=((40.0, 2.0),), **changes):
    """A transistor with every figure known."""
    ratings = {
        "V_CBO": 100.0, "V_CEO": 80.0, "V_EBO": 6.0, "I_C": 10.0, "I_CM": 15.0, "P_tot": 100.0,
        "R_thJC": 1.5, "T_j": 150.0,
    }  # fmt: skip
    words = {k: v for k, v in changes.items() if k not in ratings}
    ratings |= {k: v for k, v in changes.items() if k in ratings}
    limits = [Limit(k, high=v, at=AT.get(k, {})) for k, v in ratings.items()]
    limits += [Limit("h_FE", low=lo, high=hi, at={"ic_A": i, "vce_V": 4.0}) for i, lo, hi in hfe]
    limits += [Limit("f_T", low=ft), Limit("C_ob", high=cob)]
    limits += [Limit("I_S/b", low=i, at={"vce_V": v}) for v, i in sb]
    base = PartType(
        name, "bjt", "plain", "NPN", "silicon", "TO-3", "BEC", complement="Y", limits=tuple(limits),
        case_to="C", mounting="bolted", leads_basis="published",
    )  # fmt: skip
    return replace(base, **words)


def line(result, figure):
    return next(x for x in result.lines if x.figure.startswith(figure))


# --- each figure, one at a time -----------------------------------------------------------------------

HIGHER_IS_BETTER = {
    "V_CBO": 100.0, "V_CEO": 80.0, "V_EBO": 6.0, "I_C": 10.0, "I_CM": 15.0, "P_tot": 100.0, "T_j": 150.0,
}  # fmt: skip
MUSTS = {"V_CBO", "V_CEO", "I_C", "P_tot"}


@every_row("symbol", HIGHER_IS_BETTER)
def test_a_rating_that_is_higher_or_lower(symbol):
    value = HIGHER_IS_BETTER[symbol]
    up = compare(made(), made(**{symbol: value * 1.01}))
    assert line(up, symbol).result == "exceeds" and line(up, symbol).margin > 1
    down = compare(made(), made(**{symbol: value * 0.99}))
    assert line(down, symbol).result == "falls short" and line(down, symbol).margin < 1
    assert (down.result == "falls short") == (symbol in MUSTS)
    # without R_th, which would give the power by way of T_j
    unknown = compare(made(R_thJC=float("nan")), made(**{symbol: float("nan"), "R_thJC": float("nan")}))
    assert line(unknown, symbol).result == "not known"
    assert unknown.result == ("not known" if symbol in MUSTS else "meets")


@every_row(
    ("change", "figure"),
    [({"ft": 0.5e6}, "f_T"), ({"cob": 2e-10}, "C_ob"), ({"R_thJC": 2.0}, "R_thJC"),
     ({"hfe": ((1.0, 15.0, 70.0),)}, "h_FE"), ({"sb": ((40.0, 1.0),)}, "safe area"),
     ({"package": "TO-220"}, "package"), ({"leads": "BCE"}, "lead order")],
)  # fmt: skip
def test_what_does_not_settle_the_result_is_still_said(change, figure):
    result = compare(made(), made(**change))
    assert line(result, figure).result == "falls short"
    assert result.result == "meets" and figure in " ".join(result.figures("falls short", False))


@pytest.mark.parametrize("change", [{"polarity": "PNP"}, {"material": "germanium"}, {"kind": "darlington"},
                                    {"sections": 2}])  # fmt: skip
def test_another_kind_of_part_falls_short(change):
    assert compare(made(), made(**change)).result == "falls short"


def test_the_same_value_in_another_prefix_meets():
    # 0.1 + 0.2 is not 0.3 in binary; as a rating it is
    assert line(compare(made(I_C=0.3), made(I_C=0.1 + 0.2)), "I_C").result == "meets"


def test_power_is_compared_hot_as_well():
    # 100 W to 150 C against 110 W to 120 C: more when cool, less at 90 C (100·60/125 = 48, 110·30/95 = 34.7)
    result = compare(made(), made(P_tot=110.0, T_j=120.0), case_temp_C=90.0)
    cool, hot = (x for x in result.lines if x.figure.startswith("P_tot"))
    assert (cool.result, hot.result) == ("exceeds", "falls short")
    assert (hot.wanted, hot.has) == (pytest.approx(48.0), pytest.approx(110 * 30 / 95))
    assert result.result == "falls short"


def test_v_cbo_is_at_least_v_ceo():
    # a sheet that leaves V_CBO out still guarantees V_CEO there
    known = compare(made(), made(V_CEO=120.0, V_CBO=float("nan")))
    assert line(known, "V_CBO").result == "exceeds"
    assert line(compare(made(), made(V_CEO=90.0, V_CBO=float("nan"))), "V_CBO").result == "not known"


def test_gain_at_a_comparable_current_only():
    near = compare(made(), made(hfe=((1.9, 20.0, 70.0),)))
    assert line(near, "h_FE at 1 A").result == "meets" and "1.9 A" in line(near, "h_FE").note
    # a gain registered at a higher current holds down to a fifth of it, at a lower one up to twice
    assert line(compare(made(), made(hfe=((4.9, 20.0, 70.0),))), "h_FE").result == "meets"
    assert line(compare(made(), made(hfe=((5.1, 20.0, 70.0),))), "h_FE").result == "not known"
    assert line(compare(made(), made(hfe=((0.49, 20.0, 70.0),))), "h_FE").result == "not known"


def test_gain_between_two_registered_currents():
    # on logarithmic axes: 80 at 0.1 A and 20 at 10 A give the geometric mean 40 at 1 A
    found = line(compare(made(), made(hfe=((0.1, 80.0, 200.0), (10.0, 20.0, 60.0)))), "h_FE at 1 A")
    assert found.has == pytest.approx(40.0) and found.result == "exceeds" and "between" in found.note


def test_far_less_gain_or_speed_settles_the_result():
    assert compare(made(), made(hfe=((1.0, 10.0, 70.0),))).result == "meets"
    assert compare(made(), made(hfe=((1.0, 9.9, 70.0),))).result == "falls short"
    assert compare(made(ft=2e7), made(ft=0.4e7)).result == "meets"
    assert compare(made(ft=2e7), made(ft=0.39e7)).result == "falls short"
    # a slow power part in the place of another: said, and it settles nothing (2N3773 for 2N3055)
    slow = compare(made(ft=2.5e6), made(ft=0.2e6))
    assert slow.result == "meets" and "f_T" in slow.figures("falls short")
    # of an RF type half is the least, and of a video driver
    assert compare(made(ft=5e8), made(ft=2.4e8)).result == "falls short"
    video = {"V_CEO": 300.0, "V_CBO": 300.0}
    assert compare(made(ft=6e7, **video), made(ft=2.9e7, **video)).result == "falls short"
    assert compare(made(ft=4e7, **video), made(ft=1.9e7, **video)).result == "meets"


def test_insulated_tab_stands_in_for_a_live_one_not_the_other_way():
    live, insulated = made(), made(case_to="none")
    assert line(compare(live, insulated), "case or tab").result == "exceeds"
    assert line(compare(insulated, live), "case or tab").result == "falls short"


def test_a_figure_the_original_does_not_give_asks_for_nothing():
    result = compare(made(I_C=float("nan")), made())
    assert line(result, "I_C").result == "not known" and result.result == "meets"


def test_a_secondary_row_never_fails_a_part():
    weak = made(V_CEO=20.0, I_C=1.0, P_tot=5.0, hfe=((1.0, 2.0, 3.0),), ft=1.0, cob=1.0, secondary=True)
    for result in (compare(made(), weak), compare(weak, made(V_CEO=10.0, secondary=False))):
        numeric = [x for x in result.lines if not isnan(x.wanted)]
        assert "falls short" not in {x.result for x in numeric}
    assert compare(made(), weak).result == "not known"
    for part in BJTS[::3]:
        if part.secondary:
            for other in BJTS[::40]:
                lines = compare(other, part).lines
                assert not [x for x in lines if x.result == "falls short" and not isnan(x.wanted)]


# --- the relation -------------------------------------------------------------------------------------

values = st.sampled_from([1.0, 1.2, 2.0, 5.0])


@st.composite
def parts(draw):
    v_ceo = 20 * draw(values)
    return made(
        V_CEO=v_ceo, V_CBO=v_ceo * draw(values), V_EBO=4 * draw(values), I_C=draw(values),
        I_CM=5 * draw(values), P_tot=30 * draw(values), R_thJC=draw(values), T_j=120 + 20 * draw(values),
        hfe=tuple((i, 10 * draw(values), 100 * draw(values)) for i in (0.5, 2.0)), ft=1e6 * draw(values),
        cob=1e-10 * draw(values), sb=((20.0, 3 * draw(values)), (40.0, 0.5 * draw(values))),
        polarity=draw(st.sampled_from(["NPN", "PNP"])), package=draw(st.sampled_from(["TO-3", "TO-220"])),
        case_to=draw(st.sampled_from(["C", "none"])),
    )  # fmt: skip


def ok(result):
    return result in ("meets", "exceeds")


@settings(max_examples=200, deadline=None)
@given(parts())
def test_reflexive(a):
    result = compare(a, a, 70.0)
    assert {x.result for x in result.lines} == {"meets"} and result.result == "meets"


@settings(max_examples=300, deadline=None)
@given(parts(), parts(), parts())
def test_transitive_in_every_line_and_over_all(a, b, c):
    ab, bc, ac = compare(a, b, 70.0), compare(b, c, 70.0), compare(a, c, 70.0)
    if ok(ab.result) and ok(bc.result):
        assert ok(ac.result)
    first = {x.figure: x.result for x in ab.lines}
    second = {x.figure: x.result for x in bc.lines}
    for x in ac.lines:
        if ok(first[x.figure]) and ok(second[x.figure]):
            assert ok(x.result), x


@settings(max_examples=200, deadline=None)
@given(parts(), st.lists(st.floats(1.0, 4.0), min_size=10, max_size=10))
def test_better_in_every_figure_never_falls_short(a, k):
    better = made(
        V_CEO=a.rating("V_CEO") * k[0], V_CBO=a.rating("V_CBO") * k[1], V_EBO=a.rating("V_EBO") * k[2],
        I_C=a.rating("I_C") * k[3], I_CM=a.rating("I_CM") * k[4], P_tot=a.rating("P_tot") * k[5],
        R_thJC=a.rating("R_thJC") / k[6], T_j=a.rating("T_j") * k[7],
        hfe=tuple((x.at["ic_A"], x.low * k[8], x.high) for x in a.find("h_FE")),
        ft=a.find("f_T")[0].low * k[9],
        cob=a.find("C_ob")[0].high / k[9], sb=tuple((x.at["vce_V"], x.low * k[8]) for x in a.find("I_S/b")),
        polarity=a.polarity, package=a.package, case_to=a.case_to,
    )  # fmt: skip
    for temp in (25.0, 60.0, 100.0):
        result = compare(a, better, temp)
        assert not result.figures("falls short") and ok(result.result)
        assert result.weakest["margin"] >= 1 - 1e-9


def test_every_type_of_the_shelf_meets_itself():
    for part in (*BJTS, *DIODES):
        result = compare(part, part)
        assert not result.figures("falls short") and not result.figures("exceeds"), part.name
        unknown = result.result == "not known" and result.figures("not known", True)
        assert result.result == "meets" or unknown, part.name


def test_the_relation_is_transitive_on_the_shelf_where_it_is_known():
    shelf = [p for p in BJTS if p.package == "TO-3" and p.polarity == "NPN"]
    table = {(a.name, b.name): compare(a, b, words=False) for a in shelf for b in shelf}
    for a in shelf:
        for b in shelf:
            for c in shelf:
                if ok(table[a.name, b.name].result) and ok(table[b.name, c.name].result):
                    # gain and speed have a bound that is a share: two steps may pass it
                    short = {x.partition(" ")[0] for x in table[a.name, c.name].figures("falls short", True)}
                    assert short <= {"h_FE", "f_T"}, (a.name, b.name, c.name)


# --- warnings -----------------------------------------------------------------------------------------


def warned(a, b):
    return " ".join(compare(a, b).warnings)


def test_much_faster_can_oscillate():
    assert "oscillate" in warned(made(), made(ft=3e6))
    assert "oscillate" not in warned(made(), made(ft=2.9e6))
    assert "oscillate" in warned(find_type("JAN2N3055"), find_type("2N3055"))  # 0.8 to 2.5 MHz


def test_what_else_is_warned_about():
    assert "lead order BEC to BCE" in warned(made(), made(leads="BCE"))
    assert "other package" in warned(made(), made(package="TO-220"))
    assert "compensation" in warned(made(), made(cob=2e-10))
    assert "collector-emitter diode" in warned(made(damper_diode=True), made())
    assert "resistors differ" in warned(
        made(kind="darlington", r_be_ohm=(8e3, 40.0)), made(kind="darlington", r_be_ohm=())
    )
    assert "bias" in warned(made(), made(material="germanium"))
    assert "reference pages" in warned(made(), made(secondary=True))
    assert "mean gain 2 times" in warned(made(), made(hfe=((1.0, 40.0, 140.0),)))
    assert "less gain, down to 0.5" in warned(made(), made(hfe=((1.0, 10.0, 70.0),)))


def test_whether_a_pair_would_need_matching():
    assert "may spread 20 to 70" in warned(made(), made(name="Z"))
    # the registered matched duals (2N2915: ratio 0.9 to 1) are the measure of what needs no matching
    assert "matching" not in warned(made(), made(name="Z", hfe=((1.0, 20.0, 22.0),)))
    assert "no upper h_FE limit" in warned(made(), made(name="Z", hfe=((1.0, 20.0, float("nan")),)))


def test_the_other_side_of_a_pair():
    text = warned(find_type("2N3055"), find_type("MJ15003"))
    assert "change both sides of a pair: MJ2955 to MJ15004" in text
    assert "no complement" in warned(find_type("2N3055"), find_type("2N3772"))


def test_diodes():
    d = find_type
    assert "slow rectifier" in warned(d("1N4148"), d("1N4007"))
    assert "leaks far more" in warned(d("1N4001"), d("1N5819"))
    assert compare(d("1N4001"), d("1N4007")).result == "meets"  # more volts, the same ampere
    assert line(compare(d("1N4001"), d("1N4007")), "V_RRM").result == "exceeds"
    assert compare(d("1N4007"), d("1N4001")).result == "falls short"
    assert compare(d("1N4742A"), d("1N4743A")).result == "falls short"  # 12 V and 13 V
    assert compare(d("1N5242B"), d("1N4742A")).figures("falls short", True) == ()  # 0.5 W by 1 W, both 12 V
    # 5.1 V at 20 mA and 5.1 V at 240 mA: at 20 mA up to 1.5 ohm · 240 mA · ln 12 = 0.89 V lower
    found = compare(d("1N5231B"), d("1N5338B"))
    assert line(found, "V_Z").result == "meets" and "0.89 V lower" in line(found, "test current").note
    assert "tested at 240 mA" in " ".join(found.warnings)
    with pytest.raises(UsageError, match="diode"):
        compare(d("2N3055"), d("1N4007"))


# --- needs of a place ---------------------------------------------------------------------------------


def test_the_weakest_margin_of_a_place():
    needs = Needs("NPN", voltage_V=40.0, current_A=5.0, power_W=40.0, case_temp_C=75.0)
    result = compare(needs, made())
    # V 80/40 = 2, I 10/5 = 2, P(75 C) = 100·75/125 = 60 W, 60/40 = 1.5
    assert (result.result, result.weakest["figure"]) == ("exceeds", "P_tot at case 75 °C")
    assert result.weakest["margin"] == pytest.approx(1.5)


@every_row(
    ("change", "result"),
    [({}, "exceeds"), ({"polarity": "PNP"}, "falls short"), ({"voltage_V": 81.0}, "falls short"),
     ({"current_A": 10.0}, "meets"), ({"current_A": 9.9}, "exceeds"), ({"power_W": 100.1}, "falls short"),
     ({"hfe_low": 21.0}, "falls short"), ({"hfe_low": 20.0, "hfe_at_A": 0.5}, "meets"),
     ({"hfe_low": 20.0, "hfe_at_A": 1.9}, "meets"), ({"hfe_low": 20.0, "hfe_at_A": 2.1}, "not known"),
     ({"hfe_low": 20.0, "hfe_at_A": 0.19}, "not known"),
     ({"f_t_Hz": 2e6}, "falls short"), ({"load_line": ((50.0, 2.0),)}, "meets"),
     ({"load_line": ((40.0, 2.1),)}, "falls short")],
)  # fmt: skip
def test_each_need(change, result):
    base = Needs("NPN", voltage_V=40.0, current_A=5.0, power_W=40.0)
    part = made(sb=((40.0, 2.0), (60.0, 2.0)))
    assert compare(replace(base, **change), part).result == result


def test_a_place_on_the_shelf():
    needs = Needs("NPN", voltage_V=90.0, current_A=4.0, power_W=40.0, case_temp_C=80.0)
    found = suggest(needs, SHELF, most=5)
    assert len(found) == 5
    for result in found:
        part = find_type(result.candidate)
        assert part.polarity == "NPN" and part.rating("V_CEO") >= 90 and part.rating("I_C") >= 4
        assert result.weakest["margin"] >= 1


# --- ranking ------------------------------------------------------------------------------------------


def test_rank_puts_what_falls_short_last_and_the_nearest_first():
    near, far, short = made("NEAR", V_CEO=85.0), made("FAR", V_CEO=400.0, V_CBO=400.0), made("SHORT", I_C=9.0)
    ranked = rank(compare(made(), x) for x in (far, short, near))
    assert [r.candidate for r in ranked] == ["NEAR", "FAR", "SHORT"]


def test_the_shelfs_own_list():
    found = suggest(find_type("2N3055"), SHELF, 10)
    names = [r.candidate for r in found]
    assert "MJ15003" in names and "2N3055" not in names and "MJ2955" not in names
    assert all(ok(r.result) for r in found)
    assert suggest(find_type("1N914"), SHELF, most=1)[0].candidate in ("1N4148", "1N4448")


def test_nothing_fits_gives_the_nearest_misses():
    giant = made("GIANT", V_CEO=2000.0, V_CBO=2000.0)
    found = suggest(giant, SHELF, most=3)
    assert len(found) == 3 and all(r.result == "falls short" for r in found)


def test_overall_of_no_lines_is_not_known():
    assert overall([]) == "not known"


def test_exceeds_means_every_rating_and_its_least_margin_shows_it():
    up = {k: HIGHER_IS_BETTER[k] * 1.01 for k in ("V_CBO", "V_CEO", "I_C", "P_tot")}
    assert compare(made(), made(**up)).result == "exceeds"
    for symbol in up:
        result = compare(made(), made(**{**up, symbol: HIGHER_IS_BETTER[symbol]}))
        assert (result.result, result.weakest["margin"]) == ("meets", 1.0), symbol
    # what is shown as x 1.00 is no excess
    assert compare(made(), made(**{**up, "I_C": 10.04})).result == "meets"
    for part in BJTS[::9]:
        for other in BJTS[::70]:
            result = compare(other, part)
            assert result.result != "exceeds" or f"{result.weakest['margin']:.2f}" != "1.00"


def test_a_large_shortfall_ranks_behind_a_small_one():
    slow, weak = made("SLOW", ft=0.32e6), made("WEAK", V_EBO=5.0)
    assert [r.candidate for r in rank(compare(made(), x) for x in (slow, weak))] == ["WEAK", "SLOW"]
    # the military selection is guaranteed at a third of the speed: not the first thing to fit
    names = [r.candidate for r in suggest(find_type("2N3055"), SHELF, 10)]
    assert names.index("MJ15003") < names.index("JAN2N3055")


def test_a_place_wants_headroom_first():
    needs = Needs("NPN", voltage_V=80.0, current_A=4.0, power_W=40.0)
    bare, ample = made("BARE"), made("AMPLE", V_CEO=140.0, V_CBO=140.0)
    ranked = rank(compare(needs, x) for x in (bare, ample))
    assert [r.candidate for r in ranked] == ["AMPLE", "BARE"]
    assert "little headroom: V_CEO x 1.00" in " ".join(ranked[1].warnings)
    assert not ranked[0].warnings
    # on the shelf: 60 V parts come behind 140 V parts where the rails are 60 V apart
    needs = Needs("NPN", voltage_V=60.0, current_A=3.0, power_W=20.0)
    ranked = rank(compare(needs, find_type(name)) for name in ("2N3055", "2N3773"))
    assert [r.candidate for r in ranked] == ["2N3773", "2N3055"]
    assert not any("little headroom" in " ".join(r.warnings) for r in suggest(needs, SHELF))


def test_a_place_without_polarity_gets_both_sides_apart():
    found = suggest(Needs(voltage_V=60.0, current_A=3.0, power_W=20.0), SHELF, most=7)
    assert [find_type(r.candidate).polarity for r in found] == ["NPN"] * 4 + ["PNP"] * 3
    diodes = suggest(Needs(voltage_V=60.0, current_A=0.5), SHELF, most=4)
    assert len(diodes) == 4
