"""The demo bag: labelled, reproducible, readable by the intake, and with something of everything."""

from collections import Counter

import numpy as np
import pytest

from junction.demo.bag import DIODES, TRANSISTORS, SweptJunction, demo_files, sweep
from junction.judge.results import Verdict
from junction.physics.junction import current
from junction.shelf.tables import default_meter
from junction.shelf.types import find_type
from junction.sweeps.sweeps import fit_sweeps
from junction.verdict.parts import judge_bag
from tests.intake.helpers import read_texts


def read(files):
    return read_texts([(name, text.encode()) for name, text in files.items()])


@pytest.fixture(scope="module")
def bag():
    return read(demo_files(0))


@pytest.fixture(scope="module")
def verdicts(bag):
    return {v.part: v for v in judge_bag(bag, fit_sweeps(bag.sweeps), default_meter())}


def test_every_file_says_that_it_is_invented_and_simulated():
    for name, text in demo_files(0).items():
        first = text.splitlines()[0]
        assert first.startswith("# Invented and simulated"), name
        assert name.endswith(".csv") and text.endswith("\n")


def test_a_seed_fixes_every_digit_and_another_changes_them():
    assert demo_files(3) == demo_files(3)
    one, other = demo_files(3), demo_files(4)
    assert one.keys() == other.keys() and all(one[k] != other[k] for k in one)


def test_the_intake_loses_no_row(bag):
    assert bag.rows_used + sum(s.rows for s in bag.set_aside) == bag.rows_read
    # the slips of the pen, each with its reason
    found = {(s.file, s.column, s.value) for s in bag.set_aside}
    assert found == {
        ("transistors.csv", "B-E", "0.6S2"), ("transistors.csv", "B-E", "655"),
        ("diodes.csv", "value", "612 mA"), ("sweeps.csv", "v_V", "0.3O1"),
    }  # fmt: skip


def test_it_holds_every_form_and_kind(bag):
    placements = {r.placement for p in bag.readings for r in p.readings}
    assert {"B-E", "1-2", "A-K"} <= placements
    assert set(bag.sweeps.junction) == {"BE", "BC", "AK"}
    assert Counter(t for t in bag.curves.type) == {"MJ15003": 12, "MJ15004": 12}
    assert np.isnan(bag.sweeps.temp_C).any() and np.isfinite(bag.sweeps.temp_C).any()
    assert np.isfinite(bag.curves.temp_C).all()
    assert set(bag.curves.polarity) == {"NPN", "PNP"}  # told by the signs in the file


def test_marked_types_are_on_the_shelf(bag):
    types = {p.type for p in (*TRANSISTORS, *DIODES)} | set(bag.sweeps.type)
    types |= set(bag.curves.type)
    for name in types - {""}:
        assert find_type(name) is not None, name


def test_every_verdict_occurs_and_is_what_was_built_in(verdicts):
    assert set(Verdict) == {v.verdict for v in verdicts.values()}
    built = {
        "Q01": "good", "Q02": "leaky", "Q03": "good", "Q04": "good", "Q05": "good", "Q06": "open",
        "Q07": "shorted", "Q08": "shorted", "Q09": "leaky", "Q10": "good", "Q11": "good", "Q12": "open",
        "D01": "good", "D02": "shorted", "D03": "leaky", "D04": "good", "D05": "good", "D06": "open",
        "U01": "good", "U02": "good",
        "S01": "undecided", "S02": "good", "S03": "good", "S04": "good", "S05": "leaky", "S06": "shorted",
        "S07": "open",
    }  # fmt: skip
    assert {p: verdicts[p].verdict for p in built} == built


def test_the_story_of_the_output_transistor_that_reads_healthy(verdicts):
    """Diode mode passes Q09; its collector sweep does not, and the report says why both are right."""
    q09 = verdicts["Q09"]
    assert (q09.basis, q09.faults) == ("readings and sweeps", ("BC leaky",))
    assert any("does not show in diode mode" in s for s in q09.evidence)
    assert q09.neighbours


@pytest.mark.parametrize("seed", [1, 2])
def test_the_story_does_not_hang_on_the_seed(verdicts, seed):
    bag = read(demo_files(seed))
    found = {v.part: v.verdict for v in judge_bag(bag, fit_sweeps(bag.sweeps), default_meter())}
    assert found == {p: v.verdict for p, v in verdicts.items()}


def test_the_curves_are_those_of_power_transistors(bag):
    """Gains within the registration of the MJ15003: h_FE 25 to 150 at 5 A; here at the top of the curve."""
    gain = [bag.curves.ic_A[bag.curves.points(k)][-1] / bag.curves.ib_A[bag.curves.points(k)][-1]
            for k in range(len(bag.curves))]  # fmt: skip
    assert 25 < min(gain) and max(gain) < 150
    assert np.ptp(gain) > 10  # a spread worth matching


def test_the_sweep_box_stops_at_its_limit_and_follows_the_law():
    junction = SweptJunction(2e-14, 1.0, 1.0, to_V=0.9, limit_A=5e-3)
    v, i = sweep(junction, 25.0, np.random.default_rng(0))
    assert i.max() <= 5e-3 * 1.01
    forward = v > 0.5
    # 0.3 mV of voltmeter noise is 1.2 % of current, 0.2 % comes on top; five times that over all points
    np.testing.assert_allclose(i[forward], current(v[forward], 2e-14, 1.0, RS_ohm=1.0), rtol=0.06, atol=0)
