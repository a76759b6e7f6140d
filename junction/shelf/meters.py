"""Kinds of multimeter in diode mode (reference/meters.csv)."""

from __future__ import annotations

from functools import cache
from math import isnan

from junction.base.errors import ShelfError
from junction.shelf.results import Meter
from junction.shelf.tables import Row, reference_table

_COLUMNS = (
    "meter", "source_kind", "default", "test_current_A", "open_voltage_V", "resistance_ohm",
    "over_range_V", "resolution_V", "accuracy_percent", "accuracy_counts", "current_spread", "red_lead",
    "basis", "source",
)  # fmt: skip


def _meter(row: Row) -> Meter:
    kind = row.text("source_kind", needed=True, among=("constant current", "resistance"))
    current = row.number("test_current_A", low=1e-6, high=0.2, needed=kind == "constant current")
    volts = row.number("open_voltage_V", low=0.5, high=20, needed=True)
    ohms = row.number("resistance_ohm", low=1, high=1e6, needed=kind == "resistance")
    return Meter(
        name=row.text("meter", needed=True),
        source_kind=kind,
        test_current_A=volts / ohms if isnan(current) else current,
        open_voltage_V=volts,
        resistance_ohm=ohms,
        over_range_V=row.number("over_range_V", low=0.5, high=20, needed=True),
        resolution_V=row.number("resolution_V", low=1e-6, high=0.1, needed=True),
        accuracy_percent=row.number("accuracy_percent", low=0, high=20, needed=True),
        accuracy_counts=row.number("accuracy_counts", low=0, high=100, needed=True),
        current_spread=row.number("current_spread", low=0, high=1, needed=True),
        red_lead=row.text("red_lead", needed=True, among=("positive", "often negative")),
        basis=row.text("basis", needed=True),
        source=row.text("source"),
    )


@cache
def _all() -> tuple[dict[str, Meter], str]:
    found: dict[str, Meter] = {}
    default = ""
    for row in reference_table("meters.csv", _COLUMNS):
        meter = _meter(row)
        if meter.name in found:
            raise row.fault("meter", f"{meter.name!r} stands twice")
        found[meter.name] = meter
        if row.flag("default"):
            if default:
                raise row.fault("default", f"{default!r} is the default already")
            default = meter.name
    if not default:
        raise ShelfError("no meter is marked as the default", "meters.csv", column="default")
    return found, default


def meters() -> dict[str, Meter]:
    """All kinds of meter by name, in the order of the table.

    For the kind ``resistance`` the test current is that into a short, open voltage over resistance;
    for the kind ``constant current`` the resistance is nan.

    Raises
    ------
    ShelfError
        A fault in the table, with line and column.
    """
    return dict(_all()[0])


def default_meter() -> Meter:
    """The commonest kind: what readings are taken with when nothing is said."""
    found, default = _all()
    return found[default]
