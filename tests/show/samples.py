"""Hand-made reports: every verdict, every failure state, awkward names."""

from math import inf, nan
from types import SimpleNamespace

import numpy as np

from junction.base.records import Bag, Interval, PartReadings, Reading, SetAside, SweepTable
from junction.jobs.job import Result
from junction.judge.results import Alternative, Device, JunctionVerdict, PartVerdict, SortReport
from junction.shelf.tables import Meter
from junction.sweeps.results import FitSummary, SweepPlot

METER = Meter("handheld, 1 mA", "constant current", 1e-3, 3.0, nan, 2.0, 1e-3, 1.0, 3.0)
NPN = Device("bjt", "NPN", "silicon")
CAUTIONS = (
    SimpleNamespace(
        where="meter", text="Diode mode only on a dead, discharged circuit: under 1 V left in it.",
    ),
)


def probability(**p):
    return {q: p.get(q, 0.0) for q in ("good", "leaky", "shorted", "open")}


def fit_summary(**changes):
    values = dict(
        model="junction + shunt", runner_up="junction", evidence_gap=412.7,
        parameters={
            "IS_A": Interval(1.234e-14, 1.1e-14, 1.4e-14, "A"),
            "N": Interval(1.0234, 1.0199, 1.0268),
            "RS_ohm": Interval(nan, 0.0, 0.3, "ohm"),
            "RSH_ohm": Interval(47.12e3, 46.3e3, 47.9e3, "ohm"),
        },
        derived={"V at 1 mA": Interval(0.6534, 0.6529, 0.6539, "V"),
                 "I at -5 V": Interval(-1.06e-4, -1.08e-4, -1.04e-4, "A")},
        flags=("converged", "current_limited", "uncertainty_known"), n_points=80, n_used=75,
        left_out={"current_limit": 4, "wild": 1}, chi2=70.2,
        dof=71, temp_C=25.0, temp_known=False,
    )  # fmt: skip
    return FitSummary(**{**values, **changes})


def sweep_plot(part="A07", junction="BE", shunt_ohm=47e3):
    v = np.linspace(-1.0, 0.75, 80)
    i = 1.2e-14 * np.expm1(v / 0.0263) + v / shunt_ohm
    rng = np.random.default_rng(5)
    used = np.arange(80) < 75
    residual = np.where(used, rng.normal(size=80), nan)
    measured = i * (1 + 0.01 * rng.normal(size=80))
    return SweepPlot(part, junction, v, measured, used, v, i, residual, "junction")


def six_readings(**changes):
    values = {"B-E": 0.642, "E-B": nan, "B-C": 0.633, "C-B": nan, "C-E": nan, "E-C": nan, **changes}
    return tuple(Reading(k, "volt" if v == v else "over", v) for k, v in values.items())


def leaky_part():
    be = JunctionVerdict(
        "BE", "leaky", probability(leaky=0.99, shorted=0.01), ("BE leaky",),
        ("Base to emitter leaks: 47.1 kΩ across a junction that still turns on at 0.653 V.",),
        fit_summary(), Interval(47.12e3, 46.3e3, 47.9e3, "ohm"), 0, "silicon power",
        "at most 1 mA at 5 V reverse",
    )  # fmt: skip
    return PartVerdict(
        "A07", "leaky", probability(leaky=0.99, shorted=0.01), NPN, (be,), ("BE leaky",),
        (Alternative(("BE leaky",), Device("bjt", "NPN", "germanium"), 0.2, "B-E at 0.1 mA"),
         Alternative((), Device("darlington", "NPN", "silicon"), 0.0004, "gain at 10 mA")),
        next="Lift the base lead and measure E-B again.", basis="sweeps", temp_C=25.0,
        warnings=("Temperature not given: 25 °C taken.",),
    )  # fmt: skip


def shorted_part():
    return PartVerdict(
        "=cmd|' /C calc'!A0", "shorted", probability(shorted=0.9996, leaky=0.0004), NPN,
        (JunctionVerdict("CE", "shorted", probability(shorted=0.9996, leaky=0.0004), ("CE shorted",),
                         ("C-E reads 0.002 V both ways: a short of about 2 Ω.",), sweep=None),),
        ("CE shorted",), next="Check its partner, then the emitter resistor.", basis="readings",
        neighbours=("partner on the other rail", "driver", "emitter resistor"), type="2N3055",
    )  # fmt: skip


def good_part(name="N01", sweep=None):
    return PartVerdict(
        name, "good", probability(good=0.98, leaky=0.02), NPN,
        (JunctionVerdict("BE", "good", probability(good=0.98, leaky=0.02), (),
                         ("BE reads 0.642 V one way and OL the other.",), sweep=sweep),),
        basis="readings", cannot_see="Diode mode does not see a leak above some 100 kΩ, breakdown or gain.",
        temp_C=23.0, temp_known=True,
    )  # fmt: skip


def undecided_part():
    return PartVerdict(
        "\x1b[2Jevil <b>", "undecided", probability(good=0.6, leaky=0.4), Device(), (), (),
        evidence=("E-B reads 1.94 V, close to the over-range mark of 2 V.",),
        next="Measure E-B in the 20 MΩ range.", basis="readings",
    )  # fmt: skip


def sort_report(**changes):
    values = dict(
        verdicts=(shorted_part(), leaky_part(), undecided_part(), good_part(), good_part("N02")),
        meter=METER,
        bag=sort_bag(), cautions=CAUTIONS, parts_without_temp=3, plots=1,
        draw=lambda wanted: {k: sweep_plot() for k in wanted},
    )  # fmt: skip
    return SortReport(**{**values, **changes})


def sort_bag(**changes):
    """The bag of `sort_report`: readings of three parts, a sweep of a fourth, two rows that were not used."""
    shorted = (*six_readings()[:4], Reading("C-E", "volt", 0.002), Reading("E-C", "ohm", 2.2e6))
    plot = sweep_plot()
    sweeps = SweepTable(
        ("A07",), ("BE",), ("",), ("curves/a.csv",), [nan], [0, 80], plot.v_V, plot.i_A, np.arange(2, 82),
        [False],
    )  # fmt: skip
    values = dict(
        readings=(PartReadings("N01", six_readings()), PartReadings("N02", six_readings()),
                  PartReadings("=cmd|' /C calc'!A0", shorted)),
        sweeps=sweeps, files=("bag.csv", "curves/a.csv"), rows_read=31,
        set_aside=(SetAside("bag.csv", 17, "B-E", "0,61.2", "not a number"),
                   SetAside("bag.csv", 21, "", "=2+3", "a row without a part name")),
    )  # fmt: skip
    return Bag(**{**values, **changes})


def sort_result(report):
    """What `junction.sort` would return, made at a fixed time."""
    result = Result("sort", report)
    result.made = "2026-01-02 03:04 +0000"
    return result


def failed_fit():
    """A fit with everything wrong that can be: nothing known, open ends, flags up."""
    return fit_summary(
        model="none", runner_up="", evidence_gap=nan,
        parameters={"IS_A": Interval(1e-14, nan, nan, "A"), "N": Interval(1.2, -inf, inf),
                    "RS_ohm": Interval(nan, nan, nan, "ohm")},
        derived={}, flags=("at_bound", "rank_deficient", "unphysical"), n_used=0,
        left_out={}, chi2=nan, dof=0,
    )  # fmt: skip
