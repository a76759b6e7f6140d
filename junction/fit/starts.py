"""Start values from the data alone: linear regressions, batched.

Where the exponential rules, ln(i - G v) = ln IS + v/(N VT) - RS i/(N VT): linear in three unknowns with
the measured v and i as regressors.  G comes from the lowest chord conductance, which no junction can
undercut.  The breakdown branch is the same with the sign turned, the second exponential is what is left
under the first.
"""

from __future__ import annotations

import numpy as np

_N_LOW, _N_HIGH = 0.4, 20.0


def lowest_chord(v, i, keep, ui2, vt):
    """Lowest conductance i/v of points above the noise [S], 0 where none is; shape (n,)."""
    clear = (keep > 0) & (i * i > 9 * ui2) & (np.abs(v) > vt)
    with np.errstate(divide="ignore", invalid="ignore"):
        chord = np.where(clear, i / v, np.inf)
    low = chord.min(1)
    return np.where(np.isfinite(low), np.maximum(low, 0.0), 0.0)


def _regress(y, x1, x2, w):
    """Weighted least squares y = c0 + c1 x1 + c2 x2 by centred normal equations; (n,) each."""
    total = np.maximum(w.sum(1), 1e-300)

    def centre(a):
        return a - (np.einsum("nm,nm->n", a, w) / total)[:, None]

    yc, ac, bc = centre(y), centre(x1), centre(x2)
    wa, wb = ac * w, bc * w
    saa, sbb, sab = (np.einsum("nm,nm->n", p, q) for p, q in ((wa, ac), (wb, bc), (wa, bc)))
    say, sby = np.einsum("nm,nm->n", wa, yc), np.einsum("nm,nm->n", wb, yc)
    with np.errstate(divide="ignore", invalid="ignore"):
        det = saa * sbb - sab * sab
        c1, c2 = (say * sbb - sby * sab) / det, (sby * saa - say * sab) / det
        single = say / saa
    flat = ~(det > 1e-10 * saa * sbb)
    c1, c2 = np.where(flat, single, c1), np.where(flat, 0.0, c2)
    alone = c2 > 0  # a negative series resistance: leave it out
    c1, c2 = np.where(alone, single, c1), np.where(alone, 0.0, c2)
    mean = [np.einsum("nm,nm->n", a, w) / total for a in (y, x1, x2)]
    return mean[0] - c1 * mean[1] - c2 * mean[2], c1, c2


def exponential(v, i, keep, uv2, ui2, vt, conductance, above=None):
    """Start of ln IS, 1/N, RS from the points where the exponential rules.

    Parameters
    ----------
    v, i, keep, uv2, ui2 : ndarray (n, m)
    vt : ndarray (n, 1)
        Thermal voltage [V].
    conductance : ndarray (n,)
        Start of the shunt [S].
    above : ndarray (n,), optional
        Use only points above this current [A].

    Returns
    -------
    a, b, rs : ndarray (n,)
    count : ndarray of int (n,)
        Points that took part; under 3 the start is a guess.
    """
    rest = i - conductance[:, None] * v
    good = (keep > 0) & (v > 0) & (rest > 0.2 * i) & (rest * rest > 9 * ui2) & (i > 0)
    if above is not None:
        good &= i > above[:, None]
    rest = np.where(good, rest, 1.0)
    y = np.log(rest)
    # relative variance of the point, with 2 % added for what the model does not hold yet
    w = good / (ui2 / (rest * rest) + uv2 / (2 * vt * vt) + 4e-4)
    c0, c1, c2 = _regress(y, v, i, w)
    vt = vt[:, 0]
    count = good.sum(1)
    b = c1 * vt
    usable = (count >= 3) & np.isfinite(b) & (b > 1 / _N_HIGH) & (b < 1 / _N_LOW)
    rs = np.where(usable, -c2 / np.where(c1 == 0, 1.0, c1), 0.0)
    a = np.where(usable, c0, 0.0)
    if not usable.all():
        top = np.argmax(np.where(keep > 0, i, -np.inf), axis=1)
        row = np.arange(v.shape[0])
        v_top, i_top = v[row, top], np.maximum(i[row, top], 1e-13)
        guess = np.clip(np.where(np.isfinite(b) & (count >= 2), b, 1 / 1.2), 1 / _N_HIGH, 1 / _N_LOW)
        b = np.where(usable, b, guess)
        a = np.where(usable, a, np.log(i_top) - guess * np.minimum(v_top / vt, 60.0))
    return np.clip(a, -150.0, 5.0), b, rs, count


def recombination(v, i, keep, ui2, vt, a, b, rs, conductance):
    """Start of ln ISR (NR = 2): the median-like mean of what the first exponential leaves."""
    x = v - i * rs[:, None]
    main = np.exp(np.minimum(a[:, None] + b[:, None] * x / vt, 50.0))
    rest = i - main - conductance[:, None] * x
    good = (keep > 0) & (v > vt) & (rest > 0.25 * i) & (rest * rest > 4 * ui2)
    y = np.log(np.where(good, rest, 1.0)) - 0.5 * x / vt
    count = good.sum(1)
    level = np.where(good, y, 0.0).sum(1) / np.maximum(count, 1)
    fallback = a * 0.5 - 7.0  # ISR about sqrt(IS) times 1 mA^0.5: between the exponents
    return np.clip(np.where(count >= 2, level, fallback), -100.0, 0.0)


def breakdown(v, i, keep, uv2, ui2, vt, conductance):
    """Start of aB, 1/NBV and RS from the reverse branch, and whether it rises faster than a resistance.

    Returns
    -------
    ab, bb, rs : ndarray (n,)
    seen : ndarray of bool (n,)
    """
    live = keep > 0
    lowest = np.min(np.where(live, v, 0.0), axis=1)
    i_low = -np.min(np.where(live, i, 0.0), axis=1)
    beyond = live & (v < 0.5 * lowest[:, None]) & (i < 0)
    middle = live & (v < 0.4 * lowest[:, None]) & (v > 0.6 * lowest[:, None])
    count = np.maximum(middle.sum(1), 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        chord = np.where(middle, i / v, 0.0).sum(1) / count
        end = i_low / -lowest
        # a sparse log may hold nothing at half the breakdown voltage: then its least conductance will do
        least = np.min(np.where(live & (v < -1.0), i / v, np.inf), axis=1)
    sparse = ~middle.any(1) & np.isfinite(least)
    chord = np.where(sparse, 3.0 * np.maximum(least, 0.0), chord)
    floor = np.sqrt(np.max(np.where(live, ui2, 0.0) * (v < 0), axis=1))
    seen = (lowest < -1.0) & (middle.any(1) | sparse) & (i_low > 20 * floor)
    seen &= end > 3 * np.maximum(chord, 0.0)
    shunt = np.minimum(np.maximum(chord, 0.0), conductance + 1e-30)
    rest = -(i - shunt[:, None] * v)
    good = beyond & (rest > -0.3 * i) & (rest * rest > 9 * ui2) & (rest > 0.003 * i_low[:, None])
    rest = np.where(good, rest, 1.0)
    w = good / (ui2 / (rest * rest) + uv2 / (vt * vt) * 0.05 + 4e-4)
    c0, c1, c2 = _regress(np.log(rest), -v, np.where(good, -i, 0.0), w)
    bb = np.clip(np.nan_to_num(c1) * vt[:, 0], 0.011, 1.0)
    total = np.maximum(w.sum(1), 1e-300)
    ab = np.clip(np.where(np.isfinite(c0), c0, np.log(np.maximum(i_low, 1e-12)) + bb * lowest / vt[:, 0]),
                 -1900.0, 15.0)  # fmt: skip
    rs = np.clip(np.nan_to_num(-c2 / np.where(c1 > 0, c1, np.inf)), 0.0, 1e6)
    return ab, bb, rs, seen & (good.sum(1) >= 2) & (total > 0)
