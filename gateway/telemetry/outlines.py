"""Windows made of 5-minute buckets, for what a store has not taken together itself."""

from __future__ import annotations

import numpy as np

from gateway.telemetry.base import Outline, Rollups

__all__ = ["joined", "outlined"]


def outlined(rollups: Rollups, width_ms: int) -> Outline:
    """The buckets taken together in windows that start at whole multiples of the width."""
    if not len(rollups):
        empty = np.empty((0, 1 + 3 * len(rollups.signals)))
        return Outline.of(empty, rollups.signals, width_ms)
    window = rollups.start_ms // width_ms * width_ms
    starts, first = np.unique(window, return_index=True)
    known = ~np.isnan(rollups.mean)
    with np.errstate(invalid="ignore"):
        counted = np.add.reduceat(known, first, axis=0, dtype=np.float64)
        total = np.add.reduceat(np.where(known, rollups.mean, 0.0), first, axis=0)
        mean = np.where(counted > 0, total / np.maximum(counted, 1.0), np.nan)
    return Outline(
        starts,
        np.fmin.reduceat(rollups.minimum, first, axis=0),
        mean,
        np.fmax.reduceat(rollups.maximum, first, axis=0),
        rollups.signals,
        width_ms,
    )


def joined(earlier: Outline, later: Outline) -> Outline:
    """Two outlines of the same signals and width, the one before the other."""
    return Outline(
        np.concatenate([earlier.start_ms, later.start_ms]),
        np.concatenate([earlier.minimum, later.minimum]),
        np.concatenate([earlier.mean, later.mean]),
        np.concatenate([earlier.maximum, later.maximum]),
        earlier.signals,
        earlier.width_ms,
    )
