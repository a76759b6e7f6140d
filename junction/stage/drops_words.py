"""Verdict and sentence for each measured drop, from the weighed faults."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt

import numpy as np

from junction.base.records import Interval
from junction.stage.drops_odds import (
    EXCHANGED,
    MISREAD,
    ODD,
    OFF,
    OPEN,
    SHORTED,
    SOUND,
    TOO_MUCH_V,
    UNKNOWN,
    VALUE,
)
from junction.stage.drops_rail import BIAS_BAND, K95, Rail, reference_drive
from junction.stage.results import DropVerdict

#: Probability that decides, in the manner of JCGM 106:2012, and the least that is worth naming.
DECIDES, NAMED, NAMED_LOST = 0.95, 0.03, 0.01
_OFF_WORDS = "the device does not conduct (open junction, open base resistor, a joint not made)"
_SHORT_WORDS = "its emitter resistor is shorted and the device carries a current nobody can read here"
_TOO_MUCH = (
    "more than a driven emitter resistor can show: it is open, or the device is shorted from collector to "
    "emitter, or the meter was not across the resistor"
)
_LOOK = (
    "Power off, discharged: repeat the reading on the resistor's own leads, measure the resistor, then "
    "base to emitter in diode mode."
)


@dataclass(frozen=True, eq=False)
class Position:
    """One position as its verdict needs it.

    ``q`` (9,): probability of each kind; ``sound`` (n,): which positions of the rail are trusted;
    ``other``: the other rail's current and its relative standard uncertainty where that rail is trusted
    [A, 1]; ``ratio``: rail current over the wanted one; ``twins``: other suspects of the rail, in words.
    """

    r: Rail
    name: str
    k: int
    q: np.ndarray
    sound: np.ndarray
    other: tuple[float, float] | None
    ratio: Interval
    off: np.ndarray
    twins: str = ""
    both: bool = False  # both rails were measured


def judge_drop(p: Position) -> DropVerdict:
    """Verdict on one drop."""
    q, d, re = p.q, float(p.r.d[p.k]), float(p.r.re[p.k])
    word = word_for(q)
    if not p.both and word in ("not conducting", "resistor shorted"):
        word = "no drop"  # which of the two, only the other rail's current can tell
    expected, by = _expected(p)
    amps, implied = _implied(p, expected)
    low, high = expected.low, expected.high
    head = (f"{p.name}: {1000 * d:.1f} mV, expected {1000 * expected.value:.1f} mV "
            f"({1000 * low:.1f} to {1000 * high:.1f} mV){by}")  # fmt: skip
    shown = Interval(d / re, *(d / re * (1 + s * (p.r.ask.re_tolerance + 0.01)) for s in (-1, 1)), "A")
    lift = f"Power off, discharged: lift one end of the {re:g} ohm resistor and measure it."
    if word == "as predicted":
        return DropVerdict(p.name, d, expected, *_quiet(p, head, implied, shown))
    sure = float({"not conducting": q[OFF], "no drop": q[OFF] + q[SHORTED], "resistor shorted": q[SHORTED],
                  "resistor open": q[OPEN], "resistor out of value": q[VALUE] + q[OPEN],
                  "unlike part": q[ODD]}.get(word, q.max()))  # fmt: skip
    value = f"the resistor behaves like {implied.value:.2g} ohm ({implied.low:.2g} to {implied.high:.2g}) " \
            f"instead of {re:g}"  # fmt: skip
    none = Interval(0.0, 0.0, 3 * float(p.r.ask.u_floor_V) / re, "A")
    anything = Interval(amps.value, 0.0, amps.high, "A")
    if word == "not conducting":
        text = f"{head}: {_OFF_WORDS}; less likely, its emitter resistor is shorted."
        return DropVerdict(p.name, d, expected, word, none, None, sure, text, _LOOK)
    if word == "resistor shorted":
        text = f"{head}: {_SHORT_WORDS}; less likely, the device does not conduct."
        return DropVerdict(p.name, d, expected, word, anything, implied, sure, text, _LOOK)
    if word == "no drop":
        text = f"{head}: {_OFF_WORDS}, or {_SHORT_WORDS}; this drop alone cannot tell the two apart."
        return DropVerdict(p.name, d, expected, word, anything, None, sure, text, _LOOK)
    if word == "resistor open":
        text = f"{head}: the resistor is open, or its joint is; the device's emitter hangs free."
        if d > TOO_MUCH_V:
            text = f"{head}: {_TOO_MUCH}."
        return DropVerdict(p.name, d, expected, word, _at_most(amps), implied, sure, text, lift)
    if word == "resistor out of value":
        text = f"{head}: {value}."
        return DropVerdict(p.name, d, expected, word, amps, implied, sure, text, lift)
    if word == "unlike part":
        text = f"{head}: the part's V_BE is unlike the others': another type, damaged, or its base resistor."
        look = "Power off, discharged: measure base to emitter of each device in diode mode."
        return DropVerdict(p.name, d, expected, word, shown, None, sure, text, look)
    return _undecided(p, expected, head, amps, shown, implied, lift)


def word_for(q) -> str:
    """Verdict of a position from the probabilities of its kinds."""
    suspicion = max(q[kind] for kind in range(len(q)) if kind not in (SOUND, EXCHANGED))
    fine = q[SOUND] + q[EXCHANGED]
    if q[EXCHANGED] < 0.5 and (fine >= DECIDES or (fine >= 0.9 and suspicion < NAMED)):
        return "as predicted"
    for kinds, word in (((OFF,), "not conducting"), ((SHORTED,), "resistor shorted"),
                        ((OFF, SHORTED), "no drop"), ((OPEN,), "resistor open"),
                        ((VALUE, OPEN), "resistor out of value"), ((ODD,), "unlike part")):  # fmt: skip
        if sum(q[kind] for kind in kinds) >= DECIDES:
            return word
    return "undecided"


def _quiet(p: Position, head, implied, shown):
    """The rest of the verdict on a drop that arouses no suspicion, with what it could not see."""
    re = float(p.r.re[p.k])
    tail = "."
    if len(p.r.d) > 1 and max(implied.high / re, re / implied.low) > 1.5 * (1 + p.r.ask.re_tolerance):
        tail = f"; any resistor of {implied.low:.2g} to {implied.high:.2g} ohm would look the same."
    probability = float(p.q[SOUND] + p.q[EXCHANGED])
    return "as predicted", shown, implied, probability, head + tail


def _undecided(p: Position, expected, head, amps, shown, implied, lift) -> DropVerdict:
    """What it may be, likeliest first."""
    q = p.q
    fits = f"its resistor is out of value ({implied.low:.2g} to {implied.high:.2g} ohm would fit)"
    phrases = {
        VALUE: fits, OPEN: "its resistor is open", OFF: _OFF_WORDS, SHORTED: _SHORT_WORDS,
        ODD: "the part does not belong to the set", MISREAD: "the reading is wrong",
        EXCHANGED: "two parts have changed places", UNKNOWN: "more than two things are wrong",
        SOUND: "nothing is wrong here",
    }  # fmt: skip
    lost = float(p.r.d[p.k]) <= 3 * p.r.ask.u_floor_V  # off and shorted look alike, and no value can be told
    least = np.full(len(q), NAMED)
    if lost:
        least[[OFF, SHORTED, VALUE]] = NAMED_LOST, NAMED_LOST, 2.0
    order = [kind for kind in np.argsort(-q) if q[kind] >= least[kind]]
    text = f"{head}. It may be that " + "; or that ".join(phrases[kind] for kind in order) + "."
    wild = float(p.r.d[p.k]) > TOO_MUCH_V
    if wild:
        text = f"{head}: {_TOO_MUCH}. Repeat the reading."
    text += p.twins
    if not p.both and len(p.r.d) == 1:
        text += " Alone, it cannot tell a wrong bias from a wrong resistor: measure the other rail too."
    likely = [{VALUE: amps, OPEN: _at_most(amps), OFF: Interval(0.0, 0.0, 0.0, "A"),
               SHORTED: Interval(0.0, 0.0, amps.high, "A"), UNKNOWN: Interval(0.0, 0.0, amps.high, "A"),
               MISREAD: Interval(0.0, 0.0, amps.high, "A")}.get(kind, shown) for kind in order]  # fmt: skip
    range_A = Interval(likely[0].value, min(i.low for i in likely), max(i.high for i in likely), "A")
    look = _LOOK if q[OFF] + q[SHORTED] > q[VALUE] + q[OPEN] else lift
    would = implied if q[VALUE] + q[OPEN] >= NAMED else None
    drop = float(p.r.d[p.k])
    shown = None if wild else range_A
    return DropVerdict(p.name, drop, expected, "undecided", shown, would, float(q.max()), text, look)


def _at_most(amps: Interval) -> Interval:
    return Interval(amps.value, 0.0, amps.high, "A")


def _expected(p: Position) -> tuple[Interval, str]:
    """Drop a sound position would show, and by what it is expected."""
    r, k, re = p.r, p.k, float(p.r.re[p.k])
    others = np.flatnonzero(p.sound & (np.arange(len(r.d)) != k))
    if others.size:
        z, u = r.drive()
        reference, u_ref, _ = reference_drive(r, z, u, others, k)
        return r.expected(reference, u_ref, k), ""
    alone = bool(p.off[np.arange(len(r.d)) != k].all())  # then it carries the whole rail
    if alone and p.other is not None:
        current, u = p.other
        u = K95 * sqrt(u * u + r.u_r**2)
        by = " by the other rail's current"
    else:
        current, u = r.wanted * (len(r.d) if alone else 1), BIAS_BAND
        by = " by the wanted idle current"
    centre, own = current * re, K95 * float(r.u_d[k])
    return Interval(centre, max(centre * (1 - u) - own, 0.0), centre * (1 + u) + own, "V"), by


def _implied(p: Position, expected: Interval) -> tuple[Interval, Interval]:
    """Current of the junction whatever the resistor [A], and what the resistor would have to be [ohm].

    No more than the rail carries: that bounds what a drive voltage alone would give.
    """
    r, k = p.r, p.k
    d, re = max(float(r.d[k]), float(r.u_d[k])), float(r.re[k])
    others = np.flatnonzero(p.sound & (np.arange(len(r.d)) != k))
    if others.size:
        z, u = r.drive()
        reference, u_ref, _ = reference_drive(r, z, u, others, k)
        left = np.full(len(r.d), reference - r.d[k])
        off = K95 * sqrt(u_ref**2 + float(r.u_vbe[k]) ** 2 + float(r.u_d[k]) ** 2)
        low, value, high = (float(r.currents(left + s * off)[k]) for s in (-1, 0, 1))
    else:
        low, value, high = (x / re for x in (expected.low, expected.value, expected.high))
    most = p.ratio.high * r.stage.idle.total_A
    high = max(min(high, most), 1e-12)
    value = min(value, high)
    low, value = max(min(low, value), 1e-12), max(value, 1e-12)
    return Interval(value, low, high, "A"), Interval(d / value, d / high, d / low, "ohm")


def differ(a: float, b: float, u: float) -> bool:
    """Whether two rail currents differ by more than their uncertainty and by a tenth."""
    return abs(a - b) > K95 * u and abs(log(max(a, 1e-9) / max(b, 1e-9))) > 0.1
