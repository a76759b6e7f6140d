"""ngspice as the truth of matched diodes and LEDs: what a meter reads of them, and what they do in sets.

Parts are invented: a kind has an ideality and a series resistance of its own, its parts a little about that,
and their saturation currents differ so that voltages do by some millivolts (common practice, no source).
"""

import numpy as np

from tests.external.transistor_decks import OPTIONS, run

_VT = 0.025692  # kT/q at 25 degC [V]
#: V at 1 mA and its spread [V], ideality from and to, most series resistance [ohm], energy gap [eV]
KINDS = {
    "switching": (0.60, 0.006, 1.5, 2.1, 3.0, 1.11), "rectifier": (0.56, 0.012, 1.1, 2.0, 0.15, 1.11),
    "red LED": (1.72, 0.015, 1.5, 2.5, 10.0, 1.9), "Schottky": (0.25, 0.008, 1.02, 1.2, 5.0, 0.69),
}  # fmt: skip


def bag(kind, parts, rng):
    """Model parameters (n, 4) at 25 degC: IS [A], N, RS [ohm], EG [eV]."""
    volts, spread, low, high, most, gap = KINDS[kind]
    n = rng.uniform(low, high) * (1 + 0.02 * rng.standard_normal(parts))
    rs = rng.uniform(0, most) * np.exp(0.15 * rng.standard_normal(parts))
    v = volts + spread * rng.standard_normal(parts)
    return np.stack([1e-3 * np.exp(-v / (n * _VT)), n, rs, np.full(parts, gap)], axis=1)


def _models(value):
    return "\n".join(f".model m{k} D(IS={a!r} N={n!r} RS={rs!r} EG={eg!r} TNOM=25)"
                     for k, (a, n, rs, eg) in enumerate(value.tolist()))  # fmt: skip


def voltages(value, temp_C, amps):
    """V of each part (n,) at its own temperature and current [V]."""
    temp_C, amps = (np.broadcast_to(x, len(value)).tolist() for x in (temp_C, amps))
    parts = "\n".join(f"i{k} 0 a{k} {i!r}\nd{k} a{k} 0 m{k} temp={t!r}"
                      for k, (t, i) in enumerate(zip(temp_C, amps, strict=True)))  # fmt: skip
    return _solved(parts, value, " ".join(f"v(a{k})" for k in range(len(value))))


def shared(value, sets, amps, temp_C=25.0):
    """Currents [A] of the parts of each set (m, k) that has one voltage and k times `amps`."""
    sets = np.asarray(sets)
    lines, probes = [], []
    for s, members in enumerate(sets.tolist()):
        lines.append(f"i{s} 0 n{s} {len(members) * amps!r}")
        for j, k in enumerate(members):
            lines += [f"v{s}x{j} n{s} a{s}x{j} 0", f"d{s}x{j} a{s}x{j} 0 m{k} temp={temp_C!r}"]
            probes.append(f"i(v{s}x{j})")
    return _solved("\n".join(lines), value, " ".join(probes)).reshape(sets.shape)


def _solved(parts, value, names):
    out = run(f"""one operating point
vnone none 0 0
{parts}
{_models(value)}
{OPTIONS}
.control
set numdgt=12
set wr_singlescale
dc vnone 0 1 1
wrdata @OUT@ {names}
.endc
.end
""")
    return out[0, 1:]


def metered(kind, parts, rng, amps=1e-3):
    """A bag and how a meter shows it: V in whole millivolts and the temperatures that were written down.

    One meter for all: its current is off by up to a fifth and its scale by up to 1 %.  One bench, whose parts
    are up to half a kelvin off what the thermometer shows.
    """
    value = bag(kind, parts, rng)
    temp = rng.uniform(18, 30) + rng.uniform(-0.5, 0.5, parts)
    shown = np.full(parts, round(float(temp.mean()), 1))
    v = voltages(value, temp, amps * (1 + rng.uniform(-0.2, 0.2)))
    return value, np.round(v * (1 + rng.uniform(-0.01, 0.01)), 3), shown
