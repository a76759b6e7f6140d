"""Facts before models: what the points of a sweep show is held to the limits, whatever fits them.

Sweeps are made by bisection in tests/simulate.py, which shares no code with the fits.  Registered limits are
those of the sheets named in reference/limits_*.csv.
"""

import numpy as np
import pytest

from junction.shelf.types import find_type
from junction.sweeps.sweeps import fit_sweeps
from junction.verdict.beside import taken_out
from junction.verdict.sweeps import judge_sweeps
from tests.rows import every_row
from tests.simulate import solve
from tests.tables import sweep_table
from tests.verdict.made_fits import columns


def swept(v, is_A, n, rs=0.5, leak=1e12, bv=np.inf, limit_A=0.02, extra=0.0, floor_A=1e-9, seed=1, more=1.0):
    """Points of a junction with 0.3 % and a floor of noise, up to the source's limit."""
    rng = np.random.default_rng(seed)
    i = solve(v, rs, is_A, n, leak, bv, more, 25.0) + extra
    i = i + rng.normal(size=v.size) * np.hypot(floor_A, 3e-3 * i)
    return v[np.abs(i) < limit_A], i[np.abs(i) < limit_A]


def judged(points, junction, type_=""):
    """Verdicts of sweeps (v, i), each a part of its own."""
    n = len(points)
    table = sweep_table([f"P{k}" for k in range(n)], [junction] * n, *map(list, zip(*points, strict=True)),
                        np.full(n, 25.0), [type_] * n)  # fmt: skip
    found = taken_out(table, fit_sweeps(table), find_type, fit_sweeps)
    return columns(judge_sweeps(found.table, found.fits, find_type, found)), found


BE = np.linspace(-5, 0.8, 59)
DEEP = np.concatenate([np.linspace(-50, -2, 25), np.linspace(0.0, 0.85, 30)])
DEEPER = np.concatenate([np.linspace(-200, -10, 20), np.linspace(0.0, 0.85, 30)])
FORWARD = np.concatenate([np.linspace(-20, -1, 20), np.linspace(0.0, 1.5, 61)])


def one_deep(v, i, amps):
    i = i.copy()
    i[0] = amps
    return v, i


SOFT = np.where(BE < 0, -15.9e-6 * np.exp((-BE - 5) / 0.6), 0.0)
RECTIFIER = {"is_A": 2e-9, "n": 1.8, "rs": 0.05, "limit_A": 1.0}
BASE = {"is_A": 1e-14, "n": 1.0, "rs": 1.5}
DAMPED = np.linspace(-1, 1, 81)


def damped(is_A):
    return swept(DAMPED, is_A, 1.05, 0.1, 45.0, limit_A=1.0, floor_A=1e-6)


def inside(is_A, n, ohm, limit_A=0.02):
    return swept(FORWARD, is_A, n, ohm, limit_A=limit_A)


#: What was swept, junction, type, verdict, what the sentence must say.
CASES = {
    "soft breakdown of a base": (
        swept(BE, **BASE, extra=SOFT), "BE", "BC547B", "leaky",
        "passes 15.9 µA at 5 V reverse, a soft breakdown; this type may pass 100 nA",
    ),
    "more current at a lower voltage": (
        swept(DEEP, **RECTIFIER, extra=np.where(DEEP < 0, DEEP / 6e5, 0)), "AK", "1N4004", "leaky",
        "at 50 V reverse; this type may pass 5 µA at 400 V",
    ),
    "breakdown in the last point": (
        one_deep(*swept(DEEPER, **RECTIFIER), -1e-3), "AK", "1N4004", "leaky",
        "under its rating of 400 V",
    ),
    "20 Ω in a power Schottky": (
        inside(2e-6, 1.05, 20.0, 0.03), "AK", "1N5817", "open", "20 Ω inside, 0.60 Ω allowed",
    ),
    "0.1 Ω in it": (inside(2e-6, 1.05, 0.1, 0.03), "AK", "1N5817", "good", "healthy Schottky"),
    "10 Ω in a power base": (inside(2e-12, 1.02, 10.0, 0.1), "BE", "2N3055", "open", "10 Ω inside, 4."),
    "1 Ω in it": (inside(2e-12, 1.02, 1.0, 0.1), "BE", "2N3055", "good", "healthy"),
    "100 Ω in a small base": (inside(1e-14, 1.0, 100.0), "BE", "BC547B", "open", "100 Ω inside"),
    "10 Ω in that": (inside(1e-14, 1.0, 10.0), "BE", "BC547B", "good", "healthy"),
    "damper transistor": (damped(2e-11), "BE", "BU508D", "good", "beside its own resistor of 45 Ω"),
    "its resistor, unmarked": (
        damped(2e-11), "BE", "", "undecided", "a transistor with damper diode has such a resistor",
    ),
    "its resistor in a 2N3055": (damped(2e-11), "BE", "2N3055", "shorted", "45 Ω"),
    "a short of that size": (damped(1e-30), "BE", "BU508D", "shorted", "no knee"),
}  # fmt: skip


@every_row("name", CASES)
def test_what_the_points_show_decides(name):
    points, junction, type_, verdict, words = CASES[name]
    found, _ = judged([points], junction, type_)
    assert (found.names, words in found.said[0]) == ((verdict,), True), (found.said, found.probability)


def test_a_dropout_at_the_deep_end_hides_no_leak():
    """One missing contact among the reverse points: the leak beside it still decides."""
    v, i = swept(BE, **BASE, leak=5e4)
    i[0] = 0.0
    good, _ = judged([one_deep(*swept(BE, **BASE), 0.0)], "BE", "BC547B")
    leaky, _ = judged([(v, i)], "BE", "BC547B")
    assert (good.names, leaky.names) == (("good",), ("leaky",))


def test_noise_over_the_limit_is_no_leak():
    """A floor of 1 uA hides a limit of 100 nA: undecided for what may hide in it, never leaky."""
    names = {judged([swept(BE, **BASE, floor_A=1e-6, seed=k)], "BE", "BC547B")[0].names[0] for k in range(8)}
    assert names <= {"undecided", "good"}, names


@pytest.mark.parametrize("parts, left", [(8, "good"), (3, "undecided")])
def test_the_input_of_the_instrument_is_taken_out_once(parts, left):
    """1 MΩ across every part is no leak; three parts are too few to know it."""
    rng = np.random.default_rng(5)
    bag = [swept(BE, 10 ** rng.uniform(-14.5, -13.5), 1.01, 1.5, 1e6, seed=k) for k in range(parts)]
    found, taken = judged(bag, "BE")
    assert set(found.names) == {left}
    assert taken.input_ohm == pytest.approx(1e6, rel=0.01) if parts == 8 else np.isnan(taken.input_ohm)


def test_a_sweep_that_cannot_see_says_so_without_an_infinite_number():
    """Reverse points in the source's limit at some millivolt, forward ones in steps of half a milliampere."""
    v = np.append(np.full(16, -0.007), np.linspace(0.7, 1.32, 34))
    own = np.round(1e-3 * np.exp((v - 1.15) / 0.043) / 4.88e-4) * 4.88e-4
    found, _ = judged([(v, np.where(v < 0, -4.35e-6, own))], "AK")
    assert found.names == ("undecided",) and "inf" not in found.said[0], found.said


def test_a_leak_beside_the_input_stays_one():
    bag = [swept(BE, 2e-14, 1.01, 1.5, 1e6, seed=k) for k in range(7)]
    bag.append(swept(BE, 2e-14, 1.01, 1.5, 1 / (1 / 1e6 + 1 / 5e4)))
    found, _ = judged(bag, "BE", "BC547B")
    assert found.names == ("good",) * 7 + ("leaky",)
    assert found.numbers[-1]["path"] == pytest.approx(5e4, rel=0.02)  # 0.3 % of scatter, 20 points


def test_paths_that_differ_are_leaks():
    """Within a factor of two, but not alike: no instrument."""
    bag = [swept(BE, 2e-14, 1.01, 1.5, r, seed=k) for k, r in enumerate(np.geomspace(7e5, 1.4e6, 8))]
    found, taken = judged(bag, "BE", "BC547B")
    assert np.isnan(taken.input_ohm) and set(found.names) == {"leaky"}


def test_the_bag_teaches_what_a_dark_part_is():
    """Nothing up to 1 V: an LED, or open; among rectifiers it is open, alone it is asked about."""
    v = np.linspace(-5, 1, 61)
    dark = v, np.random.default_rng(0).normal(size=v.size) * 1e-9
    bag = [swept(v, 10 ** x, 1.8, 0.1, limit_A=0.5, seed=k) for k, x in enumerate(np.linspace(-9.3, -8.3, 8))]
    among, alone = judged([dark, *bag], "AK")[0], judged([dark], "AK")[0]
    assert (among.names[0], alone.names[0]) == ("open", "undecided")
    few = judged([dark, *bag[:4]], "AK")[0]
    assert few.names[0] == "undecided"


def test_a_drifting_ammeter_across_an_open_junction_is_open():
    """1 nA of noise and 2 nA of drift are nothing, falling or not."""
    v = np.linspace(0, 1.2, 41)
    found, _ = judged([(v, np.random.default_rng(2).normal(size=41) * 1e-9 - 2e-9 * v)], "BE", "BC547B")
    assert found.names == ("open",)
