"""Numbers as a careful person writes them: no more digits than the uncertainty allows.

Rounding follows the Particle Data Group (Review of Particle Physics, Introduction, "Rounding"): the
three leading digits of the standard uncertainty decide; 100 to 354 keep two digits, 355 to 949 keep
one, 950 to 999 go up to 1000 and keep two.  The value is rounded to the same place.  This agrees with
JCGM 100:2008 (GUM) 7.2.6, which asks for at most two digits in an uncertainty.  A 95 % interval is
rounded at the place its standard uncertainty (half-width / 1.96) asks for; a one-sided limit is
rounded away from what it excludes, so that it stays true.

What these functions return is text (`Num`) that remembers the unrounded value of each number in it.
"""

from __future__ import annotations

from functools import lru_cache
from math import ceil, floor, inf, isfinite, isnan, log10

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
#: Units whose tenths are read in the unit itself by the trade: 0.22 ohm, 0.612 V.
_TENTHS = frozenset(("V", "ohm"))
_UNKNOWN = "not known"
#: Half-width of a 95 % interval in standard uncertainties (normal).
_K95 = 1.959964


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
    shown = {"degC": "°C"}.get(unit, unit)
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
        For example ``2.20 Mohm``.
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
        For example ``1.3 µA``, ``0.652 V``, ``10.4 kohm``; whole numbers keep all digits before the point.
    """
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
    """A value with its 95 % interval, or a one-sided limit (``< 0.3 ohm``, ``> 2.2 Mohm``).

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
    u, like = half / _K95, max(abs(it.value), half)
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
    """A share with its 95 % interval in percent, to even places: ``3.1 % (1.7 % to 4.5 %)``."""
    shares = {100 * x: x for x in (it.value, it.low, it.high)}
    percents = interval(Interval(100 * it.value, 100 * it.low, 100 * it.high), "", even=True)
    return Num(*((text, None) if x is None else (f"{text} %", shares[x]) for text, x in percents.pieces))


def reading(r: Reading) -> Num:
    """A meter reading as the meter shows it: ``0.612 V``, ``OL``, ``34 ohm``."""
    if r.kind == "over":
        shown: Pieces = (("OL", None),)
    elif r.kind == "ohm":
        shown = nominal(r.value, "ohm").pieces if isfinite(r.value) else (("over-range ohm", None),)
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
