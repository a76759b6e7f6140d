"""The lines of a substitution: one figure of two types, compared.

Numbers are compared after rounding to nine digits, so that 700 uA and 0.7 mA are the same; that keeps the
comparison a preorder, which a tolerance would not.  A secondary figure never fails a part: where it would,
the answer is "not known".
"""

from __future__ import annotations

from dataclasses import replace
from math import inf, isnan, log, nan

from junction.base.units import nominal
from junction.replace.results import SubstituteLine
from junction.shelf.tables import Limit, PartType, rule
from junction.shelf.types import power_at_W, power_reference, second_breakdown_A


def rounded(x: float) -> float:
    """Value to nine significant digits; nan and inf as they are."""
    return float(f"{x:.9g}")


def word(figure: str, wanted: str, has: str, *, must: bool = False, note: str = "") -> SubstituteLine:
    """Line of a figure that must be the same word."""
    result = "not known" if not wanted or not has else "meets" if wanted == has else "falls short"
    return SubstituteLine(figure, result, wanted_text=wanted, has_text=has, must=must, note=note)


def line(
    figure: str, wanted: float, has: float, unit: str, *, most: bool = False, must: bool = False,
    note: str = "", soft: bool = False,
) -> SubstituteLine:  # fmt: skip
    """Line of a figure that should not be smaller (`most`: not larger).

    `soft` turns a shortfall into not known: one of the two rests on reference pages.
    """
    over, under = (rounded(wanted), rounded(has)) if most else (rounded(has), rounded(wanted))
    margin = 1.0 if over == under else over / under if under else nan if isnan(over) else inf
    if isnan(margin):
        result = "not known"
        note = note or ("the original's sheet does not say" if isnan(wanted) else "")
    else:
        result = "meets" if rounded(margin) == 1.0 else "exceeds" if margin > 1 else "falls short"
    if result == "falls short" and soft:
        result, note = "not known", (f"{note}; " if note else "") + "rests on a reference page: fails no part"
    return SubstituteLine(figure, result, wanted, has, unit, margin=margin, must=must, note=note)


def amps(value: float) -> str:
    """A current as the name of a figure holds it, in letters of every keyboard: ``100 uA``."""
    return nominal(value, "A").replace("µ", "u")


def nearest(limits: tuple[Limit, ...], key: str, at: float) -> Limit | None:
    """Limit whose condition `key` is nearest to `at`, within the ratio ``comparable_current``; or None."""
    known = [limit for limit in limits if limit.at.get(key, 0.0) > 0 and at > 0]
    best = min(known, key=lambda limit: abs(log(limit.at[key] / at)), default=None)
    near = best and abs(log(best.at[key] / at)) <= log(rule("comparable_current")) * (1 + 1e-9)
    return best if near else None


def _first(part: PartType, symbol: str) -> Limit:
    """First limit of that symbol; one that says nothing where there is none."""
    return next(iter(part.find(symbol)), Limit(symbol))


def _basis(wanted: Limit, has: Limit | None) -> str:
    """Note of two limits: what they rest on, if not on a publication."""
    asks, says = (x and not all(map(isnan, (x.low, x.high, x.typical))) for x in (wanted, has))
    if not says:
        return "the candidate's is not on the shelf" if asks else ""
    return ", ".join(sorted({x.basis for x in (wanted, has) if x.basis != "published"}))


def _range(limit: Limit, unit: str = "") -> str:
    if isnan(limit.high):
        text = f"at least {limit.low:g}"
    else:
        text = f"at most {limit.high:g}" if isnan(limit.low) else f"{limit.low:g} to {limit.high:g}"
    return f"{text} {unit}".rstrip()


class Lines:
    """Original and candidate, and the lines of their figures.

    Parameters
    ----------
    a, b : PartType
        Original and candidate.
    temp_C : float
        Case temperature at which the power is compared besides its reference [degC].
    """

    def __init__(self, a: PartType, b: PartType, temp_C: float) -> None:
        self.a, self.b, self.temp_C, self.soft = a, b, temp_C, a.secondary or b.secondary

    def held(self, symbol: str, unit: str, side: str = "high", **how) -> SubstituteLine:
        """Line of a maximum rating, or of the low or high side of the first limit of a symbol."""
        wanted, has = (getattr(_first(part, symbol), side) for part in (self.a, self.b))
        return line(symbol, wanted, has, unit, soft=self.soft, **how)

    def power(self) -> list[SubstituteLine]:
        """Power where the original's rating holds, and again at the temperature asked for."""
        a, b = self.a, self.b
        where, ref_C = power_reference(a)
        if not where:
            note = "reference temperature of the original's power not known"
            return [SubstituteLine("P_tot", "not known", a.rating("P_tot"), b.rating("P_tot"), "W",
                                   must=True, note=note)]  # fmt: skip
        other, other_C = power_reference(b)
        first = max(ref_C, other_C) if other == where else ref_C
        note = "" if other == where else f"candidate's from T_j and R_th to {where}"
        return [
            line(f"P_tot at {where} {at_C:g} °C", power_at_W(a, where, at_C), power_at_W(b, where, at_C), "W",
                 must=True, note=note, soft=self.soft)
            for at_C in sorted({first, max(first, self.temp_C)})
        ]  # fmt: skip

    def bjt(self) -> list[SubstituteLine]:
        """All lines of two transistors."""
        a, b = self.a, self.b
        # a part whose sheet leaves V_CBO out stands V_CEO there at the least
        v_cbo, v_cbo_note = b.rating("V_CBO"), ""
        if isnan(v_cbo) and b.rating("V_CEO") >= a.rating("V_CBO"):
            v_cbo, v_cbo_note = b.rating("V_CEO"), "V_CBO not stated; it is never below V_CEO"
        v_ebo = self.held("V_EBO", "V")
        if v_ebo.result == "falls short":
            v_ebo = replace(v_ebo, note="counts where the base is driven past the emitter")
        bolted = a.mounting == "bolted" or b.mounting == "bolted"
        remembered = any(p.leads and p.leads_basis != "published" for p in (a, b))
        return [
            word("polarity", a.polarity, b.polarity, must=True),
            word("material", a.material, b.material, must=True),
            word("structure", a.kind, b.kind, must=True),
            word("sections", str(a.sections), str(b.sections), must=True),
            self.held("V_CEO", "V", must=True),
            line("V_CBO", a.rating("V_CBO"), v_cbo, "V", must=True, note=v_cbo_note, soft=self.soft),
            v_ebo,
            self.held("I_C", "A", must=True),
            self.held("I_CM", "A"),
            *self.power(),
            self.held("R_thJC", "K/W", most=True),
            self.held("T_j", "C"),
            *self.gain(),
            self.held("f_T", "Hz", "low", note=_basis(_first(a, "f_T"), _first(b, "f_T"))),
            self.held("C_ob", "F", most=True, note=_basis(_first(a, "C_ob"), _first(b, "C_ob"))),
            *self.safe_area(bolted),
            word("package", a.package, b.package),
            word("lead order", a.leads, b.leads, note="from memory" if remembered else ""),
            *([_tab(a.case_to, b.case_to)] if bolted else []),
            _complement(a.complement, b.complement),
        ]  # fmt: skip

    def gain(self) -> list[SubstituteLine]:
        """h_FE at each registered current of the original where the candidate has one comparable."""
        own = tuple(x for x in self.b.find("h_FE") if not isnan(x.low))
        lines: dict[float, SubstituteLine] = {}
        for limit in self.a.find("h_FE"):
            at_A = limit.at.get("ic_A", nan)
            if isnan(limit.low) or at_A in lines:
                continue
            match = nearest(own, "ic_A", at_A)
            if isnan(at_A):  # neither sheet says the current: like with like, else nothing
                match = next((x for x in own if "ic_A" not in x.at), None)
            note = _basis(limit, match)
            if match and match.at.get("ic_A", at_A) != at_A and not isnan(at_A):
                note = ", ".join(x for x in (f"candidate's at {amps(match.at['ic_A'])}", note) if x)
            found = line(
                "h_FE" if isnan(at_A) else f"h_FE at {amps(at_A)}", limit.low,
                match.low if match else nan, "", note=note, soft=self.soft,
            )  # fmt: skip
            lines[at_A] = replace(found, wanted_text=_range(limit), has_text=_range(match) if match else "")
        return list(lines.values())

    def safe_area(self, bolted: bool) -> list[SubstituteLine]:
        """Second-breakdown test lines of the original, each answered by what the candidate stands there."""
        lines = []
        for limit in self.a.find("I_S/b"):
            volts = limit.at.get("vce_V", nan)
            lines.append(
                line(f"safe area at {volts:g} V", limit.low, second_breakdown_A(self.b, volts), "A",
                     note=_basis(limit, _first(self.b, "I_S/b")), soft=self.soft)  # fmt: skip
            )
        if not lines and bolted:
            note = "no second-breakdown line of the original on the shelf: compare the plots of both sheets"
            lines.append(SubstituteLine("safe area", "not known", note=note))
        return lines

    def diode(self) -> list[SubstituteLine]:
        """All lines of two diodes."""
        a, b = self.a, self.b
        special = any(part.kind in ("Zener", "Schottky") for part in (a, b))
        lines = [word("kind", a.kind, b.kind, must=special),
                 word("material", a.material, b.material, must=True)]  # fmt: skip
        if a.kind != "Zener":
            lines += [self.held("V_RRM", "V", must=True), self.held("I_F", "A", must=True),
                      self.held("I_FSM", "A")]  # fmt: skip
        elif a.find("V_Z"):
            lines += [self.zener(), self.held("Z_ZT", "ohm", most=True), self.held("I_ZM", "A")]
        if not isnan(a.rating("P_tot")):
            lines += self.power()
        lines.append(self.held("T_j", "C"))
        for limit in a.find("V_F"):
            at_A = limit.at.get("if_A", nan)
            match = nearest(b.find("V_F"), "if_A", at_A)
            other = match and match.at["if_A"] != at_A
            note = f"candidate's at {amps(match.at['if_A'])}" if other else ""
            lines.append(line(f"V_F at {amps(at_A)}", limit.high, match.high if match else nan, "V",
                              most=True, note=note, soft=self.soft))  # fmt: skip
        minor = (("t_rr", "s"), ("C", "F"))
        lines += [self.held(symbol, unit, most=True) for symbol, unit in minor if a.find(symbol)]
        return [*lines, word("package", a.package, b.package)]

    def zener(self) -> SubstituteLine:
        """The candidate's voltage range must lie inside the original's."""
        mine, other, known = _first(self.a, "V_Z"), _first(self.b, "V_Z"), bool(self.b.find("V_Z"))
        result, note = "not known", ""
        if known:
            ends = [(rounded(x.low), rounded(x.high)) for x in (mine, other)]
            inside = ends[1][0] >= ends[0][0] and ends[1][1] <= ends[0][1]
            result = "meets" if ends[0] == ends[1] else "exceeds" if inside else "falls short"
            here, there = mine.at.get("iz_A"), other.at.get("iz_A")
            if here != there:
                stated = here and there
                note = "test current not stated"
                if stated:
                    note = f"tested at {amps(here)} and {amps(there)}"
                if not stated or abs(log(there / here)) > log(rule("comparable_current")):
                    result, note = "not known", f"{note}: the voltage moves with the current"
        if result == "falls short" and self.soft:
            result, note = "not known", "rests on a reference page: fails no part"
        return SubstituteLine(
            "V_Z", result, mine.typical, other.typical, "V", _range(mine, "V"),
            _range(other, "V") if known else "", must=True, note=note,
        )  # fmt: skip


def _tab(wanted: str, has: str) -> SubstituteLine:
    """Case or tab: an insulated one stands in for a live one, not the other way round."""
    names = {"C": "collector", "B": "base", "E": "emitter", "none": "insulated"}
    wanted, has = names.get(wanted, wanted), names.get(has, has)
    if wanted and has == "insulated" != wanted:
        return SubstituteLine("case or tab", "exceeds", wanted_text=wanted, has_text=has)
    return word("case or tab", wanted, has, note="from memory" if wanted and has else "")


def _complement(wanted: str, has: str) -> SubstituteLine:
    if wanted:
        result, note = ("meets", "") if has else ("not known", "none on the shelf")
    else:
        result, note = "exceeds" if has else "meets", "the original has no complement on the shelf"
        wanted, has = "none", has or "none"
    return SubstituteLine("complement", result, wanted_text=wanted, has_text=has, note=note)
