"""Fit of a whole table of sweeps: blocks of equal length, one result.

Sweeps are sorted into lengths of a fixed ladder (padded by at most an eighth), so that a sweep is computed
the same way alone and in any company, then cut into blocks of about 40,000 points, whose arrays stay in
the cache.  A block goes from raw points to fit: order, what to leave out, fit, choice of model, heating,
intervals.

The curvature at the minimum gives an interval, scaled for the noise as found; where that says too little, the
profile does (`junction.sweeps.profile`).

Errors of the instruments' scale and of the junction's temperature do not average out with more points, so
they are not part of the weights.  To first order each moves the coordinates along one direction.
"""

from __future__ import annotations

import numpy as np

from junction.base.progress import tell
from junction.base.records import SweepTable
from junction.base.units import NORMAL_95, REFERENCE_TEMP_C, thermal_voltage
from junction.physics.temperature import SILICON_EG_EV, temperature_rise
from junction.shelf.tables import rule
from junction.sweeps import sense, terms
from junction.sweeps.block import ALL, BRANCH, BROKEN, FINAL, PATIENT, QUICK, Block, add_beyond, places
from junction.sweeps.choose import choose, fit_few, is_poor, name_runner_up
from junction.sweeps.derived import voltage_of
from junction.sweeps.long import points_of, shorten, spread
from junction.sweeps.lsq import student_t
from junction.sweeps.profile import profile
from junction.sweeps.results import FLAGS, LEFT_OUT, MODELS, PARAMETERS, SweepFits
from junction.sweeps.sense import Noise, highest, lowest
from junction.sweeps.terms import AB, AR, BB, BR, CODE, I0, LINES, LOWER, RS, RZ, SETS, UPPER, WIDTH, A, B, G

#: Points of a block: 14 work arrays of this many doubles fit a second-level cache twice over.
BLOCK_POINTS = 40_000
#: The same where rivals are fitted, which look at a quarter of the points.
CONTEST_POINTS = 160_000
#: What an error of scale of the voltmeter, and of the ammeter, moves each coordinate by, in parts of itself.
_OF_VOLT, _OF_AMPERE = np.zeros(WIDTH), np.zeros(WIDTH)
_OF_VOLT[[B, BR, BB, G, RS, RZ]] = -1.0, -1.0, -1.0, -1.0, 1.0, 1.0
_OF_AMPERE[[G, I0, RS, RZ]] = 1.0, 1.0, -1.0, -1.0
#: Logarithms of currents, which a scale of the ammeter moves as they stand.
_LEVELS = np.isin(range(WIDTH), [A, AR, AB])
#: Reasons for no fit, by number; 0 is none.
REASONS = (
    "", "no usable point (all missing or over-range)", "one usable point: a curve needs at least two",
    "all points at one voltage: they show no curve",
    "too few usable points for a junction (5 are needed), and they lie on no straight line",
    "the fit did not come to rest: the points follow none of the models",
)  # fmt: skip


def ladder(length: np.ndarray) -> np.ndarray:
    """Padded length: multiples of 4 up to 32, then eight steps to the octave."""
    length = np.asarray(length, np.int64)
    octave = np.maximum(np.ceil(np.log2(np.maximum(length, 1) / 32.0)), 0).astype(np.int64)
    step = 4 * 2 ** np.maximum(octave - 1, 0)
    return -(-length // step) * step


def fit_sweeps(
    table: SweepTable, noise: Noise | None = None, temp_u_K: tuple[float, float] | None = None
) -> SweepFits:
    """Fit every sweep of a table: model, parameters, intervals, flags.

    Parameters
    ----------
    table : SweepTable
        n sweeps with m points in all; any order of points, any lengths.
    noise : Noise, optional
        Standard uncertainty of the readings.  Without it, every sweep's own scatter is taken.
    temp_u_K : (float, float), optional
        Standard uncertainty of a junction's temperature where it was recorded and where it was not [K]; by
        default that of reference/rules.csv.  It enters the intervals of IS, N, ISR, NR and NBV and what is
        referred to 25 degC.

    Returns
    -------
    SweepFits
        A sweep that cannot be fitted has model `none` and a reason in `why_not`; nothing is raised for
        the data's sake.
    """
    temp_known = np.isfinite(table.temp_C) & (np.abs(table.temp_C) < 400)
    temp_C = np.where(temp_known, table.temp_C, REFERENCE_TEMP_C)
    temp_u = np.where(temp_known, *(temp_u_K or (rule("temp_u"), rule("temp_u_missing"))))
    vt = thermal_voltage(np.maximum(temp_C, -200.0))
    v, i, starts, count, cells = shorten(table)
    padded = ladder(count)
    used, settled = np.zeros(v.size, bool), count == 0
    found: dict[str, np.ndarray] = {}

    def fit_some(which, contest):
        most = CONTEST_POINTS if contest else BLOCK_POINTS
        for length in np.unique(padded[which]):
            some, size = np.flatnonzero(which & (padded == length)), max(1, most // length)
            for rows in (some[k : k + size] for k in range(0, some.size, size)):
                place = np.arange(length)
                real = place < count[rows, None]
                at = starts[rows, None] + np.minimum(place, count[rows, None] - 1)
                points = points_of(at, rows, starts, cells)
                block, kept = _fit_block(
                    v[at], i[at], real, vt[rows], temp_C[rows], noise, contest, points
                )
                used[at[real]] = kept[real]
                for name, array in found.items():
                    array[rows] = getattr(block, name)
                settled[rows] = contest | ~block.ask
                tell("fitting", int(settled.sum()), settled.size, "sweeps")

    # fits of models the data do not hold may overflow on their way; what they reach is checked
    with np.errstate(all="ignore"):
        # a sweep is one without points until it has been fitted
        nothing, cold = np.zeros((1, 4)), np.array([REFERENCE_TEMP_C])
        blank, _ = _fit_block(nothing, nothing, nothing > 0, thermal_voltage(cold), cold, noise, contest=True)
        found |= {name: np.repeat(getattr(blank, name), len(table), axis=0) for name in _COLLECTED}
        fit_some(count > 0, contest=False)
        # the rare sweeps that rivals are to be fitted to come again together: rivals take many steps, and
        # small batches make every step dear
        fit_some(found["ask"].copy(), contest=True)
    used = spread(table, used, starts, cells, found)
    return _assemble(table, found, used, temp_C, temp_known, temp_u, vt, stated=noise is not None)


_COLLECTED = (
    "theta", "covariance", "half", "parts", "chi2", "quantile", "heating_K", "gap", "limit_g", "limit_r",
    "top", "code", "dof", "n_used", "runner_up", "reason", "ask", "left_out", *FLAGS,
)  # fmt: skip


def _fit_block(
    v, i, real, vt, temp_C, noise: Noise | None, contest: bool, points=None
) -> tuple[Block, np.ndarray]:
    """Fit a block of sweeps of one padded length.

    Parameters
    ----------
    v, i : ndarray (n, m)
        Points in the order logged [V], [A]; padding repeats the last point.
    real : ndarray of bool (n, m)
        False for padding.
    vt, temp_C : ndarray (n,)
        Thermal voltage [V] and temperature [degC].
    noise : Noise or None
    contest : bool
        Fit rival models where they are asked for.  False only marks those sweeps in ``ask``.
    points : ndarray (n, m), optional
        How many measured points each stands for, where that is not one.

    Returns
    -------
    Block
        With all that `_COLLECTED` names.
    used : ndarray of bool (n, m)
        Points the fits rest on, in the order logged.
    """
    most = rule("fit_over_range")
    good = real & (np.abs(v) < most) & (np.abs(i) < most)
    raw_v, raw_i = v, i
    over_range = real & ~good & ~np.isnan(v) & ~np.isnan(i)
    v, i, live = np.where(good, v, 0.0), np.where(good, i, 0.0), good
    back, second = sense.branches(v, live), sense.second_passes(v, live)
    key, order = np.where(good, v, np.inf), None  # left-out entries last
    if (key[:, 1:] < key[:, :-1]).any():
        order = np.argsort(key, axis=1, kind="stable")
        v, i, live, back, second = (np.take_along_axis(a, order, 1) for a in (v, i, live, back, second))
        points = None if points is None else np.take_along_axis(points, order, 1)
    limit = sense.limited(v, i, live)
    live, back = live & ~limit, back & ~limit  # a voltage that falls at the limit is no way back
    one_way = live & ~back
    block = Block(v, i, one_way.astype(float), vt[:, None], noise, points)
    block.temp_C, block.over_range, block.current_limited = temp_C, over_range.any(1), limit.any(1)
    block.limit_r = sense.short_at_limit(v, i, one_way, limit)
    deep = limit & (v < 0)
    if deep.any():
        at = np.arange(len(v)), np.argmax(np.where(deep, v, -np.inf), axis=1)
        block.bracket[deep.any(1)] = np.stack([v[at], i[at]], axis=1)[deep.any(1)]
    flat = ~(highest(v, live) - lowest(v, live) > 1e-12 * np.max(np.abs(v), axis=1))
    block.reason = np.select([~live.any(1), live.sum(1) == 1, flat], [1, 2, 3], 0)
    bounded = np.isfinite(block.limit_r)
    block.reason[bounded] = 0
    block.ask = np.zeros(len(v), bool)
    ready, enough = (block.reason == 0) & ~bounded, block.n_used >= 5
    _settle(block, ready & enough, contest)
    if (ready & ~enough).any():
        fit_few(block, np.flatnonzero(ready & ~enough))
    two_way = back.any(1) & ready & enough
    block.ask |= two_way
    two_way &= contest
    if two_way.any():
        _compare_ways(block, np.flatnonzero(two_way), live, back)
    finish(block, final=contest | ~block.ask)
    # what the part may have warmed by if the sweep was slow; two ways that agree show that it did not
    power = np.max(block.v * block.i * block.keep, axis=1)
    warm = power * rule("fit_warm_rth") > rule("fit_warm")
    bends = np.isfinite(block.theta[:, A]) | np.isfinite(block.theta[:, AB])
    block.may_warm = warm & bends & ~block.self_heated & ~two_way
    if order is not None and limit.any():
        _held_current(block, limit & ~back.any(1)[:, None], order)
    twice = second.any(1) & ~back.any(1) & (block.reason == 0) & np.isfinite(block.theta[:, A])
    block.ask |= twice
    if twice.any():
        _passes_apart(block, np.flatnonzero(twice), second)
    used = block.live
    apart = live & ~used
    returned, beyond = apart & back, apart & block.beyond
    counts = [real & (np.isnan(raw_v) | np.isnan(raw_i)), over_range, limit, returned, beyond & ~returned,
              apart & ~returned & ~beyond]
    block.left_out = np.stack([(marked * block.points).sum(1) for marked in counts], axis=1).astype(int)
    if order is not None:
        np.put_along_axis(used, order, used.copy(), 1)
    return block, used


def _settle(block: Block, which, contest: bool) -> None:
    """Fit and choose for the sweeps marked, hold what came out impossible, and name the runner-up."""
    rows = places(which)
    part = block.take(rows)
    part.fit_plain(**(FINAL if contest else QUICK))
    part.ask = choose(part, contest=contest)
    # a resistance that came out clearly negative is held at zero, and the rest fitted again
    u = np.sqrt(np.einsum("nii->ni", part.covariance))
    u *= np.sqrt(np.maximum(part.chi2 / np.maximum(part.dof, 1), 1.0))[:, None]
    negative = (part.theta < -rule("fit_unphysical") * u) & (u > 0)
    negative[:, [c for c in range(WIDTH) if c not in (RS, G, RZ)]] = False
    negative[(part.code == CODE["resistor + offset"]) | part.rank_deficient] = False
    part.unphysical = negative[:, [RS, G]].any(1)  # heat alone makes a little of RZ negative
    for name, at in part.by_set(np.flatnonzero(negative.any(1))):
        if name not in ("open", "resistor"):
            start = np.where(negative[at], 0.0, part.theta[at])
            part.store(name, part.fit(name, start, at, free=~negative[at]), at)
            part.rank_deficient[at] = False
    if contest:
        held = negative | ~np.isfinite(part.theta)
        for name, at in part.by_set(np.flatnonzero(~part.converged)):
            part.store(name, part.fit(name, part.theta[at], at, free=~held[at], **PATIENT), at)
    add_beyond(part)
    name_runner_up(part)
    block.put(rows, part)


def _beside(part: Block, points):
    """How far points lie beside the fitted curve [V] at their currents, and the curve there.

    Returns
    -------
    points : ndarray of bool (n, m)
        Those whose current the curve carries.
    dv, predicted, slope : ndarray (n, m)
        Distance and voltage [V], dv/di [ohm].
    """
    predicted, _, slope = voltage_of(part.theta, part.temp_C, np.where(points, part.i, 1e-6))
    points = points & np.isfinite(predicted)
    return points, np.where(points, part.v - predicted, 0.0), predicted, slope


def _mean(x, points):
    return np.where(points, x, 0.0).sum(1) / np.maximum(points.sum(1), 1)


def _compare_ways(block: Block, rows, live, back) -> None:
    """Compare the way back with the way up at the same currents; fold it in where they agree."""
    part = block.take(rows)
    i, on_way_back = part.i, back[rows] & live[rows]
    top = highest(i, on_way_back, 0.0)
    bent = (part.code >= len(LINES)) & (top > 0)
    high, dv, predicted, slope = _beside(part, on_way_back & (i > 0.2 * top[:, None]) & bent[:, None])
    mean = _mean(dv, high)
    u = np.sqrt(_mean(part.uv2 + part.ui2 * np.nan_to_num(slope) ** 2, high) / np.maximum(high.sum(1), 1))
    v_top = highest(predicted, high)  # somewhat higher than at 1 mA
    gap = np.where(v_top < rule("gap_low_below") + 0.05, rule("gap_low"), SILICON_EG_EV)
    gap = np.where(v_top > rule("gap_led_above") + 0.2, v_top + 0.2, gap)[:, None]
    fallen = (high.sum(1) >= 3) & (mean < -5 * u) & (mean < -3e-4)
    inside = np.where(high, predicted - np.nan_to_num(part.theta[:, RS, None]) * i, 0.0)
    rise = temperature_rise(dv, np.minimum(inside, gap - 0.05), part.temp_C[:, None], gap)
    block.heating_K[rows[fallen]], block.self_heated[rows[fallen]] = _mean(rise, high)[fallen], True
    agree = rows[~fallen]
    again = block.take(agree)
    again.keep = live[agree].astype(float)
    again.begin()
    _settle(again, np.ones(agree.size, bool), contest=True)
    again.ask[:] = True
    block.put(agree, again)


def _held_current(block: Block, limit, order) -> None:
    """Warming that the voltage shows at the source's limit: read back, it falls from reading to reading.

    Parameters
    ----------
    block : Block
    limit : ndarray of bool (n, m)
        Points at the limit, sorted by voltage.
    order : ndarray of int (n, m)
        Where each stood in the log.
    """
    v, top = block.v, limit & (block.v > 0)
    rising = block.live & (v > 0)
    rows = np.flatnonzero((top.sum(1) >= 3) & (rising.sum(1) >= 3) & np.isfinite(block.theta[:, A]))
    if not rows.size:
        return
    v, top, rising, order = v[rows], top[rows], rising[rows], order[rows].astype(float)

    def agree(marked):  # +1 where voltage and place in the log rise together
        dv, dk = (np.where(marked, x - _mean(x, marked)[:, None], 0.0) for x in (v, order))
        return (dv * dk).sum(1) / np.sqrt(np.maximum((dv**2).sum(1) * (dk**2).sum(1), 1e-300))

    first = np.argmin(np.where(top, order, np.inf), axis=1)
    last = np.argmax(np.where(top, order, -np.inf), axis=1)
    at = np.arange(rows.size)
    begun, dv = v[at, first], v[at, last] - v[at, first]
    fell = (agree(top) < -0.9) & (agree(rising) > 0.9) & (dv < -2e-3)
    gap = np.where(begun > rule("gap_led_above") + 0.2, begun + 0.2, SILICON_EG_EV)
    inside = np.minimum(begun, gap - 0.05)[:, None]
    rise = temperature_rise(dv[:, None], inside, block.temp_C[rows, None], gap[:, None])[:, 0]
    block.heating_K[rows[fell]], block.self_heated[rows[fell]] = rise[fell], True
    block.may_warm[rows[fell]] = False


def _passes_apart(block: Block, rows, second) -> None:
    """Widen the intervals where one pass of a sweep lies beside another, and say that the fit is poor.

    Noise found from both together would hide it, and does not average it out: half of the distance is a
    standard uncertainty of the voltage of all points (our convention).
    """
    part, second = block.take(rows), second[rows]
    floor2 = part.parts[:, 0, None]
    if block.noise is not None:
        floor2 = floor2 + block.noise.variances(0.0, 0.0)[1]
    high, dv, _, _ = _beside(part, part.live & (part.i > 0) & (part.i**2 > 100 * floor2))
    ways = high & ~second, high & second
    count = [way.sum(1) for way in ways]
    mean = [_mean(dv, way) for way in ways]
    u2 = sum(_mean((dv - m[:, None]) ** 2, way) / np.maximum(k - 1, 1)
             for way, m, k in zip(ways, mean, count, strict=True))  # fmt: skip
    apart = np.abs(mean[1] - mean[0])
    clear = (np.minimum(*count) >= 3) & (apart > 1e-3) & (apart > 5 * np.sqrt(u2))
    at, shift = rows[clear], 0.5 * apart[clear] / part.vt[clear, 0]
    direction = np.zeros((at.size, WIDTH))
    for a, b in ((A, B), (AR, BR)):
        direction[:, a] = np.nan_to_num(block.theta[at, b]) * shift
    widen(block, at, direction)
    block.poor_fit[at] = True


def finish(block: Block, final) -> None:
    """Scale for the noise as found, intervals, range steps, limits of an open path; left in the block.

    ``final`` marks sweeps that are not to be fitted again: only their profiles are worth the time.
    ``covariance`` is scaled from here on; ``half`` (n, 2, 10) is the interval's width below and above.
    """
    n = block.chi2.size
    bounded = np.isfinite(block.limit_r)
    block.code[bounded], block.chi2[bounded], block.theta[bounded] = CODE["resistor"], 0.0, np.nan
    block.reason[(block.reason == 0) & ~np.isfinite(block.chi2)] = 5
    fitted = (block.reason == 0) & ~bounded
    block.poor_fit = fitted & (block.dof > 0) & is_poor(block, block.chi2, block.dof)
    if block.noise is None:
        scale, effective = _found_noise(block, fitted)
        block.quantile = student_t(effective)
    else:
        ratio = block.chi2 / np.maximum(block.dof, 1)
        scale = np.repeat(np.where(block.poor_fit, ratio, 1.0)[:, None], 2, axis=1)
        block.quantile = np.full(n, student_t(1e9))
    for name, at in block.by_set(np.flatnonzero(block.poor_fit)):
        if name != "open":
            block.range_step[at] = sense.step_in(block.residuals(name, at), block.live[at])
    hidden = sense.hidden_by_rounding(block.v, block.i, block.live)
    block.limit_g = np.full(n, np.nan)  # highest conductance that an open path could hide [S]
    at = np.flatnonzero(fitted & (block.code == CODE["open"]))
    if at.size:
        line = block.fit("resistor + offset", np.zeros((at.size, WIDTH)), at)
        u = np.sqrt(line.covariance[:, G, G])
        most = np.maximum(line.theta[:, G], 0.0) + 2.0 * u * np.sqrt(np.maximum(scale[at, 1], 1e-12))
        block.limit_g[at] = np.maximum(most, hidden[at])
    # intervals: `scale` holds the uncertainty on the curve and that of the floor
    root = np.sqrt(scale)[:, [int(c in (G, I0)) for c in range(WIDTH)]]
    covariance = block.covariance * root[:, :, None] * root[:, None, :]
    q = block.quantile[:, None]
    u = np.sqrt(np.maximum(np.einsum("nii->ni", covariance), 0.0))
    half = block.half = np.repeat((q * u)[:, None], 2, axis=1)
    profile(block, fitted & final, q * root)
    block.covariance = covariance
    broken = np.flatnonzero(block.laid & BROKEN[block.code] & fitted)
    if broken.size:
        of = np.ix_(broken, BRANCH, BRANCH)
        covariance[of] += block.branch_covariance[broken]
        far = q[broken] * np.sqrt(np.einsum("nii->ni", covariance[of]))
        half[broken[:, None], :, BRANCH] = far[:, :, None]
    if block.noise is not None:
        volt, ampere = block.noise.v_scale_percent, block.noise.i_scale_percent
        for percent, parts, whole in ((volt, _OF_VOLT, 0.0), (ampere, _OF_AMPERE, _LEVELS)):
            if percent:
                widen(block, ALL, 0.01 * percent * np.nan_to_num(block.theta * parts + whole))
    g, junction = block.theta[:, G], np.isfinite(block.theta[:, A])
    shut = np.where(junction, hidden, 0.0) - np.maximum(g, 0.0)
    half[:, 1, G] = np.maximum(half[:, 1, G], shut)
    # a shunt that one or two points of a short sweep alone show may be noise: under eight points the current
    # floor cannot be found, and a path is believed where it carries a third of the current in three of them
    few = fitted & (block.n_used < 8) & (block.noise is None) & junction
    carries = (np.abs(g[:, None] * block.v) > 0.3 * np.abs(block.i)) & block.live
    faint = few & (carries.sum(1) < 3)
    half[faint, 0, G] = np.maximum(half[faint, 0, G], np.abs(g[faint]))
    block.converged = (block.converged & fitted) | bounded
    block.at_bound &= fitted
    block.rank_deficient &= fitted


def _found_noise(block: Block, fitted):
    """Scale of the covariance for the curve and for the floor, each from its own residuals.

    A linear sweep may have sixty points in the noise floor and twenty on the curve: what is known of the
    scatter on the curve rests on the twenty.
    """
    n, dof = block.chi2.size, np.maximum(block.dof, 1)
    scale, effective = np.ones((n, 2)), dof.astype(float)
    for name, at in block.by_set(np.flatnonzero(fitted)):
        columns = SETS[name]
        r2 = block.residuals(name, at) ** 2
        v, live = block.v[at], block.live[at]
        whole = np.maximum(r2.sum(1), 1e-12) / dof[at]
        scale[at] = whole[:, None]
        if name == "open":
            continue
        on_curve = live & (block.ui2[at] > 2 * block.parts[at, 0, None]) & (v > 0)
        if AB in columns:
            on_curve |= live & (v < 0.7 * lowest(v, live, 0.0)[:, None])
        elif A not in columns:
            on_curve = live
        count, rest = on_curve.sum(1), live & ~on_curve
        shares = len(set(columns) - {G, I0})
        curve = np.where(on_curve, r2, 0.0).sum(1) / np.maximum(count - shares, 1)
        floor = np.where(rest, r2, 0.0).sum(1) / np.maximum(rest.sum(1) - (len(columns) - shares), 1)
        able = count >= shares + 1
        scale[at, 0] = np.where(able, np.maximum(curve, 0.5 * whole), whole)
        scale[at, 1] = np.where(able & (rest.sum(1) >= 6), np.maximum(floor, 0.5 * whole), whole)
        effective[at] = np.where(able, np.minimum(count - shares, effective[at]), effective[at])
    # scatter of a handful of points says too little to believe it when it is small
    return np.where(effective[:, None] < 4, np.maximum(scale, 1.0), scale), effective


def widen(block: Block, rows, direction) -> None:
    """Add an error that all points share: one standard uncertainty of it moves the coordinates so far."""
    block.covariance[rows] += direction[:, :, None] * direction[:, None, :]
    far = block.quantile[rows, None] * direction
    block.half[rows] = np.hypot(block.half[rows], far[:, None])


def _assemble(
    table: SweepTable, f: dict[str, np.ndarray], used, temp_C, temp_known, temp_u, vt, *, stated: bool
) -> SweepFits:
    """Parameters, intervals, models and flags of all sweeps."""
    theta, covariance, code, q = f["theta"], f["covariance"], f["code"], f["quantile"]
    none = f["reason"] > 0
    theta[none], covariance[none] = np.nan, 0.0
    u = np.sqrt(np.maximum(np.einsum("nii->ni", covariance), 0.0))
    with np.errstate(invalid="ignore"):
        # the largest N that a 95 % interval leaves, the temperature's error in it
        warm = temp_u * terms.per_kelvin(theta, temp_C)[:, B] * NORMAL_95
        n_high = 1 / (theta[:, B] - np.hypot(f["half"][:, 0, B], warm))
        impossible = ~none & (n_high > 0) & (n_high < rule("bjt_NF_least"))
        too_low = theta[:, B] - q * u[:, B] > 1 / rule("fit_least_n")
        too_low |= (theta[:, B] >= UPPER[B]) | (theta[:, A] <= LOWER[A])
        impossible &= ~too_low & ~f["unphysical"]
    at = np.flatnonzero(impossible)
    if at.size:  # an error of scale anywhere between none and what N lacks (a rectangular distribution)
        lacks = (theta[at, B] - 1) / theta[at, B] / 3**0.5
        moved = np.nan_to_num(theta[at] * _OF_VOLT * lacks[:, None])
        covariance[at] += moved[:, :, None] * moved[:, None, :]
        f["half"][at] = np.hypot(f["half"][at], (q[at, None] * moved)[:, None])
        u[at] = np.sqrt(np.einsum("nii->ni", covariance[at]))
    is_open = (code == CODE["open"]) & ~none
    resistor = (code == CODE["resistor"]) | (code == CODE["resistor + offset"])
    constant = np.isin(code, [k for k, name in enumerate(CODE) if "offset" in name]) & ~none
    bounded = np.isfinite(f["limit_r"]) & ~none
    i0, u0 = theta[:, I0], u[:, I0]
    with np.errstate(invalid="ignore", divide="ignore"):
        light = constant & (i0 < -rule("fit_light") * u0) & (-i0 > rule("fit_light_share") * f["top"])
        light &= code != CODE["resistor + offset"]
        shunt = theta[:, G] > f["half"][:, 0, G]
        warm = temp_u[:, None] * terms.per_kelvin(theta, temp_C) * NORMAL_95
        shown = terms.parameters(
            theta, covariance, np.hypot(f["half"], warm[:, None]), q, vt,
            resistor=resistor, light=light, loose=f["rank_deficient"],
        )  # fmt: skip
        value, low, high, spread = ({name: shown[name][k] for name in PARAMETERS} for k in range(4))
        low["R_ohm"] = np.select([bounded, is_open], [-np.inf, 1 / f["limit_g"]], low["R_ohm"])
        high["R_ohm"] = np.select([bounded, is_open], [f["limit_r"], np.inf], high["R_ohm"])
        offset = (constant & ~light | is_open) & (np.abs(i0) > rule("fit_offset") * u0)
    flags = {name: f[name] for name in FLAGS}
    flags["zero_offset"], flags["unphysical"] = offset, flags["unphysical"] | (too_low & ~none)
    flags["reversed"] = np.array(table.reversed_sign)
    flags["n_impossible"] = impossible
    known = np.all(np.isfinite(u), axis=1) & ~flags["rank_deficient"] & ~none
    flags["uncertainty_known"] = known & (stated | (f["dof"] > 0))
    # the rival set by its model: one that differs by the shunt alone is the other of the two, and a constant
    # current as the rival of a junction is named by what it would be in physics
    model = np.where(none, 0, terms.model_index(code, shunt, light))
    rival = f["runner_up"]
    bare, shunted, lit = (MODELS.index(f"junction{more}") for more in ("", " + shunt", " + photocurrent"))
    other = np.select([model == bare, model == shunted], [shunted, bare], -1)
    named = terms.model_index(np.maximum(rival, 0), False, False)
    runner = np.select([none, rival == CODE["offset"], rival >= 0, rival == -2], [-1, lit, named, other], -1)
    return SweepFits(
        model=model, runner_up=runner, evidence_gap=np.where(runner < 0, np.nan, f["gap"]),
        value=value, low=low, high=high, u=spread,
        chi2=np.where(none, np.nan, np.maximum(f["chi2"], 0.0)),  # of points on the line it is a rounding
        dof=np.maximum(f["dof"], 0).astype(np.int64), n_points=np.diff(table.starts),
        n_used=f["n_used"].astype(np.int64), used=used, temp_C=temp_C, temp_known=temp_known, temp_u_K=temp_u,
        heating_K=f["heating_K"], flags=flags, why_not=tuple(REASONS[k] for k in f["reason"]), theta=theta,
        theta_covariance=covariance, quantile=np.where(none, np.nan, q),
        noise=np.where(f["parts"] > 0, f["parts"], np.nan),
        left_out=dict(zip(LEFT_OUT, f["left_out"].T, strict=True)),
    )  # fmt: skip
