"""Each kind of bad input: one clear message that says where, no traceback, and nothing else is lost."""

import csv
import io
import json
import zipfile
from math import exp

import pytest

from junction.cli.main import main

GOOD = "part,B-E,E-B,B-C,C-B,C-E,E-C\nN01,0.642,OL,0.633,OL,OL,OL\n"
SWEEP = "part,junction,v_V,i_A\n" + "".join(
    f"S1,BE,{0.45 + 0.01 * k:.3f},{1e-14 * exp((0.45 + 0.01 * k) / 0.0259):.5g}\n" for k in range(25)
)


def xlsx():
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as book:
        book.writestr("[Content_Types].xml", "<Types/>")
        book.writestr("xl/workbook.xml", "<workbook/>")
    return out.getvalue()


def sort(tmp_path, content, *more, name="bag.csv"):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return main(["sort", str(path), *more])


NOTHING = {
    "empty file": (b"", "empty"),
    "only headings": ("part,B-E,E-B\n", "no rows"),
    "unknown headings": ("part,B-F,weight\nN01,0.6,3\n", "heading"),
    "binary": (bytes(range(256)) * 8, "text"),
    "renamed spreadsheet": (xlsx(), "spreadsheet"),
    "missing unit": ("part,junction,v,i\nS1,BE,0.1,1e-9\n", "unit"),
    "unit of another quantity": ("part,junction,v_A,i_A\nS1,BE,0.1,1e-9\n", "unit"),
}


@pytest.mark.parametrize("case", NOTHING)
def test_nothing_usable_is_one_line_and_status_two(tmp_path, capsys, case):
    content, says = NOTHING[case]
    assert sort(tmp_path, content) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and err.startswith("junction sort: ")
    assert "bag.csv" in err and says in err.lower(), err


@pytest.mark.parametrize("case", NOTHING)
def test_a_bad_file_beside_a_good_one_does_not_stop_it(tmp_path, capsys, case):
    content, _ = NOTHING[case]
    (tmp_path / "good.csv").write_text(GOOD)
    assert sort(tmp_path, content, str(tmp_path / "good.csv"), "--json", "-") == 1
    out, err = capsys.readouterr()
    report = json.loads(out)
    assert [p["part"] for p in report["parts"]] == ["N01"]
    assert any("bag.csv" in s["file"] and s["reason"] for s in report["set_aside"])
    assert "bag.csv" in err and "Traceback" not in err


ROWS = {
    # a cell or row is left out, the rest of the file is used: (more text, what the reason speaks of)
    "text in a numeric cell": (GOOD + "N02,zero,OL,0.6,OL,OL,OL\n", "zero"),
    "unit of another quantity in a cell": (GOOD + "N02,0.6 A,OL,0.6,OL,OL,OL\n", "current"),
    "same placement twice": (GOOD + "N01,0.5,,,,,\n", "0.5"),
    "millivolts without the unit": (GOOD + "N02,642,OL,0.6,OL,OL,OL\n", "mV"),
    "nan in a sweep": (SWEEP + "S1,BE,nan,1e-3\n", "nan"),
    "text in a sweep": (SWEEP + "S1,BE,abc,1e-3\n", "abc"),
    "a sweep of one point": (SWEEP + "S2,BE,0.6,1e-3\n", "point"),
    "a sweep at one voltage": (SWEEP + "S2,BE,0.6,1e-3\nS2,BE,0.6,1.1e-3\nS2,BE,0.6,1e-3\n", "voltage"),
}


@pytest.mark.parametrize("case", ROWS)
def test_bad_rows_are_set_aside_with_place_and_reason(tmp_path, capsys, case):
    content, says = ROWS[case]
    folder = tmp_path / "report"
    assert sort(tmp_path, content, "-o", str(folder), "--plots", "0") == 1
    out, err = capsys.readouterr()
    assert "Traceback" not in err and "line " in err and says in err, err
    report = json.loads((folder / "sort.json").read_text())
    assert report["parts"] and report["parts"][0]["part"] in ("N01", "S1", "S2", "N02")
    listed = list(csv.DictReader(io.StringIO((folder / "set_aside.csv").read_text())))
    assert len(listed) == len(report["set_aside"]) >= 1
    assert any(says in (s["reason"] + str(s["value"])) for s in report["set_aside"])
    assert "Not used" in (folder / "sort.html").read_text()


def test_lead_names_mixed_for_one_part(tmp_path, capsys):
    text = "part,red,black,value\nN01,B,E,0.6\nN01,1,2,0.6\nN02,B,E,0.642\nN02,E,B,OL\n"
    assert sort(tmp_path, text, "--json", "-") == 1
    out, err = capsys.readouterr()
    assert "N02" in [p["part"] for p in json.loads(out)["parts"]] and "bag.csv" in err


def test_a_file_that_is_not_there(tmp_path, capsys):
    assert main(["sort", str(tmp_path / "none.csv")]) == 2
    err = capsys.readouterr().err
    assert "none.csv" in err and err.count("\n") == 1


def test_an_output_folder_that_cannot_be_written_comes_before_any_work(tmp_path, capsys):
    (tmp_path / "file").write_text("x")
    assert sort(tmp_path, GOOD, "-o", str(tmp_path / "file")) == 2
    out, err = capsys.readouterr()
    assert out == "" and "cannot write there" in err and err.count("\n") == 1


@pytest.mark.parametrize("name", ["=1+1", "+A1", "@SUM(A1)", "\x1b[2Jx", "<script>alert(1)</script>"])
def test_names_that_are_not_names(tmp_path, capsys, name):
    folder = tmp_path / "r"
    sort(tmp_path, GOOD + f"{name},0.642,OL,0.633,OL,OL,OL\n", "-o", str(folder))
    out, err = capsys.readouterr()
    assert "\x1b" not in out + err
    page = (folder / "sort.html").read_text()
    assert "<script>" not in page and "\x1b" not in page
    table = (folder / "verdicts.csv").read_text()
    cells = [row[0] for row in csv.reader(io.StringIO(table))]
    assert len(cells) == 3 and not any(c[0] in "=+@-" for c in cells) and "\x1b" not in table


@pytest.mark.parametrize(("words", "says"), [
    (["sort"], "Write junction sort readings.csv"),
    (["sort", "x.csv", "--meter-current", "1"], "has no unit"),
    (["sort", "x.csv", "--plots", "-1"], "at least 0"),
    (["sort", "x.csv", "--nonsense"], "--nonsense"),
    (["nonsense"], "nonsense"),
])  # fmt: skip
def test_usage_is_one_line(capsys, words, says):
    with pytest.raises(SystemExit) as stop:
        main(words)
    err = capsys.readouterr().err
    assert stop.value.code == 2 and says in err and err.count("\n") == 1
