"""Families of junctions weighed against a sweep: how likely each is, and what its limits say.

An unmarked part may belong to several families whose limits differ by decades (a small-signal transistor
may leak 0.1 uA, a power transistor a thousand times that), so every family keeps its own limit, and the
families are weighed by how well the measured junction fits each.  Arrays have sweeps on axis 0 and families
on axis 1.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C, thermal_voltage
from junction.base.records import JUNCTIONS, SweepTable
from junction.fit.results import SweepFits
from junction.judge.limits import (
    Leak,
    breakdown_limits,
    conformity,
    conformity_log,
    registered_leak,
    unseen_leak,
)
from junction.judge.mixture import posterior
from junction.physics.temperature import forward_voltage, forward_voltage_slope, leakage_factor
from junction.shelf.results import Family, PartType
from junction.shelf.rules import rule
from junction.verdict.measured import OPEN, knee_voltage

_LEAST_LOG = np.log(1e-300)  # one junction alone does not rule a family out for the others of its part


def column(families: tuple[Family, ...], name: str) -> np.ndarray:
    """One field of all families."""
    return np.array([getattr(f, name) for f in families])


@dataclass(frozen=True, eq=False)
class Limits:
    """What each sweep is held to, by the registered type of its part or by family.

    Parameters
    ----------
    prior : ndarray (n, f)
        Weight of the families before measurement, rows sum to 1 [1].
    leak_A, at_V : ndarray (n, f)
        Largest reverse current of a healthy junction [A] and the reverse voltage it holds at [V].
    typed : ndarray of bool (n,)
        True where a registered type fixed the family.
    breakdown_V : ndarray (n, 3)
        Maximum rating that the breakdown voltage must reach, 0 where none is registered, and the range that
        it lies in for a registered Zener type, else 0 and inf [V].
    registered : list of Leak or None
        Leakage limit of the type itself, where it has one within reach of the sweep.
    """

    prior: np.ndarray
    leak_A: np.ndarray
    at_V: np.ndarray
    typed: np.ndarray
    breakdown_V: np.ndarray
    registered: list[Leak | None]


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


def limits_of(table: SweepTable, m: np.recarray, find: Callable, families: tuple[Family, ...]) -> Limits:
    """Limits of every sweep.

    Parameters
    ----------
    table : SweepTable
    m : recarray
        Of the same sweeps, as `measured` gives it.
    find : callable
        From a marking to its registered type or None.
    families : tuple of Family

    Raises
    ------
    ValueError
        A junction that is none of `JUNCTIONS`.
    """
    types = {name: find(name) if name else None for name in set(table.type)}
    leak_A, at_V, gain = column(families, "leak_max_A"), column(families, "leak_at_V"), rule("ceo_gain")
    prior, most_A, volts = np.empty((3, len(table), len(families)))
    breakdown, registered, made = np.empty((len(table), 3)), [], {}
    reach = np.where([j == "CE" for j in table.junction], m.v_high_V, -m.v_low_V)
    reach = (rule("registered_reach") * np.nan_to_num(reach)).tolist()
    for k, (junction, name) in enumerate(zip(table.junction, table.type, strict=True)):
        if junction not in JUNCTIONS:
            raise ValueError(f"junction {junction!r}: expected one of {', '.join(JUNCTIONS)}")
        held = registered_leak(types[name], junction)
        held = held if held and held.at_V <= reach[k] else None
        if (junction, name, held) not in made:
            times = gain if junction == "CE" else 1.0
            made[junction, name, held] = (
                _prior(junction, types[name], families), held.leak_A if held else leak_A * times,
                held.at_V if held else at_V, breakdown_limits(types[name], junction),
            )  # fmt: skip
        prior[k], most_A[k], volts[k], breakdown[k] = made[junction, name, held]
        registered.append(held)
    return Limits(prior, most_A, volts, (prior > 0).sum(axis=1) == 1, breakdown, registered)


def forward_fit(m: np.recarray, fits: SweepFits, families: tuple[Family, ...]):
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
    low, high, at, n_low, n_high, rs_high, eg, xti = (
        column(families, x)
        for x in ("vf_low_V", "vf_high_V", "vf_at_A", "n_low", "n_high", "rs_high_ohm", "eg_eV", "xti")
    )
    v, u = np.empty((len(fits), at.size)), np.empty((len(fits), at.size))
    for i in np.unique(at):
        v[:, at == i], u[:, at == i] = (x[:, None] for x in knee_voltage(fits, float(i)))
    # Read off the points: at the families' test current, or not at all.
    read, there = np.isfinite(m.knee_V), np.isclose(at, test_current(families), rtol=1e-6, atol=0)
    v[read] = np.where(there, m.knee_V[read, None], np.nan)
    u[read] = m.knee_u_V[read, None]
    v25 = forward_voltage(v, m.temp_C[:, None], EG_eV=eg, XTI=xti)
    slope = forward_voltage_slope(v25, EG_eV=eg, XTI=xti)
    u = np.sqrt(u**2 + (slope * m.temp_u_K[:, None]) ** 2 + rule("sweep_contact_u") ** 2)
    ends = np.stack([(low - v25) / u, (high - v25) / u])
    # No single junction has N under 1 and no fault lowers it: a low N is a warm part or a short sweep.
    floor = np.where(n_low > 1.2, n_low, -np.inf)
    ideality = conformity(m.n[:, None], np.hypot(m.n_u, 0.02)[:, None], floor, n_high)
    most_rs = rule("sweep_rs_allowed") * rs_high + rule("sweep_leads")
    inside = conformity(v25, u, low, high) * np.where(read[:, None], 1.0, ideality)
    inside *= conformity_log(np.maximum(m.rs_ohm, 1e-6)[:, None], 0.3, high=most_rs)
    inside = np.nan_to_num(inside)
    with np.errstate(divide="ignore"):
        return v25, inside, np.log(inside) - np.log((high - low) * (n_high - n_low)), ends


def test_current(families: tuple[Family, ...]) -> float:
    """Current that most families state their forward voltage at [A]."""
    at = column(families, "vf_at_A")
    return float(np.median(at)) if at.size else np.nan


def weigh_families(
    log_like: np.ndarray, m: np.recarray, table: SweepTable, families: tuple[Family, ...], prior: np.ndarray
) -> np.ndarray:
    """Probability of each family, from the forward part and what a breakdown or a built-in path says.

    Parameters
    ----------
    log_like : ndarray (n, f)
        Of the forward part.
    m : recarray (n,)
    table : SweepTable
    families : tuple of Family
    prior : ndarray (n, f)
        Stands where nothing was seen that tells families apart.

    Returns
    -------
    ndarray (n, f)
        All junctions of a part belong to one family; rows sum to 1.
    """
    junction = np.array(table.junction, dtype="U2")
    early = (junction == "AK") & (np.nan_to_num(m.bv_V, nan=np.inf) < rule("early_breakdown"))
    log_like = log_like + early[:, None] * np.log(column(families, "early_breakdown_ratio"))
    # A Darlington with resistors always shows them; a leak of just that size in a part without is rare.
    built_in = (m.path_ohm > rule("built_in_low")) & (m.path_ohm < rule("built_in_high"))
    # The output transistor's own resistor, 50 ohm and more, stands in series until its junction opens.
    built_in &= m.from_points | (m.rs_ohm > 10.0) | (m.i_high_A < 3e-3)
    ratio = np.where(built_in, 1.0, -1.0) * np.log(rule("built_in_ratio")) * (junction == "BE")
    log_like += ratio[:, None] * column(families, "built_in")
    log_like[junction == "CE"] = -np.inf  # a path between collector and emitter says nothing of the family
    names: dict[str, int] = {}
    part = np.fromiter((names.setdefault(p, len(names)) for p in table.part), np.int64, len(table))
    if len(names) < len(table):
        at = {f.name: j for j, f in enumerate(families)}
        own = log_like.copy()
        collector = np.isin(junction, ("BC", "CE"))
        for j, f in enumerate(families):
            if f.collector in at:
                own[collector, j] = log_like[collector, at[f.collector]]
        speaks = own.max(axis=1, initial=-np.inf) > -np.inf
        total = np.zeros((len(names), len(families)))
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
        As `forward_fit` gives them.
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


def contradicted(inside, limits: Limits, families: tuple[Family, ...], m: np.recarray) -> np.ndarray:
    """Whether a marked junction is plainly one of another family of its device."""
    device = column(families, "device")
    own = limits.prior > 0
    same = device == device[limits.prior.argmax(axis=1)][:, None]
    window = (inside * own).max(axis=1, initial=0.0)
    other = (inside * (same & ~own)).max(axis=1, initial=0.0)
    return limits.typed & ~m.from_points & (window < rule("conformity_bad")) & (other > 0.5)


def breakdown_kept(m: np.recarray, limits: Limits) -> tuple[np.ndarray, np.ndarray]:
    """Probability that a breakdown seen keeps the rating, and that it is that of a registered Zener type."""
    seen, bv = np.isfinite(m.bv_V), np.nan_to_num(m.bv_V)
    u = np.hypot(np.nan_to_num(m.bv_u_V), 0.02 * bv)
    rating, low, high = limits.breakdown_V.T
    return np.where(seen, [conformity(bv, u, low=rating), conformity(bv, u, low, high)], 1.0)


def leakage(m: np.recarray, limits: Limits, ce: np.ndarray):
    """Reverse current against each family's limit.

    Parameters
    ----------
    m : recarray
    limits : Limits
    ce : ndarray of bool (n,)
        Collector-emitter paths, which have no saturation current of their own here.

    Returns
    -------
    leak_A, u_ln : ndarray (n, f)
        Current at the limit's voltage, the junction's own part referred to 25 degC [A], and the standard
        uncertainty of its logarithm [1].
    kept : ndarray (n, f)
        Probability that it keeps the limit [1].
    hidden : ndarray (n, f)
        Probability that a leak over the limit hides below what the sweep can resolve [1].
    """
    doubling = rule("leakage_doubling")
    sat = np.where(ce, 0.0, m.sat_A) / leakage_factor(m.temp_C, REFERENCE_TEMP_C, doubling)
    sat_u = np.hypot(m.sat_u_ln, np.log(2.0) / doubling * m.temp_u_K)
    ohmic = limits.at_V / m.path_ohm[:, None]
    total = sat[:, None] + ohmic
    spread = np.hypot((sat * sat_u)[:, None], ohmic * m.path_u_ln[:, None])
    u_ln = np.where(total > 0, spread / np.where(total > 0, total, 1.0), 1.0)
    floor = np.where(np.isfinite(m.path_ohm), np.inf, np.nan_to_num(m.floor_ohm, nan=0.0))
    hidden = unseen_leak(
        floor[:, None], limits.at_V / limits.leak_A, rule("short_below"), rule("sweep_prior_hidden")
    )
    return total, u_ln, conformity_log(total, u_ln, high=limits.leak_A), hidden


def unreached_knee(m: np.recarray, families: tuple[Family, ...]) -> np.ndarray:
    """Probability, by family, that a healthy junction would not have shown in the swept range."""
    low, high, at, n_low, n_high = (
        column(families, x) for x in ("vf_low_V", "vf_high_V", "vf_at_A", "n_low", "n_high")
    )
    # Nothing seen: the junction would have shown at ten times the noise; a resistance seen: at its current.
    would_show = np.where(m.kind == OPEN, np.clip(10 * m.i_high_A, 1e-8, 1e-3), np.maximum(m.i_high_A, 1e-8))
    per_e = np.minimum(0.5 * (n_low + n_high), 4.0) * thermal_voltage(REFERENCE_TEMP_C)
    top = high + per_e * np.log(would_show[:, None] / at)
    # What lies a thousand volts away is as far out of reach as what lies beyond any number.
    beyond = (top - m.v_high_V[:, None]).clip(-1e3, 1e3)
    return np.nan_to_num(np.clip(beyond / (high - low), 0.0, 1.0), nan=1.0)
