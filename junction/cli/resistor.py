"""``junction resistor``: stock values and networks, what a tolerance does, and what a reading says."""

from __future__ import annotations

import argparse
from math import inf, isfinite, isnan, nan

from junction.base.errors import UnitError
from junction.base.units import parse_quantity
from junction.cli import options
from junction.cli.output import Outputs, say
from junction.show.table import Paint, width_for

EPILOG = """exit status: 0 answered; 2 nothing done.
examples:
  junction resistor 0.33ohm --series E12 --power 5W --part-power 5W
  junction resistor 0.22ohm --tolerance 5% --current 2A
  junction resistor 100ohm --reading 131ohm --in-circuit
  junction resistor 8ohm --have 3.9ohm,10ohm,15ohm,33ohm --power 20W --part-power 17W"""

_OVER_RANGE = ("OL", "O.L", "O.L.", "0L", "OFL", "---", "1.")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``junction resistor``."""
    parser.epilog = EPILOG  # argparse formats no epilog: % stands for itself
    ohms = options.physical("resistance", above=0.0, at_most=1e12)
    parser.add_argument("value", metavar="VALUE", type=ohms, help="wanted or marked value, such as 0.22ohm")
    stock = parser.add_argument_group("stock")
    stock.add_argument("--series", metavar="E", default="E24",
                       help="preferred number series of the stock, E3 to E192 (default E24)")
    stock.add_argument("--have", metavar="LIST", type=_list, default=(),
                       help="the values at hand instead, such as 0.1ohm,0.22ohm,1ohm")
    stock.add_argument("--tolerance", metavar="P", type=_percent, default=nan,
                       help="of the parts, such as 1%% (default: that of the series)")
    stock.add_argument("--power", metavar="P", type=options.physical("power", above=0.0), default=nan,
                       help="dissipation of the whole, such as 5W")
    stock.add_argument("--part-power", metavar="P", type=options.physical("power", above=0.0), default=nan,
                       help="rating of one stock part, such as 2W; no part is run above half of it")
    stock.add_argument("--most-parts", metavar="N", type=int, choices=(1, 2, 3, 4), default=4)
    parser.add_argument("--current", metavar="I", type=options.physical("current", above=0.0), default=nan,
                        help="current it shares or senses, such as 2A: what its tolerance does there")
    reading = parser.add_argument_group("reading of the part in place")
    reading.add_argument("--reading", metavar="R", type=_reading, default=nan, help="such as 131ohm, or OL")
    reading.add_argument("--in-circuit", action="store_true", help="read with both leads soldered in")
    reading.add_argument("--meter-accuracy", metavar="P", type=_percent, default=0.01,
                         help="of the meter's ohms range, percent of reading (default 1%%)")
    reading.add_argument("--meter-resolution", metavar="R", type=ohms, default=nan,
                         help="last digit of the meter, such as 0.1ohm (default: a thousandth of the reading,"
                              " not below 0.1ohm)")
    options.add_output(parser, "resistor.html, resistor.csv and resistor.json")


def _list(text: str) -> tuple[float, ...]:
    read = options.physical("resistance", above=0.0, at_most=1e12)
    return tuple(read(item) for item in text.replace(";", ",").split(",") if item.strip())


def _percent(text: str) -> float:
    try:
        if "%" not in text:
            raise UnitError(f"{text!r} has no unit; write the percent sign, '{text}%'")
        value = parse_quantity(text, "ratio")
    except UnitError as error:
        raise argparse.ArgumentTypeError(str(error)) from error
    if not 0 < value < 0.5:
        raise argparse.ArgumentTypeError(f"{text!r} must be above 0 % and below 50 %")
    return value


def _reading(text: str) -> float:
    if text.strip().upper() in _OVER_RANGE:
        return inf
    return options.physical("resistance", at_least=0.0, at_most=1e12)(text)


def run(args: argparse.Namespace) -> int:
    """Answer, show and write; the exit status."""
    from junction.jobs.resistor import ResistorAsk, run_resistor
    from junction.show.resistor import json_text, networks_csv, page, terminal_text

    outputs = Outputs(args.output, args.json)
    resolution = args.meter_resolution
    if isnan(resolution):
        resolution = max(0.1, args.reading / 1000) if isfinite(args.reading) else 0.1
    plain = not args.have and isnan(args.power) and not isnan(args.reading)
    report = run_resistor(
        ResistorAsk(
            args.value, args.series, args.have, args.tolerance, args.power, args.part_power, args.current,
            1 if plain else args.most_parts, reading_ohm=args.reading, in_circuit=args.in_circuit,
            accuracy_percent=100 * args.meter_accuracy, resolution_ohm=resolution,
        )
    )  # fmt: skip
    if outputs.folder is not None:
        outputs.add("resistor.html", page(report))
        outputs.add("resistor.csv", networks_csv(report))
    if outputs.wanted:
        outputs.add_json(json_text(report), "resistor.json")
    outputs.commit_files()
    stream = outputs.text_stream
    say(terminal_text(report, width=width_for(stream), paint=Paint.for_stream(stream)), stream)
    outputs.commit_stdout()
    return 0
