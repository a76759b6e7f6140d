"""What a bench reaches of each quantity (reference/reach.csv): the bounds of every number that enters.

Cells and typed readings go through `within`; options, positional arguments and what Python calls give through
`physical` and its like, with bounds of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import inf, isinf, isnan, nan
from types import SimpleNamespace

import numpy as np

from junction.base.errors import UnitError, UsageError
from junction.base.units import QUANTITIES, parse_number, parse_quantity, shown, si
from junction.shelf.tables import records, rule

#: Above the marks of IEEE 488.2 instruments (9.91e37), below what a square of overflows.
_MOST_MARK = 1e38


def reach(quantity: str) -> SimpleNamespace | None:
    """Bounds of a quantity: ``smallest``, ``most`` [SI unit] and its ``unit``; None where it has none."""
    return records("reach").get(quantity)


def within(text: str, value: float, quantity: str, *, read: bool = False) -> float:
    """The value of a cell or a typed reading [SI unit], which a bench reaches.

    What was ``read`` off an instrument is not less than anything measures either; points of a sweep are
    held to that by the column.

    Raises
    ------
    UnitError
        It is beyond, or less.
    """
    if beyond(value, quantity, marks=not read):
        known = reach(quantity)
        most = si(known.most, known.unit) if known.unit else f"{known.most:g}"
        raise UnitError(f"{shown(text)} is beyond the {most} that a bench reaches; write what was measured,"
                        " in its unit")  # fmt: skip
    if read and too_small(value, quantity):
        raise UnitError(f"{shown(text)} is less than anything measures; write what was read, or 0")
    return value


def beyond(value, quantity: str, *, marks: bool = False, factor: float = 1.0):
    """Whether a number is none that a bench reaches; value or array, in units of `factor` SI units.

    An instrument's ``marks`` for over-range, which the fits know, are not.
    """
    known, size = reach(quantity), np.abs(value)
    if known is None:
        return size == np.inf
    over = ~(size <= known.most / factor) & (size == size)
    if marks:
        over &= ~((size >= rule("fit_over_range") / factor) & (size <= _MOST_MARK / factor))
    return over


def too_small(value, quantity: str):
    """Whether a number is none that anything measures, and not zero; value or array."""
    known = reach(quantity)
    return (value != 0) & (np.abs(value) < (known.smallest if known is not None else 0.0))


# --- options and arguments ------------------------------------------------------------------------------


def physical(
    given, quantity: str, above: float = nan, least: float = nan, most: float = nan, below: float = nan, *,
    plain: bool = False, usual: tuple[float, float] = (nan, nan),
) -> float:  # fmt: skip
    """A number from text with its unit, or from a plain number in the SI unit.

    Parameters
    ----------
    given : str or number
    quantity : str
        Key of `junction.base.units.QUANTITIES`; or a unit that is no quantity's, which may stand behind.
    above, least, most, below : float, optional
        Bounds in the SI unit; a value outside is refused.
    plain : bool
        A text without a unit is in the SI unit too: where no other unit can be meant.
    usual : tuple of float, optional
        Between what it usually lies, in the SI unit: the units that a bare number is asked about with.
    """
    if isinstance(given, str) and quantity in QUANTITIES:
        value = parse_quantity(given, quantity, inf if isnan(most) else most, plain, usual)
    else:
        try:
            value = float(given.strip().removesuffix(quantity) if isinstance(given, str) else given)
        except ValueError as error:
            told = f"{shown(str(given))} is not a number" + (quantity and f" of {quantity}")
            raise UsageError(told) from error
        except OverflowError:  # a whole number of hundreds of digits
            value = inf
    return held(given, value, quantity, above, least, most, below)


def held(
    given, value: float, quantity: str, above: float, least: float, most: float, below: float
) -> float:  # fmt: skip
    """A value [SI unit] within its own bounds and those of a bench (reference/reach.csv)."""
    told, known = shown(str(given)), reach(quantity)
    if isnan(value):
        raise UsageError(f"{told} is not a number")
    smallest = -inf
    if known is not None:
        most = known.most if isnan(most) and isnan(below) else most
        least = -known.most if isnan(least) and isnan(above) else least
        smallest = known.smallest if value and (least >= 0 or above >= 0) else smallest
    unit = QUANTITIES[quantity][1] if quantity in QUANTITIES else quantity
    zero = "0 or " if least == 0 else ""
    for refused, words, bound in (
        (value <= above, "above", above), (value < least, "at least", least),
        (value > most, "at most", most), (value >= below, "below", below),
        (value < smallest, f"{zero}at least", smallest), (isinf(value), "finite, not", value),
    ):  # fmt: skip
        if refused:
            raise UsageError(f"{told} must be {words} {si(bound, unit) if unit else format(bound, 'g')}")
    return value


def several(given, item: Callable) -> tuple:
    """One value or several with commas or semicolons between: ``0.22ohm,0.22ohm,0.33ohm``."""
    if isinstance(given, str):
        pieces: list[str] = []
        for piece in given.replace(";", ",").split(","):
            # a comma between digits that carry no unit yet is a decimal mark: 0,22ohm
            if pieces and pieces[-1].strip().lstrip("+-").isdigit():
                pieces[-1] += "," + piece
            else:
                pieces.append(piece)
        given = [piece.strip() for piece in pieces if piece.strip()]
    elif not isinstance(given, Sequence) and not hasattr(given, "tolist"):
        given = [given]
    values = tuple(map(item, given))
    if not values:
        raise UsageError("a value with its unit was expected")
    return values


def whole(given, least: float, most: float) -> int:
    """A whole number between bounds."""
    try:
        if int(given) != given and isinstance(given, float):
            raise ValueError
    except (TypeError, ValueError, OverflowError) as error:
        raise UsageError(f"{shown(str(given))} is not a whole number") from error
    return int(physical(given, "", least=least, most=most))


def accuracy(given, quantity: str, most: float) -> tuple[float, float]:
    """Limits of error such as ``0.5%+2mV``: (fraction of reading [1], floor in the SI unit, up to `most`)."""
    like = f"like 0.5%+2m{QUANTITIES[quantity][1]}"
    if not isinstance(given, str):
        try:
            share, least = given
        except (TypeError, ValueError) as error:
            raise UsageError(f"{given!r}: an accuracy is written {like}, or as two numbers") from error
        return physical(share, "ratio", least=0.0, below=1.0), physical(least, quantity, least=0.0, most=most)
    parts = [p.strip() for p in given.replace("±", "").split("+") if p.strip()]
    percents = [p for p in parts if p.endswith("%")]
    floors = [p for p in parts if not p.endswith("%")]
    if len(percents) > 1 or len(floors) > 1:
        raise UsageError(f"{shown(given)}: write percent of reading and floor once each, {like}")
    try:
        fraction = sum(parse_number(p[:-1]) / 100 for p in percents)
        floor_ = sum(parse_quantity(p, quantity) for p in floors)
    except UnitError as error:
        raise UsageError(f"{str(error).partition('. Write')[0]}: an accuracy is written {like}") from error
    if not parts or floor_ < 0 or not 0 <= fraction < 1:
        raise UsageError(f"{shown(given)}: an accuracy is written {like}")
    held(given, float(fraction), "ratio", nan, 0.0, nan, 1.0)
    return float(fraction), held(given, float(floor_), quantity, nan, 0.0, most, nan)
