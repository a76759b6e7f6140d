"""``junction match``: matched sets for the stage they will work in."""

from __future__ import annotations

import argparse
from time import strftime

from junction.base.errors import UsageError
from junction.cli import options
from junction.cli.output import Outputs, exit_status, report_set_aside, say
from junction.cli.stage_options import add_stage, known_types, names, stage_values
from junction.jobs.match import (
    LAYOUTS,
    MatchAsk,
    MatchReport,
    MatchSettings,
    StageAsk,
    run_match,
    spot_noise,
    weights_for,
)
from junction.show.table import Paint, width_for

EPILOG = """layouts:
  pairs                parts of one polarity in sets that share one drive node (the default)
  complementary        NPN on the upper rail with PNP on the lower one, a set a channel
  quasi-complementary  parts of one polarity on both rails, a set a channel
input: curves (part, vce_V, vbe_V, ib_A, ic_A) and spot readings (part, ic_mA, vbe_mV, hFE, temp_C),
mixed as they come. A part may have several rows of readings, at idle and near the peak; one works, two
work better, a curve up to the peak current best. A grade is given for idle and for the peak; none means
that the readings cannot vouch for 20 %, and the note at the set says where and what would help.
examples:
  junction match bag.csv --power 80W --load 8ohm --supply 42V --parallel 2 --emitter-resistor 0.22ohm
  junction match bag.csv --layout complementary --channels 2 --parallel 3 --idle-current 300mA \\
      --peak-current 10A --emitter-resistor 0.33ohm --type MJ15003,MJ15004 -o sets/
exit status: 0 all rows used; 1 done, but rows were set aside; 2 nothing done."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``junction match``."""
    parser.epilog = EPILOG
    options.add_inputs(parser, "CSV with transistor curves and spot readings")
    options.add_output(parser, "a page, sets.csv, left_over.csv, labels for A4 and Letter and match.json")
    parser.add_argument("--layout", choices=tuple(LAYOUTS), default="pairs", help="what a set is (see below)")
    parser.add_argument(
        "--channels",
        metavar="N",
        type=options.whole(1),
        help="channels to equip in a two-rail layout: one set each",
    )
    parser.add_argument(
        "--sets",
        metavar="N",
        type=options.whole(1),
        help="sets wanted of each polarity (default: as many as the parts allow)",
    )
    parser.add_argument(
        "--keep",
        metavar="PARTS",
        type=names,
        action="append",
        default=[],
        help="fix a set by hand, such as A03,A11, and list the exchanges that would "
        "better it; "
        "may be given several times",
    )
    parser.add_argument("--idle-weight", metavar="PERCENT", type=options.physical("ratio", at_least=0.0,
    at_most=1.0),
                        help="how much the match at idle counts against that at the peak (default 50%%)")
    parser.add_argument("--all", action="store_true", help="list every set and every left-over part")
    parser.add_argument(
        "--temperature-uncertainty",
        metavar="K",
        type=_kelvin,
        help="standard uncertainty of the recorded temperatures, in kelvin (default 0.3; parts without one "
        "are taken at 25C give or take 1.2)",
    )
    parser.add_argument(
        "--side-by-side",
        action="store_true",
        help="all parts were measured side by side on one block of metal, within minutes: their temperatures "
        "and V_CE differ by next to nothing, whatever they were",
    )
    parser.add_argument(
        "--reading-vce",
        metavar="V",
        type=options.physical("voltage", above=0.0),
        help="V_CE at which the spot readings were taken (default: about 5V, give or take 2V)",
    )
    add_stage(parser, parallel_help="devices that share a rail's current (default: 2 in a pair, else 1)")
    options.add_instrument(parser)
    options.add_temperature(parser)
    options.add_types(parser)
    options.add_meter(parser)


def _kelvin(text: str) -> float:
    body = text.strip().removesuffix("K").strip()
    try:
        value = float(body)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of kelvin") from error
    if not 0 <= value <= 50:
        raise argparse.ArgumentTypeError("0 to 50 K was expected")
    return value


def match_settings(args: argparse.Namespace, per_set: int, sets: int | None) -> MatchSettings:
    """Settings of the job from the options."""
    find = options.types_from(args)
    return MatchSettings(
        StageAsk(parallel=per_set, **stage_values(args)),
        MatchAsk(args.layout, per_set, sets, tuple(args.keep), weights_for(args.idle_weight)),
        options.meter_from(args), find, known_types(args, find), args.temperature_uncertainty,
        options.noise_from(args, curves=True),
        spot=spot_noise(args.voltage_accuracy, args.current_accuracy, args.reading_vce),
        side_by_side=args.side_by_side,
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Match, show and write; the exit status."""
    from junction.intake.read import read_paths
    from junction.jobs.settings import with_temperature

    two_rails = args.layout != "pairs"
    if args.channels is not None and not two_rails:
        raise UsageError("--channels belongs to a two-rail layout; for pairs say --sets")
    if args.channels is not None and args.sets is not None:
        raise UsageError("--channels or --sets, not both: a channel is a set")
    per_set = args.parallel if args.parallel is not None else (1 if two_rails else 2)
    if not two_rails and per_set < 2:
        raise UsageError("--parallel 1 leaves nothing to match in pairs; 2 or more share a rail's current")
    outputs = Outputs(args.output, args.json)
    settings = match_settings(args, per_set, args.channels if two_rails and args.channels else args.sets)
    bag = with_temperature(read_paths(args.files), args.temperature)
    outputs.keep_off(bag.files)
    report = run_match(bag, settings)
    finish(report, outputs, everything=args.all)
    return exit_status(report.set_aside)


def finish(report: MatchReport, outputs: Outputs, *, everything: bool = False) -> None:
    """Write the files of a matching and print its table."""
    from junction.show.match import json_text, left_over_csv, sets_csv, terminal_text

    made = strftime("%Y-%m-%d %H:%M")
    if outputs.folder is not None:
        from junction.show.csv_out import set_aside_csv
        from junction.show.labels import labels_page
        from junction.show.match_page import match_page

        outputs.add("match.html", match_page(report, made))
        outputs.add("sets.csv", sets_csv(report))
        outputs.add("left_over.csv", left_over_csv(report))
        outputs.add("labels-a4.html", labels_page(report.result, "A4"))
        outputs.add("labels-letter.html", labels_page(report.result, "Letter"))
        outputs.add("set_aside.csv", set_aside_csv(report.set_aside))
    if outputs.wanted:
        outputs.add_json(json_text(report, made), "match.json")
    outputs.commit_files()
    stream = outputs.text_stream
    paint = Paint.for_stream(stream)
    say(terminal_text(report, width=width_for(stream), everything=everything, paint=paint), stream)
    report_set_aside(report.set_aside)
    if outputs.folder is not None:
        say(f"page: {outputs.folder / 'match.html'}; labels: labels-a4.html, labels-letter.html", stream)
    outputs.commit_stdout()
