"""The explanations of a part that is still in its circuit: unknown paths lie beside it.

Any pair of leads may have a resistance across it that belongs to the circuit.  A reading cannot tell it
from a leak or short of the part itself, so every tile with such a path is weighed twice: as the
circuit's, and as the part's own.  An open lead of the part no longer silences a placement, because the
circuit's paths remain on its solder joint.
"""

from __future__ import annotations

from itertools import product

import numpy as np

from junction.leads.hypotheses import (
    DAMPER_RESISTOR,
    LATENT,
    PATHS,
    TWO_RESISTORS_DIODE,
    Fault,
    Hypothesis,
    Structure,
    short_limit_ohm,
    structures,
)
from junction.leads.hypotheses_library import (
    ROW_FIELDS,
    Library,
    solve_rows,
    visible_leak_ohm,
)
from junction.leads.hypotheses_priors import priors
from junction.leads.hypotheses_tiles import PATH_COLUMNS, Rows, latent_draws
from junction.shelf.results import Meter

_KINDS = ("plain", "germanium", DAMPER_RESISTOR, TWO_RESISTORS_DIODE)
_LEVELS = 6
#: What the linear form of a wide tile misses of a reading, as a fraction of it.
CURVATURE = 0.06
_DRAWS = 2
#: Junctions that stay alive when a lead is open inside the part.
_ALIVE = {"E": ("v_bc_extra",), "C": ("v_be_extra",), "B": ()}


def _levels(highest_ohm: float) -> tuple[np.ndarray, float, np.ndarray]:
    """Levels in ln ohm of the paths laid out (nan first: none), sd of a tile, log prior of each level."""
    prior = priors()["parallel_r"]
    low, high = np.log(1.0), np.log(highest_ohm)
    width = (high - low) / _LEVELS
    centres = low + (np.arange(_LEVELS) + 0.5) * width
    density = np.exp(-0.5 * ((centres - prior.centre) / prior.spread) ** 2)
    present = priors()["parallel_present"].value
    # paths above the highest level do not show; their share goes to `none`
    share = width * density / (np.sqrt(2 * np.pi) * prior.spread) * present
    weights = np.concatenate([[1 - share.sum()], share])
    return np.concatenate([[np.nan], centres]), 0.5 * width, np.log(weights)


def _opened(structure: Structure, theta: np.ndarray, sd: np.ndarray, lead: str):
    theta, sd = theta.copy(), sd.copy()
    for name in _ALIVE[lead]:
        theta[:, LATENT.index(name)], sd[:, LATENT.index(name)] = theta[:, 0], sd[:, 0]
    theta[:, 0] = np.nan
    return theta, sd


def _base_rows(highest_ohm: float):
    """Tiles of every structure and open lead with every combination of paths."""
    centres, path_sd, log_path = _levels(highest_ohm)
    combos = np.array(list(product(range(_LEVELS + 1), repeat=3)))
    kinds = [s for s in structures() if s.name in _KINDS]
    total = sum(k.weight for k in kinds)
    p = priors()
    found, labels = [], []
    for structure in kinds:
        for lead in ("", "E", "C", "B") if structure.name == "plain" else ("",):
            theta, sd = latent_draws(structure, _DRAWS)
            weight = p[f"fault_{lead.lower()}_open"].value if lead else p["fault_none"].value
            if lead:
                theta, sd = _opened(structure, theta, sd, lead)
            n = len(theta)
            theta, sd = np.repeat(theta, len(combos), axis=0), np.repeat(sd, len(combos), axis=0)
            level = np.tile(combos, (n, 1))
            theta[:, PATH_COLUMNS] = centres[level]
            sd[:, PATH_COLUMNS] = np.where(level > 0, path_sd, 0.0)
            log_weight = np.log(structure.weight / total * weight / n) + log_path[level].sum(axis=1)
            found.append((theta, sd, log_weight))
            labels += [(structure, lead)] * len(theta)
    theta, sd, log_weight = (np.concatenate(x) for x in zip(*found, strict=True))
    return theta, sd, log_weight, labels, path_sd * 2


def _own_log_odds(ln_ohm: np.ndarray, path: str, width: float, highest_ohm: float) -> np.ndarray:
    """Log of prior of the part's own fault of these ohms over that of a path of the circuit."""
    prior, p = priors()["parallel_r"], priors()
    edge = np.log(short_limit_ohm())
    density = np.exp(-0.5 * ((ln_ohm - prior.centre) / prior.spread) ** 2)
    circuit = p["parallel_present"].value * width * density / (np.sqrt(2 * np.pi) * prior.spread)
    short = p[f"fault_{path.lower()}_shorted"].value * width / (edge - np.log(0.2))
    leak = p[f"fault_{path.lower()}_leaky"].value * width / (np.log(highest_ohm) - edge)
    own = np.where(ln_ohm < edge, short, leak) / p["fault_none"].value
    return np.log(own) - np.log(circuit)


def circuit_library(meter: Meter, *, ohms: bool = False) -> Library:
    """Predicted readings of a transistor in circuit on one meter.

    Parameters
    ----------
    meter : Meter
    ohms : bool
        Also predict resistance readings.

    Returns
    -------
    Library
    """
    highest = 1.5 * visible_leak_ohm(meter)
    theta, sd, log_weight, labels, width = _base_rows(highest)
    names: dict[tuple[str, str, str], int] = {}
    hypotheses: list[Hypothesis] = []
    opens = {"": (), "E": ("BE open",), "C": ("BC open",), "B": ("BE open", "BC open")}

    def label(structure: Structure, lead: str, own: str) -> int:
        key = (structure.name, lead, own)
        if key not in names:
            faults = (*opens[lead], *((own,) if own else ()))
            fault = Fault(f"in circuit {lead} {own}", faults, 1.0)
            names[key] = len(hypotheses)
            hypotheses.append(Hypothesis(structure, fault, {fault.quality: 1.0}))
        return names[key]

    base = np.array([label(s, lead, "") for s, lead in labels])
    rows = Rows(theta, sd, base, log_weight, np.zeros((len(theta), 6), bool))
    solved = solve_rows(meter, tuple(hypotheses), rows, ohms=ohms)
    index, hypothesis, weight = [np.arange(len(theta))], [base], [log_weight]
    edge = np.log(short_limit_ohm())
    for k, path in enumerate(PATHS):
        ln_ohm = theta[:, PATH_COLUMNS[k]]
        for word in ("shorted", "leaky"):
            pick = np.flatnonzero((ln_ohm < edge) if word == "shorted" else (ln_ohm >= edge))
            # an open lead cannot carry a path of the part's own
            pick = pick[[labels[i][1] not in path or not labels[i][1] for i in pick]]
            index.append(pick)
            hypothesis.append(np.array([label(*labels[i], f"{path} {word}") for i in pick]))
            weight.append(log_weight[pick] + _own_log_odds(ln_ohm[pick], path, width, highest))
    h, w, i = np.concatenate(hypothesis), np.concatenate(weight), np.concatenate(index)
    order = np.argsort(h, kind="stable")
    fields = {name: getattr(solved, name)[i[order]] for name in ROW_FIELDS}
    fields.update(hypothesis=h[order], log_weight=w[order])
    # the tiles over the circuit's paths are wide, and a straight line misses a curve by some per cent
    paths = (~np.isnan(fields["ln_ohm"])).sum(axis=1)
    volts = np.minimum(fields["mean"][:, :6], solved.over[0])
    fields["noise"][:, :6] = np.hypot(fields["noise"][:, :6], CURVATURE * volts * (paths > 0)[:, None])
    return Library(tuple(hypotheses), over=solved.over, meter=meter, has_ohms=ohms, **fields)
