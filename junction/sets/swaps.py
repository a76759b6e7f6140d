"""What one exchange would do to a set that the user fixed by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from junction.sets.results import MatchedSet, Swap
from junction.sets.weigh import Weigher, cross_cost
from junction.stage.sharing import imbalance, share

#: Exchanges listed for a kept set.
MOST_SWAPS = 6


class Exchanges:
    """Costs of whole sets, one rail or two, with parts counted in the whole batch.

    Parameters
    ----------
    names : tuple of str
        All parts of the batch.
    index : sequence of ndarray
        Parts of each pool.
    weighers : sequence of Weigher
        Of each pool, parts counted as its index does.
    """

    def __init__(self, names: tuple[str, ...], index, weighers) -> None:
        self.names, self.index, self.weighers = names, index, weighers
        self.where = {name: i for i, name in enumerate(names)}
        self.pool_of = {int(i): p for p, members in enumerate(index) for i in members}
        self.local = {int(i): at for members in index for at, i in enumerate(members)}

    def _local(self, members) -> tuple[Weigher, np.ndarray]:
        weigher = self.weighers[self.pool_of[int(members[0, 0])]]
        return weigher, np.vectorize(self.local.__getitem__)(members)

    def cost(self, rails) -> np.ndarray:
        """Cost of sets given rail by rail, each (c, k) of part indices."""
        own = [self._local(r) for r in rails]
        total = sum(w.cost(m) for w, m in own)
        if len(rails) == 2:
            (one, a), (two, b) = own
            total = total + cross_cost(one.groups(a), two.groups(b), one.points, one.weights)
        return total

    def size(self, rails, which: int) -> np.ndarray:
        """Imbalance of the sets at a point: of the worse rail, or between rails of one part each."""
        if rails[0].shape[1] == 1:
            groups = [w.groups(m) for w, m in (self._local(r) for r in rails)]
            (v1, s1), (v2, s2) = ((g[0][which], g[1][which]) for g in groups)
            return np.tanh(np.abs(v1 - v2) / (s1 + s2))  # as `cross_cost` weighs them
        sizes = []
        for r in rails:
            w, m = self._local(r)
            sizes.append(imbalance(share(w.devices.take(m), w.points[which]).ie_A))
        return np.max(sizes, axis=0)


def swaps_for(sets, exchanges: Exchanges) -> tuple[MatchedSet, ...]:
    """Add to every kept set the exchanges that would better the whole, best first.

    Parameters
    ----------
    sets : sequence of MatchedSet
    exchanges : Exchanges

    Returns
    -------
    tuple of MatchedSet
    """
    owner = {name: number for number, s in enumerate(sets) for name in s.parts}
    return tuple(replace(s, swaps=_swaps(s, sets, owner, exchanges)) if s.kept else s for s in sets)


def _rails(s: MatchedSet, exchanges: Exchanges) -> list[np.ndarray]:
    parts = np.array([exchanges.where[name] for name in s.parts])
    return [parts[np.array(s.rails) == rail] for rail in sorted(set(s.rails))]


def _with(rails, out: int, into, exchanges: Exchanges) -> list[np.ndarray]:
    """Rails of one set, repeated, with part `out` replaced by each of `into`."""
    trial = [np.repeat(r[None], len(into), axis=0) for r in rails]
    for r in trial:
        r[r == out] = np.repeat(into, int((r[0] == out).sum()))
    return trial


def _swaps(s: MatchedSet, sets, owner, exchanges: Exchanges) -> tuple[Swap, ...]:
    rails = _rails(s, exchanges)
    now = float(exchanges.cost([r[None] for r in rails])[0])
    found = []
    for out_name in s.parts:
        out = exchanges.where[out_name]
        others = [
            int(i) for i in exchanges.index[exchanges.pool_of[out]] if exchanges.names[i] not in s.parts
        ]
        if not others:
            continue
        trial = _with(rails, out, np.array(others), exchanges)
        new = exchanges.cost(trial)
        saving = now - new - _harm(others, out, sets, owner, exchanges)
        best = [int(at) for at in np.argsort(-saving)[:MOST_SWAPS] if saving[at] > 0]
        if not best:
            continue
        sizes = [exchanges.size([r[best] for r in trial], which) for which in (0, 1)]
        for row, at in enumerate(best):
            name = exchanges.names[others[at]]
            found.append(Swap(out_name, name, float(sizes[0][row]), float(sizes[1][row]), float(new[at]),
                              float(saving[at]), owner.get(name)))  # fmt: skip
    return tuple(sorted(found, key=lambda w: -w.saving)[:MOST_SWAPS])


def _harm(others, out: int, sets, owner, exchanges: Exchanges) -> np.ndarray:
    """What giving a part up costs the set it comes from, which takes `out` in its place."""
    harm = np.zeros(len(others))
    for at, other in enumerate(others):
        name = exchanges.names[other]
        if name in owner:
            rails = _rails(sets[owner[name]], exchanges)
            before = exchanges.cost([r[None] for r in rails])[0]
            harm[at] = float(exchanges.cost(_with(rails, other, np.array([out]), exchanges))[0] - before)
    return harm
