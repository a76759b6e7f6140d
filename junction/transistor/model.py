r"""Residuals of transistor points against the Gummel-Poon model, for a whole bag, with analytic derivatives.

A point is (v_be, v_ce, i_b, i_c), all measured, all uncertain.  With the measured currents in the drops
across the terminal resistances the internal voltages follow without solving anything, and the two model
equations IC(v) = i_c and IB(v) = i_b become two residuals, which share the errors of all four
measurements.  Each pair is therefore whitened by the 2 x 2 covariance of its own propagated errors
(effective variance in two dimensions).  Of a point without v_be (a family of output curves at steps of
i_b) the internal v_be is solved from i_b, and one residual is left; of a point without i_b the base
current of the drops is solved likewise, and the residual of i_c is left.

Currents are compared through asinh(i / 2u), u being the standard uncertainty of the current: a logarithm
for a current well above its noise, which makes an exponential law nearly linear in its parameters, and a
straight line through the noise, where a logarithm would fail.

What the data cannot say is held by weak prior knowledge, one row each: its centre is the stated default a
parameter falls back on, and its width is the uncertainty that then goes into every prediction.  A single
spot reading is fitted by the same rows.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from junction.base.units import ZERO_CELSIUS_K, thermal_voltage
from junction.physics.temperature import SILICON_XTI
from junction.physics.transistor import internal_vbe_from_ib, intrinsic
from junction.transistor.values import FITTED, chain_to_25C, parameters_at

#: Coordinates of the fit: logs of `FITTED`, then the error of the recorded temperature [K] and the
#: thermal resistance of self-heating [K/W] as they are.
N_LOG = len(FITTED)
TEMP, RTH = N_LOG, N_LOG + 1
N_COORDINATES = N_LOG + 2
AT = {name: k for k, name in enumerate(FITTED)}


def _squash(i, u):
    """Compressed current asinh(i/2u) and its slope [1/A]."""
    return np.arcsinh(i / (2 * u)), 1.0 / np.sqrt(i * i + 4 * u * u)


@dataclass(frozen=True, eq=False)
class TransistorProblem:
    """Points of n parts, what is known of them before, and the rows of both: a batch for `lsq.solve`.

    Points are padded to m, arrays (n, m): voltages and standard uncertainties [V], currents [A], ``temp_C``
    [degC].  ``has_vbe``, ``has_ib`` say what a point has; ``keep`` is False for padding and for what is left
    out.

    ``centre`` and ``width`` (n, p) are what is known of the coordinates (natural logs, K, K/W); width inf is
    no knowledge.  The entry of ISE is that of the logarithm of the share of the non-ideal base current at
    `ic0_A` (n,) instead, because ISE itself means nothing without its NE.

    ``whitening`` (n, m, 3) holds the factors (w11, w21, w22) that turn the two raw residuals into unit
    variance; it is held fixed during a solution and renewed between (`whitened`).
    """

    vbe: np.ndarray
    vce: np.ndarray
    ib: np.ndarray
    ic: np.ndarray
    u_vbe: np.ndarray
    u_vce: np.ndarray
    u_ib: np.ndarray
    u_ic: np.ndarray
    temp_C: np.ndarray
    has_vbe: np.ndarray
    has_ib: np.ndarray
    keep: np.ndarray
    centre: np.ndarray
    width: np.ndarray
    ic0_A: np.ndarray
    whitening: np.ndarray

    def take(self, index) -> TransistorProblem:
        """Some of the parts."""
        return TransistorProblem(*(getattr(self, f.name)[index] for f in fields(self)))

    def evaluate(self, theta: np.ndarray) -> np.ndarray:
        """Whitened derivatives and residuals of 2 m data rows and p prior rows, (n, p + 1, 2 m + p)."""
        with np.errstate(all="ignore"):  # a trial far off may overflow: not finite, so the solver rejects it
            f1, f2, d1, d2, _ = raw_residuals(theta, self)
        w11, w21, w22 = np.moveaxis(self.whitening, -1, 0)
        n, m = f1.shape
        p = N_COORDINATES
        buffer = np.empty((n, p + 1, 2 * m + p))
        buffer[:, :p, :m] = d1 * w11[:, None]
        buffer[:, :p, m : 2 * m] = d1 * w21[:, None] + d2 * w22[:, None]
        buffer[:, p, :m] = f1 * w11
        buffer[:, p, m : 2 * m] = f1 * w21 + f2 * w22
        buffer[:, :, 2 * m :] = self.prior_rows(theta)
        return buffer

    def prior_rows(self, theta: np.ndarray) -> np.ndarray:
        """Derivatives and residual of each prior row, (n, p + 1, p)."""
        slope, value = self.shared_coordinates(theta)
        weight = 1.0 / self.width  # 0 where nothing is known
        residual = (value - self.centre) * weight
        return np.concatenate([slope * weight[:, None, :], residual[:, None]], axis=1)

    def shared_coordinates(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Slope [theta, own] and value of the coordinates with the non-ideal share in place of ln(ISE)."""
        n, p = theta.shape
        value = theta.copy()
        slope = np.broadcast_to(np.eye(p), (n, p, p)).copy()
        ratio = np.exp(theta[:, AT["NF"]] - theta[:, AT["NE"]])
        log_i = np.log(self.ic0_A) - theta[:, AT["IS"]]
        value[:, AT["ISE"]] += ratio * log_i + theta[:, AT["BF"]] - np.log(self.ic0_A)
        for name, d in (("BF", 1.0), ("IS", -ratio), ("NF", ratio * log_i), ("NE", -ratio * log_i)):
            slope[:, AT[name], AT["ISE"]] = d
        return slope, value


def _with_base_current(points: TransistorProblem, p, temp_C) -> TransistorProblem:
    """Points with the model's base current where none was measured: IB(v_be - drops(i_b)) = i_b."""
    blind = points.keep & points.has_vbe & ~points.has_ib
    if not blind.any():
        return points
    q = {k: np.broadcast_to(v, blind.shape)[blind] for k, v in p.items()}
    vbe, vce, ic, temp = (a[blind] for a in (points.vbe, points.vce, points.ic, temp_C))
    ib = ic / q["BF"]
    for _ in range(12):
        y = vbe - ib * q["RB"] - vce + ic * q["RC"]
        m = intrinsic(vbe - ib * q["RB"] - (ic + ib) * q["RE"], y, q, temp)
        step = (m.ib - ib) / (1.0 + m.ib_be * (q["RB"] + q["RE"]) + m.ib_bc * q["RB"])
        ib = ib + step
        if np.all(np.abs(step) <= 1e-12 * np.abs(ib)):
            break
    whole = points.ib.copy()
    whole[blind] = ib
    return replace(points, ib=whole)


def _internal_voltages(points: TransistorProblem, p, temp_C):
    """Internal junction voltages from the measured ones, or from i_b where there is no v_be."""
    ie = points.ic + points.ib
    x = points.vbe - points.ib * p["RB"] - ie * p["RE"]
    y = points.vbe - points.ib * p["RB"] - points.vce + points.ic * p["RC"]
    solve = ~points.has_vbe & points.keep
    if solve.any():
        vce = points.vce - points.ic * p["RC"] - ie * p["RE"]
        local = {k: np.broadcast_to(v, x.shape)[solve] for k, v in p.items()}
        found = internal_vbe_from_ib(points.ib[solve], vce[solve], local, temp_C[solve])
        x[solve], y[solve] = found, found - vce[solve]
    return x, y


def raw_residuals(theta: np.ndarray, points: TransistorProblem):
    """Unweighted residuals of i_c and i_b, their derivatives, and their sensitivity to the measurements.

    Parameters
    ----------
    theta : ndarray (n, p)
        Coordinates.
    points : TransistorProblem

    Returns
    -------
    f1, f2 : ndarray (n, m)
        Compressed model current less compressed measured current, collector and base [1].
    d1, d2 : ndarray (n, p, m)
        Derivatives to the coordinates.
    measured : ndarray (2, 4, n, m)
        Derivatives of f1 and f2 to the measured v_be, v_ce [1/V], i_b, i_c [1/A].
    """
    value = np.exp(theta[:, :N_LOG])
    power = np.abs(points.vce * points.ic)
    # the recorded temperature, its error, and self-heating
    temp = points.temp_C + theta[:, TEMP, None] + theta[:, RTH, None] * power
    p = parameters_at(FITTED, value, temp)
    points = _with_base_current(points, p, temp)
    x, y = _internal_voltages(points, p, temp)
    m = intrinsic(x, y, p, temp, log_derivatives=True)
    solved, blind = ~points.has_vbe, points.has_vbe & ~points.has_ib

    def moved(dx, dy) -> tuple[np.ndarray, np.ndarray]:
        """Changes of IC and IB with those of v_be and v_bc; solved, v_be stays and v_bc makes up for both."""
        dx, dy = np.where(solved, 0.0, dx), np.where(solved, dy - dx, dy)
        return m.ic_be * dx + m.ic_bc * dy, m.ib_be * dx + m.ib_bc * dy

    RE, RB, RC = (p[name] for name in ("RE", "RB", "RC"))
    by_log = [dict(m.ic_log), dict(m.ib_log)]  # terminal resistances included
    ie_drop, ib_drop = (points.ic + points.ib) * RE, points.ib * RB
    for name, dx, dy in (("RE", -ie_drop, 0.0), ("RB", -ib_drop, -ib_drop), ("RC", 0.0, points.ic * RC)):
        by_log[0][name], by_log[1][name] = moved(dx, dy)
    by = (1.0, 1.0), (0.0, -1.0), (-(RB + RE), -RB), (-RE, RC)
    measured = np.stack([moved(dx, dy) for dx, dy in by], axis=1)
    # Without v_be, i_b is met exactly, so every change of IB moves v_be and with it IC; without i_b it
    # moves i_b, and with that the drops.
    eliminate = np.where(solved, (m.ic_be + m.ic_bc) / (m.ib_be + m.ib_bc), 0.0)
    eliminate = np.where(blind, measured[0, 2] / (measured[1, 2] - 1.0), eliminate)
    measured[:, 2] = np.where(blind, 0.0, measured[:, 2])
    model_c, slope_c = _squash(m.ic, points.u_ic)
    data_c, own_c = _squash(points.ic, points.u_ic)
    model_b, slope_b = _squash(m.ib, points.u_ib)
    data_b, own_b = _squash(points.ib, points.u_ib)
    only = points.keep & points.has_vbe & points.has_ib
    f1, f2 = np.where(points.keep, model_c - data_c, 0.0), np.where(only, model_b - data_b, 0.0)
    d1, d2 = (_to_coordinates(value, temp, power, local) for local in by_log)
    # Self-heating makes the temperature itself a function of the measured power.
    for row, d in enumerate((d1, d2)):
        measured[row, 1] += d[:, TEMP] * theta[:, RTH, None] * points.ic
        measured[row, 3] += d[:, TEMP] * theta[:, RTH, None] * points.vce
    d1 -= d2 * eliminate[:, None]
    d1 *= (slope_c * points.keep)[:, None]
    d2 *= (slope_b * only)[:, None]
    measured[1, 2] -= np.where(solved, 1.0, 0.0)  # IB(x) - i_b, before it is eliminated
    measured[0] -= measured[1] * eliminate
    measured[0] *= slope_c
    measured[1] *= slope_b
    measured[0, 3] -= own_c
    measured[1, 2] -= np.where(solved, 0.0, own_b)
    return f1, f2, d1, d2, measured


def _to_coordinates(value, temp_C, power, local):
    """Derivatives (n, p, m) of a current to the coordinates of the fit."""
    T = temp_C + ZERO_CELSIUS_K
    EG, XTB, NE = (value[:, AT[name], None] for name in ("EG", "XTB", "NE"))
    is_T = (EG / thermal_voltage(temp_C) + SILICON_XTI) / T
    d = np.empty((value.shape[0], N_COORDINATES, T.shape[1]))
    d[:, :N_LOG] = np.moveaxis(chain_to_25C(FITTED, value, temp_C, local), -1, 1)
    d[:, TEMP] = (
        local["IS"] * is_T + local["ISE"] * (is_T / NE - XTB / T) + (local["BF"] + local["BR"]) * XTB / T
        + (local["NF"] + local["NE"] + local["NR"] + local["NC"]) / T
    )  # fmt: skip
    d[:, RTH] = d[:, TEMP] * power
    return d


def whitened(theta: np.ndarray, points: TransistorProblem) -> TransistorProblem:
    """The problem with the factors that make the raw residuals at `theta` independent, of unit variance."""
    u = np.stack([
        np.where(points.has_vbe, points.u_vbe, 0.0), points.u_vce,
        np.where(points.has_ib, points.u_ib, 0.0), points.u_ic,
    ])  # fmt: skip
    with np.errstate(all="ignore"):
        s = raw_residuals(theta, points)[-1] * u
        a11, a22, a12 = (s[0] ** 2).sum(0), (s[1] ** 2).sum(0), (s[0] * s[1]).sum(0)
        w11 = 1.0 / np.sqrt(a11)
        left = a22 - a12**2 / a11
        w22 = 1.0 / np.sqrt(np.maximum(left, 1e-12 * a22))
        w21 = -a12 / a11 * w22
    both = points.keep & points.has_vbe & points.has_ib
    good = np.isfinite(w11)
    return replace(points, whitening=np.stack([
        np.where(points.keep & good, w11, 0.0), np.where(both & good, w21, 0.0),
        np.where(both & good & np.isfinite(w22), w22, 0.0),
    ], axis=-1))  # fmt: skip
