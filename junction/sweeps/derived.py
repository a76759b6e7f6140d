"""The fitted curves: voltage and current, what follows from them with its uncertainty, and points to draw.

Functions of a whole `SweepFits` take currents or voltages that broadcast to (n, q), n sweeps.
Uncertainties are first order in the coordinates of the fit, whose covariance includes the scaling by chi2.
"""

from __future__ import annotations

import numpy as np

from junction.base.records import Interval, SweepTable
from junction.base.units import NORMAL_95, REFERENCE_TEMP_C, ZERO_CELSIUS_K, nominal, thermal_voltage
from junction.physics import junction as law
from junction.physics.temperature import SILICON_XTI
from junction.shelf.tables import rule
from junction.sweeps.results import IBV_A, MODELS, SweepFits, SweepPlot
from junction.sweeps.sense import Noise, floors
from junction.sweeps.terms import AB, AR, BR, I0, RS, RZ, WIDTH, A, B, G, curve, gap_of_voltage

#: Coordinates that make a term do nothing.
_ABSENT = np.array([np.log(1e-60), 1.0, 0.0, 0.0, -np.inf, 0.5, 0.0, -np.inf, 1.0, 0.0])
_JUNCTION = np.array([m.startswith("junction") for m in MODELS])
_CURVE = np.array([m not in ("none", "open") for m in MODELS])
_TWO_SLOPES = np.array(["recombination" in m for m in MODELS])
#: Where derived values are given: decades of current [A] and round reverse voltages [V].
_FORWARD_A = np.array([1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 0.1, 1.0, 10.0])
_ROUND_A = np.array([m * 10.0**k for k in range(-6, 1) for m in (1, 2, 5)])
_REVERSE_V = -np.array([1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0])
#: The drawn curve: points to begin with, how often stretches between points are cut in four, and how far the
#: curve may leave the straight line there, as a share of the height of a panel (a quarter of a point).
_CURVE_POINTS, _QUARTERINGS, _STRAIGHT = 25, 7, 2e-3
#: Newton's steps to the voltage of a breakdown current; convex, so that each halves what is left at least.
_NEWTON = 30
#: A sweep of more points than this is thinned for drawing: a page cannot show more.
MOST_POINTS = 400


def _arguments(theta, temp_C):
    """Keyword arguments of the physics functions, columns (n, 1); absent terms at their neutral value.

    Without the series resistance.
    """
    a, b, _, g, ar, br, i0, ab, bb, _ = np.where(np.isfinite(theta), theta, _ABSENT).T[:, :, None]
    temp_C = np.asarray(temp_C)[:, None]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        return {
            "IS_A": np.exp(a), "N": 1 / b, "IPH_A": -i0,
            "RSH_ohm": np.where(g > 0, 1 / g, np.inf), "ISR_A": np.exp(ar), "NR": 1 / br, "NBV": 1 / bb,
            "BV_V": (np.log(IBV_A) - ab) * thermal_voltage(temp_C) / bb, "IBV_A": IBV_A, "temp_C": temp_C,
        }  # fmt: skip


def voltage_of(theta, temp_C, i_A):
    """Terminal voltage at given currents, and its derivatives.

    Parameters
    ----------
    theta : ndarray (n, 10)
        In `terms.COORDINATES`.
    temp_C : ndarray (n,)
        [degC].
    i_A : ndarray (n, q)
        [A].

    Returns
    -------
    v : ndarray (n, q)
        [V]; nan where the curve never carries that current.
    by : ndarray (n, 10, q)
        dv/dtheta.
    slope : ndarray (n, q)
        dv/di [ohm].
    """
    bends = ~(np.isnan(theta[:, A]) & np.isnan(theta[:, AB]))  # the others are a straight line or a constant
    broken = np.isfinite(theta[:, RZ]) & (i_A < 0).any(1)
    with np.errstate(divide="ignore", invalid="ignore"):
        x = (i_A - np.nan_to_num(theta[:, I0, None])) / theta[:, G, None]
        if bends.any():
            x[bends] = law.voltage(i_A[bends], **_arguments(theta[bends], temp_C[bends]))
        x[~np.isfinite(x)] = np.nan
        _, g, by = curve(theta, thermal_voltage(temp_C), x)
        by /= -g[:, None, :]
        rs = np.nan_to_num(theta[:, RS, None])
        by[:, RS] = np.where(np.isfinite(theta[:, RS, None]), i_A, 0.0)
        v, slope = x + rs * i_A, 1 / g + rs
        if broken.any():
            part, reverse = theta[broken], i_A[broken] < 0
            # the leak lies across the branch and its resistance: from a start without it, Newton's steps
            at = np.where(reverse, x[broken] + part[:, RZ, None] * i_A[broken], -1.0)
            for _ in range(_NEWTON):
                i, back, conductance = current_of(part, temp_C[broken], at)
                step = (i - i_A[broken]) / conductance
                at = np.minimum(at - step, 0.0)
                if not np.any(np.abs(step) > 1e-12 * np.abs(at), where=reverse):
                    break
            v[broken] = np.where(reverse, at, v[broken])
            slope[broken] = np.where(reverse, 1 / conductance, slope[broken])
            by[broken] = np.where(reverse[:, None], -back / conductance[:, None], by[broken])
        return v, by, slope


def current_of(theta, temp_C, v_V):
    """Terminal current at given voltages, and its derivatives.

    Parameters
    ----------
    theta : ndarray (n, 10)
    temp_C : ndarray (n,)
    v_V : ndarray (n, q)
        [V].

    Returns
    -------
    i : ndarray (n, q)
        [A].
    by : ndarray (n, 10, q)
        di/dtheta.
    slope : ndarray (n, q)
        di/dv [S].
    """
    bends = ~(np.isnan(theta[:, A]) & np.isnan(theta[:, AB]))
    out, x = np.full(v_V.shape, np.nan), np.array(v_V, float)
    own = (v_V < 0) & np.isfinite(theta[:, RZ, None])  # where RZ stands for RS, and the leak beside both
    rs = np.maximum(np.nan_to_num(np.where(own, theta[:, RZ, None], theta[:, RS, None])), 0.0)
    if bends.any():
        given = _arguments(theta[bends], temp_C[bends])
        given["RSH_ohm"] = np.where(own[bends], np.inf, given["RSH_ohm"])
        out[bends] = law.current(v_V[bends], RS_ohm=rs[bends], **given)
        x[bends] -= rs[bends] * out[bends]
    f, g, by = curve(theta, thermal_voltage(temp_C), x)
    conductance = np.nan_to_num(theta[:, G, None])
    g -= np.where(own, conductance, 0.0)
    # a shunt estimate below zero is not in the law's parameters: add it to first order
    negative = np.where(own, 0.0, np.minimum(conductance, 0.0)) * x
    h = 1 + rs * np.maximum(g, 0.0)
    out = np.where(bends[:, None], out + negative / h, f)
    by /= h[:, None, :]
    moved = -g * out / h
    by[:, RS] = np.where(~own & np.isfinite(theta[:, RS, None]), moved, 0.0)
    by[:, RZ], by[:, G] = np.where(own, moved, 0.0), np.where(own, v_V, by[:, G])
    out, slope = out + np.where(own, conductance * v_V, 0.0), g / h + np.where(own, conductance, 0.0)
    return out, by, slope


def _known(fits: SweepFits, which, value, u):
    """Value and uncertainty where the model is among `which` and the curve has such a point."""
    value = np.where(which[fits.model][:, None], value, np.nan)
    return value, np.where(np.isnan(value), np.nan, u)


def _columns(fits: SweepFits, at):
    return np.broadcast_to(np.asarray(at, float), np.broadcast_shapes(np.shape(at), (len(fits), 1)))


def _spread(fits: SweepFits, by):
    """Standard uncertainty from derivatives (n, 10, q)."""
    by = np.nan_to_num(by)
    with np.errstate(over="ignore", invalid="ignore"):  # volts past a breakdown: nothing is known there
        inner = np.matmul(fits.theta_covariance, by)
        return np.sqrt(np.maximum((by * inner).sum(1), 0.0))


def _numeric_spread(fits: SweepFits, function):
    """Standard uncertainty by central differences of a hundredth of a standard uncertainty."""
    u = np.sqrt(np.maximum(np.einsum("nii->ni", fits.theta_covariance), 0.0))
    by = []
    with np.errstate(all="ignore"):
        for k in range(WIDTH):
            h = np.where(np.arange(WIDTH) == k, 0.01 * u, 0.0)
            by.append((function(fits.theta + h) - function(fits.theta - h)) / (0.02 * u[:, k, None]))
    return _spread(fits, np.stack([np.where(np.isfinite(b), b, 0.0) for b in by], axis=1))


def voltage_at_current(fits: SweepFits, i_A):
    """Terminal voltage at a current.

    Parameters
    ----------
    fits : SweepFits
    i_A : float or ndarray
        Current into the p side [A].

    Returns
    -------
    v_V, u_V : ndarray (n, q)
        Voltage and standard uncertainty [V]; nan where the curve never carries the current (an open, a
        reverse current beyond saturation) or there is no fit.
    """
    v, by, _ = voltage_of(fits.theta, fits.temp_C, _columns(fits, i_A))
    return _known(fits, _CURVE, v, _spread(fits, by))


def voltage_at_current_25C(fits: SweepFits, i_A):
    """Terminal voltage at a current, referred to 25 degC.

    IS goes by the SPICE law with the gap that the voltage at 1 mA suggests,
    IS(T) = IS (T/T0)^(XTI/N) exp(EG/(N VT) (T/T0 - 1)), and ISR the same with NR.  Resistances stay.

    Parameters
    ----------
    fits : SweepFits
    i_A : float or ndarray
        [A].

    Returns
    -------
    v_V, u_V : ndarray (n, q)
        [V]; the uncertainty holds that of the junction's temperature.
    """
    i = _columns(fits, i_A)
    eg = gap_of_voltage(voltage_at_current(fits, 1e-3)[0])
    kelvin, vt = REFERENCE_TEMP_C + ZERO_CELSIUS_K, thermal_voltage(REFERENCE_TEMP_C)
    ratio = kelvin / (fits.temp_C + ZERO_CELSIUS_K)
    growth = SILICON_XTI * np.log(ratio) + eg[:, 0] / vt * (ratio - 1)
    theta = fits.theta.copy()
    for a, b in ((A, B), (AR, BR)):
        theta[:, a] += growth * theta[:, b]
    v, by, _ = voltage_of(theta, np.full(len(fits), REFERENCE_TEMP_C), i)
    for a, b in ((A, B), (AR, BR)):  # N enters the shifted ln IS as well
        by[:, b] += by[:, a] * growth[:, None]
    v_j = v - np.nan_to_num(theta[:, RS, None]) * i
    slope = np.where(_JUNCTION[fits.model][:, None], (v_j - eg - SILICON_XTI * vt) / kelvin, 0.0)
    return _known(fits, _CURVE, v, np.hypot(_spread(fits, by), slope * fits.temp_u_K[:, None]))


def current_at_voltage(fits: SweepFits, v_V):
    """Terminal current at a voltage, reverse voltages included.

    Parameters
    ----------
    fits : SweepFits
    v_V : float or ndarray
        Voltage of the p side against the n side [V].

    Returns
    -------
    i_A, u_A : ndarray (n, q)
        Current and standard uncertainty [A]; nan without a fit.  For an open it is the offset.
    """
    i, by, _ = current_of(fits.theta, fits.temp_C, _columns(fits, v_V))
    return _known(fits, np.arange(len(MODELS)) > 0, i, _spread(fits, by))


def dynamic_resistance(fits: SweepFits, i_A):
    """Slope dv/di at a current.

    Parameters
    ----------
    fits : SweepFits
    i_A : float or ndarray
        [A].

    Returns
    -------
    r_ohm, u_ohm : ndarray (n, q)
        [ohm].
    """

    def slope(theta):
        return voltage_of(theta, fits.temp_C, _columns(fits, i_A))[2]

    return _known(fits, _CURVE, slope(fits.theta), _numeric_spread(fits, slope))


def ideality_against_current(fits: SweepFits, i_A):
    """Ideality of the junction itself, (dv_j/d ln i)/VT, at a current.

    Series resistance and shunt are taken off; with one exponential it is N, with two it goes from NR to N.

    Parameters
    ----------
    fits : SweepFits
    i_A : float or ndarray
        Forward current through the junction [A].

    Returns
    -------
    n, u_n : ndarray (n, q)
        [1]; nan where there is no junction.
    """
    vt = thermal_voltage(fits.temp_C)

    def local(theta):
        alone = theta.copy()
        alone[:, [G, RS, I0]] = np.where(np.isnan(theta[:, [G, RS, I0]]), np.nan, 0.0)
        f, g, _ = curve(alone, vt, voltage_of(alone, fits.temp_C, _columns(fits, i_A))[0])
        total = f + np.nan_to_num(np.exp(theta[:, A, None])) + np.nan_to_num(np.exp(theta[:, AR, None]))
        with np.errstate(divide="ignore", invalid="ignore"):
            return total / (g * vt[:, None])

    with np.errstate(invalid="ignore"):
        return _known(fits, _JUNCTION, local(fits.theta), _numeric_spread(fits, local))


def breakdown_at(fits: SweepFits, i_A):
    """Breakdown voltage of every junction at its test current, and the slope there.

    Parameters
    ----------
    fits : SweepFits
    i_A : float or ndarray (n,)
        Reverse current, without its sign [A].

    Returns
    -------
    v_V, low_V, high_V : ndarray (n,)
        Reverse voltage without its sign, and its 95 % interval [V]; nan where no breakdown was seen.
    r_ohm : ndarray (n,)
        Dynamic resistance dV/dI there [ohm].
    """
    i = np.broadcast_to(-np.abs(np.asarray(i_A, float)), len(fits))[:, None]
    with np.errstate(all="ignore"):  # a fit without a breakdown may hold anything
        value, by, slope = voltage_of(fits.theta, fits.temp_C, i)
        spread = _spread(fits, by)[:, 0]
    there = np.isfinite(fits.theta[:, AB]) & np.isfinite(value[:, 0])
    v = np.where(there, -value[:, 0], np.nan)
    far = np.nan_to_num(fits.quantile, nan=NORMAL_95) * spread
    return v, v - far, v + far, np.where(there, slope[:, 0], np.nan)


def derived_values(table: SweepTable, fits: SweepFits) -> list[dict[str, Interval]]:
    """Voltages at decades of current, reverse current, slope and ideality with their 95 % intervals.

    Each inside the range the sweep covered and nowhere else.

    Parameters
    ----------
    table : SweepTable
    fits : SweepFits
        Of that table.

    Returns
    -------
    list of dict of str to Interval
        One mapping a sweep; empty where nothing holds.
    """
    out: list[dict[str, Interval]] = [{} for _ in range(len(table))]
    if not out:
        return out

    def put(names, known, where, unit):
        value, u = known
        half = np.nan_to_num(fits.quantile, nan=NORMAL_95)[:, None] * u
        for k, j in np.argwhere(where & np.isfinite(value) & np.isfinite(half)).tolist():
            x, h = float(value[k, j]), float(half[k, j])
            out[k][names[j]] = Interval(x, x - h, x + h, unit)

    forward = fits.used & (table.i_A > 0) & (table.v_V > 0)
    starts = table.starts[:-1]
    lowest = np.minimum.reduceat(np.where(forward, table.i_A, np.inf), starts)[:, None]
    highest = np.maximum.reduceat(np.where(forward, table.i_A, 0.0), starts)[:, None]
    deepest = np.minimum.reduceat(np.where(fits.used, table.v_V, np.inf), starts)[:, None]
    sound = (fits.flags["converged"] & ~fits.flags["unphysical"])[:, None]  # of a failed fit nothing follows
    words, main = [nominal(amps, "A") for amps in _FORWARD_A], rule("fit_main_current")
    whole = _JUNCTION[fits.model][:, None] & sound
    seen = (lowest <= _FORWARD_A) & (highest >= _FORWARD_A) & whole
    put([f"V at {w}" for w in words], voltage_at_current(fits, _FORWARD_A), seen, "V")
    at_main = (lowest <= main) & (highest >= main) & whole
    put([f"V at {nominal(main, 'A')}, 25 °C"], voltage_at_current_25C(fits, main), at_main, "V")
    put([f"dV/dI at {nominal(main, 'A')}"], dynamic_resistance(fits, main), at_main, "ohm")
    bent = _TWO_SLOPES[fits.model][:, None]
    if bent.any():
        put([f"N at {w}" for w in words], ideality_against_current(fits, _FORWARD_A), seen & bent, "")
    # the breakdown at the largest round current that was reached
    reached = np.maximum.reduceat(np.where(fits.used & (table.v_V < 0), -table.i_A, 0.0), starts)
    at = np.where(_ROUND_A <= reached[:, None], _ROUND_A, 0.0).max(1)
    broken = np.flatnonzero(np.isfinite(fits.theta[:, AB]) & sound[:, 0] & (at > 0))
    if broken.size:
        v, low, high, r = breakdown_at(fits, np.where(at > 0, at, IBV_A))
        for k in broken[np.isfinite(v[broken])].tolist():
            amps = nominal(at[k], "A")
            out[k][f"V at -{amps}"] = Interval(-float(v[k]), -float(high[k]), -float(low[k]), "V")
            out[k][f"dV/dI at -{amps}"] = Interval(float(r[k]), unit="ohm")
    inside = deepest <= _REVERSE_V
    last = np.maximum(inside.sum(1, keepdims=True) - 1, 0)  # the deepest round voltage that was reached
    chosen = inside & (np.arange(_REVERSE_V.size) == last) & sound
    put([f"I at {v:g} V" for v in _REVERSE_V], current_at_voltage(fits, _REVERSE_V), chosen, "A")
    return out


def sweep_plot(table: SweepTable, fits: SweepFits, k: int, noise: Noise | None = None) -> SweepPlot:
    """Points and fitted curve of sweep `k`, ready to draw.

    Parameters
    ----------
    table : SweepTable
    fits : SweepFits
        Of the whole table.
    k : int
    noise : Noise, optional
        As given to `fit_sweeps`; without it the residuals are in terms of the components found there.
    """
    points = table.points(k)
    v, i, used = table.v_V[points], table.i_A[points], fits.used[points]
    step = max(1, -(-v.size // MOST_POINTS))
    grid, curve_A, nothing = np.empty(0), np.empty(0), np.full(v.size, np.nan)
    residual, u_A, low, high = nothing, nothing.copy(), grid, grid
    if fits.model[k]:
        theta, temp_C = fits.theta[k : k + 1], fits.temp_C[k : k + 1]

        def current(at):
            return current_of(theta, temp_C, at[None])

        grid = _where_it_bends(lambda at: current(at)[0][0], v[::step], i)
        model, by, slope = current(np.concatenate([grid, v]))
        inner = np.nan_to_num(by[:, :, : grid.size])
        far = np.einsum("niq,nij,njq->q", inner, fits.theta_covariance[k : k + 1], inner)
        half = np.nan_to_num(fits.quantile[k], nan=NORMAL_95) * np.sqrt(np.maximum(far, 0.0))
        curve_A, model, slope = model[0, : grid.size], model[0, grid.size :], slope[0, grid.size :]
        low, high = curve_A - half, curve_A + half
        parts = np.nan_to_num(fits.noise[k])
        if noise is None:
            parts[:2] = np.maximum(parts[:2], floors()[:2] ** 2)
        ui2, uv2 = parts[0] + parts[2] * model**2, parts[1]
        if noise is not None:
            uv2, ui2 = uv2 + noise.variances(v, 0.0)[0], ui2 + noise.variances(0.0, model)[1]
        u_A[used] = np.sqrt(ui2 + slope**2 * uv2)[used]
        residual[used] = (i[used] - model[used]) / u_A[used]
    return SweepPlot(
        table.part[k], table.junction[k], v[::step], i[::step], used[::step], grid, curve_A, residual[::step],
        fits.model_name(k), u_A[::step], low, high, table.type[k], float(fits.temp_C[k]),
    )  # fmt: skip


def _where_it_bends(current, v_V, i_A):
    """Voltages to draw a curve through: every one of the points, and between them as many as its bends need.

    A stretch is cut in four while it is off the straight line between its ends in any of the panels it is
    drawn in: current of either sign over its range, and its logarithm over that of the points.
    """
    size = np.abs(i_A)
    floor = max(float(size[size > 0].min(initial=1.0)), 1e-18) / 10
    heights = [max(float((sign * i_A).max()), floor) for sign in (1.0, -1.0)]
    decades = max(np.log10(max(heights) / floor), 1.0)

    def panels(i):
        held = (np.clip(sign * i, -0.1 * h, 1.1 * h) / h for sign, h in zip((1, -1), heights, strict=True))
        return np.stack([*held, np.log10(np.clip(np.abs(i), floor, 2 * max(heights))) / decades])

    x = np.unique(np.concatenate([v_V, np.linspace(v_V.min(), v_V.max(), _CURVE_POINTS)]))
    i, quarters = current(x), np.array([[0.25], [0.5], [0.75]])
    for _ in range(_QUARTERINGS):
        between = x[:-1] + quarters * np.diff(x)
        at = current(between.ravel())
        drawn = panels(i)[:, None]
        straight = drawn[..., :-1] + quarters * np.diff(drawn)
        off = np.abs(panels(at).reshape(straight.shape) - straight).max((0, 1))
        split = (off > _STRAIGHT) & (np.diff(x) > 1e-9 * np.abs(x).max())
        if not split.any():
            break
        x = np.concatenate([x, between[:, split].ravel()])
        i = np.concatenate([i, at.reshape(between.shape)[:, split].ravel()])
        order = np.argsort(x, kind="stable")
        x, i = x[order], i[order]
    return x
