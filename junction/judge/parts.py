"""The verdict of a whole part, from the sweeps of its junctions and from its diode-mode readings.

A part is as bad as its worst junction: shorted if any is, else open if any is, else leaky, and good only
when every junction measured is good at 95 % together.  What was not measured is said, not assumed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from math import nan

import numpy as np

from junction.base.records import Bag, SweepTable
from junction.estimate.results import SweepFits
from junction.judge.conformity import DECIDE, decide, worst_of
from junction.judge.evidence import Facts, cannot_see, facts, next_test, what_else
from junction.judge.neighbours import neighbours
from junction.judge.results import QUALITIES, VERDICTS, WORST_FIRST, Alternative, Device, PartVerdict
from junction.judge.summary import junction_verdicts
from junction.judge.sweeps import SweepVerdicts, judge_sweeps
from junction.judge.weigh import GOOD, UNDECIDED
from junction.shelf.results import Meter, PartType
from junction.shelf.types import find_type

_ORDER = {word: k for k, word in enumerate(WORST_FIRST)}
_BY_CODE = np.array([_ORDER[word] for word in VERDICTS])
_JUNCTION_ORDER = {name: k for k, name in enumerate(("BE", "BC", "CE", "AK"))}

#: Junctions of a transistor that a sweep can cover.
_BJT_JUNCTIONS = ("BE", "BC", "CE")


def worst_first(verdicts: Iterable[PartVerdict]) -> tuple[PartVerdict, ...]:
    """Verdicts in the order a technician reads them: worst first, undecided before good, then as read."""
    return tuple(sorted(verdicts, key=lambda v: _ORDER[v.verdict]))


def _device(junctions: Sequence[str], family: str, material: str, polarity: str, part_type) -> Device:
    if part_type is not None:
        kind = "diode" if part_type.device == "diode" else "darlington" if (
            part_type.kind.lower() == "darlington") else "bjt"  # fmt: skip
        if part_type.damper_diode and kind == "bjt":
            kind = "bjt with damper diode"
        return Device(kind, part_type.polarity or polarity, part_type.material or material)
    if junctions[0] == "AK":
        return Device("diode", "", material)
    return Device("darlington" if "Darlington" in family else "bjt", polarity, material)


def _alternatives(sv: SweepVerdicts, k: int, f: Facts, device: Device, verdict: str, p) -> list[Alternative]:
    """Other qualities of the deciding junction that are not out of the question, likeliest first."""
    out = []
    decided_by = next_test(sv.code[k], f)
    for q in np.argsort(p)[::-1].tolist():
        word = QUALITIES[q]
        if word == verdict or p[q] < 0.02:
            continue
        material = device.material
        if word in ("good", "leaky") and not f.typed:  # the family that this answer would mean
            share = sv.weight[k] * (sv.kept_by[k] if word == "good" else 1.0 - sv.kept_by[k])
            material = sv.limits.families[int(share.argmax())].material
        other = Device(device.kind, device.polarity, material)
        faults = () if word == "good" else (f"{f.junction} {word}",)
        out.append(Alternative(faults, other, float(p[q]), decided_by))
    return out


def _not_swept(device: Device, junctions: Sequence[str]) -> str:
    missing = [j for j in _BJT_JUNCTIONS if j not in junctions]
    if device.kind == "diode" or not missing:
        return ""
    return f"{' and '.join(missing)} {'was' if len(missing) == 1 else 'were'} not swept."


def _warnings(table: SweepTable, fits: SweepFits, k: int, device: Device, f: Facts) -> tuple[str, ...]:
    out = []
    if not fits.temp_known[k]:
        out.append(f"No temperature recorded: {fits.temp_C[k]:g} °C assumed, 5 °C allowed for.")
    if table.type[k] and not f.typed:
        out.append(f"The type {table.type[k]} is not on the shelf: judged by what its junctions look like.")
    logged = table.polarity[k]
    if logged and device.polarity and logged != device.polarity:
        out.append(f"Logged as {logged}, but {table.type[k] or 'the part'} is {device.polarity}.")
    return tuple(out)


class _Parts:
    """Parts of a sweep table in the order of their first sweep."""

    def __init__(self, table: SweepTable) -> None:
        names: dict[str, int] = {}
        index = [names.setdefault(p, len(names)) for p in table.part]
        self.names = tuple(names)
        self.index = np.array(index, np.int64)
        self.rows: list[list[int]] = [[] for _ in names]
        for k, j in enumerate(index):
            self.rows[j].append(k)


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
    parts = _Parts(table)
    probability = worst_of(sv.probability, parts.index, len(parts.names))
    codes, ranks = decide(probability).tolist(), _BY_CODE[sv.code].tolist()
    all_facts, junctions = facts(sv), junction_verdicts(sv)
    known = {name: types(name) if name else None for name in set(table.type)}
    p_good = sv.probability[:, GOOD].tolist()
    out = []
    for name, rows, code, p in zip(parts.names, parts.rows, codes, probability.tolist(), strict=True):
        rows = sorted(rows, key=lambda k: _JUNCTION_ORDER[table.junction[k]]) if len(rows) > 1 else rows
        deciding = min(rows, key=lambda k: (ranks[k], p_good[k]))
        out.append(_part(sv, name, rows, deciding, code, p, all_facts, junctions, known))
    return tuple(out)


def _part(sv, name, rows, deciding, code, p, all_facts, junctions, known) -> PartVerdict:
    table, f = sv.table, all_facts[deciding]
    verdict = VERDICTS[code]
    type_name = next((table.type[k] for k in rows if table.type[k]), "")
    family = sv.limits.families[int(sv.family[deciding])]
    seen = [table.junction[k] for k in rows]
    material = family.material if f.typed or sv.weight[deciding].max() >= DECIDE else ""
    polarity = next((table.polarity[k] for k in rows if table.polarity[k]), "")
    if not polarity and seen[0] != "AK" and table.reversed_sign[deciding]:
        polarity = "PNP"
    device = _device(seen, family.name, material, polarity, known[type_name])
    ranked = sorted(rows, key=lambda k: _ORDER[junctions[k].verdict]) if len(rows) > 1 else rows
    evidence = [s for k in ranked for s in junctions[k].evidence]
    evidence += [s for k in ranked for s in (what_else(int(sv.code[k]), all_facts[k]),) if s]
    blind = ""
    if code == GOOD:
        sentences = [cannot_see(GOOD, all_facts[k]) for k in rows] + [_not_swept(device, seen)]
        blind = " ".join(s for s in sentences if s)
    alternatives = ()
    if code == UNDECIDED or sv.probability[deciding].max() < 0.98:
        alternatives = tuple(
            _alternatives(sv, deciding, f, device, verdict, sv.probability[deciding])
        )
    test = next_test(int(sv.code[deciding]), f)
    made = PartVerdict(
        name, verdict, dict(zip(QUALITIES, p, strict=True)), device,
        tuple(junctions[k] for k in rows), tuple(x for k in ranked for x in junctions[k].faults),
        alternatives, tuple(evidence), test or _good_next(device), blind,
        _warnings(table, sv.fits, deciding, device, f), (), "sweeps", type_name,
        float(table.temp_C[deciding]) if sv.fits.temp_known[deciding] else nan,
        bool(sv.fits.temp_known[deciding]),
    )  # fmt: skip
    if verdict in ("shorted", "leaky") and seen[0] != "AK" and (
        "power" in family.name or device.kind != "bjt"
    ):
        return replace(made, neighbours=neighbours(made))
    return made


def _good_next(device: Device) -> str:
    if device.kind == "diode":
        return "Nothing more is needed; test it at its working voltage if it failed in service."
    return "Measure the gain at the working current before it goes back."


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
    swept = sweep_parts(judge_sweeps(bag.sweeps, fits, types), types) if len(bag.sweeps) else ()
    if not bag.readings:
        return swept
    from junction.judge.merge import merged
    from junction.judge.readings import judge_readings

    read = {v.part: v for v in judge_readings(bag.readings, meter, types=types)}
    both = [merged(v, read.pop(v.part)) if v.part in read else v for v in swept]
    return (*both, *read.values())
