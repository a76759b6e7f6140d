"""Meter readings of parts to verdicts: what it is, how sure, what stands against it, what next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache, partial
from math import inf, isfinite, isnan, nan

from junction.base.records import Interval, PartReadings, plain_name, split_placement
from junction.base.units import REFERENCE_TEMP_C, listed
from junction.judge.results import (
    QUALITIES,
    Alternative,
    Device,
    Finding,
    JunctionVerdict,
    PartVerdict,
    Step,
    Verdict,
    next_step,
    part_verdict,
    registered_leak,
    say,
    type_note,
)
from junction.leads.ask import decided, decided_by, half_read, lift, next_placement, unproven, unread
from junction.leads.bench import (
    Types,
    bench_for,
    bench_group,
    lead_set,
    over_range_V,
    stands_in_circuit,
    visible_leak_ohm,
)
from junction.leads.entries import Prepared, asks, prepare, slip, together
from junction.leads.explain import (
    Weighed,
    capital,
    evidence,
    explanation_words,
    fault_words,
    gain_kind,
    is_called,
    of_path,
    ohm_words,
    weigh_parts,
)
from junction.leads.held import leak_limit, unseen_path
from junction.leads.hypotheses import leak_limits_ohm, matches, prior
from junction.shelf.names import number_says
from junction.shelf.tables import Meter, PartType, families, rule
from junction.shelf.types import near_types


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
    ready = [prepare(part, meter) for part in parts]
    others = [k for k, one in enumerate(ready) if not lead_set(one.part.readings)]
    if others:
        from junction.leads.whole import judge_whole

        verdicts |= zip(others, judge_whole([ready[k] for k in others], types), strict=True)
    for k, one in enumerate(ready):
        if k in verdicts:
            continue
        groups.setdefault((one.meter, *bench_group(one.part)), []).append(k)
    for (taken, *_), members in groups.items():
        some = [ready[k].part for k in members]
        bench = bench_for(taken, some, types=types)
        for k, weighed in zip(members, weigh_parts(bench, some, types), strict=True):
            verdicts[k] = judge_one(weighed, ready[k])
    return [verdicts[k] for k in range(len(parts))]


def judge_one(w: Weighed, ready: Prepared | None = None) -> PartVerdict:
    """Verdict of one weighed part; `ready` holds what must be asked about its readings."""
    bench, part, top = w.bench, w.readings, w.explanations[0]
    likely = decided(w.quality, w.odd)
    contradiction = _contradiction(w)
    asked = list(ready.questions) if ready else []
    if not asked and likely != Verdict.GOOD and not w.readings.in_circuit and (one := slip(w)):
        asked = [one]
    told = evidence(w)
    stands = asked[0].finding if asked else _doubt(w, likely, bool(contradiction), told)
    doubt = together(asked) if asked else stands.says() if stands else ""
    verdict = Verdict.UNDECIDED if doubt else likely
    whole = [finding for finding in told if not finding.where]
    said = [finding.says() for finding in (whole if whole and (doubt or verdict == "good") else told)]
    if doubt:
        said = [f"{capital(doubt)}.", *said]
    if not part.readings:
        said = [say("leads_no_readings")]
    faults = top.faults if verdict != Verdict.GOOD and top.hypothesis >= 0 else ()
    # what the odds say without those readings would only mislead
    asking = stands is not None and stands.reason in ("leads_doubt_one_way", "whole_doubt_two")
    if doubt and (part.refused or asked or asking):
        said, faults = said[:1], ()
    two = len(bench.leads) == 2
    material = w.device.material or ("LED" if top.kind.name.startswith("LED") else "")
    polarity, leads = "" if two else w.device.polarity, {} if bench.named else w.device.leads
    other = top.kind.test and not top.faults and top.probability > rule("leads_kind_named")
    device = Device(w.device.kind, polarity, material, leads, top.kind.called if other else "")
    cannot_see = say(
        "leads_cannot_see", ohm=ohm_words(visible_leak_ohm(bench.meter)), over_V=over_range_V(bench.meter),
        gain=not two and isnan(part.hfe),
    )  # fmt: skip
    return part_verdict(
        part.part, verdict, w.quality.values(), device, _junctions(w, told),
        w.type_.family if w.type_ else "", faults=faults, alternatives=_alternatives(w),
        evidence=tuple(said), next=asks(asked) or _next(w, verdict, likely, bool(contradiction)),
        cannot_see=cannot_see, warnings=(*(ready.notes if ready else ()), *_warnings(w, contradiction)),
        basis="readings", type=part.type, temp_known=not isnan(part.temp_C), in_circuit=part.in_circuit,
        temp_C=REFERENCE_TEMP_C if isnan(part.temp_C) else part.temp_C,
        faults_probability=w.faults_probability, doubt=doubt, decides=stands or _decides(w, verdict, told),
    )  # fmt: skip


def _decides(w: Weighed, verdict: Verdict, told: Sequence[Finding]) -> Finding | None:
    """The finding that decided where nothing stands against the odds.

    Of a bad part its fault, of an undecided one the path that is least settled, of a good one the drop
    nearest an end of its window.
    """
    if not w.readings.readings:
        return Finding("", "leads_no_readings")
    if verdict == Verdict.GOOD:
        drops = [f for f in told if f.quantity == "drop_V" and isfinite(f.low) and isfinite(f.high)]
        inside = [(min(f.value.value - f.low, f.high - f.value.value) / (f.high - f.low), f) for f in drops]
        return min(inside, key=lambda one: one[0])[1] if inside else next(iter(told), None)
    by_path = {f.where: f for f in reversed(told)}
    if verdict == Verdict.UNDECIDED:
        odd = {f.where for f in told if f.where and f.reason not in ("leads_junction", "leads_no_path")}
        if not odd and (missing := unread(w)):
            return Finding("", "leads_unread", numbers={"unread": listed(missing)})
        among = [path for path in w.paths if path in (odd or by_path)]
        least = min(among, key=lambda path: max(w.paths[path].values()), default="")
        return by_path.get(least) or next(iter(told), None)
    # of several the one that the explanations share, not the one that only the likeliest holds
    faults = [f.split() for f in w.explanations[0].faults]
    bad = [path for path, word in sorted(faults, key=lambda f: (f[1] != verdict, -w.paths[f[0]][f[1]]))]
    # two leads shorted together: which path of the part that is, may not be settled
    whole = [f for f in told if not f.where and verdict == Verdict.SHORTED]
    return next(iter([*whole, *(by_path[path] for path in bad if path in by_path), *told]), None)


def _doubt(w: Weighed, likely: Verdict, contradicts: bool, told: Sequence[Finding]) -> Finding | None:
    """What stands against a verdict that the probabilities alone would give; None where nothing does.

    Likely is not shown: a junction is good when it was seen to conduct, the meter stood still and the part
    is what it says; and in circuit a path beside a part does what a leak or a short of its own does.
    """
    part, bench, good = w.readings, w.bench, likely == Verdict.GOOD
    conducts = likely in (Verdict.LEAKY, Verdict.SHORTED)  # what conducts too well does so all the same
    named, inside = sum(w.by_test.values()), _inside(w)
    lost = [name for name in part.refused if name in bench.placements]
    other = False
    if w.type_ is not None and likely in (Verdict.GOOD, Verdict.UNDECIDED):
        sound = w.p.sum(axis=0)[:-1] * bench.quality[:-1, 0]
        fitting = sound[[matches(kind, w.type_) for kind, *_ in bench.hypotheses[:-1]]].sum()
        other = sound.sum() > rule("leads_other_good") and fitting < 0.5 * sound.sum()
    half = half_read(w)
    missing, moving = half or unread(w), [r.placement for r in part.readings if r.settling]
    gain, least = _gain_doubt(w)
    against = {
        "leads_doubt_circuit": likely not in (Verdict.GOOD, Verdict.UNDECIDED) and not _own(w),
        "leads_doubt_warm": likely == Verdict.LEAKY and _warm(w),
        "leads_doubt_inside": likely == Verdict.OPEN and inside,
        "leads_doubt_one_way": likely == Verdict.LEAKY and half,
        "leads_doubt_refused": lost and not conducts,
        "leads_doubt_type": other,
        "leads_doubt_kind": likely in (Verdict.GOOD, Verdict.UNDECIDED) and named > rule("leads_kind_named"),
        "leads_doubt_marking": good and contradicts,
        "leads_doubt_unread": good and missing,
        "leads_doubt_falling": good and moving,
        gain: good and gain and len(bench.leads) == 3,
    }
    reason = next((reason for reason, holds in against.items() if holds), "")
    if not reason:
        return None
    finding = Finding("", reason)
    if reason in ("leads_doubt_circuit", "leads_doubt_warm", "leads_doubt_inside"):  # of what was measured
        seen = _decides(w, likely, told)
        finding = replace(seen, reason=reason) if seen else finding
    elif reason == gain:
        finding = Finding("", reason, "h_FE", Interval(part.hfe, unit="1"), least if least == least else -inf)
        finding.limit_from = w.type_.source if w.type_ and least == least else ""
    finding.numbers = {
        "lost": listed(lost),
        "typed": ", ".join(part.refused_as) if len(lost) == len(part.refused) else "",
        "many_lost": len(lost) > 1, "unread": listed(missing),
        "moving": ", ".join(moving), "many_unread": len(missing) > 1,
        "quality": max(QUALITIES[1:], key=lambda q: w.quality[q]), "kind": _likely_kind(w),
        "temp": part.temp_C, "type": part.type, "hfe": part.hfe, "least": least, "about": "", "drop": "",
        **finding.numbers,
    }  # fmt: skip
    return finding


def _own(w: Weighed) -> bool:
    """Whether what is wrong is the part's own: out of circuit, or seen at a lead that was lifted.

    With one lead lifted only a path that reads both ways at that lead is no matter of the board, and only
    where the leads are known for a bipolar transistor's: the gate of another kind of part has such a path.
    """
    part, top = w.readings, w.explanations[0]
    if not stands_in_circuit(part):
        return True
    if not (w.bench.named or w.type_) or not top.faults or any(f.endswith("open") for f in top.faults):
        return False
    lead_of = w.bench.lead_of(top.arrangement)
    shown = {r.placement for r in part.readings if r.kind != "over"}
    ends = [(lead_of[f[0]], lead_of[f[1]]) for f in top.faults]
    return all({a, b} & {*part.lifted} and {f"{a}-{b}", f"{b}-{a}"} <= shown for a, b in ends)


def _warm(w: Weighed) -> bool:
    """Whether a part is germanium and so warm that its leakage says nothing of it."""
    return w.explanations[0].kind.material == "germanium" and w.readings.temp_C > rule("leads_warm")


def _inside(w: Weighed) -> bool:
    """Whether a high drop, which is no open junction yet, is all that stands against a part."""
    top = w.explanations[0]
    return bool(top.faults) and any(f.reason == "leads_resistance_inside" for f in evidence(w))


def _likely_kind(w: Weighed) -> str:
    """The likeliest kind of part that is named and not judged, in words."""
    named = [e for e in w.explanations if e.kind.test]
    return explanation_words(replace(named[0], faults=(), polarity="")) if named else ""


def _gain_doubt(w: Weighed) -> tuple[str, float]:
    """Why a gain reading stands against a good part, '' where it does not, and the least registered h_FE [1].

    Sockets use other currents than sheets, so a part is let pass some way below the least registered.
    """
    hfe, limits = w.readings.hfe, w.type_.find("h_FE") if w.type_ else ()
    least = min((x.low for x in limits if x.low > 0), default=nan)
    if hfe < rule("leads_gain_of_least") * least:
        return "leads_doubt_gain_type", least
    return "leads_doubt_gain" if hfe < rule("leads_gain_shows") else "", least


def _junctions(w: Weighed, told: list[Finding]) -> tuple[JunctionVerdict, ...]:
    """Verdict of every path, with the finding it rests on and the limit it is held to."""
    top = w.explanations[0]
    faults = {f.split()[0]: f for f in top.faults if " " in f}
    family = w.type_.family if w.type_ else top.kind.name if len(w.bench.leads) == 2 else top.kind.material
    out = []
    for path, p in w.paths.items():
        word = decided(p, w.odd)
        own = (faults[path],) if path in faults and word != "good" else ()
        finding = next((f for f in told if f.where == path), None)
        said, held = (finding.says(),) if finding else (), ()
        if finding is None and own and word == Verdict.SHORTED:  # told of the leads as a whole
            finding = of_path(path, word, w, w.bench.lead_of(top.arrangement))
        drop = finding and (finding.quantity == "drop_V" or finding.reason == "leads_no_path")
        if drop and word in ("good", "undecided"):
            type_ = w.type_ if w.type_ and matches(top.kind, w.type_) else None
            limits, own_limit = leak_limit(top.kind, type_, path), type_ is not None
            ends = finding.numbers["ends"]
            one_way = {r.placement for r in w.readings.readings if r.kind == "over"}
            if limits[0] == limits[0] and one_way & {"-".join(ends), "-".join(ends[::-1])}:
                held = (unseen_path(path, ends, limits, w.bench.meter, own=own_limit),)
        out.append(JunctionVerdict(
            path, word, p, own, said, None, w.ohms.get(path), None, family, _limit_words(w, path), finding,
            held,
        ))  # fmt: skip
    return tuple(out)


def _limit_words(w: Weighed, path: str) -> str:
    """The limit a path is held to, what it rests on, and what of it this meter's diode mode can see."""
    kind, visible = w.explanations[0].kind, visible_leak_ohm(w.bench.meter)
    own = w.type_ is not None and path in leak_limits_ohm(w.type_)
    if not own and w.explanations[0].hypothesis < 0:
        return ""
    low, high, name, source = leak_limit(kind, w.type_, path)
    if low != low:
        return ""
    if own:
        reason = "leads_limit_type" if low >= visible else "leads_limit_breakdown"
    else:
        reason = "leads_limit_families" if low < high else "leads_limit_family"
    ohms = {"ohm": low, "loose": high, "visible": visible}
    return say(reason, name=name, source=source, **{field: ohm_words(x) for field, x in ohms.items()})


def _alternatives(w: Weighed) -> tuple[Alternative, ...]:
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
        leads = {} if w.bench.named or device == "unknown" else e.leads
        polarity = e.polarity if e.kind.transistor else ""
        seems = Device(device, polarity, e.kind.material, leads, e.kind.called if e.kind.test else "")
        out.append(Alternative(e.faults, seems, e.probability, decided_by(w, top, e)))
    return tuple(out)


@cache
def _near(name: str) -> tuple[PartType, ...]:
    """Registered types that differ from a name by letters at its end; () where nothing is written."""
    key = plain_name(name)
    return tuple(t for t in near_types(name) if plain_name(t.name).startswith(key)) if key else ()


def _contradiction(w: Weighed) -> list[str]:
    """What the readings say against the marking, the polarity or the lead names as written."""
    bench, part, top, out = w.bench, w.readings, w.explanations[0], []
    if top.hypothesis < 0:
        return []
    numbered = number_says(part.type) if part.type and w.type_ is None else None
    written = part.polarity or getattr(w.type_ or numbered, "polarity", "")
    other = not matches(top.kind, w.type_) if w.type_ else False
    if numbered and numbered.kinds:
        other = not is_called(top.kind, numbered.kinds)
    elif numbered and numbered.material and top.kind.material and top.kind.device != "unknown":
        other = numbered.material != top.kind.material
    if other and top.probability > 0.5:
        words = explanation_words(replace(top, faults=()))
        out.append(say("leads_not_type", explanation=words, type=part.type))
    elif written and w.device.polarity and written != w.device.polarity:
        out.append(say("leads_not_polarity", polarity=w.device.polarity, written=written))
    near = [t for t in _near(part.type) if w.type_ is None and t.polarity]
    if near and w.device.polarity and all(t.polarity != w.device.polarity for t in near):
        names = listed([t.name for t in near])
        out.append(say("leads_not_near", near=names, polarity=w.device.polarity, written=near[0].polarity))
    roles = sorted(w.device.leads.items())
    moved = [say("leads_moved_one", lead=lead, role=role) for lead, role in roles if role != lead]
    if bench.named and len(bench.leads) == 3 and moved:
        out.append(say("leads_moved", moved=", ".join(moved)))
    if len(bench.leads) == 2 and bench.roles[top.arrangement][0] == "K" and top.probability > 0.5:
        out.append(say("leads_reversed"))
    return out


def _warnings(w: Weighed, contradiction: list[str]) -> list[str]:
    """What the reader must know beside the verdict."""
    part, top, two = w.readings, w.explanations[0], len(w.bench.leads) == 2
    if top.hypothesis < 0:
        return [say("leads_odd")]
    doubt, least = _gain_doubt(w)
    likely = [e for e in w.explanations if e.kind.reads_as and e.probability >= rule("leads_remark")]
    first = likely[0] if likely else top
    no_transistor = first is top and top.kind.device == "unknown"
    moving = any(r.settling for r in part.readings)
    germanium, unknown = _germanium(w), part.type and w.type_ is None
    told = number_says(part.type) if unknown else None
    family = told if told and told.kinds else None
    note = "" if family else type_note(part.type, w.type_, reason="leads_type_unknown")
    words = {f"{path[0]}-{path[1]}": decided(p, w.odd) for path, p in w.paths.items()}
    # in circuit: what paths beside the part cannot change, and what they can
    told = words.items() if not moving and w.odd <= 0.5 else ()
    firm = [f"{path} {word}" for path, word in told if word != Verdict.UNDECIDED]
    loose = [path for path, word in told if word == Verdict.UNDECIDED]
    reasons = {
        "leads_refused": part.refused,
        "leads_gain_diode": two and not isnan(part.hfe),
        "leads_gain_low": not two and doubt,
        "leads_gain_socket": not two and not doubt and part.hfe < least,
        "leads_type_number": family is not None,
        note: note,
        "leads_not_bipolar": likely and no_transistor,
        "leads_reads_like": likely and not no_transistor,
        "leads_in_circuit": part.in_circuit,
        "leads_red_negative": w.bench.meter.red_lead != "positive",
        "leads_falling": moving,
        "leads_germanium": germanium,
    }
    values = {
        "names": "; ".join(part.refused_why or part.refused), "hfe": part.hfe, "least": least,
        "type": part.type,
        "says": family.says if family else "",
        "reads": first.kind.reads_as if no_transistor else capital(first.kind.reads_as),
        "sure": f"{first.probability:.0%}", "too": first is not top, "firm": ", ".join(firm),
        "loose": ", ".join(loose),
    } | germanium  # fmt: skip
    said = (reason if reason == note else say(reason, **values) for reason, holds in reasons.items() if holds)
    return [*contradiction, *said]


def _germanium(w: Weighed) -> dict[str, object]:
    """What leakage from collector to emitter is normal for a germanium transistor, base open; {} for others.

    I_CEO = (h_FE + 1) I_CBO, from what is registered for the type, else from its family's limit and the gain
    that was read or that such parts have; it doubles every so many kelvin.
    """
    top, part = w.explanations[0], w.readings
    if top.kind.material != "germanium" or not top.kind.transistor or top.faults:
        return {}
    leak = registered_leak(w.type_, "BC") if w.type_ else None
    gains = [x.high for x in w.type_.find("h_FE") if isfinite(x.high)] if w.type_ else []
    family = families()[top.kind.leak_families.split(" + ")[-1]]
    icbo = leak[0] if leak else family.leak_max_A
    gain = part.hfe if part.hfe == part.hfe else max(gains, default=prior("germanium_bf"))
    temp = REFERENCE_TEMP_C if isnan(part.temp_C) else part.temp_C
    icbo *= 2 ** ((temp - REFERENCE_TEMP_C) / rule("leads_germanium_doubling"))
    return {"icbo": icbo, "gain": gain, "iceo": (gain + 1) * icbo, "temp": temp,
            "source": leak[2] if leak else f"limit of the family {family.name}"}  # fmt: skip


def _next(w: Weighed, verdict: Verdict, likely: Verdict, contradicts: bool) -> Step:
    """What to do next: replace, read a placement, lift a lead, or the test that decides."""
    bench, top, part = w.bench, w.explanations[0], w.readings
    step = partial(next_step, column="says")
    transistor, good = top.kind.device != "diode", likely == Verdict.GOOD
    if verdict == Verdict.GOOD:
        return step(
            "leads_next_good", kohm=visible_leak_ohm(bench.meter) / 1e3, transistor=transistor,
            gain=bool(gain_kind(part.hfe)), placed=bench.named or set(w.device.leads.values()) >= set("BCE"),
        )  # fmt: skip
    wanted = (unproven(w) or unread(w)) if good else []
    name, gain = (wanted[0], 1.0) if wanted else next_placement(w)
    if verdict != Verdict.UNDECIDED:
        if name and unread(w) and w.faults_probability < rule("leads_place_sure"):
            red, black = split_placement(name)
            return step("leads_next_read", name=name, red=red, black=black)
        if part.in_circuit:
            return step("leads_next_own", faults=fault_words(top.faults))
        return step(f"leads_next_{verdict}" if transistor else "leads_next_small")
    if part.refused and not part.in_circuit:
        return step("leads_next_refused", names=listed(part.refused), why="; ".join(part.refused_why))
    if stands_in_circuit(part) and likely not in (Verdict.GOOD, Verdict.UNDECIDED):
        return lift(w)
    if any(r.settling for r in part.readings) and good:
        return step("leads_next_falling")
    if contradicts and good:
        return step("leads_next_marking")
    if likely == Verdict.LEAKY and _warm(w):
        return step("leads_next_warm")
    if likely == Verdict.OPEN and _inside(w):
        return step("leads_next_inside")
    if likely == Verdict.LEAKY and (half := half_read(w)):
        name, gain = half[0], 1.0
    if name and gain > rule("leads_ask"):
        red, black = split_placement(name)
        return step("leads_next_read", name=name, red=red, black=black)
    if stands_in_circuit(part):
        return lift(w)
    if w.by_test:
        test, p = max(w.by_test.items(), key=lambda item: item[1])
        if p > 1 - rule("conformity_good"):
            return step(test)
    if good and _gain_doubt(w)[0]:
        return step("leads_next_gain_doubt")
    rest = [e for e in w.explanations[1:] if e.faults != top.faults]
    rest.sort(key=lambda e: bool(e.faults) == bool(top.faults))  # good against bad first
    told = next(filter(None, (decided_by(w, top, other) for other in rest)), None)
    if told is None:
        return step("leads_next_all_again")
    return Step(f"{capital(told)}.", told.reason, told.numbers)
