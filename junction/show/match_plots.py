"""Pictures of a matched set: curves overlaid, and their differences with uncertainty bands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from junction.show.plots import FIT, INK, LEFT_OUT, SOFT, label, new_axes, svg_text

#: Line styles for the parts of a set, told apart without colour.
_STYLES = (
    dict(color=INK, linestyle="-"), dict(color=FIT, linestyle=(0, (6, 2))),
    dict(color=LEFT_OUT, linestyle="-."), dict(color=SOFT, linestyle=":"),
    dict(color=INK, linestyle=(0, (1, 1))), dict(color=FIT, linestyle="-"),
)  # fmt: skip
#: Half-width of a 95 % interval in standard uncertainties (normal).
_K95 = 1.96


def _decades(*axes) -> None:
    """Plain numbers on logarithmic axes."""
    from matplotlib.ticker import FuncFormatter, NullFormatter

    for axis in axes:
        axis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
        axis.set_minor_formatter(NullFormatter())


def _frame(axes, curves: Mapping, parts: Sequence[str], title: str, y: str, shares_A) -> None:
    """The whole range of currents, with idle and peak; where no part's data speak, the picture says so."""
    ic = curves["ic_A"]
    axes.set_xscale("log")
    _decades(axes.xaxis)
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
    for name, style in zip(parts, _styles(parts), strict=True):
        axes.plot(curves["ic_A"], curves["vbe_V"][curves["rows"][name]], linewidth=1.2, label=_short(name),
                  **style)  # fmt: skip
    axes.legend(fontsize=6.5, frameon=False, loc="upper left", handlelength=2.2, borderaxespad=0.8)
    title = f"V_BE at V_CE {curves['vce_V']:.0f} V, {curves['temp_C']:.0f} °C"
    _frame(axes, curves, parts, title, "V_BE (V)", shares_A)
    return axes


def _styles(parts: Sequence[str]) -> list[dict]:
    return [_STYLES[k % len(_STYLES)] for k in range(len(parts))]


def draw_vbe_difference(parts: Sequence[str], curves: Mapping, shares_A, axes):
    """V_BE of every further part less that of the first, in mV, with its 95 % band; as `draw_curves`."""
    vbe, u = 1000 * curves["vbe_V"], 1000 * curves["u_vbe_V"]

    def compared(row: int, first: int):
        gap, wide = vbe[row] - vbe[first], _K95 * np.hypot(u[row], u[first])
        return gap, gap - wide, gap + wide

    _draw_compared(axes, parts, curves, compared, "-", 0)
    _frame(axes, curves, parts, "difference of V_BE, 95 % band", "mV", shares_A)
    return axes


def draw_hfe_difference(parts: Sequence[str], curves: Mapping, shares_A, axes):
    """h_FE of every further part over that of the first, with its 95 % band; as `draw_curves`."""
    hfe, u = curves["hfe"], curves["u_hfe"] / curves["hfe"]

    def compared(row: int, first: int):
        ratio, wide = hfe[row] / hfe[first], np.exp(_K95 * np.hypot(u[row], u[first]))
        return ratio, ratio / wide, ratio * wide

    _draw_compared(axes, parts, curves, compared, "/", 1)
    _frame(axes, curves, parts, "ratio of h_FE, 95 % band", "ratio", shares_A)
    return axes


def _draw_compared(axes, parts: Sequence[str], curves: Mapping, compared, sign: str, even: float) -> None:
    first, rows, ic = parts[0], curves["rows"], curves["ic_A"]
    for name, style in list(zip(parts, _styles(parts), strict=True))[1:]:
        middle, low, high = compared(rows[name], rows[first])
        axes.plot(ic, middle, linewidth=1.2, label=f"{_short(name)} {sign} {_short(first)}", **style)
        known = np.isfinite(low) & np.isfinite(high)
        # one polygon: a collection would lose its style when the SVG is made small
        axes.fill(np.r_[ic[known], ic[known][::-1]], np.r_[low[known], high[known][::-1]],
                  facecolor=style["color"], alpha=0.14, linewidth=0, gid="band")  # fmt: skip
    axes.axhline(even, color=SOFT, linewidth=0.8)
    axes.legend(fontsize=6.5, frameon=False, loc="best", handlelength=2.2)


def set_pictures(parts: Sequence[str], curves: Mapping, shares_A) -> dict[str, str]:
    """SVG text of the three pictures of one set, by what they show; as `draw_curves`."""
    draws = {
        "V_BE of the parts against current": draw_curves, "difference of V_BE": draw_vbe_difference,
        "ratio of h_FE": draw_hfe_difference,
    }  # fmt: skip
    return {alt: svg_text(draw(parts, curves, shares_A, new_axes()).figure) for alt, draw in draws.items()}


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
    from matplotlib.ticker import LogLocator

    high_i = max([2.0 * top_i, *(1.4 * float(np.nanmax(ic)) for _, ic in areas.values())])
    high_v = max([1.35 * top_v, *(float(np.nanmax(v[ic > 0], initial=0.0)) for v, ic in areas.values())])
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(2.0, 1.2 * high_v)
    axes.set_ylim(0.03 * top_i, high_i)
    _decades(axes.xaxis, axes.yaxis)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(LogLocator(10, subs=(1.0, 2.0, 5.0)))
    axes.legend(fontsize=6.5, frameon=False, loc="lower left", handlelength=2.2)
    label(axes, "load lines of one device", "V_CE (V)", "collector current (A)")
    return axes
