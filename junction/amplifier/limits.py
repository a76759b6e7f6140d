"""What a stage asks of its devices against the limits of their types, and at half the rated load."""

from __future__ import annotations

from math import inf, isfinite, isnan, nan

import numpy as np

from junction.amplifier.heat import case_path
from junction.amplifier.rating import Half, Notes
from junction.base.units import REFERENCE_TEMP_C, listed
from junction.judge.results import next_step, say
from junction.shelf.tables import rule
from junction.shelf.types import power_at_W, safe_current_A, second_breakdown_line

#: Every so many points of a load line are held against the safe area: a degree's step hides nothing.
_STEP = 3
#: Ratings without which nothing is allowed.
_NEEDED = ("V_CEO", "I_C", "P_tot", "T_j")


def limits_of(types, half: Half, heat, loci, notes: Notes, rth_jc: float = nan) -> list[dict]:
    """Rows of `Stage.limits`: every limit of every type in use, its junction by its own R_thJC.

    The heat was worked out with `rth_jc` [K/W], the largest of the types; nan: it was given, for all.
    """
    if not types:
        notes.questions.append(next_step("stage_no_type"))
    checks = [check for kind in types for check in _of_type(kind, half, _own_heat(kind, heat, rth_jc), loci)]
    notes.findings += [check["text"] for check in checks if check["verdict"] == "beyond"]
    polarities = {t.polarity for t in types if t.polarity}
    if half.circuit.quasi and len(polarities) > 1:
        notes.findings.append(say("stage_quasi_types"))
    return checks


def _own_heat(kind, heat, rth_jc: float) -> list[dict]:
    """Heat of one device of a type: its junction's rise above the case goes with its R_thJC."""
    share = case_path(kind) / rth_jc
    if isnan(share):
        return heat
    rises = ("junction_C", "junction_peak_C")
    return [d | {key: d["case_C"] + share * (d[key] - d["case_C"]) for key in rises} for d in heat]


def _of_type(kind, half: Half, heat, loci) -> list[dict]:
    def check(quantity: str, symbol: str, asked: float, limit: float, unit: str, **more) -> dict:
        if isnan(limit) or isnan(asked):
            verdict, text = "unknown", say("limit_unknown", quantity=quantity)
        else:
            close = "close" if asked > rule("stage_close") * limit else "within"
            verdict = "beyond" if asked > limit else close
            text = say(f"limit_{symbol}", asked=asked, limit=limit, **more)
        source = next((limit.source for limit in kind.find(symbol)), kind.source)
        return {"type": kind.name, "quantity": quantity, "asked": asked, "limit": limit, "unit": unit,
                "verdict": verdict, "text": f"{kind.name}: {text}", "source": source,
                "ratio": asked / limit if limit else inf}  # fmt: skip

    warm = [d for d in heat if isfinite(d["junction_C"])]
    unknown = {"junction_C": nan, "junction_peak_C": nan}
    hottest = max(warm, key=lambda d: d["junction_peak_C"], default=unknown)
    out = [
        check("V_CEO against both rails", "V_CEO", 2 * half.rail_V, kind.rating("V_CEO"), "V",
              single=half.circuit.single),
        check("I_C at the peak", "I_C", half.peak_A / half.n, kind.rating("I_C"), "A"),
        check("T_j, worst drive", "T_j", hottest["junction_peak_C"], kind.rating("T_j"), "C",
              mean=hottest["junction_C"], frequency=rule("stage_pulse_frequency")),
    ]  # fmt: skip
    if warm:
        worst = max(warm, key=lambda d: d["average_W"])
        case_C = worst["case_C"]
        allowed = power_at_W(kind, "case", case_C)
        if isnan(allowed):  # a rating that does not say where it holds: a case of 25 degC
            t_j = kind.rating("T_j")
            allowed = kind.rating("P_tot") * min((t_j - case_C) / (t_j - REFERENCE_TEMP_C), 1.0)
        out.append(check(f"P_tot derated, {worst['case']}", "P_tot", worst["average_W"], allowed, "W",
                         drive=worst["case"], case_C=case_C))  # fmt: skip
    if not heat:
        return out
    # the load lines against the dc safe area; past it, only the pulse lines of the type's chart help
    drive, case_C, watts, vce, asked, allowed = _worst_point(kind, heat, loci)
    found = check("safe area, worst instant", "P_tot", asked, allowed, "A", drive=drive, case_C=case_C)
    words = [say("limit_area", watts=watts, vce=vce, asked=asked, drive=drive)]
    against = {"unknown": "limit_area_none", "beyond": "limit_area_pulse"}
    words.append(say(against.get(found["verdict"], "limit_area_dc"), case_C=case_C, limit=allowed,
                     times=found["ratio"]))  # fmt: skip
    if isnan(second_breakdown_line(kind, vce)):
        words.append(say("limit_area_chart"))
    # an instant of a sine is not dc
    verdict = "close" if found["verdict"] == "beyond" else found["verdict"]
    return [*out, found | {"verdict": verdict, "text": f"{kind.name}: {'; '.join(words)}."}]


def _worst_point(kind, heat, loci) -> tuple[str, float, float, float, float, float]:
    """Where a load line, driven to clipping, goes furthest towards or past the dc safe area.

    Returns
    -------
    drive, case_C, power_W, vce_V, asked_A, allowed_A
        A smaller swing lies inside the line of the largest one.  Points above V_CEO are V_CEO's own affair.
    """
    found = []
    idle = {"idle": np.array([[heat[0]["vce_at_peak_V"]], [heat[0]["ic_at_peak_A"]]])}
    for word, (vce, ic) in (loci or idle).items():
        cases = [d["case_C"] for d in heat if d["case"].endswith(word)]
        case_C = max(filter(isfinite, cases), default=REFERENCE_TEMP_C)
        allowed = np.array([safe_current_A(kind, float(v), case_C) for v in vce[::_STEP]])
        asked = np.asarray(ic[::_STEP])
        ratio = np.where(allowed > 0, asked / np.where(allowed > 0, allowed, 1.0), 0.0)
        at = int(np.argmax(ratio if np.isfinite(allowed).any() and ratio.any() else asked * vce[::_STEP]))
        point = float(vce[::_STEP][at]), float(asked[at])
        found.append((float(ratio[at]), word, case_C, point[0] * point[1], *point, float(allowed[at])))
    return max(found, key=lambda one: (one[0], one[3]))[1:]


def verdict_of(stage, types, guessed: bool = False) -> tuple[str, str]:
    """Whether a stage keeps the limits of its types, and the one that speaks loudest.

    Parameters
    ----------
    stage : Stage
    types : sequence of PartType
        Those the stage was worked out with.
    guessed : bool
        Whether the thermal resistance junction to case is a guess, by which no junction is too hot.

    Returns
    -------
    verdict : str
        'yes', 'close', 'no', or 'unknown': a limit is not known, and none that is known is broken.
    why : str
        Quantity with what is asked and allowed, or what is not on the shelf.
    """
    beyond = [c for c in stage.limits if c["verdict"] == "beyond"]
    hot = [c for c in beyond if guessed and c["quantity"].startswith("T_j")]
    known = [c for c in stage.limits if c["verdict"] != "unknown" and c not in hot]
    broken = len(beyond) > len(hot)
    open_ = dict.fromkeys(c["type"] for c in stage.limits if c["verdict"] == "unknown")
    lacking = {kind.name: listed([name for name in _NEEDED if isnan(kind.rating(name))] or ["R_thJC"])
               for kind in types if kind.name in open_}  # fmt: skip
    if lacking and not broken:
        said = ", ".join(f"no {symbols} of {name}" for name, symbols in lacking.items())
        return "unknown", say("half_load_unknown", lacking=said)
    if hot and not broken:
        return "unknown", say("half_load_guess", **max(hot, key=lambda c: c["ratio"]))
    if not known:
        return "unknown", ""
    order = ("within", "close", "beyond")
    worst = max(known, key=lambda c: (order.index(c["verdict"]), c["ratio"]))
    verdict = dict(zip(order, ("yes", "close", "no"), strict=True))[worst["verdict"]]
    name = worst["quantity"].partition(",")[0]
    symbol = name if name == "safe area" else name.split(" ")[0]
    told = {key: worst[key] for key in ("asked", "limit", "unit")}
    if symbol == "safe area" and worst["ratio"] > 1:
        return verdict, say("half_load_pulse", **told)
    return verdict, say("half_load_why", symbol=symbol, **told)
