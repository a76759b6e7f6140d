"""ngspice as the truth of matching: it measures the parts, and it shares the current in the stage."""

import numpy as np

from junction.transistor.values import FITTED
from tests.external.transistor_decks import OPTIONS, run

#: Parameters of a .model card that the bags spread or hold; EG and XTB shape the temperature.
CARD = ("IS", "NF", "BF", "ISE", "NE", "IKF", "VAF", "RE", "RB", "RC", "BR", "EG", "XTB")


def models(value, kind="NPN") -> str:
    """A .model card for every part, m0, m1, ..., at 25 degC."""
    lines = []
    for k, row in enumerate(value):
        body = " ".join(f"{name}={row[FITTED.index(name)]!r}" for name in CARD)
        lines.append(f".model m{k} {kind}({body} TNOM=25)")
    return "\n".join(lines).replace("np.float64(", "").replace(")", "").replace(f"{kind}(", f"{kind} ")


def measure(value, temp_C, vbe=(0.40, 0.76, 0.02), vce=(2.0, 8.0), kind="NPN"):
    """Gummel curves of all parts, each at its own temperature.

    Returns
    -------
    vbe, vce (p,), ic, ib (n, p)
        In the NPN sense.
    """
    n, sign = len(value), (-1 if kind == "PNP" else 1)
    parts = "\n".join(
        f"vc{k} cc c{k} 0\nvb{k} bb b{k} 0\nq{k} c{k} b{k} 0 m{k} temp={float(t)!r}" for k,
        t in enumerate(temp_C)
    )
    step = sign * vbe[2]
    rows = []
    for v in vce:
        names = " ".join(f"i(vc{k}) i(vb{k})" for k in range(n))
        out = run(f"""measure
vbb bb 0 0
vcc cc 0 {sign * v!r}
{parts}
{models(value, kind)}
{OPTIONS}
.control
set numdgt=12
set wr_singlescale
dc vbb {sign * vbe[0]!r} {sign * vbe[1]!r} {step!r}
wrdata @OUT@ {names}
.endc
.end
""")
        rows.append((sign * out[:, 0], np.full(len(out), v), sign * out[:, 1::2].T, sign * out[:, 2::2].T))
    return (np.concatenate([r[0] for r in rows]), np.concatenate([r[1] for r in rows]),
            np.concatenate([r[2] for r in rows], axis=1), np.concatenate([r[3] for r in rows], axis=1))


def share(value, sets, total_A, vce_V, temp_C, re_ohm, rb_ohm, kind="NPN"):
    """Emitter current of each device of each set, all on one drive node with the sum held.

    The drive node is ground; a current source takes the whole current out of the output node, and the
    collectors stand at a fixed voltage above that node.
    """
    sets = np.asarray(sets)
    sign = -1 if kind == "PNP" else 1
    lines, probes = [], []
    re = np.broadcast_to(re_ohm, sets.shape[1])
    for s, members in enumerate(sets):
        lines.append(f"i{s} o{s} 0 {sign * total_A!r}")
        # a controlled source, because a battery on the output node would bring the collector current back
        lines.append(f"v{s}x x{s} 0 {sign * vce_V!r}")
        lines.append(f"e{s}x h{s} x{s} o{s} 0 1")
        for j, k in enumerate(members):
            at = f"{s}_{j}"
            lines.append(f"rb{at} 0 b{at} {max(rb_ohm, 1e-6)!r}")
            lines.append(f"q{at} h{s} b{at} e{at} m{k} temp={temp_C!r}")
            lines.append(f"vm{at} e{at} f{at} 0")
            lines.append(f"re{at} f{at} o{s} {float(max(re[j], 1e-6))!r}")
            probes.append(f"i(vm{at})")
    body = "\n".join(lines)
    out = run(f"""share
vdummy dummy 0 0
{body}
{models(value, kind)}
{OPTIONS}
.control
set numdgt=12
set wr_singlescale
dc vdummy 0 1 1
wrdata @OUT@ {" ".join(probes)}
.endc
.end
""")
    return sign * out[0, 1:].reshape(sets.shape)
