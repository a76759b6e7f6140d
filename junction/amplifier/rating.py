"""What is known of a stage, which circuit it is, and what that leaves to each of its halves.

Everything is worked out for one half: devices on an upper and a lower rail that drive one output node.  With
two rails the printed supply is that of one rail.  A single supply is divided by the output capacitor, which
stands at its middle: each side of the output has half of what is printed.  A bridge is two halves at the ends
of the load: each drives half of it and swings half of the output.  A quasi-complementary stage differs in the
polarity of its devices alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, isnan, nan, sin, sqrt

from junction.base.errors import UsageError
from junction.judge.results import next_step, say
from junction.shelf.tables import rule

#: Words of ``--circuit``; how the supply is divided and whether two halves work together are said apart.
CIRCUITS = ("two-rails", "single-supply", "bridge", "quasi-complementary")


@dataclass(frozen=True)
class StageAsk:
    """What the user knows of the stage; nan where it was not said. All in SI units."""

    power_W: float = nan
    load_ohm: float = nan
    supply_V: float = nan  # as printed: of one rail, or the whole of a single supply
    parallel: int = 1
    re_ohm: tuple[float, ...] = ()
    rb_ohm: tuple[float, ...] = ()
    idle_A: float = nan  # of all parallel devices of a rail together
    idle_drop_V: float = nan
    peak_A: float = nan  # the same
    vce_V: float = nan
    temp_C: float = nan  # junctions at idle
    load_phase_deg: float = nan
    rth_jc: float = nan
    rth_cs: float = nan
    rth_sa: float = nan  # sink to ambient, per channel
    ambient_C: float = nan
    data_high_A: float = nan  # highest collector current the parts' data hold
    circuit: tuple[str, ...] = ()  # of CIRCUITS
    channels: int = 1
    sink_limit_C: float = nan
    rth_pulse: float = nan  # junction to case, of a single pulse of 10 ms
    darlington: bool = False
    hfe: float = nan  # at idle, of the whole device


@dataclass(frozen=True)
class Circuit:
    """How the supply is divided, and how many halves drive the load."""

    single: bool = False
    bridge: bool = False
    quasi: bool = False

    @classmethod
    def of(cls, words: tuple[str, ...]) -> Circuit:
        """From the words of the option, a part of one being enough.

        Raises
        ------
        UsageError
            A word that is none of them, or two that contradict each other.
        """
        found = set()
        for word in words:
            plain = word.strip().lower().replace(" ", "-")
            near = [name for name in CIRCUITS if plain and name.startswith(plain)]
            if len(near) != 1:
                raise UsageError(f"circuit: {word!r} is not one of: {', '.join(CIRCUITS)}"
                                 " (or two with a comma, such as bridge,single-supply)")  # fmt: skip
            found.add(near[0])
        if {"two-rails", "single-supply"} <= found:
            raise UsageError("circuit: two rails or a single supply, not both")
        return cls(*(name in found for name in CIRCUITS[1:]))

    @property
    def halves(self) -> int:
        """Output nodes that drive the load."""
        return 2 if self.bridge else 1

    @property
    def option(self) -> str:
        """As ``--circuit`` takes it."""
        flags = zip(CIRCUITS[1:], (self.single, self.bridge, self.quasi), strict=True)
        return ",".join(name for name, is_so in flags if is_so) or CIRCUITS[0]

    @property
    def words(self) -> str:
        """In words for people."""
        kind = ["quasi-complementary"] * self.quasi + ["bridge"] * self.bridge
        rails = "two rails" if not self.single else "a single supply"
        capacitor = ", output capacitor" if self.single and not self.bridge else ""
        return f"{' '.join(kind)} on {rails}{capacitor}" if kind else rails + capacitor

    def rail_V(self, printed_V: float) -> float:
        """Voltage of one side against the output's rest."""
        return printed_V / 2 if self.single else printed_V

    def printed_V(self, rail_V: float) -> float:
        """What is printed as the supply, of the voltage of one side."""
        return 2 * rail_V if self.single else rail_V

    def clipping_W(self, printed_V: float, load_ohm: float, re_rail_ohm: float, left_V: float = 0.0) -> float:
        """Power of a sine into the whole load that just reaches the rails; see `clipping_W`."""
        per_half = load_ohm / self.halves
        return self.halves * clipping_W(self.rail_V(printed_V), per_half, re_rail_ohm, left_V)


class Notes:
    """Assumptions made, questions left and what needs attention, gathered while a stage is worked out."""

    def __init__(self) -> None:
        self.assumptions: list[str] = []
        self.model: list[str] = []  # how heat is worked out, which the page alone tells
        self.questions: list[str] = []
        self.findings: list[str] = []

    def assume(self, reason: str, **numbers: float) -> None:
        """Note an assumption, and the question that would make it unnecessary."""
        self.assumptions.append(say(reason, **numbers))
        self.questions += filter(None, [next_step(reason)])

    def take(self, value: float, name: str, reason: str = "", *, model: bool = False) -> float:
        """The value, or where it is not known the rule of that name, noted as assumed or as of the model."""
        if isnan(value):
            value = rule(name)
            if model:
                self.model.append(say(reason or name, value=value))
            else:
                self.assume(reason or name, value=value)
        return value


@dataclass(frozen=True)
class Half:
    """One half of a stage: its rail, the load it sees, how its devices share; nan for what is not known."""

    circuit: Circuit
    n: int
    rail_V: float
    load_ohm: float
    swing_V: float  # peak of its output at the rated power
    peak_A: float  # of a rail
    idle_A: float  # of a rail
    own_ohm: tuple[float, ...]  # emitter resistor of each position
    re_rail_ohm: float  # those of a rail in parallel

    @property
    def devices(self) -> int:
        """Devices on the sink of a channel."""
        return 2 * self.n * self.circuit.halves

    @property
    def known(self) -> bool:
        """Whether rail and load are known."""
        return not (isnan(self.rail_V) or isnan(self.load_ohm))

    def clipping_V(self, phase_rad: float = 0.0) -> float:
        """Swing at which the device is fully on at its peak: the rail stands across load and resistors."""
        ratio = self.re_rail_ohm / self.load_ohm
        return self.rail_V / abs(1.0 + ratio * complex(cos(phase_rad), -sin(phase_rad)))


def check(ask: StageAsk) -> None:
    """Refuse values that do not go together; the options refuse those that no value may have."""
    for name, ohms in (("emitter", ask.re_ohm), ("base", ask.rb_ohm)):
        if len(ohms) not in (0, 1, ask.parallel, 2 * ask.parallel):
            raise UsageError(
                f"{len(ohms)} {name} resistors for {ask.parallel} devices a rail: give one value for all, "
                f"one for each position of a rail ({ask.parallel}), or one for each device "
                f"({2 * ask.parallel}, upper rail first)"
            )
    if not isnan(ask.idle_A) and not isnan(ask.idle_drop_V):
        raise UsageError("idle current or emitter drop, not both: one follows from the other")
    if not isnan(ask.idle_drop_V) and not any(ask.re_ohm):
        raise UsageError("an emitter drop needs the emitter resistor: --emitter-resistor 0.22ohm")
    if not isnan(ask.power_W) and isnan(ask.load_ohm):
        raise UsageError("a power needs the load it is rated into: --load 8ohm")
    if ask.sink_limit_C <= (rule("stage_ambient") if isnan(ask.ambient_C) else ask.ambient_C):
        raise UsageError("--sink-limit has to stand above the air at the sink (--ambient)")


def half_of(ask: StageAsk, notes: Notes) -> Half:
    """What the ratings leave to one half; what was not given is assumed and noted."""
    circuit, n = Circuit.of(ask.circuit), ask.parallel
    re = tuple(ask.re_ohm) or (0.0,)
    if not ask.re_ohm:
        notes.assume("stage_no_resistor")
    own = re * n if len(re) == 1 else re
    re_rail = 0.0 if min(own[:n]) == 0 else 1.0 / sum(1.0 / r for r in own[:n])
    load, swing = ask.load_ohm / circuit.halves, sqrt(2 * ask.power_W * ask.load_ohm) / circuit.halves
    peak_A = ask.peak_A if not isnan(ask.peak_A) else swing / load
    if isnan(peak_A):
        held = ask.data_high_A < rule("stage_peak_device")
        peak_A = n * (ask.data_high_A if held else rule("stage_peak_device"))
        notes.assume("stage_peak_data" if held else "stage_peak_device", value=peak_A)
    rail = circuit.rail_V(ask.supply_V)
    if isnan(rail) and not isnan(swing):
        headroom = rule("stage_drive_headroom")
        rail = swing + peak_A * re_rail + headroom
        notes.assume("stage_supply", value=circuit.printed_V(rail), headroom=headroom, single=circuit.single)
    mean_ohm = n * re_rail if min(own) > 0 else 0.0
    return Half(circuit, n, rail, load, swing, peak_A, _idle(ask, mean_ohm, notes), own, re_rail)


def _idle(ask: StageAsk, mean_ohm: float, notes: Notes) -> float:
    """Idle current of a rail [A]; `mean_ohm`, at which equal drops are equal currents, 0 for none."""
    n = ask.parallel
    if not isnan(ask.idle_A):
        return ask.idle_A
    if not isnan(ask.idle_drop_V):
        if not mean_ohm:
            raise UsageError("one emitter resistor is zero: give --idle-current in place of a drop")
        return n * ask.idle_drop_V / mean_ohm
    name = "stage_idle_drop" if mean_ohm else "stage_idle_bare"
    low, high = (1000 * rule(f"stage_idle_drop_{end}") for end in ("low", "high"))
    notes.assume(name, value=1000 * rule(name), low=low, high=high)
    return n * rule(name) / (mean_ohm or 1.0)


def clipping_W(supply_V: float, load_ohm: float, re_rail_ohm: float, left_V: float = 0.0) -> float:
    """Power of a sine into a resistive load that just reaches the rail, with `left_V` kept back [W].

    The rail less what is kept back stands across emitter resistors and load in series at the peak.
    """
    peak_V = max(supply_V - left_V, 0.0) / (1.0 + re_rail_ohm / load_ohm)
    return peak_V**2 / (2.0 * load_ohm)


def say_clipping(ask: StageAsk, half: Half, notes: Notes) -> None:
    """Say where supply and rating do not go together, and which circuit would explain both."""
    if isnan(ask.supply_V) or isnan(half.swing_V):
        return
    headroom = rule("stage_drive_headroom")

    def watts(circuit: Circuit, kept_V: float = headroom) -> float:
        return circuit.clipping_W(ask.supply_V, ask.load_ohm, half.re_rail_ohm, kept_V)

    def shown(power_W: float) -> str:
        return f"{power_W:.0f}" if power_W >= 10 else f"{power_W:.2g}"

    now = half.circuit
    left = half.rail_V - half.swing_V - half.swing_V / half.load_ohm * half.re_rail_ohm
    others = [Circuit(single, bridge, now.quasi) for single in (True, False) for bridge in (False, True)]
    ample = rule("stage_supply_ample") * ask.power_W
    able = [say("circuit_reaches", circuit=c.words, option=c.option, reach=shown(watts(c, 0.0)))
            for c in others if c != now and watts(c) <= ample and watts(c, 0.0) >= ask.power_W]  # fmt: skip
    if left < headroom:
        notes.findings.append(say(
            "stage_clips" if left < 0 else "stage_headroom", power=ask.power_W, needs=half.rail_V - left,
            supply=half.rail_V, left=left, headroom=headroom, clips=shown(watts(now)),
            most=shown(watts(now, 0.0))))  # fmt: skip
        if left < 0 and able:
            notes.findings.append(say("stage_circuit", others="; ".join(able)))
    elif not ask.circuit and able and watts(now) > ample:
        notes.findings.append(say("stage_ample", supply=ask.supply_V, clips=shown(watts(now)),
                                  times=watts(now) / ask.power_W, half=ask.supply_V / 2,
                                  others="; ".join(able)))  # fmt: skip


def vce_of(ask: StageAsk, half: Half, notes: Notes) -> tuple[float, float]:
    """V_CE at idle and at the peak [V]."""
    if isnan(half.rail_V) or not isnan(ask.vce_V):
        volts = notes.take(ask.vce_V, "stage_vce")
        return volts, volts
    if isnan(half.swing_V):
        return half.rail_V, half.rail_V / 2
    left, least = half.rail_V - half.swing_V, rule("stage_vce_left")
    if left < least:
        notes.assume("stage_vce_left", value=least)
    return half.rail_V, max(left, least)
