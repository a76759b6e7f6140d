"""The least-squares core on problems whose answers are known in closed form."""

import numpy as np
import pytest

from junction.sweeps.lsq import invert, solve


class Lines:
    """y = a + b x for n data sets: linear, so the answer is that of the normal equations."""

    def __init__(self, x, y, w):
        self.x, self.y, self.w = x, y, w

    def take(self, index):
        return Lines(self.x[index], self.y[index], self.w[index])

    def evaluate(self, theta):
        out = np.empty((theta.shape[0], 3, self.x.shape[1]))
        out[:, 0], out[:, 1] = self.w, self.w * self.x
        out[:, 2] = self.w * (theta[:, :1] + theta[:, 1:] * self.x - self.y)
        return out


class Decays:
    """y = a exp(-b x): curved, and quick to go wrong from a far start."""

    def __init__(self, x, y):
        self.x, self.y = x, y

    def take(self, index):
        return Decays(self.x[index], self.y[index])

    def evaluate(self, theta):
        out = np.empty((theta.shape[0], 3, self.x.shape[1]))
        e = np.exp(-theta[:, 1:] * self.x)
        out[:, 0], out[:, 1] = e, -theta[:, :1] * self.x * e
        out[:, 2] = theta[:, :1] * e - self.y
        return out


def lines(n=50, m=30, seed=1):
    rng = np.random.default_rng(seed)
    x = rng.uniform(0, 10, (n, m))
    return x, 2 + 3 * x + rng.normal(size=x.shape), rng.uniform(0.5, 2, x.shape)


def decays(n=200, m=25, seed=2):
    rng = np.random.default_rng(seed)
    x = np.broadcast_to(np.linspace(0, 5, m), (n, m)).copy()
    a, b = rng.uniform(1, 10, (n, 1)), rng.uniform(0.2, 2, (n, 1))
    return x, a * np.exp(-b * x) + 0.05 * rng.normal(size=x.shape)


def test_linear_problem_equals_normal_equations():
    x, y, w = lines()
    fit = solve(Lines(x, y, w), np.zeros((50, 2)))
    for k in range(50):
        design = w[k, :, None] * np.stack([np.ones(30), x[k]], 1)
        best, rest, _, _ = np.linalg.lstsq(design, w[k] * y[k], rcond=None)
        # two roundings of a well-conditioned 2 x 2 system
        np.testing.assert_allclose(fit.theta[k], best, rtol=1e-10, atol=0)
        np.testing.assert_allclose(fit.chi2[k], rest[0], rtol=1e-10, atol=0)
        np.testing.assert_allclose(fit.covariance[k], np.linalg.inv(design.T @ design), rtol=1e-10, atol=0)
    assert fit.converged.all() and (fit.rank == 2).all()


def test_a_batch_equals_each_alone():
    x, y = decays()
    start = np.tile([3.0, 0.5], (200, 1))
    together = solve(Decays(x, y), start)
    assert together.converged.all()
    for k in range(0, 200, 17):
        alone = solve(Decays(x[k : k + 1], y[k : k + 1]), start[:1])
        np.testing.assert_allclose(alone.theta[0], together.theta[k], rtol=1e-12, atol=0)
        np.testing.assert_allclose(alone.covariance[0], together.covariance[k], rtol=1e-12, atol=0)


def test_padding_changes_nothing():
    x, y, w = lines()
    padded = [np.concatenate([a, np.full((50, 7), fill)], 1) for a, fill in ((x, 3.0), (y, 1e9), (w, 0.0))]
    one, two = solve(Lines(x, y, w), np.zeros((50, 2))), solve(Lines(*padded), np.zeros((50, 2)))
    np.testing.assert_allclose(one.theta, two.theta, rtol=1e-12, atol=0)


def test_box_limits_hold_and_are_reported():
    x, y, w = lines()
    fit = solve(Lines(x, y, w), np.zeros((50, 2)), upper=[np.inf, 2.5])
    assert (fit.theta[:, 1] == 2.5).all()
    assert fit.at_bound[:, 1].all() and not fit.at_bound[:, 0].any()
    assert fit.converged.all()
    # the free parameter is at its own optimum, the weighted mean of what is left; a step that lowers chi2
    # by less than 1e-14 of itself is not taken, hence 1e-8
    np.testing.assert_allclose(
        fit.theta[:, 0], np.sum(w**2 * (y - 2.5 * x), 1) / np.sum(w**2, 1), rtol=1e-8, atol=0
    )


def test_fixed_parameters_stay():
    x, y, w = lines()
    free = np.ones((50, 2), bool)
    free[::2, 1] = False
    fit = solve(Lines(x, y, w), np.tile([0.0, 1.0], (50, 1)), free=free)
    assert (fit.theta[::2, 1] == 1.0).all() and (fit.theta[1::2, 1] != 1.0).all()
    assert (fit.rank == free.sum(1)).all()
    assert (fit.covariance[::2, 1] == 0).all()


def test_rank_is_reported_when_data_cannot_hold_the_parameters():
    x, y, w = lines()
    x[:10] = 4.0  # one abscissa: intercept and slope are one parameter
    fit = solve(Lines(x, y, w), np.zeros((50, 2)))
    assert (fit.rank[:10] == 1).all() and (fit.rank[10:] == 2).all()
    assert np.isfinite(fit.covariance).all()


def test_wild_points_do_not_rule_the_robust_loss():
    x, y, w = lines(n=400)
    wild = y.copy()
    wild[:, 3] += 500.0
    plain = solve(Lines(x, wild, np.ones_like(w)), np.zeros((400, 2)))
    robust = solve(Lines(x, wild, np.ones_like(w)), np.zeros((400, 2)), huber=3.0)
    clean = solve(Lines(x, y, np.ones_like(w)), np.zeros((400, 2)))
    u = np.sqrt(np.einsum("nii->ni", clean.covariance))
    # a residual of 500 counts as one of 3: it may pull by about one standard uncertainty, not by hundreds
    assert np.mean(np.abs(robust.theta - clean.theta) / u) < 1.0
    assert np.mean(np.abs(plain.theta - clean.theta) / u) > 30.0


def test_a_start_that_cannot_be_evaluated_comes_back():
    x, y = decays(n=3)
    start = np.array([[3.0, 0.5], [np.nan, 1.0], [3.0, -1e6]])
    fit = solve(Decays(x, y), start)
    assert fit.converged.tolist() == [True, False, False]
    assert np.isinf(fit.chi2[1:]).all()


def test_no_problem_and_no_time():
    assert solve(Decays(np.empty((0, 4)), np.empty((0, 4))), np.empty((0, 2))).theta.shape == (0, 2)
    x, y = decays(n=4)
    fit = solve(Decays(x, y), np.tile([30.0, 0.01], (4, 1)), max_iterations=1)
    assert not fit.converged.any()


@pytest.mark.parametrize("size", [1, 2, 5, 8])
def test_inverse_equals_numpy(size):
    rng = np.random.default_rng(size)
    j = rng.normal(size=(20, size, 40)) * 10.0 ** rng.integers(-6, 6, (20, size, 1))
    hessian = j @ j.transpose(0, 2, 1)
    covariance, rank = invert(hessian)
    assert (rank == size).all()
    scale = np.sqrt(np.einsum("nii->ni", covariance))
    # against the inverse of the matrix scaled to unit diagonal, which numpy can take accurately
    d = np.sqrt(np.einsum("nii->ni", hessian))
    truth = np.linalg.inv(hessian / d[:, :, None] / d[:, None]) / d[:, :, None] / d[:, None]
    assert np.max(np.abs(covariance - truth) / scale[:, :, None] / scale[:, None]) < 1e-12
