"""Small helpers of the physics: number arrays in, NaN where a formula does not hold.

Every formula of this package masks its inputs with these first, so that a value outside the range
of the formula gives NaN and never a clamped or extrapolated figure, and never a warning.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["BoolArray", "FloatArray", "IntArray", "non_negative", "positive", "real", "within"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

_SANE: Final = 1.0e12
"""Above any flow, volume, area or power of a plant; keeps products within double precision."""


def real(values: ArrayLike) -> FloatArray:
    """The values as a float64 array; an array that already is one is not copied."""
    return np.asarray(values, dtype=np.float64)


def within(values: ArrayLike, low: ArrayLike, high: ArrayLike) -> FloatArray:
    """A copy of the values with NaN wherever they are outside ``low`` to ``high``, ends included.

    Examples
    --------
    >>> within([1.0, 5.0, np.inf], 0.0, 4.0)
    array([ 1., nan, nan])
    """
    x = np.asarray(values, dtype=np.float64)
    return np.where(np.greater_equal(x, low) & np.less_equal(x, high), x, np.nan)


def non_negative(values: ArrayLike) -> FloatArray:
    """A copy of the values with NaN wherever they are below zero or not finite."""
    return within(values, 0.0, _SANE)


def positive(values: ArrayLike) -> FloatArray:
    """A copy of the values with NaN wherever they are zero, below zero or not finite."""
    return within(values, 1.0 / _SANE, _SANE)
