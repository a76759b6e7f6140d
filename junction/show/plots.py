"""Drawings of sweeps, transistors and matched sets: functions of data and an axes, which they return.

Those of sweeps and transistors, called again on the same axes, move the artists that stand there instead
of making new ones, which is what makes a page of many sweeps affordable.  Nothing here touches pyplot or
the global settings.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from functools import partial
from itertools import cycle
from math import ceil, floor, log10

import numpy as np

from junction.base.units import NORMAL_95, quantity
from junction.sweeps.results import SweepPlot, TransistorPlot

INK, SOFT, FIT, LEFT_OUT = "#1d2430", "#8a93a0", "#2c4a6e", "#a0683a"
FIGURE_INCHES = (3.5, 2.6)
_TEXT = 8.0


def new_axes():
    """A fresh figure of its own with one axes, in the size the page uses."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    axes = Figure(figsize=FIGURE_INCHES, facecolor="none").add_axes((0.17, 0.17, 0.79, 0.73))
    axes.set_facecolor("none")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set(color=SOFT, linewidth=0.8)
    axes.tick_params(labelsize=_TEXT - 1, colors=INK, length=3, width=0.6, color=SOFT)
    axes.grid(True, color="#e3e6ea", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.xaxis.set_major_locator(MaxNLocator(5))
    axes.yaxis.set_major_locator(MaxNLocator(6))
    return axes


def series(axes, name: str, x, y, **style):
    """Line `name` of an axes, made on the first call and moved on later ones."""
    for line in axes.lines:
        if line.get_gid() == name:
            line.set_data(x, y)
            return line
    (line,) = axes.plot(x, y, gid=name, **style)
    return line


def label(axes, title: str, x: str, y: str) -> None:
    """Title at the left and the names of both axes."""
    axes.set_title(title, fontsize=_TEXT, color=INK, loc="left", pad=4)
    axes.set_xlabel(x, fontsize=_TEXT, color=INK, labelpad=2)
    axes.set_ylabel(y, fontsize=_TEXT, color=INK, labelpad=2)


def span(values: np.ndarray, pad: float = 0.05) -> tuple[float, float]:
    """Lowest and highest finite value, with a margin; never of no width."""
    values = values[np.isfinite(values)]
    if not values.size:
        return -1.0, 1.0
    low, high = float(values.min()), float(values.max())
    margin = pad * (high - low) or 0.05 * abs(high) or 1.0
    return low - margin, high + margin


def current_scale(i_A: np.ndarray) -> tuple[float, str]:
    """Factor and unit in which the largest of some currents [A] reads as 1 to 1000."""
    size = float(np.max(np.abs(i_A), initial=0.0))
    for power, unit in ((0, "A"), (-3, "mA"), (-6, "µA"), (-9, "nA"), (-12, "pA")):
        if size >= 10.0**power:
            return 10.0**-power, unit
    return 1e15, "fA"


POINTS = dict(
    marker="o", markersize=3.2, linestyle="none", markerfacecolor="none", color=INK, markeredgewidth=0.8
)
_OUT = dict(marker="x", markersize=3.6, linestyle="none", color=LEFT_OUT, markeredgewidth=0.9)
CURVE = dict(color=FIT, linewidth=1.2)
_ZERO = dict(color=FIT, linewidth=1.0)
_BAND = dict(color=SOFT, linewidth=0.8, linestyle=(0, (4, 3)))


def draw_linear(plot: SweepPlot, axes):
    """Current against voltage on linear scales: points, points left out, fitted curve.

    Parameters
    ----------
    plot : SweepPlot
    axes : matplotlib Axes

    Returns
    -------
    Axes
    """
    factor, unit = current_scale(plot.i_A)
    low, high = span(plot.i_A, 0.06)
    inside = (plot.i_fit_A >= low) & (plot.i_fit_A <= high)  # a curve may run far out
    series(axes, "fit", plot.v_fit_V[inside], factor * plot.i_fit_A[inside], **CURVE)
    series(axes, "points", plot.v_V[plot.used], factor * plot.i_A[plot.used], **POINTS)
    series(axes, "left out", plot.v_V[~plot.used], factor * plot.i_A[~plot.used], **_OUT)
    # a long reverse branch that carries next to nothing is not framed: it would squeeze the knee into a
    # corner, and the logarithmic view shows every point
    top, size = float(plot.v_V.max(initial=0.0)), np.abs(plot.i_A)
    quiet = size[plot.v_V < 0].max(initial=0.0) < 0.02 * size.max(initial=0.0)
    axes.set_xlim(*span(plot.v_V[plot.v_V > -0.25 * top] if top > 0 and quiet else plot.v_V))
    axes.set_ylim(*span(factor * plot.i_A))
    label(axes, "linear", "voltage (V)", f"current ({unit})")
    return axes


def draw_log(plot: SweepPlot, axes):
    """Size of the current on a logarithmic scale; reverse currents as open squares."""
    size = np.abs(plot.i_A)
    forward = plot.used & (plot.i_A > 0)
    reverse = plot.used & (plot.i_A < 0)
    out = ~plot.used & (size > 0)
    seen = size[size > 0]
    low, high = (float(seen.min()), float(seen.max())) if seen.size else (1e-12, 1e-3)
    bottom, top = floor(log10(low)), ceil(log10(high) + 1e-9)
    top = max(top, bottom + 1)
    _decades(axes, "y", bottom, top, 6)
    lit = np.abs(plot.i_fit_A) > 0
    series(axes, "fit", plot.v_fit_V[lit], np.abs(plot.i_fit_A[lit]), **CURVE)
    series(axes, "points", plot.v_V[forward], size[forward], **POINTS)
    series(axes, "reverse", plot.v_V[reverse], size[reverse], **{**POINTS, "marker": "s"})
    series(axes, "left out", plot.v_V[out], size[out], **_OUT)
    axes.set_ylim(10.0**bottom * 0.7, 10.0**top)
    axes.set_xlim(*span(plot.v_V))
    label(axes, "logarithmic (squares: reverse)" if reverse.any() else "logarithmic", "voltage (V)",
           "size of current")  # fmt: skip
    return axes


def _decades(axes, which: str, bottom: int, top: int, most: int) -> None:
    """Logarithmic axis of currents [A], ``x`` or ``y``, with about `most` ticks at decades."""
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

    axis = getattr(axes, f"{which}axis")
    if axis.get_scale() != "log":
        axes.set(**{f"{which}scale": "log"})
    ticks = [10.0**k for k in range(bottom, top + 1, max(1, ceil((top - bottom) / most)))]
    axis.set_major_locator(FixedLocator(ticks))
    axis.set_major_formatter(FixedFormatter([quantity(x, "A", 1) for x in ticks]))
    axis.set_minor_locator(NullLocator())


def draw_residuals(plot: SweepPlot, axes):
    """Measured minus fitted, in standard uncertainties, with lines at plus and minus two."""
    v_span = span(plot.v_V)
    shown = np.isfinite(plot.residual)
    for level in (-2.0, 0.0, 2.0):
        style = _ZERO if level == 0 else _BAND
        series(axes, f"level {level:g}", v_span, (level, level), **style)
    series(axes, "residual", plot.v_V[shown], plot.residual[shown], **POINTS)
    reach = max(3.5, 1.15 * float(np.max(np.abs(plot.residual[shown]), initial=0.0)))
    axes.set_xlim(*v_span)
    axes.set_ylim(-reach, reach)
    label(axes, "measured - fitted (dashed: 2 u)", "voltage (V)", "in standard uncertainties u")
    return axes


def draw_transistor(plot: TransistorPlot, axes, gain: bool):
    """V_BE, or h_FE with its 95 % band, against collector current: points and fitted curve."""
    measured, fitted = (plot.hfe, plot.hfe_fit) if gain else (plot.vbe_V, plot.vbe_fit_V)
    shown, lit = np.isfinite(measured) & (plot.ic_A > 0), plot.ic_A[plot.ic_A > 0]
    low, high = (float(lit.min()), float(lit.max())) if lit.size else (1e-6, 1e-3)
    bottom = floor(log10(low))
    _decades(axes, "x", bottom, max(ceil(log10(high)), bottom + 1), 4)
    axes.set_xlim(low * 0.8, high * 1.25)
    series(axes, "fit", plot.ic_fit_A, fitted, **CURVE)
    for name, edge in (("low", plot.hfe_low), ("high", plot.hfe_high)) if gain else ():
        series(axes, name, plot.ic_fit_A, edge, color=FIT, linewidth=0.7, linestyle=(0, (4, 3)))
    series(axes, "points", plot.ic_A[shown], measured[shown], **POINTS)
    drawn = np.r_[measured[shown], fitted]
    axes.set_ylim(*((0.0, 1.15 * float(np.nanmax(np.r_[drawn, 1.0]))) if gain else span(drawn)))
    title, y = ("current gain (dashed: 95 %)", "h_FE") if gain else ("base-emitter voltage", "V_BE (V)")
    label(axes, title, "collector current", y)
    return axes


#: By kind of data: name of a view -> (drawing, array it cannot do without).
VIEWS = {
    SweepPlot: {
        "linear": (draw_linear, "v_V"), "logarithmic": (draw_log, "v_V"),
        "residuals": (draw_residuals, "residual"),
    },
    TransistorPlot: {
        "V_BE against collector current": (partial(draw_transistor, gain=False), "vbe_V"),
        "h_FE against collector current": (partial(draw_transistor, gain=True), "hfe"),
    },
}  # fmt: skip


class Sheets:
    """Axes that are drawn on again and again, one a view."""

    def __init__(self) -> None:
        self._axes: dict = {}

    def svgs(self, plot: SweepPlot | TransistorPlot) -> dict[str, str]:
        """SVG text of each view that the points allow; without a fit there are no residuals."""
        found = {}
        for name, (draw, needed) in VIEWS[type(plot)].items():
            if np.isfinite(getattr(plot, needed)).any():
                self._axes[name] = draw(plot, self._axes.get(name) or new_axes())
                found[name] = svg_text(self._axes[name].figure)
        return found


def svg_text(figure) -> str:
    """A figure as SVG, the same text for the same drawing, letters kept as letters."""
    from matplotlib import rc_context

    buffer = io.StringIO()
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": "junction", "path.simplify": True}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    # a marker's style is said once, with its definition, and a hundredth of a point is fine enough
    said = dict(re.findall(r'<use xlink:href="#(\w+)"[^>]*? style="([^"]*)"', text))
    for marker, style in said.items():
        text = re.sub(rf'(<path id="{marker}"[^>]*?style=")', rf"\g<1>{style}; ", text)
    text = re.sub(r'(<use xlink:href="#\w+"[^>]*?) style="[^"]*"', r"\1", text)
    return re.sub(r' (?:x|y|d)="[^"]*"', lambda m: re.sub(r"(\.\d\d)\d+", r"\1", m.group()), text)


#: Line styles for the parts of a set, told apart without colour.
_STYLES = (
    dict(color=INK, linestyle="-"), dict(color=FIT, linestyle=(0, (6, 2))),
    dict(color=LEFT_OUT, linestyle="-."), dict(color=SOFT, linestyle=":"),
    dict(color=INK, linestyle=(0, (1, 1))), dict(color=FIT, linestyle="-"),
)  # fmt: skip


def _plain_numbers(*axes) -> None:
    """Plain numbers on logarithmic axes."""
    from matplotlib.ticker import FuncFormatter, NullFormatter

    for axis in axes:
        axis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
        axis.set_minor_formatter(NullFormatter())


def _frame(axes, curves: Mapping, parts: Sequence[str], title: str, y: str, shares_A) -> None:
    """The whole range of currents, with idle and peak; where no part's data speak, the picture says so."""
    ic = curves["ic_A"]
    axes.set_xscale("log")
    _plain_numbers(axes.xaxis)
    axes.set_xlim(ic[0], ic[-1])
    label(axes, title, "collector current (A)", y)
    words = dict(fontsize=6.5, color=SOFT)
    for at, word in zip(shares_A, ("idle", "peak"), strict=True):
        axes.axvline(at, color=SOFT, linewidth=0.7, linestyle=(0, (2, 2)))
        axes.annotate(word, (at, 1.0), xycoords=("data", "axes fraction"), xytext=(2, -8),
                      textcoords="offset points", **words)  # fmt: skip
    known = np.isfinite(curves["vbe_V"][[curves["rows"][name] for name in parts]]).any(axis=0)
    if not known.any():
        axes.text(0.5, 0.5, "no data here", transform=axes.transAxes, ha="center", **words)
    elif ic[known][-1] < ic[-1] / 1.5:
        middle = np.sqrt(ic[known][-1] * ic[-1])
        axes.annotate("no data", (middle, 0.5), xycoords=("data", "axes fraction"), ha="center", **words)


def _short(name: str) -> str:
    return name if len(name) <= 14 else name[:13] + "…"


def draw_curves(parts: Sequence[str], curves: Mapping, shares_A, axes):
    """V_BE of every part against its collector current.

    Parameters
    ----------
    parts : sequence of str
        Parts of the set.
    curves : mapping
        As `junction.sets.match.curves_on_grid` gives them.
    shares_A : (float, float)
        A device's share at idle and at the peak [A].
    axes : matplotlib Axes

    Returns
    -------
    Axes
    """
    for name, style in zip(parts, cycle(_STYLES), strict=False):
        axes.plot(curves["ic_A"], curves["vbe_V"][curves["rows"][name]], linewidth=1.2, label=_short(name),
                  **style)  # fmt: skip
    axes.legend(fontsize=6.5, frameon=False, loc="upper left", handlelength=2.2, borderaxespad=0.8)
    title = f"V_BE at V_CE {curves['vce_V']:.0f} V, {curves['temp_C']:.0f} °C"
    _frame(axes, curves, parts, title, "V_BE (V)", shares_A)
    return axes


def draw_compared(parts: Sequence[str], curves: Mapping, shares_A, axes, ratio: bool):
    """What every further part has beside the first, with its 95 % band; as `draw_curves`.

    ``ratio``: the ratio of h_FE, else the difference of V_BE in mV.
    """
    ic, (first, *others) = curves["ic_A"], (curves["rows"][name] for name in parts)
    if ratio:  # the difference of logarithms
        values, u, shown = np.log(curves["hfe"]), curves["u_hfe"] / curves["hfe"], np.exp
        title, unit, sign = "ratio of h_FE, 95 % band", "ratio", "/"
    else:
        values, u, shown = 1000 * curves["vbe_V"], 1000 * curves["u_vbe_V"], np.positive
        title, unit, sign = "difference of V_BE, 95 % band", "mV", "-"
    for row, name, style in zip(others, parts[1:], cycle(_STYLES[1:] + _STYLES[:1]), strict=False):
        between, wide = values[row] - values[first], NORMAL_95 * np.hypot(u[row], u[first])
        middle, low, high = shown(between), shown(between - wide), shown(between + wide)
        axes.plot(ic, middle, linewidth=1.2, label=f"{_short(name)} {sign} {_short(parts[0])}", **style)
        known = np.isfinite(low) & np.isfinite(high)
        # one polygon: a collection would lose its style when the SVG is made small
        axes.fill(np.r_[ic[known], ic[known][::-1]], np.r_[low[known], high[known][::-1]],
                  facecolor=style["color"], alpha=0.14, linewidth=0, gid="band")  # fmt: skip
    axes.axhline(shown(0.0), color=SOFT, linewidth=0.8)
    axes.legend(fontsize=6.5, frameon=False, loc="best", handlelength=2.2)
    _frame(axes, curves, parts, title, unit, shares_A)
    return axes


def set_pictures(parts: Sequence[str], curves: Mapping, shares_A) -> dict[str, str]:
    """SVG text of the three pictures of one set, by what they show; as `draw_curves`."""
    draws = {
        "V_BE of the parts against current": draw_curves,
        "difference of V_BE": partial(draw_compared, ratio=False),
        "ratio of h_FE": partial(draw_compared, ratio=True),
    }  # fmt: skip
    return {alt: svg_text(draw(parts, curves, shares_A, new_axes()).figure) for alt, draw in draws.items()}


def draw_safe_areas(areas, axes, loci: Mapping | None = None):
    """Dc safe areas of types, and load lines of one device against them.

    Parameters
    ----------
    areas : mapping of str to (ndarray, ndarray)
        V_CE [V] and the largest dc collector current there [A], by type.
    axes : matplotlib Axes
    loci : mapping of str to (ndarray, ndarray), optional
        V_CE [V] and I_C [A] over the conducting half cycle.

    Returns
    -------
    Axes
    """
    lines = list((loci or areas).values())
    top_v, top_i = (max(float(np.nanmax(line[k])) for line in lines) for k in (0, 1))
    low_v, low_i = 1.0, min(float(ic[ic > 0].min()) for _, ic in lines) / 2
    for (name, (vce, ic)), style in zip((loci or {}).items(), cycle(_STYLES), strict=False):
        shown = ic > 0.01 * top_i  # a logarithmic scale has no zero
        axes.plot(vce[shown], ic[shown], linewidth=1.2, label=name, **style)
        low_v, low_i = 2.0, 0.03 * top_i
    for k, (name, (vce, ic)) in enumerate(areas.items()):
        style = dict(color=LEFT_OUT, linewidth=0.9, linestyle=(0, (2 + 3 * k, 2)),
                     label=f"dc safe area, {_short(name)}")  # fmt: skip
        if not loci:
            style = dict(linewidth=2.0 if k == 0 else 1.2, label=_short(name), **_STYLES[k % len(_STYLES)])
        axes.plot(vce, np.where(ic > 0, ic, 1e-3 * low_i), **style)
    from matplotlib.ticker import LogLocator

    high_i = max([2.0 * top_i, *(1.4 * float(np.nanmax(ic)) for _, ic in areas.values())])
    high_v = max([1.35 * top_v, *(float(np.nanmax(v[ic > 0], initial=0.0)) for v, ic in areas.values())])
    axes.set(xscale="log", yscale="log", xlim=(low_v, 1.2 * high_v), ylim=(low_i, high_i))
    _plain_numbers(axes.xaxis, axes.yaxis)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(LogLocator(10, subs=(1.0, 2.0, 5.0)))
    axes.legend(fontsize=6.5, frameon=False, loc="lower left", handlelength=2.2)
    title = "load lines of one device" if loci else "dc safe areas"
    label(axes, title, "V_CE (V)", "collector current (A)")
    return axes
