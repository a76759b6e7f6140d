"""What a stage asks of its devices, held against the registered limits of their types."""

from __future__ import annotations

from math import isfinite, isnan, nan

from junction.shelf.ratings import power_at_W, safe_current_A, second_breakdown_line
from junction.stage.results import LimitCheck

#: Air inside a cabinet; common practice, no source.
AMBIENT_C = 40.0
#: Use of a limit above which it is called close; common practice, no source.
CLOSE = 0.9


def _verdict(asked: float, limit: float) -> str:
    if isnan(limit) or isnan(asked):
        return "unknown"
    return "beyond" if asked > limit else "close" if asked > CLOSE * limit else "within"


def _source(kind, symbol: str) -> str:
    return next((limit.source for limit in kind.find(symbol)), kind.source)


def check_limits(ask, types, supply_V: float, device_peak_A: float, heat, rth: float, notes):
    """Limits of every type in use, and the sink the stage needs.

    Parameters
    ----------
    ask : StageAsk
    types : sequence of PartType
    supply_V, device_peak_A : float
        Voltage of a rail [V], peak current of one device [A].
    heat : sequence of Dissipation
    rth : float
        Junction to sink [K/W].
    notes
        Collects questions and findings.

    Returns
    -------
    limits : tuple of LimitCheck
    sink_needed_K_per_W : float
        Largest thermal resistance of one channel's sink that keeps the junctions within T_j.
    """
    checks: list[LimitCheck] = []
    if not types:
        notes.questions.append("Which type are the devices? With it their safe area can be checked (--type)")
    for kind in types:
        checks += _of_type(kind, supply_V, device_peak_A, heat)
    for check in checks:
        if check.verdict == "beyond":
            notes.findings.append(check.text)
    worst = max((d.average_W for d in heat), default=nan)
    limit_C = min((t.rating("T_j") for t in types if not isnan(t.rating("T_j"))), default=nan)
    sink = nan
    if isfinite(worst) and isfinite(limit_C) and worst > 0:
        ambient = ask.ambient_C if not isnan(ask.ambient_C) else AMBIENT_C
        if isnan(ask.ambient_C):
            notes.assumptions.append(f"the sink needed is for air at {AMBIENT_C:.0f} C")
        sink = (limit_C - rth * worst - ambient) / (2 * ask.parallel * worst)
        if sink <= 0:
            notes.findings.append("No heat sink is large enough: the devices alone would pass their "
                                  "T_j limit. "
                                  "More of them in parallel, or a lower supply.")  # fmt: skip
    return tuple(checks), sink


def _of_type(kind, supply_V: float, device_peak_A: float, heat) -> list[LimitCheck]:
    hottest = max((d.junction_C for d in heat if isfinite(d.junction_C)), default=nan)
    volts, v_ceo, i_c, t_j = 2 * supply_V, *(kind.rating(s) for s in ("V_CEO", "I_C", "T_j"))
    out = [
        _check(kind, "V_CEO against both rails", "V_CEO", volts, v_ceo, "V",
               f"the device that is off sees both rails, {volts:.0f} V; V_CEO is {v_ceo:.0f} V."),
        _check(kind, "I_C at the peak", "I_C", device_peak_A, i_c, "A",
               f"{device_peak_A:.1f} A at the peak; I_C is {i_c:g} A."),
        _check(kind, "T_j, worst drive", "T_j", hottest, t_j, "C",
               f"the junction reaches {hottest:.0f} C; the limit is {t_j:.0f} C."),
    ]  # fmt: skip
    warmest = max((d for d in heat if isfinite(d.case_C)), key=lambda d: d.average_W, default=None)
    if warmest is not None:
        allowed = derated_W(kind, warmest.case_C)
        out.append(_check(
            kind, f"P_tot derated, {warmest.name}", "P_tot", warmest.average_W, allowed, "W",
            f"{warmest.average_W:.0f} W on average with {warmest.name}; derated to a case of "
            f"{warmest.case_C:.0f} C it may take {allowed:.0f} W."))  # fmt: skip
    worst = max(heat, key=lambda d: d.peak_W, default=None)
    return out if worst is None else [*out, _safe_area(kind, worst)]


def _check(kind, quantity, symbol, asked, limit, unit, sentence) -> LimitCheck:
    verdict = _verdict(asked, limit)
    if verdict == "unknown":
        sentence = f"{quantity} cannot be checked, the shelf or the stage does not say it."
    return LimitCheck(kind.name, quantity, asked, limit, unit, verdict, f"{kind.name}: {sentence}",
                      _source(kind, symbol))  # fmt: skip


def derated_W(kind, case_C: float) -> float:
    """Power a type may take with its case at a temperature: (T_j - T_C)/R_thJC, never above P_tot [W]."""
    rated = power_at_W(kind, "case", case_C)
    if not isnan(rated):
        return rated
    t_j, p_tot, rth = (kind.rating(s) for s in ("T_j", "P_tot", "R_thJC"))
    if isnan(rth) and not isnan(p_tot):  # a rating that does not say where it holds: a case of 25 degC
        rth = (t_j - 25.0) / p_tot
    allowed = (t_j - case_C) / rth
    return allowed if isnan(p_tot) else min(allowed, p_tot)


def _safe_area(kind, worst) -> LimitCheck:
    """The worst instant against the dc safe area; past it, only the pulse lines of the type's chart help."""
    case_C = worst.case_C if isfinite(worst.case_C) else 25.0
    vce, asked = worst.vce_at_peak_V, worst.ic_at_peak_A
    allowed = safe_current_A(kind, vce, case_C)
    verdict = _verdict(asked, allowed)
    text = (
        f"{kind.name}: {worst.peak_W:.0f} W for an instant, at V_CE {vce:.0f} V and {asked:.1f} A "
        f"({worst.name})"
    )
    if verdict == "unknown":
        text += "; the shelf holds no safe area of this type"
    else:
        text += f"; dc, with the case at {case_C:.0f} C, it may carry {allowed:.1f} A there"
    if verdict == "beyond":
        verdict = "close"  # an instant of a sine is not dc
        text += ": only the pulse lines of its safe-area chart can allow it"
    if isnan(second_breakdown_line(kind, vce)):
        text += "; hold this point against its own chart, for its second-breakdown line is not on the shelf"
    return LimitCheck(kind.name, "safe area, worst instant", asked, allowed, "A", verdict, text + ".",
                      _source(kind, "P_tot"))  # fmt: skip
