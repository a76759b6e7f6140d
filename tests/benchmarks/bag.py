"""The bag that the benchmarks fit: 10,000 simulated sweeps of 80 points, truth and noise known."""

from __future__ import annotations

import numpy as np

from junction.base.records import SweepTable
from junction.base.units import thermal_voltage
from junction.physics.junction import current
from junction.sweeps.sense import Noise

#: 0.5 mV, 0.5 % and 1 nA, as standard uncertainties.
NOISE = Noise(0.0, 5e-4, 0.5, 1e-9)


def bag(
    n: int = 10_000, m: int = 80, seed: int = 20261125, spoiled: float = 0.0, off: float = 0.0
) -> SweepTable:
    """Silicon junctions from -1 V to 0.75 V; a part `spoiled` of them leaky, shorted or open.

    With `off`, currents go that share to either side of the law in a slow wave of the logarithm of the
    current, and a second exponential of 1e-10 to 1e-8 A at 0.2 V lifts the foot, as no two real parts are
    without.
    """
    rng = np.random.default_rng(seed)
    v = np.broadcast_to(np.linspace(-1, 0.75, m), (n, m))

    def draw(low, high):
        return rng.uniform(low, high, (n, 1))

    parameters = [10 ** draw(-15, -12), draw(1.0, 1.1), draw(0.3, 5.0), 10 ** draw(6, 9)]
    kind = rng.uniform(size=n)
    parameters[3] = np.where(kind[:, None] < spoiled / 3, 10 ** draw(3, 5), parameters[3])
    i = current(v, *parameters)
    shorted = (kind >= spoiled / 3) & (kind < 2 * spoiled / 3)
    i[shorted] = (v / 10 ** draw(0, 1.5))[shorted]
    i[(kind >= 2 * spoiled / 3) & (kind < spoiled)] = 0.0
    if off:
        wave = draw(0.3, 1.0) * np.log(np.maximum(np.abs(i), 1e-12)) + draw(0.0, 6.3)
        foot = 10 ** draw(-12, -10.4) * np.expm1(v / (2 * thermal_voltage(25.0)))
        i = i * (1 + off * np.sin(wave)) + np.where(kind[:, None] < spoiled, 0.0, foot)
    i = i + rng.normal(size=i.shape) * np.hypot(NOISE.i_floor_A, 0.01 * NOISE.i_percent * i)
    v = v + NOISE.v_floor_V * rng.normal(size=v.shape)
    names = tuple(f"P{k:05d}" for k in range(n))
    return SweepTable(
        names, ("AK",) * n, ("",) * n, ("",) * n, np.full(n, 25.0), np.arange(n + 1) * m,
        v.ravel(), i.ravel(), np.arange(n * m), np.zeros(n, bool),
    )  # fmt: skip
