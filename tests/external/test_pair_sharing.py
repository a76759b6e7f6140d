"""Sharing against ngspice and against the exponential law that registered pair limits rest on."""

import numpy as np
import pytest

from junction.amplifier.results import OperatingPoint
from junction.amplifier.sharing import ABSENT, Devices, devices_from_fits, share
from junction.sets.pack import all_sets
from tests.external import pair_decks
from tests.rows import every_row
from tests.sets.bags import fits_of, true_values

pytestmark = pytest.mark.external


@every_row("kind", ["NPN", "PNP"])
@every_row(("k", "total", "vce", "temp", "re", "rb"), [
    (2, 0.2, 42.0, 45.0, 0.22, 2.2), (2, 5.0, 6.0, 80.0, 0.22, 2.2), (3, 0.3, 35.0, 25.0, (0.22, 0.27,
    0.33), 0.0),
    (4, 12.0, 8.0, 100.0, 0.1, 1.0), (2, 0.1, 20.0, 25.0, 0.0, 0.0),
])  # fmt: skip
def test_currents_equal_ngspice(kind, k, total, vce, temp, re, rb):
    value = true_values(6, 21)
    sets = all_sets(6, k)
    real = pair_decks.share(value, sets, total, vce, temp, re, rb, kind)
    ours = share(devices_from_fits(fits_of(value)).take(sets), OperatingPoint("x", total, vce, temp, re, rb))
    # ngspice holds the constants of 2014 (1e-6 of kT/q) and puts 1 microohm where we have none
    np.testing.assert_allclose(ours.ie_A, real, rtol=5e-6, atol=0)


@pytest.mark.parametrize(("dv_mV", "ratio"), [(3.0, 1.1239), (5.0, 1.2148), (10.0, 1.4758)])
def test_current_ratio_that_a_vbe_limit_allows(dv_mV, ratio):
    """exp(dV/(kT/q)) at 25 degC, kT/q = 25.6926 mV: what 3 and 5 mV (2N2915) and 10 mV (2N2917) mean."""
    is_ = 1e-14 * np.array([1.0, np.exp(dv_mV / 25.6926)])
    plain = {name: np.asarray(v, float) for name, v in ABSENT.items()}
    pair = Devices({**plain, "IS": is_, "BF": np.asarray(1e9)}).take(np.array([[0, 1]]))
    ie = share(pair, OperatingPoint("x", 2e-4, 5.0, 25.0)).ie_A[0]
    assert ie[1] / ie[0] == pytest.approx(ratio, abs=6e-5)  # printed to four decimals


def test_drift_of_a_difference_with_temperature():
    """A pair's V_BE difference is proportional to absolute temperature: dV/T, 10 uV/K for 3 mV at 25 degC.

    The registered drift of the 2N2915 is 1 mV from 25 to 125 degC for a pair of 3 mV: 10 uV/K.
    """
    from junction.amplifier.sharing import drive_point

    plain = {name: np.asarray(v, float) for name, v in ABSENT.items()}
    pair = Devices({**plain, "IS": 1e-14 * np.array([1.0, np.exp(3.0 / 25.6926)])})
    apart = [np.ptp(drive_point(pair, np.log(1e-4), 5.0, t).vbe_V) for t in (25.0, 125.0)]
    assert apart[0] == pytest.approx(3e-3, rel=1e-4)
    assert apart[1] - apart[0] == pytest.approx(1.0e-3, rel=0.01)


def test_ngspice_agrees_which_position_needs_which_resistor():
    value = true_values(2, 5)
    point = OperatingPoint("x", 0.2, 40.0, 25.0, (0.22, 0.33))
    d = devices_from_fits(fits_of(value))
    ours = [float(share(d.take(np.array([order])), point).imbalance[0]) for order in ([0, 1], [1, 0])]
    real = []
    for order in ([0, 1], [1, 0]):
        i = pair_decks.share(value, [order], 0.2, 40.0, 25.0, (0.22, 0.33), 0.0)[0]
        real.append(np.ptp(i) / i.sum())
    np.testing.assert_allclose(ours, real, rtol=1e-4, atol=0)
    assert np.argmin(ours) == np.argmin(real)
