"""What comes next: the placement that tells most, the lead to lift, the test that separates explanations."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np

from junction.base.units import listed
from junction.judge.mixture import MISSING
from junction.judge.results import Step, Verdict, decide, next_step
from junction.leads.explain import Explanation, Weighed, between
from junction.leads.hypotheses import PATHS
from junction.shelf.tables import rule

#: Cells of the posterior below this share of the largest are left out of the look ahead.
_LEAST = 1e-4


def decided(quality: Mapping[str, float], odd: float) -> Verdict:
    """Verdict by the 95 % rule, and undecided where no explanation fits."""
    return decide(quality.values()) if odd <= 0.5 else Verdict.UNDECIDED


def unproven(w: Weighed) -> list[str]:
    """Placements that show each junction forward in diode mode, where they were not read."""
    order = w.bench.order[w.explanations[0].arrangement]
    wanted = order[:2] if len(w.bench.leads) == 2 else order[[0, 2]]
    return [w.bench.placements[k] for k in wanted if w.state[k] == MISSING]


def unread(w: Weighed) -> list[str]:
    """Placements that a good part must have been read in, and was not: all, backward on ohms if wished."""
    either = (w.state[:6] == MISSING) & (w.state[6:] == MISSING)
    rest = [name for name, missing in zip(w.bench.placements, either, strict=False) if missing]
    return list(dict.fromkeys((*unproven(w), *rest)))


def half_read(w: Weighed) -> list[str]:
    """Reverse placements that a leak stands or falls with, where every path said to leak reads as a junction.

    What one way drops as a junction does may be one of another kind: only the other way shows a leak.
    """
    top = w.explanations[0]
    lead = w.bench.lead_of(top.arrangement)
    leaks = [fault[:2] for fault in top.faults if fault.endswith("leaky")]
    pairs = [between(w.readings.readings, lead[path[0]], lead[path[1]]) for path in leaks]
    one_way = [pair for pair in pairs if pair.junction and pair.unread]
    return [name for pair in one_way for name in pair.unread] if len(one_way) == len(pairs) else []


def settled(w: Weighed, gain: float) -> bool:
    """Whether one more placement, worth `gain` [nat], hardly changes what a part seems to be."""
    likely = decided(w.quality, w.odd)
    shown = likely != Verdict.GOOD or not unproven(w)
    return likely != Verdict.UNDECIDED and shown and gain < rule("leads_settled")


def lift(w: Weighed) -> Step:
    """Which leads to lift: the one that most of what is suspected lies at, and another if need be."""
    bench, lifted = w.bench, w.readings.lifted
    if len(bench.leads) == 2:
        return next_step("leads_next_lift_diode", "says", lead=bench.leads[1])
    bad = w.p @ (1 - bench.paths[:, :, 0])  # by arrangement and path
    suspected: dict[frozenset[str], float] = dict.fromkeys(map(frozenset, combinations(bench.leads, 2)), 0.0)
    for a in range(len(bench.roles)):
        lead_of = bench.lead_of(a)
        for k, path in enumerate(PATHS):
            suspected[frozenset(lead_of[end] for end in path)] += float(bad[a, k])
    standing = [lead for lead in bench.leads if lead not in lifted]
    away: list[str] = []
    for _ in range(len(standing) - 1):
        left = {pair: p for pair, p in suspected.items() if not pair & {*lifted, *away}}
        if away and max(left.values(), default=0.0) <= 1 - rule("conformity_good"):
            break
        rest = [lead for lead in standing if lead not in away]
        at = {lead: sum(p for pair, p in left.items() if lead in pair) for lead in rest}
        away.append(max(at, key=at.__getitem__))
    option = " ".join((*lifted, *away))
    return next_step("leads_next_lift", "says", leads=listed(away), more=len(away) > 1, option=option)


def decided_by(w: Weighed, one: Explanation, other: Explanation) -> Step:
    """Measurement that tells two explanations of the same readings apart, '' where there is none to name."""
    if w.readings.in_circuit:
        return next_step("leads_decide_circuit", "says")
    if -1 in (one.hypothesis, other.hypothesis):
        return next_step("leads_decide_odd", "says")
    bad = []  # of each, what is wrong between which leads
    for e in (one, other):
        lead_of = w.bench.lead_of(e.arrangement)
        words = (f.split() for f in e.faults)
        bad.append({"-".join(sorted(lead_of[end] for end in path)): word for path, word in words})
    joint = sorted(pair for pair in {*bad[0], *bad[1]} if bad[0].get(pair) != bad[1].get(pair))
    differ, opened = set(one.faults) != set(other.faults), "open" in {*bad[0].values(), *bad[1].values()}
    devices = {one.kind.device, other.kind.device}
    built_in = any("resistor" in e.kind.name and not e.faults for e in (one, other))
    if "diode" in devices:
        reason = "leads_decide_diode"
    elif built_in and differ and not opened:
        reason = "leads_decide_built_in_read" if w.bench.has_ohms else "leads_decide_built_in"
    elif "unknown" in devices:
        reason = "leads_decide_unknown"
    elif differ and not joint:
        reason = "leads_decide_same_leads"
    elif differ and opened:
        reason = "leads_decide_open"
    elif differ:
        reason = "leads_decide_leakage" if w.bench.has_ohms else "leads_decide_ohms"
    else:
        reason = "leads_decide_type" if one.kind.name != other.kind.name else ""
    if not reason:
        return Step("")
    return next_step(reason, "says", paths=" and ".join(joint), typed=bool(w.readings.type))


def next_placement(w: Weighed, among: Sequence[str] = ()) -> tuple[str, float]:
    """Placement to read next, and what the best of all tells about faults, polarity and base [nat].

    With the leads known the two junctions are finished before anything is asked across them.

    Parameters
    ----------
    w : Weighed
    among : sequence of str
        Placements that may be asked for; those without a reading by default.
    """
    bench, cells = w.bench, w.p[:, :-1]
    unread = list(among) or [name for name, s in zip(bench.placements, w.state, strict=False) if s == MISSING]
    if not unread:
        return "", 0.0
    base = bench.roles[0][0]  # or the anode
    at = np.array([2 * r.index(base) for r in bench.roles]) + (np.array(bench.polarity) == "PNP")
    what = at[:, None] * len(bench.groups) + bench.group[None, :-1]  # the answer each cell stands for
    a, h = np.nonzero(cells > _LEAST * cells.max())
    weight = cells[a, h] / cells[a, h].sum()
    gain = {}  # entropy of the answer minus its expected entropy after the reading
    for actual, name in enumerate(bench.placements):
        canonical = np.argmax(bench.order[a] == actual, axis=1)
        joint = np.zeros((int(what.max()) + 1, bench.outcomes.shape[2]))
        np.add.at(joint, what[a, h], weight[:, None] * bench.outcomes[h, canonical])
        chance = joint.sum(axis=0) * joint.sum(axis=1, keepdims=True)
        told = joint > 0
        gain[name] = float(np.sum(joint[told] * np.log(joint[told] / chance[told])))
    most = max(gain[name] for name in unread)
    junctions = [name for name in unread if "B" in name]
    if len(bench.leads) == 3 and max((gain[name] for name in junctions), default=0.0) > rule("leads_ask"):
        unread = junctions
    return max(unread, key=gain.__getitem__), most
