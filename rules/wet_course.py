"""How the wet TD goes with the wet-bulb depression: what pads lose is a share of that.

What coil and airflow lose is not. So a straight line through the newest wet TDs tells the two apart
in wet running alone. Of a clean unit the line is not level either (pads do less at full airflow
than at half, and a nameplate is not quite true), so it is learned with the baseline.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.heat import divided
from rules.plan import FleetPlan
from rules.state import STEADY, STEADY_BINS, WET_FALLS, FleetState

__all__ = ["PAD_ERROR_FRAC", "TD_ERROR_FRAC", "Fall", "fall_of", "learn_course", "newest_means"]

_Q: Final = {q.name: i for i, q in enumerate(STEADY)}
SHORT_FALLS: Final = 12
"""The newest means that are looked at where something came in the middle of all."""
LEAST_FALLS: Final = 8
MOST_CROOKED: Final = 0.08
"""Scatter about the straight line, as a share of the TD, beyond which there is none."""
MOST_FALL_ERROR: Final = 0.2
"""Standard error of the effect found by the depression, beyond which it is not found."""
TD_ERROR_FRAC: Final = 0.04
"""Error of a normalised TD by the laws of airflow, as a fraction of it (judgement)."""
PAD_ERROR_FRAC: Final = 0.05
"""How far effectiveness goes with airflow, and how well the nameplate knows it (judgement)."""


def newest_means(state: FleetState, rows: I64, quantity: str, bins: int) -> F64:
    """The last accepted means, (m, bins), newest first, NaN where there are fewer."""
    q = _Q[quantity]
    count = state.steady_count[rows, q]
    back = np.arange(1, bins + 1)
    position = (count[:, None] - back) % STEADY_BINS
    first = (rows * len(STEADY) + q) * STEADY_BINS
    window: F64 = state.steady.reshape(-1).take(first[:, None] + position).astype(np.float64)
    window[back > count[:, None]] = np.nan
    return window


@dataclass(frozen=True)
class Fall:
    """What the wet TDs say by their course with the depression, (k,); NaN where they do not."""

    effect: F64
    """The pads' effectiveness."""
    lost: F64
    """What of the depression is lost to the TD, over what was when clean where that is known."""
    sd: F64
    base: F64
    """The wet TD over its clean one, without what the depression explains, and its error."""
    base_se: F64
    crooked: Bool
    """Something came at once in the middle of the newest."""
    mostly: Bool
    """What goes with the depression is the greater part of the rise, or nothing has risen."""
    learned: Bool
    """The course of the clean unit is known."""


@dataclass(frozen=True)
class _Line:
    """Wet TDs over their baseline against the depression: a straight line through the newest."""

    slope: F64
    error: F64
    middle: F64
    level: F64
    base_error: F64
    crooked: Bool


def _line(state: FleetState, rows: I64, base: F64, most: I64, least_noise: F64) -> _Line:
    """The line through at most so many of the newest means, (k,) each."""
    count = state.steady_count[rows, _Q["td_wet"]]
    back = np.arange(1, int(most.max(initial=1)) + 1)
    place = (count[:, None] - back) % WET_FALLS
    x = state.wet_falls_k[rows[:, None], place].astype(np.float64)
    y = newest_means(state, rows, "td_wet", len(back)) - base[:, None]
    there = ~np.isnan(x) & ~np.isnan(y) & (back <= most[:, None])
    n = np.maximum(there.sum(axis=1), 1)
    x, y = np.where(there, x, 0.0), np.where(there, y, 0.0)
    middle, level = x.sum(axis=1) / n, y.sum(axis=1) / n
    dx = np.where(there, x - middle[:, None], 0.0)
    dy = np.where(there, y - level[:, None], 0.0)
    spread = (dx**2).sum(axis=1)
    slope = divided((dx * dy).sum(axis=1), spread)
    rest = ((dy - np.nan_to_num(slope)[:, None] * dx) ** 2).sum(axis=1)
    scatter = np.sqrt(rest / np.maximum(n - 2, 1))
    noise = np.maximum(scatter, least_noise)
    error = divided(noise, np.sqrt(spread))
    # What came at once in the middle of them makes no straight line.
    straight = scatter <= MOST_CROOKED * (base + level)
    fine = (n >= LEAST_FALLS) & (error <= MOST_FALL_ERROR) & straight
    return _Line(
        np.where(fine, slope, np.nan), error, middle, level,
        noise * np.sqrt(1.0 / n + np.nan_to_num(divided(middle**2, spread))), ~straight,
    )  # fmt: skip


def learn_course(state: FleetState, rows: I64, means: I64) -> None:
    """Learn how the clean wet TD goes with the depression, of units that just learned its baseline.

    It is not level: pads do less at full airflow than at half, and no nameplate is quite true.
    ``means`` is what the baseline rests on, (k,). Forgotten where the depression hardly moved.
    """
    base = state.baseline[rows, _Q["td_wet"]]
    line = _line(state, rows, base, np.minimum(means, WET_FALLS), TD_ERROR_FRAC * base)
    course = np.stack([line.slope, line.error, line.middle], axis=1)
    course[np.isnan(line.slope)] = np.nan
    state.wet_course[rows] = course


def fall_of(plan: FleetPlan, state: FleetState, rows: I64, known: Bool) -> Fall:
    """What the newest wet TDs say by their course with the depression: a straight line.

    Only where the load is known, or the clean course; NaN where the depression did not move enough.
    """
    base = np.where(
        known | ~np.isnan(state.wet_course[rows, 0]), state.baseline[rows, _Q["td_wet"]], np.nan
    )
    clean_slope, clean_error, clean_middle = (
        column.astype(np.float64) for column in state.wet_course[rows].T
    )
    learned = ~np.isnan(clean_slope)
    whole = np.full(len(rows), WET_FALLS)
    short = _line(state, rows, base, np.full(len(rows), SHORT_FALLS), TD_ERROR_FRAC * base)
    long = _line(state, rows, base, whole, TD_ERROR_FRAC * base)
    # The longer course is the surer one, unless something came or went in it.
    pick = ~np.isnan(long.slope) & ~long.crooked

    def of(name: str) -> F64:
        picked: F64 = np.where(pick, getattr(long, name), getattr(short, name))
        return picked

    # Where the clean course is known, what is over it counts.
    usual = np.nan_to_num(clean_slope)
    slope, middle = of("slope") - usual, of("middle")
    level = of("level") - usual * (middle - np.nan_to_num(clean_middle)) * learned
    lost = np.clip(slope, 0.0, 1.0)
    error = np.hypot(of("error"), np.nan_to_num(clean_error))
    return Fall(
        plan.pad_effectiveness_frac[rows] - slope,
        slope,
        np.hypot(error, PAD_ERROR_FRAC),
        divided(base + level - lost * middle, base),
        divided(of("base_error"), base),
        short.crooked & ~np.isnan(base) & known,
        lost * middle >= 0.5 * level,
        learned,
    )
