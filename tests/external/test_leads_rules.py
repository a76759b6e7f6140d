"""What the trade goes by at the meter, and limits of registered types, held against the verdicts.

A rule marked `common practice, no source` is nobody's measurement; it is what benches go by.
"""

import pytest

from junction.base.records import PartReadings, Reading
from junction.leads.verdict import judge_readings
from junction.shelf.tables import default_meter
from junction.shelf.types import find_type

METER = default_meter()


def judge(types=None, in_circuit=False, type="", **values):
    readings = tuple(
        Reading(
            k.replace("_", "-").removeprefix("p"), "over" if v is None else "volt", 0.0 if v is None else v
        )
        for k, v in values.items()
    )
    return judge_readings([PartReadings("X", readings, type=type, in_circuit=in_circuit)], METER, types)[0]


def six(b_e, e_b, b_c, c_b, c_e, e_c):
    return {"B_E": b_e, "E_B": e_b, "B_C": b_c, "C_B": c_b, "C_E": c_e, "E_C": e_c}


@pytest.mark.parametrize("volts", [0.50, 0.55, 0.60, 0.65, 0.70])
def test_half_to_seven_tenths_of_a_volt_is_a_silicon_junction(volts):
    """Common practice, no source: 0.5 to 0.7 V one way, OL the other."""
    v = judge(**six(volts + 0.004, None, volts, None, None, None))
    assert (v.verdict, v.device.material) == ("good", "silicon")


@pytest.mark.parametrize("volts", [0.20, 0.25, 0.30])
def test_two_to_three_tenths_of_a_volt_is_germanium_or_schottky(volts):
    """Common practice, no source."""
    v = judge(**six(volts + 0.004, None, volts, None, None, None))
    assert v.verdict == "good"
    materials = {v.device.material, *(a.device.material for a in v.alternatives)}
    assert materials & {"germanium", "Schottky"}
    assert v.device.material != "silicon"
    d = judge(A_K=volts, K_A=None)
    assert d.verdict == "good"
    assert d.device.material != "silicon"


def test_a_quarter_volt_base_emitter_drop_on_a_silicon_part_is_not_good():
    """Common practice, no source: 0.27 V B-E out of circuit on silicon is a bad part."""
    v = judge(**six(0.27, None, 0.64, None, None, None))
    assert v.verdict == "leaky" and v.faults == ("BE leaky",)
    typed = judge(find_type, type="2N3904", **six(0.27, 0.27, 0.64, None, None, 0.75))
    assert typed.verdict == "leaky" and typed.faults == ("BE leaky",)


def test_both_ways_nothing_is_a_short_and_both_ways_over_range_is_open():
    """Common practice, no source: under 50 ohm both ways is a short, OL both ways an open junction."""
    assert judge(**six(0.64, None, 0.63, None, 0.0, 0.0)).faults == ("CE shorted",)
    assert judge(**six(None, None, 0.63, None, None, None)).faults == ("BE open",)


@pytest.mark.external
def test_base_emitter_reads_a_little_higher_than_base_collector():
    """Ebers and Moll, Proceedings of the IRE 42, page 1761, 1954 (from memory): VT ln(1 + 1/BR) higher."""
    v = judge(p1_2=0.690, p2_1=None, p1_3=0.650, p3_1=None, p2_3=None, p3_2=None)
    assert v.device.leads == {"1": "B", "2": "E", "3": "C"}


def test_in_circuit_a_low_reading_is_not_yet_a_bad_part():
    """Common practice, no source: lift a lead before a part is condemned."""
    v = judge(in_circuit=True, **six(0.09, 0.09, 0.64, None, None, 0.73))
    assert v.verdict == "undecided"
    assert "Lift lead" in v.next


def test_an_emitter_resistor_that_reads_kilohms_in_circuit_is_open():
    """Common practice, no source: 0.22 ohm that reads 4.7 kohm is open, with something in parallel."""
    from junction.replace.resistor import judge_reading

    assert judge_reading(0.22, 4700.0, in_circuit=True).state == "open"
    dead = judge(**six(0.64, None, 0.63, None, 0.0, 0.0))
    assert any("emitter resistor" in item and "kilohms" in item for item in dead.neighbours)


@pytest.mark.external
def test_darlington_with_resistors_reads_like_a_transistor_with_a_leak():
    """TIP120 (built-in resistors by its sheet): one junction and a little more."""
    v = judge(find_type, type="TIP120", **six(0.68, None, 0.60, None, None, 0.52))
    assert v.verdict == "good"
    assert v.device.kind == "darlington"
    assert not v.warnings


@pytest.mark.external
@pytest.mark.parametrize("name", ["2N3904", "2N3055", "BC547", "MJ15003", "TIP31C"])
def test_registered_npn_types_agree_with_npn_readings(name):
    """Polarity and material as registered (JEDEC, Pro Electron)."""
    registered = find_type(name)
    assert registered is not None and registered.polarity == "NPN"
    v = judge(find_type, type=name, **six(0.62, None, 0.612, None, None, None))
    assert v.verdict == "good" and v.device.polarity == "NPN" and not v.warnings


@pytest.mark.external
@pytest.mark.parametrize("name", ["2N3906", "MJ2955", "BC557", "TIP32C"])
def test_registered_pnp_types_disagree_with_npn_readings(name):
    registered = find_type(name)
    assert registered is not None and registered.polarity == "PNP"
    v = judge(find_type, type=name, **six(0.62, None, 0.612, None, None, None))
    assert v.verdict != "good"
    assert any("does not fit" in w for w in v.warnings)


@pytest.mark.external
def test_a_leak_within_the_registered_limit_is_not_called_one():
    """2N3055 is registered with I_CEX 1 mA at 100 V: 100 kohm; 1 Mohm at C-B is within it, and 2N3904
    with 50 nA at 30 V (600 Mohm) does not allow it."""
    readings = [Reading(p, "volt", v) for p, v in (("B-E", 0.56), ("B-C", 0.553))]
    readings += [Reading(p, "over") for p in ("E-B", "C-E", "E-C")] + [Reading("C-B", "ohm", 1e6)]
    verdicts = {
        name: judge_readings([PartReadings("X", tuple(readings), type=name)], METER, find_type)[0]
        for name in ("2N3055", "2N3904")
    }
    assert verdicts["2N3055"].verdict == "good"
    assert verdicts["2N3904"].verdict == "leaky"
