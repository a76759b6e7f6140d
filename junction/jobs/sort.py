"""A bag of readings and sweeps to verdicts, worst first."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import isnan
from typing import TYPE_CHECKING

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C
from junction.base.records import Bag
from junction.judge.results import SortReport
from junction.shelf.cautions import cautions
from junction.shelf.results import Meter, PartType
from junction.shelf.types import find_type
from junction.verdict.parts import judge_bag, worst_first

if TYPE_CHECKING:
    from junction.fit.noise import Noise
    from junction.fit.results import SweepFits


@dataclass(frozen=True)
class SortSettings:
    """How a bag is to be sorted.

    Parameters
    ----------
    meter : Meter
        The meter the readings were taken with.
    types : callable
        From a marking to its registered type, or None.
    noise : Noise, optional
        Stated instrument uncertainty of the sweeps; without it, it is found from each sweep.
    default_temp_C : float
        Temperature where none is given [degC].
    details : bool
        Also gather where each sweep and reading came from (for the page and the JSON).
    plots : int
        Number of parts, worst first, whose sweeps are made ready to draw.
    """

    meter: Meter
    types: Callable[[str], PartType | None] = find_type
    noise: Noise | None = None
    default_temp_C: float = REFERENCE_TEMP_C
    details: bool = False
    plots: int = 0


def run_sort(bag: Bag, settings: SortSettings) -> SortReport:
    """Fit the sweeps of a bag, judge its parts and put them in order.

    Parameters
    ----------
    bag : Bag
    settings : SortSettings

    Returns
    -------
    SortReport
    """
    whole, bag = bag, judged_part_of(bag)
    fits = _fits(bag, settings)
    verdicts = worst_first(judge_bag(bag, fits, settings.meter, settings.types))
    with_sweeps = set(bag.sweeps.part)
    sources, plots, plotted = {}, {}, 0
    if settings.details and len(bag.sweeps):
        from junction.jobs.curves import sweep_plots, sweep_sources

        sources = sweep_sources(bag.sweeps)
        chosen = [v.part for v in verdicts if v.part in with_sweeps][: settings.plots]
        plotted = len(chosen)
        plots = sweep_plots(
            bag.sweeps, fits, settings.noise, (s.sweep for part in chosen for s in sources[part])
        )
    return SortReport(
        verdicts, settings.meter, bag.set_aside, bag.files, bag.rows_read,
        {p.part: p for p in bag.readings} if settings.details else {}, sources, plots, plotted,
        len(with_sweeps), _cautions(bag) if settings.details else (), settings.default_temp_C,
        parts_without_temperature(bag), curves_only(whole), spots_only=spots_only(whole),
    )  # fmt: skip


def judged_part_of(bag: Bag) -> Bag:
    """The same bag without the parts of which only V_BE or h_FE at a current is known.

    No verdict rests on those.  A part that has sweeps keeps its row: it may say the type and polarity.
    """
    swept = set(bag.sweeps.part)
    return replace(bag, readings=tuple(p for p in bag.readings if p.readings or p.part in swept))


def _fits(bag: Bag, settings: SortSettings) -> SweepFits | None:
    if not len(bag.sweeps):
        return None
    from junction.fit.sweeps import fit_sweeps

    return fit_sweeps(bag.sweeps, settings.noise, settings.default_temp_C)


def _cautions(bag: Bag):
    places = ["meter"] if bag.readings or not len(bag.sweeps) else []
    if any(p.in_circuit for p in bag.readings):
        places.append("in circuit")
    if len(bag.sweeps) or len(bag.curves):
        places.append("sweep")
    return cautions(*places, "power-up")


def curves_only(bag: Bag) -> int:
    """Number of parts that have curves and nothing a verdict can rest on."""
    return len(set(bag.curves.part) - set(bag.sweeps.part) - {p.part for p in bag.readings if p.readings})


def spots_only(bag: Bag) -> int:
    """Number of parts with V_BE or h_FE at a current, and nothing a verdict can rest on."""
    return len({p.part for p in bag.readings if not p.readings} - set(bag.sweeps.part) - set(bag.curves.part))


def parts_without_temperature(bag: Bag) -> int:
    """Number of parts with no temperature in any of their rows."""
    known = {p.part for p in bag.readings if not isnan(p.temp_C)}
    every = {p.part for p in bag.readings}
    for table in (bag.sweeps,):
        every.update(table.part)
        known.update(table.part[k] for k in np.flatnonzero(~np.isnan(table.temp_C)).tolist())
    return len(every - known)
