"""No row disappears, whatever a file holds; and the fast and the careful road give the same points."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from junction.base.errors import InputError
from junction.intake import points as points_module
from junction.intake.points import careful_points, read_points
from junction.intake.read import read_texts
from junction.intake.rows import numbered_lines, split_rows
from junction.intake.sheet import UnusableSheet, open_sheet
from junction.intake.tables import group_points
from tests.intake.helpers import check_sum

HEADINGS = [
    "part,B-E,E-B,type", "part,1-2,B-E,hFE,vbe_mV,ic_mA,temp_C,in_circuit,polarity,note",
    "part,red,black,value,type",
    "part,junction,v_V,i_mA", "part,junction,v,i_A,temp_C,type,polarity",
    "part,vce_V,vbe_V,ib_uA,ic_mA,polarity",
    "part,A-K (mV),odd,K-A",
]  # fmt: skip
CELLS = [
    "", " ", "Q1", "Q2", "B", "E", "1", "BE", "AK", "0.612", "0.580", "-0.6", "612", "612 mV", "OL", "34k",
    "nan", "inf",
    "1_000", "1e-3", "-5", "NPN", "yes", "#", "~", "0,6", "1,234", '"', '"a', 'b"', '"x;y"', "25", "abc",
    "5 A", "=1",
]  # fmt: skip
tables = st.builds(
    lambda heading, sep, rows: (heading.replace(",", sep), [sep.join(row) for row in rows]),
    st.sampled_from(HEADINGS), st.sampled_from([",", ";", "\t"]),
    st.lists(st.lists(st.sampled_from(CELLS), min_size=1, max_size=9), max_size=12),
)  # fmt: skip


def read(*contents):
    """Bag of the contents, or the error in place of one."""
    try:
        return read_texts([(f"f{k}.csv", c) for k, c in enumerate(contents)])
    except InputError as error:
        assert "\n" not in str(error)
        return error


@given(st.lists(tables, min_size=1, max_size=3))
@settings(max_examples=200, deadline=None)
def test_rows_used_and_rows_set_aside_make_the_rows_read(files):
    good = b"part,B-E\nanchor,0.6\n"  # something usable, so that a bag comes back
    bag = read(good, *("\n".join([heading, *rows]).encode() for heading, rows in files))
    check_sum(bag)
    plain = all('"' not in row for _, rows in files for row in rows)
    if plain:  # without quotes every line that holds something is a row, and the count is known beforehand
        expected = 1 + sum(
            1 for heading, rows in files for row in rows
            if row.strip(" \t;,") and not row.lstrip(" " if "\t" in heading else " \t").startswith("#")
        )  # fmt: skip
        assert bag.rows_read == expected
    places = {(s.file, s.row) for s in bag.set_aside if s.rows}
    assert len(places) == sum(1 for s in bag.set_aside if s.rows), "a row taken out twice"


@given(st.binary(max_size=400))
@settings(max_examples=200, deadline=None)
def test_any_bytes_give_a_bag_or_one_message(data):
    for content in (data, b"part,B-E\n" + data, b"part,junction,v_V,i_A\nQ,BE,0.1,1\nQ,BE,0.2,2\n" + data):
        result = read(content)
        if not isinstance(result, InputError):
            check_sum(result)


@given(st.text(max_size=200))
@settings(max_examples=200, deadline=None)
def test_any_text_gives_a_bag_or_one_message(text):
    for heading in ("", "part;B-E;note\n", "part,junction,v_V,i_A\n", "part,vce_V,vbe_V,ic_A\nQ,1,0.6,1\n"):
        result = read((heading + text).encode("utf-8", "surrogatepass"))
        if not isinstance(result, InputError):
            check_sum(result)


NUMBERS = [
    "0.1", "-0.25", "1e-12", "3", "", " 7", "8 ", "+.5", "1.", "1E5", "nan", "inf", "-INF", "Infinity",
    "1_0", "0x10",
    "1e400", "1e-400", "1d3", "١", "1,5", "1.234", "1,234", "-", ".", "1e", "5 mV", "5 V", "2 mA", "abc",
    "True", "−1",
    "99999999999999999999", "1 000", "NA", "None", "null", "#1", '"', '0."5',
]  # fmt: skip


@given(
    st.sampled_from(["part,junction,v_mV,i_A", "part,junction,v_V,i_A,temp_C,type",
    "part,vce_V,vbe_V,ib_A,ic_A"]),
    st.sampled_from([",", ";", "\t"]),
    st.lists(
        st.tuples(st.sampled_from(["Q1", "Q2", " Q1", "", "#Q", "Ω"]),
        st.sampled_from(["BE", "AK", "b-e", "XX"]),
                  st.lists(st.one_of(st.just("0.5"), st.sampled_from(NUMBERS)), min_size=2, max_size=5)),
        min_size=1, max_size=30,
    ),
    st.integers(1, 7), st.sampled_from([0, 0, 1, 2]),
)  # fmt: skip
@settings(max_examples=6000, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_fast_and_careful_roads_meet(monkeypatch, heading, sep, rows, chunk, quoting):
    monkeypatch.setattr(points_module, "_CHUNK_ROWS", chunk)
    width = heading.count(",") + 1
    lines = [[p, j, *numbers] if "junction" in heading else [p, *numbers] for p, j, numbers in rows]
    if len(rows) % 2:  # as a rule rows have the right number of cells, or the fast road is never taken
        lines = [(line + ["0.25"] * width)[:width] for line in lines]
    if quoting:  # every cell, or the texts, or with a fault now and then
        lines = [[f'"{c}"' if k % 2 < quoting else c for k, c in enumerate(line)] for line in lines]
    text = "\n".join([heading.replace(",", sep), *(sep.join(line) for line in lines)])
    try:
        sheet = open_sheet("f.csv", text.encode())
    except UnusableSheet:
        return
    a = group_points(sheet, read_points(sheet))
    b = group_points(sheet, careful_points(sheet, split_rows(sheet, numbered_lines(sheet))))
    assert a.rows_read == b.rows_read
    assert [(g.part, g.junction, g.types, g.polarities) for g in a.groups] == [
        (g.part, g.junction, g.types, g.polarities) for g in b.groups
    ]
    np.testing.assert_array_equal(a.starts, b.starts)
    np.testing.assert_array_equal(a.line, b.line)
    for name in a.values:  # pandas' own number parser may differ from Python's in the last bit
        np.testing.assert_allclose(a.values[name], b.values[name], rtol=4e-16, atol=0, err_msg=name)
    def order(s):
        value = s.value if s.column else ""  # a whole row is shown with its quotes or without
        return s.row, s.column, value, s.reason, s.rows

    assert sorted(map(order, a.set_aside)) == sorted(map(order, b.set_aside))


@pytest.mark.parametrize("mark", [".", ","])
def test_the_fast_road_is_taken_for_a_regular_file(monkeypatch, mark):
    def never(*_):
        raise AssertionError("the careful road was taken")

    rows = (f"Q{k // 9};BE;{k % 9}{mark}5;1e-{k % 9}\n" for k in range(99))
    text = "part;junction;v_mV;i_A\n" + "".join(rows)
    monkeypatch.setattr(points_module, "careful_points", never)
    points = read_points(open_sheet("f.csv", text.encode()))
    assert points.rows_read == 99
    np.testing.assert_array_equal(points.values["v"][:3], [0.0005, 0.0015, 0.0025])
