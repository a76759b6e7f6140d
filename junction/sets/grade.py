"""Grades: what a predicted imbalance is worth, by a convention of this tool stated beside every grade.

The registered matched duals are held to a ratio of the two h_FE (lower over higher) of 0.8 or 0.9 to 1
and a V_BE difference of 3 to 15 mV, without emitter resistors (MIL-PRF-19500/270 gives the method:
ratio of separately measured gains, difference with the emitters joined).  A V_BE difference dV means a
ratio of currents exp(dV/(kT/q)) there: 3 mV is 12 %, an imbalance of 5.8 %.
"""

from __future__ import annotations

import numpy as np

from junction.base.records import Interval

#: grade -> highest 95 % limit of the imbalance, (max - min)/sum
LIMITS = {"A": 0.05, "B": 0.10, "C": 0.20}
MEANING = {
    "A": "95 % sure that the currents differ by no more than 5 % of their sum",
    "B": "95 % sure of no more than 10 %",
    "C": "95 % sure of no more than 20 %",
    "none": "cannot be trusted to stay under 20 %",
}


def grade_of(limit: float, runs_away: bool = False) -> str:
    """Grade for the 95 % limit of an imbalance [1]; a set that runs away has none."""
    if runs_away or not limit == limit:
        return "none"
    return next((grade for grade, top in LIMITS.items() if limit <= top), "none")


def interval_of(value: float, draws, unit: str = "") -> tuple[Interval, float]:
    """95 % interval of a size from its draws, and its 95 % upper limit.

    Parameters
    ----------
    value : float
        The size at the fitted parameters.
    draws : ndarray (d,)
        The same under the measurement's uncertainty.

    Returns
    -------
    interval : Interval
        2.5 % to 97.5 %, widened to hold `value`: draws of a size near zero all lie above it.
    limit : float
        One-sided 95 % limit.
    """
    draws = np.asarray(draws, float)
    draws = draws[np.isfinite(draws)]
    if not draws.size:
        return Interval(float(value), float("nan"), float("nan"), unit), float("nan")
    low, limit, high = np.quantile(draws, (0.025, 0.95, 0.975))
    return (Interval(float(value), min(float(low), float(value)), max(float(high), float(value)), unit),
            max(float(limit), float(value)))  # fmt: skip
