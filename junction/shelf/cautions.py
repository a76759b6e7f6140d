"""Cautions to show where the user acts (reference/cautions.csv)."""

from __future__ import annotations

from functools import cache

from junction.base.errors import UsageError
from junction.shelf.results import Caution
from junction.shelf.tables import reference_table

#: Places in the work that have cautions of their own.
PLACES = ("meter", "in circuit", "sweep", "power-up", "fitting", "resistor", "substitute")


@cache
def _all() -> tuple[Caution, ...]:
    return tuple(
        Caution(
            row.text("where", needed=True, among=PLACES), row.text("text", needed=True), row.text("source")
        )
        for row in reference_table("cautions.csv", ("where", "text", "source"))
    )


def cautions(*where: str) -> tuple[Caution, ...]:
    """Cautions of one or several places, in the order of the table.

    Parameters
    ----------
    *where : str
        One or more of `PLACES`; none means all.

    Raises
    ------
    UsageError
        A place that is not in `PLACES`.
    ShelfError
        A fault in the table.
    """
    for place in where:
        if place not in PLACES:
            raise UsageError(f"no cautions for {place!r}; there are some for: {', '.join(PLACES)}")
    return tuple(caution for caution in _all() if not where or caution.where in where)
