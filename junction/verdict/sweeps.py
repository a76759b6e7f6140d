"""Verdicts of many sweeps at once: good, leaky, shorted, open, or undecided.

For every sweep and every family it may belong to, three questions are asked of the fit: do forward
voltage, ideality and series resistance fit the family (which weighs the families), does the reverse
current keep that family's limit (which decides good against leaky), and is there a path under the short
limit, or no junction at all.  The answers are probabilities (`junction.verdict.weigh`), the families'
answers are averaged with their weights, and the 95 % rule of `junction.judge.conformity` decides.

A leaky silicon junction is not taken for a good germanium one, because the forward voltage asked about is
that of the junction alone, its shunt taken away.  Where shunt and junction cannot be told apart, or
where an unmarked part may belong to families whose limits disagree, the weights stay mixed and the
verdict is `undecided`, with the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from junction.base.records import SweepTable
from junction.fit.results import SweepFits
from junction.judge.conformity import conformity_log, decide, decision_limits
from junction.judge.limits import LimitTable, limit_table, registered_leak
from junction.judge.results import VERDICTS, JunctionVerdict
from junction.shelf.families import families as shelf_families
from junction.shelf.results import Family, PartType
from junction.shelf.rules import rules
from junction.shelf.types import find_type
from junction.verdict import weigh
from junction.verdict.measured import JUNCTION, NONE, OPEN, RESISTOR, REVERSE_ONLY, Measured, measured
from junction.verdict.sweep_reasons import (
    BLIND,
    DECIDED,
    DRIFTED,
    NEAR_LIMIT,
    NO_FIT,
    NOT_REACHED,
    ODD,
    SWAPPED,
    WHICH_FAMILY,
)

#: Tags get mixed and probes slip: nothing is surer than this leaves [1], our convention.
NEVER_SURE = 1e-4

#: A temperature as uncertain as this moved by 60 K and more within the sweep [K] (our convention).
DRIFT_U_K = 17.0

#: A registered limit is used when its voltage is at most this many times what the sweep reached.
MAX_EXTRAPOLATION = 4.0


@dataclass(frozen=True, eq=False)
class SweepVerdicts:
    """Verdicts of a whole table as arrays; `verdict` and `verdicts` make the records for people.

    Parameters
    ----------
    table, fits : SweepTable, SweepFits
    measured : Measured
    limits : LimitTable
    row : ndarray of int (n,)
        Row of `limits` that holds for each sweep.
    code : ndarray of int (n,)
        Index into `judge.results.VERDICTS`.
    probability : ndarray (n, 4)
        Over `judge.results.QUALITIES`; rows sum to 1.
    reason : ndarray of int (n,)
        Index into `REASONS`: why a sweep is undecided.
    weight : ndarray (n, f)
        Probability of each family [1].
    family : ndarray of int (n,)
        Most probable family.
    leak_A : ndarray (n,)
        Reverse current, referred to 25 degC, at that family's limit voltage [A].
    kept, hidden : ndarray (n,)
        Probability that the limit is kept, over all families; that a leak over it hides below what the sweep
        resolves [1].
    kept_by : ndarray (n, f)
        Probability that each family's own limit is kept [1].
    vf_V : ndarray (n,)
        Forward voltage of the junction alone at that family's test current and 25 degC [V].
    window : ndarray (n,)
        Probability that the forward part is that of a healthy junction [1].
    """

    table: SweepTable
    fits: SweepFits
    measured: Measured
    limits: LimitTable
    row: np.ndarray
    code: np.ndarray
    probability: np.ndarray
    reason: np.ndarray
    weight: np.ndarray
    family: np.ndarray
    leak_A: np.ndarray
    kept: np.ndarray
    kept_by: np.ndarray
    hidden: np.ndarray
    vf_V: np.ndarray
    window: np.ndarray

    def __len__(self) -> int:
        return self.code.size

    def names(self) -> tuple[str, ...]:
        """Verdict of every sweep as a word."""
        return tuple(VERDICTS[c] for c in self.code.tolist())

    def verdicts(self) -> tuple[JunctionVerdict, ...]:
        """Every sweep as a record with evidence, limit and fit."""
        from junction.verdict.summary import junction_verdicts

        return junction_verdicts(self)


def _limits(table: SweepTable, m: Measured, find, families: tuple[Family, ...]):
    """Limits by distinct (junction, type, within reach of the registered voltage), and each sweep's row."""
    types = {name: find(name) if name else None for name in set(table.type)}
    pairs: dict[tuple[str, str, bool], int] = {}
    row = np.empty(len(table), np.int64)
    ce = np.array([j == "CE" for j in table.junction], bool)
    reach = (MAX_EXTRAPOLATION * np.nan_to_num(np.where(ce, m.v_high_V, -m.v_low_V))).tolist()
    for k, (junction, name) in enumerate(zip(table.junction, table.type, strict=True)):
        part_type = types[name]
        held = registered_leak(part_type, junction) if part_type else None
        row[k] = pairs.setdefault((junction, name, bool(held and held.at_V <= reach[k])), len(pairs))
    return limit_table([(j, types[name], use) for j, name, use in pairs], families), row


def _reasons(code, m: Measured, ce, window, kept, hidden) -> np.ndarray:
    """Why a sweep is undecided: the first thing that keeps it from being decided."""
    doubt = code == weigh.UNDECIDED
    good, bad = decision_limits()
    reason = np.where(doubt, WHICH_FAMILY, DECIDED)
    near = (kept > bad) & (kept < good)
    reason[doubt & near] = NEAR_LIMIT
    reason[doubt & (hidden > 0.5 * (1 - good)) & (kept >= 0.5)] = BLIND
    reason[doubt & (window < good) & (kept > bad)] = ODD
    reason[doubt & (m.kind != JUNCTION) & ~ce & (kept > bad)] = NOT_REACHED
    reason[doubt & (m.kind == NONE)] = NO_FIT
    reason[doubt & m.swapped] = SWAPPED
    reason[doubt & (m.temp_u_K > DRIFT_U_K)] = DRIFTED
    return np.where(doubt & (m.doubt > 0), DRIFTED + m.doubt, reason)


def judge_sweeps(
    table: SweepTable,
    fits: SweepFits,
    types: Callable[[str], PartType | None] = find_type,
    families: Iterable[Family] | None = None,
) -> SweepVerdicts:
    """Judge every sweep of a table.

    Parameters
    ----------
    table : SweepTable
    fits : SweepFits
        Of the same sweeps, in the same order.
    types : callable, optional
        From a marking to its registered type or None; the shelf's own by default.
    families : iterable of Family, optional
        Instead of the shelf's.

    Returns
    -------
    SweepVerdicts

    Raises
    ------
    ValueError
        Table and fits of different length, or a junction that is none of `JUNCTIONS`.
    """
    devices = {"diode" if junction == "AK" else "bjt" for junction in set(table.junction)}
    kin = families if families is not None else shelf_families().values()
    kin = tuple(f for f in kin if f.device in devices or not devices)
    m = measured(table, fits)
    limits, row = _limits(table, m, types, kin)
    prior = limits.prior[row]
    junction = np.array(table.junction, dtype="U2")
    ce = junction == "CE"

    vf, inside, density, ends = weigh.forward_fit(m, fits, kin)
    density *= weigh.breakdown_factor(m, kin, junction == "AK")
    density *= weigh.path_factor(m, kin, junction == "BE")
    density[ce] = 0.0  # a path between collector and emitter says nothing of the family
    weight = weigh.family_weight(prior, weigh.share_by_part(table.part, table.junction, density, kin))
    rated, zener = weigh.breakdown_kept(m, limits, row)
    window = weigh.in_any_window(inside, ends, prior > 0, weight) * zener
    leak, kept, hidden = weigh.leakage(m, limits, row, ce)
    kept = kept * rated[:, None]
    short = 1.0 - conformity_log(m.path_ohm, m.path_u_ln, low=rules()["short_below"].value)
    kept_mean, hidden_mean = (weight * kept).sum(axis=1), (weight * kept * hidden).sum(axis=1)

    p = np.full((len(table), 4), 0.25)
    for at, rows in (
        (m.kind == JUNCTION, weigh.junction_seen(kept_mean - hidden_mean, window, short)),
        ((m.kind == OPEN) | (m.kind == RESISTOR),
         weigh.junction_not_seen(m, weight, kept, hidden, short, kin)),
        (m.kind == REVERSE_ONLY, weigh.reverse_only(kept_mean, hidden_mean, short)),
        (ce & (m.kind != NONE), weigh.path_without_junction(kept_mean, hidden_mean, short)),
    ):  # fmt: skip
        p[at] = rows[at]
    other = weigh.contradicted(inside, limits, row, m) & (m.kind == JUNCTION) & ~ce
    p[other] = np.array([1, 1, 0, 1]) / 3.0  # another part than the marking says: its limits say nothing
    p[m.swapped | (m.doubt > 0) | (m.temp_u_K > DRIFT_U_K)] = 0.25
    p = p * (1.0 - 4 * NEVER_SURE) + NEVER_SURE
    code = decide(p)
    best = weight.argmax(axis=1)
    each = np.arange(len(table))
    window = np.where(other, 0.0, window)
    reason = _reasons(code, m, ce, np.where(ce, 1.0, window), kept[each, best], hidden[each, best])
    reason[other] = ODD
    return SweepVerdicts(
        table, fits, m, limits, row, code, p, reason, weight, best, leak[each, best], kept_mean, kept,
        hidden[each, best], vf[each, best], window,
    )  # fmt: skip
