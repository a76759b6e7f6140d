"""The leads of a part as a small drawing: what was read between them, which way, and where the fault lies.

Pads stand for the leads and are joined by lines; beside a line each reading has an arrow from the red probe
to the black one.  A faulty line is thick: whole where it is shorted, dashed where it leaks, broken in the
middle where it is open, dotted where nobody knows; and its fault stands beside it as a word.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import hypot
from textwrap import wrap

from junction.base.records import Reading, spelled, split_placement
from junction.base.units import listed, reading
from junction.judge.results import PartVerdict
from junction.paper.part import figure_seen
from junction.show.canvas import LETTER, SIZE, Canvas, Picture

#: Names of leads in the order in which they are set round a drawing.
_ORDER = "B C E A K G D S 1 2 3 4".split()
_RINGS = (("~1", "+", "~2", "-"), ("A", "K", "E", "C"), ("1", "2", "3", "4"))
_PAD, _ROW, _LETTERS = 11.0, 11.5, 15
#: Pads by their number: where they are set, and the place of their names.
_AT = {2: ((55, 18), (181, 18)), 3: ((118, 18), (61, 92), (175, 92)),
       4: ((64, 40), (172, 40), (172, 106), (64, 106))}  # fmt: skip
#: How a line of a path of each verdict is drawn: width and dashes.
_LINES = {"shorted": (4.0, ()), "leaky": (3.2, (7, 3.5)), "open": (3.2, ()), "undecided": (2.2, (1.5, 3))}


#: What stands beside a line where its verdict is no word for it.
CALLED = {"undecided": "not known"}


@dataclass(frozen=True)
class Line:
    """What is drawn between two leads: the fault word, '' of a sound path, and what was read."""

    ends: tuple[str, str]
    word: str
    told: tuple[tuple[str, str], ...]  # direction ('' for none, 'both' or the placement) and the value


def lines_of(v: PartVerdict, readings: Sequence[Reading] = ()) -> list[Line]:
    """What is drawn between each two leads of a part, [] where there is nothing to draw.

    Parameters
    ----------
    v : PartVerdict
    readings : sequence of Reading
        Its own.  A path without one shows the figure that its verdict rests on.
    """
    words: dict[frozenset, str] = {}
    figures: dict[frozenset, str] = {}
    names: list[str] = []
    for r in readings:
        names += split_placement(r.placement)
    paths = {f.partition(" ")[0]: f.partition(" ")[2] for f in v.faults}
    found = [(j.finding, j.junction, j.verdict) for j in v.junctions]
    found += [(v.decides, v.decides.where, v.verdict)] if v.decides else []
    for finding, path, verdict in found:
        for ends in _ends(finding, path):
            key = frozenset(ends)
            if path in paths or verdict == "undecided" and (path or v.verdict != "undecided"):
                words.setdefault(key, paths.get(path, verdict))
            elif not path and verdict in ("shorted",):
                words.setdefault(key, verdict)
            if finding is not None and path:
                figures.setdefault(key, figure_seen(finding))
                names += ends if not readings else ()
    if v.verdict == "undecided" and v.decides is not None:  # a reading that is wanted decides
        asked = [v.decides.numbers.get(name, "") for name in ("unread", "lost")]
        for placement in re.split(r", | and ", ", ".join(filter(None, asked))):
            if all(ends := split_placement(placement)):
                words.setdefault(frozenset(ends), "undecided")
    ring = _ring(names)
    if len(ring) not in _AT or len(readings) == 0 and not figures:
        return []
    out = []
    for a, b in _pairs(ring):
        key = frozenset((a, b))
        told = [(r.placement, str(reading(r))) for r in readings if {r.red, r.black} == key]
        if len(told) == 2 and told[0][1] == told[1][1] == "OL":
            told = [("both", "OL")]
        if not told and key in figures:
            told = [("", figures[key])]
        if told or key in words:
            out.append(Line((a, b), words.get(key, ""), tuple(told)))
    return out


def _ends(finding, path: str) -> list[tuple[str, str]]:
    """Leads that a path lies between, as they are called on this part."""
    numbers = finding.numbers if finding else {}
    if "ends" in numbers:
        return [tuple(numbers["ends"])]
    if finding is not None and finding.reason == "leads_all_shorted":
        return [("1", "2"), ("1", "3"), ("2", "3")]
    if "one" in numbers and "other" in numbers and not path:
        return [(numbers["one"], numbers["other"])]
    ends = split_placement(spelled(path))
    return [ends] if all(ends) else []


def _ring(names: Iterable[str]) -> tuple[str, ...]:
    """Leads in the order in which they are set round a drawing."""
    names = dict.fromkeys(names)
    ranked = sorted(names, key=lambda name: (_ORDER.index(name) if name in _ORDER else len(_ORDER), name))
    return next((ring for ring in _RINGS if set(ring) == set(names)), tuple(ranked))


def _pairs(ring: Sequence[str]) -> list[tuple[str, str]]:
    """Every two leads: neighbours in the ring first, as the sides of the drawing, then those across."""
    n = len(ring)
    sides = [(ring[k], ring[(k + 1) % n]) for k in range(n if n > 2 else 1)]
    return sides + ([(ring[0], ring[2]), (ring[1], ring[3])] if n == 4 else [])


def leads_picture(v: PartVerdict, readings: Sequence[Reading] = ()) -> Picture | None:
    """The drawing of a part, None where there is nothing to draw.

    Parameters
    ----------
    v : PartVerdict
    readings : sequence of Reading
        Of the part.
    """
    lines = lines_of(v, readings)
    ring = _ring(name for line in lines for name in line.ends)
    if len(ring) not in _AT:
        return None
    at = dict(zip(ring, _AT[len(ring)], strict=True))
    drawn = Canvas({2: 62.0, 3: 134.0, 4: 150.0}[len(ring)], 236.0)
    middle = (sum(x for x, _ in at.values()) / len(at), sum(y for _, y in at.values()) / len(at))
    for line in lines:
        _draw_line(drawn, line, at, middle, across=_pairs(ring).index(line.ends) - 4)
    for name, (x, y) in at.items():
        drawn.line([x - _PAD, x + _PAD], [y, y], width=6.0, id=f"pad-{name}")
        role = v.device.leads.get(name, "")
        above = y <= middle[1] and len(ring) > 2
        side = {2: (0, -9.0), 3: (0, -9.0) if above else ((-18, 4.0) if x < middle[0] else (18, 4.0)),
                4: (-17 if x < middle[0] else 17, 4.0)}[len(ring)]  # fmt: skip
        anchor = "middle" if side[0] == 0 else "end" if side[0] < 0 else "start"
        text = f"{name} = {role}" if role and role != name else name
        drawn.words(x + side[0], y + side[1], text, anchor=anchor, bold=True, size=10.5)
    return Picture(f"leads_{v.part}", alt_words(v, lines), [drawn])


def _draw_line(drawn: Canvas, line: Line, at: Mapping, middle: tuple, *, across: int) -> None:
    """One line with its fault, and what was read beside its middle, away from the drawing's own.

    ``across`` is 0 or 1 for the first and second line across a square, less for a side.
    """
    (x0, y0), (x1, y1) = (at[end] for end in line.ends)
    length = hypot(x1 - x0, y1 - y0)
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    width, dash = _LINES.get(line.word, (1.2, ()))
    name = "-".join(line.ends)
    colour = "ink" if line.word else "soft"
    if line.word == "open":  # a gap with its two ends upright
        for edge in (1, -1):
            gap = length / 2 - 7 * edge
            along = (0, gap) if edge > 0 else (gap, length)
            x, y = ([c + d * z for z in along] for c, d in ((x0, ux), (y0, uy)))
            drawn.line(x, y, width=width, id=f"line-{name}{'' if edge > 0 else '-on'}")
            cx, cy = x0 + gap * ux, y0 + gap * uy
            drawn.line([cx - 6 * uy, cx + 6 * uy], [cy + 6 * ux, cy - 6 * ux], width=2.0)
    else:
        drawn.line([x0, x1], [y0, y1], width=width, dash=dash, id=f"line-{name}", colour=colour)
    rows = [("", CALLED.get(line.word, line.word))] if line.word else []
    for way, text in line.told:
        folded = wrap(text, _LETTERS)
        rows += [(way, folded[0]), *(("", more) for more in folded[1:])]
    mx, my = (x0 + x1) / 2, (y0 + y1) / 2
    flat = abs(uy) < 0.2
    if across >= 0:  # on its line, each off the crossing, on a piece of paper
        away = -16.0 if across == 0 else 16.0
        anchor, x, top = "middle", mx + away * ux / uy, my + away + 3 - _ROW * (len(rows) - 1) / 2
        wide, high = 3 + 0.5 * LETTER * SIZE * max(len(text) + 3 for _, text in rows), _ROW * len(rows)
        drawn.area([x - wide, x + wide, x + wide, x - wide], [top - 9, top - 9, *[top + high - 8] * 2],
                   colour="paper")  # fmt: skip
    elif flat:
        below = my >= middle[1] or len(at) == 2
        anchor, x, top = "middle", mx, my + (14.5 if below else -8.5 - _ROW * (len(rows) - 1))
    else:
        left, top = mx < middle[0], my + 3 - _ROW * (len(rows) - 1) / 2
        # clear of the line where it comes nearest, above the first row or below the last
        reach = max(abs(ux / uy) * (_ROW * len(rows) / 2 - 1), 0.0)
        anchor, x = ("end", mx - reach - 8) if left else ("start", mx + reach + 8)
    for k, (way, text) in enumerate(rows):
        _row(drawn, line, at, way, text, x, top + k * _ROW, anchor, bold=bool(line.word) and k == 0)


def _row(drawn, line, at, way, text, x, y, anchor, *, bold) -> None:
    """One reading: its arrow from the red probe to the black one, then its value."""
    wide, arrow = LETTER * SIZE * len(text), 15.0 if way else 0.0
    start = {"end": x - wide - arrow, "middle": x - (wide + arrow) / 2, "start": x}[anchor]
    if way:
        ends = line.ends if way == "both" else split_placement(way)
        (x0, y0), (x1, y1) = (at[end] for end in ends)
        length = hypot(x1 - x0, y1 - y0)
        dx, dy = 5.0 * (x1 - x0) / length, 5.0 * (y1 - y0) / length
        cx, cy = start + 5.5, y - 3.2
        drawn.line([cx - dx, cx + dx], [cy - dy, cy + dy], width=0.9,
                   id=f"arrow-{'-'.join(ends)}" + ("-both" if way == "both" else ""))  # fmt: skip
        for sign in (1, -1) if way == "both" else (1,):
            tip = (cx + sign * dx, cy + sign * dy)
            back = (tip[0] - sign * 0.62 * dx, tip[1] - sign * 0.62 * dy)
            px, py = 0.42 * dy, -0.42 * dx
            drawn.line([back[0] + px, tip[0], back[0] - px], [back[1] + py, tip[1], back[1] - py], width=0.9)
    drawn.words(start + arrow, y, text, bold=bold)


def alt_words(v: PartVerdict, lines: Sequence[Line]) -> str:
    """What the drawing shows, in words."""
    told = []
    for line in lines:
        between = "-".join(line.ends)
        seen = [f"{way} {text}" if way not in ("", "both") else
                f"{between} {text}{' both ways' if way else ''}" for way, text in line.told]  # fmt: skip
        word = CALLED.get(line.word, line.word)
        seen += [f"{'' if seen else f'{between} '}marked {word}"] if word else []
        told.append(", ".join(seen))
    names = dict.fromkeys(name for line in lines for name in line.ends)
    return f"Leads {listed(names)} of {v.part or 'the part'}. {'; '.join(told)}."
