"""Terminal voltage and current of fitted coordinates, with derivatives: the bridge to `junction.physics`."""

from __future__ import annotations

import numpy as np

from junction.base.constants import thermal_voltage
from junction.fit.terms import AB, AR, BB, BR, COORDINATES, I0, IBV_A, RS, A, B, G, curve
from junction.physics import junction as law


def _arguments(theta, temp_C):
    """Keyword arguments of the physics functions, columns (n, 1); absent terms at their neutral value."""
    vt = thermal_voltage(temp_C)
    get = theta.T
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        out = {
            "IS_A": np.where(np.isfinite(get[A]), np.exp(get[A]), 1e-60),
            "N": np.where(np.isfinite(get[B]), 1 / get[B], 1.0),
            "RS_ohm": np.maximum(np.nan_to_num(get[RS]), 0.0),
            "RSH_ohm": np.where(get[G] > 0, 1 / get[G], np.inf),
            "IPH_A": -np.nan_to_num(get[I0]),
            "ISR_A": np.where(np.isfinite(get[AR]), np.exp(get[AR]), 0.0),
            "NR": np.where(np.isfinite(get[BR]), 1 / get[BR], 2.0),
            "BV_V": np.where(np.isfinite(get[AB]), (np.log(IBV_A) - get[AB]) * vt / get[BB], np.inf),
            "NBV": np.where(np.isfinite(get[BB]), 1 / get[BB], 1.0),
            "temp_C": temp_C,
        }
    return {name: np.asarray(value)[:, None] for name, value in out.items()} | {"IBV_A": IBV_A}


def _line(theta):
    """Sweeps that are a straight line or a constant: no exponential term."""
    return np.isnan(theta[:, A]) & np.isnan(theta[:, AB])


def voltage_of(theta, temp_C, i_A):
    """Terminal voltage at given currents, and its derivatives.

    Parameters
    ----------
    theta : ndarray (n, 9)
        In `terms.COORDINATES`.
    temp_C : ndarray (n,)
        [degC].
    i_A : ndarray (n, q)
        [A].

    Returns
    -------
    v : ndarray (n, q)
        [V]; nan where the curve never carries that current.
    by : ndarray (n, 9, q)
        dv/dtheta.
    slope : ndarray (n, q)
        dv/di [ohm].
    """
    x = np.full(i_A.shape, np.nan)
    line = _line(theta)
    rows = np.flatnonzero(~line)
    if rows.size:
        arguments = _arguments(theta[rows], temp_C[rows])
        rs = arguments.pop("RS_ohm")
        x[rows] = law.voltage(i_A[rows], **arguments)
        del rs
    rows = np.flatnonzero(line)
    with np.errstate(divide="ignore", invalid="ignore"):
        x[rows] = (i_A[rows] - np.nan_to_num(theta[rows, I0, None])) / theta[rows, G, None]
        x = np.where(np.isfinite(x), x, np.nan)
        _, g, by = curve(theta, thermal_voltage(temp_C), x)
        by /= -g[:, None, :]
        by[:, RS] = np.where(np.isfinite(theta[:, RS, None]), i_A, 0.0)
        rs = np.nan_to_num(theta[:, RS, None])
        return x + rs * i_A, by, 1 / g + rs


def current_of(theta, temp_C, v_V):
    """Terminal current at given voltages, and its derivatives.

    Parameters
    ----------
    theta : ndarray (n, 9)
    temp_C : ndarray (n,)
    v_V : ndarray (n, q)
        [V].

    Returns
    -------
    i : ndarray (n, q)
        [A].
    by : ndarray (n, 9, q)
        di/dtheta.
    slope : ndarray (n, q)
        di/dv [S].
    """
    out = np.full(v_V.shape, np.nan)
    x = np.array(v_V, float)
    line = _line(theta)
    rows = np.flatnonzero(~line)
    if rows.size:
        arguments = _arguments(theta[rows], temp_C[rows])
        out[rows] = law.current(v_V[rows], **arguments)
        x[rows] = v_V[rows] - arguments["RS_ohm"] * out[rows]
    f, g, by = curve(theta, thermal_voltage(temp_C), x)
    # a shunt estimate below zero is not in the law's parameters: add it to first order
    negative = np.minimum(np.nan_to_num(theta[:, G, None]), 0.0) * x
    rs = np.maximum(np.nan_to_num(theta[:, RS, None]), 0.0)
    h = 1 + rs * np.maximum(g, 0.0)
    out = np.where(line[:, None], f, out + negative / h)
    by /= h[:, None, :]
    by[:, RS] = np.where(np.isfinite(theta[:, RS, None]), -g * out / h, 0.0)
    return out, by, g / h


WIDTH = len(COORDINATES)
