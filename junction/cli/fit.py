"""``junction fit``: sweeps and curves to parameters with their 95 % intervals, and SPICE cards."""

from __future__ import annotations

import argparse
from time import strftime

from junction.base.errors import InputError
from junction.cli import options
from junction.cli.output import Outputs, exit_status, report_set_aside, say
from junction.fit.results import FitReport
from junction.show.table import Paint, width_for

EPILOG = """Model and start values are found from the data; what the data cannot hold is shown as a limit.
exit status: 0 all rows used; 1 done, but rows were set aside; 2 nothing done.
example: junction fit sweeps.csv -o fits/ --voltage-accuracy 0.1%+1mV --current-accuracy 0.5%+10nA"""

#: Sweeps drawn on the page and as files unless --plots says otherwise.
DEFAULT_PLOTS = 40


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``junction fit``."""
    parser.epilog = EPILOG  # argparse formats no epilog: % stands for itself
    options.add_inputs(parser, "CSV with sweeps or curves")
    options.add_output(parser, "a page, parameters.csv, transistors.csv, models.lib, plots and fit.json")
    parser.add_argument("--all", action="store_true",
                        help="every parameter of every sweep, however many (over 40, one line a sweep)")
    parser.add_argument("--plots", metavar="N", type=options.whole(), default=DEFAULT_PLOTS,
                        help=f"draw the first N sweeps (default {DEFAULT_PLOTS})")  # fmt: skip
    options.add_instrument(parser)
    options.add_temperature(parser)


def run(args: argparse.Namespace) -> int:
    """Fit, show and write; the exit status."""
    from junction.intake.read import read_paths
    from junction.jobs.fit import FitSettings, run_fit
    from junction.jobs.settings import with_temperature

    outputs = Outputs(args.output, args.json)
    noise = options.noise_from(args)
    bag = with_temperature(read_paths(args.files), args.temperature)
    if not (len(bag.sweeps) or len(bag.curves)):
        raise InputError("no sweeps or curves in it; meter readings alone hold no parameters to fit",
                         ", ".join(args.files))  # fmt: skip
    outputs.keep_off(bag.files)
    settings = FitSettings(
        noise, options.noise_from(args, curves=True), plots=args.plots if args.output else 0
    )
    report = run_fit(bag, settings)
    finish(report, outputs, everything=args.all)
    return exit_status(report.set_aside)


def finish(report: FitReport, outputs: Outputs, *, everything: bool = False) -> None:
    """Write the files of a fit and print its table."""
    from junction.show.fit import json_text, terminal_text

    made = strftime("%Y-%m-%d %H:%M")
    if outputs.folder is not None:
        _add_files(report, outputs, made)
    if outputs.wanted:
        outputs.add_json(json_text(report, made), "fit.json")
    outputs.commit_files()
    stream = outputs.text_stream
    paint = Paint.for_stream(stream)
    say(terminal_text(report, width=width_for(stream), everything=everything, paint=paint), stream)
    report_set_aside(report.set_aside)
    if outputs.folder is not None:
        say(f"page: {outputs.folder / 'fit.html'}", stream)
    outputs.commit_stdout()


def _add_files(report: FitReport, outputs: Outputs, made: str) -> None:
    from junction.show.csv_out import set_aside_csv
    from junction.show.fit import parameters_csv, transistors_csv
    from junction.show.fit_page import fit_page
    from junction.show.sort_page import draw_plots
    from junction.show.spice import model_file
    from junction.show.text import file_stem

    svgs = draw_plots(report.plots)
    outputs.add("fit.html", fit_page(report, made, svgs))
    if report.rows:
        outputs.add("parameters.csv", parameters_csv(report))
    if report.transistors:
        outputs.add("transistors.csv", transistors_csv(report))
    outputs.add("models.lib", model_file(report))
    outputs.add("set_aside.csv", set_aside_csv(report.set_aside))
    for k, views in svgs.items():
        plot = report.plots[k]
        stem = f"{k + 1:03d}_{file_stem(plot.part)}_{plot.junction}"
        for view, text in views.items():
            outputs.add(f"plots/{stem}_{view}.svg", text)
