"""Entries that cannot be true, or that one may doubt: asked about and never judged.

Impossible is what the meter cannot show: a number above the mark where it shows over-range.  Doubtful is a
bare number that, a tenth or ten times as large, would make the part sound; with its unit behind it, it is
taken as meant.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, isinf, isnan, log

import numpy as np

from junction.base.records import PartReadings, Reading
from junction.base.units import listed, nominal
from junction.judge.mixture import VALUE, log_total
from junction.judge.results import Finding, Step, next_step, say
from junction.leads.bench import over_range_V
from junction.leads.explain import Weighed, log_evidence
from junction.shelf.tables import Meter, meters, rule

_BARE = re.compile(r"[+-]?[0-9]*[.,]?[0-9]+")


@dataclass(frozen=True)
class Question:
    """What is asked about one reading, and what may have been meant, as cells to write."""

    placement: str
    finding: Finding
    likely: tuple[str, ...]

    @property
    def says(self) -> str:
        """The question as a sentence."""
        return self.finding.says()


def _question(reason: str, cells: tuple[str, ...], **numbers) -> Question:
    return Question(numbers["placement"], Finding("", reason, numbers=numbers), cells)


@dataclass(frozen=True)
class Prepared:
    """A part as it is weighed: its readings as volts of a meter, without those that are asked about."""

    part: PartReadings
    meter: Meter
    questions: tuple[Question, ...] = ()
    notes: tuple[str, ...] = ()


def questions(part: PartReadings, meter: Meter) -> list[Question]:
    """What must be asked about the readings of a part before it is judged; [] where nothing must."""
    return list(prepare(part, meter).questions)


def asks(asked: Sequence[Question]) -> Step:
    """What to write instead of the readings that are asked about."""
    if not asked:
        return Step("")
    likely = [f"{q.placement}={cell.replace(' ', '')}" for q in asked for cell in q.likely]
    names = [q.placement for q in asked]
    return next_step(
        "entry_next", "says", many=len(names) > 1, names=listed(names), likely=" or ".join(likely)
    )


def prepare(part: PartReadings, meter: Meter) -> Prepared:
    """A part and its meter as they are weighed, and what must be asked.

    A number above the meter's mark whose reading the other way round is over-range cannot be ohms, which
    read the same both ways: then the meter reads further than the one taken, if that was not stated.
    """
    over, notes = meter.over_range_V, []
    counts = meter.accuracy_counts * meter.resolution_V
    high = [r for r in part.readings if r.kind == "volt" and over + counts < r.value < inf]
    marks = {(r.red, r.black) for r in part.readings if r.kind == "over" or isinf(r.value)}
    most = max((r.value for r in high), default=0.0)
    wider = [m for m in meters().values() if m.source_kind == meter.source_kind and m.over_range_V > most]
    if high and wider and meter.basis != "given by the user":
        if all((r.black, r.red) in marks for r in high):
            meter, high = min(wider, key=lambda m: m.over_range_V), []
            notes.append(say("entry_reads_further", volt=most, over=over, further=meter.over_range_V))
    # a short reads so both ways, and a junction never: one of the two is no reading
    low = [r for r in part.readings
           if r.kind == "volt" and abs(r.value) <= counts and (r.black, r.red) in marks]  # fmt: skip
    asked = [_above(r, meter, wider) for r in high]
    asked += [_question("entry_one_way", (), placement=r.placement, red=r.red, black=r.black,
                        typed=r.text or f"{r.value:g}") for r in low]  # fmt: skip
    if asked:
        lost = tuple(q.placement for q in asked)
        part = replace(part, readings=tuple(r for r in part.readings if r not in (*high, *low)),
                       refused=tuple(dict.fromkeys((*part.refused, *lost))))  # fmt: skip
    if shows_ohms(part, meter):
        share = rule("leads_needle_accuracy") if isnan(meter.ohms_accuracy) else meter.ohms_accuracy
        scale = share * meter.open_voltage_V / meter.resolution_V
        meter = replace(meter, scale="ohm", accuracy_counts=max(meter.accuracy_counts, scale))
        part = replace(part, readings=tuple(_as_volts(r, meter) for r in part.readings))
    return Prepared(part, meter, tuple(asked), tuple(notes))


def together(asked: Sequence[Question]) -> str:
    """What is asked, as one line."""
    more = [q.placement for q in asked[1:]]
    return " ".join([asked[0].says, *([say("entry_also", names=listed(more))] if more else [])])


def _above(r: Reading, meter: Meter, wider: Sequence[Meter]) -> Question:
    typed = r.text or f"{r.value:g}"
    likely = [f"{r.value:g} ohm"]
    for share in (10, 1000):
        if rule("leads_meant_low") <= r.value / share <= rule("leads_meant_high"):
            likely.append(f"{r.value / share:.4g} V")
    values = {"placement": r.placement, "typed": typed, "over": meter.over_range_V}
    return _question("entry_above", tuple(likely), wider=bool(wider), likely=" or ".join(likely), **values)


def shows_ohms(part: PartReadings, meter: Meter) -> bool:
    """Whether the resistances were read with the diode-mode source itself, as a needle meter's are."""
    if meter.source_kind != "resistance" or not any(r.kind == "ohm" for r in part.readings):
        return False
    stated = meter.basis == "given by the user" and not any(r.kind == "volt" for r in part.readings)
    return meter.scale == "ohm" or stated


def _as_volts(r: Reading, meter: Meter) -> Reading:
    """The voltage at the probes for what a needle shows on its scale of ohms."""
    if r.kind != "ohm":
        return r
    if isinf(r.value):
        return replace(r, kind="over", value=float("nan"))
    volts = meter.open_voltage_V * r.value / (r.value + meter.resistance_ohm)
    if volts >= over_range_V(meter):
        return replace(r, kind="over", value=float("nan"))
    return replace(r, kind="volt", value=volts, text=nominal(float(f"{r.value:.3g}"), "ohm"))


def slip(w: Weighed) -> Question | None:
    """The reading that, with its decimal point moved, makes a part sound that is not so as typed.

    The slip is weighed as what it is, a rare event, against the part being what it reads as typed.
    """
    typed = {r.placement: r for r in w.readings.readings if r.kind == "volt" and _BARE.fullmatch(r.text)}
    at = [(k, name) for k, name in enumerate(w.bench.placements) if name in typed and w.state[k] == VALUE]
    moved = [(k, name, 10.0) for k, name in at] + [(k, name, 0.1) for k, name in at if w.value[k] > 0.3]
    if not moved or not w.bench.predictions.label.size:
        return None
    value = np.repeat(w.value[None, :], len(moved) + 1, axis=0)
    for row, (k, _, factor) in enumerate(moved, start=1):
        value[row, k] *= factor
    taken = np.array([True] + [value[row, k] < w.bench.predictions.ceiling[0]
                               for row, (k, *_) in enumerate(moved, start=1)])  # fmt: skip
    joint = log_evidence(w.bench, value, np.repeat(w.state[None, :], len(value), axis=0)) + w.log_factor
    # a density per volt as typed
    scale = np.array([0.0] + [log(rule("leads_slip")) + log(factor) for *_, factor in moved])
    total = np.where(taken, log_total(joint, axis=(1, 2)) + scale, -np.inf)
    share = np.exp(total - log_total(total))
    best = 1 + int(np.argmax(share[1:]))
    by_hypothesis = np.exp(joint[best] - joint[best].max()).sum(axis=0)
    sound = by_hypothesis @ w.bench.quality[:, 0] / by_hypothesis.sum()
    if share[best] < 1 - rule("conformity_good") or sound < rule("conformity_good"):
        return None
    k, name, _ = moved[best - 1]
    likely = f"{value[best, k]:.4g}"
    return _question("entry_slip", (f"{likely} V",), placement=name, typed=typed[name].text, likely=likely)
