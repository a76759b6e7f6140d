"""The house rules that no reviewer should have to check by eye: layers, top level, constants, prints."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import networkx as nx

from tests.rows import every_row

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "junction"

# layer -> layers it may import (itself is always allowed); 'X.results' allows that module alone.
_ROOMS = ("sweeps", "transistor", "judge", "leads", "verdict", "amplifier", "sets", "replace")
ALLOWED = {
    "base": set(),
    "shelf": {"base"},
    "physics": {"base"},
    "intake": {"base", "shelf"},
    "sweeps": {"base", "physics", "shelf"},
    "transistor": {"base", "physics", "shelf", "sweeps"},
    "judge": {"base", "shelf", "physics", "sweeps.results"},
    "leads": {"base", "shelf", "physics", "judge"},
    "verdict": {"base", "shelf", "physics", "sweeps", "judge", "leads"},
    "amplifier": {"base", "shelf", "physics", "sweeps", "transistor", "judge"},
    "sets": {"base", "shelf", "physics", "sweeps", "transistor", "judge", "amplifier"},
    "replace": {"base", "shelf", "judge"},
    "demo": {"base", "physics", "shelf"},
    "show": {"base", "sweeps.results", "sets.results"},
    "paper": {"base", "shelf.tables", "show", *(f"{room}.results" for room in _ROOMS)},
    "views": {"base", "shelf.tables", "show", "paper", "judge.results",
              *(f"{room}.results" for room in _ROOMS)},
    "jobs": {"base", "shelf", "physics", "intake", *_ROOMS, "show", "paper", "views"},
    "cli": {"base", "shelf", "judge.results", "intake", "jobs", "show", "paper", "views", "demo"},
}
# third-party packages a layer may import, late imports included
THIRD = {
    "base": {"numpy", "scipy"},
    "shelf": {"numpy"},
    "physics": {"numpy", "scipy"},
    "intake": {"numpy", "pandas"},
    **{room: {"numpy", "scipy"} for room in _ROOMS},
    "demo": {"numpy"},
    "show": {"numpy", "matplotlib"},
    "paper": {"numpy"},
    "views": {"numpy"},
    "jobs": {"numpy", "pandas"},
    "cli": {"numpy"},
}
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "junction", "reference", "tests", "notebooks"}


def modules():
    return sorted(p for p in PACKAGE.rglob("*.py") if p.parent != PACKAGE)


def imported(path):
    """Absolute names of every import in a file, those inside functions too."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module
            if node.module == "junction" or node.module.count(".") == 1:
                yield from (f"{node.module}.{alias.name}" for alias in node.names)


@every_row("path", modules())
def test_imports_go_one_way(path):
    layer = path.relative_to(PACKAGE).parts[0]
    for name in imported(path):
        parts = name.split(".")
        if parts[0] == "junction" and len(parts) > 1 and (PACKAGE / parts[1]).is_dir():
            target = parts[1]
            ok = target == layer or target in ALLOWED[layer]
            ok = ok or ".".join(parts[1:3]) in ALLOWED[layer] or (
                len(parts) == 2 and any(a.startswith(target + ".") for a in ALLOWED[layer])
            )
            assert ok, f"{layer} may not import {name}"
        elif parts[0] not in sys.stdlib_module_names and parts[0] != "junction":
            assert parts[0] in THIRD[layer], f"{layer} may not import {name}"


def modules_of(path):
    """Modules of the package that a file imports when it runs, late imports included, annotations' not."""
    tree = ast.parse(path.read_text())
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            node.body = []
    for node in ast.walk(tree):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
        for name in names:
            if name.startswith("junction.") and (ROOT / (name.replace(".", "/") + ".py")).is_file():
                yield name


def test_no_module_imports_itself_by_a_detour():
    graph = nx.DiGraph()
    for path in modules():
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        graph.add_edges_from((name, other) for other in modules_of(path))
    assert graph.number_of_edges() > 300  # the walk finds the imports at all
    circles = [sorted(c) for c in nx.strongly_connected_components(graph) if len(c) > 1]
    assert circles == []


#: Modules of the tests that draw or solve truths, by which junction is judged.
GENERATORS = [ROOT / "tests" / f"{name}.py" for name in (
    "simulate", "sheets", "tables", "amplifier/drop_cases", "golden/frozen_bags", "external/bench_curves",
    "external/bench_devices", "external/bench_match", "external/bench_parts", "external/bench_sweeps",
    "external/curve_parts", "external/drops_bench", "external/leads_simulated", "external/match_bags",
    "external/sweep_devices", "external/transistor_decks", "external/two_lead_decks",
)]  # fmt: skip
#: Functions of theirs that hand a truth to junction, and what is only the form in which it is handed over.
HANDING = {"judged", "fitted", "outcome", "figures"}
FORMS = {"junction.base.records", "junction.shelf.tables.Meter"}


@every_row("path", GENERATORS)
def test_truths_know_nothing_of_what_they_judge(path):
    tree = ast.parse(path.read_text())
    tree.body = [x for x in tree.body if not (isinstance(x, ast.FunctionDef) and x.name in HANDING)]
    for node in ast.walk(tree):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom):
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        for name in names:
            own = name.split(".")[0] != "junction" or any(name.startswith(form) for form in FORMS)
            assert own, f"{path}:{node.lineno} draws truth by {name}"
            if name.startswith("tests."):  # nor by a detour
                other = {ROOT / (part.replace(".", "/") + ".py") for part in (name, name.rpartition(".")[0])}
                assert other & set(GENERATORS), f"{path}:{node.lineno} draws truth by {name}"
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and "\n" not in node.value:
            assert "reference" not in node.value, f"{path}:{node.lineno} reads the judge's tables"


def test_every_layer_has_a_rule():
    assert {p.name for p in PACKAGE.iterdir() if (p / "__init__.py").is_file()} == set(ALLOWED)


def test_top_level_holds_only_what_the_card_lists():
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split()
    if not tracked:  # an exported tree without git
        tracked = [p.name for p in ROOT.iterdir() if not p.name.endswith(".egg-info") and p.name != "build"]
    top = {name.split("/")[0] for name in tracked}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


def test_physical_constants_are_written_once():
    pattern = re.compile(r"1\.380?6?\d*e-23|1\.602\d*e-19|\b0\.02585?\d*\b|\b273\.15\b")
    for path in modules():
        if path.name != "units.py":
            assert not pattern.search(path.read_text()), f"{path}: a physical constant typed by hand"


def test_no_print_and_no_assert_outside_cli():
    for path in modules():
        if path.relative_to(PACKAGE).parts[0] == "cli":
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            assert not isinstance(node, ast.Assert), f"{path}:{node.lineno} assert in the library"
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id != "print", f"{path}:{node.lineno} print in the library"


def code_lines(path):
    """Lines that are neither blank, comment nor docstring."""
    text = path.read_text()
    told = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node):
            told.update(range(node.body[0].lineno, node.body[0].end_lineno + 1))
    return sum(
        1 for n, line in enumerate(text.splitlines(), 1)
        if n not in told and line.strip() and not line.strip().startswith("#")
    )  # fmt: skip


def test_rooms_and_modules_stay_small():
    for room in ALLOWED:
        found = sorted((PACKAGE / room).glob("*.py"))
        assert len(found) <= 12, f"{room}: past a dozen modules it wants splitting"
        for path in found:
            assert code_lines(path) <= 400, f"{path}: past 400 lines of code it wants splitting"


def test_ruff_is_clean():
    run = subprocess.run(
        [sys.executable, "-m", "ruff", "check", "--no-cache", "junction", "tests"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stdout


def test_import_leaves_global_state_alone():
    code = (
        "import numpy as np; a = np.geterr(); import pkgutil, importlib, junction;"
        "[importlib.import_module(m.name) for m in pkgutil.walk_packages(junction.__path__, 'junction.')"
        " if not m.name.endswith('__main__')];"
        "assert np.geterr() == a; import sys; assert 'matplotlib' not in sys.modules, 'matplotlib';"
        "assert 'pandas' not in sys.modules, 'pandas'; assert 'scipy' not in sys.modules, 'scipy'"
    )
    run = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
