"""Whether what a unit condenses higher goes with its load, or is the same kelvins at any.

A coil that transfers less, or fans that move less, lift the condensing temperature by a share of
the difference that the heat needs: much at a large load, little at a small one. Gas that does not
condense adds its own pressure to the refrigerant's (Dalton's law), whatever the load; so does a
reading that is off. Both laws are fitted to the hourly means, as least squares through nothing, and
one is believed where the other leaves several times as much unexplained. A load that stands still
tells nothing, and without the load nothing is fitted.

What dry pads cost goes with the weather and not with the load, and no more than their whole effect
can be lost: only what is beyond that speaks of gas.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.plan import FleetPlan
from rules.state import EVEN_SUMS, STEADY, FleetState

__all__ = ["LEAST_EVEN_K", "goes_with_load", "is_even", "mind_even", "not_told_yet"]

_TD: Final = np.array([[q.name for q in STEADY].index(name) for name in ("td_dry", "td_wet")])
_WEIGHT, _EXCESS, _SQUARE, _EXPECTED_SQUARE, _PRODUCT, _PADS = range(EVEN_SUMS)

LEAST_EVEN_K: Final = 4.0
"""Less may be two sensors that differ, or own warm air (judgement)."""
CLEAN_SHARE: Final = 0.25
"""Up to this share of it the means before count as clean: what comes then begins anew."""
MEMORY_MEANS: Final = 24
"""Means that are remembered: a day's, so that what grows for weeks is nearly level in them."""
LEAST_MEANS: Final = 8.0
"""Weight of means from which the laws are told apart: some ten hours, which hold a night or a noon
(judgement)."""
TOLD_TIMES: Final = 4.0
"""So much more the worse law leaves unexplained, squared (judgement)."""
ENDED_SHARE: Final = 0.5
"""Of an even rise: gas that is let out is gone within the hour."""
FADED_MEANS: Final = 20.0
"""Weight of means after its end from which the means with it no longer count: two days."""
_FADES: Final = -1.0
BEYOND_PADS: Final = 1.15
"""Over the whole effect of the pads by their nameplate: its error (judgement)."""


def mind_even(
    plan: FleetPlan,
    state: FleetState,
    rows: I64,
    wet: Bool,
    td_k: F64,
    rate: F64,
    depression_k: F64,
) -> None:
    """Take in the newest mean of each of ``rows``, (k,).

    Parameters
    ----------
    td_k, rate
        The TD referred to rated load and full airflow, NaN where none is known, and the factor by
        which it was. [K, -]
    depression_k
        Wet-bulb depression, as it was. [K]
    """
    base = state.baseline[rows, _TD[wet.astype(np.int64)]]
    fine = ~np.isnan(td_k) & ~np.isnan(base) & state.heat_load_seen[rows]
    at = np.flatnonzero(fine & (state.out_of_service_until_ms[rows] == 0))
    if not len(at):
        return
    row, expected = rows[at], base[at] / rate[at]
    excess = td_k[at] / rate[at] - expected
    pads = np.where(wet[at], plan.pad_effectiveness_frac[row] * depression_k[at], 0.0)
    old = state.even_sums[row].astype(np.float64)
    before = state.even_rise_k[row].astype(np.float64)
    begins = (excess >= LEAST_EVEN_K) & (_mean(old, _EXCESS) < CLEAN_SHARE * LEAST_EVEN_K)
    ends = (before > 0.0) & (excess < ENDED_SHARE * before)
    kept = np.where(begins | ends, 0.0, 1.0 - 1.0 / MEMORY_MEANS)
    new = np.stack(
        [np.ones(len(at)), excess, excess**2, expected**2, excess * expected, pads], axis=1
    )
    sums = kept[:, None] * old + new
    state.even_sums[row] = sums
    even, goes = _left_unexplained(sums)
    rise = _mean(sums, _EXCESS)
    told = (sums[:, _WEIGHT] >= LEAST_MEANS) & _beyond_pads(sums)
    gone = (rise < LEAST_EVEN_K / 2.0) | (goes < even)
    holds = (told & (TOLD_TIMES * even <= goes)) | ((before > 0.0) & ~gone)
    fades = (before != 0.0) & (sums[:, _WEIGHT] < FADED_MEANS)
    state.even_rise_k[row] = np.where(holds, rise, np.where(fades, _FADES, 0.0))


def is_even(state: FleetState, rows: I64) -> Bool:
    """Units that condense higher by the same kelvins at any load, (k,), or did until lately: their
    means of the last days say nothing else."""
    even: Bool = state.even_rise_k[rows] != 0.0
    return even


def goes_with_load(state: FleetState, rows: I64) -> Bool:
    """Units of which it is told that what they condense higher goes with the load, (k,)."""
    sums = state.even_sums[rows].astype(np.float64)
    even, goes = _left_unexplained(sums)
    told = (sums[:, _WEIGHT] >= LEAST_MEANS) & (_mean(sums, _EXCESS) >= LEAST_EVEN_K / 2.0)
    out: Bool = told & (TOLD_TIMES * goes <= even)
    return out


def not_told_yet(state: FleetState, rows: I64) -> Bool:
    """Units that condense higher since hours ago, by more than pads can cost, (k,): the next hours
    will tell which law it is."""
    sums = state.even_sums[rows].astype(np.float64)
    young = (sums[:, _WEIGHT] > 0.0) & (sums[:, _WEIGHT] < LEAST_MEANS)
    out: Bool = young & _beyond_pads(sums)
    return out


def _beyond_pads(sums: F64) -> Bool:
    rise = _mean(sums, _EXCESS)
    out: Bool = (rise >= LEAST_EVEN_K) & (rise > BEYOND_PADS * _mean(sums, _PADS))
    return out


def _left_unexplained(sums: F64) -> tuple[F64, F64]:
    """Sums of squares that an even rise leaves, and one that goes with the load. [K²]"""
    square = sums[:, _SQUARE]
    even = square - _divided(sums[:, _EXCESS] ** 2, sums[:, _WEIGHT])
    goes = square - _divided(sums[:, _PRODUCT] ** 2, sums[:, _EXPECTED_SQUARE])
    return np.maximum(even, 0.0), np.maximum(goes, 0.0)


def _mean(sums: F64, which: int) -> F64:
    return _divided(sums[:, which], sums[:, _WEIGHT])


def _divided(above: F64, below: F64) -> F64:
    return np.where(below > 0.0, above / np.where(below > 0.0, below, 1.0), 0.0)
