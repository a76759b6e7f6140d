"""Drawings of a transistor's curves: V_BE and h_FE against collector current."""

from __future__ import annotations

from math import ceil, floor, log10

import numpy as np

from junction.base.number import quantity
from junction.fit.results import TransistorPlot
from junction.show.plots import CURVE, FIT, POINTS, label, new_axes, series, span, svg_text


def _current_axis(plot: TransistorPlot, axes) -> None:
    """Logarithmic axis of collector current with ticks at decades."""
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

    if axes.get_xscale() != "log":
        axes.set_xscale("log")
    lit = plot.ic_A[plot.ic_A > 0]
    low, high = (float(lit.min()), float(lit.max())) if lit.size else (1e-6, 1e-3)
    bottom, top = floor(log10(low)), max(ceil(log10(high)), floor(log10(low)) + 1)
    step = max(1, ceil((top - bottom) / 4))
    ticks = [10.0**k for k in range(bottom, top + 1, step)]
    axes.set_xlim(low * 0.8, high * 1.25)
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_major_formatter(FixedFormatter([quantity(x, "A", 1) for x in ticks]))
    axes.xaxis.set_minor_locator(NullLocator())


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
    _current_axis(plot, axes)
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
    _current_axis(plot, axes)
    series(axes, "fit", plot.ic_fit_A, plot.hfe_fit, **CURVE)
    for name, edge in (("low", plot.hfe_low), ("high", plot.hfe_high)):
        series(axes, name, plot.ic_fit_A, edge, color=FIT, linewidth=0.7, linestyle=(0, (4, 3)))
    series(axes, "points", plot.ic_A[shown], plot.hfe[shown], **POINTS)
    top = 1.15 * float(np.nanmax(np.r_[plot.hfe[shown], plot.hfe_fit, 1.0]))
    axes.set_ylim(0.0, top)
    label(axes, "current gain (dashed: 95 %)", "collector current", "h_FE")
    return axes


class TransistorSheets:
    """Two axes that are drawn on again and again, part after part."""

    def __init__(self) -> None:
        self._vbe, self._hfe = new_axes(), new_axes()

    def svgs(self, plot: TransistorPlot) -> dict[str, str]:
        """SVG text of each view that the points allow."""
        out = {}
        if np.isfinite(plot.vbe_V).any():
            out["V_BE against collector current"] = svg_text(draw_vbe(plot, self._vbe).figure)
        if np.isfinite(plot.hfe).any():
            out["h_FE against collector current"] = svg_text(draw_hfe(plot, self._hfe).figure)
        return out
