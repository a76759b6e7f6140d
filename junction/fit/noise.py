"""What a measured point is uncertain by: stated by the user, or found from the sweep itself.

Stated figures are standard uncertainties (one sigma).  A meter's data sheet states limits of error; the
standard uncertainty of a quantity known only to lie within +-a is a/sqrt(3) (JCGM 100:2008, 4.3.7), which
`Noise.from_accuracy` applies.

Where nothing is stated, three components are estimated for every sweep: a constant floor of the current,
a voltage scatter and a scatter proportional to the current.  They come from second differences of the
fit's residuals, so that a curve the model does not follow (which leaves smooth residuals) is not taken
for noise; that is what lets the choice of model see it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: Least standard uncertainty ever assumed: 1 uV, 10 fA and 1e-6 of the current.  No bench instrument
#: resolves less; without it a file of computed values would have none at all.
FLOOR_V = 1e-6
FLOOR_A = 1e-14
FLOOR_RATIO = 1e-6


@dataclass(frozen=True)
class Noise:
    """Standard uncertainty of each point: percent of reading and a floor, added as squares.

    Parameters
    ----------
    v_percent, i_percent : float
        Part proportional to the reading [%].
    v_floor_V, i_floor_A : float
        Constant part [V], [A].  Zero (not just small) means that none was stated: no instrument is without
        one, so it is found from every sweep's own resolution and scatter.
    v_scale_percent, i_scale_percent : float
        Error of scale that all points share [%]: it widens the intervals, not the weights.
    """

    v_percent: float = 0.0
    v_floor_V: float = FLOOR_V
    i_percent: float = 0.0
    i_floor_A: float = FLOOR_A
    v_scale_percent: float = 0.0
    i_scale_percent: float = 0.0

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            if not (np.isfinite(getattr(self, name)) and getattr(self, name) >= 0):
                raise ValueError(f"noise: {name} must be a number of at least 0, not {getattr(self, name)!r}")

    @classmethod
    def from_accuracy(
        cls, v_percent: float = 0.0, v_floor_V: float = 0.0, i_percent: float = 0.0, i_floor_A: float = 0.0
    ) -> Noise:
        """From limits of error as data sheets state them (rectangular distribution, a/sqrt 3).

        The part of the reading may be the same at every point, so it is a common error of scale as well.
        """
        root = 3**0.5
        v, i = v_percent / root, i_percent / root
        return cls(v, v_floor_V / root, i, i_floor_A / root, v_scale_percent=v, i_scale_percent=i)

    @property
    def floorless(self) -> bool:
        """Whether a floor is not stated and must be found."""
        return self.v_floor_V == 0 or self.i_floor_A == 0

    def u_v(self, v_V):
        """Standard uncertainty of a voltage reading [V]."""
        return np.sqrt(self.variances(v_V, 0.0)[0])

    def u_i(self, i_A):
        """Standard uncertainty of a current reading [A]."""
        return np.sqrt(self.variances(0.0, i_A)[1])

    def variances(self, v, i):
        """Squared standard uncertainty of voltage [V^2] and current [A^2] at the values given."""
        uv2 = (0.01 * self.v_percent * v) ** 2 + max(self.v_floor_V, FLOOR_V) ** 2
        ui2 = (max(0.01 * self.i_percent, FLOOR_RATIO) * i) ** 2 + max(self.i_floor_A, FLOOR_A) ** 2
        return uv2, ui2


#: Where squares of unit-variance noise are capped, and the mean that is left:
#: erf(a/sqrt 2) - 2 a phi(a) + a^2 (1 - erf(a/sqrt 2)), a^2 = 2.5.
_CAP, _CAPPED = 2.5, 0.80934


def first_guess(v, i, keep):
    """Noise components to start from: scatter of the small currents, 0.25 mV and 1 %.

    The latter two are alike on an exponential, where nothing can tell them apart; where only the series
    resistance could, an even start leaves more to the current, which widens the interval of RS.

    Parameters
    ----------
    v, i : ndarray (n, m)
        Points sorted by voltage [V], [A].
    keep : ndarray (n, m)
        1 where a point counts.

    Returns
    -------
    ndarray (n, 3)
        Variances: current floor [A^2], voltage [V^2], relative current [1].
    """
    n, m = i.shape
    out = np.empty((n, 3))
    out[:, 1], out[:, 2] = (2.5e-4) ** 2, (1e-2) ** 2
    if m < 3:
        out[:, 0] = FLOOR_A**2
        return out
    second = np.abs(i[:, :-2] - 2 * i[:, 1:-1] + i[:, 2:])
    whole = keep[:, :-2] * keep[:, 1:-1] * keep[:, 2:]
    second[whole == 0] = np.inf
    # readings that stand still are rounded: the least step they make stands for the scatter they hide
    step = np.min(np.where(second > 0, second, np.inf), axis=1) / np.sqrt(12)
    place = np.maximum((0.2 * whole.sum(1)).astype(int), 0)
    second.partition(np.unique(place), axis=1)
    low = second[np.arange(n), place]
    # the 20 % quantile of |second difference| of unit noise is 0.62
    floor = np.where(low > 0, low / 0.62, step)
    # a handful of points on a curve differ by the curve, not by noise
    few = keep.sum(1) < 8
    floor[~np.isfinite(floor) | few] = 0.0
    if m <= 16:
        floor = np.minimum(floor, _most_floor(i, keep))
        floor[few] = np.maximum(_against(v[few], i[few], keep[few]), floor[few])
    top = np.max(np.abs(i) * keep, axis=1)
    out[:, 0] = np.maximum(np.minimum(floor, 0.5 * top), FLOOR_A) ** 2
    return out


def _most_floor(i, keep):
    """Largest current floor that still lets as many small readings stand as there are [A]; shape (n,).

    Second differences of a sparse sweep measure the curve.  But a fifth of all readings under a quarter of
    the noise is what a normal distribution of nothing gives; a sweep with more small readings than that has
    less noise.
    """
    size = np.sort(np.where(keep > 0, np.abs(i), np.inf), axis=1)
    place = (0.2 * keep.sum(1)).astype(int)
    low = size[np.arange(i.shape[0]), place]
    return np.where(low > 0, 4.0 * low, np.inf)


def _against(v, i, keep):
    """Current floor of a few points from those that no passive part can give [A]; shape (n,).

    A current against its voltage, or one that falls as the voltage rises, in forward direction, is error.
    One or two such points are taken for noise; more would be light.
    """
    live = keep > 0
    wrong = live & (i * v < 0)
    pair = live[:, 1:] & live[:, :-1] & (v[:, :-1] > 0) & (v[:, 1:] > v[:, :-1])
    fall = np.where(pair, i[:, :-1] - i[:, 1:], 0.0) / np.sqrt(2)
    worst = np.maximum(np.max(np.where(wrong, np.abs(i), 0.0), axis=1), fall.max(1, initial=0.0))
    return np.where(wrong.sum(1) <= 2, worst, 0.0)


def digit(i, keep):
    """Last decimal place that all currents of a sweep are whole numbers of [A]; shape (n,).

    Looked for in five decades under the largest current, the coarsest first; 0 where readings hold more.
    """
    n, m = i.shape
    top = np.max(np.abs(i) * keep, axis=1, initial=0.0)
    out = np.zeros(n)
    decade = np.floor(np.log10(np.where(top > 0, top, 1.0)))
    some = np.unique(np.linspace(0, m - 1, min(m, 8)).astype(int)) if m else np.zeros(0, int)
    left = np.flatnonzero(top > 0)
    for down in range(6):
        step = 10.0 ** (decade[left] - down)
        at = left
        for columns in (some, slice(None)):  # a few readings tell most sweeps
            scaled = i[at][:, columns] / step[:, None]
            off = np.abs(scaled - np.round(scaled)) * keep[at][:, columns]
            whole = off.max(1, initial=0.0) < 1e-6
            at, step = at[whole], step[whole]
        out[at] = step
        left = left[out[left] == 0]
    return out


def resolution(v, i, keep):
    """Variances hidden by rounding, step^2/12 (JCGM 100:2008, F.2.2.1).

    Voltages: steps of 1, 0.1 or 0.01 mV; coarser ones are taken for those of a programmed sweep, finer
    ones are under any scatter.  Currents: the least change, where at least half of all changes are a few
    whole steps of it, as at the bottom of a converter's range, or the last decimal place (`digit`).

    Parameters
    ----------
    v, i : ndarray (n, m)
        [V], [A].
    keep : ndarray (n, m)

    Returns
    -------
    ndarray (n, 3)
        Least values of the components, in the order of `first_guess`.
    """
    out = np.zeros((v.shape[0], 3))
    for step in (1e-5, 1e-4, 1e-3):
        off = np.abs(v / step - np.round(v / step)) * keep
        out[off.max(1, initial=0.0) < 1e-4, 1] = step * step / 12
    change = np.abs(np.diff(i, axis=1)) * keep[:, 1:] * keep[:, :-1]
    least = np.min(np.where(change > 0, change, np.inf), axis=1, initial=np.inf)
    with np.errstate(invalid="ignore", divide="ignore"):
        steps = change / least[:, None]
    whole = (steps < 12) & (np.abs(steps - np.round(steps)) < 0.01)
    pairs = (keep[:, 1:] * keep[:, :-1]).sum(1)
    rounded = np.isfinite(least) & ((whole * keep[:, 1:] * keep[:, :-1]).sum(1) >= 0.5 * pairs) & (pairs > 4)
    out[:, 0] = digit(i, keep) ** 2 / 12
    out[rounded, 0] = np.maximum(out[rounded, 0], least[rounded] ** 2 / 12)
    return out


def components(error, shape_v, shape_i, keep, start, steps: int = 10, known=None):
    """Variance components from second differences of the residuals.

    Each second difference has the variance of its three points, (V1 + 4 V2 + V3)/6 after scaling; the
    components are raised or lowered by the multiplicative steps that maximise the normal likelihood
    (each step s <- s sqrt(sum(A e^2/V^2) / sum(A/V)) keeps them positive).  Squares beyond 2.5 V count
    as 2.5 V (and all are raised by what that costs a normal distribution), so that wild points do not pass
    for noise even where each spoils three of fifteen differences.

    Parameters
    ----------
    error : ndarray (n, m)
        Residual in terms of the current at the measured point [A], sorted by voltage.
    shape_v : ndarray (n, m)
        Squared current that a unit of voltage noise makes: (g/(1 + RS g))^2 [S^2].
    shape_i : ndarray (n, m)
        Squared model current [A^2].
    keep : ndarray (n, m)
    start : ndarray (n, 3)
    known : ndarray (n, m), optional
        Variance that is stated already [A^2]; only what goes beyond it is found.

    Returns
    -------
    ndarray (n, 3)
        As `first_guess`.
    """
    n, m = error.shape
    if m < 5:
        return start
    d2 = (error[:, :-2] - 2 * error[:, 1:-1] + error[:, 2:]) ** 2 / 6
    whole = keep[:, :-2] * keep[:, 1:-1] * keep[:, 2:]

    def spread(a):
        b = a[:, :-2] + a[:, 2:]
        b += 4 * a[:, 1:-1]
        b *= 1 / 6
        return b

    sv, si = spread(shape_v), spread(shape_i)
    stated = None if known is None else spread(known)
    out = start.copy()
    weight, work = np.empty_like(d2), np.empty_like(d2)
    for _ in range(steps):
        np.multiply(sv, out[:, 1, None], out=weight)
        np.multiply(si, out[:, 2, None], out=work)
        weight += work
        weight += out[:, 0, None]
        if stated is not None:
            weight += stated
        np.divide(whole, weight, out=weight)  # 1/V
        np.multiply(d2, weight, out=work)
        np.minimum(work, _CAP, out=work)
        work *= weight
        work *= 1 / _CAPPED  # e^2/V^2
        for k, shape in enumerate((None, sv, si)):
            up = work.sum(1) if shape is None else np.einsum("nm,nm->n", work, shape)
            down = weight.sum(1) if shape is None else np.einsum("nm,nm->n", weight, shape)
            out[:, k] *= np.sqrt(np.maximum(up, 1e-12 * down) / np.maximum(down, 1e-300))
    few = whole.sum(1) < 6
    out[few] = start[few]
    return np.maximum(out, [FLOOR_A**2, FLOOR_V**2, FLOOR_RATIO**2])


def student_t(dof, probability: float = 0.975):
    """Quantile of Student's t: exact for 1 and 2 degrees of freedom, series beyond.

    Cornish-Fisher expansion (Abramowitz and Stegun 26.7.5), good to 0.2 % at 3 degrees of freedom and
    1e-6 at 30; saves the import of a statistics library.
    """
    z = {0.975: 1.959963984540054, 0.95: 1.6448536269514722}[probability]
    exact = {
        0.975: (12.706204736432095, 4.302652729911275, 3.182446305284263, 2.7764451051977987),
        0.95: (6.313751514675043, 2.919985580353726, 2.3533634348018264, 2.13184678632665),
    }[probability]
    nu = np.maximum(np.asarray(dof, float), 1.0)
    z2 = z * z
    t = z + z * ((z2 + 1) / (4 * nu) + (5 * z2**2 + 16 * z2 + 3) / (96 * nu**2)
                 + (3 * z2**3 + 19 * z2**2 + 17 * z2 - 15) / (384 * nu**3)
                 + (79 * z2**4 + 776 * z2**3 + 1482 * z2**2 - 1920 * z2 - 945) / (92160 * nu**4))  # fmt: skip
    for k, value in enumerate(exact):
        t = np.where(nu == k + 1, value, t)
    return t
