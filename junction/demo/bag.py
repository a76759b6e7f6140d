"""An invented bag for the demo: parts pulled from a public-address amplifier that never existed.

The story.  The picture house of Quennel Vale, an invented valley, has closed; its public-address
amplifier, two channels of paralleled output devices, went silent in one channel.  The bench has pulled the
small parts into one bag, measured them with a multimeter in diode mode and swept the doubtful ones, and
has curves of two dozen new output devices from which sets are to be matched.  No such house,
amplifier or bench exists; every number is simulated by `junction.demo.instruments`.
"""

from __future__ import annotations

import numpy as np

from junction.demo.instruments import (
    SHORT_OHM,
    BenchPart,
    SweptJunction,
    conductance,
    darlington,
    diode,
    diode_mode,
    gummel,
    sweep,
    transistor,
)
from junction.shelf.meters import default_meter

LABEL = (
    "# Invented and simulated: the public-address amplifier of the picture house in Quennel Vale.",
    "# There is no such place, and no part here was ever on a bench: junction demo made the numbers.",
)
_LEADS = ("B", "C", "E")
_WIDE = ("B-E", "E-B", "B-C", "C-B", "C-E", "E-C")

SMALL, DRIVER, OUTPUT, GERMANIUM = 2e-14, 2e-13, 3e-12, 8e-7  # saturation currents at 25 degC [A]


def transistor_parts() -> tuple[BenchPart, ...]:
    """Transistors of the bag, by lead letter."""

    def part(tag, type_, elements, *, pnp=False, nodes=3, note=""):
        return BenchPart(tag, tuple(elements), nodes, pnp, {"type": type_, "note": note})

    lost = diode(SMALL, 1.0, (0, 1))  # base-collector junction of a transistor whose emitter is gone
    return (
        part("Q01", "BC547B", [transistor(SMALL)], note="microphone stage"),
        part("Q02", "BC547B", [transistor(SMALL), conductance(0, 1, 1200.0)],
             note="microphone stage; noisy"),
        part("Q03", "BC557B", [transistor(SMALL)], pnp=True, note="microphone stage"),
        part("Q04", "AC128", [transistor(GERMANIUM, 80, 8)], pnp=True, note="line input; the oldest"),
        part("Q05", "BD139", [transistor(DRIVER, 90)], note="driver; live channel"),
        part("Q06", "BD140", [diode(DRIVER, 1.0, (0, 1))], pnp=True, note="driver; silent channel"),
        part("Q07", "2N3055", [transistor(OUTPUT, 50), conductance(1, 2, SHORT_OHM)],
             note="output; silent channel"),
        part("Q08", "MJ2955", [transistor(OUTPUT, 50), conductance(0, 1, SHORT_OHM)], pnp=True,
             note="output; silent channel"),
        part("Q09", "2N3055", [transistor(OUTPUT, 50)], note="output; live channel"),
        part("Q10", "MJ2955", [transistor(OUTPUT, 60)], pnp=True, note="output; live channel"),
        part("Q11", "TIP122", darlington(DRIVER, OUTPUT, 7000.0, 70.0), nodes=4, note="relay driver"),
        part("Q12", "BC547B", [lost], note="tone stage"),
    )  # fmt: skip


def diode_parts() -> tuple[BenchPart, ...]:
    """Diodes of the bag."""

    def part(tag, type_, *elements):
        return BenchPart(tag, elements, 3, False, {"type": type_})

    return (
        part("D01", "1N5404", diode(2e-9, 1.75)),
        part("D02", "1N5404", diode(2e-9, 1.75), conductance(0, 1, SHORT_OHM)),
        part("D03", "1N5404", diode(2e-9, 1.75), conductance(0, 1, 330.0)),
        part("D04", "1N4148", diode(2.5e-9, 1.8)),
        part("D05", "1N5819", diode(8e-7, 1.05)),
        part("D06", "1N4007", diode(1e-30, 1.8)),
    )


def unmarked_parts() -> tuple[BenchPart, ...]:
    """Parts whose type is worn off, read by lead number."""
    return (
        BenchPart("U01", (transistor(SMALL, 200, 5, (1, 2, 0)),), 3, False, {"note": "type worn off"}),
        BenchPart("U02", (transistor(DRIVER, 90, 5, (2, 1, 0)),), 3, True, {"note": "type worn off"}),
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


def _wide_readings(rng: np.random.Generator) -> str:
    meter = default_meter()
    rows = []
    for part in transistor_parts():
        cells = [diode_mode(part, _LEADS.index(p[0]), _LEADS.index(p[2]), meter, rng) for p in _WIDE]
        rows.append((part.tag, part.columns["type"], *cells, "22", part.columns["note"]))
    # Slips of the pen, as every bench book has them: they must come back with a reason, not vanish.
    rows.append(("Q13", "BC547B", "0.6S2", "OL", "0.648", "OL", "OL", "OL", "22", "tone stage"))
    rows.append(("Q14", "BC547B", "655", "OL", "0.652", "OL", "OL", "OL", "22", "tone stage"))
    headings = ("part", "type", *_WIDE, "temp_C", "note")
    return _table(headings, rows, "Multimeter in diode mode, parts out of circuit; red lead first, V.")


def _long_readings(rng: np.random.Generator) -> str:
    meter = default_meter()
    rows = []
    for part in diode_parts():
        for red, black in (("A", "K"), ("K", "A")):
            value = diode_mode(part, "AK".index(red), "AK".index(black), meter, rng)
            shown = value if value == "OL" else f"{value} V"
            rows.append((part.tag, part.columns["type"], red, black, shown))
    rows.append(("D07", "1N4148", "A", "K", "612 mA"))
    headings = ("part", "type", "red", "black", "value")
    return _table(headings, rows, "Multimeter in diode mode, one reading a row.")


def _number_readings(rng: np.random.Generator) -> str:
    meter = default_meter()
    placements = ("1-2", "1-3", "2-1", "2-3", "3-1", "3-2")
    rows = [
        (part.tag, *(diode_mode(part, int(p[0]) - 1, int(p[2]) - 1, meter, rng) for p in placements),
         part.columns["note"])
        for part in unmarked_parts()
    ]  # fmt: skip
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
