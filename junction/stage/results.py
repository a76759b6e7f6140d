"""What the stage returns: operating points, heat, limits, measured drops."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import nan

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C
from junction.base.records import Interval, SetAside
from junction.shelf.results import Caution


@dataclass(frozen=True, eq=False)
class OperatingPoint:
    """What a set carries and what surrounds it.

    Parameters
    ----------
    name : str
    total_A : float
        Emitter current of the whole set [A].
    vce_V : float
        Collector to output node, emitter resistor included [V].
    temp_C : float
        Mean junction temperature of the set [degC]; with self-heating solved, a device that carries more
        than its share stands above it.
    re_ohm, rb_ohm : float or tuple of float
        Emitter and base resistors, one for all or one a position [ohm].
    rth_K_per_W : float
        Thermal resistance that a device has for itself alone (junction to sink) [K/W].
    watts_per_A : float
        Mean dissipation of a device per ampere of its current at this point [V]; V_CE at idle.
    """

    name: str
    total_A: float
    vce_V: float
    temp_C: float = REFERENCE_TEMP_C
    re_ohm: float | tuple[float, ...] = 0.0
    rb_ohm: float | tuple[float, ...] = 0.0
    rth_K_per_W: float = 0.0
    watts_per_A: float = 0.0


@dataclass(frozen=True)
class Dissipation:
    """Heat of one device in one way of driving the stage; nan where it cannot be known."""

    case: str
    average_W: float
    peak_W: float  # instantaneous
    vce_at_peak_V: float
    ic_at_peak_A: float
    sink_C: float = nan
    case_C: float = nan
    junction_C: float = nan


@dataclass(frozen=True)
class LimitCheck:
    """One limit of a type held against what the stage asks of it."""

    type: str
    quantity: str  # in words, with its letter symbol
    asked: float
    limit: float
    unit: str
    verdict: str  # 'within', 'close', 'beyond', 'unknown'
    text: str
    source: str = ""


@dataclass(frozen=True, eq=False)
class Stage:
    """An output stage: what it asks of each device.

    Voltages [V], currents [A], powers [W]; nan where nothing was given from which it follows.
    ``parallel`` devices share each rail's current; currents named ``_device`` are for one of them.
    """

    parallel: int
    re_ohm: tuple[float, ...]
    rb_ohm: tuple[float, ...]
    idle: OperatingPoint
    peak: OperatingPoint
    idle_drop_V: tuple[float, ...]
    power_W: float = nan
    load_ohm: float = nan
    supply_V: float = nan
    peak_to_peak_V: float = nan
    rms_V: float = nan
    peak_output_V: float = nan
    peak_output_A: float = nan
    headroom_V: float = nan
    dissipation: tuple[Dissipation, ...] = ()
    limits: tuple[LimitCheck, ...] = ()
    loop_gain_device: float = nan  # theta dP/dT of one device on a stiff drive, alone
    loop_gain_bias: float = nan  # the same with the sink heated by all, the bias not following
    vce_critical_V: float = nan  # V_CE at which loop_gain_device would be 1
    sink_needed_K_per_W: float = nan
    assumptions: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()  # what would have to be known
    findings: tuple[str, ...] = ()  # sentences that need attention


@dataclass(frozen=True)
class DropVerdict:
    """What one measured emitter-resistor drop says."""

    position: str
    measured_V: float
    expected_V: Interval
    # 'as predicted', 'not conducting', 'no drop' (off or shorted), 'resistor open', 'resistor shorted',
    # 'resistor out of value', 'unlike part', 'undecided'
    verdict: str
    current_A: Interval | None = None
    resistor_ohm: Interval | None = None  # what the resistor would have to be
    probability: float = nan
    text: str = ""
    next: str = ""
    wanted_V: float = nan  # at the wanted idle current; `expected_V` is by what the others show


@dataclass(frozen=True)
class DropReport:
    """Measured emitter-resistor drops against the prediction."""

    drops: tuple[DropVerdict, ...]
    bias: str  # 'as predicted', 'too high', 'too low', 'undecided'
    bias_ratio: Interval  # measured over wanted idle current
    bias_text: str
    overall: str  # 'as predicted', 'fault', 'bias', 'bias far too high', 'undecided'
    swaps: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()
    alarm: str = ""  # what has to be done before anything is read


@dataclass(frozen=True, eq=False)
class StageReport:
    """Everything the stage report shows."""

    stage: Stage
    drops: DropReport | None = None
    cautions: tuple[Caution, ...] = ()
    loci: Mapping[str, tuple[np.ndarray, np.ndarray]] = field(default_factory=dict)  # load line: V_CE, I_C
    set_aside: tuple[SetAside, ...] = ()
    files: tuple[str, ...] = ()
    rows_read: int = 0
    predicted: object = None  # a `sets.results.MatchedSet`, whose room is above this one
    areas: Mapping[str, tuple[np.ndarray, np.ndarray]] = field(default_factory=dict)  # dc safe area by type

