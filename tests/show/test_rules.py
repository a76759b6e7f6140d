"""Every convention of what is told is a row of reference/rules.csv: change it, and a word moves."""

from dataclasses import replace
from types import SimpleNamespace

from junction.base.records import Bag, Interval, PartReadings
from junction.judge.results import Alternative, Device, Finding, PartVerdict, SortReport
from junction.paper.bag import in_order_of_detail
from junction.paper.part import sure
from junction.shelf import tables as rules
from junction.show.blocks import terminal_text, words
from junction.views import check
from tests.show import samples

P = samples.probability
LEANING = PartVerdict("X1", "undecided", P(good=0.5, leaky=0.5))
UNSETTLED = PartVerdict("X2", "leaky", P(leaky=1.0), faults=("BE leaky",), faults_probability=0.75)
OTHER = replace(UNSETTLED, alternatives=(Alternative(("BC leaky",), Device(), 0.03),))


def held(part, verdict, times):
    """A part that was decided by a current so many times its limit."""
    found = Finding("BE", "sweep_good", "leak_A", Interval(times, times, times, "A"), high=1.0)
    return PartVerdict(part, verdict, P(leaky=1.0), decides=found)


def answer(v):
    if isinstance(v, tuple):
        return str(in_order_of_detail(v))
    report = SortReport((v,), samples.METER, Bag((PartReadings(v.part),)))
    return terminal_text(check.terminal(report)) + words(sure(v))


#: Row -> another value, and the part whose answer it moves.
CASES = {
    "show_even_odds": (0.6, LEANING), "show_path_settled": (0.7, UNSETTLED),
    "show_least_alternative": (0.05, OTHER),
    "show_near": (4.0, (held("far", "leaky", 100.0), held("near", "shorted", 3.0))),
}  # fmt: skip


def test_every_row_moves_a_word(monkeypatch):
    rows = {name for name in rules.rules() if name.startswith("show_")}
    assert rows == set(CASES)
    table = dict(rules.rules())
    for row, (value, part) in CASES.items():
        before = answer(part)
        with monkeypatch.context() as patch:
            moved = table | {row: SimpleNamespace(value=value)}
            patch.setattr(rules, "rules", lambda moved=moved: moved)
            rules.rule.cache_clear()
            assert answer(part) != before, row
        rules.rule.cache_clear()
