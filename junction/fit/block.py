"""One block of sweeps from raw points to fit: order, what to leave out, fit, choice, heating."""

from __future__ import annotations

import numpy as np

from junction.fit import sense
from junction.fit.choose import choose
from junction.fit.engine import (
    FINAL,
    QUICK,
    Block,
    fit_plain,
    fit_set,
    give,
    new_block,
    stated_current_variance,
    store,
    take,
)
from junction.fit.finish import finish
from junction.fit.inverse import voltage_of
from junction.fit.models import CODE, NAMES, NUMBER, aicc, columns_of
from junction.fit.noise import Noise
from junction.fit.terms import AR, BR, RS, A, B, G
from junction.physics.temperature import temperature_rise

#: A quantity this many standard uncertainties below zero that cannot be negative is a misfit, not chance.
UNPHYSICAL = 3.5


def fit_block(v, i, real, vt, temp_C, noise: Noise | None, *, contest: bool = True) -> dict:
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
        Fit rival models where they are asked for.  False only marks those sweeps in ``ask``, so that the
        rare ones of many blocks can be fitted together: rivals take many steps, and small batches make
        every step dear.

    Returns
    -------
    dict
        Arrays over the block's sweeps, named as `assemble.Collected` wants them, and ``ask``.
    """
    n = v.shape[0]
    v, i, keep, back, second, order, huge = _clean(v, i, real)
    limit = sense.limited(v, i, keep)
    keep[limit] = 0.0
    two_way = back.any(1)
    whole = keep.copy()
    keep[back] = 0.0
    enough = keep.sum(1) >= 5
    block = new_block(v, i, keep, vt[:, None], noise)
    flags = {"current_limited": limit.any(1), "over_range": huge.any(1)}
    out = {"heating_K": np.full(n, np.nan), "runner_up": np.full(n, -1), "gap": np.full(n, np.nan)}
    out["ask"] = np.zeros(n, bool)
    out["reason"] = _reasons(v, whole)
    out["limit_r"] = sense.short_at_limit(v, i, keep, limit)
    bounded = np.isfinite(out["limit_r"])
    out["reason"][bounded] = 0
    rows = np.flatnonzero(enough & (out["reason"] == 0) & ~bounded)
    settle(block, rows, out, flags, contest)
    short = np.flatnonzero(~enough & (out["reason"] == 0) & ~bounded)
    if short.size:
        _few(block, short, out)
    two = np.flatnonzero(two_way & np.isin(np.arange(n), rows))
    flags["self_heated"] = np.zeros(n, bool)
    out["ask"][two] = True
    if two.size and contest:
        _heating(block, two, whole, back, temp_C, out, flags)
    finish(block, out, flags, final=contest | ~out["ask"])
    twice = np.flatnonzero(second.any(1) & ~two_way & (out["reason"] == 0) & np.isfinite(block.theta[:, A]))
    if twice.size:
        out["ask"][twice] = True
        _passes_apart(block, twice, second, temp_C, out, flags)
    used = block.keep > 0
    if order is not None:
        back_order = np.empty_like(used)
        np.put_along_axis(back_order, order, used, 1)
        used = back_order
    return out | {"used": used, "flags": flags}


def _clean(v, i, real):
    """Points in order of voltage, without missing and over-range ones.

    Returns
    -------
    v, i, keep, back, second : ndarray (n, m)
        ``back`` marks the second branch of an up-and-down sweep, ``second`` every other pass of one that
        starts over.
    order : ndarray of int (n, m) or None
    huge : ndarray of bool (n, m)
        Over-range marks, as logged.
    """
    with np.errstate(invalid="ignore"):
        within = (np.abs(v) < sense.OVER_RANGE) & (np.abs(i) < sense.OVER_RANGE)
        huge = real & ~(np.isnan(v) | np.isnan(i)) & ~within
    good = real & within
    v, i = np.where(good, v, 0.0), np.where(good, i, 0.0)
    keep = good.astype(float)
    back, second = sense.branches(v, keep), sense.second_passes(v, keep)
    order = _order(v, good)
    if order is not None:
        v, i, keep, back, second = (np.take_along_axis(a, order, 1) for a in (v, i, keep, back, second))
    return v, i, keep, back, second, order, huge


def _order(v, good):
    """Order by voltage, left-out entries last; None where all is in order already."""
    key = np.where(good, v, np.inf)
    with np.errstate(invalid="ignore"):
        sorted_ = np.all(key[:, 1:] >= key[:, :-1], axis=1)
    if sorted_.all():
        return None
    order = np.broadcast_to(np.arange(v.shape[1]), v.shape).copy()
    order[~sorted_] = np.argsort(key[~sorted_], axis=1, kind="stable")
    return order


#: Reasons for no fit, by number; 0 is none.
REASONS = (
    "", "no usable point (all missing or over-range)", "one usable point: a curve needs at least two",
    "all points at one voltage: they show no curve",
    "too few usable points for a junction (5 are needed), and they lie on no straight line",
    "the fit did not come to rest: the points follow none of the models",
)  # fmt: skip


def _reasons(v, keep):
    live = keep > 0
    count = live.sum(1)
    span = np.max(np.where(live, v, -np.inf), axis=1) - np.min(np.where(live, v, np.inf), axis=1)
    flat = ~(span > 1e-12 * np.max(np.abs(v), axis=1))
    return np.select([count == 0, count == 1, flat], [1, 2, 3], 0)


def settle(block: Block, rows, out: dict, flags: dict, contest: bool = True) -> None:
    """Fit and choose for the sweeps `rows`, with the evidence against the runner-up."""
    if not rows.size:
        _default_flags(block, flags)
        return
    part = block if rows.size == block.chi2.size else take(block, rows)
    fit_plain(part, FINAL if contest else QUICK)
    choice, ask = choose(part, contest=contest)
    out["ask"][rows] = ask
    _unphysical(part, flags, rows)
    runner, gap = _runner_up(part, choice)
    give(block, rows, part)
    _default_flags(block, flags)
    flags["outliers"][rows] = choice.wild
    out["runner_up"][rows], out["gap"][rows] = runner, gap


def _default_flags(block: Block, flags: dict) -> None:
    for name in ("outliers", "unphysical"):
        flags.setdefault(name, np.zeros(block.chi2.size, bool))


def _unphysical(part: Block, flags: dict, rows) -> None:
    """Hold a resistance at zero that came out clearly negative, and fit the rest again."""
    u = np.sqrt(np.einsum("nii->ni", part.covariance))
    dof = np.maximum(part.n_used - NUMBER[part.code], 1)
    u = u * np.sqrt(np.maximum(part.chi2 / dof, 1.0))[:, None]
    with np.errstate(invalid="ignore"):
        negative = (part.theta < -UNPHYSICAL * u) & (u > 0)
    bad = np.zeros(part.theta.shape, bool)
    bad[:, [RS, G]] = negative[:, [RS, G]]
    bad[(part.code == CODE["resistor + offset"]) | part.rank_short] = False
    index = np.flatnonzero(bad.any(1))
    _default_flags_of(flags, rows, index)
    for name in NAMES:
        at = index[part.code[index] == CODE[name]]
        if not at.size or name in ("open", "resistor"):
            continue
        columns = list(columns_of(name))
        start = np.where(bad[at], 0.0, part.theta[at])
        solution = fit_set(part, name, start, at, FINAL, free=~bad[at][:, columns])
        store(part, name, solution, at)
        part.rank_short[at] = False


def _default_flags_of(flags: dict, rows, index) -> None:
    n = flags["current_limited"].size
    flags.setdefault("unphysical", np.zeros(n, bool))
    flags["unphysical"][rows[index]] = True


def _runner_up(part: Block, choice):
    """Best rival of the chosen model and how much worse its AICc is: fitted, or promised by a score test."""
    n = part.chi2.size
    used, row = part.n_used, np.arange(n)
    scores = choice.criterion.copy()
    plain = np.isin(part.code, [CODE["base"], CODE["bare"]])
    base = CODE["base"]
    for name, drop in (("offset", choice.drop_offset), ("recombination", choice.drop_recombination)):
        promised = aicc(part.chi2 - drop, NUMBER[CODE[name]], used)
        empty = plain & ~np.isfinite(scores[:, CODE[name]])
        scores[empty, CODE[name]] = promised[empty]
    own = choice.criterion[row, part.code]  # by the weights its rivals were judged by
    # with or without the shunt: by the shunt estimate itself
    u = np.sqrt(part.covariance[:, G, G])
    with np.errstate(divide="ignore", invalid="ignore"):
        z2 = np.where(u > 0, (part.theta[:, G] / u) ** 2, np.inf)
    has_g = plain & (part.code == base)
    without = np.where(has_g, aicc(part.chi2 + z2, NUMBER[base] - 1, used), np.inf)
    scores[row, part.code] = np.inf
    rival = np.argmin(scores, axis=1)
    best = scores[row, rival]
    shunt_is_rival = np.abs(without) < best
    rival = np.where(shunt_is_rival, -2, np.where(np.isfinite(best), rival, -1))
    gap = np.where(shunt_is_rival, np.abs(without - own), best - np.minimum(own, without))
    return rival, gap


def _few(block: Block, rows, out: dict) -> None:
    """Two to four points: a straight line through zero or nothing, else no model."""
    part = take(block, rows)
    start = np.zeros(part.theta.shape)
    w = part.keep / part.ui2
    start[:, G] = np.einsum("nm,nm->n", w * part.v, part.i) / np.maximum(
        np.einsum("nm,nm->n", w * part.v, part.v), 1e-300
    )
    line, none = (fit_set(part, name, start) for name in ("resistor", "open"))
    count = part.n_used
    store(part, "open", none)
    store(part, "resistor", line, which=line.chi2 + 4 < none.chi2)
    give(block, rows, part)
    poor = part.chi2 > 9.0 * np.maximum(count - 1, 1) + 9
    out["reason"][rows[poor]] = 4


def _passes_apart(block: Block, rows, second, temp_C, out: dict, flags: dict) -> None:
    """Widen the intervals where one pass of a sweep lies beside another, and say that the fit is poor.

    Noise found from both together would hide it, and does not average it out: half of the distance is a
    standard uncertainty of the voltage of all points (our convention).
    """
    i, live = block.i[rows], block.keep[rows] > 0
    if block.noise is None:
        floor2 = block.parts[rows, 0, None]
    else:
        floor2 = stated_current_variance(block, rows, 0.0)
    high = live & (i > 0) & (i * i > 100 * floor2)
    predicted = voltage_of(block.theta[rows], temp_C[rows], np.where(high, i, 1e-6))[0]
    high &= np.isfinite(predicted)
    dv = np.where(high, block.v[rows] - predicted, 0.0)
    one, two = high & ~second[rows], high & second[rows]
    count = [np.maximum(x.sum(1), 1) for x in (one, two)]
    mean = [np.where(x, dv, 0.0).sum(1) / k for x, k in zip((one, two), count, strict=True)]
    var = [np.where(x, (dv - m[:, None]) ** 2, 0.0).sum(1) / np.maximum(k - 1, 1) / k
           for x, k, m in zip((one, two), count, mean, strict=True)]  # fmt: skip
    apart = np.abs(mean[1] - mean[0])
    clear = (one.sum(1) >= 3) & (two.sum(1) >= 3) & (apart > 5 * np.sqrt(var[0] + var[1])) & (apart > 1e-3)
    at, shift = rows[clear], 0.5 * apart[clear] / block.vt[rows[clear], 0]
    direction = np.zeros((at.size, block.theta.shape[1]))
    for a, b in ((A, B), (AR, BR)):
        direction[:, a] = np.nan_to_num(block.theta[at, b]) * shift
    out["covariance"][at] += direction[:, :, None] * direction[:, None, :]
    for side in ("below", "above"):
        out[side][at] = np.hypot(out[side][at], out["quantile"][at, None] * direction)
    flags["poor_fit"][at] = True


def _heating(block: Block, rows, whole, back, temp_C, out: dict, flags: dict) -> None:
    """Compare the way back with the way up at the same currents; fold it in where they agree."""
    v, i = block.v[rows], block.i[rows]
    on_way_back = back[rows] & (whole[rows] > 0)
    curve = ~np.isin(block.code[rows], [CODE["open"], CODE["resistor"], CODE["resistor + offset"]])
    top = np.max(np.where(on_way_back, i, 0.0), axis=1)
    high = on_way_back & (i > 0.2 * top[:, None]) & (i > 0) & (curve & (top > 0))[:, None]
    predicted, _, slope = voltage_of(block.theta[rows], temp_C[rows], np.where(high, i, 1e-6))
    high &= np.isfinite(predicted)
    dv = np.where(high, v - predicted, 0.0)
    count = np.maximum(high.sum(1), 1)
    mean = dv.sum(1) / count
    u_point = np.sqrt(
        np.broadcast_to(block.uv2, block.v.shape)[rows] + block.ui2[rows] * np.nan_to_num(slope) ** 2
    )
    u = np.sqrt(np.where(high, u_point**2, 0.0).sum(1)) / count
    # the gap by the forward voltage (common practice): germanium or Schottky, silicon, LED
    v_top = np.max(np.where(high, predicted, -np.inf), axis=1)
    gap = np.where(v_top < 0.45, 0.68, np.where(v_top > 1.4, v_top + 0.2, 1.11))
    fallen = (high.sum(1) >= 3) & (mean < -5 * u) & (mean < -3e-4)
    inside = np.where(high, predicted - np.nan_to_num(block.theta[rows, RS, None]) * i, 0.0)
    rise = temperature_rise(dv, np.minimum(inside, gap[:, None] - 0.05), temp_C[rows, None], gap[:, None])
    out["heating_K"][rows[fallen]] = (np.where(high, rise, 0.0).sum(1) / count)[fallen]
    flags["self_heated"][rows[fallen]] = True
    agree = rows[~fallen]
    if agree.size:
        block.keep[agree] = whole[agree]
        if block.noise is None:
            again = new_block(block.v[agree], block.i[agree], block.keep[agree], block.vt[agree], None)
        else:
            again = new_block(block.v[agree], block.i[agree], block.keep[agree], block.vt[agree], block.noise)
        sub_out = {k: np.full(agree.size, -1) for k in ("runner_up",)} | {
            "gap": np.full(agree.size, np.nan), "ask": np.zeros(agree.size, bool),
        }  # fmt: skip
        sub_flags = {"current_limited": np.zeros(agree.size, bool)}
        settle(again, np.arange(agree.size), sub_out, sub_flags)
        give(block, agree, again)
        for name in ("outliers", "unphysical"):
            flags[name][agree] = sub_flags[name]
        out["runner_up"][agree], out["gap"][agree] = sub_out["runner_up"], sub_out["gap"]
