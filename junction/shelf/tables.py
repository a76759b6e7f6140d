"""Where the reference tables are, and how a row is read.

The tables ship as the resource package ``junction.reference`` in a wheel and stand in ``reference/``
beside the package in a checkout.  They are small and read with the standard library, because a
`junction check` must start in the time that importing pandas alone would take.
"""

from __future__ import annotations

import csv
from pathlib import Path

from junction.base.errors import ShelfError


def reference_folder() -> Path:
    """Folder that holds the reference tables, in a checkout as in an installed package.

    Raises
    ------
    ShelfError
        If neither place has them (a broken installation).
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "reference", package.parent / "reference"):
        if (folder / "README.md").is_file():
            return folder
    raise ShelfError("the reference tables are missing: install the package again")


def read_rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    """Rows of a reference table as (line, cells by heading); lines that start with # are notes.

    Raises
    ------
    ShelfError
        Unreadable file, or a row with more or fewer cells than there are headings.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ShelfError(f"cannot be read: {error}", str(path)) from error
    reader = csv.reader(text.splitlines())
    heading: list[str] = []
    rows = []
    for cells in reader:
        if not cells or cells[0].lstrip().startswith("#"):
            continue
        if not heading:
            heading = [c.strip() for c in cells]
            continue
        if len(cells) != len(heading):
            raise ShelfError(
                f"{len(cells)} cells where the heading has {len(heading)}", path.name, reader.line_num
            )
        rows.append((reader.line_num, dict(zip(heading, (c.strip() for c in cells), strict=True))))
    return rows
