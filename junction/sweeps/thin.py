"""Few points for many: what a contest of models or a profile has to look at.

Points of a stretch in which the curve hardly changes say together what their mean says: how far the data
lie off the fitted curve there.  The mean is taken of the residuals and set back on the curve, not of the
points, so that a bend within the stretch costs nothing; its variance is that of a point over their number.
Where the curve rises by more than a share from point to point, each point stays alone.
"""

from __future__ import annotations

from copy import copy

import numpy as np

from junction.sweeps.block import BROKEN, Block
from junction.sweeps.terms import RS, SETS

#: Stretches that the points in order of voltage are cut into, and the change of the logarithm of the current,
#: where the curve stands above its floor, that ends one.
_BY_COUNT, _BY_CHANGE = 8, 0.7


def thin(block: Block, rows) -> Block:
    """Some sweeps on few points each; their fits and criteria as they stand.

    Parameters
    ----------
    block : Block
        With fits that came to rest in the sweeps of `rows`.  Those with a breakdown branch stay as they are.
    rows : ndarray of int

    Returns
    -------
    Block
        ``few`` (n,) is the number of points it stands for, ``scatter`` (n,) the chi-square within the
        stretches, which no curve can change.  The sweeps as they are where little would be won.
    """
    part = block.take(rows)
    if BROKEN[part.code].any():
        return part
    n, m = part.v.shape
    rs = np.nan_to_num(part.theta[:, RS, None])
    error, slope, f = (np.empty((n, m)) for _ in range(3))
    for name, at in part.by_set():
        error[at], slope[at], f[at] = part.problem(name, at).at_points(part.theta[at][:, SETS[name]])
    live = part.live
    floor = np.sqrt(np.min(np.where(live, part.ui2, np.inf), axis=1))[:, None]
    change = np.abs(np.diff(np.arcsinh(f / (0.1 * floor)), axis=1, prepend=0.0)) * live
    change[:, 0] = 0.0
    count = live.cumsum(1)
    stretch = (count - live) * (_BY_COUNT / np.maximum(count[:, -1:], 1)) + change.cumsum(1) / _BY_CHANGE
    stretch = np.maximum.accumulate(np.where(live, stretch, 0.0).astype(np.int64), axis=1)
    stretch = (np.diff(stretch, axis=1, prepend=stretch[:, :1]) > 0).cumsum(1)  # numbered without gaps
    k = int(stretch.max(initial=0)) + 1
    if k > 0.6 * m:
        return part
    place = (stretch + k * np.arange(n)[:, None])[live]

    def total(a):
        return np.bincount(place, a[live], n * k).reshape(n, k)

    number = np.bincount(place, minlength=n * k).reshape(n, k)
    there, least = number > 0, np.maximum(number, 1)
    away = error / np.sqrt(part.ui2 + slope**2 * part.uv2)
    whole = np.where(live, away, 0.0)
    away = total(away) / np.sqrt(least)
    out = copy(part)
    out.few, out.scatter = part.n_used, np.maximum((whole**2).sum(1) - (away**2).sum(1), 0.0)
    out.keep, out.stated_v = there.astype(float), part.stated_v[:, :1]
    out.ui2 = np.where(there, total(part.ui2) / least**2, 1.0)
    out.uv2 = np.where(there, total(part.uv2 + np.zeros((n, m))) / least**2, 1.0)
    x, out.i = total(part.v - part.i * rs) / least, np.zeros((n, k))
    out.v = x
    for name, at in part.by_set():
        _, slope[at, :k], f[at, :k] = out.problem(name, at).at_points(out.theta[at][:, SETS[name]])
    slope, f = slope[:, :k], f[:, :k]
    out.v = np.where(there, x + rs * f, 0.0)
    out.i = np.where(there, f + away * np.sqrt(out.ui2 + slope**2 * out.uv2), 0.0)
    return out
