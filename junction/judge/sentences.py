"""What a reason says to a technician: the table reference/sentences.csv, with the numbers filled in.

A template is text with fields in braces: ``{family}`` a text, ``{vf:.3f}`` a number as Python writes it,
``{leak:A2}`` a number with its unit (A, V, ohm, W, K, Hz) to so many significant digits (3 where none are
named) in its SI prefix.  ``{=short_below:g}`` is a rule of reference/rules.csv, ``{>sweep_at}`` what another
reason says.  What stands in square brackets is left out where one of its fields is not known (nan, empty or
False); ``[?typed ...]`` stands where the field ``typed`` is known, ``[!typed ...]`` where it is not.
Templates are taken apart once: a bag may hold ten thousand sweeps.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import cache

from junction.base.number import si
from junction.shelf.rules import rule
from junction.shelf.tables import records

_INCLUDED = re.compile(r"\{>(\w+)\}")
_RULE = re.compile(r"\{=(\w+):([^}]*)\}")
_FIELD = re.compile(r"\{(\w+)[^}]*\}")
_WITH_UNIT = re.compile(r"\{(\w+):(A|V|ohm|W|K|Hz)(\d?)\}")
_CONDITION = re.compile(r"\[[?!](\w+) ")
_INNERMOST = re.compile(r"\[(?:([?!])(\w+) )?([^][]*)\]")


@cache
def _template(reason: str, column: str) -> tuple[str, tuple[str, ...]]:
    """A template with rules and other rows in it, and the fields on which its brackets depend."""

    def value(match: re.Match) -> str:
        unit = _WITH_UNIT.fullmatch(f"{{{match[1]}:{match[2]}}}")
        return si(rule(match[1]), unit[2], int(unit[3] or 3)) if unit else format(rule(match[1]), match[2])

    text = getattr(records("sentences")[reason], column)
    while _INCLUDED.search(text):
        text = _INCLUDED.sub(lambda match: records("sentences")[match[1]].says, text)
    text = _RULE.sub(value, text)
    names = [*_FIELD.findall(text), *_CONDITION.findall(text)] if "[" in text else ()
    return text, tuple(dict.fromkeys(names))


@cache
def _writer(reason: str, column: str, known: tuple[bool, ...]) -> Callable[[Mapping], str]:
    """From the numbers to a template's text, for fields of its brackets known or not."""
    text, names = _template(reason, column)
    is_known = dict(zip(names, known, strict=True))

    def shown(match: re.Match) -> str:
        mark, name, inner = match.groups()
        stands = all(is_known[field] for field in _FIELD.findall(inner))
        return inner if stands and (not mark or is_known[name] == (mark == "?")) else ""

    while "[" in text:
        text = _INNERMOST.sub(shown, text)
    units = [(f"{name} {unit}{digits}", name, unit, int(digits or 3))
             for name, unit, digits in _WITH_UNIT.findall(text)]  # fmt: skip
    whole = _WITH_UNIT.sub(r"{\1 \2\3}", text)
    if not units:
        return whole.format_map
    return lambda x: whole.format_map({**x, **{key: si(x[name], *as_) for key, name, *as_ in units}})


def fill(reason: str, column: str, numbers: Mapping[str, object]) -> str:
    """Text of a reason from one column of the table, with its numbers.

    Parameters
    ----------
    reason : str
        As in reference/sentences.csv.
    column : str
        ``says``, ``next`` or ``else``.
    numbers : mapping
        What the fields stand for; each field says how it is written.

    Raises
    ------
    KeyError
        No row has that name, or a field was not given.
    ShelfError
        A fault in the table, with line and column.
    """
    text, names = _template(reason, column)
    if not text:
        return ""
    known = tuple([(x := numbers[name]) == x and x != "" and x is not False for name in names])
    return _writer(reason, column, known)(numbers)


def say(reason: str, **numbers) -> str:
    """Sentence of a reason; see `fill`."""
    return fill(reason, "says", numbers)


def next_step(reason: str, **numbers) -> str:
    """What to do, measure or find out next for a reason, '' where there is nothing; see `fill`."""
    return fill(reason, "next", numbers)
