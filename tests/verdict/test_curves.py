"""Curves of transistors to verdicts: what is a leak, what is an offset, and what the words say."""

from dataclasses import replace

import numpy as np
import pytest

from junction.base.records import Bag, PartReadings, Reading
from junction.physics.transistor import currents
from junction.shelf.tables import default_meter
from junction.verdict.curves import judge_curves
from junction.verdict.leaks import BE, CB, CE, beside
from junction.verdict.parts import judge_bag
from tests.rows import every_row
from tests.tables import curve_table, sweep_table

SMALL = {"IS": 2e-14, "BF": 330.0, "IKF": 0.12, "RE": 0.5, "RB": 25.0, "RC": 1.0, "VAF": 80.0, "ISE": 5e-14,
         "NE": 1.7}  # fmt: skip
POWER = {"IS": 1e-12, "BF": 75.0, "IKF": 6.0, "RE": 0.02, "RB": 3.0, "RC": 0.05, "VAF": 120.0, "ISE": 1e-11,
         "NE": 1.7}  # fmt: skip


def curves(p=SMALL, vbe=(0.0, 0.8, 33), vces=(1.0, 5.0, 20.0), top=0.1, be=0.0, cb=0.0, ce=0.0, offset=0.0):
    """Points of a part with conductances beside it [S] and an offset of both ammeters [A]; noise of 1 nA."""
    vce, v = (x.ravel() for x in np.meshgrid(vces, np.linspace(*vbe), indexing="ij"))
    ic, ib = (np.ravel(x) for x in currents(v, vce, p))
    ib = ib + be * v - cb * (vce - v) + offset
    ic = ic + cb * (vce - v) + ce * vce + offset
    rng = np.random.default_rng(3)
    ib, ic = (x * (1 + 2e-3 * rng.standard_normal(x.size)) + 1e-9 * rng.standard_normal(x.size)
              for x in (ib, ic))  # fmt: skip
    keep = ic < top
    return [x[keep] for x in (vce, v, ib, ic)]


def table(*parts, type="BC547B", polarity="NPN", temp_C=25.0):
    names = [f"Q{k}" for k in range(len(parts))]
    n = len(parts)
    return curve_table(names, *zip(*parts, strict=True), [temp_C] * n, [polarity] * n, [type] * n)


def judged(*points, **how):
    return judge_curves(table(points, **how))[0]


def test_an_offset_is_constant_a_leak_is_proportional_to_its_voltage():
    found = beside(*curves(be=1 / 4e5, cb=1 / 3e6, ce=1 / 2e6, offset=1.5e-7), 25.0, 0.25)
    # noise of 1 nA over a volt and more, two parts in a thousand of the currents
    assert 1 / found.S[[BE, CB, CE]] == pytest.approx([4e5, 3e6, 2e6], rel=0.03)
    assert found.S[:2] == pytest.approx([1.5e-7, 1.5e-7], abs=2e-8)
    sound = judged(*curves(offset=2e-7))
    assert sound.verdict == "good" and any("offset" in w for w in sound.warnings)
    # as much base current at 0.3 V as the offset above, but proportional to V_BE
    leak = judged(*curves(be=2e-7 / 0.3))
    assert leak.verdict == "leaky" and leak.faults == ("BE leaky",)
    assert "100 nA are registered" not in leak.evidence[0] or "I_EBO" in leak.junctions[0].limit
    assert leak.junctions[0].leak_ohm.value == pytest.approx(1.5e6, rel=0.03)


@every_row("type,more,verdict,fault", [
    ("2N3055", {"be": 1 / 1e4}, "good", ""),  # 0.7 mA at 7 V, 5 mA are registered
    ("2N3055", {"be": 1 / 700}, "leaky", "BE leaky"),  # 10 mA
    ("2N3055", {"ce": 1 / 1e5}, "good", ""),  # 0.3 mA at 30 V, 0.7 mA are registered (I_CEO)
    ("2N3055", {"ce": 1 / 1e4}, "leaky", "CE leaky"),
    ("2N3055", {"cb": 1 / 5e3}, "leaky", "BC leaky"),
    ("2N3055", {"ce": 1 / 5.0}, "shorted", "CE shorted"),
    ("2N3055", {"be": 1 / 10.0}, "shorted", "BE shorted"),
])  # fmt: skip
def test_the_limit_is_that_of_the_registered_type(type, more, verdict, fault):
    v = judged(*curves(POWER, vces=(2.0, 4.0, 20.0), top=5.0, **more), type=type)
    assert (v.verdict, v.faults) == (verdict, (fault,) if fault else ()), v.evidence


def test_resistance_inside_is_named_with_what_is_allowed():
    v = judged(*curves(SMALL | {"RE": 20.0}, vbe=(0.0, 0.95, 39)))
    assert v.verdict == "open" and v.faults == ("BE open",)
    finding = v.junctions[0].finding
    # base resistance over the gain adds a tenth of an ohm, high injection up to kT/q over 20 mA
    assert finding.value.value == pytest.approx(20.0, abs=1.5) and finding.high < 12
    assert "Ω inside" in v.evidence[0] and "allowed" in v.evidence[0] and "probes" in v.next


@every_row("type,verdict,words", [
    ("BC547B", "good", "h_FE 3"),
    ("BC547C", "undecided", "420 is the least registered"),
    ("BC547A", "good", "over the 220 registered"),
    ("BC557B", "undecided", "marked BC557B, which is PNP"),
    ("2N404", "undecided", "germanium"),
    ("TIP120", "undecided", "h_FE"),
    ("2N0000", "good", "not on the shelf"),
])
def test_what_the_marking_promises(type, verdict, words):
    """A part of h_FE 330 and 0.66 V at 2 mA under several names."""
    v = judged(*curves(), type=type)
    assert v.verdict == verdict and words in " ".join((*v.evidence, *v.warnings)), (v.evidence, v.warnings)
    assert v.next and (v.verdict != "undecided" or v.doubt)


def test_unmarked_a_path_between_the_limits_of_two_families_asks_for_the_type():
    v = judged(*curves(cb=1 / 1e6), type="")
    assert v.verdict == "undecided" and "type" in v.next
    assert judged(*curves(), type="").verdict == "good"


def test_fewer_points_are_never_better_with_a_marking():
    full = curves(be=1 / 2e6)
    assert judged(*full).verdict == "leaky"
    few = [x[::7] for x in full]
    high = [x[full[1] > 0.55] for x in full]
    for some in (few, high):
        v = judged(*some)
        # without the points that show it the leak is at least named as one that could not be seen
        assert v.next and (v.verdict != "good" or "a B-E leak of more than" in v.cannot_see)
        assert v.probability["good"] < judged(*curves()).probability["good"]
    nothing = judged(*(x[full[1] < 0.2] for x in curves()))
    assert nothing.verdict == "undecided" and "not driven far enough" in nothing.evidence[0]
    assert "0.8 V" in nothing.next


def test_without_base_current_a_base_emitter_leak_is_not_excluded():
    vce, vbe, ib, ic = curves()
    v = judged(vce, vbe, np.full(ib.size, np.nan), ic)
    assert v.verdict == "undecided" and "Log I_B" in v.next


@every_row("more,verdict", [({}, "good"), ({"ce": 1 / 1e5}, "leaky"), ({"ce": 1 / 5}, "shorted")])
def test_output_curves_at_steps_of_base_current(more, verdict):
    from junction.physics.transistor import internal_vbe_from_ib, intrinsic

    vce, ib = (x.ravel() for x in np.meshgrid(np.linspace(0.5, 12, 24), [0, 5e-6, 1e-5, 2e-5, 5e-5]))
    p = SMALL | {"RE": 0.0, "RB": 0.0, "RC": 0.0}
    vbe = np.where(ib > 0, internal_vbe_from_ib(np.maximum(ib, 1e-9), vce, p), 0.0)
    ic = np.where(ib > 0, intrinsic(vbe, vbe - vce, p).ic, 0.0) + more.get("ce", 0.0) * vce
    ic = ic + 1e-9 * np.random.default_rng(1).standard_normal(ib.size)
    v = judged(vce, np.full(ib.size, np.nan), ib, ic)
    assert v.verdict == verdict, v.evidence
    if verdict == "good":
        assert v.measured["Early voltage"].value == pytest.approx(80, rel=0.05)
        assert "B-E leak of more than" in v.cannot_see


def test_what_goods_do_not_show_is_said():
    v = judged(*curves())
    for words in ("base-emitter junction in reverse", "breakdown beyond 20 V"):
        assert words in v.cannot_see
    it = v.measured["h_FE at 2 mA, 5 V"]
    ic, ib = currents(0.6555, 5.0, SMALL)
    assert it.low < float(ic / ib) < it.high and it.low > 200
    assert v.measured["Early voltage"].value == pytest.approx(80, rel=0.1)
    cold = judged(*curves(), temp_C=np.nan)
    assert any("No temperature" in w for w in cold.warnings)


def sweep(shunt=1e10):
    v = np.concatenate([np.linspace(-5, 0, 12), np.linspace(0, 0.8, 24)[1:]])
    i = 2e-14 * np.expm1(v / 0.02569) + v / shunt
    keep = i < 0.01
    return sweep_table(["Q0"], ["BE"], [v[keep]], [i[keep]], [25.0], ["BC547B"])


def test_sweeps_readings_and_curves_of_one_part_are_joined():
    from junction.sweeps.sweeps import fit_sweeps

    def whole(swept, points, read=()):
        return judge_bag(Bag(read, swept, table(points)), fit_sweeps(swept), default_meter())

    v, = whole(sweep(), curves())
    assert v.verdict == "good" and v.basis == "sweeps and curves"
    assert "current gain" not in v.cannot_see and "(not swept)" not in v.cannot_see
    v, = whole(sweep(), curves(cb=1 / 1e6))
    assert v.verdict == "leaky" and v.faults == ("BC leaky",)
    v, = whole(sweep(1e6), curves())
    assert v.verdict == "leaky" and v.faults == ("BE leaky",)
    v, = whole(sweep(), curves(be=1 / 5))
    assert v.verdict == "undecided" and any("the curves say shorted" in w for w in v.warnings)
    six = (Reading("B-E", "volt", 0.65), Reading("B-C", "volt", 0.64),
           *(Reading(p, "over") for p in ("E-B", "C-B", "C-E", "E-C")))  # fmt: skip
    read = (PartReadings("Q0", six, type="BC547B"),)
    curved = replace(table(curves(), type=""), polarity=("",))
    v, = judge_bag(Bag(read, curves=curved), None, default_meter())
    assert v.verdict == "good" and v.basis == "readings and curves" and v.type == "BC547B"
