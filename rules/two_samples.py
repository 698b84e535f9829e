"""Two samples against each other: is there a shift, and how large?

Student's test and its interval, with readings that follow each other in time taken for what they
are: fewer than their number says.
"""

from __future__ import annotations

from math import sqrt
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from rules.physics._arrays import FloatArray, real
from rules.student_t import probability_below, quantile

__all__ = ["Shift", "following_factor", "shift_between"]

LEAST_EACH: Final = 2


class Shift(NamedTuple):
    """How far the second sample lies above the first; NaN with too few readings.

    ``low`` to ``high`` is the interval of ``shift``, in the readings' unit; ``p_above`` the
    one-sided probability of as much by chance.
    """

    shift: float
    low: float
    high: float
    p_above: float


def shift_between(
    first: ArrayLike, second: ArrayLike, confidence: float = 0.95, variance_factor: float = 1.0
) -> Shift:
    r"""The shift from the mean of the first sample to that of the second.

    .. math:: s^2 = \frac{\sum (x_i - \bar x)^2 + \sum (y_j - \bar y)^2}{n + m - 2}, \quad
              \bar y - \bar x \pm t_\nu \, s \sqrt{f (1/n + 1/m)}, \quad \nu = (n + m - 2)/f

    Parameters
    ----------
    first, second : (n,), (m,) array
        Readings of one spread, NaN where missing.
    confidence : float
        Of the interval, between 0.5 and 1.
    variance_factor : float
        The factor f by which the variance of a mean is larger than that of independent readings
        (:func:`following_factor`); it takes from the degrees of freedom likewise.

    Raises
    ------
    ValueError
        Where the confidence cannot be.

    References
    ----------
    Student (1908), Biometrika 6:1, for two samples with a pooled variance. Degrees of freedom by
    the number of independent readings: common practice.
    """
    if not 0.5 < confidence < 1.0:
        msg = f"confidence is {confidence:g}, must lie between 0.5 and 1"
        raise ValueError(msg)
    a, b = (np.atleast_1d(real(x)) for x in (first, second))
    a, b = a[np.isfinite(a)], b[np.isfinite(b)]
    n, m = len(a), len(b)
    if min(n, m) < LEAST_EACH:
        return Shift(np.nan, np.nan, np.nan, np.nan)
    shift = float(b.mean() - a.mean())
    squares = float(((a - a.mean()) ** 2).sum() + ((b - b.mean()) ** 2).sum())
    se = sqrt(squares / (n + m - 2) * variance_factor * (1.0 / n + 1.0 / m))
    free = max((n + m - 2) / variance_factor, 1.0)
    half = quantile(0.5 + confidence / 2.0, free) * se
    p = (
        probability_below(-shift / se, free)
        if se > 0.0
        else (0.5 if shift == 0.0 else float(shift < 0.0))
    )
    return Shift(shift, shift - half, shift + half, p)


def following_factor(*samples: ArrayLike) -> float:
    r"""By how much readings that follow each other widen the variance of a mean or a rank sum.

    .. math:: (1 + \rho)/(1 - \rho)

    Parameters
    ----------
    samples : (n,) arrays
        Each in order of time, at about equal steps; NaN breaks the order.

    Returns
    -------
    float
        1 or more, 9 at most; :math:`\rho` is the first autocorrelation of both samples together,
        each about its own median, 0 where it is negative.

    References
    ----------
    Bayley and Hammersley (1946), J. R. Stat. Soc. Suppl. 8:184, for a first-order process.
    """
    above, below = 0.0, 0.0
    for sample in samples:
        x: FloatArray = np.atleast_1d(real(sample))
        off = x - np.nanmedian(x) if np.isfinite(x).any() else x
        pairs = off[1:] * off[:-1]
        good = np.isfinite(pairs)
        if good.any():
            above += float(pairs[good].mean()) * int(good.sum())
            below += float((off[np.isfinite(off)] ** 2).mean()) * int(good.sum())
    rho = min(max(above / below, 0.0), 0.8) if below > 0.0 else 0.0
    return (1.0 + rho) / (1.0 - rho)
