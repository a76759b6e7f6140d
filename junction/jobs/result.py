"""What every public function returns: a report with its table, its JSON, its page and its files."""

from __future__ import annotations

import os
import time
from collections.abc import Mapping
from pathlib import Path
from types import ModuleType


class Result:
    """A job's report and the ways to look at it.

    Parameters
    ----------
    command : str
        Name of the job; its page is ``command.html``, its JSON ``command.json``.
    report : record
        What the job found; its fields are attributes of the result as well.
    view : module
        ``summary(report)``, ``terminal(report, everything)``, ``page(report)``, ``tables(report)``,
        ``document(report)`` and optionally ``files(report)``, of `junction.show`.

    Notes
    -----
    ``print(result)`` gives what the command line prints.
    """

    def __init__(self, command: str, report: object, view: ModuleType) -> None:
        self.command, self.report, self._view = command, report, view
        self.made = time.strftime("%Y-%m-%d %H:%M")

    def __getattr__(self, name: str):
        if name.startswith("_") or "report" not in self.__dict__:
            raise AttributeError(name)
        return getattr(self.report, name)

    @property
    def bag(self):
        """What was read (a `Bag`), to give to another function; None where nothing was."""
        return self.report if self.command == "read" else getattr(self.report, "bag", None)

    def __dir__(self):
        return [*super().__dir__(), *(n for n in dir(self.report) if not n.startswith("_"))]

    def to_frame(self, table: str = ""):
        """One of the result's tables as a DataFrame, the main one unless another is named.

        Parameters
        ----------
        table : str, optional
            Name of a table, such as ``set_aside``; `tables` lists them.

        Returns
        -------
        pandas.DataFrame
            Numbers in SI units, None or nan where nothing is known.
        """
        import pandas as pd

        found = self._view.tables(self.report)
        name = table or next(iter(found))
        if name not in found:
            raise KeyError(f"no table {table!r}; there are {', '.join(found)}")
        headings, rows = found[name]
        return pd.DataFrame([list(row) for row in rows], columns=list(headings))

    @property
    def tables(self) -> tuple[str, ...]:
        """Names of the tables that `to_frame` gives and `save` writes as CSV."""
        return tuple(self._view.tables(self.report))

    def to_dict(self) -> dict:
        """The JSON of the command line as dicts and lists: SI units, None for what is not known."""
        from junction.show.write import FORMAT, plain

        return {"format": FORMAT, "command": self.command, **plain(self._document())}

    def _document(self) -> Mapping[str, object]:
        return {**self._view.document(self.report), "made": self.made}

    def to_json(self) -> str:
        """The JSON of the command line as text."""
        from junction.show.write import document

        return document(self.command, self._document())

    def contents(self) -> dict[str, str | bytes]:
        """Every file of the result by its name: page, CSV files and whatever the job adds; not the JSON."""
        from junction.show.page import page
        from junction.show.write import csv_text

        title, blocks = self._view.page(self.report, self.made)
        files = {f"{self.command}.html": page(title, blocks)}
        for name, (headings, rows) in self._view.tables(self.report).items():
            files[f"{name}.csv"] = csv_text(headings, rows)
        if hasattr(self._view, "files"):
            files |= self._view.files(self.report)
        return files

    def save(self, folder: str | os.PathLike) -> list[Path]:
        """Write the page, the CSV files and the JSON into a folder: all of them or none.

        Parameters
        ----------
        folder : path
            Made if it does not exist.

        Returns
        -------
        list of Path
            What was written, the page first.

        Raises
        ------
        OutputError
            A file or folder cannot be written; nothing was.
        """
        from junction.show.write import write_files

        files = {**self.contents(), f"{self.command}.json": self.to_json()}
        places = {Path(folder) / name: content for name, content in files.items()}
        write_files(places)
        return list(places)

    def text(self, width: int = 80, *, everything: bool = False, paint=None) -> str:
        """What the command line prints, for so many columns; `everything` lists what it would only count."""
        from junction.show.terminal import terminal_text

        most = getattr(self._view, "MOST_COLUMNS", width)
        return terminal_text(self._view.terminal(self.report, everything), min(width, most), paint)

    def __str__(self) -> str:
        return self.text()

    def __repr__(self) -> str:
        return f"<junction {self.command}: {self._view.summary(self.report)}>"

    def _repr_html_(self) -> str:
        from junction.show.page import fragment

        shown = getattr(self._view, "display", None) or (lambda report: self._view.page(report, "")[1])
        return fragment(shown(self.report))
