"""Adding the readings of one part to a CSV that ``junction sort`` reads: the whole row or nothing."""

from __future__ import annotations

import csv
import io
import os
import tempfile
from dataclasses import replace
from math import isinf, isnan
from pathlib import Path

from junction.base.errors import OutputError
from junction.base.records import (
    BJT_PLACEMENTS,
    DIODE_PLACEMENTS,
    NUMBER_PLACEMENTS,
    PartReadings,
    Reading,
)
from junction.show.write import safe_cell

_SETS = (NUMBER_PLACEMENTS, BJT_PLACEMENTS, DIODE_PLACEMENTS)
_LAST = ("hFE", "temp_C", "in_circuit", "note")


def cell_of(reading: Reading) -> str:
    """A reading as the cell of a CSV, with its unit, so that no heading is needed."""
    if reading.kind == "over":
        text = "OL"
    elif reading.kind == "ohm":
        text = "OL ohm" if isinf(reading.value) else f"{reading.value:.6g} ohm"
    else:
        text = f"{reading.value:.6g} V"
    return text + (" ~" if reading.settling else "")


def headings_for(part: PartReadings) -> list[str]:
    """Headings of a new file for a part's lead names."""
    used = {r.placement for r in part.readings}
    placements = next(s for s in _SETS if used & set(s))
    return ["part", "type", "polarity", *placements, *_LAST]


def row_of(part: PartReadings) -> dict[str, list[str]]:
    """Cells of a part by heading; a placement read both in diode mode and on ohms has two."""
    row = {
        "part": [part.part],
        "type": [part.type],
        "polarity": [part.polarity],
        "hFE": ["" if isnan(part.hfe) else f"{part.hfe:g}"],
        "temp_C": ["" if isnan(part.temp_C) else f"{part.temp_C:g}"],
        "in_circuit": ["yes" if part.in_circuit else "no"],
        "note": [part.note],
    }
    for r in part.readings:
        row.setdefault(r.placement, []).append(cell_of(r))
    return row


def with_tag(file: str, part: PartReadings) -> PartReadings:
    """The part, with the first number that the file does not hold yet where it has no tag."""
    if part.part:
        return part
    path = Path(file)
    try:
        lines = path.read_text(encoding="utf-8-sig", errors="replace").splitlines() if path.is_file() else []
    except OSError:  # append_part says what is wrong with it
        lines = []
    taken = {cells[0] for cells in csv.reader(lines) if cells}
    n = next(n for n in range(1, len(taken) + 2) if f"part {n}" not in taken)
    return replace(part, part=f"part {n}")


def _line(cells: list[str]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow([safe_cell(c) for c in cells])
    return out.getvalue()


def append_part(file: str, part: PartReadings) -> None:
    """Add one part to the file; a new file gets headings.

    Parameters
    ----------
    file : str
        CSV in the wide form of readings.
    part : PartReadings
        Placements read twice (diode mode and ohms) make a second row with the same tag.

    Raises
    ------
    OutputError
        The file cannot be read or written, or has no column for a placement; nothing was changed.
    """
    path = Path(file)
    try:
        old = path.read_bytes() if path.exists() else b""
        text = old.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise OutputError(f"{file}: cannot be read, so nothing is added: {error}") from error
    heads = _heads_of(text)
    new = "" if heads else _line(headings_for(part))
    heads = heads or headings_for(part)
    row = row_of(part)
    lacking = [name for name, cells in row.items() if any(cells) and name not in heads and "-" in name]
    if lacking:
        raise OutputError(
            f"{file}: has no column {lacking[0]}; nothing was added. Give --record another file"
        )
    for k in range(max(len(cells) for cells in row.values())):
        cells = []
        for name in heads:
            found = row.get(name, [""])
            repeat = "-" not in name
            cells.append(found[0] if repeat else found[k] if k < len(found) else "")
        new += _line(cells)
    gap = b"" if not old or old.endswith(b"\n") else b"\n"
    _replace(path, old + gap + new.encode())


def _heads_of(text: str) -> list[str]:
    for line in text.splitlines():
        if line.strip() and not line.lstrip().startswith("#"):
            return [name.strip() for name in next(csv.reader([line]))]
    return []


def _replace(path: Path, content: bytes) -> None:
    try:
        folder = path.resolve().parent
        handle, name = tempfile.mkstemp(prefix=".junction-", dir=folder)
        try:
            with os.fdopen(handle, "wb") as out:
                out.write(content)
                out.flush()
                os.fsync(out.fileno())
            mode = path.stat().st_mode & 0o777 if path.exists() else 0o644
            os.chmod(name, mode)
            os.replace(name, path.resolve())
        except OSError:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise OutputError(
            f"{path}: cannot be written, nothing was added: {error.strerror or error}"
        ) from error
