"""Stage arithmetic and heat against textbook examples, and runaway against a thermal transient in ngspice."""

import numpy as np
import pytest

from junction.amplifier.heat import average_W, instant_peak
from junction.amplifier.results import OperatingPoint
from junction.amplifier.sharing import HEAT_STEPS, devices_from_fits, share
from junction.amplifier.stage import StageAsk, plan_stage
from junction.shelf.tables import Limit, PartType, rule
from tests.external.transistor_decks import run
from tests.sets.bags import fits_of, true_values

pytestmark = pytest.mark.external


def kind_of(**ratings):
    return PartType("X", "bjt", "plain", limits=tuple(Limit(k, high=v) for k, v in ratings.items()))


def test_80_W_into_8_ohm():
    """By arithmetic: sqrt(2 x 80 x 8) = 35.777 V peak, 71.554 V peak to peak, 25.298 V rms, 4.4721 A."""
    stage = plan_stage(StageAsk(power_W=80, load_ohm=8, supply_V=42))
    assert stage.peak_to_peak_V == pytest.approx(71.554, abs=5e-4)
    assert stage.rms_V == pytest.approx(25.298, abs=5e-4)
    assert stage.peak_output_A == pytest.approx(4.4721, abs=5e-5)


def test_class_b_pair_on_20_V():
    """Malvino, Electronic Principles, ex. 12-8: MPP 20 V, 8 ohm: 6.25 W out, 1.25 W worst in each transistor.

    The book takes MPP^2/(40 R); pi^2 is 9.87 and not 10, so 1.3 % more.
    """
    stage = plan_stage(StageAsk(power_W=6.25, load_ohm=8.0, supply_V=20.0, circuit=("single-supply",)))
    assert stage.peak_output_V == pytest.approx(10.0, rel=1e-12)
    assert stage.peak_output_A == pytest.approx(1.25, rel=1e-12)
    worst = next(d for d in stage.dissipation if d["case"] == "worst drive, resistive load")
    assert worst["average_W"] * np.pi**2 / 10 == pytest.approx(1.25, rel=1e-12)


@pytest.mark.parametrize(("supply", "load", "drops", "bias_ohm", "percent", "digits"), [
    (20.0, 8.0, 0.0, 215.0, 63.66, 0.01), (20.0, 10.0, 1.4, 7800.0, 77.96, 0.01),
])  # fmt: skip
def test_class_b_efficiency_with_its_bias_string(supply, load, drops, bias_ohm, percent, digits):
    """Malvino, Electronic Principles, ex. 12-9 and 12-10: rail current is bias + I_peak/pi.

    The heat follows: what the supply gives less what the load takes, here for both transistors together.
    """
    peak = supply / 2
    bias = (supply - drops) / bias_ohm
    heat = 2 * average_W(peak, peak, load)
    out = peak**2 / (2 * load)
    assert 100 * out / (out + heat + bias * supply) == pytest.approx(percent, abs=digits)


def test_heat_is_what_the_supply_gives_and_the_load_does_not_take():
    """By numerical integration over a cycle, for any phase angle, emitter resistor and swing."""
    angle = np.linspace(0, 2 * np.pi, 200_001)
    for phase in (0.0, 0.5, 1.2):
        for re in (0.0, 0.3):
            for swing in (5.0, 30.0):
                v, i = swing * np.sin(angle), swing / 8.0 * np.sin(angle - phase)
                on = np.maximum(i, 0.0)
                p = (42.0 - v - on * re) * on
                mean = float(np.mean(p[:-1]))
                assert average_W(swing, 42.0, 8.0, phase, re) == pytest.approx(mean, rel=1e-6)
                assert instant_peak(swing, 42.0, 8.0, phase, re)[0] == pytest.approx(p.max(), rel=1e-5)


def test_largest_instant_with_a_resistive_load():
    """V_S^2/(4 R) at half the supply (maximum of (V_S - v) v/R)."""
    power, vce, current = instant_peak(np.linspace(0.0, 40.0, 241), 42.0, 8.0)
    assert power == pytest.approx(42.0**2 / 32, rel=1e-4)
    # the maximum is flat: a part in ten thousand of power is a hundredth of the voltage
    assert vce == pytest.approx(21.0, rel=0.01) and current == pytest.approx(21.0 / 8, rel=0.01)


def test_junction_case_and_sink_chain():
    """Rashid, Power Electronics, ex. 4.4: 150 C, 25 C, 0.4 + 0.1 + 0.5 K/W: 125 W, case at 100 C.

    A single device is set up so that it dissipates 125 W at idle (class A) on half the sink's rail.
    """
    ask = StageAsk(vce_V=25.0, idle_A=5.0, peak_A=6.0, rth_jc=0.4, rth_cs=0.1, rth_sa=0.25, ambient_C=25.0)
    row = plan_stage(ask).dissipation[0]  # both rails' devices, 2 x 125 W, share 0.25 K/W
    assert row["average_W"] == pytest.approx(125.0)
    assert row["junction_C"] == pytest.approx(150.0) and row["case_C"] == pytest.approx(100.0)


def test_junction_temperature_of_two_watts():
    """Kakani and Bhandari, Electronic Devices and Circuits, ex. 6.1: 25 C, 10 K/W, 2 W: 45 C."""
    ask = StageAsk(vce_V=20.0, idle_A=0.1, peak_A=0.2, rth_jc=9.9, rth_cs=0.1, rth_sa=1e-9, ambient_C=25.0)
    assert plan_stage(ask).dissipation[0]["junction_C"] == pytest.approx(45.0, rel=1e-9)


@pytest.mark.parametrize(("rating", "slope", "case", "allowed"), [(0.625, 0.005, 50.0, 0.5), (1.0, 0.005,
70.0, 0.775)])
def test_derating(rating, slope, case, allowed):
    """Malvino ex. 12-14 (625 mW, 5 mW/C, 50 C: 500 mW) and Floyd ex. 4.7 (1 W, 5 mW/C, 70 C: 0.775 W)."""
    kind = kind_of(P_tot=rating, T_j=25.0 + rating / slope, V_CEO=100.0, I_C=1.0)
    ask = StageAsk(vce_V=10.0, idle_A=0.01, peak_A=0.02, rth_jc=1.0, rth_cs=1e-12, rth_sa=1e-12,
    ambient_C=case)
    check = next(c for c in plan_stage(ask, (kind,)).limits if "derated" in c["quantity"])
    assert check["limit"] == pytest.approx(allowed, rel=1e-6)


def test_emitter_current_from_its_drop():
    """Malvino ex. 12-6: 7.3 V across 16 ohm is 456.25 mA."""
    stage = plan_stage(StageAsk(re_ohm=(16.0,), idle_drop_V=7.3, vce_V=4.7))
    assert stage.idle.total_A == pytest.approx(0.45625, rel=1e-12)


def test_stability_criterion_of_the_stage():
    """Stable if theta dP/dT < 1 (Kakani and Bhandari, ch. 6), dP/dT = V_CE k/(V_T/I + R_E).

    k by SPICE's temperature law at the V_BE that rules.csv takes at idle: 1.97 mV/K.
    """
    ask = StageAsk(vce_V=40.0, idle_A=0.1, peak_A=1.0, re_ohm=(0.22,), rth_jc=1.5, rth_cs=0.5, temp_C=25.0)
    stage = plan_stage(ask)
    kelvin = (1.11 + 3 * 0.025692579 - rule("stage_vbe_idle")) / 298.15  # kT/q at 25 degC, CODATA
    gain = 2.0 * 40.0 * kelvin / (0.025692579 / 0.1 + 0.22)
    assert stage.loop_gain_device == pytest.approx(gain, rel=1e-6)
    assert stage.vce_critical_V == pytest.approx(40.0 / gain, rel=1e-6)


@pytest.fixture(scope="module")
def critical():
    """V_CE at which the tool calls a pair without emitter resistors a runaway, by bisection."""
    devices = devices_from_fits(fits_of(true_values(1, 2, RB=0.0))).take(np.zeros((1, 2), int))

    def gain(vce):
        point = OperatingPoint("idle", 0.2, vce, 25.0, 0.0, 0.0, 3.0, vce)
        return share(devices, point, heat_steps=HEAT_STEPS)

    low, high = 5.0, 200.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if gain(middle).runs_away[0] else (middle, high)
    return low, gain


def test_runaway_is_called_at_the_textbook_point(critical):
    """At the V_CE found, theta dP/dT of one device on a stiff drive, by differences, is 1."""
    vce, gain = critical
    assert not gain(0.99 * vce).runs_away[0] and gain(1.01 * vce).runs_away[0]
    from junction.amplifier.sharing import drive_point

    devices = devices_from_fits(fits_of(true_values(1, 2, RB=0.0)))
    temp = 25.0 + 3.0 * vce * (0.0997 - 0.1)  # the mean of the set, and what 0.0997 A of I_C is short of it

    def current(t, volts):
        low, high = np.log(1e-4), np.log(10.0)
        for _ in range(60):
            middle = 0.5 * (low + high)
            v = float(drive_point(devices, middle, vce, t).drive_V[0])
            low, high = (middle, high) if v < volts else (low, middle)
        return np.exp(low)

    volts = float(drive_point(devices, np.log(0.0997), vce, temp).drive_V[0])
    slope = vce * (current(temp + 0.05, volts) - current(temp - 0.05, volts)) / 0.1
    assert 3.0 * slope == pytest.approx(1.0, rel=0.02)  # 0.0997 A is I_C to 1 %, its share of base current


@pytest.mark.parametrize(("factor", "runs"), [(0.9, False), (1.1, True)])
def test_ngspice_runs_away_past_that_point_and_not_before(critical, factor, runs):
    """A pair with thermal nodes in a transient: one device is nudged by 0.1 K and left alone.

    The collector current is the exponential law with SPICE's temperature law written out as sources,
    so nothing of junction is in it but the V_CE.
    """
    vce = factor * critical[0]
    value = true_values(1, 2, RB=0.0)[0].tolist()
    from junction.transistor.values import FITTED

    p = dict(zip(FITTED, value, strict=True))
    k = 1.38064852e-23 / 1.6021766208e-19
    law = (f"{p['IS']!r}*exp({p['EG']!r}/({k!r}*(v(T@)+273.15))*((v(T@)+273.15)/298.15-1))"
           f"*((v(T@)+273.15)/298.15)^3")  # fmt: skip
    # high injection and Early effect as factors at this current; the emitter's own resistance in series
    body = "\n".join(
        f"B{j} c x{j} I={law.replace('@', str(j))}"
        f"*exp((v(d)-v(x{j}))/({k!r}*(v(T{j})+273.15)))*(1+{vce!r}/{p['VAF']!r})"
        f"/(0.5*(1+sqrt(1+4*{0.1 / p['IKF']!r})))\n"
        f"RE{j} x{j} 0 {p['RE']!r}\n"
        f"BP{j} 0 T{j} I=v(c)*i(vs{j}x)\nRT{j} T{j} A 3.0\nCT{j} T{j} 0 1m"
        for j in (1, 2)
    ).replace("i(vs1x)", f"v(x1)/{p['RE']!r}").replace("i(vs2x)", f"v(x2)/{p['RE']!r}")
    out = run(f"""runaway
vc c 0 {vce!r}
va A 0 {25 - 0.3 * vce!r}
{body}
* the drive follows so that the sum of the currents stays 0.2 A
BD 0 d I=100*(0.2-v(x1)/{p["RE"]!r}-v(x2)/{p["RE"]!r})
RD d 0 1k
CD d 0 1u
.ic v(T1)=25.1 v(T2)=24.9 v(d)=0.6
.options reltol=1e-6
.control
set wr_singlescale
tran 50u 60m uic
let dt=v(t1)-v(t2)
wrdata @OUT@ dt
.endc
.end
""")
    end = out[-1, 1]
    assert bool(abs(end) > 0.4) is runs, end
