"""`junction check` as typed: answers, errors, files, exit statuses, and a whole sitting."""

import json
import os
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from junction.cli.main import main

GOOD = "B-E=0.655 E-B=OL B-C=0.648 C-B=OL C-E=OL E-C=OL".split()
DEAD = "B-E=0.655 E-B=OL B-C=0.648 C-B=OL C-E=0.003 E-C=0.003".split()


def check(capsys, *words):
    status = main(["check", *words])
    out, err = capsys.readouterr()
    return status, out, err


def test_verdict_stands_on_the_first_line(capsys):
    status, out, err = check(capsys, *GOOD, "--more")
    assert status == 0 and err == ""
    lines = out.splitlines()
    assert lines[0].startswith("GOOD")
    assert "dead circuit" in lines[1]
    assert all(len(line) <= 80 for line in lines)
    assert "not seen  a leak above about 2 kΩ" in out
    assert "NPN silicon transistor" in out
    assert "a meter of 1 mA, OL above 2 V" in out and "25 °C, as none was" in out


def test_a_dead_output_device_brings_its_neighbours_and_cautions(capsys):
    status, out, _ = check(capsys, *DEAD, "--more")
    assert status == 0
    assert out.startswith("SHORTED  C-E shorted")
    for what in ("partner", "driver", "emitter resistor", "series lamp", "Mains voltage kills"):
        assert what in out
    assert all(len(line) <= 80 for line in out.splitlines())


def test_units_and_over_range_marks(capsys):
    words = ["1-2=655mV", "2-1=O.L", "1-3=0,648", "3-1=OFL", "2-3=OL", "3-2=OL"]
    status, out, _ = check(capsys, *words)
    assert status == 0 and out.startswith("GOOD")
    assert "1 is the base" in out


def test_json_goes_to_standard_output_alone(capsys):
    status, out, err = check(capsys, *DEAD, "--json", "-", "--part", "Q7")
    data = json.loads(out)
    assert status == 0 and err.startswith("SHORTED")
    assert data["format"] == 1 and data["command"] == "check"
    part = data["parts"][0]
    assert part["part"] == "Q7" and part["verdict"] == "shorted" and part["faults"] == ["CE shorted"]
    assert part["probability"]["shorted"] > 0.95
    assert len(part["readings"]) == 6
    assert data["set_aside"] == []


def test_folder_gets_page_and_json(capsys, tmp_path):
    status, out, _ = check(capsys, *DEAD, "-o", str(tmp_path / "report"))
    assert status == 0
    page = (tmp_path / "report" / "check.html").read_text()
    assert "C-E" in page and "DANGER: dead and discharged first" in page
    assert json.loads((tmp_path / "report" / "check.json").read_text())["command"] == "check"
    assert "check.html" in out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["B-E=foo"], "B-E=foo"),
        (["B-E=612"], "mV"),
        (["B-E"], "Write B-E=0.612"),
        (["X-Y=0.6"], "Write B-E=0.612"),
        (["B-E=0.6", "1-2=0.6"], "one set of lead names"),
        (["B-E=0.6", "B-E=0.7"], "given twice"),
        (["B-E=0.6V", "--meter-current", "1"], "unit"),
        (["B-E=0.6", "--leads", "123"], "--leads"),
        (["B-E=0.6", "--json", "/nowhere/x.json"], "/nowhere"),
    ],
)
def test_errors_say_what_was_expected(capsys, words, says):
    try:
        status = main(["check", *words])
    except SystemExit as stop:  # argparse
        status = stop.code
    out, err = capsys.readouterr()
    assert status == 2
    assert says in err
    assert "Traceback" not in err
    assert not out.startswith(("GOOD", "SHORTED", "LEAKY", "OPEN", "UNDECIDED"))


def test_type_in_circuit_and_meter(capsys):
    status, out, _ = check(capsys, *GOOD, "--type", "2N3906")
    assert status == 0 and out.startswith("UNDECIDED") and "does not fit" in out
    _, out, _ = check(
        capsys, "B-E=0.34", "E-B=0.34", "B-C=0.655", "C-B=OL", "C-E=OL", "E-C=0.72", "--in-circuit"
    )
    assert out.startswith("UNDECIDED") and "Lift lead" in out
    meter = ["--meter-open-voltage", "2.8V", "--meter-resistance", "2.3kohm"]
    _, out, _ = check(capsys, *GOOD, *meter, "--more")
    assert out.startswith("GOOD") and "2.8 V behind 2300 Ω" in out
    assert "about 5.8 kΩ" in out  # 2300 Ω times 2.0 V over 0.8 V


def test_record_appends_a_row_that_sort_reads(capsys, tmp_path):
    from junction.intake.read import read_paths

    file = tmp_path / "bench.csv"
    check(capsys, *GOOD, "--record", str(file), "--part", "A1", "--type", "2N3904", "--hfe", "150")
    check(capsys, *DEAD, "--record", str(file), "--part", "A2", "--in-circuit")
    bag = read_paths([str(file)], sys.stdin)
    assert bag.set_aside == ()
    by_tag = {p.part: p for p in bag.readings}
    assert set(by_tag) == {"A1", "A2"}
    assert by_tag["A1"].hfe == 150
    assert by_tag["A1"].type == "2N3904" and not by_tag["A1"].in_circuit and by_tag["A2"].in_circuit
    assert {(r.placement, r.kind) for r in by_tag["A1"].readings} == {
        ("B-E", "volt"), ("E-B", "over"), ("B-C", "volt"), ("C-B", "over"), ("C-E", "over"), ("E-C", "over")
    }  # fmt: skip


def test_record_grows_the_columns_it_lacks_or_changes_nothing(capsys, tmp_path):
    file = tmp_path / "diodes.csv"
    file.write_text("part,A-K,K-A\nD1,0.55,OL\n")
    status, _, _ = check(capsys, *GOOD, "--record", str(file), "--in-circuit")
    heads, first, new = file.read_text().splitlines()
    assert status == 0 and heads == "part,A-K,K-A,B-E,E-B,B-C,C-B,C-E,E-C,in_circuit"
    assert first == "D1,0.55,OL" + 7 * "," and new == "part 1,,,0.655 V,OL,0.648 V,OL,OL,OL,yes"
    file.write_text("part,junction,v_V,i_A\nQ1,BE,0.6,0.001\n")
    status, _, err = check(capsys, *GOOD, "--record", str(file))
    assert status == 2 and "holds sweeps" in err
    assert file.read_text() == "part,junction,v_V,i_A\nQ1,BE,0.6,0.001\n"
    assert [p.name for p in tmp_path.iterdir()] == ["diodes.csv"]


def sitting(text, *words, cwd=None):
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])}
    return subprocess.run(
        [sys.executable, "-m", "junction", "check", *words], input=text, capture_output=True, text=True,
        cwd=cwd, env=env, check=False, timeout=120,
    )  # fmt: skip


def test_sitting_that_ends_with_the_input_keeps_what_was_typed(tmp_path):
    run = sitting("bce\nB-E=0.655\nE-B=OL\nC-E=0.003\n", "--record", "bench.csv", cwd=tmp_path)
    assert run.returncode == 0
    assert "ended; the answer from what was typed so far" in run.stdout
    text = (tmp_path / "bench.csv").read_text()
    assert text.splitlines()[0].startswith("part,type,polarity,B-E")
    assert "0.655 V" in text and "OL" in text and "0.003 V" in text
    assert run.stderr == ""


def test_sitting_without_any_reading(tmp_path):
    run = sitting("\n", cwd=tmp_path)
    assert run.returncode == 2
    assert list(tmp_path.iterdir()) == []


def test_sitting_writes_nothing_unless_asked(tmp_path):
    run = sitting("bce\nB-E=0.655\ndone\n", cwd=tmp_path)
    assert run.returncode == 0
    assert list(tmp_path.iterdir()) == []
    assert "junction check B-E=0.655V" in run.stdout  # nothing that was typed is lost


def test_the_same_again_is_the_whole_call(capsys, tmp_path):
    """Typed again, it gives the same answer: nothing of the first call is lost."""
    options = ["--in-circuit", "--type", "TIP 41C", "--hfe", "40", "--temperature=-5C", "--part", "Q 7",
               "--meter-current", "0.8mA", "--meter-over-range", "1.9V", "--polarity", "NPN"]  # fmt: skip
    run = sitting("bce\nB-E=0.655\nE-B=OL\nB-C=0.6 ~\ndone\n", *options, cwd=tmp_path)
    first, _, again = run.stdout.partition("the same again: ")
    words = shlex.split(again)
    assert words[:2] == ["junction", "check"]
    _, out, _ = check(capsys, *words[2:])
    assert out.strip() and first.rstrip().endswith(out.rstrip())


def test_every_caution_stands_once_in_the_whole_and_one_line_in_the_answer(capsys):
    for words in ([*DEAD, "--in-circuit"], DEAD):
        _, whole, _ = check(capsys, *words, "--more")
        _, said, _ = check(capsys, *words, "--json", "-")
        flat = " ".join(whole.replace("\n    ", " ").split())
        assert all(flat.count(text) == 1 for text in json.loads(said)["cautions"])
        _, out, _ = check(capsys, *words)
        assert out.count("DANGER:") == 1 and out.splitlines()[1].startswith("DANGER:")


def test_an_undecided_part_says_what_stands_against_it(capsys):
    _, out, _ = check(capsys, *GOOD, "--type", "BD139", "--hfe", "3")
    assert out.startswith("UNDECIDED  the gain reads 3 where BD139 is registered from 25 up")
    _, out, _ = check(capsys, *GOOD, "--type", "2N3906")
    assert out.startswith("UNDECIDED  sound, but not what is written on it")
    assert "over 99 %" not in out.splitlines()[0]
    _, out, _ = check(capsys, "A-K=1.7", "K-A=OL")
    assert "LED diode" not in out and "LED junction" in out


def test_a_refused_cell_does_not_lean_the_verdict(capsys, tmp_path):
    file = tmp_path / "r.csv"
    file.write_text("part;B-E;E-B;B-C;C-B;C-E;E-C;type\nA11;655;OL;648;OL;OL;OL;BC556\n")
    main(["sort", str(file), "--more"])
    out, _ = capsys.readouterr()
    flat = " ".join(out.partition("\ncautions\n")[0].split())
    assert "our B-E and B-C readings were" in flat and "open" not in flat


def test_the_headline_names_the_fault_that_is_sure(capsys):
    main("check B-E=0.52 E-B=OL B-C=0.48 C-B=1.2 C-E=0.6 E-C=OL --type 2N3055".split())
    out = capsys.readouterr().out
    assert out.startswith("LEAKY  B-C leaky  (98 % sure); perhaps B-E leaky as well, 57 %")
    assert "C-B 1.200 V" in out and "\norder " in out
