"""Each part's own curve in the form sharing needs: drive voltage as a function of collector current.

The forward dc Gummel-Poon equations can be turned round in closed form.  With IC = IF/qb,
qb = q1 (1 + sqrt(1 + 4 IF/IKF))/2 and 1/q1 = A, the current a = IC/A gives

    IF = a (1 + a/IKF),        V_B'E' = NF VT ln(1 + IF/IS),

so one logarithm answers "what V_BE does this part need for this current", and no inner solve is
needed.  A depends on V_B'C' and so weakly on V_B'E' itself; two repeats settle it to 1e-9.

References
----------
Gummel and Poon, Bell Syst. Tech. J. 49 (1970) 827; Getreu, Modeling the Bipolar Transistor (1976);
temperature laws as in SPICE (IS with EG and XTI, BF with XTB).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C, ZERO_CELSIUS_K, thermal_voltage
from junction.fit.results import TransistorFits

#: Values that leave an effect out, for parameters a fit does not hold (SPICE defaults); DV [V] and LNB
#: are an offset of V_BE and the logarithm of a factor on the base current, for draws.
ABSENT = {
    "IS": 1e-12, "NF": 1.0, "BF": 100.0, "ISE": 0.0, "NE": 1.5, "IKF": np.inf, "VAF": np.inf,
    "RE": 0.0, "RB": 0.0, "RC": 0.0, "EG": 1.11, "XTI": 3.0, "XTB": 0.0, "DV": 0.0, "LNB": 0.0,
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Devices:
    """Gummel-Poon parameters of parts as arrays; the last axis is the part, leading ones are draws.

    Parameters
    ----------
    values : dict of str to ndarray
        Per SPICE name in `ABSENT`, in SI units, all broadcastable to one shape (..., n) [A, ohm, V, 1].
    tnom_C : float
        Temperature the parameters hold at [degC].
    """

    values: Mapping[str, np.ndarray]
    tnom_C: float = REFERENCE_TEMP_C

    @property
    def shape(self) -> tuple[int, ...]:
        """Common shape of the parameter arrays."""
        return np.broadcast_shapes(*(np.shape(v) for v in self.values.values()))

    def take(self, members) -> Devices:
        """Parameters of the parts in `members` (s, k), as arrays of shape (..., s, k)."""
        n = self.shape[-1]
        picked = {
            name: np.broadcast_to(v, (*np.shape(v)[:-1], n))[..., members] if np.ndim(v) else v
            for name, v in self.values.items()
        }
        return Devices(picked, self.tnom_C)

    def at(self, temp_C) -> dict[str, np.ndarray]:
        """Parameters carried to a temperature by the SPICE laws, with the thermal voltage as ``VT``."""
        v = self.values
        ratio = (np.asarray(temp_C, float) + ZERO_CELSIUS_K) / (self.tnom_C + ZERO_CELSIUS_K)
        vt = thermal_voltage(np.asarray(temp_C, float))
        exponent = (ratio - 1) * v["EG"] / vt + v["XTI"] * np.log(ratio)
        gain = ratio ** v["XTB"]
        out = {name: v[name] for name in ("NF", "NE", "IKF", "VAF", "RE", "RB", "RC", "XTB")}
        out |= {"IS": v["IS"] * np.exp(exponent), "BF": v["BF"] * gain, "VT": vt, "ratio": ratio}
        out |= {"DV": v["DV"], "LNB": v["LNB"]}
        out["ISE"] = v["ISE"] / gain * np.exp(exponent / v["NE"])
        # d ln(IS)/dT and the same for ISE, for the electrothermal derivative [1/K]
        out["dlnIS"] = (v["XTI"] + v["EG"] / vt) / (np.asarray(temp_C, float) + ZERO_CELSIUS_K)
        return out


def devices_from_fits(fits: TransistorFits, value=None) -> Devices:
    """Devices of a batch of fits, or of draws of them.

    Parameters
    ----------
    fits : TransistorFits
    value : ndarray (..., n, p), optional
        Parameters to take in place of `fits.value`, for example draws.
    """
    table = np.asarray(fits.value if value is None else value, float)
    columns = {name: table[..., j] for j, name in enumerate(fits.names) if name in ABSENT}
    for name, default in ABSENT.items():
        given = columns.get(name)
        if given is None:
            columns[name] = np.asarray(default, float)
        elif not np.all(np.isfinite(given)):  # a parameter the data cannot hold leaves its effect out
            columns[name] = np.where(np.isfinite(given), given, default)
    for name in ("IKF", "VAF"):  # SPICE writes "no such effect" as zero
        columns[name] = np.where(columns[name] > 0, columns[name], np.inf)
    return Devices(columns, REFERENCE_TEMP_C)


@dataclass(frozen=True, eq=False)
class Point:
    """Drive voltage of devices at given currents, with derivatives, and the currents that go with it.

    All arrays broadcast alike: ``drive_V`` [V]; ``slope_V`` = dV/d ln IC [V]; ``vbe_V`` at the
    terminals [V]; ``ib_A``, ``ie_A`` [A]; ``ie_slope_A`` = dIE/d ln IC [A]; ``temp_slope_V_per_K`` =
    dV/dT at constant IC [V/K]; ``vce_V`` left across the transistor's own terminals [V].
    """

    drive_V: np.ndarray
    slope_V: np.ndarray
    vbe_V: np.ndarray
    ib_A: np.ndarray
    ie_A: np.ndarray
    ie_slope_A: np.ndarray
    temp_slope_V_per_K: np.ndarray
    vce_V: np.ndarray


def drive_point(devices: Devices, log_ic, vce_V, temp_C, re_ohm=0.0, rb_ohm=0.0) -> Point:
    """Voltage between the drive node and the output node that makes each device carry its current.

    Parameters
    ----------
    devices : Devices
    log_ic : ndarray
        ln(IC / 1 A).
    vce_V, temp_C : float or ndarray
        Voltage from collector to the output node, emitter resistor included [V]; junction
        temperature [degC].
    re_ohm, rb_ohm : float or ndarray
        External emitter and base resistors [ohm].

    Returns
    -------
    Point
    """
    p = devices.at(temp_C)
    ic = np.exp(log_ic)
    nvt = p["NF"] * p["VT"]
    inverse_vaf = 1.0 / p["VAF"]
    scale = np.exp(p["LNB"])
    base_factor, early, diffusion, ie = 1.0, 1.0, ic, ic
    for _ in range(2):
        a = ic / early
        diffusion = a * (1 + a / p["IKF"])
        vbe = nvt * np.log1p(diffusion / p["IS"])
        base_factor = (1 + diffusion / p["IS"]) ** (p["NF"] / p["NE"])
        ib = scale * (diffusion / p["BF"] + p["ISE"] * (base_factor - 1))
        ie = ic + ib
        inner_vce = vce_V - ie * (re_ohm + p["RE"]) - ic * p["RC"]
        # below the knee the Early factor means nothing; hold it at its value for V_BC = 0
        early = 1 + np.maximum(inner_vce - vbe, 0.0) * inverse_vaf
    a = ic / early
    diffusion = a * (1 + a / p["IKF"])
    forward = 1 + diffusion / p["IS"]
    vbe = nvt * np.log(forward)
    recombination = p["ISE"] * forward ** (p["NF"] / p["NE"])
    ib = scale * (diffusion / p["BF"] + recombination - p["ISE"])
    ie = ic + ib
    early_slope = -(ie * (re_ohm + p["RE"]) + ic * p["RC"]) * inverse_vaf / early
    a_slope = 1 - early_slope  # d ln a / d ln IC
    dif_slope = (a + 2 * a * a / p["IKF"]) * a_slope
    vbe_slope = nvt * dif_slope / (p["IS"] * forward)
    ib_slope = scale * dif_slope * (1 / p["BF"] + recombination * (p["NF"] / p["NE"]) / (p["IS"] * forward))
    emitter, base = re_ohm + p["RE"], rb_ohm + p["RB"]
    # at constant IC the diffusion current stays; V_B'E' moves with VT and with IS
    kelvin = np.asarray(temp_C, float) + ZERO_CELSIUS_K
    temp_slope = vbe / kelvin - nvt * p["dlnIS"] * diffusion / (p["IS"] * forward)
    # and the base current falls as the gain rises, T**XTB
    temp_slope = temp_slope - ib * p["XTB"] / kelvin * (base + emitter)
    return Point(
        drive_V=vbe + ib * base + ie * emitter + p["DV"],
        slope_V=vbe_slope + ib_slope * base + (ic + ib_slope) * emitter,
        vbe_V=vbe + ib * p["RB"] + ie * p["RE"] + p["DV"],
        ib_A=ib, ie_A=ie, ie_slope_A=ic + ib_slope, temp_slope_V_per_K=temp_slope,
        vce_V=vce_V - ie * re_ohm,
    )  # fmt: skip
