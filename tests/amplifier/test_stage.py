"""The stage: what follows from what, what is assumed, what cannot be."""

from dataclasses import replace
from math import isnan, nan, pi

import numpy as np
import pytest
from scipy.integrate import simpson

from junction.amplifier.heat import average_W, case_path, load_locus
from junction.amplifier.limits import verdict_of
from junction.amplifier.rating import clipping_W
from junction.amplifier.stage import StageAsk, half_load, plan_stage
from junction.base.errors import UsageError
from junction.shelf.tables import rule
from junction.shelf.types import find_type
from tests.rows import every_row


def test_everything_given_leaves_few_assumptions():
    ask = StageAsk(power_W=80, load_ohm=8, supply_V=42, parallel=2, re_ohm=(0.22,), rb_ohm=(2.2,), idle_A=0.2,
                   load_phase_deg=60, rth_jc=0.7, rth_cs=0.5, rth_sa=0.6, ambient_C=30, rth_pulse=0.25,
                   hfe=60)  # fmt: skip
    stage = plan_stage(ask, (find_type("MJ15003"), find_type("MJ15004")))
    assert stage.assumptions == () and stage.model == ("heat under drive is that of class B with a sine",)
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
    (StageAsk(rth_jc=0.7, rth_pulse=0.8), "less than --rth-junction-case"),
    (StageAsk(re_ohm=(0.22, 0.0), parallel=2, idle_drop_V=0.02), "one emitter resistor is zero"),
])  # fmt: skip
def test_stages_that_cannot_be(ask, says):
    with pytest.raises(UsageError, match=says):
        plan_stage(ask)


@pytest.mark.external
@pytest.mark.parametrize(("supply", "says"), [(30.0, "cannot give 80 W"), (38.0, "are left for the driver"),
                                              (45.0, "")])  # fmt: skip
def test_a_supply_too_low_is_said_with_the_power_it_gives(supply, says):
    """80 W into 8 ohm: V = sqrt(2 P R) = 35.8 V at the peak (arithmetic of a sine)."""
    stage = plan_stage(StageAsk(power_W=80, load_ohm=8, supply_V=supply, re_ohm=(0.22,)))
    assert [says in f for f in stage.findings][:1] == ([True] if says else [])
    assert any("bridge" in f for f in stage.findings) == (supply == 30.0)  # 2 (27 V)^2/8 ohm is 182 W
    # with nothing kept back the rail stands across emitter resistor and load: (30/8.22)**2 * 8/2 = 53.3 W
    assert clipping_W(30.0, 8.0, 0.22) == pytest.approx((30.0 / 8.22) ** 2 * 8.0 / 2)
    assert clipping_W(36.8, 8.0, 0.22) == pytest.approx(80.0, rel=5e-3)  # 36.76 V rounded up
    heat = [d for d in stage.dissipation if d["case"] != "idle"]
    assert all(d["vce_at_peak_V"] > 0 and d["average_W"] > 0 for d in heat)
    assert any(d["case"].startswith("clipping") for d in heat) == (supply == 30.0)


@pytest.mark.external
@every_row("circuit, supply, rail, off, devices", [
    ((), 30.0, 30.0, 60.0, 2), (("single-supply",), 60.0, 30.0, 60.0, 2), (("bridge",), 30.0, 30.0, 60.0, 4),
    (("bridge", "single"), 60.0, 30.0, 60.0, 4), (("quasi-complementary",), 30.0, 30.0, 60.0, 2),
])  # fmt: skip
def test_what_a_device_sees_in_each_circuit(circuit, supply, rail, off, devices):
    """By Kirchhoff's laws: the output rests at the middle; the device that is off sees all of the supply."""
    ask = StageAsk(power_W=40, load_ohm=8, supply_V=supply, circuit=circuit, rth_sa=0.5, ambient_C=30,
                   re_ohm=(0.22,))  # fmt: skip
    stage = plan_stage(ask, (find_type("2N3055"),))
    assert stage.idle.vce_V == rail and stage.supply_V == rail and stage.printed_supply_V == supply
    assert next(c for c in stage.limits if "V_CEO" in c["quantity"])["asked"] == off
    # the current of the load is that of the rail, whichever circuit; a bridge's halves swing half of it
    assert stage.peak.total_A == pytest.approx((2 * 40 / 8) ** 0.5)
    assert stage.headroom_V == pytest.approx(rail - (640**0.5) / stage.halves - stage.peak.total_A * 0.22)
    hot = stage.dissipation[1]
    assert hot["sink_C"] == pytest.approx(30 + 0.5 * devices * hot["average_W"])
    # what comes from the supply goes into the load and into heat, of devices and emitter resistors
    taken = 2 * rail * stage.peak.total_A / pi * stage.halves
    resistors = devices * stage.peak.total_A**2 * 0.22 / 4
    assert stage.full_power_W == pytest.approx(taken)
    assert taken == pytest.approx(40 + devices * hot["average_W"] + resistors)


@every_row("ask, option", [
    (StageAsk(power_W=40, load_ohm=8, supply_V=60), "--circuit single-supply"),  # and not two rails of 60 V
    (StageAsk(power_W=150, load_ohm=8, supply_V=60, circuit=("single-supply",)), "--circuit two-rails"),
    (StageAsk(power_W=150, load_ohm=8, supply_V=30), "--circuit bridge"),
    (StageAsk(power_W=18, load_ohm=4, supply_V=14.4, circuit=("single",)), "--circuit single-supply,bridge"),
    (StageAsk(power_W=500, load_ohm=8, supply_V=20), ""), (StageAsk(power_W=80, load_ohm=8, supply_V=42), ""),
])  # fmt: skip
def test_a_rating_that_does_not_fit_names_the_circuit_that_would(ask, option):
    told = " ".join(plan_stage(ask).findings)
    assert ("--circuit" in told) == bool(option) and option in told


def test_a_circuit_once_said_is_not_doubted():
    ask = StageAsk(power_W=40, load_ohm=8, supply_V=60, circuit=("two-rails",))
    assert plan_stage(ask).findings == ()


@every_row("words, says", [
    (("single-supply", "two-rails"), "not both"), (("triangle",), "is not one of: two-rails"),
    (("",), "is not one of"),
])  # fmt: skip
def test_circuits_that_cannot_be(words, says):
    with pytest.raises(UsageError, match=says):
        plan_stage(StageAsk(circuit=words))


@every_row("given, limit_C", [(nan, 60.0), (80.0, 80.0)])
def test_a_sink_keeps_its_own_limit_and_the_junctions(given, limit_C):
    """At the sink found, stepped back: neither stands above its limit, and one of them stands at it."""
    kind = find_type("2N3055")
    for rth_jc in (0.5, 2.5):  # the second leaves the junctions to decide
        ask = StageAsk(power_W=40, load_ohm=8, supply_V=32, rth_jc=rth_jc, sink_limit_C=given, ambient_C=35)
        sink = plan_stage(ask, (kind,)).sink_needed_K_per_W
        heat = plan_stage(replace(ask, rth_sa=sink), (kind,)).dissipation
        held = kind.rating("T_j") - rule("stage_junction_margin")
        assert max(d["sink_C"] for d in heat) <= limit_C + 1e-9
        assert max(d["junction_peak_C"] for d in heat) <= held + 1e-9
        near = [max(d["sink_C"] for d in heat) - limit_C, max(d["junction_peak_C"] for d in heat) - held]
        assert max(near) == pytest.approx(0.0, abs=1e-6)
    with pytest.raises(UsageError, match="--sink-limit"):
        plan_stage(StageAsk(sink_limit_C=30, ambient_C=35))


def test_half_the_load_is_held_against_the_same_limits():
    ask = StageAsk(power_W=40, load_ohm=8, supply_V=30, re_ohm=(0.22,))
    for name, n, verdict in (("MJ15003", 2, "yes"), ("TIP41C", 1, "no")):
        kind, ask = (find_type(name),), replace(ask, parallel=n)
        half = half_load(ask, plan_stage(ask, kind), kind)
        assert (half["load_ohm"], half["verdict"]) == (4.0, verdict)
        assert half["power_W"] == pytest.approx((27 / (1 + 0.22 / n / 4)) ** 2 / 8)
    assert half_load(ask, plan_stage(ask), ())["verdict"] == "unknown"
    assert half_load(replace(ask, supply_V=nan, power_W=nan), plan_stage(StageAsk()), ()) == {}


PAIRED = StageAsk(power_W=80, load_ohm=8, supply_V=42, parallel=2, re_ohm=(0.22,), idle_drop_V=0.02)


def test_a_power_rated_at_the_case_says_the_way_to_it():
    """T_j - T_case = R_thJC P_tot is what derating means: 150 W at 25 C and 150 C in the junction."""
    kind = find_type("2SA1943")
    plain, told = plan_stage(PAIRED, (kind,)), plan_stage(replace(PAIRED, rth_jc=125 / 150), (kind,))
    hot = [max(d["junction_peak_C"] for d in stage.dissipation[1:]) for stage in (plain, told)]
    assert hot[0] == pytest.approx(hot[1]) and any("0.833 K/W" in x for x in plain.model)
    assert not any("--rth-junction-case" in x for x in plain.questions)
    half = half_load(PAIRED, plain, (kind,))
    assert half["verdict"] == "close" and "pulse lines" in half["text"] and half["junction_peak_C"] < 135
    # what is stated on the shelf outranks it, and a power rated in free air says nothing of the case
    assert case_path(find_type("2N3055")) == find_type("2N3055").rating("R_thJC")
    assert isnan(case_path(find_type("2SC1567")))


@pytest.mark.parametrize(("names", "n", "verdict", "words"), [
    (("2SC5200",), 2, "unknown", "no T_j of 2SC5200 (--types adds it)"),
    (("2SC5200", "2SA1943"), 2, "unknown", "no T_j of 2SC5200 (--types adds it)"),
    (("MJ15003",), 2, "yes", "of"),
    (("2SC5200", "TIP41C"), 1, "no", " of "),  # what is broken is broken, whatever is not known beside it
])  # fmt: skip
def test_nothing_is_allowed_by_a_limit_that_is_not_known(names, n, verdict, words):
    kinds, ask = tuple(map(find_type, names)), replace(PAIRED, parallel=n)
    half = half_load(ask, plan_stage(ask, kinds), kinds)
    assert half["verdict"] == verdict and words in half["text"], half


def test_half_a_load_is_not_refused_by_a_guessed_way_to_the_case():
    kind = find_type("2SA1943")
    stage = replace(plan_stage(PAIRED, (kind,)), limits=({
        "type": "X", "quantity": "T_j, worst drive", "asked": 161.0, "limit": 150.0, "unit": "C",
        "verdict": "beyond", "ratio": 161 / 150},))  # fmt: skip
    assert verdict_of(stage, (kind,), guessed=True)[0] == "unknown"
    assert verdict_of(stage, (kind,))[0] == "no"


def test_outputs_of_both_polarities_are_no_quasi_complementary_stage():
    types = (find_type("MJ15003"), find_type("MJ15004"))
    ask = StageAsk(power_W=40, load_ohm=8, supply_V=32, circuit=("quasi",))
    assert any("one polarity" in f for f in plan_stage(ask, types).findings)
    assert not any("one polarity" in f for f in plan_stage(ask, types[:1]).findings)


def test_without_a_rating_the_worst_drive_goes_to_clipping_all_the_same():
    rated = plan_stage(StageAsk(power_W=40, load_ohm=8, supply_V=32, re_ohm=(0.22,)))
    bare = plan_stage(StageAsk(load_ohm=8, supply_V=32, re_ohm=(0.22,), peak_A=3.0))
    assert max(d["peak_W"] for d in bare.dissipation) == max(d["peak_W"] for d in rated.dissipation)
    assert [d["case"].split(",")[0] for d in bare.dissipation][:2] == ["idle", "clipping"]


@pytest.mark.parametrize(("phase_deg", "re_ohm"), [(0.0, 0.0), (0.0, 0.22), (45.0, 0.1), (80.0, 0.0)])
def test_the_path_of_half_a_cycle_has_the_mean_heat_of_the_closed_form(phase_deg, re_ohm):
    """The integral of V_CE I_C over the conducting half, over the whole cycle, by Simpson's rule."""
    phase = np.radians(phase_deg)
    vce, current = load_locus(28.0, 42.0, 8.0, phase, re_ohm, points=1001)
    assert current[[0, -1]] == pytest.approx([0.0, 0.0], abs=1e-12)
    mean = simpson(vce * current, x=np.linspace(0.0, np.pi, 1001)) / (2 * np.pi)
    assert mean == pytest.approx(average_W(28.0, 42.0, 8.0, phase, re_ohm), rel=1e-9)
