"""What the readings of a part say, in the words of the bench."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, isinf, isnan

from junction.base.number import nominal
from junction.base.records import Reading
from junction.judge.sentences import say
from junction.leads.bench import Bench
from junction.leads.weigh import Explanation, Weighed, no_resistance_gives
from junction.shelf.rules import rule

_PATH_WORDS = {"BE": "base-emitter junction", "BC": "base-collector junction", "CE": "collector-emitter path",
               "AK": "diode junction"}  # fmt: skip
_LEAD_WORDS = {"B": "base", "C": "collector", "E": "emitter", "A": "anode", "K": "cathode"}
_MATERIALS = {
    "silicon": "a silicon", "germanium": "a germanium", "Schottky": "a Schottky",
    "Schottky-clamped silicon": "a Schottky-clamped",
}  # fmt: skip


def capital(text: str) -> str:
    """The text with a capital first letter, as a sentence begins."""
    return text[:1].upper() + text[1:]


def listed(names: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def ohm_words(ohm: float) -> str:
    """Resistance to two significant digits: ``0.4 ohm``, ``340 ohm``, ``2.2 kohm``."""
    rounded = float(f"{ohm:.2g}")
    if 0.1 <= rounded < 1e9:
        return nominal(rounded, "ohm")
    return f"{rounded:g} ohm" if rounded < 1 else f"{nominal(rounded / 1e6)} Mohm"  # as meters count


def value_words(reading: Reading) -> str:
    """A reading as the meter shows it."""
    if reading.kind == "over":
        return "OL"
    if reading.kind == "ohm":
        return "OL on ohms" if isinf(reading.value) else ohm_words(reading.value)
    return f"{reading.value:.3f} V"


def _between(readings: Sequence[Reading], one: str, other: str) -> list[Reading]:
    """Readings between two leads, either way."""
    return [r for r in readings if r.placement in (f"{one}-{other}", f"{other}-{one}")]


def _pair_words(pair: Sequence[Reading], one: str, other: str) -> str:
    """``B-E 0.642 V, E-B OL`` for the readings between two leads, both ways; '' where there are none."""
    if len(pair) >= 2 and all(r.kind == "over" for r in pair):
        return f"{one}-{other} OL both ways"
    return ", ".join(f"{r.placement} {value_words(r)}" for r in pair)


def _nothing(r: Reading) -> bool:
    """Whether a reading is over-range, in diode mode or on ohms."""
    return r.kind == "over" or isinf(r.value)


def _silent(pair: Sequence[Reading]) -> bool:
    """Read both ways, and over-range both ways."""
    return len({r.placement for r in pair}) == 2 and all(_nothing(r) for r in pair)


def _junction_like(pair: Sequence[Reading]) -> bool:
    """One way a voltage that a junction drops, and nothing but over-range the other way (if it was read)."""
    volts = [r.value for r in pair if r.kind == "volt"]
    silent = all(_nothing(r) for r in pair if r.kind != "volt")
    return silent and len(volts) == 1 and volts[0] >= rule("leads_junction_drop")


def fault_words(faults: Sequence[str]) -> str:
    """``B-E shorted and C-E leaky``."""
    return listed([f"{f[0]}-{f[1:]}" for f in faults])


def explanation_words(explanation: Explanation) -> str:
    """An explanation in a few words: what it is, and what is wrong with it."""
    words = explanation.kind.called
    if explanation.polarity and explanation.kind.device != "diode":
        words = f"{explanation.polarity} {words}"
    if not words.startswith(("two", "one")):
        words = f"{'an' if words[0] in 'NL' else 'a'} {words}"  # an NPN, an LED
    return f"{words}, {fault_words(explanation.faults)}" if explanation.faults else words


def evidence(bench: Bench, weighed: Weighed) -> list[tuple[str, str]]:
    """Sentences of evidence for the most probable explanation, each with its path or ''.

    Faults come first, then what is odd or missing, then what is sound.
    """
    top, readings = weighed.explanations[0], weighed.readings.readings
    if top.hypothesis < 0:
        return [("", say("leads_contradict"))]
    lead = bench.lead_of(top.arrangement)
    told = []
    if top.kind.plain and not top.faults:
        told += _sound_pair(top, readings, lead)
    limit_V = rule("short_below") * rule("leads_drop_current")
    low = {
        r.placement
        for r in readings
        if (r.kind == "volt" and abs(r.value) <= limit_V)
        or (r.kind == "ohm" and r.value < rule("short_below"))
    }
    shorted = [name for name in sorted(low) if name[::-1] in low and name[0] < name[2]]
    if not bench.named and len(shorted) >= 3:
        told.append(("", say("leads_all_shorted")))
    elif not bench.named and shorted:
        one, other = shorted[0].split("-")
        seen = _pair_words(_between(readings, one, other), one, other)
        told.append(("", say("leads_pair_shorted", seen=seen, one=one, other=other)))
    bad = dict(f.split() for f in top.faults)
    sure = bench.named or weighed.faults_probability > rule("leads_place_sure")
    paths = ("AK",) if len(bench.leads) == 2 else ("BE", "BC", "CE")
    sound = []
    for path in sorted(paths, key=lambda p: p not in bad):
        if not bench.named and bad.get(path) == "shorted" and shorted:
            continue
        reason, text = _of_path(path, bad.get(path, "good"), weighed, lead, sure)
        if text:
            (sound if reason in ("leads_junction", "leads_no_path") else told).append((path, text))
    return [*told, *sound]


def _sound_pair(top: Explanation, readings: Sequence[Reading], lead: dict[str, str]) -> list[tuple[str, str]]:
    """One sentence for a plain sound transistor read in all placements; nothing for anything else."""
    pairs = [_between(readings, lead["B"], lead[role]) for role in "EC"]
    if not _silent(_between(readings, lead["C"], lead["E"])):
        return []
    if not all(_junction_like(p) and len({r.placement for r in p}) == 2 for p in pairs):
        return []
    drops = [next(r for r in p if r.kind == "volt") for p in pairs]
    spelled = " and ".join(f"{r.placement} {value_words(r)}" for r in drops)
    return [("", say("leads_sound_pair", drops=spelled, material=top.kind.material))]


def _of_path(path: str, word: str, weighed: Weighed, lead: dict[str, str], sure: bool) -> tuple[str, str]:
    """Reason and sentence about one path: the readings, and what they are taken for.

    Where it is not `sure` which path of the part this is, the sentence names the leads only.
    """
    top, readings = weighed.explanations[0], weighed.readings.readings
    one, other = lead[path[0]], lead[path[1]]
    pair = _between(readings, one, other)
    read = {r.placement for r in pair}
    unread = [name for name in (f"{one}-{other}", f"{other}-{one}") if name not in read]
    material, ohm = _MATERIALS.get(top.kind.material, "a"), weighed.ohms.get(path)
    values = {
        "seen": _pair_words(pair, one, other), "path": _PATH_WORDS[path], "material": material,
        "leads": listed(sorted((one, other))), "between": listed([_LEAD_WORDS[end] for end in path]),
        "unread": unread[0] if unread else "", "ohm": ohm_words(ohm.value) if ohm else "",
        "short": rule("short_below"),
    }  # fmt: skip
    volts = sorted((r for r in pair if r.kind == "volt"), key=lambda r: r.value)
    if not pair:
        reason = "leads_unread" if path != "CE" and word == "good" else ""
        values["unread"] = f"{one}-{other}"
    elif word == "shorted":
        reason = "leads_short"
        if ohm and isnan(ohm.value) and isfinite(ohm.high):
            reason, values["ohm"] = "leads_short_under", ohm_words(ohm.high)
        elif ohm and ohm.value >= 1:
            reason = "leads_short_about"
    elif word == "leaky":
        if path != "CE" and no_resistance_gives(readings, top.polarity, one, other):
            reason = "leads_no_resistance"
            values |= {"low": value_words(volts[0]), "high": volts[-1].placement}
        elif ohm is None:
            reason = "leads_low_drop"
        elif not sure:
            reason = "leads_leak_leads"
        elif path == "BE" and any(r.kind == "over" for r in pair):
            reason = "leads_leak_hidden"
        else:
            reason = "leads_leak_between" if path == "CE" else "leads_leak_across"
    elif word == "open":
        if not all(_nothing(r) for r in pair):
            reason = "leads_open_beside"
        elif sure and not unread:
            reason = "leads_open"
        else:
            reason = "leads_open_unread" if unread else "leads_silent"
    elif unread:
        reason = "leads_half_read"
    elif path == "CE" and _silent(pair):
        reason = "leads_no_path"
    elif path != "CE" and _junction_like(pair):
        reason = "leads_junction"
        values["material"] = "an LED" if top.kind.name.startswith("LED") else material
    elif weighed.readings.in_circuit and len({r.placement for r in pair if r.kind != "over"}) == 2:
        reason = "leads_beside"
    elif top.faults:
        reason, values["faults"] = "leads_goes_with", fault_words(top.faults)
    else:
        reason, values["explanation"] = "leads_as", explanation_words(top)
    return reason, say(reason, **values) if reason else ""
