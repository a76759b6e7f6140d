"""Headings to quantities, and the text of a cell to its value or to the reason why it has none.

A heading is a name and a unit in any of the usual spellings (``v_mV``, ``V (mV)``, ``V [mV]``, ``U/mV``,
``i uA``), or a probe placement (``B-E``, ``1-2``, ``A-K``), or a plain word (``part``, ``type``).  No unit
is ever guessed: a column without one needs it in every cell, except diode-mode readings, which are
volts by the mode.  A cell is read by what its column holds (`cell_value`) and never guessed at: what is not
understood raises `UnitError` with a reason that says what to write instead.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import inf, isfinite, nan

from junction.base import units
from junction.base.errors import UnitError
from junction.base.records import (
    BJT_PLACEMENTS,
    DIODE_PLACEMENTS,
    JUNCTIONS,
    LEAD_NAME,
    NUMBER_PLACEMENTS,
    Reading,
    split_placement,
)
from junction.base.units import ZERO_CELSIUS_K, in_si, quantity_of_unit, shown, split_quantity, unit_factor
from junction.shelf.reach import within
from junction.shelf.tables import meters, rule

PLACEMENTS = (*BJT_PLACEMENTS, *NUMBER_PLACEMENTS, *DIODE_PLACEMENTS)
#: column -> the quantity of its numbers, spellings of its heading without blanks and marks, how to write it
NAMES = {
    "part": ("", "part tag partname parttag ref refdes reference designator id name label device q partno"
             " partnr partnumber no nr number item #", "part"),
    "junction": ("", "junction", "junction"),
    "red": ("", "red redlead redprobe", "red"),
    "black": ("", "black blacklead blackprobe", "black"),
    "value": ("", "value reading", "value"),
    "v": ("voltage", "v u voltage", "v_V or v_mV"),
    "i": ("current", "i current", "i_A, i_mA or i_uA"),
    "vce": ("voltage", "vce uce", "vce_V"),
    "vbe": ("voltage", "vbe ube", "vbe_V or vbe_mV"),
    "ib": ("current", "ib", "ib_A or ib_uA"),
    "ic": ("current", "ic", "ic_A or ic_mA"),
    "type": ("", "type typ typenumber parttype marking", "type"),
    "polarity": ("", "polarity pol npnpnp npn/pnp", "polarity"),
    "hfe": ("ratio", "hfe gain beta", "hFE"),
    "temp": ("temperature", "t temp temperature", "temp_C"),
    "in_circuit": ("", "incircuit", "in_circuit"),
    "lifted": ("", "lifted liftedleads", "lifted"),
    "discharged": ("", "discharged leadsshorted", "discharged"),
    "note": ("", "note notes remark remarks comment comments", "note"),
}
_SPELLED = {spelling: name for name, (_, spellings, _) in NAMES.items() for spelling in spellings.split()}
#: Where several columns may name the parts, the surest does: those that say part or tag before the others.
_PART_NAMES = NAMES["part"][1].split()
_SURE = 4
_SUGGESTED = [*(word for *_, how in NAMES.values() for word in re.split(", | or ", how)), *PLACEMENTS]
_FACTS = "type polarity hfe ic vbe vce temp in_circuit lifted discharged note"
#: form of a table -> columns that make it, further ones it uses, and how messages show it
FORMS = {
    "wide readings": ("part placement", _FACTS,
                      "part, then B-E, E-B, B-C, C-B, C-E, E-C or 1-2, 1-3 ... or A-K, K-A"),
    "long readings": ("part red black value", _FACTS,
                      "part, red, black, value"),
    "sweeps": ("part junction v i", "type polarity temp note", "part, junction, v_V, i_A"),
    "curves": ("part vce ic", "vbe ib type polarity temp note", "part, vce_V, vbe_V, ib_A, ic_A"),
}  # fmt: skip
_OPTIONAL = "type, polarity, hFE, ic_mA, vbe_mV, vce_V, temp_C, in_circuit, lifted, discharged, note"
#: A heading of so many words is a sentence.
PROSE_WORDS = 5
NAME_LIMIT = 120
#: Every reason for a missing unit starts so.
NO_UNIT = "no unit:"

_UNKNOWN = "heading not understood"
_BRACKETED = re.compile(r"(.*?)\s*(?:\((.*)\)|\[(.*)\])")
_BETWEEN = r"(?:\s*[-‐‑‒–—−_>→:/]{1,2}\s*|\s+)"  # noqa: RUF001
_ARROW = re.compile(rf"\s*({LEAD_NAME}){_BETWEEN}({LEAD_NAME})\s*|([BCE])([BCE])|(A)(K)|(K)(A)", re.I)
_MONTH = "jan|feb|mar|mär|mrz|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez"
_DATE = re.compile(
    rf"\d+[-./ ]+({_MONTH})\w*|({_MONTH})\w*[-./ ]+\d+|\d{{1,4}}[-./]\d\d?[-./]\d{{1,4}}", re.I
)
_SETTLING = re.compile(r"(.*?)\s*(?:~|\bsettling|\bfalling)\s*", re.I | re.S)
_OVER = re.compile(
    r"[+-]?\s*(?:\.?[O0][./]?L\.?|OFL?|OVLD?|OVER(?:LOAD|FLOW|[- ]?RANGE)?|∞|INF(?:INIT[EY])?"
    r"|O/C|OPEN(?:[- ]?CIRCUIT)?)\s*(.*)", re.I,
)  # fmt: skip
_BEYOND = re.compile(r">\s*=?\s*(.*)")
_SHORT = re.compile(r"SHORT(?:ED)?(?:[- ]?CIRCUIT)?|S/C", re.I)
_DASH = re.compile("[-‐‑‒–—−]?")  # noqa: RUF001
_NOT_MEASURED = re.compile(rf"{_DASH.pattern}|N/?A|NAN|NONE", re.I)
_DASHES = re.compile(r"(?:[-‐‑‒–—−]\s*)+")  # noqa: RUF001
_LONE_ONE = re.compile(r"1\s*[.,]\s*([^0-9\s.,].*)?")
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}([.,])[0-9]{3}(?![0-9.,eE])")
_STEP = re.compile(r"[+-]?[0-9]*(?:[.,]([0-9]*))?(?:[eE]([+-]?[0-9]+))?")
_YES, _NO = {"yes", "y", "true", "1", "x", "in"}, {"", "-", "no", "n", "false", "0", "out"}


@dataclass(frozen=True)
class Column:
    """One column: its heading as written, the name it stands for and the unit it gives.

    ``name`` is a key of `NAMES`, ``placement`` or '' (not understood); ``factor`` turns a bare number into
    SI units, nan where the heading names no unit; ``problem`` says why the column cannot be used.
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
    name = "-".join(filter(None, match.groups())).upper() if match else ""
    return name if split_placement(name)[0] else ""


def _name(text: str) -> str:
    if parse_placement(text):
        return "placement"
    return _SPELLED.get(_plain(text), "")


def _plain(text: str) -> str:
    """Heading as `NAMES` spells it; ``I_D`` and its like, which are currents, are none of the short ones."""
    plain = re.sub(r"[\s_.\-]+", "", text).lower()
    spelled = len(plain) > 2 or _SPELLED.get(plain) != "part" or plain == text.strip(" .:").lower()
    return plain if spelled else text


def part_rank(column: Column) -> tuple[bool, int]:
    """How well a column named ``part`` names the parts, the lowest best."""
    plain = _plain(column.heading)
    place = _PART_NAMES.index(plain) if plain in _PART_NAMES else 0
    return bool(column.problem), max(place - _SURE + 1, 0)


def parse_heading(index: int, heading: str) -> Column:
    """Read one heading; a heading that is not understood comes back with name '' and a problem."""
    heading = " ".join(heading.split())
    label = heading if len(heading) <= 60 else heading[:59] + "…"
    text, unit = _without_unit(heading)
    name, quantity, factor, problem = _name(text), "", nan, ""
    if name == "part" and unit and _PART_NAMES.index(_plain(text)) >= _SURE:
        name = ""
    if label == "":
        problem = "a column without a heading"
    elif not name and _DATE.fullmatch(label):
        problem = "a date: has a spreadsheet turned a placement such as 1-2 into one?"
        problem += " format the cell as text"
    elif not name:
        folded = {name.lower(): name for name in _SUGGESTED}
        near = difflib.get_close_matches(label.lower()[:60], folded, n=1, cutoff=0.6)
        problem = _UNKNOWN + (f"; nearest is {folded[near[0]]!r}" if near else "")
    elif name in ("placement", "value"):
        quantity = quantity_of_unit(unit)
        if unit and quantity not in ("voltage", "resistance"):
            quantity, problem = "", f"{shown(unit)} is not a unit of a meter reading; write V, mV or ohm"
        elif unit:
            factor = unit_factor(unit, quantity)
    elif quantity := NAMES[name][0]:
        try:
            factor = unit_factor(unit, quantity) if unit or name == "hfe" else nan
        except UnitError as error:
            problem = f"{error}; write {NAMES[name][2]}"
    elif unit:
        problem = f"a {name} column has no unit"
    return Column(index, label, name, parse_placement(text), quantity, factor, problem)


def _without_unit(heading: str) -> tuple[str, str]:
    """Name and unit text of a heading; the unit is '' where there is none."""
    if _name(heading):
        return heading, ""
    match = _BRACKETED.fullmatch(heading)
    if match:
        return match[1], (match[2] if match[2] is not None else match[3]).strip()
    for mark in "/_ ":
        text, _, unit = heading.rpartition(mark)
        if (name := _name(text)) and (mark == "/" or quantity_of_unit(unit) or NAMES.get(name, [""])[0]):
            return text, unit.strip()
    return heading, ""


def recognise(columns: Sequence[Column]) -> str:
    """Form of a table (a key of `FORMS`), or '' when its columns make none."""
    names = {c.name for c in columns}
    if {"part", "junction", "v", "i"} <= names:
        return "sweeps"
    by_lead = {"part", "red", "black", "value"} <= names
    if "part" in names and {"placement", "hfe"} & names and not by_lead:
        return "wide readings"
    if {"part", "vce", "ic"} <= names and {"vbe", "ib"} & names:
        return "curves"
    return "long readings" if by_lead else "wide readings" if {"part", "vbe", "ic"} <= names else ""


def why_no_table(columns: Sequence[Column]) -> str:
    """What these columns, which make no table, lack or might have meant."""
    names = {c.name for c in columns}
    wanted = {form: makes.split() for form, (makes, _, _) in reversed(FORMS.items())}
    telling = {form: len(names & {*want} - {"part"}) for form, want in wanted.items()}
    form = max(telling, key=lambda f: (telling[f] / len(wanted[f]), telling[f]))
    unknown = [c for c in columns if c.problem and not c.name and c.problem != _UNKNOWN][:5]
    first = {c.problem: c.heading for c in reversed(unknown)}  # each problem once
    faults = ", ".join(f"{h!r}: {p.removeprefix(_UNKNOWN + '; ')}" for p, h in reversed(first.items()))
    faults = f" ({faults})" if faults else ""
    strange = [c.heading for c in columns if c.problem == _UNKNOWN]
    if telling[form]:
        missing = [NAMES[w][2] if w in NAMES else w for w in wanted[form] if w not in names]
        missing = missing or ["vbe_V or ib_A"]
        text = f"headings look like {form}, but a column is missing: {', '.join(missing)}"
        text += " (AK, BE, BC or CE)" if "junction" in missing else ""
        return text + (f"; not understood: {_quoted(strange)}" if strange else "") + faults
    if len(strange) == len(columns) and any(len(h.split()) >= PROSE_WORDS for h in strange):
        start = shown(columns[0].heading, 40)
        return f"no table: its first line is {start}, not headings such as part; {'; '.join(BJT_PLACEMENTS)}"
    understood = "; ".join(f"{form}: {shows}" for form, (_, _, shows) in FORMS.items())
    found = _quoted([c.heading for c in columns])
    return f"headings not understood: {found}{faults}; understood are {understood}; also {_OPTIONAL}"


def _quoted(headings: Sequence[str]) -> str:
    return ", ".join(map(repr, headings[:8])) + (" ..." if len(headings) > 8 else "")


# --- cells -----------------------------------------------------------------------------------------------


def cell_value(text: str, column: Column, mark: str = "", placement: str = ""):
    """Value of one cell by what its column holds.

    Parameters
    ----------
    text : str
        Cell.
    column : Column
        A usable one.
    mark : str, optional
        Decimal mark the rest of the file uses: ``.``, ``,``, ``?`` (both occur) or '' (neither).
    placement : str, optional
        Of a reading whose leads stand in columns of their own.

    Returns
    -------
    Reading, float, str, bool or None
        A number is in SI units, nan for an empty cell; None is a cell without a reading.

    Raises
    ------
    UnitError
        With what to write instead.
    """
    name = column.name
    if name in _WORDS:
        return _WORDS[name](text)
    if name in ("placement", "value"):
        return reading_cell(placement or column.placement, text, column, mark)
    text = text.strip()
    if _DASH.fullmatch(text):
        return nan
    _check_mark(text, mark)
    value, unit = split_quantity(text)  # the cell's own unit is taken before the heading's
    factor = unit_factor(unit, column.quantity) if unit else column.factor
    if not isfinite(factor):
        usual = {"voltage": ("V", "mV"), "current": ("A", "mA"), "temperature": ("C",)}[column.quantity]
        examples = ", ".join(f"{column.heading}_{unit}" for unit in usual)
        raise UnitError(f"{NO_UNIT} write it in the heading (such as {examples}) or in each cell")
    value = within(text, in_si(value, factor), column.quantity)
    if name == "temp" and not temp_is_taken(value) and isfinite(value):
        low, high = rule("intake_temp_low"), rule("intake_temp_high")
        kelvin = f"; {value:g} K is {value - ZERO_CELSIUS_K:.1f} °C" if high < value < 500 else ""
        raise UnitError(f"{shown(text)} is outside {low:g} to {high:g} °C; write degrees Celsius{kelvin}")
    return value


def temp_is_taken(value):
    """Whether a temperature [degC] is one that a part on a bench may have; value or array."""
    return (value >= rule("intake_temp_low")) & (value <= rule("intake_temp_high"))


def _check_mark(text: str, mark: str) -> None:
    """Refuse a number that could be read with either mark."""
    match = _THOUSANDS.match(text)
    if match and mark and match[1] != mark:
        plain = match.group().replace(match[1], mark if mark in ".," else ".")
        whole = match.group().replace(match[1], "")
        raise UnitError(f"{shown(text)}: decimal or thousands mark? write {plain} or {whole}")


class NegativeReading(UnitError):
    """A reading below zero; ``turned`` is how it is written if red and black were swapped."""

    def __init__(self, text: str, placement: str, volts: float) -> None:
        red, black = split_placement(placement)
        self.turned = f"{black}-{red}={volts:.6g}"
        fault = "diode mode cannot read negative; power off, discharge capacitors, read again"
        super().__init__(f"{shown(text)}: {fault}")


def reading_cell(placement: str, text: str, column: Column | None = None, mark: str = "") -> Reading | None:
    """Read one meter value; None for a cell that is empty or says that nothing was measured.

    Parameters
    ----------
    placement : str
        One of `PLACEMENTS`.
    text : str
        ``0.612`` (volts by the mode), ``612 mV``, ``OL`` and the other over-range marks, ``34 ohm``,
        ``34k``, ``4k7``, ``2.2 MΩ``, ``OL MΩ``, ``>1.999``, ``short``; a ``~`` or the word ``settling``
        behind it says that the reading was still moving.
    column : Column, optional
        Heading, whose unit a bare number takes.
    mark : str, optional
        As in `cell_value`.

    Raises
    ------
    UnitError
        With what to write instead.
    """
    text = text.strip()
    settling = _SETTLING.fullmatch(text)
    if settling:
        text = settling[1]
        if text == "":
            raise UnitError("a settling mark without a reading; write for example '0.45~'")
    if _NOT_MEASURED.fullmatch(text):
        return None
    over, value = _over_range(text), nan
    if _SHORT.fullmatch(text):
        quantity, value = _meter_unit("", text, column)[0], 0.0
    elif over is not None:
        quantity = _meter_unit(over, text, column)[0]
        value = inf if quantity == "resistance" else nan
    elif isfinite(marked := units.letter_marked(text)):
        quantity, value = "resistance", within(text, marked, "resistance", read=True)
    else:
        beyond = _BEYOND.fullmatch(text)
        if not beyond:
            _check_mark(text, mark)
        try:
            number, unit = split_quantity(beyond[1] if beyond else text)
        except UnitError:
            raise UnitError(f"{shown(text)} is not a reading. Write 0.612, 612mV, OL or 34ohm.") from None
        quantity, factor = _meter_unit(unit, text, column)
        if not quantity and text == "1":
            raise UnitError("'1' may be 1 V or a meter's over-range mark; write 1.000 or OL")
        if not quantity and number > rule("intake_bare_volt_most"):
            bare = beyond[1] if beyond else text
            # of a number with a point, a point that slipped is likelier than a unit that was left off
            slipped = not beyond and ("." in bare or "," in bare) and number / 10
            meant = slipped and rule("leads_meant_low") <= slipped <= rule("leads_meant_high")
            volts = f"{slipped:.4g}V, " if meant else ""
            raise UnitError(f"{shown(text)}: write {volts}{bare}mV or {bare}ohm.")
        value = within(text, in_si(number, factor), quantity or "voltage", read=True)
        if quantity == "resistance" and value < 0:
            fault = "a resistance cannot be negative; is the circuit powered or charged?"
            raise UnitError(f"{shown(text)}: {fault}")
        if quantity != "resistance" and value < rule("intake_volt_least"):
            raise NegativeReading(text, placement, -value)
        if beyond:  # >1.999 is a mark, >0.3 is none
            if quantity != "resistance" and value < min(meter.over_range_V for meter in meters().values()):
                raise UnitError(f"{shown(text)}: no meter's over-range mark; write what it shows, or OL")
            over, value = "", inf if quantity == "resistance" else nan
    kind = "ohm" if quantity == "resistance" else "volt" if over is None else "over"
    return Reading(placement, kind, value, bool(settling), text)


def _over_range(text: str) -> str | None:
    """Unit text behind an over-range mark ('' for none), or None when the cell is no such mark."""
    match = _OVER.fullmatch(text)
    if match:
        return match[1].strip()
    if _DASHES.fullmatch(text):
        return ""
    match = _LONE_ONE.fullmatch(text)
    if match and quantity_of_unit(match[1] or "") == "voltage":
        raise UnitError(f"{shown(text)} may be 1 V or a meter's over-range mark; write 1.000 or OL")
    return (match[1] or "").strip() if match else None


def _meter_unit(unit: str, text: str, column: Column | None) -> tuple[str, float]:
    """Quantity and factor of a reading by its own unit or else its heading's; '' where neither says one."""
    if not unit:
        told = column is not None and isfinite(column.factor)
        return (column.quantity, column.factor) if told else ("", 1.0)
    if unit == "m":
        bare = text.rstrip().removesuffix("m").rstrip()
        raise UnitError(f"{shown(text)}: write {bare}mV or {bare}mohm.")
    # the trade writes 34k
    quantity = "resistance" if unit in ("k", "K", "M", "G") else quantity_of_unit(unit)
    if quantity not in ("voltage", "resistance"):
        what = f"is a {quantity}" if quantity else "is not a number"
        raise UnitError(f"{shown(text)} {what}. Write V, mV or ohm.")
    return quantity, unit_factor(unit, quantity)


def parse_reading(text: str) -> Reading:
    """Read ``B-E=0.612`` as typed on a command line or at the prompt.

    Raises
    ------
    UnitError
        If the placement or the value is not understood, or there is no value.
    """
    left, found, right = text.partition("=")
    placement = parse_placement(left)
    if not found or not placement:
        if not found and re.match(r"[+-]?[.,]?[0-9]", text):
            bare = text.strip()
            raise UnitError(f"{shown(text)}: between which leads? Write B-E={bare}, red probe first.")
        raise UnitError(f"{shown(text)} is no reading. Write B-E=0.612, red probe first.")
    try:
        reading = reading_cell(placement, right)
    except NegativeReading as error:
        raise UnitError(f"{error}; if red and black were swapped, write {error.turned}") from error
    if reading is None:
        raise UnitError(f"{shown(text)} has no value. Write {placement}=0.612 or {placement}=OL.")
    return reading


def last_digit(text: str, column: Column | None = None) -> float:
    """Weight of the last written digit of a reading, in the unit the cell or heading gives [V or ohm]."""
    match = _STEP.match(text.strip())
    exponent = int(match[2] or 0) - len(match[1] or "")
    try:
        factor = _meter_unit(split_quantity(text.rstrip("~ "))[1], text, column)[1]
    except UnitError:  # 4k7 and its like
        factor = 1.0
    return factor * 10.0 ** max(exponent, -30)


def visible(text: str) -> str:
    """Text with control characters made visible: ``␀`` for NUL, ``<U+202E>`` for a direction override."""
    text = text.strip(" \t\n\u00a0")
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else _pictured(c) for c in text)


def _pictured(char: str) -> str:
    if char < " " or char == "\x7f":
        return "\u2421" if char == "\x7f" else chr(0x2400 + ord(char))
    return " " if unicodedata.category(char) == "Zs" else f"<U+{ord(char):04X}>"


def _part(text: str) -> str:
    name = visible(text)
    if name == "":
        raise UnitError("no part name; every row needs the part's written tag")
    if len(name) > NAME_LIMIT:
        raise UnitError(f"a part name of {len(name)} characters; at most {NAME_LIMIT} are taken")
    return name


@lru_cache(maxsize=256)
def _junction(text: str) -> str:
    name = "".join(c for c in text.upper() if c.isalnum())
    if name in JUNCTIONS:
        return name
    if name[::-1] in JUNCTIONS:  # turned letters may mean turned signs, or not
        raise UnitError(f"{shown(text)}: write {name[::-1]}, with v as the p side against the n side")
    raise UnitError(f"{shown(text)} is not a junction; write AK, BE, BC or CE")


def _polarity(text: str) -> str:
    name = text.strip().upper().replace("-", "")
    if name in ("NPN", "PNP", ""):
        return name
    raise UnitError(f"{shown(text)} is not a polarity; write NPN or PNP, or leave the cell empty")


def _type(text: str) -> str:
    return "" if _NOT_MEASURED.fullmatch(text.strip()) else visible(text)


def _yes(text: str) -> bool:
    name = text.strip().lower()
    if name in _YES or name in _NO:
        return name in _YES
    raise UnitError(f"{shown(text)} is neither yes nor no")


def _lifted(text: str) -> tuple[str, ...]:
    """Names of leads, such as ``E`` or ``B E``."""
    names = re.split(r"[\s,;/&]+", text.strip().upper())
    if strange := [name for name in names if name and not re.fullmatch(LEAD_NAME, name)]:
        raise UnitError(f"{shown(strange[0])} is no name of a lead; write such as E, or B E")
    return tuple(filter(None, names))


_WORDS = {
    "part": _part, "junction": _junction, "type": _type, "note": visible, "polarity": _polarity,
    "in_circuit": _yes, "discharged": _yes, "lifted": _lifted,
}  # fmt: skip
