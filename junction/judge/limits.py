"""Which limit a junction is held to, and the probability that it keeps it.

The rule is that of JCGM 106:2012 (*The role of measurement uncertainty in conformity assessment*): the
measurement gives a distribution of values the quantity may have, and the part of that distribution
inside the tolerance interval is the probability of conformity.  At ``conformity_good`` or more the junction
conforms, at ``conformity_bad`` or less it does not (both in reference/rules.csv), and between the two nobody
knows yet: the answer is `undecided`, with the measurement that would decide.
"""

from __future__ import annotations

from math import inf, isfinite
from typing import NamedTuple

import numpy as np

from junction.shelf.results import PartType
from junction.shelf.rules import rule

#: Letter symbol of a junction's registered leakage, and the maximum ratings that a breakdown must not stay
#: under, in the order they are looked for.
LEAK_SYMBOLS = {"BE": "I_EBO", "BC": "I_CBO", "CE": "I_CEO", "AK": "I_R"}
BREAKDOWN_RATINGS = {"BE": ("V_EBO",), "BC": ("V_CBO", "V_CEO"), "CE": (), "AK": ("V_RRM", "V_R")}

#: Bases on which a figure fails no part.
NO_LIMIT = ("secondary", "claim, not a limit")


class Leak(NamedTuple):
    """Largest reverse current that is allowed [A], the reverse voltage it holds at [V], and by whom."""

    leak_A: float
    at_V: float
    words: str


def registered_leak(part_type: PartType | None, junction: str) -> Leak | None:
    """Registered leakage limit of a junction, or None where there is no registration or it gives none."""
    if part_type is None or part_type.secondary:
        return None  # a limit that rests on secondary pages never fails a part
    symbol = LEAK_SYMBOLS[junction]
    for limit in part_type.find(symbol):
        volts = [abs(limit.at[k]) for k in ("veb_V", "vcb_V", "vce_V", "vr_V") if k in limit.at]
        if volts and isfinite(limit.high) and limit.basis not in NO_LIMIT:
            words = f"registered {symbol} of {part_type.name}; {limit.source or part_type.source}"
            return Leak(limit.high, volts[0], words)
    return None


def breakdown_limits(part_type: PartType | None, junction: str) -> tuple[float, float, float]:
    """Rating that a breakdown voltage must reach, and the range of a Zener type's [V]; 0, 0, inf: none."""
    if part_type is None or part_type.secondary:
        return 0.0, 0.0, inf
    zener = [x for x in part_type.find("V_Z") if isfinite(x.low) and x.basis not in NO_LIMIT]
    if junction == "AK" and zener:
        # a sweep rarely reaches the registered test current, where a low-voltage type has some volts more
        return 0.0, rule("zener_share_low") * zener[0].low, rule("zener_share_high") * zener[0].high
    ratings = [part_type.rating(symbol) for symbol in BREAKDOWN_RATINGS[junction]]
    return next((x for x in ratings if isfinite(x)), 0.0), 0.0, inf


def conformity(value, u, low=-np.inf, high=np.inf):
    """Probability that a quantity lies inside a tolerance interval.

    JCGM 106:2012, 7.3: ``p = Phi((high - y)/u) - Phi((low - y)/u)`` for a normal distribution.

    Parameters
    ----------
    value, u : array_like
        Best estimate and its standard uncertainty, same unit; u of 0, or an infinite value, is a step.
    low, high : array_like
        Tolerance limits; infinite where there is none.

    Returns
    -------
    ndarray
        Probability of conformity [1], broadcast; nan where the value or u is nan.
    """
    from scipy.special import ndtr

    y, u, low, high = np.broadcast_arrays(*(np.asarray(x, float) for x in (value, u, low, high)))
    sharp = (u == 0) | np.isinf(y)
    scale = np.where(sharp, 1.0, u)
    # The difference of the two tails is taken on the side where both are small, or digits are lost.
    with np.errstate(invalid="ignore"):
        above = y > 0.5 * (np.where(np.isfinite(low), low, high) + np.where(np.isfinite(high), high, low))
        a, b = (low - y) / scale, (high - y) / scale
        p = np.where(above, ndtr(b) - ndtr(a), ndtr(-a) - ndtr(-b))
    p = np.where(sharp, ((y >= low) & (y <= high)).astype(float), p)
    return np.where(np.isnan(y) | np.isnan(u), np.nan, np.clip(p, 0.0, 1.0))


def conformity_log(value, u_ln, low=0.0, high=np.inf):
    """Probability of conformity of a positive quantity known to a factor (log-normal).

    Parameters
    ----------
    value : array_like
        Best estimate (median), positive; 0 conforms to any upper limit.
    u_ln : array_like
        Standard uncertainty of its natural logarithm [1].
    low, high : array_like
        Tolerance limits in the unit of `value`.

    Returns
    -------
    ndarray
        Probability of conformity [1].
    """
    with np.errstate(divide="ignore"):
        y, a, b = (np.log(np.asarray(x, float)) for x in (value, low, high))
    return conformity(y, u_ln, a, b)


def unseen_leak(floor_ohm, limit_ohm, short_ohm, prior):
    """Probability that a leak hides below what a measurement can see.

    A healthy result from an instrument that cannot resolve the limit is not proof.  Before the
    measurement a fraction `prior` of parts leaks, with resistances spread evenly over the decades
    between the short limit and the family's limit; seeing none above `floor_ohm` removes the rest.

    Parameters
    ----------
    floor_ohm : array_like
        Lowest leakage resistance the measurement excludes nothing above [ohm].
    limit_ohm : array_like
        Resistance that the family's leakage limit stands for [ohm].
    short_ohm : float
        Resistance below which a path is a short [ohm].
    prior : float
        Fraction of leaky junctions among those that come to the bench [1].

    Returns
    -------
    ndarray
        Posterior probability of a hidden leak [1]; 0 where the floor is at or above the limit.
    """
    floor, limit = np.broadcast_arrays(np.asarray(floor_ohm, float), np.asarray(limit_ohm, float))
    with np.errstate(divide="ignore", invalid="ignore"):
        hidden = np.log(limit / np.maximum(floor, short_ohm)) / np.log(limit / short_ohm)
    hidden = np.clip(np.nan_to_num(hidden, nan=0.0), 0.0, 1.0)
    return prior * hidden / (prior * hidden + 1.0 - prior)
