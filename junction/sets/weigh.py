"""What a candidate set costs: the imbalance to expect in the stage, given what the measurements can say.

The imbalance of the fitted curves is solved exactly.  The measurements leave an uncertainty u of the
difference, and the difference that is really there is normal about the fitted one, so the size to expect
is the mean of a folded normal distribution: for differences well above u it is the fitted imbalance
itself, and for differences below u it levels off at 0.8 u instead of chasing noise.

What the measurements leave open is drawn for all parts together.  Only differences between parts move
current, so errors that parts share are drawn once for all of them: the temperature law of silicon, what
`junction.transistor` learned of a type from its parts, and whatever a part's data say nothing of.  Curves
taken at one V_CE leave the Early voltage at a default that may be off by a factor, but by nearly the same
factor for all parts of one type.

Types face their registered complements first, whatever their curves say: parts of other types may match at
two currents and still differ in speed, second breakdown and capacitance, which no curve here shows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import pi, sqrt

import numpy as np

from junction.base.records import plain_name
from junction.fit.results import TransistorFits
from junction.shelf.rules import rule
from junction.stage.results import OperatingPoint, Stage
from junction.stage.sharing import Devices, devices_from_fits, drive_point, share
from junction.transistor.values import OF_A_TYPE, between_parts, draw_steps, sensitivities

#: Draws of the parts; the 95 % limits scatter by about 4 % of u with this many.  One bag gives one answer.
DRAWS, _SEED = 500, 1
#: In a large bag fewer draws do: this many draws times parts, but never below so many draws.
_DRAWS_TIMES_PARTS, _FEWEST_DRAWS = 200_000, 200
#: Sets solved at a time, so that the arrays stay in the processor's cache.
_CHUNK = 8_000
#: Agreement of drive voltages that a cost needs [V]: 1e-7 V is 2e-6 of an imbalance.
_TOLERANCE_V = 1e-7
#: Cost of a set that mixes types: more than any imbalance, so that it comes last.
_MIXED = 2.0
#: Label of a part without a type, and of the first type whose complement nobody registered.
UNKNOWN, _ALONE = -1, 1000
POINTS = ("idle", "peak")


def weights_for(idle: float | None = None) -> dict[str, float]:
    """Shares of a cost: idle current, peak current, the two rails against each other, base current.

    Parameters
    ----------
    idle : float, optional
        How much the match at idle counts [1], that at the peak the rest; the rule ``match_weight_idle`` by
        default.
    """
    idle = rule("match_weight_idle") if idle is None else idle
    return {"idle": idle, "peak": 1.0 - idle, "halves": rule("match_weight_rails"),
            "base": rule("match_weight_base")}  # fmt: skip


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


def type_labels(types: Sequence[str], complements: Mapping[str, str]) -> np.ndarray:
    """One number a part: equal for a type and its registered complement; `UNKNOWN` where no type is given.

    Parameters
    ----------
    types : sequence of str
    complements : mapping of str to str
        Plain name of a type to that of its registered complement.
    """
    seen: dict[frozenset, int] = {}
    out = np.full(len(types), UNKNOWN)
    for k, name in enumerate(map(plain_name, types)):
        if name:
            pair = frozenset((name, complements.get(name, name)))
            out[k] = seen.setdefault(pair, (0 if name in complements else _ALONE) + len(seen))
    return out


def mixed_within(labels) -> np.ndarray:
    """Whether sets (.., k) of labels hold two known types."""
    least = np.where(labels == UNKNOWN, np.iinfo(int).max, labels).min(axis=-1)
    return labels.max(axis=-1) > least


def mixed_across(upper, lower) -> np.ndarray:
    """Whether two rails are of types that are not each other's; where no complement is registered, no."""
    both = (upper != UNKNOWN) & (lower != UNKNOWN)
    return both & (upper != lower) & ((upper < _ALONE) | (lower < _ALONE))


def with_common_defaults(fits: TransistorFits) -> TransistorFits:
    """The same fits with the error of every default counted as shared within a type.

    Parameters
    ----------
    fits : TransistorFits

    Returns
    -------
    TransistorFits
        ``shared`` has a column more for each type and each parameter that stands at a default; the part of
        its variance that exceeds the spread between parts of one type goes there, with what it drags along.
    """
    n, p = fits.value.shape
    kin = np.zeros((n, p, 0)) if fits.shared is None else fits.shared
    rest = np.where(np.isfinite(fits.covariance), fits.covariance, 0.0) - kin @ np.swapaxes(kin, 1, 2)
    groups: dict[tuple[str, str], list[int]] = {}
    for k in range(n):
        groups.setdefault((fits.polarity[k], fits.type[k]), []).append(k)
    columns = [kin]
    for members in groups.values():
        for j, name in enumerate(fits.names):
            own = [k for k in members if fits.fixed[k, j]]
            if name not in OF_A_TYPE or not own:
                continue
            column = np.zeros((n, p, 1))
            variance = np.maximum(rest[own, j, j], 1e-300)
            common = np.clip(1 - between_parts(name) ** 2 / variance, 0.0, 1.0)
            column[own, :, 0] = rest[own, :, j] * np.sqrt(common / variance)[:, None]
            rest = rest - column @ np.swapaxes(column, 1, 2)
            columns.append(column)
    return replace(fits, shared=np.concatenate(columns, axis=2))


def drawn_devices(fits: TransistorFits, stage: Stage, draws: int = DRAWS) -> dict[str, Devices]:
    """Draws of the parts under their measurement's uncertainty, one batch for each operating point.

    A part known from one reading has parameters that may be wrong by factors while its V_BE near that
    reading is known to a millivolt: the errors cancel to first order, and only to first order.  So what
    is drawn is not the parameters but what they do at the operating point, to first order: an offset of
    V_BE and a factor on the base current, from the same correlated steps of the parameters' logarithms.

    Parameters
    ----------
    fits : TransistorFits
        n parts.
    stage : Stage
    draws : int
        Number of draws; fewer for a large bag.

    Returns
    -------
    dict of str to Devices
        By name of the point; shape (draws, n).
    """
    draws = min(draws, max(_FEWEST_DRAWS, _DRAWS_TIMES_PARTS // max(len(fits), 1)))
    step = draw_steps(with_common_defaults(fits), draws, _SEED)
    step = np.where(np.isfinite(step), step, 0.0)
    fitted = devices_from_fits(fits)
    out = {}
    for point in (stage.idle, stage.peak):
        ic = point.total_A / stage.parallel
        vce = max(point.vce_V - ic * float(np.mean(point.re_ohm)), 1.0)
        _, _, by_v, by_ln_hfe = sensitivities(fits, ic, vce, point.temp_C)
        offset, factor = (
            np.einsum("np,dnp->dn", np.where(np.isfinite(x), x, 0.0)[:, 0], step) for x in (by_v, -by_ln_hfe)
        )
        out[point.name] = Devices({**fitted.values, "DV": offset, "LNB": factor})
    return out


class Weigher:
    """Costs of sets of `k` devices of one pool that share a stage's currents.

    Parameters
    ----------
    devices : Devices
        The n parts, fitted values.
    drawn : mapping of str to Devices
        Draws of the same parts at each point, shape (d, n).
    stage : Stage
    weights : mapping of str to float
        As `weights_for` gives them [1].
    labels : ndarray of int (n,), optional
        As `type_labels` gives them.

    Notes
    -----
    Part indices are those of the pool.  Where positions have different resistors, their mean stands for
    all while sets are chosen.  Near an equal share each part is known to first order, by point (2, n): the
    drive it needs and its standard uncertainty against the other parts [V], its slope dV/d ln I [V] and its
    base current [A].
    """

    def __init__(self, devices, drawn, stage: Stage, weights, labels=None) -> None:
        self.devices, self.k, self.weights = devices, stage.parallel, dict(weights)
        self.n = devices.shape[-1]
        self.labels = np.full(self.n, UNKNOWN) if labels is None else labels
        self.points = [
            replace(p, re_ohm=float(np.mean(p.re_ohm)), rb_ohm=float(np.mean(p.rb_ohm)))
            for p in (stage.idle, stage.peak)
        ]
        near = [self._near(p, drawn[p.name]) for p in self.points]
        self.drive_V, self.u_V, self.slopes_V, self.ib_A = (np.array(x) for x in zip(*near, strict=True))
        self.slope_V = self.slopes_V.mean(axis=1)

    def _near(self, p: OperatingPoint, drawn: Devices):
        surroundings = (p.vce_V, p.temp_C, p.re_ohm, p.rb_ohm)
        share_A = p.total_A / self.k
        log_ic = np.full(self.n, np.log(share_A))
        for _ in range(2):  # the share is of the emitter current, which a low gain makes larger
            log_ic = log_ic - np.log(drive_point(self.devices, log_ic, *surroundings).ie_A / share_A)
        now = drive_point(self.devices, log_ic, *surroundings)
        one_by_one = drive_point(drawn, log_ic, *surroundings).drive_V
        one_by_one = np.broadcast_to(one_by_one, (*one_by_one.shape[:-1], self.n))
        # an error that all parts of a draw share moves no current from one to another
        own = one_by_one - np.mean(one_by_one, axis=-1, keepdims=True)
        unbiased = sqrt(self.n / (self.n - 1)) if self.n > 1 else 1.0
        found = (now.drive_V, own.std(axis=0) * unbiased, now.slope_V * share_A / now.ie_slope_A, now.ib_A)
        return np.broadcast_arrays(*found)

    def coordinates(self) -> np.ndarray:
        """Per part and point, the place whose range in a set is the weighted imbalance to first order."""
        weight = np.array([[self.weights[p.name]] for p in self.points])
        columns = list(weight * self.drive_V / (self.slope_V[:, None] * self.k))
        known = np.unique(self.labels)
        if known.size > 1 and UNKNOWN not in known:
            columns.append(_MIXED * np.searchsorted(known, self.labels))
        return np.stack(columns, axis=1)

    def cost(self, members) -> np.ndarray:
        """Cost of sets (c, k) of parts [1]."""
        if self.k == 1:
            return np.zeros(len(members))
        total = _MIXED * mixed_within(self.labels[members])
        for at in range(0, len(members), _CHUNK):
            piece = members[at : at + _CHUNK]
            gathered = self.devices.take(piece)
            for q, point in enumerate(self.points):
                # to first order, where Newton has little left to do
                drive = self.drive_V[q, piece]
                off = (drive.mean(axis=-1, keepdims=True) - drive) / self.slope_V[q]
                start = np.log(point.total_A / self.k) + np.clip(off, -2.0, 2.0)
                size = share(gathered, point, start=start, tolerance_V=_TOLERANCE_V).imbalance
                u = self.u_V[q, piece] / (self.slope_V[q] * self.k)
                u = np.sqrt(2 * np.mean(u * u, axis=-1))
                total[at : at + _CHUNK] += self.weights[point.name] * expected_imbalance(size, u)
        return total

    def groups(self, members) -> np.ndarray:
        """Sets seen from outside: drive, its slope and uncertainty [V], base current [A], type; (5, 2, c)."""
        out = np.empty((5, 2, len(members)))
        own = self.labels[members]
        out[4] = np.where(mixed_within(own), UNKNOWN, own.max(axis=-1))
        for q, point in enumerate(self.points):
            out[2, q] = np.sqrt(np.mean(self.u_V[q, members] ** 2, axis=-1) / self.k)
            for at in range(0, len(members), _CHUNK):
                piece = members[at : at + _CHUNK]
                if self.k == 1:
                    one = piece[:, 0]
                    found = self.drive_V[q, one], self.slopes_V[q, one], self.ib_A[q, one]
                else:
                    s = share(self.devices.take(piece), point)
                    found = s.drive_V, s.drive_slope_V, s.ib_A.sum(axis=-1)
                out[[0, 1, 3], q, at : at + _CHUNK] = found
        return out


def cross_cost(upper, lower, weights) -> np.ndarray:
    """Cost of putting groups of the upper rail against groups of the lower one.

    Parameters
    ----------
    upper, lower : ndarray (5, 2, ...)
        What `Weigher.groups` gave, arrays that broadcast against each other behind axis 1.
    weights : mapping of str to float
        As `weights_for` gives them [1].

    Returns
    -------
    ndarray
        At equal drive, how unequal the two rails' currents are, idle and peak weighted; and how unequal
        the base currents are that the driver has to bring at the peak.
    """
    (v1, s1, u1, b1, label1), (v2, s2, u2, b2, label2) = upper, lower
    total = 0.0
    for q, name in enumerate(POINTS):
        size = np.abs(v1[q] - v2[q]) / (s1[q] + s2[q])
        u = np.sqrt(u1[q] * u1[q] + u2[q] * u2[q]) / (s1[q] + s2[q])
        total = total + weights["halves"] * weights[name] * np.tanh(folded_mean(size, u))
    total = total + weights["base"] * np.abs(b1[1] - b2[1]) / (b1[1] + b2[1])
    return total + _MIXED * mixed_across(label1[1], label2[1])
