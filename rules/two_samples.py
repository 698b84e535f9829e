"""Two samples against each other, without the normal distribution: is there a shift, and how large?

Mann-Whitney's test and Hodges and Lehmann's estimate with its interval. Both take readings that
follow each other in time for what they are: fewer than their number says.
"""

from __future__ import annotations

from math import erfc, sqrt
from statistics import NormalDist
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from rules.physics._arrays import FloatArray, real

__all__ = ["Shift", "following_factor", "shift_between"]

LEAST_EACH: Final = 2


class Shift(NamedTuple):
    """How far the second sample lies above the first; NaN with too few readings.

    ``u`` is Mann-Whitney's statistic of the second sample, ``p_above`` the one-sided probability of
    as much by chance; ``low`` to ``high`` is the interval of ``shift``, in the readings' unit.
    """

    shift: float
    low: float
    high: float
    u: float
    p_above: float


def shift_between(
    first: ArrayLike, second: ArrayLike, confidence: float = 0.95, variance_factor: float = 1.0
) -> Shift:
    r"""The shift from the first to the second sample: median of all differences between them.

    .. math:: z = \frac{U - nm/2 - 1/2}{\sqrt{nm/12 \,((N + 1) - \sum (t^3 - t)/(N(N - 1)))}}

    Parameters
    ----------
    first, second : (n,), (m,) array
        Readings, NaN where missing.
    confidence : float
        Of the interval, between 0.5 and 1.
    variance_factor : float
        By which the variance of U is larger than that of independent readings
        (:func:`following_factor`).

    Returns
    -------
    Shift
        By the normal approximation with continuity correction; fair from about eight readings each.

    Raises
    ------
    ValueError
        Where the confidence cannot be.

    References
    ----------
    Mann and Whitney (1947), Ann. Math. Stat. 18:50; Hodges and Lehmann (1963), Ann. Math. Stat.
    34:598; interval as in Hollander and Wolfe, *Nonparametric Statistical Methods*, 4.3.
    """
    if not 0.5 < confidence < 1.0:
        msg = f"confidence is {confidence:g}, must lie between 0.5 and 1"
        raise ValueError(msg)
    a, b = (np.atleast_1d(real(x)) for x in (first, second))
    a, b = a[np.isfinite(a)], b[np.isfinite(b)]
    n, m = len(a), len(b)
    if min(n, m) < LEAST_EACH:
        return Shift(np.nan, np.nan, np.nan, np.nan, np.nan)
    apart = np.sort((b[:, None] - a[None, :]).reshape(-1))
    u = float((apart > 0).sum() + 0.5 * (apart == 0).sum())
    total = n + m
    _, ties = np.unique(np.concatenate([a, b]), return_counts=True)
    tied = float((ties**3.0 - ties).sum()) / (total * (total - 1.0))
    variance = variance_factor * n * m / 12.0 * (total + 1.0 - tied)
    p = 0.5
    if variance > 0.0:
        p = 0.5 * erfc((u - n * m / 2.0 - 0.5) / sqrt(variance) / sqrt(2.0))
    half = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    half *= sqrt(variance_factor * n * m * (total + 1.0) / 12.0)
    k = int(np.floor(n * m / 2.0 - half))
    k = min(max(k, 0), (n * m - 1) // 2)
    return Shift(float(np.median(apart)), float(apart[k]), float(apart[-1 - k]), u, p)


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
