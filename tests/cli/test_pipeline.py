"""Wiring between records and reports: what goes in comes out, in range, in order, with its source."""

from math import isnan, nan

import numpy as np
import pytest

import junction
from junction.base.records import Bag, PartReadings, Reading, SweepTable
from junction.jobs.job import bag_of
from junction.jobs.sort import sort
from junction.judge.results import WORST_FIRST
from junction.paper.bag import in_order_of_detail
from junction.paper.part import sweep_sources
from junction.physics.junction import current, voltage
from junction.sweeps.derived import MOST_POINTS, derived_values, sweep_plot
from junction.sweeps.sense import Noise
from junction.sweeps.sweeps import fit_sweeps
from junction.views.sort import document, page
from tests.tables import curve_table, sweep_table

TRUTH = [dict(IS_A=1e-14, N=1.02, RS_ohm=0.5), dict(IS_A=2e-13, N=1.05, RS_ohm=1.0, RSH_ohm=20e3),
         dict(IS_A=1e-9, N=1.8, RS_ohm=0.1)]  # fmt: skip
TOP_V = (0.72, 0.65, 0.7)


def table(points=70, temp_C=25.0):
    rng = np.random.default_rng(8)
    v = [np.r_[np.linspace(-6, 0.1, 20), np.linspace(0.15, top, points - 20)] for top in TOP_V]
    i = [current(x, **t) * (1 + 0.002 * rng.normal(size=x.size)) + 2e-10 * rng.normal(size=x.size)
         for x, t in zip(v, TRUTH, strict=True)]  # fmt: skip
    return sweep_table(["a", "a", "b"], ["BE", "BC", "AK"], v, i, [temp_C] * 3)


@pytest.fixture(scope="module")
def fitted():
    t = table()
    return t, fit_sweeps(t)


def test_derived_values_hold_the_closed_solution(fitted):
    """Against the closed (Lambert W) solution at the true parameters (Banwell and Jayakumar 2000)."""
    t, fits = fitted
    derived = derived_values(t, fits)
    checked = 0
    for truth, values in zip(TRUTH, derived, strict=True):
        for name, amps in (("V at 10 µA", 1e-5), ("V at 100 µA", 1e-4), ("V at 1 mA", 1e-3)):
            it = values[name]
            true = float(voltage(np.array([amps]), **truth)[0])
            # a 95 % interval may miss: three half-widths are past 1e-8
            assert abs(it.value - true) < 3 * (it.high - it.value) and it.low < it.value < it.high
            checked += 1
        it = values["I at -5 V"]
        true = float(current(np.array([-5.0]), **truth)[0])
        assert abs(it.value - true) < 3 * (it.high - it.value)
    assert checked == 9


def test_nothing_is_derived_outside_the_range_swept(fitted):
    t, fits = fitted
    for k, values in enumerate(derived_values(t, fits)):
        assert "I at -10 V" not in values and "I at -2 V" not in values, "only the deepest round voltage"
        top = t.i_A[t.points(k)].max()
        for amps, name in ((1e-2, "V at 10 mA"), (0.1, "V at 100 mA"), (1.0, "V at 1 A")):
            assert (name in values) == (amps <= top)


def test_a_resistor_has_no_junction_voltage():
    v = np.linspace(-1, 1, 41)
    t = sweep_table(["r"], ["CE"], [v], [v / 30.0 + 1e-6 * np.sin(40 * v)])
    (values,) = derived_values(t, fit_sweeps(t))
    assert not any(name.startswith("V at") for name in values)
    assert derived_values(SweepTable.empty(), None) == []


def test_plots_carry_the_points_and_the_curve(fitted):
    t, fits = fitted
    plot = sweep_plot(t, fits, 2)
    np.testing.assert_array_equal(plot.v_V, t.v_V[t.points(2)])
    np.testing.assert_array_equal(plot.i_A, t.i_A[t.points(2)])
    assert plot.v_fit_V[0] == plot.v_V.min() and plot.v_fit_V[-1] == plot.v_V.max()
    rising = plot.v_fit_V > 0.3
    true = current(plot.v_fit_V[rising], **TRUTH[2])
    np.testing.assert_allclose(plot.i_fit_A[rising], true, rtol=0.01, atol=0)
    spread = np.nanstd(plot.residual)
    assert 0.5 < spread < 2.0, "residuals are in standard uncertainties"


def test_stated_noise_sets_the_size_of_the_residuals():
    t = table()
    noise = Noise.from_accuracy(v_percent=0.0, v_floor_V=1e-4, i_percent=2.0, i_floor_A=1e-9)
    coarse = sweep_plot(t, fit_sweeps(t, noise), 0, noise)
    assert np.nanstd(coarse.residual) < 0.5, "0.2 % of scatter under 2 % of stated error"


def test_long_sweeps_are_thinned_for_drawing():
    t = table(points=5000)
    plot = sweep_plot(t, fit_sweeps(t), 0)
    assert MOST_POINTS / 2 < plot.v_V.size <= MOST_POINTS
    assert plot.v_V.size == plot.i_A.size == plot.used.size == plot.residual.size


def test_sources_name_lines():
    sources = sweep_sources(table())
    assert list(sources["a"]) == [0, 1] and list(sources["b"]) == [2]
    found = sources["b"][2]
    assert (found["first_line"], found["last_line"], found["points"]) == (140, 209, 70)
    assert sweep_sources(SweepTable.empty()) == {}


def bag():
    readings = [PartReadings("n1", (Reading("A-K", "over"), Reading("K-A", "over"))),
                PartReadings("n2", (Reading("A-K", "volt", 0.6), Reading("K-A", "over")), temp_C=21.0),
                PartReadings("n3", (Reading("A-K", "volt", 0.0), Reading("K-A", "volt", 0.0)))]  # fmt: skip
    curves = curve_table(["c1"], [[5.0]], [[0.6]], [[1e-5]], [[1e-3]])
    return Bag(tuple(readings), table(temp_C=nan), curves, rows_read=217)


def test_sort_is_worst_first_and_counts():
    report = sort(bag(), plots=1).report
    ranks = [WORST_FIRST.index(v.verdict) for v in report.verdicts]
    assert ranks == sorted(ranks)
    assert {v.part for v in report.verdicts} == {"a", "b", "c1", "n1", "n2", "n3"}
    assert sum(report.counts().values()) == 6 and list(report.counts()) == sorted(
        report.counts(), key=WORST_FIRST.index)  # fmt: skip
    assert report.parts_without_temp == 5
    said = document(report)
    assert said["parts_with_sweeps"] == 2 and said["parts_plotted"] == 1 and report.cautions
    ranked = [report.verdicts[k].part for k in in_order_of_detail(report.verdicts)]
    first = next(part for part in ranked if part in ("a", "b"))
    whole, *sweeps = shown(page(report)[1])
    assert "junction that decides" in whole and {alt.split()[0] for alt in sweeps} == {first, "Leads"}


def shown(blocks):
    """Alternative texts of every picture among blocks."""
    for block in blocks:
        kind = getattr(block, "kind", "")
        if kind == "pictures":
            yield from (picture.alt for picture in block.body)
        elif kind in ("section", "beside"):
            yield from shown(block.body)


def test_a_stated_temperature_fills_gaps_only():
    filled = bag_of(bag(), 30.0)
    assert [r.temp_C for r in filled.readings] == [30.0, 21.0, 30.0]
    assert (filled.sweeps.temp_C == 30.0).all() and filled.curves.temp_C[0] == 30.0
    same = bag()
    assert bag_of(same, None) is same and isnan(same.readings[0].temp_C)


def test_fit_rows_follow_the_table():
    report = junction.fit(bag(), plots=2)
    assert [(r.part, r.junction) for r in report.rows] == [("a", "BE"), ("a", "BC"), ("b", "AK")]
    assert set(report.draw()[0]) == {0, 1} and not any(r.fit.temp_known for r in report.rows)
    assert [t.part for t in report.transistors] == ["c1"] and report.transistors[0].why_not


def test_sort_gives_no_value_at_a_voltage_far_beyond_the_sweep():
    """3 ohm swept to 0.1 V either way: nothing was near the 1.67 A that a line through it has at 5 V."""
    rng = np.random.default_rng(1)
    short, leak = np.linspace(-0.1, 0.1, 41), np.linspace(-6.0, 0.68, 80)
    volts = [short, leak]
    amps = [short / 3 * (1 + 1e-3 * rng.normal(size=41)),
            current(leak, IS_A=1e-14, N=1.02, RSH_ohm=20e3) * (1 + 2e-3 * rng.normal(size=80))]  # fmt: skip
    swept = sweep_table(["s", "k"], ["BE", "BE"], volts, amps, [25.0, 25.0])
    report = sort(Bag(sweeps=swept)).report
    derived = {v.part: v.junctions[0].fit.derived for v in report.verdicts}
    assert derived["s"] == {}
    # the sweep to -6 V does hold the value at -5 V: 5 V / 20 kohm
    at_5V = derived["k"]["I at -5 V, 25 °C"]
    assert abs(at_5V.value) == pytest.approx(2.5e-4, rel=0.01)  # scatter 0.2 % over 80 points, and 1 % room
