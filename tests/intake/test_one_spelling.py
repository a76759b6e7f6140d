"""One type number in several spellings is one type; what cannot be read is said shortly and once."""

import numpy as np
import pytest

from junction.base.errors import InputError
from junction.base.records import plain_name
from tests.intake.helpers import bag_of, read_texts, refusal


@pytest.mark.parametrize(
    ("one", "other"),
    [("2n3055", "2N3055"), ("TIP 41C", "TIP41C"), ("BC337-25", "bc 337 25"), ("2N\u20133055", "2N3055")],
)  # fmt: skip
def test_rows_of_a_part_may_spell_its_type_in_two_ways(one, other):
    bag = bag_of(f"part,type,B-E,E-B\nP1,{one},0.605,\nP1,{other},,OL\n")
    assert not bag.set_aside
    assert bag.readings[0].type == one


def test_two_types_are_still_two_types():
    bag = bag_of("part,type,B-E,E-B\nP1,BC337-16,0.605,\nP1,BC337-25,,OL\n")
    assert bag.readings[0].type == "" and "more than one type" in bag.set_aside[0].reason


def test_parts_of_one_type_come_out_with_one_spelling_from_all_tables():
    sweep = "part,junction,type,v_V,i_A\n" + "".join(f"S1,BE,2n-3055,0.{k},1e-{9 - k}\n" for k in range(4, 8))
    mixed = "S2,BE,2N3055,0.4,1e-5\nS2,BE,2n3055,0.5,1e-4\n"
    curves = "part,type,vce_V,vbe_V,ic_A\nC1,2N 3055,5,0.6,0.1\nC1,2N 3055,5,0.7,1\n"
    bag = bag_of("part,type,B-E\nR1,2N3055,0.605\nR2,2n3055,0.604\n", sweep + mixed, curves)
    assert not bag.set_aside
    assert {p.type for p in bag.readings} == {*bag.sweeps.type} == {*bag.curves.type} == {"2N3055"}
    assert not bag.sweeps.v_V.flags.writeable and np.diff(bag.sweeps.starts).tolist() == [4, 2]


def test_a_type_of_dashes_alone_is_kept_as_written():
    assert plain_name("--") == ""
    bag = bag_of("part,type,B-E\nR1,--,0.605\nR2,---,0.604\nR3,-,0.6\n")
    assert [p.type for p in bag.readings] == ["--", "---", ""]


# --- headings -----------------------------------------------------------------------------------------


def test_a_heading_without_its_unit_is_named_in_the_example():
    bag = bag_of("part;Vbe;Ic;hFE\nA1;0,612;0,1;90\nA2;0,615;0,1;91\n")
    told = {s.column: s.reason for s in bag.set_aside}
    assert "such as Vbe_V, Vbe_mV" in told["Vbe"] and "such as Ic_A, Ic_mA" in told["Ic"]
    assert len(bag.set_aside) == 2  # once a column, not once a cell


def test_bare_v_and_i_are_both_in_the_one_line():
    error = refusal("part;junction;V;I\nA1;BE;0,1;1\nA1;BE;0,2;2\nA2;BE;0,3;1\n")
    assert "V_V, V_mV" in str(error) and "I_A, I_mA" in str(error)


def test_a_missing_column_shows_the_headings_that_said_nothing():
    said = str(refusal("Bauteil;Strecke;v_V;i_A\nA1;BE;0.1;1e-3\nA1;BE;0.2;1e-2\n"))
    assert "missing: part, junction" in said and "not understood: 'Bauteil', 'Strecke'" in said


def test_a_note_in_sentences_is_called_no_table_in_a_short_line():
    note = (
        "TIP41C on heatsink left: BE .605 EB OL, BC .600, CB OL and CE OL both ways, emitter resistor looked"
        " a bit burnt, meter on diode range, 22 degrees, will read the other one in the morning\n"
    )
    said = str(refusal(note))
    assert "no table" in said and "TIP41C on heatsink" in said and "B-E" in said
    assert len(said) < 160  # two lines of a terminal
    assert "no table" in str(refusal(note + "and a second line\n"))


# --- nothing usable -----------------------------------------------------------------------------------


def test_three_reasons_are_told_and_the_rest_counted():
    names = ("one", "two", "three", "four", "five")
    texts = [(f"{name}.csv", f"{name},bar\n1,2\n".encode()) for name in names]
    with pytest.raises(InputError) as caught:
        read_texts(texts)
    said = str(caught.value)
    assert [f"{name}.csv" in said for name in names] == [True] * 3 + [False] * 2
    assert "and 2 more" in said and "\n" not in said and len(caught.value.set_aside) == 5


def test_one_reason_stands_alone():
    error = refusal("part,B-E\nA1,what\n")
    assert str(error).count("what") == 1 and "more" not in str(error)
