"""Meter readings of parts to verdicts: which lead is which, what is wrong, how sure, what next."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import isnan

import numpy as np

from junction.base.records import Interval, PartReadings
from junction.judge.results import PartVerdict
from junction.leads.answer import Answer, answer, catalogue, path_ohms
from junction.leads.bench import LEAD_SETS, Bench, Weighed, lead_set
from junction.leads.hypotheses import structures
from junction.leads.hypotheses_diode import diode_faults, diode_structures
from junction.leads.hypotheses_library import (
    OHMS_OVER_OHM,
    build_library,
    over_range_V,
    visible_leak_ohm,
)
from junction.leads.hypotheses_tiles import PATH_COLUMNS, Rows
from junction.leads.leads import (
    Arrangement,
    arrangements,
    normalise,
    placement_index,
    reading_table,
    weigh,
)
from junction.leads.priors import gain_kind, log_bias, with_limits
from junction.leads.verdict import part_verdict
from junction.leads.words import between, lead_of_role, no_resistance_gives
from junction.shelf.results import Meter, PartType

Types = Callable[[str], PartType | None]


def _diode_turns() -> tuple[Arrangement, ...]:
    """A diode as its leads are named, or the wrong way round; placements 2 to 5 do not exist."""
    usual = arrangements(("B", "E", "C"), named=True)[0]
    away = (2, 3, 4, 5)
    return (
        replace(usual, roles=("B", "E"), order=(0, 1, *away), log_prior=float(np.log(0.98))),
        replace(usual, roles=("E", "B"), order=(1, 0, *away), log_prior=float(np.log(0.02))),
    )


def make_bench(
    meter: Meter,
    names: str,
    *,
    ohms: bool = False,
    in_circuit: bool = False,
    keep: Callable[[Rows], np.ndarray] | None = None,
    type_: PartType | None = None,
) -> Bench:
    """Library and arrangements for one kind of lead names.

    Parameters
    ----------
    meter : Meter
    names : str
        A key of `LEAD_SETS`.
    ohms : bool
        Resistance readings occur.
    in_circuit : bool
        Unknown paths lie beside the part.
    keep : callable, optional
        See `build_library`.
    type_ : PartType, optional
        Registered type whose leakage limits the parts are held to.
    """
    leads, named = LEAD_SETS[names]
    if names == "AK":
        kinds = with_limits(diode_structures(), type_, visible_leak_ohm(meter))
        library = build_library(meter, kinds=kinds, ills=diode_faults(in_circuit=in_circuit), ohms=ohms)
        turns = _diode_turns()
    elif in_circuit:
        from junction.leads.hypotheses_circuit import circuit_library

        library, turns = circuit_library(meter, ohms=ohms), arrangements(leads, named=named)
    else:
        kinds = with_limits(structures(), type_, visible_leak_ohm(meter))
        library = build_library(meter, kinds=kinds, ohms=ohms, keep=keep)
        turns = arrangements(leads, named=named)
    return Bench(leads, named, library, catalogue(library.hypotheses), turns, placement_index(leads))


def _group(part: PartReadings) -> tuple[str, bool, bool, str]:
    """Lead names, whether resistance readings occur, whether weighed in circuit, and the type that matters.

    Diode mode shows no leak that a registration allows, so only resistance readings ask for its limits.
    """
    names = lead_set(part.readings)
    ohms = any(r.kind == "ohm" for r in part.readings)
    return names, ohms, part.in_circuit, part.type if ohms else ""


def bench_for(
    meter: Meter, parts: Sequence[PartReadings], names: str = "", types: Types | None = None
) -> Bench:
    """Bench for parts of one kind; for a few parts, without the tiles that their readings exclude.

    Parameters
    ----------
    meter : Meter
    parts : sequence of PartReadings
        Not empty; all with the same lead names, in circuit or not, with resistance readings or without.
    names : str
        A key of `LEAD_SETS`, where the readings do not tell.
    types : callable, optional
        Written type -> registered type or None.
    """
    found, ohms, in_circuit, marking = _group(parts[0])
    type_ = types(marking) if types is not None and marking else None
    names = names or found
    few = len(parts) <= 4 and names != "AK" and any(p.readings for p in parts)
    keep = plausible_tiles(meter, parts) if few else None
    return make_bench(meter, names, ohms=ohms, in_circuit=in_circuit, keep=keep, type_=type_)


def weigh_parts(bench: Bench, parts: Sequence[PartReadings], types: Types | None = None) -> list[Weighed]:
    """Posterior and marginals of parts that share a bench.

    Parameters
    ----------
    bench : Bench
    parts : sequence of PartReadings
    types : callable, optional
        Written type -> registered type or None.
    """
    value, state = reading_table([p.readings for p in parts], bench.at, bench.library.over[0])
    found: list[Weighed] = []
    biases: dict[tuple[str, str, str], np.ndarray] = {}
    for first in range(0, len(parts), 200):
        chunk = parts[first : first + 200]
        v, s = value[first : first + 200], state[first : first + 200]
        log_weight = weigh(bench.library, bench.turns, v, s)
        for k, part in enumerate(chunk):
            key = (part.type, part.polarity, gain_kind(part.hfe))
            if key not in biases:
                registered = types(part.type) if types is not None and part.type else None
                biases[key] = log_bias(
                    bench.library.hypotheses,
                    bench.turns,
                    registered,
                    part.polarity,
                    named=bench.named,
                    gain=key[2],
                )
            log_weight[k] += biases[key]
        p = normalise(log_weight)
        for k, part in enumerate(chunk):
            marginals = answer(p[k], bench.known, bench.turns, bench.leads)
            ohms = _ohms(bench, marginals, part, v[k], s[k])
            found.append(Weighed(part, p[k], v[k], s[k], marginals, ohms))
    return found


def _ohms(
    bench: Bench, found: Answer, part: PartReadings, value: np.ndarray, state: np.ndarray
) -> dict[str, Interval]:
    top = found.explanations[0]
    if top.hypothesis < 0 or not top.faults:
        return {}
    order = bench.turns[top.arrangement].order
    order = [*order, *(6 + k for k in order)]
    ohms = path_ohms(bench.library, top.hypothesis, value[order], state[order])
    lead = lead_of_role(top, bench.turns, bench.leads)
    for path in ("BE", "BC"):  # no ohms for what no resistance gives
        if path in ohms and len(bench.leads) == 3:
            one, other = lead["B"], lead[path[1]]
            if no_resistance_gives(between(part.readings, one, other), top.polarity, one, other):
                del ohms[path]
    return ohms


def plausible_tiles(meter: Meter, parts: Sequence[PartReadings]) -> Callable[[Rows], np.ndarray]:
    """Rule that drops tiles which the readings of a few parts exclude whatever the lead order is.

    A resistance across two leads shows in both directions as at most the meter's current times itself.
    So a pair that reads over-range in one direction has none worth laying out, and one that reads a
    voltage has none far below that voltage over the current.
    """
    limits = [_least_ohms(meter, part) for part in parts]
    # over the parts, the k-th lowest limit is what the k-th lowest resistance of a tile must get past
    bound = np.min([np.sort(row) for row in limits], axis=0)
    least = np.log(np.maximum(bound - 10.0, 1e-3))

    def keep(rows: Rows) -> np.ndarray:
        ln_ohm = rows.theta[:, PATH_COLUMNS]
        ohms = np.sort(np.where(np.isnan(ln_ohm), np.inf, ln_ohm), axis=1)
        return (ohms + 2.5 * rows.sd[:, PATH_COLUMNS].max(axis=1, keepdims=True) >= least).all(axis=1)

    return keep


def _least_ohms(meter: Meter, part: PartReadings) -> list[float]:
    """Lowest resistance that may lie across each pair of leads [ohm], with room for the meter's spread."""
    current = meter.test_current_A or meter.open_voltage_V / meter.resistance_ohm
    over = over_range_V(meter)
    least: dict[frozenset[str], float] = {}
    for r in part.readings:
        if r.kind == "ohm":
            ohm = 0.8 * min(r.value, OHMS_OVER_OHM)
        else:
            volts = over if r.kind == "over" else min(abs(r.value), over)
            ohm = volts / current / (1 + 1.5 * meter.current_spread)
        pair = frozenset(r.placement.split("-"))
        least[pair] = max(least.get(pair, 0.0), ohm)
    return [least.get(pair, 0.0) for pair in _PAIRS[lead_set(part.readings)]]


_PAIRS = {
    "BCE": [frozenset(x) for x in ("BE", "BC", "CE")],
    "123": [frozenset(x) for x in ("12", "13", "23")],
    "AK": [frozenset("AK")] * 3,
}


def judge_readings(
    parts: Sequence[PartReadings], meter: Meter, types: Types | None = None
) -> list[PartVerdict]:
    """Verdict of every part from its meter readings.

    Parameters
    ----------
    parts : sequence of PartReadings
    meter : Meter
        The meter that all readings were taken with.
    types : callable, optional
        Written type -> registered type, None where it is not known.

    Returns
    -------
    list of PartVerdict
        In the order of `parts`.
    """
    verdicts: list[PartVerdict | None] = [None] * len(parts)
    groups: dict[tuple[str, bool, bool, str], list[int]] = {}
    for k, part in enumerate(parts):
        groups.setdefault(_group(part), []).append(k)
    for members in groups.values():
        some = [parts[k] for k in members]
        bench = bench_for(meter, some, types=types)
        for k, weighed in zip(members, weigh_parts(bench, some, types), strict=True):
            verdicts[k] = judge_one(bench, weighed, types)
    return [v for v in verdicts if v is not None]


def judge_one(bench: Bench, weighed: Weighed, types: Types | None = None) -> PartVerdict:
    """Verdict of one weighed part."""
    part = weighed.readings
    registered = types(part.type) if types is not None and part.type else None
    return part_verdict(weighed, bench, registered, visible_leak_ohm(bench.library.meter), isnan(part.temp_C))
