"""From an amplifier's rating to what each output device has to carry and to stand.

Everything that was not given is either asked for or stated as an assumption; nothing is guessed in
silence.  Idle current and peak current of a rail are shared by the devices in parallel on it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, isnan, nan, pi, radians, sqrt

from junction.base.constants import REFERENCE_TEMP_C, thermal_voltage
from junction.base.errors import UsageError
from junction.stage.heat import average_W, instant_peak, worst_instant, worst_swing
from junction.stage.limits import AMBIENT_C, check_limits
from junction.stage.results import Dissipation, OperatingPoint, Stage

#: Starting point for the drop across each emitter resistor at idle; common practice, no source.
#: (B. M. Oliver, Hewlett-Packard Journal, Feb. 1971, from memory: kT/q = 26 mV less the part's own
#: resistance gives the smoothest crossover; the trade stays a little below, for less heat.)
IDLE_DROP_V = 0.020
IDLE_DROP_RANGE_V = (0.010, 0.026)
#: Idle current of a device where there is no emitter resistor to set it by; common practice, no source.
IDLE_WITHOUT_RESISTOR_A = 0.050
#: Size of dV_BE/dT taken where no curve says it; common practice, no source.
VBE_SLOPE_V_PER_K = 0.002
#: Voltage an emitter follower and its driver need above the output; common practice, no source.
DRIVE_HEADROOM_V = 3.0
#: Case to sink with an insulator and fresh compound, and a sink after hard work; common practice, no source.
RTH_CASE_SINK = 0.5
RTH_JUNCTION_CASE = 1.5
SINK_C = 60.0
LOAD_PHASE_DEG = 45.0


@dataclass(frozen=True)
class StageAsk:
    """What the user knows of the stage; nan where it was not said. All in SI units."""

    power_W: float = nan
    load_ohm: float = nan
    supply_V: float = nan  # of one rail
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


class _Notes:
    """Assumptions made and questions left while a stage is worked out."""

    def __init__(self) -> None:
        self.assumptions: list[str] = []
        self.questions: list[str] = []
        self.findings: list[str] = []

    def take(self, value: float, default: float, sentence: str) -> float:
        """The value, or the default with its sentence among the assumptions."""
        if not isnan(value):
            return value
        self.assumptions.append(sentence)
        return default


def _check(ask: StageAsk) -> None:
    for name in ("power_W", "load_ohm", "supply_V", "idle_A", "idle_drop_V", "peak_A", "vce_V"):
        value = getattr(ask, name)
        if not isnan(value) and not value > 0:
            raise UsageError(f"{name.rsplit('_', 1)[0].replace('_', ' ')} must be above zero")
    if ask.parallel < 1:
        raise UsageError("at least one device a rail")
    for name, ohms in (("emitter", ask.re_ohm), ("base", ask.rb_ohm)):
        if len(ohms) not in (0, 1, ask.parallel, 2 * ask.parallel):
            raise UsageError(
                f"{len(ohms)} {name} resistors for {ask.parallel} devices a rail: give one value for all, "
                f"one for each position of a rail ({ask.parallel}), or one for each device "
                f"({2 * ask.parallel}, upper rail first)"
            )
        if any(not (isfinite(r) and r >= 0) for r in ohms):
            raise UsageError(f"an {name} resistor must be zero or more")
    if not isnan(ask.idle_A) and not isnan(ask.idle_drop_V):
        raise UsageError("idle current or emitter drop, not both: one follows from the other")
    if not isnan(ask.idle_drop_V) and not any(ask.re_ohm):
        raise UsageError("an emitter drop needs the emitter resistor: --emitter-resistor 0.22ohm")
    if not isnan(ask.power_W) and isnan(ask.load_ohm):
        raise UsageError("a power needs the load it is rated into: --load 8ohm")


def plan_stage(ask: StageAsk, types=()) -> Stage:
    """Work out a stage.

    Parameters
    ----------
    ask : StageAsk
    types : sequence of junction.shelf.results.PartType
        Types in use, for their limits.

    Returns
    -------
    Stage

    Raises
    ------
    UsageError
        Values that no stage can have together.
    """
    _check(ask)
    notes = _Notes()
    n = ask.parallel
    re = tuple(ask.re_ohm) or (0.0,)
    if not ask.re_ohm:
        notes.assumptions.append("no emitter resistor was given: taken as none")
    rb = tuple(ask.rb_ohm) or (0.0,)
    swing = sqrt(2 * ask.power_W * ask.load_ohm) if not isnan(ask.power_W) else nan
    peak_A = _peak_current(ask, swing, notes)
    supply = _supply(ask, swing, peak_A, re, notes)
    idle_A, drops = _idle(ask, re, notes)
    re_rail = _rail_resistance(re, n)
    _say_clipping(ask, supply, swing, peak_A, re_rail, notes)
    rth = _rth_device(ask, types, notes)
    idle_vce, peak_vce = _vce(ask, supply, swing, notes)
    heat = _heat(ask, supply, swing, idle_A, re_rail, rth, notes)
    idle_temp = _idle_temp(ask, heat)
    worst = max((d.average_W for d in heat if d.name != "idle"), default=nan)
    per_ampere = worst / (peak_A / n) if heat and isfinite(worst) else 0.0
    hot = max((d.junction_C for d in heat if isfinite(d.junction_C)), default=idle_temp)
    idle = OperatingPoint("idle", idle_A, idle_vce, idle_temp, _rail(re, n), _rail(rb, n), rth, idle_vce)
    peak = OperatingPoint("peak", peak_A, peak_vce, hot if isnan(ask.temp_C) else ask.temp_C,
                          _rail(re, n), _rail(rb, n), rth, per_ampere)  # fmt: skip
    gains = _loop_gains(ask, idle, rth, notes)
    limits, sink = check_limits(ask, types, supply, peak_A / n, heat, rth, notes)
    return Stage(
        n, re, rb, idle, peak, drops, ask.power_W, ask.load_ohm, supply, swing,
        swing / ask.load_ohm if not isnan(swing) else nan, _headroom(supply, swing, peak_A, re_rail),
        heat, limits, *gains, sink, tuple(notes.assumptions), tuple(notes.questions), tuple(notes.findings),
    )  # fmt: skip


def _rail(ohms: tuple[float, ...], n: int):
    """Resistors of the upper rail: one number, or one a position."""
    ohms = ohms[:n]
    return ohms[0] if len(set(ohms)) == 1 else ohms


def _rail_resistance(re: tuple[float, ...], n: int) -> float:
    own = re * n if len(re) == 1 else re[:n]
    return 0.0 if min(own) == 0 else 1.0 / sum(1.0 / r for r in own)


def _peak_current(ask: StageAsk, swing: float, notes: _Notes) -> float:
    if not isnan(ask.peak_A):
        return ask.peak_A
    if not isnan(swing):
        return swing / ask.load_ohm
    top = ask.data_high_A if isfinite(ask.data_high_A) else 1.0
    value = ask.parallel * min(1.0, top)
    notes.assumptions.append(
        f"no power or peak current was given: compared at {value:g} A for the set"
        + (", the top of what the parts' data hold" if top < 1 else "")
    )
    return value


def _supply(ask: StageAsk, swing: float, peak_A: float, re, notes: _Notes) -> float:
    if not isnan(ask.supply_V):
        return ask.supply_V
    if isnan(swing):
        return nan
    value = swing + peak_A * _rail_resistance(re, ask.parallel) + DRIVE_HEADROOM_V
    notes.assumptions.append(
        f"the supply was not given: {value:.0f} V a rail taken, the least that reaches the rated power with "
        f"{DRIVE_HEADROOM_V:g} V for the driver (common practice, no source); an unregulated supply stands "
        "higher at idle"
    )
    notes.questions.append("What is the voltage of each rail at idle? (--supply)")
    return value


def _headroom(supply: float, swing: float, peak_A: float, re_rail: float) -> float:
    return supply - swing - peak_A * re_rail


def clipping_W(supply_V: float, load_ohm: float, re_rail_ohm: float, left_V: float = 0.0) -> float:
    """Power of a sine into a resistive load that just reaches the rail, with `left_V` kept back [W].

    The rail less what is kept back stands across emitter resistors and load in series at the peak.
    """
    peak_V = max(supply_V - left_V, 0.0) / (1.0 + re_rail_ohm / load_ohm)
    return peak_V**2 / (2.0 * load_ohm)


def _watts(x: float) -> str:
    return f"{x:.0f} W" if x >= 10 else f"{x:.2g} W"


def _say_clipping(ask: StageAsk, supply: float, swing: float, peak_A: float, re_rail: float, notes) -> None:
    """Say where the supply cannot give the rated power, or can only without room for the driver."""
    if isnan(ask.supply_V) or isnan(swing):
        return
    left = _headroom(supply, swing, swing / ask.load_ohm, re_rail)
    clips = clipping_W(supply, ask.load_ohm, re_rail, DRIVE_HEADROOM_V)
    if left < 0:
        most = clipping_W(supply, ask.load_ohm, re_rail)
        notes.findings.append(
            f"This stage cannot give {ask.power_W:.4g} W: its peak needs {supply - left:.1f} V and the rail "
            f"has {supply:.4g} V. It clips at about {_watts(clips)}, with {DRIVE_HEADROOM_V:g} V for the "
            f"driver (common practice, no source), and in no case above {_watts(most)}. Check the "
            "supply, the load and the rating."
        )
    elif left < DRIVE_HEADROOM_V:
        notes.findings.append(
            f"Only {left:.2g} V are left for the driver at the peak, where about {DRIVE_HEADROOM_V:g} V are "
            f"needed (common practice, no source): with them it clips at about {_watts(clips)}."
        )


def _idle(ask: StageAsk, re: tuple[float, ...], notes: _Notes) -> tuple[float, tuple[float, ...]]:
    """Idle current of a rail, and the drop across each emitter resistor at equal currents."""
    n = ask.parallel
    own = re * n if len(re) == 1 else re
    mean = n / sum(1.0 / r for r in own[:n]) if min(own) > 0 else 0.0
    if not isnan(ask.idle_A):
        idle = ask.idle_A
    elif not isnan(ask.idle_drop_V):
        idle = n * ask.idle_drop_V / mean if mean else nan
    elif mean:
        idle = n * IDLE_DROP_V / mean
        notes.assumptions.append(
            f"the idle current was not given: {1000 * IDLE_DROP_V:.0f} mV across each emitter resistor "
            "taken as "
            f"the trade's starting point ({1000 * IDLE_DROP_RANGE_V[0]:.0f} to "
            f"{1000 * IDLE_DROP_RANGE_V[1]:.0f} mV; "
            "common practice, no source); the service manual's figure outranks it"
        )
    else:
        idle = n * IDLE_WITHOUT_RESISTOR_A
        notes.assumptions.append(
            f"the idle current was not given: {1000 * IDLE_WITHOUT_RESISTOR_A:.0f} mA a device taken (common "
            "practice, no source)"
        )
    if not isfinite(idle):
        raise UsageError("one emitter resistor is zero: give --idle-current in place of a drop")
    return idle, tuple(idle / n * r for r in own)


def _vce(ask: StageAsk, supply: float, swing: float, notes: _Notes) -> tuple[float, float]:
    if not isnan(ask.vce_V):
        return ask.vce_V, ask.vce_V
    if isnan(supply):
        notes.assumptions.append("no supply or V_CE was given: compared at V_CE = 5 V")
        return 5.0, 5.0
    if isnan(swing):
        return supply, supply / 2
    left = supply - swing
    if left < 2.0:
        notes.assumptions.append("at the peak, 2 V are taken to be left across the devices")
    return supply, max(left, 2.0)


def _rth_device(ask: StageAsk, types, notes: _Notes) -> float:
    """Junction to sink of one device [K/W]."""
    jc = ask.rth_jc
    if isnan(jc):
        known = [t.rating("R_thJC") for t in types]
        known = [r for r in known if not isnan(r)]
        jc = max(known) if known else nan
    if isnan(jc):
        notes.questions.append(
            "What is the thermal resistance junction to case? (--rth-junction-case, or --type)"
        )
    jc = notes.take(jc, RTH_JUNCTION_CASE, f"junction to case taken as {RTH_JUNCTION_CASE:g} K/W "
                    "(a TO-3 or TO-247 power part; common practice, no source)")  # fmt: skip
    cs = notes.take(ask.rth_cs, RTH_CASE_SINK, f"case to sink taken as {RTH_CASE_SINK:g} K/W (insulator with "
                    "fresh compound; common practice, no source)")  # fmt: skip
    return jc + cs


def _heat(ask, supply, swing, idle_A, re_rail, rth, notes) -> tuple[Dissipation, ...]:
    """Dissipation of one device in the ways that matter, with the temperatures it leads to."""
    n = ask.parallel
    if isnan(supply):
        volts = ask.vce_V
        if isnan(volts):
            return ()
        return (_warm(ask, "idle", volts * idle_A / n, volts * idle_A / n, volts, idle_A / n, rth, n, notes),)
    idle_W = supply * idle_A / n
    rows = [("idle", idle_W, idle_W, supply, idle_A / n)]
    if not isnan(swing):
        phase_deg = notes.take(ask.load_phase_deg, LOAD_PHASE_DEG, f"the reactive case is a load of the same "
                               f"size at {LOAD_PHASE_DEG:g} degrees (common practice)")  # fmt: skip
        load = ask.load_ohm
        most = supply / (1.0 + re_rail / load)
        # no swing passes the rail: past it there is no heat to work out
        top, full = (most, "clipping") if swing > most else (swing, "rated power")
        for word, phase in (("resistive load", 0.0), (f"load at {phase_deg:g} degrees", radians(phase_deg))):
            rated = float(average_W(top, supply, load, phase, re_rail))
            power, vce, current = (float(x) for x in instant_peak(top, supply, load, phase, re_rail))
            rows.append((f"{full}, {word}", rated / n, power / n, vce, current / n))
            at = worst_swing(top, supply, load, phase, re_rail)
            mean = float(average_W(at, supply, load, phase, re_rail))
            worst, vce, current = worst_instant(top, supply, load, phase, re_rail)
            if mean > 1.01 * rated or worst > 1.01 * power:  # else full swing is the worst there is
                rows.append((f"worst drive, {word}", mean / n, worst / n, vce, current / n))
        notes.assumptions.append("heat under drive is that of class B with a sine: the idle current's share "
                                 "fades as the drive rises")  # fmt: skip
    return tuple(_warm(ask, *row, rth, n, notes) for row in rows)


def _warm(ask, name, average, peak, vce, ic, rth, n, notes) -> Dissipation:
    """Temperatures of one device that dissipates `average`, all devices of both rails on one sink."""
    if not isnan(ask.rth_sa):
        ambient = ask.ambient_C if not isnan(ask.ambient_C) else AMBIENT_C
        if isnan(ask.ambient_C):
            _once(notes, f"air at the sink taken as {AMBIENT_C:.0f} C")
        sink = ambient + ask.rth_sa * average * 2 * n
    elif name == "idle" and isnan(ask.ambient_C):
        sink = nan
    else:
        sink = SINK_C
        _once(notes, f"the sink was not given: {SINK_C:g} C taken after hard work (too hot to keep a "
                     "hand on; "
              "common practice, no source)")  # fmt: skip
        question = "What is the heat sink's thermal resistance, for one channel? (--rth-sink)"
        if question not in notes.questions:
            notes.questions.append(question)
    cs = ask.rth_cs if not isnan(ask.rth_cs) else RTH_CASE_SINK
    return Dissipation(name, average, peak, vce, ic, sink, sink + cs * average, sink + rth * average)


def _once(notes: _Notes, sentence: str) -> None:
    if sentence not in notes.assumptions:
        notes.assumptions.append(sentence)


def _idle_temp(ask: StageAsk, heat) -> float:
    if not isnan(ask.temp_C):
        return ask.temp_C
    for row in heat:
        if row.name == "idle" and isfinite(row.junction_C):
            return row.junction_C
    return REFERENCE_TEMP_C


def _loop_gains(ask: StageAsk, idle: OperatingPoint, rth: float, notes: _Notes) -> tuple[float, float, float]:
    r"""Thermal loop gain theta dP/dT of one device, with the bias not following, and the critical V_CE.

    dP/dT at a stiff drive is V_CE (2 mV/K)/(V_T/I + R_E); stable below 1 (Kakani and Bhandari, ch. 6).
    """
    n = ask.parallel
    current = idle.total_A / n
    own = idle.re_ohm if isinstance(idle.re_ohm, float) else min(idle.re_ohm)
    slope = float(thermal_voltage(idle.temp_C)) / current + own
    per_volt = rth * VBE_SLOPE_V_PER_K / slope
    alone = per_volt * idle.vce_V
    all_ = nan
    if not isnan(ask.rth_sa):
        all_ = alone * (rth + 2 * n * ask.rth_sa) / rth
        if all_ >= 1:
            notes.findings.append(
                "With a bias that does not follow the sink the idle current runs away (loop gain "
                f"{all_:.2f}, must stay below 1): the bias transistor has to sit on the sink, close to "
                "the devices."
            )
    if alone >= 1:
        notes.findings.append(
            "Devices with this V_CE, idle current and emitter resistor run away: theta dP/dT is "
            f"{alone:.2f} and "
            f"must stay below 1. V_CE would have to be under {1 / per_volt:.0f} V, or the emitter resistor "
            f"at least {idle.vce_V * rth * VBE_SLOPE_V_PER_K - (slope - own):.2f} ohm."
        )
    elif alone > 0.5:
        notes.findings.append(
            f"The thermal margin is thin: theta dP/dT is {alone:.2f}, at 1 the devices run away."
        )
    return alone, all_, 1 / per_volt


def swing_words(stage: Stage) -> dict[str, float]:
    """The arithmetic of the rating: peak, peak-to-peak and rms output voltage [V], peak current [A]."""
    v = stage.peak_output_V
    return {"peak": v, "peak to peak": 2 * v, "rms": v / sqrt(2), "peak current": stage.peak_output_A,
            "average rail current": stage.peak_output_A / pi}  # fmt: skip
