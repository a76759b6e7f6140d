"""A resistor: stock values and networks, what a tolerance does, and what a reading says."""

from __future__ import annotations

import re
from collections.abc import Mapping
from math import inf, isnan, nan
from pathlib import Path

from junction.base.errors import ShelfError, UnitError, UsageError
from junction.base.units import nominal, parse_number
from junction.jobs.job import Result, job, physical
from junction.replace.networks import combinations, stock_values, with_faults
from junction.replace.resistor import judge_reading, resolution_of, sharing_effect
from junction.replace.results import ResistorReport
from junction.shelf.tables import cautions, resistor_series, rule

EPILOG = """exit status: 0 answered; 2 nothing done.
examples:
  junction resistor 0.33ohm --series E12 --power 5W --part-power 5W
  junction resistor 8ohm --power 50W --part-power 10W
  junction resistor 100 --have 47,56,220
  junction resistor 8 --have 2x3R9,10R,15R,33R --power 20 --part-power 17
  junction resistor 0R22 --tolerance 5% --current 2A
  junction resistor 100ohm --reading 131ohm --in-circuit
  junction resistor 0R22 --reading 0.4 --lead-zero 0.2"""

_OVER_RANGE = ("OL", "O.L", "O.L.", "0L", "OFL", "---", "1.")
#: Networks that a report holds.
_MOST_NETWORKS = 24
_COUNTED = re.compile(r"\s*([0-9]+)\s*[x×*]\s*(.*)")
_WHOLE = re.compile(r"\s*([0-9]+)\s*")
_BOUNDS = {"above": 0.0, "least": 1e-6, "most": 1e12}


def _percent(given) -> float:
    if isinstance(given, str) and "%" not in given:
        value = parse_number(given)
        if value < 1:
            asked = f"{value:g} % or {100 * value:g} %"
            raise UsageError(f"{given!r}: {asked}? write the percent sign, '{given}%'")
        given = f"{given}%"
    value = physical(given, "ratio")
    if not 0 < value < 0.5:
        raise UsageError(f"{given!r} must be above 0 % and below 50 %")
    return value


def _reading(given) -> float:
    if given == inf or isinstance(given, str) and given.strip().upper() in _OVER_RANGE:
        return inf
    return physical(given, "resistance", least=0.0, most=1e12, plain=True)


def _preferred(number: str) -> bool:
    """Whether a number is a value of some series of IEC 60063."""
    digits = number.replace(".", "").strip("0")
    value = int(digits.ljust(3, "0")) if digits and len(digits) <= 3 else 0
    return value in resistor_series("E192").values or (value % 10 == 0 and value // 10 in
                                                       resistor_series("E24").values)  # fmt: skip


def _pieces(given: str) -> list[str]:
    """Items of a list; a comma is its decimal mark where semicolons part it, or where nothing else can be.

    Raises
    ------
    UsageError
        A comma may be either: ``4,7,10``.
    """
    if ";" in given:
        return given.split(";")
    pieces: list[str] = []
    for piece in given.split(","):
        before = _COUNTED.sub(r"\2", pieces[-1]) if pieces else ""
        whole, after = _WHOLE.fullmatch(before), re.match(r"\s*([0-9]+)(\s*[^0-9.]*)$", piece)
        if not whole or not after or _COUNTED.match(piece):
            pieces.append(piece)
            continue
        # 47,56: two values, or 47.56? A preferred number is one, and no resistor has 0 ohm
        one, unit = f"{whole[1]}.{after[1]}", after[2].strip()
        apart = _preferred(whole[1]) and _preferred(after[1])
        if apart and not _preferred(one):
            pieces.append(piece)
        elif unit and not apart:
            pieces[-1] += f",{piece.strip()}"
        else:
            raise UsageError(f"{given!r}: is {whole[1]},{after[1]} one value or two? write a point for"
                             f" decimals, {one}, or semicolons between the values")  # fmt: skip
    return pieces


def _have(given) -> dict[float, tuple[float, float]]:
    """Values at hand [ohm] with how many there are and what each is rated at [W] (inf and nan: not said)."""
    if isinstance(given, str):
        path = Path(given)
        if path.suffix.lower() in (".csv", ".txt", ".tsv") or path.is_file():
            return _drawer(path)
        given = [piece.strip() for piece in _pieces(given) if piece.strip()]
    elif isinstance(given, Mapping):  # read already, or values with how many there are
        if all(isinstance(x, tuple) for x in given.values()):
            return dict(given)
        given = [f"{count}x{ohm}" for ohm, count in given.items()]
    elif not hasattr(given, "__iter__"):
        given = [given]
    found: dict[float, tuple[float, float]] = {}
    for item in given:
        counted = _COUNTED.fullmatch(item) if isinstance(item, str) else None
        ohm = physical(counted[2] if counted else item, "resistance", plain=True, **_BOUNDS)
        count = float(counted[1]) if counted else inf
        if not count:
            raise UsageError(f"{item!r}: none of them; leave it out")
        found[ohm] = (max(count, found[ohm][0]) if ohm in found else count, nan)
    if not found:
        raise UsageError("a value was expected, such as 0.22ohm")
    return found


def _drawer(path: Path) -> dict[float, tuple[float, float]]:
    """The same from a file with a column ohm, and count and watt where they are known."""
    from junction.shelf.tables import rows

    found: dict[float, tuple[float, float]] = {}
    for row in rows(path, ("ohm",), ("count", "watt")):
        values = {}
        for column, quantity in (("ohm", "resistance"), ("count", "ratio"), ("watt", "power")):
            cell = row.cells.get(column, "")
            if not cell and column != "ohm":
                continue
            try:
                values[column] = physical(cell, quantity, plain=True, **_BOUNDS)
            except (UnitError, UsageError) as error:
                raise row.fault(column, str(error)) from error
        ohm, count, watt = values["ohm"], values.get("count", inf), values.get("watt", nan)
        if ohm in found:
            raise row.fault("ohm", f"{nominal(ohm, 'ohm')} stands twice")
        if count != inf and count != int(count):
            raise row.fault("count", f"{count:g} is not a whole number")
        found[ohm] = (count, watt)
    if not found:
        raise ShelfError("no resistor in it; a column ohm was expected, and count and watt", str(path))
    return found


@job(
    inputs=("value", "", "VALUE", "wanted or marked value, such as 0.22ohm, 0R22, 4k7; bare numbers are ohm"),
    writes="resistor.html, resistor.csv and resistor.json", epilog=EPILOG,
    readers={"tolerance": _percent, "meter_accuracy": _percent, "reading": _reading, "have": _have},
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
    wanted, have = physical(value, "resistance", plain=True, **_BOUNDS), o.have or {}
    tolerance, power_W, part_power_W, current_A, reading, zero = (
        nan if x is None else x
        for x in (o.tolerance, o.power, o.part_power, o.current, o.reading, o.lead_zero)
    )
    if not isnan(part_power_W) and isnan(power_W):
        raise UsageError("the rating of one stock part needs the power of the whole: --power 10W")
    series = resistor_series(o.series)
    tolerance = series.tolerance_percent / 100 if isnan(tolerance) else tolerance
    verdict = None
    if not isnan(zero) and isnan(reading):
        raise UsageError("what the shorted leads read is taken off a reading: give --reading 0.4ohm too")
    if not isnan(reading):
        digit = o.meter_resolution or resolution_of(reading)
        if zero > reading + digit * (1 + 1e-9):
            raise UsageError(f"the shorted leads read {nominal(zero, 'ohm')}, more than the"
                             f" {nominal(reading, 'ohm')} with the resistor: read both again on one range")
        verdict = judge_reading(
            wanted, reading, tolerance=tolerance, in_circuit=o.in_circuit, accuracy=o.meter_accuracy,
            resolution_ohm=digit, lead_zero_ohm=zero,
        )  # fmt: skip
    stock, words = tuple(sorted(have)), "the values given"
    if not have:
        stock, words = stock_values(o.series, wanted / 100, wanted * 100), f"{series.name} ({series.source})"
    watts: dict | float = part_power_W
    if any(not isnan(watt) for _, watt in have.values()):
        watts = {ohm: part_power_W if isnan(watt) else watt for ohm, (_, watt) in have.items()}
    # who only reads a part wants to see the values it may have had, and no networks
    most = 1 if verdict and not have and isnan(power_W) else o.most_parts
    networks, searched = combinations(
        wanted, stock, counts={ohm: count for ohm, (count, _) in have.items()}, watts=watts,
        tolerance=tolerance, power_W=power_W, most_parts=most,
    )  # fmt: skip
    near = [n for n in networks if abs(n.error) <= rule("resistor_far") or len(n.parts_ohm) == 1]
    kept = (near or list(networks[:3]))[:_MOST_NETWORKS]
    best = min(networks, key=lambda n: round(abs(n.error), 12), default=None)
    kept += [best] if best and best not in kept else []
    below = [x for x in stock if x <= wanted * (1 + 1e-12)]
    above = [x for x in stock if x >= wanted * (1 - 1e-12)]
    effect = None if isnan(current_A) else sharing_effect(wanted, tolerance, current_A)
    # with a reading, those of the place it was taken at as well: the gravest of the meter
    before = cautions("in circuit") if o.in_circuit else cautions("meter")[:1]
    report = ResistorReport(
        wanted, tolerance, words, tuple(dict.fromkeys((*below[-1:], *above[:1]))), power_W, part_power_W,
        rule("resistor_power") * power_W, tuple(with_faults(n, power_W, watts) for n in kept), effect,
        verdict, (before if verdict else ()) + cautions("resistor"), searched, bool(have),
    )  # fmt: skip
    return Result("resistor", report)
