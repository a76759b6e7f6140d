"""Fits a chunk of transistors: the order of solutions that comes to the answer from a blind start."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from junction.fit.lsq import invert, solve, student_t
from junction.transistor.model import (
    AT,
    RTH,
    TEMP,
    Points,
    Priors,
    TransistorProblem,
    raw_residuals,
    scale_noise,
    whiten,
)
from junction.transistor.values import COVERAGE_95

#: A residual beyond this many standard uncertainties is a wild point.
WILD = 6.0
#: A rise of temperature with power is fitted where its thermal resistance stands so many standard
#: uncertainties above zero, and said where it stands clearer still.
HEATING_FITTED, HEATING_SAID = 2.0, 4.0
#: Largest parts x points a chunk holds, so that the derivatives stay in tens of megabytes.
CHUNK = 40_000
PRECISE = dict(max_iterations=80, decrease_tol=1e-8, relative_tol=1e-10, step_tol=1e-10)
#: Points whose v_be differ by less are the same setting taken again; rises under this are not worth saying.
SAME_VBE_V, LEAST_RISE_K = 1e-3, 0.3


def fit_in_chunks(points: Points, priors: Priors, start, free, scalable) -> dict[str, np.ndarray] | None:
    """Fit all parts, a chunk at a time; None for no part.

    Parameters
    ----------
    points : Points
    priors : Priors
    start : ndarray (n, p)
        Coordinates to start from.
    free : ndarray of bool (n, p)
        Coordinates that are fitted; self-heating is added where it shows.
    scalable : ndarray of bool (n,)
        Parts whose stated noise is a guess, to be scaled to the scatter.

    Returns
    -------
    dict of str to ndarray
        ``theta``, ``covariance``, ``information`` (J'J of the data), ``before`` (covariance of the prior),
        ``chi2``, ``dof``, ``converged``, ``at_bound``, ``hot``, ``heating`` [K], ``wild``, ``used``,
        ``keep``, ``free``, ``apart`` (median distance from the curve).
    """
    n, m = points.ic.shape
    size = max(1, CHUNK // max(m, 1))
    parts = [
        _fit(points.take(i), priors.take(i), start[i], free[i], scalable[i])
        for i in (np.arange(a, min(a + size, n)) for a in range(0, n, size))
    ]
    return {k: np.concatenate([p[k] for p in parts]) for k in parts[0]} if parts else None


def solve_whitened(points: Points, priors: Priors, theta, free, options):
    """One solution with the whitening of the start; returns the problem and the solution."""
    lower, upper = _box(theta, priors)
    problem = TransistorProblem(points, priors, whiten(theta, points))
    return problem, solve(problem, theta, lower=lower, upper=upper, free=free, **options)


#: Coordinates outside these are no transistor's; exp of them stays well inside the range of a float.
_LIMITS = {"IS": (1e-30, 1.0), "ISE": (1e-40, 1.0), "NF": (0.8, 2.2), "NE": (1.02, 5.0), "XTB": (1e-13, 6.0),
           "EG": (0.2, 3.0), "BF": (1e-3, 1e6)}  # fmt: skip


def _box(theta, priors):
    """Limits far outside anything real, so that no step leaves the range of a float."""
    reach = np.where(np.isfinite(priors.width), 6.0 * priors.width, np.inf)
    lower, upper = priors.centre - reach, priors.centre + reach
    for name, (low, high) in _LIMITS.items():
        lower[:, AT[name]], upper[:, AT[name]] = np.log(low), np.log(high)
    lower[:, RTH] = 0.0
    return np.minimum(lower, theta), np.maximum(upper, theta)


def _data_chi2(problem: TransistorProblem, theta):
    """Sum of squares and count of the data rows, and the information J'J they hold."""
    m = problem.points.ic.shape[1]
    buffer = problem.evaluate(theta)[:, :, : 2 * m]
    r, d = buffer[:, -1], buffer[:, :-1]
    count = (problem.whitening[..., 0] > 0).sum(1) + (problem.whitening[..., 2] > 0).sum(1)
    return r, (r * r).sum(1), count, np.matmul(d, d.transpose(0, 2, 1))


def _fit(points: Points, priors: Priors, theta, free, scalable) -> dict[str, np.ndarray]:
    """Fit one chunk: coarse and robust, wild points out, noise scaled, self-heating, then what came of it."""
    points, theta, fit = _coarse(points, priors, theta, free, scalable)
    all_kept = points.keep
    points, wild = _drop_wild(points, priors, theta)
    for _ in range(2):
        theta = solve_whitened(points, priors, theta, fit, PRECISE)[1].theta
        points = _rescale(points, priors, theta, scalable, robust=False)
    significance = _heating_shows(points, priors, theta, free)
    warm, hot = significance > HEATING_FITTED, significance > HEATING_SAID
    fit[warm, RTH] = True
    theta[warm, RTH] = 1.0
    for _ in range(3 if hot.any() else 1):
        theta = solve_whitened(points, priors, theta, fit, PRECISE)[1].theta
        # What looked wild at one temperature may only have been hot.
        points, wild = _drop_wild(replace(points, keep=all_kept), priors, theta)
    problem, solution = solve_whitened(points, priors, theta, fit, PRECISE)
    problem = replace(problem, whitening=whiten(solution.theta, points))
    out = _outcome(problem, solution.theta, free | fit, scalable)
    power = (np.abs(points.vce * points.ic) * points.keep).max(axis=1, initial=0.0)
    rise = np.where(hot, solution.theta[:, RTH] * power, np.nan)
    drift = _repeated_rise(problem, solution.theta)
    return out | {
        "converged": solution.converged, "at_bound": (solution.at_bound & fit).any(1),
        "hot": hot | np.isfinite(drift), "heating": np.fmax(rise, drift), "wild": wild,
    }  # fmt: skip


def _coarse(points: Points, priors: Priors, theta, free, scalable):
    """First, robust solutions.

    A large RC can explain a bent top by saturation, where the effective variance is so large that nothing
    contradicts it any more: RC and BR join when the rest stands, and only where the data do saturate (or,
    for BR, leak).  Elsewhere they keep their prior, whose width goes into the covariance all the same.
    """
    robust = PRECISE | {"huber": 3.0}
    fit = free.copy()
    fit[:, [AT["RC"], AT["BR"]]] = False
    theta = solve_whitened(points, priors, theta, fit, robust)[1].theta
    fit[:, [AT["RC"], AT["BR"]]] = _saturates(points)[:, None]
    fit[:, AT["BR"]] |= _leaks(points, theta)
    for _ in range(2):
        theta = solve_whitened(points, priors, theta, fit, robust)[1].theta
        points = _rescale(points, priors, theta, scalable, robust=True)
    return points, theta, fit


def _outcome(problem: TransistorProblem, theta, free, scalable) -> dict[str, np.ndarray]:
    """Covariance, chi-square and degrees of freedom at the answer."""
    _, chi2, count, information = _data_chi2(problem, theta)
    prior = problem.priors.rows(theta)[:, :-1]
    prior = np.matmul(prior, prior.transpose(0, 2, 1))
    covariance, _ = invert(information + prior, free)
    apart = _typical_misfit(problem, theta)
    used = np.einsum("nij,nji->n", information, covariance)
    # A scatter known from few degrees of freedom only: Student's t in place of the normal (GUM G.3).
    widen = np.where(scalable, student_t(count - used) / COVERAGE_95, 1.0)
    information = information / widen[:, None, None] ** 2
    covariance, _ = invert(information + prior, free)
    before, _ = invert(prior, free)
    keep = problem.points.keep
    return {
        "theta": theta, "covariance": covariance, "chi2": chi2, "dof": np.maximum(count - used, 0.0),
        "before": before, "information": information, "free": free, "keep": keep, "used": keep.sum(1),
        "apart": apart,
    }  # fmt: skip


def _typical_misfit(problem: TransistorProblem, theta) -> np.ndarray:
    """Median distance of the points from the curve, as a ratio of collector currents less one [1]."""
    with np.errstate(all="ignore"):
        f1 = np.abs(raw_residuals(theta, problem.points)[0])
        f1 = np.sort(np.where(problem.points.keep, f1, np.inf), axis=1)
        middle = np.maximum((problem.points.keep.sum(1) - 1) // 2, 0)
        return np.expm1(np.minimum(f1[np.arange(len(f1)), middle], 50.0))


def _repeated_rise(problem: TransistorProblem, theta) -> np.ndarray:
    """Mean rise of temperature between repeated points of a curve [K]; nan where none is seen.

    Pairs at the same v_be and v_ce, not next to each other in the log (an up and a down sweep, a point
    taken again), whose later one carries more current than noise allows.
    """
    points = problem.points
    if points.ic.shape[1] < 3:
        return np.full(points.ic.shape[0], np.nan)
    with np.errstate(all="ignore"):
        f1, _, d1, _, _ = raw_residuals(theta, points)
    level = np.round(np.log(np.maximum(points.vce, 1e-2)) / 0.1)
    order = np.argsort(np.where(points.keep & points.has_vbe, 100.0 * level + points.vbe, np.inf), axis=1)

    def sorted_pairs(a):
        a = np.take_along_axis(a, order, 1)
        return a[:, :-1], a[:, 1:]

    early_late = np.sign(order[:, 1:] - order[:, :-1])
    (k0, k1), (v0, v1), (l0, l1) = (sorted_pairs(a) for a in (points.keep, points.vbe, level))
    same = k0 & k1 & (l0 == l1) & (np.abs(v1 - v0) < SAME_VBE_V) & (np.abs(np.diff(order)) > 1)
    (a0, a1), (w0, w1), (t0, t1) = (
        sorted_pairs(a) for a in (f1, problem.whitening[..., 0], d1[:, TEMP])
    )
    with np.errstate(all="ignore"):
        rise = -early_late * (a1 - a0) / (0.5 * (t0 + t1))
        weight = np.where(same, (0.5 * (t0 + t1)) ** 2 / (1.0 / w0**2 + 1.0 / w1**2), 0.0)
        weight = np.nan_to_num(weight)
        mean = (weight * np.nan_to_num(rise)).sum(1) / weight.sum(1)
        shows = (mean > HEATING_SAID / np.sqrt(weight.sum(1))) & (mean > LEAST_RISE_K)
    return np.where(shows, mean, np.nan)


def _rescale(points: Points, priors: Priors, theta, scalable, *, robust):
    """Scale a noise that was not stated to the scatter about the curve."""
    if not scalable.any():
        return points
    problem = TransistorProblem(points, priors, whiten(theta, points))
    r, chi2, count, information = _data_chi2(problem, theta)
    prior = priors.rows(theta)[:, :-1]
    covariance, _ = invert(information + np.matmul(prior, prior.transpose(0, 2, 1)))
    dof = np.maximum(count - np.einsum("nij,nji->n", information, covariance), 1.0)
    if robust:
        size = np.where(r != 0, np.abs(r), np.nan)
        some = np.isfinite(size).any(1)
        size[~some] = 0.67449
        scale = np.nanmedian(size, axis=1) / 0.67449  # median of |normal|
        scale = scale * np.sqrt(count / dof)
    else:
        scale = np.sqrt(chi2 / dof)
    # fewer degrees of freedom than 3 tell no scatter
    scale = np.where(scalable & (dof >= 3), np.clip(scale, 0.02, 1e4), 1.0)
    return scale_noise(points, scale)


def _drop_wild(points: Points, priors: Priors, theta):
    """Leave out points whose residual is beyond `WILD`; never more than a fifth of a part's."""
    problem = TransistorProblem(points, priors, whiten(theta, points))
    r, *_ = _data_chi2(problem, theta)
    m = points.ic.shape[1]
    worst = np.maximum(np.abs(r[:, :m]), np.abs(r[:, m:]))
    wild = points.keep & (worst > WILD)
    many = wild.sum(1) > 0.2 * points.keep.sum(1)
    wild &= ~many[:, None]
    return replace(points, keep=points.keep & ~wild), wild.sum(1)


def _saturates(points: Points):
    """Whether a part has points near or in saturation: V_CE below V_BE + 0.2 V (0.9 V without V_BE)."""
    knee = np.where(points.has_vbe, points.vbe + 0.2, 0.9)
    return (points.keep & (points.vce < knee)).sum(1) >= 3


def _leaks(points: Points, theta):
    """Whether the collector junction's saturation current shows in the base current, as in germanium."""
    least = np.where(points.keep & points.has_ib, points.ib, np.inf).min(axis=1, initial=np.inf)
    return np.exp(theta[:, AT["IS"]] - theta[:, AT["BR"]]) > 1e-3 * least


def _heating_shows(points: Points, priors: Priors, theta, free):
    """Thermal resistance over its standard uncertainty, by one step of the full problem with it free."""
    # At one v_ce power is as good as current, and heat cannot be told from RE.
    most = np.where(points.keep, points.vce, -np.inf).max(axis=1, initial=-np.inf)
    least = np.where(points.keep, points.vce, np.inf).min(axis=1, initial=np.inf)
    several = (points.keep.sum(1) > 3) & (most > 1.5 * least)
    problem = TransistorProblem(points, priors, whiten(theta, points))
    buffer = problem.evaluate(theta)
    d, r = buffer[:, :-1], buffer[:, -1]
    wide = free.copy()
    wide[:, RTH] = True
    hessian = np.matmul(d, d.transpose(0, 2, 1))
    covariance, _ = invert(hessian, wide)
    step = -np.einsum("ni,nij,nj->n", covariance[:, RTH], d, r)
    return np.where(several, step / np.sqrt(np.maximum(covariance[:, RTH, RTH], 1e-300)), 0.0)
