r"""Heat in the devices of a class AB stage, sine drive, resistive or reactive load.

With the output v = V sin t, the load current i = I sin(t - phi) and I = V/|Z|, the devices of one rail
conduct while i > 0.  Taking the stage as class B (the idle current is small against I):

.. math::

    P_{av} = \frac{V_S I}{\pi} - \frac{V I \cos\varphi}{4} - \frac{I^2 R_E}{4}, \qquad
    p(t) = (V_S - v - i R_E)\,i

per rail, R_E being the emitter resistors of the parallel devices taken together.  For a resistive load
without emitter resistors the largest average is V_S^2/(pi^2 R) at V = 2 V_S/pi, which textbooks round
to MPP^2/(40 R) (Malvino, Electronic Principles, ch. 12), and the largest instant V_S^2/(4 R) at
V = V_S/2.
"""

from __future__ import annotations

import numpy as np

#: Phase and amplitude grids; the maxima are flat, so the error is far below a part in a thousand.
_PHASE_POINTS = 2881
_SWING_POINTS = 241


def average_W(swing_V, supply_V: float, load_ohm: float, phase_rad: float = 0.0, re_ohm: float = 0.0):
    """Average dissipation of all devices of one rail.

    Parameters
    ----------
    swing_V : float or ndarray
        Peak output voltage [V].
    supply_V : float
        Voltage of that rail against the output's rest [V].
    load_ohm, phase_rad : float
        Magnitude [ohm] and phase angle [rad] of the load.
    re_ohm : float
        Emitter resistors of the rail, in parallel [ohm].

    Returns
    -------
    float or ndarray
        [W].
    """
    current = np.asarray(swing_V, float) / load_ohm
    return supply_V * current / np.pi - swing_V * current * np.cos(phase_rad) / 4 - current**2 * re_ohm / 4


def instant_peak(swing_V, supply_V: float, load_ohm: float, phase_rad: float = 0.0, re_ohm: float = 0.0):
    """Largest instantaneous dissipation of one rail over a cycle, and the V_CE and current it happens at.

    Parameters
    ----------
    swing_V, supply_V, load_ohm, phase_rad, re_ohm
        As in `average_W`.

    Returns
    -------
    power_W, vce_V, current_A : ndarray
        Shape of `swing_V`; V_CE is that of the transistor alone.
    """
    swing = np.atleast_1d(np.asarray(swing_V, float))[:, None]
    current = swing / load_ohm * np.sin(np.linspace(0.0, np.pi, _PHASE_POINTS))
    output = swing * np.sin(np.linspace(0.0, np.pi, _PHASE_POINTS) + phase_rad)
    vce = supply_V - output - current * re_ohm
    power = vce * current
    at = power.argmax(axis=1)
    row = np.arange(len(swing))
    shape = np.shape(swing_V)
    return tuple(x[row, at].reshape(shape) for x in (power, vce, current))


def worst_swing(swing_max_V: float, supply_V: float, load_ohm: float, phase_rad: float = 0.0,
                re_ohm: float = 0.0) -> float:  # fmt: skip
    """Swing up to `swing_max_V` at which the average dissipation is largest [V]."""
    # stationary point of the parabola in V
    best = 2 * supply_V / np.pi / (np.cos(phase_rad) + re_ohm / load_ohm)
    return float(min(max(best, 0.0), swing_max_V)) if best > 0 else float(swing_max_V)


def worst_instant(swing_max_V: float, supply_V: float, load_ohm: float, phase_rad: float = 0.0,
                  re_ohm: float = 0.0) -> tuple[float, float, float]:  # fmt: skip
    """Largest instantaneous dissipation at any swing up to `swing_max_V`: power, V_CE, current."""
    swings = np.linspace(0.0, swing_max_V, _SWING_POINTS)
    power, vce, current = instant_peak(swings, supply_V, load_ohm, phase_rad, re_ohm)
    k = int(power.argmax())
    return float(power[k]), float(vce[k]), float(current[k])


def load_locus(
    swing_V: float, supply_V: float, load_ohm: float, phase_rad: float, re_ohm: float, points: int = 181
):
    """V_CE and collector current of one rail over its conducting half cycle, for drawing."""
    angle = np.linspace(0.0, np.pi, points)
    current = swing_V / load_ohm * np.sin(angle)
    return supply_V - swing_V * np.sin(angle + phase_rad) - current * re_ohm, current
