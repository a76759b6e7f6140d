"""Transistor fits against ngspice: true parts recovered, and fitted cards laid over the data.

The curves are computed by ngspice from .model cards with a seeded spread, each part at its own
temperature; only the noise is added here.  ngspice is a general circuit simulator and shares no code
with junction.
"""

import numpy as np
import pytest

from junction.base.records import CurveTable
from junction.physics.temperature import SPICE_LAW
from junction.transistor.model import reading_noise, usual_noise
from junction.transistor.transistor import fit_transistors
from junction.transistor.values import evaluate
from tests.external.transistor_decks import card, gummel, output_family
from tests.tables import curve_table, spot_part
from tests.transistor.transistor_simulation import noisy, power_parts

pytestmark = pytest.mark.external

NOISE = usual_noise()
EXACT_TEMPERATURE = (0.02, None)
VCES = (2.0, 10.0)
CHECKED = ("IS", "NF", "BF", "IKF", "VAF", "RE", "RB")


def cards_of(params, kind):
    n = params["IS"].shape[0]
    return [card({name: float(x[k, 0]) for name, x in params.items()}, kind) for k in range(n)]


@pytest.fixture(scope="module", params=("NPN", "PNP"))
def bag(request):
    """Eight parts of a polarity as ngspice measures them: cards, temperatures, exact and noisy curves."""
    kind = request.param
    rng = np.random.default_rng(40 + (kind == "PNP"))
    params = power_parts(8, rng)
    cards = cards_of(params, kind)
    temp = rng.uniform(18.0, 35.0, 8)
    columns = []
    for text, t in zip(cards, temp, strict=True):
        v, ic, ib = gummel(text, (0.5, 0.95, 0.0225), VCES, float(t), kind)
        columns.append((np.repeat(VCES, v.shape[1]), v.ravel(), ib.ravel(), ic.ravel()))
    vce, vbe, ib, ic = (np.array(x) for x in zip(*columns, strict=True))
    table = curve_table(
        [f"{kind[0]}{k}" for k in range(8)], list(noisy(rng, vce, 0.02, 2e-4)),
        list(noisy(rng, vbe, 0.02, 2e-4)), list(noisy(rng, ib, 0.3, 1e-12)), list(noisy(rng, ic, 0.3, 1e-12)),
        temp_C=temp, polarity=[kind] * 8,
    )  # fmt: skip
    fits = fit_transistors(table, NOISE, law=SPICE_LAW, u_temp_K=EXACT_TEMPERATURE)
    return kind, params, cards, table, fits


def test_ngspice_parts_are_recovered_in_their_own_intervals(bag):
    _, params, _, _, fits = bag
    inside = 0
    for name in CHECKED:
        j = fits.names.index(name)
        pull = (np.log(fits.value[:, j]) - np.log(params[name][:, 0])) / fits.u_log[:, j]
        assert np.all(np.abs(pull) < 4.5), name
        inside += np.sum(np.abs(pull) < 1.96)
    assert inside >= 47  # of 56: the binomial 0.1 % point of 95 %


def test_fitted_cards_run_in_ngspice_lie_over_the_data(bag):
    """Each fitted card goes back through ngspice at the part's temperature, on the measured grid."""
    kind, _, _, table, fits = bag
    for k in range(len(fits)):
        fitted = {
            name: float(x) for name, x in zip(fits.names, fits.value[k], strict=True)
            if name not in ("EG", "XTB")
        }  # fmt: skip
        _, ic, ib = gummel(card(fitted, kind), (0.5, 0.95, 0.0225), VCES, float(table.temp_C[k]), kind)
        at = table.points(k)
        # The data's scatter: 0.3 % of current and 0.3 mV of V_BE, which is 1.1 % of an exponential
        # current, less where resistances take over; the mean of 42 such points is known to 0.2 %.
        for model, data in ((ic, table.ic_A[at]), (ib, table.ib_A[at])):
            ratio = np.log(model.ravel() / data)
            assert np.abs(ratio.mean()) < 0.008 and ratio.std() < 0.016
        assert fits.chi2[k] / fits.dof[k] < 1.6


def test_v_be_and_gain_against_ngspice_at_stated_currents(bag):
    """V_BE(IC) and h_FE(IC) of the true card at 25 and 60 degC, read off a fine ngspice sweep."""
    kind, _, cards, _, fits = bag
    ic = np.array([0.02, 0.1, 0.5, 2.0])
    inside = []
    for temp in (25.0, 60.0):
        got = evaluate(fits, ic, 5.0, temp)
        for k, text in enumerate(cards):
            v, true_ic, true_ib = (x[0] for x in gummel(text, (0.4, 1.0, 0.0025), [5.0], temp, kind))
            # cubic interpolation of smooth curves at 2.5 mV: 1e-6 V
            from scipy.interpolate import CubicSpline

            vbe = CubicSpline(np.log(true_ic), v)(np.log(ic))
            hfe = np.exp(CubicSpline(np.log(true_ic), np.log(true_ic / true_ib))(np.log(ic)))
            assert np.all(np.abs(got.vbe_V[k] - vbe) < 4.5 * got.u_vbe_V[k])
            inside += list((got.vbe_low_V[k] < vbe) & (vbe < got.vbe_high_V[k]))
            inside += list((got.hfe_low[k] < hfe) & (hfe < got.hfe_high[k]))
    assert np.mean(inside) > 0.85  # 128 strongly correlated figures of 8 parts


def test_output_family_of_ngspice_gives_early_voltage_saturation_and_gain():
    rng = np.random.default_rng(50)
    params = power_parts(3, rng)
    ibs = (2e-3, 1e-2, 3e-2)
    rows = [output_family(text, ibs, (0.1, 12.1, 0.4)) for text in cards_of(params, "NPN")]
    vce = np.array([r[0].ravel() for r in rows])
    ic = np.array([r[1].ravel() for r in rows])
    ib = np.repeat(ibs, rows[0][0].shape[1])[None] + np.zeros_like(ic)
    table = curve_table(
        ["A", "B", "C"], list(noisy(rng, vce, 0.02, 2e-4)), list(np.full(vce.shape, np.nan)),
        list(noisy(rng, ib, 0.3, 1e-12)), list(noisy(rng, ic, 0.3, 1e-12)), temp_C=np.full(3, 25.0),
    )  # fmt: skip
    fits = fit_transistors(table, NOISE, law=SPICE_LAW, u_temp_K=EXACT_TEMPERATURE)
    j = fits.names.index("VAF")
    pull = (np.log(fits.value[:, j]) - np.log(params["VAF"][:, 0])) / fits.u_log[:, j]
    assert np.all(np.abs(pull) < 3.5) and np.all(fits.u_log[:, j] < 0.05)
    got = evaluate(fits, np.array([0.5, 1.5]), 8.0)
    for k, text in enumerate(cards_of(params, "NPN")):
        v, true_ic, true_ib = (x[0] for x in gummel(text, (0.6, 1.0, 0.0025), [8.0], 25.0))
        from scipy.interpolate import CubicSpline

        hfe = np.exp(CubicSpline(np.log(true_ic), np.log(true_ic / true_ib))(np.log([0.5, 1.5])))
        np.testing.assert_allclose(got.hfe[k], hfe, rtol=0.006)  # 0.1 % stated, 4.5 of them, and 0.15 %


def test_a_transistor_known_only_at_one_point_reads_like_the_textbook_one():
    """Gain as in Malvino, Electronic Principles, ex. 6-2 (100 times); V_BE 0.7 V by the exponential law.

    At 25 degC (kT/q 25.69 mV, CODATA 2018) 10 mA at 0.7 V are IS = 10 mA exp(-0.7/0.02569) = 1.48e-14 A for
    NF = 1 and no resistances.
    """

    one = [spot_part("Q", 10e-3, 0.7, 100.0, 25.0)]
    fits = fit_transistors(CurveTable.empty(), readings=one, spot=reading_noise())
    got = evaluate(fits, 10e-3, 5.0)
    assert got.hfe[0, 0] == pytest.approx(100.0, rel=2e-3) and got.vbe_V[0, 0] == pytest.approx(0.7, abs=5e-4)
    j = fits.names.index("IS")
    low, high = np.exp(np.log(fits.value[0, j]) + np.array([-2, 2]) * fits.u_log[0, j])
    assert low < 1.48e-14 < high
