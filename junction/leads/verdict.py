"""Meter readings of parts to verdicts: what it is, how sure, what stands against it, what next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import isnan, nan

import numpy as np

from junction.base.records import PartReadings
from junction.base.units import REFERENCE_TEMP_C
from junction.judge.mixture import MISSING
from junction.judge.results import (
    QUALITIES,
    Alternative,
    Device,
    Finding,
    JunctionVerdict,
    PartVerdict,
    Verdict,
    decide,
    part_verdict,
)
from junction.judge.sentences import say
from junction.leads.bench import Bench, Types, bench_for, bench_group, over_range_V, visible_leak_ohm
from junction.leads.explain import (
    LEAD_WORDS,
    Explanation,
    Weighed,
    capital,
    evidence,
    explanation_words,
    gain_kind,
    listed,
    ohm_words,
    weigh_parts,
)
from junction.leads.hypotheses import leak_limits_ohm, matches
from junction.shelf.results import Meter, PartType
from junction.shelf.rules import families, rule

#: Cells of the posterior below this share of the largest are left out of the look ahead.
_LEAST = 1e-4


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
    verdicts: dict[int, PartVerdict] = {}
    groups: dict[tuple, list[int]] = {}
    for k, part in enumerate(parts):
        groups.setdefault(bench_group(part), []).append(k)
    for members in groups.values():
        some = [parts[k] for k in members]
        bench = bench_for(meter, some, types=types)
        for k, weighed in zip(members, weigh_parts(bench, some, types), strict=True):
            verdicts[k] = judge_one(bench, weighed, types)
    return [verdicts[k] for k in range(len(parts))]


def judge_one(bench: Bench, weighed: Weighed, types: Types | None = None) -> PartVerdict:
    """Verdict of one weighed part."""
    w, part, top = weighed, weighed.readings, weighed.explanations[0]
    registered = types(part.type) if types is not None and part.type else None
    likely = _decided(w.quality, w.odd)
    contradiction = _contradiction(bench, w, registered)
    doubt = _doubt(bench, w, likely, registered, bool(contradiction))
    verdict = Verdict.UNDECIDED if doubt else likely
    told = evidence(bench, w)
    whole = [finding for finding in told if not finding.where]
    said = [finding.says() for finding in (whole if whole and (doubt or verdict == "good") else told)]
    if doubt:
        said = [f"{capital(doubt)}.", *said]
    if not part.readings:
        said = [say("leads_no_readings")]
    unused = bool(doubt) and bool(part.refused)
    if unused:  # what the odds say without those readings would only mislead
        said = said[:1]
    faults = top.faults if verdict != "good" and top.hypothesis >= 0 and not unused else ()
    two = len(bench.leads) == 2
    material = w.material or ("LED" if top.kind.name.startswith("LED") else "")
    device = Device(w.device, "" if two else w.polarity, material, {} if bench.named else w.leads)
    cannot_see = say(
        "leads_cannot_see", ohm=ohm_words(visible_leak_ohm(bench.meter)), over_V=over_range_V(bench.meter),
        gain="" if two or not isnan(part.hfe) else "gain, ",
    )  # fmt: skip
    return part_verdict(
        part.part, verdict, w.quality.values(), device, _junctions(bench, w, registered, told),
        registered.family if registered else "", faults=faults, alternatives=_alternatives(bench, w),
        evidence=tuple(said), next=_next(bench, w, verdict, likely, bool(contradiction), registered),
        cannot_see=cannot_see, warnings=tuple(_warnings(bench, w, registered, contradiction)),
        basis="readings", type=part.type, temp_known=not isnan(part.temp_C), in_circuit=part.in_circuit,
        temp_C=REFERENCE_TEMP_C if isnan(part.temp_C) else part.temp_C,
        faults_probability=w.faults_probability, doubt=doubt,
    )  # fmt: skip


def _decided(quality: Mapping[str, float], odd: float) -> Verdict:
    """Verdict by the 95 % rule; undecided too when no explanation fits."""
    return Verdict.UNDECIDED if odd > 0.5 else decide(quality.values())


def _doubt(bench: Bench, w: Weighed, likely: str, registered: PartType | None, contradicts: bool) -> str:
    """What stands against a verdict that the probabilities alone would give; '' where nothing does.

    Likely is not shown: a junction is good when it was seen to conduct, the meter stood still and the part
    is what it says; and in circuit a path beside a part does what a leak or a short of its own does.
    """
    part = w.readings
    if part.in_circuit and likely in ("leaky", "shorted"):
        return say("leads_doubt_circuit")
    lost = [name for name in part.refused if name in bench.placements]
    if lost and likely not in ("leaky", "shorted"):  # what conducts too well does so all the same
        reason = "leads_doubt_refused_many" if lost[1:] else "leads_doubt_refused"
        return say(reason, names=listed(lost))
    if registered is not None and likely in ("good", "undecided"):
        good = w.p.sum(axis=0)[:-1] * bench.quality[:-1, 0]
        fitting = good[[matches(kind, registered) for kind, *_ in bench.hypotheses]].sum()
        if good.sum() > rule("leads_other_good") and fitting < 0.5 * good.sum():
            worst = max(QUALITIES[1:], key=w.quality.get)
            return say("leads_doubt_type", type=part.type, quality=worst)
    if likely != "good":
        return ""
    if contradicts:
        return say("leads_doubt_marking")
    unread = _unproven(bench, w)
    if unread:
        reason = "leads_doubt_unread_many" if unread[1:] else "leads_doubt_unread"
        return say(reason, names=listed(unread))
    moving = [r.placement for r in part.readings if r.settling]
    if moving:
        return say("leads_doubt_falling", names=", ".join(moving))
    return _gain_doubt(part.hfe, registered) if len(bench.leads) == 3 else ""


def _unproven(bench: Bench, w: Weighed) -> list[str]:
    """Placements that a good part must have been read in, and was not: each junction forward."""
    order = bench.order[w.explanations[0].arrangement]
    wanted = order[:2] if len(bench.leads) == 2 else order[[0, 2]]
    return [bench.placements[k] for k in wanted if w.state[k] == MISSING]


def _least_gain(type_: PartType | None) -> float:
    """Lowest h_FE that a type's registration asks for at any current [1]; nan where it states none."""
    return min((x.low for x in type_.find("h_FE") if x.low > 0), default=nan) if type_ is not None else nan


def _gain_doubt(hfe: float, type_: PartType | None) -> str:
    """Why a gain reading stands against a good part; '' where it does not.

    Sockets use other currents than sheets, so a part is let pass some way below the least registered.
    """
    least = _least_gain(type_)
    if hfe < rule("leads_gain_of_least") * least:
        return say("leads_doubt_gain_type", hfe=hfe, type=type_.name, least=least)
    return say("leads_doubt_gain", hfe=hfe) if hfe < rule("leads_gain_shows") else ""


def _junctions(
    bench: Bench, w: Weighed, registered: PartType | None, told: list[Finding]
) -> tuple[JunctionVerdict, ...]:
    """Verdict of every path, with the finding it rests on and the limit it is held to."""
    top, two = w.explanations[0], len(bench.leads) == 2
    faults = {f.split()[0]: f for f in top.faults if " " in f}
    family = registered.family if registered else top.kind.name if two else top.kind.material
    out = []
    for path, p in w.paths.items():
        word = _decided(p, w.odd)
        own = (faults[path],) if path in faults and word != "good" else ()
        finding = next((f for f in told if f.where == path), None)
        said, limit = (finding.says(),) if finding else (), _limit_words(bench, top, path, registered)
        out.append(
            JunctionVerdict(path, word, p, own, said, None, w.ohms.get(path), None, family, limit, finding)
        )
    return tuple(out)


def _limit_words(bench: Bench, top: Explanation, path: str, registered: PartType | None) -> str:
    """The limit a path is held to, what it rests on, and what of it this meter's diode mode can see."""
    visible = visible_leak_ohm(bench.meter)
    values = {"visible": ohm_words(visible)}
    registered_ohm = nan if registered is None else leak_limits_ohm(registered).get(path, nan)
    if registered_ohm < visible:
        return say("leads_limit_breakdown", type=registered.name, **values)
    if registered_ohm >= visible:
        source = f" ({registered.source})" if registered.source else ""
        values |= {"ohm": ohm_words(registered_ohm), "type": registered.name, "source": source}
        return say("leads_limit_type", **values)
    if top.hypothesis < 0 or path == "CE":  # families state no limit of that path
        return ""
    tight, loose = top.kind.leak_limit_ohm
    values |= {"ohm": ohm_words(tight), "loose": ohm_words(loose)}
    if tight < loose:
        return say("leads_limit_families", **values)
    family = families()[top.kind.name]
    values |= {"family": family.name, "source": f" ({family.source or family.basis})"}
    return say("leads_limit_family", **values)


def _alternatives(bench: Bench, w: Weighed) -> tuple[Alternative, ...]:
    """Other explanations, one for each set of faults or kind of part."""
    top, *rest = w.explanations
    out, told = [], {(top.faults, top.kind.device)}
    for e in rest:
        device = e.kind.device
        if e.probability < rule("leads_name") or len(out) == rule("leads_most_named"):
            break
        # none that fits is no explanation, and the same faults again are no other one
        if e.hypothesis < 0 or (e.faults, device) in told or (e.faults and e.faults in dict(told)):
            continue
        told.add((e.faults, device))
        leads = {} if bench.named or device == "unknown" else e.leads
        polarity = "" if device in ("unknown", "diode") else e.polarity
        seems = Device(device, polarity, e.kind.material, leads)
        out.append(Alternative(e.faults, seems, e.probability, _decided_by(bench, w, top, e)))
    return tuple(out)


def _contradiction(bench: Bench, w: Weighed, registered: PartType | None) -> list[str]:
    """What the readings say against the marking, the polarity or the lead names as written."""
    part, top, out = w.readings, w.explanations[0], []
    if top.hypothesis < 0:
        return []
    written = part.polarity or (registered.polarity if registered else "")
    if registered is not None and not matches(top.kind, registered) and top.probability > 0.5:
        words = explanation_words(replace(top, faults=()))
        out.append(say("leads_not_type", explanation=words, type=part.type))
    elif written and w.polarity and written != w.polarity:
        out.append(say("leads_not_polarity", polarity=w.polarity, written=written))
    if bench.named and len(bench.leads) == 3:
        moved = [(lead, role) for lead, role in sorted(w.leads.items()) if role != lead]
        if moved:
            spelled = ", ".join(f"the lead called {lead} is {role}" for lead, role in moved)
            out.append(say("leads_moved", moved=spelled))
    if len(bench.leads) == 2 and bench.roles[top.arrangement][0] == "E" and top.probability > 0.5:
        out.append(say("leads_reversed"))
    return out


def _warnings(bench: Bench, w: Weighed, registered: PartType | None, contradiction: list[str]) -> list[str]:
    """What the reader must know beside the verdict."""
    part, top, two = w.readings, w.explanations[0], len(bench.leads) == 2
    if top.hypothesis < 0:
        return [say("leads_odd")]
    out = list(contradiction)
    if part.refused:
        out.append(say("leads_refused", names=", ".join(part.refused)))
    if not isnan(part.hfe):
        least = _least_gain(registered)
        if two:
            out.append(say("leads_gain_diode"))
        elif _gain_doubt(part.hfe, registered):
            out.append(say("leads_gain_low"))
        elif part.hfe < least:
            out.append(say("leads_gain_socket", hfe=part.hfe, least=least))
    if part.type and registered is None:
        out.append(say("leads_type_unknown", type=part.type))
    likely = [e for e in w.explanations if e.kind.reads_as and e.probability >= rule("leads_remark")]
    if likely:
        e = likely[0]
        if e is top and e.kind.device == "unknown":
            out.append(say("leads_not_bipolar", reads=e.kind.reads_as))
        else:
            too = "" if e is top else " too"
            out.append(say("leads_reads_like", reads=capital(e.kind.reads_as), too=too))
    moving = any(r.settling for r in part.readings)
    if part.in_circuit:
        said = [say("leads_in_circuit")]
        if not moving and w.odd <= 0.5:  # what paths beside the part cannot change, and what they can
            words = {path: _decided(p, w.odd) for path, p in w.paths.items()}
            firm = [f"{a}-{b} {word}" for (a, b), word in words.items() if word != "undecided"]
            loose = [f"{a}-{b}" for (a, b), word in words.items() if word == "undecided"]
            said += [say("leads_certain", paths=", ".join(firm))] if firm else []
            said += [say("leads_not_certain", paths=", ".join(loose))] if loose else []
        out.append(" ".join(said))
    if bench.meter.red_lead != "positive":
        out.append(say("leads_red_negative"))
    if moving:
        out.append(say("leads_falling"))
    return out


def _next(
    bench: Bench, w: Weighed, verdict: str, likely: str, contradicts: bool, registered: PartType | None
) -> str:
    """What to do next: replace, read a placement, lift a lead, or the test that decides."""
    top, part = w.explanations[0], w.readings
    power = top.kind.device != "diode"
    if verdict == "good":
        gain = "" if not power else "leads_next_gain_again" if gain_kind(part.hfe) else "leads_next_gain"
        test = say(
            "leads_next_good", kohm=visible_leak_ohm(bench.meter) / 1e3, gain=say(gain) if gain else ""
        )
        told = bench.named or set(w.leads.values()) >= set("BCE")
        return test if told else f"{test} {say('leads_next_order')}"
    if part.refused and not part.in_circuit and verdict == "undecided":
        return say("leads_next_refused", names=" and ".join(part.refused))
    if verdict != "undecided":
        return say(f"leads_next_{verdict}" if power else "leads_next_small")
    if part.in_circuit and likely in ("leaky", "shorted"):
        return _lift(bench, w)
    if any(r.settling for r in part.readings) and likely == "good":
        return say("leads_next_falling")
    if contradicts and likely == "good":
        return say("leads_next_marking")
    wanted = _unproven(bench, w) if likely == "good" else []
    name, gain = (wanted[0], 1.0) if wanted else next_placement(bench, w)
    if name and gain > rule("leads_ask"):
        red, black = name.split("-")
        return say("leads_next_read", name=name, red=red, black=black)
    if part.in_circuit and w.odd <= 0.5:
        return _lift(bench, w)
    if likely == "good" and _gain_doubt(part.hfe, registered):
        return say("leads_next_gain_doubt")
    rest = [e for e in w.explanations[1:] if e.faults != top.faults]
    for other in sorted(rest, key=lambda e: bool(e.faults) == bool(top.faults)):  # good against bad first
        text = _decided_by(bench, w, top, other)
        if text:
            return f"{capital(text)}."
    return say("leads_next_all_again")


def _lift(bench: Bench, w: Weighed) -> str:
    """Which lead to lift: the one that most of the doubtful paths share."""
    if len(bench.leads) == 2:
        return say("leads_next_lift_diode")
    least = rule("leads_path_doubtful")
    doubtful = [path for path, p in w.paths.items() if least < p["good"] < 1 - least]
    role = max("BEC", key=lambda role: sum(role in path for path in doubtful))
    lead_of = bench.lead_of(w.explanations[0].arrangement)
    lead = role if bench.named else f"{lead_of[role]} (taken for the {LEAD_WORDS[role]})"
    paths = [x for x in doubtful if role in x] or [x for x in w.paths if role in x]
    spelled = " and ".join(f"{lead_of[a]}-{lead_of[b]}" for a, b in paths)
    return say("leads_next_lift", lead=lead, paths=spelled)


def _decided_by(bench: Bench, w: Weighed, one: Explanation, other: Explanation) -> str:
    """Measurement that tells two explanations of the same readings apart, '' where there is none to name."""
    if w.readings.in_circuit:
        return say("leads_decide_circuit")
    if -1 in (one.hypothesis, other.hypothesis):
        return say("leads_decide_odd")
    a, b = (dict(f.split() for f in e.faults) for e in (one, other))
    devices = {one.kind.device, other.kind.device}
    typed, values = bool(w.readings.type), {"gain": say("leads_decide_gain")}
    if "diode" in devices:
        return say("leads_decide_diode")
    built_in = any("resistor" in e.kind.name and not faults for e, faults in ((one, a), (other, b)))
    if built_in and a != b and "open" not in {*a.values(), *b.values()}:
        values["sheet"] = "" if typed else f"{say('leads_decide_sheet')}; "
        return say("leads_decide_built_in_read" if bench.has_ohms else "leads_decide_built_in", **values)
    if "unknown" in devices:
        return say("leads_decide_unknown")
    if a != b:
        at_a, at_b = (
            {tuple(sorted(bench.lead_of(e.arrangement)[x] for x in path)): word for path, word in bad.items()}
            for e, bad in ((one, a), (other, b))
        )
        if at_a == at_b:
            return say("leads_decide_same_leads")
        joint = sorted(k for k in set(at_a) | set(at_b) if at_a.get(k) != at_b.get(k))
        values["paths"] = " and ".join("-".join(pair) for pair in joint)
        if "open" in {*a.values(), *b.values()}:
            return say("leads_decide_open", **values)
        return say("leads_decide_leakage" if bench.has_ohms else "leads_decide_ohms", **values)
    if one.kind.name != other.kind.name:
        return say("leads_decide_typed" if typed else "leads_decide_type", gain=rule("leads_gain_darlington"))
    return ""


def next_placement(bench: Bench, weighed: Weighed, among: Sequence[str] = ()) -> tuple[str, float]:
    """Placement to read next, and what the best of all tells about faults, polarity and base [nat].

    With the leads known the two junctions are finished before anything is asked across them.

    Parameters
    ----------
    bench : Bench
    weighed : Weighed
    among : sequence of str
        Placements that may be asked for; those without a reading by default.
    """
    at = {name: k for k, name in enumerate(bench.placements)}
    unread = list(among) or [name for name, k in at.items() if weighed.state[k] == MISSING]
    if not unread:
        return "", 0.0
    base = np.array([2 * r.index("B") for r in bench.roles]) + (np.array(bench.polarity) == "PNP")
    what = base[:, None] * len(bench.groups) + bench.group[None, :-1]
    gain = expected_information(bench, weighed.p, what)
    most = float(max(gain[at[name]] for name in unread))
    junctions = [name for name in unread if "B" in name]
    three = bench.named and len(bench.leads) == 3
    if three and max((gain[at[name]] for name in junctions), default=0.0) > rule("leads_ask"):
        unread = junctions
    return max(unread, key=lambda name: gain[at[name]]), most


def expected_information(bench: Bench, p: np.ndarray, what: np.ndarray) -> np.ndarray:
    """Expected gain of each placement about what is wanted [nat].

    Parameters
    ----------
    bench : Bench
    p : ndarray (A, H + 1)
        Posterior so far.
    what : ndarray of int (A, H)
        Answer each cell stands for, counted from 0; only telling answers apart counts.

    Returns
    -------
    ndarray (6,)
        By actual placement: entropy of the answer minus its expected entropy after the reading.
    """
    cells = p[:, :-1]
    a, h = np.nonzero(cells > _LEAST * cells.max())
    weight = cells[a, h] / cells[a, h].sum()
    gain = np.zeros(6)
    for actual in range(6):
        canonical = np.argmax(bench.order[a] == actual, axis=1)
        joint = np.zeros((int(what.max()) + 1, bench.outcomes.shape[2]))
        np.add.at(joint, what[a, h], weight[:, None] * bench.outcomes[h, canonical])
        chance = joint.sum(axis=0) * joint.sum(axis=1, keepdims=True)
        told = joint > 0
        gain[actual] = np.sum(joint[told] * np.log(joint[told] / chance[told]))
    return gain
