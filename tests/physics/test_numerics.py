"""Safe forms against mpmath at 50 digits (a general-purpose library)."""

import mpmath as mp
import numpy as np
import pytest

from junction.physics.junction import EXPONENT_LIMIT, limited_exp, limited_expm1, solve_linear_exponential

pytestmark = pytest.mark.external


def test_one_exponential_beside_a_line_is_lambert_w():
    """x + exp(x) = z has exp(x) = W(exp(z)), far past where exp(z) overflows."""
    z = np.concatenate([np.linspace(-700, 700, 141), np.linspace(-3, 3, 61)])
    with mp.workdps(50):
        truth = [float(mp.lambertw(mp.exp(mp.mpf(v))).real) for v in z]
    # exp(z) for large negative z holds the rounding of z, up to 700 eps
    np.testing.assert_allclose(np.exp(solve_linear_exponential(1.0, 1.0, 1.0, z)), truth, rtol=1e-12, atol=0)
    assert np.exp(solve_linear_exponential(1.0, 1.0, 1.0, 1e300)) == pytest.approx(1e300, rel=1e-12)


def test_solve_linear_exponential():
    rng = np.random.default_rng(1)
    k, b = 10 ** rng.uniform(-12, 3, 300), 10 ** rng.uniform(-18, 0, 300)
    a, c = 10 ** rng.uniform(-2, 1, 300), rng.uniform(-1, 1, 300) * 10 ** rng.uniform(-9, 2, 300)
    x = solve_linear_exponential(k, b, a, c)
    with mp.workdps(50):
        for kk, bb, aa, cc, xx in zip(k, b, a, c, x, strict=True):
            kk, bb, aa, cc, xx = (mp.mpf(float(t)) for t in (kk, bb, aa, cc, xx))
            f = kk * xx + bb * mp.exp(xx / aa) - cc
            slope = kk + bb / aa * mp.exp(xx / aa)
            # distance to the root by one Newton step, against the size of what cancels in it
            size = abs(xx) + abs(cc) / kk * mp.mpf(2) ** -20 + aa
            assert abs(f / slope) < 1e-13 * size, (kk, bb, aa, cc)


def test_limits_of_the_linear_exponential_solution():
    assert solve_linear_exponential(0.0, 2.0, 0.5, 2.0 * np.e) == pytest.approx(0.5)
    assert np.isneginf(solve_linear_exponential(0.0, 2.0, 0.5, -1.0))
    assert solve_linear_exponential(4.0, 0.0, 0.5, 2.0) == 0.5


def test_limited_exponentials_neither_overflow_nor_warn():
    assert limited_exp(1e9) == np.exp(EXPONENT_LIMIT) and np.isfinite(limited_expm1(1e9) ** 2)
    assert limited_expm1(1e-20) == 1e-20
