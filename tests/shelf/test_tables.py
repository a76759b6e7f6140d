"""Every cell of the smaller reference tables, and that a fault is named by file, line and column."""

from collections.abc import Mapping
from dataclasses import FrozenInstanceError
from math import isnan

import pytest

from junction.base.errors import ShelfError, UsageError
from junction.shelf.limits import matched_duals, symbols
from junction.shelf.tables import (
    Column,
    cautions,
    columns,
    default_meter,
    families,
    meters,
    reference_folder,
    resistor_series,
    rows,
    rule,
    rules,
)
from junction.shelf.types import packages
from tests.shelf.reference import changed


def test_every_table_is_named_in_the_readme():
    text = (reference_folder() / "README.md").read_text(encoding="utf-8")
    for path in reference_folder().glob("*.csv"):
        assert f"`{path.name}`" in text, path.name


def test_every_table_has_rows_and_sources():
    for path in reference_folder().glob("*.csv"):
        found = list(rows(path))
        assert found, path.name
        # the schema and the letter symbols are no facts that want a source
        assert "source" in found[0].cells or path.stem in ("columns", "options", "symbols"), path.name


def test_the_schema_names_tables_that_are_there_and_texts_that_are_used():
    kinds = {"key", "text", "number", "flag"}
    for row in rows(reference_folder() / "columns.csv"):
        assert row.cells["kind"] in kinds and row.cells["meaning"], row
        for table in row.cells["table"].split():
            assert (reference_folder() / f"{table}.csv").is_file(), row
        column = next(c for c in columns(table) if c.name == row.cells["column"])
        assert (column.low < column.high) == (column.kind == "number"), row


def test_every_condition_and_dual_symbol_is_used():
    conditions = set()
    for name in ("limits_bjt", "limits_diode", "limits_duals"):
        for row in rows(reference_folder() / f"{name}.csv"):
            conditions |= {word.partition("=")[0] for word in row.cells["at"].split()}
    assert conditions == set(symbols("condition"))
    assert {x.symbol for limits in matched_duals().values() for x in limits} == set(symbols("dual"))


def test_families_are_complete_and_sane():
    found = families()
    wanted = {
        "small-signal silicon BJT", "silicon power BJT", "silicon Darlington B-E path",
        "germanium small-signal", "germanium power", "switching diode", "silicon rectifier", "Schottky",
        "Zener", "LED red",
    }  # fmt: skip
    assert wanted <= set(found)
    for family in found.values():
        assert family.vf_low_V < family.vf_high_V < family.eg_eV + 0.6
        assert family.basis and family.source
    # at 1 mA germanium reads lower than silicon, and silicon lower than an LED
    assert found["germanium small-signal"].vf_high_V < found["small-signal silicon BJT"].vf_low_V
    assert found["switching diode"].vf_high_V < found["LED infra-red"].vf_low_V


def test_exactly_one_default_meter_and_its_physics():
    kinds = meters()
    assert [meter for meter in kinds.values() if meter.default] == [default_meter()]
    for meter in kinds.values():
        if meter.source_kind == "resistance":
            assert meter.test_current_A == pytest.approx(meter.open_voltage_V / meter.resistance_ohm)
        else:
            assert isnan(meter.resistance_ohm)
        assert meter.over_range_V <= meter.open_voltage_V


def test_meters_name_no_maker():
    # kinds, never brands: a name has no digits that look like a model number and no capital word
    for name in meters():
        assert not any(word[:1].isupper() for word in name.split() if word not in ("V", "A")), name


def test_rules_and_cautions():
    assert rules()["short_below"].value == 50 and rules()["short_below"].unit == "ohm"
    assert rule("short_below") == 50
    with pytest.raises(KeyError):
        rule("no_such_rule")
    for one in rules().values():
        assert one.basis in ("published", "our convention", "common practice, no source")
        assert one.source or one.basis != "published", one.name
    places = next(column.among for column in columns("cautions") if column.name == "where")
    for place in places:
        assert cautions(place)
    assert len(cautions("meter", "sweep")) == len(cautions("meter")) + len(cautions("sweep"))
    assert sum(len(cautions(place)) for place in places) == len(cautions())
    with pytest.raises(UsageError, match="fitting"):
        cautions("nowhere")


def test_cautions_cover_what_can_hurt():
    text = " ".join(c.text.lower() for c in cautions())
    for word in ("discharge", "mains", "curve tracer", "hot", "beryllia", "mica", "licensed practice"):
        assert word in text, word


def test_records_are_frozen():
    with pytest.raises(FrozenInstanceError):
        default_meter().name = "x"


def test_the_caller_cannot_spoil_the_shelf():
    for table in (families(), rules(), meters(), packages(), matched_duals()):
        with pytest.raises(AttributeError):
            table.clear()


def test_matched_duals():
    duals = matched_duals()
    assert len(duals) == 21
    assert {r.cells["type"] for r in rows(reference_folder() / "limits_duals.csv")} <= set(duals)
    assert duals["2N2913"] == ()  # an unmatched dual of the same sheet
    assert all(limit.basis != "published" for limit in duals["MJL3281A/MJL1302A"])


SPREADSHEETS = (
    "# note\na,b\n1,2\n", "a;b\n1;2\n", "a\tb\n1\t2\n", "\ufeffa,b\r\n1,2\r\n",
    '"# a note, with commas",,\na,b\n\n1,2\n,\n',
)  # fmt: skip
BAD_TABLES = (
    ("a,b\n1\n", 2, "", "1 cells where the heading has 2"),
    ("a,a\n1,2\n", 1, "a", "stands twice"),
    ("a,\n1,2\n", 1, "", "empty"),
    ("a,c\n1,2\n", None, "", "lacks b"),
    ("a,b,zz\n1,2,3\n", None, "zz", "no such heading"),
)
BAD_NUMBERS = (
    ("", "is empty"), ("1_000", "not a number"), ("5 V", "not a number"), ("nan", "not a number"),
    ("1e9", "outside 0 to 10; is the unit right"), ("-1", "outside"),
)  # fmt: skip
NUMBER = Column("a", "number", True, 0, 10, (), "")


def written(folder, text):
    path = folder / "t.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_what_spreadsheets_write_is_read(tmp_path):
    for text in SPREADSHEETS:
        found = [row.cells for row in rows(written(tmp_path, text))]
        assert found == [{"a": "1", "b": "2"}], text
    (row,) = rows(written(tmp_path, "a;b\n1,5;2\n"))
    assert row.value(NUMBER) == 1.5


def test_a_bad_heading_row_or_number_is_named(tmp_path):
    for text, line, column, words in BAD_TABLES:
        with pytest.raises(ShelfError, match=words) as caught:
            list(rows(written(tmp_path, text), ("a", "b"), ()))
        assert (caught.value.file, caught.value.row, caught.value.column) == ("t.csv", line, column)
    for cell, words in BAD_NUMBERS:
        row = list(rows(written(tmp_path, f"a,b\n1,2\n{cell},x\n")))[1]
        with pytest.raises(ShelfError, match=words) as caught:
            row.value(NUMBER)
        assert (caught.value.file, caught.value.row, caught.value.column) == ("t.csv", 3, "a")


def test_a_cell_too_large_for_csv_is_named(tmp_path):
    path = written(tmp_path, "a,b\n1," + "x" * 200_000 + "\n")
    with pytest.raises(ShelfError, match=r"t\.csv, line 2: cannot be read as CSV"):
        list(rows(path))


def test_unreadable_files_are_named(tmp_path):
    with pytest.raises(ShelfError, match="cannot be read"):
        list(rows(tmp_path / "none.csv"))
    (tmp_path / "b.csv").write_bytes(b"a,b\n\xff,2\n")
    with pytest.raises(ShelfError, match="UTF-8"):
        list(rows(tmp_path / "b.csv"))


#: cell of a reference table -> what is wrong with another value in it
SPOILED = (
    ("families", "device", "tube", "bjt, diode"),
    ("families", "family", "silicon power BJT", "stands twice"),
    ("families", "vf_high_V", "30", "is the unit right"),
    ("meters", "open_voltage_V", "3 V", "a plain number in the unit of the heading"),
    ("meters", "default", "true", "yes, no"),
    ("cautions", "where", "roof", "not one of"),
    ("packages", "leads", "BBE", "not one of"),
    ("resistor_series", "per_decade", "", "is empty"),
    ("rules", "value", "", "is empty"),
    ("limits_duals", "symbol", "beta", "h_FE1/h_FE2"),
    ("limits_duals", "unit", "mV", "a unit of voltage; a ratio"),
)


def test_a_fault_in_a_reference_table_is_named(tmp_path):
    tables = {
        "families": families, "meters": default_meter, "cautions": cautions, "packages": packages,
        "rules": rules, "limits_duals": matched_duals, "resistor_series": lambda: resistor_series("E3"),
    }  # fmt: skip
    for table, column, cell, words in SPOILED:
        with changed(table, 0, {column: cell}), pytest.raises(ShelfError, match=words) as caught:
            found = tables[table]()
            if isinstance(found, Mapping):
                dict(found)  # a named row is read when it is asked for
        assert caught.value.file == f"{table}.csv", (table, column)
