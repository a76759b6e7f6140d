"""A transistor's curves as points: what drives it, what stands in a limit, V_BE, gain, resistance inside.

Nothing here knows a limit of a type or family; `junction.verdict.curve_checks` holds against those.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, inf, isfinite, log, nan

import numpy as np

from junction.base.records import CurveTable, Interval
from junction.base.units import NORMAL_95, REFERENCE_TEMP_C, si, thermal_voltage
from junction.judge.results import Finding, say
from junction.shelf.tables import rule
from junction.verdict import leaks


class Points:
    """The points of one part, all its curves together, and what they say by themselves."""

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
        self.temp_u = rule("temp_u") if self.temp_known else rule("temp_u_missing")
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
            self.limited |= mine & (mine.sum() > 1) & (apart or more) & (self.top_A > rule("curves_own"))
        # next to a point at the limit of one collector voltage the others are there too
        if self.limited.any():
            self.limited |= at_top
        most = np.nanmax(np.abs(ib), initial=0.0)
        base_top = np.abs(ib) > 0.98 * most
        wide = np.ptp(vbe[base_top]) > 0.1 if np.isfinite(vbe[base_top]).all() and base_top.any() else False
        flat = False
        if wide and base_top.sum() > 3:  # a leak from the collector changes a little with V_BE
            half = vbe[base_top] > np.median(vbe[base_top])
            ends = [np.median(np.abs(ib[base_top][h])) for h in (half, ~half)]
            flat = abs(ends[0] - ends[1]) < 0.004 * most
        self.base_limited = base_top & flat
        least = np.nanmin(np.abs(ib), initial=inf)
        most_b = np.nanmax(np.abs(ib), initial=0.0)
        self.low_V = rule("curves_undriven") * (0.5 if self._germanium_like() else 1.0)
        undriven = np.where(np.isfinite(vbe), vbe < self.low_V, np.abs(ib) <= max(least, 1e-3 * most_b))
        self.open_base = ~np.isfinite(vbe) & undriven & (least < 1e-3 * most_b)
        self.undriven = np.where(np.isfinite(vbe), undriven, self.open_base)

    def _germanium_like(self) -> bool:
        return bool(self.type and self.type.material == "germanium")

    def series(self):
        """Collector voltage [V] and current [A] at one drive each, and whether a base current drives it.

        The points that nothing drives, or else those at the least V_BE, where heat matters least; and each
        step of base current of a family of output curves.
        """
        has, v = np.isfinite(self.ic) & (self.vce > 0.05), self.vce
        still = self.undriven
        if not still.any() and np.isfinite(self.vbe).any():
            still = self.vbe < np.nanmin(self.vbe) + 0.01
        found = [(has & still, False)]
        at = np.flatnonzero(has & ~still & (np.nan_to_num(self.ib) > 0))
        if at.size:
            step = leaks.levels(self.ib[at], 0.03, 0.0)
            groups = [at[step == g] for g in range(int(step.max()) + 1)]
            # a Gummel curve has a new base current at every point
            found += [(g, True) for g in groups if g.size >= 5 and np.ptp(v[g]) > 2.0]
        out = []
        for which, driven in found:
            x, i = v[which], self.ic[which]
            if not x.size:
                continue
            level = leaks.levels(x, 0.01)
            groups = [level == g for g in range(int(level.max()) + 1)]
            middle = [np.array([np.median(y[g]) for g in groups]) for y in (x, i)]
            out.append((*middle, driven))
        return out

    def take_offsets_out(self):
        """What the ammeters show without a current."""
        if self.leaks is None:
            return
        off = np.where(np.abs(self.leaks.S[:2]) > 3 * self.leaks.u[:2], self.leaks.S[:2], 0.0)
        self.ic, self.ib = self.ic - off[0], self.ib - off[1]
        seen = [x[self.undriven & np.isfinite(x)] for x in (self.ic + off[0], self.ib + off[1])]
        real = [i.size and abs(np.median(i)) > 0.5 * abs(x) for x, i in zip(off, seen, strict=True)]
        off = np.where(real, off, 0.0)
        if np.abs(off).max() > rule("curves_offset_said"):
            self.warnings.append(say("curve_offset", ic=off[0] or nan, ib=off[1] or nan))

    def usable(self):
        """Points of a working transistor: driven, not saturated, not at the limit."""
        ok = ~self.limited & ~self.beyond & (self.ic > 0) & (self.vce > np.fmax(self.vbe, 0.7) + 0.1)
        noise = self.leaks.floor_A[0] if self.leaks is not None else 0.0
        return ok & ~self.base_limited & (self.ic > max(100 * noise, 10 * rule("curves_offset")))

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
        drift = rule("vbe_slope") * self.temp_u
        u = (rule("sweep_contact_u"), drift, 0.1 * abs(away) * thermal_voltage(25.0))
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
            at_V, at_A = float(np.median(self.vce[mine])), float(np.interp(0.0, ratio, ln_h))
            found.append((at_V, at_A, float(scatter)))
        if not found:
            return nan, nan
        # between the collector voltages next to the one wanted, and not far beyond them
        v, ln_h, scatter = (np.array(x) for x in zip(*found, strict=True))
        near = np.sort(np.argsort(np.abs(np.log(v / volts)))[:2])
        value = np.interp(volts, v[near], ln_h[near])
        return float(np.exp(value)), float(np.hypot(rule("curves_gain_u"), scatter[near].max()))

    def early(self) -> Interval | None:
        """Early voltage [V], by how much more flows at the same drive and a higher collector voltage."""
        drive, unit = (self.vbe, 1e-3) if np.isfinite(self.vbe).any() else (self.ib, 0.0)
        ok = self.usable() & np.isfinite(drive)
        ok &= self.ic < rule("curves_early_share") * self.ic[ok].max(initial=0.0) if unit else ok
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
        lower = np.interp(drive[high], drive[low][order], np.log(self.ic[low][order]))
        step = np.log(self.ic[high]) - lower
        volts = float(np.median(self.vce[high]) - np.median(self.vce[low]))
        # a voltage offset between the two runs is no Early effect
        u = np.hypot(np.std(step) / step.size**0.5, 0.5 * unit / thermal_voltage(25.0))
        mean = float(np.mean(step))
        if not mean > 4 * u:
            return None

        def of(x):
            return volts / np.expm1(x) - float(np.median(self.vce[low]))

        ends = (mean, mean + NORMAL_95 * u, mean - NORMAL_95 * u)
        return Interval(*(float(of(x)) for x in ends), "V")

    def note_values(self):
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
                self.note_gain(h, u, amps, volts)
        early = self.early()
        if early is not None and early.value > 0:
            self.measured["Early voltage"] = early

    def note_gain(self, h: float, u: float, amps: float, volts: float):
        """A gain with its interval among what was measured."""
        spread = exp(NORMAL_95 * u)
        it = Interval(h, h / spread, h * spread, "1")
        self.measured.setdefault(f"h_FE at {si(amps, 'A')}, {volts:g} V", it)
