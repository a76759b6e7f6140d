"""Points of sweeps and curves: numbers fast where a table is regular, with care where it is not.

A regular file goes through pandas' number parser in chunks, straight into preallocated arrays.  Lines
that are not regular (comments, wrong cell counts, cells that parser cannot read) are picked out by
their line number and go through the written grammar of `junction.base.units`; both roads give the same
points, which a test holds them to.  A DataFrame is one chunk.  Then points are gathered by part, in the
order logged, and their signs set right.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import nan

import numpy as np

from junction.base.errors import UnitError
from junction.base.records import CurveTable, SetAside, SweepTable, plain_name
from junction.base.units import in_si
from junction.intake.cells import cell_value, temp_is_taken, visible
from junction.intake.table import Table, once_a_column, set_aside, some_rows, split
from junction.shelf.rules import rule

#: text and number columns of each form, and the numbers a row cannot do without
TEXTS = {"sweeps": ("part", "junction", "type", "polarity"), "curves": ("part", "type", "polarity")}
NUMBERS = {"sweeps": ("v", "i", "temp"), "curves": ("vce", "vbe", "ib", "ic", "temp")}
REQUIRED = {"sweeps": ("v", "i"), "curves": ("vce", "ic")}

_CHUNK_ROWS = 50_000
#: A sweep is looked at for a forward junction in so many parts; in fewer where it has few points.
_PARTS = (6, 3)


@dataclass
class Points:
    """Points of one table as logged, with the text cells of each row by code.

    ``keys[code[k]]`` are the text cells of row k, in the order of `TEXTS`; ``values`` holds one array of
    SI values per column of `NUMBERS` (nan where the table has none).
    """

    keys: list[tuple[str, ...]]
    code: np.ndarray
    values: dict[str, np.ndarray]
    line: np.ndarray
    read: int

    def take(self, index: np.ndarray) -> Points:
        """The same points in another order, or fewer of them."""
        values = {name: array[index] for name, array in self.values.items()}
        return replace(self, code=self.code[index], values=values, line=self.line[index])


def read_points(table: Table, aside: list[SetAside]) -> Points:
    """Read all points of a sweep or curve table, in its order; what cannot be used goes to `aside`."""
    columns = [c for name in NUMBERS[table.form] if (c := table.column(name))]
    if table.mark == "?" or not all(np.isfinite(c.factor) for c in columns):
        return careful_points(split(table, aside), aside)
    if table.cells:
        points, unread = _parse(table, iter([table.cells]), table.line)
        return _with_care(points, unread, split(some_rows(table, unread), aside), aside)
    raw = np.frombuffer(table.text, np.uint8, offset=table.offset)
    end = np.append(np.flatnonzero(raw == ord("\n")), [raw.size] if raw[-1] != ord("\n") else []).astype(int)
    start = np.append(0, end[:-1] + 1)
    first = raw[start]
    # lines that are no plain rows of the right number of cells
    parts = raw == ord(table.sep)
    count = np.uint8 if (end - start).max() < 256 else np.int32  # the small one is counted twice as fast
    odd = np.add.reduceat(parts.view(np.uint8), start, dtype=count) != len(table.columns) - 1
    odd |= (first == ord("#")) | (first <= ord(" ")) | (first == ord(table.sep))
    over_lines = False
    if table.text.find(b'"', table.offset) >= 0:
        inside = np.bitwise_xor.accumulate((raw == ord('"')).view(np.uint8))
        odd[np.searchsorted(end, np.flatnonzero(inside & parts.view(np.uint8)))] = True
        over_lines = inside[end - 1].any()
    if over_lines or np.count_nonzero(odd) > odd.size / 2:  # a cell over several lines may hold plain ones
        return careful_points(split(table, aside), aside)
    body = io.BytesIO(table.text)
    body.seek(table.offset)
    if odd.any():
        edges = np.flatnonzero(np.diff(np.concatenate(([True], odd, [True])))).reshape(-1, 2)
        lines = (bytes(raw[start[a] : end[b - 1]]) for a, b in edges.tolist())  # lines [a, b) are plain
        body = io.BytesIO(b"\n".join(lines))
    plain = np.flatnonzero(~odd)
    points, unread = _parse(table, _chunks(table, body), plain + table.first_line)
    odd[plain[unread]] = True
    at = ((k, int(start[k]), int(end[k])) for k in np.flatnonzero(odd).tolist())
    care = [(k + table.first_line, bytes(raw[a:b]).decode()) for k, a, b in at]
    return _with_care(points, unread, split(table, aside, care), aside)


def _parse(table: Table, chunks: Iterator, line: np.ndarray) -> tuple[Points, np.ndarray]:
    """Numbers and text cells of plain rows in chunks of columns; also which rows the grammar has to see."""
    names = [name for name in NUMBERS[table.form] if table.column(name)]
    n = line.size
    values = {name: np.full(n, nan) for name in NUMBERS[table.form]}
    code, unread = np.empty(n, np.int32), np.zeros(n, bool)
    keys: dict[tuple[str, ...], int] = {}
    done = 0
    for chunk in chunks:
        texts = [None if (c := table.column(t)) is None else chunk[c.index] for t in TEXTS[table.form]]
        codes = _codes(texts, keys)
        rows = slice(done, done + codes.size)
        code[rows] = codes
        for name in names:
            values[name][rows], bad = _column_values(chunk[table.column(name).index], table, name)
            unread[rows] |= bad
        done = rows.stop
    if done != n:
        raise RuntimeError(f"{table.file}: {n} rows went into the CSV reader, {done} came out")
    quoted = [k for key, k in keys.items() if '"' in "".join(key)]  # a quote that pandas took for none
    unread |= np.isin(code, quoted)
    if table.form == "curves":
        unread |= np.isnan(values["vbe"]) & np.isnan(values["ib"])
    return Points(list(keys), code, values, line, n), unread


def _chunks(table: Table, body: io.BytesIO) -> Iterator[dict[int, np.ndarray]]:
    import pandas as pd

    texts = [c.index for name in TEXTS[table.form] if (c := table.column(name))]
    numbers = [c.index for name in NUMBERS[table.form] if (c := table.column(name))]
    for frame in pd.read_csv(
        body, sep=table.sep, header=None, names=list(range(len(table.columns))), index_col=False,
        usecols=sorted(texts + numbers), dtype=dict.fromkeys(texts, object), chunksize=_CHUNK_ROWS,
        keep_default_na=False, na_values={k: [""] for k in numbers}, skip_blank_lines=False,
        low_memory=False, decimal="," if table.mark == "," else ".",
    ):  # fmt: skip
        yield {k: frame[k].to_numpy() for k in texts + numbers}


def _column_values(cells: np.ndarray, table: Table, name: str) -> tuple[np.ndarray, np.ndarray]:
    """SI values of a number column, and which of its rows the grammar has to see."""
    import pandas as pd

    if cells.dtype.kind in "iuf":
        values = cells.astype(float)
        bad = np.isinf(values)
    elif cells.dtype.kind == "b":  # a chunk of nothing but True and False
        values, bad = np.full(cells.size, nan), np.ones(cells.size, bool)
    else:  # some cell is no plain number; the plain ones among them need no second look
        values = np.full(cells.size, nan)
        if table.mark != ",":  # the second look would read a decimal point without asking
            values = pd.to_numeric(cells, errors="coerce").astype(float)
        bad = ~np.isfinite(values) & (cells != "")
    factor = table.column(name).factor
    if factor != 1.0:
        values = in_si(values, factor)
    if name == "temp":
        bad |= np.isfinite(values) & ~temp_is_taken(values)
    if name in REQUIRED[table.form]:
        bad |= ~np.isfinite(values)
    return values, bad


def _codes(texts: list[np.ndarray | None], keys: dict[tuple[str, ...], int]) -> np.ndarray:
    """Number the combinations of text cells; only where a run of equal rows ends is anything looked up."""
    present = [t for t in texts if t is not None]
    n = len(present[0])
    change = np.zeros(n, bool)
    change[:1] = True
    for column in present:
        change[1:] |= (column[1:] != column[:-1]).astype(bool)
    first = np.flatnonzero(change)
    picked = [[""] * first.size if t is None else [c.strip(" \t") for c in t[first]] for t in texts]
    ids = [keys.setdefault(key, len(keys)) for key in zip(*picked, strict=True)]
    return np.repeat(np.asarray(ids, np.int32), np.diff(np.append(first, n)))


def careful_points(table: Table, aside: list[SetAside]) -> Points:
    """Points of a table split into texts, each number by the written grammar."""
    n = table.line.size
    lost = np.zeros(n, bool)
    values = {name: np.full(n, nan) for name in NUMBERS[table.form]}
    for name, array in values.items():
        column = table.column(name)
        known: dict[str, tuple[float, str]] = {}
        refused = []
        for k, text in enumerate(table.cells[column.index].tolist() if column else ()):
            if text not in known:
                try:
                    value = cell_value(text, column, table.mark)
                    empty = name in REQUIRED[table.form] and value != value
                    known[text] = value, "empty cell; a number was expected" if empty else ""
                except UnitError as error:
                    known[text] = nan, str(error)
            array[k], reason = known[text]
            if reason:  # without its temperature a point is still one
                rows = int(name != "temp" and not lost[k])
                lost[k] |= name != "temp"
                refused.append(set_aside(table.file, int(table.line[k]), column.heading, text, reason, rows))
        aside += once_a_column(refused)
    if table.form == "curves":
        neither = np.isnan(values["vbe"]) & np.isnan(values["ib"]) & ~lost
        reason = "neither vbe nor ib is given; a curve point needs one of them"
        aside += [set_aside(table.file, line, "", "", reason) for line in table.line[neither].tolist()]
        lost |= neither
    keys: dict[tuple[str, ...], int] = {}
    columns = [table.column(name) for name in TEXTS[table.form]]
    code = _codes([None if c is None else table.cells[c.index] for c in columns], keys)
    points = Points(list(keys), code, values, table.line, table.read)
    return points.take(~lost) if lost.any() else points


def _with_care(points: Points, unread: np.ndarray, table: Table, aside: list[SetAside]) -> Points:
    """Points with those rows that want care put back at their place in the log."""
    if not (table.read or unread.any()):
        return points
    extra, kept = careful_points(table, aside), points.take(~unread)
    keys = {key: k for k, key in enumerate(kept.keys)}
    renumbered = np.array([keys.setdefault(key, len(keys)) for key in extra.keys], np.int32)
    both = Points(
        list(keys), np.append(kept.code, renumbered[extra.code]),
        {name: np.append(kept.values[name], extra.values[name]) for name in kept.values},
        np.append(kept.line, extra.line), kept.line.size + extra.read,
    )  # fmt: skip
    return both.take(np.argsort(both.line, kind="stable"))


# --- by part ---------------------------------------------------------------------------------------------


def sweeps_of(table: Table, points: Points, aside: list[SetAside]) -> SweepTable:
    """Sweeps of one table in the sense of the records; those all at one voltage are set aside."""
    values, common = _by_part(table, points, aside)
    n = len(common["part"])
    sweeps = SweepTable(**common, v_V=values["v"], i_A=values["i"], reversed_sign=np.zeros(n, bool))
    if not n:
        return sweeps
    low, high = (end.reduceat(sweeps.v_V, sweeps.starts[:-1]) for end in (np.minimum, np.maximum))
    for k in np.flatnonzero(low == high).tolist():
        name, count = f"{sweeps.part[k]} {sweeps.junction[k]}", int(np.diff(sweeps.starts)[k])
        reason = f"sweep {name}: all {count} points at the same voltage; a sweep needs two voltages or more"
        if count == 1:
            reason = f"sweep {name} has one point; a sweep needs points at two voltages or more"
        aside.append(_whole(table, sweeps, k, "v", low[k], reason))
    sweeps = sweeps.keep(low != high)
    turned = reversed_sweeps(sweeps)
    if not turned.any():
        return sweeps
    sign = np.repeat(np.where(turned, -1.0, 1.0), np.diff(sweeps.starts))
    v, i = sweeps.v_V * sign + 0.0, sweeps.i_A * sign + 0.0  # + 0.0: no negative zeros
    return replace(sweeps, v_V=v, i_A=i, reversed_sign=turned)


def curves_of(table: Table, points: Points, aside: list[SetAside]) -> CurveTable:
    """Curves of one table, those of PNP parts turned to the NPN sense.

    The sign of V_CE tells; each other quantity of a PNP part is turned where it too is negative on the
    whole, because some instruments sign the voltages and not the currents.  A file that also holds
    negative parts holds positive ones as NPN; where all are positive nothing is concluded.
    """
    values, common = _by_part(table, points, aside)
    names = {"vce_V": "vce", "vbe_V": "vbe", "ib_A": "ib", "ic_A": "ic"}
    curves = CurveTable(**common, **{field: values[name] for field, name in names.items()})
    if not len(curves):
        return curves
    first = curves.starts[:-1]
    below = {name: np.add.reduceat(np.nan_to_num(getattr(curves, name)), first) < 0 for name in names}
    negative = below["vce_V"]
    wrong = negative & (np.array(curves.polarity) == "NPN")
    for k in np.flatnonzero(wrong).tolist():
        reason = f"part {curves.part[k]} is marked NPN, but logged with the signs of a PNP"
        aside.append(_whole(table, curves, k, "vce", curves.vce_V[curves.starts[k]], reason))
    polarity = curves.polarity
    if negative.any():
        polarity = tuple(p or ("PNP" if n else "NPN") for p, n in zip(polarity, negative, strict=True))
    turned = {}
    for field, sum_ in below.items():
        sign = np.where((np.array(polarity) == "PNP") & sum_, -1.0, 1.0)
        turned[field] = getattr(curves, field) * np.repeat(sign, np.diff(curves.starts)) + 0.0
    return replace(curves, polarity=polarity, **turned).keep(~wrong)


def _whole(table: Table, records: SweepTable | CurveTable, k: int, name: str, volt: float, reason: str):
    """Entry for a whole sweep or part, told at its first voltage."""
    at = records.points(k)
    heading, rows = table.column(name).heading, at.stop - at.start
    return set_aside(table.file, int(records.row[at.start]), heading, f"{volt:.6g} V", reason, rows)


def _by_part(table: Table, points: Points, aside: list[SetAside]) -> tuple[dict[str, np.ndarray], dict]:
    """Values of the points by part (and junction), whose rows may lie anywhere; fields of the records."""
    names, code, n = TEXTS[table.form], points.code, len(points.keys)
    # runs of equal rows, so that nothing below is done row by row
    at = np.append(np.zeros(min(code.size, 1), int), np.flatnonzero(code[1:] != code[:-1]) + 1)
    run, length = code[at], np.diff(np.append(at, code.size))
    count = np.bincount(run, length, n).astype(np.int64)
    first, last = np.zeros(n, np.int64), np.zeros(n, np.int64)
    first[run[::-1]] = points.line[at][::-1]
    last[run] = points.line[at + length - 1]

    def refuse(k: int, name: str, value: str, reason: str, rows: int = 0) -> None:
        if count[k] > 1:
            reason += f" ({count[k]} rows, down to line {last[k]})"
        aside.append(set_aside(table.file, int(first[k]), table.column(name).heading, value, reason, rows))

    groups: dict[tuple[str, ...], tuple[int, list[str], list[str]]] = {}  # number, types and polarities said
    columns = [table.column(name) for name in names]
    group_of = np.full(n, -1, np.int32)
    order = np.argsort(first, kind="stable")  # in the order of the table
    for k in order[count[order] > 0].tolist():
        *cells, kind, polarity = points.keys[k]
        who = []
        try:
            for column, cell in zip(columns, cells, strict=False):
                who.append(cell_value(cell, column))
        except UnitError as error:
            refuse(k, column.name, cell, str(error), int(count[k]))
            continue
        group_of[k], types, polarities = groups.setdefault(tuple(who), (len(groups), [], []))
        if kind or polarity:
            for name, cell, reason in _say(table, who[0], (kind, polarity), (types, polarities)):
                refuse(k, name, cell, reason)
    run_group = group_of[run]
    sizes = np.bincount(run_group + 1, length, len(groups) + 1).astype(np.int64)  # the first: refused
    if (np.diff(run_group) < 0).any() or sizes[0]:
        points = points.take(np.argsort(group_of[code], kind="stable")[sizes[0] :])
    starts = np.append(0, np.cumsum(sizes[1:]))
    temp, span = _temperatures(points.values["temp"], starts[:-1])
    common = {name: tuple(who[k] for who in groups) for k, name in enumerate(names[:-2])}
    for k, name in enumerate(("type", "polarity"), 1):
        common[name] = tuple(said[k][0] if len(said[k]) == 1 else "" for said in groups.values())
    common |= {"file": (table.file,) * len(groups), "temp_C": temp, "temp_span_K": span, "starts": starts}
    return points.values, common | {"row": points.line}


def _say(table: Table, part: str, cells: tuple[str, str], said: tuple[list[str], list[str]]) -> Iterator:
    """Add a type and a polarity to what is said of a part; column, cell and reason of what is of no use."""
    (kind, polarity), (types, polarities) = (visible(cells[0]), cells[1]), said
    if kind and plain_name(kind) not in map(plain_name, types):
        types.append(kind)
    try:
        known = polarity and cell_value(polarity, table.column("polarity"))
        if known and known not in polarities:
            polarities.append(known)
    except UnitError as error:
        yield "polarity", polarity, str(error)
    for name, cell, several in (("type", kind, types), ("polarity", polarity, polarities)):
        if len(several) > 1 and cell:
            yield name, cell, f"part {part} has more than one {name}: {', '.join(several)}; none is used"


def _temperatures(temp: np.ndarray, first: np.ndarray) -> tuple[np.ndarray | None, np.ndarray | None]:
    """Mean recorded temperature of each group [degC] and its span [K]; nan where none is given."""
    known = np.isfinite(temp)
    if not known.any():
        return None, None
    n = first.size
    group = np.repeat(np.arange(n), np.diff(np.append(first, temp.size)))[known]
    with np.errstate(invalid="ignore"):  # 0 / 0 where none of a group is known
        mean = np.bincount(group, temp[known], n) / np.bincount(group, minlength=n)
    return mean, np.fmax.reduceat(temp, first) - np.fmin.reduceat(temp, first)


# --- signs -----------------------------------------------------------------------------------------------


def reversed_sweeps(sweeps: SweepTable) -> np.ndarray:
    """Which sweeps were logged with the signs of a PNP part.

    A curve tracer logs V_BE and I_B of a PNP part negative.  The tables hold the p side against the n side,
    so such a sweep is turned over.  What tells a reversed log from an honest reverse sweep is the shape: a
    junction's forward current rises far faster than in proportion to the voltage and within three volts,
    a leak's does not.

    Parameters
    ----------
    sweeps : SweepTable
        Of one file, as logged.

    Returns
    -------
    ndarray of bool (n,)
        True where v and i are to be turned over.  A diode (AK) is never turned.
    """
    if not len(sweeps):
        return np.zeros(0, bool)
    starts, v_V, i_A, first = sweeps.starts, sweeps.v_V, sweeps.i_A, sweeps.starts[:-1]
    junction, polarity = np.array(sweeps.junction), np.array(sweeps.polarity)
    parts: dict[str, int] = {}
    owner = np.array([parts.setdefault(part, len(parts)) for part in sweeps.part])
    v_low, v_high = np.minimum.reduceat(v_V, first), np.maximum.reduceat(v_V, first)
    i_low, i_high = np.minimum.reduceat(i_A, first), np.maximum.reduceat(i_A, first)
    base = np.isin(junction, ("BE", "BC"))
    shallow = (v_low < 0) & (v_low >= rule("intake_pnp_deepest"))
    open_ = base & (polarity != "NPN") & shallow & (-i_low > np.maximum(i_high, rule("intake_pnp_current")))
    turned = np.zeros(first.size, bool)
    which = np.flatnonzero(open_)
    if which.size:
        turned[which] = _steep_below_zero(which, starts, v_V, i_A, v_low, np.minimum(v_high, 0.0))
    forward = base & (i_high > np.maximum(-i_low, rule("intake_pnp_current"))) & (v_high > 0)
    owner_turned, owner_forward, owner_base = (
        np.bincount(owner[which], minlength=len(parts)) > 0 for which in (turned, forward, base)
    )
    # the other junctions of the same log share its signs, whatever their shape
    turned |= (base | (junction == "CE")) & (owner_turned & ~owner_forward)[owner] & (polarity != "NPN")
    negative = (junction == "CE") & (v_low < 0) & (v_high <= 0)
    alone = (polarity == "") & ~owner_base[owner]
    return turned | (negative & ((polarity == "PNP") | alone))


def _steep_below_zero(
    which: np.ndarray, starts: np.ndarray, v_V: np.ndarray, i_A: np.ndarray, v_low: np.ndarray,
    v_high: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Whether the current of these sweeps rises somewhere like a forward junction towards -v.

    The steepest rise decides, not the one at the end, where a current limit may hold the current.
    """
    counts = np.diff(starts)[which]
    sweep = np.repeat(np.arange(which.size), counts)
    point = np.arange(sweep.size) + np.repeat(starts[which] - np.append(0, np.cumsum(counts)[:-1]), counts)
    v, i = -v_V[point], -i_A[point]
    near, far = -v_high[which], -v_low[which]
    height = (v - near[sweep]) / np.maximum(far - near, 1e-12)[sweep]
    peak = np.maximum.reduceat(i, np.append(0, np.cumsum(counts)[:-1]))[:, np.newaxis]
    steep = np.zeros(which.size, bool)
    for parts in _PARTS:
        inside = height >= 0
        cell = sweep[inside] * parts + np.minimum((height[inside] * parts).astype(int), parts - 1)
        n = np.bincount(cell, minlength=which.size * parts).reshape(-1, parts)
        total = (np.bincount(cell, x[inside], which.size * parts).reshape(-1, parts) for x in (v, i))
        v_mean, i_mean = (t / np.maximum(n, 1) for t in total)
        below = np.maximum(i_mean[:, :-1], 1e-6 * peak)  # noise may leave nothing, or less
        above, there = i_mean[:, 1:], (n[:, :-1] > 0) & (n[:, 1:] > 0)
        there &= (above > 0.1 * peak) & (above > rule("intake_pnp_ratio") * below) & (v_mean[:, :-1] > 0)
        ratio = np.divide(above, below, out=np.ones_like(above), where=there)
        run = np.divide(v_mean[:, 1:], v_mean[:, :-1], out=np.full_like(above, 2.0), where=there)
        steep |= (there & (np.log(ratio) > rule("intake_pnp_steepness") * np.log(run))).any(axis=1)
    return steep
