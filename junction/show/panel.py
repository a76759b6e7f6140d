"""Scales with ticks at 1, 2 and 5, and the panels that picture their values on a canvas."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, inf, isfinite, log10

import numpy as np

from junction.base.units import quantity
from junction.show.canvas import LETTER, SIZE, Canvas

_PREFIXES = ((0, ""), (-3, "m"), (-6, "µ"), (-9, "n"), (-12, "p"), (-15, "f"))


def si_scale(size: float, unit: str) -> tuple[float, str]:
    """Factor and prefixed unit in which a size [A, V] reads as 1 to 1000; volts from 0.1 on."""
    if unit not in ("A", "V"):
        return 1.0, unit
    for power, prefix in _PREFIXES:
        if size >= 10.0**power * (0.1 if unit == "V" else 1.0) or power == (-3 if unit == "V" else -15):
            return 10.0**-power, prefix + unit
    return 1.0, unit


@dataclass(frozen=True)
class Scale:
    """One axis: its range in SI units, its name and unit, linear or logarithmic."""

    low: float
    high: float
    label: str = ""
    unit: str = ""
    log: bool = False

    def place(self, value, a: float, b: float):
        """Where values stand between the points `a` (low end) and `b`."""
        value, low, high = np.asarray(value, float), self.low, self.high
        if self.log:
            with np.errstate(divide="ignore", invalid="ignore"):
                value, low, high = np.log10(value), log10(low), log10(high)
        return a + (value - low) / (high - low) * (b - a)

    def ticks(self, most: int) -> list[tuple[float, str]]:
        """Values at 1, 2 or 5 times a power of ten, at most so many, each with its words."""
        if self.log:
            first, last = floor(log10(self.low) + 1e-9), ceil(log10(self.high) - 1e-9)
            decades = range(first, last + 1)
            ways = [[m * 10.0**k for k in decades for m in ms] for ms in ((1, 2, 5), (1,))]
            ways += [[10.0**k for k in decades if k % step == 0] for step in (2, 3, 4, 6, 12)]
            inside = [[x for x in way if self.low * 0.999 <= x <= self.high * 1.001] for way in ways]
            found = next((way for way in inside if len(way) <= most), inside[-1])
            return [(x, str(quantity(x, self.unit, 1)) if self.unit else f"{x:g}") for x in found]
        factor, _ = si_scale(max(abs(self.low), abs(self.high)), self.unit)
        low, high = self.low * factor, self.high * factor
        rough = (high - low) / max(most, 1)
        power = floor(log10(rough))
        step = next(m for m in (1, 2, 5, 10) if m * 10.0**power >= rough * 0.999) * 10.0**power
        places = max(0, -floor(log10(step) + 1e-9))
        numbers = np.arange(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1) * step
        return [(float(x / factor), f"{x + 0.0:.{places}f}") for x in numbers]

    @property
    def name(self) -> str:
        """What stands at the axis: label, and the unit where the ticks do not say it."""
        unit = "" if self.log else si_scale(max(abs(self.low), abs(self.high)), self.unit)[1]
        return f"{self.label} ({unit})" if unit else self.label


def spanning(values, label: str = "", unit: str = "", *, log: bool = False, pad: float = 0.05) -> Scale:
    """Scale over the finite values with a margin; never of no width."""
    values = np.asarray(values, float).ravel()
    values = values[np.isfinite(values) & (values > 0 if log else True)]
    if log:
        low, high = (float(values.min()), float(values.max())) if values.size else (1e-6, 1e-3)
        far = max((high / low) ** pad, 1.15)
        low, high = low / far, high * far
        if high / low < 10:
            low, high = 10.0 ** floor(log10(low) + 1e-9), 10.0 ** ceil(log10(high) - 1e-9)
        return Scale(low, high, label, unit, True)
    low, high = (float(values.min()), float(values.max())) if values.size else (-1.0, 1.0)
    margin = pad * (high - low) or 0.05 * abs(high) or 1.0
    return Scale(low - margin, high + margin, label, unit)


class Panel:
    """A frame with two axes on a canvas, and what is drawn in it.

    Parameters
    ----------
    canvas : Canvas
    name : str
        Begins the ids of its shapes.
    top, bottom : float
        Of the frame, on the canvas [points].
    x, y : Scale
    title : str
    left, right : float
        Room beside the frame [points].
    x_ticks, y_ticks : bool
        Whether that axis has words.
    x_ticks_to : float
        Beyond it the axis has none.
    """

    def __init__(
        self, canvas: Canvas, name: str, top: float, bottom: float, x: Scale, y: Scale, title: str = "",
        left: float = 46.0, right: float = 8.0, x_ticks: bool = True, y_ticks: bool = True,
        x_ticks_to: float = inf,
    ) -> None:  # fmt: skip
        self.canvas, self.name, self.x, self.y = canvas, name, x, y
        self.left, self.right, self.top, self.bottom = left, canvas.width - right, top, bottom
        a, b = self.left, self.right
        self._taken: list[np.ndarray] = []  # where something is drawn, so that words keep off it
        told = {"x": ("log" if x.log else "linear", x.low, x.high, a, b),
                "y": ("log" if y.log else "linear", y.low, y.high, bottom, top)}  # fmt: skip
        across = [tick for tick in x.ticks(max(2, int((b - a) / 42))) if tick[0] <= x_ticks_to]
        up = y.ticks(max(2, int((bottom - top) / 17))) if y_ticks else []
        hair = []
        for value, word in across:
            at = float(x.place(value, a, b))
            hair.append((at, top, at, bottom))
            if x_ticks:
                canvas.words(at, bottom + 11, word, anchor="middle")
        for value, word in up:
            at = float(y.place(value, bottom, top))
            hair.append((a, at, b, at))
            canvas.words(a - 4, at + 3, word, anchor="end")
        lines = np.array([(*h, np.nan, np.nan) for h in hair]).reshape(-1, 3, 2)
        canvas.line(lines[..., 0].ravel(), lines[..., 1].ravel(), colour="hair", width=0.7)
        canvas.line([a, a, b], [top, bottom, bottom], colour="soft", width=0.8, id=name, told=told)
        if x_ticks:
            canvas.words((a + b) / 2, bottom + 23, x.name, anchor="middle", colour="soft")
        if title or y.name:
            both = "; ".join(w for w in (title, y.name) if w)
            canvas.words(a, top - 5, both, colour="soft")

    def at(self, x, y):
        """Where values stand on the canvas."""
        return self.x.place(x, self.left, self.right), self.y.place(y, self.bottom, self.top)

    @property
    def _clip(self) -> tuple[float, ...]:
        return self.left, self.top, self.right, self.bottom

    def curve(self, id: str, x, y, **style) -> None:
        """A line through values."""
        px, py = self.at(x, y)
        self._taken.append(np.stack([px, py]))
        py = np.clip(py, self.top - 400, self.bottom + 400)  # far outside nothing is seen but its direction
        self.canvas.line(px, py, id=f"{self.name}-{id}", clip=self._clip,
                         **{"colour": "fit", "width": 1.2, **style})  # fmt: skip

    def band(self, id: str, x, low, high, **style) -> None:
        """The area between two lines."""
        x, low, high = (np.asarray(z, float) for z in (x, low, high))
        if self.y.log:
            low = np.where(high > 0, np.maximum(low, self.y.low / 10), np.nan)
        known = np.isfinite(x) & np.isfinite(low) & np.isfinite(high)
        px, ends = self.x.place(x, self.left, self.right)[known], []
        for edge in (low, high):
            at = self.y.place(edge[known], self.bottom, self.top)
            ends.append(np.clip(at, self.top - 400, self.bottom + 400))
        if px.size > 1:
            self.canvas.area(np.r_[px, px[::-1]], np.r_[ends[1], ends[0][::-1]], id=f"{self.name}-{id}",
                             clip=self._clip, **{"colour": "fit", "shade": 0.22, **style})  # fmt: skip

    def region(self, id: str, x, y, **style) -> None:
        """A closed area through values."""
        px, py = self.at(x, y)
        if px.size > 2:
            self.canvas.area(px, py, id=f"{self.name}-{id}", clip=self._clip,
                             **{"colour": "fit", "shade": 0.22, **style})  # fmt: skip

    def points(self, id: str, x, y, shape: str = "dot", **style) -> None:
        """One mark a value."""
        px, py = self.at(x, y)
        self._taken.append(np.stack([px, py]))
        seen = (px > self.left - 2) & (px < self.right + 2) & (py > self.top - 2) & (py < self.bottom + 2)
        self.canvas.marks(px[seen], py[seen], shape, id=f"{self.name}-{id}", **style)

    def bars(self, id: str, x, low, high, least: float = 2.0) -> None:
        """Upright error bars, where they are longer than the dot they belong to."""
        px, high = self.at(x, high)
        low = self.y.place(np.maximum(low, self.y.low / 10) if self.y.log else low, self.bottom, self.top)
        seen = (low - high > 2 * least) & (px > self.left - 1) & (px < self.right + 1)
        if seen.any():
            ends = np.stack([low[seen], high[seen], np.full(seen.sum(), np.nan)], 1)
            self.canvas.line(np.repeat(px[seen], 3), np.clip(ends, self.top - 400, self.bottom + 400).ravel(),
                             id=f"{self.name}-{id}", clip=self._clip, width=0.7, colour="soft")  # fmt: skip

    def level(self, id: str, value: float, text: str = "", **style) -> None:
        """A line right across at a value, its words above it at the right end."""
        at = float(self.y.place(value, self.bottom, self.top))
        style = {"colour": "out", "width": 1.0, "dash": (5.0, 2.5), **style}
        if self.top - 1 <= at <= self.bottom + 1:
            self.canvas.line([self.left, self.right], [at, at], id=f"{self.name}-{id}", **style)
            along = np.linspace(self.left, self.right, 40)
            self._taken.append(np.stack([along, np.full(40, at)]))
            if text:
                above = at - 3 if at - self.top > 12 else at + 9
                words = np.linspace(self.right - LETTER * SIZE * len(text), self.right, 30)
                self._taken.append(np.stack([words, np.full(30, above - 3)]))
                self.canvas.words(self.right - 2, above, text, anchor="end", colour=style["colour"])

    def upright(self, id: str, value: float, text: str = "", **style) -> None:
        """A line from bottom to top at a value, its words beside its upper end."""
        at = float(self.x.place(value, self.left, self.right))
        style = {"colour": "soft", "width": 0.8, "dash": (2.5, 2.0), **style}
        if self.left - 1 <= at <= self.right + 1:
            self.canvas.line([at, at], [self.top, self.bottom], id=f"{self.name}-{id}", **style)
            room = LETTER * SIZE * len(text)
            anchor, by = ("start", 3) if at + room + 6 < self.right else ("end", -3)
            self.canvas.words(at + by, self.top + 10, text, anchor=anchor, colour=style["colour"])

    def notes(self, lines: Sequence[str], **style) -> None:
        """Lines of words in the corner of the frame where the least is drawn; to be called last."""
        if not lines:
            return
        taken = np.concatenate([*self._taken, np.empty((2, 0))], axis=1)
        wide, tall = LETTER * SIZE * max(map(len, lines)) + 8, 11.5 * len(lines) + 3
        places = []
        for x, anchor in ((self.left + 6, "start"), (self.right - 5, "end")):
            for top in (self.top + 2, (self.top + self.bottom - tall) / 2, self.bottom - tall - 2):
                a = x - 4 if anchor == "start" else x - wide + 4
                inside = (taken[0] > a) & (taken[0] < a + wide) & (taken[1] > top) & (taken[1] < top + tall)
                places.append((int(inside.sum()), len(places), x, anchor, top))
        _, _, x, anchor, top = min(places)
        for k, line in enumerate(lines):
            self.canvas.words(x, top + 10 + 11.5 * k, line, anchor=anchor, **style)

    def tags(self, names: Sequence[str], px, py, marks=()) -> None:
        """Names beside places of the canvas, where they cover no mark and no other name; else left out."""
        taken = [(a - 3, b - 3, a + 3, b + 3) for a, b in (*zip(px, py, strict=True), *marks)]
        for name, a, b in zip(names, px, py, strict=True):
            wide = LETTER * SIZE * len(name) + 2
            middle = a - wide / 2
            for left, low in ((a + 5, b + 3), (a - 5 - wide, b + 3), (middle, b - 5), (middle, b + 12)):
                box = left, low - 7.5, left + wide, low + 1
                free = box[0] > self.left and box[2] < self.canvas.width and box[3] < self.bottom
                if free and not any(
                    box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3] for t in taken
                ):
                    self.canvas.words(float(left), float(low), name, size=SIZE - 1)
                    taken.append(box)
                    break

    def ends(self, names: Sequence[str], values: Sequence[float], colours: Sequence[str]) -> None:
        """Names of lines at their right ends in the place of a legend, moved apart where they would touch."""
        known = [k for k, v in enumerate(values) if isfinite(v)]
        wanted = self.y.place([values[k] for k in known], self.bottom, self.top) + 3
        order = np.argsort(wanted)
        places = np.clip(wanted[order], self.top + 6, self.bottom)
        for k in range(1, places.size):
            places[k] = max(places[k], places[k - 1] + 10)
        over = places[-1] - self.bottom if places.size else 0.0
        if over > 0:
            places = places - over
            for k in range(places.size - 2, -1, -1):
                places[k] = min(places[k], places[k + 1] - 10)
        for k, at in zip(order, places, strict=True):
            self.canvas.words(self.right + 4, float(at), names[known[k]], colour=colours[known[k]])


def short(name: str, most: int = 12) -> str:
    """A name that fits beside a line."""
    return name if len(name) <= most else name[: most - 1] + "…"
