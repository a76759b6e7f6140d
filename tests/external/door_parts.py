"""Readings and sweeps for the front door, by laws that are written out here.

Truth never comes from the shelf or the physics of the judge: the constants are those of the SI of 2019, and
the law is the exponential one.
"""

from math import sqrt, tanh

import numpy as np
import pandas as pd

K_OVER_Q = 1.380649e-23 / 1.602176634e-19
VT_25 = K_OVER_Q * 298.15

#: Readings so sharp, and parts so equally warm, that what is graded is the difference itself.
SHARP = {"temperature_uncertainty": 0.001, "voltage_accuracy": "0.001%+10uV", "current_accuracy": "0.01%"}


def thermal(kelvin=298.15):
    """kT/q [V]."""
    return K_OVER_Q * kelvin


def imbalance(apart_V, vt=VT_25):
    """(larger - smaller)/(sum) of two currents whose junctions differ by a voltage."""
    return tanh(apart_V / 2 / vt)


def spots(vbe_V, ic_A=1e-3, hfe=100.0, polarity="NPN", temp_C=25.0, names=None, **more):
    """Spot readings of transistors, one row a part."""
    names = names or [f"Q{k}" for k in range(len(vbe_V))]
    return pd.DataFrame({"part": names, "polarity": polarity, "ic_A": ic_A, "vce_V": 5.0, "temp_C": temp_C,
                         "vbe_V": vbe_V, "hFE": hfe, **more})  # fmt: skip


def pairs(apart_V, ratio=1.0, ic_A=1e-4, temp_C=25.0):
    """Pairs so far (40 mV) from each other that only these can be chosen; `ratio` is that of their gains."""
    n = np.arange(len(apart_V))
    low = 0.5 + 0.04 * n
    ratio = np.broadcast_to(ratio, n.size)
    return spots(np.stack([low, low + apart_V], 1).ravel(), ic_A,
                 np.stack([200 * ratio, np.full(n.size, 200.0)], 1).ravel(), temp_C=temp_C,
                 names=[f"{k}{side}" for k in n for side in "ab"])  # fmt: skip


def in_order(sets):
    """Sets of `pairs` in the order they were given."""
    return sorted(sets, key=lambda s: s.parts)


def sweeps(parts, i_A, temp_C=25.0, junction="AK", **more):
    """Sweeps of junctions: name -> voltages at the currents."""
    return pd.concat([
        pd.DataFrame({"part": name, "junction": junction, "v_V": v, "i_A": i_A, "temp_C": temp_C, **more})
        for name, v in parts.items()
    ])  # fmt: skip


def widest(u):
    """Upper end of the 95 % interval (2.5 to 97.5 %) of the size of a difference of two values of this u."""
    return 2.241403 * sqrt(2) * u  # 97.5 % of a half-normal
