"""What stands beside the junctions of a bag by design and is no leak: it is taken out before they are judged.

A voltmeter's input that lies in parallel with the part loads all parts of a bag alike: the same path, to a
few percent, across junctions that have nothing else in common. A transistor with a damper diode has a
resistor of some tens of ohms from base to emitter, and a sound junction behind it. Either is a conductance:
its current is subtracted from the points, and what is left is fitted again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from junction.base.records import SweepTable
from junction.shelf.names import number_family
from junction.shelf.tables import PartType, records, rule
from junction.sweeps.results import MODELS, SweepFits

_DAMPER = "damper diode and base-emitter resistor"  # row of kinds.csv
_JUNCTIONS = [k for k, name in enumerate(MODELS) if name.startswith("junction")]


@dataclass(frozen=True, eq=False)
class Beside:
    """Sweeps without what is no part of their junctions, and what that was."""

    table: SweepTable
    fits: SweepFits
    floor_ohm: np.ndarray  # (n,) more than this could hide beside what was taken out, else nan [ohm]
    own_ohm: np.ndarray  # (n,) a base-emitter resistor of the part's own, nan where there is none [ohm]
    input_ohm: float  # input of the instrument that all parts share, nan where none shows [ohm]


def taken_out(
    table: SweepTable, fits: SweepFits, types: Callable[[str], PartType | None],
    refit: Callable[[SweepTable], SweepFits],
) -> Beside:  # fmt: skip
    """Take out of the sweeps of a bag what stands beside their junctions.

    Parameters
    ----------
    table : SweepTable
    fits : SweepFits
        Of its sweeps.
    types : callable
        From a marking to its registered type or None.
    refit : callable
        Fits of a table of sweeps, as `fits` were made.

    Returns
    -------
    Beside
        The same table and fits where nothing is to be taken out.
    """
    shared = input_of_all(table, fits)
    seen, alike = path_ohm(fits), rule("beside_alike")
    loaded = seen <= (1.0 + alike) * shared  # a nan compares as no
    floor = np.where(loaded, shared / alike, np.nan)
    if loaded.any():
        # where nothing else shows, what the sweep itself says of the input: its own scale is in it
        most = np.where(seen < (1.0 - alike) * shared, shared, seen)
        table = _without(table, np.where(loaded, most, np.nan))
        fits = refit(table)
    own = _own_resistor(table, fits, types)
    some = np.isfinite(own)
    if some.any():
        # what is left must be a junction: a short of that size leaves noise
        left = refit(_without(table, own).keep(some))
        n, sound = left.value["N"], np.isin(left.model, _JUNCTIONS) & left.flags["converged"]
        own[some] = np.where(sound & (n > rule("believed_n_low")) & (n < 2.0), own[some], np.nan)
        if np.isfinite(own).any():
            table = _without(table, own)
            fits = refit(table)
    return Beside(table, fits, floor, own, shared)


def path_ohm(fits: SweepFits) -> np.ndarray:
    """Fitted resistance beside or in place of each junction [ohm], nan where none is held."""
    with np.errstate(invalid="ignore"):
        whole = np.where(np.isfinite(fits.value["RSH_ohm"]), fits.value["RSH_ohm"], fits.value["R_ohm"])
        return np.where(whole > 0, whole, np.nan)


def input_of_all(table: SweepTable, fits: SweepFits) -> float:
    """Resistance that the parts of a bag have in common [ohm], nan where they have none.

    At least `beside_parts` parts, and nearly all of those that show a path of its size or could, must agree
    within `beside_alike`: no leak does.
    """
    ohm, names = path_ohm(fits), np.array(table.part, object)
    clear = np.flatnonzero(ohm > rule("beside_least"))
    if len(set(names[clear])) < rule("beside_parts"):
        return np.nan
    middle = float(np.median(ohm[clear]))
    alike = clear[np.abs(np.log(ohm[clear] / middle)) < rule("beside_alike")]
    # a sweep that would have shown it and did not speaks against it
    against = np.isnan(ohm) & (np.fmax(fits.low["RSH_ohm"], fits.low["R_ohm"]) > 2.0 * middle)
    against[clear] = np.abs(np.log(ohm[clear] / middle)) >= rule("beside_alike")
    # less than the input is a leak beside it
    against &= ~(ohm < middle)
    if len(set(names[alike])) < rule("beside_parts") or against.sum() > 0.1 * alike.size:
        return np.nan
    return float(np.median(ohm[alike]))


def damper_by(name: str, part_type: PartType | None) -> bool:
    """Whether a marking is that of a transistor with damper diode, by the shelf or by its number."""
    if part_type is not None:
        return part_type.damper_diode and part_type.kind.lower() != "darlington"
    told = number_family(name) if name else None
    return told is not None and _DAMPER in told.kinds


def _own_resistor(table: SweepTable, fits: SweepFits, types: Callable) -> np.ndarray:
    """Resistance across base and emitter of the size that damper transistors have, through zero [ohm]."""
    own, ohm, window = np.full(len(table), np.nan), path_ohm(fits), records("priors")["r_be_damper"]
    near = (ohm > 0.7 * window.low) & (ohm < 1.4 * window.high)
    for k in np.flatnonzero(near & (np.array(table.junction, object) == "BE")):
        name = table.type[k]
        part_type = types(name) if name else None
        if part_type is not None and not damper_by(name, part_type):
            continue
        at = table.points(k)
        v, i = table.v_V[at], table.i_A[at]
        low = np.abs(v) < rule("beside_below")
        power = float((v[low] * i[low]).sum())
        value = float((v[low] ** 2).sum()) / power if power > 0 else np.nan
        own[k] = value if window.low <= value <= window.high else np.nan
    return own


def _without(table: SweepTable, ohm: np.ndarray) -> SweepTable:
    """Table with the currents of some resistances (n,) taken off its sweeps."""
    each = np.where(np.isfinite(ohm), 1.0 / ohm, 0.0)
    return replace(table, i_A=table.i_A - np.repeat(each, np.diff(table.starts)) * table.v_V)
