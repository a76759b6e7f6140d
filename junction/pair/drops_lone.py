"""Drops of a stage with one device a rail: there is no neighbour on the drive node, but the other rail.

At idle, without a load, the two rails carry the same current in series.  So the other rail says what the
current is, and the bias is judged by it; where only one rail was measured, nothing can tell a wrong bias
from a wrong resistor.
"""

from __future__ import annotations

from math import sqrt

from junction.base.records import Interval
from junction.pair.drops_rail import BIAS_BAND, K95, Rail
from junction.pair.results import DropVerdict

#: A drop under this share of what it should be is no current at all.
_DEAD = 0.1


def judge_lone(rails: list[Rail], names: list[str]) -> list[DropVerdict]:
    """Verdict of each rail's drop.

    Parameters
    ----------
    rails : list of Rail
        One or two, of one device each.
    names : list of str

    Returns
    -------
    list of DropVerdict
    """
    alive = [r for r in rails if not _dead(r, rails)]
    return [
        _verdict(r, name, [o for o in alive if o is not r], r in alive)
        for r, name in zip(rails, names, strict=True)
    ]


def _current(r: Rail) -> tuple[float, float]:
    """Current by the nominal resistor [A] and its relative standard uncertainty."""
    d = float(r.d[0])
    return d / float(r.re[0]), sqrt(float(r.u_r) ** 2 + (float(r.u_d[0]) / max(d, 1e-9)) ** 2)


def _dead(r: Rail, rails: list[Rail]) -> bool:
    most = max(_current(o)[0] for o in rails)
    return float(r.d[0]) < max(_DEAD * float(r.re[0]) * min(most, r.wanted), 3 * r.ask.u_floor_V)


def _verdict(r: Rail, name: str, others: list[Rail], alive: bool) -> DropVerdict:
    re, d = float(r.re[0]), float(r.d[0])
    if others:
        current, u = _current(others[0])
        u = sqrt(u * u + r.u_r**2)
        low, high = current * re * (1 - K95 * u), current * re * (1 + K95 * u)
        said = "by the other rail's current"
    else:
        current = r.wanted
        low, high = (current * re * (1 + s * BIAS_BAND) for s in (-1, 1))
        said = "by the wanted idle current"
    own = K95 * float(r.u_d[0])
    expected = Interval(current * re, max(low - own, 0.0), high + own, "V")
    span = f"({1000 * expected.low:.1f} to {1000 * expected.high:.1f} mV)"
    amps, u_amps = _current(r)
    shown = Interval(amps, amps * (1 - K95 * u_amps), amps * (1 + K95 * u_amps), "A")
    head = f"{name}: {1000 * d:.1f} mV, expected {1000 * expected.value:.1f} mV {said} {span}"
    lift = f"Power off, discharged: lift one end of the {re:g} ohm resistor and measure it."
    if not alive:
        text = (
            f"{name}: {1000 * d:.1f} mV where about {1000 * expected.value:.0f} mV was to be expected: "
            "this device "
            "does not conduct, or its emitter resistor is shorted."
        )
        look = "Power off, discharged: measure the emitter resistor, then base to emitter in diode mode."
        return DropVerdict(name, d, expected, "not conducting", Interval(0.0, 0.0, shown.high, "A"), None,
        0.95,
                           text, look)  # fmt: skip
    if expected.low <= d <= expected.high:
        return DropVerdict(name, d, expected, "as predicted", shown, None, 0.95, head + ".")
    if others:
        text = head + "; one of the two resistors is out of value, or current flows into the load."
        return DropVerdict(name, d, expected, "undecided", shown, None, 0.5, text, lift)
    text = f"{head}; alone, it cannot tell a wrong bias from a wrong resistor: measure the other rail too."
    return DropVerdict(name, d, expected, "undecided", shown, None, 0.5, text, lift)
