"""Fits and verdicts of transistor curves of a repair bench, against ngspice (see `bench_curves`)."""

import numpy as np
import pytest

from tests.external import bench_curves as bench

#: Every curve fitted, V_BE at 1 mA within 0.3 mV: shares of these curves.
FITTED, CLOSE = 1.0, 1.0
#: V_BE within this [V]: a third of what 1 K moves it; the noise of 0.15 mV leaves 0.05 mV of a curve's V_BE.
NEAR = 3e-4
#: Of 240 parts with and without faults: wrong verdicts, share of the faults found; the aim is none and 0.9.
WRONG, FOUND = 1, 0.81


@pytest.fixture(scope="module")
def rows():
    return bench.frozen("fit")[::4]  # of all shapes and mixtures; `report` takes every one


@pytest.mark.external
def test_every_mixture_of_limit_offset_and_floor(rows):
    """Curves up to two thirds at limit and floor: V_BE and h_FE at 1 mA as ngspice has them."""
    found = bench.fitted(rows)
    off = np.array([abs(dv) for _, dv, _, _ in found])
    assert np.mean([not why for why, *_ in found]) >= FITTED
    assert np.mean(off < NEAR) >= CLOSE
    # a curve of a good bench, neither limit nor floor in it, is met today
    clean = [r["shape"] == "Gummel" and float(r["noise_A"]) < 1e-9 and r["at_limit"] == "0.00" for r in rows]
    assert (off[clean] < NEAR).all()


@pytest.mark.external
def test_verdicts():
    """Leaks, paths, lost gain, resistance, early breakdown, shorts and opens, from the curves alone."""
    rows = bench.frozen("sort")
    said = bench.judged(rows)
    found = [bench.outcome(r, verdict) for r, (verdict, _) in zip(rows, said, strict=True)]
    wrong = [(r["part"], r["fault"], s) for r, s, o in zip(rows, said, found, strict=True) if o == "wrong"]
    assert len(wrong) <= WRONG, wrong
    shown = [o == "right" for r, o in zip(rows, found, strict=True) if r["inside"]]
    assert np.mean(shown) >= FOUND, np.mean(shown)


def test_ngspice_says_the_same_today(rows):
    """Some circuits solved anew: the truth is the decks', not a file's."""
    everything = bench.frozen()
    some = everything[::31]
    for old, new in zip(some, bench.simulate([int(r["part"][1:]) for r in some]), strict=True):
        for name in ("vbe_V", "ib_A", "ic_A", "vbe_1mA_V"):
            a, b = (np.array(x[name].split(), dtype=float) for x in (old, new))
            # versions of ngspice differ in the last digits of a solution
            differ = np.sum(np.abs(a - b) > 1e-3 * np.abs(a) + 1e-9)
            assert a.size == b.size and differ <= 0.03 * a.size, (old["part"], name)
