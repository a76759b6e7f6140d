"""Probabilities of the four qualities and of the families, from measured quantities and limits.

Arrays have sweeps on axis 0 and families on axis 1.  Columns of a probability are in the order of
`junction.judge.results.QUALITIES`: good, leaky, shorted, open.
"""

from __future__ import annotations

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C, thermal_voltage
from junction.fit.results import SweepFits
from junction.judge.conformity import conformity, conformity_log, unseen_leak
from junction.judge.limits import LimitTable
from junction.physics.temperature import forward_voltage, forward_voltage_slope, leakage_factor
from junction.shelf.results import Family
from junction.shelf.rules import rules
from junction.verdict.measured import OPEN, TEST_A, Measured, knee_voltage

GOOD, LEAKY, SHORTED, OPEN_CIRCUIT, UNDECIDED = range(5)  # indices into judge.results.VERDICTS

#: Fraction of junctions on a repair bench that are good, leak, are open [1]: our convention, used only where
#: the sweep is blind to the difference.
PRIOR_GOOD, PRIOR_LEAK, PRIOR_OPEN = 0.8, 0.1, 0.05
#: Fraction that leaks where the sweep could not have seen it: twice that, so that a good leaves hidden no
#: more than a fifth of the decades between a short and the limit [1] (our convention).
PRIOR_HIDDEN = 0.2
#: A junction whose forward knee was never reached is not called good, whatever else was measured.
KNEE_NEVER_SEEN = 0.94
#: Contact and calibration of an ordinary voltmeter [V], our convention.
CONTACT_U_V = 0.005
#: A short sweep tells the series resistance badly: this many times the family's still passes [1].
RS_ALLOWED = 1.5
#: Test leads and contacts of a two-wire sweep that stand in the series resistance [ohm] (common practice).
LEADS_OHM = 0.5
#: Built-in base-emitter resistance of Darlingtons as it shows at low voltage [ohm], and how much more often a
#: path of that size is one than a leak [1] (common practice, no source).
BUILT_IN_OHM, BUILT_IN_RATIO = (3e3, 2e4), 80.0
#: Breakdown below this voltage marks a diode as a Zener: the lowest V_RRM of rectifier series is 50 V [V].
EARLY_BREAKDOWN_V = 45.0


def columns(families: tuple[Family, ...], *names: str) -> list[np.ndarray]:
    """Fields of all families as arrays."""
    return [np.array([getattr(f, name) for f in families]) for name in names]


def forward_fit(m: Measured, fits: SweepFits, families: tuple[Family, ...]):
    """How well the forward part of each sweep fits each family.

    Returns
    -------
    vf_V : ndarray (n, f)
        Forward voltage of the junction alone at the family's test current, referred to 25 degC [V].
    inside : ndarray (n, f)
        Probability that voltage, ideality and series resistance lie in the family's windows [1].
    density : ndarray (n, f)
        The same as a likelihood: a family's parts are spread evenly over its windows.
    ends : ndarray (2, n, f)
        Ends of the family's voltage window, seen from that voltage in its standard uncertainties [1].
    """
    low, high, at, n_low, n_high, rs_high, eg, xti = columns(
        families, "vf_low_V", "vf_high_V", "vf_at_A", "n_low", "n_high", "rs_high_ohm", "eg_eV", "xti"
    )
    v, u = np.empty((len(fits), at.size)), np.empty((len(fits), at.size))
    for i in np.unique(at):
        v[:, at == i], u[:, at == i] = (x[:, None] for x in knee_voltage(fits, float(i)))
    # Read off the points: at the families' test current, or not at all.
    read = np.isfinite(m.knee_V)
    v[read] = np.where(np.isclose(at, TEST_A, rtol=1e-6, atol=0), m.knee_V[read, None], np.nan)
    u[read] = m.knee_u_V[read, None]
    v25 = forward_voltage(v, m.temp_C[:, None], EG_eV=eg, XTI=xti)
    slope = forward_voltage_slope(v25, EG_eV=eg, XTI=xti)
    u = np.sqrt(u**2 + (slope * m.temp_u_K[:, None]) ** 2 + CONTACT_U_V**2)
    inside = conformity(v25, u, low, high)
    ends = np.stack([(low - v25) / u, (high - v25) / u])
    # No single junction has N under 1 and no fault lowers it: a low N is a warm part or a short sweep.
    floor = np.where(n_low > 1.2, n_low, -np.inf)
    ideality = conformity(m.n[:, None], np.hypot(m.n_u, 0.02)[:, None], floor, n_high)
    inside *= np.where(read[:, None], 1.0, ideality)
    inside *= conformity_log(np.maximum(m.rs_ohm, 1e-6)[:, None], 0.3, high=RS_ALLOWED * rs_high + LEADS_OHM)
    inside = np.nan_to_num(inside)
    return v25, inside, inside / ((high - low) * (n_high - n_low)), ends


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
    rest = np.where(own > 0, np.where(allowed, inside, 0.0) / np.where(own > 0, own, 1.0), 0.0).clip(0.0, 1.0)
    total = (weight * (own > 0)).sum(axis=1)
    share = (weight * rest).sum(axis=1) / np.where(total > 0, total, 1.0)
    best = np.where(allowed, inside, 0.0)
    return np.clip(union * share, best.max(axis=1, initial=0.0), np.minimum(best.sum(axis=1), 1.0))


def path_factor(m: Measured, families: tuple[Family, ...], base_emitter: np.ndarray) -> np.ndarray:
    """What the path across a base-emitter junction says about built-in resistors (likelihood ratio).

    A Darlington with resistors always shows them, somewhere between 3 and 20 kohm.  A leak of just that size
    in a part without is one in 80: the tenth that leak, spread over six decades (our convention).
    """
    inside = (m.path_ohm > BUILT_IN_OHM[0]) & (m.path_ohm < BUILT_IN_OHM[1])
    # The output transistor's own resistor, 50 ohm and more, stands in series until its junction opens.
    inside &= m.from_points | (m.rs_ohm > 10.0) | (m.i_high_A < 3e-3)
    ratio = np.where(inside, BUILT_IN_RATIO, 1.0 / BUILT_IN_RATIO)
    built_in = np.array(["Darlington with resistors" in f.name for f in families])
    return np.where(base_emitter[:, None] & built_in, ratio[:, None], 1.0)


def breakdown_kept(m: Measured, limits: LimitTable, row: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Probability that a breakdown seen keeps the rating, and that it is that of a registered Zener type."""
    seen = np.isfinite(m.bv_V)
    bv, u = np.nan_to_num(m.bv_V), np.hypot(np.nan_to_num(m.bv_u_V), 0.02 * np.nan_to_num(m.bv_V))
    rated = conformity(bv, u, low=limits.rating_V[row])
    zener = conformity(bv, u, limits.zener_V[row, 0], limits.zener_V[row, 1])
    return np.where(seen, rated, 1.0), np.where(seen, zener, 1.0)


def breakdown_factor(m: Measured, families: tuple[Family, ...], diode: np.ndarray) -> np.ndarray:
    """What a breakdown that was seen says about the family of a diode (likelihood ratio, our convention)."""
    zener = np.array([f.name == "Zener" for f in families])
    plain = np.array([f.name in ("switching diode", "silicon rectifier") for f in families])
    early = diode & (np.nan_to_num(m.bv_V, nan=np.inf) < EARLY_BREAKDOWN_V)
    factor = np.ones((m.kind.size, zener.size))
    factor[np.ix_(early, zener)] = 50.0
    factor[np.ix_(early, plain)] = 0.02
    return factor


def share_by_part(part: tuple[str, ...], junction: tuple[str, ...], density, families: tuple[Family, ...]):
    """Family likelihood of each part from all of its junctions, which belong to one family."""
    names: dict[str, int] = {}
    index = np.fromiter((names.setdefault(p, len(names)) for p in part), np.int64, len(part))
    if len(names) == len(part):
        return density
    own = density.copy()
    plain = next((j for j, f in enumerate(families) if f.name == "silicon power BJT"), None)
    if plain is not None:  # the collector junction of a Darlington is a plain one
        darlington = np.array(["Darlington" in f.name for f in families])
        collector = np.array([j in ("BC", "CE") for j in junction])
        own[np.ix_(collector, darlington)] = density[collector, plain][:, None]
    speaks = own.max(axis=1, initial=0.0) > 0
    total = np.zeros((len(names), density.shape[1]))
    np.add.at(total, index[speaks], np.log(np.maximum(own[speaks], 1e-300)))
    return np.exp(total - total.max(axis=1, keepdims=True))[index]


def family_weight(prior, likelihood):
    """Posterior weight of each family; the prior where the forward part says nothing."""
    weight = prior * likelihood
    total = weight.sum(axis=1, keepdims=True)
    return np.where(total > 0, weight / np.where(total > 0, total, 1.0), prior)


def leakage(m: Measured, limits: LimitTable, row: np.ndarray, ce: np.ndarray):
    """Reverse current against each family's limit.

    Parameters
    ----------
    m : Measured
    limits : LimitTable
    row : ndarray of int (n,)
        Row of `limits` for each sweep.
    ce : ndarray of bool (n,)
        Collector-emitter paths, which have no saturation current of their own here.

    Returns
    -------
    leak_A : ndarray (n, f)
        Current at the limit's voltage, the junction's own part referred to 25 degC [A].
    kept : ndarray (n, f)
        Probability that it keeps the limit [1].
    hidden : ndarray (n, f)
        Probability that a leak over the limit hides below what the sweep can resolve [1].
    """
    at, most = limits.at_V[row], limits.leak_A[row]
    doubling = rules()["leakage_doubling"].value
    sat = np.where(ce, 0.0, m.sat_A) / leakage_factor(m.temp_C, REFERENCE_TEMP_C, doubling)
    sat_u = np.hypot(m.sat_u_ln, np.log(2.0) / doubling * m.temp_u_K)
    ohmic = at / m.path_ohm[:, None]
    total = sat[:, None] + ohmic
    spread = np.hypot((sat * sat_u)[:, None], ohmic * m.path_u_ln[:, None])
    u_ln = np.where(total > 0, spread / np.where(total > 0, total, 1.0), 1.0)
    floor = np.where(np.isfinite(m.path_ohm), np.inf, np.nan_to_num(m.floor_ohm, nan=0.0))
    hidden = unseen_leak(floor[:, None], at / most, rules()["short_below"].value, PRIOR_HIDDEN)
    return total, conformity_log(total, u_ln, high=most), hidden


def unreached_knee(m: Measured, families: tuple[Family, ...]) -> np.ndarray:
    """Probability, by family, that a healthy junction would not have shown in the swept range."""
    low, high, at, n_low, n_high = columns(families, "vf_low_V", "vf_high_V", "vf_at_A", "n_low", "n_high")
    # Nothing seen: the junction would have shown at ten times the noise; a resistance seen: at its current.
    would_show = np.where(m.kind == OPEN, np.clip(10 * m.i_high_A, 1e-8, 1e-3), np.maximum(m.i_high_A, 1e-8))
    per_e = np.minimum(0.5 * (n_low + n_high), 4.0) * thermal_voltage(REFERENCE_TEMP_C)
    top = high + per_e * np.log(would_show[:, None] / at)
    # What lies a thousand volts away is as far out of reach as what lies beyond any number.
    beyond = (top - m.v_high_V[:, None]).clip(-1e3, 1e3)
    return np.nan_to_num(np.clip(beyond / (high - low), 0.0, 1.0), nan=1.0)


def _with_short(p, short):
    p = p * (1.0 - short)[:, None]
    p[:, SHORTED] += short
    return p


def contradicted(inside, limits: LimitTable, row: np.ndarray, m: Measured) -> np.ndarray:
    """Whether a marked junction is plainly one of another family of its device."""
    device = np.array([f.device for f in limits.families])
    own = limits.prior[row] > 0
    same = device[None, :] == device[limits.prior[row].argmax(axis=1)][:, None]
    window = (inside * own).max(axis=1, initial=0.0)
    other = (inside * (same & ~own)).max(axis=1, initial=0.0)
    return limits.typed[row] & ~m.from_points & (window < 0.05) & (other > 0.5)


def junction_seen(ok, window, short) -> np.ndarray:
    """Probabilities where a junction was seen.

    Parameters
    ----------
    ok : ndarray (n,)
        Probability that the leakage limit is kept [1].
    window : ndarray (n,)
        Probability that the forward part is that of a healthy junction [1]; what lies outside every window
        is shared out evenly, because nobody knows what it is.
    short : ndarray (n,)
        Probability of a path under the short limit [1].
    """
    odd = (1.0 - window) / 3.0
    good, open_ = ok * (window + odd), ok * odd
    return _with_short(np.stack([good, 1.0 - ok + ok * odd, np.zeros_like(ok), open_], axis=1), short)


def junction_not_seen(m: Measured, prior, kept, hidden, short, families) -> np.ndarray:
    """Probabilities where only a resistance, or nothing at all, was seen."""
    open_above = rules()["open_above"].value
    is_open = conformity_log(m.path_ohm, m.path_u_ln, low=open_above)
    # Nothing seen, and yet a path under the open limit may hide below what was resolved.
    floor = np.nan_to_num(m.floor_ohm, nan=0.0)
    unseen = 1.0 - unseen_leak(floor, open_above, rules()["short_below"].value, PRIOR_HIDDEN)
    is_open = np.where(np.isinf(m.path_ohm), unseen, is_open)
    unreached = prior * unreached_knee(m, families)
    good = PRIOR_GOOD * (unreached * kept * (1.0 - hidden)).sum(axis=1)
    leaky = PRIOR_LEAK * (prior * (1.0 - kept)).sum(axis=1) * (1.0 - is_open)
    # The knee was passed without a junction: a path that keeps the leakage limit is what is left of it.
    no_junction = ((prior - unreached) * kept).sum(axis=1)
    open_ = PRIOR_OPEN * (is_open + (1.0 - is_open) * no_junction)
    p = np.stack([good, leaky, np.zeros_like(good), open_], axis=1)
    p /= p.sum(axis=1, keepdims=True)
    return _with_short(_cap_good(p), short)


def reverse_only(kept, hidden, short) -> np.ndarray:
    """Probabilities where the forward part was not swept."""
    ok = kept * (1.0 - hidden)
    p = np.stack([ok, 1.0 - ok, np.zeros_like(ok), np.zeros_like(ok)], axis=1)
    return _with_short(_cap_good(p), short)


def _cap_good(p):
    over = np.maximum(p[:, GOOD] - KNEE_NEVER_SEEN, 0.0)
    p[:, GOOD] -= over
    p[:, OPEN_CIRCUIT] += over
    return p


def path_without_junction(kept, hidden, short) -> np.ndarray:
    """Probabilities of a collector-emitter path, which is healthy when nothing flows."""
    ok = kept * (1.0 - hidden)
    p = np.stack([ok, 1.0 - ok, np.zeros_like(ok), np.zeros_like(ok)], axis=1)
    return _with_short(p, short)
