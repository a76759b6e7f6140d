r"""How saturation current, gain and forward voltage move with temperature (SPICE laws).

The diode law divides by the emission coefficient, the transistor law does not:

.. math::

    IS(T) = IS\,(T/T_{nom})^{XTI/N}\,\exp\!\Big(\frac{EG}{N\,VT}\,(T/T_{nom} - 1)\Big)

so that for a diode the voltage at constant current does not depend on N at all:

.. math::

    V(T_2) = V(T_1)\,\frac{T_2}{T_1} - EG\,\Big(\frac{T_2}{T_1} - 1\Big) - XTI\,VT_2 \ln\frac{T_2}{T_1},
    \qquad \frac{dV}{dT} = \frac{V - EG - XTI\,VT}{T}

which gives -1.8 mV/K for silicon at 0.65 V; measured transistors lie between -1.7 and -2.3 mV/K ("about
-2 mV/K": common practice, no source).  Parameters here are the SPICE ones: EG 1.11 eV and XTI 3 for
silicon, 0.69 eV and 2 for a Schottky junction (G. Massobrio and P. Antognetti, Semiconductor Device
Modeling with SPICE, 2nd ed. 1993; SPICE2 defaults).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from junction.base.units import REFERENCE_TEMP_C, ZERO_CELSIUS_K, thermal_voltage

#: SPICE defaults of the energy gap [eV] and the temperature exponent of IS [1] for silicon.
SILICON_EG_EV = 1.11
SILICON_XTI = 3.0


@dataclass(frozen=True)
class TemperatureLaw:
    """Temperature law of a transistor with the standard uncertainty of each constant.

    ``EG_eV`` [eV] and ``XTI`` [1] as in SPICE.  ``XTB`` [1], the exponent of the gain, is 0 in SPICE and
    about 1.5 in real silicon (common practice, no source): the default stands between, and its
    uncertainty covers both ends.  ``u_EG_eV`` [eV] covers slopes of a silicon V_BE between -1.7 and
    -2.0 mV/K at 0.65 V.
    """

    EG_eV: float = SILICON_EG_EV
    XTI: float = SILICON_XTI
    XTB: float = 0.75
    u_EG_eV: float = 0.03
    u_XTB: float = 0.75


SILICON_LAW = TemperatureLaw()
#: The law SPICE uses when a .model card names none of its constants, taken as exact.
SPICE_LAW = TemperatureLaw(XTB=0.0, u_EG_eV=0.0, u_XTB=0.0)


def _kelvin(temp_C):
    return np.asarray(temp_C, float) + ZERO_CELSIUS_K


def log_saturation_factor(temp_C, nom_temp_C=REFERENCE_TEMP_C, EG_eV=SILICON_EG_EV, XTI=SILICON_XTI):
    """Logarithm of IS(temp_C)/IS(nom_temp_C) by the transistor law.

    Parameters
    ----------
    temp_C, nom_temp_C : array_like
        Temperatures [degC].
    EG_eV : array_like
        Energy gap [eV].
    XTI : array_like
        Temperature exponent [1].

    Returns
    -------
    ndarray
        ln of the factor [1].
    """
    T, Tn = _kelvin(temp_C), _kelvin(nom_temp_C)
    VT = thermal_voltage(np.asarray(temp_C, float))
    return np.asarray(XTI) * np.log(T / Tn) + np.asarray(EG_eV) / VT * (T / Tn - 1.0)


def saturation_current(IS_A, temp_C, nom_temp_C=REFERENCE_TEMP_C, EG_eV=SILICON_EG_EV, XTI=SILICON_XTI,
                       N=1.0):  # fmt: skip
    """Saturation current at another temperature.

    Parameters
    ----------
    IS_A : array_like
        Saturation current at `nom_temp_C` [A].
    temp_C, nom_temp_C : array_like
        Temperature wanted and temperature of `IS_A` [degC].
    EG_eV, XTI : array_like
        Energy gap [eV] and temperature exponent [1].
    N : array_like
        Emission coefficient [1] of a diode; leave 1 for a transistor, whose law has no N.  A recombination
        current ISR takes its own coefficient NR here.

    Returns
    -------
    ndarray
        Saturation current at `temp_C` [A].
    """
    return np.asarray(IS_A) * np.exp(log_saturation_factor(temp_C, nom_temp_C, EG_eV, XTI) / np.asarray(N))


def forward_voltage(v_V, temp_C, to_temp_C=REFERENCE_TEMP_C, EG_eV=SILICON_EG_EV, XTI=SILICON_XTI, NF=1.0):
    """Forward voltage at the same current and another temperature.

    Parameters
    ----------
    v_V : array_like
        Voltage across the junction itself (i RS taken off) at `temp_C` [V], several VT or more.
    temp_C, to_temp_C : array_like
        Temperature of `v_V` and temperature wanted [degC].
    EG_eV, XTI : array_like
        Energy gap [eV] and temperature exponent [1].
    NF : array_like
        Forward emission coefficient [1] of a transistor; leave 1 for a diode of any N, where it drops out.

    Returns
    -------
    ndarray
        Voltage at `to_temp_C` [V].
    """
    ratio = _kelvin(to_temp_C) / _kelvin(temp_C)
    return np.asarray(v_V) * ratio - np.asarray(NF) * thermal_voltage(np.asarray(to_temp_C)) * (
        log_saturation_factor(to_temp_C, temp_C, EG_eV, XTI)
    )


def forward_voltage_slope(v_V, temp_C=REFERENCE_TEMP_C, EG_eV=SILICON_EG_EV, XTI=SILICON_XTI, NF=1.0):
    """Slope dV/dT of a forward voltage at constant current.

    Parameters
    ----------
    v_V : array_like
        Voltage across the junction itself [V], several VT or more.
    temp_C : array_like
        Temperature [degC].
    EG_eV, XTI : array_like
        Energy gap [eV] and temperature exponent [1].
    NF : array_like
        Forward emission coefficient [1] of a transistor; 1 for a diode of any N.

    Returns
    -------
    ndarray
        dV/dT [V/K], negative.
    """
    VT = thermal_voltage(np.asarray(temp_C, float))
    return (np.asarray(v_V) - np.asarray(NF) * (np.asarray(EG_eV) + np.asarray(XTI) * VT)) / _kelvin(temp_C)


def temperature_rise(dv_V, v_V, temp_C=REFERENCE_TEMP_C, EG_eV=SILICON_EG_EV, XTI=SILICON_XTI):
    """Rise of junction temperature that explains a change of forward voltage at constant current.

    Parameters
    ----------
    dv_V : array_like
        Change of voltage [V]; a fall is negative and means a rise of temperature.
    v_V : array_like
        Voltage across the junction before [V].
    temp_C : array_like
        Temperature before [degC].
    EG_eV, XTI : array_like
        Energy gap [eV] and temperature exponent [1].

    Returns
    -------
    ndarray
        Rise [K], to first order.
    """
    return np.asarray(dv_V) / forward_voltage_slope(v_V, temp_C, EG_eV, XTI)


def leakage_factor(temp_C, nom_temp_C=REFERENCE_TEMP_C, doubling_K=10.0):
    """Growth of a leakage current with temperature by the doubling rule.

    A rule of thumb (common practice, no source): silicon leakage doubles every 10 K.  The SPICE law at
    N = 1 quadruples instead; leakage that comes from generation in the depletion layer (N = 2) doubles.

    Parameters
    ----------
    temp_C, nom_temp_C : array_like
        Temperatures [degC].
    doubling_K : array_like
        Rise that doubles it [K].

    Returns
    -------
    ndarray
        Current at `temp_C` over current at `nom_temp_C` [1].
    """
    return 2.0 ** ((np.asarray(temp_C, float) - nom_temp_C) / np.asarray(doubling_K))


def transistor_parameters(params: Mapping, temp_C, nom_temp_C=REFERENCE_TEMP_C, law=SILICON_LAW):
    """Gummel-Poon parameters at another temperature, as SPICE moves them.

    Parameters
    ----------
    params : mapping of str to array_like
        SPICE names; those of IS, BF, BR, ISE, ISC that are present move, all others stay.
    temp_C, nom_temp_C : array_like
        Temperature wanted and temperature of `params` [degC].
    law : TemperatureLaw
        EG [eV], XTI [1] and XTB [1].

    Returns
    -------
    dict of str to ndarray
        Parameters at `temp_C`, same units.
    """
    factor = log_saturation_factor(temp_C, nom_temp_C, law.EG_eV, law.XTI)
    gain = (_kelvin(temp_C) / _kelvin(nom_temp_C)) ** law.XTB
    moved = dict(params)
    if "IS" in moved:
        moved["IS"] = moved["IS"] * np.exp(factor)
    for name in ("BF", "BR"):
        if name in moved:
            moved[name] = moved[name] * gain
    for name, emission, default in (("ISE", "NE", 1.5), ("ISC", "NC", 2.0)):
        if name in moved:
            moved[name] = moved[name] * np.exp(factor / moved.get(emission, default)) / gain
    return moved
