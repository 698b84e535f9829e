"""Trends and changes: robust slope, whether there is one, and when a level shifted.

Along the last axis, NaN left out, like :mod:`rules.physics.robust`. Slope and test make no use of
the normal distribution; the control charts (CUSUM, EWMA) are for readings scaled by a known spread.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, sqrt
from statistics import NormalDist
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from rules.physics._arrays import FloatArray, real

__all__ = [
    "Cusum",
    "MannKendall",
    "TheilSen",
    "autocorrelation_factor",
    "cusum",
    "ewma",
    "mann_kendall",
    "theil_sen",
]

LEAST_READINGS: Final = 4
"""Fewer readings have no trend worth the name."""


class TheilSen(NamedTuple):
    """Slope with its interval, and the line's value at time 0; NaN with too few readings."""

    slope: float
    low: float
    high: float
    intercept: float


def theil_sen(
    time: ArrayLike, values: ArrayLike, confidence: float = 0.95, variance_factor: float = 1.0
) -> TheilSen:
    r"""Robust slope: the median of the slopes between all pairs of readings.

    Parameters
    ----------
    time : (n,) array
        In any unit; equal times make no pair.
    values : (n,) array
        Readings, NaN where missing.
    confidence : float
        Of the interval, between 0.5 and 1.
    variance_factor : float
        By which the variance of Kendall's S is larger than that of independent readings
        (:func:`autocorrelation_factor`).

    Returns
    -------
    TheilSen
        In units of value per unit of time. The interval is Sen's, by the normal approximation of
        Kendall's S; it is as wide as the slopes allow with very few readings.

    Raises
    ------
    ValueError
        Where times and values differ in length, or the confidence cannot be.

    References
    ----------
    Sen (1968), J. Am. Stat. Assoc. 63:1379. The intercept is median(y) - slope x median(t).
    """
    if not 0.5 < confidence < 1.0:
        msg = f"confidence is {confidence:g}, must lie between 0.5 and 1"
        raise ValueError(msg)
    t, y = _known_pairs(time, values)
    i, j = np.triu_indices(len(t), 1)
    apart = t[j] != t[i]
    if len(t) < LEAST_READINGS or not apart.any():
        return TheilSen(np.nan, np.nan, np.nan, np.nan)
    slopes = np.sort((y[j] - y[i])[apart] / (t[j] - t[i])[apart])
    slope = float(np.median(slopes))
    n = len(slopes)
    half = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    half *= sqrt(variance_factor * _variance_of_s(y, t))
    low = min(max(round((n - half) / 2.0) - 1, 0), n - 1)
    high = max(min(round((n + half) / 2.0), n - 1), 0)
    intercept = float(np.median(y) - slope * np.median(t))
    return TheilSen(slope, float(slopes[low]), float(slopes[high]), intercept)


class MannKendall(NamedTuple):
    """S, its variance, the normal score with continuity correction, and the two-sided p."""

    s: float
    variance: float
    z: float
    p: float


def mann_kendall(values: ArrayLike, variance_factor: float = 1.0) -> MannKendall:
    r"""Test for a monotonic trend in readings at equal steps, in order of time.

    .. math:: S = \sum_{i<j} \mathrm{sign}(x_j - x_i), \quad Z = (S \mp 1)/\sqrt{\mathrm{Var} S}

    Parameters
    ----------
    values : (n,) array
        Readings, NaN where missing.
    variance_factor : float
        By which the variance of S is larger than that of independent readings
        (:func:`autocorrelation_factor`).

    Returns
    -------
    MannKendall
        All NaN with fewer than four readings. Readings of one machine that follow closely are not
        independent: thin them out or give the factor, or the test sees trends in noise.

    References
    ----------
    Mann (1945), Econometrica 13:245; Kendall (1975); variance with the correction for ties.
    """
    x = np.atleast_1d(real(values))
    x = x[np.isfinite(x)]
    n = len(x)
    if n < LEAST_READINGS:
        return MannKendall(np.nan, np.nan, np.nan, np.nan)
    i, j = np.triu_indices(n, 1)
    s = float(np.sign(x[j] - x[i]).sum())
    variance = variance_factor * _variance_of_s(x)
    if variance <= 0.0:
        return MannKendall(s, 0.0, 0.0, 1.0)
    z = (s - np.sign(s)) / sqrt(variance)
    return MannKendall(s, variance, z, erfc(abs(z) / sqrt(2.0)))


def autocorrelation_factor(values: ArrayLike, lags: int | None = None) -> float:
    r"""By how much readings that follow each other widen the variance of Kendall's S.

    .. math:: 1 + \frac{2}{n(n-1)(n-2)} \sum_i (n-i)(n-i-1)(n-i-2)\, \rho_i

    Parameters
    ----------
    values : (n,) array
        Readings at equal steps, NaN where missing.
    lags : int, optional
        How many lags are looked at; all where left out, as the authors do.

    Returns
    -------
    float
        Below 1 where neighbours alternate; 1 with fewer than four readings. :math:`\rho_i` are the
        autocorrelations of the ranks left by Sen's line, those that are significant at 5 %.

    References
    ----------
    Hamed and Rao (1998), J. Hydrology 204:182.
    """
    x = np.atleast_1d(real(values))
    x = x[np.isfinite(x)]
    n = len(x)
    if n < LEAST_READINGS:
        return 1.0
    left = x - np.arange(1, n + 1) * theil_sen(np.arange(n), x).slope
    _, place, ties = np.unique(left, return_inverse=True, return_counts=True)
    ranks = (np.cumsum(ties) - 0.5 * (ties - 1))[place]
    off = ranks - ranks.mean()
    spread = float((off * off).sum())
    if spread <= 0.0:
        return 1.0
    limit = NormalDist().inv_cdf(0.975) / sqrt(n)
    total = 0.0
    for i in range(1, min(n - 1, lags or n - 1) + 1):
        rho = float((off[i:] * off[:-i]).sum()) / spread
        if abs(rho) > limit:
            total += (n - i) * (n - i - 1.0) * (n - i - 2.0) * rho
    return 1.0 + 2.0 * total / (n * (n - 1.0) * (n - 2.0))


@dataclass(frozen=True)
class Cusum:
    """Upper and lower sums (..., n), and the index of the first signal of each, -1 for none."""

    high: FloatArray
    low: FloatArray
    first_high: np.ndarray
    first_low: np.ndarray


def cusum(
    values: ArrayLike, target: ArrayLike, allowance: float, limit: float, start: float = 0.0
) -> Cusum:
    r"""Tabular CUSUM: sums of what exceeds the target by more than the allowance.

    .. math:: S_{hi} = \max(0, S_{hi} + x - \mu - k), \quad S_{lo} = \max(0, S_{lo} + \mu - k - x)

    Parameters
    ----------
    values : (..., n) array
        Readings in order of time; a missing one (NaN) leaves the sums as they are.
    target : float or (...) array
        The level held so far, in the unit of the values.
    allowance, limit : float
        k and h, in the unit of the values: half the shift to be found, and 4 to 5 deviations.
    start : float
        Of both sums; half the limit finds a shift that is there from the start sooner.

    Returns
    -------
    Cusum

    References
    ----------
    Page (1954), Biometrika 41:100; NIST/SEMATECH e-Handbook 6.3.2.3; head start: Lucas and Crosier
    (1982), Technometrics 24:199.
    """
    x = np.atleast_1d(real(values))
    mu = np.asarray(real(target))
    high = np.empty_like(x)
    low = np.empty_like(x)
    up = np.full(x.shape[:-1], float(start))
    down = np.full(x.shape[:-1], float(start))
    for i in range(x.shape[-1]):  # over time, not over units
        off = np.where(np.isnan(x[..., i]), np.nan, x[..., i] - mu)
        up = np.where(np.isnan(off), up, np.maximum(0.0, up + off - allowance))
        down = np.where(np.isnan(off), down, np.maximum(0.0, down - off - allowance))
        high[..., i], low[..., i] = up, down
    return Cusum(high, low, _first(high > limit), _first(low > limit))


def ewma(values: ArrayLike, weight: float, start: ArrayLike) -> FloatArray:
    r"""Exponentially weighted moving average: :math:`z_i = \lambda x_i + (1 - \lambda) z_{i-1}`.

    Parameters
    ----------
    values : (..., n) array
        Readings in order of time; a missing one (NaN) leaves the average as it is.
    weight : float
        Of the newest reading, above 0, 1 at most.
    start : float or (...) array
        The average before the first reading.

    Returns
    -------
    (..., n) array

    Raises
    ------
    ValueError
        For a weight that cannot be.

    References
    ----------
    Roberts (1959), Technometrics 1:239; NIST/SEMATECH e-Handbook 6.3.2.4.
    """
    if not 0.0 < weight <= 1.0:
        msg = f"weight is {weight:g}, must be above 0 and at most 1"
        raise ValueError(msg)
    x = np.atleast_1d(real(values))
    out = np.empty_like(x)
    now = np.broadcast_to(real(start), x.shape[:-1]).astype(np.float64)
    for i in range(x.shape[-1]):
        now = np.where(np.isnan(x[..., i]), now, weight * x[..., i] + (1.0 - weight) * now)
        out[..., i] = now
    return out


def _first(signal: np.ndarray) -> np.ndarray:
    return np.where(signal.any(axis=-1), signal.argmax(axis=-1), -1)


def _known_pairs(time: ArrayLike, values: ArrayLike) -> tuple[FloatArray, FloatArray]:
    t, y = np.atleast_1d(real(time)), np.atleast_1d(real(values))
    if t.shape != y.shape:
        msg = f"{len(t)} times and {len(y)} values do not belong together"
        raise ValueError(msg)
    known = np.isfinite(t) & np.isfinite(y)
    return t[known], y[known]


def _variance_of_s(*samples: FloatArray) -> float:
    """Variance of Kendall's S, less what ties take away (of the values, and of the times)."""
    n = len(samples[0])
    variance = n * (n - 1.0) * (2.0 * n + 5.0)
    for sample in samples:
        _, ties = np.unique(sample, return_counts=True)
        variance -= float((ties * (ties - 1.0) * (2.0 * ties + 5.0)).sum())
    return variance / 18.0
