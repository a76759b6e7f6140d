"""Sweeps and curves to parameters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C
from junction.base.records import Bag, CurveTable
from junction.fit.derived import derived_values, sweep_plot
from junction.fit.results import FitReport, FitRow, SweepFits, TransistorFits, TransistorPlot, TransistorRow
from junction.fit.sweeps import fit_sweeps
from junction.fit.terms import IBV_A
from junction.shelf.cautions import cautions
from junction.show.sort import sweep_sources
from junction.verdict.summary import fit_summaries

if TYPE_CHECKING:
    from junction.fit.sense import Noise
    from junction.transistor.data import CurveNoise

#: Points of a drawn transistor curve.
_CURVE_POINTS = 80


@dataclass(frozen=True)
class FitSettings:
    """Stated noise (None: found from the data), temperature where none is given, sweeps to draw."""

    noise: Noise | None = None
    curve_noise: CurveNoise | None = None
    default_temp_C: float = REFERENCE_TEMP_C
    plots: int = 0


def run_fit(bag: Bag, settings: FitSettings) -> FitReport:
    """Fit every sweep and every transistor of a bag.

    Parameters
    ----------
    bag : Bag
    settings : FitSettings

    Returns
    -------
    FitReport
    """
    fits = fit_sweeps(bag.sweeps, settings.noise, settings.default_temp_C) if len(bag.sweeps) else None
    transistors = _fit_transistors(bag, settings)
    wanted = range(min(settings.plots, len(bag.sweeps)))
    return FitReport(
        sweep_rows(bag, fits) if fits is not None else (),
        transistor_rows(transistors) if transistors is not None else (),
        bag.set_aside, bag.files, bag.rows_read,
        {k: sweep_plot(bag.sweeps, fits, k, settings.noise) for k in wanted},
        cautions("sweep"), settings.default_temp_C, _noise_note(settings.noise),
        transistor_plots(bag.curves, transistors, settings.plots) if transistors is not None else {},
    )  # fmt: skip


def _noise_note(noise: Noise | None) -> str:
    if noise is not None:
        return "Uncertainty from the stated accuracy of the instruments."
    return "Uncertainty from the scatter of each sweep; a scale error of the instruments is not in it."


def sweep_rows(bag: Bag, fits: SweepFits) -> tuple[FitRow, ...]:
    """One record a sweep, in the order read."""
    table = bag.sweeps
    sources = {s.sweep: s for group in sweep_sources(table).values() for s in group}
    summaries = fit_summaries(fits, None, derived_values(table, fits))
    return tuple(
        FitRow(table.part[k], table.junction[k], sources[k], fit, fits.why_not[k], table.type[k],
               float(fits.heating_K[k]), IBV_A)
        for k, fit in enumerate(summaries)
    )  # fmt: skip


def _fit_transistors(bag: Bag, settings: FitSettings) -> TransistorFits | None:
    if not len(bag.curves):
        return None
    from junction.transistor.transistor import fit_transistors

    measured = set(bag.curves.part)
    spots = tuple(r for r in bag.readings if r.part in measured)
    return fit_transistors(bag.curves, settings.curve_noise, readings=spots)


def transistor_rows(fits: TransistorFits) -> tuple[TransistorRow, ...]:
    """One record a transistor."""
    from junction.transistor.transistor import parameter_intervals

    rows = []
    for k, part in enumerate(fits.part):
        why = fits.why_not[k] if fits.why_not else ""
        values = {n: float(x) for n, x in zip(fits.names, fits.value[k], strict=True) if np.isfinite(x)}
        held = tuple(n for n, f in zip(fits.names, fits.fixed[k], strict=True) if f and n in values)
        rows.append(TransistorRow(
            part, fits.polarity[k], fits.type[k], parameter_intervals(fits, k) if not why else {}, values,
            held, float(fits.ic_low_A[k]), float(fits.ic_high_A[k]), float(fits.temp_C[k]),
            bool(fits.temp_known[k]), why,
        ))  # fmt: skip
    return tuple(rows)


def transistor_plots(table: CurveTable, fits: TransistorFits, most: int) -> dict[str, TransistorPlot]:
    """Drawing data of the first `most` fitted transistors, by part."""
    from junction.transistor.values import evaluate

    row_of = {part: k for k, part in enumerate(table.part)}
    good = [k for k, part in enumerate(fits.part) if part in row_of and not fits.why_not[k]][:most]
    if not good:
        return {}
    n = len(fits)
    grid, vce = np.full((n, _CURVE_POINTS), 1e-3), np.full((n, 1), 5.0)
    for k in good:
        grid[k] = np.geomspace(fits.ic_low_A[k], fits.ic_high_A[k], _CURVE_POINTS)
        vce[k] = np.median(table.vce_V[table.points(row_of[fits.part[k]])])
    curve = evaluate(fits, grid, vce, fits.temp_C[:, None])
    out = {}
    for k in good:
        points = table.points(row_of[fits.part[k]])
        ic, ib = table.ic_A[points], table.ib_A[points]
        with np.errstate(divide="ignore", invalid="ignore"):
            hfe = np.where((ib > 0) & (ic > 0), ic / ib, np.nan)
        out[fits.part[k]] = TransistorPlot(
            fits.part[k], ic, table.vbe_V[points], hfe, grid[k], curve.vbe_V[k], curve.hfe[k],
            curve.hfe_low[k], curve.hfe_high[k], float(vce[k, 0]),
        )  # fmt: skip
    return out
