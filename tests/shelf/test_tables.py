"""Every cell of every reference table, and that a fault is named by file, line and column."""

from dataclasses import FrozenInstanceError
from math import isnan

import pytest

from junction.base.errors import ShelfError, UsageError
from junction.shelf.cautions import PLACES, cautions
from junction.shelf.duals import matched_duals
from junction.shelf.families import families
from junction.shelf.meters import default_meter, meters
from junction.shelf.packages import packages
from junction.shelf.rules import rules
from junction.shelf.tables import read_rows, reference_folder, table
from junction.shelf.worked import worked_figures


def test_every_table_is_named_in_the_readme():
    text = (reference_folder() / "README.md").read_text(encoding="utf-8")
    for path in reference_folder().glob("*.csv"):
        assert f"`{path.name}`" in text, path.name


def test_every_table_has_sources_and_no_empty_row():
    for path in reference_folder().glob("*.csv"):
        rows = read_rows(path)
        assert rows, path.name
        assert "source" in rows[0][1], path.name


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
    assert default_meter() in kinds.values()
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
    for rule in rules().values():
        assert rule.basis in ("published", "our convention", "common practice, no source")
        assert rule.source or rule.basis != "published", rule.name
    for place in PLACES:
        assert cautions(place)
    assert len(cautions("meter", "sweep")) == len(cautions("meter")) + len(cautions("sweep"))
    assert sum(len(cautions(p)) for p in PLACES) == len(cautions())
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
    families().clear()
    rules().clear()
    meters().clear()
    packages().clear()
    matched_duals().clear()
    assert families() and rules() and meters() and packages() and matched_duals()


def test_worked_figures():
    figures = worked_figures()
    assert len([f for f in figures if f.status != "rejected"]) == 111
    assert [f.number for f in figures[:111]] == list(range(1, 112))
    for figure in figures:
        assert figure.source
    # the project must stand by itself: no trace of where the figures were kept before
    text = " ".join(" ".join((f.source, f.inputs, f.recomputed)) for f in figures)
    for word in ("stored", "index id", "/work", "snapshot"):
        assert word not in text


def test_matched_duals():
    duals = matched_duals()
    assert len(duals) == 21
    assert duals["2N2913"].limits == ()  # an unmatched dual of the same sheet
    assert all(limit.basis != "published" for limit in duals["MJL3281A/MJL1302A"].limits)


@pytest.mark.parametrize(
    "text",
    [
        "# note\na,b\n1,2\n",
        "a;b\n1;2\n",
        "a\tb\n1\t2\n",
        "\ufeffa,b\r\n1,2\r\n",
        '"# a note, with commas",,\na,b\n\n1,2\n,\n',
    ],
)
def test_what_spreadsheets_write_is_read(tmp_path, text):
    path = tmp_path / "t.csv"
    path.write_text(text, encoding="utf-8")
    assert [cells for _, cells in read_rows(path)] == [{"a": "1", "b": "2"}]


def test_decimal_comma_in_a_semicolon_table(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("a;b\n1,5;2\n", encoding="utf-8")
    (row,) = table(path, ("a", "b"))
    assert row.number("a", low=0, high=10) == 1.5


@pytest.mark.parametrize(
    ("text", "line", "column", "words"),
    [
        ("a,b\n1\n", 2, "", "1 cells where the heading has 2"),
        ("a,a\n1,2\n", 1, "a", "stands twice"),
        ("a,\n1,2\n", 1, "", "empty"),
        ("a,c\n1,2\n", None, "", "lacks b"),
        ("a,b,zz\n1,2,3\n", None, "zz", "no such heading"),
    ],
)
def test_a_bad_heading_or_row_is_named(tmp_path, text, line, column, words):
    path = tmp_path / "t.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ShelfError, match=words) as caught:
        list(table(path, ("a", "b")))
    assert (caught.value.file, caught.value.row, caught.value.column) == ("t.csv", line, column)


def test_a_cell_too_large_for_csv_is_named(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("a,b\n1," + "x" * 200_000 + "\n")
    with pytest.raises(ShelfError, match=r"t\.csv, line 2: cannot be read as CSV"):
        read_rows(path)


def test_unreadable_files_are_named(tmp_path):
    with pytest.raises(ShelfError, match="cannot be read"):
        read_rows(tmp_path / "none.csv")
    (tmp_path / "b.csv").write_bytes(b"a,b\n\xff,2\n")
    with pytest.raises(ShelfError, match="UTF-8"):
        read_rows(tmp_path / "b.csv")


@pytest.mark.parametrize(
    ("cell", "words"),
    [("", "is empty"), ("1_000", "not a number"), ("5 V", "not a number"), ("nan", "not a number"),
     ("1e9", "outside 0 to 10; is the unit right"), ("-1", "outside")],
)  # fmt: skip
def test_a_bad_number_is_named(tmp_path, cell, words):
    path = tmp_path / "t.csv"
    path.write_text(f"a,b\n1,2\n{cell},x\n", encoding="utf-8")
    row = list(table(path, ("a", "b")))[1]
    with pytest.raises(ShelfError, match=words) as caught:
        row.number("a", low=0, high=10, needed=True)
    assert (caught.value.file, caught.value.row, caught.value.column) == ("t.csv", 3, "a")
