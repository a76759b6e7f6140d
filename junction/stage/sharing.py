"""How devices with one drive node share a current, for all candidate sets at once.

The devices of a set have their collectors on the rail, their emitters through their own resistors on
the output, and their bases through their own resistors on one drive node.  Unknown are each device's
ln IC and the drive voltage V; the equations are V_k(ln IC_k) = V for each device and the sum of the
emitter currents.  The Jacobian is a diagonal with a border, so a Newton step costs no linear algebra
and runs over any number of sets together.

Electrothermal: T_k = T_mean + R_th (P_k - P_mean), the mean being the stage's business.  A rise of
temperature lowers V_BE by about 2 mV/K, so the warmer device takes more current.  The set is stable
while every disturbance of the temperatures dies out: the largest eigenvalue of the loop (temperature ->
current -> power -> temperature) is below 1.  For one device on a stiff drive, or equal ones sharing a
current, that is the textbook condition theta dP/dT < 1 (Kakani and Bhandari, Electronic Devices and
Circuits, ch. 6).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from junction.stage.curves import Devices, Point, drive_point
from junction.stage.results import OperatingPoint

#: Newton stops when every drive voltage agrees to this [V]; a nanovolt is 4e-8 of a current.
TOLERANCE_V = 1e-9
_MAX_STEPS = 40
HEAT_STEPS = 8


@dataclass(frozen=True, eq=False)
class Shares:
    """Currents of every set: ``ie_A``, ``vbe_V`` and ``temp_C`` (..., s, k); the rest (..., s).

    ``loop_gain`` is the largest eigenvalue of the thermal loop (nan where none was solved);
    ``runs_away`` where it is 1 or more, or no steady state was found.
    """

    ie_A: np.ndarray
    ib_A: np.ndarray
    vbe_V: np.ndarray
    temp_C: np.ndarray
    drive_V: np.ndarray
    drive_slope_V: np.ndarray  # dV/d ln(total current) of the whole set [V]
    imbalance: np.ndarray
    loop_gain: np.ndarray
    runs_away: np.ndarray
    converged: np.ndarray

    @property
    def fraction(self) -> np.ndarray:
        """Share of each device in its set's current."""
        return self.ie_A / self.ie_A.sum(axis=-1, keepdims=True)


def imbalance(current_A) -> np.ndarray:
    """Imbalance of the currents on the last axis: (max - min) over the sum.

    For a pair this is (max - min)/(sum); in general (max - min)/mean/n, which is the same number.
    """
    return np.ptp(current_A, axis=-1) / np.sum(current_A, axis=-1)


def _per_position(value, k: int) -> np.ndarray:
    array = np.asarray(value, float)
    if array.ndim and array.shape[-1] not in (1, k):
        raise ValueError(f"{array.shape[-1]} resistors for {k} devices: give one, or one a device")
    return array


def _newton(devices: Devices, point: OperatingPoint, log_ic, rise, tolerance_V: float):
    """Newton on ln IC and V; `rise` is R_th times the dissipation per ampere [K/A]."""
    k = devices.shape[-1]
    re, rb = _per_position(point.re_ohm, k), _per_position(point.rb_ohm, k)
    for step in range(_MAX_STEPS):
        ic = np.exp(log_ic)
        temp = point.temp_C + rise * (ic - point.total_A / k)
        now = drive_point(devices, log_ic, point.vce_V, temp if rise else point.temp_C, re, rb)
        slope = now.slope_V + (now.temp_slope_V_per_K * rise * ic if rise else 0.0)
        # a slope that heat has turned negative is a device in runaway: step as if it were flat
        slope = np.where(slope > 0.02 * now.slope_V, slope, 0.02 * now.slope_V)
        gain = now.ie_slope_A / slope
        missing = point.total_A - now.ie_A.sum(axis=-1)
        drive = (missing + (gain * now.drive_V).sum(axis=-1)) / gain.sum(axis=-1)
        error = drive[..., None] - now.drive_V
        converged = (np.abs(error) < tolerance_V).all(axis=-1)
        if step and converged.all():
            break
        log_ic = log_ic + np.clip(error / slope, -1.5, 1.5)
    return log_ic, temp, now, converged


def _loop_gain(now: Point, log_ic, rise) -> np.ndarray:
    """Largest eigenvalue of the thermal loop of each set, total current held."""
    s = -now.temp_slope_V_per_K * rise * np.exp(log_ic) / now.slope_V  # theta dP/dT at a stiff drive
    k = s.shape[-1]
    if k == 1:
        return np.zeros(s.shape[:-1])
    # dT_j' = -dT_j + s_j (dT_j - weighted mean of what all the others ask for)
    weight = now.ie_slope_A / now.slope_V
    weight = weight / weight.sum(axis=-1, keepdims=True)
    ratio = now.temp_slope_V_per_K[..., None, :] / now.temp_slope_V_per_K[..., :, None]
    matrix = s[..., :, None] * (np.eye(k) - weight[..., None, :] * ratio)
    if k == 2:  # one eigenvalue is zero (the held total), the other is the trace
        return np.trace(matrix, axis1=-2, axis2=-1)
    return np.linalg.eigvals(matrix).real.max(axis=-1)


def share(
    devices: Devices,
    point: OperatingPoint,
    *,
    electrothermal: bool = False,
    start=None,
    tolerance_V: float = TOLERANCE_V,
    heat_steps: int = HEAT_STEPS,
) -> Shares:
    """Solve the currents of every set.

    Parameters
    ----------
    devices : Devices
        Parameters gathered to shape (..., s, k): s sets of k devices, leading axes are draws.
    point : OperatingPoint
    electrothermal : bool
        Solve the temperatures with the currents; else all junctions are at ``point.temp_C``.
    start : ndarray, optional
        ln IC to start from; equal shares by default.
    tolerance_V : float
        Agreement of the drive voltages [V].
    heat_steps : int
        Steps in which the thermal resistance is walked up.

    Returns
    -------
    Shares

    Notes
    -----
    The thermal resistance is walked up from zero in steps, so that the solution followed is the one
    that grows out of the cold stage.  The loop gain is that of the shares the parts would have at one
    common temperature, which is the textbook condition: past 1, unequal parts do not oscillate or
    jump, one of them simply takes nearly everything, and the solution found there may itself be
    stable.
    """
    shape = devices.shape
    if point.total_A <= 0:
        raise ValueError("a set must carry a current above zero")
    log_ic = np.full(shape, np.log(point.total_A / shape[-1])) if start is None else start
    log_ic, temp, now, converged = _newton(devices, point, log_ic, 0.0, tolerance_V)
    gain = np.full(shape[:-1], np.nan)
    away = np.zeros(shape[:-1], bool)
    if electrothermal:
        full = point.rth_K_per_W * point.watts_per_A
        gain = _loop_gain(now, log_ic, full)
        for step in range(1, heat_steps + 1):
            rise = full * step / heat_steps
            log_ic, temp, now, ok = _newton(devices, point, log_ic, rise, tolerance_V)
            away |= (_loop_gain(now, log_ic, rise) >= 1) | ~ok
        away |= gain >= 1
        converged = converged & (ok | away)
    slope = 1.0 / (now.ie_slope_A / now.slope_V).sum(axis=-1)
    return Shares(
        ie_A=now.ie_A, ib_A=now.ib_A, vbe_V=now.vbe_V, temp_C=np.broadcast_to(temp, shape),
        drive_V=now.drive_V.mean(axis=-1), drive_slope_V=slope * point.total_A,
        imbalance=imbalance(now.ie_A), loop_gain=gain, runs_away=away, converged=converged,
    )  # fmt: skip
