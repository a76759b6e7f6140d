"""Which fits of a sweep table can be taken at their word; the points of the others are asked instead."""

from __future__ import annotations

import numpy as np

from junction.base.records import SweepTable
from junction.fit.results import MODELS, SweepFits
from junction.verdict.direct import MOST_OFFSET_A, SWAPPED_KNEE_V

#: A chi2 this many times its degrees of freedom is that of another law [1].
POOR_CHI2 = 25.0
_OPEN, _RESISTOR = MODELS.index("open"), MODELS.index("resistor")
#: An ideality less certain than this does not hold its junction [1].
MOST_N_U = 0.3
#: A fitted ideality outside this range is not that of a junction [1].
N_BELIEVED = (0.7, 8.0)
#: An open fit that excludes less than this excludes nothing [ohm].
LEAST_OPEN_OHM = 1e3


def believed(fits: SweepFits, v_low, v_high, i_high, ends, short_ohm) -> np.ndarray:
    """Which fits can be taken at their word.

    Parameters
    ----------
    fits : SweepFits
    v_low, v_high, i_high : ndarray (n,)
        Ends of each sweep [V] and its largest current [A].
    ends : tuple of ndarray (n,)
        As `end_currents` gives them.
    short_ohm : float
        Short limit [ohm]: a resistance fitted to the little that a current limit left must be well under it.
    """
    flags = fits.flags
    ok = (fits.model > 0) & flags["converged"] & ~flags["unphysical"] & ~flags["rank_deficient"]
    n, rs = fits.value["N"], fits.value["RS_ohm"]
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        ok &= ~((n < N_BELIEVED[0]) | (n > N_BELIEVED[1]))  # an absent N is no objection
        ok &= ~(rs > 1e5) & ~(flags["at_bound"] & np.isfinite(n)) & (fits.n_used >= 5)
        ok &= ~(fits.u["N"] > MOST_N_U)
        ok &= ~(fits.chi2 > POOR_CHI2 * np.maximum(fits.dof, 1))
        # An open fit knows what may hide in offset and noise; a current beyond any offset is no open.
        offset_only = (fits.low["R_ohm"] > LEAST_OPEN_OHM) & (i_high < MOST_OFFSET_A)
        ok &= ~((fits.model == _OPEN) & ~offset_only)
        ok &= ~(flags["poor_fit"] & flags["at_bound"])
        # A junction that carries as much in reverse is something else.
        even = (ends[0] > 0.3 * ends[1]) & (ends[1] > 0)
        path = np.where(fits.model == _RESISTOR, fits.value["R_ohm"], fits.value["RSH_ohm"])
        bv = fits.value["BV_V"]
        carries = path < 3.0 * -v_low / ends[0]  # the fitted path is what carries the reverse end
        ok &= ~(even & (fits.model != _OPEN) & ~carries & ~np.isfinite(bv)) & ~(bv < SWAPPED_KNEE_V)
        ok &= ~(fits.value["IS_A"] > 0.3 * i_high)  # that does not rectify
        more = i_high * path > 5.0 * np.maximum(v_high, -v_low)  # its outliers are the better part of it
        # A "junction" whose whole current is of the size of its IS, and next to nothing, is noise.
        faint = (i_high < 1e-6 * v_high) & ((i_high < 30 * fits.value["IS_A"]) | (n > 2.3))
        vague = (fits.model == _RESISTOR) & flags["current_limited"] & (path > 0.5 * short_ohm)
        ok &= ~faint & ~vague
        pulled = np.abs(fits.value["I0_A"]) > 0.1 * i_high
        ok &= ~((fits.model == _RESISTOR) & (flags["poor_fit"] | ~np.isfinite(path) | more | pulled))
    return ok


def end_currents(table: SweepTable) -> tuple[np.ndarray, np.ndarray]:
    """Largest current [A] in the outer tenth of the reverse and of the forward part of every sweep.

    Returns
    -------
    reverse_A, forward_A : ndarray (n,)
        0 where a sweep has no such side.
    """
    out = np.zeros((2, len(table)))
    count = np.diff(table.starts)
    full = np.flatnonzero(count > 0)
    if full.size:
        at, size = table.starts[:-1][full], np.abs(table.i_A)
        for side, pick, sign in ((0, np.fmin, -1.0), (1, np.fmax, 1.0)):
            end = pick.reduceat(table.v_V, at)
            # the outer tenth, not the end point alone: a dropped reading there must not stand for the part
            here = (sign * table.v_V >= 0.9 * sign * np.repeat(end, count[full])) & (sign * table.v_V > 0)
            out[side, full] = np.fmax.reduceat(np.where(here, size, 0.0), at)
    return out[0], out[1]
