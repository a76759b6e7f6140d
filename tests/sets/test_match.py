"""Matching: layouts, sets fixed by hand, what is left over, what is said."""

from dataclasses import replace

import numpy as np
import pytest

from junction.amplifier.stage import StageAsk, plan_stage
from junction.base.errors import UsageError
from junction.sets.choose import weights_for
from junction.sets.match import match_parts
from tests.sets.bags import fits_of, mixed_bag, true_values

ASK = StageAsk(power_W=80.0, load_ohm=8.0, supply_V=42.0, re_ohm=(0.22,))


def stage(parallel=2, **more):
    return plan_stage(replace(ASK, parallel=parallel, **more))


@pytest.fixture(scope="module")
def bag():
    return mixed_bag(8, 3)


def parts_of(result):
    return [name for s in result.sets for name in s.parts]


@pytest.mark.parametrize(("layout", "per_set", "wanted", "made", "size"), [
    ("pairs", 2, None, 8, 2), ("pairs", 3, None, 4, 3), ("pairs", 4, 1, 2, 4), ("complementary", 1, None, 8,
    2),
    ("complementary", 2, 2, 2, 4), ("complementary", 3, None, 2, 6), ("quasi-complementary", 1, 3, 6, 2),
    ("quasi-complementary", 2, None, 4, 4),
])  # fmt: skip
def test_every_layout(bag, layout, per_set, wanted, made, size):
    result = match_parts(bag, stage(per_set), layout, wanted=wanted, draws=50)
    assert len(result.sets) == made and result.optimality_gap == 0.0
    names = parts_of(result)
    assert len(names) == len(set(names)) == made * size
    assert sorted(names + [x.part for x in result.left_over]) == sorted(bag.part)
    for s in result.sets:
        kinds = {name[0] for name in s.parts}
        assert kinds == {"N", "P"} if layout == "complementary" else len(kinds) == 1
        assert len(s.places) == len(s.share_idle) == len(s.emitter_drop_idle_V) == size
        rails = [s.share_idle[k] for k in range(size) if s.rails[k] == 0]
        assert sum(rails) == pytest.approx(1.0)
        if layout == "complementary":
            assert all(name[0] == "NP"[rail] for name, rail in zip(s.parts, s.rails, strict=True))


def test_the_drop_to_expect_is_the_share_times_the_resistor(bag):
    result = match_parts(bag, stage(2), draws=50)
    total = result.stage.idle.total_A
    for s in result.sets:
        for share, drop in zip(s.share_idle, s.emitter_drop_idle_V, strict=True):
            assert drop == pytest.approx(0.22 * share * total, rel=1e-9)


def test_the_same_bag_gives_the_same_answer(bag):
    one, two = (match_parts(bag, stage(2), draws=50) for _ in range(2))
    assert one.sets == two.sets


def test_a_better_bag_gives_better_grades():
    spread = true_values(8, 2)
    close = np.exp(np.log(spread).mean(axis=0) + 0.02 * (np.log(spread) - np.log(spread).mean(axis=0)))
    loose = match_parts(fits_of(spread), stage(2), draws=100)
    tight = match_parts(fits_of(close), stage(2), draws=100)
    assert all(s.grade == "A" for s in tight.sets)
    assert max(s.imbalance_idle.value for s in tight.sets) < min(0.01,
    max(s.imbalance_idle.value for s in loose.sets))
    # and no difference is claimed that the measurement cannot resolve
    assert all(any("tell apart" in note for note in s.notes) for s in tight.sets)
    assert any("cannot be told apart" in sentence for sentence in tight.advice)


def test_a_coarser_thermometer_widens_the_intervals():
    value = true_values(8, 2)
    fine = match_parts(fits_of(value, u_is=0.01), stage(2))
    coarse = match_parts(fits_of(value, u_is=0.08), stage(2))
    width = [np.mean([s.imbalance_idle.high - s.imbalance_idle.low for s in r.sets]) for r in (fine, coarse)]
    assert width[1] > 2 * width[0]


def test_a_set_fixed_by_hand_stays_and_lists_what_would_better_it(bag):
    free = match_parts(bag, stage(2), draws=50)
    worst = ("N01", next(n for n in ("N02", "N03", "N04") if {"N01",
    n} not in [set(s.parts) for s in free.sets]))
    result = match_parts(bag, stage(2), keep=(worst,), draws=50)
    kept = result.sets[0]
    assert kept.kept and set(kept.parts) == set(worst)
    assert len(parts_of(result)) == len(set(parts_of(result))) == 16
    savings = [w["saving"] for w in kept.swaps]
    assert savings == sorted(savings, reverse=True) and all(x > 0 for x in savings)
    # carrying the first one out does what it says
    first = kept.swaps[0]
    changed = tuple(first["in"] if p == first["out"] else p for p in kept.parts)
    after = match_parts(bag, stage(2), keep=(changed,), draws=50).sets[0]
    assert after.imbalance_idle.value == pytest.approx(first["imbalance_idle"], rel=1e-6)
    assert after.imbalance_peak.value == pytest.approx(first["imbalance_peak"], rel=1e-6)


def test_keeping_the_best_set_offers_no_exchange_that_helps_the_whole(bag):
    free = match_parts(bag, stage(2), draws=50)
    result = match_parts(bag, stage(2), keep=(free.sets[0].parts,), draws=50)
    assert result.sets[0].swaps == ()
    assert {frozenset(s.parts) for s in result.sets} == {frozenset(s.parts) for s in free.sets}


@pytest.mark.parametrize(("layout", "per_set", "keep", "says"), [
    ("pairs", 2, (("N01",),), "1 parts, but a set of this layout has 2"),
    ("pairs", 2, (("N01", "X9"),), "X9 is not among the parts read"),
    ("pairs", 2, (("N01", "N02"), ("N02", "N03")), "N02 stands twice"),
    ("pairs", 2, (("N01", "P01"),), "parts of both polarities"),
    ("complementary", 1, (("N01", "N02"),), "needs 1 NPN and 1 PNP"),
])  # fmt: skip
def test_sets_that_cannot_be_kept(bag, layout, per_set, keep, says):
    with pytest.raises(UsageError, match=says):
        match_parts(bag, stage(per_set), layout, keep=keep, draws=10)


def test_layouts_that_cannot_be(bag):
    with pytest.raises(UsageError, match="at least 2 in a set"):
        match_parts(bag, stage(1), "pairs")
    only = fits_of(true_values(4, 1))
    with pytest.raises(UsageError, match="complementary sets need NPN and PNP parts; usable parts are NPN"):
        match_parts(only, stage(1), "complementary")


def test_fewer_parts_than_wanted_is_said(bag):
    result = match_parts(bag, stage(2), "complementary", wanted=9, draws=10)
    assert len(result.sets) == 4
    assert result.refused == ("9 sets were wanted; the usable parts are enough for 4",)
    result = match_parts(bag, stage(2), "pairs", wanted=9, draws=10)
    assert result.refused == tuple(
        f"9 sets were wanted; the usable {w} parts are enough for 4" for w in ("NPN", "PNP")
    )


def test_a_part_without_a_fit_is_left_over_with_the_reason():
    value = true_values(5, 6)
    value[2] = np.nan
    fits = fits_of(value, why_not=("", "", "too few points", "", ""))
    result = match_parts(fits, stage(2), draws=10)
    assert [(x.part, x.why) for x in result.left_over] == [("A03", "too few points")]


def test_parts_whose_data_stop_short_of_the_peak_are_named():
    fits = fits_of(true_values(4, 6), ic_high_A=np.array([8.0, 0.5, 8.0, 8.0]))
    result = match_parts(fits, stage(2), draws=10)
    note = [n for s in result.sets for n in s.notes if "extrapolated" in n]
    assert len(note) == 1 and note[0].startswith("A02: measured only to less than the 2.2 A")


def test_a_missing_temperature_is_said():
    fits = fits_of(true_values(4, 6), temp_known=np.array([True, False, True, True]))
    result = match_parts(fits, stage(2), draws=10)
    assert any("1 of 4 parts came without a temperature" in a for a in result.assumptions)


def test_different_resistors_are_given_to_the_parts_they_suit():
    value = true_values(2, 5)
    result = match_parts(fits_of(value), stage(2, re_ohm=(0.22, 0.33)), draws=50)
    best = result.sets[0]
    kept = [match_parts(fits_of(value), stage(2, re_ohm=(0.22, 0.33)), keep=(order,), draws=50).sets[0]
            for order in (("A01", "A02"), ("A02", "A01"))]  # fmt: skip
    assert all(k.parts == best.parts for k in kept)  # whatever the order written, the better one is taken


def test_own_resistors_of_the_lower_rail(bag):
    ask = stage(2, re_ohm=(0.22, 0.22, 0.33, 0.33))
    s = match_parts(bag, ask, "complementary", wanted=1, draws=20).sets[0]
    upper, lower = s.emitter_drop_idle_V[:2], s.emitter_drop_idle_V[2:]
    assert sum(lower) / sum(upper) == pytest.approx(0.33 / 0.22, rel=1e-6)


def test_no_emitter_resistors_and_much_heat_run_away():
    hot = plan_stage(StageAsk(vce_V=140.0, idle_A=0.2, peak_A=4.0, parallel=2, rth_jc=1.5, rth_cs=0.5))
    result = match_parts(fits_of(true_values(6, 3)), hot, draws=50)
    assert all(s.runs_away and s.grade == "none" and s.thermal_loop_gain > 1 for s in result.sets)
    assert all(any("runs away" in note for note in s.notes) for s in result.sets)
    tame = plan_stage(StageAsk(vce_V=140.0, idle_A=0.2, peak_A=4.0, parallel=2, re_ohm=(0.47,), rth_jc=1.5,
    rth_cs=0.5))
    assert not any(s.runs_away for s in match_parts(fits_of(true_values(6, 3)), tame,
    draws=50).sets)


def test_too_many_candidates_still_end_with_a_stated_bound():
    fits = fits_of(true_values(60, 9))
    result = match_parts(fits, stage(5), draws=20, seconds=3)
    assert len(result.sets) == 12 and 0 < result.optimality_gap < 1
    assert "first order" in result.optimality_basis


def test_the_weight_of_idle_decides_what_is_matched(bag):
    only = {w: match_parts(bag, stage(2), weights=weights_for(w), draws=20) for w in (0.0, 1.0)}
    idle, peak = (
        {w: sum(getattr(s, name).value for s in r.sets) for w, r in only.items()}
        for name in ("imbalance_idle", "imbalance_peak")
    )
    assert idle[1.0] < idle[0.0] and peak[0.0] < peak[1.0]


def test_a_part_that_warmed_up_while_measured_is_named():
    hot = np.array([False, True, False, False])
    result = match_parts(fits_of(true_values(4, 6), flags={"self_heated": hot}), stage(2), draws=10)
    assert sum("A02: warmed up while measured" in n for s in result.sets for n in s.notes) == 1


def test_kept_sets_count_for_their_own_polarity(bag):
    result = match_parts(bag, stage(2), wanted=2, keep=(("N01", "N02"),), draws=10)
    kinds = [s.polarity for s in result.sets]
    assert kinds.count("NPN") == 2 and kinds.count("PNP") == 2


def test_types_are_not_mixed_in_a_set():
    fits = fits_of(true_values(8, 6), type=("2N3055", "MJ15003") * 4)
    result = match_parts(fits, stage(2), draws=10)
    kind = dict(zip(fits.part, fits.type, strict=True))
    assert len(result.sets) == 4
    assert all(len({kind[p] for p in s.parts}) == 1 for s in result.sets)
    assert any("parts of several types, each by itself: 2N3055, MJ15003" in a for a in result.assumptions)


@pytest.mark.parametrize(("layout", "per_set"), [("complementary", 1), ("complementary", 2),
("quasi-complementary", 1)])
def test_exchanges_of_two_rail_sets_do_what_they_say(bag, layout, per_set):
    free = match_parts(bag, stage(per_set), layout, draws=20)
    one, two = free.sets[0].parts, free.sets[1].parts
    keep = (one[0], *two[1:]) if per_set == 1 else (one[0], two[1], *one[2:])
    kept = match_parts(bag, stage(per_set), layout, keep=(keep,), draws=20).sets[0]
    assert kept.swaps
    first = kept.swaps[0]
    changed = tuple(first["in"] if p == first["out"] else p for p in kept.parts)
    after = match_parts(bag, stage(per_set), layout, keep=(changed,), draws=20).sets[0]
    # of single devices the exchange is weighed to first order in the difference
    tolerance = 0.02 if per_set == 1 else 1e-6
    assert after.imbalance_peak.value == pytest.approx(first["imbalance_peak"], rel=tolerance, abs=2e-4)


