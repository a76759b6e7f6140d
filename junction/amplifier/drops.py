"""What may be wrong in a stage, weighed: every simple fault of every position against the measured drops.

All devices of a rail hang on one drive node, so each drop d with its own V_BE gives the same drive
voltage: z = d + V_BE(d/R).  A device whose z stands off the others' says that its resistor, its junction
or its path is not what it should be.

Each rail is looked at under many patterns (all sound; one position or two at fault; two parts exchanged;
the whole rail bypassed, or not conducting).
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

    SOUND, VALUE, OPEN, OFF, SHORTED, ODD, STARVED, LEAKY, MISREAD, EXCHANGED, UNKNOWN = range(11)


#: What may be wrong with one position; how often each is met is the rule ``drops_prior_value`` and so on.
FAULTS = (Kind.VALUE, Kind.OPEN, Kind.OFF, Kind.SHORTED, Kind.ODD, Kind.STARVED, Kind.LEAKY, Kind.MISREAD)
#: Kinds whose resistor is sound, so that the drop shows the current whatever the device does.
_SHOWN = (Kind.SOUND, Kind.ODD, Kind.STARVED, Kind.LEAKY, Kind.EXCHANGED)
#: Pairs of positions are suspected together only among the so many that stand furthest off.
_FURTHEST = 4
#: Logarithm of a weight beside the heaviest below which a piece could not matter.
_LIGHT = 20.0
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
        #: drops of the other rail, which a meter from emitter to emitter reads as well [V]
        self.across = np.empty(0)

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
        ``kinds``: per rail (n, 11), probability of what each position may be; ``exchanged``: per rail, the
        two positions likeliest to hold each other's parts and its probability, or None; ``bypassed`` and
        ``dead``: per rail, that the whole rail is; ``apart``: that the rails carry different currents;
        ``clean``: that nothing is wrong; ``log_ratio``: logarithm of the rail current over the wanted one, a
        `Mixture`.
    """
    patterns, which, log_w, mean, sd = zip(*(_pieces(r) for r in rails), strict=True)
    if len(rails) == 1:
        log_all = [_with_prior(log_w[0], mean[0], sd[0], rule("drops_prior_near_alone"))]
    else:
        near, apart = rule("drops_prior_near"), rule("drops_prior_apart")
        m, s = mean[0][:, None], sd[0][:, None]
        # a driver's current may end in one rail alone
        spread = np.sqrt(s**2 + sd[1] ** 2 + rule("drops_between") ** 2)
        joint = log_w[0][:, None] + log_w[1] + log_normal(m, mean[1], spread)
        own_sd = np.hypot(s, sd[1])
        both, both_sd = (m * sd[1] ** 2 + mean[1] * s**2) / own_sd**2, s * sd[1] / own_sd
        nothing, dead = log(rule("drops_nothing")), log(rule("drops_prior_rail"))
        alone = [_with_prior(*x, near) for x in zip(log_w, mean, sd, strict=True)]
        # one rail next to dead while the other conducts is a rail that is dead, whatever its parts
        quiet = [(m < nothing) & ~_whole(p, Kind.OFF)[w]
                 for p, w, m in zip(patterns, which, mean, strict=True)]  # fmt: skip
        alone = [x + np.where(q, dead, 0.0) for x, q in zip(alone, quiet, strict=True)]
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
    dead = [0.0] * len(rails)
    if len(rails) == 1:
        apart, sound = 0.0, float(own[0][clean[0]].sum())
    else:
        series, *alone = own
        apart, sound = float(2 * alone[0].sum()), float(series[np.ix_(*clean)].sum())
        dead = [float(2 * x[q].sum()) for x, q in zip(alone, quiet, strict=True)]
        own = [series.sum(axis=1 - k) + 2 * x for k, x in enumerate(alone)]
    kinds, exchanged, bypassed = [], [], []
    for side, (p, w, o) in enumerate(zip(patterns, which, own, strict=True)):
        probability = np.bincount(w, o, len(p))
        bypassed.append(float(probability[_whole(p, Kind.SHORTED)].sum()))
        dead[side] += float(probability[_whole(p, Kind.OFF)].sum())
        kinds.append(np.stack([probability @ (p == kind) for kind in Kind], axis=1))
        rows = np.flatnonzero((p == Kind.EXCHANGED).any(axis=1))
        best = rows[int(probability[rows].argmax())] if rows.size else None
        exchanged.append(None if best is None else (*np.flatnonzero(p[best] == Kind.EXCHANGED).tolist(),
                                                    float(probability[best])))  # fmt: skip
    keep = weight > _FAINT * weight.max()
    ratio = _merged(weight[keep], mean[keep], np.hypot(sd[keep], rails[0].u_common))
    return SimpleNamespace(kinds=kinds, exchanged=exchanged, bypassed=bypassed, dead=dead, apart=apart,
                           clean=sound, log_ratio=ratio)  # fmt: skip


def _merged(weight, mean, sd) -> Mixture:
    """Mixture of few pieces: those within a fifth of their own width are one, mean and variance kept."""
    width = np.round(np.log(sd) / 0.1)
    place = np.round(mean / (0.2 * np.exp(0.1 * width)))
    _, of = np.unique(1e7 * width + place, return_inverse=True)  # one number for both
    total, first, second = (np.bincount(of, weight * x) for x in (1.0, mean, mean**2 + sd**2))
    return Mixture(np.log(total), first / total, np.sqrt(second / total - (first / total) ** 2))


def _whole(patterns, kind: Kind) -> np.ndarray:
    """Patterns that put one fault on a whole rail of several devices."""
    return (patterns == kind).all(axis=1) & (patterns.shape[1] > 1)


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
    # one device alone has no other to differ from
    never = (Kind.ODD, Kind.STARVED, Kind.LEAKY) if r.n == 1 else ()
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
    if r.n > 2:  # of two they stand among the pairs
        add(range(r.n), Kind.OFF)
        add(range(r.n), Kind.SHORTED)
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
    out = np.where(_whole(patterns, Kind.OFF), log(rule("drops_prior_rail")), out)
    out = np.where(_whole(patterns, Kind.SHORTED), log(rule("drops_prior_bypassed")), out)
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
        # the current that their difference moves warms them apart, and so adds to it
        apart = np.ptp(r.vbe(r.seen / r.re, r.devices.take(order))[[i, j]] - r.vbe(r.seen / r.re)[[i, j]]) / 2
        u_k[row, [i, j]] = np.hypot(u_k[row, [i, j]], rule("drops_warming") * apart)
    # patterns with a sound position: drive voltage about what those say
    held = sound.any(axis=1)
    # those with the same sound ones have one set of drive voltages
    alike, of = np.unique(np.column_stack([sound, z_k])[held], axis=0, return_inverse=True)
    first = np.flatnonzero(held)[[int(np.argmax(of.ravel() == m)) for m in range(len(alike))]]
    weight = np.where(sound, 1 / u_k**2, 0.0)[first]
    total = weight.sum(axis=1)
    offsets = np.linspace(-4, 4, 41)
    z = ((weight * z_k[first]).sum(axis=1) / total)[:, None] + offsets / np.sqrt(total[:, None])
    log_w, mean, var = _at(r, patterns[held], of.ravel(), z, z_k[first], u_k[first])
    log_w += np.log((offsets[1] - offsets[0]) / np.sqrt(total[of.ravel(), None]))
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
    log_w, mean, var = _at(r, patterns[loose], np.zeros(len(loose), int), grid[None], z_k[:1], u_k[:1])
    # with a current to speak of no bias drives a rail far beyond what it is for
    drive = np.max(r.vbe(np.full(r.n, r.wanted)) + r.wanted * r.re) + rule("drops_drive")
    beyond = np.maximum(grid - drive, 0.0) / rule("drops_drive")
    log_w = log_w - np.where(mean > log(rule("drops_nothing")), beyond, 0.0)
    found.append((np.repeat(loose, len(grid)), (log_w + log(step)).ravel(), mean.ravel(),
                  (var + (step / r.vt) ** 2 / 12).ravel()))  # fmt: skip
    # no device on: no current to speak of, whatever the drive
    none = np.flatnonzero((patterns == Kind.OFF).all(axis=1))
    rest = _rest(r, r.wanted, rule("drops_rest_off")).sum() + log(r.vt * 2 * top)
    found.append((none, np.full(none.size, rest), np.full(none.size, -top), np.ones(none.size)))
    nothing = -np.log(r.seen * 2 * top).sum() + log(r.vt + min(float(np.median(r.seen)), r.vt))
    found.append((np.array([len(patterns) - 1]), np.array([nothing]), np.zeros(1), np.full(1, 16.0)))
    which, log_w, mean, var = (np.concatenate(x) for x in zip(*found, strict=True))
    log_w = log_w + _log_prior(r, patterns)[which]
    keep = log_w > log_w.max() - _LIGHT
    return patterns, which[keep], log_w[keep], mean[keep], np.sqrt(np.maximum(var[keep], 1e-8))


def _at(r: Rail, patterns, of, z, z_k, u_k):
    """Log density of the drops, ln of the rail current over the wanted one and its variance, (p, j).

    Pattern p has the drive voltages `z` (m, j), and the rest, of row `of[p]`.
    """
    d, top, most = r.seen, log(rule("drops_range")), rule("drops_most")
    decade, drift, odd_V = log(rule("drops_value_most")), log(rule("drops_drift")), rule("drops_odd_part")
    least, low = log(rule("drops_value_least")), rule("drops_value_low")
    by_z = np.log(1 + r.vt / d)  # dz/dd: densities of the drop from those of the drive voltage
    taken = r.currents(z[..., None] - r.d)  # by the junction, whatever the resistor (p, j, n)
    due = r.currents(z[..., None], r.re)  # by a sound position
    shown = d / r.re
    off_by = np.log(shown / taken)  # ln of what the resistor would have to be, over its value
    stray = z_k[:, None, :] - z[..., None]
    minus = np.full_like(taken, -np.inf)
    anything = -np.log(d * 2 * top)
    # behind an open resistor the meter's own input draws what the junction gives; more is a device shorted
    # from collector to emitter as well, or no drop of a resistor at all
    hanging = by_z - log(16 * r.vt) + np.where(
        d + r.vbe(d / rule("drops_meter_ohm")) > z[..., None] + rule("drops_hanging"),
        log(rule("drops_prior_ce_short")), 0.0)  # fmt: skip
    hanging = np.where(d < most, hanging, anything + log(rule("drops_prior_ce_short")))
    # resistors go high, hardly low; most that do are still near their value
    near = np.where(np.abs(off_by) <= drift, 0.5 / drift, 0.0)
    valued = np.where(off_by > 0, log(1 - low), log(low)) + np.log(near + 0.5 / decade)
    density = np.stack([
        by_z + log_normal(stray, 0.0, u_k[:, None, :]),
        np.where((np.abs(off_by) <= decade) & (np.abs(off_by) > least), by_z - log(r.vt) + valued, minus),
        np.where(off_by > decade, hanging, minus),
        _rest(r, r.wanted, rule("drops_rest_off")) + np.zeros_like(taken),
        _rest(r, taken, rule("drops_rest")),
        by_z - np.abs(stray) / odd_V - log(2 * odd_V),
        np.where((stray < 0) & (stray > -5 * odd_V), by_z - log(5 * odd_V), minus),
        np.where((stray > 0) & (stray < 10 * odd_V), by_z - log(10 * odd_V), minus),
        _misread(r, due, anything),
    ])  # fmt: skip
    none = 0.0 * taken
    amps = np.stack([shown + none, taken, taken, none, taken, *[shown + none] * 3, due])
    by_device, by_resistor = r.u_vbe / r.vt + np.zeros(r.n), np.hypot(r.u_r, r.u_d / d)
    u_rel = np.stack([by_resistor if kind in _SHOWN else by_device for kind in list(Kind)[: len(amps)]])
    kind = np.minimum(np.where(patterns == Kind.EXCHANGED, Kind.SOUND, patterns), Kind.MISREAD)
    log_w, total, square = 0.0, 0.0, 0.0
    for k in range(r.n):  # of all positions one after the other: (p, j) each
        log_w = log_w + density[kind[:, k], of, :, k]
        own = amps[kind[:, k], of, :, k]
        total, square = total + own, square + (own * u_rel[kind[:, k], k][:, None]) ** 2
    wanted = r.idle.total_A
    mean = np.log(np.maximum(total / wanted, np.exp(-top)))
    var = square / np.maximum(total, 1e-12) ** 2 + 1e-6
    var = np.where(total < wanted * np.exp(-top), 1.0, var)  # next to nothing, known to its order only
    return np.where(mean < top, log_w, -np.inf), mean, var


def _misread(r: Rail, due_A, anything) -> np.ndarray:
    """Log density of what a meter shows that is not across the resistor.

    Both leads on one node; emitter to emitter, where both rails' drops add; base to output; or anything.
    """
    zero = log(2) + log_normal(r.d, 0.0, r.u_floor)
    low, high = rule("drops_base_low"), rule("drops_base_high")
    base = np.where((r.d > low) & (r.d < high), -log(high - low), -np.inf)
    zeros, place = rule("drops_misread_zero"), rule("drops_misread_place")
    found = [zero + log(zeros), base + log(place), anything + log(1 - zeros - 2 * place)]
    found = [x + np.zeros_like(due_A) for x in found]
    if r.across.size:
        own = due_A * r.re
        spread = np.hypot(r.vt * r.u_vbe / (r.vt + own) + own * r.u_r, r.across.std() + r.u_floor)
        found.append(log_normal(r.d, own + np.median(r.across), spread) + log(place))
    return log_total(np.stack(found), axis=0)


def _rest(r: Rail, current_A, share: float) -> np.ndarray:
    """Log density of what an off device or a shorted resistor leaves of a drop, half a normal law."""
    scale = np.hypot(r.u_d, share * r.re * current_A)
    # half the time nothing is left at all
    return np.logaddexp(log_normal(r.d, 0.0, scale), log_normal(r.d, 0.0, r.u_floor))
