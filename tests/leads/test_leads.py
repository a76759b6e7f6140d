"""The weighing itself: arrangements, densities, tails, priors, the library and what it says."""

from math import erfc, log, sqrt

import numpy as np
import pytest

from junction.base.errors import ShelfError
from junction.base.records import Reading
from junction.leads import hypotheses_priors
from junction.leads.answer import catalogue
from junction.leads.hypotheses import PATHS, faults, resistance_span, structures
from junction.leads.hypotheses_library import (
    build_library,
    over_range_V,
    visible_leak_ohm,
)
from junction.leads.hypotheses_priors import priors
from junction.leads.hypotheses_tiles import normal_quantile
from junction.leads.leads import (
    MISSING,
    OVER,
    VALUE,
    arrangements,
    log_evidence,
    log_phi,
    normalise,
    placement_index,
    reading_table,
    tile_log_likelihood,
    weigh,
)
from junction.leads.next_test import expected_information, outcome_table
from junction.shelf.meters import default_meter, meters

METER = default_meter()


@pytest.fixture(scope="module")
def library():
    return build_library(METER)


def test_log_phi_against_the_standard_library():
    z = np.concatenate([np.linspace(-30, 8, 400), [-6.0, 6.0]])
    exact = np.array([log(0.5 * erfc(-x / sqrt(2))) for x in z])
    # Abramowitz and Stegun 26.2.17 errs by up to 7.5e-8 of the whole: nothing in the body, and 0.4 % of the
    # tail where that is 1e-9, which moves no verdict
    np.testing.assert_allclose(np.exp(log_phi(z)), np.exp(exact), rtol=0, atol=7.5e-8)
    np.testing.assert_allclose(log_phi(z), exact, rtol=0, atol=5e-3)
    assert np.isfinite(log_phi(np.array([-1e9, 1e9]))).all()


def test_normal_quantile_against_the_standard_library():
    from statistics import NormalDist

    p = np.linspace(0.001, 0.999, 301)
    exact = [NormalDist().inv_cdf(x) for x in p]
    np.testing.assert_allclose(normal_quantile(p), exact, atol=4.5e-4, rtol=0)  # the bound of A&S 26.2.23


def test_there_are_twelve_arrangements_and_they_are_all_different():
    turns = arrangements("123", named=False)
    assert len({t.order for t in turns}) == 12
    assert all(sorted(t.order) == list(range(6)) for t in turns)
    assert sum(np.exp(t.log_prior) for t in turns) == pytest.approx(1.0)
    named = arrangements("BCE", named=True)
    assert sum(np.exp(t.log_prior) for t in named) == pytest.approx(1.0)
    sure = [t for t in named if t.roles == ("B", "C", "E")]
    assert sum(np.exp(t.log_prior) for t in sure) == pytest.approx(1 - priors()["mislabelled"].value)


def test_polarity_turns_the_meter_round():
    at = placement_index("BCE")
    npn, pnp = (t for t in arrangements("BCE", named=True) if t.roles == ("B", "C", "E"))
    assert npn.order[0] == at["B-E"] and pnp.order[0] == at["E-B"]


def test_reading_table():
    at = placement_index("BCE")
    readings = (Reading("B-E", "volt", 0.6), Reading("E-B", "over"), Reading("B-C", "volt", 2.7),
                Reading("C-B", "ohm", 1e4), Reading("C-E", "ohm", np.inf),
                Reading("B-E", "volt", 0.61))  # fmt: skip
    value, state = reading_table([readings], at, 2.0)
    assert value[0, at["B-E"]] == 0.61 and state[0, at["B-E"]] == VALUE
    assert state[0, at["E-B"]] == OVER
    assert state[0, at["B-C"]] == OVER  # above what the meter can show
    assert value[0, 6 + at["C-B"]] == pytest.approx(log(1e4)) and state[0, 6 + at["C-E"]] == OVER
    assert state[0, at["C-E"]] == MISSING


def test_density_of_a_tile_is_the_normal_density(library):
    """Against the covariance written out, for a tile and three readings."""
    row = int(np.flatnonzero(library.hypothesis == 0)[3])
    seen = np.array([0, 2])
    state = np.full(12, MISSING)
    state[seen] = VALUE
    y = library.mean[row, seen] + np.array([0.02, -0.01])
    value = np.zeros((1, 12))
    value[0, seen] = y
    rows, like = tile_log_likelihood(library, value, state)
    f = library.factor[row][seen]
    cov = f @ f.T + np.diag(library.noise[row, seen] ** 2)
    d = y - library.mean[row, seen]
    exact = -0.5 * d @ np.linalg.solve(cov, d) - 0.5 * np.linalg.slogdet(2 * np.pi * cov)[1]
    got = like[np.flatnonzero(rows == row)[0], 0]
    assert got == pytest.approx(library.log_weight[row] + exact, abs=1e-9)


def test_evidence_adds_up_over_tiles(library):
    state = np.full((1, 12), MISSING)
    state[0, [0, 2]], value = VALUE, np.zeros((1, 12))
    value[0, [0, 2]] = 0.6, 0.59
    found = log_evidence(library, value, state)
    rows, like = tile_log_likelihood(library, value, state[0])
    for h in (0, 5, 40):
        own = like[library.hypothesis[rows] == h, 0]
        assert found[0, h] == pytest.approx(float(np.logaddexp.reduce(own)), abs=1e-9)


def test_no_reading_leaves_the_prior(library):
    turns = arrangements("123", named=False)
    empty = np.zeros((1, 12)), np.full((1, 12), MISSING)
    p = normalise(weigh(library, turns, *empty))[0]
    assert p.sum() == pytest.approx(1.0)
    good = catalogue(library.hypotheses).quality[:, 0]
    # the share of the good is that of the priors' table: half, and what leaks within limits
    assert float(p.sum(axis=0) @ good) == pytest.approx(0.5, abs=0.12)
    assert p.sum(axis=1) == pytest.approx(np.full(12, 1 / 12))


def test_weights_of_the_library_are_the_priors(library):
    total = sum(s.weight for s in structures())
    by_kind = {}
    for h, w in zip(library.hypothesis, library.log_weight, strict=True):
        name = library.hypotheses[h].structure.name
        by_kind[name] = by_kind.get(name, 0.0) + np.exp(w)
    plain, germanium = by_kind["plain"], by_kind["germanium"]
    weights = {s.name: s.weight / total for s in structures()}
    assert plain / germanium == pytest.approx(weights["plain"] / weights["germanium"], rel=0.02)


def test_every_fault_names_known_paths():
    for fault in faults():
        for item in fault.faults:
            path, word = item.split()
            assert path in PATHS and word in ("leaky", "shorted", "open")
    assert len({f.name for f in faults()}) == len(faults())


def test_resistance_span_covers_its_range_without_holes():
    for word, step in (("shorted", 0.9), ("leaky", 0.3)):
        span = resistance_span(word, step, 2000.0, 3000.0)
        gaps = np.diff(span.centres)
        assert gaps == pytest.approx(np.full(gaps.size, 2 * span.sd))
    seen = [w for c, w in zip(span.centres, span.log_weights, strict=True) if c < log(2000)]
    assert np.exp(seen).sum() == pytest.approx(1.0, abs=0.08)  # the tile on the edge counts on one side


@pytest.mark.parametrize("name", list(meters()))
def test_every_meter_has_a_library(name):
    meter = meters()[name]
    found = build_library(meter, kinds=structures()[:1])
    assert np.isfinite(found.mean).all() and np.isfinite(found.factor).all() and (found.noise > 0).all()
    assert 0 < over_range_V(meter) <= meter.over_range_V
    assert 100 < visible_leak_ohm(meter) < 1e6 or "x1" in name


def test_what_a_leak_can_show_follows_from_the_source():
    assert visible_leak_ohm(METER) == pytest.approx(METER.over_range_V / METER.test_current_A)


def test_expected_information_prefers_what_splits(library):
    """After B-E conducts and E-B does not, reading B-E again tells nothing; the collector tells most."""
    turns = arrangements("BCE", named=True)
    at = placement_index("BCE")
    readings = (Reading("B-E", "volt", 0.65), Reading("E-B", "over"))
    p = normalise(weigh(library, turns, *reading_table([readings], at, 2.0)))[0]
    known = catalogue(library.hypotheses)
    what = np.broadcast_to(known.group[None, :-1], (len(turns), len(library.hypotheses)))
    gain = expected_information(outcome_table(library), p, turns, what)
    assert (gain >= -1e-12).all()
    assert max(gain, key=float) > 0.2
    assert gain[at["B-E"]] < max(gain) / 2


def test_priors_say_what_they_rest_on(tmp_path, monkeypatch):
    assert all(p.basis for p in priors().values())
    assert all(p.source for p in priors().values() if p.basis == "published")
    (tmp_path / "priors.csv").write_text("prior,value,low,high,unit,meaning,basis,source\nx,1,3,2,1,y,our,\n")
    monkeypatch.setattr(hypotheses_priors, "reference_folder", lambda: tmp_path)
    hypotheses_priors.priors.cache_clear()
    try:
        with pytest.raises(ShelfError, match="low below high"):
            priors()
    finally:
        hypotheses_priors.priors.cache_clear()
