"""Wiring of ``junction substitute``: names to types, types to a ranked comparison."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import isfinite, nan
from typing import NamedTuple

from junction.base.constants import REFERENCE_TEMP_C
from junction.base.errors import UsageError
from junction.base.records import Bag, SetAside
from junction.replace.results import Needs, SubstituteReport
from junction.replace.substitute import compare, compare_with_needs, rank, suggest, suggest_for_needs
from junction.shelf.cautions import cautions
from junction.shelf.ratings import power_reference, safe_current_A
from junction.shelf.results import PartType
from junction.shelf.types import TypeShelf, type_shelf

#: Types whose safe area is handed on for drawing, the original included.
MOST_AREAS = 5


class Candidate(NamedTuple):
    """A part to be compared: its type number, its written tag, and where it was read."""

    name: str
    tag: str = ""
    file: str = ""
    row: int | None = None


def _hint(name: str, words: Sequence[str], shelf: TypeShelf) -> str:
    """What may have been meant by a name that is not on the shelf: two words that are one, or a near name."""
    for k, word in enumerate(words):
        for joined in ("".join(words[k : k + 2]), "".join(words[max(k - 1, 0) : k + 1])):
            if word == name != joined and shelf.find(joined):
                return f"; did you mean {joined}? write it without the space, or in quotes"
    near = shelf.near(name)
    if near:
        return f"; on the shelf there is {', '.join(near)}"
    return f"; none of its {len(shelf.names())} types is spelled like it"


def look_up(name: str, shelf: TypeShelf, words: Sequence[str] = ()) -> PartType:
    """Type of a name that must be on the shelf; `words` are all the names given, in order.

    Raises
    ------
    UsageError
        It is not; says what looks like it and what else can be done.
    """
    part = shelf.find(name)
    if part is None:
        raise UsageError(
            f"no type {name!r} on the shelf{_hint(name, words, shelf)}. Add its figures with --types FILE, or"
            " say what the place needs (--voltage, --current, --power ...)"
        )
    return part


def _split(
    candidates: Sequence[Candidate], shelf: TypeShelf, device: str, original: str = ""
) -> tuple[list[tuple[PartType, str]], list[SetAside]]:
    """Candidates to types of one device, and those that cannot be compared."""
    found, aside = [], []
    words = [original, *(one.name for one in candidates if not one.tag)]
    for name, tag, file, row in candidates:
        part = shelf.find(name) if name else None
        column = "type" if tag else ""
        if part is None:
            hint = _hint(name, () if tag else words, shelf) if name else ""
            reason = f"no such type on the shelf{hint}" if name else "its type is not given"
            reason = f"{name}: {reason}" if tag and name else reason
            aside.append(SetAside(file, row, column, tag or name, reason))
        elif device and part.device != device:
            reason = f"{part.name} is a {part.device}, not a {device}"
            aside.append(SetAside(file, row, column, tag or name, reason))
        else:
            found.append((part, tag))
    return found, aside


def safe_area(part: PartType, temp_C: float) -> tuple[tuple[float, float], ...]:
    """Dc safe area of a transistor as (voltage [V], current [A]) points; () where it is not known."""
    top = part.rating("V_CEO")
    where = power_reference(part)[0] or "case"
    if part.device != "bjt" or not top > 1:
        return ()
    volts = [top ** (k / 60) for k in range(61)]  # even on a logarithmic axis, from 1 V to V_CEO
    points = [(v, safe_current_A(part, v, temp_C, where)) for v in volts[:-1]]
    points.append((top, safe_current_A(part, top * (1 - 1e-12), temp_C, where)))
    return tuple(points) if all(i > 0 for _, i in points) else ()


def _report(results, parts: Iterable[PartType], original: PartType | None = None, **rest) -> SubstituteReport:
    by_name = {part.name: part for part in parts}
    types = {r.candidate: by_name[r.candidate] for r in results}
    bolted = any(part.mounting == "bolted" for part in types.values())
    place = ("fitting", "power-up") if bolted else ("power-up",)
    drawn = [part for part in (original, *types.values()) if part is not None][:MOST_AREAS]
    areas = {part.name: safe_area(part, rest["case_temp_C"]) for part in drawn}
    return SubstituteReport(
        tuple(results), original, types=types, safe_areas={k: v for k, v in areas.items() if v},
        cautions=cautions(*place), brief=cautions("substitute"), **rest,
    )  # fmt: skip


def run_substitute(
    original: str,
    candidates: Sequence[Candidate] = (),
    shelf: TypeShelf | None = None,
    case_temp_C: float = REFERENCE_TEMP_C,
    most: int = 10,
) -> SubstituteReport:
    """Candidates against an original; without candidates the shelf's own list.

    Parameters
    ----------
    original : str
        Type number.
    candidates : sequence of Candidate
    shelf : TypeShelf, optional
    case_temp_C : float
        Temperature at which the power is compared besides its reference [degC].
    most : int
        Length of the shelf's own list.

    Raises
    ------
    UsageError
        The original is not on the shelf, or none of the candidates is.
    """
    shelf = shelf or type_shelf()
    part = look_up(original, shelf, [original, *(one.name for one in candidates if not one.tag)])
    if not candidates:
        others = shelf.all(part.device)
        results = suggest(part, others, case_temp_C, most)
        return _report(results, others, original=part, from_shelf=True, searched=len(others) - 1,
                       case_temp_C=case_temp_C)  # fmt: skip
    found, aside = _split(candidates, shelf, part.device, original)
    if not found:
        raise UsageError("; ".join(f"{s.value}: {s.reason}" for s in aside[:5]))
    results = rank(compare(part, other, case_temp_C, tag) for other, tag in found)
    return _report(results, (other for other, _ in found), original=part, searched=len(found),
                   case_temp_C=case_temp_C, set_aside=tuple(aside))  # fmt: skip


def run_needs(
    needs: Needs,
    candidates: Sequence[Candidate] = (),
    shelf: TypeShelf | None = None,
    most: int = 10,
    device: str = "bjt",
) -> SubstituteReport:
    """Candidates against the needs of a place; without candidates the shelf's own list.

    Raises
    ------
    UsageError
        Needs that ask for nothing, or no candidate that is on the shelf.
    """
    asked = (needs.voltage_V, needs.current_A, needs.power_W, needs.hfe_low, needs.f_t_Hz)
    if not any(isfinite(x) for x in asked) and not needs.load_line:
        raise UsageError("the needs ask for nothing: give a voltage, a current, a power, a gain ...")
    shelf = shelf or type_shelf()
    if not candidates:
        others = shelf.all(device)
        results = suggest_for_needs(needs, others, most)
        return _report(results, others, needs=needs, from_shelf=True, searched=len(others),
                       case_temp_C=needs.case_temp_C)  # fmt: skip
    found, aside = _split(candidates, shelf, "")
    if not found:
        raise UsageError("; ".join(f"{s.value}: {s.reason}" for s in aside[:5]))
    results = rank(compare_with_needs(needs, part, tag) for part, tag in found)
    return _report(results, (part for part, _ in found), needs=needs, searched=len(found),
                   case_temp_C=needs.case_temp_C, set_aside=tuple(aside))  # fmt: skip


def types_in_bag(bag: Bag) -> tuple[Candidate, ...]:
    """Every part of a bag, in the order read; its type is '' where none was written."""
    seen = [Candidate(r.type, r.part, r.file, r.row or None) for r in bag.readings]
    for table in (bag.sweeps, bag.curves):
        rows = (int(table.row[k]) if k < table.row.size else None for k in table.starts[:-1])
        seen += map(Candidate, table.type, table.part, table.file, rows)
    found: dict[str, Candidate] = {}
    for one in seen:
        if not found.get(one.tag, Candidate("")).name:
            found[one.tag] = one if one.name or one.tag not in found else found[one.tag]
    return tuple(found.values())


def needs_of_stage_record(record: Mapping) -> Needs:
    """What an output stage asks of each of its devices, as a yardstick for substitutes.

    The device that is off sees both rails; it carries its share of the rail's peak current; its power is
    the mean of the worst way of driving the stage, at the case temperature worked out for that.  The worst
    instant of each way of driving is held against the dc safe area, which is on the safe side.

    Parameters
    ----------
    record : mapping
        The object ``stage`` that ``junction stage --json`` writes.

    Raises
    ------
    KeyError, TypeError, ValueError
        The object is not of that form.
    """

    def number(value) -> float:
        return nan if value is None else float(value)

    heat = [
        tuple(number(d[key]) for key in ("average_W", "case_C", "vce_at_peak_V", "ic_at_peak_A"))
        for d in record["dissipation"]
    ]
    current_A = number(record["peak"]["total_A"]) / int(record["parallel"])
    return _needs(number(record["supply_V"]), current_A, heat, "")


def _needs(supply_V: float, current_A: float, heat: Sequence[tuple], polarity: str) -> Needs:
    known = [row for row in heat if isfinite(row[0])]
    power_W, case_C = max(known, default=(nan, nan))[:2]
    points = {(v, i) for _, _, v, i in heat if isfinite(v) and isfinite(i) and v > 0 and i > 0}
    # a point under another one, in voltage and in current, asks for nothing more
    points = [p for p in points if not any(q != p and q[0] >= p[0] and q[1] >= p[1] for q in points)]
    return Needs(
        polarity=polarity, voltage_V=2 * supply_V, current_A=current_A, power_W=power_W,
        case_temp_C=case_C if isfinite(case_C) else REFERENCE_TEMP_C,
        load_line=tuple(sorted(points)), source="junction stage",
    )  # fmt: skip
