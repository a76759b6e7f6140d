"""Which limits a junction is held to: the registered ones of its type, or those of its likely families.

An unmarked part may belong to several families whose limits differ by decades (a small-signal transistor
may leak 0.1 uA, a power transistor a thousand times that), so every family keeps its own limit here and
`junction.verdict.sweeps` weighs them by how well the measured junction fits each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite

import numpy as np

from junction.base.records import JUNCTIONS
from junction.shelf.results import Family, PartType

#: How often a family comes to the bench, before anything is measured [1].  Our convention: no count of
#: repair-bench parts is published.  A Zener diode that does not break down in a sweep is rare.
PRIOR = {
    "small-signal silicon BJT": 0.45, "silicon power BJT": 0.35, "silicon Darlington B-E path": 0.02,
    "silicon Darlington with resistors": 0.04, "germanium small-signal": 0.07, "germanium power": 0.07,
    "switching diode": 0.32, "silicon rectifier": 0.35, "Schottky": 0.12, "germanium point contact": 0.06,
    "Zener": 0.01, "LED infra-red": 0.01, "LED red": 0.04, "LED yellow or green": 0.04,
    "LED blue or white": 0.04,
}  # fmt: skip
PRIOR_ELSE = 0.03

#: Registered leakage by junction: letter symbols in the order they are looked for.
LEAK_SYMBOLS = {"BE": ("I_EBO",), "BC": ("I_CBO",), "CE": ("I_CEO",), "AK": ("I_R",)}

#: Bases on which a figure fails no part.
NO_LIMIT = ("secondary", "claim, not a limit")

#: Maximum rating that a breakdown must not stay under, by junction, in the order they are looked for.
BREAKDOWN_RATINGS = {"BE": ("V_EBO",), "BC": ("V_CBO", "V_CEO"), "CE": (), "AK": ("V_RRM", "V_R")}

#: Share of a registered Zener voltage that the breakdown voltage of a sweep may have: low and high.  A sweep
#: rarely reaches the registered test current, where a low-voltage type has some volts more (common practice).
ZENER_SHARE = (0.7, 1.04)

#: A floating base multiplies the collector junction's leak, I_CEO = (h_FE + 1) I_CBO; an unmarked part is
#: allowed this gain (common practice, no source).
CEO_GAIN = 30.0


@dataclass(frozen=True)
class LimitTable:
    """Limits of every (junction, type) pair of a bag against every family; arrays (pairs, families).

    Parameters
    ----------
    families : tuple of Family
        Axis 1.
    prior : ndarray
        Weight before measurement, rows sum to 1 [1].
    leak_A, at_V : ndarray
        Largest reverse current of a healthy junction [A] and the reverse voltage it holds at [V].
    typed : ndarray of bool (pairs,)
        True where a registered type fixed the family.
    registered : ndarray of bool (pairs,)
        True where the leakage limit is the type's own.
    rating_V : ndarray (pairs,)
        Maximum rating that the breakdown voltage must reach [V], 0 where none is registered.
    zener_V : ndarray (pairs, 2)
        Range that the breakdown voltage of a registered Zener type lies in [V], else 0 and inf.
    words : tuple of tuple of str
        The limit in words with what it rests on, per pair and family.
    """

    families: tuple[Family, ...]
    prior: np.ndarray
    leak_A: np.ndarray
    at_V: np.ndarray
    typed: np.ndarray
    registered: np.ndarray
    rating_V: np.ndarray
    zener_V: np.ndarray
    words: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class RegisteredLeak:
    """Largest reverse current a registered type allows [A], at a reverse voltage [V]."""

    leak_A: float
    at_V: float
    words: str


def registered_leak(part_type: PartType, junction: str) -> RegisteredLeak | None:
    """Registered leakage limit of a junction, or None where the registration gives none."""
    if part_type.secondary:
        return None  # a limit that rests on secondary pages never fails a part
    for symbol in LEAK_SYMBOLS[junction]:
        for limit in part_type.find(symbol):
            volts = [abs(limit.at[k]) for k in ("veb_V", "vcb_V", "vce_V", "vr_V") if k in limit.at]
            if volts and isfinite(limit.high) and limit.basis not in NO_LIMIT:
                words = f"registered {symbol} of {part_type.name}; {limit.source or part_type.source}"
                return RegisteredLeak(limit.high, volts[0], words)
    return None


def breakdown_limits(part_type: PartType | None, junction: str) -> tuple[float, float, float]:
    """Rating that a breakdown voltage must reach, and the range of a Zener type's [V]; 0, 0, inf: none."""
    if part_type is None or part_type.secondary:
        return 0.0, 0.0, inf
    zener = [x for x in part_type.find("V_Z") if isfinite(x.low) and x.basis not in NO_LIMIT]
    if junction == "AK" and zener:
        return 0.0, ZENER_SHARE[0] * zener[0].low, ZENER_SHARE[1] * zener[0].high
    ratings = [part_type.rating(symbol) for symbol in BREAKDOWN_RATINGS[junction]]
    return next((x for x in ratings if isfinite(x)), 0.0), 0.0, inf


def _prior(junction: str, part_type: PartType | None, families: Sequence[Family]) -> np.ndarray:
    device = "diode" if junction == "AK" else "bjt"
    own = part_type.family if part_type else ""
    if own and junction in ("BC", "CE") and "Darlington" in own:
        own = "silicon power BJT"  # its collector junction is a plain one
    weight = np.array([
        float(f.name == own) if own else PRIOR.get(f.name, PRIOR_ELSE) * (f.device == device)
        for f in families
    ])  # fmt: skip
    if not own and junction in ("BC", "CE"):
        weight *= [0.0 if "Darlington" in f.name else 1.0 for f in families]
    if not weight.any():  # a marking of the other kind of device: judge the junction as what it is
        return _prior(junction, None, families)
    return weight / weight.sum()


def limit_table(
    pairs: Sequence[tuple[str, PartType | None, bool]], families: Sequence[Family]
) -> LimitTable:
    """Limits for each (junction, registered type or None, whether its registered leakage is used).

    Parameters
    ----------
    pairs : sequence of (str, PartType or None, bool)
    families : sequence of Family

    Returns
    -------
    LimitTable

    Raises
    ------
    ValueError
        A junction that is none of `JUNCTIONS`.
    """
    n, m = len(pairs), len(families)
    leak, volts, prior = np.empty((n, m)), np.empty((n, m)), np.empty((n, m))
    words, registered, breakdown = [], np.zeros(n, bool), np.empty((n, 3))
    for k, (junction, part_type, use) in enumerate(pairs):
        if junction not in JUNCTIONS:
            raise ValueError(f"junction {junction!r}: expected one of {', '.join(JUNCTIONS)}")
        prior[k] = _prior(junction, part_type, families)
        held = registered_leak(part_type, junction) if part_type and use else None
        registered[k], breakdown[k] = held is not None, breakdown_limits(part_type, junction)
        gain = CEO_GAIN if junction == "CE" else 1.0
        leak[k] = [held.leak_A if held else f.leak_max_A * gain for f in families]
        volts[k] = [held.at_V if held else f.leak_at_V for f in families]
        floating = f", times {CEO_GAIN:g} with the base open" if junction == "CE" else ""
        words.append(tuple(
            held.words if held else f"{f.name} family{floating}; {f.basis}" for f in families
        ))  # fmt: skip
    typed = (prior > 0).sum(axis=1) == 1
    return LimitTable(
        tuple(families), prior, leak, volts, typed, registered, breakdown[:, 0], breakdown[:, 1:],
        tuple(words),
    )  # fmt: skip
