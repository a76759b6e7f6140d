"""Why a sweep is undecided: the reasons in words, and their places in the list."""

from __future__ import annotations

REASONS = (
    "", "no fit", "not swept far enough", "fits no family", "too coarse to see the limit", "near the limit",
    "family not known", "leads swapped", "temperature drifted", "in the current limit", "conducts both ways",
    "falls with the voltage", "passes differ",
)  # fmt: skip
DECIDED, NO_FIT, NOT_REACHED, ODD, BLIND, NEAR_LIMIT, WHICH_FAMILY, SWAPPED, DRIFTED = range(9)

#: What the points show that no junction, resistance or gap does, counted from `DRIFTED`: such a sweep gets no
#: verdict, whatever fits it.
NO_DOUBT, LIMITED, BOTH_WAYS, FALLS, PASSES_DIFFER = range(5)
DOUBT_SEEN = (
    "the temperature moved too far within the sweep to judge it as one junction",
    "{top} flow at nearly every voltage: the source stood in its current limit, so the voltages are not those"
    " of the part",
    "conducts in reverse nearly as it does forward, and with a knee: no single junction does",
    "the current falls as the voltage rises, which no junction or resistance does",
    "two passes of this sweep contradict each other: more than one part, temperature or contact stands under"
    " this tag",
)
DOUBT_TEST = (
    "Sweep {j} again at one temperature.",
    "Sweep {j} again from 0 V in steps of 10 mV, reverse too, with the voltage read back at the part.",
    "Check for a second part beside {j}, then sweep it alone, 5 V in reverse too.",
    "Check the ammeter's polarity and range, then sweep {j} again.",
    "Sweep {j} again, one part and one pass under each tag.",
)
