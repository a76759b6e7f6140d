"""Report records: what a job hands to `junction.show`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import nan

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C
from junction.base.records import Interval, PartReadings, SetAside
from junction.judge.results import (
    WORST_FIRST,
    FitSummary,
    Needs,
    PartVerdict,
    ResistorNetwork,
    ResistorVerdict,
    SharingEffect,
    Substitution,
)
from junction.shelf.results import Caution, Meter, PartType


@dataclass(frozen=True, eq=False)
class SweepPlot:
    """Points and fitted curve of one sweep, ready to draw.

    ``residual`` is measured minus fitted current at each point in its standard uncertainty [1], nan where the
    fit left the point out; the fitted curve is empty where there is no fit.
    """

    part: str
    junction: str
    v_V: np.ndarray
    i_A: np.ndarray
    used: np.ndarray
    v_fit_V: np.ndarray
    i_fit_A: np.ndarray
    residual: np.ndarray
    model: str = ""


@dataclass(frozen=True)
class SweepSource:
    """Where a sweep came from."""

    junction: str
    file: str
    first_row: int
    last_row: int
    points: int
    sweep: int = -1  # index into the sweep table


@dataclass(frozen=True, eq=False)
class SortReport:
    """A sorted bag.

    ``verdicts`` stand worst first; ``readings`` and ``sources`` are by part; ``plots`` by index of the
    sweep, for the worst parts only where a limit was asked for (``parts_plotted`` of ``parts_with_sweeps``).
    """

    verdicts: tuple[PartVerdict, ...]
    meter: Meter
    set_aside: tuple[SetAside, ...] = ()
    files: tuple[str, ...] = ()
    rows_read: int = 0
    readings: Mapping[str, PartReadings] = field(default_factory=dict)
    sources: Mapping[str, tuple[SweepSource, ...]] = field(default_factory=dict)
    plots: Mapping[int, SweepPlot] = field(default_factory=dict)
    parts_plotted: int = 0
    parts_with_sweeps: int = 0
    cautions: tuple[Caution, ...] = ()
    default_temp_C: float = REFERENCE_TEMP_C
    parts_without_temp: int = 0
    curves_only: int = 0
    spots_only: int = 0
    label: str = ""  # what stands over the whole report, such as that its data are invented

    def counts(self) -> dict[str, int]:
        """Number of parts by verdict, worst first, verdicts that do not occur left out."""
        found = dict.fromkeys(WORST_FIRST, 0)
        for v in self.verdicts:
            found[v.verdict] = found.get(v.verdict, 0) + 1
        return {word: n for word, n in found.items() if n}


@dataclass(frozen=True)
class FitRow:
    """One fitted sweep; `why_not` says why there is no fit."""

    part: str
    junction: str
    source: SweepSource
    fit: FitSummary
    why_not: str = ""
    type: str = ""
    heating_K: float = nan
    breakdown_at_A: float | None = None  # current at which BV holds [A]


@dataclass(frozen=True)
class TransistorRow:
    """One transistor fitted from its curves: SPICE parameters [SI] at 25 degC.

    ``parameters`` are those the data say something on, with 95 % intervals or as limits; ``card`` holds
    every value the fitted curve was drawn with, the ``held`` defaults included.
    """

    part: str
    polarity: str
    type: str
    parameters: Mapping[str, Interval]
    card: Mapping[str, float]
    held: tuple[str, ...]  # parameters the data cannot say, held at a default
    ic_low_A: float  # range of collector current of the data [A]
    ic_high_A: float
    temp_C: float
    temp_known: bool
    why_not: str = ""


@dataclass(frozen=True, eq=False)
class TransistorPlot:
    """Points and fitted curve of one transistor, ready to draw; the curve at the usual V_CE of the points.

    ``vbe_V`` or ``ib_A`` is nan where a file lacks it; the h_FE band is a 95 % interval.
    """

    part: str
    ic_A: np.ndarray
    vbe_V: np.ndarray
    hfe: np.ndarray
    ic_fit_A: np.ndarray
    vbe_fit_V: np.ndarray
    hfe_fit: np.ndarray
    hfe_low: np.ndarray
    hfe_high: np.ndarray
    vce_V: float


@dataclass(frozen=True, eq=False)
class FitReport:
    """Fits of all sweeps and curves of one call, in the order read."""

    rows: tuple[FitRow, ...]
    transistors: tuple[TransistorRow, ...] = ()
    set_aside: tuple[SetAside, ...] = ()
    files: tuple[str, ...] = ()
    rows_read: int = 0
    plots: Mapping[int, SweepPlot] = field(default_factory=dict)
    cautions: tuple[Caution, ...] = ()
    default_temp_C: float = REFERENCE_TEMP_C
    noise_note: str = ""
    transistor_plots: Mapping[str, TransistorPlot] = field(default_factory=dict)  # by part


@dataclass(frozen=True)
class SubstituteReport:
    """Candidates against an original type (or, `original` None, against the needs of a place), best first."""

    results: tuple[Substitution, ...]
    original: PartType | None = None
    needs: Needs | None = None
    from_shelf: bool = False  # the list is the shelf's own, not the user's
    searched: int = 0
    case_temp_C: float = REFERENCE_TEMP_C
    types: Mapping[str, PartType] = field(default_factory=dict)  # of the candidates shown
    safe_areas: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)  # (V, A), dc
    set_aside: tuple[SetAside, ...] = ()
    cautions: tuple[Caution, ...] = ()
    brief: tuple[Caution, ...] = ()  # the gravest of them in a few words, for a terminal


@dataclass(frozen=True)
class ResistorReport:
    """A resistor: networks from stock, what its tolerance does, and the verdict of a reading."""

    wanted_ohm: float
    tolerance: float
    stock: str  # the stock in words
    networks: tuple[ResistorNetwork, ...] = ()
    nearest_ohm: tuple[float, ...] = ()  # the stock values below and above
    power_W: float = nan
    part_power_W: float = nan
    effect: SharingEffect | None = None
    verdict: ResistorVerdict | None = None
    in_circuit: bool = False
    cautions: tuple[Caution, ...] = ()
    alone_rating_W: float = nan  # what a single part would have to be rated at
