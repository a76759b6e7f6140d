"""Fit of a whole table of sweeps: blocks of equal length, threads if wanted, one result.

Sweeps are sorted into lengths of a fixed ladder (padded by at most an eighth), so that a sweep is computed
the same way alone and in any company, then cut into blocks of about 40,000 points, whose arrays stay in
the cache.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np

from junction.base.constants import thermal_voltage
from junction.base.records import SweepTable
from junction.fit.assemble import Collected, assemble
from junction.fit.block import fit_block
from junction.fit.common import TEMP_U_K, TEMP_UNKNOWN_U_K
from junction.fit.noise import Noise
from junction.fit.results import SweepFits

#: Points of a block: 14 work arrays of this many doubles fit a second-level cache twice over.
BLOCK_POINTS = 40_000
#: Blocks under which threads cost more than they bring.
_WORTH_THREADS = 4


def ladder(length: np.ndarray) -> np.ndarray:
    """Padded length: multiples of 4 up to 32, then eight steps to the octave."""
    length = np.asarray(length, np.int64)
    octave = np.maximum(np.ceil(np.log2(np.maximum(length, 1) / 32.0)), 0).astype(np.int64)
    step = 4 * 2 ** np.maximum(octave - 1, 0)
    return -(-length // step) * step


def _blocks(padded: np.ndarray, rows: np.ndarray):
    """Cut sweeps into blocks: (indices, padded length) each, all of one length."""
    order = rows[np.argsort(padded[rows], kind="stable")]
    for length in np.unique(padded[rows]):
        if length == 0:
            continue
        some = order[padded[order] == length]
        size = max(1, BLOCK_POINTS // int(length))
        for first in range(0, some.size, size):
            yield some[first : first + size], int(length)


def _gather(table: SweepTable, rows, length: int):
    """Dense copies (n, length) of voltage and current, and which entries are real points."""
    first, count = table.starts[rows], table.starts[rows + 1] - table.starts[rows]
    place = np.arange(length)
    at = first[:, None] + np.minimum(place, count[:, None] - 1)
    return table.v_V[at], table.i_A[at], place < count[:, None]


def fit_sweeps(
    table: SweepTable, noise: Noise | None = None, default_temp_C: float = 25.0, threads: int = 1,
    temp_u_K: tuple[float, float] = (TEMP_U_K, TEMP_UNKNOWN_U_K),
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
    threads : int
        Blocks at a time.  Two gave from a fifth less to a third more time, as the second core was free or
        not: the work is many short array operations, between which threads wait for each other.
    temp_u_K : (float, float)
        Standard uncertainty of a junction's temperature where it was recorded and where it was not [K].  It
        enters the intervals of IS, N, ISR, NR and NBV and what is referred to 25 degC.

    Returns
    -------
    SweepFits
        A sweep that cannot be fitted has model `none` and a reason in `why_not`; nothing is raised for
        the data's sake.
    """
    temp_known = np.isfinite(table.temp_C) & (np.abs(table.temp_C) < 400)
    temp_C = np.where(temp_known, table.temp_C, default_temp_C)
    temp_u = np.where(temp_known, *temp_u_K)
    vt = thermal_voltage(np.maximum(temp_C, -200.0))
    collected = Collected.empty(len(table), table.v_V.size)
    padded = ladder(np.diff(table.starts))
    ask = np.zeros(len(table), bool)

    def work(job, contest):
        rows, length = job
        v, i, real = _gather(table, rows, length)
        # fits of models the data do not hold may overflow on their way; what they reach is checked
        with np.errstate(all="ignore"):
            out = fit_block(v, i, real, vt[rows], temp_C[rows], noise, contest=contest)
        ask[rows] = out["ask"]
        collected.put(rows, table.starts, out, real)

    for contest in (False, True):
        rows = np.flatnonzero(ask) if contest else np.arange(len(table))
        blocks = list(_blocks(padded, rows))
        if threads > 1 and len(blocks) >= _WORTH_THREADS:
            with ThreadPoolExecutor(threads) as pool:
                list(pool.map(lambda job, contest=contest: work(job, contest), blocks))
        else:
            for job in blocks:
                work(job, contest)
    return assemble(table, collected, temp_C, temp_known, temp_u, vt, stated=noise is not None)
