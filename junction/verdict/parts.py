"""The verdict of a whole part, from the sweeps of its junctions and from its diode-mode readings.

A part is as bad as its worst junction: shorted if any is, else open if any is, else leaky, and good only
when every junction measured is good at 95 % together.  What was not measured is said, not assumed.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from math import nan

import numpy as np

from junction.base.records import Bag, PartReadings, SweepTable
from junction.fit.results import SweepFits
from junction.judge.conformity import decide, decision_limits, worst_of
from junction.judge.neighbours import neighbours
from junction.judge.results import (
    QUALITIES,
    VERDICTS,
    WORST_FIRST,
    Alternative,
    Device,
    JunctionVerdict,
    PartVerdict,
)
from junction.shelf.results import Meter, PartType
from junction.shelf.types import find_type
from junction.verdict.evidence import Facts, cannot_see, facts, next_test, what_else
from junction.verdict.summary import junction_verdicts
from junction.verdict.sweeps import SweepVerdicts, judge_sweeps
from junction.verdict.weigh import GOOD, UNDECIDED

_ORDER = {word: k for k, word in enumerate(WORST_FIRST)}
_BY_CODE = np.array([_ORDER[word] for word in VERDICTS])
_JUNCTION_ORDER = {name: k for k, name in enumerate(("BE", "BC", "CE", "AK"))}

#: Junctions of a transistor that a sweep can cover.
_BJT_JUNCTIONS = ("BE", "BC", "CE")


@contextmanager
def _collector_at_rest():
    """Keep the cycle collector from walking a growing heap of records that all stay: a third of the time."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


def worst_first(verdicts: Iterable[PartVerdict]) -> tuple[PartVerdict, ...]:
    """Verdicts in the order a technician reads them: worst first, undecided before good, then as read."""
    return tuple(sorted(verdicts, key=lambda v: _ORDER[v.verdict]))


@cache
def _made_device(kind: str, polarity: str, material: str) -> Device:
    return Device(kind, polarity, material)


@cache
def _neighbours(
    verdict: str, device: tuple[str, str, str], faults: tuple[str, ...], family: str
) -> tuple[str, ...]:
    """`neighbours` of a verdict, which looks at these alone."""
    return neighbours(PartVerdict("", verdict, {}, Device(*device), faults=faults), family)


@cache
def _no_temperature(temp_C: float) -> str:
    return f"No temperature recorded: {temp_C:g} °C assumed, 5 °C allowed for."


def _device(junctions: Sequence[str], family: str, material: str, polarity: str, part_type) -> Device:
    if part_type is not None:
        kind = "diode" if part_type.device == "diode" else "darlington" if (
            part_type.kind.lower() == "darlington") else "bjt"  # fmt: skip
        if part_type.damper_diode and kind == "bjt":
            kind = "bjt with damper diode"
        return _made_device(kind, part_type.polarity or polarity, part_type.material or material)
    if junctions[0] == "AK":
        return _made_device("diode", "", material)
    return _made_device("darlington" if "Darlington" in family else "bjt", polarity, material)


def _alternatives(sv: SweepVerdicts, k: int, f: Facts, device: Device, verdict: str):
    """Other qualities of the deciding junction that are not out of the question, likeliest first."""
    out = []
    p = sv.probability[k]
    decided_by = next_test(int(sv.code[k]), f)
    for q in np.argsort(p)[::-1].tolist():
        word = QUALITIES[q]
        if word == verdict or p[q] < 0.02:
            continue
        material = device.material
        if word in ("good", "leaky") and not f.typed:  # the family that this answer would mean
            share = sv.weight[k] * (sv.kept_by[k] if word == "good" else 1.0 - sv.kept_by[k])
            material = sv.limits.families[int(share.argmax())].material
        faults = () if word == "good" else (f"{f.junction} {word}",)
        other = Device(device.kind, device.polarity, material)
        out.append(Alternative(faults, other, float(p[q]), decided_by))
    return tuple(out)


def _blind(c: _Columns, rows: list[int], device: Device, junctions: Sequence[str]) -> str:
    """What the sweeps of a good part could not see."""
    blind = [phrase for r in rows for phrase in cannot_see(c.facts[r])]
    if device.kind != "diode":
        blind += [f"{j} (not swept)" for j in _BJT_JUNCTIONS if j not in junctions]
        blind.append("current gain")
    return ", ".join(blind)


@dataclass(frozen=True)
class _Columns:
    """Per-sweep values as python lists: a numpy scalar costs more than the sentence it goes into."""

    code: list[int]
    family: list[int]
    rank: list[int]
    p_good: list[float]
    p_top: list[float]
    sure_of_family: list[bool]
    temp_C: list[float]
    temp_known: list[bool]
    reversed_sign: list[bool]
    facts: list[Facts]
    junctions: tuple[JunctionVerdict, ...]

    @classmethod
    def of(cls, sv: SweepVerdicts) -> _Columns:
        found, p = facts(sv), sv.probability
        return cls(
            sv.code.tolist(), sv.family.tolist(), _BY_CODE[sv.code].tolist(), p[:, GOOD].tolist(),
            p.max(axis=1).tolist(), (sv.weight.max(axis=1) >= decision_limits()[0]).tolist(),
            sv.fits.temp_C.tolist(), sv.fits.temp_known.tolist(), sv.table.reversed_sign.tolist(), found,
            junction_verdicts(sv, all_facts=found),
        )  # fmt: skip


def _disagreements(table: SweepTable, c: _Columns, rows: list[int]) -> list[str]:
    """What the sweeps of one part say against each other."""
    out = []
    types = dict.fromkeys(table.type[r] for r in rows if table.type[r])
    if len(types) > 1:
        out.append(f"Marked {' in one place and '.join(types)} in another: the first is taken.")
    said: dict[str, set[str]] = {}
    for r in rows:
        said.setdefault(table.junction[r], set()).add(VERDICTS[c.code[r]])
    for junction, words in said.items():
        if len(words) > 1:
            out.append(f"The sweeps of {junction} disagree: {' and '.join(sorted(words))}.")
    return out


def _warnings(
    table: SweepTable, c: _Columns, rows: list[int], k: int, device: Device, known: PartType | None
) -> tuple[str, ...]:
    out = _disagreements(table, c, rows) if len(rows) > 1 else []
    if not c.temp_known[k]:
        out.append(_no_temperature(c.temp_C[k]))
    if known and (table.junction[k] == "AK") != (known.device == "diode"):
        kind = "diode" if known.device == "diode" else "transistor"
        out.append(
            f"{table.type[k]} is a {kind}, but {table.junction[k]} was swept: check the marking and the"
            " column 'junction'; judged by what the junction looks like."
        )
    elif table.type[k] and not c.facts[k].typed:
        out.append(f"The type {table.type[k]} is not on the shelf: judged by what its junctions look like.")
    logged = table.polarity[k]
    if logged and device.polarity and logged != device.polarity:
        out.append(f"Logged as {logged}, but {table.type[k] or 'the part'} is {device.polarity}.")
    return tuple(out)


def sweep_parts(
    sv: SweepVerdicts, types: Callable[[str], PartType | None] = find_type
) -> tuple[PartVerdict, ...]:
    """Verdict of every part that has sweeps, in the order of its first sweep.

    Parameters
    ----------
    sv : SweepVerdicts
    types : callable, optional
        From a marking to its registered type or None.

    Returns
    -------
    tuple of PartVerdict
    """
    table = sv.table
    if not len(table):
        return ()
    names: dict[str, int] = {}
    index = [names.setdefault(p, len(names)) for p in table.part]
    rows_of: list[list[int]] = [[] for _ in names]
    for k, j in enumerate(index):
        rows_of[j].append(k)
    probability = worst_of(sv.probability, np.array(index), len(names))
    known = {name: types(name) if name else None for name in set(table.type)}
    codes, p = decide(probability).tolist(), probability.tolist()
    with _collector_at_rest():
        c = _Columns.of(sv)
        return tuple([_part(sv, c, *each, known) for each in zip(names, rows_of, codes, p, strict=True)])


def _first(values: Sequence[str], rows: list[int]) -> str:
    for k in rows:
        if values[k]:
            return values[k]
    return ""


def _part(sv, c: _Columns, name, rows, code, p, known) -> PartVerdict:
    table, verdict, k = sv.table, VERDICTS[code], rows[0]
    ranked = rows
    if len(rows) > 1:
        rows = sorted(rows, key=lambda r: _JUNCTION_ORDER[table.junction[r]])
        ranked = sorted(rows, key=lambda r: (c.rank[r], c.p_good[r]))
        k = ranked[0]  # the junction that decides
    f, type_name = c.facts[k], _first(table.type, rows)
    family = sv.limits.families[c.family[k]]
    seen = [table.junction[r] for r in rows]
    polarity = _first(table.polarity, rows) or (
        "PNP" if c.reversed_sign[k] and seen[0] != "AK" else ""
    )
    material = family.material if f.typed or c.sure_of_family[k] else ""
    device = _device(seen, family.name, material, polarity, known[type_name])
    evidence = [s for r in ranked for s in c.junctions[r].evidence]
    evidence += [words for r in ranked if (words := what_else(c.code[r], c.facts[r]))]
    faults = tuple(dict.fromkeys([x for r in ranked for x in c.junctions[r].faults]))
    near: tuple[str, ...] = ()
    if verdict in ("shorted", "leaky"):
        known_family = family.name if f.typed or c.sure_of_family[k] else ""
        near = _neighbours(verdict, (device.kind, device.polarity, device.material), faults, known_family)
    doubtful = code == UNDECIDED or c.p_top[k] < 0.98
    known_temp = c.temp_known[k]
    good, leaky, shorted, open_ = p
    return PartVerdict(
        name, verdict, {"good": good, "leaky": leaky, "shorted": shorted, "open": open_}, device,
        tuple([c.junctions[r] for r in rows]), faults,
        _alternatives(sv, k, f, device, verdict) if doubtful else (), tuple(evidence),
        next_test(c.code[k], f) or _good_next(device),
        _blind(c, rows, device, seen) if code == GOOD else "",
        _warnings(table, c, rows, k, device, known[table.type[k]]), near,
        "sweeps", type_name, c.temp_C[k] if known_temp else nan, known_temp,
    )  # fmt: skip


def _good_next(device: Device) -> str:
    if device.kind == "diode":
        return "Nothing more is needed; test it at its working voltage if it failed in service."
    return "Measure the gain at the working current before it goes back."


def _with_markings(bag: Bag) -> SweepTable:
    """Sweeps that name no type or polarity take those that the readings of their part give."""
    table = bag.sweeps
    told = {r.part: r for r in bag.readings if r.type or r.polarity}
    if not told or not any(p in told for p in table.part):
        return table
    silent = PartReadings("")
    given = [told.get(p, silent) for p in table.part]
    return replace(
        table, type=tuple(own or g.type for own, g in zip(table.type, given, strict=True)),
        polarity=tuple(own or g.polarity for own, g in zip(table.polarity, given, strict=True)),
    )  # fmt: skip


def judge_bag(
    bag: Bag,
    fits: SweepFits,
    meter: Meter,
    types: Callable[[str], PartType | None] = find_type,
) -> tuple[PartVerdict, ...]:
    """Verdict of every part of a bag, from its sweeps, its readings, or both.

    Parameters
    ----------
    bag : Bag
    fits : SweepFits
        Of ``bag.sweeps``, in the same order.
    meter : Meter
        Kind of meter the readings were taken with.
    types : callable, optional
        From a marking to its registered type or None.

    Returns
    -------
    tuple of PartVerdict
        Parts with sweeps in the order of their first sweep, then the parts that have readings only;
        `worst_first` puts them in the order of a list to read.  A part with curves only has no verdict.
    """
    table = _with_markings(bag)
    swept = sweep_parts(judge_sweeps(table, fits, types), types) if len(table) else ()
    if not bag.readings:
        return swept
    from junction.leads.verdict import judge_readings
    from junction.verdict.merge import merged

    read = {v.part: v for v in judge_readings(bag.readings, meter, types=types)}
    both = [merged(v, read.pop(v.part)) if v.part in read else v for v in swept]
    return (*both, *read.values())
