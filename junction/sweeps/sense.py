"""What the points say by themselves: how uncertain each is, and what is wrong with them.

Stated uncertainties are standard uncertainties (one sigma).  A meter's data sheet states limits of error;
the standard uncertainty of a quantity known only to lie within +-a is a/sqrt(3) (JCGM 100:2008, 4.3.7),
which `Noise.from_accuracy` applies.

Where nothing is stated, three components are estimated for every sweep: a constant floor of the current,
a voltage scatter and a scatter proportional to the current.  They come from second differences of the
fit's residuals, so that a curve the model does not follow (which leaves smooth residuals) is not taken
for noise; that is what lets the choice of model see it.

All on dense arrays (n, m), ``live`` marking the points that count; nothing is thrown away here without a
flag that says so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from junction.shelf.tables import rule


def lowest(x, live, without=np.inf):
    """Least of the values marked, `without` where none is; (n,)."""
    return np.min(np.where(live, x, without), axis=1)


def highest(x, live, without=-np.inf):
    """Largest of the values marked, `without` where none is; (n,)."""
    return np.max(np.where(live, x, without), axis=1)


def floors() -> np.ndarray:
    """Least standard uncertainty of current [A], voltage [V] and of the current's scale [1] ever assumed.

    No bench instrument resolves less; without it a file of computed values would have none at all.
    """
    return np.array([rule("fit_least_u_A"), rule("fit_least_u_V"), rule("fit_least_u_ratio")])


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
    v_floor_V: float = 0.0
    i_percent: float = 0.0
    i_floor_A: float = 0.0
    v_scale_percent: float = 0.0
    i_scale_percent: float = 0.0

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not (np.isfinite(value) and value >= 0):
                raise ValueError(f"noise: {name} must be a number of at least 0, not {value!r}")

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

    def variances(self, v, i):
        """Squared standard uncertainty of voltage [V^2] and current [A^2] at the values given."""
        least_A, least_V, least_ratio = floors()
        uv2 = (0.01 * self.v_percent * v) ** 2 + max(self.v_floor_V, least_V) ** 2
        ui2 = (max(0.01 * self.i_percent, least_ratio) * i) ** 2 + max(self.i_floor_A, least_A) ** 2
        return uv2, ui2


#: Where squares of unit-variance noise are capped, and the mean that is left:
#: erf(a/sqrt 2) - 2 a phi(a) + a^2 (1 - erf(a/sqrt 2)), a^2 = 2.5.
_CAP, _CAPPED = 2.5, 0.80934


def first_guess(v, i, live):
    """Noise components to start from: scatter of the small currents, 0.25 mV and 1 %.

    The latter two are alike on an exponential, where nothing can tell them apart; where only the series
    resistance could, an even start leaves more to the current, which widens the interval of RS.

    Parameters
    ----------
    v, i : ndarray (n, m)
        Points sorted by voltage [V], [A].
    live : ndarray of bool (n, m)

    Returns
    -------
    ndarray (n, 3)
        Variances: current floor [A^2], voltage [V^2], relative current [1].
    """
    n, m = i.shape
    least_A = rule("fit_least_u_A")
    out = np.empty((n, 3))
    out[:, 1], out[:, 2] = rule("fit_guess_u_V") ** 2, rule("fit_guess_u_ratio") ** 2
    second = np.abs(i[:, :-2] - 2 * i[:, 1:-1] + i[:, 2:])
    whole = live[:, :-2] & live[:, 1:-1] & live[:, 2:]
    second[~whole] = np.inf
    # readings that stand still are rounded: the least step they make stands for the scatter they hide
    step = lowest(second, second > 0) / np.sqrt(12)
    place = np.maximum((0.2 * whole.sum(1)).astype(int), 0)
    second.partition(np.unique(place), axis=1)
    low = second[np.arange(n), place]
    # the 20 % quantile of |second difference| of unit noise is 0.62
    floor = np.where(low > 0, low / 0.62, step)
    # a handful of points on a curve differ by the curve, not by noise
    few = live.sum(1) < 8
    floor[~np.isfinite(floor) | few] = 0.0
    if m <= 16:
        # nor do those of a sparse sweep: but a fifth of all readings under a quarter of the noise is what a
        # normal distribution of nothing gives, and a sweep with more small readings has less noise
        size = np.sort(np.where(live, np.abs(i), np.inf), axis=1)
        low = size[np.arange(n), (0.2 * live.sum(1)).astype(int)]
        floor = np.minimum(floor, np.where(low > 0, 4.0 * low, np.inf))
        # in a few points, error is what no passive part can give: a current against its voltage, or one that
        # falls as the voltage rises; one or two points against it are noise, more would be light
        wrong = live & (i * v < 0)
        pair = (live[:, 1:] & live[:, :-1]) & (v[:, :-1] > 0) & (v[:, 1:] > v[:, :-1])
        fall = highest(i[:, :-1] - i[:, 1:], pair, 0.0) / np.sqrt(2)
        worst = np.maximum(highest(np.abs(i), wrong, 0.0), np.maximum(fall, 0.0))
        floor = np.where(few, np.maximum(np.where(wrong.sum(1) <= 2, worst, 0.0), floor), floor)
    top = np.max(np.abs(i) * live, axis=1)
    out[:, 0] = np.maximum(np.minimum(floor, 0.5 * top), least_A) ** 2
    return out


def digit(i, live):
    """Last decimal place that all currents of a sweep are whole numbers of [A]; shape (n,).

    Looked for in five decades under the largest current, the coarsest first; 0 where readings hold more.
    """
    n, m = i.shape
    top = np.max(np.abs(i) * live, axis=1, initial=0.0)
    out = np.zeros(n)
    decade = np.floor(np.log10(np.where(top > 0, top, 1.0)))
    some = np.unique(np.linspace(0, m - 1, min(m, 8)).astype(int)) if m else np.zeros(0, int)
    left = np.flatnonzero(top > 0)
    for down in range(6):
        step = 10.0 ** (decade[left] - down)
        at = left
        for columns in (some, slice(None)):  # a few readings tell most sweeps
            scaled = i[at][:, columns] / step[:, None]
            off = np.abs(scaled - np.round(scaled)) * live[at][:, columns]
            whole = off.max(1, initial=0.0) < 1e-6
            at, step = at[whole], step[whole]
        out[at] = step
        left = left[out[left] == 0]
    return out


def resolution(v, i, live):
    """Variances hidden by rounding, step^2/12 (JCGM 100:2008, F.2.2.1).

    Voltages: steps of 1, 0.1 or 0.01 mV; coarser ones are taken for those of a programmed sweep, finer
    ones are under any scatter.  Currents: the least change, where at least half of all changes are a few
    whole steps of it, as at the bottom of a converter's range, or the last decimal place (`digit`).

    Parameters
    ----------
    v, i : ndarray (n, m)
        [V], [A].
    live : ndarray of bool (n, m)

    Returns
    -------
    ndarray (n, 3)
        Least values of the components, in the order of `first_guess`.
    """
    out = np.zeros((v.shape[0], 3))
    for step in (1e-5, 1e-4, 1e-3):
        off = np.abs(v / step - np.round(v / step)) * live
        out[off.max(1, initial=0.0) < 1e-4, 1] = step * step / 12
    pair = live[:, 1:] & live[:, :-1]
    change = np.abs(np.diff(i, axis=1)) * pair
    least = np.min(np.where(change > 0, change, np.inf), axis=1, initial=np.inf)
    with np.errstate(invalid="ignore", divide="ignore"):
        steps = change / least[:, None]
        whole = (steps < 12) & (np.abs(steps - np.round(steps)) < 0.01)
    pairs = pair.sum(1)
    rounded = np.isfinite(least) & ((whole * pair).sum(1) >= 0.5 * pairs) & (pairs > 4)
    hidden = np.maximum(digit(i, live), np.where(rounded, least, 0.0))
    out[:, 0] = hidden**2 / 12
    return out


def components(error, shape_v, shape_i, live, start, steps: int = 10, known=None):
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
    live : ndarray of bool (n, m)
    start : ndarray (n, 3)
    known : ndarray (n, m), optional
        Variance that is stated already [A^2]; only what goes beyond it is found.

    Returns
    -------
    ndarray (n, 3)
        As `first_guess`.
    """
    d2 = (error[:, :-2] - 2 * error[:, 1:-1] + error[:, 2:]) ** 2 / 6
    whole = live[:, :-2] & live[:, 1:-1] & live[:, 2:]

    def spread(a):
        return (a[:, :-2] + a[:, 2:] + 4 * a[:, 1:-1]) * (1 / 6)

    sv, si = spread(shape_v), spread(shape_i)
    stated = 0.0 if known is None else spread(known)
    out = start.copy()
    for _ in range(steps):
        weight = sv * out[:, 1, None] + si * out[:, 2, None]
        weight += out[:, 0, None]
        weight += stated
        np.divide(whole, weight, out=weight)  # 1/V
        work = np.minimum(d2 * weight, _CAP)
        work *= weight
        work *= 1 / _CAPPED  # e^2/V^2
        for k, shape in enumerate((None, sv, si)):
            up, down = (
                x.sum(1) if shape is None else np.einsum("nm,nm->n", x, shape) for x in (work, weight)
            )
            out[:, k] *= np.sqrt(np.maximum(up, 1e-12 * down) / np.maximum(down, 1e-300))
    few = whole.sum(1) < 6
    out[few] = start[few]
    return np.maximum(out, floors() ** 2)


def branches(v, live):
    """Points that belong to the way back of an up-and-down sweep, in the order logged.

    Parameters
    ----------
    v : ndarray (n, m)
        Voltage in the order logged [V].
    live : ndarray of bool (n, m)

    Returns
    -------
    ndarray of bool (n, m)
        True on the second branch; all False where the sweep goes one way only.
    """
    place = np.arange(v.shape[1])
    back = np.zeros(v.shape, bool)
    pair = live[:, 1:] & live[:, :-1]
    last = highest(place, live, 0)
    rising = np.diff(v, axis=1) > 0
    for sign, up in ((1.0, rising), (-1.0, ~rising)):
        turn = np.argmax(np.where(live, sign * v, -np.inf), axis=1)
        two_way = (turn >= 4) & (last - turn >= 4)
        ahead = pair & (place[1:] <= turn[:, None])
        for way, run in ((up, ahead), (~up, pair & ~ahead)):
            two_way &= (way & run).sum(1) >= 0.8 * np.maximum(run.sum(1), 1)
        back |= two_way[:, None] & (place > turn[:, None]) & live
    return back


def second_passes(v, live):
    """Points of every second pass of a sweep that starts over, in the order logged.

    Parameters
    ----------
    v : ndarray (n, m)
        Voltage in the order logged [V].
    live : ndarray of bool (n, m)

    Returns
    -------
    ndarray of bool (n, m)
        All False where the voltage never jumps back by half of its span.
    """
    step = np.diff(v, axis=1) * (live[:, 1:] & live[:, :-1])
    span = np.ptp(np.where(live, v, v[:, :1]), axis=1)[:, None]
    out = np.zeros(v.shape, bool)
    rows = np.flatnonzero((np.abs(step) > 0.5 * span).any(1))
    for sign in (1.0, -1.0):
        along = (sign * step[rows] > 0).sum(1) >= 0.8 * (step[rows] != 0).sum(1)
        second = np.cumsum(sign * step[rows] < -0.5 * span[rows], axis=1) % 2 == 1
        out[rows, 1:] |= second & along[:, None]
    return out & live


def limited(v, i, live):
    """Points at the source's current limit, sorted by voltage.

    The current stands within 0.5 % (or three times its scatter) of its extreme for at least three points,
    while the voltage goes on by so much that the slope before would have raised it by five times that; for
    two points, by twenty times that: the current of a junction never grows more slowly than before.
    Points where the voltage falls back at the same current belong to it.

    Returns
    -------
    ndarray of bool (n, m)
    """
    out = np.zeros(v.shape, bool)
    if v.shape[1] < 6:
        return out
    whole, forward_top = live, highest(i, live, 0.0)
    for sign in (1.0, -1.0):
        top = highest(sign * i, whole, 0.0)
        # cheap look first: a limit leaves many points close to the extreme
        close = whole & (sign * i >= 0.99 * top[:, None])
        rows = np.flatnonzero((close.sum(1) >= 2) & (top > 0))
        # the same limit on both sides is the source's; only alone must a reverse one prove itself
        alone = (sign < 0) & ~(out[rows].any(1) & (np.abs(top - forward_top) < 0.02 * top)[rows])
        volt, current, live, top = sign * v[rows], sign * i[rows], whole[rows], top[rows]
        near_top = live & (current >= 0.9 * top[:, None])
        jump = np.abs(np.diff(np.where(near_top, current, np.nan), 2, axis=1)) / np.sqrt(6)
        scatter, some = np.zeros(rows.size), np.isfinite(jump).any(1)
        scatter[some] = np.nanmedian(jump[some], axis=1)
        tolerance = np.maximum(rule("fit_limit_flat") * top, np.minimum(3 * scatter, 0.03 * top))
        flat = live & (current >= (top - tolerance)[:, None])
        low, high = lowest(volt, flat), highest(volt, flat)
        half = lowest(volt, live & (current >= 0.5 * top[:, None]))
        span = np.ptp(np.where(live & (volt > 0), volt, 0.0), axis=1)
        run = high - low
        expected = 0.5 * top * run / np.maximum(low - half, 1e-4 * np.maximum(span, 1e-9))
        count = flat.sum(1)
        is_limited = (scatter < 0.01 * top) & (count >= 2)
        is_limited &= expected > rule("fit_limit_expected") * np.where(count > 2, 1.0, 4.0) * tolerance
        # two readings of one current with others between are those of a current that was stepped
        between = live & ~flat & (volt > low[:, None]) & (volt < high[:, None])
        is_limited &= (count > 2) | ~between.any(1)
        is_limited &= run > np.maximum(0.01 * span, 5e-3)
        # light and saturation make a flat reverse current too, but one that is flat from zero volt on
        below = live & (volt > 0.3 * low[:, None]) & (volt < low[:, None]) & (current < 0.5 * top[:, None])
        # and so does the noise of a leak, which is a thousandth of what flows forward
        large = top > 1e-3 * forward_top[rows]
        is_limited &= ~alone | ((low > 0.3) & (half > 0.3 * low) & below.any(1) & large)
        # the extreme is the highest of many noisy readings: once it is a limit, the lower ones belong to it
        flat |= live & (current >= (0.995 * top - 8 * scatter)[:, None])
        out[rows] |= flat & is_limited[:, None]
    return out


def short_at_limit(v, i, live, limit):
    """Most resistance a path can have that sends the source into its limit wherever it is asked.

    Where every reverse point is at the limit there is no junction, and where next to no point is left
    between the limits there is no line to fit: the lowest forward voltage at the limit over the current
    bounds the resistance.  The same where all voltages read as zero while a current flows.

    Parameters
    ----------
    v, i, live : ndarray of bool (n, m)
        Sorted points; ``live`` without those at the limit.
    limit : ndarray of bool (n, m)

    Returns
    -------
    ndarray (n,)
        Upper limit of the resistance [ohm], nan where this is not such a sweep.
    """
    top = highest(np.abs(i), limit | live, 0.0)
    forward = lowest(v, limit & (v > 0))
    between = live & (np.abs(i) > 0.02 * top[:, None])
    caught = np.any(limit & (v < -1e-3), axis=1) & ~np.any(live & (v < -0.05), axis=1)
    at_limit = caught & np.isfinite(forward) & (between.sum(1) < 3)
    far = highest(np.abs(v), live | limit, 0.0)
    still = (far < 5e-3) & (np.ptp(np.where(live, v, 0.0), axis=1) == 0) & (top > 0) & (live.sum(1) > 1)
    # a voltmeter that shows zero may hide a millivolt
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.select([at_limit, still], [(forward + 1e-3) / top, (far + 1e-3) / top], np.nan)


def hidden_by_rounding(v, i, live):
    """Conductance that readings of exactly zero may hide: half a digit over the voltage of the farthest.

    Rounding does not average: a hundred readings of zero hold no more than the one at the highest voltage.
    Only where the readings of zero lie together, from zero volt on; where noise carries others among them
    over a digit, their mean tells more.  Without a common last decimal place the least reading stands for
    the digit.

    Parameters
    ----------
    v, i, live : ndarray of bool (n, m)

    Returns
    -------
    ndarray (n,)
        [S]; 0 where no reading at a voltage is zero.
    """
    out = np.zeros(v.shape[0])
    nothing = (i == 0) & live & (v != 0)
    rows = np.flatnonzero(nothing.any(1))
    v, i, live, nothing = v[rows], i[rows], live[rows], nothing[rows]
    reads = live & (i != 0)
    least = lowest(np.abs(i), reads)
    step = digit(i, live)
    step = np.where(step > 0, step, np.where(np.isfinite(least), least, 0.0))
    ends = []
    for side in (1.0, -1.0):
        first = lowest(side * v, reads & (side * v > 0))[:, None]
        zeros = nothing & (side * v > 0)
        far = np.maximum(highest(side * v, zeros & (side * v < first)), 0.0)
        run = (zeros & (side * v <= far[:, None])).sum(1) >= 0.8 * zeros.sum(1)
        ends.append(np.where((far > 0) & run, 0.5 * step / np.where(far > 0, far, 1.0), np.inf))
    hidden = np.minimum(*ends)
    out[rows] = np.where(np.isfinite(hidden), hidden, 0.0)
    return out


def beyond(residual, live, bar):
    """Outermost points of a branch that carry more current than the curve: breakdown, or another law.

    Parameters
    ----------
    residual : ndarray (n, m)
        Measured minus fitted in standard uncertainties, sorted by voltage.
    live : ndarray of bool (n, m)
    bar : float
        What counts as more [1].

    Returns
    -------
    ndarray of bool (n, m)
        The points at either end up to the first that does not.
    """
    out = np.zeros(residual.shape, bool)
    for ways, more in ((slice(None), residual < -bar), (slice(None, None, -1), residual > bar)):
        out[:, ways] |= np.logical_and.accumulate((more | ~live)[:, ways], axis=1)
    return out & live


def step_in(residual, live):
    """Whether residuals, in order of current, jump from one level to another and stay there.

    That is what a change of range leaves: the mean of the four points above a place differs from that of
    the four below by more than 6 times its own scatter, and the jump happens between two neighbours.

    Parameters
    ----------
    residual, live : ndarray of bool (n, m)

    Returns
    -------
    ndarray of bool (n,)
    """
    n, m = residual.shape
    out = np.zeros(n, bool)
    r = np.where(live, residual, np.nan)
    local = np.abs(np.diff(r, axis=1))
    rows = np.flatnonzero(np.isfinite(local).sum(1) > 8)
    r, local = r[rows], local[rows]
    sd = np.nanmedian(local, axis=1) / 0.954  # median |difference| of unit noise
    total = np.concatenate([np.zeros((rows.size, 1)), np.cumsum(np.nan_to_num(r), axis=1)], axis=1)
    at = np.arange(4, m - 3)
    level = (total[:, at + 4] - total[:, at]) / 4 - (total[:, at] - total[:, at - 4]) / 4
    jump = r[:, at] - r[:, at - 1]  # nan where either is missing
    sharp = (np.abs(level) > rule("fit_range_step") * sd[:, None]) & (np.abs(jump) > 0.6 * np.abs(level))
    out[rows] = (sharp & (np.sign(jump) == np.sign(level))).any(1)
    return out
