"""What the measurements leave open, drawn for all parts together.

Only differences between parts move current, so errors that parts share (the temperature law of silicon,
what parts of one type have in common) are drawn once for all of them; `junction.estimate` says which
those are.
"""

from __future__ import annotations

import numpy as np

from junction.estimate.results import TransistorFits
from junction.estimate.transistor_values import chain_to_25C, draw_steps, operating_points
from junction.pair.curves import Devices, devices_from_fits


def drawn_devices(fits: TransistorFits, points, share_of: int, n_draws: int, seed: int) -> dict[str, Devices]:
    """Draws of the parts under their measurement's uncertainty, one batch for each operating point.

    A part known from one reading has parameters that may be wrong by factors while its V_BE near that
    reading is known to a millivolt: the errors cancel to first order, and only to first order.  So what
    is drawn is not the parameters but what they do at the operating point, to first order: an offset of
    V_BE and a factor on the base current, from the same correlated steps of the parameters' logarithms.

    Parameters
    ----------
    fits : TransistorFits
        n parts.
    points : sequence of OperatingPoint
    share_of : int
        Devices that share a point's current.
    n_draws, seed : int

    Returns
    -------
    dict of str to Devices
        By name of the point; shape (n_draws, n).
    """
    step = draw_steps(fits, n_draws, seed)
    step = np.where(np.isfinite(step), step, 0.0)
    fitted = devices_from_fits(fits)
    out = {}
    for point in points:
        ic = point.total_A / share_of
        vce = max(point.vce_V - ic * float(np.mean(point.re_ohm)), 1.0)
        now = operating_points(fits, np.array([ic]), vce, point.temp_C, log_derivatives=True)
        by_v = chain_to_25C(fits.names, fits.value, point.temp_C, now.vbe_log)[:, 0]
        by_b = chain_to_25C(fits.names, fits.value, point.temp_C, now.ib_log)[:, 0] / now.ib
        offset, factor = (
            np.einsum("np,dnp->dn", np.where(np.isfinite(x), x, 0.0), step) for x in (by_v, by_b)
        )
        out[point.name] = Devices({**fitted.values, "DV": offset, "LNB": factor}, fitted.tnom_C)
    return out
