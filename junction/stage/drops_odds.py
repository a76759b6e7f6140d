"""What may be wrong in a stage, weighed: every simple fault of every position against the measured drops.

Each rail is looked at under many patterns (all sound; one position or two at fault; two parts exchanged).
Under a pattern the sound positions say what the drive voltage z and their own currents d/R are, a faulty
one has the current its junction takes at z - d, and the sum is the rail's current.  At idle, without a
load, the two rails are in series, so both sums are one current: that is what ties the rails together and
lets the good one bound the bad one.  Patterns are weighed by Bayes' rule, their rail currents kept as a
mixture of log-normal pieces, so a current nobody can know comes out as wide as it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import log, pi, sqrt

import numpy as np

from junction.stage.drops_rail import FAULT_PRIOR, Rail

#: What a position may be, in the order of the last axis of `Odds.kinds`.
KINDS = ("sound", "value", "open", "off", "shorted", "odd part", "misread", "exchanged", "unknown")
SOUND, VALUE, OPEN, OFF, SHORTED, ODD, MISREAD, EXCHANGED, UNKNOWN = range(9)
_DECADE = log(10.0)
# after an output stage failed, share of positions; common practice, no source
_PRIOR = {VALUE: FAULT_PRIOR, OPEN: 0.02, OFF: 0.03, SHORTED: 0.03, ODD: 0.01, MISREAD: 0.003}
_PRIOR_ODD_KNOWN = 0.002  # a part whose own curve was measured
_PRIOR_EXCHANGED = 0.02  # any two of a rail
_PRIOR_UNKNOWN = 1e-4  # nothing on this list
_PRIOR_APART = 0.01  # current into the load, so the rails differ
#: V_BE of a part that does not belong may be off by so much either way [V].
_ODD_V = 0.1
#: No driven emitter resistor shows more beside devices at idle [V]: a larger drop is a device shorted from
#: collector to emitter behind an open resistor, which is rare, or no drop of a resistor at all.
TOO_MUCH_V = 1.0
_RARE = 0.1
#: An off device or a shorted resistor may leave this share of a normal drop.
_REST = 0.03
#: Share of the resistors' tolerance that is common to one batch; common practice, no source.
_BATCH = 0.3
#: Three stages in ten have a bias near the wanted one, the others any within these limits: a guess that only
#: weighs what the drops leave open, and with one rail measured counts for less still.
_NEAR, _LOW, _HIGH = 0.15, log(1e-3), log(1e3)
#: Beyond so many times the wanted current a stage seldom lives long enough to be measured.
_SCORCHED = log(8.0)
#: A drifted resistor is more often off by this factor at most than by anything up to ten.
_DRIFT = log(1.6)


_IS_NEAR, _IS_NEAR_ALONE = 0.3, 0.1
_SPAN = _HIGH - _LOW


@dataclass(frozen=True, eq=False)
class Odds:
    """Weighed patterns of one or two rails.

    ``kinds``: per rail (n, 9), probability of each of `KINDS`; ``exchanged``: per rail (n, n), probability
    that two parts are exchanged; ``apart``: that the rails carry different currents; ``clean``: that
    nothing is wrong; ``log_mean``, ``log_sd``, ``weight`` (m,): rail current over the wanted one, as a
    mixture of log-normal pieces.
    """

    kinds: tuple[np.ndarray, ...]
    exchanged: tuple[np.ndarray, ...]
    apart: float
    clean: float
    log_mean: np.ndarray
    log_sd: np.ndarray
    weight: np.ndarray

    def below(self, ratio) -> np.ndarray:
        """Probability that the rail current is below `ratio` times the wanted one."""
        from scipy.special import ndtr

        x = np.log(np.asarray(ratio, float))[..., None]
        return ndtr((x - self.log_mean) / self.log_sd) @ self.weight

    def quantile(self, p: float) -> float:
        """Rail current over the wanted one that is not exceeded with probability `p`."""
        low, high = _LOW - 5, _HIGH + 5
        for _ in range(50):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.below(np.exp(middle)) < p else (low, middle)
        return float(np.exp(0.5 * (low + high)))


@dataclass(frozen=True, eq=False)
class _Pieces:
    """One rail: patterns (p, n) and pieces of ln current: pattern, log weight, mean, standard deviation."""

    patterns: np.ndarray
    which: np.ndarray
    log_weight: np.ndarray
    mean: np.ndarray
    sd: np.ndarray


def weigh_faults(rails: list[Rail]) -> Odds:
    """Weigh what may be wrong.

    Parameters
    ----------
    rails : list of Rail
        One rail, or both, which then carry one current.

    Returns
    -------
    Odds
    """
    pieces = [_pieces(r) for r in rails]
    # the meter's scale error is common to all drops, and resistors of one batch lean one way
    scale = sqrt(rails[0].ask.u_fraction ** 2 + (_BATCH * rails[0].u_r) ** 2)
    if len(pieces) == 1:
        a = pieces[0]
        log_w, mean, sd, _ = _with_prior(a.log_weight, a.mean, a.sd, _IS_NEAR_ALONE)
        log_w, mean, sd = (np.concatenate(x) for x in (log_w, mean, sd))
        weight = _normal(log_w)
        own = weight.reshape(2, -1).sum(axis=0)
        return _odds(pieces, [own], 0.0, float(own[_clean(a)].sum()), mean, sd, weight,
                     scale)  # fmt: skip
    return _joined(*pieces, scale)


def fault_shares() -> str:
    """The guessed shares of faults, in words."""
    words = {VALUE: "resistors out of value", OPEN: "open", SHORTED: "shorted", OFF: "devices off",
             ODD: "part unlike the others"}  # fmt: skip
    return ", ".join(f"{100 * _PRIOR[kind]:.0f} {word}" for kind, word in words.items())


def _joined(a: _Pieces, b: _Pieces, scale: float) -> Odds:
    """Two rails in series, or (current into the load) each on its own."""
    var = a.sd[:, None] ** 2 + b.sd**2
    gap = a.mean[:, None] - b.mean
    log_w = a.log_weight[:, None] + b.log_weight - 0.5 * (gap**2 / var + np.log(2 * pi * var))
    mean = (a.mean[:, None] * b.sd**2 + b.mean * a.sd[:, None] ** 2) / var
    sd = a.sd[:, None] * b.sd / np.sqrt(var)
    series = _with_prior(log_w + log(1 - _PRIOR_APART), mean, sd)
    alone = [_with_prior(x.log_weight, x.mean, x.sd) for x in (a, b)]
    total = [s[3] for s in alone]
    apart_log = total[0] + total[1] + log(_PRIOR_APART)
    top = np.logaddexp(series[3], apart_log)
    apart = float(np.exp(apart_log - top))
    joint = np.exp(np.array(series[0]) - top).sum(axis=0)
    own = [joint.sum(axis=1), joint.sum(axis=0)]
    weights, means, sds = ([np.exp(np.concatenate([x.ravel() for x in series[0]]) - top)],
                           [x.ravel() for x in series[1]], [x.ravel() for x in series[2]])  # fmt: skip
    for k in (0, 1):
        each = np.exp(np.array(alone[k][0]) - total[k]) * apart
        own[k] = own[k] + each.sum(axis=0)
        weights.append(0.5 * each.ravel())
        means += list(alone[k][1])
        sds += list(alone[k][2])
    clean = float(joint[np.ix_(_clean(a), _clean(b))].sum())
    return _odds([a, b], own, apart, clean, np.concatenate(means), np.concatenate(sds),
                 np.concatenate(weights), scale)  # fmt: skip


def _with_prior(log_w, mean, sd, is_near: float = _IS_NEAR):
    """Pieces times what is known of the bias: near the wanted one, or anywhere.

    What is known weighs the pieces but does not move them: the rail current stays what was measured.
    """
    var = sd**2 + _NEAR**2
    near = log_w + log(is_near) - 0.5 * (mean**2 / var + np.log(2 * pi * var))
    flat = log_w + log((1 - is_near) / _SPAN) - 2 * np.maximum(mean - _SCORCHED, 0.0)
    both = [near, np.where((mean < _HIGH) & (mean >= _LOW - 1), flat, -np.inf)]
    return (both, [mean, mean], [sd, sd],
            float(np.logaddexp.reduce(np.concatenate([x.ravel() for x in both]))))  # fmt: skip


def _normal(log_w) -> np.ndarray:
    w = np.exp(log_w - log_w.max())
    return w / w.sum()


def _clean(a: _Pieces) -> np.ndarray:
    return np.flatnonzero((a.patterns[a.which] == SOUND).all(axis=1))


def _odds(pieces, own, apart, clean, mean, sd, weight, scale: float) -> Odds:
    """Sum the weights by position; `scale`: standard uncertainty that all drops share."""
    kinds, exchanged = [], []
    for a, w in zip(pieces, own, strict=True):
        n = a.patterns.shape[1]
        by_pattern = np.bincount(a.which, w, len(a.patterns))
        kinds.append(np.stack([(by_pattern @ (a.patterns == kind)) for kind in range(len(KINDS))], axis=1))
        pair = np.zeros((n, n))
        for row in np.flatnonzero((a.patterns == EXCHANGED).any(axis=1)):
            i, j = np.flatnonzero(a.patterns[row] == EXCHANGED)
            pair[i, j] = by_pattern[row]
        exchanged.append(pair)
    keep = weight > 1e-9 * weight.max()
    return Odds(tuple(kinds), tuple(exchanged), apart, clean, mean[keep], np.hypot(sd[keep], scale),
                weight[keep] / weight[keep].sum())  # fmt: skip


def _patterns(r: Rail) -> np.ndarray:
    """Patterns worth weighing (p, n): none, one or two at fault, two exchanged, nothing on the list.

    Two at fault only among the four that stand furthest off, so that twelve devices stay cheap.
    """
    n = len(r.d)
    faults = [VALUE, OPEN, OFF, SHORTED, *([ODD] if n > 1 else [])]
    faults += [MISREAD] if r.d.max() > TOO_MUCH_V else []
    rows = [np.zeros(n, int)]
    for k in range(n):
        for fault in faults:
            row = np.zeros(n, int)
            row[k] = fault
            rows.append(row)
    z = r.drive()[0]
    for i, j in combinations(sorted(np.argsort(-np.abs(z - np.median(z)))[:4]), 2):
        for one in faults:
            for other in faults:
                row = np.zeros(n, int)
                row[[i, j]] = one, other
                rows.append(row)
    if r.devices is not None:
        for pair in combinations(range(n), 2):
            row = np.zeros(n, int)
            row[list(pair)] = EXCHANGED
            rows.append(row)
    if n > 2:
        rows.append(np.full(n, OFF))
    rows.append(np.full(n, UNKNOWN))
    return np.array(rows)


def _log_prior(r: Rail, patterns) -> np.ndarray:
    table = np.zeros(len(KINDS))
    own = _PRIOR | ({ODD: _PRIOR_ODD_KNOWN} if r.devices is not None else {})
    for kind, p in own.items():
        table[kind] = log(p)
    table[SOUND] = log(1 - sum(own.values()))
    out = table[patterns].sum(axis=1)
    n = patterns.shape[1]
    pairs = max(n * (n - 1) / 2, 1)
    out = np.where((patterns == EXCHANGED).any(axis=1), out + log(_PRIOR_EXCHANGED / pairs), out)
    return np.where((patterns == UNKNOWN).any(axis=1), log(_PRIOR_UNKNOWN), out)


def _pieces(r: Rail) -> _Pieces:
    """Every pattern of one rail with the rail current it stands for."""
    patterns = _patterns(r)
    prior = _log_prior(r, patterns)
    sound = (patterns == SOUND) | (patterns == EXCHANGED)
    z_k, u_k = _drives(r, patterns)
    held = sound.any(axis=1)
    weight = np.where(sound, 1 / u_k**2, 0.0)
    total = np.where(held, weight.sum(axis=1), 1.0)
    centre = (weight * z_k).sum(axis=1) / total
    # patterns with a sound position: drive voltage about what those say
    offsets = np.linspace(-4, 4, 41)
    z = centre[held, None] + offsets / np.sqrt(total[held, None])
    log_w, mean, var = _at(r, patterns[held], z, z_k[held], u_k[held])
    log_w += np.log((offsets[1] - offsets[0]) / np.sqrt(total[held, None]))
    top = np.logaddexp.reduce(log_w, axis=1)
    share = np.exp(log_w - np.where(np.isfinite(top), top, 0.0)[:, None])
    middle = (share * mean).sum(axis=1)
    spread = (share * (var + (mean - middle[:, None]) ** 2)).sum(axis=1)
    found = [(np.flatnonzero(held), top, middle, spread)]
    # no sound position: the drive voltage may be anything
    loose = np.flatnonzero(~held & (patterns[:, 0] != UNKNOWN) & (patterns != OFF).any(axis=1))
    grid, step = _grid(r)
    log_w, mean, var = _at(r, patterns[loose], np.broadcast_to(grid, (len(loose), len(grid))),
                           z_k[loose], u_k[loose])  # fmt: skip
    found.append((np.repeat(loose, len(grid)), (log_w + log(step)).ravel(), mean.ravel(),
                  (var + (step / r.vt) ** 2 / 12).ravel()))  # fmt: skip
    # no device on: no current to speak of, whatever the drive
    none = np.flatnonzero((patterns == OFF).all(axis=1))
    rest = _rest(r, np.hypot(r.u_d, _REST * r.re * r.wanted)).sum() + log(r.vt * _SPAN)
    found.append((none, np.full(none.size, rest), np.full(none.size, _LOW), np.ones(none.size)))
    drop = np.maximum(r.d, r.u_d)
    nothing = -np.log(drop * (_HIGH - _LOW)).sum() + log(r.vt + float(np.median(drop)))
    found.append((np.array([len(patterns) - 1]), np.array([nothing]), np.zeros(1), np.full(1, 16.0)))
    which, log_w, mean, var = (np.concatenate(x) for x in zip(*found, strict=True))
    log_w = log_w + prior[which]
    keep = log_w > log_w.max() - 30  # the rest could not matter
    return _Pieces(patterns, which[keep], log_w[keep], mean[keep], np.sqrt(np.maximum(var[keep], 1e-8)))


def _grid(r: Rail) -> tuple[np.ndarray, float]:
    """Drive voltages from next to no current to far too much [V], and their step."""
    few, many = r.wanted * np.exp(_LOW), r.wanted * np.exp(_HIGH)
    low = float(np.min(r.vbe(np.full(len(r.d), few))))
    # V_BE of a junction; what series resistance adds far beyond its rating is no drive any stage gives
    junction = min(float(np.max(r.vbe(np.full(len(r.d), many)))), low + 1.5 * r.vt * (_HIGH - _LOW))
    high = junction + min(many * float(r.re.max()), TOO_MUCH_V)
    step = r.vt * (0.3 if len(r.d) == 1 else 1.0)  # many patterns share the coarse grid
    return np.arange(low, high + step, step), step


def _drives(r: Rail, patterns) -> tuple[np.ndarray, np.ndarray]:
    """Drive voltage each position stands for if it is sound, under each pattern (p, n) [V]."""
    z, u = r.drive()
    z, u = np.tile(z, (len(patterns), 1)), np.tile(u, (len(patterns), 1))
    for row in np.flatnonzero((patterns == EXCHANGED).any(axis=1)):
        order = np.arange(len(r.d))
        i, j = np.flatnonzero(patterns[row] == EXCHANGED)
        order[[i, j]] = order[[j, i]]
        z[row], u[row] = r.placed(order).drive()
    return z, u


def _at(r: Rail, patterns, z, z_k, u_k):
    """Log density of the drops, ln of the rail current over the wanted one and its variance, (p, j)."""
    d = np.maximum(r.d, r.u_d)
    by_z = np.log(1 + r.vt / d)  # dz/dd: densities of the drop from those of the drive voltage
    taken = r.currents(z[..., None] - r.d)  # by the junction, whatever the resistor (p, j, n)
    shown = d / r.re
    off_by = np.log(d / r.re / taken)  # ln of what the resistor would have to be, over its value
    stray = z_k[:, None, :] - z[..., None]
    u = u_k[:, None, :]
    minus = np.full_like(taken, -np.inf)
    anything = -np.log(d * (_HIGH - _LOW))
    hanging = np.where(d < TOO_MUCH_V, by_z - log(16 * r.vt), anything + log(_RARE))
    density = np.stack([
        by_z - 0.5 * (stray / u) ** 2 - np.log(u * sqrt(2 * pi)),
        np.where(np.abs(off_by) <= _DECADE, by_z - log(4 * _DECADE * r.vt), minus)
        + np.log1p(np.where(np.abs(off_by) <= _DRIFT, _DECADE / _DRIFT, 0.0)),
        np.where(off_by > _DECADE, hanging, minus),
        _rest(r, np.hypot(r.u_d, _REST * r.re * r.wanted)) + np.zeros_like(taken),
        _rest(r, np.hypot(r.u_d, _REST * r.re * taken)),
        np.where(np.abs(stray) <= _ODD_V, by_z - log(2 * _ODD_V), minus),
        anything + np.zeros_like(taken),
    ])  # fmt: skip
    kind = np.where(patterns == EXCHANGED, SOUND, patterns)[:, None, :]
    kind = np.broadcast_to(np.minimum(kind, MISREAD), taken.shape)
    log_w = np.take_along_axis(density, kind[None], axis=0)[0].sum(axis=-1)
    by_junction = (kind == VALUE) | (kind == OPEN) | (kind == SHORTED)
    current = np.where(kind == OFF, 0.0, np.where(by_junction, taken, shown))
    if (kind == MISREAD).any():
        current = np.where(kind == MISREAD, r.sound_currents(z), current)
    u_rel = np.where(by_junction | (kind == MISREAD), r.u_vbe / r.vt, np.hypot(r.u_r, r.u_d / d))
    total = current.sum(axis=-1)
    wanted = r.stage.idle.total_A
    mean = np.log(np.maximum(total / wanted, np.exp(_LOW)))
    var = ((current * u_rel) ** 2).sum(axis=-1) / np.maximum(total, 1e-12) ** 2 + 1e-6
    var = np.where(total < wanted * np.exp(_LOW), 1.0, var)  # next to nothing, known to its order only
    return np.where(mean < _HIGH, log_w, -np.inf), mean, var


def _rest(r: Rail, scale) -> np.ndarray:
    """Log density of what is left of a drop, half a normal law."""
    return log(2) - 0.5 * (r.d / scale) ** 2 - np.log(scale * sqrt(2 * pi))


__all__ = ["KINDS", "Odds", "fault_shares", "weigh_faults"]
