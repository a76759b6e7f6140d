"""Frozen records that travel between layers: what was read, and what was set aside.

Arrays are ragged over parts in compressed form: sweep ``k`` owns points ``starts[k]:starts[k + 1]`` of
the flat point arrays.  Axis 0 is always the part or sweep; one part is a batch of one.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from functools import cache
from itertools import chain, compress
from math import isfinite, nan
from typing import ClassVar

import numpy as np

#: Probe placements by lead letter, red lead first, as every meter shows them.
BJT_PLACEMENTS = ("B-E", "E-B", "B-C", "C-B", "C-E", "E-C")
NUMBER_PLACEMENTS = ("1-2", "2-1", "1-3", "3-1", "2-3", "3-2")
DIODE_PLACEMENTS = ("A-K", "K-A")
_PLACE = {name: k for k, name in enumerate((*BJT_PLACEMENTS, *NUMBER_PLACEMENTS, *DIODE_PLACEMENTS))}
#: Names that leads may have: letters of the trade, numbers of leads not known, the marks on a bridge.
LEAD_NAME = r"[BCEGDS]|AK|[AK][1-3]?|M?T[12]|[1-4]|IN|OUT|GND|ADJ|~[12]?|[+-]"
_PLACEMENT = re.compile(rf"({LEAD_NAME})-({LEAD_NAME})")


@cache
def split_placement(placement: str) -> tuple[str, str]:
    """Red and black lead of a placement ``X-Y``, ('', '') where the text is none; ``--+`` is '-' and '+'."""
    match = _PLACEMENT.fullmatch(placement)
    if not match or match[1] == match[2] or match[1].isdigit() != match[2].isdigit():
        return "", ""
    return match[1], match[2]


#: Junction names in sweeps: p side against n side (CE: collector against emitter).
JUNCTIONS = ("AK", "BE", "BC", "CE")
_JUNCTION = re.compile(r"(?<![\w-])(?:B(?=[CE](?![\w-]))|C(?=E(?![\w-]))|A(?=K(?![\w-])))")


def spelled(*names: str) -> str:
    """Junctions and faults as people read them: ``B-E leaky, C-E`` for ``BE leaky`` and ``CE``.

    Only for names of junctions and faults: a word of two letters elsewhere may be somebody's tag.
    """
    return _JUNCTION.sub(r"\g<0>-", ", ".join(names))


def not_json(default):
    """A field that the JSON leaves out (see `junction.show.write`)."""
    return field(default=default, metadata={"json": False})


#: dashes and blanks of every kind, and what a gain group stands in
_NO_SIGNS = str.maketrans(
    "", "", " -_()\t\n\u00a0\u00ad\u2002\u2003\u2007\u2008\u2009\u200a\u200b\u202f\u3000"
    "\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufe58\ufe63\uff0d\u30fc",
)  # fmt: skip


def plain_name(name: str) -> str:
    """Type number without case, blanks, dashes, brackets and underscores: ``bc 337-25`` is ``BC33725``."""
    return name.upper().translate(_NO_SIGNS)


@cache
def _compared(kind: type) -> tuple[str, ...]:
    return tuple(f.name for f in fields(kind) if f.compare)


class _Alike:
    """Records that are equal where all their fields are; what is not known (nan) equals what is not known.

    Left to itself, a comparison of nan depends on which nan it is, and on the version of Python.
    """

    def _key(self) -> tuple:
        values = (getattr(self, name) for name in _compared(type(self)))
        return tuple(None if value != value else value for value in values)

    def __eq__(self, other: object) -> bool:
        return self._key() == other._key() if type(other) is type(self) else NotImplemented

    def __hash__(self) -> int:
        return hash(self._key())


@dataclass(frozen=True)
class SetAside:
    """A row or cell that was not used, with its place and the reason.

    ``row`` is the 1-based line in the file, comment and blank lines counted (None for a whole file),
    ``column`` the heading as written.  ``rows`` is how many data rows this entry takes out: 1 for a row,
    0 where only a cell or a column is left out and the row is otherwise used, more where one fault
    holds for several rows (``row`` is then the first of them).  Over a bag, rows used plus the sum of
    ``rows`` is the number of rows read.
    """

    file: str
    row: int | None
    column: str
    value: str
    reason: str
    rows: int = 1

    @property
    def says(self) -> str:
        """What was written and why it was not used: ``'0.6S2' is not a number``, ``'655': write 655mV``."""
        verb = self.reason.startswith(("is ", "has ", "may "))
        return f"{self.value!r}{' ' if verb else ': '}{self.reason}" if self.value else self.reason


@dataclass(frozen=True, eq=False)
class Reading(_Alike):
    """One meter value: red lead on X, black lead on Y, placement ``X-Y``.

    ``kind`` is ``volt`` (diode mode, value [V]), ``over`` (over-range mark, value nan) or ``ohm``
    (resistance range, value [ohm]; inf is an over-range resistance).
    """

    placement: str
    kind: str
    value: float = nan
    settling: bool = False  # marked as still falling: a capacitor charging in circuit
    text: str = field(default="", compare=False, metadata={"json": False})  # as written, '' of a number

    def __post_init__(self) -> None:
        if self.kind not in ("volt", "over", "ohm"):
            raise ValueError(f"reading kind {self.kind!r}: expected volt, over or ohm")

    @property
    def red(self) -> str:
        """Lead that the red probe was on."""
        return split_placement(self.placement)[0]

    @property
    def black(self) -> str:
        """Lead that the black probe was on."""
        return split_placement(self.placement)[1]


@dataclass(frozen=True, eq=False)
class Spot(_Alike):
    """One spot reading of a transistor: V_BE and h_FE at a collector current (nan where silent)."""

    ic_A: float = nan  # [A], positive for both polarities
    vbe_V: float = nan  # [V], positive for both polarities
    hfe: float = nan  # [1]
    temp_C: float = nan  # [degC]
    #: [V], nan as usual: where it was taken, and how sure it is; what all parts of a type share of its errors
    vce_V: float = not_json(nan)
    u_vce_V: float = not_json(nan)
    u_vbe_V: float = not_json(nan)
    shared_vbe_V: float = not_json(0.0)  # [V]
    shared_hfe: float = not_json(0.0)  # [1]


@dataclass(frozen=True, eq=False)
class PartReadings(_Alike):
    """All meter readings of one part, with what its rows say of it (nan or '' where silent)."""

    part: str
    readings: tuple[Reading, ...] = ()
    type: str = ""
    polarity: str = ""  # 'NPN', 'PNP' or ''
    temp_C: float = nan  # [degC]
    in_circuit: bool = False
    note: str = ""
    file: str = ""
    row: int = 0
    spots: tuple[Spot, ...] = ()
    refused: tuple[str, ...] = ()  # placements whose reading was given and could not be used
    lifted: tuple[str, ...] = ()  # leads that were lifted off the board before these readings
    discharged: bool = False  # all leads were shorted together before these readings: no gate holds a charge
    refused_why: tuple[str, ...] = ()  # of each refused one its line, the cell and what to write instead
    refused_as: tuple[str, ...] = ()  # and what was written there

    @property
    def hfe(self) -> float:
        """Gain of the first spot reading [1], nan where none says it."""
        return self.spots[0].hfe if self.spots else nan


class _Ragged:
    """What tables of sweeps and curves have in common: sweep ``k`` owns points ``starts[k]:starts[k + 1]``.

    Fields named in `_points` are flat arrays over points; every other one has an entry a sweep.
    """

    _points: ClassVar[tuple[str, ...]]
    _kinds: ClassVar[dict[str, type]] = {"starts": np.int64, "row": np.int64, "reversed_sign": bool}

    def __post_init__(self) -> None:
        n, points = len(self.part), np.size(self.row)
        for field_ in fields(self):
            name, value = field_.name, getattr(self, field_.name)
            if isinstance(value, tuple):
                value = value or ("",) * n
            else:
                value = np.full(n, nan) if value is None else value
                value = np.ascontiguousarray(value, dtype=self._kinds.get(name, float)).view()
                value.flags.writeable = False
            if len(value) != (points if name in self._points else n + (name == "starts")):
                raise ValueError(f"{self._what}: {name} must have one entry for each of its rows")
            object.__setattr__(self, name, value)
        if self.starts[-1] != points:
            raise ValueError(f"{self._what}: starts must hold offsets that end at the point count")

    def __len__(self) -> int:
        return len(self.part)

    def points(self, k: int) -> slice:
        """Slice of the flat arrays that sweep or part `k` owns."""
        return slice(int(self.starts[k]), int(self.starts[k + 1]))

    def keep(self, which: np.ndarray):
        """Table of some of its sweeps or parts, by an array of bool (n,)."""
        if which.all():
            return self
        counts = np.diff(self.starts)
        changes = {f.name: getattr(self, f.name) for f in fields(self)}
        for name, value in changes.items():
            if isinstance(value, tuple):
                changes[name] = tuple(compress(value, which))
            elif name != "starts":
                changes[name] = value[np.repeat(which, counts) if name in self._points else which]
        return replace(self, **changes | {"starts": np.append(0, np.cumsum(counts[which]))})

    def take(self, order: Sequence[int]):
        """Table of its sweeps or parts in another order."""
        points = [np.arange(self.starts[k], self.starts[k + 1]) for k in order]
        flat = np.concatenate([*points, np.zeros(0, int)]).astype(int)
        changes = {f.name: getattr(self, f.name) for f in fields(self)}
        for name, value in changes.items():
            if isinstance(value, tuple):
                changes[name] = tuple(value[k] for k in order)
            elif name != "starts":
                changes[name] = value[flat if name in self._points else list(order)]
        counts = np.diff(self.starts)[list(order)]
        return replace(self, **changes | {"starts": np.append(0, np.cumsum(counts))})

    @classmethod
    def empty(cls):
        """A table of no sweeps or parts."""
        texts = {f.name: () if f.type.startswith("tuple") else np.zeros(0) for f in fields(cls)}
        return cls(**texts | {"starts": np.zeros(1)})

    @classmethod
    def joined(cls, tables):
        """One table of all sweeps or parts of several, in their order."""
        if len(tables) < 2:
            return tables[0] if tables else cls.empty()
        starts = np.append(0, np.cumsum(np.concatenate([np.diff(t.starts) for t in tables])))
        columns = {f.name: [getattr(t, f.name) for t in tables] for f in fields(cls)} | {"starts": [starts]}
        return cls(**{
            name: tuple(chain(*values)) if isinstance(values[0], tuple) else np.concatenate(values)
            for name, values in columns.items()
        })  # fmt: skip


@dataclass(frozen=True, eq=False)
class SweepTable(_Ragged):
    """Sweeps of single junctions, ragged.

    Parameters
    ----------
    part, junction, type, file : tuple of str, length n
        Written tag, one of `JUNCTIONS`, registered type or '', file name.
    temp_C : ndarray (n,)
        Recorded temperature [degC], nan where not given.
    starts : ndarray of int (n + 1,)
        Point offsets.
    v_V, i_A : ndarray (m,)
        Voltage of the p side against the n side [V] (collector against emitter for CE) and the
        current into it [A], in the order logged; forward positive for both polarities.
    row : ndarray of int (m,)
        Line of each point in its file.
    reversed_sign : ndarray of bool (n,)
        True where the log had the signs of a PNP part and they were turned over.
    polarity : tuple of str, length n
        'NPN', 'PNP' or '' (from a column of the file; '' throughout where not given).
    temp_span_K : ndarray (n,)
        Highest less lowest recorded temperature within the sweep [K], nan where not given.
    """

    _what = "sweep table"
    _points = ("v_V", "i_A", "row")

    part: tuple[str, ...]
    junction: tuple[str, ...]
    type: tuple[str, ...]
    file: tuple[str, ...]
    temp_C: np.ndarray
    starts: np.ndarray
    v_V: np.ndarray
    i_A: np.ndarray
    row: np.ndarray
    reversed_sign: np.ndarray
    polarity: tuple[str, ...] = ()
    temp_span_K: np.ndarray | None = None


@dataclass(frozen=True, eq=False)
class CurveTable(_Ragged):
    """Curves of transistors, ragged like `SweepTable`; all values in the NPN sense (positive when on).

    ``vbe_V`` or ``ib_A`` may be nan where a file lacks the column.
    """

    _what = "curve table"
    _points = ("vce_V", "vbe_V", "ib_A", "ic_A", "row")

    part: tuple[str, ...]
    type: tuple[str, ...]
    polarity: tuple[str, ...]  # 'NPN', 'PNP' or '' (from a column, or from the signs)
    file: tuple[str, ...]
    temp_C: np.ndarray  # (n,) [degC]
    starts: np.ndarray  # (n + 1,)
    vce_V: np.ndarray  # (m,) [V]
    vbe_V: np.ndarray  # (m,) [V]
    ib_A: np.ndarray  # (m,) [A]
    ic_A: np.ndarray  # (m,) [A]
    row: np.ndarray  # (m,)
    temp_span_K: np.ndarray | None = None  # (n,) [K], nan where not given


@dataclass(frozen=True, eq=False)
class Bag:
    """Everything one call of the intake found: readings, sweeps, curves and the set-aside list.

    ``rows_read`` counts data rows (no headings, comments or blank lines); ``rows_used`` those of which
    something is in the records.  ``rows_used + sum(s.rows for s in set_aside) == rows_read``.
    """

    readings: tuple[PartReadings, ...] = ()
    sweeps: SweepTable = SweepTable.empty()
    curves: CurveTable = CurveTable.empty()
    set_aside: tuple[SetAside, ...] = ()
    files: tuple[str, ...] = ()
    rows_read: int = 0
    rows_used: int = 0

    def by_name(self) -> Bag:
        """The same parts in the order of their names, Q2 before Q10, whatever the order of files and rows.

        Of one part sweeps stand by junction, readings by placement.
        """

        def in_order(names: Sequence[str], *then: Sequence) -> list[int]:
            digits = [[x.zfill(9) for x in re.split(r"(\d+)", name)] for name in names]
            keys = list(zip(digits, names, *then, strict=True))
            return sorted(range(len(names)), key=keys.__getitem__)

        def taken(table, *then: Sequence):
            order = in_order(table.part, *then)
            return table if order == list(range(len(table))) else table.take(order)  # millions of points

        def by_placement(part: PartReadings) -> PartReadings:
            found = tuple(sorted(part.readings, key=lambda r: _PLACE.get(r.placement, len(_PLACE))))
            return part if found == part.readings else replace(part, readings=found)

        of = self.sweeps
        sweeps = taken(of, [JUNCTIONS.index(name) for name in of.junction], of.file)
        order = in_order([r.part for r in self.readings], [r.file for r in self.readings])
        readings = tuple(by_placement(self.readings[k]) for k in order)
        return replace(self, readings=readings, sweeps=sweeps, curves=taken(self.curves, self.curves.file))


@dataclass(frozen=True, eq=False)
class Interval(_Alike):
    """A value with its 95 % interval in SI units.

    A one-sided limit has ``value`` nan and either ``low`` or ``high`` infinite.
    """

    value: float
    low: float = nan
    high: float = nan
    unit: str = not_json("")

    def ends(self) -> dict[str, float | None]:
        """Value and ends by name, None for what is not known or open (as JSON writes it)."""
        return {k: v if isfinite(v) else None for k, v in (("value", self.value), ("low", self.low),
                                                           ("high", self.high))}  # fmt: skip
