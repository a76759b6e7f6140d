"""Matching: which parts work together, for one stage and one layout, and which should not be used at all."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from math import nan

import numpy as np

from junction.amplifier.results import Stage
from junction.amplifier.sharing import DRAWS, devices_from_fits, drawn_devices
from junction.base.errors import UsageError
from junction.base.records import plain_name
from junction.judge.results import say
from junction.sets.advice import advice
from junction.sets.choose import Weigher, group_up, two_rails, type_labels, weights_for
from junction.sets.finish import Finisher, with_swaps
from junction.sets.pack import gap_of
from junction.sets.results import GRADES, LAYOUTS, LeftOver, MatchedSet, MatchReport
from junction.shelf.tables import rule
from junction.sweeps.results import TransistorFits
from junction.transistor.values import evaluate


def match_parts(
    fits: TransistorFits, stage: Stage, layout: str = "pairs", *, wanted: int | None = None,
    keep: Sequence[Sequence[str]] = (), weights: Mapping[str, float] | None = None,
    complements: Mapping[str, str] | None = None, draws: int = DRAWS, seconds: float = 15.0,
    u_temp_K: tuple[float, float] | None = None,
) -> MatchReport:  # fmt: skip
    """Choose disjoint sets for a stage.

    Parameters
    ----------
    fits : TransistorFits
        Parts that may be used (those judged not good are not among them).
    stage : Stage
        Its ``parallel`` devices share one drive node: a set, or a rail of one in the two-rail layouts.
    layout : str
        Key of `junction.sets.results.LAYOUTS`.
    wanted : int, optional
        Sets wanted (of each polarity, where they are of one); as many as the parts allow by default.
    keep : sequence of sequences of str
        Sets fixed by hand.
    weights : mapping of str to float, optional
        As `junction.sets.choose.weights_for` gives them [1].
    complements : mapping of str to str, optional
        Plain name of a type to that of its registered complement.
    draws : int
        Draws of the parts under their measurement's uncertainty.
    seconds : float
        Time after which the best answer so far is returned with its gap [s].
    u_temp_K : tuple of float, optional
        Standard uncertainty of a recorded and of a missing temperature, part against part [K].

    Returns
    -------
    MatchReport

    Raises
    ------
    UsageError
        A kept set that cannot be, or no parts for the layout.
    """
    one_rail = LAYOUTS[layout].rails == 1
    if one_rail and stage.parallel < 2:
        raise UsageError("a set of one part shares nothing: at least 2 in a set")
    weights = weights_for() if weights is None else weights
    facing = (complements or {}) if layout == "complementary" else None
    reasons = fits.why_not or ("",) * len(fits)
    good = np.isfinite(fits.value[:, [fits.names.index(name) for name in ("IS", "BF")]]).all(axis=1)
    good &= np.array([not why for why in reasons], bool)
    devices, drawn = devices_from_fits(fits), drawn_devices(fits, stage, draws)
    labels = None if facing is None else type_labels(fits.type, facing)

    def weigher(index) -> Weigher:
        own = {name: d.take(index) for name, d in drawn.items()}
        return Weigher(devices.take(index), own, stage, weights, None if labels is None else labels[index])

    kept = [_fixed(fits, good, names, layout, stage.parallel) for names in keep]
    taken = [int(i) for rails in kept for rail in rails for i in rail]
    if len(set(taken)) < len(taken):
        twice = next(fits.part[i] for i in taken if taken.count(i) > 1)
        raise UsageError(f"--keep: {twice} stands twice")
    chosen, refused = list(kept), []
    total = bound = 0.0
    basis = "match_bound_exact"
    pools = _pools(fits, good, layout)
    for word, sides in pools.items():
        by_hand = sum(int(rails[0][0]) in sides[0] for rails in kept)
        free = [side[~np.isin(side, taken)] for side in sides]
        most = min(map(len, free)) // stage.parallel // (2 if layout == "quasi-complementary" else 1)
        m = most if wanted is None else min(most, max(wanted - by_hand, 0))
        if layout == "complementary" and not keep and not all(map(len, sides)):
            found = dict.fromkeys(fits.polarity[i] or "of unknown polarity" for i in np.flatnonzero(good))
            raise UsageError("complementary sets need NPN and PNP parts; usable parts are "
                             f"{' and '.join(sorted(found)) or 'none'}")  # fmt: skip
        if m:
            of = [weigher(index) for index in free]
            if one_rail:
                w = of[0]
                rails, cost, least, by = group_up(w.cost, w.coordinates(), w.k, m, seconds=seconds)
            else:
                rails, cost, least, by = two_rails(of[0], of[-1], m, seconds)
            chosen += zip(*(free[min(s, len(free) - 1)][r] for s, r in enumerate(rails)), strict=True)
            total, bound = total + cost, bound + least
            basis = by if basis == "match_bound_exact" else basis
        if wanted is not None and by_hand + m < wanted:
            refused.append(say("match_too_few", wanted=wanted, of=word, made=by_hand + m))
    finisher = Finisher(fits, stage, devices, drawn, facing, layout)
    sets = tuple(_placed(finisher.finished(chosen, len(kept)), layout))
    if kept:
        sides = [side for sides in pools.values() for side in sides if side.size]
        sets = with_swaps(sets, fits.part, [(side, weigher(side)) for side in sides])
    used = {name for s in sets for name in s.parts}
    spare = say("match_spare" if wanted is None else "match_spare_complete")
    left = tuple(LeftOver(name, spare if ok else why or say("match_no_data"))
                 for name, ok, why in zip(fits.part, good, reasons, strict=True)
                 if name not in used)  # fmt: skip
    return MatchReport(
        layout, sets, left, gap_of(total, bound), say(basis), dict(weights),
        stage, tuple(refused), advice(finisher, sets, u_temp_K),
        stage.assumptions + _assumed(fits, layout, u_temp_K),
    )  # fmt: skip


def _pools(fits: TransistorFits, good, layout: str) -> dict[str, list[np.ndarray]]:
    """Parts that may stand in for each other, by what they are called: of one polarity and one type.

    On two rails that face each other, one pool for each polarity, whatever the types.
    """
    polarity = np.array(fits.polarity)
    if layout == "complementary":
        return {"": [np.flatnonzero(good & (polarity == word)) for word in ("NPN", "PNP")]}
    groups: dict[tuple[int, str, str], list[int]] = {}
    for i in np.flatnonzero(good).tolist():
        order = {"NPN": 0, "PNP": 1}.get(fits.polarity[i], 2)
        groups.setdefault((order, fits.polarity[i], plain_name(fits.type[i])), []).append(i)
    return {" ".join(filter(None, key[1:])): [np.array(groups[key])] for key in sorted(groups)}


def _fixed(fits: TransistorFits, good, names: Sequence[str], layout: str, k: int) -> list[np.ndarray]:
    """A set fixed by hand, as rails of part indices."""
    size = int(LAYOUTS[layout].rails) * k
    if len(names) != size:
        raise UsageError(
            f"--keep {','.join(names)}: {len(names)} parts, but a set of this layout has {size}"
        )
    for name in names:
        if name not in fits.part:
            raise UsageError(f"--keep: {name} is not among the parts read")
        if not good[fits.part.index(name)]:
            raise UsageError(f"--keep: {name} has no usable curve or reading")
    index = np.array([fits.part.index(name) for name in names])
    polarity = np.array(fits.polarity)[index]
    if layout == "complementary":
        rails = [index[polarity == word] for word in ("NPN", "PNP")]
        if any(len(r) != k for r in rails):
            raise UsageError(f"--keep {','.join(names)}: needs {k} NPN and {k} PNP")
        return rails
    if len(set(polarity)) > 1:
        raise UsageError(f"--keep {','.join(names)}: parts of both polarities")
    return list(index.reshape(-1, k))


def _placed(sets: list[MatchedSet], layout: str):
    """Sets in the order they are shown, each part with its place.

    Those fixed by hand as they were named, then polarity by polarity those that can best be vouched for.
    """
    polarities = list(dict.fromkeys(s.polarity for s in sets))

    def rank(s: MatchedSet):
        worst = max(s.imbalance_idle_limit_95, s.imbalance_peak_limit_95)
        return () if s.kept else (polarities.index(s.polarity), GRADES.index(s.grade), worst)

    for number, s in enumerate(sorted(sets, key=rank), 1):
        places = []
        for at, rail in enumerate(s.rails):
            position = at - s.rails.index(rail) + 1
            side = f"channel {number}, {('upper', 'lower')[rail]} rail"
            places.append(f"{f'set {number}' if LAYOUTS[layout].rails == 1 else side}, position {position}")
        yield replace(s, places=tuple(places))


def _assumed(fits: TransistorFits, layout: str, u_temp_K=None) -> tuple[str, ...]:
    out = []
    unknown = int(np.sum(~np.asarray(fits.temp_known)))
    side_by_side = u_temp_K is not None and u_temp_K[1] <= rule("side_by_side_temp")
    if unknown and not side_by_side:
        out.append(say("match_no_temp", unknown=unknown, parts=len(fits)))
    if "spot" in fits.source:
        out.append(say("match_spot_defaults"))
    kinds = {(p, t) for p, t in zip(fits.polarity, fits.type, strict=True) if t}
    if len(kinds) > len({p for p, _ in kinds}):
        how = "match_types_facing" if layout == "complementary" else "match_types_each"
        out.append(say(how, types=", ".join(sorted(t for _, t in kinds))))
    if not all(fits.polarity):
        out.append(say("match_no_polarity"))
    if LAYOUTS[layout].rails == 2:
        out.append(say("match_rails"))
    return tuple(out)


def low_gain(fits: TransistorFits, find: Callable) -> dict[str, tuple[str, bool]]:
    """Parts with much less gain than their type is registered with, or than the others of their type.

    A worn or damaged power part keeps its V_BE and loses its gain, and so passes a match by V_BE.  A type's
    own range is some three to six to one, so that a tenth of the others is no part of it; a fifth is worth a
    word.

    Parameters
    ----------
    fits : TransistorFits
    find : callable
        From a marking to its registered type, or None.

    Returns
    -------
    dict of str to (str, bool)
        By part, the reason and whether the part should be left out.
    """
    groups: dict[tuple[str, str], list[int]] = {}
    for i in np.flatnonzero(np.isfinite(fits.ic_low_A)).tolist():
        groups.setdefault((plain_name(fits.type[i]), fits.polarity[i]), []).append(i)
    found: dict[str, tuple[str, bool]] = {}

    def suspect(i: int, reason: str, far: bool, **numbers) -> None:
        if fits.part[i] not in found or far and not found[fits.part[i]][1]:
            less = "far less" if far else "less"
            found[fits.part[i]] = say(reason, less=less, **numbers), far

    def two(x: float) -> float:  # digits, which is more than a gain is known to
        return float(f"{x:.2g}")

    # each at a current it was read at: an extrapolated gain compares nothing
    own = np.sqrt(fits.ic_low_A * fits.ic_high_A)[:, None]
    values = evaluate(fits, own, rule("reading_vce"), fits.temp_C[:, None])
    gain, reach = values.hfe[:, 0], rule("gain_reach")
    for (name, _), members in groups.items():
        kind = find(fits.type[members[0]]) if name else None
        for limit in kind.find("h_FE") if kind is not None else ():
            at = float(limit.at.get("ic_A", nan))
            ic = np.clip(at, fits.ic_low_A, fits.ic_high_A)[:, None]
            near = (fits.ic_low_A / reach <= at) & (at <= fits.ic_high_A * reach)
            if not limit.low > 0 or not near[members].any():
                continue
            vce_V = float(limit.at.get("vce_V", rule("reading_vce")))
            there = evaluate(fits, ic, vce_V, fits.temp_C[:, None])
            for i in members:
                hfe = float(there.hfe[i, 0])
                # what a fit only guesses of a gain condemns nobody
                if near[i] and there.hfe_high[i, 0] < limit.low:
                    suspect(i, "gain_below_type", hfe < rule("gain_below_type") * limit.low, hfe=two(hfe),
                            amps=ic[i, 0], type=kind.name, least=limit.low, at=at)  # fmt: skip
        known = [i for i in members if values.u_hfe[i, 0] < rule("gain_known") * gain[i]]
        for i in known:
            others = [j for j in known if j != i]
            usual = float(np.median(gain[others])) if others else nan
            if gain[i] < rule("gain_doubtful") * usual:
                one = len(others) == 1
                whose = f"that of {fits.part[others[0]]}" if one else "the median of the others"
                suspect(i, "gain_below_kin", bool(gain[i] < rule("gain_below_kin") * usual), hfe=two(gain[i]),
                        amps=own[i, 0], whose=whose, usual=two(usual))  # fmt: skip
    return found
