"""The package on Python objects: what is read, returned and handed on, by published examples."""

import numpy as np
import pandas as pd
import pytest

from tests.external.door_parts import SHARP, VT_25, imbalance, pairs, spots, sweeps
from tests.external.test_door_fit import RTC, rtc


def by_api(source):
    return pytest.mark.front_door("api", source=source)


SHARMA = "S. Sharma, Electronic Devices, ex. {} (year from memory: 2010)"


@by_api(RTC)
def test_a_table_read_holds_every_point_that_was_published(door):
    """From -0.2057 V, 0.7640 A delivered, to 0.5900 V, -0.2100 A; delivered current leaves the p side."""
    read = door.read(rtc())
    assert (read.rows_read, read.rows_used, len(read.sweeps)) == (26, 26, 1) and not read.set_aside
    assert read.sweeps.v_V[[0, -1]].tolist() == [-0.2057, 0.5900]
    assert read.sweeps.i_A[[0, -1]].tolist() == [-0.7640, 0.2100]


@by_api(SHARMA.format("4.5, p. 189"))
def test_currents_in_four_units_are_one_sweep(door):
    """0.458 mA, 21.9 mA and 1.03 A at 0.1, 0.2 and 0.3 V (10 uA, kT/q 26 mV)."""
    book = pd.DataFrame({"part": "D1", "junction": "AK", "v_mV": [100, 200, 300],
                         "i_A": ["458uA", "21.9mA", "1.03"]})  # fmt: skip
    read = door.read(book)
    assert read.sweeps.v_V.tolist() == pytest.approx([0.1, 0.2, 0.3])
    expected = 10e-6 * np.expm1(read.sweeps.v_V / 0.026)
    np.testing.assert_allclose(read.sweeps.i_A, expected, rtol=0.005)  # printed to three digits


@by_api("R. S. Sedha, A Textbook of Applied Electronics, ex. 12.3, p. 226 (year from memory: 2008)")
def test_a_frame_of_fits_has_the_number_of_the_book_beside_its_part(door):
    """n 1.18 of D1, and twice that of two such junctions in series."""
    i = np.geomspace(0.5e-3, 15e-3, 25)
    v = 0.340 + 0.1 * np.log(i / 0.5e-3) / np.log(30)
    frame = door.fit(sweeps({"D1": v, "D2": 2 * v}, i, temp_C=16.96)).to_frame()
    assert frame.part.tolist() == ["D1", "D2"]
    assert frame.N.tolist() == pytest.approx([1.176, 2.352], rel=2e-3)


@by_api("Ebers and Moll, Large-signal behavior of junction transistors, 1954, p. 1761 (from memory)")
def test_a_result_that_was_read_once_is_matched_as_the_table_it_came_from(door):
    """V_BE 2 and 4 mV apart are imbalances of 3.9 and 7.8 %, whichever way the parts are handed over."""
    frame = pairs(np.array([0.002, 0.004]))
    options = {"layout": "differential", **SHARP}
    found = door.match(door.read(frame), **options)
    assert [s.grade for s in found.sets] == ["A", "B"]
    for s, apart in zip(found.sets, (0.002, 0.004), strict=True):
        assert s.imbalance_idle.value == pytest.approx(imbalance(apart), rel=0.01)
    table = found.to_frame("sets")
    assert (table.grade.iloc[0], table.grade.iloc[-1]) == ("A", "B")


@by_api("A. P. Malvino, Electronic Principles, ex. 12-8, p. 397 (edition from memory: 7th, 2007)")
def test_what_a_stage_needs_goes_to_the_substitutes_as_an_object_and_as_its_json(door, tmp_path):
    """20 V, 1.25 A and 1.27 W: a BD139 (80 V, 1.5 A, 12.5 W) does, a BC547B (45 V, 0.1 A) does not."""
    stage = door.stage(power="6.25W", load="8ohm", supply="20V", circuit="single-supply", load_angle=0)
    file = tmp_path / "stage.json"
    file.write_text(stage.to_json())
    for needs in (stage, stage.to_dict(), str(file)):
        found = {x.candidate: x for x in door.substitute("BD139", "BC547B", needs=needs).candidates}
        assert "I_C" not in found["BD139"].figures("falls short")
        assert found["BC547B"].result == "falls short" and "I_C" in found["BC547B"].figures("falls short")


@by_api("JEDEC registrations 1N4001 to 1N4007, table of ratings and characteristics (undated)")
def test_a_bag_is_sorted_by_its_registered_leakage_and_the_rest_is_set_aside(door):
    """I_R of a 1N4001 is at most 5 uA at 50 V: half of it is good, twice as much is leaky."""
    i = np.geomspace(1e-6, 0.1, 30)
    rev = -np.linspace(1, 50, 12)
    parts = {}
    for name, leak_A in (("D1", 2.5e-6), ("D2", 10e-6)):
        parts[name] = np.r_[rev / 50 * leak_A, i]
    v = np.r_[rev, 1.7 * VT_25 * np.log1p(i / 1e-9)]
    rows = [pd.DataFrame({"part": name, "type": "1N4001", "junction": "AK", "v_V": v, "i_A": amps})
            for name, amps in parts.items()]  # fmt: skip
    bad = pd.DataFrame({"part": ["D3"], "type": "1N4001", "junction": "AK", "v_V": "0.6", "i_A": "much"})
    found = door.sort(pd.concat([*rows, bad]))
    verdicts = {x.part: str(x.verdict) for x in found.verdicts}
    assert (verdicts["D1"], verdicts["D2"]) == ("good", "leaky")
    (aside,) = found.set_aside
    assert (aside.value, aside.column) == ("much", "i_A")


@by_api("Debashis De, Basic Electronics, 1st ed. 2010, ex. 4-4 and 4-5, p. 209")
def test_gains_of_the_book_stand_in_the_table_of_sets(door):
    """5 mA from 20 uA is 250, from 50 uA 100: a pair of them is none."""
    frame = spots([0.65, 0.65], 5e-3, [5e-3 / 20e-6, 5e-3 / 50e-6])
    (s,) = door.match(frame, layout="differential", **SHARP).sets
    assert sorted(round(mark["hfe"]) for mark in s.marks) == [100, 250]
    assert s.hfe_ratio.value == pytest.approx(0.4, rel=0.01)
    assert not any("registered matched dual" in note for note in s.notes)


@by_api(RTC)
def test_the_columns_of_a_frame_of_fits_hold_the_published_parameters(door):
    (row,) = door.fit(rtc()).to_frame().itertuples()
    published = {"IPH_A": 0.76077553, "N": 1.48118359, "RS_ohm": 0.03637709, "RSH_ohm": 53.71852}
    for name, value in published.items():
        assert getattr(row, f"{name}_low") < value < getattr(row, f"{name}_high"), name


@by_api("ISO 80000-1, Quantities and units, 2009, 7.3.2: the decimal sign is a comma or a point")
def test_a_decimal_comma_is_a_decimal_point(door):
    point = pd.DataFrame({"part": "D1", "A-K": ["0.612"], "K-A": "OL"})
    comma = pd.DataFrame({"part": "D1", "A-K": ["0,612"], "K-A": "OL"})
    one, other = (door.read(frame).readings[0].readings for frame in (point, comma))
    volts = [[r.value for r in found if r.kind == "volt"] for found in (one, other)]
    assert volts == [[0.612], [0.612]]


@by_api("SI Brochure, The International System of Units, 9th ed. 2019, table 7: prefixes")
def test_a_current_is_the_same_in_every_prefix(door):
    """Five ways to write 458 microamperes."""
    written = ["458uA", "458 µA", "0.458mA", "458000nA", "0.000458 A"]
    read = door.read(pd.DataFrame({"part": "D1", "junction": "AK", "v_V": [0.1, 0.2, 0.3, 0.4, 0.5],
                                   "i_A": written}))  # fmt: skip
    assert read.sweeps.i_A == pytest.approx([458e-6] * 5, rel=1e-12) and not read.set_aside


@by_api("SI Brochure, The International System of Units, 9th ed. 2019, section 2.3.1: 0 degC is 273.15 K")
def test_the_temperature_that_is_given_goes_into_the_ideality_as_kelvin(door):
    """The cell of 1986 at 33 degC; taken at 25 degC instead its ideality is 306.15/298.15 times as high."""
    bare = rtc().drop(columns="temp_C")
    warm, room = (door.fit(bare, temperature=t).to_frame().N.iloc[0] for t in ("33C", "25C"))
    assert room / warm == pytest.approx(306.15 / 298.15, rel=1e-3)
