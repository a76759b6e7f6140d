"""What the README shows is what the program prints: every console block is run again.

After an intended change of wording: ``python -m tests.test_readme_examples`` writes today's output into
the README, keeping the length at which each block is cut off.
"""

import contextlib
import io
import os
import re
import shlex
from pathlib import Path

import pytest

from junction.cli.main import main

README = Path(__file__).resolve().parents[1] / "README.md"
BLOCK = re.compile(r"```console\n\$ (junction (?:.*\\\n)*.*)\n((?:.*\n)*?)```")


def blocks():
    """Command and shown lines of every console block."""
    for match in BLOCK.finditer(README.read_text()):
        yield match.group(1).replace("\\\n", " "), match.group(2).splitlines()


def printed(command):
    """What a command prints, on a terminal of 80 columns without colour."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        main(shlex.split(command)[1:])
    return out.getvalue().rstrip("\n").splitlines()


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("readme")
    before = Path.cwd()
    os.chdir(folder)
    try:
        printed("junction demo demo")
    finally:
        os.chdir(before)
    return folder


@pytest.mark.parametrize(("command", "shown"), list(blocks()), ids=lambda x: x if isinstance(x, str) else "")
def test_readme_shows_what_is_printed(command, shown, demo, monkeypatch):
    monkeypatch.chdir(demo)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("NO_COLOR", "1")
    lines = printed(command)
    if shown[-1] == "...":
        shown = shown[:-1]
        lines = lines[: len(shown)]
    assert lines == shown


def test_the_python_example_runs_as_it_stands(demo, monkeypatch, capsys):
    monkeypatch.chdir(demo)
    (code,) = re.findall(r"```python\n(.*?)```", README.read_text(), re.S)
    assert len(code.split("\n")) <= 12
    names: dict = {}
    exec(code, names)
    printed_lines = capsys.readouterr().out.splitlines()
    assert printed_lines[0].startswith("part") and printed_lines[-2].startswith("undecided - Read ")
    assert list(names["worst"]["verdict"]) == ["shorted"] * 3 and (demo / "report" / "sort.html").is_file()
    assert printed_lines[-1].startswith("<junction match: 12 sets: 2 grade A, ")


def test_the_commands_that_matter_are_shown():
    assert {shlex.split(command)[1] for command, _ in blocks()} >= {"check", "sort", "fit", "match", "stage"}


def rewrite():
    """Put today's output into the README."""
    import tempfile

    os.environ.update(COLUMNS="80", NO_COLOR="1")
    text = README.read_text()
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        printed("junction demo demo")
        for match in BLOCK.finditer(README.read_text()):
            shown = match.group(2).splitlines()
            lines = printed(match.group(1).replace("\\\n", " "))
            if shown[-1] == "...":
                lines = [*lines[: len(shown) - 1], "..."]
            block = match.group(0)[: match.start(2) - match.start(0)] + "\n".join(lines) + "\n```"
            text = text.replace(match.group(0), block)
    README.write_text(text)


if __name__ == "__main__":
    rewrite()
