"""Small builders for checks through the front door: readings, sweeps and curves of one part each.

What they draw is physics of the handbooks with CODATA constants; no figure of junction's own tables is read.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

#: k/q [V/K]: CODATA 2018, Table of exact constants (k = 1.380649e-23 J/K, e = 1.602176634e-19 C).
K_OVER_Q = 1.380649e-23 / 1.602176634e-19


def vt(temp_C=25.0):
    """Thermal voltage [V]."""
    return K_OVER_Q * (temp_C + 273.15)


def six(be, bc, pnp=False, **ohms):
    """Six diode-mode readings of a transistor that blocks the other way, and ohms such as ``C_B=1e5``."""
    names = (("E-B", "B-E"), ("C-B", "B-C")) if pnp else (("B-E", "E-B"), ("B-C", "C-B"))
    read = {names[0][0]: be, names[1][0]: bc}
    read |= {name: "OL" for name in (names[0][1], names[1][1], "C-E", "E-C")}
    return [f"{k}={v}" for k, v in read.items()] + ohm_readings(**ohms)


def two(drop, **ohms):
    """Diode-mode readings of a diode that blocks, and ohms such as ``K_A=1e6``."""
    return [f"A-K={drop}", "K-A=OL", *ohm_readings(**ohms)]


def ohm_readings(**ohms):
    return [f"{name.replace('_', '-')}={value:.6g}ohm" for name, value in ohms.items()]


def sweep(part, type="", junction="AK", *, i_s=1e-14, n=1.0, r=0.05, top_A=0.1, back_V=5.0, leak=None,
          zener=None, temp_C=25.0, points=40, noise_A=1e-10, seed=1):  # fmt: skip
    """Points of a junction i_s, n, r from 100 nA to `top_A`, and in reverse to `back_V`.

    ``leak`` gives the reverse current [A] at a reverse voltage [V]; ``zener`` is (volt, at ampere, slope in
    ohm, least ampere) of a breakdown.  0.2 % of scatter and `noise_A` as an instrument has them.
    """
    rng = np.random.default_rng(seed)
    i = np.geomspace(1e-7, top_A, points)
    v = n * vt(temp_C) * np.log1p(i / i_s) + i * r
    back = np.linspace(0.02 * back_V, back_V, points // 2)
    own = lambda x: -i_s * np.expm1(-x / (n * vt(temp_C)))  # noqa: E731
    lost = own(back) + (leak(back) if leak else 0.0)
    if zener:
        volts, amps, ohm = zener
        more = np.geomspace(1e-7, 1.1 * amps, points // 2)
        # 60 mV a decade, as a sharp breakdown has
        deep = volts + (more - amps) * ohm + vt(temp_C) * np.log(more / amps)
        back, lost = np.r_[back, deep], np.r_[lost, more + own(deep) + (leak(deep) if leak else 0.0)]
    v, i = np.r_[-back, v], np.r_[-lost, i]
    i = i * (1 + 2e-3 * rng.standard_normal(i.size)) + noise_A * rng.standard_normal(i.size)
    columns = {"part": part, "type": type, "junction": junction, "v_V": v, "i_A": i, "temp_C": temp_C}
    return pd.DataFrame(columns)


def curves(part, type="", *, gain, i_s=2e-14, early_V=100.0, base_A=(), volts=(1, 2, 5, 10, 20), pnp=False,
           c_b_ohm=np.inf, b_e_ohm=np.inf, leak_A=0.0, breaks_V=np.inf, temp_C=25.0, seed=1):  # fmt: skip
    """Output curves at some base currents: Ebers and Moll's law with an Early voltage."""
    rng, rows, heat = np.random.default_rng(seed), [], vt(temp_C)
    for drive in base_A:
        for v in volts:
            own = max(drive + 0.0, 0.0)
            vbe = heat * np.log1p(gain * own / i_s)
            own = max(drive - vbe / b_e_ohm + v / c_b_ohm, 0.0)
            amps = gain * own * (1 + v / early_V) * -np.expm1(-v / heat) + leak_A
            amps += 1e-3 * np.exp(min((v - breaks_V) / 0.3, 3.0)) if np.isfinite(breaks_V) else 0.0
            vbe = heat * np.log1p(gain * own / i_s)
            rows.append((v, vbe, drive, amps))
    v, vbe, drive, amps = np.array(rows).T
    amps = amps * (1 + 1e-3 * rng.standard_normal(v.size)) + 1e-10 * rng.standard_normal(v.size)
    sign = -1 if pnp else 1
    return pd.DataFrame({"part": part, "type": type, "vce_V": sign * v, "vbe_V": sign * vbe,
                         "ib_A": sign * drive, "ic_A": sign * amps, "temp_C": temp_C})  # fmt: skip


def sides(door, build, *values, **options):
    """Verdicts through `sort` of the parts that ``build(tag, value)`` makes of the values, in their order."""
    tags = [f"P{k}" for k in range(len(values))]
    frames = [build(tag, value) for tag, value in zip(tags, values, strict=True)]
    found = door.sort(pd.concat(frames), **options).verdicts
    return [str(next(v.verdict for v in found if v.part == tag)) for tag in tags]


def part_of(result):
    """The verdict of a result's one part."""
    (only,) = result.verdicts
    return only
