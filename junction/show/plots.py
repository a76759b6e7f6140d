"""Pictures of one sweep and of one transistor's curves: data in, columns of shapes out.

A picture of a sweep has the forward branch in linear and in logarithmic view on one axis of voltage, the
reverse branch on a scale of its own with the limit it is held to, and what the fit leaves over, by point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan

import numpy as np

from junction.base.records import spelled
from junction.base.units import NORMAL_95, nominal, quantity
from junction.show.canvas import Canvas, Picture
from junction.show.panel import Panel, Scale, short, spanning
from junction.sweeps.results import SweepPlot, TransistorPlot

_DASHED = dict(dash=(4.0, 2.5), width=0.8)
#: Where the limit (or the usual current) is further than this from the largest, the reverse scale is
#: logarithmic.
_LOG_FROM = 20.0


@dataclass(frozen=True)
class Around:
    """What a picture of a sweep says beside its points: date, and lines of words for each branch.

    ``breakdown_V`` is where the fit puts it, without its sign; ``temp_taken``: the temperature was not
    measured.
    """

    date: str = ""
    forward: Sequence[str] = ()
    reverse: Sequence[str] = ()
    breakdown_V: float = nan
    temp_taken: bool = False


def heading(canvas: Canvas, name: str, about: Sequence[str]) -> None:
    """The first line of a picture: whose it is, and at the right end what goes with it."""
    canvas.words(5, 12, short(name, 24), bold=True)
    canvas.words(canvas.width - 8, 12, " · ".join(filter(None, about)), anchor="end", colour="soft")


def sweep_columns(plot: SweepPlot, around: Around | None = None) -> list[Canvas]:
    """Columns of the picture of one sweep: forward branch, then reverse branch and residuals.

    Parameters
    ----------
    plot : SweepPlot
    around : Around, optional

    Returns
    -------
    list of Canvas
        One where the sweep has neither a reverse branch nor residuals.
    """
    a = around or Around()
    temp = str(nominal(plot.temp_C, "degC")) if isfinite(plot.temp_C) else ""
    temp += " taken" if a.temp_taken and temp else ""
    forward, backward = plot.v_V >= 0, plot.v_V < 0
    columns: list[Canvas] = []
    if forward.any() and (plot.v_V > 0).any():
        columns.append(_forward(plot, a))
    residual = np.isfinite(plot.residual).any()
    if backward.any() or residual or not columns:
        shown = ["reverse current"] * bool(backward.any()) + ["residuals by point"] * bool(residual)
        second = Canvas(350.0, alt=f"{plot.part} {spelled(plot.junction)}: {' and '.join(shown)}")
        if backward.any() or not columns:
            _reverse(second, plot, a, 150 if residual else 320)
        if residual:
            _residuals(second, plot, 205 if backward.any() else 40)
        columns.append(second)
    heading(columns[0], f"{plot.part} {spelled(plot.junction)}", (short(plot.type, 16), temp, a.date))
    if len(columns) > 1:
        said = "dots used, crosses left out" if not plot.used.all() else ""
        said = "; ".join(filter(None, (said, "bars and band 95 %" if plot.v_fit_V.size else "")))
        columns[1].words(columns[1].width - 8, 12, said, anchor="end", colour="soft")
    return columns


def _drawn(panel: Panel, plot: SweepPlot, v, i, low, high, where, sign: float = 1.0) -> None:
    """Band, curve, bars and points of a part of a sweep, turned by `sign`."""
    keep = np.isfinite(v)
    panel.band("band", v[keep], low[keep], high[keep])
    panel.curve("fit", v[keep], i[keep])
    used, out = where & plot.used, where & ~plot.used
    x, y = sign * plot.v_V, sign * plot.i_A
    if plot.u_A is not None:
        far = NORMAL_95 * plot.u_A
        known = used & np.isfinite(far)
        panel.bars("bars", x[known], y[known] - far[known], y[known] + far[known])
    panel.points("points", x[used], y[used])
    if out.any():
        panel.points("out", x[out], y[out], "cross", colour="out", size=2.2)
    if panel.y.log and (lost := used & ~(y > 0)).any():  # no place on a logarithmic scale: at its lower edge
        panel.points("below", x[lost], np.full(lost.sum(), panel.y.low * 1.04), "below", size=2.0)


def _fitted(plot: SweepPlot, sign: float, inside) -> tuple[np.ndarray, ...]:
    """Fitted curve and band over a part of the sweep, turned by `sign`."""
    ends = (plot.fit_low_A, plot.fit_high_A)
    known = ends[0] is not None and ends[0].size == plot.v_fit_V.size
    low, high = ends if known else (np.full(plot.v_fit_V.size, nan),) * 2
    low, high = (low, high) if sign > 0 else (high, low)
    keep = inside(plot.v_fit_V) if plot.v_fit_V.size else np.zeros(0, bool)
    return tuple(sign * np.asarray(z)[keep] for z in (plot.v_fit_V, plot.i_fit_A, low, high))


def _forward(plot: SweepPlot, a: Around) -> Canvas:
    where = plot.v_V >= 0
    v, i = plot.v_V[where], plot.i_A[where]
    canvas, x = Canvas(350.0), spanning(v, "forward voltage", "V", pad=0.03)
    curve = _fitted(plot, 1.0, lambda v: v >= 0)
    y = spanning(i, "current", "A", pad=0.06)
    linear = Panel(canvas, "linear", 40, 168, x, y, "linear", x_ticks=False)
    _drawn(linear, plot, *curve, where)
    linear.notes(a.forward)
    log = Panel(canvas, "log", 190, 318, x, spanning(i, "current", "A", log=True), "logarithmic")
    _drawn(log, plot, *curve, where)
    return canvas


def _reverse(canvas: Canvas, plot: SweepPlot, a: Around, bottom: float) -> None:
    where = plot.v_V < 0
    if not where.any():  # a sweep that never left zero
        where = np.ones(plot.v_V.size, bool)
    i = -plot.i_A[where]
    high = float(np.nanmax(i, initial=0.0))
    usual = plot.limit_A if isfinite(plot.limit_A) else float(np.median(np.abs(i)))
    log = high > 0 and usual > 0 and not 1 / _LOG_FROM < usual / high < _LOG_FROM
    x = spanning(-plot.v_V[where], "reverse voltage", "V", pad=0.03)
    y = spanning(np.append(i, plot.limit_A), "reverse current", "A", log=log, pad=0.08)
    panel = Panel(canvas, "reverse", 40, bottom, x, y, "")
    _drawn(panel, plot, *_fitted(plot, -1.0, lambda v: v < 0), where, -1.0)
    if isfinite(plot.limit_A):
        words = f"limit {nominal(plot.limit_A, 'A')} at {nominal(plot.limit_V, 'V')}"
        panel.level("limit", plot.limit_A, words)
    if isfinite(a.breakdown_V) and x.low < a.breakdown_V < x.high:
        panel.upright("breakdown", a.breakdown_V)
    panel.notes(a.reverse)


def _residuals(canvas: Canvas, plot: SweepPlot, top: float) -> None:
    shown = np.isfinite(plot.residual)
    reach = max(3.5, 1.15 * float(np.abs(plot.residual[shown]).max()))
    number = np.arange(1.0, plot.v_V.size + 1)
    panel = Panel(canvas, "residuals", top, 318, Scale(0, number[-1] + 1, "point, in the order measured"),
                  Scale(-reach, reach), "measured less fitted, in standard uncertainties u")  # fmt: skip
    for value in (-2.0, 2.0):
        panel.level(f"level{value:+g}", value, "2 u" if value > 0 else "", colour="soft", **_DASHED)
    panel.level("level0", 0.0, colour="fit", dash=())
    panel.points("points", number[shown], plot.residual[shown])


def sweep_picture(name: str, plot: SweepPlot, around: Around | None = None) -> Picture:
    """Picture of one sweep; its alternative text says what is in it."""
    a, columns = around or Around(), sweep_columns(plot, around)
    limit = ""
    if isfinite(plot.limit_A):
        limit = f"limit {nominal(plot.limit_A, 'A')} at {nominal(plot.limit_V, 'V')}"
    ends = f"{quantity(plot.v_V.min(), 'V')} to {quantity(plot.v_V.max(), 'V')}"
    what = [f"{plot.part} {spelled(plot.junction)}: {plot.v_V.size} points from {ends}",
            "with the fitted curve" if plot.v_fit_V.size else "no fit",
            *a.forward, *a.reverse, limit]  # fmt: skip
    return Picture(name, "; ".join(filter(None, what)), columns)


def transistor_picture(
    name: str, part: str, plot: TransistorPlot, about: Sequence[str] = ()
) -> Picture | None:
    """Picture of one transistor: currents against V_BE, gain against I_C, and I_C against V_CE where swept.

    Each with the 95 % band of the fit.

    Parameters
    ----------
    name : str
        Stem of its file.
    part : str
    plot : TransistorPlot
    about : sequence of str
        Type, temperature, date.
    """
    columns = [draw(plot) for draw, needed in ((_gummel, "vbe_V"), (_gain, "hfe"), (_family, "family"))
               if _any(getattr(plot, needed))]  # fmt: skip
    if not columns:
        return None
    heading(columns[0], part, about)
    for column in columns:
        column.alt = f"{part}: {column.alt}"
    words = f"{part}: collector and base current against V_BE, gain against collector current"
    return Picture(name, words + (", collector current against V_CE" if plot.family else ""), columns)


def _any(values) -> bool:
    return bool(values) if isinstance(values, tuple) else bool(np.isfinite(values).any())


def _gummel(plot: TransistorPlot) -> Canvas:
    canvas, lit = Canvas(250.0, alt="collector and base current against V_BE"), plot.ic_A > 0
    ib = plot.ib_A if plot.ib_A is not None else np.full(plot.ic_A.shape, nan)
    x = spanning(plot.vbe_V, "V_BE", "V", pad=0.03)
    seen = np.concatenate([plot.ic_A[lit], ib[ib > 0]])
    y = spanning(seen, "", "A", log=True)
    panel = Panel(canvas, "gummel", 40, 218, x, y, "collector and base current", right=24)
    ends = []
    with np.errstate(divide="ignore", invalid="ignore"):
        curves = (("ic", plot.ic_fit_A, "I_C", "fit"), ("ib", plot.ic_fit_A / plot.hfe_fit, "I_B", "out"))
        for id_, current, word, colour in curves:
            if not np.isfinite(current * plot.vbe_fit_V).any():
                continue
            if plot.vbe_low_V is not None:  # the band lies across: V_BE is what is unsure at a current
                known = np.isfinite(plot.vbe_low_V) & np.isfinite(current)
                px = np.r_[plot.vbe_low_V[known], plot.vbe_high_V[known][::-1]]
                panel.region(f"{id_}-band", px, np.r_[current[known], current[known][::-1]], colour=colour)
            panel.curve(f"{id_}-fit", plot.vbe_fit_V, current, colour=colour)
            ends.append((word, current[np.isfinite(current)][-1], colour))
    panel.points("ic", plot.vbe_V[lit], plot.ic_A[lit])
    panel.points("ib", plot.vbe_V[ib > 0], ib[ib > 0], "square", size=1.4)
    if ends:
        panel.ends(*zip(*ends, strict=True))
    return canvas


def _gain(plot: TransistorPlot) -> Canvas:
    canvas = Canvas(250.0, alt="gain against collector current with its 95 % band")
    shown = np.isfinite(plot.hfe) & (plot.ic_A > 0)
    top = 1.15 * float(np.nanmax(np.concatenate([plot.hfe[shown], plot.hfe_fit, [1.0]])))
    x = spanning(plot.ic_A[plot.ic_A > 0], "collector current", "A", log=True)
    panel = Panel(canvas, "gain", 40, 218, x, Scale(0.0, top, "h_FE"), "current gain with its 95 % band")
    panel.band("band", plot.ic_fit_A, plot.hfe_low, plot.hfe_high)
    panel.curve("fit", plot.ic_fit_A, plot.hfe_fit)
    panel.points("points", plot.ic_A[shown], plot.hfe[shown])
    return canvas


def _family(plot: TransistorPlot) -> Canvas:
    """Collector current against V_CE at each V_BE that was swept, as fitted and as measured."""
    canvas = Canvas(250.0, alt=f"collector current against V_CE, {plot.early}".removesuffix(", "))
    every = [np.concatenate([line["vce_V"] for line in plot.family]),
             np.concatenate([line["ic_A"] for line in plot.family])]  # fmt: skip
    x = spanning(np.append(every[0], 0.0), "V_CE", "V", pad=0.03)
    panel = Panel(canvas, "family", 40, 218, x, spanning(np.append(every[1], 0.0), "collector current", "A"),
                  plot.early, right=66)  # fmt: skip
    for k, line in enumerate(plot.family):
        if "vce_fit_V" in line:
            panel.curve(f"fit{k}", line["vce_fit_V"], line["ic_fit_A"])
        panel.points(f"points{k}", line["vce_V"], line["ic_A"])
    panel.ends([line["at"] for line in plot.family], [float(line["ic_A"][-1]) for line in plot.family],
               ["soft"] * len(plot.family))  # fmt: skip
    return canvas
