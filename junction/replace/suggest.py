"""The shelf's own substitutes: from what the tables state of all types to the few that are compared in full.

Of a thousand types a command wants ten.  What cannot be the kind, or is plainly weaker, is dropped by the
cells of its row; the others are put in the order of what their ratings and outlines count, and compared line
by line from there, until enough of them do the job and the next ones can hardly be nearer.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from math import isnan, nan
from types import SimpleNamespace

import numpy as np

from junction.base.errors import UnitError
from junction.base.units import REFERENCE_TEMP_C, parse_number
from junction.replace.lines import fit, kinds_for
from junction.replace.rank import cost, level, rank
from junction.replace.results import Needs, Substitution
from junction.replace.substitute import compare, worded
from junction.shelf.tables import PartType, records
from junction.shelf.types import TypeShelf, packages

_WORDS = {"bjt": ("polarity", "material", "structure", "sections", "package", "standing"),
          "diode": ("kind", "material", "package", "standing")}  # fmt: skip
_RATINGS = {"bjt": ("V_CEO", "I_C", "P_tot"), "diode": ("V_RRM", "I_F", "P_tot")}
_UNITS = {"V_CEO": "V", "I_C": "A", "P_tot": "W", "V_RRM": "V", "I_F": "A"}
#: So many types (a type with its gain groups counts once) are compared in full at a time.
_AT_A_TIME = 24


@cache
def _table(shelf: TypeShelf, device: str) -> SimpleNamespace:
    """All types of a device as arrays: their words, and their ratings (nan where none is stated)."""
    words, ratings = _WORDS[device], _RATINGS[device]
    read = list(shelf.cells(device, (*words, *(f"{name}_{_UNITS[name]}" for name in ratings))))
    columns = list(zip(*(cells for _, _, cells in read), strict=True)) or [()] * (len(words) + len(ratings))
    found = dict(zip(words, map(np.array, columns), strict=False))
    found |= {name: np.array([_number(cell) for cell in column], float)
              for name, column in zip(ratings, columns[len(words) :], strict=True)}  # fmt: skip
    groups: dict[str, list[int]] = {}
    for k, (name, group_of, _) in enumerate(read):
        groups.setdefault(group_of or name, []).append(k)
    return SimpleNamespace(names=[name for name, _, _ in read], groups=list(groups.values()), **found)


def _number(cell: str) -> float:
    try:
        return float(cell or nan)
    except ValueError:
        try:
            return parse_number(cell)
        except UnitError:
            return nan  # a fault is told where the type is read


def _near(asked: PartType | Needs, table: SimpleNamespace, device: str) -> list[int]:
    """Types that can be the kind and are not plainly too weak, likeliest first, by their places in the table."""
    size = len(table.names)
    own = isinstance(asked, PartType)
    may = np.ones(size, bool)
    if own and device == "bjt":
        for column, value in (("polarity", asked.polarity), ("material", asked.material)):
            may &= getattr(table, column) == value
        may &= (table.structure == "Darlington") == (asked.kind == "darlington")
        may &= np.where(table.sections == "", "1", table.sections) == str(asked.sections)
    elif own:
        may &= np.isin(table.kind, kinds_for(asked.kind))
        may &= (table.kind != asked.kind) | (table.material == asked.material)
    elif device == "bjt":
        may &= (table.polarity == asked.polarity) | (not asked.polarity)
    else:
        may &= ~np.isin(table.kind, ("Zener", "LED"))
    counts = np.zeros(size)
    wanted = dict(zip(_RATINGS[device], _asked_for(asked, device), strict=True))
    weights = records("weights")
    for name, least in wanted.items():
        if isnan(least):
            continue
        octaves = np.log2(getattr(table, name) / least)
        counts += np.where(octaves < 0, -weights[name].short * octaves, weights[name].over * octaves)
        counts[np.isnan(octaves)] += weights[name].unknown
    counts[np.isnan(counts)] = 0.0
    if own and asked.package:
        outlines, places = packages(), {}
        for package in set(table.package[may]):
            how = fit(asked.package, asked.package_class, package, outlines[package].place if package in outlines else "")
            places[package] = {"same": 0.0, "work": weights["package"].short, "no": 99.0}.get(
                how, weights["package"].unknown)  # fmt: skip
        counts += np.array([places.get(package, 0.0) for package in table.package])
    for standing in ("secondary", "from memory"):
        counts[table.standing == standing] += weights[standing].unknown
    chosen = np.flatnonzero(may)
    return chosen[np.argsort(counts[chosen], kind="stable")].tolist()


def _asked_for(asked: PartType | Needs, device: str) -> tuple[float, float, float]:
    if isinstance(asked, Needs):
        return asked.voltage_V, asked.current_A, asked.power_W
    return tuple(asked.rating(name) for name in _RATINGS[device])


def suggest(
    asked: PartType | Needs, shelf: TypeShelf, most: int = 3, case_temp_C: float = REFERENCE_TEMP_C,
    device: str = "",
) -> tuple[Substitution, ...]:  # fmt: skip
    """The shelf's substitutes for a type, or its types for the needs of a place, best first.

    Parameters
    ----------
    asked : PartType or Needs
    shelf : TypeShelf
    most : int
        How many to give at the most; a type and its gain groups count as one, by the group that fits best.
    case_temp_C : float
        Case (for board parts: ambient) temperature at which the power is compared as well [degC].
    device : str
        'bjt' or 'diode' for the needs of a place.

    Returns
    -------
    tuple of Substitution
        Each with its ``why`` in a line.  Those that fall short in nothing that must hold or, when there is
        none, those that miss by the least.  Where the needs name no polarity, half of them NPN and then half
        of them PNP.
    """
    if isinstance(asked, Needs) and not asked.polarity and device != "diode":
        halves = ((most + 1) // 2, most // 2)
        return tuple(
            one for side, count in zip(("NPN", "PNP"), halves, strict=True) if count
            for one in suggest(replace(asked, polarity=side), shelf, count, case_temp_C, "bjt")
        )  # fmt: skip
    device = asked.device if isinstance(asked, PartType) else device or "bjt"
    table = _table(shelf, device)
    found: list[Substitution] = []
    for batch in _batches(_candidates(asked, table, shelf, device)):
        found += [_held(asked, part, case_temp_C, shelf) for part in batch]
        if sum(level(one) == 0 and one.place != "no" for one in found) >= most:
            break
    ranked = rank(found)
    best = [one for one in ranked if level(one) < 2] or ranked
    return tuple(worded(asked, shelf.get(one.candidate), one) for one in best[:most])


def _batches(candidates: Iterator[PartType]) -> Iterator[list[PartType]]:
    batch: list[PartType] = []
    for part in candidates:
        batch.append(part)
        if len(batch) == _AT_A_TIME:
            yield batch
            batch = []
    if batch:
        yield batch


def _candidates(
    asked: PartType | Needs, table: SimpleNamespace, shelf: TypeShelf, device: str
) -> Iterator[PartType]:  # fmt: skip
    """Types to compare, likeliest first; of a type and its gain groups the one whose gain fits best."""
    own = (asked.name, *asked.also) if isinstance(asked, PartType) else ()
    group_of = {k: group for group in table.groups for k in group}
    seen: set[int] = set()
    for k in _near(asked, table, device):
        if k in seen:
            continue
        seen.update(group_of[k])
        parts = [shelf.get(table.names[j]) for j in group_of[k] if table.names[j] not in own]
        if parts:
            yield min(parts, key=lambda part: _gain_off(asked, part))


def _gain_off(asked: PartType | Needs, part: PartType) -> tuple[float, bool, str]:
    """How far the gain of a part is from what was asked for."""
    if isinstance(asked, Needs):
        return 0.0, bool(part.group_of), part.name
    from junction.replace.lines import Lines

    return cost(Lines(asked, part, nan).gain(), asked, part), bool(part.group_of), part.name


def _held(asked: PartType | Needs, part: PartType, case_temp_C: float, shelf: TypeShelf) -> Substitution:
    """A candidate compared; of an output transistor with a complement, the pair: the worse of both counts."""
    one = compare(asked, part, case_temp_C, words=False)
    if not isinstance(asked, PartType) or asked.mounting != "bolted" or not asked.complement:
        return one
    other, others = shelf.get(asked.complement), shelf.get(part.complement) if part.complement else None
    if other is None or others is None or others.name == other.name:
        return one
    facing = compare(other, others, case_temp_C, words=False)
    result = "falls short" if level(facing) == 2 else facing.result
    return replace(one, cost=max(one.cost, facing.cost), pair=others.name, pair_result=result)
