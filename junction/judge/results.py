"""What judgement returns: verdicts with probability, evidence, alternatives and the next test."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from math import inf, nan
from typing import TYPE_CHECKING

from junction.base.constants import REFERENCE_TEMP_C
from junction.base.records import Bag, Interval, SetAside, not_json
from junction.judge.sentences import fill
from junction.shelf.results import Caution, Meter

if TYPE_CHECKING:  # a check of readings makes no fit and does not wait for its records
    from junction.fit.results import FitSummary, SweepPlot


class Verdict(StrEnum):
    """What a junction or part is; `UNDECIDED` is a refusal, not a quality."""

    GOOD = "good"
    LEAKY = "leaky"
    SHORTED = "shorted"
    OPEN = "open"
    UNDECIDED = "undecided"


#: In the order of the columns of a probability; a code is an index into `VERDICTS`.
VERDICTS = tuple(Verdict)
QUALITIES = VERDICTS[:-1]
#: Order of a list that a technician reads: worst first, undecided before good.
WORST_FIRST = (Verdict.SHORTED, Verdict.OPEN, Verdict.LEAKY, Verdict.UNDECIDED, Verdict.GOOD)


@dataclass(frozen=True)
class Finding:
    """One quantity against its limit: what a verdict, its sentence and its next test are made of."""

    where: str  # junction or path, pair of leads, position
    reason: str  # row of reference/sentences.csv
    quantity: str = ""  # name with its unit, such as 'leak_A'
    value: Interval | None = None
    low: float = -inf
    high: float = inf
    limit_from: str = ""  # what the limit rests on, in words
    kept: float = nan  # probability that the quantity keeps the limit [1]
    numbers: Mapping[str, float | str] = field(default_factory=dict)  # further fields of its sentences

    def _filled(self, column: str) -> str:
        known = {"where": self.where, "low": self.low, "high": self.high, **self.numbers}
        return fill(self.reason, column, known)

    def says(self) -> str:
        """The sentence a technician would say, with numbers."""
        return self._filled("says")

    def next(self) -> str:
        """The measurement or act that comes next, '' where nothing does."""
        return self._filled("next")

    def otherwise(self) -> str:
        """What else could look like this, '' where nothing does."""
        return self._filled("else")


@dataclass(frozen=True)
class JunctionVerdict:
    """Verdict of one junction or path (AK, BE, BC, CE)."""

    junction: str
    verdict: Verdict
    probability: Mapping[str, float]  # over QUALITIES, sums to 1
    faults: tuple[str, ...] = ()  # 'BE leaky'
    evidence: tuple[str, ...] = ()  # one sentence a technician would say, with numbers
    fit: FitSummary | None = None
    leak_ohm: Interval | None = None
    sweep: int | None = not_json(None)  # index into the sweep table, for the plots
    family: str = ""  # family whose limits were used
    limit: str = ""  # the limit and its source, in words
    finding: Finding | None = not_json(None)  # the quantity that decided


@dataclass(frozen=True)
class Device:
    """What the part seems to be."""

    kind: str = "unknown"  # bjt, darlington, bjt with damper diode, diode, unknown
    polarity: str = ""  # NPN, PNP
    material: str = ""  # silicon, germanium, Schottky
    leads: Mapping[str, str] = field(default_factory=dict)  # {'1': 'E', ...}; {} when given by name


@dataclass(frozen=True)
class Alternative:
    """Another explanation of the same readings, and the measurement that would decide."""

    faults: tuple[str, ...]
    device: Device
    probability: float
    decided_by: str = ""


@dataclass(frozen=True)
class PartVerdict:
    """Verdict of one part."""

    part: str
    verdict: Verdict
    probability: Mapping[str, float]
    device: Device = field(default_factory=Device)
    junctions: tuple[JunctionVerdict, ...] = ()
    faults: tuple[str, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    evidence: tuple[str, ...] = ()
    next: str = ""
    cannot_see: str = ""  # what the method is blind to; never empty for a good from diode mode
    warnings: tuple[str, ...] = ()  # marking contradicted, temperature missing, in circuit ...
    neighbours: tuple[str, ...] = ()  # what to test before power-up
    basis: str = ""  # 'readings', 'sweeps', 'readings and sweeps'
    type: str = ""
    temp_C: float = nan
    temp_known: bool = False
    in_circuit: bool = False
    faults_probability: float = nan  # that exactly `faults` is what is wrong (readings only)
    doubt: str = ""  # undecided for another reason than the probabilities: what stands against it, in words


@dataclass(frozen=True, eq=False)
class SortReport:
    """Judged parts, worst first, with the bag they were judged from.

    ``plots`` parts with sweeps, worst first, are drawn on a page; ``draw`` makes the points and fitted curves
    of sweeps, by their index in the bag's table.
    """

    verdicts: tuple[PartVerdict, ...]
    meter: Meter
    bag: Bag
    cautions: tuple[Caution, ...] = ()
    label: str = ""  # what stands over the whole report, such as that its data are invented
    default_temp_C: float = REFERENCE_TEMP_C
    parts_without_temp: int = 0
    curves_only: int = 0
    spots_only: int = 0
    plots: int = 0
    draw: Callable[[Iterable[int]], Mapping[int, SweepPlot]] | None = None

    def counts(self) -> dict[str, int]:
        """Number of parts by verdict, worst first, verdicts that do not occur left out."""
        found = Counter(v.verdict for v in self.verdicts)
        return {word: found[word] for word in WORST_FIRST if found[word]}

    @property
    def set_aside(self) -> tuple[SetAside, ...]:
        """What was read and could not be used."""
        return self.bag.set_aside
