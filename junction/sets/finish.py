"""Chosen sets to results: exact shares, 95 % intervals from draws, heat, grade."""

from __future__ import annotations

from itertools import permutations
from math import factorial

import numpy as np

from junction.base.records import Interval
from junction.fit.results import TransistorFits
from junction.sets.grade import LIMITS, grade_of, interval_of
from junction.sets.results import MatchedSet, PartMark
from junction.stage.results import OperatingPoint, Stage
from junction.stage.sharing import Devices, Shares, drive_point, imbalance, share

#: Sets drawn at a time, so that sets times draws times devices stay in the cache.
_CHUNK = 16
#: Agreement of drive voltages that a draw needs [V].
_DRAW_TOLERANCE_V = 1e-6
_HOT_DRAWS = 100
#: Beyond so much of the data's highest current a prediction is an extrapolation, and said to be.
_REACH = 1.3
#: V_CE of the figures a part is known by [V]: what bench readings are usually taken at.
_MARK_VCE_V = 5.0


class SetMaker:
    """Turns rails of part indices into `MatchedSet`s for one stage."""

    def __init__(self, fits: TransistorFits, stage: Stage, devices: Devices, drawn, ask) -> None:
        self.fits, self.stage, self.devices, self.drawn, self.ask = fits, stage, devices, drawn, ask
        self.two_rails = ask.layout != "pairs"

    def make(self, rails, *, kept: int = 0) -> list[MatchedSet]:
        """Results of all sets; the first `kept` were fixed by hand.

        Parameters
        ----------
        rails : list of tuple of ndarray of int
            One or two rails of part indices a set.
        kept : int
        """
        if not rails:
            return []
        rails = [self._in_order(r) for r in rails]
        blocks = [np.array([r[side] for r in rails]) for side in range(len(rails[0]))]
        found = [self._rail(block, side) for side, block in enumerate(blocks)]
        halves = self._halves(blocks) if self.two_rails else None
        return [
            self._one(number, rails[number], found, halves, number < kept) for number in range(len(rails))
        ]

    def point(self, which: str, side: int) -> OperatingPoint:
        """The stage's operating point with the resistors of one rail."""
        p: OperatingPoint = getattr(self.stage, which)
        k = self.ask.per_set

        def own(ohms, given):
            if len(ohms) == 2 * k:
                return tuple(ohms[side * k : side * k + k])
            return given if len(ohms) != k or k == 1 else tuple(ohms)

        return OperatingPoint(p.name, p.total_A, p.vce_V, p.temp_C, own(self.stage.re_ohm, p.re_ohm),
                              own(self.stage.rb_ohm, p.rb_ohm), p.rth_K_per_W, p.watts_per_A)  # fmt: skip

    def _in_order(self, rails):
        """Where positions have different resistors, the best order of the parts on each rail."""
        out = []
        for side, members in enumerate(rails):
            members = np.asarray(members)
            point = self.point("idle", side)
            same = (
                len(np.unique(np.atleast_1d(point.re_ohm)))
                == 1
                == len(np.unique(np.atleast_1d(point.rb_ohm)))
            )
            if not same and factorial(len(members)) <= 720:
                orders = members[np.array(list(permutations(range(len(members)))))]
                size = share(self.devices.take(orders), point).imbalance
                members = orders[int(size.argmin())]
            out.append(members)
        return tuple(out)

    def _rail(self, members, side: int) -> dict:
        """Shares and draws of one rail of every set."""
        out: dict = {"idle": None, "peak": None}
        for which in ("idle", "peak"):
            point = self.point(which, side)
            now = share(self.devices.take(members), point)
            drawn = [share(self.drawn[which].take(members[at : at + _CHUNK]), point,
            tolerance_V=_DRAW_TOLERANCE_V).imbalance
                     for at in range(0, len(members), _CHUNK)]  # fmt: skip
            out[which] = (now, np.concatenate(drawn, axis=-1))
        for which, name in (("idle", "hot"), ("peak", "peak hot")):
            out[name] = self._hot(members, which, side)
        return out

    def _hot(self, members, which: str, side: int):
        """Shares with each device at its own heat, and the imbalance of draws."""
        point = self.point(which, side)
        hot = share(self.devices.take(members), point, electrothermal=True)
        full = self.drawn[which]
        few = {n: v[:_HOT_DRAWS] if np.ndim(v) > 1 else v for n, v in full.values.items()}
        drawn = []
        for at in range(0, len(members), _CHUNK):
            piece = Devices(few).take(members[at : at + _CHUNK])
            drawn.append(
                share(
                    piece, point, electrothermal=True, tolerance_V=_DRAW_TOLERANCE_V, heat_steps=2
                ).imbalance
            )
        return hot, np.concatenate(drawn, axis=-1)

    def _halves(self, blocks) -> dict:
        """The two rails of every set at equal drive."""
        k = self.ask.per_set
        both = np.concatenate(blocks, axis=1)
        out = {}
        for which in ("idle", "peak"):
            one, two = self.point(which, 0), self.point(which, 1)
            joined = OperatingPoint(one.name, 2 * one.total_A, one.vce_V, one.temp_C,
                                    _join(one.re_ohm, two.re_ohm, k),
                                    _join(one.rb_ohm, two.rb_ohm, k))  # fmt: skip

            def size(s: Shares):
                halves = np.stack([s.ie_A[..., :k].sum(axis=-1), s.ie_A[..., k:].sum(axis=-1)], axis=-1)
                return imbalance(halves)

            drawn = [size(share(self.drawn[which].take(both[at : at + _CHUNK]), joined,
            tolerance_V=_DRAW_TOLERANCE_V))
                     for at in range(0, len(both), _CHUNK)]  # fmt: skip
            out[which] = (size(share(self.devices.take(both), joined)), np.concatenate(drawn, axis=-1))
        return out

    def _one(self, number: int, rails, found, halves, kept: bool) -> MatchedSet:
        parts = np.concatenate(rails)
        sizes = {which: self._worst(found, which, number) for which in ("idle", "peak", "hot", "peak hot")}
        half = {w: interval_of(h[0][number], h[1][..., number]) for w, h in halves.items()} if halves else {}
        single = self.ask.per_set == 1
        shown = half if single else sizes
        limits = {w: max([shown[w][1], *([half[w][1]] if half else [])]) for w in ("idle", "peak")}
        away = any(bool(f["hot"][0].runs_away[number]) for f in found) and not single
        gain = max(float(f["hot"][0].loop_gain[number]) for f in found)
        resistors = [
            np.broadcast_to(np.atleast_1d(self.point("idle", s).re_ohm), len(r)) for s, r in enumerate(rails)
        ]
        idle = np.concatenate([f["idle"][0].ie_A[number] for f in found])
        return MatchedSet(
            parts=tuple(self.fits.part[i] for i in parts), polarity=self._polarity(parts),
            grade=grade_of(max(limits.values()), away), grade_idle=grade_of(limits["idle"], away),
            grade_peak=grade_of(limits["peak"], away), marks=tuple(self._mark(i) for i in parts),
            imbalance_idle=shown["idle"][0], imbalance_peak=shown["peak"][0],
            share_idle=_shares(found, "idle", number), share_peak=_shares(found, "peak", number),
            emitter_drop_idle_V=tuple(float(x) for x in idle * np.concatenate(resistors)),
            dvbe_V=self._dvbe(rails), hfe_ratio=self._hfe_ratio(parts),
            notes=self._notes(parts, sizes, away, gain, limits),
            rails=tuple(s for s, r in enumerate(rails) for _ in r),
            limit_idle=shown["idle"][1], limit_peak=shown["peak"][1],
            halves_idle=half["idle"][0] if half else None, halves_peak=half["peak"][0] if half else None,
            imbalance_hot=None if single else sizes["hot"][0],
            imbalance_peak_hot=None if single else sizes["peak hot"][0],
             loop_gain=gain, runs_away=away, kept=kept,
        )  # fmt: skip

    def _worst(self, found, which: str, number: int):
        """The rail with the larger 95 % limit."""
        options = [interval_of(f[which][0].imbalance[number], f[which][1][..., number]) for f in found]
        return max(options, key=lambda o: o[1])

    def _polarity(self, parts) -> str:
        words = [self.fits.polarity[i] for i in parts]
        return " + ".join(dict.fromkeys(w for w in words if w)) or "not said"

    def _dvbe(self, rails) -> Interval:
        """Largest difference of V_BE at the idle share, all at one temperature; the worse rail."""
        groups = rails if self.ask.per_set > 1 else [np.concatenate(rails)]
        p = self.stage.idle
        log_ic = np.log(p.total_A / self.ask.per_set)
        options = []
        for members in groups:
            now = drive_point(self.devices.take(members), log_ic, p.vce_V, p.temp_C).vbe_V
            drawn = drive_point(self.drawn["idle"].take(members), log_ic, p.vce_V, p.temp_C).vbe_V
            options.append(interval_of(float(np.ptp(now)), np.ptp(drawn, axis=-1), "V")[0])
        return max(options, key=lambda o: o.high)

    def _hfe_ratio(self, parts) -> Interval:
        """Lower over higher h_FE at the peak's share."""
        p = self.stage.peak
        ic = p.total_A / self.ask.per_set
        hfe = [
            ic / drive_point(d.take(parts), np.log(ic), p.vce_V, p.temp_C).ib_A
            for d in (self.devices, self.drawn["peak"])
        ]
        ratio = [np.min(h, axis=-1) / np.max(h, axis=-1) for h in hfe]
        low, high = np.quantile(ratio[1], (0.025, 0.975))
        return Interval(float(ratio[0]), min(float(low), float(ratio[0])), max(float(high), float(ratio[0])))

    def _mark(self, i: int) -> PartMark:
        """V_BE and h_FE as they were read: where the data are nearest to the idle share, and as warm."""
        at = self.stage.idle.total_A / self.ask.per_set
        temp = float(self.fits.temp_C[i])
        ic = float(np.clip(at, self.fits.ic_low_A[i], self.fits.ic_high_A[i]))
        point = drive_point(self.devices.take(np.array([i])), np.log(ic), _MARK_VCE_V, temp)
        return PartMark(self.fits.type[i], ic, float(point.vbe_V[0]), ic / float(point.ib_A[0]), temp)

    def _notes(self, parts, sizes, away: bool, gain: float, limits) -> tuple[str, ...]:
        out = []
        for which, where in (("idle", "at idle"), ("peak", "at the peak")):
            if grade_of(limits[which]) == "none" and not away:
                out.append(f"no grade {where}: only an imbalance of up to {100 * limits[which]:.0f} % can be "
                           f"vouched for there, and grade C ends at {100 * LIMITS['C']:.0f} %")  # fmt: skip
        per = self.stage.peak.total_A / self.ask.per_set
        short = [self.fits.part[i] for i in parts if self.fits.ic_high_A[i] * _REACH < per]
        if short:
            out.append(f"{', '.join(short)}: measured only to less than the {per:.2g} A each carries "
                       "at the peak; "
                       "the peak figures are extrapolated")  # fmt: skip
        hot = self.fits.flags.get("self_heated") if self.fits.flags else None
        warm = [self.fits.part[i] for i in parts if hot is not None and hot[i]]
        if warm:
            out.append(f"{', '.join(warm)}: warmed up while measured, which was allowed for in the fit")
        if away:
            out.append(f"runs away: theta dP/dT is {gain:.2f} at idle and must stay below 1; the "
                       "warmer part takes "
                       "nearly all the current")  # fmt: skip
        elif gain > 0.5:
            out.append(f"thin thermal margin: theta dP/dT is {gain:.2f} at idle (must stay below 1)")
        interval = sizes["idle"][0]
        if self.ask.per_set > 1 and interval.low < 0.1 * interval.high:
            out.append("closer than the measurement can tell apart at idle")
        return tuple(out)


def _join(one, two, k: int):
    if np.ndim(one) == 0 and np.ndim(two) == 0 and one == two:
        return one
    return tuple(np.broadcast_to(np.atleast_1d(one), k)) + tuple(np.broadcast_to(np.atleast_1d(two), k))


def _shares(found, which: str, number: int) -> tuple[float, ...]:
    return tuple(float(x) for f in found for x in f[which][0].fraction[number])
