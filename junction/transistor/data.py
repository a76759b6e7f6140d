"""From curve tables and spot readings to padded points: noise, what is left out, priors and starts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C, thermal_voltage
from junction.base.records import CurveTable, PartReadings
from junction.physics.temperature import TemperatureLaw, log_saturation_factor
from junction.transistor.model import AT, N_COORDINATES, RTH, TEMP, Points, Priors
from junction.transistor.spot import MOST_VBE_V, POINT_FIELDS, SpotNoise, spot_row, spots_of

#: Least points of one part that make a curve, and most that are fitted (beyond, every k-th is taken).
LEAST_POINTS, MOST_POINTS = 3, 2000
#: A V_BE above this at the lowest currents belongs to two junctions in series (common practice, no source).
DARLINGTON_VBE_V = 0.85
#: Current at which the drops of the weak knowledge stand, as a share of what a part is made to carry: a
#: power part is run up to where its gain falls (common practice, no source).
SHARE_OF_MADE_FOR = 1.0 / 3.0
#: A current under so many of its standard uncertainties says nothing of the law.
NOISE_MARGIN = 5.0


@dataclass(frozen=True)
class CurveNoise:
    """Standard uncertainty of the points of a transistor curve: percent of the value and a floor.

    Parameters
    ----------
    v_percent, ic_percent, ib_percent : float
        Part proportional to the value [%].
    v_floor_V, ic_floor_A, ib_floor_A : float
        Constant part [V], [A].
    known : bool
        False where the figures are a guess, which is then scaled to the scatter about the fit.
    """

    v_percent: float = 0.02
    v_floor_V: float = 2e-4
    ic_percent: float = 0.3
    ic_floor_A: float = 1e-12
    ib_percent: float = 0.3
    ib_floor_A: float = 1e-12
    known: bool = True

    @classmethod
    def from_accuracy(cls, v_percent=0.0, v_floor_V=1e-6, i_percent=0.0, i_floor_A=1e-12) -> CurveNoise:
        """From limits of error [%, V, A] as data sheets state them: a/sqrt(3) (JCGM 100:2008, 4.3.7)."""
        r = 3.0**0.5
        i, floor = i_percent / r, i_floor_A / r
        return cls(v_percent / r, v_floor_V / r, i, floor, i, floor)


#: Taken where the user stated nothing; scaled by the scatter about the fit.
UNKNOWN_NOISE = CurveNoise(known=False)


@dataclass(frozen=True)
class TemperatureNoise:
    """Standard uncertainty of a part's temperature [K].

    Recorded: a thermometer good to +-0.5 K, beside the part and not in it.  Missing: 25 degC taken, +-2 K
    (rectangular, so divided by sqrt 3; both are common practice, no source).  At -2 mV/K the second is
    2.3 mV of V_BE, or 9 % of current without emitter resistors.
    """

    recorded_K: float = 0.5 / 3.0**0.5
    missing_K: float = 2.0 / 3.0**0.5


@dataclass(frozen=True, eq=False)
class Bench:
    """Everything the fit needs of n parts, in the order of `part`."""

    part: tuple[str, ...]
    polarity: tuple[str, ...]
    type: tuple[str, ...]
    source: tuple[str, ...]
    points: Points
    temp_C: np.ndarray
    temp_known: np.ndarray
    iceo_A: np.ndarray  # collector current of the points with the base open, at the largest vce; nan if none
    n_read: np.ndarray
    spot_only: np.ndarray
    why_not: tuple[str, ...]


_FIELDS = POINT_FIELDS


def _floor(i, stated, known):
    """Noise floor of a current: the stated one, or at least what negative readings betray."""
    i = i[np.isfinite(i)]
    below = i[i < 0]
    seen = np.sqrt(np.mean(below**2)) if below.size else 0.0
    return stated if known else max(stated, seen)


def _curve_rows(table: CurveTable, k: int, noise: CurveNoise, temp_C: float) -> dict[str, np.ndarray]:
    """Point arrays of one curve with their uncertainties, nan where a column is missing."""
    at = table.points(k)
    vbe, vce, ib, ic = (np.array(a[at]) for a in (table.vbe_V, table.vce_V, table.ib_A, table.ic_A))
    step = max(1, -(-vce.size // MOST_POINTS))
    vbe, vce, ib, ic = vbe[::step], vce[::step], ib[::step], ic[::step]
    fb, fc = _floor(ib, noise.ib_floor_A, noise.known), _floor(ic, noise.ic_floor_A, noise.known)
    return {
        "vbe": vbe, "vce": vce, "ib": ib, "ic": ic,
        "u_vbe": np.hypot(0.01 * noise.v_percent * vbe, noise.v_floor_V),
        "u_vce": np.hypot(0.01 * noise.v_percent * vce, noise.v_floor_V),
        "u_ib": np.hypot(0.01 * noise.ib_percent * ib, fb),
        "u_ic": np.hypot(0.01 * noise.ic_percent * ic, fc),
        "temp_C": np.full(vce.size, temp_C),
    }  # fmt: skip


def gather(curves: CurveTable, noise: CurveNoise, readings: Sequence[PartReadings], spot: SpotNoise) -> Bench:
    """Collect the points of every part from curves and spot readings, several entries of a part joined.

    Parameters
    ----------
    curves : CurveTable
    noise : CurveNoise
    readings : sequence of PartReadings
        Every usable spot reading of a part is a point (`spots_of`).
    spot : SpotNoise

    Returns
    -------
    Bench
        Parts in the order met, curves first; temperatures [degC] are 25 where a row had none.
    """
    rows: dict[str, dict] = {}

    def add(part, polarity, type_, source, temp, block):
        entry = rows.setdefault(part, {"polarity": "", "type": "", "source": [], "temp": [], "blocks": []})
        entry["polarity"] = entry["polarity"] or polarity
        entry["type"] = entry["type"] or type_
        entry["source"] += [source]
        entry["temp"] += [temp]
        entry["blocks"] += [block]

    def taken(temp):
        return temp if np.isfinite(temp) else REFERENCE_TEMP_C

    for k, part in enumerate(curves.part):
        temp = float(curves.temp_C[k])
        block = _curve_rows(curves, k, noise, taken(temp))
        add(part, curves.polarity[k], curves.type[k], "curves", temp, block)
    for r in readings:
        for s in spots_of(r):
            add(r.part, r.polarity, r.type, "spot", s.temp_C, spot_row(s, spot, taken(s.temp_C)))
    return _pad(rows)


def _pad(rows: dict[str, dict]) -> Bench:
    blocks = [{f: np.concatenate([b[f] for b in e["blocks"]]) for f in _FIELDS} for e in rows.values()]
    n, m = len(blocks), max((b["vce"].size for b in blocks), default=0)
    full = {f: np.full((n, m), np.nan) for f in _FIELDS}
    for k, b in enumerate(blocks):
        for f in _FIELDS:
            full[f][k, : b[f].size] = b[f]
    points, iceo, why = _select(full)
    temps = [np.array(e["temp"]) for e in rows.values()]
    known = np.array([np.isfinite(t).all() for t in temps], bool)
    source = tuple(" + ".join(sorted(set(e["source"]))) for e in rows.values())
    return Bench(
        tuple(rows), tuple(e["polarity"] for e in rows.values()), tuple(e["type"] for e in rows.values()),
        source, points,
        np.array([np.mean(np.where(np.isfinite(t), t, REFERENCE_TEMP_C)) for t in temps]).reshape(n), known,
        iceo, np.isfinite(full["vce"]).sum(1), np.array([s == "spot" for s in source], bool),
        tuple("" if s == "spot" and not w.startswith("no ") else w for s, w in zip(source, why, strict=True)),
    )  # fmt: skip


def _select(full: dict[str, np.ndarray]) -> tuple[Points, np.ndarray, list[str]]:
    """Mark usable points, give the rest harmless values, and say why a part has too few."""
    has_vbe, has_ib = np.isfinite(full["vbe"]), np.isfinite(full["ib"])
    with np.errstate(invalid="ignore"):
        carries = full["ic"] > NOISE_MARGIN * full["u_ic"]
        driven = ~has_ib | (full["ib"] > NOISE_MARGIN * full["u_ib"])
        open_base = has_ib & (np.abs(full["ib"]) <= NOISE_MARGIN * full["u_ib"]) & ~has_vbe
        real = ~has_vbe | (np.abs(full["vbe"]) < MOST_VBE_V)
    keep = np.isfinite(full["vce"]) & carries & real & (has_vbe | has_ib)
    # A base current lost in its noise leaves a point with v_be that still tells of the collector.
    has_ib &= driven
    keep &= has_vbe | has_ib
    top = np.where(open_base & np.isfinite(full["vce"]) & np.isfinite(full["ic"]), full["vce"], -np.inf)
    iceo = np.full(top.shape[0], np.nan)
    if top.shape[1]:
        best = top.argmax(1)
        at = (np.arange(top.shape[0]), best)
        iceo = np.where(np.isfinite(top[at]), full["ic"][at], np.nan)
    count = keep.sum(1)
    why = [
        "no point with V_CE, a collector current above the noise, and V_BE (under "
        f"{MOST_VBE_V:g} V) or a base current" if c == 0
        else f"{c} usable points; at least {LEAST_POINTS} are needed" if c < LEAST_POINTS else ""
        for c in count
    ]  # fmt: skip
    fill = {"vbe": 0.6, "vce": 5.0, "ib": 0.0, "ic": 1e-3, "u_vbe": 1e-3, "u_vce": 1e-3, "u_ib": 1e-6,
            "u_ic": 1e-6, "temp_C": REFERENCE_TEMP_C}  # fmt: skip
    filled = {f: np.where(keep & np.isfinite(full[f]), full[f], fill[f]) for f in _FIELDS}
    filled["ib"] = np.where(has_ib, filled["ib"], 0.0)
    return Points(**filled, has_vbe=has_vbe | ~keep, has_ib=has_ib, keep=keep), iceo, why


def _low(a, mask, q):
    """Quantile of each row over its mask; nan where empty."""
    order = np.sort(np.where(mask, a, np.inf), axis=1)
    count = mask.sum(1)
    at = np.clip((q * (count - 1)).round().astype(int), 0, max(a.shape[1] - 1, 0))
    return np.where(count > 0, order[np.arange(a.shape[0]), at], np.nan)


def _weak_knowledge(top, series, law: TemperatureLaw) -> dict[str, tuple]:
    """Centre and width of the log of each parameter; see `priors_and_start`."""
    XTB = max(law.XTB, 1e-12)
    exact_XTB = not (law.XTB > 0 and law.u_XTB > 0)
    return {
        "NF": (np.log(series), np.where(series > 1, 0.1, 0.02)),
        "BF": (np.log(100.0), 2.0),
        "ISE": (np.log(0.03), 2.3),
        "NE": (np.log(1.5 * series), 0.15),
        "IKF": (np.log(10.0 * top), 2.0),
        "VAF": (np.log(100.0), 1.0),
        "RE": (np.log(0.03 / top), 1.5),
        "RB": (np.log(0.02 * 50.0 / top), 2.0),
        "RC": (np.log(0.05 / top), 1.0),
        "BR": (np.log(5.0), 1.5),
        "EG": (np.log(law.EG_eV), law.u_EG_eV / law.EG_eV or np.inf),
        "XTB": (np.log(XTB), np.inf if exact_XTB else law.u_XTB / XTB),
    }


def priors_and_start(
    bench: Bench, law: TemperatureLaw, temperature: TemperatureNoise, made_for_A: float = np.nan
):
    """Weak knowledge of every coordinate, scaled to the currents of the data, and a start.

    Parameters
    ----------
    bench : Bench
    law : TemperatureLaw
        EG [eV], XTB [1] and their uncertainties.
    temperature : TemperatureNoise
    made_for_A : float
        Collector current the parts are made to carry [A]; nan where nobody said.

    Returns
    -------
    priors : Priors
    start : ndarray (n, p)

    Notes
    -----
    Centres and widths (natural log) are common practice without a source, wide enough for small-signal
    and power parts: NF 1 (2 %; a Darlington 2 and 10 %), BF 100 (factor 7), non-ideal base current 3 % of
    the ideal one at the lowest current (factor 10), NE 1.5 NF (15 %), IKF at ten times the highest current
    (factor 7), VAF 100 V (factor 2.7), RE, RB and RC by drops of 30, 20 and 50 mV at the highest current
    (factors 4.5, 7 and 2.7; the base current taken as a fiftieth; for parts known by spot readings alone, at
    a third of the current they are made to carry where that is higher), BR 5 (factor 4.5).  EG and XTB come
    from the temperature law.
    """
    pts = bench.points
    n = len(bench.part)
    VT = thermal_voltage(pts.temp_C)
    with_vbe, with_ib = pts.keep & pts.has_vbe, pts.keep & pts.has_ib
    top, bottom = _low(pts.ic, pts.keep, 1.0), _low(pts.ic, pts.keep, 0.0)
    top, bottom = np.where(np.isfinite(top), top, 1e-3), np.where(np.isfinite(bottom), bottom, 1e-3)
    # Spot readings know one current or a few; let the gain fall off a decade below.
    bottom = np.where(bench.spot_only, 0.1 * bottom, bottom)
    # Two junctions in series (a Darlington) show by twice the voltage at the lowest currents.
    series = np.where(_low(pts.vbe, with_vbe, 0.2) > DARLINGTON_VBE_V, 2.0, 1.0)
    # ln IS at 25 degC from each point as if nothing but NF mattered; the low currents are nearest.
    log_is = np.log(pts.ic) - pts.vbe / (series[:, None] * VT)
    log_is -= log_saturation_factor(pts.temp_C, REFERENCE_TEMP_C, law.EG_eV)
    guess = _low(log_is, with_vbe, 0.75)
    blind = np.log(np.sqrt(top * bottom)) - 0.62 / thermal_voltage(REFERENCE_TEMP_C)
    gain = _low(pts.ic / np.maximum(pts.ib, 1e-300), with_ib, 0.9)
    has = np.isfinite(guess)
    # Readings at a low current say nothing of the resistances, but what the part is made for does: a part
    # that drops 30 mV at a tenth of an ampere is none for two.
    own = made_for_A * SHARE_OF_MADE_FOR
    carries = np.where(bench.spot_only & (own > top), own, top)
    known = _weak_knowledge(carries, series, law)
    # Where V_BE is measured nothing else may speak of IS, however softly: many parts would add it up.
    known["IS"] = (np.where(has, guess, blind), np.where(has, 1e4, 4.0))
    centre, width = np.zeros((n, N_COORDINATES)), np.full((n, N_COORDINATES), np.inf)
    for name, (at, spread) in known.items():
        centre[:, AT[name]], width[:, AT[name]] = at, spread
    u_T = np.where(bench.temp_known, temperature.recorded_K, temperature.missing_K)
    width[:, TEMP] = np.where(u_T > 0, u_T, np.inf)
    width[:, RTH] = 30.0
    start = centre.copy()
    start[:, AT["BF"]] = np.log(np.where(np.isfinite(gain), np.maximum(1.1 * gain, 1e-3), 100.0))
    log_i = np.log(bottom) - start[:, AT["IS"]]
    start[:, AT["ISE"]] = np.log(0.03) + np.log(bottom) - start[:, AT["BF"]] - log_i / 1.5
    return Priors(centre, width, bottom), start


def free_coordinates(bench: Bench, law: TemperatureLaw, temperature: TemperatureNoise) -> np.ndarray:
    """Which coordinates are fitted; what is stated as exact is not, and self-heating not at first."""
    free = np.ones((len(bench.part), N_COORDINATES), bool)
    free[:, AT["EG"]] = law.u_EG_eV > 0
    free[:, AT["XTB"]] = law.u_XTB > 0 and law.XTB > 0
    u_T = np.where(bench.temp_known, temperature.recorded_K, temperature.missing_K)
    free[:, TEMP] = u_T > 0
    free[:, RTH] = False
    return free
