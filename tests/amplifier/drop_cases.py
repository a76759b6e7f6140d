"""Drops of an output stage worked out on their own: two rails in series, one bias voltage, simple faults.

Nothing of junction is used: a transistor is I = IS exp(V/VT), a rail is devices with their resistors on
one drive node, and the two rails carry one current under one bias voltage.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import wrightomega

VT = 1.380649e-23 * (25 + 273.15) / 1.602176634e-19  # CODATA 2018; the stage is told 25 C
METER_OHM = 1e7
TOLD_V = 0.0005  # standard deviation of V_BE as measured before fitting
FAULTS = ("none", "R +30 %", "R doubled", "R open", "R shorted", "device open", "bias high", "bias low",
          "exchanged")  # fmt: skip


@dataclass(frozen=True)
class Case:
    """One stage: what was done to it, what flows, what the meter reads."""

    fault: str
    rail: int
    position: int
    partner: int
    parallel: int
    known: bool  # the parts' curves are given
    both: bool  # both rails measured
    re_ohm: float
    wanted_A: float
    told_i_s: np.ndarray  # (2, n) as the parts were measured, in the order told [A]
    resistor: np.ndarray  # (2, n) as they are [ohm]
    current: np.ndarray  # (2, n) [A]
    drops_V: np.ndarray  # (2, n) as read

    @property
    def ratio(self) -> float:
        """Rail current over the wanted one."""
        return float(self.current[0].sum() / self.wanted_A)


def _devices(drive, i_s, resistor):
    """Currents under a drive voltage.

    I R + VT ln(I/IS) = V is x + ln x = y with x = I R/VT: Wright's omega function (Corless and
    Jeffrey, 2002).
    """
    return VT / resistor * wrightomega(drive / VT + np.log(i_s * resistor / VT))


def _rail_drive(total, i_s, resistor) -> float:
    return brentq(lambda v: np.log(_devices(v, i_s, resistor).sum() / total), -2.0, 1e10, xtol=1e-12)


def solve(i_s, resistor, *, bias_V=None, total_A=None):
    """Currents (2, n) and the bias voltage, with one of bias voltage and rail current given."""
    if total_A is None:
        def missing(log_total):
            return sum(_rail_drive(np.exp(log_total), i_s[k], resistor[k]) for k in (0, 1)) - bias_V

        total_A = np.exp(brentq(missing, -40.0, 4.0))
    drives = [_rail_drive(total_A, i_s[k], resistor[k]) for k in (0, 1)]
    return np.stack([_devices(drives[k], i_s[k], resistor[k]) for k in (0, 1)]), sum(drives)


def case(seed: int, fault: str | None = None) -> Case:
    """Case number `seed`: faults in turn, everything else drawn."""
    rng = np.random.default_rng(seed)
    fault = fault or FAULTS[seed % len(FAULTS)]
    n = int(rng.integers(2 if fault == "exchanged" else 1, 5))
    known = fault == "exchanged" or rng.random() < 0.4
    both = rng.random() < 0.75
    re = float(rng.choice([0.1, 0.22, 0.33, 0.47]))
    wanted = n * float(rng.uniform(0.012, 0.03)) / re
    offsets = rng.normal(0, 0.005, (2, n))
    rail, k = (int(rng.integers(2)) if both else 0), int(rng.integers(n))
    other = int((k + 1 + rng.integers(n - 1)) % n) if n > 1 else k
    if fault == "exchanged":  # parts worth telling apart
        offsets[rail, k], offsets[rail, other] = 0.012, -0.012
    i_s = 4e-12 * np.exp(offsets / VT)
    resistor = re * rng.uniform(0.95, 1.05, (2, n))
    factor = {"bias high": rng.uniform(1.6, 6), "bias low": rng.uniform(0.15, 0.6)}.get(
        fault, rng.uniform(0.9, 1.1))  # fmt: skip
    _, bias = solve(i_s, resistor, total_A=wanted * factor)
    actual = i_s.copy()
    match fault:
        case "R +30 %":
            resistor[rail, k] *= 1.3
        case "R doubled":
            resistor[rail, k] *= 2
        case "R open":
            resistor[rail, k] = METER_OHM
        case "R shorted":
            resistor[rail, k] = rng.uniform(1e-4, 3e-3)
        case "device open":
            actual[rail, k] = 1e-30
        case "exchanged":
            actual[rail, [k, other]] = actual[rail, [other, k]]
    # half of them with the bias set again after the fault, so that the rail carries what is wanted
    again = rng.random() < 0.5 and not (n == 1 and fault in ("R open", "device open"))
    told = i_s * np.exp(rng.normal(0, TOLD_V, i_s.shape) / VT)
    if again:
        current, _ = solve(actual, resistor, total_A=wanted * factor)
    else:
        current, _ = solve(actual, resistor, bias_V=bias)
    drops = current * resistor
    read = drops * (1 + rng.uniform(-0.005, 0.005)) + rng.uniform(-1e-4, 1e-4, drops.shape)
    read = np.round(np.maximum(read, 0.0), 4)
    return Case(fault, rail, k, other, n, known, both, re, wanted, told, resistor, current, read)
