"""Fits through the front door: published cells and worked examples, and cards that ngspice runs again."""

from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

from tests.external.door_parts import K_OVER_Q, VT_25, sweeps, thermal
from tests.external.transistor_decks import OPTIONS, gummel, run

DATA = Path(__file__).with_name("data")


def fits_by(source):
    return pytest.mark.front_door("fit", source=source)


def fitted(result, part=0):
    """Parameters of the first sweep of a part: name -> value, low, high."""
    fit = result.to_dict()["parts"][part]["sweeps"][0]["fit"]
    return fit["model"], {k: (v["value"], v["low"], v["high"]) for k, v in fit.items()
                          if isinstance(v, dict) and "low" in v}  # fmt: skip


def holds(found, **published):
    for name, value in published.items():
        _, low, high = found[name]
        assert (-np.inf if low is None else low) <= value <= (np.inf if high is None else high), (
            name,
            found[name],
        )


def rtc():
    v, i = np.loadtxt(DATA / "cell" / "rtc_france.csv", delimiter=",", skiprows=1, unpack=True)
    return pd.DataFrame({"part": "cell", "junction": "AK", "v_V": v, "i_A": -i, "temp_C": 33.0})


RTC = "Easwarakhanthan et al., Nonlinear minimization algorithm for the solar cell, 1986, p. 1 (from memory)"


@fits_by(RTC)
def test_the_solar_cell_of_1986_is_told_by_the_command(door, tmp_path):
    """Published: IPH 0.760776 A, IS 0.323021 uA, N 1.481184, RS 36.377 mohm, RSH 53.7185 ohm."""
    file = tmp_path / "cell.csv"
    rtc().to_csv(file, index=False)
    fit = door.json("fit", file)["parts"][0]["sweeps"][0]["fit"]
    found = {
        k: (v["value"], v["low"], v["high"]) for k, v in fit.items() if isinstance(v, dict) and "low" in v
    }
    assert fit["model"] == "junction + photocurrent" and "converged" in fit["flags"]
    holds(found, IPH=0.76077553, IS=0.32302079e-6, N=1.48118359, RS=0.03637709, shunt=53.71852)
    # the error of the current solved at each voltage has its own best fit, within a percent and a half of it
    assert found["N"][0] == pytest.approx(1.48118359, rel=0.015)
    assert found["RS"][0] == pytest.approx(0.03637709, rel=0.015)


@fits_by(RTC + "; Currents of the fitted card, computed by ngspice")
def test_the_card_of_the_solar_cell_runs_through_its_points(door):
    """Root mean square error of the literature's best fit 0.775 to 0.986 mA; no card has less than 0.773."""
    card = door.fit(rtc()).to_dict()["parts"][0]["sweeps"][0]["spice"]
    v, i = rtc().v_V.to_numpy(), rtc().i_A.to_numpy()
    sources = "\n".join(f"v{k} n{k} 0 {x!r}\nx{k} n{k} 0 cell_path" for k, x in enumerate(v.tolist()))
    out = run(f"""card
vnone none 0 0
{sources}
{card}
.temp 33
{OPTIONS}
.control
set numdgt=12
set wr_singlescale
dc vnone 0 1 1
wrdata @OUT@ {" ".join(f"i(v{k})" for k in range(len(v)))}
.endc
.end
""")
    assert 0.772e-3 <= np.sqrt(np.mean((-out[0, 1:] - i) ** 2)) <= 0.8e-3


def lit(v, kelvin, cells, iph, i0, n, rs, rsh):
    """Current that flows into a lit cell, by pvlib."""
    return -pvlib.pvsystem.i_from_v(v, iph, i0, rs, rsh, n * cells * K_OVER_Q * kelvin)


@fits_by("High-precision IV curves, set 1 curve 1, and the single-diode equation, computed by pvlib")
def test_a_module_of_72_cells_is_found_to_be_one(door):
    """IL 1 A, I0 0.5 nA, RS 0.1 ohm, RSH 300 ohm, N 1.01 times 72; 0.3 mA of noise."""
    v = np.linspace(-2, 40.2, 120)
    i = lit(v, 298.15, 72, 1.0, 5e-10, 1.01, 0.1, 300.0) + 3e-4 * np.random.default_rng(21).standard_normal(
        120
    )
    # the points that are published for this curve, to twelve digits: I_sc and P_mp
    assert lit(0.0, 298.15, 72, 1.0, 5e-10, 1.01, 0.1, 300.0) == pytest.approx(-0.9996667777, abs=1e-9)
    model, found = fitted(door.fit(sweeps({"module": v}, i)))
    assert model == "junction + photocurrent"
    holds(found, IPH=1.0, N=72.72, RS=0.1, shunt=300.0)
    assert found["N"][0] == pytest.approx(72.72, rel=0.01) and found["shunt"][0] == pytest.approx(
        300, rel=0.05
    )


@fits_by("Recovery of five parameters from 300 points of a curve, computed by pvlib")
def test_five_parameters_come_back_from_an_exact_curve(door):
    """IL 8 A, I0 0.5 nA, RS 0.2 ohm, RSH 1 kohm, N kT/q 1.61864 V: each to 5e-5 of itself."""
    v = np.linspace(0, 37.9, 300)
    i = -pvlib.pvsystem.i_from_v(v, 8.0, 5e-10, 0.2, 1000.0, 1.61864)
    _, found = fitted(door.fit(sweeps({"module": v}, i)))
    for name, value in {"IPH": 8.0, "IS": 5e-10, "N": 1.61864 / VT_25, "RS": 0.2, "shunt": 1000.0}.items():
        assert found[name][0] == pytest.approx(value, rel=5e-5), name


@fits_by("R. S. Sedha, A Textbook of Applied Electronics, ex. 12.3, p. 226 (year from memory: 2008); "
         "Debashis De, Basic Electronics, 1st ed. 2010, ex. 2-37, p. 112")  # fmt: skip
@pytest.mark.parametrize(("at_15_mA", "n"), [(0.440, 1.176), (0.465, 1.470)])
def test_the_ideality_between_two_points_of_the_book(door, at_15_mA, n):
    """0.340 V at 0.5 mA; kT/q is the book's 25 mV, at 16.96 degC; points between on that exponential."""
    i = np.geomspace(0.5e-3, 15e-3, 25)
    v = 0.340 + (at_15_mA - 0.340) * np.log(i / 0.5e-3) / np.log(30)
    model, found = fitted(door.fit(sweeps({"D1": v}, i, temp_C=16.96)))
    assert found["N"][0] == pytest.approx(n, rel=1e-3)
    assert found["IS"][0] == pytest.approx(0.5e-3 * np.exp(-0.340 / (n * 0.025)), rel=0.02)


@fits_by("T. C. Banwell and A. Jayakumar, Exact analytical solution for current flow through diode with "
         "series resistance, 2000, equation 5")  # fmt: skip
def test_the_series_resistance_of_a_transistor_connected_as_a_diode(door):
    """25 fA, n 1, 249.3 ohm: 1.0848517 mA at 0.9 V where kT/q is 25.7025 mV, at 25.12 degC."""
    vt = 1.38e-23 * 298 / 1.6e-19
    i = np.geomspace(1e-7, 1.0848517e-3, 60)
    v = i * 249.3 + vt * np.log1p(i / 25e-15)
    assert v[-1] == pytest.approx(0.9, abs=1e-6)
    model, found = fitted(door.fit(sweeps({"Q1": v}, i, temp_C=vt / thermal(1.0) - 273.15)))
    assert model == "junction" and found["RS"][0] == pytest.approx(249.3, rel=1e-3)
    assert found["N"][0] == pytest.approx(1.0, abs=1e-3) and found["IS"][0] == pytest.approx(25e-15, rel=0.02)


@fits_by("A. P. Malvino, Electronic Principles, ex. 2-7, p. 52 (edition from memory: 7th, 2007)")
def test_a_surface_leak_of_2_nA_at_25_V_is_12_5_gigaohm(door):
    v = np.linspace(-35, -1, 60)
    i = v / 12.5e9 * (1 + 0.002 * np.random.default_rng(22).standard_normal(60))
    model, found = fitted(door.fit(sweeps({"D1": v}, i)))
    assert model == "resistor" and found["R"][0] == pytest.approx(12.5e9, rel=0.01)
    assert 35 / found["R"][0] == pytest.approx(2.8e-9, rel=0.01)  # the book's answer at 35 V


@fits_by("A. P. Malvino, Electronic Principles, ex. 5-7, p. 153 (edition from memory: 7th, 2007)")
def test_a_zener_of_10_V_and_8_5_ohm_has_10_17_V_at_20_mA(door):
    i = np.geomspace(1e-6, 40e-3, 50)
    v = 10.17 + 8.5 * (i - 20e-3) + VT_25 * np.log(i / 20e-3)
    noise = 3e-4 * np.random.default_rng(23).standard_normal(50)
    model, found = fitted(door.fit(sweeps({"Z1": -v + noise}, -i)))
    assert "breakdown" in model
    holds(found, RZ=8.5)
    assert found["RZ"][0] == pytest.approx(8.5, rel=0.02)


# --- transistors ----------------------------------------------------------------------------------------


@fits_by("J. B. Gupta, Fundamentals of Electronic Devices, ex. 6.12, p. 228 (year from memory: 2009)")
def test_the_output_resistance_of_the_book_is_its_early_voltage(door):
    """5.0 mA at 5 V, 5.8 mA at 10 V: 6.25 kohm, straight back to -26.25 V."""
    v, vce = np.arange(0.57, 0.66, 0.02), np.array([5.0, 10.0])
    ic = 5e-3 * np.exp((v[:, None] - 0.65) / VT_25) * (26.25 + vce) / 31.25 + 0 * vce
    assert ic[-1, -1] / ic[-1, 0] == pytest.approx(5.8 / 5.0)
    frame = pd.DataFrame({"part": "Q1", "polarity": "NPN", "temp_C": 25.0, "vce_V": np.tile(vce, v.size),
                          "vbe_V": v.repeat(vce.size), "ic_A": ic.ravel(),
                          "ib_A": (5e-5 * np.exp((v - 0.65) / VT_25)).repeat(vce.size)})  # fmt: skip
    (part,) = door.fit(frame).to_dict()["parts"]
    # SPICE counts from V_BC = 0, which is 0.57 to 0.65 V further
    assert part["transistor"]["parameters"]["VAF"]["value"] == pytest.approx(26.25 + 0.61, rel=0.01)


@fits_by("Currents of a Gummel-Poon card, computed by ngspice")
def test_a_fitted_card_draws_the_curves_it_was_fitted_to(door):
    """Curves of a card by ngspice, fitted, and the fitted card through ngspice again."""
    grid, vces = (0.5, 0.8, 0.02), [2.0, 10.0]
    true = ".model m NPN(IS=2e-13 BF=140 VAF=80 IKF=0.8 RE=0.15 RB=8 ISE=5e-13 NE=1.6 TNOM=25)"
    vbe, ic, ib = gummel(true, grid, vces)
    frame = pd.DataFrame({"part": "Q1", "polarity": "NPN", "temp_C": 25.0,
                          "vce_V": np.repeat(vces, vbe.shape[1]),
                          "vbe_V": vbe.ravel(), "ic_A": ic.ravel(), "ib_A": ib.ravel()})  # fmt: skip
    card = door.fit(frame).to_dict()["parts"][0]["transistor"]["spice"]
    again = "\n".join(line for line in card.splitlines() if not line.startswith("*")).replace(
        ".model Q1 ", ".model m "
    )
    _, ic2, ib2 = gummel(again, grid, vces)
    # the curves are exact; what a fit leaves of a parameter is under a percent of a current
    assert np.abs(np.log(ic2 / ic)).max() < 0.01 and np.abs(np.log(ib2 / ib)).max() < 0.02
