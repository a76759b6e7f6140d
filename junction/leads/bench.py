"""What each explanation would read on a given meter, and how that is turned onto a part.

Explanations do not depend on the part in the hand, so each meter needs its tiles solved once.  A tile's
readings come from the network at the tile's centre, and their first derivatives turn the tile into a
normal distribution over readings.  A junction drop enters a reading linearly and the ohms of a leak nearly
so over a tile, so few tiles cover much.  Every way to turn the canonical NPN part onto the leads in the hand
(an arrangement: lead order and polarity) permutes the readings; the predictions stay as they are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import combinations, permutations, product
from math import log
from types import SimpleNamespace

import numpy as np

from junction.base.records import PartReadings, Reading
from junction.base.units import REFERENCE_TEMP_C, thermal_voltage
from junction.judge.mixture import MISSING, OVER, VALUE, Predictions
from junction.judge.results import QUALITIES
from junction.leads.hypotheses import (
    AT,
    BLACK,
    LATENT,
    PATH_AT,
    PATH_COLUMNS,
    PLACEMENTS,
    RED,
    Hypothesis,
    Tiles,
    kinds,
    lay_out,
    lay_out_in_circuit,
    prior,
    priors,
)
from junction.physics.network import Network
from junction.shelf.tables import Meter, PartType, rule

Types = Callable[[str], PartType | None]

#: The kind of a part that no hypothesis explains.
_NOTHING = SimpleNamespace(
    name="", device="unknown", material="", reads_as="", test="", transistor=False
)
#: Lead names of a part, and whether they claim the roles.
LEAD_SETS = {"BCE": (("B", "C", "E"), True), "123": (("1", "2", "3"), False), "AK": (("A", "K"), True)}
#: Networks solved together: enough to hide the cost of a step, few enough for the processor's cache.
_CHUNK = 8000
#: What may lie between the nodes B 0, C 1, E 2 of a part, and 3, the inner base of a Darlington, which in any
#: other part is the emitter: an element, its nodes, and the latent variable that it takes.
_ELEMENTS = (
    ("transistor", 0, 3, "v_be"), ("transistor", 3, 2, "v_second"), ("path", 0, 3, "ln_r_int"),
    ("path", 3, 2, "ln_r2"), ("path", 0, 2, "ln_r_be"), ("path", 0, 1, "ln_r_bc"), ("path", 1, 2, "ln_r_ce"),
    ("diode", 2, 1, "v_ce_diode"), ("diode", 0, 2, "v_be_extra"), ("diode", 0, 1, "v_bc_extra"),
    ("diode", 2, 0, "v_eb_extra"),
)  # fmt: skip
#: What the linear form of the wide tiles over a circuit's paths misses of a reading, as a fraction of it.
_CURVATURE = 0.06
#: Edges of the bins a diode-mode reading is told apart by [V]; over-range is a bin of its own.
_EDGES_V = np.array([-np.inf, 0.02, 0.06, 0.12, 0.2, 0.3, 0.4, 0.5, 0.58, 0.64, 0.7, 0.8, 1.0, 1.3, 1.7])


def over_range_V(meter: Meter) -> float:
    """Reading from which a meter shows over-range or its own open voltage [V]."""
    if meter.scale == "ohm":
        return min(meter.over_range_V, rule("leads_infinity") * meter.open_voltage_V)
    margin = meter.accuracy_counts * meter.resolution_V + meter.accuracy_percent / 100 * meter.open_voltage_V
    return min(meter.over_range_V, meter.open_voltage_V - margin - 2 * meter.resolution_V)


def visible_leak_ohm(meter: Meter) -> float:
    """Largest resistance that diode mode shows as a number [ohm]."""
    over = over_range_V(meter)
    if meter.source_kind == "resistance":
        return meter.resistance_ohm * over / max(meter.open_voltage_V - over, 1e-3 * meter.open_voltage_V)
    return over / meter.test_current_A


def _wire(theta: np.ndarray, inner: bool, diodes: bool, vt_V: float):
    """Networks of some tiles of one topology.

    Returns
    -------
    network : Network
    slopes : list of (int, int, ndarray or float)
        Parameter of the network, latent variable, and derivative of the parameter's logarithm.
    """
    col = {name: theta[:, k] for name, k in AT.items()}
    network = Network(vt_V, 4 if inner else 3)
    slopes: list[tuple[int, int, np.ndarray | float]] = []
    bf, br = (np.exp(np.nan_to_num(col[name])) for name in ("ln_bf", "ln_br"))
    share = 1 / bf + 1 / (1 + br)  # what a junction carries of IS exp(V/VT) while the third lead floats
    ln_drop_A, pair_V = np.log(rule("leads_drop_current")), np.nan_to_num(col["v_pair"])
    for element, p, q, name in _ELEMENTS:
        if (p == 3 and not inner) or (element == "diode" and not diodes):
            continue
        q = 2 if q == 3 and not inner else q
        value = {"path": -col[name], "diode": ln_drop_A - (col[name] + pair_V) / vt_V,
                 "transistor": ln_drop_A - col[name] / vt_V - np.log(share)}[element]  # fmt: skip
        value = np.exp(np.where(np.isnan(value), -np.inf, value))  # what a part has none of carries nothing
        if element == "path":
            slopes.append((network.path(p, q, value), AT[name], -1.0))
        elif element == "diode":
            at = network.diode(p, q, value, np.full(len(theta), vt_V))
            slopes += [(at, AT[name], -1 / vt_V), (at, AT["v_pair"], -1 / vt_V)]
        else:
            at = network.transistor(p, 1, q, value, bf, br)
            slopes += [
                (at, AT[name], -1 / vt_V), (at, AT["ln_bf"], 1 / bf / share), (at + 1, AT["ln_bf"], 1.0),
                (at, AT["ln_br"], br / (1 + br) ** 2 / share), (at + 2, AT["ln_br"], 1.0),
            ]  # fmt: skip
    return network, slopes


def _solve(tiles: Tiles, vt_V: float, open_V: float, current_A: float, source_ohm: float):
    """Readings, source currents, dynamic resistances (n, 6), derivatives by latent variable (n, 6, l).

    Placements on an open lead are left at the open voltage and no current.  Last comes whether each settled.
    """
    theta, dead = tiles["theta"], tiles["dead"]
    v, i, r = np.full(dead.shape, open_V), np.zeros(dead.shape), np.zeros(dead.shape)
    dv, settled = np.zeros((*dead.shape, len(LATENT))), np.ones(dead.shape, bool)
    dead = dead | tiles["broad"][:, None]
    drops = [AT[name] for element, *_, name in _ELEMENTS if element == "diode"]
    has_diodes = ~np.isnan(theta[:, drops]).all(axis=1)
    for inner, diodes in product((False, True), repeat=2):
        member = (tiles["inner"] == inner) & (has_diodes == diodes)
        tile, place = np.nonzero(~dead & member[:, None])
        for chunk in np.array_split(np.arange(tile.size), max(1, tile.size // _CHUNK)):
            if not chunk.size:
                continue
            k, j = tile[chunk], place[chunk]
            network, slopes = _wire(theta[k], inner, diodes, vt_V)
            v[k, j], i[k, j], r[k, j], by_parameter, settled[k, j] = network.read(
                RED[j], BLACK[j], open_V=open_V, current_A=current_A, resistance_ohm=source_ohm
            )
            d = np.zeros((k.size, len(LATENT)))
            for parameter, latent, slope in slopes:
                d[:, latent] += by_parameter[:, parameter] * slope
            dv[k, j] = d
    return v, i, r, dv, settled


def predict(tiles: Tiles, meter: Meter, *, ohms: bool) -> Tiles:
    """The tiles with the readings they predict.

    Parameters
    ----------
    tiles : dict of ndarray
        ``theta``, ``sd``, ``dead``, ``inner``, ``broad`` and ``shows`` at least.
    meter : Meter
    ohms : bool
        Also predict resistance readings.

    Returns
    -------
    dict of ndarray
        The same, and ``mean`` (n, 12): six diode-mode readings [V], then six resistance readings [ln ohm];
        ``factor`` (n, 12, q), readings per standard deviation of each shared cause; ``noise`` (n, 12),
        standard deviation of what is each reading's own.
    """
    vt_V = thermal_voltage(REFERENCE_TEMP_C)
    source_ohm = meter.resistance_ohm if meter.source_kind == "resistance" else 0.0
    n, alive, sd = len(tiles["theta"]), ~tiles["dead"], tiles["sd"][:, None, :]
    mean, noise = np.zeros((n, 12)), np.ones((n, 12))
    factor = np.zeros((n, 12, len(LATENT) + 2))
    v, i, r, dv, settled = _solve(tiles, vt_V, meter.open_voltage_V, meter.test_current_A, source_ohm)
    mean[:, :6] = np.where(alive, v, meter.open_voltage_V)
    factor[:, :6, :-2] = dv * sd
    factor[:, :6, -2] = r * i * meter.current_spread / np.sqrt(3)
    factor[:, :6, -1] = v * meter.accuracy_percent / 100 / np.sqrt(3)
    noise[:, :6] = np.sqrt(
        (meter.accuracy_counts * meter.resolution_V) ** 2 / 3
        + meter.resolution_V**2 / 12
        + prior("discrepancy_v") ** 2
    )
    # from emitter to collector past a leak the reverse gain counts, at a current of its own: it need not be
    # the one that the drops of the two junctions speak of (recombination makes it fall at small currents)
    e_c = PLACEMENTS.index("E-C")
    noise[:, e_c] = np.hypot(noise[:, e_c], rule("leads_gain_drift") * dv[:, e_c, AT["ln_br"]])
    # what did not settle says nothing: any reading up to the open voltage
    noise[:, :6] = np.where(settled, noise[:, :6], meter.open_voltage_V)
    factor[:, :6] = np.where(settled[:, :, None], factor[:, :6], 0.0)
    if ohms:
        open_V, source_ohm = rule("leads_ohms_open"), rule("leads_ohms_source")
        v, i, r, dv, settled = _solve(tiles, vt_V, open_V, 0.0, source_ohm)
        v, i = np.maximum(v, 1e-9), np.maximum(i, 1e-13)
        ln_ohm = np.log(v / i)
        mean[:, 6:] = np.where(alive, ln_ohm, np.log(1e12))
        factor[:, 6:, :-2] = dv * sd * (1 / v + 1 / (i * source_ohm))[:, :, None]
        # some tenths of a volt, which range and maker leave open: what of the reading goes with them
        with_open = open_V * (r / source_ohm / v - (1 - r / source_ohm) / (i * source_ohm))
        factor[:, 6:, -2] = with_open * rule("leads_ohms_spread")
        zero = rule("leads_ohms_zero") * np.exp(-np.maximum(ln_ohm, -1.5))
        stated = meter.ohms_accuracy == meter.ohms_accuracy
        noise[:, 6:] = (meter.ohms_accuracy if stated else rule("leads_ohms_accuracy")) + zero
        noise[:, 6:] = np.where(settled, noise[:, 6:], rule("leads_odd_ohms") / 4)
        factor[:, 6:] = np.where(settled[:, :, None], factor[:, 6:], 0.0)
    factor[np.tile(tiles["dead"], 2)] = 0.0
    if (broad := tiles["broad"]).any():  # a drop of some size or none, whatever the other pairs show
        shows = tiles["shows"][broad]
        (drop, narrow), (any_drop, wide) = (priors()[f"ic_{x}_v"].expected for x in ("junction", "drop"))
        mean[broad, :6] = np.choose(shows, [meter.open_voltage_V + 4 * wide, drop, any_drop])
        mean[broad, 6:] = np.where(shows == 0, log(rule("leads_ohms_over")) + 4, rule("leads_odd_ohms") / 2)
        noise[broad, :6] = np.choose(shows, [wide, narrow, wide])
        noise[broad, 6:], factor[broad] = rule("leads_odd_ohms") / 4, 0.0
    return {**tiles, "mean": mean, "factor": factor, "noise": noise}


@dataclass(frozen=True, eq=False)
class Bench:
    """A meter's predictions for one kind of lead names, and the ways to turn them onto a part.

    There are H hypotheses and, last, the case that none fits; A arrangements.
    """

    meter: Meter
    leads: tuple[str, ...]
    named: bool
    has_ohms: bool
    hypotheses: tuple[Hypothesis, ...]
    predictions: Predictions
    ln_ohm: np.ndarray  # (n, 3) resistance across BE, BC, CE that is not built in, nan where there is none
    ohm_sd: np.ndarray  # (n, 3) standard deviation of it within the component
    quality: np.ndarray  # (H + 1, 4)
    paths: np.ndarray  # (H + 1, 3, 4)
    cut: tuple[str, ...]  # (H) role that the lead lifted off the board plays, '' where none was
    group: np.ndarray  # (H + 1,) explanation each belongs to
    groups: tuple[tuple[tuple[str, ...], str, str, str], ...]  # faults, device, material, test
    roles: tuple[tuple[str, ...], ...]  # (A) role of each lead, in the order of the leads
    polarity: tuple[str, ...]  # (A)
    order: np.ndarray  # (A, 6) actual placement behind each canonical one
    log_prior: np.ndarray  # (A,)

    @cached_property
    def placements(self) -> tuple[str, ...]:
        """Placement names in the order of a row of readings."""
        return tuple(f"{a}-{b}" for a, b in permutations(self.leads, 2))

    @cached_property
    def outcomes(self) -> np.ndarray:
        """Probability of every kind of diode-mode reading under each hypothesis, (H, 6, bins).

        The last bin is over-range.  The components' prior weights stand for the spread within a hypothesis;
        what was read already enters through the posterior of the hypotheses.
        """
        m = self.predictions
        edges = np.append(_EDGES_V[_EDGES_V < m.ceiling[0]], m.ceiling[0])
        # the logistic curve is within 0.01 of the normal distribution function, at a tenth of its cost
        z = np.maximum((edges - m.mean[:, :6, None]) / m.sd[:, :6, None], -50.0)
        below = 1 / (1 + np.exp(-1.702 * z))
        below = np.concatenate([below, np.ones_like(below[:, :, :1])], axis=2)
        share = np.exp(m.log_weight)
        table = np.maximum(np.diff(below, axis=2), 0.0) * share[:, None, None]
        starts = np.flatnonzero(np.diff(m.label, prepend=-1))
        out = np.zeros((len(self.hypotheses) - 1, *table.shape[1:]))
        summed = np.add.reduceat(table, starts, axis=0)
        out[m.label[starts]] = summed / np.add.reduceat(share, starts)[:, None, None]
        return out

    def lead_of(self, arrangement: int) -> dict[str, str]:
        """Lead that plays each role in an arrangement."""
        return dict(zip(self.roles[arrangement], self.leads, strict=True))


def lead_set(readings: Sequence[Reading]) -> str:
    """Which lead names a part's readings use: 'BCE' (or where there are none), '123', 'AK'; '' for others."""
    used = {lead for r in readings for lead in (r.red, r.black)}
    return next((name for name, (leads, _) in LEAD_SETS.items() if used <= set(leads)), "")


def stands_in_circuit(part: PartReadings) -> bool:
    """Whether paths of the board may lie beside a part: until all its leads but one are lifted."""
    used = {lead for r in part.readings for lead in (r.red, r.black)}
    leads, _ = LEAD_SETS.get(lead_set(part.readings), (used, True))
    return part.in_circuit and len(part.lifted) < len(leads) - 1


def bench_group(part: PartReadings) -> tuple[str, bool, bool, str, bool]:
    """Lead names, whether resistance readings occur, whether in circuit, the type that matters, lifted.

    Diode mode shows no leak that a registration allows, so only resistance readings ask for its limits.
    """
    ohms = any(r.kind == "ohm" for r in part.readings)
    in_circuit = stands_in_circuit(part)
    lifted = in_circuit and bool(part.lifted)
    return lead_set(part.readings), ohms, in_circuit, part.type if ohms else "", lifted


@dataclass(frozen=True, eq=False)
class _Library:
    """What may lie on a bench, and what a meter reads of it: each tile is solved when it is first wanted."""

    meter: Meter
    ohms: bool
    hypotheses: tuple[Hypothesis, ...]
    tiles: Tiles
    entries: tuple[np.ndarray, ...]  # hypothesis in rising order, its tile, and the log weight it has there
    cut: tuple[str, ...]

    def __post_init__(self) -> None:
        n = len(self.tiles["theta"])
        empty = {"done": np.zeros(n, bool), "mean": np.zeros((n, 12)), "noise": np.zeros((n, 12)),
                 "factor": np.zeros((n, 12, len(LATENT) + 2))}  # fmt: skip
        for name, x in empty.items():
            object.__setattr__(self, name, x)

    def solve(self, wanted: np.ndarray) -> None:
        """Fill in the predictions of the tiles wanted, a mask, that have none yet."""
        new = np.flatnonzero(wanted & ~self.done)
        if new.size:
            solved = predict({name: x[new] for name, x in self.tiles.items()}, self.meter, ohms=self.ohms)
            for name in ("mean", "factor", "noise"):
                getattr(self, name)[new] = solved[name]
            self.done[new] = True


@lru_cache(maxsize=4)
def _library(
    meter: Meter, names: str, ohms: bool, in_circuit: bool, lifted: bool, type_: PartType | None = None
) -> _Library:
    """Library of one meter and one kind of lead names, see `bench_group`."""
    visible = visible_leak_ohm(meter)
    hidden = rule("leads_past_visible") * visible
    if in_circuit and names != "AK":
        return _Library(meter, ohms, *lay_out_in_circuit(hidden, lifted=lifted))
    highest = rule("leads_highest_leak") if ohms else hidden
    weighed = kinds(len(LEAD_SETS[names][0]))
    hypotheses, tiles = lay_out(weighed, visible, highest, in_circuit=in_circuit, type_=type_)
    entries = tiles["hypothesis"], np.arange(len(tiles["theta"])), tiles["log_weight"]
    return _Library(meter, ohms, hypotheses, tiles, entries, ())


def bench_for(
    meter: Meter, parts: Sequence[PartReadings], names: str = "", types: Types | None = None
) -> Bench:
    """Bench for parts of one kind; for a few parts, without the tiles that their readings exclude.

    Parameters
    ----------
    meter : Meter
    parts : sequence of PartReadings
        Not empty; all of one `bench_group`.
    names : str
        A key of `LEAD_SETS`, where the readings do not tell.
    types : callable, optional
        Written type -> registered type or None.
    """
    found, ohms, in_circuit, marking, lifted = bench_group(parts[0])
    names = names or found
    leads, named = LEAD_SETS[names]
    laid = (meter, names, ohms, in_circuit, lifted)
    # only a registered type is no key: what its leakage allows is laid out for it alone
    type_ = types(marking) if types is not None and marking else None
    library = _library(*laid) if type_ is None else _library.__wrapped__(*laid, type_)
    hypotheses, (label, row, log_weight), cut = library.hypotheses, library.entries, library.cut
    keep = np.ones(len(library.done), bool)
    if len(parts) <= 4 and names != "AK" and any(p.readings for p in parts):
        keep = _plausible(library.tiles, meter, parts)
        label, row, log_weight = (x[keep[row]] for x in (label, row, log_weight))
    library.solve(keep)
    theta, sd = (library.tiles[name][row] for name in ("theta", "sd"))
    mean, factor, noise = library.mean[row], library.factor[row], library.noise[row]
    if in_circuit and names != "AK":
        beside = ~np.isnan(theta[:, PATH_COLUMNS]).all(axis=1, keepdims=True)
        off = _CURVATURE * np.minimum(mean[:, :6], over_range_V(meter)) * beside
        noise[:, :6] = np.hypot(noise[:, :6], off)
    ceiling = np.array([over_range_V(meter)] * 6 + [log(rule("leads_ohms_over"))] * 6)
    hypotheses = (*hypotheses, (_NOTHING, ("odd",), np.full(4, 0.25)))
    groups: dict[tuple, int] = {}
    group = [
        groups.setdefault((() if q[0] == 1 else faults, kind.device, kind.material, kind.test), len(groups))
        for kind, faults, q in hypotheses
    ]
    paths = np.full((len(group), 3, 4), 0.25)
    for at, (_, faults, quality) in zip(paths, hypotheses[:-1], strict=False):
        at[:] = [1.0, 0.0, 0.0, 0.0]
        for path, word in (fault.split() for fault in faults):
            if quality[0] == 0.5:  # between the limits of families
                at[PATH_AT[path], :2] = 0.5
            elif word != "leaky" or quality[0] < 1:  # a leak within limits is none
                at[PATH_AT[path]] = [q == word for q in QUALITIES]
    return Bench(
        meter, leads, named, ohms, hypotheses, Predictions(label, log_weight, mean, factor, noise, ceiling),
        theta[:, PATH_COLUMNS], sd[:, PATH_COLUMNS],
        np.array([q for *_, q in hypotheses]), paths, cut, np.array(group), tuple(groups),
        *arrangements(leads, named=named),
    )  # fmt: skip


def arrangements(leads: Sequence[str], *, named: bool):
    """The twelve arrangements of three leads, the two of a diode's.

    Parameters
    ----------
    leads : sequence of str
        Names in the hand: ``1, 2, 3``, ``B, C, E`` or ``A, K``.
    named : bool
        Whether the names claim the roles; then every other order has the small prior `mislabelled`.

    Returns
    -------
    roles, polarity : tuple
    order : ndarray of int (A, 6)
    log_prior : ndarray (A,)
    """
    wrong = prior("mislabelled")
    if len(leads) == 2:  # placements 2 to 5 do not exist
        order = np.array([[0, 1, 2, 3, 4, 5], [1, 0, 2, 3, 4, 5]])
        return (("A", "K"), ("K", "A")), ("NPN", "NPN"), order, np.log([1 - wrong, wrong])
    at = {f"{a}-{b}": k for k, (a, b) in enumerate(permutations(leads, 2))}
    roles, polarity = zip(*product(permutations("BCE"), ("NPN", "PNP")), strict=True)
    order, share = [], []
    for role, kind in zip(roles, polarity, strict=True):
        lead_of = dict(zip(role, leads, strict=True))
        # PNP is the mirror image: the same network with the meter turned round
        turned = [name if kind == "NPN" else name[::-1] for name in PLACEMENTS]
        order.append([at[f"{lead_of[name[0]]}-{lead_of[name[2]]}"] for name in turned])
        share.append(1 / 6 if not named else (1 - wrong if role == tuple(leads) else wrong / 5))
    return roles, polarity, np.array(order), np.log(np.array(share) / 2)


def _plausible(tiles: Tiles, meter: Meter, parts: Sequence[PartReadings]) -> np.ndarray:
    """Tiles that the readings of a few parts do not exclude whatever the lead order is.

    A resistance across two leads shows in both directions as at most the meter's current times itself.
    So a pair that reads over-range in one direction has none worth laying out, and one that reads a
    voltage has none far below that voltage over the current.
    """
    limits = []
    for part in parts:
        least: dict[frozenset[str], float] = {}
        for r in part.readings:
            if r.kind == "ohm":
                ohm = 0.8 * min(r.value, rule("leads_ohms_over"))
            else:
                over = over_range_V(meter)
                volts = over if r.kind == "over" else min(abs(r.value), over)
                ohm = volts / meter.test_current_A / (1 + 1.5 * meter.current_spread)
            pair = frozenset((r.red, r.black))
            least[pair] = max(least.get(pair, 0.0), ohm)
        leads, _ = LEAD_SETS[lead_set(part.readings)]
        limits.append(sorted(least.get(frozenset(pair), 0.0) for pair in combinations(leads, 2)))
    # over the parts, the k-th lowest limit is what the k-th lowest resistance of a tile must get past
    least_ln = np.log(np.maximum(np.min(limits, axis=0) - 10.0, 1e-3))
    ln_ohm, sd = tiles["theta"][:, PATH_COLUMNS], tiles["sd"][:, PATH_COLUMNS]
    ohms = np.sort(np.where(np.isnan(ln_ohm), np.inf, ln_ohm), axis=1)
    return (ohms + 2.5 * sd.max(axis=1, keepdims=True) >= least_ln).all(axis=1)


def reading_table(
    parts: Sequence[PartReadings], placements: Sequence[str], over_V: float
) -> tuple[np.ndarray, np.ndarray]:
    """Readings as numbers and states.

    Returns
    -------
    value : ndarray (n, 12)
        Diode-mode volts, then ln ohm; by actual placement.
    state : ndarray of int (n, 12)
        MISSING, VALUE or OVER.  The last reading of a placement counts.
    """
    value, state = np.zeros((len(parts), 12)), np.full((len(parts), 12), MISSING)
    at = {name: k for k, name in enumerate(placements)}
    for n, part in enumerate(parts):
        for r in part.readings:
            if r.placement not in at:
                continue
            k = at[r.placement] + (6 if r.kind == "ohm" else 0)
            over = np.isinf(r.value) if r.kind == "ohm" else r.kind == "over" or r.value >= over_V
            state[n, k] = OVER if over else VALUE
            value[n, k] = 0.0 if over else log(max(r.value, 0.1)) if r.kind == "ohm" else abs(r.value)
    return value, state
