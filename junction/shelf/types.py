"""Registered types: reference tables, a user's own tables, and finding a type by its marking.

Tables come in layers: the reference tables, then the CSV files in the user's folder
(`junction.shelf.tables.user_folder`), then the files named with ``--types``.  A type in a higher layer
replaces the one of that name below; a limits row in a higher layer for a type that only stands below
replaces that symbol alone.  Rows are checked when their type is asked for (a `check` of one part must not
pay for three hundred); a user's rows are all checked at once, so that a fault shows when it is made.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from pathlib import Path

from junction.base.errors import ShelfError
from junction.base.records import plain_name
from junction.shelf.build import BJT_COLUMNS, DIODE_COLUMNS, LIMIT_COLUMNS, Entry, build
from junction.shelf.results import PartType
from junction.shelf.tables import Row, reference_folder, table, user_folder

_NEEDED = {"bjt": ("type", "polarity"), "diode": ("type", "kind"), "limit": ("type", "symbol")}
_KNOWN = {"bjt": BJT_COLUMNS, "diode": DIODE_COLUMNS, "limit": LIMIT_COLUMNS}

#: ordering and packing suffixes that makers hang on a type number; they change no limit
_SUFFIXES = (
    "STU", "RLRAG", "RLRMG", "RLRPG", "RLRA", "RLRM", "TFR", "TAR", "TFRG", "BU", "TU", "TA", "TF", "TR",
    "AP", "T/R", "RLG", "RL", "G",
)  # fmt: skip
_QUALITY = ("JANTXV", "JANTX", "JANS", "JAN")  # military quality prefixes of the same registration


class _Layer:
    """Entries of one layer by plain name, and the names they are listed under."""

    def __init__(self) -> None:
        self.entries: dict[str, Entry] = {}
        self.names: dict[str, str] = {}

    def add_types(self, rows: Iterable[Row], device: str) -> None:
        for row in rows:
            name = row.text("type", needed=True)
            aliases = [name, *row.text("also").split()]
            for alias in aliases:
                if plain_name(alias) in self.names:
                    raise row.fault("type", f"{alias!r} stands twice")
                self.names[plain_name(alias)] = plain_name(name)
            self.entries[plain_name(name)] = Entry(name, device, row)

    def add_limits(self, rows: Iterable[Row], below: tuple[_Layer, ...]) -> None:
        for row in rows:
            key = plain_name(row.text("type", needed=True))
            if key not in self.entries:
                owner = next((x.entries[x.names[key]] for x in reversed(below) if key in x.names), None)
                if owner is None:
                    raise row.fault("type", f"no type {row.text('type')!r} stands in any table read so far")
                own = plain_name(owner.name)
                if own not in self.entries:
                    self.entries[own] = Entry(owner.name, owner.device, None)
                    self.names[own] = own
                key = own
            self.entries[key].limits.append(row)


def _kind_of(path: Path) -> str:
    """Which table a user's file is, by its headings."""
    for row in table(path, (), sum(_KNOWN.values(), ())):
        for kind, needed in _NEEDED.items():
            if all(name in row.cells for name in needed):
                return kind
        break
    raise ShelfError(
        "is neither a table of types (headings type and polarity, or type and kind) nor of limits"
        " (headings type and symbol)",
        path.name,
    )


def _files(path: Path) -> list[Path]:
    return sorted(path.glob("*.csv")) if path.is_dir() else [path]


def _user_layer(files: Iterable[Path], below: tuple[_Layer, ...]) -> _Layer:
    layer = _Layer()
    kinds = [(path, _kind_of(path)) for path in files]
    for path, kind in kinds:
        if kind != "limit":
            layer.add_types(table(path, _NEEDED[kind], _KNOWN[kind]), kind)
    for path, kind in kinds:
        if kind == "limit":
            layer.add_limits(table(path, _NEEDED[kind], _KNOWN[kind]), below)
    return layer


@cache
def _reference() -> _Layer:
    layer, folder = _Layer(), reference_folder()
    for device, columns in (("bjt", BJT_COLUMNS), ("diode", DIODE_COLUMNS)):
        layer.add_types(table(folder / f"types_{device}.csv", columns), device)
    for device in ("bjt", "diode"):
        layer.add_limits(table(folder / f"limits_{device}.csv", LIMIT_COLUMNS), ())
    return layer


class TypeShelf:
    """All types of the reference tables and of a user's tables; build one with `type_shelf`."""

    def __init__(self, layers: tuple[_Layer, ...]) -> None:
        self._layers = layers
        self._built: dict[tuple[str, int], PartType] = {}
        for depth in range(1, len(layers)):
            for key, entry in layers[depth].entries.items():
                part = self._build(key, depth + 1)
                self._check_complement(entry, part)

    def _check_complement(self, entry: Entry, part: PartType | None) -> None:
        if entry.row is None or part is None or not part.complement:
            return
        other = self.get(part.complement)
        if other is None or other.polarity == part.polarity or other.device != part.device:
            reason = "is of the same polarity" if other else "stands in no table"
            raise entry.fault("complement", f"{part.complement!r} {reason}")

    def _depth(self, key: str, under: int) -> tuple[str, int]:
        """Own plain name and depth (1-based) of the highest entry below `under`; depth 0: none."""
        for depth in range(min(under, len(self._layers)), 0, -1):
            layer = self._layers[depth - 1]
            if key in layer.names:
                return layer.names[key], depth
        return key, 0

    def _build(self, key: str, under: int, seen: tuple[str, ...] = ()) -> PartType | None:
        key, depth = self._depth(key, under)
        if depth == 0:
            return None
        if (key, depth) not in self._built:
            entry = self._layers[depth - 1].entries[key]
            base = None
            like = entry.row.text("like") if entry.row else entry.name
            if like:
                same = plain_name(like) == key
                if plain_name(like) in seen and not same:
                    raise entry.fault("like", f"{like!r} leads round in a circle")
                # what a user lays over the base of a type below does not reach that type
                base = self._build(plain_name(like), depth - 1 if same else depth, (*seen, key))
                if base is None:
                    raise entry.fault("like", f"no type {like!r} to take the rest from")
                if base.device != entry.device:
                    raise entry.fault("like", f"{like!r} is a {base.device}")
            self._built[key, depth] = build(entry, base)
        return self._built[key, depth]

    def get(self, name: str) -> PartType | None:
        """Type of exactly that name (case, blanks and dashes aside), or None."""
        return self._build(plain_name(name), len(self._layers))

    def find(self, name: str) -> PartType | None:
        """Type for a marking as it stands on the part, or None.

        Tried in this order: the name itself; a military quality prefix taken as the JAN type of that
        number and else as the number; an ordering suffix dropped.  A letter that may mean another
        selection (a gain group, a voltage step) is never dropped.
        """
        for text in _spellings(name):
            found = self.get(text)
            if found is not None:
                return found
        return None

    def names(self, device: str = "") -> tuple[str, ...]:
        """Names of all types, or of all of one device ('bjt', 'diode'), in the order of the tables."""
        found: dict[str, str] = {}
        for layer in self._layers:
            for key, entry in layer.entries.items():
                if device in ("", entry.device):
                    found.setdefault(key, entry.name)
                else:
                    found.pop(key, None)
        return tuple(found.values())

    def all(self, device: str) -> tuple[PartType, ...]:
        """All types of one device, 'bjt' or 'diode'."""
        built = (self.get(name) for name in self.names(device))
        return tuple(part for part in built if part is not None)

    def near(self, name: str, count: int = 4) -> tuple[str, ...]:
        """Names that look like `name`, for a message."""
        import difflib  # only where something was not found

        names = {plain_name(n): n for n in self.names()}
        return tuple(names[k] for k in difflib.get_close_matches(plain_name(name), names, count, 0.75))


def _spellings(name: str) -> Iterable[str]:
    text = plain_name(name)
    heads = [text]
    for prefix in _QUALITY:
        if text.startswith(prefix) and len(text) > len(prefix):
            rest = text[len(prefix) :]
            heads = [text, "JAN" + rest, rest]
            break
    for head in heads:
        yield head
    for head in heads:
        for suffix in _SUFFIXES:
            if head.endswith(suffix):
                yield head[: -len(suffix)]


@cache
def _shelf(extra: tuple[Path, ...], own: Path) -> TypeShelf:
    layers = (_reference(),)
    folder = _files(own) if own.is_dir() else []
    for files in ([*folder], [file for path in extra for file in _files(path)]):
        if files:
            layers = (*layers, _user_layer(files, layers))
    return TypeShelf(layers)


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
    return _shelf(tuple(Path(path) for path in extra), user_folder() / "types")


def find_type(name: str, extra: Iterable[str | Path] = ()) -> PartType | None:
    """`TypeShelf.find` on `type_shelf`; None for an empty name."""
    return type_shelf(extra).find(name) if name.strip() else None


def bjt_types(extra: Iterable[str | Path] = ()) -> tuple[PartType, ...]:
    """All transistors."""
    return type_shelf(extra).all("bjt")


def diode_types(extra: Iterable[str | Path] = ()) -> tuple[PartType, ...]:
    """All diodes."""
    return type_shelf(extra).all("diode")
