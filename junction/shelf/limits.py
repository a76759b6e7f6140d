"""Limits of types: a row of a limits table with its symbol, its unit and its conditions.

The letter symbols are those of IEC 60747 and of the JEDEC registrations.  The ranges are wide: they are
there to catch a wrong unit (a leakage of 15 A, a base-emitter voltage of 650 V), not to judge a part.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from math import isnan, nan
from types import MappingProxyType, SimpleNamespace

from junction.base.errors import UnitError
from junction.base.units import QUANTITIES, parse_quantity, unit_factor
from junction.shelf.tables import Limit, Row, records, reference_rows


@cache
def symbols(use: str) -> Mapping[str, SimpleNamespace]:
    """Letter symbols by use: 'limit', 'dual' or 'condition' (reference/symbols.csv)."""
    return MappingProxyType({name: one for name, one in records("symbols").items() if one.use == use})


def limit_of(row: Row, source: str, basis: str, use: str = "limit") -> Limit:
    """One limit from a row of a limits table; `source` and `basis` where the row leaves its own empty.

    Raises
    ------
    ShelfError
        Any fault, with line and column.
    """
    cells = row.values("limits_bjt")
    known, name = symbols(use), cells["symbol"]
    if name not in known:
        raise row.fault("symbol", f"{name!r} is not one of: {', '.join(known)}")
    symbol = known[name]
    quantity, _, per = symbol.quantity.partition("/")
    unit = QUANTITIES[quantity][1] + (f"/{per}" if per else "")
    try:
        if per and not cells["unit"].endswith(f"/{per}"):
            raise UnitError(f"{cells['unit']!r} is not a voltage per kelvin; write it in uV/K")
        factor = unit_factor(cells["unit"].removesuffix(f"/{per}"), quantity)
    except UnitError as error:
        raise row.fault("unit", str(error)) from error
    sides = {side: cells[side] * factor for side in ("min", "typ", "max") if not isnan(cells[side])}
    if not sides:
        raise row.fault("min", "min, typ and max are all empty")
    for side, value in sides.items():
        # one part in 1e9 for the rounding of the factor
        if not symbol.low * (1 - 1e-9) <= value <= symbol.high * (1 + 1e-9):
            raise row.fault(side, f"{value:g} {unit} is no sensible {name}; is the unit right?")
    if list(sides.values()) != sorted(sides.values()):
        raise row.fault("min", "min, typ and max must rise")
    return Limit(
        name, sides.get("min", nan), sides.get("max", nan), _conditions(row, cells["at"]),
        cells["source"] or source, cells["basis"] or basis, sides.get("typ", nan),
    )  # fmt: skip


def _conditions(row: Row, written: str) -> dict[str, float]:
    """Conditions of a limit, ``IC=4A VCE=4V``, in SI units."""
    found: dict[str, float] = {}
    known = symbols("condition")
    for word in written.split():
        name, equals, value = word.partition("=")
        if not equals or name not in known:
            raise row.fault("at", f"{word!r} is not name=value with one of the names {', '.join(known)}")
        if known[name].field in found:
            raise row.fault("at", f"{name} stands twice")
        try:
            found[known[name].field] = parse_quantity(value, known[name].quantity)
        except UnitError as error:
            raise row.fault("at", f"{name}: {error}") from error
    return found


@cache
def matched_duals() -> Mapping[str, tuple[Limit, ...]]:
    """Matching limits of matched duals and complementary pairs by name, the yardstick of a grade.

    The h_FE ratio is lower over higher; differences are magnitudes.  One without limits is not matched.
    """
    found: dict[str, tuple[Limit, ...]] = dict.fromkeys(records("matched_duals"), ())
    for row in reference_rows("limits_duals"):
        name = row.cells["type"]
        limit = limit_of(row, records("matched_duals")[name].source, "published", "dual")
        found[name] = (*found[name], limit)
    return MappingProxyType(found)
