"""Which hours of the day the clean TDs are of, where nobody sends the load, and how old each is.

Loads follow the hour: at night a store rejects half of what it does by day. And a fault itself
changes which hours are seen. Fans of a clean unit rest at their lowest speed all night, where the
temperature difference says little; those of a fouled one stand above it, and half the load hides
what the coil lost by day. So a mean counts against the clean ones only if it is of an hour of the
day that they are of as well.

And of the week: a works that rests at weekends has means of two kinds, and their median may be of
either. So the busy hours are held against busy ones, too, upper quartile against upper quartile.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.plan import FleetPlan
from rules.state import BIN_MS, STEADY, STEADY_BINS, TD_AGES, FleetState

__all__ = [
    "TURNS_A_DAY", "TURN_BINS", "ages_bins", "learn_hours", "mind_turn", "of_learned_hours",
    "upper_quartile",
]  # fmt: skip

TURN_BINS: Final = 36
"""Bins of a turn of the day, one mean each: three hours, as long as a mean without a load takes."""
TURNS_A_DAY: Final = 86_400_000 // BIN_MS // TURN_BINS
_CYCLE: Final = 1 << 16
"""Turns are counted so far and then from zero: 22 years, whole days."""
_LONGEST: Final = 255
LEAST_EVEN_SHARE: Final = 0.25
"""Of an even share over the day: what a turn must have brought to the clean means to be one of
theirs. One warm night of weeks is no habit (judgement)."""
_TD_Q: Final = [[q.name for q in STEADY].index(name) for name in ("td_dry", "td_wet")]


def _turn(plan: FleetPlan, rows: I64, bin_id: I64) -> I64:
    return (bin_id + plan.hour_phase_bins[rows]) // TURN_BINS


def mind_turn(plan: FleetPlan, state: FleetState, rows: I64, since: I64, mode: int) -> None:
    """Remember the turn in which the mean of each of ``rows`` was taken, in its place.

    ``since`` is a bin of it; ``mode`` is 0 for dry, 1 for wet.
    """
    now = _turn(plan, rows, since) % _CYCLE
    before = (now - state.td_turn[rows, mode]) % _CYCLE
    # After a long silence whole days are left out: the turn of the day stays true.
    most = _LONGEST + 1 - TURNS_A_DAY + before % TURNS_A_DAY
    place = state.steady_count[rows, _TD_Q[mode]] % TD_AGES
    state.td_since[rows, mode, place] = np.where(before > _LONGEST, most, before)
    state.td_turn[rows, mode] = now


def _newest_turns(state: FleetState, rows: I64, mode: int, means: int) -> I64:
    """Turns of the newest means, (k, means), newest first; so many as TD_AGES are known."""
    count = state.steady_count[rows, _TD_Q[mode]]
    place = (count[:, None] - np.arange(1, means)) % TD_AGES
    since = state.td_since[rows[:, None], mode, place].astype(np.int64)
    back = np.concatenate([np.zeros((len(rows), 1), dtype=np.int64), since.cumsum(axis=1)], axis=1)
    turns: I64 = (state.td_turn[rows, mode].astype(np.int64)[:, None] - back) % _CYCLE
    return turns


def learn_hours(state: FleetState, rows: I64, mode: int, means: I64) -> None:
    """Learn what hours the newest ``means`` means are of, (k,), and how high the busy ones are."""
    most = int(means.max(initial=1))
    turns = _newest_turns(state, rows, mode, most) % TURNS_A_DAY
    there = np.arange(most) < means[:, None]
    brought = (there[:, :, None] & (turns[:, :, None] == np.arange(TURNS_A_DAY))).sum(axis=1)
    often = brought >= LEAST_EVEN_SHARE / TURNS_A_DAY * means[:, None]
    kept = state.steady_count[rows, _TD_Q[mode]][:, None] - np.arange(1, most + 1)
    clean = state.steady[rows[:, None], _TD_Q[mode], kept % STEADY_BINS].astype(np.float64)
    state.td_upper_k[rows, mode] = upper_quartile(np.where(there, clean, np.nan))
    hours = np.packbits(often, axis=1, bitorder="little")[:, 0]
    # Means of before turns were minded have none of their own: then all hours count.
    place = (state.steady_count[rows, _TD_Q[mode]][:, None] - np.arange(1, most)) % TD_AGES
    unminded = (state.td_since[rows[:, None], mode, place] == 0) & there[:, 1:]
    state.td_hours[rows, mode] = np.where(unminded.any(axis=1), 0, hours)


def upper_quartile(means: F64) -> F64:
    """Of the means along the last axis, NaN left out: what one in four is above; NaN of none."""
    there = (~np.isnan(means)).sum(axis=-1)
    at = np.maximum(np.ceil(0.75 * there).astype(np.int64) - 1, 0)
    out: F64 = np.take_along_axis(np.sort(means, axis=-1), at[..., None], axis=-1)[..., 0]
    return out


def of_learned_hours(state: FleetState, rows: I64, mode: int, means: int) -> Bool:
    """Which of the newest means count, (k, means), newest first; all where no hours are learned."""
    mask = state.td_hours[rows, mode].astype(np.int64)
    turns = _newest_turns(state, rows, mode, means) % TURNS_A_DAY
    of: Bool = ((mask[:, None] >> turns) & 1 == 1) | (mask == 0)[:, None]
    return of


def ages_bins(
    plan: FleetPlan, state: FleetState, rows: I64, mode: int, means: int, bin_id: I64
) -> I64:
    """Age of the newest means as of ``bin_id``, (k, means), newest first, to a turn. [bins]"""
    now = _turn(plan, rows, bin_id)
    since = (now[:, None] - _newest_turns(state, rows, mode, means)) % _CYCLE
    # A mean is of the turn before the one in which it is told.
    ages: I64 = np.maximum(since - 1, 0) * TURN_BINS
    return ages
