"""Cells to values: meter readings, quantities, yes and no, polarity, names.

Every function takes the text of one cell and either returns a value or raises `UnitError` with a
reason that says what to write instead.  A cell is never guessed at.
"""

from __future__ import annotations

import re
import unicodedata
from math import inf, isfinite, nan

from junction.base.constants import ZERO_CELSIUS_K
from junction.base.errors import UnitError
from junction.base.records import Reading
from junction.base.units import (
    in_si,
    letter_marked,
    parse_quantity,
    quantity_of_unit,
    shown,
    split_quantity,
    unit_factor,
)
from junction.intake.headings import Column, parse_placement

#: A bare diode-mode value above this [V] is taken for millivolts without their unit.
BARE_HIGH_V = 5.0
#: A diode-mode value below this [V] is no offset of the meter: something else drives the leads.
NEGATIVE_V = -0.02
NAME_LIMIT = 120
#: Every reason for a missing unit starts so.
NO_UNIT = "no unit:"

_SETTLING = re.compile(r"(.*?)\s*(?:~|\bsettling|\bfalling)\s*", re.I | re.S)
_OVER = re.compile(r"[+-]?\s*(?:\.?[O0]\.?L\.?|OFL|OVL|OVLD|OVER(?:LOAD|[- ]?RANGE)?|∞)\s*(.*)", re.I)
_DASHES = re.compile(r"(?:[-‐‑‒–—−]\s*)+")  # noqa: RUF001
_LONE_ONE = re.compile(r"1\s*[.,]\s*([^0-9\s.,].*)?")
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}([.,])[0-9]{3}(?![0-9.,eE])")
_STEP = re.compile(r"[+-]?[0-9]*(?:[.,]([0-9]*))?(?:[eE]([+-]?[0-9]+))?")
_YES, _NO = {"yes", "y", "true", "1", "x", "in"}, {"", "no", "n", "false", "0", "out"}


def check_mark(text: str, mark: str) -> None:
    """Refuse a number that could be read with either mark.

    Parameters
    ----------
    text : str
        Cell.
    mark : str
        Decimal mark the rest of the file uses: ``.``, ``,``, ``?`` (both occur) or '' (neither).
    """
    match = _THOUSANDS.match(text.strip())
    if match and mark and match[1] != mark:
        plain = match.group().replace(match[1], mark if mark in ".," else ".")
        whole = match.group().replace(match[1], "")
        raise UnitError(f"{shown(text)}: decimal or thousands mark? write {plain} or {whole}")


def quantity_cell(text: str, column: Column, mark: str = "") -> float:
    """Number of a cell in SI units; nan for an empty one.

    The cell's own unit is taken before the heading's; without either the cell is refused.
    """
    text = text.strip()
    if text == "":
        return nan
    check_mark(text, mark)
    value, unit = split_quantity(text)
    if unit:
        return parse_quantity(text, column.quantity)
    if not isfinite(column.factor):
        raise MissingUnit(column)
    value = in_si(value, column.factor)
    if not isfinite(value):
        raise UnitError(f"{shown(text)} is too large for a number")
    return value


class MissingUnit(UnitError):
    """A bare number under a heading without a unit."""

    def __init__(self, column: Column) -> None:
        units = {"voltage": ("V", "mV"), "current": ("A", "mA"), "temperature": ("C",)}
        examples = [f"{column.heading}_{unit}" for unit in units.get(column.quantity, ())]
        hint = f" (such as {', '.join(examples)})" if examples else ""
        super().__init__(f"{NO_UNIT} write it in the heading{hint} or in each cell")


def temperature_cell(text: str, column: Column, mark: str = "") -> float:
    """Temperature of a cell [degC]; refuses what no bench part has."""
    value = quantity_cell(text, column, mark)
    if value < -80 or value > 250:
        kelvin = f"; {value:g} K is {value - ZERO_CELSIUS_K:.1f} °C" if 250 < value < 500 else ""
        raise UnitError(f"{shown(text)} is outside -80 to 250 °C; write degrees Celsius{kelvin}")
    return value


def _over_range(text: str) -> str | None:
    """Unit text behind an over-range mark ('' for none), or None when the cell is no such mark."""
    match = _OVER.fullmatch(text)
    if match:
        return match[1].strip()
    dashes = _DASHES.fullmatch(text)
    if dashes and len("".join(text.split())) > 1:
        return ""
    match = _LONE_ONE.fullmatch(text)
    if match and quantity_of_unit(match[1] or "") == "voltage":
        raise UnitError(f"{shown(text)} may be 1 V or a meter's over-range mark; write 1.000 or OL")
    return (match[1] or "").strip() if match else None


def reading_cell(placement: str, text: str, column: Column | None = None, mark: str = "") -> Reading | None:
    """Read one meter value; None for an empty cell.

    Parameters
    ----------
    placement : str
        One of the placements of `junction.base.records`.
    text : str
        ``0.612`` (volts by the mode), ``612 mV``, ``OL`` and the other over-range marks, ``34 ohm``,
        ``34k``, ``4k7``, ``2.2 MΩ``, ``OL MΩ``; a ``~`` or the word ``settling`` behind it says that the
        reading was still moving.
    column : Column, optional
        Heading, whose unit a bare number takes.
    mark : str, optional
        Decimal mark of the file, see `check_mark`.

    Raises
    ------
    UnitError
        With what to write instead.
    """
    text = text.strip()
    settling = _SETTLING.fullmatch(text)
    if settling:
        text = settling[1]
        if text == "":
            raise UnitError("a settling mark without a reading; write for example '0.45~'")
    if text == "":
        return None
    over = _over_range(text)
    if over is not None:
        if over and (quantity := _reading_unit(over, text)[0]) == "resistance":
            return Reading(placement, "ohm", inf, bool(settling))
        ohms = not over and column is not None and column.quantity == "resistance"
        return Reading(placement, "ohm" if ohms else "over", inf if ohms else nan, bool(settling))
    quantity, value = _meter_value(text, column, mark)
    return Reading(placement, "ohm" if quantity == "resistance" else "volt", value, bool(settling))


def _meter_value(text: str, column: Column | None, mark: str) -> tuple[str, float]:
    """Quantity and value [V or ohm] of a reading that is a number."""
    if _DASHES.fullmatch(text):
        raise UnitError(f"{shown(text)}: write OL for over-range, or leave the cell empty")
    marked = letter_marked(text)
    if isfinite(marked):
        return "resistance", marked
    check_mark(text, mark)
    try:
        value, unit = split_quantity(text)
    except UnitError:
        raise UnitError(f"{shown(text)} is not a reading; write 0.612, 612 mV, OL or 34 ohm") from None
    quantity, factor = "voltage", 1.0
    if unit:
        quantity, factor = _reading_unit(unit, text)
    elif column is not None and isfinite(column.factor):
        quantity, factor = column.quantity, column.factor
    elif text == "1":
        raise UnitError("'1' may be 1 V or a meter's over-range mark; write 1.000 or OL")
    elif value > BARE_HIGH_V:
        raise UnitError(f"{shown(text)} is too high for diode mode; in mV? write the unit: {text} mV")
    value = in_si(value, factor)
    if not isfinite(value):
        raise UnitError(f"{shown(text)} is too large for a number")
    if quantity == "resistance" and value < 0:
        raise UnitError(f"{shown(text)}: a resistance cannot be negative; is the circuit powered or charged?")
    if quantity == "voltage" and value < NEGATIVE_V:
        raise UnitError(
            f"{shown(text)}: diode mode cannot read negative; power off, discharge capacitors, read again"
        )
    return quantity, value


def _reading_unit(unit: str, text: str) -> tuple[str, float]:
    if unit == "m":
        raise UnitError(f"{shown(text)}: 'm' of what? write mV or mohm")
    if unit in ("k", "K", "M", "G"):  # the trade writes 34k
        return "resistance", unit_factor(unit, "resistance")
    quantity = quantity_of_unit(unit)
    if quantity not in ("voltage", "resistance"):
        what = f"is a unit of {quantity}" if quantity else "is not a unit"
        raise UnitError(f"{shown(unit)} {what}; a reading is in V, mV or ohm (with prefix)")
    return quantity, unit_factor(unit, quantity)


def parse_reading(text: str) -> Reading:
    """Read ``B-E=0.612`` as typed on a command line or at the prompt.

    Raises
    ------
    UnitError
        If the placement or the value is not understood, or there is no value.
    """
    left, found, right = text.partition("=")
    placement = parse_placement(left)
    if not found or not placement:
        raise UnitError(
            f"{shown(text)}: write placement=value, red lead first, for example B-E=0.612, 1-2=OL, A-K=580mV"
        )
    reading = reading_cell(placement, right)
    if reading is None:
        raise UnitError(f"{shown(text)}: no value; write for example {placement}=0.612 or {placement}=OL")
    return reading


def last_digit(text: str, column: Column | None = None) -> float:
    """Weight of the last written digit of a cell, in the unit the cell or heading gives [V or ohm]."""
    match = _STEP.match(text.strip())
    decimals = len(match[1] or "") if match else 0
    exponent = int(match[2]) if match and match[2] else 0
    try:
        unit = split_quantity(text.rstrip("~ "))[1]
        factor = _reading_unit(unit, text)[1] if unit else 1.0
        if not unit and column is not None and isfinite(column.factor):
            factor = column.factor
    except UnitError:
        factor = 1.0
    return factor * 10.0 ** max(exponent - decimals, -30)


def visible(text: str) -> str:
    """Text with control characters made visible: ``␀`` for NUL, ``<U+202E>`` for a direction override."""
    text = text.strip(" \t\n\u00a0")
    if text.isprintable():
        return text
    out = []
    for char in text:
        code, category = ord(char), unicodedata.category(char)
        if code < 0x20:
            out.append(chr(0x2400 + code))
        elif code == 0x7F:
            out.append("\u2421")
        elif category == "Zs":
            out.append(" ")
        elif category in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"):
            out.append(f"<U+{code:04X}>")
        else:
            out.append(char)
    return "".join(out)


def name_cell(text: str) -> str:
    """Written tag of a part, as text whatever it holds.

    Raises
    ------
    UnitError
        If it is empty or longer than `NAME_LIMIT` characters.
    """
    name = visible(text)
    if name == "":
        raise UnitError("no part name; every row needs the part's written tag")
    if len(name) > NAME_LIMIT:
        raise UnitError(f"a part name of {len(name)} characters; at most {NAME_LIMIT} are taken")
    return name


def polarity_cell(text: str) -> str:
    """``NPN``, ``PNP`` or '' of a cell."""
    name = text.strip().upper().replace("-", "")
    if name in ("NPN", "PNP", ""):
        return name
    raise UnitError(f"{shown(text)} is not a polarity; write NPN or PNP, or leave the cell empty")


def yes_cell(text: str) -> bool:
    """Whether a cell says yes."""
    name = text.strip().lower()
    if name in _YES or name in _NO:
        return name in _YES
    raise UnitError(f"{shown(text)} is neither yes nor no")
