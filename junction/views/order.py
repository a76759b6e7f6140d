"""What to order, as the views of judged parts show it: short list, line, section, table, part of the JSON."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from junction.base.records import spelled
from junction.base.units import listed
from junction.judge.results import say
from junction.show import blocks as b

if TYPE_CHECKING:  # a check of a good part does not wait for the records of replacement
    from junction.replace.results import Order, OrderRow, Substitution

#: Types listed on a terminal, unless all are asked for; characters of tags in a cell and in a sentence.
MOST_TYPES, MOST_PARTS_TEXT, MOST_TAGS_TEXT = 8, 16, 42


def short_of(one: Substitution) -> str:
    """What stands against a substitute in a word or two, '' where nothing does."""
    if one.result not in ("meets", "exceeds"):
        return "not all known"
    if one.place == "work":
        return "other package"
    return {"published": "", "secondary": "reference pages"}.get(one.standing, one.standing)


def named(one: Substitution) -> str:
    """A substitute in few words: its name, its other side, what stands against it."""
    against = short_of(one)
    return one.candidate + (f" with {one.pair}" if one.pair else "") + (f" ({against})" if against else "")


def _ordered(row: OrderRow) -> str:
    """Count and type, with what it is bought by where the number does not say it."""
    kind, _, rest = row.what.partition(" ")
    told = rest.partition(",")[0] if kind == "Zener" else "germanium" if "germanium" in row.what else ""
    return f"{row.to_order} {row.type}" + (f" ({told})" if told else "")


def _others(row: OrderRow) -> list[str]:
    if row.other_side_of:
        return [""]
    if not row.on_shelf:
        return row.notes[0].split("; ")
    return [named(one) for one in row.substitutes] or [say("order_none")]


def short_list(order: Order | None, everything: bool = False) -> Iterable[b.Block | str]:
    """The end of a sorted bag on a terminal: one line a type, and what to think of."""
    if order is None:
        return
    yield ""
    if not order.rows:
        yield b.text(say("order_no_types"))
        return
    shown = order.rows if everything else order.rows[:MOST_TYPES]
    rows = [[_ordered(row), b.that_fit(row.parts, MOST_PARTS_TEXT, " +{}") or "the other side"]
            for row in shown]  # fmt: skip
    heads = ("to order", "for")
    room = b.WIDTH - sum(max(map(len, (head, *cells))) + len(b.GAP)
                         for head, *cells in zip(heads, *rows, strict=True))  # fmt: skip
    rows = [[*cells, b.that_fit(_others(row), room)] for cells, row in zip(rows, shown, strict=True)]
    yield b.table(b.columns(*heads, "or", wrap=("or",)), rows)
    if len(order.rows) > len(rows):
        yield b.text(f"{b.count(len(order.rows) - len(rows), 'more type')}; --all lists them.")
    for text in remarks(order):
        yield b.text(text)


def in_brief(order: Order | None, everything: bool = False) -> Iterable[b.Block]:
    """What to order in one row, and what to think of in another."""
    if order is None:
        return
    names = [(row.type if row.to_order == 1 else f"{row.to_order} {row.type}") for row in order.rows]
    most = 10**6 if everything else 2 * (b.WIDTH - 10)
    pairs = dict.fromkeys(row.pair for row in order.rows if row.pair)
    said = b.that_fit(names, most, " and {} more") if names else say("order_no_types")
    said = f"{said} (both sides new: {', '.join(pairs)})" if pairs else said
    yield b.labelled("order", [said, *(_waiting(order) if names else [])])
    test = [part for row in order.rows for part in row.test_first]
    names = b.that_fit(test, MOST_TAGS_TEXT, " and {} more")
    yield b.labelled("test", [say("sort_before_power", parts=names)] if test else [])


def remarks(order: Order) -> list[str]:
    """What goes with the list: pairs, neighbours, and what was not ordered."""
    pairs = dict.fromkeys(row.pair for row in order.rows if row.pair)
    out = [say("order_pairs", pairs=", ".join(pairs))] if pairs else []
    test = [part for row in order.rows for part in row.test_first]
    out += [say("order_test", parts=b.that_fit(test, MOST_TAGS_TEXT, " and {} more"))] if test else []
    return out + _waiting(order)


def _waiting(order: Order) -> list[str]:
    """What was not ordered, and why."""
    waiting = [say(f"order_{name}", n=len(parts)) for name in ("undecided", "in_circuit", "untyped")
               if (parts := getattr(order, name))]  # fmt: skip
    if order.misread:
        parts = b.that_fit(order.misread, MOST_TAGS_TEXT, " and {} more")
        waiting.append(say("order_misread", parts=parts))
    return [say("order_waiting", waiting="; ".join(waiting))] if waiting else []


def one_line(order: Order | None) -> str:
    """What to order for one part, with the two best substitutes; '' where its type is not on the shelf."""
    row = order.rows[0] if order is not None and order.rows else None
    if row is None or not row.on_shelf:
        return ""
    others = listed([named(one) for one in row.substitutes[:2]]).replace(" and ", " or ")
    return say("order_check", type=row.type, complement=row.complement, else_=others)


def section(order: Order | None) -> list[b.Block]:
    """A section of the page: each type, and under it its substitutes with why."""
    if order is None:
        return []
    if not order.rows:
        return [b.section("To order", [b.text(say("order_no_types"))])]
    rows = []
    for row in order.rows:
        faults = dict.fromkeys(row.faults)
        said = "; ".join([x for x in (row.what, *row.notes) if x])
        rows.append([b.count(row.to_order, ""), row.type, ", ".join(row.parts), spelled(*faults), said])
        rows += [["", f"or {one.candidate}" + (f" with {one.pair}" if one.pair else ""), "", "", one.why]
                 for one in row.substitutes]  # fmt: skip
    found = b.table(b.columns("order", "type", "for", "fault", "what it is, or why"), rows)
    return [b.section("To order", [found, b.bullets(remarks(order), role="soft")])]


HEADINGS = (
    "type", "count", "parts", "faults", "more_if_undecided", "on_shelf", "what", "complement",
    *(f"{what}_{k}" for k in (1, 2, 3) for what in ("substitute", "with", "result", "why")), "notes",
    "to_order", "other_side_of",
)  # fmt: skip


def table(order: Order | None) -> tuple:
    """``order``: one row a type."""
    rows = []
    for row in order.rows if order is not None else ():
        cells = [(one.candidate, one.pair, one.result, one.why) for one in row.substitutes[:3]]
        cells += [("", "", "", "")] * (3 - len(cells))
        rows.append((
            row.type, len(row.parts), "; ".join(row.parts), "; ".join(row.faults), row.undecided,
            row.on_shelf, row.what, row.complement, *(cell for four in cells for cell in four),
            "; ".join(row.notes), row.to_order, row.other_side_of,
        ))  # fmt: skip
    return HEADINGS, rows


def document(order: Order | None) -> dict | None:
    """The part ``order`` of the JSON; None where nothing is ordered."""
    if order is None:
        return None
    rows = [
        {"type": row.type, "count": len(row.parts), "parts": row.parts, "faults": row.faults,
         "undecided": row.undecided, "on_shelf": row.on_shelf, "what": row.what,
         "complement": row.complement, "notes": row.notes, "test_first": row.test_first,
         "to_order": row.to_order, "other_side_of": row.other_side_of,
         "substitutes": [{"type": one.candidate, "with": one.pair, "result": one.result, "why": one.why}
                         for one in row.substitutes]}
        for row in order.rows
    ]  # fmt: skip
    waiting = {name: getattr(order, name) for name in ("undecided", "in_circuit", "untyped", "misread")}
    return {"types": rows, **waiting}
