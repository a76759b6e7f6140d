"""What a bench reaches of each quantity (reference/reach.csv): the bounds of every number that enters."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from junction.base.errors import UnitError
from junction.base.units import shown, si
from junction.shelf.tables import records


def reach(quantity: str) -> SimpleNamespace | None:
    """Bounds of a quantity: ``smallest``, ``most`` [SI unit] and its ``unit``; None where it has none."""
    return records("reach").get(quantity)


def within(text: str, value: float, quantity: str, *, read: bool = False) -> float:
    """The value of a cell or a typed reading [SI unit], which a bench reaches.

    What was ``read`` off an instrument is not less than anything measures either; points of a sweep are held to
    that by the column.

    Raises
    ------
    UnitError
        It is beyond, or less.
    """
    known = reach(quantity)
    if known is not None and not abs(value) <= known.most:
        most = si(known.most, known.unit) if known.unit else f"{known.most:g}"
        raise UnitError(f"{shown(text)} is beyond the {most} that a bench reaches; write what was measured,"
                        " in its unit")  # fmt: skip
    if read and too_small(value, quantity):
        raise UnitError(f"{shown(text)} is less than anything measures; write what was read, or 0")
    return value


def too_small(value, quantity: str):
    """Whether a number is none that anything measures, and not zero; value or array."""
    known = reach(quantity)
    return (value != 0) & (np.abs(value) < (known.smallest if known is not None else 0.0))
