"""What instruments do to curves (limits, offsets, floors, wrong scales), and what the data do not hold.

Curves from `transistor_simulation`, a generator of its own; tests/external/test_bench_curves.py holds the
same against ngspice.
"""

import numpy as np
import pytest

import junction
from junction.physics.transistor import currents
from junction.shelf.tables import rule
from junction.transistor.sense import REASONS
from junction.transistor.transistor import fit_transistors
from junction.transistor.values import at_currents, evaluate, parameter_intervals
from tests.tables import curve_table
from tests.transistor import transistor_simulation as sim

NOISE = 3e-9  # of the ammeters [A]
OFFSETS = (-3.4e-8, 5.1e-8)  # of collector and base current [A]


def logged(params, rng, v, vce=5.0, limit_A=np.inf, offsets=(0.0, 0.0), noise=0.0, scale=1.0):
    """V_CE, V_BE, I_B, I_C of one part as an instrument logs them at 25 degC.

    At its limit the collector source lets V_CE collapse and logs the programmed one.
    """
    vce = np.full(v.size, vce)
    ic, ib = (x[0] for x in currents(v[None], vce[None], sim.at_temperature(params, 25.0), 25.0))
    ic = np.minimum(ic, limit_A)
    ic, ib = (sim.noisy(rng, i, 0.1, noise) + off for i, off in zip((ic, ib), offsets, strict=True))
    return vce, scale * sim.noisy(rng, v, 0.0, 5e-5), ib, np.where(ic > 0.99 * limit_A, limit_A, ic)


def bag(parts, **how):
    """Fits of parts, each logged as its keywords say."""
    rng = np.random.default_rng(3)
    rows = [logged(params, rng, **own) for params, own in parts]
    table = curve_table([f"P{k}" for k in range(len(rows))], *zip(*rows, strict=True),
                        temp_C=np.full(len(rows), 25.0))  # fmt: skip
    return table, fit_transistors(table, law=sim.LAW, u_temp_K=(0.0, 0.0), **how)


@pytest.fixture(scope="module")
def mixtures():
    """Every mixture of limit and floor, a sixth and a third of 60 points each, small and power parts."""
    rng = np.random.default_rng(1)
    parts, shares = [], []
    for kind, top_A, first in ((sim.small_parts, 0.02, 0.30), (sim.power_parts, 0.05, 0.22)):
        for floor in (0.0, 1 / 6, 1 / 3):
            for limit in (0.0, 1 / 6, 1 / 3):
                params = kind(1, rng)
                # V_BE where the limit is met; the floor of some 10 nA ends a little over `first`
                end = float(sim.truth_at(params, top_A, 5.0, 25.0)[0][0, 0])
                count = round(60 * (1 - floor - limit))
                law = np.linspace(first, end - 1e-3, count)
                step = law[1] - law[0]
                v = np.concatenate([first - step * np.arange(round(60 * floor), 0, -1), law,
                                    end + step * np.arange(round(60 * limit))])  # fmt: skip
                how = {"offsets": OFFSETS, "noise": NOISE} if floor else {}
                parts.append((params, {"v": v, **how} | ({"limit_A": top_A} if limit else {})))
                shares.append((floor, limit))
    return parts, shares, *bag(parts)


def test_every_mixture_of_limit_offset_and_floor(mixtures):
    parts, shares, _, fits = mixtures
    assert not any(fits.why_not)
    vbe, hfe = (np.concatenate(x) for x in
                zip(*(sim.truth_at(p, 1e-3, 5.0, 25.0) for p, _ in parts), strict=True))  # fmt: skip
    got = evaluate(fits, 1e-3, 5.0)
    assert np.all(np.abs(got.vbe_V - vbe) < 3e-4)  # what was asked: ten microvolt are possible
    # 0.1 % of noise of some 20 points, and the ridge of ISE and NE
    assert np.all(np.abs(got.hfe / hfe - 1.0) < 0.01)
    limits = np.array([own.get("limit_A", np.nan) for _, own in parts])
    assert np.array_equal(np.isfinite(fits.limit_A), np.isfinite(limits))
    assert np.allclose(fits.limit_A, limits, rtol=1e-3, equal_nan=True)
    assert np.array_equal(fits.flags["current_limited"], np.isfinite(limits))
    floor = np.array([f > 0 for f, _ in shares])
    for found, true in zip((fits.offset_ic_A, fits.offset_ib_A), OFFSETS, strict=True):
        # ten or more points of 3 nA of noise tell a mean to 1 nA; the law may take a part of it
        assert np.all(np.abs(found[floor] - true) < 4e-9)
    assert fits.flags["zero_offset"][floor].all() and not fits.flags["n_impossible"].any()


def test_points_left_out_are_counted_by_reason(mixtures):
    _, shares, table, fits = mixtures
    assert set(fits.left_out) == set(REASONS)
    whole = sum(fits.left_out.values()) + fits.n_used
    assert np.array_equal(whole, np.diff(table.starts))
    at_limit = np.array([round(60 * limit) for _, limit in shares])
    assert np.all(np.abs(fits.left_out["current limit"] - at_limit) <= 1)
    few = fits.left_out["below the noise"] < np.array([round(60 * floor) for floor, _ in shares]) - 2
    assert not few.any()


def test_output_curves_at_the_limit_of_their_source():
    """The top step of the base current, where V_CE no longer moves the collector current."""
    table = sim.output_table(sim.power_parts(3, np.random.default_rng(5)), np.random.default_rng(6))
    top = 1.2
    ic = np.where(table.ic_A > top, top, table.ic_A)
    assert (ic == top).sum() > 20
    columns = ([x[table.points(k)] for k in range(3)] for x in (table.vce_V, table.vbe_V, table.ib_A, ic))
    fits = fit_transistors(curve_table(table.part, *columns, temp_C=table.temp_C))
    hit = np.array([(ic[table.points(k)] == top).any() for k in range(3)])
    assert np.allclose(fits.limit_A[hit], top) and np.isnan(fits.limit_A[~hit]).all()
    free = fit_transistors(table)
    assert np.isnan(free.limit_A).all()


def test_marks_of_over_range_are_no_readings():
    rng = np.random.default_rng(8)
    vce, vbe, ib, ic = logged(sim.small_parts(1, rng), rng, np.arange(0.4, 0.75, 0.01))
    ic[-3:], ib[4] = 9.91e37, 9.9e37  # IEEE 488.2: 9.91e37 is not a number
    fits = fit_transistors(curve_table(["X"], [vce], [vbe], [ib], [ic], temp_C=[25.0]))
    assert fits.why_not == ("",) and fits.left_out["over-range"][0] == 3


def test_an_emission_coefficient_that_no_junction_has():
    """A voltage scale 6 % off, or a part 17 K colder than said; V_BE is then as uncertain as that."""
    params = {**sim.small_parts(1, np.random.default_rng(9)), "NF": np.array([[0.998]])}
    v, vce = np.arange(0.4, 0.76, 0.01), np.full(36, 5.0)
    #: Scale of V_BE, true temperature [degC], whether it is said.
    cases = [(1.0, 25.0, False), (1.0, 24.0, False), (0.943, 25.0, True), (1.0, 8.0, True),
             (1.03, 25.0, False)]  # fmt: skip
    rows = []
    for scale, temp_C, _ in cases:
        ic, ib = (x[0] for x in currents(v[None], vce[None], sim.at_temperature(params, temp_C), temp_C))
        rows.append((vce, scale * v, ib, ic))
    table = curve_table([f"{k}" for k in range(5)], *zip(*rows, strict=True), temp_C=np.full(5, 25.0))
    fits = fit_transistors(table, law=sim.LAW)
    said = np.array([case[2] for case in cases])
    assert np.array_equal(fits.flags["n_impossible"], said)
    nf = fits.value[said, fits.names.index("NF")]
    assert np.all((0.93 < nf) & (nf < 0.96))  # 0.998 times 0.943
    got, truth = evaluate(fits, 1e-3, 5.0), sim.truth_at(params, 1e-3, 5.0, 25.0)[0]
    assert np.all(((got.vbe_low_V < truth) & (truth < got.vbe_high_V))[said])
    # 17 K at -1.5 to -2 mV/K (common practice), and 0.5 K that is always there
    assert np.all((0.024 < got.u_vbe_V[said]) & (got.u_vbe_V[said] < 0.036))
    assert np.all(got.u_vbe_V[~said] < 2e-3)


def test_what_the_data_do_not_hold_stays_at_its_default():
    """One V_CE holds no Early voltage, low currents no resistance, high ones no non-ideal base current."""
    rng = np.random.default_rng(10)
    params = sim.small_parts(3, rng)
    span = np.arange(0.45, 0.62, 0.01), np.arange(0.72, 0.9, 0.01), np.arange(0.45, 0.8, 0.01)
    table, fits = bag([({k: x[j : j + 1] for k, x in params.items()}, {"v": v}) for j, v in enumerate(span)])
    top = np.array([table.ic_A[table.points(k)].max() for k in range(3)])
    defaults = {"VAF": rule("bjt_VAF"), "RE": rule("bjt_RE") / top, "RB": rule("bjt_RB") / top,
                "IKF": rule("bjt_IKF") * top, "RC": rule("bjt_RC") / top, "NE": rule("bjt_NE")}  # fmt: skip
    held = {name: fits.fixed[:, fits.names.index(name)] for name in fits.names}
    for name, default in defaults.items():
        own = fits.value[:, fits.names.index(name)]
        expected = np.broadcast_to(default, 3)[held[name]]
        # the highest current counts with its noise
        np.testing.assert_allclose(own[held[name]], expected, rtol=0.02, err_msg=name)
    assert held["VAF"].all() and held["RC"].all() and held["BR"].all() and held["EG"].all()
    assert not held["IS"].any() and not held["BF"].any()
    shown = [parameter_intervals(fits, k) for k in range(3)]
    for k in range(3):  # what is at its default is no result
        assert not set(shown[k]) & {n for n in fits.names if held[n][k]}
    # low currents may say that a resistance is no larger, and high ones that IKF is no smaller, but no value
    for k, name in ((0, "IKF"), (0, "RE"), (0, "RB"), (1, "ISE")):
        assert name not in shown[k] or np.isnan(shown[k][name].value), name
    assert np.isfinite(shown[2]["IKF"].value)


def test_two_collector_voltages_hold_the_early_voltage():
    rng = np.random.default_rng(11)
    fits = fit_transistors(sim.gummel_table(sim.small_parts(4, rng), rng, vces=(2.0, 10.0))[0])
    assert not fits.fixed[:, fits.names.index("VAF")].any()


def test_values_at_currents_reach_as_far_as_the_data():
    rng = np.random.default_rng(12)
    params = sim.power_parts(2, rng)
    fits = fit_transistors(sim.gummel_table(params, rng, vbe=(0.5, 0.7, 25), vces=(2.0, 3.0))[0], law=sim.LAW)
    for k, rows in enumerate(at_currents(fits)):
        assert [r.ic_A for r in rows] == [
            i for i in (1e-3, 1e-2, 0.1, 1.0) if fits.ic_low_A[k] / 1.2 <= i <= fits.ic_high_A[k] * 1.2
        ]
        # at the V_CE nearest to the usual 5 V that was measured
        assert all(r.vce_V == pytest.approx(3.0, abs=5e-3) for r in rows)
        for r in rows:
            vbe, hfe = (float(x[k, 0]) for x in sim.truth_at(params, r.ic_A, r.vce_V, 25.0))
            assert abs(r.vbe_V.value - vbe) < 4e-3 and abs(r.hfe.value / hfe - 1.0) < 0.02
            assert r.vbe_V.low < r.vbe_V.value < r.vbe_V.high


def test_fit_prints_first_what_a_technician_reads(tmp_path):
    rng = np.random.default_rng(13)
    v = np.arange(0.1, 1.0, 0.01)
    rows = logged(sim.small_parts(1, rng), rng, v, limit_A=0.05, offsets=OFFSETS, noise=NOISE)
    file = tmp_path / "curves.csv"
    lines = [",".join(map(repr, map(float, row))) for row in zip(*rows, strict=True)]
    file.write_text("part,vce_V,vbe_V,ib_A,ic_A,temp_C\n" + "".join(f"Q1,{line},25\n" for line in lines))
    found = junction.fit(file)
    body = found.to_dict()["parts"][0]["transistor"]
    assert [a["ic_A"] for a in body["at"]] == [1e-3, 1e-2] and body["at"][0]["vce_V"] == 5.0
    assert body["limit_A"] == pytest.approx(0.05)
    assert body["offset_ic_A"] == pytest.approx(OFFSETS[0], abs=4e-9)
    assert body["left_out"]["current limit"] > 10 and body["flags"] == ["current_limited", "zero_offset"]
    assert "* default, the data cannot say: VAF" in body["spice"]
    text = " ".join(found.text().split())  # what is read first, then what a simulator wants
    assert text.index("1 mA: V_BE ") < text.index("h_FE ") < text.index("IS ")
    text = " ".join(found.text(more=True).split())
    assert text.index("V_BE at 1 mA, V_CE 5.0 V") < text.index("h_FE at 1 mA") < text.index("IS ")
    assert "the source stood at its limit, 50 mA" in text and "offset is taken off" in text
    assert "VBE_at_1mA_V" in found.to_frame("transistors")
