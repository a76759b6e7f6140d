"""``junction check`` at the terminal: readings asked for one after the other, and kept in a CSV if wished."""

from __future__ import annotations

import argparse
import sys
from types import SimpleNamespace

from junction.base.errors import JunctionError, OutputError
from junction.base.records import PartReadings
from junction.cli.output import Outputs, say
from junction.jobs.check import Sitting, Step, part_of
from junction.jobs.options import meter_of, types_of
from junction.jobs.result import Result
from junction.judge.sentences import say as sentence
from junction.show.terminal import Paint, paragraph
from junction.views import check as view
from junction.views.check import running_line

HELP = """type what the meter shows: 0.612   612 mV   OL   34 ohm   (~ behind it: still falling)
  B-E=0.6      another placement, or a correction of an earlier reading
  skip         do not ask for this one          undo   take back the last entry
  list         what is typed so far             done   end and show the answer (also Ctrl-D)"""

_LEADS = {"": "123", "123": "123", "1": "123", "bce": "BCE", "ebc": "BCE", "b": "BCE", "ak": "AK", "a": "AK"}


def run_sitting(args: argparse.Namespace, values: dict, outputs: Outputs) -> int:
    """Ask until the part is settled; the exit status.

    Ctrl-C and the end of input end the sitting with what was typed so far; nothing typed is lost.
    """
    o = SimpleNamespace(**{one.name: one.value(values.get(one.name)) for one in args.function.options})
    part, meter, types = part_of([], o), meter_of(o), types_of(o) if o.type else None
    talk = _Talk(outputs.text_stream)
    sitting = None
    try:
        names = args.leads or talk.ask_leads()
        sitting = Sitting(part, names, meter, types)
        talk.opening(sitting, args.record)
        _loop(sitting, talk)
    except (EOFError, KeyboardInterrupt):
        talk.say()
        if sitting is not None and sitting.part.readings:
            talk.say("ended; the answer from what was typed so far:")
    if sitting is None or not sitting.part.readings:
        talk.say("no readings were typed; nothing was done")
        return 2
    status = 0
    if args.record:
        from junction.cli.record import append_part, with_tag

        try:
            append_part(args.record, with_tag(args.record, sitting.part))
        except OutputError as error:
            talk.say(str(error), sys.stderr)
            status = 2
        else:
            talk.say(f"readings added to {args.record}")
    talk.say()
    outputs.finish(Result("check", sitting.report(), view))
    if not args.record or status:
        talk.say(paragraph(f"the same again: {same_again(args, sitting.part)}", 80, "", "  "))
    return status


def same_again(args: argparse.Namespace, part: PartReadings) -> str:
    """The call that gives this answer again: readings and every option that has a say in it."""
    import shlex

    from junction.cli.record import cell_of

    words = [f"{r.placement}={cell_of(r).replace(' ', '')}" for r in part.readings]
    for name in ("part", "type", "polarity", "types", "meter"):
        value = getattr(args, name)
        words += [f"--{name}", value] if value else []
    units = {"hfe": "", "temperature": "C", "meter_current": "A", "meter_open_voltage": "V",
             "meter_resistance": "ohm", "meter_over_range": "V"}  # fmt: skip
    for name, unit in units.items():
        value = getattr(args, name)
        if value is not None:
            words.append(f"--{name.replace('_', '-')}={value:.9g}{unit}")
    words += ["--in-circuit"] if part.in_circuit else []
    return shlex.join(["junction", "check", *words])


class _Talk:
    """Lines to and from the person at the terminal."""

    def __init__(self, stream) -> None:
        self.stream = stream
        self.paint = Paint.for_stream(stream)

    def say(self, text: str = "", stream=None) -> None:
        say(text, stream or self.stream)

    def ask(self, prompt: str) -> str:
        self.stream.write(prompt)
        self.stream.flush()
        line = sys.stdin.readline()
        if not line:
            raise EOFError
        return line.strip()

    def ask_leads(self) -> str:
        self.say(paragraph(sentence("check_caution"), 80))
        while True:
            text = self.ask("leads known? Enter = no (1 2 3), BCE, or AK for a diode: ")
            name = _LEADS.get(text.lower().replace(" ", "").replace(",", ""))
            if name:
                return name
            if "=" in text:
                self.say("first the names of the leads; then the readings")
            else:
                self.say("Enter, BCE or AK")

    def opening(self, sitting: Sitting, record: str | None) -> None:
        if sitting.names == "123":
            self.say("call the leads 1, 2, 3 as they lie before you and keep to it")
        self.say("diode mode; ? for help" + (f"; readings go to {record} at the end" if record else ""))


def _loop(sitting: Sitting, talk: _Talk) -> None:
    step = sitting.step()
    while True:
        if step.placement == "":
            talk.say("every placement is read")
            return
        if step.settled:
            prompt = f"settled; Enter ends, or sharpen with red {_pair(step.placement)}: "
        else:
            prompt = f"red {_pair(step.placement)}: "
        text = talk.ask(prompt)
        word = text.lower()
        if word in ("done", "end", "quit", "q", "exit") or (word == "" and step.settled):
            return
        if word == "":
            talk.say("type what the meter shows, or skip; ? for help")
        elif word in ("?", "help", "h"):
            talk.say(HELP)
        elif word == "list":
            talk.say(_listed(sitting))
        else:
            step = _entry(sitting, talk, text, step)


def _pair(placement: str) -> str:
    red, black = placement.split("-")
    return f"{red}, black {black}"


def _listed(sitting: Sitting) -> str:
    from junction.cli.record import cell_of

    return "  ".join(f"{r.placement} {cell_of(r)}" for r in sitting.part.readings) or "nothing yet"


def _entry(sitting: Sitting, talk: _Talk, text: str, step: Step) -> Step:
    """Act on one entry that is a reading, a skip or an undo; the new step."""
    word = text.lower()
    if word in ("undo", "u"):
        talk.say(f"taken back; now {_listed(sitting)}" if sitting.undo() else "nothing to take back")
    elif word in ("skip", "s"):
        sitting.skip(step.placement)
    else:
        from junction.cli.record import cell_of
        from junction.intake.cells import parse_reading

        try:
            reading = parse_reading(text if "=" in text else f"{step.placement}={text}")
            before = sitting.add(reading)
        except (JunctionError, ValueError) as error:
            talk.say(f"not taken: {error}")
            return step
        if before is not None:
            talk.say(f"{reading.placement} corrected from {cell_of(before)} to {cell_of(reading)}")
    new = sitting.step()
    if new.verdict is not None:
        talk.say("   " + paragraph(running_line(new.verdict), 77, "", "   "))
    return new
