"""What the measurements leave open, drawn for all parts together.

Only differences between parts move current, so errors that parts share are drawn once for all of them:
the temperature law of silicon, what `junction.transistor` learned of a type from its parts, and whatever a
part's data say nothing of.  Curves taken at one V_CE leave the Early voltage at a default that may be off
by a factor, but by nearly the same factor for all parts of one type.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from junction.fit.results import TransistorFits
from junction.stage.sharing import Devices, devices_from_fits
from junction.transistor.values import OF_A_TYPE, between_parts, chain_to_25C, draw_steps, operating_points

#: Constants of silicon, common to all parts whatever their type; `draw_steps` knows them by itself.
_SILICON = ("EG", "XTB")


def with_common_defaults(fits: TransistorFits) -> TransistorFits:
    """The same fits with the error of every default counted as shared within a type.

    Parameters
    ----------
    fits : TransistorFits

    Returns
    -------
    TransistorFits
        ``shared`` has a column more for each type and each parameter that stands at a default; the part of
        its variance that exceeds the spread between parts of one type goes there, with what it drags along.
    """
    n, p = fits.value.shape
    kin = np.zeros((n, p, 0)) if fits.shared is None else fits.shared
    rest = np.where(np.isfinite(fits.covariance), fits.covariance, 0.0) - kin @ np.swapaxes(kin, 1, 2)
    groups: dict[tuple[str, str], list[int]] = {}
    for k in range(n):
        groups.setdefault((fits.polarity[k], fits.type[k]), []).append(k)
    columns = [kin]
    for members in groups.values():
        for j, name in enumerate(fits.names):
            own = [k for k in members if fits.fixed[k, j]]
            if name in _SILICON or name not in OF_A_TYPE or not own:
                continue
            column = np.zeros((n, p, 1))
            variance = rest[own, j, j]
            share = np.clip(1 - between_parts(name) ** 2 / np.maximum(variance, 1e-300), 0.0, 1.0)
            column[own, :, 0] = rest[own, :, j] * np.sqrt(share / np.maximum(variance, 1e-300))[:, None]
            rest = rest - column @ np.swapaxes(column, 1, 2)
            columns.append(column)
    return replace(fits, shared=np.concatenate(columns, axis=2))


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
    step = draw_steps(with_common_defaults(fits), n_draws, seed)
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
        out[point.name] = Devices({**fitted.values, "DV": offset, "LNB": factor})
    return out
