"""Transistor fits: dc Gummel-Poon parameters of a bag, from curves, spot readings or both, at 25 degC.

The steps, for all parts at once: points above the noise are taken (`transistor_data`), weak knowledge is
scaled to their currents, the whitened residuals are minimised (`lsq`), wild points are dropped, a noise
that was not stated is scaled to the scatter about the curve, and a rise of temperature with power is
fitted where the data show one.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from junction.base.records import CurveTable, Interval, PartReadings
from junction.fit.results import TransistorFits
from junction.physics.temperature import SILICON_LAW, TemperatureLaw
from junction.transistor import kin
from junction.transistor.chunk import PRECISE, fit_in_chunks, solve_whitened
from junction.transistor.data import (
    UNKNOWN_NOISE,
    Bench,
    CurveNoise,
    TemperatureNoise,
    free_coordinates,
    gather,
    priors_and_start,
)
from junction.transistor.model import (
    AT,
    N_LOG,
    Points,
    Priors,
    TransistorProblem,
    whiten,
)
from junction.transistor.spot import SpotNoise
from junction.transistor.values import COVERAGE_95, FITTED

#: Median distance of points from the fitted curve, in parts of the collector current, beyond which a part has
#: no fit: 5 mV of V_BE is a fifth.
MOST_APART = 0.4
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
    made_for_A: float = np.nan,
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
    made_for_A : float
        Collector current the parts are made to carry [A], to scale what is weakly known of parts with spot
        readings alone; nan where nobody said.

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
    priors, start = priors_and_start(bench, law, temperature, made_for_A)
    free = free_coordinates(bench, law, temperature)
    fitted = fit_in_chunks(bench.points, priors, start, free, scalable)
    if fitted is None:
        return _result(bench, scalable, _nothing(bench))
    return _result(bench, scalable, fitted | _teach(bench, priors, free, scalable, fitted))


def _teach(bench: Bench, priors: Priors, free, scalable, f) -> dict[str, np.ndarray]:
    """Fit parts known by spot readings again with what others of their type tell (`transistor_kin`)."""
    good = np.array([not _why_not(bench, f, k) for k in range(len(bench.part))])
    out = {}
    loadings = []
    for members in kin.groups(bench.type, bench.polarity, good, bench.spot_only, f["theta"][:, AT["IS"]]):
        points, own = bench.points.take(members), kin.common_reference(priors.take(members))
        learned = _learn(points, own, f["theta"][members] * _AT_REST, free[members], scalable[members],
                         bench.spot_only[members])  # fmt: skip
        own = kin.informed(own, learned)
        start = kin.at_mean(learned, own, f["theta"][members] * _AT_REST)
        again = fit_in_chunks(points, own, start, free[members], scalable[members])
        loading = kin.shared_loading(learned, own, again["theta"], again["covariance"])
        again["covariance"][:, :N_LOG, :N_LOG] += loading @ np.swapaxes(loading, 1, 2)
        for name, value in again.items():
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
        _, solution = solve_whitened(points, own, theta, rest & spot[:, None], PRECISE)
        theta = kin.at_mean(learned, own, solution.theta)
        problem = TransistorProblem(points, own, whiten(theta, points))
        buffer = problem.evaluate(theta)[:, :, : 2 * points.ic.shape[1]]
        d, r = buffer[:, :-1], buffer[:, -1]
        information, gradient = np.matmul(d, d.transpose(0, 2, 1)), np.einsum("nim,nm->ni", d, r)
        if curves.size:
            fit = fit_in_chunks(points.take(curves), own.take(curves), theta[curves], free[curves],
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
    out = {name: np.zeros(0) for name in ("dof", "heating", "used", "chi2", "apart")}
    out |= {name: np.zeros(0, bool) for name in ("converged", "at_bound", "hot", "wild")}
    square = np.zeros((0, p, p))
    out |= {"theta": np.zeros((0, p)), "covariance": square, "before": square}
    return out | {"keep": bench.points.keep, "free": np.zeros((0, p), bool)}


def _result(bench: Bench, scalable, f) -> TransistorFits:
    n, p = len(bench.part), N_LOG
    why = tuple(_why_not(bench, f, k) for k in range(n))
    good = np.array([not w for w in why], bool).reshape(n)
    covariance = np.where(good[:, None, None], f["covariance"][:, :p, :p], 0.0)
    u = np.sqrt(np.maximum(np.einsum("nii->ni", covariance), 0.0))
    u_before = np.sqrt(np.einsum("nii->ni", f["before"][:, :p, :p]))
    # little told beyond what was known, or not even within a factor of twenty
    fixed = ~f["free"][:, :p] | (u > 0.7 * u_before) | (u > 3.0)
    fixed[:, [AT["EG"], AT["XTB"]]] = True
    ic = bench.points.ic
    keep = f["keep"]
    value = np.exp(np.where(good[:, None], f["theta"][:, :p], np.nan))
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


def _why_not(bench: Bench, f, k: int) -> str:
    """Reason why part k has no fit, or ''."""
    if bench.why_not[k]:
        return bench.why_not[k]
    if not (np.isfinite(f["theta"][k]).all() and np.isfinite(f["covariance"][k]).all()):
        return "the fit did not come to a finite answer"
    if not f["apart"][k] < MOST_APART:
        return (
            "the points follow no transistor's law: half of them lie further than "
            f"{100 * MOST_APART:.0f} % of collector current from any curve; check columns, units and signs"
        )
    return ""


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
