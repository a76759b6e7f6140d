"""Small builders for checks through the front door: readings, sweeps and curves of one part each.

What they draw is physics of the handbooks with CODATA constants; no figure of junction's own tables is read.
"""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pandas as pd

from tests.external.transistor_decks import run

#: k/q [V/K]: CODATA 2018, Table of exact constants (k = 1.380649e-23 J/K, e = 1.602176634e-19 C).
K_OVER_Q = 1.380649e-23 / 1.602176634e-19


#: Textbooks of the worked examples; the years but the first are those of the editions remembered.
DE = "Basic Electronics, D. De, 2010"
FLOYD = "Electronic Devices, T. L. Floyd, 2012 (year from memory)"
GUPTA = "Fundamentals of Electronic Devices, J. B. Gupta, 2009 (year from memory)"
KAKANI = "Electronic Devices and Circuits, Kakani and Bhandari, 2008 (year from memory)"
MALVINO = "Electronic Principles, Malvino, 1999 (year from memory)"
SEDHA = "A Textbook of Applied Electronics, R. S. Sedha, 2008 (year from memory)"
SHARMA = "Electronic Devices, S. Sharma, 2012 (year from memory)"

#: Invented models of a small and a power transistor, a Darlington's two, and diodes.
MODELS = """.model small NPN(IS=1e-14 BF=200 BR=4 VAF=90 RB=10 RE=0.3 RC=1)
.model smallp PNP(IS=1e-14 BF=180 BR=4 VAF=60 RB=10 RE=0.3 RC=1)
.model power NPN(IS=1e-11 BF=70 BR=3 VAF=100 RB=1 RE=0.02 RC=0.05)
.model silicon D(IS=4e-9 N=1.9 RS=0.5)
.model schottky D(IS=3e-6 N=1.05 RS=0.1)
.model clamp D(IS=1e-15 N=1)"""


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


def curves(part, type="", *, gain, base_A, i_s=2e-14, icbo_A=0.0, early_V=np.inf, breaks_V=np.inf,
           volts=(1, 2, 5, 10, 20), pnp=False, temp_C=25.0, seed=1):  # fmt: skip
    """Output curves at some base currents: Ebers and Moll's law, I_C = gain (I_B + I_CBO) + I_CBO.

    The gain grows with the collector voltage by the Early voltage; at `breaks_V` 1 mA more flows.
    """
    rng, heat = np.random.default_rng(seed), vt(temp_C)
    drive, v = (x.ravel() for x in np.meshgrid(base_A, np.array(volts, float), indexing="ij"))
    own = gain * (drive + icbo_A)
    amps = own * (1 + v / early_V) * -np.expm1(-v / heat) + icbo_A
    amps += 1e-3 * np.exp(np.minimum((v - breaks_V) / 0.3, 3.0))
    amps = amps * (1 + 1e-3 * rng.standard_normal(v.size)) + 1e-10 * rng.standard_normal(v.size)
    sign = -1 if pnp else 1
    return pd.DataFrame({"part": part, "type": type, "vce_V": sign * v, "ib_A": sign * drive,
                         "vbe_V": sign * heat * np.log1p(own / i_s), "ic_A": sign * amps,
                         "temp_C": temp_C})  # fmt: skip


def sides(door, build, *values, **options):
    """Verdicts through `sort` of the parts that ``build(tag, value)`` makes of the values, in their order."""
    tags = [f"P{k}" for k in range(len(values))]
    frames = [build(tag, value) for tag, value in zip(tags, values, strict=True)]
    found = door.sort(pd.concat(frames), **options).verdicts
    return [str(next(v.verdict for v in found if v.part == tag)) for tag in tags]


def limits(folder, type, symbol, at, low="", high=""):
    """CSV of a limit of one's own for a type, such as ``high="2.8nA"`` at ``"VR=35V"``; its path."""
    path = folder / f"limits{len(list(folder.iterdir()))}.csv"
    unit = (high or low).lstrip("0123456789.e-")
    low, high = low.removesuffix(unit), high.removesuffix(unit)
    path.write_text("type,symbol,min,max,unit,at,basis,source\n"
                    f"{type},{symbol},{low},{high},{unit},{at},published,worked example\n")  # fmt: skip
    return path


def part_of(result):
    """The verdict of a result's one part."""
    (only,) = result.verdicts
    return only


def metered(networks, amps=1e-3, compliance_V=2.6, over_V=2.0):
    """Diode-mode readings of networks as ngspice (a general-purpose simulator) solves them, in one run.

    Parameters
    ----------
    networks : dict of str to (str, str)
        Name -> leads with blanks between, and SPICE elements whose nodes ``{B}`` ... are the leads and whose
        other nodes and names end in ``{n}``; models are those of `MODELS`.
    amps, compliance_V, over_V : float
        The meter's current, the voltage it stops at, and what it shows as over-range.

    Returns
    -------
    dict of str to list of str
        Name -> ``B-E=0.612`` for each way the probes can lie.
    """
    blocks, asked = [], []
    for name, (leads, elements) in networks.items():
        for red, black in permutations(leads.split(), 2):
            n = len(asked)
            asked.append((name, f"{red}-{black}"))
            at = {lead: "0" if lead == black else f"{lead.lower()}{n}" for lead in leads.split()}
            blocks.append(elements.format(n=n, **at) + f"\nim{n} 0 {at[red]} {amps!r}\n"
                          f"dm{n} {at[red]} z{n} clamp\nvm{n} z{n} 0 {compliance_V!r}\nrm{n} {at[red]} 0 1e9")
            blocks[-1] += "".join(f"\nrg{lead}{n} {node} 0 1e10" for lead, node in at.items() if node != "0")
    nodes = [f"v({pair.split('-')[0].lower()}{n})" for n, (_, pair) in enumerate(asked)]
    deck = "\n".join(["meter", *blocks, MODELS, ".options gmin=1e-12 reltol=1e-5 itl1=500", ".control",
                      "set numdgt=12", "set wr_singlescale", "op", f"wrdata @OUT@ {' '.join(nodes)}",
                      ".endc", ".end\n"])  # fmt: skip
    readings = {name: [] for name in networks}
    for (name, pair), volts in zip(asked, run(deck)[0, 1:], strict=True):
        readings[name].append(f"{pair}={'OL' if volts > over_V else f'{volts:.3f}'}")
    return readings
