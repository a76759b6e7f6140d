"""Drawings: what is drawn where, and that drawing again moves artists instead of adding them."""

import xml.etree.ElementTree as ET

import matplotlib
import numpy as np
import pytest

from junction.show import plots
from tests.show.samples import sweep_plot


def lines(axes):
    return {line.get_gid(): line.get_xydata() for line in axes.lines}


def test_linear_view_draws_the_data():
    plot = sweep_plot()
    axes = plots.draw_linear(plot, plots.new_axes())
    drawn = lines(axes)
    factor, unit = plots.current_scale(plot.i_A)
    np.testing.assert_array_equal(drawn["points"], np.c_[plot.v_V, factor * plot.i_A][plot.used])
    np.testing.assert_array_equal(drawn["left out"], np.c_[plot.v_V, factor * plot.i_A][~plot.used])
    assert axes.get_xlabel() == "voltage (V)" and axes.get_ylabel() == f"current ({unit})" and unit == "mA"


def test_log_view_draws_sizes_and_marks_reverse():
    plot = sweep_plot()
    axes = plots.draw_log(plot, plots.new_axes())
    drawn = lines(axes)
    assert axes.get_yscale() == "log"
    reverse = plot.used & (plot.i_A < 0)
    np.testing.assert_array_equal(drawn["reverse"][:, 1], -plot.i_A[reverse])
    np.testing.assert_array_equal(drawn["points"][:, 1], plot.i_A[plot.used & (plot.i_A > 0)])
    np.testing.assert_array_equal(drawn["fit"], np.c_[plot.v_fit_V, np.abs(plot.i_fit_A)])
    labels = [t.get_text() for t in axes.get_yticklabels()]
    assert "1 µA" in labels and axes.get_ylabel() == "size of current"


def test_residual_view():
    plot = sweep_plot()
    axes = plots.draw_residuals(plot, plots.new_axes())
    drawn = lines(axes)
    np.testing.assert_array_equal(drawn["residual"][:, 1], plot.residual[np.isfinite(plot.residual)])
    assert {f"level {k}" for k in (-2, 0, 2)} <= set(drawn)


def test_drawing_again_moves_the_artists():
    sheets = plots.Sheets()
    first = sheets.svgs(sweep_plot())
    other = sheets.svgs(sweep_plot(shunt_ohm=1e3))
    again = sheets.svgs(sweep_plot())
    assert first == again != other and set(first) == {"linear", "logarithmic", "residuals"}
    assert all(len(axes.lines) <= 5 for axes in sheets._axes.values())


@pytest.mark.parametrize("i", [np.zeros(5), np.full(5, 1e-3), np.array([-1e-12, 0, 1e-13, 2e-12, 0])])
def test_degenerate_sweeps_are_drawn(i):
    nothing = np.empty(0)
    v = np.linspace(0, 1, 5)
    plot = plots.SweepPlot("x", "AK", v, i, np.ones(5, bool), nothing, nothing, np.full(5, np.nan), "none")
    svgs = plots.Sheets().svgs(plot)
    assert set(svgs) == {"linear", "logarithmic"}
    for text in svgs.values():
        ET.fromstring(text)


def test_one_voltage_is_drawn():
    one = np.array([0.5])
    plot = plots.SweepPlot("x", "AK", one, one * 1e-3, np.ones(1, bool), one, one, np.zeros(1))
    assert set(plots.Sheets().svgs(plot)) == {"linear", "logarithmic", "residuals"}


def test_svg_is_the_same_each_time_and_small():
    before = dict(matplotlib.rcParams)
    texts = [plots.Sheets().svgs(sweep_plot()) for _ in range(2)]
    assert texts[0] == texts[1] and dict(matplotlib.rcParams) == before
    for text in texts[0].values():
        assert len(text) < 22_000  # three views of forty sweeps stay under 4 MB of page
        ET.fromstring(text)
        assert "http://www.w3.org/1999/xlink" in text and "<script" not in text


def test_linear_view_frames_the_knee_unless_the_reverse_branch_carries_current():
    quiet = sweep_plot()
    low, high = plots.draw_linear(quiet, plots.new_axes()).get_xlim()
    assert -0.25 < low < 0 and high > quiet.v_V.max()
    low, _ = plots.draw_linear(sweep_plot(shunt_ohm=100.0), plots.new_axes()).get_xlim()
    assert low < -1.0
