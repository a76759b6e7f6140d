"""The pictures of sets, bags and stages hold the numbers they are named after, read back from their paths."""

import numpy as np
import pandas as pd
import pytest

import junction
from junction.base.records import Interval
from junction.base.units import percent
from junction.show import plots_sets as plots
from junction.show.canvas import svg_text
from tests.rows import every_row
from tests.show.drawn import Drawn
from tests.tables import spot_part

PAIR, SHARES = ("A1", "A2"), (0.1, 2.0)


@pytest.fixture
def curves():
    ic = np.geomspace(0.01, 5.0, 9)
    vbe = np.stack([0.6 + 0.026 * np.log(ic / 0.1), 0.603 + 0.026 * np.log(ic / 0.1)])
    hfe = np.stack([np.full(9, 100.0), np.full(9, 90.0)])
    u_vbe = np.full((2, 9), 0.001)
    return {"rows": {"A1": 0, "A2": 1}, "ic_A": ic, "vbe_V": vbe, "u_vbe_V": u_vbe, "hfe": hfe,
            "u_hfe": np.full((2, 9), 2.0), "vce_V": 6.0, "temp_C": 45.0}  # fmt: skip


def read(canvas):
    return Drawn(svg_text(canvas))


def words(drawn):
    return [w for w, *_ in drawn.words]


def test_curves_overlaid(curves):
    drawn = read(plots.curves_column(PAIR, curves, SHARES))
    x, y = drawn.place("vbe", "x", curves["ic_A"]), drawn.place("vbe", "y", curves["vbe_V"][1])
    assert drawn.distance("vbe-curve1", x, y).max() < 0.77  # a pixel, at 1.3 a point
    for name, at in (("vbe-idle", 0.1), ("vbe-peak", 2.0)):
        np.testing.assert_allclose(drawn.values(name)[:, 0], at, rtol=0.003)
    # the ends are named in the place of a legend, and no name stands on another
    assert {"A1", "A2", "collector current", "V_CE 6 V, 45 °C; V_BE (V)"} <= set(words(drawn))
    at = {w: y for w, _, y in drawn.words if w in PAIR}
    assert abs(at["A1"] - at["A2"]) >= 9


def test_difference_of_vbe_with_its_zone(curves):
    drawn = read(plots.compared_column(PAIR, curves, SHARES, ratio=False))
    np.testing.assert_allclose(drawn.values("difference-curve1")[:, 1], 3.0e-3, rtol=0.01)
    # 95 %: 1.96 times the root of two millivolt squared
    band = drawn.values("difference-band1")[:, 1]
    assert (band.min(), band.max()) == pytest.approx((3e-3 - 2.77e-3, 3e-3 + 2.77e-3), abs=5e-6)
    assert "V_BE less that of A1; 95 % zone (mV)" in words(drawn)


def test_ratio_of_hfe_with_its_zone(curves):
    drawn = read(plots.compared_column(PAIR, curves, SHARES, ratio=True))
    np.testing.assert_allclose(drawn.values("ratio-curve1")[:, 1], 0.9, rtol=1e-3)
    u = 1.959964 * np.hypot(0.02, 2 / 90)
    band = drawn.values("ratio-band1")[:, 1]
    assert (band.min(), band.max()) == pytest.approx((0.9 * np.exp(-u), 0.9 * np.exp(u)), rel=1e-3)


def test_imbalance_against_the_lines_of_the_grades():
    unknown = Interval(float("nan"), float("nan"), float("inf"))
    sets = [("set 1", [Interval(0.012, 0.0, 0.035), Interval(0.03, 0.02, 0.06)]),
            ("set 2", [Interval(0.15, 0.1, 0.9), unknown])]  # fmt: skip
    picture = plots.imbalance_picture("i", sets, ["idle", "peak"], [("A", 0.05), ("B", 0.1), ("C", 0.2)])
    drawn = read(picture.columns[0])
    for grade, at in (("A", 5.0), ("B", 10.0), ("C", 20.0)):
        np.testing.assert_allclose(drawn.values(f"imbalance-grade{grade}")[:, 0], at, rtol=0.02)
    bar, value = drawn.values("imbalance-bar0-0"), drawn.values("imbalance-value0-0")
    # the scale ends at four times the worst grade: a fifth of a percent a point
    np.testing.assert_allclose(bar[:, 0], [0.0, 3.5], rtol=0, atol=0.03)
    assert value[0, 0] == pytest.approx(1.2, abs=0.03)
    shown = words(drawn)
    assert {"A 5 %", "B 10 %", "C 20 %", "set 1", "idle", "idle →", "peak →"} <= set(shown)
    assert "set 1: idle 1.2 %, up to 3.5 %" in picture.alt


@every_row("layout, readings, axis, grade_a", [
    # layout, readings, axis, the line of grade A [%]
    ("parallel", {"A-K": [0.600, 0.604, 0.690, 0.702], "K-A": "OL"}, "imbalance of the currents (%)", 5.0),
    ("zener", {"A-K": 0.7, "K-A": [1.80, 1.85, 1.88, 1.89]}, "V_Z apart, of the mean (%)", 1.0),
])  # fmt: skip
def test_sets_of_two_leads_against_the_lines_of_their_grades(layout, readings, axis, grade_a):
    frame = pd.DataFrame({"part": list("ABCD"), **readings, "temp_C": 24})
    result = junction.match(frame, layout=layout, current="5mA")
    drawn = read(result.plot().columns[0])
    np.testing.assert_allclose(drawn.values("imbalance-gradeA")[:, 0], grade_a, rtol=0.03)
    for k, s in enumerate(result.report.sets):  # a tenth of a point of 350 on a scale of at most 80 %
        assert drawn.values(f"imbalance-value{k}-0")[0, 0] == pytest.approx(100 * s.decides.value, abs=0.1)
    assert axis in words(drawn)
    assert f"set 1: {percent(result.report.sets[0].decides.value, 1)}" in result.plot().alt


def test_a_bag_at_a_glance():
    verdicts = ["good", "good", "leaky", "shorted", "open", "open", "undecided"]
    drops = [0.65, 0.7, 0.5, 0.0003, np.nan, np.nan, 0.6]
    ohms = [np.inf, 1e15, 12e3, 0.3, np.inf, np.nan, 2e6]
    picture = plots.bag_picture("bag", [f"Q{k}" for k in range(7)], verdicts, drops, ohms)
    drawn = read(picture.columns[0])

    def middle(id):  # of the outline of one mark
        at = drawn.values(id)
        return np.sqrt(at[:, 0].min() * at[:, 0].max()), (at[:, 1].min() + at[:, 1].max()) / 2

    # half a tenth of a point of 15 decades is a tenth
    assert middle("bag-leaky") == pytest.approx((12e3, 0.5), rel=0.1)
    assert middle("bag-shorted")[0] == pytest.approx(0.3, rel=0.1)
    assert middle("bag-undecided") == pytest.approx((2e6, 0.6), rel=0.1)
    edge = drawn.values("bag-unseen")[0, 0]
    # a fit that carries on to 1e15 Ω has seen no more than over-range has
    assert (drawn.values("bag-good")[:, 0] > edge).all() and (drawn.values("bag-open")[:, 0] > edge).all()
    assert drawn.values("bag-open")[:, 1].min() > drawn.values("bag-nothing")[0, 1]
    assert {"2 good", "2 open", "1 leaky", "Q2", "Q3", "Q4", "Q5", "Q6"} <= set(words(drawn))
    assert "Q0" not in words(drawn) and "1 shorted" in picture.alt
    shapes = {len(drawn.path(f"bag-{v}")) / verdicts.count(v) for v in dict.fromkeys(verdicts)}
    assert len(shapes) >= 3  # told apart by shape, not only by colour


def test_a_sorted_bag_is_drawn_whole():
    """Readings and sweeps together: the mark stands where the junction that decides was read."""
    import junction

    bag = {f"Q{k}": [f"B-E=0.64{k}", "E-B=OL", f"B-C=0.63{k}", "C-B=OL", "C-E=OL", "E-C=OL"]
           for k in range(5)}  # fmt: skip
    bag["Q9"] = ["B-E=0.002", "E-B=0.002", "B-C=0.630", "C-B=OL", "C-E=OL", "E-C=0.63"]
    found = junction.sort(bag)
    drawn = read(found.plot("bag").columns[0])
    at = drawn.values("bag-shorted")
    assert at[:, 1].mean() == pytest.approx(0.002, abs=0.02) and at[:, 0].max() < 50
    assert drawn.values("bag-good")[:, 1] == pytest.approx([0.63 + k / 1000 for k in range(5)], abs=0.02)


def test_load_lines_against_the_safe_area():
    loci = {"resistive load": (np.array([42.0, 21.0, 6.0]), np.array([0.0, 1.0, 2.0]))}
    areas = {"X": (np.array([5.0, 50.0, 100.0]), np.array([10.0, 5.0, 0.0]))}
    drawn = read(plots.safe_area_picture("s", "alt", areas, loci).columns[0])
    # no zero on a logarithmic scale
    np.testing.assert_allclose(drawn.values("areas-load0"), [[21, 1.0], [6, 2.0]], rtol=0.01)
    np.testing.assert_allclose(drawn.values("areas-area0")[:2], [[5, 10.0], [50, 5.0]], rtol=0.01)
    named = {"V_CE", "collector current", "resistive load", "dc X", "Load lines of one device"}
    assert named <= set(words(drawn))


def test_curves_end_where_the_data_do():
    """One reading at 0.1 A says nothing of 2 A: no V_BE of several volts, no band of thousands of mV."""
    from junction.amplifier.stage import StageAsk, plan_stage
    from junction.base.records import CurveTable
    from junction.jobs.match import curves_on_grid
    from junction.transistor.transistor import fit_transistors

    rows = [spot_part(n, 0.1, v, 60.0, polarity="NPN")
            for n, v in (("A", 0.6), ("B", 0.603))]  # fmt: skip
    fits = fit_transistors(CurveTable.empty(), readings=rows)
    stage = plan_stage(StageAsk(power_W=80, load_ohm=8, supply_V=45, re_ohm=(0.22,), parallel=2))
    found = curves_on_grid(fits, ("A", "B"), stage)
    known = np.isfinite(found["vbe_V"])
    assert known.any(axis=1).all() and not known[:, found["ic_A"] > 0.31].any()
    assert np.nanmax(1.96 * found["u_vbe_V"]) <= 0.05 and np.nanmax(found["vbe_V"]) < 0.75
    for column in plots.set_picture("s", ("A", "B"), found, (0.09, 2.2)).columns:
        drawn = read(column)
        (panel,) = {p.partition("-")[0] for p in drawn.paths}
        _, low, high, *_ = drawn.axis(panel, "x")
        assert low < 0.09 and high > 2.2 and "no data" in words(drawn)
        assert np.abs(drawn.axis(panel, "y")[1:3]).max() < 1.5
        assert "nan" not in drawn.text.replace('class="a', "")


def test_shares_and_drops_of_a_stage():
    """The curves end at the shares that the set is said to have; drops stand where they were measured."""
    import pandas as pd

    import junction

    rows = {"part": ["A", "B"], "polarity": "NPN", "temp_C": 23, "ic_mA": 100, "vbe_mV": [600, 606],
            "hFE": [60, 60]}  # fmt: skip
    found = junction.stage(
        pd.DataFrame(rows), parts="A,B", measured_drops="50mV,0.1mV", parallel=2, emitter_resistor="0.22ohm",
        idle_current="400mA", peak_current="4A", vce="20V",
    )  # fmt: skip
    assert list(found.pictures) == ["drops", "shares"]
    drawn = read(found.plot("shares").columns[0])
    curve = drawn.values("share0-curve0")
    at_idle = np.interp(np.log(0.4), np.log(curve[:, 0]), curve[:, 1])
    assert at_idle == pytest.approx(100 * found.predicted_set.share_idle[0], abs=0.15)
    assert curve[-1, 1] < curve[0, 1] and curve[-1, 1] > 50  # the resistors even it out, the more the higher
    _, low, high, *_ = drawn.axis("share0", "y")
    assert (low + high) / 2 == pytest.approx(50) and {"A", "B", "idle", "peak", "current of the rail"} <= set(
        words(drawn))  # fmt: skip
    drawn = read(found.plot("drops").columns[0])
    assert drawn.values("drops-value0")[0, 0] == pytest.approx(50e-3, abs=3e-4)
    expected = found.measured_drops.drops[0].expected_V
    bar = drawn.values("drops-expected0")[:, 0]
    assert bar.min() == pytest.approx(max(expected.low, 0.0), abs=3e-4)
    said = {d.verdict for d in found.measured_drops.drops}
    assert {"drop across the emitter resistor (V)", *said} <= set(words(drawn))


def test_a_result_gives_its_pictures(tmp_path):
    import junction
    from junction.base.errors import UsageError

    bag = {f"Q{k}": [f"B-E=0.64{k}", "E-B=OL"] for k in range(6)}
    found = junction.sort(bag, plots="0,svg")
    assert list(found.pictures) == ["bag"] and found.plot().name == found.plot("ba").name == "bag"
    with pytest.raises(UsageError, match="there is no picture 'x'; there are bag"):
        found.plot("x")
    names = {p.relative_to(tmp_path).as_posix() for p in found.save(tmp_path)}
    assert "plots/bag.svg" in names and "junction that decides" in (tmp_path / "plots/bag.svg").read_text()
    with pytest.raises(UsageError, match="0, or svg, png or pdf was expected, not 'gif'"):
        junction.sort(bag, plots="3,gif")
    with pytest.raises(UsageError, match="plots: svg, png or pdf was expected, not '3'"):
        junction.match(bag, plots=3)
