"""Fits written down by hand, so that judgement is tested without the estimator."""

from types import SimpleNamespace

import numpy as np

from junction.sweeps.results import FLAGS, MODELS, PARAMETERS, SweepFits
from junction.sweeps.terms import AR, BR, RS, WIDTH, A, B


def columns(found):
    """Verdicts of sweeps as columns: names, reasons, numbers of the findings and probabilities (n, 4)."""
    return SimpleNamespace(
        names=tuple(j.verdict for j in found), reason=[j.finding.reason for j in found],
        numbers=[j.finding.numbers for j in found], said=[j.evidence[0] for j in found],
        probability=np.array([list(j.probability.values()) for j in found]), records=found,
        family=[j.family for j in found],
    )  # fmt: skip


def made_fits(rows, temp_C=None, relative_u=0.01):
    """One fit per dict of ``model``, parameters, and optional ``low``/``high``/``u`` dicts and ``flags``."""
    n = len(rows)
    table = {k: {p: np.full(n, np.nan) for p in PARAMETERS} for k in ("value", "low", "high", "u")}
    flags = {f: np.full(n, f in ("converged", "uncertainty_known")) for f in FLAGS}
    why = []
    for k, row in enumerate(rows):
        for name in PARAMETERS:
            if name in row:
                value = np.float64(row[name])
                u = row.get("u", {}).get(name, relative_u * abs(value))
                table["value"][name][k], table["u"][name][k] = value, u
                table["low"][name][k], table["high"][name][k] = value - 2 * u, value + 2 * u
        for side in ("low", "high"):
            for name, x in row.get(side, {}).items():
                table[side][name][k] = x
        for name, x in row.get("flags", {}).items():
            flags[name][k] = x
        why.append(row.get("why_not", ""))
    model = np.array([MODELS.index(r["model"]) for r in rows], int)
    temp = np.full(n, np.nan) if temp_C is None else np.asarray(temp_C, float)
    ones, value = np.ones(n), table["value"]
    theta, covariance = np.full((n, WIDTH), np.nan), np.zeros((n, WIDTH, WIDTH))
    theta[:, A], theta[:, B], theta[:, RS] = np.log(value["IS_A"]), 1 / value["N"], value["RS_ohm"]
    theta[:, AR], theta[:, BR] = np.log(value["ISR_A"]), 1 / value["NR"]
    covariance[:, RS, RS] = np.nan_to_num(table["u"]["RS_ohm"]) ** 2
    covariance[:, AR, AR] = np.nan_to_num(table["u"]["ISR_A"] / value["ISR_A"]) ** 2
    return SweepFits(
        model, np.full(n, -1), np.full(n, 50.0), table["value"], table["low"], table["high"], table["u"],
        80 * ones, 77 * ones, (80 * ones).astype(int), (80 * ones).astype(int),
        np.ones(0, bool), np.nan_to_num(temp, nan=25.0), np.isfinite(temp), np.full(n, np.nan), flags,
        tuple(why), theta, covariance, 1.96 * ones,
    )  # fmt: skip
