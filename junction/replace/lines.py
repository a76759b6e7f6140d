"""The lines of a substitution: one figure of two types, compared.

Numbers are compared after rounding to nine digits, so that 700 uA and 0.7 mA are the same; that keeps the
comparison a preorder, which a tolerance would not.  A secondary figure never fails a part: where it would,
the answer is "not known".
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import inf, isnan, log, nan

from junction.base.units import nominal
from junction.replace.results import SubstituteLine
from junction.shelf.tables import Limit, PartType, records, rule
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
    note: str = "", soft: str = "", **more,
) -> SubstituteLine:  # fmt: skip
    """Line of a figure that should not be smaller (`most`: not larger).

    `soft` says what a shortfall rests on that fails no part (`rests_on`): it is kept, and the result is not
    known.  `more` are further fields of the line.
    """
    over, under = (rounded(wanted), rounded(has)) if most else (rounded(has), rounded(wanted))
    margin = 1.0 if over == under else over / under if under else nan if isnan(over) else inf
    if isnan(margin):
        result = "not known"
        note = note or ("the original's sheet does not say" if isnan(wanted) else "")
    else:
        result = "meets" if rounded(margin) == 1.0 else "exceeds" if margin > 1 else "falls short"
    if result == "falls short" and soft:
        result, more["rests"] = "not known", soft
        note = note if soft in note else (f"{note}; " if note else "") + soft
    return SubstituteLine(figure, result, wanted, has, unit, margin=margin, must=must, note=note, **more)


def rests_on(*parts: PartType) -> str:
    """What a comparison rests on where one of the parts is not from a publication, '' else."""
    if any(part.standing == "from memory" for part in parts):
        return "from memory"
    return "by a reference page" if any(part.secondary for part in parts) else ""


@cache
def amps(value: float) -> str:
    """A current as the name of a figure holds it, in letters of every keyboard: ``100 uA``."""
    return nominal(value, "A").replace("µ", "u")


def gain_at(part: PartType, at_A: float) -> tuple[float, str]:
    """Least registered h_FE of a part at a collector current, and a note on where it is from.

    Between two registered currents the straight line on logarithmic axes is taken: gain over current bends
    downwards there (it rises with recombination's end and falls with high injection), so that the line is on
    the safe side.  Below the lowest one the gain registered there holds down to `gain_holds_below` of it;
    above the highest one only within `comparable_current`.

    Returns
    -------
    tuple of (float, str)
        nan where nothing registered reaches that current.
    """
    known: dict[float, float] = {}
    for limit in part.find("h_FE"):
        if (ic_A := limit.at.get("ic_A", 0.0)) > 0 and not isnan(limit.low):
            known[ic_A] = max(limit.low, known.get(ic_A, 0.0))
    points = sorted(known.items())
    for (i_low, low), (i_high, high) in zip(points, points[1:], strict=False):
        if i_low < at_A < i_high and not 0.999 < at_A / i_low < 1.001 and not 0.999 < at_A / i_high < 1.001:
            share = log(at_A / i_low) / log(i_high / i_low)
            return low ** (1 - share) * high**share, f"candidate's between {amps(i_low)} and {amps(i_high)}"
    if not points or not at_A > 0:
        return nan, ""
    nearest_A, value = min(points, key=lambda point: abs(log(point[0] / at_A)))
    reach = rule("gain_holds_below") if nearest_A > at_A else rule("comparable_current")
    if abs(log(nearest_A / at_A)) > log(reach) * (1 + 1e-9):
        return nan, ""
    return value, "" if nearest_A == at_A else f"candidate's at {amps(nearest_A)}"


def gain_elsewhere(part: PartType, at_A: float) -> Limit | None:
    """The h_FE registered nearest to a current, within `gain_informs` of it: it informs, and settles nothing.

    For a gain without its current the greatest of all: it is less only where all are.
    """
    known = [x for x in part.find("h_FE") if x.at.get("ic_A", 0.0) > 0 and not isnan(x.low)]
    if isnan(at_A):
        return max(known, key=lambda x: x.low, default=None)
    best = min(known, key=lambda x: abs(log(x.at["ic_A"] / at_A)), default=None)
    near = best and abs(log(best.at["ic_A"] / at_A)) <= log(rule("gain_informs")) * (1 + 1e-9)
    return best if near else None


def gain_anywhere(part: PartType, at_A: float) -> float:
    """Least registered h_FE at the current nearest to `at_A`, however far off; nan where there is none."""
    known = [x for x in part.find("h_FE") if not isnan(x.low)]
    return min(known, key=lambda x: abs(log(x.at.get("ic_A", at_A) / at_A)), default=Limit("")).low


def nearest(limits: tuple[Limit, ...], key: str, at: float) -> Limit | None:
    """Limit whose condition `key` is nearest to `at`, within the ratio ``comparable_current``; or None."""
    known = [limit for limit in limits if limit.at.get(key, 0.0) > 0 and at > 0]
    best = min(known, key=lambda limit: abs(log(limit.at[key] / at)), default=None)
    near = best and abs(log(best.at[key] / at)) <= log(rule("comparable_current")) * (1 + 1e-9)
    return best if near else None


def _first(part: PartType, symbol: str) -> Limit:
    """First limit of that symbol; one that says nothing where there is none."""
    found = part.find(symbol)
    return found[0] if found else _unsaid(symbol)


@cache
def _unsaid(symbol: str) -> Limit:
    return Limit(symbol)


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
        self.a, self.b, self.temp_C, self.soft = a, b, temp_C, rests_on(a, b)

    def held(self, symbol: str, unit: str, side: str = "high", **how) -> SubstituteLine:
        """Line of a maximum rating, or of the low or high side of the first limit of a symbol."""
        wanted, has = (getattr(_first(part, symbol), side) for part in (self.a, self.b))
        return line(symbol, wanted, has, unit, soft=self.soft, **how)

    def speed(self, symbol: str, unit: str, side: str, **how) -> SubstituteLine:
        """Line of f_T (`side` low) or t_rr (high), from typical figures where a sheet has no others.

        Far too slow settles the result: below `speed_short` of the original where speed is what the place
        wants the part for, below `speed_short_any` of a transistor that is not slow anyway.
        """
        firsts = [_first(part, symbol) for part in (self.a, self.b)]
        limits = [getattr(limit, side) for limit in firsts]
        values = [limit.typical if isnan(x) else x for x, limit in zip(limits, firsts, strict=True)]
        typical = [who for who, x, v in zip(("original", "candidate"), limits, values, strict=True)
                   if isnan(x) and not isnan(v)]  # fmt: skip
        note = f"typical of the {' and the '.join(typical)}" if typical else _basis(*firsts)
        asked = values[0]
        if typical == ["original"] and side == "low":
            asked *= rule("speed_typical")  # what a limit beside it would be
        found = line(symbol, asked, values[1], unit, most=side == "high", soft=self.soft, note=note, **how)
        found.wanted = values[0]
        fast, bjt = self.fast(), self.a.device == "bjt"
        least = rule("speed_short" if fast else "speed_short_any")
        far = found.result == "falls short" and found.margin < least
        missing = fast and bjt and not isnan(values[0]) and isnan(values[1])
        slow = bjt and values[0] < rule("speed_matters")
        remembered = "from memory" in (firsts[0].basis, firsts[1].basis)  # informs, and condemns no part
        found.must = (missing or far and not slow) and not remembered
        return found

    def fast(self) -> bool:
        """Whether the original is there for its speed: RF, video, and every diode with a recovery time."""
        if self.a.device != "bjt":
            return True
        limit = _first(self.a, "f_T")
        f_t_Hz = limit.typical if isnan(limit.low) else limit.low
        video = self.a.rating("V_CEO") >= rule("speed_video_voltage") and f_t_Hz >= rule("speed_video")
        return f_t_Hz >= rule("speed_rf") or video

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
        lines = []
        for at_C in sorted({first, max(first, self.temp_C)}):
            wanted, has = power_at_W(a, where, at_C), power_at_W(b, where, at_C)
            free, soft, usual = note, self.soft, isnan(has) and where == "ambient"
            if usual:
                # without a sink the outline decides; a usual figure may let a part pass, and fails none
                has = (b.rating("T_j") - at_C) / _free_air(b)
                free, soft = "by what its outline usually carries without a sink, from memory", "from memory"
            if isnan(has) and b.rating("P_tot") < rule("power_far_less") * a.rating("P_tot"):
                has, soft = b.rating("P_tot"), "held elsewhere"
                free = f"candidate's at {other} {other_C:g} °C"
            lines.append(line(f"P_tot at {where} {at_C:g} °C", wanted, has, "W", must=True,
                              note="" if isnan(has) and usual else free, soft=soft))  # fmt: skip
        return lines

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
            self.speed("f_T", "Hz", "low"),
            self.held("C_ob", "F", most=True, note=_basis(_first(a, "C_ob"), _first(b, "C_ob"))),
            *self.safe_area(bolted),
            _package(a, b),
            word("lead order", a.leads, b.leads, note="from memory" if remembered else ""),
            *([_tab(a.case_to, b.case_to)] if bolted else []),
            _complement(a.complement, b.complement),
        ]  # fmt: skip

    def gain(self) -> list[SubstituteLine]:
        """h_FE at each registered current of the original, by what the candidate has there (`gain_at`).

        Far less of it settles the result: a stage is laid out for the least gain of its parts.
        """
        lines: dict[float, SubstituteLine] = {}
        for limit in self.a.find("h_FE"):
            at_A = limit.at.get("ic_A", nan)
            if isnan(limit.low) or at_A in lines:
                continue
            has, where = gain_at(self.b, at_A)
            match = nearest(self.b.find("h_FE"), "ic_A", at_A)
            if isnan(at_A):  # neither sheet says the current: like with like, else nothing
                match = next((x for x in self.b.find("h_FE") if "ic_A" not in x.at), None)
                has = match.low if match else nan
            if match and match.low != has:
                match = replace(match, low=has, high=nan)
            note = ", ".join(x for x in (where, _basis(limit, match or Limit("", has))) if x)
            informs = gain_elsewhere(self.b, at_A) if isnan(has) else None
            if informs:
                match, has, where = informs, informs.low, f"candidate's at {amps(informs.at['ic_A'])}"
                note = ", ".join(x for x in (where, _basis(limit, match)) if x)
            far = not self.soft and not informs and has < rule("gain_short") * limit.low
            says = "" if isnan(has) else _range(replace(match or Limit(""), low=float(f"{has:.3g}")))
            lines[at_A] = line(
                "h_FE" if isnan(at_A) else f"h_FE at {amps(at_A)}", limit.low, has, "", note=note,
                soft=self.soft, must=far, wanted_at=at_A, wanted_text=_range(limit), has_text=says,
            )  # fmt: skip
            if informs:
                lines[at_A].result, lines[at_A].has_at = "not known", informs.at["ic_A"]
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
        kind, alike = self.kind(), a.kind == b.kind or "Schottky" not in (a.kind, b.kind)
        # of a Schottky part in the place of another kind the material is what its kind says
        lines = [kind, *([word("material", a.material, b.material, must=True)] if alike else [])]
        if a.kind != "Zener":
            lines += [self.held("V_RRM", "V", must=True), self.held("I_F", "A", must=True),
                      self.held("I_FSM", "A")]  # fmt: skip
        elif a.find("V_Z"):
            lines += [self.zener(), self.test_current(), self.held("Z_ZT", "ohm", most=True),
                      self.held("I_ZM", "A")]  # fmt: skip
        if not isnan(a.rating("P_tot")):
            lines += self.power()
        lines.append(self.held("T_j", "C"))
        for limit in a.find("V_F"):
            at_A = limit.at.get("if_A", nan)
            # V_F rises with the current: what holds at a higher one holds here
            higher = [x for x in b.find("V_F") if x.at.get("if_A", nan) >= 0.999 * at_A]
            match = min(higher, key=lambda x: x.high, default=nearest(b.find("V_F"), "if_A", at_A))
            other = match and match.at["if_A"] != at_A
            note = f"candidate's at {amps(match.at['if_A'])}" if other else ""
            lines.append(line(f"V_F at {amps(at_A)}", limit.high, match.high if match else nan, "V",
                              most=True, note=note, soft=self.soft))  # fmt: skip
        if a.rating("I_F") <= rule("small_diode_A") and a.find("I_R"):
            lines.append(self.leakage())
        if a.find("t_rr") or b.find("t_rr"):
            lines.append(self.speed("t_rr", "s", "high"))
        if a.find("C"):
            lines.append(self.held("C", "F", most=True))
        return [*lines, _package(a, b)]

    def kind(self) -> SubstituteLine:
        """What a diode is for: the same, or one that may stand in for it (reference/stand_ins.csv)."""
        a, b = self.a, self.b
        found, row = word("kind", a.kind, b.kind, must=True), stands_in(a.kind, b.kind)
        if row:
            found = replace(found, must=False, result="exceeds" if row.as_good else "falls short")
        return found

    def zener(self) -> SubstituteLine:
        """The original's voltage must lie in the candidate's range; the nearer the nominal, the better.

        At another test current the candidate's voltage is another one, lower at a lower current.  By how much
        at the most follows from its greatest impedance, which is taken to rise as the current falls, as that
        of a junction does: Z_ZT I_ZT ln(I_ZT/I).
        """
        mine, other, known = _first(self.a, "V_Z"), _first(self.b, "V_Z"), bool(self.b.find("V_Z"))
        result, note, rests = "not known", "", ""
        nominal_V, has_V = (middle(x) for x in (mine, other))
        if known:
            ends = [(rounded(x.low), rounded(x.high)) for x in (mine, other)]
            inside = ends[1][0] >= ends[0][0] and ends[1][1] <= ends[0][1]
            holds = ends[1][0] <= rounded(nominal_V) <= ends[1][1]
            result = "meets" if holds or ends[0] == ends[1] else "falls short"
            result = "exceeds" if inside and result == "meets" and ends[0] != ends[1] else result
            note = "" if inside or result != "meets" else f"wider: {_range(other, 'V')}"
        if result == "falls short" and self.soft:
            result, note, rests = "not known", self.soft, self.soft
        return SubstituteLine(
            "V_Z", result, nominal_V, has_V, "V", _range(mine, "V"), _range(other, "V") if known else "",
            must=True, note=note, rests=rests,
        )  # fmt: skip

    def leakage(self) -> SubstituteLine:
        """I_R of a small diode; it rises with the voltage, so that what holds at a higher one holds here."""
        mine = _first(self.a, "I_R")
        at_V, known = mine.at.get("vr_V", nan), self.b.find("I_R")
        higher = [x for x in known if x.at.get("vr_V", nan) >= 0.999 * at_V]
        match = min(higher, key=lambda x: x.high, default=nearest(known, "vr_V", at_V)) or Limit("I_R")
        there = match.at.get("vr_V", at_V)
        note = f"candidate's at {there:g} V" if there != at_V else ""
        return line("I_R", mine.high, match.high, "A", most=True, note=note, soft=self.soft)

    def test_current(self) -> SubstituteLine:
        """The currents at which two Zeners are tested, and how far apart their voltages may be for that."""
        mine, other = _first(self.a, "V_Z"), _first(self.b, "V_Z")
        here, there = mine.at.get("iz_A", nan), other.at.get("iz_A", nan)
        if isnan(here) or isnan(there):
            return SubstituteLine("test current", "not known", here, there, "A", note="not stated")
        ratio = there / here
        if abs(log(ratio)) <= log(rule("comparable_current")):
            return SubstituteLine("test current", "meets", here, there, "A", margin=ratio)
        note, impedance = "", _first(self.b, "Z_ZT").high
        if ratio > 1 and not isnan(impedance):
            lower_V = impedance * there * log(ratio)
            note = f"at {amps(here)} its voltage is up to {lower_V:.2g} V lower"
        return SubstituteLine("test current", "falls short", here, there, "A", margin=ratio, note=note)


@cache
def _stand_ins() -> dict:
    return {(row.original, row.candidate): row for row in records("stand_ins").values()}


def stands_in(kind: str, candidate: str):
    """Row of reference/stand_ins.csv for a kind of diode in the place of another, or None."""
    return _stand_ins().get((kind, candidate))


def kinds_for(kind: str) -> tuple[str, ...]:
    """Kinds of diodes that may stand in the place of a kind, itself first."""
    return (kind, *(candidate for original, candidate in _stand_ins() if original == kind))


def fit(package: str, place: str, candidate: str, candidate_place: str) -> str:
    """Whether an outline fits the place of another.

    Parameters
    ----------
    package, candidate : str
        Outlines (reference/packages.csv) of the original and the candidate.
    place, candidate_place : str
        The places of those outlines.

    Returns
    -------
    str
        'same', 'work' (leads bent, holes drilled), 'no', or '' where one is not known.
    """
    if not package or not candidate:
        return ""
    table = records("places")
    # axial parts share a place that has no row: their outlines differ in their leads
    if package == candidate or place == candidate_place and (place in table or package not in table):
        return "same"
    row = table.get(package) or table.get(place)
    return "work" if row and {candidate, candidate_place} & {*row.work.split(", ")} else "no"


def _free_air(part: PartType) -> float:
    """Usual thermal resistance of an outline to the ambient, without a sink [K/W]; nan if not listed."""
    table = records("places")
    row = table.get(part.package) or table.get(part.package_class)
    return row.R_thJA_K_per_W if row else nan


def _package(a: PartType, b: PartType) -> SubstituteLine:
    """Line of the outline: of the same place, fits with work, or does not fit."""
    found = word("package", a.package, b.package)
    how = fit(a.package, a.package_class, b.package, b.package_class)
    if how == "same":
        return replace(found, result="meets", note="" if a.package == b.package else "fits the same place")
    notes = {"work": "fits with work", "no": "does not fit the place"}
    return replace(found, note=notes[how]) if how else found


def larger_die(wanted_A: float, has_A: float) -> float:
    """How many times a small diode's die another class of diode has, by their I_F; 1 where it is no other."""
    ratio = has_A / wanted_A if wanted_A <= rule("small_diode_A") else nan
    return ratio / rule("small_diode_over") if ratio > rule("small_diode_over") else 1.0


def middle(limit: Limit) -> float:
    """Nominal voltage of a Zener, else the middle of its range."""
    return (limit.low + limit.high) / 2 if isnan(limit.typical) else limit.typical


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
