"""What a fitted transistor says: V_BE and h_FE at a current and temperature, with uncertainty, and draws.

Fits carry their parameters at 25 degC as natural logarithms with a covariance.  EG and XTB are carried
with them, so that an answer at the temperature the data were taken at costs no uncertainty of the
temperature law, and one far from it does.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import SimpleNamespace

import numpy as np

from junction.base.records import Interval
from junction.base.units import (
    NORMAL_95,
    NORMAL_95_ONE_SIDED,
    REFERENCE_TEMP_C,
    ZERO_CELSIUS_K,
    thermal_voltage,
)
from junction.physics.temperature import SILICON_XTI, TemperatureLaw, transistor_parameters
from junction.physics.transistor import operating_point
from junction.shelf.tables import rule
from junction.sweeps.results import AtCurrent, TransistorFits

#: Names of the fitted parameters, in the order of `TransistorFits.names`: SPICE letter symbols at 25 degC.
FITTED = ("IS", "NF", "BF", "ISE", "NE", "IKF", "VAF", "RE", "RB", "RC", "BR", "EG", "XTB")
#: Those of them that parts of one type have nearly in common (`between_parts`).
OF_A_TYPE = ("NF", "BF", "ISE", "NE", "IKF", "VAF", "RE", "RB", "RC", "BR")
#: Standard uncertainty of a logarithm from which on the data say nothing, before its exponential overflows.
_SAYS_NOTHING = 100.0
_UNITS = {"IS": "A", "ISE": "A", "IKF": "A", "VAF": "V", "RE": "ohm", "RB": "ohm", "RC": "ohm", "EG": "eV"}


def between_parts(name: str) -> float:
    """Spread between parts of one type of the natural logarithm of a parameter in `OF_A_TYPE` [1].

    That of ISE is the spread of the share of non-ideal base current.
    """
    return rule(f"bjt_{name}_between")


def parameter_intervals(fits: TransistorFits, k: int) -> dict[str, Interval]:
    """Parameters of one part with 95 % intervals, for people and for JSON.

    Parameters
    ----------
    fits : TransistorFits
    k : int
        Index of the part.

    Returns
    -------
    dict of str to Interval
        SI units.  A parameter the data say next to nothing on is left out (``fits.fixed``); one known
        within a factor of 1.8 or worse is a one-sided limit, the side that constrains.
    """
    out = {}
    for j, name in enumerate(fits.names):
        if fits.fixed[k, j] or not np.isfinite(fits.value[k, j]):
            continue
        value, u = float(fits.value[k, j]), float(fits.u_log[k, j])
        if not u < _SAYS_NOTHING:
            continue
        unit = _UNITS.get(name, "1")
        if u < rule("bjt_value_width"):
            spread = float(np.exp(NORMAL_95 * u))
            out[name] = Interval(value, value / spread, value * spread, unit)
        elif name in ("IKF", "VAF"):  # a large one has no effect: the data say "at least"
            out[name] = Interval(np.nan, value * float(np.exp(-NORMAL_95_ONE_SIDED * u)), np.inf, unit)
        else:
            out[name] = Interval(np.nan, -np.inf, value * float(np.exp(NORMAL_95_ONE_SIDED * u)), unit)
    return out


def parameters_at(names, value, temp_C=REFERENCE_TEMP_C) -> dict[str, np.ndarray]:
    """SPICE parameters at a temperature, ready for `physics.transistor`.

    Parameters
    ----------
    names : tuple of str
        Order of the last axis of `value`, a subset of `FITTED`.
    value : ndarray (..., p)
        Parameters at 25 degC: `TransistorFits.value`, some rows of it, or a draw.
    temp_C : array_like
        Temperature wanted [degC]; broadcasts against (..., 1).

    Returns
    -------
    dict of str to ndarray (..., 1)
        Model parameters by SPICE name with a last axis of 1 for the operating points, EG and XTB spent.
    """
    p = {name: np.asarray(value)[..., k, None] for k, name in enumerate(names)}
    law = TemperatureLaw(p.pop("EG"), SILICON_XTI, p.pop("XTB"))
    return transistor_parameters(p, temp_C, law=law)


def chain_to_25C(names, value, temp_C, local: Mapping) -> np.ndarray:
    """Derivatives to ln(parameter) at a temperature, turned into those to ln(parameter at 25 degC).

    Parameters
    ----------
    names, value, temp_C
        As in `parameters_at`; temp_C [degC].
    local : mapping of str to ndarray
        Derivatives to the log of each local parameter, by SPICE name.

    Returns
    -------
    ndarray (..., m, p)
        Derivatives in the order of `names`.
    """
    p = {name: np.asarray(value)[..., k, None] for k, name in enumerate(names)}
    T, Tn = np.asarray(temp_C, float) + ZERO_CELSIUS_K, REFERENCE_TEMP_C + ZERO_CELSIUS_K
    log_T = np.log(T / Tn)
    by_EG = p["EG"] / thermal_voltage(np.asarray(temp_C, float)) * (T / Tn - 1.0)  # d ln IS / d ln EG
    factor = SILICON_XTI * log_T + by_EG
    out = dict(local)
    out["NE"] = local["NE"] - local["ISE"] * factor / p["NE"]
    out["EG"] = by_EG * (local["IS"] + local["ISE"] / p["NE"])
    out["XTB"] = p["XTB"] * log_T * (local["BF"] + local["BR"] - local["ISE"])
    return np.stack(np.broadcast_arrays(*(out[name] for name in names)), axis=-1)


def sensitivities(fits: TransistorFits, ic_A, vce_V, temp_C):
    """V_BE [V] and h_FE (n, m) with the derivatives of V_BE and ln(h_FE) to the logs of the parameters."""
    ic = np.atleast_1d(np.asarray(ic_A, float))
    with np.errstate(all="ignore"):  # a part without a fit is nan throughout
        p = parameters_at(fits.names, fits.value, temp_C)
        point = operating_point(ic, vce_V, p, temp_C, log_derivatives=True)
    by_vbe, by_ib = (
        chain_to_25C(fits.names, fits.value, temp_C, of) for of in (point.vbe_log, point.ib_log)
    )
    inner = 0.0 if fits.inner_ib_A is None else fits.inner_ib_A[:, None]
    ib = point.ib + inner
    return point.vbe, ic / ib, by_vbe, -by_ib / ib[..., None]


def evaluate(fits: TransistorFits, ic_A, vce_V, temp_C=REFERENCE_TEMP_C) -> SimpleNamespace:
    """V_BE and h_FE of every part at collector currents, with uncertainty.

    Parameters
    ----------
    fits : TransistorFits
        n parts.
    ic_A : array_like
        Collector current [A], shape (m,) or (n, m).
    vce_V, temp_C : array_like
        V_CE [V] and junction temperature [degC]; broadcast against (n, m).

    Returns
    -------
    namespace
        Arrays (n, m): ``vbe_V`` [V] and ``hfe`` [1] with standard uncertainties ``u_vbe_V`` and ``u_hfe``,
        and the ends of the 95 % intervals ``vbe_low_V``, ``vbe_high_V``, ``hfe_low`` and ``hfe_high`` (that
        of h_FE is symmetric in its logarithm); nan where the part has no fit or cannot carry the current at
        that V_CE.

    Notes
    -----
    First-order propagation of the covariance of the fit (JCGM 100:2008, 5.2.2), the uncertainty of the
    temperature the data were taken at included.
    """
    vbe, hfe, by_vbe, by_ln_hfe = sensitivities(fits, ic_A, vce_V, temp_C)
    cov = np.where(np.isfinite(fits.covariance), fits.covariance, 0.0)
    u_v, u_h = (
        np.sqrt(np.maximum(np.einsum("nmi,nij,nmj->nm", by, cov, by), 0.0)) for by in (by_vbe, by_ln_hfe)
    )
    spread = np.exp(NORMAL_95 * np.minimum(u_h, 50.0))
    return SimpleNamespace(
        vbe_V=vbe, u_vbe_V=u_v, vbe_low_V=vbe - NORMAL_95 * u_v, vbe_high_V=vbe + NORMAL_95 * u_v,
        hfe=hfe, u_hfe=hfe * u_h, hfe_low=hfe / spread, hfe_high=hfe * spread,
    )  # fmt: skip


#: Collector currents a technician reads V_BE and h_FE at [A].
READ_AT_A = (1e-3, 1e-2, 0.1, 1.0)


def at_currents(fits: TransistorFits) -> list[tuple[AtCurrent, ...]]:
    """V_BE and h_FE of each part at 1 mA, 10 mA, 100 mA and 1 A, as far as its data go, at 25 degC.

    Parameters
    ----------
    fits : TransistorFits

    Returns
    -------
    list of tuple of AtCurrent
        With 95 % intervals, at the usual V_CE or the one nearest to it that the data hold.
    """
    ic = np.array(READ_AT_A)
    with np.errstate(invalid="ignore"):
        vce = np.clip(rule("reading_vce"), fits.vce_low_V, fits.vce_high_V)
    got, reach = evaluate(fits, ic, vce[:, None]), rule("curve_reach")
    told = NORMAL_95 * got.u_vbe_V < rule("curve_vbe_told"), got.u_hfe < rule("bjt_value_width") * got.hfe
    out = []
    for k in range(len(fits)):
        near = (fits.ic_low_A[k] / reach <= ic) & (ic <= fits.ic_high_A[k] * reach)
        rows = []
        for j in np.flatnonzero(near & (told[0][k] | told[1][k])):
            values = [
                Interval(*(float(x[k, j]) for x in ends), unit) if kept[k, j] else Interval(np.nan, unit=unit)
                for ends, unit, kept in (
                    ((got.vbe_V, got.vbe_low_V, got.vbe_high_V), "V", told[0]),
                    ((got.hfe, got.hfe_low, got.hfe_high), "1", told[1]),
                )
            ]
            rows.append(AtCurrent(float(ic[j]), float(vce[k]), *values))
        out.append(tuple(rows))
    return out


def square_root(covariance: np.ndarray) -> np.ndarray:
    """Symmetric square roots (..., p, p) of covariances: there is but one, whichever machine finds it.

    Eigenvectors alone would not do: their signs, and their turn where eigenvalues are equal, are the
    library's choice, and draws would differ from one machine to the next.
    """
    w, q = np.linalg.eigh(0.5 * (covariance + np.swapaxes(covariance, -1, -2)))
    return (q * np.sqrt(np.maximum(w, 0.0))[..., None, :]) @ np.swapaxes(q, -1, -2)


def _factors(fits: TransistorFits):
    """Own factor (n, p, p) and shared loadings (n, p, q) whose squares add up to the covariance.

    The temperature law of silicon is not known better by measuring more parts, nor different from part to
    part: the error of its constants is one and the same for all, as is what parts of one type share
    (``fits.shared``).
    """
    cov = np.where(np.isfinite(fits.covariance), fits.covariance, 0.0)
    kin = np.zeros((*cov.shape[:2], 0)) if fits.shared is None else fits.shared
    cov = cov - kin @ np.swapaxes(kin, 1, 2)
    s = [fits.names.index(name) for name in ("EG", "XTB")]
    # Regression on the shared constants, and what is left after it.
    root = np.sqrt(np.maximum(cov[:, s, s], 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = np.where(root[:, None, :] > 0, cov[:, :, s] / root[:, None, :], 0.0)
    left = cov - gain @ np.swapaxes(gain, 1, 2)
    return square_root(left), np.concatenate([gain, kin], axis=2)


def draw_steps(fits: TransistorFits, n_draws: int, seed: int) -> np.ndarray:
    """Draws of the errors of the parameters' logarithms, to first order.

    Parameters
    ----------
    fits : TransistorFits
        n parts.
    n_draws : int
        Number of draws.
    seed : int
        Seed of the generator; the same seed gives the same draws.

    Returns
    -------
    ndarray (n_draws, n, p)
        Steps of ln(parameter) [1], normal with ``fits.covariance``.
    """
    rng = np.random.default_rng(seed)
    factor, common = _factors(fits)
    step = np.einsum("nik,dk->dni", common, rng.standard_normal((n_draws, common.shape[2])))
    return step + np.einsum("nik,dnk->dni", factor, rng.standard_normal((n_draws, *fits.value.shape)))


def u_vbe_apart(fits: TransistorFits, first, second, ic_A, vce_V, temp_C) -> np.ndarray:
    """Standard uncertainty of the difference of V_BE of parts [V], errors they share left out.

    Parameters
    ----------
    fits : TransistorFits
    first, second : array_like of int (k,)
        Indices of the parts compared.
    ic_A : array_like (m,)
        Collector currents [A], equal for both.
    vce_V, temp_C : float
        V_CE [V] and junction temperature [degC], the same for both.

    Returns
    -------
    ndarray (k, m)
    """
    own, common = _factors(fits)
    _, _, by_vbe, _ = sensitivities(fits, ic_A, vce_V, temp_C)
    alone, together = np.square(by_vbe @ own).sum(-1), by_vbe @ common
    return np.sqrt(alone[first] + alone[second] + np.square(together[first] - together[second]).sum(-1))
