"""The card of a part: what decides, what comes next, its leads with what was read, quantities and limits."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import TYPE_CHECKING

from junction.base.records import PartReadings, spelled
from junction.base.units import Num, interval, percent, si
from junction.judge.results import Finding, JunctionVerdict, PartVerdict
from junction.paper.leads import leads_picture
from junction.paper.part import (
    blind_words,
    deciding_line,
    device_words,
    evidence_of,
    figure_seen,
    fit_blocks,
    is_known,
    leads_words,
    quantity_words,
    source_caption,
    sure,
    where_words,
)
from junction.shelf.tables import rule
from junction.show import blocks as b
from junction.show.page import tag

if TYPE_CHECKING:  # a report without pictures does not wait for what draws them
    from junction.show.canvas import Picture

#: Words of a row that keeps its limit, of one that does not, and where nobody can say.
KEPT, FAILS, NOT_KNOWN = "kept", "fails", "not known"


def limit_words(f: Finding) -> b.Inline:
    """``at most 100 µA``, ``at least 50 kΩ``, ``0.40 V to 0.80 V``."""
    ends = {"at least ": f.low, "at most ": f.high}
    known = {}
    for word, x in ends.items():
        number, blank, unit = (si(x, f.unit) if f.unit else f"{x:.3g}").partition(" ")
        if isfinite(x):
            known[word] = Num((number, x), (f"{blank}{unit}", None))
    if len(known) == 2:
        low, high = known.values()
        return (low, " to ", high)
    return next(((word, x) for word, x in known.items()), "")


def kept_words(f: Finding, j: JunctionVerdict) -> str:
    """Whether a quantity keeps its limit: what decided its path as the verdict says, others by themselves."""
    if f is j.finding:
        return {"good": KEPT, "undecided": NOT_KNOWN}.get(j.verdict, FAILS)
    sure = rule("conformity_good")
    return KEPT if f.kept >= sure else FAILS if f.kept <= 1 - sure else NOT_KNOWN


def _whose(f: Finding) -> str:
    """Whose a limit is, without what that rests on."""
    whole = f.limit_from.split("; ")
    return ", ".join(x for x in whole if x.endswith("family")) or whole[0]


def sources_line(v: PartVerdict) -> str:
    """What the limits of a part rest on, each once."""
    found = [f.limit_from for j in v.junctions for f in j.quantities() if _whose(f) != f.limit_from]
    return f"Limits: {'. '.join(dict.fromkeys(found))}." if found else ""


def quantity_rows(v: PartVerdict) -> list[list[b.Inline]]:
    """One row a quantity: its value, limit, where the limit is from, and whether it is kept."""
    rows = []
    for j in v.junctions:
        found = [f for f in j.quantities() if is_known(f.value)]
        if not found or j.finding is not None and j.finding not in found:
            ohm = interval(j.leak_ohm, "ohm") if is_known(j.leak_ohm) else ""
            said = figure_seen(j.finding) if j.finding else ohm
            word = {"good": KEPT, "undecided": NOT_KNOWN}.get(j.verdict, FAILS)
            held = (limit_words(j.finding), _whose(j.finding)) if j.finding else ("", "")
            held = held if held[0] else ("", j.limit if j.finding is None else "")
            rows.append([where_words(j.finding) if j.finding else spelled(j.junction), said, *held, word])
        rows += [[quantity_words(f), interval(f.value), limit_words(f), _whose(f), kept_words(f, j)]
                 for f in found]  # fmt: skip
    said = {quantity_words(f) for j in v.junctions for f in j.quantities()}
    rows += [[name, interval(it), "", "", ""] for name, it in v.measured.items() if name not in said]
    return [[*row, tag("strong", kept) if kept == FAILS else kept] for *row, kept in rows]


def part_card(
    v: PartVerdict, readings: PartReadings | None = None, sources: Mapping[int, Mapping] | None = None,
    pictures: Mapping[int, Picture] | None = None, anchor: str = "", neighbours: str = "neighbours",
) -> b.Block:  # fmt: skip
    """All that is known of one part, under its tag and verdict.

    Parameters
    ----------
    v : PartVerdict
    readings : PartReadings, optional
    sources : mapping of int to mapping, optional
        Where its sweeps came from, by index of the sweep.
    pictures : mapping of int to Picture, optional
        By index of the sweep.
    anchor : str
        Id of the section.
    neighbours : str
        Where what to test before power-up is listed.
    """
    role = "part" if any(j.sweep in (pictures or {}) for j in v.junctions) else "part short"
    inside = card_blocks(v, readings, sources, pictures, neighbours)
    return b.section((v.part, " ", b.Badge(v.verdict), " ", sure(v)), inside, anchor, 3, role)


def card_blocks(
    v: PartVerdict, readings: PartReadings | None = None, sources: Mapping[int, Mapping] | None = None,
    pictures: Mapping[int, Picture] | None = None, neighbours: str = "neighbours",
) -> list[b.Block]:  # fmt: skip
    """What stands on a card under its heading; see `part_card`."""
    pictures, sources = pictures or {}, sources or {}
    what = ", ".join(w for w in (device_words(v.device, v.type), leads_words(v.device)) if w)
    said = evidence_of(v)
    line = deciding_line(v)
    blocks: list[b.Block] = [b.text(line, "decides")] if line else []
    blocks += [b.text(v.next, "next")] if v.next else []
    drawing = leads_picture(v, readings.readings if readings is not None else ())
    columns = b.columns("quantity", "value", "limit", "limit from", "result")
    rows = quantity_rows(v)
    rows = rows if any(b.words(tuple(row[1:4])) for row in rows) else []
    shown = [*([b.pictures([drawing], role="leads")] if drawing else []),
             *([b.table(columns, rows, style="held")] if rows else [])]  # fmt: skip
    blocks += [b.beside(shown)] if shown else []
    blocks += [b.text(line, "soft")] if (line := sources_line(v)) else []
    blocks.append(b.text(what, "what"))
    blocks.append(b.bullets(said))
    blocks.append(b.bullets(v.warnings, role="soft"))
    for j in v.junctions:
        own = spelled(j.junction)
        inner = [b.bullets([s for s in j.evidence if s not in said and f"{own}: {s}" not in said])]
        if j.fit is None and j.sweep not in pictures:
            blocks += inner
            continue
        if j.sweep in pictures:
            source = sources.get(j.sweep)
            inner.append(b.pictures([pictures[j.sweep]], source_caption(source) if source else ""))
        inner += [b.text(("Path resistance: ", interval(j.leak_ohm, "ohm")))] if j.leak_ohm else []
        inner += fit_blocks(j.fit) if j.fit is not None else []
        heading = (own, " ", b.Badge(j.verdict), " ", sure(j))
        blocks.append(b.section(heading, inner, level=4, role="junction"))
    if v.alternatives:
        rows = [
            [spelled(*a.faults) or "no fault", device_words(a.device),
             percent(a.probability), a.decided_by]
            for a in v.alternatives
        ]  # fmt: skip
        columns = b.columns("faults", "device", "probability", "decided by", right=("probability",))
        blocks.append(b.table(columns, rows, "What else could explain it"))
    if v.neighbours:
        blocks.append(b.text(("Before power-up: ", b.Link("test its neighbours", neighbours))))
    return [*blocks, *([b.text(blind_words(v), "soft")] if v.cannot_see else [])]
