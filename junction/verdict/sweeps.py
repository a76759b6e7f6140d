"""Verdicts of many sweeps at once: good, leaky, shorted, open, or undecided.

An unmarked part may belong to several families of junctions whose limits differ by decades (a small-signal
transistor may leak 0.1 uA, a power transistor a thousand times that), so every family keeps its own limit.
For every sweep and every family it may belong to, three questions are asked of the fit: do forward
voltage, ideality and series resistance fit the family (which weighs the families), does the reverse
current keep that family's limit (which decides good against leaky), and is there a path under the short
limit, or no junction at all.  The families' answers are averaged with their weights, and the 95 % rule of
`junction.judge.results.decide` decides.

A leaky silicon junction is not taken for a good germanium one, because the forward voltage asked about is
that of the junction alone, its shunt taken away.  Where shunt and junction cannot be told apart, or
where an unmarked part may belong to families whose limits disagree, the weights stay mixed and the
verdict is `undecided`, with the reason.  Arrays have sweeps on axis 0 and families on axis 1.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import inf, isfinite
from types import SimpleNamespace

import numpy as np

from junction.base.records import JUNCTIONS, Interval, SweepTable
from junction.base.units import NORMAL_95, REFERENCE_TEMP_C, si, thermal_voltage
from junction.judge.mixture import conformity, conformity_log, posterior
from junction.judge.results import (
    NO_LIMIT,
    QUALITIES,
    Finding,
    JunctionVerdict,
    Verdict,
    decide,
    registered_forward,
    registered_leak,
    say,
)
from junction.physics.temperature import forward_voltage, forward_voltage_slope, leakage_factor
from junction.shelf.tables import PartType, families, rule, rules
from junction.shelf.types import find_type
from junction.sweeps.derived import breakdown_at
from junction.sweeps.results import FitSummary, SweepFits, fit_summaries
from junction.verdict import facts
from junction.verdict.beside import Beside, damper_by
from junction.verdict.families import family_weight, in_any_window
from junction.verdict.measured import knee_voltage, measured
from junction.verdict.points import JUNCTION, NONE, OPEN, RESISTOR, REVERSE_ONLY

#: Maximum ratings that a breakdown must not stay under, in the order they are looked for.
_BREAKDOWN_RATINGS = {"BE": ("V_EBO",), "BC": ("V_CBO", "V_CEO"), "CE": ("V_CEO",), "AK": ("V_RRM", "V_R")}

#: Flags that are told with the evidence; the others say nothing where the fit was not believed anyway.
_TOLD = {"current_limited", "over_range", "self_heated", "reversed"}
_TOLD_OF_A_FIT = {
    *_TOLD, "poor_fit", "unphysical", "at_bound", "outliers", "zero_offset", "range_step", "n_impossible",
}  # fmt: skip

_ODD = ("sweep_odd", "sweep_odd_points")  # reasons that stand on the forward voltage
_INSIDE = ("sweep_inside", "sweep_inside_near")  # and on the resistance in series
_BREAKS = "sweep_breaks_down"
_LEAK = {"sweep_good", "sweep_good_path", "sweep_leaky", "sweep_alone", "sweep_blind", "sweep_near_limit",
         "sweep_which_family"}  # and on the reverse current


def judge_sweeps(
    table: SweepTable, fits: SweepFits, types: Callable[[str], PartType | None] = find_type,
    beside: Beside | None = None,
) -> list[JunctionVerdict]:
    """Judge every sweep of a table.

    Parameters
    ----------
    table : SweepTable
    fits : SweepFits
        Of the same sweeps, in the same order.
    types : callable, optional
        From a marking to its registered type or None; the shelf's own by default.
    beside : Beside, optional
        What was taken out of the sweeps.

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
    if beside is not None:
        m.own_ohm, m.floor_ohm = beside.own_ohm, np.fmin(m.floor_ohm, beside.floor_ohm)
        m.bv_V[m.reverse_A < -m.v_low_V / beside.floor_ohm] = np.nan  # what is left of the input breaks down
    w = weigh(table, fits, m, types, kin)
    m.doubt[np.isfinite(m.own_ohm) & ~w.damper] = "sweep_damper"
    p, ce = _probability(m, w), m.ce
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
    above_bad, no_knee = kept > 1 - rule("conformity_good"), (m.kind != JUNCTION) & ~ce
    odd = (w.window < sure) & ~ce & above_bad
    cases = [
        ("sweep_good_path", good & ce), ("sweep_good", good),
        (_BREAKS, leaky & (m.bv_V < w.rating_V)
         & ((w.leak_V[best] >= 0.95 * m.bv_V) | (w.leak_A[best] < w.limit_A[best]))),
        ("sweep_leaky", leaky), ("sweep_shorted", shorted), ("sweep_inside", opened & (m.kind == JUNCTION)),
        ("sweep_open", opened & np.isinf(m.path_ohm)),
        ("sweep_open_path", opened), ("sweep_odd", w.other), (m.doubt, m.doubt != ""),
        ("sweep_drifted", drifted), ("sweep_swapped", m.swapped), ("sweep_no_fit", m.kind == NONE),
        ("sweep_reverse_only", (m.kind == REVERSE_ONLY) & no_knee & above_bad),
        ("sweep_not_reached", no_knee & above_bad),
        ("sweep_odd_points", odd & m.from_points & ~w.typed), ("sweep_odd", odd),
        ("sweep_inside_near", (m.kind == JUNCTION) & above_bad & (w.conducts < sure)),
        ("sweep_alone", w.alone[best] & above_bad & (kept < sure)),
        ("sweep_blind", (w.hidden[best] > 0.5 * (1 - sure)) & (kept >= 0.5)),
        ("sweep_near_limit", above_bad & (kept < sure)),
    ]  # fmt: skip
    w.reason = np.select([at for _, at in cases], [name for name, _ in cases], "sweep_which_family")
    columns = _seen(table, fits, m, w)
    found = zip(*(x.tolist() for x in _decisive(columns, fits, m, w, shorted, opened)), strict=True)
    seen = (dict(zip(columns, row, strict=True))
            for row in zip(*(x.tolist() for x in columns.values()), strict=True))  # fmt: skip
    rows = zip(seen, fit_summaries(fits, _derived(columns)), (kin[j] for j in w.family.tolist()),
               verdict, w.reason.tolist(), p.tolist(), found, strict=True)  # fmt: skip
    limits: dict[tuple, tuple[str, str]] = {}
    return [_record(k, limits, *row) for k, row in enumerate(rows)]


def weigh(
    table: SweepTable, fits: SweepFits, m: SimpleNamespace, types: Callable, families: tuple
) -> SimpleNamespace:
    """Weigh the families of every sweep, and what was measured against the limits of each.

    Parameters
    ----------
    table : SweepTable
    fits : SweepFits
    m : namespace
        Of the same sweeps, as `measured` gives it.
    types : callable
        From a marking to its registered type or None.
    families : tuple of namespaces
        Rows of reference/families.csv.

    Returns
    -------
    namespace
        ``of``: the families' fields as arrays (f,). ``prior``, ``weight`` (n, f): probability of each
        family before and after measurement; ``family`` (n,): the likeliest. ``typed`` (n,): a registered
        type fixed it. ``limit_A``, ``limit_V`` (n, f): largest reverse current of a healthy junction [A]
        and the reverse voltage it holds at [V]. ``registered``: that limit in words where it is the type's
        own, else ''. ``rating_V`` (n,): maximum rating that the breakdown voltage must reach [V], 0 where
        none is registered. ``vf_V`` (n, f): forward voltage of the junction alone at the family's test
        current and 25 degC [V]. ``leak_A``, ``leak_u_ln`` (n, f): reverse current at the limit's voltage,
        the junction's own part referred to 25 degC [A], and the standard uncertainty of its logarithm [1];
        ``leak_V`` (n, f): the voltage it was seen at, or the limit's. ``kept``, ``hidden`` (n, f):
        probability that it keeps the limit, and that a leak over the limit hides below what the sweep
        resolves. ``alone`` (n, f): only the outermost point is over it, in a sweep with wild points.
        ``inside_ohm`` (n, f): most resistance in series with a healthy junction [ohm]; ``rs_ohm``,
        ``rs_u_ln`` (n,): what is in series [ohm] and the standard uncertainty of its logarithm [1];
        ``conducts`` (n,): probability that it is no more; ``inside_from``: whose limit, in words.
        ``window`` (n,): probability that the forward part is that of a healthy junction. ``other`` (n,): a
        marked junction is plainly one of another family. ``unreached`` (n, f): probability that a healthy
        junction would not have shown in the swept range.

    Raises
    ------
    ValueError
        A junction that is none of `JUNCTIONS`.
    """
    names = vars(families[0])
    of = SimpleNamespace(**{name: np.array([getattr(f, name) for f in families]) for name in names})
    w, zener = _held_to(table, m, types, of)
    # Forward voltage of the junction alone at the families' test currents, at 25 degC.
    v, u = np.empty((2, len(fits), of.vf_at_A.size))
    for i in np.unique(of.vf_at_A):
        v[:, of.vf_at_A == i], u[:, of.vf_at_A == i] = (x[:, None] for x in knee_voltage(fits, float(i)))
    # Read off the points: at the families' test current, or not at all.
    read, there = np.isfinite(m.knee_V), np.isclose(of.vf_at_A, np.median(of.vf_at_A), rtol=1e-6, atol=0)
    v[read] = np.where(there, m.knee_V[read, None], np.nan)
    u[read] = m.knee_u_V[read, None]
    law = {"EG_eV": of.eg_eV, "XTI": of.xti}
    w.vf_V = forward_voltage(v, m.temp_C[:, None], **law)
    slope = forward_voltage_slope(w.vf_V, **law)
    u = np.sqrt(u**2 + (slope * m.temp_u_K[:, None]) ** 2 + rule("sweep_contact_u") ** 2)
    # Probability that it, ideality and series resistance lie in the windows of each family.
    # No single junction has N under 1 and no fault lowers it: a low N is a warm part or a short sweep.
    floor = np.where(of.n_low > 1.2, of.n_low, -np.inf)
    n_u = np.hypot(m.n_u, rule("sweep_ideality_u"))
    ideality = conformity(m.n[:, None], n_u[:, None], floor, of.n_high)
    inside = conformity(w.vf_V, u, of.vf_low_V, of.vf_high_V) * np.where(read[:, None], 1.0, ideality)
    inside = np.nan_to_num(inside)
    most_rs = rule("sweep_rs_allowed") * of.rs_high_ohm + rule("sweep_leads")
    # a high resistance tells families apart, but it may be a fault as well
    lower = conformity_log(np.maximum(m.rs_ohm, 1e-6)[:, None], rule("sweep_rs_u"), high=most_rs)
    w.weight = family_weight(inside * np.maximum(lower, rule("sweep_prior_inside")), m, table, of, w.prior)
    w.family = w.weight.argmax(axis=1)
    facts.hold_series(table, m, w)
    # Reverse current at each family's limit voltage; CE paths have no saturation current of their own here.
    doubling = rule("leakage_doubling")
    sat = np.where(m.ce, 0.0, m.sat_A) / leakage_factor(m.temp_C, REFERENCE_TEMP_C, doubling)
    sat_u = sat * np.hypot(m.sat_u_ln, np.log(2.0) / doubling * m.temp_u_K)
    ohmic = w.limit_V / m.path_ohm[:, None]
    w.leak_A = sat[:, None] + ohmic
    # carried on to a higher voltage, a path may bend either way
    reached = np.maximum(np.where(m.ce, m.v_high_V, -m.v_low_V), rule("sweep_reach_least"))
    bend = rule("sweep_bend") * np.log(np.maximum(w.limit_V / reached[:, None], 1.0))
    spread = np.hypot(sat_u[:, None], ohmic * np.hypot(m.path_u_ln[:, None], bend))
    w.leak_u_ln = np.divide(spread, w.leak_A, out=np.ones_like(spread), where=w.leak_A > 0)
    floor = np.where(np.isfinite(m.path_ohm), np.inf, np.nan_to_num(m.floor_ohm, nan=0.0))
    w.hidden = unseen_leak(floor[:, None], w.limit_V / w.limit_A)
    # A breakdown that was seen keeps the rating, and is that of a registered Zener type.
    seen, bv = np.isfinite(m.bv_V), np.nan_to_num(m.bv_V)
    bv_u = np.hypot(np.nan_to_num(m.bv_u_V), rule("sweep_breakdown_u") * bv)
    w.kept = conformity_log(w.leak_A, w.leak_u_ln, high=w.limit_A)
    facts.hold_reverse(table, fits, m, w)
    # without a rating, what breaks down where the family's leak is limited does so too early
    least_V = np.where(w.rating_V[:, None] > 0, w.rating_V[:, None], w.limit_V)
    w.kept *= np.where(seen[:, None], conformity(bv[:, None], bv_u[:, None], low=least_V), 1.0)
    own = w.prior > 0
    ends = np.stack([(of.vf_low_V - w.vf_V) / u, (of.vf_high_V - w.vf_V) / u])
    # a Zener that was swept to its test current is held to its voltage there
    volts, low, high, _ = breakdown_at(fits, np.where(np.isfinite(w.zener_A), w.zener_A, 1e-3))
    tested = np.isfinite(volts) & (m.reverse_A >= rule("zener_reached") * w.zener_A)
    bv = np.where(tested, volts, bv)
    u = np.hypot((high - low) / (2.0 * NORMAL_95), rule("zener_u") * volts)
    bv_u = np.where(tested, np.hypot(u, rule("sweep_contact_u")), bv_u)
    window = in_any_window(inside, ends, own, w.weight) * np.where(seen, conformity(bv, bv_u, *zener), 1.0)
    same = of.device == of.device[w.prior.argmax(axis=1)][:, None]
    elsewhere = (inside * (same & ~own)).max(axis=1, initial=0.0) > 0.5
    foreign = (inside * own).max(axis=1, initial=0.0) < 1 - rule("conformity_good")
    w.other = w.typed & ~m.from_points & foreign & elsewhere & (m.kind == JUNCTION) & ~m.ce
    w.window = np.where(w.other, 0.0, window)
    # Nothing seen: the junction would have shown at ten times the noise; a resistance seen: at its current.
    would_show = np.where(m.kind == OPEN, np.clip(10 * m.i_high_A, 1e-8, 1e-3), np.maximum(m.i_high_A, 1e-8))
    per_e = np.minimum(0.5 * (of.n_low + of.n_high), 4.0) * thermal_voltage(REFERENCE_TEMP_C)
    top = of.vf_high_V + per_e * np.log(would_show[:, None] / of.vf_at_A)
    # What lies a thousand volts away is as far out of reach as what lies beyond any number.
    beyond = (top - m.v_high_V[:, None]).clip(-1e3, 1e3) / (of.vf_high_V - of.vf_low_V)
    w.unreached = np.nan_to_num(beyond.clip(0.0, 1.0), nan=1.0)
    return w


def _held_to(table: SweepTable, m: SimpleNamespace, types: Callable, of: SimpleNamespace):
    """What each sweep is held to, by the registered type of its part or by family; range of a Zener's BV."""
    n = len(table)
    w = SimpleNamespace(of=of, registered=np.full(n, "", object), rating_V=np.zeros(n), forward=[])
    w.damper, w.rated_V, w.zener_A = np.zeros(n, bool), np.zeros(n), np.full(n, np.nan)
    w.prior, w.limit_A, w.limit_V = np.empty((3, n, of.name.size))
    zener = np.repeat([[0.0], [np.inf]], n, axis=1)
    reach = rule("registered_reach") * np.nan_to_num(np.where(m.ce, m.v_high_V, -m.v_low_V))
    collectors = dict(zip(of.name.tolist(), of.collector.tolist(), strict=True))
    alike: dict[tuple[str, str], list[int]] = {}
    for k, marked in enumerate(zip(table.junction, table.type, strict=True)):
        alike.setdefault(marked, []).append(k)
    for (junction, name), rows in alike.items():
        if junction not in JUNCTIONS:
            raise ValueError(f"junction {junction!r}: expected one of {', '.join(JUNCTIONS)}")
        part_type = types(name) if name else None
        own, beyond_base = part_type.family if part_type else "", junction in ("BC", "CE")
        device = of.device == ("diode" if junction == "AK" else "bjt")
        if beyond_base:  # the collector junction of a Darlington is a plain one
            own = collectors.get(own) or own
            device &= of.collector == ""
        # a marking of the other kind of device: judge the junction as what it is
        weight = of.name == own if own in collectors else of.share * device
        w.prior[rows] = weight / weight.sum()
        w.limit_A[rows] = of.leak_max_A * (rule("ceo_gain") if junction == "CE" else 1.0)
        w.limit_V[rows] = of.leak_at_V
        own_resistor = [k for k in rows if isfinite(m.own_ohm[k])]
        if own_resistor:  # what lies beside it cannot be held to less than a tenth of it
            least = 0.1 * of.leak_at_V / m.own_ohm[own_resistor, None]
            w.limit_A[own_resistor] = np.maximum(of.leak_max_A, least)
            w.damper[own_resistor] = damper_by(name, part_type)
        w.forward.append((rows, registered_forward(part_type, junction)))
        held = registered_leak(part_type, junction)
        if held:
            # not reached, it is the limit of what is seen: of a path carried on, of a current over it already
            near = [k for k in rows
                    if held[1] <= reach[k] or isfinite(m.path_ohm[k]) or m.reverse_A[k] > held[0]]
            w.limit_A[near], w.limit_V[near], w.registered[near] = held
        if part_type is None or part_type.secondary:
            continue
        volts = [x for x in part_type.find("V_Z") if isfinite(x.low) and x.basis not in NO_LIMIT]
        if junction == "AK" and volts:
            # a sweep rarely reaches the registered test current, where a low-voltage type has some volts more
            low, high, test_A = volts[0].low, volts[0].high, volts[0].at.get("iz_A", inf)
            w.rating_V[rows], w.rated_V[rows] = rule("zener_share_low") * low, low
            zener[0, rows], zener[1, rows] = w.rating_V[rows], rule("zener_share_high") * high
            w.zener_A[rows] = test_A
            at_test = [k for k in rows if m.reverse_A[k] >= rule("zener_reached") * test_A]
            zener[0, at_test], zener[1, at_test] = low, high
        else:
            ratings = [part_type.rating(symbol) for symbol in _BREAKDOWN_RATINGS[junction]]
            w.rating_V[rows] = w.rated_V[rows] = next((x for x in ratings if isfinite(x)), 0.0)
    w.typed = (w.prior > 0).sum(axis=1) == 1
    return w, zener


def _probability(m: SimpleNamespace, w: SimpleNamespace) -> np.ndarray:
    """Probability of good, leaky, shorted and open by what was seen (n, 4)."""
    kept_any, hidden_any = (w.weight * w.kept).sum(axis=1), (w.weight * w.kept * w.hidden).sum(axis=1)
    short = 1.0 - conformity_log(m.path_ohm, m.path_u_ln, low=rule("short_below"))
    none = np.zeros_like(short)
    # A junction: what lies outside every window is shared out evenly, because nobody knows what it is.
    ok, odd = kept_any - hidden_any, (1.0 - w.window) / 3.0
    sound = ok * (w.window + odd)
    opened = ok * odd + sound * (1.0 - w.conducts)  # a high resistance inside is open in part
    junction = np.stack([sound * w.conducts, 1.0 - ok + ok * odd, none, opened], axis=1)
    # Only a resistance, or nothing at all: a path under the open limit may hide below what was resolved.
    open_above = rule("open_above")
    is_open = conformity_log(m.path_ohm, m.path_u_ln, low=open_above)
    unseen = unseen_leak(np.nan_to_num(m.floor_ohm, nan=0.0), open_above)
    is_open = np.where(np.isinf(m.path_ohm), 1.0 - unseen, is_open)
    unreached = w.weight * w.unreached
    # The knee was passed without a junction: a path that keeps the leakage limit is what is left of it.
    passed = ((w.weight - unreached) * w.kept).sum(axis=1)
    weights = np.stack([
        rule("sweep_prior_good") * (unreached * w.kept * (1.0 - w.hidden)).sum(axis=1),
        # over the limit behind a knee that was not reached, or no more than an open junction may leave
        rule("sweep_prior_leaky") * ((unreached + (w.weight - unreached) * (1.0 - is_open)[:, None])
                                     * (1.0 - w.kept)).sum(axis=1), none,
        rule("sweep_prior_open") * (is_open + (1.0 - is_open) * passed),
    ], axis=1)  # fmt: skip
    with np.errstate(divide="ignore"):
        bare = posterior(np.log(weights))
    # The forward part was not swept; or a collector-emitter path, which is healthy when nothing flows.
    ok = kept_any * (1.0 - hidden_any)
    plain = np.stack([ok, 1.0 - ok, none, none], axis=1)
    # A junction whose forward knee was never reached is not called good, whatever else was measured.
    most = rule("knee_never_seen")
    unknown = [np.maximum(x[:, :1] - most, 0.0) * [-1.0, 0.0, 0.0, 1.0] for x in (bare, plain)]
    # What passes more than it may, and conducts next to zero volt like a short, is one.
    dead = (m.zero_ohm < rule("short_below")) & (np.isinf(m.path_ohm) | m.from_points)
    unseen = dead & np.isinf(m.path_ohm) & np.isnan(m.most_ohm)
    m.most_ohm[unseen] = m.zero_ohm[unseen]
    for found in (junction, bare):
        found[dead, 2] += found[dead, 1] + found[dead, 3]
        found[dead, 1] = found[dead, 3] = 0.0
    p = np.full_like(plain, 0.25)
    for at, found in (
        (m.kind == JUNCTION, junction), ((m.kind == OPEN) | (m.kind == RESISTOR), bare + unknown[0]),
        (m.kind == REVERSE_ONLY, plain + unknown[1]), (m.ce & (m.kind != NONE), plain),
    ):  # fmt: skip
        p[at] = found[at] * (1.0 - short[at])[:, None]
        p[at, QUALITIES.index(Verdict.SHORTED)] += short[at]
    return p


def unseen_leak(floor_ohm, limit_ohm):
    """Probability that a leak hides below what a measurement can see.

    A healthy result from an instrument that cannot resolve the limit is not proof.  Before the measurement
    some parts leak, with resistances spread evenly over the decades between the short limit and the family's
    limit; seeing none above `floor_ohm` removes the rest.

    Parameters
    ----------
    floor_ohm : array_like
        Lowest leakage resistance the measurement excludes nothing above [ohm].
    limit_ohm : array_like
        Resistance that the family's leakage limit stands for [ohm].

    Returns
    -------
    ndarray
        Posterior probability of a hidden leak [1]; 0 where the floor is at or above the limit.
    """
    floor, limit = np.broadcast_arrays(np.asarray(floor_ohm, float), np.asarray(limit_ohm, float))
    short, prior = rule("short_below"), rule("sweep_prior_hidden")
    with np.errstate(divide="ignore", invalid="ignore"):
        hidden = np.log(limit / np.maximum(floor, short)) / np.log(limit / short)
        hidden = prior * np.clip(np.nan_to_num(hidden, nan=0.0), 0.0, 1.0)
        return posterior(np.log([hidden, np.full_like(hidden, 1.0 - prior)]), axis=0)[0]


def _seen(table: SweepTable, fits: SweepFits, m: SimpleNamespace, w: SimpleNamespace) -> dict:
    """What the sentences about a sweep may name, as columns (n,); nan, '' or False where it is not known."""
    best, of, where = (np.arange(len(table)), w.family), w.of, np.array(table.junction, object)
    typed, called = w.typed, np.array([*of.called, ""], object)
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
    over, one_value = leak > limit, np.isnan(m.most_ohm)
    return {
        "where": where, "family": family, "vf": w.vf_V[best], "n": m.n,
        "vf_at": of.vf_at_A[told],
        "vf_low": of.vf_low_V[told],
        "vf_high": vf_high, "leak": leak, "limit": limit, "volts": volts, "path": path, "floor": m.floor_ohm,
        "top": m.i_high_A, "v_high": m.v_high_V, "bv": m.bv_V, "rating": w.rated_V, "most": m.most_ohm,
        "rs": np.where(w.rs_ohm > 5, w.rs_ohm, np.nan), "inside": w.rs_ohm, "own": m.own_ohm,
        "inside_most": w.inside_ohm[best], "inside_from": w.inside_from, "seen_V": w.leak_V[best],
        "rising": w.leak_V[best] < 0.95 * volts, "soft": w.soft[best], "reverse": reverse,
        "hidden": w.hidden[best],
        "reach": np.where(reverse > 0.05, reverse, np.nan), "up_to": np.fmax(vf_high + 0.1, m.v_high_V),
        "shows": rule("range_shows") * limit, "resolves": rule("range_resolves") * limit,
        "why": np.array(fits.why_not, object), "rival": rival, "leaks": np.where(over, family, rival),
        "keeps": np.where(over, rival, family), "ce": m.ce, "typed": typed, "junction": m.kind == JUNCTION,
        "measured": one_value & ~m.from_points, "read": one_value & m.from_points,
        "extended": reverse < 0.5 * w.leak_V[best], "registered": w.registered,
        "built_in": (where == "BE") & ~typed, "led": (where == "AK") & ~typed,
        "clear": np.isnan(path) & (np.isnan(m.floor_ohm) | (leak < rule("sweep_clear") * limit)),
        "open": m.kind == OPEN, "from_points": m.from_points & ~m.ce,
        "held_A": w.limit_A[best], "held_V": w.limit_V[best],
        "sure": typed | (w.weight.max(axis=1) >= rule("conformity_good")),
        "as_good": of.name[(w.weight * w.kept).argmax(axis=1)],
        "as_leaky": of.name[(w.weight * (1.0 - w.kept)).argmax(axis=1)],
    }  # fmt: skip


def _derived(x: Mapping[str, np.ndarray]) -> list[dict[str, Interval]]:
    """Forward voltage and leak at the limit's conditions, at 25 degC, where the sweep came near them.

    A short of 3 ohm seen to 0.1 V says nothing of 5 V.
    """
    found, row = [{} for _ in x["vf"]], np.arange(x["vf"].size)
    near = np.isfinite(x["vf"]) & (x["top"] >= rule("sweep_near_current") * x["vf_at"])
    for k, volts, amps in zip(*(y[near].tolist() for y in (row, x["vf"], x["vf_at"])), strict=True):
        found[k][f"V at {si(amps, 'A')}, 25 °C"] = Interval(volts, unit="V")
    reach = np.fmax(x["reverse"], np.where(x["ce"], x["v_high"], 0.0))
    near = ~x["open"] & np.isfinite(x["leak"]) & (reach >= rule("sweep_near_voltage") * x["volts"])
    for k, amps, volts in zip(*(y[near].tolist() for y in (row, x["leak"], x["volts"])), strict=True):
        found[k][f"I at -{volts:g} V, 25 °C"] = Interval(amps, unit="A")
    return found


def _decisive(x: Mapping[str, np.ndarray], fits, m, w, shorted, opened) -> tuple:
    """Resistance beside the junction, and the quantity that decided: value, ends, limits, kept (n,)."""
    best, short, open_above = (np.arange(len(fits)), w.family), rule("short_below"), rule("open_above")
    factors = [np.exp(np.minimum(NORMAL_95 * u, 50.0)) for u in (m.path_u_ln, w.leak_u_ln[best])]
    ohm, spread = x["path"], factors[0]
    # Path beside the junction, or the whole path: from the fit, or from the points where they were asked.
    ohms = [
        np.where(m.from_points, read, np.where(m.kind == RESISTOR, of["R_ohm"], of["RSH_ohm"]))
        for of, read in ((fits.value, ohm), (fits.low, ohm / spread), (fits.high, ohm * spread))
    ]
    within, windows = np.isin(w.reason, _INSIDE), w.of
    shorted, opened = shorted & ~within, opened & ~within
    path, odd = shorted | opened, np.isin(w.reason, _ODD) & ~shorted & ~opened
    broke, cases = w.reason == _BREAKS, [shorted, opened, odd, within]
    inside = np.exp(np.minimum(NORMAL_95 * w.rs_u_ln, 50.0))
    at_most = shorted & np.isfinite(x["most"])  # the source's limit hides how little it is
    values = [np.nan, ohm, x["vf"], w.rs_ohm, m.bv_V]
    value = np.select([at_most, path, odd, within, broke], values, x["leak"])
    factor = np.select([path, odd, within, broke], [spread, np.nan, inside, np.nan], factors[1])
    value_high = np.where(at_most, x["most"], value * factor)
    value_low = np.where(at_most, -inf, value / factor)
    # nothing seen: at most what would have been
    unseen = x["clear"] & (m.floor_ohm > 0) & np.isin(w.reason, ("sweep_good", "sweep_good_path"))
    value = np.where(unseen, np.nan, value)
    value_low = np.where(unseen, 0.0, value_low)
    value_high = np.where(unseen, x["held_V"] / np.where(unseen, m.floor_ohm, 1.0), value_high)
    low = np.select([shorted, odd, broke], [short, windows.vf_low_V[w.family], w.rated_V], -inf)
    highs = [inf, open_above, windows.vf_high_V[w.family], w.inside_ohm[best], inf]
    high = np.select([*cases, broke], highs, w.limit_A[best])
    keeps = [conformity_log(m.path_ohm, m.path_u_ln, low=short),
             conformity_log(m.path_ohm, m.path_u_ln, high=open_above), w.window, w.conducts]  # fmt: skip
    kept = np.select(cases, keeps, w.kept[best])
    return *ohms, value, value_low, value_high, low, high, kept


def _record(k: int, limits: dict, x: Mapping, fit: FitSummary, family, verdict, reason, p, found):
    """One sweep as a record for people, with the finding that decided; `limits` keeps the words of limits."""
    where, ohm, (*seen, low, high, kept) = x["where"], Interval(*found[:3], "ohm"), found[3:]
    if reason in _INSIDE:
        whose = x["inside_from"] or family.basis
        quantity, unit, limit = "rs_ohm", "ohm", say("limit_inside", most=x["inside_most"], whose=whose)
    elif verdict in (Verdict.SHORTED, Verdict.OPEN):
        row = rules()["short_below" if verdict == Verdict.SHORTED else "open_above"]
        quantity, unit, whose = "path_ohm", "ohm", row.basis
        limit = say("limit_short" if verdict == Verdict.SHORTED else "limit_open", basis=whose)
    else:
        held = family.name, x["registered"], x["ce"], x["held_A"], x["held_V"]
        if held not in limits:
            whose = x["registered"] or say(
                "limit_of_family", family=family.name, basis=family.basis, open_base=x["ce"]
            )
            limits[held] = whose, say("limit_leak", limit=x["held_A"], volts=x["held_V"], whose=whose)
        quantity, unit, (whose, limit) = "leak_A", "A", limits[held]
        if reason in _ODD:
            quantity, unit, whose = "vf_V", "V", family.basis
        elif reason == _BREAKS:
            quantity, unit, whose = "bv_V", "V", say("limit_rated")
        elif reason not in _LEAK:  # what stands against this sweep is not its leak
            quantity, unit, whose, seen, low, high = "", "", "", (), -inf, inf
    value = Interval(*seen, unit) if seen else None
    finding = Finding(where, reason, quantity, value, low, high, whose, kept, x)
    points_asked = x["from_points"] and verdict != Verdict.OPEN
    told = _TOLD if points_asked else _TOLD_OF_A_FIT
    reasons = ["sweep_points_asked"] * points_asked + [f"fit_{flag}" for flag in fit.flags if flag in told]
    known = ohm.value == ohm.value or isfinite(ohm.low) or isfinite(ohm.high)
    return JunctionVerdict(
        where, verdict, dict(zip(QUALITIES, p, strict=True)),
        (f"{where} {verdict}",) if verdict in QUALITIES[1:] else (),
        (finding.says(), *(say(reason) for reason in reasons)), fit, ohm if known else None, k, family.name,
        limit, finding,
    )  # fmt: skip
