"""From probabilities to a verdict, and what stands against one that the probabilities alone would give."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from junction.leads.answer import Answer
from junction.leads.bench import Bench, Weighed
from junction.leads.leads import MISSING
from junction.leads.priors import gain_doubt, matches
from junction.shelf.results import PartType
from junction.shelf.rules import rules


def decide(quality: Mapping[str, float], odd: float = 0.0) -> str:
    """Verdict from the probabilities of the four qualities (JCGM 106:2012 in the form of the rules table).

    Good from 95 % on; not good (then the likeliest fault) when good has at most 5 %; else undecided.
    Undecided too when no explanation fits.
    """
    good, bad = rules()["conformity_good"].value, rules()["conformity_bad"].value
    if odd > 0.5:
        return "undecided"
    if quality["good"] >= good:
        return "good"
    if quality["good"] <= bad:
        return max(("leaky", "shorted", "open"), key=lambda q: quality[q])
    return "undecided"


def unproven(bench: Bench, weighed: Weighed) -> list[str]:
    """Placements that a good part must have been read in, and was not: each junction forward."""
    order = bench.turns[weighed.found.explanations[0].arrangement].order
    wanted = order[:2] if len(bench.leads) == 2 else (order[0], order[2])
    return [bench.placements[k] for k in wanted if weighed.state[k] == MISSING]


def doubt_of(
    verdict: str, found: Answer, bench: Bench, weighed: Weighed, registered: PartType | None, clash: bool
) -> str:
    """What stands against a verdict that the probabilities alone would give; '' where nothing does.

    Likely is not shown: a junction is good when it was seen to conduct, the meter stood still and the part
    is what it says; and in circuit a path beside a part does what a leak or a short of its own does.
    """
    part = weighed.readings
    if part.in_circuit and verdict in ("leaky", "shorted"):
        return "in circuit a path beside the part reads the same"
    lost = [name for name in part.refused if name in bench.at]
    if lost and verdict not in ("leaky", "shorted"):  # what conducts too well does so all the same
        return f"your {_listed(lost)} {_reading(lost)} not used"
    if registered is not None and _only_another_type_is_good(found, bench, weighed, registered):
        bad = max(("leaky", "shorted", "open"), key=lambda q: found.quality[q])
        return f"as a {part.type} it is {bad}; sound only if it is something else"
    if verdict != "good":
        return ""
    if clash:
        return "sound, but not what is written on it, or its leads are in another order"
    unread = unproven(bench, weighed)
    if unread:
        return f"{_listed(unread)} {'was' if len(unread) == 1 else 'were'} not read"
    if any(r.settling for r in part.readings):
        moving = ", ".join(r.placement for r in part.readings if r.settling)
        return f"{moving} was still falling: not the last word"
    return gain_doubt(part.hfe, registered) if len(bench.leads) == 3 else ""


def _listed(names: list[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _reading(names: list[str]) -> str:
    return "reading was" if len(names) == 1 else "readings were"


def _only_another_type_is_good(found: Answer, bench: Bench, weighed: Weighed, type_: PartType) -> bool:
    """Whether most of what speaks for a good part speaks for one that its type is not."""
    good = weighed.p.sum(axis=0)[:-1] * bench.known.quality[:-1, 0]
    fits = np.array([matches(h.structure, type_) for h in bench.library.hypotheses])
    likely_bad = decide(found.quality, found.odd) not in ("good", "undecided")
    return bool(good.sum() > 0.05 and good[fits].sum() < 0.5 * good.sum() and not likely_bad)
