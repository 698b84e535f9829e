"""Means, steps and climbs of windows of five-minute means, (m, bins), NaN for gaps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.arrays import F64, Bool
from rules.physics.robust import median
from rules.state import BIN_MS

__all__ = [
    "Windows",
    "mean",
    "mean_error",
    "missed_in_gulps",
    "steady_slope",
    "wet_running",
    "windows_of",
    "without_leaps",
]


@dataclass(frozen=True)
class Windows:
    """Five-minute means of some units, (m, bins), oldest first, NaN for what was not measured."""

    level_running: F64
    conductivity: F64
    evaporation: F64
    makeup_flow: F64
    bleed_flow: F64
    humidity_pct: F64 | None = None
    """The newest relative humidity, (m,); without it evaporation counts as good as in dry air."""


def windows_of(trace: Callable[[str], F64], humidity_pct: F64) -> Windows:
    """The windows by the names of their traces, with the newest humidity. [%]"""
    return Windows(
        level_running=trace("level_running"),
        conductivity=trace("conductivity"),
        evaporation=trace("evaporation"),
        makeup_flow=trace("makeup_flow"),
        bleed_flow=trace("bleed_flow"),
        humidity_pct=humidity_pct,
    )


def wet_running(windows: Windows) -> Bool:
    """Which means were taken in wet running: the level says so, or evaporation, (m, bins)."""
    running: Bool = ~np.isnan(windows.level_running) | (windows.evaporation > 0.0)
    return running


def mean(window: F64, least: int) -> F64:
    """Mean of what is there; NaN with fewer than ``least`` of them, (m,)."""
    there = ~np.isnan(window)
    n = there.sum(axis=-1)
    found = np.where(there, window, 0.0).sum(axis=-1) / np.maximum(n, 1)
    return np.where(n >= least, found, np.nan)


LEAP_MM: Final = 15.0
"""A mean of the level so far from both its neighbours, which agree, is a reading gone wrong."""


def without_leaps(level: F64) -> F64:
    """The levels without single means that leap: water in a basin cannot come and go like that.

    One of them would feign a rise for as long as it is in the window.
    """
    middle = median(np.stack([level[:, :-2], level[:, 1:-1], level[:, 2:]], axis=-1), 3)
    out = level.copy()
    out[:, 1:-1] = np.where(np.abs(level[:, 1:-1] - middle) > LEAP_MM, np.nan, level[:, 1:-1])
    return out


HALF_HOUR_BINS: Final = 6


def steady_slope(window: F64, least: int) -> F64:
    """Median climb over half an hour, an hour; NaN with too few such pairs."""
    climbs = window[:, HALF_HOUR_BINS:] - window[:, :-HALF_HOUR_BINS]
    n = (~np.isnan(climbs)).sum(axis=1)
    ordered = np.sort(climbs, axis=1)  # NaN last
    low = np.take_along_axis(ordered, np.maximum((n[:, None] - 1) // 2, 0), axis=1)[:, 0]
    high = np.take_along_axis(ordered, np.minimum(n, climbs.shape[1] - 1)[:, None] // 2, axis=1)
    hours = HALF_HOUR_BINS * BIN_MS / 3_600_000.0
    return np.where(n >= least - HALF_HOUR_BINS, (low + high[:, 0]) / (2.0 * hours), np.nan)


def mean_error(window: F64) -> F64:
    """Standard error of a mean from the scatter of what it is made of."""
    there = ~np.isnan(window)
    n = np.maximum(there.sum(axis=-1), 1)
    found = np.where(there, window, 0.0).sum(axis=-1) / n
    left = np.where(there, window - found[..., None], 0.0)
    error: F64 = np.sqrt((left * left).sum(axis=-1) / np.maximum(n - 1, 1) / n)
    return error


def missed_in_gulps(window: F64, least: F64, full: F64) -> F64:
    """Standard error of a mean flow that comes in gulps and is read at moments only, (m,).

    A float that opens and shuts lets a basin's band of water in within minutes, so readings every
    few minutes may fall between. ``least`` is the flow that counts as any, ``full`` the valve's.
    Zero in half of the means and more tells gulps; then one more of them may have been missed. A
    valve that throttles, or a meter read often enough, gives flow in most means.
    """
    there = ~np.isnan(window)
    n = there.sum(axis=-1)
    flowing = (window > least[:, None]).sum(axis=-1)
    one = np.where((n > 0) & (2 * flowing <= n), full / np.maximum(n, 1), 0.0)
    return np.hypot(mean_error(window), one)
