"""Meter readings: the long table of cells to one record per part.

Rows of one part may stand in several places and files; they are joined.  Three rules keep a guess from
becoming a verdict.  A placement given twice with values that differ by more than two counts of the last
digit is used neither time.  A part whose leads are named in two ways (``B-E`` and ``1-2``) keeps the way
with more readings.  What a part is said to be (type, polarity, temperature) is used only if all its
rows agree; if any row says in circuit, the part counts as in circuit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import isfinite, nan
from pathlib import PurePath

from junction.base.errors import UnitError
from junction.base.records import PartReadings, Reading, SetAside, Spot, plain_name
from junction.base.units import shown
from junction.intake.cells import Column, cell_value, last_digit, parse_placement
from junction.intake.table import Table, clip, set_aside
from junction.shelf.rules import rule

_WHOLE, _THOUSANDTHS = re.compile(r"[0-3]"), re.compile(r"[0-9]{2,4}(?: ?V)?")
_WORD = {"temp": "temperature", "vbe": "V_BE", "hfe": "h_FE"}
_FACTS = ("type", "polarity", "temp", "in_circuit", "note", "hfe", "vbe", "ic")


@dataclass(slots=True, eq=False)
class Cell:
    """One cell of the long table: where it stands, what was written, its value or the reason against it.

    ``name`` is that of a fact, ``reading``, or ``part``, whose cell opens each row.  A cell without a value
    takes no part in anything.
    """

    file: str
    row: int  # of the whole long table
    line: int  # of the file
    part: str
    name: str
    column: Column | None
    text: str
    placement: str = ""  # of a reading, refused ones too
    value: object = None
    reason: str = ""
    order: int = 0  # of refusals


class ReadingCells:
    """The long table of the cells of all readings, in the order of files, lines and columns."""

    def __init__(self) -> None:
        self.cells: list[Cell] = []
        self.refused: list[Cell] = []
        self.rows = 0

    def refuse(self, reason: str, *cells: Cell, keep: bool = False) -> None:
        """Take cells out of use, or only say what is wrong with them."""
        for cell in cells:
            cell.reason, cell.order = reason, len(self.refused)
            cell.value = cell.value if keep else None
            self.refused.append(cell)

    def add(self, table: Table) -> None:
        """Read every row of a wide or long table, split; faulty cells are refused one by one."""
        part = table.column("part")
        facts = [c for name in _FACTS if (c := table.column(name))]
        leads = [c for name in ("red", "black", "value") if (c := table.column(name))]
        placements = [c for c in table.columns if c.name == "placement" and not c.problem]
        for line, *texts in zip(table.line.tolist(), *table.cells, strict=True):
            self.rows += 1
            place = table.file, self.rows, line
            name = self._read(table, Cell(*place, "", "part", part, texts[part.index]))
            if name.reason:
                continue
            name.part, place = name.value, (*place, name.value)
            if split := _split_by_comma(table, texts):
                self._refuse_new(Cell(*place, "", split[0], texts[split[0].index]), split[1])
                continue
            # a row of facts alone has neither leads nor value
            if table.form == "long readings" and any(texts[c.index].strip() for c in leads):
                between = "-".join(texts[c.index].strip() for c in leads[:2])
                if placement := parse_placement(between):
                    value = leads[2]
                    cell = self._read(table, Cell(*place, "reading", value, texts[value.index], placement))
                    if cell.value is None and not cell.reason:
                        cell.placement = ""
                        self.refuse("empty cell; a reading was expected", cell)
                else:
                    a, b = (shown(texts[c.index].strip()) for c in leads[:2])
                    reason = f"leads {a} and {b}: write two of B, C, E or 1, 2, 3 or A, K"
                    self._refuse_new(Cell(*place, "", leads[0], between), reason)
            for c in placements if table.form == "wide readings" else ():
                self._read(table, Cell(*place, "reading", c, texts[c.index], c.placement))
            said = {c.name: self._read(table, Cell(*place, c.name, c, texts[c.index]))
                    for c in facts if texts[c.index].strip()}  # fmt: skip
            if "vbe" in said and "polarity" in said and said["polarity"].value == "NPN":
                if (said["vbe"].value or 0) < 0:
                    self.refuse("negative V_BE on a part marked NPN", said["vbe"])

    def _read(self, table: Table, cell: Cell) -> Cell:
        self.cells.append(cell)
        try:
            value = cell_value(cell.text, cell.column, table.mark, cell.placement)
            if cell.name == "hfe" and value < 0:
                raise UnitError(f"{shown(cell.text)}: h_FE cannot be negative")
            if cell.name == "ic" and value == 0:
                raise UnitError("a collector current of zero; write the current the reading was taken at")
            cell.value = value
        except UnitError as error:
            self.refuse(str(error), cell)
        return cell

    def _refuse_new(self, cell: Cell, reason: str) -> None:
        """Refuse what is no cell to be read: a row without a reading, leads that are none."""
        self.cells.append(cell)
        self.refuse(reason, cell)

    def parts(self, aside: list[SetAside]) -> list[PartReadings]:
        """One record per part, in order of first appearance; what cannot be used goes to `aside`."""
        by_part: dict[str, list[Cell]] = {}
        for cell in self.cells:
            if cell.part:
                by_part.setdefault(cell.part, []).append(cell)
        parts = [p for name, cells in by_part.items() if (p := self._join(name, cells)) is not None]
        # a row of which nothing is left counts once, with its first refusal
        counted = {cell.row for cell in self.cells if cell.name != "part" and cell.value is not None}
        for cell in self.refused:
            heading = cell.column.heading if cell.column else ""
            takes = int(cell.row not in counted)
            counted.add(cell.row)
            aside.append(set_aside(cell.file, cell.line, heading, cell.text, cell.reason, takes))
        return parts

    def _join(self, part: str, cells: list[Cell]) -> PartReadings | None:
        placed = _live(cells, "reading")
        namings = ("B, C, E", "A, K", "1, 2, 3")  # on a tie, names say more than numbers
        names = [next(n for n in namings if c.placement[0] in n) for c in placed]
        kept = max(namings, key=names.count)
        for cell, name in zip(placed, names, strict=True):
            if name != kept:
                where = f"named {name} here and {kept} elsewhere"
                self.refuse(f"leads of part {part} are {where}; use one naming", cell)
        readings = self._agreeing(part, cells)
        kind, polarity = (self._agreed(part, _live(cells, name), name) for name in ("type", "polarity"))
        spots = self._spots(part, cells)
        told = {c.row for c in cells if c.name != "part" and (c.reason or c.value is not None)}
        if not readings and not spots:  # facts about a part nobody measured
            told = {c.row for c in cells if c.reason}
            for cell in cells:
                cell.value = None
        for c in [c for c in cells if c.name == "part" and c.row not in told]:
            self._refuse_new(Cell(c.file, c.row, c.line, part, "", None, part), "no reading in this row")
        if not readings and not spots:
            return None
        temp = spots[0].temp_C if spots else nan
        if measured := {c.row for c in _live(cells, "reading")}:
            told_temp = [c for c in _live(cells, "temp") if c.row in measured]
            temp = self._agreed(part, told_temp, "temp", "; it is taken as not given")
        in_circuit = _live(cells, "in_circuit")
        if len({c.value for c in in_circuit}) > 1:
            reason = f"part {part} is in circuit in one row and not in another; it counts as in circuit"
            self.refuse(reason, in_circuit[-1], keep=True)
        lost = sorted((c for c in cells if c.placement and c.reason), key=lambda c: (c.row, c.order))
        used = {r.placement for r in readings}
        return PartReadings(
            part, tuple(readings), kind or "", polarity or "",
            nan if temp is None else temp, any(c.value for c in in_circuit),
            "; ".join(dict.fromkeys(c.value for c in _live(cells, "note"))), cells[0].file, cells[0].line,
            tuple(spots), tuple(dict.fromkeys(c.placement for c in lost if c.placement not in used)),
        )  # fmt: skip

    def _agreeing(self, part: str, cells: list[Cell]) -> list[Reading]:
        """Readings of a part, one per placement and range; all that contradict each other are refused."""
        found: dict[tuple[str, bool], list[Cell]] = {}
        for cell in _live(cells, "reading"):
            found.setdefault((cell.placement, cell.value.kind == "ohm"), []).append(cell)
        kept = []
        for (placement, _), same in found.items():
            settled = [c for c in same if not c.value.settling] or same
            falling = [c for c in same if c not in settled]
            self.refuse("marked as settling; the settled reading of the same placement is used", *falling)
            if all(_agree(settled[0], cell) for cell in settled[1:]):
                kept.append(settled[0].value)
                continue
            several = any(c.file != cells[0].file for c in cells)
            given = ", ".join(
                f"{clip(c.text)} (line {c.line}{f' of {PurePath(c.file).name}' if several else ''})"
                for c in settled[:4]
            )
            reason = f"part {part} has {placement} with different values: {given}"
            self.refuse(f"{reason}; none is used, measure again", *settled)
        return kept

    def _agreed(self, part: str, cells: list[Cell], name: str, then: str = "; none is used") -> object:
        """What all cells that say something of it say; None, and refused, where they differ."""
        values: dict[object, object] = {}  # one type number may be spelled in several ways: the first holds
        for c in cells:
            values.setdefault(plain_name(c.value) if name == "type" else c.value, c.value)
        if len(values) < 2:
            return next(iter(values.values()), None)
        given = ", ".join(clip(str(value)) for value in list(values.values())[:4])
        self.refuse(f"part {part} has more than one {_WORD.get(name, name)}: {given}{then}", *cells)
        return None

    def _spots(self, part: str, cells: list[Cell]) -> list[Spot]:
        """Spot readings of a part in order; two at one current and temperature that differ are both refused.

        A PNP's negative V_BE and I_C are turned to the sense of the records.
        """
        rows: dict[int, dict[str, Cell]] = {}
        for cell in cells:
            if cell.value is not None and cell.name in ("ic", "vbe", "hfe", "temp"):
                rows.setdefault(cell.row, {})[cell.name] = cell
        found: dict[tuple[str, str], tuple[float, float, dict[str, list[Cell]]]] = {}
        for row in rows.values():
            if "vbe" in row or "hfe" in row:
                ic = abs(row["ic"].value) if "ic" in row else nan
                temp = row["temp"].value if "temp" in row else nan
                *_, told = found.setdefault((f"{ic:.9g}", f"{temp:.9g}"), (ic, temp, {"vbe": [], "hfe": []}))
                for name, same in told.items():
                    same += [row[name]] if name in row else []
        kept = []
        for ic, temp, told in found.values():
            value = dict.fromkeys(told, nan)
            for name, same in told.items():
                values = {abs(c.value) for c in same}
                if len(values) > 1:
                    what = f"different {_WORD[name]} at one current and temperature"
                    self.refuse(f"part {part} has {what}; none is used, measure again", *same)
                elif values:
                    value[name] = values.pop()
            if isfinite(value["vbe"]) or isfinite(value["hfe"]):
                kept.append(Spot(ic, value["vbe"], value["hfe"], temp))
        return kept


def _live(cells: list[Cell], name: str) -> list[Cell]:
    return [c for c in cells if c.name == name and c.value is not None]


def _split_by_comma(table: Table, texts: list[str]) -> tuple[Column, str] | None:
    """Find ``0,612`` that was meant as one number: taken as 0 V, it would call a good junction shorted."""
    if table.sep != ",":
        return None
    for column, text, rest in zip(table.columns, texts, texts[1:], strict=False):
        if column.name in ("placement", "value"):
            whole, rest = text.strip(), rest.strip()
            if _WHOLE.fullmatch(whole) and _THOUSANDTHS.fullmatch(rest):
                reason = f"{whole},{rest}: a decimal comma in a comma-separated file? write {whole}.{rest}"
                return column, f"{reason}, or use ; between cells; the row is not used"
    return None


def _agree(a: Cell, b: Cell) -> bool:
    """Whether two readings lie within two counts of the coarser last digit, which is bounded."""
    one, other = a.value, b.value
    if one.kind != other.kind:
        return False
    if not (isfinite(one.value) and isfinite(other.value)):
        return isfinite(one.value) == isfinite(other.value)
    coarsest = rule("intake_count_volt")
    if one.kind == "ohm":
        coarsest = max(rule("intake_count_ohm"), rule("intake_count_ohm_share") * abs(one.value))
    step = max(last_digit(cell.text, cell.column) for cell in (a, b))
    # half a count more for rounding in binary
    return abs(one.value - other.value) <= (rule("intake_agree_counts") + 0.5) * min(step, coarsest)
