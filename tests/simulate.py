"""Simulated sweeps of junctions whose truth is known, made without junction's physics or fits.

The current is found by plain bisection on the junction voltage, the temperature law is written out here,
and the instrument is simulated after it: voltage and current noise, range-wise quantisation, offsets, a
current limit, linear and current-stepped grids.  Nothing is shared with the code under test but the
record `SweepTable`; the limits that define good and leaky are given, as `tests.sheets` has them.

How truths are drawn
--------------------
A truth near a limit has no right answer, so a drawn junction is *clearly* one thing:

* good: the junction's own reverse current and its surface leak together stay under 1/5 of the leakage
  limit, and its forward voltage lies at least 20 mV inside the family's window;
* leaky: an otherwise good junction bridged by a resistance that passes at least 5 times the limit at the
  limit's voltage, and is at least 150 ohm (3 times the short limit);
* shorted: a path of at most 20 ohm (0.4 times the short limit);
* open: no path, or one of at least 10 Mohm (10 times the open limit).

A part with a registered type is clear by the registered limit and by the family's.  Where it carries none,
the limit is not known to the tool either: good then means clearly good and leaky clearly leaky for *every*
family such a junction could belong to by its forward voltage.
Parts are at 15..35 degC with the temperature recorded, or at 21..29 degC with none recorded.  The
instrument is fit for the job: its current floor is under 1/10 of the limit it must resolve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from junction.base.records import SweepTable
from tests.tables import sweep_table

K_OVER_Q = 8.617333262e-5  # CODATA 2018, eV/K
T0_K = 298.15
SHORT_OHM, OPEN_OHM = 50.0, 1e6
MARGIN = 5.0


@dataclass(frozen=True)
class Kind:
    """How one family is drawn: ranges of forward voltage at 1 mA, ideality, series resistance."""

    family: str
    junctions: tuple[str, ...]
    vf: tuple[float, float]
    n: tuple[float, float]
    rs: tuple[float, float]
    i_max: tuple[float, float]
    eg_eV: float = 1.11
    xti: float = 3.0
    bv: tuple[float, float] | None = None
    types: tuple[str, ...] = ()
    rs_typed: tuple[float, float] | None = None


KINDS = (
    Kind("small-signal silicon BJT", ("BE", "BC"), (0.58, 0.70), (1.0, 1.1), (0.3, 6), (3e-3, 3e-2),
         types=("BC547B", "2N3904", "BC557B")),
    Kind("silicon power BJT", ("BE", "BC"), (0.46, 0.60), (1.0, 1.12), (0.02, 0.5), (1e-2, 1.0),
         types=("2N3055", "MJ2955", "MJ15003")),
    Kind("germanium small-signal", ("BE", "BC"), (0.14, 0.24), (1.0, 1.15), (1, 10), (3e-3, 3e-2), 0.67,
         types=("2N404",)),
    Kind("germanium power", ("BE", "BC"), (0.08, 0.16), (1.0, 1.1), (0.05, 0.5), (1e-2, 0.5), 0.67),
    Kind("switching diode", ("AK",), (0.56, 0.68), (1.6, 2.0), (0.3, 2), (3e-3, 5e-2), types=("1N4148",)),
    Kind("silicon rectifier", ("AK",), (0.46, 0.64), (1.3, 1.95), (0.02, 0.2), (1e-2, 1.0),
         types=("1N4004", "1N5404")),
    Kind("Schottky", ("AK",), (0.11, 0.34), (1.02, 1.15), (0.05, 6), (1e-2, 0.5), 0.69, 2.0,
         types=("1N5819",), rs_typed=(0.02, 0.1)),
    Kind("germanium point contact", ("AK",), (0.22, 0.38), (1.2, 1.8), (10, 60), (3e-3, 1e-2), 0.67),
    Kind("Zener", ("AK",), (0.60, 0.72), (1.0, 1.3), (0.5, 4), (5e-3, 3e-2), bv=(4.7, 15.0)),
    Kind("LED red", ("AK",), (1.45, 1.80), (1.3, 2.2), (1, 10), (3e-3, 2e-2), 1.9),
    Kind("LED blue or white", ("AK",), (2.30, 2.90), (1.5, 3.5), (2, 15), (3e-3, 2e-2), 2.7),
)  # fmt: skip


@dataclass(frozen=True)
class Truth:
    """What a simulated sweep really is."""

    quality: str
    family: str
    junction: str
    leak_ohm: float
    vf_V: float
    n: float
    rs_ohm: float
    temp_C: float
    bv_V: float
    floor_A: float
    typed: bool


def saturation_at(is_A, n, temp_C, eg_eV, xti):
    """Saturation current at a temperature by the SPICE law."""
    t = temp_C + 273.15
    arrhenius = eg_eV / (n * K_OVER_Q) * (1 / T0_K - 1 / t)
    return is_A * (t / T0_K) ** (xti / n) * np.exp(arrhenius)


def diode_current(vj, is_A, n, leak_ohm, bv, nbv, temp_C):
    """Current of an inner junction voltage: exponential, leak, breakdown (1 mA at BV)."""
    vt = K_OVER_Q * (temp_C + 273.15)
    forward = is_A * np.expm1(np.minimum(vj / (n * vt), 300.0))
    with np.errstate(over="ignore"):
        reverse = np.where(np.isfinite(bv), 1e-3 * np.exp(np.minimum(-(vj + bv) / (nbv * vt), 300.0)), 0.0)
    return forward + vj / leak_ohm - reverse


def solve(v, rs, *parameters):
    """Terminal current at terminal voltage `v`, by bisection on the junction voltage."""
    low, high = np.minimum(v, 0.0), np.maximum(v, 0.0)
    for _ in range(70):
        middle = 0.5 * (low + high)
        above = middle + rs * diode_current(middle, *parameters) > v
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    middle = 0.5 * (low + high)
    # v - vj loses digits when RS carries little; the junction equation does not there
    drop = (v - middle) / rs
    own = diode_current(middle, *parameters)
    return np.where(np.abs(v - middle) > 1e-6 * np.abs(v), drop, own)


def candidates(kind: Kind, junction: str, vf: float, families) -> list:
    """Families an untyped junction could belong to by its forward voltage (40 mV either way)."""
    device = "diode" if junction == "AK" else "bjt"
    return [
        f for f in families
        if f.device == device and f.vf_low_V - 0.04 <= vf <= f.vf_high_V + 0.04
        and "Darlington" not in f.name and (f.name != "Zener" or kind.family == "Zener")
    ]  # fmt: skip


def loguniform(rng, low, high):
    """One draw, even over the decades."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def draw(rng, kind: Kind, quality: str, typed: bool, families, limit_of_type):
    """One truth with its parameters, by the rules of this module's docstring."""
    junction = str(rng.choice(kind.junctions))
    own = next(f for f in families if f.name == kind.family)
    type_name = str(rng.choice(kind.types)) if typed else ""
    for _ in range(500):
        vf, n = rng.uniform(*kind.vf), rng.uniform(*kind.n)
        # what is sound as its type keeps the registered forward voltage: 0.6 V at 1 A of a 1N5819
        rs = loguniform(rng, *(kind.rs_typed if typed and kind.rs_typed else kind.rs))
        is_A = 1e-3 / np.expm1((vf - 1e-3 * rs) / (n * K_OVER_Q * T0_K))
        if typed and limit_of_type:
            limits = [limit_of_type(type_name, junction), (own.leak_max_A, own.leak_at_V)]
            limits = [x for x in limits if x]
        else:
            limits = [(f.leak_max_A, f.leak_at_V) for f in candidates(kind, junction, vf, families)]
        room_good = max(v / max(i / MARGIN - is_A, 1e-30) for i, v in limits)  # smallest healthy leak R
        room_leaky = min(v / (MARGIN * i) for i, v in limits)  # largest clear leak R
        inside = own.vf_low_V + 0.02 <= vf <= own.vf_high_V - 0.02 and own.n_low <= n <= own.n_high
        if inside and room_good < 1e12 and (quality != "leaky" or room_leaky > 200):
            break
    else:
        return None
    if quality == "shorted":
        rs = 1e-3  # the drawn resistance is that of the whole path
    leak = {
        "good": lambda: loguniform(rng, room_good, max(1e13, 10 * room_good)),
        "leaky": lambda: loguniform(rng, 150.0, room_leaky),
        "shorted": lambda: loguniform(rng, 0.05, 20.0),
        "open": lambda: loguniform(rng, 10 * OPEN_OHM, 1e13),
    }[quality]()
    recorded = rng.random() < 0.6
    temp = rng.uniform(15, 35) if recorded else rng.uniform(21, 29)
    bv = rng.uniform(*kind.bv) if kind.bv else np.inf
    floor = loguniform(rng, 1e-11, max(2e-11, min(1e-6, 0.1 * min(i for i, _ in limits))))
    truth = Truth(quality, kind.family, junction, leak, vf, n, rs, temp, bv, floor, typed)
    return truth, is_A, type_name, recorded, max(v for _, v in limits)


def grid(rng, kind, truth, is_A, leak_at, i_max):
    """Voltages set by the instrument: linear, or stepped evenly in log current, with a reverse part."""
    n = int(rng.integers(40, 120))
    parameters = parameters_of(kind, truth, is_A)
    knee = truth.vf_V + truth.n * 0.0257 * np.log(i_max / 1e-3) + truth.rs_ohm * i_max
    v_top = max(knee * rng.uniform(1.0, 1.15), 0.3)
    if truth.quality == "open":
        v_top = max(v_top, 1.2 if truth.junction != "AK" else 3.6)
    v_low = -min(leak_at * rng.uniform(0.6, 1.1), 25.0)
    if np.isfinite(truth.bv_V):
        v_low = -(truth.bv_V + rng.uniform(0.02, 0.1))
    if rng.random() < 0.5 or truth.quality in ("shorted", "open"):
        if rng.random() < 0.5 and -v_low < 2 * v_top:  # one ramp; deeper ones would skip over the knee
            return np.linspace(v_low, v_top, n), parameters
        return np.concatenate([np.linspace(v_low, 0, n // 3), np.linspace(0, v_top, n - n // 3)]), parameters
    currents = np.geomspace(max(1e-7, 10 * truth.floor_A), i_max, n - n // 4)
    forward = forced(currents, truth.rs_ohm, *parameters)
    return np.concatenate([np.linspace(v_low, 0, n // 4), forward]), parameters


def forced(i, rs, *parameters):
    """Terminal voltage of a forced forward current, by bisection."""
    low, high = np.zeros_like(i), np.full_like(i, 10.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        above = diode_current(middle, *parameters) > i
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return 0.5 * (low + high) + rs * i


def parameters_of(kind, truth, is_A):
    """Arguments of `diode_current` after the quality is applied."""
    dead = truth.quality in ("open", "shorted")
    is_t = 0.0 if dead else saturation_at(is_A, truth.n, truth.temp_C, kind.eg_eV, kind.xti)
    bv = np.inf if dead else truth.bv_V
    return is_t, truth.n, truth.leak_ohm, bv, 2.0, truth.temp_C


def measure(rng, v, i, floor_A, i_max):
    """What the instrument writes down for true voltages and currents."""
    limited = np.abs(i) > i_max
    i = np.clip(i, -i_max, i_max)
    gain_v, gain_i = 1 + rng.normal(0, 5e-4), 1 + rng.normal(0, 2e-3)
    v_noise, i_noise = loguniform(rng, 5e-5, 5e-4), loguniform(rng, 2e-4, 3e-3)
    v_step = float(rng.choice([1e-4, 1e-3]))
    step = np.maximum(floor_A, 10.0 ** (np.floor(np.log10(np.maximum(np.abs(i), 1e-14))) - 3))
    v = v * gain_v + rng.normal(0, v_noise, v.size) + rng.normal(0, 2e-4)
    i = i * gain_i * (1 + rng.normal(0, i_noise, v.size)) + rng.normal(0, floor_A, v.size)
    i = i + rng.normal(0, floor_A)
    return np.round(v / v_step) * v_step, np.round(i / step) * step, limited


def simulate_sweeps(n: int, seed: int, families, limit_of_type=None, typed_share: float = 0.5):
    """A table of `n` sweeps over all families and the four truths in turn, and their truths.

    Parameters
    ----------
    n, seed : int
    families : sequence of Family
        Limits that define good and leaky.
    limit_of_type : callable, optional
        ``(type, junction) -> (current [A], voltage [V])`` or None; without it no part is typed.
    typed_share : float
        Fraction of parts that carry a registered type [1].
    """
    rng = np.random.default_rng(seed)
    qualities = ("good", "leaky", "shorted", "open")
    columns = {k: [] for k in ("part", "junction", "v_V", "i_A", "temp_C", "type")}
    truths = []
    k = 0
    while len(truths) < n:
        kind, quality = KINDS[(k // 4) % len(KINDS)], qualities[k % 4]
        k += 1
        typed = bool(kind.types) and limit_of_type is not None and rng.random() < typed_share
        drawn = draw(rng, kind, quality, typed, families, limit_of_type)
        if drawn is None:
            continue
        truth, is_A, type_name, recorded, leak_at = drawn
        i_max = loguniform(rng, *kind.i_max)
        v, parameters = grid(rng, kind, truth, is_A, leak_at, i_max)
        i = solve(v, truth.rs_ohm, *parameters)
        logged_v, logged_i, limited = measure(rng, v, i, truth.floor_A, i_max)
        if limited.any() and rng.random() < 0.5:  # the logger reads the voltage back: it stops at the limit
            at_limit = np.interp(np.sign(v) * i_max, *sorted_curve(i, v))
            logged_v = np.where(limited, np.round(at_limit, 4), logged_v)
        columns["part"].append(f"S{len(truths):04d}")
        columns["junction"].append(truth.junction)
        columns["v_V"].append(logged_v)
        columns["i_A"].append(logged_i)
        columns["temp_C"].append(round(truth.temp_C + rng.normal(0, 0.5), 1) if recorded else np.nan)
        columns["type"].append(type_name)
        truths.append(truth)
    return sweep_table(**columns), tuple(truths)


def sorted_curve(i, v):
    """Current and voltage sorted for interpolation."""
    order = np.argsort(i)
    return i[order], v[order]


def roughen(table: SweepTable, truths, seed: int) -> SweepTable:
    """The same sweeps as a careless bench logs them.

    Spikes and dropouts (3 % of the points of some sweeps), a gain step at a range change, leaks that grow
    faster than the voltage, current that grows with the heat of the sweep, missing values, shuffled order.
    """
    rng = np.random.default_rng(seed)
    columns = {"v_V": [], "i_A": []}
    for k, truth in enumerate(truths):
        at = table.points(k)
        v, i = table.v_V[at].copy(), table.i_A[at].copy()
        most = np.abs(i).max()
        if rng.random() < 0.5:
            i = np.where(np.abs(i) > 10.0 ** rng.integers(-6, -2), i * (1 + rng.normal(0, 0.01)), i)
        if truth.quality == "leaky" and rng.random() < 0.5:
            i = np.where(v < 0, np.clip(i * (1 + np.abs(v) / rng.uniform(3, 20)), -most, most), i)
        if truth.quality in ("good", "leaky") and rng.random() < 0.3:
            heat = np.clip(i * v / max(np.max(i * v), 1e-30), 0, 1)
            i = np.where(np.abs(i) < 0.98 * most, i * (1 + rng.uniform(0, 0.2) * heat), i)
        if rng.random() < 0.3:
            bad = rng.random(v.size) < 0.03
            i[bad] *= rng.choice([0, 3, -1], bad.sum())
        if rng.random() < 0.2:
            i[rng.random(v.size) < 0.03] = np.nan
        if rng.random() < 0.2:
            order = rng.permutation(v.size)
            v, i = v[order], i[order]
        columns["v_V"].append(v)
        columns["i_A"].append(i)
    return sweep_table(
        table.part, table.junction, temp_C=table.temp_C, type=table.type, **columns
    )


def simulate_borderline(n: int, seed: int, limit_of_type):
    """Typed sweeps whose reverse current lies within 1 % of the registered limit, and the limits in ampere.

    Silicon parts only: their own saturation current is far below the limit, so the drawn leak is all of it.
    """
    rng = np.random.default_rng(seed)
    wanted = ("small-signal silicon BJT", "silicon power BJT", "switching diode")
    kinds = [k for k in KINDS if k.family in wanted]
    columns = {k: [] for k in ("part", "junction", "v_V", "i_A", "temp_C", "type")}
    limits = []
    while len(limits) < n:
        kind = kinds[len(limits) % len(kinds)]
        type_name, junction = str(rng.choice(kind.types)), str(rng.choice(kind.junctions))
        limit = limit_of_type(type_name, junction)
        if limit is None or limit[1] > 20:
            continue
        vf, ideality, rs = rng.uniform(*kind.vf), rng.uniform(*kind.n), loguniform(rng, *kind.rs)
        is_A = 1e-3 / np.expm1((vf - 1e-3 * rs) / (ideality * K_OVER_Q * T0_K))
        ohm = limit[1] / (limit[0] * np.exp(rng.normal(0, 0.005)) - is_A)
        v = np.concatenate([np.linspace(-1.05 * limit[1], 0, 40), np.linspace(0, vf + 0.1, 60)])
        i = solve(v, rs, is_A, ideality, ohm, np.inf, 2.0, 25.0)
        logged_v, logged_i, _ = measure(rng, v, i, 0.01 * limit[0], 1.0)
        values = (f"L{len(limits):04d}", junction, logged_v, logged_i, 25.0, type_name)
        for name, value in zip(columns, values, strict=True):
            columns[name].append(value)
        limits.append(limit[0])
    return sweep_table(**columns), np.array(limits)


#: Instruments that are not fit for the job, and yet stand on many benches.
INSTRUMENTS = ("8 bits", "10 bits", "12 bits", "ammeter offset", "programmed voltage")


def converted(rng, x, bits, full_scale, noise, offset):
    """What a bipolar converter makes of a signal: noise and offset in units of its least step, then steps."""
    step = full_scale / 2 ** (bits - 1)
    x = np.round(x / step + offset + rng.normal(0, noise, x.size)) * step
    return np.clip(x, -full_scale, full_scale)


def poor_log(rng, instrument, v, i, i_max):
    """What one of `INSTRUMENTS` logs of true voltages and currents, the source limited to `i_max`."""
    i = np.clip(i, -i_max, i_max)
    if instrument == "ammeter offset":
        offset = loguniform(rng, 1e-7, 1e-5) * rng.choice([-1, 1])
        i = i * (1 + rng.normal(0, 0.01)) + offset + rng.normal(0, 0.07 * abs(offset), i.size)
        return v + rng.normal(0, 2e-3), i
    if instrument == "programmed voltage":
        digit = 10.0 ** rng.integers(-7, -4)
        return np.round(v, 3), np.round((i + rng.normal(0, 0.3 * digit, i.size)) / digit) * digit
    bits = int(instrument.split()[0])
    noise, offset = float(rng.choice([0.0, 0.3, 1.0])), rng.uniform(-2, 2)
    full = 2.0 ** np.ceil(np.log2(1.05 * i_max))
    volts = max(2.0 ** np.ceil(np.log2(np.abs(v).max())), 1.0)
    return (np.round(v / (volts / 2**11)) * (volts / 2**11) if bits > 8 else v,
            converted(rng, i, bits, full, noise, offset))  # fmt: skip


def simulate_poor_instruments(n: int, seed: int, families, limit_of_type=None):
    """Sweeps by `INSTRUMENTS`, half of them forward only, 12 to 200 points, families and truths in turn.

    Leaks are drawn as for a good instrument, so many lie beneath what these can show: a healthy look is no
    proof there, and the answer is to be undecided.

    Returns
    -------
    SweepTable, tuple of Truth, tuple of str
        The instrument of each sweep last.
    """
    rng = np.random.default_rng(seed)
    qualities = ("good", "leaky", "shorted", "open")
    columns = {k: [] for k in ("part", "junction", "v_V", "i_A", "temp_C", "type")}
    truths, instruments, k = [], [], 0
    while len(truths) < n:
        kind, quality = KINDS[(k // 4) % len(KINDS)], qualities[k % 4]
        instrument = INSTRUMENTS[k // (4 * len(KINDS)) % len(INSTRUMENTS)]
        k += 1
        drawn = draw(rng, kind, quality, bool(kind.types) and rng.random() < 0.3, families, limit_of_type)
        if drawn is None:
            continue
        truth, is_A, type_name, recorded, leak_at = drawn
        i_max = float(rng.choice([2e-3, 1e-2, 2e-2, 1e-1]))
        parameters = parameters_of(kind, truth, is_A)
        knee = truth.vf_V + truth.n * 0.0257 * np.log(i_max / 1e-3) + truth.rs_ohm * i_max
        top = 1.1 * max(knee, 0.3) if quality != "open" else (1.2 if truth.junction != "AK" else 3.6)
        points = int(rng.choice([12, 30, 60, 200]))
        v = np.linspace(0.0 if rng.random() < 0.7 else 0.05, top, points)
        if rng.random() < 0.5:
            deepest = min(0.6 * truth.bv_V, leak_at, 10.0)
            v = np.concatenate([np.linspace(-deepest, 0, max(points // 3, 4))[:-1], v])
        logged_v, logged_i = poor_log(rng, instrument, v, solve(v, truth.rs_ohm, *parameters), i_max)
        columns["part"].append(f"I{len(truths):04d}")
        columns["junction"].append(truth.junction)
        columns["v_V"].append(logged_v)
        columns["i_A"].append(logged_i)
        columns["temp_C"].append(round(truth.temp_C, 1) if recorded else np.nan)
        columns["type"].append(type_name if limit_of_type else "")
        truths.append(truth)
        instruments.append(instrument)
    return sweep_table(**columns), tuple(truths), tuple(instruments)
