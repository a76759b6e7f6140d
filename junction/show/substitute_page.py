"""The page of a substitution: cautions, ranked table, safe areas drawn over each other, then the lines."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from junction.base.number import nominal_pieces
from junction.replace.results import SubstituteReport, Substitution
from junction.show import html as h
from junction.show.substitute import (
    both_polarities,
    heading,
    margin_text,
    name_of,
    remark,
    result_words,
    value_text,
)

_DASHES = ("-", (0, (6, 2)), (0, (2, 1.5)), (0, (6, 2, 1, 2)), (0, (1, 2.5)))


def draw_safe_areas(areas: Mapping[str, tuple[tuple[float, float], ...]], axes):
    """Dc safe areas on logarithmic axes.

    Parameters
    ----------
    areas : mapping of str to tuple of (float, float)
        Per type (voltage [V], current [A]) points; the first is drawn heaviest.
    axes : matplotlib axes

    Returns
    -------
    axes
    """
    from junction.show.plots import INK, SOFT

    for k, (name, points) in enumerate(areas.items()):
        v, i = np.array(points).T
        # the right edge falls straight down at V_CEO
        axes.plot(
            np.append(v, v[-1]), np.append(i, 1e-3), color=INK if k == 0 else SOFT if k > 2 else "#2c4a6e",
            linewidth=2.0 if k == 0 else 1.2, linestyle=_DASHES[k % len(_DASHES)], label=name,
        )  # fmt: skip
    axes.set_xscale("log")
    axes.set_yscale("log")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(lambda x, _: f"{x:g}")
    lows = [min(i for _, i in points) for points in areas.values()]
    axes.set_ylim(bottom=min(lows) / 2)
    axes.set_xlabel("collector-emitter voltage (V)", fontsize=8)
    axes.set_ylabel("collector current (A)", fontsize=8)
    axes.legend(fontsize=7, frameon=False)
    return axes


def _safe_area_figure(report: SubstituteReport) -> h.Html | None:
    if not report.safe_areas:
        return None
    from junction.show.plots import new_axes, svg_text

    svg = svg_text(draw_safe_areas(report.safe_areas, new_axes()).figure)
    text = (
        f"Dc safe area at {report.case_temp_C:g} °C (ambient for board parts) from I_C, P_tot, V_CEO"
        " and second breakdown where its test lines are on the shelf. Look at the plot of the sheet before"
        " you rely on its right-hand part."
    )
    return h.tag(
        "figure", h.image(svg, "Dc safe areas: " + ", ".join(report.safe_areas), 504, 374),
        h.tag("figcaption", text, class_="soft"),
    )  # fmt: skip


def _detail(result: Substitution, report: SubstituteReport) -> h.Html:
    second = "original" if report.original else "needed"
    rows = []
    for line in result.lines:
        cells = [
            text_or_number(value, text, line.unit)
            for value, text in ((line.wanted, line.wanted_text), (line.has, line.has_text))
        ]
        figure = line.figure if line.must else f"{line.figure} *"
        rows.append((figure, *cells, line.result, remark(line)))
    return h.section(
        f"{name_of(result)}: {result_words(result)}",
        h.table(("figure", second, "candidate", "result", "remark"), rows),
        h.bullets(result.warnings),
        h.tag("p", f"Sheet: {result.notes}", class_="soft") if result.notes else None,
        h.tag("p", f"Source: {report.types[result.candidate].source}", class_="soft"),
    )


def text_or_number(value: float, text: str, unit: str):
    """A cell: its word or range, else its number carrying the unrounded value."""
    shown = value_text(value, text, unit)
    if text or shown == "-":
        return shown
    pieces = nominal_pieces(float(f"{value:.4g}"), {"C": "degC"}.get(unit, unit))
    return h.number(tuple((t, None if v is None else value) for t, v in pieces))


def page(report: SubstituteReport, made: str = "") -> str:
    """Whole page as text."""
    sides = both_polarities(report)
    rows = [
        (
            name_of(r), *([report.types[r.candidate].polarity] if sides else []), r.result,
            f"{r.weakest} {margin_text(r.weakest_margin)}".strip(),
            ", ".join(r.figures("falls short")), ", ".join(r.figures("not known")), str(len(r.warnings)),
        )
        for r in report.results
    ]  # fmt: skip
    return h.page(
        "Substitutes",
        h.tag("h1", "Substitutes"),
        h.tag("p", heading(report), f" {made}" if made else None, class_="lead"),
        h.cautions_box(report.cautions),
        h.section(
            "Best first",
            h.table(("candidate", *(["polarity"] if sides else []), "result", "least margin", "falls short",
                     "not known", "warnings"), rows),
            h.tag("p", "Lines marked * below are shown and warned about; they do not settle the result.",
                  class_="soft"),
            _safe_area_figure(report),
        ),
        [_detail(r, report) for r in report.results],
        footer="Registered limits with their sources; see the reference tables of junction.",
    )  # fmt: skip
