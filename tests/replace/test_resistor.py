"""Resistor networks against brute force and against derivatives; readings against JCGM 106."""

from itertools import combinations_with_replacement, product
from math import inf, isnan, nan, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import junction
from junction.base.errors import UsageError
from junction.base.units import thermal_voltage
from junction.replace.resistor import (
    ARRANGEMENTS,
    combinations,
    judge_reading,
    network,
    sharing_effect,
    stock_values,
    value_and_shares,
)
from tests.rows import every_row

ohms = st.floats(0.01, 1e6)
untimed = settings(deadline=None)  # shared machines stall; nothing here measures time


def count(arrangement):
    return sum(c.isalpha() for c in arrangement)


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
@untimed
@given(st.lists(ohms, min_size=4, max_size=4))
def test_power_shares_are_relative_sensitivities(arrangement, values):
    """Cohn: dR/dR_k = (i_k/i)^2, so R_k/R · dR/dR_k is the share of the dissipation; held by differences."""
    parts = values[: count(arrangement)]
    shares = value_and_shares(arrangement, parts)[1]
    assert sum(shares) == pytest.approx(1.0, rel=1e-9)  # Euler: the value is homogeneous of degree one

    def value(*parts):
        return value_and_shares(arrangement, parts)[0]

    for k, share in enumerate(shares):
        h = 1e-6
        up, down = list(parts), list(parts)
        up[k] *= 1 + h
        down[k] *= 1 - h
        slope = (value(*up) - value(*down)) / (2 * h * value(*parts))
        # central difference: rounding 1e-16/h = 1e-10, truncation h^2; 1e-8 leaves room for both
        assert share == pytest.approx(slope, abs=1e-8)


def test_power_shares_by_hand():
    # 2 + (3 | 6): 1 A through 2 ohm is 2 W; the pair is 2 ohm, 2 V across it: 4/3 W and 2/3 W; 4 W in all
    assert value_and_shares("A + (B | C)", (2, 3, 6))[1] == pytest.approx((1 / 2, 1 / 3, 1 / 6))
    # 6 | (1 + 2): 6 V: 6 W in the 6 ohm, 2 A through 1 and 2 ohm: 4 W and 8 W
    assert value_and_shares("A | (B + C)", (6, 1, 2))[1] == pytest.approx((6 / 18, 4 / 18, 8 / 18))


SMALL = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)


@every_row("wanted", [0.3, 0.987, 1.0, 2.718, 5.55, 13.37])
@every_row("arrangement", ARRANGEMENTS)
def test_search_finds_what_brute_force_finds(arrangement, wanted):
    everything = (
        abs(np.log(value_and_shares(arrangement, parts)[0] / wanted))
        for parts in product(SMALL, repeat=count(arrangement))
    )
    best = min(everything)
    found = [n for n in combinations(wanted, SMALL, each=1) if n.arrangement == arrangement]
    if not found:  # no left half leaves anything for the right one
        assert arrangement not in ("A", "A + B", "A | B")
        assert best > 0.1
        return
    assert abs(np.log(found[0].ohm / wanted)) == pytest.approx(best, abs=1e-12)


@untimed
@given(ohms)
def test_more_parts_are_never_further_off(wanted):
    stock = stock_values("E12", wanted / 50, wanted * 50)
    best = [
        min(abs(n.error) for n in combinations(wanted, stock, most_parts=k, each=1)) for k in (1, 2, 3, 4)
    ]
    assert all(b <= a + 1e-12 for a, b in zip(best, best[1:], strict=False))
    # neighbours in E12 are at most 25 % apart (12 to 15): sqrt(15/12) - 1 is 11.8 %
    assert best[0] <= 0.1181


def test_no_network_twice():
    found = combinations(3.0, SMALL, each=5)
    keys = [(n.arrangement, n.parts_ohm) for n in found]
    assert len(set(keys)) == len(keys)
    pairs = [tuple(sorted(n.parts_ohm)) for n in found if n.arrangement == "A + B"]
    assert len(set(pairs)) == len(pairs)


def test_power_bounds_every_part():
    for n in combinations(8.0, stock_values("E12", 0.1, 100), power_W=20.0, part_power_W=11.0, each=3):
        assert n.hottest_W <= 5.5 * (1 + 1e-9)
        assert n.hottest_W == pytest.approx(20 * max(n.power_shares))
    # four equal parts of 8.2 ohm, two by two, share 20 W as 5 W each
    assert any(
        n.parts_ohm == (8.2,) * 4 for n in combinations(8.0, (8.2,), power_W=20.0, part_power_W=11.0)
    )
    assert combinations(8.0, (8.2,), power_W=20.0, part_power_W=9.0) == ()  # 4.5 W a part is not enough


def test_tolerance_of_a_network_by_simulation():
    """Worst case equals the parts'; the likely one holds 95 % of simulated networks."""
    rng = np.random.default_rng(11)
    cases = (("A + B", (1, 1)), ("A | B | C", (3, 5, 7)), ("(A + B) | (C + D)", (1, 1, 1, 1)))
    for arrangement, parts in cases:
        n = network(arrangement, parts, 1.0, 0.05)
        draws = np.array(parts)[:, None] * (1 + rng.uniform(-0.05, 0.05, (len(parts), 200_000)))
        off = value_and_shares(arrangement, draws)[0] / n.ohm - 1
        assert np.abs(off).max() <= n.tolerance_worst * (1 + 1e-9)
        inside = np.mean(np.abs(off) <= n.tolerance_likely)
        # a sum of two uniforms by the normal approximation gives 96.3 %, of four 95.3 %; draws: ± 0.1 %
        assert 0.945 <= inside <= 0.97
    assert network("A", (1,), 1.0, 0.05).tolerance_likely == 0.05


@every_row(
    ("value", "more"),
    [(0, {}), (-1, {}), (inf, {}), (nan, {}), (1, {"have": (1, -2)}), (1, {"most_parts": 5}),
     (1, {"most_parts": 0}), (1, {"reading": -1}), (1, {"reading": nan})],
)  # fmt: skip
def test_what_cannot_be_meant(value, more):
    with pytest.raises(UsageError):
        junction.resistor(value, **more)


# --- sharing and sensing ------------------------------------------------------------------------------


@untimed
@given(st.floats(0.01, 10), st.floats(0.001, 0.2), st.floats(1e-3, 10))
def test_sharing_solves_its_equation(ohm, tolerance, amps):
    e = sharing_effect(ohm, tolerance, amps)
    i1, i2 = amps * (1 + e.imbalance), amps * (1 - e.imbalance)
    left = i1 * ohm * (1 - tolerance) + thermal_voltage(25.0) * np.log(i1)
    right = i2 * ohm * (1 + tolerance) + thermal_voltage(25.0) * np.log(i2)
    assert left == pytest.approx(right, abs=1e-12 + 1e-12 * amps * ohm)
    # never more than the resistors alone would make it, and less the smaller the drop is
    assert 0 < e.imbalance < tolerance * (1 + 1e-12)
    assert (e.trip_low_A, e.trip_high_A) == pytest.approx((amps / (1 + tolerance), amps / (1 - tolerance)))


def test_sharing_limits():
    # a drop far over kT/q: the resistors decide; far under it: the junctions do, t·V_R/(V_R + kT/q)
    assert sharing_effect(10.0, 0.05, 10.0).imbalance == pytest.approx(0.05, rel=1e-3)
    small = sharing_effect(0.1, 0.05, 0.01).imbalance
    assert small == pytest.approx(0.05 * 1e-3 / (1e-3 + thermal_voltage(25.0)), rel=1e-3)


# --- readings -----------------------------------------------------------------------------------------


@every_row(
    ("reading", "circuit", "state"),
    [
        (1000, False, "fine"), (1030, False, "fine"), (1040, False, "undecided"), (1050, False, "undecided"),
        (1080, False, "drifted"),
        (1990, False, "drifted"), (2001, False, "burnt"), (9e4, False, "burnt"), (1.1e5, False, "open"),
        (inf, False, "open"), (inf, True, "open"), (900, False, "drifted"), (90, False, "shorted"),
        (0, False, "shorted"), (900, True, "undecided"), (90, True, "undecided"), (0, True, "undecided"),
        (1000, True, "fine"), (1200, True, "drifted"), (3000, True, "burnt"),
    ],
)  # fmt: skip
def test_states_of_a_1k_resistor(reading, circuit, state):
    verdict = judge_reading(1000.0, reading, in_circuit=circuit, resolution_ohm=1.0)
    assert verdict.state == state, verdict
    assert verdict.next or state == "fine"


def test_in_circuit_only_a_high_reading_condemns():
    low = judge_reading(1000.0, 600.0, in_circuit=True)
    assert low.state == "undecided" and "lift" in low.next
    # 1000 | 1500 = 600
    assert low.parallel_ohm == pytest.approx(1500.0)
    assert isnan(judge_reading(1000.0, 1500.0, in_circuit=True).parallel_ohm)
    assert "lift" in judge_reading(1000.0, 1000.0, in_circuit=True).next


def test_a_meter_too_coarse_for_an_emitter_resistor_says_so():
    # half-width 0.2 ohm on 0.22 ohm decides nothing, neither for a good nor for a doubled one
    for reading in (0.2, 0.3, 0.4):
        verdict = judge_reading(0.22, reading)
        assert verdict.state == "undecided" and "known current" in verdict.next


def test_above_the_meters_range_nothing_is_decided():
    assert judge_reading(47e6, inf).state == "undecided"
    assert judge_reading(10e6, inf).state == "open"


def test_probability_is_that_of_jcgm_106():
    # a = 1 % of 1045 + 2 digits of 1 ohm, u = a/sqrt(3); inside 950..1050
    from scipy.stats import norm

    u = (10.45 + 2) / sqrt(3)
    verdict = judge_reading(1000.0, 1045.0, resolution_ohm=1.0)
    want = norm.cdf((1050 - 1045) / u) - norm.cdf((950 - 1045) / u)
    assert verdict.probability_in_tolerance == pytest.approx(want, rel=1e-9)


def test_every_pair_of_a_small_drawer_is_seen():
    sums = sorted({a + b for a, b in combinations_with_replacement(SMALL, 2)})
    for wanted in sums:
        best = min(combinations(wanted, SMALL, most_parts=2, each=1), key=lambda n: abs(n.error))
        assert best.error == pytest.approx(0, abs=1e-12)


def test_in_circuit_an_excess_that_the_meter_may_have_made_is_called_that():
    """Other paths can only lower it (parallel resistances), so lifting a lead explains no excess."""
    high = judge_reading(0.22, 0.4, in_circuit=True)
    assert high.state == "undecided"
    for words in ("only make it read low", "steps of 0.1 ohm", "0.2 ohm a pair", "known current"):
        assert words in high.next, words
    assert "lift" not in high.next
    # u = (1 % of 0.4 + 2 digits)/sqrt(3) = 0.118 ohm on a band of 0.022 ohm: P(|z| < 0.011/0.118) = 7.4 %
    assert "even at its nominal exactly it would say only 7%" in high.evidence
    assert "lift" in judge_reading(1000.0, 900.0, in_circuit=True, resolution_ohm=1.0).next
    fine_meter = judge_reading(1000.0, 1040.0, in_circuit=True, resolution_ohm=1.0)
    assert "only make it read low" in fine_meter.next and "leads" not in fine_meter.next
    assert "even at its nominal" not in fine_meter.evidence


def test_with_a_power_even_networks_come_first():
    stock = stock_values("E24", 0.0033, 33)
    found = combinations(0.33, stock, power_W=5.0, part_power_W=5.0, each=2)
    # of three parts that come out right, three equal ones share the heat best: a third of it each
    assert found[0].parts_ohm == (0.11, 0.11, 0.11)
    assert found[0].hottest_W == pytest.approx(5 / 3)
    for a, b in zip(found, found[1:], strict=False):
        steps = [round(abs(x.error) / 5e-3) for x in (a, b)]
        same = len(a.parts_ohm) == len(b.parts_ohm) and steps[0] == steps[1]
        assert not same or round(max(a.power_shares), 2) <= round(max(b.power_shares), 2)
    assert all(min(n.parts_ohm) >= 0.05 for n in found[:8])  # no 20 mohm beside two 0.62 ohm
