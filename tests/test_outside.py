"""The count of outside checks: what it takes for a source, and that a test really goes through the door."""

from types import SimpleNamespace

import pytest

from tests import outside
from tests.rows import every_row


@every_row("source", [
    "JCGM 106:2012, Evaluation of measurement data, clause 7.4, example 1, 2012",
    "Basic Electronics, D. De, example 2-14, page 96, 2010",
    "Microelectronic Circuits, Sedra and Smith, from memory",
    "Divider of two resistors, computed by ngspice",
    "Basic Electronics, D. De, page 96, 2010; 2N3904 data sheet, page 2, 2011",
])  # fmt: skip
def test_sources_that_can_be_looked_up(source):
    assert outside.source_faults(source) == []


@every_row("source, lacks", [
    ("", "no source"),
    ("Basic Electronics, D. De, 2010", "no section"),
    ("Basic Electronics, D. De, example 2-14", "no year"),
    ("page 96, 2010", "no title"),
    ("Neamen-type example 1.5 in a book, 1998", "names no source"),
    ("Some Book (title not shown), example 1.5, 1998", "names no source"),
    ("Basic Electronics, D. De, page 96, 2010; a friend of mine", "no year"),
])  # fmt: skip
def test_sources_that_cannot(source, lacks):
    assert any(lacks in fault for fault in outside.source_faults(source))


def test_what_went_through_the_door_is_known():
    door = outside.Door()
    assert door.check(["A-K=0.002", "K-A=0.002"]).verdicts[0].verdict == "shorted"
    assert door.used == {"check", "api"}
    door = outside.Door()
    ran = door.json("check", "A-K=0.002", "K-A=0.002")
    assert ran["parts"][0]["verdict"] == "shorted" and door.used == {"check"}
    assert outside.Door().cli("check", "A-K=x").status == 2


def test_too_few_wrong_marks_and_sources_fail():
    def item(fixtures, *marks):
        return SimpleNamespace(
            nodeid="t.py::test[1]", fixturenames=fixtures, iter_markers=lambda name: marks,
            get_closest_marker=lambda name: name == "external")  # fmt: skip

    good = pytest.mark.front_door("check", source="Basic Electronics, D. De, page 96, 2010").mark
    count = outside.Count()
    count.pytest_collection_finish(SimpleNamespace(items=[item(["door"], good)] * 3))
    assert count.in_all == len(count.external) == 1 and not count.faults
    assert any("only 1 external" in fault for fault in outside.told(count)[1])
    unused = pytest.mark.front_door("chek", source="Basic Electronics, page 96, 2010").mark
    assert outside.mark_faults(item([], good)) and outside.mark_faults(item(["door"]))
    assert outside.mark_faults(item(["door"], unused)) and not outside.mark_faults(item([]))
