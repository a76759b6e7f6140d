"""What a candidate set costs, and from costs to disjoint sets: every candidate where feasible, else search.

The cost is the imbalance to expect in the stage, given what the measurements can say.  The imbalance of the
fitted curves is solved exactly.  The measurements leave an uncertainty u of the difference, and the
difference that is really there is normal about the fitted one, so the size to expect is the mean of a folded
normal distribution: for differences well above u it is the fitted imbalance itself, and for differences
below u it levels off at 0.8 u instead of chasing noise.

Types face their registered complements first, whatever their curves say: parts of other types may match at
two currents and still differ in speed, second breakdown and capacitance, which no curve here shows.

A choice travels as (rails, total, bound, basis): one array (m, k) of part indices local to its pool for each
rail, the total cost, a proven lower bound of it, and the reason code of what that bound rests on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from math import comb, pi, sqrt

import numpy as np

from junction.amplifier.results import OperatingPoint, Stage
from junction.amplifier.sharing import Devices, drive_point, imbalance, share, spread_apart
from junction.base.progress import tell
from junction.base.records import plain_name
from junction.sets.pack import (
    all_sets,
    assign_two_kinds,
    greedy,
    improve_pairs,
    pack,
    pack_pairs,
    pair_up,
    range_bound,
    set_number,
)
from junction.shelf.tables import rule

#: Sets solved at a time, so that the arrays stay in the processor's cache.
_CHUNK = 8_000
#: Agreement of drive voltages that a cost needs [V]: 1e-7 V is 2e-6 of an imbalance.
_TOLERANCE_V = 1e-7
#: Cost of a set that mixes types: more than any imbalance, so that it comes last.
_MIXED = 2.0
#: Label of a part without a type, and of the first type whose complement nobody registered.
UNKNOWN, _ALONE = -1, 1000
POINTS = ("idle", "peak")
#: Up to this many candidate sets all are weighed; beyond, local search with a bound.
MOST_CANDIDATES = 400_000
#: Up to so many parts every pair is weighed; of more, each part's nearest so many.
MOST_SQUARE, _NEAREST = 1000, 40
#: Most candidate exchanges weighed at a time: while any sets are improved, and while channels are.
_MOST_EXCHANGES, _MOST_POLISHED = 400_000, 60_000
#: An exchange that saves no more than this is rounding.
_SAVES = 1e-12


def weights_for(idle: float | None = None, within: bool = False) -> dict[str, float]:
    """Shares of a cost: idle current, peak current, the two rails against each other, base current.

    Parameters
    ----------
    idle : float, optional
        How much the match at idle counts [1], that at the peak the rest; the rule ``match_weight_idle`` by
        default.
    within : bool
        Whether the base currents count within a set, as where nothing drives them.
    """
    idle, base = rule("match_weight_idle") if idle is None else idle, rule("match_weight_base")
    return {"idle": idle, "peak": 1.0 - idle, "halves": rule("match_weight_rails"), "base": base,
            "base_within": base if within else 0.0}  # fmt: skip


def folded_mean(size, u):
    """Mean of |x| for x normal with mean `size` and standard deviation `u` (Leone et al. 1961)."""
    from scipy.special import erf

    size, u = np.asarray(size, float), np.asarray(u, float)
    safe = np.where(u > 0, u, 1.0)
    ratio = size / safe
    mean = safe * sqrt(2 / pi) * np.exp(-0.5 * ratio * ratio) + size * erf(ratio / sqrt(2))
    return np.where(u > 0, mean, size)


def expected_imbalance(size, u):
    """Imbalance to expect where `size` is that of the fitted curves and `u` its uncertainty to first order.

    Parameters
    ----------
    size : ndarray
        Below 1 [1].
    u : ndarray
        Standard uncertainty of the difference of drive, as an imbalance to first order [1]; may exceed 1.

    Returns
    -------
    ndarray
        tanh of the mean size of the difference.  No imbalance passes 1: without that bound two parts of which
        next to nothing is known would cost more than two that are surely unequal, and the sets would be
        chosen by what is not known of them.
    """
    size = np.minimum(np.asarray(size, float), 1 - 1e-12)
    return np.tanh(folded_mean(np.arctanh(size), u))


def beyond_use(size, end: float):
    """Cost of sets of that size: past `end`, where no set has a grade, it hardly matters how far.

    A part that suits none must not tear good sets apart to spoil them all evenly.
    """
    return np.where(size > end, end + rule("match_weight_beyond") * (size - end), size)


def type_labels(types: Sequence[str], complements: Mapping[str, str]) -> np.ndarray:
    """One number a part: equal for a type and its registered complement; `UNKNOWN` where no type is given.

    Parameters
    ----------
    types : sequence of str
    complements : mapping of str to str
        Plain name of a type to that of its registered complement.
    """
    seen: dict[frozenset, int] = {}
    out = np.full(len(types), UNKNOWN)
    for k, name in enumerate(map(plain_name, types)):
        if name:
            pair = frozenset((name, complements.get(name, name)))
            out[k] = seen.setdefault(pair, (0 if name in complements else _ALONE) + len(seen))
    return out


def mixed_within(labels) -> np.ndarray:
    """Whether sets (.., k) of labels hold two known types."""
    least = np.where(labels == UNKNOWN, np.iinfo(int).max, labels).min(axis=-1)
    return labels.max(axis=-1) > least


def mixed_across(upper, lower) -> np.ndarray:
    """Whether two rails are of types that are not each other's; where no complement is registered, no."""
    both = (upper != UNKNOWN) & (lower != UNKNOWN)
    return both & (upper != lower) & ((upper < _ALONE) | (lower < _ALONE))


class Weigher:
    """Costs of sets of `k` devices of one pool that share a stage's currents.

    Parameters
    ----------
    devices : Devices
        The n parts, fitted values.
    drawn : mapping of str to Devices
        Draws of the same parts at each point, shape (d, n).
    stage : Stage
    weights : mapping of str to float
        As `weights_for` gives them [1].
    labels : ndarray of int (n,), optional
        As `type_labels` gives them.

    Notes
    -----
    Part indices are those of the pool.  Where positions have different resistors, their mean stands for
    all while sets are chosen.  Near an equal share each part is known to first order, by point (2, n): the
    drive it needs and its standard uncertainty against the other parts [V], its slope dV/d ln I [V] and its
    base current [A].
    """

    def __init__(self, devices, drawn, stage: Stage, weights, labels=None) -> None:
        self.devices, self.k, self.weights = devices, stage.parallel, dict(weights)
        self.n = devices.shape[-1]
        self.labels = np.full(self.n, UNKNOWN) if labels is None else labels
        self.points = [
            replace(p, re_ohm=float(np.mean(p.re_ohm)), rb_ohm=float(np.mean(p.rb_ohm)))
            for p in (stage.idle, stage.peak)
        ]
        near = [self._near(p, drawn[p.name]) for p in self.points]
        self.drive_V, self.u_V, self.slopes_V, self.ib_A = (np.array(x) for x in zip(*near, strict=True))
        self.slope_V = self.slopes_V.mean(axis=1)

    def _near(self, p: OperatingPoint, drawn: Devices):
        surroundings = (p.vce_V, p.temp_C, p.re_ohm, p.rb_ohm)
        share_A = p.total_A / self.k
        log_ic = np.full(self.n, np.log(share_A))
        for _ in range(2):  # the share is of the emitter current, which a low gain makes larger
            log_ic = log_ic - np.log(drive_point(self.devices, log_ic, *surroundings).ie_A / share_A)
        now = drive_point(self.devices, log_ic, *surroundings)
        # drawn resistances turn about the share: there they part nobody
        still = {name: self.devices.values[name] for name in ("RE", "RB", "TURN")}
        one_by_one = drive_point(Devices({**drawn.values, **still}), log_ic, *surroundings).drive_V
        one_by_one = np.broadcast_to(one_by_one, (*one_by_one.shape[:-1], self.n))
        found = (now.drive_V, spread_apart(one_by_one), now.slope_V * share_A / now.ie_slope_A, now.ib_A)
        return np.broadcast_arrays(*found)

    def coordinates(self) -> np.ndarray:
        """Per part and point, the place whose range in a set is the weighted imbalance to first order."""
        weight = np.array([[self.weights[p.name]] for p in self.points])
        columns = list(weight * self.drive_V / (self.slope_V[:, None] * self.k))
        known = np.unique(self.labels)
        if known.size > 1 and UNKNOWN not in known:
            columns.append(_MIXED * np.searchsorted(known, self.labels))
        return np.stack(columns, axis=1)

    def cost(self, members) -> np.ndarray:
        """Cost of sets (c, k) of parts [1]."""
        if self.k == 1:
            return np.zeros(len(members))
        total, end = np.zeros(len(members)), rule("grade_c")
        for at in range(0, len(members), _CHUNK):
            tell("weighing", at, len(members), "sets")
            piece = members[at : at + _CHUNK]
            gathered = self.devices.take(piece)
            if by_base := self.weights.get("base_within", 0.0):
                total[at : at + _CHUNK] += by_base * imbalance(self.ib_A[0, piece])
            for q, point in enumerate(self.points):
                if not self.weights[point.name]:
                    continue
                # to first order, where Newton has little left to do
                drive = self.drive_V[q, piece]
                off = (drive.mean(axis=-1, keepdims=True) - drive) / self.slope_V[q]
                start = np.log(point.total_A / self.k) + np.clip(off, -2.0, 2.0)
                size = share(gathered, point, start=start, tolerance_V=_TOLERANCE_V).imbalance
                u = self.u_V[q, piece] / (self.slope_V[q] * self.k)
                u = np.sqrt(2 * np.mean(u * u, axis=-1))
                expected = beyond_use(expected_imbalance(size, u), end)
                total[at : at + _CHUNK] += self.weights[point.name] * expected
        return total + _MIXED * mixed_within(self.labels[members])

    def groups(self, members) -> np.ndarray:
        """Sets seen from outside: drive, its slope and uncertainty [V], base current [A], type; (5, 2, c)."""
        out = np.empty((5, 2, len(members)))
        own = self.labels[members]
        out[4] = np.where(mixed_within(own), UNKNOWN, own.max(axis=-1))
        for q, point in enumerate(self.points):
            out[2, q] = np.sqrt(np.mean(self.u_V[q, members] ** 2, axis=-1) / self.k)
            for at in range(0, len(members), _CHUNK):
                piece = members[at : at + _CHUNK]
                if self.k == 1:
                    one = piece[:, 0]
                    found = self.drive_V[q, one], self.slopes_V[q, one], self.ib_A[q, one]
                else:
                    s = share(self.devices.take(piece), point)
                    found = s.drive_V, s.drive_slope_V, s.ib_A.sum(axis=-1)
                out[[0, 1, 3], q, at : at + _CHUNK] = found
        return out


def cross_cost(upper, lower, weights) -> np.ndarray:
    """Cost of putting groups of the upper rail against groups of the lower one.

    Parameters
    ----------
    upper, lower : ndarray (5, 2, ...)
        What `Weigher.groups` gave, arrays that broadcast against each other behind axis 1.
    weights : mapping of str to float
        As `weights_for` gives them [1].

    Returns
    -------
    ndarray
        At equal drive, how unequal the two rails' currents are, idle and peak weighted; and how unequal
        the base currents are that the driver has to bring at the peak.
    """
    (v1, s1, u1, b1, label1), (v2, s2, u2, b2, label2) = upper, lower
    total = 0.0
    for q, name in enumerate(POINTS):
        size = np.abs(v1[q] - v2[q]) / (s1[q] + s2[q])
        u = np.sqrt(u1[q] * u1[q] + u2[q] * u2[q]) / (s1[q] + s2[q])
        total = total + weights["halves"] * weights[name] * np.tanh(folded_mean(size, u))
    total = total + weights["base"] * np.abs(b1[1] - b2[1]) / (b1[1] + b2[1])
    return total + _MIXED * mixed_across(label1[1], label2[1])


def splits(count: int, k: int) -> np.ndarray:
    """Every way to cut ``count * k`` places into `count` sets of k, shape (ways, count, k)."""

    def cut(places):
        if not places:
            yield ()
            return
        first, rest = places[0], places[1:]
        for other in combinations(rest, k - 1):
            left = [p for p in rest if p not in other]
            for tail in cut(left):
                yield ((first, *other), *tail)

    return np.array(list(cut(list(range(count * k)))))


def improve_sets(sets, cost_of, *, together: int = 2, rounds: int = 50, places: bool = False):
    """Repartition every `together` sets as well as possible, until nothing is gained.

    Parameters
    ----------
    sets : ndarray of int (m, k)
    cost_of : callable
        (c, k) part indices, sorted in each row, to their costs (c,) [1]; with `places`, also given the
        number of the set (c,) that each stands for.
    together : int
        How many sets are taken apart at a time (2 or 3).
    rounds : int
        Most sweeps over all combinations.
    places : bool
        Whether it matters which set stands where.

    Returns
    -------
    ndarray of int (m, k)
    """
    sets = np.sort(np.array(sets), axis=1)
    m, k = sets.shape
    ways = splits(together, k)
    if places:
        ways = np.concatenate([ways, ways[:, ::-1]])
    groups = np.array(list(combinations(range(m), together)))
    per_chunk = max(1, _MOST_EXCHANGES // (len(ways) * together))

    def costs(options, place):
        flat = options.reshape(-1, k)
        found = cost_of(flat, np.broadcast_to(place, options.shape[:-1]).ravel()) if places else cost_of(flat)
        return found.reshape(options.shape[:-1])

    for _ in range(rounds):
        now = costs(sets, np.arange(m))
        gain = np.zeros(len(groups))
        best = np.zeros((len(groups), together, k), np.int64)
        for at in range(0, len(groups), per_chunk):
            chunk = groups[at : at + per_chunk]
            options = np.sort(sets[chunk].reshape(len(chunk), -1)[:, ways], axis=-1)
            total = costs(options, chunk[:, None]).sum(axis=-1)
            pick, own = total.argmin(axis=1), np.arange(len(chunk))
            gain[at : at + per_chunk] = now[chunk].sum(axis=1) - total[own, pick]
            best[at : at + per_chunk] = options[own, pick]
        used = np.zeros(m, bool)
        for g in np.argsort(-gain):
            if gain[g] <= _SAVES:
                break
            if not used[groups[g]].any():
                sets[groups[g]] = best[g]
                used[groups[g]] = True
        if not used.any():
            break
    return sets


def swap_left_over(sets, spare, cost_of, *, rounds: int = 200):
    """Exchange a member with one of the parts in no set, `spare`, while that lowers the total; both."""
    sets, spare = np.sort(np.array(sets), axis=1), np.array(spare)
    m, k = sets.shape
    for _ in range(rounds if spare.size else 0):
        options = np.repeat(np.repeat(sets[:, None, None], k, axis=1), spare.size, axis=2)
        for place in range(k):
            options[:, place, :, place] = spare
        total = cost_of(np.sort(options, axis=-1).reshape(-1, k)).reshape(m, -1)
        gain = cost_of(sets)[:, None] - total
        s, which = np.unravel_index(gain.argmax(), gain.shape)
        if gain[s, which] <= _SAVES:
            break
        place, r = divmod(int(which), spare.size)
        sets[s, place], spare[r] = spare[r], sets[s, place]
        sets[s].sort()
    return sets, spare


def group_up(cost_of, coordinates, k: int, m: int, *, seconds: float = 20.0):
    """Disjoint sets of k out of one bag at least total cost.

    Parameters
    ----------
    cost_of : callable
        (c, k) part indices, sorted in each row, to their costs (c,) [1].
    coordinates : ndarray (n, q)
        Places of the parts whose ranges, summed over q, are the cost to first order; used to start
        from, and beyond `MOST_CANDIDATES` as the cost itself.
    k, m : int
        Parts in a set and number of sets, at least one; ``m * k <= n``.
    seconds : float
        Time after which the best answer so far is returned [s].

    Returns
    -------
    tuple
        A choice on one rail.
    """
    n = len(coordinates)
    every = k <= 2 or comb(n, k) <= MOST_CANDIDATES
    basis = "match_bound_exact" if every else "match_bound_linear"
    if not every:

        def range_cost(sets):
            return np.ptp(coordinates[sets], axis=1).sum(axis=-1)

        sets = _searched(range_cost, coordinates, k, m, thorough=False)
        total = float(range_cost(sets).sum())
        return (sets,), total, min(total, range_bound(coordinates, k, m)), basis
    if k == 2 and n > MOST_SQUARE:
        members, order = near_pairs(coordinates)
        cost = cost_of(members)
        taken = members[greedy(members, cost, n, m)]
        rest = order[~np.isin(order, taken)][: 2 * (m - len(taken))].reshape(-1, 2)
        # to first order where no pair was weighed, and what is not known besides: enough to start from
        apart = np.abs(np.diff(coordinates[members], axis=1)).sum(axis=(1, 2))
        square = np.full((n, n), np.max(cost - apart), np.float32)
        for column in coordinates.T.astype(np.float32):
            square += np.abs(column[:, None] - column)
        square[members[:, 0], members[:, 1]] = square[members[:, 1], members[:, 0]] = cost
        pairs = np.sort(improve_pairs(np.concatenate([taken, rest]), square), axis=1)
        del square
        members = np.concatenate([members, pairs])
        number, at = np.unique(members[:, 0] * n + members[:, 1], return_index=True)
        first = np.searchsorted(number, pairs[:, 0] * n + pairs[:, 1])
        members = members[at]
        sets, total, bound = pack_pairs(members, cost_of(members), order, m, first=first, seconds=seconds / 6)
        return (sets,), total, bound, "match_bound_near"
    members = all_sets(n, k)
    cost = cost_of(members)
    if k == 2:
        square = np.zeros((n, n))
        square[members[:, 0], members[:, 1]] = square[members[:, 1], members[:, 0]] = cost
        sets, total, bound = pair_up(square, m, seconds=seconds)
        return (sets,), total, bound, basis
    sets = _searched(lambda s: cost[set_number(s, n)], coordinates, k, m, thorough=k <= 4)
    chosen, total, bound = pack(members, cost, n, m, first=set_number(sets, n), seconds=seconds)
    return (members[chosen],), total, bound, basis


def near_pairs(coordinates) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of each part with those nearest to it, and the parts along a line.

    Parameters
    ----------
    coordinates : ndarray (n, q)
        As `group_up` takes them: the cost of a pair is the sum of its distances, to first order.

    Returns
    -------
    members : ndarray of int (c, 2)
    order : ndarray of int (n,)
    """
    from scipy.spatial import cKDTree

    n = len(coordinates)
    spread = coordinates - coordinates.mean(axis=0)
    _, _, axes = np.linalg.svd(spread, full_matrices=False)
    order = np.argsort(spread @ axes[0], kind="stable")
    near = cKDTree(coordinates).query(coordinates, min(_NEAREST, n - 1) + 1, p=1)[1]
    members = np.sort(np.stack([np.repeat(np.arange(n), near.shape[1]), near.ravel()], axis=1), axis=1)
    members = np.unique(members[members[:, 0] != members[:, 1]], axis=0)
    return members, order


def _searched(cost_of, coordinates, k: int, m: int, *, thorough: bool) -> np.ndarray:
    """Start from neighbours along the longest direction, then exchange; `m` sets of k."""
    spread = coordinates - coordinates.mean(axis=0)
    _, _, axes = np.linalg.svd(spread, full_matrices=False)
    order = np.argsort(spread @ axes[0], kind="stable")
    line = (spread @ axes[0])[order]
    free = np.ones(len(order), bool)
    chosen = []
    # the tightest windows first, or all of them in a row where no part is to spare
    window = line[k - 1 :] - line[: len(line) - k + 1]
    spare = m * k < len(order)
    for at in np.argsort(window, kind="stable") if spare else range(0, m * k, k):
        if free[at : at + k].all() and len(chosen) < m:
            free[at : at + k] = False
            chosen.append(order[at : at + k])
    rest = order[free]  # windows cut each other off: fill up with what is left
    short = (m - len(chosen)) * k
    sets, spare = np.array([*chosen, *rest[:short].reshape(-1, k)]), rest[short:]
    for _ in range(3):
        sets, spare = swap_left_over(sets, spare, cost_of)
        before = float(cost_of(sets).sum())
        for together in (2, 3) if thorough else (2,) if k <= 6 else ():
            sets = improve_sets(sets, cost_of, together=together)
        if not spare.size or float(cost_of(sets).sum()) >= before - _SAVES:
            break
    return sets


def two_rails(upper: Weigher, lower: Weigher, m: int, seconds: float):
    """`m` sets (one or more) of k parts of the upper pool against k of the lower, or of the same; a choice.

    Sets of each rail are made first and then put against each other; where it is feasible, that is only the
    start for weighing every candidate of both rails.
    """
    same, k, a, b = upper is lower, upper.k, upper.n, lower.n
    if k == 1:
        sides = [np.arange(n)[:, None] for n in (a, b)]
    elif same:
        (half,), _, least, _ = group_up(upper.cost, upper.coordinates(), k, 2 * m, seconds=seconds / 2)
        sides = [half, half]
    else:
        by_rail = [group_up(w.cost, w.coordinates(), k, m, seconds=seconds / 4) for w in (upper, lower)]
        sides, least = [rails[0] for rails, *_ in by_rail], sum(bound for _, _, bound, _ in by_rail)
    groups = [w.groups(s) for w, s in zip((upper, lower), sides, strict=True)]
    table = cross_cost(groups[0][..., :, None], groups[1][..., None, :], upper.weights)
    if same:
        facing, total, bound = pair_up(table, m, seconds=seconds / 2)
    else:
        facing, total, bound = assign_two_kinds(table, m)
    rails = [s[f] for s, f in zip(sides, facing.T, strict=True)]
    if k == 1:
        return rails, total, bound, "match_bound_exact"
    rails, total = _polished(upper, lower, rails)
    candidates = comb(a, 2 * k) if same else comb(a, k) * comb(b, k)
    if candidates > MOST_CANDIDATES:
        return rails, total, least, "match_bound_rails"
    return _weighed(upper, lower, rails, m, seconds)


def _weighed(upper: Weigher, lower: Weigher, rails, m: int, seconds: float):
    """Every candidate of both rails weighed, from a known answer; a choice."""
    same, k, a, b = upper is lower, upper.k, upper.n, lower.n
    one, two = all_sets(a, k), all_sets(b, k)
    if same:  # the best way to share 2k parts out
        members = all_sets(a, 2 * k)
        ways = [[set_number(members[:, half], a) for half in way] for way in splits(2, k)]
        first = set_number(np.sort(np.concatenate(rails, axis=1), axis=1), a)
    else:
        ways = [np.divmod(np.arange(len(one) * len(two)), len(two))]
        members = np.concatenate([one[ways[0][0]], two[ways[0][1]] + a], axis=1)
        first = set_number(rails[0], a) * len(two) + set_number(rails[1], b)
    own = [upper.cost(one), lower.cost(two)]
    groups = [upper.groups(one), lower.groups(two)]
    cost = np.full(len(members), np.inf)
    best = np.zeros((2, len(members)), int)
    for i, j in ways:
        now = own[0][i] + own[1][j] + cross_cost(groups[0][..., i], groups[1][..., j], upper.weights)
        better = now < cost
        cost[better], best[0, better], best[1, better] = now[better], i[better], j[better]
    chosen, total, bound = pack(members, cost, a if same else a + b, m, first=first, seconds=seconds)
    return (one[best[0, chosen]], two[best[1, chosen]]), total, bound, "match_bound_exact"


def _polished(upper: Weigher, lower: Weigher, rails, rounds: int = 20):
    """Exchange parts between the channels, rail by rail, while the whole cost falls: rails and total."""
    rails = [np.sort(r, axis=1) for r in rails]
    m, k = rails[0].shape

    def total_of(one, two):
        between = cross_cost(upper.groups(one), lower.groups(two), upper.weights)
        return upper.cost(one) + lower.cost(two) + between

    few = 4 * comb(m, 2) * len(splits(2, k)) <= _MOST_POLISHED
    for _ in range(rounds if few else 0):
        before = [r.copy() for r in rails]
        rails[0] = improve_sets(rails[0], lambda s, at: total_of(s, rails[1][at]), rounds=1, places=True)
        rails[1] = improve_sets(rails[1], lambda s, at: total_of(rails[0][at], s), rounds=1, places=True)
        if all((r == b).all() for r, b in zip(rails, before, strict=True)):
            break
    return rails, float(total_of(*rails).sum())
