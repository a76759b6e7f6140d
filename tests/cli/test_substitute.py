"""``junction substitute`` as a user meets it: text, JSON, files, exit status, one line for what is wrong."""

import csv
import json

import pytest

from junction.cli.main import main
from tests.rows import every_row


@pytest.fixture(autouse=True)
def no_user_tables(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


def run(capsys, *words):
    try:
        status = main(["substitute", *words])
    except SystemExit as stop:
        status = stop.code
    out = capsys.readouterr()
    return status, out.out, out.err


def test_the_shelfs_list(capsys):
    status, out, err = run(capsys, "2N3055", "--more")
    assert (status, err) == (0, "")
    assert "types searched" in out and "MJ15003 + MJ15004" in out
    assert max(map(len, out.splitlines())) <= 80
    assert "beryllia" in out and "Mains voltage kills" in out


def test_named_candidates_line_by_line(capsys):
    status, out, _ = run(capsys, "2n3055", "mj15003", "--case-temperature", "80C", "--more")
    assert status == 0 and max(map(len, out.splitlines())) <= 80
    words = out.split("\n")
    power = next(x for x in words if x.startswith("P_tot at case 80 °C"))
    # 115 W · (200 - 80)/(200 - 25) = 78.86 W, 250 W · 120/175 = 171.4 W
    assert "78.86 W" in power and "171.4 W" in power and "exceeds" in power and "x 2.17" in power
    figures = (
        "polarity", "material", "structure", "V_CEO", "V_CBO", "V_EBO", "I_C", "R_thJC", "T_j", "h_FE", "f_T",
        "C_ob", "safe area", "package", "lead order", "case or tab", "complement",
    )  # fmt: skip
    for figure in figures:
        assert any(x.startswith(figure) for x in words), figure
    assert "need matching" in " ".join(out.split())


def test_an_unknown_candidate_is_set_aside(capsys):
    status, out, err = run(capsys, "2N3055", "MJ15003", "TIP41", "1N4148")
    assert status == 1 and "MJ15003" in out
    assert "TIP41C" in err and "'1N4148': 1N4148 is a diode" in err


def test_json_is_strict_and_complete(capsys):
    status, out, _ = run(capsys, "2N3055", "MJ15003", "2N3772", "--json", "-")

    def refuse(word):
        raise AssertionError(word)

    data = json.loads(out, parse_constant=refuse)
    assert status == 0 and (data["format"], data["command"], data["original"]) == (1, "substitute", "2N3055")
    first = data["candidates"][0]
    assert {x["result"] for x in first["lines"]} <= {"exceeds", "meets", "falls short", "not known"}
    assert next(x for x in first["lines"] if x["figure"] == "V_CEO")["wanted"] == 60.0
    assert first["source"] and data["cautions"]


def test_files_of_a_folder(capsys, tmp_path):
    folder = tmp_path / "out"
    status, _, _ = run(capsys, "2N3055", "MJ15003", "TIP3055", "-o", str(folder))
    assert status == 0
    names = sorted(p.name for p in folder.iterdir())
    assert names == ["index.html", "job.json", "substitute.csv", "substitute.html", "substitute.json"]
    page = (folder / "substitute.html").read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>") and "data:image/svg+xml" in page and "beryllia" in page
    assert "<script" not in page and "http://" not in page.split("data:image")[0]
    rows = list(csv.DictReader((folder / "substitute.csv").read_text(encoding="utf-8").splitlines()))
    assert {r["candidate"] for r in rows} == {"MJ15003", "TIP3055"}


NEEDS = ("--voltage", "80V", "--current", "5A", "--power", "60W", "--case-temperature", "80C")


def test_needs_of_a_place_without_candidates(capsys):
    status, out, _ = run(capsys, *NEEDS, "--polarity", "PNP", "--load-point", "40V,1A", "--gain", "15",
                         "--gain-current", "5A")  # fmt: skip
    assert status == 0 and "For the place (PNP, 80 V, 5 A, 60 W at case 80 °C" in out
    assert max(map(len, out.splitlines())) <= 80


def test_needs_with_a_bag_of_candidates(capsys):
    status, out, _ = run(capsys, *NEEDS, "MJ15003", "TIP41C", "2N3773", "BC547B")
    assert status == 0
    order = [out.index(f"\n{name} ") for name in ("2N3773", "MJ15003", "TIP41C", "BC547B")]
    assert order[2] > max(order[:2]) and order[3] > order[2]  # what falls short stands below
    flat = " ".join(out.split())
    # 2N3773: 150 W · (200 - 80)/175 = 102.9 W over 60 W
    assert "P_tot at case 80 °C x 1.71" in flat or "V_CEO x 1.75" in flat


def test_a_bag_by_its_tags(capsys, tmp_path):
    bag = tmp_path / "bag.csv"
    bag.write_text("part,type,B-E,B-C\nA1,MJ15003,0.55,0.54\nA2,TIP41C,0.6,0.59\nA3,,0.6,0.59\nA4,XYZ77,0.6,0.6\n"
                   "A5,2N3773,abc,0.5\n")  # fmt: skip
    status, out, err = run(capsys, *NEEDS, "--bag", str(bag), "--more")
    assert status == 1
    assert "A1 (MJ15003): meets" in out and "A2 (TIP41C): falls short" in out
    assert "bag.csv line 4, type: 'A3': its type is not given" in err
    assert "bag.csv line 5, type: 'A4': XYZ77: no such type" in err
    assert "line 6" in err  # the cell that is no reading


def test_needs_from_a_file_and_options_over_it(capsys, tmp_path):
    path = tmp_path / "stage.json"
    path.write_text(json.dumps({"format": 1, "command": "stage", "needs": {
        "polarity": "NPN", "voltage_V": 80, "current_A": 5, "power_W": None, "case_temp_C": 70,
        "load_line": [[30, 2.5]], "source": "junction stage"}}), encoding="utf-8")  # fmt: skip
    status, out, _ = run(capsys, "--needs", str(path), "--voltage", "100V", "MJ15003", "--json", "-")
    needs = json.loads(out)["needs"]
    assert status == 0
    keys = ("voltage_V", "current_A", "power_W", "case_temp_C")
    assert [needs[key] for key in keys] == [100, 5, None, 70]
    assert needs["load_line"] == [[30, 2.5]]


@every_row(("key", "value", "says"), [
    ("voltage_V", 0, "'0': a number above zero"), ("voltage_V", "80", "'80': a number above zero"),
    ("current_A", 1e300, "'1e+300': a number above zero"), ("polarity", "npn", "'npn': NPN or PNP"),
    ("load_line", [[30, 0]], "pairs [voltage in V, current in A]"),
])  # fmt: skip
def test_needs_that_cannot_be_name_their_key(key, value, says, capsys, tmp_path):
    path = tmp_path / "stage.json"
    needs = {"polarity": "NPN", "voltage_V": 80, key: value}
    path.write_text(json.dumps({"format": 1, "command": "stage", "needs": needs}), encoding="utf-8")
    status, _, err = run(capsys, "--needs", str(path))
    assert status == 2 and f"stage.json, column '{key}': {says}" in err, err


def test_what_is_written_can_be_read_back(capsys, tmp_path):
    path = tmp_path / "needs.json"
    status, _, _ = run(capsys, *NEEDS, "MJ15003", "--json", str(path))
    first = json.loads(path.read_text())["candidates"]
    status, out, _ = run(capsys, "--needs", str(path), "MJ15003", "--json", "-")
    assert status == 0 and json.loads(out)["candidates"] == first


def test_the_json_of_junction_stage_is_a_yardstick(capsys, tmp_path):
    """80 W into 8 ohm from 42 V rails, two devices a rail: 84 V, sqrt(2·80/8)/2 = 2.236 A each."""
    path = tmp_path / "stage.json"
    words = ("--power", "80W", "--load", "8ohm", "--supply", "42V", "--parallel", "2", "--emitter-resistor",
             "0.22ohm", "--json", str(path))  # fmt: skip
    assert main(["stage", *words]) == 0
    capsys.readouterr()
    words = ("--needs", str(path), "--polarity", "NPN", "2N3055", "MJ15003")
    _, out, _ = run(capsys, *words)
    assert max(map(len, out.splitlines())) <= 80
    status, out, _ = run(capsys, *words, "--json", "-")
    data = json.loads(out)
    assert status == 0 and data["needs"]["voltage_V"] == 84.0
    assert data["needs"]["current_A"] == pytest.approx(20**0.5 / 2)
    assert [(c["candidate"], c["result"]) for c in data["candidates"]] == [
        ("MJ15003", "exceeds"), ("2N3055", "falls short"),
    ]  # fmt: skip
    path.write_text('{"format": 1, "command": "stage", "stage": {"supply_V": 42}}')
    status, _, err = run(capsys, "--needs", str(path), "MJ15003")
    assert status == 2 and "column 'stage'" in err


def test_a_users_type(capsys, tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text("type,polarity,material,V_CEO_V,I_C_A,source\nDRAWER7,NPN,silicon,120,20,bench\n")
    status, out, _ = run(capsys, "2N3055", "drawer7", "--types", str(path), "--more")
    assert status == 0 and "DRAWER7: not known" in out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "name the original type"),
        (("NOSUCH9",), "no type 'NOSUCH9' on the shelf"),
        (("TIP41",), "TIP41C"),
        (("2N3055", "NOSUCH9"), "NOSUCH9"),
        (("2N3055", "--case-temperature", "80"), "no unit"),
        (("--voltage", "80"), "no unit"),
        (("--voltage", "80A"), "current"),
        (("--voltage=-5V",), "at least 1 V"),
        (("--voltage", "80mV"), "at least 1 V"),
        (("--gain", "x"), "not a number"),
        (("--gain", "0"), "above 0"),
        (("--gain-current", "1A"), "--gain says how much"),
        (("--load-point", "40V"), "40V,2A"),
        (("--polarity", "NPN"), "ask for nothing"),
        (("2N3055", "--diodes"), "original says itself"),
        (("--needs", "/nonexistent.json"), "cannot be read"),
        (("2N3055", "--types", "/nonexistent.csv"), "cannot be read"),
        (("2N3055", "--most", "0"), "at least 1"),
        (("2N3055", "--strange"), "--strange"),
        (("TIP", "41C"), "did you mean TIP41C? write it without the space"),
        (("2N3055", "TIP", "41C"), "did you mean TIP41C?"),
        (("QXZ99999",), "types is spelled like it"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(capsys, words, message):
    status, out, err = run(capsys, *words)
    assert (status, out) == (2, "")
    lines = [x for x in err.splitlines() if not x.startswith(("usage:", " "))]
    assert len(lines) == 1 and message in lines[0], err


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "is not JSON"), ("[1]", "an object"), ('{"format": 1}', "no needs in it"),
        ('{"needs": 3}', "an object"),
        ('{"volts": 3}', "no such need"), ('{"voltage_V": "80"}', "a number above zero"),
        ('{"voltage_V": true}', "a number above zero"), ('{"voltage_V": -1}', "a number above zero"),
        ('{"voltage_V": NaN}', "a number above zero"), ('{"polarity": "npn"}', "NPN or PNP"),
        ('{"load_line": [[1]]}', "pairs"), ('{"load_line": [["a", 1]]}', "pairs"),
    ],
)  # fmt: skip
def test_a_bad_needs_file_is_named(capsys, tmp_path, text, message):
    path = tmp_path / "n.json"
    path.write_text(text)
    status, out, err = run(capsys, "--needs", str(path), "MJ15003")
    assert (status, out) == (2, "") and message in err and "n.json" in err and len(err.splitlines()) == 1


def test_a_fault_in_a_users_table_is_named(capsys, tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text("type,polarity,material,V_CEO_V,source\nX,NPN,silicon,abc,s\n")
    status, _, err = run(capsys, "2N3055", "--types", str(path))
    assert status == 2 and "mine.csv, line 2, column 'V_CEO_V'" in err


def test_the_json_never_overwrites_a_file_that_was_read(capsys, tmp_path):
    path = tmp_path / "n.json"
    path.write_text('{"voltage_V": 50}')
    status, _, err = run(capsys, "--needs", str(path), "MJ15003", "--json", str(path))
    assert status == 2 and "one of the files read" in err and path.read_text() == '{"voltage_V": 50}'


def test_the_cautions_take_three_lines_and_the_page_has_them_all(capsys, tmp_path):
    status, out, _ = run(capsys, "2N3055", "--more", "-o", str(tmp_path / "r"))
    assert status == 0
    lines = [line for line in out.rstrip().splitlines() if not line.startswith("page:")]
    first = next(k for k, x in enumerate(lines) if x.startswith("Caution"))
    assert len(lines) - first <= 3 and "page" in lines[-1]
    page = (tmp_path / "r" / "substitute.html").read_text()
    told = json.loads((tmp_path / "r" / "substitute.json").read_text())["cautions"]
    assert len(told) == 7 and all(text[:30] in page for text in told)


def test_a_place_without_polarity_shows_which_is_which(capsys):
    needs = ("--voltage", "60V", "--current", "3A", "--power", "20W")
    status, out, _ = run(capsys, *needs, "--more")
    assert status == 0 and "polarity" in out and " NPN " in out and " PNP " in out
    assert max(map(len, out.splitlines())) <= 80
    status, out, _ = run(capsys, *needs, "--polarity", "NPN")
    assert " PNP " not in out


@pytest.mark.parametrize(
    "name", ["2N3055", "2SC1815", "1N4733A", "MJE340", "AC128", "2N5401", "2SD669A", "BD139-16"]
)
def test_the_answer_comes_first_and_the_rest_is_short(capsys, name):
    status, out, _ = run(capsys, name)
    lines = out.rstrip().splitlines()
    assert status == 0 and len(lines) <= 25 and name in lines[0]
    # what the makers of the tables note is not for the user's eye
    assert "left empty" not in out and "gain group" not in out


def test_diodes_for_a_place_have_no_polarity(capsys):
    status, out, _ = run(capsys, "--voltage", "60V", "--current", "1A", "--diodes")
    assert status == 0 and "polarity" not in out and "1N5401" in out
