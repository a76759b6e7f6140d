"""Verdicts of many sweeps at once: good, leaky, shorted, open, or undecided.

For every sweep and every family it may belong to, three questions are asked of the fit: do forward
voltage, ideality and series resistance fit the family (which weighs the families), does the reverse
current keep that family's limit (which decides good against leaky), and is there a path under the short
limit, or no junction at all.  The families' answers are averaged with their weights, and the 95 % rule of
`junction.judge.limits` decides.

A leaky silicon junction is not taken for a good germanium one, because the forward voltage asked about is
that of the junction alone, its shunt taken away.  Where shunt and junction cannot be told apart, or
where an unmarked part may belong to families whose limits disagree, the weights stay mixed and the
verdict is `undecided`, with the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from math import inf, isfinite

import numpy as np

from junction.base.number import si
from junction.base.records import JUNCTIONS, Interval, SweepTable
from junction.fit.results import SweepFits, fit_summaries
from junction.judge.limits import Leak, conformity_log, decide, unseen_leak
from junction.judge.results import QUALITIES, VERDICTS, Finding, JunctionVerdict
from junction.judge.sentences import say
from junction.shelf.results import Family, PartType
from junction.shelf.rules import families as shelf_families
from junction.shelf.rules import rule, rules
from junction.shelf.types import find_type
from junction.verdict import families as weigh
from junction.verdict.measured import JUNCTION, NONE, OPEN, RESISTOR, REVERSE_ONLY, measured
from junction.verdict.points import DOUBTS

GOOD, LEAKY, SHORTED, OPENED, UNDECIDED = range(5)  # indices into VERDICTS

#: Flags of a fit that say nothing where the fit was not believed anyway.
_OF_THE_FIT = {"poor_fit", "unphysical", "at_bound", "outliers", "zero_offset", "range_step"}
#: Flags that are told with the evidence.
_TOLD = {"current_limited", "over_range", "self_heated", "reversed"} | _OF_THE_FIT


@dataclass(frozen=True, eq=False)
class SweepVerdicts:
    """Verdicts of a whole table as arrays; `verdicts` makes the records for people.

    Parameters
    ----------
    table, fits : SweepTable, SweepFits
    measured : recarray (n,)
        As `junction.verdict.measured.measured` gives it.
    families : tuple of Family
    limits : Limits
    code : ndarray of int (n,)
        Index into `judge.results.VERDICTS`.
    probability : ndarray (n, 4)
        Over `judge.results.QUALITIES`; rows sum to 1.
    reason : ndarray of str (n,)
        Row of reference/sentences.csv that says what decided, or what keeps from deciding.
    weight : ndarray (n, f)
        Probability of each family [1].
    vf_V, leak_A, leak_u_ln, kept, hidden : ndarray (n, f)
        Forward voltage of the junction alone at the family's test current and 25 degC [V]; reverse current,
        referred to 25 degC, at the family's limit voltage [A] and the standard uncertainty of its logarithm
        [1]; probability that it keeps the family's limit, and that a leak over the limit hides below what
        the sweep resolves [1].
    window : ndarray (n,)
        Probability that the forward part is that of a healthy junction [1].
    """

    table: SweepTable
    fits: SweepFits
    measured: np.recarray
    families: tuple[Family, ...]
    limits: weigh.Limits
    code: np.ndarray
    probability: np.ndarray
    reason: np.ndarray
    weight: np.ndarray
    vf_V: np.ndarray
    leak_A: np.ndarray
    leak_u_ln: np.ndarray
    kept: np.ndarray
    hidden: np.ndarray
    window: np.ndarray

    def __len__(self) -> int:
        return self.code.size

    @property
    def family(self) -> np.ndarray:
        """Most probable family of every sweep (n,)."""
        return self.weight.argmax(axis=1)

    def names(self) -> tuple[str, ...]:
        """Verdict of every sweep as a word."""
        return tuple(VERDICTS[c] for c in self.code.tolist())

    def verdicts(self) -> tuple[JunctionVerdict, ...]:
        """Every sweep as a record with evidence, limit and fit."""
        return tuple(_records(self))


def judge_sweeps(
    table: SweepTable,
    fits: SweepFits,
    types: Callable[[str], PartType | None] = find_type,
    families: Iterable[Family] | None = None,
) -> SweepVerdicts:
    """Judge every sweep of a table.

    Parameters
    ----------
    table : SweepTable
    fits : SweepFits
        Of the same sweeps, in the same order.
    types : callable, optional
        From a marking to its registered type or None; the shelf's own by default.
    families : iterable of Family, optional
        Instead of the shelf's.

    Returns
    -------
    SweepVerdicts

    Raises
    ------
    ValueError
        Table and fits of different length, or a junction that is none of `JUNCTIONS`.
    """
    devices = {"diode" if junction == "AK" else "bjt" for junction in set(table.junction)}
    kin = families if families is not None else shelf_families().values()
    kin = tuple(f for f in kin if f.device in devices or not devices)
    m = measured(table, fits, weigh.test_current(kin))
    limits = weigh.limits_of(table, m, types, kin)
    ce = np.array([j == "CE" for j in table.junction], bool)
    vf, inside, log_like, ends = weigh.forward_fit(m, fits, kin)
    weight = weigh.weigh_families(log_like, m, table, kin, limits.prior)
    rated, zener = weigh.breakdown_kept(m, limits)
    window = weigh.in_any_window(inside, ends, limits.prior > 0, weight) * zener
    leak, leak_u, kept, hidden = weigh.leakage(m, limits, ce)
    kept = kept * rated[:, None]
    p = _probability(m, ce, weight, weigh.unreached_knee(m, kin), kept, hidden, window)
    # another part than the marking says: its limits say nothing
    other = weigh.contradicted(inside, limits, kin, m) & (m.kind == JUNCTION) & ~ce
    p[other] = np.array([1, 1, 0, 1]) / 3.0
    drifted = m.temp_u_K > rule("sweep_drift_u")
    p[m.swapped | (m.doubt > 0) | drifted] = 0.25
    # Tags get mixed and probes slip: nothing is surer than this leaves.
    never_sure = rule("never_sure")
    p = p * (1.0 - 4 * never_sure) + never_sure
    code, best = decide(p), (np.arange(len(table)), weight.argmax(axis=1))
    # What decided, or the first thing that keeps a sweep from being decided.
    good, bad = rule("conformity_good"), rule("conformity_bad")
    broke = (m.bv_V < limits.breakdown_V[:, 0]) & (leak[best] < limits.leak_A[best])
    above_bad, no_knee = kept[best] > bad, (m.kind != JUNCTION) & ~ce
    odd = (window < good) & ~ce & above_bad
    cases = [
        ("sweep_good_path", (code == GOOD) & ce), ("sweep_good", code == GOOD),
        ("sweep_breaks_down", (code == LEAKY) & broke), ("sweep_leaky", code == LEAKY),
        ("sweep_shorted", code == SHORTED), ("sweep_open", (code == OPENED) & np.isinf(m.path_ohm)),
        ("sweep_open_path", code == OPENED), ("sweep_odd", other),
        *((name, m.doubt == k) for k, name in enumerate(DOUBTS) if name),
        ("sweep_drifted", drifted), ("sweep_swapped", m.swapped), ("sweep_no_fit", m.kind == NONE),
        ("sweep_reverse_only", (m.kind == REVERSE_ONLY) & no_knee & above_bad),
        ("sweep_not_reached", no_knee & above_bad),
        ("sweep_odd_points", odd & m.from_points & ~limits.typed), ("sweep_odd", odd),
        ("sweep_blind", (hidden[best] > 0.5 * (1 - good)) & (kept[best] >= 0.5)),
        ("sweep_near_limit", above_bad & (kept[best] < good)),
    ]  # fmt: skip
    reason = np.select([at for _, at in cases], [name for name, _ in cases], "sweep_which_family")
    return SweepVerdicts(
        table, fits, m, kin, limits, code, p, reason, weight, vf, leak, leak_u, kept, hidden,
        np.where(other, 0.0, window),
    )  # fmt: skip


def _probability(m, ce, weight, unreached, kept, hidden, window) -> np.ndarray:
    """Probability of good, leaky, shorted and open by what was seen (n, 4)."""
    kept_any, hidden_any = (weight * kept).sum(axis=1), (weight * kept * hidden).sum(axis=1)
    short = 1.0 - conformity_log(m.path_ohm, m.path_u_ln, low=rule("short_below"))
    none = np.zeros_like(short)
    # A junction: what lies outside every window is shared out evenly, because nobody knows what it is.
    ok, odd = kept_any - hidden_any, (1.0 - window) / 3.0
    junction = np.stack([ok * (window + odd), 1.0 - ok + ok * odd, none, ok * odd], axis=1)
    # Only a resistance, or nothing at all: a path under the open limit may hide below what was resolved.
    open_above = rule("open_above")
    is_open = conformity_log(m.path_ohm, m.path_u_ln, low=open_above)
    floor = np.nan_to_num(m.floor_ohm, nan=0.0)
    unseen = unseen_leak(floor, open_above, rule("short_below"), rule("sweep_prior_hidden"))
    is_open = np.where(np.isinf(m.path_ohm), 1.0 - unseen, is_open)
    unreached = weight * unreached
    # The knee was passed without a junction: a path that keeps the leakage limit is what is left of it.
    passed = ((weight - unreached) * kept).sum(axis=1)
    bare = np.stack([
        rule("sweep_prior_good") * (unreached * kept * (1.0 - hidden)).sum(axis=1),
        rule("sweep_prior_leaky") * (weight * (1.0 - kept)).sum(axis=1) * (1.0 - is_open), none,
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
        p[at, SHORTED] += short[at]
    return p


def _knee_never_seen(p: np.ndarray) -> np.ndarray:
    """A junction whose forward knee was never reached is not called good, whatever else was measured."""
    over = np.maximum(p[:, GOOD] - rule("knee_never_seen"), 0.0)
    return p + over[:, None] * np.array([-1.0, 0.0, 0.0, 1.0])


def findings(sv: SweepVerdicts) -> list[Finding]:
    """The finding under the verdict of every sweep, with what its sentences say."""
    m, each, told = sv.measured, (np.arange(len(sv)), sv.family), sv.family.copy()
    # Where the knee was not reached: the likeliest family whose knee was out of reach.
    vf_high = weigh.column(sv.families, "vf_high_V")
    for k in np.flatnonzero(np.isin(sv.reason, ("sweep_not_reached", "sweep_reverse_only"))).tolist():
        beyond = sv.weight[k] * (vf_high > m.v_high_V[k])
        told[k] = beyond.argmax() if beyond.max() > 0 else told[k]
    # Where families disagree on the leak: the likeliest that disagrees with the best one.
    rival = np.full(len(sv), "", object)
    for k in np.flatnonzero(sv.reason == "sweep_which_family").tolist():
        kept = sv.kept[k] >= 0.5
        share = np.where(kept != kept[each[1][k]], sv.weight[k], 0.0)
        rival[k] = sv.families[int(share.argmax())].called if share.max() > 0 else ""
    family, junction = (np.array(x, object) for x in ([f.called for f in sv.families], sv.table.junction))
    family = family[told]
    leak, limit, volts = sv.leak_A[each], sv.limits.leak_A[each[0], told], sv.limits.at_V[each[0], told]
    path, reverse = np.where(np.isinf(m.path_ohm), np.nan, m.path_ohm), np.maximum(-m.v_low_V, 0.0)
    typed, one_value, over = sv.limits.typed, np.isnan(m.most_ohm), leak > limit
    numbers = {
        "where": junction, "family": family, "vf": sv.vf_V[each], "n": m.n, "leak": leak, "limit": limit,
        "vf_at": weigh.column(sv.families, "vf_at_A")[told], "vf_high": vf_high[told], "volts": volts,
        "path": path, "floor": m.floor_ohm, "top": m.i_high_A, "v_high": m.v_high_V, "bv": m.bv_V,
        "rs": np.where(m.rs_ohm > 5, m.rs_ohm, np.nan), "rating": sv.limits.breakdown_V[:, 0],
        "most": m.most_ohm, "reverse": reverse, "reach": np.where(reverse > 0.05, reverse, np.nan),
        "up_to": np.fmax(vf_high[told] + 0.1, m.v_high_V), "hidden": sv.hidden[each],
        "held_A": sv.limits.leak_A[each], "held_V": sv.limits.at_V[each],
        "shows": rule("range_shows") * limit, "resolves": rule("range_resolves") * limit,
        "why": np.array(sv.fits.why_not, object), "rival": rival, "leaks": np.where(over, family, rival),
        "keeps": np.where(over, rival, family), "ce": junction == "CE", "typed": typed,
        "junction": m.kind == JUNCTION, "measured": one_value & ~m.from_points,
        "read": one_value & m.from_points, "extended": reverse < 0.5 * volts,
        "registered": np.array([held is not None for held in sv.limits.registered], bool),
        "built_in": (junction == "BE") & ~typed, "led": (junction == "AK") & ~typed,
        "clear": np.isnan(path) & (np.isnan(m.floor_ohm) | (leak < rule("sweep_clear") * limit)),
    }  # fmt: skip
    short, open_above = rules()["short_below"], rules()["open_above"]

    @cache
    def whose(held: Leak | None, family: str, basis: str, ce: bool) -> str:
        return held.words if held else say("limit_of_family", family=family, basis=basis, open_base=ce)

    more = (
        sv.code, each[1], np.exp(np.minimum(1.96 * sv.leak_u_ln[each], 50.0)), sv.kept[each], sv.window,
        np.exp(np.minimum(1.96 * m.path_u_ln, 50.0)),
        conformity_log(m.path_ohm, m.path_u_ln, low=short.value),
        conformity_log(m.path_ohm, m.path_u_ln, high=open_above.value),
    )  # fmt: skip
    names, out = list(numbers), []
    for reason, held, (code, j, factor, kept, window, path_factor, not_short, not_open), row in zip(
        sv.reason.tolist(), sv.limits.registered, zip(*(x.tolist() for x in more), strict=True),
        zip(*(x.tolist() for x in numbers.values()), strict=True), strict=True,
    ):  # fmt: skip
        x, of = dict(zip(names, row, strict=True)), sv.families[j]
        x["whose"] = whose(held, of.name, of.basis, x["ce"])
        if code in (SHORTED, OPENED):
            seen = Interval(x["path"], x["path"] / path_factor, x["path"] * path_factor, "ohm")
            bar = (short.value, inf, short.basis, not_short) if code == SHORTED else (
                -inf, open_above.value, open_above.basis, not_open)  # fmt: skip
            what = "path_ohm", seen, *bar
        elif reason in ("sweep_odd", "sweep_odd_points"):
            what = "vf_V", Interval(x["vf"], unit="V"), of.vf_low_V, of.vf_high_V, of.basis, window
        else:
            seen = Interval(x["leak"], x["leak"] / factor, x["leak"] * factor, "A")
            what = "leak_A", seen, -inf, x["held_A"], x["whose"], kept
        out.append(Finding(x["where"], reason, *what, x))
    return out


def _records(sv: SweepVerdicts) -> Iterator[JunctionVerdict]:
    """Every sweep as a record for people."""
    found, m = findings(sv), sv.measured
    near_A, near_V = rule("sweep_near_current"), rule("sweep_near_voltage")
    # Forward voltage and leak at the limit's conditions, referred to 25 degC, where the sweep came near them:
    # a short of 3 ohm seen to 0.1 V says nothing of 5 V.
    derived: list[dict[str, Interval]] = []
    for f, is_open in zip(found, (m.kind == OPEN).tolist(), strict=True):
        x, more = f.numbers, {}
        if x["vf"] == x["vf"] and x["top"] >= near_A * x["vf_at"]:
            more[_vf_name(x["vf_at"])] = Interval(x["vf"], unit="V")
        reach = max(x["reverse"], x["v_high"] if x["ce"] else 0.0)
        if not is_open and isfinite(x["leak"]) and reach >= near_V * x["volts"]:
            more[f"I at -{x['volts']:g} V, 25 °C"] = Interval(x["leak"], unit="A")
        derived.append(more)
    # Path beside the junction, or the whole path: from the fit, or from the points where they were asked.
    spread = np.exp(np.minimum(1.96 * m.path_u_ln, 50.0))
    path = np.where(np.isfinite(m.path_ohm), m.path_ohm, np.nan)
    ohms = [
        np.where(m.from_points, read, np.where(m.kind == RESISTOR, x["R_ohm"], x["RSH_ohm"])).tolist()
        for x, read in ((sv.fits.value, path), (sv.fits.low, path / spread), (sv.fits.high, path * spread))
    ]
    bare = {
        SHORTED: say("limit_short", basis=rules()["short_below"].basis),
        OPENED: say("limit_open", basis=rules()["open_above"].basis),
    }

    @cache
    def leak_limit(limit: float, volts: float, whose: str) -> str:
        return say("limit_leak", limit=limit, volts=volts, whose=whose)

    faulty = {(j, c): (f"{j} {VERDICTS[c]}",) for j in JUNCTIONS for c in (LEAKY, SHORTED, OPENED)}
    asked = m.from_points & ~np.isin(sv.table.junction, "CE") & (sv.code != OPENED)
    for k, (f, fit, code, p, j, by_points, ohm, low, high) in enumerate(zip(
        found, fit_summaries(sv.fits, derived), sv.code.tolist(), sv.probability.tolist(),
        sv.family.tolist(), asked.tolist(), *ohms, strict=True,
    )):  # fmt: skip
        flags = [x for x in fit.flags if x in _TOLD and not (by_points and x in _OF_THE_FIT)]
        evidence = [f.says(), *([say("sweep_points_asked")] if by_points else [])]
        evidence += [say(f"fit_{x}") for x in flags]
        limit = bare.get(code) or leak_limit(f.numbers["held_A"], f.numbers["held_V"], f.numbers["whose"])
        path = Interval(ohm, low, high, "ohm") if ohm == ohm or isfinite(low) or isfinite(high) else None
        yield JunctionVerdict(
            f.where, VERDICTS[code], dict(zip(QUALITIES, p, strict=True)), faulty.get((f.where, code), ()),
            tuple(evidence), fit, path, k, sv.families[j].name, limit, f,
        )  # fmt: skip


@cache
def _vf_name(at_A: float) -> str:
    return f"V at {si(at_A, 'A')}, 25 °C"
