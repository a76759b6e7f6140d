"""A meter's library turned onto one kind of part, and one part weighed with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from junction.base.records import Interval, PartReadings, Reading
from junction.leads.answer import Answer, Catalogue
from junction.leads.hypotheses_library import Library
from junction.leads.leads import Arrangement
from junction.leads.next_test import outcome_table


@dataclass(frozen=True, eq=False)
class Bench:
    """A meter's library for one kind of lead names, with the ways to turn it onto a part."""

    leads: tuple[str, ...]
    named: bool
    library: Library
    known: Catalogue
    turns: tuple[Arrangement, ...]
    at: dict[str, int]

    @cached_property
    def outcomes(self) -> np.ndarray:
        """Probability of every kind of reading under each hypothesis, to choose the next placement."""
        return outcome_table(self.library)

    @property
    def placements(self) -> tuple[str, ...]:
        """Placement names in the order of a row of readings."""
        return tuple(self.at)


@dataclass(frozen=True, eq=False)
class Weighed:
    """One part weighed: its posterior, its table row and the marginals."""

    readings: PartReadings
    p: np.ndarray  # (A, H + 1)
    value: np.ndarray  # (12,)
    state: np.ndarray  # (12,)
    found: Answer
    ohms: dict[str, Interval]


LEAD_SETS = {"BCE": (("B", "C", "E"), True), "123": (("1", "2", "3"), False), "AK": (("A", "K"), True)}


def lead_set(readings: Sequence[Reading]) -> str:
    """Which lead names a part's readings use: 'BCE', '123' or 'AK'; 'BCE' where there are none."""
    for name, (leads, _) in LEAD_SETS.items():
        if any(r.placement.split("-")[0] in leads for r in readings):
            return name
    return "BCE"
