"""What a reason says to a technician: the table reference/sentences.csv, with the numbers filled in.

A template is text with fields in braces: ``{family}`` a text, ``{vf:.3f}`` a number as Python writes it,
``{leak:A2}`` a number with its unit (A, V, ohm, W, K, Hz) to so many significant digits (3 where none are
named) in its SI prefix.  What stands in square brackets is left out where one of its fields is not known
(nan or empty).  Templates are taken apart once: a bag may hold ten thousand sweeps.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import NamedTuple

from junction.base.number import si
from junction.shelf.tables import Row, reference_table

_OPTIONAL = re.compile(r"\[([^\]]*)\]")
_FIELD = re.compile(r"\{(\w+)[^}]*\}")
_WITH_UNIT = re.compile(r"\{(\w+):(A|V|ohm|W|K|Hz)(\d?)\}")


class _Piece(NamedTuple):
    """Part of a template: its format, its fields with a unit, and the fields it is left out without."""

    text: str
    units: tuple[tuple[str, str, str, int], ...]  # name in `text`, field, unit, digits
    needs: tuple[str, ...]


@cache
def _rows() -> dict[str, Row]:
    found: dict[str, Row] = {}
    for row in reference_table("sentences.csv", ("reason", "says", "next", "else", "source")):
        reason = row.text("reason", needed=True)
        if reason in found:
            raise row.fault("reason", f"{reason!r} stands twice")
        found[reason] = row
    return found


@cache
def _pieces(reason: str, column: str) -> tuple[_Piece, ...]:
    found = []
    for k, text in enumerate(_OPTIONAL.split(_rows()[reason].text(column))):
        needs = tuple(_FIELD.findall(text)) if k % 2 else ()
        units = tuple(
            (f"{name}_{unit}_{digits}", name, unit, int(digits or 3))
            for name, unit, digits in _WITH_UNIT.findall(text)
        )
        if text:
            found.append(_Piece(_WITH_UNIT.sub(r"{\1_\2_\3}", text), units, needs))
    return tuple(found)


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
    out = []
    for text, units, needs in _pieces(reason, column):
        if needs and any((x := numbers[name]) == "" or x != x for name in needs):
            continue
        if units:
            written = {key: si(numbers[name], unit, digits) for key, name, unit, digits in units}
            out.append(text.format_map({**numbers, **written}))
        else:
            out.append(text.format_map(numbers))
    return "".join(out)


def say(reason: str, **numbers) -> str:
    """Sentence of a reason; see `fill`."""
    return fill(reason, "says", numbers)


def next_step(reason: str, **numbers) -> str:
    """What to do, measure or find out next for a reason, '' where there is nothing; see `fill`."""
    return fill(reason, "next", numbers)


def what_else(reason: str, **numbers) -> str:
    """What else could look like this, '' where nothing does; see `fill`."""
    return fill(reason, "else", numbers)
