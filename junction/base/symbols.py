"""One table of names: what a quantity is called in code, in print, and in which unit.

``unit`` is the SI unit the number carries inside junction; ``display`` the unit a technician reads it in,
prefix included; the letter symbols are those of IEC 60747-1 and JEDEC, and of a SPICE card for model
parameters.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Symbol:
    """Name and units of one quantity; `factor` turns the SI value into the display unit."""

    name: str  # key in code and JSON
    symbol: str  # letter symbol in print
    unit: str  # SI unit inside; '1' for a pure number
    display: str  # unit in print; '' for a pure number
    factor: float  # value in display unit = value in SI unit * factor
    description: str
    spice: str = ""  # name on a SPICE .model card, '' where it has none


def _table(*rows: tuple) -> dict[str, Symbol]:
    return {row[0]: Symbol(*row) for row in rows}


#: Parameters of a junction fit, by the names of `fit.results.PARAMETERS`.
JUNCTION = _table(
    ("IS_A", "I_S", "A", "A", 1.0, "saturation current", "IS"),
    ("N", "N", "1", "", 1.0, "emission coefficient (ideality)", "N"),
    ("RS_ohm", "R_S", "ohm", "ohm", 1.0, "series resistance", "RS"),
    ("RSH_ohm", "R_SH", "ohm", "ohm", 1.0, "shunt (leakage) resistance", ""),
    ("ISR_A", "I_SR", "A", "A", 1.0, "recombination saturation current", "ISR"),
    ("NR", "N_R", "1", "", 1.0, "recombination emission coefficient", "NR"),
    ("IPH_A", "I_PH", "A", "A", 1.0, "photocurrent", ""),
    ("BV_V", "V_BR", "V", "V", 1.0, "breakdown voltage at IBV", "BV"),
    ("IBV_A", "I_BR", "A", "A", 1.0, "current at the breakdown voltage", "IBV"),
    ("NBV", "N_BV", "1", "", 1.0, "breakdown emission coefficient", "NBV"),
    ("R_ohm", "R", "ohm", "ohm", 1.0, "resistance of a path that is a resistor", ""),
    ("I0_A", "I_0", "A", "A", 1.0, "current offset of the ammeter", ""),
)

#: Dc Gummel-Poon parameters, by their SPICE names.
TRANSISTOR = _table(
    ("IS", "I_S", "A", "A", 1.0, "transport saturation current", "IS"),
    ("NF", "N_F", "1", "", 1.0, "forward emission coefficient", "NF"),
    ("BF", "B_F", "1", "", 1.0, "ideal forward gain", "BF"),
    ("ISE", "I_SE", "A", "A", 1.0, "base-emitter leakage saturation current", "ISE"),
    ("NE", "N_E", "1", "", 1.0, "base-emitter leakage emission coefficient", "NE"),
    ("IKF", "I_KF", "A", "A", 1.0, "corner of the fall of gain at high current", "IKF"),
    ("VAF", "V_AF", "V", "V", 1.0, "forward Early voltage", "VAF"),
    ("NR", "N_R", "1", "", 1.0, "reverse emission coefficient", "NR"),
    ("BR", "B_R", "1", "", 1.0, "ideal reverse gain", "BR"),
    ("ISC", "I_SC", "A", "A", 1.0, "base-collector leakage saturation current", "ISC"),
    ("NC", "N_C", "1", "", 1.0, "base-collector leakage emission coefficient", "NC"),
    ("IKR", "I_KR", "A", "A", 1.0, "corner of the reverse gain at high current", "IKR"),
    ("VAR", "V_AR", "V", "V", 1.0, "reverse Early voltage", "VAR"),
    ("RE", "r_E", "ohm", "ohm", 1.0, "emitter resistance", "RE"),
    ("RB", "r_B", "ohm", "ohm", 1.0, "base resistance", "RB"),
    ("RC", "r_C", "ohm", "ohm", 1.0, "collector resistance", "RC"),
    ("EG", "E_G", "eV", "eV", 1.0, "energy gap of the temperature law", "EG"),
    ("XTI", "XTI", "1", "", 1.0, "temperature exponent of the saturation current", "XTI"),
    ("XTB", "XTB", "1", "", 1.0, "temperature exponent of the gain", "XTB"),
)

#: Operating and derived quantities.
DERIVED = _table(
    ("v_V", "V", "V", "mV", 1e3, "voltage of the p side against the n side"),
    ("i_A", "I", "A", "mA", 1e3, "current into the p side"),
    ("vf_V", "V_F", "V", "mV", 1e3, "forward voltage"),
    ("if_A", "I_F", "A", "mA", 1e3, "forward current"),
    ("vr_V", "V_R", "V", "V", 1.0, "reverse voltage"),
    ("ir_A", "I_R", "A", "uA", 1e6, "reverse current"),
    ("rd_ohm", "r_d", "ohm", "ohm", 1.0, "differential resistance"),
    ("vbe_V", "V_BE", "V", "mV", 1e3, "base-emitter voltage"),
    ("dvbe_V", "ΔV_BE", "V", "mV", 1e3, "difference of base-emitter voltages"),
    ("vce_V", "V_CE", "V", "V", 1.0, "collector-emitter voltage"),
    ("vce_sat_V", "V_CE(sat)", "V", "mV", 1e3, "collector-emitter saturation voltage"),
    ("ic_A", "I_C", "A", "mA", 1e3, "collector current"),
    ("ib_A", "I_B", "A", "mA", 1e3, "base current"),
    ("hfe", "h_FE", "1", "", 1.0, "dc forward current gain"),
    ("icbo_A", "I_CBO", "A", "uA", 1e6, "collector-base cut-off current, emitter open"),
    ("iceo_A", "I_CEO", "A", "uA", 1e6, "collector-emitter cut-off current, base open"),
    ("iebo_A", "I_EBO", "A", "uA", 1e6, "emitter-base cut-off current, collector open"),
    ("temp_C", "T", "degC", "°C", 1.0, "temperature"),
    ("heating_K", "ΔT", "K", "K", 1.0, "self-heating over the measurement"),
    ("rth_K_per_W", "R_th", "K/W", "K/W", 1.0, "thermal resistance"),
)


def symbol(name: str) -> Symbol:
    """Look a name up: junction parameter first, then transistor parameter, then derived quantity.

    Parameters
    ----------
    name : str
        Key of `JUNCTION`, `TRANSISTOR` or `DERIVED`.

    Returns
    -------
    Symbol

    Raises
    ------
    KeyError
        If no table holds the name.
    """
    for table in (JUNCTION, TRANSISTOR, DERIVED):
        if name in table:
            return table[name]
    raise KeyError(f"no quantity is called {name!r}")
