"""Verdicts of transistor curves against ngspice: sound parts and faults of twelve registered types.

Frozen curves of ngspice (general circuit simulator, shares no code with junction; decks in curve_parts.py) as
a fair and a poor instrument log them; the registered limits the parts keep or break are those of the type.
"""

import csv
import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from junction.cli.main import main
from junction.verdict.curves import judge_curves
from tests.external.curve_parts import TYPES, VERDICT, part
from tests.tables import curve_table

_DATA = Path(__file__).parent / "data" / "curve_parts.npz"
_WHERE = {"B-E leak": "BE", "C-B leak": "BC", "C-E path": "CE", "inside": "BE", "breakdown": "CE"}


@pytest.fixture(scope="module")
def frozen():
    with np.load(_DATA) as held:
        x = SimpleNamespace(**{name: held[name] for name in held.files})
    x.points = np.split(x.points.astype(float), np.cumsum(x.count)[:-1])
    return x


def table(x, which, marked=True):
    columns = [[x.points[k][:, j] for k in which] for j in range(4)]
    types = [str(x.type[k]) if marked else "" for k in which]
    polarity = [TYPES[str(x.type[k])][0] for k in which]
    return curve_table([f"P{k}" for k in which], *columns, x.temp_C[which], polarity, types)


@pytest.mark.external
def test_sound_parts_are_good_and_faults_are_found(frozen):
    every = np.arange(frozen.count.size)
    found = judge_curves(table(frozen, every))
    wrong, right, faults, undecided = [], 0, 0, {"fair": 0, "poor": 0}
    for k, v in enumerate(found):
        fault, truth = str(frozen.fault[k]), VERDICT[str(frozen.fault[k])]
        told = (frozen.type[k], fault, frozen.words[k], v.verdict)
        if v.verdict not in (truth, "undecided"):
            wrong.append(told)
        elif fault == "sound":
            undecided[str(frozen.instrument[k])] += v.verdict == "undecided"
        else:
            faults += 1
            right += v.verdict == truth
        if v.verdict == truth and fault in _WHERE:
            assert [f[:2] for f in v.faults] == [_WHERE[fault]], told
        path = next((j.leak_ohm for j in v.junctions if f"{j.junction} leaky" in v.faults), None)
        if path is not None and fault in ("B-E leak", "C-B leak", "C-E path"):
            ohm = float(str(frozen.words[k]).split()[0])
            assert path.value == pytest.approx(ohm, rel=0.1), told  # leaks near the noise have some percent
    assert wrong == []
    assert right >= 0.9 * faults and faults == 96
    assert undecided["fair"] == 0 and undecided["poor"] <= 1  # of 24 and 12


@pytest.mark.external
def test_too_little_gain_says_what_to_do(frozen):
    low = np.flatnonzero(frozen.fault == "low gain")
    for v in judge_curves(table(frozen, low)):
        assert v.verdict == "undecided" and "h_FE" in v.doubt and "registered" in v.doubt
        assert "marking" in v.next and "do not fit it" in v.next


@pytest.mark.external
def test_without_a_marking_no_sound_part_is_condemned(frozen):
    some = np.flatnonzero(np.isin(frozen.fault, ["sound", "short", "open", "breakdown"]))
    for k, v in zip(some, judge_curves(table(frozen, some, marked=False)), strict=True):
        truth = VERDICT[str(frozen.fault[k])]
        # a breakdown is held against a rating, which only a type has
        allowed = {"breakdown": {"undecided"}, "sound": {"good", "undecided"}}.get(frozen.fault[k], {truth})
        assert v.verdict in allowed, (frozen.type[k], frozen.fault[k], v.verdict)
        assert v.verdict != "undecided" or v.next


@pytest.mark.external
def test_through_sort_as_a_tracer_logs_them(frozen, tmp_path, capsys):
    """PNP parts with their own signs, so that a collector-base leak turns the base current round."""
    some = [k for k in range(frozen.count.size) if frozen.type[k] in ("BC557B", "2N3055")
            and frozen.fault[k] in ("sound", "C-B leak", "short", "inside")
            and frozen.instrument[k] == "fair"]
    with open(tmp_path / "curves.csv", "w", newline="") as file:
        out = csv.writer(file)
        out.writerow(["part", "type", "vce_V", "vbe_V", "ib_A", "ic_A", "temp_C"])
        for k in some:
            sign = -1 if TYPES[str(frozen.type[k])][0] == "PNP" else 1
            out.writerows([f"P{k}", frozen.type[k], *(f"{sign * x:.6g}" for x in row), frozen.temp_C[k]]
                          for row in frozen.points[k])  # fmt: skip
    assert main(["sort", str(tmp_path / "curves.csv"), "--json", str(tmp_path / "out.json"),
                 "-o", str(tmp_path / "report")]) == 0  # fmt: skip
    parts = {p["part"]: p for p in json.loads((tmp_path / "out.json").read_text())["parts"]}
    assert {p: one["verdict"] for p, one in parts.items()} == {
        f"P{k}": VERDICT[str(frozen.fault[k])] for k in some
    }
    assert all(one["basis"] == "curves" and one["curves"][0]["points"] > 20 for one in parts.values())
    leaky = next(one for one in parts.values() if one["verdict"] == "leaky")
    assert leaky["faults"] == ["BC leaky"] and leaky["device"]["polarity"] == "PNP"
    sound = parts[f"P{next(k for k in some if frozen.fault[k] == 'sound' and frozen.type[k] == '2N3055')}"]
    assert 20 < sound["measured"]["h_FE at 4 A, 4 V"]["value"] < 70  # registered of the 2N3055
    page = (tmp_path / "report" / "sort.html").read_text()
    assert "Early voltage" in page and "curves cannot see" in page


def test_frozen_curves_are_what_ngspice_gives(frozen):
    """The first sound part of the file, drawn and solved again."""
    again = part(np.random.default_rng(500), "BC547B", "sound")
    # single precision of the file, tolerances of the solver; noise is drawn from the same seed
    for name, column in zip(("vce", "vbe", "ib", "ic"), frozen.points[0].T, strict=True):
        np.testing.assert_allclose(again[name], column, rtol=1e-4, atol=1e-11)
