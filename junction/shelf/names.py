"""Type numbers as people write them and parts print them.

`spellings` says under which names of the shelf a marking may stand, `near_names` which it may have meant,
`number_family` what a number says by itself.  All of it works on names alone; the types stand in
`junction.shelf.types`.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from types import SimpleNamespace

from junction.base.records import plain_name
from junction.shelf.tables import Row, records

#: ordering and packing suffixes that makers hang on a type number; they change no limit
_SUFFIXES = (
    "STU", "RLRAG", "RLRMG", "RLRPG", "RLRA", "RLRM", "TFR", "TAR", "TFRG", "BU", "TU", "TA", "TF", "TR",
    "AP", "T/R", "RLG", "RL", "G",
)  # fmt: skip
#: Japanese parts go without the 2S of their registration (C1815 is 2SC1815).  Behind a dash stands the gain
#: group, without one it is one of these letters; A and its like are versions.  From memory.
_JAPANESE = re.compile(r"(?:2S)?([A-D][0-9]{2,4}[A-Z]*?)(|GR|BL|[OYRPQSV])")
_GROUP = re.compile(r"[- ][A-Z]{1,2}\s*")
_QUALITY = ("JANTXV", "JANTX", "JANS", "JAN")  # military quality prefixes of the same registration


def spellings(name: str) -> list[str]:
    """Plain names under which a marking as it stands on the part may be on the shelf, the first to try first.

    In this order: the name itself; a military quality prefix taken as the JAN type of that number and else as
    the number; an ordering suffix dropped; the 2S of a Japanese number added and its gain group dropped.
    Any other letter that may mean another selection (a gain group of narrower limits, a voltage step) is
    never dropped.
    """
    written = plain_name(name)
    prefix = next((x for x in _QUALITY if written.startswith(x) and written != x), "")
    number_ = written.removeprefix(prefix)
    heads = [written, "JAN" + number_, number_] if prefix else [written]
    found = [*heads, *(h.removesuffix(s) for h in heads for s in _SUFFIXES if h.endswith(s))]
    if japanese := _JAPANESE.fullmatch(written):
        found += ["2S" + written, "2S" + japanese[1]]
        if group := _GROUP.search(name.upper(), 1):
            found.append("2S" + _JAPANESE.fullmatch(plain_name(name[: group.start()]))[1])
    return found


def near_names(name: str, known: Collection[str], count: int = 4) -> list[str]:
    """Plain names that one not on the shelf may mean, the nearest first.

    Those that differ by letters at the end (2N2907, 2N2907A); else those that go on before it (3055, C547B);
    else those that look like it.
    """
    key = plain_name(name)
    ends = re.compile(rf"{re.escape(key)}[A-Z]{{1,2}}|{re.escape(re.sub('[A-Z]{1,2}$', '', key))}[A-Z]?")
    near = [k for k in known if len(key) > 2 and ends.fullmatch(k)]
    near = near or [k for k in known if len(key) > 3 and k.endswith(key)]
    if near:
        return near
    import difflib  # only where something was not found

    return difflib.get_close_matches(key, known, count, 0.75)


def number_family(name: str) -> SimpleNamespace | None:
    """What a type number says of a part of another kind (reference/numbers.csv), or None.

    Returns
    -------
    namespace or None
        ``says`` in words, ``kinds`` that readings are weighed against (a tuple), ``basis``, ``source``.
    """
    written = plain_name(name)
    return next((row for row in _numbers().values() if re.fullmatch(row.name, written)), None)


def _numbers() -> Mapping[str, SimpleNamespace]:
    return records("numbers", finish=_kinds)


def _kinds(row: Row, values: dict) -> None:
    """A pattern that can be used, and the kinds one by one."""
    try:
        re.compile(values["name"])
    except re.error as error:
        raise row.fault("pattern", f"{values['name']!r} is no regular expression: {error}") from error
    values["kinds"] = tuple(values["kinds"].split(" + "))
