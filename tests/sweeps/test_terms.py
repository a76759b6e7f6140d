"""Residual, derivatives and curve of the junction equation in the fit's coordinates."""

import numpy as np

from junction.base.units import thermal_voltage
from junction.physics import junction as law
from junction.sweeps.terms import AB, RS, RZ, SETS, WIDTH, G, JunctionProblem, curve

VT = thermal_voltage(25.0)
TRUTH = np.full((1, WIDTH), np.nan)
TRUTH[0] = [-30.0, 0.95, 2.0, 1e-6, -20.0, 0.5, -1e-7, -220.0, 0.7, 5.0]


def problem(columns, seed=3, m=60, noise=1.0):
    """Sweep from breakdown to full current with 0.3 mV and 0.5 % of noise."""
    rng = np.random.default_rng(seed)
    theta = np.where(np.isin(np.arange(WIDTH), columns), TRUTH, np.nan)
    low = -8.2 if AB in columns else -1.0
    x = np.concatenate([np.linspace(low, -0.1, m // 3), np.linspace(0, 0.62, m - m // 3)])[None]
    f, _, _ = curve(theta, np.array([VT]), x)
    reverse = (x + 2.0 * f < 0) & (RZ in columns)  # then the leak lies beside branch and resistance
    leak = np.where(reverse, np.nan_to_num(theta[:, G, None]), 0.0)
    own = f - leak * x
    v = x + np.nan_to_num(np.where(reverse, theta[:, RZ, None], theta[:, RS, None])) * own
    f = own + leak * v
    v = v + noise * 3e-4 * rng.normal(size=x.shape)
    i = f + noise * rng.normal(size=x.shape) * np.hypot(1e-8, 5e-3 * f)
    ui2 = 1e-16 + (5e-3 * f) ** 2
    vt = np.array([[VT]])
    return JunctionProblem(v, i, np.full_like(v, 9e-8), ui2, np.ones_like(v), vt, columns), theta[
        :, list(columns)
    ]


def test_derivatives_against_central_differences():
    """At points on the curve the derivative is exact; the noise-free sweep is such a case."""
    for name in SETS:
        check_derivatives(name)


def check_derivatives(name):
    columns = SETS[name]
    at, theta = problem(columns, noise=0.0)
    out = at.evaluate(theta).copy()
    assert np.max(np.abs(out[:, -1])) < 1e-6, name  # every point lies on the curve
    for k in range(theta.shape[1]):
        h = np.zeros_like(theta)
        h[0, k] = 1e-6 * max(abs(theta[0, k]), 1e-9)
        numeric = (at.evaluate(theta + h)[:, -1].copy() - at.evaluate(theta - h)[:, -1]) / (2 * h[0, k])
        size = np.max(np.abs(out[:, k]))
        # central differences: rounding of residuals (1e-10 of the largest terms) over a step of 1e-6
        assert np.max(np.abs(numeric - out[:, k])) < 2e-4 * size, name


def test_with_noise_the_derivative_is_that_of_the_distance():
    """Off the curve the residual is the distance to it: derivatives agree to the order of the noise."""
    columns = SETS["recombination"]
    at, theta = problem(columns)
    out = at.evaluate(theta).copy()
    for k in range(theta.shape[1]):
        h = np.zeros_like(theta)
        h[0, k] = 1e-6 * abs(theta[0, k])
        numeric = (at.evaluate(theta + h)[:, -1].copy() - at.evaluate(theta - h)[:, -1]) / (2 * h[0, k])
        # relative noise of a point is about 1 %, and so is what its curvature adds
        assert np.max(np.abs(numeric - out[:, k])) < 0.05 * np.max(np.abs(out[:, k]))


def test_residual_is_the_distance_found_by_search():
    """Against the shortest distance to a finely drawn curve, point by point."""
    columns = SETS["base"]
    at, theta = problem(columns, seed=5)
    r = at.evaluate(theta)[0, -1]
    full = np.full((1, 9), np.nan)
    full[0, list(columns)] = theta[0]
    for k in range(0, at.v.shape[1], 7):
        x = at.v[0, k] - at.i[0, k] * theta[0, 2] + np.linspace(-0.02, 0.02, 400_001)[None]
        f, _, _ = curve(full, np.array([VT]), x)
        d2 = (at.v[0, k] - x - theta[0, 2] * f) ** 2 / at.uv2[0, k] + (at.i[0, k] - f) ** 2 / at.ui2[0, k]
        # one step to the foot: what is left is of the order of the relative noise cubed
        assert abs(abs(r[k]) - np.sqrt(d2.min())) < 2e-3 * max(1.0, abs(r[k]))


def test_curve_is_the_equation_of_the_physics_layer():
    """The physics layer is held to mpmath and pvlib; the fit's own form of the equation to it."""
    x = np.linspace(-8.5, 0.7, 200)[None]
    f, g, _ = curve(TRUTH, np.array([VT]), x)
    bv = (np.log(1e-3) + 220.0) * VT / 0.7
    i = law.current(x, np.exp(-30.0), 1 / 0.95, 0.0, 1e6, 1e-7, np.exp(-20.0), 2.0, bv, 1e-3, 1 / 0.7, 25.0)
    np.testing.assert_allclose(f, i, rtol=1e-11, atol=1e-20)
    h = 1e-6
    numeric = (curve(TRUTH, np.array([VT]), x + h)[0] - curve(TRUTH, np.array([VT]), x - h)[0]) / (2 * h)
    np.testing.assert_allclose(g, numeric, rtol=1e-6, atol=1e-12)
