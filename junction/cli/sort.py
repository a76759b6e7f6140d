"""``junction sort``: a bag of parts, readings and sweeps, to verdicts, worst first."""

from __future__ import annotations

import argparse
from time import strftime

from junction.base.errors import InputError
from junction.cli import options
from junction.cli.output import Outputs, exit_status, report_set_aside, say
from junction.judge.results import SortReport
from junction.show.table import Paint, width_for

EPILOG = """verdicts: good, leaky, shorted, open; undecided is a refusal that names the deciding measurement.
exit status: 0 all rows used; 1 done, but rows were set aside; 2 nothing done.
example: junction sort bag.csv curves/ -o report/ --json report.json"""

_ONLY_CURVES = "transistor curves only, which hold no verdict; junction fit reads them"
_ONLY_SPOTS = (
    "V_BE or h_FE at a current only, on which no verdict rests: not judged here; junction match reads those"
)
#: Parts whose sweeps are drawn on the page unless --plots says otherwise.
DEFAULT_PLOTS = 40


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``junction sort``."""
    parser.epilog = EPILOG
    options.add_inputs(parser, "CSV with meter readings, sweeps or curves")
    options.add_output(parser, "a page, verdicts.csv, set_aside.csv and sort.json")
    parser.add_argument("--all", action="store_true",
                        help="list every part of a large bag (over 40 parts, good ones are only counted)")
    parser.add_argument("--plots", metavar="N", type=options.whole(), default=DEFAULT_PLOTS,
                        help=f"draw the sweeps of the N worst parts on the page (default {DEFAULT_PLOTS})")
    options.add_instrument(parser)
    options.add_temperature(parser)
    options.add_types(parser)
    options.add_meter(parser)


def run(args: argparse.Namespace) -> int:
    """Sort, show and write; the exit status."""
    from junction.intake.read import read_paths
    from junction.jobs.settings import with_temperature
    from junction.jobs.sort import SortSettings, judged_part_of, run_sort

    outputs = Outputs(args.output, args.json)
    meter = options.meter_from(args)
    types = options.types_from(args)
    noise = options.noise_from(args)
    bag = with_temperature(read_paths(args.files), args.temperature)
    if not (len(bag.sweeps) or judged_part_of(bag).readings):
        raise InputError(_ONLY_SPOTS if bag.readings else _ONLY_CURVES, ", ".join(bag.files))
    outputs.keep_off(bag.files)
    settings = SortSettings(
        meter, types, noise, details=outputs.wanted, plots=args.plots if args.output else 0
    )
    report = run_sort(bag, settings)
    finish(report, outputs, everything=args.all)
    return exit_status(report.set_aside)


def finish(report: SortReport, outputs: Outputs, *, everything: bool = False) -> None:
    """Write the files of a sorted bag and print its table."""
    from junction.show.sort import json_text, terminal_text, verdicts_csv

    made = strftime("%Y-%m-%d %H:%M")
    if outputs.folder is not None:
        from junction.show.csv_out import set_aside_csv
        from junction.show.sort_page import sort_page

        outputs.add("sort.html", sort_page(report, made))
        outputs.add("verdicts.csv", verdicts_csv(report))
        outputs.add("set_aside.csv", set_aside_csv(report.set_aside))
    if outputs.wanted:
        outputs.add_json(json_text(report, made), "sort.json")
    outputs.commit_files()
    stream = outputs.text_stream
    paint = Paint.for_stream(stream)
    say(terminal_text(report, width=width_for(stream), everything=everything, paint=paint), stream)
    report_set_aside(report.set_aside)
    if outputs.folder is not None:
        say(f"page: {outputs.folder / 'sort.html'}", stream)
    outputs.commit_stdout()
