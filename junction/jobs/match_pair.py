"""Differential pairs and mirrors: what surrounds them, and the registered duals they are as good as."""

from __future__ import annotations

from dataclasses import replace
from math import isnan, nan

import numpy as np

from junction.amplifier.rating import StageAsk
from junction.amplifier.results import OperatingPoint, Stage
from junction.base.units import REFERENCE_TEMP_C
from junction.judge.results import say
from junction.sets.results import MatchedSet
from junction.shelf.tables import rule
from junction.sweeps.results import TransistorFits


def bare_pair(ask: StageAsk, current_A: float | None, fits: TransistorFits) -> Stage:
    """The surroundings of a differential pair or a mirror: one current, no heat of their own that matters.

    Parameters
    ----------
    ask : StageAsk
        ``vce_V``, ``temp_C`` and the resistors; nan where nothing was said.
    current_A : float or None
        Collector current of each part [A]; where the readings were taken by default.
    fits : TransistorFits

    Returns
    -------
    Stage
        Both its points are the same.
    """
    said = []
    if current_A is None:
        read_A = np.sqrt(fits.ic_low_A * fits.ic_high_A)
        read_A = read_A[np.isfinite(read_A)]  # where no part is left to compare, any current will do
        current_A = float(f"{np.median(read_A):.2g}") if read_A.size else rule("two_lead_usual_current")
        said.append(say("match_pair_current", value=current_A))
    vce = ask.vce_V
    if isnan(vce):
        vce = rule("stage_vce")
        said.append(say("stage_vce", value=vce))
    n, re, rb = ask.parallel, tuple(ask.re_ohm) or (0.0,), tuple(ask.rb_ohm) or (0.0,)
    own = [ohms[0] if len(ohms) == 1 else ohms for ohms in (re, rb)]
    temp = REFERENCE_TEMP_C if isnan(ask.temp_C) else ask.temp_C
    idle = OperatingPoint("idle", n * current_A, vce, temp, *own)
    drops = tuple(current_A * r for r in (re * n)[:n])
    return Stage(n, re, rb, idle, replace(idle, name="peak"), drops, assumptions=tuple(said))


def as_dual(s: MatchedSet, duals) -> MatchedSet:
    """The set with the tightest registered dual whose limits it surely keeps."""
    kept = [y for y in duals if s.dvbe_V.high <= y["dvbe_max_V"] and s.hfe_ratio.low >= y["hfe_ratio_min"]]
    if not kept:
        return s
    best = min(kept, key=lambda y: (y["dvbe_max_V"], -y["hfe_ratio_min"]))
    note = say("match_as_dual", type=best["type"], ratio=best["hfe_ratio_min"], vbe=1000 * best["dvbe_max_V"])
    return replace(s, notes=(*s.notes, note))


def yardsticks() -> tuple[dict, ...]:
    """Registered matched duals that limit both the h_FE ratio and the V_BE difference."""
    from junction.shelf.limits import matched_duals

    out = {}
    for name, limits in matched_duals().items():
        ratio = next((x for x in limits if x.symbol == "h_FE1/h_FE2" and not isnan(x.low)), None)
        vbe = next((x for x in limits if x.symbol == "|V_BE1-V_BE2|" and not isnan(x.high)), None)
        if ratio is not None and vbe is not None:  # one type for each pair of limits is enough
            out.setdefault((ratio.low, vbe.high), {
                "type": name, "hfe_ratio_min": ratio.low, "dvbe_max_V": vbe.high,
                "at_A": vbe.at.get("ic_A", nan), "source": vbe.source})  # fmt: skip
    return tuple(out.values())
