"""Named limits that judgement uses, each with what it rests on (reference/rules.csv)."""

from __future__ import annotations

from functools import cache

from junction.shelf.results import RuleOfThumb
from junction.shelf.tables import reference_table

_COLUMNS = ("rule", "value", "unit", "meaning", "basis", "source")


@cache
def _all() -> dict[str, RuleOfThumb]:
    found: dict[str, RuleOfThumb] = {}
    for row in reference_table("rules.csv", _COLUMNS):
        name = row.text("rule", needed=True)
        if name in found:
            raise row.fault("rule", f"{name!r} stands twice")
        found[name] = RuleOfThumb(
            name,
            row.number("value", low=-1e9, high=1e9, needed=True),
            row.text("unit"),
            row.text("meaning", needed=True),
            row.text("basis", needed=True),
            row.text("source"),
        )
    return found


def rules() -> dict[str, RuleOfThumb]:
    """All rules by name, for example ``rules()["short_below"].value`` [ohm].

    Raises
    ------
    ShelfError
        A fault in the table, with line and column.
    """
    return dict(_all())


def rule(name: str) -> float:
    """Value of one rule of reference/rules.csv in the unit of its row.

    Parameters
    ----------
    name : str

    Returns
    -------
    float

    Raises
    ------
    KeyError
        No row has that name.
    """
    return _all()[name].value
