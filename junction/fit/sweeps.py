"""Fit of a whole table of sweeps: blocks of equal length, one result.

Sweeps are sorted into lengths of a fixed ladder (padded by at most an eighth), so that a sweep is computed
the same way alone and in any company, then cut into blocks of about 40,000 points, whose arrays stay in
the cache.  A block goes from raw points to fit: order, what to leave out, fit, choice of model, heating,
intervals.
"""

from __future__ import annotations

import numpy as np

from junction.base.constants import thermal_voltage
from junction.base.records import SweepTable
from junction.fit.block import FINAL, QUICK, Block, places
from junction.fit.choose import aicc, choose
from junction.fit.derived import voltage_of
from junction.fit.intervals import LOGARITHMIC, finish, log_covariance, parameters, per_kelvin, widen
from junction.fit.lsq import NORMAL_95
from junction.fit.results import FLAGS, MODELS, PARAMETERS, SweepFits
from junction.fit.sense import Noise, branches, highest, limited, lowest, second_passes, short_at_limit
from junction.fit.start import total
from junction.fit.terms import AR, BR, CODE, I0, LINES, LOWER, RS, SETS, UPPER, WIDTH, A, B, G, model_index
from junction.physics.temperature import SILICON_EG_EV, temperature_rise
from junction.shelf.rules import rule

#: Points of a block: 14 work arrays of this many doubles fit a second-level cache twice over.
BLOCK_POINTS = 40_000
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
    table: SweepTable, noise: Noise | None = None, default_temp_C: float = 25.0,
    temp_u_K: tuple[float, float] | None = None,
) -> SweepFits:  # fmt: skip
    """Fit every sweep of a table: model, parameters, intervals, flags.

    Parameters
    ----------
    table : SweepTable
        n sweeps with m points in all; any order of points, any lengths.
    noise : Noise, optional
        Standard uncertainty of the readings.  Without it, every sweep's own scatter is taken.
    default_temp_C : float
        Temperature of sweeps that record none [degC].
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
    temp_C = np.where(temp_known, table.temp_C, default_temp_C)
    temp_u = np.where(temp_known, *(temp_u_K or (rule("fit_temp_u"), rule("fit_temp_unknown_u"))))
    vt = thermal_voltage(np.maximum(temp_C, -200.0))
    count = np.diff(table.starts)
    padded = ladder(count)
    used = np.zeros(table.v_V.size, bool)
    found: dict[str, np.ndarray] = {}

    def fit_some(which, contest):
        for length in np.unique(padded[which]):
            some, size = np.flatnonzero(which & (padded == length)), max(1, BLOCK_POINTS // length)
            for rows in (some[k : k + size] for k in range(0, some.size, size)):
                place = np.arange(length)
                real = place < count[rows, None]
                at = table.starts[rows, None] + np.minimum(place, count[rows, None] - 1)
                block, kept = _fit_block(
                    table.v_V[at], table.i_A[at], real, vt[rows], temp_C[rows], noise, contest
                )
                used[at[real]] = kept[real]
                for name, array in found.items():
                    array[rows] = getattr(block, name)

    # fits of models the data do not hold may overflow on their way; what they reach is checked
    with np.errstate(all="ignore"):
        # a sweep is one without points until it has been fitted
        nothing, cold = np.zeros((1, 4)), np.array([default_temp_C])
        blank, _ = _fit_block(nothing, nothing, nothing > 0, thermal_voltage(cold), cold, noise, contest=True)
        found |= {name: np.repeat(getattr(blank, name), len(table), axis=0) for name in _COLLECTED}
        fit_some(count > 0, contest=False)
        # the rare sweeps that rivals are to be fitted to come again together: rivals take many steps, and
        # small batches make every step dear
        fit_some(found["ask"].copy(), contest=True)
    return _assemble(table, found, used, temp_C, temp_known, temp_u, vt, stated=noise is not None)


_COLLECTED = (
    "theta", "covariance", "half", "parts", "chi2", "quantile", "heating_K", "gap", "limit_g", "limit_r",
    "top", "code", "dof", "n_used", "runner_up", "reason", "ask", *FLAGS,
)  # fmt: skip


def _fit_block(v, i, real, vt, temp_C, noise: Noise | None, contest: bool) -> tuple[Block, np.ndarray]:
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

    Returns
    -------
    Block
        With all that `_COLLECTED` names.
    used : ndarray of bool (n, m)
        Points the fits rest on, in the order logged.
    """
    most = rule("fit_over_range")
    good = real & (np.abs(v) < most) & (np.abs(i) < most)
    over_range = (real & ~good & ~np.isnan(v) & ~np.isnan(i)).any(1)
    v, i, live = np.where(good, v, 0.0), np.where(good, i, 0.0), good
    back, second = branches(v, live), second_passes(v, live)
    key, order = np.where(good, v, np.inf), None  # left-out entries last
    if (key[:, 1:] < key[:, :-1]).any():
        order = np.argsort(key, axis=1, kind="stable")
        v, i, live, back, second = (np.take_along_axis(a, order, 1) for a in (v, i, live, back, second))
    limit = limited(v, i, live)
    live = live & ~limit
    one_way = live & ~back
    block = Block(v, i, one_way.astype(float), vt[:, None], noise)
    block.temp_C, block.over_range, block.current_limited = temp_C, over_range, limit.any(1)
    block.limit_r = short_at_limit(v, i, one_way, limit)
    flat = ~(highest(v, live) - lowest(v, live) > 1e-12 * np.max(np.abs(v), axis=1))
    block.reason = np.select([~live.any(1), live.sum(1) == 1, flat], [1, 2, 3], 0)
    bounded = np.isfinite(block.limit_r)
    block.reason[bounded] = 0
    block.ask = np.zeros(len(v), bool)
    ready, enough = (block.reason == 0) & ~bounded, block.n_used >= 5
    _settle(block, ready & enough, contest)
    _fit_few(block, np.flatnonzero(ready & ~enough))
    two_way = back.any(1) & ready & enough
    block.ask |= two_way
    if contest:
        _compare_ways(block, np.flatnonzero(two_way), live, back)
    finish(block, final=contest | ~block.ask)
    twice = second.any(1) & ~back.any(1) & (block.reason == 0) & np.isfinite(block.theta[:, A])
    block.ask |= twice
    _passes_apart(block, np.flatnonzero(twice), second)
    used = block.live
    if order is not None:
        np.put_along_axis(used, order, used.copy(), 1)
    return block, used


def _settle(block: Block, which, contest: bool) -> None:
    """Fit and choose for the sweeps marked, hold what came out impossible, and name the runner-up."""
    if not which.any():
        return
    rows = places(which)
    part = block.take(rows)
    part.fit_plain(**(FINAL if contest else QUICK))
    part.ask = choose(part, contest=contest)
    # a resistance that came out clearly negative is held at zero, and the rest fitted again
    u = np.sqrt(np.einsum("nii->ni", part.covariance))
    u *= np.sqrt(np.maximum(part.chi2 / np.maximum(part.dof, 1), 1.0))[:, None]
    negative = (part.theta < -rule("fit_unphysical") * u) & (u > 0)
    negative[:, [c for c in range(WIDTH) if c not in (RS, G)]] = False
    negative[(part.code == CODE["resistor + offset"]) | part.rank_deficient] = False
    part.unphysical = negative.any(1)
    for name, at in part.by_set(np.flatnonzero(part.unphysical)):
        if name not in ("open", "resistor"):
            start = np.where(negative[at], 0.0, part.theta[at])
            part.store(name, part.fit(name, start, at, free=~negative[at]), at)
            part.rank_deficient[at] = False
    _name_runner_up(part)
    block.put(rows, part)


def _name_runner_up(part: Block) -> None:
    """Best rival of the chosen model and how much worse its AICc is: fitted, or promised by a score test.

    -1 is none, -2 the same with or without the shunt, by the shunt estimate itself.
    """
    used, row = part.n_used, np.arange(part.chi2.size)
    scores, base = part.criterion.copy(), part.code == CODE["base"]
    plain = base | (part.code == CODE["bare"])
    for name, promise in zip(("offset", "recombination"), part.promised.T, strict=True):
        promised, k = aicc(part.chi2 - promise, len(SETS[name]), used), CODE[name]
        scores[:, k] = np.where(plain & ~np.isfinite(scores[:, k]), promised, scores[:, k])
    own = part.criterion[row, part.code]  # by the weights its rivals were judged by
    u = np.sqrt(part.covariance[:, G, G])
    z2 = np.where(u > 0, (part.theta[:, G] / u) ** 2, np.inf)
    without = np.where(base, aicc(part.chi2 + z2, len(SETS["base"]) - 1, used), np.inf)
    scores[row, part.code] = np.inf
    rival = np.argmin(scores, axis=1)
    best = scores[row, rival]
    shunt_is_rival = np.abs(without) < best
    part.runner_up = np.where(shunt_is_rival, -2, np.where(np.isfinite(best), rival, -1))
    part.gap = np.where(shunt_is_rival, np.abs(without - own), best - np.minimum(own, without))


def _fit_few(block: Block, rows) -> None:
    """Two to four points: a straight line through zero or nothing, else no model."""
    if not rows.size:
        return
    part = block.take(rows)
    start, w = np.zeros(part.theta.shape), part.keep / part.ui2
    start[:, G] = total(w * part.v, part.i) / np.maximum(total(w * part.v, part.v), 1e-300)
    line, none = part.fit("resistor", start), part.fit("open", start)
    part.store("open", none)
    better = line.chi2 + 4 < none.chi2
    part.store("resistor", line.take(better), better)
    part.reason[part.chi2 > 9.0 * np.maximum(part.n_used - 1, 1) + 9] = 4
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
    if not rows.size:
        return
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


def _passes_apart(block: Block, rows, second) -> None:
    """Widen the intervals where one pass of a sweep lies beside another, and say that the fit is poor.

    Noise found from both together would hide it, and does not average it out: half of the distance is a
    standard uncertainty of the voltage of all points (our convention).
    """
    if not rows.size:
        return
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


def _assemble(
    table: SweepTable, f: dict[str, np.ndarray], used, temp_C, temp_known, temp_u, vt, *, stated: bool
) -> SweepFits:
    """Parameters, intervals, models and flags of all sweeps."""
    theta, covariance, code, q = f["theta"], f["covariance"], f["code"], f["quantile"]
    none = f["reason"] > 0
    theta[none], covariance[none] = np.nan, 0.0
    u = np.sqrt(np.maximum(np.einsum("nii->ni", covariance), 0.0))
    is_open = (code == CODE["open"]) & ~none
    resistor = (code == CODE["resistor"]) | (code == CODE["resistor + offset"])
    constant = np.isin(code, [k for k, name in enumerate(CODE) if "offset" in name]) & ~none
    bounded = np.isfinite(f["limit_r"]) & ~none
    i0, u0 = theta[:, I0], u[:, I0]
    with np.errstate(invalid="ignore", divide="ignore"):
        light = constant & (i0 < -rule("fit_light") * u0) & (-i0 > rule("fit_light_share") * f["top"])
        light &= code != CODE["resistor + offset"]
        shunt = theta[:, G] > f["half"][:, 0, G]
        warm = temp_u[:, None] * per_kelvin(theta, temp_C) * NORMAL_95
        shown = parameters(
            theta, covariance, np.hypot(f["half"], warm[:, None]), q, vt,
            resistor=resistor, light=light, loose=f["rank_deficient"],
        )  # fmt: skip
        value, low, high, spread = ({name: shown[name][k] for name in PARAMETERS} for k in range(4))
        low["R_ohm"] = np.select([bounded, is_open], [-np.inf, 1 / f["limit_g"]], low["R_ohm"])
        high["R_ohm"] = np.select([bounded, is_open], [f["limit_r"], np.inf], high["R_ohm"])
        offset = (constant & ~light | is_open) & (np.abs(i0) > rule("fit_offset") * u0)
        too_low = theta[:, B] - q * u[:, B] > 1 / rule("fit_least_n")
        too_low |= (theta[:, B] >= UPPER[B]) | (theta[:, A] <= LOWER[A])
    flags = {name: f[name] for name in FLAGS}
    flags["zero_offset"], flags["unphysical"] = offset, flags["unphysical"] | (too_low & ~none)
    flags["reversed"] = np.array(table.reversed_sign)
    known = np.all(np.isfinite(u), axis=1) & ~flags["rank_deficient"] & ~none
    flags["uncertainty_known"] = known & (stated | (f["dof"] > 0))
    # the rival set by its model: one that differs by the shunt alone is the other of the two, and a constant
    # current as the rival of a junction is named by what it would be in physics
    model = np.where(none, 0, model_index(code, shunt, light))
    rival = f["runner_up"]
    bare, shunted, lit = (MODELS.index(f"junction{more}") for more in ("", " + shunt", " + photocurrent"))
    other = np.select([model == bare, model == shunted], [shunted, bare], -1)
    named = model_index(np.maximum(rival, 0), False, False)
    runner = np.select([none, rival == CODE["offset"], rival >= 0, rival == -2], [-1, lit, named, other], -1)
    parts = np.where(f["parts"] > 0, f["parts"], np.nan)
    return SweepFits(
        model=model, runner_up=runner, evidence_gap=np.where(runner < 0, np.nan, f["gap"]),
        value=value, low=low, high=high, u=spread, coordinates=LOGARITHMIC,
        covariance=log_covariance(theta, covariance, value, vt), chi2=np.where(none, np.nan, f["chi2"]),
        dof=np.maximum(f["dof"], 0).astype(np.int64), n_points=np.diff(table.starts),
        n_used=f["n_used"].astype(np.int64), used=used, temp_C=temp_C, temp_known=temp_known, temp_u_K=temp_u,
        heating_K=f["heating_K"], flags=flags, why_not=tuple(REASONS[k] for k in f["reason"]), theta=theta,
        theta_covariance=covariance, quantile=np.where(none, np.nan, q), noise_V2=parts[:, 1],
        noise_A2=parts[:, 0], noise_ratio2=parts[:, 2],
    )  # fmt: skip
