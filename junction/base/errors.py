"""One error tree; every message says where and what was expected."""

from __future__ import annotations


class JunctionError(Exception):
    """Base of every error that junction raises on purpose."""


class UsageError(JunctionError, ValueError):
    """An option, argument or call that cannot be meant; the message says what would be."""


class InputError(JunctionError, ValueError):
    """A file or row that cannot be read.

    Parameters
    ----------
    reason : str
        What is wrong and what was expected.
    file, row, column : optional
        Where: file name, 1-based line in the file, heading of the column.
    """

    def __init__(self, reason: str, file: str = "", row: int | None = None, column: str = "") -> None:
        self.reason, self.file, self.row, self.column = reason, file, row, column
        said = (file, "" if row is None else f"line {row}", column and f"column {column!r}")
        place = ", ".join(filter(None, said))
        super().__init__(f"{place}: {reason}" if place else reason)

    def __reduce__(self):
        return type(self), (self.reason, self.file, self.row, self.column), vars(self)


class UnitError(JunctionError, ValueError):
    """A number or unit outside the written grammar of `junction.base.units`."""


class ShelfError(InputError):
    """A fault in a reference table, with file, line and column."""


class OutputError(JunctionError, OSError):
    """An output that cannot be written; nothing was left half-written."""
