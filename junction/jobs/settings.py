"""Settings that several jobs share, made from plain numbers, and what they do to a bag."""

from __future__ import annotations

from dataclasses import replace
from math import isnan

import numpy as np

from junction.base.records import Bag, PartReadings


def stated_noise(voltage: tuple[float, float], current: tuple[float, float]):
    """Noise of sweeps from stated limits of error.

    Parameters
    ----------
    voltage, current : (float, float)
        Fraction of reading [1] and floor [V], [A], as a data sheet states its limits.

    Returns
    -------
    Noise
        Standard uncertainties (JCGM 100:2008, 4.3.7: limits over the root of three).
    """
    from junction.fit.sense import Noise

    return Noise.from_accuracy(
        v_percent=100 * voltage[0], v_floor_V=voltage[1], i_percent=100 * current[0], i_floor_A=current[1]
    )


def stated_curve_noise(voltage: tuple[float, float], current: tuple[float, float]):
    """The same for transistor curves (`junction.transistor.data.CurveNoise`)."""
    from junction.transistor.data import CurveNoise

    return CurveNoise.from_accuracy(
        v_percent=100 * voltage[0], v_floor_V=voltage[1], i_percent=100 * current[0], i_floor_A=current[1]
    )


def _reading_at(r: PartReadings, temp_C: float) -> PartReadings:
    spots = tuple(replace(s, temp_C=temp_C) if isnan(s.temp_C) else s for s in r.spots)
    return replace(r, temp_C=temp_C if isnan(r.temp_C) else r.temp_C, spots=spots)


def with_temperature(bag: Bag, temp_C: float | None) -> Bag:
    """A bag in which every part without a temperature has the one the user states.

    Parameters
    ----------
    bag : Bag
    temp_C : float or None
        [degC]; None leaves the bag as it is.

    Returns
    -------
    Bag
    """
    if temp_C is None:
        return bag
    sweeps, curves = bag.sweeps, bag.curves
    return replace(
        bag,
        readings=tuple(_reading_at(r, temp_C) for r in bag.readings),
        sweeps=replace(sweeps, temp_C=np.where(np.isnan(sweeps.temp_C), temp_C, sweeps.temp_C)),
        curves=replace(curves, temp_C=np.where(np.isnan(curves.temp_C), temp_C, curves.temp_C)),
    )
