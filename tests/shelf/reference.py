"""Another reference folder for a while: what the package answers when a row of a table is changed."""

import csv
import functools
import io
import sys
from contextlib import contextmanager
from types import MappingProxyType

from junction.shelf import tables

_CACHE = type(functools.cache(lambda: None))


def forget():
    """Empty every cache of the package: they hold what was read from the tables or what follows from it."""
    for name, module in list(sys.modules.items()):
        if name.split(".")[0] == "junction":
            for thing in list(vars(module).values()):
                if isinstance(thing, _CACHE):
                    thing.cache_clear()


def read(table):
    """Notes, headings and rows of a table of the true folder."""
    lines = (tables.reference_folder() / f"{table}.csv").read_text(encoding="utf-8").splitlines(True)
    notes = [line for line in lines if line.startswith("#")]
    heading, *rows = csv.reader(line for line in lines if not line.startswith("#"))
    return notes, heading, rows


@functools.cache
def _split(path, text, needed, known):
    """Rows of one text, kept: reading the other tables again for each changed cell costs most of the time."""
    found = _ROWS(path, needed, known)
    return tuple(row._replace(cells=MappingProxyType(row.cells)) for row in found)


_ROWS = tables.rows


def _rows(path, needed=(), known=None):
    return iter(_split(path, tables.content(path), tuple(needed), None if known is None else tuple(known)))


@contextmanager
def replaced(table, rows):
    """The package with other rows in one table."""
    notes, heading, _ = read(table)
    text = io.StringIO()
    csv.writer(text).writerows([heading, *rows])
    true = tables.content
    place = tables.reference_folder() / f"{table}.csv"

    def content(path):
        return text.getvalue() if path == place else true(path)

    tables.content, tables.rows = content, _rows
    forget()
    try:
        yield
    finally:
        tables.content, tables.rows = true, _ROWS
        forget()


@contextmanager
def changed(table, k, cells):
    """The package with other cells in one row of a table: the k-th, or the one of that name."""
    _, heading, rows = read(table)
    k = [row[0] for row in rows].index(k) if isinstance(k, str) else k
    rows[k] = [cells.get(name, cell) for name, cell in zip(heading, rows[k], strict=True)]
    with replaced(table, rows):
        yield
