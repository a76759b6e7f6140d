"""Few points for many: chi-square differences, curvature and interval ends stay what all points give."""

import numpy as np
import pytest

from junction.base.units import thermal_voltage
from junction.sweeps.block import Block
from junction.sweeps.terms import SETS, A, B
from junction.sweeps.thin import thin
from tests.sweeps.sweep_simulation import NOISE, sweep


@pytest.fixture(scope="module")
def block():
    """Forty sweeps of 240 points with a second exponential, fitted as plain junctions."""
    rng = np.random.default_rng(7)
    v = np.linspace(-1.0, 0.7, 240)
    points = [sweep(rng, v, ISR_A=2e-11, NR=2.0) for _ in range(40)]
    v, i = (np.stack(a) for a in zip(*points, strict=True))
    order = np.argsort(v, axis=1)
    v, i = np.take_along_axis(v, order, 1), np.take_along_axis(i, order, 1)
    block = Block(v, i, np.ones_like(v), np.full((40, 1), thermal_voltage(25.0)), NOISE)
    with np.errstate(all="ignore"):  # trial steps may overflow
        block.fit_plain()
    return block


def test_the_largest_current_is_one_of_those_in_use():
    v, i, keep = np.array([[0.1, 0.5, 0.6]]), np.array([[1e-9, 1e-3, -5e-2]]), np.array([[1.0, 1.0, 0.0]])
    for used, largest in ((keep, 1e-3), (np.ones_like(v), 5e-2)):
        block = Block(v, i, used, np.full((1, 1), thermal_voltage(25.0)), NOISE)
        assert block.top == pytest.approx([largest])


def test_differences_of_chi_square_are_those_of_all_points(block):
    rows = np.arange(40)
    few = thin(block, rows)
    assert few.v.shape[1] < 60 and np.all(few.n_used == 240)
    base, columns = block.theta[:, SETS["base"]], SETS["recombination"]
    full = (block.residuals("base") ** 2).sum(1)
    # residuals ten times the noise lie where the distance to the curve is not linear any more
    assert (few.residuals("base") ** 2).sum(1) + few.scatter == pytest.approx(full, rel=5e-3)
    # a rival's gain is what a contest rests on: it decides from 9 on, half a unit off changes nothing
    rival = np.zeros((40, 9))
    rival[:, columns[:4]], rival[:, columns[4:]] = base, [np.log(2e-11), 0.5]
    gain = [b.fit("recombination", rival).chi2 for b in (block, few)]
    found = ((few.residuals("base") ** 2).sum(1) - gain[1]) / (full - gain[0])
    assert found == pytest.approx(np.ones(40), abs=0.05)


def test_the_curvature_is_that_of_all_points(block):
    few = thin(block, np.arange(40))
    u = [np.sqrt(np.einsum("nii->ni", b.fit("base", block.theta).covariance)) for b in (block, few)]
    assert u[1][:, [A, B]] == pytest.approx(u[0][:, [A, B]], rel=0.05)
