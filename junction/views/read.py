"""The view of a bag that was read and not judged: what it holds and what was set aside."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from junction.base.records import Bag, spelled
from junction.base.units import listed, reading
from junction.show import blocks as b
from junction.show.write import set_aside_table

HEADINGS = ("part", "kind", "of", "points", "type", "polarity", "temp_C", "file")


def summary(bag: Bag) -> str:
    """The bag in one line."""
    counts = {"readings": len(bag.readings), "sweeps": len({*bag.sweeps.part}), "curves": len(bag.curves)}
    held = [b.count(n, f"part with {what}", f"parts with {what}") for what, n in counts.items() if n]
    left = f", {b.count(len(bag.set_aside), 'entry', 'entries')} not used" if bag.set_aside else ""
    return f"{listed(held) or 'nothing'} from {b.count(bag.rows_read, 'row')}{left}"


def _rows(bag: Bag) -> Iterable[tuple]:
    for p in bag.readings:
        if p.readings:
            said = "  ".join(f"{r.placement} {reading(r)}" for r in p.readings)
            yield p.part, "readings", said, len(p.readings), p.type, p.polarity, p.temp_C, p.file
        if p.spots:
            yield p.part, "spot readings", "", len(p.spots), p.type, p.polarity, p.temp_C, p.file
    for table, kind in ((bag.sweeps, "sweep"), (bag.curves, "curves")):
        points = np.diff(table.starts).tolist()
        for k, part in enumerate(table.part):
            of = table.junction[k] if kind == "sweep" else ""
            temp_C = float(table.temp_C[k])
            yield part, kind, of, points[k], table.type[k], table.polarity[k], temp_C, table.file[k]


def tables(bag: Bag) -> dict:
    """``parts``, one row for what each part has of each kind, and the set-aside list."""
    return {"parts": (HEADINGS, _rows(bag)), "set_aside": set_aside_table(bag.set_aside)}


def terminal(bag: Bag, everything: bool = False) -> Iterable[b.Block]:
    """What the bag holds."""
    rows = [[part, kind, spelled(of), str(n), type_] for part, kind, of, n, type_, *_ in _rows(bag)]
    columns = b.columns("part", "kind", "of", "points", "type", right=("points",), wrap=("of",))
    yield b.table(columns, rows)
    yield b.text(summary(bag))


short = terminal  # it is short enough


def page(bag: Bag, made: str = "") -> tuple[str, list[b.Block]]:
    """Title and blocks."""
    title = "What was read"
    return title, [b.text(title, "title"), *terminal(bag), b.set_aside(bag.set_aside)]


def document(bag: Bag) -> dict:
    """Body of the JSON."""
    return {"parts": [dict(zip(HEADINGS, row, strict=True)) for row in _rows(bag)]}
