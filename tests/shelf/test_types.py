"""Registered types: every cell of the tables, finding a marking, and a user's own tables."""

from math import isnan

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from junction.base.errors import ShelfError
from junction.base.records import plain_name
from junction.shelf.limits import symbols
from junction.shelf.tables import columns, families
from junction.shelf.types import find_type, packages, type_shelf

HEAD = "type,polarity,material,V_CEO_V,I_C_A,P_tot_W,P_tot_at,T_j_C,package,source\n"
ALL = type_shelf().all("bjt"), type_shelf().all("diode")
HEADINGS = [c.name for table in ("types_bjt", "types_diode", "limits_bjt") for c in columns(table)]
ROW = "MINE1,NPN,silicon,120,12,100,case 25C,150,TO-3,measured\n"


def test_every_cell_of_every_type_is_sound():
    bjt, diode = ALL
    # 977 read in sheets and pages, 24 further groups stated in notes of sheets, 31 from memory; 268 diodes
    assert (len(bjt), len(diode)) == (1029, 268)
    assert sum(part.standing == "from memory" for part in bjt) == 31
    for part in (*bjt, *diode):
        assert part.source and part.family in families() and part.limits, part.name
        assert not part.package or part.package in packages()
        for limit in part.limits:
            assert limit.source and limit.basis
            assert not (isnan(limit.low) and isnan(limit.high) and isnan(limit.typical))
    for part in bjt:
        assert part.polarity in ("NPN", "PNP") and part.kind in ("plain", "darlington")
        assert part.family.startswith("germanium") == (part.material == "germanium")


def test_complements_answer_each_other():
    by_name = {part.name: part for part in ALL[0]}
    for part in by_name.values():
        other = by_name.get(part.complement)
        if other is None:
            continue  # none, or a type that no sheet was read of
        # of a group that the other side does not have, the whole type is the complement
        assert other.complement == part.name or part.group_of or other.group_of, part.name
        assert other.polarity != part.polarity
        assert (other.kind, other.material) == (part.kind, part.material), part.name
        places = {part.package_class, other.package_class} - {""}
        assert len(places) < 2, part.name
    assert by_name["2SC1815GR"].complement == "2SA1015GR" and by_name["BC547B"].complement == "BC557B"


def test_leads_by_outline():
    assert find_type("2N3055").leads == "BEC"  # TO-3: two pins and the case
    assert find_type("TIP41C").leads == "BCE"
    for part in ALL[0]:
        if part.leads:
            assert sorted(part.leads) == ["B", "C", "E"] and part.leads_basis
            outline = packages()[part.package]
            assert not outline.fixed or part.leads == outline.leads


def test_secondary_rows_are_marked():
    for part in (*ALL[0], *ALL[1]):
        assert part.secondary == (part.standing != "published"), part.name
        if part.secondary:
            # a typical figure may be from memory on any row
            limits = [x for x in part.limits if not (isnan(x.low) and isnan(x.high))]
            assert {limit.basis for limit in limits} == {part.standing}, part.name
    names = {part.name for part in (*ALL[0], *ALL[1]) if part.standing == "secondary"}
    assert names >= {"AC128", "AD162", "OC72", "1N34A", "2SC945", "2SC2073"} and len(names) == 71


def test_values_are_in_si_units():
    part = find_type("BC547B")
    assert part.find("I_CBO")[0].high == pytest.approx(15e-9, rel=1e-12)
    assert part.find("C_ob")[0].high == pytest.approx(6e-12, rel=1e-12)
    assert part.find("h_FE")[0].at == {"ic_A": pytest.approx(2e-3), "vce_V": 5.0}
    assert find_type("TIP142").r_be_ohm == (8000.0, 40.0)
    zener = find_type("1N4742A").find("V_Z")[0]
    assert (zener.low, zener.typical, zener.high) == pytest.approx((11.4, 12.0, 12.6))


def test_a_gain_group_takes_the_rest_from_its_base():
    base, group = find_type("BC547"), find_type("BC547B")
    assert group.rating("V_CEO") == base.rating("V_CEO") and group.leads == base.leads
    assert group.find("h_FE") != base.find("h_FE")
    assert find_type("BC337-25").find("h_FE")[0].low == 160


MARKINGS = (
    ("2n3055", "2N3055"), (" 2N 3055 ", "2N3055"), ("bc 337-25", "BC337-25"), ("BC33725", "BC337-25"),
    ("2N3055G", "2N3055"), ("JANTX2N3055", "JAN2N3055"), ("JANTXV2N2222A", "2N2222A"),
    ("BC547BTA", "BC547B"), ("TIP41CG", "TIP41C"), ("1N914B", "1N4448"), ("1n4148", "1N4148"),
    ("MJE340STU", "MJE340"),
)  # fmt: skip


def test_markings_that_are_found_and_those_that_must_not_be_guessed():
    for marking, name in MARKINGS:
        assert find_type(marking).name == name, marking
    # a letter may be a voltage step (TIP41A is 60 V), a gain group, a tolerance (1N4728 is 10 %) or a process
    for marking in ("", "  ", "TIP41", "2N3055H", "1N4728", "BC547D", "2N305", "G", "JAN", "?"):
        assert find_type(marking) is None, marking


def test_near_names_for_a_message():
    assert "TIP41C" in type_shelf().near("TIP41")


def test_plain_name_is_idempotent():
    for part in (*ALL[0], *ALL[1]):
        assert plain_name(plain_name(part.name)) == plain_name(part.name)
        assert find_type(part.name) is find_type(part.name.lower())


def test_a_types_file_adds_a_type(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text(HEAD + ROW, encoding="utf-8")
    part = find_type("mine1", (path,))
    assert part.rating("V_CEO") == 120 and part.leads == "BEC" and part.family == "silicon power BJT"
    assert find_type("mine1") is None
    assert part in type_shelf((path,)).all("bjt")


def test_a_types_file_overrides_by_name_and_a_limits_row_by_symbol(tmp_path):
    types, limits = tmp_path / "t.csv", tmp_path / "l.csv"
    types.write_text("type,polarity,material,V_CEO_V,source\nBC547,NPN,silicon,44,bench\n", encoding="utf-8")
    limits.write_text(
        "type;symbol;min;max;unit;at;source\n2N3055;h_FE;30;60;;IC=4A VCE=4V;bench\n", encoding="utf-8"
    )
    shelf = type_shelf((types, limits))
    assert shelf.find("BC547").rating("V_CEO") == 44
    assert isnan(shelf.find("BC547").rating("I_C"))  # replaced, not mixed
    # what is like it below stays what it was (repr: nan is not equal to itself)
    assert repr(shelf.find("BC547B")) == repr(find_type("BC547B"))
    changed = shelf.find("2N3055")
    assert [(x.low, x.high) for x in changed.find("h_FE")] == [(30, 60)]
    assert changed.rating("V_CEO") == 60 and changed.complement == find_type("2N3055").complement
    assert len(shelf.names("bjt")) == len(type_shelf().names("bjt"))


def test_like_may_name_the_type_it_overrides(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("type,polarity,like,V_CEO_V\n2N3055,NPN,2N3055,50\n", encoding="utf-8")
    part = find_type("2N3055", (path,))
    assert part.rating("V_CEO") == 50 and part.rating("I_C") == 15


def test_the_users_folder_and_the_order_of_layers(no_user_tables, tmp_path):
    no_user_tables.mkdir(parents=True)
    (no_user_tables / "a.csv").write_text(HEAD + ROW, encoding="utf-8")
    assert find_type("MINE1").rating("I_C") == 12
    type_file = tmp_path / "over.csv"
    type_file.write_text(HEAD + ROW.replace(",12,", ",9,"), encoding="utf-8")
    assert find_type("MINE1", (type_file,)).rating("I_C") == 9


def test_a_diode_of_the_users_own(tmp_path):
    path = tmp_path / "d.csv"
    path.write_text("type,kind,material,V_RRM_V,I_F_A,source\nLAMP,LED,gallium phosphide,5,0.02,bench\n")
    part = find_type("lamp", (path,))
    assert part.device == "diode" and part.rating("V_RRM") == 5


FAULTS = [
    ("type,polarity,material,source\nX,npn,silicon,s\n", 2, "polarity", "NPN, PNP"),
    ("type,polarity,material,source\nX,NPN,carbon,s\n", 2, "material", "silicon, germanium"),
    ("type,polarity,material,source\nX,NPN,,s\n", 2, "material", "is empty"),
    ("type,polarity,material,source\n,NPN,silicon,s\n", 2, "type", "is empty"),
    ("type,polarity,material\nX,NPN,silicon\n", 2, "source", "where was it read"),
    ("type,polarity,material,source\nX,NPN,silicon,s\nx ,NPN,silicon,s\n", 3, "type", "stands twice"),
    ("type,polarity,material,leads,source\nX,NPN,silicon,BBE,s\n", 2, "leads", "not an order"),
    ("type,polarity,material,leads,package,source\nX,NPN,silicon,EBC,TO-3,s\n", 2, "leads", "outline TO-3"),
    ("type,polarity,material,package,source\nX,NPN,silicon,TO-999,s\n", 2, "package", "TO-999"),
    ("type,polarity,material,V_CEO_V,source\nX,NPN,silicon,60V,s\n", 2, "V_CEO_V", "plain number"),
    ("type,polarity,material,V_CEO_V,source\nX,NPN,silicon,60000,s\n", 2, "V_CEO_V", "is the unit right"),
    ("type,polarity,material,V_CEO_V,V_CBO_V,source\nX,NPN,silicon,60,50,s\n", 2, "V_CEO_V", "cannot be"),
    ("type,polarity,material,I_C_A,I_CM_A,source\nX,NPN,silicon,6,5,s\n", 2, "I_CM_A", "less than"),
    ("type,polarity,material,P_tot_W,P_tot_at,source\nX,NPN,silicon,6,25C,s\n", 2, "P_tot_at", "case 25C"),
    ("type,polarity,material,P_tot_W,P_tot_at,source\nX,NPN,silicon,6,case 25,s\n", 2, "P_tot_at", "unit"),
    ("type,polarity,material,P_tot_at,source\nX,NPN,silicon,case 25C,s\n", 2, "P_tot_at", "without a power"),
    ("type,polarity,like,source\nX,NPN,NOSUCH,s\n", 2, "like", "NOSUCH"),
    ("type,polarity,like,source\nX,NPN,1N4148,s\n", 2, "like", "is a diode"),
    ("type,polarity,like,source\nX,NPN,Y,s\nY,NPN,X,s\n", 3, "like", "circle"),
    ("type,polarity,material,complement,source\nX,NPN,silicon,NOSUCH,s\n", 2, "complement", "no table"),
    ("type,polarity,material,complement,source\nX,NPN,silicon,2N3055,s\n", 2, "complement", "same polarity"),
    ("type,polarity,material,family,source\nX,NPN,silicon,strange,s\n", 2, "family", "strange"),
    ("type,polarity,material,standing,source\nX,NPN,silicon,sure,s\n", 2, "standing", "published"),
    ("type,kind,material,source\nX,tube,silicon,s\n", 2, "kind", "rectifier"),
    ("type,polarity,V_CEO,source\nX,NPN,60,s\n", None, "V_CEO", "no such heading"),
    ("name,value\nX,1\n", None, "name", "no such heading"),
    ("type,source\nX,s\n", None, "", "neither a table of types"),
    ("type,symbol,min,unit\nNOSUCH,h_FE,3,\n", 2, "type", "NOSUCH"),
    ("type,symbol,min,unit\n2N3055,beta,3,\n", 2, "symbol", "h_FE"),
    ("type,symbol,max,unit\n2N3055,I_CBO,3,V\n", 2, "unit", "unit of voltage"),
    ("type,symbol,max,unit\n2N3055,I_CBO,3,\n", 2, "unit", "current"),
    ("type,symbol,max,unit\n2N3055,I_CBO,3,A\n", 2, "max", "is the unit right"),
    ("type,symbol,min,max,unit\n2N3055,h_FE,30,20,\n", 2, "min", "must rise"),
    ("type,symbol,min,max,unit\n2N3055,h_FE,,,\n", 2, "min", "all empty"),
    ("type,symbol,min,unit,at\n2N3055,h_FE,20,,IC=4\n", 2, "at", "no unit"),
    ("type,symbol,min,unit,at\n2N3055,h_FE,20,,4A\n", 2, "at", "name=value"),
    ("type,symbol,min,unit,at\n2N3055,h_FE,20,,IC=4A IC=5A\n", 2, "at", "stands twice"),
    ("type,symbol,min,unit,at\n2N3055,h_FE,20,,VCE=4A\n", 2, "at", "current"),
]


def test_a_fault_in_a_users_table_is_named(tmp_path):
    for k, (text, line, column, words) in enumerate(FAULTS):
        path = tmp_path / str(k) / "mine.csv"  # a file is read once
        path.parent.mkdir()
        path.write_text(text, encoding="utf-8")
        with pytest.raises(ShelfError, match=words) as caught:
            type_shelf((path,))
        error = caught.value
        assert (error.file, error.row, error.column) == ("mine.csv", line, column), str(error)


def test_symbols_of_the_tables_are_all_used():
    used = {limit.symbol for part in (*ALL[0], *ALL[1]) for limit in part.limits}
    assert set(symbols("limit")) <= used


def test_rating_of_an_unknown_symbol_is_nan():
    assert isnan(find_type("2N3055").rating("V_GS"))


CELLS = st.sampled_from(
    ["", "X", "2N3055", "NPN", "PNP", "silicon", "germanium", "60", "6,5", "-1", "1e400", "nan", "60 V",
     "case 25C", "BCE", "TO-3",
     "like", "yes", "no", "h_FE", "I_CBO", "mA", "V", "IC=4A VCE=4V", "IC=", "=", "\x00", "é", '"']
)  # fmt: skip


@settings(deadline=None, max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.sampled_from([*HEADINGS, "odd"]), min_size=1, max_size=7),
    st.lists(st.lists(CELLS, min_size=1, max_size=7), max_size=4),
    st.sampled_from(",;\t"),
)
def test_any_table_is_read_or_its_fault_is_named(tmp_path_factory, heading, rows, mark):
    path = tmp_path_factory.mktemp("fuzz") / "t.csv"
    rows = [[*row, *[""] * 7][: len(heading)] for row in rows]
    path.write_text("\n".join(mark.join(row) for row in (heading, *rows)), encoding="utf-8")
    try:
        shelf = type_shelf((path,))
    except ShelfError as error:
        assert error.file == "t.csv"
    else:
        assert len(shelf.names()) >= 347
