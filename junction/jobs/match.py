"""A bag of curves and spot readings to matched sets for one stage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import isnan, sqrt
from typing import TYPE_CHECKING

import numpy as np

from junction.base.errors import InputError
from junction.base.records import Bag, CurveTable, plain_name
from junction.fit.results import TransistorFits
from junction.sets.grid import curves_on_grid, yardsticks
from junction.sets.match import MatchAsk, match_parts
from junction.sets.results import LAYOUTS, NO_CANDIDATE, LeftOver, MatchReport
from junction.sets.suspects import low_gain
from junction.sets.weigh import weights_for
from junction.shelf.cautions import cautions
from junction.shelf.results import Meter
from junction.stage.stage import StageAsk, plan_stage
from junction.transistor.data import SpotNoise, is_spot, unusable

if TYPE_CHECKING:
    from collections.abc import Callable

    from junction.shelf.results import PartType
    from junction.transistor.data import CurveNoise

#: Verdicts that keep a part out of every set.
NOT_GOOD = ("shorted", "open", "leaky")
#: Parts whose curves are drawn; beyond, a page would only be grey.
MOST_DRAWN = 400


@dataclass(frozen=True)
class MatchSettings:
    """How a bag is to be matched."""

    stage: StageAsk
    ask: MatchAsk
    meter: Meter
    types: Callable[[str], PartType | None] | None = None  # marking to registered type
    type_names: tuple[str, ...] = ()
    temp_u_K: float | None = None  # standard uncertainty of recorded temperatures
    curve_noise: CurveNoise | None = None  # stated accuracy of the curves
    details: bool = True
    spot: SpotNoise | None = None  # stated accuracy of the spot readings
    side_by_side: bool = False  # all parts at one temperature and one V_CE, whatever they were


#: Standard uncertainties of the temperature [K] and of V_CE [V] of one part against the next, measured side
#: by side on one block of metal within minutes; common practice, no source.
SIDE_BY_SIDE_K, SIDE_BY_SIDE_V = 0.05, 0.05


@dataclass(frozen=True, eq=False)
class Prepared:
    """Fits of the parts that may be used, and why the others may not."""

    fits: TransistorFits
    left_out: tuple[LeftOver, ...] = ()
    notes: tuple[str, ...] = ()
    parts: tuple[str, ...] = field(default_factory=tuple)
    warnings: tuple[str, ...] = ()


def fit_bag(bag: Bag, settings: MatchSettings) -> TransistorFits:
    """Transistor fits of every part with curves or spot readings.

    Raises
    ------
    InputError
        No part has either.
    """
    from junction.transistor.transistor import fit_transistors

    readings = tuple(r for r in bag.readings if is_spot(r))
    if not len(bag.curves) and not readings:
        raise InputError(
            "no part has a transistor curve or a spot reading to match by; give rows with "
            "part, vce_V, vbe_V, ib_A, ic_A, or part, ic_mA, vbe_mV, hFE, temp_C",
            ", ".join(bag.files),
        )
    u_temp_K = settings.temp_u_K, None
    spot = settings.spot or SpotNoise()
    if settings.side_by_side:  # what is off is off for all of them alike, and moves no current
        u_temp_K = SIDE_BY_SIDE_K, SIDE_BY_SIDE_K
        spot = replace(spot, u_vce_V=min(spot.u_vce_V, SIDE_BY_SIDE_V))
    return fit_transistors(
        bag.curves, settings.curve_noise, readings=readings, spot=spot,
        u_temp_K=u_temp_K, made_for_A=carried_A(settings.stage),
    )  # fmt: skip


def spot_noise(volts=None, amps=None, vce_V: float | None = None) -> SpotNoise:
    """Uncertainty of spot readings from limits of error (fraction, floor) and the V_CE they were taken at.

    Limits of error over the root of three (JCGM 100:2008, 4.3.7); a stated V_CE is taken as good to 2 %.
    """
    changes: dict = {}
    if volts is not None:
        changes |= {"vbe_percent": 100 * volts[0] / sqrt(3), "u_vbe_V": max(volts[1], 1e-6) / sqrt(3)}
    if amps is not None:
        changes |= {"ic_percent": 100 * max(amps[0], 1e-5) / sqrt(3)}
    if vce_V is not None:
        changes |= {"vce_V": vce_V, "u_vce_V": 0.02 * vce_V}
    return replace(SpotNoise(), **changes)


def carried_A(ask: StageAsk) -> float:
    """Peak current of one device as the user stated it, or as it follows from the rating [A]; else nan."""
    if not isnan(ask.peak_A):
        return ask.peak_A / ask.parallel
    return sqrt(2 * ask.power_W / ask.load_ohm) / ask.parallel


def prepare(bag: Bag, settings: MatchSettings) -> Prepared:
    """Fit the bag and leave out what was judged not good, other types, and parts with far too little gain."""
    bad, doubtful = _verdicts(bag, settings)
    fits = fit_bag(bag, settings)
    bad |= _of_other_types(fits, settings)
    suspects = low_gain(fits, _finder(settings))
    by_hand = {name for names in settings.ask.keep for name in names} if settings.ask else set()
    weak = {s.part: s.why for s in suspects if s.out and s.part not in by_hand and s.part not in bad}
    if weak and not set(fits.part) <= {*bad, *weak}:
        # what a bad part shows is not its type's, and the others must not learn it
        fits = fit_bag(_without(bag, weak), settings)
    bad |= weak
    keep = np.array([name not in bad for name in fits.part], bool)
    candidates = {*fits.part, *weak}
    left = [LeftOver(name, why, name in candidates) for name, why in bad.items()]
    every = tuple(dict.fromkeys([*fits.part, *(r.part for r in bag.readings), *bag.sweeps.part,
                                 *bag.curves.part]))  # fmt: skip
    reasons = {r.part: f"not used: {why}" for r, why in unusable(bag.readings)}
    for name in every:
        if name not in bad and name not in fits.part:
            left.append(LeftOver(name, reasons.get(name, NO_CANDIDATE), name in reasons))
    notes = []
    here = [name for name in doubtful if name in fits.part]
    if here:
        notes.append(f"judged undecided, used all the same: {', '.join(here[:8])}"
                     + (f" and {len(here) - 8} more" if len(here) > 8 else ""))  # fmt: skip
    warnings = tuple(f"{s.part}: {s.why}; used all the same." for s in suspects if s.part not in bad)
    return Prepared(subset(fits, np.flatnonzero(keep)), tuple(left), tuple(notes), every, warnings)


def _finder(settings: MatchSettings):
    if settings.types is not None:
        return settings.types
    from junction.shelf.types import find_type

    return find_type


def complements_of(types, find) -> dict[str, str]:
    """Registered complement of each type the shelf knows one of, by plain names."""
    found = {name: find(name) for name in dict.fromkeys(types) if name}
    return {plain_name(n): plain_name(k.complement) for n, k in found.items() if k and k.complement}


def _of_other_types(fits: TransistorFits, settings: MatchSettings) -> dict[str, str]:
    """Parts of a type that is not among those asked for, with the reason; those without a type stay."""
    find, wanted = _finder(settings), set()
    for name in settings.type_names:
        found = find(name)
        wanted |= {plain_name(name)} | ({plain_name(found.name)} if found is not None else set())
    out = {}
    for part, kind in zip(fits.part, fits.type, strict=True):
        found = find(kind) if kind and wanted else None
        if kind and wanted and not wanted & {plain_name(kind), plain_name(found.name if found else kind)}:
            out[part] = f"its type {kind} is not among those asked for ({', '.join(settings.type_names)})"
    return out


def _without(bag: Bag, names) -> Bag:
    """The same bag less the curves and readings of some parts."""
    c = bag.curves
    kept = [k for k in range(len(c)) if c.part[k] not in names]
    fields = ([getattr(c, f)[c.points(k)] for k in kept] for f in ("vce_V", "vbe_V", "ib_A", "ic_A"))
    curves = CurveTable.from_lists([c.part[k] for k in kept], *fields, c.temp_C[kept],
                                   [c.polarity[k] for k in kept], [c.type[k] for k in kept])  # fmt: skip
    return replace(bag, curves=curves, readings=tuple(r for r in bag.readings if r.part not in names))


def subset(fits: TransistorFits, index) -> TransistorFits:
    """Some parts of a batch of fits."""
    n = len(fits)
    changes = {}
    for name in fits.__dataclass_fields__:
        value = getattr(fits, name)
        if name == "names":
            continue
        if isinstance(value, np.ndarray) and value.shape[:1] == (n,):
            changes[name] = value[index]
        elif isinstance(value, tuple) and len(value) == n:
            changes[name] = tuple(value[i] for i in index)
        elif isinstance(value, dict):
            changes[name] = {
                k: v[index] if isinstance(v, np.ndarray) and v.shape[:1] == (n,) else v
                for k, v in value.items()
            }
    return replace(fits, **changes)


def _verdicts(bag: Bag, settings: MatchSettings) -> tuple[dict[str, str], list[str]]:
    """Parts judged not good, with the reason, and parts left undecided."""
    judged = [r for r in bag.readings if r.readings]
    if not judged and not len(bag.sweeps):
        return {}, []
    from junction.verdict.parts import judge_bag

    fits = None
    if len(bag.sweeps):
        from junction.fit.sweeps import fit_sweeps

        fits = fit_sweeps(bag.sweeps)
    bad, doubtful = {}, []
    only = replace(bag, readings=tuple(judged))
    for verdict in judge_bag(only, fits, settings.meter, settings.types):
        if verdict.verdict in NOT_GOOD:
            said = verdict.evidence[0] if verdict.evidence else ", ".join(verdict.faults)
            bad[verdict.part] = f"judged {verdict.verdict}: {said}".rstrip(": ")
        elif verdict.verdict == "undecided":
            doubtful.append(verdict.part)
    return bad, doubtful


def types_in_use(fits: TransistorFits | None, names: Sequence[str], find=None) -> tuple:
    """Registered types named by the user, or else by the parts' rows."""
    if find is None:
        from junction.shelf.types import find_type as find
    wanted = list(names) or ([t for t in dict.fromkeys(fits.type) if t] if fits is not None else [])
    found = [find(name) for name in wanted]
    return tuple(t for t in found if t is not None)


def run_match(bag: Bag, settings: MatchSettings) -> MatchReport:
    """Match a bag for a stage.

    Parameters
    ----------
    bag : Bag
    settings : MatchSettings

    Returns
    -------
    MatchReport
    """
    ready = prepare(bag, settings)
    high = ready.fits.ic_high_A[np.isfinite(ready.fits.ic_high_A)]
    ask = settings.stage
    if np.isnan(ask.data_high_A) and high.size:
        ask = replace(ask, data_high_A=float(np.median(high)))
    stage = plan_stage(ask, types_in_use(ready.fits, settings.type_names, settings.types))
    complements = complements_of(ready.fits.type, _finder(settings))
    result = match_parts(ready.fits, stage, replace(settings.ask, complements=complements))
    used = [name for s in result.sets for name in s.parts]
    curves = None
    if settings.details and 0 < len(used) <= MOST_DRAWN:
        curves = curves_on_grid(ready.fits, used, stage)
    result = replace(
        result, left_over=(*ready.left_out, *result.left_over), curves=curves,
        assumptions=(*result.assumptions, *ready.notes), warnings=ready.warnings,
    )  # fmt: skip
    return MatchReport(
        result, bag.set_aside, bag.files, bag.rows_read, cautions("fitting", "power-up"), yardsticks(),
        ready.parts, dict(zip(ready.fits.part, ready.fits.source, strict=True)),
    )  # fmt: skip


__all__ = ["LAYOUTS", "MatchAsk", "MatchReport", "MatchSettings", "StageAsk", "run_match", "spot_noise",
           "weights_for"]  # fmt: skip
