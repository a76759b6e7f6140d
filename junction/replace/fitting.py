"""A substitute beside its original in words: why it is one, and what has to be changed to fit it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isnan, log, nan

from junction.base.units import listed, nominal
from junction.judge.results import say
from junction.replace.lines import amps, larger_die, stands_in
from junction.replace.rank import mean_gain
from junction.replace.results import Needs, SubstituteLine, Substitution
from junction.shelf.tables import PartType, rule

#: What a line of reasons shows of either part, where both are known.
_BESIDE = {"V_CEO": "V", "V_RRM": "V", "I_C": "A", "I_F": "A", "P_tot": "W", "t_rr": "s"}
#: What is missing, and worth a word in a line of reasons.
_MISSED = ("V_CEO", "V_CBO", "I_C", "P_tot", "V_RRM", "I_F", "h_FE", "f_T", "t_rr", "V_Z")
#: What a headline says though it settles nothing: the word where it is less (or more), and the unit.
_HEADLINE = {"h_FE": ("gain less", ""), "f_T": ("f_T less", "Hz"),
             "I_R": ("I_R more", "A"), "C": ("C more", "F"), "t_rr": ("t_rr longer", "s"),
             "package": ("", "")}  # fmt: skip
_MOST_REASONS = 3
_FITS = {"work": ", fits with work", "no": ", does not fit the place"}


def short_text(value: float, unit: str) -> str:
    """A figure in as many digits as a sheet gives it: ``2.5 MHz``."""
    return str(nominal(float(f"{value:.3g}"), unit))


def why(asked: PartType | Needs, part: PartType, lines: Sequence[SubstituteLine], place: str) -> str:
    """The candidate beside what was asked for, in a line: outline, ratings, and what is less or not known."""
    figures: dict[str, SubstituteLine] = {}
    for x in lines:
        figures.setdefault(x.figure.partition(" at ")[0], x)
    own = isinstance(asked, PartType)
    said = [(part.package or ("package not known" if own else "")) + _FITS.get(place, "")]
    pairs = [(figures[name], unit) for name, unit in _BESIDE.items() if name in figures]
    pairs = [(x, unit) for x, unit in pairs if not isnan(x.has)]
    if "V_Z" in figures and not isnan(figures["V_Z"].has):
        pairs.insert(0, (figures["V_Z"], "V"))
    if pairs:
        has = ", ".join(short_text(x.has, unit) for x, unit in pairs)
        wanted = ", ".join(short_text(x.wanted, unit) if not isnan(x.wanted) else "?" for x, unit in pairs)
        said.append(f"{has} for {wanted}")
    buts = []
    worst: dict[str, SubstituteLine] = {}
    for x in lines:
        name = x.figure.partition(" at ")[0]
        if x.margin < 1 and (name not in worst or x.margin < worst[name].margin):
            worst[name] = x
    for name, x in worst.items():
        if name in _BESIDE and name != "t_rr":
            buts.append(f"{name} less")
        elif name in ("h_FE", "f_T", "I_R"):
            buts.append(f"{name} {_beside(x, x.unit)}")
    missing: dict[str, list[str]] = {}
    for x in lines:
        name, _, at = x.figure.partition(" at ")
        if x.result == "not known" and isnan(x.has) and not isnan(x.wanted):
            missing.setdefault(name, []).append(at)
    known = {x.figure.partition(" at ")[0] for x in lines if not isnan(x.has)}
    buts += [f"{name} not known" + (f" at {listed(at)}" if name in known else "")
             for name, at in missing.items() if name in _MISSED and name not in worst]  # fmt: skip
    if own and asked.device == "diode" and part.kind != asked.kind:
        said.insert(0, part.kind)
    if own and asked.device == "bjt" and part.package and place in ("same", "work"):
        if not asked.leads or not part.leads:
            said[0] += ", leads not known"
        elif asked.leads != part.leads:
            said[0] += ", other leads"
        elif place == "same" and asked.mounting == "board":
            said[0] += ", same leads"
    if part.standing != "published":
        buts.append({"secondary": "figures from reference pages"}.get(part.standing, "figures from memory"))
    text = "; ".join(x for x in said if x)
    return text + (f"; but {listed(buts[:_MOST_REASONS])}" if buts else "")


def _beside(x: SubstituteLine, unit: str) -> str:
    """Both sides of a line with their currents: ``80 at 10 mA for 200 at 2 mA``."""
    at = x.figure.partition(" at ")[2] if x.figure.startswith("h_FE") else ""
    there = f" at {amps(x.has_at)}" if not isnan(x.has_at) else ""
    said = f"{short_text(x.has, unit)}{there} for {short_text(x.wanted, unit)}"
    return f"{said} at {at}" if at else said


def verdict(result: Substitution) -> str:
    """Result in a few words, with what it rests on: what else is less, and what is not known."""
    must = [x for x in result.lines if x.must]
    missing = _names(x for x in must if x.result == "not known" and isnan(x.margin)
                     and (x.wanted_text or not isnan(x.wanted)))  # fmt: skip
    if result.result == "falls short":
        return f"falls short in {listed(result.figures('falls short', True))}"
    if result.result == "not known":
        less = [x for x in must if x.result == "not known" and x.margin < 1]
        said = [f"{_names([x])[0]} {_beside(x, x.unit)}" for x in less[:_MOST_REASONS]]
        parts = [f"less, {less[0].rests}: {listed(said)}"] if less else []
        return "; ".join(parts + ([f"not known: {listed(missing)}"] if missing else [])) or "not known"
    buts, others = [], [x for x in result.lines if not x.must]
    for name, (word, unit) in _HEADLINE.items():
        lines = [x for x in others if _names([x]) == [name]]
        lower = min((x for x in lines if x.margin < 1), key=lambda x: x.margin, default=None)
        if lower is not None:
            buts.append(f"{word} ({_beside(lower, unit)})")
        elif blank := [x for x in lines if _lacks(x)]:
            at = listed(x.figure.partition(" at ")[2] for x in blank)
            buts.append(f"{name} not known" + (f" at {at}" if len(blank) < len(lines) and at else ""))
    blank = _names(x for x in must if isnan(x.wanted) and not x.wanted_text)
    buts += [f"{listed(blank)} of {result.original} not known"] if blank else []
    if not buts:
        return f"{'meets or exceeds' if result.result == 'exceeds' else 'meets'} everything that counts"
    known = " that is known" if blank else ""
    over = "meets or exceeds" if result.result == "exceeds" else "meets"
    return f"{over} every rating{known}; {', '.join(buts[:_MOST_REASONS])}"


def _lacks(x: SubstituteLine) -> bool:
    """Whether the original has a figure or word, and the candidate none."""
    return isnan(x.has) and not x.has_text and bool(x.wanted_text or not isnan(x.wanted))


def _names(lines: Iterable[SubstituteLine]) -> list[str]:
    """Figures of lines without their conditions, each once."""
    return list(dict.fromkeys(x.figure.partition(" at ")[0] for x in lines))


def to_fit(a: PartType, b: PartType, lines: Sequence[SubstituteLine], place: str) -> list[str]:
    """What to change and to look after where `b` goes in the place of `a`, in the order of the work."""
    said = [
        say("substitute_memory" if part.standing == "from memory" else "substitute_secondary", part=part.name)
        for part in (b, a) if part.secondary
    ]  # fmt: skip
    less = [x for x in lines if x.must and x.margin < 1]
    if less:
        figures = [f"{_names([x])[0]} {_beside(x, x.unit)}" for x in less[:_MOST_REASONS]]
        said.insert(0, say("substitute_short", figures=listed(figures)))
    if place in ("work", "no"):
        row = "substitute_work" if place == "work" else "substitute_no_fit"
        said.append(say(row, was=a.package, now=b.package, bolted="bolted" in (a.mounting, b.mounting)))
    if a.device == "bjt":
        return said + _bjt(a, b, {x.figure: x for x in lines}, lines, place)
    return said + _diode(a, b, lines)


def _diode(a: PartType, b: PartType, lines: Sequence[SubstituteLine]) -> list[str]:
    """What to look after with a diode."""
    said, row = [], stands_in(a.kind, b.kind)
    if larger_die(a.rating("I_F"), b.rating("I_F")) > 1:
        said.append(say("substitute_large_die", candidate=b.name, now=amps(b.rating("I_F")),
                        was=amps(a.rating("I_F"))))  # fmt: skip
    if row and row.says:
        said.append(say(row.says, original=a.name, candidate=b.name))
    elif a.kind != b.kind and "rectifier" in b.kind and b.kind != "fast rectifier":
        said.append(say("substitute_slow", original=a.name, candidate=b.name))
    for x in lines:
        if x.figure == "test current" and x.result == "falls short":
            impedance = next((limit.high for limit in b.find("Z_ZT")), nan)
            lower = impedance * x.has * log(x.margin) if x.margin > 1 else nan
            said.append(say("substitute_zener_current", now=amps(x.has), was=amps(x.wanted), original=a.name,
                            lower=lower))  # fmt: skip
        if x.figure == "V_Z" and not abs(x.has / x.wanted - 1) < 1e-6 and not isnan(x.has):
            said.append(say("substitute_zener_other", now=x.has, was=x.wanted))
    return said


def _bjt(
    a: PartType, b: PartType, by_name: dict[str, SubstituteLine], lines: Sequence[SubstituteLine], place: str
) -> list[str]:
    """What to change and to look after with a transistor."""
    said, margins = [], {name: x.margin for name, x in by_name.items()}
    if a.leads and b.leads and a.leads != b.leads:
        remembered = [p for p in (a, b) if p.leads_basis != "published"]
        said.append(say("substitute_leads", was=a.leads, now=b.leads, how=_crossed(a, b, place),
                        basis="from memory" if remembered else ""))  # fmt: skip
    elif not b.leads and a.name != b.name:
        said.append(say("substitute_leads_unknown", part=b.name))
    elif not a.leads and a.name != b.name:
        said.append(say("substitute_leads_original", part=a.name))
    if "bolted" in (a.mounting, b.mounting):
        if a.case_to == "none" and b.case_to not in ("none", ""):
            said.append(say("substitute_live", original=a.name))
        elif b.case_to == "none" and a.case_to not in ("none", ""):
            said.append(say("substitute_insulated"))
    if a.mounting == "bolted" and a.complement and a.name != b.name:
        if b.complement and b.complement != a.complement:
            said.append(say("substitute_both_sides", was=a.complement, now=b.complement))
        elif not b.complement:
            said.append(say("substitute_no_complement", part=b.name, was=a.complement))
    if a.kind != b.kind:
        said.append(say("substitute_structure"))
    elif a.kind == "darlington" and a.r_be_ohm != b.r_be_ohm:
        said.append(say("substitute_base_resistors"))
    if a.material != b.material:
        said.append(say("substitute_material", was=a.material, now=b.material))
    if a.damper_diode and not b.damper_diode:
        said.append(say("substitute_damper", original=a.name, candidate=b.name))
    heat = by_name.get("R_thJC")
    if heat and heat.has > rule("heat_hotter") * heat.wanted and a.mounting == "bolted":
        per_W = 10.0 if a.rating("P_tot") >= 20 else 1.0
        said.append(say("substitute_hotter", now=heat.has, was=heat.wanted, where="case", per=per_W,
                        rise=per_W * (heat.has - heat.wanted)))  # fmt: skip
    if margins.get("f_T", nan) >= rule("ft_much_faster"):
        said.append(say("substitute_faster", times=margins["f_T"], original=a.name))
    if margins.get("C_ob", nan) <= 1 / rule("cob_larger"):
        said.append(say("substitute_capacitance", times=1 / margins["C_ob"]))
    less = [x for x in lines if x.figure.startswith("h_FE") and x.margin < 1]
    if less:
        worst = min(less, key=lambda x: x.margin)
        at = amps(worst.has_at) if not isnan(worst.has_at) else ""
        said.append(say("substitute_less_gain", share=worst.margin, original=a.name, at=at))
    higher = mean_gain(a, b)
    if higher >= rule("hfe_differs"):
        said.append(say("substitute_more_gain", times=higher, original=a.name))
    # a gain without its current is, of such a type, most often one at a small current
    most_A = rule("noise_stage_A") * (1 + 1e-9)
    if "small-signal silicon" in a.family and any(x.at.get("ic_A", 0.0) <= most_A for x in a.find("h_FE")):
        said.append(say("substitute_noise"))
    return said + (_spread(b) if a.mounting == "bolted" else [])


def _spread(b: PartType) -> list[str]:
    """What a pair of it would need."""
    gains = b.find("h_FE")
    spreads = [(x.high / x.low, x) for x in gains if x.low > 0 and not isnan(x.high)]
    ratio, widest = max(spreads, key=lambda spread: spread[0], default=(nan, None))
    if ratio > 1 / rule("hfe_matched"):
        at = amps(widest.at["ic_A"]) if "ic_A" in widest.at else ""
        return [say("substitute_spread", part=b.name, low=widest.low, high=widest.high, at=at)]
    if widest is None and gains:
        return [say("substitute_no_upper_gain", part=b.name)]
    return []


def _crossed(a: PartType, b: PartType, place: str) -> str:
    """Which lead goes where: turned round, two of them crossed, or each by its name."""
    was, now = a.leads, b.leads
    if place != "same":
        return "each lead to its own hole by its letter"
    moved = [k for k in range(3) if was[k] != now[k]]
    if now == was[::-1] and a.mounting == b.mounting == "board":
        return "turn it round, its flat the other way"
    if len(moved) == 2:
        return f"cross its {listed([now[k] for k in moved])}, sleeved; its {now[3 - sum(moved)]} stays"
    holes = [f"{now[k]} to hole {was.index(now[k]) + 1}" for k in moved]
    return f"bend {listed(holes)}, sleeved"
