"""Registered types and their limits: the reference tables, a user's own, and finding a type by its marking.

Tables come in layers: the reference tables, then the CSV files in the user's folder
(`user_folder`), then the files named with ``--types``.  A type in a higher layer
replaces the one of that name below; a limits row in a higher layer for a type that only stands below
replaces that symbol alone.  Rows are checked when their type is asked for (a `check` of one part must not
pay for three hundred); a user's rows are all checked at once, so that a fault shows when it is made.

The power rating falls in a straight line from its reference temperature to nothing at the highest
junction temperature; the slope is one over the thermal resistance (Malvino, Electronic Principles,
example 12-14; Floyd, Electronic Devices, example 4.7).  The dc safe area is bounded by I_C, by the power
hyperbola, by V_CEO, and by second breakdown where the type's test line for it is on the shelf.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache, cached_property, lru_cache
from math import isnan, log, nan
from pathlib import Path
from types import SimpleNamespace

from junction.base.errors import ShelfError, UnitError
from junction.base.records import plain_name
from junction.base.units import listed, parse_quantity
from junction.shelf.limits import limit_of
from junction.shelf.names import near_names, number_says, spellings
from junction.shelf.tables import (
    Limit,
    PartType,
    Row,
    as_written,
    columns,
    families,
    index,
    records,
    reference_rows,
    rows,
    rule,
)  # fmt: skip

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
    tj_C, rated_W, rth = (part.rating(symbol) for symbol in ("T_j", "P_tot", _THERMAL[where]))
    if place == where and not isnan(rated_W):
        if temp_C <= ref_C:
            return rated_W
        rth = (tj_C - ref_C) / rated_W
    return max((tj_C - temp_C) / rth, 0.0)  # in this order what is not known stays nan


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
    return min(found, second_breakdown_line(part, vce_V))  # in this order nan bounds nothing


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


#: columns that a type takes from the one named under ``like`` where its own are empty, beside the limits
_TAKEN = (
    "polarity", "material", "structure", "kind", "sections", "package", "leads", "leads_basis", "R_BE1_ohm",
    "R_BE2_ohm", "damper_diode", "family", "source", "leads_source",
)  # fmt: skip
#: table whose form a user's one has -> headings that tell it from the others, and must be there
_NEEDED = {
    "types_bjt": ("type", "polarity"), "types_diode": ("type", "kind"), "limits_bjt": ("type", "symbol"),
}  # fmt: skip


class _Entry:
    """A type as its tables give it: its row (None: only limits, laid over a type below) and limit rows."""

    row: Row | None
    base: _Entry | None  # the type that gives what this one leaves empty
    limits: list[Row]

    def __init__(self, name: str, device: str, row: Row | None = None, base: _Entry | None = None) -> None:
        self.name, self.device, self.row, self.base, self.limits = name, device, row, base, []

    def fault(self, column: str, reason: str) -> ShelfError:
        """Error at the row that named this entry."""
        return (self.row or self.limits[0]).fault(column, reason)

    @cached_property
    def words(self) -> dict[str, str]:
        """Cells that its row states, and of the words that a type takes from another what it leaves empty."""
        given = {name: cell for name, cell in self.row.cells.items() if cell} if self.row else {}
        if "leads" in given:
            given.setdefault("leads_basis", "published")
        taken = self.base.words if self.base else {}
        return {name: cell for name, cell in taken.items() if name in _TAKEN} | given

    def cells(self, wanted: Sequence[str]) -> list[str]:
        """Cells under headings as they are written; what its row leaves empty is its base's, ratings too."""
        own = [self.row.cells.get(name, "") for name in wanted] if self.row else [""] * len(wanted)
        return [a or b for a, b in zip(own, self.base.cells(wanted), strict=True)] if self.base else own

    @property
    def group_of(self) -> str:
        """The type it is a gain group of: its number goes on behind that one's, its h_FE alone differs."""
        return self.group(self.base.name) if self.base and self.row else ""

    def group(self, like: str) -> str:
        """`group_of` for the name of the type that its row is like."""
        own, base = plain_name(self.name), plain_name(like)
        return like if base and own != base and own.startswith(base) and self._gain_alone() else ""

    def _gain_alone(self) -> bool:
        return all(row.cells["symbol"] == "h_FE" for row in self.limits)

    def stated(self, symbol: str) -> list[Row]:
        """Its own rows of a symbol in the table of limits."""
        return [row for row in self.limits if row.cells["symbol"] == symbol]

    @cached_property
    def part(self) -> PartType:
        """The type, checked."""
        base = self.base and self.base.part
        if self.row is None:
            return replace(base, limits=_limits(self, {}, base.source, base.standing))
        row = self.row._replace(cells=self.words)
        if not self.words.get("source"):
            raise row.fault(
                "source", "is empty; where was it read? (a book, a sheet, 'measured', 'from memory')"
            )
        own = row.values(f"types_{self.device}")
        if own["P_tot_at"] and isnan(own["P_tot_W"]) and base is None:
            raise row.fault("P_tot_at", "is given without a power")
        standing = own["standing"] or (base.standing if base else "published")
        outline = packages().get(own["package"])
        part = PartType(
            self.name, self.device, own.get("kind") or own["structure"].lower() or "plain",
            material=own["material"], package=own["package"], secondary=standing != "published",
            family=own["family"] or (base.family if base else ""), notes=own["notes"], source=own["source"],
            limits=_limits(self, own, own["source"], standing), also=tuple(own["also"].split()),
            mounting=outline.mounting if outline else "", standing=standing,
            package_class=outline.place if outline else "", group_of=self.group_of,
        )  # fmt: skip
        if self.device == "bjt":
            return _transistor(row, own, part, outline)
        usual = next(name for name, family in families().items() if part.kind in family.kinds.split(" | "))
        return replace(part, family=part.family or usual)


def packages() -> Mapping[str, SimpleNamespace]:
    """Outlines by name: usual order of leads, and what the case is joined to."""
    return records("packages")


def _limits(entry: _Entry, own: Mapping, source: str, basis: str) -> tuple[Limit, ...]:
    """Ratings of the row and its limit rows; of the base, what neither states."""
    found = []
    for column in columns(f"types_{entry.device}"):
        if column.symbol and not isnan(value := own.get(column.name, nan)):
            at = _reference(entry.row, own["P_tot_at"]) if column.symbol == "P_tot" else {}
            found.append(Limit(column.symbol, nan, value, at, source, basis))
    found += [limit_of(row, source, basis) for row in entry.limits]
    said = {limit.symbol for limit in found}
    below = entry.base.part.limits if entry.base else ()
    return (*found, *(limit for limit in below if limit.symbol not in said))


def _reference(row: Row, written: str) -> dict[str, float]:
    """Where a power rating holds, ``case 25C``, as ``{"case_C": 25.0}`` ({} when empty)."""
    if not written:
        return {}
    where, _, value = written.partition(" ")
    if where not in ("case", "ambient", "lead"):
        reason = f"{written!r}: case, ambient or lead and a temperature was expected, 'case 25C'"
        raise row.fault("P_tot_at", reason)
    try:
        return {f"{where}_C": parse_quantity(value, "temperature")}
    except UnitError as error:
        raise row.fault("P_tot_at", str(error)) from error


def _transistor(row: Row, own: Mapping, part: PartType, outline) -> PartType:
    """A transistor's own columns, and what only makes sense together."""
    leads, leads_basis = own["leads"], own["leads_basis"]
    if not leads and outline and outline.leads:
        leads, leads_basis = outline.leads, f"usual for the outline, {outline.basis}"
    if leads and sorted(leads) != ["B", "C", "E"]:
        raise row.fault("leads", f"{leads!r} is not an order of B, C and E")
    if outline and outline.fixed and leads != outline.leads:
        raise row.fault("leads", f"{leads!r}, but the outline {part.package} has {outline.leads}")
    v_ceo, v_cbo = part.rating("V_CEO"), part.rating("V_CBO")
    if v_ceo > v_cbo:
        raise row.fault("V_CEO_V", f"{v_ceo:g} V is more than V_CBO {v_cbo:g} V, which cannot be")
    if part.rating("I_C") > part.rating("I_CM"):
        raise row.fault("I_CM_A", "the peak current is less than the continuous one")
    r_be = tuple(r for r in (own["R_BE1_ohm"], own["R_BE2_ohm"]) if not isnan(r))
    if len(r_be) > 1 and part.kind != "darlington":
        raise row.fault("R_BE2_ohm", "two base-emitter resistors, but no Darlington")
    return replace(
        part, polarity=own["polarity"], leads=leads, leads_basis=leads_basis, r_be_ohm=r_be,
        damper_diode=own["damper_diode"] == "yes", complement=own["complement"],
        **{name: row.cells.get(name, "")
           for name in ("leads_source", "complement_basis", "complement_source")},
        sections=1 if isnan(own["sections"]) else int(own["sections"]),
        family=part.family or _family(own, part, r_be), case_to=outline.case_to if outline else "",
    )  # fmt: skip


def _family(own: Mapping, part: PartType, r_be: tuple[float, ...]) -> str:
    """Family of a transistor whose row names none."""
    if part.material == "germanium":
        big = own["P_tot_W"] >= rule("family_germanium_power")
        return "germanium power" if big else "germanium small-signal"
    if part.kind == "darlington":
        # a power Darlington has them whether or not its sheet gives their values (from memory)
        inside = r_be or part.mounting == "bolted"
        return "silicon Darlington with resistors" if inside else "silicon Darlington B-E path"
    at_case = own["P_tot_at"].startswith("case")
    # the case of a small can or of a TO-92 held at 25 degC makes no power transistor of it
    big = (at_case or own["P_tot_W"] > rule("family_power")) and not (at_case and part.mounting == "board")
    big = big or own["I_C_A"] > rule("family_current")
    big = big or (part.mounting == "bolted" and isnan(own["P_tot_W"]) and isnan(own["I_C_A"]))
    return "silicon power BJT" if big else "small-signal silicon BJT"


def _laid_over(below: Mapping[str, _Entry], tables: Iterable[tuple[str, Iterable[Row]]]) -> dict[str, _Entry]:
    """Entries of the tables of one place, limits last, by plain name and the other names of a type."""
    found: dict[str, _Entry] = {}
    for table, content in tables:
        kind, _, device = table.partition("_")
        last, entry = "", None
        for row in content:
            name = row.cells["type"]
            if entry and kind == "limits" and name == last:
                entry.limits.append(row)
                continue
            if not name:
                raise row.fault("type", "is empty; a value is needed here")
            if kind == "types":
                entry = _Entry(name, device, row)
                for alias in (name, *row.cells.get("also", "").split()):
                    if found.setdefault(plain_name(alias), entry) is not entry:
                        raise row.fault("type", f"{alias!r} stands twice")
                continue
            key = plain_name(name)
            if key not in found:
                if key not in below:
                    raise row.fault("type", f"no type {name!r} stands in any table read so far")
                owner = below[key]
                entry = _Entry(owner.name, owner.device, None, owner)
                found[key] = found.setdefault(plain_name(owner.name), entry)
            last, entry = name, found[key]
            entry.limits.append(row)
    for entry in found.values():
        like = entry.row.cells.get("like", "") if entry.row and not entry.base else ""
        if not like:
            continue
        # a row that names itself is laid over the one below
        key, own = plain_name(like), plain_name(entry.name)
        step = base = below.get(key) if key == own else found.get(key) or below.get(key)
        if base is None:
            raise entry.fault("like", f"no type {like!r} to take the rest from")
        if base.device != entry.device:
            raise entry.fault("like", f"{like!r} is a {base.device}")
        while step:
            if step is entry:
                raise entry.fault("like", f"{like!r} leads round in a circle")
            step = step.base
        entry.base = base
    return found


class _Listed(_Entry):
    """A type of the reference tables: its lines are read when something of it is asked for."""

    def __init__(self, name: str, device: str, line: tuple[int, str], entries: Mapping[str, _Entry]) -> None:
        self.name, self.device, self._line, self._entries = name, device, line, entries

    @cached_property
    def row(self) -> Row:
        """Its row, with its lead order and its complement out of the tables that hold them, with sources."""
        row = index(f"types_{self.device}").row(*self._line)
        cells = dict(row.cells)
        if said := index("lead_orders").rows(self.name):
            order = said[0].cells
            cells |= {"leads": order["leads"], "leads_basis": order["basis"], "leads_source": order["source"]}
        return row._replace(cells=cells | _complement(self.name))

    @cached_property
    def base(self) -> _Entry | None:
        """The type named under like."""
        like = self.row.cells["like"]
        base = self._entries.get(plain_name(like)) if like else None
        if like and (base is None or base.device != self.device):
            raise self.row.fault("like", f"no {self.device} {like!r} to take the rest from")
        return base

    @cached_property
    def limits(self) -> list[Row]:
        """Its rows in the table of limits."""
        return index(f"limits_{self.device}").rows(self.name)

    def cells(self, wanted: Sequence[str]) -> list[str]:
        """As of any type, without reading more of its line than is wanted."""
        places, last = _places(self.device, (*wanted, "like"))
        line = self._line[1]
        written = line.split(",", last + 1)
        if -1 < line.find('"') < len(line) - len(written[-1]):
            written = list(self.row.cells.values())
        *own, like = [written[k] for k in places]
        base = self._entries.get(plain_name(like)) if like else None
        return [a or b for a, b in zip(own, base.cells(wanted), strict=True)] if base else own

    def stated(self, symbol: str) -> list[Row]:
        """As of any type, without reading its other rows."""
        table = index(f"limits_{self.device}")
        lines = table.lines.get(self.name, ())
        return [table.row(*line) for line in lines if line[1].split(",", 2)[1].strip() == symbol]

    def _gain_alone(self) -> bool:
        lines = index(f"limits_{self.device}").lines.get(self.name, ())
        return all(line.split(",", 2)[1].strip() == "h_FE" for _, line in lines)

    @cached_property
    def words(self) -> dict[str, str]:
        """As of any type; a gain group's complement is the same group of its type's, where there is one."""
        words = super().words
        if self.group_of and not words.get("complement") and (said := _complement(self.group_of)):
            group = plain_name(self.name).removeprefix(plain_name(self.group_of))
            same = self._entries.get(plain_name(said["complement"]) + group)
            words |= said | ({"complement": same.name} if same else {})
        return words


@cache
def _places(device: str, wanted: Sequence[str]) -> tuple[list[int], int]:
    """Places of headings in the table of types, and the last of them."""
    heading = index(f"types_{device}").heading
    places = [heading.index(name) for name in wanted]
    return places, max(places)


@cache
def _pairs() -> Mapping[str, dict[str, str]]:
    """What complements.csv says of a type; the first line holds where there are several."""
    found: dict[str, dict[str, str]] = {}
    for row in reference_rows("complements"):
        cells = row.cells
        for one, other in ((cells["npn"], cells["pnp"]), (cells["pnp"], cells["npn"])):
            found.setdefault(one, {"complement": other, **{f"complement_{name}": cells[name]
                                                           for name in ("basis", "source")}})  # fmt: skip
    return found


def _complement(name: str) -> dict[str, str]:
    return _pairs().get(name, {})


@cache
def _reference_entries() -> dict[str, _Entry]:
    found: dict[str, _Entry] = {}
    for device in ("bjt", "diode"):
        table = index(f"types_{device}")
        for name, lines in table.lines.items():
            entry = _Listed(name, device, lines[0], found)
            also = lines[0][1].split(",", 2)[1].split()
            for alias in (name, *also):
                if len(lines) > 1 or found.setdefault(plain_name(alias), entry) is not entry:
                    raise table.row(*lines[-1]).fault("type", f"{alias!r} stands twice")
    return found


def _user_tables(files: Iterable[Path]) -> list[tuple[str, Iterable[Row]]]:
    """Tables in files by the form of the reference table that they have, those of limits last."""
    known = {table: [column.name for column in columns(table)] for table in _NEEDED}
    found = []
    for path in files:
        first = next(rows(path, (), sum(known.values(), [])), None)
        cells = first.cells if first else {}
        table = next((t for t, needed in _NEEDED.items() if all(name in cells for name in needed)), "")
        if not table:
            raise ShelfError(
                "is neither a table of types (headings type and polarity, or type and kind) nor of limits"
                " (headings type and symbol)",
                path.name,
            )
        found.append((table, rows(path, _NEEDED[table], known[table])))
    return sorted(found, key=lambda one: one[0].startswith("limits"))


class TypeShelf:
    """All types of the reference tables and of a user's tables; build one with `type_shelf`."""

    def __init__(self, entries: Mapping[str, _Entry]) -> None:
        self._entries = entries
        self._found: dict[str, PartType | None] = {}
        self._near: dict[str, list[str]] = {}

    def __call__(self, name: str) -> PartType | None:
        """`find`, so that a shelf is what leads from a marking to its type."""
        return self.find(name)

    def get(self, name: str) -> PartType | None:
        """Type of exactly that name (case, blanks and dashes aside), or None."""
        entry = self._entries.get(plain_name(name))
        return entry and entry.part

    def find(self, name: str) -> PartType | None:
        """Type for a marking as it stands on the part (`junction.shelf.names.spellings`), or None."""
        if name not in self._found:
            keys = (key for key in spellings(name) if key in self._entries)
            self._found[name] = next((self._entries[key].part for key in keys), None)
        return self._found[name]

    def names(self, device: str = "") -> tuple[str, ...]:
        """Names of all types, or of all of one device ('bjt', 'diode'), in the order of the tables."""
        return tuple(
            entry.name for key, entry in self._entries.items()
            if key == plain_name(entry.name) and device in ("", entry.device)
        )  # fmt: skip

    def all(self, device: str) -> tuple[PartType, ...]:
        """All types of one device, 'bjt' or 'diode'."""
        return tuple(self._entries[plain_name(name)].part for name in self.names(device))

    def cells(self, device: str, wanted: Sequence[str]) -> Iterator[tuple[str, str, list[str]]]:
        """What the tables state of every type of a device, unchecked: to find the few that are worth reading.

        Parameters
        ----------
        device : str
            'bjt' or 'diode'.
        wanted : sequence of str
            Headings of the table of types.

        Yields
        ------
        tuple of (str, str, list of str)
            Name, the type that it is a gain group of or '', and its cells.
        """
        for key, entry in self._entries.items():
            if entry.device == device and key == plain_name(entry.name):
                like, *cells = entry.cells(("like", *wanted))
                yield entry.name, entry.group(like), cells

    def limits(self, name: str, symbol: str) -> tuple[Limit, ...]:
        """Limits of a symbol in the table of limits, for a type of exactly that name, no other row read."""
        entry = self._entries.get(plain_name(name))
        while entry:
            if found := entry.stated(symbol):
                return tuple(limit_of(row, "", "published") for row in found)
            entry = entry.base
        return ()

    def near_types(self, name: str, count: int = 4) -> list[PartType]:
        """Types that a name not on the shelf may mean, the nearest first; Zeners of the voltage it states."""
        if name not in self._near:
            keys, told = near_names(name, self._entries), number_says(name)
            self._near[name] = [*dict.fromkeys(self._entries[key].name for key in keys)]
            if not keys and told is not None and not isnan(told.volts):
                zeners = ((one, self.limits(one, "V_Z")) for one in self.names("diode"))
                volts = told.volts
                self._near[name] = [one for one, found in zeners if any(x.typical == volts for x in found)]
        return [self._entries[plain_name(one)].part for one in self._near[name][:count]]

    def near(self, name: str, count: int = 4) -> tuple[str, ...]:
        """Names of `near_types`, for a message."""
        return tuple(part.name for part in self.near_types(name, count))


@lru_cache(8)
def _shelf(*written: tuple[tuple[Path, int, int], ...]) -> TypeShelf:
    entries, users = dict(_reference_entries()), []
    for files in written:
        found = _laid_over(entries, _user_tables(file for file, *_ in files))
        entries, users = entries | found, [*users, *found.values()]
    shelf = TypeShelf(entries)
    for entry in users:
        part, other = entry.part, shelf.get(entry.part.complement)
        if entry.row is None or not part.complement:
            continue
        if other is None or other.polarity == part.polarity or other.device != part.device:
            reason = "is of the same polarity" if other else "stands in no table"
            raise entry.fault("complement", f"{part.complement!r} {reason}")
    return shelf


def user_folder() -> Path:
    r"""Folder for a user's own tables (it need not exist).

    ``$XDG_DATA_HOME/junction`` where that is set; else ``%APPDATA%\junction`` on Windows,
    ``~/Library/Application Support/junction`` on macOS, ``~/.local/share/junction`` elsewhere.
    """
    if os.environ.get("XDG_DATA_HOME"):
        return Path(os.environ["XDG_DATA_HOME"]) / "junction"
    if sys.platform == "win32" and os.environ.get("APPDATA"):
        return Path(os.environ["APPDATA"]) / "junction"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "junction"
    return Path.home() / ".local" / "share" / "junction"


def type_shelf(extra: Iterable[str | Path] = ()) -> TypeShelf:
    """The shelf of types.

    Parameters
    ----------
    extra : iterable of path, optional
        Files or folders given with ``--types``, over the user's folder, over the reference.

    Raises
    ------
    ShelfError
        A file that cannot be read or a fault in a user's table, with line and column.
    """
    own, given = user_folder() / "types", tuple(Path(path) for path in extra)
    try:
        return _shelf(as_written((own,) if own.is_dir() else ()), as_written(given))
    except ShelfError as error:  # a file that nobody named on this call is told with its folder
        named = error.file in [path.name for path in given]
        if named or not (error.file and os.path.isfile(own / error.file)):
            raise
        raise ShelfError(error.reason, str(own / error.file), error.row, error.column) from error


def find_type(name: str, extra: Iterable[str | Path] = ()) -> PartType | None:
    """`TypeShelf.find` on `type_shelf`; None for an empty name."""
    return type_shelf(extra).find(name) if name.strip() else None


def near_types(name: str, extra: Iterable[str | Path] = ()) -> list[PartType]:
    """`TypeShelf.near_types` on `type_shelf`; [] for an empty name."""
    return type_shelf(extra).near_types(name) if plain_name(name) else []


def unknown_words(name: str, types: Callable[[str], PartType | None] | None = None) -> dict[str, str]:
    """What sentences say of a type that is not on the shelf: ``type``, ``near``, what its number ``says``.

    `types` is the shelf it was looked up on; the reference and the user's folder where that is none.
    """
    shelf, told = types if isinstance(types, TypeShelf) else type_shelf(), number_says(name)
    near = shelf.near(name) if plain_name(name) and not (told and told.kinds) else ()
    return {"type": name, "near": listed(near), "says": told.says if told else ""}
