"""Families of junctions weighed against a sweep: how likely each is, and what its limits say.

An unmarked part may belong to several families whose limits differ by decades (a small-signal transistor
may leak 0.1 uA, a power transistor a thousand times that), so every family keeps its own limit, and the
families are weighed by how well the measured junction fits each.  Arrays have sweeps on axis 0 and families
on axis 1.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from types import SimpleNamespace

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C, thermal_voltage
from junction.base.records import JUNCTIONS, SweepTable
from junction.fit.results import SweepFits
from junction.judge.limits import breakdown_limits, conformity, conformity_log, registered_leak, unseen_leak
from junction.judge.mixture import posterior
from junction.physics.temperature import forward_voltage, forward_voltage_slope, leakage_factor
from junction.shelf.results import Family, PartType
from junction.shelf.rules import rule
from junction.verdict.measured import JUNCTION, OPEN, knee_voltage

_LEAST_LOG = np.log(1e-300)  # one junction alone does not rule a family out for the others of its part


def weigh(
    table: SweepTable, fits: SweepFits, m: SimpleNamespace, types: Callable, families: tuple[Family, ...]
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
    families : tuple of Family

    Returns
    -------
    namespace
        ``of``: the families' fields as arrays (f,).  ``prior``, ``weight`` (n, f): probability of each
        family before and after measurement; ``family`` (n,): the likeliest.  ``typed`` (n,): a registered
        type fixed it.  ``limit_A``, ``limit_V`` (n, f): largest reverse current of a healthy junction [A]
        and the reverse voltage it holds at [V].  ``registered``: that limit in words where it is the
        type's own, else ''.  ``rating_V`` (n,): maximum rating that the breakdown voltage must reach [V],
        0 where none is registered.  ``vf_V`` (n, f): forward voltage of the junction alone at the family's
        test current and 25 degC [V].  ``leak_A``, ``leak_u_ln`` (n, f): reverse current at the limit's
        voltage, the junction's own part referred to 25 degC [A], and the standard uncertainty of its
        logarithm [1].  ``kept``, ``hidden`` (n, f): probability that it keeps the limit, and that a leak
        over the limit hides below what the sweep resolves.  ``window`` (n,): probability that the forward
        part is that of a healthy junction.  ``other`` (n,): a marked junction is plainly one of another
        family.  ``unreached`` (n, f): probability that a healthy junction would not have shown in the
        swept range.

    Raises
    ------
    ValueError
        A junction that is none of `JUNCTIONS`.
    """
    of = SimpleNamespace(
        **{field.name: np.array([getattr(f, field.name) for f in families]) for field in fields(Family)}
    )
    w, zener = _held_to(table, m, types, families, of)
    w.vf_V, inside, log_like, ends = _forward_fit(m, fits, of)
    w.weight = _weight(log_like, m, table, of, w.prior)
    w.family = w.weight.argmax(axis=1)
    ce = np.array([j == "CE" for j in table.junction], bool)
    w.leak_A, w.leak_u_ln, w.kept, w.hidden = _leakage(m, w, ce)
    # A breakdown that was seen keeps the rating, and is that of a registered Zener type.
    seen, bv = np.isfinite(m.bv_V), np.nan_to_num(m.bv_V)
    u = np.hypot(np.nan_to_num(m.bv_u_V), rule("sweep_breakdown_u") * bv)
    w.kept *= np.where(seen, conformity(bv, u, low=w.rating_V), 1.0)[:, None]
    own = w.prior > 0
    window = in_any_window(inside, ends, own, w.weight) * np.where(seen, conformity(bv, u, *zener), 1.0)
    same = of.device == of.device[w.prior.argmax(axis=1)][:, None]
    elsewhere = (inside * (same & ~own)).max(axis=1, initial=0.0) > 0.5
    foreign = (inside * own).max(axis=1, initial=0.0) < rule("conformity_bad")
    w.other = w.typed & ~m.from_points & foreign & elsewhere & (m.kind == JUNCTION) & ~ce
    w.window = np.where(w.other, 0.0, window)
    # Nothing seen: the junction would have shown at ten times the noise; a resistance seen: at its current.
    would_show = np.where(m.kind == OPEN, np.clip(10 * m.i_high_A, 1e-8, 1e-3), np.maximum(m.i_high_A, 1e-8))
    per_e = np.minimum(0.5 * (of.n_low + of.n_high), 4.0) * thermal_voltage(REFERENCE_TEMP_C)
    top = of.vf_high_V + per_e * np.log(would_show[:, None] / of.vf_at_A)
    # What lies a thousand volts away is as far out of reach as what lies beyond any number.
    beyond = (top - m.v_high_V[:, None]).clip(-1e3, 1e3) / (of.vf_high_V - of.vf_low_V)
    w.unreached = np.nan_to_num(beyond.clip(0.0, 1.0), nan=1.0)
    return w


def _prior(junction: str, part_type: PartType | None, families: tuple[Family, ...]) -> np.ndarray:
    own = part_type.family if part_type else ""
    beyond_base = junction in ("BC", "CE")
    if beyond_base:  # the collector junction of a Darlington is a plain one
        own = next((f.collector for f in families if f.name == own), "") or own
    device = "diode" if junction == "AK" else "bjt"
    weight = np.array([
        float(f.name == own) if own else f.share * (f.device == device and not (beyond_base and f.collector))
        for f in families
    ])  # fmt: skip
    if not weight.any():  # a marking of the other kind of device: judge the junction as what it is
        return _prior(junction, None, families)
    return weight / weight.sum()


def _held_to(table: SweepTable, m: SimpleNamespace, types: Callable, families, of: SimpleNamespace):
    """What each sweep is held to, by the registered type of its part or by family; range of a Zener's BV."""
    n = len(table)
    w = SimpleNamespace(of=of, registered=np.full(n, "", object), rating_V=np.empty(n))
    w.prior, w.limit_A, w.limit_V = np.empty((3, n, len(families)))
    zener = np.empty((2, n))
    reach = np.where([j == "CE" for j in table.junction], m.v_high_V, -m.v_low_V)
    reach = rule("registered_reach") * np.nan_to_num(reach)
    alike: dict[tuple[str, str], list[int]] = {}
    for k, marked in enumerate(zip(table.junction, table.type, strict=True)):
        alike.setdefault(marked, []).append(k)
    for (junction, name), rows in alike.items():
        if junction not in JUNCTIONS:
            raise ValueError(f"junction {junction!r}: expected one of {', '.join(JUNCTIONS)}")
        part_type = types(name) if name else None
        w.prior[rows] = _prior(junction, part_type, families)
        w.limit_A[rows] = of.leak_max_A * (rule("ceo_gain") if junction == "CE" else 1.0)
        w.limit_V[rows] = of.leak_at_V
        w.rating_V[rows], *window = breakdown_limits(part_type, junction)
        zener[:, rows] = np.array(window)[:, None]
        held = registered_leak(part_type, junction)
        if held:
            near = [k for k in rows if held.at_V <= reach[k]]
            w.limit_A[near], w.limit_V[near], w.registered[near] = held
    w.typed = (w.prior > 0).sum(axis=1) == 1
    return w, zener


def _forward_fit(m: SimpleNamespace, fits: SweepFits, of: SimpleNamespace):
    """How well the forward part of each sweep fits each family.

    Returns
    -------
    vf_V : ndarray (n, f)
        Forward voltage of the junction alone at the family's test current, referred to 25 degC [V].
    inside : ndarray (n, f)
        Probability that voltage, ideality and series resistance lie in the family's windows [1].
    log_like : ndarray (n, f)
        The same as a log likelihood: a family's parts are spread evenly over its windows.
    ends : ndarray (2, n, f)
        Ends of the family's voltage window, seen from that voltage in its standard uncertainties [1].
    """
    v, u = np.empty((2, len(fits), of.vf_at_A.size))
    for i in np.unique(of.vf_at_A):
        v[:, of.vf_at_A == i], u[:, of.vf_at_A == i] = (x[:, None] for x in knee_voltage(fits, float(i)))
    # Read off the points: at the families' test current, or not at all.
    read, there = np.isfinite(m.knee_V), np.isclose(of.vf_at_A, np.median(of.vf_at_A), rtol=1e-6, atol=0)
    v[read] = np.where(there, m.knee_V[read, None], np.nan)
    u[read] = m.knee_u_V[read, None]
    law = {"EG_eV": of.eg_eV, "XTI": of.xti}
    v25 = forward_voltage(v, m.temp_C[:, None], **law)
    slope = forward_voltage_slope(v25, **law)
    u = np.sqrt(u**2 + (slope * m.temp_u_K[:, None]) ** 2 + rule("sweep_contact_u") ** 2)
    ends = np.stack([(of.vf_low_V - v25) / u, (of.vf_high_V - v25) / u])
    # No single junction has N under 1 and no fault lowers it: a low N is a warm part or a short sweep.
    floor = np.where(of.n_low > 1.2, of.n_low, -np.inf)
    n_u = np.hypot(m.n_u, rule("sweep_ideality_u"))
    ideality = conformity(m.n[:, None], n_u[:, None], floor, of.n_high)
    most_rs = rule("sweep_rs_allowed") * of.rs_high_ohm + rule("sweep_leads")
    inside = conformity(v25, u, of.vf_low_V, of.vf_high_V) * np.where(read[:, None], 1.0, ideality)
    inside *= conformity_log(np.maximum(m.rs_ohm, 1e-6)[:, None], rule("sweep_rs_u"), high=most_rs)
    inside = np.nan_to_num(inside)
    with np.errstate(divide="ignore"):
        spread = np.log((of.vf_high_V - of.vf_low_V) * (of.n_high - of.n_low))
        return v25, inside, np.log(inside) - spread, ends


def _weight(log_like, m: SimpleNamespace, table: SweepTable, of: SimpleNamespace, prior) -> np.ndarray:
    """Probability of each family, from the forward part and what a breakdown or a built-in path says.

    All junctions of a part belong to one family.  The prior stands where nothing was seen that tells
    families apart.
    """
    junction = np.array(table.junction, dtype="U2")
    early = (junction == "AK") & (np.nan_to_num(m.bv_V, nan=np.inf) < rule("early_breakdown"))
    log_like = log_like + early[:, None] * np.log(of.early_breakdown_ratio)
    # A Darlington with resistors always shows them; a leak of just that size in a part without is rare.
    built_in = (m.path_ohm > rule("built_in_low")) & (m.path_ohm < rule("built_in_high"))
    # The output transistor's own resistor stands in series until its junction opens.
    built_in &= m.from_points | (m.rs_ohm > rule("built_in_series")) | (m.i_high_A < rule("built_in_opens"))
    ratio = np.where(built_in, 1.0, -1.0) * np.log(rule("built_in_ratio")) * (junction == "BE")
    log_like += ratio[:, None] * of.built_in
    log_like[junction == "CE"] = -np.inf  # a path between collector and emitter says nothing of the family
    names: dict[str, int] = {}
    part = np.fromiter((names.setdefault(p, len(names)) for p in table.part), np.int64, len(table))
    if len(names) < len(table):
        own = log_like.copy()
        collector = np.isin(junction, ("BC", "CE"))
        for j, k in np.argwhere(of.collector[:, None] == of.name):
            own[collector, j] = log_like[collector, k]
        speaks = own.max(axis=1, initial=-np.inf) > -np.inf
        total = np.zeros((len(names), of.name.size))
        np.add.at(total, part[speaks], np.maximum(own[speaks], _LEAST_LOG))
        log_like = total[part]
    with np.errstate(divide="ignore"):
        return posterior(np.log(prior) + log_like, otherwise=prior)


def in_any_window(inside, ends, allowed, weight) -> np.ndarray:
    """Probability that a forward part is that of any healthy junction it may be.

    The voltage windows of families overlap, so their probabilities do not add up: the voltage lies in the
    union of the windows, counted once, and ideality and series resistance are those of the likely families.

    Parameters
    ----------
    inside : ndarray (n, f)
        Probability of each family's windows [1].
    ends : ndarray (2, n, f)
        Ends of each family's voltage window, seen from the voltage in its standard uncertainties [1].
    allowed : ndarray of bool (n, f)
        Families the junction may belong to.
    weight : ndarray (n, f)
        Probability of each family [1].

    Returns
    -------
    ndarray (n,)
        [1]; never less than the best single family's, nor more than their sum.
    """
    from scipy.special import ndtr

    usable = allowed & np.isfinite(ends).all(axis=0)
    low, high = (np.where(usable, x, np.inf) for x in ends)
    order = np.argsort(low, axis=1)
    low, high = (np.take_along_axis(x, order, axis=1) for x in (low, high))
    reached = np.maximum.accumulate(np.where(np.isfinite(low), high, -np.inf), axis=1)
    start = low.copy()
    start[:, 1:] = np.maximum(start[:, 1:], reached[:, :-1])
    union = np.maximum(ndtr(high) - ndtr(np.minimum(start, high)), 0.0).sum(axis=1)
    own = np.where(usable, ndtr(ends[1]) - ndtr(ends[0]), 0.0)
    best = np.where(allowed, inside, 0.0)
    rest = np.where(own > 0, best / np.where(own > 0, own, 1.0), 0.0).clip(0.0, 1.0)
    total = (weight * (own > 0)).sum(axis=1)
    share = (weight * rest).sum(axis=1) / np.where(total > 0, total, 1.0)
    return np.clip(union * share, best.max(axis=1, initial=0.0), np.minimum(best.sum(axis=1), 1.0))


def _leakage(m: SimpleNamespace, w: SimpleNamespace, ce: np.ndarray):
    """Reverse current at each family's limit voltage, its uncertainty, and whether it keeps the limit."""
    doubling = rule("leakage_doubling")
    # Collector-emitter paths have no saturation current of their own here.
    sat = np.where(ce, 0.0, m.sat_A) / leakage_factor(m.temp_C, REFERENCE_TEMP_C, doubling)
    sat_u = np.hypot(m.sat_u_ln, np.log(2.0) / doubling * m.temp_u_K)
    ohmic = w.limit_V / m.path_ohm[:, None]
    total = sat[:, None] + ohmic
    spread = np.hypot((sat * sat_u)[:, None], ohmic * m.path_u_ln[:, None])
    u_ln = np.where(total > 0, spread / np.where(total > 0, total, 1.0), 1.0)
    floor = np.where(np.isfinite(m.path_ohm), np.inf, np.nan_to_num(m.floor_ohm, nan=0.0))[:, None]
    hidden = unseen_leak(floor, w.limit_V / w.limit_A, rule("short_below"), rule("sweep_prior_hidden"))
    return total, u_ln, conformity_log(total, u_ln, high=w.limit_A), hidden
