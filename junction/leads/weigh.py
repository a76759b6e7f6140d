"""Which lead is which, and what is wrong: the readings of parts weighed against the hypotheses.

What a written type, a polarity, named leads or a gain make likely before the meter speaks comes in as a
factor of each (arrangement, hypothesis) cell; Bayes' rule does the rest, and the marginals are what can be
said of a part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, nan

import numpy as np

from junction.base.records import Interval, PartReadings, Reading
from junction.judge.mixture import OVER, VALUE, posterior
from junction.judge.results import QUALITIES
from junction.leads.bench import Bench, Types, path_at, reading_table
from junction.leads.hypotheses import LATENT, PATHS, Kind, matches, prior
from junction.shelf.results import Meter, PartType
from junction.shelf.rules import rule

#: Parts that are weighed at once.
_CHUNK = 200
_NOTHING = Kind("", "unknown", "", 0.0, {}, (), (), 0, (nan, nan), "", "")


@dataclass(frozen=True)
class Explanation:
    """One way to explain the readings: the same kind of part with the same faults, lead orders joined."""

    faults: tuple[str, ...]
    kind: Kind
    polarity: str  # '' where both fit
    leads: dict[str, str]  # only what is settled within this explanation
    probability: float
    hypothesis: int  # most probable cell; -1 where none fits
    arrangement: int


@dataclass(frozen=True, eq=False)
class Weighed:
    """One part weighed: the posterior and its marginals."""

    readings: PartReadings
    p: np.ndarray  # (A, H + 1)
    state: np.ndarray  # (12,)
    quality: dict[str, float]
    paths: dict[str, dict[str, float]]
    explanations: tuple[Explanation, ...]  # most probable first
    faults_probability: float  # of the faults of the first, whatever kind of part has them
    device: str
    material: str
    polarity: str
    leads: dict[str, str]
    odd: float
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
    order = np.concatenate([bench.order, bench.order + 6], axis=1)
    found: list[Weighed] = []
    factors: dict[tuple[str, str, str], np.ndarray] = {}
    for first in range(0, len(parts), _CHUNK):
        chunk = slice(first, first + _CHUNK)
        turned = (x[chunk][:, order].reshape(-1, 12) for x in (value, state))
        evidence = _evidence(bench, *turned).reshape(-1, len(order), len(bench.group))
        for k, part in enumerate(parts[chunk]):
            key = part.type, part.polarity, gain_kind(part.hfe)
            if key not in factors:
                registered = types(part.type) if types is not None and part.type else None
                written = _log_factor(bench, registered, part.polarity, key[2])
                factors[key] = bench.log_prior[:, None] + written
            p = posterior(evidence[k] + factors[key], axis=(0, 1))
            found.append(_marginals(bench, part, p, value[first + k], state[first + k]))
    return found


def _evidence(bench: Bench, value: np.ndarray, state: np.ndarray) -> np.ndarray:
    """Log of prior times likelihood of every hypothesis, and of none of them, (m, H + 1)."""
    found = np.full((len(value), len(bench.group)), log(prior("odd")))
    found[:, :-1] = bench.predictions.log_evidence(value, state, len(bench.hypotheses))
    # where nothing explains the readings: any value, any mark
    wide = [log(bench.predictions.ceiling[0])] * 6 + [log(rule("leads_odd_ohms"))] * 6
    found[:, -1] -= (state == VALUE) @ np.array(wide) + log(2) * (state == OVER).sum(axis=1)
    return found


def _marginals(
    bench: Bench, part: PartReadings, p: np.ndarray, value: np.ndarray, state: np.ndarray
) -> Weighed:
    """What the posterior of one part says of qualities, paths, leads and kinds."""
    by_hypothesis = p.sum(axis=0)
    by_group = np.bincount(bench.group, by_hypothesis, len(bench.groups))
    totals: tuple[dict, dict, dict] = {}, {}, {}
    for weight, names in zip(by_group.tolist(), bench.groups, strict=True):
        for total, name in zip(totals, names, strict=True):
            total[name] = total.get(name, 0.0) + weight
    ranked = np.argsort(-by_group, kind="stable").tolist()
    least = rule("leads_list")
    listed = [g for k, g in enumerate(ranked) if by_group[g] >= least or k == 0]
    found = tuple(_explanation(bench, g, p) for g in listed)
    bipolar = p[:, [*(kind.transistor for kind, *_ in bench.hypotheses), False]]
    # only a transistor has roles to its leads
    polarity, leads = _consensus(bench, (bipolar if bipolar.sum() > 0.5 else p[:, :-1]).sum(axis=1))
    paths = np.tensordot(by_hypothesis, bench.paths, axes=(0, 0))
    return Weighed(
        part, p, state, dict(zip(QUALITIES, (by_hypothesis @ bench.quality).tolist(), strict=True)),
        {path: dict(zip(QUALITIES, q, strict=True)) for path, q in zip(PATHS, paths.tolist(), strict=True)},
        found, totals[0][found[0].faults], _settled(totals[1], 1.0) or "unknown", _settled(totals[2], 1.0),
        polarity, leads, float(by_group[bench.group[-1]]), _path_ohms(bench, found[0], part, value, state),
    )  # fmt: skip


def _explanation(bench: Bench, group: int, p: np.ndarray) -> Explanation:
    """One group of hypotheses with its most probable cell and what its lead orders agree on."""
    members = np.flatnonzero(bench.group == group)
    cells = p[:, members]
    a, h = (int(k) for k in np.unravel_index(int(cells.argmax()), cells.shape))
    faults, total = bench.groups[group][0], float(cells.sum())
    if group == bench.group[-1]:
        return Explanation(faults, _NOTHING, "", {}, total, -1, a)
    polarity, leads = _consensus(bench, cells.sum(axis=1))
    return Explanation(faults, bench.hypotheses[members[h]][0], polarity, leads, total, int(members[h]), a)


def _settled(weights: dict[str, float], total: float) -> str:
    """What has enough of the weight to be said, else ''."""
    best = max(weights, key=weights.__getitem__)
    return best if weights[best] >= rule("leads_say") * total else ""


def _consensus(bench: Bench, by_arrangement: np.ndarray) -> tuple[str, dict[str, str]]:
    """Polarity and lead roles on which the arrangements agree."""
    total, weights = float(by_arrangement.sum()), by_arrangement.tolist()

    def agreed(names: Sequence[str]) -> str:
        table: dict[str, float] = {}
        for weight, name in zip(weights, names, strict=True):
            table[name] = table.get(name, 0.0) + weight
        return _settled(table, total)

    roles = {lead: agreed([r[k] for r in bench.roles]) for k, lead in enumerate(bench.leads)}
    return agreed(bench.polarity), {lead: role for lead, role in roles.items() if role}


def _path_ohms(
    bench: Bench, top: Explanation, part: PartReadings, value: np.ndarray, state: np.ndarray
) -> dict[str, Interval]:
    """Resistance of every short or leak of an explanation, with its 95 % interval."""
    resistive = [] if top.hypothesis < 0 else [p for p, _ in bench.hypotheses[top.hypothesis][1].resistive]
    # in circuit the tiles are too wide, and the path may be the circuit's
    if not top.faults or not resistive or (part.in_circuit and len(bench.leads) == 3):
        return {}
    order = bench.order[top.arrangement]
    canonical = np.concatenate([order, order + 6])
    value, state = value[canonical], state[canonical]
    own = np.flatnonzero(bench.predictions.label == top.hypothesis)
    predictions = bench.predictions.take(own)
    rows, like = predictions.log_likelihood(value[None, :], state)
    if rows.size == 0:
        return {}
    weight = posterior(like[:, 0])
    lead = bench.lead_of(top.arrangement)
    found = {}
    for path in resistive:
        at = path_at(path)
        one, other = lead[path[0]], lead[path[1]]
        if path in ("BE", "BC") and no_resistance_gives(part.readings, top.polarity, one, other):
            continue
        centre, sd = bench.ln_ohm[own[rows], at], bench.ohm_sd[own[rows], at]
        cause = LATENT.index(f"ln_r_{PATHS[at].lower()}")
        shift, left = predictions.cause_given(rows, value, state, cause)
        mean = centre + sd * shift
        best = float(weight @ mean)
        spread = float(np.sqrt(weight @ ((mean - best) ** 2 + sd**2 * left)))
        ends = [float(np.exp(best + k * spread)) for k in (0, -1.96, 1.96)]
        pair = slice(2 * at, 2 * at + 2)
        least = _least_ohm(bench.meter, value[pair][state[pair] == VALUE])
        found[path] = Interval(nan, 0.0, max(ends[2], least), "ohm") if least else Interval(*ends, "ohm")
    return found


def _least_ohm(meter: Meter, volts: np.ndarray) -> float:
    """Highest resistance that may hide in a reading within the meter's counts of zero [ohm]; else 0."""
    counts_V = (meter.accuracy_counts + 0.5) * meter.resolution_V
    if volts.size == 0 or volts.min() > counts_V:
        return 0.0
    current_A = meter.test_current_A or meter.open_voltage_V / meter.resistance_ohm
    return float((volts.min() + counts_V) / (current_A * (1 - meter.current_spread)))


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
    return backward < rule("leads_backward_share") * forward - rule("leads_backward_margin")


def gain_kind(hfe: float) -> str:
    """What a gain reading says: '' nothing, 'gain' a live transistor, 'high' a live Darlington."""
    if not hfe >= rule("leads_gain_shows"):  # nan as well; no gain may be a wrong lead order in the socket
        return ""
    return "high" if hfe > rule("leads_gain_darlington") else "gain"


def _log_factor(bench: Bench, type_: PartType | None, polarity: str, gain: str) -> np.ndarray:
    """Logarithm of the factor each (arrangement, hypothesis) cell gains from what is written, (A, H + 1).

    Parameters
    ----------
    bench : Bench
    type_ : PartType or None
        Registered type written on the part.
    polarity : str
        'NPN', 'PNP' or '' as the row says; the type's own is taken where it is ''.
    gain : str
        See `gain_kind`.
    """
    out = np.zeros((len(bench.roles), len(bench.hypotheses) + 1))
    cells, wrong, weighed = out[:, :-1], prior("mismarked"), [kind for kind, *_ in bench.hypotheses]
    if gain:
        against = log(rule("leads_gain_against"))
        speaks = [
            not kind.transistor or any(not f.endswith("leaky") for f in fault.faults)
            for kind, fault, _ in bench.hypotheses
        ]
        cells += against * np.array(speaks)
        if gain == "high":
            cells += against * np.array([k.device != "darlington" for k in weighed])
    if bench.named:  # the writer took the part for a bipolar transistor, or a diode
        cells += log(rule("leads_named_not_bipolar")) * np.array([k.device == "unknown" for k in weighed])
    if type_ is not None:
        fits = np.array([matches(k, type_) for k in weighed])
        distinct = {k.name: k for k in weighed}.values()
        mass = sum(k.weight for k in distinct if matches(k, type_)) / sum(k.weight for k in distinct)
        if 0 < mass < 1:
            cells += np.where(fits, np.log((1 - wrong) / mass), np.log(wrong / (1 - mass)))
    said = polarity or (type_.polarity if type_ is not None else "")
    if said in ("NPN", "PNP"):
        right = np.array([p == said for p in bench.polarity])
        out += np.where(right, np.log(2 * (1 - wrong)), np.log(2 * wrong))[:, None]
    return out
