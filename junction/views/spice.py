"""SPICE model cards of fitted junctions and transistors.

A junction becomes a ``D`` card.  What a diode card has no letter for (a shunt, a second exponential, a
photocurrent) goes into a sub-circuit beside it, since leaving it out would draw another curve.  The shunt
lies across the junction itself, behind RS, as in the model that was fitted.  The second exponential is a
second ideal diode: the ISR of a diode card is scaled by the depletion width and would not be the same.
"""

from __future__ import annotations

import re
from math import isfinite

from junction.base.number import interval
from junction.fit.results import IBV_A, FitReport, FitRow, TransistorRow
from junction.show import blocks as b

#: SPICE's own names, in the order of a card.
_DIODE = (("IS_A", "IS"), ("N", "N"), ("RS_ohm", "RS"), ("BV_V", "BV"), ("IBV_A", "IBV"),
          ("NBV", "NBV"))  # fmt: skip
_TRANSISTOR = ("IS", "NF", "BF", "ISE", "NE", "IKF", "VAF", "BR", "RE", "RB", "RC", "EG", "XTB")
_ASCII = str.maketrans({"µ": "u", "±": "+"})


def card_name(*words: str) -> str:
    """A name every SPICE reads: letters, digits and underscores, a letter first."""
    name = "_".join(re.sub(r"[^A-Za-z0-9]+", "_", w).strip("_") for w in words if w)
    return name if name[:1].isalpha() else f"X{name}"


def _model(name: str, kind: str, values: dict[str, float], temp_C: float) -> str:
    given = " ".join(f"{key}={value:.7g}" for key, value in values.items())
    return f".model {name} {kind}({given} TNOM={temp_C:g})"


def _measured_at(row) -> str:
    return f"{row.temp_C:g} C" + ("" if row.temp_known else " (taken, not measured)")


def diode_card(name: str, row: FitRow) -> str:
    """Card of one junction, comments first; '' for a path that is no junction."""
    fit, p = row.fit, row.fit.parameters
    known = {key: it.value for key, it in p.items() if isfinite(it.value)}
    if "IS_A" not in known or "N" not in known or "unphysical" in fit.flags:
        return ""
    lines = [f"* {b.visible(row.part)} {row.junction}: {fit.model}, fitted at {_measured_at(fit)}"]
    for key, it in p.items():
        if key not in known and (isfinite(it.low) or isfinite(it.high)):
            limit = interval(it).translate(_ASCII)
            lines.append(f"* {key.partition('_')[0]} {limit}: a limit, left out of the card")
    known |= {"IBV_A": IBV_A} if "BV_V" in known else {}
    card = {spice: known[key] for key, spice in _DIODE if key in known}
    lines.append(_model(name, "D", card, fit.temp_C))
    if not known.keys() & {"RSH_ohm", "IPH_A", "ISR_A"}:
        return "\n".join(lines)
    series = card.pop("RS", 0.0)
    node = "j" if series > 0 else "a"
    lines.append(f".subckt {name}_path a k")
    if series > 0:
        lines.append(f"RS1 a j {series:.7g}")
    lines += [f"D1 {node} k {name}_j", _model(f"{name}_j", "D", card, fit.temp_C)]
    if "ISR_A" in known and "NR" in known:
        ideal = {"IS": known["ISR_A"], "N": known["NR"]}
        lines += [f"D2 {node} k {name}_r", _model(f"{name}_r", "D", ideal, fit.temp_C)]
    if "RSH_ohm" in known:
        lines.append(f"RSH1 {node} k {known['RSH_ohm']:.7g}")
    if "IPH_A" in known:
        lines.append(f"IPH1 k {node} DC {known['IPH_A']:.7g}")
    return "\n".join([*lines, ".ends"])


def transistor_card(name: str, row: TransistorRow) -> str:
    """Card of one transistor fitted from its curves; '' where there is no fit."""
    if row.why_not:
        return ""
    values = {key: row.card[key] for key in _TRANSISTOR if key in row.card}
    held = f"; held at defaults: {', '.join(row.held)}" if row.held else ""
    return "\n".join((
        f"* {b.visible(row.part)}: from curves, {row.ic_low_A:.3g} A to {row.ic_high_A:.3g} A, "
        f"measured at {_measured_at(row)}, referred to 25 C{held}",
        _model(name, row.polarity or "NPN", values, 25.0),
    ))  # fmt: skip


def cards(report: FitReport) -> dict[tuple[str, str], str]:
    """Card of every sweep and transistor, by part and junction ('' for a transistor)."""
    out: dict[tuple[str, str], str] = {}
    used: set[str] = set()
    for row in (*report.transistors, *report.rows):
        swept = isinstance(row, FitRow)
        base = card_name(row.part, row.junction if swept and row.junction != "AK" else "")
        name, number = base, 2
        while name.lower() in used:
            name, number = f"{base}_{number}", number + 1
        used.add(name.lower())
        text = diode_card(name, row) if swept else transistor_card(name, row)
        if text:
            key = (row.part, row.junction if swept else "")
            out[key] = f"{out[key]}\n{text}" if key in out else text
    return out


def model_file(report: FitReport) -> str:
    """All cards as one file to include in a deck."""
    head = "* SPICE model cards from measured sweeps; each holds over the currents that were measured only.\n"
    return head + "\n\n".join(cards(report).values()) + "\n"
