"""Runs ngspice in batch mode on one transistor and reads back its dc currents."""

import subprocess
import tempfile
from pathlib import Path

import numpy as np

#: ngspice 39 holds the CODATA 2014 constants (src/include/ngspice/const.h).
NGSPICE_K_OVER_Q = 1.38064852e-23 / 1.6021766208e-19

OPTIONS = ".options gmin=1e-18 reltol=1e-9 abstol=1e-17 vntol=1e-11 itl1=500 itl2=500"


def run(deck: str) -> np.ndarray:
    """Run a deck in which @OUT@ stands for the file that wrdata fills; return its columns."""
    with tempfile.TemporaryDirectory() as folder:
        source, out = Path(folder) / "deck.cir", Path(folder) / "out.txt"
        source.write_text(deck.replace("@OUT@", str(out)))
        done = subprocess.run(["ngspice", "-b", str(source)], capture_output=True, text=True, check=False)
        if not out.exists():
            raise RuntimeError(f"ngspice gave no data:\n{done.stdout}\n{done.stderr}")
        return np.loadtxt(out, ndmin=2)


def card(params: dict, kind="NPN", tnom=25.0) -> str:
    """Write a .model card with every digit of the parameters."""
    body = " ".join(f"{name}={value!r}" for name, value in params.items() if np.isfinite(value))
    return f".model m {kind}({body} TNOM={tnom!r})"


def gummel(model_card: str, vbe, vce, temp_C=25.0, kind="NPN"):
    """Currents on the grid of vbe = (start, stop, step) and a list of vce; arrays (len(vce), n)."""
    sign = -1 if kind == "PNP" else 1
    rows = []
    for v in vce:
        a = run(f"""gummel
q1 c b 0 m
vb b 0 0
vc c 0 {sign * v!r}
{model_card}
.temp {temp_C!r}
{OPTIONS}
.control
set numdgt=15
set wr_singlescale
dc vb {sign * vbe[0]!r} {sign * vbe[1]!r} {sign * vbe[2]!r}
let ic=-i(vc)
let ib=-i(vb)
let vbe=v(b)
wrdata @OUT@ vbe ic ib
.endc
.end
""")
        rows.append(sign * a[:, 1:4])
    rows = np.array(rows)
    return rows[..., 0], rows[..., 1], rows[..., 2]


def output_family(model_card: str, ib, vce, temp_C=25.0):
    """Collector current on the grid vce = (start, stop, step) at a list of ib; arrays (len(ib), n)."""
    rows = []
    for i in ib:
        a = run(f"""output
q1 c b 0 m
ib 0 b {i!r}
vc c 0 1
{model_card}
.temp {temp_C!r}
{OPTIONS}
.control
set numdgt=15
set wr_singlescale
dc vc {vce[0]!r} {vce[1]!r} {vce[2]!r}
let ic=-i(vc)
let vce=v(c)
let vbe=v(b)
wrdata @OUT@ vce ic vbe
.endc
.end
""")
        rows.append(a[:, 1:4])
    rows = np.array(rows)
    return rows[..., 0], rows[..., 1], rows[..., 2]
