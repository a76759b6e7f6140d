"""The verdict of a whole part, from the sweeps of its junctions and from its diode-mode readings.

A part is as bad as its worst junction: shorted if any is, else open if any is, else leaky, and good only
when every junction measured is good at 95 % together.  What was not measured is said, not assumed.

A sweep sees further than a meter, so it decides where both speak, with two exceptions: where the sweep
could not be used the reading stands, and where the two contradict each other in something that both can
see, neither is believed and both are told.
"""

from __future__ import annotations

import gc
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from math import isnan, nan

import numpy as np

from junction.base.records import Bag, PartReadings, SweepTable
from junction.fit.results import SweepFits
from junction.judge.limits import decide, worst_of
from junction.judge.results import (
    QUALITIES,
    VERDICTS,
    WORST_FIRST,
    Alternative,
    Device,
    Finding,
    JunctionVerdict,
    PartVerdict,
    Verdict,
    part_verdict,
    worst_first,
)
from junction.judge.sentences import fill, next_step, say
from junction.shelf.results import Meter, PartType
from junction.shelf.rules import rule
from junction.shelf.types import find_type
from junction.verdict.sweeps import SweepVerdicts, judge_sweeps

Types = Callable[[str], PartType | None]
_ORDER = ("BE", "BC", "CE", "AK")
_make_device = cache(Device)


def judge_bag(bag: Bag, fits: SweepFits, meter: Meter, types: Types = find_type) -> tuple[PartVerdict, ...]:
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
        Parts with sweeps in the order of their first sweep, then the parts that have readings only.  A part
        with curves only has no verdict.
    """
    table = _with_markings(bag)
    swept = sweep_parts(judge_sweeps(table, fits, types), types) if len(table) else ()
    if not bag.readings:
        return swept
    from junction.leads.verdict import judge_readings

    read = {v.part: v for v in judge_readings(bag.readings, meter, types=types)}
    both = [merged(v, read.pop(v.part)) if v.part in read else v for v in swept]
    return (*both, *read.values())


def _with_markings(bag: Bag) -> SweepTable:
    """Sweeps that name no type or polarity take those that the readings of their part give."""
    table = bag.sweeps
    told = {r.part: r for r in bag.readings if r.type or r.polarity}
    if not any(p in told for p in table.part):
        return table
    given = [told.get(p, PartReadings("")) for p in table.part]
    return replace(
        table, type=tuple(own or g.type for own, g in zip(table.type, given, strict=True)),
        polarity=tuple(own or g.polarity for own, g in zip(table.polarity, given, strict=True)),
    )  # fmt: skip


def sweep_parts(sv: SweepVerdicts, types: Types = find_type) -> tuple[PartVerdict, ...]:
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
    rows_of: dict[str, list[int]] = {}
    for k, part in enumerate(sv.table.part):
        rows_of.setdefault(part, []).append(k)
    index = np.empty(len(sv), int)
    for j, rows in enumerate(rows_of.values()):
        index[rows] = j
    p = worst_of(sv.probability, index, len(rows_of))
    running = gc.isenabled()
    gc.disable()  # the collector would walk a growing heap of records that all stay: a third of the time
    try:
        make = _Parts(sv, types)
        return tuple([
            make.part(*each)
            for each in zip(rows_of, rows_of.values(), decide(p).tolist(), p.tolist(), strict=True)
        ])  # fmt: skip
    finally:
        if running:
            gc.enable()


class _Parts:
    """Sweeps on their way to parts, as python lists: a numpy scalar costs more than its sentence."""

    def __init__(self, sv: SweepVerdicts, types: Types) -> None:
        self.sv, self.table, self.junctions = sv, sv.table, sv.verdicts()
        self.known = {name: types(name) if name else None for name in set(sv.table.type)}
        self.family, self.p, self.temp_known = sv.family.tolist(), sv.probability, sv.fits.temp_known.tolist()
        self.p_good, self.p_top = self.p[:, 0].tolist(), self.p.max(axis=1).tolist()
        sure = sv.limits.typed | (sv.weight.max(axis=1) >= rule("conformity_good"))
        self.sure_of_family, self.temp_C = sure.tolist(), sv.fits.temp_C.tolist()
        self.until = rule("alternative_until")

    def part(self, name: str, rows: list[int], code: int, p: list[float]) -> PartVerdict:
        table, junctions, ranked = self.table, self.junctions, rows
        if len(rows) > 1:
            rows = sorted(rows, key=lambda r: _ORDER.index(table.junction[r]))
            ranked = sorted(rows, key=lambda r: (WORST_FIRST.index(junctions[r].verdict), self.p_good[r]))
        k = ranked[0]  # the junction that decides
        finding: Finding = junctions[k].finding
        following = finding.next()
        type_name = next((table.type[r] for r in rows if table.type[r]), "")
        family = self.sv.families[self.family[k]]
        device = self._device(rows, k, family, self.known[type_name])
        evidence = [s for r in ranked for s in junctions[r].evidence]
        evidence += [words for r in ranked if (words := junctions[r].finding.otherwise())]
        verdict, temp_known = VERDICTS[code], self.temp_known[k]
        doubtful = verdict == Verdict.UNDECIDED or self.p_top[k] < self.until
        good_next = "part_good_diode" if device.kind == "diode" else "part_good_transistor"
        return part_verdict(
            name, verdict, p, device, tuple([junctions[r] for r in rows]),
            family.name if self.sure_of_family[k] else "",
            alternatives=self._alternatives(k, device, verdict, following) if doubtful else (),
            faults=tuple(dict.fromkeys([x for r in ranked for x in junctions[r].faults])),
            evidence=tuple(evidence), next=following or next_step(good_next),
            cannot_see=self._blind(rows, device) if verdict == Verdict.GOOD else "",
            warnings=self._warnings(rows, k, device), basis="sweeps", type=type_name,
            temp_C=self.temp_C[k] if temp_known else nan, temp_known=temp_known,
        )  # fmt: skip

    def _device(self, rows, k, family, part_type: PartType | None) -> Device:
        polarity = next((self.table.polarity[r] for r in rows if self.table.polarity[r]), "")
        diode = self.table.junction[rows[0]] == "AK"
        if not polarity and self.table.reversed_sign[k] and not diode:
            polarity = "PNP"
        material = family.material if self.sure_of_family[k] else ""
        if part_type is None:
            kind = "diode" if diode else "darlington" if family.collector else "bjt"
            return _make_device(kind, "" if diode else polarity, material)
        kind = "bjt with damper diode" if part_type.damper_diode else "bjt"
        kind = "darlington" if part_type.kind.lower() == "darlington" else kind
        kind = "diode" if part_type.device == "diode" else kind
        return _make_device(kind, part_type.polarity or polarity, part_type.material or material)

    def _alternatives(self, k: int, device: Device, verdict: str, decided_by: str):
        """Other qualities of the deciding junction that are not out of the question, likeliest first."""
        sv, p, finding, out = self.sv, self.p[k], self.junctions[k].finding, []
        least = rule("alternative_named")
        for q in np.argsort(p)[::-1].tolist():
            word = QUALITIES[q]
            if word == verdict or p[q] < least:
                continue
            material = device.material
            if word in ("good", "leaky") and not finding.numbers["typed"]:  # the family that this would mean
                share = sv.weight[k] * (sv.kept[k] if word == "good" else 1.0 - sv.kept[k])
                material = sv.families[int(share.argmax())].material
            faults = () if word == "good" else (f"{finding.where} {word}",)
            other = _make_device(device.kind, device.polarity, material)
            out.append(Alternative(faults, other, float(p[q]), decided_by))
        return tuple(out)

    def _blind(self, rows: list[int], device: Device) -> str:
        """What the sweeps of a good part could not see."""
        blind = []
        for r in rows:
            x = self.junctions[r].finding.numbers
            blind += [fill("blind_leak", "says", x)] if x["hidden"] > 0 else []
            blind += [fill("blind_reverse", "says", x)] if isnan(x["bv"]) else []
        if device.kind != "diode":
            swept = [self.table.junction[r] for r in rows]
            blind += [say("blind_path", where=j) for j in ("BE", "BC", "CE") if j not in swept]
            blind.append(say("blind_gain"))
        return ", ".join(blind)

    def _warnings(self, rows: list[int], k: int, device: Device) -> tuple[str, ...]:
        table, out, mark, where = self.table, [], self.table.type[k], self.table.junction[k]
        if len(rows) > 1:
            types = dict.fromkeys(table.type[r] for r in rows if table.type[r])
            if len(types) > 1:
                out.append(say("part_marked_twice", marks=" in one place and ".join(types)))
            said: dict[str, set[str]] = {}
            for r in rows:
                said.setdefault(table.junction[r], set()).add(self.junctions[r].verdict)
            out += [say("part_sweeps_disagree", where=junction, verdicts=" and ".join(sorted(words)))
                    for junction, words in said.items() if len(words) > 1]  # fmt: skip
        if not self.temp_known[k]:
            out.append(say("part_no_temperature", temp=self.temp_C[k]))
        known = self.known[mark]
        if known and (where == "AK") != (known.device == "diode"):
            kind = "diode" if known.device == "diode" else "transistor"
            out.append(say("part_other_kind", type=mark, kind=kind, where=where))
        elif mark and not self.junctions[k].finding.numbers["typed"]:
            out.append(say("part_type_unknown", type=mark))
        logged = table.polarity[k]
        if logged and device.polarity and logged != device.polarity:
            out.append(say("part_other_polarity", logged=logged, type=mark, polarity=device.polarity))
        return tuple(out)


def merged(swept: PartVerdict, read: PartVerdict) -> PartVerdict:
    """One verdict of a part from its sweeps and its readings.

    Parameters
    ----------
    swept, read : PartVerdict
        Of the same part, ``swept`` from sweeps and ``read`` from diode-mode readings.

    Returns
    -------
    PartVerdict
    """
    by_name = {j.junction: j for j in read.junctions}
    junctions, conflicts = [], []
    for j in swept.junctions:
        other = by_name.pop(j.junction, None)
        made, words = (j, "") if other is None else _both(j, other, read.in_circuit)
        junctions.append(made)
        conflicts += [words] if words else []
    junctions += by_name.values()
    p = np.array([[j.probability[q] for q in QUALITIES] for j in junctions])
    whole = worst_of(p, np.zeros(len(p), int), 1)
    verdict = VERDICTS[int(decide(whole)[0])]
    ranked = worst_first(junctions)
    by_sweep = {j.junction: j.verdict for j in swept.junctions}
    lead = swept if by_sweep.get(ranked[0].junction) == ranked[0].verdict else read
    a, b = swept.device, read.device
    clash = [
        say("both_device", sweeps=one, readings=other, what=what)
        for what, one, other in (("material", a.material, b.material), ("polarity", a.polarity, b.polarity))
        if one and other and one.lower() != other.lower()
    ]
    device = replace(
        b, kind=b.kind if b.kind != "unknown" else a.kind, material=a.material or b.material,
        polarity=a.polarity or b.polarity,
    )  # fmt: skip
    doubt = [say("both_on_meter", sentence=f"{read.doubt}.")] if read.doubt else []
    said = [say("both_on_meter", sentence=sentence) for sentence in read.evidence]
    good = verdict == Verdict.GOOD
    return part_verdict(
        swept.part, verdict, whole[0].tolist(), device, tuple(junctions),
        faults=tuple(f for j in ranked for f in j.faults), alternatives=() if good else lead.alternatives,
        evidence=tuple(dict.fromkeys((*(s for j in ranked for s in j.evidence), *said))),
        next=next_step("both_contradict") if conflicts else lead.next,
        cannot_see=(swept.cannot_see or read.cannot_see) if good else "",
        warnings=tuple(dict.fromkeys((*conflicts, *clash, *doubt, *swept.warnings, *read.warnings))),
        neighbours=swept.neighbours or read.neighbours, basis="readings and sweeps",
        type=swept.type or read.type, temp_C=swept.temp_C, temp_known=swept.temp_known,
        in_circuit=read.in_circuit,
    )  # fmt: skip


def _both(sweep: JunctionVerdict, reading: JunctionVerdict, in_circuit: bool) -> tuple[JunctionVerdict, str]:
    """Merged verdict of one junction and a contradiction in words ('' where there is none)."""
    both = (*sweep.evidence, *reading.evidence)
    if reading.verdict == Verdict.UNDECIDED:
        return replace(sweep, evidence=both), ""
    if sweep.verdict == Verdict.UNDECIDED:
        # no fit, or never past the knee: nothing that a reading could not better
        silent = sweep.fit is None or sweep.fit.model in ("none", "open", "resistor", "breakdown")
        if not silent and reading.verdict == Verdict.GOOD:
            return replace(sweep, evidence=both), ""
        ohm = reading.leak_ohm or sweep.leak_ohm
        return replace(reading, evidence=both, fit=sweep.fit, sweep=sweep.sweep, leak_ohm=ohm), ""
    if sweep.verdict == reading.verdict:
        return sweep, ""
    ohms = [nan if j.leak_ohm is None else j.leak_ohm.value for j in (sweep, reading)]
    words = {"where": f"{sweep.junction[0]}-{sweep.junction[1]}", "reading": reading.verdict}
    why = ""
    if (sweep.verdict, reading.verdict) == ("leaky", "good"):  # diode mode is blind to a small leak
        why = "both_small_leak" if not ohms[0] < rule("meter_leak_visible") else ""
    elif {sweep.verdict, reading.verdict} == {"leaky", "shorted"}:
        near = rule("near_short") * rule("short_below")
        why = "both_near_short" if all(isnan(x) or x < near for x in ohms) else ""
    elif in_circuit and sweep.verdict == "good" and reading.verdict in ("leaky", "shorted"):
        # A parallel path in circuit turns good into leaky or shorted, never the other way round.
        why = "both_in_circuit"
    if why:
        return replace(sweep, evidence=(*sweep.evidence, say(why, **words))), ""
    told = say("both_contradict", sweep=sweep.verdict, **words)
    doubt = dict.fromkeys(QUALITIES, 0.25)
    return replace(
        sweep, verdict=Verdict.UNDECIDED, probability=doubt, faults=(), evidence=(told, *both)
    ), told
