"""Measured drops: simulated faults come back by name, and what cannot be decided is not."""

import re
from dataclasses import replace
from statistics import NormalDist
from time import perf_counter

import numpy as np
import pytest

from junction.amplifier.drops import Kind, Rail, weigh_faults
from junction.amplifier.findings import diagnose_drops
from junction.amplifier.sharing import devices_from_fits, drawn_devices, drive_point, share
from junction.amplifier.stage import StageAsk, plan_stage
from junction.base.errors import UsageError
from junction.shelf.tables import rule
from tests.rows import every_row
from tests.sets.bags import fits_of, true_values

STAGE = plan_stage(StageAsk(supply_V=42.0, vce_V=42.0, peak_A=4.0, parallel=3, re_ohm=(0.22,), idle_A=0.3))


def diagnose(*drops_mV, stage=STAGE, devices=None, drawn=None, **more):
    more.setdefault("accuracy", (0.0052, 0.00017))  # standard uncertainties of 0.3 % and 0.1 mV
    return diagnose_drops(stage, tuple(d / 1000 for d in drops_mV), devices, drawn, **more)


def words(report):
    return [v.verdict for v in report.drops]


@pytest.fixture(scope="module")
def parts():
    fits = fits_of(true_values(3, 12, IS=4e-12), u_is=0.01)
    return devices_from_fits(fits), drawn_devices(fits, STAGE)["idle"]


def simulated(devices, re, drive_V=None, total_A=0.3):
    """Drops [mV] of a rail with the resistors it really has, total or drive voltage held."""
    point = replace(STAGE.idle, re_ohm=tuple(re), total_A=total_A)
    if drive_V is None:
        s = share(devices.take(np.arange(3)[None]), point)
        return 1000 * s.ie_A[0] * np.asarray(re), float(s.drive_V[0])
    low, high = np.full(3, -18.0), np.full(3, 2.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        v = drive_point(devices, middle, point.vce_V, point.temp_C, np.asarray(re)).drive_V
        low, high = np.where(v < drive_V, middle, low), np.where(v < drive_V, high, middle)
    ie = drive_point(devices, low, point.vce_V, point.temp_C, np.asarray(re)).ie_A
    return 1000 * ie * np.asarray(re), drive_V


def test_a_sound_stage_is_as_predicted(parts):
    drops, _ = simulated(parts[0], (0.22, 0.22, 0.22))
    report = diagnose(*drops, devices=parts[0], drawn=parts[1])
    assert words(report) == ["as predicted"] * 3
    assert report.overall == report.bias == "as predicted" and report.swaps == ()
    for v in report.drops:
        assert v.expected_V.low < v.value.value < v.expected_V.high


@pytest.mark.parametrize("which", [0, 1, 2])
@pytest.mark.parametrize("real", [0.08, 0.7, 2.2])
def test_a_resistor_out_of_value_is_found_and_valued(parts, which, real):
    """The drive stays where the bias put it; the resistor's own value comes out within its interval."""
    _, drive = simulated(parts[0], (0.22, 0.22, 0.22))
    re = [0.22, 0.22, 0.22]
    re[which] = real
    drops, _ = simulated(parts[0], re, drive)
    report = diagnose(*drops, devices=parts[0], drawn=parts[1])
    # emitter resistors go high or open, hardly low: of a low drop the device, its base resistor or a joint
    # is the first cause, and the resistor one of the others (common practice, no source)
    word = "resistor out of value" if real > 0.22 else "undecided"
    assert words(report) == [word if k == which else "as predicted" for k in range(3)]
    assert report.causes[0].quantity == ("value" if real > 0.22 else "unlike")
    assert report.causes[0].where == f"position {which + 1}"
    if real > 0.22:
        found = report.drops[which].resistor_ohm
        assert found.low < real < found.high
        # the reading is repeated and the resistor measured where it stands before anything is unsoldered
        assert "lift one end" in report.drops[which].next()
    assert report.overall == "fault"


def test_an_open_resistor(parts):
    _, drive = simulated(parts[0], (0.22, 0.22, 0.22))
    drops, _ = simulated(parts[0], (0.22, 1e6, 0.22), drive)  # a meter's input, about
    report = diagnose(*drops, devices=parts[0], drawn=parts[1])
    assert words(report) == ["as predicted", "resistor open", "as predicted"]


def test_a_device_that_does_not_conduct():
    """One rail alone cannot tell a dead device from a shorted resistor; the other rail can."""
    report = diagnose(22.0, 0.02, 23.0)
    assert words(report) == ["as predicted", "no drop", "as predicted"]
    for says in ("does not conduct", "emitter resistor is shorted"):
        assert says in report.drops[1].says()
    report = diagnose(32.0, 0.02, 34.0, 22.0, 22.5, 21.5)
    assert words(report)[:3] == ["as predicted", "not conducting", "as predicted"]


@pytest.mark.parametrize(("factor", "word"), [(0.4, "too low"), (1.0, "as predicted"), (2.0, "too high")])
def test_bias(parts, factor, word):
    drops, _ = simulated(parts[0], (0.22, 0.22, 0.22), total_A=0.3 * factor)
    report = diagnose(*drops, devices=parts[0], drawn=parts[1])
    assert report.bias == word and words(report) == ["as predicted"] * 3
    assert report.bias_ratio.low < factor < report.bias_ratio.high


def test_bias_at_the_edge_of_the_band_is_not_decided():
    assert diagnose(*[22.0 * 1.2] * 3).bias == "undecided"


def test_parts_in_each_others_place_are_named(parts):
    drops, _ = simulated(parts[0], (0.22, 0.22, 0.22))
    order = [1, 0, 2]
    # the drops of positions 1 and 2 exchanged, as if the parts were
    report = diagnose(*drops[order], devices=parts[0], drawn=parts[1], parts=("A1", "A2", "A3"))
    said = "position 1 (A1) and position 2 (A2) seem to stand in each other's place"
    assert any(said in s for s in report.swaps)


def test_unequal_resistors_suggest_the_better_places():
    value = true_values(2, 5)
    value[1] = value[0]
    value[1, 0] *= 1.8  # 15 mV lower V_BE
    stage = plan_stage(StageAsk(vce_V=40.0, peak_A=4.0, parallel=2, re_ohm=(0.33, 0.22), idle_A=0.3))
    fits = fits_of(value, u_is=0.01)
    d = devices_from_fits(fits)
    drops = 1000 * share(d.take(np.array([[0, 1]])), stage.idle).ie_A[0] * np.array([0.33, 0.22])
    report = diagnose(*drops, stage=stage, devices=d, drawn=drawn_devices(fits, stage)["idle"])
    assert words(report) == ["as predicted"] * 2
    said = "Exchanging position 1 and position 2 would bring the idle imbalance"
    assert any(s.startswith(said) for s in report.swaps)


def test_two_devices_that_differ_are_not_decided():
    stage = plan_stage(StageAsk(vce_V=42.0, peak_A=4.0, parallel=2, re_ohm=(0.22,), idle_A=0.2))
    report = diagnose(22.0, 50.0, stage=stage)
    assert words(report) == ["undecided", "undecided"]
    assert report.overall == "fault" and report.bias == "undecided"  # something is, but not which
    assert all("may as well be the other one" in v.says() for v in report.drops)


ONE = plan_stage(StageAsk(vce_V=42.0, peak_A=4.0, re_ohm=(0.22,), idle_A=0.1))


def test_one_device_and_one_rail_cannot_tell_bias_from_resistor():
    report = diagnose(60.0, stage=ONE)
    assert words(report) == ["undecided"] and report.bias == "undecided"
    assert "too high: set it once that is settled" in report.bias_text
    assert not any("turn the bias" in step or "set the bias" in step for step in report.next)
    assert "cannot tell a wrong bias from a wrong resistor" in report.drops[0].says()
    assert words(diagnose(23.0, stage=ONE)) == ["as predicted"]


@pytest.mark.parametrize(("drops", "verdicts", "bias"), [
    ((22.0, 22.5), ["as predicted"] * 2, "as predicted"),
    ((90.0, 91.0), ["as predicted"] * 2, "too high"),  # the rails agree, so it is the bias and no resistor
    ((6.0, 6.1), ["as predicted"] * 2, "too low"),
    # a resistor goes high, hardly low, so that of 40 mV is the one to doubt
    ((22.0, 40.0), ["as predicted", "undecided"], "undecided"),
    # the upper rail's current flows in the lower one too, so its device is not off: a bridge past the
    # resistor, or a meter that was not on it
    ((22.0, 0.05), ["as predicted", "no drop"], "undecided"),
])  # fmt: skip
def test_one_device_a_rail_is_judged_by_the_other_rail(drops, verdicts, bias):
    report = diagnose(*drops, stage=ONE)
    assert words(report) == verdicts
    assert report.bias == bias


def test_rails_that_carry_different_currents():
    report = diagnose(22.0, 22.0, 22.0, 33.0, 33.0, 33.0)
    assert "The two rails differ (100 % and 150 % by the resistors' values)" in report.bias_text
    assert "undecided which rail to believe" in report.bias_text and report.bias == "undecided"
    assert [v.where for v in report.drops][3] == "lower rail, position 1"


def test_no_drop_anywhere_is_the_bias():
    report = diagnose(*[0.0] * 6)
    assert report.bias == "too low" and "the bias or the drive is off" in report.drops[0].says()
    # one rail alone may as well be wired past its resistors, and then carry anything
    report = diagnose(0.0, 0.0, 0.0)
    assert report.bias == "undecided" and "wired past" in report.bias_text


def test_a_sharper_measurement_decides_more(parts):
    """Unmatched parts leave a 30 % odd drop undecided; with the curves known it is a fault."""
    _, drive = simulated(parts[0], (0.22, 0.22, 0.22))
    drops, _ = simulated(parts[0], (0.22, 0.22, 0.36), drive)
    assert "undecided" in words(diagnose(*drops)) or words(diagnose(*drops)) == ["as predicted"] * 3
    assert words(diagnose(*drops, devices=parts[0], drawn=parts[1]))[2] == "resistor out of value"


def test_drops_that_cannot_be():
    with pytest.raises(UsageError, match="1 drops for 3 devices a rail: give 3"):
        diagnose(20.0)


def test_drops_need_resistors():
    stage = plan_stage(StageAsk(vce_V=42.0, peak_A=4.0, idle_A=0.1))
    with pytest.raises(UsageError, match="drops need emitter resistors"):
        diagnose(20.0, stage=stage)


def test_a_bias_far_too_high_is_said_before_all_else():
    """Ten and thirty times the wanted current: 42 V times 1 A and 3 A, with no signal."""
    for factor in (10, 33):
        report = diagnose(*[22.0 * factor] * 3, *[22.0 * factor] * 3)
        assert report.alarm.startswith("Switch off now") and report.overall == "bias far too high"
        assert f"{factor} times" in report.alarm and f"{42.0 * 0.1 * factor:.0f} W" in report.alarm
        assert all("where 22.0 mV is wanted" in v.says() and v.next() == "" for v in report.drops)
    assert diagnose(22.0, 22.5, 22.0).alarm == ""


def test_drops_that_only_disagree_a_little_do_not_hide_the_bias():
    report = diagnose(150.0, 160.0, 140.0, 150.0, 155.0, 148.0)
    assert report.overall == "bias far too high" and not any("lift one end" in v.next() for v in report.drops)


def test_a_fault_beside_the_alarm_keeps_its_words():
    report = diagnose(220.0, 0.05, 220.0)
    assert report.alarm and "does not conduct" in report.drops[1].says()


def test_the_drop_is_held_against_the_wanted_idle_current(parts):
    drops, _ = simulated(parts[0], (0.22, 0.22, 0.22), total_A=0.45)
    report = diagnose(*drops, devices=parts[0], drawn=parts[1])
    assert report.bias == "too high" and report.overall == "bias" and not report.alarm
    assert all("22.0 mV is wanted" in v.says() and v.wanted_V == pytest.approx(0.022) for v in report.drops)


TWO = plan_stage(
    StageAsk(power_W=80, load_ohm=8, supply_V=42.0, parallel=2, re_ohm=(0.22,), idle_drop_V=0.02)
)


def test_an_open_resistor_of_a_pair_leaves_its_neighbour_and_the_bias_in_peace():
    """The neighbour carries the whole rail, 40 mV; 327 mV is the drive seen through the meter's 10 Mohm."""
    for drops in ((40.0, 327.3, 20.1, 19.9), (20.1, 19.9, 327.3, 40.0), (40.0, 327.3)):
        report = diagnose(*drops, stage=TWO)
        open_ = drops.index(327.3)
        assert [w == "resistor open" for w in words(report)] == [k == open_ for k in range(len(drops))]
        assert set(words(report)) == {"resistor open", "as predicted"} and report.overall == "fault"
        assert report.bias_ratio.low < 1.0 < report.bias_ratio.high < 1.15 and report.alarm == ""
        assert report.bias == "undecided" and "repair first" in report.bias_text
        # next to nothing flows through an open resistor
        assert report.drops[open_].current_A.high < 1e-4
        assert report.drops[drops.index(40.0)].current_A.value == pytest.approx(0.040 / 0.22)


def test_a_dead_device_is_told_by_the_other_rail_and_by_nothing_else():
    report = diagnose(40.0, 0.0, 21.0, 19.0, stage=TWO)
    assert words(report) == ["as predicted", "not conducting", "as predicted", "as predicted"]
    assert report.bias_ratio.low < 1.0 < report.bias_ratio.high < 1.1 and report.bias == "undecided"
    assert "This is by the lower rail" in report.bias_text and "differ" not in report.bias_text
    alone = diagnose(40.0, 0.0, stage=TWO)
    assert alone.drops[1].verdict in ("no drop", "undecided") and alone.bias == "undecided"
    assert all(says in alone.drops[1].says() for says in ("does not conduct", "emitter resistor is shorted"))
    assert alone.bias_ratio.low < 1.0 and alone.bias_ratio.high > 3.0  # 4.6 times as much if it is a short
    for said in (report, alone):
        assert "too low" not in said.bias_text and "as predicted" not in said.bias_text


def test_a_zero_drop_is_no_zero_current():
    """A shorted resistor: the device carries exp(20.7 mV/V_T) of its neighbour, no drop says so."""
    report = diagnose(20.7, 0.0, 21.0, 19.0, stage=TWO)
    assert report.drops[1].verdict in ("no drop", "resistor shorted", "undecided")
    assert report.drops[1].current_A.low == 0.0 and report.drops[1].current_A.high > 0.1
    assert report.bias_ratio.low > 0.9 and report.bias == "undecided"
    # a meter that was not on the resistor shows the same: a reading to repeat before a repair
    assert "never turn it up before" in report.bias_text


def test_ten_volts_are_no_drop_of_an_emitter_resistor():
    report = diagnose(20.0, 10000.0, 20.0, 20.0, stage=TWO)
    assert [w == "as predicted" for w in words(report)] == [True, False, True, True]
    wild = report.drops[1]
    assert "the meter was not across the resistor" in wild.says() and wild.expected_V.value < 0.1
    assert wild.verdict in ("resistor open", "undecided") and report.bias == "undecided"
    assert report.bias_ratio.low < 1.0 < report.bias_ratio.high < 1.1


def test_the_headline_does_not_pass_over_rails_that_differ():
    report = diagnose(26.9, 26.1, 20.0, 20.0, stage=TWO)
    assert report.overall == "fault" and report.bias == "undecided"  # a resistor doubled, in truth
    assert "out of value" in report.drops[0].says() and "out of value" in report.drops[1].says()
    assert "132 % and 100 %" in report.bias_text and "undecided which rail" in report.bias_text


D1 = (0.2, 0.2, 0.2, 37.9, 43.3, 39.0)
D2 = (3.8, 3.4, 5.8, 4.7, 4.1, 4.1)
D3 = (20.0, 20.0, 21.0, 5.0)


def staged(n, re, drop_mV):
    return plan_stage(StageAsk(vce_V=42.0, peak_A=4.0, parallel=n, re_ohm=(re,), idle_drop_V=drop_mV / 1000))


@every_row("drops", [D1, (*D1[3:], *D1[:3]), (0.0, 0.1, 30.0, 33.0), (41.0, 38.0, 0.1, 0.1)])
def test_a_whole_rail_without_drops_is_a_finding(drops):
    """Common practice, no source: the rail is wired past its resistors, or it is dead and the load feeds the
    other; the output's dc voltage tells."""
    n = len(drops) // 2
    report = diagnose(*drops, stage=staged(n, 0.47, 26.0))
    low = [k for k, d in enumerate(drops) if d < 1]
    assert all(report.drops[k].verdict == "no drop" for k in low) and report.overall == "fault"
    assert report.causes[0].quantity == "bypassed" and "dead" in {c.quantity for c in report.causes}
    assert "wired past its emitter resistors" in report.whole[0] and "does not conduct" in report.whole[0]
    assert any("dc voltage of the output" in step for step in report.next)
    assert any("bridge past" in step for step in report.next)


@every_row("drops, n, wanted", [
    (D2, 3, 15.0), ((6.0, 6.2), 1, 22.0), ((2.0, 2.2, 2.1, 1.9), 2, 20.0), ((5.0, 5.2, 5.1, 4.9), 4, 20.0),
])  # fmt: skip
def test_low_on_both_rails_asks_for_both_rails_voltages_first(drops, n, wanted):
    """Common practice, no source."""
    report = diagnose(*drops, stage=staged(n, 0.22, wanted))
    assert "both rails' voltages" in report.next[0] and report.next[0].startswith("Power on")
    assert report.causes[0].quantity == "bias low" and "voltage" in report.causes[0].says()
    assert "both rails' voltages first" in report.bias_text


@every_row("drops, n", [
    (D3, 2), (D3, 4), ((21.0, 4.0, 19.0), 3), ((24.5, 26.0, 7.0, 19.5, 20.0, 19.0), 3),
])  # fmt: skip
def test_a_low_drop_is_the_device_its_base_resistor_or_a_joint_before_a_low_resistor(drops, n):
    """Common practice, no source: emitter resistors go high or open; the swap of two devices decides."""
    report = diagnose(*drops, stage=staged(n, 0.22, 20.0))
    low = report.drops[int(np.argmin(drops))]
    says = low.says()
    assert "unlike its neighbours" in says and "base resistor" in says and "joint" in says
    assert "resistor is out of value" not in says.split("unlike")[0]
    assert "swap the device" in low.next() and "follows the part" in low.next()
    assert any("swap the device" in step for step in report.next)


@every_row("drops, n", [
    (D1, 3), (D2, 3), (D3, 2), (D3, 4), ((20.0, 21.0, 20.5, 0.1), 2), ((20.0, 600.0, 20.0, 20.0), 2),
    ((0.0,) * 4, 2),
    ((20.0, 40.0, 327.0, 20.0), 2), ((60.0,), 1), ((30.0, 32.0), 1), ((20.0, 55.0, 19.0), 3),
])  # fmt: skip
def test_each_step_says_whether_the_power_is_on_and_how_to_probe(drops, n):
    """A drop is zero with the power off: what is read then is a resistance or a junction."""
    report = diagnose(*drops, stage=staged(n, 0.22, 20.0))
    assert report.next
    for text in (*report.next, *(v.next() for v in report.drops if v.next())):
        for step in re.findall(r"Power (?:on|off),.*?(?=Power o|$)", text):
            on = step.startswith("Power on")
            assert ("clipped on before, one hand" in step) == on, step
            assert on or "capacitors discharged and measured" in step, step
            assert on == bool(re.search("drops of|voltage|bias|drops stay", step)), step
    # nothing is unsoldered before what needs no iron
    order = [("swap", "lift one end").index(w) for w in ("lift one end", "swap")
             if any(w in step for step in report.next)]  # fmt: skip
    assert order == sorted(order, reverse=True)


def test_odds_by_hand():
    """Bayes' rule for one drop alone, 2 times the wanted one, with nothing but a bias or a resistor at fault.

    Sound: the bias is flat over ln 1000 to either side with weight 0.9 (ln 2 is 4.6 deviations off the part
    near the wanted current).  A resistor out of value: ln R flat within a decade, half of it within 1.6, and
    the bias near the wanted current or anywhere that leads to this drop.  6 %: the grid of drive voltages.
    """
    rail = Rail(ONE.idle, (0.044,), (0.22,), None, np.array([0.0005]), (0.0052, 0.00017), 0.05)
    q = weigh_faults([rail]).kinds[0][0]
    flat, decade = 0.9 / np.log(1e6), np.log(10)
    sound = flat + 0.1 * np.exp(-0.5 * (np.log(2) / 0.15) ** 2) / (0.15 * np.sqrt(2 * np.pi))
    # of the resistors a few are low; within a factor of 1.2 of its value none is out of it
    high, wide, narrow = 1 - rule("drops_value_low"), 0.5 / decade, 0.5 / np.log(1.6)
    bias = NormalDist(0, 0.15).cdf
    far = bias(np.log(2 / 1.2)) * wide + (bias(np.log(2 / 1.2)) - bias(np.log(2 / 1.6))) * narrow
    value = 0.1 * high * far + flat * (1 - np.log(1.2) * (wide + narrow))
    others = 0.05 + 0.02 + 0.03 + 0.006 + 0.02 + 0.02 + 0.0015 + 0.006
    assert q[Kind.VALUE] / q[Kind.SOUND] == pytest.approx(0.05 * value / ((1 - others) * sound), rel=0.06)


def test_a_pair_with_known_curves_and_wild_drops_stays_cheap(parts):
    """Every drive voltage fits when both positions are suspect: the pieces must not run away in number."""
    fits = fits_of(true_values(4, 26), u_is=0.01)
    devices, drawn = devices_from_fits(fits), drawn_devices(fits, TWO)["idle"]
    start = perf_counter()
    report = diagnose(0.1, 55.0, 500.0, 9.0, stage=TWO, devices=devices, drawn=drawn)
    assert perf_counter() - start < 10.0  # 0.3 s here; it was a minute and all the memory
    assert report.overall == "fault" and "undecided" in words(report)


@pytest.mark.parametrize("drops", [(0.019, 0.022), (0.0195, 0.0221)])
def test_single_devices_outside_what_the_other_rail_shows_are_not_as_predicted(drops):
    """A ratio of 1.16 is more than two resistors of 5 % allow without a load."""
    stage = plan_stage(StageAsk(re_ohm=(0.22,), idle_drop_V=0.02, supply_V=42.0))
    report = diagnose_drops(stage, drops)
    assert all(d.verdict == "undecided" for d in report.drops) and report.overall == "undecided"


def test_no_drop_beside_a_conducting_rail_is_no_open_device():
    """Without a load both rails carry one current, so a device that does not conduct would stop both."""
    stage = plan_stage(StageAsk(re_ohm=(0.22,), idle_drop_V=0.02, supply_V=42.0))
    lower = diagnose_drops(stage, (0.02, 0.0)).drops[1]
    assert lower.verdict == "no drop" and "does not conduct" not in lower.says()
    assert "shorted or bypassed" in lower.says() and "load" in lower.says()


def test_while_anything_is_undecided_no_step_turns_the_bias():
    report = diagnose(19.8, 28.5, 24.1, 24.6, stage=plan_stage(StageAsk(
        vce_V=30.0, peak_A=2.7, re_ohm=(0.47,), idle_drop_V=0.02, parallel=2)))  # fmt: skip
    assert report.overall == "undecided" and "leave the bias as it is" in report.bias_text
    assert report.next and not any("turn the bias" in step for step in report.next)
    high = diagnose(40.0, 40.5, 39.5)
    assert high.bias == "too high" and "turn the bias down to 22.0 mV, watching" in high.next[0]


def test_after_switching_off_the_steps_come_in_order():
    report = diagnose(55.0, 56.0, 54.0)
    assert "2.5 times" in report.alarm
    order = ("to its minimum", "trimmer, each lead", "shorted or leaks", "series lamp", "all drops again")
    assert [word in step for word, step in zip(order, report.next, strict=False)] == [True] * len(order)
