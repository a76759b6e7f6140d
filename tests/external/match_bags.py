"""Batches of transistors as a factory gives them, what ngspice measures of them and what they do in a stage.

Source of truth: ngspice's Gummel-Poon transistor.  Nothing here is shared with `junction`.  All parts are
invented; spreads between parts of a batch are common practice, no source.  Equations are the same for both
polarities, so that all decks are NPN and the polarity is a word.
"""

from dataclasses import dataclass

import numpy as np

from tests.external.transistor_decks import OPTIONS, run

#: Centre of each kind, per transistor in it, at 25 degC.
KINDS = {
    "small": (
        {
            "IS": 1.5e-14,
            "BF": 260,
            "ISE": 1e-14,
            "NE": 1.6,
            "IKF": 0.15,
            "VAF": 110,
            "RE": 0.35,
            "RB": 60,
            "RC": 0.9,
            "BR": 5,
            "XTB": 1.4,
        },
    ),
    "medium": (
        {
            "IS": 1.2e-13,
            "BF": 150,
            "ISE": 1.5e-13,
            "NE": 1.65,
            "IKF": 0.9,
            "VAF": 110,
            "RE": 0.08,
            "RB": 8,
            "RC": 0.2,
            "BR": 5,
            "XTB": 1.2,
        },
    ),
    "power": (
        {
            "IS": 4e-12,
            "BF": 110,
            "ISE": 3e-11,
            "NE": 1.8,
            "IKF": 6,
            "VAF": 115,
            "RE": 0.02,
            "RB": 1.5,
            "RC": 0.06,
            "BR": 4,
            "XTB": 0.8,
        },
    ),
    "Darlington": (
        {
            "IS": 6e-14,
            "BF": 140,
            "ISE": 1e-13,
            "NE": 1.65,
            "IKF": 0.4,
            "VAF": 110,
            "RE": 0.1,
            "RB": 12,
            "RC": 0.3,
            "BR": 5,
            "XTB": 1.0,
        },
        {
            "IS": 2e-12,
            "BF": 75,
            "ISE": 2e-11,
            "NE": 1.75,
            "IKF": 5,
            "VAF": 115,
            "RE": 0.025,
            "RB": 0.9,
            "RC": 0.05,
            "BR": 4,
            "XTB": 0.8,
        },
    ),
}
#: Resistors inside a Darlington, base to base and base to emitter [ohm].
INSIDE = (8000.0, 120.0)
#: Spread of a logarithm between batches, and between parts of one: alone, and with the base charge (Gummel
#: number) of the part, which IS and BF fall with and V_A rises with.
BATCH = {
    "IS": 0.5,
    "BF": 0.3,
    "ISE": 0.6,
    "IKF": 0.25,
    "VAF": 0.12,
    "RE": 0.35,
    "RB": 0.35,
    "RC": 0.3,
    "BR": 0.35,
}
ALONE = {
    "IS": 0.12,
    "BF": 0.12,
    "ISE": 0.4,
    "IKF": 0.12,
    "VAF": 0.2,
    "RE": 0.15,
    "RB": 0.15,
    "RC": 0.15,
    "BR": 0.12,
}
CHARGE = {"IS": 1.0, "BF": 0.9, "IKF": -0.5, "VAF": -0.8, "ISE": 0.5}
CHARGE_SPREAD = {"small": 0.11, "medium": 0.15, "power": 0.2, "Darlington": 0.14}
#: Early voltages of parts of one type [V].
VAF_V = (70.0, 180.0)


@dataclass
class Batch:
    """Parts of one type: a card for each transistor of each, inner resistors, temperature on the bench."""

    kind: str
    cards: list  # [part][transistor] -> dict
    inside: np.ndarray  # (n, 2) [ohm]
    temp_C: np.ndarray

    def lines(self, tag, k, c, b, e, temp):
        """Elements of one copy of part k between three nodes, at a temperature."""
        if len(self.cards[k]) == 1:
            return [f"q{tag} {c} {b} {e} m{k}_0 temp={temp:.9g}"]
        r1, r2 = self.inside[k]
        return [
            f"q{tag}a {c} {b} x{tag} m{k}_0 temp={temp:.9g}",
            f"q{tag}b {c} x{tag} {e} m{k}_1 temp={temp:.9g}",
            f"ra{tag} {b} x{tag} {r1:.9g}",
            f"rb{tag} x{tag} {e} {r2:.9g}",
        ]

    def models(self):
        return [
            f".model m{k}_{j} NPN(" + " ".join(f"{name}={x:.9g}" for name, x in card.items()) + " TNOM=25)"
            for k, cards in enumerate(self.cards)
            for j, card in enumerate(cards)
        ]

    def __len__(self):
        return len(self.cards)


def draw_batch(rng, kind, n, temp_spread_K):
    """A batch of n parts; their temperatures scatter about that of the bench."""
    centres = []
    for centre in KINDS[kind]:
        own = {name: x * np.exp(BATCH.get(name, 0.0) * rng.standard_normal()) for name, x in centre.items()}
        own |= {
            "NF": 1 + 0.004 * rng.standard_normal(),
            "EG": 1.11 + 0.005 * rng.standard_normal(),
            "NE": centre["NE"] * np.exp(0.05 * rng.standard_normal()),
            "XTB": centre["XTB"] * np.exp(0.25 * rng.standard_normal()),
            "XTI": 3.0,
        }
        own["VAF"] = float(np.clip(own["VAF"], 95, 140))
        centres.append(own)
    cards = []
    for _ in range(n):
        part = []
        for centre in centres:
            charge = CHARGE_SPREAD[kind] * rng.standard_normal()
            card = {
                name: x
                * np.exp(ALONE.get(name, 0.0) * rng.standard_normal() + CHARGE.get(name, 0.0) * charge)
                for name, x in centre.items()
            }
            card["NF"] = centre["NF"] + 0.0005 * rng.standard_normal()
            card["VAF"] = float(np.clip(card["VAF"], *VAF_V))
            part.append(card)
        cards.append(part)
    inside = np.array(INSIDE) * np.exp(0.2 * rng.standard_normal(2) + 0.08 * rng.standard_normal((n, 2)))
    bench = rng.uniform(19, 27)
    return Batch(kind, cards, inside, bench + temp_spread_K * rng.standard_normal(n))


def solved(title, body, batch, sweep, names):
    """Columns (points, 1 + names) of a sweep."""
    return run(
        "\n".join(
            [
                title,
                *body,
                *batch.models(),
                OPTIONS,
                ".control",
                "set numdgt=10",
                "set wr_singlescale",
                sweep,
                "wrdata @OUT@ " + " ".join(names),
                ".endc",
                ".end\n",
            ]
        )
    )


def curves(batch, vce_V, vbe):
    """Gummel curves at own temperatures: v_be (p,), i_c and i_b (volts, n, p); `vbe`: from, to, step [V]."""
    body, names = ["vbb bb 0 0"], []
    for j, volts in enumerate(vce_V):
        body.append(f"vcc{j} cc{j} 0 {volts:.9g}")
        for k, temp in enumerate(batch.temp_C):
            tag = f"{j}_{k}"
            body += [
                f"vc{tag} cc{j} c{tag} 0",
                f"vb{tag} bb b{tag} 0",
                *batch.lines(tag, k, f"c{tag}", f"b{tag}", "0", temp),
            ]
            names += [f"i(vc{tag})", f"i(vb{tag})"]
    out = solved("curves", body, batch, "dc vbb {:.9g} {:.9g} {:.9g}".format(*vbe), names)
    flat = out[:, 1:].T.reshape(len(vce_V), len(batch), 2, -1)
    return out[:, 0], flat[:, :, 0], flat[:, :, 1]


def share_bare(batch, pairs, total_A, vce_V, temp_C):
    """Emitter currents (pairs, 2) at one V_BE, no resistor anywhere, with the sum held: read off fine curves.

    Between steps of 1 mV the logarithm of the current is straight to better than 1e-5.
    """
    own = Batch(batch.kind, batch.cards, batch.inside, np.full(len(batch), float(temp_C)))
    vbe, ic, ib = curves(own, (vce_V,), (0.5, 0.8, 0.001))
    log_i = np.log(ic[0] + ib[0])
    out = []
    for members in pairs:
        own = log_i[list(members)]
        v = np.interp(np.log(total_A), np.logaddexp(*own), vbe)
        out.append([np.exp(np.interp(v, vbe, x)) for x in own])
    return np.array(out)


def at_emitter_current(batch, ie_A, vce_V, temp_C):
    """V_BE, I_C and I_B (conditions, n) of every part at emitter currents (conditions, n)."""
    ie_A = np.asarray(ie_A, float)
    temp = np.broadcast_to(temp_C, ie_A.shape)
    body, names = ["vdummy dummy 0 0"], []
    for j, row in enumerate(ie_A):
        for k, amps in enumerate(row):
            tag = f"{j}_{k}"
            body += [
                f"i{tag} e{tag} 0 {amps:.12g}",
                f"vb{tag} 0 b{tag} 0",
                f"vx{tag} h{tag} y{tag} {vce_V[j]:.9g}",
                f"ex{tag} y{tag} 0 e{tag} 0 1",
                f"vc{tag} h{tag} c{tag} 0",
                *batch.lines(tag, k, f"c{tag}", f"b{tag}", f"e{tag}", temp[j, k]),
            ]
            names += [f"v(b{tag})-v(e{tag})", f"i(vc{tag})", f"i(vb{tag})"]
    out = solved("spots", body, batch, "dc vdummy 0 1 1", names)[0, 1:].reshape(*ie_A.shape, 3)
    return out[..., 0], out[..., 1], out[..., 2]


def at_collector_current(batch, ic_A, vce_V, temp_C):
    """V_BE and I_B (conditions, n) at collector currents (conditions,), all parts at one temperature."""
    ie = np.broadcast_to(np.asarray(ic_A, float)[:, None], (len(ic_A), len(batch)))
    for _ in range(3):
        vbe, ic, ib = at_emitter_current(batch, ie, vce_V, temp_C)
        ie = ie * np.asarray(ic_A)[:, None] / ic
    return vbe, ib


def meter(batch, test_A, socket_A, socket_vce_V):
    """What a hand-held meter's leads and socket make of the parts at their own temperatures.

    Returns V_BE with the collector open and V_BC with the emitter open at the test current [V], and the
    collector current [A] at the socket's base current.
    """
    body, names = ["vdummy dummy 0 0", f"vs vs 0 {socket_vce_V:.9g}"], []
    for k, temp in enumerate(batch.temp_C):
        t = str(k)
        body += [
            f"id{t} 0 d{t} {test_A:.9g}",
            f"ro{t} o{t} 0 1e12",
            *batch.lines(f"d{t}", k, f"o{t}", f"d{t}", "0", temp),
            f"ig{t} 0 g{t} {test_A:.9g}",
            f"rp{t} p{t} 0 1e12",
            *batch.lines(f"g{t}", k, "0", f"g{t}", f"p{t}", temp),
            f"is{t} 0 s{t} {socket_A:.9g}",
            f"vh{t} vs h{t} 0",
            *batch.lines(f"h{t}", k, f"h{t}", f"s{t}", "0", temp),
        ]
        names += [f"v(d{t})", f"v(g{t})", f"i(vh{t})"]
    return solved("meter", body, batch, "dc vdummy 0 1 1", names)[0, 1:].reshape(-1, 3).T


@dataclass
class Point:
    """What a set of two carries and what surrounds it."""

    total_A: float
    vce_V: float
    temp_C: float
    re_ohm: float
    rb_ohm: float


def share(batch, pairs, points, rth_K_per_W=0.0):
    """Emitter currents (points, pairs, 2) of devices on one drive node with the sum held.

    With a thermal resistance each junction stands above the mean by what its own dissipation exceeds the mean
    one by: solved by repeating, the temperatures going where the last currents send them.
    """
    temp = np.array([np.full(np.shape(pairs), p.temp_C) for p in points])
    for _ in range(40 if rth_K_per_W else 1):
        body, names = ["vdummy dummy 0 0"], []
        for q, p in enumerate(points):
            for s, members in enumerate(pairs):
                o = f"{q}_{s}"
                # a controlled source: a battery on the output node would bring the collector current back
                body += [
                    f"i{o} o{o} 0 {p.total_A:.12g}",
                    f"v{o} y{o} 0 {p.vce_V:.9g}",
                    f"e{o} h{o} y{o} o{o} 0 1",
                ]
                for j, k in enumerate(members):
                    at = f"{o}_{j}"
                    body += [
                        f"rbb{at} 0 b{at} {max(p.rb_ohm, 1e-6):.9g}",
                        f"vm{at} e{at} f{at} 0",
                        f"ree{at} f{at} o{o} {max(p.re_ohm, 1e-6):.9g}",
                        *batch.lines(at, k, f"h{o}", f"b{at}", f"e{at}", temp[q, s, j]),
                    ]
                    names.append(f"i(vm{at})")
        i = solved("share", body, batch, "dc vdummy 0 1 1", names)[0, 1:].reshape(temp.shape)
        if not rth_K_per_W:
            break
        rise = (
            rth_K_per_W
            * np.array([p.vce_V for p in points])[:, None, None]
            * (i - i.mean(axis=-1, keepdims=True))
        )
        new = np.array([p.temp_C for p in points])[:, None, None] + rise
        done = np.abs(new - temp).max() < 1e-3
        temp = temp + 0.8 * (new - temp)
        if done:
            break
    return i
