"""Derived values of every fitted sweep, by name, inside the range the sweep covered and nowhere else."""

from __future__ import annotations

import numpy as np

from junction.base.records import Interval, SweepTable
from junction.fit.derived import (
    current_at_voltage,
    dynamic_resistance,
    ideality_against_current,
    voltage_at_current,
    voltage_at_current_25C,
)
from junction.fit.results import MODELS, SweepFits

_FORWARD = ((1e-6, "1 µA"), (1e-5, "10 µA"), (1e-4, "100 µA"), (1e-3, "1 mA"), (1e-2, "10 mA"),
            (0.1, "100 mA"), (1.0, "1 A"), (10.0, "10 A"))  # fmt: skip
_REVERSE = ((-1.0, "-1 V"), (-2.0, "-2 V"), (-5.0, "-5 V"), (-10.0, "-10 V"), (-20.0, "-20 V"),
            (-50.0, "-50 V"), (-100.0, "-100 V"), (-200.0, "-200 V"))  # fmt: skip
#: The current at which the 25 degC voltage and the slope are given, where the sweep reaches it.
_MAIN = 3

_TWO_SLOPES = np.array(["recombination" in m for m in MODELS])
_JUNCTION = np.array([m.startswith("junction") for m in MODELS])


def derived_values(table: SweepTable, fits: SweepFits) -> list[dict[str, Interval]]:
    """Voltages at decades of current, reverse current, slope and ideality with their 95 % intervals.

    Parameters
    ----------
    table : SweepTable
    fits : SweepFits
        Of that table.

    Returns
    -------
    list of dict of str to Interval
        One mapping a sweep; empty where nothing holds.
    """
    n = len(table)
    out: list[dict[str, Interval]] = [{} for _ in range(n)]
    if not n:
        return out
    lowest, highest, deepest = _reach(table, fits)
    q = np.nan_to_num(fits.quantile, nan=1.96)
    amps = np.array([i for i, _ in _FORWARD])
    sound = fits.flags["converged"] & ~fits.flags["unphysical"]  # of a failed fit nothing follows
    seen = (amps >= lowest[:, None]) & (amps <= highest[:, None])
    seen &= (_JUNCTION[fits.model] & sound)[:, None]
    _put(out, [f"V at {w}" for _, w in _FORWARD], *voltage_at_current(fits, amps), q, seen, "V")
    main = amps[_MAIN : _MAIN + 1]
    _put(out, [f"V at {_FORWARD[_MAIN][1]}, 25 °C"], *voltage_at_current_25C(fits, main), q,
         seen[:, _MAIN : _MAIN + 1], "V")  # fmt: skip
    _put(out, [f"dV/dI at {_FORWARD[_MAIN][1]}"], *dynamic_resistance(fits, main), q,
         seen[:, _MAIN : _MAIN + 1], "ohm")  # fmt: skip
    bent = _TWO_SLOPES[fits.model]
    if bent.any():
        _put(out, [f"N at {w}" for _, w in _FORWARD], *ideality_against_current(fits, amps), q,
             seen & bent[:, None], "")  # fmt: skip
    volts = np.array([v for v, _ in _REVERSE])
    inside = volts >= deepest[:, None]
    last = np.maximum(inside.sum(1) - 1, 0)  # the deepest round voltage that was reached
    chosen = inside & (np.arange(volts.size) == last[:, None]) & sound[:, None]
    _put(out, [f"I at {w}" for _, w in _REVERSE], *current_at_voltage(fits, volts), q, chosen, "A")
    return out


def _reach(table: SweepTable, fits: SweepFits) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lowest and highest forward current [A] and deepest reverse voltage [V] among the points used."""
    starts = table.starts[:-1]
    use = np.asarray(fits.used)
    forward = use & (table.i_A > 0) & (table.v_V > 0)
    lowest = np.minimum.reduceat(np.where(forward, table.i_A, np.inf), starts)
    highest = np.maximum.reduceat(np.where(forward, table.i_A, 0.0), starts)
    deepest = np.minimum.reduceat(np.where(use, table.v_V, np.inf), starts)
    return lowest, highest, deepest


def _put(out, names, value, u, quantile, where, unit) -> None:
    """Enter intervals by name where they hold."""
    half = quantile[:, None] * u
    good = where & np.isfinite(value) & np.isfinite(half)
    for k, j in zip(*(x.tolist() for x in np.nonzero(good)), strict=True):
        x, h = float(value[k, j]), float(half[k, j])
        out[k][names[j]] = Interval(x, x - h, x + h, unit)
