"""Sets of diodes, LEDs and Zeners: what a reading says at another current, and the choice of sets."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

import junction
from junction.base.errors import InputError, UsageError
from junction.base.units import thermal_voltage
from junction.sets.junctions import Point, TwoLead, at_current
from junction.sets.two_lead import shared_currents
from junction.shelf.tables import rule
from tests.rows import every_row

TEMPS = {"reverse": False, "u_temp_K": (0.3, 1.2), "draws": 2000}
VOLTS = [0.598, 0.612, 0.601, 0.607, 0.599, 0.611, 0.602, 0.606]
BAG = pd.DataFrame({"part": [f"D{k}" for k in range(8)], "A-K": VOLTS, "K-A": "OL", "temp_C": 23.0})


def sets_of(frame, **options):
    return [s.parts for s in junction.match(frame, **options).sets]


def test_currents_at_one_voltage_solve_the_law():
    v, m, rs = np.array([[0.60, 0.62, 0.65]]), np.array([[0.026, 0.04, 0.05]]), np.array([[2.0, 0.5, 10.0]])

    def current(k, volts):
        return brentq(lambda x: v[0, k] + m[0, k] * x + rs[0, k] * 0.01 * np.expm1(x) - volts, -20, 5)

    def missing(volts):
        return sum(np.exp(current(k, volts)) for k in range(3)) - 3

    common = brentq(missing, 0.4, 0.9)
    wanted = [np.exp(current(k, common)) / 3 for k in range(3)]
    assert shared_currents(v, m, rs, 0.01)[0] == pytest.approx(wanted, rel=1e-8)  # both solved to rounding


def test_a_reading_at_its_own_current_is_what_was_read():
    parts = [TwoLead(f"D{k}", points=(Point(1e-3, 0.6 + k / 1000, 2e-4),), temp_C=25.0) for k in range(3)]
    known = at_current(parts, None, 1e-3, **TEMPS)
    assert known.v_V == pytest.approx([0.6, 0.601, 0.602], abs=1e-12)
    assert known.step_V == pytest.approx(0, abs=1e-12)
    # -2 mV/K times 0.3 K beside the others, within 20 % for the gap by voltage
    assert known.temp_V == pytest.approx(0.3 * -rule("vbe_slope"), rel=0.2)


def test_the_step_to_another_current_is_mostly_shared():
    parts = [TwoLead(f"D{k}", family="switching diode", points=(Point(1e-3, 0.6, 1e-6),), temp_C=25.0)
             for k in range(30)]  # fmt: skip
    known = at_current(parts, None, 1e-2, **TEMPS)
    whole, apart = known.drawn_v.std(axis=0).mean(), (known.drawn_v[:, 0] - known.drawn_v[:, 1]).std()
    # n between 1 and 2.2 is 71 mV more or less for a decade of current, rectangular: 20 mV at least; of it
    # a fiftieth of n and a seventh of R_S are a part's own
    assert whole > 0.02 and apart < 0.35 * whole


def test_two_readings_tell_the_slope_themselves():
    n, vt = 1.8, float(thermal_voltage(25.0))
    points = tuple(Point(i, 0.6 + n * vt * np.log(i / 1e-3), 1e-4) for i in (1e-4, 1e-3))
    part = TwoLead("D", family="silicon rectifier", registered=True, points=points, temp_C=25.0)
    known = at_current([part], None, 1e-2, **TEMPS)
    # RS of 0.06 ohm adds 0.5 mV; a tenth of a millivolt at each end makes 0.2 mV at the third decade
    assert known.v_V[0] == pytest.approx(0.6 + n * vt * np.log(10) + 0.06 * 9e-3, abs=1e-3)
    assert known.slope_V[0] == pytest.approx(n * vt, rel=0.02)


@every_row("layout, in_set", [("string", 2), ("parallel", 2), ("ring", 4), ("bridge", 4)])
def test_the_choice_is_the_best_of_all(layout, in_set):
    """Against every way to cut eight parts into sets, by the spread of what was read."""
    found = sets_of(BAG, layout=layout, in_set=in_set)
    volts = dict(zip(BAG["part"], VOLTS, strict=True))

    def spread(sets):
        return sum(max(volts[p] for p in s) - min(volts[p] for p in s) for s in sets)

    def ways(parts):
        if not parts:
            yield ()
            return
        for rest in combinations(parts[1:], in_set - 1):
            one = (parts[0], *rest)
            for tail in ways([p for p in parts if p not in one]):
                yield (one, *tail)

    # what is expected under the uncertainty and the plain spread order sets alike, but for ties of a digit
    assert spread(found) <= min(map(spread, ways(list(BAG["part"])))) + 1.5e-3


def test_the_order_of_the_rows_moves_nothing():
    shuffled = BAG.sample(frac=1, random_state=3)
    assert repr(junction.match(BAG, layout="ring").sets) == repr(junction.match(shuffled, layout="ring").sets)


def test_kinds_are_never_mixed():
    more = pd.DataFrame({"part": ["L1", "L2", "L3", "G1"], "A-K": [1.72, 1.74, 1.95, 0.28], "K-A": "OL"})
    marked = pd.DataFrame({"part": ["T1", "T2"], "A-K": [0.602, 0.603], "K-A": "OL", "type": "1N4148"})
    result = junction.match(pd.concat([BAG, more, marked]), layout="string")
    kinds = [{name[0] for name in s.parts} for s in result.sets]
    assert all(len(kind) == 1 for kind in kinds) and {"L"} in kinds and {"T"} in kinds
    assert {x.part for x in result.left_over} == {"L3", "G1"}  # another colour, another material


@every_row("cells, why", [
    (("OL", "OL"), "over-range"), ((0.001, 0.001), "judged shorted"), ((0.6, "OL", "yes"), "in circuit"),
])  # fmt: skip
def test_parts_left_out_are_named(cells, why):
    forward, back, soldered = (*cells, "")[:3]
    odd = pd.DataFrame({"part": ["X"], "A-K": forward, "K-A": back, "in_circuit": soldered})
    left = junction.match(pd.concat([BAG, odd]), layout="string").left_over
    assert [x.part for x in left] == ["X"] and why in left[0].why


def test_a_digit_of_the_meter_keeps_a_pair_of_equal_readings_from_certainty():
    one = junction.match(BAG.head(2).assign(**{"A-K": 0.6}), layout="parallel").sets[0]
    # two digits and two temperatures: 0.6 mV times 1.4 and 1.96 of some 2 x 30 mV at the most, N 1
    assert one.imbalance.value == 0 and 0.01 < one.imbalance.high < 0.05 and one.notes


@every_row("options, error", [
    ({"layout": "ring", "supply": "20V"}, "--supply belongs to a transistor stage"),
    ({"layout": "ring", "parallel": 4}, "--in-set"),
    ({"layout": "pairs", "current": "1mA"}, "--idle-current"),
    ({"layout": "pairs", "in_set": 3}, "--parallel"),
    ({"layout": "ring", "keep": "D0,D1"}, "a set of this layout has 4"),
    ({"layout": "string", "keep": "D0,D9"}, "D9 is not among"),
    ({"layout": "string", "keep": ["D0,D1", "D1,D2"]}, "D1 stands twice"),
])  # fmt: skip
def test_options_of_the_other_half_are_refused(options, error):
    with pytest.raises(UsageError, match=error):
        junction.match(BAG, **options)


def test_nothing_to_match_by_says_what_to_give():
    with pytest.raises(InputError, match="K-A in volts"):
        junction.match(BAG, layout="zener")
    with pytest.raises(InputError, match="--layout string"):
        junction.match(BAG)


def test_a_kept_set_lists_what_would_better_it():
    result = junction.match(BAG, layout="string", keep="D0,D1")
    first = result.sets[0]
    assert first.kept and first.parts == ("D0", "D1")
    assert {(w["out"], w["in"]) for w in first.swaps} & {("D1", "D4"), ("D0", "D5")}


def zeners(volts):
    rows = [(f"Z{k}", "AK", -(v + 0.1 * np.log(i / 0.02)), -i)
            for k, v in enumerate(volts) for i in np.geomspace(1e-4, 0.03, 20)]  # fmt: skip
    return pd.DataFrame(rows, columns=["part", "junction", "v_V", "i_A"]).assign(type="1N4742A", temp_C=25.0)


def test_zeners_are_compared_at_their_registered_current():
    result = junction.match(zeners([12.0, 12.3, 12.02, 12.35]), layout="zener")
    assert [s.parts for s in result.sets] == [("Z0", "Z2"), ("Z1", "Z3")]
    first = result.sets[0]
    assert first.current_A == pytest.approx(0.021)  # I_ZT of the 1N4742A, JEDEC registration
    at = 0.1 * np.log(0.021 / 0.02)  # exact points: the fit holds them to its own smoothness, 1 mV
    assert first.voltage_V == pytest.approx([12 + at, 12.02 + at], abs=1e-3)
    assert first.grade == "A" and first.total_V.value == pytest.approx(24.02 + 2 * at, abs=2e-3)


def test_unmarked_zeners_of_other_voltages_are_other_kinds():
    bag = zeners([12.0, 5.1, 12.3, 5.12]).assign(type="")
    result = junction.match(bag, layout="zener", current="10mA", sets=2)
    assert {frozenset(s.parts) for s in result.sets} == {frozenset(("Z0", "Z2")), frozenset(("Z1", "Z3"))}
    alone = junction.match(zeners([12.0, 5.1]).assign(type=""), layout="zener", current="10mA")
    assert not alone.sets


def test_a_breakdown_that_was_swept_alone_condemns_nothing():
    """It rises by decades within a volt, as no leak does; below the 5 V of a rectifier's limit too."""
    for volts in (2.7, 3.3, 5.1, 6.2, 20.0):
        found = junction.sort(zeners([volts]).assign(type="")).verdicts[0]
        assert found.verdict == "undecided" and found.probability["leaky"] < 0.5, volts
        assert found.next.startswith("Sweep A-K forward")


def test_readings_at_a_stated_current_are_matched_there():
    bag = pd.DataFrame({"part": list("ABCD"), "K-A (V)": [5.08, 5.12, 5.31, 5.30]})
    source = {"meter_current": "20mA", "meter_open_voltage": "30V", "meter_over_range": "30V"}
    result = junction.match(bag, layout="zener", **source)
    assert [set(s.parts) for s in result.sets] == [{"D", "C"}, {"A", "B"}]
    assert result.sets[0].current_A == 0.02 and any("a leak" in line for line in result.assumptions)
    assert result.sets[0].spread.value == pytest.approx(0.01 / 5.305, rel=0.01)


def test_what_is_no_zener_is_never_taken_for_one():
    odd = pd.DataFrame({"part": ["R1", "R2", "X1", "X2", "Z1", "Z2"], "A-K": [0.6, 0.6, 0.33, 0.34, 0.7, 0.7],
                        "K-A": [1.7, 1.8, 0.33, 0.34, 1.81, 1.82],
                        "type": ["1N5404", "1N5404", "", "", "", ""]})  # fmt: skip
    result = junction.match(odd, layout="zener")
    assert [set(s.parts) for s in result.sets] == [{"Z1", "Z2"}]


def test_every_view_shows_the_sets():
    result = junction.match(BAG, layout="ring", current="2mA")
    text, page = result.text(more=True), result.contents()["match.html"]
    assert "D0" in text and "grade" in page and "currents at one voltage within 5 % of their sum" in text
    frame = result.to_frame("sets")
    assert list(frame["part"][:4]) == list(result.sets[0].parts)
    assert frame.groupby("set")["share"].sum().tolist() == pytest.approx([1, 1])
    assert result.to_dict()["sets"][0]["imbalance"]["high"] == pytest.approx(frame["imbalance_high"][0])
