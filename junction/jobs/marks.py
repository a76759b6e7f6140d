"""Types as options and rows name them, looked up on the shelf, and what of them is ordered.

A type that the shelf does not hold is done without.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from types import SimpleNamespace

from junction.base.errors import UsageError
from junction.base.records import Bag, plain_name
from junction.judge.results import SortReport
from junction.shelf.names import dropped_group
from junction.shelf.types import type_shelf


def types_of(o: SimpleNamespace) -> Callable:
    """From a marking to its registered type: the reference tables and the user's own file."""
    return type_shelf((o.types,) if o.types else ())  # a fault in the user's file is said before any work


def stage_types(o: SimpleNamespace, find: Callable, transistor: bool = True) -> tuple:
    """Registered types of the option ``type``; one that is not on the shelf is done without (`type_notes`).

    Raises
    ------
    UsageError
        A diode where a transistor is asked for.
    """
    found = [kind for kind in map(find, o.type or ()) if kind is not None]
    for kind in found:
        if transistor and kind.device != "bjt":
            raise UsageError(f"--type {kind.name}: a {kind.kind} diode, and a transistor is asked for")
    return tuple(found)


def types_asked(names: Sequence[str], find: Callable, marks: Iterable[str]) -> set[str]:
    """Plain names of the types that alone may be used, empty where any may.

    A type that is not on the shelf and that no part bears is a slip, and leaves no other out.
    """
    borne = {*map(plain_name, marks)}
    known = {name: find(name) for name in names}
    found = {name: kind for name, kind in known.items() if kind or plain_name(name) in borne}
    return {plain_name(x) for name, kind in found.items() for x in (name, kind.name if kind else name)}


def as_registered(bag: Bag, find: Callable) -> Bag:
    """The bag with one spelling of a type: C1815 GR and 2SC1815-GR are parts of one type."""

    @functools.cache
    def name_of(mark: str) -> str:
        kind = find(mark) if mark else None
        if kind is None or plain_name(mark) in map(plain_name, (kind.name, *kind.also)):
            return mark
        return kind.name + dropped_group(mark, kind.name)

    readings = tuple(replace(r, type=name_of(r.type)) for r in bag.readings)
    sweeps, curves = (replace(t, type=tuple(map(name_of, t.type))) for t in (bag.sweeps, bag.curves))
    return replace(bag, readings=readings, sweeps=sweeps, curves=curves)


def with_order(report: SortReport, types: Callable | None) -> SortReport:
    """A report of judged parts with what to order for the bad ones, where there are any."""
    if not any(v.verdict in ("shorted", "open", "leaky") for v in report.verdicts):
        return report
    from junction.replace.order import order_of

    return replace(report, order=order_of(report.verdicts, types))
