"""From fitted coordinates to parameters with 95 % intervals, limits and flags.

A conductance or series resistance whose interval holds zero is not a number the data can give: it becomes
a one-sided limit (`RS < x`, `RSH > x`), the far end of the same interval.
"""

from __future__ import annotations

import numpy as np

from junction.fit.results import PARAMETERS
from junction.fit.terms import AB, AR, BB, BR, I0, IBV_A, LOWER, RS, UPPER, A, B, G

#: Parameters whose logarithms `SweepFits.covariance` covers, in its order.
LOGARITHMIC = ("IS_A", "N", "RS_ohm", "RSH_ohm", "ISR_A", "NR", "BV_V", "NBV")


def _empty(n):
    return {name: np.full(n, np.nan) for name in PARAMETERS}


def parameters(theta, u, below, above, q, vt, covariance, *, resistor, light, loose):
    """Values, interval ends and standard uncertainties of all parameters.

    Parameters
    ----------
    theta, u : ndarray (n, 9)
        Coordinates and their standard uncertainties; nan where absent.
    below, above : ndarray (n, 9)
        Half-widths of their intervals to either side.
    q : ndarray (n,)
        Half-width of an interval in standard uncertainties, for what follows from several coordinates.
    vt : ndarray (n,)
        Thermal voltage [V].
    covariance : ndarray (n, 9, 9)
    resistor : ndarray of bool (n,)
        The conductance is the whole path, not a shunt.
    light : ndarray of bool (n,)
        The constant term is a photocurrent.
    loose : ndarray of bool (n,)
        The points cannot hold the parameters apart: saturation currents and idealities say nothing.

    Returns
    -------
    value, low, high, u : dict of str to ndarray (n,)
    """
    n = theta.shape[0]
    value, low, high, spread = _empty(n), _empty(n), _empty(n), _empty(n)

    def put(name, val, lo, hi, dev):
        value[name], low[name], high[name], spread[name] = val, lo, hi, dev

    for name, k in (("IS_A", A), ("ISR_A", AR)):
        put(name, *_current(theta[:, k], u[:, k], below[:, k], above[:, k], loose))
    for name, k in (("N", B), ("NR", BR), ("NBV", BB)):
        put(name, *_slope(k, theta[:, k], u[:, k], below[:, k], above[:, k], loose))
    put("RS_ohm", *_above_zero(theta[:, RS], u[:, RS], below[:, RS], above[:, RS]))
    path = _resistance(theta[:, G], u[:, G], below[:, G], above[:, G])
    for name, rows in (("RSH_ohm", ~resistor), ("R_ohm", resistor)):
        put(name, *(np.where(rows, a, np.nan) for a in path))
    for name, rows, sign in (("IPH_A", light, -1.0), ("I0_A", ~light, 1.0)):
        best = np.where(rows, sign * theta[:, I0], np.nan)
        less, more = (below, above) if sign > 0 else (above, below)
        put(name, best, best - less[:, I0], best + more[:, I0], np.where(rows, u[:, I0], np.nan))
    bv, u_bv = _breakdown_voltage(theta, vt, covariance)
    put("BV_V", bv, bv - q * u_bv, bv + q * u_bv, u_bv)
    return value, low, high, spread


#: A saturation current is a value where its interval spans less than this (ln of 1e12), and each end is an
#: end where it lies within half of it.
_DECADES = 27.6


def _current(a, u, below, above, loose):
    """Value, ends and uncertainty of exp(a): where the data cannot hold it, the end that they do."""
    with np.errstate(invalid="ignore", over="ignore"):
        inside = (a - below > LOWER[A]), (a + above < UPPER[A])  # beyond the fit's own bounds an end is none
        held = ~loose & (below + above < _DECADES) & inside[0] & inside[1]
        low = np.where(held | (~loose & inside[0] & (below < _DECADES / 2)), np.exp(a - below), -np.inf)
        high = np.where(held | (~loose & inside[1] & (above < _DECADES / 2)), np.exp(a + above), np.inf)
        return _as_far_as_held(a, held, np.exp(a), low, high, np.exp(a) * u)


def _slope(k, b, u, below, above, loose):
    """The same of an ideality 1/b: a limit where its inverse may be zero or it stands at its bound."""
    with np.errstate(divide="ignore", invalid="ignore"):
        at_low, at_high = b <= LOWER[k], b >= UPPER[k]
        ended = b - below > LOWER[k]  # beyond the fit's own bound an end is none
        held = ~loose & ended & ~at_low & ~at_high
        low = np.where(held | (~loose & ~at_high & (b + above > 0)), 1 / (b + above), -np.inf)
        high = np.where(held | (~loose & ~at_low & ended), 1 / (b - below), np.inf)
        return _as_far_as_held(b, held, 1 / b, low, high, u / b**2)


def _as_far_as_held(theta, held, value, low, high, u):
    """Nothing for an absent term; no value and an endless uncertainty where the data hold none."""
    absent = np.isnan(theta)
    value, u = np.where(held, value, np.nan), np.where(held, u, np.inf)
    return value, *(np.where(absent, np.nan, x) for x in (low, high, u))


def _above_zero(x, u, below, above):
    held = x > below
    limit = np.maximum(x, 0.0) + above
    low = np.where(held, x - below, np.where(np.isnan(x), np.nan, -np.inf))
    return np.where(held, x, np.nan), low, np.where(held, x + above, limit), np.where(held, u, np.nan)


def _resistance(g, u, below, above):
    """Value, ends and uncertainty of 1/g; a lower limit where the interval of g holds zero."""
    held = g > below
    with np.errstate(divide="ignore", invalid="ignore"):
        low = 1 / (np.maximum(g, 0.0) + above)
        high = np.where(held, 1 / np.where(held, g - below, 1.0), np.where(np.isnan(g), np.nan, np.inf))
        safe = np.where(held, g, 1.0)
        return np.where(held, 1 / safe, np.nan), low, high, np.where(held, u / safe**2, np.nan)


def _breakdown_voltage(theta, vt, covariance):
    bb = theta[:, BB]
    bv = (np.log(IBV_A) - theta[:, AB]) * vt / bb
    da, db = -vt / bb, -bv / bb
    var = (
        da * da * covariance[:, AB, AB]
        + 2 * da * db * covariance[:, AB, BB]
        + db * db * covariance[:, BB, BB]
    )
    return bv, np.where(np.isnan(bv), np.nan, np.sqrt(np.maximum(var, 0.0)))


def log_covariance(theta, covariance, value, vt):
    """Covariance of the logarithms of `LOGARITHMIC`; zero where a parameter is absent or only a limit."""
    out = np.empty((theta.shape[0], len(LOGARITHMIC), len(LOGARITHMIC)))
    for first in range(0, theta.shape[0], 2000):  # a piece at a time: the Jacobians outweigh the result
        at = slice(first, first + 2000)
        values = {name: value[name][at] for name in LOGARITHMIC}
        jac = _log_jacobian(theta[at], values, vt[at])
        out[at] = np.matmul(np.matmul(jac, covariance[at]), jac.transpose(0, 2, 1))
    return out


def _log_jacobian(theta, value, vt):
    """Derivatives of the logarithms by the coordinates, (n, 8, 9)."""
    n = theta.shape[0]
    jac = np.zeros((n, len(LOGARITHMIC), theta.shape[1]))
    held = {name: np.isfinite(value[name]) for name in LOGARITHMIC}
    for row, name, k in ((0, "IS_A", A), (4, "ISR_A", AR)):
        jac[:, row, k] = held[name]
    for row, name, k in ((1, "N", B), (5, "NR", BR), (7, "NBV", BB)):
        jac[:, row, k] = np.where(held[name], -1 / np.where(held[name], theta[:, k], 1.0), 0.0)
    jac[:, 2, RS] = np.where(held["RS_ohm"], 1 / np.where(held["RS_ohm"], theta[:, RS], 1.0), 0.0)
    jac[:, 3, G] = np.where(held["RSH_ohm"], -1 / np.where(held["RSH_ohm"], theta[:, G], 1.0), 0.0)
    if held["BV_V"].any():
        bv, bb = np.where(held["BV_V"], value["BV_V"], 1.0), np.where(held["BV_V"], theta[:, BB], 1.0)
        jac[:, 6, AB] = np.where(held["BV_V"], -vt / (bb * bv), 0.0)
        jac[:, 6, BB] = np.where(held["BV_V"], -1 / bb, 0.0)
    return jac
