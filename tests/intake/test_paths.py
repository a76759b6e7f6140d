"""Files, folders, patterns, standard input, and what cannot be read."""

import io
import os
import subprocess
import sys

import pytest

from junction.base.errors import InputError
from junction.base.files import bytes_of
from junction.intake import table
from junction.intake.read import NothingUsable, read_paths
from junction.intake.table import STDIN_NAME
from tests.intake.helpers import read_texts

ONE, TWO = "part,B-E\nQ1,0.6\n", "part,A-K\nD1,0.58\n"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "b.csv").write_text(TWO)
    (tmp_path / "a.TSV").write_text(ONE.replace(",", "\t"))
    (tmp_path / "notes.md").write_text("# not a table\n")
    (tmp_path / ".hidden.csv").write_text("no table\n")
    (tmp_path / "inner").mkdir()
    (tmp_path / "inner" / "c.csv").write_text("part,B-E\nQ9,0.6\n")
    return tmp_path


def names(bag):
    return [p.part for p in bag.readings]


def test_a_file_a_folder_and_a_pattern(folder):
    assert names(read_paths([folder / "b.csv"])) == ["D1"]
    assert names(read_paths([str(folder)])) == ["Q1", "D1"]  # by name, and not those of inner folders
    assert names(read_paths([str(folder / "*.csv")])) == ["D1"]
    assert names(read_paths([str(folder / "**" / "*.csv")])) == ["D1", "Q9"]
    assert read_paths([folder]).files == (str(folder / "a.TSV"), str(folder / "b.csv"))


def test_a_file_is_read_once_however_often_it_is_named(folder):
    bag = read_paths([folder, folder / "b.csv", f"{folder}/./b.csv", str(folder / "*.csv")])
    assert bag.rows_read == 2 and names(bag) == ["Q1", "D1"]


def test_a_name_with_a_pattern_character_in_it(tmp_path):
    (tmp_path / "bag [1].csv").write_text(ONE)
    assert names(read_paths([tmp_path / "bag [1].csv"])) == ["Q1"]


def test_a_file_name_that_no_terminal_could_print(tmp_path):
    odd = os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9\x1b[2J\n.csv")
    with open(odd, "w") as file:
        file.write(ONE + "Q2,x\n")
    bag = read_paths([odd])
    assert names(bag) == ["Q1"] and bag.files[0].endswith("caf<U+DCE9>␛[2J␊.csv")
    bag.set_aside[0].file.encode()  # can be written as UTF-8
    with pytest.raises(InputError) as caught:
        read_paths([odd + "x"])
    assert str(caught.value).isprintable()


def test_standard_input():
    bag = read_paths(["-", "-"], io.BytesIO(ONE.encode()))
    assert names(bag) == ["Q1"] and bag.files == (STDIN_NAME,) and bag.readings[0].file == STDIN_NAME


def test_the_process_standard_input():
    code = "from junction.intake.read import read_paths; print(read_paths(['-']).readings[0].part)"
    run = subprocess.run([sys.executable, "-c", code], input=ONE.encode(), capture_output=True, check=True)
    assert run.stdout.split() == [b"Q1"]


def test_what_is_not_there(folder):
    for path, says in (
        (folder / "none.csv", "no such file or folder$"),
        (folder / "bb.csv", r"no such file or folder; did you mean .*/b.csv\?"),
        (str(folder / "x*.csv"), "no file fits this pattern"),
        (folder / "inner" / "..", None),
    ):  # fmt: skip
        if says:
            with pytest.raises(InputError, match=says) as caught:
                read_paths([folder / "b.csv", path])
            assert str(path) in str(caught.value)
    (folder / "empty").mkdir()
    with pytest.raises(InputError, match="a folder without .csv"):
        read_paths([folder / "empty"])
    with pytest.raises(NothingUsable, match="no file given"):
        read_paths([])


def test_a_file_that_cannot_be_read(folder, monkeypatch):
    def locked(path):
        if path.endswith("b.csv"):
            raise PermissionError(13, "Permission denied")
        return bytes_of(path)

    monkeypatch.setattr(table, "bytes_of", locked)  # the tests may run as root, whom no permission stops
    with pytest.raises(InputError, match="b.csv: cannot be read: Permission denied"):
        read_paths([folder / "b.csv"])
    bag = read_paths([folder])  # found in a folder, it does not stop the others
    assert names(bag) == ["Q1"]
    assert [(os.path.basename(s.file), s.reason) for s in bag.set_aside] == [
        ("b.csv", "cannot be read: Permission denied")
    ]


def test_a_spreadsheet_in_a_folder_is_said(folder):
    (folder / "bag.xlsx").write_bytes(b"PK\x03\x04rest")
    bag = read_paths([folder])
    assert names(bag) == ["Q1", "D1"] and "save it as CSV" in bag.set_aside[0].reason
    with pytest.raises(NothingUsable, match="save it as CSV"):
        read_paths([folder / "bag.xlsx"])


def test_set_aside_rows_stand_in_the_order_of_files_and_lines():
    bag = read_texts([
        ("z.csv", b"part,B-E\nQ1,x\nQ2,0.6\nQ3,y\n"), ("a.csv", b"foo\n1\n"),
        ("m.csv", b"part,junction,v_V,i_A\nS,BE,0.1,a\nS,BE,0.1,1\nS,BE,0.2,1\n"),
    ])  # fmt: skip
    assert [(s.file, s.row) for s in bag.set_aside] == [("z.csv", 2), ("z.csv", 4), ("a.csv", 1),
    ("m.csv", 2)]


def test_reading_does_not_import_what_it_does_not_need():
    code = (
        "import sys, junction.intake.read, junction.intake.cells as c; c.parse_reading('B-E=0.6');"
        "sys.exit(any(m in sys.modules for m in ('pandas', 'scipy', 'matplotlib')))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
