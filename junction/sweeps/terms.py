r"""The junction equation as the least-squares core sees it: coordinates, residuals, derivatives.

The current into the p side at the voltage x across the junction itself is

.. math::

    f(x) = IS\,(e^{x/(N\,VT)} - 1) + G\,x + ISR\,(e^{x/(NR\,VT)} - 1) + I_0 - e^{a_B - x/(NBV\,VT)}

and the point of the curve that belongs to x is (v, i) = (x + RS f(x), f(x)).  The path that breaks down is
not the one that conducts forward or leaks: where breakdown is fitted, it has its own resistance RZ at
reverse voltages and the conductance lies across both, (v, i) = (x + RZ f(x), f(x) + G v) without G in f.

Coordinates.  ln IS and 1/N are fitted, not IS and N, because the logarithm of the current is linear in
them: where relative errors rule, the problem is all but linear, start values come from a linear
regression and intervals from the curvature are good.  The shunt is fitted as a conductance and the
series resistance as itself, both free to pass through zero, so that a part without a shunt has an
estimate that scatters about zero and an interval that is right; a negative value is never shown, it
becomes a one-sided limit (`RS < x`, `RSH > x`), the far end of its interval.

Breakdown.  a_B is the logarithm of its current at zero volt: of a sharp knee at 1 kV, -40,000.  A fit moves
the logarithm at a voltage within the points instead (`JunctionProblem.shift`), which the slope leaves alone.

Residual.  Voltage and current both carry error.  The residual of a point is its distance to the curve in
units of its standard uncertainties, measured along the normal of the curve *at the foot of the
perpendicular*, not at the measured point,

.. math::  r = \frac{(i - f)(1 + RS\,g) - (v - x - RS\,f)\,g}{\sqrt{(1 + RS\,g)^2 u_i^2 + g^2 u_v^2}},
           \qquad g = f'(x)

(the "effective variance" form F/sqrt(...) taken at an adjusted point, as in the general Gauss-Helmert
model of adjustment).  At the measured point, derivative and weight would carry the point's own error
and bias ln IS by half the square of u_v/(N VT): 0.6 standard uncertainties in a sweep of 80 points with
3 mV of noise.  The foot is found by one step from x = v - i RS, which costs one more exponential.
"""

from __future__ import annotations

import numpy as np

from junction.base.units import ZERO_CELSIUS_K, thermal_voltage
from junction.physics.temperature import SILICON_EG_EV, SILICON_XTI
from junction.shelf.tables import rule
from junction.sweeps.results import IBV_A, MODELS

#: Coordinates in the order of `SweepFits.theta` and `SweepFits.theta_covariance`.
COORDINATES = (
    "ln IS_A", "1/N", "RS_ohm", "1/RSH_ohm", "ln ISR_A", "1/NR", "I0_A", "aB", "1/NBV",
    "RZ_ohm",
)  # fmt: skip
WIDTH = len(COORDINATES)
A, B, RS, G, AR, BR, I0, AB, BB, RZ = range(WIDTH)
#: The exponential terms: level and slope, and the direction they conduct in.
EXPONENTIALS = ((A, B, 1), (AR, BR, 1), (AB, BB, -1))
#: Exponents of e are held here; 60 is 1e26 A, far beyond anything but a trial step.
TOP = 60.0

#: Box limits of each coordinate: they only keep trial steps within sense (N from 0.5 to 100, NBV to 10,000:
#: the knee of a string of parts at 2 kV is as wide as many volts).
LOWER = np.array([-230.0, 0.01, -np.inf, -np.inf, -230.0, 0.05, -np.inf, -np.inf, 1e-4, -np.inf])
UPPER = np.array([20.0, 2.0, np.inf, np.inf, 20.0, 0.95, np.inf, np.inf, 2.0, np.inf])

#: Sets of terms that are fitted: their coordinates, and the model of `MODELS` they are called by ("+ shunt"
#: where the shunt shows).  The shunt conductance is always among them (but in the shortest sweeps): its
#: estimate may scatter about zero, and dropping it where it is small would pull IS and N aside by more than
#: their uncertainty says.  Whether a shunt is *reported* is then a question of its own estimate.
_SETS = {
    "open": ([I0], "open", "open"),
    "resistor": ([G], "resistor", "resistor"),
    "resistor + offset": ([G, I0], "resistor", "resistor"),
    "ideal": ([A, B], "junction", "junction"),
    "bare": ([A, B, RS], "junction", "junction"),
    "base": ([A, B, RS, G], "junction", "junction + shunt"),
    "offset": ([A, B, RS, G, I0], "junction", "junction + shunt"),
    "recombination": ([A, B, RS, G, AR, BR], "junction + recombination", "junction + recombination + shunt"),
    "recombination + offset": (
        [A, B, RS, G, AR, BR, I0], "junction + recombination", "junction + recombination + shunt"
    ),
    "bare + breakdown": ([A, B, RS, AB, BB, RZ], "junction + breakdown", "junction + breakdown"),
    "breakdown": ([A, B, RS, G, AB, BB, RZ], "junction + breakdown", "junction + shunt + breakdown"),
    "breakdown + offset": (
        [A, B, RS, G, I0, AB, BB, RZ], "junction + breakdown", "junction + shunt + breakdown"
    ),
    "breakdown + recombination": (
        [A, B, RS, G, AR, BR, AB, BB, RZ], "junction + recombination + breakdown",
        "junction + recombination + shunt + breakdown",
    ),
    "reverse only": ([G, AB, BB, RZ], "breakdown", "breakdown"),
    "bare reverse": ([AB, BB, RZ], "breakdown", "breakdown"),
}  # fmt: skip
SETS = {name: columns for name, (columns, _, _) in _SETS.items()}
NAMES = tuple(SETS)
CODE = {name: k for k, name in enumerate(NAMES)}
NUMBER = np.array([len(columns) for columns in SETS.values()])
#: The first three are straight lines, the others bend.
LINES = NAMES[:3]

_COORDINATE = {
    "IS_A": A, "N": B, "RS_ohm": RS, "RSH_ohm": G, "ISR_A": AR, "NR": BR, "IPH_A": I0, "BV_V": BB, "NBV": BB,
    "R_ohm": G, "I0_A": I0, "RZ_ohm": RZ,
}  # fmt: skip


def model_index(code, shunt, light):
    """Index into `MODELS` of a fitted set.

    Parameters
    ----------
    code : ndarray of int
        Index into `NAMES`.
    shunt : ndarray of bool
        The shunt conductance is there by the evidence.
    light : ndarray of bool
        The constant term is a photocurrent rather than the ammeter's offset.
    """
    table = np.array([[MODELS.index(name) for name in names] for _, *names in _SETS.values()])
    lit = light & np.isin(code, (CODE["offset"], CODE["recombination + offset"]))
    return np.where(lit, MODELS.index("junction + photocurrent"), table[code, np.asarray(shunt, int)])


class JunctionProblem:
    """Residuals and derivatives of a batch of sweeps of one length for one set of terms.

    Parameters
    ----------
    v, i : ndarray (n, m)
        Measured points [V], [A]; padded points may hold anything finite.
    uv2, ui2 : ndarray broadcastable to (n, m)
        Squared standard uncertainties [V^2], [A^2].
    keep : ndarray (n, m)
        1 where a point counts, 0 where it does not.
    vt : ndarray (n, 1)
        Thermal voltage [V].
    columns : sequence of int
        Coordinates present, in rising order; an exponential needs both of its two.
    shift : ndarray (n, 1) or float
        Reverse voltage at which aB is the logarithm of the breakdown current [V]; 0 is that of
        `COORDINATES`.
    """

    def __init__(self, v, i, uv2, ui2, keep, vt, columns, buffer=None, shift=0.0):
        self.points = self.v, self.i, self.uv2, self.ui2, self.keep, self.vt = v, i, uv2, ui2, keep, vt
        self.shift = shift
        self.columns = columns
        self.at = {c: k for k, c in enumerate(columns)}
        self.buffer = np.empty((len(v), len(columns) + 1, v.shape[1])) if buffer is None else buffer
        self.reverse = v < 0 if RZ in self.at else None

    def take(self, index):
        """The same for some of the sweeps, on this one's buffer."""
        shift = self.shift[index] if np.ndim(self.shift) else self.shift
        return JunctionProblem(*(a[index] for a in self.points), self.columns, self.buffer, shift)

    def _series(self, theta):
        forward = theta[:, self.at[RS], None] if RS in self.at else 0.0
        if self.reverse is None:
            return forward
        return np.where(self.reverse, theta[:, self.at[RZ], None], forward)

    def _through(self, theta):
        """Current through the junction and its resistance [A], the variance of it, and what flows beside."""
        if self.reverse is None or G not in self.at:
            return self.i, self.ui2, 0.0
        g = np.where(self.reverse, theta[:, self.at[G], None], 0.0)
        beside = g * self.v
        return self.i - beside, self.ui2 + g * g * self.uv2, beside

    def evaluate(self, theta):
        """Derivatives of the residual and the residual itself, (n, p + 1, m).

        The step to the foot of the perpendicular is of third order in what is left.  With d = i - f and
        v - x = i RS the Gauss-Newton step is d q, q = (g uv2 + RS h ui2)/(g^2 uv2 + h^2 ui2), h = 1 + RS g.
        Halley's correction by the curvature, d q/(1 + d f'' q^2/2), makes it the logarithm that the
        exponential asks for; both limits (all error in v, all in i) are Halley's step of their own equation.
        """
        out, at, rs = self.buffer[: len(theta)], self.at, self._series(theta)
        i, ui2, beside = self._through(theta)
        x = self.v - i * rs
        f, g, c = self._curve(theta, x, out, curvature=True)
        h = g * rs + 1.0
        gu, hu = g * self.uv2, h * ui2
        q = (gu + hu * rs) / (gu * g + h * hu)
        step = (i - f) * q
        step /= np.maximum(q * step * c * 0.5 + 1.0, 0.3)
        x += np.clip(step, -4 * self.vt, 4 * self.vt)
        f, g, _ = self._curve(theta, x, out)
        h = g * rs + 1.0
        weight = self.keep / np.sqrt(g * g * self.uv2 + h * h * ui2)
        # (i - f) h - (v - x - RS f) g, weighted
        np.multiply((i - f) * h - (self.v - (f * rs + x)) * g, weight, out=out[:, -1])
        self.x, self.f, self.beside, self.weight = x, f, beside, weight
        # dr/dtheta = -(df/dtheta) weight; for RS +g f weight
        xw = x * weight
        if RS in at:
            np.multiply(g * f, weight, out=out[:, at[RS]])
        if RZ in at:
            np.multiply(g * f, weight * self.reverse, out=out[:, at[RZ]])
            if RS in at:
                out[:, at[RS]] *= ~self.reverse
        if G in at:
            moved = xw if RZ not in at else np.where(self.reverse, self.v * h * weight, xw)
            np.negative(moved, out=out[:, at[G]])
        if I0 in at:
            np.negative(weight, out=out[:, at[I0]])
        for a, b, sign in EXPONENTIALS:
            if a in at:
                e = out[:, at[a]]
                far = xw if sign > 0 else (x + self.shift) * weight
                np.multiply(e * far, -1.0 / self.vt, out=out[:, at[b]])
                np.multiply(np.exp(theta[:, at[a], None]) - e if sign > 0 else e, weight, out=e)
        return out

    def reaches(self, theta):
        """Whether the feet were reached, right after `evaluate(theta)`; bool (n,).

        One step leads to the foot of any curve the points lie near.  Where a model runs far from them, or
        bends within their scatter, the distance along the normal says too little: a minimum found there is
        none.  The full displacement from the point of the curve that was used is always too large; where
        the two differ much (each point counted to 9 at most), the fit is not to be trusted.
        """
        away = (self.i - self.f - self.beside) ** 2 / self.ui2
        away += (self.v - (self.f * self._series(theta) + self.x)) ** 2 / self.uv2
        away = np.minimum(away, 9.0) * self.keep
        along = np.minimum(self.buffer[: len(theta), -1] ** 2, 9.0)
        return away.sum(1) <= 1.5 * along.sum(1) + 0.15 * self.keep.sum(1) + 1.0

    def at_points(self, theta):
        """Error of the current at the measured voltage [A], slope of the whole curve [S], current [A]."""
        rs, (i, _, beside) = self._series(theta), self._through(theta)
        f, g, _ = self._curve(theta, self.v - i * rs, self.buffer[: len(theta)])
        h, own = g * rs + 1.0, g / (g * rs + 1.0)
        if RZ in self.at and G in self.at:
            own += np.where(self.reverse, theta[:, self.at[G], None], 0.0)
        return (i - f) / h, own, f + beside

    def _curve(self, theta, x, out, *, curvature=False):
        """f(x), f'(x) and, if asked, f''(x); the planes of logarithmic coordinates keep the exponentials."""
        at = self.at
        f, g, c = np.zeros(x.shape), np.zeros(x.shape), 0.0
        for a, b, sign in EXPONENTIALS:
            if a in at:
                add = np.add if sign > 0 else np.subtract
                level, slope = theta[:, at[a], None], sign * theta[:, at[b], None] / self.vt
                e = x * slope if sign > 0 else (x + self.shift) * slope
                e += level
                np.exp(np.minimum(e, TOP, out=e), out=e)
                out[:, at[a]] = e
                add(f, e, out=f)
                if sign > 0:
                    f -= np.exp(level)
                e *= slope
                add(g, e, out=g)
                if curvature:
                    e *= slope
                    c = add(c, e)
        if G in at:
            conductance = theta[:, at[G], None]
            if self.reverse is not None:
                conductance = np.where(self.reverse, 0.0, conductance)
            f += x * conductance
            g += conductance
        if I0 in at:
            f += theta[:, at[I0], None]
        return f, g, c


def curve(theta: np.ndarray, vt: np.ndarray, x: np.ndarray):
    """Current and conductance at junction voltages, and the current's derivatives by coordinate.

    Parameters
    ----------
    theta : ndarray (n, 10)
        Coordinates; nan where a term is absent.
    vt : ndarray (n,)
        Thermal voltage [V].
    x : ndarray (n, q)
        Junction voltage [V].

    Returns
    -------
    f, g : ndarray (n, q)
        Current [A] and its derivative by x [S].
    by : ndarray (n, 10, q)
        df/dtheta at constant x (zero for RS, RZ and for absent terms).
    """
    n, q = x.shape
    f, g, by = np.zeros((n, q)), np.zeros((n, q)), np.zeros((n, WIDTH, q))
    vt = np.asarray(vt, float)[:, None]
    for a, b, sign in EXPONENTIALS:
        has = np.isfinite(theta[:, a])[:, None]
        level, slope = np.where(has, theta[:, a, None], -np.inf), np.where(has, theta[:, b, None], 0.0) / vt
        e = np.exp(np.minimum(level + sign * slope * x, 3 * TOP))
        by[:, a] = sign * e - (np.exp(np.minimum(level, 3 * TOP)) if sign > 0 else 0.0)
        by[:, b] = e * x / vt
        f += by[:, a]
        g += slope * e
    conductance, offset = np.nan_to_num(theta[:, G, None]), np.nan_to_num(theta[:, I0, None])
    f += conductance * x + offset
    g += conductance
    by[:, G] = np.where(np.isfinite(theta[:, G, None]), x, 0.0)
    by[:, I0] = np.isfinite(theta[:, I0, None])
    return f, g, by


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
    theta : ndarray (n, 10)
    temp_C : ndarray (n,)
        Temperature taken [degC].

    Returns
    -------
    ndarray (n, 10)
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


def parameters(theta, covariance, half, q, vt, *, resistor, light, loose):
    """Value, interval ends and standard uncertainty of all parameters.

    Parameters
    ----------
    theta, covariance : ndarray (n, 10), (n, 10, 10)
        Coordinates; nan where absent.
    half : ndarray (n, 2, 10)
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
    widest, out = rule("fit_widest_level"), {}

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
                held = inside & upto & (below + above < widest)
                ends = inside & (below < widest / 2), upto & (above < widest / 2)
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
            elif k in (RS, RZ):
                found = known(c > below, False, True, c, low, np.maximum(c, 0.0) + above, u, np.nan)
            elif k == G:
                least = 1 / (np.maximum(c, 0.0) + above)
                found = known(c > below, True, False, 1 / c, least, 1 / low, u / c**2, np.nan)
            else:
                found = (-c, -high, -low, u) if name == "IPH_A" else (c, low, high, u)
            there = ~np.isnan(c) & shown.get(name, True)
            out[name] = tuple(np.where(there, x, np.nan) for x in found)
    return out
