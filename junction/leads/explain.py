"""From the readings of parts to what explains them: which lead is which, what is wrong, and how that is told.

What a written type, a polarity, named leads or a gain make likely before the meter speaks comes in as a
factor of each (arrangement, hypothesis) cell; Bayes' rule does the rest.  The marginals of a part are what
can be said of it, and its readings are told path by path, in the words of the bench, as the likeliest
explanation takes them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import isfinite, isinf, isnan, log, nan
from types import SimpleNamespace

import numpy as np

from junction.base.records import Interval, PartReadings, Reading
from junction.base.units import NORMAL_95, listed, nominal, si
from junction.judge.mixture import OVER, VALUE, Mixture, posterior
from junction.judge.results import QUALITIES, Device, Finding, say
from junction.leads.bench import Bench, Types, reading_table
from junction.leads.held import driven_A, drop_window, hold_drop, hold_path, hold_short, leak_limit
from junction.leads.hypotheses import PATH_AT, PATH_COLUMNS, PATHS, kinds, matches, prior
from junction.shelf.names import number_family
from junction.shelf.tables import PartType, rule

#: Parts that are weighed at once.
_CHUNK = 200


@dataclass(frozen=True)
class Explanation:
    """One way to explain the readings: the same kind of part with the same faults, lead orders joined."""

    faults: tuple[str, ...]
    kind: SimpleNamespace
    polarity: str  # '' where both fit
    leads: dict[str, str]  # only what is settled within this explanation
    probability: float
    hypothesis: int  # most probable cell; -1 where none fits
    arrangement: int


@dataclass(frozen=True, eq=False)
class Weighed:
    """One part weighed: the posterior and its marginals."""

    bench: Bench
    readings: PartReadings
    type_: PartType | None  # registered, of what is written on it
    p: np.ndarray  # (A, H + 1)
    value: np.ndarray  # (12,)
    state: np.ndarray  # (12,)
    log_factor: np.ndarray  # (A, H + 1) of what is written, before any reading
    quality: dict[str, float]
    paths: dict[str, dict[str, float]]
    explanations: tuple[Explanation, ...]  # most probable first
    faults_probability: float  # of the faults of the first, whatever kind of part has them
    device: Device  # what is settled of it, whatever is wrong
    odd: float
    by_test: dict[str, float]  # probability of the sound kinds that each test would show
    ohms: dict[str, Interval]  # of every short or leak of the first explanation


def weigh_parts(bench: Bench, parts: Sequence[PartReadings], types: Types | None = None) -> list[Weighed]:
    """Posterior and marginals of parts that share a bench.

    Parameters
    ----------
    bench : Bench
    parts : sequence of PartReadings
    types : callable, optional
        Written type -> registered type or None.
    """
    value, state = reading_table(parts, bench.placements, bench.predictions.ceiling[0])
    found: list[Weighed] = []
    factors: dict[tuple[str, str, str], tuple[PartType | None, np.ndarray]] = {}
    for first in range(0, len(parts), _CHUNK):
        chunk = slice(first, first + _CHUNK)
        evidence = log_evidence(bench, value[chunk], state[chunk])
        for k, part in enumerate(parts[chunk]):
            key = part.type, part.polarity, gain_kind(part.hfe), part.discharged, part.lifted
            if key not in factors:
                registered = types(part.type) if types is not None and part.type else None
                written = _log_factor(bench, part, registered)
                factors[key] = registered, bench.log_prior[:, None] + written
            registered, factor = factors[key]
            p = posterior(evidence[k] + factor, axis=(0, 1))
            found.append(_marginals(bench, part, registered, p, value[first + k], state[first + k], factor))
    return found


def log_evidence(bench: Bench, value: np.ndarray, state: np.ndarray) -> np.ndarray:
    """Log of prior times likelihood of every arrangement and hypothesis, (n, A, H + 1).

    Parameters
    ----------
    bench : Bench
    value, state : ndarray (n, 12)
        As `reading_table` gives them.
    """
    order = np.concatenate([bench.order, bench.order + 6], axis=1)
    value, state = (x[:, order].reshape(-1, 12) for x in (value, state))
    evidence = np.full((len(value), len(bench.group)), log(prior("odd")))
    evidence[:, :-1] = bench.predictions.log_evidence(value, state, len(bench.group) - 1)
    # where nothing explains the readings: any value, any mark
    wide = np.array([log(bench.predictions.ceiling[0])] * 6 + [log(rule("leads_odd_ohms"))] * 6)
    evidence[:, -1] -= (state == VALUE) @ wide + log(2) * (state == OVER).sum(axis=1)
    return evidence.reshape(-1, len(order), len(bench.group))


def _marginals(
    bench: Bench, part: PartReadings, registered: PartType | None, p: np.ndarray,
    value: np.ndarray, state: np.ndarray, log_factor: np.ndarray,
) -> Weighed:  # fmt: skip
    """What the posterior of one part says of qualities, paths, leads and kinds."""
    by_hypothesis = p.sum(axis=0)
    by_group = np.bincount(bench.group, by_hypothesis, len(bench.groups))
    faults, devices, materials, _ = zip(*bench.groups, strict=True)
    found = []
    for group in np.argsort(-by_group, kind="stable").tolist():
        if found and by_group[group] < rule("leads_list"):
            break
        members = np.flatnonzero(bench.group == group)
        cells = p[:, members]
        a, h = (int(k) for k in np.unravel_index(int(cells.argmax()), cells.shape))
        likeliest = -1 if group == bench.group[-1] else int(members[h])
        kind, agreed = bench.hypotheses[likeliest][0], _consensus(bench, cells.sum(axis=1))
        found.append(Explanation(faults[group], kind, *agreed, float(cells.sum()), likeliest, a))
    by_test: dict[str, float] = {}
    for weight, (ills, *_, test) in zip(by_group.tolist(), bench.groups, strict=True):
        if test and not ills:
            by_test[test] = by_test.get(test, 0.0) + weight
    same = [weight for weight, f in zip(by_group.tolist(), faults, strict=True) if f == found[0].faults]
    bipolar = p[:, [kind.transistor for kind, *_ in bench.hypotheses]]
    # only a transistor has roles to its leads
    polarity, leads = _consensus(bench, (bipolar if bipolar.sum() > 0.5 else p[:, :-1]).sum(axis=1))
    device = Device(_settled(devices, by_group) or "unknown", polarity, _settled(materials, by_group), leads)
    paths = np.tensordot(by_hypothesis, bench.paths, axes=(0, 0)).tolist()
    names = ("AK",) if len(bench.leads) == 2 else PATHS
    return Weighed(
        bench, part, registered, p, value, state, log_factor,
        dict(zip(QUALITIES, (by_hypothesis @ bench.quality).tolist(), strict=True)),
        {path: dict(zip(QUALITIES, q, strict=True)) for path, q in zip(names, paths, strict=False)},
        tuple(found), sum(same), device, float(by_group[bench.group[-1]]), by_test,
        _path_ohms(bench, found[0], part, value, state),
    )  # fmt: skip


def _settled(names: Sequence[str], weights: np.ndarray) -> str:
    """The name that has enough of the weight to be said, else ''."""
    totals: dict[str, float] = {}
    for name, weight in zip(names, weights.tolist(), strict=True):
        totals[name] = totals.get(name, 0.0) + weight
    best = max(totals, key=totals.__getitem__)
    return best if totals[best] >= rule("conformity_good") * float(weights.sum()) else ""


def _consensus(bench: Bench, weights: np.ndarray) -> tuple[str, dict[str, str]]:
    """Polarity and lead roles on which the arrangements agree."""
    roles = {lead: _settled([r[k] for r in bench.roles], weights) for k, lead in enumerate(bench.leads)}
    return _settled(bench.polarity, weights), {lead: role for lead, role in roles.items() if role}


def _path_ohms(
    bench: Bench, top: Explanation, part: PartReadings, value: np.ndarray, state: np.ndarray
) -> dict[str, Interval]:
    """Resistance of every short or leak of an explanation, with its 95 % interval."""
    # in circuit the tiles are too wide, and the path may be the circuit's
    if top.hypothesis < 0 or not top.faults or (part.in_circuit and len(bench.leads) == 3):
        return {}
    order = bench.order[top.arrangement]
    canonical = np.concatenate([order, order + 6])
    value, state = value[canonical], state[canonical]
    own = np.flatnonzero(bench.predictions.label == top.hypothesis)
    laid_out = np.isfinite(bench.ln_ohm[own]).any(axis=0)
    resistive = [path for path, _ in map(str.split, top.faults) if laid_out[PATH_AT[path]]]
    if not resistive:
        return {}
    predictions = bench.predictions.take(own)
    rows, like = predictions.log_likelihood(value[None, :], state)
    if rows.size == 0:
        return {}
    lead, meter = bench.lead_of(top.arrangement), bench.meter
    counts_V = (meter.accuracy_counts + 0.5) * meter.resolution_V
    found = {}
    for path in resistive:
        at = PATH_AT[path]
        one, other = lead[path[0]], lead[path[1]]
        if path in ("BE", "BC") and no_resistance_gives(part.readings, top.polarity, one, other):
            continue
        centre, sd = bench.ln_ohm[own[rows], at], bench.ohm_sd[own[rows], at]
        shift, left = predictions.cause_given(rows, value, state, PATH_COLUMNS[at])
        best, spread = Mixture(like[:, 0], centre + sd * shift, sd * np.sqrt(left)).moments()
        ends = [float(np.exp(best + k * spread)) for k in (0, -NORMAL_95, NORMAL_95)]
        pair = slice(2 * at, 2 * at + 2)
        volts = min(value[pair][state[pair] == VALUE], default=nan)
        found[path] = Interval(*ends, "ohm")
        if volts <= counts_V:  # a reading within the meter's counts of zero is a limit
            least = float((volts + counts_V) / (meter.test_current_A * (1 - meter.current_spread)))
            found[path] = Interval(nan, 0.0, max(ends[2], least), "ohm")
    return found


def no_resistance_gives(readings: Sequence[Reading], polarity: str, one: str, other: str) -> bool:
    """Whether a junction reads less backward than forward, as no resistance across it makes it.

    A resistance conducts the same either way, and forward the junction conducts beside it: backward must
    read more.  A fifth and 20 mV are left to the meter.

    Parameters
    ----------
    readings : sequence of Reading
    polarity : str
        'PNP' where the base is the cathode.
    one, other : str
        Leads: the base or anode, and the other end of the junction.
    """
    volts = {r.placement: r.value for r in readings if r.kind == "volt"}
    forward, backward = volts.get(f"{one}-{other}"), volts.get(f"{other}-{one}")
    if forward is None or backward is None:
        return False
    if polarity == "PNP":
        forward, backward = backward, forward
    share, margin = rule("leads_backward_share"), rule("leads_backward_margin")
    # no junction drops as little as a short: then both ways must read the same
    as_short = forward < rule("leads_junction_drop") and forward < share * backward - margin
    return as_short or backward < share * forward - margin


def gain_kind(hfe: float) -> str:
    """What a gain reading says: '' nothing, 'gain' a live transistor, 'high' a live Darlington."""
    if not hfe >= rule("leads_gain_shows"):  # nan as well; no gain may be a wrong lead order in the socket
        return ""
    return "high" if hfe > rule("leads_gain_darlington") else "gain"


def _log_factor(bench: Bench, part: PartReadings, type_: PartType | None) -> np.ndarray:
    """Logarithm of the factor each (arrangement, hypothesis) cell gains from what is written, (A, H + 1).

    Parameters
    ----------
    bench : Bench
    part : PartReadings
        Its polarity as the row says; the type's own is taken where there is none.
    type_ : PartType or None
        Registered type written on the part.
    """
    gain, polarity = gain_kind(part.hfe), part.polarity
    out = np.zeros((len(bench.roles), len(bench.hypotheses)))
    cells, wrong, weighed = out[:, :-1], prior("mismarked"), [kind for kind, *_ in bench.hypotheses[:-1]]
    if gain:
        against = log(rule("leads_gain_against"))
        speaks = [
            not kind.transistor or any(not f.endswith("leaky") for f in faults)
            for kind, faults, _ in bench.hypotheses[:-1]
        ]
        cells += against * np.array(speaks)
        if gain == "high":
            cells += against * np.array([k.device != "darlington" for k in weighed])
    if bench.named:  # the writer took the part for a bipolar transistor, or a diode
        other = np.array([k.device == "unknown" for k in weighed])
        cells += log(rule("leads_named_not_bipolar")) * (other & (len(bench.leads) == 3))
        # to the leads of another kind the names say nothing
        cells -= np.where(other, bench.log_prior[:, None] + log(len(bench.roles)), 0.0)
    if part.discharged:
        cells += np.where([k.test == "leads_test_charged" for k in weighed], -np.inf, 0.0)
    for lead in part.lifted if bench.cut else ():
        at = bench.leads.index(lead) if lead in bench.leads else 0
        played = np.array([role[at] for role in bench.roles])
        cells += np.where(played[:, None] == np.array(bench.cut), log(3), -np.inf)
    if type_ is not None:
        fits = np.array([matches(k, type_) for k in weighed])
        distinct = {k.name: k for k in weighed}.values()
        mass = sum(k.weight for k in distinct if matches(k, type_)) / sum(k.weight for k in distinct)
        cells += _marked(fits, mass, wrong)
    elif part.type and (family := number_family(part.type)):  # its number is that of another kind of part
        fits = np.array([is_called(k, family.kinds) for k in weighed])
        shares = {k.name: (k.weight, fit) for k, fit in zip(weighed, fits, strict=True)}.values()
        mass = sum(weight for weight, fit in shares if fit) / sum(weight for weight, _ in shares)
        cells += _marked(fits, mass, wrong)
    said = polarity or (type_.polarity if type_ is not None else "")
    if said in ("NPN", "PNP"):
        right = np.array([p == said for p in bench.polarity])
        out += np.where(right, np.log(2 * (1 - wrong)), np.log(2 * wrong))[:, None]
    return out


def _marked(fits: np.ndarray, mass: float, wrong: float):
    """Log factor of hypotheses that a marking fits, and of the others; 0 where it tells nothing."""
    return np.where(fits, log((1 - wrong) / mass), log(wrong / (1 - mass))) if 0 < mass < 1 else 0.0


def is_called(kind: SimpleNamespace, names: Sequence[str]) -> bool:
    """Whether a kind is one of those that a number belongs to, or is shown by the same test."""
    named = [k for k in (*kinds(2), *kinds(3)) if k.name in names]
    return any(kind.name.startswith(k.name) or (k.test and kind.test == k.test) for k in named)


def capital(text: str) -> str:
    """The text with a capital first letter, as a sentence begins."""
    return text[:1].upper() + text[1:]


def ohm_words(ohm: float) -> str:
    """Resistance to two significant digits: ``0.4 Ω``, ``340 Ω``, ``2.2 kΩ``."""
    rounded = float(f"{ohm:.2g}")
    if 0.1 <= rounded < 1e9:
        return nominal(rounded, "ohm")
    return f"{rounded:g} Ω" if rounded < 1 else f"{nominal(rounded / 1e6)} MΩ"  # as meters count


def value_words(reading: Reading) -> str:
    """A reading as the meter shows it."""
    if reading.kind == "over":
        return "OL"
    if reading.kind == "ohm":
        return "OL on ohms" if isinf(reading.value) else ohm_words(reading.value)
    if reading.text.endswith("Ω"):  # a needle's scale
        return reading.text
    return f"{reading.value:.3f} V"


def between(readings: Sequence[Reading], one: str, other: str) -> SimpleNamespace:
    """What was read between two leads, both ways: the readings, how they are told, what they look like."""
    names = (f"{one}-{other}", f"{other}-{one}")
    read = [r for r in readings if r.placement in names]
    seen = ", ".join(f"{r.placement} {value_words(r)}" for r in read)
    if len(read) >= 2 and all(r.kind == "over" for r in read):
        seen = f"{one}-{other} OL both ways"
    unread = [name for name in names if name not in {r.placement for r in read}]
    volts = sorted((r for r in read if r.kind == "volt"), key=lambda r: r.value)
    conducts = [r for r in read if r.kind != "over" and not isinf(r.value)]
    short = rule("short_below")
    short_V = short * rule("leads_drop_current")
    low = {r.placement for r in conducts if (r.value < short if r.kind == "ohm" else abs(r.value) <= short_V)}
    return SimpleNamespace(
        read=read, seen=seen, unread=unread, volts=volts, conducts=conducts,
        silent=not unread and not conducts, short=len(low) == 2,
        # one way a voltage that a junction drops, and nothing but over-range the other way (if it was read)
        junction=len(volts) == 1 == len(conducts) and volts[0].value >= rule("leads_junction_drop"),
    )  # fmt: skip


def fault_words(faults: Sequence[str]) -> str:
    """``B-E shorted and C-E leaky``."""
    return listed([f"{f[0]}-{f[1:]}" for f in faults])


def explanation_words(explanation: Explanation) -> str:
    """An explanation in a few words: what it is, and what is wrong with it."""
    words = explanation.kind.called
    if explanation.polarity and explanation.kind.transistor:
        words = f"{explanation.polarity} {words}"
    if not words.startswith(("two", "one")):
        words = f"{'an' if words[0] in 'aeiou' or words[:3] in ('NPN', 'LED') else 'a'} {words}"
    return f"{words}, {fault_words(explanation.faults)}" if explanation.faults else words


def evidence(weighed: Weighed) -> list[Finding]:
    """What speaks for the most probable explanation, of a path or of the whole part (where is '').

    Faults come first, then what is odd or missing, then what is sound.
    """
    top, readings, named = weighed.explanations[0], weighed.readings.readings, weighed.bench.named
    if top.hypothesis < 0:
        return [Finding("", "leads_contradict")]
    lead = weighed.bench.lead_of(top.arrangement)
    told = []
    if top.kind.test and not top.faults:
        return [_of_kind(weighed, top, readings)]
    plain = top.kind.latent.keys() - {"ln_r_bc"} == {"v_be", "ln_bf", "ln_br"}  # bipolar and nothing else
    if plain and not top.faults and between(readings, lead["C"], lead["E"]).silent:
        pairs = [between(readings, lead["B"], lead[role]) for role in "EC"]
        if all(pair.junction and not pair.unread for pair in pairs):
            drops = listed([f"{pair.volts[0].placement} {value_words(pair.volts[0])}" for pair in pairs])
            material = top.kind.material
            told.append(Finding("", "leads_sound_pair", numbers={"drops": drops, "material": material}))
    pairs = [] if named else [(between(readings, *pair), pair) for pair in combinations("123", 2)]
    shorted = [{"seen": pair.seen, "one": one, "other": other, "ohm": ""}
               for pair, (one, other) in pairs if pair.short]  # fmt: skip
    if shorted:
        reason = "leads_all_shorted" if len(shorted) == 3 else "leads_pair_shorted"
        ends = [{x["one"], x["other"]} for x in shorted]
        ohms = [it for path, it in weighed.ohms.items() if {lead[end] for end in path} in ends]
        least = min(ohms, key=lambda it: it.high, default=None)
        told.append(hold_short(Finding("", reason, numbers=shorted[0] | {"ohm": _about(least)}), least))
    bad = dict(f.split() for f in top.faults)
    sound = []
    for path in sorted(weighed.paths, key=lambda p: p not in bad):
        if shorted and bad.get(path) == "shorted":
            continue
        finding = of_path(path, bad.get(path, "good"), weighed, lead)
        if finding.reason:
            (sound if finding.reason in ("leads_junction", "leads_no_path") else told).append(finding)
    return [*told, *sound]


def _of_kind(weighed: Weighed, top: Explanation, readings: Sequence[Reading]) -> Finding:
    """A part of another kind: what conducts, and what reads so."""
    conducts = [r for r in readings if r.kind != "over" and not isinf(r.value)]
    seen = ", ".join(f"{r.placement} {value_words(r)}" for r in conducts) or "OL throughout"
    reason, ohm = "leads_kind_shows", nan
    if top.kind.test == "leads_test_resistor" and conducts:
        reason, meter, one = "leads_resistance", weighed.bench.meter, conducts[0]
        source = meter.resistance_ohm / max(meter.open_voltage_V - one.value, 1e-3)
        current = 1 / source if meter.source_kind == "resistance" else meter.test_current_A
        ohm = one.value if one.kind == "ohm" else one.value / current
    return Finding("", reason, numbers={
        "seen": seen, "rest": len(conducts) < len(readings) and bool(conducts),
        "explanation": explanation_words(replace(top, faults=())),
        "ohm": ohm_words(ohm) if ohm == ohm else "",
    })  # fmt: skip


def _about(ohm: Interval | None) -> str:
    """``3.1 ohm``, ``under 0.4 ohm``, '' where it is not known so well that a short is one."""
    if ohm is None or isnan(ohm.value) and not ohm.high < rule("short_below"):
        return ""
    return f"under {ohm_words(ohm.high)}" if isnan(ohm.value) else ohm_words(ohm.value)


def of_path(path: str, word: str, weighed: Weighed, lead: dict[str, str]) -> Finding:
    """One path: the readings, and what they are taken for; without a reason where nothing is to be said.

    Where it is not sure which path of the part this is, the sentence names the leads only.
    """
    top, readings, ohm = weighed.explanations[0], weighed.readings.readings, weighed.ohms.get(path)
    sure = weighed.bench.named or weighed.faults_probability > rule("leads_place_sure")
    one, other = lead[path[0]], lead[path[1]]
    pair = between(readings, one, other)
    values = {
        "seen": pair.seen, "path": say(f"leads_path_{path}"), "junction": top.kind.junction,
        "leads": listed(sorted((one, other))), "ohm": ohm_words(ohm.value) if ohm else "",
        "between": listed([say(f"leads_lead_{end}") for end in path]), "about": _about(ohm),
        "unread": pair.unread[0] if pair.unread else "", "faults": fault_words(top.faults),
        "explanation": explanation_words(top), "least": nan, "most": nan, "drop": "", "ends": (one, other),
    }  # fmt: skip
    if not pair.read:
        reason = "leads_unread" if path != "CE" and word == "good" else ""
    elif word == "shorted":
        reason = "leads_short"
        if ohm and isnan(ohm.value) and isfinite(ohm.high):
            reason, values["ohm"] = "leads_short_under", ohm_words(ohm.high)
        elif ohm and ohm.value >= 1 and not any(r.kind == "ohm" for r in pair.read):
            reason = "leads_short_about"
    elif word == "leaky":
        if path != "CE" and no_resistance_gives(readings, top.polarity, one, other):
            reason = "leads_no_resistance"
            values |= {"low": value_words(pair.volts[0]), "high": pair.volts[-1].placement}
        elif ohm is None or isnan(ohm.value):
            reason = "leads_low_drop"
        elif not sure:
            reason = "leads_leak_leads"
        elif path == "BE" and any(r.kind == "over" for r in pair.read):
            reason = "leads_leak_hidden"
        else:
            reason = "leads_leak_between" if path == "CE" else "leads_leak_across"
    elif word == "open":
        if pair.conducts:
            inside = pair.volts and pair.volts[0].placement.startswith(one) == (top.polarity != "PNP")
            reason = "leads_resistance_inside" if inside and len(pair.volts) == 1 else "leads_open_beside"
        elif sure and not pair.unread:
            reason = "leads_open"
        else:
            reason = "leads_open_unread" if pair.unread else "leads_silent"
    elif pair.unread:
        reason = "leads_half_read"
    elif path == "CE" and pair.silent:
        reason = "leads_no_path"
    elif path != "CE" and pair.junction:
        reason = "leads_junction"
    elif weighed.readings.in_circuit and len({r.placement for r in pair.read if r.kind != "over"}) == 2:
        reason = "leads_beside"
    else:
        reason = "leads_goes_with" if top.faults else "leads_as"
    found = Finding(path, reason, kept=weighed.paths[path]["good"], numbers=values)
    return _held(found, word, weighed, pair, ohm, (one, other))


def _held(
    found: Finding, word: str, weighed: Weighed, pair: SimpleNamespace, ohm: Interval | None, ends: tuple
) -> Finding:
    """A finding with what was measured on its path and the limit that this is held to."""
    top, meter, path = weighed.explanations[0], weighed.bench.meter, found.where
    type_ = weighed.type_ if weighed.type_ and matches(top.kind, weighed.type_) else None
    if word == "shorted":
        return hold_short(found, ohm)
    if word == "leaky" and ohm is not None and found.reason != "leads_no_resistance":
        hold_path(found, ohm, leak_limit(top.kind, type_, path), meter, own=type_ is not None)
    elif path != "CE" and pair.read:
        # the junction's own drop: the lower of two, else what was read forward, which may be over-range
        forward = "-".join(ends if top.polarity != "PNP" else ends[::-1])
        shown = pair.volts[:1] or [r for r in pair.read if r.placement == forward]
        only = {"leaky": "low", "open": "high"}.get(word, "")
        for one in shown:
            amps = driven_A(meter, one.value if one.kind == "volt" else 0.0)
            hold_drop(found, one, meter, drop_window(top.kind, type_, path, amps), only)
            found.numbers["drop"] = f"{one.placement} {value_words(one)}"
    if isfinite(found.low):
        found.numbers["least"] = found.low if found.quantity == "drop_V" else si(found.low, "ohm")
    if isfinite(found.high):
        found.numbers["most"] = found.high
    return found
