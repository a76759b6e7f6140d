"""What was seen, in the words of the bench: one sentence with numbers for each verdict.

The sentences are plain f-strings over lists, because a bag may hold ten thousand sweeps.
"""

from __future__ import annotations

from functools import cache
from math import inf, isnan
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from junction.shelf.rules import rules
from junction.verdict.measured import JUNCTION, REVERSE_ONLY
from junction.verdict.sweep_reasons import (
    BLIND,
    DOUBT_SEEN,
    DOUBT_TEST,
    DRIFTED,
    NEAR_LIMIT,
    NO_FIT,
    NOT_REACHED,
    ODD,
    SWAPPED,
    WHICH_FAMILY,
)

if TYPE_CHECKING:
    from junction.verdict.sweeps import SweepVerdicts

_PREFIX = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
#: Decade of a number -> (factor to its SI prefix, digits before the point, prefix).
_DECADE = {
    e: (10.0**-power, e - power + 1, _PREFIX[power])
    for e in range(-330, 310)
    for power in (min(max(3 * (e // 3), -15), 9),)
    if abs(power) < 300
}


def si(x: float, unit: str, digits: int = 3) -> str:
    """A number to some significant digits in its SI prefix: ``1.3 µA``, ``0.652 V``, ``10.4 kohm``."""
    if x != x:
        return "an unknown number of " + unit
    if x in (0.0, inf, -inf):
        return f"{x:g} {unit}"
    decade = int(f"{x:.{digits - 1}e}".rpartition("e")[2])
    if decade == -1 and unit in ("V", "ohm"):
        return f"{x:.{digits}f} {unit}"
    factor, whole, prefix = _DECADE[decade]
    scaled = x * factor
    text = f"{scaled:.0f}" if whole > digits else f"{scaled:.{digits}g}"
    return f"{text} {prefix}{unit}"


@cache
def si_of_limit(x: float, unit: str) -> str:
    """`si` of a limit: there are few, and each stands in thousands of sentences."""
    return si(x, unit)


class Facts(NamedTuple):
    """One sweep's numbers, as a sentence needs them."""

    junction: str
    kind: int
    reason: int
    family: str
    typed: bool
    registered: bool
    vf_V: float
    vf_at_A: float
    n: float
    leak_A: float
    limit_A: float
    at_V: float
    path_ohm: float
    floor_ohm: float
    hidden: float
    v_low_V: float
    v_high_V: float
    i_high_A: float
    bv_V: float
    rs_ohm: float
    vf_low_V: float
    vf_high_V: float
    rating_V: float
    from_points: bool
    most_ohm: float
    why_not: str
    rival: str  # the family that would make the other verdict of it, where that is the question


def family_words(name: str) -> str:
    """Junction of a family as it stands in a sentence: ``red LED junction`` for ``LED red``."""
    if "Darlington" in name:
        return f"{name.replace(' B-E path', '')} base-emitter path"
    return f"{name[4:]} LED junction" if name.startswith("LED ") else f"{name} junction"


def _told_of(sv: SweepVerdicts, rows: np.ndarray) -> np.ndarray:
    """Family to speak of: the likeliest, or the likeliest whose knee was out of the sweep's reach."""
    best = sv.family[rows].copy()
    high = np.array([f.vf_high_V for f in sv.limits.families])
    for place in np.flatnonzero(sv.reason[rows] == NOT_REACHED).tolist():
        k = rows[place]
        beyond = sv.weight[k] * (high > sv.measured.v_high_V[k])
        if beyond.max() > 0:
            best[place] = beyond.argmax()
    return best


def _rivals(sv: SweepVerdicts, rows: np.ndarray) -> list[str]:
    """Most probable family that disagrees with the best one on the leak, for the undecided between them."""
    out = [""] * rows.size
    for place in np.flatnonzero(sv.reason[rows] == WHICH_FAMILY).tolist():
        k = rows[place]
        kept = sv.kept_by[k] >= 0.5
        share = np.where(kept != kept[sv.family[k]], sv.weight[k], 0.0)
        if share.max() > 0:
            out[place] = family_words(sv.limits.families[int(share.argmax())].name)
    return out


def facts(sv: SweepVerdicts, rows: np.ndarray | None = None) -> list[Facts]:
    """Numbers of all sweeps (or of `rows`) as python records."""
    rows = np.arange(len(sv)) if rows is None else rows
    m, families = sv.measured, sv.limits.families
    best = _told_of(sv, rows)
    pick = np.array([(f.vf_at_A, f.vf_low_V, f.vf_high_V) for f in families])[best]
    names = [family_words(families[j].name) for j in best.tolist()]
    columns = (
        sv.vf_V[rows], pick[:, 0], m.n[rows], sv.leak_A[rows], sv.limits.leak_A[sv.row[rows], best],
        sv.limits.at_V[sv.row[rows], best], m.path_ohm[rows], m.floor_ohm[rows], sv.hidden[rows],
        m.v_low_V[rows], m.v_high_V[rows], m.i_high_A[rows], m.bv_V[rows], m.rs_ohm[rows], pick[:, 1],
        pick[:, 2], sv.limits.rating_V[sv.row[rows]], m.from_points[rows], m.most_ohm[rows],
    )  # fmt: skip
    at = rows.tolist()
    return [
        Facts(*x)
        for x in zip(
            [sv.table.junction[k] for k in at], m.kind[rows].tolist(), sv.reason[rows].tolist(), names,
            sv.limits.typed[sv.row[rows]].tolist(), sv.limits.registered[sv.row[rows]].tolist(),
            *(c.tolist() for c in columns),
            [sv.fits.why_not[k] for k in at], _rivals(sv, rows), strict=True,
        )
    ]  # fmt: skip


def _forward(f: Facts) -> str:
    if isnan(f.vf_V):
        return ""
    n = "" if isnan(f.n) else f", N {f.n:.2f}"
    return f"{f.vf_V:.3f} V at {si_of_limit(f.vf_at_A, 'A')}{n}"


def _at(f: Facts) -> str:
    """Voltage of the limit, and from where the sweep was carried on to it."""
    if f.junction == "CE":
        return f"{f.at_V:g} V"
    reach = max(-f.v_low_V, 0.0)
    if reach >= 0.5 * f.at_V:
        return f"{f.at_V:g} V reverse"
    start = f"{reach:.1f} V" if reach > 0.05 else "the forward part"
    return f"{f.at_V:g} V reverse (carried on from {start})"


def _reverse(f: Facts) -> str:
    if f.path_ohm == inf and f.floor_ohm != f.floor_ohm:
        return "no leak to be seen"
    if f.path_ohm == inf and f.leak_A < 0.1 * f.limit_A:
        return f"no leak to be seen (one of {si(f.floor_ohm, 'ohm', 2)} would show)"
    return f"{si(f.leak_A, 'A', 2)} at {_at(f)} where {si_of_limit(f.limit_A, 'A')} is allowed"


def _path(f: Facts) -> str:
    return si(f.path_ohm, "ohm") if f.path_ohm < inf else "no current"


def _good(f: Facts) -> str:
    if f.junction == "CE":
        return f"CE: {_reverse(f)}; nothing flows with the base open, as it should."
    text = f"{f.junction}: {_forward(f)}, {_reverse(f)}: a healthy {f.family}."
    if not isnan(f.bv_V):
        text = text[:-1] + f", breaking down at {f.bv_V:.3g} V."
    return text


def _leaky(f: Facts) -> str:
    if f.bv_V < f.rating_V and f.leak_A < f.limit_A:
        return f"{f.junction}: breaks down at {f.bv_V:.3g} V, under its rating of {f.rating_V:g} V."
    if f.path_ohm == inf:
        body = f"{f.junction}: passes {si(f.leak_A, 'A')} at {_at(f)}"
    else:
        body = f"{f.junction}: a path of {si(f.path_ohm, 'ohm')}"
        if f.kind == JUNCTION:
            body += f" across the junction ({_forward(f)})"
        body += f", {si(f.leak_A, 'A')} at {_at(f)}"
    whose = "this type" if f.registered else "such a part" if f.junction == "CE" else f"a {f.family}"
    return f"{body}; {whose} may pass {si_of_limit(f.limit_A, 'A')}."


def _shorted(f: Facts) -> str:
    limit = rules()["short_below"].value
    ohm = f"about {si(f.path_ohm, 'ohm', 2)}" if f.from_points else si(f.path_ohm, "ohm")
    ohm = ohm if isnan(f.most_ohm) else f"at most {si(f.most_ohm, 'ohm', 2)}"
    return f"{f.junction}: {ohm} and no knee; under {limit:g} ohm is a short."


def _open(f: Facts) -> str:
    if f.path_ohm < inf:
        return (
            f"{f.junction}: nothing but a path of {si(f.path_ohm, 'ohm')} up to {f.v_high_V:.2f} V;"
            " there is no junction left."
        )
    return (
        f"{f.junction}: no current beyond the {si(f.i_high_A, 'A', 2)} of noise up to {f.v_high_V:.2f} V;"
        " the junction is open."
    )


def _undecided(f: Facts) -> str:
    j = f.junction
    if f.reason == NO_FIT:
        return f"{j}: the sweep cannot be judged: {f.why_not or 'no curve fits it'}."
    if f.reason == SWAPPED:
        return f"{j}: nothing flows forward, and reverse looks like a junction: the leads are swapped."
    if f.reason >= DRIFTED:
        return f"{j}: {DOUBT_SEEN[f.reason - DRIFTED].format(top=si(f.i_high_A, 'A', 2))}."
    if f.reason == NOT_REACHED:
        if f.kind == REVERSE_ONLY:
            return f"{j}: only the reverse part was swept ({_reverse(f)}); the forward part is missing."
        seen = _path(f)
        return (
            f"{j}: {seen} up to {f.v_high_V:.2f} V, and a {f.family} may only conduct"
            f" from {f.vf_high_V:.2f} V: not swept far enough to tell it from an open one."
        )
    if f.reason == ODD:
        more = f", RS {si(f.rs_ohm, 'ohm', 2)}" if f.rs_ohm > 5 else ""
        more += f", breakdown at {f.bv_V:.3g} V" if not isnan(f.bv_V) else ""
        seen = _forward(f) or f"{si(f.i_high_A, 'A', 2)} at the most, up to {f.v_high_V:.2f} V"
        if f.from_points and not f.typed:
            return f"{j}: {seen}{more}: too few points about the knee, or too odd ones, to tell."
        return (
            f"{j}: {seen}{more}: no healthy"
            f" {f.family if f.typed else 'junction of any family here'} looks like this."
        )
    if f.reason == BLIND:
        return (
            f"{j}: {_forward(f) or 'nothing flows'}, but a leak over the limit of"
            f" {si_of_limit(f.limit_A, 'A')} at {f.at_V:g} V would not show in this sweep."
        )
    if f.reason == NEAR_LIMIT:
        return (
            f"{j}: {si(f.leak_A, 'A', 2)} at {_at(f)}, too near the limit of"
            f" {si_of_limit(f.limit_A, 'A')} for this measurement to say which side."
        )
    seen = f"{j}: {_forward(f) or _path(f)} and {si(f.leak_A, 'A', 2)} at {_at(f)}:"
    if not f.rival:
        return f"{seen} a leak or not, depending on what the part is."
    leaks, keeps = (f.family, f.rival) if f.leak_A > f.limit_A else (f.rival, f.family)
    return f"{seen} a leak in a {leaks}, within limits for a {keeps}."


_SENTENCE = (_good, _leaky, _shorted, _open, _undecided)


def sentence(code: int, f: Facts) -> str:
    """The sentence for a verdict (index into `judge.results.VERDICTS`)."""
    return _SENTENCE[code](f)


def next_test(code: int, f: Facts) -> str:
    """The measurement or act that comes next for one junction."""
    j, volts = f.junction, f"{f.at_V:g} V"
    if code == 0:
        return ""
    if code == 1:
        return (
            f"Clean the leads and case and repeat {j} in reverse at {volts}; if the"
            f" {si(f.leak_A, 'A', 2)} stay, replace the part."
        )
    if code == 2:
        return f"Confirm {j} with the ohms range on the part alone, then replace it and test its neighbours."
    if code == 3:
        return f"Check the probe contact on both leads of {j} and repeat; if nothing flows, replace the part."
    return {
        NO_FIT: f"Repeat the sweep of {j}.",
        **{DRIFTED + k: text.format(j=j) for k, text in enumerate(DOUBT_TEST)},
        SWAPPED: f"Swap the leads of {j} and sweep it again.",
        NOT_REACHED: f"Sweep {j} forward up to {max(f.vf_high_V + 0.1, f.v_high_V):.1f} V,"
                     " with the current limit at 10 mA or more.",
        ODD: f"Check the marking and the probe contact, then sweep {j} again.",
        BLIND: f"Sweep {j} in reverse to {volts} on a range that shows {si(0.1 * f.limit_A, 'A')}.",
        NEAR_LIMIT: f"Measure the reverse current of {j} at {volts} and 25 °C with a range that"
                    f" resolves {si(0.02 * f.limit_A, 'A')}.",
        WHICH_FAMILY: f"Read the type off the part and enter it: it fixes what {j} may leak.",
    }.get(f.reason, f"Repeat the sweep of {j}.")  # fmt: skip


def what_else(code: int, f: Facts) -> str:
    """What else could look like this verdict; '' where nothing does."""
    if code == 1 and f.junction == "BE" and not f.typed:
        return "A built-in base-emitter resistor, as in many Darlingtons, looks the same."
    if code == 1 and f.path_ohm == inf:
        return "A warm part looks the same: its leakage doubles for each 10 °C or so."
    if code == 1 and f.junction == "CE":
        return "A leaky collector-base junction looks the same, multiplied by the gain."
    if code == 3:
        lit = " and so does a blue or white LED swept too low" if f.junction == "AK" and not f.typed else ""
        return f"A probe that makes no contact looks the same{lit}."
    return ""


def cannot_see(f: Facts) -> list[str]:
    """What a sweep that says good is blind to, as phrases."""
    blind = []
    if f.hidden > 0:
        blind.append(f"a {f.junction} leak of more than {si(f.floor_ohm, 'ohm', 2)}")
    if isnan(f.bv_V):
        blind.append(f"{f.junction} in reverse beyond {max(-f.v_low_V, 0.0):.2g} V")
    return blind
