"""The explanations of a two-lead part: kinds of diode and their faults.

A diode is laid out as a network with its anode on node B and its cathode on node E; the third node
touches nothing.
"""

from __future__ import annotations

from functools import cache

from junction.leads.hypotheses import Fault, Structure
from junction.leads.hypotheses_priors import priors
from junction.shelf.families import families

#: family of the shelf -> material
_KINDS = {
    "silicon rectifier": "silicon",
    "switching diode": "silicon",
    "Schottky": "Schottky",
    "germanium point contact": "germanium",
    "LED infra-red": "gallium arsenide",
    "LED red": "gallium arsenide phosphide",
    "LED yellow or green": "gallium phosphide",
    "LED blue or white": "gallium nitride",
}


def _structure(family: str, material: str, **more) -> Structure:
    shelf = families()[family]
    centre, sd = (shelf.vf_low_V + shelf.vf_high_V) / 2, (shelf.vf_high_V - shelf.vf_low_V) / 4
    ohms = shelf.leak_at_V / shelf.leak_max_A
    latent = {"v_be_extra": (centre, sd), **more.pop("latent", {})}
    weight = priors()[f"diode {family}"].value
    return Structure(
        family, "diode", material, weight, latent, transistor=False, leak_limit_ohm=(ohms, ohms), **more
    )


@cache
def diode_structures() -> tuple[Structure, ...]:
    """Kinds of diode, with the forward windows and leak limits of their families."""
    remark = "a Zener diode of a few volts, or a diode with a leak, reads"
    zener = _structure("Zener", "silicon", latent={"v_eb_extra": (2.6, 0.7)}, remark=remark)
    return (*(_structure(family, material) for family, material in _KINDS.items()), zener)


@cache
def diode_faults(*, in_circuit: bool = False) -> tuple[Fault, ...]:
    """None, shorted, leaky, open; in circuit also sound or open with a path of the circuit beside it."""
    p = priors()
    found = [Fault("none", (), p["fault_none"].value)]
    for word in ("shorted", "leaky"):
        found.append(Fault(f"AK {word}", (f"AK {word}",), p[f"diode_{word}"].value, (("AK", word),)))
    dead = p["diode_open"].value
    found.append(Fault("AK open", ("AK open",), dead, (), ("B", "E")))
    if in_circuit:
        present, low = p["parallel_present"].value, p["parallel_low"].value
        for word, share in (("leaky", 1 - low), ("shorted", low)):
            beside = (("AK", word),)
            sound = p["fault_none"].value * present * share
            found.append(Fault(f"path beside, {word}", (), sound, beside))
            gone = dead * present * share
            found.append(Fault(f"AK open, path beside, {word}", ("AK open",), gone, beside, no_emitter=True))
    return tuple(found)
