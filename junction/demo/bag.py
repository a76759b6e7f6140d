"""An invented bag for the demo: parts pulled from a public-address amplifier that never existed.

The story.  The picture house of Quennel Vale, an invented valley, has closed; its public-address
amplifier, two channels of paralleled output devices, went silent in one channel.  The bench has pulled the
small parts into one bag, measured them with a multimeter in diode mode and swept the doubtful ones, and
has curves of two dozen new output devices from which sets are to be matched.  No such house,
amplifier or bench exists; every number is simulated: healthy and broken parts are put
together from the junction, network and transistor laws of `junction.physics`, and noise, rounding and the
current limit are added after it.  Every random number comes from one generator, so a seed fixes every
digit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from junction.base.units import thermal_voltage
from junction.physics import junction as law
from junction.physics.network import Network
from junction.physics.temperature import saturation_current, transistor_parameters
from junction.physics.transistor import currents
from junction.shelf.tables import default_meter

LABEL = (
    "# Invented and simulated: the public-address amplifier of the picture house in Quennel Vale.",
    "# There is no such place, and no part here was ever on a bench: junction demo made the numbers.",
)
_WIDE = ("B-E", "E-B", "B-C", "C-B", "C-E", "E-C")

SMALL, DRIVER, OUTPUT, GERMANIUM = 2e-14, 2e-13, 3e-12, 8e-7  # saturation currents at 25 degC [A]
#: Relative gain error of the simulated meter, and the relative noise of the sweep box's ammeter [1].
METER_GAIN, AMMETER_NOISE = 0.003, 0.002
#: Noise of the sweep box's voltmeter [V] and the last digit of its lowest current range [A].
VOLTMETER_NOISE_V, LAST_DIGIT_A = 0.0003, 1e-9
SHORT_OHM = 0.4


# --- instruments ----------------------------------------------------------------------------------------

#: A kind of element, its nodes and its values, as `junction.physics.network.Network` takes them.
Element = tuple[str, tuple[int, ...], tuple[float, ...]]


@dataclass(frozen=True)
class BenchPart:
    """A part between the leads of a meter: leads are nodes 0, 1, 2 (B, C, E; a diode is 0 = A, 1 = K).

    Node 3 is the inner base of a Darlington.
    """

    tag: str
    type: str
    elements: tuple[Element, ...]
    note: str = ""
    pnp: bool = False
    nodes: int = 3


def conductance(p: int, q: int, ohm: float) -> Element:
    """Path of a resistance [ohm] between two nodes."""
    return "path", (p, q), (1.0 / ohm,)


def transistor(is_A: float, bf: float = 150.0, br: float = 4.0, nodes: Sequence[int] = (0, 1, 2)) -> Element:
    """Ebers-Moll transistor between base, collector and emitter nodes."""
    return "transistor", tuple(nodes), (is_A, bf, br)


def diode(is_A: float, n: float) -> Element:
    """Junction from node 0 to node 1."""
    return "diode", (0, 1), (is_A, n * float(thermal_voltage(25.0)))


def diode_mode(part: BenchPart, red: int, black: int, rng: np.random.Generator) -> str:
    """What the commonest meter shows, as it is written down: volts to the last digit, or OL."""
    meter = default_meter()
    if part.pnp:
        red, black = black, red
    network = Network(float(thermal_voltage(22.0)), part.nodes)
    for kind, nodes, values in part.elements:
        getattr(network, kind)(*nodes, *(np.array([float(x)]) for x in values))
    shown_V = network.read(
        np.array([red]), np.array([black]), open_V=meter.open_voltage_V, current_A=meter.test_current_A,
        resistance_ohm=meter.resistance_ohm if meter.source_kind == "resistance" else 0.0,
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


# --- the story ------------------------------------------------------------------------------------------


TRANSISTORS = (
    BenchPart("Q01", "BC547B", (transistor(SMALL),), "microphone stage"),
    BenchPart("Q02", "BC547B", (transistor(SMALL), conductance(0, 1, 1200.0)), "microphone stage; noisy"),
    BenchPart("Q03", "BC557B", (transistor(SMALL),), "microphone stage", pnp=True),
    BenchPart("Q04", "AC128", (transistor(GERMANIUM, 80, 8),), "line input; the oldest", pnp=True),
    BenchPart("Q05", "BD139", (transistor(DRIVER, 90),), "driver; live channel"),
    BenchPart("Q06", "BD140", (diode(DRIVER, 1.0),), "driver; silent channel", pnp=True),
    BenchPart("Q07", "2N3055", (transistor(OUTPUT, 50), conductance(1, 2, SHORT_OHM)),
              "output; silent channel"),
    BenchPart("Q08", "MJ2955", (transistor(OUTPUT, 50), conductance(0, 1, SHORT_OHM)),
              "output; silent channel", pnp=True),
    BenchPart("Q09", "2N3055", (transistor(OUTPUT, 50),), "output; live channel"),
    BenchPart("Q10", "MJ2955", (transistor(OUTPUT, 60),), "output; live channel", pnp=True),
    BenchPart("Q11", "TIP122",
              (transistor(DRIVER, 80, 3, (0, 1, 3)), transistor(OUTPUT, 60, 2, (3, 1, 2)),
               conductance(0, 3, 7000.0), conductance(3, 2, 70.0)), "relay driver", nodes=4),
    BenchPart("Q12", "BC547B", (diode(SMALL, 1.0),), "tone stage"),  # its emitter is gone, as that of Q06
)  # fmt: skip
DIODES = (
    BenchPart("D01", "1N5404", (diode(2e-9, 1.75),)),
    BenchPart("D02", "1N5404", (diode(2e-9, 1.75), conductance(0, 1, SHORT_OHM))),
    BenchPart("D03", "1N5404", (diode(2e-9, 1.75), conductance(0, 1, 330.0))),
    BenchPart("D04", "1N4148", (diode(2.5e-9, 1.8),)),
    BenchPart("D05", "1N5819", (diode(8e-7, 1.05),)),
    BenchPart("D06", "1N4007", (diode(1e-30, 1.8),)),
)
UNMARKED = (  # read by lead number
    BenchPart("U01", "", (transistor(SMALL, 200, 5, (1, 2, 0)),), "type worn off"),
    BenchPart("U02", "", (transistor(DRIVER, 90, 5, (2, 1, 0)),), "type worn off", pnp=True),
)

#: part, junction, type, temperature [degC] or None, junction.  Q09 reads healthy on the meter.
SWEPT: tuple[tuple[str, str, str, float | None, SweptJunction], ...] = (
    ("Q09", "BE", "2N3055", 22.4, SweptJunction(OUTPUT, 1.02, 0.08, 9e7, to_V=0.72, limit_A=0.1)),
    ("Q09", "BC", "2N3055", 22.4,
     SweptJunction(OUTPUT, 1.02, 0.05, 15e3, from_V=-20, to_V=0.72, limit_A=0.1)),
    ("Q10", "BE", "MJ2955", 22.6, SweptJunction(OUTPUT, 1.03, 0.08, 2e8, to_V=0.72, limit_A=0.1)),
    ("Q10", "BC", "MJ2955", 22.6,
     SweptJunction(OUTPUT, 1.02, 0.05, 3e8, from_V=-20, to_V=0.72, limit_A=0.1)),
    ("S01", "BE", "", 22.1, SweptJunction(SMALL, 1.03, 1.2, 1.5e6, to_V=0.78)),
    ("S02", "BE", "BC557B", 22.1, SweptJunction(SMALL, 1.03, 1.5, to_V=0.78)),
    ("S02", "BC", "BC557B", 22.1, SweptJunction(SMALL, 1.02, 1.0, from_V=-20, to_V=0.78)),
    ("S03", "AK", "1N4740A", 22.3, SweptJunction(3e-15, 1.05, 2.0, 5e8, 10.0, from_V=-10.03, to_V=0.85)),
    ("S04", "AK", "", 22.3, SweptJunction(4e-21, 1.75, 3.0, from_V=-4, to_V=2.0)),
    ("S05", "AK", "1N4004", None,
     SweptJunction(1.5e-9, 1.75, 0.05, 22e3, from_V=-20, to_V=0.8, limit_A=0.05)),
    ("S06", "BE", "BD139", 22.2,
     SweptJunction(rs_ohm=0.01, shunt_ohm=3.1, from_V=-0.1, to_V=0.1, limit_A=0.05)),
    ("S07", "AK", "1N5408", 22.2, SweptJunction(from_V=-20, to_V=1.2)),
)  # fmt: skip


def _table(headings: tuple[str, ...], rows: list[tuple[str, ...]], *notes: str) -> str:
    lines = [*LABEL, *(f"# {note}" for note in notes), ",".join(headings), *(",".join(row) for row in rows)]
    return "\n".join(lines) + "\n"


def _cells(part: BenchPart, leads: str, placements: Sequence[str], rng: np.random.Generator) -> list[str]:
    """What the meter shows at each placement."""
    return [diode_mode(part, leads.index(p[0]), leads.index(p[2]), rng) for p in placements]


def _wide_readings(rng: np.random.Generator) -> str:
    rows = [(p.tag, p.type, *_cells(p, "BCE", _WIDE, rng), "22", p.note) for p in TRANSISTORS]
    # Slips of the pen, as every bench book has them: they must come back with a reason, not vanish.
    rows.append(("Q13", "BC547B", "0.6S2", "OL", "0.648", "OL", "OL", "OL", "22", "tone stage"))
    rows.append(("Q14", "BC547B", "655", "OL", "0.652", "OL", "OL", "OL", "22", "tone stage"))
    headings = ("part", "type", *_WIDE, "temp_C", "note")
    return _table(headings, rows, "Multimeter in diode mode, parts out of circuit; red probe first, V.")


def _long_readings(rng: np.random.Generator) -> str:
    rows = []
    for p in DIODES:
        for leads, value in zip(("AK", "KA"), _cells(p, "AK", ("A-K", "K-A"), rng), strict=True):
            rows.append((p.tag, p.type, *leads, value if value == "OL" else f"{value} V"))
    rows.append(("D07", "1N4148", "A", "K", "612 mA"))
    headings = ("part", "type", "red", "black", "value")
    return _table(headings, rows, "Multimeter in diode mode, one reading a row.")


def _number_readings(rng: np.random.Generator) -> str:
    placements = ("1-2", "1-3", "2-1", "2-3", "3-1", "3-2")
    rows = [(p.tag, *_cells(p, "123", placements, rng), p.note) for p in UNMARKED]
    headings = ("part", *placements, "note")
    return _table(headings, rows, "Unmarked parts: leads numbered as they lie on the bench.")


def _sweeps(rng: np.random.Generator) -> str:
    rows = []
    for tag, name, type_, temp, junction in SWEPT:
        v, i = sweep(junction, 23.0 if temp is None else temp, rng)
        shown = "" if temp is None else f"{temp:g}"
        rows += [(tag, name, type_, f"{a:.4f}", f"{b:.4g}", shown) for a, b in zip(v, i, strict=True)]
    rows.insert(30, ("Q09", "BE", "2N3055", "0.3O1", "1.2e-05", "22.4"))
    headings = ("part", "junction", "type", "v_V", "i_A", "temp_C")
    return _table(headings, rows, "Sweep box: p side against n side, current limited.")


def _curves(rng: np.random.Generator) -> str:
    """Two dozen output devices: spreads of IS, BF, IKF and VAF as one delivery may have them."""
    rows = []
    for prefix, type_, sign, is_A, bf in (("N", "MJ15003", 1, 4e-12, 75), ("P", "MJ15004", -1, 6e-12, 85)):
        for k in range(12):
            params = {
                "IS": is_A * np.exp(rng.normal(0, 0.25)), "NF": 1.0, "BF": bf * np.exp(rng.normal(0, 0.18)),
                "ISE": 3e-11 * np.exp(rng.normal(0, 0.3)), "NE": 1.7, "IKF": 9 * np.exp(rng.normal(0, 0.1)),
                "VAF": 120.0, "RE": 0.012, "RB": 0.9, "RC": 0.03,
            }  # fmt: skip
            temp = round(22.0 + 0.15 * k + rng.normal(0, 0.2), 1)
            vbe, ib, ic = gummel(params, 5.0, np.linspace(0.44, 0.72, 29), temp, rng)
            keep = ic < 3.0
            rows += [
                (f"{prefix}{k + 1:02d}", type_, f"{sign * 5.0:.1f}", f"{sign * a:.4f}", f"{sign * b:.4g}",
                 f"{sign * c:.4g}", f"{temp:g}")
                for a, b, c in zip(vbe[keep], ib[keep], ic[keep], strict=True)
            ]  # fmt: skip
    headings = ("part", "type", "vce_V", "vbe_V", "ib_A", "ic_A", "temp_C")
    return _table(headings, rows, "Curve tracer, new output devices, pulsed; PNP logged with its own signs.")


def demo_files(seed: int) -> dict[str, str]:
    """The whole bag as CSV files.

    Parameters
    ----------
    seed : int
        Draws the measurement noise and the spread of the output devices; the story stays.

    Returns
    -------
    dict of str to str
        File name to text.  Each file starts by saying that it is invented and simulated.
    """
    rngs = np.random.default_rng(seed).spawn(5)
    return {
        "transistors.csv": _wide_readings(rngs[0]),
        "diodes.csv": _long_readings(rngs[1]),
        "unmarked.csv": _number_readings(rngs[2]),
        "sweeps.csv": _sweeps(rngs[3]),
        "output-devices.csv": _curves(rngs[4]),
    }
