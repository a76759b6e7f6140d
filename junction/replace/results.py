"""What replacement returns: comparisons of types, networks and verdicts of resistors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import nan
from types import SimpleNamespace

from junction.base.records import Bag, SetAside, not_json
from junction.base.units import REFERENCE_TEMP_C
from junction.shelf.tables import PartType


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
    case_temp_C: float = REFERENCE_TEMP_C  # case temperature at that dissipation
    hfe_low: float = nan  # least gain ...
    hfe_at_A: float = nan  # ... at this collector current
    f_t_Hz: float = nan
    load_line: tuple[tuple[float, float], ...] = ()
    source: str = ""  # where the needs come from, in words


@dataclass  # not frozen: thousands are made for a short list
class SubstituteLine:
    """One figure of original (or need) and candidate, compared."""

    figure: str  # 'V_CEO', 'h_FE at 4 A', 'package' ...
    result: str  # exceeds, meets, falls short or not known; the last two are never hidden in a total
    wanted: float = nan  # SI unit; nan where the figure is a word
    has: float = nan
    unit: str = ""
    wanted_text: str = ""  # word or range; '' where the number says it
    has_text: str = ""
    margin: float = nan  # [1] how far the candidate exceeds, 1 is equal; for 'at most' figures turned over
    wanted_at: float = not_json(nan)  # current at which a gain is wanted [A]
    has_at: float = not_json(nan)  # current at which it is, where that only informs [A]
    rests: str = not_json("")  # what a shortfall rests on that fails no part: "by a reference page"
    must: bool = False  # a rating: falling short in it settles the matter
    note: str = ""


@dataclass(frozen=True)
class Substitution:
    """A candidate against an original type or against the needs of a place."""

    original: str = not_json("")  # type name, or 'the place' for needs
    candidate: str = ""
    tag: str = ""  # written tag of a part in a bag
    result: str = ""  # the same, over the lines that must hold
    polarity: str = ""
    weakest: Mapping = field(default_factory=dict)  # figure that must hold with the least margin; '', nan
    lines: tuple[SubstituteLine, ...] = ()
    warnings: tuple[str, ...] = ()
    notes: str = ""
    source: str = ""
    secondary: bool = False
    standing: str = "published"  # what the candidate's figures rest on; or 'secondary', 'from memory'
    place: str = ""  # how its outline fits: 'same' place, fits with 'work', 'no'; '' not known
    cost: float = nan  # what stands against it (reference/weights.csv), the least is best
    headline: str = ""  # result in a few words, with what it rests on
    why: str = ""  # it beside the original in a line
    pair: str = ""  # complement that goes with it where both sides of a pair are replaced
    pair_level: int = not_json(0)  # how far that one is from doing the job of the original's complement

    @property
    def short_result(self) -> str:
        """Result in a word or two: a shortfall that fails no part is one."""
        rests = next((x.rests for x in self.lines if x.must and x.rests), "")
        return f"less, {rests}" if rests and self.result == "not known" else self.result

    def figures(self, result: str, must: bool | None = None) -> tuple[str, ...]:
        """Names of the lines with a result, of the musts alone or of the others alone."""
        return tuple(
            line.figure for line in self.lines if line.result == result and must in (None, line.must)
        )


@dataclass(frozen=True)
class OrderRow:
    """One type to order, for the parts of it that were found bad."""

    type: str  # number and gain group as registered; as written where it is not on the shelf
    parts: tuple[str, ...]
    faults: tuple[str, ...]  # of each part
    undecided: int = 0  # further parts of the type that wait for their next test
    what: str = ""  # what it is, to buy by: polarity or kind, main ratings, package
    complement: str = ""  # of an output device: other side of the pair, to be replaced with it ...
    pair: str = ""  # ... and both by the numbers of their types, NPN first: '2N3055 with MJ2955'
    substitutes: tuple[Substitution, ...] = ()  # best first
    notes: tuple[str, ...] = ()
    test_first: tuple[str, ...] = ()  # shorted power transistors: what stands beside them may have gone too
    on_shelf: bool = True
    to_order: int = 0  # of an output device as many as of the other side, whichever lost more
    other_side_of: str = ""  # the type it makes up the pair of, where none of its own is bad


@dataclass(frozen=True)
class Order:
    """What to order for the bad parts of a bag, and which of its parts wait for something first."""

    rows: tuple[OrderRow, ...] = ()
    undecided: tuple[str, ...] = ()  # the next test decides
    in_circuit: tuple[str, ...] = ()  # a lead has to be lifted, or the part taken out
    untyped: tuple[str, ...] = ()  # bad, and their type is not given
    misread: tuple[str, ...] = ()  # bad, and read as another kind of part than their marking


@dataclass(frozen=True)
class NetworkFault:
    """What a network becomes when one of its parts fails.

    The heat of the others is that at the voltage, and at the current, which drive the sound network to its
    power; nan where nothing flows, where no power was given, or where the fault shorts the source.
    """

    part_ohm: float  # the part that fails
    kind: str  # 'open' or 'shorted'
    ohm: float  # what is left; inf where `open`
    open: bool
    hottest_at_voltage_W: float = nan
    hottest_at_current_W: float = nan
    used_at_voltage: float = nan  # [1] largest share that a part then takes of its rating
    used_at_current: float = nan


@dataclass(frozen=True)
class SearchBound:
    """Which networks of so many parts were tried."""

    parts: int
    low_ohm: float  # the values tried
    high_ohm: float
    complete: bool  # no network of these values and so many parts is nearer than those found


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
    parts_W: tuple[float, ...] = ()  # dissipation of each part ...
    parts_V: tuple[float, ...] = ()  # ... and the voltage over it
    rating_W: float = nan  # what the hottest part wants to be rated at, by the rule `resistor_power`
    used: float = nan  # [1] largest share that a part takes of its rating
    faults: tuple[NetworkFault, ...] = ()


@dataclass(frozen=True)
class Hindrance:
    """A limit for which no network answers, and the one that would answer without it."""

    kind: str  # 'rating' of the parts, 'count' of each value, 'parts' of a network
    network: ResistorNetwork


@dataclass(frozen=True)
class SharingEffect:
    """What a resistor's tolerance does where it shares or senses a current."""

    current_A: float
    drop_V: float
    imbalance: float  # [1] (max - min)/sum of two equal devices with resistors at opposite ends
    trip_low_A: float  # currents at which the nominal trip drop is reached at either end
    trip_high_A: float


@dataclass(frozen=True)
class ResistorVerdict:
    """Verdict of one resistor from a reading and its nominal value."""

    state: str  # fine, drifted, burnt, open, shorted, undecided
    nominal_ohm: float
    reading_ohm: float  # inf for an over-range mark
    over_range: bool
    in_circuit: bool
    probability_in_tolerance: float
    evidence: str
    next: str = ""
    parallel_ohm: float = nan  # path beside it that would explain a low reading in circuit
    lead_zero_ohm: float = nan  # what the meter showed with its leads shorted ...
    corrected_ohm: float = nan  # ... and the reading less that


@dataclass(frozen=True)
class SubstituteReport:
    """Candidates against an original type (or, `original` None, against the needs of a place), best first."""

    candidates: tuple[Substitution, ...]
    original: PartType | None = None
    needs: Needs | None = None
    from_shelf: bool = False  # the list is the shelf's own, not the user's
    searched: int = 0
    case_temp_C: float = REFERENCE_TEMP_C
    safe_areas: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)  # (V, A), dc
    bag: Bag = field(default_factory=Bag)  # what was read; of its parts only the types were used
    own_groups: tuple[str, ...] = ()  # other gain groups of the original whose gain is no less
    set_aside: tuple[SetAside, ...] = ()
    cautions: tuple[SimpleNamespace, ...] = ()
    brief: tuple[SimpleNamespace, ...] = ()  # the gravest of them in a few words, for a terminal


@dataclass(frozen=True)
class ResistorReport:
    """A resistor: networks from stock, what its tolerance does, and the verdict of a reading."""

    wanted_ohm: float
    tolerance: float
    stock: str  # the stock in words
    nearest_ohm: tuple[float, ...] = ()  # the stock values below and above
    power_W: float = nan
    part_power_W: float = nan
    alone_rating_W: float = nan  # what a single part would have to be rated at
    networks: tuple[ResistorNetwork, ...] = ()
    effect: SharingEffect | None = None
    reading: ResistorVerdict | None = None
    cautions: tuple[SimpleNamespace, ...] = ()
    searched: tuple[SearchBound, ...] = ()
    given: bool = False  # the stock is the values at hand, not a series
    answered: bool = True  # the first network is near enough to be taken
    hindrances: tuple[Hindrance, ...] = ()  # where none is: what keeps it from being
    hint: str = ""  # what the value as written could mean as well
