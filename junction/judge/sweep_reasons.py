"""Why a sweep is undecided: the reasons in words, and their places in the list."""

from __future__ import annotations

REASONS = (
    "", "no fit", "not swept far enough", "fits no family", "too coarse to see the limit", "near the limit",
    "family not known", "leads swapped",
)  # fmt: skip
DECIDED, NO_FIT, NOT_REACHED, ODD, BLIND, NEAR_LIMIT, WHICH_FAMILY, SWAPPED = range(8)
