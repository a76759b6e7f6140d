"""Seeded bags of power transistors as fits made by hand: the truth, and what a measurement would say."""

from __future__ import annotations

import numpy as np

from junction.sweeps.results import TransistorFits
from junction.transistor.values import FITTED

# A TO-3 audio output device, invented; the relative spread of each parameter within one bag.
CENTRE = {
    "IS": 4e-12, "NF": 1.0, "BF": 110.0, "ISE": 3e-11, "NE": 1.8, "IKF": 6.0, "VAF": 120.0,
    "RE": 0.02, "RB": 1.5, "RC": 0.06, "BR": 4.0, "EG": 1.11, "XTB": 0.75,
}  # fmt: skip
SPREAD = {"IS": 0.35, "BF": 0.2, "ISE": 0.3, "IKF": 0.2, "VAF": 0.15, "RE": 0.2, "RB": 0.2}


def true_values(n: int, seed: int, **centre) -> np.ndarray:
    """Parameters of n parts, columns in the order of `FITTED`."""
    rng = np.random.default_rng(seed)
    middle = {**CENTRE, **centre}
    out = np.array([middle[name] for name in FITTED]) * np.ones((n, 1))
    for name, width in SPREAD.items():
        out[:, FITTED.index(name)] *= np.exp(width * rng.standard_normal(n))
    return out


def fits_of(value, *, u_is: float = 0.02, polarity="NPN", seed: int | None = None, prefix="A", **more
            ) -> TransistorFits:  # fmt: skip
    """Fits with the values given, or (with a seed) displaced from them by their own uncertainty.

    ``u_is``: standard uncertainty of ln IS; 0.02 is half a millivolt of V_BE.
    """
    n = len(value)
    u = np.zeros_like(value)
    for name, size in (("IS", u_is), ("BF", 0.01), ("IKF", 0.03)):
        u[:, FITTED.index(name)] = size
    covariance = np.einsum("np,pq->npq", u**2, np.eye(value.shape[1]))
    if seed is not None:
        value = value * np.exp(u * np.random.default_rng(seed).standard_normal(value.shape))
    word = [polarity] * n if isinstance(polarity, str) else list(polarity)
    given = dict(
        part=tuple(f"{prefix}{k + 1:02d}" for k in range(n)), polarity=tuple(word), type=("",) * n,
        source=("curves",) * n, names=FITTED, value=value, u_log=u, covariance=covariance, fixed=u == 0,
        temp_C=np.full(n, 25.0), temp_known=np.ones(n, bool), chi2=np.full(n, 10.0), dof=np.full(n, 10),
        ic_low_A=np.full(n, 1e-3), ic_high_A=np.full(n, 8.0), heating_K=np.zeros(n), why_not=("",) * n,
    )  # fmt: skip
    return TransistorFits(**{**given, **more})


def mixed_bag(n: int, seed: int) -> TransistorFits:
    """n NPN parts N01.. and n PNP parts P01.., fitted with an error."""
    value = np.concatenate([true_values(n, seed), true_values(n, seed + 1, IS=6e-12, BF=90.0)])
    names = tuple(f"N{k + 1:02d}" for k in range(n)) + tuple(f"P{k + 1:02d}" for k in range(n))
    return fits_of(value, polarity=["NPN"] * n + ["PNP"] * n, seed=seed, part=names)
