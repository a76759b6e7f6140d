r"""Dc Gummel-Poon transistor with terminal resistances, as SPICE solves it.

With the internal junction voltages v_be and v_bc,

.. math::

    I_F = IS\,(e^{v_{be}/(NF\,VT)} - 1),\quad I_R = IS\,(e^{v_{bc}/(NR\,VT)} - 1),\quad
    q_b = \frac{q_1}{2}\big(1 + \sqrt{1 + 4\,(I_F/IKF + I_R/IKR)}\big),\quad
    q_1 = \frac{1}{1 - v_{bc}/VAF - v_{be}/VAR}

    i_c = (I_F - I_R)/q_b - I_R/BR - ISC\,(e^{v_{bc}/(NC\,VT)} - 1)

    i_b = I_F/BF + ISE\,(e^{v_{be}/(NE\,VT)} - 1) + I_R/BR + ISC\,(e^{v_{bc}/(NC\,VT)} - 1)

    v_{BE} = v_{be} + i_b RB + (i_c + i_b) RE,\qquad v_{CE} = v_{be} - v_{bc} + i_c RC + (i_c + i_b) RE

All values are in the NPN sense; a PNP part has the same equations with every sign turned over.

References: H. K. Gummel and H. C. Poon, Bell System Technical Journal 49:827, 1970; I. Getreu, Modeling
the Bipolar Transistor, 1976; Massobrio and Antognetti, 2nd ed. 1993, chapter 2.

Parameters travel as a mapping of SPICE names to arrays that broadcast against the operating point, the
part on axis 0: for n parts at m currents give arrays of shape (n, 1) and currents of shape (m,).  A name
left out has its SPICE default, which switches the effect off.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import SimpleNamespace

import numpy as np

from junction.base.units import REFERENCE_TEMP_C, thermal_voltage
from junction.physics.junction import limited_exp, limited_expm1

#: Parameters of the model in card order, with their SPICE defaults.
DEFAULTS = {
    "IS": 1e-16, "NF": 1.0, "BF": 100.0, "ISE": 0.0, "NE": 1.5, "IKF": np.inf, "VAF": np.inf,
    "NR": 1.0, "BR": 1.0, "ISC": 0.0, "NC": 2.0, "IKR": np.inf, "VAR": np.inf,
    "RE": 0.0, "RB": 0.0, "RC": 0.0,
}  # fmt: skip
NAMES = tuple(DEFAULTS)
_STEPS = 60


def complete(params: Mapping) -> dict:
    """All parameters of the model, the missing ones at their SPICE defaults.

    Parameters
    ----------
    params : mapping of str to array_like
        SPICE names, SI units.

    Returns
    -------
    dict of str to ndarray

    Raises
    ------
    ValueError
        If a name is not a parameter of the model.
    """
    unknown = set(params) - set(NAMES)
    if unknown:
        raise ValueError(f"no Gummel-Poon parameter {sorted(unknown)[0]!r}; known: {', '.join(NAMES)}")
    return {name: np.asarray(params.get(name, default), float) for name, default in DEFAULTS.items()}


def _shape(p, *arguments):
    return np.broadcast_shapes(*(np.shape(x) for x in arguments), *(x.shape for x in p.values()))


def intrinsic(vbe_V, vbc_V, params: Mapping, temp_C=REFERENCE_TEMP_C, *, log_derivatives=False):
    """Collector and base current at given internal junction voltages.

    Parameters
    ----------
    vbe_V, vbc_V : array_like
        Internal base-emitter and base-collector voltage [V].
    params : mapping of str to array_like
        As `complete` takes them, at the temperature given.
    temp_C : array_like
        Temperature [degC]; sets VT alone.
    log_derivatives : bool
        Also give the derivatives to ln(parameter).

    Returns
    -------
    namespace
        ``ic``, ``ib`` [A]; ``ic_be`` ... ``ib_bc``: derivatives to the internal v_be and v_bc [S];
        ``ic_log``, ``ib_log``: derivatives to the natural log of each parameter [A], by name.
    """
    p = complete(params)
    VT = thermal_voltage(np.asarray(temp_C, float))
    vbe, vbc = np.asarray(vbe_V, float), np.asarray(vbc_V, float)

    def term(scale, v, emission):
        a = emission * VT
        return scale * limited_expm1(v / a), scale / a * limited_exp(v / a)

    I_F, g_F = term(p["IS"], vbe, p["NF"])
    I_R, g_R = term(p["IS"], vbc, p["NR"])
    L_E, g_LE = term(p["ISE"], vbe, p["NE"])
    L_C, g_LC = term(p["ISC"], vbc, p["NC"])
    # A reach-through operating point (v_bc near VAF) has no meaning in the model; keep q1 positive there.
    q1 = 1.0 / np.maximum(1.0 - vbc / p["VAF"] - vbe / p["VAR"], 1e-2)
    s = np.sqrt(np.maximum(1.0 + 4.0 * (I_F / p["IKF"] + I_R / p["IKR"]), 1e-6))
    qb = 0.5 * q1 * (1.0 + s)
    transport = (I_F - I_R) / qb

    def ct(dI_F, dI_R, dq1=0.0, dq2=None):
        """Change of the transport current; q2 follows the currents unless given."""
        dq2 = dI_F / p["IKF"] + dI_R / p["IKR"] if dq2 is None else dq2
        return (dI_F - dI_R - transport * (0.5 * (1.0 + s) * dq1 + q1 / s * dq2)) / qb

    ic_log, ib_log = {}, {}
    if log_derivatives:
        zero = np.zeros(np.broadcast_shapes(transport.shape, L_E.shape, L_C.shape))
        ic_log = {
            "IS": ct(I_F, I_R) - I_R / p["BR"], "NF": ct(-g_F * vbe, 0.0),
            "IKF": ct(0.0, 0.0, dq2=-I_F / p["IKF"]), "VAF": ct(0.0, 0.0, dq1=-q1 * q1 * vbc / p["VAF"]),
            "VAR": ct(0.0, 0.0, dq1=-q1 * q1 * vbe / p["VAR"]), "IKR": ct(0.0, 0.0, dq2=-I_R / p["IKR"]),
            "BR": I_R / p["BR"], "NR": ct(0.0, -g_R * vbc) + g_R * vbc / p["BR"],
            "ISC": -L_C, "NC": g_LC * vbc, "BF": zero, "ISE": zero, "NE": zero,
        }  # fmt: skip
        ib_log = {
            "IS": I_F / p["BF"] + I_R / p["BR"], "NF": -g_F * vbe / p["BF"], "BF": -I_F / p["BF"],
            "ISE": L_E, "NE": -g_LE * vbe, "BR": -I_R / p["BR"], "NR": -g_R * vbc / p["BR"],
            "ISC": L_C, "NC": -g_LC * vbc, "IKF": zero, "VAF": zero, "VAR": zero, "IKR": zero,
        }  # fmt: skip
    return SimpleNamespace(
        ic=transport - I_R / p["BR"] - L_C, ib=I_F / p["BF"] + L_E + I_R / p["BR"] + L_C,
        ic_be=ct(g_F, 0.0, dq1=q1 * q1 / p["VAR"]),
        ic_bc=ct(0.0, g_R, dq1=q1 * q1 / p["VAF"]) - g_R / p["BR"] - g_LC,
        ib_be=g_F / p["BF"] + g_LE, ib_bc=g_R / p["BR"] + g_LC, ic_log=ic_log, ib_log=ib_log,
    )  # fmt: skip


def _limit_step(old, new, VT, critical):
    """Junction-voltage limiting of SPICE: a large forward step is taken in the logarithm of the current."""
    step = new - old
    with np.errstate(invalid="ignore", divide="ignore"):
        up = old + VT * np.log1p(np.maximum(step, 0.0) / VT)
    return np.where((new > critical) & (step > 2 * VT), np.maximum(up, np.minimum(critical, new)), new)


def currents(vbe_V, vce_V, params: Mapping, temp_C=REFERENCE_TEMP_C):
    """Terminal collector and base current at terminal voltages.

    Parameters
    ----------
    vbe_V, vce_V : array_like
        Terminal base-emitter and collector-emitter voltage [V].
    params : mapping of str to array_like
        As `complete` takes them, at the temperature given.
    temp_C : array_like
        Temperature [degC].

    Returns
    -------
    ic_A, ib_A : ndarray
        Collector and base current [A]; nan where Newton's iteration found none.
    """
    p = complete(params)
    shape = _shape(p, vbe_V, vce_V, temp_C)
    vbe, vce = (np.broadcast_to(np.asarray(x, float), shape) for x in (vbe_V, vce_V))
    VT = thermal_voltage(np.asarray(temp_C, float))
    critical = p["NF"] * VT * np.log(VT / p["IS"])
    x, y = np.minimum(vbe, critical), np.minimum(vbe - vce, critical)
    done = np.zeros(shape, bool)
    for _ in range(4 * _STEPS):
        m = intrinsic(x, y, p, temp_C)
        f = x + m.ib * p["RB"] + (m.ic + m.ib) * p["RE"] - vbe
        g = y + m.ib * p["RB"] - m.ic * p["RC"] - (vbe - vce)
        RBE = p["RB"] + p["RE"]
        f_x, f_y = 1 + m.ib_be * RBE + m.ic_be * p["RE"], m.ib_bc * RBE + m.ic_bc * p["RE"]
        g_x, g_y = m.ib_be * p["RB"] - m.ic_be * p["RC"], 1 + m.ib_bc * p["RB"] - m.ic_bc * p["RC"]
        det = f_x * g_y - f_y * g_x
        new_x = _limit_step(x, x - (f * g_y - g * f_y) / det, VT, critical)
        new_y = _limit_step(y, y - (g * f_x - f * g_x) / det, VT, critical)
        # Far down-steps only occur after an overshoot; hold them as well so that no point oscillates.
        new_x, new_y = np.maximum(new_x, x - 0.2), np.where(y > 0, np.maximum(new_y, y - 0.2), new_y)
        done = (np.abs(new_x - x) < 1e-14) & (np.abs(new_y - y) < 1e-14 * (1 + np.abs(y)))
        x, y = np.where(done, x, new_x), np.where(done, y, new_y)
        if done.all():
            break
    m = intrinsic(x, y, p, temp_C)
    ok = done | (np.abs(f) + np.abs(g) < 1e-9)
    return np.where(ok, m.ic, np.nan), np.where(ok, m.ib, np.nan)


def operating_point(ic_A, vce_V, params: Mapping, temp_C=REFERENCE_TEMP_C, *, log_derivatives=False):
    """V_BE and base current at a collector current: what matching and sharing use.

    Parameters
    ----------
    ic_A, vce_V : array_like
        Terminal collector current [A], positive, and collector-emitter voltage [V].
    params : mapping of str to array_like
        As `complete` takes them, at the temperature given.
    temp_C : array_like
        Temperature [degC].
    log_derivatives : bool
        Also give the derivatives to ln(parameter).

    Returns
    -------
    namespace
        ``vbe`` [V] and ``ib`` [A] at the terminals; ``vbe_log``, ``ib_log``: their derivatives to the natural
        log of each parameter, by name ([V], [A]).  nan where the part cannot carry that current at that V_CE
        (deep saturation).

    Notes
    -----
    Newton's iteration in ln(ic) from the forward-active solution, which is exact but for i_b RE and
    saturation: with q_b known, IF = ic q1 (1 + ic q1/IKF).
    """
    p = complete(params)
    shape = _shape(p, ic_A, vce_V, temp_C)
    ic, vce = (np.broadcast_to(np.asarray(t, float), shape) for t in (ic_A, vce_V))
    VT, RE, RC, RB = thermal_voltage(np.asarray(temp_C, float)), p["RE"], p["RC"], p["RB"]
    q1 = 1.0 / np.maximum(1.0 + (vce - ic * (RC + RE) - 0.6) / p["VAF"] - 0.6 / p["VAR"], 1e-2)
    x = p["NF"] * VT * np.log1p(ic * q1 * (1.0 + ic * q1 / p["IKF"]) / p["IS"])
    ib = np.zeros_like(x)
    for step in range(_STEPS):
        m = intrinsic(x, x - vce + ic * RC + (ic + ib) * RE, p, temp_C)
        if step == 0:
            ib = m.ib
            continue
        good = m.ic > 0
        safe = np.where(good, m.ic, 1.0)
        f, h = np.log(safe / ic), m.ib - ib
        a, b = (m.ic_be + m.ic_bc) / safe, m.ic_bc * RE / safe
        c, d = m.ib_be + m.ib_bc, m.ib_bc * RE - 1.0
        det = a * d - b * c
        good &= det != 0  # a point the part cannot reach; it ends as nan
        det = np.where(good, det, 1.0)
        dx = np.clip(np.where(good, -(f * d - h * b) / det, -VT), -4 * VT, 4 * VT)
        ib = np.where(good, ib - (h * a - f * c) / det, m.ib)
        x = x + dx
        if np.all(np.abs(dx) <= 1e-15 + 4e-16 * np.abs(x)):
            break
    y = x - vce + ic * RC + (ic + ib) * RE
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        ok = np.abs(intrinsic(x, y, p, temp_C).ic / ic - 1.0) < 1e-9
    # a point that cannot be reached ended anywhere: evaluate it where nothing overflows, answer nan
    x, y = np.where(ok, x, 0.0), np.where(ok, y, 0.0)
    m = intrinsic(x, y, p, temp_C, log_derivatives=log_derivatives)
    # Implicit functions of (x, ib): IC(x, y) = ic, IB(x, y) = ib, y = x - vce + ic RC + (ic + ib) RE.
    a, b, c, d = m.ic_be + m.ic_bc, m.ic_bc * RE, m.ib_be + m.ib_bc, m.ib_bc * RE - 1.0
    det = np.where(ok, a * d - b * c, np.nan)
    ib = np.where(ok, m.ib, np.nan)
    vbe_log, ib_log = {}, {}
    if log_derivatives:
        # what IC and IB change by at fixed x and ib, and what falls across RE besides
        changes = {name: (m.ic_log[name], m.ib_log[name], 0.0) for name in m.ic_log}
        for name, dy, drop in (("RE", (ic + ib) * RE, (ic + ib) * RE), ("RC", ic * RC, 0.0)):
            changes[name] = m.ic_bc * dy, m.ib_bc * dy, drop
        for name, (of_ic, of_ib, drop) in changes.items():
            ib_log[name] = (c * of_ic - a * of_ib) / det
            vbe_log[name] = (b * of_ib - d * of_ic) / det + ib_log[name] * (RB + RE) + drop
        ib_log["RB"], vbe_log["RB"] = np.zeros(shape), ib * RB
    vbe = np.where(ok, x + ib * RB + (ic + ib) * RE, np.nan)
    return SimpleNamespace(vbe=vbe, ib=ib, vbe_log=vbe_log, ib_log=ib_log)


def internal_vbe_from_ib(ib_A, vce_internal_V, params: Mapping, temp_C=REFERENCE_TEMP_C):
    """Internal v_be at a base current and an internal v_ce: for output families taken at steps of I_B.

    Parameters
    ----------
    ib_A : array_like
        Base current [A].
    vce_internal_V : array_like
        v_be - v_bc inside the resistances [V].
    params : mapping of str to array_like
        As `complete` takes them.
    temp_C : array_like
        Temperature [degC].

    Returns
    -------
    ndarray
        Internal v_be [V]; nan where ib is below what the saturation currents can turn over.

    Notes
    -----
    i_b rises and bends upward with v_be at constant v_ce, so Newton's iteration from the right of the
    root, where the closed solutions of single exponentials put it, falls on it without overshoot.
    """
    p = complete(params)
    shape = _shape(p, ib_A, vce_internal_V, temp_C)
    ib, vce = (np.broadcast_to(np.asarray(t, float), shape) for t in (ib_A, vce_internal_V))
    VT = thermal_voltage(np.asarray(temp_C, float))
    x = np.full(shape, np.inf)
    for scale, emission, shift in (
        (p["IS"] / p["BF"], p["NF"], 0.0), (p["ISE"], p["NE"], 0.0),
        (p["IS"] / p["BR"], p["NR"], vce), (p["ISC"], p["NC"], vce),
    ):  # fmt: skip
        # ib plus all saturation currents bounds each exponential from above
        total = ib + p["IS"] / p["BF"] + p["ISE"] + p["IS"] / p["BR"] + p["ISC"]
        with np.errstate(divide="ignore", invalid="ignore"):
            alone = emission * VT * (np.log(total) - np.log(scale)) + shift
        x = np.minimum(x, np.where(scale > 0, alone, np.inf))
    for _ in range(_STEPS):
        m = intrinsic(x, x - vce, p, temp_C)
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            dx = np.clip(-(m.ib - ib) / (m.ib_be + m.ib_bc), -1.0, 1.0)
        x = x + dx
        if np.all((np.abs(dx) < 1e-9) | ~np.isfinite(dx)):  # quadratic: the step after would be under 1e-16
            break
    return x
