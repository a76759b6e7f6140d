"""Points to tables: one ragged sweep or curve per part, in the order logged, signs set right."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import nan

import numpy as np

from junction.base.errors import UnitError
from junction.base.records import JUNCTIONS, CurveTable, SetAside, SweepTable, plain_name
from junction.base.units import shown
from junction.intake.cells import name_cell, polarity_cell, visible
from junction.intake.points import TEXTS, Points
from junction.intake.rows import set_aside
from junction.intake.sheet import Sheet
from junction.intake.signs import reversed_sweeps


@dataclass
class Group:
    """What the text cells say of one sweep, or of one part's curves."""

    part: str
    junction: str
    types: list[str]
    polarities: list[str]


@dataclass
class Grouped:
    """Points of one file ordered by group; group g owns points ``starts[g]:starts[g + 1]``."""

    file: str
    groups: list[Group]
    starts: np.ndarray
    values: dict[str, np.ndarray]
    line: np.ndarray
    set_aside: list[SetAside]
    rows_read: int


@lru_cache(maxsize=256)
def junction_cell(text: str) -> str:
    """Junction name of a cell, in the one spelling of `JUNCTIONS`."""
    name = "".join(c for c in text.upper() if c.isalnum())
    if name in JUNCTIONS:
        return name
    if name[::-1] in JUNCTIONS:  # turned letters may mean turned signs, or not
        raise UnitError(f"{shown(text)}: write {name[::-1]}, with v as the p side against the n side")
    raise UnitError(f"{shown(text)} is not a junction; write AK, BE, BC or CE")


class _Places:
    """How many rows each combination of text cells has, and the first and last line of them."""

    def __init__(self, sheet: Sheet, points: Points) -> None:
        self.sheet = sheet
        code, n = points.code, len(points.keys)
        # runs of equal rows, so that nothing below is done row by row
        at = np.append(0, np.flatnonzero(code[1:] != code[:-1]) + 1) if code.size else np.empty(0, np.int64)
        self.run_code, self.run_length = code[at], np.diff(np.append(at, code.size))
        self.count = self.sizes(self.run_code, n)
        self.first = np.zeros(n, np.int64)
        self.last = np.zeros(n, np.int64)
        self.first[self.run_code[::-1]] = points.line[at][::-1]
        self.last[self.run_code] = points.line[at + self.run_length - 1]

    def sizes(self, run_label: np.ndarray, n: int) -> np.ndarray:
        """Rows under each of n labels, given the label of each run."""
        return np.bincount(run_label, self.run_length, n).astype(np.int64)

    def entry(self, key: int, name: str, value: str, reason: str, *, takes: bool) -> SetAside:
        """One set-aside entry for all rows with these text cells."""
        count = int(self.count[key])
        if count > 1:
            reason += f" ({count} rows, down to line {self.last[key]})"
        heading = column.heading if (column := self.sheet.column(name)) else ""
        line = int(self.first[key])
        return set_aside(self.sheet.file, line, heading, value, reason, count if takes else 0)


def group_points(sheet: Sheet, points: Points) -> Grouped:
    """Gather the points of each part (and junction); rows of one may lie anywhere in the file."""
    names = TEXTS[sheet.form]
    places = _Places(sheet, points)
    groups: dict[tuple[str, str], int] = {}
    found: list[Group] = []
    of_key = np.full(len(points.keys), -1, np.int32)
    out = list(points.set_aside)
    for k in np.argsort(places.first, kind="stable").tolist():  # in the order of the file
        key = points.keys[k]
        if not places.count[k]:  # all its rows were set aside already
            continue
        column = "part"
        try:
            part = name_cell(key[0])
            column = "junction"
            where = junction_cell(key[1]) if names[1] == "junction" else ""
        except UnitError as error:
            value = key[names.index(column)]
            out.append(places.entry(k, column, value, str(error), takes=True))
            continue
        g = groups.setdefault((part, where), len(groups))
        if g == len(found):
            found.append(Group(part, where, [], []))
        of_key[k] = g
        if key[-2] or key[-1]:
            out += _say(places, k, key[-2], key[-1], found[g])
    run_group = of_key[places.run_code]
    if (np.diff(run_group) < 0).any() or (run_group < 0).any():
        order = np.argsort(of_key[points.code], kind="stable")
        points = points.take(order[int(places.sizes(run_group + 1, len(found) + 1)[0]) :])
    sizes = places.sizes(run_group + 1, len(found) + 1)[1:]  # label 0: refused
    starts = np.append(0, np.cumsum(sizes))
    return Grouped(sheet.file, found, starts, points.values, points.line, out, points.rows_read)


def _say(places: _Places, key: int, kind: str, polarity: str, group: Group) -> list[SetAside]:
    """Take the type and polarity of a run of rows; what cannot be used is entered without taking a row."""
    out: list[SetAside] = []
    kind = visible(kind)
    if kind and plain_name(kind) not in map(plain_name, group.types):
        group.types.append(kind)
    try:
        name = polarity_cell(polarity)
        if name and name not in group.polarities:
            group.polarities.append(name)
    except UnitError as error:
        out.append(places.entry(key, "polarity", polarity, str(error), takes=False))
    for name, cell, said in (("type", kind, group.types), ("polarity", polarity, group.polarities)):
        if len(said) > 1 and cell.strip():
            reason = f"part {group.part} has more than one {name}: {', '.join(said)}; none is used"
            out.append(places.entry(key, name, cell, reason, takes=False))
    return out


def _only(said: list[str]) -> str:
    return said[0] if len(said) == 1 else ""


def _temperatures(grouped: Grouped) -> tuple[np.ndarray, np.ndarray]:
    """Mean recorded temperature of each group [degC] and its span [K]; nan where none is given."""
    n = len(grouped.groups)
    temp, span = np.full(n, nan), np.full(n, nan)
    known = np.isfinite(grouped.values["temp"])
    if known.any():
        group = np.repeat(np.arange(n), np.diff(grouped.starts))[known]
        values = grouped.values["temp"][known]
        count = np.bincount(group, minlength=n)
        has = count > 0
        temp[has] = (np.bincount(group, values, n)[has]) / count[has]
        low, high = np.full(n, np.inf), np.full(n, -np.inf)
        np.minimum.at(low, group, values)
        np.maximum.at(high, group, values)
        span[has] = (high - low)[has]
    return temp, span


def _select(grouped: Grouped, keep: np.ndarray) -> Grouped:
    """Only some of the groups, with their points."""
    if keep.all():
        return grouped
    counts = np.diff(grouped.starts)
    points = np.repeat(keep, counts)
    return Grouped(
        grouped.file, [g for g, k in zip(grouped.groups, keep.tolist(), strict=True) if k],
        np.append(0, np.cumsum(counts[keep])), {n: a[points] for n, a in grouped.values.items()},
        grouped.line[points], grouped.set_aside, grouped.rows_read,
    )  # fmt: skip


def usable_sweeps(sheet: Sheet, grouped: Grouped) -> Grouped:
    """Leave out sweeps of one point, or all at one voltage, with their reason."""
    if not grouped.groups:
        return grouped
    first, counts, v = grouped.starts[:-1], np.diff(grouped.starts), grouped.values["v"]
    spread = np.maximum.reduceat(v, first) - np.minimum.reduceat(v, first)
    for g in np.flatnonzero(spread == 0).tolist():
        group, n, at = grouped.groups[g], int(counts[g]), int(first[g])
        name = f"{group.part} {group.junction}"
        if n == 1:
            reason = f"sweep {name} has one point; a sweep needs points at two voltages or more"
        else:
            reason = f"sweep {name}: all {n} points at the same voltage; a sweep needs two voltages or more"
        heading = sheet.column("v").heading
        entry = set_aside(sheet.file, int(grouped.line[at]), heading, f"{v[at]:.6g} V", reason, n)
        grouped.set_aside.append(entry)
    return _select(grouped, spread > 0)


def sweep_table(files: list[Grouped]) -> SweepTable:
    """One table of the sweeps of all files, in the sense of the records.

    Parameters
    ----------
    files : list of Grouped
        Each through `usable_sweeps`.

    Returns
    -------
    SweepTable
    """
    files = [f for f in files if f.groups]
    if not files:
        return SweepTable.empty()
    groups = [g for f in files for g in f.groups]
    starts = _joined_starts(files)
    v, i = (_joined(files, name) for name in ("v", "i"))
    polarity = tuple(_only(g.polarities) for g in groups)
    owners: dict[tuple[str, str], int] = {}
    owner = np.array([owners.setdefault((f.file, g.part), len(owners)) for f in files for g in f.groups])
    junction = np.array([g.junction for g in groups])
    turned = reversed_sweeps(junction, np.array(polarity), owner, starts, v, i)
    if turned.any():
        sign = np.repeat(np.where(turned, -1.0, 1.0), np.diff(starts))
        v, i = v * sign + 0.0, i * sign + 0.0  # + 0.0: no negative zeros
    temp, span = (np.concatenate(x) for x in zip(*(_temperatures(f) for f in files), strict=True))
    return SweepTable(
        tuple(g.part for g in groups), tuple(g.junction for g in groups),
        tuple(_only(g.types) for g in groups), tuple(f.file for f in files for _ in f.groups),
        temp, starts, v, i, _joined(files, "line"), turned, polarity, span,
    )  # fmt: skip


def _joined(files: list[Grouped], name: str) -> np.ndarray:
    arrays = [f.line if name == "line" else f.values[name] for f in files]
    return arrays[0] if len(arrays) == 1 else np.concatenate(arrays)


def _joined_starts(files: list[Grouped]) -> np.ndarray:
    return np.append(0, np.cumsum(np.concatenate([np.diff(f.starts) for f in files])))


def settle_polarity(sheet: Sheet, grouped: Grouped) -> Grouped:
    """Turn the curves of PNP parts to the NPN sense, and write each part's polarity into its group.

    The sign of V_CE tells; each other quantity of a PNP part is turned where it too is negative on the
    whole, because some instruments sign the voltages and not the currents.  A file that also holds
    negative parts holds positive ones as NPN; where all are positive nothing is concluded.
    """
    n, counts = len(grouped.groups), np.diff(grouped.starts)
    group = np.repeat(np.arange(n), counts)
    names = ("vce", "vbe", "ib", "ic")
    total = {name: np.bincount(group, np.nan_to_num(grouped.values[name]), n) for name in names}
    negative = total["vce"] < 0
    keep = np.ones(n, bool)
    for k in range(n):
        said = _only(grouped.groups[k].polarities)
        if said == "NPN" and negative[k]:
            keep[k] = False
            at = int(grouped.starts[k])
            reason = f"part {grouped.groups[k].part} is marked NPN, but logged with the signs of a PNP"
            heading = sheet.column("vce").heading
            value = f"{grouped.values['vce'][at]:.6g} V"
            grouped.set_aside.append(
                set_aside(sheet.file, int(grouped.line[at]), heading, value, reason, int(counts[k]))
            )
        elif not said:
            grouped.groups[k].polarities[:] = ["PNP" if negative[k] else "NPN"] if negative.any() else []
    pnp = np.array([_only(g.polarities) == "PNP" for g in grouped.groups], bool)
    for name, sum_ in total.items():
        sign = np.where(pnp & (sum_ < 0), -1.0, 1.0)
        if (sign < 0).any():
            grouped.values[name] = grouped.values[name] * np.repeat(sign, counts) + 0.0
    return _select(grouped, keep)


def curve_table(files: list[Grouped]) -> CurveTable:
    """One table of the curves of all files; each through `settle_polarity`."""
    files = [f for f in files if f.groups]
    if not files:
        return CurveTable.empty()
    groups = [g for f in files for g in f.groups]
    temp, span = (np.concatenate(x) for x in zip(*(_temperatures(f) for f in files), strict=True))
    return CurveTable(
        tuple(g.part for g in groups), tuple(_only(g.types) for g in groups),
        tuple(_only(g.polarities) for g in groups), tuple(f.file for f in files for _ in f.groups),
        temp, _joined_starts(files),
        *(_joined(files, name) for name in ("vce", "vbe", "ib", "ic", "line")), span,
    )  # fmt: skip
