"""Hostile files and absurd values through the front door: a status, one line, no row lost, never a traceback.

More of the same, with any seed: ``python -m tests.benchmarks.fuzz --files 5000 --seed 7``.
"""

import importlib
import random

import pytest

from junction.base.errors import JunctionError
from junction.cli.commands import COMMANDS
from tests.benchmarks import fuzz

SEED = 15


def test_300_hostile_files_end_in_one_line_or_an_answer_that_counts_every_row(tmp_path):
    path, to, failed, ends = tmp_path / "hostile.csv", tmp_path / "out.json", [], {0: 0, 1: 0, 2: 0}
    for k in range(300):
        draw = random.Random(f"{SEED}/{k}")
        form, data = fuzz.hostile(draw)
        path.write_bytes(data)
        found = fuzz.commands_for(form, path, data, draw)
        words = draw.choice(found)
        try:
            ends[fuzz.try_file(words, path, to)] += 1
        except fuzz.Failed as error:
            failed.append(f"{form} {SEED}/{k} {words[0]}: {str(error)[-600:]}")
    assert not failed, "\n".join(failed)
    # the generator still makes files of every kind: whole ones, spoiled ones, useless ones
    assert min(ends.values()) > 20, ends


def options_of(command):
    return getattr(importlib.import_module(COMMANDS[command][0]), command).options


@pytest.mark.parametrize("command", [name for name in COMMANDS if name != "demo"])
def test_every_option_refuses_absurd_values_in_one_line(command):
    for one in options_of(command):
        words = one.kind in ("flag", "text", "names") or one.option in ("bag", "needs")
        for text in () if words else fuzz.VALUES:
            for given in (text, text + fuzz.UNITS.get(one.quantity, "")):
                try:
                    one.value(given)
                except JunctionError as error:
                    said = str(error)
                    assert "\n" not in said and len(said) < 400, (one.option, given[:50], said[:500])
        if one.kind in ("quantity", "plain", "quantities"):
            near_zero = one.quantity in ("temperature", "degrees", "K")  # where nothing is as good as 0
            for size in ("1e300", "-1e300") if near_zero else ("1e300", "1e-300", "-1e300", "5e-324"):
                with pytest.raises(JunctionError, match="must be|too large|finite"):
                    one.value(size + ("" if one.quantity == "ratio" else fuzz.UNITS[one.quantity]))


def at_their_bounds():
    """Options of the commands that need no files, at the least and at the most that each takes."""
    for name in ("check", "stage", "resistor", "substitute"):
        for one in options_of(name):
            if one.kind not in ("quantity", "plain", "quantities", "whole"):
                continue
            for bound in (one.least, one.above * (1 + 1e-9) + 1e-9, one.most, one.below * (1 - 1e-9)):
                if bound == bound:
                    bare = one.kind == "whole" or one.quantity == "ratio"
                    unit = "" if bare else fuzz.UNITS[one.quantity]
                    yield [*fuzz.CALLS[name], f"--{one.option.replace('_', '-')}={bound:.12g}{unit}"]


def test_what_an_option_takes_at_its_bounds_the_core_stands():
    failed = []
    for words in at_their_bounds():
        try:
            fuzz.judged(words)
        except fuzz.Failed as error:
            failed.append(f"{' '.join(words)}: {str(error)[-600:]}")
    assert not failed, "\n".join(failed)
