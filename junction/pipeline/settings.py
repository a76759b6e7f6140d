"""Settings that several jobs share, made from plain numbers."""

from __future__ import annotations

from junction.estimate.noise import Noise


def stated_noise(voltage: tuple[float, float], current: tuple[float, float]) -> Noise:
    """Noise from stated limits of error.

    Parameters
    ----------
    voltage, current : (float, float)
        Fraction of reading [1] and floor [V], [A], as a data sheet states its limits.

    Returns
    -------
    Noise
        Standard uncertainties (JCGM 100:2008, 4.3.7: limits over the root of three).
    """
    return Noise.from_accuracy(
        v_percent=100 * voltage[0], v_floor_V=voltage[1], i_percent=100 * current[0], i_floor_A=current[1]
    )
