"""Matched sets of benches against ngspice: what they are worth, what holds, and that order is nothing.

Source of truth: ngspice with the batches of `match_bags`, frozen in data/bench_match.npz (`bench_match
renew`).  The whole table, of these bags or of unseen ones: `python -m tests.external.bench_match report`.
"""

from functools import cache

import numpy as np
import pytest

import junction
from tests.external import bench_match as bench


def case(name):
    return next(c for c in bench.frozen() if c.name == name)


@cache
def outcomes(way, recorded=True):
    """One bench of each kind with 12 parts."""
    named = ("small 12 NPN", "medium 12 PNP", "power 12 NPN")
    return [bench.outcome(case(name), way, recorded, 0) for name in named]


@pytest.mark.external
@pytest.mark.parametrize("way", [bench.WAYS[0], bench.WAYS[1], bench.WAYS[3], bench.WAYS[4]])
def test_intervals_hold_what_ngspice_finds(way):
    """Of 36 intervals of imbalance that hold with 95 %, 31 or fewer hold once in 40 times (binomial)."""
    held = [x for e in outcomes(way) for name in ("idle", "peak") for x in e[name]]
    assert len(held) == 36
    assert sum(held) >= 32, (way, sum(held))


@pytest.mark.external
def test_curves_are_matched_as_well_as_the_thermometer_allows():
    """Beside who knows the parts exactly and reads the same thermometer: within 8 % at the stage's V_CE."""
    ratio = [e["ratio"] / e["possible"] for e in outcomes(bench.WAYS[0])]
    assert np.mean(ratio) < 1.08, ratio


@pytest.mark.external
def test_every_way_betters_parts_taken_blindly():
    """At most two thirds of what chance costs, although 5 V leaves the stage's V_CE to V_A."""
    for way in (bench.WAYS[1], bench.WAYS[3], bench.WAYS[4]):
        ratio = [e["ratio"] / e["random"] for e in outcomes(way)]
        assert np.mean(ratio) < 0.67, (way, ratio)


@pytest.mark.external
def test_grade_a_is_earned():
    """Of the sets graded A at most one in twenty passes 5 % in ngspice, with binomial room."""
    kept = [x for way in (bench.WAYS[0], bench.WAYS[3]) for e in outcomes(way) for x in e["A"]]
    assert len(kept) >= 15
    assert sum(kept) >= 0.95 * len(kept) - 1.645 * np.sqrt(0.0475 * len(kept)) - 1


@pytest.mark.parametrize("way", [bench.WAYS[2], bench.WAYS[3]])
def test_the_order_of_rows_changes_not_one_digit(way, monkeypatch):
    """The same bag, its rows shuffled three times: points, readings and parts in any order."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1800000000")  # whatever minute it is
    own = case("power 12 PNP")
    table = bench.log(own, way, True, np.random.default_rng(4))
    table = table[table["part"].isin(own.parts[:6])]
    first, *others = (
        junction.match(
            table if seed is None else table.sample(frac=1, random_state=seed), **own.options
        ).to_dict()
        for seed in (None, 1, 2, 3)
    )
    for one in others:
        assert one == first
