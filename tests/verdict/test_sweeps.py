"""Judging sweeps from fits written down by hand: each rule of the decision, one at a time."""

import re
from dataclasses import replace

import numpy as np
import pytest

from junction.base.records import Bag
from junction.judge.results import QUALITIES, Verdict, registered_leak
from junction.physics.junction import current
from junction.physics.temperature import saturation_current
from junction.shelf.tables import Limit, PartType, default_meter, families, rule
from junction.shelf.types import find_type
from junction.sweeps.results import FLAGS, MODELS, PARAMETERS
from junction.sweeps.terms import AR, BR, RS, WIDTH, A, B
from junction.verdict.measured import knee_voltage, measured
from junction.verdict.parts import judge_bag
from junction.verdict.sweeps import judge_sweeps, unseen_leak, weigh
from tests.tables import sweep_table
from tests.verdict.made_fits import columns, made_fits

SILICON = {"model": "junction + shunt", "IS_A": 2e-14, "N": 1.03, "RS_ohm": 1.0}
GERMANIUM = {"model": "junction + shunt", "IS_A": 1e-6, "N": 1.05, "RS_ohm": 3.0}


def swept(rows, junction="BE", type="", temp_C=25.0, low=-5.0, high=0.8, points=20, relative_u=0.01):
    """Table and fits; the points follow the parameters, because a verdict looks at them too."""
    n = len(rows)

    def per_row(x):
        return list(x) if isinstance(x, list | tuple) else [x] * n

    junctions, types, temps, lows, highs = (per_row(x) for x in (junction, type, temp_C, low, high))
    v = [np.concatenate([np.linspace(a, 0, points // 2), np.linspace(0, b, points)[1:]])
         for a, b in zip(lows, highs, strict=True)]  # fmt: skip
    i = []
    for row, volts, temp in zip(rows, v, temps, strict=True):
        path = row.get("RSH_ohm", row.get("R_ohm", np.inf))
        i.append(current(volts, row.get("IS_A", 1e-200), row.get("N", 1.0), RS_ohm=row.get("RS_ohm", 0.0),
                         RSH_ohm=path, temp_C=temp if np.isfinite(temp) else 25.0))  # fmt: skip
    table = sweep_table([f"P{k}" for k in range(n)], junctions, v, i, temps, types)
    return table, made_fits(rows, temps, relative_u)


def judged(rows, **kwargs):
    return columns(judge_sweeps(*swept(rows, **kwargs)))


def weights(table, fits):
    """Probability of every family of each sweep."""
    kin = tuple(families().values())
    w = weigh(table, fits, measured(table, fits, 1e-3), find_type, kin)
    return [dict(zip([f.name for f in kin], row, strict=True)) for row in w.weight]


def test_the_four_qualities():
    rows = [SILICON | {"RSH_ohm": 1e10}, SILICON | {"RSH_ohm": 4e3}, {"model": "resistor", "R_ohm": 2.0},
            {"model": "open", "low": {"R_ohm": 1e9}}]  # fmt: skip
    found = judged(rows, type="BC547B", high=1.2)
    assert found.names == QUALITIES
    np.testing.assert_allclose(found.probability.sum(axis=1), 1.0, rtol=0, atol=1e-12)
    assert found.probability[range(4), range(4)].min() > 0.99
    assert found.reason == ["sweep_good", "sweep_leaky", "sweep_shorted", "sweep_open"]


@pytest.mark.parametrize("ratio, verdict", [(0.5, "good"), (1.0, "undecided"), (2.0, "leaky")])
def test_a_leak_at_the_limit_is_undecided(ratio, verdict):
    ohm = 5.0 / (100e-9 * ratio)  # small-signal family: 100 nA at 5 V (registered I_EBO of BC546)
    found = judged([SILICON | {"RSH_ohm": ohm}], type="BC547B", relative_u=0.1)
    assert found.names == (verdict,)
    if verdict == "undecided":
        assert found.reason[0] == "sweep_near_limit"
        assert "too near the limit of 100 nA" in found.said[0]


def test_uncertainty_of_the_voltage_at_a_test_current_follows_the_derivatives():
    """One uncertain parameter at a time, against central differences."""
    row = {"model": "junction + recombination", "IS_A": 2e-14, "N": 1.03, "RS_ohm": 1.0, "ISR_A": 1e-10,
           "NR": 2.0}  # fmt: skip
    fits = made_fits([row], [25.0], 1e-3)
    for k in (A, B, RS, AR, BR):
        covariance = np.zeros(fits.theta_covariance.shape)
        covariance[:, k, k] = (1e-3 * fits.theta[:, k]) ** 2
        steps = np.where(np.arange(WIDTH) == k, 1e-5 * fits.theta, 0.0)
        up, down = (knee_voltage(replace(fits, theta=fits.theta + s * steps), 1e-3)[0] for s in (1, -1))
        u = knee_voltage(replace(fits, theta_covariance=covariance), 1e-3)[1]
        assert u == pytest.approx(np.abs(up - down) / 2e-5 * 1e-3, rel=1e-6), k


def test_probability_of_good_falls_with_the_leak():
    ohms = np.geomspace(1e9, 1e5, 60)
    found = judged([SILICON | {"RSH_ohm": r} for r in ohms], type="BC547B", relative_u=0.2)
    assert np.all(np.diff(found.probability[:, 0]) <= 1e-12)
    assert found.probability[0, 0] > 0.99 and found.probability[-1, 0] < 2e-4


def test_an_unmarked_part_between_two_families_says_so_and_the_type_decides():
    row = SILICON | {"RSH_ohm": 1e6}  # 5 uA at 5 V: too much for 100 nA, well within 100 uA
    found = judged([row, row, row], type=["", "BC547B", "MJ15003"])
    assert found.names == ("undecided", "leaky", "good")
    assert found.reason[0] == "sweep_which_family"
    said = found.said[0]
    leaks = "a leak in a small-signal silicon BJT junction"
    keeps = "within limits for a silicon power BJT junction"
    assert said.endswith(f"{leaks}, {keeps}.")


def test_a_leaky_silicon_junction_is_no_good_germanium_one():
    """0.3 V at 1 mA through 330 Ω, but the junction beside it is silicon's."""
    found = judged([SILICON | {"RSH_ohm": 330.0}, GERMANIUM | {"RSH_ohm": 5e7}])
    assert found.names == ("leaky", "good")
    assert families()[found.family[0]].material == "silicon"
    assert families()[found.family[1]].material == "germanium"


def test_where_shunt_and_junction_cannot_be_told_apart_it_is_not_called_good():
    vague = GERMANIUM | {"RSH_ohm": 2e3, "u": {"IS_A": 1e-5, "N": 0.8, "RSH_ohm": 4e3}}
    assert judged([vague]).names[0] != "good"


def test_a_recorded_temperature_moves_the_forward_window():
    """A small-signal junction at 75 degC shows 0.1 V less at the same current."""
    hot = SILICON | {"IS_A": float(saturation_current(2e-14, 75.0, N=1.03)), "RSH_ohm": 1e10}
    found = judged([hot, SILICON | {"RSH_ohm": 1e10}], temp_C=[75.0, 25.0], type="BC547B", high=0.7)
    assert found.names == ("good", "good")
    # the SPICE law refers it back; 2 mV: it is exact for the voltage less the drop over RS (1 mV here)
    assert found.numbers[0]["vf"] == pytest.approx(found.numbers[1]["vf"], abs=0.002)


def test_a_warm_germanium_part_is_judged_at_25_degC():
    """4 uA at 25 degC (limit 20 uA) is 26 uA at 52 degC: with the temperature recorded it stays good."""
    warm = GERMANIUM | {"IS_A": 26e-6}
    table = [warm | {"RSH_ohm": 1e9}]
    assert judged(table, temp_C=52.0, type="2N404", junction="BC").names[0] != "leaky"
    assert judged(table, temp_C=25.0, type="2N404", junction="BC").names == ("leaky",)


def test_an_unrecorded_temperature_costs_certainty():
    row = GERMANIUM | {"IS_A": 3.5e-6, "RSH_ohm": 1e9}  # limit of 2N404: 5 uA
    known, unknown = (judged([row], temp_C=t, type="2N404", junction="BC") for t in (25.0, np.nan))
    assert known.names == ("good",)
    assert unknown.probability[0, 0] < known.probability[0, 0]


def test_a_leak_that_would_not_show_is_not_excluded():
    blind = SILICON | {"model": "junction", "low": {"RSH_ohm": 200.0}}
    seeing = SILICON | {"model": "junction", "low": {"RSH_ohm": 1e9}}
    table, fits = swept([blind, seeing], type="BC547B", low=0.0)
    found = columns(judge_sweeps(table, fits))
    assert found.names == ("undecided", "good")
    assert found.reason[0] == "sweep_blind"
    assert found.numbers[0]["hidden"] > 0.05 and found.numbers[1]["hidden"] == 0.0


def test_unseen_leak_grows_with_blindness_and_never_passes_the_prior():
    floors = np.array([1e7, 1e6, 1e5, 1e3, 50.0])
    p = unseen_leak(floors, limit_ohm=1e6)
    assert p[0] == p[1] == 0.0
    assert np.all(np.diff(p[1:]) > 0)
    # a short is under 50 Ω; nothing seen: what was believed before
    assert p[-1] == pytest.approx(rule("sweep_prior_hidden"), abs=1e-12)


@pytest.mark.parametrize(
    "junction, type, high, verdict",
    [
        ("BE", "BC547B", 0.3, "undecided"),  # no silicon junction conducts there
        ("BE", "BC547B", 1.2, "open"),
        ("AK", "", 1.2, "undecided"),  # it may be a light-emitting diode
        ("AK", "1N4148", 1.2, "open"),
        ("AK", "", 3.6, "open"),
    ],
)
def test_open_needs_a_sweep_past_the_knee(junction, type, high, verdict):
    found = judged([{"model": "open", "low": {"R_ohm": 1e10}}], junction=junction, type=type, high=high)
    assert found.names == (verdict,)
    if verdict == "undecided":
        assert found.reason[0] == "sweep_not_reached"


def test_a_resistance_without_a_junction():
    rows = [{"model": "resistor", "R_ohm": r} for r in (0.3, 20.0, 300.0, 20e3, 30e6)]
    found = judged(rows, type="BC547B", high=1.2)
    assert found.names == ("shorted", "shorted", "leaky", "leaky", "open")


def test_an_unseen_forward_part_is_never_good():
    reverse = {"model": "breakdown", "BV_V": 7.0, "RSH_ohm": 1e11}
    found = judged([reverse], type="BC547B", low=-8.0, high=-0.1)
    assert found.names == ("undecided",)
    assert "the forward part is missing" in found.said[0]


def test_a_collector_emitter_path_is_good_when_nothing_flows():
    rows = [{"model": "open", "low": {"R_ohm": 1e10}}, {"model": "resistor", "R_ohm": 3e3},
            {"model": "resistor", "R_ohm": 1.1}]  # fmt: skip
    found = judged(rows, junction="CE", type="2N3055", low=-1.0, high=30.0)
    assert found.names == ("good", "leaky", "shorted")


def test_the_junctions_of_a_part_share_their_family():
    """A power transistor's leaky-looking base-emitter sweep is settled by its collector junction."""
    plain = SILICON | {"IS_A": 2e-12, "RSH_ohm": 1e10}
    odd = {"model": "junction", "IS_A": 1e-8, "N": 1.5, "RS_ohm": 1.0, "low": {"RSH_ohm": 1e9}}
    table, fits = swept([plain, odd], junction=["BC", "BE"], high=0.7)
    apart = weights(table, fits)
    one = sweep_table(
        ["A", "A"], table.junction, [table.v_V[table.points(k)] for k in (0, 1)],
        [table.i_A[table.points(k)] for k in (0, 1)], table.temp_C,
    )  # fmt: skip
    together = weights(one, fits)
    assert apart[1]["germanium small-signal"] > together[1]["germanium small-signal"]
    np.testing.assert_allclose([sum(x.values()) for x in together], 1.0, rtol=0, atol=1e-12)


def test_zener_and_rectifier_are_told_apart_by_breakdown():
    row = {"model": "junction + breakdown", "IS_A": 1e-14, "N": 1.1, "RS_ohm": 1.0, "RSH_ohm": 2e4}
    zener, rectifier = weights(*swept([row | {"BV_V": 6.2}, row], junction="AK", low=-4.0))
    assert zener["Zener"] > 0.9 and rectifier["Zener"] < 0.1


def test_secondary_limits_never_fail_a_part():
    limit = Limit("I_R", high=1e-9, at={"vr_V": 5.0})
    kind = {"name": "X1", "device": "diode", "kind": "switching", "family": "switching diode"}
    first, second = (PartType(**kind, limits=(limit,), secondary=s) for s in (False, True))
    row = [SILICON | {"N": 1.7, "IS_A": 1e-9, "RSH_ohm": 1e9}]  # 6 nA at 5 V
    table, fits = swept(row, junction="AK", type="X1")
    assert judge_sweeps(table, fits, {"X1": first}.get)[0].verdict == "leaky"
    assert judge_sweeps(table, fits, {"X1": second}.get)[0].verdict == "good"


def test_a_limit_that_is_a_claim_fails_no_part_either():
    claim = Limit("I_R", high=1e-9, at={"vr_V": 5.0}, basis="claim, not a limit")
    part = PartType("X1", "diode", "switching", family="switching diode", limits=(claim,))
    assert registered_leak(part, "AK") is None


def test_swapped_leads_are_told():
    v = np.linspace(-1, 1, 80)
    found = logged(v, -current(-v, 2e-9, 1.8, RS_ohm=0.5), junction="AK", type="1N4004")
    assert found.names == ("undecided",) and found.reason[0] == "sweep_swapped"
    assert "swapped" in found.said[0]


def test_a_marking_that_cannot_be_right_is_not_called_leaky():
    """A germanium junction marked BC547 passes more than a BC547 may, but it is no leaky BC547."""
    found = judged([GERMANIUM | {"RSH_ohm": 1e9}], type="BC547B", high=0.3)
    assert found.names == ("undecided",) and found.reason[0] == "sweep_odd"


@pytest.mark.parametrize("bv, verdict", [(5.0, "good"), (6.8, "undecided")])
def test_a_zener_is_held_to_its_registered_voltage(bv, verdict):
    row = {"model": "junction + breakdown", "IS_A": 1e-14, "N": 1.1, "RS_ohm": 1.0, "BV_V": bv,
           "low": {"RSH_ohm": 1e9}}  # fmt: skip
    assert judged([row], junction="AK", type="1N4733A", low=-4.0).names == (verdict,)  # 5.1 V, 5 %


def test_breaking_down_under_the_rating_is_a_fault():
    row = {"model": "junction + breakdown", "IS_A": 1e-9, "N": 1.7, "RS_ohm": 0.1, "BV_V": 60.0,
           "low": {"RSH_ohm": 1e9}}  # fmt: skip
    found = judged([row, row | {"BV_V": 700.0}], junction="AK", type="1N4004", low=-50.0)  # V_RRM 400 V
    assert found.names == ("leaky", "good")
    assert "breaks down at 60 V, under its rating of 400 V" in found.said[0]


def test_built_in_resistors_leave_an_unmarked_part_open_to_doubt():
    """7 kΩ across base and emitter is what a Darlington has inside, and 300 Ω is not."""
    row = SILICON | {"IS_A": 2e-13, "RS_ohm": 70.0}
    found = judged([row | {"RSH_ohm": 7e3}, row | {"RSH_ohm": 300.0}, row | {"RSH_ohm": 7e3}],
                   type=["", "", "TIP122"])  # fmt: skip
    assert found.names == ("undecided", "leaky", "good")


def test_nothing_is_called_certain():
    found = judged([SILICON | {"RSH_ohm": 1e10}, {"model": "resistor", "R_ohm": 1.0}], type="BC547B")
    assert found.probability.max() < 1.0 and found.probability.min() > 0.0


def test_a_registered_limit_out_of_reach_holds_what_is_seen():
    part = find_type("1N4004")
    held = registered_leak(part, "AK")
    assert held[:2] == (pytest.approx(5e-6, rel=1e-12), 400.0)
    row = SILICON | {"N": 1.7, "IS_A": 1e-9, "RS_ohm": 0.05, "RSH_ohm": 2e7}  # 20 uA at 400 V, 0.25 uA at 5 V
    found = judged([row, row], junction="AK", type="1N4004", low=[-5.0, -200.0])
    # a path of 0.25 uA at 5 V may come to 2 or to 200 uA at 400 V: the marking does not make it good
    assert found.names == ("undecided", "leaky")
    assert found.reason[0] == "sweep_near_limit"


def test_limits_name_what_they_rest_on():
    found = judged([SILICON | {"RSH_ohm": 1e10}] * 2, junction="BC", type=["BC547B", ""], low=-25.0)
    assert [(bool(x["registered"]), x["typed"]) for x in found.numbers] == [(True, True), (False, False)]
    assert [j.finding.limit_from.partition(";")[0] for j in found.records] == [
        "registered I_CBO of BC547B", "small-signal silicon BJT family",
    ]  # fmt: skip
    with pytest.raises(ValueError, match="expected one of"):
        judged([SILICON], junction="EB")


def test_a_batch_is_judged_as_each_alone():
    rows = [SILICON | {"RSH_ohm": r} for r in (1e10, 5e7, 1e4)] + [GERMANIUM | {"RSH_ohm": 1e6}]
    table, fits = swept(rows)
    whole = columns(judge_sweeps(table, fits))
    for k, row in enumerate(rows):
        alone = judged([row])
        np.testing.assert_allclose(whole.probability[k], alone.probability[0], rtol=1e-12, atol=1e-300)


def test_records_for_people():
    table, fits = swept([SILICON | {"RSH_ohm": 4e3, "flags": {"current_limited": True}}], type="BC547B")
    verdict = judge_sweeps(table, fits)[0]
    assert (verdict.junction, verdict.verdict, verdict.faults) == ("BE", "leaky", ("BE leaky",))
    assert "a path of 4 kΩ across the junction (0.653 V at 1 mA, N 1.03)" in verdict.evidence[0]
    assert "may pass 100 nA" in verdict.evidence[0]
    assert any("current limit" in s for s in verdict.evidence)
    assert verdict.limit.startswith("100 nA at 5 V (registered I_EBO of BC547B")
    assert verdict.family == "small-signal silicon BJT"
    assert verdict.leak_ohm.value == 4e3 and verdict.leak_ohm.unit == "ohm"
    assert verdict.fit.parameters["RS_ohm"].unit == "ohm" and "R_ohm" not in verdict.fit.parameters
    assert list(verdict.probability) == list(QUALITIES) and verdict.sweep == 0


def test_empty_table_and_mismatch():
    empty = sweep_table([], [], [], [])
    assert judge_sweeps(empty, made_fits([])) == []
    with pytest.raises(ValueError, match="0 sweeps but 1 fits"):
        judge_sweeps(empty, made_fits([SILICON]))


# --- fits that cannot be believed ------------------------------------------------------------------------

NOTHING = {"model": "none", "why_not": "two points are no curve", "flags": {"converged": False}}


def logged(v, i, row=NOTHING, junction="BE", type=""):
    table = sweep_table(["P"], [junction], [np.asarray(v)], [np.asarray(i)], [25.0], [type])
    return columns(judge_sweeps(table, made_fits([row], [25.0])))


def test_a_short_in_the_current_limit_is_seen_in_the_points():
    v = np.linspace(-2, 1, 61)
    i = np.clip(v / 0.3, -0.02, 0.02)
    assert logged(v, i, type="BC547B").names == ("shorted",)


def test_a_misfitted_open_is_seen_in_the_points():
    rng = np.random.default_rng(3)
    v = np.linspace(-5, 1.2, 80)
    wild = SILICON | {"IS_A": 60.0, "N": 1.7, "flags": {"rank_deficient": True}}
    assert logged(v, rng.normal(0, 1e-8, 80), wild, type="BC547B").names == ("open",)


@pytest.mark.parametrize("ohm, verdict", [(1e9, "good"), (2e3, "leaky")])
def test_a_junction_is_seen_in_the_points(ohm, verdict):
    v = np.linspace(-5, 0.8, 120)
    i = current(v, 2e-14, 1.03, RS_ohm=1.0, RSH_ohm=ohm)
    found = logged(v, i, type="BC547B")
    assert found.names == (verdict,)
    assert found.numbers[0]["vf"] == pytest.approx(0.653, abs=0.02)  # read off a 50 mV grid


def test_a_fitted_shunt_cannot_carry_more_than_flows():
    v = np.linspace(-9, 0.25, 100)
    i = current(v, 7e-7, 1.04, RS_ohm=1.2)
    row = {"model": "junction + shunt", "IS_A": 7e-7, "N": 1.04, "RS_ohm": 1.2, "RSH_ohm": 3.8e5}
    assert logged(v, i, row, "BC", "2N404").names == ("good",)


def test_no_points_and_no_fit_is_undecided():
    found = logged([0.1], [1e-3])
    assert found.names == ("undecided",)
    assert "two points are no curve" in found.said[0]


# --- whatever comes ----------------------------------------------------------------------------------------

WILD = (0.0, 1e-300, 1e-30, 1e-12, 1e-6, 1e-3, 1.0, 60.0, 1e6, 1e30, 1e300, np.inf, np.nan)


def test_no_fit_however_wild_breaks_the_judgement():
    """Every number a fit could hold, points of every kind: a verdict with a sentence, no warning, no nan."""
    rng = np.random.default_rng(11)
    rows, v, i, junctions, types = [], [], [], [], []
    for _ in range(600):
        raised = {f: bool(rng.random() < 0.3) for f in FLAGS} | {"converged": bool(rng.random() < 0.8)}
        row = {"model": str(rng.choice(MODELS)), "why_not": "", "flags": raised,
               "low": {"RSH_ohm": rng.choice(WILD), "R_ohm": rng.choice(WILD)},
               "high": {"RS_ohm": rng.choice(WILD)}}  # fmt: skip
        for name in PARAMETERS:
            if rng.random() < 0.5:
                row[name] = float(rng.choice(WILD))
                row.setdefault("u", {})[name] = float(rng.choice(WILD))
        rows.append(row)
        n = int(rng.choice([0, 1, 2, 5, 40]))
        v.append(rng.normal(0, 1, n) * rng.choice([0.0, 1e-3, 1.0, 100.0]))
        i.append(rng.normal(0, 1, n) * rng.choice([0.0, 1e-12, 1e-3, 10.0]))
        junctions.append(str(rng.choice(["BE", "BC", "CE", "AK"])))
        types.append(str(rng.choice(["", "BC547B", "2N404", "1N4733A", "TIP122", "no such type"])))
    temps = rng.choice([25.0, np.nan, -40.0, 150.0], 600)
    with np.errstate(all="ignore"):
        fits = made_fits(rows, temps)
    table = sweep_table([f"P{k // 2}" for k in range(600)], junctions, v, i, temps, types)
    found = columns(judge_sweeps(table, fits))
    np.testing.assert_allclose(found.probability.sum(axis=1), 1.0, rtol=0, atol=1e-9)
    assert found.probability.min() >= 0.0
    for part in judge_bag(Bag(sweeps=table), fits, default_meter()):
        assert part.verdict in Verdict and part.evidence and part.next
        for text in (*part.evidence, part.next, part.cannot_see):
            assert not re.search(r"\bnan\b|\binf\b", text), text
