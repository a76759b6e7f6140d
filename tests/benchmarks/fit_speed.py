"""Time of the fit of 10,000 sweeps of 80 points against two general-purpose fitters, one at a time.

    python -m tests.benchmarks.fit_speed [--sweeps 10000] [--peers 400]

The peers are scipy's `curve_fit` and lmfit, in a plain loop, with the same model (the residual,
four parameters, logarithms of IS and RSH), the same start values and the same
weights; they run on a seeded subset and are scaled to the whole.  junction's time covers what they leave
undone: the start values, the choice of model, intervals and flags.  Every figure is a ratio within one run.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings

import numpy as np

from junction.base.units import thermal_voltage
from junction.sweeps.derived import current_of
from junction.sweeps.sweeps import fit_sweeps
from tests.benchmarks.bag import NOISE, bag

VT = thermal_voltage(25.0)


def distance(points, ln_is, n, rs, ln_rsh):
    """Residuals of one sweep as `junction.sweeps.terms` defines them, in plain numpy.

    The distance to the curve along its normal at the foot of the perpendicular, in standard uncertainties;
    `points` holds v, i and their variances.
    """
    v, i, uv2, ui2 = points
    is_, g_shunt, slope = np.exp(ln_is), np.exp(-ln_rsh), 1 / (n * VT)
    x = v - i * rs
    e = np.exp(np.minimum(ln_is + x * slope, 60.0))
    f, g = e - is_ + x * g_shunt, e * slope + g_shunt
    h = 1 + rs * g
    q = (g * uv2 + rs * h * ui2) / (g**2 * uv2 + h**2 * ui2)
    step = (i - f) * q
    x = x + np.clip(step / np.maximum(1 + 0.5 * step * q * e * slope**2, 0.3), -4 * VT, 4 * VT)
    e = np.exp(np.minimum(ln_is + x * slope, 60.0))
    f, g = e - is_ + x * g_shunt, e * slope + g_shunt
    h = 1 + rs * g
    return ((i - f) * h - (v - x - rs * f) * g) / np.sqrt(h**2 * ui2 + g**2 * uv2)


def points_of(table, fits, k):
    """One sweep with the variances junction ended with: stated figures at its own fitted current."""
    v, i = table.v_V[table.points(k)], table.i_A[table.points(k)]
    uv2, ui2 = NOISE.variances(v, current_of(fits.theta[[k]], fits.temp_C[[k]], v[None])[0][0])
    return np.stack([v, i, np.broadcast_to(uv2, v.shape), ui2])


def start_values(table, rows):
    """The start values junction uses, for the peers as well."""
    from junction.sweeps.block import Block, plain_start
    from junction.sweeps.terms import RS, A, B, G

    v = np.stack([table.v_V[table.points(k)] for k in rows])
    i = np.stack([table.i_A[table.points(k)] for k in rows])
    order = np.argsort(v, axis=1)
    v, i = np.take_along_axis(v, order, 1), np.take_along_axis(i, order, 1)
    theta, _ = plain_start(Block(v, i, np.ones_like(v), np.full((len(v), 1), VT), NOISE))
    return np.stack([theta[:, A], 1 / theta[:, B], np.maximum(theta[:, RS], 1e-3),
                     -np.log(np.maximum(theta[:, G], 1e-10))], 1)  # fmt: skip


def peer_curve_fit(sweeps, starts):
    """Chi-square of each sweep by `scipy.optimize.curve_fit`, and failures."""
    from scipy.optimize import curve_fit

    chi2, failed = [], 0
    for points, p0 in zip(sweeps, starts, strict=True):
        try:
            best, _ = curve_fit(distance, points, np.zeros(points.shape[1]), p0)
            chi2.append(np.sum(distance(points, *best) ** 2))
        except RuntimeError:
            failed += 1
            chi2.append(np.nan)
    return np.array(chi2), failed


def peer_lmfit(sweeps, starts):
    """Chi-square of each sweep by `lmfit.minimize` (leastsq), and failures."""
    import lmfit

    chi2, failed = [], 0
    for points, p0 in zip(sweeps, starts, strict=True):
        parameters = lmfit.Parameters()
        for name, value in zip(("ln_is", "n", "rs", "ln_rsh"), p0, strict=True):
            parameters.add(name, value)
        out = lmfit.minimize(lambda p, at=points: distance(at, *p.valuesdict().values()), parameters)
        failed += not out.success
        chi2.append(out.chisqr)
    return np.array(chi2), failed


def measure(sweeps: int, peers: int) -> dict:
    """Run all and return times [s], ratios and chi-squares."""
    table = bag(sweeps)
    fit_sweeps(bag(200), NOISE)  # imports and first pages out of the way
    times = []
    for _ in range(3):
        first = time.perf_counter()
        fits = fit_sweeps(table, NOISE)
        times.append(time.perf_counter() - first)
    first = time.perf_counter()
    found = fit_sweeps(table)
    unknown = time.perf_counter() - first
    rows = np.sort(np.random.default_rng(1).choice(sweeps, min(peers, sweeps), replace=False))
    starts = start_values(table, rows)
    subset = [points_of(table, fits, k) for k in rows]
    out = {
        "junction": min(times),
        "junction, noise found": unknown,
        "failed": int((~fits.flags["converged"]).sum()),
        "failed, noise found": int((~found.flags["converged"]).sum()),
        "chi2": float(np.mean(fits.chi2[rows])),
    }
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for name, peer in (("curve_fit", peer_curve_fit), ("lmfit", peer_lmfit)):
            first = time.perf_counter()
            chi2, failed = peer(subset, starts)
            out[name] = (time.perf_counter() - first) * sweeps / rows.size
            out[f"{name} chi2"] = float(np.nanmean(chi2))
            out[f"{name} worst"] = float(np.nanmax(fits.chi2[rows] - chi2))
            out[f"{name} failed"] = failed
            out[f"{name} ratio"] = out[name] / out["junction"]
    out["peers"] = rows.size
    return out


def main(argv=None) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sweeps", type=int, default=10_000)
    parser.add_argument("--peers", type=int, default=400)
    chosen = parser.parse_args(argv)
    for name, value in measure(chosen.sweeps, chosen.peers).items():
        sys.stdout.write(f"{name:24s} {value:.4g}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
