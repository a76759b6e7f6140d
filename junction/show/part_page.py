"""The section of one part on a page: what was measured, what it shows, what else it could be, what next."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from junction.base.number import interval_pieces, nominal_pieces, percent, reading_pieces
from junction.base.records import PartReadings, Reading
from junction.fit.results import FitSummary, SweepSource
from junction.judge.results import JunctionVerdict, PartVerdict
from junction.show.html import Html, badge, bullets, counted, datum, image, join, number, table, tag
from junction.show.words import (
    blind_words,
    device_words,
    evidence_of,
    fault_words,
    fit_notes,
    leads_words,
    likeliest,
    no_leaning,
    shown_parameters,
    sureness,
)


def probability_datum(p: float) -> Html:
    """A probability in percent with its value."""
    return tag("span", datum(percent(p), p), class_="sure") if p == p else Html("")


def sure_datum(v: PartVerdict) -> Html:
    """How sure a verdict is; for an undecided part, of what it is likeliest to be."""
    if no_leaning(v):
        return tag("span", "-", class_="sure")
    p = probability_datum(sureness(v))
    return p if v.verdict in v.probability else tag("span", p, " ", likeliest(v), class_="sure")


def reading_grid(readings: Sequence[Reading]) -> Html:
    """Readings as a square: rows are the red lead, columns the black one."""
    found = {r.placement: r for r in readings}
    leads = list(dict.fromkeys(name for r in readings for name in r.placement.split("-")))
    leads.sort(key=lambda name: "BCEAK123".find(name))
    rows = []
    for red in leads:
        cells = [tag("td", number(reading_pieces(found[f"{red}-{black}"]))) if f"{red}-{black}" in found
                 else tag("td", "·" if red != black else "") for black in leads]  # fmt: skip
        rows.append(tag("tr", tag("th", f"red on {red}", scope="row"), cells))
    head = tag("tr", tag("th"), (tag("th", f"black on {black}", scope="col") for black in leads))
    return tag("table", tag("thead", head), tag("tbody", rows), class_="grid")


def fit_list(fit: FitSummary) -> Html:
    """Model, parameters and derived values with their 95 % intervals."""
    tables = [
        table(["quantity", "value and its interval"],
              [[name, number(interval_pieces(it))] for name, it in items], "values")
        for items in (shown_parameters(fit.parameters), list(fit.derived.items())) if items
    ]  # fmt: skip
    return join(
        tag("p", "Model: ", fit.model, "; ", datum(str(fit.n_used), fit.n_used), " of ",
            counted(fit.n_points, "point"), " used, at ",
            number(nominal_pieces(fit.temp_C, "degC")), None if fit.temp_known else " (taken, not measured)",
            "."),
        bullets(fit_notes(fit), "soft"),
        tag("div", tables, class_="pair"),
    )  # fmt: skip


def sweep_figures(svgs: Mapping[str, str], part: str, junction: str, caption: Html | str) -> Html:
    """Views of one sweep side by side; on a narrow screen one under the other."""
    pictures = [
        image(svg, f"{part} {junction}: {view} view of the sweep", 336, 250) for view, svg in svgs.items()
    ]
    return tag("figure", tag("div", pictures, class_="views"), tag("figcaption", caption))


def source_caption(source: SweepSource) -> Html:
    """Where a sweep came from, by file and lines."""
    return join(
        source.file or "sweep", ", lines ", datum(str(source.first_row), source.first_row), " to ",
        datum(str(source.last_row), source.last_row), " (", counted(source.points, "point"), ")",
    )  # fmt: skip


def junction_block(
    part: str, j: JunctionVerdict, source: SweepSource | None, svgs: Mapping[str, str], evidence: list[str]
) -> Html:
    """One junction: verdict, evidence (what the part has not said yet), pictures and fit."""
    parts: list = [tag("h4", j.junction, " ", badge(j.verdict), " ", junction_sureness(j))]
    parts.append(bullets(evidence))
    if svgs:
        caption = source_caption(source) if source else ""
        parts.append(sweep_figures(svgs, part, j.junction, caption))
    if j.leak_ohm is not None:
        parts.append(tag("p", "Path resistance: ", number(interval_pieces(j.leak_ohm, "ohm"))))
    if j.fit is not None:
        parts.append(fit_list(j.fit))
    if j.limit:
        parts.append(tag("p", "Judged by ", _limit_words(j), class_="soft"))
    return tag("div", parts, class_="junction")


def _limit_words(j: JunctionVerdict) -> str:
    return f"{j.family}: {j.limit}" if j.family and j.limit else j.limit or j.family


def junction_table(junctions: Sequence[JunctionVerdict]) -> Html:
    """Junctions that were read and not swept: verdict and path, one a row."""
    heads = ["junction", "verdict", "sure"]
    rows: list[list] = [[j.junction, badge(j.verdict), junction_sureness(j)] for j in junctions]
    if any(j.leak_ohm is not None for j in junctions):
        heads.append("path resistance")
        for row, j in zip(rows, junctions, strict=True):
            row.append(number(interval_pieces(j.leak_ohm, "ohm")) if j.leak_ohm is not None else "")
    return table(heads, rows)


def junction_sureness(j: JunctionVerdict) -> Html:
    """Probability of a junction's verdict, or of what it is likeliest to be."""
    best = max(j.probability, key=lambda q: j.probability[q], default="")
    if j.verdict in j.probability:
        return probability_datum(j.probability[j.verdict])
    return tag("span", probability_datum(j.probability[best]), " ", best, class_="sure") if best else Html("")


def part_section(
    v: PartVerdict,
    readings: PartReadings | None = None,
    sources: Iterable[SweepSource] = (),
    svgs: Mapping[int, Mapping[str, str]] | None = None,
    anchor: str = "",
) -> Html:
    """All that is known of one part.

    Parameters
    ----------
    v : PartVerdict
    readings : PartReadings, optional
    sources : iterable of SweepSource
        Where its sweeps came from.
    svgs : mapping of int to mapping of str to str, optional
        By index of the sweep: SVG text of each view.
    anchor : str
        Id of the section.

    Returns
    -------
    Html
    """
    svgs = svgs or {}
    where = {s.sweep: s for s in sources}
    what = ", ".join(w for w in (device_words(v.device, v.type), leads_words(v.device)) if w)
    body: list = [
        tag("h3", v.part, " ", badge(v.verdict), " ", sure_datum(v), " ",
            tag("span", what, class_="what")),
        tag("p", "Fault: ", fault_words(v)) if v.faults else None,
        bullets(evidence_of(v)),
        tag("div", v.next, class_="next") if v.next else None,
        bullets(v.warnings, "soft"),
    ]  # fmt: skip
    grid = reading_grid(readings.readings) if readings is not None and readings.readings else None
    plain = [j for j in v.junctions if j.fit is None and j.sweep not in svgs]
    body.append(tag("div", grid, junction_table(plain) if plain else None, class_="beside"))
    body.append(bullets([f"{j.junction} judged by {_limit_words(j)}" for j in plain if j.limit], "soft"))
    told = set(evidence_of(v))
    for j in v.junctions:
        fresh = [s for s in j.evidence if s not in told and f"{j.junction}: {s}" not in told]
        if j not in plain:
            body.append(junction_block(v.part, j, where.get(j.sweep), svgs.get(j.sweep, {}), fresh))
        else:
            body.append(bullets(fresh))
    if v.alternatives:
        body += [tag("h4", "What else could explain it"), alternatives_table(v)]
    if v.neighbours:
        body += [tag("h4", "Test before power-up"), bullets(v.neighbours, "two")]
    if v.cannot_see:
        body.append(tag("p", blind_words(v), class_="soft"))
    kind = "part" if any(j.sweep in svgs for j in v.junctions) else "part short"
    return tag("article", body, class_=kind, id=anchor or None)


def alternatives_table(v: PartVerdict) -> Html:
    """Other explanations with their probability and the measurement that would decide."""
    rows = [
        [", ".join(a.faults) or "no fault", device_words(a.device), probability_datum(a.probability),
         a.decided_by]
        for a in v.alternatives
    ]  # fmt: skip
    return table(["faults", "device", "probability", "decided by"], rows, numeric=(2,))
