"""Verdicts of many sweeps at once: good, leaky, shorted, open, or undecided.

For every sweep and every family it may belong to, three questions are asked of the fit: do forward
voltage, ideality and series resistance fit the family (which weighs the families), does the reverse
current keep that family's limit (which decides good against leaky), and is there a path under the short
limit, or no junction at all.  The families' answers are averaged with their weights, and the 95 % rule of
`junction.judge.results.decide` decides.

A leaky silicon junction is not taken for a good germanium one, because the forward voltage asked about is
that of the junction alone, its shunt taken away.  Where shunt and junction cannot be told apart, or
where an unmarked part may belong to families whose limits disagree, the weights stay mixed and the
verdict is `undecided`, with the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import inf, isfinite
from types import SimpleNamespace

import numpy as np

from junction.base.number import si
from junction.base.records import Interval, SweepTable
from junction.fit.results import FitSummary, SweepFits, fit_summaries
from junction.judge.limits import conformity_log, unseen_leak
from junction.judge.results import QUALITIES, Finding, JunctionVerdict, Verdict, decide
from junction.judge.sentences import say
from junction.shelf.results import Family, PartType
from junction.shelf.rules import families, rule, rules
from junction.shelf.types import find_type
from junction.verdict.families import weigh
from junction.verdict.measured import JUNCTION, NONE, OPEN, RESISTOR, REVERSE_ONLY, measured

_GOOD, _SHORTED = QUALITIES.index(Verdict.GOOD), QUALITIES.index(Verdict.SHORTED)

#: Flags of a fit that say nothing where the fit was not believed anyway.
_OF_THE_FIT = {"poor_fit", "unphysical", "at_bound", "outliers", "zero_offset", "range_step"}
#: Flags that are told with the evidence.
_TOLD = {"current_limited", "over_range", "self_heated", "reversed"} | _OF_THE_FIT


def judge_sweeps(
    table: SweepTable, fits: SweepFits, types: Callable[[str], PartType | None] = find_type
) -> list[JunctionVerdict]:
    """Judge every sweep of a table.

    Parameters
    ----------
    table : SweepTable
    fits : SweepFits
        Of the same sweeps, in the same order.
    types : callable, optional
        From a marking to its registered type or None; the shelf's own by default.

    Returns
    -------
    list of JunctionVerdict
        With evidence, limit and fit; the numbers of the finding say what was seen.

    Raises
    ------
    ValueError
        Table and fits of different length, or a junction that is none of `JUNCTIONS`.
    """
    devices = {"diode" if junction == "AK" else "bjt" for junction in table.junction}
    kin = tuple(f for f in families().values() if f.device in devices or not devices)
    m = measured(table, fits, float(np.median([f.vf_at_A for f in kin])))
    w = weigh(table, fits, m, types, kin)
    ce = np.array([j == "CE" for j in table.junction], bool)
    p = _probability(m, ce, w)
    p[w.other] = np.array([1, 1, 0, 1]) / 3.0  # another part than the marking says: its limits say nothing
    drifted = m.temp_u_K > rule("sweep_drift_u")
    p[m.swapped | (m.doubt != "") | drifted] = 0.25
    # Tags get mixed and probes slip: nothing is surer than this leaves.
    never_sure = rule("never_sure")
    p = p * (1.0 - 4 * never_sure) + never_sure
    verdict = np.array([decide(each) for each in p.tolist()], object)
    good, leaky, shorted, opened = (verdict == quality for quality in QUALITIES)
    # What decided, or the first thing that keeps a sweep from being decided.
    best = (np.arange(len(table)), w.family)
    sure, kept = rule("conformity_good"), w.kept[best]
    above_bad, no_knee = kept > rule("conformity_bad"), (m.kind != JUNCTION) & ~ce
    odd = (w.window < sure) & ~ce & above_bad
    cases = [
        ("sweep_good_path", good & ce), ("sweep_good", good),
        ("sweep_breaks_down", leaky & (m.bv_V < w.rating_V) & (w.leak_A[best] < w.limit_A[best])),
        ("sweep_leaky", leaky), ("sweep_shorted", shorted), ("sweep_open", opened & np.isinf(m.path_ohm)),
        ("sweep_open_path", opened), ("sweep_odd", w.other), (m.doubt, m.doubt != ""),
        ("sweep_drifted", drifted), ("sweep_swapped", m.swapped), ("sweep_no_fit", m.kind == NONE),
        ("sweep_reverse_only", (m.kind == REVERSE_ONLY) & no_knee & above_bad),
        ("sweep_not_reached", no_knee & above_bad),
        ("sweep_odd_points", odd & m.from_points & ~w.typed), ("sweep_odd", odd),
        ("sweep_blind", (w.hidden[best] > 0.5 * (1 - sure)) & (kept >= 0.5)),
        ("sweep_near_limit", above_bad & (kept < sure)),
    ]  # fmt: skip
    w.reason = np.select([at for _, at in cases], [name for name, _ in cases], "sweep_which_family")
    columns = _seen(table, fits, m, w)
    seen = [dict(zip(columns, row, strict=True))
            for row in zip(*(x.tolist() for x in columns.values()), strict=True)]  # fmt: skip
    rows = zip(
        seen, fit_summaries(fits, [_derived(x) for x in seen]), (kin[j] for j in w.family.tolist()),
        verdict, w.reason.tolist(), p.tolist(), strict=True,
    )  # fmt: skip
    return [_record(k, *row) for k, row in enumerate(rows)]


def _probability(m: SimpleNamespace, ce: np.ndarray, w: SimpleNamespace) -> np.ndarray:
    """Probability of good, leaky, shorted and open by what was seen (n, 4)."""
    kept_any, hidden_any = (w.weight * w.kept).sum(axis=1), (w.weight * w.kept * w.hidden).sum(axis=1)
    short = 1.0 - conformity_log(m.path_ohm, m.path_u_ln, low=rule("short_below"))
    none = np.zeros_like(short)
    # A junction: what lies outside every window is shared out evenly, because nobody knows what it is.
    ok, odd = kept_any - hidden_any, (1.0 - w.window) / 3.0
    junction = np.stack([ok * (w.window + odd), 1.0 - ok + ok * odd, none, ok * odd], axis=1)
    # Only a resistance, or nothing at all: a path under the open limit may hide below what was resolved.
    open_above = rule("open_above")
    is_open = conformity_log(m.path_ohm, m.path_u_ln, low=open_above)
    floor = np.nan_to_num(m.floor_ohm, nan=0.0)
    unseen = unseen_leak(floor, open_above, rule("short_below"), rule("sweep_prior_hidden"))
    is_open = np.where(np.isinf(m.path_ohm), 1.0 - unseen, is_open)
    unreached = w.weight * w.unreached
    # The knee was passed without a junction: a path that keeps the leakage limit is what is left of it.
    passed = ((w.weight - unreached) * w.kept).sum(axis=1)
    bare = np.stack([
        rule("sweep_prior_good") * (unreached * w.kept * (1.0 - w.hidden)).sum(axis=1),
        rule("sweep_prior_leaky") * (w.weight * (1.0 - w.kept)).sum(axis=1) * (1.0 - is_open), none,
        rule("sweep_prior_open") * (is_open + (1.0 - is_open) * passed),
    ], axis=1)  # fmt: skip
    bare /= bare.sum(axis=1, keepdims=True)
    # The forward part was not swept; or a collector-emitter path, which is healthy when nothing flows.
    ok = kept_any * (1.0 - hidden_any)
    plain = np.stack([ok, 1.0 - ok, none, none], axis=1)
    p = np.full_like(plain, 0.25)
    for at, found in (
        (m.kind == JUNCTION, junction), ((m.kind == OPEN) | (m.kind == RESISTOR), _knee_never_seen(bare)),
        (m.kind == REVERSE_ONLY, _knee_never_seen(plain)), (ce & (m.kind != NONE), plain),
    ):  # fmt: skip
        p[at] = found[at] * (1.0 - short[at])[:, None]
        p[at, _SHORTED] += short[at]
    return p


def _knee_never_seen(p: np.ndarray) -> np.ndarray:
    """A junction whose forward knee was never reached is not called good, whatever else was measured."""
    over = np.maximum(p[:, _GOOD] - rule("knee_never_seen"), 0.0)
    return p + over[:, None] * np.array([-1.0, 0.0, 0.0, 1.0])


def _seen(table: SweepTable, fits: SweepFits, m: SimpleNamespace, w: SimpleNamespace) -> dict:
    """What the sentences about a sweep may name, as columns (n,); nan, '' or False where it is not known."""
    best, of, where = (np.arange(len(table)), w.family), w.of, np.array(table.junction, object)
    ce, typed, called = where == "CE", w.typed, np.array([*of.called, ""], object)
    # Where the knee was not reached: the likeliest family whose knee was out of reach.
    beyond = w.weight * (of.vf_high_V > m.v_high_V[:, None])
    short_of = np.isin(w.reason, ("sweep_not_reached", "sweep_reverse_only")) & (beyond.max(axis=1) > 0)
    told = np.where(short_of, beyond.argmax(axis=1), w.family)
    # Where families disagree on the leak: the likeliest that disagrees with the best one.
    keeps = w.kept >= 0.5
    against = np.where(keeps != keeps[best][:, None], w.weight, 0.0)
    torn = (w.reason == "sweep_which_family") & (against.max(axis=1) > 0)
    family, rival = called[told], called[np.where(torn, against.argmax(axis=1), -1)]
    vf_high, leak = of.vf_high_V[told], w.leak_A[best]
    limit, volts = w.limit_A[best[0], told], w.limit_V[best[0], told]
    path, reverse = np.where(np.isinf(m.path_ohm), np.nan, m.path_ohm), np.maximum(-m.v_low_V, 0.0)
    path_factor, over = np.exp(np.minimum(1.96 * m.path_u_ln, 50.0)), leak > limit
    one_value = np.isnan(m.most_ohm)
    # Path beside the junction, or the whole path: from the fit, or from the points where they were asked.
    ohms = [
        np.where(m.from_points, read, np.where(m.kind == RESISTOR, x["R_ohm"], x["RSH_ohm"]))
        for x, read in ((fits.value, path), (fits.low, path / path_factor), (fits.high, path * path_factor))
    ]
    return {
        "where": where, "family": family, "vf": w.vf_V[best], "n": m.n, "vf_at": of.vf_at_A[told],
        "vf_high": vf_high, "leak": leak, "limit": limit, "volts": volts, "path": path, "floor": m.floor_ohm,
        "top": m.i_high_A, "v_high": m.v_high_V, "bv": m.bv_V, "rating": w.rating_V, "most": m.most_ohm,
        "rs": np.where(m.rs_ohm > 5, m.rs_ohm, np.nan), "reverse": reverse, "hidden": w.hidden[best],
        "reach": np.where(reverse > 0.05, reverse, np.nan), "up_to": np.fmax(vf_high + 0.1, m.v_high_V),
        "shows": rule("range_shows") * limit, "resolves": rule("range_resolves") * limit,
        "why": np.array(fits.why_not, object), "rival": rival, "leaks": np.where(over, family, rival),
        "keeps": np.where(over, rival, family), "ce": ce, "typed": typed, "junction": m.kind == JUNCTION,
        "measured": one_value & ~m.from_points, "read": one_value & m.from_points,
        "extended": reverse < 0.5 * volts, "registered": w.registered,
        "built_in": (where == "BE") & ~typed, "led": (where == "AK") & ~typed,
        "clear": np.isnan(path) & (np.isnan(m.floor_ohm) | (leak < rule("sweep_clear") * limit)),
        "open": m.kind == OPEN, "from_points": m.from_points & ~ce,
        "held_A": w.limit_A[best], "held_V": w.limit_V[best], "kept": w.kept[best], "window": w.window,
        "leak_factor": np.exp(np.minimum(1.96 * w.leak_u_ln[best], 50.0)), "path_factor": path_factor,
        "not_short": conformity_log(m.path_ohm, m.path_u_ln, low=rule("short_below")),
        "not_open": conformity_log(m.path_ohm, m.path_u_ln, high=rule("open_above")),
        "ohm": ohms[0], "ohm_low": ohms[1], "ohm_high": ohms[2],
        "sure": typed | (w.weight.max(axis=1) >= rule("conformity_good")),
        "as_good": of.name[(w.weight * w.kept).argmax(axis=1)],
        "as_leaky": of.name[(w.weight * (1.0 - w.kept)).argmax(axis=1)],
    }  # fmt: skip


def _derived(x: Mapping) -> dict[str, Interval]:
    """Forward voltage and leak at the limit's conditions, at 25 degC, where the sweep came near them.

    A short of 3 ohm seen to 0.1 V says nothing of 5 V.
    """
    found = {}
    if x["vf"] == x["vf"] and x["top"] >= rule("sweep_near_current") * x["vf_at"]:
        found[f"V at {si(x['vf_at'], 'A')}, 25 °C"] = Interval(x["vf"], unit="V")
    reach = max(x["reverse"], x["v_high"] if x["ce"] else 0.0)
    if not x["open"] and isfinite(x["leak"]) and reach >= rule("sweep_near_voltage") * x["volts"]:
        found[f"I at -{x['volts']:g} V, 25 °C"] = Interval(x["leak"], unit="A")
    return found


def _record(k: int, x: Mapping, fit: FitSummary, family: Family, verdict, reason, p) -> JunctionVerdict:
    """One sweep as a record for people, with the finding that decided."""
    where, path, leak = x["where"], x["path"], x["leak"]
    short, open_above = rules()["short_below"], rules()["open_above"]
    seen = Interval(path, path / x["path_factor"], path * x["path_factor"], "ohm")
    if verdict == Verdict.SHORTED:
        found = "path_ohm", seen, short.value, inf, short.basis, x["not_short"]
        limit = say("limit_short", basis=short.basis)
    elif verdict == Verdict.OPEN:
        found = "path_ohm", seen, -inf, open_above.value, open_above.basis, x["not_open"]
        limit = say("limit_open", basis=open_above.basis)
    else:
        whose = x["registered"] or say(
            "limit_of_family", family=family.name, basis=family.basis, open_base=x["ce"]
        )
        limit = say("limit_leak", limit=x["held_A"], volts=x["held_V"], whose=whose)
        seen = Interval(leak, leak / x["leak_factor"], leak * x["leak_factor"], "A")
        found = "leak_A", seen, -inf, x["held_A"], whose, x["kept"]
        if reason in ("sweep_odd", "sweep_odd_points"):
            window = family.vf_low_V, family.vf_high_V, family.basis, x["window"]
            found = "vf_V", Interval(x["vf"], unit="V"), *window
    finding = Finding(where, reason, *found, x)
    points_asked = x["from_points"] and verdict != Verdict.OPEN
    flags = [f"fit_{flag}" for flag in fit.flags if flag in (_TOLD - _OF_THE_FIT if points_asked else _TOLD)]
    reasons = ["sweep_points_asked", *flags] if points_asked else flags
    ohm = Interval(x["ohm"], x["ohm_low"], x["ohm_high"], "ohm")
    known = ohm.value == ohm.value or isfinite(ohm.low) or isfinite(ohm.high)
    return JunctionVerdict(
        where, verdict, dict(zip(QUALITIES, p, strict=True)),
        (f"{where} {verdict}",) if verdict in QUALITIES[1:] else (),
        (finding.says(), *(say(reason) for reason in reasons)), fit, ohm if known else None, k, family.name,
        limit, finding,
    )  # fmt: skip
