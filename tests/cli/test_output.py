"""Whole or nothing: files appear together or not at all, and nothing that was read is overwritten."""

import io
import json
import os
import sys
from types import SimpleNamespace

import pytest

from junction.base.errors import OutputError
from junction.base.records import SetAside
from junction.cli.output import Outputs, report_set_aside, say
from tests.faults import tree


def _pieces(text, ascii_only=False):
    yield json.dumps(json.loads(text)) if ascii_only else text


def made(files=(), text="{}", read=()):
    """A result of these files and JSON, made of what was read."""
    return SimpleNamespace(
        command="sort", json_pieces=lambda **how: _pieces(text, **how),
        written=lambda folder, job: {folder / n: x for n, x in {**dict(files), "sort.json": text}.items()},
        text=lambda *_, **__: "said", bag=SimpleNamespace(files=read), set_aside=(),
    )  # fmt: skip


def test_files_and_folders_are_made(tmp_path):
    outputs = Outputs(str(tmp_path / "a" / "b"), str(tmp_path / "r.json"))
    assert tree(tmp_path) == {}
    outputs.finish(made({"page.html": "x", "plots/p.svg": b"y"}))
    assert tree(tmp_path) == {
        "a/b/page.html": "x", "a/b/plots/p.svg": "y", "a/b/sort.json": "{}", "r.json": "{}",
    }  # fmt: skip


def test_json_into_the_folder_under_its_own_name_is_written_once(tmp_path):
    outputs = Outputs(str(tmp_path), str(tmp_path / "sort.json"))
    outputs.finish(made())
    assert tree(tmp_path) == {"sort.json": "{}"}


@pytest.mark.parametrize("folder", ["file", "file/below", "/proc/junction-cannot"])
def test_a_folder_that_cannot_be_written_is_refused_before_any_work(tmp_path, folder):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="cannot write there"):
        Outputs(str(tmp_path / folder) if not folder.startswith("/") else folder)


def test_json_into_the_folder_that_will_be_made(tmp_path):
    outputs = Outputs(str(tmp_path / "new"), str(tmp_path / "new" / "mine.json"))
    outputs.finish(made())
    assert tree(tmp_path) == {"new/mine.json": "{}", "new/sort.json": "{}"}


def test_json_places_that_cannot_be(tmp_path):
    with pytest.raises(OutputError, match="is a folder"):
        Outputs(None, str(tmp_path))
    with pytest.raises(OutputError, match="no such folder"):
        Outputs(None, str(tmp_path / "no" / "x.json"))


def test_what_was_read_is_never_overwritten(tmp_path):
    source = tmp_path / "verdicts.csv"
    source.write_text("data")
    result = made({"verdicts.csv": "x"}, read=[str(source)])
    for outputs in (Outputs(str(tmp_path)), Outputs(None, str(source))):
        with pytest.raises(OutputError, match="one of the files read"):
            outputs.finish(result)
    assert source.read_text() == "data"


def test_files_keep_usual_permissions(tmp_path):
    outputs = Outputs(str(tmp_path))
    outputs.finish(made({"a": "x"}))
    mask = os.umask(0)
    os.umask(mask)
    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o666 & ~mask


def test_text_goes_to_stderr_while_stdout_carries_json(capsys):
    outputs = Outputs(None, "-")
    outputs.finish(made(text='{"a": 1}'))
    out, err = capsys.readouterr()
    assert json.loads(out) == {"a": 1} and err == "said\n"


def narrow():
    return io.TextIOWrapper(io.BytesIO(), encoding="ascii", newline="\n")


def test_a_terminal_without_the_letters_gets_plain_ones():
    stream = narrow()
    say("12 µA ± 1 Ω \u4e00", stream)
    stream.flush()
    assert stream.buffer.getvalue() == b"12 uA +/- 1 ohm \\u4e00\n"


def test_json_on_a_narrow_stdout_stays_json(monkeypatch):
    stream = narrow()
    monkeypatch.setattr(sys, "stdout", stream)
    outputs = Outputs(None, "-")
    outputs.finish(made(text='{"a": "µ😀"}'))
    assert json.loads(stream.buffer.getvalue().decode("ascii")) == {"a": "µ😀"}


def test_set_aside_list(capsys):
    items = [SetAside("bag.csv", 17, "B-E", "0,61.2", "not a number"),
             SetAside("x\x1b.csv", None, "", "", "empty"),
             SetAside("bag.csv", 18, "note", "y", "cell left out", 0)]  # fmt: skip
    report_set_aside(items)
    err = capsys.readouterr().err
    assert err.split("\n")[0] == "not used: 2 rows and 1 cell"
    assert "  bag.csv line 17, B-E: '0,61.2': not a number." in err and "\x1b" not in err
    report_set_aside(items * 40, most=10)
    assert "and 110 more entries" in capsys.readouterr().err
    report_set_aside(items * 40, lines=3)  # as match: where they stand, each line once
    assert capsys.readouterr().err == "not used, lines (why: --more): bag.csv 17, 18; x\\x1b.csv\n"
    report_set_aside(())
    assert capsys.readouterr().err == ""
