"""Limits of published sheets through `sort`: a part just inside is good, one just outside is not.

Each limit is typed here from its sheet, and the parts are drawn from it 15 to 20 % to either side: a limit
that moved by a fifth in junction's tables turns one of the two verdicts.
"""

import numpy as np
import pytest

from tests.external.door import curves, sides, sweep

#: Share of the limit that a part inside and one outside carry.
INSIDE, OUTSIDE = 0.85, 1.18


def sheet(what):
    """The published sheet that a check is from; the copies that were read bear no year."""
    return pytest.mark.front_door("sort", source=f"{what}, undated")


def leak(amps, volts):
    """A resistance that carries some current at some voltage, as a function of the voltage."""
    return lambda v: amps * v / volts


def leaks(door, type, amps, volts, junction="AK", **law):
    """Verdicts of a part that passes 0.85 of the limit in reverse and of one that passes 1.18 of it."""
    def build(tag, share):
        return sweep(tag, type, junction, back_V=volts, leak=leak(share * amps, volts), **law)

    return sides(door, build, INSIDE, OUTSIDE)


@sheet("1N4148 data sheet, electrical characteristics, row I_R at 20 V")
def test_reverse_current_of_a_signal_diode(door):
    assert leaks(door, "1N4148", 25e-9, 20, i_s=2.5e-9, n=1.75, r=0.6) == ["good", "leaky"]


@sheet("1N4001 data sheet, electrical characteristics, row I_R at 50 V")
def test_reverse_current_of_a_rectifier(door):
    assert leaks(door, "1N4001", 5e-6, 50, i_s=2e-9, n=1.8) == ["good", "leaky"]


@sheet("1N5817 data sheet, electrical characteristics, row I_R at 20 V")
def test_reverse_current_of_a_schottky_rectifier(door):
    assert leaks(door, "1N5817", 1e-3, 20, i_s=1e-6, n=1.05) == ["good", "leaky"]


@sheet("1N5819 data sheet, electrical characteristics, row I_R at 40 V")
def test_reverse_current_of_the_schottky_rectifier_for_40_volt(door):
    """1 mA at 40 V where 1N5817 may pass it at 20 V: 24 kohm are good in that one and a leak in this."""
    law = {"i_s": 1e-6, "n": 1.05, "back_V": 20, "leak": leak(INSIDE * 1e-3, 20)}
    build = lambda tag, mark: sweep(tag, mark, **law)  # noqa: E731
    assert sides(door, build, "1N5817", "1N5819") == ["good", "leaky"]
    assert leaks(door, "1N5819", 1e-3, 40, i_s=1e-6, n=1.05) == ["good", "leaky"]


@sheet("BAT85 data sheet, characteristics, row reverse current at 25 V")
def test_reverse_current_of_a_small_schottky_diode(door):
    assert leaks(door, "BAT85", 2e-6, 25, i_s=2e-8, n=1.05, r=2) == ["good", "leaky"]


@sheet("1N5711 data sheet, characteristics, row leakage current at 50 V")
def test_reverse_current_of_a_high_frequency_schottky_diode(door):
    law = {"i_s": 1e-8, "n": 1.08, "r": 5, "top_A": 0.015}
    assert leaks(door, "1N5711", 200e-9, 50, **law) == ["good", "leaky"]


@sheet("1N4728A to 1N4764A data sheet, table of types, row 1N4742A")
def test_reverse_current_of_a_zener_below_its_knee(door):
    assert leaks(door, "1N4742A", 5e-6, 9.1, i_s=1e-13, n=1.05) == ["good", "leaky"]


@sheet("BZX55 series data sheet, table of types, row BZX55C5V1")
def test_reverse_current_of_a_low_voltage_zener(door):
    assert leaks(door, "BZX55C5V1", 0.1e-6, 1, i_s=1e-13, n=1.05) == ["good", "leaky"]


@sheet("1N4728A to 1N4764A data sheet, table of types, row 1N4733A")
def test_voltage_of_a_zener_at_its_test_current(door):
    """5.1 V within 5 % at 49 mA; a part outside is another type or bad, and no verdict calls it good."""
    def build(tag, volts):
        return sweep(tag, "1N4733A", i_s=1e-13, n=1.05, back_V=0.7 * volts, zener=(volts, 0.049, 5))

    assert sides(door, build, 4.93, 5.27) == ["good", "good"]
    assert "good" not in sides(door, build, 4.70, 5.50)


@sheet("BZX55 series data sheet, table of types, row BZX55C12")
def test_voltage_of_a_pro_electron_zener_at_its_test_current(door):
    """11.4 V to 12.7 V at 5 mA."""
    def build(tag, volts):
        return sweep(tag, "BZX55C12", i_s=1e-13, n=1.05, back_V=0.7 * volts, zener=(volts, 0.005, 15))

    assert sides(door, build, 11.6, 12.5) == ["good", "good"]
    assert "good" not in sides(door, build, 11.0, 13.1)


@sheet("1N4148 data sheet, electrical characteristics, row V_F at 10 mA")
def test_forward_voltage_of_a_signal_diode(door):
    """1 V at 10 mA: with 20 ohm inside it takes 0.88 V there, with 60 ohm 1.28 V."""
    law = {"i_s": 2.5e-9, "n": 1.75, "back_V": 20, "top_A": 0.02}
    assert sides(door, lambda tag, r: sweep(tag, "1N4148", r=r, **law), 20, 60) == ["good", "open"]


@sheet("1N5711 data sheet, characteristics, row V_F at 15 mA")
def test_forward_voltage_of_a_high_frequency_schottky_diode(door):
    """1 V at 15 mA, where this junction alone takes 0.41 V: 39 ohm are left for what is inside it."""
    law = {"i_s": 1e-8, "n": 1.08, "top_A": 0.015, "back_V": 50}
    assert sides(door, lambda tag, r: sweep(tag, "1N5711", r=r, **law), 5, 80) == ["good", "open"]


@sheet("BC546 to BC548 data sheet, characteristics, row I_CBO at 30 V")
def test_collector_cut_off_current_of_a_small_transistor(door):
    assert leaks(door, "BC547", 15e-9, 30, "BC", top_A=0.02) == ["good", "leaky"]


@sheet("BC546 to BC548 data sheet, characteristics, row I_EBO at 5 V")
def test_emitter_cut_off_current_of_a_small_transistor(door):
    assert leaks(door, "BC547", 100e-9, 5, "BE", top_A=0.02) == ["good", "leaky"]


@sheet("BD135 to BD139 data sheet, characteristics, row I_CBO at 30 V")
def test_collector_cut_off_current_of_a_driver_transistor(door):
    assert leaks(door, "BD139", 100e-9, 30, "BC", i_s=1e-13, r=0.3) == ["good", "leaky"]


@sheet("2N2222A CECC data sheet, characteristics, row I_CBO at 60 V")
def test_collector_cut_off_current_of_a_switching_transistor(door):
    assert leaks(door, "2N2222A", 10e-9, 60, "BC", r=0.3, top_A=0.05) == ["good", "leaky"]


@sheet("2N404 data sheet, electrical characteristics, row I_CBO at 12 V")
def test_collector_cut_off_current_of_a_germanium_transistor(door):
    law = {"i_s": 1e-6, "r": 1.0, "top_A": 0.01}
    # what the junction itself passes in reverse is 1 uA of the 5 uA
    assert leaks(door, "2N404", 4e-6, 12, "BC", **law) == ["good", "leaky"]


@sheet("MJ15003 data sheet, electrical characteristics, row I_EBO at 5 V")
def test_emitter_cut_off_current_of_an_output_transistor(door):
    assert leaks(door, "MJ15003", 100e-6, 5, "BE", i_s=1e-11, r=0.3) == ["good", "leaky"]


@sheet("TIP31 series data sheet, characteristics, row I_EBO at 5 V")
def test_emitter_cut_off_current_of_a_plastic_power_transistor(door):
    assert leaks(door, "TIP31C", 1e-3, 5, "BE", i_s=1e-12, r=0.3) == ["good", "leaky"]


@sheet("TIP120 to TIP122 data sheet, characteristics, row I_CBO at 60 V")
def test_collector_cut_off_current_of_a_darlington(door):
    assert leaks(door, "TIP120", 200e-6, 60, "BC", i_s=1e-12, r=0.3) == ["good", "leaky"]


@sheet("JEDEC registration of 2N3055, row I_EBO, undated; MIL-PRF-19500/407, table I, row I_EBO")
def test_the_registered_and_the_military_2n3055_differ(door):
    """5 mA at 7 V are registered; the JAN type may pass 1 mA: 2 mA condemn only that."""
    def build(tag, marked):
        return sweep(tag, marked[0], "BE", i_s=1e-11, r=0.3, back_V=7, leak=leak(marked[1], 7))

    plain, jan = ("2N3055", "JAN2N3055")
    within = [(plain, INSIDE * 5e-3), (plain, 2e-3), (jan, INSIDE * 1e-3)]
    beyond = [(plain, OUTSIDE * 5e-3), (jan, 2e-3), (jan, OUTSIDE * 1e-3)]
    assert sides(door, build, *within, *beyond) == ["good"] * 3 + ["leaky"] * 3


def family(gain, top_A, parts=7):
    """Base currents up to some collector current."""
    return np.r_[0.0, np.geomspace(top_A / gain / 1000, top_A / gain, parts)]


@sheet("BC546 to BC548 data sheet, table of h_FE groups at 2 mA and 5 V")
def test_gain_groups_of_a_small_transistor(door):
    """Group B is 200 to 450, group C 420 to 800: 240 is a B, and no C."""
    def build(tag, mark):
        return curves(tag, mark, gain=240, base_A=family(240, 0.02))

    assert sides(door, build, "BC547B", "BC547C") == ["good", "undecided"]
    by_gain = lambda tag, gain: curves(tag, "BC547B", gain=gain, base_A=family(gain, 0.02))  # noqa: E731
    assert sides(door, by_gain, 230, 170) == ["good", "undecided"]


@sheet("2N3903 and 2N3904 data sheet, on characteristics, row h_FE at 10 mA")
def test_least_gain_of_a_switching_transistor(door):
    """At least 100 at 10 mA and 1 V."""
    build = lambda tag, gain: curves(tag, "2N3904", gain=gain, base_A=family(gain, 0.02))  # noqa: E731
    assert sides(door, build, 118, 90) == ["good", "undecided"]


@sheet("BC546 to BC548 data sheet, maximum ratings, row V_CEO")
def test_rated_voltage_of_a_small_transistor(door):
    """45 V for BC547: one that breaks down at 38 V is condemned, one at 55 V is not."""
    def build(tag, volts):
        return curves(tag, "BC547B", gain=300, breaks_V=volts, base_A=family(300, 0.006),
                      volts=(1, 2, 5, 10, 20, 30, 40, 44))  # fmt: skip

    assert sides(door, build, 55, 38) == ["good", "leaky"]
