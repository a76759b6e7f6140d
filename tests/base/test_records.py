"""Records: frozen, validated, ragged tables that add up."""

import dataclasses

import numpy as np
import pytest

from junction.base.records import Bag, CurveTable, Interval, PartReadings, Reading, SetAside, Spot, SweepTable
from tests.tables import curve_table, sweep_table


def table():
    return sweep_table(
        ["A", "B"], ["BE", "AK"], [[0.1, 0.2, 0.3], [0.5, 0.6]], [[1, 2, 3], [4, 5]]
    )


def test_sweeps_own_their_points():
    sweeps = table()
    assert len(sweeps) == 2
    np.testing.assert_array_equal(sweeps.v_V[sweeps.points(1)], [0.5, 0.6])
    np.testing.assert_array_equal(sweeps.starts, [0, 3, 5])
    assert sweeps.polarity == ("", "") and np.isnan(sweeps.temp_span_K).all()


def test_a_bag_by_name_has_its_readings_in_order_too():
    be, eb = Reading("B-E", "volt", 0.6), Reading("E-B", "over")
    parts = PartReadings("Q10", (eb, be)), PartReadings("Q2", (be,))
    found = Bag(parts, table()).by_name()
    assert [p.part for p in found.readings] == ["Q2", "Q10"]
    assert [r.placement for r in found.readings[1].readings] == ["B-E", "E-B"]


def test_nothing_can_be_assigned_or_written():
    sweeps = table()
    with pytest.raises(dataclasses.FrozenInstanceError):
        sweeps.part = ()
    with pytest.raises(ValueError, match="read-only"):
        sweeps.v_V[0] = 1.0
    row = SetAside("f", 1, "c", "v", "r")
    for record in (row, Reading("B-E", "volt", 0.6), PartReadings("A"), Spot(), Bag()):
        field = dataclasses.fields(record)[0].name
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(record, field, "x")


def test_what_is_not_known_equals_what_is_not_known():
    """Whatever nan it is: an over-range reading written back in a CSV is the one that was read."""
    one, two = float("nan"), float("nan")
    assert Reading("B-E", "over", one) == Reading("B-E", "over", two) != Reading("B-E", "volt", 0.6)
    part = PartReadings("A", spots=(Spot(0.1, one),), temp_C=two)
    assert part == PartReadings("A", spots=(Spot(0.1, two),))
    assert len({Interval(one, 0.1, 0.2), Interval(two, 0.1, 0.2), Interval(0.15, 0.1, 0.2)}) == 2
    assert Reading("B-E", "volt", 0.6, text="600mV") == Reading("B-E", "volt", 0.6)  # as written: no matter
    assert Spot(0.1) != PartReadings("A")


def test_a_bad_table_cannot_exist():
    good = table()
    fields = {f.name: getattr(good, f.name) for f in dataclasses.fields(good)}
    for change in (
        {"junction": ("BE",)}, {"starts": np.array([0, 3])}, {"starts": np.array([0, 3, 9])},
        {"i_A": np.zeros(4)}, {"temp_C": np.zeros(1)}, {"polarity": ("NPN",)},
        {"reversed_sign": np.zeros(3, bool)},
    ):  # fmt: skip
        with pytest.raises(ValueError, match="sweep table"):
            SweepTable(**{**fields, **change})


def test_a_bad_reading_cannot_exist():
    with pytest.raises(ValueError, match="expected volt, over or ohm"):
        Reading("B-E", "amp", 1.0)


def test_empty_tables():
    assert len(SweepTable.empty()) == 0 and len(CurveTable.empty()) == 0
    bag = Bag()
    assert bag.rows_read == bag.rows_used == 0 and len(bag.sweeps) == 0


def test_curves_own_their_points():
    curves = curve_table(["Q"], [[5.0, 5.0]], [[0.6, 0.65]], [[1e-5, 2e-5]], [[1e-3, 2e-3]])
    np.testing.assert_array_equal(curves.ic_A[curves.points(0)], [1e-3, 2e-3])
    with pytest.raises(ValueError, match="read-only"):
        curves.ic_A[0] = 0.0
