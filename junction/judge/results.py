"""What judgement returns, and what it says: findings, verdicts, and the table reference/sentences.csv.

A template is text with fields in braces: ``{family}`` a text, ``{vf:.3f}`` a number as Python writes it,
``{leak:A2}`` a number with its unit (A, V, ohm, W, K, Hz) to so many significant digits (3 where none are
named) in its SI prefix.  ``{=short_below:g}`` is a rule of reference/rules.csv, ``{>sweep_at}`` what another
reason says.  What stands in square brackets is left out where one of its fields is not known (nan, empty or
False); ``[?typed ...]`` stands where the field ``typed`` is known, ``[!typed ...]`` where it is not.
Templates are taken apart once: a bag may hold ten thousand sweeps.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from math import inf, isfinite, log, nan
from operator import itemgetter
from types import SimpleNamespace
from typing import TYPE_CHECKING

from junction.base.records import JUNCTIONS, Bag, Interval, not_json, spelled
from junction.base.units import REFERENCE_TEMP_C, Num, si
from junction.shelf.names import dropped_group
from junction.shelf.tables import Meter, PartType, families, records, rule
from junction.shelf.types import unknown_words

_SPELLED = {name: spelled(name) for name in JUNCTIONS}
_INCLUDED = re.compile(r"\{>(\w+)\}")
_RULE = re.compile(r"\{=(\w+):([^}]*)\}")
_FIELD = re.compile(r"\{(\w+)[^}]*\}")
_WITH_UNIT = re.compile(r"\{(\w+):(A|V|ohm|W|K|Hz)(\d?)\}")
_PIECES = re.compile(r"\{(\w+)(?::(A|V|ohm|W|K|Hz)(\d?)\})?")
_PERCENT = re.compile(r"(\d)%")  # a format writes it without the blank
_NAME = re.compile(r"\{\w+")
_CONDITION = re.compile(r"\[[?!](\w+) ")
_INNERMOST = re.compile(r"\[(?:([?!])(\w+) )?([^][]*)\]")


@cache
def _template(reason: str, column: str) -> tuple[str, tuple[str, ...]]:
    """A template with rules and other rows in it, and the fields on which its brackets depend."""

    def value(match: re.Match) -> str:
        unit = _WITH_UNIT.fullmatch(f"{{{match[1]}:{match[2]}}}")
        return si(rule(match[1]), unit[2], int(unit[3] or 3)) if unit else format(rule(match[1]), match[2])

    text = getattr(records("sentences")[reason], column)
    while _INCLUDED.search(text):
        text = _INCLUDED.sub(lambda match: records("sentences")[match[1]].says, text)
    text = _RULE.sub(value, text)
    names = [*_FIELD.findall(text), *_CONDITION.findall(text)] if "[" in text else ()
    return text, tuple(dict.fromkeys(names))


@cache
def _writer(reason: str, column: str, known: tuple[bool, ...]) -> Callable[[Mapping], str]:
    """From the numbers to a template's text, for fields of its brackets known or not."""
    text, names = _template(reason, column)
    is_known = dict(zip(names, known, strict=True))

    def shown(match: re.Match) -> str:
        mark, name, inner = match.groups()
        stands = all(is_known[field] for field in _FIELD.findall(inner))
        return inner if stands and (not mark or is_known[name] == (mark == "?")) else ""

    while "[" in text:
        text = _INNERMOST.sub(shown, text)
    fields = [(name, unit, int(digits or 3)) for name, unit, digits in _PIECES.findall(text)]
    whole = _NAME.sub("{", _WITH_UNIT.sub("{}", text))

    def written(x: Mapping) -> str:
        said = whole.format(*[si(x[name], unit, n) if unit else x[name] for name, unit, n in fields])
        return _PERCENT.sub(r"\1 %", said) if "%" in said else said

    return written


def fill(reason: str, column: str, numbers: Mapping[str, object]) -> str:
    """Text of a reason from one column of the table, with its numbers.

    Parameters
    ----------
    reason : str
        As in reference/sentences.csv.
    column : str
        ``says``, ``next``, ``else``, ``brief`` or ``do``.
    numbers : mapping
        What the fields stand for; each field says how it is written.

    Raises
    ------
    KeyError
        No row has that name, or a field was not given.
    ShelfError
        A fault in the table, with line and column.
    """
    text, names = _template(reason, column)
    if not text:
        return ""
    if where := _SPELLED.get(numbers.get("where")):
        numbers = {**numbers, "where": where}
    known = tuple([(x := numbers[name]) == x and x != "" and x is not False for name in names])
    return _writer(reason, column, known)(numbers)


def say(reason: str, **numbers) -> str:
    """Sentence of a reason; see `fill`."""
    return fill(reason, "says", numbers)


class Step(str):
    """What comes next, as a text that remembers its reason: `do` says the same in two to six words."""

    __slots__ = ("numbers", "reason")

    def __new__(cls, text: str, reason: str = "", numbers: Mapping[str, object] | None = None) -> Step:
        """From the text, the row of reference/sentences.csv it is from, and the fields of that row."""
        self = super().__new__(cls, text)
        self.reason, self.numbers = reason, numbers or {}
        return self

    @property
    def do(self) -> str:
        """The act in two to six words, '' where nothing comes next."""
        return fill(self.reason, "do", self.numbers) if self.reason and self else ""


def next_step(reason: str, column: str = "next", **numbers) -> Step:
    """What to do, measure or find out next for a reason, '' where there is nothing; see `fill`."""
    return Step(fill(reason, column, numbers), reason, numbers)


def type_note(mark: str, found: PartType | None, types: Callable | None = None, *, reason: str) -> str:
    """What is said of a marking and the type found for it (None: none), '' where there is nothing to say.

    That the shelf has not its gain group; or that it has not the type at all, in the words of `reason`, with
    names near it and what its number says.  `types` is the shelf it was looked up on.
    """
    if not mark:
        return ""
    if found is None:
        return say(reason, **unknown_words(mark, types))
    group = next(filter(None, (dropped_group(mark, name) for name in (found.name, *found.also))), "")
    return say("type_group", type=found.name, group=group) if group else ""


def type_notes(
    marks: Iterable[str], types: Callable[[str], PartType | None], *, reason: str = "type_unknown"
) -> tuple[str, ...]:
    """`type_note` of the markings of many parts, one sentence a marking, with the number of parts."""
    found = Counter(filter(None, marks))
    notes = ((type_note(mark, types(mark), types, reason=reason), n) for mark, n in found.items())
    return tuple(f"{note} ({n} parts)" if n > 1 else note for note, n in notes if note)


if TYPE_CHECKING:  # a check of readings makes no fit and does not wait for its records
    from junction.sweeps.results import FitSummary, SweepPlot


class Verdict(StrEnum):
    """What a junction or part is; `UNDECIDED` is a refusal, not a quality."""

    GOOD = "good"
    LEAKY = "leaky"
    SHORTED = "shorted"
    OPEN = "open"
    UNDECIDED = "undecided"


#: In the order of the columns of a probability.
QUALITIES = tuple(Verdict)[:-1]
#: Order of a list that a technician reads: worst first, undecided before good.
WORST_FIRST = (Verdict.SHORTED, Verdict.OPEN, Verdict.LEAKY, Verdict.UNDECIDED, Verdict.GOOD)


_DROPS = ("drop_V", "vf_V", "vbe_V")  # quantities that no ratio tells of

#: Letter symbol of a junction's registered leakage, and the bases on which a figure fails no part.
LEAK_SYMBOLS = {"BE": "I_EBO", "BC": "I_CBO", "CE": "I_CEO", "AK": "I_R"}
NO_LIMIT = ("secondary", "claim, not a limit")


# What is made for every one of ten thousand sweeps is not frozen: 0.8 us a finding then, 0.15 us so.
@dataclass
class Finding:
    """One quantity against its limit: what a verdict, its sentence and its next test are made of."""

    where: str  # junction or path, pair of leads, position
    reason: str  # row of reference/sentences.csv
    quantity: str = ""  # name with its unit, such as 'leak_A'
    value: Interval | None = None
    low: float = -inf
    high: float = inf
    limit_from: str = ""  # what the limit rests on, in words
    kept: float = nan  # probability that the quantity keeps the limit [1]
    numbers: Mapping[str, float | str] = field(default_factory=dict)  # fields of its sentences

    def says(self) -> str:
        """The sentence a technician would say, with numbers."""
        return fill(self.reason, "says", self.numbers)

    def next(self) -> Step:
        """The measurement or act that comes next, '' where nothing does."""
        return Step(fill(self.reason, "next", self.numbers), self.reason, self.numbers)

    def otherwise(self) -> str:
        """What else could look like this, '' where nothing does."""
        return fill(self.reason, "else", self.numbers)

    def brief(self) -> str:
        """The figure that decides against its limit in few words; the sentence where none are written."""
        return fill(self.reason, "brief", self.numbers) or self.says()

    def act(self) -> str:
        """What comes next in two to six words; the whole of it where none are written."""
        return fill(self.reason, "do", self.numbers) or self.next()

    @property
    def unit(self) -> str:
        """SI unit of value and limit, '' of a gain or where there is neither."""
        if self.value is not None:
            return self.value.unit.removeprefix("1")
        ending = self.quantity.rpartition("_")[2]
        return ending if ending in ("A", "V", "ohm") else ""

    @property
    def limit(self) -> tuple[float, bool]:
        """The limit in question, and whether it is the most (else the least) that is allowed; nan for none.

        Of a window the end that is passed, or nearer.
        """
        low, high = isfinite(self.low), isfinite(self.high)
        if not (low and high):
            return (self.low, False) if low else (self.high if high else nan, True)
        above = self.value is not None and 2 * self.value.value > self.low + self.high
        return (self.high, True) if above else (self.low, False)

    @property
    def times(self) -> float:
        """How many times over its limit, or under the least allowed, the value lies; below 1 it keeps it.

        Of a value that is known to one side only, at least so many times.  nan without a limit, and of a
        forward drop, of which a tenth more is much.
        """
        limit, most = self.limit
        if self.value is None or not limit > 0 or self.quantity in _DROPS:
            return nan
        value = self.value.value
        if value != value:
            value = self.value.low if most else self.value.high
        if not (isfinite(value) and value > 0):
            return nan
        return value / limit if most else limit / value

    def against(self) -> str:
        """The limit and how far beyond it the value lies: ``limit 100 µA, 3.3 times``; '' without one."""
        limit, most = self.limit
        if limit != limit:
            return ""
        unit = self.unit
        if isfinite(self.low) and isfinite(self.high):
            return f"{si(self.low, unit)} to {si(self.high, unit)}"
        said = si(limit, unit) if unit else f"{limit:.3g}"
        return f"{'limit' if most else 'least'} {said}" + (f", {self.beyond()}" if self.times > 1 else "")

    def beyond(self) -> Num:
        """``3.3 times``, ``over a thousand times``."""
        times = self.times
        if not times < 1000:
            return Num(("over a thousand times", None))
        return Num((f"{times:.2g}" if times < 9.95 else f"{times:.0f}", times), (" times", None))

    def as_json(self) -> dict:
        """What was measured, the limit it was held to, and that in few words."""
        limit, most = self.limit
        ends = self.value.ends() if self.value is not None else dict.fromkeys(("value", "low", "high"))
        times, known = self.times, limit == limit
        window = {"window": [self.low, self.high]} if isfinite(self.low) and isfinite(self.high) else {}
        return {
            "quantity": self.quantity, "where": self.where, **ends,
            "unit": self.unit, "limit": limit if known else None,
            "limit_is": ("most" if most else "least") if known else "", "limit_from": self.limit_from,
            **window, "times": times if times == times else None, "says": self.brief(),
        }  # fmt: skip


@dataclass
class JunctionVerdict:
    """Verdict of one junction or path (AK, BE, BC, CE)."""

    junction: str
    verdict: Verdict
    probability: Mapping[str, float]  # over QUALITIES, sums to 1
    faults: tuple[str, ...] = ()  # 'BE leaky'
    evidence: tuple[str, ...] = ()  # one sentence a technician would say, with numbers
    fit: FitSummary | None = None
    leak_ohm: Interval | None = None
    sweep: int | None = not_json(None)  # index into the sweep table, for the plots
    family: str = ""  # family whose limits were used
    limit: str = ""  # the limit and its source, in words
    finding: Finding | None = not_json(None)  # the quantity that decided
    held: tuple[Finding, ...] = not_json(())  # the others that were held to a limit

    def quantities(self) -> tuple[Finding, ...]:
        """Every quantity that was held to a limit, the one that decided first."""
        return (*([self.finding] if self.finding else ()), *(f for f in self.held if f is not self.finding))


@dataclass
class Device:
    """What the part seems to be."""

    kind: str = "unknown"  # bjt, darlington, bjt with damper diode, diode, unknown
    polarity: str = ""  # NPN, PNP
    material: str = ""  # silicon, germanium, Schottky
    leads: Mapping[str, str] = field(default_factory=dict)  # {'1': 'E', ...}; {} when given by name
    called: str = ""  # another kind of part, in words; '' of bipolar transistors and diodes


@dataclass(frozen=True)
class Alternative:
    """Another explanation of the same readings, and the measurement that would decide."""

    faults: tuple[str, ...]
    device: Device
    probability: float
    decided_by: str = ""


@dataclass
class PartVerdict:
    """Verdict of one part."""

    part: str
    verdict: Verdict
    probability: Mapping[str, float]
    device: Device = field(default_factory=Device)
    junctions: tuple[JunctionVerdict, ...] = ()
    faults: tuple[str, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    evidence: tuple[str, ...] = ()
    next: str = ""
    cannot_see: str = ""  # what the method is blind to; never empty for a good from diode mode
    warnings: tuple[str, ...] = ()  # marking contradicted, temperature missing, in circuit ...
    neighbours: tuple[str, ...] = ()  # what to test before power-up
    basis: str = ""  # 'readings', 'sweeps', 'curves', 'readings and sweeps' ...
    type: str = ""
    temp_C: float = nan
    temp_known: bool = False
    in_circuit: bool = False
    faults_probability: float = nan  # that exactly `faults` is what is wrong (readings only)
    doubt: str = ""  # undecided for another reason than the probabilities: what stands against it, in words
    decides: Finding | None = not_json(None)  # the quantity that decided, against its limit
    #: what curves say of a transistor by name: V_BE and h_FE at a current, Early voltage
    measured: Mapping[str, Interval] = field(default_factory=dict, metadata={"json": False})

    @property
    def do(self) -> str:
        """The next step in two to six words, '' where nothing comes next."""
        return self.next.do if isinstance(self.next, Step) else ""

    def quantities(self) -> list[Finding]:
        """What was held to a limit, junction by junction; [] where `decides` is all of it."""
        found = [f for j in self.junctions for f in j.quantities() if f.value is not None]
        return found if len(found) > 1 or found and found[0] is not self.decides else []


def registered_leak(part_type: PartType | None, junction: str) -> tuple[float, float, str] | None:
    """Largest reverse current that a registered type allows a junction.

    Returns
    -------
    leak_A, at_V : float
        It [A], and the reverse voltage it holds at [V].
    words : str
        Whose limit it is.  None where nothing is registered, or only on secondary pages, which fail no part.
    """
    if part_type is None or part_type.secondary:
        return None
    symbol = LEAK_SYMBOLS[junction]
    for limit in part_type.find(symbol):
        volts = [abs(limit.at[k]) for k in ("veb_V", "vcb_V", "vce_V", "vr_V") if k in limit.at]
        if volts and isfinite(limit.high) and limit.basis not in NO_LIMIT:
            words = f"registered {symbol} of {part_type.name}; {limit.source or part_type.source}"
            return limit.high, volts[0], words
    return None


def registered_forward(part_type: PartType | None, junction: str) -> tuple[tuple, ...]:
    """Largest forward voltages that a registered type allows a junction.

    Returns
    -------
    tuple of (limit_V, at_A, inside_A, words)
        From the highest current down: each limit [V], the junction current it holds at [A], the current that
        passes the base there [A] (of a diode the same), which is what a resistance inside drops its voltage
        at in a sweep with the collector open, and whose limit it is.  Empty where nothing is registered, or
        only on secondary pages.
    """
    if part_type is None or part_type.secondary or junction not in ("AK", "BE"):
        return ()
    if part_type.kind.lower() == "darlington":  # until its output opens, its own resistor stands in series
        return ()
    found = []
    for symbol in ("V_F",) if junction == "AK" else ("V_BE(sat)", "V_BE(on)"):
        for limit in part_type.find(symbol):
            amps = limit.at.get("if_A" if junction == "AK" else "ic_A", nan)
            if not (isfinite(limit.high) and amps > 0) or limit.basis in NO_LIMIT:
                continue
            gains = {abs(log(x.at["ic_A"] / amps)): x.low for x in part_type.find("h_FE")
                     if x.low > 0 and x.at.get("ic_A", 0.0) > 0}  # fmt: skip
            gain = gains[min(gains)] if gains else nan  # that of the nearest current
            inside = amps if junction == "AK" else limit.at.get("ib_A", amps / gain)
            if not inside > 0:
                continue
            at = f"{limit.high:g} V at {si(amps, 'A')}"
            words = f"registered {symbol} of {part_type.name}, {at}; {limit.source or part_type.source}"
            found.append((limit.high, amps, inside, words))
    return tuple(sorted(found, key=itemgetter(1), reverse=True))


@cache
def neighbours(verdict: str, faults: tuple[str, ...], kind: str, family: str) -> tuple[str, ...]:
    """What else to test before power comes on, after a part has failed (reference/neighbours.csv).

    Parameters
    ----------
    verdict : str
        A shorted or leaky part harms others; an open power device or rectifier most often burnt with them.
    faults : tuple of str
    kind : str
        Kind of its device.
    family : str
        Family of its junctions, '' where it is not known: a transistor is then taken for a power device,
        whose fault costs most, and a diode has no list.

    Returns
    -------
    tuple of str
        In the order to test, power-up advice last.
    """
    which = families()[family].neighbours if family in families() else ""
    opened = verdict == Verdict.OPEN
    harms = opened or verdict in (Verdict.SHORTED, Verdict.LEAKY)
    if not harms or (kind == "diode" and which != "rectifier") or (opened and which in ("", "small_signal")):
        return ()
    if kind != "diode" and which != "small_signal":
        words = " ".join(faults)
        # collector fault current found its way into the base circuit
        into_base = "BC" in words or "BE" in words or "CE" not in words
        which = "power_open" if opened else "power_base" if into_base else "power"
    damper = kind == "bjt with damper diode"
    listed = [(getattr(row, which), row) for row in records("neighbours").values()]
    return tuple(row.says for _, row in sorted(
        ((place, row) for place, row in listed if place == place and (damper or not row.damper)),
        key=itemgetter(0),
    ))  # fmt: skip


def decide(quality: Iterable[float]) -> Verdict:
    """Verdict by the 95 % rule: good, or not and then the likeliest fault, or undecided.

    Parameters
    ----------
    quality : iterable of float
        Probability of each of `QUALITIES`; they sum to 1.
    """
    good, *faulty = quality
    if good >= rule("conformity_good"):
        return Verdict.GOOD
    likeliest = QUALITIES[1 + faulty.index(max(faulty))]
    return likeliest if good <= 1 - rule("conformity_good") else Verdict.UNDECIDED


def worst_of(junctions: Iterable[JunctionVerdict]) -> list[float]:
    """Probability of each of `QUALITIES` of a part: shorted if any junction is, else open, else leaky.

    Its junctions are taken as independent.
    """
    good = not_open = not_shorted = 1.0
    for junction in junctions:
        sound, _, shorted, opened = junction.probability.values()
        good *= sound
        not_open *= max(1.0 - shorted - opened, 0.0)
        not_shorted *= max(1.0 - shorted, 0.0)
    whole = [max(x, 0.0) for x in (good, not_open - good, 1.0 - not_shorted, not_shorted - not_open)]
    return [x / sum(whole) for x in whole]


def part_verdict(
    part: str, verdict: str, probability: Iterable[float], device: Device,
    junctions: tuple[JunctionVerdict, ...], family: str = "", **told,
) -> PartVerdict:  # fmt: skip
    """One part from what was found of its junctions, by whatever method; all verdicts of parts are made here.

    Parameters
    ----------
    part : str
    verdict : str
    probability : iterable of float
        Of the four qualities.
    device : Device
    junctions : tuple of JunctionVerdict
    family : str
        Family of its junctions where it is known.
    **told
        Further fields of `PartVerdict`.
    """
    if "neighbours" not in told:
        told["neighbours"] = neighbours(verdict, told["faults"], device.kind, family)
    p = dict(zip(QUALITIES, probability, strict=True))
    return PartVerdict(part, Verdict(verdict), p, device, junctions, **told)


def worst_first(verdicts: Iterable) -> tuple:
    """Verdicts of parts or junctions in the order a technician reads them: worst first, then as they came."""
    return tuple(sorted(verdicts, key=lambda v: WORST_FIRST.index(v.verdict)))


@dataclass(frozen=True, eq=False)
class SortReport:
    """Judged parts, worst first, with the bag they were judged from.

    ``plots`` parts with sweeps, worst first, are drawn on a page; ``draw`` makes the points and fitted curves
    of sweeps, by their index in the bag's table.
    """

    verdicts: tuple[PartVerdict, ...]
    meter: Meter
    bag: Bag
    cautions: tuple[SimpleNamespace, ...] = ()
    label: str = ""  # what stands over the whole report, such as that its data are invented
    default_temp_C: float = REFERENCE_TEMP_C
    parts_without_temp: int = 0
    spots_only: int = 0
    plots: int = 0
    type_notes: tuple[str, ...] = ()  # of the types that are not on the shelf, one sentence each
    input_ohm: float = nan  # input of the instrument that stood across every part and was taken out [ohm]
    draw: Callable[[Iterable[int]], Mapping[int, SweepPlot]] | None = None
    order: object = None  # `junction.replace.results.Order`: what to order; None where nothing is

    def counts(self) -> dict[str, int]:
        """Number of parts by verdict, worst first, verdicts that do not occur left out."""
        found = Counter(v.verdict for v in self.verdicts)
        return {word: found[word] for word in WORST_FIRST if found[word]}
