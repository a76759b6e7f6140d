"""Drawings of sweeps and of transistors: functions that take the data and an axes and return the axes.

Called again on the same axes they move the artists that stand there instead of making new ones, which
is what makes a page of many sweeps affordable.  Nothing here touches pyplot or the global settings.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from math import ceil, floor, log10

import numpy as np

from junction.base.number import quantity
from junction.fit.results import SweepPlot, TransistorPlot

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
    inside = _drawn(plot)
    series(axes, "fit", plot.v_fit_V[inside], factor * plot.i_fit_A[inside], **CURVE)
    series(axes, "points", plot.v_V[plot.used], factor * plot.i_A[plot.used], **POINTS)
    series(axes, "left out", plot.v_V[~plot.used], factor * plot.i_A[~plot.used], **_OUT)
    axes.set_xlim(*span(plot.v_V[_forward_part(plot)]))
    axes.set_ylim(*span(factor * plot.i_A))
    label(axes, "linear", "voltage (V)", f"current ({unit})")
    return axes


def draw_log(plot: SweepPlot, axes):
    """Size of the current on a logarithmic scale; reverse currents as open squares.

    Parameters
    ----------
    plot : SweepPlot
    axes : matplotlib Axes

    Returns
    -------
    Axes
    """
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
    """Measured minus fitted, in standard uncertainties, with lines at plus and minus two.

    Parameters
    ----------
    plot : SweepPlot
    axes : matplotlib Axes

    Returns
    -------
    Axes
    """
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


def _forward_part(plot: SweepPlot) -> np.ndarray:
    """Points the linear view frames: not a long reverse branch that carries next to nothing.

    The knee would be squeezed into a corner by it; the logarithmic view shows every point.
    """
    v, size = plot.v_V, np.abs(plot.i_A)
    top = float(v.max(initial=0.0))
    quiet = size[v < 0].max(initial=0.0) < 0.02 * size.max(initial=0.0)
    return v > -0.25 * top if top > 0 and quiet else np.ones(v.shape, bool)


def _drawn(plot: SweepPlot) -> np.ndarray:
    """Points of the fitted curve inside the frame the measured currents set (a curve may run far out)."""
    low, high = span(plot.i_A, 0.06)
    return (plot.i_fit_A >= low) & (plot.i_fit_A <= high)


def draw_vbe(plot: TransistorPlot, axes):
    """V_BE against collector current: points and fitted curve.

    Parameters
    ----------
    plot : TransistorPlot
    axes : matplotlib Axes

    Returns
    -------
    Axes
    """
    shown = np.isfinite(plot.vbe_V) & (plot.ic_A > 0)
    _collector_axis(plot, axes)
    series(axes, "fit", plot.ic_fit_A, plot.vbe_fit_V, **CURVE)
    series(axes, "points", plot.ic_A[shown], plot.vbe_V[shown], **POINTS)
    axes.set_ylim(*span(np.r_[plot.vbe_V[shown], plot.vbe_fit_V]))
    label(axes, "base-emitter voltage", "collector current", "V_BE (V)")
    return axes


def draw_hfe(plot: TransistorPlot, axes):
    """h_FE against collector current: points, fitted curve and its 95 % band.

    Parameters
    ----------
    plot : TransistorPlot
    axes : matplotlib Axes

    Returns
    -------
    Axes
    """
    shown = np.isfinite(plot.hfe)
    _collector_axis(plot, axes)
    series(axes, "fit", plot.ic_fit_A, plot.hfe_fit, **CURVE)
    for name, edge in (("low", plot.hfe_low), ("high", plot.hfe_high)):
        series(axes, name, plot.ic_fit_A, edge, color=FIT, linewidth=0.7, linestyle=(0, (4, 3)))
    series(axes, "points", plot.ic_A[shown], plot.hfe[shown], **POINTS)
    axes.set_ylim(0.0, 1.15 * float(np.nanmax(np.r_[plot.hfe[shown], plot.hfe_fit, 1.0])))
    label(axes, "current gain (dashed: 95 %)", "collector current", "h_FE")
    return axes


def _collector_axis(plot: TransistorPlot, axes) -> None:
    """Logarithmic axis of collector current with ticks at decades."""
    lit = plot.ic_A[plot.ic_A > 0]
    low, high = (float(lit.min()), float(lit.max())) if lit.size else (1e-6, 1e-3)
    bottom = floor(log10(low))
    _decades(axes, "x", bottom, max(ceil(log10(high)), bottom + 1), 4)
    axes.set_xlim(low * 0.8, high * 1.25)


class Sheets:
    """Axes that are drawn on again and again; `views`: name -> (drawing, array it cannot do without)."""

    views: dict[str, tuple[Callable, str]]

    def __init__(self) -> None:
        self._axes = {name: new_axes() for name in self.views}

    def svgs(self, plot: SweepPlot | TransistorPlot) -> dict[str, str]:
        """SVG text of each view that the points allow."""
        return {
            name: svg_text(draw(plot, self._axes[name]).figure)
            for name, (draw, needed) in self.views.items()
            if np.isfinite(getattr(plot, needed)).any()
        }


class SweepSheets(Sheets):
    """Views of sweeps; without a fit there are no residuals."""

    views = {
        "linear": (draw_linear, "v_V"), "logarithmic": (draw_log, "v_V"),
        "residuals": (draw_residuals, "residual"),
    }  # fmt: skip


class TransistorSheets(Sheets):
    """Views of transistors."""

    views = {
        "V_BE against collector current": (draw_vbe, "vbe_V"),
        "h_FE against collector current": (draw_hfe, "hfe"),
    }


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
