"""The explanations that lead finding weighs: what the part is, and what is wrong with it.

A hypothesis is written for an NPN part with its leads known; the twelve ways to turn it onto a real part
(six lead orders, two polarities) only permute its readings, because a PNP part is the same network with
the meter's leads exchanged.  Unknown parameters (junction drops, gains, built-in resistors, the ohms of
a leak) are latent variables with a spread; the library lays tiles over them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from math import log

from junction.leads.hypotheses_priors import Prior, priors
from junction.shelf.families import families
from junction.shelf.rules import rules

#: Latent variables: junction drops at the family current [V], gains and resistances [log].
LATENT = (
    "v_be",
    "ln_bf",
    "ln_br",
    "v_second",
    "v_ce_diode",
    "ln_r_int",
    "ln_r2",
    "ln_r_be",
    "ln_r_bc",
    "ln_r_ce",
    "v_be_extra",
    "v_bc_extra",
    "v_eb_extra",
    "v_pair",
)
PATHS = ("BE", "BC", "CE")
#: Paths that an open lead takes away from the meter, and the fault it is written as.
OPEN_LEADS = {"E": ("BE open",), "C": ("BC open",), "B": ("BE open", "BC open")}
#: Names of structures that other modules ask for.
BUILT_IN = "built-in base-emitter resistor"
SCHOTTKY_CLAMP = "Schottky clamp"
DAMPER_RESISTOR = "damper diode and base-emitter resistor"
TWO_RESISTORS_DIODE = "base-emitter resistors and diode"
SEVERITY = {"none": 0, "leaky": 1, "open": 2, "shorted": 3}


@dataclass(frozen=True)
class Structure:
    """One kind of part: which network, and the spread of its latent variables (centre, sd)."""

    name: str
    kind: str
    material: str
    weight: float
    latent: dict[str, tuple[float, float]]
    darlington: bool = False
    transistor: bool = True
    draws: int = 8
    pairs: bool = False  # two and three faults at once are laid out too
    # a lower resistance than the first is a leak for every family it may be of, above the second for none
    leak_limit_ohm: tuple[float, float] = (5e4, 5e7)
    type_limit_ohm: dict[str, float] = field(default_factory=dict)  # registered limit, by path
    remark: str = ""  # subject and verb of the warning that such a part "reads like this"


@dataclass(frozen=True)
class Fault:
    """What is wrong: paths with a short or leak of unknown ohms, leads open, junctions gone soft."""

    name: str
    faults: tuple[str, ...]
    weight: float
    resistive: tuple[tuple[str, str], ...] = ()  # (path, 'shorted' | 'leaky')
    open_leads: tuple[str, ...] = ()
    soft: str = ""  # 'BE' or 'BC'
    no_emitter: bool = False  # emitter junction open, everything else alive

    @property
    def quality(self) -> str:
        """Quality of the part: its worst fault, `good` where there is none."""
        words = [f.split()[1] for f in self.faults] or ["none"]
        worst = max(words, key=lambda w: SEVERITY[w])
        return "good" if worst == "none" else worst


@dataclass(frozen=True)
class Hypothesis:
    """One cell of the answer: a structure with a fault, and the quality that amounts to."""

    structure: Structure
    fault: Fault
    quality: dict[str, float] = field(default_factory=dict)


def _family_window(*names: str) -> tuple[float, float]:
    """Centre and sd of the drop over several families: the widest window holds 2.5 sd each way."""
    shelf = families()
    low, high = min(shelf[n].vf_low_V for n in names), max(shelf[n].vf_high_V for n in names)
    return (low + high) / 2, (high - low) / 5


def _limits(loose: str, tight: str) -> tuple[float, float]:
    shelf = families()
    return tuple(sorted(shelf[n].leak_at_V / shelf[n].leak_max_A for n in (loose, tight)))


def _of(prior: Prior) -> tuple[float, float]:
    return prior.centre, prior.spread


def _make(name: str, kind: str, material: str, weight: str, latent: dict, **more) -> Structure:
    """A structure whose weight is a prior and whose leak limits are those of its families."""
    loose, tight = (
        ("germanium power", "germanium small-signal")
        if material == "germanium"
        else ("silicon power BJT", "small-signal silicon BJT")
    )
    return Structure(
        name, kind, material, priors()[weight].value, latent, leak_limit_ohm=_limits(loose, tight), **more
    )


def _silicon() -> tuple[float, float]:
    return _family_window("small-signal silicon BJT", "silicon power BJT")


def _bipolar() -> tuple[Structure, ...]:
    p = priors()
    gains = {"ln_bf": _of(p["bf"]), "ln_br": _of(p["br"])}
    si = {"v_be": _silicon(), **gains}
    ge = {
        "v_be": _family_window("germanium small-signal", "germanium power"),
        "ln_bf": _of(p["germanium_bf"]),
        "ln_br": gains["ln_br"],
    }
    damper, clamp = {"v_ce_diode": _of(p["damper_v"])}, {"v_bc_extra": _of(p["schottky_v"])}
    rbe, low_rbe = {"ln_r_int": _of(p["r_be_built_in"])}, {"ln_r_int": _of(p["r_be_damper"])}
    two = {**si, "v_second": _silicon()}
    two_rr = {**two, "ln_r_int": _of(p["r1_darlington"]), "ln_r2": _of(p["r2_darlington"])}
    with_damper, clamped = "bjt with damper diode", "Schottky-clamped silicon"
    deflection, two_rr_diode = {**si, **damper, **low_rbe}, {**two_rr, **damper}
    rows = (
        ("plain", "bjt", "silicon", "kind_silicon", si, {"pairs": True}),
        ("germanium", "bjt", "germanium", "kind_germanium", ge, {"pairs": True, "draws": 10}),
        (BUILT_IN, "bjt", "silicon", "kind_silicon_rbe", {**si, **rbe}, {"draws": 24}),
        (DAMPER_RESISTOR, with_damper, "silicon", "kind_damper_rbe", deflection, {"draws": 16}),
        ("damper diode", with_damper, "silicon", "kind_damper", {**si, **damper}, {}),
        (TWO_RESISTORS_DIODE, "darlington", "silicon", "kind_darlington_rr", two_rr_diode, {"draws": 12}),
        ("base-emitter resistors", "darlington", "silicon", "kind_darlington_rr_bare", two_rr, {"draws": 12}),
        ("no resistors", "darlington", "silicon", "kind_darlington", two, {}),
        (SCHOTTKY_CLAMP, "bjt", clamped, "kind_clamped", {**si, **clamp}, {}),
    )
    return tuple(
        _make(name, kind, material, weight, latent, darlington=kind == "darlington", **more)
        for name, kind, material, weight, latent, more in rows
    )


def _not_bipolar() -> tuple[Structure, ...]:
    schottky = _of(priors()["schottky_v"])

    # two junctions of one die: a common drop, and a few millivolt between them
    def twins(centre: float, sd: float) -> dict[str, tuple[float, float]]:
        return {"v_be_extra": (centre, 0.006), "v_bc_extra": (centre, 0.006), "v_pair": (0.0, sd)}

    silicon = twins(*_silicon())
    channel = {"ln_r_ce": (log(250.0), 0.7)}
    rows = (
        ("two diodes", "silicon", "kind_two_diodes", silicon, "two diodes with a common lead read"),
        ("two Schottky diodes", "Schottky", "kind_two_schottky", twins(*schottky),
         "two Schottky diodes with a common lead read"),
        ("junction FET", "silicon", "kind_junction_fet", {**silicon, **channel},
         "a junction FET (two gate junctions and a channel) reads"),
        ("one junction", "silicon", "kind_one_junction", {"v_bc_extra": _silicon()},
         "a MOSFET (body diode) or a thyristor (gate), one junction and a lead that shows nothing, reads"),
    )  # fmt: skip
    return tuple(
        _make(name, "unknown", material, weight, latent, transistor=False, remark=remark,
              draws=16 if name == "junction FET" else 8)
        for name, material, weight, latent, remark in rows
    )  # fmt: skip


@cache
def structures() -> tuple[Structure, ...]:
    """Every kind of three-lead part that is weighed."""
    return _bipolar() + _not_bipolar()


def _single_faults(p: dict[str, float]) -> list[Fault]:
    found = [Fault("none", (), p["none"])]
    for path in PATHS:
        for word in ("shorted", "leaky"):
            weight = p[f"{path.lower()}_{word}"]
            found.append(Fault(f"{path} {word}", (f"{path} {word}",), weight, ((path, word),)))
    for lead, gone in OPEN_LEADS.items():
        found.append(Fault(f"{lead} lead open", gone, p[f"{lead.lower()}_open"], (), (lead,)))
    found.append(Fault("all open", OPEN_LEADS["B"], p["all_open"], (), ("B", "C", "E")))
    found += [Fault(f"{x} soft", (f"{x} leaky",), p["soft"], soft=x) for x in ("BE", "BC")]
    found.append(Fault("BE open inside", ("BE open",), p["inner_open"], no_emitter=True))
    return found


def _faults_in_company(p: dict[str, float]) -> list[Fault]:
    def every(word: str) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
        return tuple(f"{x} {word}" for x in PATHS), tuple((x, word) for x in PATHS)

    found = []
    for name, word, weight in (
        ("all shorted", "shorted", "all_shorted"),
        ("three leaky", "leaky", "three_leaky"),
    ):
        words, resistive = every(word)
        found.append(Fault(name, words, p[weight], resistive))
    for lead, left in (("E", "BC"), ("C", "BE"), ("B", "CE")):
        for word in ("leaky", "shorted"):
            words = (*OPEN_LEADS[lead], f"{left} {word}")
            name = f"{lead} lead open, {left} {word}"
            found.append(Fault(name, words, p[f"open_{word}"], ((left, word),), (lead,)))
    for one, other in (("BE", "BC"), ("BE", "CE"), ("BC", "CE")):
        words = (f"{one} leaky", f"{other} leaky")
        resistive = ((one, "leaky"), (other, "leaky"))
        found.append(Fault(f"{one} and {other} leaky", words, p["two_leaky"], resistive))
    # beside a short the two other paths lie in parallel: one leak stands for both
    for short, leak in (("BE", "BC"), ("BC", "CE"), ("CE", "BE")):
        resistive = ((short, "shorted"), (leak, "leaky"))
        words = (f"{short} shorted", f"{leak} leaky")
        found.append(Fault(f"{short} shorted with a leak", words, p["short_leaky"], resistive))
    return found


@cache
def faults() -> tuple[Fault, ...]:
    """Every fault that is weighed, alone and in company."""
    p = {name[6:]: prior.value for name, prior in priors().items() if name.startswith("fault_")}
    return tuple(_single_faults(p) + _faults_in_company(p))


def applies(fault: Fault, structure: Structure) -> bool:
    """Whether a fault is laid out for a structure."""
    if structure.kind == "diode":
        return True
    if not structure.transistor:
        return fault.name in ("none", "all shorted") or (
            len(fault.faults) == 1
            and len(fault.resistive) == 1
            and not fault.open_leads
            and fault.resistive[0][1] == "shorted"
        )
    if fault.soft:
        return structure.name == "plain" or (structure.kind == "bjt with damper diode" and fault.soft == "BC")
    if fault.no_emitter:
        return "v_ce_diode" in structure.latent and not structure.darlington
    if len(fault.resistive) > 1 and fault.name != "all shorted":
        return structure.pairs
    if fault.open_leads and fault.resistive:
        return structure.pairs or structure.kind == "bjt with damper diode"
    return True


def short_limit_ohm() -> float:
    """Resistance below which a path is a short [ohm] (rule of thumb of the shelf)."""
    return rules()["short_below"].value


@dataclass(frozen=True)
class Span:
    """A grid over the logarithm of a resistance: centres, sd of a tile, log weight of each tile."""

    centres: tuple[float, ...]
    sd: float
    log_weights: tuple[float, ...]


@cache
def resistance_span(word: str, step: float, visible_ohm: float, highest_ohm: float) -> Span:
    """Tiles over the ohms of a short or a leak.

    Parameters
    ----------
    word : str
        'shorted' (0.2 ohm to the short limit) or 'leaky' (from there up).
    step : float
        Spacing of tile centres in ln(ohm) [1].
    visible_ohm, highest_ohm : float
        What diode mode can show, and where the grid ends [ohm]; between them the prior density is
        that of hidden leaks.
    """
    edge = log(short_limit_ohm())
    low, high = (log(0.2), edge) if word == "shorted" else (edge, log(highest_ohm))
    count = max(2, round((high - low) / step))
    width = (high - low) / count
    centres = tuple(low + (k + 0.5) * width for k in range(count))
    seen = log(visible_ohm)
    hidden = log(priors()["hidden_leak_density"].value)
    full = (min(high, seen) - low) if word == "leaky" else high - low
    return Span(
        centres,
        0.5 * width,
        tuple(log(width / full) + (hidden if word == "leaky" and c > seen else 0.0) for c in centres),
    )
