"""Which terms of the junction equation make up which model, and how models are compared."""

from __future__ import annotations

import numpy as np

from junction.fit.results import MODELS
from junction.fit.terms import AB, AR, BB, BR, I0, RS, A, B, G

#: Sets of terms that are fitted, as columns of `terms.COORDINATES`.  The shunt conductance is always
#: among them (but in the shortest sweeps): its estimate may scatter about zero, and dropping it where it
#: is small would pull IS and N aside by more than their uncertainty says.  Whether a shunt is *reported*
#: is then a question of its own estimate.
SETS: dict[str, tuple[int, ...]] = {
    "open": (I0,),
    "resistor": (G,),
    "resistor + offset": (G, I0),
    "ideal": (A, B),
    "bare": (A, B, RS),
    "base": (A, B, RS, G),
    "offset": (A, B, RS, G, I0),
    "recombination": (A, B, RS, G, AR, BR),
    "recombination + offset": (A, B, RS, G, AR, BR, I0),
    "breakdown": (A, B, RS, G, AB, BB),
    "breakdown + offset": (A, B, RS, G, I0, AB, BB),
    "breakdown + recombination": (A, B, RS, G, AR, BR, AB, BB),
    "reverse only": (RS, G, AB, BB),
}
NAMES = tuple(SETS)
CODE = {name: k for k, name in enumerate(NAMES)}
NUMBER = np.array([len(c) for c in SETS.values()])


def columns_of(name: str) -> tuple[int, ...]:
    """Columns of a set in rising order, as `JunctionProblem` wants them."""
    return tuple(sorted(SETS[name]))


def aicc(chi2, k, m):
    """Akaike's criterion for known variances with Hurvich and Tsai's small-sample term.

    ``chi2 + 2k + 2k(k+1)/(m-k-1)`` (Burnham and Anderson 2002, section 2.4); inf where m < k + 2.
    """
    k, m = np.asarray(k, float), np.asarray(m, float)
    room = m - k - 1
    with np.errstate(divide="ignore", invalid="ignore"):
        out = chi2 + 2 * k + 2 * k * (k + 1) / room
    return np.where(room > 0, out, np.inf)


def is_poor(chi2, dof, stated: bool):
    """Whether chi2 is far above its degrees of freedom: 4 standard deviations, 6 where the noise was found.

    Found noise rests on the scatter of neighbours, whose own uncertainty widens the spread of chi2.
    """
    dof = np.maximum(dof, 1)
    return chi2 > dof + (4 if stated else 6) * np.sqrt(2 * dof)


def model_index(code, shunt, light):
    """Index into `MODELS` of a fitted set.

    Parameters
    ----------
    code : ndarray of int
        Index into `NAMES`.
    shunt : ndarray of bool
        The shunt conductance is there by the evidence.
    light : ndarray of bool
        The constant term is a photocurrent rather than the ammeter's offset.
    """
    plain = {
        "open": "open", "resistor": "resistor", "resistor + offset": "resistor",
        "ideal": "junction", "bare": "junction",
        "base": "junction", "offset": "junction", "recombination": "junction + recombination",
        "recombination + offset": "junction + recombination", "breakdown": "junction + breakdown",
        "breakdown + offset": "junction + breakdown",
        "breakdown + recombination": "junction + recombination + breakdown", "reverse only": "breakdown",
    }  # fmt: skip
    shunted = plain | {
        "base": "junction + shunt", "offset": "junction + shunt",
        "recombination": "junction + recombination + shunt",
        "recombination + offset": "junction + recombination + shunt",
        "breakdown": "junction + shunt + breakdown", "breakdown + offset": "junction + shunt + breakdown",
        "breakdown + recombination": "junction + recombination + shunt + breakdown",
    }  # fmt: skip
    table = np.array([[MODELS.index(names[n]) for n in NAMES] for names in (plain, shunted)])
    out = table[np.asarray(shunt, int), code]
    lit = np.asarray(light) & np.isin(code, [CODE["offset"], CODE["recombination + offset"]])
    return np.where(lit, MODELS.index("junction + photocurrent"), out)
