"""Sweeps and curves to parameters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C
from junction.base.records import Bag, Interval
from junction.estimate.results import SweepFits, TransistorFits
from junction.estimate.sweeps import fit_sweeps
from junction.estimate.terms import IBV_A
from junction.judge.summary import fit_summaries
from junction.pipeline.curves import sweep_plots, sweep_sources
from junction.pipeline.results import FitReport, FitRow, TransistorRow
from junction.shelf.cautions import cautions

if TYPE_CHECKING:
    from junction.estimate.noise import Noise

#: Units of a transistor's SPICE parameters; the others are pure numbers.
_UNITS = {"IS": "A", "ISE": "A", "IKF": "A", "VAF": "V", "RE": "ohm", "RB": "ohm", "RC": "ohm"}
#: Half-width of a normal 95 % interval in standard uncertainties.
_K95 = 1.959964


@dataclass(frozen=True)
class FitSettings:
    """Stated noise (None: found from each sweep), temperature where none is given, sweeps to draw."""

    noise: Noise | None = None
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
        sweep_plots(bag.sweeps, fits, settings.noise, wanted) if fits is not None else {},
        cautions("sweep"), settings.default_temp_C, _noise_note(settings.noise), fits, transistors,
    )  # fmt: skip


def _noise_note(noise: Noise | None) -> str:
    if noise is not None:
        return "Uncertainty from the stated accuracy of the instruments."
    return "Uncertainty from the scatter of each sweep; a scale error of the instruments is not in it."


def sweep_rows(bag: Bag, fits: SweepFits) -> tuple[FitRow, ...]:
    """One record a sweep, in the order read."""
    from junction.pipeline.derived import derived_values

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
    from junction.estimate.transistor import fit_transistors

    return fit_transistors(bag.curves, default_temp_C=settings.default_temp_C)


def transistor_rows(fits: TransistorFits) -> tuple[TransistorRow, ...]:
    """One record a transistor: parameters with intervals from the uncertainty of their logarithms."""
    rows = []
    with np.errstate(over="ignore"):
        low = fits.value * np.exp(-_K95 * fits.u_log)
        high = fits.value * np.exp(_K95 * fits.u_log)
    for k, part in enumerate(fits.part):
        parameters = {}
        for p, name in enumerate(fits.names):
            value = float(fits.value[k, p])
            if not np.isfinite(value):
                continue  # an infinite knee or Early voltage: the effect is absent from the model
            held = bool(fits.fixed[k, p])
            ends = (np.nan, np.nan) if held else (float(low[k, p]), float(high[k, p]))
            parameters[name] = Interval(value, *ends, _UNITS.get(name, ""))
        why = fits.why_not[k] if fits.why_not else ""
        held_names = tuple(n for n, f in zip(fits.names, fits.fixed[k], strict=True) if f and n in parameters)
        rows.append(TransistorRow(
            part, fits.polarity[k], fits.type[k], parameters, held_names, float(fits.ic_low_A[k]),
            float(fits.ic_high_A[k]), float(fits.temp_C[k]), bool(fits.temp_known[k]), why,
        ))  # fmt: skip
    return tuple(rows)
