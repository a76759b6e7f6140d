"""Output stages with faults, solved by ngspice: what a meter reads across their emitter resistors.

Nothing of junction is used.  A stage is a current source and a voltage amplifier that holds the output at
zero volt, a bias generator with its own resistance between them, a driver and 1 to 4 output devices a rail
with their base and emitter resistors: complementary, or quasi-complementary (both output sides NPN).
Every device has its own IS, BF, IKF, RE, V_A and the temperature that its own heat brings; the bias is set
before the fault came, or again after it.  ``python -m tests.external.drops_bench`` writes the frozen tables.
"""

from __future__ import annotations

import csv
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from math import exp
from pathlib import Path

import numpy as np

FROZEN = Path(__file__).with_name("drops_stages.csv")
VT = 1.380649e-23 * 298.15 / 1.602176634e-19
METER_OHM = 1e7
E_SERIES = (0.1, 0.15, 0.22, 0.33, 0.47, 0.68, 1.0)
_HEAD = "# invented stages, simulated with ngspice by drops_bench.py; drops as a meter reads them\n"
#: faults of one position, of a rail, of the stage, and what no judge was told of
AT_ONE = ("r_high", "r_open", "r_short", "r_wrong", "dead", "stopper", "joint", "mismatch", "leak", "warm")
OF_ALL = ("bypassed", "no_supply", "bias_low", "bias_high", "oscillates", "offset")
OF_METER = ("lead_zero", "lead_base", "lead_across")
COUNTS = {"none": 60, **dict.fromkeys(AT_ONE, 9), **dict.fromkeys(OF_ALL, 6), **dict.fromkeys(OF_METER, 4),
          "swapped": 6, "two": 40}  # fmt: skip


@dataclass
class Drawn:
    """One stage as built; arrays are (2, n)."""

    n: int
    quasi: bool
    both: bool
    known: bool
    re_nominal: float
    drop_V: float  # wanted
    supply: float
    re: np.ndarray
    rb: np.ndarray
    rb_nominal: float
    i_s: np.ndarray
    bf: np.ndarray
    ikf: np.ndarray
    re_inside: np.ndarray
    vaf: np.ndarray
    rth: float
    sink: float
    bias_ohm: float
    extra_K: np.ndarray
    joint: np.ndarray
    leak: np.ndarray  # ohm, inf for none
    rails: list = field(default_factory=lambda: [True, True])  # supplied
    load: float = 1e5
    source_V: float = 0.0  # what the feedback holds the output at

    @property
    def wanted(self) -> float:
        return self.n * self.drop_V / self.re_nominal


def draw(rng, known: bool = False, least: int = 1) -> Drawn:
    """A sound stage, its parts spread as parts of one batch are."""
    n = int(rng.integers(least, 5))
    re = float(rng.choice([0.1, 0.22, 0.33, 0.47]))
    shape, rb = (2, n), float(rng.choice([1.0, 2.2, 4.7, 10.0]))
    matched = rng.random() < 0.5  # else as they came from one tube
    spread = 0.0015 if matched else 0.004
    return Drawn(
        n, rng.random() < 0.35, rng.random() < 0.85, known, re, float(rng.uniform(0.013, 0.028)),
        float(rng.choice([28.0, 35.0, 42.0, 56.0])), re * rng.uniform(0.95, 1.05, shape),
        rb * rng.uniform(0.95, 1.05, shape), rb, 2e-11 * np.exp(rng.normal(0, spread / VT, shape)),
        100 * np.exp(rng.normal(0, 0.05 if matched else 0.15, shape)),
        8 * np.exp(rng.normal(0, 0.1, shape)), 0.02 * np.exp(rng.normal(0, 0.2, shape)),
        150 * np.exp(rng.normal(0, 0.3, shape)), float(rng.uniform(0.8, 1.6)), float(rng.uniform(28, 50)),
        float(rng.uniform(5, 60)), np.zeros(shape), np.full(shape, 1e-4), np.full(shape, np.inf),
    )  # fmt: skip


def deck(s: Drawn, temps, bias_V: float | None, ratio: float = 1.0) -> str:
    """The netlist; without a bias voltage a loop sets it for `ratio` times the wanted idle current."""
    lines = ["output stage", f"VP p 0 {s.supply if s.rails[0] else 0}",
             f"VN m 0 {-s.supply if s.rails[1] else 0}"]  # fmt: skip
    p, m = ("cp", "cm")
    lines += [f"RFP p cp {0.01 if s.rails[0] else 1e6}", f"RFM m cm {0.01 if s.rails[1] else 1e6}"]
    on_p, on_m = (0.008 * on for on in s.rails)
    lines += [f"BI 0 vp I={on_p}*min(1,max(0,({s.supply}-v(vp))/2))",
              f"BV vn 0 I={on_m}*max(0,1+tanh(20*(v(out)-{s.source_V})))*min(1,max(0,(v(vn)+{s.supply})/2))"]
    total = "+".join(f"i(VE0{k})" for k in range(s.n))
    bias = f"{bias_V}" if bias_V is not None else f"2.5+40*({s.wanted * ratio}-({total}))/{s.wanted}"
    lines += [f"BB vp vb V={bias}", f"RB vb vn {s.bias_ohm}", "RX vp vn 1e5", f"RL out 0 {s.load}"]
    driver = "IS=2e-13 BF=120 IKF=2 RE=0.05"
    lines += [f".model DN NPN({driver})", f".model DP PNP({driver})", f"QD0 {p} vp up DN"]
    if s.quasi:  # the lower driver's collector drives NPN devices whose resistors lie at the negative rail
        lines += ["QD1 un vn dl DP", "RD1 out dl 1", "RDU up out 100", f"RDL un {m} 100"]
    else:
        lines += [f"QD1 {m} vn un DP", "RDR up un 150"]
    for r, k in np.ndindex(2, s.n):
        npn = r == 0 or s.quasi
        c = p if r == 0 else ("out" if s.quasi else m)
        foot = m if (r and s.quasi) else "out"
        a, t = f"{r}{k}", temps[r, k]
        lines += [
            f".model M{a} {'NPN' if npn else 'PNP'}(IS={s.i_s[r, k]} BF={s.bf[r, k]} IKF={s.ikf[r, k]} "
            f"RE={s.re_inside[r, k]} VAF={s.vaf[r, k]} XTB=1.5)",
            f"RB{a} {'un' if r else 'up'} b{a} {s.rb[r, k]}",
            f"Q{a} {c} b{a} j{a} M{a} temp={t}",
            f"RJ{a} j{a} e{a} {s.joint[r, k]}",
            f"VE{a} e{a} f{a} 0", f"RE{a} f{a} {foot} {s.re[r, k]}"]
        if np.isfinite(s.leak[r, k]):
            lines.append(f"RK{a} {c} j{a} {s.leak[r, k]}")
    shown = " ".join(f"i(VE{r}{k}) v(b{r}{k}) v(e{r}{k})" for r, k in np.ndindex(2, s.n))
    return "\n".join([*lines, ".options gmin=1e-14 reltol=1e-5 itl1=500 itl2=500",
                      ".control", "op", f"print line v(vp) v(vb) {shown}", ".endc", ".end", ""])  # fmt: skip


def run(s: Drawn, temps, bias_V=None, ratio=1.0):
    """Emitter currents (2, n) [A], base to emitter voltages, and the bias voltage."""
    with tempfile.NamedTemporaryFile("w", suffix=".cir", delete=False) as file:
        file.write(deck(s, temps, bias_V, ratio).replace("print line", "print"))
    out = subprocess.run(["ngspice", "-b", file.name], capture_output=True, text=True, check=False).stdout
    Path(file.name).unlink()
    found = {}
    for line in out.splitlines():
        name, sep, value = line.partition(" = ")
        if sep and name.strip().startswith(("i(", "v(")):
            found[name.strip().lower()] = float(value)
    if len(found) < 2:
        raise RuntimeError(out[-800:])
    keys = [(r, k) for r, k in np.ndindex(2, s.n)]
    i = np.array([abs(found[f"i(ve{r}{k})"]) for r, k in keys]).reshape(2, s.n)
    be = np.array([abs(found[f"v(b{r}{k})"] - found[f"v(e{r}{k})"]) for r, k in keys]).reshape(2, s.n)
    return i, be, found["v(vp)"] - found["v(vb)"]


def settle(s: Drawn, bias_V=None, ratio=1.0):
    """The same with each device as warm as its own heat makes it, on the warm sink."""
    temps = s.sink + s.extra_K
    for _ in range(4):
        i, be, bias = run(s, temps, bias_V, ratio)
        leaked = np.where(np.isfinite(s.leak), s.supply / s.leak, 0.0)
        heat = s.supply * np.minimum(i + 0 * leaked, 4.0)
        temps = 0.3 * temps + 0.7 * (s.sink + s.extra_K + np.minimum(s.rth * heat, 110))
    return i, be, bias


def harm(s: Drawn, fault: str, r: int, k: int, rng) -> None:
    """Put one fault in."""
    match fault:
        case "r_high":
            s.re[r, k] *= rng.uniform(1.5, 6)
        case "r_open":
            s.re[r, k] = METER_OHM
        case "r_short":
            s.re[r, k] = rng.uniform(0.5e-3, 3e-3)
        case "r_wrong":
            other = [x for x in E_SERIES if 1.4 < max(x / s.re_nominal, s.re_nominal / x) < 5]
            s.re[r, k] = rng.choice(other)
        case "dead":
            where = s.rb if rng.random() < 0.5 else s.joint
            where[r, k] = 1e9
        case "stopper":
            s.rb[r, k] = rng.uniform(60, 800)
        case "joint":
            s.joint[r, k] = rng.uniform(1.0, 6.0) * s.re_nominal
        case "mismatch":
            s.i_s[r, k] *= exp(rng.choice([-1, 1]) * rng.uniform(0.025, 0.05) / VT)
        case "leak":
            s.leak[r, k] = s.supply / (rng.uniform(0.7, 3) * s.wanted / s.n)
        case "warm":
            s.extra_K[r, k] = rng.uniform(13, 28)
        case "bypassed":
            s.re[r] = rng.uniform(0.5e-3, 2e-3, s.n)
        case "no_supply":
            s.rails[r] = False
        case "offset":  # the output stands off zero and a load is on it
            s.load, s.source_V = 8.0, float(rng.choice([-1, 1]) * rng.uniform(0.4, 1.0) * 8 * s.wanted)


def stage(seed: int, fault: str) -> dict:
    """One row of the table."""
    rng = np.random.default_rng([seed, 12])
    known = fault == "swapped" or rng.random() < 0.25
    s = draw(rng, known, 2 if fault in ("swapped", "bypassed", "two") else 1)
    told = s.i_s * (1 + s.supply / s.vaf)  # as measured at the stage's V_CE
    _, _, bias = settle(s, ratio=rng.uniform(0.93, 1.07))
    r, k = (int(rng.integers(2)) if s.both else 0), int(rng.integers(s.n))
    places = [(r, k)]
    faults = [fault]
    if fault == "two":
        free = [(a, b) for a in range(2 if s.both else 1) for b in range(s.n) if (a, b) != (r, k)]
        places.append(free[int(rng.integers(len(free)))])
        faults = list(rng.choice(AT_ONE, 2, replace=False))
    for one, place in zip(faults, places, strict=True):
        harm(s, one, *place, rng)
    if fault == "swapped":
        other = int((k + 1 + rng.integers(s.n - 1)) % s.n)
        s.i_s[r, k] *= exp(0.012 / VT)
        s.i_s[r, other] *= exp(-0.012 / VT)
        told = s.i_s * (1 + s.supply / s.vaf)
        told[r, [k, other]] = told[r, [other, k]]
        places.append((r, other))
    bias *= {"bias_low": rng.uniform(0.94, 0.97), "bias_high": rng.uniform(1.015, 1.09)}.get(fault, 1)
    again = s.n > 1 and rng.random() < 0.35 and fault not in ("no_supply", "bias_low", "bias_high", "offset")
    i, be, _ = settle(s, ratio=1.0) if again else settle(s, bias)
    drops = i * s.re
    if fault == "oscillates":
        drops *= rng.uniform(1.5, 3.5) * np.exp(rng.normal(0, 0.12, drops.shape))
        i = drops / s.re
    read = drops.copy()
    if fault == "lead_zero":
        read[r, k] = 0.0
    elif fault == "lead_base":
        read[r, k] = be[r, k]
    elif fault == "lead_across":
        read[r, k] += drops[1 - r, k]
    read = read * (1 + rng.uniform(-0.005, 0.005)) + rng.uniform(-1e-4, 1e-4, read.shape)
    read = np.round(1000 * np.abs(read), 1)
    told = told * np.exp(rng.normal(0, 0.0005 / VT, told.shape))

    def cell(x, form=".6g") -> str:
        return " ".join(format(v, form) for v in np.ravel(x))

    return {
        "seed": seed, "fault": fault if fault != "two" else "+".join(faults),
        "at": " ".join(str(a * s.n + b) for a, b in places) if fault in (*AT_ONE, *OF_METER, "swapped", "two")
        else str(r), "parallel": s.n, "quasi": int(s.quasi), "both": int(s.both), "known": int(known),
        "re_ohm": s.re_nominal, "rb_ohm": s.rb_nominal, "wanted_mV": f"{1000 * s.drop_V:.2f}",
        "supply_V": s.supply, "again": int(again), "read_mV": cell(read, ".5g"),
        "mA": cell(1000 * i, ".4g"), "re_is": cell(s.re, ".4g"),
        "told_is": cell(told), "told_bf": cell(s.bf, ".4g"), "told_re": cell(s.re_inside, ".3g"),
    }  # fmt: skip


def table(base: int) -> list[dict]:
    """All stages of one base seed."""
    kinds = [fault for fault, count in COUNTS.items() for _ in range(count)]
    return [stage(base + j, fault) for j, fault in enumerate(kinds)]


def write(base: int, path: Path) -> None:
    """Freeze the stages of one base seed."""
    rows = table(base)
    with path.open("w", newline="") as file:
        file.write(_HEAD)
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    write(int(sys.argv[1]) if len(sys.argv) > 1 else 1000, Path(sys.argv[2]) if len(sys.argv) > 2 else FROZEN)
