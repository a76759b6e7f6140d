"""Simulated sweeps of known junctions for the tests of the estimator; seeds fixed by the caller."""

from __future__ import annotations

import numpy as np

from junction.physics.junction import current, voltage
from junction.sweeps.sense import Noise
from tests.tables import sweep_table

NOISE = Noise(0.0, 3e-4, 0.3, 1e-9)
SILICON = {"IS_A": 2e-14, "N": 1.03, "RS_ohm": 1.5, "RSH_ohm": 1e9}


def noisy(v, i, rng, noise=NOISE):
    """A measured copy of exact points."""
    v, i = np.asarray(v, float), np.asarray(i, float)
    u_v, u_i = (np.sqrt(variance) for variance in noise.variances(v, i))
    return v + u_v * rng.normal(size=v.shape), i + u_i * rng.normal(size=i.shape)


def sweep(rng, v=None, noise=NOISE, **parameters):
    """One noisy sweep; silicon from -1 V to 0.75 V unless told otherwise."""
    v = np.linspace(-1, 0.75, 80) if v is None else v
    return noisy(v, current(v, **SILICON | parameters), rng, noise)


def driven(rng, i, noise=NOISE, **parameters):
    """One noisy sweep of stepped currents."""
    return noisy(voltage(i, **SILICON | parameters), i, rng, noise)


def table(*sweeps, temp_C=None, junction="AK"):
    """Table of (v, i) pairs."""
    n = len(sweeps)
    return sweep_table(
        [f"P{k}" for k in range(n)], [junction] * n, [s[0] for s in sweeps], [s[1] for s in sweeps], temp_C
    )
