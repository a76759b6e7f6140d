"""From the checked cells of a row to a `PartType`; inheritance by the column ``like``."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isnan

from junction.base.errors import ShelfError
from junction.shelf.families import families
from junction.shelf.packages import packages
from junction.shelf.results import Limit, PartType
from junction.shelf.symbols import BASES, LIMIT_SYMBOLS, limit_of, rating_of
from junction.shelf.tables import Row

_BJT_RATINGS = (
    "V_CBO_V", "V_CEO_V", "V_EBO_V", "I_C_A", "I_CM_A", "P_tot_W", "R_thJC_K_per_W", "R_thJA_K_per_W",
    "T_j_C",
)  # fmt: skip
_DIODE_RATINGS = (
    "V_RRM_V", "V_R_V", "I_F_A", "I_FSM_A", "P_tot_W", "R_thJA_K_per_W", "R_thJL_K_per_W", "T_j_C",
)  # fmt: skip
_COMMON = (
    "type", "also", "registration", "material", "package", "family", "like", "standing", "notes", "source",
    "P_tot_at",
)  # fmt: skip
BJT_COLUMNS = (
    *_COMMON, "polarity", "structure", "sections", "leads", "leads_basis", "R_BE1_ohm", "R_BE2_ohm",
    "damper_diode", "complement", *_BJT_RATINGS,
)  # fmt: skip
DIODE_COLUMNS = (*_COMMON, "kind", *_DIODE_RATINGS)
LIMIT_COLUMNS = ("type", "symbol", "min", "typ", "max", "unit", "at", "basis", "source")

DIODE_KINDS = {
    "rectifier": "silicon rectifier", "fast rectifier": "silicon rectifier",
    "avalanche rectifier": "silicon rectifier", "switching": "switching diode", "Schottky": "Schottky",
    "Zener": "Zener", "point contact": "germanium point contact", "LED": "LED red",
}  # fmt: skip
_MATERIALS = ("silicon", "germanium", "Schottky", "gallium arsenide", "gallium phosphide", "gallium nitride")
_STANDINGS = ("published", "secondary", "from memory")


@dataclass
class Entry:
    """A type's row (None: only limits added to a type below) and its limit rows."""

    name: str
    device: str
    row: Row | None
    limits: list[Row] = field(default_factory=list)

    def fault(self, column: str, reason: str) -> ShelfError:
        """Error at the row that named this entry."""
        return (self.row or self.limits[0]).fault(column, reason)


def build(entry: Entry, base: PartType | None) -> PartType:
    """Part type of an entry; what its row leaves empty comes from `base`.

    Raises
    ------
    ShelfError
        Any fault of a cell, with file, line and column.
    """
    row = entry.row or Row("", 0, {})
    standing = row.text("standing", among=_STANDINGS) or ("" if base else "published")
    source = row.text("source") or (base.source if base else "")
    if not source:
        reason = "is empty; where was it read? (a book, a sheet, 'measured', 'from memory')"
        raise entry.fault("source", reason)
    secondary = standing == "secondary" or (not standing and base is not None and base.secondary)
    only_limits = base is not None and entry.row is None
    basis = standing if standing else ("secondary" if secondary else "published")
    common = {
        "name": entry.name, "device": entry.device, "secondary": secondary, "source": source,
        "also": tuple(row.text("also").split()) or (base.also if only_limits else ()),
        "limits": _limits(entry, row, base, source, basis),
        "notes": row.text("notes") or (base.notes if only_limits else ""),
    }  # fmt: skip
    if entry.device == "diode":
        return PartType(**common, **_diode_words(row, base))
    words = _bjt_words(row, base)
    words["complement"] = row.text("complement") or (base.complement if only_limits else "")
    part = PartType(**common, **words)
    _check_bjt(entry, part)
    return part


def _word(row: Row, base: PartType | None, column: str, attribute: str, among=(), needed=False) -> str:
    text = row.text(column, among=among) or (getattr(base, attribute) if base else "")
    if needed and not text:
        raise row.fault(column, f"is empty; one of {', '.join(among)} is needed")
    return text


def _limits(entry: Entry, row: Row, base: PartType | None, source: str, basis: str) -> tuple[Limit, ...]:
    headings = _BJT_RATINGS if entry.device == "bjt" else _DIODE_RATINGS
    own = [rating_of(row, heading, source, basis) for heading in headings]
    own = [limit for limit in own if limit is not None]
    own += [limit_of(limit_row, LIMIT_SYMBOLS, source, basis) for limit_row in entry.limits]
    if row.text("P_tot_at") and isnan(row.number("P_tot_W", low=0, high=1e6)) and base is None:
        raise row.fault("P_tot_at", "is given without a power")
    said = {limit.symbol for limit in own}
    kept = [limit for limit in (base.limits if base else ()) if limit.symbol not in said]
    return (*own, *kept)


def _package(row: Row, base: PartType | None) -> str:
    name = row.text("package") or (base.package if base else "")
    if name and name not in packages():
        raise row.fault("package", f"{name!r} is not one of: {', '.join(packages())}")
    return name


def _bjt_words(row: Row, base: PartType | None) -> dict[str, object]:
    package = _package(row, base)
    outline = packages().get(package)
    leads = row.text("leads") or (base.leads if base else "")
    leads_basis = row.text("leads_basis", among=BASES) or (base.leads_basis if base else "")
    if not leads and outline and outline.leads:
        leads, leads_basis = outline.leads, f"usual for the outline, {outline.basis}"
    elif row.text("leads") and not leads_basis:
        leads_basis = "published"
    structure = row.text("structure", among=("plain", "Darlington")).lower()
    structure = structure or (base.kind if base else "plain")
    polarity = _word(row, base, "polarity", "polarity", ("NPN", "PNP"), needed=True)
    material = _word(row, base, "material", "material", ("silicon", "germanium"), needed=True)
    r_be = [row.number(f"R_BE{k}_ohm", low=1, high=1e6) for k in (1, 2)]
    r_be = tuple(r for r in r_be if not isnan(r)) or (base.r_be_ohm if base else ())
    sections = row.number("sections", low=1, high=4)
    family = row.text("family", among=families()) or (base.family if base else "")
    damper = row.text("damper_diode", among=("yes", "no"))
    return {
        "kind": structure, "polarity": polarity, "material": material, "package": package, "leads": leads,
        "leads_basis": leads_basis, "r_be_ohm": r_be,
        "family": family or _bjt_family(row, material, structure, r_be),
        "damper_diode": damper == "yes" or (not damper and base is not None and base.damper_diode),
        "sections": int(sections) if not isnan(sections) else (base.sections if base else 1),
        "registration": row.text("registration") or (base.registration if base else ""),
        "case_to": outline.case_to if outline else "", "mounting": outline.mounting if outline else "",
    }  # fmt: skip


def _bjt_family(row: Row, material: str, structure: str, r_be: tuple[float, ...]) -> str:
    """Family of a user's row that names none."""
    power = row.number("P_tot_W", low=0, high=1e6)
    if material == "germanium":
        return "germanium power" if power >= 5 else "germanium small-signal"
    if structure == "darlington":
        return "silicon Darlington with resistors" if r_be else "silicon Darlington B-E path"
    big = row.text("P_tot_at").startswith("case") or power > 2 or row.number("I_C_A", low=0, high=1e6) > 1
    return "silicon power BJT" if big else "small-signal silicon BJT"


def _diode_words(row: Row, base: PartType | None) -> dict[str, object]:
    kind = _word(row, base, "kind", "kind", tuple(DIODE_KINDS), needed=True)
    package = _package(row, base)
    outline = packages().get(package)
    return {
        "kind": kind, "package": package,
        "material": _word(row, base, "material", "material", _MATERIALS, needed=True),
        "registration": row.text("registration") or (base.registration if base else ""),
        "family": row.text("family", among=families()) or (base.family if base else DIODE_KINDS[kind]),
        "mounting": outline.mounting if outline else "",
    }  # fmt: skip


def _check_bjt(entry: Entry, part: PartType) -> None:
    """Cells that only make sense together."""
    if part.leads and sorted(part.leads) != ["B", "C", "E"]:
        raise entry.fault("leads", f"{part.leads!r} is not an order of B, C and E")
    outline = packages().get(part.package)
    if outline and outline.fixed and part.leads != outline.leads:
        raise entry.fault("leads", f"{part.leads!r}, but the outline {part.package} has {outline.leads}")
    v_ceo, v_cbo = part.rating("V_CEO"), part.rating("V_CBO")
    if v_ceo > v_cbo:
        raise entry.fault("V_CEO_V", f"{v_ceo:g} V is more than V_CBO {v_cbo:g} V, which cannot be")
    if part.rating("I_C") > part.rating("I_CM"):
        raise entry.fault("I_CM_A", "the peak current is less than the continuous one")
    if part.r_be_ohm and part.kind != "darlington" and len(part.r_be_ohm) > 1:
        raise entry.fault("R_BE2_ohm", "two base-emitter resistors, but no Darlington")
