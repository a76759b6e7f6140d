"""From an amplifier's rating to what each output device has to carry and to stand.

Everything that was not given is either asked for or stated as an assumption; nothing is guessed in
silence.  Idle current and peak current of a rail are shared by the devices in parallel on it.  `rating` reads
the rating and the circuit, `heat` works out powers, temperatures and thermal feedback, `limits` holds all
that against the types.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import isfinite, isnan, nan, sqrt

from junction.amplifier.heat import case_path, demand, heat_of, loop_gains, sink_for, thermal_path
from junction.amplifier.limits import limits_of, verdict_of
from junction.amplifier.rating import Notes, StageAsk, check, half_of, say_clipping, vce_of
from junction.amplifier.results import OperatingPoint, Stage
from junction.base.units import REFERENCE_TEMP_C
from junction.shelf.tables import rule


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
    check(ask)
    notes = Notes()
    half = half_of(ask, notes)
    n, circuit = half.n, half.circuit
    re, rb = tuple(ask.re_ohm) or (0.0,), tuple(ask.rb_ohm) or (0.0,)
    say_clipping(ask, half, notes)
    path = thermal_path(ask, types, notes)
    rth = path[0] + path[1]
    idle_vce, peak_vce = vce_of(ask, half, notes)
    heat, loci = heat_of(ask, half, path, notes)
    warm = [d["junction_C"] for d in heat if isfinite(d["junction_C"])]
    idle_temp = peak_temp = ask.temp_C
    if isnan(ask.temp_C):
        idle_temp = heat[0]["junction_C"] if heat and isfinite(heat[0]["junction_C"]) else REFERENCE_TEMP_C
        peak_temp = max(warm, default=idle_temp)
    per_ampere = max((d["average_W"] for d in heat[1:]), default=0.0) / (half.peak_A / n)
    resistors = [ohms[0] if len(set(ohms[:n])) == 1 else ohms[:n] for ohms in (re, rb)]
    idle = OperatingPoint("idle", half.idle_A, idle_vce, idle_temp, *resistors, rth, idle_vce)
    peak = OperatingPoint("peak", half.peak_A, peak_vce, peak_temp, *resistors, rth, per_ampere)
    gains = loop_gains(ask, half, types, idle_vce, idle_temp, rth, notes)
    limits = limits_of(types, half, heat, loci, notes, path[0] if isnan(ask.rth_jc) else nan)
    limit_C = min((t_j for t_j in (t.rating("T_j") for t in types) if not isnan(t_j)), default=nan)
    sink, sink_why = sink_for(ask, half, heat, path, limit_C, notes)
    swing = half.swing_V * circuit.halves
    return Stage(
        n, re, rb, idle, peak, tuple(half.idle_A / n * r for r in half.own_ohm), ask.power_W, ask.load_ohm,
        half.rail_V, 2 * swing, swing / sqrt(2), swing, swing / ask.load_ohm,
        half.rail_V - half.swing_V - half.peak_A * half.re_rail_ohm, tuple(heat), tuple(limits), *gains, sink,
        tuple(dict.fromkeys(notes.assumptions)), tuple(dict.fromkeys(notes.questions)), tuple(notes.findings),
        model=tuple(dict.fromkeys(notes.model)),
        circuit=circuit.words, halves=circuit.halves, printed_supply_V=circuit.printed_V(half.rail_V),
        channels=ask.channels, sink_why=sink_why, loci=loci, **demand(ask, half),
    )  # fmt: skip


def half_load(ask: StageAsk, stage: Stage, types) -> Mapping:
    """Whether half the rated load is allowed: the same stage, driven as far as its supply goes.

    Returns
    -------
    mapping
        ``load_ohm``, ``power_W`` of a channel, ``peak_A`` of a device, ``average_W`` and ``junction_peak_C``
        of its worst drive, ``sink_needed_K_per_W``; ``verdict`` 'yes', 'close', 'no' or 'unknown', and
        ``text``, the limit that says so. Empty where rail or load are not known.
    """
    if isnan(stage.supply_V) or isnan(ask.load_ohm):
        return {}
    circuit, load = half_of(ask, Notes()).circuit, ask.load_ohm / 2
    re_rail = half_of(ask, Notes()).re_rail_ohm
    watts = circuit.clipping_W(stage.printed_supply_V, load, re_rail, rule("stage_drive_headroom"))
    if not watts > 0:
        return {}
    idle_A = stage.idle.total_A
    other = replace(ask, load_ohm=load, power_W=watts, peak_A=nan, supply_V=stage.printed_supply_V,
                    idle_A=idle_A, idle_drop_V=nan, circuit=tuple(circuit.option.split(",")))  # fmt: skip
    found = plan_stage(other, types)
    guessed = isnan(ask.rth_jc) and all(isnan(case_path(kind)) for kind in types)
    verdict, why = verdict_of(found, types, guessed)
    return {
        "load_ohm": load, "power_W": watts, "peak_A": found.peak.total_A / found.parallel,
        "average_W": max(d["average_W"] for d in found.dissipation),
        "junction_peak_C": max(d["junction_peak_C"] for d in found.dissipation if isfinite(d["sink_C"])),
        "sink_needed_K_per_W": found.sink_needed_K_per_W, "verdict": verdict, "text": why,
    }  # fmt: skip
