"""A part in words, and its card: what was measured, what it shows, what else it could be, what comes next."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from junction.base.records import CurveTable, PartReadings, SweepTable, spelled, split_placement
from junction.base.units import interval, nominal, percent, reading
from junction.judge.results import Device, JunctionVerdict, PartVerdict, say
from junction.shelf.tables import rule
from junction.show import blocks as b
from junction.sweeps.results import PARAMETER_KEYS, FitSummary, SweepPlot

if TYPE_CHECKING:  # a report without pictures does not wait for what draws them
    from junction.show.canvas import Picture

#: Name of a fitted parameter -> how it is called in front of people.
#: Flags of a good fit, and those that the count of points left out tells.
_COUNTED = ("converged", "uncertainty_known", "current_limited", "over_range", "outliers")
PARAMETER_WORDS = {**PARAMETER_KEYS, "RSH_ohm": "shunt", "R_ohm": "R", "I0_A": "offset"}


def fit_notes(f: FitSummary) -> list[b.Inline]:
    """What the flags of a fit say, in words; nothing where all is well."""
    flags = [flag for flag in f.flags if flag not in _COUNTED]
    if "converged" not in f.flags and f.n_used and f.model != "none":
        flags.insert(0, "not_converged")
    n = f.parameters["N"].value if "N" in f.parameters else float("nan")
    notes = [say(f"fit_flag_{flag}", n=n, off=100 * (1 - n)) for flag in flags]
    if f.left_out:
        why = []
        for reason, n in f.left_out.items():
            why += [", ", b.count(n), f" {say(f'fit_left_{reason}')}"]
        notes.insert(0, (say("fit_left_out"), " ", *why[1:]))
    return notes


def device_words(d: Device, type_: str = "") -> str:
    """``NPN silicon bjt``, with the written type in front where there is one."""
    kind = d.kind if d.kind != "unknown" else ""
    own = [d.polarity, d.material, "transistor" if kind == "bjt" else kind]
    words = [type_, *([d.called] if d.called else own)]
    return " ".join(w for w in words if w) or "unknown device"


def leads_words(d: Device) -> str:
    """``lead 1 E, 2 B, 3 C``, or nothing where the leads were given by name."""
    if not d.leads:
        return ""
    return "lead " + ", ".join(f"{number} {letter}" for number, letter in sorted(d.leads.items()))


def sureness(v: PartVerdict | JunctionVerdict) -> float:
    """Probability of the verdict; for an undecided part, of its likeliest quality."""
    if v.verdict in v.probability:
        return v.probability[v.verdict]
    return max(v.probability.values(), default=float("nan"))


def fault_words(v: PartVerdict) -> str:
    """``B-E leaky``; ``likely B-E leaky`` where the verdict is sure but the place of the fault is not."""
    text = spelled(*v.faults)
    return f"likely {text}" if text and v.faults_probability < rule("conformity_good") else text


def evidence_of(v: PartVerdict) -> tuple[str, ...]:
    """Sentences of evidence of a part: its own, or those of the junctions that explain its verdict.

    A junction is named in front unless the sentence names it itself.
    """
    if v.evidence:
        return v.evidence
    found = []
    for j in [j for j in v.junctions if j.verdict == v.verdict] or v.junctions:
        names = (spelled(j.junction), spelled(j.junction)[::-1])
        found += [s if any(name in s for name in names) else f"{names[0]}: {s}" for s in j.evidence]
    return tuple(found)


def blind_words(v: PartVerdict) -> str:
    """What the method cannot see, as a sentence."""
    text = v.cannot_see
    if not text or text.endswith("."):
        return text
    methods = {"sweeps": "The sweeps", "curves": "The curves", "readings": "Diode mode"}
    method = methods.get(v.basis, "These measurements")
    return f"{method} cannot see: {text}."


def sure(v: PartVerdict | JunctionVerdict) -> b.Inline:
    """How sure a verdict is; for an undecided one, of what it is likeliest to be.

    ``-`` where an undecided part leans nowhere, or its odds would mislead.
    """
    p = sureness(v)
    if v.verdict == "undecided" and (getattr(v, "doubt", "") or p < rule("show_even_odds")):
        return "-"
    if p != p:
        return ""
    shown = percent(p)
    return shown if v.verdict in v.probability else (shown, f" {max(v.probability, key=v.probability.get)}")


def fit_blocks(fit: FitSummary) -> Iterable[b.Block]:
    """Model, parameters and derived values with their 95 % intervals."""
    yield b.text(("Model: ", fit.model, "; ", b.count(fit.n_used, ""), " of ",
                b.count(fit.n_points, "point"), " used, at ", nominal(fit.temp_C, "degC"),
                "." if fit.temp_known else " (taken, not measured)."))  # fmt: skip
    yield b.bullets(fit_notes(fit), role="soft")
    shown = [(PARAMETER_WORDS.get(name, name), it) for name, it in fit.parameters.items()]
    columns = b.columns("quantity", "value and its interval")
    yield b.beside([
        b.table(columns, [[name, interval(it)] for name, it in items], style="values")
        for items in (shown, list(fit.derived.items())) if items
    ])  # fmt: skip


def temperature_note(parts: int, temp_C: float) -> str:
    """What was taken for parts whose temperature is not given."""
    return f"No temperature given for {b.count(parts, 'part')}: {nominal(temp_C, 'degC')} taken."


def sweep_sources(table: SweepTable) -> dict[str, dict[int, dict]]:
    """Where each part's sweeps came from, by part and index of the sweep."""
    out: dict[str, dict[int, dict]] = {}
    if len(table):
        first, last = table.row[table.starts[:-1]].tolist(), table.row[table.starts[1:] - 1].tolist()
        ends = table.starts.tolist()
        for k, part in enumerate(table.part):
            out.setdefault(part, {})[k] = {
                "junction": table.junction[k], "file": table.file[k], "first_line": first[k],
                "last_line": last[k], "points": ends[k + 1] - ends[k],
            }  # fmt: skip
    return out


def curve_sources(table: CurveTable) -> dict[str, list[dict]]:
    """Where each part's curves came from, by part."""
    out: dict[str, list[dict]] = {}
    for k, part in enumerate(table.part):
        at = table.points(k)
        out.setdefault(part, []).append({
            "file": table.file[k], "first_line": int(table.row[at.start]),
            "last_line": int(table.row[at.stop - 1]), "points": at.stop - at.start,
        })  # fmt: skip
    return out


def source_caption(source: Mapping) -> b.Inline:
    """Where a sweep came from, by file and lines."""
    return (source["file"] or "sweep", ", lines ", b.count(source["first_line"], ""), " to ",
            b.count(source["last_line"], ""), " (", b.count(source["points"], "point"), ")")  # fmt: skip


def sweep_pictures(plots: Mapping[int, tuple[SweepPlot, FitSummary | None]], made: str) -> dict[int, Picture]:
    """Picture of each sweep, by its index, from what is drawn and its fit."""
    from junction.show.plots import Around, sweep_picture

    found = {}
    for k, (plot, fit) in plots.items():
        p, date = fit.parameters if fit else {}, made[:10]
        forward = [f"{PARAMETER_WORDS.get(name, name)} {interval(p[name], ends=False)}"
                   for name in ("N", "NR", "RS_ohm", "R_ohm") if name in p]  # fmt: skip
        leak = PARAMETER_WORDS["RSH_ohm"]
        reverse = [f"{leak} {interval(p['RSH_ohm'], ends=False)}"] if "RSH_ohm" in p else []
        broken = p["BV_V"].value if "BV_V" in p else float("nan")
        reverse += [f"breakdown {interval(p['BV_V'], ends=False)} at 1 mA"] if broken == broken else []
        taken = bool(fit) and not fit.temp_known
        around = Around(date, forward, reverse, broken, taken)
        name = f"{k + 1:03d}_{b.file_stem(plot.part)}_{plot.junction}"
        found[k] = sweep_picture(name, plot, around)
    return found


def part_card(
    v: PartVerdict, readings: PartReadings | None = None, sources: Mapping[int, Mapping] | None = None,
    pictures: Mapping[int, Picture] | None = None, anchor: str = "",
) -> b.Block:  # fmt: skip
    """All that is known of one part.

    Parameters
    ----------
    v : PartVerdict
    readings : PartReadings, optional
    sources : mapping of int to mapping, optional
        Where its sweeps came from, by index of the sweep.
    pictures : mapping of int to Picture, optional
        By index of the sweep.
    anchor : str
        Id of the section.
    """
    pictures, sources = pictures or {}, sources or {}
    what = ", ".join(w for w in (device_words(v.device, v.type), leads_words(v.device)) if w)
    said = evidence_of(v)
    blocks: list[b.Block] = [b.text(what, "what")]
    blocks += [b.text(f"Fault: {fault_words(v)}")] if v.faults else []
    blocks.append(b.bullets(said))
    blocks += [b.text(v.next, "next")] if v.next else []
    blocks.append(b.bullets(v.warnings, role="soft"))
    beside = []
    if readings is not None and readings.readings:
        # a square: rows are the red lead, columns the black one
        found = {r.placement: reading(r) for r in readings.readings}
        leads = {name for place in found for name in split_placement(place)}
        leads = sorted(leads, key=lambda name: ("BCEAK1234".find(name), name))
        rows = [
            [f"red on {red}", *("" if red == black else found.get(f"{red}-{black}", "·") for black in leads)]
            for red in leads
        ]
        columns = b.columns("", *(f"black on {black}" for black in leads))
        beside.append(b.table(columns, rows, style="grid"))
    limit = {j.junction: f"{j.family}: {j.limit}" if j.family else j.limit for j in v.junctions if j.limit}
    read = [j for j in v.junctions if j.fit is None and j.sweep not in pictures]
    if read:
        path = [interval(j.leak_ohm, "ohm") if j.leak_ohm is not None else "" for j in read]
        heads = ("junction", "verdict", "sure", *(["path resistance"] if any(path) else []))
        rows = [[spelled(j.junction), b.Badge(j.verdict), sure(j), ohms][: len(heads)]
                for j, ohms in zip(read, path, strict=True)]  # fmt: skip
        beside.append(b.table(b.columns(*heads), rows))
    if v.measured:
        rows = [[name, interval(it)] for name, it in v.measured.items()]
        beside.append(b.table(b.columns("quantity", "value and its interval"), rows, style="values"))
    blocks.append(b.beside(beside))
    judged = [f"{spelled(j.junction)} judged by {limit[j.junction]}" for j in read if j.limit]
    blocks.append(b.bullets(judged, role="soft"))
    for j in v.junctions:
        own = spelled(j.junction)
        inner = [b.bullets([s for s in j.evidence if s not in said and f"{own}: {s}" not in said])]
        if j in read:
            blocks += inner
            continue
        if j.sweep in pictures:
            source = sources.get(j.sweep)
            inner.append(b.pictures([pictures[j.sweep]], source_caption(source) if source else ""))
        inner += [b.text(("Path resistance: ", interval(j.leak_ohm, "ohm")))] if j.leak_ohm else []
        inner += fit_blocks(j.fit) if j.fit is not None else []
        inner += [b.text(f"Judged by {limit[j.junction]}", "soft")] if j.limit else []
        heading = (own, " ", b.Badge(j.verdict), " ", sure(j))
        blocks.append(b.section(heading, inner, level=4, role="junction"))
    if v.alternatives:
        rows = [
            [spelled(*a.faults) or "no fault", device_words(a.device),
             percent(a.probability), a.decided_by]
            for a in v.alternatives
        ]  # fmt: skip
        columns = b.columns("faults", "device", "probability", "decided by", right=("probability",))
        blocks.append(b.table(columns, rows, "What else could explain it"))
    blocks.append(b.bullets(v.neighbours, "Test before power-up", "two"))
    blocks += [b.text(blind_words(v), "soft")] if v.cannot_see else []
    role = "part" if any(j.sweep in pictures for j in v.junctions) else "part short"
    return b.section((v.part, " ", b.Badge(v.verdict), " ", sure(v)), blocks, anchor, 3, role)
