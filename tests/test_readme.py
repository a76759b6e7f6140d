"""The README and its pages keep their promises: set-up commands, every command, every link and picture."""

import re
from pathlib import Path

from junction.cli.commands import COMMANDS
from tests.rows import every_row
from tests.test_readme_examples import PAGES

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


def links(page):
    """Targets of a page's links and pictures, each with its place in that page."""
    for target in re.findall(r"\]\(([^)]+)\)", page.read_text()):
        if "://" not in target:
            yield target.partition("#")[::2]


def anchors(page):
    """Names of a page's headings, as what shows Markdown makes them."""
    return {re.sub(r"[^\w\- ]", "", heading).strip().lower().replace(" ", "-")
            for heading in re.findall(r"^#+ (.*)$", page.read_text(), re.M)}  # fmt: skip


def test_no_link_leads_nowhere():
    for page in (ROOT / "DEVELOPERS.md", *PAGES):
        for target, place in links(page):
            file = page.parent / target if target else page
            assert file.exists(), f"{page.name}: {target}"
            assert not place or place in anchors(file), f"{page.name}: {target}#{place}"


def test_every_page_is_reached_from_the_readme_and_leads_back():
    named = {target for target, _ in links(ROOT / "README.md")}
    for page in PAGES[1:]:
        assert f"reference/{page.name}" in named
        assert page.name == "README.md" or "../README.md" in {target for target, _ in links(page)}


def test_the_readme_is_short_and_begins_with_the_job_and_two_pictures():
    assert len(README.split()) <= 900
    first = README.split("\n\n")[1].split()
    assert len(first) <= 30 and {"good,", "leaky,", "shorted", "open,"} <= {*first}
    assert [target for target, _ in links(ROOT / "README.md")][:2] == [
        "reference/pictures/bag-page.png", "reference/pictures/fit.svg"]  # fmt: skip


def test_pictures_are_small_and_called_simulated_in_words():
    for page in PAGES:
        for alt, target in re.findall(r"!\[(.*?)\]\((.*?)\)", page.read_text()):
            assert "simulated" in alt and len(alt) > 60
            assert (page.parent / target).stat().st_size < 250_000
    shown = {p.name for p in (ROOT / "reference" / "pictures").iterdir()}
    assert shown == {"bag-page.png", "fit.svg"}
