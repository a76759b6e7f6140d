r"""Currents of a transistor's curves that are not the transistor's own: leaks, offsets, a path, a short.

At low V_BE the currents of a curve are sums, and linear in what is sought:

.. math::

    i_B = o_B + G_{BE} v_{BE} - G_{CB}(v_{CE} - v_{BE}) - I_{CB} + \sum_n b_n e^{v_{BE}/nV_T}, \qquad
    i_C = o_C + G_{CE} v_{CE} + G_{CB}(v_{CE} - v_{BE}) + I_{CB} + \sum_n (c_n + d_n v_{CE}) e^{v_{BE}/nV_T}

with offsets o of either sign and all else positive: one least-squares problem, which needs no start and
cannot fail to end.  An offset is constant, a leak is proportional to its voltage, a cut-off current leaves at
the base, and a junction is an exponential; what the data cannot tell apart shows as uncertainty.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from junction.base.units import thermal_voltage
from junction.shelf.tables import rule

#: Idealities of the exponentials; two junctions in series (a Darlington) have up to twice two.
_IDEALITIES = np.array([0.97, 1.0, 1.03, 1.08, 1.25, 1.5, 2.0, 2.6, 4.0])
#: Columns before the exponentials: two offsets, then the conductances and the cut-off current.
_OFFSETS, BE, CB, CUT, CE = 2, 2, 3, 4, 5
#: Most points of one part that are taken.
_MOST = 400


def levels(volts: np.ndarray, share: float = 0.05, least: float = 0.02) -> np.ndarray:
    """Number of the group of about equal voltage (or step) that each point belongs to, lowest first."""
    order = np.argsort(volts)
    gap = np.diff(volts[order]) > np.maximum(share * np.abs(volts[order][1:]), least)
    group = np.empty(volts.size, int)
    group[order] = np.append(0, np.cumsum(gap))
    return group


def beside(vce, vbe, ib, ic, temp_C: float, low_V: float) -> SimpleNamespace | None:
    """Leaks of one part from the points at low V_BE.

    Parameters
    ----------
    vce, vbe, ib, ic : ndarray (m,)
        Voltages [V] and currents [A] in the NPN sense; ib may be nan.
    temp_C : float
        Temperature of the junctions [degC].
    low_V : float
        V_BE under which no collector current is the part's own [V].

    Returns
    -------
    namespace or None
        ``S`` (6,), ``u`` (6,): offsets of i_C and i_B [A], conductances beside B-E and C-B [S], cut-off
        current of C-B [A], conductance beside C-E [S], with their standard uncertainties (inf where no
        point speaks of it); ``most`` (6,): conductance that the whole current allows at the most [S];
        ``floor_A`` (2,): noise of i_C and i_B at low current [A]; ``used``: points; ``narrow``: all of them
        at about one V_BE; ``driven``: and that a step which drives the part.
        None without a point at a V_BE.
    """
    ok = np.isfinite(vbe) & np.isfinite(ic) & (vce >= np.maximum(vbe, 0.1))
    at = np.flatnonzero(ok)
    if at.size < 3:
        return None
    group = levels(vce[at])
    # up to where the transistor's own collector current has become large: resistances say nothing below
    first = {g: min((vbe[k], ic[k]) for k in at[group == g])[1] for g in set(group.tolist())}
    own = max(rule("curves_own"), rule("curves_own_share") * ic[at].max())
    start = np.array([first[g] for g in group.tolist()])
    high = vbe[at][ic[at] - start > np.maximum(own, 0.03 * np.abs(start))]
    top = max(high.min(initial=np.inf), np.sort(vbe[at])[min(at.size - 1, 2)])
    below = at[vbe[at] < top]
    at = below if below.size >= 5 else at[vbe[at] <= top]
    at = at[:: max(1, -(-at.size // _MOST))]
    v, c, b, e = vbe[at], vce[at], ib[at], ic[at]
    grow = np.exp((v - v.max())[:, None] / (_IDEALITIES * thermal_voltage(temp_C)))
    narrow = np.ptp(v) < 0.1
    if narrow:  # one step of drive: an exponential of it is a constant, and its Early effect a path
        grow = grow * 0.0
    one, none, few = np.ones(at.size), np.zeros(at.size), np.zeros((at.size, 4))
    collector = np.column_stack([one, none, none, c - v, one, c, grow * 0, grow, grow[:, :4] * c[:, None]])
    base = np.column_stack([none, one, v, v - c, -one, none, grow, grow * 0, few])
    digit = np.array([least_step(x) for x in (ic[ok], ib[ok])])
    floor = np.maximum([_noise(v, c, x) for x in (e, b)], digit)
    if not (c - v).max() > 2 * (c - v).min():
        collector[:, CUT] = base[:, CUT] = 0.0  # nothing tells it from a leak in proportion to the voltage
    has = np.isfinite(b)
    rows, y = np.concatenate([collector, base[has]]), np.concatenate([e, b[has]])
    of_base = np.repeat([False, True], [at.size, int(has.sum())])
    # points at one V_BE miss the exponentials together, however many there are
    bins = np.unique(np.round(v / 0.01), return_inverse=True)[1]
    alike = np.bincount(bins)[bins]
    mismatch = rule("curves_mismatch") * np.sqrt(np.concatenate([alike, alike[has]]))
    offset_u = rule("curves_offset")
    # An offset that nothing tells from a leak is of the size that ammeters have.
    prior = np.zeros((2, rows.shape[1]))
    prior[0, 0] = prior[1, 1] = 1.0 / offset_u
    for _ in range(3):
        size = np.hypot(mismatch * y, floor[of_base.astype(int)])
        A = np.concatenate([rows / size[:, None], prior])
        target = np.append(y / size, [0.0, 0.0])
        scale = np.sqrt((A * A).sum(axis=0))
        seen = scale > 0
        x, covariance = _positive(A[:, seen] / scale[seen], target)
        left = y - rows[:, seen] @ (x / scale[seen])
        for k, mine in enumerate((~of_base, of_base)):
            low = mine & (np.abs(y) <= np.quantile(np.abs(y[mine]), 0.5)) if mine.any() else mine
            if low.sum() >= 4:
                scatter = np.sqrt(np.mean(left[low] ** 2) * low.sum() / (low.sum() - 2))
                floor[k] = max(scatter, digit[k], 1e-13)
    S, u = np.zeros(6), np.full(6, np.inf)
    told = np.flatnonzero(seen[:6])
    S[told] = x[: told.size] / scale[told]
    u[told] = np.sqrt(np.diag(covariance)[: told.size]) / scale[told]
    if not has.any():
        u[[1, 2]] = np.inf
    # Rounding does not average out; and what is nowhere a good part of the current may be recombination.
    for k, volts, amps, step in ((BE, v, b, digit[1]), (CB, c - v, e, digit[0]), (CE, c, e, digit[0])):
        u[k] = np.hypot(u[k], step / np.ptp(volts)) if np.ptp(volts) > 0 else max(u[k], step / volts.max())
        part = S[k] * volts / (np.abs(amps) + floor[int(k == BE)])
        # without a point near zero the offset is not known: a leak of more than flows is half offset
        free = v.min() > 0.1 and np.nanmax(part, initial=0.0) > 1.2
        if free or not np.nanmax(part, initial=0.0) > rule("curves_leak_share"):
            u[k] = max(u[k], S[k])
    driven = narrow and v.max() > low_V
    if driven:  # all of it may be the transistor's own
        S[:], u[:] = 0.0, np.inf
    # whatever else flows, no path carries more than the whole current
    most = np.full(6, np.inf)
    for k, volts, amps in ((BE, v, np.where(has, b, np.inf) + 3 * floor[1]), (CB, c - v, e + 3 * floor[0]),
                           (CE, c, e + 3 * floor[0])):  # fmt: skip
        some = (volts > 0.05) & (amps > 0)
        most[k] = np.min((amps[some] + offset_u) / volts[some], initial=np.inf)
    narrow, driven = bool(narrow), bool(driven)
    return SimpleNamespace(S=S, u=u, most=most, floor_A=floor, used=at.size, narrow=narrow, driven=driven)


def least_step(i) -> float:
    """Least change that a current was logged with [A]: the digit of a converter, little else in its noise."""
    apart = np.diff(np.unique(i[np.isfinite(i)]))
    # of a float, or of five digits written, it is next to nothing
    return float(apart.min(initial=np.inf)) if apart.size else 0.0


def _noise(v, c, i) -> float:
    """Scatter of a current at low V_BE, from what three points in a row do not share [A]."""
    order = np.lexsort((v, levels(c)))
    i = i[order][np.isfinite(i[order])]
    if i.size < 3:
        return 1e-12 + 0.01 * np.abs(i).max(initial=0.0)
    bend = np.abs(np.diff(i, 2))
    bend = np.sort(bend)[: max(bend.size // 2, 1)]
    return max(float(np.median(bend)) / 1.2, 1e-13)


def _positive(A: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Least squares with all but the two offsets positive; variances, those of columns left out included."""
    from scipy.optimize import nnls

    signed = np.concatenate([A[:, :_OFFSETS], -A[:, :_OFFSETS], A[:, _OFFSETS:]], axis=1)
    try:
        both, _ = nnls(signed, y, maxiter=50 * signed.shape[1])
    except RuntimeError:  # it went round among columns that are nearly alike: one of these is as good
        both = np.maximum(np.linalg.lstsq(signed, y, rcond=1e-8)[0], 0.0)
    x = np.append(both[:_OFFSETS] - both[_OFFSETS : 2 * _OFFSETS], both[2 * _OFFSETS :])
    active = x != 0
    active[:_OFFSETS] = True
    normal, variance = A.T @ A, np.zeros((x.size, x.size))
    for j in range(min(6, x.size)):
        some = np.flatnonzero(active | (np.arange(x.size) == j))
        inverse = np.linalg.pinv(normal[np.ix_(some, some)] + 1e-10 * np.eye(some.size), hermitian=True)
        k = int(np.searchsorted(some, j))
        variance[j, j] = inverse[k, k]
    return x, variance
