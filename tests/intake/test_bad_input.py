"""Bad input: one clear message each, no traceback, nothing lost."""

import pickle

import numpy as np
import pytest

from junction.base.errors import InputError
from junction.intake.read import NothingUsable
from tests.intake.helpers import bag_of, readings, refusal
from tests.rows import every_row

ZIP = b"PK\x03\x04" + bytes(range(256)) * 4
OLE = bytes.fromhex("d0cf11e0a1b11ae1") + b"\0" * 600


@every_row(
    ("content", "says"),
    [
        (b"", "the file is empty"), (b"\n \n\n", "the file is empty"), (b"\xef\xbb\xbf", "the file is empty"),
        (b"# only this\n", "no headings"), (b"part,B-E\n", "line 1: only headings, no rows"),
        (b"# x\n\npart,B-E\n\n,,\n# y\n", "line 3: only headings, no rows"),
        (b"foo,bar\n1,2\n", "headings not understood: 'foo', 'bar'"),
        (b"A07,0.612,OL\n", "headings not understood"),
        (b"part,junctoin,v_V,i_A\nQ,BE,1,1\n", "nearest is 'junction'"),
        (b"part,B.E,E.B\nQ,1,1\n", "nearest is 'B-E'"),
        (b"part,02. Jan,03. Jan\nQ,1,1\n", "a date: has a spreadsheet turned"),
        (ZIP, "a spreadsheet or zip file, not CSV text; open it and save it as CSV"),
        (OLE, "an old spreadsheet or document file"), (b"\x89PNG\r\n\x1a\n" + b"\0" * 100, "a picture"),
        (bytes(range(1, 32)) * 40 + b"\x80\xff", "not text: a binary file"), (b"\x1f\x8b\x08\0abc", "gzip"),
        (b"\xff\xfea\0b", "UTF-16 text but is damaged"),
        (b"part,junction,v_A,i_A\nQ,BE,1,1\n", "'A' is a unit of current; a voltage in V was expected"),
        (b"part,junction,v_V,i_A,i_mA\nQ,BE,1,1,1\n", "two columns for i"),
        (b"part,junction,v,i_A\nQ,BE,1,1\nQ,BE,2,2\n",
        "no unit: write it in the heading (such as v_V, v_mV)"),
        (b"part,junction,v_V,i_A\nQ,BE,0.6,1e-3\n", "sweep Q BE has one point"),
        (b"part,junction,v_V,i_A\nQ,BE,0.6,1e-3\nQ,BE,0.6,2e-3\n", "all 2 points at the same voltage"),
        (b"part,junction,v_V,i_A\nQ,BE,nan,1\nQ,BE,nan,2\n", "'nan' is not a number"),
        (b"part,junction,v_V,i_A\nQ,EB,1,1\nQ,EB,2,1\n", "write BE"),
        (b"part," + b",".join(b"B-E" for _ in range(300)) + b"\n" + b"Q" + b",1" * 300, "at most 200"),
    ],
)  # fmt: skip
def test_a_file_of_which_nothing_can_be_used(content, says):
    error = refusal(content)
    assert isinstance(error, NothingUsable)
    assert says in str(error) and str(error).startswith("f0.csv")
    assert error.set_aside and error.set_aside[0].file == "f0.csv"


@pytest.mark.parametrize("content", [b"", b"part,B-E\n", b"foo,bar\n1,2\n", ZIP, OLE])
def test_an_unusable_file_among_others_goes_to_the_list(content):
    bag = bag_of(content, "part,B-E\nQ1,0.6\n")
    assert readings(bag, "Q1") == {"B-E": ("volt", 0.6)}
    (entry,) = bag.set_aside
    assert entry.file == "f0.csv" and entry.rows == (content.count(b"\n") - 1 if b"foo" in content else 0)


def test_unknown_headings_list_what_is_understood():
    text = str(refusal("foo,bar\n1,2\n"))
    for word in ("B-E", "1-2", "A-K", "red, black, value", "junction, v_V, i_A", "vce_V", "temp_C", "hFE"):
        assert word in text


def test_an_unknown_column_among_known_ones_is_said_and_costs_nothing_else():
    bag = bag_of("part,B-E,serial,tipe,hFE,v_V\nQ1,0.6,4711,2N3055,100,3\n")
    assert readings(bag, "Q1") == {"B-E": ("volt", 0.6)} and bag.rows_used == 1
    reasons = {s.column: s.reason for s in bag.set_aside}
    assert "not understood" in reasons["serial"] and "nearest is 'type'" in reasons["tipe"]
    assert "no place in wide readings" in reasons["v_V"]
    assert all(s.row == 1 and s.rows == 0 for s in bag.set_aside)


def test_a_column_without_heading_is_said_only_if_it_holds_something():
    assert not bag_of("part,B-E,\nQ1,0.6,\n").set_aside
    assert not bag_of("part,B-E,,C-E\nQ1,0.6,,OL\n").set_aside
    (entry,) = bag_of("part,B-E,,C-E\nQ1,0.6,x,OL\n").set_aside
    assert "without a heading" in entry.reason and entry.rows == 0


def test_bare_millivolts_are_refused_with_the_way_to_write_them():
    bag = bag_of("part,B-E,E-B\nQ1,612,OL\nQ2,0.6,OL\n")
    (entry,) = bag.set_aside
    assert (entry.row, entry.column, entry.value, entry.rows) == (2, "B-E", "612", 0)
    assert "write 612mV or 612ohm" in entry.reason
    assert "B-E" not in readings(bag, "Q1")


def test_text_in_a_number_cell_costs_its_row_in_a_sweep_and_its_cell_in_readings():
    points = ("0.1,1", "abc,2", "0.3,1_000", "0.4,inf", ",2", "0.2,9")
    bag = bag_of("part,junction,v_V,i_A\n" + "".join(f"Q,BE,{p}\n" for p in points))
    np.testing.assert_array_equal(bag.sweeps.v_V, [0.1, 0.2])
    assert [(s.row, s.column, s.value) for s in bag.set_aside] == [
        (3, "v_V", "abc"), (4, "i_A", "1_000"), (5, "i_A", "inf"), (6, "v_V", ""),
    ]  # fmt: skip


def test_two_faults_in_one_row_take_it_out_once():
    bag = bag_of("part,junction,v_V,i_A,temp_C\nQ,BE,a,b,c\nQ,BE,0.1,1,x\nQ,BE,0.2,2,\n")
    assert [(s.row, s.column, s.rows) for s in bag.set_aside] == [
        (2, "v_V", 1), (2, "i_A", 0), (2, "temp_C", 0), (3, "temp_C", 0),
    ]  # fmt: skip


def test_a_missing_unit_is_one_entry_for_the_column():
    bag = bag_of("part,junction,v,i_A\n" + "Q,BE,0.1 V,1\nQ,BE,0.2 V,2\n" + "R,BE,0.1,1\n" * 500)
    (entry,) = bag.set_aside
    assert (entry.row, entry.column, entry.rows) == (4, "v",
    500) and "500 cells, down to line 503" in entry.reason
    bag = bag_of("part,B-E,ic\n" + "".join(f"Q{k},0.6,1\n" for k in range(50)))
    (entry,) = bag.set_aside
    assert (entry.row, entry.rows) == (2, 0) and bag.rows_used == 50


def test_a_part_and_placement_given_twice_with_different_values_is_used_neither_time():
    bag = bag_of("part,B-E,B-C\nQ1,0.612,0.6\nQ1,0.580,\nQ2,0.6,OL\n")
    assert readings(bag, "Q1") == {"B-C": ("volt", 0.6)}
    assert [(s.row, s.value, s.rows) for s in bag.set_aside] == [(2, "0.612", 0), (3, "0.580", 1)]
    assert "0.612 (line 2), 0.580 (line 3); none is used, measure again" in bag.set_aside[0].reason


def test_the_same_across_files_names_the_files():
    bag = bag_of("part,B-E,B-C\nQ1,0.612,0.6\n", "part,red,black,value\nQ1,B,E,OL\n")
    assert {s.file for s in bag.set_aside} == {"f0.csv", "f1.csv"} and "of f1.csv" in bag.set_aside[0].reason


@every_row(
    ("one", "other", "agree"),
    [
        ("0.612", "0.612", True), ("0.612", "0.613", True), ("0.612", "0.614", True),
        ("0.612", "0.615", False),
        ("0.6", "0.7", False), ("612 mV", "0.612", True), ("OL", "---", True), ("OL", "0.6", False),
        ("34 ohm", "36 ohm", False), ("34.1 ohm", "34.3 ohm", True), ("2.20 Mohm", "2.21 Mohm", True),
        ("2 Mohm", "3 Mohm", False), ("OL Mohm", "2 Mohm", False),
    ],
)  # fmt: skip
def test_a_repeated_reading_agrees_within_two_counts(one, other, agree):
    bag = bag_of(f"part,red,black,value\nQ1,B,E,{one}\nQ1,B,E,{other}\nQ1,B,C,0.6\n")
    assert ("B-E" in readings(bag, "Q1")) == agree
    assert len(bag.set_aside) == (0 if agree else 2)
    assert bag.rows_used == (3 if agree else 1)


def test_a_decimal_comma_that_split_a_cell_is_not_read_as_a_short():
    bag = bag_of("part,B-E,E-B,note\nQ1,0,612,OL\nQ2,0,OL,612\nQ3,0.000,0.000,612\n")
    assert [p.part for p in bag.readings] == ["Q2", "Q3"]
    (entry,) = bag.set_aside
    assert (entry.row, entry.column, entry.rows) == (2, "B-E", 1) and "write 0.612" in entry.reason
    bag = bag_of("part,red,black,value,note\nQ1,B,E,0,004\nQ2,B,E,0,short\n")
    assert [p.part for p in bag.readings] == ["Q2"] and "0,004: a decimal comma" in bag.set_aside[0].reason
    assert bag_of("part;B-E;E-B\nQ1;0;0.61\n").rows_used == 1


def test_two_columns_for_one_placement_follow_the_same_rule():
    bag = bag_of("part,B-E,B-E,E-B\nQ1,0.6,0.6,OL\nQ2,0.6,0.7,OL\nQ3,,0.6,OL\n")
    assert readings(bag, "Q1")["B-E"] == readings(bag, "Q3")["B-E"] == ("volt", 0.6)
    assert "B-E" not in readings(bag, "Q2") and len(bag.set_aside) == 2


def test_two_optional_columns_for_one_thing_are_used_neither():
    bag = bag_of("part,B-E,type,type\nQ1,0.6,2N3055,2N3055\n")
    assert bag.readings[0].type == "" and len(bag.set_aside) == 2
    assert "two columns for the same thing" in bag.set_aside[0].reason


def test_a_settling_reading_gives_way_to_the_settled_one():
    bag = bag_of("part,red,black,value\nQ1,B,E,0.45~\nQ1,B,E,0.612\nQ2,B,E,0.45~\n")
    assert readings(bag, "Q1") == {"B-E": ("volt", 0.612)}
    assert bag.readings[1].readings[0].settling
    assert [(s.row, s.rows) for s in bag.set_aside] == [(2, 1)]


def test_leads_named_in_two_ways_keep_the_way_with_more_readings():
    bag = bag_of("part,1-2,2-1,B-E,A-K\nQ1,0.6,OL,0.6,\nQ2,0.6,,0.6,\nQ3,,,,0.6\nQ4,0.6,OL,,\n")
    assert set(readings(bag, "Q1")) == {"1-2", "2-1"}
    assert set(readings(bag, "Q2")) == {"B-E"}
    assert [(s.row, s.column, s.rows) for s in bag.set_aside] == [(2, "B-E", 0), (3, "1-2", 0)]
    assert "named B, C, E here and 1, 2, 3 elsewhere" in bag.set_aside[0].reason


def test_contradicting_facts_are_used_neither_time_and_in_circuit_wins():
    bag = bag_of(
        "part,B-E,B-C,type,polarity,temp_C,in_circuit\nQ1,0.6,,2N3055,NPN,25,yes\nQ1,,0.6,BD139,PNP,30,no\n"
    )
    (part,) = bag.readings
    assert (part.type, part.polarity, part.in_circuit) == ("", "", True) and np.isnan(part.temp_C)
    assert len(bag.set_aside) == 7 and bag.rows_used == 2


def test_spot_readings_that_contradict():
    bag = bag_of("part,hFE,vbe_mV,ic_mA\nQ1,100,650,10\nQ1,120,650,10\n")
    (spot,) = bag.readings[0].spots
    assert np.isnan(spot.hfe) and spot.vbe_V == 0.65 and len(bag.set_aside) == 2
    bag = bag_of("part,hFE,vbe_mV,ic_mA\nQ1,-5,650,0\nQ2,100,-600,10\n")
    assert [s.column for s in bag.set_aside] == ["hFE", "ic_mA"]
    (entry,) = bag_of("part,hFE,vbe_mV,polarity\nQ1,90,-650,NPN\n").set_aside
    assert entry.reason.startswith("negative V_BE")


def test_wrong_numbers_of_cells():
    rows = ("Q1,0.6", "Q2,0,612,OL,x", "Q3,0.6,OL,,,,", 'Q4,0.6,OL,"a,b"', '"Q5,0.6,OL,x', "Q6,0.6,OL,")
    bag = bag_of("part,B-E,E-B,note\n" + "\n".join(rows))
    assert [p.part for p in bag.readings] == ["Q1", "Q3", "Q4", "Q6"]
    assert [(s.row, s.value, s.rows) for s in bag.set_aside] == [
        (2, "", 0), (3, "Q2,0,612,OL,x", 1), (6, '"Q5,0.6,OL,x', 1),
    ]  # fmt: skip
    assert bag.set_aside[0].reason == "2 cells, but 4 headings: the last are taken as not measured"
    assert "decimal comma in a comma-separated file" in bag.set_aside[1].reason
    assert "opened and not closed" in bag.set_aside[2].reason


def test_wrong_numbers_of_cells_in_a_long_sweep_file():
    rows = [f"Q{k // 80},BE,{k % 80 / 100},1e-3" for k in range(4000)]
    rows[100] += ",7"
    rows[200] = "Q2,BE,0.4"
    rows.insert(300, "# switched range")
    rows.insert(400, "")
    bag = bag_of("part,junction,v_V,i_A\n" + "\n".join(rows) + "\n")
    assert [(s.row, s.rows) for s in bag.set_aside] == [(102, 1), (202, 1)]
    assert (bag.rows_read, bag.rows_used, len(bag.sweeps)) == (4000, 3998, 50)
    assert bag.sweeps.row[-1] == 4003


def test_part_names_that_look_like_formulas_or_hold_control_characters():
    names = ["=1+2", "+Q", "-Q", "@Q", "a\x01b", "\x1b[31mred", "a\0b", "x\u202ey", "<script>"]
    wide = "part,B-E\n" + "".join(f"{n},0.6\n" for n in names)
    sweeps = "part,junction,v_V,i_A\n" + "".join(f"{n},BE,0.1,1\n{n},BE,0.2,2\n" for n in names)
    for form in (wide, sweeps):
        bag = bag_of(form)
        found = [p.part for p in bag.readings] + list(bag.sweeps.part)
        assert found == ["=1+2", "+Q", "-Q", "@Q", "a␁b", "␛[31mred", "a␀b", "x<U+202E>y", "<script>"]


def test_rows_without_a_name_or_with_nothing_to_say():
    bag = bag_of("part,B-E,type\n,0.6,\nQ1,,\nQ2,,2N3055\nQ3,0.6,\n")
    assert [(s.row, s.reason[:12], s.rows) for s in bag.set_aside] == [
        (2, "no part name", 1), (3, "no reading i", 1), (4, "no reading i", 1),
    ]  # fmt: skip


def test_faulty_junctions_and_names_of_sweeps_are_one_entry_each():
    good = "Q2,B-E,0.1,1\nQ2,be,0.2,1\n"
    bag = bag_of("part,junction,v_V,i_A\n" + "Q1,XY,0.1,1\nQ1,XY,0.2,1\n" * 40 + ",BE,0.1,1\n" * 5 + good)
    assert bag.sweeps.junction == ("BE",)
    assert [(s.row, s.column, s.value, s.rows) for s in bag.set_aside] == [
        (2, "junction", "XY", 80), (82, "part", "", 5),
    ]  # fmt: skip


def test_very_long_lines_and_cells_are_clipped_in_messages():
    n = 100_000
    bag = bag_of(f"part,B-E\n{'x' * n},0.6\nQ1,{'9' * n}\nQ2,0.6{',7' * n}\nQ3,0.6\n")
    assert [p.part for p in bag.readings] == ["Q3"]
    assert len(bag.set_aside) == 3 and all(len(s.value) <= 80 and len(s.reason) < 400 for s in bag.set_aside)
    assert len(str(refusal("x" * 1_000_000))) < 1000
    assert len(str(refusal(",".join(f"h{k}" for k in range(20_000)) + "\n1\n"))) < 1000


def test_a_thousands_mark_is_not_taken_for_a_decimal_comma():
    bag = bag_of("part;junction;v_V;i_A\nQ;BE;0.1;1,234\nQ;BE;0.2;0,002\nQ;BE;0.3;0.003\n")
    assert [(s.row, s.column) for s in bag.set_aside] == [(2, "i_A")]
    assert "decimal or thousands mark" in bag.set_aside[0].reason
    np.testing.assert_array_equal(bag.sweeps.i_A, [0.002, 0.003])


def test_the_error_travels_between_processes():
    error = refusal("foo,bar\n1,2\n")
    twin = pickle.loads(pickle.dumps(error))
    assert str(twin) == str(error) and twin.set_aside == error.set_aside and isinstance(twin, InputError)
