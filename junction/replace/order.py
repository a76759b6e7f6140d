"""What to order: the parts of a bag that were found bad, by type, with what the shelf has in their place.

Only what is sure is ordered: parts found shorted, open or leaky out of circuit, whose marking fits what they
read as.  The others are counted with what has to come first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from math import isnan

from junction.base.records import plain_name
from junction.base.units import nominal
from junction.judge.results import PartVerdict, Verdict, say
from junction.replace.lines import middle
from junction.replace.results import Order, OrderRow
from junction.replace.suggest import suggest
from junction.shelf.names import dropped_group
from junction.shelf.tables import PartType, rule
from junction.shelf.types import TypeShelf, type_shelf, unknown_words

#: Substitutes named for a type at the most.
MOST_SUBSTITUTES = 3
_BAD = (Verdict.SHORTED, Verdict.OPEN, Verdict.LEAKY)
#: Ratings by which a part is bought: of a Zener its voltage and power.
_RATINGS = {"bjt": (("V_CEO", "V"), ("I_C", "A"), ("P_tot", "W")), "diode": (("V_RRM", "V"), ("I_F", "A")),
            "Zener": (("P_tot", "W"),)}  # fmt: skip


def order_of(
    verdicts: Iterable[PartVerdict], types: Callable[[str], PartType | None] | None = None
) -> Order | None:
    """What to order for the bad parts among the judged ones.

    Parameters
    ----------
    verdicts : iterable of PartVerdict
    types : callable, optional
        Written type -> registered type or None; the reference and the user's folder where none is given.

    Returns
    -------
    Order or None
        A row for each type (a gain group is a type of its own), the most wanted first; None where no part is
        ordered and none would be if its type were known.
    """
    shelf = types if isinstance(types, TypeShelf) else type_shelf()
    find = types or shelf
    found: dict[str, tuple[PartType | None, list[PartVerdict]]] = {}
    kept: dict[str, list[str]] = {"undecided": [], "in_circuit": [], "untyped": [], "misread": []}
    unsure: dict[str, int] = {}
    spelled: dict[str, str] = {}
    known: dict[str, tuple[str, PartType | None]] = {}
    for v in verdicts:
        if v.verdict == Verdict.GOOD:
            continue
        if v.type not in known:
            part = find(v.type) if v.type else None
            # of what is not on the shelf the first way in which it is written stands for all
            name = part.name + _group(v.type, part) if part else v.type
            known[v.type] = spelled.setdefault(plain_name(name), name), part
        name, part = known[v.type]
        if v.in_circuit:
            kept["in_circuit"].append(v.part)
        elif v.verdict not in _BAD:
            kept["undecided"].append(v.part)
            unsure[name] = unsure.get(name, 0) + 1
        elif not v.type:
            kept["untyped"].append(v.part)
        elif part is not None and not _fits(v, part):
            kept["misread"].append(v.part)
        else:
            found.setdefault(name, (part, []))[1].append(v)
    if not found and not kept["untyped"]:
        return None
    rows = [_row(name, part, bad, unsure.get(name, 0), shelf) for name, (part, bad) in found.items()]
    rows.sort(key=lambda row: -len(row.parts))
    return Order(tuple(_both_sides(rows, shelf)), **{name: tuple(parts) for name, parts in kept.items()})


def _group(mark: str, part: PartType) -> str:
    """Gain group of a marking that the type found for it has not, '' where there is none."""
    return next(filter(None, (dropped_group(mark, name) for name in (part.name, *part.also))), "")


def _fits(v: PartVerdict, part: PartType) -> bool:
    """Whether a part reads as what its marking says: only then is the marking what to order by."""
    d = v.device
    other = d.kind != "unknown" and (d.kind == "diode") != (part.device == "diode")
    return not (d.called or other or (d.polarity and part.polarity and d.polarity != part.polarity))


def _row(
    name: str, part: PartType | None, bad: Sequence[PartVerdict], undecided: int, shelf: TypeShelf
) -> OrderRow:
    """One type with its bad parts."""
    parts, faults = tuple(v.part for v in bad), tuple(", ".join(v.faults) or v.verdict for v in bad)
    if part is None:
        note = say("order_unknown", **unknown_words(name, shelf))
        return OrderRow(name, parts, faults, undecided, on_shelf=False, notes=(note,), to_order=len(parts))
    other = _other_side(name, part, shelf)
    # NPN first
    sides = [name, other] if part.polarity == "NPN" else [other, name]
    pair = " with ".join(sides) if other else ""
    group = name.removeprefix(part.name)
    notes = [say("type_group", type=part.name, group=group)] if group else []
    notes += [say("order_both_sides", pair=pair)] if pair else []
    power = part.device == "bjt" and part.mounting == "bolted"
    first = tuple(v.part for v in bad if v.verdict == Verdict.SHORTED and power)
    notes += [say("order_neighbours")] if first else []
    notes += [say("order_germanium")] if part.material == "germanium" else []
    if part.secondary:
        notes.append(say("order_memory" if part.standing == "from memory" else "order_secondary"))
    offered = suggest(part, shelf, MOST_SUBSTITUTES)
    # what falls short of a rating is no part to order, however near it comes
    nearest = [one for one in offered if one.result != "falls short" and one.place != "no"]
    return OrderRow(
        name, parts, faults, undecided, what_of(part), other, pair, tuple(nearest),
        tuple(notes), first, to_order=len(parts),
    )  # fmt: skip


def _other_side(name: str, part: PartType, shelf: TypeShelf) -> str:
    """The other side of an output device, in its gain group where that is on the shelf; '' where none is."""
    other = shelf.get(part.complement) if _is_output(part) else None
    if other is None:
        return ""
    group = plain_name(name).removeprefix(plain_name(part.group_of or part.name))
    alike = shelf.get(plain_name(other.group_of or other.name) + group) if group else None
    return (alike or other).name


def _both_sides(rows: Sequence[OrderRow], shelf: TypeShelf) -> Iterable[OrderRow]:
    """The rows with as many of each side of a pair; a side that lost none has a row behind the other's."""
    by_name = {plain_name(row.type): row for row in rows}
    # of two sides each names the other, or one has a group that the other's shelf does not hold
    other = {row.type: by_name.get(plain_name(row.complement)) for row in rows if row.complement}
    for row in rows:
        if row.complement and other[row.type] is None:
            named = [x for x in rows if plain_name(x.complement) == plain_name(row.type)]
            other[row.type] = named[0] if named else None
    for row in rows:
        match = other.get(row.type)
        if match is not None:
            sides = [row.type, match.type] if row.what.startswith("NPN") else [match.type, row.type]
            pair = " with ".join(sides)
            notes = tuple(note.replace(row.pair, pair) for note in row.notes)
            most = max(len(row.parts), len(match.parts))
            yield replace(row, to_order=most, complement=match.type, pair=pair, notes=notes)
            continue
        yield row
        if row.complement:
            side = shelf.get(row.complement)
            note = say("order_other_side", type=row.type)
            yield OrderRow(side.name, (), (), 0, what_of(side), row.type, row.pair, notes=(note,),
                           to_order=len(row.parts), other_side_of=row.type)  # fmt: skip


def what_of(part: PartType) -> str:
    """A type in a few words to buy by: ``NPN 60 V 15 A 115 W, TO-3``; ``Zener 5.1 V 1 W, DO-41``."""
    words = [part.polarity or part.kind]
    words += [part.material] if part.material == "germanium" else []
    words += ["Darlington"] if part.kind == "darlington" else []
    words += [str(nominal(middle(limit), "V")) for limit in part.find("V_Z")[:1]]
    rated = _RATINGS["Zener" if part.kind == "Zener" else part.device]
    words += [str(nominal(part.rating(name), unit)) for name, unit in rated if not isnan(part.rating(name))]
    return " ".join(words) + (f", {part.package}" if part.package else "")


def _is_output(part: PartType) -> bool:
    """Whether a part is one side of an output stage: bolted, of some power, with a complement."""
    big = part.mounting == "bolted" and part.rating("P_tot") >= rule("order_both_W")
    return part.device == "bjt" and big and bool(part.complement)
