"""Pictures of a matched set: curves overlaid, and their differences with uncertainty bands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from junction.sets.results import MatchedSet, PartCurves
from junction.show.plots import FIT, INK, LEFT_OUT, SOFT, new_axes, svg_text

#: Line styles for the parts of a set, told apart without colour.
_STYLES = (
    dict(color=INK, linestyle="-"), dict(color=FIT, linestyle=(0, (6, 2))), dict(color=LEFT_OUT,
    linestyle="-."),
    dict(color=SOFT, linestyle=":"), dict(color=INK, linestyle=(0, (1, 1))), dict(color=FIT, linestyle="-"),
)  # fmt: skip
_K95 = 1.96


@dataclass(frozen=True)
class SetPictures:
    """SVG text of each picture of one set."""

    curves: str
    vbe: str
    hfe: str


def _span(axes, curves: PartCurves, parts) -> None:
    """The whole range of currents on the axis; where no part's data speak, the picture says so."""
    axes.set_xlim(curves.ic_A[0], curves.ic_A[-1])
    known = np.isfinite(curves.vbe_V[[curves.row(name) for name in parts]]).any(axis=0)
    if known.all():
        return
    if not known.any():
        axes.text(0.5, 0.5, "no data here", transform=axes.transAxes, fontsize=7, color=SOFT, ha="center")
        return
    last = curves.ic_A[known][-1]
    if last < curves.ic_A[-1] / 1.5:
        axes.annotate("no data", (np.sqrt(last * curves.ic_A[-1]), 0.5), xycoords=("data", "axes fraction"),
                      fontsize=6.5, color=SOFT, ha="center")  # fmt: skip


def _frame(axes, title: str, y: str, idle_A: float, peak_A: float) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axes.set_xscale("log")
    axes.xaxis.set_major_locator(LogLocator(10))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_title(title, fontsize=8, color=INK, loc="left", pad=4)
    axes.set_xlabel("collector current (A)", fontsize=8, color=INK, labelpad=2)
    axes.set_ylabel(y, fontsize=8, color=INK, labelpad=2)
    for at, word in ((idle_A, "idle"), (peak_A, "peak")):
        axes.axvline(at, color=SOFT, linewidth=0.7, linestyle=(0, (2, 2)))
        axes.annotate(word, (at, 1.0), xycoords=("data", "axes fraction"), fontsize=6.5, color=SOFT,
                      xytext=(2, -8), textcoords="offset points")  # fmt: skip


def _band(axes, x, low, high, color) -> None:
    """Shaded band as one polygon: a collection would lose its style when the SVG is made small."""
    known = np.isfinite(low) & np.isfinite(high)
    x, low, high = x[known], low[known], high[known]
    axes.fill(np.r_[x, x[::-1]], np.r_[low, high[::-1]], facecolor=color, alpha=0.14, linewidth=0, gid="band")


def _short(name: str) -> str:
    return name if len(name) <= 14 else name[:13] + "…"


def draw_curves(s: MatchedSet, curves: PartCurves, idle_A: float, peak_A: float, axes):
    """V_BE of every part against its collector current.

    Parameters
    ----------
    s : MatchedSet
    curves : PartCurves
    idle_A, peak_A : float
        A device's share at the two operating points [A].
    axes : matplotlib Axes

    Returns
    -------
    Axes
    """
    for k, name in enumerate(s.parts):
        style = _STYLES[k % len(_STYLES)]
        axes.plot(curves.ic_A, curves.vbe_V[curves.row(name)], linewidth=1.2, label=_short(name), **style)
    axes.legend(fontsize=6.5, frameon=False, loc="upper left", handlelength=2.2, borderaxespad=0.8)
    _span(axes, curves, s.parts)
    _frame(axes, f"V_BE at V_CE {curves.vce_V:.0f} V, {curves.temp_C:.0f} C", "V_BE (V)", idle_A, peak_A)
    return axes


def draw_vbe_difference(s: MatchedSet, curves: PartCurves, idle_A: float, peak_A: float, axes):
    """V_BE of every further part less that of the first, in mV, with its 95 % band."""
    first = curves.row(s.parts[0])
    for k, name in enumerate(s.parts[1:], 1):
        row = curves.row(name)
        gap = 1000 * (curves.vbe_V[row] - curves.vbe_V[first])
        u = 1000 * _K95 * np.hypot(curves.u_vbe_V[row], curves.u_vbe_V[first])
        style = _STYLES[k % len(_STYLES)]
        axes.plot(curves.ic_A, gap, linewidth=1.2, label=f"{_short(name)} - {_short(s.parts[0])}", **style)
        _band(axes, curves.ic_A, gap - u, gap + u, style["color"])
    axes.axhline(0, color=SOFT, linewidth=0.8)
    axes.legend(fontsize=6.5, frameon=False, loc="best", handlelength=2.2)
    _span(axes, curves, s.parts)
    _frame(axes, "difference of V_BE, 95 % band", "mV", idle_A, peak_A)
    return axes


def draw_hfe_difference(s: MatchedSet, curves: PartCurves, idle_A: float, peak_A: float, axes):
    """h_FE of every further part over that of the first, with its 95 % band."""
    first = curves.row(s.parts[0])
    for k, name in enumerate(s.parts[1:], 1):
        row = curves.row(name)
        ratio = curves.hfe[row] / curves.hfe[first]
        u = _K95 * np.hypot(curves.u_hfe[row] / curves.hfe[row], curves.u_hfe[first] / curves.hfe[first])
        style = _STYLES[k % len(_STYLES)]
        axes.plot(curves.ic_A, ratio, linewidth=1.2, label=f"{_short(name)} / {_short(s.parts[0])}", **style)
        _band(axes, curves.ic_A, ratio * np.exp(-u), ratio * np.exp(u), style["color"])
    axes.axhline(1, color=SOFT, linewidth=0.8)
    axes.legend(fontsize=6.5, frameon=False, loc="best", handlelength=2.2)
    _span(axes, curves, s.parts)
    _frame(axes, "ratio of h_FE, 95 % band", "ratio", idle_A, peak_A)
    return axes


def set_pictures(s: MatchedSet, curves: PartCurves, idle_A: float, peak_A: float) -> SetPictures:
    """The three pictures of one set."""
    return SetPictures(*(
        svg_text(draw(s, curves, idle_A, peak_A, new_axes()).figure)
        for draw in (draw_curves, draw_vbe_difference, draw_hfe_difference)
    ))  # fmt: skip


def draw_safe_area(loci, areas, axes):
    """Load lines of one device against the dc safe area of its type.

    Parameters
    ----------
    loci : mapping of str to (ndarray, ndarray)
        V_CE [V] and I_C [A] over the conducting half cycle.
    areas : mapping of str to (ndarray, ndarray)
        V_CE [V] and the largest dc collector current there [A], by type.
    axes : matplotlib Axes

    Returns
    -------
    Axes
    """
    top_v = max(float(np.max(v)) for v, _ in loci.values())
    top_i = max(float(np.max(i)) for _, i in loci.values())
    for k, (name, (vce, ic)) in enumerate(loci.items()):
        shown = ic > 0.01 * top_i  # a logarithmic scale has no zero
        axes.plot(vce[shown], ic[shown], linewidth=1.2, label=name, **_STYLES[k % len(_STYLES)])
    for k, (name, (vce, ic)) in enumerate(areas.items()):
        edge = np.where(ic > 0, ic, 1e-3 * top_i)
        axes.plot(vce, edge, color=LEFT_OUT, linewidth=0.9, linestyle=(0, (2 + 3 * k, 2)),
                  label=f"dc safe area, {_short(name)}")  # fmt: skip
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    high_i = max([2.0 * top_i, *(1.4 * float(np.nanmax(ic)) for _, ic in areas.values())])
    high_v = max([1.35 * top_v, *(float(np.nanmax(v[ic > 0], initial=0.0)) for v, ic in areas.values())])
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(2.0, 1.2 * high_v)
    axes.set_ylim(0.03 * top_i, high_i)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(LogLocator(10, subs=(1.0, 2.0, 5.0)))
        axis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
        axis.set_minor_formatter(NullFormatter())
    axes.legend(fontsize=6.5, frameon=False, loc="lower left", handlelength=2.2)
    axes.set_title("load lines of one device", fontsize=8, color=INK, loc="left", pad=4)
    axes.set_xlabel("V_CE (V)", fontsize=8, color=INK, labelpad=2)
    axes.set_ylabel("collector current (A)", fontsize=8, color=INK, labelpad=2)
    return axes
