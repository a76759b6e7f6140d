"""Hypotheses, predictions and arrangements: the tables behind lead finding, and what follows from them."""

import re
from math import log
from pathlib import Path

import numpy as np
import pytest

from junction.base.errors import ShelfError
from junction.base.records import PartReadings, Reading
from junction.judge.mixture import MISSING, OVER, VALUE
from junction.leads import hypotheses
from junction.leads.bench import (
    arrangements,
    bench_for,
    over_range_V,
    predict,
    reading_table,
    visible_leak_ohm,
)
from junction.leads.explain import weigh_parts
from junction.leads.hypotheses import (
    LATENT,
    PATHS,
    faults,
    kinds,
    lay_out,
    normal_quantile,
    prior,
    priors,
    resistance_span,
)
from junction.leads.verdict import next_placement
from junction.shelf.tables import default_meter, meters, reference_rows, rules
from tests.shelf.reference import changed

METER = default_meter()


def bench(leads):
    return bench_for(METER, [PartReadings("X", ())], leads)


@pytest.fixture(scope="module")
def unknown():
    return bench("123")


def test_normal_quantile_against_the_standard_library():
    from statistics import NormalDist

    p = np.linspace(0.001, 0.999, 301)
    exact = [NormalDist().inv_cdf(x) for x in p]
    np.testing.assert_allclose(normal_quantile(p), exact, atol=4.5e-4, rtol=0)  # the bound of A&S 26.2.23


def test_there_are_twelve_arrangements_and_they_are_all_different():
    *_, order, log_prior = arrangements("123", named=False)
    assert len({tuple(row) for row in order.tolist()}) == 12
    assert (np.sort(order, axis=1) == np.arange(6)).all()
    assert np.exp(log_prior).sum() == pytest.approx(1.0)
    roles, _, _, log_prior = arrangements("BCE", named=True)
    assert np.exp(log_prior).sum() == pytest.approx(1.0)
    sure = [p for r, p in zip(roles, np.exp(log_prior), strict=True) if r == ("B", "C", "E")]
    assert sum(sure) == pytest.approx(1 - prior("mislabelled"))
    assert np.exp(arrangements("AK", named=True)[3]).sum() == pytest.approx(1.0)


def test_polarity_turns_the_meter_round():
    roles, polarity, order, _ = arrangements("BCE", named=True)
    npn, pnp = (k for k, r in enumerate(roles) if r == ("B", "C", "E"))
    assert (polarity[npn], polarity[pnp]) == ("NPN", "PNP")
    placements = bench("BCE").placements
    assert placements[order[npn, 0]] == "B-E" and placements[order[pnp, 0]] == "E-B"


def test_reading_table():
    placements = bench("BCE").placements
    at = {name: k for k, name in enumerate(placements)}
    readings = (Reading("B-E", "volt", 0.6), Reading("E-B", "over"), Reading("B-C", "volt", 2.7),
                Reading("C-B", "ohm", 1e4), Reading("C-E", "ohm", np.inf),
                Reading("B-E", "volt", 0.61))  # fmt: skip
    value, state = reading_table([PartReadings("X", readings)], placements, 2.0)
    assert value[0, at["B-E"]] == 0.61 and state[0, at["B-E"]] == VALUE
    assert state[0, at["E-B"]] == OVER
    assert state[0, at["B-C"]] == OVER  # above what the meter can show
    assert value[0, 6 + at["C-B"]] == pytest.approx(log(1e4)) and state[0, 6 + at["C-E"]] == OVER
    assert state[0, at["C-E"]] == MISSING


def test_no_reading_leaves_the_prior(unknown):
    weighed = weigh_parts(unknown, [PartReadings("X", ())])[0]
    assert weighed.p.sum() == pytest.approx(1.0)
    # the share of the good is that of the faults' table: half, and what leaks within limits
    assert weighed.quality["good"] == pytest.approx(0.5, abs=0.12)
    assert weighed.p.sum(axis=1) == pytest.approx(np.full(12, 1 / 12))


def test_weights_of_the_components_are_the_priors(unknown):
    by_kind = {}
    for h, w in zip(unknown.predictions.label, unknown.predictions.log_weight, strict=True):
        name = unknown.hypotheses[h][0].name
        by_kind[name] = by_kind.get(name, 0.0) + np.exp(w)
    weights = {kind.name: kind.weight for kind in kinds()}
    ratio = weights["plain"] / weights["germanium"]
    assert by_kind["plain"] / by_kind["germanium"] == pytest.approx(ratio, rel=0.02)


def test_every_row_of_the_tables_is_used():
    """A fault that no kind is weighed with, or a group without faults, would be a misspelling."""
    groups = {group for n in (2, 3) for kind in kinds(n) for group in kind.groups}
    groups |= {group for kind in kinds(2) for group in kind.in_circuit} - {""}
    assert groups == {group for fault in faults().values() for group in fault.groups}
    for fault in faults().values():
        for item in fault.faults:
            path, word = item.split()
            assert path in (*PATHS, "AK") and word in ("leaky", "shorted", "open"), fault.name
    for kind in (*kinds(2), *kinds(3)):
        assert kind.latent.keys() <= set(LATENT), kind.name
        assert kind.called


def test_every_sentence_is_said_and_every_reason_has_one():
    table = {row.cells["reason"] for row in reference_rows("sentences")}
    code = "".join(path.read_text() for path in Path(hypotheses.__file__).parent.glob("*.py"))
    named = set(re.findall(r"""["'](leads_[a-z_]+)["']""", code)) - rules().keys()
    named |= {f"leads_next_{word}" for word in ("shorted", "leaky", "open")}
    named |= {kind.test for n in (2, 3) for kind in kinds(n)} - {""}
    named |= {f"leads_path_{path}" for path in (*PATHS, "AK")} | {f"leads_lead_{lead}" for lead in "BCEAK"}
    within = "".join(row.cells["says"] for row in reference_rows("sentences"))
    named |= set(re.findall(r"{>(leads_\w+)}", within))
    assert named == {reason for reason in table if reason.startswith("leads_")}


def test_resistance_span_covers_its_range_without_holes():
    for word, step in (("shorted", 0.9), ("leaky", 0.3)):
        centres, sd, log_weight = resistance_span(word, step, 2000.0, 3000.0)
        gaps = np.diff(centres)
        assert gaps == pytest.approx(np.full(gaps.size, 2 * sd))
    # the tile on the edge counts on one side
    assert np.exp(log_weight[centres < log(2000)]).sum() == pytest.approx(1.0, abs=0.08)


def test_every_meter_has_predictions():
    for name, meter in meters().items():
        visible = visible_leak_ohm(meter)
        _, tiles = lay_out(kinds()[:1], visible, 1.5 * visible)
        found = predict(tiles, meter, ohms=False)
        assert np.isfinite(found["mean"]).all() and np.isfinite(found["factor"]).all(), name
        assert (found["noise"] > 0).all(), name
        assert 0 < over_range_V(meter) <= meter.over_range_V, name
        assert 100 < visible < 1e6 or "x1" in name, name


def test_what_a_leak_can_show_follows_from_the_source():
    assert visible_leak_ohm(METER) == pytest.approx(METER.over_range_V / METER.test_current_A)


def test_expected_information_prefers_what_splits():
    """After B-E conducts and E-B does not, reading B-E again tells nothing; the collector tells most."""
    known = bench("BCE")
    part = PartReadings("X", (Reading("B-E", "volt", 0.65), Reading("E-B", "over")))
    weighed = weigh_parts(known, [part])[0]
    gain = {name: next_placement(weighed, [name])[1] for name in known.placements}
    assert min(gain.values()) >= -1e-12
    assert max(gain.values()) > 0.2
    assert gain["B-E"] < max(gain.values()) / 2


def test_a_prior_that_cannot_be_read_is_named():
    with changed("priors", 0, {"low": "3", "high": "2"}), pytest.raises(ShelfError, match="low below high"):
        priors()
