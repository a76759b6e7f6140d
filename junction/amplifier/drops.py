"""What may be wrong in a stage, weighed: every simple fault of every position against the measured drops.

All devices of a rail hang on one drive node, so each drop d with its own V_BE gives the same drive
voltage: z = d + V_BE(d/R).  A device whose z stands off the others' says that its resistor, its junction
or its path is not what it should be.

Each rail is looked at under many patterns (all sound; one position or two at fault; two parts exchanged).
Under a pattern the sound positions say what the drive voltage z and their own currents d/R are, a faulty
one has the current its junction takes at z - d, and the sum is the rail's current.  At idle, without a
load, the two rails are in series, so both sums are one current: that is what ties the rails together and
lets the good one bound the bad one.  Patterns are weighed by Bayes' rule, their rail currents kept as a
mixture of log-normal pieces, so a current nobody can know comes out as wide as it is.
"""

from __future__ import annotations

from enum import IntEnum
from functools import cached_property
from itertools import combinations, product
from math import log, sqrt
from types import SimpleNamespace

import numpy as np

from junction.amplifier.results import OperatingPoint
from junction.amplifier.sharing import drive_point
from junction.base.records import Interval
from junction.base.units import NORMAL_95, thermal_voltage
from junction.judge.mixture import Mixture, log_normal, log_total, posterior
from junction.shelf.tables import rule


class Kind(IntEnum):
    """What a position may be, in the order of the last axis of the probabilities."""

    SOUND, VALUE, OPEN, OFF, SHORTED, ODD, MISREAD, EXCHANGED, UNKNOWN = range(9)


#: What may be wrong with one position; how often each is met is the rule ``drops_prior_value`` and so on.
FAULTS = (Kind.VALUE, Kind.OPEN, Kind.OFF, Kind.SHORTED, Kind.ODD, Kind.MISREAD)
#: Pairs of positions are suspected together only among the so many that stand furthest off.
_FURTHEST = 4
#: Logarithm of a weight beside the heaviest below which a piece could not matter.
_LIGHT = 30.0
#: Probability beside that of the likeliest below which a piece is left out of the rail current.
_FAINT = 1e-9


class Rail:
    """One rail: the devices, their V_BE at a current, and what each drop says.

    Parameters
    ----------
    idle : OperatingPoint
        At the wanted idle current.
    drops_V, re_ohm, u_vbe_V : sequence of float (n,)
        Drop, emitter resistor, and standard uncertainty of V_BE of each position.
    devices : Devices or None
    accuracy : tuple of float
        Limits of error of a drop: fraction of reading [1] and floor [V].
    tolerance : float
        Of the emitter resistors [1].
    """

    def __init__(
        self, idle: OperatingPoint, drops_V, re_ohm, devices, u_vbe_V, accuracy, tolerance: float
    ) -> None:
        self.idle, self.devices, self.u_vbe, self.tolerance = idle, devices, u_vbe_V, tolerance
        self.d, self.re, self.n = np.array(drops_V, float), np.array(re_ohm, float), len(drops_V)
        self.wanted = idle.total_A / self.n
        self.vt = float(thermal_voltage(idle.temp_C))
        # limits of error to standard uncertainty (JCGM 100:2008, 4.3.7)
        fraction, self.u_floor = (x / sqrt(3) for x in accuracy)
        self.u_d = np.hypot(fraction * self.d, self.u_floor)
        self.u_r = tolerance / sqrt(3)
        # the meter's scale error is common to all drops, and resistors of one batch lean one way
        self.u_common = float(np.hypot(fraction, rule("drops_batch") * self.u_r))
        #: a drop lost in the meter's last digit is that digit at most
        self.seen = np.maximum(self.d, self.u_d)
        self.lost = self.d <= rule("drops_lost") * self.u_floor

    def vbe(self, current_A, devices=None) -> np.ndarray:
        """V_BE of each device at its current, base resistor included [V]."""
        current = np.maximum(current_A, 1e-12)
        if self.devices is None:  # a part nobody knows: the law of any junction, from the wanted current
            return self.vt * np.log(current / self.wanted)
        p = self.idle
        rb = np.asarray(p.rb_ohm)
        return drive_point(devices or self.devices, np.log(current), p.vce_V, p.temp_C, 0.0, rb).drive_V

    @cached_property
    def _table(self) -> tuple[np.ndarray, np.ndarray]:
        """Logarithm of I, and V_BE; 0.02 steps put the line between two within 1e-4 of the curve."""
        grid = np.arange(log(1e-12), log(1e3), 0.02)
        return grid, self.vbe(np.broadcast_to(np.exp(grid)[:, None], (grid.size, self.n)))

    def currents(self, volts, re_ohm=0.0) -> np.ndarray:
        """Currents of the devices (last axis) at which V_BE, and the drop across `re_ohm`, make `volts`."""
        grid, table = self._table
        table = table + np.exp(grid)[:, None] * re_ohm
        volts = np.broadcast_to(volts, (*np.shape(volts)[:-1], self.n))
        return np.exp(np.stack([np.interp(volts[..., k], table[:, k], grid) for k in range(self.n)], axis=-1))

    def drive(self, order=None) -> tuple[np.ndarray, np.ndarray]:
        """Drive voltage by each device [V] and its standard uncertainty, the parts placed in `order`."""
        moved = None if order is None else self.devices.take(order)
        u_vbe = self.u_vbe if order is None else self.u_vbe[order]
        by_d = 1 + self.vt / self.seen
        u = np.sqrt((by_d * self.u_d) ** 2 + (self.vt * self.u_r) ** 2 + u_vbe**2)
        return self.seen + self.vbe(self.seen / self.re, moved), u

    def by_others(self, sound, k: int) -> tuple[Interval, Interval] | None:
        """What device k should show under the drive voltage of the other sound ones, 95 %.

        Returns
        -------
        tuple of Interval, or None
            The drop [V], and the current that its junction takes whatever its resistor [A]; None without
            another sound one.
        """
        others = np.flatnonzero(sound & (np.arange(self.n) != k))
        if not others.size:
            return None
        z, u = self.drive()
        if others.size >= 3:  # a second odd one out must not pull the yardstick
            reference = float(np.median(z[others]))
            u_ref = 1.25 * float(np.median(u[others])) / sqrt(others.size)
        else:
            weight = 1 / u[others] ** 2
            reference, u_ref = float(weight @ z[others] / weight.sum()), float(1 / sqrt(weight.sum()))
        own, both = float(self.u_d[k]), sqrt(u_ref**2 + self.u_vbe[k] ** 2)

        def at(volts: float, half: float, re_ohm) -> list[float]:
            """Low end, middle and high end of the current."""
            steps = np.array([-half, 0.0, half])
            return [float(x) for x in self.currents((volts + steps)[:, None], re_ohm)[:, k]]

        low, middle, high = at(reference, NORMAL_95 * float(np.hypot(both, self.vt * self.u_r)), self.re)
        re = float(self.re[k])
        width = NORMAL_95 * own
        expected = Interval(middle * re, max(low * re - width, 0.0), high * re + width, "V")
        low, middle, high = at(reference - self.d[k], NORMAL_95 * float(np.hypot(both, own)), 0.0)
        return expected, Interval(middle, low, high, "A")


def weigh_faults(rails: list[Rail]) -> SimpleNamespace:
    """Weigh what may be wrong.

    Parameters
    ----------
    rails : list of Rail
        One rail, or both, which then carry one current or (current into the load) each its own.

    Returns
    -------
    namespace
        ``kinds``: per rail (n, 9), probability of what each position may be; ``exchanged``: per rail, the two
        positions likeliest to hold each other's parts and its probability, or None; ``apart``: that the rails
        carry different currents; ``clean``: that nothing is wrong; ``log_ratio``: logarithm of the rail
        current over the wanted one, a `Mixture`.
    """
    patterns, which, log_w, mean, sd = zip(*(_pieces(r) for r in rails), strict=True)
    if len(rails) == 1:
        log_all = [_with_prior(log_w[0], mean[0], sd[0], rule("drops_prior_near_alone"))]
    else:
        near, apart = rule("drops_prior_near"), rule("drops_prior_apart")
        m, s = mean[0][:, None], sd[0][:, None]
        spread = np.hypot(s, sd[1])
        joint = log_w[0][:, None] + log_w[1] + log_normal(m, mean[1], spread)
        both, both_sd = (m * sd[1] ** 2 + mean[1] * s**2) / spread**2, s * sd[1] / spread
        alone = [_with_prior(*x, near) for x in zip(log_w, mean, sd, strict=True)]
        # of two rails with currents of their own, either stands for the rail current
        log_all = [_with_prior(joint, both, both_sd, near) + log(1 - apart),
                   *(x + log_total(alone[1 - k], (0, 1)) + log(apart / 2) for k, x in enumerate(alone)),
                   ]  # fmt: skip
        mean, sd = (both, *mean), (both_sd, *sd)
    log_weight = np.concatenate([x.ravel() for x in log_all])
    mean, sd = (np.concatenate([np.tile(x.ravel(), 2) for x in y]) for y in (mean, sd))
    weight = posterior(log_weight)
    # how sure each piece of each rail is
    own = np.split(weight, np.cumsum([x.size for x in log_all])[:-1])
    own = [w.reshape(x.shape).sum(axis=0) for w, x in zip(own, log_all, strict=True)]
    clean = [(p[w] == Kind.SOUND).all(axis=1) for p, w in zip(patterns, which, strict=True)]
    if len(rails) == 1:
        apart, sound = 0.0, float(own[0][clean[0]].sum())
    else:
        series, *alone = own
        apart, sound = float(2 * alone[0].sum()), float(series[np.ix_(*clean)].sum())
        own = [series.sum(axis=1 - k) + 2 * x for k, x in enumerate(alone)]
    kinds, exchanged = [], []
    for p, w, o in zip(patterns, which, own, strict=True):
        probability = np.bincount(w, o, len(p))
        kinds.append(np.stack([probability @ (p == kind) for kind in Kind], axis=1))
        rows = np.flatnonzero((p == Kind.EXCHANGED).any(axis=1))
        best = rows[int(probability[rows].argmax())] if rows.size else None
        exchanged.append(None if best is None else (*np.flatnonzero(p[best] == Kind.EXCHANGED).tolist(),
                                                    float(probability[best])))  # fmt: skip
    keep = weight > _FAINT * weight.max()
    ratio = Mixture(log_weight[keep], mean[keep], np.hypot(sd[keep], rails[0].u_common))
    return SimpleNamespace(kinds=kinds, exchanged=exchanged, apart=apart, clean=sound, log_ratio=ratio)


def _with_prior(log_w, mean, sd, is_near: float) -> np.ndarray:
    """Log weights (2, ...) of pieces with what is known of the bias: near the wanted one, or anywhere.

    What is known weighs the pieces but does not move them: the rail current stays what was measured.
    """
    top = log(rule("drops_range"))
    near = log(is_near) + log_normal(mean, 0.0, np.hypot(sd, rule("drops_near")))
    flat = log((1 - is_near) / (2 * top)) - 2 * np.maximum(mean - log(rule("drops_scorched")), 0.0)
    return log_w + np.stack([near, np.where((mean < top) & (mean >= -top - 1), flat, -np.inf)])


def _patterns(r: Rail) -> np.ndarray:
    """Patterns worth weighing (p, n): none, one or two at fault, two exchanged, nothing on the list."""
    never = {Kind.ODD if r.n == 1 else None, Kind.MISREAD if r.d.max() <= rule("drops_most") else None}
    faults = [kind for kind in FAULTS if kind not in never]
    rows = [np.full(r.n, Kind.SOUND)]

    def add(where, what) -> None:
        rows.append(np.full(r.n, Kind.SOUND))
        rows[-1][list(where)] = what

    for k, fault in product(range(r.n), faults):
        add([k], fault)
    z = r.drive()[0]
    for where in combinations(sorted(np.argsort(-np.abs(z - np.median(z)))[:_FURTHEST]), 2):
        for two in product(faults, repeat=2):
            add(where, two)
    if r.devices is not None:
        for where in combinations(range(r.n), 2):
            add(where, Kind.EXCHANGED)
    if r.n > 2:
        add(range(r.n), Kind.OFF)
    add(range(r.n), Kind.UNKNOWN)
    return np.array(rows)


def prior(kind: Kind) -> float:
    """How often a fault is met, of all positions after an output stage failed [1]."""
    return rule(f"drops_prior_{kind.name.lower()}")


def _log_prior(r: Rail, patterns) -> np.ndarray:
    own = {kind: prior(kind) for kind in FAULTS}
    if r.devices is not None:  # a part whose own curve was measured
        own[Kind.ODD] = rule("drops_prior_odd_known")
    table = np.zeros(len(Kind))
    table[list(own)] = np.log(list(own.values()))
    table[Kind.SOUND] = log(1 - sum(own.values()))
    out = table[patterns].sum(axis=1)
    pairs = max(r.n * (r.n - 1) / 2, 1)
    out += np.where((patterns == Kind.EXCHANGED).any(axis=1), log(rule("drops_prior_exchanged") / pairs), 0.0)
    return np.where((patterns == Kind.UNKNOWN).any(axis=1), log(rule("drops_prior_unknown")), out)


def _pieces(r: Rail):
    """Patterns of one rail (p, n), and the rail currents they stand for: pieces of ln current over wanted.

    Returns
    -------
    patterns, which, log_weight, mean, sd : ndarray
        ``which`` is the pattern of each piece.
    """
    patterns, top = _patterns(r), log(rule("drops_range"))
    sound = (patterns == Kind.SOUND) | (patterns == Kind.EXCHANGED)
    z_k, u_k = (np.tile(x, (len(patterns), 1)) for x in r.drive())
    for row in np.flatnonzero((patterns == Kind.EXCHANGED).any(axis=1)):
        order = np.arange(r.n)
        i, j = np.flatnonzero(patterns[row] == Kind.EXCHANGED)
        order[[i, j]] = order[[j, i]]
        z_k[row], u_k[row] = r.drive(order)
    # patterns with a sound position: drive voltage about what those say
    held = sound.any(axis=1)
    weight = np.where(sound, 1 / u_k**2, 0.0)[held]
    total = weight.sum(axis=1)
    offsets = np.linspace(-4, 4, 41)
    z = ((weight * z_k[held]).sum(axis=1) / total)[:, None] + offsets / np.sqrt(total[:, None])
    log_w, mean, var = _at(r, patterns[held], z, z_k[held], u_k[held])
    log_w += np.log((offsets[1] - offsets[0]) / np.sqrt(total[:, None]))
    part = posterior(log_w)
    middle = (part * mean).sum(axis=1)
    found = [(np.flatnonzero(held), log_total(log_w), middle,
              (part * (var + (mean - middle[:, None]) ** 2)).sum(axis=1))]  # fmt: skip
    # no sound position: the drive voltage may be anything from next to no current to far too much
    loose = np.flatnonzero(~held & (patterns[:, 0] != Kind.UNKNOWN) & (patterns != Kind.OFF).any(axis=1))
    few, many = r.wanted * np.exp(-top), r.wanted * np.exp(top)
    low = float(np.min(r.vbe(np.full(r.n, few))))
    # V_BE of a junction; what series resistance adds far beyond its rating is no drive any stage gives
    junction = min(float(np.max(r.vbe(np.full(r.n, many)))), low + 1.5 * r.vt * 2 * top)
    step = r.vt * (0.3 if r.n == 1 else 1.0)  # many patterns share the coarse grid
    grid = np.arange(low, junction + min(many * float(r.re.max()), rule("drops_most")) + step, step)
    log_w, mean, var = _at(r, patterns[loose], np.broadcast_to(grid, (len(loose), len(grid))),
                           z_k[loose], u_k[loose])  # fmt: skip
    found.append((np.repeat(loose, len(grid)), (log_w + log(step)).ravel(), mean.ravel(),
                  (var + (step / r.vt) ** 2 / 12).ravel()))  # fmt: skip
    # no device on: no current to speak of, whatever the drive
    none = np.flatnonzero((patterns == Kind.OFF).all(axis=1))
    rest = _rest(r, r.wanted).sum() + log(r.vt * 2 * top)
    found.append((none, np.full(none.size, rest), np.full(none.size, -top), np.ones(none.size)))
    nothing = -np.log(r.seen * 2 * top).sum() + log(r.vt + float(np.median(r.seen)))
    found.append((np.array([len(patterns) - 1]), np.array([nothing]), np.zeros(1), np.full(1, 16.0)))
    which, log_w, mean, var = (np.concatenate(x) for x in zip(*found, strict=True))
    log_w = log_w + _log_prior(r, patterns)[which]
    keep = log_w > log_w.max() - _LIGHT
    return patterns, which[keep], log_w[keep], mean[keep], np.sqrt(np.maximum(var[keep], 1e-8))


def _at(r: Rail, patterns, z, z_k, u_k):
    """Log density of the drops, ln of the rail current over the wanted one and its variance, (p, j)."""
    d, top, most = r.seen, log(rule("drops_range")), rule("drops_most")
    decade, drift, odd_V = log(rule("drops_value_most")), log(rule("drops_drift")), rule("drops_odd_part")
    by_z = np.log(1 + r.vt / d)  # dz/dd: densities of the drop from those of the drive voltage
    taken = r.currents(z[..., None] - r.d)  # by the junction, whatever the resistor (p, j, n)
    shown = d / r.re
    off_by = np.log(d / r.re / taken)  # ln of what the resistor would have to be, over its value
    stray = z_k[:, None, :] - z[..., None]
    minus = np.full_like(taken, -np.inf)
    anything = -np.log(d * 2 * top)
    # a larger drop beside devices at idle is a device shorted from collector to emitter behind an open
    # resistor, or no drop of a resistor at all
    hanging = np.where(d < most, by_z - log(16 * r.vt), anything + log(rule("drops_prior_ce_short")))
    density = np.stack([
        by_z + log_normal(stray, 0.0, u_k[:, None, :]),
        np.where(np.abs(off_by) <= decade, by_z - log(4 * decade * r.vt), minus)
        + np.log1p(np.where(np.abs(off_by) <= drift, decade / drift, 0.0)),
        np.where(off_by > decade, hanging, minus),
        _rest(r, r.wanted) + np.zeros_like(taken),
        _rest(r, taken),
        np.where(np.abs(stray) <= odd_V, by_z - log(2 * odd_V), minus),
        anything + np.zeros_like(taken),
    ])  # fmt: skip
    kind = np.where(patterns == Kind.EXCHANGED, Kind.SOUND, patterns)[:, None, :]
    kind = np.broadcast_to(np.minimum(kind, Kind.MISREAD), taken.shape)
    log_w = np.take_along_axis(density, kind[None], axis=0)[0].sum(axis=-1)
    by_junction = (kind == Kind.VALUE) | (kind == Kind.OPEN) | (kind == Kind.SHORTED)
    current = np.where(kind == Kind.OFF, 0.0, np.where(by_junction, taken, shown))
    if (kind == Kind.MISREAD).any():
        current = np.where(kind == Kind.MISREAD, r.currents(z[..., None], r.re), current)
    u_rel = np.where(by_junction | (kind == Kind.MISREAD), r.u_vbe / r.vt, np.hypot(r.u_r, r.u_d / d))
    total, wanted = current.sum(axis=-1), r.idle.total_A
    mean = np.log(np.maximum(total / wanted, np.exp(-top)))
    var = ((current * u_rel) ** 2).sum(axis=-1) / np.maximum(total, 1e-12) ** 2 + 1e-6
    var = np.where(total < wanted * np.exp(-top), 1.0, var)  # next to nothing, known to its order only
    return np.where(mean < top, log_w, -np.inf), mean, var


def _rest(r: Rail, current_A) -> np.ndarray:
    """Log density of what an off device or a shorted resistor leaves of a drop, half a normal law."""
    scale = np.hypot(r.u_d, rule("drops_rest") * r.re * current_A)
    return log(2) + log_normal(r.d, 0.0, scale)
