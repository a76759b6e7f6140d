"""What the short answers of a terminal share: the figure that decides, the act, the line for the hand.

A short answer holds the verdict, what to do and every doubt that changes what is done; the whole stays behind
``--more``, on the page and in the JSON.
"""

from __future__ import annotations

import re

from junction.base.records import spelled
from junction.judge.results import PartVerdict
from junction.paper.part import evidence_of
from junction.shelf.tables import cautions, rule
from junction.show import blocks as b

#: How a short answer says that there is more.
MORE = "more: --more"
_SWEEP = re.compile(r"\b(sweep|curve tracer)", re.IGNORECASE)


def probability_words(p: float) -> str:
    """``99 % sure``; never 100, never a digit that means nothing."""
    if p >= 0.995:
        return "over 99 %"
    if p < 0.005:
        return "under 1 %"
    return f"{100 * p:.0f} %"


def noun(kind: str, other: str) -> str:
    """A kind of device as a word, or the other."""
    return {"bjt": "transistor", "darlington": "Darlington", "diode": "diode",
            "bjt with damper diode": "transistor with damper diode"}.get(kind, other)  # fmt: skip


def alternatives(v: PartVerdict) -> list[tuple[float, str]]:
    """Other explanations worth telling: how likely, and what it would be."""
    out = []
    for a in v.alternatives:
        kind = noun(a.device.kind, a.device.kind)
        kind = "not a bipolar transistor" if kind == "unknown" else kind
        text = a.device.called or " ".join(w for w in (a.device.polarity, a.device.material, kind) if w)
        leads = "".join(f", lead {k} {role}" for k, role in sorted(a.device.leads.items()))
        if a.probability >= rule("show_least_alternative"):
            faults = spelled(*a.faults) or "no fault"
            out.append((a.probability, f"{probability_words(a.probability)}: {faults} ({text}{leads})"))
    return out


def figure(v: PartVerdict) -> str:
    """The figure that decided against its limit, in few words; else the first sentence of evidence."""
    return v.decides.brief() if v.decides is not None else next(iter(evidence_of(v)), "")


def act(v: PartVerdict) -> str:
    """What comes next in few words."""
    return v.do or v.next


def danger(where: str, *said: str) -> b.Block:
    """The one line for the hand that is about to act: that act's row of reference/cautions.csv.

    Where the words `said` beside it ask for a sweep, it warns of the curve tracer too.
    """
    sweep = ["danger sweep"] if any(map(_SWEEP.search, said)) else []
    found = cautions(f"danger {where}", *sweep)
    return b.text(f"DANGER: {' '.join(one.text for one in found)}", "danger")
