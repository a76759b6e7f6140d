"""What judgement returns: verdicts with probability, evidence, alternatives and the next test."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import nan

from junction.base.records import Interval

#: Qualities of a junction or part, worst last is not implied; 'undecided' is a refusal, not a quality.
QUALITIES = ("good", "leaky", "shorted", "open")
VERDICTS = (*QUALITIES, "undecided")
#: Order of a list that a technician reads: worst first, undecided before good.
WORST_FIRST = ("shorted", "open", "leaky", "undecided", "good")


@dataclass(frozen=True)
class FitSummary:
    """One sweep's fit, for people: chosen model, parameters and derived values with 95 % intervals."""

    model: str
    runner_up: str
    evidence_gap: float
    parameters: Mapping[str, Interval]  # names of estimate.results.PARAMETERS
    derived: Mapping[str, Interval]  # e.g. 'V at 1 mA', 'I at -5 V', 'leakage resistance'
    flags: tuple[str, ...]
    n_points: int
    n_used: int
    chi2: float
    dof: int
    temp_C: float
    temp_known: bool


@dataclass(frozen=True)
class JunctionVerdict:
    """Verdict of one junction or path (AK, BE, BC, CE)."""

    junction: str
    verdict: str
    probability: Mapping[str, float]  # over QUALITIES, sums to 1
    faults: tuple[str, ...] = ()  # 'BE leaky'
    evidence: tuple[str, ...] = ()  # one sentence a technician would say, with numbers
    fit: FitSummary | None = None
    leak_ohm: Interval | None = None
    sweep: int | None = None  # index into the sweep table, for the plots
    family: str = ""  # family whose limits were used
    limit: str = ""  # the limit and its source, in words


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
    verdict: str
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
