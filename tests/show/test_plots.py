"""Pictures of sweeps and transistors: what is read back from their paths is what was measured and fitted."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from junction.base.records import SweepTable
from junction.show import plots
from junction.show.canvas import COLOURS, Canvas, svg_text
from junction.show.panel import Panel, Scale, spanning
from junction.sweeps.derived import current_of, sweep_plot
from junction.sweeps.results import SweepPlot, TransistorPlot
from junction.sweeps.sweeps import fit_sweeps
from tests.rows import every_row
from tests.show.drawn import Drawn
from tests.show.samples import sweep_plot as sample

#: A picture is shown at up to 1.3 pixels a point: what lies within this is within a pixel.
PIXEL = 1 / 1.3


def table(v, i, part="D1", junction="AK"):
    n = [0, v.size]
    return SweepTable((part,), (junction,), ("",), ("a.csv",), [23.0], n, v, i, np.arange(v.size), [False])


def measured(kind: str):
    """An invented sweep of a junction, in the law of the tool, with 0.3 % of noise on the current."""
    rng = np.random.default_rng(3)
    v = np.concatenate([np.linspace(-10, -0.5, 20), np.linspace(0.02, 0.74, 37)])
    i = 1e-12 * np.expm1(v / 0.0262) + v / {"leaky": 12e3, "good": 1e9, "broken": 1e8}[kind]
    if kind == "broken":
        i -= 1e-3 * np.exp(-(v + 9.2) / 0.03)
    keep = np.abs(i) < 0.3
    v, i = v[keep], i[keep] * (1 + 3e-3 * rng.standard_normal(keep.sum()))
    return v, i + 2e-10 * rng.standard_normal(v.size)


def fitted(kind: str):
    bag = table(*measured(kind))
    fits = fit_sweeps(bag)
    return sweep_plot(bag, fits, 0), fits


def both(plot, around=None, page=True):
    picture = plots.sweep_picture("s", plot, around)
    return [Drawn(svg_text(column, page=page)) for column in picture.columns]


@every_row("kind", ["leaky", "good", "broken"])
def test_the_drawn_curve_is_the_model_at_every_measured_voltage(kind):
    plot, fits = fitted(kind)
    model = current_of(fits.theta, fits.temp_C, plot.v_V[None])[0][0]
    forward, reverse = both(plot)
    for drawn, panel, sign in ((forward, "linear", 1), (forward, "log", 1), (reverse, "reverse", -1)):
        v, i = sign * plot.v_V, sign * model
        shown = v > 0
        logarithmic, low, high, *_ = drawn.axis(panel, "y")
        shown &= (i > low) & (i < high) if logarithmic == "log" else shown
        x, y = drawn.place(panel, "x", v[shown]), drawn.place(panel, "y", i[shown])
        assert drawn.distance(f"{panel}-fit", x, y).max() < PIXEL
    # and between them: where the line is straight the law is within a pixel of it
    fine = np.linspace(plot.v_V.min(), plot.v_V.max(), 4001)
    law = current_of(fits.theta, fits.temp_C, fine[None])[0][0]
    _, low, high, *_ = forward.axis("log", "y")
    seen = (fine > 0) & (law > low) & (law < high)
    x, y = forward.place("log", "x", fine[seen]), forward.place("log", "y", law[seen])
    assert forward.distance("log-fit", x, y).max() < PIXEL


def test_points_and_bars_are_where_they_were_measured():
    plot, _ = fitted("good")
    forward, reverse = both(plot)
    ahead = plot.used & (plot.v_V > 0)
    points = forward.values("linear-points")
    order = np.argsort(plot.v_V[ahead])
    kind, low, high, a, b = forward.axis("linear", "y")
    # a tenth of a point is what is written of a place
    np.testing.assert_allclose(points[:, 0], plot.v_V[ahead][order], rtol=0, atol=1e-3)
    least = 0.06 * (high - low) / (a - b)
    np.testing.assert_allclose(points[:, 1], plot.i_A[ahead][order], rtol=0, atol=least)
    residual = reverse.values("residuals-points")
    np.testing.assert_allclose(np.sort(residual[:, 1]), np.sort(plot.residual[plot.used]), rtol=0, atol=0.05)
    np.testing.assert_allclose(residual[:, 0], np.flatnonzero(plot.used) + 1, rtol=0, atol=0.05)
    # bars are drawn where they are longer than a dot, 1.96 standard uncertainties to either side
    bars = forward.values("log-bars").reshape(-1, 2, 2)
    at = np.array([np.argmin(np.abs(plot.v_V - x)) for x in bars[:, 0, 0]])
    inside = (bars[:, :, 1] > 1.05 * forward.axis("log", "y")[1]).all(1)
    wide = np.abs(bars[:, 0, 1] - bars[:, 1, 1]) / 2
    np.testing.assert_allclose(wide[inside], 1.96 * plot.u_A[at][inside], rtol=0.05)


def test_the_band_is_the_95_percent_of_the_curve():
    plot, _ = fitted("broken")
    _, reverse = both(plot)
    _, low, high, *_ = reverse.axis("reverse", "y")
    for edge in (plot.fit_low_A, plot.fit_high_A):
        shown = (plot.v_fit_V < 0) & (-edge > low) & (-edge < high)
        x = reverse.place("reverse", "x", -plot.v_fit_V[shown])
        y = reverse.place("reverse", "y", -edge[shown])
        assert shown.sum() > 20 and reverse.distance("reverse-band", x, y).max() < PIXEL
    assert (plot.fit_low_A <= plot.i_fit_A).all() and (plot.fit_high_A >= plot.i_fit_A).all()


def test_limit_notes_title_and_units():
    plot = replace(fitted("leaky")[0], type="2N3055", limit_A=100e-6, limit_V=5.0)
    forward, reverse = both(plot, plots.Around("2026-01-02", ("N 1.02",), ("shunt 12.0 kΩ",)))
    _, low, high, a, b = reverse.axis("reverse", "y")
    limit = reverse.values("reverse-limit")
    # half a tenth of a point is what the written place can be off
    assert limit[:, 1] == pytest.approx(100e-6, abs=0.06 * abs((high - low) / (b - a)))
    words = [w for w, *_ in (*forward.words, *reverse.words)]
    assert "limit 100 µA at 5 V" in words and "N 1.02" in words and "shunt 12.0 kΩ" in words
    assert "D1 A-K" in words and "2N3055 · 23 °C · 2026-01-02" in words
    for name in ("forward voltage (V)", "reverse voltage (V)", "point, in the order measured"):
        assert name in words
    assert any(w.startswith("linear; current (") for w in words) and "100 µA" in words
    alt = plots.sweep_picture("s", plot, plots.Around(forward=("N 1.02",))).alt
    assert "N 1.02" in alt and "limit 100 µA at 5 V" in alt and "54 points" in alt


@every_row("scale, most, step", [
    (Scale(0, 0.83, "", "V"), 6, 0.2), (Scale(-0.003, 0.052, "", "A"), 8, 0.01), (Scale(-3.5, 3.5), 8, 1.0),
    (Scale(0, 61), 7, 10), (Scale(0, 61), 4, 20), (Scale(1.1e-5, 4.9e-5, "", "A"), 8, 5e-6),
])  # fmt: skip
def test_ticks_go_by_1_2_and_5(scale, most, step):
    ticks = [value for value, _ in scale.ticks(most)]
    np.testing.assert_allclose(np.diff(ticks), step, rtol=1e-9)
    assert len(ticks) <= most + 1 and scale.low <= ticks[0] and ticks[-1] <= scale.high


def test_ticks_of_decades():
    assert [w for _, w in Scale(2e-9, 3e-2, "", "A", True).ticks(8)] == [
        "10 nA", "100 nA", "1 µA", "10 µA", "100 µA", "1 mA", "10 mA"]  # fmt: skip
    assert [w for _, w in Scale(0.9, 22.0, "", "V", True).ticks(8)] == ["1 V", "2 V", "5 V", "10 V", "20 V"]
    assert len(Scale(1e-15, 1.0, "", "A", True).ticks(7)) <= 7


def test_words_keep_off_the_points():
    """Notes stand where nothing is drawn; here the whole upper left is taken."""
    v = np.linspace(0.0, 1.0, 60)
    i = 1e-3 * np.sqrt(v)
    plot = SweepPlot("x", "AK", v, i, np.ones(60, bool), v, i, np.full(60, np.nan))
    drawn, = both(plot, plots.Around(forward=("N 1.02", "RS 0.2 Ω")))
    (_, x, y), = [w for w in drawn.words if w[0] == "N 1.02"]
    at = drawn.path("linear-points")
    beside = (at[:, 0] > x - 60) & (at[:, 0] < x + 60)
    assert not (beside & (np.abs(at[:, 1] - y) < 9)).any()


def test_names_at_the_ends_of_lines_lie_apart_whatever_their_lines_do():
    for values in ([0.0, 0.01, 0.02, 0.03], [1.0, 0.99, 0.98, 0.97], [0.5, 0.5, 0.5, 0.5]):
        canvas = Canvas(200.0, 300.0)
        panel = Panel(canvas, "p", 20, 180, Scale(0, 1, "x", ""), Scale(0, 1, "y", ""), right=60)
        panel.ends("ABCD", values, ["ink"] * 4)
        at = {word: y for word, _, y in Drawn(svg_text(canvas, page=True)).words if word in "ABCD"}
        assert np.diff(np.sort([*at.values()])).min() >= 10 - 0.1  # rounded to tenths of a point
        assert 20 < min(at.values()) and max(at.values()) <= 180.1
        higher = sorted("ABCD", key=lambda name: -values["ABCD".index(name)])
        assert values[0] == values[1] or sorted(at, key=at.get) == higher


@every_row("i", [np.zeros(5), np.full(5, 1e-3), np.array([-1e-12, 0, 1e-13, 2e-12, 0])])
def test_degenerate_sweeps_are_drawn(i):
    nothing = np.empty(0)
    for v in (np.linspace(0, 1, 5), np.full(5, 0.5), np.linspace(-3, 0, 5), np.zeros(5)):
        plot = SweepPlot("x", "AK", v, i, np.ones(5, bool), nothing, nothing, np.full(5, np.nan), "none")
        for drawn in both(plot):
            assert "nan" not in drawn.text and "inf" not in drawn.text


def test_a_long_sweep_is_drawn_small_and_the_same_each_time():
    rng = np.random.default_rng(1)
    v = np.linspace(-20, 0.7, 4000)
    i = 1e-12 * np.expm1(v / 0.026) + v / 1e5 + 1e-8 * rng.standard_normal(4000)
    bag = table(v, i)
    plot = sweep_plot(bag, fit_sweeps(bag), 0)
    texts = [plots.sweep_picture("s", plot).svgs() for _ in range(2)]
    assert texts[0] == texts[1]
    assert sum(len(text) for _, text in texts[0]) < 25_000  # both columns of a fit
    for kind in ("leaky", "broken"):
        assert sum(len(text) for _, text in plots.sweep_picture("s", fitted(kind)[0]).svgs()) < 15_000


def test_a_page_follows_light_and_dark_and_a_file_is_opaque():
    page, file = (both(sample(), page=page)[0].text for page in (True, False))
    assert "prefers-color-scheme:dark" in page and 'class="a paper"' not in page
    assert "prefers-color-scheme" not in file and 'class="a paper"' in file
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "") and "<script" not in page

    def luminance(colour):
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        parts = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]

    # WCAG 2.1, 1.4.3: 4.5 to 1 for words; all that is no hair line is held to it
    for name, shades in COLOURS.items():
        for shade, paper in zip(shades, COLOURS["paper"], strict=True):
            high, low = sorted((luminance(shade), luminance(paper)), reverse=True)
            assert name in ("hair", "paper") or (high + 0.05) / (low + 0.05) >= 4.5, name


def test_files_of_every_kind(tmp_path):
    picture = plots.sweep_picture("s", sample())
    for form, start in (("svg", b"<svg"), ("png", b"\x89PNG"), ("pdf", b"%PDF")):
        picture.save(tmp_path / f"p.{form}")
        assert (tmp_path / f"p.{form}").read_bytes().startswith(start)
    whole = Drawn((tmp_path / "p.svg").read_text())
    # both columns in one file, the second to the right of the first
    assert whole.path("residuals-points")[:, 0].min() > 300 > whole.path("log-points")[:, 0].max()
    assert picture._repr_png_().startswith(b"\x89PNG")


def transistor_plot(**changes):
    ic = np.geomspace(1e-5, 3, 20)
    gain, vbe = 80 / (1 + ic), 0.4 + 0.06 * np.log10(ic / 1e-5)
    values = dict(ic_A=ic, vbe_V=vbe, hfe=gain, ic_fit_A=ic, vbe_fit_V=vbe, hfe_fit=gain, ib_A=ic / gain,
                  hfe_low=0.95 * gain, hfe_high=1.05 * gain, vbe_low_V=vbe - 2e-3,
                  vbe_high_V=vbe + 2e-3)  # fmt: skip
    return TransistorPlot(**{**values, **changes})


def test_gummel_and_gain_with_their_bands():
    plot = transistor_plot()
    gummel, gain = (Drawn(svg_text(c)) for c in plots.transistor_picture("t", "T1", plot).columns)
    at = gummel.values("gummel-ic")
    np.testing.assert_allclose(at[:, 0], plot.vbe_V, rtol=0, atol=2e-4)
    np.testing.assert_allclose(at[:, 1], plot.ic_A, rtol=0.02)  # a tenth of a point of 7 decades
    assert {"gummel-ic-band", "gummel-ib-fit", "gain-band"} <= {*gummel.paths, *gain.paths}
    band = gain.values("gain-band")
    assert band[:, 1].max() == pytest.approx(1.05 * 80, rel=0.01)
    words = [w for w, *_ in (*gummel.words, *gain.words)]
    assert {"I_C", "I_B", "V_BE (V)", "1 mA"} <= set(words) and any("h_FE" in w for w in words)


def test_an_output_family_is_drawn_with_its_early_voltage():
    v = np.linspace(0.5, 10, 8)
    lines = tuple({"vce_V": v, "ic_A": i * (1 + v / 60), "vce_fit_V": v, "ic_fit_A": i * (1 + v / 60),
                   "at": f"V_BE {at}"} for i, at in ((1e-3, "0.60 V"), (2e-3, "0.62 V")))  # fmt: skip
    picture = plots.transistor_picture("t", "T1", transistor_plot(family=lines, early="V_A 60 V"))
    family = Drawn(svg_text(picture.columns[2]))
    at = family.values("family-points1")
    np.testing.assert_allclose(at[:, 1], lines[1]["ic_A"], rtol=0.01)
    words = [w for w, *_ in family.words]
    assert any(w.startswith("V_A 60 V") for w in words) and {"V_BE 0.60 V", "V_BE 0.62 V"} <= set(words)


def test_an_output_family_that_was_swept_is_found_and_fitted():
    """An invented part of V_A 60 V, at four steps of drive; the drawn lines are its law within two pixels."""
    import pandas as pd

    import junction
    from junction.physics.transistor import currents

    card = {"IS": 1e-14, "BF": 150.0, "VAF": 60.0, "NF": 1.0, "IKF": 0.5}
    rng, rows, vce = np.random.default_rng(2), [], np.linspace(0.5, 12, 12)
    for vbe in (0.62, 0.64, 0.655, 0.665):
        ic, ib = (np.ravel(x) for x in currents(vbe, vce, card, 25.0)[:2])
        rows += [{"part": "T1", "vce_V": v, "vbe_V": vbe + 1e-4 * rng.standard_normal(), "temp_C": 25.0,
                  "ib_A": b * (1 + 2e-3 * rng.standard_normal()),
                  "ic_A": c * (1 + 2e-3 * rng.standard_normal())}
                 for v, b, c in zip(vce, ib, ic, strict=True)]  # fmt: skip
    found = junction.fit(pd.DataFrame(rows))
    family = Drawn(svg_text(found.plot("T1").columns[2]))
    assert sum(id.startswith("family-fit") for id in family.paths) == 4
    assert any(w.startswith("V_A 60") or w.startswith("V_A 59") for w, *_ in family.words)
    truth = np.ravel(currents(0.665, vce, card, 25.0)[0])
    x, y = family.place("family", "x", vce[1:]), family.place("family", "y", truth[1:])
    # the drive held is the mean of what was measured: half a percent of it is two thirds of a point
    assert family.distance("family-fit3", x, y).max() < 2 * PIXEL


def test_a_curve_without_base_voltage_has_one_column():
    bare = transistor_plot(vbe_V=np.full(20, np.nan))
    assert len(plots.transistor_picture("t", "T1", bare).columns) == 1
    assert len(plots.transistor_picture("t", "T1", transistor_plot()).columns) == 2


def test_awkward_names_are_text():
    for drawn in both(sample(part="<b>&\"$x^2$")):
        ET.fromstring(drawn.text)
    assert plots.sweep_picture("s", sample(part="<b>$x")).content("png").startswith(b"\x89PNG")


def test_scales_have_width():
    for values in ([], [1.0], [np.nan, 0.0], [5e-9, 5e-9]):
        for log in (False, True):
            scale = spanning(values, log=log)
            assert scale.high > scale.low
