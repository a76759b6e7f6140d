"""Pictures of bags, matched sets and stages: data in, pictures out."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping, Sequence
from math import isfinite

import numpy as np

from junction.base.records import Interval
from junction.base.units import NORMAL_95, nominal, percent, quantity
from junction.show.canvas import LETTER, SIZE, Canvas, Picture
from junction.show.panel import Panel, Scale, short, spanning

#: Colours and dashes of the lines of a set: told apart by their dashes and by the names at their ends.
_COLOURS = ("ink", "fit", "out", "third", "fourth", "soft")
_DASHES = ((), (6.0, 2.0), (5.0, 2.0, 1.5, 2.0), (1.5, 2.0), (8.0, 2.0, 1.5, 2.0, 1.5, 2.0), (3.0, 1.5))
_HEIGHT, _TOP, _BOTTOM = 225.0, 40.0, 192.0
#: Width of what a narrow screen shows: on 330 pixels its letters are 8 high.
_NARROW = 360.0


def _style(k: int) -> dict:
    return {"colour": _COLOURS[k % len(_COLOURS)], "dash": _DASHES[k % len(_DASHES)]}


def _last(values) -> float:
    known = np.asarray(values, float)[np.isfinite(values)]
    return float(known[-1]) if known.size else float("nan")


def _frame(name: str, curves: Mapping, parts: Sequence[str], title: str, y: Scale, shares_A) -> Panel:
    """The whole range of currents, with idle and peak; where no part's data speak, the picture says so."""
    ic, canvas = curves["ic_A"], Canvas(_HEIGHT, alt=f"{', '.join(parts)}: {title or y.label}")
    x = Scale(float(ic[0]), float(ic[-1]), "collector current", "A", True)
    panel = Panel(canvas, name, _TOP, _BOTTOM, x, y, title, right=60.0)
    for at, word in zip(shares_A, ("idle", "peak"), strict=True):
        panel.upright(word, float(at), word)
    known = np.isfinite(curves["vbe_V"][[curves["rows"][part] for part in parts]]).any(axis=0)
    if not known.any() or ic[known][-1] < ic[-1] / 1.5:
        a = float(ic[known][-1]) if known.any() else x.low
        at = float(x.place(np.sqrt(a * x.high), panel.left, panel.right))
        canvas.words(at, (_TOP + _BOTTOM) / 2, "no data", anchor="middle", colour="soft")
    return panel


def curves_column(parts: Sequence[str], curves: Mapping, shares_A) -> Canvas:
    """V_BE of every part against its collector current.

    Parameters
    ----------
    parts : sequence of str
        Parts of the set.
    curves : mapping
        As `junction.jobs.match.curves_on_grid` gives them.
    shares_A : (float, float)
        A device's share at idle and at the peak [A].

    Returns
    -------
    Canvas
    """
    rows = [curves["rows"][name] for name in parts]
    vce, temp = nominal(round(curves["vce_V"], 1), "V"), nominal(round(curves["temp_C"]), "degC")
    title = f"V_CE {vce}, {temp}"
    y = spanning(curves["vbe_V"][rows], "V_BE", "V")
    panel = _frame("vbe", curves, parts, title, y, shares_A)
    for k, row in enumerate(rows):
        panel.curve(f"curve{k}", curves["ic_A"], curves["vbe_V"][row], **_style(k))
    panel.ends([short(p) for p in parts], [_last(curves["vbe_V"][row]) for row in rows],
               [_style(k)["colour"] for k in range(len(rows))])  # fmt: skip
    return panel.canvas


def compared_column(parts: Sequence[str], curves: Mapping, shares_A, ratio: bool) -> Canvas:
    """What every further part has beside the first, with its 95 % zone; as `curves_column`.

    ``ratio``: the ratio of h_FE, else the difference of V_BE.
    """
    ic, (first, *others) = curves["ic_A"], (curves["rows"][name] for name in parts)
    if ratio:  # the difference of logarithms
        values, u, shown = np.log(curves["hfe"]), curves["u_hfe"] / curves["hfe"], np.exp
        name, title, label, unit = "ratio", f"h_FE over that of {short(parts[0])}", "95 % zone", ""
    else:
        values, u, shown = curves["vbe_V"], curves["u_vbe_V"], np.positive
        name, title, label, unit = "difference", f"V_BE less that of {short(parts[0])}", "95 % zone", "V"
    found = []
    for row in others:
        between, wide = values[row] - values[first], NORMAL_95 * np.hypot(u[row], u[first])
        found.append((shown(between), shown(between - wide), shown(between + wide)))
    drawn = np.concatenate([np.ravel(found), [shown(0.0)]])
    panel = _frame(name, curves, parts, title, spanning(drawn, label, unit), shares_A)
    panel.level("alike", float(shown(0.0)), colour="soft", dash=(), width=0.8)
    for k, (middle, low, high) in enumerate(found, 1):
        panel.band(f"band{k}", ic, low, high, colour=_style(k)["colour"], shade=0.16)
        panel.curve(f"curve{k}", ic, middle, **_style(k))
    panel.ends([short(p) for p in parts[1:]], [_last(middle) for middle, *_ in found],
               [_style(k)["colour"] for k in range(1, len(parts))])  # fmt: skip
    return panel.canvas


def set_picture(name: str, parts: Sequence[str], curves: Mapping, shares_A) -> Picture:
    """Picture of one set: V_BE of its parts, what they differ by, and the ratio of their gains."""
    columns = [curves_column(parts, curves, shares_A),
               *(compared_column(parts, curves, shares_A, ratio) for ratio in (False, True))]  # fmt: skip
    columns[0].words(5, 12, short(" + ".join(parts), 52), bold=True)
    alt = (f"{', '.join(parts)}: V_BE against collector current, difference of V_BE and ratio of h_FE"
           " with 95 % zones")  # fmt: skip
    return Picture(name, alt, columns)


def _narrow_too(make: Callable) -> Callable:
    """The picture, and the same for a narrow screen."""

    @functools.wraps(make)
    def both(*given, **words) -> Picture:
        wide = make(*given, **words)
        wide.narrow = make(*given, **words, width=_NARROW).columns[0]
        return wide

    return both


@_narrow_too
def imbalance_picture(
    name: str, sets: Sequence[tuple[str, Sequence[Interval]]], words: Sequence[str],
    bars: Sequence[tuple[str, float]], of: str = "Imbalance", axis: str = "imbalance of the currents",
    width: float = 420.0,
) -> Picture:  # fmt: skip
    """Imbalance of every set, or what else it is graded by, with its 95 % interval against the grades' lines.

    Parameters
    ----------
    name : str
    sets : sequence of (str, intervals)
        Name of each set, and its imbalance at each of the operating points [1].
    words : sequence of str
        What the operating points are called, one an interval.
    bars : sequence of (str, float)
        Grade and the imbalance that its interval must stay under [1].
    of, axis : str
        What the sets are graded by, for the title and for the axis.
    width : float
        Of the picture [points].
    """
    row, left = 12.0 * len(words) + 8, 74.0
    bottom = _TOP + row * len(sets)
    canvas = Canvas(bottom + 33, width)
    ends = [it.high for _, items in sets for it in items if isfinite(it.high)]
    top = min(max(1.1 * bars[-1][1], 1.08 * max(ends, default=0.0)), 4 * bars[-1][1])
    x = Scale(0.0, 100 * top, axis, "%")
    y = Scale(-float(len(sets)), 0.0)
    panel = Panel(canvas, "imbalance", _TOP, bottom, x, y, left=left, right=74.0, y_ticks=False)
    title = f"{of} with its 95 % interval, against the lines of the grades"
    fits = LETTER * SIZE * 1.1 * len(title) < width
    canvas.words(5, 12, title if fits else f"{of}, 95 % interval", bold=True)
    ended = float("-inf")
    for grade, bar in bars:
        panel.upright(f"grade{grade}", 100 * bar, colour="out", dash=(5.0, 2.5), width=1.0)
        at, word = float(x.place(100 * bar, panel.left, panel.right)), f"{grade} {percent(bar)}"
        start = max(at - 2.5 * len(word), ended + 5.0)  # names of near lines move aside, never onto another
        canvas.words(start, _TOP - 5, word, colour="out")
        ended = start + 5.0 * len(word)
    for k, (who, items) in enumerate(sets):
        middle = _TOP + row * (k + 0.5)
        canvas.words(left - 5, middle + 3, short(who, 13), anchor="end")
        for j, (word, it) in enumerate(zip(words, items, strict=True)):
            at = middle + 12.0 * (j - (len(words) - 1) / 2)
            low, high, value = (float(x.place(100 * z, panel.left, panel.right))
                                for z in (max(it.low, 0.0) if isfinite(it.low) else 0.0, it.high, it.value))
            more = "" if high <= panel.right else " →"  # without an end too
            high = high if isfinite(high) else panel.right
            colour = _style(2 * j + 1)["colour"] if j else "ink"
            canvas.line([low, min(high, panel.right)], [at, at], id=f"imbalance-bar{k}-{j}", width=1.4,
                        colour=colour)  # fmt: skip
            if isfinite(value) and value <= panel.right:
                canvas.marks([value], [at], "dot" if j == 0 else "square", id=f"imbalance-value{k}-{j}",
                             size=2.0, colour=colour)  # fmt: skip
            canvas.words(panel.right + 4, at + 3, f"{word}{more}", colour=colour)
    said = []
    for who, items in sets[:6]:
        ends = (f"{w} {percent(it.value, 1)}, up to {percent(it.high, 1)}".strip()
                for w, it in zip(words, items, strict=True))  # fmt: skip
        said.append(f"{who}: {', '.join(ends)}")
    start = "imbalance" if of == "Imbalance" else of
    return Picture(name, "; ".join([f"{start} of every set with its 95 % interval", *said]), [canvas])


#: Shape and colour of each verdict, the good ones behind.
_VERDICTS = {
    "good": ("dot", "soft", 1.6), "undecided": ("triangle", "ink", 2.6), "open": ("ring", "fit", 2.6),
    "leaky": ("diamond", "fourth", 2.6), "shorted": ("square", "third", 2.6),
}  # fmt: skip
_MOST_TAGS = 60
#: Above it a resistance is what a fit carries on, no more than nothing seen [ohm].
_UNSEEN_OHM = 1e9


@_narrow_too
def bag_picture(
    name: str, parts: Sequence[str], verdicts: Sequence[str], drop_V: Sequence[float], ohm: Sequence[float],
    absent: int = 0, width: float = 560.0,
) -> Picture:  # fmt: skip
    """A bag at a glance: forward drop near 1 mA against the resistance across the junction, one mark a part.

    Parameters
    ----------
    name : str
    parts, verdicts : sequence of str
        Tag and verdict of each part.
    drop_V, ohm : sequence of float
        Of the junction that decides: its forward drop [V], nan where it carries no current, and what lies
        across it [ohm], nan or infinite where none was seen.
    absent : int
        Parts that were judged by something else and have no place here.
    width : float
        Of the picture [points].
    """
    drop, ohm = np.asarray(drop_V, float), np.asarray(ohm, float)
    words = np.array([str(v) for v in verdicts])
    seen, none = (ohm > 0) & (ohm <= _UNSEEN_OHM), np.isnan(drop)
    low = 10.0 ** np.floor(np.log10(float(ohm[seen].min(initial=100.0)) * 0.8))
    high = max(10.0 ** np.ceil(np.log10(float(ohm[seen].max(initial=1e6)))), 1e6)
    slim = width < 500
    canvas, wide = Canvas(300.0 + 12 * (slim and absent > 0), width), high / low
    top = 1.08 * max(float(drop[~none].max(initial=0.7)), 0.7)
    x = Scale(low, high * wide**0.3, "resistance across the junction that decides", "ohm", True)
    y = Scale(-0.08 * top, 1.2 * top, "forward drop near 1 mA", "V")
    panel = Panel(canvas, "bag", 54, 266, x, y, x_ticks_to=high)
    panel.upright("unseen", high * wide**0.03)
    canvas.words(panel.right - 4, 262 if slim else 62, "none seen", anchor="end", colour="soft")
    if none.any():
        panel.level("nothing", 1.04 * top, colour="soft", dash=(2.5, 2.0), width=0.8)
        row = float(panel.at(low, 1.12 * top)[1])
        canvas.words(panel.left + 4, row + 3, "no forward current", colour="soft")
    px, py = panel.at(np.where(seen, ohm, high * wide**0.06), np.where(none, 1.12 * top, drop))
    told = np.flatnonzero(words != "good")[:_MOST_TAGS]
    placed: list[tuple[float, float]] = []
    for k in told:  # what would lie on another stands beside it, where it has a place of its own no further
        step = 4.0 if seen[k] else 8.0
        while any(abs(px[k] - a) < step and abs(py[k] - b) < 6 for a, b in placed):
            px[k] += step
        placed.append((px[k], py[k]))
    at = 5.0
    for verdict, (shape, colour, size) in _VERDICTS.items():
        if (of := words == verdict).any():
            canvas.marks(px[of], py[of], shape, id=f"bag-{verdict}", colour=colour, size=size)
            canvas.marks([at + 4], [30.0], shape, size=size, colour=colour)
            canvas.words(at + 11, 33, word := f"{of.sum()} {verdict}", colour=colour)
            at += (16 if slim else 24) + 4.9 * len(word)
    canvas.words(5, 12, "Each part by the junction that decides", bold=True)
    if absent:
        said = f"{absent} part{'s' if absent > 1 else ''} judged by other data not shown"
        canvas.words(width - 8, canvas.height - 3 if slim else 12, said, anchor="end", colour="soft")
    goods = zip(px[words == "good"], py[words == "good"], strict=True)
    panel.tags([short(parts[k]) for k in told], px[told], py[told], goods)
    counts = ", ".join(f"{n} {v}" for v in _VERDICTS if (n := int((words == v).sum())))
    alt = f"forward drop near 1 mA against resistance across the junction that decides: {counts}"
    return Picture(name, alt, [canvas])


def shares_picture(name: str, rails: Sequence[tuple], marks_A: Mapping[str, float]) -> Picture:
    """What each device carries of its rail's current against that current.

    Parameters
    ----------
    name : str
    rails : sequence of (str, ndarray (m,), sequence of str, ndarray (m, k))
        Word of the rail, its current [A], the devices, and each one's share [1].
    marks_A : mapping of str to float
        Currents of a rail by their words, such as idle and peak [A].
    """
    columns, said = [], []
    reach = max(0.02, *(float(np.abs(shares - 1 / shares.shape[1]).max()) for *_, shares in rails)) * 115
    for word, total, names, shares in rails:
        canvas = Canvas(_HEIGHT, alt=f"share of each device of the {word}")
        x = Scale(float(total[0]), float(total[-1]) * 1.05, "current of the rail", "A", True)
        equal = 100 / len(names)
        y = Scale(equal - reach, equal + reach, "share of each device", "%")
        panel = Panel(canvas, f"share{len(columns)}", _TOP, _BOTTOM, x, y, word, right=60.0)
        panel.level("equal", equal, colour="soft", dash=(), width=0.8)
        for at_word, at in marks_A.items():
            panel.upright(at_word, at, at_word)
        for k in range(len(names)):
            panel.curve(f"curve{k}", total, 100 * shares[:, k], **_style(k))
        colours = [_style(k)["colour"] for k in range(len(names))]
        panel.ends([short(n) for n in names], 100 * shares[-1], colours)
        columns.append(canvas)
        said += [f"{n} {percent(s[0])} to {percent(s[-1])}" for n, s in zip(names, shares.T, strict=True)]
    columns[0].words(5, 12, "Share of each device against the drive", bold=True)
    return Picture(name, f"share of each device against the drive: {', '.join(said)}", columns)


@_narrow_too
def drops_picture(
    name: str, drops: Sequence, words: Sequence[str] = (), width: float = 460.0
) -> Picture:  # fmt: skip
    """Measured drops across the emitter resistors against what the others say they should be.

    Parameters
    ----------
    name : str
    drops : sequence of DropVerdict
        With ``where``, ``value``, ``expected_V``, ``wanted_V`` and ``verdict``.
    words : sequence of str, optional
        What each verdict is called, where not by its own name.
    width : float
        Of the picture [points].
    """
    words = words or [d.verdict for d in drops]
    row, left, first = 16.0, 122.0, _TOP + 12.0
    bottom = first + row * len(drops)
    canvas = Canvas(bottom + 33, width)
    ends = [z for d in drops for z in (d.value.value, d.wanted_V, d.expected_V.high) if isfinite(z)]
    x = Scale(0.0, 1.08 * max([*ends, 1e-3]), "drop across the emitter resistor", "V")
    y = Scale(-float(len(drops)), 0.0)
    title = "mark measured, bar expected by the others (95 %)"
    panel = Panel(canvas, "drops", _TOP, bottom, x, y, title, left=left, right=98.0, y_ticks=False)
    canvas.words(5, 12, "Measured drops", bold=True)
    if len(wanted := {d.wanted_V for d in drops if isfinite(d.wanted_V)}) == 1:
        panel.upright("wanted", wanted.pop(), "wanted")
    for k, d in enumerate(drops):
        at, fine = first + row * (k + 0.5), d.verdict == "as predicted"
        canvas.words(left - 5, at + 3, short(d.where, 24), anchor="end")
        low, high, value = (float(panel.at(z, 0.0)[0]) for z in (
            max(d.expected_V.low, 0.0), d.expected_V.high, d.value.value))  # fmt: skip
        if isfinite(low) and isfinite(high):
            high = min(high, panel.right)
            canvas.area([low, high, high, low], [at - 4, at - 4, at + 4, at + 4], id=f"drops-expected{k}",
                        colour="fit", shade=0.3)  # fmt: skip
        if isfinite(value):
            canvas.marks([value], [at], "dot" if fine else "diamond", id=f"drops-value{k}", size=2.4,
                         colour="ink" if fine else "out")  # fmt: skip
        canvas.words(panel.right + 4, at + 3, words[k], colour="soft" if fine else "out")
    said = (f"{d.where} {quantity(d.value.value, 'V')}, {word}"
            for d, word in zip(drops, words, strict=True))
    return Picture(name, f"measured drops against expected: {'; '.join(said)}", [canvas])


def safe_area_picture(name: str, alt: str, areas: Mapping, loci: Mapping | None = None) -> Picture:
    """Dc safe areas of types, and load lines of one device against them.

    Parameters
    ----------
    name, alt : str
    areas : mapping of str to (ndarray, ndarray)
        V_CE [V] and the largest dc collector current there [A], by type.
    loci : mapping of str to (ndarray, ndarray), optional
        V_CE [V] and I_C [A] over the conducting half cycle.
    """
    lines = list((loci or areas).values())
    top_v, top_i = (max(float(np.nanmax(line[k])) for line in lines) for k in (0, 1))
    low_v, low_i = (2.0, 0.03 * top_i) if loci else (1.0, min(float(ic[ic > 0].min()) for _, ic in lines) / 2)
    high_i = max([2.0 * top_i, *(1.4 * float(np.nanmax(ic)) for _, ic in areas.values())])
    widest = [float(np.nanmax(v[ic > 0], initial=0.0)) for v, ic in areas.values()]
    high_v = 1.2 * max([1.35 * top_v, *widest])
    canvas = Canvas(_HEIGHT + 55, 360.0)
    x, y = Scale(low_v, high_v, "V_CE", "V", True), Scale(low_i, high_i, "", "A", True)
    panel = Panel(canvas, "areas", _TOP, _BOTTOM + 55, x, y, "collector current", right=96.0)
    canvas.words(5, 12, "Load lines of one device" if loci else "Dc safe areas", bold=True)
    names, heights, colours = [], [], []

    def named(word: str, v, i, colour: str) -> None:
        inside = (i > low_i) & (v < high_v)
        names.append(word)
        heights.append(float(i[inside][-1] if inside.any() else low_i))
        colours.append(colour)

    for k, (word, (vce, ic)) in enumerate((loci or {}).items()):
        shown = ic > 0.01 * top_i  # a logarithmic scale has no zero
        panel.curve(f"load{k}", vce[shown], ic[shown], **_style(k))
        widest = int(np.argmax(vce[shown]))
        named(word, vce[shown][[widest]], ic[shown][[widest]], _style(k)["colour"])
    for k, (word, (vce, ic)) in enumerate(areas.items()):
        style = {**_style(k), "width": 2.0 if k == 0 else 1.2}
        if loci:
            style = {"colour": "out", "width": 1.0, "dash": (2.0 + 3 * k, 2.0)}
        panel.curve(f"area{k}", vce, np.where(ic > 0, ic, 1e-3 * low_i), **style)
        named(f"dc {short(word)}" if loci else short(word), vce[ic > 0], ic[ic > 0], style["colour"])
    panel.ends([short(n, 20) for n in names], heights, colours)
    return Picture(name, alt, [canvas])
