"""Readings of one part through `check`: limits of published sheets, worked examples, and circuits of ngspice.

A reading on the ohms range tells a leak that diode mode does not show.  It is taken 25 to 30 % to either side
of what the sheet's limit comes to (its voltage by its current).  Through the public function or through
`junction check --json -`.
"""

import pytest

from tests.external.door import DE, GUPTA, KAKANI, limits, metered, ohm_readings, part_of, six, two

#: Where a limit of so many ohms is held: a path of the first share is condemned, one of the second likelier
#: sound than a leak (near its limit a part stays undecided).
LEAK, SOUND = 0.75, 1.3


def checked(source):
    return pytest.mark.front_door("check", source=source)


def held(door, read, ohm, **options):
    """The verdict at 0.75 of a limit in ohms, and which of good and leaky is likelier at 1.3 of it."""
    leaky, sound = (part_of(door.check(read(share * ohm), **options)) for share in (LEAK, SOUND))
    return str(leaky.verdict), max(sound.probability, key=sound.probability.get), str(sound.verdict)


def power(path, be=0.56, bc=0.55, rest="E-B C-B C-E E-C"):
    """Readings of a power transistor that blocks, with one path on the ohms range."""
    blocked = [f"{name}=OL" for name in rest.split()]
    return lambda ohm: [f"B-E={be}", f"B-C={bc}", *blocked, *ohm_readings(**{path: ohm})]


@checked("1N5817 data sheet, electrical characteristics, row I_R at 20 V, undated")
def test_a_schottky_rectifier_may_read_20_kilohms(door):
    """1 mA at 20 V."""
    found = held(door, lambda ohm: two(0.2, K_A=ohm), 20 / 1e-3, type="1N5817")
    assert found[:2] == ("leaky", "good")


@checked("1N4001 data sheet, electrical characteristics, row I_R at 50 V, undated")
def test_a_rectifier_may_read_10_megohms(door):
    """5 uA at 50 V."""
    found = held(door, lambda ohm: two(0.56, K_A=ohm), 50 / 5e-6, type="1N4001")
    assert found[:2] == ("leaky", "good")


@checked("1N4148 data sheet, electrical characteristics, rows I_R at 20 V and at 75 V, undated")
def test_a_signal_diode_is_held_to_the_tighter_of_two_currents(door):
    """15 Mohm keep 5 uA at 75 V but pass 1.3 uA at 20 V, where 25 nA are allowed; 1N4001 may read it."""
    read = two(0.6, K_A=75 / 5e-6)
    found = door.json("check", *read, "--type", "1N4148")["parts"][0]
    assert found["verdict"] == "leaky" and found["decides"]["limit"] == pytest.approx(20 / 25e-9)
    assert door.json("check", *read, "--type", "1N4001")["parts"][0]["verdict"] != "leaky"


@checked("1N4728A to 1N4764A data sheet, table of types, rows 1N4733A and 1N4742A, undated")
def test_zeners_are_held_to_the_current_at_their_own_voltage(door):
    """10 uA at 1 V for 5.1 V, 5 uA at 9.1 V for 12 V: 0.5 Mohm are sound across the one alone."""
    read = two(0.66, K_A=0.5e6)
    assert part_of(door.check(read, type="1N4733A")).verdict == "good"
    assert part_of(door.check(read, type="1N4742A")).verdict == "leaky"


@checked(f"{KAKANI}, example 3.12, page 188")
def test_static_resistance_in_reverse(door, tmp_path):
    """10 V and 2 uA are 5 Mohm: a leak where a type may pass a quarter less, sound for a third more."""
    read = two(0.6, K_A=10 / 2e-6)
    tight, loose = (limits(tmp_path, "1N4148", "I_R", "VR=10V", high=f"{x}uA") for x in (1.5, 2.7))
    assert part_of(door.check(read, type="1N4148", types=tight)).verdict == "leaky"
    assert part_of(door.check(read, type="1N4148", types=loose)).verdict == "good"


def odds(door, read, *ohms, **options):
    """Probabilities of good and of leaky at some readings in ohms."""
    found = [part_of(door.check(read(ohm), **options)).probability for ohm in ohms]
    return [(p["good"], p["leaky"]) for p in found]


@checked("JEDEC registration of 2N3055, row I_CEX at 100 V, undated")
def test_a_power_transistor_may_read_100_kilohms_collector_to_base(door):
    """1 mA at 100 V."""
    low, sound = odds(door, power("C_B"), LEAK * 100 / 1e-3, SOUND * 100 / 1e-3, type="2N3055")
    assert low[1] > 0.7 and sound[0] > 0.9


@checked("MJ15003 data sheet, electrical characteristics, row I_EBO at 5 V, undated")
def test_an_output_transistor_may_read_50_kilohms_emitter_to_base(door):
    """100 uA at 5 V."""
    low, sound = odds(door, power("E_B"), LEAK * 5 / 100e-6, SOUND * 5 / 100e-6, type="MJ15003")
    assert low[1] > 0.6 and sound[0] > 0.9


@checked(f"{DE}, example 4-3, page 209; "
         f"{GUPTA}, examples 6.4 and 6.10")  # fmt: skip
def test_leakage_that_is_normal_with_the_base_open(door, tmp_path):
    """I_CEO is gain and one times I_CBO: 15 uA and 9, 1 uA and 99, 10 uA and 49 are 150, 100 and 500 uA."""
    for icbo_uA, gain, want in ((15, 9, "150 µA"), (1, 99, "100 µA"), (10, 49, "500 µA")):
        own = limits(tmp_path, "2N404", "I_CBO", "VCB=12V", high=f"{icbo_uA}uA")
        found = part_of(door.check(six(0.2, 0.19, pnp=True), type="2N404", types=own, hfe=gain))
        assert any(f"up to {want} is normal" in told for told in found.warnings), found.warnings


@checked("2N404 data sheet, electrical characteristics, row I_CBO, undated; "
         f"{DE}, example 2-19, page 98")  # fmt: skip
def test_germanium_leakage_at_70_degC(door):
    """5 uA at 25 degC are 23 times as much at 70 degC: with a gain of 49, 50 times 113 uA."""
    found = part_of(door.check(six(0.15, 0.14, pnp=True), type="2N404", hfe=49, temperature="70C"))
    assert any("up to 5.7 mA is normal at 70 °C" in told for told in found.warnings)


@checked("BC546 to BC548 data sheet, table of h_FE groups, undated; "
         f"{DE}, examples 4-4 and 4-9, pages 209 and 211")  # fmt: skip
def test_worked_gains_against_a_gain_group(door):
    """250 lies in group B (200 to 450); 52.3 is a quarter of its least and no good BC547B."""
    good, low = (door.json("check", *six(0.65, 0.64), "--type", "BC547B", "--hfe", gain)["parts"][0]
                 for gain in (5e-3 / 20e-6, 0.785e-3 / 15e-6))  # fmt: skip
    assert good["verdict"] == "good" and low["verdict"] == "undecided" and low["do"]
    assert low["decides"]["quantity"] == "h_FE" and low["decides"]["limit"] == 200


@checked("JEDEC registration of 2N3055, row h_FE at 4 A and 10 A, undated; "
         f"{DE}, example 4-3, page 209")  # fmt: skip
def test_worked_gain_against_a_power_transistor(door):
    """A gain of 9 (alpha 0.90) is over the 5 registered at 10 A; one of 2 is not."""
    read = six(0.56, 0.55)
    assert part_of(door.check(read, type="2N3055", hfe=0.90 / (1 - 0.90))).verdict == "good"
    assert part_of(door.check(read, type="2N3055", hfe=2)).verdict == "undecided"


@checked("JEDEC registrations of 2N3904 and 2N3906, heading of the sheets, undated")
def test_registered_polarities_of_small_transistors(door):
    """2N3904 is NPN and 2N3906 PNP: the readings of the one are no good part of the other."""
    for own, pnp in (("2N3904", False), ("2N3906", True)):
        assert part_of(door.check(six(0.66, 0.65, pnp=pnp), type=own)).verdict == "good"
        other = part_of(door.check(six(0.66, 0.65, pnp=not pnp), type=own))
        assert other.verdict == "undecided" and any("does not fit" in told for told in other.warnings)


@checked("2N3055 and MJ2955 data sheet, complementary silicon power transistors, page 1, undated")
def test_polarities_of_a_complementary_pair(door):
    for own, pnp in (("2N3055", False), ("MJ2955", True)):
        found = part_of(door.check(six(0.56, 0.55, pnp=pnp), type=own))
        assert (found.verdict, found.device.polarity) == ("good", "PNP" if pnp else "NPN")
        assert part_of(door.check(six(0.56, 0.55, pnp=not pnp), type=own)).verdict == "undecided"


@checked("CODATA 2018, table of exact constants, rows h, c and e, 2019")
def test_a_red_led_takes_the_energy_of_its_photon(door):
    """650 nm are 1.91 eV: no diode takes more than that at 1 mA and lights red; 0.65 V is no LED's."""
    photon_V = 6.62607015e-34 * 299792458 / 650e-9 / 1.602176634e-19
    found = part_of(door.check(two(round(photon_V, 3))))
    assert (found.verdict, found.device.material) == ("good", "LED")
    assert part_of(door.check(two(0.65))).device.material == "silicon"


@checked("Microelectronic Circuits, Sedra and Smith, example 3.4, from memory; "
         "Microelectronics, Neamen, example 1.8, from memory")  # fmt: skip
def test_a_meter_with_a_resistance_drives_a_diode(door):
    """5 V behind 1 kohm leave 0.762 V, and behind 2 kohm 0.619 V: sound silicon, and 1.6 V of it is not."""
    def drop(volts, ohm):
        return part_of(door.check(two(volts), type="1N4148", meter_open_voltage="5V", meter_resistance=ohm))

    assert drop(0.762, "1kohm").verdict == "good" and drop(0.619, "2kohm").verdict == "good"
    assert drop(1.6, "1kohm").verdict != "good"


NPN = "q{n} {C} {B} {E} small\n"
#: Leads and elements of what ngspice solves; parts are invented.
CIRCUITS = {
    "sound": ("B C E", NPN),
    "470 ohm B-C": ("B C E", NPN + "r{n} {B} {C} 470"),
    "100 ohm B-E": ("B C E", NPN + "r{n} {B} {E} 100"),
    "330 ohm C-E": ("B C E", NPN + "r{n} {C} {E} 330"),
    "0.5 ohm C-E": ("B C E", NPN + "r{n} {C} {E} 0.5"),
    "emitter off": ("B C E", "q{n} {C} {B} x{n} small\nrx{n} x{n} 0 1e10"),
    "darlington": ("B C E", "qa{n} {C} {B} m{n} small\nqb{n} {C} m{n} {E} power\n"
                            "ra{n} {B} m{n} 7000\nrb{n} m{n} {E} 70"),
    "two stages": ("B C E", "qa{n} {C} {B} m{n} small\nqb{n} {C} m{n} {E} small"),
    "damper": ("B C E", "q{n} {C} {B} {E} power\nd{n} {E} {C} silicon"),
    "diode": ("A K", "d{n} {A} {K} silicon"),
    "diode, 220 ohm": ("A K", "d{n} {A} {K} silicon\nr{n} {A} {K} 220"),
    "diode, 15 ohm": ("A K", "d{n} {A} {K} silicon\nr{n} {A} {K} 15"),
    "one of two parallel": ("B C E", NPN + "rb{n} {B} y{n} 10\nre{n} {E} z{n} 0.22\n"
                                           "qy{n} {C} y{n} z{n} small\nrs{n} {C} z{n} 0.3"),
    "alone again": ("B C E", NPN),
}  # fmt: skip


@pytest.fixture(scope="module")
def readings():
    return metered(CIRCUITS)


def simulated(what):
    return checked(f"{what}, computed by ngspice")


@simulated("Small transistor with 470 ohm from base to collector")
def test_a_leak_of_the_collector_junction(door, readings):
    found = door.json("check", *readings["470 ohm B-C"])["parts"][0]
    assert found["verdict"] == "leaky" and found["faults"] == ["BC leaky"]
    # rel 0.02: the junction beside it takes a part of the milliampere
    assert found["decides"]["value"] == pytest.approx(470, rel=0.02)


@simulated("Small transistor with 330 ohm from collector to emitter")
def test_a_path_past_both_junctions(door, readings):
    found = part_of(door.check(readings["330 ohm C-E"]))
    assert found.verdict == "leaky" and found.faults == ("CE leaky",)


@simulated("Transistor on a board, its own base resistor of 100 ohm beside it")
def test_a_base_resistor_on_the_board_is_no_fault(door, readings):
    """In circuit the resistor is not held against the part: a lead is to be lifted, and then it is good."""
    there = door.json("check", *readings["100 ohm B-E"], "--in-circuit")["parts"][0]
    assert there["verdict"] == "undecided" and "Lift lead" in there["next"]
    after = part_of(door.check(readings["sound"], in_circuit=True, lifted=["E"]))
    assert after.verdict == "good"


@simulated("Transistor on a board whose parallel neighbour is shorted, 0.22 ohm between their emitters")
def test_a_shorted_neighbour_is_not_the_part(door, readings):
    """Half an ohm both ways on the board belongs to the other one; lifted, this one is sound."""
    there = part_of(door.check(readings["one of two parallel"], in_circuit=True))
    assert there.verdict == "undecided" and "Lift" in there.next
    after = part_of(door.check(readings["alone again"], in_circuit=True, lifted=["C", "E"]))
    assert after.verdict == "good"


@simulated("Transistor with 0.5 ohm from collector to emitter, lifted off the board and on it")
def test_a_short_is_the_parts_own_when_its_leads_are_lifted(door, readings):
    short = readings["0.5 ohm C-E"]
    assert part_of(door.check(short)).faults == ("CE shorted",)
    assert part_of(door.check(short, in_circuit=True)).verdict == "undecided"
    assert part_of(door.check(short, in_circuit=True, lifted=["C", "E"])).verdict == "shorted"


@simulated("Small transistor whose emitter wire is off")
def test_an_emitter_that_lost_its_wire(door, readings):
    found = part_of(door.check(readings["emitter off"]))
    assert found.verdict == "open" and found.faults == ("BE open",)


@checked("TIP120 to TIP122 data sheet, figure of the equivalent circuit, undated; "
         "Darlington of two transistors with its resistors, computed by ngspice")  # fmt: skip
def test_resistors_of_a_darlington_are_its_own(door, readings):
    """7 kohm and 70 ohm stand in the sheet: with them a TIP120 is good, without them it is not one."""
    found = part_of(door.check(readings["darlington"], type="TIP120"))
    assert (found.verdict, found.device.kind) == ("good", "darlington")
    assert part_of(door.check(readings["two stages"], type="TIP120")).verdict != "good"


@checked("BC517 data sheet, characteristics, row V_BE(on) at 10 mA, undated; "
         "Darlington of two transistors without resistors, computed by ngspice")  # fmt: skip
def test_two_drops_in_a_row_are_those_of_a_plain_darlington(door, readings):
    """1.4 V at the most at 10 mA: 1.36 V at 1 mA is good; as a BC547 it is not."""
    assert part_of(door.check(readings["two stages"], type="BC517")).verdict == "good"
    assert part_of(door.check(readings["two stages"], type="BC547")).verdict != "good"


@simulated("Power transistor with a diode from emitter to collector")
def test_a_damper_diode_is_no_leak(door, readings):
    found = part_of(door.check(readings["damper"]))
    assert found.verdict == "good" and not found.faults


@simulated("Diode with 220 ohm and with 15 ohm beside it")
def test_a_diode_with_a_path_beside_it(door, readings):
    """0.22 V both ways is a leak of 220 ohm, 0.015 V both ways a short; alone it is good."""
    leaky, short, alone = (part_of(door.check(readings[name]))
                           for name in ("diode, 220 ohm", "diode, 15 ohm", "diode"))  # fmt: skip
    assert (leaky.verdict, short.verdict, alone.verdict) == ("leaky", "shorted", "good")
    assert leaky.decides.value.value == pytest.approx(220, rel=0.02)
