"""What follows from a fit, with its uncertainty: voltages, currents, resistances, at 25 degC too.

All functions take the whole of a `SweepFits`.  The argument currents or voltages may be a scalar (result
(n,)), an array (q,) common to all sweeps (result (n, q)) or an array (n, q).  Uncertainties are first
order in the coordinates of the fit, whose covariance includes the scaling by chi2.
"""

from __future__ import annotations

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C, ZERO_CELSIUS_K, thermal_voltage
from junction.fit.common import TEMP_U_K, TEMP_UNKNOWN_U_K, gap_of_voltage
from junction.fit.inverse import current_of, voltage_of
from junction.fit.results import MODELS, SweepFits
from junction.fit.terms import AR, BR, RS, A, B, G, curve

#: Energy gap [eV] and temperature exponent of the saturation current (SPICE EG, XTI) by material.
#: Silicon and germanium: SPICE defaults and Sze, Physics of Semiconductor Devices; Schottky (silicon):
#: barrier height 0.69 V and XTI 2 as the SPICE manuals state for Schottky diodes; LED: common practice,
#: no source.
MATERIALS = {"silicon": (1.11, 3.0), "germanium": (0.67, 3.0), "Schottky": (0.69, 2.0), "LED": (1.9, 3.0)}

_JUNCTION = np.array([m.startswith("junction") for m in MODELS])
_CURVE = np.array([m not in ("none", "open") for m in MODELS])


def _temp_u(fits: SweepFits) -> np.ndarray:
    """Standard uncertainty of each temperature [K]."""
    return np.where(fits.temp_known, TEMP_U_K, TEMP_UNKNOWN_U_K) if fits.temp_u_K is None else fits.temp_u_K


def _shape(fits: SweepFits, at):
    """Argument as (n, q), and whether the caller gave a scalar."""
    at = np.asarray(at, float)
    if at.ndim == 2:
        return at, False
    return np.broadcast_to(np.atleast_1d(at), (len(fits), np.atleast_1d(at).size)), at.ndim == 0


def _out(scalar, *arrays):
    return tuple(a[:, 0] if scalar else a for a in arrays)


def _spread(fits: SweepFits, by):
    """Standard uncertainty from derivatives (n, 9, q)."""
    by = np.nan_to_num(by)
    inner = np.matmul(fits.theta_covariance, by)
    return np.sqrt(np.maximum((by * inner).sum(1), 0.0))


def voltage_at_current(fits: SweepFits, i_A):
    """Terminal voltage at a current.

    Parameters
    ----------
    fits : SweepFits
    i_A : float or ndarray
        Current into the p side [A].

    Returns
    -------
    v_V, u_V : ndarray
        Voltage and standard uncertainty [V]; nan where the curve never carries the current (an open, a
        reverse current beyond saturation) or there is no fit.
    """
    i, scalar = _shape(fits, i_A)
    v, by, _ = voltage_of(fits.theta, fits.temp_C, i)
    v = np.where(_CURVE[fits.model][:, None], v, np.nan)
    return _out(scalar, v, np.where(np.isnan(v), np.nan, _spread(fits, by)))


def current_at_voltage(fits: SweepFits, v_V):
    """Terminal current at a voltage, reverse voltages included.

    Parameters
    ----------
    fits : SweepFits
    v_V : float or ndarray
        Voltage of the p side against the n side [V].

    Returns
    -------
    i_A, u_A : ndarray
        Current and standard uncertainty [A]; nan without a fit.  For an open it is the offset.
    """
    v, scalar = _shape(fits, v_V)
    i, by, _ = current_of(fits.theta, fits.temp_C, v)
    i = np.where((fits.model > 0)[:, None], i, np.nan)
    return _out(scalar, i, np.where(np.isnan(i), np.nan, _spread(fits, by)))


def dynamic_resistance(fits: SweepFits, i_A):
    """Slope dv/di at a current.

    Parameters
    ----------
    fits : SweepFits
    i_A : float or ndarray
        [A].

    Returns
    -------
    r_ohm, u_ohm : ndarray
        [ohm].
    """
    i, scalar = _shape(fits, i_A)
    _, _, r = voltage_of(fits.theta, fits.temp_C, i)
    r = np.where(_CURVE[fits.model][:, None], r, np.nan)
    return _out(
        scalar,
        r,
        np.where(np.isnan(r), np.nan, _numeric_spread(fits, lambda t: voltage_of(t, fits.temp_C, i)[2])),
    )


def _numeric_spread(fits: SweepFits, function):
    """Standard uncertainty by central differences of a hundredth of a standard uncertainty."""
    u = np.sqrt(np.maximum(np.einsum("nii->ni", fits.theta_covariance), 0.0))
    by = []
    for k in range(u.shape[1]):
        h = np.zeros_like(u)
        h[:, k] = 0.01 * u[:, k]
        with np.errstate(all="ignore"):
            by.append((function(fits.theta + h) - function(fits.theta - h)) / (0.02 * u[:, k, None]))
    by = np.stack([np.where(np.isfinite(b), b, 0.0) for b in by], axis=1)
    return _spread(fits, by)


def leakage_resistance(fits: SweepFits):
    """Resistance of the path beside the junction, or of the whole path where there is no junction.

    Returns
    -------
    r_ohm, low_ohm, high_ohm : ndarray (n,)
        Value and 95 % interval [ohm]; a path too weak to be seen has value nan, a lower limit, and inf.
        All nan without a fit or where the model holds no such path.
    """
    shunt = np.isfinite(fits.low["RSH_ohm"])
    pick = {name: np.where(shunt, getattr(fits, name)["RSH_ohm"], getattr(fits, name)["R_ohm"])
            for name in ("value", "low", "high")}  # fmt: skip
    return pick["value"], pick["low"], pick["high"]


def ideality_against_current(fits: SweepFits, i_A):
    """Ideality of the junction itself, (dv_j/d ln i)/VT, at a current.

    Series resistance and shunt are taken off; with one exponential it is N, with two it goes from NR to N.

    Parameters
    ----------
    fits : SweepFits
    i_A : float or ndarray
        Forward current through the junction [A].

    Returns
    -------
    n, u_n : ndarray
        [1]; nan where there is no junction.
    """
    i, scalar = _shape(fits, i_A)

    def local(theta):
        alone = theta.copy()
        alone[:, [G, RS]] = np.where(np.isnan(theta[:, [G, RS]]), np.nan, 0.0)
        alone[:, 6] = np.where(np.isnan(theta[:, 6]), np.nan, 0.0)
        x = voltage_of(alone, fits.temp_C, i)[0]
        vt = thermal_voltage(fits.temp_C)
        f, g, _ = curve(alone, vt, x)
        total = f + np.nan_to_num(np.exp(theta[:, A, None])) + np.nan_to_num(np.exp(theta[:, AR, None]))
        with np.errstate(divide="ignore", invalid="ignore"):
            return total / (g * vt[:, None])

    with np.errstate(invalid="ignore"):
        value = np.where(_JUNCTION[fits.model][:, None] & (i > 0), local(fits.theta), np.nan)
        u = np.where(np.isnan(value), np.nan, _numeric_spread(fits, local))
    return _out(scalar, value, u)


def guess_material(fits: SweepFits):
    """Material of each junction by its voltage at 1 mA (common practice, no source).

    Under 0.4 V germanium or Schottky, over 1.2 V an LED, else silicon.  Germanium and Schottky differ by
    the ideality and saturation current too little to tell; the gap taken, 0.68 eV, lies within 0.02 eV of
    both.

    Returns
    -------
    eg_eV, xti : ndarray (n,)
    """
    v = voltage_at_current(fits, 1e-3)[0]
    return gap_of_voltage(v), np.full(len(fits), 3.0)


def _law_of(fits: SweepFits, material, eg_eV, xti):
    if eg_eV is not None:
        return np.broadcast_to(eg_eV, len(fits)), np.broadcast_to(3.0 if xti is None else xti, len(fits))
    if material is None:
        return guess_material(fits)
    if isinstance(material, str):
        material = [material] * len(fits)
    unknown = sorted({m for m in material} - set(MATERIALS))
    if unknown:
        raise ValueError(f"material {unknown[0]!r}: expected one of {', '.join(MATERIALS)}")
    return np.array([MATERIALS[m][0] for m in material]), np.array([MATERIALS[m][1] for m in material])


def _shifted(fits: SweepFits, temp_C, eg, xti):
    """Coordinates at another temperature: IS by the SPICE law with XTI/N, EG/N; ISR the same with NR.

    IS(T) = IS (T/T0)^(XTI/N) exp(EG/(N VT) (T/T0 - 1)).  Resistances stay.
    """
    ratio = (temp_C + ZERO_CELSIUS_K) / (fits.temp_C + ZERO_CELSIUS_K)
    growth = xti * np.log(ratio) + eg / thermal_voltage(temp_C) * (ratio - 1)
    theta = fits.theta.copy()
    theta[:, A] += growth * theta[:, B]
    theta[:, AR] += growth * theta[:, BR]
    return theta


def voltage_at_current_25C(
    fits: SweepFits, i_A, material=None, eg_eV=None, xti=None, temp_C=REFERENCE_TEMP_C
):
    """Terminal voltage at a current, referred to 25 degC.

    Parameters
    ----------
    fits : SweepFits
    i_A : float or ndarray
        [A].
    material : str or sequence of str, optional
        Key of `MATERIALS`; guessed from the voltage where not given.
    eg_eV, xti : float or ndarray (n,), optional
        Energy gap [eV] and temperature exponent [1], in place of a material.
    temp_C : float
        Temperature to refer to [degC].

    Returns
    -------
    v_V, u_V : ndarray
        [V]; the uncertainty holds that of the junction's temperature (0.5 K recorded, 5 K not).
    """
    i, scalar = _shape(fits, i_A)
    eg, xti = _law_of(fits, material, eg_eV, xti)
    theta = _shifted(fits, temp_C, eg, xti)
    aim = np.full(len(fits), float(temp_C))
    v, by, _ = voltage_of(theta, aim, i)
    # N enters the shifted ln IS as well
    ratio = (temp_C + ZERO_CELSIUS_K) / (fits.temp_C + ZERO_CELSIUS_K)
    growth = xti * np.log(ratio) + eg / thermal_voltage(temp_C) * (ratio - 1)
    by[:, B] += by[:, A] * growth[:, None]
    by[:, BR] += by[:, AR] * growth[:, None]
    junction = _JUNCTION[fits.model][:, None]
    v_j = v - np.nan_to_num(theta[:, RS, None]) * i
    slope = (v_j - eg[:, None] - xti[:, None] * thermal_voltage(temp_C)) / (temp_C + ZERO_CELSIUS_K)
    u_temp = _temp_u(fits)[:, None]
    u = np.hypot(_spread(fits, by), np.where(junction, slope * u_temp, 0.0))
    v = np.where(_CURVE[fits.model][:, None], v, np.nan)
    return _out(scalar, v, np.where(np.isnan(v), np.nan, u))


def current_at_voltage_25C(
    fits: SweepFits, v_V, material=None, eg_eV=None, xti=None, temp_C=REFERENCE_TEMP_C
):
    """Terminal current at a voltage, referred to 25 degC.

    Parameters
    ----------
    fits, material, eg_eV, xti, temp_C
        As in `voltage_at_current_25C`.
    v_V : float or ndarray
        [V].

    Returns
    -------
    i_A, u_A : ndarray
        [A]; the shunt is taken as independent of temperature.
    """
    v, scalar = _shape(fits, v_V)
    eg, xti = _law_of(fits, material, eg_eV, xti)

    def at(shift):
        moved = _shifted(fits, temp_C + shift, eg, xti)
        return current_of(moved, np.full(len(fits), float(temp_C + shift)), v)

    i, by, _ = at(0.0)
    u_temp = _temp_u(fits)[:, None]
    drift = (at(0.5)[0] - at(-0.5)[0]) * u_temp
    ratio = (temp_C + ZERO_CELSIUS_K) / (fits.temp_C + ZERO_CELSIUS_K)
    growth = xti * np.log(ratio) + eg / thermal_voltage(temp_C) * (ratio - 1)
    by[:, B] += by[:, A] * growth[:, None]
    by[:, BR] += by[:, AR] * growth[:, None]
    u = np.hypot(_spread(fits, by), np.where(_JUNCTION[fits.model][:, None], drift, 0.0))
    i = np.where((fits.model > 0)[:, None], i, np.nan)
    return _out(scalar, i, np.where(np.isnan(i), np.nan, u))


def saturation_current_25C(fits: SweepFits, material=None, eg_eV=None, xti=None, temp_C=REFERENCE_TEMP_C):
    """Saturation current referred to 25 degC.

    Returns
    -------
    is_A, low_A, high_A : ndarray (n,)
        Value and 95 % interval [A], the junction's temperature included; nan without a junction.
    """
    eg, xti = _law_of(fits, material, eg_eV, xti)
    ratio = (temp_C + ZERO_CELSIUS_K) / (fits.temp_C + ZERO_CELSIUS_K)
    growth = xti * np.log(ratio) + eg / thermal_voltage(temp_C) * (ratio - 1)
    a, b = fits.theta[:, A], fits.theta[:, B]
    c = fits.theta_covariance
    var = c[:, A, A] + 2 * growth * c[:, A, B] + growth**2 * c[:, B, B]
    kelvin = temp_C + ZERO_CELSIUS_K
    per_kelvin = b * (xti + eg / thermal_voltage(temp_C)) / kelvin
    u = np.sqrt(
        np.maximum(var, 0) + (per_kelvin * _temp_u(fits)) ** 2
    )
    q = np.nan_to_num(fits.quantile, nan=1.96)
    value = np.exp(a + b * growth)
    return value, value * np.exp(-q * u), value * np.exp(q * u)
