"""A bag of curves and spot readings to matched sets for one stage."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from math import isnan, nan, sqrt

import numpy as np

from junction.amplifier.results import Stage
from junction.amplifier.stage import StageAsk, plan_stage
from junction.base.errors import InputError, UsageError
from junction.base.records import Bag, PartReadings, plain_name
from junction.base.units import NORMAL_95
from junction.jobs.job import Result, bag_of, entered, job, meter_of, noise_of
from junction.jobs.marks import as_registered, not_bipolar, stage_ask, stage_types, types_asked, types_of
from junction.jobs.match_pair import as_dual, bare_pair, yardsticks
from junction.jobs.match_two_lead import refuse_other_options, two_lead_report
from junction.judge.results import Device, PartVerdict, Verdict, say, type_notes
from junction.sets.choose import weights_for
from junction.sets.match import low_gain, match_parts
from junction.sets.results import LAYOUTS, NO_CANDIDATE, LeftOver
from junction.shelf.tables import Meter, cautions, rule
from junction.sweeps.results import TransistorFits
from junction.transistor.meter import with_meter_spots
from junction.transistor.model import reading_noise, spots_of, unusable
from junction.transistor.transistor import fit_transistors
from junction.transistor.values import evaluate

EPILOG = "layouts:\n" + "".join(f"  {name:<20} {one.meaning}\n" for name, one in LAYOUTS.items()) + """\
input: curves (part, vce_V, vbe_V, ib_A, ic_A) and spot readings (part, ic_mA, vbe_mV, hFE, temp_C),
mixed as they come. A part may have several rows of readings, at idle and near the peak; one works, two
work better, a curve up to the peak current best. A grade is given for idle and for the peak; none means
that the readings do not reach grade C, and the note at the set says where and what would help.
With nothing better, B-E in diode mode and an hFE without a current (a meter's socket) are taken.
diodes, LEDs, Zeners: diode-mode readings (part, A-K, temp_C), sweeps of AK (part, junction, v_V, i_A), or
V read at a current of your own, as A-K or K-A with --meter-current; compared at --current.
examples:
  junction match bag.csv --power 80W --load 8ohm --supply 42V --parallel 2 --emitter-resistor 0.22ohm
  junction match bag.csv --layout complementary --channels 2 --parallel 3 --idle-current 300mA \\
      --peak-current 10A --emitter-resistor 0.33ohm --type MJ15003,MJ15004 -o sets/
  junction match small.csv --layout differential --current 1mA --side-by-side
  junction match diodes.csv --layout ring --current 1mA
exit status: 0 all rows used; 1 done, but rows were not used; 2 nothing done."""

#: Parts whose curves are drawn; beyond, a page would only be grey.
MOST_DRAWN = 400
#: Points of a drawn curve; how far beyond the currents of a part's data it goes, and only where V_BE is known
#: to this half-width of its 95 % interval [V]: what lies beyond is the fit talking, not the part.
_POINTS, _BEYOND, _MOST_DOUBT_V = 41, 3.0, 0.05


@job(
    inputs=("files", "+", "FILE", "CSV with transistor curves and spot readings"),
    writes="a page, sets.csv, left_over.csv, labels for A4 and Letter and match.json", epilog=EPILOG,
)  # fmt: skip
def match(parts, o) -> Result:
    """Choose matched sets for the stage they will work in.

    Parameters
    ----------
    parts : path, list of paths, DataFrame or Result
        Transistor curves and spot readings, as `junction.read` takes them.

    Returns
    -------
    Result
        ``sets``, best first, and ``left_over``; tables ``sets``, ``left_over`` and ``set_aside``.

    Raises
    ------
    InputError
        No part has a curve or a spot reading.
    UsageError
        A layout or kept set that cannot be, values that no stage can have together, or an option without
        its unit or outside its bounds.

    Examples
    --------
    >>> import junction, pandas
    >>> bag = pandas.DataFrame({
    ...     "part": ["Q1", "Q2", "Q3", "Q4"], "polarity": "NPN", "temp_C": 23, "ic_mA": 100,
    ...     "vbe_mV": [612, 618, 613, 617], "hFE": [95, 90, 93, 88]})
    >>> junction.match(bag, emitter_resistor="0.22ohm", idle_current="200mA")
    <junction match: 2 sets: 2 grade A>
    """
    two_lead = LAYOUTS[o.layout].of == "two-lead part"
    refuse_other_options(o)
    told = entered(o, match.options)
    if two_lead:
        found = two_lead_report(parts, o)
        return Result("match", replace(found, entered=told, cautions=cautions("power-up")))
    row = LAYOUTS[o.layout]
    two_rails, bare = row.rails == 2, row.held == "current at one V_BE"
    if o.channels is not None and not two_rails:
        raise UsageError("--channels belongs to a two-rail layout; for pairs say --sets")
    if o.channels is not None and o.sets is not None:
        raise UsageError("--channels or --sets, not both: a channel is a set")
    ask = replace(stage_ask(o, int(row.parts)), **({"parallel": o.in_set} if o.in_set else {}))
    if not two_rails and ask.parallel < 2:
        option = "in-set" if bare else "parallel"
        raise UsageError(f"--{option} 1 leaves nothing to match in pairs; 2 or more share a rail's current")
    find = types_of(o)
    types, meter = stage_types(o, find), meter_of(o)
    # how a bag is to be fitted; limits of error to standard uncertainties: JCGM 100:2008, 4.3.7
    spot, third = reading_noise(), sqrt(3)
    if o.voltage_accuracy is not None:
        share, floor = o.voltage_accuracy
        spot |= {"vbe_percent": 100 * share / third, "u_vbe_V": max(floor, 1e-6) / third}
    if o.current_accuracy is not None:
        spot["ic_percent"] = 100 * max(o.current_accuracy[0], 1e-5) / third
    if o.reading_vce is not None:
        spot |= {"vce_V": o.reading_vce, "u_vce_V": rule("reading_vce_stated") * o.reading_vce}
    recorded = rule("temp_apart") if o.temperature_uncertainty is None else o.temperature_uncertainty
    u_temp_K = recorded, rule("temp_apart_missing")
    if o.side_by_side:  # what is off is off for all of them alike, and moves no current
        u_temp_K = (rule("side_by_side_temp"),) * 2
        spot["u_vce_V"] = min(spot["u_vce_V"], rule("side_by_side_vce"))
    fit = partial(fit_bag, ask=ask, noise=noise_of(o), spot=spot, u_temp_K=u_temp_K)
    bag = as_registered(bag_of(parts, o.temperature).by_name(), find)
    by_hand = [name for set_ in o.keep for name in set_]
    made_A = (o.current or nan) if bare else made_for(ask)
    fits, left_out, doubtful, warnings = usable_parts(
        bag, fit, find, meter, o.type or (), by_hand, made_for_A=made_A, socket_ib_A=o.socket_current)
    high = fits.ic_high_A[np.isfinite(fits.ic_high_A)]
    if high.size:
        ask = replace(ask, data_high_A=float(np.median(high)))
    stage = bare_pair(ask, o.current, fits) if bare else plan_stage(ask, types or types_used(fits, find))
    # registered complement of each type the shelf knows one of, by plain names
    known = {name: find(name) for name in dict.fromkeys(fits.type) if name}
    complements = {plain_name(n): plain_name(k.complement) for n, k in known.items() if k and k.complement}
    found = match_parts(
        fits, stage, o.layout, wanted=o.channels or o.sets, keep=o.keep,
        weights=weights_for(1.0 if bare else o.idle_weight, within=bare), complements=complements,
        u_temp_K=u_temp_K,
    )  # fmt: skip
    duals = yardsticks()
    if bare:
        found = replace(found, sets=tuple(as_dual(s, duals) for s in found.sets))
    used = [name for s in found.sets for name in s.parts]
    said = say("match_undecided", parts=", ".join(doubtful))
    said = say("match_undecided_many", number=len(doubtful)) if len(doubtful) > 4 else said
    report = replace(
        found, left_over=(*left_out, *found.left_over), bag=bag,
        warnings=(*type_notes(dict.fromkeys([*(o.type or ()), *fits.type]), find), *warnings),
        assumptions=found.assumptions + ((said,) if doubtful else ()),
        parts_read=len(_parts(bag)), entered=told,
        cautions=cautions("fitting", "power-up"),
        yardsticks=duals,
        draw=lambda: curves_on_grid(fits, used, stage) if 0 < len(used) <= MOST_DRAWN else None,
    )  # fmt: skip
    return Result("match", report)


def fit_bag(bag: Bag, ask: StageAsk, **known) -> TransistorFits:
    """Transistor fits of every part with curves or spot readings.

    Parameters
    ----------
    bag : Bag
    ask : StageAsk
        Says what the parts are made to carry.
    **known
        Stated uncertainties: ``noise``, ``spot`` and ``u_temp_K`` of `fit_transistors`.

    Raises
    ------
    InputError
        No part has either.
    UsageError
        More parts than can be weighed against each other.
    """
    readings = tuple(r for r in bag.readings if spots_of(r))
    parts, most = len({*bag.curves.part, *(r.part for r in readings)}), int(rule("match_parts_most"))
    if parts > most:
        raise UsageError(say("match_too_many", parts=parts, most=most))
    if not len(bag.curves) and not readings:
        raise InputError(say("match_nothing"), ", ".join(bag.files))
    return fit_transistors(bag.curves, readings=readings, made_for_A=made_for(ask), **known)


def made_for(ask: StageAsk) -> float:
    """Collector current at the peak of each part [A]; nan where nothing says it."""
    peak_A = sqrt(2 * ask.power_W / ask.load_ohm) if isnan(ask.peak_A) else ask.peak_A
    return peak_A / ask.parallel


def _with_polarity(r: PartReadings, find: Callable) -> PartReadings:
    """Readings of a part with the polarity of its registered type, where no row says it."""
    kind = find(r.type) if r.type and not r.polarity else None
    return replace(r, polarity=kind.polarity) if kind is not None and kind.polarity else r


def _with_meter(bag: Bag, verdicts: dict[str, PartVerdict], find: Callable, meter: Meter, made_for_A: float,
                socket_ib_A: float | None) -> Bag:  # fmt: skip
    """The bag with the V_BE of the diode mode and the gain of the socket as spot readings.

    Where some parts were measured at a collector current, the others of the bag are not asked for: only those
    of the same types.
    """
    own = rule("socket_ib") if socket_ib_A is None else socket_ib_A
    curved, readings = {*bag.curves.part}, []
    sharp = {*map(plain_name, bag.curves.type), *(plain_name(r.type) for r in bag.readings if spots_of(r))}
    for r in bag.readings:
        if sharp and plain_name(r.type) not in sharp:
            readings.append(r)
            continue
        v = verdicts.get(r.part)
        device = v.device if v is not None else Device()
        kind = find(r.type) if r.type else None
        polarity = r.polarity or device.polarity or (kind.polarity if kind is not None else "")
        # of a Darlington the test current flows through the resistors inside
        plain = device.kind in ("bjt", "unknown") and (kind is None or kind.kind != "darlington")
        if r.part not in curved and plain:
            r = with_meter_spots(r, meter, polarity=polarity, leads=device.leads, made_for_A=made_for_A,
                                 socket_ib_A=own)  # fmt: skip
        readings.append(r)
    return replace(bag, readings=tuple(readings))


def usable_parts(
    bag: Bag, fit: Callable[[Bag], TransistorFits], find: Callable, meter: Meter,
    type_names: Sequence[str] = (), by_hand: Sequence[str] = (), *, made_for_A: float = nan,
    socket_ib_A: float | None = None,
):  # fmt: skip
    """Fit a bag and leave out what was judged not good, other types, and parts with far too little gain.

    Parameters
    ----------
    bag : Bag
    fit : callable
        As `fit_bag`.
    find : callable
        From a marking to its registered type, or None.
    meter : Meter
        The meter the readings were taken with.
    type_names : sequence of str
        Types that alone may be used; all where there are none.
    by_hand : sequence of str
        Parts to use whatever their gain.
    made_for_A : float
        Collector current the parts are made to carry [A].
    socket_ib_A : float, optional
        Base current of the meter's h_FE socket [A]; the rule ``socket_ib`` by default.

    Returns
    -------
    fits : TransistorFits
    left_out : list of LeftOver
    doubtful : list of str
        Parts used although they were judged undecided.
    warnings : tuple of str
    """
    judged = replace(bag, readings=tuple(r for r in bag.readings if r.readings))
    verdicts: Sequence[PartVerdict] = ()
    if judged.readings or len(bag.sweeps):
        from junction.sweeps.sweeps import fit_sweeps
        from junction.verdict.parts import judge_bag

        swept = fit_sweeps(bag.sweeps) if len(bag.sweeps) else None
        verdicts = judge_bag(judged, swept, meter, find)
        bag = _with_meter(bag, {v.part: v for v in verdicts}, find, meter, made_for_A, socket_ib_A)
    bag = replace(bag, readings=tuple(_with_polarity(r, find) for r in bag.readings))
    bad = {v.part: f"judged {v.verdict}: {next(iter(v.evidence), ', '.join(v.faults))}".rstrip(": ")
           for v in verdicts if v.verdict not in (Verdict.GOOD, Verdict.UNDECIDED)}  # fmt: skip
    fits = fit(bag)
    wanted = types_asked(type_names, find, fits.type)
    gain_unknown = fits.fixed[:, fits.names.index("BF")]  # a measured gain tells more than a number
    for part, kind, no_gain in zip(fits.part, fits.type, gain_unknown, strict=True):
        own = find(kind) if kind and wanted else None
        if kind and wanted and not wanted & {plain_name(kind), plain_name(own.name if own else kind)}:
            bad[part] = say("match_other_type", type=kind, wanted=", ".join(type_names))
        elif no_gain and part not in by_hand and (said := not_bipolar(kind, find)):
            bad[part] = said
    for part, kind in zip(fits.part, fits.type, strict=True):
        own = find(kind) if kind and part not in by_hand else None
        if own is not None and own.rating("I_C") < made_for_A:
            numbers = {"type": own.name, "rated": own.rating("I_C"), "asked": made_for_A}
            bad.setdefault(part, say("match_too_small", **numbers))
    suspects = low_gain(fits, find)
    weak = {part: why for part, (why, far) in suspects.items() if far and part not in {*by_hand, *bad}}
    candidates = {*fits.part}
    bad |= weak
    if weak and not candidates <= bad.keys():
        # what a bad part shows is not its type's, and the others must not learn it
        kept = bag.curves.keep(np.array([part not in weak for part in bag.curves.part], bool))
        fits = fit(replace(bag, curves=kept, readings=tuple(r for r in bag.readings if r.part not in weak)))
    left = [LeftOver(name, why, name in candidates) for name, why in bad.items()]
    reasons = {part: f"not used: {why}" for part, why in unusable(bag.readings).items()}
    left += [LeftOver(name, reasons.get(name, NO_CANDIDATE), name in reasons)
             for name in _parts(bag) if name not in bad and name not in fits.part]  # fmt: skip
    doubtful = [v.part for v in verdicts if v.verdict == Verdict.UNDECIDED and v.part in fits.part]
    warnings = tuple(say("match_suspect", part=part, why=why)
                     for part, (why, _) in suspects.items() if part not in bad)  # fmt: skip
    fits = fits.take([k for k, name in enumerate(fits.part) if name not in bad])
    return fits, left, doubtful, warnings


def _parts(bag: Bag) -> dict[str, None]:
    """Every part read."""
    return dict.fromkeys([*(r.part for r in bag.readings), *bag.sweeps.part, *bag.curves.part])


def types_used(fits: TransistorFits | None, find: Callable) -> tuple:
    """Registered types that the parts' rows name."""
    named = [name for name in dict.fromkeys(fits.type) if name] if fits is not None else []
    return tuple(kind for kind in map(find, named) if kind is not None)


def curves_on_grid(fits: TransistorFits, names: Sequence[str], stage: Stage) -> dict:
    """V_BE and h_FE of some parts from a tenth of the idle share to past the peak's, nan where no data speak.

    Parameters
    ----------
    fits : TransistorFits
    names : sequence of str
        Parts wanted.
    stage : Stage

    Returns
    -------
    dict
        ``rows`` (part to row), ``ic_A`` (g,), ``vce_V``, ``temp_C``; ``vbe_V``, ``u_vbe_V``, ``hfe`` and
        ``u_hfe`` (n, g): values with standard uncertainties [V, 1].
    """
    rows = [fits.part.index(name) for name in names]
    low = stage.idle.total_A / stage.parallel / 10
    ic = np.geomspace(low, max(stage.peak.total_A / stage.parallel * 1.5, 20 * low), _POINTS)
    vce = min(max(stage.peak.vce_V, 3.0), 10.0)
    values = evaluate(fits, ic, vce, stage.idle.temp_C)
    known = (fits.ic_low_A[rows, None] / _BEYOND <= ic) & (ic <= fits.ic_high_A[rows, None] * _BEYOND)
    known &= NORMAL_95 * values.u_vbe_V[rows] <= _MOST_DOUBT_V
    shown = {name: np.where(known, getattr(values, name)[rows], nan)
             for name in ("vbe_V", "u_vbe_V", "hfe", "u_hfe")}  # fmt: skip
    places = {name: row for row, name in enumerate(names)}
    return {"rows": places, "ic_A": ic, "vce_V": vce, "temp_C": stage.idle.temp_C, **shown}
