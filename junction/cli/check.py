"""``junction check``: one suspect part, from readings on the line or typed one after the other."""

from __future__ import annotations

import argparse

from junction.base.errors import UsageError
from junction.base.records import PartReadings
from junction.cli import options
from junction.cli.check_answer import finish
from junction.cli.output import Outputs
from junction.jobs.check import check_part

EPILOG = """a reading is PLACEMENT=VALUE, red lead first: B-E=0.612  E-B=OL  1-2=640mV  C-E=34ohm  A-K=0.55
OL is over-range; a value without a unit is volt; ~ behind it marks a reading that was still falling.
leads not known yet: call them 1, 2, 3. Without readings the command asks for them one by one.
exit status: 0 judged; 2 nothing done.
examples: junction check B-E=0.642 E-B=OL B-C=0.636 C-B=OL C-E=OL E-C=OL
          junction check 1-2=0.002 2-1=0.002 1-3=0.58 3-1=OL --type 2N3055
          junction check"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``junction check``."""
    parser.epilog = EPILOG
    parser.add_argument("readings", nargs="*", metavar="X-Y=VALUE", help="meter readings, red lead on X")
    parser.add_argument("--part", metavar="TAG", default="", help="written tag of the part")
    parser.add_argument(
        "--type", metavar="NUMBER", default="", help="type number on the part, such as 2N3904"
    )
    parser.add_argument("--polarity", choices=("NPN", "PNP"), default="", help="polarity, where it is known")
    parser.add_argument(
        "--hfe",
        metavar="N",
        type=options.physical("ratio", above=0.0, at_most=1e6),
        help="gain it showed in an h_FE socket or a gain test",
    )
    parser.add_argument("--in-circuit", action="store_true", help="the part is still soldered in")
    parser.add_argument(
        "--leads",
        choices=("123", "BCE", "AK"),
        default="",
        help="lead names to ask for: 123 (not known), BCE or AK",
    )
    parser.add_argument(
        "--record", metavar="FILE", help="CSV that the readings are added to, for `junction sort`"
    )
    options.add_output(parser, "a page and check.json")
    options.add_temperature(parser)
    options.add_types(parser)
    options.add_meter(parser)


def run(args: argparse.Namespace) -> int:
    """Judge one part; the exit status."""
    outputs = Outputs(args.output, args.json)
    meter = options.meter_from(args)
    types = options.types_from(args) if args.type else None
    part = part_of(args)
    if not args.readings:
        from junction.cli.check_sitting import run_sitting

        return run_sitting(args, part, meter, types, outputs)
    if args.leads:
        raise UsageError("--leads is for the sitting; with readings on the line their names say it")
    report = check_part(part, meter, types)
    if args.record:
        from junction.cli.check_record import append_part, with_tag

        append_part(args.record, with_tag(args.record, part))
    finish(report, outputs)
    return 0


def part_of(args: argparse.Namespace) -> PartReadings:
    """The part as the options and the readings on the line describe it.

    Raises
    ------
    UsageError
        A reading that is none; names which.
    """
    from math import nan

    readings: dict = {}
    for text in args.readings:
        from junction.intake.cells import parse_reading

        try:
            reading = parse_reading(text)
        except ValueError as error:
            said = str(error)
            raise UsageError(said if text in said else f"{text}: {said}") from error
        key = (reading.placement, reading.kind == "ohm")
        if key in readings:
            raise UsageError(f"{reading.placement} is given twice")
        readings[key] = reading
    temp = nan if args.temperature is None else args.temperature
    hfe = nan if args.hfe is None else args.hfe
    return PartReadings(
        args.part, tuple(readings.values()), args.type, args.polarity, hfe, temp_C=temp,
        in_circuit=args.in_circuit,
    )  # fmt: skip
