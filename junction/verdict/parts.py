"""The verdict of a whole part, from the sweeps of its junctions, its curves and its diode-mode readings.

A part is as bad as its worst junction: shorted if any is, else open if any is, else leaky, and good only
when every junction measured is good at 95 % together.  What was not measured is said, not assumed.

A sweep sees further than a meter, so it decides where both speak, with two exceptions: where the sweep
could not be used the reading stands, and where the two contradict each other in something that both can
see, neither is believed and both are told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from math import isnan, nan
from operator import itemgetter

from junction.base.records import Bag, PartReadings, SweepTable
from junction.judge.results import (
    WORST_FIRST,
    Alternative,
    Device,
    Finding,
    JunctionVerdict,
    PartVerdict,
    Verdict,
    decide,
    fill,
    next_step,
    part_verdict,
    say,
    type_note,
    worst_first,
    worst_of,
)
from junction.shelf.tables import Meter, PartType, families, rule
from junction.shelf.types import find_type
from junction.sweeps.results import SweepFits
from junction.verdict.beside import Beside
from junction.verdict.sweeps import judge_sweeps

Types = Callable[[str], PartType | None]
_ORDER = ("BE", "BC", "CE", "AK")
_CONTRADICT = ("both_curves", "both_contradict")  # neither of two measurements is believed
#: What a verdict rests on, with readings beside.
_BOTH = {"sweeps": "readings and sweeps", "curves": "readings and curves",
         "sweeps and curves": "readings, sweeps and curves"}  # fmt: skip


def judge_bag(
    bag: Bag, fits: SweepFits, meter: Meter, types: Types = find_type, beside: Beside | None = None
) -> tuple[PartVerdict, ...]:
    """Verdict of every part of a bag, from its sweeps, its curves, its readings, or several of them.

    Parameters
    ----------
    bag : Bag
    fits : SweepFits
        Of ``bag.sweeps``, in the same order.
    meter : Meter
        Kind of meter the readings were taken with.
    types : callable, optional
        From a marking to its registered type or None.
    beside : Beside, optional
        What was taken out of the sweeps.

    Returns
    -------
    tuple of PartVerdict
        Parts with sweeps in the order of their first sweep, then parts with curves, then those that have
        readings only.
    """
    table = bag.sweeps
    told = {r.part: r for r in bag.readings if r.type or r.polarity}
    if any(p in told for p in table.part):  # sweeps that name no type or polarity take those of the readings
        given = [told.get(p, PartReadings("")) for p in table.part]
        table = replace(
            table, type=tuple(own or g.type for own, g in zip(table.type, given, strict=True)),
            polarity=tuple(own or g.polarity for own, g in zip(table.polarity, given, strict=True)),
        )  # fmt: skip
    known = {name: types(name) if name else None for name in set(table.type)}
    untold = cache(lambda temp_C: say("part_no_temperature", temp=temp_C))  # the same of nearly every part
    of_part: dict[str, list[JunctionVerdict]] = {}
    for junction in judge_sweeps(table, fits, types, beside) if table.part else ():
        of_part.setdefault(table.part[junction.sweep], []).append(junction)
    swept = tuple([_swept_part(*each, table, known, untold) for each in of_part.items()])
    if len(bag.curves):
        from junction.verdict.curves import judge_curves

        curves, given = bag.curves, [told.get(p, PartReadings("")) for p in bag.curves.part]
        curves = replace(curves, type=tuple(x or g.type for x, g in zip(curves.type, given, strict=True)),
                         polarity=tuple(x or g.polarity for x, g in zip(curves.polarity, given, strict=True)))
        curved = {v.part: v for v in judge_curves(curves, types)}
        swept = (*(joined(v, curved.pop(v.part)) if v.part in curved else v for v in swept), *curved.values())
    if not bag.readings:
        return swept
    from junction.leads.verdict import judge_readings

    read = {v.part: v for v in judge_readings(bag.readings, meter, types=types)}
    both = [merged(v, read.pop(v.part)) if v.part in read else v for v in swept]
    return (*both, *read.values())


def _swept_part(
    name: str, junctions: list[JunctionVerdict], table: SweepTable, known: Mapping[str, PartType | None],
    untold: Callable[[float], str],
) -> PartVerdict:
    ranked, warnings, lead = junctions, [], junctions[0]
    marks = [mark] if (mark := table.type[lead.sweep]) else []
    p, verdict = lead.probability.values(), lead.verdict
    if len(junctions) > 1:
        junctions = sorted(junctions, key=lambda j: _ORDER.index(j.junction))
        ranked = sorted(junctions, key=lambda j: (WORST_FIRST.index(j.verdict), j.probability["good"]))
        lead, p = ranked[0], worst_of(junctions)  # the junction that decides
        verdict = decide(p)
        marks = list(dict.fromkeys(mark for j in junctions if (mark := table.type[j.sweep])))
        if len(marks) > 1:
            warnings.append(say("part_marked_twice", marks=" in one place and ".join(marks)))
        said: dict[str, set[str]] = {}
        for j in junctions:
            said.setdefault(j.junction, set()).add(j.verdict)
        warnings += [say("part_sweeps_disagree", where=path, verdicts=" and ".join(sorted(words)))
                     for path, words in said.items() if len(words) > 1]  # fmt: skip
    seen, fit = lead.finding.numbers, lead.fit
    type_name = marks[0] if marks else ""
    device = _device(junctions, lead, table, known[type_name])
    following, is_diode = lead.finding.next(), device.kind == "diode"
    evidence = [s for j in ranked for s in j.evidence]
    evidence += [words for j in ranked if (words := j.finding.otherwise())]
    # Other qualities of the deciding junction that are not out of the question, likeliest first.
    alternatives = []
    if verdict == Verdict.UNDECIDED or max(lead.probability.values()) < rule("alternative_until"):
        for word, share in reversed(sorted(lead.probability.items(), key=itemgetter(1))):
            if word == verdict or share < rule("alternative_named"):
                continue
            family = seen.get(f"as_{word}")  # that it would be good or leaky as
            material = families()[family].material if family and not seen["typed"] else device.material
            faults = () if word == "good" else (f"{lead.junction} {word}",)
            own = device if material == device.material else replace(device, material=material)
            alternatives.append(Alternative(faults, own, share, following))
    blind = []  # what the sweeps of a good part could not see
    for x in [j.finding.numbers for j in junctions] if verdict == Verdict.GOOD else ():
        blind += [fill("blind_leak", "says", x)] if x["hidden"] > 0 else []
        blind += [fill("blind_reverse", "says", x)] if isnan(x["bv"]) else []
    if verdict == Verdict.GOOD and not is_diode:
        paths = {j.junction for j in junctions}
        blind += [say("blind_path", where=path) for path in _ORDER[:3] if path not in paths]
        blind.append(say("blind_gain"))
    mark, logged = table.type[lead.sweep], table.polarity[lead.sweep]
    type_ = known[mark]
    if not fit.temp_known:
        warnings.append(untold(fit.temp_C))
    if type_ and (lead.junction == "AK") != (type_.device == "diode"):
        kind = "diode" if type_.device == "diode" else "transistor"
        warnings.append(say("part_other_kind", type=mark, kind=kind, where=lead.junction))
    elif mark and not seen["typed"]:
        warnings.append(type_note(mark, None, reason="part_type_unknown"))
    elif note := type_note(mark, type_, reason="part_type_unknown"):
        warnings.append(note)
    if logged and device.polarity and logged != device.polarity:
        warnings.append(say("part_other_polarity", logged=logged, type=mark, polarity=device.polarity))
    good_next = "part_good_diode" if is_diode else "part_good_transistor"
    return part_verdict(
        name, verdict, p, device, tuple(junctions), lead.family if seen["sure"] else "",
        alternatives=tuple(alternatives), faults=tuple(dict.fromkeys(x for j in ranked for x in j.faults)),
        evidence=tuple(evidence), next=following or next_step(good_next),
        cannot_see=", ".join(blind),
        warnings=tuple(warnings), basis="sweeps", type=type_name,
        temp_C=fit.temp_C if fit.temp_known else nan, temp_known=fit.temp_known, decides=lead.finding,
    )  # fmt: skip


def _device(
    junctions: Sequence[JunctionVerdict], lead: JunctionVerdict, table: SweepTable, part_type: PartType | None
) -> Device:
    """What the part seems to be: by its registered type, else by the junction that decides."""
    family, diode = families()[lead.family], junctions[0].junction == "AK"
    material = family.material if lead.finding.numbers["sure"] else ""
    polarity = next((told for j in junctions if (told := table.polarity[j.sweep])), "")
    if not polarity and table.reversed_sign[lead.sweep] and not diode:
        polarity = "PNP"
    if part_type is None:
        kind = "diode" if diode else "darlington" if family.collector else "bjt"
        return Device(kind, "" if diode else polarity, material)
    kind = "bjt with damper diode" if part_type.damper_diode else "bjt"
    kind = "darlington" if part_type.kind.lower() == "darlington" else kind
    kind = "diode" if part_type.device == "diode" else kind
    return Device(kind, part_type.polarity or polarity, part_type.material or material)


def joined(swept: PartVerdict, curved: PartVerdict) -> PartVerdict:
    """One verdict of a part from its sweeps and its curves.

    Each sees what the other cannot (reverse, high currents, gain): the worse decides, but a short or an open
    junction is seen by both, and where one finds it and the other a good junction neither is believed.

    Parameters
    ----------
    swept, curved : PartVerdict
        Of the same part.

    Returns
    -------
    PartVerdict
    """
    by_name, conflicts, junctions = {j.junction: j for j in curved.junctions}, [], []
    for j in swept.junctions:
        other = by_name.pop(j.junction, None)
        if other is not None:
            worse, better = sorted((j, other), key=lambda x: x.probability["good"])
            plain = worse.verdict in (Verdict.SHORTED, Verdict.OPEN)
            plain &= worse.finding.quantity != "inside_ohm"
            if better.verdict == Verdict.GOOD and plain:
                told = Finding(j.junction, "both_curves", numbers={
                    **j.finding.numbers, "where": j.junction, "sweep": j.verdict, "curves": other.verdict,
                })  # fmt: skip
                conflicts.append(told.says())
                doubt = dict.fromkeys(worse.probability, 0.25)
                worse = replace(worse, verdict=Verdict.UNDECIDED, probability=doubt, faults=(), finding=told)
            j = replace(worse, evidence=(*worse.evidence, *better.evidence), fit=j.fit, sweep=j.sweep,
                        leak_ohm=worse.leak_ohm or better.leak_ohm)  # fmt: skip
        junctions.append(j)
    junctions += by_name.values()
    whole, ranked = worst_of(junctions), worst_first(junctions)
    verdict = decide(whole)
    lead = min((swept, curved), key=lambda v: v.probability["good"])
    good = verdict == Verdict.GOOD
    # curves see the gain, and the paths that were not swept
    answered = {say("blind_gain"), *(say("blind_path", where=x.junction) for x in curved.junctions)}
    reverse = say("curve_blind_reverse") if any(j.junction == "BE" for j in swept.junctions) else ""
    blind = [x for x in swept.cannot_see.split(", ") if x and x not in answered]
    blind += [x for x in curved.cannot_see.split(", ") if x and x != reverse]
    return part_verdict(
        swept.part, verdict, whole, curved.device if not swept.device.polarity else swept.device,
        tuple(sorted(junctions, key=lambda j: _ORDER.index(j.junction))),
        faults=tuple(dict.fromkeys(f for j in ranked for f in j.faults)),
        alternatives=() if good else lead.alternatives,
        evidence=tuple(dict.fromkeys((*lead.evidence, *swept.evidence, *curved.evidence))),
        next=next_step("both_contradict") if conflicts else curved.next if good else lead.next,
        cannot_see=", ".join(dict.fromkeys(blind)) if good else "",
        warnings=tuple(dict.fromkeys((*conflicts, *swept.warnings, *curved.warnings))),
        basis="sweeps and curves", type=swept.type or curved.type, temp_C=swept.temp_C,
        temp_known=swept.temp_known, measured=curved.measured, doubt="" if good else lead.doubt,
        decides=_decides(junctions, conflicts, lead),
    )  # fmt: skip


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
        made, words = _both(j, by_name.pop(j.junction, None), read.in_circuit)
        junctions.append(made)
        conflicts += [words] if words else []
    junctions += by_name.values()
    whole, ranked = worst_of(junctions), worst_first(junctions)
    verdict = decide(whole)
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
        swept.part, verdict, whole, device, tuple(junctions),
        faults=tuple(f for j in ranked for f in j.faults), alternatives=() if good else lead.alternatives,
        evidence=tuple(dict.fromkeys((*(s for j in ranked for s in j.evidence), *said))),
        next=next_step("both_contradict") if conflicts else lead.next,
        cannot_see=(swept.cannot_see or read.cannot_see) if good else "",
        warnings=tuple(dict.fromkeys((*conflicts, *clash, *doubt, *swept.warnings, *read.warnings))),
        neighbours=swept.neighbours or read.neighbours, basis=_BOTH[swept.basis],
        type=swept.type or read.type, temp_C=swept.temp_C, temp_known=swept.temp_known,
        in_circuit=read.in_circuit, measured=swept.measured, decides=_decides(junctions, conflicts, lead),
    )  # fmt: skip


def _decides(junctions: Sequence[JunctionVerdict], conflicts: Sequence, lead: PartVerdict) -> Finding | None:
    """What decided a joined part: what contradicts, else the finding of its worst junction."""
    if conflicts:
        return next(j.finding for j in junctions if j.finding and j.finding.reason in _CONTRADICT)
    worst = min(junctions, key=lambda j: (WORST_FIRST.index(j.verdict), j.probability["good"]))
    decided = worst.verdict == lead.verdict and worst.verdict != Verdict.GOOD and worst.finding
    return decided or lead.decides or worst.finding


def _both(
    sweep: JunctionVerdict, reading: JunctionVerdict | None, in_circuit: bool
) -> tuple[JunctionVerdict, str]:
    """Merged verdict of one junction and a contradiction in words ('' where there is none)."""
    if reading is None or sweep.verdict == reading.verdict != Verdict.UNDECIDED:
        return sweep, ""
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
    finding = Finding(sweep.junction, "both_contradict", numbers={
        **sweep.finding.numbers, "sweep": sweep.verdict, **words,
    })  # fmt: skip
    told, doubt = finding.says(), dict.fromkeys(sweep.probability, 0.25)
    sweep = replace(sweep, verdict=Verdict.UNDECIDED, probability=doubt, faults=(), evidence=(told, *both),
                    finding=finding)  # fmt: skip
    return sweep, told
