"""One rail of an output stage seen through the drops across its emitter resistors.

All devices of a rail hang on one drive node, so each drop d with its own V_BE gives the same drive
voltage: z = d + V_BE(d/R).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import log, sqrt

import numpy as np

from junction.base.constants import thermal_voltage
from junction.base.records import Interval
from junction.stage.results import Stage
from junction.stage.sharing import drive_point

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
        current = np.maximum(current_A, 1e-12)
        if self.devices is None:  # a part nobody knows: the law of any junction, from the wanted current
            return self.vt * np.log(current / self.wanted)
        p = self.stage.idle
        return drive_point(self.devices, np.log(current), p.vce_V, p.temp_C, 0.0, _base(p.rb_ohm, len(self.d))
                           ).drive_V  # fmt: skip

    def currents(self, volts) -> np.ndarray:
        """Currents at which V_BE is `volts`, the device on the last axis: read off a table.

        0.02 steps of ln I put the line between two of them within 1e-4 of the curve.
        """
        grid, table = self._table
        out = [np.interp(volts[..., k], table[:, k], grid) for k in range(len(self.d))]
        return np.exp(np.stack(out, axis=-1))

    def sound_currents(self, drive_V) -> np.ndarray:
        """Currents of devices with their nominal resistors under drive voltages, by the same table."""
        grid, table = self._table
        table = table + np.exp(grid)[:, None] * self.re
        return np.exp(np.stack([np.interp(drive_V, table[:, k], grid) for k in range(len(self.d))], axis=-1))

    @cached_property
    def _table(self) -> tuple[np.ndarray, np.ndarray]:
        grid = np.arange(log(1e-12), log(1e3), 0.02)
        return grid, self.vbe(np.broadcast_to(np.exp(grid)[:, None], (grid.size, len(self.d))))

    def placed(self, order) -> Rail:
        """The same rail with the parts placed in `order`."""
        moved = Rail.__new__(Rail)
        moved.__dict__.update({name: v for name, v in self.__dict__.items() if name != "_table"})
        moved.devices = self.devices.take(order)
        moved.u_vbe = self.u_vbe[order]
        return moved

    def drive(self) -> tuple[np.ndarray, np.ndarray]:
        """Drive voltage by each device [V] and its standard uncertainty."""
        d = np.maximum(self.d, self.u_d)  # a drop lost in the meter's last digit is that digit at most
        z = d + self.vbe(d / self.re)
        by_d = 1 + self.vt / d
        u = np.sqrt((by_d * self.u_d) ** 2 + (self.vt * self.u_r) ** 2 + self.u_vbe**2)
        return z, u

    def expected(self, reference_V: float, u_ref: float, k: int) -> Interval:
        """Drop that device k should show under the others' drive voltage, 95 %."""
        u = sqrt(u_ref**2 + self.u_vbe[k] ** 2 + (self.vt * self.u_r) ** 2)

        def drop(volts: float) -> float:
            return float(self.sound_currents(np.array(volts))[k] * self.re[k])

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
