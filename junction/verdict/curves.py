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
from math import exp, inf, isfinite, log, nan
from types import SimpleNamespace

import numpy as np

from junction.base.records import CurveTable, Interval
from junction.base.units import NORMAL_95, REFERENCE_TEMP_C
from junction.judge.mixture import conformity_log
from junction.judge.results import (
    QUALITIES,
    Device,
    JunctionVerdict,
    PartVerdict,
    Verdict,
    decide,
    next_step,
    part_verdict,
    say,
    type_note,
    worst_of,
)
from junction.physics.temperature import leakage_factor
from junction.shelf.tables import PartType, families, rule
from junction.shelf.types import find_type
from junction.verdict import leaks
from junction.verdict.curve_checks import DOUBT, Checks
from junction.verdict.sweeps import unseen_leak

_JUNCTIONS = ("BE", "BC", "CE")
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


class _Part(Checks):
    """One part: facts first, then one verdict of all findings."""

    def look(self):
        """All checks, facts first; what a fault spoils is not asked any more."""
        ic, ib, vbe = self.ic, self.ib, self.vbe
        self._breakdown()
        ok = ~self.beyond
        self.reach_V = float(self.vce[ok].max(initial=0.0))
        self.free = ok & ~self.limited & ~self.base_limited
        own = (x[self.free] for x in (self.vce, vbe, ib, ic))
        self.leaks = leaks.beside(*own, self.temp_C, self.low_V)
        self.take_offsets_out()
        self.weigh()
        if self._at_limit():
            return
        if self._dead():
            return
        if not self._path():
            self._beside()
        if self.broken() or any(p[0] < 1 - rule("conformity_good") for _, p in self.found):
            return
        self.transistor()

    def broken(self) -> bool:
        """Whether what was found spoils gain and V_BE."""
        return any(p[2] > 0.5 or p[3] > 0.5 for _, p in self.found)

    def _breakdown(self):
        """Points from where a collector current rises faster than any path's or transistor's."""
        self.beyond = np.zeros(self.ic.size, bool)
        found = [knee for one in self.series() if (knee := self._knee(*one))]
        if not found:
            return
        low, high, amps = min(found)
        self.beyond = self.vce > 0.5 * (low + high)
        rated = self.held.rating("V_CEO") if self.held else nan
        rated = rated if isfinite(rated) or not self.held else self.held.rating("V_CES")
        told = {"low": low, "volts": high, "leak": amps, "rating": rated}
        value = Interval(nan, low, high, "V")
        if isfinite(rated) and high <= rated:
            whose = f"registered V_CEO of {self.held.name}"
            p = (0.0, 1.0, 0.0, 0.0)
            self.add("CE", "curve_breaks_down", p, "bv_V", value, rated, whose=whose, kept=0.0, **told)
        elif not isfinite(rated) and low < rule("curves_least_rating"):
            self.add("CE", "curve_breaks_early", DOUBT, "bv_V", value, kept=0.5, **told)
        else:
            self.warnings.append(say("curve_breakdown_seen", **told))

    def _knee(self, volts, amps, driven: bool):
        """Voltages between which a current at one drive breaks away, and the current there, or None."""
        digit = leaks.least_step(self.ic)
        for k in range(1, volts.size):
            earlier = (volts < 0.8 * volts[k]) & (volts > 1.0)
            if not earlier.any():
                continue
            before = max(amps[earlier].max(), digit)
            reach = volts[k] / volts[earlier].max()
            # at a base current the Early effect and heat add some tens of percent
            steep = amps[k] > (2.0 * before if driven else rule("curves_steep") * before * reach)
            if steep and amps[k] - before > rule("curves_own"):
                start = np.flatnonzero(amps[:k] <= 1.3 * before)
                return float(volts[start[-1]]), float(volts[k]), float(amps[k])
        return None

    def _dead(self) -> bool:
        """No collector current at any drive: an open lead, or not driven far enough."""
        ic, ib, vbe = self.ic, self.ib, self.vbe
        driven = ~self.undriven
        most_v = float(np.nanmax(vbe, initial=-inf))
        most_b = float(np.nanmax(ib, initial=-inf))
        still = float(np.nanmedian(ic[self.undriven])) if self.undriven.any() else 0.0
        rise = float(np.max(ic[driven] - still, initial=0.0))
        noise = self.leaks.floor_A[0] if self.leaks is not None else 0.0
        alive = max(rule("curves_dead"), 10 * noise)
        self.drive_A = most_b
        # a path that dwarfs the rise hides it
        if rise > max(alive, 0.02 * np.abs(ic).max(initial=0.0)) or np.abs(ic).max(initial=0.0) > 1e-4:
            return False
        base = float(np.max(ib[np.isfinite(ib)], initial=0.0) - (np.nanmin(ib[self.undriven])
                     if self.undriven.any() and np.isfinite(ib[self.undriven]).any() else 0.0))
        told = {"top": max(rise, noise), "v_be": most_v if isfinite(most_v) else nan, "drive": base}
        flows = base > 10 * alive and (not isfinite(most_v) or most_v > 0.1)
        if flows and self.base_path():  # all of it flows beside the junction
            return False
        if flows and isfinite(most_v) and most_v < 0.3 and base > 1e-5:
            return False  # a base-emitter path takes the drive
        if flows:
            self.add("CE", "curve_open_collector", (0.0, 0.0, 0.0, 1.0), "ic_A", kept=0.0, **told)
        elif isfinite(most_v) and most_v >= rule("curves_drive_V"):
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
            # without a point at low drive: the least driven ones, where every point stands in the limit
            every = where == "CE" and not self.undriven.any() and np.isfinite(self.vbe).any()
            every = every and bool((self.limited | self.beyond).all())
            still = self.vbe < np.nanmin(self.vbe) + 0.03 if every else self.undriven
            if where == "BE" and not self._germanium_like():
                # no silicon junction carries so much at so little and leaves the collector out
                still = still | (self.vbe < rule("curves_no_junction")) & (self.ic < 0.1 * self.ib)
            at = still & ~self.beyond & (np.abs(i) > 0.9 * top) & (i > 0) & (top > rule("curves_own"))
            at &= np.isfinite(v)
            v = np.fmax(v, 1e-3)  # no voltmeter here is better
            if where == "CE":
                at &= self.limited
                free = self.undriven & self.free & (i > rule("curves_own"))
            if not at.any() or where == "CE" and free.any():
                continue  # a lower voltage measures the path
            ohm = float((v[at] / i[at]).min())
            # the highest step of a base current is no limit; the same current at most points is
            held = self.base_limited[at].any() or at.sum() > 0.5 * np.isfinite(i).sum()
            if where == "BE" and (at.sum() < 2 or not held or ohm > 10 * short):
                continue
            # another path of the same part drives the base negative: the current comes out there
            if where == "CE" and np.median(np.nan_to_num(self.ib[at])) < -0.1 * np.median(i[at]):
                where = "BC"
            p = min(log(max(min(short, ohm), least) / least) / log(max(ohm, 2 * least) / least), 1.0)
            if all(float(np.median(i[at])) <= limit for limit, *_ in self.cut_off(where)):
                continue
            self.add(where, "curve_path_at_most", (0.0, 1 - p, p, 0.0), "path_ohm",
                     Interval(nan, -inf, ohm, "ohm"), short, whose=say("limit_short", basis=""), kept=0.0,
                     path=ohm, leak=float(np.median(i[at])), volts=float(np.median(v[at])))  # fmt: skip
            found = True
        return found

    def base_path(self) -> float:
        """Conductance that carries the whole base current, 0 where it is not one [S]."""
        at = ~self.base_limited & np.isfinite(self.ib) & (self.vbe > 0.05) & (self.ib > 0)
        g = self.ib[at] / self.vbe[at]
        alone = g.size > 2 and g.max() < 2 * g.min() and self.vbe[at].max() > 1.5 * self.vbe[at].min()
        return float(np.median(g)) if alone else 0.0

    def _path(self) -> bool:
        """Whether the base or the collector current is that of a path, whatever drives the part."""
        g = self.base_path()
        if g:
            self._leak("BE", g, 0.05 * g, 0.0)
            return True
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
        if b.driven:  # its least step has a base current, and all of the collector's may be the part's own
            self._leak_by_gain()
            self._leak_by_steps()
            return
        cut = b.S[leaks.CUT] if b.S[leaks.CUT] > seen_u * b.u[leaks.CUT] else 0.0
        doubling = rule("leakage_doubling")
        cut /= float(leakage_factor(self.temp_C, REFERENCE_TEMP_C, doubling))
        for where, k, more in (("BE", leaks.BE, 0.0), ("BC", leaks.CB, cut), ("CE", leaks.CE, 0.0)):
            most = min(float(b.most[k]), self.lost_S() if where == "BE" and b.narrow else inf)
            self._leak(where, float(b.S[k]), float(b.u[k]), self.reach_V, more, most)

    def _open_base(self):
        """Output curves without V_BE: the collector current of the step at no base current."""
        at = self.open_base & ~self.beyond
        if not at.any():
            self.blind.append(say("curve_blind_open_base"))
            self._leak_by_gain()
            return
        v, i = self.vce[at], self.ic[at]
        u = np.hypot(rule("curves_offset"), rule("sweep_gain_u") * np.abs(i).max()) / v.max()
        slope = np.polyfit(v, i, 1)[0] if np.ptp(v) > 0.5 and v.size > 3 else i.max() / v.max()
        at_most = max(float(slope), float(np.median(i[v > 0.7 * v.max()]) / v.max()) - 2 * u, 0.0)
        self._leak("CE", at_most, float(u), self.reach_V)
        self._leak_by_gain()

    def _leak_by_steps(self):
        """Collector current that the two least steps of base current leave where there is none."""
        ok = self.free & (np.nan_to_num(self.ib) > 0) & (self.vce > 0.7 * self.reach_V) & (self.ic > 0)
        step = leaks.levels(self.ib[ok], 0.03, 0.0) if ok.any() else np.zeros(0, int)
        if step.size == 0 or step.max() < 1:
            self.blind.append(say("curve_blind_open_base"))
            return
        (b1, b2), (c1, c2) = ([float(np.median(x[ok][step == k])) for k in (0, 1)]
                              for x in (self.ib, self.ic))  # fmt: skip
        left = (c1 - b1 * (c2 - c1) / (b2 - b1)) / self.reach_V
        # so much of it a gain that changes with the current explains
        self._leak("CE", max(left, 0.0), 0.1 * c1 / self.reach_V, self.reach_V)

    def lost_S(self) -> float:
        """Most that leaks past the base-emitter junction, by the gain of the least base current [S]."""
        ok = self.free & np.isfinite(self.ib) & (self.ib > 0) & (self.vce > 1.0) & (self.ic > self.ib)
        if not ok.any():
            return inf
        h = self.ic[ok] / self.ib[ok]
        low = self.ib[ok] <= 1.05 * self.ib[ok].min()
        lost = max(1.0 - float(np.median(h[low])) / float(h.max()), 0.05) * float(self.ib[ok].min())
        return lost / 0.6  # at about that V_BE

    def _leak_by_gain(self):
        lost = self.lost_S()
        self._leak("BE", 0.0, inf if lost == inf else lost / rule("points_seen"), 0.0)

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
            hidden = 0.0 if ohm < inf else rule("curves_hidden") * float(unseen_leak(floor, volts / limit))
            if hidden and S * volts > limit:  # too little to be seen for sure, but it may be there
                more = max(0.3 * exp(min(0.5 * (S / u) ** 2, 20.0)), 1.0)
                hidden *= more / (1.0 - hidden + hidden * more)
            weight = self.family.get(name, 1.0) if name else 1.0
            good += weight * kept * (1.0 - hidden)
            if worst is None or weight > worst[0]:
                worst = weight, limit, volts, whose, amps, kept, hidden
        good = min(good / sum(self.family.get(n, 1.0) if n else 1.0 for *_, n in weights), 1.0)
        _, limit, volts, whose, amps, kept, hidden = worst
        if amps > limit and 0 < reach < volts and S * reach + cut > limit:
            volts, amps = reach, S * reach + cut  # so much as was logged is enough
        own = built_in and ohm > 0.4 * built_in
        shorted = 0.0 if own or ohm == inf else 1.0 - float(conformity_log(ohm, u_ln, low=short))
        p = (good * (1 - shorted), (1 - good) * (1 - shorted), shorted, 0.0)
        bad, sure = good <= 1 - rule("conformity_good"), good >= rule("conformity_good")
        reason = "curve_shorted" if shorted > 0.5 else _LEAK[where] if bad else "curve_no_leak"
        if where == "BE" and not self.typed and (bad or shorted > 0.05) and self._drives_beside(ohm):
            reason, p, bad, shorted, sure = "curve_built_in", DOUBT, True, 0.0, False
        if not (bad or sure or shorted > 0.5):
            torn = len(weights) > 1 and ohm < inf
            reason = "curve_which_family" if torn else "curve_blind" if ohm == inf else "curve_near_limit"
        at_V = 0.5 if where == "BE" else reach
        spread = exp(min(NORMAL_95 * u_ln, 50.0))
        value = Interval(amps, amps / spread, amps * spread, "A")
        if ohm == inf and not cut:  # nothing seen: at most what would have been
            value = Interval(nan, 0.0, volts / floor, "A") if isfinite(floor) and floor > 0 else None
        path = ohm if ohm < inf else nan
        shows = floor if ohm == inf and floor > 0 else nan
        told = {"path": path, "floor": shows, "leak": amps, "limit": limit, "drawn": where == "BE"}
        told |= {"volts": volts, "seen": S * at_V + cut, "at": at_V, "cut": cut or nan, "reach": reach}
        told |= {"shows": rule("range_shows") * limit, "registered": not weights[0][3]}
        self.add(where, reason, p, "leak_A", value, most=limit, whose=whose, kept=good, **told)
        if sure and ohm == inf and isfinite(floor) and volts / limit > floor:
            self.blind.append(say("blind_leak", where=where, floor=floor))

    def _drives_beside(self, ohm: float) -> bool:
        """Whether a part with so low a base-emitter path works: a resistor built in looks so."""
        low = rule("curves_built_in")
        works = self.free & (self.ic > 0.1 * self.top_A)
        works &= self.ic > rule("leads_gain_shows") * self.vbe / ohm
        return low < ohm < rule("built_in_high") and bool(works.any())

    def _built_in(self, where) -> float:
        """Resistors that the type has between base and emitter [ohm], 0 where none."""
        return sum(self.held.r_be_ohm) if where == "BE" and self.held and self.held.r_be_ohm else 0.0

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
        if verdict == Verdict.UNDECIDED and lead.finding.reason == "curve_no_leak":  # all together fall short
            lead.finding.reason = "curve_blind"
            evidence.insert(0, lead.finding.says())
        doubt = lead.finding.says() if verdict == Verdict.UNDECIDED else ""
        following = next_step("part_good_curves") if good else lead.finding.next()
        faults = tuple(dict.fromkeys(x for j in ranked for x in j.faults)) if not good else ()
        if not good:
            evidence += [w for j in ranked if j.verdict == verdict and (w := j.finding.otherwise())]
        self._warn(verdict)
        family = max(self.family, key=self.family.get) if self.family else ""
        surely = self.family and self.family[family] >= rule("conformity_good")
        return part_verdict(
            self.name, verdict, p, self._device(family if surely else ""), tuple(junctions),
            family if surely else "", faults=faults, evidence=tuple(dict.fromkeys(evidence)), next=following,
            cannot_see=self._cannot_see() if good else "", warnings=tuple(dict.fromkeys(self.warnings)),
            basis="curves", type=self.mark, temp_C=self.temp_C if self.temp_known else nan,
            temp_known=self.temp_known, doubt=doubt, measured=self.measured, decides=lead.finding,
        )  # fmt: skip

    def _junction(self, where, mine) -> JunctionVerdict:
        whole = worst_of([SimpleNamespace(probability=dict(zip(QUALITIES, p, strict=True))) for _, p in mine])
        finding, _ = min(mine, key=lambda one: one[1][0])
        verdict = decide(whole)
        path = next((f.numbers["path"] for f, _ in mine if f.numbers.get("path", nan) > 0), nan)
        own = finding.numbers.get("registered")
        family = "" if own else max(self.family, key=self.family.get, default="")
        limit = ""
        if finding.quantity == "leak_A":
            told = finding.numbers
            limit = say("limit_leak", limit=told["limit"], volts=told["volts"], whose=told["whose"])
        return JunctionVerdict(
            where, verdict, dict(zip(QUALITIES, whole, strict=True)),
            (f"{where} {verdict}",) if verdict in QUALITIES[1:] else (), (finding.says(),),
            leak_ohm=Interval(path, unit="ohm") if path > 0 else None, family=family, limit=limit,
            finding=finding, held=tuple(f for f, _ in mine),
        )  # fmt: skip

    def _device(self, family: str) -> Device:
        t = None if self.other_kind else self.type
        made_of: dict[str, float] = {}
        for name, weight in self.family.items():
            made_of[families()[name].material] = made_of.get(families()[name].material, 0.0) + weight
        likely = max(made_of, key=made_of.get, default="")
        material = t.material if t else likely if made_of.get(likely, 0) >= rule("conformity_good") else ""
        two = t.kind.lower() == "darlington" if t else bool(family and families()[family].collector)
        kind = "darlington" if two else "bjt"
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
        elif note := type_note(self.mark, self.type, reason="part_type_unknown"):
            self.warnings.append(note)
        if self.limited.any():
            n = int(self.limited.sum())
            self.warnings.append(say("curve_limit", n=n, amps=self.top_A))


def _mix(p, never):
    return tuple(x * (1.0 - 4 * never) + never for x in p)


def _told(name: str, it: Interval) -> str:
    if it.unit == "1":
        return f"h_FE {it.value:.0f}{name.removeprefix('h_FE')}"
    if name.startswith("V_BE"):
        return f"V_BE {it.value:.3f} V{name.removeprefix('V_BE')}"
    return f"{name} {it.value:.0f} V"
