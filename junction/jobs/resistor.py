"""Wiring of ``junction resistor``: stock, networks, effect and verdict of one value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan, nan

from junction.base.errors import UsageError
from junction.replace.resistor import combinations, judge_reading, sharing_effect, stock_values
from junction.replace.results import ResistorReport
from junction.shelf.cautions import cautions
from junction.shelf.results import Caution
from junction.shelf.rules import resistor_series, rules

#: A network further off than this is not worth a line, unless nothing is nearer [1].
FAR = 0.10


@dataclass(frozen=True)
class ResistorAsk:
    """What is asked about one resistor; nan where it was not given. SI units."""

    wanted_ohm: float
    series: str = "E24"
    have_ohm: Sequence[float] = ()  # a drawer instead of a series
    tolerance: float = nan  # of the stock parts [1]; nan: that of the series
    power_W: float = nan
    part_power_W: float = nan
    current_A: float = nan  # of one device, where it shares or senses
    most_parts: int = 4
    each: int = 2
    reading_ohm: float = nan
    in_circuit: bool = False
    accuracy_percent: float = 1.0
    resolution_ohm: float = 0.1


def run_resistor(ask: ResistorAsk) -> ResistorReport:
    """Answer one question about a resistor.

    Raises
    ------
    UsageError
        Values that are not positive, an unknown series, or a power rating without a power.
    """
    if not isnan(ask.part_power_W) and isnan(ask.power_W):
        raise UsageError("the rating of one stock part needs the power of the whole: --power 10W")
    if not 0 < ask.wanted_ohm < float("inf"):
        raise UsageError("the resistance must be positive")
    series = resistor_series(ask.series)
    tolerance = series.tolerance_percent / 100 if isnan(ask.tolerance) else ask.tolerance
    verdict = None
    if not isnan(ask.reading_ohm):
        verdict = judge_reading(
            ask.wanted_ohm, ask.reading_ohm, tolerance=tolerance, in_circuit=ask.in_circuit,
            accuracy_percent=ask.accuracy_percent, resolution_ohm=ask.resolution_ohm,
        )  # fmt: skip
    if ask.have_ohm:
        stock, words = tuple(sorted(set(ask.have_ohm))), "the values given"
    else:
        stock = stock_values(ask.series, ask.wanted_ohm / 100, ask.wanted_ohm * 100)
        words = f"{series.name} ({series.source})"
    networks = combinations(
        ask.wanted_ohm, stock, tolerance=tolerance, power_W=ask.power_W, part_power_W=ask.part_power_W,
        most_parts=ask.most_parts, each=ask.each,
    )  # fmt: skip
    near = [n for n in networks if abs(n.error) <= FAR or len(n.parts_ohm) == 1]
    networks = tuple(near) if near else networks[:3]
    below = [x for x in stock if x <= ask.wanted_ohm * (1 + 1e-12)]
    above = [x for x in stock if x >= ask.wanted_ohm * (1 - 1e-12)]
    effect = None if isnan(ask.current_A) else sharing_effect(ask.wanted_ohm, tolerance, ask.current_A)
    return ResistorReport(
        ask.wanted_ohm, tolerance, words, networks, tuple(dict.fromkeys((*below[-1:], *above[:1]))),
        ask.power_W, ask.part_power_W, effect, verdict, ask.in_circuit, _cautions(ask),
        rules()["resistor_power"].value * ask.power_W,
    )  # fmt: skip


def _cautions(ask: ResistorAsk) -> tuple[Caution, ...]:
    """Those of resistors; with a reading those of the place it was taken at, the gravest of the meter."""
    if isnan(ask.reading_ohm):
        return cautions("resistor")
    return (cautions("in circuit") if ask.in_circuit else cautions("meter")[:1]) + cautions("resistor")
