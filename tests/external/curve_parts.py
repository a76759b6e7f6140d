"""Curves of transistors with known faults from ngspice, a deck a part, for verdicts through `junction sort`.

All parts are invented: parameters are drawn so that a sound part keeps the registered limits of its type at
the registered conditions, as ngspice solves them there, and a faulty one breaks them by at least twice.
Nothing here is shared with `junction`, and no bar of it was read to draw them.
"""

from __future__ import annotations

import numpy as np

from tests.external.transistor_decks import run

#: Coarser than for a fit, so that every fault converges.
OPTIONS = ".options gmin=1e-15 reltol=1e-6 abstol=1e-14 vntol=1e-8 itl1=500 itl2=500"

#: Type -> polarity, material, and of the model IS, BF, IKF, RE, RB, RC, VAF; top of the instrument's current;
#: collector voltages; registered limits: I_EBO (A, V), collector cut-off (A, V), V_CEO, h_FE (min, at A).
TYPES = {
    "BC547B": ("NPN", 2e-14, 330, 0.12, 0.5, 25, 1.0, 80, 0.1, (1, 5, 20), (100e-9, 5), (15e-9, 30), 45,
               (200, 2e-3)),
    "BC557B": ("PNP", 2e-14, 330, 0.12, 0.6, 25, 1.0, 50, 0.1, (1, 5, 20), (100e-9, 5), (15e-9, 30), 45,
               (220, 2e-3)),
    "2N3904": ("NPN", 7e-15, 190, 0.08, 0.6, 15, 1.5, 80, 0.1, (1, 5, 20), (50e-9, 3), (50e-9, 30), 40,
               (100, 10e-3)),
    "2N3906": ("PNP", 1e-14, 190, 0.08, 0.8, 15, 2.0, 40, 0.1, (1, 5, 20), (50e-9, 3), (50e-9, 30), 40,
               (100, 10e-3)),
    "2N2222A": ("NPN", 2e-14, 200, 0.5, 0.2, 12, 0.5, 90, 0.3, (1, 5, 20), (10e-9, 3), (10e-9, 60), 40,
                (75, 10e-3)),
    "BD139": ("NPN", 1e-13, 130, 1.2, 0.1, 6, 0.2, 120, 1.0, (1, 5, 20), (10e-6, 5), (100e-9, 30), 80,
              (40, 0.15)),
    "BD140": ("PNP", 1e-13, 130, 1.2, 0.1, 6, 0.2, 90, 1.0, (1, 5, 20), (10e-6, 5), (100e-9, 30), 80,
              (40, 0.15)),
    "MJE340": ("NPN", 1e-13, 90, 0.6, 0.2, 10, 0.5, 200, 0.3, (2, 10, 40), (100e-6, 3), (100e-6, 300), 300,
               (30, 50e-3)),
    "TIP31C": ("NPN", 4e-13, 75, 3, 0.04, 3, 0.08, 120, 2.0, (2, 5, 20), (1e-3, 5), (200e-6, 100), 100,
               (25, 1.0)),
    "2N3055": ("NPN", 1e-12, 75, 6, 0.02, 3, 0.05, 120, 5.0, (2, 4, 20), (5e-3, 7), (700e-6, 30), 60,
               (20, 4.0)),
    "MJ15003": ("NPN", 2e-12, 90, 10, 0.015, 2, 0.04, 150, 6.0, (2, 4, 20), (100e-6, 5), (250e-6, 140), 140,
                (25, 5.0)),
    "MJ15004": ("PNP", 2e-12, 90, 10, 0.015, 2, 0.04, 120, 6.0, (2, 4, 20), (100e-6, 5), (250e-6, 140), 140,
                (25, 5.0)),
}  # fmt: skip
FAULTS = ("sound", "B-E leak", "C-B leak", "C-E path", "low gain", "inside", "breakdown", "short", "open")
VERDICT = {"sound": "good", "B-E leak": "leaky", "C-B leak": "leaky", "C-E path": "leaky", "inside": "open",
           "breakdown": "leaky", "short": "shorted", "open": "open", "low gain": "undecided"}  # fmt: skip


def draw(rng, name, fault):
    """Model card, elements beside or in series, and words of a part."""
    polarity, i_s, bf, ikf, re, rb, rc, vaf, top, vces, i_ebo, i_c0, v_ceo, gain = TYPES[name]
    near = lambda x, u: float(x * np.exp(u * np.clip(rng.standard_normal(), -2, 2)))  # noqa: E731
    p = {"IS": near(i_s, 0.4), "BF": near(bf, 0.08), "IKF": near(ikf, 0.15), "RE": near(re, 0.2),
         "RB": near(rb, 0.2), "RC": near(rc, 0.2), "VAF": near(vaf, 0.2), "NF": 1 + 0.004 * rng.random(),
         "NE": 1.6 + 0.2 * rng.random(), "BR": near(5, 0.3)}  # fmt: skip
    # non-ideal base current: a share of the ideal one at a thousandth of the knee current
    v = 0.02585 * np.log(1e-3 * p["IKF"] / p["IS"])
    p["ISE"] = 0.15 * 1e-3 * p["IKF"] / p["BF"] / np.exp(v / 0.02585 / p["NE"])
    more, words = "", ""
    most_be, most_c = i_ebo[1] / i_ebo[0], i_c0[1] / i_c0[0]
    log = lambda a, b: float(np.exp(rng.uniform(np.log(a), np.log(b))))  # noqa: E731
    if fault == "B-E leak":
        # past the limit by at least twice, and the gain at work still that of a transistor
        ohm = log(max(150.0, most_be / 1e4), most_be / 2)
        more, words = f"rf b e {ohm!r}", f"{ohm:.3g} ohm across B-E"
    elif fault in ("C-B leak", "C-E path"):
        # a cut-off current limit at a voltage beyond the sweep's still stands at the sweep's own
        reach = vces[-1] / i_c0[0] if 4 * vces[-1] < i_c0[1] else most_c
        ohm = log(max(120.0, reach / 1e5), reach / 2)
        more = f"rf c {'b' if fault == 'C-B leak' else 'e'} {ohm!r}"
        words = f"{ohm:.3g} ohm beside {fault[:3]}"
    elif fault == "low gain":
        share = rng.uniform(0.1, 0.6)
        p["BF"] *= share * gain[0] / bf
        words = f"BF {p['BF']:.3g}"
    elif fault == "inside":
        ohm = log(1.5 / (0.3 * top), 20 / top)
        words = f"{ohm:.3g} ohm inside the emitter"
        p["RE"] += ohm
    elif fault == "breakdown":
        volts = rng.uniform(0.25, 0.85) * vces[-1]
        volts = min(volts, 0.8 * v_ceo)
        sign = "c 0" if polarity == "PNP" else "0 c"
        ohm = float(rng.uniform(5, 60))
        more = f"df {sign} mbv\n.model mbv D(IS=1e-15 BV={float(volts)!r} IBV=1e-3 RS={ohm!r})"
        words = f"breaks down at {volts:.3g} V"
    elif fault == "short":
        pair = ("c e", "b e", "c b")[int(rng.integers(3))]
        ohm = log(0.2, 20)
        more, words = f"rf {pair} {ohm!r}", f"{ohm:.3g} ohm {pair}"
    elif fault == "open":
        words = "bce"[int(rng.integers(3))]
    return p, more, words


def currents(name, p, more, words, fault, temp_C, vbe, vces):
    """I_C and I_B over V_CE and V_BE in the NPN sense (len(vces), len(vbe))."""
    polarity = TYPES[name][0]
    sign = -1 if polarity == "PNP" else 1
    body = " ".join(f"{k}={float(v)!r}" for k, v in p.items())
    pins = ["c", "b", "e"]
    if fault == "open":
        pins = [f"x{x}" if x == words else x for x in pins]
    hang = f"rx x{words} 0 1e10" if fault == "open" else ""
    step, out = vbe[1] - vbe[0], []
    for vce in vces:
        deck = f"""part
q1 {' '.join(pins)} m
ve e 0 0
vb b 0 0
vc c 0 {sign * float(vce)!r}
{more}
{hang}
.model m {polarity}({body} TNOM=25)
.temp {temp_C!r}
{OPTIONS}
.control
set numdgt=15
set wr_singlescale
dc vb {sign * float(vbe[0])!r} {sign * float(vbe[-1] + 0.1 * step)!r} {sign * float(step)!r}
let ic=-i(vc)
let ib=-i(vb)
wrdata @OUT@ ic ib
.endc
.end
"""
        a = run(deck)
        if len(a) < len(vbe):  # an open lead at first floats
            a = run(deck.replace("gmin=1e-15 reltol=1e-6", "gmin=1e-12 reltol=1e-4"))
        out.append(sign * a[: len(vbe), 1:3])
    out = np.array(out).reshape(len(vces), len(vbe), 2)
    return out[..., 0], out[..., 1]


def part(rng, name, fault, instrument="fair"):
    """One part as an instrument logs it: dict of arrays vce, vbe, ib, ic (NPN sense) and what it is."""
    p, more, words = draw(rng, name, fault)
    temp_C = float(rng.uniform(20, 30))
    top, vces = TYPES[name][8], TYPES[name][9]
    vbe = np.round(np.arange(0.0, 0.951, 0.025), 4)
    ic, ib = currents(name, p, more, words, fault, temp_C, vbe, vces)
    vce = np.repeat(np.array(vces, float)[:, None], len(vbe), 1)
    v = np.broadcast_to(vbe, vce.shape)
    floor, offset, gain = {"fair": (1e-9, 5e-9, 0.003), "poor": (2e-8, 5e-8, 0.01)}[instrument]
    floor, offset = floor * max(1, top), offset * max(1, top)
    noise = lambda x: (x * (1 + gain * rng.standard_normal()) + 0.002 * x * rng.standard_normal(x.shape)  # noqa: E731
                       + floor * rng.standard_normal(x.shape) + offset * rng.uniform(-1, 1))  # fmt: skip
    read = [np.clip(noise(x), -limit, limit) for x, limit in ((ic, top), (ib, top / 5))]
    keep = (np.abs(ic) < 2 * top) | (vbe[None] < 0.3)  # the tracer goes on a little at its limit
    keep |= np.cumsum(np.abs(ic) >= top, axis=1) <= 3
    v = v + 2e-4 * rng.standard_normal(v.shape)
    return {"type": name, "polarity": TYPES[name][0], "fault": fault, "words": words, "temp_C": round(temp_C),
            "vce": vce[keep], "vbe": v[keep], "ib": read[1][keep], "ic": read[0][keep]}  # fmt: skip
