"""Which one more measurement would better the sets most, and which parts none here can tell apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from junction.amplifier.sharing import drawn_devices
from junction.base.units import NORMAL_95
from junction.judge.results import next_step, say
from junction.sets.choose import POINTS, folded_mean
from junction.sets.finish import Finisher
from junction.sets.results import MatchedSet
from junction.shelf.tables import rule
from junction.transistor.values import u_vbe_apart

#: Pairs of parts named that cannot be told apart.
_MOST_NEAR = 1


def advice(f: Finisher, sets: Sequence[MatchedSet], u_temp_K: tuple[float, float] | None) -> tuple[str, ...]:
    """The single measurement that would better the sets most, and what none here can claim.

    Parameters
    ----------
    f : Finisher
    sets : sequence of MatchedSet
    u_temp_K : tuple of float
        Standard uncertainty of a recorded and of a missing temperature, part against part [K]; the rules
        ``temp_apart`` and ``temp_apart_missing`` by default.
    """
    used = [f.fits.part.index(name) for s in sets for name in s.parts]
    if not used:
        return ()
    best = _best(f, sets, used, u_temp_K)
    near, follows = _cannot_tell(f, sets, used)
    return (*best, *near, *([] if best else follows))


def _best(f: Finisher, sets, used: list[int], u_temp_K) -> list[str]:
    """The measurement after which the upper ends would stand lowest, if any is worth its while.

    The draws of a part's V_BE at a point, less the mean of all parts', are regressed on those of what the
    measurement would read: what is left over is what it does not tell.
    """
    stage, parts = f.stage, np.array(used)
    usual = min(rule("reading_vce"), stage.idle.vce_V)
    near = replace(stage, idle=replace(stage.idle, vce_V=usual), peak=replace(stage.peak, vce_V=usual))
    by_reading = drawn_devices(f.fits, near, f.drawn["idle"].shape[0])

    def apart(drawn) -> np.ndarray:
        own = np.broadcast_to(drawn.values["DV"], drawn.shape)[:, parts]
        return own - own.mean(axis=1, keepdims=True)

    target = {w: apart(f.drawn[w]) for w in POINTS}
    var = {w: np.maximum(target[w].var(axis=0), 1e-18) for w in POINTS}
    amps = {w: getattr(stage, w).total_A / f.k for w in POINTS}
    left: dict[str, dict] = {}  # measurement -> share of the uncertainty that it leaves, by point
    readings = {"advice_idle": (apart(by_reading["idle"]), amps["idle"], usual),
                "advice_peak": (apart(by_reading["peak"]), amps["peak"], usual),
                "advice_vce": (target["idle"], amps["idle"], stage.idle.vce_V)}  # fmt: skip
    known = np.array(f.fits.temp_known)[parts]
    u_T = np.where(known, *(u_temp_K or (rule("temp_apart"), rule("temp_apart_missing"))))
    by_temp = (rule("vbe_slope") * u_T) ** 2  # of a further reading too: its temperature is no better known
    for name, (read, *_) in readings.items():
        noise = read.var(axis=0) + rule("reading_vbe_u") ** 2 + by_temp
        left[name] = {w: 1 - (target[w] * read).mean(axis=0) ** 2 / noise / var[w] for w in POINTS}
    gain = by_temp - (rule("vbe_slope") * rule("side_by_side_temp")) ** 2
    left["advice_side_by_side"] = {w: 1 - gain / var[w] for w in POINTS}
    where = np.array([number for number, s in enumerate(sets) for _ in s.parts])
    size = {w: (np.array([getattr(s, f"imbalance_{w}").value for s in sets]),
                np.array([getattr(s, f"imbalance_{w}").high for s in sets])) for w in POINTS}  # fmt: skip

    def ends(name: str, w: str) -> np.ndarray:
        """Upper ends to expect: what is not known now shows in the imbalance then, some of it chosen away."""
        value, high = size[w]
        share = np.clip(left[name][w], 0.0, 1.0)
        share = np.bincount(where, share, len(sets)) / np.bincount(where, minlength=len(sets))
        shown = rule("advice_shown") * (high - value) / NORMAL_95 * np.sqrt(1 - share)
        return folded_mean(value, shown) + (high - value) * np.sqrt(share)

    now = {w: float(np.median(size[w][1])) for w in POINTS}
    best, saved, after = "", rule("advice_worth"), dict(now)
    # alike to within a hundredth, the one that is less work is named
    for name in ("advice_side_by_side", "advice_idle", "advice_peak", "advice_vce"):
        then = {w: float(np.median(ends(name, w))) for w in POINTS}
        worth = 1 - sum(then.values()) / max(sum(now.values()), 1e-12)
        if worth > saved + 0.01:
            best, saved, after = name, worth, then
    if not best:
        return []
    at = max(POINTS, key=lambda w: now[w] - after[w])
    measure = say(best, amps=readings[best][1], volts=readings[best][2]) if best in readings else say(best)
    point = "" if f.bare else {"idle": "at idle", "peak": "at the peak"}[at]
    return [say("advice_best", measure=measure, where=point,
                before=100 * now[at], after=100 * after[at])]  # fmt: skip


def _cannot_tell(f: Finisher, sets: Sequence[MatchedSet], used: list[int]):
    """Pairs of parts in different sets that differ by less than is known, and what would tell them apart."""
    fits, parts = f.fits, np.array(used, int)
    where = [number for number, s in enumerate(sets) for _ in s.parts]
    now, drawn = f.at_share(parts, f.stage.idle, "vbe_V")
    order = np.argsort(now)
    near = []
    for a, b in zip(order[:-1], order[1:], strict=True):  # neighbours: the pairs most easily exchanged
        if where[a] == where[b] or fits.polarity[parts[a]] != fits.polarity[parts[b]]:
            continue
        u = float(np.std(drawn[:, a] - drawn[:, b]))
        gap = float(now[b] - now[a])
        if gap < NORMAL_95 * u:
            near.append((gap / u, fits.part[parts[a]], fits.part[parts[b]], gap, u))
    near.sort()
    if not near:
        return [], []
    read_A = float(np.median(np.sqrt(fits.ic_low_A[parts] * fits.ic_high_A[parts])))
    idle_A, idle_V = f.stage.idle.total_A / f.k, f.stage.idle.vce_V
    u_V = float(np.median([u for *_, u in near]))
    # what keeps them from being told apart
    if not all(fits.source[i] == "spot" for i in parts):
        # two thermometer readings
        by_temperature = -rule("vbe_slope") * 2**0.5 * rule("temp_apart")
        warm = by_temperature > rule("cause_temperature") * u_V
        cause = "apart_temperature" if warm else "apart_measured"
        cause = cause if all(fits.temp_known[i] for i in parts) else "apart_no_temperature"
    else:  # spot readings are sharp where they were taken: which step from there makes them vague?
        mostly, read_V, temp = rule("cause_mostly"), rule("reading_vce"), np.median(fits.temp_C[parts])

        def sharp(ic_A: float, vce_V: float) -> bool:
            u = u_vbe_apart(fits, parts[:-1], parts[1:], [ic_A], vce_V, float(temp))
            return bool(np.median(u) < mostly * u_V)

        cause = "apart_spot_current" if sharp(read_A, min(read_V, idle_V)) else "apart_spot"
        cause = "apart_spot_vce" if idle_V > 2 * read_V and sharp(idle_A, read_V) else cause
    known = {"volts": idle_V, "amps": idle_A, "read_A": read_A}
    why = say(cause, **known)
    lines = [
        say("apart_pair", one=one, other=other, cause=why, gap=1000 * gap, known=1000 * NORMAL_95 * u)
        for _, one, other, gap, u in near[:_MOST_NEAR]
    ]
    if len(near) > _MOST_NEAR:
        lines.append(say("apart_more", number=len(near) - _MOST_NEAR))
    return lines, [next_step(cause, **known)]
