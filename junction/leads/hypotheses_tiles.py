"""Tiles: a hypothesis's unknown parameters laid out as a mixture of narrow normal pieces.

The draws of a structure's latent variables carry one half of the prior's variance, the width of each
tile the other; the ohms of a short or leak are a grid of tiles over their logarithm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from junction.leads.hypotheses import LATENT, Fault, Hypothesis, Structure, applies, resistance_span
from junction.leads.hypotheses_priors import priors

#: Placements of the canonical NPN part, red node first; nodes are B 0, C 1, E 2.
PLACEMENTS = ("B-E", "E-B", "B-C", "C-B", "C-E", "E-C")
RED = np.array([0, 2, 0, 1, 1, 2])
BLACK = np.array([2, 0, 1, 0, 2, 1])
_NODE = {"B": 0, "C": 1, "E": 2}
AT = {name: k for k, name in enumerate(LATENT)}
#: Columns of the latent variables that hold a resistance across BE, BC, CE.
PATH_COLUMNS = [AT["ln_r_be"], AT["ln_r_bc"], AT["ln_r_ce"]]
#: Share of a prior's variance left inside one tile; the draws carry the rest.
TILE_SHARE = 0.5
#: Latent variables whose tiles only touch: a reading bends so with the ohms of a built-in resistor that a
#: straight line over half its wide prior would give pairs of readings that no resistor gives.
NARROW = ("ln_r_int", "ln_r2")
#: A base-emitter leak is laid out to this many times what its own reading shows [1]: from emitter to
#: collector the reverse gain divides it.
BEYOND = 10.0


@dataclass(frozen=True, eq=False)
class Rows:
    """Tiles before they are solved; a latent variable is nan where the part has none of it."""

    theta: np.ndarray  # (n, len(LATENT))
    sd: np.ndarray  # (n, len(LATENT))
    hypothesis: np.ndarray  # (n,) int
    log_weight: np.ndarray  # (n,)
    dead: np.ndarray  # (n, 6) bool: placement on an open lead

    def take(self, keep: np.ndarray) -> Rows:
        """The rows that `keep` selects."""
        return Rows(*(getattr(self, f)[keep] for f in self.__dataclass_fields__))


def normal_quantile(p: np.ndarray) -> np.ndarray:
    """Normal quantile to 4.5e-4, enough to place tiles: Abramowitz and Stegun (1964) 26.2.23."""
    t = np.sqrt(-2 * np.log(np.minimum(p, 1 - p)))
    x = t - (2.515517 + t * (0.802853 + t * 0.010328)) / (1 + t * (1.432788 + t * (0.189269 + t * 0.001308)))
    return np.where(p < 0.5, -x, x)


@cache
def _quantiles(count: int) -> np.ndarray:
    """Evenly spread standard normal values of variance 1; zero for a single one."""
    if count == 1:
        return np.zeros(1)
    quantiles = normal_quantile((np.arange(count) + 0.5) / count)
    return quantiles / np.sqrt(np.mean(quantiles**2))


@cache
def _shuffled(count: int, variable: int) -> np.ndarray:
    """A permutation of `count` that differs between variables: by the fractional parts of k sqrt(prime)."""
    prime = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43)[variable]
    return np.argsort(np.argsort((np.arange(1, count + 1) * np.sqrt(prime)) % 1.0))


def latent_draws(structure: Structure, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Tiles of a structure's latent variables, stratified in every one of them; (count, l) twice."""
    quantiles = _quantiles(count)
    theta, sd = np.full((count, len(LATENT)), np.nan), np.zeros((count, len(LATENT)))
    spread = np.sqrt(1 - TILE_SHARE) if count > 1 else 0.0
    inside = np.sqrt(TILE_SHARE) if count > 1 else 1.0
    for name, (centre, width) in structure.latent.items():
        k = AT[name]
        if name in NARROW and count > 1:
            at = _shuffled(count, k)
            theta[:, k], sd[:, k] = centre + width * quantiles[at], width * _half_gaps(count)[at]
            continue
        theta[:, k] = centre + width * spread * quantiles[_shuffled(count, k)]
        sd[:, k] = width * inside
    return theta, sd


@cache
def _half_gaps(count: int) -> np.ndarray:
    """Half the distance from each quantile to its neighbours: tiles so wide just touch."""
    gaps = np.diff(_quantiles(count))
    return 0.5 * np.concatenate([gaps[:1], 0.5 * (gaps[1:] + gaps[:-1]), gaps[-1:]])


def _count(structure: Structure, fault: Fault) -> int:
    if not fault.faults:
        return 2 * structure.draws
    return max(2, structure.draws // (2 if len(fault.resistive) + len(fault.open_leads) < 2 else 4))


def _rows_of(structure: Structure, fault: Fault, visible_ohm: float, highest_ohm: float):
    """Latent variables, sd and log weight of every tile of one structure with one fault."""
    theta, sd = latent_draws(structure, _count(structure, fault))
    if fault.soft:
        soft = priors()["soft_v"]
        at = AT[f"v_{fault.soft.lower()}_extra"]
        theta[:, at] = soft.centre + soft.spread * np.linspace(-1.2, 1.2, len(theta))
        sd[:, at] = 0.6 * soft.spread
    if fault.no_emitter and structure.kind == "diode":
        theta[:, [AT["v_be_extra"], AT["v_eb_extra"]]] = np.nan
    elif fault.no_emitter:
        theta[:, AT["v_bc_extra"]], sd[:, AT["v_bc_extra"]] = theta[:, 0], sd[:, 0]
        theta[:, 0] = np.nan
    log_weight = np.full(len(theta), -np.log(len(theta)))
    steps = {1: (1.2, 0.36), 2: (1.4, 0.6), 3: (1.4, 1.0)}[max(1, len(fault.resistive))]
    if fault.name == "all shorted":
        steps = (2.8, 0.6)
    if highest_ohm > 2 * visible_ohm and len(fault.resistive) > 1:  # a long grid: coarser tiles
        steps = (steps[0], 2 * steps[1])
    if fault.faults == ("BE leaky",) and structure.transistor:  # E-C shows it where E-B no longer does
        highest_ohm = max(highest_ohm, BEYOND * visible_ohm)
    for pair, word in fault.resistive:
        path = "BE" if pair == "AK" else pair  # a diode is laid out with its anode on B, its cathode on E
        span = resistance_span(word, steps[word == "leaky"], visible_ohm, highest_ohm)
        tiles, n = len(span.centres), len(theta)
        theta, sd = np.repeat(theta, tiles, axis=0), np.repeat(sd, tiles, axis=0)
        theta[:, AT[f"ln_r_{path.lower()}"]] = np.tile(span.centres, n)
        sd[:, AT[f"ln_r_{path.lower()}"]] = span.sd
        log_weight = np.repeat(log_weight, tiles) + np.tile(span.log_weights, n)
    return theta, sd, log_weight


def _split_by_limit(structure: Structure, fault: Fault, theta: np.ndarray) -> np.ndarray:
    """0 where the fault is one, 1 where a leak lies between families' limits, 2 where all are within."""
    leaks = [path for path, word in fault.resistive if word == "leaky"]
    grade = np.full(len(theta), 2 if leaks and len(leaks) == len(fault.faults) else 0)
    for path in leaks:
        registered = structure.type_limit_ohm.get(path)
        tight, loose = np.log((registered, registered) if registered else structure.leak_limit_ohm)
        ln_ohm = theta[:, AT["ln_r_be" if path == "AK" else f"ln_r_{path.lower()}"]]
        grade = np.minimum(grade, np.where(ln_ohm < tight, 0, np.where(ln_ohm < loose, 1, 2)))
    return grade


def lay_out(
    kinds: Sequence[Structure], ills: Sequence[Fault], visible_ohm: float, highest_ohm: float
) -> tuple[tuple[Hypothesis, ...], Rows]:
    """All tiles of all faults of the given structures.

    Parameters
    ----------
    kinds : sequence of Structure
    ills : sequence of Fault
    visible_ohm, highest_ohm : float
        Largest leak that diode mode shows, and largest leak that is laid out [ohm].
    """
    hypotheses: list[Hypothesis] = []
    parts: list[Rows] = []
    total_kind, total_fault = sum(k.weight for k in kinds), sum(f.weight for f in ills)
    for structure in kinds:
        for fault in ills:
            if not applies(fault, structure):
                continue
            theta, sd, log_weight = _rows_of(structure, fault, visible_ohm, highest_ohm)
            log_weight = log_weight + np.log(structure.weight / total_kind * fault.weight / total_fault)
            grade = _split_by_limit(structure, fault, theta)
            dead = np.zeros((len(theta), 6), bool)
            for lead in fault.open_leads:
                dead |= (RED == _NODE[lead]) | (BLACK == _NODE[lead])
            for g, quality in enumerate(({fault.quality: 1.0}, {"good": 0.5, "leaky": 0.5}, {"good": 1.0})):
                pick = grade == g
                if pick.any():
                    index = np.full(pick.sum(), len(hypotheses))
                    parts.append(Rows(theta[pick], sd[pick], index, log_weight[pick], dead[pick]))
                    hypotheses.append(Hypothesis(structure, fault, quality))
    joined = Rows(*(np.concatenate([getattr(p, f) for p in parts]) for f in Rows.__dataclass_fields__))
    return tuple(hypotheses), joined
