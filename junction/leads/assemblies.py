"""Parts that are an assembly of junctions between named leads, and what a meter reads of each.

An assembly is a row of ``reference/assemblies.csv``: its leads, junctions and built-in resistances.  Each is
laid out sound and with its faults (any pair shorted or leaky, a junction or a lead open, two junctions or all
leads shorted), as tiles over what is not known of it, and `junction.physics.network` solves what the meter
shows of every tile.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, permutations
from math import isinf, log, nan
from types import SimpleNamespace

import numpy as np

from junction.base.records import Interval, PartReadings
from junction.base.units import NORMAL_95, REFERENCE_TEMP_C, thermal_voltage
from junction.judge.mixture import MISSING, OVER, VALUE, Mixture, Predictions
from junction.leads.bench import over_range_V, visible_leak_ohm
from junction.leads.hypotheses import faults, normal_quantile, prior, priors, resistance_span
from junction.physics.network import Network
from junction.shelf.tables import Meter, Row, families, records, rule

#: Spacing of the tiles over ln(ohm) of a short, of a leak, and of several shorts at once.
_SHORT, _LEAK, _SHORTS = 1.2, 0.5, 2.8
#: Draws of the drops; of an assembly with built-in resistances, whose readings bend with their ohms.
_DRAWS, _DRAWS_BUILT_IN = 3, 15
_CHUNK = 8000
#: Ideality times this is solved as well, for the derivative by it.
_MORE = 1.1
#: Parts judged together up to which the tiles that their readings exclude are left out.
_FEW = 4


def _compose(row: Row, own: dict) -> None:
    """Namings, junctions (anode, cathode, group) and built-in paths by node; of each group its families."""
    own["namings"] = [tuple(naming.split()) for naming in own["leads"].split(" | ")]
    node = {lead: k for k, lead in enumerate(own["namings"][0])}
    own["diodes"], own["groups"] = [], []
    for group in filter(None, own["junctions"].split("; ")):
        pairs, _, names = group.partition(": ")
        if not families().keys() >= set(names.split(" + ")):
            raise row.fault("junctions", f"{names!r} is no list of families of families.csv")
        for anode, _, cathode in (pair.partition(">") for pair in pairs.split()):
            if not node.keys() >= {anode, cathode}:
                raise row.fault("junctions", f"{anode}>{cathode} are not two of its leads")
            own["diodes"].append((node[anode], node[cathode], len(own["groups"])))
        own["groups"].append([families()[name] for name in names.split(" + ")])
    own["built_in"] = []
    for path in own["paths"].split():
        pair, _, name = path.partition("=")
        if name not in priors() or not node.keys() >= set(pair.split("-")):
            raise row.fault("paths", f"{path!r} is no pair of its leads with a row of priors.csv")
        own["built_in"].append((tuple(sorted(map(node.get, pair.split("-")))), priors()[name].expected))
    own["dark"] = tuple(sorted(map(node.get, own["dark"].split("-")))) if own["dark"] else ()
    # the families' own material, where all its junctions have one
    materials = {family.material for group in own["groups"] for family in group}
    own["material"] = materials.pop() if len(materials) == 1 and not own["dark"] else ""
    own["hints"] = tuple(filter(None, own["hints"].split(" + ")))


def assemblies(leads: frozenset[str]) -> list[SimpleNamespace]:
    """Assemblies that may have these leads, those of the fewest leads; ``names`` are theirs in its order."""
    found = []
    for row in records("assemblies", finish=_compose).values():
        for naming in row.namings:
            if leads <= set(naming):
                found.append(SimpleNamespace(**vars(row) | {"names": naming, "named": True}))
        numbers = tuple("1234"[: len(row.namings[0])])
        if row.numbered and len(numbers) == 4 and leads <= set(numbers):
            found.append(SimpleNamespace(**vars(row) | {"names": numbers, "named": False}))
    fewest = min((len(a.names) for a in found), default=0)
    found = [a for a in found if len(a.names) == fewest]
    for a in found:  # built-in resistances of its kind: where one may lie, such a resistance is no leak
        kin = [b for b in found if b.kind == a.kind and b.test != "leads_test_charged"]
        a.kin = {pair: spread for b in kin for pair, spread in b.built_in}
    return found


def hints(leads: Sequence[str]) -> tuple[str, ...]:
    """Kinds of kinds.csv that the names of three leads speak for, likeliest first; () where for none."""
    told = sorted(assemblies(frozenset(leads)), key=lambda a: -a.weight)
    return tuple(dict.fromkeys(kind for a in told for kind in a.hints))


#: What is wrong with a hypothesis: pairs of nodes and the word for each.
Faults = tuple[tuple[tuple[int, int], str], ...]


@dataclass(frozen=True, eq=False)
class Model:
    """An assembly on one meter: its hypotheses, their predictions, the ways to turn it onto leads."""

    of: SimpleNamespace
    hypotheses: tuple[Faults, ...]
    predictions: Predictions
    ln_ohm: np.ndarray  # (tiles,) centre of the ohms of the fault's paths, nan without one
    ohm_sd: np.ndarray  # (tiles,)
    first_path: int  # cause of `predictions` that moves the path of the first pair

    @cached_property
    def pairs(self) -> list[tuple[int, int]]:
        """Pairs of nodes, lower first."""
        return list(combinations(range(len(self.of.names)), 2))

    @cached_property
    def placements(self) -> list[tuple[int, int]]:
        """Nodes of the red and the black lead of every canonical placement."""
        return list(permutations(range(len(self.of.names)), 2))

    @cached_property
    def turned(self) -> tuple[list[tuple[str, ...]], np.ndarray]:
        """Leads that the nodes may be, and the log prior of each order."""
        names, wrong = self.of.names, prior("mislabelled")
        orders = [names] if len(names) > 4 else list(permutations(names))
        share = [1 / len(orders)] * len(orders)
        if self.of.named and len(orders) > 1:
            share = [1 - wrong if order == names else wrong / (len(orders) - 1) for order in orders]
        return orders, np.log(share)


def _ills(a: SimpleNamespace) -> list[tuple[Faults, set[int], str, float]]:
    """What may be wrong: faults, junctions that are open, 'shorted' or 'leaky' where paths lie, weight."""
    weight = {word: faults()[f"AK {word}"].weight for word in ("shorted", "leaky", "open")}
    pairs, built = list(combinations(range(len(a.names)), 2)), {pair for pair, _ in a.built_in}
    joined = [tuple(sorted(d[:2])) for d in a.diodes]
    out: list = [((), set(), "", faults()["none"].weight)]
    for word in ("shorted", "leaky"):
        share = {p: 1.0 if p in joined or p in built else prior("apart") for p in pairs}
        able = [p for p in pairs if word == "shorted" or p not in built]
        scale = weight[word] / sum(share[p] for p in able)
        out += [(((pair, word),), set(), word, scale * share[pair]) for pair in able]
    # a junction alone is open, or a lead is and with it all its junctions
    gone = [{k} for k in range(len(a.diodes)) if joined[k] not in built and joined[k] != a.dark]
    for node in range(len(a.names)):
        there = {k for k, pair in enumerate(joined) if node in pair}
        gone += [there] if len(there) > 1 and not any(node in pair for pair in built) else []
    for some in gone:
        out.append((tuple((joined[k], "open") for k in sorted(some)), some, "", weight["open"] / len(gone)))
    two = list(combinations(dict.fromkeys(joined), 2))
    several = [(some, weight["shorted"] ** 2 / len(two)) for some in two]
    for some, share in [*several, (pairs, faults()["all shorted"].weight)]:
        out.append((tuple((p, "shorted") for p in some), set(), "shorted", share))
    return out


def model(a: SimpleNamespace, meter: Meter, least_ohm: Sequence[float], *, ohms: bool) -> Model:
    """An assembly's hypotheses and predictions on a meter.

    Parameters
    ----------
    a : namespace
        Of `assemblies`.
    meter : Meter
    least_ohm : sequence of float
        What the k-th lowest resistance of a fault must get past for the readings in hand [ohm], rising.
    ohms : bool
        Resistance readings occur.
    """
    visible = visible_leak_ohm(meter)
    highest = rule("leads_highest_leak") if ohms else rule("leads_past_visible") * visible
    pairs, windows = list(combinations(range(len(a.names)), 2)), []
    for group in a.groups:
        low, high = min(f.vf_low_V for f in group), max(f.vf_high_V for f in group)
        half = rule("leads_window_joint" if group[1:] else "leads_window")
        windows.append(((low + high) / 2, (high - low) / (2 * half)))
    expected = [*windows, *(spread for _, spread in a.built_in)]
    draws = _DRAWS_BUILT_IN if a.built_in else _DRAWS
    # evenly spread over each unknown, in an order that differs between them
    at = normal_quantile((np.arange(draws) + 0.5) / draws)
    drawn = np.array([np.roll(at[:: (-1) ** k], 2 * k) for k in range(len(expected))]).reshape(-1, draws)
    limit = {tuple(sorted(d[:2])): max(f.leak_at_V / f.leak_max_A for f in a.groups[d[2]]) for d in a.diodes}
    hypotheses: list[Faults] = []
    rows = []  # hypothesis, draw, junctions that are open, nodes with paths, ln ohm, sd, log weight
    for told, gone, word, weight in _ills(a):
        shorts = [p for p, _ in told] if word else []
        spans = (np.array([np.nan]), 0.0, np.zeros(1))
        if word:
            step = _SHORTS if len(shorts) > 1 else _SHORT if word == "shorted" else _LEAK
            spans = resistance_span(word, step, visible, highest)
        centres, sd, log_share = spans
        least = [log(max(ohm - 10.0, 1e-3)) for ohm in least_ohm[: len(shorts)]]
        middle, width = a.kin.get(shorts[0], (0.0, 0.0)) if word == "leaky" else (0.0, 0.0)
        kept = [k for k, ohm in enumerate(centres.tolist())
                if all(ohm + 2.5 * sd >= x for x in least) and not abs(ohm - middle) < 2 * width]  # fmt: skip
        for k in kept:
            allowed = word == "leaky" and centres[k] > log(limit.get(shorts[0], np.inf))
            hypotheses.append(() if allowed else told)
            for draw in range(draws):
                share = log(weight / draws) + float(log_share[k])
                rows.append((len(hypotheses) - 1, draw, gone, shorts, centres[k], sd, share))
    label, draw, gone, shorts, ln_ohm, ohm_sd, log_weight = zip(*rows, strict=True)
    draw, ln_ohm, ohm_sd = np.array(draw), np.array(ln_ohm), np.array(ohm_sd)
    tiles = SimpleNamespace(
        drop=[c + s * drawn[k, draw] for k, (c, s) in enumerate(windows)],
        built=[c + s * drawn[len(windows) + k, draw] for k, (_, (c, s)) in enumerate(a.built_in)],
        alive=[np.array([k not in g for g in gone]) for k in range(len(a.diodes))],
        path=[np.where([pair in s for s in shorts], -ln_ohm, -np.inf) for pair in pairs],
    )
    # what each cause moves by: drops of a group, what one junction differs by, built-in ohms, ideality, and
    # the ohms of a fault
    ideality = max((log(_ideality(g)[2] / _ideality(g)[0]) / 4 for g in a.groups), default=0.0)
    width = [0.6 * s for _, s in windows] + [prior("dies_v")] * len(a.diodes)
    width += [*(2.2 / draws * s for _, (_, s) in a.built_in), ideality]
    sd = np.concatenate([np.tile(width, (len(rows), 1)), np.repeat(ohm_sd[:, None], len(pairs), 1)], axis=1)
    mean, factor, noise = _predict(a, tiles, sd, meter, pairs, ohms=ohms)
    count = mean.shape[1] // (1 + ohms)
    ceiling = np.array([over_range_V(meter)] * count + [log(rule("leads_ohms_over"))] * (count * ohms))
    total = sum(weight for *_, weight in _ills(a))
    log_weight = np.array(log_weight) - log(total)
    predictions = Predictions(np.array(label), log_weight, mean, factor, noise, ceiling)
    return Model(a, tuple(hypotheses), predictions, ln_ohm, ohm_sd, len(width))


def _ideality(group) -> tuple[float, float, float]:
    """Least, middle and largest ideality of a group of junctions."""
    low, high = min(f.n_low for f in group), max(f.n_high for f in group)
    return low, (low * high) ** 0.5, high


def _predict(a, tiles, sd, meter: Meter, pairs, *, ohms: bool):
    """Mean, factor and noise of every reading of every tile, as `junction.leads.bench.predict` has them."""
    source_ohm = meter.resistance_ohm if meter.source_kind == "resistance" else 0.0
    v, i, r, dv = _solve(a, tiles, pairs, meter.open_voltage_V, meter.test_current_A, source_ohm)
    current = r * i * meter.current_spread / np.sqrt(3)
    accuracy = v * meter.accuracy_percent / 100 / np.sqrt(3)
    mean, factor = v, np.concatenate([dv * sd[:, None], current[..., None], accuracy[..., None]], axis=2)
    counts_V = meter.accuracy_counts * meter.resolution_V
    noise = np.sqrt(counts_V**2 / 3 + meter.resolution_V**2 / 12 + prior("discrepancy_v") ** 2)
    noise = np.full(v.shape, noise)
    if ohms:
        open_V, source_ohm = rule("leads_ohms_open"), rule("leads_ohms_source")
        v, i, r, dv = _solve(a, tiles, pairs, open_V, 0.0, source_ohm)
        dv[..., -1 - len(pairs)] = 0.0  # so far below a drop a straight line in the ideality says nothing
        v, i = np.maximum(v, 1e-9), np.maximum(i, 1e-13)
        ln_ohm, by_ohm = np.log(v / i), (1 / v + 1 / (i * source_ohm))[..., None]
        with_open = open_V * (r / source_ohm / v - (1 - r / source_ohm) / (i * source_ohm))
        cause = [dv * sd[:, None] * by_ohm, (with_open * rule("leads_ohms_spread"))[..., None], 0 * by_ohm]
        zero = rule("leads_ohms_zero") * np.exp(-np.maximum(ln_ohm, -1.5))
        stated = meter.ohms_accuracy == meter.ohms_accuracy
        own = (meter.ohms_accuracy if stated else rule("leads_ohms_accuracy")) + zero
        mean, noise = np.concatenate([mean, ln_ohm], axis=1), np.concatenate([noise, own], axis=1)
        factor = np.concatenate([factor, np.concatenate(cause, axis=2)], axis=1)
    return mean, factor, noise


def _solve(a, tiles, pairs, open_V: float, current_A: float, source_ohm: float):
    """Readings, currents and dynamic resistances (t, p) of every tile, and derivatives by cause (t, p, c).

    A drop is stated at one current; what a junction drops at another goes with its ideality, whose
    derivative is a difference.
    """
    leads, vt_V = len(a.names), thermal_voltage(REFERENCE_TEMP_C)
    place = np.array(list(permutations(range(leads), 2)))
    count, first_own = len(tiles.path[0]), len(a.groups)
    first_built = first_own + len(a.diodes)
    first_path = first_built + len(a.built_in) + 1
    v, i, r = (np.zeros((count, len(place))) for _ in range(3))
    dv = np.zeros((count, len(place), first_path + len(pairs)))
    source = {"open_V": open_V, "current_A": current_A, "resistance_ohm": source_ohm}
    for chunk in np.array_split(np.arange(v.size), max(1, v.size // _CHUNK)):
        t, p = np.divmod(chunk, len(place))
        for more in (_MORE, 1.0):
            network, slopes = Network(vt_V, leads), []  # parameter, cause, slope of the parameter's logarithm
            for k, (anode, cathode, group) in enumerate(a.diodes):
                n_vt = more * vt_V * _ideality(a.groups[group])[1]
                is_A = a.groups[group][0].vf_at_A * np.exp(-tiles.drop[group][t] / n_vt) * tiles.alive[k][t]
                at = network.diode(anode, cathode, is_A, np.full(t.size, n_vt))
                slopes += [(at, group, -1 / n_vt), (at, first_own + k, -1 / n_vt)]
            for k, (pair, _) in enumerate(a.built_in):
                slopes.append((network.path(*pair, np.exp(-tiles.built[k][t])), first_built + k, -1.0))
            for k, pair in enumerate(pairs):
                slopes.append((network.path(*pair, np.exp(tiles.path[k][t])), first_path + k, -1.0))
            got, i[t, p], r[t, p], by_parameter, _ = network.read(place[p, 0], place[p, 1], **source)
            dv[t, p, first_path - 1] = (v[t, p] - got) / log(_MORE)  # with more of it less without
            v[t, p] = got
        for parameter, cause, slope in slopes:
            dv[t, p, cause] += by_parameter[:, parameter] * slope
    return v, i, r, dv


def least_ohm(parts: Sequence[PartReadings], meter: Meter, names: Sequence[str]) -> list[float]:
    """What the k-th lowest resistance between leads must get past for the readings of a few parts [ohm].

    A resistance shows both ways as at most the meter's current times itself.
    """
    if len(parts) > _FEW:
        return []
    found = []
    for part in parts:
        least: dict[frozenset[str], float] = {}
        for r in part.readings:
            volts = over_range_V(meter) if r.kind == "over" else min(abs(r.value), over_range_V(meter))
            ohm = volts / meter.test_current_A / (1 + 1.5 * meter.current_spread)
            ohm = 0.8 * min(r.value, rule("leads_ohms_over")) if r.kind == "ohm" else ohm
            pair = frozenset((r.red, r.black))
            least[pair] = max(least.get(pair, 0.0), ohm)
        found.append(sorted(least.get(frozenset(pair), 0.0) for pair in combinations(names, 2)))
    return np.min(found, axis=0).tolist()


def reading_values(parts: Sequence[PartReadings], names: Sequence[str], over_V: float, *, ohms: bool):
    """Values and states of readings by placement: diode-mode volts, then, if any, ln ohm."""
    at = {f"{a}-{b}": k for k, (a, b) in enumerate(permutations(names, 2))}
    value = np.zeros((len(parts), len(at) * (1 + ohms)))
    state = np.full(value.shape, MISSING)
    for n, part in enumerate(parts):
        for r in part.readings:
            k, in_ohm = at[r.placement], r.kind == "ohm"
            over = isinf(r.value) if in_ohm else r.kind == "over" or r.value >= over_V
            state[n, k + len(at) * in_ohm] = OVER if over else VALUE
            value[n, k + len(at) * in_ohm] = (
                0.0 if over else log(max(r.value, 0.1)) if in_ohm else abs(r.value)
            )
    return value, state


def order_of(m: Model, lead: Sequence[str], names: Sequence[str], columns: int) -> np.ndarray:
    """Column of the table behind every reading that the model predicts, its nodes being some leads."""
    at = {pair: k for k, pair in enumerate(permutations(names, 2))}
    order = np.array([at[lead[red], lead[black]] for red, black in m.placements])
    return np.concatenate([order, order + len(at)])[:columns]


def log_cells(m: Model, names: Sequence[str], value: np.ndarray, state: np.ndarray) -> np.ndarray:
    """Log of prior times likelihood of every order of leads and hypothesis, (parts, orders, hypotheses)."""
    orders, log_prior = m.turned
    order = np.array([order_of(m, lead, names, value.shape[1]) for lead in orders])
    turned = (x[:, order].reshape(-1, value.shape[1]) for x in (value, state))
    found = m.predictions.log_evidence(*turned, len(m.hypotheses))
    return found.reshape(len(value), len(orders), -1) + log_prior[:, None]


def path_ohms(
    m: Model, faults: Faults, pair: int, value: np.ndarray, state: np.ndarray, meter: Meter, volts: float
) -> Interval | None:
    """Resistance of one path of a fault, None where the readings exclude it.

    Parameters
    ----------
    m : Model
    faults : Faults
    pair : int
        Place of the path among the model's pairs.
    value, state : ndarray
        Readings in the model's order.
    meter : Meter
    volts : float
        Lowest reading across it [V]; within the meter's counts of zero it gives a limit only.
    """
    own = np.flatnonzero([m.hypotheses[label] == faults for label in m.predictions.label])
    predictions = m.predictions.take(own)
    rows, like = predictions.log_likelihood(value[None, :], state)
    if not rows.size:
        return None
    shift, left = predictions.cause_given(rows, value, state, m.first_path + pair)
    centre, sd = m.ln_ohm[own[rows]], m.ohm_sd[own[rows]]
    best, spread = Mixture(like[:, 0], centre + sd * shift, sd * np.sqrt(left)).moments()
    ends = [float(np.exp(best + k * spread)) for k in (0, -NORMAL_95, NORMAL_95)]
    counts_V = (meter.accuracy_counts + 0.5) * meter.resolution_V
    if volts <= counts_V:
        least = (volts + counts_V) / (meter.test_current_A * (1 - meter.current_spread))
        return Interval(nan, 0.0, max(ends[2], float(least)), "ohm")
    return Interval(*ends, "ohm")
