"""What the measurements leave open, drawn for all parts together.

Three kinds of error have to be told apart, because only differences between parts move current:

* the temperature law of silicon (EG, XTB) is one and the same for all parts;
* a parameter on which a part's data say nothing (the Early voltage of a part known by one reading)
  stands at a default that may be far off, but off by nearly the same for all parts of one type;
* everything else is each part's own.
"""

from __future__ import annotations

import numpy as np

from junction.estimate.results import TransistorFits
from junction.estimate.transistor_values import chain_to_25C, draw_steps, operating_points
from junction.pair.curves import Devices, devices_from_fits

#: Errors common to all silicon.
COMMON = ("EG", "XTB")
#: How far parts of one type differ in what was not measured, standard deviation of the logarithm;
#: common practice, no source.
WITHIN_TYPE = 0.15


def log_steps(fits: TransistorFits, n_draws: int, seed: int) -> np.ndarray:
    """Draws of the error of each parameter's logarithm, shape (n_draws, n, p).

    Parameters
    ----------
    fits : TransistorFits
    n_draws, seed : int

    Returns
    -------
    ndarray
        The covariance of one part's steps is ``fits.covariance``; between parts the errors are common
        as this module's head says.
    """
    if fits.shared is not None:  # the fit itself says what parts of one type share
        return draw_steps(fits, n_draws, seed, shared=COMMON)
    n, p = fits.value.shape
    out = np.zeros((n_draws, n, p))
    common = np.random.default_rng(seed).standard_normal((n_draws, p))
    groups: dict[tuple, list[int]] = {}
    for k in range(n):
        key = (fits.polarity[k], fits.type[k], tuple(np.asarray(fits.fixed[k], bool).tolist()))
        groups.setdefault(key, []).append(k)
    for number, (key, members) in enumerate(groups.items()):
        # parts that share a type and a default share its error, however much else was measured of them
        kin = np.random.default_rng([seed, 1, _kin(key, groups)]).standard_normal((n_draws, p))
        rng = np.random.default_rng([seed, 2, number])
        out[:, members] = _group(fits, np.array(members), key[2], common, kin, rng)
    return out


def _kin(key, groups) -> int:
    """Number of the family of groups with the same polarity and type."""
    families = list(dict.fromkeys(k[:2] for k in groups))
    return families.index(key[:2])


def _group(fits, members, fixed, common, kin, rng) -> np.ndarray:
    n_draws, p = common.shape
    covariance = np.where(np.isfinite(fits.covariance[members]), fits.covariance[members], 0.0)
    columns = [j for j, name in enumerate(fits.names) if name in COMMON or fixed[j]]
    root = np.sqrt(np.maximum(covariance[:, columns, columns], 0.0))  # (m, s)
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = np.where(root[:, None, :] > 0, covariance[:, :, columns] / root[:, None, :], 0.0)
        own_part = np.where(root > 0, np.minimum(WITHIN_TYPE / root, 1.0), 0.0)
    is_common = np.array([fits.names[j] in COMMON for j in columns], bool)
    own_part[:, is_common] = 0.0
    shared = np.where(is_common, common[:, columns], kin[:, columns])  # (d, s)
    own = rng.standard_normal((n_draws, len(members), len(columns)))
    z = np.sqrt(1 - own_part**2) * shared[:, None, :] + own_part * own
    left = covariance - gain @ np.swapaxes(gain, 1, 2)
    w, q = np.linalg.eigh(0.5 * (left + np.swapaxes(left, 1, 2)))
    factor = q * np.sqrt(np.maximum(w, 0.0))[:, None, :]
    rest = rng.standard_normal((n_draws, len(members), p))
    return np.einsum("mps,dms->dmp", gain, z) + np.einsum("mpq,dmq->dmp", factor, rest)


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
    step = log_steps(fits, n_draws, seed)
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
