"""Every form of the contract, in every separator, decimal mark and encoding."""

import math

import numpy as np
import pytest

from junction.base.records import Spot
from tests.intake.helpers import bag_of, readings
from tests.rows import every_row

WIDE = "part,B-E,E-B,B-C,type,temp_C\nQ1,0.612,OL,605 mV,2N3055,23.5\nQ2,34 ohm,34 ohm,,,\n"
LONG = "part,red,black,value,polarity\nQ1,B,E,0.612,NPN\nQ1,E,B,OL,NPN\nD1,A,K,0.58,\n"
SWEEPS = (
    "part,junction,v_V,i_mA,temp_C\nQ1,BE,0.5,0.01,25\nQ1,BE,0.65,5.25,25\nD1,AK,-1.5,0,\nD1,AK,0.7,20,\n"
)
CURVES = "part,vce_V,vbe_mV,ib_uA,ic_mA,type\nQ1,5,600,10,1.5,2N3055\nQ1,5,650,100,12.5,2N3055\n"
FORMS = {"wide": WIDE, "long": LONG, "sweeps": SWEEPS, "curves": CURVES}


def same(a, b):
    """Two bags hold the same records (files and lines aside)."""
    def strip(p):
        return (p.part, [(r.placement, r.kind, repr(r.value), r.settling) for r in p.readings], p.type,
        p.polarity,
                repr(p.temp_C), p.in_circuit, p.note)  # fmt: skip

    assert [strip(p) for p in a.readings] == [strip(p) for p in b.readings]
    for one, other, names in (
        (a.sweeps, b.sweeps, ("temp_C", "starts", "v_V", "i_A", "reversed_sign")),
        (a.curves, b.curves, ("temp_C", "starts", "vce_V", "vbe_V", "ib_A", "ic_A")),
    ):
        assert one.part == other.part and one.type == other.type
        for name in names:
            np.testing.assert_array_equal(getattr(one, name), getattr(other, name), name)


def written(text, sep, mark):
    rows = [[cell.replace(".", mark) for cell in line.split(",")] for line in text.splitlines()]
    return "\n".join(sep.join(f'"{c}"' if sep in c else c for c in row) for row in rows) + "\n"


def test_wide_readings():
    bag = bag_of(WIDE)
    assert readings(bag, "Q1")["B-E"] == ("volt", 0.612)
    assert readings(bag, "Q1")["E-B"][0] == "over"
    assert readings(bag, "Q1")["B-C"] == ("volt", 0.605)
    assert readings(bag, "Q2") == {"B-E": ("ohm", 34.0), "E-B": ("ohm", 34.0)}
    q1, q2 = bag.readings
    assert (q1.type, q1.temp_C, q1.row, q1.file) == ("2N3055", 23.5, 2, "f0.csv")
    assert q2.type == "" and math.isnan(q2.temp_C)
    assert (bag.rows_read, bag.rows_used, bag.set_aside) == (2, 2, ())


def test_long_readings_of_one_part_are_joined():
    bag = bag_of(LONG)
    assert [p.part for p in bag.readings] == ["Q1", "D1"]
    assert readings(bag, "Q1")["B-E"] == ("volt", 0.612)
    assert readings(bag, "D1") == {"A-K": ("volt", 0.58)}
    assert bag.readings[0].polarity == "NPN" and bag.rows_used == 3


def test_wide_readings_by_lead_number_and_every_optional_column():
    bag = bag_of(
        "part,1-2,2-1,type,polarity,hFE,ic_mA,vbe_mV,temp_C,in_circuit,note\n"
        "Q1,0.6,OL,BD139,npn,120,10,655,21,yes,from the left channel\n"
    )
    (part,) = bag.readings
    assert (part.type, part.polarity, part.hfe) == ("BD139", "NPN", 120.0)
    assert part.spots == (Spot(0.01, 0.655, 120.0, 21.0),)
    assert (part.temp_C, part.in_circuit, part.note) == (21.0, True,
    "from the left channel")
    assert {r.placement for r in part.readings} == {"1-2", "2-1"}


def test_spot_readings_alone_make_a_part_and_several_currents_are_kept():
    bag = bag_of("part,hFE,vbe_mV,ic_mA,temp_C\nQ1,120,-655,-10,21\nQ1,100,700,100,22\nQ2,80,,,\n")
    q1, q2 = bag.readings
    assert (q1.hfe, q1.readings) == (120.0, ())
    assert [(s.ic_A, s.vbe_V, s.hfe, s.temp_C) for s in q1.spots] == [(0.01, 0.655, 120, 21),
    (0.1, 0.7, 100, 22)]
    assert q2.hfe == 80.0 and math.isnan(q2.spots[0].ic_A)
    assert bag.set_aside == ()


def test_sweeps():
    sweeps = bag_of(SWEEPS).sweeps
    assert (sweeps.part, sweeps.junction, sweeps.file) == (("Q1", "D1"), ("BE", "AK"), ("f0.csv",) * 2)
    np.testing.assert_array_equal(sweeps.v_V, [0.5, 0.65, -1.5, 0.7])
    np.testing.assert_array_equal(sweeps.i_A, [1e-5, 5.25e-3, 0.0, 0.02])
    np.testing.assert_array_equal(sweeps.temp_C, [25.0, math.nan])
    np.testing.assert_array_equal(sweeps.row, [2, 3, 4, 5])


def test_curves():
    curves = bag_of(CURVES).curves
    assert (curves.part, curves.type, curves.polarity) == (("Q1",), ("2N3055",), ("",))
    np.testing.assert_array_equal(curves.vbe_V, [0.6, 0.65])
    np.testing.assert_array_equal(curves.ib_A, [1e-5, 1e-4])
    np.testing.assert_array_equal(curves.ic_A, [1.5e-3, 12.5e-3])


def test_curves_without_one_of_the_base_columns():
    curves = bag_of("part,vce_V,ib_uA,ic_mA\nQ1,5,10,1\nQ1,5,20,2\n").curves
    assert np.isnan(curves.vbe_V).all() and np.isfinite(curves.ib_A).all()
    bag = bag_of("part,vce_V,vbe_V,ib_uA,ic_mA\nQ1,5,0.6,,1\nQ1,5,,20,2\nQ1,5,,,3\n")
    assert bag.curves.ic_A.size == 2 and bag.set_aside[0].row == 4


@every_row("form", FORMS)
@every_row("sep", [",", ";", "\t"])
@every_row("mark", [".", ","])
def test_separators_and_decimal_marks(form, sep, mark):
    bag = bag_of(written(FORMS[form], sep, mark))
    assert not bag.set_aside
    same(bag, bag_of(FORMS[form]))


@every_row("form", FORMS)
@every_row(
    "encoding", ["utf-8", "utf-8-sig", "latin-1", "cp1252", "utf-16", "utf-16-le", "utf-16-be"]
)
def test_encodings(form, encoding):
    text = FORMS[form].replace("temp_C", "temp (°C)").replace("ib_uA", "ib (µA)").replace("Q1", "Qü1")
    bag = bag_of(text, encoding=encoding)
    assert not bag.set_aside
    same(bag, bag_of(text))


@every_row("end", ["\n", "\r\n", "\r"])
@every_row("form", FORMS)
def test_line_ends_comments_and_blank_lines_keep_true_line_numbers(form, end):
    lines = FORMS[form].splitlines()
    text = end.join(["# a log, indeed", "", lines[0], "", " # more", *lines[1:2], ",,,", "#x", *lines[2:]])
    bag = bag_of(text)  # no line end behind the last row
    same(bag, bag_of(FORMS[form]))
    first = {"wide": 6, "long": 6, "sweeps": 6, "curves": 6}[form]
    rows = [p.row for p in bag.readings] + bag.sweeps.row.tolist() + bag.curves.row.tolist()
    assert rows[0] == first and rows[1:2] in ([9], [10], [11])


@pytest.mark.parametrize("form", FORMS)
def test_quoted_cells_and_a_separator_line(form):
    quoted = "\n".join(",".join(f'"{c}"' for c in line.split(",")) for line in FORMS[form].splitlines())
    same(bag_of(quoted), bag_of(FORMS[form]))
    same(bag_of("sep=;\n" + FORMS[form].replace(",", ";")), bag_of(FORMS[form]))


def test_a_quoted_cell_may_hold_separators_quotes_and_line_breaks():
    bag = bag_of('part,B-E,note\n"Q,1",0.612,"says ""hm"", twice"\nQ2,0.6,"one\ntwo"\nQ3,0.58,x\n')
    assert [(p.part, p.note, p.row) for p in bag.readings] == [
        ("Q,1", 'says "hm", twice', 2), ("Q2", "one two", 3), ("Q3", "x", 5),
    ]  # fmt: skip


def test_units_in_cells_and_mixed_units():
    bag = bag_of("part,junction,v,i\nQ1,BE,500 mV,10 uA\nQ1,BE,0.65 V,5.25 mA\n")
    np.testing.assert_array_equal(bag.sweeps.v_V, [0.5, 0.65])
    np.testing.assert_array_equal(bag.sweeps.i_A, [1e-5, 5.25e-3])


def test_rows_of_a_sweep_are_gathered_and_keep_their_order_up_and_down():
    rows = [(0.1, "A"), (0.1, "B"), (0.3, "A"), (0.3, "B"), (0.2, "A"), (0.2, "B")]
    bag = bag_of("part,junction,v_V,i_A\n" + "".join(f"{p},BE,{v},{v}\n" for v, p in rows))
    np.testing.assert_array_equal(bag.sweeps.v_V, [0.1, 0.3, 0.2] * 2)
    np.testing.assert_array_equal(bag.sweeps.row, [2, 4, 6, 3, 5, 7])


def test_several_files_of_all_forms_make_one_bag():
    bag = bag_of(WIDE, LONG.replace("Q1", "Q9"), SWEEPS, CURVES, SWEEPS)
    assert len(bag.readings) == 4 and len(bag.sweeps) == 4 and len(bag.curves) == 1
    assert bag.sweeps.file == ("f2.csv", "f2.csv", "f4.csv", "f4.csv")
    assert bag.files == tuple(f"f{k}.csv" for k in range(5)) and bag.rows_read == 2 + 3 + 4 + 2 + 4
    np.testing.assert_array_equal(bag.sweeps.starts, [0, 2, 4, 6, 8])


def test_readings_of_one_part_from_two_files_are_joined():
    bag = bag_of("part,B-E\nQ1,0.612\n", "part,red,black,value\nQ1,B,C,0.605\n")
    assert readings(bag, "Q1") == {"B-E": ("volt", 0.612), "B-C": ("volt", 0.605)}
    assert bag.readings[0].file == "f0.csv"


def test_diode_mode_and_resistance_of_one_placement_stand_side_by_side():
    bag = bag_of("part,red,black,value\nQ1,B,E,0.31\nQ1,B,E,470 ohm\n")
    assert [(r.kind, r.value) for r in bag.readings[0].readings] == [("volt", 0.31), ("ohm", 470.0)]
    assert not bag.set_aside


def test_temperature_is_the_mean_of_the_rows_and_its_drift_is_kept():
    bag = bag_of("part,junction,v_V,i_A,temp_C\nQ1,BE,0.1,1,25\nQ1,BE,0.2,2,\nQ1,BE,0.3,3,28\n")
    assert bag.sweeps.temp_C[0] == 26.5 and bag.sweeps.temp_span_K[0] == 3.0


def test_part_names_are_text_even_where_they_look_like_numbers():
    bag = bag_of("part,junction,v_V,i_A,type\n007,BE,0.1,1,1\n007,BE,0.2,2,1\n1e3,AK,0.1,1,\n1e3,AK,0.2,2,\n")
    assert bag.sweeps.part == ("007", "1e3") and bag.sweeps.type == ("1", "")
    assert bag_of("part,B-E\n007,0.6\nNA,0.6\nnan,0.6\n").readings[1].part == "NA"
