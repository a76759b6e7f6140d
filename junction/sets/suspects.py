"""Parts whose gain says that something is wrong with them, before they are put in a set or teach others.

A worn or damaged power part keeps its V_BE and loses its gain, and so passes a match by V_BE.  Two things
give it away: the minimum that its type is registered with, and the other parts of its type.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

import numpy as np

from junction.base.records import plain_name
from junction.fit.results import TransistorFits
from junction.transistor.values import evaluate

#: Below this share of the registered minimum, or of the median of the others, a part is left out.
#: A type's own range is some three to six to one, so that a tenth of the others is no part of it; a
#: fifth is worth a word.  Common practice, no source.
OUT_OF_MINIMUM, OUT_OF_KIN, DOUBT_OF_KIN = 0.5, 0.1, 0.2
#: A registered minimum speaks for currents up to so many times off the one it is stated at.
REACH = 3.0
#: V_CE at which gains are compared where no condition says it [V].
_VCE_V = 5.0


@dataclass(frozen=True)
class Suspect:
    """A part with too little gain, the reason, and whether it is left out."""

    part: str
    why: str
    out: bool


def low_gain(fits: TransistorFits, find) -> tuple[Suspect, ...]:
    """Parts with much less gain than their type is registered with, or than the others of their type.

    Parameters
    ----------
    fits : TransistorFits
    find : callable
        From a marking to its registered type, or None.

    Returns
    -------
    tuple of Suspect
        One a part at most.
    """
    groups: dict[tuple[str, str], list[int]] = {}
    for k in np.flatnonzero(np.isfinite(fits.ic_low_A)).tolist():
        groups.setdefault((plain_name(fits.type[k]), fits.polarity[k]), []).append(k)
    worst: dict[str, Suspect] = {}
    for members in groups.values():
        index = np.array(members)
        kind = find(fits.type[members[0]]) if fits.type[members[0]] else None
        for suspect in (*_below_registered(fits, index, kind), *_below_kin(fits, index)):
            known = worst.get(suspect.part)
            if known is None or (suspect.out and not known.out):
                worst[suspect.part] = suspect
    return tuple(worst.values())


def _below_registered(fits: TransistorFits, index, kind) -> list[Suspect]:
    out = []
    for limit in kind.find("h_FE") if kind is not None else ():
        at = float(limit.at.get("ic_A", nan))
        low, high = fits.ic_low_A[index], fits.ic_high_A[index]
        near = (low / REACH <= at) & (at <= high * REACH)
        if not limit.low > 0 or not near.any():
            continue
        ic = np.clip(at, fits.ic_low_A, fits.ic_high_A)[:, None]
        values = evaluate(fits, ic, float(limit.at.get("vce_V", _VCE_V)), fits.temp_C[:, None])
        for k in index[near]:
            hfe, most = float(values.hfe[k, 0]), float(values.hfe_high[k, 0])
            if not most < limit.low:  # what a fit only guesses of a gain condemns nobody
                continue
            gone = hfe < OUT_OF_MINIMUM * limit.low
            out.append(Suspect(
                fits.part[k],
                f"{'far less' if gone else 'less'} gain than its type: h_FE {_two(hfe)} at {ic[k, 0]:.2g} A, "
                f"where {kind.name} is registered with {limit.low:g} or more at {at:g} A", gone))  # fmt: skip
    return out


def _below_kin(fits: TransistorFits, index) -> list[Suspect]:
    """Each at a current it was read at: an extrapolated gain compares nothing."""
    ic = np.sqrt(fits.ic_low_A * fits.ic_high_A)[:, None]
    values = evaluate(fits, ic, _VCE_V, fits.temp_C[:, None])
    hfe = values.hfe[:, 0]
    known = index[values.u_hfe[index, 0] < 0.3 * hfe[index]]
    out = []
    for k in known:
        others = known[known != k]
        usual = float(np.median(hfe[others])) if others.size else nan
        if hfe[k] < DOUBT_OF_KIN * usual:
            whose = f"that of {fits.part[others[0]]}" if others.size == 1 else "the median of the others"
            gone = bool(hfe[k] < OUT_OF_KIN * usual)
            out.append(Suspect(
                fits.part[k],
                f"{'far less' if gone else 'less'} gain than its kind: h_FE {_two(hfe[k])} at "
                f"{ic[k, 0]:.2g} A, {whose} is {_two(usual)}", gone))  # fmt: skip
    return out


def _two(x: float) -> str:
    """Two digits, which is more than a gain is known to."""
    return f"{float(f'{x:.2g}'):g}"
