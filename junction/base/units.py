"""Numbers with units: the one grammar they are read by, how a careful person writes them; two constants.

Reading.  A number is an optional sign, ASCII digits with at most one decimal mark (point or comma) and an
optional exponent.  Nothing else is one: no ``1_000``, no ``nan``, no ``inf``, no thousands marks.  A
unit is an SI prefix and a unit symbol of the quantity asked for; a unit of another quantity is an
error, never a guess.  Prefixes that no bench reading has (``MA``, ``GV``) are refused, because such a
unit is nearly always a milliampere typed in capitals.  Resistances may also be written with the letter
as decimal mark (``4k7``, ``0R22``), the marking code of IEC 60062.

Writing.  Rounding follows the Particle Data Group (Review of Particle Physics, Introduction, "Rounding"): the
three leading digits of the standard uncertainty decide; 100 to 354 keep two digits, 355 to 949 keep
one, 950 to 999 go up to 1000 and keep two.  The value is rounded to the same place.  This agrees with
JCGM 100:2008 (GUM) 7.2.6, which asks for at most two digits in an uncertainty.  A 95 % interval is
rounded at the place its standard uncertainty (half-width / 1.96) asks for; a one-sided limit is
rounded away from what it excludes, so that it stays true.

What these functions return is text (`Num`) that remembers the unrounded value of each number in it.

The constants are exact by definition (SI Brochure, 9th edition, 2019, section 2.3.1 and table 4), so nothing
is measured here.  They are written out because importing ``scipy.constants`` costs more than the whole of a
`junction check`; a test holds them equal to ``scipy.constants``, digit for digit.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from functools import lru_cache
from math import ceil, floor, inf, isfinite, isnan, log10

from junction.base.errors import UnitError
from junction.base.records import Interval, Reading

Pieces = tuple[tuple[str, float | None], ...]


class Num(str):
    """Text of a number and its pieces, (text, value) pairs: the value unrounded in SI, None for words."""

    __slots__ = ("pieces",)

    def __new__(cls, *pieces: tuple[str, float | None]) -> Num:
        """From its pieces, which joined are the text."""
        self = super().__new__(cls, "".join(text for text, _ in pieces))
        self.pieces = pieces
        return self


_PREFIX = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
_PREFIXABLE = frozenset(("V", "A", "ohm", "W", "F", "s", "Hz", "V/K"))
#: Units whose tenths are read in the unit itself by the trade: 0.22 Ω, 0.612 V.
_TENTHS = frozenset(("V", "ohm", "Ω"))
#: SI units that people read in another form than the records name them in.
_SHOWN = {"degC": "°C", "ohm": "Ω"}
_UNKNOWN = "not known"
#: Half-width of a 95 % interval in standard uncertainties (normal).
#: Standard deviations of the normal law that hold 95 %, to both sides and to one (JCGM 100:2008, table G.1).
NORMAL_95, NORMAL_95_ONE_SIDED = 1.959963984540054, 1.6448536269514722


def uncertainty_place(u: float) -> int:
    """Decimal place to round a standard uncertainty and its value at, by the PDG rule.

    Parameters
    ----------
    u : float
        Standard uncertainty, finite and above zero, in any unit.

    Returns
    -------
    int
        Number of decimals (negative: tens, hundreds ...).
    """
    exponent = floor(log10(u))
    leading = round(u / 10.0**exponent * 100)
    if leading >= 1000:
        exponent, leading = exponent + 1, 100
    # 950 to 999 becomes 1000 with two digits kept, which is the place of one digit of this decade
    return 1 - exponent if leading < 355 else -exponent


def fixed(x: float, decimals: int) -> str:
    """Number with `decimals` decimals (negative rounds to tens ...), never ``-0``."""
    text = f"{x:.{decimals}f}" if decimals > 0 else f"{round(x, decimals):.0f}"
    return text.lstrip("-") if text.startswith("-") and not text.strip("-0.") else text


def prefix_exponent(x: float, unit: str) -> int:
    """Power of ten of the SI prefix a value is best read in (0 for units that take none)."""
    size = abs(x)
    if unit not in _PREFIXABLE or size == 0 or not isfinite(size):
        return 0
    if unit in _TENTHS and 0.0999 < size < 1:
        return 0
    power = 3 * floor(log10(size * (1 + 5e-10)) / 3)
    return power if -15 <= power <= 9 else 0


def _unit(unit: str, power: int) -> str:
    shown = _SHOWN.get(unit, unit)
    if shown in ("", "1"):
        return ""
    return ("" if shown == "%" else " ") + _PREFIX[power] + shown


def _plain(x: float, decimals: int, power: int, like: float | None = None) -> str:
    """One number in its prefix; far outside the prefixes in powers of ten (the power `like` needs)."""
    size = abs(x if like is None else like)
    if power == 0 and size and not 1e-4 <= size < 1e7:
        exponent = floor(log10(size) + 1e-12)
        return f"{fixed(x / 10.0**exponent, max(0, decimals + exponent))}e{exponent}"
    return fixed(x / 10.0**power, decimals + power)


def _limit(x: float, digits: int, power: int, up: bool) -> str:
    """A bound rounded outwards (up or down), without needless zeros."""
    if x == 0:
        return "0"
    place = floor(log10(abs(x))) - digits + 1
    scaled = x / 10.0**place
    slack = 1e-9 * abs(scaled)  # 0.3 is 0.29999...: do not push it to 0.31
    whole = ceil(scaled - slack) if up else floor(scaled + slack)
    text = _plain(whole * 10.0**place, -place, power)
    return text.rstrip("0").rstrip(".") if "." in text and "e" not in text else text


def quantity(x: float, unit: str = "", digits: int = 3) -> Num:
    """A number without a stated uncertainty, to `digits` significant digits, in its SI prefix.

    Parameters
    ----------
    x : float
        Value in the SI unit; nan gives "not known".
    unit : str
        SI unit ('ohm', 'degC' and 'K/W' as in the records).
    digits : int

    Returns
    -------
    Num
        For example ``2.20 MΩ``.
    """
    if isnan(x):
        return Num((_UNKNOWN, None))
    if abs(x) == inf:
        return Num(("unlimited" if x > 0 else "-unlimited", None))
    if x == 0:
        return Num(("0", 0.0), (_unit(unit, 0), None))
    decimals = digits - 1 - floor(log10(abs(x)))
    rounded = round(x, decimals)
    decimals = digits - 1 - floor(log10(abs(rounded)))
    power = prefix_exponent(rounded, unit)
    return Num((_plain(rounded, decimals, power), x), (_unit(unit, power), None))


@lru_cache(maxsize=256)  # limits stand in thousands of sentences
def si(x: float, unit: str, digits: int = 3) -> str:
    """A number as a sentence holds it: significant digits without needless zeros, in its SI prefix.

    Parameters
    ----------
    x : float
        Value in the SI unit; nan gives "an unknown number of" the unit.
    unit : str
    digits : int

    Returns
    -------
    str
        For example ``1.3 µA``, ``0.652 V``, ``10.4 kΩ``; whole numbers keep all digits before the point.
    """
    unit = _SHOWN.get(unit, unit)
    if x != x:
        return "an unknown number of " + unit
    if x in (0.0, inf, -inf):
        return f"{x:g} {unit}"
    decade = int(f"{x:.{digits - 1}e}".rpartition("e")[2])
    if decade == -1 and unit in _TENTHS:
        return f"{x:.{digits}f} {unit}"
    power = min(max(3 * (decade // 3), -15), 9)
    scaled = x * 10.0**-power
    text = f"{scaled:.0f}" if decade - power >= digits else f"{scaled:.{digits}g}"
    return f"{text} {_PREFIX[power]}{unit}"


def value_and_ends(it: Interval, unit: str | None = None) -> tuple[str, str]:
    """`interval` in two columns: the value or limit, and the interval without its brackets."""
    value, _, rest = interval(it, unit).partition(" (")
    return value, rest.removesuffix(")")


def interval(it: Interval, unit: str | None = None, *, ends: bool = True, even: bool = False) -> Num:
    """A value with its 95 % interval, or a one-sided limit (``< 0.3 Ω``, ``> 2.2 MΩ``).

    Parameters
    ----------
    it : Interval
    unit : str, optional
        Instead of ``it.unit``.
    ends : bool
        Whether the interval follows in brackets; else the value alone, rounded at the place it allows.
    even : bool
        All three numbers to one place and in one prefix, however long one arm is: for sizes, whose intervals
        reach down to nothing.

    Returns
    -------
    Num
    """
    unit = it.unit if unit is None else unit
    if isnan(it.value):
        return _one_sided(it.low, it.high, unit)
    low, high = it.low, it.high
    if not (isfinite(low) and isfinite(high)) or high <= low:  # unknown, or open at one end
        value = quantity(it.value, unit, 2)
        if not ends or low == high or not (isfinite(low) or isfinite(high)):
            return value
        return Num(*value.pieces, (" (", None), *_one_sided(low, high, unit).pieces, (")", None))
    arms = sorted((it.value - low, high - it.value))
    # an interval over decades, or far longer to one side, gets its own digits and prefix at each end
    far = low > 0 and high / low > 8 or high < 0 and low / high > 8 or arms[1] > 20 * arms[0] > 0
    if far and not even:
        value, *limits = (quantity(x, unit, 2).pieces for x in (it.value, low, high))
        more = ((" (", None), *limits[0], (" to ", None), *limits[1], (")", None)) if ends else ()
        return Num(*value, *more)
    half = (high - low) / 2 if even else min(x for x in (*arms, (high - low) / 2) if x > 0)
    u, like = half / NORMAL_95, max(abs(it.value), half)
    place, size = uncertainty_place(u), max(abs(it.value), u)
    power = prefix_exponent(round(size, place), unit)
    if not 1e-15 <= size < 1e12:
        power = 0  # no prefix reaches there: powers of ten
    else:  # the prefix in which that place needs no padding zeros
        while place + power < 0 and unit in _PREFIXABLE and power < 9:
            power += 3
    shown = _unit(unit, power)
    value = (_plain(it.value, place, power), it.value)
    if not ends:
        return Num(value, (shown, None))
    return Num(value, (shown + " (", None), (_plain(low, place, power, like), low), (" to ", None),
               (_plain(high, place, power, like), high), (shown + ")", None))  # fmt: skip


def _one_sided(low: float, high: float, unit: str) -> Num:
    if isfinite(high) and (isnan(low) or low == -inf or low == 0):
        power = prefix_exponent(high, unit)
        return Num(("< ", None), (_limit(high, 2, power, up=True), high), (_unit(unit, power), None))
    if isfinite(low) and (isnan(high) or high == inf):
        power = prefix_exponent(low, unit)
        return Num(("> ", None), (_limit(low, 2, power, up=False), low), (_unit(unit, power), None))
    if isfinite(low) and isfinite(high):
        return Num(*quantity(low, unit, 2).pieces, (" to ", None), *quantity(high, unit, 2).pieces)
    return Num((_UNKNOWN, None))


def share(it: Interval) -> Num:
    """A share with its 95 % interval in percent, to even places: ``3.1 % (1.7 % to 4.5 %)``.

    The upper end is rounded up: what is graded by it must not look better than its grade.
    """
    high = 100 * it.high
    # twice: a longer arm may end at a coarser place
    for _ in range(2 if isfinite(high) and high > 100 * it.low else 0):
        place = 10.0 ** -uncertainty_place((high - 100 * it.low) / 2 / NORMAL_95)
        high = max(ceil(high / place - 1e-6) * place, high)
    shares = {100 * it.value: it.value, 100 * it.low: it.low, high: it.high}
    percents = interval(Interval(100 * it.value, 100 * it.low, high), "", even=True)
    return Num(*((text, None) if x is None else (f"{text} %", shares[x]) for text, x in percents.pieces))


def reading(r: Reading) -> Num:
    """A meter reading as the meter shows it: ``0.612 V``, ``OL``, ``34 Ω``."""
    if r.kind == "over":
        shown: Pieces = (("OL", None),)
    elif r.kind == "ohm":
        shown = nominal(r.value, "ohm").pieces if isfinite(r.value) else (("over-range Ω", None),)
    else:
        text = fixed(r.value, 3) if round(r.value, 3) == round(r.value, 6) else f"{r.value:.6g}"
        shown = ((text, r.value), (" V", None))
    return Num(*shown, (" (still falling)" if r.settling else "", None))


def nominal(x: float, unit: str = "") -> Num:
    """A number that was given, not computed: all of its digits (up to 6), in its prefix."""
    if not isfinite(x):
        return quantity(x, unit)
    power = prefix_exponent(x, unit)
    return Num((f"{x / 10.0**power:.6g}", x), (_unit(unit, power), None))


def percent(p: float, digits: int = 0) -> Num:
    """A probability or share in percent; never rounded up to 100 % or down to 0 %."""
    if isnan(p):
        return Num((_UNKNOWN, None))
    edge = 10.0**-digits
    rounded = round(100 * p, digits)
    if rounded == 0 < p:
        return Num((f"< {edge:g} %", p))
    return Num((f"> {100 - edge:g} %" if rounded == 100 and p < 1 else f"{rounded:.{digits}f} %", p))


def listed(names: Iterable[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``; '' for none."""
    *first, last = [*names] or [""]
    return f"{', '.join(first)} and {last}" if first else last


BOLTZMANN_J_PER_K = 1.380649e-23
ELEMENTARY_CHARGE_C = 1.602176634e-19
ZERO_CELSIUS_K = 273.15
#: Boltzmann constant over elementary charge [V/K].
K_OVER_Q_V_PER_K = BOLTZMANN_J_PER_K / ELEMENTARY_CHARGE_C
#: The temperature all comparisons are referred to [degC], unless the stage says otherwise.
REFERENCE_TEMP_C = 25.0

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}(,[0-9]{3})+")  # a decimal comma, or one of thousands
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


_SWING = re.compile(r"(.*[Vv])[ _-]*(pk|p|peak|pp|p-p|peak-to-peak|rms|RMS|eff)\.?")


def parse_swing(text: object) -> float:
    """Peak of a sine from its voltage with what it is: ``36Vpk``, ``72 Vpp``, ``25Vrms`` [V].

    Raises
    ------
    UnitError
        It does not say which of the three it is, or is no voltage above zero.
    """
    match = _SWING.fullmatch(str(text).strip())
    if not match:
        raise UnitError(f"{shown(str(text))}: peak, peak to peak or rms? Write 36Vpk, 72Vpp or 25Vrms")
    volts = parse_quantity(match[1], "voltage")
    if not 0 < volts <= 1e4:
        raise UnitError(f"{shown(str(text))} must be above 0 V and at most 10 kV")
    factor = {"r": math.sqrt(2), "R": math.sqrt(2), "e": math.sqrt(2)}.get(match[2][0], 1.0)
    return volts * (0.5 if match[2] in ("pp", "p-p", "peak-to-peak") else factor)


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


def parse_quantity(
    text: str, quantity: str, most: float = math.inf, plain: bool = False,
    usual: tuple[float, float] = (math.nan, math.nan),
) -> float:  # fmt: skip
    """Read a number with its unit, as every command-line option that is physical takes it.

    Parameters
    ----------
    text : str
        For example ``0.22ohm``, ``0R22``, ``5A``, ``2,8 V``.
    quantity : str
        A key of `QUANTITIES`.
    most : float
        The largest that may be meant, in the SI unit: the example that a missing unit is answered with.
    plain : bool
        A bare number is in the SI unit; ``4,700``, which may be either of two, is asked about.
    usual : tuple of float, optional
        Between what it usually lies, in the SI unit: only units that bring a bare number there are proposed.

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
    if unit == "" and plain:
        if _THOUSANDS.fullmatch(text.strip()):
            without = text.strip().replace(",", "")
            raise UnitError(f"{shown(text)} may be {value:g} or {without}; write {value:g} or {without}")
        return value
    if unit == "" and quantity != "ratio":
        _, si_unit, prefixes = QUANTITIES[quantity]
        known = not math.isnan(usual[0])
        low, high = usual if known else (-math.inf, most)
        fitting = [p for p in ("", "m", "u", "n", "k", "M")
                   if p in prefixes and low <= abs(value * PREFIXES[p]) <= high]  # fmt: skip
        if not known:  # the first that may be meant
            fitting = fitting[:1] or [""]
        examples = " or ".join(text.strip()[:40] + p + si_unit for p in fitting)
        raise UnitError(f"{shown(text)} has no unit" + (f". Write {examples}." if examples else ""))
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
