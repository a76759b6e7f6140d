"""Types that face each other: registered complements first, and what is mixed is said."""

import numpy as np
import pytest

from junction.amplifier.stage import StageAsk, plan_stage
from junction.sets.choose import mixed_across, mixed_within, type_labels
from junction.sets.match import match_parts
from tests.sets.bags import fits_of, true_values

PAIRS = {"TIP35C": "TIP36C", "TIP36C": "TIP35C", "MJ15003": "MJ15004", "MJ15004": "MJ15003"}
ONE, TWO = (plan_stage(StageAsk(power_W=80, load_ohm=8, supply_V=42, re_ohm=(0.22,), parallel=n))
            for n in (1, 2))  # fmt: skip


def test_labels():
    own = type_labels(["MJ15003", "mj 15004", "TIP35C", "2SC5200", "2SA1943", ""], PAIRS)
    assert own[0] == own[1] != own[2] and own[5] == -1 and len(set(own.tolist())) == 5
    assert list(mixed_within(own[[[0, 1], [0, 2], [0, 5], [3, 4]]])) == [False, True, False, True]
    # nobody registered whose complement a 2SC5200 is, so that it may face what it likes
    assert not mixed_across(own[3], own[4]) and mixed_across(own[0], own[2]) and mixed_across(own[3], own[0])
    assert not mixed_across(own[0], own[5])


@pytest.fixture(scope="module")
def crossed():
    """Two NPN and two PNP parts whose curves match across the types: the wrong types are the twins."""
    one, two = true_values(2, 7)
    two = one.copy()
    two[0] *= 1.6  # IS: 12 mV
    value = np.stack([one, two, two, one])
    return fits_of(value, polarity=["NPN", "NPN", "PNP", "PNP"], part=("A", "B", "C", "D"),
                   type=("MJ15003", "TIP35C", "MJ15004", "TIP36C"))  # fmt: skip


def test_registered_complements_face_each_other(crossed):
    sets = match_parts(crossed, ONE, "complementary", complements=PAIRS).sets
    assert sorted(s.parts for s in sets) == [("A", "C"), ("B", "D")]
    assert not any("complement" in note for s in sets for note in s.notes)
    blind = match_parts(crossed, ONE, "complementary").sets
    assert sorted(s.parts for s in blind) == [("A", "D"), ("B", "C")]


def test_a_pair_that_is_no_pair_of_types_is_made_last_and_said(crossed):
    first = match_parts(crossed, ONE, "complementary", complements=PAIRS, keep=(("A", "D"),)).sets[0]
    assert first.notes[0].startswith("MJ15003 faces TIP36C, which is not its registered complement")
    mixed = match_parts(crossed, TWO, "complementary", complements=PAIRS).sets[0]
    assert any("share one rail" in note for note in mixed.notes)


def test_a_type_whose_complement_nobody_registered_faces_what_it_likes():
    fits = fits_of(true_values(2, 7), polarity=["NPN", "PNP"], type=("2SC5200", "2SA1943"))
    found = match_parts(fits, ONE, "complementary", complements=PAIRS).sets[0]
    assert not any("faces" in note for note in found.notes)


def test_the_best_set_of_a_polarity_stands_first():
    value = np.concatenate([true_values(8, 21), true_values(8, 22)])
    fits = fits_of(value, polarity=["NPN"] * 8 + ["PNP"] * 8)
    sets = match_parts(fits, TWO).sets
    for word in ("NPN", "PNP"):
        of = [s for s in sets if s.polarity == word]
        limits = [max(s.imbalance_idle_limit_95, s.imbalance_peak_limit_95) for s in of]
        assert len(limits) == 4 and limits == sorted(limits)
    assert all(s.grade == max(s.grade_idle, s.grade_peak) for s in sets)  # the worse of the two
