"""Numbers with units: one written grammar for cells, headings and command-line values.

A number is an optional sign, digits with at most one decimal mark (point or comma) and an optional
exponent.  Nothing else is one: no ``1_000``, no ``nan``, no ``inf``, no thousands marks.  A unit is an
SI prefix and a unit symbol of the quantity asked for; a unit of another quantity is an error, never a
guess.
"""

from __future__ import annotations

import math
import re

from junction.base.errors import UnitError

_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?")

PREFIXES = {
    "f": 1e-15, "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "": 1.0,
    "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9, "T": 1e12,
}  # fmt: skip

#: quantity -> (unit symbols understood, SI unit for messages)
QUANTITIES: dict[str, tuple[tuple[str, ...], str]] = {
    "voltage": (("V", "v", "volt", "volts"), "V"),
    "current": (("A", "a", "amp", "ampere"), "A"),
    "resistance": (("ohm", "ohms", "Ohm", "OHM", "Ω", "Ω", "R"), "ohm"),
    "power": (("W", "watt", "watts"), "W"),
    "frequency": (("Hz", "hz"), "Hz"),
    "capacitance": (("F", "farad"), "F"),
    "time": (("s", "sec"), "s"),
    "temperature": (("C", "degC", "°C", "℃"), "C"),
    "thermal resistance": (("K/W", "C/W", "°C/W"), "K/W"),
    "ratio": (("", "%"), ""),
}
_PREFIXLESS = {"temperature", "thermal resistance", "ratio"}


def parse_number(text: str) -> float:
    """Read a plain number by the written grammar.

    Parameters
    ----------
    text : str
        Decimal point or decimal comma; surrounding blanks are ignored.

    Returns
    -------
    float

    Raises
    ------
    UnitError
        If the text is anything else, or too large for a float.
    """
    body = text.strip().replace("−", "-")
    if not _NUMBER.fullmatch(body):
        raise UnitError(f"{text.strip()!r} is not a number")
    value = float(body.replace(",", "."))
    if not math.isfinite(value):
        raise UnitError(f"{text.strip()!r} is too large for a number")
    return value


def unit_factor(unit: str, quantity: str) -> float:
    """Factor that turns a value in `unit` into the SI unit of `quantity`.

    Raises
    ------
    UnitError
        If the unit is not one of that quantity; names what it is and what was expected.
    """
    symbols, si = QUANTITIES[quantity]
    unit = unit.strip()
    for symbol in symbols:
        if symbol and unit.endswith(symbol):
            prefix = unit[: len(unit) - len(symbol)].strip()
            if prefix in PREFIXES and not (prefix and quantity in _PREFIXLESS):
                return 0.01 if symbol == "%" else PREFIXES[prefix]
    if unit == "" and quantity == "ratio":
        return 1.0
    if quantity == "resistance" and unit in ("k", "K", "M", "G", "m"):  # the trade writes 34k
        return PREFIXES[unit]
    other = quantity_of_unit(unit)
    if other:
        raise UnitError(f"{unit!r} is a unit of {other}; a {quantity} in {si} (with prefix) was expected")
    raise UnitError(f"{unit!r} is not a unit of {quantity}; write it in {si} (with prefix: m, u, k, M ...)")


def quantity_of_unit(unit: str) -> str:
    """Quantity a unit belongs to, or '' when it is none of ours."""
    for quantity, (symbols, _) in QUANTITIES.items():
        for symbol in symbols:
            if symbol and unit.endswith(symbol):
                prefix = unit[: len(unit) - len(symbol)].strip()
                if prefix in PREFIXES and not (prefix and quantity in _PREFIXLESS):
                    return quantity
    return ""


def split_quantity(text: str) -> tuple[float, str]:
    """Split ``612 mV`` or ``2,2MΩ`` into number and unit text (unit may be '').

    Raises
    ------
    UnitError
        If it does not start with a number.
    """
    body = text.strip().replace("−", "-")
    match = _NUMBER.match(body)
    if not match:
        raise UnitError(f"{text.strip()!r} does not start with a number")
    return parse_number(match.group()), body[match.end() :].strip()


def parse_quantity(text: str, quantity: str) -> float:
    """Read a number with its unit, as every command-line option that is physical takes it.

    Parameters
    ----------
    text : str
        For example ``0.22ohm``, ``5A``, ``2,8 V``.
    quantity : str
        A key of `QUANTITIES`.

    Returns
    -------
    float
        Value in the SI unit (temperature: degC).

    Raises
    ------
    UnitError
        No number, no unit, or a unit of something else.
    """
    value, unit = split_quantity(text)
    if unit == "" and quantity != "ratio":
        raise UnitError(
            f"{text.strip()!r} has no unit; write the unit, for example '{value:g}{QUANTITIES[quantity][1]}'"
        )
    return value * unit_factor(unit, quantity)
