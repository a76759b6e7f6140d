"""The same few phrases about parts, for the terminal, the page and the CSV alike."""

from __future__ import annotations

from collections.abc import Sequence

from junction.base.number import percent
from junction.base.records import Interval
from junction.fit.results import FitSummary
from junction.judge.results import Device, PartVerdict
from junction.show.json_out import PARAMETER_KEYS

#: estimate's parameter name -> how it is called in front of people.
PARAMETER_WORDS = {**PARAMETER_KEYS, "RSH_ohm": "shunt", "R_ohm": "R", "I0_A": "offset"}

#: What the flags of a fit mean, in a bench's words.
FLAG_WORDS = {
    "converged": "", "uncertainty_known": "",
    "at_bound": "a parameter stands at its bound",
    "rank_deficient": "the points cannot hold every parameter apart",
    "unphysical": "the best fit is not physical: read no parameter from it",
    "current_limited": "the source ran into its current limit; those points are left out",
    "over_range": "over-range points are left out",
    "range_step": "a step where the meter changed range",
    "self_heated": "the part warmed up during the sweep",
    "zero_offset": "the ammeter has a zero offset; it is taken off",
    "outliers": "wild points are left out",
    "reversed": "logged with the signs of a PNP part; turned over",
    "poor_fit": "the points scatter more than their uncertainty allows; the intervals are widened for it",
}  # fmt: skip


def fit_notes(f: FitSummary) -> list[str]:
    """What the flags of a fit say, in words; nothing where all is well."""
    notes = [FLAG_WORDS.get(flag, flag) for flag in f.flags]
    if "converged" not in f.flags and f.n_used and f.model != "none":
        notes.insert(0, "the fit did not settle: trust no digit of it")
    return [note for note in notes if note]


#: What each verdict means, for the foot of a page and the help.
MEANING = {
    "good": "every junction that was measured behaves within the limits of its family or registered type",
    "leaky": "a path carries more current than the limit allows, yet the junction can still be biased on",
    "shorted": "a path of a few ohm where a junction should be",
    "open": "no current where a junction should conduct",
    "undecided": "not a quality but a refusal: the measurement named beside it would decide",
}


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


def sureness(v: PartVerdict) -> float:
    """Probability of the verdict; for an undecided part, of its likeliest quality."""
    if v.verdict in v.probability:
        return v.probability[v.verdict]
    return max(v.probability.values(), default=float("nan"))


#: A likeliest quality under this is no leaning: four qualities share what nothing is known of.
EVEN_ODDS = 0.4
#: A named fault under this probability is only the likeliest one: the quality is surer than the place.
PLACE_SURE = 0.95


def fault_words(v: PartVerdict) -> str:
    """``BE leaky``; ``likely BE leaky`` where the verdict is sure but the place of the fault is not."""
    text = ", ".join(v.faults)
    return f"likely {text}" if text and v.faults_probability < PLACE_SURE else text


def no_leaning(v: PartVerdict) -> bool:
    """Whether an undecided part leans nowhere, or its odds would mislead."""
    return v.verdict == "undecided" and (bool(v.doubt) or sureness(v) < EVEN_ODDS)


def sure_words(v: PartVerdict) -> str:
    """``99 %``; for an undecided part what it is likeliest to be: ``61 % good``, ``-`` where odds mislead."""
    if no_leaning(v):
        return "-"
    text = percent(sureness(v))
    return text if v.verdict in v.probability else f"{text} {likeliest(v)}".strip()


def likeliest(v: PartVerdict) -> str:
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


def shown_parameters(parameters: dict[str, Interval]) -> Sequence[tuple[str, Interval]]:
    """Parameters a fit holds, under the names people read, in the order of the fit."""
    return [(PARAMETER_WORDS.get(name, name), it) for name, it in parameters.items()]
