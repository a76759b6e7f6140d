"""The explanations that lead finding weighs: what the part is, what is wrong with it, and how that spreads.

A hypothesis is a kind of part (``reference/kinds.csv``) with a fault (``reference/faults.csv``); both are
data.  It is written for an NPN part with its leads known; the twelve ways to turn it onto a real part (six
lead orders, two polarities) only permute its readings, because a PNP part is the same network with the
meter's leads exchanged.  A diode has its anode on lead B and its cathode on lead E.

Unknown parameters (junction drops, gains, built-in resistors, the ohms of a leak) are latent variables with
a spread.  A hypothesis is laid out as a mixture of narrow normal tiles: their centres carry one half of
the prior's variance, the width of each tile the other; the ohms of a short or leak are a grid of tiles over
their logarithm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from itertools import product
from math import log
from types import SimpleNamespace

import numpy as np

from junction.judge.results import NO_LIMIT, QUALITIES, registered_leak
from junction.shelf.tables import PartType, Row, families, records, rule

#: Latent variables: junction drops at the current the families state [V], gains and resistances [log].
LATENT = (
    "v_be", "ln_bf", "ln_br", "v_second", "v_ce_diode", "ln_r_int", "ln_r2", "ln_r_be", "ln_r_bc", "ln_r_ce",
    "v_be_extra", "v_bc_extra", "v_eb_extra", "v_pair",
)  # fmt: skip
AT = {name: k for k, name in enumerate(LATENT)}
PATHS = ("BE", "BC", "CE")
#: Place of each in arrays over them; a diode is laid out as a base-emitter junction.
PATH_AT = {"BE": 0, "BC": 1, "CE": 2, "AK": 0}
#: Columns of the latent variables that hold a resistance across each of them.
PATH_COLUMNS = [AT["ln_r_be"], AT["ln_r_bc"], AT["ln_r_ce"]]
#: Placements of the canonical NPN part, red node first; nodes are B 0, C 1, E 2.
PLACEMENTS = ("B-E", "E-B", "B-C", "C-B", "C-E", "E-C")
RED = np.array([0, 2, 0, 1, 1, 2])
BLACK = np.array([2, 0, 1, 0, 2, 1])
_NODE = {"B": 0, "C": 1, "E": 2}
_SEVERITY = ("good", "leaky", "open", "shorted")

#: Share of a prior's variance left inside one tile; the draws carry the rest.
_TILE_SHARE = 0.5
#: Latent variables whose tiles only touch: a reading bends so with the ohms of a built-in resistor that a
#: straight line over half its wide prior would give pairs of readings that no resistor gives.
_NARROW = ("ln_r_int", "ln_r2", "ln_r_be", "ln_r_bc", "ln_r_ce")
#: Spacing of the tiles over ln(ohm) of a short and of a leak, by how many such paths the fault has.
_STEPS = {1: (1.2, 0.36), 2: (1.4, 0.6), 3: (1.8, 1.2)}
#: Tiles of a part in circuit: levels of the ohms of a path beside it, and draws of everything else.
_LEVELS, _DRAWS = 6, 2
_PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43)


#: What each lead pair of an IC shows, in every combination: 0 nothing, 1 a junction's drop, 2 any drop.
IC_PATTERNS = np.array(list(product(range(3), repeat=6)))

#: A kind of part, what is wrong with it, and the quality that amounts to, over QUALITIES.
Hypothesis = tuple[SimpleNamespace, tuple[str, ...], np.ndarray]
Tiles = dict[str, np.ndarray]


def _expect(row: Row, own: dict) -> None:
    """Centre and standard deviation of the value of a voltage, else of its logarithm.

    The range low..high holds 95 %, which is four standard deviations.
    """
    value, low, high = own["value"], own["low"], own["high"]
    if (low < high) == (low != low):
        raise row.fault("value", "wants low below high or neither")
    centre, spread = (value, high - low) if own["unit"] == "V" else (log(value), log(high / low))
    own["expected"] = centre, spread / 4


def priors() -> Mapping[str, SimpleNamespace]:
    """Rows of the priors table by name: ``value``, and ``expected``, the centre and standard deviation."""
    return records("priors", finish=_expect)


def prior(name: str) -> float:
    """Value of one row of the priors table, in the unit of the row."""
    return priors()[name].value


def _compose(row: Row, own: dict) -> None:
    """What a kind is made of: centre and standard deviation of its latent variables; its limit of a leak."""

    def held(column: str):
        shelf, names = families(), own[column].split(" + ")
        if not shelf.keys() >= set(names):
            raise row.fault(column, f"{own[column]!r} is no list of families of families.csv")
        return [shelf[name] for name in names]

    latent = {}
    for name in (*LATENT, "twins"):
        if own.get(name) in priors():
            latent[name] = priors()[own[name]].expected
        elif own.get(name):
            some = held(name)
            low, high = min(f.vf_low_V for f in some), max(f.vf_high_V for f in some)
            half_width = rule("leads_window_joint" if some[1:] else "leads_window")
            latent[name] = (low + high) / 2, (high - low) / (2 * half_width)
    if "twins" in latent:  # two junctions of one die: a common drop, and a few millivolt between them
        centre, spread = latent.pop("twins")
        latent |= dict.fromkeys(("v_be_extra", "v_bc_extra"), (centre, prior("twin_v")))
        latent["v_pair"] = 0.0, spread
    ohms = [f.leak_at_V / f.leak_max_A for f in held("leak_families")]
    own |= {
        "latent": latent, "groups": own["faults"].split(" + "), "in_circuit": own["in_circuit"].split(" + "),
        # a lower resistance than the first is a leak for every family it may be of, above the second for none
        "draws": int(own["draws"]), "leak_limit_ohm": (min(ohms), max(ohms)),
        "transistor": own["device"] not in ("diode", "unknown"),
        # a transistor behind a built-in resistor drives from an inner base, as the second of a Darlington
        "inner": "v_second" in latent, "broad": not latent,
    }  # fmt: skip


def kinds(leads: int = 3) -> tuple[SimpleNamespace, ...]:
    """Every kind of part with three (or two) leads that is weighed."""
    return tuple(kind for kind in records("kinds", finish=_compose).values() if kind.leads == leads)


def _take_apart(row: Row, own: dict) -> None:
    """Lists of a fault; ``resistive`` holds path and 'shorted' or 'leaky' where a path has unknown ohms."""
    own["groups"], own["open_leads"] = own["groups"].split(" + "), own["open_leads"].split()
    own["faults"] = tuple(filter(None, own["faults"].split(" + ")))
    paths = () if own["soft"] or own["series"] else filter(None, (*own["faults"], own["beside"]))
    own["resistive"] = [f.split() for f in paths if not f.endswith("open")]


def faults() -> Mapping[str, SimpleNamespace]:
    """Every fault that is weighed, alone and in company, by name."""
    return records("faults", finish=_take_apart)


def quality_of(faults: Sequence[str]) -> np.ndarray:
    """A part is what its worst fault is, `good` where there is none; over QUALITIES."""
    worst = max((f.split()[1] for f in faults), key=_SEVERITY.index, default="good")
    return np.array([float(q == worst) for q in QUALITIES])


def normal_quantile(p: np.ndarray) -> np.ndarray:
    """Normal quantile to 4.5e-4, enough to place tiles: Abramowitz and Stegun (1964) 26.2.23."""
    t = np.sqrt(-2 * np.log(np.minimum(p, 1 - p)))
    x = t - (2.515517 + t * (0.802853 + t * 0.010328)) / (1 + t * (1.432788 + t * (0.189269 + t * 0.001308)))
    return np.where(p < 0.5, -x, x)


@cache
def _drawn(count: int, variable: int) -> tuple[np.ndarray, np.ndarray]:
    """Evenly spread standard normal values of variance 1, and half the distance of each to its neighbours.

    Their order differs between variables: it is that of the fractional parts of k sqrt(prime).
    """
    quantiles = normal_quantile((np.arange(count) + 0.5) / count)
    quantiles = quantiles / np.sqrt(np.mean(quantiles**2))
    gaps = np.diff(quantiles)
    half_gaps = 0.5 * np.concatenate([gaps[:1], 0.5 * (gaps[1:] + gaps[:-1]), gaps[-1:]])
    at = np.argsort(np.argsort((np.arange(1, count + 1) * np.sqrt(_PRIMES[variable])) % 1.0))
    return quantiles[at], half_gaps[at]


def _draw(kind: SimpleNamespace, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Tiles of a kind's latent variables, stratified in every one of them: centres and sd, (count, l)."""
    theta, sd = np.full((count, len(LATENT)), np.nan), np.zeros((count, len(LATENT)))
    for name, (centre, width) in kind.latent.items():
        quantiles, half_gaps = _drawn(count, AT[name])
        narrow = name in _NARROW
        theta[:, AT[name]] = centre + width * (1.0 if narrow else np.sqrt(1 - _TILE_SHARE)) * quantiles
        sd[:, AT[name]] = width * (half_gaps if narrow else np.sqrt(_TILE_SHARE))
    return theta, sd


def _open_inside(kind: SimpleNamespace, theta: np.ndarray, sd: np.ndarray, lead: str) -> None:
    """Take a lead off inside the part: what is beside it stays, and the junction that is left its drop."""
    if kind.device == "diode":
        theta[:, [AT["v_be_extra"], AT["v_eb_extra"]]] = np.nan
        return
    for name in {"E": ("v_bc_extra",), "C": ("v_be_extra",), "B": ()}[lead]:
        theta[:, AT[name]], sd[:, AT[name]] = theta[:, AT["v_be"]], sd[:, AT["v_be"]]
    theta[:, AT["v_be"]] = np.nan


@cache
def resistance_span(word: str, step: float, visible_ohm: float, highest_ohm: float):
    """Tiles over the ohms of a short or a leak.

    Parameters
    ----------
    word : str
        'shorted' (the least short to the short limit) or 'leaky' (from there up).
    step : float
        Spacing of tile centres in ln(ohm) [1].
    visible_ohm, highest_ohm : float
        What diode mode can show, and where the grid ends [ohm]; between them the prior density is
        that of hidden leaks.

    Returns
    -------
    centres : ndarray
        In ln(ohm).
    sd : float
        Of each tile, half its width.
    log_weight : ndarray
    """
    edge, seen = log(rule("short_below")), log(visible_ohm)
    low, high = (log(rule("leads_least_short")), edge) if word == "shorted" else (edge, log(highest_ohm))
    count = max(2, round((high - low) / step))
    width = (high - low) / count
    centres = low + (np.arange(count) + 0.5) * width
    full = max(min(high, seen) - low, width) if word == "leaky" else high - low
    hidden = (centres > seen) & (word == "leaky")
    return centres, 0.5 * width, log(width / full) + np.where(hidden, log(prior("hidden_leak_density")), 0.0)


def _resistive_lead(theta: np.ndarray, sd: np.ndarray, lead: str, visible_ohm: float):
    """Put a resistance into the base or emitter lead of a transistor, which gets an inner node."""
    low, high = log(rule("leads_least_inside")), log(max(visible_ohm, 2 * rule("leads_least_inside")))
    count = max(2, round((high - low) / _STEPS[1][1]))
    width = 0.5 * (high - low) / count
    centres, weights = low + (2 * np.arange(count) + 1) * width, np.full(count, -log(count))
    n = len(theta)
    theta, sd = np.repeat(theta, len(centres), axis=0), np.repeat(sd, len(centres), axis=0)
    if lead == "B":
        for x in (theta, sd):
            x[:, AT["v_second"]], x[:, AT["v_be"]] = x[:, AT["v_be"]], np.nan if x is theta else 0.0
    at = AT["ln_r_int" if lead == "B" else "ln_r2"]
    theta[:, at], sd[:, at] = np.tile(centres, n), width
    return theta, sd, np.tile(weights, n)


def _tiles_of(kind: SimpleNamespace, fault: SimpleNamespace, visible_ohm: float, highest_ohm: float):
    """Centres, sd and log weight of every tile of one kind with one fault."""
    paths = len(fault.resistive)
    if kind.broad and not fault.faults:  # every pattern of pairs; `bench.predict` gives them readings
        silent, junction = prior("ic_silent"), prior("ic_junction")
        shows = np.log([silent, junction, 1 - silent - junction])
        empty = np.full((len(IC_PATTERNS), len(LATENT)), np.nan)
        return empty, np.zeros_like(empty), shows[IC_PATTERNS].sum(axis=1)
    count = kind.draws // (2 if paths + len(fault.open_leads) < 2 else 4)
    theta, sd = _draw(kind, max(2, count) if fault.faults else 2 * kind.draws)
    if fault.soft:
        centre, spread = priors()["soft_v"].expected
        at = AT[f"v_{fault.faults[0][:2].lower()}_extra"]
        theta[:, at], sd[:, at] = centre + spread * np.linspace(-1.2, 1.2, len(theta)), 0.6 * spread
    log_weight = np.full(len(theta), -np.log(len(theta)))
    if fault.series:
        count = len(theta)
        theta, sd, weights = _resistive_lead(theta, sd, fault.series, visible_ohm)
        log_weight = weights - np.log(count)
    elif not fault.open_leads and any(f.endswith("open") for f in fault.faults):  # all beside it is alive
        _open_inside(kind, theta, sd, "E")
    short_step, leak_step = _STEPS[max(1, paths)]
    if fault.name == "all shorted":  # three paths of a few ohms look alike, so few tiles do
        short_step = 2.8
    if highest_ohm > 2 * visible_ohm and paths > 1:  # a long grid: coarser tiles
        leak_step *= 2
    if fault.faults == ("BE leaky",) and kind.transistor:
        # E-C shows it where E-B no longer does: from emitter to collector the reverse gain divides it
        highest_ohm = max(highest_ohm, rule("leads_beyond") * visible_ohm)
    if fault.faults == ("BC leaky",) and kind.transistor:  # from collector to emitter the gain multiplies it
        highest_ohm, leak_step = max(highest_ohm, rule("leads_beyond_gain") * visible_ohm), 1.5 * leak_step
    for pair, word in fault.resistive:
        at = PATH_COLUMNS[PATH_AT[pair]]
        step = leak_step if word == "leaky" else short_step
        centres, width, weights = resistance_span(word, step, visible_ohm, highest_ohm)
        n = len(theta)
        theta, sd = np.repeat(theta, len(centres), axis=0), np.repeat(sd, len(centres), axis=0)
        theta[:, at], sd[:, at] = np.tile(centres, n), width
        log_weight = np.repeat(log_weight, len(centres)) + np.tile(weights, n)
    return theta, sd, log_weight


def lay_out(
    weighed: Sequence[SimpleNamespace], visible_ohm: float, highest_ohm: float,
    *, in_circuit: bool = False, type_: PartType | None = None,
) -> tuple[tuple[Hypothesis, ...], Tiles]:  # fmt: skip
    """All tiles of all faults of the given kinds.

    Parameters
    ----------
    weighed : sequence of kinds
    visible_ohm, highest_ohm : float
        Largest leak that diode mode shows, and largest leak that is laid out [ohm].
    in_circuit : bool
        Paths of the circuit may lie beside a diode; see `lay_out_in_circuit` for a transistor.
    type_ : PartType, optional
        Its registered leakage is the limit of the kinds that it may be.

    Returns
    -------
    hypotheses : tuple of Hypothesis
    tiles : dict of ndarray
        ``theta`` and ``sd`` (n, l), nan where the part has none of a latent variable; ``hypothesis``
        (n,) in rising order; ``log_weight`` (n,); ``dead`` (n, 6) placements on an open lead;
        ``inner`` (n,) with a fourth node; ``broad`` (n,) any readings, as ``shows`` (n, 6).
    """
    groups = {kind.name: {*kind.groups, *(kind.in_circuit if in_circuit else ())} for kind in weighed}
    ills = [f for f in faults().values() if set().union(*groups.values()) & set(f.groups)]
    hypotheses: list[Hypothesis] = []
    parts: list[Tiles] = []
    nodes = list(zip(RED.tolist(), BLACK.tolist(), strict=True))
    total_kind, total_fault = sum(k.weight for k in weighed), sum(f.weight for f in ills)
    registered = leak_limits_ohm(type_) if type_ is not None else {}
    for kind, fault in product(weighed, ills):
        if not groups[kind.name] & set(fault.groups):
            continue
        theta, sd, log_weight = _tiles_of(kind, fault, visible_ohm, highest_ohm)
        log_weight = log_weight + np.log(kind.weight / total_kind * fault.weight / total_fault)
        opened = {_NODE[lead] for lead in fault.open_leads}
        dead = [red in opened or black in opened for red, black in nodes]
        leaks = [path for path, word in fault.resistive if word == "leaky"]
        # 0 where the fault is one, 1 where a leak lies between families' limits, 2 where all are within
        grade = np.full(len(theta), 2 if leaks and len(leaks) == len(fault.faults) else 0)
        for path in leaks:
            limits = kind.leak_limit_ohm
            if path in registered and matches(kind, type_):
                # a path that diode mode shows is never within limits: where a registration allows so much, it
                # does at a voltage near breakdown, and a junction's leakage does not shrink as a path's
                limits = [max(registered[path], visible_ohm)] * 2
            over = np.searchsorted(np.log(limits), theta[:, PATH_COLUMNS[PATH_AT[path]]], side="right")
            grade = np.minimum(grade, over)
        shows = np.zeros((len(theta), 6), int)
        if kind.broad and not fault.faults:
            shows = IC_PATTERNS
        for g, quality in enumerate((quality_of(fault.faults), [0.5, 0.5, 0.0, 0.0], [1.0, 0.0, 0.0, 0.0])):
            pick = grade == g
            n = int(pick.sum())
            if n:
                parts.append({
                    "theta": theta[pick], "sd": sd[pick], "log_weight": log_weight[pick],
                    "hypothesis": np.full(n, len(hypotheses)), "dead": np.tile(dead, (n, 1)),
                    "inner": np.full(n, kind.inner or bool(fault.series)), "shows": shows[pick],
                    "broad": np.full(n, kind.broad and not fault.faults),
                })  # fmt: skip
                hypotheses.append((kind, fault.faults, np.array(quality)))
    return tuple(hypotheses), {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}


def lay_out_in_circuit(highest_ohm: float, *, lifted: bool = False):
    """Tiles of a transistor in circuit, where unknown paths lie beside it.

    Any pair of leads may have a resistance across it that belongs to the circuit.  A reading cannot tell it
    from a leak or short of the part itself, so every tile with such a path is weighed twice: as the
    circuit's, and as the part's own.  An open lead of the part no longer silences a placement, because the
    circuit's paths remain on its solder joint.

    Returns
    -------
    hypotheses : tuple of Hypothesis
    tiles : dict of ndarray
        As of `lay_out`, without hypothesis and weight.
    entries : tuple of ndarray (m,)
        Hypothesis in rising order, its tile, and the log weight it has there; a tile may serve several.
    cut : tuple of str
        Of every hypothesis, the role of the lead that was lifted, '' where none was.
    """
    centre, spread = priors()["parallel_r"].expected
    low = log(rule("leads_least_beside"))
    width = (log(highest_ohm) - low) / _LEVELS
    levels = low + (np.arange(_LEVELS) + 0.5) * width  # in ln ohm
    density = np.exp(-0.5 * ((levels - centre) / spread) ** 2)
    share = width * density / (np.sqrt(2 * np.pi) * spread) * prior("parallel_present")
    log_path = np.log(np.concatenate([[1 - share.sum()], share]))  # paths that do not show count as none
    centres = np.concatenate([[np.nan], levels])
    weighed = [k for k in kinds() if "sound" in k.in_circuit]
    total, sound = sum(k.weight for k in weighed), faults()["none"].weight
    edge = log(rule("short_below"))
    spans = {"shorted": edge - np.log(rule("leads_least_short")), "leaky": np.log(highest_ohm) - edge}
    hypotheses, cut, label, row, log_weights, parts, tiles_made = [], [], [], [], [], [], 0

    def enter(kind, ill, role, rows, log_weight):
        label.append(np.full(len(rows), len(hypotheses)))
        hypotheses.append((kind, ill, quality_of(ill)))
        cut.append(role)
        row.append(rows)
        log_weights.append(log_weight)

    # a lead that was lifted has no path of the circuit: what lies across it is the part's own
    for role in "BCE" if lifted else ("",):
        own_only = np.array([bool(role) and role in path for path in PATHS])
        combos = np.array([c for c in product(range(_LEVELS + 1), repeat=3)
                           if np.count_nonzero(np.array(c)[own_only]) < 2])  # fmt: skip
        level = np.tile(combos, (_DRAWS, 1))  # of the paths across BE, BC, CE, 0 for none
        beside = log_path[level]
        beside[:, own_only] = np.where(level[:, own_only] > 0, -np.inf, 0.0)
        for kind, name in product(weighed, ("none", "E lead open", "C lead open", "B lead open")):
            fault = faults()[name]
            if fault.open_leads and "open" not in kind.in_circuit:
                continue
            theta, sd = _draw(kind, _DRAWS)
            sd[:, [AT[name] for name in _NARROW]] *= 0.6  # over two tiles far apart no straight line holds
            for lead in fault.open_leads:
                _open_inside(kind, theta, sd, lead)
            theta, sd = np.repeat(theta, len(combos), axis=0), np.repeat(sd, len(combos), axis=0)
            theta[:, PATH_COLUMNS] = centres[level]
            sd[:, PATH_COLUMNS] = np.where(level > 0, 0.5 * width, 0.0)
            alone = np.log(kind.weight / total * fault.weight / _DRAWS)
            rows = tiles_made + np.arange(len(level))
            parts.append((theta, sd, np.full(len(level), kind.inner)))
            tiles_made += len(level)
            weight = alone + beside.sum(axis=1)
            some = np.isfinite(weight)
            enter(kind, fault.faults, role, rows[some], weight[some])
            for (k, path), (word, span) in product(enumerate(PATHS), spans.items()):
                if set(fault.open_leads) & set(path):  # an open lead cannot carry a path of the part's own
                    continue
                ln_ohm = centres[level[:, k]]
                own = np.log(faults()[f"{path} {word}"].weight * width / span / sound)
                weight = alone + own + np.delete(beside, k, axis=1).sum(axis=1)
                in_span = (ln_ohm < edge) if word == "shorted" else (ln_ohm >= edge)
                pick = in_span & np.isfinite(weight)
                enter(kind, (*fault.faults, f"{path} {word}"), role, rows[pick], weight[pick])
    theta, sd, inner = (np.concatenate(x) for x in zip(*parts, strict=True))
    none = np.zeros((len(theta), 6), bool)
    tiles = {"theta": theta, "sd": sd, "inner": inner, "dead": none, "shows": none, "broad": none[:, 0]}
    entries = tuple(np.concatenate(x) for x in (label, row, log_weights))
    return tuple(hypotheses), tiles, entries, tuple(cut)


def matches(kind: SimpleNamespace, type_: PartType) -> bool:
    """Whether a kind is what a registered type says the part is."""
    if type_.device == "diode":
        if type_.kind == "Zener":
            return kind.name in ("Zener", "silicon rectifier", "switching diode")
        return kind.device == "diode" and type_.family in ("", kind.name)
    darlington, resistor = type_.kind == "darlington", "ln_r_int" in kind.latent
    # sheets of Darlingtons and of parts with a damper diode often leave the resistor out
    left_out = (darlington or type_.damper_diode) and not type_.r_be_ohm
    return (
        kind.transistor
        and (kind.device == "darlington") == darlington
        and (kind.material == "germanium") == (type_.material == "germanium")
        and (darlington or ("v_ce_diode" in kind.latent) == type_.damper_diode)
        and kind.inner == darlington  # a resistor into the base: no registered type has one
        and "v_bc_extra" not in kind.latent  # a Schottky clamp: no registered type is one
        and (left_out or resistor == bool(type_.r_be_ohm))
    )


def leak_limits_ohm(type_: PartType) -> dict[str, float]:
    """Lowest resistance that a registered type allows across each path [ohm]; {} where nothing is registered.

    A leakage limit I at a voltage V allows what passes I at V.  Where the collector junction has no limit
    of its own, that with the base-emitter junction reverse biased or shorted stands for it.
    """
    found = {}
    for path in ("AK",) if type_.device == "diode" else PATHS:
        leak = registered_leak(type_, path)
        if leak is not None and leak[0] > 0:
            found[path] = leak[1] / leak[0]
    for symbol in () if type_.secondary or "BC" in found else ("I_CEX", "I_CES"):
        for limit in type_.find(symbol):
            if limit.basis not in NO_LIMIT and limit.high > 0 and "vce_V" in limit.at:
                found.setdefault("BC", abs(limit.at["vce_V"]) / limit.high)
    return found
