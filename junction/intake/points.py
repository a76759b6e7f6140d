"""Points of sweeps and curves: numbers fast where a table is regular, with care where it is not.

A regular file goes through pandas' number parser in chunks, straight into preallocated arrays.  Lines
that are not regular (comments, wrong cell counts, cells that parser cannot read) are picked out by
their line number and go through the written grammar of `junction.base.units`; both roads give the same
points, which a test holds them to.  A DataFrame is one chunk.  Then points are gathered by part, in the
order logged, and their signs set right.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from math import nan

import numpy as np

from junction.base.errors import UnitError
from junction.base.records import CurveTable, SetAside, SweepTable, plain_name
from junction.base.units import in_si
from junction.intake.cells import Column, cell_value, temp_is_taken
from junction.intake.table import Table, set_aside, split
from junction.shelf.reach import beyond, too_small
from junction.shelf.tables import rule

#: text and number columns of each form, and the numbers a row cannot do without
TEXTS = {"sweeps": ("part", "junction", "type", "polarity"), "curves": ("part", "type", "polarity")}
NUMBERS = {"sweeps": ("v", "i", "temp"), "curves": ("vce", "vbe", "ib", "ic", "temp")}
REQUIRED = {"sweeps": ("v", "i"), "curves": ("vce", "ic")}

_CHUNK_ROWS = 50_000
#: A sweep is looked at for a forward junction in so many parts; in fewer where it has few points.
_PARTS = (6, 3)


def read_points(table: Table, aside: list[SetAside]) -> tuple[dict[str, np.ndarray], list, int]:
    """Read all points of a sweep or curve table, in its order; what cannot be used goes to `aside`.

    Returns
    -------
    points : dict of ndarray
        SI values by name of `NUMBERS` (nan where the table has none), ``line`` and ``code``.
    keys : list of tuple of str
        Text cells of each code, in the order of `TEXTS`.
    read : int
        Rows, those among them that are not used.
    """
    keys: dict[tuple[str, ...], int] = {}
    columns = [c for name in NUMBERS[table.form] if (c := table.column(name))]
    plain = table.mark != "?" and all(np.isfinite(c.factor) for c in columns)
    found = (table.line, [table.cells], None) if table.cells else _plain_rows(table) if plain else None
    if not (plain and found):
        rest = split(table, aside)
        return careful_points(rest, keys, aside), list(keys), rest.read
    line, chunks, text_of = found
    points, unread = _parse(table, chunks, line, keys)
    rest = split(table, aside, text_of(line[unread]) if text_of else np.flatnonzero(unread))
    read = int(np.count_nonzero(~unread)) + rest.read
    if rest.read or unread.any():  # put back at their place in the log
        more = careful_points(rest, keys, aside)
        points = {name: np.append(array[~unread], more[name]) for name, array in points.items()}
        points = _take(points, np.argsort(points["line"], kind="stable"))
    return points, list(keys), read


def _settled(table: Table, points: dict[str, np.ndarray], aside: list[SetAside]) -> dict[str, np.ndarray]:
    """Points whose numbers are measured ones or zero.

    What is too small for anything to measure is left of a zero by arithmetic (equal steps, a law's
    exponential) and is one; where no number of a column is larger, its unit is wrong.
    """
    lost = np.zeros(points["line"].size, bool)
    for name in NUMBERS[table.form]:
        column, values = table.column(name), points[name]
        if column is None or not (tiny := too_small(values, column.quantity)).any():
            continue
        if tiny.sum() < np.count_nonzero(values) - np.count_nonzero(np.isnan(values)):
            values[tiny] = 0.0
            continue
        at = np.flatnonzero(tiny)
        where, more = points["line"][at[[0, -1]]].tolist(), f"; {at.size} cells, down to line "
        reason = "smaller than anything measures, as all of the column; is the unit right? write 0 for none"
        reason += f"{more}{where[1]}" if at.size > 1 else ""
        gone = tiny & ~lost if name in REQUIRED[table.form] else np.zeros_like(lost)
        shows = f"{values[at[0]] / (column.factor if np.isfinite(column.factor) else 1.0):.6g}"
        values[tiny] = nan
        if table.form == "curves":
            gone = gone | (tiny & ~lost & np.isnan(points["vbe"]) & np.isnan(points["ib"]))
        lost |= gone
        aside.append(set_aside(table.file, where[0], column.heading, shows, reason, int(gone.sum())))
    return _take(points, ~lost) if lost.any() else points


def _plain_rows(table: Table) -> tuple[np.ndarray, Iterator, Callable] | None:
    """Lines of a file that are plain rows of the right number of cells, for pandas' number parser.

    Their numbers, chunks of their cells, and a function that gives the text of all other lines and of some
    of these; None where it is not worth while or a cell runs over several lines, which may look plain.
    """
    import pandas as pd

    raw = np.frombuffer(table.text, np.uint8, offset=table.offset)
    end = np.append(np.flatnonzero(raw == ord("\n")), [raw.size] if raw[-1] != ord("\n") else []).astype(int)
    start = np.append(0, end[:-1] + 1)
    first, parts = raw[start], (raw == ord(table.sep)).view(np.uint8)
    count = np.uint8 if (end - start).max() < 256 else np.int32  # the small one is counted twice as fast
    odd = np.add.reduceat(parts, start, dtype=count) != len(table.columns) - 1
    odd |= (first == ord("#")) | (first <= ord(" ")) | (first == ord(table.sep))
    if table.text.find(b'"', table.offset) >= 0:
        inside = np.bitwise_xor.accumulate((raw == ord('"')).view(np.uint8))
        odd[np.searchsorted(end, np.flatnonzero(inside & parts))] = True
        if inside[end - 1].any():
            return None
    if np.count_nonzero(odd) > odd.size / 2:
        return None
    body = io.BytesIO(table.text)
    body.seek(table.offset)
    if odd.any():
        edges = np.flatnonzero(np.diff(np.concatenate(([True], odd, [True])))).reshape(-1, 2)
        body = io.BytesIO(b"\n".join(bytes(raw[start[a] : end[b - 1]]) for a, b in edges.tolist()))
    texts = [c.index for name in TEXTS[table.form] if (c := table.column(name))]
    numbers = [c.index for name in NUMBERS[table.form] if (c := table.column(name))]
    chunks = pd.read_csv(
        body, sep=table.sep, header=None, names=list(range(len(table.columns))), index_col=False,
        usecols=sorted(texts + numbers), dtype=dict.fromkeys(texts, object), chunksize=_CHUNK_ROWS,
        keep_default_na=False, na_values={k: [""] for k in numbers}, skip_blank_lines=False,
        low_memory=False, decimal="," if table.mark == "," else ".",
    )  # fmt: skip

    def text_of(lines: np.ndarray) -> list[tuple[int, str]]:
        which = np.sort(np.append(np.flatnonzero(odd), lines - table.first_line))
        at = zip(which.tolist(), start[which].tolist(), end[which].tolist(), strict=True)
        return [(k + table.first_line, bytes(raw[a:b]).decode()) for k, a, b in at]

    return np.flatnonzero(~odd) + table.first_line, chunks, text_of


def _take(points: dict[str, np.ndarray], index: np.ndarray) -> dict[str, np.ndarray]:
    """The same points in another order, or fewer of them."""
    return {name: array[index] for name, array in points.items()}


def _parse(
    table: Table, chunks: Iterable, line: np.ndarray, keys: dict[tuple[str, ...], int]
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Points of plain rows in chunks of columns; also which of them the grammar has to see."""
    import pandas as pd

    n, done = line.size, 0
    points = {name: np.full(n, nan) for name in NUMBERS[table.form]}
    points |= {"code": np.empty(n, np.int32), "line": line}
    unread = np.zeros(n, bool)
    for chunk in chunks:
        codes = _codes([c and np.asarray(chunk[c.index]) for c in map(table.column, TEXTS[table.form])], keys)
        rows = slice(done, done + codes.size)
        points["code"][rows], done = codes, rows.stop
        for name in NUMBERS[table.form]:
            if (column := table.column(name)) is None:
                continue
            cells = np.asarray(chunk[column.index])
            if cells.dtype.kind in "iuf":
                values = cells.astype(float)
                bad = np.isinf(values)
            else:  # some cell is no plain number; the plain ones among them need no second look
                values = np.full(cells.size, nan)
                # the second look would read a decimal point without asking, and True as 1
                if table.mark != "," and cells.dtype.kind != "b":
                    values = pd.to_numeric(cells, errors="coerce").astype(float)
                bad = ~np.isfinite(values) & (cells != "")
            bad |= beyond(values, column.quantity, marks=True, factor=column.factor)
            values[bad] = nan  # before the product, which may overflow
            points[name][rows] = values = in_si(values, column.factor)
            if name == "temp":
                bad |= np.isfinite(values) & ~temp_is_taken(values)
            if name in REQUIRED[table.form]:
                bad |= ~np.isfinite(values)
            unread[rows] |= bad
    if done != n:  # a row must never slip in silence
        raise RuntimeError(f"{table.file}: {n} rows went into the CSV reader, {done} came out")
    if table.text.find(b'"', table.offset) >= 0:  # one that pandas took for none stays in its cell
        unread |= np.isin(points["code"], [k for key, k in keys.items() if '"' in "".join(key)])
    if table.form == "curves":
        unread |= np.isnan(points["vbe"]) & np.isnan(points["ib"])
    return points, unread


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


def careful_points(
    table: Table, keys: dict[tuple[str, ...], int], aside: list[SetAside]
) -> dict[str, np.ndarray]:
    """Points of a table split into texts, each number by the written grammar."""
    lost = np.zeros(table.line.size, bool)
    values = {name: np.full(lost.size, nan) for name in NUMBERS[table.form]}
    for name, array in values.items():
        column = table.column(name)
        known: dict[str, tuple[float, str]] = {}
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
                aside.append(set_aside(table.file, int(table.line[k]), column.heading, text, reason, rows))
    if table.form == "curves":
        neither = np.isnan(values["vbe"]) & np.isnan(values["ib"]) & ~lost
        reason = "neither vbe nor ib is given; a curve point needs one of them"
        aside += [set_aside(table.file, line, "", "", reason) for line in table.line[neither].tolist()]
        lost |= neither
    code = _codes([c and table.cells[c.index] for c in map(table.column, TEXTS[table.form])], keys)
    return _take(values | {"code": code, "line": table.line}, ~lost)


# --- by part ---------------------------------------------------------------------------------------------


def sweeps_of(table: Table, points: dict[str, np.ndarray], keys: list, aside: list[SetAside]) -> SweepTable:
    """Sweeps of one table in the sense of the records; those all at one voltage are set aside."""
    values, common = _by_part(table, points, keys, aside)
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


def curves_of(table: Table, points: dict[str, np.ndarray], keys: list, aside: list[SetAside]) -> CurveTable:
    """Curves of one table, those of PNP parts turned to the NPN sense.

    The sign of V_CE tells; each other quantity of a PNP part is turned where it too is negative on the
    whole, because some instruments sign the voltages and not the currents.  A file that also holds
    negative parts holds positive ones as NPN; where all are positive nothing is concluded.
    """
    values, common = _by_part(table, points, keys, aside)
    names = {"vce_V": "vce", "vbe_V": "vbe", "ib_A": "ib", "ic_A": "ic"}
    curves = CurveTable(**common, **{field: values[name] for field, name in names.items()})
    if not len(curves):
        return curves
    first = curves.starts[:-1]
    below = {name: np.add.reduceat(np.nan_to_num(getattr(curves, name)), first) < 0 for name in names}
    # A leak from the collector turns the base current round; it still rises with the drive.
    drive = np.nan_to_num(np.abs(curves.vbe_V))
    length = np.diff(curves.starts)
    drive -= np.repeat(np.add.reduceat(drive, first) / length, length)
    falls = np.add.reduceat(np.nan_to_num(curves.ib_A) * drive, first)
    below["ib_A"] = np.where(falls != 0, falls < 0, below["ib_A"])
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


def _by_part(table: Table, points: dict[str, np.ndarray], keys: list, aside: list[SetAside]) -> tuple:
    """Values of the points by part (and junction), whose rows may lie anywhere; fields of the records."""
    points = _settled(table, points, aside)
    columns, code, n = [table.column(name) for name in TEXTS[table.form]], points["code"], len(keys)
    # runs of equal rows, so that nothing below is done row by row
    at = np.append(np.zeros(min(code.size, 1), int), np.flatnonzero(code[1:] != code[:-1]) + 1)
    run, length = code[at], np.diff(np.append(at, code.size))
    count = np.bincount(run, length, n).astype(np.int64)
    first, last = np.zeros(n, np.int64), np.zeros(n, np.int64)
    first[run[::-1]] = points["line"][at][::-1]
    last[run] = points["line"][at + length - 1]

    def refuse(k: int, column: Column, value: str, reason: str, rows: int = 0) -> None:
        if count[k] > 1:
            reason += f" ({count[k]} rows, down to line {last[k]})"
        aside.append(set_aside(table.file, int(first[k]), column.heading, value, reason, rows))

    groups: dict[tuple[str, ...], int] = {}
    said: dict[tuple[str, int], list[str]] = {}  # types and polarities of each
    group_of = np.full(n, -1, np.int32)
    order = np.argsort(first, kind="stable")  # in the order of the table
    for k in order[count[order] > 0].tolist():
        who = []
        try:
            for column, cell in zip(columns[:-2], keys[k], strict=False):
                who.append(cell_value(cell, column))
        except UnitError as error:
            refuse(k, column, cell, str(error), int(count[k]))
            continue
        group_of[k] = group = groups.setdefault(tuple(who), len(groups))
        for column, cell in zip(columns[-2:], keys[k][-2:], strict=True):
            if not cell:
                continue
            values = said.setdefault((column.name, group), [])
            try:
                value = cell_value(cell, column)
                if value and plain_name(value) not in map(plain_name, values):
                    values.append(value)
            except UnitError as error:
                refuse(k, column, cell, str(error))
            if len(values) > 1:
                reason = f"part {who[0]} has more than one {column.name}: {', '.join(values)}; none is used"
                refuse(k, column, cell, reason)
    run_group = group_of[run]
    sizes = np.bincount(run_group + 1, length, len(groups) + 1).astype(np.int64)  # the first: refused
    if (np.diff(run_group) < 0).any() or sizes[0]:
        points = _take(points, np.argsort(group_of[code], kind="stable")[sizes[0] :])
    starts = np.append(0, np.cumsum(sizes[1:]))
    common = {name: tuple(who[k] for who in groups) for k, name in enumerate(TEXTS[table.form][:-2])}
    for name in ("type", "polarity"):
        told = (said.get((name, group), ()) for group in range(len(groups)))
        common[name] = tuple(values[0] if len(values) == 1 else "" for values in told)
    common |= {"file": (table.file,) * len(groups), "starts": starts, "row": points["line"]}
    mean = span = None
    if (known := np.isfinite(temp := points["temp"])).any():
        group = np.repeat(np.arange(len(groups)), sizes[1:])[known]
        total, number = (np.bincount(group, w, len(groups)) for w in (temp[known], None))
        with np.errstate(invalid="ignore"):  # 0 / 0 where none of a group is known
            mean = total / number
        span = np.fmax.reduceat(temp, starts[:-1]) - np.fmin.reduceat(temp, starts[:-1])
    return points, common | {"temp_C": mean, "temp_span_K": span}


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
    v_V, i_A, first = sweeps.v_V, sweeps.i_A, sweeps.starts[:-1]
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
        turned[which] = _steep_below_zero(sweeps.keep(open_))
    forward = base & (i_high > np.maximum(-i_low, rule("intake_pnp_current"))) & (v_high > 0)
    owner_turned, owner_forward, owner_base = (
        np.bincount(owner[which], minlength=len(parts)) > 0 for which in (turned, forward, base)
    )
    # the other junctions of the same log share its signs, whatever their shape
    turned |= (base | (junction == "CE")) & (owner_turned & ~owner_forward)[owner] & (polarity != "NPN")
    negative = (junction == "CE") & (v_low < 0) & (v_high <= 0)
    alone = (polarity == "") & ~owner_base[owner]
    return turned | (negative & ((polarity == "PNP") | alone))


def _steep_below_zero(sweeps: SweepTable) -> np.ndarray:
    """Whether the current of these sweeps rises somewhere like a forward junction towards -v.

    The steepest rise decides, not the one at the end, where a current limit may hold the current.
    """
    n, first, v, i = len(sweeps), sweeps.starts[:-1], -sweeps.v_V, -sweeps.i_A
    sweep = np.repeat(np.arange(n), np.diff(sweeps.starts))
    near, far = np.maximum(np.minimum.reduceat(v, first), 0.0), np.maximum.reduceat(v, first)
    height = (v - near[sweep]) / np.maximum(far - near, 1e-12)[sweep]
    peak = np.maximum.reduceat(i, first)[:, np.newaxis]
    steep = np.zeros(n, bool)
    for parts in _PARTS:
        inside = height >= 0
        cell = sweep[inside] * parts + np.minimum((height[inside] * parts).astype(int), parts - 1)
        count = np.bincount(cell, minlength=n * parts).reshape(-1, parts)
        total = (np.bincount(cell, x[inside], n * parts).reshape(-1, parts) for x in (v, i))
        v_mean, i_mean = (t / np.maximum(count, 1) for t in total)
        below = np.maximum(i_mean[:, :-1], 1e-6 * peak)  # noise may leave nothing, or less
        above, there = i_mean[:, 1:], (count[:, :-1] > 0) & (count[:, 1:] > 0)
        there &= (above > rule("intake_pnp_peak") * peak) & (v_mean[:, :-1] > 0)
        there &= above > rule("intake_pnp_ratio") * below
        ratio = np.divide(above, below, out=np.ones_like(above), where=there)
        run = np.divide(v_mean[:, 1:], v_mean[:, :-1], out=np.full_like(above, 2.0), where=there)
        steep |= (there & (np.log(ratio) > rule("intake_pnp_steepness") * np.log(run))).any(axis=1)
    return steep
