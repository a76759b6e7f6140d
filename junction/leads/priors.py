"""What a written type, a polarity or named leads make likely before the meter speaks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import isnan, nan

import numpy as np

from junction.leads.hypotheses import SCHOTTKY_CLAMP, Hypothesis, Structure
from junction.leads.hypotheses_priors import priors
from junction.leads.leads import Arrangement
from junction.shelf.results import PartType

#: Leads given as B, C, E: the writer took the part for a bipolar transistor.
NAMED_NOT_BIPOLAR = 0.05
#: A part that shows gain (h_FE from here on) is a transistor with live leads and no short.
SHOWS_GAIN = 5.0
#: h_FE that a Darlington passes and a single transistor does not [1] (common practice, no source).
DARLINGTON_GAIN = 1000.0
#: What is left of an explanation that a gain reading speaks against.
AGAINST_GAIN = 0.01


def matches(structure: Structure, type_: PartType) -> bool:
    """Whether a structure is what a registered type says the part is."""
    if type_.device == "diode":
        if structure.kind != "diode":
            return False
        return (
            type_.family in ("", structure.name)
            if type_.kind != "Zener"
            else structure.name in ("Zener", "silicon rectifier", "switching diode")
        )
    if not structure.transistor:
        return False
    if structure.darlington != (type_.kind == "darlington"):
        return False
    if (structure.material == "germanium") != (type_.material == "germanium"):
        return False
    if structure.darlington:
        return ("ln_r_int" in structure.latent) == bool(type_.r_be_ohm) or not type_.r_be_ohm
    if ("v_ce_diode" in structure.latent) != type_.damper_diode:
        return False
    if structure.name == SCHOTTKY_CLAMP:  # no registered type is one
        return False
    if type_.damper_diode and not type_.r_be_ohm:
        return True  # sheets of such parts often leave the resistor out
    return bool(type_.r_be_ohm) == ("ln_r_int" in structure.latent)


def leak_limits_ohm(type_: PartType) -> dict[str, float]:
    """Lowest resistance that a registered type allows across each path [ohm]; {} where nothing is registered.

    A leakage limit I at a voltage V allows what passes I at V.  Where the collector junction has no limit
    of its own, that with the base-emitter junction reverse biased or shorted stands for it.
    """
    from junction.judge.limits import NO_LIMIT, registered_leak

    found = {}
    for path in ("AK",) if type_.device == "diode" else ("BE", "BC", "CE"):
        leak = registered_leak(type_, path)
        if leak is not None and leak.leak_A > 0:
            found[path] = leak.at_V / leak.leak_A
    for symbol in () if type_.secondary or "BC" in found else ("I_CEX", "I_CES"):
        for limit in type_.find(symbol):
            if limit.basis not in NO_LIMIT and limit.high > 0 and "vce_V" in limit.at:
                found.setdefault("BC", abs(limit.at["vce_V"]) / limit.high)
    return found


def with_limits(
    kinds: Sequence[Structure], type_: PartType | None, visible_ohm: float = 0.0
) -> tuple[Structure, ...]:
    """Structures held to a registered type's leakage limits, those that match it.

    A path that diode mode shows is never within limits: where a registration allows so much, it does at a
    voltage near breakdown, and a junction's leakage does not shrink with the voltage as a path's does.
    """
    limits = {} if type_ is None else leak_limits_ohm(type_)
    limits = {path: max(ohm, visible_ohm) for path, ohm in limits.items()}
    if not limits:
        return tuple(kinds)
    return tuple(replace(k, type_limit_ohm=limits) if matches(k, type_) else k for k in kinds)


def gain_kind(hfe: float) -> str:
    """What a gain reading says: '' nothing, 'gain' a live transistor, 'high' a live Darlington."""
    if not hfe >= SHOWS_GAIN:  # nan as well; no gain may be a wrong lead order in the socket
        return ""
    return "high" if hfe > DARLINGTON_GAIN else "gain"


def least_gain(type_: PartType | None) -> float:
    """Lowest h_FE that a type's registration asks for at any current [1]; nan where it states none."""
    lows = [x.low for x in type_.find("h_FE") if x.low > 0] if type_ is not None else []
    return min(lows, default=nan)


def gain_doubt(hfe: float, type_: PartType | None) -> str:
    """Why a gain reading stands against a good part; '' where it does not.

    Below `SHOWS_GAIN`, or below half of the least that is registered: sockets use other currents than sheets.
    """
    least = least_gain(type_)
    if hfe < 0.5 * least:
        return f"the gain reads {hfe:.3g} where {type_.name} is registered from {least:.3g} up"
    return f"a gain of {hfe:.3g} is not that of a sound transistor" if hfe < SHOWS_GAIN else ""


def gain_words(hfe: float, type_: PartType | None, diode: bool) -> list[str]:
    """What a gain reading is worth, where that is not plain."""
    if isnan(hfe):
        return []
    if diode:
        return ["A diode has no h_FE: that reading was not used."]
    said = gain_doubt(hfe, type_)
    if said:
        return ["So low a gain is that of a weak part, or of collector and emitter exchanged in the socket."]
    if hfe < least_gain(type_):
        least = least_gain(type_)
        return [f"h_FE {hfe:.3g} is under the {least:.3g} registered; a socket's current is another."]
    return []


def gain_bias(hypotheses: Sequence[Hypothesis], kind: str) -> np.ndarray:
    """Logarithm of the factor each hypothesis gains from a gain reading, (H,)."""
    out = np.zeros(len(hypotheses))
    if kind:
        for k, h in enumerate(hypotheses):
            dead = any(f.split()[1] in ("open", "shorted") for f in h.fault.faults)
            if dead or not h.structure.transistor:
                out[k] += np.log(AGAINST_GAIN)
            if kind == "high" and not h.structure.darlington:
                out[k] += np.log(AGAINST_GAIN)
    return out


def log_bias(
    hypotheses: Sequence[Hypothesis],
    turns: Sequence[Arrangement],
    type_: PartType | None,
    polarity: str,
    *,
    named: bool,
    gain: str = "",
) -> np.ndarray:
    """Logarithm of the factor each (arrangement, hypothesis) cell gains, (A, H + 1).

    Parameters
    ----------
    hypotheses : sequence of Hypothesis
    turns : sequence of Arrangement
    type_ : PartType or None
        Registered type written on the part.
    polarity : str
        'NPN', 'PNP' or '' as the row says; the type's own is taken where it is ''.
    named : bool
        Leads given as B, C, E.
    gain : str
        See `gain_kind`.
    """
    wrong = priors()["mismarked"].value
    out = np.zeros((len(turns), len(hypotheses) + 1))
    out[:, :-1] += gain_bias(hypotheses, gain)
    if named:
        bipolar = np.array([h.structure.transistor or h.structure.kind == "diode" for h in hypotheses])
        out[:, :-1][:, ~bipolar] += np.log(NAMED_NOT_BIPOLAR)
    if type_ is not None:
        fits = np.array([matches(h.structure, type_) for h in hypotheses])
        kinds = {h.structure.name + h.structure.kind: h.structure for h in hypotheses}.values()
        mass = sum(k.weight for k in kinds if matches(k, type_)) / sum(k.weight for k in kinds)
        if 0 < mass < 1:
            out[:, :-1] += np.where(fits, np.log((1 - wrong) / mass), np.log(wrong / (1 - mass)))
    said = polarity or (type_.polarity if type_ is not None else "")
    if said in ("NPN", "PNP"):
        right = np.array([t.polarity == said for t in turns])
        out += np.where(right, np.log(2 * (1 - wrong)), np.log(2 * wrong))[:, None]
    return out
