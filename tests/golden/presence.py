"""Where a figure of the JSON stands for people to read: on the page, on a terminal with --more, in a CSV.

``shown.csv`` says for each key of a document where all its figures must be found. A person keeps it: a key
that is shown no longer, of whatever case, is a failure, whatever was written anew elsewhere.
"""

from __future__ import annotations

import csv
import io
import json
import re
from bisect import bisect_left
from collections.abc import Iterable, Mapping
from functools import cache
from html import unescape
from math import inf
from pathlib import Path

from junction.base.records import spelled
from junction.show.blocks import plain, signed

TABLE = Path(__file__).with_name("shown.csv")
PLACES = ("page", "more", "csv")
_POWERS = {"f": -15, "p": -12, "n": -9, "µ": -6, "u": -6, "m": -3, "": 0, "k": 3, "M": 6, "G": 9}
_NUMBER = re.compile(
    r"(?<![\w.])(-?\d+(?:\.\d+)?)(e-?\d+)?(?:\s?(%)|\s?([fpnµumkMG]?)(?=(?:Ω|A|V|W|Hz|F|eV|K)\b))?"
)
#: Keys under which every entry has a name of its own.
_FREE = {"derived", "measured", "counts", "types_by_verdict", "left_out", "weights", "leads", "probability"}
#: Whole numbers up to this stand everywhere, so that finding one says nothing.
_COMMON = 12


def shown_table() -> dict[tuple[str, str], dict[str, str]]:
    """(command, key) -> place -> 'yes', or '' where it need not stand."""
    with open(TABLE, encoding="utf-8", newline="") as file:
        return {(row["command"], row["key"]): row for row in csv.DictReader(file)}


def leaves(x, key: str = "") -> Iterable[tuple[str, object]]:
    """Every text and number of a document that says something, with its key: ``sets[].dvbe_V.value``."""
    if isinstance(x, Mapping):
        free = key.rpartition(".")[2].removesuffix("[]") in _FREE
        for name, inner in x.items():
            yield from leaves(inner, f"{key}.{'*' if free else name}".lstrip("."))
    elif isinstance(x, list):
        for inner in x:
            yield from leaves(inner, f"{key}[]")
    elif not (x in (None, "", 0) or isinstance(x, bool) or isinstance(x, int) and abs(x) <= _COMMON):
        yield key, x


@cache
def _letters(text: str) -> str:
    """A text without what wrapping, signs and dashes change."""
    bare = plain(spelled(signed(text)))
    return re.sub(r"[\s\\_]+|\((?:common practice, )?no source\)|†|\*", "", bare)


class Place:
    """Texts and numbers that one place shows; `exact` are those that stand beside their values."""

    def __init__(self, text: str, exact: Iterable[float], least_digits: float) -> None:
        self.text, self.exact = _letters(text), set(exact)
        found = []
        for bare, power, share, prefix in _NUMBER.findall(text):
            digits = bare.lstrip("-0.").replace(".", "")
            if len(digits) < least_digits:
                continue
            scale = 10.0 ** (-2 if share else _POWERS[prefix]) * float(f"1{power or 'e0'}")
            zeros = len(digits.rstrip("0")) - len(digits)  # 12300 is rounded at one of its zeros
            place = len(bare.partition(".")[2]) or zeros
            found.append((float(bare) * scale, 10.0**-place * scale))
        self.numbers = sorted(found)

    def holds(self, value: str | float) -> bool:
        """Whether the text stands there, or the number, rounded (a limit up to a whole last place)."""
        if isinstance(value, str):
            return _letters(value) in self.text
        if value in self.exact or float(f"{value:.9g}") in self.exact:
            return True
        for wanted in (value, -value):  # signs of a PNP part are told apart
            low, high = sorted((0.8 * wanted, 1.25 * wanted))
            first, end = (bisect_left(self.numbers, (x, 0.0)) for x in (low, high))
            if any(abs(number - wanted) <= 1.0001 * last for number, last in self.numbers[first:end]):
                return True
        return False


def places(command: str, files: Mapping[str, str]) -> dict[str, Place]:
    """What page, terminal and tables show of one case."""
    page = re.sub(r"<title>.*?</title>", "", files[f"{command}.html"].replace(">\n<", "><"))
    exact = [float(x) for x in re.findall(r'<data value="([^"]*)"', page)]
    said = " ".join(re.findall(r'(?:alt|title)="([^"]*)"', page))
    inline = re.sub(r"</?(?:data|sub|sup|i|b|em|strong|span|abbr)\b[^>]*>", "", page)
    text = unescape(re.sub(r"<[^>]*>", " ", inline))
    cells = [cell for name, table in files.items() if name.endswith(".csv")
             for row in csv.reader(io.StringIO(table)) for cell in row]  # fmt: skip
    numbers = [float(c) for c in cells if re.fullmatch(r"-?\d+(\.\d+)?(e[+-]?\d+)?", c)]
    return {"page": Place(f"{text} {unescape(said)}", exact, 3), "more": Place(files["more.txt"], (), 2),
            "csv": Place("\n".join(cells), numbers, inf)}  # fmt: skip


def document(command: str, files: Mapping[str, str]) -> dict:
    """The JSON of one case."""
    return json.loads(files[f"{command}.json"])


def missing(command: str, files: Mapping[str, str], wanted: Mapping[str, Iterable[str]]) -> list[tuple]:
    """Key, place, and the values that are not there, of one case; `wanted`: the places of each key."""
    shown = places(command, files)
    out: dict[tuple[str, str], list] = {}
    for key, value in leaves(document(command, files)):
        for place in wanted.get(key, ()):
            if not shown[place].holds(value):
                out.setdefault((key, place), []).append(value)
    return [(*at, values) for at, values in out.items()]
