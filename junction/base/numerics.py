"""Forms of exp, log and Lambert W that neither overflow nor cancel, shared by the layers above.

``scipy.special`` is imported inside the functions that need it: a `junction check` that types one
diode-mode reading must not pay for it twice over, and a plain ``import junction`` not at all.
"""

from __future__ import annotations

import numpy as np

#: Largest exponent used; exp(340) is 1e147, so that products of two such values stay finite.
EXPONENT_LIMIT = 340.0


def limited_exp(x):
    """Exponential that stops growing at `EXPONENT_LIMIT`.

    Parameters
    ----------
    x : array_like
        Exponent [1].

    Returns
    -------
    ndarray
        exp(min(x, 340)) [1]: finite, without a warning, exact below the limit.
    """
    return np.exp(np.minimum(x, EXPONENT_LIMIT))


def limited_expm1(x):
    """Limited exp(x) - 1 without cancellation near zero.

    Parameters
    ----------
    x : array_like
        Exponent [1].

    Returns
    -------
    ndarray
        expm1(min(x, 340)) [1].
    """
    return np.expm1(np.minimum(x, EXPONENT_LIMIT))


def wright_omega(z):
    """Wright omega function of a real argument: the w with w + ln w = z.

    Parameters
    ----------
    z : array_like
        Real argument [1].  It is the logarithm of the argument of Lambert's W, so it does not overflow
        where W(exp(z)) would.

    Returns
    -------
    ndarray
        omega(z) = W(exp(z)) [1].
    """
    from scipy.special import wrightomega

    return wrightomega(np.asarray(z, float))


def solve_linear_exponential(k, b, a, c):
    """Solve ``k x + b exp(x / a) = c`` for x, in closed form.

    Parameters
    ----------
    k, b : array_like
        Coefficients, not negative, not both zero [1 or S, A].
    a : array_like
        Positive scale of the exponent [V].
    c : array_like
        Right-hand side, same unit as b.

    Returns
    -------
    ndarray
        x [V]; -inf where k is 0 and c is not positive (the exponential alone cannot reach c).

    Notes
    -----
    ``x = a (ln w - ln(b/(a k)))`` with ``w = omega(ln(b/(a k)) + c/(a k))``, which is
    ``x = c/k - a w`` in the form that keeps its digits when w is small.

    References
    ----------
    T. C. Banwell and A. Jayakumar, Electronics Letters 36(4):291-292, 2000, doi:10.1049/el:20000301.
    """
    k, b, a, c = np.broadcast_arrays(*(np.asarray(t, float) for t in (k, b, a, c)))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        pure = np.where(c > 0, a * (np.log(np.maximum(c, 0)) - np.log(b)), -np.inf)
        log_ratio = np.log(b) - np.log(a * k)
        w = wright_omega(log_ratio + c / (a * k))
        mixed = np.where(w > 1.0, a * (np.log(w) - log_ratio), c / k - a * w)
        return np.where(k == 0, pure, np.where(b == 0, c / k, mixed))
