"""Registered limits and ratings: letter symbols, a row to a limit, power at a temperature, the dc safe area.

The letter symbols are those of IEC 60747 and of the JEDEC registrations.  The ranges are wide: they are
there to catch a wrong unit (a leakage of 15 A, a base-emitter voltage of 650 V), not to judge a part.

The power rating falls in a straight line from its reference temperature to nothing at the highest
junction temperature; the slope is one over the thermal resistance (Malvino, Electronic Principles,
example 12-14; Floyd, Electronic Devices, example 4.7).  The dc safe area is bounded by I_C, by the power
hyperbola, by V_CEO, and by second breakdown where the type's test line for it is on the shelf.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from math import isnan, log, nan
from types import MappingProxyType, SimpleNamespace

from junction.base.errors import UnitError
from junction.base.units import QUANTITIES, parse_quantity, unit_factor
from junction.shelf.results import Limit, PartType
from junction.shelf.tables import Row, records, reference_rows


@cache
def symbols(use: str) -> Mapping[str, SimpleNamespace]:
    """Letter symbols by use: 'limit', 'dual' or 'condition' (reference/symbols.csv)."""
    return MappingProxyType({name: one for name, one in records("symbols").items() if one.use == use})


def limit_of(row: Row, source: str, basis: str, use: str = "limit") -> Limit:
    """One limit from a row of a limits table; `source` and `basis` where the row leaves its own empty.

    Raises
    ------
    ShelfError
        Any fault, with line and column.
    """
    cells = row.values("limits_bjt")
    known, name = symbols(use), cells["symbol"]
    if name not in known:
        raise row.fault("symbol", f"{name!r} is not one of: {', '.join(known)}")
    symbol = known[name]
    quantity, _, per = symbol.quantity.partition("/")
    unit = QUANTITIES[quantity][1] + (f"/{per}" if per else "")
    try:
        if per and not cells["unit"].endswith(f"/{per}"):
            raise UnitError(f"{cells['unit']!r} is not a voltage per kelvin; write it in uV/K")
        factor = unit_factor(cells["unit"].removesuffix(f"/{per}"), quantity)
    except UnitError as error:
        raise row.fault("unit", str(error)) from error
    sides = {side: cells[side] * factor for side in ("min", "typ", "max") if not isnan(cells[side])}
    if not sides:
        raise row.fault("min", "min, typ and max are all empty")
    for side, value in sides.items():
        # one part in 1e9 for the rounding of the factor
        if not symbol.low * (1 - 1e-9) <= value <= symbol.high * (1 + 1e-9):
            raise row.fault(side, f"{value:g} {unit} is no sensible {name}; is the unit right?")
    if list(sides.values()) != sorted(sides.values()):
        raise row.fault("min", "min, typ and max must rise")
    return Limit(
        name, sides.get("min", nan), sides.get("max", nan), _conditions(row, cells["at"]),
        cells["source"] or source, cells["basis"] or basis, sides.get("typ", nan),
    )  # fmt: skip


def _conditions(row: Row, written: str) -> dict[str, float]:
    """Conditions of a limit, ``IC=4A VCE=4V``, in SI units."""
    found: dict[str, float] = {}
    known = symbols("condition")
    for word in written.split():
        name, equals, value = word.partition("=")
        if not equals or name not in known:
            raise row.fault("at", f"{word!r} is not name=value with one of the names {', '.join(known)}")
        if known[name].field in found:
            raise row.fault("at", f"{name} stands twice")
        try:
            found[known[name].field] = parse_quantity(value, known[name].quantity)
        except UnitError as error:
            raise row.fault("at", f"{name}: {error}") from error
    return found


@cache
def matched_duals() -> Mapping[str, tuple[Limit, ...]]:
    """Matching limits of matched duals and complementary pairs by name, the yardstick of a grade.

    The h_FE ratio is lower over higher; differences are magnitudes.  One without limits is not matched.
    """
    found: dict[str, tuple[Limit, ...]] = dict.fromkeys(records("matched_duals"), ())
    for row in reference_rows("limits_duals"):
        name = row.cells["type"]
        limit = limit_of(row, records("matched_duals")[name].source, "published", "dual")
        found[name] = (*found[name], limit)
    return MappingProxyType(found)


_THERMAL = {"case": "R_thJC", "ambient": "R_thJA", "lead": "R_thJL"}


def power_reference(part: PartType) -> tuple[str, float]:
    """Where the registered power holds: ('case', 25.0) ...; ('', nan) when it is not said."""
    for limit in part.find("P_tot"):
        for key, temp_C in limit.at.items():
            return key.removesuffix("_C"), temp_C
    return "", nan


def power_at_W(part: PartType, where: str, temp_C: float) -> float:
    """Largest dissipation at a case, ambient or lead temperature.

    Parameters
    ----------
    part : PartType
    where : str
        'case', 'ambient' or 'lead'.
    temp_C : float
        Temperature there [degC].

    Returns
    -------
    float
        Power [W]; nan where the ratings do not tell.  Below the reference temperature of the rating it is
        the rating itself, which a lower temperature does not raise.  Where the rating holds elsewhere, the
        thermal resistance to that place is taken.
    """
    place, ref_C = power_reference(part)
    tj_C, rated_W = part.rating("T_j"), part.rating("P_tot")
    if place == where and not isnan(rated_W):
        if temp_C <= ref_C:
            return rated_W
        if isnan(tj_C):
            return nan
        return max(0.0, rated_W * (tj_C - temp_C) / (tj_C - ref_C))
    rth = part.rating(_THERMAL[where])
    if isnan(rth) or isnan(tj_C):
        return nan
    return max(0.0, (tj_C - temp_C) / rth)


def safe_current_A(part: PartType, vce_V: float, temp_C: float = 25.0, where: str = "case") -> float:
    """Largest dc collector current at a collector-emitter voltage.

    Parameters
    ----------
    part : PartType
    vce_V : float
        Collector-emitter voltage, magnitude [V].
    temp_C : float
        Case (or ambient, lead) temperature [degC].
    where : str
        'case', 'ambient' or 'lead'.

    Returns
    -------
    float
        Current [A]; 0 above V_CEO; nan where I_C or the power is not known.  Second breakdown lowers it
        only where its test lines are known; above the highest voltage tested the power tested there bounds
        it, because second breakdown falls faster than constant power.
    """
    if vce_V > part.rating("V_CEO"):
        return 0.0
    power = power_at_W(part, where, temp_C)
    current = part.rating("I_C")
    if isnan(power) or isnan(current):
        return nan
    found = min(current, power / vce_V) if vce_V > 0 else current
    breakdown = second_breakdown_line(part, vce_V)
    return found if isnan(breakdown) else min(found, breakdown)


def second_breakdown_A(part: PartType, vce_V: float) -> float:
    """Current that the type is tested to stand without second breakdown at a voltage, at least.

    The current falls as the voltage rises, so what is tested at a higher voltage holds at a lower one.

    Returns
    -------
    float
        Current [A] of the best test line at `vce_V` or above; nan where there is none.
    """
    points = [limit.low for limit in part.find("I_S/b") if limit.at.get("vce_V", nan) >= vce_V]
    return max(points, default=nan)


def second_breakdown_line(part: PartType, vce_V: float) -> float:
    """Straight line on logarithmic axes through a type's second-breakdown test lines.

    Returns
    -------
    float
        Current [A]; above the highest voltage tested that of the power tested there, an upper bound; nan
        below the lowest, where the power hyperbola bounds, and nan where nothing is known.
    """
    points = sorted((limit.at["vce_V"], limit.low) for limit in part.find("I_S/b") if "vce_V" in limit.at)
    for (v_low, i_low), (v_high, i_high) in zip(points, points[1:], strict=False):
        if v_low <= vce_V <= v_high:
            share = log(vce_V / v_low) / log(v_high / v_low) if v_high > v_low else 0.0
            return i_low ** (1 - share) * i_high**share
    if not points or vce_V < points[-1][0]:
        return nan
    return points[-1][1] * points[-1][0] / vce_V
