"""``junction check`` at the terminal: readings asked for one after the other, and kept in a CSV if wished.

The CSV is one that ``junction sort`` reads; a part is added as a whole or not at all.
"""

from __future__ import annotations

import argparse
import csv
import io
import shlex
import sys
from dataclasses import replace
from itertools import count
from math import isinf, isnan
from pathlib import Path
from types import SimpleNamespace

from junction.base.errors import JunctionError, OutputError
from junction.base.records import (
    BJT_PLACEMENTS,
    DIODE_PLACEMENTS,
    NUMBER_PLACEMENTS,
    PartReadings,
    Reading,
    split_placement,
)
from junction.cli.output import Outputs, say
from junction.intake.cells import parse_reading
from junction.jobs.check import Sitting, checked, part_of
from junction.jobs.job import Result, meter_of, types_of
from junction.judge.results import say as sentence
from junction.show.blocks import paragraph
from junction.show.write import safe_cell, write_files
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
    o = SimpleNamespace(**{one.option: one.value(values.get(one.option)) for one in args.function.options})
    part, meter, types = part_of([], o), meter_of(o), types_of(o) if o.type else None
    stream, sitting = outputs.text_stream, None
    try:
        sitting = Sitting(part, args.leads or _ask_leads(stream), meter, types)
        if sitting.names == "123":
            say("call the leads 1, 2, 3 as they lie before you and keep to it", stream)
        kept = f"; readings go to {args.record} at the end" if args.record else ""
        say(f"diode mode; ? for help{kept}", stream)
        _loop(sitting, stream)
    except (EOFError, KeyboardInterrupt):
        say(stream=stream)
        if sitting is not None and sitting.part.readings:
            say("ended; the answer from what was typed so far:", stream)
    if sitting is None or not sitting.part.readings:
        say("no readings were typed; nothing was done", stream)
        return 2
    status = 0
    if args.record:
        try:
            append_part(args.record, sitting.part)
            say(f"readings added to {args.record}", stream)
        except OutputError as error:
            say(str(error), sys.stderr)
            status = 2
    say(stream=stream)
    outputs.finish(Result("check", checked(sitting.part, meter, types)))
    if not args.record or status:
        say(paragraph(f"the same again: {same_again(args, sitting.part)}", 80, "", "  "), stream)
    return status


def same_again(args: argparse.Namespace, part: PartReadings) -> str:
    """The call that gives this answer again: readings and every option that has a say in it."""
    words = [f"{r.placement}={cell_of(r).replace(' ', '')}" for r in part.readings]
    for one in args.function.options:
        value, name = getattr(args, one.option), "--" + one.option.replace("_", "-")
        if one.cli or value in (None, "", False):
            continue
        if one.kind == "quantity":
            words.append(f"{name}={value:.9g}{one.unit.removeprefix('deg').removeprefix('1')}")
        else:
            words += [name] if one.kind == "flag" else [name, value]
    return shlex.join(["junction", "check", *words])


def _ask(prompt: str, stream) -> str:
    stream.write(prompt)
    stream.flush()
    line = sys.stdin.readline()
    if not line:
        raise EOFError
    return line.strip()


def _ask_leads(stream) -> str:
    say(paragraph(sentence("check_caution"), 80), stream)
    while True:
        text = _ask("leads known? Enter = no (1 2 3), BCE, or AK for a diode: ", stream)
        name = _LEADS.get(text.lower().replace(" ", "").replace(",", ""))
        if name:
            return name
        say("first the names of the leads; then the readings" if "=" in text else "Enter, BCE or AK", stream)


def _loop(sitting: Sitting, stream) -> None:
    _, placement, settled = sitting.step()
    while placement:
        pair = "red {}, black {}".format(*split_placement(placement))
        prompt = f"settled; Enter ends, or sharpen with {pair}: " if settled else f"{pair}: "
        text = _ask(prompt, stream)
        word = text.lower()
        if word in ("done", "end", "quit", "q", "exit") or (word == "" and settled):
            return
        if word in ("", "list", "?", "help", "h"):
            told = {"": "type what the meter shows, or skip; ? for help", "list": _listed(sitting)}
            say(told.get(word, HELP), stream)
            continue
        if word in ("undo", "u"):
            say(f"taken back; now {_listed(sitting)}" if sitting.undo() else "nothing to take back", stream)
        elif word in ("skip", "s"):
            sitting.skip(placement)
        else:
            try:
                reading = parse_reading(text if "=" in text else f"{placement}={text}")
                before = sitting.add(reading)
            except (JunctionError, ValueError) as error:
                say(f"not taken: {error}", stream)
                continue
            if before is not None:
                say(f"{reading.placement} corrected from {cell_of(before)} to {cell_of(reading)}", stream)
        verdict, placement, settled = sitting.step()
        if verdict is not None:
            say("   " + paragraph(running_line(verdict), 77, "", "   "), stream)
    say("every placement is read", stream)


def _listed(sitting: Sitting) -> str:
    return "  ".join(f"{r.placement} {cell_of(r)}" for r in sitting.part.readings) or "nothing yet"


def cell_of(reading: Reading) -> str:
    """A reading as the cell of a CSV, with its unit, so that no heading is needed."""
    if reading.kind == "over":
        text = "OL"
    elif reading.kind == "ohm":
        text = "OL ohm" if isinf(reading.value) else f"{reading.value:.6g} ohm"
    else:
        text = f"{reading.value:.6g} V"
    return text + (" ~" if reading.settling else "")


def append_part(file: str, part: PartReadings) -> None:
    """Add one part to a CSV in the wide form of readings; a new file gets headings.

    Parameters
    ----------
    file : str
    part : PartReadings
        One without a tag gets the first number that the file does not hold yet.  Placements read twice
        (diode mode and ohms) make a second row with the same tag.

    Raises
    ------
    OutputError
        The file cannot be read or written, or has no column for a placement; nothing was changed.
    """
    path = Path(file)
    try:
        old = path.read_bytes() if path.exists() else b""
        text = old.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise OutputError(f"{file}: cannot be read, so nothing is added: {error}") from error
    lines = [next(csv.reader([line])) for line in text.splitlines() if line.strip()]
    if not part.part:
        taken = {cells[0] for cells in lines}
        part = replace(part, part=next(t for t in map("part {}".format, count(1)) if t not in taken))
    found: dict[str, list[str]] = {}
    for r in part.readings:
        found.setdefault(r.placement, []).append(cell_of(r))
    same = {
        "part": part.part, "type": part.type, "polarity": part.polarity,
        "hFE": "" if isnan(part.hfe) else f"{part.hfe:g}",
        "temp_C": "" if isnan(part.temp_C) else f"{part.temp_C:g}",
        "in_circuit": "yes" if part.in_circuit else "no", "note": part.note,
    }  # fmt: skip
    heads = next((cells for cells in lines if "".join(cells).strip()[:1] not in ("", "#")), [])
    heads, new = [name.strip() for name in heads], []
    if not heads:
        sets = (NUMBER_PLACEMENTS, BJT_PLACEMENTS, DIODE_PLACEMENTS)
        first, last = list(same)[:3], list(same)[3:]
        heads = [*first, *next(s for s in sets if found.keys() & set(s)), *last]
        new.append(heads)
    lacking = [name for name in found if name not in heads]
    if lacking:
        raise OutputError(
            f"{file}: has no column {lacking[0]}; nothing was added. Give --record another file"
        )
    for k in range(max(map(len, found.values()))):
        row = same | {placement: cells[k] for placement, cells in found.items() if k < len(cells)}
        new.append([row.get(name, "") for name in heads])
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([safe_cell(c) for c in cells] for cells in new)
    gap = b"" if not old or old.endswith(b"\n") else b"\n"
    write_files({path.resolve(): old + gap + out.getvalue().encode()})
