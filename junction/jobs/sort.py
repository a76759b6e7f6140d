"""A bag of readings and sweeps to verdicts, worst first."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import isnan

import numpy as np

from junction.base.errors import InputError
from junction.base.records import Bag
from junction.jobs.bag import bag_of
from junction.jobs.options import (
    DEFAULT_PLOTS,
    INSTRUMENT,
    METER,
    TEMPERATURE,
    TYPES,
    job,
    meter_of,
    noise_of,
    option,
    types_of,
    whole,
)
from junction.jobs.result import Result
from junction.judge.results import SortReport, worst_first
from junction.shelf.results import Meter
from junction.shelf.rules import cautions
from junction.shelf.types import find_type
from junction.verdict.parts import judge_bag

EPILOG = """verdicts: good, leaky, shorted, open; undecided is a refusal that names the deciding measurement.
exit status: 0 all rows used; 1 done, but rows were set aside; 2 nothing done.
example: junction sort bag.csv curves/ -o report/ --json report.json"""

_ONLY_CURVES = "transistor curves only, which hold no verdict; junction fit reads them"
_ONLY_SPOTS = (
    "V_BE or h_FE at a current only, on which no verdict rests: not judged here; junction match reads those"
)


@job(
    option("all", "list every part of a large bag (over 40 parts, good ones are only counted)", cli=True),
    option("plots", f"draw the sweeps of the N worst parts on the page (default {DEFAULT_PLOTS})", whole(),
           default=DEFAULT_PLOTS, metavar="N"),
    *INSTRUMENT, TEMPERATURE, TYPES, *METER,
    inputs=("files", "+", "FILE", "CSV with meter readings, sweeps or curves"),
    writes="a page, verdicts.csv, set_aside.csv and sort.json", epilog=EPILOG,
)  # fmt: skip
def sort(parts, o) -> Result:
    """Sort a bag of parts: readings and sweeps to verdicts, worst first.

    Parameters
    ----------
    parts : path, list of paths, DataFrame, readings or Result
        As `junction.read` takes them.

    Returns
    -------
    Result
        ``verdicts`` in the order a technician reads them; tables ``verdicts`` and ``set_aside``.

    Raises
    ------
    InputError
        Nothing in it can be judged.
    UsageError
        An option without its unit or outside its bounds.

    Examples
    --------
    >>> import junction
    >>> bag = {"Q1": ["B-E=0.642", "E-B=OL", "B-C=0.636", "C-B=OL", "C-E=OL", "E-C=OL"],
    ...        "Q2": ["B-E=0.002", "E-B=0.002", "B-C=0.002", "C-B=0.002", "C-E=0.002", "E-C=0.002"]}
    >>> junction.sort(bag)
    <junction sort: 2 parts: 1 shorted, 1 good>
    """
    from junction.views import sort as view

    meter, types, noise = meter_of(o), types_of(o), noise_of(o)
    bag = bag_of(parts, o.temperature)
    if not (len(bag.sweeps) or any(p.readings for p in bag.readings)):
        raise InputError(_ONLY_SPOTS if bag.readings else _ONLY_CURVES, ", ".join(bag.files))
    return Result("sort", sorted_bag(bag, meter, types, noise, o.plots), view)


def sorted_bag(
    bag: Bag, meter: Meter, types: Callable = find_type, noise=None, plots: int = DEFAULT_PLOTS,
    label: str = "",
) -> SortReport:  # fmt: skip
    """Fit the sweeps of a bag, judge its parts and put them in order.

    Parameters
    ----------
    bag : Bag
    meter : Meter
        The meter the readings were taken with.
    types : callable
        From a marking to its registered type, or None.
    noise : Noise, optional
        Stated instrument uncertainty of the sweeps; without it, it is found from each sweep.
    plots : int
        Number of parts, worst first, whose sweeps are drawn on a page.
    label : str
        What stands over the whole report.
    """
    # no verdict rests on V_BE or h_FE at a current; a part with sweeps keeps its row for type and polarity
    swept = set(bag.sweeps.part)
    judged = replace(bag, readings=tuple(p for p in bag.readings if p.readings or p.part in swept))
    fits = None
    if len(bag.sweeps):
        from junction.fit.sweeps import fit_sweeps

        fits = fit_sweeps(bag.sweeps, noise)
    verdicts = worst_first(judge_bag(judged, fits, meter, types))

    def draw(wanted):
        from junction.fit.derived import sweep_plot

        return {k: sweep_plot(bag.sweeps, fits, k, noise) for k in wanted}

    with_readings = {p.part for p in bag.readings if p.readings}
    without = {p.part for p in bag.readings if not p.readings}
    return SortReport(
        verdicts, meter, bag, cautions(*_places(judged), "power-up"), label,
        parts_without_temp=_without_temperature(judged),
        curves_only=len(set(bag.curves.part) - swept - with_readings),
        spots_only=len(without - swept - set(bag.curves.part)),
        plots=plots, draw=draw,
    )  # fmt: skip


def _places(bag: Bag) -> list[str]:
    """Where the hand was, or goes next."""
    places = ["meter"] if bag.readings or not len(bag.sweeps) else []
    places += ["in circuit"] if any(p.in_circuit for p in bag.readings) else []
    return places + (["sweep"] if len(bag.sweeps) or len(bag.curves) else [])


def _without_temperature(bag: Bag) -> int:
    """Number of parts with no temperature in any of their rows."""
    known = {p.part for p in bag.readings if not isnan(p.temp_C)}
    known.update(bag.sweeps.part[k] for k in np.flatnonzero(~np.isnan(bag.sweeps.temp_C)).tolist())
    return len({p.part for p in bag.readings}.union(bag.sweeps.part) - known)
