r"""Transistor fits: dc Gummel-Poon parameters of a bag, from curves, spot readings or both, at 25 degC.

The steps, for all parts at once: points above the noise are taken (`data`), weak knowledge is scaled to
their currents, the whitened residuals (`model`) are minimised, wild points are dropped, a noise that was
not stated is scaled to the scatter about the curve, and a rise of temperature with power is fitted where
the data show one.  Then parts of one type tell of each other.

A spot reading says nothing of a part's RE, IKF or NE, and the weak knowledge that stands in for them is
wide.  But parts of one type come from one line: whatever their RE is, it is nearly the same for all, so
that the wide part of the uncertainty is an error all parts share, which matters little when two of them
are compared; and a few parts of the type measured as curves tell the rest what it is.

Stated as two levels: the coordinate u of part k is drawn about the type's value mu with a spread B
(`values.between_parts`), and mu about the weak prior m_0, W.  With the data of part k quadratic near its
fit, of curvature S_k and gradient h_k, s_k = S_k u - h_k, both levels are solved exactly:

.. math::

    V^{-1} = W^{-1} + \sum_k \big[S_k - S_k (S_k + B^{-1})^{-1} S_k\big], \qquad
    \hat\mu = V\,\big[W^{-1} m_0 + \sum_k B^{-1} (S_k + B^{-1})^{-1} s_k\big]

(repeated, because S_k depends on mu where the law is not linear), and each part is fitted again with mu
for its prior and B for its width; V goes into every part's covariance along its own sensitivity to mu, as
errors shared (`TransistorFits.shared`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from junction.base.progress import tell
from junction.base.records import CurveTable, PartReadings
from junction.base.units import NORMAL_95, REFERENCE_TEMP_C, ZERO_CELSIUS_K
from junction.physics.temperature import SILICON_LAW, TemperatureLaw
from junction.shelf.tables import rule
from junction.sweeps.lsq import MOST_STEPS, invert, solve, student_t
from junction.sweeps.results import TransistorFits
from junction.sweeps.sense import Noise
from junction.transistor import sense
from junction.transistor.meter import with_shared
from junction.transistor.model import (
    AT,
    N_COORDINATES,
    N_LOG,
    OFFSET_IB,
    OFFSET_IC,
    RTH,
    TEMP,
    TransistorProblem,
    gather,
    problem_and_start,
    raw_residuals,
    usual_noise,
    whitened,
)
from junction.transistor.scatter import data_rows, drop_wild, rescale, with_floors
from junction.transistor.values import FITTED, OF_A_TYPE, between_parts, square_root

#: Largest parts x points a chunk holds, so that the derivatives stay in tens of megabytes.
CHUNK = 40_000
_COARSE = {"max_iterations": 30, "decrease_tol": 1e-3, "relative_tol": 1e-6, "step_tol": 1e-8, "huber": 3.0}
_PRECISE = {"max_iterations": 80, "decrease_tol": 1e-8, "relative_tol": 1e-10, "step_tol": 1e-10}
_LAST = _PRECISE | {"max_iterations": MOST_STEPS}
#: Coordinates outside these are no transistor's; exp of them stays well inside the range of a float.
_LIMITS = {"IS": (1e-30, 1.0), "ISE": (1e-40, 1.0), "NF": (0.8, 2.2), "NE": (1.02, 5.0), "XTB": (1e-13, 6.0),
           "EG": (0.2, 3.0), "BF": (1e-3, 1e6)}  # fmt: skip
#: Of the largest uncertainty at which a parameter counts as held, that of one the data do not speak of.
_UNTOLD = 1.3
#: Places among the coordinates of what parts of one type have in common.
_U = [AT[name] for name in OF_A_TYPE]


def fit_transistors(
    curves: CurveTable,
    noise: Noise | None = None,
    *,
    readings: Sequence[PartReadings] = (),
    spot: Mapping[str, float] | None = None,
    law: TemperatureLaw = SILICON_LAW,
    u_temp_K: tuple[float, float] | None = None,
    made_for_A: float = np.nan,
) -> TransistorFits:
    """Fit every part of a bag.

    Parameters
    ----------
    curves : CurveTable
        Gummel-type points (v_be, i_b, i_c at one or several v_ce), families of output curves (i_c against
        v_ce at steps of i_b, v_be missing), or both; NPN sense.
    noise : Noise, optional
        Standard uncertainties of the points; None takes a usual shape and scales it to the scatter.
    readings : sequence of PartReadings
        Rows with V_BE [V] or h_FE [1] at a collector current [A] join the part's curve, or stand alone.
    spot : mapping of str to float, optional
        What is known of their uncertainties, as `data.reading_noise` takes it; the usual ones by default.
    law : TemperatureLaw
        Takes the parameters from the temperature of the data to 25 degC.
    u_temp_K : (float, float)
        Standard uncertainty of a recorded temperature, and of one that is missing and taken as 25 degC [K];
        the usual ones by default.
    made_for_A : float
        Collector current the parts are made to carry [A], to scale what is weakly known of parts with spot
        readings alone; nan where nobody said.

    Returns
    -------
    TransistorFits
        One entry a part, curves first.  Where spot readings are among parts of one type, the parts tell of
        each other (flag ``taught``); parts without a type count as one type by polarity as long as their
        V_BE agree within some 40 mV.  ``value`` is nan where ``why_not`` says why there is no fit; ``fixed``
        marks parameters on which the data say next to nothing: they stand at the stated default and carry
        its uncertainty (`data.problem_and_start`).
    """
    about, points = gather(curves, noise or usual_noise(), readings, spot or {}, guessed=noise is None)
    u_temp = u_temp_K or (rule("temp_u"), rule("temp_u_missing"))
    problem, start, free = problem_and_start(about, points, law, u_temp, made_for_A)
    spot_only = np.array([source == "spot" for source in about["source"]], bool)
    scalable = ~spot_only & (noise is None)
    fitted = _in_chunks(problem, start, free, scalable, ~spot_only)
    found = _result(about, fitted | _teach(about, problem, free, spot_only, scalable, fitted))
    return with_shared(found, readings)


# --- parts by themselves --------------------------------------------------------------------------------


def _in_chunks(problem: TransistorProblem, start, free, scalable, card=None) -> dict[str, np.ndarray]:
    """Fit all parts, a chunk at a time.

    Parameters
    ----------
    problem : TransistorProblem
    start : ndarray (n, p)
        Coordinates to start from.
    free : ndarray of bool (n, p)
        Coordinates that are fitted; self-heating is added where it shows.
    scalable : ndarray of bool (n,)
        Parts whose stated noise is a guess, to be scaled to the scatter.
    card : ndarray of bool (n,), optional
        Parts whose parameters are read by people: what the data do not hold goes back to its default.

    Returns
    -------
    dict of str to ndarray
        ``theta``, ``covariance``, ``information`` (J'J of the data), ``before`` (covariance of the prior),
        ``chi2``, ``dof``, ``converged``, ``hot``, ``heating`` [K], ``n_wild``, ``keep``, ``free``, ``apart``
        (median distance from the curve).
    """
    n, m = problem.ic.shape
    size = max(1, CHUNK // max(m, 1))
    card = np.zeros(n, bool) if card is None else card
    parts = []
    for i in (np.arange(a, min(a + size, n)) for a in range(0, max(n, 1), size)):
        parts.append(_fit(problem.take(i), start[i], free[i], scalable[i], card[i]))
        tell("fitting", min(i.size + int(i[:1].sum()), n), n, "transistors")
    return {k: np.concatenate([p[k] for p in parts]) for k in parts[0]}


def _fit(problem: TransistorProblem, theta, free, scalable, card) -> dict[str, np.ndarray]:
    """Fit one chunk: robust and coarse, wild points out, noise scaled, self-heating, then what came of it."""
    fit = free.copy()
    # A large RC can explain a bent top by saturation, where the effective variance is so large that nothing
    # contradicts it any more: RC and BR join when the rest stands, and only where the data do saturate (or,
    # for BR, the collector junction's own current shows in the base current, as in germanium).  Elsewhere
    # they keep their prior, whose width goes into the covariance all the same.
    fit[:, [AT["RC"], AT["BR"]]] = False
    # Nor do curves tell the temperature: their slope and their saturation only seem to, by coefficients that
    # are not exactly 1 in a real part.
    fit[card[:, None] & np.isin(np.arange(theta.shape[1]), [AT["EG"], AT["XTB"], TEMP])] = False
    fit[:, AT["VAF"]] &= _several_vce(problem) | ~card
    problem, theta = problem.warmed(_solve(problem, theta, fit, _COARSE).theta)
    bar = rule("fit_offset")
    for k in (OFFSET_IC, OFFSET_IB):  # where no point is at a floor that tells it
        fit[:, k] |= card & (np.abs(_shows(problem, theta, fit, k)) > bar)
    knee = np.where(problem.has_vbe, problem.vbe + rule("bjt_knee_above_vbe"), rule("bjt_knee"))
    saturated = (problem.keep & (problem.vce < knee)).sum(1) >= 3
    least = np.where(problem.keep & problem.has_ib, problem.ib, np.inf).min(axis=1, initial=np.inf)
    leaks = np.exp(theta[:, AT["IS"]] - theta[:, AT["BR"]]) > rule("bjt_leak_share") * least
    fit[:, AT["RC"]], fit[:, AT["BR"]] = saturated, saturated | leaks
    for _ in range(2):
        problem, theta = problem.warmed(_solve(problem, theta, fit, _COARSE).theta)
        problem = with_floors(rescale(problem, theta, scalable, robust=True), theta, scalable)
    all_kept = problem.keep
    problem = drop_wild(problem, theta)
    for _ in range(2):
        problem, theta = problem.warmed(_solve(problem, theta, fit, _PRECISE).theta)
        problem = rescale(problem, theta, scalable, robust=False)
    significance = np.where(_several_vce(problem), _shows(problem, theta, free, RTH), 0.0)
    warm, hot = significance > rule("bjt_heating_fitted"), significance > rule("bjt_heating_said")
    fit[warm, RTH] = True
    theta[warm, RTH] = 1.0
    for k in (OFFSET_IC, OFFSET_IB):  # wild points may have feigned one
        nothing = np.isinf(problem.width[:, k]) & fit[:, k]
        nothing &= np.abs(_shows(problem, np.where(np.arange(theta.shape[1]) == k, 0.0, theta), fit, k)) < bar
        fit[nothing, k], theta[nothing, k] = False, 0.0
    for _ in range(3 if hot.any() else 1):
        problem, theta = problem.warmed(_solve(problem, theta, fit, _PRECISE).theta)
        # What looked wild at one temperature may only have been hot.
        problem = drop_wild(replace(problem, keep=all_kept), theta)
    solution = _solve(problem, theta, fit, _LAST)
    theta, converged, fit = _settle(problem, solution, fit, free | fit, card)
    problem, theta = problem.warmed(theta)
    n_wild = (all_kept & ~problem.keep).sum(1)
    problem = whitened(theta, problem)
    power = (np.abs(problem.vce * problem.ic) * problem.keep).max(axis=1, initial=0.0)
    rise, drift = np.where(hot, theta[:, RTH] * power, np.nan), _repeated_rise(problem, theta)
    return _outcome(problem, theta, free | fit, scalable, card) | {
        "converged": converged, "fit": fit, "n_wild": n_wild, "hot": hot | np.isfinite(drift),
        "heating": np.fmax(rise, drift),
    }  # fmt: skip


def _settle(problem: TransistorProblem, solution, fit, free, card):
    """Put what the data do not hold back to its default, the least held first, and fit the rest again.

    A parameter the data say next to nothing on is free to make up for what the model lacks elsewhere, and
    wanders far from anything a part has.  At its default its width still goes into every covariance.
    Of ISE that is the share of non-ideal base current, with the rest of the law as it is.  Where the data
    speak against the default (a resistance that can only be smaller) they hold it, as a limit.

    Returns
    -------
    theta, converged, fit
        As of a solution, with what is left to fit.
    """
    theta, converged, fit = solution.theta.copy(), solution.converged.copy(), fit.copy()
    kept, left = np.zeros((len(theta), N_LOG), bool), np.flatnonzero(card)
    bar = rule("bjt_default_bar")
    for _ in range(2 * len(_U)):
        own = problem.take(left)
        told, cost, total = _told(own, theta[left], free[left])
        loose = np.where((fit[left, :N_LOG] & ~kept[left] & (cost < bar))[:, _U], told[:, _U], 0.0)
        worst = loose.max(axis=1, initial=0.0)
        # what is hardly told at all goes at once, of the rest one at a time: it may be its neighbour's fault
        out = (loose >= 1.0) & ((loose == worst[:, None]) | (loose > _UNTOLD))
        some = out.any(1)
        if not some.any():
            break
        left, own, out = left[some], own.take(some), out[some]
        moved, now = theta[left], fit[left]
        for column, k in enumerate(_U):
            if k != AT["ISE"]:
                moved[out[:, column], k] = own.centre[out[:, column], k]
            now[out[:, column], k] = False
        for _ in range(2):  # the share of ISE goes by the law that the rest gives
            share = own.centre[:, AT["ISE"]] - own.shared_coordinates(moved)[1][:, AT["ISE"]]
            moved[:, AT["ISE"]] += np.where(now[:, AT["ISE"]], 0.0, share)
            found = _solve(own, moved, now, _LAST)
            moved = found.theta
        fine = _told(own, moved, now)[2] - total[some] < bar
        kept[np.ix_(left[~fine], _U)] |= out[~fine]
        at = left[fine]
        theta[at], fit[at], converged[at] = moved[fine], now[fine], found.converged[fine]
    return theta, converged, fit


def _told(problem: TransistorProblem, theta, free) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What the data tell of each logarithm.

    Returns
    -------
    told : ndarray (n, N_LOG)
        Its uncertainty over the largest at which the data still hold it.
    cost : ndarray (n, N_LOG)
        What the sum of squares would rise by at its default, to second order.
    total : ndarray (n,)
        Sum of squares of data and weak knowledge.
    """
    r, _, _, information = data_rows(whitened(theta, problem), theta)
    rows = problem.prior_rows(theta)
    covariance, _ = invert(information + np.matmul(rows[:, :-1], rows[:, :-1].transpose(0, 2, 1)), free)
    slope, value = problem.shared_coordinates(theta)
    own = np.einsum("nji,njk,nki->ni", slope, covariance, slope)[:, :N_LOG]
    most = np.minimum(rule("bjt_held_share") * problem.width[:, :N_LOG], rule("bjt_held_width"))
    away = (value - problem.centre)[:, :N_LOG] ** 2 / np.maximum(own, 1e-300)
    return np.sqrt(np.maximum(own, 0.0)) / most, away, (r * r).sum(1) + (rows[:, -1] ** 2).sum(1)


def _solve(problem: TransistorProblem, theta, free, options):
    """One solution with the whitening of the start."""
    # far outside anything real, so that no step leaves the range of a float
    reach = np.where(np.isfinite(problem.width), 6.0 * problem.width, np.inf)
    lower, upper = problem.centre - reach, problem.centre + reach
    for name, (low, high) in _LIMITS.items():
        lower[:, AT[name]], upper[:, AT[name]] = np.log(low), np.log(high)
    lower[:, RTH] = 0.0
    lower[problem.gap_V > 0, OFFSET_IB] = 0.0  # what resistors inside take
    lower, upper = np.minimum(lower, theta), np.maximum(upper, theta)
    return solve(whitened(theta, problem), theta, lower=lower, upper=upper, free=free, **options)


def _outcome(problem: TransistorProblem, theta, free, scalable, card) -> dict[str, np.ndarray]:
    """Covariance, chi-square and degrees of freedom at the answer, and how far the points lie from it."""
    r, _, count, information = data_rows(problem, theta)
    prior = problem.prior_rows(theta)[:, :-1]
    prior = np.matmul(prior, prior.transpose(0, 2, 1))
    used = np.einsum("nij,nji->n", information, invert(information + prior, free)[0])
    # A scatter known from few degrees of freedom only: Student's t in place of the normal (GUM G.3).
    widen = np.where(scalable, student_t(count - used) / NORMAL_95, 1.0)
    information = information / widen[:, None, None] ** 2
    covariance = invert(information + prior, free)[0]
    # an error of temperature moves all the rest along with it: its own variance comes from outside
    kept = free.copy()
    kept[:, TEMP] = False
    alone = invert(information + prior, kept)[0]
    by_K = -np.einsum("nij,nj->ni", alone, information[:, :, TEMP])
    by_K[:, TEMP] = 1.0
    by_K *= np.where(free[:, TEMP], problem.width[:, TEMP], 0.0)[:, None]
    told = card & np.isfinite(by_K).all(1)
    covariance[told] = (alone + by_K[:, :, None] * by_K[:, None, :])[told]
    # what it does to the gain is known no better than the exponent of the gain: a product of two errors,
    # which no derivative shows
    u = problem.width[:, [TEMP, AT["XTB"]]]
    u = np.where(np.isfinite(u), u, 0.0).prod(axis=1) * np.exp(theta[:, AT["XTB"]])
    which = np.arange(N_COORDINATES)
    u = u / (REFERENCE_TEMP_C + ZERO_CELSIUS_K)
    by = u[:, None] * (1.0 * (which == AT["BF"]) - (which == AT["ISE"]))
    covariance[told] += (by[:, :, None] * by[:, None, :])[told]
    keep = problem.keep
    with np.errstate(all="ignore"):  # median distance, as a ratio of collector currents less one
        data, u = problem.ic, problem.u_ic
        model = 2 * u * np.sinh(raw_residuals(theta, problem)[0] + np.arcsinh(data / (2 * u)))
        times = np.abs(np.log(np.maximum(model, 1e-300) / data))
        apart = np.expm1(np.minimum(sense.middle(np.nan_to_num(times, nan=50.0), keep), 50.0))
    return {
        "theta": theta, "covariance": covariance, "chi2": (r * r).sum(1),
        "dof": np.maximum(count - used, 0.0), "before": invert(prior, free)[0], "information": information,
        "free": free, "ic": problem.ic, "keep": keep, "apart": apart,
        "vce_low": np.where(keep, problem.vce, np.inf).min(axis=1, initial=np.inf),
        "vce_high": np.where(keep, problem.vce, -np.inf).max(axis=1, initial=-np.inf),
    }  # fmt: skip


def _several_vce(problem: TransistorProblem) -> np.ndarray:
    """Parts measured at V_CE that differ; at one, heat cannot be told from RE, nor VAF from IS."""
    most = np.where(problem.keep, problem.vce, -np.inf).max(axis=1, initial=-np.inf)
    least = np.where(problem.keep, problem.vce, np.inf).min(axis=1, initial=np.inf)
    return (problem.keep.sum(1) > 3) & (most > 1.5 * least)


def _shows(problem: TransistorProblem, theta, free, k: int):
    """A coordinate over its standard uncertainty, by one step of the problem with it free as well."""
    buffer = whitened(theta, problem).evaluate(theta)
    d, r = buffer[:, :-1], buffer[:, -1]
    wide = free.copy()
    wide[:, k] = True
    covariance, _ = invert(np.matmul(d, d.transpose(0, 2, 1)), wide)
    step = -np.einsum("ni,nij,nj->n", covariance[:, k], d, r)
    return step / np.sqrt(np.maximum(covariance[:, k, k], 1e-300))


def _repeated_rise(problem: TransistorProblem, theta) -> np.ndarray:
    """Mean rise of temperature between repeated points of a curve [K]; nan where none is seen.

    Pairs at the same v_be and v_ce, not next to each other in the log (an up and a down sweep, a point
    taken again), whose later one carries more current than noise allows.
    """
    if problem.ic.shape[1] < 3:
        return np.full(problem.ic.shape[0], np.nan)
    with np.errstate(all="ignore"):
        f1, _, d1, _, _ = raw_residuals(theta, problem)
    level = np.round(np.log(np.maximum(problem.vce, 1e-2)) / 0.1)
    key = np.where(problem.keep & problem.has_vbe, 100.0 * level + problem.vbe, np.inf)
    order = np.argsort(key, axis=1, kind="stable")

    def sorted_pairs(a):
        a = np.take_along_axis(a, order, 1)
        return a[:, :-1], a[:, 1:]

    (k0, k1), (v0, v1), (l0, l1) = (sorted_pairs(a) for a in (problem.keep, problem.vbe, level))
    before, after = sorted_pairs(problem.place)
    same = k0 & k1 & (l0 == l1) & (np.abs(v1 - v0) < rule("bjt_vbe_same")) & (np.abs(after - before) > 1)
    (a0, a1), (w0, w1), (t0, t1) = (sorted_pairs(a) for a in (f1, problem.whitening[..., 0], d1[:, TEMP]))
    with np.errstate(all="ignore"):
        slope = 0.5 * (t0 + t1)
        rise = np.sign(before - after) * (a1 - a0) / slope
        weight = np.nan_to_num(np.where(same, slope**2 / (1.0 / w0**2 + 1.0 / w1**2), 0.0))
        mean = (weight * np.nan_to_num(rise)).sum(1) / weight.sum(1)
        shows = mean > np.maximum(rule("bjt_heating_said") / np.sqrt(weight.sum(1)), rule("bjt_rise_least"))
    return np.where(shows, mean, np.nan)


# --- what parts of one type tell of each other ----------------------------------------------------------


def _teach(about, problem: TransistorProblem, free, spot_only, scalable, f) -> dict[str, np.ndarray]:
    """Fit parts known by spot readings again with what others of their type tell."""
    good = np.array([not _why_not(about, f, k) for k in range(len(spot_only))], bool)
    out: dict[str, np.ndarray] = {}
    loadings = []
    keys = list(zip(about["type"], about["polarity"], strict=True))
    at_rest = f["theta"].copy()
    at_rest[:, RTH] = 0.0  # self-heating is found anew
    for key in dict.fromkeys(keys):
        members = np.flatnonzero([k == key for k in keys] & good)
        log_is = f["theta"][members, AT["IS"]]
        alike = bool(key[0]) or (members.size and np.std(log_is) < rule("bjt_one_type_log_IS"))
        if members.size < 2 or not spot_only[members].any() or not alike:
            continue
        own = problem.take(members)
        # the same reference current of the non-ideal share for all parts, so that shares compare
        own = replace(own, ic0_A=np.full(members.size, np.exp(np.median(np.log(own.ic0_A)))))
        B = np.array([between_parts(name) for name in OF_A_TYPE]) ** 2
        few = _teachers(log_is, spot_only[members])
        rest = (x[members[few]] for x in (at_rest, free, scalable, spot_only))
        mean, covariance = _learn(own.take(few), *rest, B)
        own = _informed(own, mean, B)
        again = _in_chunks(own, _at_mean(mean, own, at_rest[members]), free[members], scalable[members],
                           ~spot_only[members])  # fmt: skip
        # how the type's error moves each part's logs: d(theta)/d(mu) = C L' B^-1, L = d(phi)/d(theta)
        slope, _ = own.shared_coordinates(again["theta"])
        to_mu = again["covariance"] @ slope[:, :, _U] / B
        loading = (to_mu @ square_root(covariance))[:, :N_LOG]
        again["covariance"][:, :N_LOG, :N_LOG] += loading @ np.swapaxes(loading, 1, 2)
        for name, value in again.items():
            out.setdefault(name, f[name].copy())[members] = value
        loadings.append((members, loading))
    if loadings:
        out["shared"] = np.zeros((len(spot_only), N_LOG, len(_U) * len(loadings)))
        for k, (members, loading) in enumerate(loadings):
            out["shared"][members, :, k * len(_U) : (k + 1) * len(_U)] = loading
    return out


def _teachers(log_is, spot) -> np.ndarray:
    """Parts that a type is learnt from: those with curves, and spot readings spread evenly over ln(IS).

    What each reading leaves out of a quadratic is next to nothing; hundreds of parts would add it up.
    """
    most = int(rule("bjt_teachers_most"))
    order = np.argsort(np.where(spot, 1e3, 0.0) + log_is, kind="stable")
    curves = order[: int((~spot).sum())]
    spots = order[len(curves) :]
    left = max(most - len(curves), 2)
    if len(curves) > most:
        curves = curves[np.linspace(0, len(curves) - 1, most).round().astype(int)]
    if len(spots) > left:
        spots = spots[np.linspace(0, len(spots) - 1, left).round().astype(int)]
    return np.concatenate([curves, spots])


def _learn(problem: TransistorProblem, theta, free, scalable, spot, B) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of a type's coordinates mu; curves at their own fits, spot readings at the mean.

    One reading constrains one combination of coordinates, which depends on where it is taken: many parts
    taken apart would seem to fix each coordinate.
    """
    # before the parts are measured: the weak prior, less the spread of parts
    mean = known = np.median(problem.centre[:, _U], axis=0)
    W = np.maximum(np.median(problem.width[:, _U], axis=0) ** 2 - B, 0.1 * B)
    curves = np.flatnonzero(~spot)
    # BF is let go while IS is sought, or a part of more gain would seem one of less V_BE.
    rest = free & spot[:, None]
    rest[:, [k for k in _U if k != AT["BF"]]] = False
    for _ in range(3):
        own = _informed(problem, mean, B)
        theta = _at_mean(mean, own, theta)
        own, theta = own.warmed(_at_mean(mean, own, _solve(own, theta, rest, _PRECISE).theta))
        r, d, _, information = data_rows(whitened(theta, own), theta)
        gradient = np.einsum("nim,nm->ni", d, r)
        if curves.size:
            fit = _in_chunks(own.take(curves), theta[curves], free[curves], scalable[curves])
            theta[curves], information[curves] = fit["theta"], fit["information"]
            # J'r of the data at a fit is minus that of the prior rows
            rows = own.take(curves).prior_rows(fit["theta"])
            gradient[curves] = -np.einsum("nij,nj->ni", rows[:, :-1], rows[:, -1])
        S, s = _eliminated(own, theta, information, gradient, free)
        C = np.linalg.inv(S + np.diag(1.0 / B))
        covariance = np.linalg.inv(np.diag(1.0 / W) + (S - S @ C @ S).sum(0))
        found = covariance @ (known / W + (np.einsum("nij,nj->ni", C, s) / B).sum(0))
        # a step longer than a factor of e outruns the quadratic it came from
        mean = mean + np.clip(found - mean, -1.0, 1.0)
    return mean, 0.5 * (covariance + covariance.T)


def _eliminated(problem: TransistorProblem, theta, information, gradient, free):
    """Curvature S and S u - h of each part's data in the type's coordinates, all others eliminated."""
    slope, phi = problem.shared_coordinates(theta)
    inverse = np.linalg.inv(slope)
    data = inverse @ information @ np.swapaxes(inverse, 1, 2)
    g = np.einsum("nji,ni->nj", inverse, gradient)
    rest = [k for k in range(N_COORDINATES) if k not in _U]
    precision = np.where(free[:, rest], 1.0 / problem.width[:, rest] ** 2, 0.0)
    exact = np.where(free[:, rest], 1e-12, 1e30)
    a_un = data[:, _U][:, :, rest]
    cover, _ = invert(data[:, rest][:, :, rest] + np.eye(len(rest)) * (precision + exact)[:, :, None])
    g_rest = g[:, rest] + precision * (phi[:, rest] - problem.centre[:, rest])
    S = data[:, _U][:, :, _U] - a_un @ cover @ np.swapaxes(a_un, 1, 2)
    h = g[:, _U] - np.einsum("nij,njk,nk->ni", a_un, cover, g_rest)
    return S, np.einsum("nij,nj->ni", S, phi[:, _U]) - h


def _at_mean(mean, problem: TransistorProblem, theta) -> np.ndarray:
    """Coordinates with those of the type at its mean, all others as they are."""
    moved = theta.copy()
    moved[:, _U] = mean
    moved[:, AT["ISE"]] = 0.0
    moved[:, AT["ISE"]] = mean[_U.index(AT["ISE"])] - problem.shared_coordinates(moved)[1][:, AT["ISE"]]
    return moved


def _informed(problem: TransistorProblem, mean, B) -> TransistorProblem:
    """The type's values for centre of what is known before, the spread between parts for width."""
    centre, width = problem.centre.copy(), problem.width.copy()
    centre[:, _U], width[:, _U] = mean, np.sqrt(B)
    return replace(problem, centre=centre, width=width)


# --- results --------------------------------------------------------------------------------------------


def _result(about, f) -> TransistorFits:
    n, p = len(about["part"]), N_LOG
    why = tuple(_why_not(about, f, k) for k in range(n))
    good = np.array([not w for w in why], bool)
    whole, nf = f["covariance"], np.exp(f["theta"][:, AT["NF"]])
    u_nf = np.sqrt(np.maximum(whole[:, AT["NF"], AT["NF"]], 0.0))
    impossible = good & (f["theta"][:, AT["NF"]] + NORMAL_95 * u_nf < np.log(rule("bjt_NF_least")))
    covariance = np.where(good[:, None, None], _doubt_temperature(whole, nf, impossible)[:, :p, :p], 0.0)
    u = np.sqrt(np.maximum(np.einsum("nii->ni", covariance), 0.0))
    u[:, AT["NF"]] = u_nf  # of what was measured, which is what cannot be
    u_before = np.sqrt(np.einsum("nii->ni", f["before"][:, :p, :p]))
    # little told beyond what was known, or not even within some factor
    vague = (u > rule("bjt_held_share") * u_before) | (u > rule("bjt_held_width"))
    loose = (np.array(about["source"]) == "spot")[:, None] | (np.arange(p) == AT["IS"])
    fixed = ~f["fit"][:, :p] | (vague & loose)
    fixed[:, [AT["EG"], AT["XTB"]]] = True
    darlington = about["series"] > 1
    taken = np.maximum(f["theta"][:, OFFSET_IB], 0.0)
    inner = np.where(good & darlington & f["free"][:, OFFSET_IB], taken, 0.0)
    offsets = {}
    for name, k in (("offset_ic_A", OFFSET_IC), ("offset_ib_A", OFFSET_IB)):
        found = np.nan_to_num(about[name]) + f["theta"][:, k]
        u_found = np.sqrt(np.maximum(f["covariance"][:, k, k], 0.0))
        shows = f["free"][:, k] & (np.abs(found) > rule("fit_offset") * u_found) & ~darlington
        offsets[name] = np.where(good & shows, found, np.nan)
    ic, keep, shared = f["ic"], f["keep"], f.get("shared")
    left_out = about["left_out"] | {"off the curve": f["n_wild"]}
    low, high = np.where(keep, ic, np.inf), np.where(keep, ic, -np.inf)

    def where_good(values):
        return np.where(good, values, np.nan)

    return TransistorFits(
        **{name: about[name] for name in ("part", "polarity", "type", "source", "temp_C", "temp_known")},
        limit_A=about["limit_A"], names=FITTED,
        value=np.exp(np.where(good[:, None], f["theta"][:, :p], np.nan)),
        u_log=np.where(good[:, None], u, np.inf), covariance=covariance, fixed=fixed,
        chi2=where_good(f["chi2"]), dof=where_good(f["dof"]),
        ic_low_A=where_good(low.min(axis=1, initial=np.inf)),
        ic_high_A=where_good(high.max(axis=1, initial=-np.inf)), heating_K=where_good(f["heating"]),
        vce_low_V=where_good(f["vce_low"]), vce_high_V=where_good(f["vce_high"]),
        flags={
            "converged": good & f["converged"].astype(bool), "self_heated": good & f["hot"].astype(bool),
            "outliers": good & (f["n_wild"] > 0), "current_limited": np.isfinite(about["limit_A"]),
            "zero_offset": np.any([np.isfinite(a) for a in offsets.values()], axis=0),
            "n_impossible": impossible,
            # the fit leans on other parts, taken for the same type
            "taught": np.zeros(n, bool) if shared is None else np.abs(shared).sum((1, 2)) > 0,
        },
        why_not=why, n_used=np.where(good, keep.sum(1), 0), shared=shared,
        **offsets, inner_ib_A=inner, left_out=left_out,
    )  # fmt: skip


def _doubt_temperature(covariance, nf, impossible) -> np.ndarray:
    """Covariance with the error of temperature that an emission coefficient under 1 betrays.

    A temperature, or a scale of voltage, that is off by what is missing to 1 moves V_BE the one way or the
    other, by about the same: a distribution of two points, whose standard uncertainty is their distance.
    """
    variance = covariance[:, TEMP, TEMP]
    off_K = np.where(impossible, 1.0 - nf, 0.0) * (REFERENCE_TEMP_C + ZERO_CELSIUS_K)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_K = np.where(variance[:, None] > 0, covariance[:, :, TEMP] / variance[:, None], 0.0)
    step = by_K * off_K[:, None]
    return covariance + step[:, :, None] * step[:, None, :]


def _why_not(about, f, k: int) -> str:
    """Reason why part k has no fit, or ''."""
    if about["why_not"][k]:
        return about["why_not"][k]
    if not (np.isfinite(f["theta"][k]).all() and np.isfinite(f["covariance"][k]).all()):
        return "the fit did not come to a finite answer"
    most = rule("bjt_apart_most")
    if not f["apart"][k] < most:
        return (
            f"the points follow no transistor's law: half of them lie further than {100 * most:.0f} % of "
            "collector current from any curve; check columns, units and signs"
        )
    return ""
