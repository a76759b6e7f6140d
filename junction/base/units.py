"""Numbers with units: one written grammar for cells, headings and command-line values; two constants.

A number is an optional sign, ASCII digits with at most one decimal mark (point or comma) and an
optional exponent.  Nothing else is one: no ``1_000``, no ``nan``, no ``inf``, no thousands marks.  A
unit is an SI prefix and a unit symbol of the quantity asked for; a unit of another quantity is an
error, never a guess.  Prefixes that no bench reading has (``MA``, ``GV``) are refused, because such a
unit is nearly always a milliampere typed in capitals.  Resistances may also be written with the letter
as decimal mark (``4k7``, ``0R22``), the marking code of IEC 60062.

The constants are exact by definition (SI Brochure, 9th edition, 2019, section 2.3.1 and table 4), so nothing
is measured here.  They are written out because importing ``scipy.constants`` costs more than the whole of a
`junction check`; a test holds them equal to ``scipy.constants``, digit for digit.
"""

from __future__ import annotations

import math
import re

from junction.base.errors import UnitError

BOLTZMANN_J_PER_K = 1.380649e-23
ELEMENTARY_CHARGE_C = 1.602176634e-19
ZERO_CELSIUS_K = 273.15
#: Boltzmann constant over elementary charge [V/K].
K_OVER_Q_V_PER_K = BOLTZMANN_J_PER_K / ELEMENTARY_CHARGE_C
#: The temperature all comparisons are referred to [degC], unless the stage says otherwise.
REFERENCE_TEMP_C = 25.0

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")
_LETTER_MARK = re.compile(r"([0-9]+(?=[kKMGT])|[0-9]*(?=R))([RkKMGT])([0-9]+)")  # IEC 60062: 4k7, 0R22, R22
# Signs, micro, ohm and degree have several code points that look alike; one of each is kept.
_ALIKE = str.maketrans(
    {"\u2212": "-", "\u00b5": "u", "\u03bc": "u", "\u2126": "\u03a9", "\u00ba": "\u00b0", "\u2103": "\u00b0C"}
)

PREFIXES = {
    "f": 1e-15, "p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0,
    "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9, "T": 1e12,
}  # fmt: skip
_WORDS = {"nano": "n", "micro": "u", "milli": "m", "kilo": "k", "mega": "M"}

#: quantity -> (unit symbols understood, SI unit for messages, prefixes taken)
QUANTITIES: dict[str, tuple[tuple[str, ...], str, tuple[str, ...]]] = {
    "voltage": (("V", "v", "volt", "volts", "Volt", "Volts"), "V", ("n", "u", "m", "", "k", "K")),
    "current": (("A", "a", "amp", "amps", "ampere", "amperes"), "A", ("f", "p", "n", "u", "m", "")),
    "resistance": (
        ("ohm", "ohms", "Ohm", "Ohms", "OHM", "OHMS", "Ω", "R"), "ohm",
        ("u", "m", "", "k", "K", "M", "G", "T"),
    ),
    "power": (("W", "w", "watt", "watts"), "W", ("n", "u", "m", "", "k", "K")),
    "frequency": (("Hz", "hz", "HZ"), "Hz", ("m", "", "k", "K", "M", "G")),
    "capacitance": (("F", "farad", "farads"), "F", ("f", "p", "n", "u", "m", "")),
    "time": (("s", "sec", "second", "seconds"), "s", ("n", "u", "m", "")),
    "temperature": (("C", "degC", "°C", "deg.C", "Celsius", "celsius"), "C", ("",)),
    "thermal resistance": (("K/W", "C/W", "°C/W", "degC/W"), "K/W", ("",)),
    "ratio": (("%",), "", ("",)),
}  # fmt: skip


def _spellings(quantity: str) -> dict[str, float]:
    symbols, _, prefixes = QUANTITIES[quantity]
    table = {}
    for symbol in symbols:
        for prefix in prefixes:
            table[prefix + symbol] = PREFIXES[prefix]
        if len(symbol) > 1:  # millivolts, microamp
            table |= {w + symbol: PREFIXES[p] for w, p in _WORDS.items() if p in prefixes}
    if quantity == "ratio":
        table = {"": 1.0, "%": 0.01}
    if quantity == "resistance":  # the trade writes 34k and 2.2M
        table |= {p: PREFIXES[p] for p in ("m", "k", "K", "M", "G")}
        table |= {"kilohm": 1e3, "kilohms": 1e3, "megohm": 1e6, "megohms": 1e6}
    return table


#: quantity -> {unit spelling: factor to the SI unit}
SPELLINGS: dict[str, dict[str, float]] = {quantity: _spellings(quantity) for quantity in QUANTITIES}


def _tidy(unit: str) -> str:
    return "".join(unit.translate(_ALIKE).split())


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
    body = text.strip().replace("\u2212", "-")
    if not _NUMBER.fullmatch(body):
        raise UnitError(f"{shown(text)} is not a number")
    value = float(body.replace(",", "."))
    if not math.isfinite(value):
        raise UnitError(f"{shown(text)} is too large for a number")
    return value


def unit_factor(unit: str, quantity: str) -> float:
    """Factor that turns a value in `unit` into the SI unit of `quantity`.

    Parameters
    ----------
    unit : str
        Prefix and symbol; blanks between them are ignored (``k ohm``).
    quantity : str
        A key of `QUANTITIES`.

    Returns
    -------
    float
        SI units per `unit`; 1 for degrees Celsius.

    Raises
    ------
    UnitError
        If the unit is not one of that quantity; names what it is and what was expected.
    """
    table = SPELLINGS[quantity]
    name = _tidy(unit)
    if name in table:
        return table[name]
    si = QUANTITIES[quantity][1] or "a plain number"
    if name == "":
        raise UnitError(f"no unit; a {quantity} in {si} (with prefix) was expected")
    other = quantity_of_unit(unit)
    if other:
        raise UnitError(f"{shown(unit)} is a unit of {other}; a {quantity} in {si} was expected")
    likely = sorted({s for s in table if s.lower() == name.lower()})
    hint = f"write it in {si} (with prefix: m, u, k, M ...)"
    if likely:
        hint = f"did you mean {likely[0]}?"
    raise UnitError(f"{shown(unit)} is not a unit of {quantity}; {hint}")


def in_si(value, factor: float):
    """Value times a unit's factor; 700 mV is 0.7 V to the last bit, where a product gives 0.7000000000000001.

    Parameters
    ----------
    value : float or ndarray
        In the unit as written.
    factor : float
        From `unit_factor`: a power of ten, or 0.01.

    Returns
    -------
    float or ndarray
    """
    return value * factor if factor >= 1.0 else value / round(1.0 / factor)


def quantity_of_unit(unit: str) -> str:
    """Quantity a unit belongs to, or '' when it is none of ours (a bare prefix is none)."""
    name = _tidy(unit)
    if name == "" or name in PREFIXES:
        return ""
    return next((quantity for quantity, table in SPELLINGS.items() if name in table), "")


def split_quantity(text: str) -> tuple[float, str]:
    """Split ``612 mV`` or ``2,2MΩ`` into number and unit text (unit may be '').

    Raises
    ------
    UnitError
        If it does not start with a number.
    """
    body = text.strip().replace("\u2212", "-")
    match = _NUMBER.match(body)
    if not match:
        raise UnitError(f"{shown(text)} is not a number")
    rest = body[match.end() :].strip()
    if rest and not (rest[0].isalpha() or rest[0] in "\u00b0\u2103%"):  # 1_000, 0.6.1, 1'000, 1 000
        raise UnitError(f"{shown(text)} is not a number")
    return parse_number(match.group()), rest


def letter_marked(text: str) -> float:
    """Resistance written with its letter as the decimal mark, by IEC 60062.

    Parameters
    ----------
    text : str
        ``4k7``, ``0R22``, ``R22``, ``1M0``.

    Returns
    -------
    float
        Resistance [ohm], or nan where the text is not of that form.
    """
    match = _LETTER_MARK.fullmatch(text.strip())
    if not match:
        return math.nan
    whole, letter, rest = match.groups()
    return float(f"{whole or 0}.{rest}") * (1.0 if letter == "R" else PREFIXES[letter])


def parse_quantity(text: str, quantity: str) -> float:
    """Read a number with its unit, as every command-line option that is physical takes it.

    Parameters
    ----------
    text : str
        For example ``0.22ohm``, ``0R22``, ``5A``, ``2,8 V``.
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
    if quantity == "resistance" and math.isfinite(marked := letter_marked(text)):
        return marked
    value, unit = split_quantity(text)
    if unit == "" and quantity != "ratio":
        example = text.strip()[:40] + QUANTITIES[quantity][1]
        raise UnitError(f"{shown(text)} has no unit; write the unit, for example '{example}'")
    result = in_si(value, unit_factor(unit, quantity))
    if not math.isfinite(result):
        raise UnitError(f"{shown(text)} is too large for a number")
    return result


def shown(text: str, limit: int = 60) -> str:
    """Quote foreign text for a message: one line, control characters escaped, clipped."""
    body = text.strip()
    return repr(body if len(body) <= limit else body[: limit - 1] + "…")


def thermal_voltage(temp_C):
    """Thermal voltage kT/q.

    Parameters
    ----------
    temp_C : float or ndarray
        Junction temperature [degC].

    Returns
    -------
    float or ndarray
        VT = kT/q [V]; 25.69258 mV at 25 degC.
    """
    return K_OVER_Q_V_PER_K * (temp_C + ZERO_CELSIUS_K)
