"""Transistor fits: dc Gummel-Poon parameters of a bag, from curves, spot readings or both, at 25 degC.

The steps, for all parts at once: points above the noise are taken (`transistor_data`), weak knowledge is
scaled to their currents, the whitened residuals are minimised (`lsq`), wild points are dropped, a noise
that was not stated is scaled to the scatter about the curve, and a rise of temperature with power is
fitted where the data show one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from junction.base.records import CurveTable, Interval, PartReadings
from junction.estimate import transistor_kin as kin
from junction.estimate.lsq import Options, invert, solve
from junction.estimate.noise import student_t
from junction.estimate.results import TransistorFits
from junction.estimate.spot import SpotNoise
from junction.estimate.transistor_data import (
    UNKNOWN_NOISE,
    Bench,
    CurveNoise,
    TemperatureNoise,
    free_coordinates,
    gather,
    priors_and_start,
)
from junction.estimate.transistor_model import (
    AT,
    N_LOG,
    RTH,
    Points,
    Priors,
    TransistorProblem,
    scale_noise,
    whiten,
)
from junction.estimate.transistor_values import COVERAGE_95, FITTED
from junction.physics.temperature import SILICON_LAW, TemperatureLaw

#: A residual beyond this many standard uncertainties is a wild point.
WILD = 6.0
#: A rise of temperature with power is fitted where its thermal resistance stands so many standard
#: uncertainties above zero, and said where it stands clearer still.
HEATING_FITTED, HEATING_SAID = 2.0, 4.0
#: Largest parts x points a chunk holds, so that the derivatives stay in tens of megabytes.
CHUNK = 40_000
_OPTIONS = Options(max_iterations=80, decrease_tol=1e-8, relative_tol=1e-10, step_tol=1e-10)
#: Coordinates as a start for another fit: self-heating is found anew.
_AT_REST = np.array([1.0] * (N_LOG + 1) + [0.0])
_UNITS = {"IS": "A", "ISE": "A", "IKF": "A", "VAF": "V", "RE": "ohm", "RB": "ohm", "RC": "ohm", "EG": "eV"}


def fit_transistors(
    curves: CurveTable,
    noise: CurveNoise | None = None,
    *,
    readings: Sequence[PartReadings] = (),
    spot: SpotNoise = SpotNoise(),  # noqa: B008  (frozen)
    law: TemperatureLaw = SILICON_LAW,
    temperature: TemperatureNoise = TemperatureNoise(),  # noqa: B008  (frozen)
) -> TransistorFits:
    """Fit every part of a bag.

    Parameters
    ----------
    curves : CurveTable
        Gummel-type points (v_be, i_b, i_c at one or several v_ce), families of output curves (i_c against
        v_ce at steps of i_b, v_be missing), or both; NPN sense.
    noise : CurveNoise, optional
        Standard uncertainties of the points; None takes a usual shape and scales it to the scatter.
    readings : sequence of PartReadings
        Rows with V_BE [V] or h_FE [1] at a collector current [A] join the part's curve, or stand alone.
    spot : SpotNoise
        Their uncertainties.
    law : TemperatureLaw
        Takes the parameters from the temperature of the data to 25 degC.
    temperature : TemperatureNoise
        Uncertainty of the recorded, or missing, temperature [K].

    Returns
    -------
    TransistorFits
        One entry a part, curves first.  Where spot readings are among parts of one type, the parts tell of
        each other (`transistor_kin`; flag ``taught``); parts without a type count as one type by polarity
        as long as their V_BE agree within some 40 mV.  ``value`` is nan where ``why_not`` says why there
        is no fit; ``fixed`` marks parameters on which the data say next to nothing: they stand at the
        stated default and carry its uncertainty (`transistor_data.priors_and_start`).
    """
    bench = gather(curves, UNKNOWN_NOISE if noise is None else noise, readings, spot)
    scalable = ~bench.spot_only if noise is None or not noise.known else np.zeros(len(bench.part), bool)
    priors, start = priors_and_start(bench, law, temperature)
    free = free_coordinates(bench, law, temperature)
    fitted = _fit_in_chunks(bench.points, priors, start, free, scalable)
    if fitted is None:
        return _result(bench, scalable, _nothing(bench))
    return _result(bench, scalable, fitted | _teach(bench, priors, free, scalable, fitted))


def _teach(bench: Bench, priors: Priors, free, scalable, f) -> dict[str, np.ndarray]:
    """Fit parts known by spot readings again with what others of their type tell (`transistor_kin`)."""
    good = np.isfinite(f["theta"]).all(1) & np.isfinite(f["chi2"]) & np.array([not w for w in bench.why_not])
    out = {}
    loadings = []
    for members in kin.groups(bench.type, bench.polarity, good, bench.spot_only, f["theta"][:, AT["IS"]]):
        points, own = bench.points.take(members), kin.common_reference(priors.take(members))
        learned = _learn(points, own, f["theta"][members] * _AT_REST, free[members], scalable[members],
                         bench.spot_only[members])  # fmt: skip
        own = kin.informed(own, learned)
        start = kin.at_mean(learned, own, f["theta"][members] * _AT_REST)
        again = _fit_in_chunks(points, own, start, free[members], scalable[members])
        loading = kin.shared_loading(learned, own, again["theta"], again["covariance"])
        again["covariance"][:, :N_LOG, :N_LOG] += loading @ np.swapaxes(loading, 1, 2)
        for name, value in again.items():
            if name == "before":  # what a parameter is worth is judged against the weak prior
                continue
            whole = out.setdefault(name, f[name].copy())
            whole[members] = value
        loadings.append((members, loading))
    if loadings:
        shared = np.zeros((len(bench.part), N_LOG, sum(x.shape[2] for _, x in loadings)))
        column = 0
        for members, x in loadings:
            shared[members, :, column : column + x.shape[2]] = x
            column += x.shape[2]
        out["shared"] = shared
    return out


def _learn(points: Points, priors: Priors, theta, free, scalable, spot) -> kin.Kin:
    """What the parts of one type say of it; curves at their own fits, spot readings at the type's mean."""
    known = learned = kin.before(priors)
    curves = np.flatnonzero(~spot)
    # BF is let go while IS is sought, or a part of more gain would seem one of less V_BE.
    rest = free.copy()
    rest[:, [k for k in kin.COORDINATES if k != AT["BF"]]] = False
    for _ in range(3):
        own = kin.informed(priors, learned)
        theta = kin.at_mean(learned, own, theta)
        _, solution = _solve(points, own, theta, rest & spot[:, None], _OPTIONS)
        theta = kin.at_mean(learned, own, solution.theta)
        problem = TransistorProblem(points, own, whiten(theta, points))
        buffer = problem.evaluate(theta)[:, :, : 2 * points.ic.shape[1]]
        d, r = buffer[:, :-1], buffer[:, -1]
        information, gradient = np.matmul(d, d.transpose(0, 2, 1)), np.einsum("nim,nm->ni", d, r)
        if curves.size:
            fit = _fit_in_chunks(points.take(curves), own.take(curves), theta[curves], free[curves],
                                 scalable[curves])  # fmt: skip
            theta[curves], information[curves] = fit["theta"], fit["information"]
            gradient[curves] = kin.stationary_gradient(own.take(curves), fit["theta"])
        found = kin.learn(known, own, theta, information, gradient, free)
        # a step longer than a factor of e outruns the quadratic it came from
        learned = kin.Kin(learned.mean + np.clip(found.mean - learned.mean, -1.0, 1.0), found.covariance)
    return learned


def _nothing(bench: Bench) -> dict[str, np.ndarray]:
    """What `_fit` gives, for a bag without a part."""
    p = N_LOG + 2
    out = {name: np.zeros(0) for name in ("dof", "heating", "used", "chi2")}
    out |= {name: np.zeros(0, bool) for name in ("converged", "at_bound", "hot", "wild")}
    square = np.zeros((0, p, p))
    out |= {"theta": np.zeros((0, p)), "covariance": square, "before": square}
    return out | {"keep": bench.points.keep, "free": np.zeros((0, p), bool)}


def _fit_in_chunks(points: Points, priors: Priors, start, free, scalable):
    n, m = points.ic.shape
    size = max(1, CHUNK // max(m, 1))
    parts = [
        _fit(points.take(i), priors.take(i), start[i], free[i], scalable[i])
        for i in (np.arange(a, min(a + size, n)) for a in range(0, n, size))
    ]
    return {k: np.concatenate([p[k] for p in parts]) for k in parts[0]} if parts else None


def _solve(points, priors, theta, free, options):
    lower, upper = _box(theta, priors)
    problem = TransistorProblem(points, priors, whiten(theta, points))
    return problem, solve(problem, theta, lower=lower, upper=upper, free=free, options=options)


def _box(theta, priors):
    """Limits far outside anything real, so that no step leaves the range of a float."""
    reach = np.where(np.isfinite(priors.width), 12.0 * priors.width, np.inf)
    reach[:, AT["ISE"]] = np.inf
    lower, upper = priors.centre - reach, priors.centre + reach
    lower[:, AT["NF"]], upper[:, AT["NF"]] = np.log(0.8), np.log(2.0)
    lower[:, AT["NE"]], upper[:, AT["NE"]] = np.log(1.02), np.log(4.0)
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
    """Fit one chunk; see the module's head for the steps."""
    robust = replace(_OPTIONS, huber=3.0)
    # A large RC can explain a bent top by saturation, where the effective variance is so large that nothing
    # contradicts it any more: RC and BR join when the rest stands, and only where the data do saturate.
    # Elsewhere they keep their prior, whose width goes into the covariance all the same.
    fit = free.copy()
    fit[:, [AT["RC"], AT["BR"]]] = False
    _, solution = _solve(points, priors, theta, fit, robust)
    fit[:, [AT["RC"], AT["BR"]]] = _saturates(points)[:, None]
    for _ in range(2):
        _, solution = _solve(points, priors, solution.theta, fit, robust)
        points = _rescale(points, priors, solution.theta, scalable, robust=True)
    theta = solution.theta
    all_kept = points.keep
    points, wild = _drop_wild(points, priors, theta)
    for _ in range(2):
        _, solution = _solve(points, priors, theta, fit, _OPTIONS)
        theta = solution.theta
        points = _rescale(points, priors, theta, scalable, robust=False)
    significance = _heating_shows(points, priors, theta, free)
    warm, hot = significance > HEATING_FITTED, significance > HEATING_SAID
    fit[warm, RTH] = True
    free = free | fit
    theta[warm, RTH] = 1.0
    for _ in range(3 if hot.any() else 1):
        _, solution = _solve(points, priors, theta, fit, _OPTIONS)
        theta = solution.theta
        # What looked wild at one temperature may only have been hot.
        points, wild = _drop_wild(replace(points, keep=all_kept), priors, theta)
    problem, solution = _solve(points, priors, theta, fit, _OPTIONS)
    theta = solution.theta
    problem = replace(problem, whitening=whiten(theta, points))
    _, chi2, count, information = _data_chi2(problem, theta)
    prior = problem.priors.rows(theta)[:, :-1]
    prior = np.matmul(prior, prior.transpose(0, 2, 1))
    covariance, _ = invert(information + prior, free)
    used = np.einsum("nij,nji->n", information, covariance)
    # A scatter known from few degrees of freedom only: Student's t in place of the normal (GUM G.3).
    widen = np.where(scalable, student_t(count - used) / COVERAGE_95, 1.0)
    information = information / widen[:, None, None] ** 2
    covariance, _ = invert(information + prior, free)
    before, _ = invert(prior, free)
    power = (np.abs(points.vce * points.ic) * points.keep).max(axis=1, initial=0.0)
    return {
        "theta": theta, "covariance": covariance, "chi2": chi2, "dof": np.maximum(count - used, 0.0),
        "before": before, "converged": solution.converged, "at_bound": (solution.at_bound & fit).any(1),
        "hot": hot,
        "heating": np.where(hot, theta[:, RTH] * power, np.nan), "wild": wild, "used": points.keep.sum(1),
        "keep": points.keep, "free": free, "information": information,
    }  # fmt: skip


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


def _heating_shows(points: Points, priors: Priors, theta, free):
    """Thermal resistance over its standard uncertainty, by one step of the full problem with it free."""
    several = points.keep.sum(1) > 3
    problem = TransistorProblem(points, priors, whiten(theta, points))
    buffer = problem.evaluate(theta)
    d, r = buffer[:, :-1], buffer[:, -1]
    wide = free.copy()
    wide[:, RTH] = True
    hessian = np.matmul(d, d.transpose(0, 2, 1))
    covariance, _ = invert(hessian, wide)
    step = -np.einsum("ni,nij,nj->n", covariance[:, RTH], d, r)
    return np.where(several, step / np.sqrt(np.maximum(covariance[:, RTH, RTH], 1e-300)), 0.0)


def _result(bench: Bench, scalable, f) -> TransistorFits:
    n, p = len(bench.part), N_LOG
    good = np.array([not w for w in bench.why_not], bool).reshape(n)
    good &= np.isfinite(f["theta"]).all(1) & np.isfinite(f["chi2"])
    why = tuple(
        w or ("" if g else "the fit did not come to a finite answer")
        for w, g in zip(bench.why_not, good, strict=True)
    )
    covariance = np.where(good[:, None, None], f["covariance"][:, :p, :p], 0.0)
    u = np.sqrt(np.maximum(np.einsum("nii->ni", covariance), 0.0))
    u_before = np.sqrt(np.einsum("nii->ni", f["before"][:, :p, :p]))
    fixed = ~f["free"][:, :p] | (u > 0.7 * u_before)
    fixed[:, [AT["EG"], AT["XTB"]]] = True
    ic = bench.points.ic
    keep = f["keep"]
    with np.errstate(over="ignore"):
        value = np.where(good[:, None], np.exp(f["theta"][:, :p]), np.nan)
    return TransistorFits(
        bench.part, bench.polarity, bench.type, bench.source, FITTED, value,
        np.where(good[:, None], u, np.inf), covariance, fixed, bench.temp_C, bench.temp_known,
        np.where(good, f["chi2"], np.nan), np.where(good, f["dof"], np.nan),
        np.where(good, np.where(keep, ic, np.inf).min(axis=1, initial=np.inf), np.nan),
        np.where(good, np.where(keep, ic, -np.inf).max(axis=1, initial=-np.inf), np.nan),
        np.where(good, f["heating"], np.nan),
        {
            "converged": good & f["converged"].astype(bool), "at_bound": f["at_bound"].astype(bool),
            "self_heated": good & f["hot"].astype(bool), "outliers": good & (f["wild"] > 0),
            "uncertainty_known": ~scalable, "iceo_seen": np.isfinite(bench.iceo_A),
            # the fit leans on other parts, taken for the same type
            "taught": np.zeros(n, bool) if f.get("shared") is None else np.abs(f["shared"]).sum((1, 2)) > 0,
        },
        why, bench.iceo_A, bench.n_read, np.where(good, f["used"], 0).astype(np.int64), f.get("shared"),
    )  # fmt: skip


def parameter_intervals(fits: TransistorFits, k: int) -> dict[str, Interval]:
    """Parameters of one part with 95 % intervals, for people and for JSON.

    Parameters
    ----------
    fits : TransistorFits
    k : int
        Index of the part.

    Returns
    -------
    dict of str to Interval
        SI units.  A parameter the data say next to nothing on is left out (``fits.fixed``); one known
        within a factor of 1.8 or worse is a one-sided limit, the side that constrains.
    """
    out = {}
    for j, name in enumerate(fits.names):
        if fits.fixed[k, j] or not np.isfinite(fits.value[k, j]):
            continue
        value, u = float(fits.value[k, j]), float(fits.u_log[k, j])
        unit = _UNITS.get(name, "1")
        if u < 0.3:
            spread = float(np.exp(COVERAGE_95 * u))
            out[name] = Interval(value, value / spread, value * spread, unit)
        elif name in ("IKF", "VAF"):  # a large one has no effect: the data say "at least"
            out[name] = Interval(np.nan, value * float(np.exp(-1.645 * u)), np.inf, unit)
        else:
            out[name] = Interval(np.nan, -np.inf, value * float(np.exp(1.645 * u)), unit)
    return out
