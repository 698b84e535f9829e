"""Median and spread that a few bad readings cannot move, along the last axis, NaN left out.

Windows of readings are arrays (..., n) with NaN where nothing arrived. A window with too few
readings has no median: the answer is NaN, without a warning.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.physics._arrays import FloatArray, IntArray, real

__all__ = ["count", "median", "median_error", "spread"]

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
    a = np.take_along_axis(ordered, low[..., None], axis=-1)[..., 0]
    b = np.take_along_axis(ordered, high[..., None], axis=-1)[..., 0]
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


def _at_least_1d(values: ArrayLike) -> FloatArray:
    return np.atleast_1d(real(values))
