"""Fits as text, CSV, JSON and page, failure states included."""

import csv
import io
import json
from math import nan

import numpy as np
import pytest

from junction.base.records import Bag, Interval
from junction.jobs.job import Result
from junction.show.blocks import visible
from junction.sweeps.results import FitReport, FitRow, TransistorPlot, TransistorRow
from tests.show import samples
from tests.show.trace import Page, untraced
from tests.tables import sweep_table

MADE = "2026-01-02 03:04 +0000"


def row(part, junction="BE", k=0, why="", **changes):
    return FitRow(
        junction, "sweeps.csv", 2 + 80 * k, 81 + 80 * k, 80, part=part, type="2N3055",
        fit=samples.fit_summary(**changes), heating_K=1.25 if k else nan, why_not=why,
    )  # fmt: skip


def transistor(**changes):
    values = dict(
        part="T1", polarity="NPN", type="", parameters={
            "IS": Interval(198e-15, 138e-15, 284e-15, "A"), "BF": Interval(80.3, 73.0, 88.0, "1"),
            "VAF": Interval(nan, 60.0, np.inf, "V")},
        card={"IS": 198e-15, "BF": 80.3, "VAF": 90.0, "RB": 1.0}, held=("RB",), ic_low_A=1e-5, ic_high_A=3.0,
        temp_C=25.0, temp_known=False,
    )  # fmt: skip
    return TransistorRow(**{**values, **changes})


def transistor_plot():
    ic = np.geomspace(1e-5, 3, 20)
    curve = 80 / (1 + ic)
    vbe = 0.4 + 0.06 * np.log10(ic / 1e-5)
    return TransistorPlot(ic, vbe, curve, ic, vbe, curve, 0.95 * curve, 1.05 * curve)


def drawn():
    return {0: samples.sweep_plot()}, {"T1": transistor_plot()}


def result(report):
    made = Result("fit", report)
    made.made = MADE
    return made


def page(report):
    return result(report).contents()["fit.html"]


def csv_of(report, name):
    return result(report).contents().get(f"{name}.csv", "")


FULL = FitReport(
    (row("A07"), row("=x", "BC", 1, flags=("converged", "self_heated"), temp_known=True),
     row("Z9", "CE", 2, "one point is no sweep", model="none", parameters={}, derived={}, flags=(),
         n_used=0)),
    (transistor(), transistor(part="T2", parameters={}, card={}, held=(), why_not="2 usable points")),
    Bag(set_aside=samples.sort_bag().set_aside, files=("sweeps.csv",), rows_read=240), samples.CAUTIONS,
    noise_note="Uncertainty from the scatter of each sweep.", plots=1, draw=drawn,
)  # fmt: skip
REPORTS = {"fit_full": FULL, "fit_failed": FitReport((row("F1", **{
    k: getattr(samples.failed_fit(), k)
    for k in ("model", "parameters", "derived", "flags", "n_used", "left_out")}),))}


@pytest.mark.parametrize("name", REPORTS)
def test_every_number_on_the_page_is_in_the_json(name):
    assert untraced(page(REPORTS[name]), result(REPORTS[name]).to_json(), visible) == []


def test_text_fits_80_columns():
    text = result(FULL).text()
    assert max(map(len, text.split("\n"))) <= 80
    assert "< 0.3 Ω" in text and "one point is no sweep" in text and "2 usable points" in text


def test_many_sweeps_take_one_line_each():
    report = FitReport(tuple(row(f"P{k}", k=k) for k in range(300)))
    lines = result(report).text().split("\n")
    assert len(lines) < 220 and max(map(len, lines)) <= 80
    assert any("and 100 more sweeps" in line for line in lines)
    assert len(result(report).text(everything=True).split("\n")) > 300 * 7


def test_csv_is_in_si_units_and_limits_have_no_value():
    rows = list(csv.DictReader(io.StringIO(csv_of(FULL, "parameters"))))
    assert float(rows[0]["IS_A"]) == 1.234e-14 and float(rows[0]["IS_A_low"]) == 1.1e-14
    assert rows[0]["RS_ohm"] == "" and float(rows[0]["RS_ohm_high"]) == 0.3
    assert float(rows[0]["V at 1 mA (V)"]) == 0.6534 and rows[1]["part"] == "'=x"
    assert rows[2]["why_not"] == "one point is no sweep" and rows[2]["IS_A"] == ""
    t = list(csv.DictReader(io.StringIO(csv_of(FULL, "transistors"))))
    assert float(t[0]["IS_A"]) == 198e-15 and t[0]["held"] == "RB" and t[1]["why_not"] == "2 usable points"


def test_json():
    read = json.loads(result(FULL).to_json())
    assert [p["part"] for p in read["parts"]] == ["A07", "=x", "Z9", "T1", "T2"]
    sweep = read["parts"][0]["sweeps"][0]
    assert sweep["fit"]["shunt"]["value"] == 47120.0 and sweep["spice"].startswith("* A07 B-E")
    assert read["parts"][3]["transistor"]["parameters"]["VAF"] == {"value": None, "low": 60.0, "high": None}


def test_page_has_pictures_and_no_outside_links():
    read = Page(page(FULL))
    assert len(read.images) == 4 and all(link.startswith(("#", "data:")) for link in read.links)


def test_one_of_a_thing_is_not_many():
    text = page(REPORTS["fit_failed"])
    for wrong in ("1</data> sweeps", "1</data> transistors", "1</data> rows"):
        assert wrong not in text
    bag = Bag(
        sweeps=sweep_table(["N01"], ["BE"], [[0.6]], [[1e-3]]), files=("a.csv",), rows_read=1
    )
    one = samples.sort_report(verdicts=(samples.good_part(),), bag=bag, plots=0)
    text = samples.sort_result(one).contents()["sort.html"]
    assert "Sorted bag: 1 part<" in text and "1</data> part</span> from" in text
    assert "1</data> row</span> of" in text
