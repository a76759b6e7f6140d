"""Where a fit begins: start values read off the points by straight-line regressions.

The logarithm of a forward current that no other path carries is linear in voltage and, with a series
resistance, in current; so is that of a breakdown current.  What is left is a conductance (the lowest chord
i/v), a second exponential under the first, or a photocurrent that lifts the whole curve.
"""

from __future__ import annotations

import numpy as np

from junction.fit.sense import highest, lowest
from junction.fit.terms import AB, AR, BB, BR, CODE, I0, LINES, RS, SETS, WIDTH, A, B, G
from junction.shelf.rules import rule

_N_LOW, _N_HIGH = 0.4, 20.0
#: Relative variance added to every point of a regression for what its model does not hold yet: 2 %.
_MODEL = 4e-4


def total(*arrays):
    """Sum over the points of a product, (n,)."""
    return np.einsum(",".join(["nm"] * len(arrays)) + "->n", *arrays)


def lines(v, i, keep):
    """Slopes of the lines through zero with all error in the current, and with all of it in the voltage."""
    svi = total(keep, v, i)
    return (
        svi / np.maximum(total(keep, v, v), 1e-300),
        total(keep, i, i) / np.where(np.abs(svi) > 1e-300, svi, 1e300),
    )


def _lowest_chord(block):
    """Lowest conductance i/v of points above the noise [S], 0 where none is; shape (n,)."""
    clear = block.live & (block.i**2 > 9 * block.ui2) & (np.abs(block.v) > block.vt)
    with np.errstate(divide="ignore", invalid="ignore"):
        low = lowest(block.i / block.v, clear)
    return np.where(np.isfinite(low), np.maximum(low, 0.0), 0.0)


def _regress(y, x1, x2, w):
    """Weighted least squares y = c0 + c1 x1 + c2 x2 by centred normal equations; (n,) each."""
    whole = np.maximum(w.sum(1), 1e-300)
    mean = [total(a, w) / whole for a in (y, x1, x2)]
    yc, ac, bc = (a - m[:, None] for a, m in zip((y, x1, x2), mean, strict=True))
    wa, wb = ac * w, bc * w
    saa, sbb, sab, say, sby = total(wa, ac), total(wb, bc), total(wa, bc), total(wa, yc), total(wb, yc)
    with np.errstate(divide="ignore", invalid="ignore"):
        det = saa * sbb - sab * sab
        c1, c2 = (say * sbb - sby * sab) / det, (sby * saa - say * sab) / det
        # one regressor where two cannot be told apart, or would give a negative series resistance
        alone = ~(det > 1e-10 * saa * sbb) | (c2 > 0)
        c1, c2 = np.where(alone, say / saa, c1), np.where(alone, 0.0, c2)
    return mean[0] - c1 * mean[1] - c2 * mean[2], c1, c2


def _exponential(block, conductance, current=None, above=0.0):
    """Start of ln IS, 1/N, RS from the points where the exponential rules.

    Parameters
    ----------
    block : Block
    conductance : ndarray (n,)
        Start of the shunt [S].
    current : ndarray (n, m), optional
        In place of the block's [A].
    above : ndarray (n, 1), optional
        Use only points above this current [A].

    Returns
    -------
    a, b, rs : ndarray (n,)
    """
    v, vt, live = block.v, block.vt, block.live
    i = block.i if current is None else current
    rest = i - conductance[:, None] * v
    good = live & (v > 0) & (rest > 0.2 * i) & (rest * rest > 9 * block.ui2) & (i > above)
    rest = np.where(good, rest, 1.0)
    w = good / (block.ui2 / (rest * rest) + block.uv2 / (2 * vt * vt) + _MODEL)
    c0, c1, c2 = _regress(np.log(rest), v, i, w)
    vt = vt[:, 0]
    count = good.sum(1)
    b = c1 * vt
    usable = (count >= 3) & np.isfinite(b) & (b > 1 / _N_HIGH) & (b < 1 / _N_LOW)
    rs = np.where(usable, -c2 / np.where(c1 == 0, 1.0, c1), 0.0)
    a = np.where(usable, c0, 0.0)
    if not usable.all():  # then through the highest point
        top = np.argmax(np.where(live, i, -np.inf), axis=1)
        row = np.arange(v.shape[0])
        v_top, i_top = v[row, top], np.maximum(i[row, top], 1e-13)
        guess = np.clip(np.where(np.isfinite(b) & (count >= 2), b, 1 / 1.2), 1 / _N_HIGH, 1 / _N_LOW)
        b = np.where(usable, b, guess)
        a = np.where(usable, a, np.log(i_top) - guess * np.minimum(v_top / vt, 60.0))
    return np.clip(a, -150.0, 5.0), b, rs


def breakdown(block):
    """Start of aB, 1/NBV and RS from the reverse branch, and whether it rises faster than a resistance.

    Returns
    -------
    ab, bb, rs : ndarray (n,)
    seen : ndarray of bool (n,)
    """
    v, i, ui2, vt, live = block.v, block.i, block.ui2, block.vt, block.live
    deepest = lowest(v, live, 0.0)
    i_low = -lowest(i, live, 0.0)
    middle = live & (v < 0.4 * deepest[:, None]) & (v > 0.6 * deepest[:, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        chord = np.where(middle, i / v, 0.0).sum(1) / np.maximum(middle.sum(1), 1)
        end = i_low / -deepest
        # a sparse log may hold nothing at half the breakdown voltage: then its least conductance will do
        least = lowest(i / v, live & (v < -1.0))
    sparse = ~middle.any(1) & np.isfinite(least)
    chord = np.where(sparse, 3.0 * np.maximum(least, 0.0), chord)
    floor = np.sqrt(np.max(np.where(live, ui2, 0.0) * (v < 0), axis=1))
    seen = (deepest < -1.0) & (middle.any(1) | sparse) & (i_low > 20 * floor)
    seen &= end > 3 * np.maximum(chord, 0.0)
    shunt = np.minimum(np.maximum(chord, 0.0), _lowest_chord(block) + 1e-30)
    rest = -(i - shunt[:, None] * v)
    good = live & (v < 0.5 * deepest[:, None]) & (i < 0) & (rest > -0.3 * i)
    good &= (rest * rest > 9 * ui2) & (rest > 0.003 * i_low[:, None])
    rest = np.where(good, rest, 1.0)
    w = good / (ui2 / (rest * rest) + block.uv2 / (vt * vt) * 0.05 + _MODEL)
    c0, c1, c2 = _regress(np.log(rest), -v, np.where(good, -i, 0.0), w)
    bb = np.clip(np.nan_to_num(c1) * vt[:, 0], 0.011, 1.0)
    ab = np.where(np.isfinite(c0), c0, np.log(np.maximum(i_low, 1e-12)) + bb * deepest / vt[:, 0])
    rs = np.clip(np.nan_to_num(-c2 / np.where(c1 > 0, c1, np.inf)), 0.0, 1e6)
    return np.clip(ab, -1900.0, 15.0), bb, rs, seen & (good.sum(1) >= 2)


def plain(block) -> tuple[np.ndarray, np.ndarray]:
    """Start values (n, 9) of the plain junction, and which sweeps show a breakdown branch."""
    theta, seen = np.full((len(block.v), WIDTH), np.nan), np.zeros(len(block.v), bool)
    theta[:, G] = _lowest_chord(block)
    theta[:, A], theta[:, B], theta[:, RS] = _exponential(block, theta[:, G])
    deep = np.flatnonzero(lowest(block.v, block.live, 0.0) < -1.0)
    if deep.size:
        part = block.take(deep)
        theta[deep, AB], theta[deep, BB], series, seen[deep] = breakdown(part)
        blind = highest(part.v, part.live) <= rule("fit_forward_V")
        theta[deep[blind], RS] = series[blind]
    return theta, seen


def rivals(block, name: str) -> list[np.ndarray]:
    """Start values (n, 9) of a set of terms that is tried beside what is fitted; the best end counts."""
    columns = SETS[name]
    held = np.where(np.isfinite(block.theta), block.theta, 0.0)
    if name in LINES:
        tries = [held, held.copy()]
        for one, slope in zip(tries, lines(block.v, block.i, block.keep), strict=True):
            one[:, G], one[:, I0] = slope, 0.0
        return tries
    conductance = _lowest_chord(block)
    fresh = held.copy()
    fresh[:, A], fresh[:, B], fresh[:, RS] = _exponential(block, conductance)
    fresh[:, G], fresh[:, I0] = conductance, 0.0
    # a start from a fit that went astray would only lead there again
    astray = ~np.isin(block.code, (CODE["base"], CODE["breakdown"])) | ~block.converged
    astray |= np.abs(held[:, RS]) * block.top > 2 * np.ptp(block.v, axis=1)
    held[astray] = fresh[astray]
    if AR in columns:
        tries = _two_exponentials(block, conductance, fresh)
    else:
        tries = [held, _lifted(block, fresh) if I0 in columns else fresh]
    if AB in columns:
        ab, bb, series, _ = breakdown(block)
        for one in tries:
            one[:, AB], one[:, BB] = ab, bb
            if name == "reverse only":
                one[:, RS] = series
    return tries


def _two_exponentials(block, conductance, fresh):
    """Starts for a second exponential: the first from the upper decades only, at two places to cut.

    The second (NR = 2) has the median-like mean of what the first leaves.
    """
    v, i, live, vt = block.v, block.i, block.live, block.vt
    top = np.maximum(highest(i, live, 0.0), 1e-12)
    low = np.sqrt(np.maximum(lowest(block.ui2, live & (i > 0)), 1e-30))
    tries = []
    for share in (0.35, 0.65):
        one = fresh.copy()
        cut = top ** (1 - share) * np.minimum(low * 5, top) ** share
        one[:, A], one[:, B], one[:, RS] = _exponential(block, conductance, above=cut[:, None])
        one[:, RS] = np.maximum(one[:, RS], 0.0)
        x = v - i * one[:, RS, None]
        main = np.exp(np.minimum(one[:, A, None] + one[:, B, None] * x / vt, 50.0))
        rest = i - main - conductance[:, None] * x
        good = live & (v > vt) & (rest > 0.25 * i) & (rest * rest > 4 * block.ui2)
        level = np.where(good, np.log(np.where(good, rest, 1.0)) - 0.5 * x / vt, 0.0).sum(1)
        count = good.sum(1)
        # without: ISR about sqrt(IS) times 1 mA^0.5, between the exponents
        level = np.where(count >= 2, level / np.maximum(count, 1), one[:, A] * 0.5 - 7.0)
        one[:, AR], one[:, BR] = np.clip(level, -100.0, 0.0), 0.5
        tries.append(one)
    return tries


def _lifted(block, fresh):
    """Start with a photocurrent: a line through the lower part of the sweep is taken off first."""
    v, i, live = block.v, block.i, block.live
    low, high = lowest(v, live), highest(v, live)
    w = (live & (v <= (low + 0.4 * (high - low))[:, None])).astype(float)
    count = np.maximum(w.sum(1), 1.0)
    mean_v, mean_i = total(w, v) / count, total(w, i) / count
    dv = (v - mean_v[:, None]) * w
    slope = np.maximum(total(dv, i) / np.maximum(total(dv, dv), 1e-300), 0.0)
    lift = mean_i - slope * mean_v
    one = fresh.copy()
    one[:, A], one[:, B], one[:, RS] = _exponential(block, slope, current=i - lift[:, None])
    one[:, RS] = np.maximum(one[:, RS], 0.0)
    one[:, G], one[:, I0] = slope, lift
    return one
