"""Matched duals and complementary pairs with their matching limits, the yardstick beside a grade."""

from __future__ import annotations

from functools import cache

from junction.shelf.results import Limit, MatchedDual
from junction.shelf.symbols import DUAL_SYMBOLS, limit_of
from junction.shelf.tables import reference_table

_COLUMNS = ("type", "registration", "polarity", "notes", "source")
_LIMITS = ("type", "symbol", "min", "typ", "max", "unit", "at", "basis", "source")
_POLARITIES = ("NPN", "PNP", "NPN quad", "NPN/PNP pair")


@cache
def _all() -> dict[str, MatchedDual]:
    rows = {row.text("type", needed=True): row for row in reference_table("matched_duals.csv", _COLUMNS)}
    limits: dict[str, list[Limit]] = {name: [] for name in rows}
    for row in reference_table("limits_duals.csv", _LIMITS):
        name = row.text("type", needed=True)
        if name not in rows:
            raise row.fault("type", f"{name!r} does not stand in matched_duals.csv")
        limits[name].append(limit_of(row, DUAL_SYMBOLS, rows[name].text("source"), "published"))
    return {
        name: MatchedDual(
            name, row.text("polarity", needed=True, among=_POLARITIES), tuple(limits[name]),
            row.text("registration"), row.text("notes"), row.text("source", needed=True),
        )
        for name, row in rows.items()
    }  # fmt: skip


def matched_duals() -> dict[str, MatchedDual]:
    """All matched duals and pairs by name; one with no limits is a dual that is not matched.

    The h_FE ratio is lower over higher; differences are magnitudes.

    Raises
    ------
    ShelfError
        A fault in the tables, with line and column.
    """
    return dict(_all())
