"""``junction stage``: an output stage's currents and heat; measured drops against the prediction."""

from __future__ import annotations

import argparse
from time import strftime

from junction.base.errors import UsageError
from junction.cli import options
from junction.cli.output import Outputs, exit_status, report_set_aside, say
from junction.cli.stage_options import add_stage, known_types, names, quantities, stage_values
from junction.jobs.stage import StageAsk, StageReport, StageSettings, run_stage
from junction.show.table import Paint, width_for

EPILOG = """examples:
  junction stage --power 80W --load 8ohm --supply 42V --parallel 2 \\
      --emitter-resistor 0.22ohm --type MJ15003,MJ15004
  junction stage --parallel 2 --emitter-resistor 0.22ohm --idle-drop 20mV --supply 42V \\
      --measured-drops 19.5mV,21.2mV,40.4mV,0.1mV
Drops are magnitudes across each emitter resistor at idle, warm, without signal and without load: the upper
rail's first, then the lower rail's. With the parts' own curves or spot readings (files, and --parts in the
order of the drops) the comparison is sharper.
exit status: 0 done; 1 done, but rows were set aside; 2 nothing done."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``junction stage``."""
    parser.epilog = EPILOG
    parser.add_argument(
        "files",
        nargs="*",
        metavar="FILE",
        help="curves or spot readings of the fitted parts (with --parts), - for standard input",
    )
    options.add_output(parser, "a page, stage.csv, heat.csv, drops.csv and stage.json")
    group = parser.add_argument_group("after fitting")
    group.add_argument(
        "--measured-drops",
        metavar="V",
        type=quantities("voltage"),
        help="drops across the emitter resistors at idle, such as 19mV,21mV",
    )
    group.add_argument(
        "--parts", metavar="NAMES", type=names, help="parts in the order of the drops: A03,A11"
    )
    group.add_argument(
        "--drop-accuracy",
        metavar="A",
        type=options.accuracy("voltage"),
        help="limits of error of the meter's millivolt range (default 0.5%%+0.1mV)",
    )
    group.add_argument(
        "--resistor-tolerance",
        metavar="PERCENT",
        type=options.physical("ratio", above=0, at_most=0.5),
        help="tolerance of the emitter resistors (default 5%%)",
    )
    add_stage(parser, parallel_help="devices in parallel on each rail (default 1)")
    options.add_temperature(parser)
    options.add_types(parser)


def run(args: argparse.Namespace) -> int:
    """Plan, compare, show and write; the exit status."""
    if args.parts and not args.files:
        raise UsageError("--parts needs the files with their curves or readings")
    if args.files and args.measured_drops is None:
        raise UsageError("files are for --measured-drops: the parts' own curves sharpen that comparison")
    outputs = Outputs(args.output, args.json)
    find = options.types_from(args)
    ask = StageAsk(parallel=args.parallel or 1, **stage_values(args))
    drops = _drops(args)
    bag = match = None
    if args.files:
        bag, match = _bag(args, ask, find)
        outputs.keep_off(bag.files)
    report = run_stage(StageSettings(ask, known_types(args, find), find, drops, match), bag)
    finish(report, outputs)
    return exit_status(report.set_aside)


def _drops(args: argparse.Namespace):
    if args.measured_drops is None:
        if args.drop_accuracy or args.resistor_tolerance:
            raise UsageError("--drop-accuracy and --resistor-tolerance belong to --measured-drops")
        return None
    if args.parts and len(args.parts) != len(args.measured_drops):
        raise UsageError(f"{len(args.measured_drops)} drops but {len(args.parts)} parts")
    return {"drops_V": args.measured_drops, "accuracy": args.drop_accuracy,
            "tolerance": args.resistor_tolerance, "parts": args.parts or ()}  # fmt: skip


def _bag(args: argparse.Namespace, ask, find):
    from junction.intake.read import read_paths
    from junction.jobs.match import MatchAsk, MatchSettings
    from junction.jobs.settings import with_temperature
    from junction.shelf.meters import default_meter

    bag = with_temperature(read_paths(args.files), args.temperature)
    return bag, MatchSettings(ask, MatchAsk(), default_meter(), find)


def finish(report: StageReport, outputs: Outputs) -> None:
    """Write the files of a stage and print it."""
    from junction.show.stage import json_text, terminal_text

    made = strftime("%Y-%m-%d %H:%M")
    if outputs.folder is not None:
        from junction.show.csv_out import set_aside_csv
        from junction.show.stage import drops_csv, heat_csv, stage_csv, stage_page

        outputs.add("stage.html", stage_page(report, made))
        outputs.add("stage.csv", stage_csv(report))
        outputs.add("heat.csv", heat_csv(report))
        if report.drops is not None:
            outputs.add("drops.csv", drops_csv(report))
        if report.set_aside:
            outputs.add("set_aside.csv", set_aside_csv(report.set_aside))
    if outputs.wanted:
        outputs.add_json(json_text(report, made), "stage.json")
    outputs.commit_files()
    stream = outputs.text_stream
    paint = Paint.for_stream(stream)
    say(terminal_text(report, width=width_for(stream), paint=paint), stream)
    report_set_aside(report.set_aside)
    if outputs.folder is not None:
        say(f"page: {outputs.folder / 'stage.html'}", stream)
    outputs.commit_stdout()
