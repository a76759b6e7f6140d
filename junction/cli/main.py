"""Entry point: find the command, import only that one, turn every known error into one line.

Exit status: 0 all rows used; 1 done, but rows were set aside; 2 nothing done.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys

import junction
from junction.base.errors import JunctionError

#: command -> (module, one line of help); the module offers add_arguments(parser) and run(args) -> int.
COMMANDS: dict[str, tuple[str, str]] = {
    "check": ("junction.cli.check", "one suspect part: meter readings to a verdict and the next test"),
    "sort": ("junction.cli.sort", "a bag of parts: readings and sweeps to verdicts, worst first"),
    "fit": ("junction.cli.fit", "sweeps to junction parameters with their uncertainty"),
    "match": ("junction.cli.match", "matched sets for the stage they will work in"),
    "stage": ("junction.cli.stage", "an output stage: operating currents, heat, emitter-resistor drops"),
    "substitute": ("junction.cli.substitute", "does a replacement meet or exceed the original"),
    "resistor": ("junction.cli.resistor", "stock values, combinations and readings of a resistor"),
    "demo": ("junction.cli.demo", "write an invented, simulated bag and run the whole job on it"),
}

NOTHING_DONE = 2


class _Parser(argparse.ArgumentParser):
    def error(self, message: str):
        self.exit(NOTHING_DONE, f"{self.prog}: {message} (see {self.prog} --help)\n")


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """Parser of the whole command line; with `only`, just that command's module is imported."""
    parser = _Parser(prog="junction", description=junction.__doc__, allow_abbrev=False)
    parser.add_argument("--version", action="version", version=f"junction {junction.__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, (module, summary) in COMMANDS.items():
        sub = commands.add_parser(
            name, help=summary, description=summary, allow_abbrev=False,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )  # fmt: skip
        if only in (None, name):
            importlib.import_module(module).add_arguments(sub)
    return parser


def main(argv: list[str] | None = None) -> int:
    """Run the command line and return the exit status."""
    argv = sys.argv[1:] if argv is None else argv
    asked = next((word for word in argv if word in COMMANDS), "")
    args = build_parser(asked).parse_args(argv)
    try:
        status = importlib.import_module(COMMANDS[args.command][0]).run(args)
        sys.stdout.flush()
        return status
    except JunctionError as error:
        _complain(f"junction {args.command}: {error}")
        return NOTHING_DONE
    except BrokenPipeError:
        # the reader went away (``| head``); what is still in the buffer must not raise again at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return NOTHING_DONE
    except KeyboardInterrupt:
        _complain(f"\njunction {args.command}: stopped")
        return NOTHING_DONE


def _complain(text: str) -> None:
    """One line on standard error, control characters from a file or an argument made visible."""
    from junction.cli.output import say
    from junction.show.text import visible

    say("\n".join(visible(line) for line in text.split("\n")), sys.stderr)
