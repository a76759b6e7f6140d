"""Sweeps that fool a reading of points: offsets, coarse converters, current limits, two curves at once.

Every sweep goes through the fit as a user's does; the simulated curves are those of tests/simulate.py.
"""

from dataclasses import replace

import numpy as np
import pytest

from junction.base.records import Bag
from junction.shelf.tables import default_meter
from junction.sweeps.sweeps import fit_sweeps
from junction.verdict.parts import judge_bag
from junction.verdict.points import ask_points, passes_differ, sorted_points
from junction.verdict.sweeps import judge_sweeps
from tests.rows import every_row
from tests.simulate import solve
from tests.tables import sweep_table

SILICON = (7e-15, 1.0, 1e12, np.inf, 2.0, 25.0)  # diode_current: IS [A], N, leak [ohm], BV, NBV, temp_C
RECTIFIER = (1e-9, 1.7, 1e12, np.inf, 2.0, 25.0)
POWER = (2e-12, 1.0, 1e12, np.inf, 2.0, 25.0)


def found(v, i, junction="BE", type="", **more):
    table = sweep_table(["P"], [junction], [np.asarray(v)], [np.asarray(i)], [25.0], [type])
    table = replace(table, **more)
    return table, judge_sweeps(table, fit_sweeps(table))


def verdict(v, i, **kwargs):
    j = found(v, i, **kwargs)[1][0]
    return j.verdict, j.finding.reason, j.evidence[0]


@pytest.mark.parametrize("start, i_A", [(0.1, 20e-3), (1.0, 20e-3), (0.1, 1e-3)])
def test_one_current_at_every_voltage_is_no_open(start, i_A):
    v = np.linspace(start, 2.0, 20)
    said = verdict(v, np.full(20, i_A))
    assert said[:2] == ("undecided", "sweep_limited"), said
    assert "current limit" in said[2] and "noise" not in said[2]


def test_a_source_in_its_limit_is_not_taken_for_a_knee():
    """0 V carries nothing, 0.1 V and more the limit: a short, or germanium behind a programmed voltage."""
    v = np.linspace(0.0, 2.0, 21)
    assert verdict(v, np.where(v > 0, 20e-3, 0.0))[:2] == ("undecided", "sweep_limited")
    flicker = 20e-3 + 1e-5 * (np.arange(20) % 2)
    assert verdict(v[1:], flicker)[:2] == ("undecided", "sweep_limited")


@pytest.mark.parametrize("step, most", [(0.01, "at most 0.5"), (0.1, "at most 5 Ω")])
def test_current_that_starts_on_both_sides_of_zero_is_a_short(step, most):
    v = np.arange(-20, 21) * step
    name, _, text = verdict(v, 20e-3 * np.sign(v))
    assert name == "shorted" and most in text


@every_row("offset, digit", [(5e-6, 1e-9), (2e-5, 2.4e-5), (-3e-5, 2.4e-5)])
@every_row("low", [0.0, -4.0])
def test_an_open_through_an_offset_is_never_leaky(offset, digit, low):
    rng = np.random.default_rng(4)
    v = np.linspace(low, 1.2, 60)
    i = np.round((offset + rng.normal(0, 0.5 * digit, 60)) / digit) * digit
    assert verdict(v, i, type="2N3904")[0] == "open"


@every_row("bits, noise", [(10, 1.0), (10, 0.3), (12, 1.0), (8, 0.3)])
@every_row("parameters", [SILICON, RECTIFIER, POWER])
@every_row("low", [0.0, -5.0])
def test_rectified_noise_is_no_path(bits, noise, parameters, low):
    rng = np.random.default_rng(9)
    v = np.linspace(low, 0.8 if parameters is SILICON else 0.7, 100)
    digit = 0.05 / 2 ** (bits - 1)
    true = np.minimum(solve(v, 1.0, *parameters), 0.045)
    i = np.round((true + rng.normal(0, noise * digit, 100)) / digit) * digit
    said = verdict(v, i)
    assert said[0] in ("good", "undecided"), said


@every_row("parameters, junction", [(SILICON, "BE"), (RECTIFIER, "AK"), (POWER, "BE")])
@every_row("offset", [3e-7, 2.4e-5, -2.4e-5])
def test_an_ammeters_offset_is_no_path(parameters, junction, offset):
    rng = np.random.default_rng(2)
    v = np.linspace(0, 0.75, 61)
    i = np.minimum(solve(v, 1.0, *parameters), 0.03) * 1.01 + offset + rng.normal(0, 0.07 * abs(offset), 61)
    said = verdict(v + 0.004, i, junction=junction)
    assert said[0] in ("good", "undecided"), said


def test_zeros_in_reverse_hide_a_leak_of_a_digit():
    """A log in steps of 10 µA that reads 0 at -5 V: 1 Mohm shows no more, whatever the zeros scatter."""
    v = np.array([-5, -3.3, -1.7, 0, 0.09, 0.18, 0.27, 0.36, 0.45, 0.54, 0.63, 0.73, 0.82, 0.91, 1.0])
    i = np.round(np.minimum(solve(v, 1.1, *SILICON), 0.1), 5)
    table = sweep_table(["P"], ["BE"], [v], [i], [25.0])
    assert ask_points(table, np.array([0]), 1e-3, np.array([False])).hides_ohm[0] < 5.01 / 1e-5


@pytest.mark.parametrize("leak", [200.0, 2e3])
def test_a_true_path_under_an_offset_is_still_found(leak):
    rng = np.random.default_rng(2)
    v = np.linspace(-4, 0.75, 120)
    i = np.clip(solve(v, 1.0, 7e-15, 1.0, leak, np.inf, 2.0, 25.0), -0.02, 0.02) + 2e-5
    i = np.round((i + rng.normal(0, 1e-5, 120)) / 2.4e-5) * 2.4e-5
    assert verdict(v, i)[0] == "leaky"


def test_one_point_past_the_knee_is_no_short():
    """Eight bits, twelve points: nothing until 0.51 V, then one digit, then the knee."""
    v = np.linspace(0, 0.56, 12)
    i = np.round(solve(v, 0.1, *POWER) / 3.9e-4) * 3.9e-4
    assert verdict(v, i)[0] in ("good", "undecided")


def test_a_knee_before_a_series_resistance_is_no_resistance():
    """Eight bits, twelve points to 4 V, a germanium point contact with 34 Ω in series, 0.1 A limit."""
    v = np.linspace(0.05, 4.18, 12)
    i = np.minimum(solve(v, 34.0, 2e-6, 1.43, 1e12, np.inf, 2.0, 25.0), 0.1)
    assert verdict(v, np.round(i / 9.765625e-4) * 9.765625e-4, junction="AK")[0] in ("good", "undecided")


@pytest.mark.parametrize("points", [5, 6])
def test_a_knee_within_a_volt_is_not_measured(points):
    v = np.append(np.linspace(-5, -0.5, points - 1), 0.75)
    i = np.append(1e-9 * np.cos(np.arange(points - 1)), 14e-3)
    assert verdict(v, i)[0] == "undecided"


def test_overlapping_windows_are_counted_once():
    """A voltage known to 0.4 V lies in no window for certain, however many windows there are."""
    from junction.verdict.sweeps import in_any_window

    ends = np.array([[[-0.5, -0.4, -0.5]], [[0.5, 0.6, 0.4]]])  # three windows nearly on top of each other
    inside = np.array([[0.3829, 0.3812, 0.3469]])  # Phi(high) - Phi(low), normal table
    allowed, weight = np.ones((1, 3), bool), np.full((1, 3), 1 / 3)
    p = in_any_window(inside, ends, allowed, weight)[0]
    assert p == pytest.approx(0.4172, abs=2e-4)  # Phi(0.6) - Phi(-0.5) = 0.7257 - 0.3085, normal table
    apart = np.array([[[-0.5, 0.5, 9.0]], [[0.5, 0.6, 9.5]]])  # two that touch: their union
    each = np.array([[0.3829, 0.0343, 0.0]])
    # 1e-3: the table has four digits, and the narrow window only two of them
    assert in_any_window(each, apart, allowed, weight)[0] == pytest.approx(0.4172, abs=1e-3)


def test_two_passes_that_contradict_each_other_are_told():
    rng = np.random.default_rng(1)
    v = np.linspace(-4, 0.75, 60)
    i = [solve(v, 1.0, s, 1.0, 1e12, np.inf, 2.0, 25.0) + rng.normal(0, 1e-9, 60) for s in (7e-15, 1.4e-13)]
    assert verdict(np.tile(v, 2), np.concatenate(i))[:2] == ("undecided", "sweep_passes_differ")
    again = i[0] * (1 + rng.normal(0, 0.01, 60))
    assert verdict(np.tile(v, 2), np.concatenate([i[0], again]))[0] == "good"
    shifted = np.concatenate([v, v + 0.5 * (v[1] - v[0])])  # passes on two grids, nothing to subtract
    assert verdict(shifted, np.concatenate([i[0], solve(shifted[60:], 1.0, 1.4e-13, *SILICON[1:])]))[1] == (
        "sweep_passes_differ")  # fmt: skip


def test_a_noisy_resistance_is_not_two_passes():
    rng = np.random.default_rng(1)
    v = np.linspace(0, 1, 200)
    table = sweep_table(["P"], ["BE"], [v], [v / 50 + rng.normal(0, 2e-3, 200)], [25.0])
    assert not passes_differ(*sorted_points(table, np.array([0])))[0]


def test_two_diodes_back_to_back_are_no_leak():
    v = np.linspace(-0.75, 0.75, 60)
    i = solve(np.abs(v), 1.0, 2.5e-9, 1.75, 1e12, np.inf, 2.0, 25.0) * np.sign(v)
    rng = np.random.default_rng(1)
    said = verdict(v, i * (1 + rng.normal(0, 2e-3, 60)) + rng.normal(0, 5e-10, 60), junction="AK")
    assert said[:2] == ("undecided", "sweep_both_ways"), said


def test_a_resistance_below_nothing_is_no_short():
    v = np.linspace(-1, 1, 30)
    assert verdict(v, -v)[:2] == ("undecided", "sweep_falls")


def test_a_temperature_that_runs_away_is_no_temperature():
    v = np.linspace(0, 0.75, 40)
    said = verdict(v, solve(v, 1.0, *SILICON), temp_span_K=np.array([200.0]))
    assert said[:2] == ("undecided", "sweep_drifted"), said
    assert verdict(v, solve(v, 1.0, *SILICON), temp_span_K=np.array([4.0]))[0] == "good"


def test_a_zener_of_eight_points_is_no_leak():
    v = np.array([0.55, 0.65, 0.7, 0.75, -11.0, -11.6, -12.0, -12.2])
    forward = 1e-14 * np.expm1(v[:4] / (1.1 * 0.02569))
    reverse = -np.array([1e-6, 1e-4, 2e-3, 1e-2])
    assert verdict(v, np.concatenate([forward, reverse]), junction="AK")[0] in ("good", "undecided")


def test_a_marking_of_another_kind_of_part_is_told():
    v = np.linspace(-5, 0.75, 90)
    table = found(v, solve(v, 1.0, *SILICON), type="1N4148")[0]
    part = judge_bag(Bag(sweeps=table), fit_sweeps(table), default_meter())[0]
    assert any("1N4148 is a diode, but B-E was swept" in w for w in part.warnings)
    assert not any("not on the shelf" in w for w in part.warnings)


@pytest.mark.parametrize("leak", [3e5, 1e5])
def test_what_rounding_hides_is_not_excluded(leak):
    """50 mV steps read to 0.01 mA: no shunt of 0.3 MΩ makes a single digit below the knee."""
    v = np.arange(0, 0.76, 0.05)
    i = np.round(solve(v, 1.0, 7e-15, 1.0, leak, np.inf, 2.0, 25.0) / 1e-5) * 1e-5
    j = found(v, i)[1][0]
    assert j.finding.numbers["floor"] < leak and j.verdict != "good"


def test_slopes_carry_their_uncertainty():
    """A 10 kΩ path under 20 uA of offset: the slope and its uncertainty against the known truth."""
    rng = np.random.default_rng(6)
    v = np.linspace(-5, 0.04, 80)
    i = [v / 1e4 + 2e-5 + rng.normal(0, 1e-6, 80) for _ in range(400)]
    n = len(i)
    table = sweep_table(["P"] * n, ["BE"] * n, [v] * n, i, [25.0] * n)
    seen = ask_points(table, np.arange(n), 1e-3, np.zeros(n, bool))
    pull = (seen.path_S - 1e-4) / seen.path_u_S
    # medians smoothed over three points: between half and the whole of the stated spread
    assert 0.4 < pull.std() < 1.2 and abs(pull.mean()) < 0.2


def test_a_voltage_beyond_all_numbers_gives_no_warning():
    v = np.linspace(-1e300, 1e300, 20)
    assert verdict(v, np.full(20, 1e-290))[0] in ("open", "undecided")
