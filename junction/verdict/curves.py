"""Verdicts of transistors from their curves: what the points themselves show, no fit asked.

Every check is one `Finding` of a junction (BE, BC) or of the path CE, with the probability that its limit is
kept: leaks and shorts beside a junction (`junction.verdict.leaks`), no current at all, early breakdown,
resistance inside, V_BE, saturation, gain.  Limits are those of the registered type where it has them, else of
the family; an unmarked part may belong to several families, which V_BE and the current it carries weigh.
A junction is as bad as its worst finding, a part as its worst junction.  What is not good and none of the
four qualities by itself (too little gain, the V_BE of another part) is undecided, with what settles it.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, inf, isfinite, isnan, log, nan
from types import SimpleNamespace

import numpy as np

from junction.base.records import CurveTable, Interval
from junction.base.units import NORMAL_95, REFERENCE_TEMP_C, si, thermal_voltage
from junction.judge.mixture import conformity, conformity_log, posterior
from junction.judge.results import (
    NO_LIMIT,
    QUALITIES,
    Device,
    Finding,
    JunctionVerdict,
    PartVerdict,
    Verdict,
    decide,
    next_step,
    part_verdict,
    say,
    worst_of,
)
from junction.physics.temperature import leakage_factor
from junction.shelf.tables import PartType, families, rule
from junction.shelf.types import find_type
from junction.verdict import leaks
from junction.verdict.sweeps import unseen_leak

_JUNCTIONS = ("BE", "BC", "CE")
#: Registered currents that a path must keep, the nearest to what a curve shows first, and their voltage.
_CUT_OFF = {
    "BE": (("I_EBO",), "veb_V"),
    "BC": (("I_CBO", "I_CEX", "I_CES", "I_CEO"), "vcb_V"),
    "CE": (("I_CES", "I_CEX", "I_CBO", "I_CEO"), "vce_V"),
}  # fmt: skip
#: Probability of the four qualities of what is wrong, but none of them by itself.
_DOUBT = (1 / 3, 1 / 3, 0.0, 1 / 3)
_LEAK = {"BE": "curve_be_leak", "BC": "curve_cut_off", "CE": "curve_cut_off"}


def judge_curves(
    table: CurveTable, types: Callable[[str], PartType | None] = find_type
) -> list[PartVerdict]:
    """Judge every transistor of a table of curves.

    Parameters
    ----------
    table : CurveTable
    types : callable, optional
        From a marking to its registered type or None.

    Returns
    -------
    list of PartVerdict
        In the order of the parts' first curve; ``measured`` holds V_BE, h_FE and the Early voltage.
    """
    rows: dict[str, list[int]] = {}
    for k, part in enumerate(table.part):
        rows.setdefault(part, []).append(k)
    return [_Part(table, members, types).verdict() for members in rows.values()]


class _Part:
    """One part: its points, what is known of it, and the findings so far."""

    def __init__(self, table: CurveTable, members: list[int], types: Callable):
        at = np.concatenate([np.arange(table.starts[k], table.starts[k + 1]) for k in members])
        self.name = table.part[members[0]]
        self.vce, self.vbe, self.ib, self.ic = (
            x[at] for x in (table.vce_V, table.vbe_V, table.ib_A, table.ic_A)
        )
        self.mark = next((table.type[k] for k in members if table.type[k]), "")
        self.logged = next((table.polarity[k] for k in members if table.polarity[k]), "")
        self.marks = tuple(dict.fromkeys(table.type[k] for k in members if table.type[k]))
        temp = table.temp_C[members]
        self.temp_known = bool(np.isfinite(temp).all())
        self.temp_C = float(np.nanmean(temp)) if self.temp_known else REFERENCE_TEMP_C
        self.temp_u = rule("sweep_temp_u") if self.temp_known else rule("sweep_temp_unknown_u")
        self.type = types(self.mark) if self.mark else None
        self.other_kind = self.type is not None and self.type.device != "bjt"
        self.held = None if self.other_kind or (self.type and self.type.secondary) else self.type
        self.found: list[tuple[Finding, tuple[float, ...]]] = []
        self.measured: dict[str, Interval] = {}
        self.blind: list[str] = []
        self.warnings: list[str] = []
        self._mark_points()

    def _mark_points(self):
        """Points at the source's limit, and those that nothing drives."""
        ic, vbe, ib = self.ic, self.vbe, self.ib
        self.top_A = float(np.nanmax(np.abs(ic), initial=0.0))
        level = leaks.levels(self.vce)
        at_top = np.abs(ic) > 0.98 * self.top_A
        self.limited = np.zeros(ic.size, bool)
        for g in set(level[at_top].tolist()):
            mine = at_top & (level == g)
            apart = np.ptp(vbe[mine]) > 0.015 if np.isfinite(vbe[mine]).all() else False
            more = np.isfinite(ib[mine]).all() and ib[mine].max() > 1.2 * max(ib[mine].min(), 1e-15)
            self.limited |= mine & (mine.sum() > 1) & (apart or more) & (self.top_A > 0)
        # next to a point at the limit of one collector voltage the others are there too
        if self.limited.any():
            self.limited |= at_top
        most = np.nanmax(np.abs(ib), initial=0.0)
        base_top = np.abs(ib) > 0.98 * most
        wide = np.ptp(vbe[base_top]) > 0.1 if np.isfinite(vbe[base_top]).all() and base_top.any() else False
        self.base_limited = base_top & (wide & (base_top.sum() > 3))
        least = np.nanmin(np.abs(ib), initial=inf)
        most_b = np.nanmax(np.abs(ib), initial=0.0)
        low = rule("curve_undriven") * (0.5 if self._germanium_like() else 1.0)
        undriven = np.where(np.isfinite(vbe), vbe < low, np.abs(ib) <= max(least, 1e-3 * most_b))
        self.open_base = ~np.isfinite(vbe) & undriven & (least < 1e-3 * most_b)
        self.undriven = np.where(np.isfinite(vbe), undriven, self.open_base)

    def _germanium_like(self) -> bool:
        return bool(self.type and self.type.material == "germanium")

    # --- what is held against what ----------------------------------------------------------------------

    def cut_off(self, where: str) -> list[tuple[float, float, str, str]]:
        """Limits of the current past a junction or path: [A], at [V], whose, and its family ('' a type's)."""
        symbols, volts = _CUT_OFF[where]
        if self.open_base.any() and not np.isfinite(self.vbe).any():
            symbols = ("I_CEO",) if where == "CE" else symbols
        reach = inf if where == "BE" else rule("registered_reach") * self.reach_V
        for symbol in symbols if self.held else ():
            for limit in self.held.find(symbol):
                names = (volts, "vcb_V", "vce_V", "veb_V")
                at = next((abs(limit.at[k]) for k in names if k in limit.at), nan)
                hot = limit.at.get("temp_C", REFERENCE_TEMP_C) > REFERENCE_TEMP_C + 10
                if isfinite(at) and isfinite(limit.high) and limit.basis not in NO_LIMIT and not hot:
                    whose = f"registered {symbol} of {self.held.name}; {limit.source or self.held.source}"
                    return [(limit.high, min(at, reach), whose, "")]
        gain = rule("ceo_gain") if where == "CE" and not np.isfinite(self.vbe).any() else 1.0
        found = []
        for name in self.family:
            f = families()[name]
            f = families()[f.collector] if where != "BE" and f.collector else f
            whose = say("limit_of_family", family=f.name, basis=f.basis, open_base=gain > 1)
            found.append((f.leak_max_A * gain, f.leak_at_V, whose, name))
        return found

    def weigh(self):
        """Probability of the families the part may belong to."""
        known = {f.name: f for f in families().values() if f.device == "bjt"}
        own = self.type.family if self.type and not self.other_kind else ""
        self.typed = own in known
        if self.typed:
            self.family = {own: 1.0}
            return
        vf, u = self.vbe_at(1e-3)
        names = list(known)
        like = np.log([known[n].share for n in names])
        if isfinite(vf):
            windows = np.array([(known[n].vf_low_V, known[n].vf_high_V) for n in names]).T
            like += np.log(np.maximum(conformity(vf, u, *windows), 1e-9) / (windows[1] - windows[0]))
        small = np.array([known[n].neighbours == "small_signal" for n in names])
        like[small] += log(1e-3) if self.top_A > rule("family_current") else 0.0
        p = posterior(like)
        self.family = {n: float(w) for n, w in zip(names, p, strict=True) if w > 1e-3}

    def add(
        self, where, reason, p, quantity="", value=None, least=-inf, most=inf, whose="", kept=nan, **told
    ):
        """One finding, with the probability of each quality."""
        told = {"where": where, "type": self.mark, "whose": whose, **told}
        self.found.append((Finding(where, reason, quantity, value, least, most, whose, kept, told), tuple(p)))

    # --- facts ------------------------------------------------------------------------------------------

    def look(self):
        """All checks, facts first; what a fault spoils is not asked any more."""
        ic, ib, vbe = self.ic, self.ib, self.vbe
        self._breakdown()
        ok = ~self.beyond
        self.reach_V = float(self.vce[ok].max(initial=0.0))
        self.free = ok & ~self.limited & ~self.base_limited
        self.leaks = leaks.beside(*(x[self.free] for x in (self.vce, vbe, ib, ic)), self.temp_C)
        self._take_offsets_out()
        self.weigh()
        if self._dead():
            return
        shorted = self._at_limit() or self._path()
        if not shorted:
            self._beside()
        if self.broken() or any(p[0] < 1 - rule("conformity_good") for _, p in self.found):
            return
        self._transistor()

    def _take_offsets_out(self):
        """What the ammeters show without a current."""
        if self.leaks is None:
            return
        off = np.where(np.abs(self.leaks.S[:2]) > 3 * self.leaks.u[:2], self.leaks.S[:2], 0.0)
        self.ic, self.ib = self.ic - off[0], self.ib - off[1]
        if np.abs(off).max() > rule("curve_offset_said"):
            self.warnings.append(say("curve_offset", ic=off[0] or nan, ib=off[1] or nan))

    def broken(self) -> bool:
        """Whether what was found spoils gain and V_BE."""
        return any(p[2] > 0.5 or p[3] > 0.5 for _, p in self.found)

    def _levels(self):
        """Undriven collector current by collector voltage: voltage [V], median current [A], its noise."""
        at = self.undriven & np.isfinite(self.ic) & (self.vce > 0.05)
        if not at.any():
            return np.empty((2, 0))
        level, v, i = leaks.levels(self.vce[at]), self.vce[at], self.ic[at]
        groups = [level == g for g in sorted({*level.tolist()})]
        return np.array([[np.median(v[g]) for g in groups], [np.median(i[g]) for g in groups]])

    def _breakdown(self):
        """Points from where the undriven current rises faster than any path's."""
        self.beyond = np.zeros(self.ic.size, bool)
        volts, amps = self._levels()
        for k in range(1, volts.size):
            before = max(amps[:k].max(), 0.0)
            steep = amps[k] > rule("curve_steep") * before * volts[k] / volts[k - 1]
            if amps[k] > rule("curve_own") and steep:
                self.beyond = self.vce > 0.5 * (volts[k] + volts[k - 1])
                rated = self.held.rating("V_CEO") if self.held else nan
                rated = rated if isfinite(rated) or not self.held else self.held.rating("V_CES")
                told = {"low": volts[k - 1], "volts": volts[k], "leak": amps[k], "rating": rated}
                if isfinite(rated) and volts[k] <= rated:
                    p = (0.0, 1.0, 0.0, 0.0)
                    self.add("CE", "curve_breaks_down", p, "bv_V", Interval(nan, volts[k - 1], volts[k], "V"),
                             rated, whose=f"registered V_CEO of {self.held.name}", kept=0.0, **told)
                elif not isfinite(rated) and volts[k - 1] < rule("curve_least_rating"):
                    self.add("CE", "curve_breaks_early", _DOUBT, "bv_V",
                             Interval(nan, volts[k - 1], volts[k], "V"), kept=0.5, **told)
                else:
                    self.warnings.append(say("curve_breakdown_seen", **told))
                return

    def _dead(self) -> bool:
        """No collector current at any drive: an open lead, or not driven far enough."""
        ic, ib, vbe = self.ic, self.ib, self.vbe
        driven = ~self.undriven
        most_v = float(np.nanmax(vbe, initial=-inf))
        most_b = float(np.nanmax(ib, initial=-inf))
        still = float(np.nanmedian(ic[self.undriven])) if self.undriven.any() else 0.0
        rise = float(np.max(ic[driven] - still, initial=0.0))
        noise = self.leaks.floor_A[0] if self.leaks is not None else 0.0
        alive = max(rule("curve_dead"), 10 * noise)
        self.drive_A = most_b
        # a path that dwarfs the rise hides it
        if rise > max(alive, 0.02 * np.abs(ic).max(initial=0.0)) or np.abs(ic).max(initial=0.0) > 1e-4:
            return False
        base = float(np.max(ib[np.isfinite(ib)], initial=0.0) - (np.nanmin(ib[self.undriven])
                     if self.undriven.any() and np.isfinite(ib[self.undriven]).any() else 0.0))
        told = {"top": max(rise, noise), "v_be": most_v if isfinite(most_v) else nan, "drive": base}
        flows = base > 10 * alive and (not isfinite(most_v) or most_v > 0.1)
        if flows and self.leaks is not None and self.leaks.S[leaks.BE] > 4 * self.leaks.u[leaks.BE]:
            ohm = 1 / self.leaks.S[leaks.BE]
            if ohm * base > 0.3 * most_v:  # all of it flows beside the junction
                return False
        if flows and isfinite(most_v) and most_v < 0.3 and base > 1e-5:
            return False  # a base-emitter path takes the drive
        if flows:
            self.add("CE", "curve_open_collector", (0.0, 0.0, 0.0, 1.0), "ic_A", kept=0.0, **told)
        elif isfinite(most_v) and most_v >= rule("curve_drive_V"):
            self.add("BE", "curve_open_base", (0.0, 0.0, 0.0, 1.0), "ib_A", kept=0.0, **told)
        else:
            self.add("BE", "curve_not_driven", (0.25,) * 4, kept=0.5, **told)
        return True

    def _at_limit(self) -> bool:
        """Whether undriven points stand in the source's limit: a path of at most so many ohm."""
        short, least = rule("short_below"), rule("points_least_short")
        found = False
        for where, i, v in (("CE", self.ic, self.vce), ("BE", self.ib, self.vbe)):
            top = np.nanmax(np.abs(i), initial=0.0)
            at = self.undriven & ~self.beyond & (np.abs(i) > 0.9 * top) & (i > 0) & (top > rule("curve_own"))
            at &= np.isfinite(v) & (v > 0.01)
            if where == "CE":
                at &= self.limited
                free = self.undriven & self.free & (i > rule("curve_own"))
            if not at.any() or where == "CE" and free.any():
                continue  # a lower voltage measures the path
            ohm = float((v[at] / i[at]).min())
            if where == "BE" and (at.sum() < 2 or ohm > 10 * short):
                continue
            # another path of the same part drives the base negative: the current comes out there
            if where == "CE" and np.nanmedian(self.ib[at]) < -0.1 * np.median(i[at]):
                where = "BC"
            p = min(log(max(min(short, ohm), least) / least) / log(max(ohm, 2 * least) / least), 1.0)
            if all(float(np.median(i[at])) <= limit for limit, *_ in self.cut_off(where)):
                continue
            self.add(where, "curve_path_at_most", (0.0, 1 - p, p, 0.0), "path_ohm",
                     Interval(nan, -inf, ohm, "ohm"), short, whose=say("limit_short", basis=""), kept=0.0,
                     path=ohm, leak=float(np.median(i[at])), volts=float(np.median(v[at])))  # fmt: skip
            found = True
        return found

    def _path(self) -> bool:
        """Whether the collector current is that of a path, whatever drives the base."""
        ok = ~self.beyond & np.isfinite(self.ic) & (self.vce > 0.02) & ~self.limited
        drive = np.ptp(self.vbe[ok & np.isfinite(self.vbe)]) if np.isfinite(self.vbe[ok]).any() else 0.0
        steps = self.ib[ok & np.isfinite(self.ib)]
        wide = drive > 0.15 or (steps.size and steps.max() > 5 * max(np.abs(steps).min(), 1e-12))
        if ok.sum() < 4 or not wide or not np.isfinite(self.vbe[ok]).any() and np.ptp(self.vce[ok]) < 0.5:
            return False
        g = self.ic[ok] / self.vce[ok]
        if not (g > 0).all() or g.max() > 1.3 * g.min() or np.median(g) < 1e-9:
            return False
        self._leak("CE", float(np.median(g)), 0.05 * float(np.median(g)), self.reach_V)
        return True

    def _beside(self):
        """Leaks of the two junctions and of the path, or how small they must be."""
        b, seen_u = self.leaks, rule("points_seen")
        if b is None:
            self._open_base()
            return
        cut = b.S[leaks.CUT] if b.S[leaks.CUT] > seen_u * b.u[leaks.CUT] else 0.0
        doubling = rule("leakage_doubling")
        cut /= float(leakage_factor(self.temp_C, REFERENCE_TEMP_C, doubling))
        for where, k, more in (("BE", leaks.BE, 0.0), ("BC", leaks.CB, cut), ("CE", leaks.CE, 0.0)):
            self._leak(where, float(b.S[k]), float(b.u[k]), self.reach_V, more, float(b.most[k]))

    def _open_base(self):
        """Output curves without V_BE: the collector current of the step at no base current."""
        at = self.open_base & ~self.beyond
        if not at.any():
            self.blind.append(say("curve_blind_open_base"))
            self.floor_from_gain()
            return
        v, i = self.vce[at], self.ic[at]
        u = np.hypot(rule("curve_offset"), rule("sweep_gain_u") * np.abs(i).max()) / v.max()
        slope = np.polyfit(v, i, 1)[0] if np.ptp(v) > 0.5 and v.size > 3 else i.max() / v.max()
        at_most = max(float(slope), float(np.median(i[v > 0.7 * v.max()]) / v.max()) - 2 * u, 0.0)
        self._leak("CE", at_most, float(u), self.reach_V)
        self.floor_from_gain()

    def floor_from_gain(self):
        """The least base current step at full gain bounds what leaks past the base-emitter junction."""
        ok = ~self.limited & ~self.beyond & np.isfinite(self.ib) & (self.ib > 0) & (self.vce > 1.0)
        if not ok.any():
            self._leak("BE", 0.0, inf, 0.0)
            return
        h = self.ic[ok] / self.ib[ok]
        low = self.ib[ok] <= 1.05 * self.ib[ok].min()
        lost = max(1.0 - float(np.median(h[low])) / float(h.max()), 0.05) * float(self.ib[ok].min())
        self._leak("BE", 0.0, lost / 0.6 / rule("points_seen"), 0.0)

    def _leak(self, where, S, u, reach, cut=0.0, most=inf):
        """One path against its limits; seen, or how much of it could hide."""
        seen_u, short = rule("points_seen"), rule("short_below")
        seen, gain_u = S > seen_u * u or cut > 0, rule("sweep_gain_u")
        floor = 1.0 / min(max(S, 0.0) + seen_u * u, max(most, 1e-15))
        ohm = 1.0 / S if S > 0 and seen else inf
        u_ln = float(np.hypot(u / S if S > 0 else 0.0, gain_u)) if seen else gain_u
        good, worst, built_in = 0.0, None, self._built_in(where)
        weights = self.cut_off(where)
        for limit, volts, whose, name in weights:
            amps = (S * volts if seen and S > seen_u * u else 0.0) + cut
            kept = float(conformity_log(amps, np.hypot(u_ln, 0.0), high=limit)) if amps else 1.0
            if built_in and ohm > 0.4 * built_in:
                kept = 1.0
            hidden = 0.0 if ohm < inf else rule("curve_hidden") * float(unseen_leak(floor, volts / limit))
            weight = self.family.get(name, 1.0) if name else 1.0
            good += weight * kept * (1.0 - hidden)
            if worst is None or weight > worst[0]:
                worst = weight, limit, volts, whose, amps, kept, hidden
        good = min(good / sum(self.family.get(n, 1.0) if n else 1.0 for *_, n in weights), 1.0)
        _, limit, volts, whose, amps, kept, hidden = worst
        if amps > limit and 0 < reach < volts and S * reach + cut > limit:
            volts, amps = reach, S * reach + cut  # so much as was logged is enough
        shorted = 1.0 - float(conformity_log(ohm, u_ln, low=short)) if ohm < inf else 0.0
        p = (good * (1 - shorted), (1 - good) * (1 - shorted), shorted, 0.0)
        bad, sure = good <= 1 - rule("conformity_good"), good >= rule("conformity_good")
        reason = "curve_shorted" if shorted > 0.5 else _LEAK[where] if bad else "curve_no_leak"
        if not (bad or sure or shorted > 0.5):
            torn = len(weights) > 1 and ohm < inf
            reason = "curve_which_family" if torn else "curve_blind" if ohm == inf else "curve_near_limit"
        at_V = 0.5 if where == "BE" else reach
        spread = exp(min(NORMAL_95 * u_ln, 50.0))
        value = Interval(amps, amps / spread, amps * spread, "A")
        self.add(where, reason, p, "leak_A", value, most=limit, whose=whose, kept=good, path=ohm if ohm < inf else nan,
                 floor=floor if ohm == inf and 0 < floor else nan, leak=amps, limit=limit, volts=volts,
                 seen=S * at_V + cut, at=at_V, cut=cut if cut > 0 else nan,
                 shows=rule("range_shows") * limit, registered=not weights[0][3],
                 reach=reach, drawn=where == "BE")  # fmt: skip
        if sure and ohm == inf and isfinite(floor) and volts / limit > floor:
            self.blind.append(say("blind_leak", where=where, floor=floor))

    def _built_in(self, where) -> float:
        """Resistors that the type has between base and emitter [ohm], 0 where none."""
        return sum(self.held.r_be_ohm) if where == "BE" and self.held and self.held.r_be_ohm else 0.0

    # --- the transistor ---------------------------------------------------------------------------------

    def usable(self):
        """Points of a working transistor: driven, not saturated, not at the limit."""
        ok = ~self.limited & ~self.beyond & (self.ic > 0) & (self.vce > np.fmax(self.vbe, 0.7) + 0.1)
        noise = self.leaks.floor_A[0] if self.leaks is not None else 0.0
        return ok & ~self.base_limited & (self.ic > max(100 * noise, 10 * rule("curve_offset")))

    def vbe_at(self, amps: float) -> tuple[float, float]:
        """V_BE at a collector current and 25 degC with its standard uncertainty [V], nan where not known."""
        ok = self.usable() & np.isfinite(self.vbe)
        if not ok.any():
            return nan, nan
        k = np.flatnonzero(ok)[np.argmin(np.abs(np.log(self.ic[ok] / amps)))]
        away = log(amps / self.ic[k])
        v = self.vbe[k] + away * thermal_voltage(self.temp_C)
        v -= self.inside()[0] * (self.ic[k] - amps)
        v -= rule("vbe_slope") * (self.temp_C - REFERENCE_TEMP_C)
        u = (rule("sweep_contact_u"), rule("vbe_slope") * self.temp_u, 0.1 * abs(away) * thermal_voltage(25.0))
        return float(v), float(np.sqrt(sum(x * x for x in u)))

    def inside(self) -> tuple[float, float]:
        """Resistance in series with base and emitter, seen from the emitter, and its uncertainty [ohm]."""
        if not hasattr(self, "_inside"):
            ok = self.usable() & np.isfinite(self.vbe)
            top = self.ic[ok].max(initial=0.0)
            ok &= self.ic > 0.01 * top
            self._inside = 0.0, inf
            if ok.sum() >= 3 and top > 0 and self.ic[ok].min() < 0.5 * top:
                y = self.vbe[ok] - thermal_voltage(self.temp_C) * np.log(self.ic[ok])
                A = np.column_stack([np.ones(ok.sum()), self.ic[ok]])
                x, *_ = np.linalg.lstsq(A, y, rcond=None)
                left = y - A @ x
                u = np.sqrt(np.sum(left**2) / max(ok.sum() - 2, 1) * np.linalg.inv(A.T @ A)[1, 1])
                # high injection looks the same up to about one kT/q at the highest current
                self._inside = max(float(x[1]), 0.0), float(np.hypot(u, thermal_voltage(25.0) / top))
        return self._inside

    def gain_at(self, amps: float, volts: float) -> tuple[float, float]:
        """h_FE at I_C and V_CE from the points next to it, and the standard uncertainty of its logarithm."""
        ok = self.usable() & np.isfinite(self.ib) & (self.ib > 0)
        at, found = np.flatnonzero(ok), []
        level = leaks.levels(self.vce[at]) if at.size else at
        for g in sorted({*level.tolist()}):
            mine = at[level == g]
            ratio = np.log(self.ic[mine] / amps)
            order = np.argsort(ratio)
            ratio, ln_h = ratio[order], np.log(self.ic[mine] / self.ib[mine])[order]
            if ratio[0] > log(1.3) or ratio[-1] < -log(1.3):
                continue
            close = np.argsort(np.abs(ratio))[:4]
            scatter = np.std(np.diff(ln_h[np.sort(close)])) / 2 if close.size > 3 else 0.0
            found.append((float(np.median(self.vce[mine])), float(np.interp(0.0, ratio, ln_h)), float(scatter)))
        if not found:
            return nan, nan
        # between the collector voltages next to the one wanted, and not far beyond them
        v, ln_h, scatter = (np.array(x) for x in zip(*found, strict=True))
        near = np.sort(np.argsort(np.abs(np.log(v / volts)))[:2])
        value = np.interp(volts, v[near], ln_h[near])
        return float(np.exp(value)), float(np.hypot(rule("curve_gain_u"), scatter[near].max()))

    def early(self) -> Interval | None:
        """Early voltage by how much more current flows at the same drive and a higher collector voltage [V]."""
        drive, unit = (self.vbe, 1e-3) if np.isfinite(self.vbe).any() else (self.ib, 0.0)
        ok = self.usable() & np.isfinite(drive)
        ok &= self.ic < rule("curve_early_share") * self.ic[ok].max(initial=0.0) if unit else ok
        at = np.flatnonzero(ok)
        level = leaks.levels(self.vce[at]) if at.size else at
        if at.size < 6 or level.max() < 1:
            return None
        low, high = (at[level == g] for g in (0, level.max()))
        order = np.argsort(drive[low])
        inside = (drive[high] >= drive[low].min()) & (drive[high] <= drive[low].max())
        if inside.sum() < 3:
            return None
        high = high[inside]
        step = np.log(self.ic[high]) - np.interp(drive[high], drive[low][order], np.log(self.ic[low][order]))
        volts = float(np.median(self.vce[high]) - np.median(self.vce[low]))
        # a voltage offset between the two runs is no Early effect
        u = np.hypot(np.std(step) / step.size**0.5, 0.5 * unit / thermal_voltage(25.0))
        mean = float(np.mean(step))
        if not mean > 4 * u:
            return None

        def of(x):
            return volts / np.expm1(x) - float(np.median(self.vce[low]))

        return Interval(*(float(of(x)) for x in (mean, mean + NORMAL_95 * u, mean - NORMAL_95 * u)), "V")

    def _transistor(self):
        """Resistance inside, V_BE, saturation, gain of a part that nothing shorts, opens or bridges."""
        if not self.usable().any():
            self.add("CE", "curve_few", (0.25,) * 4, kept=0.5)
            return
        self._mismatch()
        self._inside_held()
        self._vbe_held()
        self._saturation()
        self._gain_held()
        self._note_values()

    def _mismatch(self):
        """A part of another polarity than its marking."""
        own = self.type.polarity if self.type and not self.other_kind else ""
        if own and self.logged and own != self.logged:
            self.add("CE", "curve_other_polarity", _DOUBT, kept=0.5, logged=self.logged, polarity=own)

    def _inside_held(self):
        ohm, u = self.inside()
        if not isfinite(u):
            return
        registered = []
        for limit in [*self.held.find("V_BE(on)"), *self.held.find("V_BE(sat)")] if self.held else ():
            amps = limit.at.get("ic_A", nan)
            if isfinite(limit.high) and isfinite(amps) and limit.basis not in NO_LIMIT:
                v, _ = self.vbe_at(min(amps, self.top_A))
                v += thermal_voltage(25.0) * log(max(amps / self.top_A, 1.0)) - ohm * min(amps, self.top_A)
                if limit.high > v:
                    whose = f"registered {limit.symbol} of {self.held.name}: {limit.high:g} V at {si(amps, 'A')}"
                    registered.append(((limit.high - v) / amps, whose))
        kept, best = 0.0, None
        ok = self.usable() & np.isfinite(self.ib)
        # a part of little gain drives more current through its base resistance: no fault of the emitter
        share = float(self.ib[ok][np.argmax(self.ic[ok])] / self.ic[ok].max()) if ok.any() else 0.0
        least = max((x.low for x in self.held.find("h_FE") if isfinite(x.low)), default=nan) if self.held else nan
        for name, weight in self.family.items():
            f = families()[name]
            allowed = rule("curve_inside") * f.rs_high_ohm + rule("sweep_leads") * (f.rs_high_ohm > 50)
            base = f.rs_high_ohm * max(share - (1 / least if least > 0 else 0.0), 0.0)
            whose = say("limit_of_family", family=f.name, basis=f.basis, open_base=False)
            if registered:
                allowed, whose = max(registered)
            allowed += base
            # what an unmarked part loses may be little for a small one and much for a large one
            little = not self.typed and ohm * self.top_A < rule("curve_inside_drop")
            one = float(conformity(ohm, u, high=allowed)) if ohm > 2 * u and not little else 1.0
            kept += weight * one
            best = best if best and best[0] > weight else (weight, allowed, whose)
        kept /= sum(self.family.values())
        _, allowed, whose = best
        if kept > rule("conformity_good"):
            return
        bad = kept <= 1 - rule("conformity_good")
        reason = "curve_inside" if bad else "curve_inside_near"
        half = NORMAL_95 * u
        self.add("BE", reason, (kept, 0.0, 0.0, 1 - kept), "inside_ohm",
                 Interval(ohm, ohm - half, ohm + half, "ohm"), most=allowed, whose=whose, kept=kept, inside=ohm,
                 allowed=allowed, top=self.top_A)  # fmt: skip

    def _vbe_held(self):
        """V_BE against the family's window at 1 mA, and against what is registered."""
        if any(f.reason == "curve_inside" for f, _ in self.found):
            return
        vf, u = self.vbe_at(1e-3)
        if isfinite(vf) and self.typed:
            f = families()[next(iter(self.family))]
            kept = float(conformity(vf, u, f.vf_low_V, f.vf_high_V))
            if kept <= 0.5:
                self.add("BE", "curve_odd", _DOUBT, "vbe_V", Interval(vf, unit="V"), f.vf_low_V, f.vf_high_V,
                         f.basis, kept, v_be=vf, amps=1e-3, family=f.called, low=f.vf_low_V, high=f.vf_high_V, both=True)
                return
        for limit in self.held.find("V_BE(on)") if self.held else ():
            amps = limit.at.get("ic_A", nan)
            reached = float(self.ic[self.usable() & np.isfinite(self.vbe)].max(initial=0.0))
            if not amps <= 1.3 * reached or limit.basis in NO_LIMIT:
                continue
            v, u = self.vbe_at(amps)
            low, high = (x if isfinite(x) else e for x, e in ((limit.low, -inf), (limit.high, inf)))
            kept = float(conformity(v, u, low, high))
            if kept <= 1 - rule("conformity_good"):
                self.add("BE", "curve_odd", _DOUBT, "vbe_V", Interval(v, v - 2 * u, v + 2 * u, "V"), low, high,
                         f"registered V_BE(on) of {self.held.name}", kept, v_be=v, amps=amps,
                         family=self.held.name, low=limit.low, high=limit.high,
                         both=isfinite(limit.low) and isfinite(limit.high))  # fmt: skip
                return

    def _saturation(self):
        """A point with less current and more drive than registered, and more voltage than allowed."""
        ok = ~self.limited & ~self.beyond & np.isfinite(self.ib)
        for limit in self.held.find("V_CE(sat)") if self.held else ():
            amps, drive = limit.at.get("ic_A", nan), limit.at.get("ib_A", nan)
            if not (isfinite(limit.high) and isfinite(amps) and isfinite(drive)) or limit.basis in NO_LIMIT:
                continue
            over = ok & (self.ib >= drive) & (self.ic <= 0.95 * amps) & (self.ic > 0.05 * amps)
            over &= self.vce > 1.1 * limit.high + 0.01
            h, _ = self.gain_at(amps, 1.0)
            if over.sum() >= 2 and (isnan(h) or h > 1.5 * amps / drive):
                k = np.flatnonzero(over)[np.argmin(self.vce[over])]
                self.add("CE", "curve_saturation", (0.0, 0.0, 0.0, 1.0), "vce_sat_V",
                         Interval(float(self.vce[k]), unit="V"), most=limit.high,
                         whose=f"registered V_CE(sat) of {self.held.name}", kept=0.0, v_ce=float(self.vce[k]),
                         amps=float(self.ic[k]), drive=float(self.ib[k]), high=limit.high,
                         at_A=amps, at_B=drive)  # fmt: skip
                return

    def _gain_held(self):
        """Gain against the registered range at its current."""
        least, seen = None, False
        for limit in self.held.find("h_FE") if self.held else ():
            amps, volts = limit.at.get("ic_A", nan), limit.at.get("vce_V", 5.0)
            if not isfinite(amps) or limit.basis in NO_LIMIT or volts < 0.5:
                continue
            h, u = self.gain_at(amps, volts)
            told = {"h": h, "amps": amps, "volts": volts, "low": limit.low, "high": limit.high, "share": False}
            if isnan(h):
                reached = float(self.ic[self.usable()].max(initial=0.0))
                below = amps / reached if reached else inf
                if 1 < below < rule("curve_gain_reach") and isfinite(limit.low):
                    h, u = self.gain_at(0.9 * reached, volts)
                    # further down recombination may lower a sound gain as well
                    share = 1.0 if below < rule("gain_holds_below") else rule("gain_below_type")
                    told |= {"h": h, "amps": 0.9 * reached, "low": share * limit.low, "share": share < 1}
                if isnan(h):
                    self.blind.append(say("curve_blind_gain", amps=amps))
                    continue
                limit_high = inf
            else:
                limit_high = limit.high if isfinite(limit.high) else inf
                spread = exp(NORMAL_95 * u)
                self.measured[f"h_FE at {si(amps, 'A')}, {volts:g} V"] = Interval(h, h / spread, h * spread, "1")
            seen = True
            kept = float(conformity_log(h, u, low=told["low"])) if isfinite(limit.low) else 1.0
            if least is None or kept < least[0]:
                spread = exp(NORMAL_95 * u)
                least = kept, told | {"h_low": h / spread, "h_high": h * spread}, limit
            if float(conformity_log(h, u, high=limit_high)) <= 1 - rule("conformity_good"):
                self.warnings.append(say("curve_gain_high", type=self.mark, **told))
        if least is None or not seen:
            ok = self.usable() & np.isfinite(self.ib) & (self.ib > 0)
            best = float((self.ic[ok] / self.ib[ok]).max(initial=0.0)) if ok.any() else nan
            if ok.any() and best < rule("curve_gain_least"):
                self.add("CE", "curve_gain_none", _DOUBT, "h_FE", Interval(best, unit="1"), kept=0.5, h=best)
            elif not ok.any():
                self.blind.append(say("blind_gain"))
            return
        kept, told, limit = least
        sure = rule("conformity_good")
        if kept < sure:
            reason = "curve_gain_low" if kept <= 1 - sure else "curve_gain_near"
            p = _DOUBT if kept <= 1 - sure else (0.5 * (1 + kept) * 0.9, 0.25 * (1 - kept) + 0.05, 0.0, 0.05)
            p = tuple(x / sum(p) for x in p)
            self.add("CE", reason, p, "h_FE", Interval(told["h"], told["h_low"], told["h_high"], "1"), limit.low,
                     whose=f"registered h_FE of {self.held.name}; {limit.source or self.held.source}",
                     kept=kept, **told)  # fmt: skip

    def _note_values(self):
        """V_BE and gain at round currents, and the Early voltage where the data hold it."""
        ok = self.usable()
        low, high = (float(self.ic[ok].min()), float(self.ic[ok].max())) if ok.any() else (inf, 0.0)
        volts = float(np.median(self.vce[ok])) if ok.any() else 5.0
        for amps in (1e-3, 1e-2, 0.1, 1.0):
            if not low <= amps <= high:
                continue
            v, u = self.vbe_at(amps)
            if isfinite(v):
                name = f"V_BE at {si(amps, 'A')}"
                self.measured[name] = Interval(v, v - NORMAL_95 * u, v + NORMAL_95 * u, "V")
            h, u = self.gain_at(amps, volts)
            if isfinite(h):
                spread = exp(NORMAL_95 * u)
                self.measured[f"h_FE at {si(amps, 'A')}, {volts:g} V"] = Interval(h, h / spread, h * spread, "1")
        early = self.early()
        if early is not None and early.value > 0:
            self.measured["Early voltage"] = early

    # --- one verdict ------------------------------------------------------------------------------------

    def verdict(self) -> PartVerdict:
        """The part, from all its findings."""
        with np.errstate(all="ignore"):
            self.look()
        if not self.found:
            self.add("CE", "curve_few", (0.25,) * 4, kept=0.5)
        never = rule("never_sure")
        junctions = []
        for where in _JUNCTIONS:
            mine = [(f, _mix(p, never)) for f, p in self.found if f.where == where]
            if mine:
                junctions.append(self._junction(where, mine))
        p = worst_of(junctions)
        verdict = decide(p)
        ranked = sorted(junctions, key=lambda j: j.probability["good"])
        lead = ranked[0]
        good = verdict == Verdict.GOOD
        evidence = [s for j in (junctions if good else ranked) for s in j.evidence
                    if good or j is lead or j.verdict == verdict]  # fmt: skip
        if good:
            evidence.insert(0, self._good_words())
        doubt = lead.finding.says() if verdict == Verdict.UNDECIDED else ""
        following = next_step("part_good_curves") if good else lead.finding.next()
        faults = tuple(dict.fromkeys(x for j in ranked for x in j.faults)) if not good else ()
        evidence += [] if good else [w for j in ranked if j.verdict == verdict and (w := j.finding.otherwise())]
        self._warn(verdict)
        family = max(self.family, key=self.family.get) if self.family else ""
        surely = self.family and self.family[family] >= rule("conformity_good")
        return part_verdict(
            self.name, verdict, p, self._device(family if surely else ""), tuple(junctions),
            family if surely else "", faults=faults, evidence=tuple(dict.fromkeys(evidence)), next=following,
            cannot_see=self._cannot_see() if good else "", warnings=tuple(dict.fromkeys(self.warnings)),
            basis="curves", type=self.mark, temp_C=self.temp_C if self.temp_known else nan,
            temp_known=self.temp_known, doubt=doubt, measured=self.measured,
        )  # fmt: skip

    def _junction(self, where, mine) -> JunctionVerdict:
        whole = worst_of([SimpleNamespace(probability=dict(zip(QUALITIES, p, strict=True))) for _, p in mine])
        finding, _ = min(mine, key=lambda one: one[1][0])
        verdict = decide(whole)
        path = next((f.numbers["path"] for f, _ in mine if f.numbers.get("path", nan) > 0), nan)
        family = "" if finding.numbers.get("registered") else max(self.family, key=self.family.get, default="")
        limit = ""
        if finding.quantity == "leak_A":
            told = finding.numbers
            limit = say("limit_leak", limit=told["limit"], volts=told["volts"], whose=told["whose"])
        return JunctionVerdict(
            where, verdict, dict(zip(QUALITIES, whole, strict=True)),
            (f"{where} {verdict}",) if verdict in QUALITIES[1:] else (), (finding.says(),),
            leak_ohm=Interval(path, unit="ohm") if path > 0 else None, family=family, limit=limit,
            finding=finding,
        )  # fmt: skip

    def _device(self, family: str) -> Device:
        t = None if self.other_kind else self.type
        material = t.material if t else families()[family].material if family else ""
        kind = "darlington" if (t and t.kind == "darlington") or (family and families()[family].collector) else "bjt"
        kind = "bjt with damper diode" if t and t.damper_diode else kind
        return Device(kind, self.logged or (t.polarity if t else ""), material)

    def _good_words(self) -> str:
        told = [_told(name, it) for name, it in self.measured.items()]
        gains, volts = ([x for x in told if x.startswith(word)] for word in ("h_FE", "V_BE"))
        others = [x for x in told if x not in gains and x not in volts]
        return say("curve_good", told=", ".join([*volts[-2:], *gains[:2], *others]))

    def _cannot_see(self) -> str:
        seen = list(self.blind)
        seen.append(say("curve_blind_reverse"))
        seen.append(say("curve_blind_breakdown", volts=self.reach_V))
        return ", ".join(dict.fromkeys(seen))

    def _warn(self, verdict):
        if not self.temp_known:
            self.warnings.append(say("part_no_temperature", temp=self.temp_C))
        if len(self.marks) > 1:
            self.warnings.append(say("part_marked_twice", marks=" in one place and ".join(self.marks)))
        if self.other_kind:
            self.warnings.append(say("part_other_kind", type=self.mark, kind="diode", where="CE"))
        elif self.mark and self.type is None:
            self.warnings.append(say("part_type_unknown", type=self.mark))
        if self.limited.any():
            n = int(self.limited.sum())
            self.warnings.append(say("curve_limit", n=n, amps=self.top_A))


def _mix(p, never):
    return tuple(x * (1.0 - 4 * never) + never for x in p)


def _told(name: str, it: Interval) -> str:
    if it.unit == "1":
        return f"h_FE {it.value:.0f}{name.removeprefix('h_FE')}"
    return f"V_BE {it.value:.3f} V{name.removeprefix('V_BE')}" if name.startswith("V_BE") else f"{name} {it.value:.0f} V"
