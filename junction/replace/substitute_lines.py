"""The lines of a substitution: one figure of two types, compared.

Numbers are compared after rounding to nine digits, so that 700 uA and 0.7 mA are the same; that keeps the
comparison a preorder, which a tolerance would not.  A secondary figure never fails a part: where it would,
the answer is "not known".
"""

from __future__ import annotations

from dataclasses import replace
from math import isnan, log, nan

from junction.replace.results import SubstituteLine
from junction.shelf.ratings import power_at_W, power_reference, second_breakdown_A
from junction.shelf.results import Limit, PartType

#: two test currents are comparable within this ratio (common practice, no source)
COMPARABLE = 2.0


def rounded(x: float) -> float:
    """Value to nine significant digits; nan and inf as they are."""
    return float(f"{x:.9g}")


def word(figure: str, wanted: str, has: str, *, must: bool, note: str = "", short: str = "falls short"):
    """Line of a figure that must be the same word."""
    if not wanted or not has:
        result = "not known"
    else:
        result = "meets" if wanted == has else short
    return SubstituteLine(figure, result, wanted_text=wanted, has_text=has, must=must, note=note)


def _line(
    figure: str, wanted: float, has: float, unit: str, margin: float, must: bool, note: str, soft: bool
) -> SubstituteLine:
    if isnan(margin):
        result = "not known"
        if isnan(wanted) and not note:
            note = "the original's sheet does not say"
    elif rounded(margin) == 1.0:
        result = "meets"
    else:
        result = "exceeds" if margin > 1 else "falls short"
    if result == "falls short" and soft:
        result, note = "not known", (f"{note}; " if note else "") + "rests on a reference page: fails no part"
    return SubstituteLine(figure, result, wanted, has, unit, margin=margin, must=must, note=note)


def _ratio(over: float, under: float) -> float:
    over, under = rounded(over), rounded(under)
    if over == under:
        return 1.0
    return over / under if under else (nan if isnan(over) else float("inf"))


def at_least(
    figure: str, wanted: float, has: float, unit: str, *, must: bool, note: str = "", soft: bool = False
) -> SubstituteLine:
    """Line of a figure that should not be smaller; `soft` turns a shortfall into not known."""
    return _line(figure, wanted, has, unit, _ratio(has, wanted), must, note, soft)


def at_most(
    figure: str, wanted: float, has: float, unit: str, *, must: bool, note: str = "", soft: bool = False
) -> SubstituteLine:
    """Line of a figure that should not be larger."""
    return _line(figure, wanted, has, unit, _ratio(wanted, has), must, note, soft)


def _soft(a: PartType, b: PartType) -> bool:
    return a.secondary or b.secondary


def _note_of(*limits: Limit | None) -> str:
    if limits and limits[0] is not None and limits[-1] is None:
        return "the candidate's is not on the shelf"
    bases = {limit.basis for limit in limits if limit is not None and limit.basis != "published"}
    return ", ".join(sorted(bases))


def _rating(a: PartType, b: PartType, symbol: str, unit: str, must: bool, short: str = "") -> SubstituteLine:
    """Line of a maximum rating; `short` is said where it falls short."""
    line = at_least(symbol, a.rating(symbol), b.rating(symbol), unit, must=must, soft=_soft(a, b))
    return replace(line, note=short) if line.result == "falls short" and short else line


def _v_cbo(a: PartType, b: PartType) -> SubstituteLine:
    """V_CBO; a part whose sheet leaves it out stands V_CEO there at the least."""
    wanted, has, note = a.rating("V_CBO"), b.rating("V_CBO"), ""
    if isnan(has) and b.rating("V_CEO") >= wanted:
        has, note = b.rating("V_CEO"), "V_CBO not stated; it is never below V_CEO"
    return at_least("V_CBO", wanted, has, "V", must=True, note=note, soft=_soft(a, b))


def _power_lines(a: PartType, b: PartType, temp_C: float) -> list[SubstituteLine]:
    """Power where the original's rating holds, and again at the temperature asked for."""
    where, ref_C = power_reference(a)
    if not where:
        wanted = a.rating("P_tot")
        note = "reference temperature of the original's power not known"
        return [SubstituteLine("P_tot", "not known", wanted, b.rating("P_tot"), "W", must=True, note=note)]
    other, other_C = power_reference(b)
    first = max(ref_C, other_C) if other == where else ref_C
    lines = []
    for at_C in sorted({first, max(first, temp_C)}):
        wanted, has = power_at_W(a, where, at_C), power_at_W(b, where, at_C)
        note = "" if other == where else f"candidate's from T_j and R_th to {where}"
        figure = f"P_tot at {where} {at_C:g} °C"
        lines.append(at_least(figure, wanted, has, "W", must=True, note=note, soft=_soft(a, b)))
    return lines


def _range(limit: Limit, scale: float = 1.0, unit: str = "") -> str:
    low, high = limit.low * scale, limit.high * scale
    if isnan(high):
        text = f"at least {low:g}"
    elif isnan(low):
        text = f"at most {high:g}"
    else:
        text = f"{low:g} to {high:g}"
    return f"{text} {unit}".rstrip()


def nearest(limits: tuple[Limit, ...], key: str, at: float) -> Limit | None:
    """Limit whose condition `key` is nearest to `at`, within the ratio `COMPARABLE`; None if none is."""
    close = [
        (abs(log(limit.at[key] / at)), k)
        for k, limit in enumerate(limits)
        if limit.at.get(key, 0.0) > 0 and at > 0
    ]
    if not close or min(close)[0] > log(COMPARABLE) * (1 + 1e-9):
        return None
    return limits[min(close)[1]]


def amps(value: float) -> str:
    """A current for a sentence: A, mA or uA."""
    if value >= 1:
        return f"{value:g} A"
    return f"{value * 1e3:g} mA" if value >= 1e-3 else f"{value * 1e6:g} uA"


def gain_lines(a: PartType, b: PartType) -> list[SubstituteLine]:
    """h_FE at each registered current of the original where the candidate has one comparable."""
    own = tuple(x for x in b.find("h_FE") if not isnan(x.low))
    lines, seen = [], set()
    for limit in a.find("h_FE"):
        at_A = limit.at.get("ic_A", nan)
        if isnan(limit.low) or at_A in seen:
            continue
        seen.add(at_A)
        match = nearest(own, "ic_A", at_A)
        if isnan(at_A):  # neither sheet says the current: like with like, else nothing
            match = next((x for x in own if "ic_A" not in x.at), None)
        figure = "h_FE" if isnan(at_A) else f"h_FE at {amps(at_A)}"
        note = _note_of(limit, match)
        if match and "ic_A" in match.at and match.at["ic_A"] != at_A:
            note = ", ".join(x for x in (f"candidate's at {amps(match.at['ic_A'])}", note) if x)
        line = at_least(
            figure, limit.low, match.low if match else nan, "", must=False, note=note, soft=_soft(a, b)
        )
        has = _range(match) if match else ""
        lines.append(replace(line, wanted_text=_range(limit), has_text=has))
    return lines


def _one(part: PartType, symbol: str) -> Limit | None:
    found = part.find(symbol)
    return found[0] if found else None


def _speed_lines(a: PartType, b: PartType) -> list[SubstituteLine]:
    lines = []
    for symbol, make, side, unit in (("f_T", at_least, "low", "Hz"), ("C_ob", at_most, "high", "F")):
        wanted, has = _one(a, symbol), _one(b, symbol)
        lines.append(
            make(symbol, getattr(wanted, side) if wanted else nan, getattr(has, side) if has else nan, unit,
                 must=False, note=_note_of(wanted, has), soft=_soft(a, b))  # fmt: skip
        )
    return lines


def _tab(a: PartType, b: PartType) -> SubstituteLine:
    """Case or tab: an insulated one stands in for a live one, not the other way round."""
    names = {"C": "collector", "B": "base", "E": "emitter", "none": "insulated", "": ""}
    wanted, has = names.get(a.case_to, a.case_to), names.get(b.case_to, b.case_to)
    if wanted and has and wanted != has and has == "insulated":
        return SubstituteLine("case or tab", "exceeds", wanted_text=wanted, has_text=has)
    return word("case or tab", wanted, has, must=False, note="from memory" if wanted and has else "")


def _safe_area_lines(a: PartType, b: PartType) -> list[SubstituteLine]:
    """Second-breakdown test lines of the original, each answered by what the candidate stands there."""
    lines = []
    for limit in a.find("I_S/b"):
        volts = limit.at.get("vce_V", nan)
        lines.append(
            at_least(f"safe area at {volts:g} V", limit.low, second_breakdown_A(b, volts), "A", must=False,
                     note=_note_of(limit, _one(b, "I_S/b")), soft=_soft(a, b))  # fmt: skip
        )
    if not lines and (a.mounting == "bolted" or b.mounting == "bolted"):
        note = "no second-breakdown line of the original on the shelf: compare the plots of both sheets"
        lines.append(SubstituteLine("safe area", "not known", note=note))
    return lines


def _complement(a: PartType, b: PartType) -> SubstituteLine:
    if not a.complement:
        return SubstituteLine(
            "complement", "exceeds" if b.complement else "meets", wanted_text="none",
            has_text=b.complement or "none", note="the original has no complement on the shelf",
        )  # fmt: skip
    if not b.complement:
        return SubstituteLine("complement", "not known", wanted_text=a.complement, note="none on the shelf")
    return SubstituteLine("complement", "meets", wanted_text=a.complement, has_text=b.complement)


def bjt_lines(a: PartType, b: PartType, temp_C: float) -> list[SubstituteLine]:
    """All lines of two transistors.

    Parameters
    ----------
    a, b : PartType
        Original and candidate.
    temp_C : float
        Case temperature at which the power is compared besides its reference [degC].
    """
    soft = _soft(a, b)
    lines = [
        word("polarity", a.polarity, b.polarity, must=True),
        word("material", a.material, b.material, must=True),
        word("structure", a.kind, b.kind, must=True),
        word("sections", str(a.sections), str(b.sections), must=True),
        _rating(a, b, "V_CEO", "V", True),
        _v_cbo(a, b),
        _rating(a, b, "V_EBO", "V", False, "counts where the base is driven past the emitter"),
        _rating(a, b, "I_C", "A", True),
        _rating(a, b, "I_CM", "A", False),
        *_power_lines(a, b, temp_C),
        at_most("R_thJC", a.rating("R_thJC"), b.rating("R_thJC"), "K/W", must=False, soft=soft),
        _rating(a, b, "T_j", "C", False),
        *gain_lines(a, b),
        *_speed_lines(a, b),
        *_safe_area_lines(a, b),
        word("package", a.package, b.package, must=False),
        word("lead order", a.leads, b.leads, must=False, note=_lead_note(a, b)),
        _complement(a, b),
    ]  # fmt: skip
    if a.mounting == "bolted" or b.mounting == "bolted":
        lines.insert(-1, _tab(a, b))
    return _worth_a_line(lines)


def _worth_a_line(lines: list[SubstituteLine]) -> list[SubstituteLine]:
    """Lines without the minor ratings that neither sheet states."""
    minor = ("I_CM", "I_FSM", "I_ZM", "R_thJC", "T_j")
    return [x for x in lines if x.figure not in minor or not (isnan(x.wanted) and isnan(x.has))]


def _lead_note(a: PartType, b: PartType) -> str:
    bases = {p.leads_basis for p in (a, b) if p.leads and p.leads_basis != "published"}
    return "from memory" if bases else ""


def _at_current(part: PartType, symbol: str, key: str, at: float) -> Limit | None:
    return nearest(part.find(symbol), key, at)


def _forward_lines(a: PartType, b: PartType) -> list[SubstituteLine]:
    lines = []
    for limit in a.find("V_F"):
        at_A = limit.at.get("if_A", nan)
        match = _at_current(b, "V_F", "if_A", at_A)
        note = f"candidate's at {amps(match.at['if_A'])}" if match and match.at["if_A"] != at_A else ""
        lines.append(
            at_most(f"V_F at {amps(at_A)}", limit.high, match.high if match else nan, "V", must=False,
                    note=note, soft=_soft(a, b))  # fmt: skip
        )
    return lines


def _zener_lines(a: PartType, b: PartType) -> list[SubstituteLine]:
    """The candidate's voltage range must lie inside the original's."""
    mine, other = _one(a, "V_Z"), _one(b, "V_Z")
    if mine is None:
        return []
    result, margin, note = "not known", nan, ""
    if other is not None:
        inside = rounded(other.low) >= rounded(mine.low) and rounded(other.high) <= rounded(mine.high)
        same = rounded(other.low) == rounded(mine.low) and rounded(other.high) == rounded(mine.high)
        result = "meets" if same else ("exceeds" if inside else "falls short")
        here, there = mine.at.get("iz_A"), other.at.get("iz_A")
        if here != there:
            known = bool(here and there)
            note = f"tested at {amps(here)} and {amps(there)}" if known else "test current not stated"
            if not known or abs(log(there / here)) > log(COMPARABLE):
                result, note = "not known", f"{note}: the voltage moves with the current"
    if result == "falls short" and _soft(a, b):
        result, note = "not known", "rests on a reference page: fails no part"
    lines = [
        SubstituteLine("V_Z", result, mine.typical, other.typical if other else nan, "V",
                       _range(mine, unit="V"), _range(other, unit="V") if other else "", margin, True, note)
    ]  # fmt: skip
    for symbol in ("Z_ZT", "I_ZM"):
        x, y = _one(a, symbol), _one(b, symbol)
        make, unit = (at_most, "ohm") if symbol == "Z_ZT" else (at_least, "A")
        wanted, has = x.high if x else nan, y.high if y else nan
        lines.append(make(symbol, wanted, has, unit, must=False, soft=_soft(a, b)))
    return lines


def diode_lines(a: PartType, b: PartType, temp_C: float) -> list[SubstituteLine]:
    """All lines of two diodes, as `bjt_lines`."""
    soft = _soft(a, b)
    lines = [
        word("kind", a.kind, b.kind, must=a.kind in ("Zener", "Schottky") or b.kind in ("Zener", "Schottky")),
        word("material", a.material, b.material, must=True),
    ]
    if a.kind == "Zener":
        lines += _zener_lines(a, b)
    else:
        lines += [_rating(a, b, "V_RRM", "V", True), _rating(a, b, "I_F", "A", True),
                  _rating(a, b, "I_FSM", "A", False)]  # fmt: skip
    if not isnan(a.rating("P_tot")):
        lines += _power_lines(a, b, temp_C)
    lines += [_rating(a, b, "T_j", "C", False), *_forward_lines(a, b)]
    for symbol, unit in (("t_rr", "s"), ("C", "F")):
        x, y = _one(a, symbol), _one(b, symbol)
        if x is not None:
            lines.append(at_most(symbol, x.high, y.high if y else nan, unit, must=False, soft=soft))
    lines.append(word("package", a.package, b.package, must=False))
    return _worth_a_line(lines)
