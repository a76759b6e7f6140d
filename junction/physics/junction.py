r"""Current and voltage of a p-n junction, with series and shunt resistance, light and breakdown.

With v_j = v - i RS the voltage across the junction itself, the current into the p side is

.. math::

    i = IS\,(e^{v_j/(N\,VT)} - 1) + ISR\,(e^{v_j/(NR\,VT)} - 1) + v_j/RSH - IPH
        - IBV\,e^{-(v_j + BV)/(NBV\,VT)}

Both directions reduce to one rising function of v_j,

.. math::  k\,v_j + s\,[\text{exponentials}](v_j) = c

with (k, s, c) = (1 + RS/RSH, RS, v + RS IPH) when the voltage is given and (1/RSH, 1, i + IPH) when the
current is.  One exponential beside the straight line has the closed solution by Lambert's W (Banwell and
Jayakumar, Electronics Letters 36(4):291, 2000; Ortiz-Conde et al., Facta Universitatis 27(1):57, 2014),
used here in its logarithmic form, the Wright omega function, which cannot overflow.  It is exact for one
exponential and a start within a few N·VT of the root for all; a bracketed Newton iteration does the rest.

Accuracy.  Where current or voltage is well conditioned, results agree with 50-digit arithmetic to 1e-10
relative or better (tests/external/test_physics_junction.py).  Three places cannot, in any double
arithmetic, because the last bit of the input already moves the answer further: the current near the
open-circuit voltage of a lit junction (IPH cancels), the voltage at a reverse current within a few bits
of -(IS + ISR) when there is no shunt, and currents whose exponent v_j/(N VT) is in the hundreds, where a
relative error of the exponent is multiplied by it (1e-13 at the 5 V and N = 0.9 of the design range).
Exponents are held at 340, so that no input overflows: a current beyond 1e120 A means "impossible".
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from junction.base.units import thermal_voltage

_NAMES = ("IS_A", "N", "RS_ohm", "RSH_ohm", "IPH_A", "ISR_A", "NR", "BV_V", "IBV_A", "NBV", "temp_C")
#: Largest exponent used; exp(340) is 1e147, so that products of two such values stay finite.
EXPONENT_LIMIT = 340.0
_EPS = np.finfo(float).eps
_MAX_STEPS = 120


def limited_exp(x):
    """Exponential that stops growing at `EXPONENT_LIMIT`.

    Parameters
    ----------
    x : array_like
        Exponent [1].

    Returns
    -------
    ndarray
        exp(min(x, 340)) [1]: finite, without a warning, exact below the limit.
    """
    return np.exp(np.minimum(x, EXPONENT_LIMIT))


def limited_expm1(x):
    """Limited exp(x) - 1 without cancellation near zero.

    Parameters
    ----------
    x : array_like
        Exponent [1].

    Returns
    -------
    ndarray
        expm1(min(x, 340)) [1].
    """
    return np.expm1(np.minimum(x, EXPONENT_LIMIT))


def solve_linear_exponential(k, b, a, c):
    """Solve ``k x + b exp(x / a) = c`` for x, in closed form.

    Parameters
    ----------
    k, b : array_like
        Coefficients, not negative, not both zero [1 or S; V or A].
    a : array_like
        Positive scale of the exponent [V].
    c : array_like
        Right-hand side [V or A], the unit of b.

    Returns
    -------
    ndarray
        x [V]; -inf where k is 0 and c is not positive (the exponential alone cannot reach c).

    Notes
    -----
    ``x = a (ln w - ln(b/(a k)))`` with the Wright omega
    function ``w = omega(ln(b/(a k)) + c/(a k))``, which is
    ``x = c/k - a w`` in the form that keeps its digits when w is small.

    References
    ----------
    T. C. Banwell and A. Jayakumar, Electronics Letters 36(4):291-292, 2000, doi:10.1049/el:20000301.
    """
    from scipy.special import wrightomega  # late: a `junction check` never needs it

    k, b, a, c = np.broadcast_arrays(*(np.asarray(t, float) for t in (k, b, a, c)))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        pure = np.where(c > 0, a * (np.log(np.maximum(c, 0)) - np.log(b)), -np.inf)
        log_ratio = np.log(b) - np.log(a * k)
        w = wrightomega(log_ratio + c / (a * k))
        mixed = np.where(w > 1.0, a * (np.log(w) - log_ratio), c / k - a * w)
        return np.where(k == 0, pure, np.where(b == 0, c / k, mixed))


def _law(drive, *parameters):
    """What is given and all parameters as arrays of one shape; a1, a2, a3 are N·VT, NR·VT, NBV·VT [V]."""
    drive, *rest = np.broadcast_arrays(*(np.asarray(x, float) for x in (drive, *parameters)))
    p = SimpleNamespace(**dict(zip(_NAMES, rest, strict=True)))
    VT = thermal_voltage(p.temp_C)
    p.a1, p.a2, p.a3 = p.N * VT, p.NR * VT, p.NBV * VT
    return drive, p


def _exponentials(x, p):
    """Sum of the exponential terms at junction voltage x and its slope, shunt and light left out."""
    value = p.IS_A * limited_expm1(x / p.a1)
    slope = p.IS_A / p.a1 * limited_exp(x / p.a1)
    if np.any(p.ISR_A > 0):
        value = value + p.ISR_A * limited_expm1(x / p.a2)
        slope = slope + p.ISR_A / p.a2 * limited_exp(x / p.a2)
    if np.any(np.isfinite(p.BV_V)):
        reverse = p.IBV_A * limited_exp(-(x + p.BV_V) / p.a3)  # an exact 0 without breakdown
        value, slope = value - reverse, slope + reverse / p.a3
    return value, slope


def _start(k, s, c, p):
    """Closed solution with the exponential that carries most of the current."""
    forward = solve_linear_exponential(k, s * p.IS_A, p.a1, c + s * p.IS_A)
    start = forward
    two = np.any(p.ISR_A > 0)
    if two:
        forward2 = solve_linear_exponential(k, s * p.ISR_A, p.a2, c + s * p.ISR_A)
        with np.errstate(invalid="ignore"):
            alone = np.where(p.ISR_A > 0, np.minimum(forward, forward2), forward)
        # Below zero each alone is a lower bound, and so is the wider with the whole saturation current.
        total, wide = p.IS_A + p.ISR_A, np.where(p.ISR_A > 0, np.maximum(p.a1, p.a2), p.a1)
        below = solve_linear_exponential(k, s * total, wide, c + s * total)
        below = np.maximum(np.maximum(below, forward), np.where(p.ISR_A > 0, forward2, -np.inf))
        start = np.where(c >= 0, alone, below)
    if np.any(np.isfinite(p.BV_V)):
        has = np.isfinite(p.BV_V) & (c < 0)
        total = p.IS_A + p.ISR_A
        BV = np.where(has, p.BV_V, 0.0)
        # With y = -(x + BV) the breakdown term alone is k y + s IBV exp(y/a3) = -(c + s total) - k BV.
        y = solve_linear_exponential(k, s * p.IBV_A, p.a3, -(c + s * total) - k * BV)
        reverse = -BV - y
        start = np.where(has, np.maximum(np.minimum(reverse, 0.0), start), start)
        # A current within rounding of full saturation lies anywhere on the flat: take its middle.
        start = np.where(has & np.isneginf(start), -0.5 * BV, start)
    return start


def _solve(k, s, c, p):
    """Junction voltage x with k x + s·exponentials(x) = c."""
    shape, x = np.shape(c), np.ravel(_start(k, s, c, p))
    k, s, c = (np.ravel(t) for t in (k, s, c))
    fields = {name: np.ravel(x) for name, x in vars(p).items()}
    todo = np.flatnonzero(np.isfinite(x))
    low, high = np.full(x.shape, -np.inf), np.full(x.shape, np.inf)
    for _ in range(_MAX_STEPS):
        if not todo.size:
            break
        xt, kt, st, ct = x[todo], k[todo], s[todo], c[todo]
        pt = SimpleNamespace(**{name: field[todo] for name, field in fields.items()})
        value, slope = _exponentials(xt, pt)
        h = kt * xt + st * value - ct
        noise = 2 * _EPS * (np.abs(kt * xt) + np.abs(st * value) + np.abs(ct))
        low[todo] = lo = np.where(h < 0, xt, low[todo])
        high[todo] = hi = np.where(h > 0, xt, high[todo])
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            step = -h / (kt + st * slope)
            reach = np.abs(xt) + 40 * (pt.a1 + pt.a2 + pt.a3)
            new = xt + np.clip(np.nan_to_num(step), -reach, reach)
            outside = ((new <= lo) | (new >= hi)) & np.isfinite(lo) & np.isfinite(hi)
            new = np.where(outside, 0.5 * (lo + hi), new)
            # The law bends up on the right of zero and down on the left: never step over zero.
            new = np.where(new * xt < 0, 0.0, new)
        done = (np.abs(h) <= noise) | (np.abs(new - xt) <= 2 * _EPS * np.abs(xt))
        x[todo] = np.where(np.abs(h) <= noise, xt, new)
        todo = todo[~done]
    return x.reshape(shape)


def current(v_V, IS_A, N, RS_ohm=0.0, RSH_ohm=np.inf, IPH_A=0.0, ISR_A=0.0, NR=2.0,
            BV_V=np.inf, IBV_A=1e-3, NBV=1.0, temp_C=25.0):  # fmt: skip
    """Terminal current of a junction at a terminal voltage.

    Parameters
    ----------
    v_V : array_like
        Voltage of the p side against the n side [V].  All arguments broadcast.
    IS_A, N : array_like
        Saturation current [A] and emission coefficient [1].
    RS_ohm, RSH_ohm : array_like
        Series and shunt resistance [ohm].
    IPH_A : array_like
        Photocurrent [A], subtracts.
    ISR_A, NR : array_like
        Saturation current [A] and emission coefficient [1] of the recombination term.
    BV_V, IBV_A, NBV : array_like
        Breakdown voltage [V] (positive), current there [A], its emission coefficient [1].
    temp_C : array_like
        Junction temperature [degC]; sets VT alone, the parameters are taken as they are.

    Returns
    -------
    ndarray or float
        Current into the p side [A].

    References
    ----------
    Banwell and Jayakumar, Electronics Letters 36(4):291, 2000; Ortiz-Conde et al., Facta Universitatis
    Ser. Electronics and Energetics 27(1):57-102, 2014.
    """
    v, p = _law(v_V, IS_A, N, RS_ohm, RSH_ohm, IPH_A, ISR_A, NR, BV_V, IBV_A, NBV, temp_C)
    x = _solve(1.0 + p.RS_ohm / p.RSH_ohm, p.RS_ohm, v + p.RS_ohm * p.IPH_A, p)
    x = np.where(p.RS_ohm == 0, v, x)
    value, slope = _exponentials(x, p)
    # Where the resistor holds most of the slope, (v - x)/RS has the smaller rounding error.
    with np.errstate(divide="ignore", invalid="ignore"):
        steep = p.RS_ohm * (slope + 1.0 / p.RSH_ohm) > 1.0
        return np.where(steep, (v - x) / p.RS_ohm, value + x / p.RSH_ohm - p.IPH_A)[()]


def voltage(i_A, IS_A, N, RS_ohm=0.0, RSH_ohm=np.inf, IPH_A=0.0, ISR_A=0.0, NR=2.0,
            BV_V=np.inf, IBV_A=1e-3, NBV=1.0, temp_C=25.0):  # fmt: skip
    """Terminal voltage of a junction at a terminal current.

    Parameters
    ----------
    i_A : array_like
        Current into the p side [A].  All arguments broadcast.
    IS_A, N, RS_ohm, RSH_ohm, IPH_A, ISR_A, NR, BV_V, IBV_A, NBV, temp_C : array_like
        As in `current`, same units.

    Returns
    -------
    ndarray or float
        Voltage of the p side against the n side [V]; -inf where neither shunt nor breakdown lets a
        reverse current of that size flow.
    """
    i, p = _law(i_A, IS_A, N, RS_ohm, RSH_ohm, IPH_A, ISR_A, NR, BV_V, IBV_A, NBV, temp_C)
    return (_solve(1.0 / p.RSH_ohm, np.ones_like(i), i + p.IPH_A, p) + i * p.RS_ohm)[()]
