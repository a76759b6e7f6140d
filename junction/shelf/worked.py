"""Published worked figures (reference/worked_figures.csv), for the tests and for whoever doubts."""

from __future__ import annotations

from functools import cache

from junction.shelf.results import WorkedFigure
from junction.shelf.tables import reference_table

_COLUMNS = (
    "number", "topic", "title", "inputs", "published", "source", "status", "remark", "recomputed",
)  # fmt: skip
STATUSES = ("verified", "verified (inputs only)", "from memory", "mixed", "computed", "rejected")


@cache
def _all() -> tuple[WorkedFigure, ...]:
    found = []
    for row in reference_table("worked_figures.csv", _COLUMNS):
        number = int(row.number("number", low=1, high=9999, needed=True))
        if found and number <= found[-1].number:
            raise row.fault("number", "the numbers must rise")
        words = {name: row.text(name, needed=True) for name in _COLUMNS[1:6]}
        status = row.text("status", needed=True, among=STATUSES)
        recomputed = " ".join(x for x in (row.text("recomputed"), row.text("remark")) if x)
        found.append(WorkedFigure(number=number, status=status, recomputed=recomputed, **words))
    return tuple(found)


def worked_figures() -> tuple[WorkedFigure, ...]:
    """All worked figures in order; those with status 'rejected' must not be tested against.

    Raises
    ------
    ShelfError
        A fault in the table, with line and column.
    """
    return _all()
