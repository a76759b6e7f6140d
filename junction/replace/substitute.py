"""Whether a replacement meets or exceeds the original, or the needs of the place it goes to.

Each figure is compared by itself and answered with exceeds, meets, falls short or not known.  Lines that
must hold (what the part is, voltages, currents, power) settle the result; the others (gain, speed,
capacitance, package, lead order, tab, safe area, complement) are shown and warned about.  Every line is a
preorder (a part meets itself, and what meets a part that meets a third meets the third), so that a chain
of substitutions cannot end below its beginning where all figures are known.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isnan, log2, nan

from junction.base.errors import UsageError
from junction.base.units import REFERENCE_TEMP_C
from junction.judge.results import say
from junction.replace.lines import Lines, amps, line, nearest, word
from junction.replace.results import Needs, SubstituteLine, Substitution
from junction.shelf.tables import PartType, rule
from junction.shelf.types import power_at_W, safe_current_A

#: Stands for the original where a candidate is held against the needs of a place.
PLACE = "the place"
#: How slowly the kinds of diodes recover; of others nothing is said.
_SLOW = {"rectifier": 2, "avalanche rectifier": 1, "fast rectifier": 0, "switching": 0, "Schottky": 0}
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
    asked: PartType | Needs, candidate: PartType, case_temp_C: float = REFERENCE_TEMP_C, tag: str = ""
) -> Substitution:
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

    Raises
    ------
    UsageError
        A diode against a transistor.
    """
    if isinstance(asked, Needs):
        original, (lines, warnings) = PLACE, _for_a_place(asked, candidate)
    else:
        original, (lines, warnings) = asked.name, _for_an_original(asked, candidate, case_temp_C)
    rated = [x for x in lines if x.must and not isnan(x.margin)]
    weakest = min(rated, key=lambda x: x.margin, default=SubstituteLine("", ""))
    return Substitution(
        original, candidate.name, tag, overall(lines), candidate.polarity,
        {"figure": weakest.figure, "margin": weakest.margin}, tuple(lines), tuple(warnings),
        candidate.notes, candidate.source, candidate.secondary,
    )  # fmt: skip


def _for_an_original(a: PartType, b: PartType, case_temp_C: float) -> tuple[list, list[str]]:
    """Lines, and what to look after beyond the ratings."""
    if a.device != b.device:
        raise UsageError(f"{b.name} is a {b.device}, {a.name} a {a.device}")
    both = Lines(a, b, case_temp_C)
    lines = both.bjt() if a.device == "bjt" else both.diode()
    warnings = [say("substitute_secondary", part=part.name) for part in (a, b) if part.secondary]
    if a.package and b.package and a.package != b.package:
        warnings.append(say("substitute_package", was=a.package, now=b.package))
    if a.device == "bjt":
        warnings += _warned_bjt(a, b, lines)
    elif _SLOW.get(b.kind, 0) > _SLOW.get(a.kind, 3):
        warnings.append(say("substitute_slow", original=a.name, candidate=b.name))
    if b.kind == "Schottky" and a.kind != "Schottky":
        warnings.append(say("substitute_schottky"))
    if "avalanche" in a.kind and "avalanche" not in b.kind:
        warnings.append(say("substitute_avalanche", original=a.name, candidate=b.name))
    # minor ratings that neither sheet states are not worth a line
    return [x for x in lines if x.figure not in _MINOR or not (isnan(x.wanted) and isnan(x.has))], warnings


def _warned_bjt(a: PartType, b: PartType, lines: Sequence[SubstituteLine]) -> list[str]:
    """What to look after with a transistor, most dangerous first; at last what a pair of it would need."""
    found = []
    margins = {x.figure: x.margin for x in lines}
    if margins["f_T"] >= rule("ft_much_faster"):
        found.append(say("substitute_faster", times=margins["f_T"], original=a.name))
    if margins["C_ob"] <= 1 / rule("cob_larger"):
        found.append(say("substitute_capacitance", times=1 / margins["C_ob"]))
    if a.leads and b.leads and a.leads != b.leads:
        found.append(say("substitute_leads", was=a.leads, now=b.leads))
    if a.kind != b.kind:
        found.append(say("substitute_structure"))
    elif a.kind == "darlington" and a.r_be_ohm != b.r_be_ohm:
        found.append(say("substitute_base_resistors"))
    if a.damper_diode and not b.damper_diode:
        found.append(say("substitute_damper", original=a.name, candidate=b.name))
    if a.material != b.material:
        found.append(say("substitute_material", was=a.material, now=b.material))
    less = [x.margin for x in lines if x.figure.startswith("h_FE") and x.margin < 1]
    if less:
        found.append(say("substitute_less_gain", share=min(less), original=a.name))
    gains, higher = b.find("h_FE"), 1.0
    for limit in a.find("h_FE"):
        match = nearest(gains, "ic_A", limit.at.get("ic_A", 0.0))
        # geometric mean of either range; nan, which is not larger, where one is open
        mean = ((match.low * match.high) / (limit.low * limit.high)) ** 0.5 if match else nan
        higher = mean if mean > higher else higher
    if higher >= rule("hfe_differs"):
        found.append(say("substitute_more_gain", times=higher, original=a.name))
    spreads = [(x.high / x.low, x) for x in gains if x.low > 0 and not isnan(x.high)]
    ratio, widest = max(spreads, key=lambda spread: spread[0], default=(nan, None))
    if ratio > 1 / rule("hfe_matched"):
        at = amps(widest.at["ic_A"]) if "ic_A" in widest.at else ""
        found.append(say("substitute_spread", part=b.name, low=widest.low, high=widest.high, at=at))
    elif widest is None and gains:
        found.append(say("substitute_no_upper_gain", part=b.name))
    if a.complement and b.complement and a.name != b.name:
        found.append(say("substitute_both_sides", was=a.complement, now=b.complement))
    elif a.complement and not b.complement:
        found.append(say("substitute_no_complement", part=b.name, was=a.complement))
    return found


def _for_a_place(needs: Needs, candidate: PartType) -> tuple[list, list[str]]:
    """Lines for what a place asks for, and what to look after there."""
    soft, temp_C = candidate.secondary, needs.case_temp_C
    voltage, current = ("V_CEO", "I_C") if candidate.device == "bjt" else ("V_RRM", "I_F")
    where = "case" if candidate.mounting == "bolted" or not isnan(candidate.rating("R_thJC")) else "ambient"
    at_A = needs.hfe_at_A
    # gain falls towards high currents: a minimum registered there holds at a lower current as well, down to
    # a fifth of it (the rule gain_holds_below); further down recombination lowers it again
    gains = [
        limit.low
        for limit in candidate.find("h_FE")
        if isnan(at_A) or 0.999 * at_A <= limit.at.get("ic_A", nan) <= rule("gain_holds_below") * at_A
    ]
    asked = (
        (voltage, needs.voltage_V, candidate.rating(voltage), "V"),
        (current, needs.current_A, candidate.rating(current), "A"),
        (f"P_tot at {where} {temp_C:.3g} °C", needs.power_W, power_at_W(candidate, where, temp_C), "W"),
        ("h_FE" if isnan(at_A) else f"h_FE at {at_A:g} A", needs.hfe_low,
         max((low for low in gains if not isnan(low)), default=nan), ""),
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
    warnings = []
    if tight := [f"{x.figure} x {x.margin:.2f}" for x in _tight(lines)]:
        warnings.append(say("place_headroom", figures=", ".join(tight), usual=rule("place_headroom")))
    if soft:
        warnings.append(say("substitute_secondary", part=candidate.name))
    if needs.load_line and not breakdown:
        warnings.append(say("place_safe_area", part=candidate.name))
    if candidate.kind == "darlington":
        warnings.append(say("place_darlington", part=candidate.name))
    if candidate.material == "germanium" and temp_C > rule("germanium_hot"):
        warnings.append(say("place_germanium", end_C=rule("germanium_end")))
    return lines, warnings


def _tight(lines: Sequence[SubstituteLine]) -> list[SubstituteLine]:
    """Lines that must hold, hold, and leave less than the usual headroom."""
    return [x for x in lines if x.must and 1 <= x.margin < rule("place_headroom")]


def rank(results: Iterable[Substitution]) -> tuple[Substitution, ...]:
    """Best first: nothing short, least unknown, least to look after, closest in its ratings.

    A part with ratings far above the original is not better: it is dearer, larger and often slower.  A figure
    that falls short counts as two warnings, and two more a halving.
    """
    most = rule("shortfall_most")

    def key(result: Substitution) -> tuple:
        must = [x for x in result.lines if x.must]
        short = [1.0 if isnan(x.margin) else min(1 / x.margin, most) if x.margin > 0 else most
                 for x in result.lines if not x.must and x.result == "falls short"]  # fmt: skip
        return (
            sum(x.result == "falls short" for x in must),
            sum(x.result == "not known" and not isnan(x.wanted) for x in must),
            len(_tight(must)) if result.original == PLACE else 0,
            rule("shortfall_counts") * sum(1 + log2(ratio) for ratio in short) + len(result.warnings),
            len(result.figures("not known", False)),
            sum(abs(x.margin - 1) / (1 + x.margin) for x in must if x.margin > 0),
            result.candidate, result.tag,
        )  # fmt: skip

    return tuple(sorted(results, key=key))


def suggest(
    asked: PartType | Needs, types: Iterable[PartType], case_temp_C: float = REFERENCE_TEMP_C, most: int = 10
) -> tuple[Substitution, ...]:
    """The shelf's ranked list of substitutes for a type, or of types for the needs of a place.

    Returns
    -------
    tuple of Substitution
        At most `most`; those that fall short in nothing that must hold, or, when there is none, those that
        miss by the least.  Where the needs name no polarity and both are there, half of them NPN and then
        half of them PNP.
    """
    own = (asked.name, *asked.also) if isinstance(asked, PartType) else ()
    fit = [part for part in types
           if part.name not in own and asked.polarity in ("", part.polarity)]  # fmt: skip
    sides = sorted({part.polarity for part in fit})
    found: list[Substitution] = []
    for k, side in enumerate(sides):
        ranked = rank(compare(asked, part, case_temp_C) for part in fit if part.polarity == side)
        best = [r for r in ranked if r.result != "falls short"] or ranked
        found += best[: (most + len(sides) - 1 - k) // len(sides)]
    return tuple(found)
