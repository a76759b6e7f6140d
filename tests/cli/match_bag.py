"""A small bag as CSV text: curves of invented transistors by the house's own model, and spot readings."""

import numpy as np

from junction.physics.transistor import currents
from junction.transistor.values import parameters_at
from tests.sets.bags import true_values

CURVE_HEADING = "part,polarity,vce_V,vbe_V,ib_A,ic_A,temp_C"
SPOT_HEADING = "part,polarity,ic_mA,vbe_mV,hFE,temp_C,B-E,E-B,B-C,C-B,C-E,E-C"


def curve_rows(n: int, polarity: str, seed: int, *, top_V=0.78, noise=True) -> list[str]:
    """Rows of n parts, 2e-4 V and 0.3 % of scatter."""
    from junction.transistor.values import FITTED

    rng = np.random.default_rng(seed)
    rows = []
    for k, value in enumerate(true_values(n, seed)):
        temp = round(float(rng.uniform(21, 27)), 1)
        vbe, vce = (x.ravel() for x in np.meshgrid(np.arange(0.44, top_V, 0.02), [3.0, 12.0]))
        ic, ib = currents(vbe, vce, parameters_at(FITTED, value[None], temp), temp)
        ic, ib = ic.ravel(), ib.ravel()
        if noise:
            vbe = vbe + 2e-4 * rng.standard_normal(vbe.size)
            ic, ib = (x * (1 + 3e-3 * rng.standard_normal(x.size)) for x in (ic, ib))
        for v, e, b, c in zip(vbe, vce, ib, ic, strict=True):
            rows.append(f"{polarity[0]}{k + 1:02d},{polarity},{e:.3f},{v:.5f},{b:.6g},{c:.6g},{temp}")
    return rows


def curves_csv(n: int = 6, *, both: bool = True) -> str:
    """n NPN parts N01.., and n PNP parts P01.. ."""
    rows = curve_rows(n, "NPN", 41)
    if both:
        rows += curve_rows(n, "PNP", 42)
    return "\n".join([CURVE_HEADING, *rows]) + "\n"


def spot_csv(n: int = 6, seed: int = 5) -> str:
    """n parts S01.. read at 0.5 A; S03 has a shorted collector junction."""
    rng = np.random.default_rng(seed)
    rows = [SPOT_HEADING]
    for k in range(n):
        # with the collector shorted to the base, C-E reads the emitter junction
        bc, cb, ce = ("0.570", "OL", "OL") if k != 2 else ("0.003", "0.003", "0.581")
        rows.append(f"S{k + 1:02d},NPN,500,{655 + 4 * rng.standard_normal():.1f},"
                    f"{100 + 10 * rng.standard_normal():.0f},23.5,0.580,OL,{bc},{cb},{ce},OL")  # fmt: skip
    return "\n".join(rows) + "\n"
