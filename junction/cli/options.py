"""Options that several commands share; every physical value takes its unit."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace

from junction.base.errors import UnitError, UsageError
from junction.base.units import parse_number, parse_quantity
from junction.shelf.results import Meter


def physical(
    quantity: str, *, above: float | None = None, at_least: float | None = None, at_most: float | None = None
) -> Callable[[str], float]:
    """Reader of an option's value with its unit, for argparse's ``type``.

    Parameters
    ----------
    quantity : str
        Key of `junction.base.units.QUANTITIES`.
    above, at_least, at_most : float, optional
        Bounds in the SI unit; a value outside is refused.

    Returns
    -------
    callable
        text -> value in the SI unit; raises ``argparse.ArgumentTypeError`` with one clear line.
    """

    def read(text: str) -> float:
        try:
            value = parse_quantity(text, quantity)
        except UnitError as error:
            raise argparse.ArgumentTypeError(str(error)) from error
        if above is not None and not value > above:
            raise argparse.ArgumentTypeError(f"{text!r} must be above {above:g}")
        if at_least is not None and value < at_least:
            raise argparse.ArgumentTypeError(f"{text!r} must be at least {at_least:g}")
        if at_most is not None and value > at_most:
            raise argparse.ArgumentTypeError(f"{text!r} must be at most {at_most:g}")
        return value

    return read


def whole(least: int = 0) -> Callable[[str], int]:
    """Reader of a whole number of at least `least`."""

    def read(text: str) -> int:
        try:
            value = int(text)
        except ValueError as error:
            raise argparse.ArgumentTypeError(f"{text!r} is not a whole number") from error
        if value < least:
            raise argparse.ArgumentTypeError(f"{text!r} must be at least {least}")
        return value

    return read


def accuracy(quantity: str) -> Callable[[str], tuple[float, float]]:
    """Reader of an instrument's accuracy such as ``0.5%+2mV``, ``0.5%`` or ``2mV``.

    Returns
    -------
    callable
        text -> (fraction of reading [1], floor in the SI unit).
    """

    def read(text: str) -> tuple[float, float]:
        parts = [p.strip() for p in text.replace("±", "").replace(" + ", "+").split("+") if p.strip()]
        fraction, floor_, seen = 0.0, 0.0, set()
        try:
            for item in parts:
                kind = "percent" if item.endswith("%") else "floor"
                if kind in seen or len(parts) > 2:
                    raise UnitError(f"{text!r}: write percent of reading and floor once each")
                seen.add(kind)
                if kind == "percent":
                    fraction = parse_number(item[:-1]) / 100
                else:
                    floor_ = parse_quantity(item, quantity)
        except UnitError as error:
            raise argparse.ArgumentTypeError(f"{error} (an accuracy is written like 0.5%+2mV)") from error
        if not seen or fraction < 0 or floor_ < 0 or fraction >= 1:
            raise argparse.ArgumentTypeError(f"{text!r}: an accuracy is written like 0.5%+2mV")
        return fraction, floor_

    return read


def add_inputs(parser: argparse.ArgumentParser, what: str) -> None:
    """Positional files, folders, patterns and ``-``."""
    parser.add_argument(
        "files", nargs="+", metavar="FILE", help=f"{what}: files, folders, patterns, or - for standard input"
    )


def add_output(parser: argparse.ArgumentParser, what: str = "page, CSV files and JSON") -> None:
    """``-o FOLDER`` and ``--json FILE``."""
    group = parser.add_argument_group("results")
    group.add_argument("-o", "--output", metavar="FOLDER", help=f"write {what} there, all or nothing")
    group.add_argument("--json", metavar="FILE", help="write the JSON to a file; - is standard output")


def add_temperature(parser: argparse.ArgumentParser) -> None:
    """``--temperature``: what to take where a row states none."""
    parser.add_argument(
        "--temperature", metavar="T", type=physical("temperature", at_least=-80.0, at_most=250.0),
        help="temperature of parts where the file states none, such as 23C (else 25C is taken, and said)",
    )  # fmt: skip


def add_types(parser: argparse.ArgumentParser) -> None:
    """``--types FILE``: registered types of the user's own, in the form of the reference tables."""
    parser.add_argument(
        "--types", metavar="FILE", help="CSV of further type limits, in the form of the built-in tables"
    )


def add_meter(parser: argparse.ArgumentParser) -> None:
    """How the meter drives a part in diode mode."""
    group = parser.add_argument_group("meter in diode mode (default: the commonest kind)")
    group.add_argument(
        "--meter-current", metavar="I", type=physical("current", above=0.0, at_most=1.0),
        help="test current of a constant-current meter, such as 1mA",
    )  # fmt: skip
    group.add_argument(
        "--meter-open-voltage", metavar="V", type=physical("voltage", above=0.0, at_most=60.0),
        help="voltage at its open probes, such as 2.8V",
    )  # fmt: skip
    group.add_argument(
        "--meter-resistance", metavar="R", type=physical("resistance", above=0.0, at_most=1e9),
        help="resistance behind the open voltage, for a meter without a current source, such as 2.2kohm",
    )  # fmt: skip
    group.add_argument(
        "--meter-over-range", metavar="V", type=physical("voltage", above=0.0, at_most=60.0),
        help="reading above which it shows OL, such as 2V",
    )  # fmt: skip


def add_instrument(parser: argparse.ArgumentParser) -> None:
    """Accuracy of the instruments that logged the sweeps."""
    group = parser.add_argument_group("instruments of the sweeps (default: found from each sweep itself)")
    group.add_argument("--voltage-accuracy", metavar="A", type=accuracy("voltage"),
                       help="limits of error of the voltage, percent of reading and floor, such as 0.5%%+2mV")
    group.add_argument("--current-accuracy", metavar="A", type=accuracy("current"),
                       help="limits of error of the current, such as 1%%+10nA")  # fmt: skip


def noise_from(args: argparse.Namespace, *, curves: bool = False):
    """Noise of sweeps (or of transistor curves) that the options state, or None where they state none.

    Raises
    ------
    UsageError
        One of the two is missing.
    """
    volts, amps = args.voltage_accuracy, args.current_accuracy
    if volts is None and amps is None:
        return None
    if volts is None or amps is None:
        raise UsageError("--voltage-accuracy and --current-accuracy belong together: state both or neither")
    from junction.jobs.settings import stated_curve_noise, stated_noise

    return (stated_curve_noise if curves else stated_noise)(volts, amps)


def types_from(args: argparse.Namespace):
    """From a marking to its registered type: the reference tables and the file of ``--types``."""
    from functools import partial

    from junction.shelf.types import find_type, type_shelf

    if not args.types:
        return find_type
    type_shelf((args.types,))  # a fault in the user's file is said before any work
    return partial(find_type, extra=(args.types,))


def meter_from(args: argparse.Namespace) -> Meter:
    """Meter that the options describe.

    Raises
    ------
    UsageError
        Options that no meter could have together.
    """
    from junction.shelf.meters import default_meter

    meter = default_meter()
    current, volts = args.meter_current, args.meter_open_voltage
    ohms, over = args.meter_resistance, args.meter_over_range
    if current is None and volts is None and ohms is None and over is None:
        return meter
    if current is not None and ohms is not None:
        raise UsageError("--meter-current or --meter-resistance, not both: the meter has one kind of source")
    if ohms is not None and volts is None:
        raise UsageError("--meter-resistance also needs --meter-open-voltage: the voltage behind it")
    changes: dict = {"basis": "given by the user", "source": "options of this call"}
    if current is not None:
        # a stated current is a sheet's nominal one, taken as good to a tenth (common practice, no source)
        changes.update(name="constant current as given", source_kind="constant current",
                       test_current_A=current, current_spread=min(meter.current_spread, 0.1))  # fmt: skip
    if ohms is not None:
        changes.update(name="resistance source as given", source_kind="resistance", resistance_ohm=ohms,
                       test_current_A=volts / ohms)  # fmt: skip
    if volts is not None:
        changes["open_voltage_V"] = volts
        # a meter cannot show more than it can drive
        changes["over_range_V"] = min(meter.over_range_V, volts)
    if over is not None:
        if over > changes.get("open_voltage_V", meter.open_voltage_V):
            raise UsageError("--meter-over-range is above the open voltage: no reading gets there")
        changes["over_range_V"] = over
    return replace(meter, **changes)
