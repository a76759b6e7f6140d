"""What the points of a transistor's curves are held against: limits of its registered type, else of a family.

Limits of a path's current, then those of a part that works: resistance inside, V_BE, saturation, gain.
"""

from __future__ import annotations

from math import exp, inf, isfinite, isnan, log, nan

import numpy as np

from junction.base.records import Interval
from junction.base.units import NORMAL_95, REFERENCE_TEMP_C, si, thermal_voltage
from junction.judge.mixture import conformity, conformity_log, posterior
from junction.judge.results import NO_LIMIT, Finding, say
from junction.shelf.tables import families, rule
from junction.verdict.curve_points import Points
from junction.verdict.leaks import BE

#: Registered currents that a path must keep, the nearest to what a curve shows first, and their voltage.
_CUT_OFF = {
    "BE": (("I_EBO",), "veb_V"),
    "BC": (("I_CBO", "I_CEX", "I_CES", "I_CEO"), "vcb_V"),
    "CE": (("I_CES", "I_CEX", "I_CBO", "I_CEO"), "vce_V"),
}  # fmt: skip
#: Probability of the four qualities of what is wrong, but none of them by itself.
DOUBT = (1 / 3, 1 / 3, 0.0, 1 / 3)


class Checks(Points):
    """Points of a part, its type or families, and the findings so far."""

    def cut_off(self, where: str) -> list[tuple[float, float, str, str]]:
        """Limits of the current past a junction or path: [A], at [V], whose, and its family ('' a type's)."""
        symbols, volts = _CUT_OFF[where]
        open_base = not np.isfinite(self.vbe).any() or self.leaks is not None and self.leaks.driven
        if open_base:
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
        gain = rule("ceo_gain") if where == "CE" and open_base else 1.0
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
        ok = self.usable() & np.isfinite(self.ib) & (self.ib > 0)
        ok &= self.ic > 0.03 * self.ic[ok].max(initial=0.0)  # below, leaks and noise have their part
        if ok.any():
            two = np.array([known[n].collector != "" for n in names])
            gain = float(np.median(self.ic[ok] / self.ib[ok]))
            like[two != (gain > rule("curves_darlington"))] += log(1e-3)
        p = posterior(like)
        self.family = {n: float(w) for n, w in zip(names, p, strict=True) if w > 1e-3}

    def add(
        self, where, reason, p, quantity="", value=None, least=-inf, most=inf, whose="", kept=nan, **told
    ):
        """One finding, with the probability of each quality."""
        told = {"where": where, "type": self.mark, "whose": whose, **told}
        self.found.append((Finding(where, reason, quantity, value, least, most, whose, kept, told), tuple(p)))

    def transistor(self):
        """Resistance inside, V_BE, saturation, gain of a part that nothing shorts, opens or bridges."""
        if not self.usable().any():
            self.add("CE", "curve_few", (0.25,) * 4, kept=0.5)
            return
        self._mismatch()
        self._gain_held()
        self._inside_held()
        self._vbe_held()
        self._saturation()
        self.note_values()

    def _mismatch(self):
        """A part of another polarity than its marking."""
        own = self.type.polarity if self.type and not self.other_kind else ""
        if own and self.logged and own != self.logged:
            self.add("CE", "curve_other_polarity", DOUBT, kept=0.5, logged=self.logged, polarity=own)

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
                    whose = f"{limit.symbol} of {self.held.name}, {limit.high:g} V at {si(amps, 'A')}"
                    registered.append(((limit.high - v) / amps, whose))
        kept, best = 0.0, None
        ok = self.usable() & np.isfinite(self.ib)
        # a part of little gain drives more current through its base resistance: no fault of the emitter
        share = float(self.ib[ok][np.argmax(self.ic[ok])] / self.ic[ok].max()) if ok.any() else 0.0
        share = share if ok.any() else 1.0 / rule("leads_gain_shows")  # nobody knows
        gains = self.held.find("h_FE") if self.held else ()
        least = max((x.low for x in gains if isfinite(x.low)), default=nan)
        for name, weight in self.family.items():
            f = families()[name]
            allowed = rule("curves_inside") * f.rs_high_ohm + rule("sweep_leads") * (f.rs_high_ohm > 50)
            base = f.rs_high_ohm * max(share - (1 / least if least > 0 else 0.0), 0.0)
            whose = say("limit_of_family", family=f.name, basis=f.basis, open_base=False)
            # a sound part may have the V_BE that its type allows at the most, all of it in the junction
            if registered and min(registered)[0] > allowed:
                allowed, whose = min(registered)
            allowed += base
            # what an unmarked part loses may be little for a small one and much for a large one
            little = not self.typed and ohm * self.top_A < rule("curves_inside_drop")
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
                 Interval(ohm, ohm - half, ohm + half, "ohm"), most=allowed, whose=whose, kept=kept,
                 inside=ohm, allowed=allowed, top=self.top_A)  # fmt: skip

    def _vbe_held(self):
        """V_BE against the family's window at 1 mA, and against what is registered."""
        if any(f.reason in ("curve_inside", "curve_gain_low", "curve_leak_costs") for f, _ in self.found):
            return  # which drive more voltage through the base
        vf, u = self.vbe_at(1e-3)
        if isfinite(vf) and self.typed:
            f = families()[next(iter(self.family))]
            kept = float(conformity(vf, u, f.vf_low_V, f.vf_high_V))
            if kept <= 0.5:
                self._odd(vf, u, 1e-3, f.called, f.vf_low_V, f.vf_high_V, f.basis, kept)
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
                whose = f"registered V_BE(on) of {self.held.name}"
                self._odd(v, u, amps, self.held.name, limit.low, limit.high, whose, kept)
                return

    def _saturation(self):
        """A point with less current and more drive than registered, and more voltage than allowed."""
        ok = self.free & np.isfinite(self.ib)
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
            told = {"h": h, "amps": amps, "volts": volts, "low": limit.low, "high": limit.high}
            told["share"] = False
            if isnan(h):
                reached = float(self.ic[self.usable()].max(initial=0.0))
                below = amps / reached if reached else inf
                if 1 < below < rule("curves_gain_reach") and isfinite(limit.low):
                    h, u = self.gain_at(0.9 * reached, volts)
                    # further down recombination may lower a sound gain as well
                    share = 1.0 if below < rule("gain_holds_below") else rule("gain_below_type")
                    told |= {"h": h, "amps": 0.9 * reached, "low": share * limit.low, "share": share < 1}
                self.blind += [] if isnan(h) else [say("curve_blind_gain", amps=amps)]
                if isnan(h):
                    self.blind.append(say("curve_blind_gain", amps=amps))
                    continue
                limit_high = inf
            else:
                limit_high = limit.high if isfinite(limit.high) else inf
                self.note_gain(h, u, amps, volts)
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
            if ok.any() and best < rule("curves_gain_least"):
                self.add("CE", "curve_gain_none", DOUBT, "h_FE", Interval(best, unit="1"), kept=0.5, h=best)
            elif not ok.any():
                self.blind.append(say("blind_gain"))
            return
        kept, told, limit = least
        sure = rule("conformity_good")
        if kept < sure:
            reason = "curve_gain_low" if kept <= 1 - sure else "curve_gain_near"
            p = DOUBT if kept <= 1 - sure else (kept, (1 - kept) / 2, 0.0, (1 - kept) / 2)
            where = "CE"
            if kept <= 1 - sure and self._leak_explains(told):
                where, reason, p = "BE", "curve_leak_costs", (0.0, 1.0, 0.0, 0.0)
            value = Interval(told["h"], told["h_low"], told["h_high"], "1")
            whose = f"registered h_FE of {self.held.name}; {limit.source or self.held.source}"
            self.add(where, reason, p, "h_FE", value, told["low"], whose=whose, kept=kept, **told)

    def _odd(self, v, u, amps, family, low, high, whose, kept):
        """A V_BE that is not that of the marking."""
        half = NORMAL_95 * u
        both = isfinite(low) and isfinite(high)
        self.add("BE", "curve_odd", DOUBT, "vbe_V", Interval(v, v - half, v + half, "V"), low, high, whose,
                 kept, v_be=v, amps=amps, family=family, low=low, high=high, both=both)  # fmt: skip

    def _leak_explains(self, told) -> bool:
        """Whether the gain would be kept without what leaks past the base-emitter junction."""
        b = self.leaks
        if b is None or not b.S[BE] > rule("points_seen") * b.u[BE]:
            return False
        v, _ = self.vbe_at(told["amps"])
        lost = float(b.S[BE]) * v
        left = told["amps"] / told["h"] - lost
        told |= {"path": 1.0 / float(b.S[BE]), "lost": lost}
        return left > 0 and told["amps"] / left > told["low"]
