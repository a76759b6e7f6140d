"""The explanations of a two-lead part: kinds of diode and their faults.

A diode is laid out as a network with its anode on node B and its cathode on node E; the third node
touches nothing.
"""

from __future__ import annotations

from functools import cache

from junction.judge.hypotheses import Fault, Structure
from junction.judge.hypotheses_priors import priors
from junction.shelf.families import families

#: family of the shelf -> (weight, material); the weights are our assumption
_KINDS = {
    "silicon rectifier": (0.40, "silicon"),
    "switching diode": (0.20, "silicon"),
    "Schottky": (0.12, "Schottky"),
    "germanium point contact": (0.05, "germanium"),
    "LED infra-red": (0.03, "gallium arsenide"),
    "LED red": (0.06, "gallium arsenide phosphide"),
    "LED yellow or green": (0.02, "gallium phosphide"),
    "LED blue or white": (0.004, "gallium nitride"),
}


def _structure(name: str, family: str, material: str, weight: float, **more) -> Structure:
    shelf = families()[family]
    centre, sd = (shelf.vf_low_V + shelf.vf_high_V) / 2, (shelf.vf_high_V - shelf.vf_low_V) / 4
    ohms = shelf.leak_at_V / shelf.leak_max_A
    latent = {"v_be_extra": (centre, sd), **more.pop("latent", {})}
    return Structure(
        name, "diode", material, weight, latent, transistor=False, leak_limit_ohm=(ohms, ohms), **more
    )


@cache
def diode_structures() -> tuple[Structure, ...]:
    """Kinds of diode, with the forward windows and leak limits of their families."""
    found = [_structure(family, family, material, weight) for family, (weight, material) in _KINDS.items()]
    found.append(
        _structure(
            "Zener",
            "Zener",
            "silicon",
            0.04,
            latent={"v_eb_extra": (2.6, 0.7)},
            remark="a Zener diode of a few volts, or a diode with a leak, reads",
        )
    )
    return tuple(found)


@cache
def diode_faults() -> tuple[Fault, ...]:
    """None, shorted, leaky, open."""
    p = priors()
    found = [Fault("none", (), p["fault_none"].value)]
    for word, weight in (("shorted", 0.15), ("leaky", 0.05)):
        found.append(Fault(f"AK {word}", (f"AK {word}",), weight, (("AK", word),)))
    found.append(Fault("AK open", ("AK open",), 0.15, (), ("B", "E")))
    return tuple(found)
