"""The fitted curve of one sweep, for plots, and what each point misses it by."""

from __future__ import annotations

import numpy as np

from junction.base.records import SweepTable
from junction.fit.inverse import current_of, voltage_of
from junction.fit.noise import FLOOR_A, FLOOR_V, Noise
from junction.fit.results import SweepFits


def predict_current(fits: SweepFits, k: int, v_V) -> np.ndarray:
    """Current of the fitted curve of sweep `k`.

    Parameters
    ----------
    fits : SweepFits
    k : int
        Sweep.
    v_V : array_like (q,)
        Terminal voltages [V].

    Returns
    -------
    ndarray (q,)
        Current into the p side [A]; nan where the sweep has no fit.
    """
    v = np.atleast_1d(np.asarray(v_V, float))
    if not fits.model[k]:
        return np.full(v.shape, np.nan)
    return current_of(fits.theta[k : k + 1], fits.temp_C[k : k + 1], v[None])[0][0]


def predict_voltage(fits: SweepFits, k: int, i_A) -> np.ndarray:
    """Voltage of the fitted curve of sweep `k` at given currents.

    Parameters
    ----------
    fits : SweepFits
    k : int
    i_A : array_like (q,)
        Currents [A].

    Returns
    -------
    ndarray (q,)
        Voltage [V]; nan where the curve never carries the current, or the sweep has no fit.
    """
    i = np.atleast_1d(np.asarray(i_A, float))
    if not fits.model[k]:
        return np.full(i.shape, np.nan)
    return voltage_of(fits.theta[k : k + 1], fits.temp_C[k : k + 1], i[None])[0][0]


def residuals(table: SweepTable, fits: SweepFits, k: int, noise: Noise | None = None) -> np.ndarray:
    """What each point of sweep `k` misses the curve by, in standard uncertainties.

    Parameters
    ----------
    table : SweepTable
    fits : SweepFits
        Of that table.
    k : int
    noise : Noise, optional
        As given to `fit_sweeps`; without it the components found there are used.

    Returns
    -------
    ndarray
        One entry a point [1], nan at points the fit left out.
    """
    points = table.points(k)
    v, i, used = table.v_V[points], table.i_A[points], fits.used[points]
    out = np.full(v.size, np.nan)
    if not fits.model[k] or not used.any():
        return out
    v, i = v[used], i[used]
    model, _, slope = (a[0] for a in current_of(fits.theta[k : k + 1], fits.temp_C[k : k + 1], v[None]))
    if noise is None:
        uv2 = np.maximum(np.nan_to_num(fits.noise_V2[k]), FLOOR_V**2)
        ui2 = (
            np.maximum(np.nan_to_num(fits.noise_A2[k]), FLOOR_A**2)
            + np.nan_to_num(fits.noise_ratio2[k]) * model**2
        )
    else:
        uv2 = noise.variances(v, 0.0)[0] + np.nan_to_num(fits.noise_V2[k])
        ui2 = noise.variances(0.0, model)[1] + np.nan_to_num(fits.noise_A2[k])
    out[used] = (i - model) / np.sqrt(ui2 + slope**2 * uv2)
    return out
