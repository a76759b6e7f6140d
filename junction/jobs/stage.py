"""An amplifier's rating to operating points; measured emitter-resistor drops against them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isnan, radians

import numpy as np

from junction.base.errors import UsageError
from junction.base.records import Bag
from junction.jobs.match import MatchSettings, prepare, subset, types_in_use
from junction.sets.match import DRAWS, MatchAsk, match_parts
from junction.sets.spread import drawn_devices
from junction.shelf.cautions import cautions
from junction.shelf.ratings import safe_current_A
from junction.shelf.rules import rule
from junction.stage.findings import diagnose_drops
from junction.stage.results import Stage, StageReport
from junction.stage.sharing import devices_from_fits
from junction.stage.stage import StageAsk, load_locus, plan_stage


@dataclass(frozen=True)
class StageSettings:
    """The stage, the types in use, and what was measured in it."""

    stage: StageAsk
    type_names: tuple[str, ...] = ()
    types: object = None
    drops: dict | None = None  # arguments of `junction.stage.findings.diagnose_drops`
    match: MatchSettings | None = None  # how a bag is to be fitted, when one is given


def run_stage(settings: StageSettings, bag: Bag | None = None) -> StageReport:
    """Plan a stage and judge the drops measured in it.

    Parameters
    ----------
    settings : StageSettings
    bag : Bag, optional
        Curves or spot readings of the fitted parts, named in ``settings.drops.parts``.

    Returns
    -------
    StageReport
    """
    fits = None
    if bag is not None and settings.match is not None:
        match = settings.match
        if settings.drops is not None:  # what is fitted is compared, whatever its gain
            match = replace(match, ask=replace(match.ask, keep=(settings.drops["parts"],)))
        fits = prepare(bag, match).fits
    types = types_in_use(fits, settings.type_names, settings.types)
    stage = plan_stage(settings.stage, types)
    drops = predicted = devices = drawn = None
    if fits is not None and settings.drops is not None:
        fits = _in_order(fits, settings.drops["parts"])
        devices = devices_from_fits(fits)
        drawn = drawn_devices(fits, (stage.idle,), stage.parallel, DRAWS, 1)["idle"]
        predicted = _predicted(fits, stage)
    if settings.drops is not None:
        drops = diagnose_drops(stage, devices=devices, drawn=drawn, **settings.drops)
    set_aside = bag.set_aside if bag is not None else ()
    return StageReport(
        stage, drops, cautions("power-up", "fitting"), _loci(stage, settings.stage), set_aside,
        bag.files if bag is not None else (), bag.rows_read if bag is not None else 0, predicted,
        _areas(stage, types),
    )  # fmt: skip


def _in_order(fits, names):
    missing = [name for name in names if name not in fits.part]
    if not names:
        raise UsageError("say which part stands where: --parts A03,A11 in the order of the drops")
    if missing:
        raise UsageError(f"--parts: {missing[0]} has no curve or spot reading in the files given")
    return subset(fits, np.array([fits.part.index(name) for name in names]))


def _predicted(fits, stage: Stage):
    """What the fitted set should show; None for sets of one device a rail."""
    if stage.parallel < 2 or len(fits) not in (stage.parallel, 2 * stage.parallel):
        return None
    one_rail = len(fits) == stage.parallel
    layout = (
        "pairs" if one_rail else "complementary" if len(set(fits.polarity)) == 2 else "quasi-complementary"
    )
    return match_parts(fits, stage, MatchAsk(layout, stage.parallel, keep=(fits.part,), draws=200)).sets[0]


def _areas(stage: Stage, types) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Dc safe area of each type at the warmest case, where it is known."""
    cases = [d.case_C for d in stage.dissipation if np.isfinite(d.case_C)]
    if isnan(stage.supply_V):
        return {}
    vce = np.linspace(1.0, 2.6 * stage.supply_V, 200)
    out = {}
    for kind in types:
        ic = np.array([safe_current_A(kind, float(v), max(cases, default=25.0)) for v in vce])
        if np.isfinite(ic).any():
            out[kind.name] = (vce, ic)
    return out


def _loci(stage: Stage, ask: StageAsk) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Load lines of one device, for drawing against its limits."""
    if isnan(stage.supply_V) or isnan(stage.peak_output_V):
        return {}
    phase = ask.load_phase_deg if not isnan(ask.load_phase_deg) else rule("stage_load_phase")
    n = stage.parallel
    own = stage.re_ohm * n if len(stage.re_ohm) == 1 else stage.re_ohm[:n]
    re = 0.0 if min(own) == 0 else 1 / sum(1 / r for r in own)
    out = {}
    for word, angle in (("resistive load", 0.0), (f"load at {phase:g} degrees", radians(phase))):
        vce, ic = load_locus(stage.peak_output_V, stage.supply_V, stage.load_ohm, angle, re)
        out[word] = (vce, ic / n)
    return out


__all__ = ["StageAsk", "StageReport", "StageSettings", "run_stage"]
