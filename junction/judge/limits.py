"""Which limits a junction is held to: the registered ones of its type, or those of its likely families.

An unmarked part may belong to several families whose limits differ by decades (a small-signal transistor
may leak 0.1 uA, a power transistor a thousand times that), so every family keeps its own limit here and
`junction.judge.sweeps` weighs them by how well the measured junction fits each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

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
    words : tuple of tuple of str
        The limit in words with what it rests on, per pair and family.
    """

    families: tuple[Family, ...]
    prior: np.ndarray
    leak_A: np.ndarray
    at_V: np.ndarray
    typed: np.ndarray
    registered: np.ndarray
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
            if volts and isfinite(limit.high):
                words = f"registered {symbol} of {part_type.name}; {limit.source or part_type.source}"
                return RegisteredLeak(limit.high, volts[0], words)
    return None


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
    words, registered = [], np.zeros(n, bool)
    for k, (junction, part_type, use) in enumerate(pairs):
        if junction not in JUNCTIONS:
            raise ValueError(f"junction {junction!r}: expected one of {', '.join(JUNCTIONS)}")
        prior[k] = _prior(junction, part_type, families)
        held = registered_leak(part_type, junction) if part_type and use else None
        registered[k] = held is not None
        gain = CEO_GAIN if junction == "CE" else 1.0
        leak[k] = [held.leak_A if held else f.leak_max_A * gain for f in families]
        volts[k] = [held.at_V if held else f.leak_at_V for f in families]
        words.append(tuple(held.words if held else f"{f.name} family; {f.basis}" for f in families))
    typed = np.array([bool(t and t.family) for _, t, _ in pairs], bool)
    return LimitTable(tuple(families), prior, leak, volts, typed, registered, tuple(words))
