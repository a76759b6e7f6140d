"""SPICE cards: ngspice reads them and draws the curve that was fitted."""

import re
import subprocess
from math import inf, nan

import numpy as np
import pytest

import junction
from junction.base.records import Bag, Interval
from junction.base.units import thermal_voltage
from junction.physics.junction import current
from junction.sweeps.results import FitReport, FitRow, TransistorRow
from junction.views import fit as view
from tests.show.samples import fit_summary
from tests.tables import curve_table, sweep_table


def ngspice(deck, tmp_path, *columns):
    """Run a deck in batch mode and return the columns that `wrdata` wrote."""
    out = tmp_path / "out.txt"
    path = tmp_path / "deck.cir"
    path.write_text(deck.replace("OUT", str(out)))
    run = subprocess.run(
        ["ngspice", "-b", str(path)], capture_output=True, text=True, check=False, timeout=60
    )
    assert out.exists(), run.stdout + run.stderr
    assert not re.search(r"(?i)unknown parameter|unrecognized|error", run.stdout + run.stderr), run.stdout
    return np.loadtxt(out)


def sweep_in_ngspice(card, device, tmp_path, v0, v1, step, temp=25):
    deck = f"""card under test
{card}
V1 a 0 DC 0
{device}
.options gmin=1e-15 reltol=1e-6 abstol=1e-16
.temp {temp}
.control
set numdgt=12
dc V1 {v0} {v1} {step}
wrdata OUT -i(V1)
.endc
.end
"""
    data = ngspice(deck, tmp_path)
    return data[:, 0], data[:, 1]


def row(of="AK", part="D1", flags=("converged",), temp_C=25.0, **values):
    units = {"IS_A": "A", "RS_ohm": "ohm", "RSH_ohm": "ohm", "ISR_A": "A", "IPH_A": "A", "BV_V": "V"}
    parameters = {k: x if isinstance(x, Interval) else Interval(x, 0.9 * x, 1.1 * x, units.get(k, ""))
                  for k, x in values.items()}  # fmt: skip
    fit = fit_summary(parameters=parameters, flags=flags, temp_C=temp_C, temp_known=True)
    return FitRow(of, "x.csv", 2, 81, 80, part=part, fit=fit)


def model_file(report):
    return view.files(report)["models.lib"]


def report(*rows, transistors=()):
    return FitReport(tuple(rows), tuple(transistors))


CASES = {
    "plain": dict(IS_A=3e-14, N=1.02, RS_ohm=0.4),
    "germanium": dict(IS_A=2e-6, N=1.1, RS_ohm=2.0),
    "shunt": dict(IS_A=1e-13, N=1.05, RS_ohm=1.5, RSH_ohm=4700.0),
    "two exponentials": dict(IS_A=1e-15, N=1.0, RS_ohm=0.8, ISR_A=2e-10, NR=1.9),
    "lit": dict(IS_A=1e-9, N=1.4, RS_ohm=0.5, RSH_ohm=800.0, IPH_A=2e-3),
    "no RS": dict(IS_A=1e-13, N=1.0, RS_ohm=Interval(nan, 0.0, 0.3, "ohm"), RSH_ohm=1e4),
}


@pytest.mark.external
@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("temp_C", [25.0, 60.0])
def test_ngspice_draws_the_fitted_curve(tmp_path, case, temp_C):
    """ngspice (its diode model, and ideal elements of a sub-circuit) against the closed solution."""
    values = CASES[case]
    text = model_file(report(row(temp_C=temp_C, **values)))
    device = "X1 a 0 D1_path" if ".subckt" in text else "D1 a 0 D1"
    v, i = sweep_in_ngspice(text, device, tmp_path, -2, 0.9, 0.01, temp_C)
    plain = {k: x for k, x in values.items() if not isinstance(x, Interval)}
    expected = current(v, temp_C=temp_C, **plain)
    # ngspice replaces the exponential in reverse beyond 3 N VT by -IS (1 + (3 N VT/(e v))^3), which differs
    # by up to IS/100 there, and keeps a gmin of 1e-15 S; its constants are CODATA 2014 or older (1e-6)
    # where the light cancels the forward current, the relative error is that of the two
    size = np.abs(expected) + plain.get("IPH_A", 0.0)
    tolerance = 2e-5 * size + 0.06 * plain["IS_A"] + 0.06 * plain.get("ISR_A", 0.0) + 2e-14
    assert np.all(np.abs(i - expected) < tolerance), np.max(np.abs(i - expected) / tolerance)


@pytest.mark.external
def test_ngspice_breakdown(tmp_path):
    values = dict(IS_A=1e-14, N=1.0, RS_ohm=5.0, BV_V=6.2, NBV=2.5)
    text = model_file(report(row("BE", "Q1", **values)))
    assert ".model Q1_BE D(" in text and "IBV=0.001" in text
    v, i = sweep_in_ngspice(text, "D1 a 0 Q1_BE", tmp_path, -6.6, 0.8, 0.02)
    expected = current(v, IBV_A=1e-3, **values)
    # ngspice moves BV so that exactly IBV flows there, -IS included: a relative IS BV/(IBV NBV VT) = 1e-9
    tolerance = 2e-4 * np.abs(expected) + 0.1e-14 + 2e-14
    assert np.all(np.abs(i - expected) < tolerance)


@pytest.mark.external
def test_a_card_from_a_fit_lies_over_the_data(tmp_path):
    """Data made by the closed solution with noise, fitted by the whole job, card run in ngspice."""
    rng = np.random.default_rng(11)
    truth = dict(IS_A=4e-13, N=1.06, RS_ohm=0.7, RSH_ohm=52e3)
    v = np.round(np.r_[np.linspace(-1.5, 0.3, 30), np.linspace(0.32, 0.8, 49)], 4)
    true = current(v, **truth)
    u = np.hypot(0.003 * true, 3e-9)
    table = sweep_table(["Q7"], ["BE"], [v], [true + u * rng.normal(size=v.size)], [25.0])
    fitted = junction.fit(Bag(sweeps=table))
    text = model_file(fitted.report)
    assert fitted.rows[0].why_not == "" and ".subckt Q7_BE_path a k" in text
    vs, i = sweep_in_ngspice(text, "X1 a 0 Q7_BE_path", tmp_path, -1.5, 0.8, 0.002)
    miss = (np.interp(v, vs, i) - table.i_A) / u
    # 79 points, 4 parameters: chi-square below its 99.9 % point (about 119, from memory of the tables)
    # plus what linear interpolation on a 2 mV grid costs, (h/VT)^2/8 = 7e-4, a quarter of u
    assert np.sum(miss**2) < 1.2 * 119


@pytest.mark.external
@pytest.mark.parametrize("polarity", ["NPN", "PNP"])
def test_ngspice_reads_a_transistor_card(tmp_path, polarity):
    """I_C and I_B of the card against the dc Gummel-Poon equations (SPICE, as in Getreu) at low current."""
    values = {"IS": 1e-14, "NF": 1.0, "BF": 120.0, "ISE": 2e-13, "NE": 1.8, "IKF": 2.0, "RE": 0.05, "RB": 0.0}
    text = model_file(report(transistors=[TransistorRow(
        "A 1", polarity, "", {}, {**values, "VAF": 80.0}, ("VAF",), 1e-6, 1.0, 25.0, True)]))  # fmt: skip
    assert f".model A_1 {polarity}(" in text and "default, the data cannot say: VAF" in text
    sign = 1 if polarity == "NPN" else -1
    deck = f"""transistor
{text}
VB b 0 DC 0
VC c 0 DC {5 * sign}
Q1 c b 0 A_1
.options gmin=1e-15 reltol=1e-6 abstol=1e-16
.temp 25
.control
set numdgt=12
dc VB {0.4 * sign} {0.6 * sign} {0.02 * sign}
wrdata OUT i(VC) i(VB)
.endc
.end
"""
    data = ngspice(deck, tmp_path)
    vbe, ic, ib = np.abs(data[:, 0]), np.abs(data[:, 1]), np.abs(data[:, 3])
    vt = thermal_voltage(25.0)
    early = 1 - (vbe - 5) / 80.0
    assert ic == pytest.approx(1e-14 * np.exp(vbe / vt) * early, rel=0.02)
    assert ib == pytest.approx(1e-14 / 120 * np.exp(vbe / vt) + 2e-13 * np.exp(vbe / 1.8 / vt), rel=0.02)


@pytest.mark.external
def test_a_transistor_card_from_a_fit_lies_over_the_data(tmp_path):
    """Curves made by ngspice from known parameters, fitted, and the card run in ngspice again."""
    known = ".model true NPN(IS=3e-14 NF=1.0 BF=150 ISE=4e-13 NE=1.7 IKF=0.8 VAF=90 RE=0.08 RB=4 RC=0.1)"
    true = gummel_in_ngspice(known, "true", tmp_path)
    rng = np.random.default_rng(4)
    points = true[(true[:, 1] > 1e-7) & (true[:, 1] < 0.5)]
    scatter = rng.normal(size=points.shape)
    vbe = points[:, 0] + 1e-4 * scatter[:, 0]
    ic, ib = (points[:, k] * (1 + 0.003 * scatter[:, k]) for k in (1, 2))
    curves = curve_table(["T"], [np.full(vbe.size, 5.0)], [vbe], [ib], [ic], [25.0], ["NPN"])
    fitted = gummel_in_ngspice(model_file(junction.fit(Bag(curves=curves)).report), "T", tmp_path)
    low, high = 1e-6, 0.4
    for k in (1, 2):
        inside = (true[:, 1] > low) & (true[:, 1] < high)
        ratio = fitted[inside, k] / true[inside, k]
        # 0.3 % and 0.1 mV (0.4 % of current) a point, dozens of points: the curve is good to about 0.3 %
        assert np.max(np.abs(ratio - 1)) < 0.01


def gummel_in_ngspice(card, name, tmp_path):
    """Columns V_BE, I_C, I_B at V_CE = 5 V."""
    deck = f"""gummel
{card}
VB b 0 DC 0
VC c 0 DC 5
Q1 c b 0 {name}
.options gmin=1e-15 reltol=1e-6 abstol=1e-16
.temp 25
.control
set numdgt=12
dc VB 0.35 0.95 0.01
wrdata OUT i(VC) i(VB)
.endc
.end
"""
    data = ngspice(deck, tmp_path)
    return np.c_[data[:, 0], np.abs(data[:, 1]), np.abs(data[:, 3])]


def test_what_is_no_junction_gets_no_card():
    assert view.cards(report(row("CE", R_ohm=40.0))) == {}
    assert view.cards(report(row(IS_A=1e-14, N=1.0, flags=("unphysical",)))) == {}


def test_limits_are_said_and_left_out():
    text = model_file(report(row(IS_A=1e-14, N=1.0, RS_ohm=Interval(nan, 0, 0.3, "ohm"),
                                       RSH_ohm=Interval(nan, 1e9, inf, "ohm"))))  # fmt: skip
    assert "* RS < 0.3 ohm: a limit, left out of the card" in text and "RS=" not in text
    assert ".subckt" not in text and text.isascii()


@pytest.mark.parametrize(("words", "name"), [
    (("A07", "BE"), "A07_BE"), (("1N4148 #3",), "X1N4148_3"), (("\x1b;evil\n.end",), "evil_end"),
    (("=",), "X"),
])  # fmt: skip
def test_names_are_spice_names(words, name):
    assert view.card_name(*words) == name


def test_names_stay_apart():
    text = model_file(report(row(part="A 1", IS_A=1e-14, N=1.0), row(part="a_1", IS_A=1e-14, N=1.0)))
    assert ".model A_1 D(" in text and ".model a_1_2 D(" in text


def test_no_line_of_a_card_can_come_from_a_name():
    text = model_file(report(row(part="x\n.include /etc/passwd", IS_A=1e-14, N=1.0)))
    assert not any(line.startswith(".include") for line in text.split("\n"))


@pytest.mark.external
def test_a_breakdown_has_its_own_resistance_in_ngspice(tmp_path):
    """12 V and 8 Ω in reverse, 1.5 Ω forward: V = BV + NBV VT ln(I/1 mA) + RZ I."""
    fit = row(IS_A=1e-13, N=1.05, RS_ohm=1.5, BV_V=12.0, NBV=2.3, RZ_ohm=8.0)
    card = view.diode_card("D1", fit)
    v, i = sweep_in_ngspice(card, "X1 a 0 D1_path", tmp_path, -12.5, -11.95, 0.05)
    drop = 2.3 * thermal_voltage(25.0) * np.log(-i / 1e-3) - 8.0 * i
    np.testing.assert_allclose(-v, 12.0 + drop, atol=1e-4)  # ngspice's own tolerance of 1e-6 and gmin
