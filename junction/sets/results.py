"""What pairing returns: the stage, the sets with their grade, what is left over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import nan

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C
from junction.base.records import Interval, SetAside
from junction.shelf.results import Caution
from junction.stage.results import Stage

GRADES = ("A", "B", "C", "none")

#: Why a part is left over that was never meant for a match by curves: a diode, a part only sorted.
NO_CANDIDATE = "no curve and no V_BE or h_FE reading at a known current to match by"

#: layout -> what it means, for the help and the report
LAYOUTS = {
    "pairs": "parts of one polarity, in sets that share one drive node (the default)",
    "complementary": "NPN parts on the upper rail with PNP parts on the lower one",
    "quasi-complementary": "parts of one polarity on both rails",
}










@dataclass(frozen=True)
class LeftOver:
    """A part in no set, and why; a candidate has a curve or a spot reading to match by."""

    part: str
    why: str
    candidate: bool = True


@dataclass(frozen=True)
class Swap:
    """One exchange in a set that was fixed by hand, and what it would do."""

    out: str
    into: str
    imbalance_idle: float
    imbalance_peak: float
    cost: float
    saving: float
    other_set: int | None = None  # index of the set `into` comes from, None: left over


@dataclass(frozen=True)
class PartMark:
    """What a part in a drawer is known by: its type, and V_BE and h_FE at a current within its data."""

    type: str = ""
    ic_A: float = nan
    vbe_V: float = nan
    hfe: float = nan
    temp_C: float = nan


@dataclass(frozen=True)
class MatchedSet:
    """Parts chosen to work together in the stage."""

    parts: tuple[str, ...]
    polarity: str  # NPN, PNP or 'NPN + PNP'
    grade: str
    imbalance_idle: Interval  # [1]
    imbalance_peak: Interval  # [1]
    share_idle: tuple[float, ...]  # fraction of the set's idle current, one a part
    share_peak: tuple[float, ...]
    emitter_drop_idle_V: tuple[float, ...]
    places: tuple[str, ...] = ()  # channel, rail, position of each part
    dvbe_V: Interval | None = None  # V_BE difference at the idle current
    hfe_ratio: Interval | None = None  # lower over higher
    notes: tuple[str, ...] = ()
    rails: tuple[int, ...] = ()  # 0 upper, 1 lower, one a part
    limit_idle: float = nan  # the 95 % limits that the grade rests on
    limit_peak: float = nan
    halves_idle: Interval | None = None  # upper against lower rail at equal drive
    halves_peak: Interval | None = None
    imbalance_hot: Interval | None = None  # idle, electrothermal
    imbalance_peak_hot: Interval | None = None  # peak, heat by the mean dissipation of the worst drive
    loop_gain: float = nan  # thermal, at idle
    runs_away: bool = False
    kept: bool = False  # fixed by the user
    swaps: tuple[Swap, ...] = ()
    cost: float = nan
    grade_idle: str = ""  # `grade` is the worse of the two
    grade_peak: str = ""
    marks: tuple[PartMark, ...] = ()  # what each part is known by, one a part


@dataclass(frozen=True, eq=False)
class PartCurves:
    """V_BE and h_FE of parts on one grid of collector currents, for drawing.

    ``ic_A`` (g,); the rest (n, g): V_BE [V] and h_FE [1] with standard uncertainties.
    """

    part: tuple[str, ...]
    ic_A: np.ndarray
    vbe_V: np.ndarray
    u_vbe_V: np.ndarray
    hfe: np.ndarray
    u_hfe: np.ndarray
    vce_V: float = nan
    temp_C: float = REFERENCE_TEMP_C

    def row(self, part: str) -> int:
        """Row of a part."""
        return self.part.index(part)


@dataclass(frozen=True)
class MatchResult:
    """All sets of one bag for one stage."""

    sets: tuple[MatchedSet, ...]
    left_over: tuple[LeftOver, ...]
    optimality_gap: float  # proven, relative; 0 is proven optimal
    layout: str
    assumptions: tuple[str, ...] = ()
    advice: tuple[str, ...] = field(default_factory=tuple)  # what one more measurement would improve
    stage: Stage | None = None
    curves: PartCurves | None = None
    gap_basis: str = ""  # what the gap is measured against
    weights: Mapping[str, float] = field(default_factory=dict)
    refused: tuple[str, ...] = ()  # why fewer sets than wanted
    warnings: tuple[str, ...] = ()  # parts or sets that need a second look






@dataclass(frozen=True)
class Yardstick:
    """Matching limits of a registered dual, to lay a grade beside."""

    type: str
    hfe_ratio_min: float
    dvbe_max_V: float
    at_A: float
    source: str


@dataclass(frozen=True, eq=False)
class MatchReport:
    """Everything the matching report shows."""

    result: MatchResult
    set_aside: tuple[SetAside, ...] = ()
    files: tuple[str, ...] = ()
    rows_read: int = 0
    cautions: tuple[Caution, ...] = ()
    yardsticks: tuple[Yardstick, ...] = ()
    parts: tuple[str, ...] = ()  # every part read
    sources: Mapping[str, str] = field(default_factory=dict)  # part -> 'curves', 'spot', 'curves + spot'


