"""Simulated instruments of the demo: a multimeter in diode mode, a sweep box, a curve tracer.

Healthy and broken parts are put together from the junction, network and transistor laws of
`junction.physics`; noise, rounding and the current limit are added after it.  Every random number comes
from the generator that is handed in, so a seed fixes every digit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from junction.base.constants import thermal_voltage
from junction.physics import junction as law
from junction.physics.network import Network
from junction.physics.temperature import saturation_current, transistor_parameters
from junction.physics.transistor import currents
from junction.shelf.results import Meter

#: Relative gain error of the simulated meter, and the relative noise of the sweep box's ammeter [1].
METER_GAIN, AMMETER_NOISE = 0.003, 0.002
#: Noise of the sweep box's voltmeter [V] and the last digit of its lowest current range [A].
VOLTMETER_NOISE_V, LAST_DIGIT_A = 0.0003, 1e-9
SHORT_OHM = 0.4


#: A kind of element, its nodes and its values, as `junction.physics.network.Network` takes them.
Element = tuple[str, tuple[int, ...], tuple[float, ...]]


@dataclass(frozen=True)
class BenchPart:
    """A part between the leads of a meter: leads are nodes 0, 1, 2 (B, C, E; a diode is 0 = A, 1 = K)."""

    tag: str
    elements: tuple[Element, ...]
    nodes: int = 3
    pnp: bool = False
    columns: dict[str, str] = field(default_factory=dict)


def conductance(p: int, q: int, ohm: float) -> Element:
    """Path of a resistance [ohm] between two nodes."""
    return "path", (p, q), (1.0 / ohm,)


def transistor(is_A: float, bf: float = 150.0, br: float = 4.0, nodes: Sequence[int] = (0, 1, 2)) -> Element:
    """Ebers-Moll transistor between base, collector and emitter nodes."""
    return "transistor", tuple(nodes), (is_A, bf, br)


def diode(is_A: float, n: float, nodes: Sequence[int] = (0, 1), temp_C: float = 25.0) -> Element:
    """Junction from anode to cathode node."""
    return "diode", tuple(nodes), (is_A, n * float(thermal_voltage(temp_C)))


def darlington(is_driver_A: float, is_output_A: float, r1_ohm: float, r2_ohm: float) -> tuple[Element, ...]:
    """Two transistors with their built-in base-emitter resistors; node 3 is inside."""
    return (
        transistor(is_driver_A, 80, 3, (0, 1, 3)), transistor(is_output_A, 60, 2, (3, 1, 2)),
        conductance(0, 3, r1_ohm), conductance(3, 2, r2_ohm),
    )  # fmt: skip


def diode_mode(part: BenchPart, red: int, black: int, meter: Meter, rng: np.random.Generator) -> str:
    """What the meter shows, as it is written down: volts to the last digit, or OL."""
    if part.pnp:
        red, black = black, red
    network = Network(float(thermal_voltage(22.0)), part.nodes)
    for kind, nodes, values in part.elements:
        getattr(network, kind)(*nodes, *(np.array([float(x)]) for x in values))
    resistive = meter.source_kind == "resistance"
    shown_V = network.read(
        np.array([red]), np.array([black]), open_V=meter.open_voltage_V, current_A=meter.test_current_A,
        resistance_ohm=meter.resistance_ohm if resistive else 0.0,
    )[0]  # fmt: skip
    v = float(shown_V[0]) * (1 + rng.normal(0, METER_GAIN))
    if v > meter.over_range_V:
        return "OL"
    return f"{max(round(v / meter.resolution_V), 0) * meter.resolution_V:.3f}"


@dataclass(frozen=True)
class SweptJunction:
    """Parameters at 25 degC of one junction, or of what is left of it, and how it is swept."""

    is_A: float = 0.0
    n: float = 1.0
    rs_ohm: float = 0.5
    shunt_ohm: float = np.inf
    bv_V: float = np.inf
    eg_eV: float = 1.11
    from_V: float = -5.0
    to_V: float = 0.8
    limit_A: float = 0.02
    points: int = 60


def sweep(j: SweptJunction, temp_C: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Voltage [V] and current [A] as the sweep box logs them: it stops at its current limit.

    Returns
    -------
    v_V, i_A : ndarray
        A third of the points in reverse, the rest forward.
    """
    third = j.points // 3
    reverse = np.linspace(j.from_V, 0, third, endpoint=False)
    v = np.concatenate([reverse, np.linspace(0, j.to_V, j.points - third)])
    is_A = saturation_current(j.is_A, temp_C, 25.0, j.eg_eV, 3.0) if j.is_A else 1e-30
    i = law.current(
        v, is_A, j.n, RS_ohm=j.rs_ohm, RSH_ohm=j.shunt_ohm, BV_V=j.bv_V, IBV_A=5e-3, temp_C=temp_C
    )
    keep = np.abs(i) <= j.limit_A
    v, i = v[keep], i[keep]
    i = i * (1 + rng.normal(0, AMMETER_NOISE, v.size)) + rng.normal(0, LAST_DIGIT_A, v.size)
    v = v + rng.normal(0, VOLTMETER_NOISE_V, v.size)
    step = np.maximum(LAST_DIGIT_A, 10.0 ** (np.floor(np.log10(np.maximum(np.abs(i), 1e-15))) - 3))
    return np.round(v, 4), np.round(i / step) * step


def gummel(
    params: dict[str, float], vce_V: float, vbe_V: np.ndarray, temp_C: float, rng: np.random.Generator
):
    """Collector and base current at stepped base voltages, as a curve tracer logs them.

    Returns
    -------
    vbe_V, ib_A, ic_A : ndarray
        Magnitudes.
    """
    ic, ib = currents(vbe_V, vce_V, transistor_parameters(params, temp_C), temp_C)
    noisy = [x * (1 + rng.normal(0, AMMETER_NOISE, x.size)) for x in (ib, ic)]
    return np.round(vbe_V + rng.normal(0, VOLTMETER_NOISE_V, vbe_V.size), 4), *noisy
