"""The diode-mode meter: both kinds, compliance, over-range, display, uncertainty."""

import numpy as np
import pytest

from junction.physics import meter
from junction.physics.junction import current, voltage

SILICON = {"IS_A": 1e-14, "N": 1.0, "RS_ohm": 0.5}


def test_current_source_shows_the_forward_voltage():
    d = meter.driven_by_current_source(1e-3, 2.8, **SILICON)
    assert d.v_V == voltage(1e-3, **SILICON)
    assert d.i_A == 1e-3


def test_current_source_gives_up_at_its_open_voltage():
    leak = SILICON | {"IS_A": 1e-40, "RSH_ohm": 1e6}
    d = meter.driven_by_current_source(1e-3, 1.5, **leak)
    assert d.v_V == 1.5
    assert d.i_A == pytest.approx(1.5 / (1e6 + 0.5), rel=1e-4)  # only the leak is left
    reverse = meter.driven_by_current_source(1e-3, 2.8, **SILICON | {"IS_A": 0.0})
    assert reverse.v_V == 2.8 and reverse.i_A == 0.0


def test_a_leak_pulls_the_reading_down_and_a_short_reads_its_resistance():
    v = meter.driven_by_current_source(1e-3, 2.8, **SILICON, RSH_ohm=np.array([np.inf, 600.0, 47.0])).v_V
    assert v[0] > v[1] > v[2]
    assert v[2] == pytest.approx(47e-3, rel=0.02)


def test_resistance_kind_lies_on_both_lines():
    d = meter.driven_through_resistance(3.0, np.array([100.0, 2200.0, 1e6]), **SILICON)
    np.testing.assert_allclose(current(d.v_V, **SILICON), d.i_A, rtol=1e-9)  # the junction's curve
    np.testing.assert_allclose((3.0 - d.v_V) / [100.0, 2200.0, 1e6], d.i_A, rtol=1e-9)  # the load line
    assert np.all(d.i_A < meter.short_circuit_current(3.0, np.array([100.0, 2200.0, 1e6])))


def test_a_very_large_resistance_is_a_current_source():
    d = meter.driven_through_resistance(1e6, 1e9, **SILICON)
    assert d.v_V == pytest.approx(voltage(1e-3, **SILICON), abs=1e-7)  # 1e6 V falls short by 0.64 V


def test_display_rounds_and_marks_over_range():
    shown = meter.displayed([0.61249, 0.6125001, 1.9996, 2.01, np.nan], 1e-3, 2.0)
    np.testing.assert_allclose(shown.value_V[:3], [0.612, 0.613, 2.0], rtol=1e-12)
    assert list(shown.over) == [False, False, False, True, True]
    assert np.isnan(shown.value_V[3:]).all()


def test_vectorised_equals_single():
    IS = np.geomspace(1e-16, 1e-6, 7)
    together = meter.driven_by_current_source(1e-3, 0.5, IS_A=IS, N=1.2).v_V
    alone = [meter.driven_by_current_source(1e-3, 0.5, IS_A=x, N=1.2).v_V for x in IS]
    np.testing.assert_array_equal(together, alone)


@pytest.mark.external
def test_uncertainty_of_an_accuracy_statement():
    """JCGM 100:2008, 4.3.7 and 5.1.5 (from memory): 14e-6 of 0.928571 V + 2e-6 V gives 15 uV, u 8.7 uV."""
    a = meter.accuracy_half_width(0.928571, 14e-4, 2.0, 1e-6)
    assert a == pytest.approx(15e-6, abs=5e-8)
    assert meter.standard_uncertainty(a) == pytest.approx(8.7e-6, abs=5e-8)


@pytest.mark.external
def test_resolution_alone():
    """GUM F.2.2.1: the last digit alone gives u = 0.29 d."""
    u = meter.reading_uncertainty(0.6, 0.0, 0.0, 1e-3)
    assert u == pytest.approx(0.29e-3, abs=5e-6)
    with_counts = meter.reading_uncertainty(0.6, 0.0, 3.0, 1e-3)
    assert with_counts == pytest.approx(3e-3 / np.sqrt(3))
