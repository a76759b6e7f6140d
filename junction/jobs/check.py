"""One suspect part: readings to a verdict, all at once or one after the other."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import permutations
from math import nan

from junction.base.errors import UsageError
from junction.base.records import LEAD_NAME, Bag, PartReadings, Reading, Spot
from junction.base.units import shown
from junction.jobs.job import Result, job, meter_of
from junction.jobs.marks import types_of, with_order
from junction.judge.results import PartVerdict, SortReport
from junction.leads.ask import next_placement, settled
from junction.leads.bench import LEAD_SETS, Types, bench_for
from junction.leads.entries import Question, prepare, questions, slip, together
from junction.leads.explain import weigh_parts
from junction.leads.verdict import judge_one, judge_readings
from junction.shelf.tables import Meter, cautions

#: Leads that a part may have at most.
MOST_LEADS = 4

EPILOG = """a reading is PLACEMENT=VALUE, red probe first: B-E=0.612  E-B=OL  1-2=640mV  C-E=34ohm  A-K=0.55
OL is over-range; a value without a unit is volt; ~ behind it marks a reading that was still falling.
leads not known yet: call them 1, 2, 3. Without readings the command asks for them one by one.
exit status: 0 judged; 2 nothing done.
examples: junction check B-E=0.642 E-B=OL B-C=0.636 C-B=OL C-E=OL E-C=OL
          junction check 1-2=0.002 2-1=0.002 1-3=0.58 3-1=OL --type 2N3055
          junction check"""


@job(
    inputs=("readings", "*", "X-Y=VALUE", "meter readings, red probe on X"),
    writes="a page, verdicts.csv and check.json", epilog=EPILOG,
)  # fmt: skip
def check(readings, o) -> Result:
    """Judge one suspect part by its meter readings.

    Parameters
    ----------
    readings : list of str, dict or PartReadings
        ``["B-E=0.642", "E-B=OL"]`` or ``{"B-E": 0.642, "E-B": "OL"}``, red probe first; bare numbers: volts.

    Returns
    -------
    Result
        ``verdict`` of the part; its ``next`` is the measurement or act that comes next.

    Raises
    ------
    UsageError
        No readings, a reading that is none, or readings that mix names of leads.

    Examples
    --------
    >>> import junction
    >>> junction.check(["B-E=0.002", "E-B=0.002", "B-C=0.61", "C-B=OL"])
    <junction check: shorted: B-E shorted>
    """
    meter = meter_of(o)
    types = types_of(o) if o.type else None
    return Result("check", with_order(checked(part_of(readings, o), meter, types), types))


def part_of(readings, o) -> PartReadings:
    """The part as the options and the readings describe it.

    Raises
    ------
    UsageError
        A reading that is none; names which.
    """
    if isinstance(readings, PartReadings):
        return readings
    items = [f"{k}={v}" for k, v in readings.items()] if isinstance(readings, dict) else readings
    taken: dict = {}
    for text in items:
        from junction.intake.cells import parse_reading

        if not isinstance(text, str):
            raise UsageError(f"{shown(str(text))} is no reading. Write such as 'B-E=0.642'")
        try:
            reading = parse_reading(text)
        except ValueError as error:
            cell = shown(text.partition("=")[2])
            said = str(error).removeprefix(f"{cell}: ").removeprefix(f"{cell} ")
            joint = " " if said.startswith("is ") else ": "
            raise UsageError(said if text in said else f"{text}{joint}{said}") from error
        key = (reading.placement, reading.kind == "ohm")
        if key in taken:
            raise UsageError(f"{reading.placement} is given twice. Leave one out.")
        taken[key] = reading
    for name in o.lifted or ():
        if not re.fullmatch(LEAD_NAME, str(name).upper()):
            raise UsageError(f"lifted: {shown(str(name))} is no name of a lead. Write such as E")
    return PartReadings(
        o.part, tuple(taken.values()), o.type, o.polarity, nan if o.temperature is None else o.temperature,
        o.in_circuit, spots=() if o.hfe is None else (Spot(hfe=o.hfe),),
        lifted=tuple(name.upper() for name in o.lifted or ()), discharged=o.discharged,
    )  # fmt: skip


def checked(
    part: PartReadings, meter: Meter, types: Types | None = None, *, ask: bool = True
) -> SortReport:
    """Judge one part.

    Parameters
    ----------
    part : PartReadings
    meter : Meter
    types : callable, optional
        Written type -> registered type or None.
    ask : bool
        Refuse readings that must be asked about; a sitting has asked.

    Raises
    ------
    UsageError
        No readings, or readings that mix names of leads.
    """
    if not part.readings:
        raise UsageError("no readings. Write B-E=0.612 E-B=OL, red probe first.")
    names = {r.red.isdigit(): r.placement for r in part.readings}
    if len(names) > 1:
        one, other = names.values()
        raise UsageError(f"{one} and {other}: one part has one set of lead names (B C E, or A K, or 1 2 3)")
    if ask and (asked := questions(part, meter)):
        raise UsageError(together(asked))
    verdict = judge_readings([part], meter, types)[0]
    places = ["meter", *(["in circuit"] if part.in_circuit else [])]
    if verdict.neighbours:
        places.append("power-up")
    return SortReport((verdict,), meter, Bag((part,)), cautions(*places))


def _names_of(leads: Iterable[str], otherwise: str) -> str:
    """Key of the lead names that hold these leads."""
    return next((name for name, (own, _) in LEAD_SETS.items() if {*leads} <= {*own}), otherwise)


class Sitting:
    """Readings taken one after the other; every change gives a new step.

    Parameters
    ----------
    part : PartReadings
        Tag, type and circumstances; its readings are the first ones.
    names : str
        Lead names to ask for, where the readings do not tell: 'BCE', '123', 'AK', or others with blanks
        between, such as 'G D S', whose placements are asked for in their order.
    meter : Meter
    types : callable, optional
    """

    def __init__(self, part: PartReadings, names: str, meter: Meter, types: Types | None = None) -> None:
        self.part, self.meter, self.types = part, meter, types
        self.names = names
        if part.readings:
            used = dict.fromkeys(lead for r in part.readings for lead in (r.red, r.black))
            self.names = _names_of(used, " ".join(used))
        self._skipped: set[str] = set()
        self._past: list[tuple[PartReadings, frozenset[str]]] = []
        self._meant: set[tuple[str, float]] = set()  # placement and value of what was asked about and holds
        self._first = ""  # placement to ask for before any other
        self.asked: tuple[Question, ...] = ()  # what the last step doubts

    @property
    def leads(self) -> tuple[str, ...]:
        """Names of the leads."""
        return LEAD_SETS[self.names][0] if self.names in LEAD_SETS else tuple(self.names.split())

    def _remember(self) -> None:
        self._past.append((self.part, frozenset(self._skipped)))

    def add(self, reading: Reading) -> Reading | None:
        """Take a reading; the earlier reading of the placement in the same range that it corrects, if any.

        The first reading of a part may name its leads in another way.

        Raises
        ------
        UsageError
            A placement of other leads.
        """
        used = {reading.red, reading.black}
        if not self.part.readings and not used <= {*self.leads}:
            self.names = _names_of(used, self.names)
        elif self.names not in LEAD_SETS and len({*self.leads} | used) <= MOST_LEADS:
            self.names = " ".join(dict.fromkeys((*self.leads, reading.red, reading.black)))
        if not used <= {*self.leads}:
            raise UsageError(f"{reading.placement}: the leads of this part are {', '.join(self.leads)}")
        self._remember()
        same = [r for r in self.part.readings
                if r.placement == reading.placement and (r.kind == "ohm") == (reading.kind == "ohm")]
        kept = tuple(r for r in self.part.readings if r not in same)
        self.part = replace(self.part, readings=(*kept, reading))
        return same[0] if same else None

    def skip(self, placement: str) -> None:
        """Do not ask for a placement."""
        self._remember()
        self._skipped.add(placement)

    def undo(self) -> bool:
        """Take back the last reading, skip or change of circumstances; False where there is none."""
        if not self._past:
            return False
        self.part, skipped = self._past.pop()
        self._skipped = set(skipped)
        return True

    def again(self, placement: str, wrong: Reading) -> None:
        """Take out a reading that was mistyped; its placement is asked for next."""
        self._first = placement
        self.part = replace(self.part, readings=tuple(r for r in self.part.readings if r is not wrong))

    def holds(self, placement: str) -> None:
        """Readings of a placement are as meant: they are not asked about again."""
        self._meant |= {(r.placement, r.value) for r in self.part.readings if r.placement == placement}

    def lift(self, leads: Sequence[str]) -> list[str]:
        """Leads are off the board now; the placements to read again, since the paths beside them are cut.

        Raises
        ------
        UsageError
            The part is not in circuit, or has no such lead.
        """
        if not self.part.in_circuit:
            raise UsageError("the part is not in circuit (junction check --in-circuit), so no lead is lifted")
        if not leads or not {*leads} <= {*self.leads}:
            raise UsageError(f"say which lead is lifted: {', '.join(self.leads)}")
        lifted = tuple(dict.fromkeys((*self.part.lifted, *leads)))
        return self._drop(lambda r: {r.red, r.black} & {*leads}, lifted=lifted)

    def discharge(self) -> list[str]:
        """All leads were shorted together; the placements to read again."""
        return self._drop(lambda r: True, discharged=True)

    def _drop(self, changed: Callable[[Reading], object], **circumstances) -> list[str]:
        self._remember()
        lost = [r.placement for r in self.part.readings if changed(r)]
        kept = tuple(r for r in self.part.readings if not changed(r))
        self._skipped -= {name for name in self._skipped if changed(Reading(name, "over"))}
        self.part = replace(self.part, readings=kept, **circumstances)
        return list(dict.fromkeys(lost))

    def step(self) -> tuple[PartVerdict | None, str, bool]:
        """Running verdict, the placement that decides fastest, and whether the part is settled without it.

        The placement is '' when every one is read or skipped.  What must be asked is in `asked` then.
        """
        ready, weighed = prepare(self.part, self.meter), None
        if self.names in LEAD_SETS:
            bench = bench_for(ready.meter, [ready.part], self.names, self.types)
            weighed = weigh_parts(bench, [ready.part], self.types)[0]
        verdict = None
        if self.part.readings:
            alone = [self.part], self.meter, self.types
            verdict = judge_one(weighed, ready) if weighed else judge_readings(*alone)[0]
        doubtful = ready.questions
        if weighed and not doubtful and verdict and verdict.verdict != "good" and not self.part.in_circuit:
            doubtful = tuple(filter(None, [slip(weighed)]))
        value = {r.placement: r.value for r in self.part.readings}
        self.asked = tuple(q for q in doubtful if (q.placement, value.get(q.placement)) not in self._meant)
        placements = ["-".join(pair) for pair in permutations(self.leads, 2)]
        open_ = [name for name in placements if name not in value and name not in self._skipped]
        if not open_:
            return verdict, "", True
        if self._first in open_ or not weighed:
            return verdict, self._first if self._first in open_ else open_[0], False
        name, gain = next_placement(weighed, open_)
        return verdict, name, verdict is not None and settled(weighed, gain)
