"""What matching returns: the sets with their grade, what is left over, and what that rests on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import ClassVar

from junction.amplifier.results import Stage
from junction.base.records import Bag, Interval, not_json
from junction.shelf.tables import records

GRADES = ("A", "B", "C", "none")

#: Why a part is left over that was never meant for a match by curves: a diode, a part only sorted.
NO_CANDIDATE = "no curve and no V_BE or h_FE reading at a known current to match by"

#: Entries that were not used and get a line each under a short answer: `sort`, which comes before, lists all.
LINES_SET_ASIDE = 3

#: layout -> its row of reference/layouts.csv: what it is of, how many parts, what they have alike
LAYOUTS = records("layouts")


@dataclass(frozen=True)
class LeftOver:
    """A part in no set, and why; a candidate has a curve or a spot reading to match by."""

    part: str
    why: str
    candidate: bool = not_json(True)


@dataclass(frozen=True)
class MatchedSet:
    """Parts chosen to work together in the stage.

    Sequences have one entry a part.  Intervals are at 95 %; a grade rests on their upper ends.
    """

    parts: tuple[str, ...]
    polarity: str  # NPN, PNP or 'NPN + PNP'
    grade: str  # the worse of the two
    grade_idle: str
    grade_peak: str
    marks: tuple[Mapping, ...]  # what a part in a drawer is known by: type, V_BE and h_FE within its data
    places: tuple[str, ...]  # channel, rail, position
    rails: tuple[int, ...] = field(metadata={"json": False})  # 0 upper, 1 lower
    kept: bool  # fixed by the user
    imbalance_idle: Interval  # [1]
    imbalance_peak: Interval  # [1]
    imbalance_idle_limit_95: float
    imbalance_peak_limit_95: float
    imbalance_idle_heated: Interval | None  # each part at its own heat; at the peak that of the worst drive
    imbalance_peak_heated: Interval | None
    rails_idle: Interval | None  # upper against lower rail at equal drive
    rails_peak: Interval | None
    share_idle: tuple[float, ...]  # fraction of the rail's idle current
    share_peak: tuple[float, ...]
    emitter_drop_idle_V: tuple[float, ...]
    dvbe_V: Interval  # V_BE difference at the idle current
    hfe_ratio: Interval  # lower over higher
    thermal_loop_gain: float  # at idle
    runs_away: bool
    notes: tuple[str, ...]
    swaps: tuple[Mapping, ...] = ()  # exchanges that would better a set fixed by hand
    # of a differential pair the difference of the base currents over their mean, of a mirror what the bases
    # take of one side's current [1]; None of an output stage
    base_current: Interval | None = None

    @property
    def grades(self) -> str:
        """One letter where idle and peak earn the same, else both."""
        if self.grade_idle == self.grade_peak:
            return self.grade
        return f"{self.grade_idle} idle, {self.grade_peak} peak"


@dataclass(frozen=True, eq=False)
class MatchReport:
    """All sets of one bag for one stage."""

    lines_set_aside: ClassVar[int] = LINES_SET_ASIDE
    layout: str
    sets: tuple[MatchedSet, ...]
    left_over: tuple[LeftOver, ...]
    optimality_gap: float  # proven, relative; 0 is proven optimal
    optimality_basis: str  # what the gap is measured against
    weights: Mapping[str, float]
    stage: Stage
    refused: tuple[str, ...]  # why fewer sets than wanted
    advice: tuple[str, ...]  # what one more measurement would improve
    assumptions: tuple[str, ...]
    warnings: tuple[str, ...] = ()  # parts that need a second look
    parts_read: int = 0
    yardsticks: tuple[Mapping, ...] = ()  # what registered matched duals are held to
    draw: Callable[[], Mapping | None] = not_json(lambda: None)  # the parts' curves on one grid
    entered: tuple[tuple[str, str], ...] = ()  # what was entered: option in words, as written
    cautions: tuple[SimpleNamespace, ...] = not_json(())
    bag: Bag = field(default_factory=Bag, metadata={"json": False})


@dataclass(frozen=True)
class TwoLeadSet:
    """Diodes, LEDs or Zeners chosen to work together.

    Sequences have one entry a part.  Intervals are at 95 %; the grade rests on the upper end of `decides`.
    """

    parts: tuple[str, ...]
    kind: str  # type, or what unmarked parts are like
    grade: str
    marks: tuple[Mapping, ...]  # what a part in a drawer is known by: type, V as read and at which current
    places: tuple[str, ...]
    kept: bool  # fixed by the user
    current_A: float  # of each part [A]
    voltage_V: tuple[float, ...]  # of each at that current, 25 degC
    u_voltage_V: tuple[float, ...]  # standard uncertainty of each beside the others
    spread_V: Interval  # largest less smallest voltage at that current
    spread: Interval  # the same as a share of their mean [1]
    total_V: Interval  # of all in series
    share: tuple[float, ...]  # fraction of the current at one voltage; nan where the layout has one current
    imbalance: Interval | None  # of the currents at one voltage: largest less smallest over the sum [1]
    notes: tuple[str, ...]
    swaps: tuple[Mapping, ...] = ()  # exchanges that would better a set fixed by hand

    @property
    def decides(self) -> Interval:
        """What the grade goes by."""
        return self.spread if self.imbalance is None else self.imbalance

    @property
    def grades(self) -> str:
        """The grade."""
        return self.grade


@dataclass(frozen=True, eq=False)
class TwoLeadReport:
    """All sets of diodes, LEDs or Zeners of one bag."""

    view: ClassVar[str] = "two_lead"  # module that shows it
    lines_set_aside: ClassVar[int] = LINES_SET_ASIDE
    layout: str
    sets: tuple[TwoLeadSet, ...]
    left_over: tuple[LeftOver, ...]
    optimality_gap: float  # proven, relative; 0 is proven optimal
    optimality_basis: str
    refused: tuple[str, ...]  # why fewer sets than wanted
    advice: tuple[str, ...]  # what one more measurement would improve
    assumptions: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    parts_read: int = 0
    entered: tuple[tuple[str, str], ...] = ()  # what was entered: option in words, as written
    cautions: tuple[SimpleNamespace, ...] = not_json(())
    bag: Bag = field(default_factory=Bag, metadata={"json": False})
