"""Scatter of the points about the curve: how uncertain each is where nobody stated it, and which is wild."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from junction.shelf.tables import rule
from junction.sweeps.lsq import invert
from junction.sweeps.sense import components
from junction.transistor import sense
from junction.transistor.model import TransistorProblem, raw_residuals, whitened


def data_rows(problem: TransistorProblem, theta):
    """Residuals of the data, their derivatives and count, and the information J'J they hold."""
    buffer = problem.evaluate(theta)[:, :, : 2 * problem.ic.shape[1]]
    r, d = buffer[:, -1], buffer[:, :-1]
    count = (problem.whitening[..., 0] > 0).sum(1) + (problem.whitening[..., 2] > 0).sum(1)
    return r, d, count, np.matmul(d, d.transpose(0, 2, 1))


def rescale(problem: TransistorProblem, theta, scalable, *, robust):
    """Scale a noise that was not stated to the scatter about the curve.

    An error of V_BE moves both currents alike, so that what is left of i_b once i_c is known is the scatter
    of the currents alone: it tells theirs, and i_c then tells that of the voltages.
    """
    if not scalable.any():
        return problem
    white = whitened(theta, problem)
    r, _, count, information = data_rows(white, theta)
    prior = problem.prior_rows(theta)[:, :-1]
    covariance, _ = invert(information + np.matmul(prior, prior.transpose(0, 2, 1)))
    dof = np.maximum(count - np.einsum("nij,nji->n", information, covariance), 1.0)

    def scale(r) -> np.ndarray:
        asked = r != 0
        if robust:  # median of |normal|
            size = sense.middle(np.abs(r), asked) / 0.67449
        else:
            size = np.sqrt((r * r).sum(1) / np.maximum(asked.sum(1), 1))
        return np.clip(size * np.sqrt(count / dof), 0.02, 1e4)

    m = problem.ic.shape[1]
    both, first, second = scale(r), scale(r[:, :m]), scale(r[:, m:])
    own = problem.keep & problem.has_vbe & problem.has_ib
    with np.errstate(all="ignore"):
        s = raw_residuals(theta, problem)[-1][0]
        by_v = np.nan_to_num(((s[:2] * np.stack([problem.u_vbe, problem.u_vce])) ** 2).sum(0))
        by_v = (by_v * white.whitening[..., 0] ** 2 * own).sum(1) / np.maximum(own.sum(1), 1)
    left = (first**2 - second**2 * (1.0 - by_v)) / np.maximum(by_v, 1e-3)
    apart = (own.sum(1) >= rule("bjt_scatter_points")) & (by_v > 0.1)
    # fewer degrees of freedom than 3 tell no scatter
    told = scalable & (dof >= 3)
    by = {"i": np.where(apart, second, both), "v": np.where(apart, np.sqrt(np.maximum(left, 1e-2)), both)}
    by = {kind: np.where(told, factor, 1.0)[:, None] for kind, factor in by.items()}
    names = {"u_vbe": "v", "u_vce": "v", "u_ib": "i", "u_ic": "i"}
    return replace(problem, **{u: getattr(problem, u) * by[kind] for u, kind in names.items()})


def with_floors(problem: TransistorProblem, theta, scalable) -> TransistorProblem:
    """A noise that was not stated, with the constant scatter that the currents show about the curve.

    From second differences along V_BE, as of sweeps: what the model lacks is smooth, and no scatter.
    """
    live = problem.keep & problem.has_vbe & scalable[:, None]
    if not live.any():
        return problem
    order = np.argsort(np.where(live, problem.vbe, np.inf), axis=1, kind="stable")
    with np.errstate(all="ignore"):
        f1, f2, _, _, measured = raw_residuals(theta, problem)
    floors = {}
    for name, f, k, has in (("ic", f1, 0, live), ("ib", f2, 1, live & problem.has_ib)):
        i, u = getattr(problem, name), getattr(problem, f"u_{name}")
        width = np.sqrt(i * i + 4.0 * u * u)  # from compressed currents back to amperes
        known = (measured[k, 0] * width * problem.u_vbe) ** 2 + u * u
        has &= np.isfinite(f) & np.isfinite(known)
        has, error, known, i2 = (np.take_along_axis(a, order, 1) for a in (has, f * width, known, i * i))
        error, known = (np.where(has, a, fill) for a, fill in ((error, 0.0), (known, 1.0)))
        least = np.where(has, known, np.inf).min(axis=1)
        start = np.stack([np.where(np.isfinite(least), least, 1.0), *np.full((2, len(i)), 1e-30)], axis=1)
        found = components(error, np.zeros_like(i2), np.where(has, i2, 0.0), has, start, known=known)[:, 0]
        # what is as large as the small currents themselves is a misfit, and no floor
        small = np.sort(np.where(has, i2, np.inf), axis=1)[np.arange(len(i2)), has.sum(1) // 5]
        shows = scalable & (found > 2.0 * least)
        floors[f"u_{name}"] = np.where(shows, np.minimum(found, 0.1 * small), 0.0)[:, None]
    return replace(problem, **{name: np.hypot(getattr(problem, name), np.sqrt(found))
                               for name, found in floors.items()})  # fmt: skip


def drop_wild(problem: TransistorProblem, theta) -> TransistorProblem:
    """Leave out points whose residual is beyond the limit; never more than a fifth of a part's."""
    r, *_ = data_rows(whitened(theta, problem), theta)
    m = problem.ic.shape[1]
    wild = problem.keep & (np.maximum(np.abs(r[:, :m]), np.abs(r[:, m:])) > rule("bjt_wild"))
    wild &= (wild.sum(1) <= 0.2 * problem.keep.sum(1))[:, None]
    return replace(problem, keep=problem.keep & ~wild)
