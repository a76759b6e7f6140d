"""Logs of PNP parts with reversed signs: recognised by shape, and never mistaken for a reverse sweep."""

import dataclasses

import numpy as np
import pytest

from junction.intake.points import reversed_sweeps
from tests.intake.helpers import bag_of
from tests.rows import every_row
from tests.tables import sweep_table

VT = 0.02569  # thermal voltage at 25 C [V]; the exact value does not matter here


def junction_current(v, i_s=1e-13, n=1.1, shunt=np.inf, i_max=0.05):
    return np.minimum(i_s * np.expm1(np.minimum(v / (n * VT), 60)) + v / shunt, i_max)


SHAPES = {
    "good": lambda v: junction_current(v),
    "high ideality": lambda v: junction_current(v / 2, 1e-6),
    "leaky 1 k": lambda v: junction_current(v, shunt=1e3),
    "leaky 100 ohm": lambda v: junction_current(v, shunt=100.0),
    "high IS": lambda v: junction_current(v, 3e-11),
    "current limited": lambda v: junction_current(v, i_max=5e-3),
}
RANGES = {
    "from zero": np.linspace(0, 0.75, 60), "from -1 V": np.linspace(-1, 0.75, 80),
    "down": np.linspace(0.75, 0, 40),
    "upper part": np.linspace(0.45, 0.75, 30),
    "up and down": np.r_[np.linspace(0, 0.75, 40), np.linspace(0.75, 0, 40)],
}  # fmt: skip


def turned(v, i, junction="BE", polarity=""):
    table = sweep_table(["Q"], [junction], [v], [i])
    return bool(reversed_sweeps(dataclasses.replace(table, polarity=(polarity,)))[0])


@every_row("shape", SHAPES)
@every_row("span", RANGES)
@every_row("junction", ["BE", "BC"])
def test_forward_sweeps_are_told_by_their_sign(shape, span, junction):
    v = RANGES[span]
    i = SHAPES[shape](v) + np.random.default_rng(4).normal(0, 2e-8, v.size)
    assert not turned(v, i, junction)
    assert turned(-v, -i, junction)
    assert not turned(-v, -i, junction, "NPN"), "a column that says NPN is believed"
    assert not turned(-v, -i, "AK"), "a diode is never turned"


@pytest.mark.parametrize(
    ("name", "v", "i"),
    [
        ("leak only", np.linspace(-1, 0, 50), np.linspace(-1, 0, 50) / 1e3),
        ("saturated reverse current", np.linspace(-2, 0, 50),
        -1e-5 * (1 - np.exp(np.linspace(-2, 0, 50) / VT))),
        ("breakdown at 6 V", np.linspace(-7, 0.5, 80),
        -1e-3 * np.exp((-np.linspace(-7, 0.5, 80) - 6.5) / 0.05)),
        ("short", np.linspace(-0.5, 0.0, 40), np.linspace(-0.5, 0.0, 40) / 5),
        ("leak that grows", np.linspace(-2, 0, 50), -1e-4 * np.abs(np.linspace(-2, 0, 50)) ** 2),
    ],
)  # fmt: skip
def test_honest_reverse_sweeps_are_left_alone(name, v, i):
    assert not turned(v, i)


def test_an_open_part_is_left_alone_whatever_its_noise():
    rng = np.random.default_rng(11)
    for _ in range(200):
        v = -np.linspace(0, 0.75, 60)
        assert not turned(v, rng.normal(0, 1e-9, 60))


def csv(rows):
    return "part,junction,v_V,i_A\n" + "".join(f"{p},{j},{v:.4f},{i:.6e}\n" for p, j, v, i in rows)


def log(part, junction, sign, shape, v):
    return [(part, junction, sign * a, sign * b) for a, b in zip(v, shape(v), strict=True)]


def test_all_junctions_of_a_reversed_log_are_turned_together():
    up = np.linspace(0, 0.7, 40)
    leak = lambda v: v / 2e4  # noqa: E731
    bag = bag_of(csv(
        log("P1", "BE", -1, SHAPES["good"], up) + log("P1", "BC", -1, leak, up) + log("P1", "CE", -1, leak,
        10 * up)
        + log("N1", "BE", 1, SHAPES["good"], up) + log("N1", "BC", 1, leak, -up) + log("N1", "CE", 1, leak,
        -up)
        + log("X1", "CE", -1, leak, 10 * up)
    ))  # fmt: skip
    sweeps = bag.sweeps
    assert list(zip(sweeps.part, sweeps.junction, sweeps.reversed_sign.tolist(), strict=True)) == [
        ("P1", "BE", True), ("P1", "BC", True), ("P1", "CE", True),
        ("N1", "BE", False), ("N1", "BC", False), ("N1", "CE", False), ("X1", "CE", True),
    ]  # fmt: skip
    for k in (0, 1, 2, 3, 6):
        assert (sweeps.v_V[sweeps.points(k)] >= 0).all() and (sweeps.i_A[sweeps.points(k)] >= 0).all()
    assert (sweeps.v_V[sweeps.points(4)] <= 0).all()
    assert not np.signbit(sweeps.v_V[sweeps.points(0)]).any(), "no negative zeros"


def test_a_ce_sweep_of_a_part_marked_pnp_is_turned():
    rows = "".join(f"P1,CE,{-v},{-v * 1e-6},PNP\n" for v in range(1, 9))
    bag = bag_of("part,junction,v_V,i_A,polarity\n" + rows)
    assert bag.sweeps.reversed_sign[0] and bag.sweeps.polarity == ("PNP",)


def test_curves_of_pnp_parts_come_out_in_the_npn_sense():
    text = (
        "part,vce_V,vbe_V,ib_uA,ic_mA\n"
        "P1,-5,-0.6,-10,-1\nP1,-5,-0.65,-20,-3\n"
        "P2,-5,-0.6,10,1\nP2,-5,-0.65,20,3\n"
        "N1,5,0.6,10,1\n"
    )
    curves = bag_of(text).curves
    assert curves.polarity == ("PNP", "PNP", "NPN")
    for array in (curves.vce_V, curves.vbe_V, curves.ib_A, curves.ic_A):
        assert (array > 0).all()


def test_curves_that_are_all_positive_say_nothing_of_polarity_unless_a_column_does():
    assert bag_of("part,vce_V,vbe_V,ic_mA\nQ1,5,0.6,1\n").curves.polarity == ("",)
    assert bag_of("part,vce_V,vbe_V,ic_mA,polarity\nQ1,5,0.6,1,PNP\n").curves.polarity == ("PNP",)


def test_curves_marked_npn_and_logged_as_pnp_are_set_aside():
    bag = bag_of("part,vce_V,vbe_V,ic_mA,polarity\nQ1,-5,-0.6,-1,NPN\nQ1,-5,-0.7,-2,NPN\nQ2,5,0.6,1,NPN\n")
    assert bag.curves.part == ("Q2",)
    assert [(s.row, s.rows) for s in bag.set_aside] == [(2, 2)] and "marked NPN" in bag.set_aside[0].reason


def test_a_batch_gives_what_each_sweep_gives_alone():
    rng = np.random.default_rng(7)
    v_list, i_list = [], []
    for k in range(60):
        v = RANGES[list(RANGES)[k % len(RANGES)]] * rng.choice([-1, 1])
        i = np.sign(v.sum()) * SHAPES[list(SHAPES)[k % len(SHAPES)]](np.abs(v))
        v_list.append(v)
        i_list.append(i)
    n = len(v_list)
    batch = reversed_sweeps(sweep_table([f"Q{k}" for k in range(n)], ["BE"] * n, v_list, i_list))
    assert batch.tolist() == [turned(v, i) for v, i in zip(v_list, i_list, strict=True)]
    assert 0 < batch.sum() < n
