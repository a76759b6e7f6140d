"""Files, DataFrames and typed readings to one bag of records; cells of meter readings to one record per part.

Rows of one part may stand in several places and files; they are joined.  Three rules keep a guess from
becoming a verdict.  A placement given twice with values that differ by more than two counts of the last
digit is used neither time.  A part whose leads are named in two ways (``B-E`` and ``1-2``) keeps the way
with more readings.  What a part is said to be (type, polarity, temperature) is used only if all its
rows agree; if any row says in circuit, the part counts as in circuit.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isfinite, nan
from pathlib import Path, PurePath
from typing import BinaryIO

import numpy as np

from junction.base.errors import InputError, UnitError
from junction.base.records import (
    Bag,
    CurveTable,
    PartReadings,
    Reading,
    SetAside,
    Spot,
    SweepTable,
    plain_name,
)
from junction.base.units import shown
from junction.intake.cells import NO_UNIT, Column, cell_value, last_digit, parse_placement
from junction.intake.points import curves_of, read_points, sweeps_of
from junction.intake.table import Table, UnusableTable, clip, files, open_columns, set_aside, split, unused
from junction.shelf.reach import within
from junction.shelf.tables import rule

#: Names in messages and records of what has no file name.
FRAME_NAME, TYPED_NAME = "DataFrame", "typed readings"
#: Reasons that the one line tells when nothing at all could be used.
MOST_TOLD = 3
MOST_LEADS = 4

_WHOLE, _PARTS = re.compile(r"[0-3]"), re.compile(r"[0-9]{1,4}(?: ?V)?")
_WORD = {"temp": "temperature", "vbe": "V_BE", "hfe": "h_FE"}
_FACTS = ("type", "polarity", "temp", "in_circuit", "lifted", "discharged", "note", "hfe", "vbe", "ic", "vce")


class NothingUsable(InputError):
    """Nothing could be used; ``set_aside`` holds every reason."""

    set_aside: tuple[SetAside, ...] = ()


def read_paths(paths: Sequence[str | Path], stdin: BinaryIO | None = None) -> Bag:
    """Read files, folders, patterns and ``-`` into one bag.

    Parameters
    ----------
    paths : sequence of str or Path
        A file of any name; a folder (its ``.csv``, ``.tsv`` and ``.txt`` files, by name, not those of
        folders inside it); a pattern with ``*``, ``?`` or ``[``; or ``-`` for standard input.
    stdin : binary file, optional
        What ``-`` reads; default ``sys.stdin.buffer``.

    Returns
    -------
    Bag

    Raises
    ------
    InputError
        If a path does not exist or cannot be read, a folder or pattern holds no table, or nothing at all
        could be used (then a `NothingUsable`).
    """
    return read_tables(files(paths, stdin))


def read_frame(frame, name: str = FRAME_NAME) -> Bag:
    """Read a DataFrame into one bag; the road is that of files, without one.

    Parameters
    ----------
    frame : pandas.DataFrame
        Columns headed as in a CSV file (``part``, ``B-E``, ``v_mV``, ``ic (mA)``), named levels of the index
        among them.  Numbers are taken in the unit of their heading; missing values are not measured.
    name : str, optional
        Name for messages and records, which count the rows from 1.

    Returns
    -------
    Bag

    Raises
    ------
    NothingUsable
        If nothing at all could be used.
    """
    if any(level is not None for level in frame.index.names):
        frame = frame.reset_index()
    columns = []
    for k in range(frame.shape[1]):
        column = frame.iloc[:, k]
        if column.dtype.kind in "iuf":
            columns.append(column.to_numpy(dtype=float, na_value=np.nan))
        else:
            columns.append(np.where(column.isna(), "", column.astype(object).map(str)).astype(object))
    return read_tables([(name, open_columns, [str(heading) for heading in frame.columns], columns)])


def read_readings(parts, name: str = TYPED_NAME) -> Bag:
    """Read typed readings into one bag.

    Parameters
    ----------
    parts : PartReadings, sequence of PartReadings, sequence of str, or mapping
        ``["B-E=0.642", "E-B=OL"]`` or ``{"B-E": 0.642, "E-B": "OL"}`` is one part, named ``part``; a mapping
        of part to one of these is many, and ``"type": "2N3055"`` and the other headings of a file may stand
        among the placements; records are passed through.
    name : str, optional
        Name for messages and records, which count the parts from 1.

    Returns
    -------
    Bag

    Raises
    ------
    NothingUsable
        If nothing at all could be used.
    """
    if isinstance(parts, PartReadings):
        parts = [parts]
    if not isinstance(parts, Mapping):
        parts = list(parts)
        if parts and all(isinstance(p, PartReadings) for p in parts):
            return Bag(tuple(parts), rows_read=len(parts), rows_used=len(parts))
    many = Mapping | list | tuple
    if not isinstance(parts, Mapping) or not all(isinstance(v, many) for v in parts.values()):
        parts = {"part": parts}
    cells: dict[tuple[str, int], dict[int, str]] = {("part", 0): {k: str(p) for k, p in enumerate(parts)}}
    for k, given in enumerate(parts.values()):
        texts = given.items() if isinstance(given, Mapping) else (str(t).partition("=")[::2] for t in given)
        for heading, text in texts:
            n = 0  # a placement may be given twice
            while k in cells.setdefault((str(heading).strip(), n), {}):
                n += 1
            cells[str(heading).strip(), n][k] = "" if text is None or text != text else str(text)
    columns = [np.array([column.get(k, "") for k in range(len(parts))], object) for column in cells.values()]
    return read_tables([(name, open_columns, [heading for heading, _ in cells], columns)])


def read_tables(contents: Iterable[tuple]) -> Bag:
    """Read the tables that are opened one after the other into one bag.

    Parameters
    ----------
    contents : iterable of tuple
        Name for messages, function that gives the table of a name and a content, and the content.

    Returns
    -------
    Bag
        Everything by part; type numbers spelled as first written (``tip 41c`` and ``TIP41C``).

    Raises
    ------
    NothingUsable
        If nothing at all could be used.
    """
    place: dict[str, int] = {}  # of each file, in the order read
    aside: list[SetAside] = []
    cells = ReadingCells()
    points: dict[str, list] = {"sweeps": [], "curves": []}
    rows_read = 0
    for name, open_table, *content in contents:
        place.setdefault(name, len(place))
        try:
            table = open_table(name, *content)
        except UnusableTable as fault:
            rows_read += fault.rows
            aside.append(set_aside(name, fault.row, fault.column, "", fault.reason, fault.rows))
            continue
        del content
        for column, reason in unused(table):
            aside.append(set_aside(name, table.first_line - 1 or None, column.heading, "", reason, 0))
        if table.form in points:
            *found, read = read_points(table, aside)
            table = replace(table, text=b"", cells=())  # their work is done, and large files are large
            gathered = sweeps_of if table.form == "sweeps" else curves_of
            points[table.form].append(gathered(table, *found, aside))
            del found
        else:
            table = split(table, aside)
            cells.add(table)
            read = table.read
        rows_read += read
    readings = cells.parts(aside)
    sweeps, curves = SweepTable.joined(points["sweeps"]), CurveTable.joined(points["curves"])
    aside = sorted(_once_a_column(aside), key=lambda s: (place[s.file], s.row or 0))
    if not (readings or len(sweeps) or len(curves)):
        raise _nothing(aside)
    first: dict[str, str] = {}  # type number as first written, by its plain name
    types = dict.fromkeys((*(p.type for p in readings), *sweeps.type, *curves.type))
    one = {t: first.setdefault(plain_name(t) or t, t) for t in types}
    return Bag(
        tuple(p if one[p.type] == p.type else replace(p, type=one[p.type]) for p in readings),
        replace(sweeps, type=tuple(one[t] for t in sweeps.type)),
        replace(curves, type=tuple(one[t] for t in curves.type)),
        tuple(aside), tuple(place), rows_read, rows_read - sum(s.rows for s in aside),
    )  # fmt: skip


def _once_a_column(entries: Iterable[SetAside]) -> list[SetAside]:
    """The same list, with a unit that is missing throughout a column told once and not thousands of times."""
    out: list[SetAside] = []
    unitless: dict[tuple[str, str, str], list[SetAside]] = {}
    for entry in entries:
        if entry.reason.startswith(NO_UNIT):
            unitless.setdefault((entry.file, entry.column, entry.reason), []).append(entry)
        else:
            out.append(entry)
    for found in unitless.values():
        more = f"; {len(found)} cells, down to line {found[-1].row}" if len(found) > 1 else ""
        out.append(replace(found[0], reason=found[0].reason + more, rows=sum(s.rows for s in found)))
    return out


def _nothing(aside: list[SetAside]) -> NothingUsable:
    """The one line when nothing could be used: the first row lost, a few more reasons, and their number."""
    if not aside:
        return NothingUsable("no file given")
    first = next((s for s in aside if s.rows), aside[0])
    others = [s for s in aside if s is not first]

    def said(entry: SetAside) -> str:
        return entry.says

    told = [said(first)]
    told += [str(InputError(said(s), s.file, s.row, s.column)) for s in others[: MOST_TOLD - 1]]
    if len(aside) > len(told):
        told.append(f"and {len(aside) - len(told)} more")
    reason = "; ".join(told) + (" (nothing could be used)" if others else "")
    error = NothingUsable(reason, first.file, first.row, first.column)
    error.set_aside = tuple(aside)
    return error


# --- meter readings -------------------------------------------------------------------------------------


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
    turned: str = ""  # of a negative reading: how it is written if the probes were swapped


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
            spot = cell.name in ("hfe", "vbe", "ic", "vce") and value == value
            if cell.name == "hfe" and value < 0:
                raise UnitError(f"{shown(cell.text)}: h_FE cannot be negative")
            if cell.name == "ic" and value == 0:
                raise UnitError("a collector current of zero; write the current the reading was taken at")
            cell.value = within(cell.text, value, cell.column.quantity, read=True) if spot else value
        except UnitError as error:
            self.refuse(str(error), cell)
            cell.turned = getattr(error, "turned", "")
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
        self._one_naming(part, _live(cells, "reading"))
        turned = [c for c in cells if c.turned and not any(x.value for x in _live(cells, "in_circuit"))]
        if turned and not any(c.value.value > 0 for c in _live(cells, "reading") if c.value.kind == "volt"):
            for c in turned:
                c.reason = f"all voltages of this part are negative; red and black swapped? write {c.turned}"
        readings = self._agreeing(part, cells)
        kind, polarity = (self._agreed(part, _live(cells, name), name) for name in ("type", "polarity"))
        spots = self._spots(part, cells)
        if polarity is None and any((c.value or 0) < 0 for name in ("vbe", "ic") for c in _live(cells, name)):
            polarity = "PNP"  # logged with the signs of one
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
        used = {r.placement for r in readings}
        lost = [c for c in cells if c.placement and c.reason and c.placement not in used]
        why: dict[str, str] = {}
        typed: dict[str, str] = {}
        for c in sorted(lost, key=lambda c: (c.row, c.order)):
            why.setdefault(c.placement, _why(c, cells[0].file))
            typed.setdefault(c.placement, shown(clip(c.text)).strip("'"))
        return PartReadings(
            part, tuple(readings), kind or "", polarity or "",
            nan if temp is None else temp, any(c.value for c in in_circuit),
            "; ".join(dict.fromkeys(c.value for c in _live(cells, "note"))), cells[0].file, cells[0].line,
            tuple(spots), tuple(why),
            tuple(dict.fromkeys(name for c in _live(cells, "lifted") for name in c.value)),
            any(c.value for c in _live(cells, "discharged")), tuple(why.values()), tuple(typed.values()),
        )  # fmt: skip

    def _one_naming(self, part: str, placed: list[Cell]) -> None:
        """Refuse readings whose leads go by another naming than most, and those of a fifth lead.

        Numbers are one naming; names are another, unless a B, C, E and an A, K stand there that no reading
        joins: two parts under one tag.
        """
        leads = dict.fromkeys(lead for c in placed for lead in (c.value.red, c.value.black))
        names = [lead for lead in leads if not lead.isdigit()]
        joined = any((c.value.red in "AK") != (c.value.black in "AK") for c in placed)
        two = "B" in names and not joined and not {*"AK"}.isdisjoint(names)
        usual = next((n for n in ("B, C, E", "A, K") if {*names} <= {*n}), "")
        words = "B, C, E" if two else usual or ", ".join(names)
        groups: dict[str, list[Cell]] = {words: [], "A, K": [], "1, 2, 3": []}  # on a tie the first is kept
        for c in placed:
            named = "A, K" if two and c.value.red in "AK" else words
            groups["1, 2, 3" if c.value.red.isdigit() else named].append(c)
        kept = max(groups, key=lambda name: len(groups[name]))
        for name, cells in groups.items():
            if name != kept:
                where = f"named {name} here and {kept} elsewhere"
                self.refuse(f"leads of part {part} are {where}; use one naming", *cells)
        four = dict.fromkeys(lead for c in groups[kept] for lead in (c.value.red, c.value.black))
        if fifth := [*four][MOST_LEADS:]:
            reason = f"part {part} has more than {MOST_LEADS} leads: {', '.join(four)}"
            reason += "; give each unit its own tag"
            self.refuse(reason, *(c for c in groups[kept] if {c.value.red, c.value.black} & {*fifth}))

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
            if cell.value is not None and cell.name in ("ic", "vbe", "hfe", "temp", "vce"):
                rows.setdefault(cell.row, {})[cell.name] = cell
        found: dict[tuple[str, ...], tuple[tuple[float, ...], dict[str, list[Cell]]]] = {}
        for row in rows.values():
            if "vbe" in row or "hfe" in row:
                ic, vce = (abs(row[name].value) if name in row else nan for name in ("ic", "vce"))
                where = ic, vce, row["temp"].value if "temp" in row else nan
                _, told = found.setdefault(tuple(f"{x:.9g}" for x in where), (where, {"vbe": [], "hfe": []}))
                for name, same in told.items():
                    same += [row[name]] if name in row else []
        kept = []
        for (ic, vce, temp), told in found.values():
            value = dict.fromkeys(told, nan)
            for name, same in told.items():
                values = {abs(c.value) for c in same}
                if len(values) > 1:
                    what = f"different {_WORD[name]} at one current and temperature"
                    self.refuse(f"part {part} has {what}; none is used, measure again", *same)
                elif values:
                    value[name] = values.pop()
            if isfinite(value["vbe"]) or isfinite(value["hfe"]):
                kept.append(Spot(ic, value["vbe"], value["hfe"], temp, vce))
        return kept


def _why(cell: Cell, file: str) -> str:
    """Why a reading was refused: where it stands, what was written, and what to write instead."""
    other = f" of {PurePath(cell.file).name}" if cell.file != file else ""
    place = f"line {cell.line}{other}, {cell.placement}"
    quoted = shown(clip(cell.text))
    said = cell.reason if cell.reason.startswith(quoted) else f"{quoted}: {cell.reason}"
    return f"{place}: {said}".rstrip(".")


def _live(cells: list[Cell], name: str) -> list[Cell]:
    return [c for c in cells if c.name == name and c.value is not None]


def _split_by_comma(table: Table, texts: list[str]) -> tuple[Column, str] | None:
    """Find ``0,612`` that was meant as one number: taken as 0 V, it would call a good junction shorted."""
    if table.sep != ",":
        return None
    for column, text, rest in zip(table.columns, texts, texts[1:], strict=False):
        if column.name in ("placement", "value"):
            whole, rest = text.strip(), rest.strip()
            # 0,0 is a short both ways
            if _WHOLE.fullmatch(whole) and _PARTS.fullmatch(rest) and (whole, rest) != ("0", "0"):
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
