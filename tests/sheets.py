"""What sheets allow, for truths that are drawn: never read from the tables that the judge reads.

Limits and ratings of types come from the copies under external/data, typed from the sheets a second time with
their sources; the few that those have no column for, and what a family is, stand here.
"""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from math import inf
from pathlib import Path

DATA = Path(__file__).parent / "external" / "data"


@dataclass(frozen=True)
class Family:
    """What a healthy junction of a family keeps at 25 degC."""

    name: str
    device: str
    vf_low_V: float  # at 1 mA
    vf_high_V: float
    n_low: float
    n_high: float
    rs_high_ohm: float
    leak_max_A: float
    leak_at_V: float


#: Leaks by the sheets named; windows at 1 mA, idealities and resistances: common practice, no source.
FAMILIES = (
    # I_EBO 100 nA at 5 V: BC546, makers' sheets, characteristics; V_BE(sat) 0.95 V: 2N3904, JEDEC registered
    Family("small-signal silicon BJT", "bjt", 0.52, 0.8, 0.95, 1.6, 40, 1e-7, 5),
    # I_EBO 0.1 mA at 5 V: MJ15003, sheet, off characteristics
    Family("silicon power BJT", "bjt", 0.4, 0.75, 0.95, 1.6, 8, 1e-4, 5),
    # I_EBO 100 nA at 10 V, V_BE(on) 1.4 V at 10 mA: BC517, sheet, characteristics
    Family("silicon Darlington B-E path", "bjt", 0.95, 1.45, 1.8, 3.2, 25, 1e-7, 10),
    # I_EBO 2 mA at 5 V: TIP120 to TIP122, TIP140 to TIP142, sheets, off characteristics
    Family("silicon Darlington with resistors", "bjt", 0.5, 1.1, 0.95, 3.2, 250, 2e-3, 5),
    # I_CBO 5 uA at 12 V: 2N404, JEDEC registered; four times that: larger types of the time, from memory
    Family("germanium small-signal", "bjt", 0.08, 0.4, 0.95, 1.6, 150, 2e-5, 5),
    Family("germanium power", "bjt", 0.05, 0.35, 0.95, 1.6, 20, 5e-4, 5),  # 0.1 to 1 mA, from memory
    # I_R 5 uA: early 1N914, from memory; 25 nA at 20 V today: 1N4148, sheet
    Family("switching diode", "diode", 0.46, 0.74, 1.0, 2.2, 30, 5e-6, 20),
    # twice the I_R of 1N4001 to 1N4007, sheets, electrical characteristics
    Family("silicon rectifier", "diode", 0.38, 0.7, 0.95, 2.2, 0.6, 1e-5, 5),
    # I_R 1 mA at 20 V: 1N5817, sheet, electrical characteristics
    Family("Schottky", "diode", 0.08, 0.42, 0.95, 1.5, 50, 1e-3, 20),
    Family("germanium point contact", "diode", 0.15, 0.5, 1.0, 2.6, 100, 1e-4, 10),  # 1N34A, from memory
    # I_R 150 uA at 1 V, the loosest: 1N4728A, sheet, table of types
    Family("Zener", "diode", 0.5, 0.8, 0.95, 2.0, 5, 1.5e-4, 1),
    Family("LED infra-red", "diode", 0.85, 1.35, 1.0, 2.5, 20, 1e-4, 5),
    Family("LED red", "diode", 1.35, 2.05, 1.0, 4.0, 40, 1e-4, 5),
    Family("LED yellow or green", "diode", 1.55, 2.3, 1.0, 4.0, 60, 1e-4, 5),
    Family("LED blue or white", "diode", 2.1, 3.1, 1.0, 5.0, 60, 1e-4, 5),
)
#: Types that have no row of their own: 1N4448, maker's sheet, electrical characteristics (1N914B has the same
#: limits); a gain group of BC337, maker's sheet, table of h_FE groups.
_OTHERS = {
    "1N4448": ("1N914", {"vf1_max_v": "0.72", "vf1_if_a": "0.005", "vf2_max_v": "1", "vf2_if_a": "0.1",
                         "ir1_max_a": "25e-9", "ir1_vr_v": "20", "ir2_max_a": "5e-6", "ir2_vr_v": "75",
                         "vrrm_v": "100", "vr_v": "75"}),
    "BC337-25": ("BC337", {"hfe1_min": "160", "hfe1_max": "400"}),
    "BD249C": ("BD249C", {"vcbo_v": ""}),  # 115 V is V_CER, with 100 ohm
}  # fmt: skip
#: A second row of V_BE(on): largest drop [V] at a collector current [A], makers' sheets, characteristics.
_SECOND_DROP = {**{f"BC{n}": (0.77, 0.01) for n in range(546, 551)},
                **{f"BC{n}": (0.80, 0.01) for n in range(556, 561)},
                "TIP35C": (4.0, 25.0), "BD249C": (4.0, 25.0), "2N3904": (0.95, 0.05)}  # fmt: skip


@dataclass(frozen=True)
class Sheet:
    """Of a junction of a type: (current [A], voltage [V]) pairs that it must keep, and its rating."""

    leaks: tuple = ()
    drops: tuple = ()
    rating_V: float = inf
    zener: tuple = ()  # V_Z at I_Z


@cache
def rows() -> dict[str, dict]:
    """The typed rows of all types by name, figures as text in SI units."""
    found = {}
    for name in ("sheets_bjt", "sheets_diode"):
        with (DATA / f"{name}.csv").open(encoding="utf-8") as file:
            found |= {row["type"]: row for row in csv.DictReader(file)}
    order = list(found)
    order.insert(order.index("1N914") + 1, "1N4448")
    found |= {name: found[like] | changed for name, (like, changed) in _OTHERS.items()}
    return {name: found[name] for name in [*order, "BC337-25"]}


def _pairs(row: dict, *columns: tuple[str, str]) -> Iterator[tuple[float, float]]:
    return ((float(row[a]), float(row[b])) for a, b in columns if row.get(a) and row.get(b))


@cache
def sheet(name: str, junction: str) -> Sheet:
    """What is registered of a junction of a type."""
    row = rows()[name]
    leaks, ratings, zener = [], [], []
    drops = []
    if junction == "AK":
        leaks = _pairs(row, ("ir1_max_a", "ir1_vr_v"), ("ir2_max_a", "ir2_vr_v"))
        drops = _pairs(row, ("vf1_if_a", "vf1_max_v"), ("vf2_if_a", "vf2_max_v"))
        ratings, zener = [row["vrrm_v"], row["vr_v"]], _pairs(row, ("vz_nom_v", "izt_a"))
    elif junction == "BE":
        leaks, ratings = _pairs(row, ("iebo_max_a", "iebo_veb_v")), [row["vebo_v"]]
        drops = ((amps, volts) for volts, amps in base_limits(name, saturated=False))
    else:
        leaks, ratings = _pairs(row, ("icbo_max_a", "icbo_vcb_v")), [row["vcbo_v"]]
    return Sheet(tuple(leaks), tuple(drops), min([float(x) for x in ratings if x] or [inf]),
                 next(iter(zener), ()))  # fmt: skip


def base_limits(name: str, saturated: bool = True) -> list[tuple[float, float]]:
    """Registered largest V_BE [V] of a transistor with its collector current [A], on or saturated as well."""
    found = list(_pairs(rows()[name], ("vbeon_max_v", "vbeon_ic_a")))
    second = _SECOND_DROP.get(name) or _SECOND_DROP.get(name.rstrip("ABC"))
    if second and (found or saturated):
        found.append(second)
    return found + list(_pairs(rows()[name], ("vbesat_max_v", "vbesat_ic_a"))) * saturated


def gain_range(name: str) -> list[tuple[float, float, float]]:
    """Registered (least, largest) gain and the current [A] of each line of a type."""
    row = rows()[name]
    return [(float(row[f"hfe{k}_min"] or 0), float(row[f"hfe{k}_max"] or inf), float(row[f"hfe{k}_ic_a"]))
            for k in "1234" if row[f"hfe{k}_ic_a"]]  # fmt: skip


def limit_of_type(name: str, junction: str) -> tuple[float, float] | None:
    """The first leak limit of a type, (current [A], voltage [V]), or None."""
    return next(iter(sheet(name, junction).leaks), None)
