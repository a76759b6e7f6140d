"""244 output stages that ngspice solved (`drops_bench`), with none, one or two faults, as they are judged.

Drops as a meter reads them, of stages whose parts, temperatures and resistors spread as real ones do.  Among
the faults are some that junction knows nothing of: oscillation, a warm device, a resistor of another value.
"""

import csv
import shutil

import pytest

from tests.external import drops_bench, drops_score

#: Shares of this table, as measured.  The guesses among the rules were settled with it in sight, so it shows
#: more than fresh stages do.  Of 244 of base seed 260000: 87 % named first, 1 with a healthy part condemned,
#: 2 firmly wrong (0 and 1 since a sentence names the neighbour that leaks, and the scoring allows it); of
#: 510000, seen after everything else: 89 %, 2 and 3.
NAMED_FIRST = 0.90
FIRMLY_WRONG = 0.01


@pytest.fixture(scope="module")
def found():
    return drops_score.cases(drops_bench.FROZEN)


def test_the_table_is_as_large_and_mixed_as_it_should_be(found):
    assert len(found) >= 200
    faults = {name for c in found for name in c.row["fault"].split("+")}
    assert faults == {*drops_bench.COUNTS} - {"two"}
    assert {int(c.row["parallel"]) for c in found} == {1, 2, 3, 4}
    assert {c.row["quasi"] for c in found} == {"0", "1"}


def test_no_healthy_part_is_condemned(found):
    blamed = {str(c): x for c in found if (x := drops_score.condemned(c))}
    assert not blamed, blamed
    assert not [str(c) for c in found if c.row["fault"] == "none" and c.report.overall == "fault"]


def test_a_single_fault_is_named_first(found):
    single = [c for c in found if c.single]
    missed = [str(c) for c in single if not drops_score.named_first(c)]
    assert len(missed) <= (1 - NAMED_FIRST) * len(single), "\n".join(missed)


def test_hardly_ever_firmly_wrong(found):
    wrong = {str(c): x for c in found if (x := drops_score.firmly_wrong(c))}
    assert len(wrong) <= FIRMLY_WRONG * len(found), wrong


def test_most_sound_stages_pass(found):
    sound = [c.report.overall == "as predicted" for c in found if c.row["fault"] == "none"]
    assert sum(sound) >= 0.85 * len(sound)


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
@pytest.mark.parametrize("fault", ["none", "bypassed"])
def test_the_table_is_what_ngspice_gives(fault):
    with drops_bench.FROZEN.open() as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    frozen = next(row for row in rows if row["fault"] == fault)
    again = drops_bench.stage(int(frozen["seed"]), fault)
    # half a last digit of the meter, and 0.1 % between versions of ngspice
    for name, slack in (("read_mV", 0.1), ("mA", 0.05)):
        assert [float(x) for x in again[name].split()] == pytest.approx(
            [float(x) for x in frozen[name].split()], rel=1e-3, abs=slack)  # fmt: skip
