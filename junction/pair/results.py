"""What pairing returns: the stage, the sets with their grade, what is left over."""

from __future__ import annotations

from dataclasses import dataclass, field

from junction.base.records import Interval

GRADES = ("A", "B", "C", "none")


@dataclass(frozen=True)
class LeftOver:
    """A part in no set, and why."""

    part: str
    why: str


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


@dataclass(frozen=True)
class MatchResult:
    """All sets of one bag for one stage."""

    sets: tuple[MatchedSet, ...]
    left_over: tuple[LeftOver, ...]
    optimality_gap: float  # proven, relative; 0 is proven optimal
    layout: str
    assumptions: tuple[str, ...] = ()
    advice: tuple[str, ...] = field(default_factory=tuple)  # what one more measurement would improve
