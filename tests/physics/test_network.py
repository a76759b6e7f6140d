"""The three-lead network against closed forms of the Ebers-Moll equations and its own residual."""

from functools import partial

import numpy as np
import pytest

from junction.base.units import thermal_voltage
from junction.physics.network import Network
from tests.rows import every_row

VT = thermal_voltage(25.0)
ONE = np.ones(1)
B, C, E = 0, 1, 2
MILLIAMPERE = {"open_V": 3.0, "current_A": 1e-3}
TRANSISTOR = ("transistor", (B, C, E), (1e-14 * ONE, 100.0 * ONE, 4.0 * ONE))


def at(*nodes):
    return np.array(nodes)


def path(p, q, ohm):
    return "path", (p, q), (ONE / ohm,)


def read(elements, red, black, nodes=3, **source):
    """Reading, current, resistance, derivatives and convergence of networks given element by element."""
    network = Network(VT, nodes)
    for kind, between, values in elements:
        getattr(network, kind)(*between, *values)
    return network.read(red, black, **source)


def test_floating_collector_saturates():
    """Ebers-Moll with I_C = 0: I = IS (e^(V/VT) - 1)(1/BF + 1/(1 + BR)); Getreu 1978, chapter 2."""
    v, _, _, _, converged = read([TRANSISTOR], at(B), at(E), **MILLIAMPERE)
    assert converged.all()
    # the minus ones of the exponentials and the floor conductance move the sum by under 1e-9 V
    assert v[0] == pytest.approx(VT * np.log(1e-3 / (1e-14 * (1 / 100 + 1 / 5))), abs=1e-8)


def test_floating_emitter_saturates():
    v = read([TRANSISTOR], at(B), at(C), **MILLIAMPERE)[0]
    assert v[0] == pytest.approx(VT * np.log(1e-3 / (1e-14 * (1 / 4 + 1 / 101))), abs=1e-8)


def test_base_emitter_reads_above_base_collector():
    """V_BE - V_BC = VT ln[(1/BR + 1/(1 + BF))/(1/BF + 1/(1 + BR))] at one current: the order of the leads."""
    pair = [read([TRANSISTOR], at(B), at(x), **MILLIAMPERE)[0][0] for x in (E, C)]
    wanted = VT * np.log((1 / 4 + 1 / 101) / (1 / 100 + 1 / 5))
    assert pair[0] - pair[1] == pytest.approx(wanted, abs=1e-8)
    assert pair[0] > pair[1]


def test_collector_leak_is_amplified():
    """Base open: I_CEO = (h_FE + 1) I_CBO, so the leak carries 1/(h_FE + 1) of the meter's current."""
    r = 10e3
    v = read([TRANSISTOR, path(B, C, r)], at(C), at(E), open_V=30.0, current_A=1e-3)[0]
    i_leak = 1e-3 / 101
    v_be = VT * np.log(100 * i_leak / 1e-14)
    assert v[0] == pytest.approx(v_be + i_leak * r, abs=1e-5)  # BC reverse current 1e-14 A left out


def test_short_elsewhere_makes_an_honest_reading():
    """With B-E shorted, E-C reads as the collector junction does."""
    elements = [TRANSISTOR, path(B, E, 0.5)]
    past = read(elements, at(E), at(C), **MILLIAMPERE)[0]
    direct = read(elements, at(B), at(C), **MILLIAMPERE)[0]
    assert past[0] == pytest.approx(direct[0], abs=6e-4)  # 0.5 mV across the short
    assert 0.5 < past[0] < 0.7


@pytest.mark.parametrize("source", [MILLIAMPERE, {"open_V": 2.8, "resistance_ohm": 2300.0}])
def test_nothing_connected_reads_the_open_voltage(source):
    v = read([path(B, C, 100.0)], at(B), at(E), **source)[0]
    assert v[0] == pytest.approx(source["open_V"], abs=1e-6)


def test_source_behind_a_resistance_divides():
    v, i, *_ = read([path(B, E, 700.0)], at(B), at(E), open_V=2.8, resistance_ohm=2300.0)
    assert v[0] == pytest.approx(2.8 * 700 / 3000, rel=1e-9)
    assert i[0] == pytest.approx(2.8 / 3000, rel=1e-9)


def _crowd(n, darlington, seed):
    """Random parts over all magnitudes that lead finding lays out, all six placements of each."""
    rng = np.random.default_rng(seed)

    def log(low, high):
        return np.exp(rng.uniform(np.log(low), np.log(high), n))

    def sometimes(values):
        return np.where(rng.random(n) < 0.5, 0.0, values)

    inner = 3 if darlington else E
    elements = [("transistor", (B, C, inner), (log(1e-16, 1e-4), log(5, 1000), log(0.05, 60)))]
    if darlington:
        elements.append(("transistor", (3, C, E), (log(1e-16, 1e-9), log(5, 1000), log(0.05, 60))))
        elements.append(("path", (B, 3), (1 / log(2e3, 2e4),)))
        elements.append(("path", (3, E), (1 / log(30, 400),)))
    elements += [("path", leads, (sometimes(1 / log(0.1, 1e7)),)) for leads in ((B, E), (B, C), (C, E))]
    elements.append(("diode", (E, C), (sometimes(log(1e-16, 1e-5)), np.full(n, VT))))
    red, black = np.array([B, E, B, C, C, E]), np.array([E, B, C, B, E, C])
    spread = [(kind, leads, tuple(np.repeat(x, 6) for x in values)) for kind, leads, values in elements]
    return spread, np.tile(red, n), np.tile(black, n), 4 if darlington else 3


SOURCES = [
    MILLIAMPERE,
    {"open_V": 7.0, "current_A": 5e-4},
    {"open_V": 2.8, "resistance_ohm": 2300.0},
    {"open_V": 0.4, "resistance_ohm": 1e4},
]


@every_row("darlington", [False, True])
@every_row("source", SOURCES)
def test_every_network_converges_and_a_batch_is_many_singles(source, darlington):
    for seed in (6, 7, 11, 22) if darlington else ():  # each holds one that swings for long in some source
        some, one, other, count = _crowd(300, darlington, seed)
        assert read(some, one, other, count, **source)[4].all(), seed
    elements, red, black, nodes = _crowd(300, darlington, 5)
    v, _, _, _, converged = read(elements, red, black, nodes, **source)
    assert converged.all()
    assert np.all(v > -1e-9)
    assert np.all(v <= source["open_V"] + 0.02)
    for k in (0, 7, 501, 1799):
        alone = [(kind, leads, tuple(x[k : k + 1] for x in values)) for kind, leads, values in elements]
        one = read(alone, red[k : k + 1], black[k : k + 1], nodes, **source)[0]
        # both stop once a step is under 1e-8 V, and the last step of Newton's method overshoots its accuracy
        assert one[0] == pytest.approx(v[k], abs=2e-8)


@pytest.mark.parametrize("darlington", [False, True])
def test_derivatives_against_central_differences(darlington):
    elements, red, black, nodes = _crowd(120, darlington, 6)
    solve = partial(read, red=red, black=black, nodes=nodes, **MILLIAMPERE)
    v, _, _, dv, _ = solve(elements)
    column, h = 0, 1e-3
    scaled = {"transistor": 3, "diode": 1, "path": 1}  # parameters: IS BF BR, IS (n_vt is none), g
    for k, (kind, leads, values) in enumerate(elements):
        for j in range(scaled[kind]):
            ends = []
            for sign in (h, -h):
                moved = [*elements]
                moved[k] = kind, leads, tuple(x * np.exp(sign * (m == j)) for m, x in enumerate(values))
                ends.append(solve(moved)[0])
            # central differences err by h^2/6 of the third derivative, which is up to volts, and 1e-8 V/h of
            # the solution; within some knee widths (5 mV) of the open voltage it is some 1000 times as much
            away = v < MILLIAMPERE["open_V"] - 0.05
            assert away.sum() > 0.5 * away.size
            slope = (ends[0] - ends[1]) / (2 * h)
            np.testing.assert_allclose(dv[away, column], slope[away], rtol=1e-4, atol=2e-5)
            np.testing.assert_allclose(dv[~away, column], slope[~away], rtol=2e-2, atol=1e-3)
            column += 1
    assert column == dv.shape[1]


def test_derivative_with_the_current():
    elements, red, black, nodes = _crowd(100, False, 8)
    low, mid, high = (
        read(elements, red, black, nodes, open_V=3.0, current_A=i) for i in (0.999e-3, 1e-3, 1.001e-3)
    )
    change = (high[0] - low[0]) / 2e-6 * 1e-3
    np.testing.assert_allclose(mid[2] * mid[1], change, rtol=2e-4, atol=2e-5)


@every_row("source", [{"current_A": 1e-3}, {"resistance_ohm": 2e3}, {"current_A": 0.2}])
def test_where_there_is_no_junction_nothing_overflows(source):
    """A lead beside an absent junction floats up to the open voltage: exp(60 V / VT) is no number."""
    none, some = ("diode", (B, C), (0 * ONE, VT * ONE)), ("diode", (B, E), (1e-14 * ONE, VT * ONE))
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        v, _, _, dv, converged = read([some, none], at(B), at(C), open_V=60.0, **source)
    # what ties a floating node to the black lead loads the source by under a microvolt
    assert converged.all() and np.isfinite(dv).all() and v[0] == pytest.approx(60.0, abs=0.2)
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        v = read([some, none], at(B), at(E), open_V=60.0, **source)[0]
    assert v[0] == pytest.approx(read([some], at(B), at(E), open_V=60.0, **source)[0][0], abs=1e-9)
