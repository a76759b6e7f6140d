"""What lead finding takes for likely before it sees a reading: the table ``reference/priors.csv``."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import log, nan

from junction.base.errors import ShelfError
from junction.base.units import parse_number
from junction.shelf.tables import read_rows, reference_folder


@dataclass(frozen=True)
class Prior:
    """One row: a weight, or a quantity with the range that holds about 95 % of parts."""

    name: str
    value: float
    low: float
    high: float
    unit: str
    meaning: str
    basis: str
    source: str

    @property
    def centre(self) -> float:
        """Mean of the value (voltages) or of its logarithm."""
        return self.value if self.unit == "V" else log(self.value)

    @property
    def spread(self) -> float:
        """Standard deviation of the value (voltages) or of its logarithm: a quarter of the 95 % range."""
        return (self.high - self.low) / 4 if self.unit == "V" else log(self.high / self.low) / 4


def _number(text: str, line: int, column: str) -> float:
    if not text:
        return nan
    try:
        value = parse_number(text)
    except ValueError as error:
        raise ShelfError(str(error), "priors.csv", line, column) from error
    if value <= 0:
        raise ShelfError("must be above 0", "priors.csv", line, column)
    return value


@cache
def priors() -> dict[str, Prior]:
    """All priors by name.

    Raises
    ------
    ShelfError
        A row that cannot be read, with line and column.
    """
    found: dict[str, Prior] = {}
    for line, row in read_rows(reference_folder() / "priors.csv"):
        value, low, high = (_number(row[c], line, c) for c in ("value", "low", "high"))
        if value != value or (low < high) == (low != low):
            raise ShelfError("wants a value, and low below high or neither", "priors.csv", line, "value")
        if not row["basis"]:
            raise ShelfError("every prior says what it rests on", "priors.csv", line, "basis")
        found[row["prior"]] = Prior(
            row["prior"], value, low, high, row["unit"], row["meaning"], row["basis"], row["source"]
        )
    return found
