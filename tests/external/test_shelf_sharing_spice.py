"""What a resistor's tolerance does to two equal devices, against ngspice (a general circuit simulator)."""

import pytest

from junction.base.units import ZERO_CELSIUS_K, thermal_voltage
from junction.replace.networks import value_and_shares
from junction.replace.resistor import sharing_effect
from tests.external.transistor_decks import NGSPICE_K_OVER_Q, OPTIONS, run

pytestmark = pytest.mark.external


@pytest.mark.parametrize(
    ("ohm", "amps", "tolerance"), [(0.22, 1.0, 0.05), (0.22, 0.05, 0.05), (1.0, 0.2, 0.1)]
)
def test_two_emitter_followers(ohm, amps, tolerance):
    """Two ideal transistors on one base, resistors at opposite ends of their tolerance."""
    columns = run(f"""sharing
vc c 0 5
vb b 0 0
q1 c b e1 m
q2 c b e2 m
r1 e1 o {ohm * (1 - tolerance)!r}
r2 e2 o {ohm * (1 + tolerance)!r}
io o 0 {2 * amps!r}
.model m NPN(IS=1e-12 BF=1e9 NF=1 TNOM=25)
.temp 25
{OPTIONS}
.control
set numdgt=15
set wr_singlescale
op
let i1=(v(e1)-v(o))/{ohm * (1 - tolerance)!r}
let i2=(v(e2)-v(o))/{ohm * (1 + tolerance)!r}
wrdata @OUT@ i1 i2
.endc
.end
""")
    i1, i2 = columns[0, 1:3]
    # at the temperature where our kT/q is the one ngspice has at 25 C (its constants are CODATA 2014)
    ours = thermal_voltage(0.0) / ZERO_CELSIUS_K
    temp_C = (25.0 + ZERO_CELSIUS_K) * NGSPICE_K_OVER_Q / ours - ZERO_CELSIUS_K
    e = sharing_effect(ohm, tolerance, amps, temp_C)
    # differences of node voltages known to 1e-9 relative over drops of at least 10 mV: 1e-6 is ample
    assert (i1 - i2) / (i1 + i2) == pytest.approx(e.imbalance, rel=1e-6)


def test_power_shares_of_networks():
    """Dissipation of each part of every kind of network, from ngspice's branch currents."""
    parts = (1.0, 2.2, 3.3, 4.7)
    nets = {
        "A + (B | C)": "r1 a m 1\nr2 m 0 2.2\nr3 m 0 3.3\nr4 a x 1e12",
        "A | (B + C)": "r1 a 0 1\nr2 a m 2.2\nr3 m 0 3.3\nr4 a x 1e12",
        "(A + B) | (C + D)": "r1 a m 1\nr2 m 0 2.2\nr3 a x 3.3\nr4 x 0 4.7",
        "(A | B) + (C | D)": "r1 a m 1\nr2 a m 2.2\nr3 m 0 3.3\nr4 m 0 4.7\nr5 a x 1e12",
        "A | B | C | D": "r1 a 0 1\nr2 a 0 2.2\nr3 a 0 3.3\nr4 a 0 4.7\nr5 a x 1e12",
        "A + B + C + D": "r1 a m 1\nr2 m x 2.2\nr3 x y 3.3\nr4 y 0 4.7",
        "A + (B | (C + D))": "r1 a m 1\nr2 m 0 2.2\nr3 m x 3.3\nr4 x 0 4.7",
        "A | (B + (C | D))": "r1 a 0 1\nr2 a m 2.2\nr3 m 0 3.3\nr4 m 0 4.7\nr5 a x 1e12",
        "A + (B | C | D)": "r1 a m 1\nr2 m 0 2.2\nr3 m 0 3.3\nr4 m 0 4.7\nr5 a x 1e12",
    }  # fmt: skip
    for arrangement, body in nets.items():
        count = sum(c.isalpha() for c in arrangement)
        names = [f"p{k + 1}" for k in range(count)]
        lets = "\n".join(f"let p{k + 1}=@r{k + 1}[p]" for k in range(count))
        row = run(f"""network
v1 a 0 1
{body}
rx x 0 1e12
{OPTIONS}
.control
set numdgt=15
set wr_singlescale
op
{lets}
wrdata @OUT@ {" ".join(names)}
.endc
.end
""")[0, 1 : 1 + count]
        # the terohm ties that keep every node defined carry 1e-12 of the current
        assert row / row.sum() == pytest.approx(value_and_shares(arrangement, parts[:count])[1], rel=1e-9)
