"""Preferred number series for resistors, IEC 60063, generated.

A series of n values a decade is ``10^(k/n)`` rounded to two digits (E3 to E24) or three (E48 to E192).
The published tables depart from that rule in a few places, for reasons of history; those stand in
reference/resistor_series.csv.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from junction.base.errors import UsageError
from junction.shelf.tables import Row, reference_table

_COLUMNS = ("series", "per_decade", "digits", "tolerance_percent", "exceptions", "source")


@dataclass(frozen=True)
class Series:
    """A preferred number series: values of one decade in whole units of 10^-(digits - 1)."""

    name: str
    values: tuple[int, ...]
    digits: int
    tolerance: float  # [1], the tolerance the series is meant for
    source: str


def _exceptions(row: Row) -> dict[int, int]:
    found = {}
    for word in row.text("exceptions").split():
        generated, _, published = word.partition("=")
        if not (generated.isdigit() and published.isdigit()):
            raise row.fault("exceptions", f"{word!r} is not generated=published")
        found[int(generated)] = int(published)
    return found


@cache
def _all() -> dict[str, Series]:
    found = {}
    for row in reference_table("resistor_series.csv", _COLUMNS):
        name = row.text("series", needed=True)
        count = int(row.number("per_decade", low=1, high=1000, needed=True))
        digits = int(row.number("digits", low=2, high=3, needed=True))
        rule = [math.floor(10 ** (digits - 1 + k / count) + 0.5) for k in range(count)]
        instead = _exceptions(row)
        for generated in instead:
            if generated not in rule:
                raise row.fault("exceptions", f"{generated} is not a value the rule gives")
        tolerance = row.number("tolerance_percent", low=0.01, high=50, needed=True) / 100
        found[name] = Series(
            name, tuple(instead.get(v, v) for v in rule), digits, tolerance, row.text("source", needed=True)
        )
    return found


def resistor_series(name: str) -> Series:
    """Series by name, ``E24``.

    Raises
    ------
    UsageError
        No such series; names those there are.
    ShelfError
        A fault in the table.
    """
    try:
        return _all()[name.strip().upper()]
    except KeyError:
        raise UsageError(f"no series {name!r}; there are {', '.join(_all())}") from None


def stock_values(name: str, low_ohm: float, high_ohm: float) -> tuple[float, ...]:
    """All values of a series from `low_ohm` to `high_ohm` [ohm], both included.

    Raises
    ------
    UsageError
        No such series, or bounds that are not positive and rising.
    """
    series = resistor_series(name)
    if not 0 < low_ohm <= high_ohm < math.inf:
        raise UsageError("the bounds of a list of stock values must be positive and rising")
    first, last = math.floor(math.log10(low_ohm)), math.ceil(math.log10(high_ohm))
    found = []
    for decade in range(first - 1, last + 1):
        power = decade - (series.digits - 1)
        for value in series.values:
            # dividing by a whole power of ten keeps 0.22 the float that is written 0.22
            ohm = value * 10**power if power >= 0 else value / 10**-power
            if low_ohm * (1 - 1e-12) <= ohm <= high_ohm * (1 + 1e-12):
                found.append(float(ohm))
    return tuple(found)
