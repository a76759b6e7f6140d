"""Every notebook runs from top to bottom, and what it shows is what it computes today."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = sorted((Path(__file__).resolve().parents[1] / "notebooks").glob("*.ipynb"))


def printed(notebook):
    """What each cell printed; pictures are left to the eye."""
    return [
        "".join(o.get("text", "") for o in cell.outputs if o.output_type == "stream" and o.name == "stdout")
        for cell in notebook.cells
        if cell.cell_type == "code"
    ]


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::RuntimeWarning", "ignore::ResourceWarning")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_notebook_runs_and_matches_its_stored_output(path):
    stored = nbformat.read(path, as_version=4)
    fresh = nbformat.read(path, as_version=4)
    NotebookClient(fresh, timeout=120, kernel_name="python3").execute()
    assert printed(fresh) == printed(stored)


def test_a_notebook_keeps_its_pictures():
    """What shows notebooks strips SVG out of markup: a picture is an output of its own, as PNG."""
    for path in NOTEBOOKS:
        cells = nbformat.read(path, as_version=4).cells
        kept = [o for c in cells for o in c.get("outputs", ()) if "image/png" in o.get("data", {})]
        assert kept and any(".plot(" in c.source for c in cells), path


def test_there_is_a_notebook():
    assert NOTEBOOKS
