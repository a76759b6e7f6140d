"""Registered limits on the shelf against their documents, and against each other.

Values are those of the documents named beside them.  Where a document could be read only as a maker's reprint
the shelf's own ``source`` says so.  The cross-checks use figures that a registration states independently of
each other (power and thermal resistance, test current and Zener voltage), so that a slip of the pen in one of
them shows.
"""

from math import isnan

import pytest

from junction.shelf.limits import matched_duals
from junction.shelf.types import find_type, power_reference, type_shelf


def limit(part, symbol, **at):
    found = [
        x for x in find_type(part).find(symbol)
        if all(x.at.get(k) == pytest.approx(v) for k, v in at.items())
    ]  # fmt: skip
    assert found, (part, symbol, at)
    return found[0]


RATINGS = [
    # JEDEC registration of the 2N3055
    ("2N3055", {"V_CEO": 60, "V_CBO": 100, "V_EBO": 7, "I_C": 15, "P_tot": 115, "T_j": 200}),
    # MIL-PRF-19500/407
    ("JAN2N3055", {"V_CEO": 70, "V_CBO": 100, "V_EBO": 7, "I_C": 15, "P_tot": 117, "T_j": 200}),
    # JEDEC registration of the 2N3773 and 2N6609
    ("2N3773", {"V_CEO": 140, "V_CBO": 160, "V_EBO": 7, "I_C": 16, "I_CM": 30, "P_tot": 150, "T_j": 200}),
    ("2N6609", {"V_CEO": 140, "V_CBO": 160, "V_EBO": 7, "I_C": 16, "I_CM": 30, "P_tot": 150, "T_j": 200}),
    # MIL-PRF-19500/379
    ("2N3791", {"V_CEO": 60, "V_CBO": 60, "V_EBO": 7, "I_C": 10}),
    ("2N3792", {"V_CEO": 80, "V_CBO": 80, "V_EBO": 7, "I_C": 10}),
    # MIL-PRF-19500/368
    ("2N3439", {"V_CEO": 350, "V_CBO": 450, "V_EBO": 7, "I_C": 1, "R_thJC": 35}),
    ("2N3440", {"V_CEO": 250, "V_CBO": 300, "V_EBO": 7, "I_C": 1, "R_thJC": 35}),
    # MIL-PRF-19500/291 and /290
    ("2N2907A", {"V_CEO": 60, "V_CBO": 60, "V_EBO": 5, "I_C": 0.6}),
    ("2N2905A", {"V_CEO": 60, "V_CBO": 60, "V_EBO": 5, "I_C": 0.6}),
    # JEDEC registrations of the small-signal types
    ("2N3904", {"V_CEO": 40, "V_CBO": 60, "V_EBO": 6, "I_C": 0.2, "P_tot": 0.625, "T_j": 150}),
    ("2N3906", {"V_CEO": 40, "V_CBO": 40, "V_EBO": 5, "I_C": 0.2, "P_tot": 0.625, "T_j": 150}),
    # MIL-PRF-19500/355
    ("2N2919", {"V_CEO": 60, "V_CBO": 60, "V_EBO": 6, "I_C": 0.03}),
    ("2N2920", {"V_CEO": 60, "V_CBO": 60, "V_EBO": 6, "I_C": 0.03}),
    # MIL-PRF-19500/6
    ("2N43A", {"V_CBO": 45}),
    # JEDEC registrations of diodes
    ("1N4001", {"V_RRM": 50, "I_F": 1, "I_FSM": 30}),
    ("1N4007", {"V_RRM": 1000, "I_F": 1, "I_FSM": 30}),
    ("1N5408", {"V_RRM": 1000, "I_F": 3, "I_FSM": 200}),
    ("1N5817", {"V_RRM": 20, "I_F": 1}),
    ("1N5819", {"V_RRM": 40, "I_F": 1}),
]


@pytest.mark.external
def test_maximum_ratings():
    for name, ratings in RATINGS:
        part = find_type(name)
        found = {symbol: part.rating(symbol) for symbol in ratings}
        assert found == pytest.approx(ratings, rel=1e-12), name


LIMITS = [
    # JEDEC registration of the 2N3055
    ("2N3055", "h_FE", {"ic_A": 4, "vce_V": 4}, 20, 70),
    ("2N3055", "h_FE", {"ic_A": 10, "vce_V": 4}, 5, None),
    ("2N3055", "V_BE(on)", {"ic_A": 4, "vce_V": 4}, None, 1.5),
    ("2N3055", "V_CE(sat)", {"ic_A": 4, "ib_A": 0.4}, None, 1.1),
    ("2N3055", "I_CEO", {"vce_V": 30}, None, 0.7e-3),
    ("2N3055", "I_EBO", {"veb_V": 7}, None, 5e-3),
    # MIL-PRF-19500/407
    ("JAN2N3055", "h_FE", {"ic_A": 4, "vce_V": 4}, 20, 60),
    ("JAN2N3055", "I_EBO", {"veb_V": 7}, None, 1e-3),
    # JEDEC registration of the 2N3773
    ("2N3773", "h_FE", {"ic_A": 8, "vce_V": 4}, 15, 60),
    ("2N3773", "I_CEO", {"vce_V": 120}, None, 10e-3),
    # JEDEC registrations of the 2N3904 and 2N2222A
    ("2N3904", "h_FE", {"ic_A": 0.01, "vce_V": 1}, 100, 300),
    ("2N3904", "V_BE(sat)", {"ic_A": 0.01}, 0.65, 0.85),
    ("2N2222A", "h_FE", {"ic_A": 0.15, "vce_V": 10}, 100, 300),
    ("2N2222A", "I_CBO", {"vcb_V": 60}, None, 10e-9),
    ("2N2222A", "f_T", {"ic_A": 0.02, "vce_V": 20}, 300e6, None),
    # 2N2913 to 2N2920 data sheet
    ("2N2920", "h_FE", {"ic_A": 10e-6, "vce_V": 5}, 150, 600),
    ("2N2917", "h_FE", {"ic_A": 10e-6, "vce_V": 5}, 60, 240),
    ("2N2917", "V_BE(on)", {"ic_A": 100e-6, "vce_V": 5}, None, 0.7),
    ("2N2917", "I_CBO", {"vcb_V": 45}, None, 10e-9),
    ("2N2919", "I_CBO", {"vcb_V": 45}, None, 2e-9),
    # Pro Electron gain groups of the BC546 to BC548
    ("BC547A", "h_FE", {"ic_A": 2e-3, "vce_V": 5}, 110, 220),
    ("BC547B", "h_FE", {"ic_A": 2e-3, "vce_V": 5}, 200, 450),
    ("BC547C", "h_FE", {"ic_A": 2e-3, "vce_V": 5}, 420, 800),
    ("BC547", "V_BE(on)", {"ic_A": 2e-3, "vce_V": 5}, 0.58, 0.70),
    # JEDEC registrations of diodes
    ("1N4148", "V_F", {"if_A": 0.01}, None, 1.0),
    ("1N4148", "I_R", {"vr_V": 20}, None, 25e-9),
    ("1N4148", "t_rr", {}, None, 4e-9),
    ("1N4007", "I_R", {"vr_V": 1000}, None, 5e-6),
    ("1N5817", "V_F", {"if_A": 1}, None, 0.45),
    ("1N5819", "V_F", {"if_A": 1}, None, 0.60),
    ("1N4733A", "V_Z", {"iz_A": 0.049}, 4.845, 5.355),
    ("1N5231B", "V_Z", {"iz_A": 0.020}, 4.845, 5.355),
]


@pytest.mark.external
def test_test_limits():
    for name, symbol, at, low, high in LIMITS:
        found = limit(name, symbol, **at)
        for have, want in ((found.low, low), (found.high, high)):
            # 1e-9: the shelf holds value and prefix, their product rounds in the last binary digit
            right = isnan(have) if want is None else have == pytest.approx(want, rel=1e-9)
            assert right, (name, symbol, at, have, want)


#: MIL-PRF-19500/379 derates these by 0.857 W/K (1.17 K/W) and states R_thJC 1.1 K/W as a separate limit.
#: MJL2119x: 200 W in the headline and 0.7 K/W in the same sheet.  BC140, BC141: the lower power
#: and the thermal resistance of different makers.
APART = {"2N3791": 0.07, "2N3792": 0.07, "MJL21193": 0.12, "MJL21194": 0.12, "BC140": 0.17, "BC141": 0.17}


def test_power_and_thermal_resistance_agree():
    """P_tot = (T_j - T_ref)/R_thJC: three figures that a sheet states side by side."""
    parts = [p for p in type_shelf().all("bjt") if power_reference(p)[0] == "case" and p.rating("R_thJC") > 0]
    assert len(parts) > 50
    for part in parts:
        _, ref_C = power_reference(part)
        by_rth = (part.rating("T_j") - ref_C) / part.rating("R_thJC")
        # both are rounded to two or three digits in the sheets
        apart = APART.get(part.group_of or part.name, 0.03)
        assert by_rth == pytest.approx(part.rating("P_tot"), rel=apart), part.name


@pytest.mark.external
def test_zener_test_current_is_a_quarter_of_the_power():
    """JEDEC test currents of the 1 W family: I_ZT·V_Z = 0.25 W, rounded to two or three digits."""
    for number in range(4728, 4765):
        found = limit(f"1N{number}A", "V_Z")
        assert found.at["iz_A"] * found.typical == pytest.approx(0.25, rel=0.04), number


@pytest.mark.parametrize("first", [4728, 5221, 5333])
def test_zener_test_current_falls_as_the_voltage_rises(first):
    """The tables of a family rise in voltage and do not rise in test current."""
    number, points = first, []
    while (part := find_type(f"1N{number}A") or find_type(f"1N{number}B")) is not None:
        found = part.find("V_Z")[0]
        points.append((found.typical, found.at["iz_A"]))
        number += 1
    assert len(points) > 30
    assert points == sorted(points, key=lambda p: p[0])
    assert all(b[1] <= a[1] for a, b in zip(points, points[1:], strict=False))


def test_zener_range_is_its_tolerance():
    for part in type_shelf().all("diode"):
        if part.kind == "Zener":
            found = part.find("V_Z")[0]
            wanted = (0.95 * found.typical, 1.05 * found.typical)
            # the ranges of the Pro Electron C grade are printed, rounded to the digits of their table:
            # 2.28 to 2.56 V for 2.4 V, 12.4 to 14.1 V for 13 V
            near = 0.035 if part.name.startswith("BZX") else 1e-6
            assert (found.low, found.high) == pytest.approx(wanted, rel=near), part.name
            assert found.low < found.typical < found.high


@pytest.mark.external
def test_matched_dual_limits():
    """2N2913/15/17 data sheet; the drift limits over the two spans are one and the same slope."""
    for name, ratio, dv, dv_wide, slope in (
        ("2N2915", 0.9, 3e-3, 5e-3, 10e-6),
        ("2N2917", 0.8, 5e-3, 10e-3, 20e-6),
    ):
        by = {}
        for x in matched_duals()[name]:
            by.setdefault(x.symbol, []).append(x)
        assert by["h_FE1/h_FE2"][0].low == pytest.approx(ratio)
        assert [x.high for x in by["|V_BE1-V_BE2|"]] == pytest.approx([dv, dv_wide])
        assert by["|d(V_BE1-V_BE2)/dT|"][0].high == pytest.approx(slope)
        for x in by["|change of V_BE1-V_BE2|"]:
            assert x.high == pytest.approx(slope * abs(x.at["temp_end_C"] - x.at["temp_C"]))


def test_complementary_pairs_have_the_same_ratings():
    """Makers offer them as complements because V_CEO, I_C and P_tot agree; exceptions are named."""
    differ = set()
    by_name = {p.name: p for p in type_shelf().all("bjt") if not p.secondary and not p.group_of}
    for part in by_name.values():
        other = by_name.get(part.complement)
        if other and part.polarity == "NPN":
            for symbol in ("V_CEO", "I_C", "P_tot"):
                a, b = part.rating(symbol), other.rating(symbol)
                if a != b and not isnan(a) and not isnan(b):
                    differ.add(f"{part.name} {symbol}")
    # registered so: 40 V and 60 V, 0.8 A and 0.6 A; the others: figures of different makers' sheets
    assert differ == {
        *(f"{name} {symbol}" for name in ("2N2222A", "S8050") for symbol in ("V_CEO", "I_C", "P_tot")),
        "2N2219A V_CEO", "2N2219A I_C", "2N5551 V_CEO", "BC517 I_C", "BC517 P_tot", "BC108 V_CEO",
        "BC140 P_tot", "BC141 P_tot", "2N5088 V_CEO", "2SC458LG P_tot", "2SC2310 P_tot", "MPS2222A V_CEO",
        "MPSA42 I_C", "MPSA42 P_tot", "BC635 P_tot", "BC637 P_tot", "BC639 P_tot", "BF420 P_tot", "BF422 I_C",
        "BF422 P_tot", "2SD661 I_C", "2SD661A I_C", "PN2222A V_CEO", "PN2222A P_tot",
    }  # fmt: skip
