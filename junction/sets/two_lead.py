"""Sets of diodes, LEDs or Zeners: alike in voltage at one current, or in current at one voltage.

The cost of a set is what is to be expected of it under the uncertainty of the readings, as for transistors
(`junction.sets.choose`); the search and its proof are the same.  A string, a bridge and Zeners are held to
their voltages at one current, as a share of the voltage; a ring and parts side by side to their currents at
one voltage, largest less smallest over the sum.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import nan

import numpy as np

from junction.amplifier.sharing import imbalance
from junction.base.errors import UsageError
from junction.base.records import Interval
from junction.base.units import NORMAL_95
from junction.judge.results import say
from junction.sets.choose import beyond_use, expected_imbalance, folded_mean, group_up
from junction.sets.junctions import Known, TwoLead, at_current, draws_for, kinds_of
from junction.sets.pack import gap_of
from junction.sets.results import GRADES, LAYOUTS, LeftOver, TwoLeadReport, TwoLeadSet
from junction.shelf.tables import rule
from junction.sweeps.derived import breakdown_at, voltage_at_current
from junction.sweeps.results import SweepFits

#: Newton's steps to a common voltage, the longest of them in ln I, and the agreement that ends them.
_STEPS, _LONGEST, _AGREED = 40, 1.5, 1e-9
#: Sets weighed at a time, and exchanges listed for a kept set.
_CHUNK, _MOST_SWAPS = 20_000, 6


def shared_currents(v_V, slope_V, rs_ohm, current_A) -> np.ndarray:
    """Share of the current that each part takes where all have one voltage.

    Parameters
    ----------
    v_V, slope_V, rs_ohm : ndarray (.., k)
        Voltage at `current_A` [V], m [V] and series resistance [ohm] of each.
    current_A : float
        Mean current of a part [A].

    Returns
    -------
    ndarray (.., k)
        Shares that sum to one.
    """
    drop = rs_ohm * current_A
    x = np.clip((v_V.mean(axis=-1, keepdims=True) - v_V) / (slope_V + drop), -2.0, 2.0)
    for _ in range(_STEPS):
        e = np.exp(x)
        f, s = v_V + slope_V * x + drop * (e - 1), slope_V + drop * e
        g = e / s
        missing = x.shape[-1] - e.sum(axis=-1) + (g * f).sum(axis=-1)
        move = (missing / g.sum(axis=-1))[..., None] - f
        move = np.clip(move / s, -_LONGEST, _LONGEST)
        x = x + move
        if np.abs(move).max(initial=0.0) < _AGREED:
            break
    e = np.exp(x)
    return e / e.sum(axis=-1, keepdims=True)


def size_interval(value: float, draws, unit: str = "") -> Interval:
    """95 % interval of a size, widened to hold its value."""
    low, high = np.quantile(np.asarray(draws, float), (0.025, 0.975)).tolist()
    return Interval(float(value), min(low, float(value)), max(high, float(value)), unit)


class Pool:
    """Parts of one kind at their working current, and what sets of them cost."""

    def __init__(self, known: Known, held: str) -> None:
        self.known, self.by_current = known, held == "current at one voltage"
        self.amps = float(known.current_A[0])
        self.volts = float(np.abs(known.v_V.mean()))

    def sizes(self, members) -> np.ndarray:
        """Spread of sets (c, k) as a share of the voltage, or imbalance of their currents [1]."""
        w = self.known
        if self.by_current:
            own = (a[members] for a in (w.v_V, w.slope_V, w.rs_ohm))
            return imbalance(shared_currents(*own, self.amps))
        return np.ptp(w.v_V[members], axis=-1) / self.volts

    def cost(self, members) -> np.ndarray:
        """Size to be expected of sets (c, k) [1]."""
        end = rule("grade_c" if self.by_current else "grade_volts_c")
        total = np.empty(len(members))
        for at in range(0, len(members), _CHUNK):
            piece = members[at : at + _CHUNK]
            u = np.sqrt(2 * np.mean(self.known.u_V[piece] ** 2, axis=-1)) * self._per_volt(piece.shape[1])
            mean = expected_imbalance if self.by_current else folded_mean
            total[at : at + _CHUNK] = beyond_use(mean(self.sizes(piece), u), end)
        return total

    def _per_volt(self, k: int) -> float:
        if not self.by_current:
            return 1 / self.volts
        return 1 / (k * float(np.mean(self.known.slope_V + self.known.rs_ohm * self.amps)))

    def coordinates(self, k: int) -> np.ndarray:
        """Place of each part whose range in a set is its size to first order."""
        return self.known.v_V[:, None] * self._per_volt(k)


def match_two_lead(
    parts: Sequence[TwoLead], fits: SweepFits | None, layout: str, *, in_set: int, current_A: float | None,
    u_temp_K: tuple[float, float], default_A, wanted: int | None = None, keep: Sequence[Sequence[str]] = (),
    seconds: float = 15.0,
) -> TwoLeadReport:  # fmt: skip
    """Choose disjoint sets of one kind each.

    Parameters
    ----------
    parts : sequence of TwoLead
        Those that may be used.
    fits : SweepFits or None
    layout : str
        Key of `junction.sets.results.LAYOUTS`, of two-lead parts.
    in_set : int
        Parts in a set.
    current_A : float or None
        Through each part at work [A]; None: by kind, as `default_A` says.
    u_temp_K : (float, float)
        As `junction.sets.junctions.at_current` takes it.
    default_A : callable
        From the parts of a kind to the current they are compared at [A] and why, in words.
    wanted : int, optional
        Sets wanted of each kind; as many as the parts allow by default.
    keep : sequence of sequences of str
        Sets fixed by hand.
    seconds : float
        Time after which the best answer so far is returned with its gap [s].

    Returns
    -------
    TwoLeadReport

    Raises
    ------
    UsageError
        A kept set that cannot be.
    """
    row = LAYOUTS[layout]
    reverse = row.held == "V_Z at one current"
    near = {p.part: _volts_read(p, fits, reverse) for p in parts}
    kinds = kinds_of(parts, near, reverse)
    by_name = {p.part: k for k, p in enumerate(parts)}
    hand = [_fixed(names, by_name, in_set) for names in keep]
    taken = [k for members in hand for k in members]
    if len(set(taken)) < len(taken):
        raise UsageError(f"--keep: {next(parts[k].part for k in taken if taken.count(k) > 1)} stands twice")
    for names, members in zip(keep, hand, strict=True):
        if not any(set(members) <= set(rows) for rows in kinds.values()):
            raise UsageError(f"--keep {','.join(names)}: parts of more than one kind")
    draws, sets, refused, assumed, advice = draws_for(len(parts)), [], [], [], []
    pools: dict[str, tuple[list[TwoLead], Pool]] = {}
    total = bound = 0.0
    basis = "match_bound_exact"
    share = seconds / max(len(kinds), 1)
    for seed, (kind, rows) in enumerate(kinds.items()):
        own = [parts[k] for k in rows]
        amps, why = (current_A, "") if current_A else default_A(own)
        known = at_current(own, fits, amps, reverse=reverse, u_temp_K=u_temp_K, draws=draws, seed=seed)
        pool = Pool(known, row.held)
        local = {k: at for at, k in enumerate(rows)}
        chosen = [(np.array([local[k] for k in members]), True) for members in hand if members[0] in local]
        free = np.array([at for k, at in local.items() if k not in taken], int)
        most = len(free) // in_set
        m = most if wanted is None else min(most, max(wanted - len(chosen), 0))
        if m:
            some = Pool(known.take(free), row.held)
            places = some.coordinates(in_set)
            (found,), cost, least, by = group_up(some.cost, places, in_set, m, seconds=share)
            chosen += [(free[members], False) for members in found]
            total, bound = total + cost, bound + least
            basis = by if basis == "match_bound_exact" else basis
        if wanted is not None and len(chosen) < wanted and len(own) >= in_set:
            refused.append(say("match_too_few", wanted=wanted, of=kind, made=len(chosen)))
        made = _finished(chosen, own, pool, kind)
        if why and made:
            assumed.append(say("two_lead_current", kind=kind, amps=amps, why=why))
        sets += sorted(made, key=lambda s: (GRADES.index(s.grade), s.decides.high))
        pools[kind] = own, pool
        # where what is not known is as good as nothing beside what is, no measurement betters a set
        if made and np.median([s.decides.value / s.decides.high for s in made]) < 1 - rule("match_apart"):
            advice += _advice(kind, pool, [at for members, _ in chosen for at in members], u_temp_K)
    # those fixed by hand first, then kind by kind those that can best be vouched for
    named = [frozenset(names) for names in keep]
    sets.sort(key=lambda s: named.index(frozenset(s.parts)) if s.kept else len(named))
    sets = [replace(s, swaps=_swaps(s, sets, *pools[s.kind])) if s.kept else s for s in sets]
    used = {name for s in sets for name in s.parts}
    spare = say("match_spare" if wanted is None else "match_spare_complete")
    left = tuple(LeftOver(p.part, spare) for p in parts if p.part not in used)
    unknown = sum(not np.isfinite(p.temp_C) for p in parts)
    if unknown and u_temp_K[1] > rule("side_by_side_temp"):
        assumed.append(say("match_no_temp", unknown=unknown, parts=len(parts)))
    if any(kind.startswith("unmarked") for kind in kinds):
        assumed.append(say("two_lead_unmarked"))
    return TwoLeadReport(
        layout, tuple(replace(s, places=tuple(f"set {number}, position {at}" for at in range(1, in_set + 1)))
                      for number, s in enumerate(sets, 1)),
        left, gap_of(total, bound), say(basis), tuple(refused), tuple(advice), tuple(assumed),
    )  # fmt: skip


def _volts_read(p: TwoLead, fits: SweepFits | None, reverse: bool) -> float:
    """Voltage at about 1 mA, to tell kinds apart by."""
    if p.points:
        return p.points[0].v_V
    if reverse:
        return float(breakdown_at(fits, p.high_A)[0][p.sweep])
    return float(voltage_at_current(fits, min(max(1e-3, p.low_A), p.high_A))[0][p.sweep, 0])


def _fixed(names: Sequence[str], rows, in_set: int) -> list[int]:
    if len(names) != in_set:
        many = f"{len(names)} parts, but a set of this layout has {in_set}"
        raise UsageError(f"--keep {','.join(names)}: {many} (--in-set)")
    for name in names:
        if name not in rows:
            raise UsageError(f"--keep: {name} is not among the parts with a voltage to match by")
    return [rows[name] for name in names]


def _finished(chosen, parts: Sequence[TwoLead], pool: Pool, kind: str) -> list[TwoLeadSet]:
    w, out = pool.known, []
    for members, kept in chosen:
        members = members[np.lexsort(([parts[k].part for k in members], w.v_V[members]))]
        v, drawn = w.v_V[members], w.drawn_v[:, members]
        spread_V = size_interval(np.ptp(v), np.ptp(drawn, axis=-1), "V")
        of_mean = size_interval(np.ptp(v) / v.mean(), np.ptp(drawn, axis=-1) / drawn.mean(axis=-1))
        shares, uneven = (nan,) * len(members), None
        if pool.by_current:
            now = shared_currents(v, w.slope_V[members], w.rs_ohm[members], pool.amps)
            under = shared_currents(drawn, w.drawn_slope[:, members], w.drawn_rs[:, members], pool.amps)
            shares, uneven = tuple(now.tolist()), size_interval(imbalance(now), imbalance(under))
        decides = of_mean if uneven is None else uneven
        grade = grade_of(decides.high, pool.by_current)
        marks = tuple(_mark(parts[k], float(w.v_V[k])) for k in members)
        out.append(TwoLeadSet(
            parts=tuple(parts[k].part for k in members), kind=kind, grade=grade, marks=marks, places=(),
            kept=kept, current_A=pool.amps, voltage_V=tuple(v.tolist()),
            u_voltage_V=tuple(w.u_V[members].tolist()), spread_V=spread_V, spread=of_mean,
            total_V=size_interval(v.sum(), drawn.sum(axis=-1), "V"), share=shares, imbalance=uneven,
            notes=_notes([parts[k] for k in members], pool, decides, grade),
        ))  # fmt: skip
    return out


def grade_of(limit: float, by_current: bool) -> str:
    """Grade for the upper end of an imbalance, or of a spread as a share of the voltage [1]."""
    table = "grade_" if by_current else "grade_volts_"
    return next((g for g in GRADES[:-1] if limit <= rule(f"{table}{g.lower()}")), "none")


def _mark(p: TwoLead, v_V: float) -> dict:
    """What a part in a drawer is known by: what was read of it, and where."""
    one = p.points[0] if p.points else None
    read = (one.v_V, one.i_A) if one else (v_V, nan)
    return {"type": p.type, "v_V": read[0], "i_A": read[1], "temp_C": p.temp_C, "source": p.source}


def _notes(parts: Sequence[TwoLead], pool: Pool, decides: Interval, grade: str) -> tuple[str, ...]:
    out = []
    if grade == "none":
        worst = rule("grade_c" if pool.by_current else "grade_volts_c")
        out.append(say("two_lead_no_grade", high=100 * decides.high, worst=100 * worst))
    far = [p.part for p in parts if p.high_A * rule("current_reach") < pool.amps]
    if far:
        some = ", ".join(far) if len(far) < len(parts) else ""
        out.append(say("two_lead_extrapolated", parts=some, amps=pool.amps))
    if decides.low < rule("match_apart") * decides.high:
        out.append(say("two_lead_not_apart"))
    return tuple(out)


def _swaps(one: TwoLeadSet, sets: Sequence[TwoLeadSet], parts: Sequence[TwoLead], pool: Pool) -> tuple:
    """Single exchanges that better a set fixed by hand, what they cost elsewhere taken off; best first."""
    row = {p.part: k for k, p in enumerate(parts)}
    owner = {name: s for s in sets for name in s.parts}
    place = {id(s): number for number, s in enumerate(sets, 1)}

    def cost(names) -> float:
        return float(pool.cost(np.sort([[row[name] for name in names]], axis=1))[0])

    now, found = cost(one.parts), []
    for out in one.parts:
        for into in row:
            if into in one.parts:
                continue
            rest = [into if name == out else name for name in one.parts]
            saving, its = now - cost(rest), owner.get(into)
            if saving > 0 and its is not None:
                saving -= cost([out if name == into else name for name in its.parts]) - cost(its.parts)
            if saving > rule("match_apart") * now:
                size = float(pool.sizes(np.array([[row[name] for name in rest]]))[0])
                found.append({"out": out, "in": into, "size": size, "saving": saving,
                              "from_set": place[id(its)] if its is not None else None})  # fmt: skip
    return tuple(sorted(found, key=lambda w: (-round(w["saving"], 12), w["out"], w["in"]))[:_MOST_SWAPS])


def _advice(kind: str, pool: Pool, used: list[int], u_temp_K) -> list[str]:
    """The one measurement that would better the sets of a kind most, and by how much."""
    w = pool.known.take(np.array(used))
    now = float(np.median(w.u_V))
    without = {
        "two_lead_advice_current": np.hypot(w.read_V, w.temp_V),
        "two_lead_advice_temperature": np.hypot(np.hypot(w.read_V, w.step_V), w.temp_V
                                                * min(rule("side_by_side_temp") / max(u_temp_K), 1.0)),
        "two_lead_advice_digits": np.hypot(w.temp_V, w.step_V),
    }  # fmt: skip
    reason, after = min(((name, float(np.median(u))) for name, u in without.items()), key=lambda x: x[1])
    if after > rule("cause_mostly") * now:
        return []
    pair = NORMAL_95 * 2**0.5 * 1000
    return [say(reason, kind=kind, amps=pool.amps, now=pair * now, after=pair * after)]
