"""The decision rule against the worked cases of JCGM 106:2012."""

import numpy as np
import pytest
from scipy import integrate, stats

from junction.judge.mixture import conformity

pytestmark = pytest.mark.external


def test_zener_breakdown_conformity():
    """JCGM 106:2012, clause 7, breakdown voltage of a Zener diode (published 0.92, from memory)."""
    assert conformity(-5.47, 0.05, high=-5.40) == pytest.approx(0.92, abs=0.005)  # two printed digits
    # Recomputed: Phi(1.4), abs 1e-6 because the quoted digits end there
    assert conformity(-5.47, 0.05, high=-5.40) == pytest.approx(0.919243, abs=1e-6)


def resistor_risks(accept_low, accept_high):
    """Global consumer's and producer's risk of JCGM 106:2012, 9.5, with our rule as the inner integral."""
    mean, spread, u = 1500.0, 0.12, 0.04
    marginal = stats.norm(mean, np.hypot(spread, u))
    weight = spread**2 / (spread**2 + u**2)
    u_post = np.sqrt(weight) * u

    def conform(measured):  # posterior of the true value given the reading (JCGM 106, A.4.4.2)
        return float(conformity(mean + weight * (measured - mean), u_post, 1499.80, 1500.20))

    def integral(f, a, b):
        return integrate.quad(f, a, b, epsabs=1e-10, limit=200)[0]

    consumer = integral(lambda y: (1 - conform(y)) * marginal.pdf(y), accept_low, accept_high)
    producer = integral(lambda y: conform(y) * marginal.pdf(y), mean - 1.5, accept_low)
    producer += integral(lambda y: conform(y) * marginal.pdf(y), accept_high, mean + 1.5)
    return consumer, producer


def test_resistor_with_guard_band():
    """JCGM 106:2012, clause 9, resistors of 1500 ohm (R_C 0.01 and R_P 0.07, from memory)."""
    assert conformity(1500.0, 0.12, 1499.80, 1500.20) == pytest.approx(0.90, abs=0.005)
    consumer, producer = resistor_risks(1499.82, 1500.18)
    assert consumer == pytest.approx(0.01, abs=0.0005)
    assert producer == pytest.approx(0.07, abs=0.005)
