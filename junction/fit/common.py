"""Errors that all points of a sweep share: the instruments' scale and the junction's temperature.

They do not average out with more points, so they are not part of the weights.  To first order each moves
the coordinates along one direction.
"""

from __future__ import annotations

import numpy as np

from junction.base.constants import ZERO_CELSIUS_K, thermal_voltage
from junction.fit.noise import Noise
from junction.fit.terms import AB, AR, BB, BR, I0, IBV_A, RS, A, B, G

#: Standard uncertainty of a junction's temperature [K]: recorded, and not recorded (a bench between about 16
#: and 34 degC; our convention).
TEMP_U_K, TEMP_UNKNOWN_U_K = 0.5, 5.0
#: Half-width of a 95 % interval of a normal distribution in standard uncertainties.
NORMAL = 1.959963984540054


def scale_covariance(theta: np.ndarray, noise: Noise | None) -> np.ndarray | None:
    """Covariance of the coordinates by an error of scale of the voltmeter and of the ammeter.

    Parameters
    ----------
    theta : ndarray (n, 9)
    noise : Noise or None

    Returns
    -------
    ndarray (n, 9, 9) or None
        None where no common error is stated.
    """
    if noise is None or (noise.v_scale_percent == 0 and noise.i_scale_percent == 0):
        return None
    volt, ampere = np.zeros(theta.shape), np.zeros(theta.shape)
    # i larger by a part e: ln IS, ln ISR and aB by e, G and I0 by their part e, RS less by it
    ampere[:, [A, AR, AB]] = 1.0
    ampere[:, [G, I0]] = theta[:, [G, I0]]
    ampere[:, RS] = -theta[:, RS]
    # v larger by a part e: slopes and G less, RS more by their part e
    volt[:, [B, BR, BB, G]] = -theta[:, [B, BR, BB, G]]
    volt[:, RS] = theta[:, RS]
    volt, ampere = np.nan_to_num(volt), np.where(np.isnan(theta), 0.0, np.nan_to_num(ampere))
    out = (0.01 * noise.v_scale_percent) ** 2 * volt[:, :, None] * volt[:, None, :]
    return out + (0.01 * noise.i_scale_percent) ** 2 * ampere[:, :, None] * ampere[:, None, :]


def gap_of_voltage(v_V):
    """Energy gap [eV] by the forward voltage at 1 mA (common practice, no source).

    Under 0.4 V germanium or Schottky, which differ too little to tell (0.68 eV lies within 0.02 eV of both);
    over 1.2 V an LED; else silicon.
    """
    return np.where(v_V < 0.4, 0.68, np.where(v_V > 1.2, np.maximum(v_V, 1.9), 1.11))


def per_kelvin(theta: np.ndarray, temp_C: np.ndarray) -> np.ndarray:
    """How the coordinates at the temperature taken change per kelvin that the junction was warmer.

    A sweep gives 1/(N VT) and the saturation current at the true temperature.  A junction warmer by dT has
    an N lower by dT/T, and at the temperature taken a saturation current lower by the SPICE law (EG by the
    forward voltage, XTI 3): 15 % a kelvin in silicon.

    Parameters
    ----------
    theta : ndarray (n, 9)
    temp_C : ndarray (n,)
        Temperature taken [degC].

    Returns
    -------
    ndarray (n, 9)
        [1/K]; zero for resistances, the offset and BV.
    """
    kelvin = temp_C + ZERO_CELSIUS_K
    vt = thermal_voltage(temp_C)
    out = np.zeros(theta.shape)
    with np.errstate(all="ignore"):
        v = vt * (np.logaddexp(np.log(1e-3), theta[:, A]) - theta[:, A]) / theta[:, B]
        growth = (3.0 + gap_of_voltage(v) / vt) / kelvin
        for a, b in ((A, B), (AR, BR)):
            out[:, a] = -theta[:, b] * growth
            out[:, b] = theta[:, b] / kelvin
        out[:, BB] = theta[:, BB] / kelvin
        out[:, AB] = -(np.log(IBV_A) - theta[:, AB]) / kelvin  # so that BV stays
    return np.nan_to_num(out)
