"""Small files for the command tests, made with the textbook law alone."""

from math import exp
from random import Random


def ideal_sweep(part, junction="BE", is_A=1e-14, shunt_ohm=None, n=1.0, top_A=0.01):
    """Rows of a sweep -5 V to the voltage of `top_A`, ideal law (Shockley 1949) and a shunt, 3 digits off.

    The scatter is drawn: one that goes up and down in steps, as (7 k) mod 11 does, looks smooth to what finds
    the noise, and such points are fitted more closely than any measured ones.
    """
    vt, rng = 0.025693, Random(f"{part} {junction}")
    rows = []
    volts = [-5 + 0.25 * j for j in range(20)] + [0.01 * j for j in range(100)]
    for v in volts:
        i = is_A * (exp(v / (n * vt)) - 1) + (v / shunt_ohm if shunt_ohm else 0.0)
        if i > top_A:
            break
        i *= 1 + rng.uniform(-2e-3, 2e-3)
        i += rng.uniform(-1e-10, 1e-10)
        rows.append(f"{part},{junction},{v:.3f},{i:.6g}")
    return rows


READINGS = """part,type,B-E,E-B,B-C,C-B,C-E,E-C
N01,,0.642,OL,0.633,OL,OL,OL
N02,,0.002,0.002,0.633,OL,OL,0.635
N03,,OL,OL,0.630,OL,OL,OL
"""


def sweeps_csv(*groups):
    return "\n".join(["part,junction,v_V,i_A", *(row for group in groups for row in group)]) + "\n"


BAG = sweeps_csv(
    ideal_sweep("S1"), ideal_sweep("S1", "BC", 3e-14), ideal_sweep("S2", shunt_ohm=2000.0),
    ideal_sweep("S3", "AK", 2e-9, n=1.8, top_A=0.05), ideal_sweep("S4", is_A=1e-40, shunt_ohm=2.0, top_A=0.2),
)  # fmt: skip
