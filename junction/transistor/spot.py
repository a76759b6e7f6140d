"""Spot readings: V_BE and h_FE of a transistor at a collector current, as points of its curve.

Each reading is one point, however many there are of a part.  They go through the same fit as a curve
(`transistor.transistor`), where weak knowledge stands in for what they do not say, so that V_BE and h_FE are
sharp at the currents they were taken at and honestly vague far from them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, inf, isfinite

import numpy as np

from junction.base.records import PartReadings, Spot

#: No transistor's V_BE reaches this, not a Darlington's at its highest current: a unit is wrong.
MOST_VBE_V = 4.0
#: Arrays of a point: voltages and standard uncertainties [V], currents [A], temperature [degC].
POINT_FIELDS = ("vbe", "vce", "ib", "ic", "u_vbe", "u_vce", "u_ib", "u_ic", "temp_C")
_SILENT = "no V_BE or h_FE"


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
    vbe_percent: float = 0.0  # of the reading, beside the floor `u_vbe_V`


def spots_of(r: PartReadings) -> tuple[Spot, ...]:
    """Every spot reading of a part that can be used, lowest current first whatever the order of its rows."""
    return tuple(sorted((s for s in _every(r) if not _fault(s)), key=_order))


def _every(r: PartReadings) -> tuple[Spot, ...]:
    return r.spots or (Spot(r.ic_A, r.vbe_V, r.hfe, r.temp_C),)


def _order(s: Spot) -> tuple[float, ...]:
    # nan has no place in an order
    return tuple(x if isfinite(x) else -inf for x in (abs(s.ic_A), s.temp_C, abs(s.vbe_V), s.hfe))


def spot_row(s: Spot, noise: SpotNoise, temp_C: float) -> dict[str, np.ndarray]:
    """One spot reading as one point of a curve.

    Parameters
    ----------
    s : Spot
        One of `spots_of`.
    noise : SpotNoise
    temp_C : float
        Temperature taken [degC].

    Returns
    -------
    dict of str to ndarray (1,)
        The names in `POINT_FIELDS`, SI units; i_b = ic/h_FE with the error of h_FE; nan where not read.
    """
    vbe, ic, ib = abs(s.vbe_V), abs(s.ic_A), abs(s.ic_A) / s.hfe
    u_vbe = hypot(0.01 * noise.vbe_percent * vbe, noise.u_vbe_V)
    u_ic = 0.01 * noise.ic_percent * ic
    u_ib = 0.01 * noise.hfe_percent * ib if np.isfinite(ib) else np.nan
    values = (vbe, noise.vce_V, ib, ic, u_vbe, noise.u_vce_V, u_ib, u_ic, temp_C)
    return {name: np.array([x]) for name, x in zip(POINT_FIELDS, values, strict=True)}


def is_spot(r: PartReadings) -> bool:
    """Whether a part's readings hold a spot reading: V_BE or h_FE at a collector current."""
    return bool(spots_of(r))


def unusable(readings: Sequence[PartReadings]) -> list[tuple[PartReadings, str]]:
    """Spot readings with a V_BE or h_FE that cannot be used, and why.

    Parameters
    ----------
    readings : sequence of PartReadings

    Returns
    -------
    list of (PartReadings, str)
        One entry a reading; parts without either are not listed: they were never meant as spot readings.
    """
    return [(r, why) for r in readings for s in _every(r) if (why := _fault(s)) and why != _SILENT]


def _fault(s: Spot) -> str:
    """Why a spot reading cannot be used, or ''."""
    given = " and ".join(n for n, x in (("V_BE", s.vbe_V), ("h_FE", s.hfe)) if isfinite(x))
    if not given:
        return _SILENT
    if not isfinite(s.ic_A) or s.ic_A == 0:
        return f"{given} without the collector current it was read at: add a column ic_mA"
    if isfinite(s.vbe_V) and not 0 < abs(s.vbe_V) < MOST_VBE_V:
        return f"V_BE of {s.vbe_V:g} V is not that of a transistor: check the unit"
    if isfinite(s.hfe) and not s.hfe > 0:
        return f"h_FE of {s.hfe:g}: a gain is a positive number"
    return ""
