"""Chosen sets to results: exact shares, 95 % intervals from draws, heat, grade, exchanges, and advice.

A grade is a convention of this tool.  The registered matched duals are held to a ratio of the two h_FE
(lower over higher) of 0.8 or 0.9 to 1 and a V_BE difference of 3 to 15 mV, without emitter resistors
(MIL-PRF-19500/270 gives the method: ratio of separately measured gains, difference with the emitters
joined).  A V_BE difference dV means a ratio of currents exp(dV/(kT/q)) there: 3 mV is 12 %, an imbalance of
5.8 %.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from itertools import permutations, product
from math import factorial

import numpy as np

from junction.amplifier.results import OperatingPoint, Stage
from junction.amplifier.sharing import HEAT_STEPS, Devices, drive_point, imbalance, share
from junction.base.progress import tell
from junction.base.records import Interval, plain_name
from junction.judge.results import say
from junction.sets.choose import POINTS, Weigher, cross_cost
from junction.sets.results import GRADES, LAYOUTS, MatchedSet
from junction.shelf.tables import rule
from junction.sweeps.results import TransistorFits

#: Sets drawn at a time, so that sets times draws times devices stay in the cache.
_CHUNK = 16
#: Agreement of drive voltages that a draw needs [V].
_DRAW_TOLERANCE_V = 1e-6
#: Draws and steps of the thermal resistance with which heated sets are drawn.
_HOT_DRAWS, _HOT_STEPS = 100, 2
#: Exchanges listed for a kept set.
MOST_SWAPS = 6


def grade_of(limit: float, runs_away: bool = False) -> str:
    """Grade for the upper end of an imbalance's interval [1]; a set that runs away has none."""
    if runs_away:
        return "none"
    return next((g for g in GRADES[:-1] if limit <= rule(f"grade_{g.lower()}")), "none")


def interval_of(value: float, draws, unit: str = "") -> Interval:
    """95 % interval of a size from its draws; its upper end is the limit that a grade rests on.

    Parameters
    ----------
    value : float
        The size at the fitted parameters.
    draws : ndarray (d,)
        The same under the measurement's uncertainty.

    Returns
    -------
    Interval
        2.5 % to 97.5 %, widened to hold `value`: draws of a size near zero all lie above it.
    """
    value = float(value)
    draws = np.asarray(draws, float)
    draws = draws[np.isfinite(draws)]
    if not draws.size:
        return Interval(value, float("nan"), float("nan"), unit)
    low, high = np.quantile(draws, (0.025, 0.975)).tolist()
    return Interval(value, min(low, value), max(high, value), unit)


class Finisher:
    """Makes results of the sets of one bag for one stage.

    Parameters
    ----------
    fits : TransistorFits
    stage : Stage
    devices : Devices
        The parts of `fits`.
    drawn : mapping of str to Devices
        Draws of them at each operating point.
    complements : mapping of str to str, optional
        As in `junction.sets.choose.type_labels`, where types of two rails face each other.
    layout : str
        Key of `junction.sets.results.LAYOUTS`.
    """

    def __init__(
        self, fits: TransistorFits, stage: Stage, devices: Devices, drawn: Mapping[str, Devices],
        complements: Mapping[str, str] | None = None, layout: str = "pairs",
    ) -> None:  # fmt: skip
        self.fits, self.stage, self.devices, self.drawn = fits, stage, devices, drawn
        self.k, self.complements, self.layout = stage.parallel, complements, layout
        self._shares: dict[tuple[str, str], list[np.ndarray]] = {}
        self.bare = LAYOUTS[layout].held == "current at one V_BE"

    def finished(self, chosen, kept: int) -> list[MatchedSet]:
        """Results of all sets, given as one or two rails of part indices; the first `kept` were by hand."""
        if not chosen:
            return []
        rails = np.array([[self._in_order(r, side) for side, r in enumerate(rails)] for rails in chosen])
        sides = range(rails.shape[1])
        found = {}
        for which in POINTS:
            found[which] = [self._solved(rails[:, s], self._point(which, s)) for s in sides]
            found[f"{which} hot"] = [self._solved(rails[:, s], self._point(which, s), True) for s in sides]
            if len(sides) == 2:
                both = rails.reshape(len(rails), -1)
                found[f"{which} rails"] = [self._solved(both, self._point(which, 0, 1))]
        return [self._one(number, rails[number], found, number < kept) for number in range(len(rails))]

    def _point(self, which: str, *sides: int) -> OperatingPoint:
        """The stage's operating point for one rail or for both together, a resistor for each position."""
        p: OperatingPoint = getattr(self.stage, which)
        re, rb = (
            tuple(np.resize(ohms, (2, self.k))[list(sides)].ravel().tolist())
            for ohms in (self.stage.re_ohm, self.stage.rb_ohm)
        )
        return replace(p, total_A=len(sides) * p.total_A, re_ohm=re, rb_ohm=rb)

    def _in_order(self, members, side: int) -> np.ndarray:
        """Where positions have different resistors, the best order of the parts on a rail."""
        point = self._point("idle", side)
        same = all(np.unique(ohms).size == 1 for ohms in (point.re_ohm, point.rb_ohm))
        if same or factorial(len(members)) > 720:
            return members
        orders = members[np.array(list(permutations(range(len(members)))))]
        return orders[int(share(self.devices.take(orders), point).imbalance.argmin())]

    def _solved(self, members, point: OperatingPoint, hot: bool = False):
        """Shares of sets (m, k), their imbalance (m,) and that of draws (d, m).

        Of sets (m, 2k) that hold both rails, the imbalance is that of one rail's current against the other's.
        """

        def size(shares):
            if members.shape[1] == self.k:
                return shares.imbalance
            return imbalance(shares.ie_A.reshape(*shares.ie_A.shape[:-1], 2, self.k).sum(axis=-1))

        drawn = self.drawn[point.name]
        if hot:
            few = {name: v[:_HOT_DRAWS] if np.ndim(v) > 1 else v for name, v in drawn.values.items()}
            drawn = Devices(few)
        draws, steps = [], _HOT_STEPS if hot else 0
        for at in range(0, len(members), _CHUNK):
            tell("drawing", at, len(members), "sets")
            piece = drawn.take(members[at : at + _CHUNK])
            draws.append(size(share(piece, point, tolerance_V=_DRAW_TOLERANCE_V, heat_steps=steps)))
        shares = share(self.devices.take(members), point, heat_steps=HEAT_STEPS if hot else 0)
        return shares, size(shares), np.concatenate(draws, axis=-1)

    def _one(self, number: int, rails, found, kept: bool) -> MatchedSet:
        parts, sides = rails.ravel(), range(len(rails))
        # of two rails, the one with the larger limit
        sizes = {
            name: max((interval_of(size[number], draws[..., number]) for _, size, draws in solved),
                      key=lambda size: size.high)
            for name, solved in found.items()
        }  # fmt: skip
        single = self.k == 1
        shown = {w: sizes[f"{w} rails"] if single else sizes[w] for w in POINTS}
        limits = {w: max(shown[w].high, sizes.get(f"{w} rails", shown[w]).high) for w in POINTS}
        hot = [shares for shares, *_ in found["idle hot"]]
        away = not single and any(bool(s.runs_away[number]) for s in hot)
        gain = max(float(s.loop_gain[number]) for s in hot)
        currents = {w: [shares.ie_A[number] for shares, *_ in found[w]] for w in POINTS}
        share_of = {w: tuple(np.concatenate([x / x.sum() for x in currents[w]]).tolist()) for w in POINTS}
        re_ohm = self._point("idle", *sides).re_ohm
        polarities = dict.fromkeys(p for p in (self.fits.polarity[i] for i in parts) if p)
        marks = tuple(self._mark(int(i)) for i in parts)
        notes = [] if self.complements is None else self._facing(marks)
        return MatchedSet(
            parts=tuple(self.fits.part[i] for i in parts), polarity=" + ".join(polarities) or "not said",
            grade=grade_of(max(limits.values()), away), grade_idle=grade_of(limits["idle"], away),
            grade_peak=grade_of(limits["peak"], away), marks=marks, places=(),
            rails=tuple(s for s in sides for _ in range(self.k)), kept=kept,
            imbalance_idle=shown["idle"], imbalance_peak=shown["peak"],
            imbalance_idle_limit_95=shown["idle"].high, imbalance_peak_limit_95=shown["peak"].high,
            imbalance_idle_heated=None if single or self.bare else sizes["idle hot"],
            imbalance_peak_heated=None if single or self.bare else sizes["peak hot"],
            rails_idle=sizes.get("idle rails"), rails_peak=sizes.get("peak rails"),
            share_idle=share_of["idle"], share_peak=share_of["peak"],
            emitter_drop_idle_V=tuple((np.concatenate(currents["idle"]) * re_ohm).tolist()),
            dvbe_V=self._dvbe(rails), hfe_ratio=self._hfe_ratio(parts), thermal_loop_gain=gain,
            base_current=self._base_current(parts) if self.bare else None,
            runs_away=away, notes=(*notes, *self._notes(parts, sizes["idle"], away, gain, limits)),
        )  # fmt: skip

    def at_share(self, members, p: OperatingPoint, what: str) -> list[np.ndarray]:
        """A quantity of parts that carry the share of a point, all at one temperature: fitted, and drawn."""
        if (p.name, what) not in self._shares:  # of all parts at once: a bag has many sets
            log_ic = np.log(p.total_A / self.k)
            every = [getattr(drive_point(d, log_ic, p.vce_V, p.temp_C), what)
                     for d in (self.devices, self.drawn[p.name])]  # fmt: skip
            n = (len(self.fits),)
            self._shares[p.name, what] = [np.broadcast_to(a, np.shape(a)[:-1] + n) for a in every]
        return [a[..., members] for a in self._shares[p.name, what]]

    def _dvbe(self, rails) -> Interval:
        """Largest difference of V_BE at the idle share; the worse rail."""
        options = []
        for members in rails if self.k > 1 else rails.reshape(1, -1):
            now, drawn = self.at_share(members, self.stage.idle, "vbe_V")
            options.append(interval_of(np.ptp(now), np.ptp(drawn, axis=-1), "V"))
        return max(options, key=lambda o: o.high)

    def _hfe_ratio(self, parts) -> Interval:
        """Lower over higher h_FE at the peak's share."""
        now, drawn = self.at_share(parts, self.stage.peak, "ib_A")  # at one collector current
        return interval_of(np.min(now) / np.max(now), np.min(drawn, axis=-1) / np.max(drawn, axis=-1))

    def _base_current(self, parts) -> Interval:
        """What the base currents do to a differential pair or a mirror at one collector current."""
        if self.fits.fixed[parts, self.fits.names.index("BF")].any():
            return Interval(float("nan"), float("nan"), float("nan"))
        now, drawn = self.at_share(parts, self.stage.idle, "ib_A")
        amps = self.stage.idle.total_A / self.k

        def error(ib):
            return ib.sum(-1) / amps if self.layout == "mirror" else np.ptp(ib, axis=-1) / ib.mean(-1)

        return interval_of(error(now), error(drawn))

    @cached_property
    def _marks(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Current, V_BE and h_FE of every part as it was read: nearest to the idle share, and as warm."""
        at = self.stage.idle.total_A / self.k
        ic = np.clip(at, self.fits.ic_low_A, self.fits.ic_high_A)
        with np.errstate(invalid="ignore"):  # a part without a fit is nan throughout
            point = drive_point(self.devices, np.log(ic), rule("reading_vce"), self.fits.temp_C)
            return ic, np.broadcast_to(point.vbe_V, ic.shape), np.broadcast_to(ic / point.ib_A, ic.shape)

    def _mark(self, i: int) -> dict:
        ic, vbe, hfe = (float(a[i]) for a in self._marks)
        return {"type": self.fits.type[i], "ic_A": ic, "vbe_V": vbe, "hfe": hfe,
                "temp_C": float(self.fits.temp_C[i])}  # fmt: skip

    def _facing(self, marks) -> list[str]:
        """What to say of a two-rail set whose types are not registered for each other."""
        types = [mark["type"] for mark in marks]
        sides = [dict.fromkeys(filter(None, types[s : s + self.k])) for s in (0, self.k)]
        out = []
        for one, two in product(*sides):
            names = {plain_name(one), plain_name(two)}
            mates = {self.complements[name] for name in names if name in self.complements}
            if mates and not mates & names:
                out.append(say("match_not_complements", one=one, two=two))
        for side in sides:
            if len({plain_name(t) for t in side}) > 1:
                out.append(say("match_rail_mixed", types=" and ".join(side)))
        return out

    def _notes(self, parts, idle: Interval, away: bool, gain: float, limits) -> list[str]:
        def named(which) -> str:
            return ", ".join(self.fits.part[i] for i in parts if which[i])

        where = {"idle": "" if self.bare else "at idle", "peak": "" if self.bare else "at the peak"}
        vague = [where[w] for w in POINTS if grade_of(limits[w]) == "none" and not away]
        said = {"where": " and ".join(filter(None, vague)), "worst": 100 * rule("grade_c")}
        out = [say("match_no_grade", **said)] if vague else []
        per = self.stage.peak.total_A / self.k
        short = named(self.fits.ic_high_A * rule("current_reach") < per)
        if short:
            out.append(say("match_extrapolated", parts=short, amps=per))
        warm = named(self.fits.flags["self_heated"]) if "self_heated" in (self.fits.flags or ()) else ""
        if warm:
            out.append(say("match_warmed", parts=warm))
        if away:
            out.append(say("match_runs_away", gain=gain))
        elif gain > rule("loop_gain_thin"):
            out.append(say("match_thin_margin", gain=gain))
        if self.k > 1 and idle.low < rule("match_apart") * idle.high:
            out.append(say("match_not_apart", where="" if self.bare else "at idle"))
        return out


def with_swaps(sets: Sequence[MatchedSet], names: Sequence[str], pools) -> tuple[MatchedSet, ...]:
    """Add to every kept set the exchanges that would better the whole, best first.

    Parameters
    ----------
    sets : sequence of MatchedSet
    names : sequence of str
        All parts of the batch.
    pools : sequence of (ndarray of int, Weigher)
        Parts of each pool in the whole batch, ascending, and the costs of sets of them.
    """
    where = {name: i for i, name in enumerate(names)}
    owner = {name: number for number, s in enumerate(sets) for name in s.parts}
    pool_of = {int(i): pool for pool in pools for i in pool[0]}

    def rails_of(s: MatchedSet) -> list[np.ndarray]:
        parts = np.array([where[name] for name in s.parts])
        return [parts[np.array(s.rails) == rail][None] for rail in sorted(set(s.rails))]

    def exchanged(rails, out: int, into) -> list[np.ndarray]:
        """Rails of one set, repeated, with part `out` replaced by each of `into`."""
        return [np.where(r == out, np.asarray(into)[:, None], r) for r in rails]

    def local(rails) -> list[tuple[Weigher, np.ndarray]]:
        pools = [pool_of[int(r[0, 0])] for r in rails]
        return [(w, np.searchsorted(index, r)) for (index, w), r in zip(pools, rails, strict=True)]

    def cost(rails) -> np.ndarray:
        own = local(rails)
        total = sum(w.cost(m) for w, m in own)
        if len(own) == 2:
            total = total + cross_cost(*(w.groups(m) for w, m in own), own[0][0].weights)
        return total

    def size(rails, q: int) -> np.ndarray:
        """Imbalance at a point: of the worse rail, or between rails of one part each."""
        own = local(rails)
        if own[0][0].k > 1:
            return np.max([share(w.devices.take(m), w.points[q]).imbalance for w, m in own], axis=0)
        (v1, s1, *_), (v2, s2, *_) = (w.groups(m)[:, q] for w, m in own)
        return np.tanh(np.abs(v1 - v2) / (s1 + s2))  # as `cross_cost` weighs them

    def swaps(s: MatchedSet) -> tuple[Mapping, ...]:
        rails, found = rails_of(s), []
        now = float(cost(rails)[0])
        for out in s.parts:
            others = [i for i in pool_of[where[out]][0].tolist() if names[i] not in s.parts]
            if not others:
                continue
            trial = exchanged(rails, where[out], others)
            saving = now - cost(trial)
            for at, other in enumerate(others):
                if names[other] in owner:  # what giving it up costs its set, which takes `out` in its place
                    its = rails_of(sets[owner[names[other]]])
                    saving[at] -= float(cost(exchanged(its, other, [where[out]]))[0] - cost(its)[0])
            best = [int(at) for at in np.argsort(-saving)[:MOST_SWAPS] if saving[at] > 0]
            sizes = [size([r[best] for r in trial], q).tolist() for q in (0, 1)] if best else ((), ())
            for at, idle, peak in zip(best, *sizes, strict=True):
                into = names[others[at]]
                found.append({
                    "out": out, "in": into, "imbalance_idle": idle, "imbalance_peak": peak,
                    "saving": float(saving[at]), "from_set": owner[into] + 1 if into in owner else None,
                })  # fmt: skip
        return tuple(sorted(found, key=lambda w: -round(w["saving"], 12))[:MOST_SWAPS])

    return tuple(replace(s, swaps=swaps(s)) if s.kept else s for s in sets)
