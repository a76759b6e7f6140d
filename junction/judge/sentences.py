"""What a reason says to a technician: the table reference/sentences.csv, with the numbers filled in."""

from __future__ import annotations

from functools import cache

from junction.shelf.tables import Row, reference_table


@cache
def _rows() -> dict[str, Row]:
    found: dict[str, Row] = {}
    for row in reference_table("sentences.csv", ("reason", "says", "next", "source")):
        reason = row.text("reason", needed=True)
        if reason in found:
            raise row.fault("reason", f"{reason!r} stands twice")
        found[reason] = row
    return found


def say(reason: str, **numbers) -> str:
    """Sentence of a reason.

    Parameters
    ----------
    reason : str
        As in reference/sentences.csv.
    **numbers
        What its fields stand for; each field says how it is written.

    Raises
    ------
    KeyError
        No row has that name, or a field of its sentence was not given.
    ShelfError
        A fault in the table, with line and column.
    """
    return _rows()[reason].text("says").format(**numbers)


def next_step(reason: str, **numbers) -> str:
    """What to do, measure or find out next for a reason, '' where there is nothing; as `say`."""
    return _rows()[reason].text("next").format(**numbers)
