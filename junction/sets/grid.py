"""The parts' curves on one grid of currents, and the registered yardsticks, for the report."""

from __future__ import annotations

from math import isnan

import numpy as np

from junction.fit.results import TransistorFits
from junction.sets.results import PartCurves, Yardstick
from junction.stage.results import Stage
from junction.transistor.values import evaluate

_POINTS = 41
#: Curves are drawn so many times beyond the currents of a part's data, and only where V_BE is known to this
#: half-width of its 95 % interval [V]: what lies beyond is the fit talking, not the part.
_BEYOND, _MOST_DOUBT_V = 3.0, 0.05


def curves_on_grid(fits: TransistorFits, names, stage: Stage) -> PartCurves:
    """V_BE and h_FE of some parts from a tenth of the idle share to past the peak's, nan where no data speak.

    Parameters
    ----------
    fits : TransistorFits
    names : sequence of str
        Parts wanted.
    stage : Stage

    Returns
    -------
    PartCurves
    """
    names = tuple(names)
    rows = [fits.part.index(name) for name in names]
    low = stage.idle.total_A / stage.parallel / 10
    high = max(stage.peak.total_A / stage.parallel * 1.5, 20 * low)
    ic = np.geomspace(low, high, _POINTS)
    temp = stage.idle.temp_C
    vce = min(max(stage.peak.vce_V, 3.0), 10.0)
    values = evaluate(fits, ic, vce, temp)
    low, high = fits.ic_low_A[rows, None] / _BEYOND, fits.ic_high_A[rows, None] * _BEYOND
    known = (low <= ic) & (ic <= high) & (1.96 * values.u_vbe_V[rows] <= _MOST_DOUBT_V)
    shown = (values.vbe_V, values.u_vbe_V, values.hfe, values.u_hfe)
    return PartCurves(
        names, ic, *(np.where(known, np.asarray(a)[rows], np.nan) for a in shown), vce_V=vce, temp_C=temp
    )


def yardsticks() -> tuple[Yardstick, ...]:
    """Registered matched duals that limit both the h_FE ratio and the V_BE difference."""
    from junction.shelf.duals import matched_duals

    out = []
    for name, dual in matched_duals().items():
        ratio = next((x for x in dual.limits if x.symbol == "h_FE1/h_FE2" and not isnan(x.low)), None)
        vbe = next((x for x in dual.limits if x.symbol == "|V_BE1-V_BE2|" and not isnan(x.high)), None)
        if ratio is not None and vbe is not None:
            out.append(Yardstick(name, ratio.low, vbe.high, vbe.at.get("ic_A", float("nan")), vbe.source))
    # one type for each pair of limits is enough to compare with
    return tuple({(y.hfe_ratio_min, y.dvbe_max_V): y for y in reversed(out)}.values())[::-1]
