"""Thermal feedback of a stage against a time-stepped electrothermal model; its heat against waveforms.

The model is written out here and shares no code with junction: SPICE's exponential and temperature laws (EG
1.11 eV, XTI 3, XTB 1.5; G. Massobrio and P. Antognetti, Semiconductor Device Modeling with SPICE, 2nd ed.
1993), the drive held stiff, junction and case as two thermal nodes on a sink, stepped by scipy's solve_ivp.
"""

from math import exp, log, radians, sqrt

import numpy as np
import pytest
from scipy.constants import Boltzmann, elementary_charge
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from junction.amplifier.heat import pulse_share, rise_K, slab_time_s
from junction.amplifier.stage import StageAsk, plan_stage
from junction.shelf.types import find_type
from tests.rows import every_row

pytestmark = pytest.mark.external
K, ROOM = Boltzmann / elementary_charge, 298.15


class Device:
    """One output device at a fixed drive; V_BE [V] at 100 mA and 25 degC, the driver's at 15 mA."""

    def __init__(self, vbe, re=0.22, rb=0.0, hfe=60.0, bulk=0.015, driver=None, inner=np.inf):
        self.re, self.rb, self.hfe, self.driver, self.inner = re + bulk, rb, hfe, driver, inner
        self.i_s = 0.1 * exp(-vbe / (K * ROOM))
        self.i_s1 = 0.015 * exp(-driver / (K * ROOM)) if driver else None

    def junction(self, current, i_s, kelvin):
        law = 3 * log(kelvin / ROOM) + 1.11 / (K * kelvin) * (kelvin / ROOM - 1)
        return K * kelvin * (log(current / i_s) - law)

    def drive(self, current, kelvin):
        """Voltage between drive node and output that makes the device carry `current`."""
        gain = self.hfe * (kelvin / ROOM) ** 1.5
        v, base = self.junction(current, self.i_s, kelvin), current / gain
        if self.driver:
            through = base + v / self.inner
            v += self.junction(through, self.i_s1, kelvin)
            base = through / gain
        return v + current * self.re + base * self.rb

    def current(self, volts, kelvin):
        return exp(brentq(lambda x: self.drive(exp(x), kelvin) - volts, log(1e-4), log(1e3), xtol=1e-12))


def settled(device, vce, theta, idle_A=0.1, temp_C=60.0, pushed_W=0.01):
    """Rise of the junction [K] after a small power was added for good, or inf where it runs away."""
    t0, volts = temp_C + 273.15, device.drive(idle_A, temp_C + 273.15)
    jc, cs = 0.75 * theta, 0.25 * theta
    case0 = t0 - jc * vce * idle_A

    def flow(_, t):  # junction 20 mJ/K, case 1 J/K: what they are moves no settled temperature
        power = vce * device.current(volts, t[0]) + pushed_W
        through = (t[0] - t[1]) / jc
        return [(power - through) / 0.02, through - (t[1] - (case0 - cs * vce * idle_A)) / cs]

    def gone(_, t):
        return t[0] - t0 - 20.0

    gone.terminal = True
    found = solve_ivp(flow, (0.0, 120.0 * theta), [t0, case0], "LSODA", events=gone, rtol=1e-6, atol=1e-7)
    return np.inf if found.t_events[0].size else found.y[0, -1] - t0


# V_BE of power transistors at an idle current of 100 mA, 0.60 to 0.64 V (from memory); a driver inside
# a Darlington runs at a higher density
CASES = [
    ({"vbe": 0.60}, {}), ({"vbe": 0.63, "bulk": 0.005}, {}), ({"vbe": 0.61, "re": 0.47}, {}),
    ({"vbe": 0.61, "re": 0.0, "bulk": 0.01}, {}),
    ({"vbe": 0.61, "rb": 10.0}, {"hfe": 60.0}), ({"vbe": 0.60, "rb": 4.7, "hfe": 120.0}, {"hfe": 120.0}),
    ({"vbe": 0.60, "driver": 0.62, "inner": 40.0}, {"type": "TIP142"}),
    ({"vbe": 0.61, "driver": 0.64, "inner": 40.0, "rb": 100.0, "hfe": 50.0}, {"type": "TIP142"}),
    ({"vbe": 0.60, "driver": 0.62, "inner": 60.0, "bulk": 0.01}, {"darlington": True}),
    ({"vbe": 0.60}, {"idle_A": 0.05}), ({"vbe": 0.60, "bulk": 0.01}, {"idle_A": 0.4}),
    # 20 A and 1.5 A of rated current: the same density at twice and at a seventh of 0.1 A
    ({"vbe": 0.585}, {"type": "MJ15003"}), ({"vbe": 0.655}, {"type": "BD139"}),
]  # fmt: skip


@every_row("made, said", CASES)
def test_loop_gain_and_runaway_stand_within_a_tenth_on_the_safe_side(made, said):
    device, said = Device(**made), dict(said)
    types = (find_type(said.pop("type")),) if "type" in said else ()
    idle = said.pop("idle_A", 0.1)
    ask = StageAsk(vce_V=40.0, idle_A=idle, peak_A=1.0, re_ohm=(made.get("re", 0.22),),
                   rb_ohm=(made.get("rb", 0.0),), rth_jc=0.8, rth_cs=0.4, temp_C=60.0, **said)  # fmt: skip
    stage = plan_stage(ask, types)
    # pushed by 10 mW the junction settles theta 10 mW/(1 - gain) higher
    gain = 1 - 1.2 * 0.01 / settled(device, 40.0, 1.2, idle)
    assert gain <= stage.loop_gain_device <= 1.1 * gain
    assert np.isfinite(settled(device, 0.99 * stage.vce_critical_V, 1.2, idle))
    assert settled(device, 1.1 * stage.vce_critical_V, 1.2, idle) == np.inf


def waves(circuit, supply, load, swing, phase, re):
    """V_CE and I_C of the upper device of the first half, over a cycle, from the voltages of the nodes."""
    t = np.linspace(0.0, 2 * np.pi, 2_001)[:-1]
    v, i = swing * np.sin(t), swing / load * np.sin(t - phase)
    node = {"single-supply": supply / 2 + v, "bridge": v / 2}.get(circuit, v)
    on = i > 0
    return np.where(on, supply - node - i * re, 0.0), np.where(on, i, 0.0)


@every_row("circuit, supply", [("two-rails", 32.0), ("quasi-complementary", 32.0), ("single-supply", 64.0),
                               ("bridge", 32.0)])  # fmt: skip
def test_heat_of_each_circuit_is_that_of_its_waveforms(circuit, supply):
    """By numerical integration over a cycle at the rated output, and for the worst drive over all of them."""
    ask = StageAsk(power_W=50, load_ohm=8, supply_V=supply, re_ohm=(0.22,), circuit=(circuit,),
                   load_phase_deg=40.0)  # fmt: skip
    heat = {d["case"]: d for d in plan_stage(ask).dissipation}
    for word, phase in (("resistive load", 0.0), ("load at 40 degrees", radians(40))):
        swings = np.linspace(0.25, 70.0, 280)
        found = []
        for swing in (sqrt(2 * 50 * 8), *swings):
            vce, ic = waves(circuit, supply, 8.0, swing, phase, 0.22)
            found.append((np.mean(vce * ic), np.max(vce * ic), np.min(vce[ic > 0])))
        mean, peak, _ = found[0]
        assert heat[f"rated power, {word}"]["average_W"] == pytest.approx(mean, rel=1e-4)
        assert heat[f"rated power, {word}"]["peak_W"] == pytest.approx(peak, rel=1e-4)
        # up to clipping, where the device has no voltage left
        driven = np.array([f[:2] for f in found[1:] if f[2] >= 0])
        worst = heat.get(f"worst drive, {word}", heat[f"rated power, {word}"])
        # the last step of 0.25 V stops short of the limit by at most 1 %, so 2 % of a power
        assert worst["average_W"] == pytest.approx(driven[:, 0].max(), rel=0.02)
        assert worst["peak_W"] == pytest.approx(driven[:, 1].max(), rel=0.02)


def test_a_junction_under_half_sines_is_that_of_a_slab_cut_into_many():
    """Forty layers of resistance and capacitance, stepped by solve_ivp to the third cycle of 20 Hz."""
    rth, tau, n = 1.0, 0.1, 40
    g, c = n / rth, tau / rth / n  # the diffusion time of a slab is the product of its R and C
    half = np.full(n, g)
    half[-1] *= 2  # the case stands half a layer beyond

    def power(t):
        return max(50.0 * np.sin(2 * np.pi * 20 * t), 0.0)

    def flow(t, k):
        through = half * (k - np.append(k[1:], 0.0))
        return (np.append(power(t), through[:-1]) - through) / c

    end = solve_ivp(flow, (0, 0.4), np.zeros(n), "BDF", max_step=2e-3, rtol=1e-5, atol=1e-3,
                    t_eval=np.linspace(0.35, 0.4, 400))  # fmt: skip
    t = np.arange(256) / 256 * 0.05
    ours = rise_K([power(x) for x in t], 0.05, rth, tau)
    face = end.y[0] + [power(x) * rth / n / 2 for x in end.t]  # half a layer in front of the first node
    assert ours.max() == pytest.approx(face.max(), rel=0.005)  # layers this thick
    assert ours.mean() == pytest.approx(50 / np.pi, rel=1e-3)
    # at short times a step rises as 2 R sqrt(t/(pi tau)) (Carslaw and Jaeger, from memory)
    assert pulse_share(0.001, 0.1) == pytest.approx(2 * sqrt(0.01 / np.pi), rel=1e-6)
    for share in (0.1, 0.36, 0.8):
        assert pulse_share(0.010, slab_time_s(share)) == pytest.approx(share, abs=2e-3)
