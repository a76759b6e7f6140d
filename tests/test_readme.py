"""The README keeps its promises: two set-up commands, every command named, first paragraph the job."""

import re
from pathlib import Path

from junction.cli.main import COMMANDS
from tests.rows import every_row

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text()


def test_two_set_up_commands_are_marked_for_ci():
    assert re.findall(r"<!-- set-up: (\w+) -->", README) == ["demo", "test"]


@every_row("command", COMMANDS)
def test_every_command_is_documented(command):
    assert f"junction {command}" in README


def test_every_reference_table_is_named_in_its_readme():
    text = (ROOT / "reference" / "README.md").read_text()
    for table in (ROOT / "reference").glob("*.csv"):
        assert table.name in text, f"{table.name} has no entry in reference/README.md"


def test_every_layer_and_test_folder_is_explained_to_newcomers():
    text = (ROOT / "DEVELOPERS.md").read_text()
    for folder in (ROOT / "junction").iterdir():
        if (folder / "__init__.py").is_file():
            assert f"`{folder.name}/`" in text
    for folder in (ROOT / "tests").iterdir():
        if folder.is_dir() and any(folder.glob("*.py")):
            assert f"`tests/{folder.name}/`" in text, f"tests/{folder.name} is not explained"


def test_no_link_leads_nowhere():
    for name in ("README.md", "DEVELOPERS.md", "reference/README.md"):
        text = (ROOT / name).read_text()
        for target in re.findall(r"\]\(([^)#]+?)(?:#[^)]*)?\)", text):
            if "://" not in target:
                assert ((ROOT / name).parent / target).exists(), f"{name}: {target}"
