"""Every figure under reference/ as a person last let it stand, beside the tables: ``held.csv``.

One line for all rows of one name in a table: what in them is a number, a flag or one word of a few stands
readable (of types and their limits it does not: ``tests/external/data`` has that typed a second time), and a
digest holds all their cells, names, kinds and sources included.  Of wording (`WORDS`) only the numbers and
the fields in braces are held, and whether a cell is empty.  A row that was changed is renewed by name, with
the source at hand:

    python -m tests.shelf.held rules short_below near_short

which prints what stood there and what stands there now.  Refused where the environment variable CI is set: a
machine that checks must not move the mark.
"""

import csv
import hashlib
import io
import os
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

from junction.shelf import tables

FILE = Path(__file__).parent / "held.csv"
#: Columns whose words may change by themselves, by table; the others' cells are held as they are.
WORDS = {
    "sentences": ("says", "next", "else", "brief", "do"), "options": ("help",), "columns": ("meaning",),
    "*": ("meaning", "notes"),
}  # fmt: skip
#: Tables that are held together, a line a type.
TOGETHER = {"types": ("types_bjt", "types_diode", "limits_bjt", "limits_diode")}
#: Column that names the rows, where it is not the first.
NAMED_BY = {"options": "option", "columns": "column"}
#: Besides numbers, flags and words of a few, what a person wants to read in a difference.
READ = {"unit", "leads", "pnp", "work", "exceptions", "default"}


def held_tables():
    """Names that the file has: those of the tables, and of tables that are held together."""
    joined = {one: name for name, several in TOGETHER.items() for one in several}
    every = sorted(path.stem for path in tables.reference_folder().glob("*.csv"))
    return list(dict.fromkeys(joined.get(one, one) for one in every))


@cache
def _ways(table):
    """By column of a table, how its cells are held: 'read', 'words' or 'digest'."""
    words = (*WORDS["*"], *WORDS.get(table, ()))

    def way(column):
        if column.name in words:
            return "words"
        few = column.kind in ("number", "flag") or column.among or column.name in READ
        silent = table in TOGETHER["types"] or column.name in ("basis", "package", "where")
        return "read" if few and column.kind != "key" and not silent else "digest"

    if table == "columns":  # the schema of the others
        numbers = ("low", "high")
        return {c: "words" if c in words else "read" if c in numbers else "digest" for c in tables._SCHEMA}
    return {column.name: way(column) for column in tables.columns(table)}


def numbers_of(text):
    """Numbers and fields of a wording, in their order."""
    return " ".join(["+" * bool(text), *re.findall(r"\{[^}]*\}|\d+(?:\.\d+)?", text)])


def now(name):
    """By name of the rows of a held table, in its order: the readable cells, and the digest."""
    found = {}
    for table in TOGETHER.get(name, (name,)):
        ways = _ways(table)
        for row in tables.rows(tables.reference_folder() / f"{table}.csv", ways):
            cells = row.cells
            key = cells[NAMED_BY.get(table, next(iter(cells)))]
            seen, sha = found.setdefault(key, ([], hashlib.sha256()))
            seen.append(" ".join(f"{c}={cells[c]!r}" if " " in cells[c] else f"{c}={cells[c]}"
                                 for c, way in ways.items() if way == "read" and cells[c]))  # fmt: skip
            kept = (numbers_of(cell) if ways[c] == "words" else cell for c, cell in cells.items())
            sha.update("\x1f".join([table, *kept, ""]).encode())
    return {key: (" / ".join(seen).strip(" /"), sha.hexdigest()[:6]) for key, (seen, sha) in found.items()}


@cache
def _held(text):
    found = {}
    for table, key, seen, digest in list(csv.reader(text.splitlines()))[1:]:
        found.setdefault(table, {})[key] = (seen, digest)
    return found


def held():
    """What the file says, by table and by name of the rows."""
    return _held(FILE.read_text(encoding="utf-8"))


def differences():
    """What stands otherwise under reference/ than in the file, one line each, by (table, name)."""
    out = {}
    for table in dict.fromkeys([*held_tables(), *held()]):
        out |= differences_of(table)
    return out


def differences_of(table):
    """`differences` of one table."""
    was, is_ = held().get(table, {}), now(table) if table in held_tables() else {}
    out = {(table, key): f"{table} {key}: {moved(was.get(key), is_.get(key))}"
           for key in dict.fromkeys([*was, *is_]) if was.get(key) != is_.get(key)}  # fmt: skip
    # of two rows that may both hold, the first does
    turned = not out and [*was] != [*is_]
    return {(table, ""): f"{table}: its rows stand in another order"} if turned else out


def moved(was, is_):
    """Old and new cells of a row in words."""
    if was is None or is_ is None:
        return f"a new row ({is_[0]})" if was is None else f"gone ({was[0]})"
    pattern = r"(\w+)=('[^']*'|\S*)| / "
    pieces = [[m[0] for m in re.finditer(pattern, one[0])] for one in (was, is_)]
    less, more = ([p for p in a if p not in b] for a, b in (pieces, pieces[::-1]))
    if not less and not more:
        return "a name, a source or another text differs"
    return f"{', '.join(less) or '(empty)'} -> {', '.join(more) or '(empty)'}"


def renew(table, names):
    """Take what stands in the named rows of a table now; other rows stay as they were held."""
    kept = {**held()}
    was, is_ = kept.get(table, {}), now(table)
    for key in names:
        was = {**was, key: is_[key]} if key in is_ else {k: v for k, v in was.items() if k != key}
    kept[table] = {key: was[key] for key in [*is_, *was] if key in was}
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("table", "row", "figures", "sha256"))
    writer.writerows((t, key, *kept[t][key]) for t in held_tables() if t in kept for key in kept[t])
    FILE.write_text(text.getvalue(), encoding="utf-8")


def lines_of(table, key):
    """Lines of a table's rows of that name that are not the same as in the last commit."""
    folder = tables.reference_folder()
    for one in TOGETHER.get(table, (table,)):
        call = ["git", "diff", "-U0", "HEAD", "--", f"{one}.csv"]
        found = subprocess.run(call, cwd=folder, capture_output=True, text=True, check=False).stdout
        yield from (line for line in found.splitlines() if line[:1] in "-+" and line[:3] not in ("---", "+++")
                    and key in next(csv.reader([line[1:]]))[:2])  # fmt: skip


def main(argv):
    """``TABLE ROW ...``; without rows, what differs. The exit status."""
    table, *names = argv or [""]
    if not names:
        found = [line for (of, _), line in differences().items() if table in ("", of)]
        print(*found or ["all stands as it is held"], sep="\n")
        print("name the table and the rows that are to be held as they stand now: TABLE ROW ...")
        return 0
    if os.environ.get("CI"):
        print("CI is set: what is held is renewed by a person, not by a machine", file=sys.stderr)
        return 2
    was, is_ = held().get(table, {}), now(table) if table in held_tables() else {}
    strange = [name for name in names if name not in was and name not in is_]
    if strange:
        print(f"{table}: no row {', '.join(strange)}", file=sys.stderr)
        return 2
    for name in names:
        print(f"{table} {name}: {moved(was.get(name), is_.get(name))}", *lines_of(table, name), sep="\n  ")
    renew(table, names)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
