"""What the stage returns: operating points, heat, limits, measured drops."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import nan
from types import SimpleNamespace

from junction.base.records import Bag, Interval, not_json
from junction.base.units import REFERENCE_TEMP_C
from junction.judge.results import Finding


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

    name: str = field(metadata={"json": False})
    total_A: float
    vce_V: float
    temp_C: float = REFERENCE_TEMP_C
    re_ohm: float | tuple[float, ...] = not_json(0.0)
    rb_ohm: float | tuple[float, ...] = not_json(0.0)
    rth_K_per_W: float = 0.0
    watts_per_A: float = not_json(0.0)


@dataclass(frozen=True, eq=False)
class Stage:
    """An output stage: what it asks of each device.

    Voltages [V], currents [A], powers [W]; nan where nothing was given from which it follows.
    ``parallel`` devices share each rail's current; currents named ``_device`` are for one of them.
    ``supply_V`` is one side's voltage against the output's rest, whatever is printed; in a bridge, rail,
    drive and operating points are those of one of its ``halves``, output and load those of the whole.
    """

    parallel: int
    re_ohm: tuple[float, ...] = field(metadata={"json": "emitter_resistor_ohm"})
    rb_ohm: tuple[float, ...] = field(metadata={"json": "base_resistor_ohm"})
    idle: OperatingPoint
    peak: OperatingPoint
    idle_drop_V: tuple[float, ...] = field(metadata={"json": "emitter_drop_idle_V"})
    power_W: float = nan
    load_ohm: float = nan
    supply_V: float = nan
    peak_to_peak_V: float = nan
    rms_V: float = nan
    peak_output_V: float = nan
    peak_output_A: float = nan
    headroom_V: float = nan
    # heat of one device in each way of driving the stage: case, average_W, peak_W (instantaneous),
    # vce_at_peak_V, ic_at_peak_A, sink_C, case_C, junction_C, junction_peak_C (at the top of a slow cycle),
    # sink_needed_K_per_W (of one channel, at most); nan where it cannot be known
    dissipation: tuple[Mapping, ...] = ()
    # limits of the types held against what the stage asks: type, quantity (in words, with its letter symbol),
    # asked, limit, unit, verdict ('within', 'close', 'beyond', 'unknown'), text, source, ratio
    limits: tuple[Mapping, ...] = ()
    loop_gain_device: float = nan  # theta dP/dT of one device on a stiff drive, alone
    loop_gain_bias: float = nan  # the same with the sink heated by all, the bias not following
    vce_critical_V: float = nan  # V_CE at which loop_gain_device would be 1
    sink_needed_K_per_W: float = nan
    assumptions: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()  # what would have to be known
    findings: tuple[str, ...] = ()  # sentences that need attention
    model: tuple[str, ...] = ()  # how heat was worked out
    circuit: str = ""  # in words
    halves: int = 1  # output nodes that drive the load, 2 of a bridge
    printed_supply_V: float = nan  # of one rail, or the whole of a single supply
    channels: int = 1
    # of all channels' output stages: from the supply at idle and with a sine at the rated power, and the
    # current of a rail then, mean and peak
    idle_power_W: float = nan
    full_power_W: float = nan
    supply_average_A: float = nan
    supply_peak_A: float = nan
    # of one emitter resistor: at idle, with a sine up to clipping, and what to buy at least
    resistor_idle_W: float = nan
    resistor_full_W: float = nan
    resistor_rating_W: float = nan
    sink_why: str = ""  # which limit and drive decide the sink needed
    # V_CE [V] and I_C [A] of one device over its half cycle at clipping, by the word of the load
    loci: Mapping = field(default_factory=dict, metadata={"json": False})


@dataclass
class DropVerdict(Finding):
    """What one measured emitter-resistor drop says; its limits are the ends of what is expected."""

    # 'as predicted', 'not conducting', 'no drop' (off or shorted), 'resistor open', 'resistor shorted',
    # 'resistor out of value', 'unlike part', 'undecided'
    verdict: str = ""
    wanted_V: float = nan  # at the wanted idle current; `expected_V` is by what the others show
    expected_V: Interval | None = None
    current_A: Interval | None = None
    resistor_ohm: Interval | None = None  # what the resistor would have to be
    probability: float = nan

    def as_json(self) -> dict:
        """The finding under the keys of the JSON."""
        own = ("verdict", "wanted_V", "expected_V", "current_A", "resistor_ohm", "probability")
        return {"position": self.where, "measured_V": self.value.value,
                **{name: getattr(self, name) for name in own}, "text": self.says(), "next": self.next()}


class DropCause(Finding):
    """What may be wrong, of a position, a rail or the stage; ``kept`` is the probability that it is not."""

    def as_json(self) -> dict:
        """The finding under the keys of the JSON."""
        return {"cause": self.quantity, "where": self.where, "probability": 1 - self.kept,
                "text": self.says()}  # fmt: skip


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
    causes: tuple[DropCause, ...] = ()  # likeliest first
    whole: tuple[str, ...] = ()  # what is said of a whole rail
    next: tuple[str, ...] = ()  # what to do, cheapest and safest first
    between_rails: str = not_json("")  # the end of `bias_text`: what the two rails say of each other


@dataclass(frozen=True, eq=False)
class StageReport:
    """A stage, the drops measured in it, and what the fitted set should show.

    ``draw()`` gives the load lines of one device and the dc safe areas of the types: V_CE [V] and I_C [A] by
    name; ``shares()`` what each fitted part carries against the drive, one entry a rail: its word, the rail's
    current [A] (m,), the parts' names, and each part's share of it (m, k).
    """

    stage: Stage
    measured_drops: DropReport | None
    predicted_set: object  # a `sets.results.MatchedSet`, whose room is above this one
    cautions: tuple[SimpleNamespace, ...]
    bag: Bag
    draw: Callable[[], tuple[Mapping, Mapping]]
    shares: Callable[[], Sequence[tuple]] = lambda: ()
    half_load: Mapping = field(default_factory=dict)  # whether half the rated load is allowed
    entered: tuple[tuple[str, str], ...] = ()  # what was entered: option in words, as written
    fitted: tuple[str, ...] = ()  # names of the parts across which drops were measured
