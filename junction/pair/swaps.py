"""What one exchange would do to a set that the user fixed by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from junction.estimate.results import TransistorFits
from junction.pair.results import MatchedSet, Swap
from junction.pair.sharing import share

#: Exchanges listed for a kept set.
MOST_SWAPS = 6


def swaps_for(sets, fits: TransistorFits, pools, weighers, ask) -> tuple[MatchedSet, ...]:
    """Add to every kept set the exchanges that would better it, best first.

    Parameters
    ----------
    sets : sequence of MatchedSet
    fits : TransistorFits
    pools, weighers : mapping of str to Pool, Weigher
        By polarity; the weighers count parts as the pools do.
    ask : MatchAsk

    Returns
    -------
    tuple of MatchedSet
    """
    owner = {name: number for number, s in enumerate(sets) for name in s.parts}
    return tuple(
        replace(s, swaps=_swaps(number, s, sets, owner, fits, pools, weighers, ask)) if s.kept else s
        for number, s in enumerate(sets)
    )


def _rail_of(s: MatchedSet, place: int) -> list[int]:
    return [j for j in range(len(s.parts)) if s.rails[j] == s.rails[place]]


def _swaps(number, s: MatchedSet, sets, owner, fits, pools, weighers, ask) -> tuple[Swap, ...]:
    if ask.per_set == 1:
        return ()
    found = []
    for place, out in enumerate(s.parts):
        word = fits.polarity[fits.part.index(out)]
        pool, weigher = pools[word], weighers[word]
        local = {fits.part[i]: at for at, i in enumerate(pool.index)}
        rail = [local[s.parts[j]] for j in _rail_of(s, place)]
        spot = _rail_of(s, place).index(place)
        others = [name for name in local if name not in s.parts]
        if not others:
            continue
        trial = np.repeat([rail], len(others), axis=0)
        trial[:, spot] = [local[name] for name in others]
        now, new = float(weigher.cost(np.array([rail]))[0]), weigher.cost(trial)
        sizes = [share(weigher.devices.take(trial), p).imbalance for p in weigher.points]
        harm = _harm(others, out, owner, sets, local, weigher)
        saving = now - new - harm
        for at in np.argsort(-saving)[:MOST_SWAPS]:
            if saving[at] > 0:
                found.append(Swap(out, others[at], float(sizes[0][at]), float(sizes[1][at]), float(new[at]),
                                  float(saving[at]), owner.get(others[at])))  # fmt: skip
    return tuple(sorted(found, key=lambda w: -w.saving)[:MOST_SWAPS])


def _harm(others, out: str, owner, sets, local, weigher) -> np.ndarray:
    """What giving a part up costs the set it comes from, which takes `out` in its place."""
    harm = np.zeros(len(others))
    for at, name in enumerate(others):
        if name not in owner:
            continue
        s = sets[owner[name]]
        rail = [s.parts[j] for j in _rail_of(s, s.parts.index(name))]
        before = np.array([[local[p] for p in rail]])
        after = np.array([[local[out if p == name else p] for p in rail]])
        harm[at] = float(weigher.cost(after)[0] - weigher.cost(before)[0])
    return harm
