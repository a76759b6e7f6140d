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
from junction.replace.results import Needs, SubstituteLine, Substitution
from junction.replace.substitute_lines import at_least, bjt_lines, diode_lines, word
from junction.replace.substitute_warnings import warnings_for
from junction.shelf.ratings import power_at_W, safe_current_A
from junction.shelf.results import PartType
from junction.shelf.rules import rules

#: Stands for the original where a candidate is held against the needs of a place.
PLACE = "the place"
#: Least margin that is called exceeds: below it, two digits behind the point show it as 1.00.
EXCEEDS = 1.005
#: A shortfall in what does not settle the result is held against a candidate by its size, up to this ratio.
_FAR_SHORT = 8.0


def overall(lines: Sequence[SubstituteLine]) -> str:
    """Result over the lines that must hold: the worst of them; exceeds when every figure among them does.

    A figure that the original's own sheet does not give asks for nothing and is left out.
    """
    results = [line.result for line in lines if line.must and (line.wanted_text or not isnan(line.wanted))]
    if "falls short" in results:
        return "falls short"
    if "not known" in results or not results:
        return "not known"
    margins = [line.margin for line in lines if line.must and not isnan(line.margin)]
    return "exceeds" if margins and min(margins) >= EXCEEDS else "meets"


def _weakest(lines: Sequence[SubstituteLine]) -> tuple[str, float]:
    rated = [line for line in lines if line.must and not isnan(line.margin)]
    least = min(rated, key=lambda line: line.margin, default=None)
    return (least.figure, least.margin) if least else ("", nan)


def _made(
    original: str, candidate: PartType, lines: list[SubstituteLine], warnings: tuple[str, ...], tag: str
) -> Substitution:
    figure, margin = _weakest(lines)
    return Substitution(
        original, candidate.name, overall(lines), tuple(lines), warnings, figure, margin, tag, candidate.notes
    )


def compare(
    original: PartType, candidate: PartType, case_temp_C: float = 25.0, tag: str = ""
) -> Substitution:
    """Candidate against original, line by line.

    Parameters
    ----------
    original, candidate : PartType
    case_temp_C : float
        Case (for board parts: ambient) temperature at which the power is compared as well [degC].
    tag : str
        Written tag of the candidate, kept in the answer.

    Returns
    -------
    Substitution

    Raises
    ------
    UsageError
        A diode against a transistor.
    """
    if original.device != candidate.device:
        raise UsageError(f"{candidate.name} is a {candidate.device}, {original.name} a {original.device}")
    make = bjt_lines if original.device == "bjt" else diode_lines
    lines = make(original, candidate, case_temp_C)
    return _made(original.name, candidate, lines, warnings_for(original, candidate, lines), tag)


def compare_with_needs(needs: Needs, candidate: PartType, tag: str = "") -> Substitution:
    """Candidate against the needs of a place.

    Returns
    -------
    Substitution
        Lines only for what the place asks for; the weakest margin is over all of them.
    """
    bjt = candidate.device == "bjt"
    voltage, current = ("V_CEO", "I_C") if bjt else ("V_RRM", "I_F")
    where = "case" if candidate.mounting == "bolted" or not isnan(candidate.rating("R_thJC")) else "ambient"
    lines = []
    if needs.polarity:
        lines.append(word("polarity", needs.polarity, candidate.polarity, must=True))
    pairs = (
        (voltage, needs.voltage_V, candidate.rating(voltage), "V"),
        (current, needs.current_A, candidate.rating(current), "A"),
        (f"P_tot at {where} {needs.case_temp_C:.3g} °C", needs.power_W,
         power_at_W(candidate, where, needs.case_temp_C), "W"),
    )  # fmt: skip
    lines += [
        at_least(figure, wanted, has, unit, must=True, soft=candidate.secondary)
        for figure, wanted, has, unit in pairs
        if not isnan(wanted)
    ]
    lines += _gain_and_speed(needs, candidate)
    lines += [_load_point(candidate, v, i, needs.case_temp_C, where) for v, i in needs.load_line]
    return _made(PLACE, candidate, lines, _needs_warnings(needs, candidate, lines), tag)


def _gain_and_speed(needs: Needs, candidate: PartType) -> list[SubstituteLine]:
    lines = []
    if not isnan(needs.hfe_low):
        at_A = needs.hfe_at_A
        # gain falls towards high currents: a minimum registered there holds at a lower current as well,
        # down to a fifth of it; further down recombination lowers it again
        points = [
            limit.low
            for limit in candidate.find("h_FE")
            if isnan(at_A) or 0.999 * at_A <= limit.at.get("ic_A", nan) <= 5 * at_A
        ]
        known = [low for low in points if not isnan(low)]
        figure = "h_FE" if isnan(at_A) else f"h_FE at {at_A:g} A"
        lines.append(
            at_least(figure, needs.hfe_low, max(known, default=nan), "", must=True, soft=candidate.secondary)
        )
    if not isnan(needs.f_t_Hz):
        has = max((limit.low for limit in candidate.find("f_T")), default=nan)
        lines.append(at_least("f_T", needs.f_t_Hz, has, "Hz", must=True, soft=candidate.secondary))
    return lines


def _load_point(candidate: PartType, v_V: float, i_A: float, temp_C: float, where: str) -> SubstituteLine:
    has = safe_current_A(candidate, v_V, temp_C, where)
    if candidate.find("I_S/b"):
        note = f"second breakdown: {candidate.find('I_S/b')[0].basis}"
    else:
        note = "second breakdown not known"
    return at_least(
        f"safe area at {v_V:.4g} V", i_A, has, "A", must=True, note=note, soft=candidate.secondary
    )


def _tight(lines: Sequence[SubstituteLine]) -> list[SubstituteLine]:
    """Lines that must hold, hold, and leave less than the usual headroom."""
    least = rules()["place_headroom"].value
    return [line for line in lines if line.must and 1 <= line.margin < least]


def _needs_warnings(
    needs: Needs, candidate: PartType, lines: Sequence[SubstituteLine]
) -> tuple[str, ...]:
    found = []
    tight = [f"{line.figure} x {line.margin:.2f}" for line in _tight(lines)]
    if tight:
        usual = f"x {rules()['place_headroom'].value:g} is usual, as mains and load vary"
        found.append(f"little headroom: {', '.join(tight)}; {usual} (common practice, no source)")
    if candidate.secondary:
        found.append(f"{candidate.name}: figures from reference pages only; read a maker's sheet first")
    if needs.load_line and not candidate.find("I_S/b"):
        found.append(f"look at the safe-area plot in the sheet of {candidate.name} before you rely on it")
    if candidate.kind == "darlington":
        found.append(f"{candidate.name} is a Darlington: its base needs twice the voltage of a plain part")
    if candidate.material == "germanium" and needs.case_temp_C > 60:
        found.append("germanium leaks and dies in a hot place: about 90 °C at the junction is its end")
    return tuple(found)


def _shortfall(line: SubstituteLine) -> float:
    """What a figure that falls short counts in the ranking: 2, and 2 more a halving (our convention)."""
    if isnan(line.margin):
        return 2.0
    return 2.0 + 2.0 * log2(min(1 / line.margin, _FAR_SHORT) if line.margin > 0 else _FAR_SHORT)


def _rank_key(result: Substitution) -> tuple[float, ...]:
    """Small is better: must-shortfalls, unknown musts, no headroom, warnings, doubts, then least excess."""
    short = [x for x in result.lines if not x.must and x.result == "falls short"]
    excess = 0.0
    for line in result.lines:
        if line.must and not isnan(line.margin) and line.margin > 0:
            excess += abs(line.margin - 1) / (1 + line.margin)
    return (
        len(result.figures("falls short", True)),
        len([x for x in result.lines if x.must and x.result == "not known" and not isnan(x.wanted)]),
        len(_tight(result.lines)) if result.original == PLACE else 0,
        sum(map(_shortfall, short)) + len(result.warnings),
        len(result.figures("not known", False)),
        excess,
    )


def rank(results: Iterable[Substitution]) -> tuple[Substitution, ...]:
    """Best first: nothing short, least unknown, least to look after, closest in its ratings.

    A part with ratings far above the original is not better: it is dearer, larger and often slower.
    """
    return tuple(sorted(results, key=lambda r: (*_rank_key(r), r.candidate, r.tag)))


def suggest(
    original: PartType, types: Iterable[PartType], case_temp_C: float = 25.0, most: int = 10
) -> tuple[Substitution, ...]:
    """The shelf's ranked list of substitutes for a type.

    Returns
    -------
    tuple of Substitution
        At most `most`; those that fall short in nothing that must hold, or, when there is none, those that
        miss by the least.
    """
    others = (
        part for part in types
        if part.device == original.device and part.polarity == original.polarity
        and part.name not in (original.name, *original.also)
    )  # fmt: skip
    ranked = rank(compare(original, part, case_temp_C) for part in others)
    fit = tuple(r for r in ranked if r.result != "falls short")
    return (fit or ranked)[:most]


def suggest_for_needs(needs: Needs, types: Iterable[PartType], most: int = 10) -> tuple[Substitution, ...]:
    """The shelf's ranked list of types for the needs of a place.

    Returns
    -------
    tuple of Substitution
        At most `most`.  Where the needs name no polarity and both are there, half of them NPN and then
        half of them PNP.
    """
    parts = [part for part in types if not needs.polarity or part.polarity == needs.polarity]
    polarities = sorted({part.polarity for part in parts if part.polarity}) or [""]
    found: list[Substitution] = []
    for k, polarity in enumerate(polarities):
        ranked = rank(compare_with_needs(needs, part) for part in parts if part.polarity == polarity)
        fit = tuple(r for r in ranked if r.result != "falls short")
        found += (fit or ranked)[: (most + len(polarities) - 1 - k) // len(polarities)]
    return tuple(found)
