"""Type numbers as people write them and parts print them.

`spellings` says under which names of the shelf a marking may stand, `near_names` which it may have meant,
`number_says` what a number says by itself.  All of it works on names alone; the types stand in
`junction.shelf.types`.  What letters behind a number mean is from memory: a letter that may mean another
voltage step, process or tolerance is never dropped.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from functools import cache
from types import SimpleNamespace

from junction.base.records import plain_name
from junction.shelf.tables import Row, records

# Patterns are text: one that is not asked for is not compiled, and a check without a type asks for none.
#: ordering and packing suffixes that makers hang on a type number; they change no limit
_SUFFIXES = (
    "STU", "RLRAG", "RLRMG", "RLRPG", "RLRA", "RLRM", "TFR", "TAR", "TFRG", "BU", "TU", "TA", "TF", "TR",
    "AP", "T/R", "RLG", "RL", "G",
)  # fmt: skip
#: the same where a dash or a comma sets them off, or in brackets behind a gain group: BC547B,112, C5200-O(Q)
_PACKING = r"(,[0-9]{3}|-(T|TP|TB|AP|E3/?[0-9]*)|(?<=[A-Z)])\([A-Z0-9,]*\))$"
#: Characters of a marking beyond which none is: how it may be read takes the square of its length.
_LONGEST = 100
_QUALITY = ("JANTXV", "JANTX", "JANS", "JAN")  # military quality prefixes of the same registration
#: A lot or date code behind a blank: digits first, so that no gain group and no version is taken for one.
_LOT = r"(.*\S) ([0-9]{2,6}|[0-9]{1,4}[A-Z]{1,2}[0-9]?)"
#: A maker's word before a number that says by itself what it is.
_MAKER = r"[A-Z]{2,} ([12][NS] ?[A-D]?-?[0-9]{2,4}.*)"
#: Japanese parts go without the 2S of their registration (C1815 is 2SC1815); makers there and nearby number
#: their own after it (KSC, KTA ...).
_JAPANESE = r"(?:2S(?=.))?([A-D][0-9]{2,4}[A-Z]*?)"
_NEARBY = r"K[ST][A-D][0-9]{2,4}[A-Z]*?|FHT[0-9]{3,4}[A-Z]*?|2ST[A-D][0-9]{4}"
#: Series and the gain groups in it: set off (by dash, blank, slash or brackets), and behind the number.
#: A and its like are versions in Japan, gain groups of small European parts; B and C behind a Japanese number
#: may be either and L, N, S behind others a lead order or a case, so that they must be set off or stay.
_GROUPS = (
    (_JAPANESE, "GR|BL|[B-HKMO-TVY0]", "GR|BL|[OYRQPSTVEFD]"),
    (_NEARBY, "GR|BL|[B-HKLMO-TVY]", "GR|BL|[OYRQPF]"),
    (r"BC(10[7-9]|1[4567][7-9]|17[1-4]|18[2-4]|20[4-9]|21[2-4]|23[7-9]|25[1-9]|26[1-3]|30[7-9]|31[78]"
     r"|41[3-6]|5[45][6-9]|5[56]0|8[45][6-9]|8[56]0)|BCY[57][7-9]", "[ABC]", "[ABC]"),
    (r"BC(1[46][01]|3[23][78]|36[89]|63[5-9]|640|80[78]|81[78]|86[89])|BC[PX]5[1-6]"
     r"|BD(13[5-9]|140|22[6-9]|23[01])", "6|10|16|25|40|63|100", "10|16|25|40"),
    (r"S?S90(1[0-8]|2[01])|H?S?S?8[05]50S?S?", "[A-L]", "[A-L]"),
)  # fmt: skip
_SET_OFF = r"[-_ /(,]+"
#: Letters for digits, which a worn print and a hand confuse: tried last, where only one can be meant.
_SLIPS = (
    (r"(?<=[0-9])O+(?=[0-9])", lambda found: "0" * len(found[0])),
    (r"(?<=[0-9])I(?=[0-9])|^[IL](?=N[0-9]{2,4})", "1"),
    (r"^25(?=[A-D][0-9]{2,4})", "2S"),
    (r"^8(?=[CDF][0-9]{3})", "B"),
    (r"^((?!2S|[A-D][0-9]|K[ST]|S?S[89]).*[0-9])O$", r"\g<1>0"),
)  # fmt: skip
_LOOK_ALIKE = frozenset("O0 0O I1 1I S5 5S B8 8B Z2 2Z 38 83 17 71 56 65 68 86 08 80".split())


def clean_name(name: str) -> str:
    """A marking in capitals, any dash as ``-``, any blank as one blank; what is too long to be one is cut."""
    text = name[:_LONGEST].upper()
    if not text.isascii():
        import unicodedata  # full-width letters, narrow blanks; only where there are some

        text = re.sub("[\u2010-\u2015\u2212\ufe58\u00ad\u30fc]", "-", unicodedata.normalize("NFKC", text))
    return " ".join(text.split())


def spellings(name: str) -> dict[str, str]:
    """Plain names under which a marking may stand on the shelf, the first to try first.

    In this order: the name itself; a military quality prefix taken as the JAN type of that number and else as
    the number; an ordering suffix dropped; the 2S of a Japanese number added; a gain group of its series
    dropped; without a lot code behind, or a maker's word before it; a letter taken for the digit it looks
    like.  Any other letter is never dropped.

    Returns
    -------
    dict of str to str
        To the gain group that was dropped, '' where none was.
    """
    text = clean_name(name)
    forms = [text]
    # a code that the number could go on with is none: 2SA12 34 may be 2SA1234
    if lot := re.fullmatch(_LOT, text):
        own, longer = len(re.search("[0-9]*$", lot[1])[0]), re.match("(?:[12]S)?[A-D][0-9]|[123]N", lot[1])
        if own in (0, 4, 5) or (own == 3 and (not longer or re.match("[0-9]{3}", lot[2]))):
            forms.append(lot[1])
    forms += [maker[1] for form in [*forms] if (maker := re.fullmatch(_MAKER, form))]
    found: dict[str, str] = {}
    for form in forms:
        _add(found, form)
    for key in [*found][:1]:
        slipped = key
        for pattern, right in _SLIPS:
            slipped = re.sub(pattern, right, slipped)
        # five digits are no Japanese number: the last is the gain group O
        slipped = re.sub(r"^((?:2S)?[A-D][0-9]{4})0$", r"\1O", slipped)
        if slipped != key:
            _add(found, slipped)
    return found


def _add(found: dict[str, str], text: str) -> None:
    """Spellings of one form of a marking."""
    bare = re.sub(_PACKING, "", text)
    for form in dict.fromkeys((text, bare)):
        written = plain_name(form)
        prefix = next((x for x in _QUALITY if written.startswith(x) and written != x), "")
        number = written.removeprefix(prefix)
        heads = [written, "JAN" + number, number] if prefix else [written]
        heads += [re.sub(r"([0-9])[.,]([0-9])", r"\1V\2", h) for h in heads]  # a Zener's volts
        for key in (*heads, *(h.removesuffix(s) for h in heads for s in _SUFFIXES if h.endswith(s))):
            found.setdefault(key, "")
        if re.fullmatch(_JAPANESE, written) and not written.startswith("2S"):
            found.setdefault("2S" + written, "")
    for stem, group in _grouped(bare):
        found.setdefault(stem + group, "")
        found.setdefault(stem, group)


def _grouped(text: str) -> Iterator[tuple[str, str]]:
    """Number and gain group of a marking, every way that it can be read."""
    for series, apart, joined in _GROUPS:
        set_off = re.fullmatch(rf"(.*?){_SET_OFF}({apart})\)?", text)
        for split in (set_off, re.fullmatch(rf"(.*?)({joined})", plain_name(text))):
            stem = plain_name(split[1]) if split else ""
            if split and re.fullmatch(series, stem):
                lone = series is _JAPANESE and not stem.startswith("2S")
                yield "2S" * lone + stem, split[2].replace("0", "O") if series is _JAPANESE else split[2]


def dropped_group(name: str, found: str) -> str:
    """Gain group of a marking that the type found for it has not, ``GR``; else ''."""
    return spellings(name).get(plain_name(found), "")


def near_names(name: str, known: Collection[str]) -> list[str]:
    """Plain names that one not on the shelf may mean, the nearest first.

    Of two numbers in one marking, both.  Else those that differ by letters at the end (2N2907, 2N2907A); else
    those that go on before it (3055, C547B) or have the same letter and number under another maker's letters
    (KSC1815, MPS2222A); else those that one slip away from it: two signs exchanged, one missing or too many,
    one wrong.
    """
    pieces = [next((k for k in spellings(piece) if k in known), "")
              for piece in re.split(r"[/,;+&]| (?=[12][NS])", clean_name(name))]  # fmt: skip
    if len(pieces) > 1 and any(pieces):
        return [piece for piece in pieces if piece]
    words = clean_name(name).split()
    keys = [key for form in ([name, " ".join(words[:-1])] if len(words) > 1 else [name])
            for key in spellings(form) if len(key) > 2]  # fmt: skip
    for key in keys:
        if key.isdigit():
            continue  # the letters before it are what is missing
        stem = re.sub("[A-Z]{1,2}$", "", key)
        ends = re.compile(rf"{re.escape(key)}[A-Z]{{1,2}}|{re.escape(stem)}[A-Z]?")
        if near := [k for k in known if ends.fullmatch(k)]:
            return sorted(near, key=lambda k: (k != stem, not k.startswith(key)))
    for key in keys:
        number = re.search("[A-Z]?([0-9]{3,}[A-Z]*)$", key)
        for tail in (key, number[0], number[1]) if number else (key,):
            like = re.compile(rf"(.*[A-Z])?{re.escape(tail)}[A-Z]{{0,2}}")
            if len(tail) > (2 if tail == key else 3) and (near := [k for k in known if like.fullmatch(k)]):
                return sorted(near, key=len)
    found: dict[str, tuple] = {}
    for key in keys:
        if len(key) > 3:
            for near, cost in _slips(key):
                if near in known and found.get(near, (9,)) > cost:
                    found[near] = cost
    return sorted(found, key=found.get)


def _slips(key: str) -> Iterator[tuple[str, tuple[int, int]]]:
    """Every name one slip away, and how unlikely the slip: kind, then how near the end it must have been."""
    signs = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    for k in range(len(key) + 1):
        head, tail = key[:k], key[k:]
        if len(tail) > 1:
            yield head + tail[1] + tail[0] + tail[2:], (0, -k)
        for sign in signs:
            yield head + sign + tail, (1 if sign.isalpha() else 3, -k)
            if tail:
                alike, same = tail[0] + sign in _LOOK_ALIKE, tail[0].isdigit() == sign.isdigit()
                yield head + sign + tail[1:], (2 if alike else 4 if same and sign.isdigit() else 5, -k)
        if tail:
            yield head + tail[1:], (3, -k)


@cache
def number_says(name: str) -> SimpleNamespace | None:
    """What a type number says by itself, on the shelf or not (reference/numbers.csv), or None.

    Returns
    -------
    namespace or None
        ``says`` in words, ``polarity`` ('' where it says none), ``volts`` of a Zener [V] (nan where it says
        none), ``kinds`` of another kind of part that readings are weighed against (a tuple, empty for
        transistors and diodes), ``basis``, ``source``.
    """
    plain = plain_name(name)
    # the rows say themselves which numbers may go without 2S
    keys = [k for k in spellings(name) if not k.startswith("2S") or plain.startswith(("2S", "25"))]
    for row in _numbers().values():
        if fits := next(filter(None, (re.fullmatch(row.name, key) for key in keys)), None):
            volts = fits.groupdict().get("volts")
            told = SimpleNamespace(**vars(row), volts=float((volts or "nan").replace("V", ".")))
            told.says = row.says.replace("{volts}", f"{told.volts:g}")
            return told
    return None


def number_family(name: str) -> SimpleNamespace | None:
    """`number_says` of a part that is neither bipolar transistor nor diode by its number, or None."""
    told = number_says(name)
    return told if told is not None and told.kinds else None


def _numbers() -> Mapping[str, SimpleNamespace]:
    return records("numbers", finish=_kinds)


def _kinds(row: Row, values: dict) -> None:
    """A pattern that can be used, and the kinds one by one."""
    try:
        re.compile(values["name"])
    except re.error as error:
        raise row.fault("pattern", f"{values['name']!r} is no regular expression: {error}") from error
    values["kinds"] = tuple(filter(None, values["kinds"].split(" + ")))
