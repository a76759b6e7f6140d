"""Spot readings: V_BE and h_FE of a transistor at one collector current, as a point of its curve.

One reading is one point.  It goes through the same fit as a curve (`estimate.transistor`), where weak
knowledge stands in for what it does not say, so that V_BE and h_FE are sharp at the current it was taken
at and honestly vague far from it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from junction.base.records import PartReadings

#: No transistor's V_BE reaches this, not a Darlington's at its highest current: a unit is wrong.
MOST_VBE_V = 4.0
#: Arrays of a point: voltages and standard uncertainties [V], currents [A], temperature [degC].
POINT_FIELDS = ("vbe", "vce", "ib", "ic", "u_vbe", "u_vce", "u_ib", "u_ic", "temp_C")


@dataclass(frozen=True)
class SpotNoise:
    """Standard uncertainties of a spot reading of V_BE [V], h_FE and I_C [%], and its unstated V_CE [V].

    A reading rarely says at which V_CE it was taken: 5 V, give or take 2 V, is assumed (common practice,
    no source), which matters through the Early voltage alone.
    """

    u_vbe_V: float = 1e-3
    hfe_percent: float = 2.0
    ic_percent: float = 1.0
    vce_V: float = 5.0
    u_vce_V: float = 2.0


def spot_row(r: PartReadings, noise: SpotNoise, temp_C: float) -> dict[str, np.ndarray]:
    """One spot reading as one point of a curve.

    Parameters
    ----------
    r : PartReadings
        A row for which `is_spot` holds.
    noise : SpotNoise
    temp_C : float
        Temperature taken [degC].

    Returns
    -------
    dict of str to ndarray (1,)
        The names in `POINT_FIELDS`, SI units; i_b = ic/h_FE with the error of h_FE; nan where not read.
    """
    ic, ib = abs(r.ic_A), abs(r.ic_A) / r.hfe
    u_ic = 0.01 * noise.ic_percent * ic
    u_ib = 0.01 * noise.hfe_percent * ib if np.isfinite(ib) else np.nan
    values = (abs(r.vbe_V), noise.vce_V, ib, ic, noise.u_vbe_V, noise.u_vce_V, u_ib, u_ic, temp_C)
    return {name: np.array([x]) for name, x in zip(POINT_FIELDS, values, strict=True)}


def is_spot(r: PartReadings) -> bool:
    """Whether a row of readings holds a spot reading: V_BE or h_FE at a collector current."""
    gain_ok = not np.isfinite(r.hfe) or r.hfe > 0
    given = np.isfinite(r.vbe_V) or np.isfinite(r.hfe)
    real = not np.isfinite(r.vbe_V) or 0 < abs(r.vbe_V) < MOST_VBE_V
    return bool(given and gain_ok and real and np.isfinite(r.ic_A) and r.ic_A != 0)


def unusable(readings: Sequence[PartReadings]) -> list[tuple[PartReadings, str]]:
    """Rows with a V_BE or h_FE that cannot be used, and why.

    Parameters
    ----------
    readings : sequence of PartReadings

    Returns
    -------
    list of (PartReadings, str)
        Rows without either are not listed: they were never meant as spot readings.
    """
    out = []
    for r in readings:
        given = " and ".join(n for n, x in (("V_BE", r.vbe_V), ("h_FE", r.hfe)) if np.isfinite(x))
        if not given or is_spot(r):
            continue
        if not np.isfinite(r.ic_A) or r.ic_A == 0:
            why = f"{given} without the collector current it was read at: add a column ic_mA"
        elif np.isfinite(r.vbe_V) and not 0 < abs(r.vbe_V) < MOST_VBE_V:
            why = f"V_BE of {r.vbe_V:g} V is not that of a transistor: check the unit"
        else:
            why = f"h_FE of {r.hfe:g}: a gain is a positive number"
        out.append((r, why))
    return out
