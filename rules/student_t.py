"""Student's t distribution: the probability below a value, and the value at a probability.

Two functions of a few lines, so that a gateway needs no library of a hundred megabytes for them.
Degrees of freedom need not be whole.
"""

from __future__ import annotations

from math import exp, lgamma, log
from typing import Final

__all__ = ["probability_below", "quantile"]

_TERMS: Final = 500
_PRECISION: Final = 1e-15
_TINY: Final = 1e-300


def probability_below(t: float, free: float) -> float:
    r"""The probability of a value of at most ``t`` with ``free`` degrees of freedom.

    .. math:: F(t) = 1 - \tfrac12 I_x(\nu/2, \tfrac12), \quad x = \frac{\nu}{\nu + t^2}
              \quad (t \ge 0)

    ``free`` is above 0 (``ValueError``).

    References
    ----------
    NIST Digital Library of Mathematical Functions, section 8.17: equations 8.17.4 and 8.17.22.
    """
    if not free > 0.0:
        msg = f"degrees of freedom are {free:g}, must be above 0"
        raise ValueError(msg)
    beyond = 0.5 * _incomplete_beta(free / (free + t * t), t * t / (free + t * t), free / 2.0, 0.5)
    return 1.0 - beyond if t > 0.0 else beyond


def quantile(p: float, free: float) -> float:
    """The value with the probability ``p`` below it; ``p`` lies between 0 and 1 (``ValueError``).

    By bisection of :func:`probability_below`, to the last digits that a double holds.
    """
    if not 0.0 < p < 1.0:
        msg = f"a probability of {p:g} has no value; it must lie between 0 and 1"
        raise ValueError(msg)
    # Of the lower half, where the probability is exact however small it is.
    tail, sign = (p, -1.0) if p < 0.5 else (1.0 - p, 1.0)
    low, high = 0.0, 1.0
    while probability_below(-high, free) > tail and high < 1e150:
        low, high = high, 2.0 * high
    while high - low > 4.0 * _PRECISION * high:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        if probability_below(-middle, free) > tail:
            low = middle
        else:
            high = middle
    return sign * 0.5 * (low + high) if tail < 0.5 else 0.0


def _incomplete_beta(x: float, rest: float, a: float, b: float) -> float:
    """I_x(a, b), ``rest`` being 1 - x without its rounding."""
    if x <= 0.0:
        return 0.0
    if rest <= 0.0:
        return 1.0
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - _incomplete_beta(rest, x, b, a)  # equation 8.17.4: converges faster there
    front = exp(a * log(x) + b * log(rest) + lgamma(a + b) - lgamma(a) - lgamma(b)) / a
    return front / _fraction(x, a, b)


def _fraction(x: float, a: float, b: float) -> float:
    """The continued fraction of equation 8.17.22, by Lentz's method."""
    value = c = 1.0
    d = 0.0
    for n in range(1, _TERMS):
        m = n // 2
        term = (
            m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
            if n % 2 == 0
            else -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))
        )
        d = 1.0 / ((1.0 + term * d) or _TINY)
        c = (1.0 + term / c) or _TINY
        value *= c * d
        if abs(c * d - 1.0) < _PRECISION:
            break
    return value
