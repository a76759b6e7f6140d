"""What the points of a curve say by themselves: the source's limit, the ammeters' offset and floor.

The same data sense as that of sweeps (`sweeps.sense`), for two currents.  A source at its limit holds the
collector current (its own, or that of the base current it can still drive) while the voltages logged go on
as programmed: such points say nothing of the law.  Below the ammeter's floor a current stands still, around
its offset, where an exponential would have fallen on: those points tell the offset and the scatter, and
nothing else.  All on arrays (n, m), padded; nothing is left out without its reason.
"""

from __future__ import annotations

import numpy as np

from junction.base.units import thermal_voltage
from junction.shelf.tables import rule
from junction.sweeps.sense import highest, limited, lowest, resolution

#: Why a point of a curve was left out, in the order they are looked for.
REASONS = ("thinned", "over-range", "not complete", "current limit", "foot of a Darlington",
           "below the noise", "off the curve")
#: A floor is told from the law below this share of the largest current, by at least so many points; the
#: points lie over the law by so much; of those below the highest of them, most do.
_FOOT, _LEAST, _OVER, _MOST = 0.03, 2, 2.0, 0.7


def marks(full: dict[str, np.ndarray]) -> np.ndarray:
    """Points that hold an instrument's mark for over-range (n, m); one in a column is a missing value."""
    most = rule("fit_over_range")
    found = np.zeros(full["ic"].shape, bool)
    for name in ("vbe", "vce", "ib", "ic"):
        mark = np.abs(full[name]) >= most
        full[name] = np.where(mark, np.nan, full[name])
        found |= mark
    return found


def at_limit(vce, vbe, ib, ic) -> np.ndarray:
    """Points where the source of the collector current, or of the base current, stands at its limit (n, m).

    With V_BE, one of the currents stands still while V_BE goes on, at one V_CE or while V_CE collapses.
    Without it, at steps of the base current, the same collector current at several of them is the source's,
    and so is one that V_CE does not move where it moves the others.  What reaches the same current elsewhere
    stands at the same limit.
    """
    live = np.isfinite(vbe) & np.isfinite(ic)
    if not live.size:
        return live
    level = np.round(np.log(np.maximum(np.nan_to_num(vce, nan=1.0), 1e-2)) / 0.1)
    out = np.zeros(live.shape, bool)
    # V_CE that goes with V_BE, or many of them in a family of output curves, is one level; there a base
    # current that stands still is nothing strange
    many = np.array([len(set(a[b])) > 0.2 * b.sum() for a, b in zip(level, live, strict=True)], bool)
    grouped = np.where(many[:, None], 0.0, level)
    for one in np.unique(grouped[live]):
        here = live & (grouped == one)
        out |= _sorted(limited, vbe, here, ic) | _sorted(limited, vbe, here & ~many[:, None], ib)
        out |= _sorted(_last_two, vbe, here, ic)
    out |= _sorted(limited, vbe, live, ic)
    blind = ~np.isfinite(vbe) & np.isfinite(ic) & np.isfinite(ib)
    top = highest(ic, blind, 0.0)
    flat = blind & (ic >= (1.0 - rule("fit_limit_flat")) * top[:, None]) & (top > 0)[:, None]
    most, least = highest(ib, flat, 0.0), lowest(ib, flat)
    several = (flat.sum(1) >= 3) & (most > rule("curve_limit_steps") * least)
    out |= flat & several[:, None]
    for k in np.flatnonzero([np.unique(a[b]).size > 2 for a, b in zip(level, live | blind, strict=True)]):
        out[k] |= _still(vce[k], ib[k], ic[k])
    limit = highest(ic, out, 0.0)[:, None]
    near = np.abs(np.nan_to_num(ic) - limit) <= rule("fit_limit_flat") * limit
    return out | (np.isfinite(ic) & near & (limit > 0))


def _still(vce, ib, ic) -> np.ndarray:
    """Points of one part's output curves at the step whose collector current V_CE does not move (m,)."""
    out = np.zeros(ic.shape, bool)
    active = np.isfinite(ic) & (ib > 0) & (ic > 0) & (vce > 0.5)
    step = np.where(active, np.round(np.log(np.where(active, ib, 1.0)) / 0.1), np.nan)
    moved, top = {}, {}
    for one in np.unique(step[active]):
        at = np.flatnonzero(step == one)
        low, high = np.array_split(at[np.argsort(vce[at], kind="stable")], 2)
        if low.size > 1:
            moved[one], top[one] = ic[high].mean() / ic[low].mean() - 1.0, ic[at].max()
    if len(moved) >= 2:
        last = max(top, key=top.get)
        others = np.median([m for one, m in moved.items() if one != last])
        tolerance = rule("fit_limit_flat")
        if abs(moved[last]) < 0.2 * others and others > tolerance:
            out = ic >= (1.0 - tolerance) * top[last]
    return out


def _last_two(v, i, live) -> np.ndarray:
    """The two last points of a coarse sweep, where the current of both is the same and should have grown."""
    out = np.zeros(v.shape, bool)
    count = live.sum(1)
    rows = np.flatnonzero(count >= 4)
    at = count[rows, None] + np.arange(-3, 0)  # sorted, those that count first
    (v0, v1, v2), (i0, i1, i2) = v[rows[:, None], at].T, i[rows[:, None], at].T
    flat = rule("fit_limit_flat") * i2
    with np.errstate(divide="ignore", invalid="ignore"):
        grown = (i1 - i0) / (v1 - v0) * (v2 - v1)
        hit = (np.abs(i2 - i1) < flat) & (v2 - v1 > 0.01) & (grown > 4 * rule("fit_limit_expected") * flat)
    out[rows[hit, None], at[hit, 1:]] = True
    return out


def _sorted(function, v, live, *currents) -> np.ndarray:
    """Result (n, m) of a function of points sorted by voltage, in the order of the log."""
    order = np.argsort(np.where(live, v, np.inf), axis=1, kind="stable")
    v, *currents = (np.take_along_axis(np.where(live, a, 0.0), order, 1) for a in (v, *currents))
    out = np.zeros(live.shape, bool)
    np.put_along_axis(out, order, function(v, *currents, np.take_along_axis(live, order, 1)), 1)
    return out


def floor_of(vbe, i, live, temp_C, emission: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Offset of an ammeter and its uncertainty, and the scatter of its readings, from those at its floor.

    Parameters
    ----------
    vbe, i : ndarray (n, m)
        V_BE [V] and a current [A].
    live : ndarray of bool (n, m)
        Points that count.
    temp_C : ndarray (n, m)
        [degC]
    emission : float
        Largest emission coefficient the current's own law may have.

    Returns
    -------
    offset, u_offset, scatter : ndarray (n,)
        [A]; nan where no point is at a floor.

    Notes
    -----
    No law falls more slowly towards low V_BE than exp(V_BE / emission VT).  Drawn downwards from the points
    at higher V_BE it is the most the current may be; what stands over it by a factor, or is not positive,
    is the instrument's.
    """
    live = live & np.isfinite(vbe) & np.isfinite(i)
    if not live.size:
        return (np.full(len(live), np.nan),) * 3
    order = np.argsort(np.where(live, vbe, np.inf), axis=1, kind="stable")
    v, i, live, temp = (np.take_along_axis(a, order, 1) for a in (vbe, i, live, temp_C))
    v, i = np.where(live, v, 0.0), np.where(live, i, 0.0)
    x = v / (emission * thermal_voltage(temp))
    foot = live & (i <= _FOOT * highest(i, live, 0.0)[:, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        level = np.where(live & (i > 0), np.log(np.where(i > 0, i, 1.0)) - x, -np.inf)
        level[~live] = np.inf
        # one point that lies low is no law: it takes two neighbours
        pair = np.maximum(level, np.concatenate([level[:, 1:], np.full((len(v), 1), -np.inf)], axis=1))
        pair = np.where(foot & (i > 0), pair, np.inf)
        most = np.minimum.accumulate(pair[:, ::-1], axis=1)[:, ::-1]
        law = np.where(np.isfinite(most), np.exp(np.minimum(most + x, 700.0)), np.inf)
        over = foot & ((i <= 0) | (i > _OVER * law))
    share = np.cumsum(over, axis=1) / np.maximum(np.cumsum(live, axis=1), 1)
    place = np.where(over & (share >= _MOST), np.arange(v.shape[1]), -1).max(axis=1, initial=-1)
    below = live & (np.arange(v.shape[1]) <= place[:, None])
    found = below.sum(1) >= _LEAST
    # what the law still brings is taken off, and points that it brings much to are not asked
    typical = middle(np.abs(i), below)
    pure = below & (law < 0.1 * typical[:, None])
    pure = np.where((pure.sum(1) >= _LEAST)[:, None], pure, below)
    own = np.where(pure, i - np.where(np.isfinite(law), law, 0.0), np.nan)
    count = np.maximum(pure.sum(1), 1)
    offset = middle(own, pure)
    spread = np.where(pure, own - offset[:, None], 0.0)
    scatter = np.sqrt((spread**2).sum(1) / np.maximum(count - 1, 1))
    scatter = np.maximum(scatter, np.sqrt(resolution(v, i, live)[:, 0]))
    u = scatter * np.sqrt(0.5 * np.pi / count)  # of a median
    return tuple(np.where(found, a, np.nan) for a in (offset, u, scatter))


def middle(a: np.ndarray, mask: np.ndarray) -> np.ndarray:
    """Median of each row over its mask, the lower one of two; 0 where empty."""
    order = np.sort(np.where(mask, a, np.inf), axis=1)
    count = mask.sum(1)
    return np.where(count > 0, order[np.arange(len(order)), np.maximum(count - 1, 0) // 2], 0.0)
