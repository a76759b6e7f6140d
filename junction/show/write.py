"""One writer of JSON that walks the records, and one of CSV; `show/files.py` puts their texts into files.

JSON: SI base units, stable keys, ``"format": 1``, null where a number is not known.  A record's fields are
its keys; the metadata ``json`` of a field renames it or, False, leaves it out; a record that wants another
shape has a method ``as_json``.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from functools import cache
from math import isfinite, nan

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
