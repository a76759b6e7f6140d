"""What judgement goes by: rules, families, meters, cautions and resistor series, each with its basis.

Each is a table under reference/ whose columns stand in reference/columns.csv.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cache
from types import SimpleNamespace

from junction.base.errors import UsageError
from junction.shelf.results import Caution, Meter
from junction.shelf.tables import Row, records


def rules() -> Mapping[str, SimpleNamespace]:
    """All rows of reference/rules.csv by name: ``value`` in its ``unit``, ``meaning``, ``basis``."""
    return records("rules")


@cache
def rule(name: str) -> float:
    """Value of one rule of reference/rules.csv in the unit of its row.

    Raises
    ------
    KeyError
        No row has that name.
    """
    return rules()[name].value


def families() -> Mapping[str, SimpleNamespace]:
    """Families of junctions and the limits a healthy one keeps at 25 degC, by name."""
    return records("families")


def _drive(row: Row, values: dict) -> None:
    """A source behind a resistance drives its open voltage over that resistance into a short."""
    if values["source_kind"] == "resistance":
        values["test_current_A"] = values["open_voltage_V"] / values["resistance_ohm"]


def meters() -> Mapping[str, Meter]:
    """Kinds of multimeter in diode mode by name; a constant-current kind has resistance nan."""
    return records("meters", Meter, _drive)


def default_meter() -> Meter:
    """The commonest kind: what readings are taken with when nothing is said."""
    return next(meter for meter in meters().values() if meter.default)


def cautions(*where: str) -> tuple[Caution, ...]:
    """Cautions of one or several places (none means all), in the order of the table.

    Raises
    ------
    UsageError
        A place that has none.
    """
    found = records("cautions", Caution).values()
    places = dict.fromkeys(one.where for one in found)
    for place in where:
        if place not in places:
            raise UsageError(f"no cautions for {place!r}; there are some for: {', '.join(places)}")
    return tuple(one for one in found if not where or one.where in where)


def _generate(row: Row, values: dict) -> None:
    """``10^(k/n)`` rounded to two digits (E3 to E24) or three (E48 to E192), k from 0 to n - 1.

    The published tables depart from that rule in a few places, for reasons of history.
    """
    count, digits = int(values["per_decade"]), int(values["digits"])
    generated = [math.floor(10 ** (digits - 1 + k / count) + 0.5) for k in range(count)]
    instead = {}
    for word in values["exceptions"].split():
        rule_gives, _, published = word.partition("=")
        instead[int(rule_gives)] = int(published)
    values.update(values=tuple(instead.get(v, v) for v in generated), digits=digits)


def resistor_series(name: str) -> SimpleNamespace:
    """Preferred number series of IEC 60063 by name, ``E24``.

    Returns
    -------
    namespace
        ``values`` of one decade in whole units of 10^-(digits - 1), ``digits``, ``tolerance_percent``,
        ``source``.

    Raises
    ------
    UsageError
        No such series; names those there are.
    """
    found = records("resistor_series", finish=_generate)
    try:
        return found[name.strip().upper()]
    except KeyError:
        raise UsageError(f"no series {name!r}; there are {', '.join(found)}") from None
