"""Bags known by one reading a part, and mixed ones, against ngspice: the intervals must still hold."""

import numpy as np
import pytest

from junction.amplifier.stage import plan_stage
from junction.base.records import CurveTable
from junction.sets.match import match_parts
from junction.sets.pack import all_sets
from junction.transistor.transistor import fit_transistors
from tests.external import pair_decks
from tests.external.test_pair_bags import STAGE, U_TEMP_K, measured_bag, spice_imbalance
from tests.sets.bags import true_values
from tests.tables import curve_table, spot_part

pytestmark = pytest.mark.external


def spot_readings(value, seed: int, ic_A: float = 0.5):
    """One V_BE and h_FE a part at one current and 5 V, as a bench logs them: 1 mV, 2 %, a thermometer."""
    rng = np.random.default_rng(seed)
    n = len(value)
    temp = rng.uniform(19.0, 31.0, n)
    vbe, _, ic, ib = pair_decks.measure(value, temp, vbe=(0.4, 0.9, 0.002), vce=(5.0,))
    out = []
    for k in range(n):
        at = np.interp(np.log(ic_A), np.log(ic[k]), vbe)
        hfe = ic_A / np.exp(np.interp(np.log(ic_A), np.log(ic[k]), np.log(ib[k])))
        out.append(spot_part(
            f"A{k + 1:02d}", ic_A * (1 + 0.01 * rng.standard_normal()), at + 1e-3 * rng.standard_normal(),
            hfe * (1 + 0.02 * rng.standard_normal()), temp[k] + U_TEMP_K * rng.uniform(-1, 1) * 3**0.5,
            polarity="NPN"))  # fmt: skip
    return tuple(out)


def results(fits_for):
    """Matched pairs of several bags with ngspice's imbalance of each, and of all possible pairs."""
    out, stage = [], plan_stage(STAGE)
    for seed in range(31, 37):
        value = true_values(12, seed)
        result = match_parts(fits_for(value, seed), stage)
        chosen = [[int(p[1:]) - 1 for p in s.parts] for s in result.sets]
        sets = all_sets(12, 2)
        out.append((result, spice_imbalance(value, stage, chosen), spice_imbalance(value, stage, sets)))
    return out


@pytest.fixture(scope="module")
def spot_only():
    def fits_for(value, seed):
        return fit_transistors(CurveTable.empty(), readings=spot_readings(value, seed))

    return results(fits_for)


@pytest.fixture(scope="module")
def mixed():
    """Every other part with a curve, the rest with one reading."""

    def fits_for(value, seed):
        curves = measured_bag(value, seed)
        half = range(0, len(value), 2)
        cut = [curves.points(k) for k in half]
        table = curve_table(
            [curves.part[k] for k in half], *([getattr(curves, name)[c] for c in cut]
                                              for name in ("vce_V", "vbe_V", "ib_A", "ic_A")),
            temp_C=curves.temp_C[list(half)], polarity=["NPN"] * len(cut),
        )  # fmt: skip
        return fit_transistors(table, readings=spot_readings(value, seed)[1::2])

    return results(fits_for)


@pytest.fixture(scope="module")
def low():
    """One reading at 0.1 A, a twentieth of the peak, and the stage the parts are made for."""
    peak_A = plan_stage(STAGE).peak.total_A / 2

    def fits_for(value, seed):
        readings = spot_readings(value, seed, 0.1)
        return fit_transistors(CurveTable.empty(), readings=readings, made_for_A=peak_A)

    return results(fits_for)


@pytest.mark.parametrize("bags", ["spot_only", "mixed", "low"])
def test_intervals_hold_what_ngspice_finds(bags, request):
    held = {"idle": [], "peak": []}
    for result, truth, _ in request.getfixturevalue(bags):
        for k, s in enumerate(result.sets):
            for (name, hits), real in zip(held.items(), truth[:, k], strict=True):
                it = getattr(s, f"imbalance_{name}")
                hits.append(it.low <= real <= it.high)
    for name, hits in held.items():
        assert len(hits) == 36
        assert np.mean(hits) >= 0.90, (name, np.mean(hits))


@pytest.mark.parametrize("bags", ["spot_only", "mixed"])
def test_one_reading_is_much_better_than_none(bags, request):
    """At idle, over the bags, the chosen pairs against pairs taken blindly, whose mean is that of all pairs.

    One reading at five times the idle current with 1 mV and 0.3 K leaves 2 mV between two parts of a bag
    that spreads 9 mV: a perfect choice would reach a fifth, this one a good half at the worst.
    """
    ratio = [truth[0].mean() / every[0].mean() for _, truth, every in request.getfixturevalue(bags)]
    assert np.mean(ratio) < 0.5, ratio


def test_readings_near_idle_and_a_stated_stage_earn_grades(low):
    """A reading at the idle share carries the idle match; the peak's rests on the emitter resistors."""
    sets = [s for result, *_ in low for s in result.sets]
    for which, column in (("idle", 0), ("peak", 1)):
        real = np.concatenate([truth[column] for _, truth, _ in low])
        limit = np.array([getattr(s, f"imbalance_{which}_limit_95") for s in sets])
        assert np.mean(limit < 0.2) > 0.8, which
        assert np.mean(real <= limit) >= 0.90, which  # a 95 % limit, 36 sets


def test_curves_are_surer_than_one_reading(spot_only, mixed):
    def width(bags):
        return np.mean([s.imbalance_peak.high - s.imbalance_peak.low for r, *_ in bags for s in r.sets])

    assert width(mixed) < width(spot_only)
