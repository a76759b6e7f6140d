"""What a candidate set costs: the imbalance to expect in the stage, given what the measurements can say.

The imbalance of the fitted curves is solved exactly.  The measurements leave an uncertainty u of the
difference, and the difference that is really there is normal about the fitted one, so the size to expect
is the mean of a folded normal distribution: for differences well above u it is the fitted imbalance
itself, and for differences below u it levels off at 0.8 u instead of chasing noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np

from junction.sets.kinds import MIXED, UNKNOWN, mixed_across, mixed_within
from junction.stage.results import OperatingPoint
from junction.stage.sharing import Devices, drive_point, share

#: Sets solved at a time, so that the arrays stay in the processor's cache.
_CHUNK = 8_000
#: Agreement of drive voltages that a cost needs [V]: 1e-7 V is 2e-6 of an imbalance.
_TOLERANCE_V = 1e-7
#: Shares of the cost: idle current, peak current, the two rails against each other, base current.
WEIGHTS = {"idle": 0.5, "peak": 0.5, "halves": 0.5, "base": 0.25}


def weights_for(idle: float | None = None) -> dict[str, float]:
    """Weights of a cost with the match at idle counting `idle` [1] and that at the peak the rest."""
    return dict(WEIGHTS) if idle is None else {**WEIGHTS, "idle": idle, "peak": 1.0 - idle}


def folded_mean(size, u):
    """Mean of |x| for x normal with mean `size` and standard deviation `u` (Leone et al. 1961)."""
    from scipy.special import erf

    size, u = np.asarray(size, float), np.asarray(u, float)
    safe = np.where(u > 0, u, 1.0)
    ratio = size / safe
    mean = safe * sqrt(2 / pi) * np.exp(-0.5 * ratio * ratio) + size * erf(ratio / sqrt(2))
    return np.where(u > 0, mean, size)


def expected_imbalance(size, u):
    """Imbalance to expect where `size` is that of the fitted curves and `u` its uncertainty to first order.

    Parameters
    ----------
    size : ndarray
        Below 1 [1].
    u : ndarray
        Standard uncertainty of the difference of drive, as an imbalance to first order [1]; may exceed 1.

    Returns
    -------
    ndarray
        tanh of the mean size of the difference.  No imbalance passes 1: without that bound two parts of which
        next to nothing is known would cost more than two that are surely unequal, and the sets would be
        chosen by what is not known of them.
    """
    size = np.minimum(np.asarray(size, float), 1 - 1e-12)
    return np.tanh(folded_mean(np.arctanh(size), u))


def mean_resistor(value) -> float:
    """One resistor to stand for those of all positions while sets are chosen."""
    return float(np.mean(value))


@dataclass(frozen=True, eq=False)
class Linear:
    """Each part near its share of the current at one operating point.

    ``drive_V`` (n,): what it needs to carry an equal share [V]; ``u_V``: standard uncertainty of that
    against the other parts [V]; ``slope_V``: dV/d ln I, mean of the parts [V]; ``ib_A`` (n,);
    ``slopes_V`` (n,): the same slope part by part [V].
    """

    drive_V: np.ndarray
    u_V: np.ndarray
    slope_V: float
    ib_A: np.ndarray
    slopes_V: np.ndarray


class Weigher:
    """Costs of sets of `k` devices that share the operating points.

    Parameters
    ----------
    devices : Devices
        The n parts, fitted values.
    drawn : mapping of str to Devices
        Draws of the same parts at each point, shape (d, n).
    points : sequence of OperatingPoint
        Idle and peak, for the whole set.
    k : int
        Devices in a set.
    weights : mapping of str to float
        Keys of `WEIGHTS`.
    kinds : ndarray of int (n,), optional
        Labels of the types (`kinds.kind_labels`); sets that mix them cost more.
    """

    def __init__(self, devices: Devices, drawn, points, k: int, weights, kinds=None) -> None:
        self.devices, self.drawn, self.k, self.weights = devices, drawn, k, dict(weights)
        self.kinds = np.full(devices.shape[-1], UNKNOWN) if kinds is None else np.asarray(kinds)
        self.points = tuple(_even(p) for p in points)
        self.linear = tuple(self._linear(p) for p in self.points)

    def _linear(self, point: OperatingPoint) -> Linear:
        share_A = point.total_A / self.k
        log_ic = np.full(self.devices.shape[-1:], np.log(share_A))
        for _ in range(2):  # the share is of the emitter current, which a low gain makes larger
            now = drive_point(self.devices, log_ic, point.vce_V, point.temp_C, point.re_ohm, point.rb_ohm)
            log_ic = log_ic - np.log(now.ie_A / share_A)
        now = drive_point(self.devices, log_ic, point.vce_V, point.temp_C, point.re_ohm, point.rb_ohm)
        slopes = now.slope_V * share_A / now.ie_slope_A
        drawn = drive_point(
            self.drawn[point.name], log_ic, point.vce_V, point.temp_C, point.re_ohm, point.rb_ohm
        ).drive_V
        n = self.devices.shape[-1]
        drawn = np.broadcast_to(drawn, (*drawn.shape[:-1], n))
        # an error that all parts of a draw share moves no current from one to another
        own = drawn - np.mean(drawn, axis=-1, keepdims=True)
        unbiased = sqrt(n / (n - 1)) if n > 1 else 1.0
        return Linear(
            np.broadcast_to(now.drive_V, (n,)), own.std(axis=0) * unbiased,
            float(np.mean(slopes)), np.broadcast_to(now.ib_A, (n,)),
            np.broadcast_to(slopes, (n,)),
        )  # fmt: skip

    def coordinates(self) -> np.ndarray:
        """Per part and point, the place whose range in a set is the weighted imbalance to first order."""
        columns = [self.weights[p.name] * a.drive_V / (a.slope_V * self.k)
                   for p, a in zip(self.points, self.linear, strict=True)]  # fmt: skip
        known = np.unique(self.kinds[self.kinds != UNKNOWN])
        if known.size > 1 and (self.kinds != UNKNOWN).all():
            columns.append(MIXED * np.searchsorted(known, self.kinds))
        return np.stack(columns, axis=1)

    def u_imbalance(self, members, which: int) -> np.ndarray:
        """Standard uncertainty of the imbalance of each set, to first order."""
        linear = self.linear[which]
        u = linear.u_V[members] / (linear.slope_V * self.k)
        return np.sqrt(2 * np.mean(u * u, axis=-1))

    def cost(self, members) -> np.ndarray:
        """Cost of sets (c, k) of part indices [1]."""
        members = np.asarray(members)
        if self.k == 1:
            return np.zeros(len(members))
        total = MIXED * mixed_within(self.kinds[members])
        for at in range(0, len(members), _CHUNK):
            piece = members[at : at + _CHUNK]
            gathered = self.devices.take(piece)
            for which, point in enumerate(self.points):
                size = share(
                    gathered, point, start=self._start(piece, which), tolerance_V=_TOLERANCE_V
                ).imbalance
                total[at : at + _CHUNK] += self.weights[point.name] * expected_imbalance(
                    size, self.u_imbalance(piece, which)
                )
        return total

    def _start(self, members, which: int):
        """Ln IC of each device of sets to first order, where Newton has little left to do."""
        linear = self.linear[which]
        drive = linear.drive_V[members]
        off = (drive.mean(axis=-1, keepdims=True) - drive) / linear.slope_V
        return np.log(self.points[which].total_A / self.k) + np.clip(off, -2.0, 2.0)

    def groups(self, members) -> tuple[np.ndarray, ...]:
        """Sets seen from outside: drive, its slope and uncertainty [V], base current [A], type, as (q, c)."""
        members = np.asarray(members)
        out = []
        for which, point in enumerate(self.points):
            linear = self.linear[which]
            rows = []
            for at in range(0, len(members), _CHUNK):
                piece = members[at : at + _CHUNK]
                if self.k == 1:
                    one = piece[:, 0]
                    rows.append((linear.drive_V[one], linear.slopes_V[one], linear.ib_A[one]))
                else:
                    s = share(self.devices.take(piece), point)
                    rows.append((s.drive_V, s.drive_slope_V, s.ib_A.sum(axis=-1)))
            drive, slope, base = (np.concatenate(x) for x in zip(*rows, strict=True))
            u = np.sqrt(np.mean(linear.u_V[members] ** 2, axis=-1) / self.k)
            own = self.kinds[members]
            out.append((drive, slope, u, base, np.where(mixed_within(own), UNKNOWN, own.max(axis=-1))))
        return tuple(np.stack(x) for x in zip(*out, strict=True))


def _even(point: OperatingPoint) -> OperatingPoint:
    return OperatingPoint(
        point.name, point.total_A, point.vce_V, point.temp_C, mean_resistor(point.re_ohm),
        mean_resistor(point.rb_ohm), point.rth_K_per_W, point.watts_per_A,
    )  # fmt: skip


def cross_cost(upper, lower, points, weights) -> np.ndarray:
    """Cost of putting groups of the upper rail against groups of the lower one.

    Parameters
    ----------
    upper, lower : tuple of ndarray
        What `Weigher.groups` gave, arrays that broadcast against each other behind axis 0.
    points, weights
        As in `Weigher`.

    Returns
    -------
    ndarray
        At equal drive, how unequal the two rails' currents are, idle and peak weighted; and how unequal
        the base currents are that the driver has to bring at the peak.
    """
    total = 0.0
    for q, point in enumerate(points):
        v1, s1, u1, b1, *kind1 = (x[q] for x in upper)
        v2, s2, u2, b2, *kind2 = (x[q] for x in lower)
        size = np.abs(v1 - v2) / (s1 + s2)
        u = np.sqrt(u1 * u1 + u2 * u2) / (s1 + s2)
        total = total + weights["halves"] * weights[point.name] * np.tanh(folded_mean(size, u))
        if point.name == "peak":
            total = total + weights["base"] * np.abs(b1 - b2) / (b1 + b2)
            if kind1 and kind2:  # once, with the peak
                total = total + MIXED * mixed_across(kind1[0], kind2[0])
    return total
