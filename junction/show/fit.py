"""Fitted sweeps and curves as text, CSV and JSON."""

from __future__ import annotations

from junction.base.number import nominal, value_and_ends, value_only
from junction.base.records import Interval
from junction.fit.results import PARAMETERS, FitReport, FitRow, TransistorRow
from junction.show import json_out
from junction.show.csv_out import csv_text
from junction.show.spice import cards
from junction.show.table import Column, Paint, paragraph, render
from junction.show.text import count
from junction.show.words import fit_notes, shown_parameters
from junction.show.write import record as source_json

#: Up to so many sweeps are listed with every parameter and interval; beyond, one line a sweep.
FULL_UP_TO = 40
MOST_LINES = 200

_UNITS = {"IS": "A", "ISE": "A", "IKF": "A", "VAF": "V", "RE": "ohm", "RB": "ohm", "RC": "ohm"}


def terminal_text(
    report: FitReport, *, width: int = 80, everything: bool = False, paint: Paint | None = None
) -> str:
    """Parameters with their 95 % intervals; one line a sweep when there are many.

    Parameters
    ----------
    report : FitReport
    width : int
        Columns to stay within.
    everything : bool
        Every parameter of every sweep, however many.
    paint : Paint, optional

    Returns
    -------
    str
        Without a final line end.
    """
    paint = paint or Paint()
    lines: list[str] = []
    if report.rows:
        full = everything or len(report.rows) <= FULL_UP_TO
        lines += [(_full if full else _compact)(report.rows, width, paint), ""]
    if report.transistors:
        lines += [_transistors(report.transistors, width, paint), ""]
    unfitted = sum(bool(r.why_not) for r in (*report.rows, *report.transistors))
    lines.append(
        f"{count(len(report.rows), 'sweep')}, {count(len(report.transistors), 'transistor')} from curves"
        + (f"; {unfitted} without a fit" if unfitted else "")
    )
    lines += [paragraph(note, width) for note in notes(report)]
    if len(report.rows) > FULL_UP_TO and not everything:
        lines.append(paragraph("One line a sweep; --all shows every parameter with its interval.", width))
    return "\n".join(lines)


def notes(report: FitReport) -> list[str]:
    """What holds for all of the fits."""
    out = ["Intervals are 95 %; a < or > is a limit the data set, not a value."]
    if report.noise_note:
        out.append(report.noise_note)
    unknown = {r.part for r in report.rows if not r.fit.temp_known}
    unknown |= {t.part for t in report.transistors if not t.temp_known}
    if unknown:
        out.append(
            f"No temperature given for {count(len(unknown), 'part')}: "
            f"{nominal(report.default_temp_C, 'degC')} taken."
        )
    return out


def _model_line(row: FitRow) -> str:
    f = row.fit
    return "; ".join([f.model, f"{f.n_used} of {f.n_points} points", *fit_notes(f)])


def _full(rows: tuple[FitRow, ...], width: int, paint: Paint) -> str:
    columns = (Column("part"), Column("of"), Column("quantity"), Column("value", "right"),
               Column("95 % interval", wrap=True))  # fmt: skip
    cells: list[list[str]] = []
    for row in rows:
        values = [*shown_parameters(row.fit.parameters), *row.fit.derived.items()]
        if row.why_not:
            cells.append([row.part, row.junction, "no fit", "", row.why_not])
            continue
        cells.append([row.part, row.junction, "model", "", _model_line(row)])
        cells += [["", "", name, *value_and_ends(it)] for name, it in values]
    return render(columns, cells, width, paint=paint)


def _compact(rows: tuple[FitRow, ...], width: int, paint: Paint) -> str:
    held = {n for r in rows for n in r.fit.parameters}
    names = [n for n in ("IS_A", "N", "RS_ohm", "RSH_ohm", "R_ohm") if n in held]
    heads = [word for word, _ in shown_parameters(dict.fromkeys(names, Interval(0.0)))]
    columns = [Column("part"), Column("of"), *(Column(h, "right") for h in heads), Column("model", wrap=True)]
    cells = []
    for row in rows[:MOST_LINES]:
        p = row.fit.parameters
        cells.append([row.part, row.junction, *(value_only(p[n]) if n in p else "" for n in names),
                      row.why_not or row.fit.model])  # fmt: skip
    text = render(columns, cells, width, paint=paint)
    more = len(rows) - len(cells)
    return f"{text}\nand {count(more, 'more sweep')}" if more > 0 else text


def _transistors(rows: tuple[TransistorRow, ...], width: int, paint: Paint) -> str:
    columns = (Column("part"), Column("polarity"), Column("quantity"), Column("value", "right"),
               Column("95 % interval", wrap=True))  # fmt: skip
    cells: list[list[str]] = []
    for row in rows:
        if row.why_not:
            cells.append([row.part, row.polarity, "no fit", "", row.why_not])
            continue
        first = [row.part, row.polarity]
        for name, it in row.parameters.items():
            value, ends = value_and_ends(it)
            cells.append([*first, name, value, ends])
            first = ["", ""]
        if row.held:
            cells.append([*first, "held", "", f"the data cannot say: {', '.join(row.held)}"])
    return render(columns, cells, width, paint=paint)


def parameters_csv(report: FitReport) -> str:
    """One row a sweep: every parameter and derived value with its interval, in SI units."""
    names = [n for n in PARAMETERS if any(n in r.fit.parameters for r in report.rows)]
    derived = list(dict.fromkeys(n for r in report.rows for n in r.fit.derived))
    units = {n: it.unit for r in report.rows for n, it in r.fit.derived.items()}
    heads = ["part", "junction", "type", "file", "first_line", "last_line", "model", "runner_up",
             "evidence_gap"]  # fmt: skip
    for name in names:
        heads += [name, f"{name}_low", f"{name}_high"]
    for name in derived:
        title = f"{name} ({units[name]})" if units[name] else name
        heads += [title, f"{title} low", f"{title} high"]
    heads += ["flags", "points", "points_used", "chi2", "dof", "temp_C", "temp_known", "heating_K", "why_not"]
    missing = Interval(float("nan"))

    def rows():
        for r in report.rows:
            f, s = r.fit, r.source
            ends = [f.parameters.get(n, missing) for n in names]
            ends += [f.derived.get(n, missing) for n in derived]
            yield (
                r.part, r.junction, r.type, s.file, s.first_row, s.last_row, f.model, f.runner_up,
                f.evidence_gap, *(x for it in ends for x in (it.value, it.low, it.high)), "; ".join(f.flags),
                f.n_points, f.n_used, f.chi2, f.dof, f.temp_C, f.temp_known, r.heating_K, r.why_not,
            )  # fmt: skip

    return csv_text(heads, rows())


def transistors_csv(report: FitReport) -> str:
    """One row a transistor fitted from its curves, referred to 25 degC."""
    names = list(dict.fromkeys(n for r in report.transistors for n in r.parameters))
    heads = ["part", "polarity", "type"]
    for name in names:
        heads += [f"{name}_{_UNITS[name]}" if name in _UNITS else name, f"{name}_low", f"{name}_high"]
    heads += ["held", "ic_low_A", "ic_high_A", "temp_C", "temp_known", "why_not"]
    missing = Interval(float("nan"))

    def rows():
        for r in report.transistors:
            ends = [r.parameters.get(n, missing) for n in names]
            yield (
                r.part, r.polarity, r.type, *(x for it in ends for x in (it.value, it.low, it.high)),
                "; ".join(r.held), r.ic_low_A, r.ic_high_A, r.temp_C, r.temp_known, r.why_not,
            )  # fmt: skip

    return csv_text(heads, rows())


def transistor_json(r: TransistorRow) -> dict:
    """One transistor fitted from its curves."""
    return {
        "polarity": r.polarity, "parameters": {n: json_out.interval(it) for n, it in r.parameters.items()},
        "held": list(r.held), "ic_low_A": r.ic_low_A, "ic_high_A": r.ic_high_A, "temp_C": r.temp_C,
        "temp_known": r.temp_known, "why_not": r.why_not,
    }  # fmt: skip


def json_text(report: FitReport, made: str = "") -> str:
    """The JSON of `fit`, by part in the order read."""
    texts = cards(report)
    parts: dict[str, dict] = {}
    for r in report.rows:
        entry = parts.setdefault(r.part, {"part": r.part, "type": r.type, "sweeps": [], "transistor": None})
        entry["sweeps"].append({
            **source_json(r.source), "fit": json_out.fit(r.fit), "heating_K": r.heating_K,
            "why_not": r.why_not, "spice": texts.get((r.part, r.junction), ""),
        })  # fmt: skip
    for t in report.transistors:
        entry = parts.setdefault(t.part, {"part": t.part, "type": t.type, "sweeps": [], "transistor": None})
        entry["transistor"] = {**transistor_json(t), "spice": texts.get((t.part, ""), "")}
    return json_out.document("fit", {
        "parts": list(parts.values()), "set_aside": json_out.set_aside(report.set_aside),
        "files": list(report.files), "rows_read": report.rows_read,
        "rows_set_aside": sum(s.rows for s in report.set_aside), "sweeps": len(report.rows),
        "transistors": len(report.transistors), "default_temp_C": report.default_temp_C,
        "sweeps_plotted": len(report.plots), "notes": notes(report), "made": made,
    })  # fmt: skip
