"""The commands: find the one that is asked for, import only that, make its parser, run it."""

from __future__ import annotations

import argparse
import importlib
import os
import re
import shlex
from collections.abc import Iterable, Sequence

import junction
from junction.base.errors import JunctionError, UsageError
from junction.base.units import shown as quote
from junction.cli.output import Outputs, complain, progress, say
from junction.jobs.job import collector_off
from junction.show.blocks import visible

#: command -> (module, one line of help); the module offers the public function of that name, with its options
#: and what the command line says of it (`junction.jobs.job.job`).
COMMANDS: dict[str, tuple[str, str]] = {
    "check": ("junction.jobs.check", "one suspect part: meter readings to a verdict and the next test"),
    "sort": ("junction.jobs.sort", "a bag of parts: readings and sweeps to verdicts, worst first"),
    "fit": ("junction.jobs.fit", "sweeps to junction parameters with their uncertainty"),
    "match": ("junction.jobs.match", "matched sets for the stage they will work in"),
    "stage": ("junction.jobs.stage", "an output stage: operating currents, heat, emitter-resistor drops"),
    "substitute": ("junction.jobs.substitute", "does a replacement meet or exceed the original"),
    "resistor": ("junction.jobs.resistor", "stock values, combinations and readings of a resistor"),
    "demo": ("junction.cli.demo", "write an invented, simulated bag and run the whole job on it"),
}

NOTHING_DONE = 2


class _Parser(argparse.ArgumentParser):
    """Parser whose errors are one line; a mistyped command or option is told what it is near to."""

    def error(self, message: str):
        if message.startswith("the following arguments are required"):
            message = f"what is it about? Write {self.prog} {self.first}"
        complain(f"{self.prog}: {message}")
        self.exit(NOTHING_DONE)

    def _print_message(self, message, file=None):
        say(message or "", file, end="")

    def parse_known_args(self, args=None, namespace=None):
        """As argparse does it, but what is wrong is told with what to write for that option."""
        self.exit_on_error = False
        try:
            return super().parse_known_args(args, namespace)
        except argparse.ArgumentError as error:
            name, said = error.argument_name or "", error.message
            option = next((a for a in self._actions if name and name.split("/")[0] in a.option_strings), None)
            if option is None:
                self.error(said)
            long = option.option_strings[-1]
            if said.startswith("expected one"):
                example = getattr(option, "example", "") or option.metavar
                self.error(f"{long} has no value. Write {long} {example}.")
            if option.choices:
                given = re.match(r"invalid choice: (.*) \(choose", said)
                wrong = given[1].strip("'") if given else ""
                near = _near(wrong, option.choices)
                self.error(f"{long} {_shown(wrong)} is none of {', '.join(option.choices)}{near}")
            self.error(f"{long} {said}")

    def joined(self, words: Sequence[str]) -> list[str]:
        """Words with negative values tied to their option: argparse takes ``-80W`` for an option."""
        out: list[str] = []
        for word in words:
            last = self._option_string_actions.get(out[-1]) if out else None
            if last is not None and last.nargs is None and re.match(r"-[.,]?[0-9]", word):
                out[-1] += f"={word}"
            else:
                out.append(word)
        return out

    def refuse_unknown(self, words: Sequence[str]) -> None:
        """Stop at the first long option that this command does not have.

        Asked before anything is parsed: a required option that was mistyped would else be called missing.
        """
        known = self._option_string_actions
        for word in words:
            name = word.partition("=")[0]
            if word == "--":
                return
            if name.startswith("--") and name not in known:
                long = [option for option in known if option.startswith("--")]
                self.error(f"there is no option {_shown(name)}{_near(name, long)}")


def _shown(word: str) -> str:
    return visible(word if len(word) <= 60 else word[:59] + "…")


def _near(word: str, known: Iterable[str]) -> str:
    """A question after the nearest known word, or nothing."""
    import difflib

    known = list(known)
    bare = {one.lstrip("-"): one for one in known}  # dashes and all are alike in every option
    stem = word[:60].lstrip("-")
    near = [one for one in bare if len(stem) > 1 and one.startswith(stem)][:1]
    near = [bare[one] for one in near or difflib.get_close_matches(stem, bare, n=1, cutoff=0.6)]
    return f"; did you mean {near[0]}?" if near else ""


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """Parser of the whole command line; with `only`, just that command's module is imported."""
    parser = _Parser(prog="junction", description=junction.__doc__, allow_abbrev=False)
    parser.add_argument("--version", action="version", version=f"junction {junction.__version__}")
    if not only:  # the help of the whole
        from junction.shelf.types import user_folder

        parser.epilog = f"Types of your own: CSV files in {user_folder() / 'types'} (reference/README.md)."
    parser.of_command = {}
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=False)
    for name, (module, summary) in COMMANDS.items():
        sub = commands.add_parser(
            name, help=summary, description=summary, allow_abbrev=False,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )  # fmt: skip
        parser.of_command[name] = sub
        if only in (None, name):
            add_arguments(sub, getattr(importlib.import_module(module), name))
    return parser


def add_arguments(parser: argparse.ArgumentParser, function) -> None:
    """Arguments that a job's declaration asks for."""
    parser.epilog = function.epilog  # argparse formats no epilog: % stands for itself
    parser.set_defaults(function=function)
    if function.inputs:
        dest, many, word, text = function.inputs
        text += ": files, folders, patterns, or - for standard input" if word == "FILE" else ""
        parser.add_argument(dest, nargs=many or None, metavar=word, help=text)
        such = re.search(r"such as ([^,\s]+)", text)
        parser.first = such[1] if such else {"FILE": "readings.csv"}.get(word, word)
    groups: dict[str, argparse._ActionsContainer] = {"": parser}
    for one in function.options:
        if one.group not in groups:
            groups[one.group] = parser.add_argument_group(one.group)
        where = groups[one.group]
        long = "--" + one.option.replace("_", "-")
        text = one.help.replace("%", "%%")
        if one.kind == "flag":
            where.add_argument(long, action="store_true", help=text)
        else:
            where.add_argument(
                long, metavar=one.metavar or None, type=_typed(one), help=text,
                choices=one.choices or None, default=[] if one.again else one.default,
                action="append" if one.again else "store",
            ).example = one.example  # fmt: skip
    if function.writes:
        group = parser.add_argument_group("results")
        group.add_argument("-o", "--output", metavar="FOLDER",
                           help=f"write {function.writes} there, all or nothing; index.html gathers what all"
                           " commands wrote there")
        group.add_argument("--job", metavar="TEXT", default="",
                           help="name of the job, for its sheet and labels; the folder of -o keeps it")
        group.add_argument("--json", metavar="FILE", help="write the JSON to a file; - is standard output")


def _is_text(text: str) -> bool:
    """Whether it can be written down; a file's name may hold any byte, but what people read may not."""
    return not any("\ud800" <= c <= "\udfff" for c in text)


def _typed(one):
    def from_text(text: str):
        if one.kind in ("text", "names") and one.metavar != "FILE" and not _is_text(text):
            raise argparse.ArgumentTypeError(f"{_shown(text)}: a byte in it is no character. Type it again.")
        try:
            return one.read(text)
        except JunctionError as error:
            said, value = one.refused(error), _shown(text)
            for quoted in (quote(text), repr(text)):
                said = said.removeprefix(f"{quoted}: ").removeprefix(f"{quoted} ")
            joint = " " if said.startswith(("has ", "is ", "must ", "may ")) else ": "
            raise argparse.ArgumentTypeError(f"{value}{joint}{said}") from error

    return from_text


def run(argv: Sequence[str]) -> int:
    """Run the command line and return the exit status."""
    # the red probe on the lead - of a bridge is no option: a word that starts with a blank is none
    argv = [f" {word}" if word.startswith(("--~", "--+")) else word for word in argv]
    asked = next((word for word in argv if word in COMMANDS), "")
    args = _parsed(build_parser(asked), asked, argv)
    with collector_off():
        return _run(args)


def _run(args: argparse.Namespace) -> int:
    """Run the public function with the values of its options; the exit status."""
    function = args.function
    values = {one.option: getattr(args, one.option) for one in function.options if not one.cli}
    if args.command == "demo":  # writes the bag first, and its report below it
        return function(args.folder, **values)
    if args.job and args.output is None:
        raise UsageError(f"--job names the folder of -o: write -o FOLDER --job {shlex.quote(args.job)}")
    for option, given in (("-o", args.output), ("--json", args.json)):
        if given == "":
            raise UsageError(f"{option} has no name behind it. Write one, such as {option} report")
    if not _is_text(args.job):
        raise UsageError("--job: a byte in it is no character. Type it again")
    # one to be made counts as well
    named = [given for name, given in vars(args).items() if name not in ("output", "json")
             and given and isinstance(given, str) and (name in ("record", "bag") or os.path.isfile(given))]
    outputs = Outputs(args.output, args.json, args.job, getattr(args, "more", False), named)
    if args.command == "check":
        if not args.readings:
            from junction.cli.sitting import run_sitting

            return run_sitting(args, values, outputs)
        if args.leads:
            raise UsageError("--leads is for readings asked one by one. Leave it out: B-E=0.612 names them")
        if args.bag:
            raise UsageError("--bag asks the readings one by one. Write --record FILE to keep these")
    if "plots" in values and args.output is None:
        usual = next(one for one in function.options if one.option == "plots")
        if values["plots"] not in (None, usual.default, usual.read(usual.default)) and values["plots"][1]:
            raise UsageError("--plots writes files of pictures beside the page: say where with -o FOLDER")
        values["plots"] = (0, "")  # only a page has pictures
    given = [getattr(args, function.inputs[0])] if function.inputs else []
    with progress():
        result = function(*given, **values)
    if getattr(args, "record", None):
        from junction.cli.sitting import append_part

        append_part(args.record, result.bag.readings[0])
        from junction.show.files import written_before

        with written_before():
            return outputs.finish(result)
    return outputs.finish(result, everything=getattr(args, "all", False))


def _parsed(parser: _Parser, asked: str, argv: Sequence[str]) -> argparse.Namespace:
    """Arguments, or an exit with one line that names the command they were meant for."""
    first = next((word for word in argv if not word.startswith("-")), "")
    if first and first != asked:
        near = _near(first.lower(), COMMANDS) or f"; there are {', '.join(COMMANDS)}"
        parser.error(f"there is no command {_shown(first)}{near}")
    if not asked:
        parser.refuse_unknown(argv)
        parser.parse_args(argv)  # --help and --version end here
        wide = max(map(len, COMMANDS))
        say("\n".join(f"  {name:<{wide}}  {summary}" for name, (_, summary) in COMMANDS.items()))
        # an answer, but nothing was done: a script whose job's name came out empty must not go on
        parser.exit(NOTHING_DONE)
    command = parser.of_command[asked]
    command.refuse_unknown(argv[list(argv).index(asked) + 1 :])
    at = list(argv).index(asked) + 1
    args, left = parser.parse_known_args([*argv[:at], *command.joined(argv[at:])])
    if left:
        command.error(f"not understood: {' '.join(map(_shown, left))}")
    return args
