"""The CSV examples that reference/readings.md shows, read as they stand there."""

import math
import re
from pathlib import Path

import numpy as np

from junction.base.records import Spot
from tests.intake.helpers import bag_of, readings
from tests.rows import every_row

PAGE = Path(__file__).parents[2] / "reference" / "readings.md"

WIDE = """\
part,B-E,E-B,B-C,C-B,C-E,E-C,type,temp_C
Q1,0.642,OL,0.633,OL,OL,OL,2N3055,23
Q2,0.648,OL,34 ohm,34 ohm,0.651,OL,2N3055,23
Q3,612 mV,OL,605 mV,OL,OL,2.2 MΩ,,
"""
NUMBERED = """\
part,1-2,2-1,1-3,3-1,2-3,3-2,in_circuit,note
T1,OL,0.655,OL,OL,0.648,OL,no,from the driver board
T2,0.21~,OL,0.6,OL,OL,OL,yes,settles slowly
"""
DIODES = """\
part;A-K;K-A
D1;0,582;OL
D2;0,004;0,004
"""
LONG = """\
part,red,black,value,type
Q7,B,E,0.655,BD139
Q7,E,B,OL,BD139
Q7,B,C,O.L,BD139
"""
SPOTS = """\
part,polarity,ic_mA,vbe_mV,hFE,temp_C
N01,NPN,100,612,95,24
N01,NPN,1000,688,88,24
P01,PNP,-100,-615,102,24
"""
SWEEPS = """\
# logged at the bench, room temperature
part,junction,v_V,i_mA,temp_C
Q1,BE,0.55,0.021,23
Q1,BE,0.60,0.149,23
Q1,BE,0.65,1.04,23
D1,AK,-5,-0.00001,23
D1,AK,0.62,1.1,23
"""
CURVES = """\
part;V_CE (V);V_BE [mV];I_B (µA);I_C (mA)
P1;-5;-612;-10,2;-1,04
P1;-5;-655;-51,0;-5,31
"""
EXAMPLES = (WIDE, NUMBERED, DIODES, LONG, SPOTS, SWEEPS, CURVES)


def test_every_csv_example_of_the_page_is_tested_here():
    shown = re.findall(r"```csv\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.S)
    assert set(shown) == set(EXAMPLES), "an example that no test reads, or that the page lost"


@every_row("text", EXAMPLES)
def test_every_example_is_used_to_the_last_row(text):
    bag = bag_of(text)
    rows = [line for line in text.splitlines()[1:] if not line.startswith(("#", "part"))]
    assert not bag.set_aside and bag.rows_read == bag.rows_used == len(rows)


def test_all_examples_in_one_call():
    bag = bag_of(*EXAMPLES)
    assert len(bag.readings) == 3 + 2 + 2 + 1 + 2 and len(bag.sweeps) == 2 and len(bag.curves) == 1
    assert not bag.set_aside


def test_wide():
    bag = bag_of(WIDE)
    assert readings(bag, "Q2")["B-C"] == ("ohm", 34.0) and readings(bag, "Q2")["C-E"] == ("volt", 0.651)
    assert readings(bag, "Q3")["B-E"] == ("volt", 0.612) and readings(bag, "Q3")["E-C"] == ("ohm", 2.2e6)
    assert [p.type for p in bag.readings] == ["2N3055", "2N3055", ""]
    assert [p.temp_C for p in bag.readings][:2] == [23, 23] and math.isnan(bag.readings[2].temp_C)


def test_numbered_and_settling():
    t1, t2 = bag_of(NUMBERED).readings
    assert (t1.in_circuit, t2.in_circuit) == (False, True) and t1.note == "from the driver board"
    assert [r.placement for r in t2.readings if r.settling] == ["1-2"]


def test_diodes_with_decimal_comma():
    bag = bag_of(DIODES)
    assert readings(bag, "D1")["A-K"] == ("volt", 0.582) and readings(bag, "D2")["K-A"] == ("volt", 0.004)


def test_long():
    (part,) = bag_of(LONG).readings
    assert [(r.placement, r.kind) for r in part.readings] == [("B-E", "volt"), ("E-B", "over"),
    ("B-C", "over")]
    assert part.type == "BD139"


def test_spots():
    n01, p01 = bag_of(SPOTS).readings
    assert [(s.ic_A, s.vbe_V, s.hfe) for s in n01.spots] == [(0.1, 0.612, 95.0), (1.0, 0.688, 88.0)]
    assert p01.spots == (Spot(0.1, 0.615, 102.0, 24.0),)
    assert (p01.hfe, p01.polarity, p01.temp_C) == (102.0, "PNP", 24.0)


def test_sweeps():
    sweeps = bag_of(SWEEPS).sweeps
    assert list(zip(sweeps.part, sweeps.junction, strict=True)) == [("Q1", "BE"), ("D1", "AK")]
    # a prefix costs one rounding, so the last bit may differ
    np.testing.assert_allclose(sweeps.i_A[:3], [0.021e-3, 0.149e-3, 1.04e-3], rtol=4e-16, atol=0)
    np.testing.assert_array_equal(sweeps.row, [3, 4, 5, 6, 7])
    np.testing.assert_array_equal(sweeps.temp_C, [23, 23])


def test_curves():
    curves = bag_of(CURVES).curves
    assert curves.polarity == ("PNP",)
    np.testing.assert_array_equal(curves.vbe_V, [0.612, 0.655])
    np.testing.assert_allclose(curves.ib_A, [10.2e-6, 51.0e-6], rtol=4e-16, atol=0)
    np.testing.assert_allclose(curves.ic_A, [1.04e-3, 5.31e-3], rtol=4e-16, atol=0)
