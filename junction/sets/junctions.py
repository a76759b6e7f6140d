r"""What is known of two-lead parts at one current: V, its slope, and what of each is unsure.

Around a measured point a junction follows, forward or in breakdown,

.. math:: V(I) = V_0 + m \ln(I/I_0) + R_S (I - I_0),

with m = N kT/q forward.  A fitted sweep knows all three.  A reading at one current knows V_0 alone: m and R_S
are then drawn from what its family may have, mostly one value for all parts of a kind (which moves no
difference between them) and a little of each part's own.  Meter, test current and scale are one error for all
parts read with it.  Voltages are referred to 25 degC.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from math import isfinite, nan, sqrt

import numpy as np

from junction.base.records import plain_name
from junction.base.units import NORMAL_95, REFERENCE_TEMP_C, thermal_voltage
from junction.physics.temperature import SILICON_XTI, forward_voltage_slope
from junction.shelf.tables import Meter, families, rule
from junction.sweeps.derived import breakdown_at, dynamic_resistance, voltage_at_current
from junction.sweeps.results import SweepFits
from junction.sweeps.terms import RS, gap_of_voltage

#: Draws of what is not known of a bag; fewer of a very large one, so that arrays stay small.
DRAWS, _FEWEST_DRAWS, _DRAWS_TIMES_PARTS, _SEED = 1000, 300, 1_000_000, 2
#: Points of a part that count: the nearest to the working current.
_MOST_POINTS = 4


@dataclass(frozen=True)
class Point:
    """A voltage at a current, both positive on the side asked for, with standard uncertainties."""

    i_A: float
    v_V: float
    u_V: float  # of this reading alone
    shared_ln_i: float = 0.0  # of all readings of one meter: of ln I, and of V as a share of it
    shared_v: float = 0.0


@dataclass(frozen=True)
class TwoLead:
    """A diode, LED or Zener as it was measured; a fitted sweep, or points."""

    part: str
    type: str = ""
    family: str = ""  # key of the families table, '' not known
    registered: bool = False  # the family is that of its registered type
    temp_C: float = nan
    points: tuple[Point, ...] = ()
    sweep: int = -1  # row of the fits
    low_A: float = nan  # currents its data cover
    high_A: float = nan
    source: str = ""  # 'reading', 'points' or 'sweep'


@dataclass(frozen=True, eq=False)
class Known:
    """Parts at their working current: fitted values (n,) and draws (d, n), in volts at 25 degC.

    ``slope_V`` is the m of the law; ``read_V``, ``temp_V`` and ``step_V`` are standard uncertainties of a
    part beside the others: of its reading, its temperature, the step from the current it was read at.
    """

    current_A: np.ndarray
    v_V: np.ndarray
    slope_V: np.ndarray
    rs_ohm: np.ndarray
    drawn_v: np.ndarray
    drawn_slope: np.ndarray
    drawn_rs: np.ndarray
    read_V: np.ndarray
    temp_V: np.ndarray
    step_V: np.ndarray

    def take(self, index) -> Known:
        """Some of the parts."""
        return replace(self, **{f.name: getattr(self, f.name)[..., index] for f in fields(self)})

    @property
    def u_V(self) -> np.ndarray:
        """Standard uncertainty of each part beside the others [V]."""
        return np.sqrt(self.read_V**2 + self.temp_V**2 + self.step_V**2)


def draws_for(parts: int) -> int:
    """How many draws a bag of so many parts is given."""
    return int(np.clip(_DRAWS_TIMES_PARTS // max(parts, 1), _FEWEST_DRAWS, DRAWS))


def _family_range(parts: Sequence[TwoLead], reverse: bool) -> tuple[float, float, float, float]:
    """Least and most m [V], and most R_S [ohm], that parts of one kind may have; their spread as a share.

    What a voltage alone took for one family may be any other of the material that has such a voltage.
    """
    if reverse:
        return rule("zener_slope_low"), rule("zener_slope_high"), 0.0, rule("two_lead_apart")
    table = families()
    own = {p.family for p in parts if p.family in table}
    if not all(p.registered for p in parts):
        materials = {table[name].material for name in own}
        volts = [p.points[0].v_V for p in parts if p.points]
        middle = float(np.median(volts)) if volts else nan
        own |= {f.name for f in table.values() if f.device == "diode" and f.vf_low_V <= middle <= f.vf_high_V
                and (f.material in materials or not materials)}  # fmt: skip
    known = [table[name] for name in own] or [f for f in table.values() if f.device == "diode"]
    vt = float(thermal_voltage(REFERENCE_TEMP_C))
    most = rule("two_lead_rs_share") * max(f.rs_high_ohm for f in known)
    return vt * min(f.n_low for f in known), vt * max(f.n_high for f in known), most, rule("two_lead_n_apart")


def _temperature_slope(v_V, reverse: bool):
    """dV/dT at constant current [V/K]: of a junction, or of a breakdown by its voltage."""
    if reverse:
        return rule("zener_tc") * (v_V - rule("zener_tc_zero"))
    return forward_voltage_slope(v_V, REFERENCE_TEMP_C, gap_of_voltage(v_V), SILICON_XTI)


def at_current(
    parts: Sequence[TwoLead], fits: SweepFits | None, current_A: float, *, reverse: bool,
    u_temp_K: tuple[float, float], draws: int, seed: int = 0,
) -> Known:  # fmt: skip
    """Parts of one kind at one current.

    Parameters
    ----------
    parts : sequence of TwoLead
    fits : SweepFits or None
        Whose rows their ``sweep`` names.
    current_A : float
        Through each of them [A].
    reverse : bool
        In breakdown instead of forward.
    u_temp_K : (float, float)
        Standard uncertainty of one part's temperature against the next: recorded, and not [K].
    draws : int
    seed : int
        Of this kind, so that the order of the rows moves nothing.

    Returns
    -------
    Known
    """
    n = len(parts)
    rng = np.random.default_rng((_SEED, seed))
    common = rng.standard_normal((7, draws))  # one draw for all parts of the kind
    own = rng.standard_normal((4, draws, n))
    m_low, m_high, rs_most, apart = _family_range(parts, reverse)
    # rectangular over what the family may have, small resistances likelier; parts spread about it
    even = rng.uniform(size=(2, draws, 1))
    kind_m, kind_rs = m_low + (m_high - m_low) * even[0], rs_most * even[1] ** 2
    drawn_m = kind_m * (1 + apart * own[0])
    drawn_rs = kind_rs * np.exp(rule("two_lead_apart") * own[1])
    m, rs = np.full(n, 0.5 * (m_low + m_high)), np.full(n, rs_most / 3)
    v, drawn_v = np.empty(n), np.empty((draws, n))
    read, step = np.zeros(n), np.zeros(n)
    for k, p in enumerate(parts):
        if p.points:
            noise = rng.standard_normal((draws, _MOST_POINTS)) if len(p.points) > 1 else own[2][:, k, None]
            law, width = (m, rs, drawn_m, drawn_rs), (m_high - m_low, apart)
            v[k], drawn_v[:, k], read[k], step[k] = _from_points(p, current_A, law, k, width, common, noise)
    rows = [k for k, p in enumerate(parts) if not p.points]
    if rows:
        at = np.array([parts[k].sweep for k in rows])
        v[rows], u, m[rows], rs[rows] = _from_fits(fits, at, current_A, reverse)
        high = np.array([parts[k].high_A for k in rows])
        beyond = np.maximum(current_A - rule("current_reach") * high, 0.0)
        # what a sweep that ends below the current shows of R_S is no more than its fit says
        step[rows] = beyond * rule("two_lead_apart") * rs_most / 3
        read[rows] = u
        drawn_v[:, rows] = v[rows] + own[2][:, rows] * u + own[3][:, rows] * step[rows]
        drawn_m[:, rows], drawn_rs[:, rows] = m[rows], rs[rows]
    temp = np.array([p.temp_C for p in parts])
    recorded = np.isfinite(temp)
    slope = _temperature_slope(v, reverse)
    change = slope * np.where(recorded, REFERENCE_TEMP_C - temp, 0.0)
    temp_V = np.abs(slope) * np.where(recorded, *u_temp_K)
    all_K = rule("temp_u") if recorded.all() else rule("temp_u_missing")
    drawn_v += change + temp_V * rng.standard_normal((draws, n)) + slope * all_K * common[2][:, None]
    return Known(np.full(n, current_A), v + change, m, rs, drawn_v, np.maximum(drawn_m, 1e-3),
                 np.maximum(drawn_rs, 0.0), read, temp_V, step)  # fmt: skip


def _from_points(p: TwoLead, current_A: float, law, k: int, width, common, noise):
    """V at a current from one reading or a few: value, draws, and the uncertainties of reading and step."""
    m, rs, drawn_m, drawn_rs = law
    span, apart = width
    points = sorted(p.points, key=lambda x: (abs(np.log(x.i_A / current_A)), x.i_A, x.v_V))[:_MOST_POINTS]
    i, y, u = (np.array([getattr(x, name) for x in points]) for name in ("i_A", "v_V", "u_V"))
    shared_i = np.array([x.shared_ln_i for x in points])
    shared_v = np.array([x.shared_v for x in points])
    ln = np.log(i / current_A)
    drawn_ln = ln + shared_i * common[0][:, None]
    drawn_y = y * (1 + shared_v * common[1][:, None]) + u * noise[:, : len(points)]
    # points at two currents tell m themselves; at one it is that of the kind
    alone = np.ptp(ln) < np.log(rule("two_lead_two_currents"))
    u_m = apart * m[k] if alone else span / sqrt(12)

    def solve(ln, y, m0, rs0):
        """Least squares of (V at the current, m) with m near `m0`; rows are draws."""
        y = y - np.asarray(rs0)[..., None] * current_A * np.expm1(ln)
        w = 1 / u**2
        a, b, c = w.sum(), (w * ln).sum(-1), (w * ln * ln).sum(-1) + 1 / u_m**2
        d, e = (w * y).sum(-1), (w * ln * y).sum(-1) + m0 / u_m**2
        det = a * c - b * b
        return (c * d - b * e) / det, (a * e - b * d) / det

    value, m[k] = solve(ln, y, m[k], rs[k])
    drawn, drawn_m[:, k] = solve(drawn_ln, drawn_y, drawn_m[:, k] if alone else np.full(len(noise), m[k]),
                                 drawn_rs[:, k])  # fmt: skip
    reach = ln[0]
    own_rs = rule("two_lead_apart") * rs[k] * abs(current_A - i[0])
    step = np.hypot(reach * apart * m[k], own_rs) if alone else own_rs
    # a source that is off meets the slope of each
    source = float(shared_i[0] * (apart * m[k] if alone else 0.0))
    return value, drawn, float(np.hypot(u.min(), source)), float(step)


def _from_fits(fits: SweepFits, rows, current_A: float, reverse: bool):
    """V at a current, its standard uncertainty, m and R_S of fitted sweeps."""
    if reverse:
        v, low, _, slope = (x[rows] for x in breakdown_at(fits, current_A))
        return v, (v - low) / NORMAL_95, np.maximum(slope * current_A, 1e-3), np.zeros(len(v))
    v, u = (x[rows, 0] for x in voltage_at_current(fits, current_A))
    rs = np.maximum(np.nan_to_num(fits.theta[rows, RS]), 0.0)
    slope = dynamic_resistance(fits, current_A)[0][rows, 0] * current_A
    least = thermal_voltage(fits.temp_C[rows])
    student = np.nan_to_num(fits.quantile, nan=NORMAL_95)[rows] / NORMAL_95
    return v, u * student, np.maximum(slope - rs * current_A, least), rs


def meter_point(volts: float, meter: Meter) -> Point:
    """A diode-mode reading as a point: the meter's current, its digit, and what all its readings share.

    Half a digit to a standard uncertainty (JCGM 100:2008, F.2.2.1); limits of error are one meter's.
    """
    current = meter.test_current_A
    if isfinite(meter.resistance_ohm):
        current = max(meter.open_voltage_V - volts, 0.01 * meter.open_voltage_V) / meter.resistance_ohm
    return Point(current, volts, meter.resolution_V / sqrt(12), meter.current_spread / sqrt(3),
                 0.01 * meter.accuracy_percent / sqrt(3))  # fmt: skip


def kinds_of(parts: Sequence[TwoLead], volts: Mapping[str, float], reverse: bool) -> dict[str, list[int]]:
    """Parts of one kind, by what the kind is called: of one type, or unmarked and alike.

    Unmarked parts of one material are parted where neighbours in voltage lie further apart than parts of one
    kind do.

    Parameters
    ----------
    parts : sequence of TwoLead
    volts : mapping of str to float
        Voltage by part, at one current [V].
    reverse : bool
        In breakdown.

    Returns
    -------
    dict of str to list of int
        Rows by kind.
    """
    table = families()
    groups: dict[tuple[str, str], list[int]] = {}
    for k, p in enumerate(parts):
        own = table.get(p.family)
        material = "" if reverse or own is None else own.material
        groups.setdefault((plain_name(p.type), "" if p.type else material), []).append(k)
    found: dict[str, list[int]] = {}
    for (type_, _), rows in sorted(groups.items()):
        rows.sort(key=lambda k: (volts[parts[k].part], parts[k].part))
        start = 0
        for at in range(1, len(rows) + 1):
            last = at == len(rows)
            if not last:
                low, high = (volts[parts[rows[j]].part] for j in (at - 1, at))
                apart = high - low > rule("kind_gap") + rule("kind_gap_share") * low
            if last or (not type_ and apart):
                piece = rows[start:at]
                name = _called([parts[k] for k in piece], [volts[parts[k].part] for k in piece], reverse)
                found.setdefault(name, []).extend(piece)
                start = at
    return found


def _called(parts: Sequence[TwoLead], volts: Sequence[float], reverse: bool) -> str:
    if parts[0].type:
        return parts[0].type
    middle = float(np.median(volts))
    if reverse:
        return f"unmarked, about {middle:.2g} V"
    table = families()
    known = dict.fromkeys(table[p.family].called for p in parts if p.family in table)
    like = " or ".join(name.removesuffix(" junction") for name in known)
    return f"unmarked{', like a ' + like if like else ''}, about {middle:.2f} V"
