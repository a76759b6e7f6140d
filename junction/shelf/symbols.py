"""Letter symbols and test conditions that the tables may use, with quantity and sensible range.

The letter symbols are those of IEC 60747 and of the JEDEC registrations.  The ranges are wide: they are
there to catch a wrong unit (a leakage of 15 A, a base-emitter voltage of 650 V), not to judge a part.
"""

from __future__ import annotations

from math import isnan, nan

from junction.base.errors import UnitError
from junction.base.units import parse_quantity, unit_factor
from junction.shelf.results import Limit
from junction.shelf.tables import Row

#: symbol -> (quantity, lowest and highest sensible value in the SI unit)
LIMIT_SYMBOLS: dict[str, tuple[str, float, float]] = {
    "h_FE": ("ratio", 0.5, 1e6), "h_fe": ("ratio", 0.5, 1e6),
    "V_CE(sat)": ("voltage", 0.01, 20), "V_BE(on)": ("voltage", 0.05, 10),
    "V_BE(sat)": ("voltage", 0.05, 10), "V_CES": ("voltage", 1, 3000), "V_CER": ("voltage", 1, 3000),
    "V_CEX": ("voltage", 1, 3000), "I_CBO": ("current", 1e-13, 0.1), "I_CEO": ("current", 1e-13, 0.1),
    "I_CEX": ("current", 1e-13, 0.1), "I_CES": ("current", 1e-13, 0.1), "I_EBO": ("current", 1e-13, 0.1),
    "f_T": ("frequency", 1e4, 1e11), "f_hfb": ("frequency", 1e3, 1e11), "C_ob": ("capacitance", 1e-14, 1e-8),
    "I_S/b": ("current", 1e-3, 200), "V_F": ("voltage", 0.05, 20), "I_R": ("current", 1e-13, 0.1),
    "V_BR": ("voltage", 1, 2e4), "V_Z": ("voltage", 0.5, 1000), "Z_ZT": ("resistance", 0.01, 1e5),
    "Z_ZK": ("resistance", 0.01, 1e5), "I_ZM": ("current", 1e-4, 100), "C": ("capacitance", 1e-14, 1e-7),
    "t_rr": ("time", 1e-11, 1e-3),
}  # fmt: skip

#: matching limits of duals and complementary pairs, same layout
DUAL_SYMBOLS: dict[str, tuple[str, float, float]] = {
    "h_FE1/h_FE2": ("ratio", 0.1, 1), "h_FE match": ("ratio", 0.001, 1), "I_C1/I_E2": ("ratio", 0.1, 10),
    "|V_BE1-V_BE2|": ("voltage", 1e-6, 0.1), "|change of V_BE1-V_BE2|": ("voltage", 1e-6, 0.1),
    "|d(V_BE1-V_BE2)/dT|": ("voltage/K", 1e-9, 1e-3),
}  # fmt: skip

#: maximum ratings: heading in the types tables -> (symbol, SI unit, lowest and highest sensible value)
RATINGS: dict[str, tuple[str, str, float, float]] = {
    "V_CBO_V": ("V_CBO", "V", 1, 3000), "V_CEO_V": ("V_CEO", "V", 1, 3000),
    "V_EBO_V": ("V_EBO", "V", 0.5, 100),
    "I_C_A": ("I_C", "A", 1e-3, 500), "I_CM_A": ("I_CM", "A", 1e-3, 1000),
    "P_tot_W": ("P_tot", "W", 0.01, 1000),
    "R_thJC_K_per_W": ("R_thJC", "K/W", 0.05, 500), "R_thJA_K_per_W": ("R_thJA", "K/W", 1, 2000),
    "R_thJL_K_per_W": ("R_thJL", "K/W", 0.5, 1000), "T_j_C": ("T_j", "C", 50, 300),
    "V_RRM_V": ("V_RRM", "V", 1, 2e4), "V_R_V": ("V_R", "V", 1, 2e4), "I_F_A": ("I_F", "A", 1e-3, 1000),
    "I_FSM_A": ("I_FSM", "A", 0.01, 2e4),
}  # fmt: skip

#: condition as written in a table -> (key in Limit.at, quantity)
CONDITIONS: dict[str, tuple[str, str]] = {
    "IC": ("ic_A", "current"), "ICmax": ("ic_max_A", "current"), "IB": ("ib_A", "current"),
    "IE": ("ie_A", "current"), "VCE": ("vce_V", "voltage"), "VCB": ("vcb_V", "voltage"),
    "VEB": ("veb_V", "voltage"), "RBE": ("rbe_ohm", "resistance"), "IF": ("if_A", "current"),
    "VR": ("vr_V", "voltage"), "IR": ("ir_A", "current"), "IZ": ("iz_A", "current"),
    "f": ("f_Hz", "frequency"), "t": ("t_s", "time"), "T": ("temp_C", "temperature"),
    "Tend": ("temp_end_C", "temperature"),
}  # fmt: skip

SI_UNITS = {"ratio": "", "voltage": "V", "current": "A", "frequency": "Hz", "capacitance": "F",
            "resistance": "ohm", "time": "s", "voltage/K": "V/K"}  # fmt: skip

BASES = (
    "published", "from memory", "secondary", "common practice, no source", "claim, not a limit",
)  # fmt: skip


def conditions(row: Row, column: str = "at") -> dict[str, float]:
    """Conditions of a limit, ``IC=4A VCE=4V``, by key of `CONDITIONS` in SI units.

    Raises
    ------
    ShelfError
        A condition that is not known, stands twice, or has no value with a unit.
    """
    found: dict[str, float] = {}
    for word in row.text(column).split():
        name, equals, value = word.partition("=")
        if not equals or name not in CONDITIONS:
            raise row.fault(
                column, f"{word!r} is not name=value with one of the names {', '.join(CONDITIONS)}"
            )
        key, quantity = CONDITIONS[name]
        if key in found:
            raise row.fault(column, f"{name} stands twice")
        try:
            found[key] = parse_quantity(value, quantity)
        except UnitError as error:
            raise row.fault(column, f"{name}: {error}") from error
    return found


def thermal_reference(row: Row, column: str = "P_tot_at") -> dict[str, float]:
    """Reference of a power rating, ``case 25C``, as ``{"case_C": 25.0}`` ({} when empty).

    Raises
    ------
    ShelfError
        Not case, ambient or lead and a temperature with its unit.
    """
    text = row.text(column)
    if not text:
        return {}
    where, _, value = text.partition(" ")
    if where not in ("case", "ambient", "lead"):
        raise row.fault(column, f"{text!r}: case, ambient or lead and a temperature was expected, 'case 25C'")
    try:
        temp_C = parse_quantity(value, "temperature")
    except UnitError as error:
        raise row.fault(column, str(error)) from error
    return {f"{where}_C": temp_C}


def limit_of(row: Row, symbols: dict[str, tuple[str, float, float]], source: str, basis: str) -> Limit:
    """One limit from a row of a limits table.

    Parameters
    ----------
    row : Row
    symbols : dict
        `LIMIT_SYMBOLS` or `DUAL_SYMBOLS`.
    source, basis : str
        Taken where the row leaves its own empty.

    Raises
    ------
    ShelfError
        Any fault, with line and column.
    """
    symbol = row.text("symbol", needed=True)
    if symbol not in symbols:
        raise row.fault("symbol", f"{symbol!r} is not one of: {', '.join(symbols)}")
    quantity, low, high = symbols[symbol]
    factor = _factor(row, quantity)
    values = [row.number(side, low=-1e12, high=1e12) * factor for side in ("min", "typ", "max")]
    if all(isnan(value) for value in values):
        raise row.fault("min", "min, typ and max are all empty")
    for side, value in zip(("min", "typ", "max"), values, strict=True):
        # one part in 1e9 for the rounding of the factor
        if not isnan(value) and not low * (1 - 1e-9) <= value <= high * (1 + 1e-9):
            shown = f"{value:g} {SI_UNITS[quantity]}"
            raise row.fault(side, f"{shown} is no sensible {symbol}; is the unit right?")
    known = [value for value in values if not isnan(value)]
    if known != sorted(known):
        raise row.fault("min", "min, typ and max must rise")
    return Limit(
        symbol=symbol, low=values[0], typical=values[1], high=values[2], unit=SI_UNITS[quantity],
        at=conditions(row), source=row.text("source") or source,
        basis=row.text("basis", among=BASES) or basis,
    )  # fmt: skip


def _factor(row: Row, quantity: str) -> float:
    unit = row.text("unit")
    try:
        if quantity == "voltage/K":
            if not unit.endswith("/K"):
                raise UnitError(f"{unit!r} is not a voltage per kelvin; write it in uV/K")
            return unit_factor(unit[:-2], "voltage")
        return unit_factor(unit, quantity)
    except UnitError as error:
        raise row.fault("unit", str(error)) from error


def rating_of(row: Row, heading: str, source: str, basis: str) -> Limit | None:
    """One maximum rating from a cell of a types table, or None where the cell is empty."""
    symbol, unit, low, high = RATINGS[heading]
    value = row.number(heading, low=low, high=high)
    if isnan(value):
        return None
    at = thermal_reference(row) if symbol == "P_tot" else {}
    return Limit(symbol=symbol, low=nan, high=value, unit=unit, at=at, source=source, basis=basis)
