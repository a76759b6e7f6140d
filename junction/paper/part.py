"""A part in words: its device, fault and figures, where it was measured, and its fits."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import isfinite, nan
from typing import TYPE_CHECKING

from junction.base.records import CurveTable, Interval, SweepTable, spelled
from junction.base.units import interval, nominal, percent
from junction.judge.results import Device, Finding, JunctionVerdict, PartVerdict, say
from junction.shelf.tables import rule
from junction.show import blocks as b

if TYPE_CHECKING:  # a report without pictures or fits does not wait for what draws and makes them
    from junction.show.canvas import Picture
    from junction.sweeps.results import FitSummary, SweepPlot

#: Flags of a good fit, and those that the count of points left out tells.
_COUNTED = ("converged", "uncertainty_known", "current_limited", "over_range", "outliers")


def parameter_word(name: str) -> str:
    """What a fitted parameter is called in front of people."""
    from junction.sweeps.results import PARAMETER_KEYS

    return {**PARAMETER_KEYS, "RSH_ohm": "shunt", "R_ohm": "R", "I0_A": "offset"}.get(name, name)


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
    own = [d.polarity, d.material, kind.replace("bjt", "transistor")]
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
    shown = [(parameter_word(name), it) for name, it in fit.parameters.items()]
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
        forward = [f"{parameter_word(name)} {interval(p[name], ends=False)}"
                   for name in ("N", "NR", "RS_ohm", "R_ohm") if name in p]  # fmt: skip
        leak = parameter_word("RSH_ohm")
        reverse = [f"{leak} {interval(p['RSH_ohm'], ends=False)}"] if "RSH_ohm" in p else []
        broken = p["BV_V"].value if "BV_V" in p else float("nan")
        reverse += [f"breakdown {interval(p['BV_V'], ends=False)} at 1 mA"] if broken == broken else []
        taken = bool(fit) and not fit.temp_known
        around = Around(date, forward, reverse, broken, taken)
        name = f"{k + 1:03d}_{b.file_stem(plot.part)}_{plot.junction}"
        found[k] = sweep_picture(name, plot, around)
    return found


#: What a quantity is called in front of people, behind the path it belongs to.
QUANTITIES = {
    "leak_A": "leak", "path_ohm": "path", "drop_V": "drop", "vf_V": "drop", "rs_ohm": "resistance inside",
    "inside_ohm": "resistance inside", "bv_V": "breakdown", "vbe_V": "V_BE", "h_FE": "h_FE",
    "vce_sat_V": "V_CE saturated", "ic_A": "collector current", "ib_A": "base current",
}  # fmt: skip


def _measured_at(f: Finding) -> str:
    volts = f.numbers.get("seen_V", f.numbers.get("volts", nan)) if f.quantity == "leak_A" else nan
    return f" at {volts:.3g} V" if volts == volts else ""


def where_words(f: Finding) -> str:
    """``B-C``; ``1-3 (B-C)`` where the leads have numbers."""
    path, ends = spelled(f.where), "-".join(f.numbers.get("ends", ()))
    return f"{ends} ({path})" if ends[:1].isdigit() and path != ends and f.where else path


def quantity_words(f: Finding) -> str:
    """``B-C leak at 5 V``: a quantity, between which leads, and where it was measured."""
    called = QUANTITIES.get(f.quantity, f.quantity)
    where = "" if called in ("h_FE", "V_BE") else where_words(f)
    return " ".join(filter(None, (where, called))) + _measured_at(f)


def is_known(it: Interval | None) -> bool:
    """Whether a value or one of its ends is a number."""
    return it is not None and (it.value == it.value or isfinite(it.low) or isfinite(it.high))


def figure_seen(f: Finding) -> str:
    """What was measured, without its limit: ``333 µA at 5 V``, ``< 7 Ω``, ``no current up to 1.2 V``."""
    if not is_known(f.value):
        return f.brief()
    return f"{'h_FE ' if f.quantity == 'h_FE' else ''}{interval(f.value, ends=False)}{_measured_at(f)}"


#: Reasons whose brief form names the placements itself.
_NAMED = ("leads_half_read", "leads_unread", "leads_beside", "leads_as", "leads_goes_with",
          "leads_kind_shows", "leads_junction", "leads_open_unread")  # fmt: skip


def deciding_line(v: PartVerdict) -> b.Inline:
    """The line that decides: ``B-C leaky: 333 µA at 5 V, limit 100 µA, 3.3 times``."""
    f, first = v.decides, fault_words(v)
    if f is None:
        return first
    said, where = f.brief(), spelled(f.where)
    if v.verdict == "good":
        first = "nearest its limit" if is_known(f.value) else ""
    if where and where not in first and "drop" not in f.quantity and f.reason not in _NAMED:
        said = f"{where} {said}"
    text = f"{first}: {said}" if first else said
    text = text[:1].upper() + text[1:]
    # how many times over says something of a current, nothing of a path that is far from any limit
    return (text, ", ", f.beyond()) if f.times > 1 and f.limit[1] and v.verdict != "good" else text
