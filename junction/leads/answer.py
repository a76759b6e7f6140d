"""From a posterior over (arrangement, hypothesis) to what can be said of a part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import nan

import numpy as np

from junction.base.records import Interval
from junction.judge.results import QUALITIES
from junction.leads.hypotheses import LATENT, PATHS, Hypothesis
from junction.leads.hypotheses_library import ROW_FIELDS, Library
from junction.leads.leads import VALUE, Arrangement, tile_densities, tile_log_likelihood
from junction.shelf.results import Meter

#: A statement about the device (kind, polarity, a lead) is made from this probability on.
SAY_FROM = 0.95


@dataclass(frozen=True)
class Explanation:
    """One way to explain the readings: the same kind of part with the same faults, lead orders joined."""

    faults: tuple[str, ...]
    kind: str
    material: str
    structure: str
    polarity: str  # '' where both fit
    leads: dict[str, str]  # only what is settled within this explanation
    probability: float
    hypothesis: int  # most probable cell; -1 is the odd case
    arrangement: int
    remark: str = ""


@dataclass(frozen=True, eq=False)
class Catalogue:
    """Properties of the hypotheses of a library as arrays; the last row is the odd case."""

    quality: np.ndarray  # (H + 1, 4)
    paths: np.ndarray  # (H + 1, 3, 4)
    group: np.ndarray  # (H + 1,) explanation each belongs to
    groups: tuple[tuple[tuple[str, ...], str, str], ...]  # faults, kind, material
    structures: tuple[tuple[str, str], ...]  # (H + 1,) name and remark
    bipolar: np.ndarray  # (H + 1,) bool


@dataclass(frozen=True, eq=False)
class Answer:
    """Marginals of one part."""

    quality: dict[str, float]
    paths: dict[str, dict[str, float]]
    explanations: tuple[Explanation, ...]  # most probable first
    fault_probability: dict[tuple[str, ...], float]
    kind: str
    material: str
    polarity: str
    leads: dict[str, str]
    odd: float


def _path_quality(hypothesis: Hypothesis) -> np.ndarray:
    out = np.zeros((3, 4))
    out[:, 0] = 1.0
    for fault in hypothesis.fault.faults:
        path, word = fault.split()
        row = out[0 if path == "AK" else PATHS.index(path)]
        row[:] = 0.0
        if set(hypothesis.quality) == {"good", "leaky"}:
            row[[0, 1]] = 0.5
        elif word == "leaky" and set(hypothesis.quality) == {"good"}:
            row[0] = 1.0
        else:
            row[QUALITIES.index(word)] = 1.0
    return out


def catalogue(hypotheses: Sequence[Hypothesis]) -> Catalogue:
    """Arrays of what each hypothesis says."""
    quality, paths, group, names = [], [], [], {}
    for h in hypotheses:
        quality.append([h.quality.get(q, 0.0) for q in QUALITIES])
        paths.append(_path_quality(h))
        faults = () if set(h.quality) == {"good"} else h.fault.faults
        key = (faults, h.structure.kind, h.structure.material)
        group.append(names.setdefault(key, len(names)))
    quality.append([0.25] * 4)
    paths.append(np.full((3, 4), 0.25))
    group.append(names.setdefault((("odd",), "unknown", ""), len(names)))
    named = tuple((h.structure.name, h.structure.remark) for h in hypotheses) + (("", ""),)
    bipolar = np.array([h.structure.transistor for h in hypotheses] + [False])
    return Catalogue(np.array(quality), np.array(paths), np.array(group), tuple(names), named, bipolar)


def _settled(weights: dict[str, float], total: float) -> str:
    if not weights:
        return ""
    best = max(weights, key=weights.__getitem__)
    return best if best and weights[best] >= SAY_FROM * total else ""


def _consensus(by_turn: np.ndarray, turns: Sequence[Arrangement], leads: Sequence[str]):
    """Polarity and lead roles on which the arrangements agree."""
    total = float(by_turn.sum())
    polarity: dict[str, float] = {}
    roles: list[dict[str, float]] = [{} for _ in leads]
    for weight, turn in zip(by_turn.tolist(), turns, strict=True):
        polarity[turn.polarity] = polarity.get(turn.polarity, 0.0) + weight
        for k, role in enumerate(turn.roles[: len(leads)]):
            roles[k][role] = roles[k].get(role, 0.0) + weight
    found = {lead: _settled(r, total) for lead, r in zip(leads, roles, strict=True)}
    return _settled(polarity, total), {lead: role for lead, role in found.items() if role}


def answer(
    p: np.ndarray,
    known: Catalogue,
    turns: Sequence[Arrangement],
    leads: Sequence[str],
    *,
    least: float = 0.005,
) -> Answer:
    """Marginals of one part.

    Parameters
    ----------
    p : ndarray (A, H + 1)
        Posterior; sums to 1.
    known : Catalogue
    turns : sequence of Arrangement
    leads : sequence of str
        Names of the leads in the hand.
    least : float
        Explanations below this probability are not listed.
    """
    by_hypothesis = p.sum(axis=0)
    quality = by_hypothesis @ known.quality
    paths = np.tensordot(by_hypothesis, known.paths, axes=(0, 0))
    by_group = np.bincount(known.group, by_hypothesis, len(known.groups))
    fault_p, kinds, materials = {}, {}, {}
    for weight, (faults, kind, material) in zip(by_group.tolist(), known.groups, strict=True):
        for key, table in ((faults, fault_p), (kind, kinds), (material, materials)):
            table[key] = table.get(key, 0.0) + weight
    order = np.argsort(-by_group, kind="stable").tolist()
    listed = [g for k, g in enumerate(order) if by_group[g] >= least or k == 0]
    found = tuple(_explanation(g, p, known, turns, leads) for g in listed)
    bipolar = p[:, known.bipolar]  # only a transistor has roles to its leads
    polarity, roles = _consensus((bipolar if bipolar.sum() > 0.5 else p[:, :-1]).sum(axis=1), turns, leads)
    spelled = [dict(zip(QUALITIES, row, strict=True)) for row in paths.tolist()]
    return Answer(
        dict(zip(QUALITIES, quality.tolist(), strict=True)), dict(zip(PATHS, spelled, strict=True)), found,
        fault_p, _settled(kinds, 1.0) or "unknown", _settled(materials, 1.0), polarity, roles,
        float(by_group[known.group[-1]]),
    )  # fmt: skip


def _explanation(
    group: int, p: np.ndarray, known: Catalogue, turns: Sequence[Arrangement], leads: Sequence[str]
) -> Explanation:
    """One group of hypotheses with its most probable cell and what its lead orders agree on."""
    faults, kind, material = known.groups[group]
    members = np.flatnonzero(known.group == group)
    cells = p[:, members]
    a, h = np.unravel_index(int(cells.argmax()), cells.shape)
    if group == known.group[-1]:
        return Explanation(faults, kind, material, "", "", {}, float(cells.sum()), -1, int(a))
    polarity, roles = _consensus(cells.sum(axis=1), turns, leads)
    structure, remark = known.structures[members[h]]
    return Explanation(
        faults,
        kind,
        material,
        structure,
        polarity,
        roles,
        float(cells.sum()),
        int(members[h]),
        int(a),
        remark,
    )


def subset(library: Library, pick: np.ndarray) -> Library:
    """The tiles that `pick` selects."""
    rows = {name: getattr(library, name)[pick] for name in ROW_FIELDS}
    return replace(library, **rows)


def path_ohms(library: Library, hypothesis: int, value: np.ndarray, state: np.ndarray) -> dict[str, Interval]:
    """Resistance of every short or leak of one hypothesis, with its 95 % interval.

    Parameters
    ----------
    value, state : ndarray (12,)
        Canonical readings of one part.
    """
    resistive = [path for path, _ in library.hypotheses[hypothesis].fault.resistive]
    if not resistive:
        return {}
    part = subset(library, library.hypothesis == hypothesis)
    rows, like = tile_log_likelihood(part, value[None, :], state)
    if rows.size == 0:
        return {}
    weight = np.exp(like[:, 0] - like[:, 0].max())
    weight /= weight.sum()
    seen = np.flatnonzero(state == VALUE)
    found = {}
    for path in resistive:
        at = 0 if path == "AK" else PATHS.index(path)
        latent = LATENT.index(f"ln_r_{PATHS[at].lower()}")
        centre, sd = part.ln_ohm[rows, at], part.ohm_sd[rows, at]
        shift, shrink = np.zeros(rows.size), np.ones(rows.size)
        if seen.size:
            white, mid, _ = tile_densities(part, rows, seen)
            pull = np.einsum("rij,rj->ri", white, part.factor[rows][:, seen, latent])
            shift = np.sum(pull * (np.einsum("rij,j->ri", white, value[seen]) - mid), axis=1)
            shrink = np.maximum(1 - np.sum(pull**2, axis=1), 0.0)
        mean = centre + sd * shift
        best = float(weight @ mean)
        spread = float(np.sqrt(weight @ ((mean - best) ** 2 + sd**2 * shrink)))
        ends = [float(np.exp(best + k * spread)) for k in (0, -1.96, 1.96)]
        least = _least_ohm(library.meter, value[2 * at : 2 * at + 2][state[2 * at : 2 * at + 2] == VALUE])
        found[path] = Interval(nan, 0.0, max(ends[2], least), "ohm") if least else Interval(*ends, "ohm")
    return found


def _least_ohm(meter: Meter, volts: np.ndarray) -> float:
    """Highest resistance that may hide in a reading within the meter's counts of zero [ohm]; else 0."""
    counts_V = (meter.accuracy_counts + 0.5) * meter.resolution_V
    if volts.size == 0 or volts.min() > counts_V:
        return 0.0
    current_A = meter.test_current_A or meter.open_voltage_V / meter.resistance_ohm
    return float((volts.min() + counts_V) / (current_A * (1 - meter.current_spread)))
