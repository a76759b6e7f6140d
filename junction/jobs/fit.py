"""Sweeps and curves to parameters."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from junction.base.errors import InputError
from junction.base.records import CurveTable
from junction.base.units import interval, quantity
from junction.jobs.job import Result, bag_of, job, noise_of
from junction.judge.results import registered_leak
from junction.shelf.tables import cautions
from junction.shelf.types import find_type
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
exit status: 0 all rows used; 1 done, but rows were not used; 2 nothing done.
example: junction fit sweeps.csv -o fits/ --voltage-accuracy 0.1%+1mV --current-accuracy 0.5%+10nA"""

#: Flags that tell nothing of what is wrong.
_PLAIN = ("converged", "taught")
#: Points of a drawn transistor curve; of the least line of I_C against V_CE.
_CURVE_POINTS, _LINE_POINTS = 80, 4


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
    from junction.paper.part import sweep_sources

    noise = noise_of(o)
    bag = bag_of(parts, o.temperature).by_name()
    if not (len(bag.sweeps) or len(bag.curves)):
        raise InputError("no sweeps or curves in it; meter readings alone hold no parameters to fit",
                         ", ".join(bag.files))  # fmt: skip
    fits = fit_sweeps(bag.sweeps, noise)
    measured = set(bag.curves.part)
    spots = tuple(r for r in bag.readings if r.part in measured)
    curves = fit_transistors(bag.curves, noise, readings=spots) if measured else None

    @cache
    def draw():
        sweeps = {}
        for k in range(min(o.plots, len(bag.sweeps))):
            limit = registered_leak(find_type(bag.sweeps.type[k]), bag.sweeps.junction[k])
            held = dict(zip(("limit_A", "limit_V"), limit or (), strict=False))
            sweeps[k] = replace(sweep_plot(bag.sweeps, fits, k, noise), **held)
        return sweeps, _plots(bag.curves, curves, o.plots) if curves is not None else {}

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
    found = {}
    for k, at in points.items():
        family = _family(fits, k, table.vce_V[at], table.vbe_V[at], table.ib_A[at], table.ic_A[at])
        early = parameter_intervals(fits, k).get("VAF") if family else None
        found[fits.part[k]] = TransistorPlot(
            table.ic_A[at], table.vbe_V[at], hfe[at], grid[k], curve.vbe_V[k], curve.hfe[k], curve.hfe_low[k],
            curve.hfe_high[k], table.ib_A[at], curve.vbe_low_V[k], curve.vbe_high_V[k], family,
            f"V_A {interval(early, 'V')}" if early is not None else "",
        )  # fmt: skip
    return found


def _family(fits: TransistorFits, k: int, vce_V, vbe_V, ib_A, ic_A) -> tuple[dict, ...]:
    """Lines of I_C against V_CE at one V_BE or one I_B, points and fitted curve, where such were swept."""
    lines = []
    for held, near, unit, name in ((ib_A, 0.02 * np.abs(ib_A), "A", "I_B"), (vbe_V, 1.5e-3, "V", "V_BE")):
        step = (np.abs(np.diff(held, prepend=np.nan)) <= near) & (np.diff(vce_V, prepend=np.nan) != 0)
        for run in np.split(np.arange(held.size), np.flatnonzero(~step)):
            if np.unique(vce_V[run]).size < _LINE_POINTS or not (ic_A[run] > 0).all():
                continue
            run, at = run[np.argsort(vce_V[run])], float(np.median(held[run]))
            v = np.linspace(max(vce_V[run[0]], 0.3), vce_V[run[-1]], 16)
            i = np.geomspace(ic_A[run].min() / 3, ic_A[run].max() * 3, 60)
            there = evaluate(fits.take([k]), np.tile(i, v.size), np.repeat(v, i.size), fits.temp_C[k])
            of = (np.tile(i, v.size) / there.hfe if unit == "A" else there.vbe_V).reshape(v.size, i.size)
            known = [np.isfinite(row) for row in of]
            fit = [float(np.interp(at, row[ok], i[ok])) if ok.any() else np.nan
                   for row, ok in zip(of, known, strict=True)]  # fmt: skip
            lines.append({"vce_V": vce_V[run], "ic_A": ic_A[run], "vce_fit_V": v, "ic_fit_A": np.array(fit),
                          "at": f"{name} {quantity(at, unit)}"})  # fmt: skip
        if lines:
            break
    return tuple(lines)
