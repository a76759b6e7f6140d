"""Resistor networks: brute force over every series-parallel network, nodal analysis, simulation.

The brute force is its own generator: it makes every network of n parts by joining every network of k with
every one of n - k, and shares no code with the search.  The nodal analysis is Kirchhoff's current law.
"""

from itertools import combinations_with_replacement
from math import inf, isnan, nan, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import junction
from junction.replace.networks import combinations, network, stock_values, value_and_shares, with_faults
from tests.rows import every_row

untimed = settings(deadline=None)  # shared machines stall; nothing here measures time
SMALL = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
TARGETS = (0.21, 0.3, 0.37, 0.511, 0.77, 0.987, 1.0, 1.37, 1.618, 2.0, 2.718, 3.1416, 3.77, 4.4, 5.55, 7.07,
           9.1, 11.3, 13.37, 19.9)  # fmt: skip
ARRANGEMENTS = (
    "A", "A + B", "A | B", "A + B + C", "A | B | C", "A + (B | C)", "A | (B + C)", "A + B + C + D",
    "A | B | C | D", "(A + B) | (C + D)", "(A | B) + (C | D)", "A + B + (C | D)", "A | B | (C + D)",
    "A + (B | C | D)", "A | (B + C + D)", "A + (B | (C + D))", "A | (B + (C | D))",
)  # fmt: skip


def everything(values, most):
    """Values of all networks by count of parts: n are k joined with n - k, in series and in parallel."""
    made = [np.array([]), np.array(values, float)]
    for n in range(2, most + 1):
        new = []
        for k in range(1, n // 2 + 1):
            a, b = made[k][:, None], made[n - k][None, :]
            new += [(a + b).ravel(), (1 / (1 / a + 1 / b)).ravel()]
        made.append(np.unique(np.concatenate(new)))
    return made[1:]


def nearest(values, wanted):
    return min(np.abs(some / wanted - 1).min() for some in values)


def parts_of(arrangement):
    return sum(c.isalpha() for c in arrangement)


def nodal(arrangement, parts):
    """Resistance and power shares by Kirchhoff's current law, 1 A through a network read as Python."""

    edges, fresh = [], iter(range(2, 1000))

    def lay(text, a, b):
        depth, cuts, sign = 0, [-1], ""
        for k, c in enumerate(text):
            depth += {"(": 1, ")": -1}.get(c, 0)
            if depth == 0 and c in "+|":
                cuts.append(k)
                sign = c
        pieces = [text[i + 1 : j].strip() for i, j in zip(cuts, [*cuts[1:], len(text)], strict=True)]
        if len(pieces) == 1:
            if text.strip().startswith("("):
                lay(text.strip()[1:-1], a, b)
            else:
                edges.append((a, b))
            return
        if sign == "+":
            nodes = [a, *[next(fresh) for _ in pieces[1:]], b]
            for piece, u, v in zip(pieces, nodes, nodes[1:], strict=False):
                lay(piece, u, v)
        else:
            for piece in pieces:
                lay(piece, a, b)

    lay(arrangement, 1, 0)
    size = max(max(edge) for edge in edges) + 1
    matrix, driven = np.zeros((size, size)), np.zeros(size)
    for (a, b), r in zip(edges, parts, strict=True):
        for u, v in ((a, b), (b, a)):
            matrix[u, u] += 1 / r
            matrix[u, v] -= 1 / r
    driven[1] = 1.0
    volts = np.zeros(size)
    volts[1:] = np.linalg.solve(matrix[1:, 1:], driven[1:])
    power = np.array([(volts[a] - volts[b]) ** 2 / r for (a, b), r in zip(edges, parts, strict=True)])
    return volts[1], power / power.sum()


# --- the search against brute force ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def all_small():
    return everything(SMALL, 4)


@every_row("wanted", TARGETS)
def test_twenty_targets_up_to_four_parts(wanted, all_small):
    """Over six values, for one to four parts: the optimum is found, and said to be it."""
    for most in (1, 2, 3, 4):
        found, bounds = combinations(wanted, SMALL, most_parts=most)
        best = min(abs(n.error) for n in found)
        # the same sums in another order: a few times 2.2e-16
        assert best == pytest.approx(nearest(all_small[:most], wanted), abs=1e-12), most
        assert all(bound.complete for bound in bounds)


def test_five_parts_and_a_decade_of_e12():
    five = everything((1.0, 2.2, 3.3, 4.7, 6.8), 5)
    for wanted in (0.217, 0.8, 3.456, 12.34):
        found, bounds = combinations(wanted, (1.0, 2.2, 3.3, 4.7, 6.8), most_parts=5)
        assert min(abs(n.error) for n in found) == pytest.approx(nearest(five, wanted), abs=1e-12)
        assert bounds[-1].complete and bounds[-1].parts == 5
    twelve = everything(E12, 4)
    for wanted in (0.777, 3.21, 15.51):
        found, _ = combinations(wanted, E12, most_parts=4)
        assert min(abs(n.error) for n in found) == pytest.approx(nearest(twelve, wanted), abs=1e-12)


def test_the_gap_is_said_where_not_every_network_is_tried():
    stock = stock_values("E24", 0.05, 5e4)  # 144 values: more than five parts are tried with
    found, bounds = combinations(15.517, stock, most_parts=5)
    five = bounds[-1]
    assert five.parts == 5 and not five.complete
    assert stock[0] < five.low_ohm < 15.517 < five.high_ohm < stock[-1]
    assert all(bound.complete for bound in bounds[:-1])
    assert min(abs(n.error) for n in found) < 1e-6


@every_row(
    ("wanted", "power", "rating"), [(8.0, 20.0, 11.0), (3.3, 5.0, 3.0), (0.9, 10.0, 4.0), (5.1, 9.0, 5.0)]
)
def test_no_part_is_run_past_its_rating_and_the_nearest_of_those_is_found(wanted, power, rating):
    """Every network of up to three parts, tried one by one; what the shares are is tested below."""
    found, bounds = combinations(wanted, SMALL, power_W=power, watts=rating, most_parts=3)
    best = inf
    for arrangement in ARRANGEMENTS[:7]:
        count = parts_of(arrangement)
        for parts in np.array(np.meshgrid(*[SMALL] * count)).reshape(count, -1).T:
            value, shares = value_and_shares(arrangement, parts)
            if abs(value / wanted - 1) < best and max(shares) * power <= rating:
                best = min(best, abs(value / wanted - 1))
    assert all(n.hottest_W <= rating * (1 + 1e-9) for n in found)
    assert (min((abs(n.error) for n in found), default=inf)) == pytest.approx(best, abs=1e-12)
    assert all(bound.complete for bound in bounds)


def test_counts_are_kept_and_the_nearest_with_them_is_found():
    """One or two of each: brute force over all ways to choose parts from such a drawer."""
    counts = {1.0: 2, 2.2: 1, 3.3: 1, 4.7: 1}
    for wanted in (0.6, 1.9, 2.75, 4.0, 8.0):
        found, _ = combinations(wanted, tuple(counts), counts=counts, most_parts=4)
        best = inf
        for arrangement in ARRANGEMENTS:
            n = parts_of(arrangement)
            for parts in np.ndindex(*[4] * n):
                if parts.count(0) > 2 or any(parts.count(k) > 1 for k in (1, 2, 3)):
                    continue
                value = value_and_shares(arrangement, [tuple(counts)[k] for k in parts])[0]
                best = min(best, abs(value / wanted - 1))
        for n in found:
            assert all(n.parts_ohm.count(x) <= count for x, count in counts.items()), n
        assert min(abs(n.error) for n in found) == pytest.approx(best, abs=1e-12)


@untimed
@given(st.floats(0.01, 1e6))
def test_more_parts_are_never_further_off(wanted):
    stock = stock_values("E12", wanted / 20, wanted * 20)
    best = [min(abs(n.error) for n in combinations(wanted, stock, most_parts=k)[0]) for k in (1, 2, 3, 4)]
    assert all(b <= a + 1e-12 for a, b in zip(best, best[1:], strict=False))
    # neighbours in E12 are at most 25 % apart (12 to 15): at most half of that is off by 12.5 %
    assert best[0] <= 0.125


def test_every_pair_of_a_small_drawer_is_seen():
    for wanted in sorted({a + b for a, b in combinations_with_replacement(SMALL, 2)}):
        found, _ = combinations(wanted, SMALL, most_parts=2)
        assert min(abs(n.error) for n in found) == pytest.approx(0, abs=1e-12)


def test_no_network_twice():
    found, _ = combinations(3.0, SMALL, each=50)
    keys = [(n.arrangement, n.parts_ohm) for n in found]
    assert len(set(keys)) == len(keys)
    assert {n.arrangement for n in found} <= {*ARRANGEMENTS}
    pairs = [tuple(sorted(n.parts_ohm)) for n in found if n.arrangement == "A + B"]
    assert len(set(pairs)) == len(pairs)


# --- equal parts, one part, order -----------------------------------------------------------------------


def test_equal_parts_for_a_dummy_load():
    """8 ohm, 50 W of 10 W parts: at half their rating ten at least, within it five."""
    found, _ = combinations(8.0, stock_values("E24", 0.08, 800), power_W=50.0, watts=10.0)
    best = found[0]
    assert best.parts_ohm == (20.0,) * 10
    assert best.ohm == pytest.approx(8.0) and best.hottest_W == pytest.approx(5)
    assert best.arrangement.startswith("(A + B) | (C + D) | ")
    assert {(len(n.parts_ohm), n.parts_ohm[0]) for n in found} >= {(5, 1.6), (8, 1.0)}
    for n in found:
        assert len(set(n.parts_ohm)) == 1 and n.hottest_W <= 10 * (1 + 1e-9)
    # eight of 1 ohm, as many as there are
    drawer, _ = combinations(8.0, (1.0,), counts={1.0: 8}, power_W=50.0, watts=10.0)
    assert drawer[0].parts_ohm == (1.0,) * 8 and drawer[0].used == pytest.approx(0.625)
    seven, _ = combinations(8.0, (1.0,), counts={1.0: 7}, power_W=50.0, watts=10.0)
    assert max(len(n.parts_ohm) for n in seven) == 7
    assert combinations(8.0, (1.0,), counts={1.0: 4}, power_W=50.0, watts=10.0)[0] == ()  # 12.5 W each


def test_many_parts_are_equal_ones_and_the_best_grid_is_found():
    stock = stock_values("E12", 1e-3, 1e6)
    for wanted in (8.0, 15.51, 123.0):
        found, _ = combinations(wanted, stock, most_parts=30)
        grids = [n / m for n in range(1, 31) for m in range(1, 30 // n + 1)]
        best = np.abs(np.outer(stock, grids) / wanted - 1).min()
        least = min(abs(n.error) for n in found)
        # in steps of half a percent, a tenth of the tolerance, the nearest is there
        assert round(least / 0.005) == round(best / 0.005)
        assert all(len(set(n.parts_ohm)) == 1 and len(n.parts_ohm) <= 30 for n in found)


def test_a_single_part_that_does_comes_first():
    """Its rating is a limit, half of it is advice (rule resistor_power, common practice, no source)."""
    stock = stock_values("E24", 0.0033, 33)
    found, _ = combinations(0.33, stock, power_W=5.0, watts=5.0)
    assert found[0].parts_ohm == (0.33,) and found[0].used == 1.0 and found[0].rating_W == 10.0
    # then those at half of their rating; of three parts that come out right, three equal ones share it best
    assert found[1].parts_ohm == (0.11,) * 3 and found[1].hottest_W == pytest.approx(5 / 3)
    assert combinations(0.33, stock, power_W=5.0, watts=4.9)[0][0].parts_ohm != (0.33,)
    assert combinations(15.0, stock)[0][0].parts_ohm == (15.0,)
    for a, b in zip(found[1:], found[2:], strict=False):
        steps = [round(abs(x.error) / 5e-3) for x in (a, b)]
        kept = [x.used <= 0.5 + 1e-9 for x in (a, b)]
        if len(a.parts_ohm) == len(b.parts_ohm) and steps[0] == steps[1] and kept[0] == kept[1]:
            assert round(max(a.power_shares), 2) <= round(max(b.power_shares), 2)


def test_fewer_parts_win_where_the_tolerance_drowns_the_difference():
    stock = stock_values("E24", 0.15, 1500)
    found, _ = combinations(15.517, stock)
    assert found[0].parts_ohm == (16.0, 510.0)  # -0.02 %, in the step of half a percent
    best = min(found, key=lambda n: abs(n.error))
    assert len(best.parts_ohm) == 4 and abs(best.error) < 1e-6 and best.arrangement in ARRANGEMENTS


@every_row(
    ("wanted", "have", "more", "parts", "hinders"),
    [
        (4, "4x8", {"power": 40, "part_power": 10}, (8.0,) * 4, {"rating": (8.0,) * 2, "count": (8.0,) * 8}),
        (8, "2x4R7", {}, (4.7,) * 2, {"count": (4.7,) * 4}),  # 4.7 + 4.7 | 9.4 = 7.83 ohm
        (6, "2x8", {"power": 20, "part_power": 20}, None, {"count": (8.0,) * 4}),
        (10, "100x1", {"most_parts": 4}, (1.0,) * 4, {"parts": (1.0,) * 10}),
        (8, "3x8R2", {"power": 20, "part_power": 5}, None, {"rating": (8.2,), "count": (8.2,) * 9}),
    ],
)  # fmt: skip
def test_what_is_further_off_than_the_tolerance_is_no_answer(wanted, have, more, parts, hinders):
    """The nearest comes first then, and each limit that hinders is told with what would do without it."""
    report = junction.resistor(wanted, have=have, **more)
    assert not report.answered
    assert {x.kind: tuple(sorted(x.network.parts_ohm)) for x in report.hindrances} == hinders
    errors = [round(abs(n.error), 9) for n in report.networks]
    assert errors == sorted(errors)
    assert parts is None or report.networks[0].parts_ohm == parts
    for x in report.hindrances:
        assert abs(x.network.error) <= 0.05


def test_more_than_four_equal_parts_are_tried_where_no_fewer_answer():
    assert junction.resistor(10, have="100x1").networks[0].parts_ohm == (1.0,) * 10
    assert junction.resistor(10, have="9x1").answered is False  # 9 ohm is off by 10 %
    # five of two values come before dozens of one: 3 + 4 x 1 ohm
    assert sorted(junction.resistor(7, have="1x3,100x1").networks[0].parts_ohm) == [1.0] * 4 + [3.0]
    # the nearest of all where even a hundred do not reach
    far = junction.resistor("1M", have="1ohm")
    assert not far.answered and far.networks[0].parts_ohm == (1.0,) * 100


def test_of_two_as_near_above_the_rule_the_cooler_comes_first():
    # 100/13 = 7.69 ohm (-3.8 %), 3.85 W each of 5 W; 100/12 = 8.33 ohm (+4.2 %), 4.17 W each
    report = junction.resistor(8, power=50, have="20x100ohm", part_power=5)
    assert [n.parts_ohm for n in report.networks[:2]] == [(100.0,) * 13, (100.0,) * 12]


@every_row(
    ("wanted", "answered"), [(1e12, False), (1e-6, False), ("50M", True), ("5mohm", True), ("22M", True)]
)
def test_stock_has_ends(wanted, answered):
    report = junction.resistor(wanted)
    assert report.answered == answered
    used = [x for n in report.networks for x in n.parts_ohm]
    # from 10 mohm to 22 Mohm (common practice, no source)
    assert 0.01 * (1 - 1e-9) <= min(used) and max(used) <= 22e6 * (1 + 1e-9)


# --- one network ------------------------------------------------------------------------------------------


@every_row("arrangement", (*ARRANGEMENTS, "A + (B | (C + (D | E)))", "(A + B) | (C + (D | E))"))
def test_value_and_shares_are_those_of_kirchhoffs_laws(arrangement):
    parts = (1.0, 2.2, 3.3, 4.7, 6.8)[: parts_of(arrangement)]
    ohm, shares = value_and_shares(arrangement, parts)
    want_ohm, want_shares = nodal(arrangement, parts)
    # a solve of at most five nodes: some 1e-15
    assert ohm == pytest.approx(want_ohm, rel=1e-12) and shares == pytest.approx(want_shares, rel=1e-12)


@every_row("arrangement", ARRANGEMENTS)
def test_power_shares_are_relative_sensitivities(arrangement):
    """Cohn: dR/dR_k = (i_k/i)^2, so R_k/R · dR/dR_k is the share of the dissipation; held by differences."""
    rng = np.random.default_rng(13)
    for _ in range(10):
        parts = list(10 ** rng.uniform(-2, 4, parts_of(arrangement)))
        whole, shares = value_and_shares(arrangement, parts)
        assert sum(shares) == pytest.approx(1.0, rel=1e-9)  # Euler: the value is homogeneous of degree one
        for k, share in enumerate(shares):
            h = 1e-6
            ends = [value_and_shares(arrangement, [*parts[:k], parts[k] * f, *parts[k + 1 :]])[0]
                    for f in (1 + h, 1 - h)]  # fmt: skip
            # central difference: rounding 1e-16/h = 1e-10, truncation h^2; 1e-8 leaves room for both
            assert share == pytest.approx((ends[0] - ends[1]) / (2 * h * whole), abs=1e-8)


def test_power_shares_by_hand():
    # 2 + (3 | 6): 1 A through 2 ohm is 2 W; the pair is 2 ohm, 2 V across it: 4/3 W and 2/3 W; 4 W in all
    net = network("A + (B | C)", (2, 3, 6), 4.0, 0.05, 4.0, 2.5)
    assert net.parts_W == pytest.approx((2, 4 / 3, 2 / 3)) and net.parts_V == pytest.approx((2, 2, 2))
    assert net.rating_W == pytest.approx(4.0) and net.used == pytest.approx(0.8)
    # 6 | (1 + 2): 6 V: 6 W in the 6 ohm, 2 A through 1 and 2 ohm: 4 W and 8 W
    assert value_and_shares("A | (B + C)", (6, 1, 2))[1] == pytest.approx((6 / 18, 4 / 18, 8 / 18))


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


# --- a part fails -----------------------------------------------------------------------------------------


@every_row("arrangement", ARRANGEMENTS[1:])
def test_faults_are_those_of_kirchhoffs_laws(arrangement):
    """A part of 1e7 times its value stands for an open one, of 1e-7 for a shorted one: to 1e-6 or so."""
    parts = (1.0, 2.2, 3.3, 4.7)[: parts_of(arrangement)]
    net = with_faults(network(arrangement, parts, 1.0, 0.05, 10.0, 7.0), 10.0, 7.0)
    assert len(net.faults) == 2 * len(parts)
    for fault in net.faults:
        k = parts.index(fault.part_ohm)
        factor = 1e7 if fault.kind == "open" else 1e-7
        ohm, shares = nodal(arrangement, [*parts[:k], parts[k] * factor, *parts[k + 1 :]])
        assert fault.open == (ohm > 1e5)
        if fault.open:
            assert fault.ohm == inf and isnan(fault.hottest_at_voltage_W)
            continue
        assert fault.ohm == pytest.approx(ohm, rel=5e-6, abs=5e-6)
        left = [s for j, s in enumerate(shares) if j != k]
        volts, amps = sqrt(10 * net.ohm), sqrt(10 / net.ohm)
        if fault.ohm > 0:
            assert fault.hottest_at_voltage_W == pytest.approx(volts**2 / ohm * max(left), rel=5e-6)
            assert fault.hottest_at_current_W == pytest.approx(amps**2 * ohm * max(left), rel=5e-6)
            assert fault.used_at_current == pytest.approx(fault.hottest_at_current_W / 7)
        else:
            assert isnan(fault.hottest_at_voltage_W) and fault.hottest_at_current_W == 0


def test_one_of_eight():
    series = with_faults(network(" + ".join("ABCDEFGH"), (1.0,) * 8, 8.0, 0.05, 50.0, 10.0), 50.0, 10.0)
    opened, shorted = series.faults
    assert opened.open and shorted.ohm == 7.0
    # 20 V over seven ohm: 400/7 W in all, 8.16 W each; at 2.5 A each keeps its 6.25 W
    assert shorted.hottest_at_voltage_W == pytest.approx(400 / 49)
    assert shorted.used_at_current == pytest.approx(0.625)
    beside = with_faults(network(" | ".join("ABCDEFGH"), (64.0,) * 8, 8.0, 0.05, 50.0, 10.0), 50.0, 10.0)
    opened, shorted = beside.faults
    assert opened.ohm == pytest.approx(64 / 7) and shorted.ohm == 0.0  # 9.14 ohm; everything is bypassed
    assert opened.hottest_at_voltage_W == pytest.approx(6.25)
    assert opened.hottest_at_current_W == pytest.approx(2.5**2 * 64 / 7 / 7)  # 8.16 W


def test_without_a_power_no_heat_is_told():
    net = with_faults(network("A | B", (1.0, 1.0), 0.5, 0.05))
    assert [fault.ohm for fault in net.faults] == [1.0, 0.0]
    assert all(isnan(fault.hottest_at_voltage_W) and isnan(fault.used_at_current) for fault in net.faults)
    assert isnan(nan if not net.parts_W else net.parts_W[0])
