r"""What parts of one type tell of each other.

A spot reading says nothing of a part's RE, IKF or NE, and the weak knowledge that stands in for them is
wide.  But parts of one type come from one line: whatever their RE is, it is nearly the same for all, so
that the wide part of the uncertainty is an error all parts share, which matters little when two of them
are compared; and a few parts of the type measured as curves tell the rest what it is.

Stated as two levels: the coordinate u of part k is drawn about the type's value mu with a spread B (below),
and mu about the weak prior of `transistor_data`.  With the data of part k quadratic near its fit, of
curvature S_k and gradient h_k, s_k = S_k u - h_k, both levels are solved exactly:

.. math::

    V^{-1} = W^{-1} + \sum_k \big[S_k - S_k (S_k + B^{-1})^{-1} S_k\big], \qquad
    \hat\mu = V\,\big[W^{-1} m_0 + \sum_k B^{-1} (S_k + B^{-1})^{-1} s_k\big]

(repeated, because S_k depends on mu where the law is not linear), and each part is fitted again with mu
for its prior and B for its width; V goes into every part's covariance along its own sensitivity to mu, as
errors shared (`TransistorFits.shared`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from junction.fit.lsq import invert
from junction.transistor.model import AT, N_COORDINATES, N_LOG, Priors
from junction.transistor.values import square_root

#: Spread (standard deviation of the natural log) between parts of one type, by coordinate; ISE stands for
#: the share of non-ideal base current.  Common practice, no source: wide for one batch, fair for a bag.
BETWEEN = {
    "NF": 0.005, "BF": 0.4, "ISE": 0.7, "NE": 0.05, "IKF": 0.3, "VAF": 0.3, "RE": 0.25, "RB": 0.3, "RC": 0.3,
    "BR": 0.4,
}  # fmt: skip
#: Untyped parts are taken for one type only if their ln(IS) spread less than this: 40 mV of V_BE.
ONE_TYPE_LOG_IS = 1.5
#: Their places among the coordinates of the fit.
COORDINATES = [AT[name] for name in BETWEEN]
_U = COORDINATES
_B = np.array(list(BETWEEN.values())) ** 2


@dataclass(frozen=True, eq=False)
class Kin:
    """What is known of a type: mean and covariance of its coordinates mu, in the order of `BETWEEN`."""

    mean: np.ndarray
    covariance: np.ndarray


def groups(part_type, polarity, good, spot_only, log_is) -> list[np.ndarray]:
    """Indices of parts that count as one type and hold at least one known by a spot reading only.

    Parameters
    ----------
    part_type, polarity : sequence of str
    good, spot_only : ndarray of bool (n,)
    log_is : ndarray (n,)
        ln(IS / 1 A) at 25 degC.
    """
    out = []
    keys = list(zip(part_type, polarity, strict=True))
    for key in dict.fromkeys(keys):
        members = np.flatnonzero([k == key for k in keys] & good)
        if members.size < 2 or not spot_only[members].any():
            continue
        if key[0] or np.std(log_is[members]) < ONE_TYPE_LOG_IS:
            out.append(members)
    return out


def common_reference(priors: Priors) -> Priors:
    """The same reference current of the non-ideal share for all parts, so that shares compare."""
    return replace(priors, ic0_A=np.full(priors.ic0_A.shape, np.exp(np.median(np.log(priors.ic0_A)))))


def before(priors: Priors) -> Kin:
    """What is known of a type before its parts are measured: the weak prior, less the spread of parts."""
    mean = np.median(priors.centre[:, _U], axis=0)
    width = np.median(priors.width[:, _U], axis=0)
    return Kin(mean, np.diag(np.maximum(width**2 - _B, 0.1 * _B)))


def learn(known: Kin, priors: Priors, theta, information, gradient, free) -> Kin:
    """Mean and covariance of the type's coordinates, from the data of its parts.

    Parameters
    ----------
    known : Kin
        Before the data.
    priors : Priors
        Of the coordinates that are not the type's (IS, temperature).
    theta, information, gradient : ndarray (n, p), (n, p, p), (n, p)
        Where each part's data are taken as quadratic, their J'J and J'r there.  A part known by a spot
        reading must be taken at the type's mean: one reading constrains one combination of coordinates,
        which depends on where it is taken, and many parts taken apart would seem to fix each coordinate.
    free : ndarray of bool (n, p)
        Coordinates fitted at all; the others are exact.
    """
    slope, phi = share_coordinates(priors, theta)
    inverse = np.linalg.inv(slope)
    data = np.swapaxes(inverse, 1, 2) @ information @ inverse
    g = np.einsum("nij,ni->nj", inverse, gradient)
    rest = [k for k in range(N_COORDINATES) if k not in _U]
    precision = np.where(free[:, rest], 1.0 / priors.width[:, rest] ** 2, 0.0)
    exact = np.where(free[:, rest], 1e-12, 1e30)
    a_uu, a_un = data[:, _U][:, :, _U], data[:, _U][:, :, rest]
    cover, _ = invert(data[:, rest][:, :, rest] + np.eye(len(rest)) * (precision + exact)[:, :, None])
    g_rest = g[:, rest] + precision * (phi[:, rest] - priors.centre[:, rest])
    S = a_uu - a_un @ cover @ np.swapaxes(a_un, 1, 2)
    h = g[:, _U] - np.einsum("nij,njk,nk->ni", a_un, cover, g_rest)
    s = np.einsum("nij,nj->ni", S, phi[:, _U]) - h
    C = np.linalg.inv(S + np.diag(1.0 / _B))
    M = S - S @ C @ S
    W = np.diag(known.covariance)
    covariance = np.linalg.inv(np.diag(1.0 / W) + M.sum(0))
    mean = covariance @ (known.mean / W + (np.einsum("nij,nj->ni", C, s) / _B).sum(0))
    return Kin(mean, 0.5 * (covariance + covariance.T))


def stationary_gradient(priors: Priors, theta: np.ndarray) -> np.ndarray:
    """J'r of the data at a fit made with `priors`: there it is minus that of the prior rows."""
    rows = priors.rows(theta)
    return -np.einsum("nij,nj->ni", rows[:, :-1], rows[:, -1])


def at_mean(kin: Kin, priors: Priors, theta: np.ndarray) -> np.ndarray:
    """Coordinates with those of the type at its mean, all others as they are."""
    moved = theta.copy()
    moved[:, _U] = kin.mean
    moved[:, AT["ISE"]] = 0.0
    _, phi = share_coordinates(priors, moved)
    moved[:, AT["ISE"]] = kin.mean[_U.index(AT["ISE"])] - phi[:, AT["ISE"]]
    return moved


def share_coordinates(priors: Priors, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slope d(phi)/d(theta) (n, p, p) and phi (n, p): theta with the non-ideal share in place of ln(ISE)."""
    plain = Priors(np.zeros_like(priors.centre), np.ones_like(priors.width), priors.ic0_A)
    rows = plain.rows(theta)
    return np.swapaxes(rows[:, :-1], 1, 2), rows[:, -1]


def informed(priors: Priors, kin: Kin) -> Priors:
    """Priors with the type's values for centre and the spread between parts for width."""
    centre, width = priors.centre.copy(), priors.width.copy()
    centre[:, _U] = kin.mean
    width[:, _U] = np.sqrt(_B)
    return replace(priors, centre=centre, width=width)


def shared_loading(kin: Kin, priors: Priors, theta: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """How the type's error moves each part's logs: (n, N_LOG, q), q standard normal errors.

    Parameters
    ----------
    kin : Kin
    priors : Priors
        As `informed` gave them.
    theta, covariance : ndarray (n, p), (n, p, p)
        Fits made with them.
    """
    slope, _ = share_coordinates(priors, theta)
    # d(theta)/d(mu) = C L' B^-1, L = d(phi)/d(theta)
    to_mu = covariance @ np.swapaxes(slope, 1, 2)[:, :, _U] / _B
    return (to_mu @ square_root(kin.covariance))[:, :N_LOG]
