"""Every notebook runs from top to bottom, and what it shows is what it computes today.

``python -m tests.test_notebooks`` runs them and stores their outputs anew.
Read the difference, look at the pictures.
"""

import os
import tempfile
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

DAY = 1767225600  # 1 January 2026, on which all pictures are made
NOTEBOOKS = sorted((Path(__file__).resolve().parents[1] / "notebooks").glob("*.ipynb"))


def stored():
    """The notebooks as they stand, by name."""
    return {path.stem: nbformat.read(path, as_version=4) for path in NOTEBOOKS}


def run(books):
    """Run notebooks one after the other in one kernel, each from empty names: starting five takes too long.

    Pictures carry the day they were made; here it is always the same, so that only what changed differs.
    """
    before = f"%reset -f\n%matplotlib inline\n%env SOURCE_DATE_EPOCH={DAY}"
    cells = []
    for book in books.values():
        cells += [nbformat.v4.new_code_cell(before), *book.cells]
    whole = nbformat.v4.new_notebook(cells=cells)
    with tempfile.TemporaryDirectory() as folder:
        NotebookClient(whole, timeout=120, kernel_name="python3", record_timing=False, coalesce_streams=True,
                       resources={"metadata": {"path": folder}}).execute()  # fmt: skip
    for book in books.values():
        for k, cell in enumerate((c for c in book.cells if c.cell_type == "code"), 1):
            cell.execution_count = k
            for output in cell.outputs:
                if "execution_count" in output:
                    output.execution_count = k


def printed(book):
    """What each cell printed; pictures are left to the eye."""
    return [
        "".join(o.get("text", "") for o in cell.outputs if o.output_type == "stream")
        for cell in book.cells
        if cell.cell_type == "code"
    ]


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::RuntimeWarning", "ignore::ResourceWarning")
def test_notebooks_run_and_match_their_stored_output():
    kept, fresh = stored(), stored()
    run(fresh)
    for name, book in fresh.items():
        assert printed(book) == printed(kept[name]), name


def test_a_notebook_keeps_its_pictures_and_no_error():
    """What shows notebooks strips SVG out of markup: a picture is an output of its own, as PNG."""
    assert len(NOTEBOOKS) == 5
    for name, book in stored().items():
        outputs = [o for c in book.cells for o in c.get("outputs", ())]
        assert any("image/png" in o.get("data", {}) for o in outputs), name
        assert any(".plot(" in c.source for c in book.cells), name
        assert not any(o.output_type == "error" or o.get("name") == "stderr" for o in outputs), name


def test_a_notebook_says_what_it_shows_and_what_to_take_home():
    for name, book in stored().items():
        assert book.cells[0].source.startswith("# ") and "simulated" in book.cells[0].source, name
        assert "## To take home" in book.cells[-1].source, name


if __name__ == "__main__":
    from tests.golden.renewing import refuse_in_ci

    refuse_in_ci()
    os.environ["COLUMNS"] = "80"
    books = stored()
    run(books)
    for path in NOTEBOOKS:
        nbformat.write(books[path.stem], path)
