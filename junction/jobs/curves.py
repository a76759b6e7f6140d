"""Points and fitted curve of chosen sweeps, ready to draw."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from junction.base.records import SweepTable
from junction.fit.sense import Noise
from junction.fit.predict import predict_current, residuals
from junction.fit.results import SweepFits, SweepPlot

#: Points of the drawn curve; enough that a knee looks round at page size.
_CURVE_POINTS = 160
#: A sweep of more points than this is thinned for drawing: a page cannot show more.
MOST_POINTS = 400


def sweep_plots(
    table: SweepTable, fits: SweepFits, noise: Noise | None, wanted: Iterable[int]
) -> dict[int, SweepPlot]:
    """Drawing data of the sweeps `wanted`, by index.

    Parameters
    ----------
    table : SweepTable
    fits : SweepFits
        Of the whole table.
    noise : Noise, optional
        Stated uncertainty of the instruments; without it, what the fit found in each sweep is used for
        the residuals in standard uncertainties.
    wanted : iterable of int

    Returns
    -------
    dict of int to SweepPlot
    """
    return {k: _plot(table, fits, noise, k) for k in wanted}


def _plot(table: SweepTable, fits: SweepFits, noise: Noise | None, k: int) -> SweepPlot:
    points = table.points(k)
    v, i, used = table.v_V[points], table.i_A[points], np.asarray(fits.used[points])
    model = fits.model_name(k)
    fitted = model != "none"
    if fitted and v.size:
        grid = np.linspace(float(v.min()), float(v.max()), _CURVE_POINTS)
        curve = predict_current(fits, k, grid)
        residual = residuals(table, fits, k, noise)
    else:
        grid = curve = np.empty(0)
        residual = np.full(v.size, np.nan)
    step = max(1, -(-v.size // MOST_POINTS))
    return SweepPlot(
        table.part[k], table.junction[k], v[::step], i[::step], used[::step], grid, curve,
        residual[::step], model,
    )  # fmt: skip
