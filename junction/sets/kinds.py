"""Types of the parts that face each other: registered complements first, whatever their curves say.

Parts of other types may match at two currents and still differ in speed, second breakdown and capacitance,
which no curve here shows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from junction.base.records import plain_name

#: Cost of a set that mixes types: more than any imbalance, so that it comes last.
MIXED = 2.0
#: Labels from here on are of types whose complement nobody registered.
_OWN = 1000
UNKNOWN = -1


def kind_labels(types: Sequence[str], complements: Mapping[str, str]) -> np.ndarray:
    """One number a part: equal for a type and its registered complement; `UNKNOWN` where no type is given.

    Parameters
    ----------
    types : sequence of str
    complements : mapping of str to str
        Plain name of a type to that of its registered complement.
    """
    seen: dict[frozenset, int] = {}
    out = np.full(len(types), UNKNOWN)
    for k, word in enumerate(types):
        name = plain_name(word)
        if not name:
            continue
        key = frozenset((name, complements.get(name, name)))
        base = 0 if name in complements else _OWN
        out[k] = seen.setdefault(key, base + len(seen))
    return out


def mixed_within(labels) -> np.ndarray:
    """Whether sets (.., k) of labels hold two known types."""
    labels = np.asarray(labels)
    known = labels != UNKNOWN
    low = np.where(known, labels, np.iinfo(int).max).min(axis=-1)
    return known.any(axis=-1) & (np.where(known, labels, UNKNOWN).max(axis=-1) != low)


def mixed_across(upper, lower) -> np.ndarray:
    """Whether two rails are of types that are not each other's; where no complement is registered, no."""
    a, b = np.asarray(upper), np.asarray(lower)
    return (a != UNKNOWN) & (b != UNKNOWN) & (a != b) & ((a < _OWN) | (b < _OWN))


def facing_notes(types, rails, complements: Mapping[str, str]) -> tuple[str, ...]:
    """What to say of a two-rail set whose types are not registered for each other."""
    placed = list(zip(types, rails, strict=True))
    sides = [dict.fromkeys(t for t, rail in placed if rail == side and t) for side in (0, 1)]
    out = []
    for one in sides[0]:
        for two in sides[1]:
            mates = {complements.get(plain_name(one)), complements.get(plain_name(two))} - {None}
            if mates and not mates & {plain_name(one), plain_name(two)}:
                out.append(f"{one} faces {two}, which is not its registered complement; speed and safe area "
                           "may differ, which no curve shows")  # fmt: skip
    for side in sides:
        if len({plain_name(t) for t in side}) > 1:
            out.append(f"{' and '.join(side)} share one rail: not one type")
    return tuple(out)
