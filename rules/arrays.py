"""Names for the array types that the rules use: one row a unit, first axis the units."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["F16", "F32", "F64", "I8", "I16", "I32", "I64", "U8", "U16", "U32", "Bool", "span"]

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]
F16 = NDArray[np.float16]
I64 = NDArray[np.int64]
I32 = NDArray[np.int32]
U32 = NDArray[np.uint32]
I8 = NDArray[np.int8]
I16 = NDArray[np.int16]
U8 = NDArray[np.uint8]
U16 = NDArray[np.uint16]
Bool = NDArray[np.bool_]


def span(rows: I64) -> slice | I64:
    """Ascending, distinct ``rows`` as a slice where none is left out.

    A wide column is read and written in place through a slice; through an index it is copied twice.
    What is read through a slice is the column itself: it changes when the column does.
    """
    if len(rows) and rows[-1] - rows[0] + 1 == len(rows):
        return slice(int(rows[0]), int(rows[-1]) + 1)
    return rows
