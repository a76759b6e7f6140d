"""Substitutes in the order in which a technician would take them.

First what does the job, then what may, then what falls short; an outline that does not fit the place comes
after those that do.  Among these the least cost is first: what every figure that is less, missing or far
above the original counts (reference/weights.csv).  A part with ratings far above the original is not
better: it is dearer, larger and often slower.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from math import isnan, log2
from types import SimpleNamespace

from junction.replace.lines import fit, gain_anywhere, larger_die, nearest
from junction.replace.results import SubstituteLine, Substitution
from junction.shelf.tables import PartType, records, rule

#: Stands for the original where a candidate is held against the needs of a place.
PLACE = "the place"
#: Without these nothing can be said for a part.
_MAIN = ("V_CEO", "I_C", "V_RRM", "I_F", "V_Z")
_STRENGTH = ("V_CEO", "I_C", "P_tot", "I_F")
_NOTHING = SimpleNamespace(short=0.0, over=0.0, unknown=0.0)


@cache
def _weights() -> Mapping[str, SimpleNamespace]:
    return records("weights")


def figure_of(line: SubstituteLine) -> str:
    """Name of a line without the conditions it holds at: ``h_FE`` of ``h_FE at 10 mA``."""
    return line.figure.partition(" at ")[0]


def _counts(line: SubstituteLine, weight: SimpleNamespace) -> float:
    """What one line counts."""
    margin = line.margin
    if isnan(margin):
        if line.result == "falls short":
            return weight.short
        asked = line.result == "not known" and (line.wanted_text or not isnan(line.wanted))
        return weight.unknown if asked else weight.over if line.result == "exceeds" else 0.0
    if margin <= 0:
        return weight.short * log2(rule("shortfall_most"))
    octaves = min(abs(log2(margin)), log2(rule("shortfall_most")))
    if margin < 1:
        value = weight.short * octaves
        # a gain at another current tells, somewhat less than one at the same
        return value if isnan(line.has_at) else weight.unknown + rule("gain_elsewhere_counts") * value
    if not isnan(line.has_at):
        return weight.unknown
    # far above it is another class of part: its charge and capacitance are those of its size
    beyond = max(log2(margin / rule("over_much")), 0.0) if figure_of(line) in _STRENGTH else 0.0
    if line.figure == "I_F":  # a larger die leaks more, and has more capacitance
        octaves += rule("small_diode_counts") * log2(larger_die(line.wanted, line.has))
    return weight.over * octaves + rule("over_counts") * min(beyond, log2(rule("shortfall_most")))


def cost(
    lines: Iterable[SubstituteLine], original: PartType | None = None, candidate: PartType | None = None,
) -> float:  # fmt: skip
    """What a candidate's lines count, the least is best; with what its figures rest on.

    Lines of one figure (h_FE at several currents) count as one, by their mean.
    """
    groups: dict[str, list[float]] = {}
    board = original is not None and original.mounting != "bolted"
    for line in lines:
        figure = figure_of(line)
        weight = _weights().get(figure, _NOTHING)
        if figure == "complement" and board:
            continue
        if figure == "V_Z" and not isnan(line.has) and line.has > 0:  # a window: off to either side is as bad
            value = weight.short * abs(log2(line.has / line.wanted))
        else:
            # of the upper side of a gain its mean tells (`mean_gain`), not its minimum
            more = figure == "h_FE" and line.margin > 1 and isnan(line.has_at)
            value = 0.0 if more else _counts(line, weight)
        if figure == "h_FE" and isnan(line.has) and candidate is not None:
            # what it has at the nearest current, however far, is no figure to go by, and yet tells something
            far = gain_anywhere(candidate, line.wanted_at)
            value += weight.short * max(log2(line.wanted / far), 0.0) if far > 0 else 0.0
        groups.setdefault(figure, []).append(value)
    found = sum(sum(values) / len(values) for values in groups.values())
    if original is None and candidate is not None and candidate.kind == "darlington":
        found += _weights()["Darlington"].unknown  # a place that does not say so is taken for a plain part's
    if candidate is not None:
        found += _weights()[candidate.standing].unknown if candidate.standing != "published" else 0.0
    if board and candidate is not None and not candidate.package:
        # a power type whose outline is not known is most likely bolted to something
        power = "power" in candidate.family and "power" not in original.family
        found += _weights()["power part"].short if power else 0.0
    if original is not None and candidate is not None:
        higher = mean_gain(original, candidate)
        found += _weights()["h_FE"].over * log2(higher) if higher > 1 else 0.0
    return found


def mean_gain(a: PartType, b: PartType) -> float:
    """How many times the mean registered gain of `a` that of `b` is, by the worst current; 1 at the least.

    Means are geometric, of ranges whose both ends are known; nearest currents are compared.
    """
    gains, higher = b.find("h_FE"), 1.0
    for limit in a.find("h_FE"):
        match = nearest(gains, "ic_A", limit.at.get("ic_A", 0.0))
        # nan, which is not larger, where one is open
        mean = ((match.low * match.high) / (limit.low * limit.high)) ** 0.5 if match else 0.0
        higher = mean if mean > higher else higher
    return higher


def place_of(original: PartType, candidate: PartType) -> str:
    """How the candidate's outline fits: 'same', 'work', 'no', or '' where one is not known."""
    return fit(original.package, original.package_class, candidate.package, candidate.package_class)


def level(result: Substitution) -> int:
    """How far a candidate is from doing the job; of a pair the worse of both.

    0: does it; 1: a figure is missing; 2: falls short by little, even where that rests on a reference page
    and fails no part; 3: falls far short, is of another kind, or what counts most is missing.
    """
    found = result.pair_level
    for x in result.lines:
        if x.must and x.margin < 1:
            current = figure_of(x) in ("I_C", "I_F", "P_tot")
            found = max(found, 2 if x.margin >= rule("near_miss_current" if current else "near_miss") else 3)
        elif x.must and x.result == "falls short":
            found = 3
        elif x.must and x.result == "not known" and not (isnan(x.wanted) and not x.wanted_text):
            found = max(found, 1)
    return 3 if lacking(result) else max(found, 1) if result.result == "not known" else found


def lacking(result: Substitution) -> bool:
    """Whether a figure without which nothing can be said for a part is not known."""
    return any((x.figure in _MAIN or x.figure.startswith("P_tot at case")) and isnan(x.has)
               and not isnan(x.wanted) for x in result.lines)  # fmt: skip


def extra(result: Substitution) -> float:
    """What a candidate that misses a figure by little counts beside one that lacks a figure."""
    return rule("shortfall_counts") if level(result) == 2 else 0.0


def tight(lines: Iterable[SubstituteLine]) -> list[SubstituteLine]:
    """Lines that must hold, hold, and leave less than the usual headroom."""
    return [x for x in lines if x.must and 1 <= x.margin < rule("place_headroom")]


def rank(results: Iterable[Substitution]) -> tuple[Substitution, ...]:
    """Best first: what does the job, fits the place (with the usual headroom), and costs the least."""

    def key(result: Substitution) -> tuple:
        far = level(result)
        return (
            # a little less, a figure that is missing, much that settles nothing: the cost says what is worst
            1 if far == 0 and result.cost > rule("cost_clear") else (0, 1, 1, 3)[far], result.place == "no",
            len(tight(result.lines)) if result.original == PLACE and far == 0 else 0,
            round(result.cost + extra(result), 9), result.candidate, result.tag,
        )  # fmt: skip

    return tuple(sorted(results, key=key))
