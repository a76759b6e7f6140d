"""Substitutes through the front door: each decision is worked out from registered figures that stand here."""

from itertools import combinations

import pandas as pd
import pytest

from tests.rows import every_row


def substitutes(source):
    return pytest.mark.front_door("substitute", source=source)


def sheets(*kinds, table="maximum ratings"):
    return f"Data sheets of {', '.join(kinds)}, table of {table} (undated)"


def fits(door, kind, *, types=None, **needs):
    """Result of one type for a place that asks for something."""
    return door.substitute(kind, types=types, **needs).candidates[0].result


def ends(door, kind, figure, limit, *, apart=0.05, **also):
    """Whether a type does just below a limit of its own and falls short just above."""
    below, above = (fits(door, kind, **{figure: f * limit}, **also) for f in (1 - apart, 1 + apart))
    assert below in ("meets", "exceeds") and above == "falls short", (kind, figure, limit, below, above)


def against(door, original, candidate, **more):
    return door.substitute(original, candidate, **more).candidates[0]


def line(found, figure):
    return next(x for x in found.lines if x.figure.partition(" at ")[0] == figure)


def shelf(tmp_path, **ratings):
    """A file with one invented transistor X1 of these ratings."""
    base = {"type": "X1", "polarity": "NPN", "material": "silicon", "structure": "plain", "package": "TO-220",
            "V_CBO_V": 200, "V_CEO_V": 200, "I_C_A": 20, "source": "invented"}  # fmt: skip
    file = tmp_path / "own.csv"
    pd.DataFrame([{**base, **ratings}]).to_csv(file, index=False)
    return str(file)


# --- a place that asks for a little less and a little more than a registered figure ------------------------

#: V_CEO [V], I_C [A], P_tot [W] at a case of 25 degC, T_j [degC], R_thJC [K/W], as registered
POWER = {
    "2N3055": (60, 15, 115, 200, 1.52), "JAN2N3055": (70, 15, 117, 200, 1.5),
    "2N3773": (140, 16, 150, 200, 1.17), "MJ15024": (250, 16, 250, 200, 0.7),
    "MJ802": (90, 30, 200, 200, 0.875),
    "TIP3055": (60, 15, 90, 150, 1.39), "TIP31C": (100, 3, 40, 150, 3.125), "TIP41C": (100, 6, 65, 150, 1.92),
    "BD139": (80, 1.5, 12.5, 150, 10),
}  # fmt: skip
POWER_SHEETS = sheets(*POWER)


@substitutes(POWER_SHEETS)
@every_row("kind", POWER)
def test_a_type_stands_its_registered_collector_emitter_voltage_and_no_more(door, kind):
    ends(door, kind, "voltage", POWER[kind][0])


@substitutes(POWER_SHEETS)
@every_row("kind", POWER)
def test_a_type_carries_its_registered_collector_current_and_no_more(door, kind):
    ends(door, kind, "current", POWER[kind][1])


@substitutes(POWER_SHEETS)
@every_row("kind", POWER)
def test_a_type_dissipates_its_registered_power_at_a_case_of_25_degrees_and_no_more(door, kind):
    ends(door, kind, "power", POWER[kind][2], case_temperature="25C")


@substitutes(POWER_SHEETS)
@every_row("kind", POWER)
def test_at_a_case_of_100_degrees_what_the_thermal_resistance_leaves(door, kind):
    """(T_j - 100 degC)/R_thJC; sheets round both, by up to 2 %."""
    *_, hot_C, k_per_W = POWER[kind]
    ends(door, kind, "power", (hot_C - 100) / k_per_W, apart=0.08, case_temperature="100C")


GAINS = [("2N3055", 4, 20), ("2N3055", 10, 5), ("2N3773", 8, 15), ("TIP31C", 1, 25), ("TIP31C", 3, 10),
         ("TIP41C", 3, 15), ("BD139", 0.15, 40), ("BC547B", 2e-3, 200), ("BC547C", 2e-3, 420),
         ("2N3904", 10e-3, 100), ("2N3904", 1e-3, 70), ("2N2222A", 0.15, 100),
         ("TIP122", 3, 1000)]  # fmt: skip


@substitutes(sheets(*dict.fromkeys(kind for kind, *_ in GAINS), table="h_FE"))
@every_row("kind, amps, least", GAINS)
def test_a_type_has_its_registered_gain_at_the_registered_current_and_no_more(door, kind, amps, least):
    ends(door, kind, "gain", least, gain_current=amps)


@substitutes(sheets("2N3055", "MJ15024", "TIP31C", "2N3904", "2N3906", "BC547B", table="f_T"))
@every_row("kind, least_Hz", [("2N3055", 2.5e6), ("MJ15024", 4e6), ("TIP31C", 3e6), ("2N3904", 3e8),
                              ("2N3906", 2.5e8), ("BC547B", 1e8)])  # fmt: skip
def test_a_type_is_as_fast_as_its_registered_f_T_and_no_faster(door, kind, least_Hz):
    ends(door, kind, "transition_frequency", least_Hz)


#: V_RRM [V], I_F [A]
DIODES = {**{f"1N400{k + 1}": (v, 1) for k, v in enumerate((50, 100, 200, 400, 600, 800, 1000))},
          **{f"1N540{k}": (v, 3) 
             for k, v in ((0, 50), (1, 100), (2, 200), (4, 400), (6, 600), (7, 800), (8, 1000))},
          "1N5817": (20, 1), "1N5818": (30, 1), "1N5819": (40, 1), "1N5820": (20, 3), "1N5822": (40, 3),
          "1N4933": (50, 1), "1N4937": (600, 1), "UF4007": (1000, 1)}  # fmt: skip
DIODE_SHEETS = "Registrations 1N4001 to 1N4007, 1N4933 to 1N4937, 1N5400 to 1N5408, 1N5817 to 1N5822, " \
               "tables of maximum ratings in makers' sheets (undated)"  # fmt: skip


@substitutes(DIODE_SHEETS)
@every_row("kind", DIODES)
def test_a_rectifier_stands_its_registered_reverse_voltage_and_carries_its_current(door, kind):
    volts, amps = DIODES[kind]
    ends(door, kind, "voltage", volts, diodes=True)
    ends(door, kind, "current", amps, diodes=True)


# --- one registered type against another -------------------------------------------------------------------


@substitutes(POWER_SHEETS)
@every_row("original, candidate", [("2N3055", "MJ802"), ("2N3055", "MJ15024"), ("TIP3055", "MJ15024"),
                                   ("2N3773", "MJ15024"), ("TIP31C", "TIP41C")])  # fmt: skip
def test_what_is_more_by_both_sheets_is_never_said_to_fall_short(door, original, candidate):
    """V_CEO, I_C and P_tot no less and R_thJC no more."""
    a, b = POWER[original], POWER[candidate]
    assert all(y >= x for x, y in zip(a[:3], b[:3], strict=True)) and b[4] <= a[4]
    found = against(door, original, candidate)
    assert found.result in ("meets", "exceeds")
    for figure, x, y in zip(("V_CEO", "I_C", "P_tot"), a, b, strict=False):
        one = line(found, figure)
        assert (one.wanted, one.has) == (pytest.approx(x), pytest.approx(y))
        assert one.result == ("meets" if x == y else "exceeds")
    heat = line(found, "R_thJC")
    assert (heat.wanted, heat.has, heat.result) == (a[4], b[4], "exceeds")


@substitutes(POWER_SHEETS)
@every_row("original, candidate, short", [
    ("2N3773", "2N3055", "V_CEO I_C P_tot"), ("JAN2N3055", "2N3055", "V_CEO P_tot"),
    ("2N3055", "TIP3055", "P_tot"),
    ("MJ802", "MJ15024", "I_C"), ("MJ15024", "MJ802", "V_CEO P_tot"), ("TIP41C", "TIP31C", "I_C P_tot"),
    ("TIP41C", "BD139", "V_CEO I_C P_tot"),
])  # fmt: skip
def test_what_is_less_by_both_sheets_falls_short_in_just_those_lines(door, original, candidate, short):
    names = ("V_CEO", "I_C", "P_tot")
    less = [n for n, x, y in zip(names, POWER[original], POWER[candidate], strict=False) if y < x]
    assert " ".join(less) == short  # the figures above say so
    found = against(door, original, candidate)
    assert found.result == "falls short"
    assert [n for n in names if line(found, n).result == "falls short"] == less


@substitutes(sheets("2N3055", "TIP41C"))
@every_row("case_C, result", [(25, "falls short"), (100, "falls short")])
def test_the_power_line_holds_the_cooler_type_to_what_it_has_left(door, case_C, result):
    """TIP41C leaves (150 - 100)/1.92 = 26.0 W at 100 degC, 2N3055 (200 - 100)/1.52 = 65.8 W."""
    found = against(door, "2N3055", "TIP41C", case_temperature=f"{case_C}C")
    hot = [x for x in found.lines if x.figure.startswith("P_tot")][-1]
    left = {25: (115, 65), 100: (65.8, 26.0)}[case_C]
    assert (hot.wanted, hot.has) == (pytest.approx(left[0], rel=0.01), pytest.approx(left[1], rel=0.01))
    assert found.result == result


@substitutes(sheets("2N3055", "TIP35C"))
@pytest.mark.parametrize(("case_C", "enough"), [(25, True), (45, True), (62, False), (100, False)])
def test_where_two_derating_lines_cross_the_answer_turns(door, case_C, enough):
    """2N3055 115 W, 200 degC, 1.52 K/W; TIP35C 125 W, 150 degC, 1 K/W: (200 - T)/1.52 = 150 - T at 53.8."""
    assert ((150 - case_C) / 1.0 >= (200 - case_C) / 1.52) is enough
    found = against(door, "2N3055", "TIP35C", case_temperature=f"{case_C}C")
    assert (found.result in ("meets", "exceeds")) is enough
    assert ("P_tot" in " ".join(found.figures("falls short", must=True))) is not enough


@substitutes("Data sheets of 2SC5200, 2SC3264, 2SC2922, 2SD1047, MJ21194, MJ21196, table head: "
             "complementary types (undated)")  # fmt: skip
@every_row("npn, pnp", [("2SC5200", "2SA1943"), ("2SC3264", "2SA1295"), ("2SC2922", "2SA1216"), 
                        ("2SD1047", "2SB817"), ("MJ21194", "MJ21193"), ("MJ21196", "MJ21195")])  # fmt: skip
def test_a_complement_never_stands_in_for_its_other_half(door, npn, pnp):
    for one, other in ((npn, pnp), (pnp, npn)):
        found = against(door, one, other)
        assert found.result == "falls short" and "polarity" in found.figures("falls short", must=True)
        assert line(found, "polarity").wanted_text == ("NPN" if one == npn else "PNP")


@substitutes("Data sheets of 2SC5200 with 2SA1943 and of MJ21194 with MJ21193, table head: complementary "
             "types (undated)")  # fmt: skip
@every_row("original, pair", [("2SC3281", {"2SC5200": "2SA1943"}), ("MJ15003", {"MJ21194": "MJ21193"})])
def test_an_output_transistor_is_offered_with_the_complement_that_its_maker_names(door, original, pair):
    found = {x.candidate: x.pair for x in door.substitute(original).candidates}
    assert {name: found.get(name) for name in pair} == pair


@substitutes("JEDEC registrations of 2N404 and 2N3906, table heads: germanium, silicon (undated)")
def test_silicon_does_not_stand_in_for_germanium(door):
    found = against(door, "2N404", "2N3906")
    assert found.result == "falls short" and "material" in found.figures("falls short", must=True)


@substitutes(sheets("TIP122", "TIP41C"))
def test_a_plain_transistor_does_not_stand_in_for_a_darlington_of_the_same_ratings(door):
    """Both 100 V and 65 W, h_FE 1000 at 3 A against 15 at 3 A."""
    found = against(door, "TIP122", "TIP41C")
    assert line(found, "V_CEO").result == line(found, "P_tot").result == "meets"
    assert found.result == "falls short" and {"structure", "h_FE at 3 A"} <= {
        *found.figures("falls short", must=True)
    }


@substitutes(sheets("BC546 to BC550, gain groups A, B and C", table="h_FE at 2 mA"))
@every_row("wanted, has", combinations((("A", 110), ("B", 200), ("C", 420)), 2))
def test_gain_groups_stand_in_upwards_only(door, wanted, has):
    """A 110, B 200, C 420 at least: a lower group lacks gain, and less than half of it settles the matter."""
    (low, least), (high, more) = wanted, has
    up, down = against(door, f"BC547{low}", f"BC547{high}"), against(door, f"BC547{high}", f"BC547{low}")
    gain = line(up, "h_FE")
    assert (gain.wanted, gain.has, gain.result) == (least, more, "exceeds") and up.result == "meets"
    assert line(down, "h_FE").result == "falls short"
    assert (down.result == "falls short") is (least / more < 0.5)


@substitutes(sheets("BC546B", "BC547B", "BC548B"))
@every_row("low, high", combinations(("BC548B", "BC547B", "BC546B"), 2))
def test_voltage_steps_of_one_family_stand_in_upwards_only(door, low, high):
    """V_CEO 30, 45 and 65 V."""
    volts = {"BC548B": 30, "BC547B": 45, "BC546B": 65}
    up, down = against(door, low, high), against(door, high, low)
    assert (line(up, "V_CEO").wanted, line(up, "V_CEO").has) == (volts[low], volts[high])
    assert up.result in ("meets", "exceeds")
    assert down.result == "falls short" and "V_CEO" in down.figures("falls short", must=True)


@substitutes(DIODE_SHEETS)
def test_rectifiers_of_a_series_stand_in_upwards_only(door):
    for series in ("1N400", "1N540"):
        steps = [(name, volts) for name, (volts, _) in DIODES.items() if name.startswith(series)]
        for (low, few), (high, many) in combinations(steps, 2):
            up, down = against(door, low, high), against(door, high, low)
            assert line(up, "V_RRM").margin == pytest.approx(many / few) and up.result in ("meets", "exceeds")
            assert down.figures("falls short", must=True) == ("V_RRM",)


@substitutes(DIODE_SHEETS)
def test_three_amperes_stand_in_for_one_and_not_the_other_way_round(door):
    up, down = against(door, "1N4004", "1N5404"), against(door, "1N5404", "1N4004")
    assert up.result in ("meets", "exceeds") and line(up, "I_F").margin == pytest.approx(3)
    assert down.figures("falls short", must=True) == ("I_F",)


@substitutes(DIODE_SHEETS)
@every_row("original, candidate, does", [("1N4001", "1N5819", False), ("1N5818", "1N5819", True),
                                         ("1N5819", "1N5818", False),
                                         ("1N5819", "1N4001", False)])  # fmt: skip
def test_a_Schottky_diode_stands_in_where_its_reverse_voltage_suffices(door, original, candidate, does):
    """40 V for 50 V falls short, whatever its 0.6 V against 1.1 V; a rectifier is no Schottky diode."""
    found = against(door, original, candidate)
    assert (found.result in ("meets", "exceeds")) is does
    if original == "1N4001":
        drop = line(found, "V_F")
        assert (drop.wanted, drop.has, drop.result) == (1.1, 0.6, "exceeds")


@substitutes(sheets("1N4933 to 1N4937", "1N4001 to 1N4007", "UF4007", table="reverse recovery"))
@every_row("original, candidate, does", [("1N4007", "UF4007", True), ("UF4007", "1N4007", False),
                                         ("1N4937", "1N4005", False), ("1N4005", "1N4937", True),
                                         ("UF4007", "1N4937", False)])  # fmt: skip
def test_what_recovers_fast_does_what_is_slow_and_not_the_other_way_round(door, original, candidate, does):
    """75 ns, 150 ns, and a sheet that states none."""
    assert (against(door, original, candidate).result in ("meets", "exceeds")) is does


#: 1 W Zeners 1N4728A to 1N4752A are the E24 values from 3.3 V to 33 V, each 5 %
E24 = [
    3.3,
    3.6,
    3.9,
    4.3,
    4.7,
    5.1,
    5.6,
    6.2,
    6.8,
    7.5,
    8.2,
    9.1,
    10,
    11,
    12,
    13,
    15,
    16,
    18,
    20,
    22,
    24,
    27,
    30,
    33,
]
ZENERS = [f"1N{4728 + k}A" for k in range(len(E24))]


@substitutes("IEC 60063, Preferred number series for resistors and capacitors, 2015, table 1 (E24); "
             "JEDEC registrations 1N4728A to 1N4752A, table of Zener voltages (undated)")  # fmt: skip
def test_no_zener_of_the_series_stands_in_for_its_neighbour(door):
    """A step of E24 is more than the 5 % of either."""
    for (a, v), (b, w) in zip(
        zip(ZENERS, E24, strict=True), zip(ZENERS[1:], E24[1:], strict=True), strict=False
    ):
        for original, other, volts, has in ((a, b, v, w), (b, a, w, v)):
            found = against(door, original, other)
            zener = line(found, "V_Z")
            assert (zener.wanted, zener.has, zener.result) == (volts, has, "falls short")
            assert found.result == "falls short"


@substitutes(sheets("1N5231B", "1N4733A", "1N5338B", table="ratings: 0.5 W, 1 W and 5 W at 5.1 V"))
def test_zeners_of_one_voltage_stand_in_by_their_power(door):
    """0.5 W, 1 W, 5 W: more than enough, far too little, or (1 W at 50 degC for 5 W at 75) never enough."""
    for low in ("1N5231B", "1N4733A"):
        assert against(door, low, "1N5338B").result == "exceeds"
        short = against(door, "1N5338B", low)
        assert short.result not in ("meets", "exceeds")
        assert line(short, "P_tot").has == {"1N5231B": 0.5, "1N4733A": 1.0}[low]
    half = against(door, "1N4733A", "1N5231B")
    assert half.result == "falls short" and "P_tot" in " ".join(half.figures("falls short", must=True))


@substitutes("JEDEC outlines TO-3, TO-220, TO-92 and DO-41, as in the table heads of the sheets of 2N3055, "
             "MJ15024, TIP41C and 2N3904 (undated)")  # fmt: skip
def test_an_outline_meets_its_own_place_only(door):
    same = against(door, "2N3055", "MJ15024")
    other = against(door, "2N3055", "TIP41C")
    assert line(same, "package").result == "meets" and line(other, "package").result == "falls short"
    assert line(other, "package").has_text == "TO-220" and line(other, "package").wanted_text == "TO-3"


# --- worked examples of power and heat ----------------------------------------------------------------


@substitutes("A. P. Malvino, Electronic Principles, ex. 12-14, p. 414 (edition from memory: 7th, 2007); "
             "T. L. Floyd, Electronic Devices, ex. 4.7, p. 128 (edition from memory: 9th, 2011)")  # fmt: skip
@every_row("rating_W, slope, at_C, allowed_W", [(0.625, 0.005, 50, 0.500), (1.0, 0.005, 70, 0.775)])
def test_a_derated_type_does_for_the_power_of_the_book_and_no_more(
    door, tmp_path, rating_W, slope, at_C, allowed_W
):
    own = shelf(
        tmp_path, package="TO-92", P_tot_W=rating_W, P_tot_at="ambient 25C", T_j_C=25 + rating_W / slope
    )
    ends(door, "X1", "power", allowed_W, apart=0.02, case_temperature=f"{at_C}C", types=own)


@substitutes("M. H. Rashid, Power Electronics, 4th ed. 2014, ex. 4.4")
def test_a_junction_through_one_kelvin_per_watt_does_for_125_W_and_no_more(door, tmp_path):
    """150 degC, 25 degC, 0.4 + 0.1 + 0.5 K/W."""
    own = shelf(tmp_path, T_j_C=150, R_thJC_K_per_W=0.4 + 0.1 + 0.5)
    ends(door, "X1", "power", 125.0, apart=0.02, case_temperature="25C", types=own)


@substitutes("T. L. Floyd, Electronic Devices, ex. 4.5, p. 127 (edition from memory: 9th, 2011)")
def test_a_load_point_keeps_to_the_hyperbola_of_power(door, tmp_path):
    """250 mW at 6 V is 41.7 mA."""
    own = shelf(
        tmp_path, package="TO-92", V_CEO_V=20, I_C_A=0.1, P_tot_W=0.25, P_tot_at="ambient 25C", T_j_C=150
    )
    for amps, result in ((0.041, "meets"), (0.0425, "falls short")):
        found = fits(door, "X1", load_point=f"6V,{amps}A", types=own)
        assert found in ("meets", "exceeds") if result == "meets" else found == result


@substitutes("A. P. Malvino, Electronic Principles, ex. 12-8, p. 397 (edition from memory: 7th, 2007)")
@every_row("ratings, does", [
    ({}, True), ({"P_tot_W": 1.2}, False), ({"V_CEO_V": 19, "V_CBO_V": 19}, False), ({"I_C_A": 1.2}, False),
])  # fmt: skip
def test_a_class_b_pair_on_20_volts_asks_for_what_the_book_says(door, tmp_path, ratings, does):
    """20 V, 8 ohm: 6.25 W out, 1.25 A at the peak, 1.25 W in each part (MPP^2/40R; with pi^2 1.27 W)."""
    own = shelf(tmp_path, **{"V_CEO_V": 21, "V_CBO_V": 21, "I_C_A": 1.3, "P_tot_W": 1.3,
                             "P_tot_at": "case 150C", "T_j_C": 175, **ratings})  # fmt: skip
    needs = door.stage(power="6.25W", load="8ohm", supply="20V", circuit="single-supply", load_angle=0)
    found = door.substitute("X1", needs=needs, types=own).candidates[0]
    asked = {x.figure.partition(" at ")[0]: x for x in found.lines}
    assert asked["V_CEO"].wanted == pytest.approx(20) and asked["I_C"].wanted == pytest.approx(1.25)
    assert asked["P_tot"].wanted == pytest.approx(1.25 * 10 / 9.8696, rel=1e-3)
    main = {n: asked[n].result for n in ("V_CEO", "I_C", "P_tot")}
    assert ("falls short" not in main.values()) is does


# --- the command line -----------------------------------------------------------------------------------


@substitutes(sheets("2N3055", "TIP3055", "MJ802"))
def test_the_command_ranks_what_does_the_job_before_what_does_not(door):
    """115 W asked: MJ802 has 200 W, TIP3055 90 W."""
    document = door.json("substitute", "2N3055", "TIP3055", "MJ802")
    assert [(x["candidate"], x["result"] == "falls short") for x in document["candidates"]] == [
        ("MJ802", False), ("TIP3055", True)]  # fmt: skip
    assert document["candidates"][1]["weakest"]["figure"].startswith("P_tot")
    assert document["candidates"][1]["weakest"]["margin"] == pytest.approx(90 / 115, rel=1e-3)


@substitutes(sheets("2N2222A", "2N3904", "2N5551", "BC547B"))
def test_a_drawer_gives_up_the_one_part_whose_sheet_does(door, tmp_path):
    """100 V and 50 mA: of 40, 40, 45 and 160 V only the 2N5551."""
    file = tmp_path / "drawer.csv"
    kinds = ["2N2222A", "2N3904", "2N5551", "BC547B"]
    pd.DataFrame({"part": ["D1", "D2", "D3", "D4"], "type": kinds, "A-K": ""}).drop(columns="A-K").assign(
        **{"B-E": "0.66"}).to_csv(file, index=False)  # fmt: skip
    document = door.json(
        "substitute", "--voltage", "100V", "--current", "50mA", "--polarity", "NPN", "--bag", file
    )
    does = [x["tag"] for x in document["candidates"] if x["result"] in ("meets", "exceeds")]
    assert does == ["D3"] and len(document["candidates"]) == 4
