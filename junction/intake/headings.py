"""Column headings to quantities: which form a table has, and what each of its columns holds.

A heading is a name and a unit in any of the usual spellings (``v_mV``, ``V (mV)``, ``V [mV]``, ``U/mV``,
``i uA``), or a probe placement (``B-E``, ``1-2``, ``A-K``), or a plain word (``part``, ``type``).  No unit
is ever guessed: a column without one needs it in every cell, except diode-mode readings, which are
volts by the mode.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import nan

from junction.base.errors import UnitError
from junction.base.records import BJT_PLACEMENTS, DIODE_PLACEMENTS, NUMBER_PLACEMENTS
from junction.base.units import quantity_of_unit, shown, unit_factor

PLACEMENTS = {*BJT_PLACEMENTS, *NUMBER_PLACEMENTS, *DIODE_PLACEMENTS}

#: squashed spelling -> name of the column
WORDS = {
    "part": "part", "tag": "part", "partname": "part", "parttag": "part",
    "junction": "junction",
    "type": "type", "typenumber": "type", "parttype": "type", "marking": "type",
    "polarity": "polarity",
    "note": "note", "notes": "note", "remark": "note", "remarks": "note", "comment": "note",
    "comments": "note",
    "red": "red", "redlead": "red", "redprobe": "red",
    "black": "black", "blacklead": "black", "blackprobe": "black",
    "incircuit": "in_circuit",
    "value": "value", "reading": "value",
    "v": "v", "u": "v", "voltage": "v", "i": "i", "current": "i",
    "vce": "vce", "uce": "vce", "vbe": "vbe", "ube": "vbe", "ib": "ib", "ic": "ic",
    "t": "temp", "temp": "temp", "temperature": "temp",
    "hfe": "hfe", "gain": "hfe",
}  # fmt: skip

#: columns that hold a number, and its quantity
QUANTITY = {
    "v": "voltage", "vce": "voltage", "vbe": "voltage", "i": "current", "ib": "current", "ic": "current",
    "temp": "temperature", "hfe": "ratio",
}  # fmt: skip

#: a spelling with unit for each number, as messages show it
EXAMPLE = {
    "v": "v_V or v_mV", "i": "i_A, i_mA or i_uA", "vce": "vce_V", "vbe": "vbe_V or vbe_mV",
    "ib": "ib_A or ib_uA", "ic": "ic_A or ic_mA", "temp": "temp_C", "hfe": "hFE",
}  # fmt: skip

FORMS = {
    "wide readings": "part, then B-E, E-B, B-C, C-B, C-E, E-C or 1-2, 1-3 ... or A-K, K-A",
    "long readings": "part, red, black, value",
    "sweeps": "part, junction, v_V, i_A",
    "curves": "part, vce_V, vbe_V, ib_A, ic_A",
}
UNDERSTOOD = "; ".join(f"{form}: {columns}" for form, columns in FORMS.items())
OPTIONAL = "type, polarity, hFE, ic_mA, vbe_mV, temp_C, in_circuit, note"

_SUGGESTED = (
    "part", "junction", "red", "black", "value", "v_V", "v_mV", "i_A", "i_mA", "i_uA", "vce_V", "vbe_V",
    "vbe_mV", "ib_A", "ib_uA", "ic_A", "ic_mA", "type", "polarity", "hFE", "temp_C", "in_circuit", "note",
    *BJT_PLACEMENTS, *NUMBER_PLACEMENTS, *DIODE_PLACEMENTS,
)  # fmt: skip
_SAID = {"part", "type", "polarity", "hfe", "ic", "vbe", "temp", "in_circuit", "note"}
_USED = {
    "wide readings": _SAID | {"placement"},
    "long readings": _SAID | {"red", "black", "value"},
    "sweeps": {"part", "junction", "v", "i", "type", "polarity", "temp", "note"},
    "curves": {"part", "vce", "vbe", "ib", "ic", "type", "polarity", "temp", "note"},
}  # fmt: skip
#: A heading of so many words is a sentence.
PROSE_WORDS = 5
_FIRST_LINE = ("part", *BJT_PLACEMENTS)
_UNKNOWN = "heading not understood"
_BRACKETED = re.compile(r"(.*?)\s*(?:\((.*)\)|\[(.*)\])")
_ARROW = re.compile(r"\s*([A-Za-z0-9]+)\s*[-‐‑‒–—−_>→:]+\s*([A-Za-z0-9]+)\s*")  # noqa: RUF001
_MONTH = "jan|feb|mar|mär|mrz|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez"
_DATE = re.compile(
    rf"\d+[-./ ]+({_MONTH})\w*|({_MONTH})\w*[-./ ]+\d+|\d{{1,4}}[-./]\d\d?[-./]\d{{1,4}}", re.I
)


@dataclass(frozen=True)
class Column:
    """One column: its heading as written, the name it stands for and the unit it gives.

    ``name`` is a value of `WORDS`, ``placement`` or '' (not understood).  ``factor`` turns a bare cell
    into SI units (nan: the heading has no unit); ``quantity`` is what the heading's unit measures.
    ``problem`` says why the heading cannot be used.
    """

    index: int
    heading: str
    name: str = ""
    placement: str = ""
    quantity: str = ""
    factor: float = nan
    problem: str = ""


def parse_placement(text: str) -> str:
    """Probe placement ``X-Y`` (red lead on X) in its one spelling, or '' where the text is none."""
    match = _ARROW.fullmatch(text)
    name = f"{match[1]}-{match[2]}".upper() if match else ""
    return name if name in PLACEMENTS else ""


def _word(text: str) -> str:
    return WORDS.get(re.sub(r"[\s_.\-]+", "", text).lower(), "")


def _named(text: str) -> tuple[str, str]:
    placement = parse_placement(text)
    return ("placement", placement) if placement else (_word(text), "")


def _split(heading: str) -> tuple[str, str]:
    """Name and unit text of a heading; the unit is '' where there is none."""
    if _named(heading)[0]:
        return heading, ""
    match = _BRACKETED.fullmatch(heading)
    if match:
        return match[1], (match[2] if match[2] is not None else match[3]).strip()
    for mark in "/_ ":
        name, found, unit = heading.rpartition(mark)
        if found and name.strip() and (mark == "/" or quantity_of_unit(unit) or _named(name)[0] in QUANTITY):
            if _named(name)[0]:
                return name, unit.strip()
    return heading, ""


def parse_heading(index: int, heading: str) -> Column:
    """Read one heading; a heading that is not understood comes back with name '' and a problem."""
    heading = " ".join(heading.split())
    label = heading if len(heading) <= 60 else heading[:59] + "…"
    text, unit = _split(heading)
    name, placement = _named(text)
    if not name:
        return Column(index, label, problem=_not_understood(label))
    if name in ("placement", "value"):
        quantity = quantity_of_unit(unit)
        if unit and quantity not in ("voltage", "resistance"):
            problem = f"{shown(unit)} is not a unit of a meter reading; write V, mV or ohm"
            return Column(index, label, name, placement, problem=problem)
        factor = unit_factor(unit, quantity) if unit else nan
        return Column(index, label, name, placement, quantity, factor)
    if name not in QUANTITY:
        problem = f"a {name} column has no unit" if unit else ""
        return Column(index, label, name, problem=problem)
    try:
        factor = unit_factor(unit, QUANTITY[name]) if unit or name == "hfe" else nan
    except UnitError as error:
        problem = f"{error}; write {EXAMPLE[name]}"
        return Column(index, label, name, quantity=QUANTITY[name], problem=problem)
    return Column(index, label, name, quantity=QUANTITY[name], factor=factor)


def _not_understood(label: str) -> str:
    if label == "":
        return "a column without a heading"
    if _DATE.fullmatch(label):
        return "a date: has a spreadsheet turned a placement such as 1-2 into one? format the cell as text"
    folded = {name.lower(): name for name in _SUGGESTED}
    near = difflib.get_close_matches(label.lower()[:60], folded, n=1, cutoff=0.6)
    return _UNKNOWN + (f"; nearest is {folded[near[0]]!r}" if near else "")


def recognise(columns: Sequence[Column]) -> str:
    """Form of a table (a key of `FORMS`), or '' when its columns make none."""
    names = {c.name for c in columns}
    if {"part", "junction", "v", "i"} <= names:
        return "sweeps"
    if "part" in names and {"placement", "hfe"} & names and not {"red", "black", "value"} <= names:
        return "wide readings"
    if {"part", "vce", "ic"} <= names and {"vbe", "ib"} & names:
        return "curves"
    if {"part", "red", "black", "value"} <= names:
        return "long readings"
    return "wide readings" if {"part", "vbe", "ic"} <= names else ""


def why_not_recognised(columns: Sequence[Column]) -> str:
    """Explain in one message why the headings make no table that is understood."""
    names = {c.name for c in columns}
    wanted = {
        "sweeps": ("part", "junction", "v", "i"), "curves": ("part", "vce", "ic"),
        "long readings": ("part", "red", "black", "value"), "wide readings": ("part", "placement"),
    }  # fmt: skip
    telling = {form: len(names & {*want} - {"part", "vbe"}) for form, want in wanted.items()}
    form = max(telling, key=lambda f: (telling[f] / len(wanted[f]), telling[f]))
    unknown = [c for c in columns if c.problem and not c.name and c.problem != _UNKNOWN][:5]
    first = {c.problem: c.heading for c in reversed(unknown)}  # each problem once
    faults = ", ".join(f"{h!r}: {p.removeprefix(_UNKNOWN + '; ')}" for p, h in reversed(first.items()))
    strange = [c.heading for c in columns if c.problem == _UNKNOWN]
    if telling[form]:
        missing = [EXAMPLE.get(w, w) for w in wanted[form] if w not in names] or ["vbe_V or ib_A"]
        text = f"headings look like {form}, but a column is missing: {', '.join(missing)}"
        text += " (AK, BE, BC or CE)" if "junction" in missing else ""
        if strange:
            text += f"; not understood: {_quoted(strange)}"
        return text + (f" ({faults})" if faults else "")
    if len(strange) == len(columns) and any(len(h.split()) >= PROSE_WORDS for h in strange):
        start = shown(columns[0].heading, 40)
        return f"no table: its first line is {start}, not headings such as {'; '.join(_FIRST_LINE)}"
    found = _quoted([c.heading for c in columns])
    near = f" ({faults})" if faults else ""
    return f"headings not understood: {found}{near}; understood are {UNDERSTOOD}; also {OPTIONAL}"


def _quoted(headings: Sequence[str]) -> str:
    return ", ".join(map(repr, headings[:8])) + (" ..." if len(headings) > 8 else "")


def unused(columns: Sequence[Column], form: str) -> list[tuple[Column, str]]:
    """Columns of a recognised table that cannot be used, each with its reason."""
    out = []
    for column in columns:
        if column.problem:
            out.append((column, column.problem))
        elif column.name not in _USED[form]:
            out.append((column, f"a {column.name} column has no place in {form}"))
    return out


def doubled(columns: Sequence[Column]) -> list[Column]:
    """Columns whose name an earlier column has too; placements are judged cell by cell instead."""
    seen: set[str] = set()
    out = []
    for column in columns:
        if column.name and column.name != "placement":
            if column.name in seen:
                out.append(column)
            seen.add(column.name)
    return out
