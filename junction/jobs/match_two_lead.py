"""A bag of diodes, LEDs or Zeners to matched sets: the two-lead half of `match`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import isfinite, nan
from types import SimpleNamespace

import numpy as np

from junction.base.errors import InputError, UsageError
from junction.base.records import Bag, PartReadings, plain_name
from junction.jobs.job import bag_of, meter_of, noise_of
from junction.jobs.marks import as_registered, stage_types, types_asked, types_of
from junction.judge.results import PartVerdict, Verdict, say, type_notes
from junction.sets.junctions import TwoLead, meter_point
from junction.sets.results import LAYOUTS, LeftOver, TwoLeadReport
from junction.sets.two_lead import match_two_lead
from junction.shelf.tables import families, reference_rows, rule
from junction.sweeps.sweeps import fit_sweeps
from junction.verdict.parts import judge_bag

#: Options of match that say something of a transistor stage, beside those that stand under its headings.
_OF_STAGE = ("channels", "idle_weight", "reading_vce", "socket_current")
_HEADINGS = ("the stage", "heat")
_SHARED = ("type",)
_OF_PAIR = ("layout", "current", "in_set", "vce", "type", "emitter_resistor", "base_resistor",
            "junction_temperature", "reading_vce", "socket_current")  # fmt: skip


def refuse_other_options(o: SimpleNamespace) -> None:
    """Refuse options that say nothing about the layout asked for.

    Raises
    ------
    UsageError
    """
    two_lead = LAYOUTS[o.layout].of == "two-lead part"
    bare = LAYOUTS[o.layout].held == "current at one V_BE"
    for row in reference_rows("options"):
        cells = row.cells
        name = cells["option"]
        if "match" not in cells["jobs"].split() or getattr(o, name, None) in (None, (), False, ""):
            continue
        word = "--" + name.replace("_", "-")
        of_stage = cells["group"].startswith(_HEADINGS) or name in _OF_STAGE
        if bare and (of_stage or name in ("layout", "current", "in_set")):
            if name not in _OF_PAIR:
                instead = "; current of each part: --current" if name.endswith("_current") else ""
                raise UsageError(f"{word} belongs to an output stage, not to --layout {o.layout}{instead}")
        elif two_lead and of_stage and name not in _SHARED:
            instead = {"parallel": "; parts in a set: --in-set", "idle_current": "; say --current",
                       "peak_current": "; say --current"}.get(name, "")  # fmt: skip
            raise UsageError(f"{word} belongs to a transistor stage, not to --layout {o.layout}{instead}")
        elif not two_lead and name in ("current", "in_set"):
            instead = "--parallel" if name == "in_set" else "--idle-current and --peak-current"
            raise UsageError(f"{word} belongs to diodes, LEDs and Zeners; for transistors say {instead}")


def two_lead_report(parts, o: SimpleNamespace) -> TwoLeadReport:
    """The report of a layout of two-lead parts.

    Parameters
    ----------
    parts : path, list of paths, DataFrame or Result
    o : namespace
        Options of `match`.

    Raises
    ------
    InputError
        No part has a voltage to match by.
    UsageError
        Options that cannot be together.
    """
    refuse_other_options(o)
    find = types_of(o)
    stage_types(o, find, transistor=False)
    meter, row = meter_of(o), LAYOUTS[o.layout]
    reverse = row.held == "V_Z at one current"
    in_set = int(row.parts) if o.in_set is None else o.in_set
    bag = as_registered(bag_of(parts, o.temperature).by_name(), find)
    marks = [*dict.fromkeys([*(r.type for r in bag.readings), *bag.sweeps.type])]
    swept = fit_sweeps(bag.sweeps, noise_of(o)) if len(bag.sweeps) else None
    verdicts = {v.part: v for v in judge_bag(bag, swept, meter, find)}
    found, left, doubtful = [], [], []
    for name in dict.fromkeys([*(r.part for r in bag.readings), *bag.sweeps.part, *bag.curves.part]):
        one, why = _measured(name, bag, swept, verdicts.get(name), meter, find, o.type or (), marks, reverse)
        if why:
            left.append(LeftOver(name, why, one is not None))
        else:
            found.append(one)
            if verdicts[name].verdict == Verdict.UNDECIDED:
                doubtful.append(name)
    if not found:
        usual = say("two_lead_no_zener" if reverse else "two_lead_no_forward")
        why = "".join(f"; {x.part}: {x.why}" for x in [x for x in left if x.why != usual][:3])
        said = say("two_lead_nothing_zener" if reverse else "two_lead_nothing")
        raise InputError(said + why, ", ".join(bag.files))
    recorded = rule("temp_apart") if o.temperature_uncertainty is None else o.temperature_uncertainty
    u_temp_K = (rule("side_by_side_temp"),) * 2 if o.side_by_side else (recorded, rule("temp_apart_missing"))
    report = match_two_lead(
        found, swept, o.layout, in_set=in_set, current_A=o.current, u_temp_K=u_temp_K, wanted=o.sets,
        keep=o.keep, default_A=lambda own: _default_current(own, find, reverse),
    )  # fmt: skip
    said = ()
    if doubtful:
        named = ", ".join(doubtful[:8]) + (f" and {len(doubtful) - 8} more" if len(doubtful) > 8 else "")
        said = (say("match_undecided", parts=named),)
    if reverse and any(p.source == "reading" for p in found):
        said += (say("two_lead_zener_taken"),)
    notes = type_notes(dict.fromkeys([*(o.type or ()), *marks]), find)
    return replace(
        report, warnings=(*notes, *report.warnings), left_over=(*left, *report.left_over), bag=bag,
        parts_read=len(left) + len(found), assumptions=report.assumptions + said,
    )  # fmt: skip


def _measured(
    name: str, bag: Bag, fits, verdict: PartVerdict | None, meter, find: Callable, wanted: Sequence[str],
    marks: Sequence[str], reverse: bool,
) -> tuple[TwoLead | None, str]:  # fmt: skip
    """A part as it can be matched, and why it cannot; a part without is no candidate at all."""
    table = bag.sweeps
    rows = [k for k, part in enumerate(table.part) if part == name and table.junction[k] == "AK"]
    told: PartReadings | None = next((r for r in bag.readings if r.part == name), None)
    reading = _reading(told, reverse)
    usual = say("two_lead_no_zener" if reverse else "two_lead_no_forward")
    if not rows and told is None:
        return None, usual
    type_ = next((table.type[k] for k in rows if table.type[k]), told.type if told else "")
    own = find(type_) if type_ else None
    judged = (j.family for j in verdict.junctions if j.junction in ("AK", "A-K"))
    family = own.family if own else next(judged, "")
    temp = float(table.temp_C[rows[0]]) if rows else told.temp_C
    one = TwoLead(name, type_, family if family in families() else "", own is not None, temp)
    if rows:
        one = _from_sweep(one, table, fits, rows, reverse)
    if reverse and own is not None and not own.find("V_Z"):
        return None, say("two_lead_no_zener_type")
    if reverse and own is None and reading is not None and reading.value < rule("zener_least"):
        reading = None
    if one.sweep < 0 and reading is not None and meter.scale == "volt":
        point = meter_point(reading.value, meter)
        one = replace(one, points=(point,), low_A=point.i_A, high_A=point.i_A, source="reading")
    if one.sweep < 0 and not one.points:
        readings = told.readings if told else ()
        shown = next((r.kind for r in readings if r.placement == ("K-A" if reverse else "A-K")), "")
        return None, say("two_lead_over") if shown == "over" and not reverse else usual
    # a Zener's K-A reading looks like a leak to diode mode; what it is, the user says by the layout
    zener = reverse and one.source == "reading" and verdict.verdict == Verdict.LEAKY
    if verdict.verdict not in (Verdict.GOOD, Verdict.UNDECIDED) and not zener:
        reason = next(iter(verdict.evidence), ", ".join(verdict.faults))
        return one, f"judged {verdict.verdict}: {reason}".rstrip(": ")
    if told is not None and told.in_circuit:
        return one, say("two_lead_in_circuit")
    if wanted:
        names = types_asked(wanted, find, marks)
        if type_ and names and not names & {plain_name(type_), plain_name(own.name if own else type_)}:
            return one, say("match_other_type", type=type_, wanted=", ".join(wanted))
    return one, ""


def _reading(told: PartReadings | None, reverse: bool):
    """The diode-mode reading of the side asked for."""
    place = "K-A" if reverse else "A-K"
    for r in told.readings if told else ():
        if r.placement == place and r.kind == "volt" and not r.settling and r.value > 0:
            return r
    return None


def _from_sweep(one: TwoLead, table, fits, rows, reverse: bool) -> TwoLead:
    """The part with its best sweep, where one shows the side asked for."""
    best, top = -1, 0.0
    for k in rows:
        i = table.i_A[table.points(k)][fits.used[table.points(k)]]
        i = -i if reverse else i
        has = isfinite(fits.value["BV_V"][k]) if reverse else isfinite(fits.value["IS_A"][k])
        if has and not fits.why_not[k] and i.max(initial=0.0) > top:
            best, top, low = k, float(i.max()), float(i[i > 0].min())
    if best < 0:
        return one
    return replace(one, sweep=best, low_A=low, high_A=top, source="sweep", temp_C=float(table.temp_C[best]))


def _default_current(parts: Sequence[TwoLead], find: Callable, reverse: bool) -> tuple[float, str]:
    """Current that parts of a kind are compared at where none was given, and why."""
    if reverse and parts[0].type and (own := find(parts[0].type)) is not None:
        at = [x.at.get("iz_A", nan) for x in own.find("V_Z")]
        if at and isfinite(at[0]):
            return float(at[0]), say("two_lead_registered")
    if any(p.points for p in parts):
        return float(np.median([p.points[0].i_A for p in parts if p.points])), say("two_lead_as_read")
    low, high = max(p.low_A for p in parts), min(p.high_A for p in parts)
    return float(np.clip(rule("two_lead_usual_current"), low, max(low, high))), say("two_lead_covered")

