"""One suspect part: readings to a verdict, all at once or one after the other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from junction.base.errors import UsageError
from junction.base.records import PartReadings, Reading
from junction.judge.results import PartVerdict
from junction.leads.bench import LEAD_SETS, lead_set
from junction.leads.readings import bench_for, judge_one, judge_readings, weigh_parts
from junction.leads.verdict import next_placement
from junction.shelf.cautions import cautions
from junction.shelf.results import Caution, Meter, PartType

Types = Callable[[str], PartType | None]


@dataclass(frozen=True)
class CheckReport:
    """One judged part with what it was judged from."""

    verdict: PartVerdict
    readings: PartReadings
    meter: Meter
    cautions: tuple[Caution, ...] = ()


def same_leads(readings: tuple[Reading, ...]) -> None:
    """Refuse readings that mix names of leads.

    Raises
    ------
    UsageError
        For example ``B-E`` beside ``1-2``.
    """
    names = {lead_set((r,)): r.placement for r in readings}
    if len(names) > 1:
        one, other = list(names.values())[:2]
        raise UsageError(f"{one} and {other}: one part has one set of lead names (B C E, or 1 2 3, or A K)")


def check_part(part: PartReadings, meter: Meter, types: Types | None = None) -> CheckReport:
    """Judge one part.

    Parameters
    ----------
    part : PartReadings
    meter : Meter
    types : callable, optional
        Written type -> registered type or None.

    Returns
    -------
    CheckReport

    Raises
    ------
    UsageError
        No readings, or readings that mix names of leads.
    """
    if not part.readings:
        raise UsageError("no readings; write placement=value, red lead first, for example B-E=0.612 E-B=OL")
    same_leads(part.readings)
    verdict = judge_readings([part], meter, types)[0]
    places = ["meter", *(["in circuit"] if part.in_circuit else [])]
    if verdict.neighbours:
        places.append("power-up")
    return CheckReport(verdict, part, meter, cautions(*places))


@dataclass(frozen=True)
class Step:
    """Where a sitting stands: the running verdict, what to read next, and whether that is still needed."""

    verdict: PartVerdict | None
    placement: str  # '' when every placement is read or skipped
    settled: bool


#: Information [nat] below which one more placement hardly changes the answer.
SETTLED_NAT = 0.1


class Sitting:
    """Readings taken one after the other; every change gives a new step.

    Parameters
    ----------
    part : PartReadings
        Tag, type and circumstances; its readings are the first ones.
    names : str
        Lead names: 'BCE', '123' or 'AK'.
    meter : Meter
    types : callable, optional
    """

    def __init__(self, part: PartReadings, names: str, meter: Meter, types: Types | None = None) -> None:
        self.part, self.names, self.meter, self.types = part, names, meter, types
        self._skipped: set[str] = set()
        self._past: list[tuple[PartReadings, frozenset[str]]] = []

    @property
    def leads(self) -> tuple[str, ...]:
        """Names of the leads."""
        return LEAD_SETS[self.names][0]

    def _remember(self) -> None:
        self._past.append((self.part, frozenset(self._skipped)))

    def add(self, reading: Reading) -> Reading | None:
        """Take a reading; the earlier reading of the placement in the same range that it corrects, if any.

        Raises
        ------
        UsageError
            A placement of other leads.
        """
        if reading.placement.split("-")[0] not in self.leads:
            raise UsageError(f"{reading.placement}: the leads of this part are {', '.join(self.leads)}")
        self._remember()
        ohm = reading.kind == "ohm"
        same = [
            r for r in self.part.readings if r.placement == reading.placement and (r.kind == "ohm") == ohm
        ]
        kept = tuple(r for r in self.part.readings if r not in same)
        self.part = replace(self.part, readings=(*kept, reading))
        return same[0] if same else None

    def skip(self, placement: str) -> None:
        """Do not ask for a placement."""
        self._remember()
        self._skipped.add(placement)

    def undo(self) -> bool:
        """Take back the last reading or skip; False where there is none."""
        if not self._past:
            return False
        self.part, skipped = self._past.pop()
        self._skipped = set(skipped)
        return True

    def step(self) -> Step:
        """Running verdict and the placement that decides fastest."""
        bench = bench_for(self.meter, [self.part], self.names, self.types)
        weighed = weigh_parts(bench, [self.part], self.types)[0]
        verdict = judge_one(bench, weighed, self.types) if self.part.readings else None
        read = {r.placement for r in self.part.readings}
        open_ = [name for name in bench.placements if name not in read and name not in self._skipped]
        if not open_:
            return Step(verdict, "", True)
        name, gain = next_placement(bench, weighed, open_)
        settled = verdict is not None and verdict.verdict != "undecided" and gain < SETTLED_NAT
        return Step(verdict, name, settled)

    def report(self) -> CheckReport:
        """Report of the readings so far."""
        return check_part(self.part, self.meter, self.types)
