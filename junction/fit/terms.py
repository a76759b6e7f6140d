r"""The junction equation as the least-squares core sees it: coordinates, residuals, derivatives.

The current into the p side at the voltage x across the junction itself is

.. math::

    f(x) = IS\,(e^{x/(N\,VT)} - 1) + G\,x + ISR\,(e^{x/(NR\,VT)} - 1) + I_0 - e^{a_B - x/(NBV\,VT)}

and the point of the curve that belongs to x is (v, i) = (x + RS f(x), f(x)).

Coordinates.  ln IS and 1/N are fitted, not IS and N, because the logarithm of the current is linear in
them: where relative errors rule, the problem is all but linear, start values come from a linear
regression and intervals from the curvature are good.  The shunt is fitted as a conductance and the
series resistance as itself, both free to pass through zero, so that a part without a shunt has an
estimate that scatters about zero and an interval that is right; a negative value is never shown, it
becomes a one-sided limit (`junction.fit.intervals`).

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

#: Coordinates in the order of `SweepFits.theta` and `SweepFits.covariance`.
COORDINATES = (
    "ln IS_A", "1/N", "RS_ohm", "1/RSH_ohm", "ln ISR_A", "1/NR", "I0_A", "aB", "1/NBV",
)  # fmt: skip
A, B, RS, G, AR, BR, I0, AB, BB = range(9)
#: Reference current of the breakdown branch [A]: BV is the reverse voltage at which it carries 1 mA.
IBV_A = 1e-3
#: Exponents of e are held here; 60 is 1e26 A, far beyond anything but a trial step.
TOP = 60.0

#: Box limits of each coordinate: they only keep trial steps within sense (N from 0.5 to 100).
LOWER = np.array([-230.0, 0.01, -np.inf, -np.inf, -230.0, 0.05, -np.inf, -2000.0, 0.01])
UPPER = np.array([20.0, 2.0, np.inf, np.inf, 20.0, 0.95, np.inf, 20.0, 2.0])


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
    columns : tuple of int
        Coordinates present, in rising order; an exponential needs both of its two.
    foot : bool
        The distance to the curve as above (the default).  False takes the plain error of the equation at
        the measured point, i - f(v - i RS) [A], without any weight: what much of the literature on cell
        parameters minimises, kept to compare with it.
    """

    def __init__(self, v, i, uv2, ui2, keep, vt, columns, foot=True):
        self.v, self.i, self.uv2, self.ui2, self.keep, self.vt = v, i, uv2, ui2, keep, vt
        self.columns, self.foot = tuple(columns), foot
        self.at = {c: k for k, c in enumerate(self.columns)}
        n, m = v.shape
        self.buffer = np.empty((n, len(self.columns) + 1, m))
        self.work = [np.empty((n, m)) for _ in range(7)]

    def take(self, index):
        """The same for some of the sweeps."""
        return JunctionProblem(
            *(a[index] if a.shape[0] != 1 or self.v.shape[0] == 1 else a
              for a in (self.v, self.i, self.uv2, self.ui2, self.keep, self.vt)),
            self.columns, self.foot,
        )  # fmt: skip

    def evaluate(self, theta):
        """Derivatives of the residual and the residual itself, (n, p + 1, m)."""
        n = theta.shape[0]
        x, f, g, t, s, h, c = (w[:n] for w in self.work)
        out, at, v, i, uv2, ui2 = self.buffer[:n], self.at, self.v, self.i, self.uv2, self.ui2
        rs = theta[:, at[RS], None] if RS in at else None
        if rs is None:
            np.copyto(x, v)
        else:
            np.multiply(i, rs, out=x)
            np.subtract(v, x, out=x)
        self._curve(theta, x, f, g, t, out, c if self.foot else None)
        if self.foot:
            self._to_foot(x, f, g, t, s, h, c, rs)
            self._curve(theta, x, f, g, t, out)
        residual = out[:, -1]
        if not self.foot:
            np.subtract(i, f, out=residual)
            residual *= self.keep
            np.copyto(s, self.keep)
            self._derivatives(theta, x, i, g, s, t, out)
            return out
        # numerator: (i - f) h - (v - x - RS f) g
        np.subtract(i, f, out=residual)
        if rs is None:
            np.subtract(v, x, out=t)
            t *= g
            residual -= t
            np.multiply(g, g, out=s)
            s *= uv2
            s += ui2
        else:
            np.multiply(g, rs, out=h)
            h += 1.0
            residual *= h
            np.multiply(f, rs, out=t)
            t += x
            np.subtract(v, t, out=t)
            t *= g
            residual -= t
            np.multiply(g, g, out=s)
            s *= uv2
            np.multiply(h, h, out=t)
            t *= ui2
            s += t
        np.sqrt(s, out=s)
        np.divide(self.keep, s, out=s)  # s is now the weight
        residual *= s
        self._derivatives(theta, x, f, g, s, t, out)
        return out

    def reaches(self, theta, out):
        """Whether the feet were reached, after `evaluate(theta)` gave `out`; bool (n,).

        One step leads to the foot of any curve the points lie near.  Where a model runs far from them, or
        bends within their scatter, the distance along the normal says too little: a minimum found there is
        none.  The full displacement from the point of the curve that was used is always too large; where
        the two differ much (each point counted to 9 at most), the fit is not to be trusted.
        """
        n = theta.shape[0]
        x, f, _, t, s, h, _ = (w[:n] for w in self.work)
        rs = theta[:, self.at[RS], None] if RS in self.at else 0.0
        np.subtract(self.i, f, out=t)
        t *= t
        t /= self.ui2
        np.multiply(f, rs, out=h)
        h += x
        np.subtract(self.v, h, out=h)
        h *= h
        h /= self.uv2
        t += h
        np.minimum(t, 9.0, out=t)
        t *= self.keep
        np.multiply(out[:, -1], out[:, -1], out=h)
        np.minimum(h, 9.0, out=h)
        return t.sum(1) <= 1.5 * h.sum(1) + 0.15 * self.keep.sum(1) + 1.0

    def at_points(self, theta):
        """Error of the current at the measured voltage [A], slope of the whole curve [S], current [A]."""
        n = theta.shape[0]
        x, f, g, t, s, h, _ = (w[:n] for w in self.work)
        if RS in self.at:
            rs = theta[:, self.at[RS], None]
            np.multiply(self.i, rs, out=x)
            np.subtract(self.v, x, out=x)
        else:
            rs = 0.0
            np.copyto(x, self.v)
        self._curve(theta, x, f, g, t, self.buffer[:n])
        np.multiply(g, rs, out=h)
        h += 1.0
        np.subtract(self.i, f, out=t)
        t /= h
        g /= h
        return t, g, f

    def _to_foot(self, x, f, g, t, s, h, c, rs):
        """One step of x towards the foot of the perpendicular, of third order in what is left.

        With d = i - f and v - x = i RS the Gauss-Newton step is d q, q = (g uv2 + RS h ui2)/(g^2 uv2 +
        h^2 ui2), h = 1 + RS g.  Halley's correction by the curvature, d q/(1 + d f'' q^2/2), makes it the
        logarithm that the exponential asks for; both limits (all error in v, all in i) are Halley's step
        of their own equation.
        """
        np.multiply(g, self.uv2, out=s)
        np.multiply(s, g, out=t)
        if rs is None:
            t += self.ui2
        else:
            np.multiply(g, rs, out=h)
            h += 1.0
            np.multiply(h, self.ui2, out=g)
            h *= g
            t += h
            g *= rs
            s += g
        s /= t  # q
        np.subtract(self.i, f, out=t)
        t *= s  # d q
        s *= t
        s *= c
        s *= 0.5
        s += 1.0
        np.maximum(s, 0.3, out=s)
        t /= s
        np.clip(t, -4 * self.vt, 4 * self.vt, out=t)
        x += t

    def _curve(self, theta, x, f, g, t, out, c=None):
        """Fill f(x), f'(x), and f''(x) if asked; logarithmic coordinates' planes keep the exponentials."""
        at, vt = self.at, self.vt
        f.fill(0.0)
        g.fill(0.0)
        if c is not None:
            c.fill(0.0)
        for a, b in ((A, B), (AR, BR)):
            if a in at:
                e = out[:, at[a]]
                slope = theta[:, at[b], None] / vt
                np.multiply(x, slope, out=t)
                t += theta[:, at[a], None]
                np.minimum(t, TOP, out=t)
                np.exp(t, out=t)
                e[...] = t
                f += t
                f -= np.exp(theta[:, at[a], None])
                t *= slope
                g += t
                if c is not None:
                    t *= slope
                    c += t
        if AB in at:
            e = out[:, at[AB]]
            slope = theta[:, at[BB], None] / vt
            np.multiply(x, slope, out=t)
            np.subtract(theta[:, at[AB], None], t, out=t)
            np.minimum(t, TOP, out=t)
            np.exp(t, out=t)
            e[...] = t
            f -= t
            t *= slope
            g += t
            if c is not None:
                t *= slope
                c -= t
        if G in at:
            np.multiply(x, theta[:, at[G], None], out=t)
            f += t
            g += theta[:, at[G], None]
        if I0 in at:
            f += theta[:, at[I0], None]

    def _derivatives(self, theta, x, f, g, weight, t, out):
        """dr/dtheta = -(df/dtheta) weight; for RS +g f weight."""
        at = self.at
        np.multiply(x, weight, out=t)  # x w, used by several
        if RS in at:
            plane = out[:, at[RS]]
            np.multiply(g, f, out=plane)
            plane *= weight
        if G in at:
            np.negative(t, out=out[:, at[G]])
        if I0 in at:
            np.negative(weight, out=out[:, at[I0]])
        for a, b in ((A, B), (AR, BR)):
            if a in at:
                plane, slope = out[:, at[a]], out[:, at[b]]
                np.multiply(plane, t, out=slope)
                slope *= -1.0 / self.vt
                plane -= np.exp(theta[:, at[a], None])
                plane *= weight
                np.negative(plane, out=plane)
        if AB in at:
            plane, slope = out[:, at[AB]], out[:, at[BB]]
            np.multiply(plane, t, out=slope)
            slope *= -1.0 / self.vt
            plane *= weight


def curve(theta: np.ndarray, vt: np.ndarray, x: np.ndarray, columns=tuple(range(9))):
    """Current and conductance at junction voltages, and the current's derivatives by coordinate.

    Parameters
    ----------
    theta : ndarray (n, 9)
        Coordinates; nan where a term is absent.
    vt : ndarray (n,)
        Thermal voltage [V].
    x : ndarray (n, q)
        Junction voltage [V].

    Returns
    -------
    f, g : ndarray (n, q)
        Current [A] and its derivative by x [S].
    by : ndarray (n, 9, q)
        df/dtheta at constant x (zero for RS and for absent terms).
    """
    n, q = x.shape
    f, g, by = np.zeros((n, q)), np.zeros((n, q)), np.zeros((n, len(COORDINATES), q))
    vt = np.asarray(vt, float)[:, None]
    for a, b in ((A, B), (AR, BR)):
        has = np.isfinite(theta[:, a])[:, None]
        level, slope = np.where(has, theta[:, a, None], -np.inf), np.where(has, theta[:, b, None], 0.0) / vt
        e, zero = np.exp(np.minimum(level + slope * x, 3 * TOP)), np.exp(np.minimum(level, 3 * TOP))
        f += e - zero
        g += slope * e
        by[:, a], by[:, b] = e - zero, e * x / vt
    has = np.isfinite(theta[:, AB])[:, None]
    level = np.where(has, theta[:, AB, None], -np.inf)
    slope = np.where(has, theta[:, BB, None], 0.0) / vt
    e = np.exp(np.minimum(level - slope * x, 3 * TOP))
    f -= e
    g += slope * e
    by[:, AB], by[:, BB] = -e, e * x / vt
    conductance, offset = np.nan_to_num(theta[:, G, None]), np.nan_to_num(theta[:, I0, None])
    f += conductance * x + offset
    g += conductance
    by[:, G], by[:, I0] = np.where(np.isfinite(theta[:, G, None]), x, 0.0), 1.0
    by[:, I0] *= np.isfinite(theta[:, I0, None])
    return f, g, by
