"""From the marginals of one part to its verdict, evidence, alternatives and next step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import isnan

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C
from junction.judge.neighbours import neighbours
from junction.judge.results import Alternative, Device, JunctionVerdict, PartVerdict
from junction.leads import next_test
from junction.leads.answer import Answer, Explanation
from junction.leads.bench import Bench, Weighed
from junction.leads.doubt import decide, doubt_of, unproven
from junction.leads.hypotheses_library import over_range_V, visible_leak_ohm
from junction.leads.leads import MISSING
from junction.leads.priors import gain_doubt, gain_kind, gain_words, leak_limits_ohm, matches
from junction.leads.words import evidence, explanation_words, ohm_words
from junction.shelf.families import families
from junction.shelf.results import Meter, PartType
from junction.shelf.rules import rules

#: Explanations from this probability on are named as alternatives.
NAME_FROM = 0.01
MOST_ALTERNATIVES = 6
_ROLE_WORDS = {"B": "base", "C": "collector", "E": "emitter"}


def _junctions(
    found: Answer, bench: Bench, weighed: Weighed, registered: PartType | None, said: Mapping[str, str]
) -> tuple[JunctionVerdict, ...]:
    """Verdict of every path, with the sentence said of it and the limit it is held to."""
    diode = len(bench.leads) == 2
    top = found.explanations[0]
    faults = {f.split()[0]: f for f in top.faults if " " in f}
    family = registered.family if registered else top.structure if diode else top.material
    out = []
    for path in ("AK",) if diode else ("BE", "BC", "CE"):
        p = found.paths["BE" if diode else path]
        word = decide(p, found.odd)
        own = (faults[path],) if path in faults and word != "good" else ()
        sentence = (said[path],) if path in said else ()
        limit = _limit_words(bench, top, path, registered)
        out.append(
            JunctionVerdict(path, word, p, own, sentence, None, weighed.ohms.get(path), None, family, limit)
        )
    return tuple(out)


def _by(source: str) -> str:
    return f" ({source})" if source else ""


def _limit_words(bench: Bench, top: Explanation, path: str, registered: PartType | None) -> str:
    """The limit a path is held to, what it rests on, and what of it this meter's diode mode can see."""
    visible = visible_leak_ohm(bench.library.meter)
    seen = f"diode mode alone sees a path up to about {ohm_words(visible)}"
    limits = {} if registered is None else leak_limits_ohm(registered)
    if path in limits and limits[path] < visible:
        return (
            f"a path that diode mode shows at all, up to about {ohm_words(visible)}, is a leak; what is "
            f"registered for {registered.name} allows more near breakdown only"
        )
    if path in limits:
        return (
            f"a path under {ohm_words(limits[path])} is a leak, by the leakage registered for "
            f"{registered.name}{_by(registered.source)}; {seen}"
        )
    if top.hypothesis < 0 or path == "CE":  # families state no limit of that path
        return ""
    structure = bench.library.hypotheses[top.hypothesis].structure
    tight, loose = structure.leak_limit_ohm
    if tight == loose:
        family = families()[structure.name]
        whose = f"by the limit of the family {family.name}{_by(family.source or family.basis)}"
        return f"a path under {ohm_words(tight)} is a leak, {whose}; {seen}"
    return (
        f"a path under {ohm_words(tight)} is a leak in power and small-signal families alike, one over "
        f"{ohm_words(loose)} in neither; {seen}"
    )


def _device(found: Answer, bench: Bench) -> Device:
    if len(bench.leads) == 2:
        structure = found.explanations[0].structure
        material = found.material
        return Device(found.kind, "", material or ("LED" if structure.startswith("LED") else ""), {})
    leads = {} if bench.named else dict(found.leads)
    return Device(found.kind, found.polarity, found.material, leads)


def _circumstances(bench: Bench, weighed: Weighed) -> next_test.Circumstances:
    part = weighed.readings
    return next_test.Circumstances(
        bench.turns, bench.leads, part.in_circuit, bench.library.has_ohms, bool(part.type)
    )


def _alternatives(
    found: Answer, bench: Bench, circumstances: next_test.Circumstances
) -> tuple[Alternative, ...]:
    """Other explanations, one for each set of faults or kind of part."""
    top, *rest = found.explanations
    out, told = [], {(top.faults, top.kind)}
    for e in rest:
        if e.probability < NAME_FROM or len(out) == MOST_ALTERNATIVES:
            break
        if e.hypothesis < 0:  # no explanation is none
            continue
        if (e.faults, e.kind) in told or (e.faults and e.faults in {f for f, _ in told}):
            continue
        told.add((e.faults, e.kind))
        told_leads = {} if bench.named or e.kind == "unknown" else e.leads
        polarity = "" if e.kind in ("unknown", "diode") else e.polarity
        device = Device(e.kind, polarity, e.material, told_leads)
        out.append(Alternative(e.faults, device, e.probability, next_test.decided_by(top, e, circumstances)))
    return tuple(out)


def _contradiction(found: Answer, bench: Bench, weighed: Weighed, registered: PartType | None) -> list[str]:
    """What the readings say against the marking, the polarity or the lead names as written."""
    part, top = weighed.readings, found.explanations[0]
    if top.hypothesis < 0:
        return []
    structure = bench.library.hypotheses[top.hypothesis].structure
    said = part.polarity or (registered.polarity if registered else "")
    out = []
    if registered is not None and not matches(structure, registered) and top.probability > 0.5:
        out.append(
            f"Reads as {explanation_words(replace(top, faults=()))}: the marking {part.type} does not fit, "
            "or the leads are in another order."
        )
    elif said and found.polarity and said != found.polarity:
        out.append(f"Reads as {found.polarity}, not {said}: the marking or the lead order does not fit.")
    if bench.named and len(bench.leads) == 3:
        moved = {lead: role for lead, role in found.leads.items() if role != lead}
        if moved:
            spelled = ", ".join(f"the lead called {lead} is {role}" for lead, role in sorted(moved.items()))
            out.append(f"The leads are not those: {spelled}.")
    if len(bench.leads) == 2 and bench.turns[top.arrangement].roles[0] == "E" and top.probability > 0.5:
        out.append("Anode and cathode are the other way round than written.")
    return out


def _warnings(found: Answer, bench: Bench, weighed: Weighed, registered: PartType | None) -> list[str]:
    part, top = weighed.readings, found.explanations[0]
    if top.hypothesis < 0:
        return ["No known explanation fits these readings: clean the leads and read them all again."]
    out = _contradiction(found, bench, weighed, registered)
    if part.refused:
        lost = ", ".join(part.refused)
        out.append(f"Not used as written: {lost}; the list of what was set aside says why.")
    out += gain_words(part.hfe, registered, len(bench.leads) == 2)
    if part.type and registered is None:
        out.append(f"Type {part.type} is not in the tables: judged by its family.")
    likely = [e for e in found.explanations if e.remark and e.probability >= 0.05]
    for e in likely[:1]:
        not_bjt = "Not a bipolar transistor, it seems: " if e is top and e.kind == "unknown" else ""
        remark = e.remark if not_bjt else e.remark[0].upper() + e.remark[1:]
        out.append(f"{not_bjt}{remark} like this{'' if e is top else ' too'}.")
    moving = any(r.settling for r in part.readings)
    if part.in_circuit:
        certain = "" if moving else f" {_certain(found, len(bench.leads) == 2)}"
        out.append(f"Read in circuit: every path beside the part counts in.{certain}".rstrip())
    if bench.library.meter.red_lead != "positive":
        out.append(
            "On many meters of this kind the black lead is the positive one: then NPN and PNP, anode and "
            "cathode change places."
        )
    if moving:
        out.append("A reading was still falling (a capacitor charging): wait until it stands and read again.")
    return out


def _certain(found: Answer, diode: bool) -> str:
    """What paths beside the part cannot change, and what they can."""
    if found.odd > 0.5:
        return ""
    paths = {"AK": found.paths["BE"]} if diode else found.paths
    words = {path: decide(p, found.odd) for path, p in paths.items()}
    firm = [f"{path[0]}-{path[1]} {word}" for path, word in words.items() if word != "undecided"]
    loose = [f"{path[0]}-{path[1]}" for path, word in words.items() if word == "undecided"]
    told = f"Certain all the same: {', '.join(firm)}." if firm else ""
    return " ".join(x for x in (told, f"Not certain: {', '.join(loose)}." if loose else "") if x)


def cannot_see(meter: Meter, visible_ohm: float, *, gain_read: bool = False) -> str:
    """What diode mode on this meter is blind to."""
    gain = "" if gain_read else "gain, "
    return (
        f"a leak above about {ohm_words(visible_ohm)}, breakdown below the rating, {gain}whatever shows only "
        f"hot or above {over_range_V(meter):.2g} V"
    )


def _next(
    verdict: str, found: Answer, bench: Bench, weighed: Weighed, visible_ohm: float, contradicts: bool,
    registered: PartType | None,
) -> str:  # fmt: skip
    """What to do next: replace, read a placement, lift a lead, or the test that decides."""
    top = found.explanations[0]
    if verdict == "good":
        told = bench.named or set(found.leads.values()) >= set("BCE")
        known = bool(gain_kind(weighed.readings.hfe))
        return next_test.good_next(visible_ohm, diode=top.kind == "diode", gain_read=known) + (
            "" if told else f" To tell {next_test.ORDER_TEST}."
        )
    part = weighed.readings
    if part.refused and not part.in_circuit and verdict == "undecided":
        return f"Give the {' and '.join(part.refused)} cell its unit or correct it, and judge again."
    if verdict != "undecided":
        return next_test.faulty_next(top.faults, verdict, power=top.kind != "diode")
    likely_good = decide(found.quality, found.odd) == "good"
    if weighed.readings.in_circuit and decide(found.quality, found.odd) in ("leaky", "shorted"):
        return _lift(found, bench)
    if any(r.settling for r in weighed.readings.readings) and likely_good:
        return "Wait until the meter stands still and read it again."
    if contradicts and likely_good:
        return "Check the marking and the order of the leads; then read the placements again."
    wanted = unproven(bench, weighed) if likely_good else []
    name, gain = (wanted[0], 1.0) if wanted else next_placement(bench, weighed)
    if name and gain > 0.01:
        red, black = name.split("-")
        return f"Read {name} (red lead on {red}, black on {black})."
    if weighed.readings.in_circuit and found.odd <= 0.5:
        return _lift(found, bench)
    if likely_good and gain_doubt(weighed.readings.hfe, registered):
        return "Read its gain again, leads as its sheet orders them; if it stays that low, replace it."
    rest = [e for e in found.explanations[1:] if e.faults != top.faults]
    for other in sorted(rest, key=lambda e: bool(e.faults) == bool(top.faults)):  # good against bad first
        text = next_test.decided_by(top, other, _circumstances(bench, weighed))
        if text:
            return text[0].upper() + text[1:] + "."
    return "Clean the leads and read all placements again; then read them on the ohms range as well."


def _lift(found: Answer, bench: Bench) -> str:
    """Which lead to lift: the one that most of the doubtful paths share."""
    if len(bench.leads) == 2:
        return "Lift one lead off the board and read A-K again, both ways: what stays is the part's own."
    doubtful = [path for path, p in found.paths.items() if 0.02 < p["good"] < 0.98]
    count = {role: sum(role in path for path in doubtful) for role in "BEC"}
    role = max(count, key=count.__getitem__)
    lead_of = dict(zip(bench.turns[found.explanations[0].arrangement].roles, bench.leads, strict=False))
    lead = role if bench.named else f"{lead_of[role]} (taken for the {_ROLE_WORDS[role]})"
    paths = [x for x in doubtful if role in x] or [x for x in found.paths if role in x]
    spelled = " and ".join(f"{lead_of[x[0]]}-{lead_of[x[1]]}" for x in paths)
    return f"Lift lead {lead} off the board and read {spelled} again: what stays is the part's own."


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
    unread = among or [name for k, name in enumerate(bench.placements) if weighed.state[k] == MISSING]
    if not unread:
        return "", 0.0
    junctions = [name for name in unread if "B" in name]
    base = np.array([t.roles.index("B") * 2 + (t.polarity == "PNP") for t in bench.turns])
    what = base[:, None] * len(bench.known.groups) + bench.known.group[None, :-1]
    gain = next_test.expected_information(bench.outcomes, weighed.p, bench.turns, what)
    most = float(max(gain[bench.at[name]] for name in unread))
    three = bench.named and len(bench.leads) == 3
    if three and max((gain[bench.at[n]] for n in junctions), default=0.0) > 0.01:
        unread = junctions
    best = max(unread, key=lambda name: gain[bench.at[name]])
    return best, most


def part_verdict(
    weighed: Weighed,
    bench: Bench,
    registered: PartType | None,
    visible_ohm: float,
    temp_missing: bool,
) -> PartVerdict:
    """Verdict of one part.

    Parameters
    ----------
    weighed : Weighed
    bench : Bench
    registered : PartType or None
        Registered type of the part.
    visible_ohm : float
        Largest leak this meter shows [ohm].
    temp_missing : bool

    Returns
    -------
    PartVerdict
    """
    found, part = weighed.found, weighed.readings
    top: Explanation = found.explanations[0]
    verdict = decide(found.quality, found.odd)
    contradiction = _contradiction(found, bench, weighed, registered)
    doubt = doubt_of(verdict, found, bench, weighed, registered, bool(contradiction))
    if doubt:
        verdict = "undecided"
    limit_V = rules()["short_below"].value * 1e-3
    paired = evidence(found, part.readings, bench.turns, bench.leads, weighed.ohms, limit_V, part.in_circuit)
    whole = [sentence for path, sentence in paired if not path]
    sound = whole and (doubt or verdict == "good")
    said = tuple(whole) if sound else tuple(sentence for _, sentence in paired)
    if doubt:
        said = (f"{doubt[0].upper()}{doubt[1:]}.", *said)
    if not part.readings:
        said = ("No readings.",)
    unused = bool(doubt) and bool(part.refused)
    faults = top.faults if verdict != "good" and top.hypothesis >= 0 and not unused else ()
    if unused:  # what the odds say without those readings would only mislead
        said = said[:1]
    result = PartVerdict(
        part.part,
        verdict,
        found.quality,
        _device(found, bench),
        _junctions(found, bench, weighed, registered, dict(paired)),
        faults,
        _alternatives(found, bench, _circumstances(bench, weighed)),
        said,
        _next(verdict, found, bench, weighed, visible_ohm, bool(contradiction), registered),
        cannot_see(
            bench.library.meter, visible_ohm, gain_read=len(bench.leads) == 2 or not isnan(part.hfe)
        ),
        tuple(_warnings(found, bench, weighed, registered)),
        (),
        "readings",
        part.type,
        REFERENCE_TEMP_C if temp_missing else part.temp_C,
        not temp_missing,
        part.in_circuit,
        faults_probability=found.fault_probability.get(top.faults, 0.0),
        doubt=doubt if verdict == "undecided" else "",
    )
    return replace(result, neighbours=neighbours(result, registered.family if registered else ""))
