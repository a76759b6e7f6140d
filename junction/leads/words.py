"""What the readings of a part say, in the words of the bench."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite, isinf, isnan

from junction.base.records import Interval, Reading
from junction.leads.answer import Answer, Explanation

_MATERIAL = {
    "silicon": "a silicon",
    "germanium": "a germanium",
    "Schottky": "a Schottky",
    "Schottky-clamped silicon": "a Schottky-clamped",
    "LED": "an LED",
}
_PATH_WORDS = {"BE": "base-emitter", "BC": "base-collector", "CE": "collector-emitter", "AK": "diode"}


def ohm_words(ohm: float) -> str:
    """Resistance to two significant digits: ``0.4 ohm``, ``340 ohm``, ``2.2 kohm``."""
    if isinf(ohm):
        return "over range"
    for factor, unit in ((1e6, "Mohm"), (1e3, "kohm")):
        if ohm >= 0.995 * factor:
            return f"{float(f'{ohm / factor:.2g}'):g} {unit}"
    return f"{float(f'{ohm:.2g}'):g} ohm"


def value_words(reading: Reading) -> str:
    """A reading as the meter shows it."""
    if reading.kind == "over":
        return "OL"
    if reading.kind == "ohm":
        return "OL on ohms" if isinf(reading.value) else ohm_words(reading.value)
    return f"{reading.value:.3f} V"


def pair_words(readings: Sequence[Reading], one: str, other: str) -> str:
    """``B-E 0.642 V, E-B OL`` for the readings between two leads, both ways; '' where there are none."""
    found = [r for r in readings if r.placement in (f"{one}-{other}", f"{other}-{one}")]
    if len(found) >= 2 and all(r.kind == "over" for r in found):
        return f"{one}-{other} OL both ways"
    return ", ".join(f"{r.placement} {value_words(r)}" for r in found)


def lead_of_role(explanation: Explanation, turns, leads: Sequence[str]) -> dict[str, str]:
    """Lead that plays each role in the explanation's most probable arrangement."""
    roles = turns[explanation.arrangement].roles
    return dict(zip(roles, leads, strict=False))


def between(readings: Sequence[Reading], one: str, other: str) -> list[Reading]:
    """Readings between two leads, either way."""
    return [r for r in readings if r.placement in (f"{one}-{other}", f"{other}-{one}")]


def is_junction_like(pair: Sequence[Reading]) -> bool:
    """One way a voltage that a junction drops, and nothing but over-range the other way (if it was read)."""
    volts = [r for r in pair if r.kind == "volt"]
    return len(volts) == 1 and volts[0].value >= 0.05 and all(
        r.kind == "over" or isinf(r.value) for r in pair if r is not volts[0]
    )  # fmt: skip


def is_silent(pair: Sequence[Reading]) -> bool:
    """Read both ways, and over-range both ways."""
    return len({r.placement for r in pair}) == 2 and all(r.kind == "over" or isinf(r.value) for r in pair)


def path_sentence(
    path: str,
    word: str,
    explanation: Explanation,
    readings: Sequence[Reading],
    lead: Mapping[str, str],
    ohm: Interval | None,
    in_circuit: bool = False,
    sure: bool = True,
) -> str:
    """One sentence about one path: the readings, and what they are taken for.

    Where it is not sure which path of the part this is, the sentence names the leads only.
    """
    one, other = lead[path[0]], lead[path[1]]
    seen, pair = pair_words(readings, one, other), between(readings, one, other)
    if not seen:
        return f"{one}-{other} was not read." if path != "CE" and word == "good" else ""
    if word == "shorted":
        return f"{seen}: a short{_short_words(ohm)} between {name_pair(path)}; under 50 ohm is a short."
    if word == "leaky":
        return f"{seen}: {_leak_words(path, explanation, readings, lead, ohm, sure)}"
    if word == "open":
        return f"{seen}: {_open_words(path, pair, sure)}"
    unread = [f"{a}-{b}" for a, b in ((one, other), (other, one)) if f"{a}-{b}" not in placements(pair)]
    if unread:
        return f"{seen}; {unread[0]} was not read."
    if path == "CE" and is_silent(pair):
        return f"{seen}: no path from collector to emitter."
    if path != "CE" and is_junction_like(pair):
        lit = explanation.structure.startswith("LED")
        return f"{seen}: {'an LED' if lit else _MATERIAL.get(explanation.material, 'a')} junction."
    if in_circuit and len(placements([r for r in pair if r.kind != "over"])) == 2:
        return f"{seen}: a path beside it, the circuit's own or a fault of the part."
    if explanation.faults:
        return f"{seen}: goes with {fault_words(explanation.faults)}."
    return f"{seen}: as {explanation_words(explanation)} shows it."


def placements(pair: Sequence[Reading]) -> set[str]:
    """Placements that some readings are of."""
    return {r.placement for r in pair}


def _short_words(ohm: Interval | None) -> str:
    """`` (about 12 ohm)``, or `` (under 6.6 ohm)`` where the meter shows nothing but zero."""
    if ohm is None:
        return ""
    if isnan(ohm.value):
        return f" (under {ohm_words(ohm.high)})" if isfinite(ohm.high) else ""
    return f" (about {ohm_words(ohm.value)})" if ohm.value >= 1 else ""


def _leak_words(
    path: str, explanation: Explanation, readings: Sequence[Reading], lead: Mapping[str, str],
    ohm: Interval | None, sure: bool,
) -> str:  # fmt: skip
    """What a leak was seen by: a path of some ohms, a drop that is too low, or readings no path gives."""
    name, material = _PATH_WORDS[path], _MATERIAL.get(explanation.material, "a")
    one, other = lead[path[0]], lead[path[1]]
    pair = between(readings, one, other)
    if path != "CE" and no_resistance_gives(pair, explanation.polarity, one, other):
        low, high = sorted((r for r in pair if r.kind == "volt"), key=lambda r: r.value)
        return (
            f"no sound junction, and no resistance across one either: that would hold {high.placement} down "
            f"to {value_words(low)} too. Read both once more."
        )
    if ohm is None:
        return f"the {name} junction drops far too little for {material} one and is leaky."
    if not sure:
        leads = " and ".join(sorted((one, other)))
        return f"a path of about {ohm_words(ohm.value)} lies between leads {leads}."
    where = "lies between collector and emitter" if path == "CE" else f"lies across the {name} {kind(path)}"
    if path == "BE" and any(r.kind == "over" for r in pair):
        return (
            f"a leak of some {ohm_words(ohm.value)} {where.removeprefix('lies ')}, too high to show there, "
            "shows between collector and emitter."
        )
    return f"a path of about {ohm_words(ohm.value)} {where}."


def no_resistance_gives(pair: Sequence[Reading], polarity: str, one: str, other: str) -> bool:
    """Whether a junction reads less backward than forward, as no resistance across it makes it.

    A resistance conducts the same either way, and forward the junction conducts beside it: backward must
    read more.  A fifth and 20 mV are left to the meter.

    Parameters
    ----------
    pair : sequence of Reading
        Between leads `one` (base or anode) and `other`.
    polarity : str
        'PNP' where the base is the cathode.
    """
    volts = {r.placement: r.value for r in pair if r.kind == "volt"}
    forward, backward = volts.get(f"{one}-{other}", 0.0), volts.get(f"{other}-{one}", 0.0)
    if polarity == "PNP":
        forward, backward = backward, forward
    return len(volts) == 2 and backward < 0.8 * forward - 0.02


def _open_words(path: str, pair: Sequence[Reading], sure: bool) -> str:
    name = f"{_PATH_WORDS[path]} {kind(path)}"
    if any(r.kind == "volt" or (r.kind == "ohm" and not isinf(r.value)) for r in pair):
        return f"only a path beside it conducts; it hides the {name}, or the {name} is open."
    if sure and is_silent(pair):
        return f"the {name} is open."
    one = next(iter(pair)).placement
    red, black = one.split("-")
    other_way = "" if len(placements(pair)) == 2 else f"; {black}-{red} was not read"
    return f"nothing conducts there{other_way}."


def name_pair(path: str) -> str:
    """``base and emitter`` and so on."""
    names = {"B": "base", "C": "collector", "E": "emitter", "A": "anode", "K": "cathode"}
    return f"{names[path[0]]} and {names[path[1]]}"


def kind(path: str) -> str:
    """``junction``, or ``path`` for collector to emitter."""
    return "path" if path == "CE" else "junction"


def device_words(explanation: Explanation) -> str:
    """``an NPN silicon transistor with ...``, without its faults."""
    noun = {
        "bjt": "transistor",
        "darlington": "Darlington",
        "bjt with damper diode": "transistor",
        "diode": "diode",
        "unknown": "part",
    }[explanation.kind]
    structure = explanation.structure
    extra = ""
    if explanation.kind == "unknown":
        noun, extra = structure, ""
    elif explanation.kind == "diode":
        noun = (
            structure
            if structure.startswith(("LED", "Zener"))
            else f"{structure} diode".replace("diode diode", "diode")
        )
        return noun
    elif structure not in ("plain", "germanium"):
        extra = f" with {structure}"
        if structure == "no resistors":
            extra = " without resistors"
        if structure == "Schottky clamp":
            extra = " with a Schottky clamp"
    material = explanation.material if explanation.material in ("silicon", "germanium") else ""
    if noun.startswith(("two", "junction", "one")):
        material = ""
    return " ".join(w for w in (explanation.polarity, material, noun) if w) + extra


def explanation_words(explanation: Explanation) -> str:
    """An explanation in a few words: what it is, and what is wrong with it."""
    if explanation.hypothesis < 0:
        return "no explanation that is known here"
    base = device_words(explanation)
    article = "an " if base[0] in "aeiouANLE" and not base.startswith(("LED w",)) else "a "
    if base.startswith(("two", "one", "junction FET")):
        article = "" if not base.startswith("junction") else "a "
    if base.startswith("PNP"):
        article = "a "
    bad = fault_words(explanation.faults)
    return f"{article}{base}" + (f", {bad}" if bad else "")


def fault_words(faults: Sequence[str]) -> str:
    """``B-E shorted and C-E leaky``."""
    names = [f"{f[0]}-{f[1:]}" for f in faults]
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 2 else names)


def sound_pair(explanation: Explanation, readings: Sequence[Reading], lead: Mapping[str, str]) -> str:
    """One sentence for a plain sound transistor read in all placements, '' for anything else."""
    base = lead["B"]
    pairs = [between(readings, base, lead[role]) for role in "EC"]
    if explanation.structure not in ("plain", "germanium") or not is_silent(
        between(readings, lead["C"], lead["E"])
    ):
        return ""
    if not all(is_junction_like(p) and len({r.placement for r in p}) == 2 for p in pairs):
        return ""
    drops = [next(r for r in p if r.kind == "volt") for p in pairs]
    spelled = " and ".join(f"{r.placement} {value_words(r)}" for r in drops)
    return f"{spelled} one way only, and nothing past the base: two sound {explanation.material} junctions."


def shorted_pairs(readings: Sequence[Reading], limit_V: float) -> list[tuple[str, str]]:
    """Lead pairs whose readings are close to nothing both ways."""
    low = {
        r.placement
        for r in readings
        if (r.kind == "volt" and abs(r.value) <= limit_V) or (r.kind == "ohm" and r.value < 50)
    }
    found = []
    for placement in sorted(low):
        a, b = placement.split("-")
        if f"{b}-{a}" in low and a < b:
            found.append((a, b))
    return found


def evidence(
    found: Answer,
    readings: Sequence[Reading],
    turns,
    leads: Sequence[str],
    ohms: Mapping[str, Interval],
    limit_V: float,
    in_circuit: bool = False,
) -> list[tuple[str, str]]:
    """Sentences of evidence for the most probable explanation, faults first, each with its path or ''."""
    top = found.explanations[0]
    if top.hypothesis < 0:
        return [
            ("", "The readings contradict each other: no part, good or bad, that is known here gives them.")
        ]
    lead = lead_of_role(top, turns, leads)
    diode = top.kind == "diode"
    paths = ("AK",) if diode else ("BE", "BC", "CE")
    if diode:
        lead = (
            {"A": leads[0], "K": leads[1]}
            if turns[top.arrangement].roles[0] == "B"
            else {"A": leads[1], "K": leads[0]}
        )
    named = not leads[0].isdigit()
    sentences = []
    summary = "" if diode or top.faults else sound_pair(top, readings, lead)
    if summary:
        sentences.append(("", summary))
    pairs = shorted_pairs(readings, limit_V)
    if not named and pairs:
        if len(pairs) >= 3:
            sentences.append(("", "All three leads are shorted together."))
        else:
            a, b = pairs[0]
            sentences.append(("", f"{pair_words(readings, a, b)}: leads {a} and {b} are shorted together."))
    bad = {f.split()[0]: f.split()[1] for f in top.faults}
    sure = named or found.fault_probability.get(top.faults, 0.0) > 0.8
    sound = []
    for path in (*[p for p in paths if p in bad], *[p for p in paths if p not in bad]):
        word = bad.get(path, "good")
        if not named and word == "shorted" and pairs:
            continue
        sentence = path_sentence(path, word, top, readings, lead, ohms.get(path), in_circuit, sure)
        if sentence:
            healthy = sentence.endswith((" junction.", "no path from collector to emitter."))
            (sound if word == "good" and healthy else sentences).append((path, sentence))
    return [*sentences, *sound]  # what is odd or missing before what is sound
