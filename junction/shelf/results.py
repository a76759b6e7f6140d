"""What the shelf hands out besides plain rows: registered types and their limits, meters, cautions."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import nan

from junction.base.records import not_json


@dataclass(frozen=True)
class Limit:
    """One registered limit or typical figure of a type, with the conditions it holds at.

    ``symbol`` is the JEDEC letter symbol (``V_CEO``, ``I_CBO``, ``h_FE``, ``V_BE(on)``, ``V_F``, ``I_R``,
    ``V_Z``, ``R_thJC`` ...); ``low`` and ``high`` are in SI units (temperatures [degC]), nan where the
    registration gives no such side; ``at`` holds conditions such as ``{"ic_A": 4.0, "vce_V": 4.0}``.
    """

    symbol: str
    low: float = nan
    high: float = nan
    at: dict[str, float] = field(default_factory=dict)
    source: str = ""
    basis: str = "published"  # published | from memory | secondary | common practice, no source
    typical: float = nan  # nominal or typical figure, never a limit


@dataclass(frozen=True)
class PartType:
    """A registered type: what it is and its limits."""

    name: str
    device: str  # 'bjt' or 'diode'
    kind: str  # bjt: 'plain', 'darlington'; diode: 'rectifier', 'switching', 'Schottky', 'Zener', ...
    polarity: str = ""
    material: str = ""  # 'silicon', 'germanium'
    package: str = ""
    leads: str = ""  # pin order for leads 1, 2, 3 seen as the sheet draws it, e.g. 'BCE'; '' unknown
    damper_diode: bool = False
    r_be_ohm: tuple[float, ...] = ()  # built-in base-emitter resistors, nominal
    secondary: bool = False  # rests on reference pages only: never fails a part
    family: str = ""  # key of the family it belongs to
    complement: str = ""
    limits: tuple[Limit, ...] = ()
    notes: str = ""
    source: str = ""
    also: tuple[str, ...] = ()  # other names of the same row
    sections: int = 1  # 2 for a dual; limits hold for one section
    leads_basis: str = ""  # what the lead order rests on: 'from memory', 'outline, from memory' ...
    case_to: str = ""  # lead the case or tab is joined to; 'none' insulated, '' unknown
    mounting: str = ""  # 'bolted' (to a heat sink) or 'board'

    def find(self, symbol: str) -> tuple[Limit, ...]:
        """All limits with that letter symbol."""
        return tuple(limit for limit in self.limits if limit.symbol == symbol)

    def rating(self, symbol: str) -> float:
        """Maximum rating with that letter symbol in its SI unit (T_j in degC); nan where not known."""
        return next((limit.high for limit in self.limits if limit.symbol == symbol), nan)


@dataclass(frozen=True)
class Meter:
    """A kind of multimeter in diode mode (a kind, never a brand).

    ``test_current_A`` drives the part until ``open_voltage_V`` is reached (constant-current kind), or
    ``open_voltage_V`` sits behind ``resistance_ohm``; readings over ``over_range_V`` show as OL.
    The half-width of a reading's error is ``accuracy_percent`` of reading plus ``accuracy_counts``
    times ``resolution_V``.
    """

    name: str
    source_kind: str  # 'constant current' or 'resistance'
    test_current_A: float
    open_voltage_V: float
    resistance_ohm: float
    over_range_V: float
    resolution_V: float
    accuracy_percent: float
    accuracy_counts: float
    current_spread: float = 0.2  # relative half-width of the unstated test current
    red_lead: str = "positive"  # or 'often negative' (moving coil, ohms ranges)
    basis: str = ""
    source: str = ""
    default: bool = not_json(False)  # taken where nothing is said


@dataclass(frozen=True)
class Caution:
    """A caution to show where the user acts."""

    where: str  # 'meter', 'sweep', 'in circuit', 'power-up', 'fitting', 'resistor'
    text: str
    source: str = ""
