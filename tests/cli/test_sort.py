"""The sort command from files to verdicts, page, CSV and JSON."""

import csv
import io
import json
import subprocess
import sys

import pytest

from junction.cli.main import main
from junction.show.blocks import visible
from tests.cli import bags
from tests.show.trace import Page, untraced


@pytest.fixture
def files(tmp_path):
    (tmp_path / "bag.csv").write_text(bags.READINGS)
    (tmp_path / "curves").mkdir()
    (tmp_path / "curves" / "sweeps.csv").write_text(bags.BAG)
    return [str(tmp_path / "bag.csv"), str(tmp_path / "curves")]


VERDICTS = {"N01": "good", "N02": "shorted", "N03": "open", "S1": "good", "S2": "leaky", "S4": "shorted"}


def besides_leads(read):
    """Pictures of a page but for the drawings of leads on the cards."""
    return [image for image in read.images if not image["alt"].startswith("Leads ")]


def test_the_whole_job(tmp_path, files, capsys):
    folder = tmp_path / "report"
    assert main(["sort", *files, "-o", str(folder), "--json", str(tmp_path / "r.json")]) == 0
    out, err = capsys.readouterr()
    lines = out.rstrip("\n").split("\n")
    assert lines[-1] == f"page: {folder}/sort.html; job sheet: {folder}/index.html"
    assert err == "" and max(map(len, lines[:-1])) <= 80
    names = {p.name for p in folder.iterdir()}
    assert names == {"order.csv", "set_aside.csv", "sort.html", "sort.json", "verdicts.csv", "index.html",
                     "job.json", "labels-parts-a4.html", "labels-parts-letter.html"}  # fmt: skip
    text = (tmp_path / "r.json").read_text()
    assert text == (folder / "sort.json").read_text()
    report = json.loads(text)
    found = {p["part"]: p["verdict"] for p in report["parts"]}
    assert {k: found[k] for k in VERDICTS} == VERDICTS
    order = ["shorted", "open", "leaky", "undecided", "good"]
    ranks = [order.index(p["verdict"]) for p in report["parts"]]
    assert ranks == sorted(ranks)
    rows = list(csv.DictReader(io.StringIO((folder / "verdicts.csv").read_text())))
    assert [r["part"] for r in rows] == [p["part"] for p in report["parts"]]
    page = (folder / "sort.html").read_text()
    assert untraced(page, text, visible) == []
    read = Page(page)
    assert len(besides_leads(read)) == 1 + 2 * 5
    assert all(link.startswith(("#", "data:")) for link in read.links)


def test_each_part_says_what_it_rests_on(files, capsys):
    assert main(["sort", *files, "--json", "-"]) == 0
    parts = {p["part"]: p for p in json.loads(capsys.readouterr().out)["parts"]}
    assert parts["N01"]["cannot_see"], "a good from diode mode says what diode mode is blind to"
    assert {r["placement"] for r in parts["N01"]["readings"]} == {"B-E", "E-B", "B-C", "C-B", "C-E", "E-C"}
    source = parts["S1"]["sweeps"][0]
    assert source["first_line"] == 2 and source["file"].endswith("sweeps.csv")
    for part in parts.values():
        assert abs(sum(part["probability"].values()) - 1) < 1e-6
        assert part["evidence"] or any(j["evidence"] for j in part["junctions"])
        assert part["verdict"] == "good" or part["next"]


def test_json_on_stdout_is_alone_there(files, capsys):
    assert main(["sort", *files, "--json", "-"]) == 0
    out, err = capsys.readouterr()
    json.loads(out)
    assert "parts:" in err and "N02" in err


def test_a_stated_temperature_is_a_known_one(files, capsys):
    main(["sort", *files, "--json", "-", "--temperature", "23C"])
    report = json.loads(capsys.readouterr().out)
    assert report["parts_without_temp"] == 0 and all(p["temp_C"] == 23.0 for p in report["parts"])
    main(["sort", *files])
    assert "taken     25 °C for" in capsys.readouterr().out


def test_standard_input(monkeypatch, capsys):
    class Stdin:
        buffer = io.BytesIO(bags.READINGS.encode())

    monkeypatch.setattr(sys, "stdin", Stdin)
    assert main(["sort", "-"]) == 0
    assert "N02" in capsys.readouterr().out


def test_plots_are_capped_and_said(tmp_path, files, capsys):
    main(["sort", *files, "-o", str(tmp_path / "r"), "--plots", "2"])
    page = (tmp_path / "r" / "sort.html").read_text()
    report = json.loads((tmp_path / "r" / "sort.json").read_text())
    assert report["parts_plotted"] == 2 and report["parts_with_sweeps"] == 4
    assert "--plots draws more" in page and len(besides_leads(Page(page))) == 1 + 4


def test_the_input_is_never_overwritten(tmp_path, capsys):
    path = tmp_path / "verdicts.csv"
    path.write_text(bags.READINGS)
    assert main(["sort", str(path), "-o", str(tmp_path)]) == 2
    assert "one of the files read" in capsys.readouterr().err and path.read_text() == bags.READINGS


def test_no_plotting_library_without_a_page(files):
    code = (
        "import sys; from junction.cli.main import main; status = main(['sort', *sys.argv[1:]]);"
        "assert 'matplotlib' not in sys.modules, 'matplotlib'; sys.exit(status)"
    )
    run = subprocess.run([sys.executable, "-c", code, *files], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    assert "\x1b" not in run.stdout


def test_a_reader_that_goes_away(files):
    """`junction sort | head -1` ends without a traceback."""
    run = subprocess.Popen([sys.executable, "-m", "junction", "sort", *files], stdout=subprocess.PIPE,
                           stderr=subprocess.PIPE)  # fmt: skip
    run.stdout.close()
    err = run.stderr.read().decode()
    run.stderr.close()
    run.wait(60)
    assert "Traceback" not in err and "Exception ignored" not in err


def test_registered_types_of_the_user(tmp_path, files, capsys):
    assert main(["sort", *files, "--types", str(tmp_path / "none.csv")]) == 2
    assert "none.csv" in capsys.readouterr().err
