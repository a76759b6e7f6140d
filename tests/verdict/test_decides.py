"""The figure that decides a part: from every source, with the limit it is held to, in few words.

A finding without its figure, with the limit of another quantity, or an act of another reason would show.
"""

import json

import pytest

import junction
from junction.demo.bag import demo_files
from junction.judge.results import Finding
from junction.shelf.tables import records, rule
from tests.rows import every_row

SHORT = rule("short_below")

#: Readings, options; verdict; quantity, limit, is it the most, value; where; in the brief; start of the act.
READ = [
    ("A-K=OL K-A=OL", {"type": "1N4004"}, "open", ("drop_V", 0.7, True, None), "AK", "OL both ways",
     "replace"),
    ("B-E=0.654 E-B=OL B-C=0.642 C-B=1.203 C-E=0.633 E-C=OL", {"type": "BC547B"}, "leaky",
     ("path_ohm", 2e9, False, 1.2e3), "BC", "1.2 k", "clean, read again"),
    ("B-E=0.65 E-B=OL B-C=0.64 C-B=OL C-E=0.003 E-C=0.003", {}, "shorted",
     ("path_ohm", SHORT, False, None), "CE", "short under 50 ", "replace, test its neighbours"),
    ("B-E=0.65 E-B=OL B-C=0.64 C-B=OL C-E=0.003 E-C=0.003", {"in_circuit": True}, "undecided",
     ("path_ohm", SHORT, False, None), "CE", "C-E 0.003 V, E-C 0.003 V", "lift E, read again"),
    ("B-E=0.65 E-B=OL B-C=0.64 C-B=OL C-E=OL", {}, "undecided", None, "", "E-C not read", "read E-C"),
    ("B-E=0.655 E-B=OL B-C=0.64 C-B=OL C-E=OL E-C=OL", {}, "good", ("drop_V", 0.8, True, 0.655), "BE",
     "0.655 V, 0.40 to 0.80 V", "test"),
    ("1-2=0.002 2-1=0.002 2-3=0.002 3-2=0.002 1-3=0.003 3-1=0.003", {}, "shorted",
     ("path_ohm", SHORT, False, None), "", "all three leads", "replace"),
    ("~1-+=0.002 +-~1=0.002 ~2-+=0.551 +-~2=OL --~1=0.553 ~1--=OL --~2=0.548 ~2--=OL ~1-~2=OL ~2-~1=0.55", {},
     "shorted", ("path_ohm", SHORT, False, None), "~1-+", "short under 50", "replace"),
]  # fmt: skip


@pytest.fixture(scope="module")
def demo_bag(tmp_path_factory):
    """The invented bag, sorted."""
    folder = tmp_path_factory.mktemp("demo")
    for name, text in demo_files(20).items():
        if name != "unmarked.csv":
            (folder / name).write_text(text)
    return junction.sort(folder)


@every_row("typed, options, verdict, held, where, brief, act", READ)
def test_readings_say_their_figure(typed, options, verdict, held, where, brief, act):
    v = junction.check(typed.split(), **options).verdicts[0]
    f = v.decides
    assert (v.verdict, f.where) == (verdict, where)
    assert brief in f.brief() and len(f.brief()) <= 40, f.brief()
    assert v.do.startswith(act) and len(v.do.split()) <= 6, v.do
    if held is None:
        return
    quantity, limit, most, value = held
    assert f.quantity == quantity and f.limit_from
    assert f.limit == (pytest.approx(limit, rel=2e-3), most)
    if value:
        assert f.value.value == pytest.approx(value, rel=0.1) and f.value.low < f.value.value < f.value.high
    if quantity == "path_ohm" and verdict in ("leaky", "shorted") and where:
        assert f.times > 1


def test_the_figure_of_the_demo_bag_is_that_of_its_sentence(demo_bag):
    found = {v.part: v for v in demo_bag.verdicts}
    leak = found["Q09"].decides
    assert leak.brief().startswith("333 ") and "limit 100 " in leak.brief()
    assert leak.against().endswith("3.3 times") and leak.times == pytest.approx(leak.value.value / 100e-6)
    for v in found.values():
        f = v.decides
        assert f is not None and f.brief() and (not v.next or v.do), v.part
        # of a bad part its figure lies beyond the limit, of a good one within it
        if v.verdict == "good" and f.times == f.times:
            assert f.times < 1, v.part
        if v.verdict in ("leaky", "shorted"):
            assert f.times > 1 and f.limit_from and f.where in v.faults[0], v.part
    assert found["N01"].decides.quantity == "leak_A"  # curves speak as well


def test_json_holds_the_figure_and_the_act(demo_bag):
    whole = json.loads("".join(demo_bag.json_pieces()))
    part = next(p for p in whole["parts"] if p["part"] == "Q09")
    told = part["decides"]
    assert told["says"] == next(v for v in demo_bag.verdicts if v.part == "Q09").decides.brief()
    assert told["value"] == pytest.approx(333e-6, rel=0.01) and told["limit"] == 100e-6
    assert (told["quantity"], told["where"], told["unit"], told["limit_is"]) == ("leak_A", "BC", "A", "most")
    assert told["times"] == pytest.approx(3.33, rel=0.01) and told["limit_from"] and part["do"]


def test_times_tells_from_which_side_the_limit_is_passed():
    it = junction.base.records.Interval
    assert Finding("BC", "x", "leak_A", it(3e-4, unit="A"), high=1e-4).times == pytest.approx(3)
    assert Finding("CE", "x", "path_ohm", it(float("nan"), 0, 5, "ohm"), low=50).times == pytest.approx(10)
    assert Finding("CE", "x", "h_FE", it(20, unit="1"), low=40).against() == "least 40, 2 times"
    drop = Finding("BE", "x", "drop_V", it(0.39, unit="V"), 0.5, 0.8)
    assert drop.times != drop.times and drop.limit == (0.5, False)


def test_what_comes_next_has_a_short_act_and_what_decides_a_brief():
    told = records("sentences")
    acts = [r for name, r in told.items() if name.startswith(("leads_next", "leads_test", "leads_decide"))]
    acts += [r for name, r in told.items() if name.startswith(("sweep_", "curve_", "part_good")) and r.next]
    assert len(acts) > 70
    assert not [r for r in acts if not r.do or len(r.do.split("]")[-1].split()) > 6]
    decides = ("leads_doubt", "sweep_good", "sweep_leaky", "curve_gain_low", "both_")
    briefs = [(name, r) for name, r in told.items() if r.next or name.startswith(decides)]
    briefs = [(name, r) for name, r in briefs if name.startswith(("leads", "sweep", "curve", "both_c"))]
    assert not [name for name, r in briefs if not r.brief and not name.startswith("leads_next")]
