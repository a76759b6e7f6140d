"""The drawings of a set and of a stage hold the numbers they are named after."""

from functools import partial

import numpy as np
import pytest

from junction.show import plots
from junction.show.plots import new_axes, svg_text
from tests.tables import spot_part


@pytest.fixture
def curves():
    ic = np.geomspace(0.01, 5.0, 9)
    vbe = np.stack([0.6 + 0.026 * np.log(ic / 0.1), 0.603 + 0.026 * np.log(ic / 0.1)])
    hfe = np.stack([np.full(9, 100.0), np.full(9, 90.0)])
    u_vbe = np.full((2, 9), 0.001)
    return {"rows": {"A1": 0, "A2": 1}, "ic_A": ic, "vbe_V": vbe, "u_vbe_V": u_vbe, "hfe": hfe,
            "u_hfe": np.full((2, 9), 2.0), "vce_V": 6.0, "temp_C": 45.0}  # fmt: skip


PAIR, SHARES = ("A1", "A2"), (0.1, 2.0)


def lines(axes):
    named = (line for line in axes.lines if not line.get_label().startswith("_"))
    return {line.get_label(): line.get_xydata() for line in named}


def test_curves_overlaid(curves):
    axes = plots.draw_curves(PAIR, curves, SHARES, new_axes())
    drawn = lines(axes)
    assert list(drawn) == ["A1", "A2"]
    np.testing.assert_array_equal(drawn["A2"], np.stack([curves["ic_A"], curves["vbe_V"][1]], axis=1))
    assert axes.get_xlabel() == "collector current (A)" and "(V)" in axes.get_ylabel()
    assert axes.get_title(loc="left") == "V_BE at V_CE 6 V, 45 °C"
    marks = [line.get_xdata()[0] for line in axes.lines if len(line.get_xdata()) == 2]
    assert marks == [0.1, 2.0]


def test_difference_of_vbe_with_its_band(curves):
    axes = plots.draw_compared(PAIR, curves, SHARES, new_axes(), ratio=False)
    np.testing.assert_allclose(lines(axes)["A2 - A1"][:, 1], 3.0, rtol=1e-9, atol=0)  # mV
    band = axes.patches[0].get_xy()[:, 1]
    # 95 %: 1.96 times the root of two millivolt squared
    assert band.min() == pytest.approx(3.0 - 1.959964 * 2**0.5)
    assert band.max() == pytest.approx(3.0 + 1.959964 * 2**0.5)


def test_ratio_of_hfe_with_its_band(curves):
    axes = plots.draw_compared(PAIR, curves, SHARES, new_axes(), ratio=True)
    np.testing.assert_allclose(lines(axes)["A2 / A1"][:, 1], 0.9, rtol=1e-12, atol=0)
    u = 1.959964 * np.hypot(0.02, 2 / 90)
    band = axes.patches[0].get_xy()[:, 1]
    assert band.min() == pytest.approx(0.9 * np.exp(-u)) and band.max() == pytest.approx(0.9 * np.exp(u))


def test_the_band_keeps_its_shade_in_the_svg(curves):
    text = svg_text(plots.draw_compared(PAIR, curves, SHARES, new_axes(), ratio=False).figure)
    assert 'id="band"' in text and "opacity: 0.14" in text


def test_load_lines_against_the_safe_area():
    loci = {"resistive load": (np.array([42.0, 21.0, 6.0]), np.array([0.0, 1.0, 2.0]))}
    areas = {"X": (np.array([5.0, 50.0, 100.0]), np.array([10.0, 5.0, 0.0]))}
    axes = plots.draw_safe_areas(areas, new_axes(), loci)
    drawn = lines(axes)
    np.testing.assert_array_equal(drawn["resistive load"][:, 1], [1.0, 2.0])  # no zero on a logarithmic scale
    np.testing.assert_array_equal(drawn["dc safe area, X"][:2, 1], [10.0, 5.0])
    assert axes.get_xscale() == axes.get_yscale() == "log"
    assert axes.get_xlabel() == "V_CE (V)" and axes.get_ylabel() == "collector current (A)"


def test_curves_end_where_the_data_do(tmp_path):
    """One reading at 0.1 A says nothing of 2 A: no V_BE of several volts, no band of thousands of mV."""
    from junction.amplifier.stage import StageAsk, plan_stage
    from junction.base.records import CurveTable
    from junction.jobs.match import curves_on_grid
    from junction.transistor.transistor import fit_transistors

    rows = [spot_part(n, 0.1, v, 60.0, polarity="NPN")
            for n, v in (("A", 0.6), ("B", 0.603))]  # fmt: skip
    fits = fit_transistors(CurveTable.empty(), readings=rows)
    stage = plan_stage(StageAsk(power_W=80, load_ohm=8, supply_V=45, re_ohm=(0.22,), parallel=2))
    drawn = curves_on_grid(fits, ("A", "B"), stage)
    known = np.isfinite(drawn["vbe_V"])
    assert known.any(axis=1).all() and not known[:, drawn["ic_A"] > 0.31].any()
    assert np.nanmax(1.96 * drawn["u_vbe_V"]) <= 0.05 and np.nanmax(drawn["vbe_V"]) < 0.75
    compared = (partial(plots.draw_compared, ratio=ratio) for ratio in (False, True))
    for draw in (plots.draw_curves, *compared):
        axes = draw(("A", "B"), drawn, (0.09, 2.2), new_axes())
        assert axes.get_xlim()[1] > 2.2 and any("no data" in t.get_text() for t in axes.texts)
        assert np.abs(axes.get_ylim()).max() < 1000
        assert "nan" not in svg_text(axes.figure)
