"""Does a replacement meet or exceed the original, or what the place needs: names to a ranking."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, replace
from math import isfinite, isnan, nan
from numbers import Real

from junction.base.errors import InputError, UsageError
from junction.base.files import bounded, bytes_of
from junction.base.records import Bag, SetAside
from junction.base.units import REFERENCE_TEMP_C, shown
from junction.jobs.job import Result, job
from junction.replace.rank import rank
from junction.replace.results import Needs, SubstituteReport
from junction.replace.substitute import compare
from junction.replace.suggest import own_groups, suggest
from junction.shelf.names import number_says
from junction.shelf.reach import physical, reach, too_small
from junction.shelf.tables import PartType, cautions
from junction.shelf.types import TypeShelf, power_reference, safe_current_A, type_shelf, unknown_words

EPILOG = """Without candidates: what to take from the shelf, two or three parts with why, and what has to be
changed to fit the best of them; of an output transistor the pair, to replace both sides.  With candidates:
each figure is answered with exceeds, meets, falls short or not known; a candidate exceeds when every rating
does, and meets when none is less.  With --voltage, --current, --power ... the place is the yardstick instead
of an original, and every type named is a candidate.
exit status: 0 all candidates compared; 1 done, but some are not on the shelf; 2 nothing done.
examples:
  junction substitute 2N3055
  junction substitute 2N3055 MJ15003 TIP3055 --case-temperature 80C
  junction substitute --voltage 80V --current 5A --power 60W --case-temperature 80C --polarity NPN
  junction substitute --needs stage.json --bag drawer.csv"""

#: Types whose safe area is drawn, the original included.
MOST_AREAS = 5
#: What the numbers of needs are; what is not here is a plain one.
_OF_NEED = {"voltage_V": "voltage", "current_A": "current", "power_W": "power", "hfe_at_A": "current",
            "f_t_Hz": "frequency", "case_temp_C": "temperature"}  # fmt: skip
#: A part to be compared: its type number, its written tag, and where it was read (file and line).
Candidate = tuple[str, str, str, int | None]


def _load_point(given) -> tuple[float, float]:
    pair = given.split(",") if isinstance(given, str) else given
    if not isinstance(pair, Sequence) or len(pair) != 2:
        raise UsageError(f"{shown(str(given))}: a voltage and a current were expected, 40V,2A")
    return physical(pair[0], "voltage", above=0.0), physical(pair[1], "current", above=0.0)


def _as_given(given):
    return given


@job(
    inputs=("types_named", "*", "TYPE",
            "original, then candidates; only candidates when the needs of the place are given"),
    writes="substitute.html, substitute.csv and substitute.json", epilog=EPILOG,
    readers={"bag": _as_given, "needs": _as_given, "load_point": _load_point},
)  # fmt: skip
def substitute(*types_named, o) -> Result:
    """Hold replacements against an original type, or against what a place in a circuit needs.

    Parameters
    ----------
    *types_named : str
        The original, then candidates; only candidates where the needs of a place are given.  Without
        candidates, those of the shelf.

    Returns
    -------
    Result
        ``candidates``, best first, each with its ``result``, its ``lines`` and ``warnings``; table
        ``substitute``, one row a line.

    Raises
    ------
    UsageError
        A type that is not on the shelf, or needs that ask for nothing.
    InputError
        A file of needs or parts that cannot be read.

    Examples
    --------
    >>> import junction
    >>> junction.substitute("2N3055", "MJ15003", case_temperature="80C")
    <junction substitute: MJ15003 for 2N3055: exceeds>
    """
    lists = [[one] if one is None or isinstance(one, str | Real) else one for one in types_named]
    named = [(name, "", "", None) for one in lists for name in one]
    if wrong := [name for name, *_ in named if not isinstance(name, str)]:
        raise UsageError(f"{wrong[0]!r} is no type number: give it as text")
    shelf = type_shelf((o.types,) if o.types else ())
    asked = _needs(o)
    bag, read = Bag(), []
    if o.bag:
        from junction.jobs.job import bag_of

        bag = bag_of(o.bag[0] if len(o.bag) == 1 else o.bag).by_name()
        read = _parts_of(bag)
        if not read:
            raise InputError("no parts in it", ", ".join(bag.files))
    if isinstance(o.needs, str):
        bag = replace(bag, files=(*bag.files, o.needs))
    words = [name for name, *_ in named]
    if asked is not None:
        device, case_temp_C = "diode" if o.diodes else "bjt", asked.case_temp_C
    elif not named:
        raise UsageError("name the original type, or say what the place needs (--voltage, --current ...)")
    elif o.diodes:
        raise UsageError("--diodes belongs to the needs of a place; an original says itself what it is")
    else:
        asked = shelf.find(words[0])
        if asked is None:
            told = f"no type {shown(words[0])} on the shelf{_hint(words[0], words, shelf)}"
            raise UsageError(f"{told}. {_go_on(words[0])}")
        named, device = named[1:], asked.device
        case_temp_C = REFERENCE_TEMP_C if o.case_temperature is None else o.case_temperature
    original = None if isinstance(asked, Needs) else asked
    aside: tuple[SetAside, ...] = ()
    if named or read:
        found, aside = _split([*named, *read], words, shelf, device if original else "")
        ranked = rank(compare(asked, part, case_temp_C, tag) for part, tag in found)
        searched = len(found)
    else:
        ranked = suggest(asked, shelf, o.most, case_temp_C, device)
        searched = len(shelf.names(device)) - (original is not None)
    from_shelf = not named and not read
    own = own_groups(original, shelf) if original and from_shelf else ()
    types = [shelf.find(one.candidate) for one in ranked]
    drawn = {part.name: part for part in (original, *types) if part is not None}
    fitting = ("fitting",) if any(part.mounting == "bolted" for part in types) else ()
    report = SubstituteReport(
        ranked, original, None if original else asked, from_shelf=from_shelf, searched=searched,
        case_temp_C=case_temp_C, safe_areas=_safe_areas(list(drawn.values())[:MOST_AREAS], case_temp_C),
        own_groups=own, bag=bag, set_aside=(*bag.set_aside, *aside), cautions=cautions(*fitting, "power-up"),
        brief=cautions("substitute"),
    )  # fmt: skip
    return Result("substitute", report)


def _safe_areas(parts: Iterable[PartType], temp_C: float) -> dict[str, tuple[tuple[float, float], ...]]:
    """Dc safe areas of transistors as (voltage [V], current [A]) points, where they are known."""
    found = {}
    for part in parts:
        top = part.rating("V_CEO")
        if part.device != "bjt" or not top > 1:
            continue
        where = power_reference(part)[0] or "case"
        volts = [top ** (k / 60) for k in range(60)]  # even on a logarithmic axis, from 1 V to V_CEO
        volts.append(top * (1 - 1e-12))
        points = tuple((v, safe_current_A(part, v, temp_C, where)) for v in volts)
        if all(i > 0 for _, i in points):
            found[part.name] = points
    return found


def _hint(name: str, words: Sequence[str], shelf: TypeShelf) -> str:
    """What may have been meant by a name that is not on the shelf: two words that are one, or a near name."""
    for k, word in enumerate(words):
        for joined in ("".join(words[k : k + 2]), "".join(words[max(k - 1, 0) : k + 1])):
            if word == name != joined and shelf.find(joined):
                return f"; did you mean {joined}? write it without the space, or in quotes"
    said = unknown_words(name, shelf)
    told = f"; by its number {said['says']}" if said["says"] else ""
    if said["near"]:
        return f"{told}; on the shelf there is {said['near']}"
    return told or f"; none of its {len(shelf.names())} types is spelled like it"


def _go_on(name: str) -> str:
    """How to go on without a type, as far as its number says what the part must be."""
    told = number_says(name)
    # the needs of a place would be answered with bipolar transistors, which some with parts built in are
    if told is not None and any(not kind.startswith(("built-in", "damper")) for kind in told.kinds):
        return "junction's shelf holds bipolar transistors and diodes only"
    first = f"--polarity {told.polarity} " if told is not None and told.polarity else ""
    if told is not None and not told.kinds and re.search("diode|rectifier", told.says):
        first = "--diodes "
    wanted = f"{first}--voltage, --current, --power ..."
    return f"Add its figures with --types FILE, or say what the place needs ({wanted})"


def _split(
    candidates: Sequence[Candidate], words: Sequence[str], shelf: TypeShelf, device: str
) -> tuple[list[tuple[PartType, str]], tuple[SetAside, ...]]:
    """Candidates to types of one device with their tags, and those that cannot be compared.

    Raises
    ------
    UsageError
        Not one of them can be.
    """
    found, aside = [], []
    for name, tag, file, row in candidates:
        part = shelf.find(name) if name else None
        if part is not None and device in ("", part.device):
            found.append((part, tag))
            continue
        if part is not None:
            reason = f"{part.name} is a {part.device}, not a {device}"
        elif name:
            hint = _hint(name, () if tag else words, shelf)
            reason = (f"{name}: " if tag else "") + f"no such type on the shelf{hint}"
        else:
            reason = "its type is not given"
        aside.append(SetAside(file, row, "type" if tag else "", tag or name, reason))
    if not found:
        raise UsageError("; ".join(f"{s.value}: {s.reason}" for s in aside[:5]))
    return found, tuple(aside)


def _parts_of(bag: Bag) -> list[Candidate]:
    """Every part of a bag, in the order read; its type is '' where none was written."""
    seen = [(r.type, r.part, r.file, r.row or None) for r in bag.readings]
    for table in (bag.sweeps, bag.curves):
        rows = (int(table.row[k]) if k < table.row.size else None for k in table.starts[:-1])
        seen += zip(table.type, table.part, table.file, rows, strict=True)
    found: dict[str, Candidate] = {}
    for one in seen:
        if not found.get(one[1], ("",))[0]:
            found[one[1]] = one if one[0] or one[1] not in found else found[one[1]]
    return list(found.values())


def _needs(o) -> Needs | None:
    """Needs that the options and what was given as needs state, options first; None if nothing was asked."""
    said = {
        "polarity": o.polarity or None, "voltage_V": o.voltage, "current_A": o.current, "power_W": o.power,
        "hfe_low": o.gain, "hfe_at_A": o.gain_current, "f_t_Hz": o.transition_frequency,
        "load_line": o.load_point or None,
    }  # fmt: skip
    said = {key: value for key, value in said.items() if value is not None}
    if not said and o.needs is None:
        return None
    if o.case_temperature is not None:
        said["case_temp_C"] = o.case_temperature
    needs = replace(Needs() if o.needs is None else _given_needs(o.needs), **said)
    if not isnan(needs.hfe_at_A) and isnan(needs.hfe_low):
        raise UsageError("--gain-current says where the gain must hold; --gain says how much")
    asked = (needs.voltage_V, needs.current_A, needs.power_W, needs.hfe_low, needs.f_t_Hz)
    if not any(isfinite(x) for x in asked) and not needs.load_line:
        raise UsageError("the needs ask for nothing: give a voltage, a current, a power, a gain ...")
    return needs


def _given_needs(given) -> Needs:
    """Needs from a file, a mapping or a result of `junction.stage`.

    An object with the keys of `Needs`, alone or under ``needs``, or what ``junction stage --json`` writes.

    Raises
    ------
    InputError
        Not JSON, a key that is not known, or a value of the wrong kind.
    """
    if isinstance(given, Needs):
        return given
    file, data = "needs", given.to_dict() if hasattr(given, "to_dict") else given
    if not isinstance(data, Mapping):
        file = str(given)
        try:
            text = bounded(sys.stdin.buffer) if file == "-" else bytes_of(file)
            data = json.loads(text.decode("utf-8-sig"))
        except OSError as error:
            raise InputError(f"cannot be read: {error.strerror or error}", file) from error
        except (UnicodeDecodeError, json.JSONDecodeError) as error:
            line = getattr(error, "lineno", None)
            raise InputError(f"is not JSON: {getattr(error, 'msg', error)}", file, line) from error
        except (RecursionError, ValueError) as error:  # a number of more digits than Python reads is one too
            reason = "is not JSON that anything writes: too deep, or a number too long"
            raise InputError(reason, file) from error
    if isinstance(data, Mapping) and data.get("command") == "stage" and "needs" not in data:
        try:
            found = _needs_of_stage(data["stage"])
            for key in ("voltage_V", "current_A", "power_W"):
                if not isnan(value := getattr(found, key)):
                    _need(key, value, file)
            _need("load_line", [list(point) for point in found.load_line], file)
            return found
        except InputError:
            raise
        except (AttributeError, KeyError, OverflowError, TypeError, ValueError, ZeroDivisionError) as error:
            raise InputError("is not what junction stage writes", file, column="stage") from error
    if isinstance(data, Mapping) and "needs" in data:
        data = data["needs"]
    elif isinstance(data, Mapping) and "format" in data:
        raise InputError("has no needs in it", file, column="needs")
    if not isinstance(data, Mapping):
        raise InputError("an object with the needs was expected", file, column="needs")
    known = {f.name for f in fields(Needs)}
    for key in data:
        if key not in known:
            raise InputError(f"no such need; there are {', '.join(sorted(known))}", file, column=key)
    return Needs(**{key: _need(key, value, file) for key, value in data.items() if value is not None})


def _need(key: str, value: object, file: str) -> object:
    def number(x: object, of: str = _OF_NEED.get(key, "ratio")) -> bool:
        if not isinstance(x, int | float) or isinstance(x, bool):
            return False
        if of == "temperature":
            from junction.intake.cells import temp_is_taken

            return bool(temp_is_taken(x))
        return abs(x) <= reach(of).most and not too_small(x, of)

    if key in ("polarity", "source"):
        if not isinstance(value, str) or (key == "polarity" and value not in ("", "NPN", "PNP")):
            raise InputError(f"{shown(str(value))}: NPN or PNP was expected", file, column=key)
        return value
    if key == "load_line":
        if not isinstance(value, list) or not all(
            isinstance(p, list) and len(p) == 2 and number(p[0], "voltage") and number(p[1], "current")
            and min(p) > 0
            for p in value
        ):
            raise InputError("pairs [voltage in V, current in A] above zero were expected", file, column=key)
        return tuple((float(v), float(i)) for v, i in value)
    if not number(value) or (key != "case_temp_C" and not value > 0):
        reason = f"{shown(str(value))}: a number above zero that a bench reaches, in the unit of the key, was"
        reason += " expected"
        raise InputError(reason, file, column=key)
    return float(value)


def _needs_of_stage(record: Mapping) -> Needs:
    """What an output stage (the object ``stage`` of its JSON) asks of each of its devices.

    The device that is off sees both rails; it carries its share of the rail's peak current; its power is
    the mean of the worst way of driving the stage, at the case temperature worked out for that.  The worst
    instant of each way of driving is held against the dc safe area, which is on the safe side.
    """

    def number(value) -> float:
        return nan if value is None else float(value)

    heat = [
        tuple(number(d[key]) for key in ("average_W", "case_C", "vce_at_peak_V", "ic_at_peak_A"))
        for d in record["dissipation"]
    ]
    power_W, case_C = max((row[:2] for row in heat if isfinite(row[0])), default=(nan, nan))
    points = {(v, i) for _, _, v, i in heat if isfinite(v) and isfinite(i) and v > 0 and i > 0}
    # a point under another one, in voltage and in current, asks for nothing more
    points = [p for p in points if not any(q != p and q[0] >= p[0] and q[1] >= p[1] for q in points)]
    return Needs(
        voltage_V=2 * number(record["supply_V"]),
        current_A=number(record["peak"]["total_A"]) / int(record["parallel"]), power_W=power_W,
        case_temp_C=case_C if isfinite(case_C) else REFERENCE_TEMP_C, load_line=tuple(sorted(points)),
        source="junction stage",
    )  # fmt: skip
