"""Which family of junctions each sweep belongs to, by what its forward part, its part and its bag say."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from junction.base.records import SweepTable
from junction.judge.mixture import posterior
from junction.shelf.tables import rule

_LEAST_LOG = np.log(1e-300)  # one junction alone does not rule a family out for the others of its part


def family_weight(inside, m: SimpleNamespace, table: SweepTable, of: SimpleNamespace, prior) -> np.ndarray:
    """Probability of each family, from the forward part and what a breakdown or a built-in path says.

    All junctions of a part belong to one family, whose parts are spread evenly over its windows.  The prior
    stands where nothing was seen that tells families apart; where a bag teaches otherwise, it is changed.
    """
    junction = np.array(table.junction, dtype="U2")
    early = (junction == "AK") & (np.nan_to_num(m.bv_V, nan=np.inf) < rule("early_breakdown"))
    with np.errstate(divide="ignore"):
        log_like = np.log(inside) - np.log((of.vf_high_V - of.vf_low_V) * (of.n_high - of.n_low))
    log_like[early & ~(inside > 0).any(axis=1)] = 0.0  # a breakdown speaks without a forward part too
    log_like += early[:, None] * np.log(of.early_breakdown_ratio)
    # A Darlington with resistors always shows them; a leak of just that size in a part without is rare.
    built_in = (m.path_ohm > rule("built_in_low")) & (m.path_ohm < rule("built_in_high"))
    # The output transistor's own resistor stands in series until its junction opens.
    built_in &= m.from_points | (m.rs_ohm > rule("built_in_series")) | (m.i_high_A < rule("built_in_opens"))
    ratio = np.where(built_in, 1.0, -1.0) * np.log(rule("built_in_ratio")) * (junction == "BE")
    log_like += ratio[:, None] * of.built_in
    log_like[m.ce] = -np.inf  # a path between collector and emitter says nothing of the family
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
        weight = posterior(np.log(prior) + log_like, otherwise=prior)
        # What the clear parts of the bag are, the others may be as well; none teaches itself.
        clear = (inside.max(axis=1, initial=0.0) >= rule("conformity_good")) & ~m.ce
        whole = np.bincount(part[clear], minlength=len(names))
        seen = np.where(clear[:, None], weight, 0.0) / np.maximum(whole, 1)[part, None]
        own = np.zeros((len(names), of.name.size))
        np.add.at(own, part, seen)
        others = own.sum(axis=0) - own[part]
        free = ((prior > 0).sum(axis=1) > 1) & (others.sum(axis=1) >= rule("bag_least"))
        if free.any():
            taught = (rule("bag_start") * of.share + others[free]) * (prior[free] > 0)
            prior[free] = taught / taught.sum(axis=1, keepdims=True)
            weight = posterior(np.log(prior) + log_like, otherwise=prior)
        return weight


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
