"""DataFrames and typed readings: the same bag as from a file that says the same, without a file."""

import io
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from junction.base.records import PartReadings, Reading
from junction.intake.read import NothingUsable, read_frame, read_readings
from tests.intake.helpers import bag_of, check_sum, readings
from tests.intake.test_forms import FORMS, same
from tests.rows import every_row


@every_row("form", FORMS)
@every_row("dtype", [None, str, "string"])
def test_a_frame_gives_what_its_file_gives(form, dtype):
    frame = pd.read_csv(io.StringIO(FORMS[form]), dtype=dtype)
    bag = read_frame(frame)
    check_sum(bag)
    same(bag, bag_of(FORMS[form]))
    assert bag.files == ("DataFrame",) and not bag.set_aside
    rows = [p.row for p in bag.readings] + bag.sweeps.row.tolist() + bag.curves.row.tolist()
    assert rows[0] == 1  # rows from 1, where the lines of a file start below the headings


def test_numbers_are_taken_in_the_unit_of_their_heading_and_missing_ones_as_not_measured():
    frame = pd.DataFrame({"part": [1, 2], "B-E (mV)": [612, 598], "E-B": ["OL", None], "B-C": [0.6, np.nan]})
    bag = read_frame(frame.astype({"B-E (mV)": "Int64"}), "bench")
    said = readings(bag, "1")
    assert said.pop("E-B")[0] == "over" and said == {"B-E": ("volt", 0.612), "B-C": ("volt", 0.6)}
    assert readings(bag, "2") == {"B-E": ("volt", 0.598)}
    assert bag.readings[0].file == "bench"


def test_a_million_points_with_a_fault_among_them():
    n = 1_000_000
    v = np.tile(np.linspace(0, 0.7, 100), n // 100)
    frame = pd.DataFrame({"part": np.repeat([f"Q{k}" for k in range(n // 100)], 100), "junction": "BE",
                          "v_mV": 1e3 * v, "i_A": 1e-12 * np.expm1(v / 0.026), "temp_C": 25.0})  # fmt: skip
    frame.loc[5, "v_mV"], frame.loc[7, "i_A"], frame.loc[9, "temp_C"] = np.inf, np.nan, 400.0
    bag = read_frame(frame)
    check_sum(bag)
    assert [(s.row, s.column, s.value, s.rows) for s in bag.set_aside] == [
        (6, "v_mV", "inf", 1), (8, "i_A", "", 1), (10, "temp_C", "400.0", 0),
    ]  # fmt: skip
    assert len(bag.sweeps) == n // 100 and bag.rows_used == n - 2
    np.testing.assert_allclose(bag.sweeps.v_V[-100:], v[-100:], rtol=1e-15, atol=0)


def test_the_index_is_read_where_it_has_a_name_and_empty_rows_are_none():
    frame = pd.DataFrame({"B-E": [0.61, np.nan, 0.62]}, index=pd.Index(["Q1", None, "Q2"], name="part"))
    bag = read_frame(frame)
    assert [(p.part, p.row) for p in bag.readings] == [("Q1", 1), ("Q2", 3)] and bag.rows_read == 2


def test_faulty_cells_and_headings_are_said_as_for_files():
    frame = pd.DataFrame({"part": ["Q1", "Q2"], "B-E": [612.0, 0.6], "serial": [1, 2], "v": [1.0, 2.0]})
    bag = read_frame(frame)
    assert [(s.row, s.column, s.value, s.rows) for s in bag.set_aside] == [
        (None, "serial", "", 0), (None, "v", "", 0), (1, "B-E", "612.0", 1),
    ]  # fmt: skip
    for frame, says in (
        (pd.DataFrame({"foo": [1]}), "DataFrame: headings not understood: 'foo'"),
        (pd.DataFrame({"part": [], "B-E": []}), "only headings, no rows"), (pd.DataFrame(), "understood"),
        (pd.DataFrame({"part": ["Q", "Q"], "junction": "BE", "v": [0.1, 0.2], "i_A": [1.0, 2.0]}), "no unit"),
    ):  # fmt: skip
        with pytest.raises(NothingUsable, match=says):
            read_frame(frame)


def test_typed_readings_of_one_part_and_of_many():
    for one in (["B-E=0.642", "E-B=OL"], {"B-E": 0.642, "E-B": "OL"}, ("B-E = 642 mV", "E-B=---")):
        bag = read_readings(one)
        said = readings(bag, "part")
        assert said["B-E"] == ("volt", 0.642) and said["E-B"][0] == "over" and len(said) == 2
    bag = read_readings({
        "Q1": ["B-E=0.642", "E-B=OL"], "D1": {"A-K": 0.58, "K-A": None, "type": "1N4148", "temp_C": 24},
    })  # fmt: skip
    assert [p.part for p in bag.readings] == ["Q1", "D1"] and not bag.set_aside
    assert readings(bag, "D1") == {"A-K": ("volt", 0.58)}
    assert (bag.readings[1].type, bag.readings[1].temp_C, bag.readings[1].row) == ("1N4148", 24.0, 2)


def test_typed_readings_that_cannot_be_used_are_told():
    bag = read_readings({"Q1": ["B-E=612", "E-B=OL"], "Q2": ["B-E=0.6", "B-E=0.7", "B-C=0.6"]})
    check_sum(bag)
    assert [(s.file, s.row, s.column, s.value) for s in bag.set_aside] == [
        ("typed readings", 1, "B-E", "612"), ("typed readings", 2, "B-E", "0.6"),
        ("typed readings", 2, "B-E", "0.7"),
    ]  # fmt: skip
    for none in ([], {}, {"Q1": []}, ["B-E"], ["hello=1"]):
        with pytest.raises(NothingUsable):
            read_readings(none)


def test_records_pass_through():
    part = PartReadings("Q1", (Reading("B-E", "volt", 0.6),))
    assert read_readings(part).readings == read_readings([part]).readings == (part,)


def test_typed_readings_need_no_pandas():
    code = (
        "import sys; from junction.intake.read import read_readings; read_readings(['B-E=0.6']);"
        "sys.exit(any(m in sys.modules for m in ('pandas', 'scipy', 'matplotlib')))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
