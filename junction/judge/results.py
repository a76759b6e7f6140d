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
    faults_probability: float = nan  # that exactly `faults` is what is wrong (readings only)
    doubt: str = ""  # undecided for another reason than the probabilities: what stands against it, in words


#: Answers of one line of a substitution; 'falls short' and 'not known' are never hidden in a total.
COMPARISONS = ("exceeds", "meets", "falls short", "not known")


@dataclass(frozen=True)
class Needs:
    """What a place in a circuit asks of a part; nan or '' where it asks nothing.

    Magnitudes, PNP too. ``load_line`` holds dc or slow (voltage [V], current [A]) pairs that the part
    must stand at `case_temp_C`.
    """

    polarity: str = ""
    voltage_V: float = nan  # highest collector-emitter (or reverse) voltage
    current_A: float = nan  # highest collector (or forward) current
    power_W: float = nan  # dissipation
    case_temp_C: float = 25.0  # case temperature at that dissipation
    hfe_low: float = nan  # least gain ...
    hfe_at_A: float = nan  # ... at this collector current
    f_t_Hz: float = nan
    load_line: tuple[tuple[float, float], ...] = ()
    source: str = ""  # where the needs come from, in words


@dataclass(frozen=True)
class SubstituteLine:
    """One figure of original (or need) and candidate, compared."""

    figure: str  # 'V_CEO', 'h_FE at 4 A', 'package' ...
    result: str  # of COMPARISONS
    wanted: float = nan  # SI unit; nan where the figure is a word
    has: float = nan
    unit: str = ""
    wanted_text: str = ""  # word or range; '' where the number says it
    has_text: str = ""
    margin: float = nan  # [1] how far the candidate exceeds, 1 is equal; for 'at most' figures turned over
    must: bool = False  # a rating: falling short in it settles the matter
    note: str = ""


@dataclass(frozen=True)
class Substitution:
    """A candidate against an original type or against the needs of a place."""

    original: str  # type name, or 'the place' for needs
    candidate: str
    result: str  # of COMPARISONS, over the lines that must hold
    lines: tuple[SubstituteLine, ...] = ()
    warnings: tuple[str, ...] = ()
    weakest: str = ""  # the must-figure with the smallest margin
    weakest_margin: float = nan
    tag: str = ""  # written tag of a part in a bag
    notes: str = ""

    def figures(self, result: str, must: bool | None = None) -> tuple[str, ...]:
        """Names of the lines with a result, of the musts alone or of the others alone."""
        return tuple(
            line.figure for line in self.lines if line.result == result and must in (None, line.must)
        )


@dataclass(frozen=True)
class ResistorNetwork:
    """Stock resistors put together to come near a wanted value.

    ``parts_ohm`` and ``power_shares`` go together; a share is the part of the network's dissipation that
    falls on that resistor, and also how much of its relative error the whole takes over.
    """

    arrangement: str  # 'A + B', 'A | B' ... with letters for the parts in order
    parts_ohm: tuple[float, ...]
    ohm: float
    error: float  # [1] relative to the wanted value
    power_shares: tuple[float, ...]
    tolerance_worst: float  # [1] all parts off the same way
    tolerance_likely: float  # [1] 95 % if errors are independent and even within the tolerance
    hottest_W: float = nan  # dissipation of the part that gets the most


@dataclass(frozen=True)
class SharingEffect:
    """What a resistor's tolerance does where it shares or senses a current."""

    current_A: float
    drop_V: float
    imbalance: float  # [1] (max - min)/sum of two equal devices with resistors at opposite ends
    trip_low_A: float  # currents at which the nominal trip drop is reached at either end
    trip_high_A: float


RESISTOR_STATES = ("fine", "drifted", "burnt", "open", "shorted", "undecided")


@dataclass(frozen=True)
class ResistorVerdict:
    """Verdict of one resistor from a reading and its nominal value."""

    state: str  # of RESISTOR_STATES
    nominal_ohm: float
    reading_ohm: float  # inf for an over-range mark
    tolerance: float
    probability_in_tolerance: float
    evidence: str
    next: str = ""
    parallel_ohm: float = nan  # path beside it that would explain a low reading in circuit
