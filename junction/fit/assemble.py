"""Results of all blocks into one `SweepFits`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from junction.base.records import SweepTable
from junction.fit.block import REASONS
from junction.fit.common import NORMAL, per_kelvin
from junction.fit.intervals import LOGARITHMIC, log_covariance, parameters
from junction.fit.models import CODE, NAMES, model_index
from junction.fit.results import FLAGS, MODELS, SweepFits
from junction.fit.terms import COORDINATES, I0, LOWER, UPPER, A, B, G


@dataclass(eq=False)
class Collected:
    """Working arrays over all sweeps, filled block by block (each thread its own rows)."""

    theta: np.ndarray
    covariance: np.ndarray
    below: np.ndarray
    above: np.ndarray
    parts: np.ndarray
    arrays: dict[str, np.ndarray]
    flags: dict[str, np.ndarray]
    used: np.ndarray

    @classmethod
    def empty(cls, n: int, m: int) -> Collected:
        """For n sweeps with m points in all; a sweep without points keeps reason 1."""
        p = len(COORDINATES)
        arrays = {
            name: np.full(n, np.nan)
            for name in ("chi2", "quantile", "heating_K", "gap", "limit_g", "limit_r", "top")
        }
        arrays |= {name: np.zeros(n, np.int64) for name in ("code", "dof", "n_used", "runner_up")}
        arrays["reason"] = np.ones(n, np.int64)
        theta, below, above = (np.full((n, p), np.nan) for _ in range(3))
        flags = {name: np.zeros(n, bool) for name in FLAGS}
        parts = np.full((n, 3), np.nan)
        return cls(theta, np.zeros((n, p, p)), below, above, parts, arrays, flags, np.zeros(m, bool))

    def put(self, rows, starts, out: dict, real) -> None:
        """Take in one block."""
        for name in ("theta", "covariance", "below", "above", "parts"):
            getattr(self, name)[rows] = out[name]
        for name, array in self.arrays.items():
            array[rows] = out[name]
        for name, array in out["flags"].items():
            self.flags[name][rows] = array
        at = starts[rows][:, None] + np.arange(real.shape[1])
        self.used[at[real]] = out["used"][real]


def assemble(table: SweepTable, c: Collected, temp_C, temp_known, temp_u, vt, *, stated: bool) -> SweepFits:
    """Parameters, intervals, models and flags of all sweeps."""
    a, flags, theta, covariance = c.arrays, c.flags, c.theta, c.covariance
    none = a["reason"] > 0
    theta[none], covariance[none] = np.nan, 0.0
    c.below[np.isnan(theta)], c.above[np.isnan(theta)] = np.nan, np.nan
    code = a["code"]
    q = a["quantile"]
    u = np.sqrt(np.maximum(np.einsum("nii->ni", covariance), 0.0))
    u[np.isnan(theta)] = np.nan
    constant = np.isin(code, [CODE[n] for n in NAMES if "offset" in n]) & ~none
    with np.errstate(invalid="ignore"):
        light = constant & (theta[:, I0] < -5 * u[:, I0]) & (-theta[:, I0] > 1e-3 * a["top"])
        light &= code != CODE["resistor + offset"]
        resistor = np.isin(code, [CODE["resistor"], CODE["resistor + offset"]])
        shunt = theta[:, G] > c.below[:, G]
        warm = temp_u[:, None] * per_kelvin(theta, temp_C) * NORMAL
        value, low, high, spread = parameters(
            theta, u, np.hypot(c.below, warm), np.hypot(c.above, warm), q, vt, covariance,
            resistor=resistor, light=light, loose=flags["rank_deficient"],
        )  # fmt: skip
        is_open = (code == CODE["open"]) & ~none
        low["R_ohm"] = np.where(is_open, 1 / a["limit_g"], low["R_ohm"])
        high["R_ohm"] = np.where(is_open, np.inf, high["R_ohm"])
        bounded = np.isfinite(a["limit_r"]) & ~none
        low["R_ohm"] = np.where(bounded, -np.inf, low["R_ohm"])
        high["R_ohm"] = np.where(bounded, a["limit_r"], high["R_ohm"])
        flags["zero_offset"] |= constant & ~light & (np.abs(theta[:, I0]) > 3.5 * u[:, I0])
        flags["zero_offset"] |= is_open & (np.abs(theta[:, I0]) > 3.5 * u[:, I0])
        n_too_low = theta[:, B] - q * u[:, B] > 1 / 0.85
        n_too_low |= (theta[:, B] >= UPPER[B]) | (theta[:, A] <= LOWER[A])
    flags["unphysical"] |= n_too_low & ~none
    flags["reversed"] |= table.reversed_sign
    known = np.all(np.isfinite(u) | np.isnan(theta), axis=1) & ~flags["rank_deficient"] & ~none
    flags["uncertainty_known"] = known & (stated | (a["dof"] > 0))
    model = np.where(none, 0, model_index(code, shunt, light))
    runner = _runner(a["runner_up"], model, light, none)
    return SweepFits(
        model=model, runner_up=runner, evidence_gap=np.where(runner < 0, np.nan, a["gap"]),
        value=value, low=low, high=high, u=spread, coordinates=LOGARITHMIC,
        covariance=log_covariance(theta, covariance, value, vt), chi2=np.where(none, np.nan, a["chi2"]),
        dof=a["dof"], n_points=np.diff(table.starts), n_used=a["n_used"], used=c.used, temp_C=temp_C,
        temp_known=temp_known, temp_u_K=temp_u, heating_K=a["heating_K"],
        flags={name: flags[name] for name in FLAGS},
        why_not=tuple(REASONS[k] for k in a["reason"]), theta=theta, theta_covariance=covariance,
        quantile=np.where(none, np.nan, q), noise_V2=c.parts[:, 1], noise_A2=c.parts[:, 0],
        noise_ratio2=c.parts[:, 2],
    )  # fmt: skip


def _runner(rival, model, light, none):
    """Model index of the rival set; a rival that differs by the shunt alone is the other of the two."""
    false = np.zeros(rival.size, bool)
    out = np.where(rival >= 0, model_index(np.maximum(rival, 0), false, false), -1)
    other = {MODELS.index("junction"): MODELS.index("junction + shunt"),
             MODELS.index("junction + shunt"): MODELS.index("junction")}  # fmt: skip
    for mine, its in other.items():
        out = np.where((rival == -2) & (model == mine), its, out)
    # a constant current as the rival of a junction is named by what it would be in physics
    offset = np.isin(rival, [CODE["offset"]])
    out = np.where(offset, MODELS.index("junction + photocurrent"), out)
    return np.where(none, -1, out)
