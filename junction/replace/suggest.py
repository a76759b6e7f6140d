"""The shelf's own substitutes: from what the tables state of all types to the few that are compared in full.

Of a thousand types a command wants ten.  What cannot be the kind, or is plainly weaker, is dropped by the
cells of its row; the others are put in the order of what their ratings and outlines count, and compared line
by line from there, until enough of them do the job and the next ones can hardly be nearer.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from itertools import islice
from math import isnan, log2, nan
from types import SimpleNamespace

import numpy as np

from junction.base.errors import UnitError
from junction.base.units import REFERENCE_TEMP_C, parse_number
from junction.replace.lines import Lines, fit, kinds_for, middle, nearest
from junction.replace.rank import PLACE, cost, extra, lacking, level, rank, tight
from junction.replace.results import Needs, Substitution
from junction.replace.substitute import compare, worded
from junction.shelf.tables import PartType, records, rule
from junction.shelf.types import TypeShelf, packages

_WORDS = {"bjt": ("polarity", "material", "structure", "sections", "package", "standing"),
          "diode": ("kind", "material", "package", "standing")}  # fmt: skip
_RATINGS = {"bjt": ("V_CEO", "I_C", "P_tot"), "diode": ("V_RRM", "I_F", "P_tot")}
_UNITS = {"V_CEO": "V", "I_C": "A", "P_tot": "W", "V_RRM": "V", "I_F": "A"}
_GROUP = re.compile(r"-?(?:[A-Z]|GR|BL|[0-9]{1,2})$")
#: So many types (a type with its gain groups counts once) are compared in full at a time.
_AT_A_TIME = 16


def completed(part: PartType, shelf: TypeShelf) -> PartType:
    """A type with the main ratings that its own row does not give taken from its complement.

    Makers offer a pair for the two sides of one stage, with the same ratings.  They are marked as common
    practice, not as published.
    """
    other = shelf.get(part.complement) if part.complement else None
    missing = [name for name in ("V_CEO", "I_C", "P_tot") if isnan(part.rating(name))]
    taken = [replace(limit, basis="common practice, no source") for name in missing if other
             for limit in other.find(name)]  # fmt: skip
    if not taken:
        return part
    return replace(part, secondary=True, standing="secondary", limits=(*part.limits, *taken))


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
    known, root = {name: cells for name, _, cells in read}, []
    for k, (name, group_of, cells) in enumerate(read):
        # a group that was entered as a type of its own: the same number and ratings, a letter behind it
        bare = _GROUP.sub("", name)
        group_of = group_of or (bare if bare != name and known.get(bare) == cells else name)
        groups.setdefault(group_of, []).append(k)
        root.append(group_of)
    return SimpleNamespace(names=[*known], root=root, groups=groups, **found)


@cache
def _zener_volts(shelf: TypeShelf) -> np.ndarray:
    """Nominal voltages of all diodes of the table [V]; nan where none is stated."""
    table, volts = _table(shelf, "diode"), []
    for k, name in enumerate(table.names):
        limits = shelf.limits(name, "V_Z") if table.kind[k] == "Zener" else ()
        volts.append(middle(limits[0]) if limits else nan)
    return np.array(volts)


def _number(cell: str) -> float:
    try:
        return float(cell or nan)
    except ValueError:
        try:
            return parse_number(cell)
        except UnitError:
            return nan  # a fault is told where the type is read


def _near(asked: PartType | Needs, shelf: TypeShelf, device: str, weak: bool) -> list[int]:
    """Types that can be the kind, likeliest first, by their places in the table; plainly `weak` ones too."""
    table, own = _table(shelf, device), isinstance(asked, PartType)
    size = len(table.names)
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
    if own and asked.kind == "Zener" and asked.find("V_Z"):
        volts = _zener_volts(shelf)
        off = np.abs(np.log2(volts / middle(asked.find("V_Z")[0])))
        may &= off < rule("zener_window")
        counts += np.where(np.isnan(off), 0.0, weights["V_Z"].short * off)
    for name, least in wanted.items():
        if isnan(least):
            continue
        octaves = np.log2(getattr(table, name) / least)
        # powers hold at the case or in free air: only one that is far below tells without a closer look
        bound = log2(rule("near_miss" if name != "P_tot" else "power_far_less"))
        enough = octaves >= bound - 1e-9
        may &= weak | enough if name != "P_tot" else weak | enough | np.isnan(octaves)
        counts += np.where(octaves < 0, -weights[name].short * octaves, weights[name].over * octaves)
        counts[np.isnan(octaves)] += weights[name].unknown
    counts[np.isnan(counts)] = 0.0
    if own and asked.package:
        outlines, places = packages(), {}
        for package in set(table.package[may]):
            outline = outlines.get(package)
            how = fit(asked.package, asked.package_class, package, outline.place if outline else "")
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
    if isinstance(asked, PartType):
        device, asked = asked.device, completed(asked, shelf)
    device = device or "bjt"
    # what misses by little fills up a short list; what misses by far stands in no list but an empty one
    for weak in (False, True):
        found = []
        candidates = _candidates(asked, shelf, device, weak)
        while batch := [*islice(candidates, _AT_A_TIME)]:
            found += [_held(asked, part, case_temp_C, shelf) for part in batch]
            if weak or sum(map(_does, found)) >= most:
                break
        near = [one for one in rank(found) if _near_enough(one)]
        best = [one for one in near if one.place != "no"] or near
        if best:
            break
    best = best or [one for one in rank(found) if one.result == "falls short" and not lacking(one)]
    return tuple(worded(asked, shelf.get(one.candidate), one) for one in best[:most])


def _near_enough(one: Substitution) -> bool:
    """Whether a candidate is worth offering: it does the job, or not much stands against it."""
    return level(one) == 0 or level(one) < 3 and one.cost + extra(one) <= rule("cost_most")


def _does(one: Substitution) -> bool:
    """Whether nothing stands against a candidate: it does the job, fits, and leaves the usual headroom."""
    clear = level(one) == 0 and one.cost <= rule("cost_clear")
    return clear and one.place != "no" and not (one.original == PLACE and tight(one.lines))


def _candidates(asked: PartType | Needs, shelf: TypeShelf, device: str, weak: bool) -> Iterator[PartType]:
    """Types to compare, likeliest first; of a type and its gain groups the one whose gain fits best."""
    table = _table(shelf, device)
    seen = _roots(asked, table) if isinstance(asked, PartType) else set()
    for k in _near(asked, shelf, device, weak):
        if table.root[k] in seen:
            continue
        seen.add(table.root[k])
        parts = [shelf.get(table.names[j]) for j in table.groups[table.root[k]]]
        yield min(parts, key=lambda part: _gain_off(asked, part)) if len(parts) > 1 else parts[0]


def _roots(asked: PartType, table: SimpleNamespace) -> set[str]:
    """Types that a type is a gain group of, itself among them: whoever cannot get it gets none of these."""
    own = {asked.name, *asked.also}
    return {root for name, root in zip(table.names, table.root, strict=True) if name in own} | own


def own_groups(asked: PartType, shelf: TypeShelf) -> tuple[str, ...]:
    """Other gain groups of a type whose gain is no less; a group's whole type is none of them."""
    table = _table(shelf, asked.device)
    rows = (j for root in sorted(_roots(asked, table)) for j in table.groups.get(root, ()))
    others = [shelf.get(table.names[j]) for j in rows]
    return tuple(
        part.name for part in others if part.group_of and part.name != asked.name
        and not any(x.margin < 1 for x in Lines(asked, part, nan).gain())
    )  # fmt: skip


def _gain_off(asked: PartType | Needs, part: PartType) -> tuple[float, bool, str]:
    """How far the gain of a part is from what was asked for."""
    if isinstance(asked, Needs):
        return 0.0, bool(part.group_of), part.name
    lines = Lines(asked, part, nan).gain()
    # of those that are as good the one whose mean gain is nearest, to either side
    pairs = [(x, nearest(part.find("h_FE"), "ic_A", x.at.get("ic_A", 0.0))) for x in asked.find("h_FE")]
    means = [(y.low * y.high / (x.low * x.high)) ** 0.5 for x, y in pairs if y]
    off = [abs(log2(mean)) for mean in means if mean > 0]
    return round(cost(lines, asked, part), 9), max(off, default=9.0), part.name


def _held(asked: PartType | Needs, part: PartType, case_temp_C: float, shelf: TypeShelf) -> Substitution:
    """A candidate compared; of an output transistor with a complement, the pair: the worse of both counts."""
    one = compare(asked, part, case_temp_C, words=False)
    if not isinstance(asked, PartType) or asked.mounting != "bolted" or not asked.complement:
        return one
    other, others = shelf.get(asked.complement), shelf.get(part.complement) if part.complement else None
    if others is None and part.complement:  # named by its maker, and not to be compared
        return replace(one, cost=one.cost + records("weights")["complement"].unknown)
    if other is None or others is None or others.name == other.name:
        return one
    facing = compare(other, others, case_temp_C, words=False)
    return replace(one, cost=max(one.cost, facing.cost), pair=others.name, pair_level=level(facing))
