"""What a written type, a polarity or named leads make likely before the meter speaks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from junction.judge.hypotheses import Hypothesis, Structure
from junction.judge.hypotheses_priors import priors
from junction.judge.leads import Arrangement
from junction.shelf.results import PartType

#: Leads given as B, C, E: the writer took the part for a bipolar transistor.
NAMED_NOT_BIPOLAR = 0.05


def matches(structure: Structure, type_: PartType) -> bool:
    """Whether a structure is what a registered type says the part is."""
    if type_.device == "diode":
        if structure.kind != "diode":
            return False
        return (
            type_.family in ("", structure.name)
            if type_.kind != "Zener"
            else structure.name in ("Zener", "silicon rectifier", "switching diode")
        )
    if not structure.transistor:
        return False
    if structure.darlington != (type_.kind == "darlington"):
        return False
    if (structure.material == "germanium") != (type_.material == "germanium"):
        return False
    if structure.darlington:
        return ("ln_r_int" in structure.latent) == bool(type_.r_be_ohm) or not type_.r_be_ohm
    if ("v_ce_diode" in structure.latent) != type_.damper_diode:
        return False
    return not type_.r_be_ohm or "ln_r_int" in structure.latent


def log_bias(
    hypotheses: Sequence[Hypothesis],
    turns: Sequence[Arrangement],
    type_: PartType | None,
    polarity: str,
    *,
    named: bool,
) -> np.ndarray:
    """Logarithm of the factor each (arrangement, hypothesis) cell gains, (A, H + 1).

    Parameters
    ----------
    hypotheses : sequence of Hypothesis
    turns : sequence of Arrangement
    type_ : PartType or None
        Registered type written on the part.
    polarity : str
        'NPN', 'PNP' or '' as the row says; the type's own is taken where it is ''.
    named : bool
        Leads given as B, C, E.
    """
    wrong = priors()["mismarked"].value
    out = np.zeros((len(turns), len(hypotheses) + 1))
    if named:
        bipolar = np.array([h.structure.transistor or h.structure.kind == "diode" for h in hypotheses])
        out[:, :-1][:, ~bipolar] += np.log(NAMED_NOT_BIPOLAR)
    if type_ is not None:
        fits = np.array([matches(h.structure, type_) for h in hypotheses])
        kinds = {h.structure.name + h.structure.kind: h.structure for h in hypotheses}.values()
        mass = sum(k.weight for k in kinds if matches(k, type_)) / sum(k.weight for k in kinds)
        if 0 < mass < 1:
            out[:, :-1] += np.where(fits, np.log((1 - wrong) / mass), np.log(wrong / (1 - mass)))
    said = polarity or (type_.polarity if type_ is not None else "")
    if said in ("NPN", "PNP"):
        right = np.array([t.polarity == said for t in turns])
        out += np.where(right, np.log(2 * (1 - wrong)), np.log(2 * wrong))[:, None]
    return out
