"""Matching by a meter's diode mode and its gain socket, and what one more measurement is said to be worth."""

import re

import numpy as np
import pandas as pd
import pytest

import junction
from junction.base.errors import InputError
from tests.transistor import transistor_simulation as sim

#: A pair without emitter resistors, 1 mA each.
PAIR = {"idle_current": "2mA", "peak_current": "2mA", "vce": "5V", "junction_temperature": "25C"}


def metered(vbe=(0.661, 0.664, 0.668, 0.670), **more):
    return pd.DataFrame({"part": list("ABCD"), "polarity": "NPN", "B-E": vbe, "hFE": [162, 170, 166, 150],
                         "temp_C": 24} | more)  # fmt: skip


def test_a_diode_mode_and_a_socket_are_readings_to_match_by():
    """Neighbours in V_BE are paired: 60 mV make a current ten times as large, 3 mV 12 %."""
    found = junction.match(metered(), **PAIR)
    assert [set(s.parts) for s in found.sets] in ([{"A", "B"}, {"C", "D"}], [{"C", "D"}, {"A", "B"}])
    for s in found.sets:
        # tanh(3 mV or 2 mV over 2 kT/q); a digit of the meter and what parts differ in inside make it wide
        vbe = 0.003 if set(s.parts) == {"A", "B"} else 0.002
        assert s.dvbe_V.value == pytest.approx(vbe, abs=3e-4)
        assert s.imbalance_idle.value == pytest.approx(np.tanh(vbe / 2 / 0.0257), rel=0.1)
        assert 0.1 < s.imbalance_idle.high < 0.5


def test_leads_found_by_the_readings_do_as_well_as_named_ones():
    """Lead 2 is the base, 1 the emitter: the same set as with named leads."""
    numbered = pd.DataFrame({
        "part": list("ABCD"), "type": "BC547B", "2-1": [0.661, 0.664, 0.668, 0.670],
        "2-3": [0.652, 0.655, 0.659, 0.661], "1-2": "OL", "3-2": "OL", "1-3": "OL", "3-1": "OL",
        "hFE": [262, 270, 266, 250], "temp_C": 24})  # fmt: skip
    found = junction.match(numbered, **PAIR)
    assert {frozenset(s.parts) for s in found.sets} == {frozenset("AB"), frozenset("CD")}
    assert all(s.polarity == "NPN" for s in found.sets)


def test_what_parts_of_one_type_share_does_not_widen_their_match():
    """Scale and test current of the meter, and the reverse gain of the type, are the same for both parts."""
    def worst(**how):
        return max(s.imbalance_idle.high for s in junction.match(metered(), **how, **PAIR).sets)

    one = worst()
    # half the test current drops half as much in the base
    assert 0.7 * one < worst(meter_current="0.5mA") <= one
    # NPN against PNP they are not: 26 mV times 0.6 of the reverse gain alone is 15 mV
    facing = metered()[:2].assign(polarity=["NPN", "PNP"])
    facing["E-B"] = facing["B-E"].where(facing.polarity == "PNP")
    facing["B-E"] = facing["B-E"].where(facing.polarity == "NPN")
    rails = junction.match(facing, layout="complementary", **PAIR).sets[0]
    assert rails.imbalance_idle.high > 1.3 * one


def test_a_reading_at_a_current_outranks_the_diode_mode():
    better = metered().assign(ic_mA=1.0, vbe_mV=[640, 660, 641, 661])
    found = junction.match(better, **PAIR)
    assert {frozenset(s.parts) for s in found.sets} == {frozenset("AC"), frozenset("BD")}


def test_parts_of_another_size_are_not_matched_for_the_stage():
    """A BC547 is rated for 0.1 A."""
    found = junction.match(metered(type="BC547B"), power="80W", load="8ohm", supply="42V")
    assert not found.sets and all("rated for 0.1 A" in x.why for x in found.left_over)


def test_a_part_that_suits_none_does_not_tear_good_pairs_apart():
    """Two pairs within a millivolt and a stray of 30 mV: the pairs stay."""
    vbe = [0.660, 0.670, 0.6605, 0.6705, 0.665, 0.705]
    parts = pd.DataFrame({"part": list("ABCDEF"), "polarity": "NPN", "ic_mA": 1, "vbe_V": vbe, "temp_C": 24})
    found = junction.match(parts, layout="differential", side_by_side=True)
    assert {frozenset(s.parts) for s in found.sets} == {frozenset("AC"), frozenset("BD"), frozenset("EF")}
    assert set(found.sets[-1].parts) == set("EF") and found.sets[-1].grade == "none"


def test_polarity_follows_from_the_type_and_from_the_sign():
    """Two types registered as complements without a column of polarity; and a PNP logged with its signs."""
    parts = pd.DataFrame({"part": list("ABCD"), "type": ["MJ15003"] * 2 + ["MJ15004"] * 2, "ic_mA": 100,
                          "vbe_mV": [612, 618, 613, 617], "hFE": 90, "temp_C": 24})  # fmt: skip
    stage = {"idle_current": "0.2A", "peak_current": "2A", "vce": "5V", "emitter_resistor": "0.22ohm"}
    assert {s.polarity for s in junction.match(parts, layout="complementary", **stage).sets} == {"NPN + PNP"}
    signs = parts.drop(columns="type").assign(ic_mA=[100, 100, -100, -100], vbe_mV=[612, 618, -613, -617],
                                              polarity=["NPN", "NPN", "", ""])  # fmt: skip
    found = junction.match(signs, **stage)
    assert {(s.polarity, frozenset(s.parts)) for s in found.sets} == {
        ("NPN", frozenset("AB")), ("PNP", frozenset("CD"))}  # fmt: skip


def test_a_pair_without_any_usable_part_is_told_without_a_warning():
    """Each is rated for less than what is asked: nothing is left to look at (warnings are errors here)."""
    parts = pd.DataFrame({"part": list("AB"), "polarity": "NPN", "type": "BC547B", "ic_mA": 1,
                          "vbe_mV": [642, 643]})  # fmt: skip
    found = junction.match(parts, layout="differential", current="1A")
    assert not found.sets and "known" not in repr(found.assumptions)


def test_the_diode_mode_of_a_darlington_is_no_reading_to_match_by():
    """The resistors inside carry the test current, whatever the few readings let it be taken for."""
    parts = pd.DataFrame({"part": list("AB"), "type": "TIP142", "B-E": [1.20, 1.21], "hFE": [2000, 2100]})
    with pytest.raises(InputError):
        junction.match(parts, idle_current="0.1A")


def read(value, ic, vce, rng, temp):
    """Readings of the parts as a bench takes them: 1 mV, 2 % of gain, 1 % of current, a third of a kelvin."""
    vbe, hfe = sim.truth_at(value, ic, vce, temp)
    n = len(vbe)
    return pd.DataFrame({
        "part": [f"S{k}" for k in range(n)], "polarity": "NPN", "ic_A": ic, "vce_V": vce,
        "vbe_V": np.ravel(vbe) + 1e-3 * rng.standard_normal(n),
        "hFE": np.ravel(hfe) * np.exp(0.02 * rng.standard_normal(n)), "temp_C": temp})  # fmt: skip


@pytest.mark.parametrize("seed", [3, 4])
def test_the_advised_measurement_does_what_it_is_said_to(seed):
    """Read at 0.02 A and 5 V for an idle share of 0.2 A and a peak of 3 A: read as advised, ask again."""
    rng = np.random.default_rng(seed)
    value = sim.power_parts(12, rng)
    stage = {"idle_current": "0.4A", "peak_current": "6A", "vce": "5V", "emitter_resistor": "0.1ohm",
             "junction_temperature": "25C", "temperature_uncertainty": 0.1}  # fmt: skip
    parts = read(value, 0.02, 5.0, rng, 25.0)
    before = junction.match(parts, **stage)
    line = before.advice[0]
    number, milli, volts = re.search(r"about ([\d.]+) (m?)A.*? and ([\d.]+) V", line).groups()
    amps, volts = float(number) * (1e-3 if milli else 1), float(volts)
    where = "idle" if "end at idle" in line else "peak"
    was, will = (float(x) for x in re.search(r"from (\d+) to about (\d+) %", line).groups())

    def typical(found):
        return 100 * np.median([getattr(s, f"imbalance_{where}").high for s in found.sets])

    assert was == pytest.approx(typical(before), abs=0.6)
    after = junction.match(pd.concat([parts, read(value, amps, volts, rng, 25.0)]), **stage)
    # other sets are chosen then, and what is said is to first order
    assert will / 1.5 < typical(after) < 1.5 * will and typical(after) < 0.85 * was
