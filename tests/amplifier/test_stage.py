"""The stage: what follows from what, what is assumed, what cannot be."""

from math import isnan

import pytest

from junction.amplifier.rating import clipping_W
from junction.amplifier.stage import StageAsk, plan_stage
from junction.base.errors import UsageError
from junction.shelf.tables import rule
from junction.shelf.types import find_type


def test_everything_given_leaves_few_assumptions():
    ask = StageAsk(power_W=80, load_ohm=8, supply_V=42, parallel=2, re_ohm=(0.22,), rb_ohm=(2.2,), idle_A=0.2,
                   load_phase_deg=60, rth_jc=0.7, rth_cs=0.5, rth_sa=0.6, ambient_C=30)  # fmt: skip
    stage = plan_stage(ask, (find_type("MJ15003"), find_type("MJ15004")))
    assert stage.assumptions == ("heat under drive is that of class B with a sine: the idle current's "
                                 "share fades "
                                 "as the drive rises",)  # fmt: skip
    assert stage.questions == ()
    assert stage.idle_drop_V == pytest.approx((0.022, 0.022))
    # four devices of 42 V x 0.1 A on one sink, and each one's own way to it
    assert stage.idle.temp_C == pytest.approx(30 + 0.6 * 4 * 4.2 + 1.2 * 4.2)


def test_what_is_not_known_is_asked_or_assumed():
    stage = plan_stage(StageAsk(power_W=80, load_ohm=8))
    asked = " ".join(stage.questions)
    for word in ("--supply", "--rth-junction-case", "--rth-sink", "--type"):
        assert word in asked
    assert all("common practice" in a for a in stage.assumptions if "taken" in a and "none" not in a)


def test_the_trades_starting_point_is_marked():
    stage = plan_stage(StageAsk(power_W=80, load_ohm=8, supply_V=42, re_ohm=(0.22,)))
    assert stage.idle_drop_V == pytest.approx((rule("stage_idle_drop"),))
    assert any("starting point" in a and "common practice, no source" in a for a in stage.assumptions)


def test_idle_current_and_drop_say_the_same():
    by_drop = plan_stage(StageAsk(re_ohm=(0.22,), idle_drop_V=0.022, vce_V=40.0, peak_A=4.0, parallel=2))
    by_current = plan_stage(StageAsk(re_ohm=(0.22,), idle_A=0.2, vce_V=40.0, peak_A=4.0, parallel=2))
    assert by_drop.idle.total_A == pytest.approx(by_current.idle.total_A)


def test_limits_of_the_type():
    stage = plan_stage(StageAsk(power_W=80, load_ohm=8, supply_V=42), (find_type("2N3055"),))
    words = {c["quantity"].split(" ")[0]: c["verdict"] for c in stage.limits}
    assert words["V_CEO"] == "beyond"  # 84 V over the device that is off, 60 V registered
    assert words["I_C"] == "within"
    assert any("sees both rails, 84 V; V_CEO is 60 V" in f for f in stage.findings)
    area = next(c for c in stage.limits if c["quantity"].startswith("safe area"))
    assert area["verdict"] == "close" or area["limit"] > area["asked"]
    assert all(c["source"] for c in stage.limits)


def test_a_sink_too_small_is_found():
    ask = StageAsk(power_W=200, load_ohm=4, supply_V=50, rth_sa=3.0, ambient_C=25, re_ohm=(0.22,))
    stage = plan_stage(ask, (find_type("TIP41C"),))
    assert any("junction reaches" in f for f in stage.findings)
    assert isnan(stage.sink_needed_K_per_W) or stage.sink_needed_K_per_W < 3.0


def test_too_low_a_supply_shows_in_the_headroom():
    assert plan_stage(StageAsk(power_W=100, load_ohm=8, supply_V=35)).headroom_V < 0


def test_bias_that_does_not_follow_is_worse():
    stage = plan_stage(StageAsk(power_W=80, load_ohm=8, supply_V=42, re_ohm=(0.22,), parallel=2, rth_sa=3.0))
    assert stage.loop_gain_bias > stage.loop_gain_device
    assert any("bias transistor has to sit on the sink" in f for f in stage.findings)


@pytest.mark.parametrize(("ask", "says"), [
    (StageAsk(power_W=80), "a power needs the load"),
    (StageAsk(idle_A=0.1, idle_drop_V=0.02, re_ohm=(0.22,)), "not both"),
    (StageAsk(idle_drop_V=0.02), "needs the emitter resistor"),
    (StageAsk(re_ohm=(0.22, 0.22, 0.22), parallel=2), "3 emitter resistors for 2 devices a rail"),
    (StageAsk(re_ohm=(0.22, 0.0), parallel=2, idle_drop_V=0.02), "one emitter resistor is zero"),
])  # fmt: skip
def test_stages_that_cannot_be(ask, says):
    with pytest.raises(UsageError, match=says):
        plan_stage(ask)


@pytest.mark.external
@pytest.mark.parametrize(("supply", "says"), [(30.0, "cannot give 80 W"), (38.0, "are left for the driver"),
                                              (45.0, "")])  # fmt: skip
def test_a_supply_too_low_is_said_with_the_power_it_gives(supply, says):
    """80 W into 8 ohm: V = sqrt(2 P R) = 35.8 V at the peak (any textbook of power amplifiers)."""
    stage = plan_stage(StageAsk(power_W=80, load_ohm=8, supply_V=supply, re_ohm=(0.22,)))
    assert [says in f for f in stage.findings] == ([True] if says else [])
    # with nothing kept back the rail stands across emitter resistor and load: (30/8.22)**2 * 8/2 = 53.3 W
    assert clipping_W(30.0, 8.0, 0.22) == pytest.approx((30.0 / 8.22) ** 2 * 8.0 / 2)
    assert clipping_W(36.8, 8.0, 0.22) == pytest.approx(80.0, rel=5e-3)  # 36.76 V rounded up
    heat = [d for d in stage.dissipation if d["case"] != "idle"]
    assert all(d["vce_at_peak_V"] > 0 and d["average_W"] > 0 for d in heat)
    assert any(d["case"].startswith("clipping") for d in heat) == (supply == 30.0)
