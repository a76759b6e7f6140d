"""A part in words, and its card: what was measured, what it shows, what else it could be, what comes next."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from junction.base.number import interval, nominal, percent, reading
from junction.base.records import PartReadings, Reading
from junction.fit.results import PARAMETER_KEYS, FitSummary, SweepSource
from junction.judge.results import Device, JunctionVerdict, PartVerdict
from junction.judge.sentences import say
from junction.shelf.rules import rule
from junction.show import blocks as b

#: estimate's parameter name -> how it is called in front of people.
PARAMETER_WORDS = {**PARAMETER_KEYS, "RSH_ohm": "shunt", "R_ohm": "R", "I0_A": "offset"}


def fit_notes(f: FitSummary) -> list[str]:
    """What the flags of a fit say, in words; nothing where all is well."""
    flags = [flag for flag in f.flags if flag not in ("converged", "uncertainty_known")]
    if "converged" not in f.flags and f.n_used and f.model != "none":
        flags.insert(0, "not_converged")
    return [say(f"fit_flag_{flag}") for flag in flags]


def device_words(d: Device, type_: str = "") -> str:
    """``NPN silicon bjt``, with the written type in front where there is one."""
    kind = d.kind if d.kind != "unknown" else ""
    words = [type_, d.polarity, d.material, "transistor" if kind == "bjt" else kind]
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
    """``BE leaky``; ``likely BE leaky`` where the verdict is sure but the place of the fault is not."""
    text = ", ".join(v.faults)
    return f"likely {text}" if text and v.faults_probability < rule("conformity_good") else text


def no_leaning(v: PartVerdict) -> bool:
    """Whether an undecided part leans nowhere, or its odds would mislead."""
    return v.verdict == "undecided" and (bool(v.doubt) or sureness(v) < rule("show_even_odds"))


def likeliest(v: PartVerdict | JunctionVerdict) -> str:
    """Likeliest quality of a part."""
    return max(v.probability, key=lambda q: v.probability[q], default="")


def evidence_of(v: PartVerdict) -> tuple[str, ...]:
    """Sentences of evidence of a part: its own, or those of the junctions that explain its verdict."""
    if v.evidence:
        return v.evidence
    blamed = [j for j in v.junctions if j.verdict == v.verdict] or list(v.junctions)
    return tuple(_named(j.junction, sentence) for j in blamed for sentence in j.evidence)


def _named(junction: str, sentence: str) -> str:
    """A sentence about a junction, which is named in front unless the sentence names it itself."""
    spelled = (junction, "-".join(junction), "-".join(reversed(junction)))
    return sentence if any(s in sentence for s in spelled) else f"{junction}: {sentence}"


def blind_words(v: PartVerdict) -> str:
    """What the method cannot see, as a sentence."""
    text = v.cannot_see
    if not text or text.endswith("."):
        return text
    method = {"sweeps": "The sweeps", "readings": "Diode mode"}.get(v.basis, "These measurements")
    return f"{method} cannot see: {text}."


def counts_words(counts: dict[str, int]) -> str:
    """``3 shorted, 2 open, 4 leaky, 1 undecided, 14 good``."""
    return ", ".join(f"{n} {word}" for word, n in counts.items()) or "no parts"


def sure(v: PartVerdict | JunctionVerdict) -> b.Inline:
    """How sure a verdict is; for an undecided one, of what it is likeliest to be, or ``-``."""
    if isinstance(v, PartVerdict) and no_leaning(v):
        return "-"
    p = sureness(v)
    if p != p:
        return ""
    shown = percent(p)
    return shown if v.verdict in v.probability else (shown, f" {likeliest(v)}")


def reading_grid(readings: Sequence[Reading]) -> b.Block:
    """Readings as a square: rows are the red lead, columns the black one."""
    found = {r.placement: reading(r) for r in readings}
    leads = sorted({name for place in found for name in place.split("-")}, key="BCEAK123".find)
    rows = [
        [f"red on {red}", *("" if red == black else found.get(f"{red}-{black}", "·") for black in leads)]
        for red in leads
    ]
    return b.table(b.columns("", *(f"black on {black}" for black in leads)), rows, style="grid")


def fit_blocks(fit: FitSummary) -> Iterable[b.Block]:
    """Model, parameters and derived values with their 95 % intervals."""
    yield b.text(("Model: ", fit.model, "; ", b.counted(fit.n_used, ""), " of ",
                b.counted(fit.n_points, "point"), " used, at ", nominal(fit.temp_C, "degC"),
                "." if fit.temp_known else " (taken, not measured)."))  # fmt: skip
    yield b.bullets(fit_notes(fit), role="soft")
    shown = [(PARAMETER_WORDS.get(name, name), it) for name, it in fit.parameters.items()]
    columns = b.columns("quantity", "value and its interval")
    yield b.beside([
        b.table(columns, [[name, interval(it)] for name, it in items], style="values")
        for items in (shown, list(fit.derived.items())) if items
    ])  # fmt: skip


def source_caption(source: SweepSource) -> b.Inline:
    """Where a sweep came from, by file and lines."""
    return (source.file or "sweep", ", lines ", b.counted(source.first_row, ""), " to ",
            b.counted(source.last_row, ""), " (", b.counted(source.points, "point"), ")")  # fmt: skip


def sweep_pictures(svgs: Mapping[str, str], part: str, junction: str, source: SweepSource | None):
    """Views of one sweep side by side."""
    pictures = [(f"{part} {junction}: {view} view of the sweep", svg) for view, svg in svgs.items()]
    return b.pictures(pictures, source_caption(source) if source else "")


def _limit_words(j: JunctionVerdict) -> str:
    return f"{j.family}: {j.limit}" if j.family and j.limit else j.limit or j.family


def _junction_block(part, j, source, svgs, evidence) -> b.Block:
    """One junction: verdict, evidence (what the part has not said yet), pictures and fit."""
    blocks: list[b.Block] = [b.bullets(evidence)]
    blocks += [sweep_pictures(svgs, part, j.junction, source)] if svgs else []
    blocks += [b.text(("Path resistance: ", interval(j.leak_ohm, "ohm")))] if j.leak_ohm else []
    blocks += fit_blocks(j.fit) if j.fit is not None else []
    blocks += [b.text(f"Judged by {_limit_words(j)}", "soft")] if j.limit else []
    return b.section((j.junction, " ", b.Badge(j.verdict), " ", sure(j)), blocks, level=4, role="junction")


def _junction_table(junctions: Sequence[JunctionVerdict]) -> b.Block:
    """Junctions that were read and not swept: verdict and path, one a row."""
    path = any(j.leak_ohm is not None for j in junctions)
    rows = [
        [j.junction, b.Badge(j.verdict), sure(j),
         *([interval(j.leak_ohm, "ohm") if j.leak_ohm is not None else ""] if path else [])]
        for j in junctions
    ]  # fmt: skip
    heads = ("junction", "verdict", "sure", *(["path resistance"] if path else []))
    return b.table(b.columns(*heads), rows)


def part_card(
    v: PartVerdict,
    readings: PartReadings | None = None,
    sources: Iterable[SweepSource] = (),
    svgs: Mapping[int, Mapping[str, str]] | None = None,
    anchor: str = "",
) -> b.Block:
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
    """
    svgs = svgs or {}
    where = {s.sweep: s for s in sources}
    what = ", ".join(w for w in (device_words(v.device, v.type), leads_words(v.device)) if w)
    said = evidence_of(v)
    blocks: list[b.Block] = [b.text(what, "what")]
    blocks += [b.text(f"Fault: {fault_words(v)}")] if v.faults else []
    blocks.append(b.bullets(said))
    blocks += [b.text(v.next, "next")] if v.next else []
    blocks.append(b.bullets(v.warnings, role="soft"))
    read = [j for j in v.junctions if j.fit is None and j.sweep not in svgs]
    beside = [reading_grid(readings.readings)] if readings is not None and readings.readings else []
    blocks.append(b.beside(beside + ([_junction_table(read)] if read else [])))
    limits = [f"{j.junction} judged by {_limit_words(j)}" for j in read if j.limit]
    blocks.append(b.bullets(limits, role="soft"))
    for j in v.junctions:
        fresh = [s for s in j.evidence if s not in said and f"{j.junction}: {s}" not in said]
        if j in read:
            blocks.append(b.bullets(fresh))
        else:
            blocks.append(_junction_block(v.part, j, where.get(j.sweep), svgs.get(j.sweep, {}), fresh))
    if v.alternatives:
        rows = [
            [", ".join(a.faults) or "no fault", device_words(a.device),
             percent(a.probability), a.decided_by]
            for a in v.alternatives
        ]  # fmt: skip
        columns = b.columns("faults", "device", "probability", "decided by", right=("probability",))
        blocks.append(b.table(columns, rows, "What else could explain it"))
    blocks.append(b.bullets(v.neighbours, "Test before power-up", "two"))
    blocks += [b.text(blind_words(v), "soft")] if v.cannot_see else []
    role = "part" if any(j.sweep in svgs for j in v.junctions) else "part short"
    return b.section((v.part, " ", b.Badge(v.verdict), " ", sure(v)), blocks, anchor, 3, role)
