"""No row disappears, whatever a file holds; and the fast and the careful road give the same points."""

import dataclasses

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from junction.base.errors import InputError
from junction.intake import points as points_module
from junction.intake.points import careful_points, curves_of, read_points, sweeps_of
from junction.intake.table import UnusableTable, open_text, split
from tests.intake.helpers import check_sum, read_texts

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
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
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
        table = open_text("f.csv", text.encode())
    except UnusableTable:
        return

    def careful(table, aside):
        keys, rows = {}, split(table, aside)
        return careful_points(rows, keys, aside), list(keys), rows.read

    roads = []
    for read in (read_points, careful):
        aside = []
        points, keys, rows = read(table, aside)
        records = (sweeps_of if table.form == "sweeps" else curves_of)(table, points, keys, aside)
        roads.append((rows, records, aside))
    (a_read, a, a_aside), (b_read, b, b_aside) = roads
    assert a_read == b_read
    for field in dataclasses.fields(a):
        one, other = getattr(a, field.name), getattr(b, field.name)
        if isinstance(one, tuple):
            assert one == other
        else:  # pandas' own number parser may differ from Python's in the last bit
            np.testing.assert_allclose(one, other, rtol=4e-16, atol=0, err_msg=field.name)

    def order(s):
        return s.row, s.column, s.value, s.reason, s.rows

    assert sorted(map(order, a_aside)) == sorted(map(order, b_aside))


@pytest.mark.parametrize("mark", [".", ","])
def test_the_fast_road_is_taken_for_a_regular_file(monkeypatch, mark):
    def never(*_):
        raise AssertionError("the careful road was taken")

    rows = (f"Q{k // 9};BE;{k % 9}{mark}5;1e-{k % 9}\n" for k in range(99))
    text = "part;junction;v_mV;i_A\n" + "".join(rows)
    monkeypatch.setattr(points_module, "careful_points", never)
    points, _, read = read_points(open_text("f.csv", text.encode()), [])
    assert read == 99
    np.testing.assert_array_equal(points["v"][:3], [0.0005, 0.0015, 0.0025])
