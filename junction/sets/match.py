"""Matching: which parts work together, for one stage and one layout."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from junction.base.errors import UsageError
from junction.base.records import plain_name
from junction.fit.results import TransistorFits
from junction.sets.finish import SetMaker
from junction.sets.kinds import facing_notes, kind_labels
from junction.sets.layouts import EXACT, Chosen, one_rail, same_both_rails, two_rails
from junction.sets.results import GRADES, LAYOUTS, LeftOver, MatchedSet, MatchResult
from junction.sets.spread import drawn_devices
from junction.sets.swaps import Exchanges, swaps_for
from junction.sets.weigh import WEIGHTS, Weigher
from junction.stage.advice import advice_for
from junction.stage.results import Stage
from junction.stage.sharing import Devices, devices_from_fits

#: Draws of the parts' parameters; the 95 % limits scatter by about 4 % of u with this many.
DRAWS = 500
#: In a large bag fewer draws do: this many draws times parts, but never below so many draws.
DRAWS_TIMES_PARTS = 200_000
FEWEST_DRAWS = 200


@dataclass(frozen=True)
class MatchAsk:
    """What is wanted: layout, devices in a set (or on a rail), number of sets, sets fixed by hand."""

    layout: str = "pairs"
    per_set: int = 2  # devices that share one drive node: per set, or per rail in the two-rail layouts
    sets: int | None = None
    keep: tuple[tuple[str, ...], ...] = ()
    weights: dict[str, float] = field(default_factory=lambda: dict(WEIGHTS))
    seconds: float = 15.0
    draws: int = DRAWS
    seed: int = 1
    complements: dict[str, str] = field(default_factory=dict)  # of a type, both by their plain names


def usable(fits: TransistorFits) -> np.ndarray:
    """Parts whose curve can be worked with."""
    needed = [fits.names.index(name) for name in ("IS", "BF")]
    ok = np.isfinite(fits.value[:, needed]).all(axis=1)
    if fits.why_not:
        ok &= np.array([not why for why in fits.why_not])
    return ok


class Pool:
    """The parts of one polarity: their devices, draws and indices in the whole batch."""

    def __init__(self, index, devices: Devices, drawn: dict[str, Devices], kinds=None) -> None:
        self.index = np.asarray(index, int)
        self.devices, self.drawn, self.kinds = devices, drawn, kinds

    def without(self, taken) -> Pool:
        """The same pool less some parts of the whole batch."""
        return Pool(self.index[~np.isin(self.index, list(taken))], self.devices, self.drawn, self.kinds)

    def weigher(self, stage: Stage, k: int, weights) -> Weigher:
        """Costs of sets of k of this pool; part indices are local to the pool."""
        own = self.devices.take(self.index)
        drawn = {name: d.take(self.index) for name, d in self.drawn.items()}
        return Weigher(own, drawn, (stage.idle, stage.peak), k, weights,
                       None if self.kinds is None else self.kinds[self.index])  # fmt: skip


def match_parts(fits: TransistorFits, stage: Stage, ask: MatchAsk) -> MatchResult:
    """Choose disjoint sets for a stage.

    Parameters
    ----------
    fits : TransistorFits
        Parts that may be used (those judged not good are not among them).
    stage : Stage
    ask : MatchAsk

    Returns
    -------
    MatchResult

    Raises
    ------
    UsageError
        An unknown layout, or a kept set that cannot be.
    """
    if ask.layout not in LAYOUTS:
        raise UsageError(f"no layout {ask.layout!r}; there are: {', '.join(LAYOUTS)}")
    if ask.per_set < 1 or (ask.layout == "pairs" and ask.per_set < 2):
        raise UsageError("a set of one part shares nothing: at least 2 in a set")
    good = usable(fits)
    devices = devices_from_fits(fits)
    draws = min(ask.draws, max(FEWEST_DRAWS, DRAWS_TIMES_PARTS // max(len(fits), 1)))
    drawn = drawn_devices(fits, (stage.idle, stage.peak), ask.per_set, draws, ask.seed)
    pools = _pools(fits, good, ask, devices, drawn)
    maker = SetMaker(fits, stage, devices, drawn, ask)
    kept = _kept(fits, good, ask)
    taken = {i for rails in kept for rail in rails for i in rail}
    count = {key: sum(int(rails[0][0]) in p.index for rails in kept) for key, p in pools.items()}
    free = {key: pool.without(taken) for key, pool in pools.items()}
    chosen, refused = _choose(free, stage, ask, count)
    rails = list(kept) + [r for c in chosen for r in c[1]]
    sets = _best_first(maker.make(rails, kept=len(kept)))
    sets = tuple(_placed(_with_types(sets, ask), ask.layout))
    if kept:
        weighers = [p.weigher(stage, ask.per_set, ask.weights) for p in pools.values()]
        sets = swaps_for(sets, Exchanges(fits.part, [p.index for p in pools.values()], weighers))
    used = {name for s in sets for name in s.parts}
    left = _left_over(fits, good, used, ask)
    total, bound = sum(c[0].total for c in chosen), sum(c[0].bound for c in chosen)
    gap = (total - bound) / total if total > bound else 0.0
    basis = next((c[0].basis for c in chosen if c[0].basis != EXACT), EXACT)
    return MatchResult(
        sets, left, gap, ask.layout, stage.assumptions + _extra_assumptions(fits, stage, ask),
        advice_for(fits, stage, sets, maker, ask), stage, None, basis, dict(ask.weights), tuple(refused),
    )  # fmt: skip


def _pools(fits: TransistorFits, good, ask: MatchAsk, devices, drawn) -> dict[tuple[str, str], Pool]:
    """Parts that may stand in for each other: of one polarity and, on one rail, of one type."""
    by_type = ask.layout != "complementary"
    kinds = None if by_type else kind_labels(fits.type, ask.complements)
    groups: dict[tuple[str, str], list[int]] = {}
    for i in np.flatnonzero(good).tolist():
        key = (fits.polarity[i], plain_name(fits.type[i]) if by_type else "")
        groups.setdefault(key, []).append(i)
    order = {"NPN": 0, "PNP": 1}
    return {
        key: Pool(groups[key], devices, drawn, kinds)
        for key in sorted(groups, key=lambda k: (order.get(k[0], 2), k[1]))
    }


def _choose(free: dict[tuple[str, str], Pool], stage: Stage, ask: MatchAsk, kept: dict):
    """Run the layout on the free parts: list of (Chosen, rails as indices of the whole batch)."""
    k = ask.per_set
    out: list[tuple[Chosen, list]] = []
    refused: list[str] = []
    if ask.layout == "complementary":
        parts = {word: pool for (word, _), pool in free.items() if pool.index.size or not any(kept.values())}
        both = "NPN" in parts and "PNP" in parts
        if not both and not any(kept.values()):
            found = " and ".join(w or "of unknown polarity" for w in parts) or "none"
            raise UsageError(f"complementary sets need NPN and PNP parts; usable parts are {found}")
        wanted = None if ask.sets is None else max(ask.sets - kept[("NPN", "")], 0)
        made = 0
        if both:
            up, low = parts["NPN"], parts["PNP"]
            weighers = [p.weigher(stage, k, ask.weights) for p in (up, low)]
            c = two_rails(*weighers, k, wanted, ask.seconds)
            out.append((c, [(up.index[a], low.index[b]) for a, b in zip(c.upper, c.lower, strict=True)]))
            made = len(c.upper)
        _short(refused, ask, made + kept.get(("NPN", ""), 0), "")
        return out, refused
    for key, pool in free.items():
        wanted = None if ask.sets is None else max(ask.sets - kept[key], 0)
        made = 0
        if pool.index.size:
            weigher = pool.weigher(stage, k, ask.weights)
            if ask.layout == "pairs":
                c = one_rail(weigher, k, wanted, ask.seconds)
                rails = [(pool.index[a],) for a in c.upper]
            else:
                c = same_both_rails(weigher, k, wanted, ask.seconds)
                rails = [(pool.index[a], pool.index[b]) for a, b in zip(c.upper, c.lower, strict=True)]
            out.append((c, rails))
            made = len(rails)
        _short(refused, ask, made + kept[key], " ".join(w for w in key if w))
    return out, refused


def _short(refused: list[str], ask: MatchAsk, made: int, what: str) -> None:
    """Say where the parts are not enough for the sets wanted."""
    if ask.sets is not None and made < ask.sets:
        of = f" {what}" if what else ""
        refused.append(f"{ask.sets} sets were wanted; the usable{of} parts are enough for {made}")


def _kept(fits: TransistorFits, good, ask: MatchAsk) -> list[tuple[np.ndarray, ...]]:
    """Sets fixed by hand, as rails of part indices."""
    size = ask.per_set if ask.layout == "pairs" else 2 * ask.per_set
    where = {name: i for i, name in enumerate(fits.part)}
    seen: set[str] = set()
    out = []
    for names in ask.keep:
        if len(names) != size:
            raise UsageError(
                f"--keep {','.join(names)}: {len(names)} parts, but a set of this layout has {size}"
            )
        for name in names:
            if name not in where or not good[where[name]]:
                why = "is not among the parts read" if name not in where else "has no usable curve or reading"
                raise UsageError(f"--keep: {name} {why}")
            if name in seen:
                raise UsageError(f"--keep: {name} stands twice")
            seen.add(name)
        index = np.array([where[name] for name in names])
        polarity = [fits.polarity[i] for i in index]
        if ask.layout == "complementary":
            rails = tuple(index[[p == w for p in polarity]] for w in ("NPN", "PNP"))
            if any(len(r) != ask.per_set for r in rails):
                raise UsageError(f"--keep {','.join(names)}: needs {ask.per_set} NPN and {ask.per_set} PNP")
        elif len(set(polarity)) > 1:
            raise UsageError(f"--keep {','.join(names)}: parts of both polarities")
        else:
            rails = (index,) if ask.layout == "pairs" else (index[: ask.per_set], index[ask.per_set :])
        out.append(rails)
    return out


def _best_first(sets: list[MatchedSet]) -> list[MatchedSet]:
    """Sets fixed by hand as they were named, then polarity by polarity those that can best be vouched for."""
    polarities = list(dict.fromkeys(s.polarity for s in sets))
    return [s for s in sets if s.kept] + sorted(
        (s for s in sets if not s.kept),
        key=lambda s: (polarities.index(s.polarity), GRADES.index(s.grade),
                       max(s.limit_idle, s.limit_peak)),
    )  # fmt: skip


def _with_types(sets: list[MatchedSet], ask: MatchAsk) -> list[MatchedSet]:
    if ask.layout != "complementary":
        return sets
    return [replace(s, notes=facing_notes([m.type for m in s.marks], s.rails, ask.complements) + s.notes)
            for s in sets]  # fmt: skip


def _placed(sets: Sequence[MatchedSet], layout: str):
    """Say where each part goes."""
    for number, s in enumerate(sets, 1):
        count = {0: 0, 1: 0}
        places = []
        for rail in s.rails:
            count[rail] += 1
            if layout == "pairs":
                places.append(f"set {number}, position {count[rail]}")
            else:
                side = ("upper", "lower")[rail]
                places.append(f"channel {number}, {side} rail, position {count[rail]}")
        yield replace(s, places=tuple(places))


def _left_over(fits: TransistorFits, good, used, ask: MatchAsk) -> tuple[LeftOver, ...]:
    out = []
    for i, name in enumerate(fits.part):
        if name in used:
            continue
        if not good[i]:
            why = (fits.why_not[i] if fits.why_not else "") or "no curve or reading to match by"
        elif ask.sets is not None:
            why = "spare: the sets wanted are complete without it"
        else:
            why = "spare: no partner left, and the sets are better without it"
        out.append(LeftOver(name, why))
    return tuple(out)


def _extra_assumptions(fits: TransistorFits, stage: Stage, ask: MatchAsk) -> tuple[str, ...]:
    out = []
    unknown = int(np.sum(~np.asarray(fits.temp_known)))
    if unknown:
        out.append(f"{unknown} of {len(fits)} parts came without a temperature: 25 C taken, and their "
                   "differences "
                   "are that much less certain")  # fmt: skip
    if any(word == "spot" for word in fits.source):
        out.append(
            "what no reading says of a part, such as its Early voltage, is taken to be nearly that of "
            "the other parts of its type, and its resistances those of a part made for this stage (common "
            "practice, no source)"
        )
    kinds = {(p, t) for p, t in zip(fits.polarity, fits.type, strict=True) if t}
    types = sorted(t for _, t in kinds)
    if len(kinds) > len({p for p, _ in kinds}):
        how = (
            "complementary sets keep to registered complements as far as they go"
            if ask.layout == "complementary"
            else "each by itself"
        )
        out.append(f"parts of several types, {how}: {', '.join(types)}")
    if any(not p for p in fits.polarity):
        out.append("parts whose polarity is not said are matched among themselves")
    if ask.layout != "pairs":
        out.append(
            "at idle the two rails carry the same current in series; their match is judged at equal drive"
        )
    return tuple(out)
