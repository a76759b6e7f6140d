"""Options that describe an output stage, shared by ``match`` and ``stage``."""

from __future__ import annotations

import argparse
from math import nan

from junction.base.errors import UnitError, UsageError
from junction.base.units import parse_quantity
from junction.cli.options import physical


def quantities(quantity: str, *, at_least: float = 0.0):
    """Reader of one value or several with commas between, each with its unit: ``0.22ohm,0.22ohm,0.33ohm``.

    Returns
    -------
    callable
        text -> tuple of float in the SI unit.
    """

    def read(text: str) -> tuple[float, ...]:
        try:
            values = tuple(parse_quantity(item, quantity) for item in _items(text))
        except UnitError as error:
            raise argparse.ArgumentTypeError(str(error)) from error
        if not values:
            raise argparse.ArgumentTypeError("a value with its unit was expected")
        if min(values) < at_least:
            raise argparse.ArgumentTypeError(f"{text!r}: each must be at least {at_least:g}")
        return values

    return read


def _items(text: str) -> list[str]:
    """Parts between commas; a comma between digits that carry no unit yet is a decimal mark."""
    out: list[str] = []
    for piece in text.split(","):
        # '0,22ohm': the piece before this comma has no unit, so the comma was a decimal mark
        if out and out[-1].strip().lstrip("+-").isdigit():
            out[-1] += "," + piece
        else:
            out.append(piece)
    return [item.strip() for item in out if item.strip()]


def names(text: str) -> tuple[str, ...]:
    """Part names with commas between."""
    found = tuple(item.strip() for item in text.split(",") if item.strip())
    if not found:
        raise argparse.ArgumentTypeError("names with commas between were expected, such as A03,A11")
    return found


def add_stage(parser: argparse.ArgumentParser, *, parallel_help: str) -> None:
    """The stage: rating, supply, resistors, currents, heat."""
    group = parser.add_argument_group("the stage (what is not said is assumed, and said to be)")

    def add(flag: str, metavar: str, kind, help_: str, **more) -> None:
        group.add_argument(flag, metavar=metavar, type=kind, help=help_, **more)

    positive = dict(above=0.0)
    add("--power", "P", physical("power", **positive), "rated power into the load, such as 80W")
    add("--load", "R", physical("resistance", **positive), "the load it is rated into, such as 8ohm")
    add("--load-angle", "DEGREES", _angle, "phase angle of the reactive load to check, in degrees")
    add("--supply", "V", physical("voltage", **positive), "voltage of one rail, such as 42V")
    add("--parallel", "N", _count, parallel_help)
    add(
        "--emitter-resistor",
        "R",
        quantities("resistance"),
        "emitter resistor; one value for all, or one a position with commas: 0.22ohm,0.22ohm,0.33ohm",
    )
    add("--base-resistor", "R", quantities("resistance"), "base resistor of each device, the same way")
    add(
        "--idle-current",
        "I",
        physical("current", **positive),
        "idle current of a rail, shared by its devices",
    )
    add(
        "--idle-drop",
        "V",
        physical("voltage", **positive),
        "wanted drop across each emitter resistor at idle, such as 20mV, in place of the idle current",
    )
    add(
        "--peak-current",
        "I",
        physical("current", **positive),
        "peak current of a rail, shared by its devices",
    )
    add("--vce", "V", physical("voltage", **positive), "V_CE to compare at, where no supply is given")
    add(
        "--type",
        "NAME",
        names,
        "registered types in use, with commas: their limits and R_thJC are checked; match then leaves out "
        "parts of any other type",
    )
    heat = parser.add_argument_group("heat")
    for flag, text in (
        ("--rth-junction-case", "junction to case of a device, such as 0.7K/W"),
        ("--rth-case-sink", "case to sink of a device, insulator included"),
        ("--rth-sink", "the sink of one channel to the air"),
    ):
        heat.add_argument(flag, metavar="R", type=physical("thermal resistance", above=0.0), help=text)
    for flag, text in (
        ("--ambient", "air at the sink, such as 35C"),
        ("--junction-temperature", "junctions at idle, where the heat is not worked out"),
    ):
        heat.add_argument(
            flag, metavar="T", type=physical("temperature", at_least=-60.0, at_most=200.0), help=text
        )


def _angle(text: str) -> float:
    try:
        value = float(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of degrees") from error
    if not 0 <= value < 90:
        raise argparse.ArgumentTypeError("an angle from 0 to below 90 degrees was expected")
    return value


def _count(text: str) -> int:
    try:
        value = int(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number") from error
    if not 1 <= value <= 12:
        raise argparse.ArgumentTypeError("1 to 12 devices in parallel")
    return value


def stage_values(args: argparse.Namespace) -> dict:
    """What the options say of the stage, by field of the stage's description; silent ones are nan."""

    def number(name: str) -> float:
        value = getattr(args, name)
        return nan if value is None else float(value)

    return {
        "power_W": number("power"), "load_ohm": number("load"), "supply_V": number("supply"),
        "re_ohm": args.emitter_resistor or (), "rb_ohm": args.base_resistor or (),
        "idle_A": number("idle_current"), "idle_drop_V": number("idle_drop"),
        "peak_A": number("peak_current"),
        "vce_V": number("vce"), "temp_C": number("junction_temperature"),
        "load_phase_deg": number("load_angle"),
        "rth_jc": number("rth_junction_case"), "rth_cs": number("rth_case_sink"),
        "rth_sa": number("rth_sink"),
        "ambient_C": number("ambient"),
    }  # fmt: skip


def known_types(args: argparse.Namespace, find) -> tuple[str, ...]:
    """Names of ``--type``, each checked to be on the shelf.

    Parameters
    ----------
    args : argparse.Namespace
    find : callable
        From a marking to its registered type, or None.

    Raises
    ------
    UsageError
        A type the shelf does not hold; names the nearest ones.
    """
    for name in args.type or ():
        if find(name) is None:
            from junction.shelf.types import type_shelf

            near = type_shelf().near(name)
            hint = f"; near it: {', '.join(near)}" if near else ""
            raise UsageError(f"--type {name}: not on the shelf{hint}")
    return args.type or ()
