"""One writer of JSON that walks the records, one of CSV, and files that are written all or not at all.

JSON: SI base units, stable keys, ``"format": 1``, null where a number is not known.  A record's fields are
its keys; the metadata ``json`` of a field renames it or, False, leaves it out; a record that wants another
shape has a method ``as_json``.
"""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from errno import EISDIR
from functools import cache
from math import isfinite, nan
from pathlib import Path

from junction.base.errors import OutputError
from junction.base.records import Interval
from junction.show.blocks import visible

FORMAT = 1
#: A cell that starts with one of these may be taken for a formula by a spreadsheet.
_FORMULA_START = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")


@cache
def _keys(kind: type) -> tuple[tuple[str, str], ...]:
    found = [(f.name, f.metadata.get("json", f.name)) for f in fields(kind)]
    return tuple((name, key) for name, key in found if key is not False)


def record(x) -> dict:
    """A record as a dict of its own fields, by their keys."""
    out = {}
    for name, key in _keys(type(x)):
        value = getattr(x, name)
        out[key] = None if type(value) is float and not isfinite(value) else value
    return out


def _shallow(x):
    """A record as a dict, other things as what the standard library can write."""
    if hasattr(x, "as_json"):
        return x.as_json()
    if is_dataclass(x):
        return record(x)
    if hasattr(x, "tolist"):  # numpy arrays and scalars
        return x.tolist()
    if isinstance(x, Mapping):
        return dict(x)
    if isinstance(x, set | frozenset):
        return sorted(x)
    raise TypeError(f"{type(x).__name__} has no place in the JSON contract")


def plain(x):
    """Anything in a report as dicts, lists, texts and finite numbers; None for what is not known.

    nan and the infinities become None, because JSON (RFC 8259, section 6) has no way to write them.
    """
    if x is None or isinstance(x, bool | int):
        return x
    if isinstance(x, str):
        return str(x)
    if isinstance(x, float):
        return x if isfinite(x) else None
    if isinstance(x, Mapping):
        return {str(key): plain(value) for key, value in x.items()}
    if isinstance(x, list | tuple):
        return [plain(value) for value in x]
    return plain(_shallow(x))


def _dump(x, ascii_only: bool) -> str:
    try:
        text = json.dumps(x, ensure_ascii=ascii_only, allow_nan=False, default=_shallow)
    except ValueError:  # a nan or an infinity inside a list or mapping
        text = json.dumps(plain(x), ensure_ascii=ascii_only, allow_nan=False)
    # a file name that is not UTF-8 arrives with lone surrogates; JSON writes them as escapes
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def document(command: str, body: Mapping[str, object], *, ascii_only: bool = False) -> Iterator[str]:
    """JSON text of one command, piece by piece; each entry of a long list on a line of its own.

    The standard library indents ten times slower than it writes, and the text of a large bag is larger than
    all that was read.
    """
    start = "{\n"
    for key, value in {"format": FORMAT, "command": command, **body}.items():
        first = value[0] if isinstance(value, list | tuple) and value else None
        yield f"{start} {json.dumps(key)}: "
        if isinstance(first, Mapping) or is_dataclass(first):
            for k, entry in enumerate(value):
                yield f"{',' if k else '['}\n  {_dump(entry, ascii_only)}"
            yield "\n ]"
        else:
            yield _dump(value, ascii_only)
        start = ",\n"
    yield "\n}\n"


def safe_cell(text: str) -> str:
    """Text of a cell: control characters made visible, and a leading ``'`` where it looks like a formula."""
    shown = visible(text)
    return "'" + shown if text.lstrip(" ").startswith(_FORMULA_START) else shown


def cell(value: object) -> str:
    """Any value as the text of a cell; numbers stay numbers (9 digits), text is made safe."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return f"{value:.9g}" if isfinite(value) else ""
    return safe_cell(str(value))


def csv_text(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Whole CSV file as text: comma, decimal point, one heading row, lines ended by a line feed."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([safe_cell(h) for h in headings])
    writer.writerows([cell(value) for value in row] for row in rows)
    return out.getvalue()


def ends(*values: Interval | None) -> Iterable[float]:
    """Value, low and high end of each, as a CSV has them in three columns; nan where there is none."""
    return [x for it in values for x in ((it.value, it.low, it.high) if it is not None else (nan,) * 3)]


def set_aside_table(items) -> tuple[Sequence[str], Iterable[Sequence[object]]]:
    """The set-aside list as headings and rows."""
    headings = ("file", "row", "column", "value", "reason")
    return headings, [(s.file, s.row, s.column, s.value, s.reason) for s in items]


def must_be_writable(folder: Path, *, make: bool = True) -> None:
    """Try the folder, or the nearest one above it that exists, with a real temporary file.

    Raises
    ------
    OutputError
    """
    place = folder
    while make and not place.exists() and place != place.parent:
        place = place.parent
    if not place.is_dir():
        reason = "is not a folder" if place.exists() else "no such folder"
        raise OutputError(f"{place}: {reason}; cannot write there")
    try:
        with tempfile.TemporaryFile(dir=place):
            pass
    except OSError as error:
        raise OutputError(f"{place}: cannot write there: {error.strerror or error}") from error


def write_files(files: Mapping[Path, str | bytes | Callable[[], Iterable[str]]]) -> None:
    """Write every file or none: all are written in full beside their places and only then moved there.

    A content may be a function that gives the text in pieces, so that a long one is never whole in memory.

    Raises
    ------
    OutputError
        A file or folder cannot be written; what stood there before stands there still.
    """
    made: list[Path] = []
    moved: list[tuple[Path, Path | None]] = []  # place, where the old file waits
    staged: dict[Path, tempfile.TemporaryDirectory] = {}
    try:
        for folder in dict.fromkeys(path.parent for path in files):
            missing = [p for p in (folder, *folder.parents) if not p.exists()]
            for place in reversed(missing):
                place.mkdir()
                made.append(place)
            staged[folder] = tempfile.TemporaryDirectory(prefix=".junction-", dir=folder)
        for path, content in files.items():
            with open(Path(staged[path.parent].name) / path.name, "wb") as file:
                for piece in content() if callable(content) else [content]:
                    whole = isinstance(piece, bytes)
                    file.write(piece if whole else piece.encode("utf-8", "backslashreplace"))
        for path in files:
            if path.is_dir():
                raise IsADirectoryError(EISDIR, os.strerror(EISDIR), str(path))
            new = Path(staged[path.parent].name) / path.name
            old = new.with_name(f"old {path.name}") if path.exists() else None
            if old is not None:
                shutil.copymode(path, new)
                os.replace(path, old)
            moved.append((path, old))
            os.replace(new, path)
    except OSError as error:
        for path, old in reversed(moved):
            path.unlink(missing_ok=True)
            if old is not None:
                os.replace(old, path)
        where = error.filename2 or error.filename or ""
        reason = f"{where}: cannot write: {error.strerror or error}; nothing was written"
        for stage in staged.values():
            stage.cleanup()
        for place in reversed(made):
            place.rmdir()
        raise OutputError(reason) from error
    for stage in staged.values():
        stage.cleanup()
