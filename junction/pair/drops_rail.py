"""One rail of an output stage seen through the drops across its emitter resistors.

All devices of a rail hang on one drive node, so each drop d with its own V_BE gives the same drive
voltage: z = d + V_BE(d/R).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erf, exp, log, pi, sqrt

import numpy as np

from junction.base.constants import thermal_voltage
from junction.base.records import Interval
from junction.pair.curves import drive_point
from junction.pair.results import Stage

#: Spread of V_BE between parts nobody matched, standard deviation; common practice, no source.
U_VBE_UNMATCHED_V = 0.005
#: Idle current may stand this far off the wanted one and still be as predicted; common practice, no source.
BIAS_BAND = 0.2
#: Share of emitter resistors that are out of value after an output stage failed; common practice, no source.
FAULT_PRIOR = 0.05
K95 = 1.96


@dataclass(frozen=True)
class DropAsk:
    """What was measured: drops [V], standard uncertainty of each, resistors as fitted, their tolerance.

    ``upper`` counts the drops of the upper rail; they stand first.
    """

    drops_V: tuple[float, ...]
    u_fraction: float = 0.003
    u_floor_V: float = 0.0001
    re_tolerance: float = 0.05
    parts: tuple[str, ...] = ()


def phi(x: float) -> float:
    """Standard normal distribution function."""
    return 0.5 * (1 + erf(x / sqrt(2)))


class Rail:
    """One rail: the devices, their V_BE at a current, and what each drop says."""

    def __init__(self, stage: Stage, ask: DropAsk, which: slice, re, devices, u_vbe) -> None:
        self.stage, self.ask, self.devices, self.u_vbe = stage, ask, devices, u_vbe
        self.d = np.array(ask.drops_V[which], float)
        self.re = np.array(re, float)
        self.wanted = stage.idle.total_A / stage.parallel
        self.vt = float(thermal_voltage(stage.idle.temp_C))
        self.u_d = np.hypot(ask.u_fraction * self.d, ask.u_floor_V)
        self.u_r = ask.re_tolerance / sqrt(3)  # limits to standard uncertainty (JCGM 100:2008, 4.3.7)

    def vbe(self, current_A) -> np.ndarray:
        """V_BE of each device at its current, base resistor included [V]."""
        current = np.maximum(current_A, 1e-9)
        if self.devices is None:  # a part nobody knows: the law of any junction, from the wanted current
            return self.vt * np.log(current / self.wanted)
        p = self.stage.idle
        return drive_point(self.devices, np.log(current), p.vce_V, p.temp_C, 0.0, _base(p.rb_ohm, len(self.d))
                           ).drive_V  # fmt: skip

    def current_at(self, volts) -> np.ndarray:
        """Current at which each V_BE is `volts`, by bisection in ln I (the curve rises throughout)."""
        low, high = np.full(len(self.d), log(1e-9)), np.full(len(self.d), log(100.0))
        for _ in range(60):
            middle = 0.5 * (low + high)
            above = self.vbe(np.exp(middle)) > volts
            low, high = np.where(above, low, middle), np.where(above, middle, high)
        return np.exp(0.5 * (low + high))

    def drive(self) -> tuple[np.ndarray, np.ndarray]:
        """Drive voltage by each device [V] and its standard uncertainty."""
        current = self.d / self.re
        z = self.d + self.vbe(current)
        by_d = 1 + self.vt / np.maximum(self.d, 1e-6)
        u = np.sqrt((by_d * self.u_d) ** 2 + (self.vt * self.u_r) ** 2 + self.u_vbe**2)
        return z, u

    def expected(self, reference_V: float, u_ref: float, k: int) -> Interval:
        """Drop that device k should show under the others' drive voltage, 95 %."""
        u = sqrt(u_ref**2 + self.u_vbe[k] ** 2 + (self.vt * self.u_r) ** 2)

        def drop(volts: float) -> float:
            low, high = log(1e-9), log(100.0)
            for _ in range(60):
                middle = 0.5 * (low + high)
                current = exp(middle)
                total = current * self.re[k] + float(self.vbe(np.full(len(self.d), current))[k])
                low, high = (low, middle) if total > volts else (middle, high)
            return exp(0.5 * (low + high)) * float(self.re[k])

        centre = drop(reference_V)
        own = K95 * float(self.u_d[k])
        return Interval(
            centre, max(drop(reference_V - K95 * u) - own, 0.0), drop(reference_V + K95 * u) + own, "V"
        )


def _base(rb, n: int):
    return rb if np.ndim(rb) == 0 else np.asarray(rb)[:n]


def reference_drive(r: Rail, z, u, others, k: int) -> tuple[float, float, bool]:
    """Drive voltage by the other devices; without any, that of the wanted idle current."""
    if not others.size:
        wanted = r.wanted * r.re[k] + float(r.vbe(np.full(len(r.d), r.wanted))[k])
        # the set bias is only known to its band
        return wanted, BIAS_BAND / 2 * (r.vt + r.wanted * float(r.re[k])), True
    if others.size >= 3:  # a second odd one out must not pull the yardstick
        return float(np.median(z[others])), 1.25 * float(np.median(u[others])) / sqrt(others.size), False
    weight = 1 / u[others] ** 2
    return float(weight @ z[others] / weight.sum()), float(1 / sqrt(weight.sum())), False


def agreeing(r: Rail, z, u, candidates) -> np.ndarray:
    """Devices that agree on the drive voltage: the worst one out is left out while three or more are left."""
    left = candidates
    while left.size >= 3:
        off = []
        for k in left:
            reference, u_ref, _ = reference_drive(r, z, u, left[left != k], k)
            off.append(abs(z[k] - reference) / sqrt(u_ref**2 + u[k] ** 2))
        if max(off) <= K95:
            break
        left = np.delete(left, int(np.argmax(off)))
    return left


def fault_probability(off: float, u: float) -> float:
    """Probability that a resistor is out of value, from how far its logarithm seems off.

    A sound one is off by the uncertainty alone; a faulty one lies anywhere within a decade either way.
    """
    sound = exp(-0.5 * (off / u) ** 2) / (u * sqrt(2 * pi)) * (1 - FAULT_PRIOR)
    faulty = FAULT_PRIOR / (2 * log(10.0))
    return faulty / (faulty + sound)


def misfit(r: Rail, order) -> float:
    """Sum of squares of the drive voltages about their weighted mean, parts placed in `order`."""
    moved = Rail.__new__(Rail)
    moved.__dict__.update(r.__dict__)
    moved.devices = r.devices.take(order)
    moved.u_vbe = r.u_vbe[order]
    z, u = moved.drive()
    weight = 1 / u**2
    mean = weight @ z / weight.sum()
    return float(weight @ (z - mean) ** 2)
