"""What options say of a stage and its types, looked up on the shelf, and what is ordered of them.

A type that the shelf does not hold is done without.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from types import SimpleNamespace

from junction.base.errors import UsageError
from junction.base.records import Bag, plain_name
from junction.base.units import parse_swing
from junction.judge.results import SortReport, say
from junction.shelf.names import dropped_group, number_family
from junction.shelf.types import type_shelf

#: Kinds of numbers.csv that are bipolar transistors with something built in.
_BIPOLAR = {"damper diode and base-emitter resistor", "built-in base resistors", "built-in base resistor"}


def types_of(o: SimpleNamespace) -> Callable:
    """From a marking to its registered type: the reference tables and the user's own file."""
    return type_shelf((o.types,) if o.types else ())  # a fault in the user's file is said before any work


def stage_ask(o: SimpleNamespace, parallel: int = 1):
    """What the options say of a stage (`StageAsk`); `parallel` where they do not."""
    from junction.amplifier.rating import Circuit, StageAsk

    if Circuit.of(o.circuit or ()).quasi and getattr(o, "layout", "") == "complementary":
        raise UsageError("outputs of a quasi-complementary stage: --layout quasi-complementary")
    if o.output_voltage is not None and (o.power is not None or o.load is None):
        raise UsageError("--output-voltage stands in place of --power, and needs --load")
    if o.output_voltage is not None:
        o.power = parse_swing(o.output_voltage) ** 2 / (2 * o.load)
    said = {
        "power_W": o.power, "load_ohm": o.load, "supply_V": o.supply, "parallel": o.parallel or parallel,
        "re_ohm": o.emitter_resistor, "rb_ohm": o.base_resistor, "idle_A": o.idle_current,
        "idle_drop_V": o.idle_drop, "peak_A": o.peak_current, "vce_V": o.vce,
        "temp_C": o.junction_temperature, "load_phase_deg": o.load_angle, "rth_jc": o.rth_junction_case,
        "rth_cs": o.rth_case_sink, "rth_sa": o.rth_sink, "ambient_C": o.ambient, "circuit": o.circuit,
        "sink_limit_C": o.sink_limit, "rth_pulse": o.pulse_impedance, "darlington": o.darlington,
        "hfe": o.hfe,
    }  # fmt: skip
    return StageAsk(**{name: value for name, value in said.items() if value is not None})


def stage_types(o: SimpleNamespace, find: Callable, transistor: bool = True) -> tuple:
    """Registered types of the option ``type``; one that is not on the shelf is done without (`type_notes`).

    Raises
    ------
    UsageError
        A diode where a transistor is asked for, or what is no bipolar transistor by its number.
    """
    if transistor:
        for said in filter(None, (not_bipolar(name, find) for name in o.type or ())):
            raise UsageError(f"--type {said}")
    found = [kind for kind in map(find, o.type or ()) if kind is not None]
    for kind in found:
        if transistor and kind.device != "bjt":
            raise UsageError(f"--type {kind.name}: a {kind.kind} diode, and a transistor is asked for")
    return tuple(found)


def not_bipolar(mark: str, find: Callable) -> str:
    """That a marking which is not on the shelf is by its number no bipolar transistor, '' where it may be."""
    told = number_family(mark) if mark and find(mark) is None else None
    return "" if told is None or _BIPOLAR & {*told.kinds} else say("not_bipolar", type=mark, says=told.says)


def types_asked(names: Sequence[str], find: Callable, marks: Iterable[str]) -> set[str]:
    """Plain names of the types that alone may be used, empty where any may.

    Raises
    ------
    UsageError
        Every part bears a type, and none of them is asked for.
    """

    def plain(mark: str) -> set[str]:
        kind = find(mark)
        return {plain_name(mark), plain_name(kind.name if kind else mark)}

    wanted = {one for name in names for one in plain(name)}
    borne = [*dict.fromkeys(marks)]
    if wanted and borne and all(mark and not wanted & plain(mark) for mark in borne):
        asked = " or ".join(f"'{name}'" for name in names)
        raise UsageError(say("type_nowhere", asked=asked, borne=", ".join(borne)))
    return wanted


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
