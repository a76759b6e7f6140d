r"""Points of transistors and their residuals against the Gummel-Poon model, with analytic derivatives.

A spot reading, V_BE and h_FE at a collector current, is one point of its part's curve, however many there
are of it.  All go through the same fit, where weak knowledge stands in for what they do not say, so that
V_BE and h_FE are sharp at the currents they were taken at and honestly vague far from them.

A point is (v_be, v_ce, i_b, i_c), all measured, all uncertain.  With the measured currents in the drops
across the terminal resistances the internal voltages follow without solving anything, and the two model
equations IC(v) = i_c and IB(v) = i_b become two residuals, which share the errors of all four
measurements.  Each pair is therefore whitened by the 2 x 2 covariance of its own propagated errors
(effective variance in two dimensions).  Of a point without v_be (a family of output curves at steps of
i_b) the internal v_be is solved from i_b, and one residual is left; of a point without i_b the base
current of the drops is solved likewise, and the residual of i_c is left.

Currents are compared through asinh(i / 2u), u being the standard uncertainty of the current: a logarithm
for a current well above its noise, which makes an exponential law nearly linear in its parameters, and a
straight line through the noise, where a logarithm would fail.

What the data cannot say is held by weak prior knowledge, one row each: its centre is the stated default a
parameter falls back on, and its width is the uncertainty that then goes into every prediction.  A single
spot reading is fitted by the same rows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from math import hypot, inf, isfinite

import numpy as np

from junction.base.records import CurveTable, PartReadings, Spot
from junction.base.units import REFERENCE_TEMP_C, ZERO_CELSIUS_K, thermal_voltage
from junction.physics.temperature import SILICON_XTI, TemperatureLaw, log_saturation_factor
from junction.physics.transistor import internal_vbe_from_ib, intrinsic
from junction.shelf.tables import rule
from junction.sweeps.sense import Noise
from junction.transistor import sense
from junction.transistor.values import FITTED, OF_A_TYPE, chain_to_25C, parameters_at

#: Most points of one part that are fitted (beyond, every k-th is taken).
MOST_POINTS = 2000
#: Arrays of a point: voltages and standard uncertainties [V], currents [A], place in the log, temperature
#: [degC].
_FIELDS = ("vbe", "vce", "ib", "ic", "u_vbe", "u_vce", "u_ib", "u_ic", "place", "temp_C")
#: Harmless values of what a point lacks, in that order.
_FILL = (0.6, 5.0, 0.0, 1e-3, 1e-3, 1e-3, 1e-6, 1e-6, 0.0, REFERENCE_TEMP_C)


def usual_noise() -> Noise:
    """Standard uncertainty of the points of a transistor curve where nobody states it; it is then scaled."""
    current = rule("curve_current_percent"), rule("curve_current_floor")
    return Noise(rule("curve_volt_percent"), rule("curve_volt_floor"), *current)


def reading_noise(**stated: float) -> dict[str, float]:
    """Standard uncertainties of a spot reading, the usual ones for those not stated.

    ``u_vbe_V`` and ``vbe_percent``: floor [V] and part of the reading [%] of V_BE; ``hfe_percent`` and
    ``ic_percent``: of h_FE and I_C [%]; ``vce_V``, ``u_vce_V``: the V_CE it was taken at [V].  A reading
    rarely says that one, which matters through the Early voltage alone.
    """
    usual = {
        "u_vbe_V": rule("reading_vbe_u"), "vbe_percent": 0.0, "hfe_percent": rule("reading_hfe_percent"),
        "ic_percent": rule("reading_ic_percent"), "vce_V": rule("reading_vce"),
        "u_vce_V": rule("reading_vce_u"),
    }  # fmt: skip
    return usual | stated


def spots_of(r: PartReadings) -> tuple[Spot, ...]:
    """Every spot reading of a part that can be used, lowest current first whatever the order of its rows."""

    def order(s: Spot) -> tuple[float, ...]:  # nan has no place in an order
        own = abs(s.ic_A), s.temp_C, abs(s.vbe_V), s.hfe, s.vce_V
        return tuple(x if isfinite(x) else -inf for x in own)

    return tuple(sorted((s for s in r.spots if not _fault(s)), key=order))


def unusable(readings: Sequence[PartReadings]) -> dict[str, str]:
    """By part, why its spot reading with a V_BE or h_FE cannot be used."""
    return {r.part: why for r in readings for s in r.spots if (why := _fault(s))}


def _fault(s: Spot) -> str:
    """Why a spot reading cannot be used, or ''."""
    given = " and ".join(n for n, x in (("V_BE", s.vbe_V), ("h_FE", s.hfe)) if isfinite(x))
    if not given:
        return "neither V_BE nor h_FE"
    if not isfinite(s.ic_A) or s.ic_A == 0:
        return f"{given} without the collector current it was read at: add a column ic_mA"
    if isfinite(s.vbe_V) and not 0 < abs(s.vbe_V) < rule("bjt_vbe_most"):
        return f"V_BE of {s.vbe_V:g} V is not that of a transistor: check the unit"
    if isfinite(s.hfe) and not s.hfe > 0:
        return f"h_FE of {s.hfe:g}: a gain is a positive number"
    return ""


def _curve_points(table: CurveTable, k: int, noise: Noise) -> tuple:
    """Points of one curve, in the order of `_FIELDS`; nan where a column is missing.

    By V_CE and V_BE, whatever the order of the log: sums of the same points are the same to the last digit.
    """
    at = table.points(k)
    step = max(1, -(-(at.stop - at.start) // MOST_POINTS))
    vbe, vce, ib, ic = (a[at] for a in (table.vbe_V, table.vce_V, table.ib_A, table.ic_A))
    place = np.lexsort((ic, ib, vbe, vce))[::step]
    vbe, vce, ib, ic = (a[place] for a in (vbe, vce, ib, ic))
    u_vbe, u_vce = (np.hypot(0.01 * noise.v_percent * v, noise.v_floor_V) for v in (vbe, vce))
    u_ib, u_ic = (np.hypot(0.01 * noise.i_percent * i, noise.i_floor_A) for i in (ib, ic))
    return vbe, vce, ib, ic, u_vbe, u_vce, u_ib, u_ic, place


def gather(curves: CurveTable, noise: Noise, readings: Sequence[PartReadings], spot: Mapping, *,
           guessed: bool = False):  # fmt: skip
    """Collect the points of every part from curves and spot readings, several entries of a part joined.

    Parameters
    ----------
    curves : CurveTable
    noise : Noise
        Standard uncertainties of their points.
    readings : sequence of PartReadings
        Every usable spot reading of a part is a point (`spots_of`).
    spot : mapping of str to float
        What is stated for `reading_noise`.
    guessed : bool
        Whether `noise` is a guess.

    Returns
    -------
    about : dict
        Of the parts in the order met, curves first: ``part``, ``polarity``, ``type``, ``source``,
        ``temp_C`` [degC], 25 where a row had none, ``temp_known``, and ``why_not``, which says why one has
        too few points.
    points : dict of str to ndarray (n, m)
        Those of `TransistorProblem`.
    """
    own: dict[str, list[tuple]] = {}  # of each part: polarity, type, source, temperature, points

    def add(part: str, polarity: str, type_: str, source: str, temp: float, block: tuple, of=1) -> None:
        taken = temp if isfinite(temp) else REFERENCE_TEMP_C
        rows = np.array([*block, np.full(np.shape(block[0]), taken)]).reshape(len(_FIELDS), -1)
        own.setdefault(part, []).append((polarity, type_, source, temp, taken, rows, of - rows.shape[1]))

    for k, part in enumerate(curves.part):
        block, at = _curve_points(curves, k, noise), curves.points(k)
        add(part, curves.polarity[k], curves.type[k], "curves", float(curves.temp_C[k]), block,
            at.stop - at.start)  # fmt: skip
    by = reading_noise(**spot)
    for r in readings:
        for s in spots_of(r):
            vbe, ic, ib = abs(s.vbe_V), abs(s.ic_A), abs(s.ic_A) / s.hfe
            u_vbe = s.u_vbe_V if isfinite(s.u_vbe_V) else hypot(0.01 * by["vbe_percent"] * vbe, by["u_vbe_V"])
            u_ib, u_ic = 0.01 * by["hfe_percent"] * ib, 0.01 * by["ic_percent"] * ic
            vce, u_vce = (s.vce_V, s.u_vce_V) if isfinite(s.vce_V) else (by["vce_V"], by["u_vce_V"])
            u_vce = u_vce if isfinite(u_vce) else rule("reading_vce_stated") * vce
            block = vbe, vce, ib, ic, u_vbe, u_vce, u_ib, u_ic, 0.0
            add(r.part, r.polarity, r.type, "spot", s.temp_C, block)
    rows = [np.concatenate([e[5] for e in found], axis=1) for found in own.values()]
    full = np.full((len(_FIELDS), len(rows), max((r.shape[1] for r in rows), default=0)), np.nan)
    for k, row in enumerate(rows):
        full[:, k, : row.shape[1]] = row
    counts = {"thinned": np.array([sum(e[6] for e in found) for found in own.values()], int)}
    points, why, seen = _select(dict(zip(_FIELDS, full, strict=True)), counts, guessed)

    def first(column: int) -> tuple[str, ...]:
        return tuple(next((e[column] for e in found if e[column]), "") for found in own.values())

    source = tuple(" + ".join(sorted({e[2] for e in found})) for found in own.values())
    return {
        "part": tuple(own), "polarity": first(0), "type": first(1), "source": source,
        "temp_C": np.array([np.mean([e[4] for e in found]) for found in own.values()]),
        "temp_known": np.array([all(isfinite(e[3]) for e in found) for found in own.values()], bool),
        "why_not": ["" if s == "spot" and not w.startswith("no ") else w
                    for s, w in zip(source, why, strict=True)],
        **seen,
    }, points  # fmt: skip


def _select(
    full: dict[str, np.ndarray], counts: dict[str, np.ndarray], guessed: bool
) -> tuple[dict, list[str], dict]:
    """Mark usable points, give the rest harmless values, and say why a part has too few.

    The ammeters' offsets are taken off the currents, and their scatter joins the uncertainty.  What was seen
    is a dict of the fields of `TransistorFits`, with the uncertainties of the offsets ``u_offset_...``.
    """
    there = np.isfinite(full["temp_C"])
    marked = sense.marks(full)
    has_vbe, has_ib = np.isfinite(full["vbe"]), np.isfinite(full["ib"])
    margin, most, least = rule("bjt_noise_margin"), rule("bjt_vbe_most"), int(rule("bjt_points_least"))
    with np.errstate(invalid="ignore"):
        real = ~has_vbe | (np.abs(full["vbe"]) < most)
    whole = np.isfinite(full["vce"]) & np.isfinite(full["ic"]) & real & (has_vbe | has_ib)
    limit = whole & sense.at_limit(full["vce"], full["vbe"], full["ib"], full["ic"])
    free = whole & ~limit
    seen: dict = {"limit_A": np.where(limit.any(1), sense.middle(full["ic"], limit), np.nan)}
    with np.errstate(invalid="ignore"):
        strong = free & (full["ic"] >= 1e-3 * _quantile(full["ic"], free, 1.0)[:, None])
    series = series_of(full["vbe"], strong)
    seen["series"] = series
    # below, the resistors inside a Darlington carry the driver's current: no single transistor's law
    with np.errstate(invalid="ignore"):
        foot = full["ic"] < rule("bjt_darlington_low") * _quantile(full["ic"], free, 1.0)[:, None]
    enough = (free & ~foot).sum(1) >= int(rule("bjt_darlington_points"))
    foot &= ((series > 1) & enough)[:, None] & free
    for name, emission in (("ic", rule("curve_emission_ic")), ("ib", rule("curve_emission_ib"))):
        # in saturation V_BE is not all of the law
        with np.errstate(invalid="ignore"):
            asked = free & (full["vce"] > 0.7 * full["vbe"])
        found = sense.floor_of(full["vbe"], full[name], asked, full["temp_C"], emission * series[:, None])
        # a floor that leaves nothing over it is no floor, but points of something else
        with np.errstate(invalid="ignore"):
            over = free & (full[name] - found[0][:, None] > margin * found[2][:, None])
        found = tuple(np.where(over.sum(1) >= least, a, np.nan) for a in found)
        scatter = found[2]
        if guessed:  # the floor of a guess is at least what negative readings betray
            with np.errstate(invalid="ignore"):
                below = free & (full[name] < 0)
            root = np.sqrt((np.where(below, full[name], 0.0) ** 2).sum(1) / np.maximum(below.sum(1), 1))
            scatter = np.where(np.isnan(scatter), root, scatter)
        full[name] = full[name] - np.nan_to_num(found[0])[:, None]
        full[f"u_{name}"] = np.maximum(full[f"u_{name}"], np.nan_to_num(scatter)[:, None])
        seen |= {f"offset_{name}_A": found[0], f"u_offset_{name}_A": found[1]}
    with np.errstate(invalid="ignore"):
        carries = full["ic"] > margin * full["u_ic"]
        # A base current lost in its noise leaves a point with v_be that still tells of the collector.
        has_ib &= full["ib"] > margin * full["u_ib"]
    keep = free & carries & ~foot & (has_vbe | has_ib)
    for name, out in (("over-range", there & marked & ~whole), ("not complete", there & ~whole & ~marked),
                      ("current limit", limit), ("foot of a Darlington", foot),
                      ("below the noise", free & ~keep & ~foot)):  # fmt: skip
        counts[name] = out.sum(1)
    seen["left_out"] = counts
    why = [
        "no point with V_CE, a collector current above the noise, and V_BE (under "
        f"{most:g} V) or a base current" if c == 0
        else f"{c} usable points; at least {least} are needed" if c < least else ""
        for c in keep.sum(1)
    ]  # fmt: skip
    filled = {
        name: np.where(keep & np.isfinite(full[name]), full[name], fill)
        for name, fill in zip(_FIELDS, _FILL, strict=True)
    }
    filled["ib"] = np.where(has_ib, filled["ib"], 0.0)
    return {**filled, "has_vbe": has_vbe | ~keep, "has_ib": has_ib, "keep": keep}, why, seen


def series_of(vbe, live) -> np.ndarray:
    """Junctions in series (n,): two (a Darlington) show by twice the voltage at the lowest currents."""
    return np.where(_quantile(vbe, live, 0.2) > rule("bjt_darlington_vbe"), 2.0, 1.0)


def _quantile(a: np.ndarray, mask: np.ndarray, q: float) -> np.ndarray:
    """Quantile of each row over its mask; nan where empty."""
    order = np.sort(np.where(mask, a, np.inf), axis=1)
    count = mask.sum(1)
    at = np.clip((q * (count - 1)).round().astype(int), 0, max(a.shape[1] - 1, 0))
    return np.where(count > 0, order[np.arange(a.shape[0]), at], np.nan)


def problem_and_start(
    about: Mapping, points: Mapping[str, np.ndarray], law: TemperatureLaw, u_temp_K: tuple[float, float],
    made_for_A: float = np.nan,
) -> tuple[TransistorProblem, np.ndarray, np.ndarray]:  # fmt: skip
    """Points with weak knowledge of every coordinate, scaled to the currents of the data, and a start.

    Parameters
    ----------
    about, points
        As `gather` gives them.
    law : TemperatureLaw
        EG [eV], XTB [1] and their uncertainties.
    u_temp_K : (float, float)
        Standard uncertainty of a recorded temperature and of a missing one [K].
    made_for_A : float
        Collector current the parts are made to carry [A]; nan where nobody said.

    Returns
    -------
    problem : TransistorProblem
    start : ndarray (n, p)
    free : ndarray of bool (n, p)
        Coordinates that are fitted; what is stated as exact is not, and self-heating not at first.

    Notes
    -----
    Centres and widths (natural log) are the rows ``bjt_NF``, ``bjt_NF_width`` and so on of
    reference/rules.csv: common practice without a source, wide enough for small-signal and power parts.
    RE, RB and RC are those of stated drops at the highest current (for parts known by spot readings alone,
    at a share of the current they are made to carry where that is higher), IKF a multiple of it, NE one of
    NF; ISE stands for the non-ideal share of the base current at the lowest current.  A Darlington is taken
    as one transistor with twice the voltage.  EG and XTB come from the temperature law.
    """
    n, keep, ic, temp = len(about["part"]), points["keep"], points["ic"], points["temp_C"]
    spot_only = np.array([source == "spot" for source in about["source"]], bool)
    with_vbe, with_ib = keep & points["has_vbe"], keep & points["has_ib"]
    top, bottom = _quantile(ic, keep, 1.0), _quantile(ic, keep, 0.0)
    top, bottom = np.where(np.isfinite(top), top, 1e-3), np.where(np.isfinite(bottom), bottom, 1e-3)
    # Spot readings know one current or a few; let the gain fall off below.
    bottom = np.where(spot_only, rule("bjt_spot_low") * bottom, bottom)
    series = series_of(points["vbe"], with_vbe)
    # Readings at a low current say nothing of the resistances, but what the part is made for does: a part
    # that drops 30 mV at a tenth of an ampere is none for two.
    own = made_for_A * rule("bjt_made_for_share")
    carries = np.where(spot_only & (own > top), own, top)
    # Without that, a silicon transistor of whatever size is made for this much: its resistances are bounded.
    carries = np.maximum(carries, np.where(spot_only, rule("bjt_carries_least"), 0.0))
    known = {name: (rule(f"bjt_{name}"), rule(f"bjt_{name}_width")) for name in OF_A_TYPE}
    of = {"NF": series, "NE": series, "IKF": carries}
    known |= {name: (known[name][0] * by, known[name][1]) for name, by in of.items()}
    known |= {name: (known[name][0] / carries, known[name][1]) for name in ("RE", "RB", "RC")}
    known["NF"] = (np.where(series > 1, rule("bjt_NF_darlington"), known["NF"][0]),
                   np.where(series > 1, rule("bjt_NF_width_darlington"), known["NF"][1]))  # fmt: skip
    known["EG"] = law.EG_eV, law.u_EG_eV / law.EG_eV or np.inf
    XTB = max(law.XTB, 1e-12)
    known["XTB"] = XTB, law.u_XTB / XTB if law.XTB > 0 and law.u_XTB > 0 else np.inf
    centre, width = np.zeros((n, N_COORDINATES)), np.full((n, N_COORDINATES), np.inf)
    for name, (value, spread) in known.items():
        centre[:, AT[name]], width[:, AT[name]] = np.log(value), spread
    # ln IS at 25 degC from each point as if nothing but NF mattered; the low currents are nearest.
    log_is = np.log(ic) - points["vbe"] / (series[:, None] * thermal_voltage(temp))
    log_is -= log_saturation_factor(temp, REFERENCE_TEMP_C, law.EG_eV)
    guess = _quantile(log_is, with_vbe, 0.75)
    has = np.isfinite(guess)
    blind = np.log(np.sqrt(top * bottom)) - rule("bjt_vbe_unread") / thermal_voltage(REFERENCE_TEMP_C)
    # Where V_BE is measured nothing else may speak of IS, however softly: many parts would add it up.
    centre[:, AT["IS"]] = np.where(has, guess, blind)
    width[:, AT["IS"]] = np.where(has, 1e4, rule("bjt_IS_width"))
    u_T = np.where(about["temp_known"], *u_temp_K)
    width[:, TEMP], width[:, RTH] = np.where(u_T > 0, u_T, np.inf), rule("bjt_RTH_width")
    for name, k in (("ic", OFFSET_IC), ("ib", OFFSET_IB)):
        seen = about[f"u_offset_{name}_A"]
        width[:, k] = np.where(seen > 0, seen, np.inf)
    # the resistors inside a Darlington take a base current that hardly changes
    least = _quantile(points["ib"], with_ib, 0.0)
    width[:, OFFSET_IB] = np.where((series > 1) & ~spot_only & (least > 0), least, width[:, OFFSET_IB])
    start = centre.copy()
    gain = _quantile(ic / np.maximum(points["ib"], 1e-300), with_ib, 0.9)
    start[:, AT["BF"]] = np.log(np.where(np.isfinite(gain), np.maximum(1.1 * gain, 1e-3), rule("bjt_BF")))
    log_i = np.log(bottom) - start[:, AT["IS"]]
    share = centre[:, AT["ISE"]] + np.log(bottom) - start[:, AT["BF"]]
    start[:, AT["ISE"]] = share - log_i / rule("bjt_NE")
    free = np.ones(start.shape, bool)
    free[:, AT["EG"]], free[:, AT["XTB"]] = law.u_EG_eV > 0, law.u_XTB > 0 and law.XTB > 0
    free[:, TEMP], free[:, RTH] = u_T > 0, False
    free[:, [OFFSET_IC, OFFSET_IB]] = np.isfinite(width[:, [OFFSET_IC, OFFSET_IB]])
    none = np.zeros((*keep.shape, 3))
    problem = TransistorProblem(
        **points, centre=centre, width=width, ic0_A=bottom,
        gap_V=np.where(series > 1, series * (law.EG_eV + _GAP_HEAT_V), 0.0), whitening=none)
    return problem, start, free


#: Coordinates of the fit: logs of `FITTED`, then the error of the recorded temperature [K], the thermal
#: resistance of self-heating [K/W] and what the ammeters are still off by [A] as they are.
N_LOG = len(FITTED)
TEMP, RTH, OFFSET_IC, OFFSET_IB = range(N_LOG, N_LOG + 4)
N_COORDINATES = N_LOG + 4
AT = {name: k for k, name in enumerate(FITTED)}
#: What XTI adds to the energy gap in the slope of V_BE with temperature [V].
_GAP_HEAT_V = float(SILICON_XTI * thermal_voltage(REFERENCE_TEMP_C))


def _squash(i, u):
    """Compressed current asinh(i/2u) and its slope [1/A]."""
    return np.arcsinh(i / (2 * u)), 1.0 / np.sqrt(i * i + 4 * u * u)


@dataclass(frozen=True, eq=False)
class TransistorProblem:
    """Points of n parts, what is known of them before, and the rows of both: a batch for `lsq.solve`.

    Points are padded to m, arrays (n, m): voltages and standard uncertainties [V], currents [A], ``temp_C``
    [degC].  ``has_vbe``, ``has_ib`` say what a point has; ``keep`` is False for padding and for what is left
    out.

    ``place`` is where a point stood in its log; ``gap_V`` (n,) NF (EG + XTI VT) of a Darlington, else 0.

    ``centre`` and ``width`` (n, p) are what is known of the coordinates (natural logs, K, K/W); width inf is
    no knowledge.  The entry of ISE is that of the logarithm of the share of the non-ideal base current at
    `ic0_A` (n,) instead, because ISE itself means nothing without its NE.

    ``whitening`` (n, m, 3) holds the factors (w11, w21, w22) that turn the two raw residuals into unit
    variance; it is held fixed during a solution and renewed between (`whitened`).
    """

    vbe: np.ndarray
    vce: np.ndarray
    ib: np.ndarray
    ic: np.ndarray
    u_vbe: np.ndarray
    u_vce: np.ndarray
    u_ib: np.ndarray
    u_ic: np.ndarray
    place: np.ndarray
    temp_C: np.ndarray
    has_vbe: np.ndarray
    has_ib: np.ndarray
    keep: np.ndarray
    centre: np.ndarray
    width: np.ndarray
    ic0_A: np.ndarray
    gap_V: np.ndarray
    whitening: np.ndarray

    def take(self, index) -> TransistorProblem:
        """Some of the parts."""
        return TransistorProblem(*(getattr(self, f.name)[index] for f in fields(self)))

    def warmed(self, theta: np.ndarray) -> tuple[TransistorProblem, np.ndarray]:
        """The problem and coordinates with the energy gap that all junctions of a Darlington have together.

        The resistors across its junctions carry a current that hardly changes, which leaves it an emission
        coefficient anywhere from 1 to 2; the voltages of both junctions fall with temperature all the same.
        """
        own = np.where(self.gap_V > 0, self.gap_V, 1.0) / np.exp(theta[:, AT["NF"]]) - _GAP_HEAT_V
        step = np.where(self.gap_V > 0, np.log(np.maximum(own, 0.2)) - self.centre[:, AT["EG"]], 0.0)
        by = step[:, None] * (np.arange(N_COORDINATES) == AT["EG"])
        return replace(self, centre=self.centre + by), theta + by

    def evaluate(self, theta: np.ndarray) -> np.ndarray:
        """Whitened derivatives and residuals of 2 m data rows and p prior rows, (n, p + 1, 2 m + p)."""
        with np.errstate(all="ignore"):  # a trial far off may overflow: not finite, so the solver rejects it
            f1, f2, d1, d2, _ = raw_residuals(theta, self)
        w11, w21, w22 = np.moveaxis(self.whitening, -1, 0)
        n, m = f1.shape
        p = N_COORDINATES
        buffer = np.empty((n, p + 1, 2 * m + p))
        buffer[:, :p, :m] = d1 * w11[:, None]
        buffer[:, :p, m : 2 * m] = d1 * w21[:, None] + d2 * w22[:, None]
        buffer[:, p, :m] = f1 * w11
        buffer[:, p, m : 2 * m] = f1 * w21 + f2 * w22
        buffer[:, :, 2 * m :] = self.prior_rows(theta)
        return buffer

    def prior_rows(self, theta: np.ndarray) -> np.ndarray:
        """Derivatives and residual of each prior row, (n, p + 1, p)."""
        slope, value = self.shared_coordinates(theta)
        weight = 1.0 / self.width  # 0 where nothing is known
        residual = (value - self.centre) * weight
        return np.concatenate([slope * weight[:, None, :], residual[:, None]], axis=1)

    def shared_coordinates(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Slope [theta, own] and value of the coordinates with the non-ideal share in place of ln(ISE)."""
        n, p = theta.shape
        value = theta.copy()
        slope = np.broadcast_to(np.eye(p), (n, p, p)).copy()
        ratio = np.exp(theta[:, AT["NF"]] - theta[:, AT["NE"]])
        log_i = np.log(self.ic0_A) - theta[:, AT["IS"]]
        value[:, AT["ISE"]] += ratio * log_i + theta[:, AT["BF"]] - np.log(self.ic0_A)
        for name, d in (("BF", 1.0), ("IS", -ratio), ("NF", ratio * log_i), ("NE", -ratio * log_i)):
            slope[:, AT[name], AT["ISE"]] = d
        return slope, value


def _with_base_current(points: TransistorProblem, p, temp_C) -> TransistorProblem:
    """Points with the model's base current where none was measured: IB(v_be - drops(i_b)) = i_b."""
    blind = points.keep & points.has_vbe & ~points.has_ib
    if not blind.any():
        return points
    q = {k: np.broadcast_to(v, blind.shape)[blind] for k, v in p.items()}
    vbe, vce, ic, temp = (a[blind] for a in (points.vbe, points.vce, points.ic, temp_C))
    ib = ic / q["BF"]
    for _ in range(12):
        y = vbe - ib * q["RB"] - vce + ic * q["RC"]
        m = intrinsic(vbe - ib * q["RB"] - (ic + ib) * q["RE"], y, q, temp)
        step = (m.ib - ib) / (1.0 + m.ib_be * (q["RB"] + q["RE"]) + m.ib_bc * q["RB"])
        ib = ib + step
        if np.all(np.abs(step) <= 1e-12 * np.abs(ib)):
            break
    whole = points.ib.copy()
    whole[blind] = ib
    return replace(points, ib=whole)


def _internal_voltages(points: TransistorProblem, p, temp_C):
    """Internal junction voltages from the measured ones, or from i_b where there is no v_be."""
    ie = points.ic + points.ib
    x = points.vbe - points.ib * p["RB"] - ie * p["RE"]
    y = points.vbe - points.ib * p["RB"] - points.vce + points.ic * p["RC"]
    solve = ~points.has_vbe & points.keep
    if solve.any():
        vce = points.vce - points.ic * p["RC"] - ie * p["RE"]
        local = {k: np.broadcast_to(v, x.shape)[solve] for k, v in p.items()}
        found = internal_vbe_from_ib(points.ib[solve], vce[solve], local, temp_C[solve])
        x[solve], y[solve] = found, found - vce[solve]
    return x, y


def raw_residuals(theta: np.ndarray, points: TransistorProblem):
    """Unweighted residuals of i_c and i_b, their derivatives, and their sensitivity to the measurements.

    Parameters
    ----------
    theta : ndarray (n, p)
        Coordinates.
    points : TransistorProblem

    Returns
    -------
    f1, f2 : ndarray (n, m)
        Compressed model current less compressed measured current, collector and base [1].
    d1, d2 : ndarray (n, p, m)
        Derivatives to the coordinates.
    measured : ndarray (2, 4, n, m)
        Derivatives of f1 and f2 to the measured v_be, v_ce [1/V], i_b, i_c [1/A].
    """
    value = np.exp(theta[:, :N_LOG])
    ib = points.ib - np.where(points.has_ib, theta[:, OFFSET_IB, None], 0.0)
    points = replace(points, ic=points.ic - theta[:, OFFSET_IC, None], ib=ib)
    power = np.abs(points.vce * points.ic)
    # the recorded temperature, its error, and self-heating
    temp = points.temp_C + theta[:, TEMP, None] + theta[:, RTH, None] * power
    p = parameters_at(FITTED, value, temp)
    points = _with_base_current(points, p, temp)
    x, y = _internal_voltages(points, p, temp)
    m = intrinsic(x, y, p, temp, log_derivatives=True)
    solved, blind = ~points.has_vbe, points.has_vbe & ~points.has_ib

    def moved(dx, dy) -> tuple[np.ndarray, np.ndarray]:
        """Changes of IC and IB with those of v_be and v_bc; solved, v_be stays and v_bc makes up for both."""
        dx, dy = np.where(solved, 0.0, dx), np.where(solved, dy - dx, dy)
        return m.ic_be * dx + m.ic_bc * dy, m.ib_be * dx + m.ib_bc * dy

    RE, RB, RC = (p[name] for name in ("RE", "RB", "RC"))
    by_log = [dict(m.ic_log), dict(m.ib_log)]  # terminal resistances included
    ie_drop, ib_drop = (points.ic + points.ib) * RE, points.ib * RB
    for name, dx, dy in (("RE", -ie_drop, 0.0), ("RB", -ib_drop, -ib_drop), ("RC", 0.0, points.ic * RC)):
        by_log[0][name], by_log[1][name] = moved(dx, dy)
    by = (1.0, 1.0), (0.0, -1.0), (-(RB + RE), -RB), (-RE, RC)
    measured = np.stack([moved(dx, dy) for dx, dy in by], axis=1)
    # Without v_be, i_b is met exactly, so every change of IB moves v_be and with it IC; without i_b it
    # moves i_b, and with that the drops.
    eliminate = np.where(solved, (m.ic_be + m.ic_bc) / (m.ib_be + m.ib_bc), 0.0)
    eliminate = np.where(blind, measured[0, 2] / (measured[1, 2] - 1.0), eliminate)
    measured[:, 2] = np.where(blind, 0.0, measured[:, 2])
    model_c, slope_c = _squash(m.ic, points.u_ic)
    data_c, own_c = _squash(points.ic, points.u_ic)
    model_b, slope_b = _squash(m.ib, points.u_ib)
    data_b, own_b = _squash(points.ib, points.u_ib)
    only = points.keep & points.has_vbe & points.has_ib
    f1, f2 = np.where(points.keep, model_c - data_c, 0.0), np.where(only, model_b - data_b, 0.0)
    d1, d2 = (_to_coordinates(value, temp, power, local) for local in by_log)
    # Self-heating makes the temperature itself a function of the measured power.
    for row, d in enumerate((d1, d2)):
        measured[row, 1] += d[:, TEMP] * theta[:, RTH, None] * points.ic
        measured[row, 3] += d[:, TEMP] * theta[:, RTH, None] * points.vce
    d1 -= d2 * eliminate[:, None]
    d1 *= (slope_c * points.keep)[:, None]
    d2 *= (slope_b * only)[:, None]
    measured[1, 2] -= np.where(solved, 1.0, 0.0)  # IB(x) - i_b, before it is eliminated
    measured[0] -= measured[1] * eliminate
    measured[0] *= slope_c
    measured[1] *= slope_b
    measured[0, 3] -= own_c
    measured[1, 2] -= np.where(solved, 0.0, own_b)
    for k, of in ((OFFSET_IC, 3), (OFFSET_IB, 2)):  # a current less its offset stands for the measured one
        d1[:, k], d2[:, k] = -measured[0, of] * points.keep, -measured[1, of] * only
    return f1, f2, d1, d2, measured


def _to_coordinates(value, temp_C, power, local):
    """Derivatives (n, p, m) of a current to the coordinates of the fit."""
    T = temp_C + ZERO_CELSIUS_K
    EG, XTB, NE = (value[:, AT[name], None] for name in ("EG", "XTB", "NE"))
    is_T = (EG / thermal_voltage(temp_C) + SILICON_XTI) / T
    d = np.zeros((value.shape[0], N_COORDINATES, T.shape[1]))
    d[:, :N_LOG] = np.moveaxis(chain_to_25C(FITTED, value, temp_C, local), -1, 1)
    d[:, TEMP] = (
        local["IS"] * is_T + local["ISE"] * (is_T / NE - XTB / T) + (local["BF"] + local["BR"]) * XTB / T
        + (local["NF"] + local["NE"] + local["NR"] + local["NC"]) / T
    )  # fmt: skip
    d[:, RTH] = d[:, TEMP] * power
    return d


def whitened(theta: np.ndarray, points: TransistorProblem) -> TransistorProblem:
    """The problem with the factors that make the raw residuals at `theta` independent, of unit variance."""
    u = np.stack([
        np.where(points.has_vbe, points.u_vbe, 0.0), points.u_vce,
        np.where(points.has_ib, points.u_ib, 0.0), points.u_ic,
    ])  # fmt: skip
    with np.errstate(all="ignore"):
        s = raw_residuals(theta, points)[-1] * u
        a11, a22, a12 = (s[0] ** 2).sum(0), (s[1] ** 2).sum(0), (s[0] * s[1]).sum(0)
        w11 = 1.0 / np.sqrt(a11)
        left = a22 - a12**2 / a11
        w22 = 1.0 / np.sqrt(np.maximum(left, 1e-12 * a22))
        w21 = -a12 / a11 * w22
    both = points.keep & points.has_vbe & points.has_ib
    good = np.isfinite(w11)
    return replace(points, whitening=np.stack([
        np.where(points.keep & good, w11, 0.0), np.where(both & good, w21, 0.0),
        np.where(both & good & np.isfinite(w22), w22, 0.0),
    ], axis=-1))  # fmt: skip
