r"""Heat of a stage: dissipation over a cycle, junctions with their pulse, the sink, thermal feedback.

With a sine drive v = V sin t the load current of a half is i = I sin(t - phi) with I = V/|Z|, and the devices
of one rail conduct while i > 0.  Taking the stage as class B (the idle current is small against I):

.. math::

    P_{av} = \frac{V_S I}{\pi} - \frac{V I \cos\varphi}{4} - \frac{I^2 R_E}{4}, \qquad
    p(t) = (V_S - v - i R_E)\,i

per rail, R_E being the emitter resistors of the parallel devices taken together.  For a resistive load
without emitter resistors the largest average is V_S^2/(pi^2 R) at V = 2 V_S/pi, which textbooks round
to MPP^2/(40 R) (Malvino, Electronic Principles, ch. 12), and the largest instant V_S^2/(4 R) at
V = V_S/2.  Nobody holds an amplifier at its rated power: the worst drive is looked for up to clipping.

Between junction and case heat runs through a slab of silicon and copper.  One whose rear is held at the
case's temperature has the thermal impedance R tanh(s)/s, s = sqrt(j w tau), and after a step of power its
face rises with 2 R sqrt(t/(pi tau)) at first (Carslaw and Jaeger, Conduction of Heat in Solids, ch. 3, from
memory).  One figure, the rise after 10 ms, fixes tau.

Thermal feedback: at a fixed drive a warmer device carries more, dI/dT = k/r, with k the fall of the drive
voltage per kelvin and r its rise per ampere; theta V_CE k/r has to stay below 1 (Kakani and Bhandari,
Electronic Devices and Circuits, ch. 6).  In a Darlington with resistors nearly all of the driver's current
runs through the one across the output's junction, so that the driver adds its k, but little to r.
"""

from __future__ import annotations

from math import cos, isfinite, isnan, log, nan, pi, radians, sqrt

import numpy as np

from junction.amplifier.rating import Half, Notes, StageAsk
from junction.base.errors import UsageError
from junction.base.units import REFERENCE_TEMP_C, ZERO_CELSIUS_K, thermal_voltage
from junction.judge.results import say
from junction.physics.temperature import SILICON_LAW, forward_voltage, forward_voltage_slope
from junction.shelf.tables import rule
from junction.shelf.types import power_reference

#: Points of a cycle and swings looked at; the maxima are flat: the error is far below a part in a thousand.
_PHASE_POINTS, _SWINGS = 2881, 241
#: Points of a whole cycle and swings for the temperature of a junction, which a slab smooths.
_CYCLE_POINTS, _CYCLE_SWINGS = 256, 25
#: A smaller or larger swing that heats by no more than this beyond full swing is not listed beside it.
_WORSE = 1.01
#: Duration that a stated or registered transient thermal impedance holds for [s].
_PULSE_S = 0.010


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


def pulse_share(time_s, tau_s: float):
    """Rise of a slab's face after a step of power, as a share of the final one."""
    k = (2 * np.arange(60) + 1) ** 2
    return 1 - np.sum(8 / (pi**2 * k) * np.exp(-k * pi**2 / 4 * np.asarray(time_s)[..., None] / tau_s), -1)


def slab_time_s(share: float) -> float:
    """Time constant of a slab whose face has risen by a share of the final rise after 10 ms."""
    taus = np.geomspace(1e3, 1e-2, 400) * _PULSE_S  # falling, so that the shares rise
    return float(np.interp(share, pulse_share(_PULSE_S / taus, 1.0), taus))


def rise_K(power_W, period_s: float, rth: float, tau_s: float) -> np.ndarray:
    """Rise of a junction above its case over one period of a periodic power, along the last axis.

    Parameters
    ----------
    power_W : ndarray
        Equally spaced over the period [W].
    period_s, rth, tau_s : float
        Thermal resistance junction to case [K/W] and time constant of the slab between [s].
    """
    power_W = np.asarray(power_W, float)
    s = np.sqrt(2j * pi * tau_s / period_s * np.arange(1, power_W.shape[-1] // 2 + 1))
    impedance = rth * np.concatenate([[1.0], np.tanh(s) / s])
    return np.fft.irfft(np.fft.rfft(power_W) * impedance, power_W.shape[-1])


def case_path(kind) -> float:
    """Thermal resistance junction to case of a type [K/W], nan where it is not known.

    Where it is not stated, that by which a power rated at the case is derated: (T_j - T_case)/P_tot.
    """
    stated, (place, case_C) = kind.rating("R_thJC"), power_reference(kind)
    if not isnan(stated) or place != "case":
        return stated
    return (kind.rating("T_j") - case_C) / kind.rating("P_tot")


def thermal_path(ask: StageAsk, types, notes: Notes) -> tuple[float, float, float]:
    """Thermal resistances junction to case and case to sink [K/W], and the time of the slab between [s]."""
    own, of_type = max(((case_path(t), t) for t in types if not isnan(case_path(t))), default=(nan, None),
                       key=lambda one: one[0])  # fmt: skip
    if isnan(ask.rth_jc) and of_type is not None and isnan(of_type.rating("R_thJC")):
        told = {name: of_type.rating(name) for name in ("P_tot", "T_j")}
        notes.model.append(say("stage_rth_derating", type=of_type.name, value=own, **told,
                               case_C=power_reference(of_type)[1]))  # fmt: skip
    rth_jc = notes.take(own if isnan(ask.rth_jc) else ask.rth_jc, "stage_rth_junction_case")
    rth_cs = notes.take(ask.rth_cs, "stage_rth_case_sink")
    pulses = [limit.high for t in types for limit in t.find("Z_thJC") if limit.at.get("t_s") == _PULSE_S]
    pulse = ask.rth_pulse if not isnan(ask.rth_pulse) else max(pulses, default=nan)
    if ask.rth_pulse >= rth_jc:
        raise UsageError("--pulse-impedance is that of a short pulse: less than --rth-junction-case")
    share = notes.take(pulse / rth_jc, "stage_pulse_share", model=True)
    return rth_jc, rth_cs, slab_time_s(min(share, 0.99))


def sink_limit_C(ask: StageAsk) -> float:
    """Temperature the sink is held to: as given, or one that can be touched; in hot air as far above it."""
    if not isnan(ask.sink_limit_C):
        return ask.sink_limit_C
    limit, air = rule("stage_sink"), rule("stage_ambient")
    return limit if isnan(ask.ambient_C) or ask.ambient_C < limit else ask.ambient_C + limit - air


def heat_of(ask: StageAsk, half: Half, path, notes: Notes) -> tuple[list[dict], dict]:
    """Heat of one device in each way of driving that matters, idle first; all of a channel on one sink.

    Parameters
    ----------
    ask : StageAsk
    half : Half
    path : tuple
        As `thermal_path` returns it.
    notes : Notes

    Returns
    -------
    rows : list of dict
        As `Stage.dissipation`.
    loci : dict
        V_CE [V] and I_C [A] of one device over its half cycle at clipping, by the word of the load.
    """
    n, volts = half.n, half.rail_V if not isnan(half.rail_V) else ask.vce_V
    if isnan(volts):
        return [], {}
    rth_jc, rth_cs, tau_s = path
    idle_W = volts * half.idle_A / n
    rows, loci = [("idle", idle_W, idle_W, volts, half.idle_A / n, rth_jc * idle_W)], {}
    if half.known:
        phase = notes.take(ask.load_phase_deg, "stage_load_phase", model=True)
        period_s = 1 / rule("stage_pulse_frequency")
        for word, angle in (("resistive load", 0.0), (f"load at {phase:g} degrees", radians(phase))):
            circuit = (half.rail_V, half.load_ohm, angle, half.re_rail_ohm)
            # no swing passes the rail: past it there is no heat to work out
            most = half.clipping_V(angle)
            top, full = (half.swing_V, "rated power") if half.swing_V <= most else (most, "clipping")
            swings = np.linspace(0.0, most, _SWINGS)
            loci[word] = tuple(np.array((1.0, 1 / n))[:, None] * load_locus(most, *circuit))

            def hottest_K(swings, circuit=circuit):
                vce, ic = load_locus(swings, *circuit, _CYCLE_POINTS // 2 + 1)
                power = np.zeros((*np.shape(swings), _CYCLE_POINTS))
                power[..., : _CYCLE_POINTS // 2] = (vce * ic)[..., :-1] / n
                return float(rise_K(power, period_s, rth_jc, tau_s).max())

            rated, (power, vce, current) = average_W(top, *circuit), instant_peak(top, *circuit)
            rows.append((f"{full}, {word}", rated / n, power / n, vce, current / n, hottest_K(top)))
            # where the parabola of the average over the swing is highest
            best = 2 * half.rail_V / pi / (cos(angle) + half.re_rail_ohm / half.load_ohm)
            mean, (worst, vce, current) = average_W(min(best, most), *circuit), instant_peak(swings, *circuit)
            if mean > _WORSE * rated or worst > _WORSE * power:  # else full swing is the worst there is
                rows.append((f"worst drive, {word}", mean / n, worst / n, vce, current / n,
                             hottest_K(np.linspace(0.0, most, _CYCLE_SWINGS))))  # fmt: skip
        notes.model.append(say("stage_class_b"))
    return [_row(ask, half, path, row, notes) for row in rows], loci


def _row(ask: StageAsk, half: Half, path, row, notes: Notes) -> dict:
    case, average, peak, vce, ic, rise = row
    sink = nan
    if not isnan(ask.rth_sa):
        sink = notes.take(ask.ambient_C, "stage_ambient") + ask.rth_sa * average * half.devices
    elif case != "idle" or not isnan(ask.ambient_C):
        sink = sink_limit_C(ask)
        notes.assume("stage_sink" if isnan(ask.sink_limit_C) else "stage_sink_held", value=sink)
    case_C = sink + path[1] * average
    return {"case": case, "average_W": average, "peak_W": peak, "vce_at_peak_V": vce, "ic_at_peak_A": ic,
            "sink_C": sink, "case_C": case_C, "junction_C": case_C + path[0] * average,
            "junction_peak_C": case_C + max(rise, path[0] * average), "sink_needed_K_per_W": nan}  # fmt: skip


def sink_for(ask: StageAsk, half: Half, heat, path, limit_C: float, notes: Notes) -> tuple[float, str]:
    """Largest sink of one channel [K/W] that keeps its own limit and the junctions' [degC]; what decides.

    ``limit_C`` is nan where no type says how hot a junction may be.  Each row of `heat` gets its own sink.
    """
    if not heat or not max(d["average_W"] for d in heat) > 0:
        return nan, ""
    ambient = notes.take(ask.ambient_C, "stage_ambient", "stage_sink_needed", model=True)
    touch, hold = sink_limit_C(ask), limit_C - rule("stage_junction_margin")
    found = []
    for d in heat:
        pulse = d["junction_peak_C"] - d["junction_C"]
        inside = (path[0] + path[1]) * d["average_W"] + (0.0 if isnan(pulse) else pulse)
        watts = half.devices * d["average_W"]
        own = [((touch - ambient) / watts, say("sink_touch", limit=touch, air=ambient))]
        if isfinite(limit_C):
            own.append(((hold - inside - ambient) / watts, say("sink_junction", limit=hold, air=ambient)))
        d["sink_needed_K_per_W"] = min(own)[0]
        found.append(min(own))
    sink, why = min(found)
    if sink <= 0:
        notes.findings.append(say("stage_no_sink"))
    elif ask.rth_sa > sink:
        worst = max(d["sink_C"] for d in heat)
        notes.findings.append(say("stage_sink_small", given=ask.rth_sa, worst=worst, sink=sink, why=why))
    return sink, why


def feedback(ask: StageAsk, half: Half, types, temp_C: float, notes: Notes) -> tuple[float, float]:
    """Fall of the drive voltage of one device per kelvin [V/K] and its rise per ampere of idle current [ohm].

    On the safe side where something is not known: a low V_BE, a high gain, a low resistor inside.
    """
    current, vt = half.idle_A / half.n, float(thermal_voltage(temp_C))
    own, stopper = min(half.own_ohm), min(tuple(ask.rb_ohm) or (0.0,))

    def warm(cold_V: float) -> tuple[float, float]:
        """V_BE at the temperature, of that at 25 degC [V], and its fall [V/K]."""
        volts = float(forward_voltage(cold_V, REFERENCE_TEMP_C, temp_C))
        return volts, -float(forward_voltage_slope(volts, temp_C))

    # a gain rises as the device warms: base currents fall by this share per kelvin
    rise = (SILICON_LAW.XTB + SILICON_LAW.u_XTB) / (temp_C + ZERO_CELSIUS_K)
    # a larger die stands at a lower density: of several types the largest falls fastest
    rated = [t.rating("I_C") for t in types if isfinite(t.rating("I_C"))]
    usual = rule("stage_vbe_share") * max(rated) if rated else rule("stage_vbe_current")
    cold = float(thermal_voltage(REFERENCE_TEMP_C)) * log(current / usual)
    vbe, kelvin = warm(rule("stage_vbe_idle") + cold)
    volts_per_A = vt / current + own
    darlington = ask.darlington or any(t.kind == "darlington" for t in types)
    gain = rule("stage_hfe_darlington" if darlington else "stage_hfe") if isnan(ask.hfe) else ask.hfe
    if stopper and isnan(ask.hfe):
        notes.assume("stage_gain", value=gain)
    if not darlington:
        base = stopper / (gain + 1)
        return kelvin + current * base * rise, volts_per_A + base
    inside = [t.r_be_ohm[1] for t in types if len(t.r_be_ohm) > 1]
    inner = min(inside) if inside else notes.take(nan, "stage_darlington_resistor")
    # current of the driver, per ampere of the whole, and its fall per kelvin; its own gain is the root of all
    output, first = current / rule("stage_hfe"), sqrt(gain)
    driver, per_ampere = output + vbe / inner, output / current + vt / current / inner
    fall = kelvin / inner + output * rise
    kelvin += warm(rule("stage_vbe_driver") + cold)[1] + vt / driver * fall
    volts_per_A += vt / driver * per_ampere
    return kelvin + stopper / first * (fall + driver * rise), volts_per_A + stopper / first * per_ampere


def loop_gains(ask: StageAsk, half: Half, types, vce_V: float, temp_C: float, rth: float, notes: Notes):
    """Thermal loop gain of one device, the same with the bias not following, and the critical V_CE."""
    kelvin, volts_per_A = feedback(ask, half, types, temp_C, notes)
    per_volt = rth * kelvin / volts_per_A
    alone = per_volt * vce_V
    together = alone * (rth + half.devices * ask.rth_sa) / rth
    if together >= 1:
        notes.findings.append(say("stage_bias_runs_away", gain=together))
    if alone >= 1:
        resistor = vce_V * rth * kelvin - volts_per_A + min(half.own_ohm)
        notes.findings.append(say("stage_runs_away", gain=alone, vce=1 / per_volt, resistor=resistor))
    elif alone > rule("loop_gain_thin"):
        notes.findings.append(say("stage_margin_thin", gain=alone))
    return alone, together, 1 / per_volt


def demand(ask: StageAsk, half: Half) -> dict[str, float]:
    """What the output stages of all channels take from the supply, and what the emitter resistors get.

    Returns
    -------
    dict
        Fields of `Stage`: powers [W] and currents of one rail [A] at idle and with a sine at the rated
        power; of an emitter resistor, up to clipping [W].
    """
    halves = half.circuit.halves * ask.channels
    full_A = np.fmin(half.swing_V, half.clipping_V() if half.known else nan) / half.load_ohm
    average_A = max(half.idle_A, full_A / pi) if not isnan(full_A) else nan
    most_A = half.clipping_V() / half.load_ohm if half.known else half.peak_A
    most_A = max(most_A, half.peak_A)
    # equal drops across unequal resistors: the smallest carries and heats most
    shares = [half.re_rail_ohm / r if r else 0.0 for r in half.own_ohm[: half.n]]
    idle, full = (
        max((i * share) ** 2 * r for share, r in zip(shares, half.own_ohm, strict=False)) * factor
        for i, factor in ((half.idle_A, 1.0), (most_A, 0.25))
    )
    return {
        "idle_power_W": 2 * half.rail_V * half.idle_A * halves,
        "full_power_W": 2 * half.rail_V * average_A * halves,
        "supply_average_A": average_A * halves, "supply_peak_A": full_A * ask.channels,
        "resistor_idle_W": idle, "resistor_full_W": full,
        "resistor_rating_W": rule("stage_resistor_margin") * full,
    }  # fmt: skip
