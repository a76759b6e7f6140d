"""``junction substitute``: does a replacement meet or exceed the original, or what the place needs."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import fields, replace
from math import isnan
from pathlib import Path

from junction.base.errors import InputError, UsageError
from junction.base.units import parse_number
from junction.cli import options
from junction.cli.output import Outputs, exit_status, report_set_aside, say
from junction.replace.results import Needs
from junction.shelf.types import type_shelf
from junction.show.table import Paint, width_for

EPILOG = """Each figure is answered with exceeds, meets, falls short or not known; a candidate exceeds
when every rating does, and meets when none is less.
Without candidates the shelf's own list is ranked; with --voltage, --current, --power ... the place is the
yardstick instead of an original, and every type named is a candidate.
exit status: 0 all candidates compared; 1 done, but some are not on the shelf; 2 nothing done.
examples:
  junction substitute 2N3055
  junction substitute 2N3055 MJ15003 TIP3055 --case-temperature 80C
  junction substitute --voltage 80V --current 5A --power 60W --case-temperature 80C --polarity NPN
  junction substitute --needs stage.json --bag drawer.csv"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``junction substitute``."""
    parser.epilog = EPILOG
    parser.add_argument(
        "types_named", nargs="*", metavar="TYPE",
        help="original, then candidates; only candidates when the needs of the place are given",
    )  # fmt: skip
    parser.add_argument("--bag", metavar="FILE", action="append", default=[],
                        help="parts with a type column: which of them would do (may be given again)")
    parser.add_argument("--most", metavar="N", type=options.whole(1), default=10,
                        help="length of the shelf's own list (default 10)")
    parser.add_argument("--case-temperature", metavar="T",
                        type=options.physical("temperature", at_least=-60.0, at_most=200.0),
                        help="case temperature in service, such as 80C: the power is compared there as well")
    group = parser.add_argument_group("what the place needs (instead of an original)")
    group.add_argument("--needs", metavar="FILE", help="JSON with the needs, as junction stage writes it")
    group.add_argument("--polarity", choices=("NPN", "PNP"))
    for name, quantity, text in (
        ("--voltage", "voltage", "highest collector-emitter voltage, such as 80V"),
        ("--current", "current", "highest collector current, such as 5A"),
        ("--power", "power", "dissipation, such as 60W, at the case temperature"),
        ("--gain-current", "current", "collector current at which --gain must hold"),
        ("--transition-frequency", "frequency", "least f_T, such as 2MHz"),
    ):
        reader = options.physical(quantity, above=0.0)
        group.add_argument(name, metavar=name[2].upper(), type=reader, help=text)
    group.add_argument("--gain", metavar="H", type=_gain, help="least h_FE, such as 40")
    group.add_argument("--load-point", metavar="V,I", type=_load_point, action="append", default=[],
                       help="voltage and current it must stand together, such as 40V,2A (may be given again)")
    group.add_argument("--diodes", action="store_true", help="look among the diodes")
    options.add_types(parser)
    options.add_output(parser, "substitute.html, substitute.csv and substitute.json")


def _gain(text: str) -> float:
    try:
        value = parse_number(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error
    if not value > 0:
        raise argparse.ArgumentTypeError(f"{text!r} must be above 0")
    return value


def _load_point(text: str) -> tuple[float, float]:
    volts, comma, amps = text.partition(",")
    if not comma:
        raise argparse.ArgumentTypeError(f"{text!r}: a voltage and a current were expected, 40V,2A")
    return options.physical("voltage", above=0.0)(volts), options.physical("current", above=0.0)(amps)


def needs_from_file(name: str) -> Needs:
    """Needs from a JSON file: an object with the keys of `Needs`, alone or under ``needs``.

    Raises
    ------
    InputError
        Not JSON, a key that is not known, or a value of the wrong kind.
    """
    try:
        text = sys.stdin.read() if name == "-" else Path(name).read_text(encoding="utf-8-sig")
        data = json.loads(text)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror or error}", name) from error
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        line = getattr(error, "lineno", None)
        raise InputError(f"is not JSON: {getattr(error, 'msg', error)}", name, line) from error
    if isinstance(data, dict) and data.get("command") == "stage" and "needs" not in data:
        return _needs_of_stage(data, name)
    if isinstance(data, dict) and "needs" in data:
        data = data["needs"]
    elif isinstance(data, dict) and "format" in data:
        raise InputError("has no needs in it", name, column="needs")
    if not isinstance(data, dict):
        raise InputError("an object with the needs was expected", name, column="needs")
    known = {f.name for f in fields(Needs)}
    values: dict[str, object] = {}
    for key, value in data.items():
        if key not in known:
            raise InputError(f"no such need; there are {', '.join(sorted(known))}", name, column=key)
        if value is not None:
            values[key] = _need(key, value, name)
    return Needs(**values)


def _needs_of_stage(data: dict, file: str) -> Needs:
    from junction.jobs.substitute import needs_of_stage_record

    try:
        return needs_of_stage_record(data["stage"])
    except (KeyError, TypeError, ValueError, ZeroDivisionError) as error:
        raise InputError("is not what junction stage writes", file, column="stage") from error


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e15


def _need(key: str, value: object, file: str) -> object:
    if key in ("polarity", "source"):
        if not isinstance(value, str) or (key == "polarity" and value not in ("", "NPN", "PNP")):
            raise InputError(f"{value!r}: NPN or PNP was expected", file, column=key)
        return value
    if key == "load_line":
        if not isinstance(value, list) or not all(
            isinstance(p, list) and len(p) == 2 and all(_is_number(x) and x > 0 for x in p) for p in value
        ):
            raise InputError("pairs [voltage in V, current in A] above zero were expected", file, column=key)
        return tuple((float(v), float(i)) for v, i in value)
    if not _is_number(value) or (key != "case_temp_C" and not value > 0):
        reason = f"{value!r}: a number above zero in the unit of the key was expected"
        raise InputError(reason, file, column=key)
    return float(value)


def needs_from(args: argparse.Namespace) -> Needs | None:
    """Needs that the options and the file state, options over file; None when nothing was asked."""
    given = {
        "polarity": args.polarity, "voltage_V": args.voltage, "current_A": args.current,
        "power_W": args.power, "hfe_low": args.gain, "hfe_at_A": args.gain_current,
        "f_t_Hz": args.transition_frequency,
        "load_line": tuple(args.load_point) or None,
    }  # fmt: skip
    given = {key: value for key, value in given.items() if value is not None}
    if not given and args.needs is None:
        return None
    base = needs_from_file(args.needs) if args.needs is not None else Needs()
    temp = base.case_temp_C if args.case_temperature is None else args.case_temperature
    values = {f.name: getattr(base, f.name) for f in fields(Needs)} | given | {"case_temp_C": temp}
    if not isnan(values["hfe_at_A"]) and isnan(values["hfe_low"]):
        raise UsageError("--gain-current says where the gain must hold; --gain says how much")
    return Needs(**values)


def _bag(args: argparse.Namespace) -> tuple:
    """Parts of the bags, and the rows that could not be used."""
    if not args.bag:
        return (), ()
    from junction.intake.read import read_paths
    from junction.jobs.substitute import types_in_bag

    bag = read_paths(args.bag, sys.stdin.buffer)
    found = types_in_bag(bag)
    if not found:
        raise InputError("no parts in it", ", ".join(args.bag))
    return found, bag.set_aside


def run(args: argparse.Namespace) -> int:
    """Compare, show and write; the exit status."""
    from junction.jobs.substitute import Candidate, run_needs, run_substitute

    outputs = Outputs(args.output, args.json, [*args.bag, *([args.needs] if args.needs else [])])
    shelf = type_shelf((args.types,) if args.types else ())
    needs = needs_from(args)
    in_bag, aside = _bag(args)
    named = tuple(map(Candidate, args.types_named))
    if needs is None:
        if not args.types_named:
            raise UsageError("name the original type, or say what the place needs (--voltage, --current ...)")
        if args.diodes:
            raise UsageError("--diodes belongs to the needs of a place; an original says itself what it is")
        candidates = named[1:] + in_bag
        temp = 25.0 if args.case_temperature is None else args.case_temperature
        report = run_substitute(args.types_named[0], candidates, shelf, temp, args.most)
    else:
        candidates = named + in_bag
        device = "diode" if args.diodes else "bjt"
        report = run_needs(needs, candidates, shelf, args.most, device)
    report = replace(report, set_aside=(*aside, *report.set_aside))
    _finish(report, outputs)
    return exit_status(report.set_aside)


def _finish(report, outputs: Outputs) -> None:
    from junction.show.substitute import json_text, lines_csv, terminal_text

    if outputs.folder is not None:
        from junction.show.substitute_page import page

        outputs.add("substitute.html", page(report))
        outputs.add("substitute.csv", lines_csv(report))
    if outputs.wanted:
        outputs.add_json(json_text(report), "substitute.json")
    outputs.commit_files()
    stream = outputs.text_stream
    say(terminal_text(report, width=width_for(stream), paint=Paint.for_stream(stream)), stream)
    report_set_aside(report.set_aside)
    outputs.commit_stdout()
