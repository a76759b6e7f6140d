"""The demo: an invented bag, labelled so, with every verdict, and nobody's files in danger."""

import json

import pytest

from junction.cli.demo import LABEL, NEXT, refuse_what_is_not_ours
from junction.cli.main import main
from junction.demo.bag import demo_files
from junction.show.blocks import visible
from tests.show.trace import Page, untraced


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "bag"
    assert main(["demo", str(folder)]) == 0
    return folder


def test_every_verdict_is_there(demo):
    report = json.loads((demo / "report" / "sort.json").read_text())
    assert set(report["counts"]) == {"good", "leaky", "shorted", "open", "undecided"}
    assert 40 <= len(report["parts"]) <= 60
    assert {p["basis"] for p in report["parts"]} >= {"readings", "sweeps"}
    assert report["set_aside"], "the demo shows what is set aside and why"


def test_it_says_everywhere_that_it_is_invented(demo):
    for path in demo.glob("*.csv"):
        assert "simulated" in path.read_text().split("\n")[0].lower()
    assert LABEL in (demo / "report" / "sort.html").read_text()
    assert LABEL in json.loads((demo / "report" / "sort.json").read_text())["notes"]


def test_its_page_is_whole(demo):
    page, document = ((demo / "report" / n).read_text() for n in ("sort.html", "sort.json"))
    assert untraced(page, document, visible) == []
    read = Page(page)
    assert read.images and all(link.startswith(("#", "data:")) for link in read.links)
    assert len(page) < 6_000_000


def test_the_command_it_prints_gives_the_same(demo, tmp_path, capsys):
    assert main(["sort", str(demo), "-o", str(tmp_path / "r")]) == 1
    ours, theirs = (json.loads((f / "sort.json").read_text()) for f in (tmp_path / "r", demo / "report"))
    assert ours["parts"] == theirs["parts"] and ours["set_aside"] == theirs["set_aside"]


def test_the_next_step_it_prints_works(demo, tmp_path, capsys):
    words = NEXT.format(demo / "output-devices.csv", tmp_path / "sets").split()[1:]
    assert main(words) == 0
    assert "grade" in capsys.readouterr().out


def test_again_into_the_same_folder(demo, capsys):
    assert main(["demo", str(demo)]) == 0
    out = capsys.readouterr().out
    assert "simulated" in out and f"junction sort {demo} -o {demo}/report" in out
    assert NEXT.format(demo, demo / "report") in out


def test_a_folder_with_other_files_is_left_alone(tmp_path, capsys):
    (tmp_path / "mine.txt").write_text("mine")
    assert main(["demo", str(tmp_path)]) == 2
    err = capsys.readouterr().err
    assert "mine.txt" in err and [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_a_changed_file_is_left_alone(tmp_path, capsys):
    files = demo_files(0)
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    refuse_what_is_not_ours(tmp_path, files)
    assert main(["demo", str(tmp_path), "--seed", "1"]) == 2
    assert "another seed" in capsys.readouterr().err
    path = tmp_path / next(iter(files))
    path.write_text(path.read_text() + "# my note\n")
    assert main(["demo", str(tmp_path)]) == 2
    assert path.name in capsys.readouterr().err and path.read_text().endswith("# my note\n")


def test_a_file_in_place_of_the_folder(tmp_path, capsys):
    (tmp_path / "f").write_text("x")
    assert main(["demo", str(tmp_path / "f")]) == 2
    assert "cannot write there" in capsys.readouterr().err
