"""Verdicts and fits of sweeps as records for people."""

from __future__ import annotations

from functools import cache
from math import isfinite, isnan, nan
from typing import TYPE_CHECKING

import numpy as np

from junction.base.records import JUNCTIONS, Interval
from junction.fit.results import FLAGS, MODELS, PARAMETERS, FitSummary
from junction.judge.results import VERDICTS, JunctionVerdict
from junction.shelf.rules import rules
from junction.verdict.evidence import Facts, facts, sentence, si
from junction.verdict.measured import OPEN, RESISTOR

if TYPE_CHECKING:
    from junction.verdict.sweeps import SweepVerdicts

#: Units of the fit's parameters, by name.
UNITS = {name: name.rpartition("_")[2] if "_" in name else "" for name in PARAMETERS}

#: What a flag of the fit means, as a sentence.
FLAG_WORDS = {
    "current_limited": "The instrument ran into its current limit; the points there were left out.",
    "over_range": "Some points were over the instrument's range and were left out.",
    "range_step": "The current steps where the instrument changed range; the step was allowed for.",
    "self_heated": "The part warmed up during the sweep; keep the sweep short and start from cold.",
    "zero_offset": "The instrument shows a current at zero volt; the offset was taken off.",
    "outliers": "Single points lie far off the curve and were left out: look at the probe contact.",
    "unphysical": "The fitted values are not those of a junction: repeat the sweep.",
    "poor_fit": "The points scatter more than this law explains; the intervals were widened for it.",
    "at_bound": "A fitted value ran to the end of its range; what it says is only a limit.",
    "reversed": "The signs are those of a sweep with the leads the other way round.",
}


#: Flags that say nothing where the fit was not believed anyway.
OF_THE_FIT = {"poor_fit", "unphysical", "at_bound", "outliers", "zero_offset", "range_step"}
POINTS_ASKED = "No junction's law fits this sweep well; its points were read as they stand."


def fit_summaries(fits, rows: np.ndarray | None = None, derived=None) -> list[FitSummary]:
    """Fits as records for people.

    Parameters
    ----------
    fits : SweepFits
    rows : ndarray of int, optional
        Which sweeps; all by default.
    derived : sequence of mapping, optional
        Derived values by name, one mapping a row.

    Returns
    -------
    list of FitSummary
        Only the parameters that the chosen model has.
    """
    rows = np.arange(len(fits)) if rows is None else rows
    held: list[dict] = [{} for _ in range(rows.size)]
    for name in PARAMETERS:
        value, low, high = (np.asarray(x[name])[rows] for x in (fits.value, fits.low, fits.high))
        has = np.flatnonzero(~np.isnan(value) | np.isfinite(low) | np.isfinite(high))
        for k, *ends in zip(has.tolist(), *(x[has].tolist() for x in (value, low, high)), strict=True):
            held[k][name] = Interval(*ends, UNITS[name])
    raised: list[list[str]] = [[] for _ in range(rows.size)]
    for name in FLAGS:
        for k in np.flatnonzero(fits.flags[name][rows]).tolist():
            raised[k].append(name)
    lists = [
        np.asarray(c)[rows].tolist()
        for c in (fits.evidence_gap, fits.n_points, fits.n_used, fits.chi2, fits.dof, fits.temp_C,
                  fits.temp_known)
    ]
    names = (*MODELS, "")
    return [
        FitSummary(names[model], names[other], gap, parameters, more, tuple(flags), points, used, chi2, dof,
                   temp, known)
        for model, other, parameters, more, flags, gap, points, used, chi2, dof, temp, known in zip(
            fits.model[rows].tolist(), fits.runner_up[rows].tolist(), held, derived or [{}] * rows.size,
            raised, *lists, strict=True)
    ]  # fmt: skip


#: A value at the limit's conditions is given where the sweep reached this share of them (our convention):
#: a decade of current is 60 mV of a junction, half the voltage at most twice the leak.
NEAR_CURRENT, NEAR_VOLTAGE = 0.1, 0.5


@cache
def _vf_name(at_A: float) -> str:
    return f"V at {si(at_A, 'A')}, 25 °C"


@cache
def _leak_name(at_V: float) -> str:
    return f"I at -{at_V:g} V, 25 °C"


@cache
def _limit_words(limit_A: float, at_V: float, whose: str) -> str:
    return f"{si(limit_A, 'A')} at {at_V:g} V ({whose})"


def _derived(all_facts: list[Facts]) -> list[dict[str, Interval]]:
    """Forward voltage and reverse current at the limit's conditions, referred to 25 degC.

    Only where the sweep came near those conditions: a short of 3 ohm seen to 0.1 V says nothing of 5 V.
    """
    out = []
    for f in all_facts:
        more = {}
        if not isnan(f.vf_V) and f.i_high_A >= NEAR_CURRENT * f.vf_at_A:
            more[_vf_name(f.vf_at_A)] = Interval(f.vf_V, nan, nan, "V")
        reach_V = max(-f.v_low_V, f.v_high_V if f.junction == "CE" else 0.0)
        if f.kind != OPEN and isfinite(f.leak_A) and reach_V >= NEAR_VOLTAGE * f.at_V:
            more[_leak_name(f.at_V)] = Interval(f.leak_A, nan, nan, "A")
        out.append(more)
    return out


def _leak_ohm(sv: SweepVerdicts, rows: np.ndarray) -> list[Interval | None]:
    """Path beside the junction, or the whole path: from the fit, or from the points where they were asked."""
    fits, m = sv.fits, sv.measured
    resistor, asked = (m.kind == RESISTOR)[rows], m.from_points[rows]
    path, spread = m.path_ohm[rows], np.exp(np.minimum(1.96 * m.path_u_ln[rows], 50.0))
    path = np.where(np.isfinite(path), path, np.nan)
    from_points = (path, path / spread, path * spread)
    ends = [
        np.where(asked, point, np.where(resistor, x["R_ohm"][rows], x["RSH_ohm"][rows])).tolist()
        for x, point in zip((fits.value, fits.low, fits.high), from_points, strict=True)
    ]
    return [
        Interval(v, lo, hi, "ohm") if v == v or isfinite(lo) or isfinite(hi) else None
        for v, lo, hi in zip(*ends, strict=True)
    ]


def junction_verdicts(
    sv: SweepVerdicts, rows: np.ndarray | None = None, all_facts: list[Facts] | None = None
) -> tuple[JunctionVerdict, ...]:
    """Verdicts of all sweeps (or of `rows`) as records.

    Parameters
    ----------
    sv : SweepVerdicts
    rows : ndarray of int, optional
    all_facts : list of Facts, optional
        Of the same rows, where they are at hand.

    Returns
    -------
    tuple of JunctionVerdict
    """
    rows = np.arange(len(sv)) if rows is None else rows
    all_facts = facts(sv, rows) if all_facts is None else all_facts
    fits = fit_summaries(sv.fits, rows, _derived(all_facts))
    rule = rules()
    bare = {
        2: f"{rule['short_below'].value:g} ohm and less is a short ({rule['short_below'].basis})",
        3: f"{si(rule['open_above'].value, 'ohm')} and more is open ({rule['open_above'].basis})",
    }
    faulty = {(j, c): (f"{j} {VERDICTS[c]}",) for j in JUNCTIONS for c in (1, 2, 3)}
    of_law = {name: words for name, words in FLAG_WORDS.items() if name not in OF_THE_FIT}
    out = []
    limits, names = sv.limits, [family.name for family in sv.limits.families]
    row, family = sv.row[rows], sv.family[rows]
    most, volts = limits.leak_A[row, family].tolist(), limits.at_V[row, family].tolist()
    for k, pair, best, code, p, f, fit, leak, limit_A, at_V in zip(
        rows.tolist(), row.tolist(), family.tolist(), sv.code[rows].tolist(), sv.probability[rows].tolist(),
        all_facts, fits, _leak_ohm(sv, rows), most, volts, strict=True,
    ):  # fmt: skip
        evidence = [sentence(code, f)]
        words = FLAG_WORDS
        if f.from_points and f.junction != "CE" and code != 3:
            evidence.append(POINTS_ASKED)
            words = of_law
        evidence += [words[n] for n in fit.flags if n in words]
        limit = bare.get(code) or _limit_words(limit_A, at_V, limits.words[pair][best])
        good, leaky, shorted, open_ = p
        out.append(JunctionVerdict(
            f.junction, VERDICTS[code], {"good": good, "leaky": leaky, "shorted": shorted, "open": open_},
            faulty.get((f.junction, code), ()), tuple(evidence), fit, leak, k, names[best],
            limit))  # fmt: skip
    return tuple(out)
