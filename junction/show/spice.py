"""SPICE model cards of fitted junctions and transistors.

A junction becomes a ``D`` card.  What a diode card has no letter for (a shunt, a second exponential, a
photocurrent) goes into a sub-circuit beside it, since leaving it out would draw another curve.  The shunt
lies across the junction itself, behind RS, as in the model that was fitted.  The second exponential is a
second ideal diode: the ISR of a diode card is scaled by the depletion width and would not be the same.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from math import isfinite

from junction.base.number import interval
from junction.base.records import Interval
from junction.fit.results import FitReport, FitRow, TransistorRow
from junction.show.text import visible

#: SPICE's own names, in the order of a card.
_DIODE = (("IS_A", "IS"), ("N", "N"), ("RS_ohm", "RS"), ("BV_V", "BV"), ("NBV", "NBV"))
_TRANSISTOR = ("IS", "NF", "BF", "ISE", "NE", "IKF", "VAF", "BR", "RE", "RB", "RC", "EG", "XTB")


def card_name(*words: str) -> str:
    """A name every SPICE reads: letters, digits and underscores, a letter first."""
    name = "_".join(re.sub(r"[^A-Za-z0-9]+", "_", w).strip("_") for w in words if w)
    return name if name[:1].isalpha() else f"X{name}"


def _values(pairs: Iterable[tuple[str, float]]) -> str:
    return " ".join(f"{name}={value:.7g}" for name, value in pairs)


def _known(parameters: Mapping[str, Interval], name: str) -> float | None:
    it = parameters.get(name)
    return it.value if it is not None and isfinite(it.value) else None


def diode_card(name: str, row: FitRow, breakdown_at_A: float | None = None) -> str:
    """Card of one junction; '' for a path that is no junction.

    Parameters
    ----------
    name : str
    row : FitRow
    breakdown_at_A : float, optional
        Current at which BV holds [A] (IBV of the card).

    Returns
    -------
    str
        Lines of the card, comments first.
    """
    p = row.fit.parameters
    if _known(p, "IS_A") is None or _known(p, "N") is None or "unphysical" in row.fit.flags:
        return ""
    taken = "" if row.fit.temp_known else " (taken, not measured)"
    lines = [f"* {visible(row.part)} {row.junction}: {row.fit.model}, fitted at {row.fit.temp_C:g} C{taken}"]
    for key, it in p.items():
        if not isfinite(it.value) and (isfinite(it.low) or isfinite(it.high)):
            limit = interval(it).translate(_ASCII)
            lines.append(f"* {key.partition('_')[0]} {limit}: a limit, left out of the card")
    pairs = [(spice, _known(p, key)) for key, spice in _DIODE]
    if _known(p, "BV_V") is not None and breakdown_at_A is not None:
        pairs.insert(4, ("IBV", breakdown_at_A))
    given = [(n, v) for n, v in pairs if v is not None]
    lines.append(f".model {name} D({_values(given)} TNOM={row.fit.temp_C:g})")
    return "\n".join(lines + _subcircuit(name, p, given, row.fit.temp_C))


_ASCII = str.maketrans({"µ": "u", "±": "+"})


def _subcircuit(
    name: str, p: Mapping[str, Interval], given: list[tuple[str, float]], temp_C: float
) -> list[str]:
    shunt, light = _known(p, "RSH_ohm"), _known(p, "IPH_A")
    second, slope = _known(p, "ISR_A"), _known(p, "NR")
    if shunt is None and light is None and second is None:
        return []
    series = dict(given).get("RS", 0.0)
    inner = [(n, v) for n, v in given if n != "RS"]
    lines = [f".subckt {name}_path a k"]
    node = "a"
    if series > 0:
        node = "j"
        lines.append(f"RS1 a j {series:.7g}")
    lines += [f"D1 {node} k {name}_j", f".model {name}_j D({_values(inner)} TNOM={temp_C:g})"]
    if second is not None and slope is not None:
        ideal = _values([("IS", second), ("N", slope)])
        lines += [f"D2 {node} k {name}_r", f".model {name}_r D({ideal} TNOM={temp_C:g})"]
    if shunt is not None:
        lines.append(f"RSH1 {node} k {shunt:.7g}")
    if light is not None:
        lines.append(f"IPH1 k {node} DC {light:.7g}")
    return [*lines, ".ends"]


def transistor_card(name: str, row: TransistorRow) -> str:
    """Card of one transistor fitted from its curves; '' where there is no fit."""
    if row.why_not:
        return ""
    values = _values([(key, row.card[key]) for key in _TRANSISTOR if key in row.card])
    held = f"; held at defaults: {', '.join(row.held)}" if row.held else ""
    taken = "" if row.temp_known else " (taken, not measured)"
    return "\n".join((
        f"* {visible(row.part)}: from curves, {row.ic_low_A:.3g} A to {row.ic_high_A:.3g} A, "
        f"measured at {row.temp_C:g} C{taken}, referred to 25 C{held}",
        f".model {name} {row.polarity or 'NPN'}({values} TNOM=25)",
    ))  # fmt: skip


def cards(report: FitReport) -> dict[tuple[str, str], str]:
    """Card of every sweep and transistor, by part and junction ('' for a transistor)."""
    out: dict[tuple[str, str], str] = {}
    used: set[str] = set()

    def unique(*words: str) -> str:
        name = base = card_name(*words)
        number = 2
        while name.lower() in used:
            name, number = f"{base}_{number}", number + 1
        used.add(name.lower())
        return name

    for row in report.transistors:
        text = transistor_card(unique(row.part), row)
        if text:
            out[row.part, ""] = text
    for row in report.rows:
        junction = "" if row.junction == "AK" else row.junction
        text = diode_card(unique(row.part, junction), row, row.breakdown_at_A)
        if text:
            key = (row.part, row.junction)
            out[key] = f"{out[key]}\n{text}" if key in out else text
    return out


def model_file(report: FitReport) -> str:
    """All cards as one file to include in a deck."""
    head = "* SPICE model cards from measured sweeps; each holds over the currents that were measured only.\n"
    return head + "\n\n".join(cards(report).values()) + "\n"
