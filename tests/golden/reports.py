"""The kept reports: whole, as text, packed; how they differ from today's, and how they are made anew.

On purpose: ``python -m tests.golden.reports``, then read the difference it prints.
"""

from __future__ import annotations

import difflib
import gzip
import math
import re
import sys
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path

from tests.golden.report_cases import CASES, JOB, job, result_of, written

FOLDER = Path(__file__).with_name("reports")
_FILE = re.compile(r"^=== (.+)\n", re.M)
#: Numbers with so many digits (fewer where the last ones are zeros) stand in JSON and CSV as they were
#: worked out: another processor or version of numpy rounds their last digits another way, and the least
#: imbalance of a pair, the difference of two equals, moves by 2e-5 of itself.  What a person reads is
#: the same to the letter.
_LONG = re.compile(r"-?\d+(?:\.\d+)?(?:e[+-]?\d+)?")
_DIGITS, _FEWEST, _CLOSE, _NOTHING = 8, 6, 1e-4, 1e-15
#: Lines of a difference around each change, and of all of a case, that a failure shows.
_AROUND, MOST_LINES = 1, 16


def place(name: str) -> Path:
    """Where a case is kept."""
    return FOLDER / f"{name.replace(' ', '-')}.gz"


def packed(files: Mapping[str, str]) -> bytes:
    """Files as one text, packed without a time in it, so that the same files are the same bytes."""
    text = "".join(f"=== {name}\n{content.rstrip()}\n" for name, content in files.items())
    return gzip.compress(text.encode("utf-8"), 9, mtime=0)


def kept(name: str) -> dict[str, str]:
    """The kept files of a case by their names; a case that is not kept is an error, never made here."""
    text = gzip.decompress(place(name).read_bytes()).decode("utf-8")
    pieces = _FILE.split(text)[1:]
    return dict(zip(pieces[::2], pieces[1::2], strict=True))


def today() -> Iterable[tuple[str, dict[str, str]]]:
    """Every case with its files as they are written now; last the record and the sheet of a job."""
    results = {}
    with tempfile.TemporaryDirectory() as place:
        for name, case in CASES.items():
            folder = Path(place) / name
            folder.mkdir()
            results[name] = result_of(case, folder)
            yield name, written(results[name])
        yield "job", job([results[name] for name in JOB], Path(place) / "job")


def _same(old: str, new: str) -> bool:
    """Whether two lines are the same but for the last digits of long numbers."""
    if _LONG.sub("0", old) != _LONG.sub("0", new):
        return False
    for a, b in zip(_LONG.findall(old), _LONG.findall(new), strict=True):
        x, y = float(a), float(b)
        digits = sorted(len(re.sub(r"e.*|\D", "", one).lstrip("0")) for one in (a, b))
        shown = (digits[0] < _FEWEST or digits[1] < _DIGITS) and max(abs(x), abs(y)) > _NOTHING
        if a != b and (shown or not math.isclose(x, y, rel_tol=_CLOSE, abs_tol=_NOTHING)):
            return False
    return True


def difference(name: str, old: Mapping[str, str], new: Mapping[str, str]) -> list[str]:
    """Lines of the difference between two sets of files; none where they say the same."""
    found = [f"{name}: {file} is {'gone' if file in old else 'new'}" for file in old.keys() ^ new.keys()]
    for file in [file for file in new if file in old]:
        before, after = old[file].rstrip().split("\n"), new[file].rstrip().split("\n")
        if len(before) == len(after):  # what differs in last digits alone is taken as it was
            after = [a if _same(a, b) else b for a, b in zip(before, after, strict=True)]
        if before != after:
            place = f"{name}: {file}"
            lines = difflib.unified_diff(before, after, place, place, "kept", "now", _AROUND, "")
            found += [line[:400] for line in lines]
    return found


def main() -> int:
    """Write the kept reports anew and print what is different; the exit status."""
    from tests.golden.renewing import refuse_in_ci

    refuse_in_ci()
    FOLDER.mkdir(exist_ok=True)
    names = []
    for name, files in today():
        path, names = place(name), [*names, place(name).name]
        old = kept(name) if path.exists() else {}
        print(*difference(name, old, files), sep="\n", end="\n" if old else "")
        path.write_bytes(packed(files))
    for path in FOLDER.iterdir():
        if path.name not in names:
            print(f"{path.stem}: gone")
            path.unlink()
    return 0


if __name__ == "__main__":
    sys.exit(main())
