"""Median, spread and straight line along the last axis, NaN left out.

Windows of readings are arrays (..., n) with NaN where nothing arrived. A window with too few
readings has no median: the answer is NaN, without a warning.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.physics._arrays import FloatArray, IntArray, real

__all__ = ["count", "line_fit", "median", "median_error", "spread"]

NORMAL_CONSISTENCY: Final = 1.482602218505602
"""1 / Phi^-1(3/4): makes the spread of normal data estimate their standard deviation. [-]"""
MEDIAN_ERROR: Final = 1.2533141373155003
"""sqrt(pi / 2): error of the median over that of the mean, normal data, many readings. [-]"""


def count(values: ArrayLike) -> IntArray:
    """Number of readings along the last axis: finite values.

    Parameters
    ----------
    values : (..., n) array
        Readings, NaN where missing.

    Returns
    -------
    (...) integer array

    References
    ----------
    Definition.

    Examples
    --------
    >>> count([[1.0, float("nan"), 3.0], [float("nan")] * 3])
    array([2, 0])
    """
    return np.asarray(np.isfinite(_at_least_1d(values)).sum(axis=-1), dtype=np.int64)


def median(values: ArrayLike, least: int = 1) -> FloatArray:
    """Median along the last axis, missing readings left out.

    Parameters
    ----------
    values : (..., n) array
        Readings, NaN where missing; infinities count as missing.
    least : int
        Readings needed, 1 or more.

    Returns
    -------
    (...) array
        NaN where there are fewer readings than needed. In the unit of the values.

    References
    ----------
    Definition; the mean of the two middle readings of an even number.

    Examples
    --------
    >>> median([[1.0, 9.0, 2.0, float("nan")], [1.0] + [float("nan")] * 3], least=2)
    array([ 2., nan])
    """
    x = _at_least_1d(values)
    finite = np.isfinite(x)
    n = finite.sum(axis=-1)
    if x.shape[-1] == 0:
        return np.full(x.shape[:-1], np.nan)
    ordered = np.sort(np.where(finite, x, np.nan), axis=-1)  # NaN last
    low = np.maximum(n - 1, 0) // 2
    high = np.minimum(n // 2, x.shape[-1] - 1)
    # By flat index: `take_along_axis` would first make an index for every axis.
    first = np.arange(0, ordered.size, ordered.shape[-1]).reshape(n.shape)
    a = ordered.take(first + low)
    b = ordered.take(first + high)
    return np.where(n >= max(least, 1), 0.5 * a + 0.5 * b, np.nan)


def spread(values: ArrayLike, least: int = 2) -> FloatArray:
    r"""Robust standard deviation along the last axis: scaled median absolute deviation.

    .. math:: s = 1.4826 \; \mathrm{med}\,|x - \mathrm{med}\,x|

    Parameters
    ----------
    values : (..., n) array
        Readings, NaN where missing; infinities count as missing.
    least : int
        Readings needed, 1 or more.

    Returns
    -------
    (...) array
        NaN where there are fewer readings than needed; 0 where more than half are equal. In the
        unit of the values.

    References
    ----------
    Rousseeuw and Croux (1993), J. Am. Stat. Assoc. 88:1273 (from memory).

    Examples
    --------
    >>> spread([[1.0, 2.0, 3.0, 4.0, 100.0]]).round(4)
    array([1.4826])
    """
    x = _at_least_1d(values)
    x = np.where(np.isfinite(x), x, np.nan)
    return NORMAL_CONSISTENCY * median(np.abs(x - median(x)[..., None]), least)


def median_error(values: ArrayLike, least: int = 2) -> FloatArray:
    r"""Standard error of the median along the last axis, from the robust spread.

    .. math:: 1.2533 \, s / \sqrt{n}

    Parameters
    ----------
    values : (..., n) array
        Readings, NaN where missing; infinities count as missing.
    least : int
        Readings needed, 1 or more.

    Returns
    -------
    (...) array
        NaN where there are fewer readings than needed. In the unit of the values.

    Notes
    -----
    For readings that are independent and roughly normal; readings of one machine seconds apart are
    not, and the true error is larger.

    References
    ----------
    Asymptotic variance of the median of normal data (any statistics text).

    Examples
    --------
    >>> median_error([[1.0, 2.0, 3.0, 4.0]]).round(3)
    array([0.929])
    """
    n = np.maximum(count(values), 1)
    return real(MEDIAN_ERROR * spread(values, least) / np.sqrt(n))


def line_fit(
    x: ArrayLike, y: ArrayLike, least: int = 4
) -> tuple[FloatArray, FloatArray, FloatArray]:
    r"""Straight line through points by least squares along the last axis, missing ones left out.

    Parameters
    ----------
    x, y : (..., n) array
        Points; a pair in which either is NaN is left out.
    least : int
        Points needed, 3 or more.

    Returns
    -------
    slope, slope_error, middle : three arrays (...)
        Slope, its standard error from the scatter about the line, and the mean of ``y``. NaN where
        there are fewer points than needed or all have one ``x``.

    References
    ----------
    Ordinary least squares (any statistics text):
    slope = Sxy / Sxx, error = sqrt((Syy - slope Sxy) / ((n - 2) Sxx)).

    Examples
    --------
    >>> slope, error, middle = line_fit([[0.0, 1.0, 2.0, 3.0]], [[1.0, 3.0, 5.0, float("nan")]], 3)
    >>> (slope + 0.0).round(3), (error + 0.0).round(3), middle.round(3)
    (array([2.]), array([0.]), array([3.]))
    """
    x, y = real(x), real(y)
    there = np.isfinite(x) & np.isfinite(y)
    n = there.sum(axis=-1)
    enough = n >= max(least, 3)
    count = np.maximum(n, 1)
    x_mean = np.where(there, x, 0.0).sum(axis=-1) / count
    y_mean = np.where(there, y, 0.0).sum(axis=-1) / count
    dx = np.where(there, x - x_mean[..., None], 0.0)
    dy = np.where(there, y - y_mean[..., None], 0.0)
    sxx, sxy, syy = (dx * dx).sum(axis=-1), (dx * dy).sum(axis=-1), (dy * dy).sum(axis=-1)
    sxx = np.where(enough & (sxx > 0.0), sxx, np.nan)
    slope = sxy / sxx
    left = np.maximum(syy - slope * sxy, 0.0)  # rounding may leave a hair below zero
    error = np.sqrt(left / (np.maximum(n - 2, 1) * sxx))
    return slope, error, np.where(enough, y_mean, np.nan)


def _at_least_1d(values: ArrayLike) -> FloatArray:
    return np.atleast_1d(real(values))
