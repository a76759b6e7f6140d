"""The three-lead network against closed forms of the Ebers-Moll equations and its own residual."""

from dataclasses import fields, replace

import numpy as np
import pytest

from junction.base.constants import thermal_voltage
from junction.physics.network import Conductance, Diode, Source, Transistor, solve_reading

VT = thermal_voltage(25.0)
ONE = np.ones(1)
B, C, E = 0, 1, 2


def at(*nodes):
    return np.array(nodes)


def transistor(is_A=1e-14, bf=100.0, br=4.0):
    return Transistor(B, C, E, is_A * ONE, bf * ONE, br * ONE)


def test_floating_collector_saturates():
    """Ebers-Moll with I_C = 0: I = IS (e^(V/VT) - 1)(1/BF + 1/(1 + BR)); Getreu 1978, chapter 2."""
    s = solve_reading([transistor()], at(B), at(E), Source(3.0, 1e-3), vt_V=VT)
    assert s.converged.all()
    # the minus ones of the exponentials and the floor conductance move the sum by under 1e-9 V
    assert s.v_V[0] == pytest.approx(VT * np.log(1e-3 / (1e-14 * (1 / 100 + 1 / 5))), abs=1e-8)


def test_floating_emitter_saturates():
    s = solve_reading([transistor()], at(B), at(C), Source(3.0, 1e-3), vt_V=VT)
    assert s.v_V[0] == pytest.approx(VT * np.log(1e-3 / (1e-14 * (1 / 4 + 1 / 101))), abs=1e-8)


def test_base_emitter_reads_above_base_collector():
    """V_BE - V_BC = VT ln[(1/BR + 1/(1 + BF))/(1/BF + 1/(1 + BR))] at one current: the order of the leads."""
    pair = [solve_reading([transistor()], at(B), at(x), Source(3.0, 1e-3), vt_V=VT).v_V[0] for x in (E, C)]
    wanted = VT * np.log((1 / 4 + 1 / 101) / (1 / 100 + 1 / 5))
    assert pair[0] - pair[1] == pytest.approx(wanted, abs=1e-8)
    assert pair[0] > pair[1]


def test_collector_leak_is_amplified():
    """Base open: I_CEO = (h_FE + 1) I_CBO, so the leak carries 1/(h_FE + 1) of the meter's current."""
    r = 10e3
    elements = [transistor(), Conductance(B, C, ONE / r)]
    s = solve_reading(elements, at(C), at(E), Source(30.0, 1e-3), vt_V=VT)
    i_leak = 1e-3 / 101
    v_be = VT * np.log(100 * i_leak / 1e-14)
    assert s.v_V[0] == pytest.approx(v_be + i_leak * r, abs=1e-5)  # BC reverse current 1e-14 A left out


def test_short_elsewhere_makes_an_honest_reading():
    """With B-E shorted, E-C reads as the collector junction does."""
    elements = [transistor(), Conductance(B, E, ONE / 0.5)]
    s = solve_reading(elements, at(E, B)[:1], at(C), Source(3.0, 1e-3), vt_V=VT)
    direct = solve_reading(elements, at(B), at(C), Source(3.0, 1e-3), vt_V=VT)
    assert s.v_V[0] == pytest.approx(direct.v_V[0], abs=6e-4)  # 0.5 mV across the short
    assert 0.5 < s.v_V[0] < 0.7


@pytest.mark.parametrize("source", [Source(3.0, 1e-3), Source(2.8, resistance_ohm=2300.0)])
def test_nothing_connected_reads_the_open_voltage(source):
    s = solve_reading([Conductance(B, C, ONE / 100.0)], at(B), at(E), source, vt_V=VT)
    assert s.v_V[0] == pytest.approx(source.open_V, abs=1e-6)


def test_source_behind_a_resistance_divides():
    s = solve_reading(
        [Conductance(B, E, ONE / 700.0)], at(B), at(E), Source(2.8, resistance_ohm=2300.0), vt_V=VT
    )
    assert s.v_V[0] == pytest.approx(2.8 * 700 / 3000, rel=1e-9)
    assert s.i_A[0] == pytest.approx(2.8 / 3000, rel=1e-9)


def _crowd(n, darlington, seed):
    """Random parts over all magnitudes that lead finding lays out, all six placements of each."""
    rng = np.random.default_rng(seed)

    def log(low, high):
        return np.exp(rng.uniform(np.log(low), np.log(high), n))

    def sometimes(values):
        return np.where(rng.random(n) < 0.5, 0.0, values)

    inner = 3 if darlington else E
    elements = [Transistor(B, C, inner, log(1e-16, 1e-4), log(5, 1000), log(0.05, 60))]
    if darlington:
        elements += [Transistor(3, C, E, log(1e-16, 1e-9), log(5, 1000), log(0.05, 60)),
                     Conductance(B, 3, 1 / log(2e3, 2e4)), Conductance(3, E, 1 / log(30, 400))]  # fmt: skip
    elements += [Conductance(p, q, sometimes(1 / log(0.1, 1e7))) for p, q in ((B, E), (B, C), (C, E))]
    elements.append(Diode(E, C, sometimes(log(1e-16, 1e-5)), np.full(n, VT)))
    red, black = np.array([B, E, B, C, C, E]), np.array([E, B, C, B, E, C])
    spread = [
        replace(e, **{f.name: np.repeat(getattr(e, f.name), 6) for f in fields(e)
                      if isinstance(getattr(e, f.name), np.ndarray)})
        for e in elements
    ]  # fmt: skip
    return spread, np.tile(red, n), np.tile(black, n), 4 if darlington else 3


SOURCES = [
    Source(3.0, 1e-3),
    Source(7.0, 5e-4),
    Source(2.8, resistance_ohm=2300.0),
    Source(0.4, resistance_ohm=1e4),
]


@pytest.mark.parametrize("darlington", [False, True])
@pytest.mark.parametrize("source", SOURCES)
def test_every_network_converges_and_a_batch_is_many_singles(source, darlington):
    elements, red, black, nodes = _crowd(300, darlington, 5)
    s = solve_reading(elements, red, black, source, vt_V=VT, nodes=nodes)
    assert s.converged.all()
    assert np.all(s.v_V > -1e-9)
    assert np.all(s.v_V <= source.open_V + 0.02)
    for k in (0, 7, 501, 1799):
        alone = [
            replace(e, **{f.name: getattr(e, f.name)[k : k + 1] for f in fields(e)
                          if isinstance(getattr(e, f.name), np.ndarray)})
            for e in elements
        ]  # fmt: skip
        one = solve_reading(alone, red[k : k + 1], black[k : k + 1], source, vt_V=VT, nodes=nodes)
        # both stop once a step is under 1e-8 V, and the last step of Newton's method overshoots its accuracy
        assert one.v_V[0] == pytest.approx(s.v_V[k], abs=2e-8)


@pytest.mark.parametrize("darlington", [False, True])
def test_derivatives_against_central_differences(darlington):
    elements, red, black, nodes = _crowd(120, darlington, 6)
    source = Source(3.0, 1e-3)
    s = solve_reading(elements, red, black, source, vt_V=VT, nodes=nodes)
    column, h = 0, 1e-3
    names = {Transistor: ("is_A", "bf", "br"), Diode: ("is_A",), Conductance: ("g_S",)}
    for k, e in enumerate(elements):
        for name in names[type(e)]:
            ends = []
            for sign in (h, -h):
                moved = [*elements]
                moved[k] = replace(e, **{name: getattr(e, name) * np.exp(sign)})
                ends.append(solve_reading(moved, red, black, source, vt_V=VT, nodes=nodes).v_V)
            # central differences err by h^2/6 of the third derivative, which is up to volts, and 1e-8 V/h of
            # the solution; within some knee widths (5 mV) of the open voltage it is some 1000 times as much
            away = s.v_V < source.open_V - 0.05
            assert away.sum() > 0.5 * away.size
            slope = (ends[0] - ends[1]) / (2 * h)
            np.testing.assert_allclose(s.dv_V[away, column], slope[away], rtol=1e-4, atol=2e-5)
            np.testing.assert_allclose(s.dv_V[~away, column], slope[~away], rtol=2e-2, atol=1e-3)
            column += 1
    assert column == s.dv_V.shape[1]


def test_derivative_with_the_current():
    elements, red, black, nodes = _crowd(100, False, 8)
    low, mid, high = (
        solve_reading(elements, red, black, Source(3.0, i), vt_V=VT, nodes=nodes)
        for i in (0.999e-3, 1e-3, 1.001e-3)
    )
    change = (high.v_V - low.v_V) / 2e-6 * 1e-3
    np.testing.assert_allclose(mid.r_ohm * mid.i_A, change, rtol=2e-4, atol=2e-5)
