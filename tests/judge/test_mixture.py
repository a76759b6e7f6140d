"""The engine that weighs, against scipy's laws and brute force."""

import numpy as np
import pytest
from scipy import special, stats

from junction.judge.mixture import (
    MISSING,
    OVER,
    VALUE,
    Mixture,
    Predictions,
    log_normal,
    log_phi,
    log_total,
    posterior,
)


def made(seed=0, r=5, k=4, q=2):
    """Predictions of r pieces with three labels, and readings near them."""
    rng = np.random.default_rng(seed)
    label = np.sort(rng.integers(0, 3, r))
    mean, factor = rng.normal(0.6, 0.2, (r, k)), rng.normal(0.0, 0.1, (r, k, q))
    noise = rng.uniform(0.02, 0.1, (r, k))
    return Predictions(label, np.log(rng.dirichlet(np.ones(r))), mean, factor, noise, np.full(k, 0.8))


def test_log_phi_is_as_near_as_it_says():
    z = np.linspace(-37.0, 8.0, 4001)
    exact = stats.norm.logcdf(z)
    np.testing.assert_allclose(np.exp(log_phi(z)), np.exp(exact), rtol=0, atol=7.5e-8)
    np.testing.assert_allclose(log_phi(z), exact, rtol=0, atol=5e-3)
    assert np.isfinite(log_phi(np.array([-1e9, 1e9]))).all()


def test_sums_and_posterior_are_those_of_scipy_and_safe_where_all_is_excluded():
    rng = np.random.default_rng(1)
    w = rng.normal(-2000.0, 300.0, (3, 4, 6))  # far outside what exp can hold
    np.testing.assert_allclose(log_total(w), special.logsumexp(w, axis=-1), rtol=1e-14, atol=0)
    np.testing.assert_allclose(log_total(w, (1, 2)), special.logsumexp(w, axis=(1, 2)), rtol=1e-14, atol=0)
    np.testing.assert_allclose(posterior(w, (1, 2)).sum(axis=(1, 2)), 1.0, rtol=1e-14, atol=0)
    np.testing.assert_allclose(posterior(w, 0), special.softmax(w, axis=0), rtol=1e-10, atol=0)
    w[1] = -np.inf
    assert log_total(w, (1, 2))[1] == -np.inf
    np.testing.assert_array_equal(posterior(w, (1, 2))[1], 0.0)
    np.testing.assert_array_equal(posterior(w, (1, 2), otherwise=0.25)[1], 0.25)


def test_numbers_have_the_multivariate_normal_density_and_gaps_say_nothing():
    one = made()
    state = np.array([VALUE, MISSING, VALUE, VALUE])
    value = np.random.default_rng(3).normal(0.6, 0.2, (7, 4))
    rows, like = one.log_likelihood(value, state)
    np.testing.assert_array_equal(rows, np.arange(5))
    seen = state == VALUE
    for r in rows:
        cov = one.factor[r] @ one.factor[r].T + np.diag(one.noise[r] ** 2)
        law = stats.multivariate_normal(one.mean[r][seen], cov[np.ix_(seen, seen)])
        np.testing.assert_allclose(like[r], one.log_weight[r] + law.logpdf(value[:, seen]), rtol=1e-9, atol=0)


def test_marks_are_weighed_given_the_numbers():
    one = made(seed=4, r=1)
    value, state = np.full((1, 4), 0.6), np.array([VALUE, OVER, MISSING, MISSING])
    _, like = one.log_likelihood(value, state)
    cov = one.factor[0] @ one.factor[0].T + np.diag(one.noise[0] ** 2)
    mean = one.mean[0, 1] + cov[1, 0] / cov[0, 0] * (0.6 - one.mean[0, 0])
    sd = np.sqrt(cov[1, 1] - cov[1, 0] ** 2 / cov[0, 0])
    expected = stats.norm.logpdf(0.6, one.mean[0, 0], np.sqrt(cov[0, 0])) + stats.norm.logsf(0.8, mean, sd)
    assert like[0, 0] == pytest.approx(one.log_weight[0] + expected, abs=5e-3)  # as near as log_phi


def test_evidence_of_mixed_patterns_is_that_of_each_alone():
    one = made(seed=5, r=9)
    rng = np.random.default_rng(6)
    value, state = rng.normal(0.6, 0.1, (8, 4)), rng.integers(0, 3, (8, 4))
    whole = one.log_evidence(value, state, 4)
    assert np.all(whole[:, 3] == -np.inf)  # no piece has that label
    numbers = np.full(4, VALUE)
    rows, like = one.log_likelihood(value, numbers)
    together = one.log_evidence(value, np.tile(numbers, (8, 1)), 4)
    for label in set(one.label[rows]):
        total = special.logsumexp(like[one.label[rows] == label], axis=0)
        np.testing.assert_allclose(together[:, label], total, rtol=1e-14, atol=0)
    for k in range(8):
        np.testing.assert_allclose(
            one.log_evidence(value[[k]], state[[k]], 4)[0], whole[k], rtol=1e-12, atol=0
        )


def test_a_shared_cause_is_known_from_what_was_read():
    one = made(seed=7, r=3)
    value, state = np.array([0.5, 0.7, 0.0, 0.6]), np.array([VALUE, VALUE, MISSING, VALUE])
    mean, variance = one.cause_given(np.arange(3), value, state, 1)
    seen = state == VALUE
    for r in range(3):  # conditional normal law of the cause
        f = one.factor[r][seen]
        gain = f[:, 1] @ np.linalg.inv(f @ f.T + np.diag(one.noise[r][seen] ** 2))
        assert mean[r] == pytest.approx(gain @ (value - one.mean[r])[seen], rel=1e-9)
        assert variance[r] == pytest.approx(1 - gain @ f[:, 1], rel=1e-9)


def test_a_mixture_keeps_its_quantiles_and_moments():
    rng = np.random.default_rng(8)
    w, mean, sd = rng.normal(-700, 2, 6), rng.normal(0, 3, 6), rng.uniform(0.01, 1, 6)
    it = Mixture(w, mean, sd)
    for p in (1e-4, 0.025, 0.5, 0.975):
        assert float(it.below(it.quantile(p))) == pytest.approx(p, rel=1e-9)
    np.testing.assert_allclose(it.below([-50.0, 50.0]), [0.0, 1.0], rtol=0, atol=1e-15)
    assert it.moments()[0] == pytest.approx(special.softmax(w) @ mean, rel=1e-9)
    assert Mixture(np.zeros(1), np.array([2.0]), np.array([0.5])).quantile(0.5) == pytest.approx(
        2.0, rel=1e-12
    )
    np.testing.assert_allclose(
        log_normal(1.2, mean, sd), stats.norm.logpdf(1.2, mean, sd), rtol=1e-12, atol=0
    )
