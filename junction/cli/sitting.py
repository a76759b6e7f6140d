"""``junction check`` at the terminal: readings asked for one after the other, of one part or of a bag.

What is typed stands in the CSV (``--record``, ``--bag``) before the next prompt, so nothing that ends a
sitting loses any of it; ``junction sort`` reads that CSV.
"""

from __future__ import annotations

import argparse
import re
import shlex
import sys
from collections import Counter
from contextlib import suppress
from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace

from junction.base.errors import JunctionError, OutputError, UsageError
from junction.base.records import PartReadings, split_placement
from junction.base.units import listed, parse_quantity
from junction.cli.output import Outputs, say
from junction.cli.record import Record, Rows, cell_of, checked_tag, next_tag
from junction.intake.cells import parse_reading, reading_cell
from junction.jobs.check import MOST_LEADS, Sitting, checked, part_of
from junction.jobs.job import Result, meter_of
from junction.jobs.marks import types_of, with_order
from junction.judge.results import PartVerdict, type_note
from junction.show.blocks import count, paragraph, width_for, words
from junction.views.check import MOST_COLUMNS, device_line, running_line, verdict_pieces
from junction.views.short import danger

HELP = """type what the meter shows: 0.612   612 mV   OL   34 ohm   (~ behind it: still falling)
  B-E=0.6      another placement, or a correction of an earlier reading
  skip         do not ask for this one          undo   take back the last entry
  list         what is typed so far             done   end and show the answer (also Ctrl-D)
  lifted E     lead E is off the board now: the readings it touches are taken again
  discharged   all leads were shorted together: every reading is taken again"""
BAG_HELP = """  bce, ak, 123 the lead names of this part, before its first reading (also g d s)
  stop         end; what is typed is kept (also Ctrl-C)"""
TAG_HELP = """the tag written on the part; Enter takes the one proposed
  undo         take up the part before again    list   the parts typed so far
  a tag that is there already: its readings are shown and can be added to or corrected
  done         end (also Ctrl-D, Ctrl-C)"""

_LEADS = {"": "123", "123": "123", "1": "123", "bce": "BCE", "ebc": "BCE", "b": "BCE", "ak": "AK", "a": "AK"}
_END = ("done", "end", "quit", "q", "exit")
_STOP = ("stop", "end", "quit", "q", "exit")


class _Stop(Exception):
    """The person ends the sitting."""


class _Back(Exception):
    """The person goes back to the tag of a part of which nothing is read."""


def run_sitting(args: argparse.Namespace, values: dict, outputs: Outputs) -> int:
    """Ask until the part is settled, or part after part; the exit status.

    Ctrl-C and the end of input end the sitting with what was typed so far; nothing typed is lost.
    """
    o = SimpleNamespace(**{one.option: one.value(values.get(one.option)) for one in args.function.options})
    if args.bag:
        own = {"--record": args.record, "--hfe": o.hfe, "--lifted": o.lifted, "--discharged": o.discharged}
        own |= {"-o": args.output, "--json": args.json}
        if given := [name for name, value in own.items() if value]:
            raise UsageError(f"{given[0]} is for one part; --bag keeps the readings of many, and"
                             f" junction sort {shlex.quote(args.bag)} makes their report")  # fmt: skip
        return _Desk(args, o, outputs.text_stream).bag()
    return _Desk(args, o, outputs.text_stream).one(outputs)


def same_again(args: argparse.Namespace, part: PartReadings) -> str:
    """The call that gives this answer again: readings and every option that has a say in it."""
    words = [f"{r.placement}={cell_of(r).replace(' ', '')}" for r in part.readings]
    now = {name: getattr(part, name) for name in ("part", "type", "in_circuit", "lifted", "discharged")}
    return shlex.join(["junction", "check", *words, *_options(args, now=now)])


def _options(args: argparse.Namespace, command: str = "check", now: dict | None = None) -> list[str]:
    """Options that were given, as far as a command takes them, with the values they have `now`."""
    words = []
    for one in args.function.options:
        value, name = {**vars(args), **(now or {})}[one.option], "--" + one.option.replace("_", "-")
        if one.cli or value in (None, "", False, (), []) or command not in one.jobs.split():
            continue
        if one.kind == "quantity":
            words.append(f"{name}={value:.9g}{one.unit.removeprefix('deg').removeprefix('1')}")
        else:
            value = ",".join(value) if one.kind == "names" else value
            words += [name] if one.kind == "flag" else [name, value]
    return words


class _Desk:
    """One sitting: what it asks and says, and where it keeps what is typed.

    Parameters
    ----------
    args : argparse.Namespace
        As given; takes what is learnt of the meter.
    o : SimpleNamespace
        Values of the options.
    stream : text file
    """

    def __init__(self, args: argparse.Namespace, o: SimpleNamespace, stream) -> None:
        self.args, self.o, self.stream = args, o, stream
        self.meter, self.names = meter_of(o), args.leads or ""
        self.types = types_of(o) if o.type else None
        self.record = Record(args.bag or args.record) if args.bag or args.record else None
        self.sitting: Sitting | None = None
        self.verdict: PartVerdict | None = None
        self.tag, self.held, self.fresh, self.unsaved = "", (), True, ""
        self.done: dict[str, str] = {}  # verdict of each part of a bag
        if self.record:
            self.record.tags()  # a file that cannot be added to is refused before anything is typed

    # --- one part ----------------------------------------------------------------------------------------

    def one(self, outputs: Outputs) -> int:
        """A sitting for one part; the exit status."""
        try:
            part, held = part_of([], self.o), ()
            if self.record and part.part:
                part, held = self._claimed(part.part, part)
            self._open(part, held, self.names or self._ask_leads())
            kept = f"; {self.record.file} keeps what you type" if self.record else ""
            self.say(f"diode mode; ? for help{kept}")
            self._read()
        except (EOFError, KeyboardInterrupt, _Stop):
            self.say()
            if self.sitting is not None and self.sitting.part.readings:
                self.say("ended; the answer from what was typed so far:")
        part = self._end()
        if not part.readings:
            self.say("no readings were typed; nothing was done")
            return 2
        if self.record and not self.unsaved:
            self.say(f"the readings of {self.tag} are in {self.record.file}")
        self.say()
        report = checked(part, self.meter, self.sitting.types, ask=False)
        outputs.finish(Result("check", with_order(report, self.sitting.types)))
        if not self.record or self.unsaved:
            self.say(f"the same again: {same_again(self.args, part)}", "", "  ")
        return 2 if self.unsaved else 0

    # --- a bag -------------------------------------------------------------------------------------------

    def bag(self) -> int:
        """Part after part until stopped; the exit status."""
        self.say(words(danger("check").body), "", "")
        tags, like = self.record.tags(), part_of([], self.o)
        there = f", which holds {count(len(tags), 'part')}" if tags else ""
        self.say(f"each reading is kept in {self.args.bag}{there} as you type it; ? for help", "", "")
        unsaved = []
        try:
            while True:
                part, held = self._next_part(like)
                like = replace(like, type=part.type)
                if not (self.names or part.readings):
                    self.names = self._ask_leads(caution=False)
                self._open(part, held, self._names_for(part))
                with suppress(_Back):
                    self._read(bag=True)
                    unsaved += self._part_ended()
        except (EOFError, KeyboardInterrupt, _Stop):
            self.say()
            unsaved += self._part_ended()
        if not self.done:
            self.say("no readings were typed; nothing was done")
            return 2
        self.say(f"{self.args.bag} holds {count(len(self.record.tags()), 'part')}")
        for call in unsaved:
            self.say(f"not saved: {call}", "", "  ")
        self.say("next: " + shlex.join(["junction", "sort", self.args.bag, *_options(self.args, "sort")]))
        return 2 if unsaved else 0

    def _next_part(self, like: PartReadings) -> tuple[PartReadings, Rows]:
        """Tag and type of the next part, and the rows that hold it already."""
        tags = self.record.tags()
        first = self.o.part if not self.done and self.o.part not in tags else ""
        wanted = first or next_tag(self.tag or (tags[-1] if tags else "part 0"), tags)
        while True:
            text = self.ask(f"tag (Enter = {wanted}; done ends): ")
            word = text.lower()
            if word in _STOP or word == "done":
                raise _Stop
            if word in ("?", "help", "h", "list"):
                done = "  ".join(f"{tag} {verdict}" for tag, verdict in self.done.items())
                self.say(TAG_HELP if word != "list" else done or "no part yet")
                continue
            if word in ("undo", "u", "back") and self.tag in self.done:
                return self.record.find(self.tag, replace(like, part=self.tag))
            try:
                if (problem := _no_tag(text)) or not checked_tag(text or wanted):
                    self.say(f"{problem}; write the tag of the next part (undo: back to {self.tag or 'it'})")
                    continue
                part, held = self._claimed(text or wanted, like)
            except OutputError as error:
                self.say(f"not taken: {error}")
                continue
            return (part if held else replace(part, type=self._ask_type(part.type))), held

    def _ask_type(self, before: str) -> str:
        none = ", - = none" if before else ""
        while problem := _no_tag(text := self.ask(f"type on it (Enter = {before or 'none'}{none}): ")):
            self.say(f"{problem}; first the type number, or Enter")
        name = "" if text == "-" else text or before
        if text and (note := type_note(name, self._types()(name), self._types(), reason="sitting_type")):
            self.say(note)
        return name

    def _types(self):
        self.types = self.types or types_of(self.o)
        return self.types

    def _names_for(self, part: PartReadings) -> str:
        """Lead names to ask for: those of its type, or of the part before."""
        known = self._types()(part.type) if part.type else None
        if known is None:
            return self.names
        return "AK" if known.device == "diode" else self.names if self.names in ("BCE", "123") else "123"

    def _part_ended(self) -> list[str]:
        """Say what a part is, and how many there are so far; the call for one that could not be saved."""
        if self.sitting is None:
            return []
        sitting, part = self.sitting, self._end()
        if not part.readings:
            self.say("   nothing was typed for this part")
            self._forget()
            return []
        if not (part.type and sitting.names == "AK" and self.names and self._types()(part.type)):
            self.names = sitting.names  # those of a diode whose type says so are not the next part's
        v = checked(part, self.meter, sitting.types, ask=False).verdicts[0]
        word, rest = verdict_pieces(v)
        self.say(f"{self.tag}  {word.upper()}  {rest}", "", "   ")
        self.say(device_line(v, part), "   ", "   ")
        if v.next and v.verdict != "good":
            self.say(f"next: {v.next}", "   ", "   ")
        self.done[self.tag], self.sitting = v.verdict, None
        self.say(f"--- {self._counts()}")
        return [same_again(self.args, replace(part, part=self.tag))] if self.unsaved else []

    def _forget(self) -> None:
        """A part of which nothing is read has had no tag."""
        self.done.pop(self.tag, None)
        self.sitting, self.tag = None, next(reversed(self.done), "")

    def _counts(self) -> str:
        parts = ", ".join(f"{n} {word}" for word, n in Counter(self.done.values()).most_common())
        return f"{count(len(self.done), 'part')}: {parts or 'none'}"

    # --- tags and the file -------------------------------------------------------------------------------

    def _claimed(self, tag: str, like: PartReadings) -> tuple[PartReadings, Rows]:
        """A part under a tag that is free, or that is there and is to be added to."""
        while True:
            tags = self.record.tags()
            there = next((t for t in tags if t.casefold() == tag.casefold()), "")
            if not there:
                return replace(like, part=checked_tag(tag)), ()
            part, held = self.record.find(there, like)
            read = "  ".join(f"{r.placement} {cell_of(r)}" for r in part.readings) or "no readings"
            said = f"{there} is in {self.record.file} already: {part.type} {read}"
            self.say(said, "", "   ")
            free = next_tag(there, tags)
            text = self.ask(f"Enter = {free} instead, add = go on with {there}, or another tag: ")
            if text.lower() in ("add", "a"):
                return part, held
            if _no_tag(text):
                raise OutputError(_no_tag(text))
            tag = text or free

    def _open(self, part: PartReadings, held: Rows, names: str) -> None:
        self.tag, self.held, self.fresh, self.unsaved = part.part, held, not held, ""
        types = self._types() if part.type else None
        self.sitting = Sitting(part, names, self.meter, types)
        if self.sitting.names == "123" and not self.done:
            self.say("call the leads 1, 2, 3 as they lie before you and keep to it")

    def _keep(self) -> None:
        """Put what is typed into the file; a failure is said once and tried again at the next entry."""
        if self.record is None or self.sitting is None:
            return
        part = replace(self.sitting.part, part=self.tag)
        if not part.readings and (not self.held or part.lifted or part.discharged):
            return  # nothing yet; or what was read before stays until the first reading after
        try:
            tag, self.held = self.record.save(part, self.held, self.fresh)
        except OutputError as error:
            if str(error) != self.unsaved:
                self.say(f"not saved: {error}")
            self.unsaved = str(error)
            return
        if self.tag and tag != self.tag:
            self.say(f"{self.tag} was taken meanwhile: this part is {tag} now; write that on it")
        self.tag, self.unsaved = tag, ""

    def _end(self) -> PartReadings:
        """The part as it is now, kept; leads lifted or shorted and then not read again are as before."""
        if self.sitting is None:
            return PartReadings("")
        while not self.sitting.part.readings and self.sitting.undo():
            pass
        self._keep()
        return self.sitting.part

    # --- readings ----------------------------------------------------------------------------------------

    def say(self, text: str = "", indent: str = "", hang: str | None = None) -> None:
        """A line for the person; prose, wrapped to the terminal, where its further lines are said to hang."""
        width = min(MOST_COLUMNS, width_for(self.stream))
        say(text if hang is None else paragraph(text, width, indent, hang), self.stream)

    def ask(self, prompt: str) -> str:
        """What is typed behind a prompt, without blanks around it."""
        say(prompt, self.stream, end="", flush=True)
        line = sys.stdin.readline()
        if not line:
            raise EOFError
        return line.strip()

    def _ask_leads(self, caution: bool = True) -> str:
        if caution:
            self.say(words(danger("check").body), "", "")
        while True:
            text = self.ask("leads known? Enter = no (1 2 3), BCE, AK for a diode, or as marked, G D S: ")
            if name := _leads_named(text):
                return name
            first = "first the names of the leads; then the readings: " if "=" in text else ""
            self.say(f"{first}Enter, BCE, AK, or up to {MOST_LEADS} names such as A1 K A2 or ~1 ~2 + -")

    def _step(self) -> tuple[str, bool]:
        """Weigh what is there, keep it, ask about what is doubtful; the next placement, and if settled."""
        while True:
            self.verdict, placement, settled = self.sitting.step()
            self._keep()
            if not self.sitting.asked:
                return placement, settled
            self._ask_about(self.sitting.asked[0])

    def _read(self, bag: bool = False) -> None:
        sitting = self.sitting
        placement, settled = self._step()
        more = bool(sitting.part.readings)  # taken up again, perhaps to correct what is complete
        if more:
            self.say(self._listed())
        while placement or more:
            text = self.ask(self._prompt(placement, settled))
            word = text.lower()
            if bag and word in _STOP:
                raise _Stop
            if word in _END or (word == "" and settled):
                return
            if not self._entry(text, placement, bag):
                continue
            placement, settled = self._step()
            if self.verdict is not None:
                self.say(running_line(self.verdict), "   ", "   ")
                more = self.verdict.verdict == "undecided"
                if not placement and more:
                    self.say(self.verdict.next, "   ", "   ")
        self.say("every placement is read")

    def _prompt(self, placement: str, settled: bool) -> str:
        if not placement:
            return "every placement is read; Enter ends; else correct one (B-E=0.6), lifted E, discharged: "
        pair = "red {}, black {}: ".format(*split_placement(placement))
        if not settled:
            return pair
        if self.verdict.verdict == "undecided":
            return f"nearly settled; Enter ends, or go on with {pair}"
        return f"settled; Enter ends, or sharpen with {pair}"

    def _entry(self, text: str, placement: str, bag: bool) -> bool:
        """One entry; whether it changed anything."""
        sitting, (word, *rest) = self.sitting, re.split(r"[\s,]+", text.lower())
        named = _leads_named(text.lower().removeprefix("leads ")) if len(text) > 1 else ""
        if word in ("", "list", "?", "help", "h"):
            told = {"": "type what the meter shows, or skip; ? for help", "list": self._listed()}
            self.say(told.get(word, HELP + "\n" + BAG_HELP if bag else HELP))
            return False
        if word in ("undo", "u"):
            if not sitting.undo():
                if bag and not sitting.part.readings:
                    self._forget()
                    raise _Back
                self.say("nothing to take back")
                return False
            self.say(f"taken back; now {self._listed()}")
            return True
        if word in ("skip", "s"):
            sitting.skip(placement)
            return True
        if named and not sitting.part.readings:
            sitting.names = named
            return True
        try:
            if word in ("lifted", "lift", "discharged", "discharge"):
                lift = word.startswith("lift")
                lost = sitting.lift([name.upper() for name in rest]) if lift else sitting.discharge()
                told = f"{listed(rest).upper()} off the board" if lift else "all leads were shorted"
                self.say(f"{told}; " + (f"read {', '.join(lost)} again" if lost else "no reading is lost"))
                return True
            reading = parse_reading(text if "=" in text else f"{placement}={text}")
            before = sitting.add(reading)
        except (JunctionError, ValueError) as error:
            self.say(f"not taken: {error}")
            return False
        if before is not None:
            self.say(f"{reading.placement} corrected from {cell_of(before)} to {cell_of(reading)}")
        return True

    def _listed(self) -> str:
        part = self.sitting.part
        words = [f"{r.placement} {cell_of(r)}" for r in part.readings] or ["nothing yet"]
        words += [f"(lifted: {' '.join(part.lifted)})"] if part.lifted else []
        return "  ".join([*words, "(discharged)"] if part.discharged else words)

    def _ask_about(self, question) -> None:
        """One doubtful entry: what was meant, another meter, as typed, or typed again."""
        sitting, name = self.sitting, question.placement
        typed = next(r for r in reversed(sitting.part.readings) if r.placement == name)
        above = typed.kind == "volt" and typed.value > self.meter.over_range_V
        choices = [*question.likely, *(["another meter"] if above else []), "as typed"]
        options = "  ".join(f"{k}) {text}" for k, text in enumerate(choices, 1))
        self.say(question.says, "   ", "   ")
        while True:
            text = self.ask(f"{name} {typed.text or cell_of(typed)}: {options}? Enter = type it again: ")
            chosen = choices[int(text) - 1] if text.isdigit() and 0 < int(text) <= len(choices) else text
            try:
                if chosen == "":
                    sitting.again(name, typed)
                elif chosen == "another meter":
                    self._other_meter(typed.value)
                else:
                    cell = cell_of(typed) if chosen == "as typed" else chosen
                    sitting.add(parse_reading(cell if "=" in cell else f"{name}={cell}"))
                    sitting.again("", typed)  # it may have been of another range
                    if chosen == "as typed":
                        sitting.holds(name)
            except (JunctionError, ValueError) as error:
                self.say(f"not taken: {error}")
                continue
            return

    def _other_meter(self, volts: float) -> None:
        """A meter that reads further than the one taken so far."""
        text = self.ask("above how many volts does it show OL, such as 3V? ")
        over = parse_quantity(text, "voltage")
        if over < volts:
            raise UsageError(f"{volts:g} V is above {over:g} V as well")
        now = {"meter_over_range": over, "meter_open_voltage": max(over, self.meter.open_voltage_V)}
        meter = meter_of(SimpleNamespace(**{**vars(self.o), **now}))
        for one in (self.o, self.args):
            vars(one).update(now)
        self.meter = self.sitting.meter = meter


def _leads_named(text: str) -> str:
    """Names of leads as `Sitting` takes them, '' where the text is none: ``BCE``, ``G D S``."""
    words = re.split(r"[\s,;/]+", text.upper().strip())
    if name := _LEADS.get("".join(words).lower()):
        return name
    leads = words if len(words) > 1 else list(text.upper())
    good = 2 <= len({*leads}) == len(leads) <= MOST_LEADS and all(
        split_placement(f"{a}-{b}")[0] for a, b in pairwise(leads)
    )
    return " ".join(leads) if good else ""


def _no_tag(text: str) -> str:
    """Why what was typed is no tag or type but meant for a reading's prompt; '' where it is none."""
    if "=" in text:
        return "that is a reading"
    if re.split(r"[\s,]+", text.lower())[0] in ("lifted", "lift", "discharged", "discharge", "skip"):
        return "that is for a part while it is read"
    try:
        reading = None if text.isdigit() else reading_cell("A-K", text)
    except (JunctionError, ValueError):
        return ""
    return "that is a reading" if reading is not None and reading.kind != "ohm" else ""


def append_part(file: str, part: PartReadings) -> None:
    """Add one part to a CSV in the wide form of readings; a new file gets headings.

    Raises
    ------
    OutputError
        The file cannot be read or written; nothing was changed.
    """
    record = Record(file)
    if part.part in record.tags():
        say(f"{part.part} is in {file} already; these readings are added to it", sys.stderr)
    record.save(part)
