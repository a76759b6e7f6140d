"""The tables under reference/: read by one schema, and what judgement goes by, handed out by name.

The schema of every table stands in reference/columns.csv: what each column may hold, in which range, and
which column names the rows.  Any fault is named by file, line and column.  The tables ship as the resource
package ``junction.reference`` in a wheel and stand in ``reference/`` beside the package in a checkout.  They
are small and read with the standard library, because a `junction check` must start in the time that
importing pandas alone would take.

A user's own table has the same headings and may come from any spreadsheet: comma, semicolon or tab,
decimal point or comma, UTF-8 with or without a mark.

Rules, families, meters, cautions and resistor series are handed out here; the records of registered types and
their limits are declared here and filled by `junction.shelf.types`.
"""

from __future__ import annotations

import csv
import math
import os
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from math import nan
from pathlib import Path
from types import MappingProxyType, SimpleNamespace
from typing import NamedTuple

from junction.base.errors import ShelfError, UnitError, UsageError
from junction.base.files import bytes_of
from junction.base.records import not_json
from junction.base.units import parse_number


class Column(NamedTuple):
    """A column of a table: its heading and what a cell may hold."""

    name: str
    kind: str  # 'key', 'text', 'number' or 'flag'
    needed: bool
    low: float
    high: float
    among: Collection[str]
    symbol: str  # letter symbol of a maximum rating


_SCHEMA = ("table", "column", "kind", "needed", "low", "high", "among", "symbol", "meaning")


@cache
def _schemas() -> dict[str, tuple[Column, ...]]:
    found: dict[str, tuple[Column, ...]] = {}
    for row in rows(reference_folder() / "columns.csv", _SCHEMA, ()):
        tables, name, kind, needed, low, high, among, symbol, _ = row.cells.values()
        texts = tuple(among.split(" | ")) if among else ()
        if among.endswith(".csv"):
            texts = tuple(next(iter(r.cells.values())) for r in rows(reference_folder() / among))
        must = needed == "yes" or kind == "key"
        column = Column(name, kind, must, float(low or nan), float(high or nan), texts, symbol)
        for table in tables.split():
            found[table] = (*found.get(table, ()), column)
    return found


def columns(table: str) -> tuple[Column, ...]:
    """Columns of a table of the reference folder, ``types_bjt``."""
    try:
        return _schemas()[table]
    except KeyError:
        raise ShelfError(f"columns.csv: no row says what {table}.csv holds") from None


class Row(NamedTuple):
    """One row of a table; its cells are text until they are asked for by column."""

    file: str
    line: int
    cells: Mapping[str, str]

    def fault(self, column: str, reason: str) -> ShelfError:
        """Error that names this row and a column, to be raised by the caller."""
        return ShelfError(reason, self.file, self.line, column)

    def value(self, column: Column):
        """Text ('' when empty or when the table has no such column), number (nan) or flag of a cell.

        Raises
        ------
        ShelfError
            Empty though needed, not one of the allowed texts, no number, or a number out of its range.
        """
        cell = self.cells.get(column.name, "")
        if column.needed and not cell:
            one = f"one of {', '.join(column.among)} is needed" if column.among else "a value is needed here"
            raise self.fault(column.name, f"is empty; {one}")
        if column.kind == "number":
            try:
                value = parse_number(cell) if cell else nan
            except UnitError as error:
                reason = f"{error}; a plain number in the unit of the heading was expected"
                raise self.fault(column.name, reason) from error
            if value < column.low or value > column.high:
                reason = f"{cell} is outside {column.low:g} to {column.high:g}; is the unit right?"
                raise self.fault(column.name, reason)
            return value
        among = ("yes", "no") if column.kind == "flag" else column.among
        if cell and among and cell not in among:
            raise self.fault(column.name, f"{cell!r} is not one of: {', '.join(among)}")
        return cell == "yes" if column.kind == "flag" else cell

    def values(self, table: str) -> dict:
        """All values of the row by heading; the one that names it by ``name``."""
        return {"name" if c.kind == "key" else c.name: self.value(c) for c in columns(table)}


@cache
def records(
    table: str, record: Callable = SimpleNamespace, finish: Callable[[Row, dict], None] | None = None
) -> Mapping:
    """Records of a reference table, in its order, by name (by line where its rows have no name).

    Parameters
    ----------
    table : str
        File name without ``.csv``; its schema stands in reference/columns.csv.
    record : callable
        Takes the values of a row by heading; the heading that names the row is ``name``.
    finish : callable, optional
        Takes a row and its values before that: raises what no single cell shows, and works out what the
        record wants besides.

    Raises
    ------
    ShelfError
        A fault in the table, with line and column; of a plain table of named rows when the row is asked for.
    """
    if columns(table)[0].kind == "key" and finish is None and record is SimpleNamespace:
        return _Named(table)
    found = {}
    for row in reference_rows(table):
        values = row.values(table)
        if finish:
            finish(row, values)
        if values.get("name") in found:
            name = next(column.name for column in columns(table) if column.kind == "key")
            raise row.fault(name, f"{values['name']!r} stands twice")
        found[values.get("name", row.line)] = record(**values)
    return MappingProxyType(found)


def reference_rows(table: str) -> Iterator[Row]:
    """Rows of a reference table with the headings of its schema."""
    return rows(reference_folder() / f"{table}.csv", [column.name for column in columns(table)], ())


def rows(path: Path, needed: Collection[str] = (), known: Collection[str] | None = None) -> Iterator[Row]:
    """Rows of any table whose headings are checked; lines that start with # are notes.

    Parameters
    ----------
    path : Path
    needed : collection of str, optional
        Headings that must be there.
    known : collection of str, optional
        Further headings that may be there; None: any.

    Raises
    ------
    ShelfError
        Unreadable file; a heading that is missing, empty, twice there or not known (a misspelt one would
        lose its column); a row with more or fewer cells than there are headings.
    """
    lines = content(path).splitlines()
    written = (line.lstrip('" ') for line in lines if line.strip(" ,;\t"))
    first = next((line for line in written if not line.startswith("#")), "")
    reader = csv.reader(lines, delimiter=max(",;\t", key=first.count))
    heading: list[str] = []
    try:
        for cells in reader:
            cells = list(map(str.strip, cells))
            if not any(cells) or cells[0][:1] == "#":
                continue
            if not heading:
                heading, name = cells, path.name
                _check_heading(heading, name, reader.line_num, needed, known)
            elif len(cells) != len(heading):
                reason = f"{len(cells)} cells where the heading has {len(heading)}"
                raise ShelfError(reason, name, reader.line_num)
            else:
                yield Row(name, reader.line_num, dict(zip(heading, cells)))  # noqa: B905 - as long, seen above
    except csv.Error as error:
        raise ShelfError(f"cannot be read as CSV: {error}", path.name, reader.line_num) from error


def as_written(places: Iterable[Path]) -> tuple[tuple[Path, int, int], ...]:
    """Files of some places, each with its time and size: one that was edited is another one."""
    found = []
    for path in places:
        for file in sorted(path.glob("*.csv")) if os.path.isdir(path) else [path]:
            told = file.stat() if os.path.isfile(file) else None  # False for a name that is too long
            found.append((file.absolute(), told.st_mtime_ns if told else 0, told.st_size if told else 0))
    return tuple(found)


class Index:
    """Lines of a reference table by the names in their first cells, parsed when asked for.

    The tables of types hold thousands of lines, and a command wants a few of them.  A line is a row: no cell
    of these tables holds a line break (tested).

    Attributes
    ----------
    lines : dict of str to list of tuple
        By the text of the first cell, the number of the line in the file and its text, in their order.
    """

    def __init__(self, table: str) -> None:
        path = reference_folder() / f"{table}.csv"
        self.file, self.heading, self.lines = path.name, [], {}
        needed = [column.name for column in columns(table)]
        for number, line in enumerate(content(path).splitlines(), 1):
            if not line or line[0] == "#":
                continue
            if not self.heading:
                self.heading = next(csv.reader([line]))
                _check_heading(self.heading, self.file, number, needed, ())
                continue
            name = (next(csv.reader([line]))[0] if line[0] == '"' else line[: line.find(",")]).strip()
            if name in self.lines:
                self.lines[name].append((number, line))
            else:
                self.lines[name] = [(number, line)]

    def rows(self, name: str) -> list[Row]:
        """Rows of a name, [] where it has none."""
        return [self.row(*line) for line in self.lines.get(name, ())]

    def row(self, number: int, line: str) -> Row:
        """A line as a row."""
        cells = list(map(str.strip, next(csv.reader([line]))))
        if len(cells) != len(self.heading):
            reason = f"{len(cells)} cells where the heading has {len(self.heading)}"
            raise ShelfError(reason, self.file, number)
        return Row(self.file, number, dict(zip(self.heading, cells)))  # noqa: B905 - as long, seen above


@cache
def index(table: str) -> Index:
    """`Index` of a reference table, made once."""
    return Index(table)


class _Named(Mapping):
    """Records of a table whose first cells name its rows, each read when it is asked for.

    A command asks for a tenth of the rules and a twentieth of the sentences.
    """

    def __init__(self, table: str) -> None:
        self._table, self._index, self._read = table, index(table), {}

    def __getitem__(self, name: str) -> SimpleNamespace:
        if name not in self._read:
            first, *more = self._index.lines[name]
            if more:
                raise self._index.row(*more[0]).fault(columns(self._table)[0].name, f"{name!r} stands twice")
            self._read[name] = SimpleNamespace(**self._index.row(*first).values(self._table))
        return self._read[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._index.lines)

    def __len__(self) -> int:
        return len(self._index.lines)

    def __contains__(self, name: object) -> bool:
        return name in self._index.lines


def _check_heading(heading: list[str], file: str, line: int, needed, known) -> None:
    for k, name in enumerate(heading):
        if not name or name in heading[:k]:
            raise ShelfError(f"heading {k + 1} is empty or stands twice", file, line, name)
    missing = [name for name in needed if name not in heading]
    if missing:
        raise ShelfError(f"the heading lacks {', '.join(missing)}", file)
    for name in heading:
        if known is not None and name not in needed and name not in known:
            raise ShelfError("no such heading in this kind of table", file, column=name)


def content(path: Path) -> str:
    """Text of a file as spreadsheets save it."""
    try:
        return bytes_of(path).decode("utf-8-sig")
    except OSError as error:
        raise ShelfError(f"cannot be read: {error.strerror or error}", str(path)) from error
    except UnicodeDecodeError as error:
        raise ShelfError("is not UTF-8 text; save it as CSV, UTF-8", str(path)) from error


def reference_folder() -> Path:
    """Folder that holds the reference tables, in a checkout as in an installed package.

    Raises
    ------
    ShelfError
        If neither place has them (a broken installation).
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "reference", package.parent / "reference"):
        if (folder / "README.md").is_file():
            return folder
    raise ShelfError("the reference tables are missing: install the package again")


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
    secondary: bool = False  # rests on reference pages or on memory only: informs, never fails a part
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
    standing: str = "published"  # or 'secondary', 'from memory'
    package_class: str = ""  # what it stands in: outlines of one place take each other's room
    group_of: str = ""  # the type that it is a gain group of
    leads_source: str = ""
    complement_basis: str = ""
    complement_source: str = ""

    def find(self, symbol: str) -> tuple[Limit, ...]:
        """All limits with that letter symbol."""
        return self._by_symbol.get(symbol, ())

    def rating(self, symbol: str) -> float:
        """Maximum rating with that letter symbol in its SI unit (T_j in degC); nan where not known."""
        found = self._by_symbol.get(symbol)
        return found[0].high if found else nan

    @cached_property
    def _by_symbol(self) -> dict[str, tuple[Limit, ...]]:
        found: dict[str, tuple[Limit, ...]] = {}
        for limit in self.limits:
            found[limit.symbol] = (*found.get(limit.symbol, ()), limit)
        return found


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
    scale: str = "volt"  # or 'ohm': a needle over a scale of ohms, read with the same source
    ohms_accuracy: float = nan  # limits of error of resistance readings as a share; of the scale for a needle
    basis: str = ""
    source: str = ""
    default: bool = not_json(False)  # taken where nothing is said


def rules() -> Mapping[str, SimpleNamespace]:
    """All rows of reference/rules.csv by name: ``value`` in its ``unit``, ``meaning``, ``basis``."""
    return records("rules")


@cache
def rule(name: str) -> float:
    """Value of one rule of reference/rules.csv in the unit of its row.

    Raises
    ------
    KeyError
        No row has that name.
    """
    return rules()[name].value


def families() -> Mapping[str, SimpleNamespace]:
    """Families of junctions and the limits a healthy one keeps at 25 degC, by name."""
    return records("families")


def _drive(row: Row, values: dict) -> None:
    """A source behind a resistance drives its open voltage over that resistance into a short."""
    if values["source_kind"] == "resistance":
        values["test_current_A"] = values["open_voltage_V"] / values["resistance_ohm"]


def meters() -> Mapping[str, Meter]:
    """Kinds of multimeter in diode mode by name; a constant-current kind has resistance nan."""
    return records("meters", Meter, _drive)


def default_meter() -> Meter:
    """The commonest kind: what readings are taken with when nothing is said."""
    return next(meter for meter in meters().values() if meter.default)


def cautions(*where: str) -> tuple[SimpleNamespace, ...]:
    """Cautions of one or several places (none means all), in the order of the table: ``where`` and ``text``.

    Raises
    ------
    UsageError
        A place that has none.
    """
    found = records("cautions").values()
    places = dict.fromkeys(one.where for one in found)
    for place in where:
        if place not in places:
            raise UsageError(f"no cautions for {place!r}; there are some for: {', '.join(places)}")
    return tuple(one for one in found if not where or one.where in where)


def _generate(row: Row, values: dict) -> None:
    """``10^(k/n)`` rounded to two digits (E3 to E24) or three (E48 to E192), k from 0 to n - 1.

    The published tables depart from that rule in a few places, for reasons of history.
    """
    count, digits = int(values["per_decade"]), int(values["digits"])
    generated = [math.floor(10 ** (digits - 1 + k / count) + 0.5) for k in range(count)]
    instead = {}
    for word in values["exceptions"].split():
        rule_gives, _, published = word.partition("=")
        instead[int(rule_gives)] = int(published)
    values.update(values=tuple(instead.get(v, v) for v in generated), digits=digits)


def resistor_series(name: str) -> SimpleNamespace:
    """Preferred number series of IEC 60063 by name, ``E24``.

    Returns
    -------
    namespace
        ``values`` of one decade in whole units of 10^-(digits - 1), ``digits``, ``tolerance_percent``,
        ``source``.

    Raises
    ------
    UsageError
        No such series; names those there are.
    """
    found = records("resistor_series", finish=_generate)
    try:
        return found[name.strip().upper()]
    except KeyError:
        raise UsageError(f"no series {name!r}; there are {', '.join(found)}") from None
