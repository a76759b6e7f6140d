"""Whether a replacement meets or exceeds the original, or the needs of the place it goes to.

Each figure is compared by itself and answered with exceeds, meets, falls short or not known.  Lines that
must hold (what the part is, voltages, currents, power) settle the result, and so does a gain or a speed that
is far below; the others (less of these, capacitance, package, lead order, tab, safe area, complement) are
shown and warned about.  Every line of a rating is a preorder (a part meets itself, and what meets a part that
meets a third meets the third), so that a chain of substitutions cannot end below its beginning where all
figures are known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import isnan, nan

from junction.base.errors import UsageError
from junction.base.units import REFERENCE_TEMP_C
from junction.judge.results import say
from junction.replace.fitting import to_fit, verdict, why
from junction.replace.lines import Lines, gain_at, line, rests_on, word
from junction.replace.rank import PLACE, cost, place_of, tight
from junction.replace.results import Needs, SubstituteLine, Substitution
from junction.shelf.tables import PartType, rule
from junction.shelf.types import power_at_W, safe_current_A

_MINOR = ("I_CM", "I_FSM", "I_ZM", "R_thJC", "T_j")


def overall(lines: Sequence[SubstituteLine]) -> str:
    """Result over the lines that must hold: the worst of them; exceeds when every figure among them does.

    A figure that the original's own sheet does not give asks for nothing and is left out.
    """
    must = [x for x in lines if x.must]
    results = {x.result for x in must if x.wanted_text or not isnan(x.wanted)}
    if "falls short" in results:
        return "falls short"
    if "not known" in results or not results:
        return "not known"
    least = min((x.margin for x in must if not isnan(x.margin)), default=0.0)
    return "exceeds" if least >= rule("substitute_exceeds") else "meets"


def compare(
    asked: PartType | Needs, candidate: PartType, case_temp_C: float = REFERENCE_TEMP_C, tag: str = "",
    words: bool = True,
) -> Substitution:  # fmt: skip
    """Candidate against an original, or against the needs of a place, line by line.

    Parameters
    ----------
    asked : PartType or Needs
        Of a place there are lines only for what it asks for.
    candidate : PartType
    case_temp_C : float
        Case (for board parts: ambient) temperature at which the power is compared as well [degC]; a place
        states its own.
    tag : str
        Written tag of the candidate, kept in the answer.
    words : bool
        Whether what is said of it is wanted now; `worded` adds it.

    Raises
    ------
    UsageError
        A diode against a transistor.
    """
    if isinstance(asked, Needs):
        original, place, lines = PLACE, "", _for_a_place(asked, candidate)
        counts = cost(lines, None, candidate)
    else:
        if asked.device != candidate.device:
            raise UsageError(f"{candidate.name} is a {candidate.device}, {asked.name} a {asked.device}")
        original, place = asked.name, place_of(asked, candidate)
        both = Lines(asked, candidate, case_temp_C)
        lines = both.bjt() if asked.device == "bjt" else both.diode()
        # minor ratings that neither sheet states are not worth a line
        lines = [x for x in lines if x.figure not in _MINOR or not (isnan(x.wanted) and isnan(x.has))]
        counts = cost(lines, asked, candidate)
    rated = [x for x in lines if x.must and not isnan(x.margin)]
    weakest = min(rated, key=lambda x: x.margin, default=SubstituteLine("", ""))
    found = Substitution(
        original, candidate.name, tag, overall(lines), candidate.polarity,
        {"figure": weakest.figure, "margin": weakest.margin}, tuple(lines), (),
        candidate.notes, candidate.source, candidate.secondary, place=place, cost=counts,
        standing=candidate.standing,
    )  # fmt: skip
    return worded(asked, candidate, found) if words else found


def worded(asked: PartType | Needs, candidate: PartType, found: Substitution) -> Substitution:
    """A comparison with what is said of it: why in a line, and what has to be changed to fit it."""
    lines, place = found.lines, found.place
    own = isinstance(asked, PartType)
    said = to_fit(asked, candidate, lines, place) if own else _said_of_a_place(asked, candidate, lines)
    told = why(asked, candidate, lines, place)
    return replace(found, warnings=tuple(said), headline=verdict(found), why=told)


def _for_a_place(needs: Needs, candidate: PartType) -> list[SubstituteLine]:
    """Lines for what a place asks for."""
    soft, temp_C = rests_on(candidate), needs.case_temp_C
    voltage, current = ("V_CEO", "I_C") if candidate.device == "bjt" else ("V_RRM", "I_F")
    where = "case" if candidate.mounting == "bolted" or not isnan(candidate.rating("R_thJC")) else "ambient"
    at_A = needs.hfe_at_A
    gains = [limit.low for limit in candidate.find("h_FE") if not isnan(limit.low)]
    has_gain = max(gains, default=nan) if isnan(at_A) else gain_at(candidate, at_A)[0]
    asked = (
        (voltage, needs.voltage_V, candidate.rating(voltage), "V"),
        (current, needs.current_A, candidate.rating(current), "A"),
        (f"P_tot at {where} {temp_C:.3g} °C", needs.power_W, power_at_W(candidate, where, temp_C), "W"),
        ("h_FE" if isnan(at_A) else f"h_FE at {at_A:g} A", needs.hfe_low, has_gain, ""),
        ("f_T", needs.f_t_Hz, max((limit.low for limit in candidate.find("f_T")), default=nan), "Hz"),
    )  # fmt: skip
    lines = [word("polarity", needs.polarity, candidate.polarity, must=True)] if needs.polarity else []
    lines += [
        line(figure, wanted, has, unit, must=True, soft=soft)
        for figure, wanted, has, unit in asked
        if not isnan(wanted)
    ]
    breakdown = candidate.find("I_S/b")
    note = f"second breakdown: {breakdown[0].basis}" if breakdown else "second breakdown not known"
    lines += [
        line(f"safe area at {volts:.4g} V", amperes, safe_current_A(candidate, volts, temp_C, where), "A",
             must=True, note=note, soft=soft)
        for volts, amperes in needs.load_line
    ]  # fmt: skip
    return lines


def _said_of_a_place(needs: Needs, candidate: PartType, lines: Sequence[SubstituteLine]) -> list[str]:
    """What to look after where a part goes to a place."""
    warnings = []
    if bare := [f"{x.figure} x {x.margin:.2f}" for x in tight(lines)]:
        warnings.append(say("place_headroom", figures=", ".join(bare), usual=rule("place_headroom")))
    if candidate.secondary:
        row = "substitute_memory" if candidate.standing == "from memory" else "substitute_secondary"
        warnings.append(say(row, part=candidate.name))
    if needs.load_line and not candidate.find("I_S/b"):
        warnings.append(say("place_safe_area", part=candidate.name))
    if candidate.kind == "darlington":
        warnings.append(say("place_darlington", part=candidate.name))
    if candidate.material == "germanium" and needs.case_temp_C > rule("germanium_hot"):
        warnings.append(say("place_germanium", end_C=rule("germanium_end")))
    return warnings
