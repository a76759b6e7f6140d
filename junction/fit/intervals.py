"""How far to trust the fits of a block: intervals, one-sided limits, errors that all points share.

The curvature at the minimum gives an interval, scaled for the noise as found.  Where that says too little,
the end of the interval for a coordinate c is where chi2, minimised over all other coordinates, has risen by
q^2 (Venzon and Moolgavkar, Applied Statistics 37:87, 1988): for a parabola the same as q standard
uncertainties to either side.

Errors of the instruments' scale and of the junction's temperature do not average out with more points, so
they are not part of the weights.  To first order each moves the coordinates along one direction.

A conductance or series resistance whose interval holds zero is not a number the data can give: it becomes
a one-sided limit (`RS < x`, `RSH > x`), the far end of the same interval.
"""

from __future__ import annotations

import numpy as np

from junction.base.constants import ZERO_CELSIUS_K, thermal_voltage
from junction.fit.block import ALL, Block
from junction.fit.choose import is_poor
from junction.fit.lsq import student_t
from junction.fit.results import IBV_A
from junction.fit.sense import hidden_by_rounding, highest, lowest, step_in
from junction.fit.terms import AB, AR, BB, BR, CODE, I0, LOWER, RS, SETS, UPPER, WIDTH, A, B, G
from junction.physics.temperature import SILICON_EG_EV, SILICON_XTI
from junction.shelf.rules import rule

#: Secant steps to the end of a profile, and how near to q sqrt(rise) must come to be it.
_STEPS, _CLOSE = 5, 5e-3
_HELD = dict(max_iterations=20, decrease_tol=1e-4)
#: Uncertainty of an exponential's logarithm at the point that carries it, beyond which it is not linear.
CURVED = 0.05
#: Parameters whose logarithms `SweepFits.covariance` covers, in its order.
LOGARITHMIC = ("IS_A", "N", "RS_ohm", "RSH_ohm", "ISR_A", "NR", "BV_V", "NBV")
_COORDINATE = {
    "IS_A": A, "N": B, "RS_ohm": RS, "RSH_ohm": G, "ISR_A": AR, "NR": BR, "IPH_A": I0, "BV_V": BB, "NBV": BB,
    "R_ohm": G, "I0_A": I0,
}  # fmt: skip
#: What an error of scale of the voltmeter, and of the ammeter, moves each coordinate by, in parts of itself.
_OF_VOLT, _OF_AMPERE = np.zeros(WIDTH), np.zeros(WIDTH)
_OF_VOLT[[B, BR, BB, G, RS]] = -1.0, -1.0, -1.0, -1.0, 1.0
_OF_AMPERE[[G, I0, RS]] = 1.0, 1.0, -1.0
#: Logarithms of currents, which a scale of the ammeter moves as they stand.
_LEVELS = np.isin(range(WIDTH), [A, AR, AB])
#: A saturation current is a value where its interval spans less than this (ln of 1e12), and each end is an
#: end where it lies within half of it.
_DECADES = 27.6


def gap_of_voltage(v_V):
    """Energy gap [eV] by the forward voltage at 1 mA.

    Germanium or Schottky, which differ too little to tell (0.68 eV lies within 0.02 eV of both); over some
    voltage an LED; else silicon.
    """
    led = np.maximum(v_V, rule("gap_led"))
    gap = np.where(v_V > rule("gap_led_above"), led, SILICON_EG_EV)
    return np.where(v_V < rule("gap_low_below"), rule("gap_low"), gap)


def per_kelvin(theta: np.ndarray, temp_C: np.ndarray) -> np.ndarray:
    """How the coordinates at the temperature taken change per kelvin that the junction was warmer.

    A sweep gives 1/(N VT) and the saturation current at the true temperature.  A junction warmer by dT has
    an N lower by dT/T, and at the temperature taken a saturation current lower by the SPICE law (EG by the
    forward voltage, XTI 3): 15 % a kelvin in silicon.

    Parameters
    ----------
    theta : ndarray (n, 9)
    temp_C : ndarray (n,)
        Temperature taken [degC].

    Returns
    -------
    ndarray (n, 9)
        [1/K]; zero for resistances, the offset and BV.
    """
    kelvin, vt = temp_C + ZERO_CELSIUS_K, thermal_voltage(temp_C)
    out = np.zeros(theta.shape)
    with np.errstate(all="ignore"):
        v = vt * (np.logaddexp(np.log(1e-3), theta[:, A]) - theta[:, A]) / theta[:, B]
        growth = (SILICON_XTI + gap_of_voltage(v) / vt) / kelvin
        for a, b in ((A, B), (AR, BR)):
            out[:, a] = -theta[:, b] * growth
            out[:, b] = theta[:, b] / kelvin
        out[:, BB] = theta[:, BB] / kelvin
        out[:, AB] = -(np.log(IBV_A) - theta[:, AB]) / kelvin  # so that BV stays
    return np.nan_to_num(out)


def finish(block: Block, final) -> None:
    """Scale for the noise as found, intervals, range steps, limits of an open path; left in the block.

    ``final`` marks sweeps that are not to be fitted again: only their profiles are worth the time.
    ``covariance`` is scaled from here on; ``half`` (n, 2, 9) is the interval's width below and above.
    """
    n = block.chi2.size
    bounded = np.isfinite(block.limit_r)
    block.code[bounded], block.chi2[bounded], block.theta[bounded] = CODE["resistor"], 0.0, np.nan
    block.reason[(block.reason == 0) & ~np.isfinite(block.chi2)] = 5
    fitted = (block.reason == 0) & ~bounded
    block.poor_fit = fitted & (block.dof > 0) & is_poor(block, block.chi2, block.dof)
    if block.noise is None:
        scale, effective = _found_noise(block, fitted)
        block.quantile = student_t(effective)
    else:
        ratio = block.chi2 / np.maximum(block.dof, 1)
        scale = np.repeat(np.where(block.poor_fit, ratio, 1.0)[:, None], 2, axis=1)
        block.quantile = np.full(n, student_t(1e9))
    for name, at in block.by_set(np.flatnonzero(block.poor_fit)):
        if name != "open":
            block.range_step[at] = step_in(block.residuals(name, at), block.live[at])
    block.hidden = hidden_by_rounding(block.v, block.i, block.live)
    block.limit_g = np.full(n, np.nan)  # highest conductance that an open path could hide [S]
    at = np.flatnonzero(fitted & (block.code == CODE["open"]))
    if at.size:
        line = block.fit("resistor + offset", np.zeros((at.size, WIDTH)), at)
        u = np.sqrt(line.covariance[:, G, G])
        most = np.maximum(line.theta[:, G], 0.0) + 2.0 * u * np.sqrt(np.maximum(scale[at, 1], 1e-12))
        block.limit_g[at] = np.maximum(most, block.hidden[at])
    _widths(block, fitted, final, np.sqrt(scale))
    block.converged = (block.converged & fitted) | bounded
    block.at_bound &= fitted
    block.rank_deficient &= fitted


def _found_noise(block: Block, fitted):
    """Scale of the covariance for the curve and for the floor, each from its own residuals.

    A linear sweep may have sixty points in the noise floor and twenty on the curve: what is known of the
    scatter on the curve rests on the twenty.
    """
    n, dof = block.chi2.size, np.maximum(block.dof, 1)
    scale, effective = np.ones((n, 2)), dof.astype(float)
    for name, at in block.by_set(np.flatnonzero(fitted)):
        columns = SETS[name]
        r2 = block.residuals(name, at) ** 2
        v, live = block.v[at], block.live[at]
        whole = np.maximum(r2.sum(1), 1e-12) / dof[at]
        scale[at] = whole[:, None]
        if name == "open":
            continue
        on_curve = live & (block.ui2[at] > 2 * block.parts[at, 0, None]) & (v > 0)
        if AB in columns:
            on_curve |= live & (v < 0.7 * lowest(v, live, 0.0)[:, None])
        elif A not in columns:
            on_curve = live
        count, rest = on_curve.sum(1), live & ~on_curve
        shares = len(set(columns) - {G, I0})
        curve = np.where(on_curve, r2, 0.0).sum(1) / np.maximum(count - shares, 1)
        floor = np.where(rest, r2, 0.0).sum(1) / np.maximum(rest.sum(1) - (len(columns) - shares), 1)
        able = count >= shares + 1
        scale[at, 0] = np.where(able, np.maximum(curve, 0.5 * whole), whole)
        scale[at, 1] = np.where(able & (rest.sum(1) >= 6), np.maximum(floor, 0.5 * whole), whole)
        effective[at] = np.where(able, np.minimum(count - shares, effective[at]), effective[at])
    # scatter of a handful of points says too little to believe it when it is small
    return np.where(effective[:, None] < 4, np.maximum(scale, 1.0), scale), effective


def _widths(block: Block, fitted, final, root) -> None:
    """Covariance and interval widths; `root` (n, 2) scales the uncertainty on the curve and of the floor."""
    root = root[:, [int(c in (G, I0)) for c in range(WIDTH)]]
    covariance = block.covariance * root[:, :, None] * root[:, None, :]
    q = block.quantile[:, None]
    u = np.sqrt(np.maximum(np.einsum("nii->ni", covariance), 0.0))
    half = block.half = np.repeat((q * u)[:, None], 2, axis=1)
    _profile(block, np.flatnonzero(fitted & final & _curved(block)), q * root)
    block.covariance = covariance
    if block.noise is not None:
        volt, ampere = block.noise.v_scale_percent, block.noise.i_scale_percent
        for percent, parts, whole in ((volt, _OF_VOLT, 0.0), (ampere, _OF_AMPERE, _LEVELS)):
            if percent:
                widen(block, ALL, 0.01 * percent * np.nan_to_num(block.theta * parts + whole))
    g, junction = block.theta[:, G], np.isfinite(block.theta[:, A])
    hidden = np.where(junction, block.hidden, 0.0) - np.maximum(g, 0.0)
    half[:, 1, G] = np.maximum(half[:, 1, G], hidden)
    # a shunt that one or two points of a short sweep alone show may be noise: under eight points the current
    # floor cannot be found, and a path is believed where it carries a third of the current in three of them
    few = fitted & (block.n_used < 8) & (block.noise is None) & junction
    carries = (np.abs(g[:, None] * block.v) > 0.3 * np.abs(block.i)) & block.live
    faint = few & (carries.sum(1) < 3)
    half[faint, 0, G] = np.maximum(half[faint, 0, G], np.abs(g[faint]))


def widen(block: Block, rows, direction) -> None:
    """Add an error that all points share: one standard uncertainty of it moves the coordinates so far."""
    block.covariance[rows] += direction[:, :, None] * direction[:, None, :]
    far = block.quantile[rows, None] * direction
    block.half[rows] = np.hypot(block.half[rows], far[:, None])


def _curved(block: Block) -> np.ndarray:
    """Sweeps whose fit bends within its own uncertainty, bool (n,).

    The coordinates are linear where relative errors rule.  Where absolute ones do, second order comes in
    with the uncertainty of the logarithm of an exponential at the point where it matters most: at the top
    of the sweep for the first, in the middle for the second, at the bottom for breakdown.
    """
    live, c = block.live, block.covariance
    x = block.v - block.i * np.nan_to_num(block.theta[:, RS, None])
    top, low = highest(x, live) / block.vt[:, 0], lowest(x, live) / block.vt[:, 0]
    out = np.zeros(block.chi2.size, bool)
    for a, b, at in ((A, B, top), (AR, BR, 0.6 * top), (AB, BB, -low)):
        # with the series resistance free, the logarithm at the top is a + b v - b RS i
        var = c[:, a, a] + 2 * at * c[:, a, b] + at * at * c[:, b, b]
        with np.errstate(invalid="ignore"):
            relative = np.sqrt(c[:, b, b]) / np.abs(block.theta[:, b])
        out |= (var > CURVED**2) | (relative > CURVED)
    return out & block.converged & ~block.rank_deficient


def _profile(block: Block, rows: np.ndarray, rise_to: np.ndarray) -> None:
    """Replace interval half-widths by those of the profile; infinite where chi2 never rises so far.

    All ends of all sweeps of a set form one batch: each is the same fit with one coordinate held, and the
    root of sqrt(rise) = q is found by secant steps from the parabola's answer.

    Parameters
    ----------
    block : Block
    rows : ndarray of int
        Sweeps to treat.
    rise_to : ndarray (n, 9)
        Rise of sqrt(chi2) that bounds the interval, by coordinate (its factor and the noise scale).
    """
    for name, at in block.by_set(rows):
        # one problem for each sweep, side and coordinate
        sweep, side, held = (a.ravel() for a in np.meshgrid(at, (0, 1), SETS[name], indexing="ij"))
        row, sign, q = np.arange(sweep.size), 2.0 * side - 1.0, rise_to[sweep, held]
        best, covariance = block.theta[sweep], block.covariance[sweep]
        variance = covariance[row, held, held]
        # how the others move with the one that is held, on the parabola
        follow = covariance[row, held] / np.where(variance > 0, variance, 1.0)[:, None]
        step = q * np.sqrt(np.maximum(variance, 0.0))
        width, current, slack = np.full(row.size, np.nan), best.copy(), np.zeros(row.size)
        todo = np.flatnonzero((variance > 0) & np.isfinite(variance))
        for _ in range(_STEPS):
            if not todo.size:
                break
            aim, free = q[todo], np.arange(WIDTH) != held[todo, None]
            begin = current[todo] + follow[todo] * (sign[todo] * (step[todo] - slack[todo]))[:, None]
            begin = np.where(free, begin, best[todo] + (sign[todo] * step[todo])[:, None])
            fit = block.fit(name, begin, sweep[todo], free=free, **_HELD)
            rise = np.sqrt(np.maximum(fit.chi2 - block.chi2[sweep[todo]], 0.0))
            reached = np.abs(fit.theta - best[todo])[~free]
            short = reached < 0.99 * step[todo]  # a box limit came first: no end on this side
            close = np.abs(rise - aim) < _CLOSE * aim
            lost = ~fit.converged | ~np.isfinite(rise)
            width[todo] = np.where(lost, np.nan, np.where(short, np.inf, step[todo]))
            current[todo], slack[todo] = fit.theta, step[todo]
            step[todo] *= np.clip(aim / np.maximum(rise, 1e-3 * aim), 0.4, 3.0)
            todo = todo[~(close | short | lost)]
        old = block.half[sweep, side, held]
        block.half[sweep, side, held] = np.where(np.isnan(width), old, width)


def parameters(theta, covariance, half, q, vt, *, resistor, light, loose):
    """Value, interval ends and standard uncertainty of all parameters.

    Parameters
    ----------
    theta, covariance : ndarray (n, 9), (n, 9, 9)
        Coordinates; nan where absent.
    half : ndarray (n, 2, 9)
        Widths of their intervals below and above.
    q : ndarray (n,)
        Half-width of an interval in standard uncertainties, for what follows from several coordinates.
    vt : ndarray (n,)
        Thermal voltage [V].
    resistor : ndarray of bool (n,)
        The conductance is the whole path, not a shunt.
    light : ndarray of bool (n,)
        The constant term is a photocurrent.
    loose : ndarray of bool (n,)
        The points cannot hold the parameters apart: saturation currents and idealities say nothing.

    Returns
    -------
    dict of str to (value, low, high, u)
        Arrays (n,) by name.
    """
    shown = {"RSH_ohm": ~resistor, "R_ohm": resistor, "IPH_A": light, "I0_A": ~light}
    out = {}

    def known(held, low_held, high_held, value, low, high, u, no_u):
        low, high = np.where(held | low_held, low, -np.inf), np.where(held | high_held, high, np.inf)
        return np.where(held, value, np.nan), low, high, np.where(held, u, no_u)

    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for name, k in _COORDINATE.items():
            c, below, above = theta[:, k], half[:, 0, k], half[:, 1, k]
            low, high, u = c - below, c + above, np.sqrt(np.maximum(covariance[:, k, k], 0.0))
            inside, upto = ~loose & (low > LOWER[k]), ~loose & (high < UPPER[k])
            if k in (A, AR):
                # where the data cannot hold it, the end that they do; beyond the fit's bounds an end is none
                held = inside & upto & (below + above < _DECADES)
                ends = inside & (below < _DECADES / 2), upto & (above < _DECADES / 2)
                found = known(held, *ends, np.exp(c), np.exp(low), np.exp(high), np.exp(c) * u, np.inf)
            elif name == "BV_V":
                value = (np.log(IBV_A) - theta[:, AB]) * vt / c
                da, db = -vt / c, -value / c
                var = da * da * covariance[:, AB, AB] + 2 * da * db * covariance[:, AB, BB] + (db * u) ** 2
                u = np.sqrt(np.maximum(var, 0.0))
                found = value, value - q * u, value + q * u, u
            elif k in (B, BR, BB):
                # a limit where the inverse 1/N may be zero or stands at its bound
                ends = ~loose & (c < UPPER[k]) & (high > 0), inside & (c > LOWER[k])
                found = known(ends[1] & (c < UPPER[k]), *ends, 1 / c, 1 / high, 1 / low, u / c**2, np.inf)
            elif k == RS:
                found = known(c > below, False, True, c, low, np.maximum(c, 0.0) + above, u, np.nan)
            elif k == G:
                least = 1 / (np.maximum(c, 0.0) + above)
                found = known(c > below, True, False, 1 / c, least, 1 / low, u / c**2, np.nan)
            else:
                found = (-c, -high, -low, u) if name == "IPH_A" else (c, low, high, u)
            there = ~np.isnan(c) & shown.get(name, True)
            out[name] = tuple(np.where(there, x, np.nan) for x in found)
    return out


def log_covariance(theta, covariance, value, vt):
    """Covariance of the logarithms of `LOGARITHMIC`; zero where a parameter is absent or only a limit."""
    out = np.empty((len(theta), len(LOGARITHMIC), len(LOGARITHMIC)))
    for first in range(0, len(theta), 2000):  # a piece at a time: the Jacobians outweigh the result
        at = slice(first, first + 2000)
        by = np.zeros((len(theta[at]), len(LOGARITHMIC), WIDTH))
        for row, name in enumerate(LOGARITHMIC):
            k, held = _COORDINATE[name], np.flatnonzero(np.isfinite(value[name][at])) + first
            sign = 1.0 if k == RS else -1.0
            by[held - first, row, k] = 1.0 if k in (A, AR) else sign / theta[held, k]
            if name == "BV_V":
                by[held - first, row, AB] = -vt[held] / (theta[held, BB] * value[name][held])
        out[at] = np.matmul(np.matmul(by, covariance[at]), by.transpose(0, 2, 1))
    return out
