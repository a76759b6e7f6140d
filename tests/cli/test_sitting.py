"""The sitting: many parts into one CSV, questions about doubtful entries, leads lifted on the way."""

import io
import os
import signal
import sys
from pathlib import Path

import pytest

from junction.base.errors import OutputError
from junction.base.records import PartReadings, Reading
from junction.cli import record as record_module
from junction.cli.main import main
from junction.cli.record import Record, next_tag
from junction.intake.cells import parse_reading
from junction.intake.read import read_paths
from junction.jobs.check import Sitting
from junction.shelf.tables import default_meter
from junction.show import files
from tests.cli.test_check_terminal import Terminal
from tests.rows import every_row

ROOT = Path(__file__).resolve().parents[2]
NPN = ["B-E=0.655", "E-B=OL", "B-C=0.648", "C-B=OL", "C-E=OL", "E-C=OL"]


def part(tag, *words, **facts):
    return PartReadings(tag, tuple(map(parse_reading, words)), **facts)


@pytest.fixture
def sit(monkeypatch, capsys, tmp_path):
    """Type lines into ``junction check``: exit status, what was shown, the file as `sort` reads it."""
    monkeypatch.chdir(tmp_path)

    def run(*lines, options=("--bag", "bag.csv")):
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
        status = main(["check", *options])
        out, err = capsys.readouterr()
        assert err == ""
        return status, out, bag(tmp_path / "bag.csv")

    return run


def bag(file):
    """Parts by tag as `junction sort` reads them; nothing of the file is set aside."""
    if not file.exists() or len(file.read_text().splitlines()) < 2:  # everything was taken back
        return {}
    found = read_paths([str(file)])
    assert found.set_aside == ()
    return {p.part: p for p in found.readings}


def cells(p):
    return {r.placement: (r.kind, r.value) if r.kind != "over" else "OL" for r in p.readings}


def test_a_bag_of_parts_of_all_kinds(sit):
    status, out, parts = sit(
        "R07", "BC547B", "bce", *NPN, "", "", *NPN[:2], "done", "", "1N4004", "0.55", "OL",
        "", "-", "123", "1-2=0.094", "2-1=0.093", "done", "done",
    )  # fmt: skip
    assert status == 0
    assert list(parts) == ["R07", "R08", "R09", "R10"]
    assert [p.type for p in parts.values()] == ["BC547B", "BC547B", "1N4004", ""]
    assert cells(parts["R08"]) == {"B-E": ("volt", 0.655), "E-B": "OL"}
    assert cells(parts["R09"]) == {"A-K": ("volt", 0.55), "K-A": "OL"}
    assert cells(parts["R10"]) == {"1-2": ("volt", 0.094), "2-1": ("volt", 0.093)}
    assert "tag (Enter = R08; done ends)" in out and "type on it (Enter = BC547B, - = none)" in out
    assert "every placement is read" in out
    assert "--- 4 parts" in out and "bag.csv holds 4 parts" in out
    assert "next: junction sort bag.csv" in out


def test_a_remark_without_an_end_of_line_is_no_part_of_the_headings(tmp_path):
    file = tmp_path / "bag.csv"
    file.write_bytes(b"# my bag")
    Record(str(file)).save(part("Q1", "B-E=0.6"))
    lines = file.read_text().splitlines()
    assert lines[0] == "# my bag" and lines[1].startswith("part,type") and lines[2].startswith("Q1,")


def test_what_stands_in_the_file_stays_and_columns_grow(tmp_path):
    file = tmp_path / "bag.csv"
    file.write_bytes(b"# my bag\r\npart;B-E;colour;A-K\r\nD1;;red;0,55\r\n\r\nD2;;\r\n\"D;3\";0,6;x")
    record = Record(str(file))
    _, held = record.save(part("Q1", "C-E=34ohm", "B-E=1.203", in_circuit=True, lifted=("E",)))
    assert file.read_bytes().decode().split("\r\n") == [
        "# my bag", "part;B-E;colour;A-K;E-B;B-C;C-B;C-E;E-C;in_circuit;lifted", "D1;;red;0,55;;;;;;;", "",
        'D2;;;;;;;;;;', '"D;3";0,6;x;;;;;;;;', "Q1;1,203 V;;;;;;34 ohm;;yes;E", "",
    ]  # fmt: skip
    found = read_paths([str(file)]).readings
    q1 = next(p for p in found if p.part == "Q1")
    assert cells(q1) == {"B-E": ("volt", 1.203), "C-E": ("ohm", 34.0)} and q1.lifted == ("E",)
    # its own row is replaced, whatever others added meanwhile
    record.save(part("Q2", "1-2=OL"))
    record.save(part("Q1", "C-E=34ohm", in_circuit=True), held)
    q1 = next(p for p in read_paths([str(file)]).readings if p.part == "Q1")
    assert cells(q1) == {"C-E": ("ohm", 34.0)} and q1.lifted == ()
    assert [line.split(";")[0] for line in file.read_text().splitlines()[-2:]] == ["Q1", "Q2"]


def test_a_row_with_more_cells_than_headings_does_not_become_one_that_fits(tmp_path):
    """``0,612`` in a comma-separated file makes a cell too many, which no new column may take in."""
    file = tmp_path / "bag.csv"
    file.write_text("part,B-E,E-B\nQ1,0,612,OL\nQ2,0.6,OL\n")
    before = {(s.row, s.value) for s in read_paths([str(file)]).set_aside}
    Record(str(file)).save(part("D1", "A-K=0.5", "K-A=OL"))
    after = read_paths([str(file)])
    assert {(s.row, s.value.rstrip(",")) for s in after.set_aside} >= {(row, v) for row, v in before if not v}
    assert [p.part for p in after.readings] == ["Q2", "D1"]


@every_row(("text", "says"), [
    ("part,junction,v_V,i_A\nQ1,BE,0.6,0.001\n", "holds sweeps"),
    ("part,red,black,value\nQ1,B,E,0.6\n", "holds long readings"),
    ("to be or not to be that is\n1\n", "line 1"),
    ("part,B-E\nQ\xe4,0.6\n".encode("latin-1"), "cannot be read"),
])  # fmt: skip
def test_a_file_that_cannot_be_added_to_is_refused_before_anything_is_typed(text, says, tmp_path, capsys):
    file = tmp_path / "bag.csv"
    data = text if isinstance(text, bytes) else text.encode()
    file.write_bytes(data)
    for option in ("--bag", "--record"):
        assert main(["check", option, str(file)]) == 2  # without a word from standard input
        assert says in capsys.readouterr().err
    assert file.read_bytes() == data and list(tmp_path.iterdir()) == [file]


@every_row(("tag", "taken", "wanted"), [
    ("R07", (), "R08"), ("R09", ("R10", "r11"), "R12"), ("", (), "part 1"), ("99", (), "100"),
    ("BC", (), "BC2"), ("Q1a", ("Q1A2",), "Q1a3"),
])  # fmt: skip
def test_the_next_tag(tag, taken, wanted):
    assert next_tag(tag, taken) == wanted


def test_a_tag_that_is_there_is_said_before_typing_starts(sit):
    sit("Q1", "BD139", "bce", "B-E=0.6", "done", "Q2", "", "B-E=0.6", "done", "done")
    _, out, parts = sit("q1", "", "-", "bce", "B-E=0.7", "done", "done")
    assert "Q1 is in bag.csv already: BD139 B-E 0.6 V" in out and "Enter = Q3 instead" in out
    assert cells(parts["Q3"]) == {"B-E": ("volt", 0.7)} and cells(parts["Q1"]) == {"B-E": ("volt", 0.6)}
    _, out, parts = sit("Q1", "add", "B-C=0.61", "B-E=0.62", "done", "done")
    assert "corrected from 0.6 V to 0.62 V" in out
    assert cells(parts["Q1"]) == {"B-E": ("volt", 0.62), "B-C": ("volt", 0.61)}
    assert parts["Q1"].type == "BD139" and list(parts) == ["Q1", "Q2", "Q3"]


def test_the_part_before_is_taken_up_again(sit):
    again = ["0.7", "undo", "A-K=0.6", ""]
    _, out, parts = sit("Q1", "", "ak", "0.55", "OL", *again, "", "", "0.5", "OL", "done")
    assert "that is a reading" in out  # typed after the part had ended
    assert cells(parts["Q1"]) == {"A-K": ("volt", 0.6), "K-A": "OL"}
    assert "--- 2 parts: 2 good" in out and list(parts) == ["Q1", "Q2"]


def test_leads_as_they_are_marked(sit):
    _, out, parts = sit("M1", "", "G D S", "OL", "OL", "D-S=OL", "S-D=0.5", "done",
                        "B1", "", "leads ~1,~2,+,-", "~1-+=0.5", "done",
                        "B1", "add", "--~2=0.6", "done", "done")  # fmt: skip
    assert "red G, black D: " in out and "red ~1, black ~2: " in out
    assert cells(parts["M1"]) == {"G-D": "OL", "G-S": "OL", "D-S": "OL", "S-D": ("volt", 0.5)}
    assert cells(parts["B1"]) == {"~1-+": ("volt", 0.5), "--~2": ("volt", 0.6)}


def test_what_is_typed_at_the_wrong_prompt_is_no_tag_and_no_type(sit):
    wrong = ["OL", "discharged", "D1", "0.55", "1N400", "ak", "undo"]
    _, out, parts = sit(*wrong, "D2", "-", "A-K=0.5", "done", "bridge", "", "done", "done")
    assert out.count("tag (Enter = D3; done ends)") == 2  # after a part of which nothing was typed as well
    assert out.count("that is") == 3 and list(parts) == ["D2"] and parts["D2"].type == ""
    assert "1N400 is not on the shelf; near it: " in out


@every_row("cut", range(1, 15))
def test_wherever_the_input_ends_every_reading_typed_is_in_the_file(cut, monkeypatch, tmp_path, capsys):
    lines = ["D1", "", "ak", "A-K=0.5", "undo", "A-K=OL", "done", "D2", "-", "K-A=0.6", "A-K=12ohm",
             "D3", "-", "skip"]  # fmt: skip
    monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{x}\n" for x in lines[:cut])))
    file = tmp_path / f"bag{cut}.csv"
    status = main(["check", "--bag", str(file)])
    typed = [x for x in lines[:cut] if "=" in x]
    if "undo" in lines[:cut]:
        typed.remove("A-K=0.5")
    parts = bag(file)
    assert sum(len(p.readings) for p in parts.values()) == len(typed)
    assert status == (0 if typed else 2)
    assert "Traceback" not in capsys.readouterr().err


def test_each_reading_is_on_the_disk_before_the_next_prompt(tmp_path):
    """A terminal that is closed asks nobody: what was typed is there."""
    t = Terminal("--bag", "bag.csv", cwd=tmp_path)
    for prompt, text in (("tag.*: $", "R1"), ("type.*: $", ""), ("leads known.*: $", "bce"),
                         ("black .: $", "B-E=0.655"), ("black .: $", "E-B=OL")):  # fmt: skip
        t.until(prompt)
        t.line(text)
    t.until("black .: $")
    t.child.kill()
    t.end()
    assert cells(bag(tmp_path / "bag.csv")["R1"]) == {"B-E": ("volt", 0.655), "E-B": "OL"}
    assert [p.name for p in tmp_path.iterdir()] == ["bag.csv"]


def test_control_c_ends_a_bag_with_its_counts(tmp_path):
    t = Terminal("--bag", "bag.csv", cwd=tmp_path)
    for prompt, text in (("tag.*: $", "R1"), ("type.*: $", ""), ("leads known.*: $", "ak"),
                         ("black .: $", "0.5")):  # fmt: skip
        t.until(prompt)
        t.line(text)
    t.until("black .: $")
    t.seen = ""
    os.killpg(t.child.pid, signal.SIGINT)
    status, shown = t.end()
    assert status == 0 and "1 part" in shown and "next: junction sort bag.csv" in shown
    assert "Traceback" not in shown


def test_where_folders_cannot_be_locked_a_file_does_it(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "fcntl", None)  # as on a system without it
    monkeypatch.setattr(files, "PATIENCE_S", 0.1)
    record = Record(str(tmp_path / "bag.csv"))
    record.save(part("Q1", "B-E=0.6"))
    (tmp_path / ".junction.lock").touch()
    with pytest.raises(OutputError, match=r"delete .*\.junction\.lock"):
        record.save(part("Q2", "B-E=0.6"))
    (tmp_path / ".junction.lock").unlink()
    record.save(part("Q2", "B-E=0.6"))
    assert set(bag(tmp_path / "bag.csv")) == {"Q1", "Q2"}
    assert [p.name for p in tmp_path.iterdir()] == ["bag.csv"]


def test_a_disk_that_fails_is_said_once_and_nothing_typed_is_lost(sit, monkeypatch):
    def full(files, sure):
        raise OutputError("bag.csv: cannot write: No space left on device; nothing was written")

    monkeypatch.setattr(record_module, "write_files", full)
    status, out, parts = sit("Q1", "", "bce", *NPN[:2], "done", "done")
    assert status == 2 and parts == {}
    assert out.count("No space left") == 1
    assert "not saved: junction check B-E=0.655V E-B=OL --part Q1" in " ".join(out.split())




@every_row(("answer", "reading"), [
    (["1"], ("ohm", 4.2)), (["", "0.42"], ("volt", 0.42)), (["0.5"], ("volt", 0.5)),
    (["4"], ("volt", 4.2)), (["3", "5V"], ("volt", 4.2)), (["9", "0.6"], ("volt", 0.6)),
])  # fmt: skip
def test_an_entry_no_meter_shows_comes_back_as_a_question(answer, reading, sit):
    Path("bag.csv").unlink(missing_ok=True)
    status, out, parts = sit("D1", "", "ak", "A-K=4.2", *answer, "list", "done", "done")
    assert "A-K 4.2: 1) 4.2 ohm" in out and "another meter" in out
    assert status == 0 and cells(parts["D1"])["A-K"] == reading
    if "5V" in answer:  # sort has to take the same meter
        assert "junction sort bag.csv --meter-open-voltage=5V --meter-over-range=5V" in out


def test_a_decimal_slip_comes_back_as_a_question(sit):
    readings = ["B-C=0.642", "C-B=OL", "E-B=OL", "C-E=OL", "E-C=OL", "B-E=0.0655"]
    _, out, parts = sit("Q1", "", "bce", *readings, "1", "done")
    assert "B-E 0.0655: 1) 0.655 V  2) as typed? Enter = type it again: " in out
    assert cells(parts["Q1"])["B-E"] == ("volt", 0.655) and "1 good" in out
    _, out, parts = sit("Q2", "", "bce", *readings, "2", "done")
    assert out.count("1) 0.655 V") == 1  # asked once
    assert cells(parts["Q2"])["B-E"] == ("volt", 0.0655)


def test_a_lead_lifted_in_the_sitting_drops_what_its_paths_spoiled():
    s = Sitting(part("Q1", *NPN, in_circuit=True), "BCE", default_meter())
    assert set(s.lift(["E"])) == {"B-E", "E-B", "C-E", "E-C"}
    assert cells(s.part) == {"B-C": ("volt", 0.648), "C-B": "OL"} and s.part.lifted == ("E",)
    assert s.step()[1] in {"B-E", "E-B", "C-E", "E-C"}
    s.add(Reading("B-E", "volt", 0.65))
    assert set(s.discharge()) == {"B-C", "C-B", "B-E"} and s.part.discharged
    assert s.undo() and not s.part.discharged and len(s.part.readings) == 3
    assert s.undo() and s.undo() and s.part.lifted == () and len(s.part.readings) == 6


def test_in_circuit_the_same_sitting_goes_on(sit):
    lines = ["bce", "B-E=0.34", "E-B=0.34", "B-C=0.655", "C-B=OL", "C-E=OL", "E-C=0.72"]
    options = ("--in-circuit", "--record", "bag.csv", "--part", "Q1")
    after = ["lifted", "lifted E", "B-E=0.66", "E-B=OL", "C-E=OL", "E-C=OL"]
    _, out, parts = sit(*lines, *after, options=options)
    assert "say which lead is lifted: B, C, E" in out
    assert "E off the board; read B-E, E-B, C-E, E-C again" in out
    assert parts["Q1"].lifted == ("E",) and parts["Q1"].in_circuit
    assert cells(parts["Q1"])["B-E"] == ("volt", 0.66)
    _, out, _ = sit(*lines[:4], "lifted B", "B-C=0.65", "done", options=("--in-circuit",))
    assert "junction check B-C=0.65V --in-circuit --lifted B" in " ".join(out.split())
    _, out, _ = sit("123", "1-2=0.002", "discharged", "1-2=OL", "done", options=())
    assert "junction check 1-2=OL --discharged" in out
    _, out, _ = sit("bce", "B-E=0.6", "lifted E", "done", options=())
    assert "not in circuit" in out


def test_what_was_read_before_stays_until_it_is_read_again(sit):
    _, out, parts = sit("Q1", "", "123", "1-2=0.002", "discharged", "done", "done")
    assert cells(parts["Q1"]) == {"1-2": ("volt", 0.002)} and not parts["Q1"].discharged


@every_row(("options", "says"), [
    (("B-E=0.6",), "Write --record FILE"), (("--record", "c.csv"), "--record is for one part"),
    (("--hfe", "90"), "--hfe is for one"), (("--json", "-"), "junction sort b.csv"),
])  # fmt: skip
def test_what_a_bag_does_not_take(options, says, capsys):
    assert main(["check", "--bag", "b.csv", *options]) == 2
    assert says in capsys.readouterr().err


@every_row("tag", ["#5", "=1+1", "-3", "@a"])
def test_a_tag_that_a_csv_would_not_keep_is_refused(tag, tmp_path):
    record = Record(str(tmp_path / "bag.csv"))
    with pytest.raises(OutputError, match="letter or a digit"):
        record.save(part(tag, "B-E=0.6"))
