"""What must not change an answer does not; more leak is never better; no sentence holds nan or inf.

Parts and readings are drawn here or taken from the frozen parts that ngspice read (tests/external).
"""

import re
from dataclasses import replace
from itertools import permutations
from math import inf, log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import junction
from junction.base.records import PartReadings, Reading
from junction.leads.verdict import judge_readings
from junction.shelf.tables import default_meter, meters
from tests.external.bench_parts import METERS, as_it_stands, frozen, readings_of
from tests.rows import every_row
from tests.whole import share

#: Every ninth of the parts that stand alone: all kinds, all meters; a third of them (`tests.whole`).
ROWS = share([row for row in as_it_stands(frozen()) if not row["in_circuit"]][::9], 3)


def judged(parts, rows):
    """Verdict of each part, with the meter of its row."""
    out = {}
    for name, (meter, _) in METERS.items():
        which = [k for k, row in enumerate(rows) if row["meter"] == name]
        out |= zip(which, judge_readings([parts[k] for k in which], meters()[meter]), strict=True)
    return [out[k] for k in range(len(parts))]


def moved(part, names):
    """The part with all its leads called otherwise."""
    return replace(part, readings=tuple(
        replace(r, placement=f"{names[r.red]}-{names[r.black]}") for r in part.readings
    ))  # fmt: skip


@pytest.fixture(scope="module")
def parts():
    return [readings_of(row) for row in ROWS]


@pytest.fixture(scope="module")
def verdicts(parts):
    return judged(parts, ROWS)


def different(rows, before, after, within=1e-9):
    """Parts whose verdict is another, or a probability more than so much."""
    return [(row["part"], row["kind"], row["faults"], a.verdict, b.verdict, a.probability, b.probability)
            for row, a, b in zip(rows, before, after, strict=True) if a.verdict != b.verdict
            or max(abs(a.probability[q] - b.probability[q]) for q in a.probability) > within]  # fmt: skip


def test_the_order_of_readings_changes_nothing(parts, verdicts):
    rng = np.random.default_rng(1)
    shuffled = [replace(p, readings=tuple(rng.permutation(np.array(p.readings, object)))) for p in parts]
    assert not different(ROWS, verdicts, judged(shuffled, ROWS))


def test_the_order_of_parts_changes_nothing(parts, verdicts):
    rng = np.random.default_rng(2)
    order = rng.permutation(len(parts))
    after = judged([parts[k] for k in order], [ROWS[k] for k in order])
    assert not different([ROWS[k] for k in order], [verdicts[k] for k in order], after)


@pytest.mark.parametrize("order", [p for p in permutations("123") if p != ("1", "2", "3")], ids="".join)
def test_how_unknown_leads_are_numbered_changes_nothing(parts, verdicts, order):
    which = [k for k, row in enumerate(ROWS) if row["leads"][0] == "1"]
    rows = [ROWS[k] for k in which]
    names = dict(zip("123", order, strict=True))
    after = judged([moved(parts[k], names) for k in which], rows)
    before = [verdicts[k] for k in which]
    # sums of the same numbers in another order, and draws that are not the same for each order of leads
    assert not different(rows, before, after, within=0.02)


def test_the_other_polarity_is_the_mirror_image(parts, verdicts):
    """All probes the other way round: a PNP for an NPN, the same verdict, never the contrary."""
    which = [k for k, row in enumerate(ROWS) if row["leads"][0] in "1B"]
    rows = [ROWS[k] for k in which]
    turned = [replace(parts[k], readings=tuple(
        replace(r, placement=f"{r.black}-{r.red}") for r in parts[k].readings)) for k in which]  # fmt: skip
    before, after = [verdicts[k] for k in which], judged(turned, rows)
    contrary = [row["part"] for row, a, b in zip(rows, before, after, strict=True)
                if a.verdict != b.verdict and "undecided" not in (a.verdict, b.verdict)]  # fmt: skip
    assert not contrary
    # one polarity of germanium and of dampers is commoner than the other, which may tip what was close
    assert len(different(rows, before, after, within=0.15)) <= 0.03 * len(rows)


UNITS = st.sampled_from([("V", 1.0, 3), (" V", 1.0, 3), ("mV", 1e3, 0)])


@settings(max_examples=10, derandomize=True, deadline=None)
@given(st.lists(UNITS, min_size=4, max_size=4), st.integers(550, 720), st.integers(550, 720))
def test_the_unit_that_is_typed_changes_nothing(units, be, bc):
    """712 mV is 0.712 V is 0.712, in any mixture."""

    def typed(millivolts, unit):
        name, factor, digits = unit
        return f"{millivolts / 1e3 * factor:.{digits}f}{name}".replace(" ", "")

    rest = ["E-B=OL", "C-B=OL", "C-E=OL", "E-C=OL"]
    plain = junction.check([f"B-E={be / 1e3:.3f}", f"B-C={bc / 1e3:.3f}", *rest])
    other = junction.check([f"B-E={typed(be, units[0])}", f"B-C={typed(bc, units[1])}", *rest])
    assert plain.to_dict()["parts"] == other.to_dict()["parts"]


# --------------------------------------------------------------------------------------------- more leak

AMPS, OVER = 1e-3, 2.0  # the commonest meter's


def beside(ohm, drop):
    """Reading of a path and a junction side by side, the junction of a drop at the meter's current."""
    low, high = 0.0, drop
    for _ in range(60):
        volts = (low + high) / 2
        less = volts / ohm + AMPS * np.exp((volts - drop) / 0.02569) < AMPS
        low, high = (volts, high) if less else (low, volts)
    return low


def reading(place, volts):
    return Reading(place, "over") if volts >= OVER else Reading(place, "volt", round(volts, 3))


def leaking(where, ohm, be=0.655, bc=0.640):
    """An NPN, or a diode, with a path between two of its leads."""
    path = AMPS * ohm
    if where == "A-K":
        volts = {"A-K": beside(ohm, be), "K-A": path}
    else:
        volts = {"B-E": be, "E-B": inf, "B-C": bc, "C-B": inf, "C-E": inf, "E-C": inf}
    if where == "B-E":
        volts |= {"B-E": beside(ohm, be), "E-B": path, "E-C": path + bc}
    elif where == "B-C":  # the path feeds the base of a transistor whose gain is 150
        volts |= {"B-C": beside(ohm, bc), "C-B": path, "C-E": be - 0.01 + path / 150}
    elif where == "C-E":
        volts |= {"C-E": path, "E-C": path}
    return PartReadings(f"{ohm:.0f}", tuple(reading(place, v) for place, v in volts.items()))


@every_row("where", ["A-K", "B-E", "B-C", "C-E"])
def test_more_leak_is_never_better(where):
    """A path that falls from 20 kohm to 1 ohm: what is no longer good never becomes so, and ends shorted."""
    ohms = np.geomspace(2e4, 1.0, 60)
    verdicts = judge_readings([leaking(where, ohm) for ohm in ohms], default_meter())
    is_good = [v.verdict == "good" for v in verdicts]
    assert True not in is_good[is_good.index(False) :]
    assert verdicts[-1].verdict == "shorted"
    # a path such as other kinds have built in may be theirs, which leaves it undecided; nothing else makes a
    # smaller one better by more than the 5 % that a verdict leaves open
    good = np.array([v.probability["good"] for v in verdicts])
    for k in np.flatnonzero(np.diff(good) > 0.05):
        assert verdicts[k + 1].verdict == "undecided", (ohms[k + 1], good[k : k + 2])


def test_a_reading_that_agrees_never_lowers_the_leader():
    """Forward readings of a sound transistor, then each over-range one in any order: it stays as sound."""
    forward = (reading("B-E", 0.655), reading("B-C", 0.64))
    over = [reading(place, inf) for place in ("E-B", "C-B", "C-E", "E-C")]
    some = [tuple(r for k, r in enumerate(over) if which >> k & 1) for which in range(16)]
    parts = [PartReadings("Q", forward + more) for more in some]
    good = {more: v.probability["good"] for more, v in
            zip(some, judge_readings(parts, default_meter()), strict=True)}  # fmt: skip
    lowered = [(more, other) for more in some for other in some
               if set(more) < set(other) and good[other] < good[more] - 0.01]  # fmt: skip
    assert not lowered
    assert good[tuple(over)] > 0.95


# ------------------------------------------------------------------------------------------ random readings

NO_NUMBER = re.compile(r"\b(nan|inf|infinity|None)\b|RuntimeWarning", re.IGNORECASE)
LEADS = ("B C E", "1 2 3", "1 2 3", "A K", "G D S", "A1 K A2", "~1 ~2 + -", "A K C E")


def _texts(v):
    yield from (v.next, v.cannot_see, v.doubt, *v.evidence, *v.warnings, *v.neighbours)
    yield from (other.decided_by for other in v.alternatives)
    for one in v.junctions:
        yield from one.evidence


def _random_part(rng, k):
    leads = LEADS[int(rng.integers(len(LEADS)))].split()
    readings = []
    for place in permutations(leads, 2):
        if rng.random() < 0.15:
            continue
        what = rng.random()
        if what < 0.35:
            readings.append(Reading("-".join(place), "over"))
        elif what < 0.9:
            volts = rng.uniform(0, 2) if rng.random() < 0.7 else rng.choice([0.0, 0.001, 0.6, 1.999])
            readings.append(Reading("-".join(place), "volt", round(float(volts), 3)))
        else:
            ohm = float(f"{np.exp(rng.uniform(log(0.1), log(1e7))):.3g}") if rng.random() < 0.9 else inf
            readings.append(Reading("-".join(place), "ohm", ohm))
    temp = float(rng.uniform(-10, 70)) if rng.random() < 0.3 else float("nan")
    circuit = rng.random() < 0.1
    lifted = (leads[0],) if circuit and rng.random() < 0.5 else ()
    return PartReadings(f"R{k}", tuple(readings), temp_C=temp, in_circuit=circuit, lifted=lifted,
                        discharged=bool(rng.random() < 0.1))  # fmt: skip


@pytest.mark.parametrize("seed", range(2))
def test_no_sentence_holds_a_number_that_is_none(seed):
    """Parts of random readings, of all lead names, part of them missing: 125 of each seed, or 250."""
    rng = np.random.default_rng(seed)
    meter = meters()[[meter for meter, _ in METERS.values()][seed % 4]]
    parts = [part for k in share(range(250), 2) if (part := _random_part(rng, k)).readings]
    verdicts = judge_readings(parts, meter)
    assert not [(part, text) for part, v in zip(parts, verdicts, strict=True)
                for text in _texts(v) if NO_NUMBER.search(text)][:3]  # fmt: skip
    # no page shows more than four digits of a probability
    assert all(abs(sum(v.probability.values()) - 1) < 1e-4 for v in verdicts)
