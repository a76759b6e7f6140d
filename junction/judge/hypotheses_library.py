"""The library: what each explanation would read, with its spread, on a given meter.

Explanations do not depend on the part in the hand, so each meter needs one library.  A row is a tile of
one hypothesis: its latent variables drawn from the prior and narrowed (a mixture of normal tiles keeps
the mean and variance of the whole), the readings the network gives there, and the first derivatives of
the readings, which turn the tile into a normal distribution over readings.  A junction drop enters a
reading linearly and the ohms of a leak nearly so over a tile, so few tiles cover much.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C, thermal_voltage
from junction.judge.hypotheses import (
    LATENT,
    Fault,
    Hypothesis,
    Structure,
    applies,
    faults,
    resistance_span,
    structures,
)
from junction.judge.hypotheses_priors import priors
from junction.physics.network import Conductance, Diode, Source, Transistor, solve_reading
from junction.shelf.results import Meter

#: Placements of the canonical NPN part, red node first; nodes are B 0, C 1, E 2.
PLACEMENTS = ("B-E", "E-B", "B-C", "C-B", "C-E", "E-C")
RED = np.array([0, 2, 0, 1, 1, 2])
BLACK = np.array([2, 0, 1, 0, 2, 1])
_NODE = {"B": 0, "C": 1, "E": 2}
_AT = {name: k for k, name in enumerate(LATENT)}
#: Columns of the latent variables that hold a resistance across BE, BC, CE.
PATH_COLUMNS = [_AT["ln_r_be"], _AT["ln_r_bc"], _AT["ln_r_ce"]]
#: Current at which the families state their drops [A].
REFERENCE_A = 1e-3
#: Share of a prior's variance left inside one tile; the draws carry the rest.
TILE_SHARE = 0.5
#: Networks solved together: enough to hide the cost of a step, few enough for the processor's cache.
_CHUNK = 4200
#: Source of the ohms ranges: some tenths of a volt, which range and maker leave open [V, ohm].
OHMS_OPEN_V, OHMS_SOURCE_OHM, OHMS_SPREAD = 0.4, 1e4, 0.6
OHMS_OVER_OHM = 4e7


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


#: Fields of a `Library` that have one entry a tile.
ROW_FIELDS = ("hypothesis", "log_weight", "mean", "factor", "noise", "ln_ohm", "ohm_sd")


@dataclass(frozen=True, eq=False)
class Library:
    """Predicted readings of every tile.

    Parameters
    ----------
    hypotheses : tuple of Hypothesis
    hypothesis : ndarray of int (n,)
        Sorted, so that the tiles of a hypothesis lie together.
    log_weight : ndarray (n,)
        Prior of the tile [1].
    mean : ndarray (n, 12)
        Six diode-mode readings [V], then six resistance readings [ln ohm].
    factor : ndarray (n, 12, q)
        Readings per standard deviation of each shared cause.
    noise : ndarray (n, 12)
        Standard deviation of what is each reading's own.
    over : ndarray (12,)
        Where a reading becomes over-range [V, ln ohm].
    ln_ohm, ohm_sd : ndarray (n, 3)
        Resistance across BE, BC, CE that is not built in [ln ohm], nan where there is none, and the
        standard deviation of it within the tile.
    """

    hypotheses: tuple[Hypothesis, ...]
    hypothesis: np.ndarray
    log_weight: np.ndarray
    mean: np.ndarray
    factor: np.ndarray
    noise: np.ndarray
    over: np.ndarray
    ln_ohm: np.ndarray
    ohm_sd: np.ndarray
    meter: Meter
    has_ohms: bool


def over_range_V(meter: Meter) -> float:
    """Reading from which a meter shows over-range or its own open voltage [V]."""
    margin = meter.accuracy_counts * meter.resolution_V + meter.accuracy_percent / 100 * meter.open_voltage_V
    return min(meter.over_range_V, meter.open_voltage_V - margin - 2 * meter.resolution_V)


def visible_leak_ohm(meter: Meter) -> float:
    """Largest resistance that diode mode shows as a number [ohm]."""
    over = over_range_V(meter)
    if meter.source_kind == "resistance":
        return meter.resistance_ohm * over / max(meter.open_voltage_V - over, 1e-3 * meter.open_voltage_V)
    return over / meter.test_current_A


def meter_source(meter: Meter) -> Source:
    """The meter's diode-mode source as the network solver takes it."""
    if meter.source_kind == "resistance":
        return Source(meter.open_voltage_V, resistance_ohm=meter.resistance_ohm)
    return Source(meter.open_voltage_V, current_A=meter.test_current_A)


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


def _draws(structure: Structure, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Tiles of a structure's latent variables, stratified in every one of them; (count, l) twice."""
    quantiles = _quantiles(count)
    theta, sd = np.full((count, len(LATENT)), np.nan), np.zeros((count, len(LATENT)))
    spread = np.sqrt(1 - TILE_SHARE) if count > 1 else 0.0
    inside = np.sqrt(TILE_SHARE) if count > 1 else 1.0
    for name, (centre, width) in structure.latent.items():
        k = _AT[name]
        theta[:, k] = centre + width * spread * quantiles[_shuffled(count, k)]
        sd[:, k] = width * inside
    return theta, sd


def _count(structure: Structure, fault: Fault) -> int:
    if not fault.faults:
        return 2 * structure.draws
    return max(2, structure.draws // (2 if len(fault.resistive) + len(fault.open_leads) < 2 else 4))


def _rows_of(structure: Structure, fault: Fault, visible_ohm: float, highest_ohm: float):
    """Latent variables, sd and log weight of every tile of one structure with one fault."""
    theta, sd = _draws(structure, _count(structure, fault))
    if fault.soft:
        soft = priors()["soft_v"]
        at = _AT[f"v_{fault.soft.lower()}_extra"]
        theta[:, at] = soft.centre + soft.spread * np.linspace(-1.2, 1.2, len(theta))
        sd[:, at] = 0.6 * soft.spread
    if fault.no_emitter:
        theta[:, _AT["v_bc_extra"]], sd[:, _AT["v_bc_extra"]] = theta[:, 0], sd[:, 0]
        theta[:, 0] = np.nan
    log_weight = np.full(len(theta), -np.log(len(theta)))
    steps = {1: (1.2, 0.36), 2: (1.4, 0.6), 3: (1.4, 1.0)}[max(1, len(fault.resistive))]
    if fault.name == "all shorted":
        steps = (2.8, 0.6)
    if highest_ohm > 2 * visible_ohm and len(fault.resistive) > 1:  # a long grid: coarser tiles
        steps = (steps[0], 2 * steps[1])
    for pair, word in fault.resistive:
        path = "BE" if pair == "AK" else pair  # a diode is laid out with its anode on B, its cathode on E
        span = resistance_span(word, steps[word == "leaky"], visible_ohm, highest_ohm)
        tiles, n = len(span.centres), len(theta)
        theta, sd = np.repeat(theta, tiles, axis=0), np.repeat(sd, tiles, axis=0)
        theta[:, _AT[f"ln_r_{path.lower()}"]] = np.tile(span.centres, n)
        sd[:, _AT[f"ln_r_{path.lower()}"]] = span.sd
        log_weight = np.repeat(log_weight, tiles) + np.tile(span.log_weights, n)
    return theta, sd, log_weight


def _split_by_limit(structure: Structure, fault: Fault, theta: np.ndarray) -> np.ndarray:
    """0 where the fault is one, 1 where a leak lies between families' limits, 2 where all are within."""
    leaks = [path for path, word in fault.resistive if word == "leaky"]
    grade = np.full(len(theta), 2 if leaks and len(leaks) == len(fault.faults) else 0)
    for path in leaks:
        registered = structure.type_limit_ohm.get(path)
        tight, loose = np.log((registered, registered) if registered else structure.leak_limit_ohm)
        ln_ohm = theta[:, _AT["ln_r_be" if path == "AK" else f"ln_r_{path.lower()}"]]
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


def _exp_or_zero(log_value: np.ndarray) -> np.ndarray:
    return np.exp(np.where(np.isnan(log_value), -np.inf, log_value))


def _elements(theta: np.ndarray, darlington: bool, extras: bool, vt: float):
    """Network elements of a set of tiles, and how latent variables enter each of them.

    Returns the elements and a list of (parameter column, latent column, slope (n,)).
    """
    col = {name: theta[:, k] for name, k in _AT.items()}
    bf, br = np.exp(np.nan_to_num(col["ln_bf"])), np.exp(np.nan_to_num(col["ln_br"]))
    share = 1 / bf + 1 / (1 + br)
    ln_ref = np.log(REFERENCE_A)

    def transistor(base, collector, emitter, drop):
        is_A = _exp_or_zero(ln_ref - col[drop] / vt - np.log(share))
        return Transistor(base, collector, emitter, is_A, bf, br)

    elements: list = []
    slopes: list = []
    column = 0

    def add_transistor(base, collector, emitter, drop):
        nonlocal column
        elements.append(transistor(base, collector, emitter, drop))
        slopes.extend(
            [
                (column, _AT[drop], np.full(len(theta), -1 / vt)),
                (column, _AT["ln_bf"], 1 / bf / share),
                (column + 1, _AT["ln_bf"], np.ones(len(theta))),
                (column, _AT["ln_br"], br / (1 + br) ** 2 / share),
                (column + 2, _AT["ln_br"], np.ones(len(theta))),
            ]
        )
        column += 3

    def add_conductance(p, q, name):
        nonlocal column
        elements.append(Conductance(p, q, _exp_or_zero(-col[name])))
        slopes.append((column, _AT[name], np.full(len(theta), -1.0)))
        column += 1

    def add_diode(anode, cathode, name):
        nonlocal column
        drop = col[name] + np.nan_to_num(col["v_pair"])
        elements.append(Diode(anode, cathode, _exp_or_zero(ln_ref - drop / vt), np.full(len(theta), vt)))
        slopes.extend((column, _AT[latent], np.full(len(theta), -1 / vt)) for latent in (name, "v_pair"))
        column += 1

    if darlington:
        add_transistor(0, 1, 3, "v_be")
        add_transistor(3, 1, 2, "v_second")
        add_conductance(0, 3, "ln_r_int")
        add_conductance(3, 2, "ln_r2")
    else:
        add_transistor(0, 1, 2, "v_be")
        add_conductance(0, 2, "ln_r_int")
    for p, q, name in ((0, 2, "ln_r_be"), (0, 1, "ln_r_bc"), (1, 2, "ln_r_ce")):
        add_conductance(p, q, name)
    if extras:
        for anode, cathode, name in (
            (2, 1, "v_ce_diode"),
            (0, 2, "v_be_extra"),
            (0, 1, "v_bc_extra"),
            (2, 0, "v_eb_extra"),
        ):
            add_diode(anode, cathode, name)
    return elements, slopes


def _groups(theta: np.ndarray, darlington: np.ndarray):
    """(rows, is a Darlington, has diodes) of every topology present."""
    diodes = [_AT[name] for name in ("v_ce_diode", "v_be_extra", "v_bc_extra", "v_eb_extra")]
    extras = ~np.isnan(theta[:, diodes]).all(axis=1)
    for d in (False, True):
        for x in (False, True):
            pick = np.flatnonzero((darlington == d) & (extras == x))
            if pick.size:
                yield pick, d, x


def _solve(rows: Rows, darlington: np.ndarray, source: Source, vt: float):
    """Readings, source currents, dynamic resistances (n, 6), derivatives by latent variable (n, 6, l).

    Placements on an open lead are left at the open voltage and no current.
    """
    shape = rows.dead.shape
    v, i, r = np.full(shape, source.open_V), np.zeros(shape), np.zeros(shape)
    dv = np.zeros((*shape, len(LATENT)))
    for pick, is_darlington, extras in _groups(rows.theta, darlington):
        row, place = np.nonzero(~rows.dead[pick])
        row = pick[row]
        for chunk in np.array_split(np.arange(row.size), max(1, row.size // _CHUNK)):
            k, j = row[chunk], place[chunk]
            elements, slopes = _elements(rows.theta[k], is_darlington, extras, vt)
            s = solve_reading(elements, RED[j], BLACK[j], source, vt_V=vt, nodes=4 if is_darlington else 3)
            v[k, j], i[k, j], r[k, j] = s.v_V, s.i_A, s.r_ohm
            d = np.zeros((k.size, len(LATENT)))
            for parameter, latent, slope in slopes:
                d[:, latent] += s.dv_V[:, parameter] * slope
            dv[k, j] = d
    return v, i, r, dv


def _volts(rows: Rows, darlington, meter: Meter, vt: float):
    """Mean, shared factors and own noise of the six diode-mode readings."""
    v, i, r, dv = _solve(rows, darlington, meter_source(meter), vt)
    shared = dv * rows.sd[:, None, :]
    current = (r * i * meter.current_spread / np.sqrt(3))[:, :, None]
    gain = (v * meter.accuracy_percent / 100 / np.sqrt(3))[:, :, None]
    factor = np.concatenate([shared, current, gain], axis=2)
    own = np.sqrt(
        (meter.accuracy_counts * meter.resolution_V) ** 2 / 3
        + meter.resolution_V**2 / 12
        + priors()["discrepancy_v"].value ** 2
    )
    mean = np.where(rows.dead, meter.open_voltage_V, v)
    return mean, np.where(rows.dead[:, :, None], 0.0, factor), np.full_like(v, own)


def _ohms(rows: Rows, darlington, vt: float):
    """Mean, shared factors and own noise of the six resistance readings [ln ohm]."""
    source = Source(OHMS_OPEN_V, resistance_ohm=OHMS_SOURCE_OHM)
    v, i, r, dv = _solve(rows, darlington, source, vt)
    v, i = np.maximum(v, 1e-9), np.maximum(i, 1e-13)
    slope = 1 / v + 1 / (i * OHMS_SOURCE_OHM)
    by_open = OHMS_OPEN_V * (r / OHMS_SOURCE_OHM / v - (1 - r / OHMS_SOURCE_OHM) / (i * OHMS_SOURCE_OHM))
    factor = np.concatenate(
        [
            dv * rows.sd[:, None, :] * slope[:, :, None],
            (by_open * OHMS_SPREAD)[:, :, None],
            np.zeros((*v.shape, 1)),
        ],
        axis=2,
    )
    ln_ohm = np.log(v / i)
    mean = np.where(rows.dead, np.log(1e12), ln_ohm)
    noise = 0.02 + 0.3 * np.exp(-np.maximum(ln_ohm, -1.5))
    return mean, np.where(rows.dead[:, :, None], 0.0, factor), noise


def build_library(
    meter: Meter,
    *,
    kinds: Sequence[Structure] | None = None,
    ills: Sequence[Fault] | None = None,
    ohms: bool = False,
    keep: Callable[[Rows], np.ndarray] | None = None,
) -> Library:
    """Predicted readings of every explanation on one meter.

    Parameters
    ----------
    meter : Meter
    kinds : sequence of Structure, optional
        Structures to weigh, with their weights; those of three-lead parts by default.
    ills : sequence of Fault, optional
        Faults to weigh; those of three-lead parts by default.
    ohms : bool
        Also predict resistance readings, and lay out leaks up to tens of megohms.
    keep : callable, optional
        Rows -> bool (n,): drop tiles that the readings at hand exclude before they are solved.

    Returns
    -------
    Library
    """
    visible = visible_leak_ohm(meter)
    hypotheses, rows = lay_out(
        kinds or structures(), ills or faults(), visible, 3e7 if ohms else 1.5 * visible
    )
    if keep is not None:
        rows = rows.take(keep(rows))
    return solve_rows(meter, hypotheses, rows, ohms=ohms)


def solve_rows(meter: Meter, hypotheses: tuple[Hypothesis, ...], rows: Rows, *, ohms: bool) -> Library:
    """Solve the networks of some tiles on a meter.

    Parameters
    ----------
    meter : Meter
    hypotheses : tuple of Hypothesis
    rows : Rows
        Tiles, those of a hypothesis together.
    ohms : bool
        Also predict resistance readings.
    """
    vt = thermal_voltage(REFERENCE_TEMP_C)
    darlington = np.array([h.structure.darlington for h in hypotheses])[rows.hypothesis]
    mean, factor, noise = _volts(rows, darlington, meter, vt)
    over = np.full(12, np.log(OHMS_OVER_OHM))
    over[:6] = over_range_V(meter)
    if ohms:
        parts = zip((mean, factor, noise), _ohms(rows, darlington, vt), strict=True)
        mean, factor, noise = (np.concatenate(pair, axis=1) for pair in parts)
    else:
        pad = np.zeros((len(mean), 6))
        mean, noise = np.concatenate([mean, pad], axis=1), np.concatenate([noise, pad + 1.0], axis=1)
        factor = np.concatenate([factor, np.zeros_like(factor)], axis=1)
    return Library(
        hypotheses,
        rows.hypothesis,
        rows.log_weight,
        mean,
        factor,
        noise,
        over,
        rows.theta[:, PATH_COLUMNS],
        rows.sd[:, PATH_COLUMNS],
        meter,
        ohms,
    )
