"""A bag of readings, sweeps and curves to verdicts, worst first."""

from __future__ import annotations

from dataclasses import replace
from math import isnan, nan

from junction.base.errors import InputError
from junction.jobs.job import Result, bag_of, job, meter_of, noise_of
from junction.jobs.marks import types_of, with_order
from junction.judge.results import SortReport, type_notes, worst_first
from junction.shelf.tables import cautions
from junction.verdict.parts import judge_bag

EPILOG = """verdicts: good, leaky, shorted, open; undecided is a refusal that names the deciding measurement.
exit status: 0 all rows used; 1 done, but rows were not used; 2 nothing done.
example: junction sort bag.csv curves/ -o report/ --json report.json"""

_ONLY_SPOTS = (
    "V_BE or h_FE at a current only, on which no verdict rests: not judged here; junction match reads those"
)


@job(
    inputs=("files", "+", "FILE", "CSV with meter readings, sweeps or curves"),
    writes="a page, verdicts.csv, order.csv, set_aside.csv and sort.json", epilog=EPILOG,
)  # fmt: skip
def sort(parts, o) -> Result:
    """Sort a bag of parts: readings, sweeps and curves to verdicts, worst first.

    Parameters
    ----------
    parts : path, list of paths, DataFrame, readings or Result
        As `junction.read` takes them.

    Returns
    -------
    Result
        ``verdicts`` in the order a technician reads them; tables ``verdicts``, ``order`` and
        ``set_aside``.

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
    meter, types, noise = meter_of(o), types_of(o), noise_of(o)
    bag = bag_of(parts, o.temperature).by_name()
    if not (len(bag.sweeps) or len(bag.curves) or any(p.readings for p in bag.readings)):
        raise InputError(_ONLY_SPOTS, ", ".join(bag.files))
    swept, curved = set(bag.sweeps.part), set(bag.curves.part)
    # no verdict rests on V_BE or h_FE at a current; a part with sweeps keeps its row for type and polarity
    judged = replace(bag, readings=tuple(p for p in bag.readings if p.readings or p.part in swept | curved))
    found = None
    if swept:
        from junction.sweeps.sweeps import fit_sweeps
        from junction.verdict.beside import taken_out

        def refit(table):
            return fit_sweeps(table, noise)

        found = taken_out(bag.sweeps, refit(bag.sweeps), types, refit)
        judged = replace(judged, sweeps=found.table)

    def draw(wanted):
        from junction.sweeps.derived import sweep_plot

        return {k: sweep_plot(found.table, found.fits, k, noise) for k in wanted}

    # where the hand was, or goes next
    places = ["meter"] if judged.readings or not (swept or curved) else []
    places += ["in circuit"] if any(p.in_circuit for p in judged.readings) else []
    places += ["sweep"] if swept or curved else []
    warm = {p.part for p in judged.readings if not isnan(p.temp_C)}
    for table in (bag.sweeps, bag.curves):
        warm.update(part for part, t in zip(table.part, table.temp_C, strict=True) if not isnan(t))
    marks = {part: mark for table in (bag.sweeps, bag.curves)
             for part, mark in zip(table.part, table.type, strict=True) if mark}  # fmt: skip
    marks |= {p.part: p.type for p in judged.readings if p.type}
    report = SortReport(
        worst_first(judge_bag(judged, found and found.fits, meter, types, found)), meter, bag,
        cautions(*places, "power-up"),
        parts_without_temp=len({p.part for p in judged.readings}.union(swept, curved) - warm),
        spots_only=len({p.part for p in bag.readings if not p.readings} - swept - curved),
        type_notes=type_notes(marks.values(), types, reason="part_type_unknown"),
        plots=o.plots, input_ohm=found.input_ohm if found else nan, draw=draw,
    )  # fmt: skip
    return Result("sort", with_order(report, types))
