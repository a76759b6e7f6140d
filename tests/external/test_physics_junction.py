"""The junction law against 50-digit arithmetic, pvlib, and published worked examples.

Each textbook uses its own kT/q; `at_vt` turns that into the temperature that has it.
"""

import itertools

import mpmath as mp
import numpy as np
import pytest

from junction.base.units import (
    BOLTZMANN_J_PER_K,
    ELEMENTARY_CHARGE_C,
    K_OVER_Q_V_PER_K,
    ZERO_CELSIUS_K,
    thermal_voltage,
)
from junction.physics.junction import current, voltage
from junction.sweeps.derived import voltage_of
from tests.rows import every_row

pytestmark = pytest.mark.external


def at_vt(vt_V):
    """Temperature [degC] at which kT/q is the given thermal voltage."""
    return vt_V / K_OVER_Q_V_PER_K - ZERO_CELSIUS_K


def mp_vt(temp_C=25.0):
    return mp.mpf(BOLTZMANN_J_PER_K) * (mp.mpf(temp_C) + mp.mpf(ZERO_CELSIUS_K)) / mp.mpf(ELEMENTARY_CHARGE_C)


def mp_current(v, IS, N, RS):
    """Lambert W form of mpmath at 50 digits, no shunt."""
    a, v, IS, RS = mp.mpf(N) * mp_vt(), mp.mpf(v), mp.mpf(IS), mp.mpf(RS)
    if RS == 0:
        return IS * mp.expm1(v / a)
    return a / RS * mp.lambertw(IS * RS / a * mp.exp((v + IS * RS) / a)).real - IS


GRID = list(itertools.product(
    (1e-18, 1e-15, 1e-12, 1e-9, 1e-5), (0.9, 1.0, 1.3, 2.0, 2.5), (0.0, 1e-3, 0.1, 1.0, 100.0),
    (-200.0, -50.0, -1.0, -0.1, -1e-3, -1e-9, 1e-12, 1e-4, 0.05, 0.2, 0.4, 0.6, 0.8, 1.0, 2.0, 5.0),
))  # fmt: skip


def test_current_against_mpmath_over_the_design_range():
    with mp.workdps(50):
        truth = np.array([float(mp_current(v, IS, N, RS)) for IS, N, RS, v in GRID])
    IS, N, RS, v = np.array(GRID).T
    # 1e-12: an exponent of 216 (5 V at N 0.9) multiplies the rounding of v/(N VT) to 5e-14.
    np.testing.assert_allclose(current(v, IS, N, RS), truth, rtol=1e-12, atol=0)


def test_voltage_against_mpmath_over_the_design_range():
    with mp.workdps(50):
        rows = [(IS, N, RS, v) for IS, N, RS, v in GRID if v > -0.05]
        # The current to invert must carry more digits than a double for v to be defined: take the
        # double current and ask mpmath for its exact voltage.
        i = np.array([float(mp_current(v, IS, N, RS)) for IS, N, RS, v in rows])
        truth = np.array([
            float(mp.mpf(N) * mp_vt() * mp.log1p(mp.mpf(x) / mp.mpf(IS)) + mp.mpf(x) * mp.mpf(RS))
            for (IS, N, RS, _), x in zip(rows, i, strict=True)
        ])  # fmt: skip
    IS, N, RS, _ = np.array(rows).T
    np.testing.assert_allclose(voltage(i, IS, N, RS), truth, rtol=1e-12, atol=0)


def full_law(x, p):
    """The law at junction voltage x in mpmath."""
    VT = mp_vt(p["temp_C"])
    i = mp.mpf(p["IS_A"]) * mp.expm1(x / (p["N"] * VT)) + mp.mpf(p["ISR_A"]) * mp.expm1(x / (p["NR"] * VT))
    i += x / mp.mpf(p["RSH_ohm"]) - mp.mpf(p["IPH_A"])
    return i - mp.mpf(p["IBV_A"]) * mp.exp(-(x + mp.mpf(p["BV_V"])) / (p["NBV"] * VT))


def full_laws(n, seed):
    rng = np.random.default_rng(seed)
    log = lambda low, high: 10 ** rng.uniform(low, high, n)  # noqa: E731
    law = {
        "IS_A": log(-18, -5), "N": rng.uniform(0.9, 1.5, n), "RS_ohm": log(-3, 2), "RSH_ohm": log(2, 9),
        "IPH_A": np.where(rng.random(n) < 0.5, 0.0, log(-9, -1)), "ISR_A": log(-13, -6),
        "NR": rng.uniform(1.6, 2.5, n), "BV_V": log(0.4, 2.2), "IBV_A": log(-5, -2), "NBV": log(0, 1.2),
        "temp_C": rng.uniform(-20, 120, n),
    }  # fmt: skip
    v = np.where(rng.random(n) < 0.5, -law["BV_V"] * rng.uniform(0, 1.05, n), rng.uniform(0.05, 3, n))
    return v, law


def mp_full_current(v, p, start):
    """Root at 50 digits of the whole law in the junction voltage."""
    v, RS = mp.mpf(v), mp.mpf(p["RS_ohm"])
    x = mp.findroot(lambda x: x + RS * full_law(x, p) - v, v - RS * mp.mpf(start), tol=1e-70)
    return full_law(x, p)


def test_every_term_together_against_mpmath():
    v, law = full_laws(150, 7)
    i = current(v, **law)
    back = voltage(i, **law)
    with mp.workdps(50):
        for k in range(v.size):
            p = {name: float(x[k]) for name, x in law.items()}
            truth = mp_full_current(v[k], p, i[k])
            # Relative to the larger of current and photocurrent, which cancel near the open-circuit point.
            assert abs(mp.mpf(i[k]) - truth) < 1e-10 * (abs(truth) + p["IPH_A"]), p
    np.testing.assert_allclose(back, v, rtol=1e-9)  # the rounding of i, times 1/(g v), in reverse saturation


def coordinates(IS_A, N, RS_ohm=0.0, RSH_ohm=np.inf, IPH_A=0.0, ISR_A=None, NR=2.0, BV_V=None, IBV_A=1e-3,
                NBV=1.0, temp_C=25.0):  # fmt: skip
    """The law in the coordinates of the fit, as ln IS and 1/N, one row a part; nan for terms left out."""
    vt = thermal_voltage(temp_C)
    second = (np.nan, np.nan) if ISR_A is None else (np.log(ISR_A), 1 / NR)
    back = (np.nan, np.nan) if BV_V is None else (np.log(IBV_A) - BV_V / (NBV * vt), 1 / NBV)
    # breakdown here has no resistance of its own: its last coordinate is absent
    row = (np.log(IS_A), 1 / N, RS_ohm, 1 / RSH_ohm, *second, -IPH_A, *back, np.nan)
    return np.stack(np.broadcast_arrays(*np.atleast_1d(*row)), axis=-1)


def slope_of(i, law):
    """dv/di at currents, one a part [ohm]."""
    theta = coordinates(**law)
    temp = np.broadcast_to(law.get("temp_C", 25.0), len(theta))
    return voltage_of(theta, temp, np.broadcast_to(i, len(theta))[:, None])[2][:, 0]


def mp_law(theta, temp_C):
    """Parameters by name of coordinates in mpmath."""
    ln_is, b, RS, g, ln_isr, br, i0, ab, bb = theta
    return {"IS_A": mp.exp(ln_is), "N": 1 / b, "RS_ohm": RS, "RSH_ohm": 1 / g, "ISR_A": mp.exp(ln_isr),
            "NR": 1 / br, "IPH_A": -i0, "IBV_A": mp.mpf(1), "BV_V": -ab * mp_vt(temp_C) / bb, "NBV": 1 / bb,
            "temp_C": temp_C}  # fmt: skip


def test_derivatives_against_mpmath_differences():
    """Central differences with a step of 1e-20 at 60 digits hold 30 digits: no tolerance is lost to them."""
    v, law = full_laws(12, 8)
    i = current(v, **law)
    theta = coordinates(**law)
    _, dv, slope = voltage_of(theta, law["temp_C"], i[:, None])
    with mp.workdps(60):
        for k in range(v.size):
            row, u = [mp.mpf(float(x)) for x in theta[k, :-1]], mp.mpf(float(v[k]))

            def change(moved, of_v, k=k, row=row, u=u):
                """di over a step of one coordinate, or of the voltage."""
                h = mp.mpf(10) ** -20 * (abs(1 if of_v else row[moved]) or mp.mpf(10) ** -12)
                ends = []
                for sign in (1, -1):
                    at = [x + sign * h * (j == moved) for j, x in enumerate(row)]
                    p = mp_law(at, float(law["temp_C"][k]))
                    ends.append(mp_full_current(u + sign * h * of_v, p, i[k]))
                return (ends[0] - ends[1]) / (2 * h)

            found = [(slope[k, 0], 1 / change(-1, True))]
            # along the curve, dv/dp at constant i is -(di/dp)/(di/dv)
            found += [(dv[k, j, 0] / slope[k, 0], -change(j, False)) for j in range(len(row))]
            for name, (got, expected) in enumerate(found):
                scale = max(abs(expected), mp.mpf(10) ** -25)  # the differences resolve 1e-40
                assert abs(mp.mpf(float(got)) - expected) < 1e-8 * scale, (name, k)


def test_against_pvlib_single_diode():
    """pvlib.singlediode bishop88 and Lambert W, a general-purpose library; sign of the load reversed."""
    from pvlib import singlediode

    rng = np.random.default_rng(9)
    n = 300
    IL, I0 = 10 ** rng.uniform(-3, 1, n), 10 ** rng.uniform(-12, -6, n)
    RS, RSH, N = 10 ** rng.uniform(-3, 0, n), 10 ** rng.uniform(1, 5, n), rng.uniform(1, 2, n)
    nNsVth = N * K_OVER_Q_V_PER_K * (25 + ZERO_CELSIUS_K)
    v = rng.uniform(-1, 0.6, n)
    law = {"IS_A": I0, "N": N, "RS_ohm": RS, "RSH_ohm": RSH, "IPH_A": IL}
    theirs = singlediode._lambertw_i_from_v(v, IL, I0, RS, RSH, nNsVth)
    # 1e-11 of the larger of current and photocurrent, which cancel near the open-circuit point
    assert np.max(np.abs(-current(v, **law) - theirs) / (np.abs(theirs) + IL)) < 1e-11
    # bishop88 is explicit in the diode voltage: exact points of the curve, with its own gradients.
    i, v, _, didvd, dvdvd, *_ = singlediode.bishop88(rng.uniform(-1, 0.7, n), IL, I0, RS, RSH, nNsVth,
                                                     gradients=True)  # fmt: skip
    assert np.max(np.abs(-current(v, **law) - i) / (np.abs(i) + IL)) < 1e-11
    np.testing.assert_allclose(-1 / slope_of(-i, law), didvd / dvdvd, rtol=1e-10)
    # One bit of i or IL moves the voltage by as much as the shunt turns it into.
    bit = 4 * np.finfo(float).eps
    assert np.all(np.abs(voltage(-i, **law) - v) < bit * (IL * RSH + np.abs(v)) + 1e-14)


def test_pvlib_published_voltage_from_current():
    """pvlib-python test suite, v_from_i fixture: 7.5049875193450521 V."""
    v = voltage(-3.0, 6e-7, 1.0, 0.1, 20.0, IPH_A=7.0, temp_C=at_vt(0.5))
    assert v == pytest.approx(7.5049875193450521, rel=1e-13)
    assert voltage(0.0, 6e-7, 1.0, 0.1, np.inf, IPH_A=7.0, temp_C=at_vt(0.5)) == pytest.approx(
        8.13612320825, rel=1e-11
    )


def test_pvlib_forty_digit_curve():
    """pvlib/data/precise_iv_curves1.json, curve 1 (40-digit mpmath): I_L 1, I0 5e-10, R_s 0.1, R_sh 300.

    Its kT/q uses q = 1.60217663e-19; with that thermal voltage every printed digit is met.
    """
    vt = 1.01 * 72 * BOLTZMANN_J_PER_K * 298.15 / 1.60217663e-19
    law = {"IS_A": 5e-10, "N": 1.0, "RS_ohm": 0.1, "RSH_ohm": 300.0, "IPH_A": 1.0, "temp_C": at_vt(vt)}
    v = np.array([0.0, 20.0748017567665364, 33.7256669513677849, 38.9451154081270872, 33.9368943991155300610])
    i = [0.9996667777132811507, 0.9327487022175218211, 0.8511428590465798250, 0.2966088961098117198,
         0.8461238606639279280]  # fmt: skip
    # 1e-13 of I_L: fifteen digits were printed for v, and the knee multiplies its last one.
    np.testing.assert_allclose(-current(v, **law), i, rtol=0, atol=1e-13)
    voc = 39.7481074783976643436
    np.testing.assert_allclose(-current(voc / 2, **law), 0.9334201210041479510, rtol=0, atol=1e-13)
    assert voltage(0.0, **law) == pytest.approx(voc, abs=1e-12)


def test_lambert_w_diode_of_banwell_and_jayakumar():
    """Electronics Letters 36(4):291 (2000), eq. 5; number of Boost.Math lambert_w_diode.cpp."""
    temp = at_vt(1.38e-23 * 298 / 1.6e-19)
    i = current(0.9, 25e-15, 1.0, 249.3, temp_C=temp)
    assert i == pytest.approx(0.00108485, abs=5e-9)  # the six digits printed
    W = (i + 25e-15) * 249.3 / (1.38e-23 * 298 / 1.6e-19)
    assert pytest.approx(10.5225, abs=5e-5) == W


# (source, voltage V, IS A, N, kT/q V, published current A, relative tolerance: half the last printed digit)
SHOCKLEY = [
    ("De, Basic Electronics 1st ed. ex. 2-14: exp(4) rounded to 54.5", 0.1, 9e-7, 1, 0.025, 48.15e-6, 3e-3),
    ("De ex. 2-16a", 0.55, 1.5e-13, 1, 0.02527, 4.251e-4, 1.5e-4),
    ("De ex. 2-18c", 0.1, 15e-6, 1, 0.026, 0.687e-3, 8e-4),
    ("De ex. 2-18c", 0.2, 15e-6, 1, 0.026, 32.86e-3, 2e-4),
    ("De ex. 2-18c", 0.3, 15e-6, 1, 0.026, 1.539, 4e-4),
    ("Sharma, Electronic Devices ex. 4.5", 0.1, 10e-6, 1, 0.026, 0.458e-3, 1.1e-3),
    ("Sharma ex. 4.5", 0.2, 10e-6, 1, 0.026, 21.9e-3, 2.3e-3),
    ("Sharma ex. 4.5", 0.3, 10e-6, 1, 0.026, 1.03, 5e-3),
    ("Sedha, Applied Electronics ex. 12.1", 0.1, 2e-7, 1, 0.025, 10.72e-6, 5e-4),
    ("Sedha ex. 12.2, T/11600", 0.22, 1e-3, 1, 298 / 11600, 5.24, 1e-3),
    ("Sharma ex. 4.11", 0.6, 1.8e-9, 2, 0.026, 0.185e-3, 2.7e-3),
    ("Sharma ex. 4.13", -5.0, 10e-9, 1, 0.026, -10e-9, 1e-12),
    ("Gupta, Engineering Physics ex. 9.1", 0.15, 0.3e-6, 1, 0.025, 120.73e-6, 5e-5),
    ("Gupta ex. 9.2, T/11600", 0.75, 5.043e-9, 2, 300 / 11600, 10e-3, 2e-4),
    ("De ex. 2-35(d), printed value truncated", 0.1, 6e-6, 1, 0.026, 0.274e-3, 3.7e-3),
]


@every_row("source, v, IS, N, vt, published, rtol", SHOCKLEY)
def test_textbook_currents(source, v, IS, N, vt, published, rtol):
    assert current(v, IS, N, temp_C=at_vt(vt)) == pytest.approx(published, rel=rtol)


def test_textbook_voltages():
    # De ex. 2-15: J0 0.5 and J 1e5 A/m2 at 350 K with k = 1.38e-23, q = 1.6e-19: 0.3685 V
    v = voltage(1e5, 0.5, 1.0, temp_C=at_vt(1.38e-23 * 350 / 1.6e-19))
    assert v == pytest.approx(0.3685, abs=5e-5)
    # De ex. 2-18(a) and Sharma ex. 4.5: 90 % of saturation at -0.060 V
    assert voltage(-0.9, 1.0, 1.0, temp_C=at_vt(0.026)) == pytest.approx(-0.060, abs=5e-4)
    # Sharma ex. 4.5: ratio of currents at +-0.05 V is -6.84
    ratio = current(0.05, 1.0, 1.0, temp_C=at_vt(0.026)) / current(-0.05, 1.0, 1.0, temp_C=at_vt(0.026))
    assert ratio == pytest.approx(-6.84, abs=5e-3)
    # De ex. 2-17: opposed diodes, n = 2, the reverse one carries I01 = 2 uA, the other drops 36 mV
    assert voltage(-2e-6, 4e-6, 2.0, temp_C=at_vt(0.026)) == pytest.approx(-0.036, abs=5e-4)
    # Sharma ex. 4.12: 0.6463 V
    assert voltage(1.5e-3, 2.4e-14, 1.0, temp_C=at_vt(0.026)) == pytest.approx(0.6463, abs=5e-5)


# (source, current ratio, N, kT/q V, step V, tolerance V)
STEPS = [
    ("Sedha ex. 12.3, n printed 1.17605641518", 30.0, 1.17605641518, 0.025, 0.100, 1e-12),
    ("De ex. 2-37, n printed 1.47", 30.0, 1.47, 0.025, 0.125, 5e-4),
    ("Kumar and Jain ex. 2.2, inputs only", 15.0, 1.0, 0.025, 0.0677, 5e-5),
    ("Kumar and Jain ex. 2.2, inputs only", 15.0, 2.0, 0.025, 0.1354, 5e-5),
    ("Nernst slope at 25 C, Bard and Faulkner, Electrochemical Methods, section 2.1, 2001 (from memory)",
     10.0, 1.0, K_OVER_Q_V_PER_K * 298.15, 0.05916, 5e-6),
]


@every_row("source, ratio, N, vt, step, tolerance", STEPS)
def test_voltage_steps(source, ratio, N, vt, step, tolerance):
    high, low = voltage([ratio * 1e-3, 1e-3], 1e-15, N, temp_C=at_vt(vt))
    assert high - low == pytest.approx(step, abs=tolerance)


# (source, IS, voltage, kT/q, published differential resistance, relative tolerance)
RESISTANCES = [
    ("De ex. 2-26", 80e-6, 0.2, 0.0343, 1.258, 6e-4),
    ("De ex. 2-26", 80e-6, -0.2, 0.0343, 0.146e6, 3.5e-3),
    ("Sedha ex. 12.6, T/11600", 30e-6, 0.2, 398 / 11600, 3.36, 1.5e-3),
    ("Sedha ex. 12.6, T/11600", 30e-6, -0.2, 398 / 11600, 0.389e6, 1.3e-3),
    ("Sharma ex. 4.8, 8.62e-5 T", 30e-6, -0.2, 8.62e-5 * 398, 389.08e3, 2e-5),
    ("De ex. 2-27", 1.5e-6, 0.15, 0.02586, 52.17, 1e-4),
    ("Sharma ex. 4.16", 1.2e-6, 0.25, 0.026, 1.445, 4e-4),
    ("De ex. 2-30(a), exponent rounded to 5.83", 35e-6, 0.2, 0.0343, 2.879, 1e-3),
]


@every_row("source, IS, v, vt, published, rtol", RESISTANCES)
def test_differential_resistance(source, IS, v, vt, published, rtol):
    i = current(v, IS, 1.0, temp_C=at_vt(vt))
    found = slope_of(i, {"IS_A": IS, "N": 1.0, "temp_C": at_vt(vt)})[0]
    assert found == pytest.approx(published, rel=rtol)


def test_operating_points():
    # Neamen, Microelectronics ex. 1.8 (from memory): 5 V, 2 kohm, 1e-13 A at 26 mV: 2.19 mA, 0.619 V
    i = current(5.0, 1e-13, 1.0, 2e3, temp_C=at_vt(0.026))
    assert i == pytest.approx(2.19e-3, rel=2.3e-3)
    assert 5.0 - 2e3 * i == pytest.approx(0.619, abs=5e-4)
    # Sedra and Smith, Microelectronic Circuits ex. 3.4 (from memory): 0.7 V at 1 mA, 0.1 V a decade
    a = 0.1 / np.log(10)
    i = current(5.0, 1e-3 / np.expm1(0.7 / a), 1.0, 1e3, temp_C=at_vt(a))
    assert i == pytest.approx(4.237e-3, rel=1.2e-4)


def test_leakage_and_breakdown():
    # Malvino, Electronic Principles ex. 2-7: 2 nA at 25 V is 12.5 Gohm of surface, 2.8 nA at 35 V
    assert current(-25.0, 0.0, 1.0, RSH_ohm=12.5e9) == pytest.approx(-2e-9, rel=1e-12)
    assert current(-35.0, 0.0, 1.0, RSH_ohm=12.5e9) == pytest.approx(-2.8e-9, rel=1e-12)
    # Sharma ex. 4.7: 5 uA at 10 V, of which 3.1818 uA saturate, leaves 5.5 Mohm
    assert current(-10.0, 3.1818e-6, 1.0, RSH_ohm=5.5e6) == pytest.approx(-5e-6, rel=1e-5)
    # Malvino ex. 5-1: V_Z 10 V, 820 ohm, 20 and 40 V: 12.2 and 36.59 mA.  The law rises by a few VT about
    # its knee where the book's is a wall: BV at the current itself and NBV small.
    i = -current(np.array([-20.0, -40.0]), 1e-15, 1.0, 820.0, BV_V=10.0, IBV_A=12.2e-3, NBV=0.1)
    np.testing.assert_allclose(i, [12.2e-3, 36.59e-3], rtol=5e-4)
    # Malvino ex. 5-7: 10 V and 8.5 ohm carry 20 mA at 10.17 V
    assert voltage(-20e-3, 1e-15, 1.0, 8.5, BV_V=10.0, IBV_A=20e-3) == pytest.approx(-10.17, abs=1e-9)
