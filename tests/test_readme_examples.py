"""What the README and the pages under reference/ show is what the program prints: every block is run again.

After an intended change of wording: ``python -m tests.test_readme_examples`` writes today's output into
them, keeping the length at which each block is cut off.
"""

import contextlib
import io
import os
import re
import shlex
from functools import cache
from pathlib import Path

import pytest

from junction.cli.commands import build_parser
from junction.cli.main import main
from tests.rows import every_row

ROOT = Path(__file__).resolve().parents[1]
PAGES = (ROOT / "README.md", *sorted((ROOT / "reference").glob("*.md")))
BLOCK = re.compile(r"```console\n\$ (junction (?:.*\\\n)*.*)\n((?:.*\n)*?)```")


def name(page):
    return page.relative_to(ROOT).as_posix()


def blocks():
    """Page, command and shown lines of every console block."""
    for page in PAGES:
        for match in BLOCK.finditer(page.read_text()):
            yield name(page), match.group(1).replace("\\\n", " "), match.group(2).splitlines()


@cache
def printed(command):
    """What a command prints, on a terminal of 80 columns without colour; several pages may show it."""
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


@every_row("page, command, shown", list(blocks()))
def test_pages_show_what_is_printed(page, command, shown, demo, monkeypatch):
    monkeypatch.chdir(demo)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("NO_COLOR", "1")
    lines = printed(command)
    if shown[-1] == "...":
        shown = shown[:-1]
        lines = lines[: len(shown)]
    assert lines == shown, page


def test_the_python_examples_run_as_they_stand(demo, monkeypatch, capsys):
    monkeypatch.chdir(demo)
    for page in PAGES:
        names: dict = {}  # the examples of a page follow each other
        for code in re.findall(r"```python\n(.*?)```", page.read_text(), re.S):
            exec(code, names)
        lines = capsys.readouterr().out.splitlines()
        if page.name == "README.md" and page.parent == ROOT:
            assert code.count("\n") <= 10
            assert lines[0].startswith("53 parts: 4 shorted, ") and lines[-2].startswith("undecided - Read ")
            assert list(names["worst"]["verdict"]) == ["shorted"] * 3
            assert (demo / "report" / "sort.html").is_file()
            assert lines[-1].startswith("<junction match: 12 sets: 2 grade A, ")


def test_the_commands_that_matter_are_shown():
    shown = {shlex.split(command)[1] for _, command, _ in blocks()}
    assert shown >= {"check", "sort", "fit", "match", "stage", "substitute", "resistor"}


def test_every_option_that_a_page_names_is_one():
    parser = build_parser()
    own = {word for one in (parser, *parser.of_command.values()) for word in one._option_string_actions}
    for page in PAGES:
        named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", page.read_text()))
        assert named <= own, f"{name(page)}: {named - own}"


def test_commands_that_pages_give_to_copy_are_understood():
    """The lines of ``sh`` blocks that call junction: each parses (some would write, so they are not run)."""
    given = [line for page in PAGES for block in re.findall(r"```sh\n(.*?)```", page.read_text(), re.S)
             for line in block.replace("\\\n", " ").splitlines() if line.startswith("junction ")]
    for line in given:
        words = shlex.split(line.split("  #")[0])[1:]
        build_parser(words[0]).parse_args(words)


def rewrite():
    """Put today's output into the README and the pages."""
    import tempfile

    from tests.golden.renewing import refuse_in_ci

    refuse_in_ci()
    os.environ.update(COLUMNS="80", NO_COLOR="1")
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        printed("junction demo demo")
        for page in PAGES:
            text = page.read_text()
            for match in BLOCK.finditer(text):
                shown = match.group(2).splitlines()
                lines = printed(match.group(1).replace("\\\n", " "))
                if shown[-1] == "..." and len(lines) >= len(shown):
                    lines = [*lines[: len(shown) - 1], "..."]
                block = match.group(0)[: match.start(2) - match.start(0)] + "\n".join(lines) + "\n```"
                text = text.replace(match.group(0), block)
            page.write_text(text)


if __name__ == "__main__":
    rewrite()
