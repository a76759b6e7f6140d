"""A resistor: stock values and networks, what a tolerance does, and what a reading says."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from math import inf, isnan, nan
from pathlib import Path

from junction.base.errors import ShelfError, UnitError, UsageError
from junction.base.units import listed, nominal, parse_number, shown, si
from junction.jobs.job import Result, job
from junction.judge.results import say
from junction.replace.networks import answers, combinations, hindrances, stock_values, with_faults
from junction.replace.resistor import judge_reading, resolution_of, sharing_effect
from junction.replace.results import ResistorReport
from junction.shelf.reach import physical, reach
from junction.shelf.tables import cautions, resistor_series, rule, rules

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
_POWER, _UNIT = re.compile(r"(?<=[0-9.,])[eE][+-]?[0-9]+"), re.compile(r"[^0-9.,+\-\s]")
#: Letters of tolerance behind a value with its unit or letter mark: IEC 60062.
_LETTERS = {"B": 0.001, "C": 0.0025, "D": 0.005, "F": 0.01, "G": 0.02, "J": 0.05, "K": 0.1, "M": 0.2}
_LETTERED = re.compile(r"([0-9]*[RkKM][0-9]*)\s*([BCDFGJKM])")
_BOUNDS = {"above": 0.0, "least": 1e-6, "most": 1e12}


def _percent(given) -> float:
    if isinstance(given, str) and "%" not in given:
        value = parse_number(given)
        if value < 1:
            asked = f"{value:g} % or {100 * value:g} %"
            raise UsageError(f"{shown(str(given))}: {asked}? write the percent sign, {shown(given + '%')}")
        given = f"{given}%"
    value = physical(given, "ratio")
    if not 0 < value < 0.5:
        raise UsageError(f"{shown(str(given))} must be above 0 % and below 50 %")
    return value


class _Written(float):
    """A resistance that was given with its unit."""


def _bare(given) -> bool:
    """Whether no unit, prefix or letter mark stands with a number."""
    return not (isinstance(given, _Written) or isinstance(given, str) and _UNIT.search(_POWER.sub("", given)))


def _reading(given) -> float:
    if isinstance(given, _Written):  # read already
        return given
    if given == inf or isinstance(given, str) and given.strip().upper() in _OVER_RANGE:
        return inf
    ohm = physical(given, "resistance", least=0.0, most=1e12, plain=True)
    return ohm if _bare(given) else _Written(ohm)


def _value(given) -> tuple[float, float, float]:
    """The value [ohm], the tolerance its letter says, and what it is if it is a marking code; nan: none."""
    text = given.strip() if isinstance(given, str) else ""
    lettered = _LETTERED.fullmatch(text)
    try:
        ohm = physical(lettered[1] if lettered else given, "resistance", plain=True, **_BOUNDS)
    except UsageError as error:  # outside the bounds
        raise UsageError(f"{error}. Write such as 0.22ohm, 4k7.") from error
    coded = re.fullmatch(r"[1-9][0-9][0-6]", text)
    code = float(int(text[:2]) * 10 ** int(text[2])) if coded and _in_e24(text[:2]) else nan
    return ohm, _LETTERS[lettered[2]] if lettered else nan, code


def _typed(ohm: float) -> str:
    """A value as it is typed: ``9.4kohm``."""
    return nominal(ohm, "ohm").replace(" ", "").replace("Ω", "ohm")


def _ask_digits(wanted: float, value, code: float, reading: float) -> None:
    """Ask where a bare number's digits fit those of the other on another range of the meter.

    Raises
    ------
    UsageError
        Reading or marked value is the other's within what a resistor drifts, but for a factor of 1000 or 1e6,
        or the value as a marking code.
    """
    drift = rule("resistor_drifted")

    def fits(low: float, high: float) -> bool:
        return 1 / drift <= low / high <= drift

    if not 0 < reading < inf or fits(wanted, reading):
        return
    if fits(code, reading):
        raise UsageError(say(
            "resistor_digits_value", shown=nominal(wanted, "ohm"), other=nominal(code, "ohm"), code=True,
            reading=nominal(reading, "ohm"), example=f"{_typed(wanted)} or {_typed(code)}",
        ))  # fmt: skip
    for factor in (1e3, 1e6):
        for bare, kind, number, other in (
            (_bare(reading), "resistor_digits", reading, wanted),
            (_bare(value), "resistor_digits_value", wanted, reading),
        ):  # fmt: skip
            if bare and fits(number * factor, other):
                said = {"code": False, "marked": nominal(wanted, "ohm"), "reading": nominal(reading, "ohm")}
                raise UsageError(say(
                    kind, shown=f"{number:g} Ω", other=nominal(number * factor, "ohm"),
                    example=f"{number:g}ohm or {_typed(number * factor)}", **said,
                ))  # fmt: skip


def _heat_of(current_A: float, ohm: float, power_W: float) -> float:
    """Power of the whole [W]: as given, or that of the current.

    Raises
    ------
    UsageError
        The two contradict each other.
    """
    heat = current_A * current_A * ohm
    if isnan(power_W) or isnan(heat):
        return heat if isnan(power_W) else power_W
    if abs(power_W / heat - 1) > rule("resistor_heat_apart"):
        raise UsageError(say(
            "resistor_heat_apart", current=nominal(current_A, "A"), power=nominal(power_W, "W"),
            heat=si(heat, "W"), wanted=nominal(ohm, "ohm"),
        ))  # fmt: skip
    return max(power_W, heat)


def _preferred(number: str) -> bool:
    """Whether a number is a value of some series of IEC 60063."""
    digits = number.replace(".", "").strip("0")
    value = int(digits.ljust(3, "0")) if digits and len(digits) <= 3 else 0
    return value in resistor_series("E192").values or (value % 10 == 0 and _in_e24(f"{value // 10}"))


def _in_e24(two_digits: str) -> bool:
    return int(two_digits) in resistor_series("E24").values


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
            two = f"{whole[1]},{after[1]}"
            raise UsageError(f"{shown(str(given))}: is {two} one value or two? write a point for decimals,"
                             f" {one}, or semicolons between the values")  # fmt: skip
    return pieces


def _have(given) -> dict[float, tuple[float, float]]:
    """Values at hand [ohm] with how many there are and what each is rated at [W] (inf and nan: not said)."""
    if isinstance(given, str):
        path = Path(given)
        if path.suffix.lower() in (".csv", ".txt", ".tsv") or os.path.isfile(given):
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
        if counted and count > reach("ratio").most:
            raise UsageError(f"{shown(item)}: more of them than anyone counts. Write {counted[2][:20]} alone")
        if not count:
            raise UsageError(f"{shown(str(item))}: none of them; leave it out")
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
    <junction resistor: 100 Ω: drifted>
    """
    (wanted, lettered, code), have = _value(value), o.have or {}
    tolerance, power_W, part_power_W, current_A, reading, zero = (
        nan if x is None else x
        for x in (o.tolerance, o.power, o.part_power, o.current, o.reading, o.lead_zero)
    )
    power_W = _heat_of(current_A, wanted, power_W)
    if not isnan(lettered) and not isnan(tolerance) and abs(lettered - tolerance) > 1e-9:
        raise UsageError(f"{value!r} says ± {100 * lettered:g} % and --tolerance {100 * tolerance:g} %:"
                         " which? leave one out")  # fmt: skip
    tolerance = lettered if isnan(tolerance) else tolerance
    if not isnan(part_power_W) and isnan(power_W):
        raise UsageError("the rating of one stock part needs the power of the whole: --power 10W, or"
                         " its --current")  # fmt: skip
    series = resistor_series(o.series)
    tolerance = series.tolerance_percent / 100 if isnan(tolerance) else tolerance
    verdict = None
    if not isnan(zero) and isnan(reading):
        raise UsageError("what the probes read together is taken off a reading: give --reading 0.4ohm too")
    if not isnan(reading):
        _ask_digits(wanted, value, code, reading)
        digit = o.meter_resolution or resolution_of(reading)
        if zero > reading + digit * (1 + 1e-9):
            raise UsageError(f"the probes held together read {nominal(zero, 'ohm')}, more than the"
                             f" {nominal(reading, 'ohm')} with the resistor: read both again on one range")
        verdict = judge_reading(
            wanted, reading, tolerance=tolerance, in_circuit=o.in_circuit, accuracy=o.meter_accuracy,
            resolution_ohm=digit, lead_zero_ohm=zero,
        )  # fmt: skip
    stock, words = tuple(sorted(have)), "the values given"
    if not have:
        low, high, basis = (*map(rule, ("resistor_stock_low", "resistor_stock_high")),
                            rules()["resistor_stock_low"].basis)  # fmt: skip
        stock = stock_values(o.series, min(max(wanted / 100, low), high / 10),
                             max(min(wanted * 100, high), low * 10))  # fmt: skip
        words = f"{series.name} ({series.source})"
        if not low <= wanted <= high:
            words = say("resistor_stock_ends", series=words, low=nominal(low, "ohm"),
                        high=nominal(high, "ohm"), basis=basis)  # fmt: skip
    # 470 is a value as it stands: its code is only asked about where a reading fits it
    hint = "" if isnan(code) or code < wanted else say(
        "resistor_code_hint", wanted=nominal(wanted, "ohm"), written=value.strip(), code=nominal(code, "ohm"),
        example=_typed(code),
    )  # fmt: skip
    endless = [ohm for ohm, (count, _) in sorted(have.items()) if count == inf]
    if endless and len(endless) < len(have):
        words += f" (of {listed(nominal(x, 'ohm') for x in endless)} as many as needed)"
    watts: dict | float = part_power_W
    if any(not isnan(watt) for _, watt in have.values()):
        watts = {ohm: part_power_W if isnan(watt) else watt for ohm, (_, watt) in have.items()}
    # who only reads a part wants to see the values it may have had, and no networks
    most = 1 if verdict and not have and o.power is None else o.most_parts
    limits = {"counts": {ohm: count for ohm, (count, _) in have.items()}, "watts": watts,
              "tolerance": tolerance, "power_W": power_W, "most_parts": most}  # fmt: skip
    networks, searched = combinations(wanted, stock, **limits)
    answered = bool(networks) and answers(networks[0])
    near = [n for n in networks if abs(n.error) <= rule("resistor_far") or len(n.parts_ohm) == 1]
    kept = list(dict.fromkeys((*networks[: 0 if answered else 3], *near)))[:_MOST_NETWORKS]
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
        verdict, (before if verdict else ()) + cautions("resistor"), searched, bool(have), answered,
        () if answered or (verdict and not have) else hindrances(wanted, stock, **limits), hint,
    )  # fmt: skip
    return Result("resistor", report)
