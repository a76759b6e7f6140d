"""What to look after when a substitute goes in, beyond its ratings."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan

from junction.replace.results import SubstituteLine
from junction.replace.substitute_lines import amps, nearest
from junction.shelf.results import Limit, PartType
from junction.shelf.rules import rules


def _by_figure(lines: Sequence[SubstituteLine], figure: str) -> SubstituteLine | None:
    return next((line for line in lines if line.figure == figure), None)


def gain_spread(part: PartType) -> tuple[float, Limit | None]:
    """Largest ratio of highest to lowest registered h_FE of a type [1], and the limit it stands in."""
    best: tuple[float, Limit | None] = (float("nan"), None)
    for limit in part.find("h_FE"):
        ratio = limit.high / limit.low if limit.low > 0 else float("nan")
        if not isnan(ratio) and (isnan(best[0]) or ratio > best[0]):
            best = (ratio, limit)
    return best


def warnings_for(a: PartType, b: PartType, lines: Sequence[SubstituteLine]) -> tuple[str, ...]:
    """Warnings of a substitution, most dangerous first."""
    found = _same_for_all(a, b) + (_bjt(a, b, lines) if a.device == "bjt" else _diode(a, b))
    return tuple(found)


def _same_for_all(a: PartType, b: PartType) -> list[str]:
    found = []
    for part in (a, b):
        if part.secondary:
            found.append(f"{part.name}: figures from reference pages only; read a maker's sheet first")
    if a.package and b.package and a.package != b.package:
        found.append(f"other package ({a.package} to {b.package}): mounting, insulator and creepage change")
    return found


def _bjt(a: PartType, b: PartType, lines: Sequence[SubstituteLine]) -> list[str]:
    found = []
    limit = rules()
    speed = _by_figure(lines, "f_T")
    if speed and speed.margin >= limit["ft_much_faster"].value:
        found.append(
            f"{speed.margin:.1f} times as fast: can oscillate in a layout made for {a.name}; keep the leads"
            " short, look with an oscilloscope, fit a base stopper (common practice, no source)"
        )
    larger = _by_figure(lines, "C_ob")
    if larger and larger.margin <= 1 / limit["cob_larger"].value:
        times = f"{1 / larger.margin:.1f}"
        found.append(f"C_ob {times} times as large: the compensation of the stage may not suit it")
    if a.leads and b.leads and a.leads != b.leads:
        found.append(f"lead order {a.leads} to {b.leads} (leads 1 2 3): check it with the meter first")
    if a.kind != b.kind:
        found.append("plain part and Darlington need different bias: the base voltage differs by a junction")
    elif a.kind == "darlington" and a.r_be_ohm != b.r_be_ohm:
        found.append("built-in base-emitter resistors differ: leakage and turn-off change")
    if a.damper_diode and not b.damper_diode:
        found.append(f"{a.name} has a collector-emitter diode inside, {b.name} shows none: fit one outside")
    if a.material != b.material:
        found.append(f"{a.material} to {b.material}: the bias network must be changed")
    return found + _gain(a, b, lines) + _pairing(a, b)


def _gain(a: PartType, b: PartType, lines: Sequence[SubstituteLine]) -> list[str]:
    """A minimum gain far from the original's, either way."""
    ratios = [x.margin for x in lines if x.figure.startswith("h_FE") and not isnan(x.margin)]
    differs = rules()["hfe_differs"].value
    found = []
    if ratios and min(ratios) < 1:
        found.append(f"less gain, down to {min(ratios):.2g} of {a.name}'s minimum: the driver must give it")
    means = [_mean_ratio(a, b, limit) for limit in a.find("h_FE")]
    higher = max((x for x in means if not isnan(x)), default=1.0)
    if higher >= differs:
        found.append(f"mean gain {higher:.2g} times that of {a.name}: look at the bias")
    return found


def _mean_ratio(a: PartType, b: PartType, limit: Limit) -> float:
    """Geometric mean gain of `b` over that of `a` at one of a's currents; nan where a range is open."""
    match = nearest(b.find("h_FE"), "ic_A", limit.at.get("ic_A", 0.0))
    if match is None:
        return float("nan")
    return ((match.low * match.high) / (limit.low * limit.high)) ** 0.5


def _pairing(a: PartType, b: PartType) -> list[str]:
    """Whether a pair of the substitute would need matching, and the other half of a pair."""
    found = []
    ratio, limit = gain_spread(b)
    if limit is not None and ratio > 1 / 0.9:  # registered matched duals ask for a ratio of 0.9
        at = f" at {amps(limit.at['ic_A'])}" if "ic_A" in limit.at else ""
        found.append(
            f"h_FE of {b.name} may spread {limit.low:g} to {limit.high:g}{at}: parts that share current or"
            " face each other need matching (junction match)"
        )
    elif limit is None and b.find("h_FE"):
        found.append(
            f"no upper h_FE limit for {b.name}: parts that share current need matching (junction match)"
        )
    if a.complement and b.complement and a.name != b.name:
        found.append(f"change both sides of a pair: {a.complement} to {b.complement}")
    elif a.complement and not b.complement:
        found.append(f"no complement of {b.name} on the shelf: the other side stays {a.complement}")
    return found


def _diode(a: PartType, b: PartType) -> list[str]:
    found = []
    slow = {"rectifier": 2, "avalanche rectifier": 1, "fast rectifier": 0, "switching": 0, "Schottky": 0}
    if slow.get(b.kind, 0) > slow.get(a.kind, 3):
        found.append(f"{b.name} is a slow rectifier: it heats and rings where {a.name} switches fast")
    if b.kind == "Schottky" and a.kind != "Schottky":
        found.append("a Schottky part leaks far more when hot: mind its reverse voltage")
    if "avalanche" in a.kind and "avalanche" not in b.kind:
        found.append(f"{a.name} stands short avalanches by its sheet, {b.name} is not rated for them")
    return found
