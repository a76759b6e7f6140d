"""Facts before models: what the points of a sweep show of a limit, whatever fits them.

A current that was logged at or below a limit's voltage is over it or not; more current at a lower voltage
already fails, and so does more voltage at a lower forward current.  A fit may explain the points, it does
not overrule them.

In reverse the points are taken as an envelope: of each point the least current of it and of all that lie
deeper, after single spikes and dropouts went (`Points`).  The outermost point stands as it was logged: what
carries more there is a breakdown, not an accident, but for sweeps whose other points jump as well.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from junction.base.records import SweepTable
from junction.base.units import REFERENCE_TEMP_C, thermal_voltage
from junction.judge.mixture import conformity, conformity_log
from junction.physics.temperature import leakage_factor
from junction.shelf.tables import rule
from junction.sweeps.results import SweepFits
from junction.verdict.points import JUNCTION, Points, of_each, scatter, sorted_points

_quiet = np.errstate(invalid="ignore", divide="ignore", over="ignore", under="ignore")


def blocking(table: SweepTable, ce: bool) -> SweepTable:
    """The sweeps, turned over where they block forward: a collector-emitter path with its base open."""
    return replace(table, v_V=-table.v_V, i_A=-table.i_A) if ce else table


def offset_of(fits: SweepFits, ce: bool) -> np.ndarray:
    """Offset of the ammeter as fitted (n,), of sweeps turned over likewise [A]; nan where none was."""
    return np.where(fits.flags["zero_offset"], fits.value["I0_A"], np.nan) * (-1.0 if ce else 1.0)


@_quiet
def reverse_points(table: SweepTable, rows: np.ndarray, offset_A: np.ndarray) -> SimpleNamespace:
    """Reverse currents of some sweeps, the ammeter's offset taken off.

    Parameters
    ----------
    table : SweepTable
    rows : ndarray of int (k,)
    offset_A : ndarray (k,)
        Offset of the ammeter as fitted [A], nan where none was.

    Returns
    -------
    namespace
        ``rows``.  ``size_V`` (k, m): reverse voltages, deepest first [V], nan where there is no such point;
        ``size_A``: the currents there, ``held_A``: what each and all deeper ones carry at the least [A].
        ``u_A`` (k,): standard uncertainty of a current near zero, that of the offset included [A].
    """
    p, near_zero = Points(table, rows), rule("points_near_zero")
    reverse = p.real & (p.v < -near_zero)
    # at zero volt a junction carries nothing: what flows there is the ammeter's
    first = np.abs(np.where(p.real, p.v, np.inf))
    nearest = first.min(axis=1, initial=np.inf)
    at_zero = np.nan_to_num(np.where(first <= nearest[:, None], p.i, 0.0)).sum(axis=1)
    at_zero /= np.maximum((first <= nearest[:, None]).sum(axis=1), 1)
    has_zero = nearest < rule("points_before_knee")
    offset = np.where(np.isfinite(offset_A), offset_A, np.where(has_zero, at_zero, 0.0))
    # another range has another offset: it may explain a current, it does not make one
    size = np.where(np.abs(offset[:, None] - p.i) < np.abs(p.i), offset[:, None] - p.i, -p.i)
    size = np.where(reverse, size, np.inf)
    # no point near zero volt and no offset fitted: half of what flows everywhere may be one
    least = np.abs(size).min(axis=1, initial=np.inf)
    blind = ~has_zero & np.isnan(offset_A) & np.isfinite(least)
    # of a current as it was logged: the outermost has no neighbours to lose a spike to
    logged_A = np.maximum(p.u_A, scatter(*sorted_points(table, rows))[0])
    u = np.hypot(logged_A, np.hypot(p.digit_A / np.sqrt(12.0), np.where(blind, 0.5 * least, 0.0)))
    held = np.where(reverse, np.minimum.accumulate(size, axis=1), -np.inf)
    return SimpleNamespace(rows=rows, size_V=np.where(reverse, -p.v, np.nan), size_A=size, held_A=held, u_A=u)


@_quiet
def shown_at(found: SimpleNamespace, volts: np.ndarray, limit_A: np.ndarray):
    """Largest current that points at or below some voltages show.

    Parameters
    ----------
    found : namespace
        Of `reverse_points`, k sweeps.
    volts, limit_A : ndarray (k, f)
        Voltages of the limits, positive [V], and the limits [A].

    Returns
    -------
    current_A, at_V, most_A : ndarray (k, f)
        The current [A], 0 where no point lies there, and its voltage [V]; the most that any of them carries.
    alone, soft : ndarray of bool (k, f)
        It is over the limit in the outermost point of the sweep and in no other; it rises there faster than
        through any path, as the soft knee of a breakdown does.
    """
    within = rule("facts_voltage")
    current, most, at = np.zeros(volts.shape), np.zeros(volts.shape), np.full(volts.shape, np.nan)
    alone, soft = np.zeros((2, *volts.shape), bool)
    row = np.arange(len(volts))
    next_A = found.held_A[:, 1] if found.held_A.shape[1] > 1 else np.full(len(volts), -np.inf)
    for f in range(volts.shape[1]):
        inside = found.size_V <= within * volts[:, f, None]
        there = inside.any(axis=1)
        most[:, f] = np.where(inside, np.abs(found.size_A), 0.0).max(axis=1)
        deepest = np.argmax(inside, axis=1)
        current[:, f] = np.where(there, np.maximum(found.held_A[row, deepest], 0.0), 0.0)
        at[:, f] = np.where(there, found.size_V[row, deepest], np.nan)
        alone[:, f] = there & (deepest == 0) & (next_A <= limit_A[:, f]) & (current[:, f] > limit_A[:, f])
        before = (found.size_V <= 0.7 * at[:, f, None]) & (found.size_V > 0.3 * at[:, f, None])
        earlier = found.held_A[row, np.argmax(before, axis=1)]
        soft[:, f] = before.any(axis=1) & (current[:, f] > 3.0 * np.maximum(earlier, 0.0))
    return current, at, most, alone, soft


@_quiet
def breaks_at(found: SimpleNamespace, bar_A: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Voltage from which a breakdown carries some current, read off the points.

    A breakdown and not a leak: the current has risen four times faster than the voltage.

    Parameters
    ----------
    found : namespace
        Of `reverse_points`, k sweeps.
    bar_A : ndarray (k,)
        The current [A].

    Returns
    -------
    bv_V, u_V : ndarray (k,)
        [V], nan where none is shown; half the step to the point before it counts as uncertainty.
    """
    beyond = found.held_A >= bar_A[:, None]
    count = beyond.sum(axis=1)
    row, last = np.arange(len(count)), np.maximum(count - 1, 0)
    before = np.minimum(count, found.size_V.shape[1] - 1)
    v, v_before = found.size_V[row, last], np.nan_to_num(found.size_V[row, before])
    i, i_before = found.held_A[row, last], np.maximum(found.held_A[row, before], 0.0)
    v_before = np.where(before > last, v_before, 0.0)
    steep = i > 4.0 * i_before * v / np.maximum(v_before, 1e-3 * v)
    steep |= (i_before <= 0) & (before > last) & (v_before > 0)
    deeper = found.held_A[:, 0] > 4.0 * i * found.size_V[:, 0] / v  # it goes on rising so
    seen = (count > 0) & (steep | deeper) & (v_before > 0.3 * v)
    middle, half = 0.5 * (v + v_before), 0.5 * (v - v_before)
    return np.where(seen, middle, np.nan), np.where(seen, half, np.nan)


@_quiet
def forward_over(table: SweepTable, limit_V, at_A, beside_ohm) -> np.ndarray:
    """Forward voltage beyond a limit that two points or more show, at or below the current of the limit.

    Parameters
    ----------
    table : SweepTable
        n sweeps.
    limit_V, at_A : ndarray (n,)
        Largest forward voltage of a healthy junction [V] and the current it holds at [A]; nan where none is.
    beside_ohm : ndarray (n,)
        Resistance that may stand in series with it in a sweep (leads, base) [ohm].

    Returns
    -------
    ndarray (n,)
        The most that is left after the drop across `beside_ohm` [V]; -inf where nothing is over it.
    """
    limit, most, ohm = (np.repeat(x, np.diff(table.starts)) for x in (limit_V, at_A, beside_ohm))
    i, here = table.i_A, (table.i_A > rule("facts_share") * most) & (table.i_A <= 1.02 * most)
    over = np.where(here, table.v_V - i * ohm - limit, -np.inf)
    twice = of_each(table, np.add, (over > 0).astype(float), 0.0) >= 2
    return np.where(twice, of_each(table, np.fmax, over, -np.inf), -np.inf)


@_quiet
def hold_series(table: SweepTable, m: SimpleNamespace, w: SimpleNamespace) -> None:
    """Hold what stands in series with the junction, and its forward voltage, to the limits; left in `w`.

    A registered forward voltage less that of the junction alone leaves a drop for the resistance inside: of a
    diode at the current itself, of a base at the base current that goes with it.
    """
    n, row = len(table), np.arange(len(table))
    w.inside_from = np.full(n, "", object)
    w.inside_ohm = np.tile(w.of.rs_high_ohm + rule("sweep_leads"), (n, 1))
    w.rs_ohm, w.rs_u_ln = m.rs_ohm.copy(), m.rs_u_ln
    limit_V, at_A = np.full((2, n), np.nan)
    amps, leads = w.of.vf_at_A[w.family], rule("sweep_leads")
    alone_V, per_e = w.vf_V[row, w.family] - m.rs_ohm * amps, m.n * thermal_voltage(REFERENCE_TEMP_C)
    for rows, limits in w.forward:
        for volts, at, inside_A, words in limits:
            left = volts - alone_V[rows] - per_e[rows] * np.log(at / amps[rows])
            ohm = leads + np.fmax(left, rule("facts_drop") * volts) / inside_A
            diode = table.junction[rows[0]] == "AK"
            if diode:  # of a base the drop at a small current says little: the family's limit stands beside
                w.inside_ohm[rows] = np.where(np.isfinite(limit_V[rows]), w.inside_ohm[rows].T, np.inf).T
            tighter = ohm < w.inside_ohm[rows, w.family[rows]]
            at_rows = np.array(rows)[tighter]
            w.inside_from[at_rows] = words
            w.inside_ohm[rows] = np.minimum(w.inside_ohm[rows], ohm[:, None])
            limit_V[rows], at_A[rows] = volts, at
    own = w.inside_ohm[row, w.family]
    over = forward_over(table, limit_V, at_A, own)
    shown = over > rule("facts_over_V")
    w.rs_ohm = np.where(shown, np.maximum(w.rs_ohm, own + over / m.i_high_A), w.rs_ohm)
    # The bend at the top of a sweep is not known better than some millivolt; a fault is rarer than that.
    w.rs_u_ln = np.hypot(w.rs_u_ln, rule("sweep_inside_V") / np.maximum(m.i_high_A * w.rs_ohm, 1e-12))
    u = np.maximum(w.rs_ohm, 1e-9) * w.rs_u_ln
    ok = conformity(w.rs_ohm[:, None], u[:, None], high=w.inside_ohm)
    sound, faulty = (w.weight * ok).sum(axis=1), (w.weight * (1.0 - ok)).sum(axis=1)
    w.conducts = sound / (sound + rule("sweep_prior_inside") * faulty)
    w.conducts[m.ce | (m.kind != JUNCTION)] = 1.0


@_quiet
def hold_reverse(table: SweepTable, fits: SweepFits, m: SimpleNamespace, w: SimpleNamespace) -> None:
    """Hold the reverse currents that were logged to the limits; where they tell, no model is asked."""
    w.leak_V, (w.alone, w.soft) = np.array(w.limit_V), np.zeros((2, *w.limit_V.shape), bool)
    own = w.prior > 0
    reached = np.where(m.ce, m.v_high_V, -m.v_low_V)[:, None] >= rule("facts_reached") * w.limit_V
    asked = (m.reverse_A > np.where(own, w.limit_A, np.inf).min(axis=1))
    asked |= (own & reached & (w.kept < 1.0)).any(axis=1)
    for ce in (False, True):
        rows = np.flatnonzero(asked & (m.ce == ce))
        if not rows.size:
            continue
        found = reverse_points(blocking(table, ce), rows, offset_of(fits, ce)[rows])
        limit, model = w.limit_A[rows], w.kept[rows]
        amps, volts, most, alone, soft = shown_at(found, w.limit_V[rows], limit)
        # a path has no such law: one that was cold is not raised by it
        warm = np.maximum(leakage_factor(m.temp_C[rows], REFERENCE_TEMP_C, rule("leakage_doubling")), 1.0)
        u_ln, noise_A = rule("sweep_gain_u"), rule("points_seen") * found.u_A[:, None]
        # what all points keep, a dropout among them or not
        keeps = conformity_log(most / warm[:, None], u_ln, high=limit)
        clear = (keeps >= 0.5) & reached[rows] & ~m.reverse_blind[rows, None]
        clear &= volts >= rule("facts_reached") * w.limit_V[rows]
        amps = np.where(clear, most, amps) / warm[:, None]
        kept = np.where(clear, keeps, conformity_log(np.maximum(amps - noise_A, 0.0), u_ln, high=limit))
        w.alone[rows] = alone = alone & fits.flags["outliers"][rows, None]
        kept = np.where(alone, np.maximum(kept, rule("facts_alone")), kept)
        tells = clear | (kept < np.maximum(model, 1.0 - rule("conformity_good")))
        w.soft[rows] = soft & tells
        w.kept[rows] = np.where(tells, kept, model)
        # where both say the same, the model knows the current better than one point
        same = np.abs(np.log(amps / w.leak_A[rows])) < rule("facts_same")
        same &= volts >= rule("facts_reached") * w.limit_V[rows]
        tells &= ~same & (~clear | (model < 0.5))
        for name, value in (("leak_A", amps), ("leak_u_ln", u_ln), ("leak_V", volts)):
            getattr(w, name)[rows] = np.where(tells, value, getattr(w, name)[rows])
