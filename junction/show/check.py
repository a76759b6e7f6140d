"""One judged part as plain text for the bench, as JSON and as a page."""

from __future__ import annotations

from collections.abc import Sequence

from junction.base.records import PartReadings
from junction.judge.results import Alternative, PartVerdict
from junction.shelf.results import Caution, Meter
from junction.show.table import Paint, paragraph
from junction.show.text import visible

_SHORT_LIST = 4  # neighbours of a small-signal part or a diode; an output stage has more
_LABEL = 10  # columns the label at the left takes


def probability_words(p: float) -> str:
    """``99 % sure``; never 100, never a digit that means nothing."""
    if p >= 0.995:
        return "over 99 %"
    if p < 0.005:
        return "under 1 %"
    return f"{100 * p:.0f} %"


def faults_words(faults: Sequence[str]) -> str:
    """``B-E shorted, C-E leaky``."""
    return ", ".join(f"{f[0]}-{f[1:]}" for f in faults)


def device_line(v: PartVerdict, readings: PartReadings) -> str:
    """What the part is, and which lead is which, as far as that is known."""
    d = v.device
    noun = {
        "bjt": "transistor",
        "darlington": "Darlington",
        "diode": "diode",
        "bjt with damper diode": "transistor with damper diode",
    }.get(d.kind, "")
    named = all(not r.placement[0].isdigit() for r in readings.readings)
    words = " ".join(w for w in (d.polarity, d.material, noun) if w).replace("LED diode", "LED")
    if not words:
        words = "the kind of part cannot be told"
    elif not noun:
        words += ", kind of part not settled"
    if d.kind != "diode" and not d.polarity:
        words += ", polarity not settled"
    if named or d.kind == "diode":
        return words
    names = {"B": "base", "C": "collector", "E": "emitter"}
    leads = [f"{lead} is the {names[role]}" for lead, role in sorted(d.leads.items())]
    if len(leads) < 3:
        roles = set(d.leads.values())
        rest = [names[r] for r in "BCE" if r not in roles]
        leads.append(
            f"{' and '.join([', '.join(rest[:-1]), rest[-1]] if len(rest) > 1 else rest)} not told apart"
        )
    return f"{words}; {', '.join(leads)}"


def verdict_line(v: PartVerdict) -> str:
    """First line: the verdict, the fault, how sure."""
    word, rest = verdict_pieces(v)
    return f"{word.upper()}  {rest}"


def verdict_pieces(v: PartVerdict) -> tuple[str, str]:
    """The verdict's word, and what is said beside it."""
    if v.verdict == "undecided":
        if v.doubt:
            return v.verdict, v.doubt
        best = max(v.probability, key=lambda q: v.probability[q])
        p = v.probability[best]
        return v.verdict, f"leans to {best}, {probability_words(p)}" if p > 0.4 else "nothing fits well"
    sure = f"{probability_words(v.probability[v.verdict])} sure"
    if not v.faults:
        return v.verdict, sure
    exact = v.faults_probability
    if exact < 0.8:
        likely = f"likeliest {faults_words(v.faults)}, {probability_words(exact)}"
        return v.verdict, f"{sure}; which path of the part is not settled ({likely})"
    return v.verdict, f"{faults_words(v.faults)}  ({sure})"


def alternative_words(a: Alternative) -> str:
    """Another explanation with its probability and what decides."""
    what = faults_words(a.faults) or "no fault"
    kind = {
        "bjt": "transistor",
        "darlington": "Darlington",
        "unknown": "not a bipolar transistor",
        "bjt with damper diode": "transistor with damper diode",
    }.get(a.device.kind, a.device.kind)
    words = " ".join(w for w in (a.device.polarity, a.device.material, kind) if w)
    leads = "".join(f", lead {k} {role}" for k, role in sorted(a.device.leads.items()))
    return f"{probability_words(a.probability)}: {what} ({words}{leads})"


def _more_tests(v: PartVerdict) -> list[str]:
    """A deciding test beside the next step, where it would change what is done."""
    if v.in_circuit or v.next.startswith("Read ") or v.verdict == "good":
        return []
    told = dict.fromkeys(a.decided_by for a in v.alternatives if a.decided_by and a.faults != v.faults)
    return [f"To tell the rest apart: {t}." for t in told if t.lower() not in v.next.lower()][:1]


def _block(label: str, items: Sequence[str], width: int, paint: Paint) -> list[str]:
    lines = []
    for k, item in enumerate(items):
        text = paragraph(item, width, " " * _LABEL)
        if k == 0:
            text = paint.quiet(label.ljust(_LABEL)) + text[_LABEL:]
        lines.append(text)
    return lines


def taken_words(v: PartVerdict, meter: Meter) -> str:
    """What was taken for granted: the meter and the temperature."""
    if meter.source_kind == "resistance":
        source = f"{meter.open_voltage_V:g} V behind {meter.resistance_ohm:g} ohm"
    else:
        source = f"{1e3 * meter.test_current_A:g} mA"
    given = meter.basis == "given by the user"
    other = "" if given else " (yours differs: --meter-current or --meter-open-voltage)"
    warmth = f"{v.temp_C:g} C" + ("" if v.temp_known else ", as none was given")
    return f"a meter of {source}, OL above {meter.over_range_V:g} V{other}; {warmth}."


def check_text(
    v: PartVerdict,
    readings: PartReadings,
    cautions: Sequence[Caution] = (),
    *,
    meter: Meter | None = None,
    width: int = 80,
    paint: Paint | None = None,
) -> str:
    """The whole answer in plain text.

    Parameters
    ----------
    v : PartVerdict
    readings : PartReadings
    cautions : sequence of Caution
        The last two lines are chosen from them; the caution at the top is the short one of `SHORT_CAUTION`.
    meter : Meter, optional
        The meter the readings were judged for, to be said.
    width : int
        Columns.
    paint : Paint, optional

    Returns
    -------
    str
        Without a final line end; the first line is the verdict.
    """
    paint = paint or Paint()
    first = paragraph(verdict_line(v), width)
    word = v.verdict.upper()
    lines = [paint.verdict(v.verdict, word) + first[len(word) :]]
    lines.append(paint.quiet(paragraph(SHORT_CAUTION, width)))
    lines += _block("part", [device_line(v, readings)], width, paint)
    lines += _block("why", why_lines(v), width, paint)
    lines += _block("note", v.warnings, width, paint)
    others = [alternative_words(a) for a in v.alternatives if a.probability >= 0.02]
    lines += _block("or else", others, width, paint)
    lines += _block("next", [v.next], width, paint) if v.next else []
    lines += _block("", _more_tests(v), width, paint)
    lines += _block("not seen", [f"{v.cannot_see}."], width, paint) if v.cannot_see else []
    if meter is not None:
        lines += _block("taken", [taken_words(v, meter)], width, paint)
    if v.neighbours:
        output_stage = len(v.neighbours) > _SHORT_LIST
        lines.append(paint.strong(f"{'If it drives a load, test' if output_stage else 'Test'} before power "
                                  "comes back:"))  # fmt: skip
        lines += [
            paragraph(f"{k}. {text}", width, "  ", "     ") for k, text in enumerate(v.neighbours[:-1], 1)
        ]
        lines.append(paragraph(v.neighbours[-1], width))
    if v.neighbours or v.in_circuit:  # where the hand goes next; the meter's own stand at the top
        shown = last_cautions(cautions)
        lines += [paint.quiet("cautions")] if shown else []
        lines += [paragraph(f"- {visible(c.text)}", width, "  ", "    ") for c in shown]
    return "\n".join(lines)


def why_lines(v: PartVerdict) -> tuple[str, ...]:
    """Evidence without the sentence that the first line says already."""
    said = v.doubt.lower() + "."
    return tuple(s for s in v.evidence if s.lower() != said) if v.doubt else v.evidence


def last_cautions(cautions: Sequence[Caution]) -> list[Caution]:
    """At most two cautions of where the hand goes next, without what stands above them already.

    The top of the answer says to unplug and to measure the capacitors down, the list of neighbours how to
    power up.
    """
    said = ("unplug", "first power-up")
    fresh = [c for c in cautions if c.where != "meter" and not c.text.lower().startswith(said)]
    return fresh[:2]


SHORT_CAUTION = (
    "Leads on a dead circuit only: unplugged, capacitors measured down to under a volt. Local codes and "
    "licensed practice come first."
)


def running_line(v: PartVerdict) -> str:
    """One line for a sitting: how the readings so far add up."""
    if v.verdict == "undecided":
        ranked = sorted(v.probability.items(), key=lambda item: -item[1])
        return "so far: " + ", ".join(f"{q} {probability_words(p)}" for q, p in ranked if p >= 0.02)
    return f"so far: {'  '.join(verdict_pieces(v))}"


def check_json(v: PartVerdict, readings: PartReadings, meter) -> str:
    """JSON of one part, in the contract of `junction sort`, with the readings and the meter."""
    from junction.show import json_out

    body = {
        "parts": [{**json_out.part(v), "readings": json_out.readings(readings)}],
        "meter": {
            "name": meter.name,
            "kind": meter.source_kind,
            "test_current_A": json_out.number(meter.test_current_A),
            "open_voltage_V": meter.open_voltage_V,
            "resistance_ohm": json_out.number(meter.resistance_ohm),
            "over_range_V": meter.over_range_V,
        },
        "set_aside": [],
    }
    return json_out.document("check", body)


def check_page(v: PartVerdict, readings: PartReadings, cautions: Sequence, meter, made: str) -> str:
    """Self-contained page of one part."""
    from junction.show import html
    from junction.show.part_page import part_section

    return html.page(
        f"check of {v.part or 'one part'}",
        html.tag("h1", f"Check of {v.part or 'one part'}"),
        html.cautions_box(cautions),
        part_section(v, readings),
        footer=html.tag("p", f"Meter: {meter.name}. Made {made}."),
    )
