"""One verdict from two methods: the sweeps and the diode-mode readings of the same part.

A sweep sees further than a meter, so it decides where both speak, with two exceptions: where the sweep
could not be used the reading stands, and where the two contradict each other in something that both can
see, neither is believed and both are told.
"""

from __future__ import annotations

from dataclasses import replace
from math import isnan, nan

import numpy as np

from junction.judge.conformity import decide, worst_of
from junction.judge.results import QUALITIES, VERDICTS, WORST_FIRST, JunctionVerdict, PartVerdict
from junction.shelf.rules import rules

_RANK = {word: k for k, word in enumerate(WORST_FIRST)}
_NAMES = {"BE": "B-E", "BC": "B-C", "CE": "C-E", "AK": "A-K"}
_DOUBT = dict.fromkeys(QUALITIES, 0.25)
#: A resistance this near the short limit (ratio) may be a short to one instrument and a leak to the other.
NEAR_SHORT = 3.0


def _ohm(j: JunctionVerdict) -> float:
    return j.leak_ohm.value if j.leak_ohm is not None else nan


def _agree(sweep: JunctionVerdict, reading: JunctionVerdict, in_circuit: bool) -> bool:
    """Whether two decided verdicts of one junction can both be true."""
    if sweep.verdict == reading.verdict:
        return True
    if (sweep.verdict, reading.verdict) == ("leaky", "good"):  # diode mode is blind to a small leak
        ohm = _ohm(sweep)
        return isnan(ohm) or ohm >= rules()["meter_leak_visible"].value
    if {sweep.verdict, reading.verdict} == {"leaky", "shorted"}:
        limit = rules()["short_below"].value
        return all(isnan(x) or x < NEAR_SHORT * limit for x in (_ohm(sweep), _ohm(reading)))
    # A parallel path in circuit turns good into leaky or shorted, never the other way round.
    return in_circuit and sweep.verdict == "good" and reading.verdict in ("leaky", "shorted")


def _sweep_is_silent(sweep: JunctionVerdict) -> bool:
    """Whether the sweep said nothing that a reading could not better: no fit, or never past the knee."""
    return sweep.verdict == "undecided" and (
        sweep.fit is None or sweep.fit.model in ("none", "open", "resistor", "breakdown")
    )


def _junction(sweep: JunctionVerdict, reading: JunctionVerdict, in_circuit: bool):
    """Merged verdict of one junction and a contradiction in words ('' where there is none)."""
    both = (*sweep.evidence, *reading.evidence)
    if reading.verdict == "undecided":
        return replace(sweep, evidence=both), ""
    if sweep.verdict == "undecided":
        if _sweep_is_silent(sweep) or reading.verdict != "good":
            ohm = reading.leak_ohm or sweep.leak_ohm
            return replace(reading, evidence=both, fit=sweep.fit, sweep=sweep.sweep, leak_ohm=ohm), ""
        return replace(sweep, evidence=both), ""
    if _agree(sweep, reading, in_circuit):
        return replace(sweep, evidence=(*sweep.evidence, *_why_they_differ(sweep, reading))), ""
    name = _NAMES[sweep.junction]
    words = f"{name}: the sweep says {sweep.verdict}, the meter reading says {reading.verdict}."
    doubtful = replace(
        sweep, verdict="undecided", probability=dict(_DOUBT), faults=(), evidence=(words, *both)
    )
    return doubtful, words


def _why_they_differ(sweep: JunctionVerdict, reading: JunctionVerdict) -> tuple[str, ...]:
    """Why both can be right, in words; () where they say the same."""
    if sweep.verdict == reading.verdict:
        return ()
    name = _NAMES[sweep.junction]
    if reading.verdict == "good":
        return (f"The meter reads {name} as healthy: so small a leak does not show in diode mode.",)
    if sweep.verdict == "good":
        return (f"In circuit the meter reads {name} as {reading.verdict}: a path beside the part.",)
    return (f"The meter reads {name} as {reading.verdict}: the path is near the short limit.",)


def _row(j: JunctionVerdict) -> list[float]:
    return [j.probability[q] for q in QUALITIES]


def merged(swept: PartVerdict, read: PartVerdict) -> PartVerdict:
    """One verdict of a part from its sweeps and its readings.

    Parameters
    ----------
    swept, read : PartVerdict
        Of the same part, ``swept`` from sweeps and ``read`` from diode-mode readings.

    Returns
    -------
    PartVerdict
    """
    by_name = {j.junction: j for j in read.junctions}
    junctions, conflicts = [], []
    for j in swept.junctions:
        other = by_name.pop(j.junction, None)
        made, words = (j, "") if other is None else _junction(j, other, read.in_circuit)
        junctions.append(made)
        conflicts += [words] if words else []
    junctions += by_name.values()
    p = np.array([_row(j) for j in junctions])
    whole = worst_of(p, np.zeros(len(p), int), 1)
    verdict = VERDICTS[int(decide(whole)[0])]
    ranked = sorted(junctions, key=lambda j: _RANK[j.verdict])
    said = [f"On the meter: {sentence}" for sentence in read.evidence]
    by_sweep = {j.junction: j.verdict for j in swept.junctions}
    lead = swept if by_sweep.get(ranked[0].junction) == ranked[0].verdict else read
    device, clash = _devices(swept, read)
    if conflicts:
        test = "Repeat sweep and reading on the part alone, leads clean: one of the two saw something else."
    else:
        test = lead.next
    return replace(
        swept, verdict=verdict, probability=dict(zip(QUALITIES, whole[0].tolist(), strict=True)),
        device=device, junctions=tuple(junctions), faults=tuple(f for j in ranked for f in j.faults),
        alternatives=() if verdict == "good" else (*lead.alternatives,),
        evidence=tuple(dict.fromkeys((*(s for j in ranked for s in j.evidence), *said))), next=test,
        cannot_see=(swept.cannot_see or read.cannot_see) if verdict == "good" else "",
        warnings=tuple(dict.fromkeys((*conflicts, *clash, *_doubt(read), *swept.warnings, *read.warnings))),
        neighbours=swept.neighbours or read.neighbours, basis="readings and sweeps",
        type=swept.type or read.type, in_circuit=read.in_circuit,
    )  # fmt: skip


def _doubt(read: PartVerdict) -> tuple[str, ...]:
    """What stood against the readings' own verdict, as a warning beside what the sweeps say."""
    return (f"On the meter: {read.doubt}.",) if read.doubt else ()


def _devices(swept: PartVerdict, read: PartVerdict):
    """What the part is, and where the two methods disagree on it."""
    a, b = swept.device, read.device
    clash = []
    for what, one, other in (("material", a.material, b.material), ("polarity", a.polarity, b.polarity)):
        if one and other and one.lower() != other.lower():
            clash.append(f"The sweeps say {one}, the readings say {other}: check the {what} and the tag.")
    device = replace(
        b, kind=b.kind if b.kind != "unknown" else a.kind, material=a.material or b.material,
        polarity=a.polarity or b.polarity,
    )  # fmt: skip
    return device, clash
