r"""From an amplifier's rating to what each output device has to carry and to stand.

Everything that was not given is either asked for or stated as an assumption; nothing is guessed in
silence.  Idle current and peak current of a rail are shared by the devices in parallel on it.

Heat: with a sine drive v = V sin t the load current is i = I sin(t - phi) with I = V/|Z|, and the devices of
one rail conduct while i > 0.  Taking the stage as class B (the idle current is small against I):

.. math::

    P_{av} = \frac{V_S I}{\pi} - \frac{V I \cos\varphi}{4} - \frac{I^2 R_E}{4}, \qquad
    p(t) = (V_S - v - i R_E)\,i

per rail, R_E being the emitter resistors of the parallel devices taken together.  For a resistive load
without emitter resistors the largest average is V_S^2/(pi^2 R) at V = 2 V_S/pi, which textbooks round
to MPP^2/(40 R) (Malvino, Electronic Principles, ch. 12), and the largest instant V_S^2/(4 R) at
V = V_S/2.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import cos, isfinite, isnan, nan, pi, radians, sqrt

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C, thermal_voltage
from junction.base.errors import UsageError
from junction.shelf.ratings import power_at_W, safe_current_A, second_breakdown_line
from junction.shelf.rules import rule
from junction.stage.results import Dissipation, LimitCheck, OperatingPoint, Stage

#: Points of a cycle and swings looked at; the maxima are flat: the error is far below a part in a thousand.
_PHASE_POINTS, _SWINGS = 2881, 241
#: A smaller swing that heats by no more than this beyond full swing is not listed beside it.
_WORSE = 1.01


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


@dataclass
class _Notes:
    """Assumptions made, questions left and what needs attention, gathered while a stage is worked out."""

    assumptions: list[str] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)
    findings: list[str] = field(default_factory=list)

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
    re, rb = tuple(ask.re_ohm) or (0.0,), tuple(ask.rb_ohm) or (0.0,)
    if not ask.re_ohm:
        notes.assumptions.append("no emitter resistor was given: taken as none")
    own = re * n if len(re) == 1 else re
    re_rail = 0.0 if min(own[:n]) == 0 else 1.0 / sum(1.0 / r for r in own[:n])
    swing = sqrt(2 * ask.power_W * ask.load_ohm)
    peak_A = ask.peak_A if not isnan(ask.peak_A) else swing / ask.load_ohm
    if isnan(peak_A):
        most, top = rule("stage_peak_device"), ask.data_high_A
        held = isfinite(top) and top < most
        peak_A = n * (top if held else most)
        notes.assumptions.append(
            f"no power or peak current was given: compared at {peak_A:g} A for the set"
            + (", the top of what the parts' data hold" if held else "")
        )
    supply = _supply(ask, swing, peak_A, re_rail, notes)
    idle_A = _idle(ask, own, n * re_rail if min(own) > 0 else 0.0, notes)
    _say_clipping(ask, supply, swing, re_rail, notes)
    rth_cs, rth = _rth_device(ask, types, notes)
    idle_vce, peak_vce = _vce(ask, supply, swing, notes)
    heat = tuple(
        _warm(ask, *row, rth_cs, rth, notes) for row in _heat(ask, supply, swing, idle_A, re_rail, notes)
    )
    cold = heat[0].junction_C if heat and isfinite(heat[0].junction_C) else REFERENCE_TEMP_C
    idle_temp = peak_temp = ask.temp_C
    if isnan(ask.temp_C):
        idle_temp = cold
        peak_temp = max((d.junction_C for d in heat if isfinite(d.junction_C)), default=cold)
    per_ampere = max((d.average_W for d in heat if d.case != "idle"), default=0.0) / (peak_A / n)
    resistors = [ohms[0] if len(set(ohms[:n])) == 1 else ohms[:n] for ohms in (re, rb)]
    idle = OperatingPoint("idle", idle_A, idle_vce, idle_temp, *resistors, rth, idle_vce)
    peak = OperatingPoint("peak", peak_A, peak_vce, peak_temp, *resistors, rth, per_ampere)
    gains = _loop_gains(ask, idle, rth, notes)
    limits, sink = _limits(ask, types, supply, peak_A / n, heat, rth, notes)
    return Stage(
        n, re, rb, idle, peak, tuple(idle_A / n * r for r in own), ask.power_W, ask.load_ohm, supply,
        2 * swing, swing / sqrt(2), swing, swing / ask.load_ohm, supply - swing - peak_A * re_rail,
        heat, limits, *gains, sink,
        tuple(dict.fromkeys(notes.assumptions)), tuple(dict.fromkeys(notes.questions)), tuple(notes.findings),
    )  # fmt: skip


def _supply(ask: StageAsk, swing: float, peak_A: float, re_rail: float, notes: _Notes) -> float:
    if not isnan(ask.supply_V) or isnan(swing):
        return ask.supply_V
    headroom = rule("stage_drive_headroom")
    value = swing + peak_A * re_rail + headroom
    notes.assumptions.append(
        f"the supply was not given: {value:.0f} V a rail taken, the least that reaches the rated power with "
        f"{headroom:g} V for the driver (common practice, no source); an unregulated supply stands "
        "higher at idle"
    )
    notes.questions.append("What is the voltage of each rail at idle? (--supply)")
    return value


def _idle(ask: StageAsk, own, mean_ohm: float, notes: _Notes) -> float:
    """Idle current of a rail [A]; `mean_ohm`, at which equal drops are equal currents, 0 for none."""
    n = ask.parallel
    if not isnan(ask.idle_A):
        return ask.idle_A
    if not isnan(ask.idle_drop_V):
        if not mean_ohm:
            raise UsageError("one emitter resistor is zero: give --idle-current in place of a drop")
        return n * ask.idle_drop_V / mean_ohm
    if mean_ohm:
        drop, low, high = (rule(f"stage_idle_drop{end}") for end in ("", "_low", "_high"))
        notes.assumptions.append(
            f"the idle current was not given: {1000 * drop:.0f} mV across each emitter resistor taken as "
            f"the trade's starting point ({1000 * low:.0f} to {1000 * high:.0f} mV; "
            "common practice, no source); the service manual's figure outranks it"
        )
        return n * drop / mean_ohm
    bare = rule("stage_idle_bare")
    notes.assumptions.append(
        f"the idle current was not given: {1000 * bare:.0f} mA a device taken (common practice, no source)"
    )
    return n * bare


def clipping_W(supply_V: float, load_ohm: float, re_rail_ohm: float, left_V: float = 0.0) -> float:
    """Power of a sine into a resistive load that just reaches the rail, with `left_V` kept back [W].

    The rail less what is kept back stands across emitter resistors and load in series at the peak.
    """
    peak_V = max(supply_V - left_V, 0.0) / (1.0 + re_rail_ohm / load_ohm)
    return peak_V**2 / (2.0 * load_ohm)


def _say_clipping(ask: StageAsk, supply: float, swing: float, re_rail: float, notes: _Notes) -> None:
    """Say where the supply cannot give the rated power, or can only without room for the driver."""
    if isnan(ask.supply_V) or isnan(swing):
        return

    def watts(x: float) -> str:
        return f"{x:.0f} W" if x >= 10 else f"{x:.2g} W"

    headroom = rule("stage_drive_headroom")
    left = supply - swing - swing / ask.load_ohm * re_rail
    clips = watts(clipping_W(supply, ask.load_ohm, re_rail, headroom))
    if left < 0:
        notes.findings.append(
            f"This stage cannot give {ask.power_W:.4g} W: its peak needs {supply - left:.1f} V and the rail "
            f"has {supply:.4g} V. It clips at about {clips}, with {headroom:g} V for the driver (common "
            "practice, no source), and in no case above "
            f"{watts(clipping_W(supply, ask.load_ohm, re_rail))}. Check the supply, the load and the rating."
        )
    elif left < headroom:
        notes.findings.append(
            f"Only {left:.2g} V are left for the driver at the peak, where about {headroom:g} V are "
            f"needed (common practice, no source): with them it clips at about {clips}."
        )


def _vce(ask: StageAsk, supply: float, swing: float, notes: _Notes) -> tuple[float, float]:
    """V_CE at idle and at the peak [V]."""
    if not isnan(ask.vce_V):
        return ask.vce_V, ask.vce_V
    if isnan(supply):
        volts = rule("stage_vce")
        notes.assumptions.append(f"no supply or V_CE was given: compared at V_CE = {volts:g} V")
        return volts, volts
    if isnan(swing):
        return supply, supply / 2
    least = rule("stage_vce_left")
    if supply - swing < least:
        notes.assumptions.append(f"at the peak, {least:g} V are taken to be left across the devices")
    return supply, max(supply - swing, least)


def _rth_device(ask: StageAsk, types, notes: _Notes) -> tuple[float, float]:
    """Case to sink and junction to sink of one device [K/W]."""
    jc, cs = rule("stage_rth_junction_case"), rule("stage_rth_case_sink")
    known = [r for r in (t.rating("R_thJC") for t in types) if not isnan(r)]
    given = ask.rth_jc if not isnan(ask.rth_jc) else max(known, default=nan)
    if isnan(given):
        notes.questions.append(
            "What is the thermal resistance junction to case? (--rth-junction-case, or --type)"
        )
    jc = notes.take(given, jc, f"junction to case taken as {jc:g} K/W (a TO-3 or TO-247 power part; common "
                    "practice, no source)")  # fmt: skip
    cs = notes.take(ask.rth_cs, cs, f"case to sink taken as {cs:g} K/W (insulator with fresh compound; "
                    "common practice, no source)")  # fmt: skip
    return cs, jc + cs


def average_W(swing_V, supply_V: float, load_ohm: float, phase_rad: float = 0.0, re_ohm: float = 0.0):
    """Average dissipation of all devices of one rail.

    Parameters
    ----------
    swing_V : float or ndarray
        Peak output voltage [V].
    supply_V : float
        Voltage of that rail against the output's rest [V].
    load_ohm, phase_rad : float
        Magnitude [ohm] and phase angle [rad] of the load.
    re_ohm : float
        Emitter resistors of the rail, in parallel [ohm].

    Returns
    -------
    float or ndarray
        [W].
    """
    current = swing_V / load_ohm
    return supply_V * current / pi - swing_V * current * cos(phase_rad) / 4 - current**2 * re_ohm / 4


def load_locus(swing_V, supply_V: float, load_ohm: float, phase_rad: float = 0.0, re_ohm: float = 0.0,
               points: int = 181):  # fmt: skip
    """V_CE and collector current of one rail over its conducting half cycle, along the last axis [V, A]."""
    angle, swing = np.linspace(0.0, np.pi, points), np.asarray(swing_V, float)[..., None]
    current = swing / load_ohm * np.sin(angle)
    return supply_V - swing * np.sin(angle + phase_rad) - current * re_ohm, current


def instant_peak(swing_V, supply_V: float, load_ohm: float, phase_rad: float = 0.0, re_ohm: float = 0.0):
    """Largest instantaneous dissipation of one rail over a cycle, at the worst of the swings.

    Parameters
    ----------
    swing_V, supply_V, load_ohm, phase_rad, re_ohm
        As in `average_W`.

    Returns
    -------
    power_W, vce_V, current_A : float
        V_CE is that of the transistor alone.
    """
    vce, current = load_locus(swing_V, supply_V, load_ohm, phase_rad, re_ohm, _PHASE_POINTS)
    at = int((vce * current).argmax())
    vce_V, current_A = float(vce.flat[at]), float(current.flat[at])
    return vce_V * current_A, vce_V, current_A


def _heat(ask: StageAsk, supply: float, swing: float, idle_A: float, re_rail: float, notes: _Notes):
    """Ways of driving one device that matter: name, average and peak power, V_CE and current at the peak."""
    n = ask.parallel
    volts = supply if not isnan(supply) else ask.vce_V
    if isnan(volts):
        return []
    rows = [("idle", volts * idle_A / n, volts * idle_A / n, volts, idle_A / n)]
    if isnan(supply) or isnan(swing):
        return rows
    phase = rule("stage_load_phase")
    phase = notes.take(ask.load_phase_deg, phase, f"the reactive case is a load of the same size at "
                       f"{phase:g} degrees (common practice)")  # fmt: skip
    most = supply / (1.0 + re_rail / ask.load_ohm)
    # no swing passes the rail: past it there is no heat to work out
    top, full = (most, "clipping") if swing > most else (swing, "rated power")
    for word, angle in (("resistive load", 0.0), (f"load at {phase:g} degrees", radians(phase))):
        circuit = (supply, ask.load_ohm, angle, re_rail)
        rated, (power, vce, current) = average_W(top, *circuit), instant_peak(top, *circuit)
        rows.append((f"{full}, {word}", rated / n, power / n, vce, current / n))
        # where the parabola of the average over the swing is highest
        mean = average_W(min(2 * supply / pi / (cos(angle) + re_rail / ask.load_ohm), top), *circuit)
        worst, vce, current = instant_peak(np.linspace(0.0, top, _SWINGS), *circuit)
        if mean > _WORSE * rated or worst > _WORSE * power:  # else full swing is the worst there is
            rows.append((f"worst drive, {word}", mean / n, worst / n, vce, current / n))
    notes.assumptions.append("heat under drive is that of class B with a sine: the idle current's share "
                             "fades as the drive rises")  # fmt: skip
    return rows


def _warm(ask, case, average, peak, vce, ic, rth_cs, rth, notes: _Notes) -> Dissipation:
    """Temperatures of one device that dissipates `average`, all devices of both rails on one sink."""
    if not isnan(ask.rth_sa):
        ambient = rule("stage_ambient")
        ambient = notes.take(ask.ambient_C, ambient, f"air at the sink taken as {ambient:.0f} C")
        sink = ambient + ask.rth_sa * average * 2 * ask.parallel
    elif case == "idle" and isnan(ask.ambient_C):
        sink = nan
    else:
        sink = rule("stage_sink")
        notes.assumptions.append(f"the sink was not given: {sink:g} C taken after hard work (too hot to keep "
                                 "a hand on; common practice, no source)")  # fmt: skip
        notes.questions.append("What is the heat sink's thermal resistance, for one channel? (--rth-sink)")
    return Dissipation(case, average, peak, vce, ic, sink, sink + rth_cs * average, sink + rth * average)


def _loop_gains(ask: StageAsk, idle: OperatingPoint, rth: float, notes: _Notes) -> tuple[float, float, float]:
    r"""Thermal loop gain theta dP/dT of one device, with the bias not following, and the critical V_CE.

    dP/dT at a stiff drive is V_CE (2 mV/K)/(V_T/I + R_E); stable below 1 (Kakani and Bhandari, ch. 6).
    """
    n, kelvin = ask.parallel, -rule("vbe_slope")
    own = float(np.min(idle.re_ohm))
    junction = float(thermal_voltage(idle.temp_C)) / (idle.total_A / n)
    per_volt = rth * kelvin / (junction + own)
    alone = per_volt * idle.vce_V
    together = alone * (rth + 2 * n * ask.rth_sa) / rth
    if together >= 1:
        notes.findings.append(
            "With a bias that does not follow the sink the idle current runs away (loop gain "
            f"{together:.2f}, must stay below 1): the bias transistor has to sit on the sink, close to "
            "the devices."
        )
    if alone >= 1:
        notes.findings.append(
            f"Devices with this V_CE, idle current and emitter resistor run away: theta dP/dT is {alone:.2f} "
            f"and must stay below 1. V_CE would have to be under {1 / per_volt:.0f} V, or the emitter "
            f"resistor at least {idle.vce_V * rth * kelvin - junction:.2f} ohm."
        )
    elif alone > rule("loop_gain_thin"):
        notes.findings.append(
            f"The thermal margin is thin: theta dP/dT is {alone:.2f}, at 1 the devices run away."
        )
    return alone, together, 1 / per_volt


def _limits(ask: StageAsk, types, supply: float, device_A: float, heat, rth: float, notes: _Notes):
    """Every limit of every type in use, and the largest sink [K/W] that keeps the junctions within T_j."""
    if not types:
        notes.questions.append("Which type are the devices? With it their safe area can be checked (--type)")
    checks = [check for kind in types for check in _of_type(kind, supply, device_A, heat)]
    notes.findings += [check.text for check in checks if check.verdict == "beyond"]
    worst = max((d.average_W for d in heat), default=nan)
    limit_C = min((t_j for t_j in (t.rating("T_j") for t in types) if not isnan(t_j)), default=nan)
    if not (isfinite(limit_C) and worst > 0):
        return tuple(checks), nan
    ambient = rule("stage_ambient")
    ambient = notes.take(ask.ambient_C, ambient, f"the sink needed is for air at {ambient:.0f} C")
    sink = (limit_C - rth * worst - ambient) / (2 * ask.parallel * worst)
    if sink <= 0:
        notes.findings.append("No heat sink is large enough: the devices alone would pass their T_j limit. "
                              "More of them in parallel, or a lower supply.")  # fmt: skip
    return tuple(checks), sink


def _of_type(kind, supply: float, device_A: float, heat) -> list[LimitCheck]:
    def check(quantity: str, symbol: str, asked: float, limit: float, unit: str, text: str) -> LimitCheck:
        if isnan(limit) or isnan(asked):
            verdict = "unknown"
            text = f"{quantity} cannot be checked, the shelf or the stage does not say it."
        elif asked > limit:
            verdict = "beyond"
        else:
            verdict = "close" if asked > rule("stage_close") * limit else "within"
        source = next((limit.source for limit in kind.find(symbol)), kind.source)
        return LimitCheck(kind.name, quantity, asked, limit, unit, verdict, f"{kind.name}: {text}", source)

    hottest = max((d.junction_C for d in heat if isfinite(d.junction_C)), default=nan)
    volts, v_ceo, i_c, t_j = 2 * supply, *(kind.rating(s) for s in ("V_CEO", "I_C", "T_j"))
    out = [
        check("V_CEO against both rails", "V_CEO", volts, v_ceo, "V",
              f"the device that is off sees both rails, {volts:.0f} V; V_CEO is {v_ceo:.0f} V."),
        check("I_C at the peak", "I_C", device_A, i_c, "A",
              f"{device_A:.1f} A at the peak; I_C is {i_c:g} A."),
        check("T_j, worst drive", "T_j", hottest, t_j, "C",
              f"the junction reaches {hottest:.0f} C; the limit is {t_j:.0f} C."),
    ]  # fmt: skip
    warmest = max((d for d in heat if isfinite(d.case_C)), key=lambda d: d.average_W, default=None)
    if warmest is not None:
        allowed = _derated_W(kind, warmest.case_C)
        out.append(check(
            f"P_tot derated, {warmest.case}", "P_tot", warmest.average_W, allowed, "W",
            f"{warmest.average_W:.0f} W on average with {warmest.case}; derated to a case of "
            f"{warmest.case_C:.0f} C it may take {allowed:.0f} W."))  # fmt: skip
    if not heat:
        return out
    # the worst instant against the dc safe area; past it, only the pulse lines of the type's chart help
    worst = max(heat, key=lambda d: d.peak_W)
    vce, asked = worst.vce_at_peak_V, worst.ic_at_peak_A
    case_C = worst.case_C if isfinite(worst.case_C) else REFERENCE_TEMP_C
    allowed = safe_current_A(kind, vce, case_C)
    found = check("safe area, worst instant", "P_tot", asked, allowed, "A", "")
    text = f"{kind.name}: {worst.peak_W:.0f} W for an instant, at V_CE {vce:.0f} V and {asked:.1f} A "
    text += f"({worst.case})"
    if found.verdict == "unknown":
        text += "; the shelf holds no safe area of this type"
    else:
        text += f"; dc, with the case at {case_C:.0f} C, it may carry {allowed:.1f} A there"
    verdict = found.verdict
    if verdict == "beyond":
        verdict = "close"  # an instant of a sine is not dc
        text += ": only the pulse lines of its safe-area chart can allow it"
    if isnan(second_breakdown_line(kind, vce)):
        text += "; hold this point against its own chart, for its second-breakdown line is not on the shelf"
    return [*out, replace(found, verdict=verdict, text=text + ".")]


def _derated_W(kind, case_C: float) -> float:
    """Power a type may take with its case at a temperature: (T_j - T_C)/R_thJC, never above P_tot [W]."""
    rated = power_at_W(kind, "case", case_C)
    if not isnan(rated):
        return rated
    t_j, p_tot, rth = (kind.rating(s) for s in ("T_j", "P_tot", "R_thJC"))
    if isnan(rth) and not isnan(p_tot):  # a rating that does not say where it holds: a case of 25 degC
        rth = (t_j - REFERENCE_TEMP_C) / p_tot
    allowed = (t_j - case_C) / rth
    return allowed if isnan(p_tot) else min(allowed, p_tot)
