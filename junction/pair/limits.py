"""What a stage asks of its devices, held against the registered limits of their types."""

from __future__ import annotations

from math import isfinite, isnan, nan

from junction.pair.results import LimitCheck

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
    out = []

    def add(quantity, symbol, asked, limit, unit, text):
        verdict = _verdict(asked, limit)
        if verdict == "unknown":
            text = f"{kind.name}: {quantity} cannot be checked, the shelf or the stage does not say it."
        out.append(LimitCheck(kind.name, quantity, asked, limit, unit, verdict, text, _source(kind, symbol)))

    volts = 2 * supply_V
    limit = kind.rating("V_CEO")
    add(
        "V_CEO against both rails",
        "V_CEO",
        volts,
        limit,
        "V",
        f"{kind.name}: the device that is off sees both rails, {volts:.0f} V; V_CEO is {limit:.0f} V.",
    )
    limit = kind.rating("I_C")
    add(
        "I_C at the peak",
        "I_C",
        device_peak_A,
        limit,
        "A",
        f"{kind.name}: {device_peak_A:.1f} A at the peak; I_C is {limit:g} A.",
    )
    tj = kind.rating("T_j")
    hottest = max((d.junction_C for d in heat if isfinite(d.junction_C)), default=nan)
    add(
        "T_j, worst drive",
        "T_j",
        hottest,
        tj,
        "C",
        f"{kind.name}: the junction reaches {hottest:.0f} C; the limit is {tj:.0f} C.",
    )
    rth_jc = kind.rating("R_thJC")
    if isnan(rth_jc) and not isnan(kind.rating("P_tot")):
        at = next((limit.at.get("case_C", 25.0) for limit in kind.find("P_tot")), 25.0)
        rth_jc = (tj - at) / kind.rating("P_tot")
    warmest = max((d for d in heat if isfinite(d.case_C)), key=lambda d: d.average_W, default=None)
    for row in (warmest,) if warmest is not None else ():
        allowed = (tj - row.case_C) / rth_jc
        add(
            f"P_tot derated, {row.name}",
            "P_tot",
            row.average_W,
            allowed,
            "W",
            f"{kind.name}: {row.average_W:.0f} W on average with {row.name}; derated to a case of "
            f"{row.case_C:.0f} C it may take {allowed:.0f} W.",
        )
    worst = max(heat, key=lambda d: d.peak_W, default=None)
    if worst is not None:
        allowed = kind.rating("P_tot")
        verdict = _verdict(worst.peak_W, allowed)
        text = (f"{kind.name}: {worst.peak_W:.0f} W for an instant, at V_CE {worst.vce_at_peak_V:.0f} V and "
                f"{worst.ic_at_peak_A:.1f} A ({worst.name}); hold this point against the type's own "
                "safe-area chart: its "
                "second-breakdown line is not on the shelf")  # fmt: skip
        if verdict == "beyond":
            verdict = "close"
            text += (
                f", and it lies above the dc rating of {allowed:.0f} W, so only the pulse lines can allow it"
            )
        out.append(LimitCheck(kind.name, "safe area, worst instant", worst.peak_W, allowed, "W",
                              verdict, text + ".", _source(kind, "P_tot")))  # fmt: skip
    return out
