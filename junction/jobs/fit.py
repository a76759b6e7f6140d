"""Sweeps and curves to parameters."""

from __future__ import annotations

from functools import cache

import numpy as np

from junction.base.errors import InputError
from junction.base.records import CurveTable
from junction.jobs.job import Result, bag_of, job, noise_of
from junction.shelf.tables import cautions
from junction.sweeps.derived import derived_values, sweep_plot
from junction.sweeps.results import (
    FitReport,
    FitRow,
    TransistorFits,
    TransistorPlot,
    TransistorRow,
    fit_summaries,
)
from junction.sweeps.sweeps import fit_sweeps
from junction.transistor.transistor import fit_transistors
from junction.transistor.values import at_currents, evaluate, parameter_intervals

EPILOG = """Model and start values are found from the data; what the data cannot hold is shown as a limit.
exit status: 0 all rows used; 1 done, but rows were set aside; 2 nothing done.
example: junction fit sweeps.csv -o fits/ --voltage-accuracy 0.1%+1mV --current-accuracy 0.5%+10nA"""

#: Flags that tell nothing of what is wrong.
_PLAIN = ("converged", "taught")
#: Points of a drawn transistor curve.
_CURVE_POINTS = 80


@job(
    inputs=("files", "+", "FILE", "CSV with sweeps or curves"),
    writes="a page, parameters.csv, transistors.csv, models.lib, plots and fit.json", epilog=EPILOG,
)  # fmt: skip
def fit(parts, o) -> Result:
    """Fit sweeps of junctions and curves of transistors: parameters with their 95 % intervals, SPICE cards.

    Parameters
    ----------
    parts : path, list of paths, DataFrame or Result
        As `junction.read` takes them.

    Returns
    -------
    Result
        ``rows``, one a sweep, and ``transistors``; tables ``parameters``, ``transistors`` and ``set_aside``.

    Raises
    ------
    InputError
        There are no sweeps or curves in it.
    UsageError
        An option without its unit or outside its bounds.

    Examples
    --------
    >>> import junction, pandas as pd
    >>> v = [0.45, 0.50, 0.55, 0.60, 0.65, 0.70]
    >>> i = [0.3e-6, 2.1e-6, 14.6e-6, 101e-6, 0.70e-3, 4.7e-3]
    >>> found = junction.fit(pd.DataFrame({"part": "D1", "junction": "AK", "v_V": v, "i_A": i}))
    >>> found
    <junction fit: 1 sweep, 0 transistors from curves>
    >>> round(found.rows[0].fit.parameters["N"].value, 2)
    1.0
    """
    from junction.views.part import sweep_sources

    noise = noise_of(o)
    bag = bag_of(parts, o.temperature)
    if not (len(bag.sweeps) or len(bag.curves)):
        raise InputError("no sweeps or curves in it; meter readings alone hold no parameters to fit",
                         ", ".join(bag.files))  # fmt: skip
    fits = fit_sweeps(bag.sweeps, noise)
    measured = set(bag.curves.part)
    spots = tuple(r for r in bag.readings if r.part in measured)
    curves = fit_transistors(bag.curves, noise, readings=spots) if measured else None

    @cache
    def draw():
        from junction.show.plots import Sheets

        some = range(min(o.plots, len(bag.sweeps)))
        sheets = Sheets()
        sweeps = {k: sheets.svgs(sweep_plot(bag.sweeps, fits, k, noise)) for k in some}
        good = _plots(bag.curves, curves, o.plots) if curves is not None else {}
        return sweeps, {part: sheets.svgs(plot) for part, plot in good.items()}

    note = "Uncertainty from the scatter of each sweep; a scale error of the instruments is not in it."
    if noise is not None:
        note = "Uncertainty from the stated accuracy of the instruments."
    sources = {k: s for group in sweep_sources(bag.sweeps).values() for k, s in group.items()}
    rows = tuple(
        FitRow(**sources[k], part=bag.sweeps.part[k], type=bag.sweeps.type[k], fit=fit,
               why_not=fits.why_not[k], heating_K=float(fits.heating_K[k]))
        for k, fit in enumerate(fit_summaries(fits, derived_values(bag.sweeps, fits)))
    )  # fmt: skip
    transistors = []
    first = at_currents(curves) if curves is not None else []
    for k, part in enumerate(curves.part if curves is not None else ()):
        why = curves.why_not[k] if curves.why_not else ""
        values = {n: float(x) for n, x in zip(curves.names, curves.value[k], strict=True) if np.isfinite(x)}
        held = tuple(n for n, f in zip(curves.names, curves.fixed[k], strict=True) if f and n in values)
        transistors.append(TransistorRow(
            part, curves.polarity[k], curves.type[k], {} if why else parameter_intervals(curves, k), values,
            held, float(curves.ic_low_A[k]), float(curves.ic_high_A[k]), float(curves.temp_C[k]),
            bool(curves.temp_known[k]), why, () if why else first[k], int(curves.n_used[k]),
            {reason: int(count[k]) for reason, count in curves.left_out.items() if count[k]},
            *(float(a[k]) for a in (curves.limit_A, curves.offset_ic_A, curves.offset_ib_A)),
            tuple(name for name, raised in curves.flags.items() if raised[k] and name not in _PLAIN),
        ))  # fmt: skip
    report = FitReport(rows, tuple(transistors), bag, cautions("sweep"), noise_note=note, plots=o.plots,
                       draw=draw)  # fmt: skip
    return Result("fit", report)


def _plots(table: CurveTable, fits: TransistorFits, most: int) -> dict[str, TransistorPlot]:
    """Drawing data of the first `most` fitted transistors, by part."""
    row_of = {part: k for k, part in enumerate(table.part)}
    good = [k for k, part in enumerate(fits.part) if part in row_of and not fits.why_not[k]][:most]
    grid, vce = np.full((len(fits), _CURVE_POINTS), 1e-3), np.full((len(fits), 1), 5.0)
    points = {k: table.points(row_of[fits.part[k]]) for k in good}
    for k in good:
        grid[k] = np.geomspace(fits.ic_low_A[k], fits.ic_high_A[k], _CURVE_POINTS)
        vce[k] = np.median(table.vce_V[points[k]])
    curve = evaluate(fits, grid, vce, fits.temp_C[:, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        hfe = np.where((table.ib_A > 0) & (table.ic_A > 0), table.ic_A / table.ib_A, np.nan)
    return {
        fits.part[k]: TransistorPlot(
            table.ic_A[at], table.vbe_V[at], hfe[at], grid[k], curve.vbe_V[k], curve.hfe[k], curve.hfe_low[k],
            curve.hfe_high[k],
        )
        for k, at in points.items()
    }  # fmt: skip
