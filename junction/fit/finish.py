"""Last looks at a block of fits: how far to trust them, and how wide their intervals are."""

from __future__ import annotations

import numpy as np

from junction.fit import sense
from junction.fit.common import scale_covariance
from junction.fit.engine import Block, fit_set, problem_of
from junction.fit.models import CODE, NAMES, NUMBER, columns_of, is_poor
from junction.fit.noise import student_t
from junction.fit.profile import curved, widen
from junction.fit.terms import AB, I0, A, G


def finish(block: Block, out: dict, flags: dict, final) -> None:
    """Scale for the noise as found, intervals, range steps, limits of an open path.

    ``final`` marks sweeps that are not to be fitted again: only their profiles are worth the time.
    """
    n = block.chi2.size
    used = block.n_used
    bounded = np.isfinite(out["limit_r"])
    block.code[bounded], block.chi2[bounded], block.theta[bounded] = CODE["resistor"], 0.0, np.nan
    out["reason"] = np.where((out["reason"] == 0) & ~np.isfinite(block.chi2), 5, out["reason"])
    fitted = (out["reason"] == 0) & ~bounded
    dof = used - NUMBER[block.code]
    scale, effective = np.ones((n, 2)), dof.astype(float)
    ratio = np.where(dof > 0, block.chi2 / np.maximum(dof, 1), 1.0)
    poor = fitted & (dof > 0) & is_poor(block.chi2, dof, block.noise is not None)
    if block.noise is None:
        scale, effective = _found_noise(block, fitted, dof)
    else:
        scale[poor] = ratio[poor, None]
    flags["poor_fit"] = poor
    flags["range_step"] = _range_steps(block, fitted & poor)
    limit_g = _open_limit(block, fitted, scale)
    floor = np.zeros(block.theta.shape[1], int)
    floor[[G, I0]] = 1
    root = np.sqrt(scale)[:, floor]
    covariance = block.covariance * root[:, :, None] * root[:, None, :]
    q = np.full(n, student_t(1e9)) if block.noise is not None else student_t(effective)
    below = q[:, None] * np.sqrt(np.maximum(np.einsum("nii->ni", covariance), 0.0))
    above = below.copy()
    bent = np.flatnonzero(fitted & final & curved(block))
    if bent.size:
        widen(block, bent, q[:, None] * root, below, above)
    shared = scale_covariance(block.theta, block.noise)
    if shared is not None:
        covariance = covariance + shared
        half = q[:, None] * np.sqrt(np.einsum("nii->ni", shared))
        below, above = np.hypot(below, half), np.hypot(above, half)
    hidden = sense.hidden_by_rounding(block.v, block.i, block.keep)
    above[:, G] = np.maximum(above[:, G], np.where(np.isfinite(block.theta[:, A]), hidden, 0.0)
                             - np.maximum(block.theta[:, G], 0.0))  # fmt: skip
    limit_g = np.maximum(limit_g, hidden)
    faint = _rests_on_a_point(block, fitted)
    below[:, G] = np.where(faint, np.maximum(below[:, G], np.abs(block.theta[:, G])), below[:, G])
    top = np.max(np.abs(block.i) * block.keep, axis=1)
    parts = block.parts if block.noise is None else np.where(block.least > 0, block.least, np.nan)
    out.update(
        theta=block.theta, covariance=covariance, chi2=block.chi2, code=block.code, dof=np.maximum(dof, 0),
        quantile=q, below=below, above=above, parts=parts,
        n_used=used.astype(np.int64), limit_g=limit_g, top=top,
    )  # fmt: skip
    flags["converged"] = (block.converged & fitted) | bounded
    flags["at_bound"] = block.at_bound & fitted
    flags["rank_deficient"] = block.rank_short & fitted


def _rests_on_a_point(block: Block, fitted):
    """Shunts of short sweeps that one or two points alone show, bool (n,): they may be noise.

    In under eight points the current floor cannot be found; a path is believed where it carries a third of
    the current in three of them.
    """
    few = fitted & (block.n_used < 8) & (block.noise is None) & np.isfinite(block.theta[:, A])
    share = np.abs(block.theta[:, G, None] * block.v) > 0.3 * np.abs(block.i)
    return few & ((share & (block.keep > 0)).sum(1) < 3)


def _range_steps(block: Block, rows) -> np.ndarray:
    """Whether the residuals of a poor fit jump from one level to another."""
    out = np.zeros(block.chi2.size, bool)
    for name in NAMES:
        at = np.flatnonzero(rows & (block.code == CODE[name]))
        if at.size and name != "open":
            r = problem_of(block, name, at).evaluate(block.theta[at][:, list(columns_of(name))])[:, -1]
            out[at] = sense.step_in(r, block.keep[at])
    return out


def _open_limit(block: Block, fitted, scale) -> np.ndarray:
    """Highest conductance an open path could hide [S], nan elsewhere."""
    out = np.full(block.chi2.size, np.nan)
    at = np.flatnonzero(fitted & (block.code == CODE["open"]))
    if at.size:
        line = fit_set(block, "resistor + offset", np.zeros((at.size, block.theta.shape[1])), at)
        u = np.sqrt(line.covariance[:, 0, 0])
        out[at] = np.maximum(line.theta[:, 0], 0.0) + 2.0 * u * np.sqrt(np.maximum(scale[at, 1], 1e-12))
    return out


def _found_noise(block: Block, fitted, dof):
    """Scale of the covariance for the floor and for the rest, each from its own residuals.

    A linear sweep may have sixty points in the noise floor and twenty on the curve: what is known of the
    scatter on the curve rests on the twenty.
    """
    n = block.chi2.size
    scale, effective = np.ones((n, 2)), np.maximum(dof, 1).astype(float)
    for name in NAMES:
        at = np.flatnonzero(fitted & (block.code == CODE[name]))
        if not at.size:
            continue
        r2 = problem_of(block, name, at).evaluate(block.theta[at][:, list(columns_of(name))])[:, -1] ** 2
        live = block.keep[at] > 0
        k = NUMBER[CODE[name]]
        whole = np.maximum(r2.sum(1), 1e-12) / np.maximum(dof[at], 1)
        if name in ("open",):
            scale[at] = whole[:, None]
            continue
        v = block.v[at]
        on_curve = live & (block.ui2[at] > 2 * block.parts[at, 0, None]) & (v > 0)
        if AB in columns_of(name):
            lowest = np.min(np.where(live, v, 0.0), axis=1)
            on_curve |= live & (v < 0.7 * lowest[:, None])
        if A not in columns_of(name) and AB not in columns_of(name):
            on_curve = live
        count = on_curve.sum(1)
        shares = k - sum(c in columns_of(name) for c in (G, I0))
        rest = live & ~on_curve
        curve = np.where(on_curve, r2, 0.0).sum(1) / np.maximum(count - shares, 1)
        floor = np.where(rest, r2, 0.0).sum(1) / np.maximum(rest.sum(1) - max(k - shares, 0), 1)
        able = count >= shares + 1
        scale[at, 0] = np.where(able, np.maximum(curve, 0.5 * whole), whole)
        scale[at, 1] = np.where(able & (rest.sum(1) >= 6), np.maximum(floor, 0.5 * whole), whole)
        effective[at] = np.where(able, np.minimum(count - shares, effective[at]), effective[at])
    # scatter of a handful of points says too little to believe it when it is small
    return np.where(effective[:, None] < 4, np.maximum(scale, 1.0), scale), effective
