"""Meter readings: rows of wide and long tables to one record per part.

Rows of one part may stand in several places and files; they are joined.  Three rules keep a guess from
becoming a verdict.  A placement given twice with values that differ by more than two counts of the last
digit is used neither time.  A part whose leads are named in two ways (``B-E`` and ``1-2``) keeps the way
with more readings.  What a part is said to be (type, polarity, temperature) is used only if all its
rows agree; if any row says in circuit, the part counts as in circuit.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from math import isfinite, nan
from pathlib import PurePath

from junction.base.errors import UnitError
from junction.base.records import (
    BJT_PLACEMENTS,
    NUMBER_PLACEMENTS,
    PartReadings,
    Reading,
    SetAside,
    Spot,
    plain_name,
)
from junction.base.units import shown
from junction.intake.cells import (
    NO_UNIT,
    last_digit,
    name_cell,
    polarity_cell,
    quantity_cell,
    reading_cell,
    temperature_cell,
    visible,
    yes_cell,
)
from junction.intake.headings import Column, parse_placement
from junction.intake.rows import Rows, clip, numbered_lines, set_aside, split_rows
from junction.intake.sheet import Sheet

#: Two values of one placement agree within this many counts of the coarser last digit ...
AGREE_COUNTS = 2.5  # two counts, and half of one for rounding in binary
#: ... where a diode-mode count is taken as this [V] at most, a resistance count as 0.4 % or 0.1 ohm.
COARSEST_V = 1e-3
_WHOLE, _THOUSANDTHS = re.compile(r"[0-3]"), re.compile(r"[0-9]{2,4}(?: ?V)?")
_WORD = {"temp": "temperature", "vbe": "V_BE", "hfe": "h_FE"}
_FACTS = ("type", "polarity", "temp", "in_circuit", "note", "hfe", "vbe", "ic")


@dataclass
class Cell:
    """One used cell of a row: its value, where it stands and what was written."""

    value: object
    heading: str
    text: str
    column: Column | None = None  # of a reading, for the weight of its last digit
    placement: str = ""  # of a reading, refused ones too


@dataclass
class Row:
    """One data row of a readings table."""

    file: str
    line: int
    part: str = ""
    readings: list[Cell] = field(default_factory=list)  # of Reading
    facts: dict[str, Cell] = field(default_factory=dict)
    refused: list[tuple[Cell, str]] = field(default_factory=list)

    def refuse(self, cell: Cell, reason: str) -> None:
        """Take a cell out of use."""
        self.refused.append((cell, reason))


@dataclass
class ReadingRows:
    """Rows of one file, and what was set aside before they became rows."""

    rows: list[Row]
    set_aside: list[SetAside]
    rows_read: int


def rows_of_sheet(sheet: Sheet) -> ReadingRows:
    """Read every row of a wide or long table; faulty cells are refused one by one."""
    split = split_rows(sheet, numbered_lines(sheet))
    rows = [_row(sheet, split, k) for k in range(len(split))]
    return ReadingRows(rows, split.set_aside, split.rows_read)


def _row(sheet: Sheet, split: Rows, k: int) -> Row:
    row = Row(sheet.file, int(split.line[k]))

    def text(column: Column) -> str:
        return split.cells[column.index][k]

    part = sheet.column("part")
    try:
        row.part = name_cell(text(part))
    except UnitError as error:
        row.refuse(Cell("", part.heading, text(part)), str(error))
        return row
    split_number = _split_by_comma(sheet, text)
    if split_number:
        row.refuse(Cell("", split_number[0].heading, text(split_number[0])), split_number[1])
        return row
    if sheet.form == "long readings":
        _take_long(sheet, row, text)
    else:
        for column in sheet.columns:
            if column.name == "placement" and not column.problem:
                _take_reading(sheet, row, column.placement, column, text(column))
    for name in _FACTS:
        column = sheet.column(name)
        if column and text(column).strip():
            _take_fact(sheet, row, column, text(column))
    vbe, polarity = row.facts.get("vbe"), row.facts.get("polarity")
    if vbe and polarity and vbe.value < 0 and polarity.value == "NPN":
        row.refuse(row.facts.pop("vbe"), "negative V_BE on a part marked NPN")
    return row


def _split_by_comma(sheet: Sheet, text: Callable[[Column], str]) -> tuple[Column, str] | None:
    """Find ``0,612`` that was meant as one number: taken as 0 V, it would call a good junction shorted."""
    if sheet.sep != ",":
        return None
    for column, following in zip(sheet.columns, sheet.columns[1:], strict=False):
        if column.name in ("placement", "value") and _WHOLE.fullmatch(text(column).strip()):
            rest = text(following).strip()
            if _THOUSANDTHS.fullmatch(rest):
                whole = text(column).strip()
                reason = f"{whole},{rest}: a decimal comma in a comma-separated file? write {whole}.{rest}"
                return column, f"{reason}, or use ; between cells; the row is not used"
    return None


def _take_reading(sheet: Sheet, row: Row, placement: str, column: Column, text: str) -> None:
    cell = Cell(None, column.heading, text, column, placement)
    try:
        cell.value = reading_cell(placement, text, column, sheet.mark)
    except UnitError as error:
        row.refuse(cell, str(error))
        return
    if cell.value is not None:
        row.readings.append(cell)


def _take_long(sheet: Sheet, row: Row, text: Callable[[Column], str]) -> None:
    red, black, value = (sheet.column(name) for name in ("red", "black", "value"))
    leads = text(red).strip(), text(black).strip()
    if not any((*leads, text(value).strip())):
        return  # a row of facts alone
    placement = parse_placement("-".join(leads))
    if not placement:
        reason = f"leads {shown(leads[0])} and {shown(leads[1])}: write two of B, C, E or 1, 2, 3 or A, K"
        row.refuse(Cell(None, red.heading, "-".join(leads)), reason)
        return
    _take_reading(sheet, row, placement, value, text(value))
    if not (row.readings or row.refused):
        row.refuse(Cell(None, value.heading, ""), "empty cell; a reading was expected")


def _take_fact(sheet: Sheet, row: Row, column: Column, text: str) -> None:
    cell = Cell(None, column.heading, text)
    try:
        if column.name in ("type", "note"):
            cell.value = visible(text)
        elif column.name == "polarity":
            cell.value = polarity_cell(text)
        elif column.name == "in_circuit":
            cell.value = yes_cell(text)
        elif column.name == "temp":
            cell.value = temperature_cell(text, column, sheet.mark)
        else:
            cell.value = quantity_cell(text, column, sheet.mark)
            if column.name == "hfe" and cell.value < 0:
                raise UnitError(f"{shown(text)}: h_FE cannot be negative")
            if column.name == "ic" and cell.value == 0:
                raise UnitError("a collector current of zero; write the current the reading was taken at")
    except UnitError as error:
        row.refuse(cell, str(error))
        return
    row.facts[column.name] = cell


def _spot(row: Row) -> Spot | None:
    """Spot reading of a row; a PNP's negative V_BE and I_C are turned to the sense of the records."""
    value = {n: row.facts[n].value if n in row.facts else nan for n in ("ic", "vbe", "hfe", "temp")}
    if not (isfinite(value["vbe"]) or isfinite(value["hfe"])):
        return None
    return Spot(abs(value["ic"]), abs(value["vbe"]), value["hfe"], value["temp"])


# --- joining ---------------------------------------------------------------------------------------------


def join_rows(rows: list[Row]) -> tuple[list[PartReadings], list[SetAside]]:
    """One record per part from the rows of all files, and what the joining set aside.

    Parameters
    ----------
    rows : list of Row
        In the order of the files.

    Returns
    -------
    parts : list of PartReadings
        In order of first appearance; a part of which nothing is left is not among them.
    set_aside : list of SetAside
        Cells and rows; each row of which nothing is left counts once.
    """
    by_part: dict[str, list[Row]] = {}
    for row in rows:
        if row.part:
            by_part.setdefault(row.part, []).append(row)
    parts = [p for name, own in by_part.items() if (p := _join_part(name, own)) is not None]
    return parts, _entries(rows)


def _entries(rows: list[Row]) -> list[SetAside]:
    """Set-aside list of all refused cells; a unit missing throughout a column is one entry."""
    out: list[SetAside] = []
    unitless: dict[tuple[str, str, str], list[tuple[Row, Cell, int]]] = {}
    for row in rows:
        left = bool(row.part and (row.readings or row.facts))
        for k, (cell, reason) in enumerate(row.refused):
            takes = int(k == 0 and not left)
            if reason.startswith(NO_UNIT):
                unitless.setdefault((row.file, cell.heading, reason), []).append((row, cell, takes))
            else:
                out.append(set_aside(row.file, row.line, cell.heading, cell.text, reason, takes))
    for (file, heading, reason), entries in unitless.items():
        row, cell, _ = entries[0]
        if len(entries) > 1:
            reason += f"; {len(entries)} cells, down to line {entries[-1][0].line}"
        takes = sum(t for _, _, t in entries)
        out.append(set_aside(file, row.line, heading, cell.text, reason, takes))
    return out


def _join_part(part: str, rows: list[Row]) -> PartReadings | None:
    _keep_one_naming(part, rows)
    readings = _agreeing(part, rows)
    said = {name: _agreed_fact(part, rows, name) for name in ("type", "polarity")}
    spots = _spots(part, rows)
    if not readings and not spots:
        for row in rows:  # facts about a part nobody measured
            row.facts.clear()
    for row in rows:
        if not (row.readings or row.facts or row.refused):
            row.refuse(Cell("", "", part), "no reading in this row")
    if not readings and not spots:
        return None
    measured = [row for row in rows if row.readings]
    temp = _agreed_fact(part, measured, "temp", "; it is taken as not given")
    notes = dict.fromkeys(str(row.facts["note"].value) for row in rows if "note" in row.facts)
    first = spots[0] if spots else Spot()
    if not measured:
        temp = first.temp_C
    return PartReadings(
        part, tuple(readings), said["type"] or "", said["polarity"] or "", first.hfe, first.vbe_V, first.ic_A,
        nan if temp is None else temp, _in_circuit(part, rows), "; ".join(notes), rows[0].file, rows[0].line,
        tuple(spots), _lost(rows, readings),
    )  # fmt: skip


def _lost(rows: list[Row], readings: list[Reading]) -> tuple[str, ...]:
    """Placements that a reading was given for and none could be used."""
    used = {r.placement for r in readings}
    given = [cell.placement for row in rows for cell, _ in row.refused if cell.placement]
    return tuple(p for p in dict.fromkeys(given) if p not in used)


def _naming(placement: str) -> str:
    if placement in BJT_PLACEMENTS:
        return "B, C, E"
    return "1, 2, 3" if placement in NUMBER_PLACEMENTS else "A, K"


def _keep_one_naming(part: str, rows: list[Row]) -> None:
    """Where a part's leads are named in two ways, keep the one with more readings."""
    count: dict[str, int] = {}
    for row in rows:
        for cell in row.readings:
            name = _naming(cell.value.placement)
            count[name] = count.get(name, 0) + 1
    if len(count) < 2:
        return
    order = ("B, C, E", "A, K", "1, 2, 3")  # on a tie, names say more than numbers
    kept = max(sorted(count, key=order.index), key=lambda name: count[name])
    for row in rows:
        for cell in list(row.readings):
            name = _naming(cell.value.placement)
            if name != kept:
                row.readings.remove(cell)
                reason = f"leads of part {part} are named {name} here and {kept} elsewhere; use one naming"
                row.refuse(cell, reason)


def _agreeing(part: str, rows: list[Row]) -> list[Reading]:
    """Readings of a part, one per placement and range; those that contradict each other are all refused."""
    found: dict[tuple[str, bool], list[tuple[Row, Cell]]] = {}
    for row in rows:
        for cell in row.readings:
            found.setdefault((cell.value.placement, cell.value.kind == "ohm"), []).append((row, cell))
    kept = []
    for (placement, _), entries in found.items():
        entries = _settled(entries)
        cells = [cell for _, cell in entries]
        if all(_agree(cells[0], cell) for cell in cells[1:]):
            kept.append(cells[0].value)
            continue
        given = ", ".join(f"{clip(c.text)} (line {r.line}{_elsewhere(r, rows)})" for r, c in entries[:4])
        reason = f"part {part} has {placement} with different values: {given}; none is used, measure again"
        for row, cell in entries:
            row.readings.remove(cell)
            row.refuse(cell, reason)
    return kept


def _settled(entries: list[tuple[Row, Cell]]) -> list[tuple[Row, Cell]]:
    """Refuse readings marked as settling where the settled one is there as well."""
    still = [(row, cell) for row, cell in entries if cell.value.settling]
    if not still or len(still) == len(entries):
        return entries
    for row, cell in still:
        row.readings.remove(cell)
        row.refuse(cell, "marked as settling; the settled reading of the same placement is used")
    return [(row, cell) for row, cell in entries if not cell.value.settling]


def _elsewhere(row: Row, rows: list[Row]) -> str:
    return "" if all(r.file == rows[0].file for r in rows) else f" of {PurePath(row.file).name}"


def _agree(a: Cell, b: Cell) -> bool:
    one, other = a.value, b.value
    if one.kind != other.kind:
        return False
    if not (isfinite(one.value) and isfinite(other.value)):
        return isfinite(one.value) == isfinite(other.value)
    coarsest = max(0.1, 0.004 * abs(one.value)) if one.kind == "ohm" else COARSEST_V
    step = max(last_digit(cell.text, cell.column) for cell in (a, b))
    return abs(one.value - other.value) <= AGREE_COUNTS * min(step, coarsest)


def _agreed_fact(part: str, rows: list[Row], name: str, then: str = "; none is used") -> object:
    """What all rows that say something of it say; None, and refused, where they differ."""
    entries = [(row, row.facts[name]) for row in rows if name in row.facts]
    values: dict[object, object] = {}  # one type number may be spelled in several ways: the first one holds
    for _, cell in entries:
        values.setdefault(plain_name(cell.value) if name == "type" else cell.value, cell.value)
    if len(values) < 2:
        return next(iter(values.values()), None)
    given = ", ".join(clip(str(value)) for value in list(values.values())[:4])
    for row, cell in entries:
        row.refuse(cell, f"part {part} has more than one {_WORD.get(name, name)}: {given}{then}")
        if name != "temp":  # a spot reading keeps the temperature of its own row
            del row.facts[name]
    return None


def _in_circuit(part: str, rows: list[Row]) -> bool:
    cells = [(row, row.facts["in_circuit"]) for row in rows if "in_circuit" in row.facts]
    if len({cell.value for _, cell in cells}) > 1:
        row, cell = cells[-1]
        row.refuse(cell, f"part {part} is in circuit in one row and not in another; it counts as in circuit")
    return any(cell.value for _, cell in cells)


def _spots(part: str, rows: list[Row]) -> list[Spot]:
    """Spot readings of a part in order; two at one current and temperature that differ are both refused."""
    found: dict[tuple[str, str], list[tuple[Row, Spot]]] = {}
    for row in rows:
        spot = _spot(row)
        if spot:
            found.setdefault((f"{spot.ic_A:.9g}", f"{spot.temp_C:.9g}"), []).append((row, spot))
    kept = []
    for entries in found.values():
        differing = [n for n in ("vbe", "hfe") if len({_fact(row, n) for row, _ in entries} - {None}) > 1]
        for name in differing:
            for row, _ in entries:
                if name in row.facts:
                    what = f"different {_WORD[name]} at one current and temperature"
                    reason = f"part {part} has {what}; none is used, measure again"
                    row.refuse(row.facts.pop(name), reason)
        said = [(_fact(row, "vbe"), _fact(row, "hfe")) for row, _ in entries]
        vbe, hfe = (next((v for v in column if v is not None), nan) for column in zip(*said, strict=True))
        if isfinite(vbe) or isfinite(hfe):
            kept.append(Spot(entries[0][1].ic_A, vbe, hfe, entries[0][1].temp_C))
    return kept


def _fact(row: Row, name: str) -> float | None:
    return abs(row.facts[name].value) if name in row.facts else None
