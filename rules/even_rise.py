"""Whether what a unit condenses higher goes with its load, or is the same kelvins at any.

A coil that transfers less, or fans that move less, lift the condensing temperature by a share of
the difference that the heat needs: much at a large load, little at a small one. Gas that does not
condense adds its own pressure to the refrigerant's (Dalton's law), whatever the load; so does a
reading that is off. Both laws are fitted to the hourly means, as least squares through nothing, and
one is believed where the other leaves several times as much unexplained. A load that stands still
tells nothing, and without the load nothing is fitted. Where fans hold the condensing temperature
what is higher falls as more is expected: that is neither law, and so a rise counts as even only
where its course with the expected difference is level.

What dry pads cost goes with the weather and not with the load, and no more than their whole effect
can be lost: only what is beyond that speaks of gas.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.plan import FleetPlan
from rules.state import BIN_MS, EVEN_SUMS, STEADY, FleetState

__all__ = [
    "LEAST_EVEN_K",
    "beyond_pads",
    "even_rise_k",
    "fades",
    "forget_even",
    "goes_with_load",
    "mind_even",
    "not_told_yet",
]

_TD: Final = np.array([[q.name for q in STEADY].index(name) for name in ("td_dry", "td_wet")])
_WEIGHT, _EXCESS, _SQUARE, _EXPECTED, _EXPECTED_SQUARE, _PRODUCT, _PADS = range(EVEN_SUMS)

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
GONE_TIMES: Final = 2.0
"""So much more the even law leaves once it is no longer believed."""
LEAST_SWING_FRAC: Final = 0.12
"""Standard deviation over mean of the expected TD: below it the errors of a load meter are most of
what moves (judgement)."""
LEAST_SLOPE, MOST_SLOPE = -0.75, 0.5
"""Change of an even rise with the expected TD, K a K; a coil that is blocked by half has 1, fans
that hold the temperature -1. Gas of one pressure has some tenths below 0: the hotter the
refrigerant, the fewer kelvins a kilopascal is (judgement)."""
ENDED_SHARE: Final = 0.5
"""Of an even rise: gas that is let out is gone within the hour."""
BEYOND_PADS: Final = 1.15
"""Over the whole effect of the pads by their nameplate: its error (judgement)."""
DAY_BINS: Final = 86_400_000 // BIN_MS
FADES_BINS: Final = 2 * DAY_BINS
"""After its end the means with it are among those of the last days (judgement)."""
WAITS_BINS: Final = 2 * DAY_BINS
"""By then a load that moves at all has gone up and down (judgement)."""
STALE_BINS: Final = 3 * DAY_BINS
"""Means of before a silence as long say nothing of the course of those after it (judgement)."""
_FADES: Final = -1.0


def mind_even(
    plan: FleetPlan,
    state: FleetState,
    rows: I64,
    bin_id: I64,
    wet: Bool,
    td_k: F64,
    rate: F64,
    depression_k: F64,
) -> None:
    """Take in the newest mean of each of ``rows``, (k,), which ends in the bins ``bin_id``.

    Parameters
    ----------
    td_k, rate
        The TD referred to rated load and full airflow, NaN where none is known, and the factor by
        which it was. [K, -]
    depression_k
        Wet-bulb depression, as it was. [K]
    """
    # Whoever works on the unit may let the gas out, or mend the reading.
    forget_even(state, rows[state.out_of_service_until_ms[rows] != 0])
    base = state.baseline[rows, _TD[wet.astype(np.int64)]]
    fine = ~np.isnan(td_k) & ~np.isnan(base) & state.heat_load_seen[rows]
    at = np.flatnonzero(fine & (state.out_of_service_until_ms[rows] == 0))
    if not len(at):
        return
    row, now, expected = rows[at], bin_id[at], base[at] / rate[at]
    excess = td_k[at] / rate[at] - expected
    pads = np.where(wet[at], plan.pad_effectiveness_frac[row] * depression_k[at], 0.0)
    stale = now - state.even_bin[row] > STALE_BINS
    old = np.where(stale[:, None], 0.0, state.even_sums[row].astype(np.float64))
    before = state.even_rise_k[row].astype(np.float64)
    before = np.where(stale, np.maximum(before, 0.0), before)
    clean = _mean(old, _EXCESS) < CLEAN_SHARE * LEAST_EVEN_K
    begins = (excess >= LEAST_EVEN_K) & clean
    ends = (before > 0.0) & (excess < ENDED_SHARE * before)
    kept = np.where(begins | ends, 0.0, 1.0 - 1.0 / MEMORY_MEANS)
    new = np.stack(
        [np.ones(len(at)), excess, excess**2, expected, expected**2, excess * expected, pads],
        axis=1,
    )
    sums = kept[:, None] * old + new
    # What begins while another fades does not prolong that.
    anew = (begins & (before >= 0.0)) | ends | stale
    since = np.where(anew, now, state.even_since_bin[row])
    even, goes = _left_unexplained(sums)
    rise = _mean(sums, _EXCESS)
    told = (sums[:, _WEIGHT] >= LEAST_MEANS) & _beyond(sums) & _is_level(sums)
    gone = (rise < LEAST_EVEN_K / 2.0) | (GONE_TIMES * goes < even)
    holds = (told & (TOLD_TIMES * even <= goes)) | ((before > 0.0) & ~gone)
    # What ends otherwise than at once fades as well.
    over = (before > 0.0) & ~holds
    since = np.where(over, now, since)
    fading = (over | (before < 0.0)) & (now - since < FADES_BINS) & ~_goes(sums)
    state.even_sums[row], state.even_bin[row], state.even_since_bin[row] = sums, now, since
    state.even_rise_k[row] = np.where(holds, rise, np.where(fading, _FADES, 0.0))


def forget_even(state: FleetState, rows: I64 | int) -> None:
    """What is known of it is of a unit that is no more: another clean state, or somebody's work."""
    state.even_sums[rows] = 0.0
    state.even_rise_k[rows] = 0.0


def even_rise_k(state: FleetState, rows: I64, bin_id: I64) -> F64:
    """By how much units condense higher at any load, (k,): 0 where they do not, or nothing told it;
    NaN where it did, and a day brought no mean that would bear it out. [K]"""
    age = bin_id - state.even_bin[rows]
    rise = np.maximum(state.even_rise_k[rows].astype(np.float64), 0.0)
    return np.where((rise > 0.0) & (age > DAY_BINS), np.nan, rise)


def fades(state: FleetState, rows: I64, bin_id: I64) -> Bool:
    """Units of which an even rise ended lately, (k,): their means of the last days say little."""
    young: Bool = bin_id - state.even_since_bin[rows] < FADES_BINS
    return (state.even_rise_k[rows] < 0.0) & young


def goes_with_load(state: FleetState, rows: I64) -> Bool:
    """Units of which it is told that what they condense higher goes with the load, (k,)."""
    return _goes(state.even_sums[rows].astype(np.float64))


def beyond_pads(state: FleetState, rows: I64) -> Bool:
    """Units that condense higher, of late, by more than dry pads can cost, (k,)."""
    return _beyond(state.even_sums[rows].astype(np.float64))


def not_told_yet(state: FleetState, rows: I64, bin_id: I64) -> Bool:
    """Units that condense higher since hours ago, by more than pads can cost, (k,): the next hours
    of two days will tell which law it is."""
    sums = state.even_sums[rows].astype(np.float64)
    open_still = (state.even_rise_k[rows] == 0.0) & ~_goes(sums)
    out: Bool = open_still & _beyond(sums) & (bin_id - state.even_since_bin[rows] < WAITS_BINS)
    return out


def _goes(sums: F64) -> Bool:
    even, goes = _left_unexplained(sums)
    told = (sums[:, _WEIGHT] >= LEAST_MEANS) & (_mean(sums, _EXCESS) >= LEAST_EVEN_K / 2.0)
    out: Bool = told & (TOLD_TIMES * goes <= even)
    return out


def _beyond(sums: F64) -> Bool:
    rise = _mean(sums, _EXCESS)
    out: Bool = (rise >= LEAST_EVEN_K) & (rise > BEYOND_PADS * _mean(sums, _PADS))
    return out


def _is_level(sums: F64) -> Bool:
    """Where the expected TD swings, and the rise does not go up or down with it."""
    weight, expected = sums[:, _WEIGHT], _mean(sums, _EXPECTED)
    swing = _divided(sums[:, _EXPECTED_SQUARE], weight) - expected**2
    along = _divided(sums[:, _PRODUCT], weight) - expected * _mean(sums, _EXCESS)
    swings = swing >= (LEAST_SWING_FRAC * expected) ** 2
    out: Bool = swings & (along <= MOST_SLOPE * swing) & (along >= LEAST_SLOPE * swing)
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
