"""Sets of signals, packed: one bit a signal, so that a set costs a unit three bytes."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import U8, Bool
from rules.signals import N_SIGNALS, SIGNALS

__all__ = ["SET_BYTES", "names_in", "packed", "unpacked"]

SET_BYTES: Final = (N_SIGNALS + 7) // 8


def packed(mask: Bool) -> U8:
    """(k, signals) as (k, :data:`SET_BYTES`)."""
    return np.packbits(mask, axis=1)


def unpacked(sets: U8) -> Bool:
    """(k, :data:`SET_BYTES`) as (k, signals)."""
    return np.unpackbits(sets, axis=1, count=N_SIGNALS).view(np.bool_)


def names_in(one: U8) -> tuple[str, ...]:
    """The signals of one set (:data:`SET_BYTES`,), in catalogue order."""
    return tuple(SIGNALS[i].name for i in np.flatnonzero(unpacked(one[None, :])[0]).tolist())
