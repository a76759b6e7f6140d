"""A resistor: stock values and networks, what a tolerance does, and what a reading says."""

from __future__ import annotations

from math import inf, isnan, nan

from junction.base.errors import UsageError
from junction.jobs.job import Result, job, physical
from junction.replace.resistor import combinations, judge_reading, sharing_effect, stock_values
from junction.replace.results import ResistorReport
from junction.shelf.tables import cautions, resistor_series, rule

EPILOG = """exit status: 0 answered; 2 nothing done.
examples:
  junction resistor 0.33ohm --series E12 --power 5W --part-power 5W
  junction resistor 0.22ohm --tolerance 5% --current 2A
  junction resistor 100ohm --reading 131ohm --in-circuit
  junction resistor 8ohm --have 3.9ohm,10ohm,15ohm,33ohm --power 20W --part-power 17W"""

_OVER_RANGE = ("OL", "O.L", "O.L.", "0L", "OFL", "---", "1.")
#: Networks of each arrangement that are looked at.
EACH = 2


def _percent(given) -> float:
    if isinstance(given, str) and "%" not in given:
        raise UsageError(f"{given!r} has no unit; write the percent sign, '{given}%'")
    value = physical(given, "ratio")
    if not 0 < value < 0.5:
        raise UsageError(f"{given!r} must be above 0 % and below 50 %")
    return value


def _reading(given) -> float:
    if given == inf or isinstance(given, str) and given.strip().upper() in _OVER_RANGE:
        return inf
    return physical(given, "resistance", least=0.0, most=1e12)


@job(
    inputs=("value", "", "VALUE", "wanted or marked value, such as 0.22ohm"),
    writes="resistor.html, resistor.csv and resistor.json", epilog=EPILOG,
    readers={"tolerance": _percent, "meter_accuracy": _percent, "reading": _reading},
    words={"share": 1 / rule("resistor_power"), "accuracy": 100 * rule("ohms_accuracy"),
           "digit": rule("ohms_digit"), "resolution": rule("ohms_resolution")},
)  # fmt: skip
def resistor(value, o) -> Result:
    """Find a resistor from stock, what its tolerance does, and what a reading of it says.

    Parameters
    ----------
    value : str or number
        Wanted or marked value [ohm], ``"0.22ohm"``.

    Returns
    -------
    Result
        ``networks``, best first, ``effect`` of the tolerance where a current was given, verdict of the
        ``reading``; table ``resistor``, one row a network.

    Raises
    ------
    UsageError
        Values that are not positive, an unknown series, or a power rating without a power.

    Examples
    --------
    >>> import junction
    >>> junction.resistor("100ohm", reading="131ohm", in_circuit=True)
    <junction resistor: 100 ohm: drifted>
    """
    wanted, have = physical(value, "resistance", above=0.0, most=1e12), o.have or ()
    tolerance, power_W, part_power_W, current_A, reading = (
        nan if x is None else x for x in (o.tolerance, o.power, o.part_power, o.current, o.reading)
    )
    if not isnan(part_power_W) and isnan(power_W):
        raise UsageError("the rating of one stock part needs the power of the whole: --power 10W")
    series = resistor_series(o.series)
    tolerance = series.tolerance_percent / 100 if isnan(tolerance) else tolerance
    verdict = None
    if not isnan(reading):
        verdict = judge_reading(wanted, reading, tolerance=tolerance, in_circuit=o.in_circuit,
                                accuracy=o.meter_accuracy, resolution_ohm=o.meter_resolution)  # fmt: skip
    stock, words = tuple(sorted(set(have))), "the values given"
    if not have:
        stock, words = stock_values(o.series, wanted / 100, wanted * 100), f"{series.name} ({series.source})"
    # who only reads a part wants to see the values it may have had, and no networks
    most_parts = 1 if verdict and not have and isnan(power_W) else o.most_parts
    networks = combinations(wanted, stock, tolerance=tolerance, power_W=power_W, part_power_W=part_power_W,
                            most_parts=most_parts, each=EACH)  # fmt: skip
    near = tuple(n for n in networks if abs(n.error) <= rule("resistor_far") or len(n.parts_ohm) == 1)
    below = [x for x in stock if x <= wanted * (1 + 1e-12)]
    above = [x for x in stock if x >= wanted * (1 - 1e-12)]
    effect = None if isnan(current_A) else sharing_effect(wanted, tolerance, current_A)
    # with a reading, those of the place it was taken at as well: the gravest of the meter
    before = cautions("in circuit") if o.in_circuit else cautions("meter")[:1]
    report = ResistorReport(
        wanted, tolerance, words, tuple(dict.fromkeys((*below[-1:], *above[:1]))), power_W, part_power_W,
        rule("resistor_power") * power_W, near or networks[:3], effect, verdict,
        (before if verdict else ()) + cautions("resistor"),
    )  # fmt: skip
    return Result("resistor", report)
