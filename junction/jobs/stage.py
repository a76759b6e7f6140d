"""An amplifier's rating to operating points; measured emitter-resistor drops against them."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from math import isfinite

import numpy as np

from junction.amplifier.findings import diagnose_drops
from junction.amplifier.results import Stage, StageReport
from junction.amplifier.sharing import devices_from_fits, drawn_devices, share
from junction.amplifier.stage import half_load, plan_stage
from junction.base.errors import UsageError
from junction.base.records import Bag
from junction.jobs.job import Result, bag_of, entered, job
from junction.jobs.marks import stage_ask, stage_types, types_of
from junction.jobs.match import fit_bag, types_used, usable_parts
from junction.judge.results import say, type_notes
from junction.sets.match import match_parts
from junction.shelf.tables import cautions, default_meter, rule
from junction.shelf.types import safe_current_A

EPILOG = """examples:
  junction stage --power 80W --load 8ohm --supply 42V --parallel 2 \\
      --emitter-resistor 0.22ohm --type MJ15003,MJ15004
  junction stage --parallel 2 --emitter-resistor 0.22ohm --idle-drop 20mV --supply 42V \\
      --measured-drops 19.5mV,21.2mV,40.4mV,0.1mV
Drops are magnitudes across each emitter resistor at idle, warm, without signal and without load: the upper
rail's first, then the lower rail's. With the parts' own curves or spot readings (files, and --parts in the
order of the drops) the comparison is sharper.
exit status: 0 done; 1 done, but rows were not used; 2 nothing done."""

_AFTER = "after fitting"


@job(
    inputs=("files", "*", "FILE", "curves or spot readings of the fitted parts (with --parts)"),
    writes="a page, stage.csv, heat.csv, drops.csv and stage.json", epilog=EPILOG,
)  # fmt: skip
def stage(curves=None, *, o) -> Result:
    """Work out an output stage, and judge the drops measured across its emitter resistors.

    Parameters
    ----------
    curves : path, list of paths, DataFrame or Result, optional
        Curves or spot readings of the fitted parts, which `parts` names in the order of `measured_drops`.

    Returns
    -------
    Result
        ``stage`` with operating points, heat and limits, and ``measured_drops``; tables ``stage``, ``heat``
        and ``drops``.

    Raises
    ------
    UsageError
        Values that no stage can have together, or an option without its unit or outside its bounds.
    InputError
        Nothing can be read of the parts.

    Examples
    --------
    >>> import junction
    >>> junction.stage(power="80W", load="8ohm", supply="42V", parallel=2, emitter_resistor="0.22ohm")
    <junction stage: 4.47 A at the peak and 182 mA at idle, shared by 2 devices a rail>
    """
    given = curves is not None and not (isinstance(curves, list | tuple) and not curves)
    drops = o.measured_drops
    if o.parts and not given:
        raise UsageError("--parts needs the files with their curves or readings")
    if given and drops is None:
        raise UsageError("files are for --measured-drops: the parts' own curves sharpen that comparison")
    if drops is None and (o.drop_accuracy or o.resistor_tolerance):
        raise UsageError("--drop-accuracy and --resistor-tolerance belong to --measured-drops")
    if drops is not None and o.parts and len(o.parts) != len(drops):
        raise UsageError(f"{len(drops)} drops but {len(o.parts)} parts")
    # volts are a slip of the unit, or a fault that no drop needs to be weighed for
    if drops is not None and max(drops) > rule("drops_ask"):
        raise UsageError(f"--measured-drops: {say('drops_ask', drop=max(drops))}")
    told = entered(o, stage.options)
    find, ask, fits, bag = types_of(o), replace(stage_ask(o), channels=o.channels), None, Bag()
    if given:
        bag = bag_of(curves, o.temperature).by_name()
        # what is fitted is compared, whatever its gain
        fits, *_ = usable_parts(bag, partial(fit_bag, ask=ask), find, default_meter(), by_hand=o.parts or ())
    types = stage_types(o, find) or types_used(fits, find)
    planned = plan_stage(ask, types)
    unknown = type_notes(dict.fromkeys([*(o.type or ()), *(fits.type if fits is not None else ())]), find)
    planned = replace(planned, findings=(*unknown, *planned.findings))
    devices = drawn = predicted = report = None
    if fits is not None:
        if not o.parts:
            raise UsageError("say which part stands where: --parts A03,A11 in the order of the drops")
        for name in o.parts:
            if name not in fits.part:
                raise UsageError(f"--parts: {name} has no curve or spot reading in the files given")
        fits = fits.take([fits.part.index(name) for name in o.parts])
        devices = devices_from_fits(fits)
        drawn = drawn_devices(fits, planned)["idle"]
        n = planned.parallel
        if n > 1 and len(fits) in (n, 2 * n):  # what the fitted set should show
            both = "complementary" if len(set(fits.polarity)) == 2 else "quasi-complementary"
            layout = "pairs" if len(fits) == n else both
            predicted = match_parts(fits, planned, layout, keep=(fits.part,), draws=200).sets[0]
    if drops is not None:
        report = diagnose_drops(planned, drops, devices, drawn, accuracy=o.drop_accuracy,
                                tolerance=o.resistor_tolerance, parts=o.parts or ())  # fmt: skip
    acts = ["drops"] if drops is not None else []
    found = StageReport(planned, report, predicted, cautions(*acts, "power-up", "fitting"), bag,
                        lambda: _safe_area(planned, types), lambda: _shares(planned, devices, o.parts or ()),
                        half_load(ask, planned, types), told, tuple(o.parts or ()))  # fmt: skip
    return Result("stage", found)


def _shares(planned: Stage, devices, parts) -> list[tuple]:
    """What each fitted part carries of its rail's current against it, at the V_CE and heat of idle."""
    n = planned.parallel
    if devices is None or n < 2 or len(parts) not in (n, 2 * n):
        return []
    low, high = planned.idle.total_A / 3, planned.peak.total_A
    if not 0 < low < high:
        return []
    total, found = np.geomspace(low, high, 21), []

    def of_rail(given, rail: int):
        several = isinstance(given, tuple) and len(given) == 2 * n
        return given[rail * n : (rail + 1) * n] if several else given

    for rail in range(len(parts) // n):
        members = np.arange(rail * n, (rail + 1) * n)
        point = replace(planned.idle, re_ohm=of_rail(planned.idle.re_ohm, rail),
                        rb_ohm=of_rail(planned.idle.rb_ohm, rail))  # fmt: skip
        taken = devices.take(members[None])
        ie_A = [share(taken, replace(point, total_A=float(amps))).ie_A[0] for amps in total]
        word = ("upper rail", "lower rail")[rail] if len(parts) > n else "one rail"
        found.append((word, total, [parts[m] for m in members], np.array(ie_A) / total[:, None]))
    return found


def _safe_area(planned: Stage, types) -> tuple[dict, dict]:
    """Load lines of one device at clipping, and the dc safe areas of the types at the warmest case."""
    if not planned.loci:
        return {}, {}
    warmest = max((d["case_C"] for d in planned.dissipation if isfinite(d["case_C"])), default=25.0)
    vce = np.linspace(1.0, 2.6 * planned.supply_V, 200)
    areas = {kind.name: (vce, np.array([safe_current_A(kind, float(v), warmest) for v in vce]))
             for kind in types}  # fmt: skip
    return planned.loci, {name: area for name, area in areas.items() if np.isfinite(area[1]).any()}
