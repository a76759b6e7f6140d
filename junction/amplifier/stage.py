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

from dataclasses import dataclass
from math import cos, isfinite, isnan, nan, pi, radians, sqrt

import numpy as np

from junction.amplifier.results import OperatingPoint, Stage
from junction.base.errors import UsageError
from junction.base.units import REFERENCE_TEMP_C, thermal_voltage
from junction.judge.results import next_step, say
from junction.shelf.tables import rule
from junction.shelf.types import power_at_W, safe_current_A, second_breakdown_line

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


class _Notes:
    """Assumptions made, questions left and what needs attention, gathered while a stage is worked out."""

    def __init__(self) -> None:
        self.assumptions: list[str] = []
        self.questions: list[str] = []
        self.findings: list[str] = []

    def assume(self, reason: str, **numbers: float) -> None:
        """Note an assumption, and the question that would make it unnecessary."""
        self.assumptions.append(say(reason, **numbers))
        self.questions += filter(None, [next_step(reason)])

    def take(self, value: float, name: str, reason: str = "") -> float:
        """The value, or where it is not known the rule of that name, noted as an assumption."""
        if isnan(value):
            value = rule(name)
            self.assume(reason or name, value=value)
        return value


def _check(ask: StageAsk) -> None:
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


def plan_stage(ask: StageAsk, types=()) -> Stage:
    """Work out a stage.

    Parameters
    ----------
    ask : StageAsk
    types : sequence of junction.shelf.tables.PartType
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
        notes.assume("stage_no_resistor")
    own = re * n if len(re) == 1 else re
    re_rail = 0.0 if min(own[:n]) == 0 else 1.0 / sum(1.0 / r for r in own[:n])
    swing = sqrt(2 * ask.power_W * ask.load_ohm)
    peak_A = ask.peak_A if not isnan(ask.peak_A) else swing / ask.load_ohm
    if isnan(peak_A):
        held = ask.data_high_A < rule("stage_peak_device")
        peak_A = n * (ask.data_high_A if held else rule("stage_peak_device"))
        notes.assume("stage_peak_data" if held else "stage_peak_device", value=peak_A)
    supply = ask.supply_V
    if isnan(supply) and not isnan(swing):
        headroom = rule("stage_drive_headroom")
        supply = swing + peak_A * re_rail + headroom
        notes.assume("stage_supply", value=supply, headroom=headroom)
    idle_A = _idle(ask, n * re_rail if min(own) > 0 else 0.0, notes)
    _say_clipping(ask, supply, swing, re_rail, notes)
    known = [r for r in (t.rating("R_thJC") for t in types) if not isnan(r)]
    rth_jc = ask.rth_jc if not isnan(ask.rth_jc) else max(known, default=nan)
    rth_jc = notes.take(rth_jc, "stage_rth_junction_case")
    rth_cs = notes.take(ask.rth_cs, "stage_rth_case_sink")
    rth = rth_jc + rth_cs
    idle_vce, peak_vce = _vce(ask, supply, swing, notes)
    heat = _heat(ask, supply, swing, idle_A, re_rail, (rth_cs, rth), notes)
    warm = [d["junction_C"] for d in heat if isfinite(d["junction_C"])]
    idle_temp = peak_temp = ask.temp_C
    if isnan(ask.temp_C):
        idle_temp = heat[0]["junction_C"] if heat and isfinite(heat[0]["junction_C"]) else REFERENCE_TEMP_C
        peak_temp = max(warm, default=idle_temp)
    per_ampere = max((d["average_W"] for d in heat[1:]), default=0.0) / (peak_A / n)
    resistors = [ohms[0] if len(set(ohms[:n])) == 1 else ohms[:n] for ohms in (re, rb)]
    idle = OperatingPoint("idle", idle_A, idle_vce, idle_temp, *resistors, rth, idle_vce)
    peak = OperatingPoint("peak", peak_A, peak_vce, peak_temp, *resistors, rth, per_ampere)
    gains = _loop_gains(ask, idle, rth, notes)
    limits, sink = _limits(ask, types, supply, peak_A / n, heat, rth, notes)
    return Stage(
        n, re, rb, idle, peak, tuple(idle_A / n * r for r in own), ask.power_W, ask.load_ohm, supply,
        2 * swing, swing / sqrt(2), swing, swing / ask.load_ohm, supply - swing - peak_A * re_rail,
        tuple(heat), tuple(limits), *gains, sink,
        tuple(dict.fromkeys(notes.assumptions)), tuple(dict.fromkeys(notes.questions)), tuple(notes.findings),
    )  # fmt: skip


def _idle(ask: StageAsk, mean_ohm: float, notes: _Notes) -> float:
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


def _say_clipping(ask: StageAsk, supply: float, swing: float, re_rail: float, notes: _Notes) -> None:
    """Say where the supply cannot give the rated power, or can only without room for the driver."""
    if isnan(ask.supply_V) or isnan(swing):
        return

    def clips(kept_V: float) -> str:
        watts = clipping_W(supply, ask.load_ohm, re_rail, kept_V)
        return f"{watts:.0f}" if watts >= 10 else f"{watts:.2g}"

    headroom = rule("stage_drive_headroom")
    left = supply - swing - swing / ask.load_ohm * re_rail
    if left < headroom:
        notes.findings.append(say(
            "stage_clips" if left < 0 else "stage_headroom", power=ask.power_W, needs=supply - left,
            supply=supply, left=left, headroom=headroom, clips=clips(headroom), most=clips(0.0)))  # fmt: skip


def _vce(ask: StageAsk, supply: float, swing: float, notes: _Notes) -> tuple[float, float]:
    """V_CE at idle and at the peak [V]."""
    if isnan(supply) or not isnan(ask.vce_V):
        volts = notes.take(ask.vce_V, "stage_vce")
        return volts, volts
    if isnan(swing):
        return supply, supply / 2
    left, least = supply - swing, rule("stage_vce_left")
    if left < least:
        notes.assume("stage_vce_left", value=least)
    return supply, max(left, least)


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


def _heat(ask: StageAsk, supply: float, swing: float, idle_A: float, re_rail: float, rth, notes: _Notes):
    """Heat of one device in each way of driving that matters, idle first; all of a channel on one sink.

    ``rth`` are the thermal resistances of a device, case to sink and junction to sink [K/W].
    """
    n = ask.parallel
    volts = supply if not isnan(supply) else ask.vce_V
    if isnan(volts):
        return []
    rows = [("idle", volts * idle_A / n, volts * idle_A / n, volts, idle_A / n)]
    if not (isnan(supply) or isnan(swing)):
        phase = notes.take(ask.load_phase_deg, "stage_load_phase")
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
        notes.assume("stage_class_b")
    heat = []
    for case, average, peak, vce, ic in rows:
        sink = nan
        if not isnan(ask.rth_sa):
            sink = notes.take(ask.ambient_C, "stage_ambient") + ask.rth_sa * average * 2 * n
        elif case != "idle" or not isnan(ask.ambient_C):
            sink = notes.take(nan, "stage_sink")
        heat.append({"case": case, "average_W": average, "peak_W": peak, "vce_at_peak_V": vce,
                     "ic_at_peak_A": ic, "sink_C": sink, "case_C": sink + rth[0] * average,
                     "junction_C": sink + rth[1] * average})  # fmt: skip
    return heat


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
        notes.findings.append(say("stage_bias_runs_away", gain=together))
    if alone >= 1:
        resistor = idle.vce_V * rth * kelvin - junction
        notes.findings.append(say("stage_runs_away", gain=alone, vce=1 / per_volt, resistor=resistor))
    elif alone > rule("loop_gain_thin"):
        notes.findings.append(say("stage_margin_thin", gain=alone))
    return alone, together, 1 / per_volt


def _limits(ask: StageAsk, types, supply: float, device_A: float, heat, rth: float, notes: _Notes):
    """Every limit of every type in use, and the largest sink [K/W] that keeps the junctions within T_j."""
    if not types:
        notes.questions.append(next_step("stage_no_type"))
    checks = [check for kind in types for check in _of_type(kind, supply, device_A, heat)]
    notes.findings += [check["text"] for check in checks if check["verdict"] == "beyond"]
    worst = max((d["average_W"] for d in heat), default=nan)
    limit_C = min((t_j for t_j in (t.rating("T_j") for t in types) if not isnan(t_j)), default=nan)
    if not (isfinite(limit_C) and worst > 0):
        return checks, nan
    ambient = notes.take(ask.ambient_C, "stage_ambient", "stage_sink_needed")
    sink = (limit_C - rth * worst - ambient) / (2 * ask.parallel * worst)
    if sink <= 0:
        notes.findings.append(say("stage_no_sink"))
    return checks, sink


def _of_type(kind, supply: float, device_A: float, heat) -> list[dict]:
    """Rows of `Stage.limits` of one type."""

    def check(quantity: str, symbol: str, asked: float, limit: float, unit: str, **more) -> dict:
        if isnan(limit) or isnan(asked):
            verdict, text = "unknown", say("limit_unknown", quantity=quantity)
        else:
            close = "close" if asked > rule("stage_close") * limit else "within"
            verdict = "beyond" if asked > limit else close
            text = say(f"limit_{symbol}", asked=asked, limit=limit, **more)
        source = next((limit.source for limit in kind.find(symbol)), kind.source)
        return {"type": kind.name, "quantity": quantity, "asked": asked, "limit": limit, "unit": unit,
                "verdict": verdict, "text": f"{kind.name}: {text}", "source": source}  # fmt: skip

    warm = [d for d in heat if isfinite(d["junction_C"])]
    hottest = max((d["junction_C"] for d in warm), default=nan)
    out = [
        check("V_CEO against both rails", "V_CEO", 2 * supply, kind.rating("V_CEO"), "V"),
        check("I_C at the peak", "I_C", device_A, kind.rating("I_C"), "A"),
        check("T_j, worst drive", "T_j", hottest, kind.rating("T_j"), "C"),
    ]
    if warm:
        worst = max(warm, key=lambda d: d["average_W"])
        case_C = worst["case_C"]
        allowed = power_at_W(kind, "case", case_C)
        if isnan(allowed):  # a rating that does not say where it holds: a case of 25 degC
            t_j = kind.rating("T_j")
            allowed = kind.rating("P_tot") * min((t_j - case_C) / (t_j - REFERENCE_TEMP_C), 1.0)
        out.append(check(f"P_tot derated, {worst['case']}", "P_tot", worst["average_W"], allowed, "W",
                         drive=worst["case"], case_C=case_C))  # fmt: skip
    if not heat:
        return out
    # the worst instant against the dc safe area; past it, only the pulse lines of the type's chart help
    worst = max(heat, key=lambda d: d["peak_W"])
    vce, asked, drive = worst["vce_at_peak_V"], worst["ic_at_peak_A"], worst["case"]
    case_C = worst["case_C"] if isfinite(worst["case_C"]) else REFERENCE_TEMP_C
    allowed = safe_current_A(kind, vce, case_C)
    found = check("safe area, worst instant", "P_tot", asked, allowed, "A", drive=drive, case_C=case_C)
    words = [say("limit_area", watts=worst["peak_W"], vce=vce, asked=asked, drive=drive)]
    against = {"unknown": "limit_area_none", "beyond": "limit_area_pulse"}
    words.append(say(against.get(found["verdict"], "limit_area_dc"), case_C=case_C, limit=allowed))
    if isnan(second_breakdown_line(kind, vce)):
        words.append(say("limit_area_chart"))
    # an instant of a sine is not dc
    verdict = "close" if found["verdict"] == "beyond" else found["verdict"]
    return [*out, found | {"verdict": verdict, "text": f"{kind.name}: {'; '.join(words)}."}]
