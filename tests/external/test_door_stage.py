"""Output stages through the front door: operating points, heat and limits by worked examples and sheets."""

from math import pi, sqrt

import pytest

from tests.external.door_parts import thermal
from tests.external.test_door_substitute import POWER, shelf
from tests.external.transistor_decks import OPTIONS, run
from tests.rows import every_row

KAKANI = ("S. L. Kakani and K. C. Bhandari, Electronic Devices and Circuits, ex. 6.1, p. 333 "
          "(year from memory: 2012)")  # fmt: skip
MALVINO = "A. P. Malvino, Electronic Principles, {} (edition from memory: 7th, 2007)"
CLASS_A = {
    "rth_junction_case": 0.4,
    "rth_case_sink": 0.1,
    "rth_sink": 0.25,
    "ambient": "25C",
    "sink_limit": "140C",
}


def stages(source):
    return pytest.mark.front_door("stage", source=source)


def limit(found, words):
    return next(x for x in found.stage.limits if x["quantity"].startswith(words))


def heat(found, case):
    return next(x for x in found.stage.dissipation if x["case"] == case)


@stages(MALVINO.format("ex. 12-8, p. 397"))
@pytest.mark.parametrize(("P_tot_W", "verdict"), [(1.2, "beyond"), (1.35, "close"), (1.6, "within")])
def test_a_class_b_pair_on_20_V_and_the_rating_it_needs(door, tmp_path, P_tot_W, verdict):
    """20 V, 8 ohm: 6.25 W out, worst 1.25 W in each transistor by the book's MPP^2/40R (1.27 W with pi^2)."""
    own = shelf(tmp_path, P_tot_W=P_tot_W, P_tot_at="case 150C", T_j_C=175)
    found = door.stage(power="6.25W", load="8ohm", supply="20V", circuit="single-supply", load_angle=0,
                       idle_current="10mA", type="X1", types=own)  # fmt: skip
    assert found.stage.peak_to_peak_V == pytest.approx(20) and found.stage.peak_output_A == pytest.approx(
        1.25
    )
    assert heat(found, "worst drive, resistive load")["average_W"] * pi**2 / 10 == pytest.approx(
        1.25, rel=1e-3
    )
    assert limit(found, "P_tot")["verdict"] == verdict


@stages("R. L. Boylestad and L. Nashelsky, Electronic Devices and Circuit Theory, section 12.4 "
        "(from memory)")  # fmt: skip
@pytest.mark.parametrize("circuit", ["two-rails", "single-supply", "bridge"])
def test_a_class_b_stage_driven_to_its_rails_has_78_5_percent(door, circuit):
    """pi/4, in every circuit; at 2/pi of that swing each device takes V_S^2/(pi^2 R_L)."""
    rail = {"two-rails": 40, "single-supply": 20, "bridge": 40}[circuit]
    swing = 2 * rail if circuit == "bridge" else rail
    found = door.stage(output_voltage=f"{swing}Vpk", load="8ohm", supply="40V", circuit=circuit, load_angle=0)
    s = found.stage
    assert swing**2 / 16 / s.full_power_W == pytest.approx(pi / 4, rel=1e-3)
    each = rail**2 / (pi**2 * (8 / (2 if circuit == "bridge" else 1)))
    assert heat(found, "worst drive, resistive load")["average_W"] == pytest.approx(each, rel=1e-3)


@stages("M. H. Rashid, Power Electronics, 4th ed. 2014, ex. 4.4")
@pytest.mark.parametrize(("amps", "verdict"), [(4.0, "within"), (4.7, "close"), (5.2, "beyond")])
def test_junction_case_and_sink_of_125_watts(door, tmp_path, amps, verdict):
    """150 degC at 125 W through 0.4 + 0.1 + 0.5 K/W (the sink shared by two), the case at 100 degC."""
    own = shelf(tmp_path, T_j_C=150, R_thJC_K_per_W=0.4, P_tot_W=312.5, P_tot_at="case 25C")
    found = door.stage(idle_current=f"{amps}A", peak_current="6A", vce="25V", type="X1", types=own, **CLASS_A)
    idle = heat(found, "idle")
    assert idle["junction_C"] == pytest.approx(25 + 25 * amps) and idle["case_C"] == pytest.approx(
        25 + 15 * amps
    )
    assert limit(found, "T_j")["verdict"] == verdict


@stages(KAKANI)
def test_two_watts_through_ten_kelvin_per_watt_are_45_degrees(door):
    found = door.stage(idle_current="100mA", peak_current="200mA", vce="20V", rth_junction_case=9.9,
                       rth_case_sink=0.1, rth_sink=1e-4, ambient="25C")  # fmt: skip
    assert heat(found, "idle")["junction_C"] == pytest.approx(45.0, abs=0.01)


@stages(KAKANI)
def test_a_stage_runs_away_where_theta_times_the_slope_of_the_power_reaches_one(door):
    """Stable if dP/dT_J < 1/theta; dP/dT_J = V_CE (2 mV/K)/(kT/q/I + R_E), 2 mV/K to one digit."""
    options = {"idle_current": "100mA", "peak_current": "1A", "emitter_resistor": 0.22,
               "rth_junction_case": 1.5, "rth_case_sink": 0.5, "junction_temperature": "25C"}  # fmt: skip
    critical = 0.5 / 0.002 * (thermal() / 0.1 + 0.22)
    below, above = (door.stage(vce=f * critical, **options) for f in (0.9, 1.15))
    assert below.stage.vce_critical_V == pytest.approx(critical, rel=0.07)
    runs = [any(x.startswith("Devices with this") for x in found.stage.findings) for found in (below, above)]
    assert runs == [False, True]


@stages(MALVINO.format("ex. 12-14, p. 414"))
@pytest.mark.parametrize(("watts", "verdict"), [(0.43, "within"), (0.48, "close"), (0.52, "beyond")])
def test_625_mW_derated_by_5_mW_per_kelvin_are_500_mW_at_50_degrees(door, tmp_path, watts, verdict):
    own = shelf(tmp_path, P_tot_W=0.625, P_tot_at="case 25C", T_j_C=150)
    found = door.stage(idle_current="10mA", peak_current="20mA", vce=watts / 0.01, rth_junction_case=200,
                       rth_case_sink=1e-4, rth_sink=1e-4, ambient="50C", type="X1", types=own)  # fmt: skip
    check = limit(found, "P_tot derated")
    assert check["limit"] == pytest.approx(0.500, rel=1e-4) and check["verdict"] == verdict


@stages(MALVINO.format("ex. 12-6, p. 391"))
def test_7_3_V_across_16_ohm_are_456_mA(door):
    """Beyond what the option of a drop allows (2 V), a tenth of both: 0.73 V across 1.6 ohm."""
    found = door.stage(emitter_resistor="1.6ohm", idle_drop="0.73V", vce="4.7V")
    assert found.stage.idle.total_A == pytest.approx(0.45625, rel=1e-9)
    assert heat(found, "idle")["average_W"] == pytest.approx(0.45625 * 4.7, rel=1e-9)


RATED = "Data sheets of 2N3055, MJ15024, MJ802, TIP3055 and BD139, table of maximum ratings (undated)"


@stages(RATED)
@every_row("kind", ["2N3055", "MJ15024", "MJ802", "TIP3055", "BD139"])
def test_the_device_that_is_off_stands_both_rails_up_to_its_registered_voltage(door, kind):
    volts = POWER[kind][0]
    for share, verdict in ((0.85, "within"), (0.95, "close"), (1.05, "beyond")):
        found = door.stage(supply=share * volts / 2, peak_current="1A", type=kind)
        check = limit(found, "V_CEO")
        assert (check["limit"], check["verdict"]) == (volts, verdict)


@stages(RATED)
@every_row("kind", ["2N3055", "MJ15024", "MJ802", "TIP3055", "BD139"])
def test_a_rail_of_two_carries_twice_the_registered_current_at_its_peak(door, kind):
    amps = POWER[kind][1]
    for share, verdict in ((0.85, "within"), (0.95, "close"), (1.05, "beyond")):
        found = door.stage(supply="20V", parallel=2, peak_current=2 * share * amps, type=kind,
                           emitter_resistor="0.22ohm")  # fmt: skip
        check = limit(found, "I_C at the peak")
        assert (check["limit"], check["verdict"]) == (amps, verdict)


@stages("Ohm's law and the mean of a sine, Joule heat in each circuit, computed by scipy")
def test_80_W_into_8_ohm_in_one_stage_and_in_a_bridge(door):
    """35.8 V and 4.47 A at the peak; in a bridge each half swings half of it at the same current."""
    one = door.stage(power="80W", load="8ohm", supply="42V").stage
    two = door.stage(power="80W", load="8ohm", supply="24V", circuit="bridge").stage
    peak = sqrt(2 * 80 * 8)
    assert one.peak_output_V == pytest.approx(peak) and one.peak_output_A == pytest.approx(peak / 8)
    assert two.peak_output_A == pytest.approx(peak / 8) and one.rms_V == pytest.approx(sqrt(80 * 8))
    assert one.headroom_V == pytest.approx(42 - peak) and two.headroom_V == pytest.approx(24 - peak / 2)


# --- drops of a stage solved by ngspice ------------------------------------------------------------------


def drops(ohms, on):
    """Drops of NPN devices on a drive that makes 20 mV across 0.22 ohm; those that are not `on` are open."""
    devices = [f"{'' if is_on else '*'}q{k} c b e{k} m\nr{k} e{k} 0 {r}"
               for k, (r, is_on) in enumerate(zip(ohms, on, strict=True))]  # fmt: skip
    lines = "\n".join(devices)
    out = run(f"""drops
vc c 0 20
vb b 0 0.6325
vnone none 0 0
{lines}
.model m NPN(IS=4e-12 BF=100 TNOM=25)
.temp 25
{OPTIONS}
.control
set numdgt=9
set wr_singlescale
dc vnone 0 1 1
wrdata @OUT@ {" ".join(f"v(e{k})" for k in range(len(ohms)))}
.endc
.end
""")
    return [f"{1000 * v:.1f}mV" for v in out[0, 1:]]


@stages("Currents of four transistors on one drive, the third with a fault, computed by ngspice")
@pytest.mark.parametrize(("third_ohm", "third_on", "cause"), [
    (0.22, True, ""), (0.22, False, "off"), (1.1, True, "value"),
])  # fmt: skip
def test_the_position_with_the_fault_is_the_one_that_is_found(door, third_ohm, third_on, cause):
    measured = drops([0.22, 0.22, third_ohm, 0.22], [True, True, third_on, True])
    found = door.stage(emitter_resistor="0.22ohm", parallel=4, idle_drop="20mV", vce="20V",
                       measured_drops=measured).measured_drops  # fmt: skip
    odd = [k for k, x in enumerate(found.drops) if x.verdict != "as predicted"]
    assert odd == ([2] if cause else []) and found.overall == ("fault" if cause == "off" else found.overall)
    likeliest = next(iter(found.causes), None)
    assert (likeliest and (likeliest.quantity, likeliest.where)) == ((cause, "position 3") if cause else None)
    if third_on:
        assert found.drops[2].resistor_ohm.low < third_ohm < found.drops[2].resistor_ohm.high
